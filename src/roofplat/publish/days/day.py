"""The page of one day: for each inspector a map, the stops in their order, and room for what is found.

In: the visits of a day, the ways between them, what each visit should find out.
Out: one HTML text that opens from a folder and prints on letter and A4, each inspector apart.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely import LineString, Point

from roofplat.ground import Ground
from roofplat.publish.days.site import draw_site
from roofplat.publish.days.sketch import BADGE, draw_sketch
from roofplat.publish.days.words import clock, day_words, distance, span
from roofplat.publish.files import CAUTION, NO_AREA, asset
from roofplat.publish.page import fill, html_page

__all__ = ["BASIS_WORDS", "DayPages", "day_page"]

BASIS_WORDS: Mapping[str, str] = {
    "streets": "along the streets",
    "straight_line": "by straight line, lengthened",
}
"""What each basis of a travelled length is called."""

# Less than this between two visits is rounding, not a break.
_LEAST_REST_MIN = 1.0
_DUE_WORDS: Mapping[str, str] = {
    "overdue": "overdue since {date}",
    "due": "due by {date}",
    "never_inspected": "no inspection on record",
    "no_class": "no inspection class, so no due date",
}


@dataclass(frozen=True, slots=True)
class DayPages:
    """What the pages of a plan have in common.

    district
        Its name.
    tables
        `buildings`; `sections`, `walls`, `obstacles` and `streets` where there are any; working CRS.
    start, start_name
        Where every day starts and ends, working CRS, and what it is called.
    facts
        From `asked.open_facts`.
    interval
        How often a rank lies in its interval, in words.
    likely
        Building id to what its unknown roof may be.
    links
        Building id to `map` and `sheet`, addresses relative to the page, where there are any.
    """

    district: str
    as_of: datetime.date
    ground: Ground
    tables: Mapping[str, Any]
    start: Point
    start_name: str
    facts: pd.DataFrame
    interval: str
    likely: Mapping[str, str]
    links: Mapping[str, Mapping[str, str]]


def day_page(visits: gpd.GeoDataFrame, routes: gpd.GeoDataFrame, pages: DayPages) -> str:
    """Make the page of one day.

    Parameters
    ----------
    visits
        `tables.DAY_TABLES["visits"]` of the day, with `alert`, `occupancy`, `rank_low`, `rank_high`, `usng`,
        and the outline as geometry.
    routes
        `tables.DAY_TABLES["routes"]` of the day.
    pages
        What the pages share.

    Returns
    -------
    str
    """
    day = visits["day"].iloc[0].date()
    asked = {str(name): part for name, part in pages.facts.groupby("building_id", sort=False)}
    parts = [
        _part(int(number), own, routes[routes["inspector"] == number], asked, pages)
        for number, own in visits.groupby("inspector", sort=True)
    ]
    body = fill(
        "days_day.html.j2",
        district=pages.district,
        day=day_words(day),
        date=day.isoformat(),
        as_of=pages.as_of.isoformat(),
        caution=CAUTION,
        parts=parts,
        board=_board(parts),
        start=pages.start_name,
        ground=pages.ground.statement,
        badge=BADGE,
    )
    numbers = [part["inspector"] for part in parts]
    return html_page(
        f"{pages.district}: inspections of {day.isoformat()}",
        styles=[asset("report.css"), asset("days.css"), _page_styles(day, numbers)],
        scripts=[],
        body=body,
    )


def _part(
    number: int,
    visits: gpd.GeoDataFrame,
    routes: gpd.GeoDataFrame,
    asked: Mapping[str, pd.DataFrame],
    pages: DayPages,
) -> dict[str, Any]:
    """Everything that one inspector takes along."""
    visits = gpd.GeoDataFrame(visits.sort_values("seq", kind="stable"))
    route = routes.iloc[0]
    guessed = str(route["basis"]) != "streets"
    sketch = draw_sketch(
        visits,
        buildings=pages.tables["buildings"],
        streets=pages.tables.get("streets"),
        way=LineString(route.geometry),
        guessed_way=guessed,
        start=pages.start,
        ground=pages.ground,
    )
    stops: list[dict[str, Any]] = []
    free_min = float(route["out_min"])
    for row in visits.to_dict("records"):
        # What is neither travel nor visit is the break.
        rest = float(row["arrive_min"]) - free_min - float(row["travel_min"])
        free_min = float(row["leave_min"])
        site = draw_site(str(row["building_id"]), row["geometry"], pages.tables, pages.ground)
        stops.append(
            {
                **_stop(row, asked, pages),
                "site": site,
                "rest": span(rest) if rest >= _LEAST_REST_MIN else "",
            }
        )
    home_min = float(route["travel_min"]) - float(visits["travel_min"].sum())
    back_min = float(route["back_min"])
    rest = back_min - free_min - home_min
    return {
        "inspector": number,
        "stops": stops,
        "sketch": sketch,
        "out": clock(float(route["out_min"])),
        "back": clock(back_min),
        "home": span(home_min),
        "home_way": distance(max(float(route["length_ft"]) - float(visits["travel_ft"].sum()), 0.0)),
        "rest": span(rest) if rest >= _LEAST_REST_MIN else "",
        "visiting": span(float(visits["visit_min"].sum())),
        "travel": span(float(route["travel_min"])),
        "way": distance(float(route["length_ft"])),
        "basis": " and ".join(_bases(visits["travel_basis"])),
        "guessed": guessed,
        "map_words": (
            f"Map of the way of inspector {number}: "
            + "; ".join(f"{stop['seq']} {stop['called']}" for stop in stops)
            + ". The table below has the same in words."
        ),
    }


def _board(parts: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Who is where, by time; one inspector needs none."""
    if len(parts) < 2:
        return []
    rows = [{**stop, "inspector": part["inspector"]} for part in parts for stop in part["stops"]]
    return sorted(rows, key=lambda row: (row["arrive"], row["inspector"]))


