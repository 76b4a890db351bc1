"""How long a client may take to ask, and what it is told that does not speak HTTP: waitress, made strict.

In: a listening socket, an application, the bounds.
Out: a server that closes the connections of clients that hang, and says in a sentence what it cannot read.
"""

from __future__ import annotations

import socket
import time
from typing import Any

from waitress.adjustments import Adjustments
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer
from waitress.task import ErrorTask

from roofplat.district import Service
from roofplat.serve.guard import ALWAYS, NO_PAGE, refusal_json

__all__ = ["make_server"]

# Waitress cuts off what is far beyond any bound; what is nearer is answered by the guard in its own words.
_LARGEST_HEADER = 65_536
_ROOM = 8
_SENTENCES = {
    413: "The body is far larger than the service takes; send less.",
    431: "The headers are larger than the service takes; send less.",
    500: "The service made a mistake; ask whoever runs it to look at its log.",
    501: "The body is coded in a way that is not known here; send it plain.",
}
_NO_HTTP = "This is no request that HTTP knows; mend it and send it again."


class _Refusal(ErrorTask):  # type: ignore[misc]  # waitress is not typed
    """What a client is told whose request cannot be read."""

    def execute(self) -> None:
        error = self.request.error
        body = refusal_json(error.code, _SENTENCES.get(error.code, _NO_HTTP))
        self.status = f"{error.code} {error.reason}"
        self.response_headers += [
            ("Content-Type", "application/json"),
            ("Content-Security-Policy", NO_PAGE),
            *ALWAYS,
        ]
        self.set_close_on_finish()
        self.content_length = len(body)
        self.write(body)


class _Channel(HTTPChannel):  # type: ignore[misc]
    """A connection that knows since when it waits for the rest of a request."""

    error_task_class = _Refusal
    waits_since: float | None = None

    def received(self, data: bytes) -> bool:
        begun = self.waits_since or time.time()
        going_on: bool = super().received(data)
        self.waits_since = None if self.request is None else begun
        return going_on

    def write_soon(self, data: Any) -> int:
        # A request may have waited long for its turn: the client's time to read begins with the answer.
        if not self.total_outbufs_len:
            self.last_activity = time.time()
        written: int = super().write_soon(data)
        return written


class _Server(TcpWSGIServer):  # type: ignore[misc]
    """Waitress, which closes silent connections, and also those that send a request byte by byte.

    And those that never read: it marks them, but closes a connection only when it can still write to it.
    """

    channel_class = _Channel

    def maintenance(self, now: float) -> None:
        super().maintenance(now)
        cutoff = now - self.adj.channel_timeout
        # A list, for a connection that is closed leaves the table.
        for channel in list(self.active_channels.values()):
            if not channel.requests and channel.waits_since is not None and channel.waits_since < cutoff:
                channel.will_close = True
            # Under the lock, for a thread may be handing bytes to the client at this moment.
            with channel.outbuf_lock:
                if channel.total_outbufs_len and channel.last_activity < cutoff:
                    # Wakes the thread too that waits for room to write the rest of an answer.
                    channel.handle_close()


def make_server(application: Any, listening: socket.socket, service: Service) -> Any:
    """Make a server that has not begun to take requests.

    Parameters
    ----------
    application
        WSGI.
    listening
        Bound and listening.
    service
        The bounds.

    Returns
    -------
    object
        Its method `run` returns when the process is told to end.
    """
    bounds = Adjustments(
        sockets=[listening],
        threads=service.threads,
        connection_limit=service.connections,
        channel_timeout=service.idle_seconds,
        cleanup_interval=max(1, service.idle_seconds // 4),
        max_request_header_size=_LARGEST_HEADER,
        max_request_body_size=service.body_bytes * _ROOM,
        asyncore_use_poll=True,
        ident=None,
        expose_tracebacks=False,
        log_socket_errors=False,
    )
    place = (listening.family, listening.type, listening.proto, listening.getsockname())
    return _Server(application, {}, True, listening, adj=bounds, sockinfo=place, bind_socket=False)
