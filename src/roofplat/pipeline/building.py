"""A build: plan the whole district and write every file.

In: a district and the choices of one build.
Out: `Built`: the tables, the counts, the problems and the files written.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from roofplat.district import District
from roofplat.pipeline.planning import (
    folder_of,
    only_area,
    plan_district,
    record_of,
    silent,
    stock_rows,
    wind_of,
)
from roofplat.publish import write_outputs
from roofplat.publish.record import read_outputs

if TYPE_CHECKING:
    from roofplat.publish.database import DatabaseAddress

__all__ = [
    "Built",
    "build",
]


@dataclass(frozen=True, slots=True)
class Built:
    """What a build made.

    tables
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations`; working CRS.
    counts
        `read` by layer and `joined` by source.
    problems
        `tables.TABLES["problems"]`.
    out, files
        The folder and the files in it, none when nothing was to be written.
    earlier
        Files that an earlier build recorded in this folder and this one did not write. Those of
        dispatch areas are gone.
    """

    tables: dict[str, Any]
    counts: dict[str, pd.DataFrame]
    problems: pd.DataFrame
    out: Path
    files: list[Path]
    earlier: list[Path] = field(default_factory=list)


def build(
    district: District,
    *,
    out: str | Path | None = None,
    area: str | None = None,
    wind_from_deg: float | None = None,
    sheets: bool | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    to: str | None = None,
    report: Callable[[str], None] | None = None,
) -> Built:
    """Turn a district's layers into an inventory, standing plans, a map and a ranked list.

    Parameters
    ----------
    district
        From `read_district`.
    out
        Folder of the build; else the district's own, else `maps/` and the name of the folder
        that holds the district file.
    area
        Write one dispatch area only. Neighbours and ranks are those of the whole district.
    wind_from_deg
        Wind of the scenario, degrees from true north; else the district's.
    sheets
        Write a sheet of every building too; else as the district file says.
    workers
        Threads that place plans, processes that draw sheets.
    as_of
        The date on which ages are counted; today when not given. With it, the record of surveys is as it was
        at the end of that day; the layers of the district file are as they are.
    to
        Address of a database that gets the tables too, when all files are written.
    report
        Called with a line of progress.

    Returns
    -------
    Built

    Raises
    ------
    RoofplatError
        The district, a rule or the footprint layer is wrong, or the database cannot be written to; nothing
        is written then. What goes wrong with the database later leaves its old tables, and the new files.

    Examples
    --------
    >>> from roofplat import build, read_district
    >>> build(read_district("data/demo/district.toml"))  # doctest: +SKIP
    """
    say = report or silent
    folder = folder_of(district, out)
    day = as_of or datetime.date.today()
    address = None if to is None else _ready_database(to)
    planned = plan_district(
        district, area=area, wind_from_deg=wind_from_deg, workers=workers, day=day, as_of=as_of, say=say
    )
    tables = planned.tables
    all_ids = tables["buildings"]["building_id"].tolist()
    if area is not None:
        tables = only_area(tables, area)
    direction, basis = wind_of(district, planned.rules, wind_from_deg)
    counts = {"read": planned.inputs.counts, "joined": planned.inventory.counts}
    before = [folder / name for name in read_outputs(folder / "build.json")]
    say(f"Writing {folder}")
    files = write_outputs(
        tables,
        district=district,
        rules=planned.rules,
        ground=planned.ground,
        counts=counts,
        as_of=day,
        out=folder,
        scenario={"wind_from_deg": direction, "wind_basis": basis},
        stock=stock_rows(planned),
        sheets=district.sheets.with_build if sheets is None else sheets,
        all_ids=all_ids,
        workers=workers,
        report=say,
    )
    if address is not None:
        # Here and not above: a build without a database does not wait for what writes one.
        from roofplat.publish.database import stored_tables, write_database
        from roofplat.publish.parts import Parts
        from roofplat.publish.stock import setting_told, stock_tables

        say(f"Writing {address}")
        told = setting_told(folder / "planner.gpkg")
        record = record_of(district, planned, as_of)
        parts, stock = Parts.of(tables), Parts.of(stock_tables(stock_rows(planned)))
        write_database(stored_tables(parts, stock, told, record), address, say=say)
    earlier = [file for file in before if file not in files]
    return Built(
        tables=tables, counts=counts, problems=planned.problems, out=folder, files=files, earlier=earlier
    )


def _ready_database(to: str) -> DatabaseAddress:
    """Look before the long work whether the database can be written to."""
    from roofplat.publish.database import check_database, read_address

    address = read_address(to)
    check_database(address)
    return address