def _bases(column: pd.Series) -> list[str]:
    """Bases that occur, the better one first."""
    return [words for basis, words in BASIS_WORDS.items() if (column == basis).any()]


def _stop(row: Mapping[Any, Any], asked: Mapping[str, pd.DataFrame], pages: DayPages) -> dict[str, Any]:
    """One stop as texts."""
    building = str(row["building_id"])
    facts = asked.get(building)
    name, address = (_text(row[key]) for key in ("name", "address"))
    return {
        "id": building,
        "seq": int(row["seq"]),
        "arrive": clock(float(row["arrive_min"])),
        "leave": clock(float(row["leave_min"])),
        "visit": span(float(row["visit_min"])),
        "travel": span(float(row["travel_min"])),
        "travel_way": distance(float(row["travel_ft"])),
        "guessed": row["travel_basis"] != "streets",
        "called": name or address or f"building {building}",
        "name": name,
        "address": address,
        "area": _text(row["dispatch_area"]) or NO_AREA,
        "occupancy": _text(row["occupancy"]) or "not known",
        "class": _text(row["class"]),
        "due": _due(row),
        "rank": _rank(row, pages.interval),
        "usng": _text(row["usng"]),
        "must": bool(row["must"]),
        "alert": _text(row["alert"]),
        "why": _text(row["why"]),
        "facts": [] if facts is None else facts[["fact", "record"]].to_dict("records"),
        "likely": pages.likely.get(building, ""),
        "links": pages.links.get(building, {}),
    }


def _due(row: Mapping[Any, Any]) -> str:
    """The due date in words."""
    words = _DUE_WORDS.get(_text(row["due_state"]), "")
    return words.format(date="" if pd.isna(row["next_due"]) else row["next_due"].date().isoformat())


def _rank(row: Mapping[Any, Any], interval: str) -> str:
    """The rank, and how far it may move."""
    if pd.isna(row["rank"]):
        return ""
    words = f"{int(row['rank']):,}"
    if not pd.isna(row["rank_low"]) and not pd.isna(row["rank_high"]):
        words += f", {int(row['rank_low']):,} to {int(row['rank_high']):,} in {interval}"
    return words


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def _page_styles(day: datetime.date, inspectors: Sequence[int]) -> str:
    """Name the paper of each inspector, so that its foot says whose it is. Numbers and a date alone."""
    rules = [
        f'@page inspector-{number} {{ @bottom-left {{ content: "{day.isoformat()}, inspector {number}"; }} }}'
        for number in inspectors
    ]
    if len(inspectors) == 1:
        # The head of the page and the only part share their first sheet.
        rules.append(f"body {{ page: inspector-{inspectors[0]}; }}")
    else:
        rules += [f"#inspector-{number} {{ page: inspector-{number}; }}" for number in inspectors]
    return "\n".join(rules)
