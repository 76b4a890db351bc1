"""A whole district out of tiles: cut it, plan what has changed, put together what only the whole can tell.

In: a district, the rules in force, the folder of a build.
Out: `Tiled`: the tables part after part, the counts, the problems. What is done stays in the work folder: a
    build that is killed goes on where it was, and the next one does nothing twice.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.dataset

from roofplat.district import District
from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.pipeline.tiles.cut import Cut, cut_district, open_cut
from roofplat.pipeline.tiles.keys import cut_key, planning_digest, tile_key
from roofplat.pipeline.tiles.run import (
    COUNTS,
    DONE,
    MEASURED,
    PLACES,
    PROBLEMS,
    WORKSHOP,
    Job,
    key_of,
    run_tile,
)
from roofplat.pipeline.tiles.schedule import Task, run_tiles
from roofplat.publish.files import alone, write_whole
from roofplat.publish.parts import Parts, frame_of
from roofplat.publish.record import InputState, check_inputs, input_state
from roofplat.ranking.finish import finish
from roofplat.rules import Rulebook
from roofplat.tables import join_problems

__all__ = ["Tiled", "build_tiles"]

_CUT_KEY = "cut.key"
_READ = ("read", "kept", "repaired", "refused")
# Counts are told in this order, after those of the sources of attributes.
_DRAWN = ("sections", "fire_walls", "expansion_joints", "obstacles", "fires")


@dataclass(frozen=True, slots=True)
class Tiled:
    """A district built in tiles.

    parts
        Its tables.
    counts
        `read` by layer and `joined` by source, as of a district built in one piece.
    problems
        `tables.TABLES["problems"]`, tile by tile.
    tiles, planned
        How many tiles there are, and how many of them were planned now.
    """

    parts: Parts
    counts: dict[str, pd.DataFrame]
    problems: pd.DataFrame
    tiles: int
    planned: int


def build_tiles(
    district: District,
    rules: Rulebook,
    ground: Ground,
    work: Path,
    *,
    tile_buildings: int,
    wind: tuple[float, str],
    day: datetime.date,
    as_of: datetime.date | None = None,
    workers: int = 1,
    anew: bool = False,
    scheduler: str | None = None,
    state: InputState | None = None,
    say: Callable[[str], None],
) -> Tiled:
    """Plan a district tile by tile, but for the tiles that are done already.

    Parameters
    ----------
    district, rules, ground
        The settings in force.
    work
        The work folder of the build.
    tile_buildings
        Buildings of a tile at most.
    wind
        Of the standing plans: degrees from true north, and how it is known.
    day
        The day on which ages are counted.
    as_of
        The day that the record of surveys is read as of; None is all of it.
    workers
        Processes that plan tiles.
    anew
        Plan every tile, whatever is done.
    scheduler
        Address of a Dask scheduler whose workers plan the tiles; else `workers` of this machine do.
    state
        From `record.input_state`, where that was made.
    say
        Called with a line of progress.

    Returns
    -------
    Tiled

    Raises
    ------
    RoofplatError
        The district, a rule or the footprint layer is wrong, or the work folder cannot be used.
    """
    with alone(work), _cleared(work):
        if anew:
            for name in (DONE, _CUT_KEY):
                _remove(work / name)
        seen = state or input_state(district)
        cut = _cut(district, rules, ground, work, tile_buildings, as_of, seen, say)
        planning = planning_digest(district, rules, wind_from_deg=wind[0], wind_basis=wind[1])
        tasks = [Task(tile.name, tile_key(cut.digests[tile.name], planning)) for tile in cut.tiles]
        done = work / DONE
        left = [task for task in tasks if key_of(done / task.tile) != task.key]
        if left:
            if len(left) < len(tasks):
                say(f"{len(tasks) - len(left):,} of {len(tasks):,} tiles are done already")
            job = Job(district, work.absolute(), *wind, as_of=as_of)
            if scheduler is None:
                run_tiles(left, partial(run_tile, job), workers=workers, report=say)
            else:
                # Here and not above: without a cluster nobody waits for its libraries.
                from roofplat.pipeline.tiles.cluster import run_on_cluster

                run_on_cluster(left, job, scheduler, patience_s=district.scale.worker_patience_s, report=say)
            # A worker that died may have left something half written.
            _clear(work)
            missing = [task.tile for task in left if key_of(done / task.tile) != task.key]
            if missing:
                raise LayerError(f"The tile {missing[0]} was not planned; build again.")
        _keep(done, {task.tile for task in tasks})
        say("Ranking")
        names = [task.tile for task in tasks]
        with _kept_whole(work):
            told = [json.loads((done / name / COUNTS).read_text("utf-8")) for name in names]
            places = work / PLACES / told[0]["places"]
            measured, own = _joined(done, names, MEASURED), _problems(done, names)
            counts = {"read": _read_counts(told), "joined": _joined_counts(told)}
        _keep(work / PLACES, {entry["places"] for entry in told})
        finished = finish(measured, rules, region=district.region, as_of=day)
        problems = join_problems([own, finished.problems])
        once = {**_places(places), "problems": problems, "family_odds": finished.family_odds,
                "survey_next": finished.survey_next}  # fmt: skip
        late = {"buildings": finished.buildings, "ranking": finished.ranking}
        parts = Parts.open(done, names, once, late)
    return Tiled(parts, counts, problems, len(tasks), len(left))


def _cut(
    district: District,
    rules: Rulebook,
    ground: Ground,
    work: Path,
    tile_buildings: int,
    as_of: datetime.date | None,
    state: InputState,
    say: Callable[[str], None],
) -> Cut:
    """Cut the district, unless it was cut in the same way already."""
    key = cut_key(state.sums, district, rules, tile_buildings, as_of=as_of)
    note = work / _CUT_KEY
    with contextlib.suppress(OSError, ValueError, KeyError, LayerError):
        if note.read_text("utf-8").strip() == key:
            return open_cut(work)
    # A cut that is cut off leaves no note.
    note.unlink(missing_ok=True)
    cut = cut_district(district, rules, ground, work, tile_buildings=tile_buildings, report=say, as_of=as_of)
    # Or else the note would take what was cut for what the files held before.
    check_inputs(district, state)
    write_whole(note, key + "\n")
    return cut


@contextlib.contextmanager
def _cleared(work: Path) -> Iterator[None]:
    """Begin and end without anything half written."""
    _clear(work)
    try:
        yield
    finally:
        _clear(work)


def _clear(work: Path) -> None:
    """Remove what builds that were killed have left half written; nobody else is at work here."""
    for folder in (work, work / DONE, work / PLACES):
        for left in folder.glob(f"{WORKSHOP}*"):
            _remove(left)


def _keep(folder: Path, names: set[str]) -> None:
    """Remove what belongs to no tile any more."""
    if folder.exists():
        for entry in folder.iterdir():
            if entry.name not in names:
                _remove(entry)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


@contextlib.contextmanager
def _kept_whole(work: Path) -> Iterator[None]:
    """Say in one sentence that what was kept of an earlier build is damaged."""
    try:
        yield
    except LayerError:
        raise
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as error:
        raise LayerError(
            f"What is kept of the tiles in {work} is damaged ({type(error).__name__}); build with --anew."
        ) from None


def _joined(done: Path, names: Sequence[str], file: str) -> pd.DataFrame:
    """One of the narrow tables of all tiles, typed as `tables.conform` types it."""
    # What is damaged on the disk may be a table all the same, and another one.
    careful = pa.dataset.ParquetFragmentScanOptions(page_checksum_verification=True)
    kind = pa.dataset.ParquetFileFormat(default_fragment_scan_options=careful)
    rows = pa.dataset.dataset([str(done / name / file) for name in names], format=kind).to_table()
    frame: pd.DataFrame = frame_of(file.removesuffix(".parquet"), rows, None)
    return frame


def _problems(done: Path, names: Sequence[str]) -> pd.DataFrame:
    """The problems of all tiles; what each says of a whole layer once."""
    problems = _joined(done, names, PROBLEMS)
    again = problems.duplicated() & (problems["feature"] == problems["layer"])
    return problems[~again].reset_index(drop=True)


def _places(folder: Path) -> dict[str, Any]:
    """The areas and stations of the district."""
    rows = Parts.open(folder.parent, [folder.name], {}, {})
    return rows.whole(["areas", "stations"])


def _read_counts(told: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """How many features of each layer were read, over all tiles; each of them tells of the same layers."""
    sums = pd.DataFrame({"layer": pd.Series(told[0]["read"]["layer"], dtype="str")})
    for column in _READ:
        sums[column] = np.sum([entry["read"][column] for entry in told], axis=0, dtype=np.int64)
    return sums


def _joined_counts(told: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """How many records of each source found their building, over all tiles."""
    totals: dict[tuple[int, str], list[int]] = {}
    for entry in told:
        for place, (source, records, joined) in enumerate(entry["joined"]):
            drawn = source in _DRAWN
            total = totals.setdefault((len(_DRAWN) if drawn else place, source), [0, 0])
            total[0] += records
            total[1] += joined
    own = [(source, *total) for (_, source), total in totals.items() if source not in _DRAWN]
    own += [(source, *total) for name in _DRAWN for (_, source), total in totals.items()
            if source == name and total[0]]  # fmt: skip
    counts = pd.DataFrame(own, columns=["source", "records", "joined"])
    counts = counts.astype({"source": "str", "records": "int64", "joined": "int64"})
    return counts.assign(unmatched=counts["records"] - counts["joined"])
