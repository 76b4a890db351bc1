"""Run the tiles of a district: in this process, or in several.

In: the names of tiles, and a function that plans one.
Out: nothing; each call leaves its tile in the work folder. A worker that dies takes no tile with it.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from roofplat.errors import LayerError

__all__ = ["Run", "run_tiles"]

Run = Callable[[str], None]
"""Plans the tile of that name; it can be pickled."""
# A process gives back its memory when it ends: each does so many tiles, then others begin.
_TILES_OF_A_PROCESS = 200
# Tiles that are given out beyond those at work, so that no process waits.
_AHEAD = 1
_PRELOAD = "roofplat.pipeline.tiles.run"


def run_tiles(
    tiles: Sequence[str],
    run: Run,
    *,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> None:
    """Plan tiles, one after the other or several at once.

    Parameters
    ----------
    tiles
        Their names.
    run
        Plans one; called once for each. Called again, it finds what a call that was cut off has left.
    workers
        Processes; 1 works in this one. Each holds one tile in memory.
    report
        Called with a line of progress.

    Raises
    ------
    LayerError
        A process ended twice while it had the same tile, as it does when memory runs out.
    RoofplatError
        What `run` raises; tiles that are done by then stay.

    Examples
    --------
    >>> done = []
    >>> run_tiles(["t1", "t2"], done.append)
    >>> done
    ['t1', 't2']
    """
    done = 0

    def tell(name: str) -> None:
        nonlocal done
        del name
        done += 1
        if report is not None:
            report(f"Planning tiles: {done:,} of {len(tiles):,}")

    if workers <= 1 or len(tiles) <= 1:
        for name in tiles:
            run(name)
            tell(name)
        return
    left = list(tiles)
    while left:
        some = left[: workers * _TILES_OF_A_PROCESS]
        lost = _run_pool(some, run, min(workers, len(some)), tell)
        if lost is None:
            left = left[len(some) :]
            continue
        finished, suspects = lost
        # Any of those that were at work may be the one that no memory suffices for: one at a time now.
        for name in suspects:
            alone = _run_pool([name], run, 1, tell)
            if alone is not None and not alone[0]:
                raise LayerError(
                    f"The process that planned tile {name} ended by itself, and so did the one after it; "
                    "build with fewer --workers, or give [scale] fewer tile_buildings."
                )
            finished.add(name)
        left = [name for name in left if name not in finished]


def _run_pool(
    tiles: Sequence[str], run: Run, workers: int, tell: Callable[[str], None]
) -> tuple[set[str], list[str]] | None:
    """Work on tiles in processes; where one dies: which tiles are done, and which were at work."""
    finished: set[str] = set()
    waiting: dict[Future[None], str] = {}
    coming = iter(tiles)
    pool = ProcessPoolExecutor(workers, mp_context=_start(), initializer=_follow_parent)
    try:
        _give(pool, run, coming, waiting, workers + _AHEAD)
        while waiting:
            ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in ready:
                future.result()
                name = waiting.pop(future)
                finished.add(name)
                tell(name)
            _give(pool, run, coming, waiting, workers + _AHEAD)
    except BrokenProcessPool:
        for future, name in list(waiting.items()):
            if future.done() and future.exception() is None:
                finished.add(name)
                tell(name)
        return finished, [name for name in tiles if name in set(waiting.values()) - finished]
    finally:
        pool.shutdown(cancel_futures=True)
    return None


def _give(
    pool: ProcessPoolExecutor,
    run: Run,
    coming: Iterator[str],
    waiting: dict[Future[None], str],
    most: int,
) -> None:
    while len(waiting) < most:
        name = next(coming, None)
        if name is None:
            return
        waiting[pool.submit(run, name)] = name


def _start() -> Any:
    """Processes that are started anew: libraries of this one may hold threads, and forking loses them."""
    methods = multiprocessing.get_all_start_methods()
    start = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        # Reads the libraries once for all workers.
        start.set_forkserver_preload([_PRELOAD])
    return start


def _follow_parent() -> None:
    """End with the process that gave the work, also where that one is killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: Any) -> None:
    parent.join()
    os._exit(1)
