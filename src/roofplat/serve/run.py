"""Starting the service: one listening socket, several processes that answer, until somebody ends it.

In: a district and the choices of the command.
Out: a service on the network; nothing is written.

The socket is made once and handed to each process, so that one that dies takes no waiting client with it. The
processes are started afresh and not copied: a copy would carry open files and half-held locks of libraries.
"""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import signal
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from types import FrameType
from typing import Any

from roofplat.district import District, Service
from roofplat.errors import DistrictFileError, LayerError
from roofplat.publish.processes import interrupts_held
from roofplat.serve.setting import Serving, check_url, is_this_machine, read_token

__all__ = ["run_service", "serving_of"]

# A worker may take so long until it answers; a slow machine reads many libraries.
_START_S = 300.0
_END_S = 10.0
# A worker that died is started again after so long, so that one that cannot live does not spin.
_AGAIN_S = 1.0
# Connections that the system holds until a worker takes them.
_WAITING = 1024
_NAMES_HERE = frozenset({"localhost", "127.0.0.1", "::1"})


@dataclass(slots=True)
class _Worker:
    process: Any
    ready: Connection


def serving_of(district: District, folder: Path, service: Service, bound: tuple[Any, ...]) -> Serving:
    """Gather what a run needs, and refuse what would not be safe.

    Parameters
    ----------
    district
        From `read_district`.
    folder
        The folder of the build.
    service
        The settings in force, the command's own choices among them.
    bound
        Address and port that the socket has: a name may stand for any address.

    Returns
    -------
    Serving

    Raises
    ------
    DistrictFileError
        Another machine could ask without a token; or the token file or the address is wrong.
    LayerError
        There is no build.
    """
    host, port = service.host, bound[1]
    token = None if service.token_file is None else read_token(service.token_file)
    if not is_this_machine(bound[0]) and token is None:
        raise DistrictFileError(
            f"Other machines can reach {host}; name a token file (--token-file), or listen on 127.0.0.1."
        )
    if service.database is None and not (folder / "layers.gpkg").is_file():
        raise LayerError(f"There is no build in {folder}; run `roofplat build` first, or name it with --out.")
    if service.url is not None:
        url = check_url(service.url)
    elif bound[0] in ("0.0.0.0", "::"):  # noqa: S104  it is refused here
        raise DistrictFileError(
            f"{host} is every address of this machine; say with --url under which one the service is asked."
        )
    else:
        url = f"http://{f'[{host}]' if ':' in host else host}:{port}"
    named = check_url(url).rpartition("//")[2]
    name = named.rpartition("]")[0].strip("[") if named.startswith("[") else named.partition(":")[0]
    return Serving(
        district=district.name,
        folder=folder.resolve(),
        database=service.database,
        url=url,
        hosts=_NAMES_HERE | {host.lower(), name},
        token=token,
        service=service,
    )


def run_service(district: District, folder: Path, service: Service, *, say: Callable[[str], None]) -> None:
    """Serve until the process is asked to end.

    Parameters
    ----------
    district, folder, service
        As for `serving_of`.
    say
        Takes a line when the service can be asked.

    Raises
    ------
    RoofplatError
        The service cannot start.
    """
    _check_extra()
    with _bound(service.host, service.port) as listening:
        serving = serving_of(district, folder, service, listening.getsockname())
        # Not before it is known to be safe.
        listening.listen(_WAITING)
        methods = multiprocessing.get_all_start_methods()
        start = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        if "forkserver" in methods:
            # Reads the libraries once for all workers, before there is any thread.
            start.set_forkserver_preload(["roofplat.serve.worker"])
        _keep_running(serving, listening, start, say)


