"""The files of a plan of inspection days: a page a day, an overview, lists and a calendar.

In: a plan, the tables of the build in the working CRS, the rules.
Out: `inspections/` in the folder of a build: `<date>.html`, `index.html`, `visits.csv`, `left_out.csv`,
    `visits.ics`, of several inspectors `inspector-<number>.ics`, and `plan.json`, the record of it; each
    whole or not there at all.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer
from shapely import Point

from roofplat.ground import Ground, usng
from roofplat.publish.days.asked import open_facts
from roofplat.publish.days.calendar import calendar_file
from roofplat.publish.days.day import DayPages, day_page
from roofplat.publish.days.index import first_left_out, index_page
from roofplat.publish.days.overview import Overview, draw_overview
from roofplat.publish.days.words import clock
from roofplat.publish.files import CAUTION, write_whole
from roofplat.publish.lists import write_list
from roofplat.publish.overrides import override_records
from roofplat.publish.record import read_outputs
from roofplat.publish.wording import behind_words, interval_words, odds_words
from roofplat.ranking.days import DayPlan
from roofplat.rules import Rulebook

__all__ = ["INSPECTIONS", "write_days"]

INSPECTIONS = "inspections"
"""Folder of a plan in the folder of a build."""

_RECORD = "plan.json"
# What one plan writes and the next may not: a page of a day that is no longer planned misleads.
_COMES_AND_GOES = re.compile(r"\d{4}-\d{2}-\d{2}\.html|inspector-\d+\.ics")
_PLACE_DECIMALS = 6
# Of a list; the times of day beside them are to the minute.
_DECIMALS = {"arrive_min": 2, "leave_min": 2, "travel_min": 2, "travel_ft": 1, "visit_min": 2}


def write_days(
    plan: DayPlan,
    tables: Mapping[str, Any],
    *,
    district: str,
    area: str | None,
    rules: Rulebook,
    ground: Ground,
    as_of: datetime.date,
    out: Path,
) -> list[Path]:
    """Write every file of a plan of inspection days.

    Parameters
    ----------
    plan
        From `ranking.days.plan_days`.
    tables
        `buildings`; `sections`, `roofs` and `streets` where there are any; all in one working CRS.
    district, area
        Names; the area where only one was planned.
    rules, ground
        What is in force.
    as_of
        The date on which ages were counted. It stands for the time at which the files were made, so that
        the same plan gives the same bytes.
    out
        The folder of the build.

    Returns
    -------
    list of Path
        The files written, in order; `plan.json` last. Pages of days that an earlier plan in this folder
        recorded, and this one does not have, are removed.

    Raises
    ------
    DistrictFileError
        The folder cannot be written, or the calendar library is not installed.
    """
    folder = out / INSPECTIONS
    buildings = gpd.GeoDataFrame(tables["buildings"])
    visits = _with_places(plan.visits, buildings, tables.get("ranking"))
    facts = open_facts(tables, visits["building_id"].tolist(), rules)
    asked = {str(name): part["fact"].tolist() for name, part in facts.groupby("building_id", sort=False)}
    # The calendars first: without their library nothing is written at all.
    calendars = _calendars(
        pd.DataFrame(visits).drop(columns="geometry"), district=district, as_of=as_of, asked=asked
    )
    to_working = Transformer.from_crs("EPSG:4326", buildings.crs, always_xy=True)
    pages = DayPages(
        district=district,
        as_of=as_of,
        ground=ground,
        tables=_around(visits["building_id"].tolist(), tables),
        start=Point(*to_working.transform(*plan.summary["start"])),
        start_name=str(plan.summary["start_name"]),
        facts=facts,
        interval=interval_words(rules),
        likely=_likely(visits["building_id"].tolist(), buildings, rules),
        links=_links(visits["building_id"].tolist(), buildings["building_id"].tolist(), out),
    )
    written = [
        write_whole(
            folder / f"{day:%Y-%m-%d}.html",
            day_page(gpd.GeoDataFrame(own), plan.routes[plan.routes["day"] == day], pages),
        )
        for day, own in visits.groupby("day", sort=True)
    ]
    left_out = _with_addresses(plan.left_out, buildings)
    words = index_page(
        plan,
        left_out,
        overview=_overview(plan, pages, ground) if len(visits) else None,
        district=district,
        area=area,
        as_of=as_of,
        rules=rules,
        ground=ground.statement,
    )
    written += [
        write_whole(folder / "index.html", words),
        write_list(_visit_list(visits), folder / "visits.csv"),
        write_list(left_out, folder / "left_out.csv"),
        *(write_whole(folder / name, entries) for name, entries in calendars.items()),
    ]
    earlier = read_outputs(folder / _RECORD)
    names = [file.name for file in written]
    record = {
        "as_of": as_of.isoformat(),
        "area": area,
        "caution": CAUTION,
        "district": district,
        "ground": ground.statement,
        "outputs": sorted(names),
        "rules_overridden": override_records(rules),
        "summary": plan.summary,
    }
    text = json.dumps(record, indent=2, sort_keys=True, ensure_ascii=False)
    written.append(write_whole(folder / _RECORD, text + "\n"))
    for name in earlier:
        if name not in names and _COMES_AND_GOES.fullmatch(name):
            with contextlib.suppress(OSError):
                (folder / name).unlink()
    return written


def _with_places(
    visits: pd.DataFrame, buildings: gpd.GeoDataFrame, ranking: pd.DataFrame | None
) -> gpd.GeoDataFrame:
    """The visits with what is on record of each building, its outline, and a place inside it."""
    own = buildings.set_index("building_id").reindex(visits["building_id"])
    spots = shapely.get_coordinates(shapely.point_on_surface(own.geometry.to_numpy()))
    to_lonlat = Transformer.from_crs(buildings.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_lonlat.transform(spots[:, 0], spots[:, 1])
    seen = own[["surveyed_on", "inspected_on"]].max(axis=1)
    found = visits.assign(
        alert=own["alert"].to_numpy(),
        occupancy=own["occupancy"].to_numpy(),
        seen_on=seen.to_numpy(),
        rank_low=_ranks(visits, ranking, "rank_low"),
        rank_high=_ranks(visits, ranking, "rank_high"),
        usng=usng(np.asarray(lon), np.asarray(lat)),
        lon=np.round(lon, _PLACE_DECIMALS),
        lat=np.round(lat, _PLACE_DECIMALS),
    )
    return gpd.GeoDataFrame(found, geometry=own.geometry.to_numpy(), crs=buildings.crs)


def _overview(plan: DayPlan, pages: DayPages, ground: Ground) -> Overview:
    """The map of the plan: days by number, and the first of what is left out."""
    buildings = pages.tables["buildings"]
    numbers = {day: number for number, day in enumerate(plan.summary["days"], start=1)}
    outlines = buildings.set_index("building_id").geometry
    visited = pd.DataFrame(
        {
            "building_id": plan.visits["building_id"],
            "number": plan.visits["day"].dt.strftime("%Y-%m-%d").map(numbers),
        }
    )
    return draw_overview(
        gpd.GeoDataFrame(visited, geometry=outlines[visited["building_id"]].to_numpy(), crs=buildings.crs),
        buildings[buildings["building_id"].isin(first_left_out(plan.left_out)["building_id"])],
        buildings=buildings,
        streets=pages.tables.get("streets"),
        start=pages.start,
        ground=ground,
    )


def _around(ids: Sequence[str], tables: Mapping[str, Any]) -> dict[str, Any]:
    """What the drawings need: all buildings and streets, of the rest the rows of buildings visited.

    Lines overhead belong to no building.
    """
    kept = {name: tables[name] for name in ("buildings", "streets") if name in tables}
    for name in ("sections", "walls", "obstacles"):
        if name in tables:
            own = tables[name]["building_id"]
            kept[name] = tables[name][own.isin(ids) | own.isna()]
    return kept


def _calendars(visits: pd.DataFrame, **words: Any) -> dict[str, bytes]:
    """One calendar of all visits; of several inspectors one for each as well."""
    files = {"visits.ics": calendar_file(visits, **words)}
    if len(set(visits["inspector"])) > 1:
        for number, own in visits.groupby("inspector", sort=True):
            files[f"inspector-{number}.ics"] = calendar_file(own, **words)
    return files


def _with_addresses(left_out: pd.DataFrame, buildings: gpd.GeoDataFrame) -> pd.DataFrame:
    """What is left out, with address and area of each."""
    own = pd.DataFrame(buildings).set_index("building_id")
    found = left_out.copy()
    for place, name in enumerate(("address", "dispatch_area"), start=2):
        found.insert(place, name, found["building_id"].map(own[name]).astype("str"))
    return found


def _likely(ids: Sequence[str], buildings: gpd.GeoDataFrame, rules: Rulebook) -> dict[str, str]:
    """What each roof of unknown family may be."""
    unknown = buildings[buildings["building_id"].isin(ids) & (buildings["roof_family"] == "unknown")]
    columns = (unknown[name] for name in ("building_id", "odds", "local_roofs"))
    return {
        str(name): f"{odds_words(str(odds), rules)}; {behind_words(roofs)}"
        for name, odds, roofs in zip(*columns, strict=True)
        if not pd.isna(odds) and odds
    }


def _ranks(visits: pd.DataFrame, ranking: pd.DataFrame | None, column: str) -> pd.Series:
    """An end of the interval of each rank; missing where no ranking says so."""
    if ranking is None or column not in ranking:
        return pd.Series(pd.NA, index=visits.index, dtype="Int64")
    return visits["building_id"].map(ranking.set_index("building_id")[column]).astype("Int64")


def _visit_list(visits: gpd.GeoDataFrame) -> pd.DataFrame:
    """The visits for a spreadsheet: times of day beside the minutes, and a place for a navigator."""
    rows = pd.DataFrame(visits).drop(columns=["geometry", "seen_on"]).round(_DECIMALS)
    place = list(rows.columns).index("arrive_min")
    # From the minutes as they are: the pages and the calendar round the same, and once.
    rows.insert(place, "arrive", visits["arrive_min"].map(clock).astype("str"))
    rows.insert(place + 1, "leave", visits["leave_min"].map(clock).astype("str"))
    return rows


def _links(ids: Sequence[str], all_ids: Sequence[str], out: Path) -> dict[str, dict[str, str]]:
    """Where the map and the sheet of each building are, of those that a build recorded here."""
    there = set(read_outputs(out / "build.json"))
    links: dict[str, dict[str, str]] = {name: {} for name in ids}
    if "map.html" in there:
        for name in ids:
            links[name]["map"] = f"../map.html#{quote(name, safe='')}"
    if any(name.startswith("sheets/") for name in there):
        # Here and not above: a plan without sheets beside it does not wait for what prints them.
        from roofplat.publish.sheet.sets import sheet_files

        files = sheet_files(all_ids)
        for name in ids:
            if files[name] in there:
                links[name]["sheet"] = f"../{files[name]}"
    return links
