"""Refuse the network to a Python process and to every Python process it starts.

In: this folder in `PYTHONPATH`; `REFUSED_TO`, a file.
Out: a process that asks a name server, or connects or sends to another machine, ends at once with exit
    code 97 and leaves a line in the file, so that no `except` can hide it.
"""

import os
import sys
from typing import Any

EXIT_CODE = 97
_NAMES = ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr")
_WAYS = ("socket.connect", "socket.sendto", "socket.sendmsg")


def _host(event: str, arguments: tuple[Any, ...]) -> Any:
    """Whom an event asks; None of what stays in this machine's file system."""
    if event in _NAMES:
        return arguments[0]
    if event == "socket.getnameinfo":
        return arguments[0][0]
    if event in _WAYS:
        address = arguments[1]
        return address[0] if isinstance(address, tuple) else None
    return None


def _refuse(event: str, arguments: tuple[Any, ...]) -> None:
    if not event.startswith("socket."):
        return
    host = _host(event, arguments)
    if host is None:
        return
    with open(os.environ["REFUSED_TO"], "a", encoding="utf-8") as file:  # noqa: PTH123
        file.write(f"{event} {host!r}\n")
    os._exit(EXIT_CODE)


# No process that only looks at this file refuses anything.
if "REFUSED_TO" in os.environ:
    sys.addaudithook(_refuse)
