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
import warnings
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import resource_tracker
from typing import Any

__all__ = ["heed_stops", "interrupts_held", "worker_pool"]

# What asks to stop: Ctrl-C, another program, a terminal that is closed.
_INTERRUPT = {signal.SIGINT}
_OTHERS = {getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)}


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
        Give it work within `interrupts_held`: a worker leaves Ctrl-C to the process that started it. What
        libraries warn of there is not printed, as in that process.
    """
    before = set(multiprocessing.active_children())
    # It starts the process that gives back what others leave; without that one, others would complain.
    with interrupts_held():
        pool = ProcessPoolExecutor(workers, mp_context=start, initializer=_begin)
    try:
        yield pool
    except BaseException:
        # What they are at would be waited for; it is of no use any more.
        for process in set(multiprocessing.active_children()) - before:
            # One that is just starting does not heed anything gentler yet.
            process.kill()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


@contextlib.contextmanager
def interrupts_held() -> Iterator[None]:
    """Keep back what asks to stop while the block runs, so that no process is left half started.

    A process that is started in it never heeds Ctrl-C: a terminal sends that to all processes at once, and
    each would say that it was interrupted. The other signals it heeds from `heed_stops` on.
    """
    if not hasattr(signal, "pthread_sigmask") or threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in (*_INTERRUPT, *_OTHERS, signal.SIGALRM)}
    masked = signal.pthread_sigmask(signal.SIG_BLOCK, _INTERRUPT | _OTHERS)
    # A mask holds for one thread; a signal may come by way of another one, which some library has started.
    for number, handler in before.items():
        if callable(handler):
            signal.signal(number, lambda number, _: came.append(number))
    try:
        # What gives back that others leave is started with the first process, and then lets signals through.
        resource_tracker.ensure_running()
        signal.pthread_sigmask(signal.SIG_BLOCK, _INTERRUPT | _OTHERS)
        yield
    finally:
        for number, handler in before.items():
            if callable(handler):
                signal.signal(number, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, masked)
        for number in came:
            signal.raise_signal(number)


def heed_stops() -> None:
    """Let a process that was started within `interrupts_held` be ended by others, but not by Ctrl-C."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _OTHERS)


def _begin() -> None:
    """Begin as a worker: silent, and to end with the process that gives the work, also if that is killed."""
    heed_stops()
    # Not a filter: where warnings are made errors, they stay errors.
    warnings.showwarning = lambda *_, **__: None
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: Any) -> None:
    parent.join()
    os._exit(1)
