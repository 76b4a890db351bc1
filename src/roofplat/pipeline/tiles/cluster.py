"""Run the tiles of a district on a Dask cluster that somebody already has.

In: the folder of a cut district that this machine and all workers share, tiles, the address of a scheduler.
Out: nothing; each tile is left in the shared folder by the worker that planned it.

The footprints of the tiles are the spatial partitions of a dask-geopandas frame: a worker reads its
partition from the shared folder, and so knows that it sees what this process cut. Between the machines travel
names and keys alone. A worker that dies takes no tile with it: the scheduler gives what it had to others.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import logging
import queue
import socket
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pandas as pd

from roofplat import __version__
from roofplat.errors import DistrictFileError, LayerError, RoofplatError
from roofplat.pipeline.tiles.cut import open_cut
from roofplat.pipeline.tiles.keys import code_digest
from roofplat.pipeline.tiles.run import Job, run_tile
from roofplat.pipeline.tiles.schedule import Task
from roofplat.pipeline.tiles.spread import HOME

__all__ = ["check_cluster", "plan_partition", "program", "run_on_cluster"]

_LIBRARIES = ("dask", "dask_geopandas", "distributed")
# What goes over a plain connection, encrypted or not.
_SOCKETS = ("tcp", "tls", "ws", "wss")
_LOOK_S = 0.5
_TIMEOUT_S = 10.0
_AGAIN = "what is done stays; build again to go on."


def check_cluster(address: str) -> None:
    """Look before the long work whether a cluster can be reached and would plan what this machine plans.

    Parameters
    ----------
    address
        Of its scheduler, as `tcp://host:8786`.

    Raises
    ------
    DistrictFileError
        The extra is not installed, nobody answers at the address, or a worker runs another program.
    """
    with _client(address) as client:
        _check_workers(client, address)


def run_on_cluster(
    tasks: Sequence[Task],
    job: Job,
    address: str,
    *,
    patience_s: float = 60.0,
    report: Callable[[str], None] | None = None,
) -> None:
    """Plan tiles on the workers of a cluster.

    Parameters
    ----------
    tasks
        The tiles.
    job
        What is the same for all; its folder is one that every worker sees under the same path.
    address
        Of the scheduler, as `tcp://host:8786`.
    patience_s
        Seconds that are waited for a worker where there is none.
    report
        Called with a line of progress.

    Raises
    ------
    DistrictFileError
        The extra is not installed, nobody answers at the address, a worker runs another program or does not
        see the folder.
    LayerError
        All workers or the scheduler went away, or a tile took several workers with it.
    RoofplatError
        What planning a tile raises. Tiles that are done by then stay.
    """
    if not tasks:
        return
    with _client(address) as client:
        _wait_for_workers(client, address, patience_s)
        _check_workers(client, address)
        ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        # The order in which a folder of Parquet files is read.
        in_order = sorted(tasks, key=lambda task: _library("dask.utils").natural_sort_key(_file_of(task)))
        futures = _given(client, _partitions(in_order, job))
        tiles = {future.key: task.tile for future, task in zip(futures, in_order, strict=True)}
        for future in futures:
            future.add_done_callback(ended.put)
        waited_s, done = 0.0, 0
        while done < len(futures):
            try:
                future = ended.get(timeout=_LOOK_S)
            except queue.Empty:
                waited_s = 0.0 if _workers(client, address) else waited_s + _LOOK_S
                if waited_s >= patience_s:
                    raise LayerError(
                        f"All workers of the cluster at {address} went away and none came back for "
                        f"{patience_s:g} seconds; start some (dask worker {address}): {_AGAIN}"
                    ) from None
                continue
            _check_ended(future, tiles[future.key], address)
            done, waited_s = done + 1, 0.0
            if report is not None:
                report(f"Planning tiles: {done:,} of {len(tasks):,}")


def plan_partition(frame: Any, given: pd.DataFrame, job: Job, made_by: str) -> pd.DataFrame:
    """Plan the tile of one partition; this is what a worker does.

    Parameters
    ----------
    frame
        The footprints of the tile: those at home and those seen from there.
    given
        One row: `tile`, `key` and `buildings`, how many are at home.
    job
        What is the same for all tiles.
    made_by
        `program()` of the process that asks.

    Returns
    -------
    DataFrame
        One row: `tile`.

    Raises
    ------
    DistrictFileError
        This worker runs another program, or its folder holds another cut.
    """
    if program() != made_by:
        raise DistrictFileError(_other_program("A worker", program(), made_by))
    task = Task(str(given["tile"].iloc[0]), str(given["key"].iloc[0]))
    if int(frame[HOME].sum()) != int(given["buildings"].iloc[0]):
        raise DistrictFileError(
            f"A worker sees another district in {job.folder} than was cut there; "
            "build into a folder that all machines share."
        )
    run_tile(job, task)
    return pd.DataFrame({"tile": [task.tile]})


def program() -> str:
    """Version of roofplat, and a checksum of its source and of the releases of its libraries.

    Examples
    --------
    >>> program().startswith(__version__)
    True
    """
    return f"{__version__} ({code_digest()[:12]})"


def _other_program(who: str, theirs: str, ours: str) -> str:
    return (
        f"{who} runs roofplat {theirs}, this build {ours}: "
        "install the same release of roofplat and of its libraries on all machines."
    )


def _library(name: str) -> Any:
    """A library that only this needs, read when it is needed."""
    return importlib.import_module(name)


def _answers(address: str) -> bool:
    """Whether an address can be one of Dask's, and somebody listens there where it is on a network."""
    addressing = _library("distributed.comm.addressing")
    try:
        scheme, place = addressing.parse_address(address)
        if scheme not in _library("distributed.comm.registry").backends:
            return False
        if scheme in _SOCKETS:
            socket.create_connection(addressing.parse_host_port(place), timeout=_TIMEOUT_S).close()
    except (OSError, ValueError):
        return False
    return True


