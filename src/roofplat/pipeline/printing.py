"""Sheets: plan the district and print some buildings.

In: a district, ids or an area, a scenario.
Out: `Drawn`: the files of the sheets.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from roofplat.district import District
from roofplat.pipeline.planning import folder_of, plan_district, silent

__all__ = [
    "Drawn",
    "draw_sheets",
]


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a run of sheets made.

    sheets
        Building id to the file of its sheet, in the order asked for.
    sets
        Files that hold the sheets of an area.
    fire_in
        The building that holds the fire spot asked for; None when none was.
    problems
        `tables.TABLES["problems"]`.
    out
        The folder of the build that the files are in.
    """

    sheets: dict[str, Path]
    sets: list[Path]
    fire_in: str | None
    problems: pd.DataFrame
    out: Path


def draw_sheets(
    district: District,
    ids: Sequence[str] = (),
    *,
    out: str | Path | None = None,
    area: str | None = None,
    fire: tuple[float, float] | None = None,
    wind_from_deg: float | None = None,
    paper: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Drawn:
    """Draw the sheets of some buildings, with the scenario asked for.

    Parameters
    ----------
    district
        From `read_district`.
    ids
        Buildings, in the order wanted.
    out
        As in `build`; the sheets go to `sheets/` in it.
    area
        Draw every building of this dispatch area too, and put those into one PDF.
    fire
        Longitude and latitude of a fire spot, WGS 84 degrees, in one of the buildings. That building
        is planned for it; the others keep their own fire spots.
    wind_from_deg
        Wind of the scenario, degrees from true north; else the district's.
    paper
        `letter` or `a4`; else as the district file says.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Drawn

    Raises
    ------
    RoofplatError
        There is no such building or area, the fire spot lies in none of the buildings, or the
        district cannot be read; nothing is written then.
    """
    # Here and not above: a build without sheets does not wait for what prints them.
    from roofplat.publish.sheet import write_area_sets, write_sheets

    say = report or silent
    folder = folder_of(district, out)
    day = as_of or datetime.date.today()
    planned = plan_district(
        district,
        area=area,
        wind_from_deg=wind_from_deg,
        workers=workers,
        day=day,
        as_of=as_of,
        say=say,
        fire=fire,
        ids=ids,
    )
    tables = planned.tables
    words: dict[str, Any] = {
        "district": district.name,
        "rules": planned.rules,
        "as_of": day,
        "paper": paper or district.sheets.paper,
        "out": folder,
        "report": say,
    }
    say(f"Drawing {len(planned.wanted)} sheets")
    files = write_sheets(tables, ground=planned.ground, ids=planned.wanted, workers=workers, **words)
    sets = []
    if area is not None:
        own = tables["buildings"].loc[tables["buildings"]["dispatch_area"] == area, "building_id"]
        sets = write_area_sets(tables, {name: files[name] for name in own}, areas=[area], **words)
    return Drawn(
        sheets={name: folder / file for name, file in files.items()},
        sets=sets,
        fire_in=planned.fire_in,
        problems=planned.problems,
        out=folder,
    )
