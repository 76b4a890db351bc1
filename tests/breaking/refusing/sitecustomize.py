"""Refuse the network to a Python process and to every Python process it starts.

In: this folder in `PYTHONPATH`; `REFUSED_TO`, a file; `REFUSED_BUT_HERE` where this machine may be asked.
Out: a process that asks a name server, or connects or sends to another machine, ends at once with exit
    code 97 and leaves a line in the file, so that no `except` can hide it. What only listens, and who asks
    it from the same machine, needs what is let through then: loopback, and addresses in numbers, for which
    nobody is asked.
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


def _is_here(event: str, host: Any) -> bool:
    """Whether an event stays on this machine: a number is no question, and loopback is no network.

    What loopback is called may be asked: waitress does, with a flag for numbers that no event tells.
    """
    import ipaddress

    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return event in _NAMES[:2] or (event in (*_WAYS, "socket.getnameinfo") and address.is_loopback)


def _refuse(event: str, arguments: tuple[Any, ...]) -> None:
    if not event.startswith("socket."):
        return
    host = _host(event, arguments)
    if host is None or ("REFUSED_BUT_HERE" in os.environ and _is_here(event, host)):
        return
    with open(os.environ["REFUSED_TO"], "a", encoding="utf-8") as file:  # noqa: PTH123
        file.write(f"{event} {host!r}\n")
    os._exit(EXIT_CODE)


# No process that only looks at this file refuses anything.
if "REFUSED_TO" in os.environ:
    sys.addaudithook(_refuse)
