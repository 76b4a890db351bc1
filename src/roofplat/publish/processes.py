"""Worker processes that end with the process that gave them work, however that ends.

In: how they are started, how many.
Out: a pool for a while. When work is cut off, by a signal or by a fault, no worker goes on alone.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import Any

__all__ = ["interrupts_held", "worker_pool"]


@contextlib.contextmanager
def worker_pool(workers: int, start: Any) -> Iterator[ProcessPoolExecutor]:
    """Hold processes that work while the block runs.

    Parameters
    ----------
    workers
        How many.
    start
        Context of `multiprocessing` that starts them.

    Yields
    ------
    ProcessPoolExecutor
        Give it work within `interrupts_held`: a worker leaves Ctrl-C to the process that started it.
    """
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(workers, mp_context=start, initializer=_follow_parent)
    try:
        yield pool
    except BaseException:
        # What they are at would be waited for; it is of no use any more.
        for process in set(multiprocessing.active_children()) - before:
            process.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Keep Ctrl-C back while the block runs, and for ever from processes that are started in it.

    A terminal sends it to all processes at once; each would say that it was interrupted.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _follow_parent() -> None:
    """End with the process that gave the work, also where that one is killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: Any) -> None:
    parent.join()
    os._exit(1)
