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
from shapely import Point

from roofplat.ground import Ground
from roofplat.publish.days.sketch import draw_sketch
from roofplat.publish.days.words import clock, day_words, distance, span
from roofplat.publish.files import CAUTION, NO_AREA, asset
from roofplat.publish.page import fill, html_page

__all__ = ["BASIS_WORDS", "DayPages", "day_page"]

BASIS_WORDS: Mapping[str, str] = {
    "streets": "along the streets",
    "straight_line": "straight line, lengthened",
}
"""What each basis of a travelled length is called."""

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
    buildings, streets
        Working CRS; `streets` None where there is no such layer.
    start
        Where every day starts and ends, working CRS; None where nobody knows.
    facts
        From `asked.open_facts`.
    links
        Building id to `map` and `sheet`, addresses relative to the page, where there are any.
    """

    district: str
    as_of: datetime.date
    ground: Ground
    buildings: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame | None
    start: Point | None
    facts: pd.DataFrame
    links: Mapping[str, Mapping[str, str]]


def day_page(visits: gpd.GeoDataFrame, routes: gpd.GeoDataFrame, pages: DayPages) -> str:
    """Make the page of one day.

    Parameters
    ----------
    visits
        `tables.TABLES["visits"]` of the day, with `alert`, `occupancy`, and the outline as geometry.
    routes
        `tables.TABLES["routes"]` of the day.
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
        ground=pages.ground.statement,
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
    guessed = bool((routes["basis"] != "streets").any())
    sketch = draw_sketch(
        visits,
        buildings=pages.buildings,
        streets=pages.streets,
        way=routes.geometry.iloc[0] if len(routes) else None,
        guessed_way=guessed,
        start=pages.start,
        ground=pages.ground,
    )
    stops = [_stop(row, asked, pages.links) for row in visits.drop(columns="geometry").to_dict("records")]
    length_ft = float(routes["length_ft"].sum())
    return {
        "inspector": number,
        "stops": stops,
        "sketch": sketch,
        "first": clock(float(visits["arrive_min"].min())),
        "last": clock(float(visits["leave_min"].max())),
        "visiting": span(float(visits["visit_min"].sum())),
        "way": distance(length_ft),
        "basis": " and ".join(_bases(visits["travel_basis"])),
        "guessed": guessed,
        "map_words": (
            f"Map of the way of inspector {number}: "
            + "; ".join(f"{stop['seq']} {stop['called']}" for stop in stops)
            + ". The table below has the same in words."
        ),
    }


def _bases(column: pd.Series) -> list[str]:
    """Bases that occur, the better one first."""
    return [words for basis, words in BASIS_WORDS.items() if (column == basis).any()]


def _stop(
    row: Mapping[Any, Any], asked: Mapping[str, pd.DataFrame], links: Mapping[str, Mapping[str, str]]
) -> dict[str, Any]:
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
        "rank": "" if pd.isna(row["rank"]) else f"{int(row['rank']):,}",
        "must": bool(row["must"]),
        "alert": _text(row["alert"]),
        "why": _text(row["why"]),
        "facts": [] if facts is None else facts[["fact", "record"]].to_dict("records"),
        "links": links.get(building, {}),
    }


def _due(row: Mapping[Any, Any]) -> str:
    """The due date in words."""
    words = _DUE_WORDS.get(_text(row["due_state"]), "")
    return words.format(date="" if pd.isna(row["next_due"]) else row["next_due"].date().isoformat())


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
