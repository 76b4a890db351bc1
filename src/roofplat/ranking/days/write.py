"""From routes to the tables of a plan, with a sentence for each visit and for each that is left out.

In: the worth of visits, the routes, the ways, the days.
Out: `visits`, `left_out`, `routes`, `problems` (`tables.DAY_TABLES`, `tables.TABLES`).
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from roofplat.ranking.days.case import Routes
from roofplat.ranking.days.settings import Frame
from roofplat.ranking.days.travel import Travel
from roofplat.ranking.words import plain
from roofplat.tables import conform, empty, problem_rows

__all__ = ["left_out_rows", "problems_of", "route_rows", "visit_rows"]

_S_A_MIN = 60.0
_MIN_AN_HOUR = 60.0


def visit_rows(some: pd.DataFrame, routes: Routes, travel: Travel, frame: Frame) -> pd.DataFrame:
    """The planned visits.

    Parameters
    ----------
    some
        The candidates, from `worth_of_visits`; row v is place v + 1 of `travel`.
    routes
        Rows of `some` in order, one list for each inspector's day.
    travel, frame
        The ways, and the days.

    Returns
    -------
    DataFrame
        `DAY_TABLES["visits"]`.
    """
    clocks = [_clock(route, some, travel, frame) for route in routes]
    visits = [visit for route in routes for visit in route]
    if not visits:
        return empty("visits")  # type: ignore[no-any-return]
    before = np.array(
        [place for route in routes for place in [0, *(visit + 1 for visit in route[:-1])] if route]
    )
    place = np.array(visits) + 1
    owner = np.repeat(np.arange(len(routes)), [len(route) for route in routes])
    day = owner // frame.inspectors
    days = pd.Series(np.array(frame.days, dtype="datetime64[ms]"))
    rows = some.iloc[visits].reset_index(drop=True)
    rows = rows.assign(
        day=days.iloc[day].to_numpy(),
        inspector=owner % frame.inspectors + 1,
        seq=[seq for route in routes for seq in range(1, len(route) + 1)],
        arrive_min=[minute for arrivals, _, _ in clocks for minute in arrivals],
        leave_min=[minute for _, leavings, _ in clocks for minute in leavings],
        travel_min=travel.way_s[before, place] / _S_A_MIN,
        travel_ft=travel.way_ft[before, place],
        travel_basis=np.where(travel.by_streets[before, place], "streets", "straight_line"),
        visit_min=rows["visit_s"].to_numpy() / _S_A_MIN,
    )
    return conform("visits", rows.assign(why=_why(rows)))  # type: ignore[no-any-return]


def _clock(
    route: list[int], some: pd.DataFrame, travel: Travel, frame: Frame
) -> tuple[list[float], list[float], float]:
    """Arrivals, departures and the return, in minutes from midnight.

    The break comes before the first visit that would end after it is due, or on the way back.
    """
    worked_s, rest = 0, 0.0
    arrive, leave = [], []
    place = 0
    for visit in route:
        reach_s = worked_s + int(travel.way_s[place, visit + 1])
        worked_s = reach_s + int(some["visit_s"].iloc[visit])
        if worked_s / _S_A_MIN > frame.break_after_min:
            rest = frame.break_min
        arrive.append(frame.out_min + reach_s / _S_A_MIN + rest)
        leave.append(frame.out_min + worked_s / _S_A_MIN + rest)
        place = visit + 1
    worked_s += int(travel.way_s[place, 0]) if route else 0
    if worked_s / _S_A_MIN > frame.break_after_min:
        rest = frame.break_min
    return arrive, leave, frame.out_min + worked_s / _S_A_MIN + rest


def _why(rows: pd.DataFrame) -> list[str]:
    """One sentence a visit."""
    sentences = []
    for row in rows.itertuples():
        parts = [f"Rank {row.rank}, worth {row.value:.1f} points"]
        if row.must:
            parts.append("must be visited")
        if row.due_state == "overdue":
            parts.append(f"inspection overdue since {row.next_due:%Y-%m-%d}")
        elif row.in_window:
            parts.append(f"inspection due by {row.next_due:%Y-%m-%d}")
        elif row.due_state == "never_inspected":
            parts.append("no inspection on record")
        sentences.append("; ".join(parts) + ".")
    return sentences


def route_rows(
    some: pd.DataFrame, routes: Routes, travel: Travel, frame: Frame, crs: Any
) -> gpd.GeoDataFrame:
    """The inspectors' days, each with its way drawn.

    Parameters
    ----------
    some, routes, travel, frame
        As in `visit_rows`.
    crs
        The working CRS.

    Returns
    -------
    GeoDataFrame
        `DAY_TABLES["routes"]`; a day without a visit has no row.
    """
    rows = []
    for number, route in enumerate(routes):
        if not route:
            continue
        stops = [0, *(visit + 1 for visit in route), 0]
        legs = (np.array(stops[:-1]), np.array(stops[1:]))
        rows.append(
            {
                "day": np.datetime64(frame.days[number // frame.inspectors], "ms"),
                "inspector": number % frame.inspectors + 1,
                "visits": len(route),
                "out_min": frame.out_min,
                "back_min": _clock(route, some, travel, frame)[2],
                "travel_min": travel.way_s[legs].sum() / _S_A_MIN,
                "visit_min": some["visit_s"].iloc[route].sum() / _S_A_MIN,
                "length_ft": travel.way_ft[legs].sum(),
                "basis": "streets" if travel.by_streets[legs].all() else "straight_line",
                "value": round(float(some["value"].iloc[route].sum()), 2),
                "geometry": travel.lines(stops),
            }
        )
    if not rows:
        return empty("routes", crs)
    return conform("routes", gpd.GeoDataFrame(rows, geometry="geometry", crs=crs))


def left_out_rows(
    worth: pd.DataFrame,
    visits: pd.DataFrame,
    frame: Frame,
    *,
    weighed: Collection[str],
    far: Collection[str],
) -> pd.DataFrame:
    """The buildings that are not visited, and why.

    - must_does_not_fit: it must be visited, and the hours do not hold it beside the others that must.
    - out_of_reach: the way there and back and the visit take longer than a day has.
    - hours_used_up: it was weighed; other visits bring more for the hours.
    - not_a_candidate: it is behind the candidates in value, and in value for its time.

    Parameters
    ----------
    worth
        From `worth_of_visits`.
    visits
        From `visit_rows`.
    frame
        The days.
    weighed
        Ids of the candidates.
    far
        Ids of candidates that no day can hold.

    Returns
    -------
    DataFrame
        `DAY_TABLES["left_out"]`, by rank.
    """
    rows = worth[~worth["building_id"].isin(visits["building_id"])].sort_values("rank", kind="stable")
    must = rows["must"].to_numpy(dtype=bool)
    is_far = rows["building_id"].isin(list(far)).to_numpy()
    is_weighed = rows["building_id"].isin(list(weighed)).to_numpy()
    hours = f"{frame.work_s / 3600.0:g} hours"
    reason = np.select(
        [is_far, must, is_weighed], ["out_of_reach", "must_does_not_fit", "hours_used_up"], "not_a_candidate"
    )
    planned = visits["value"].sum() / max(visits["visit_min"].sum(), 1.0) * _MIN_AN_HOUR
    words = {
        "out_of_reach": f"The way there and back and the visit take longer than the {hours} of a day.",
        "must_does_not_fit": "It must be visited, but the hours do not hold it beside the others that must.",
        "hours_used_up": "It was weighed, and the hours are used up: its visit brings ",
        "not_a_candidate": "It was not weighed, being behind others in value and in value for its time: its "
        "visit brings ",
    }
    why = pd.Series(reason, index=rows.index).map(words)
    an_hour = rows["value"] / rows["visit_s"] * _S_A_MIN * _MIN_AN_HOUR
    compared = np.isin(reason, ["hours_used_up", "not_a_candidate"])
    against = f" points an hour, those planned {planned:.0f} on average."
    why = why.where(~compared, why + plain(an_hour.to_numpy(), decimals=0) + against)
    due = rows["in_window"].to_numpy(dtype=bool)
    date = rows["next_due"].dt.strftime("%Y-%m-%d")
    why = why.where(~due, why + " Its inspection falls due on " + date + ", within these days.")
    return conform("left_out", rows.assign(reason=reason, why=why))  # type: ignore[no-any-return]


def problems_of(left_out: pd.DataFrame, visits: pd.DataFrame, frame: Frame) -> pd.DataFrame:
    """Problem rows for musts and dates that are not kept, for empty plans, and for hours left.

    Parameters
    ----------
    left_out, visits
        From `left_out_rows` and `visit_rows`.
    frame
        The days.

    Returns
    -------
    DataFrame
        `TABLES["problems"]`.
    """
    missed = left_out[left_out["must"].to_numpy(dtype=bool)]
    due = left_out[
        ~left_out["must"].to_numpy(dtype=bool)
        & (left_out["due_state"] == "due").to_numpy()
        & (left_out["next_due"] <= pd.Timestamp(frame.days[-1])).to_numpy()
    ]
    none = not len(visits) and len(left_out)
    behind = (left_out["reason"] == "not_a_candidate").sum()
    idle = len(visits) and behind and not (left_out["reason"] == "hours_used_up").any()
    rows = [
        problem_rows(
            "days",
            missed["building_id"],
            "must_not_planned",
            "error",
            list(missed["why"]),
            "Give more hours, days or inspectors, or ask for fewer.",
        ),
        problem_rows(
            "days",
            due["building_id"],
            "due_not_planned",
            "warning",
            list(due["why"]),
            "Ask for it with --must, or give more hours, days or inspectors.",
        ),
        problem_rows(
            "days",
            ["plan"] if none else [],
            "nothing_planned",
            "warning",
            "No visit fits the hours of these days.",
            "Give more hours, or a start that is nearer.",
        ),
        problem_rows(
            "days",
            ["plan"] if idle else [],
            "hours_left",
            "warning",
            f"Every building that was weighed is visited or cannot be; {behind:,} were not weighed, though "
            "there may be hours for them.",
            "Plan fewer days at a time, or raise days.candidates_per_day and days.candidates_most.",
        ),
    ]
    return conform("problems", pd.concat(rows, ignore_index=True))  # type: ignore[no-any-return]
