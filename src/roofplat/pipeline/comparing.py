"""What changed: two days of the record planned anew, or two builds read back.

In: a district and two days, or two folders.
Out: `Changed`: the changes and their files.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.pipeline.planning import Planned, folder_of, plan_district, silent
from roofplat.ranking.changes import compare_states
from roofplat.record import open_record, read_record
from roofplat.record.outlines import standing
from roofplat.rules import Rulebook, load_rulebook

__all__ = [
    "Changed",
    "changes_of_builds",
    "changes_since",
]


@dataclass(frozen=True, slots=True)
class Changed:
    """What a comparison of two states found.

    rows
        `tables.CHANGE_TABLES["changes"]`.
    counts
        By kind, in words: `what`, `changes`, `buildings`.
    before, after, notes
        What the two states are called, and what else is to be known of them, as sentences.
    out, files
        The folder of the comparison, and the files in it.
    """

    rows: gpd.GeoDataFrame
    counts: pd.DataFrame
    before: str
    after: str
    notes: list[str]
    out: Path
    files: list[Path]


def changes_since(
    district: District,
    *,
    since: datetime.date,
    until: datetime.date | None = None,
    out: str | Path | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> Changed:
    """Tell what changed between two days of the record of surveys.

    Parameters
    ----------
    district
        From `read_district`.
    since, until
        The record as it was at the end of these days; without `until` all of it, and today. Outlines before
        are those that the record held then. All other layers of the district file are as they are, buildings
        have the ids of the later day, and ages are counted on it in both states, so that what is listed came
        with the record and not with time.
    out
        As in `build`; the comparison goes to `changes/` in it.
    workers, report
        As in `build`.

    Returns
    -------
    Changed

    Raises
    ------
    RoofplatError
        There is no record, the days are not in order, or the district cannot be read; nothing is written.
    """
    # Here and not above: a build does not wait for what compares.
    from roofplat.publish.changes import State

    say = report or silent
    day = until or datetime.date.today()
    if since > day:
        raise DistrictFileError(f"{since} is later than {day}; give the earlier day as --since.")
    if not district.record_file.exists():
        raise DistrictFileError(
            f"There is no record of surveys ({district.record_file}); bring one in, or compare two builds."
        )
    labels = [f"the record as of {known_on}" for known_on in (since, day)]
    states: list[Planned] = []
    for label, seen_by in zip(labels, (since, None), strict=True):
        say(f"Planning {label}")
        states.append(
            plan_district(
                district,
                area=None,
                wind_from_deg=None,
                workers=workers,
                day=day,
                as_of=until,
                seen_by=seen_by,
                say=say,
            )
        )
    rules, ground, buildings = states[1].rules, states[1].ground, states[0].tables["buildings"]
    notes = [
        f"Layers other than outlines are as the district file has them now, and ages are counted on {day} "
        "in both states."
    ]
    record = open_record(district.record_file, buildings.crs, rules)
    outlines = standing(read_record(record, since, crs=buildings.crs).outlines)
    if outlines.empty:
        notes.append(f"The record held no outlines on {since}: buildings that came or went are not listed.")
    else:
        buildings = _as_outlined(buildings, outlines)
    was, now = (
        State(label, tables)
        for label, tables in zip(
            labels, ({**states[0].tables, "buildings": buildings}, states[1].tables), strict=True
        )
    )
    return _compared(was, now, notes, district.name, rules, ground, folder_of(district, out), say)


def changes_of_builds(
    before: Path,
    after: Path,
    *,
    district: District | None = None,
    out: str | Path | None = None,
    report: Callable[[str], None] | None = None,
) -> Changed:
    """Tell what changed between two builds.

    Parameters
    ----------
    before, after
        Folders of builds.
    district
        For its overrides of `changes.*` and its mean elevation; the rulebook as it comes without it.
    out
        The folder that `changes/` is made in; else that of the later build.
    report
        As in `build`.

    Returns
    -------
    Changed

    Raises
    ------
    RoofplatError
        One of the folders holds no build, or they are of different dispatch areas; nothing is written then.
    """
    # Here and not above: a build does not wait for what compares.
    from roofplat.publish.changes import in_common, of_themselves, read_build

    say = report or silent
    rules = load_rulebook(district.rules, district.families) if district else load_rulebook()
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft if district else None)
    say("Reading the builds")
    was, now, area = in_common(read_build(before), read_build(after))
    notes = of_themselves(was, now)
    if area is not None:
        notes = [f"One of the builds is of the dispatch area {area} alone; no other is compared.", *notes]
    name = district.name if district else str(now.told.get("district") or "The district")
    return _compared(was, now, notes, name, rules, ground, Path(out) if out else after, say)


def _as_outlined(buildings: gpd.GeoDataFrame, outlines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The buildings that the record had, as it drew them; of those no longer there the id is known alone."""
    outlines = outlines.sort_values("building_id", kind="stable")
    known = pd.DataFrame(buildings).drop(columns="geometry")
    told = pd.DataFrame({"building_id": outlines["building_id"]}).merge(known, on="building_id", how="left")
    return gpd.GeoDataFrame(told, geometry=outlines.geometry.to_numpy(), crs=buildings.crs)


def _compared(
    was: Any,
    now: Any,
    notes: list[str],
    name: str,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    say: Callable[[str], None],
) -> Changed:
    """Compare two states and write what differs."""
    from roofplat.publish.changes import kind_counts, write_changes

    say("Comparing")
    changes = compare_states(was.tables, now.tables, rules, ground)
    say(f"Writing {folder}")
    files = write_changes(
        changes, was, now, district=name, notes=notes, rules=rules, ground=ground, out=folder
    )
    return Changed(
        rows=changes.rows,
        counts=kind_counts(changes.rows),
        before=was.label,
        after=now.label,
        notes=notes,
        out=files[0].parent,
        files=files,
    )