def _keep_running(serving: Serving, listening: socket.socket, start: Any, say: Callable[[str], None]) -> None:
    # A list and not an event: a signal that comes while one is being taken would wait for its lock for ever.
    ended: list[int] = []
    asked, asking = multiprocessing.Pipe(duplex=False)

    def end(number: int, frame: FrameType | None) -> None:
        del frame
        ended.append(number)
        if len(ended) == 1:
            asking.send_bytes(b"end")

    before = {one: signal.signal(one, end) for one in (signal.SIGINT, signal.SIGTERM)}
    workers: list[_Worker] = []
    try:
        workers.extend(_start(serving, listening, start) for _ in range(serving.service.workers))
        for worker in workers:
            _await_ready(worker, ended)
        if ended:
            return
        place = listening.getsockname()
        here = "" if serving.service.url is None else f", listening on {place[0]} port {place[1]}"
        say(f"Serving {serving.district} at {serving.url}/{here}")
        while not ended:
            gone = set(wait([asked, *(worker.process.sentinel for worker in workers)]))
            if ended:
                break
            time.sleep(_AGAIN_S)
            for place, worker in enumerate(workers):
                if worker.process.sentinel in gone:
                    say("A worker process ended by itself; another one takes its place.")
                    worker.process.join()
                    worker.ready.close()
                    workers[place] = _start(serving, listening, start)
    except LayerError:
        # Where all processes were asked to end, one that did is no fault.
        if not ended:
            raise
    finally:
        _end(workers)
        for number, handler in before.items():
            signal.signal(number, handler)
        asked.close()
        asking.close()


def _start(serving: Serving, listening: socket.socket, start: Any) -> _Worker:
    here, there = start.Pipe(duplex=False)
    # A daemon is ended with this process also where that is stopped before it has noted whom it started;
    # another one would be waited for.
    process = start.Process(target=_work, args=(serving, listening, there), daemon=True)
    try:
        with interrupts_held():
            process.start()
    except EOFError:
        here.close()
        raise LayerError("A worker process could not be started; start the service again.") from None
    finally:
        there.close()
    return _Worker(process, here)


def _work(serving: Serving, listening: socket.socket, ready: Connection) -> None:
    """Run in a worker process; the one that watches over them reads none of its libraries."""
    from roofplat.serve.worker import work

    work(serving, listening, ready)


def _await_ready(worker: _Worker, ended: Sequence[int]) -> None:
    """Wait until a worker can answer; it sends nothing, or the sentence of what it found."""
    until = time.monotonic() + _START_S
    while not worker.ready.poll(0.1):
        if ended:
            return
        if time.monotonic() > until:
            raise LayerError(
                f"A worker process did not start in {_START_S:.0f} seconds; look at what it printed."
            )
    try:
        sentence = worker.ready.recv()
    except EOFError:
        raise LayerError("A worker process ended while it started; look at what it printed.") from None
    if sentence:
        raise LayerError(sentence)


def _end(workers: list[_Worker]) -> None:
    for worker in workers:
        worker.process.terminate()
    until = time.monotonic() + _END_S
    for worker in workers:
        worker.process.join(max(0.1, until - time.monotonic()))
        if worker.process.is_alive():
            worker.process.kill()
            worker.process.join()
        worker.ready.close()


def _bound(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, protocol)
    except OSError as error:
        raise DistrictFileError(
            f"{host} is no address of this machine ({error.strerror}); give another --host."
        ) from None
    try:
        if os.name == "posix":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
    except OSError as error:
        listening.close()
        raise DistrictFileError(
            f"{host} port {port} cannot be listened on ({error.strerror}); give another --port or --host."
        ) from None
    return listening


def _check_extra() -> None:
    if not all(map(_is_there, ("flask", "pygeoapi", "waitress"))):
        raise DistrictFileError(
            "The service needs libraries that are not installed; "
            "run `python -m pip install 'roofplat[service]'`."
        )


def _is_there(library: str) -> bool:
    """Whether a library can be imported; it is not, for that takes long and much memory."""
    try:
        return importlib.util.find_spec(library) is not None
    except ValueError:
        return False
