"""One process that answers: it reads the libraries, makes the application, and takes requests.

In: one run of the service, the listening socket.
Out: answers, until it is told to end or the process that started it is gone.
"""

from __future__ import annotations

import gc
import logging
import multiprocessing
import os
import signal
import socket
import sys
import threading
import warnings
from multiprocessing.connection import Connection
from types import FrameType

from roofplat.errors import RoofplatError
from roofplat.publish.processes import heed_stops
from roofplat.serve.app import make_app
from roofplat.serve.connections import make_server
from roofplat.serve.setting import Serving

__all__ = ["work"]

# Objects made before the youngest are looked through; such rounds before those that survived one are, and
# rounds of these before all are. By Python's own figures all came about every hundredth plan, for 0.1 s.
_COLLECT_AFTER = (2_000, 20, 100)


def work(serving: Serving, listening: socket.socket, ready: Connection) -> None:
    """Answer requests.

    Parameters
    ----------
    serving
        The run.
    listening
        The socket, bound and listening.
    ready
        Is sent an empty text when the first request can come, or the sentence of what is wrong.
    """
    # The one that started this process ends it; a key pressed in a terminal reaches both.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asked: list[int] = []

    def leave(number: int, frame: FrameType | None) -> None:
        del frame
        asked.append(number)
        raise SystemExit(0)

    signal.signal(signal.SIGTERM, leave)
    # Where Python throws it away, as in a destructor, it is not lost; nobody has to read of it.
    complain = sys.unraisablehook
    sys.unraisablehook = lambda one: None if one.exc_type is SystemExit else complain(one)
    heed_stops()
    # What libraries warn of is not printed, as by the other commands.
    warnings.showwarning = lambda *_, **__: None
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format="%(levelname)s: %(message)s")
    # What pygeoapi logs are refusals that the client is told; what waitress logs there is a busy hour.
    logging.getLogger("pygeoapi").setLevel(logging.CRITICAL)
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    try:
        application = make_app(serving)
    except RoofplatError as error:
        ready.send(str(error))
        return
    server = make_server(application, listening, serving.service)
    # Nothing is left behind from now on; an answer that is being written goes no farther either way.
    signal.signal(signal.SIGTERM, _leave)
    if asked:
        return
    # What was read to start stays for good; to look through all of it for what may go took longer than an
    # answer, in the middle of one.
    gc.collect()
    gc.freeze()
    # Nor is what plans and pages are kept at hand looked through more than once in some thousand answers.
    gc.set_threshold(*_COLLECT_AFTER)
    ready.send("")
    ready.close()
    server.run()


def _leave(number: int, frame: FrameType | None) -> None:
    del number, frame
    os._exit(0)


def _leave_with_parent() -> None:
    """A service that was killed leaves no process behind that holds its port."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
