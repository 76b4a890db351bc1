"""Run the tiles of a district: in this process, or in several.

In: the names of tiles, and a function that plans one.
Out: nothing; each call leaves its tile in the work folder. A worker that dies takes no tile with it.
"""

from __future__ import annotations

import contextlib
import gc
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, NamedTuple

from roofplat.errors import LayerError
from roofplat.publish.processes import interrupts_held, worker_pool

__all__ = ["Run", "Task", "run_tiles"]


class Task(NamedTuple):
    """A tile that is to be planned, and the key that it then has."""

    tile: str
    key: str


Run = Callable[[Task], None]
"""Plans a tile; it can be pickled."""
# A process gives back its memory when it ends: each does so many tiles, then others begin.
_TILES_OF_A_PROCESS = 200
# Tiles that are given out beyond those at work, so that no process waits.
_AHEAD = 1
_PRELOAD = "roofplat.pipeline.tiles.run"


def run_tiles(
    tasks: Sequence[Task],
    run: Run,
    *,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> None:
    """Plan tiles, one after the other or several at once.

    Parameters
    ----------
    tasks
        The tiles.
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
    >>> run_tiles([Task("t1", "key"), Task("t2", "key")], done.append)
    >>> [task.tile for task in done]
    ['t1', 't2']
    """
    done = 0

    def tell() -> None:
        nonlocal done
        done += 1
        if report is not None:
            report(f"Planning tiles: {done:,} of {len(tasks):,}")

    if workers <= 1 or len(tasks) <= 1:
        with _libraries_left_alone():
            for task in tasks:
                run(task)
                tell()
        return
    left = list(tasks)
    while left:
        some = left[: workers * _TILES_OF_A_PROCESS]
        lost = _run_pool(some, run, min(workers, len(some)), tell)
        if lost is None:
            left = left[len(some) :]
            continue
        finished, suspects = lost
        # Any of those that were at work may be the one that no memory suffices for: one at a time now.
        for task in suspects:
            alone = _run_pool([task], run, 1, tell)
            if alone is not None and not alone[0]:
                raise LayerError(
                    f"The process that planned tile {task.tile} ended by itself, and so did the next; "
                    "build with fewer --workers, or with a smaller tile_buildings in [scale]."
                )
            finished.add(task)
        left = [task for task in left if task not in finished]


def _run_pool(
    tasks: Sequence[Task], run: Run, workers: int, tell: Callable[[], None]
) -> tuple[set[Task], list[Task]] | None:
    """Work on tiles in processes; where one dies: which tiles are done, and which were at work."""
    finished: set[Task] = set()
    waiting: dict[Future[None], Task] = {}
    coming = iter(tasks)
    try:
        with worker_pool(workers, _start()) as pool:
            _give(pool, run, coming, waiting, workers + _AHEAD)
            while waiting:
                ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    future.result()
                    finished.add(waiting.pop(future))
                    tell()
                _give(pool, run, coming, waiting, workers + _AHEAD)
    except BrokenProcessPool:
        for future, task in waiting.items():
            if future.done() and future.exception() is None:
                finished.add(task)
                tell()
        return finished, [task for task in waiting.values() if task not in finished]
    return None


def _give(
    pool: ProcessPoolExecutor, run: Run, coming: Iterator[Task], waiting: dict[Future[None], Task], most: int
) -> None:
    while len(waiting) < most:
        task = next(coming, None)
        if task is None:
            return
        with interrupts_held():
            waiting[pool.submit(_run_in_worker, run, task)] = task


def _run_in_worker(run: Run, task: Task) -> None:
    """Plan a tile in a process that does nothing else, and so leaves its libraries alone to its end."""
    if not gc.get_freeze_count():
        gc.collect()
        gc.freeze()
    run(task)


@contextlib.contextmanager
def _libraries_left_alone() -> Iterator[None]:
    """Let the collector of garbage look only at what is made from now on.

    A tile makes enough objects for two looks at all that there are, most of which are the libraries' own.
    """
    if gc.get_freeze_count():
        # Somebody else has, and will want to end it.
        yield
        return
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def _start() -> Any:
    """Processes that are started anew: libraries of this one may hold threads, and forking loses them."""
    methods = multiprocessing.get_all_start_methods()
    start = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
    if "forkserver" in methods:
        # Reads the libraries once for all workers.
        start.set_forkserver_preload([_PRELOAD])
    return start
