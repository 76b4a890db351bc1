"""Where the program begins: it listens to signals first, and only then reads the libraries.

In: a command line.
Out: the command; a signal while the libraries are read ends the process in a sentence.

It reads nothing that takes time, and so must what it is part of: `roofplat` and `roofplat.cli`.
"""

from __future__ import annotations

import os
import signal
from types import FrameType

__all__ = ["SIGNALLED", "STOPPED", "STOPS", "leave", "leave_quietly", "run"]

# What asks a command to stop: Ctrl-C, another program, a terminal that is closed.
STOPS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
# As shells count a program that a signal has ended.
SIGNALLED = 128
STOPPED = (
    "The command was stopped before it was done: each file is whole, the one of before or a new one; "
    "run it again."
)


def run() -> None:
    """Run the command line of this process."""
    for number in STOPS:
        # What whoever started us has turned off stays so, as `nohup` does.
        if signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, leave)
    from roofplat.cli.main import main

    code: int | str | None = 1
    try:
        main()
    except SystemExit as end:
        code = end.code
        raise
    finally:
        done = code if isinstance(code, int) else int(code is not None)
        for number in STOPS:
            if signal.getsignal(number) != signal.SIG_IGN:
                # The command is over; nothing is left to be stopped but the interpreter's own farewell.
                signal.signal(number, lambda *_: os._exit(done))


def leave(number: int, frame: FrameType | None) -> None:
    """End at once, in a sentence: no file is open yet."""
    del frame
    os.write(2, f"Error: {STOPPED}\n".encode("ascii"))
    os._exit(SIGNALLED + number)


def leave_quietly(number: int, frame: FrameType | None) -> None:
    """End at once: the command is over and has said all that it had to say."""
    del frame
    os._exit(SIGNALLED + number)