@contextlib.contextmanager
def _client(address: str) -> Iterator[Any]:
    if not all(importlib.util.find_spec(name) for name in _LIBRARIES):
        raise DistrictFileError(
            "Building on a cluster needs libraries that are not installed; "
            "run `python -m pip install 'roofplat[scale]'`."
        )
    dask, distributed = (_library(name) for name in ("dask", "distributed"))
    silence = DistrictFileError(
        f"No scheduler answers at {address}; start one (dask scheduler) and give its address, "
        "as tcp://host:8786."
    )
    # A client that finds nobody leaves a thread behind that goes on trying: so none is made.
    if not _answers(address):
        raise silence
    # What goes wrong is said here, in one sentence.
    logger = logging.getLogger("distributed")
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    # Nobody comes back at the same address while a build waits; without this the client would try for good.
    settings = {"distributed.comm.timeouts.connect": _TIMEOUT_S, "distributed.comm.retry.count": 0}
    try:
        with dask.config.set(settings):
            try:
                client = distributed.Client(address, timeout=_TIMEOUT_S, set_as_default=False)
            except (OSError, TimeoutError, ValueError, TypeError):
                raise silence from None
            try:
                yield client
            finally:
                client.close(timeout=_TIMEOUT_S)
    finally:
        logger.setLevel(before)


def _partitions(tasks: Sequence[Task], job: Job) -> Any:
    """The frame whose partitions are the tiles, each planned by the worker that reads it."""
    dask_frames, dask_geopandas = (_library(name) for name in ("dask.dataframe", "dask_geopandas"))
    buildings = {tile.name: tile.buildings for tile in open_cut(job.folder).tiles}
    room = job.folder / "sources" / "footprints"
    footprints = dask_geopandas.read_parquet(
        [str(room / _file_of(task)) for task in tasks],
        columns=[HOME, "geometry"],
        split_row_groups=False,
        gather_spatial_partitions=False,
    )
    given = dask_frames.from_map(
        _given_row, [(task.tile, task.key, buildings[task.tile]) for task in tasks], meta=_given_row()
    )
    return footprints.map_partitions(
        plan_partition,
        given,
        job,
        program(),
        meta=pd.DataFrame({"tile": pd.Series([], dtype="str")}),
        align_dataframes=False,
        enforce_metadata=False,
    )


def _file_of(task: Task) -> str:
    return f"{task.tile}.parquet"


def _given_row(row: tuple[str, str, int] = ("", "", 0)) -> pd.DataFrame:
    return pd.DataFrame({"tile": [row[0]], "key": [row[1]], "buildings": [row[2]]})


def _given(client: Any, frame: Any) -> list[Any]:
    """Hand out all partitions; one future each."""
    futures: list[Any] = _library("distributed").futures_of(client.persist(frame))
    return futures


def _workers(client: Any, address: str) -> int:
    """How many workers there are now."""
    try:
        if client.status not in ("running", "connecting"):
            raise OSError
        return len(client.nthreads())
    except Exception:  # distributed has many ways to say that nobody is there
        raise LayerError(
            f"The scheduler at {address} went away; start it again (dask scheduler): {_AGAIN}"
        ) from None


def _wait_for_workers(client: Any, address: str, patience_s: float) -> None:
    try:
        client.wait_for_workers(1, timeout=patience_s)
    except TimeoutError:
        raise LayerError(
            f"The cluster at {address} has had no worker for {patience_s:g} seconds; "
            f"start some (dask worker {address}) and build again."
        ) from None


def _check_workers(client: Any, address: str) -> None:
    """Refuse a cluster of which a worker would plan otherwise."""
    ours = program()
    for worker, theirs in sorted(client.run(program, on_error="return").items()):
        if isinstance(theirs, (ImportError, AttributeError)):
            raise DistrictFileError(
                f"The worker {worker} cannot load this roofplat ({theirs}): "
                "install the same release of roofplat and of its libraries on all machines."
            )
        if isinstance(theirs, Exception):
            raise LayerError(f"The worker {worker} of the cluster at {address} does not answer ({theirs}).")
        if theirs != ours:
            raise DistrictFileError(_other_program(f"The worker {worker}", theirs, ours))


def _check_ended(future: Any, tile: str, address: str) -> None:
    """Let a tile that failed end the build, in one sentence."""
    if future.status == "finished":
        return
    if future.status in ("cancelled", "lost"):
        raise LayerError(
            f"The scheduler at {address} went away or gave up the work; start it again: {_AGAIN}"
        )
    error = future.exception()
    if isinstance(error, RoofplatError):
        raise error
    if isinstance(error, _library("distributed").KilledWorker):
        raise LayerError(
            f"Workers ended by themselves again and again while they planned tile {tile}; give them more "
            "memory, or set a smaller tile_buildings in [scale]."
        )
    if isinstance(error, OSError):
        raise DistrictFileError(
            f"A worker of the cluster at {address} cannot use the folder of the build ({error}); "
            "build into a folder that all machines share under the same path."
        )
    raise error
