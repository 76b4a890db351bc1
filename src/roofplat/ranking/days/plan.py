"""Plan days of inspection: which buildings, in which order, by whom, on which day.

In: buildings, ranking, stations and streets, the rules, what the office asks for.
Out: `DayPlan`.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.ranking.days.case import Case, Outcome, outcome
from roofplat.ranking.days.greedy import greedy_routes
from roofplat.ranking.days.order import ordered_routes
from roofplat.ranking.days.settings import positive, time_frame
from roofplat.ranking.days.solver import rounds_for, solved_routes
from roofplat.ranking.days.travel import measure_travel
from roofplat.ranking.days.worth import candidates, check_must, worth_of_visits
from roofplat.ranking.days.write import left_out_rows, problems_of, route_rows, visit_rows
from roofplat.rules import Rulebook

__all__ = ["DayPlan", "plan_days"]


@dataclass(frozen=True, slots=True)
class DayPlan:
    """A plan of inspection days.

    visits
        `tables.DAY_TABLES["visits"]`, in order of day, inspector and seq.
    left_out
        `tables.DAY_TABLES["left_out"]`: every building of the ranking that is not visited, by rank.
    routes
        `tables.DAY_TABLES["routes"]`, working CRS, one row for each inspector's day that has a visit.
    summary
        Figures of the whole plan, all plain numbers, texts and lists: `days` (ISO dates), `inspectors`,
        `hours`, `start` (longitude, latitude), `start_name`, `buildings`, `candidates`, `visits`, `left_out`
        (count by reason), `musts`, `musts_visited`, `value`, `greedy_value`, `candidates_value`,
        `all_value` (points), `greedy_visits`, `hours_there`, `hours_used`, `hours_travel`,
        `greedy_hours_travel`, `ways_by_streets`, `ways_straight`, `visits_assumed` (length of the visit
        assumed), `solver`, `travel` (sentences).
    problems
        `tables.TABLES["problems"]`.
    """

    visits: pd.DataFrame
    left_out: pd.DataFrame
    routes: gpd.GeoDataFrame
    summary: dict[str, Any]
    problems: pd.DataFrame


def plan_days(
    tables: Mapping[str, Any],
    rules: Rulebook,
    *,
    start_on: datetime.date,
    days: int,
    inspectors: int,
    hours: float | None = None,
    start: tuple[float, float] | None = None,
    must: Sequence[str] = (),
    ground: Ground,
    streets: gpd.GeoDataFrame | None = None,
) -> DayPlan:
    """Choose and order visits so that the hours bring the most value.

    Every visit keeps the hours of its day, way out and back counted; an inspection that falls due within
    the plan is done by then or not planned; what must be visited comes before all else. The plan is never
    worse than the greedy one, which is made too and told of in the summary.

    Parameters
    ----------
    tables
        `buildings`, `ranking` and, where no start is given, `stations`; working CRS.
    rules
        The rules in force, `days.*` among them.
    start_on
        No day is planned before it.
    days
        How many working days (`days.work_days`).
    inspectors
        How many go out each day, each alone.
    hours
        Hours of an inspector's day, the break not counted; None is `days.hours`.
    start
        Longitude and latitude of the start, WGS 84 degrees; None is the first station by name.
    must
        Ids that are visited whatever they are worth.
    ground
        What a foot is measured on.
    streets
        Lines in the working CRS; None or empty for straight lines.

    Returns
    -------
    DayPlan

    Raises
    ------
    DistrictFileError
        There is no start, no building of an id, no day, inspector or hour, or no solver.
    RuleError
        A rule cannot be.
    """
    frame = time_frame(rules, start_on=start_on, days=days, inspectors=inspectors, hours=hours)
    buildings = tables["buildings"]
    crs = CRS(buildings.crs)
    worth = worth_of_visits(tables, rules, frame, must=check_must(must, tables["ranking"]["building_id"]))
    spot, start_name, lonlat = _start(start, tables.get("stations"), crs)
    weighed = candidates(worth, rules, frame)
    some = worth[weighed].reset_index(drop=True)
    places = np.concatenate([np.array([spot], dtype=object), some["geometry"].to_numpy(dtype=object)])
    travel = measure_travel(places, streets, rules, ground, crs)

    alone_s = travel.way_s[0, 1:] + some["visit_s"].to_numpy() + travel.way_s[1:, 0]
    near = np.flatnonzero(alone_s <= frame.work_s)
    kept = np.concatenate([[0], near + 1])
    case = Case(
        value=np.rint(some["value"].to_numpy()[near] * 100.0).astype(np.int64),
        visit_s=some["visit_s"].to_numpy(dtype=np.int64)[near],
        way_s=travel.way_s[np.ix_(kept, kept)],
        latest_day=some["latest_day"].to_numpy(dtype=np.int64)[near],
        must=some["must"].to_numpy(dtype=bool)[near],
        days=len(frame.days),
        inspectors=frame.inspectors,
        work_s=frame.work_s,
    )
    begin = greedy_routes(case)
    rounds = rounds_for(case, positive(rules, "days.solver_rounds", zero=True))
    found = ordered_routes(case, solved_routes(case, begin, rounds=rounds))
    # Numbers of the case are rows of what is near; from here on they are rows of the candidates.
    routes = [[int(near[visit]) for visit in route] for route in found]

    visits = visit_rows(some, routes, travel, frame)
    lines = route_rows(some, routes, travel, frame, buildings.crs)
    weighed_ids = set(some["building_id"])
    far_ids = set(some["building_id"].to_numpy()[alone_s > frame.work_s])
    left_out = left_out_rows(worth, visits, frame, weighed=weighed_ids, far=far_ids)
    best, plain = outcome(case, found), outcome(case, begin)
    summary = {
        "days": [day.isoformat() for day in frame.days],
        "inspectors": frame.inspectors,
        "hours": frame.work_s / 3600.0,
        "start": [float(lonlat[0]), float(lonlat[1])],
        "start_name": start_name,
        "buildings": len(worth),
        "candidates": len(some),
        "visits": len(visits),
        "left_out": {name: int(count) for name, count in left_out["reason"].value_counts(sort=False).items()},
        "musts": int(worth["must"].sum()),
        "musts_visited": best.musts,
        "value": best.value / 100.0,
        "greedy_value": plain.value / 100.0,
        "candidates_value": round(float(some["value"].sum()), 2),
        "all_value": round(float(worth["value"].sum()), 2),
        "greedy_visits": sum(len(route) for route in begin),
        "hours_there": frame.work_s * frame.routes / 3600.0,
        "hours_used": float(lines["travel_min"].sum() + lines["visit_min"].sum()) / 60.0,
        "hours_travel": -best.spared_s / 3600.0,
        "greedy_hours_travel": -plain.spared_s / 3600.0,
        "ways_by_streets": int((visits["travel_basis"] == "streets").sum()),
        "ways_straight": int((visits["travel_basis"] == "straight_line").sum()),
        "visits_assumed": int(some.loc[[v for r in routes for v in r], "visit_assumed"].sum()),
        "solver": _solver_sentence(best, plain, rounds),
        "travel": _travel_sentence(travel.graph is not None, rules),
    }
    return DayPlan(visits, left_out, lines, summary, problems_of(left_out, visits, frame))


def _start(
    start: tuple[float, float] | None, stations: gpd.GeoDataFrame | None, crs: CRS
) -> tuple[Any, str, tuple[float, float]]:
    """The start as a point, what it is called, and its longitude and latitude."""
    to_working = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    if start is not None:
        lon, lat = start
        if not (-180 <= lon <= 180 and -90 <= lat <= 90):
            raise DistrictFileError(
                f"The start {lon:g},{lat:g} is no place; give longitude, then latitude, in degrees."
            )
        x, y = to_working.transform(lon, lat)
        if not (np.isfinite(x) and np.isfinite(y)):
            raise DistrictFileError(
                f"The start {lon:g},{lat:g} is too far from the district to be one; give longitude, then "
                "latitude, of a place near it."
            )
        return shapely.Point(x, y), f"{lon:g},{lat:g}", (lon, lat)
    if stations is None or not len(stations):
        raise DistrictFileError(
            "No start is known for the days of inspection; give --start LON,LAT, or start = [LON, LAT] in "
            "[inspect], or a [stations] layer."
        )
    named = stations.assign(label=stations["name"].astype("str").fillna("Station without a name"))
    points = shapely.get_coordinates(shapely.centroid(named.geometry.to_numpy()))
    first = int(np.lexsort((points[:, 1], points[:, 0], named["label"].to_numpy(dtype=object)))[0])
    lon, lat = to_working.transform(points[first, 0], points[first, 1], direction="INVERSE")
    return shapely.Point(points[first]), str(named["label"].iloc[first]), (float(lon), float(lat))


def _solver_sentence(best: Outcome, plain: Outcome, rounds: int) -> str:
    again = f"{rounds:,} {'time' if rounds == 1 else 'times'}"
    return (
        "Chosen and ordered by OR-Tools' routing solver, which began with the greedy plan and then anew "
        f"{again} (days.solver_rounds). Value {best.value / 100:,.2f} points against "
        f"{plain.value / 100:,.2f} of the greedy plan. Nobody has proved that no better plan exists."
    )


def _travel_sentence(streets: bool, rules: Rulebook) -> str:
    speed = f"{rules.number('days.speed_mph'):g} mi/h"
    straight = f"by straight line times {rules.number('days.detour_factor'):g}"
    if not streets:
        return f"Ways are measured {straight}, at {speed}: no street is near."
    return (
        f"Ways are measured over the district's streets at {speed}, and {straight} where no streets join two "
        "places. One-way streets, barred turns and bridges are not known."
    )
