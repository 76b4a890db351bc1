"""The files of a build: layers, maps, lists, report and record.

In: the tables of all rooms in the working CRS, the district, the rules, the scenario.
Out: `layers.gpkg`, `planner.gpkg`, `map.html`, `areas/*.html`, `areas/*.geojson`, `ranking.xlsx`,
    `ranking.csv`, `survey_next.csv`, `family_odds.csv`, `problems.csv`, `solar_access.csv`, `report.html`,
    where wanted `sheets/*.pdf` and `sheets/areas/*.pdf`, and `build.json` in one folder, each whole or not
    there at all.
"""

from __future__ import annotations

import contextlib
import datetime
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, NO_AREA, area_files, clear_away, whole_file
from roofplat.publish.geojson import write_area_layers
from roofplat.publish.layers import write_layers
from roofplat.publish.lists import solar_list, write_list
from roofplat.publish.map import OfflineMap, Wind, write_maps
from roofplat.publish.parts import Parts
from roofplat.publish.record import read_outputs, write_record
from roofplat.publish.report import write_report
from roofplat.publish.stock import StockRows, stock_tables, write_stock
from roofplat.publish.workbook import LIST_TABLES, write_workbook
from roofplat.rules import Rulebook

__all__ = [
    "CAUTION",
    "NO_AREA",
    "OfflineMap",
    "StockRows",
    "Wind",
    "area_files",
    "solar_list",
    "whole_file",
    "write_area_layers",
    "write_layers",
    "write_list",
    "write_maps",
    "write_outputs",
    "write_record",
    "write_report",
    "write_stock",
    "write_workbook",
]

# Tables that are lists as they are.
_LISTS = (*LIST_TABLES, "problems")
# What one build writes and the next may not: a stale one is removed.
_COMES_AND_GOES = re.compile(
    r"areas/[a-z0-9-]+\.(html|geojson)|sheets/[A-Za-z0-9_-]+\.pdf|sheets/areas/[a-z0-9-]+\.pdf"
)


def write_outputs(
    tables: Mapping[str, pd.DataFrame],
    *,
    district: District,
    rules: Rulebook,
    ground: Ground,
    counts: Mapping[str, pd.DataFrame],
    as_of: datetime.date,
    out: Path,
    scenario: Mapping[str, Any],
    stock: StockRows | None = None,
    sheets: bool = False,
    all_ids: Iterable[str] | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> list[Path]:
    """Write every file of a build.

    Parameters
    ----------
    tables
        Frames by the names of `tables.TABLES`, `buildings` at least, and `streets`, `areas`,
        `stations` with `name` and `geometry`; all in one working CRS.
    district, rules, ground
        What the build was asked for.
    counts
        What was read, joined and refused: title to frame.
    as_of
        The date on which ages were counted.
    out
        The folder of the build; made when it is missing.
    scenario
        `wind_from_deg` (degrees from true north) and `wind_basis`; an empty one shows no wind.
    stock
        What single buildings are planned by, of the whole district; without it there is no `planner.gpkg`.
    sheets
        Write a sheet of every building, and a set of each dispatch area.
    all_ids, workers, report
        As for `sheet.write_sheets`.

    Returns
    -------
    list of Path
        The files written, in order; `build.json` last. Files of dispatch areas, and sheets, that an
        earlier build in this folder wrote and this one did not are removed: a stale plan misleads.

    Raises
    ------
    DistrictFileError
        The folder cannot be written.
    """
    wind = None
    if scenario.get("wind_from_deg") is not None:
        wind = Wind(float(scenario["wind_from_deg"]), str(scenario.get("wind_basis") or "assumed"))
    all_ids = None if all_ids is None else list(all_ids)
    record = out / "build.json"
    earlier = read_outputs(record)
    for folder in (out, out / "areas", out / "sheets", out / "sheets" / "areas"):
        clear_away(folder)
    parts = Parts.of(tables)
    written = [write_layers(parts, out / "layers.gpkg", rules=rules)]
    if stock is not None and wind is not None:
        written.append(
            write_stock(
                Parts.of(stock_tables(stock)),
                out / "planner.gpkg",
                district=district,
                rules=rules,
                ground=ground,
                wind_from_deg=wind.from_deg,
                wind_basis=wind.basis,
                as_of=as_of,
                layers=written[0],
            )
        )
    files: dict[str, str] = {}
    printed_files: list[Path] = []
    if sheets:
        # Here and not above: a build without sheets does not wait for what prints them.
        from roofplat.publish.sheet import write_area_sets, write_sheets

        printed: dict[str, Any] = {
            "district": district.name,
            "rules": rules,
            "as_of": as_of,
            "paper": district.sheets.paper,
            "out": out,
            "report": report,
        }
        files = write_sheets(tables, ground=ground, all_ids=all_ids, workers=workers, **printed)
        printed_files = [out / file for file in files.values()]
        printed_files += write_area_sets(tables, files, **printed)
    # The maps come after the sheets: a card offers the sheet that is there.
    written += write_maps(
        tables,
        title=district.name,
        rules=rules,
        ground=ground,
        wind=wind,
        out=out,
        sheets={building: Path(file).name for building, file in files.items()},
        ranked=None if all_ids is None else len(all_ids),
    )
    written += write_area_layers(tables, out / "areas", rules=rules)
    written += [write_list(tables[name], out / f"{name}.csv") for name in _LISTS if name in tables]
    if "ranking" in tables:
        written.append(
            write_workbook(
                tables,
                title=district.name,
                rules=rules,
                as_of=as_of,
                path=out / "ranking.xlsx",
                paper=district.sheets.paper,
            )
        )
    if "solar_access" in tables:
        written.append(write_list(solar_list(tables), out / "solar_access.csv"))
    shared: dict[str, Any] = {
        "district": district,
        "rules": rules,
        "ground": ground,
        "counts": counts,
        "as_of": as_of,
        "wind": wind,
    }
    written.append(write_report(tables, **shared, path=out / "report.html"))
    written += printed_files
    names = [path.relative_to(out).as_posix() for path in written]
    written.append(write_record(tables, **shared, outputs=names, path=record))
    for name in earlier:
        if name not in names and _COMES_AND_GOES.fullmatch(name):
            with contextlib.suppress(OSError):
                (out / name).unlink()
    return written
