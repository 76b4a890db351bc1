"""The files of a build: layers, maps, lists, report and record.

In: the tables of all rooms in the working CRS, part after part; the district, the rules, the scenario.
Out: `layers.gpkg`, `planner.gpkg`, `map.html`, `areas/*.html`, `areas/*.geojson`, `ranking.xlsx`,
    `ranking.csv`, `survey_next.csv`, `family_odds.csv`, `problems.csv`, `solar_access.csv`, `report.html`,
    `drill.html`, where wanted `sheets/*.pdf` and `sheets/areas/*.pdf`, and `build.json` in one folder, each
    whole or not there at all.
"""

from __future__ import annotations

import contextlib
import datetime
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import CRS

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.publish.drill import write_drill
from roofplat.publish.files import CAUTION, NO_AREA, area_files, clear_away, whole_file
from roofplat.publish.geojson import write_area_layers
from roofplat.publish.layers import write_layers
from roofplat.publish.lists import list_of, solar_list, write_list
from roofplat.publish.map import OfflineMap, Wind, write_maps
from roofplat.publish.parts import Parts
from roofplat.publish.record import begin_record, read_left, write_record
from roofplat.publish.renew import renew_layers
from roofplat.publish.report import write_report
from roofplat.publish.stock import StockRows, stock_tables, units_per_ft, write_stock
from roofplat.publish.workbook import LIST_TABLES, write_workbook
from roofplat.rules import Rulebook

__all__ = [
    "CAUTION",
    "NO_AREA",
    "OfflineMap",
    "Parts",
    "StockRows",
    "Wind",
    "area_files",
    "solar_list",
    "stock_tables",
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
    r"layers\.gpkg|areas/[a-z0-9-]+\.(html|geojson)|sheets/[A-Za-z0-9_-]+\.pdf|sheets/areas/[a-z0-9-]+\.pdf"
)


