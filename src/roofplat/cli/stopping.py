"""How a command is stopped: by a signal, in good order, and never unheard.

In: Ctrl-C, another program's request to end, a terminal that is closed.
Out: `Stopped`, raised in the command until it gets through, so that everything half written is removed.

Python runs the handler of a signal wherever the program happens to be. In a destructor, in the callback of a
weak reference, in a library that lets nothing through, what a handler raises is thrown away. So a clock looks
again, and the stop is raised again, until it is on its way.
"""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType, TracebackType
from typing import Any

from roofplat.cli import entry

__all__ = ["Stopped", "Stops", "stoppable"]

# Between two looks whether a stop is on its way, and looks in a row that find it is not, before it is raised
# again: what is tidied up on the way out is disturbed by none.
_LOOK_S = 0.05
_LOOKS = 2
_MOST_CAUSES = 100


class Stopped(BaseException):
    """A signal has asked to stop; nothing on the way catches it, and everything half written is removed."""


class Stops:
    """The signals that have come while a command ran.

    came
        Their numbers, in order.
    """

    def __init__(self) -> None:
        self.came: list[int] = []
        self._raises = False
        self._unseen = 0

    def __enter__(self) -> Stops:
        """From here on a signal stops the block; also one that has come already."""
        self._raises = True
        if self.came:
            raise Stopped
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """From here on a signal is only noted."""
        self._raises = False

    def signalled(self, number: int, frame: FrameType | None) -> None:
        """Take a signal that asks to stop."""
        del frame
        self.came.append(number)
        _look_every(_LOOK_S)
        if self._raises and not _on_its_way():
            raise Stopped

    def looked(self, number: int, frame: FrameType | None) -> None:
        """Raise the stop again where it has been lost on its way."""
        del number, frame
        self._unseen = 0 if _on_its_way() else self._unseen + 1
        if self._raises and self._unseen >= _LOOKS:
            self._unseen = 0
            raise Stopped


@contextlib.contextmanager
def stoppable() -> Iterator[Stops]:
    """Take the signals that ask to stop, while the block runs.

    Yields
    ------
    Stops
        A block within it is stopped: `with stoppable() as stops: ... with stops: ...`. In a thread that is
        not the main one it takes none, for only that one may say what signals do.
    """
    stops = Stops()
    if threading.current_thread() is not threading.main_thread():
        yield stops
        return
    before = {number: signal.getsignal(number) for number in entry.STOPS}
    clock = signal.getsignal(signal.SIGALRM) if hasattr(signal, "SIGALRM") else None
    complain = sys.unraisablehook

    def quiet(unraisable: Any) -> None:
        # It is raised again; nobody has to read of it.
        if not (unraisable.exc_type is not None and issubclass(unraisable.exc_type, Stopped)):
            complain(unraisable)

    sys.unraisablehook = quiet
    if clock is not None:
        signal.signal(signal.SIGALRM, stops.looked)
    for number, handler in before.items():
        # What whoever started us has turned off stays so, as `nohup` does.
        if handler != signal.SIG_IGN:
            signal.signal(number, stops.signalled)
    try:
        yield stops
    finally:
        for number, handler in before.items():
            # What it was before that the modules were being read; now the command is over.
            signal.signal(
                number, entry.leave_quietly if handler is entry.leave else handler or signal.SIG_DFL
            )
        _look_every(0.0)
        if clock is not None:
            signal.signal(signal.SIGALRM, clock)
        sys.unraisablehook = complain


def _look_every(seconds: float) -> None:
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, seconds, seconds)


def _on_its_way() -> bool:
    """Whether somebody is handling the stop now: tidies up, or makes another error of it."""
    error = sys.exc_info()[1]
    for _ in range(_MOST_CAUSES):
        if error is None or isinstance(error, Stopped):
            return error is not None
        error = error.__context__
    return False