def write_outputs(
    parts: Parts,
    *,
    district: District,
    rules: Rulebook,
    ground: Ground,
    counts: Mapping[str, pd.DataFrame],
    as_of: datetime.date,
    out: Path,
    scenario: Mapping[str, Any],
    stock: Parts | None = None,
    inputs: Sequence[Mapping[str, str | None]] | None = None,
    sheets: bool = False,
    all_ids: Iterable[str] | None = None,
    workers: int = 1,
    work: Path | None = None,
    anew: bool = False,
    report: Callable[[str], None] | None = None,
) -> list[Path]:
    """Write every file of a build.

    Parameters
    ----------
    parts
        Tables by the names of `tables.TABLES`, `buildings` at least, and `streets`, `areas`,
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
        What single buildings are planned by, of the whole district, as `write_stock` takes it; without it
        there is no `planner.gpkg`.
    inputs
        As for `record.write_record`.
    sheets
        Write a sheet of every building, and a set of each dispatch area.
    all_ids, workers, report
        As for `sheet.write_sheets`.
    work
        The folder of what a build keeps for the next one: with it, of the layers only what has changed is
        written again.
    anew
        Write every file whole.

    Returns
    -------
    list of Path
        The files written, in order; `build.json` last. Files of dispatch areas, and sheets, that an
        earlier build in this folder wrote and this one did not are removed: a stale plan misleads.
        Until the last of that `build.json` is the one of before and says `unfinished`: a build that is cut
        off leaves files of two builds, each whole.

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
    earlier = read_left(record)
    for folder in (out, out / "areas", out / "sheets", out / "sheets" / "areas"):
        clear_away(folder)
    begin_record(record, _may_be_left(parts, all_ids if sheets else None))
    written = []
    if district.scale.geopackage:
        layers = out / "layers.gpkg"
        if work is None:
            written.append(write_layers(parts, layers, rules=rules))
        else:
            written.append(renew_layers(parts, layers, work, rules=rules, anew=anew))
    if stock is not None and wind is not None:
        written.append(
            write_stock(
                stock,
                out / "planner.gpkg",
                district=district,
                rules=rules,
                ground=ground,
                wind_from_deg=wind.from_deg,
                wind_basis=wind.basis,
                as_of=as_of,
                layers=written[0] if written else None,
            )
        )
    files: dict[str, str] = {}
    printed_files: list[Path] = []
    if sheets:
        # Here and not above: a build without sheets does not wait for what prints them.
        printed: dict[str, Any] = {
            "district": district.name,
            "rules": rules,
            "as_of": as_of,
            "paper": district.sheets.paper,
            "out": out,
            "report": report,
        }
        files, printed_files = _print(parts, ground, all_ids, workers, printed)
    # The maps come after the sheets: a card offers the sheet that is there.
    written += write_maps(
        parts,
        title=district.name,
        rules=rules,
        ground=ground,
        wind=wind,
        out=out,
        sheets={building: Path(file).name for building, file in files.items()},
        ranked=None if all_ids is None else len(all_ids),
        most_buildings=district.scale.map_buildings,
    )
    written += write_area_layers(
        parts, out / "areas", rules=rules, most_buildings=district.scale.geojson_buildings
    )
    lists = {name: list_of(parts, name) for name in _LISTS if name in parts.names}
    written += [write_list(rows, out / f"{name}.csv") for name, rows in lists.items()]
    if "ranking" in parts.names:
        written.append(
            write_workbook(
                lists,
                title=district.name,
                rules=rules,
                as_of=as_of,
                path=out / "ranking.xlsx",
                paper=district.sheets.paper,
                most_rows=district.scale.workbook_rows,
            )
        )
    if "solar_access" in parts.names:
        written.append(write_list(solar_list(parts), out / "solar_access.csv"))
    shared: dict[str, Any] = {
        "district": district,
        "rules": rules,
        "ground": ground,
        "counts": counts,
        "as_of": as_of,
        "wind": wind,
    }
    written.append(write_report(parts, **shared, path=out / "report.html"))
    written.append(write_drill(out / "drill.html", name=district.name, rules=rules))
    written += printed_files
    names = [path.relative_to(out).as_posix() for path in written]
    for name in set(earlier) - set(names):
        if _COMES_AND_GOES.fullmatch(name):
            with contextlib.suppress(OSError):
                (out / name).unlink()
    written.append(write_record(parts, **shared, outputs=names, path=record, inputs=inputs))
    return written


def _may_be_left(parts: Parts, sheet_ids: Iterable[str] | None) -> list[str]:
    """Files of a build that is cut off which another would not write."""
    areas = parts.narrow("buildings", ["dispatch_area"])["dispatch_area"].fillna(NO_AREA).unique()
    stems = area_files(areas).values()
    names = [f"areas/{stem}.{ending}" for stem in stems for ending in ("html", "geojson")]
    if sheet_ids is not None:
        # Here and not above: a build without sheets does not wait for what prints them.
        from roofplat.publish.sheet import sheet_files

        names += [*sheet_files(sheet_ids).values(), *(f"sheets/areas/{stem}.pdf" for stem in stems)]
    return names


def _print(
    parts: Parts, ground: Ground, all_ids: Sequence[str] | None, workers: int, printed: Mapping[str, Any]
) -> tuple[dict[str, str], list[Path]]:
    """Write the sheets of one part after the other, then the sets of one dispatch area after the other."""
    # Here and not above: a build without sheets does not wait for what prints them.
    from roofplat.publish.sheet import write_area_sets, write_sheets
    from roofplat.publish.sheet.building import LEAST_REACH_FT

    if all_ids is None:
        all_ids = parts.narrow("buildings", ["building_id"])["building_id"].tolist()
    if len(parts) == 1:
        tables = parts.part(0)
        files = write_sheets(tables, ground=ground, all_ids=all_ids, workers=workers, **printed)
        return files, [*_paths(files, printed), *write_area_sets(tables, files, **printed)]
    reach = LEAST_REACH_FT * units_per_ft(parts.extent("buildings"), CRS.from_user_input(parts.crs), ground)
    files = {}
    holding: dict[str, list[int]] = {}
    for number in range(len(parts)):
        own = parts.part(number, ["buildings"])["buildings"]
        ids = own["building_id"].tolist()
        for area in own["dispatch_area"].fillna(NO_AREA).unique():
            holding.setdefault(area, []).append(number)
        told = {"ids": ids, "all_ids": all_ids, "workers": workers, "ground": ground, **printed}
        files |= write_sheets(parts.together([number], reach), **told)
    sets: list[Path] = []
    for area in sorted(holding):
        sets += write_area_sets(parts.together(holding[area], reach), files, areas=[area], **printed)
    return files, [*_paths(files, printed), *sets]


def _paths(files: Mapping[str, str], printed: Mapping[str, Any]) -> list[Path]:
    return [printed["out"] / file for file in files.values()]
