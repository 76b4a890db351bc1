"""The page of the whole plan: what is visited when, what is left out and why, how good the plan is.

In: a plan of inspection days, the rules in force.
Out: one HTML text that leads to the pages of the days.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

import pandas as pd

from roofplat.publish.days.day import BASIS_WORDS
from roofplat.publish.days.overview import SMALL_BADGE, Overview
from roofplat.publish.days.words import clock, day_words, distance, span
from roofplat.publish.files import CAUTION, NO_AREA, asset
from roofplat.publish.overrides import override_lines
from roofplat.publish.page import fill, html_page
from roofplat.ranking.days import DayPlan
from roofplat.rules import Rule, Rulebook
from roofplat.tables import LEFT_OUT_REASONS

__all__ = ["REASON_WORDS", "first_left_out", "index_page"]

REASON_WORDS: Mapping[str, str] = {
    "must_does_not_fit": "must be visited, and does not fit",
    "out_of_reach": "cannot be reached and visited within a day",
    "hours_used_up": "the hours are used up by others",
    "not_a_candidate": "not among those that were weighed",
}
"""What each reason of `tables.LEFT_OUT_REASONS` is called."""

_MOST_ROWS = 60
_RULES = "days."


def index_page(
    plan: DayPlan,
    left_out: pd.DataFrame,
    *,
    overview: Overview | None,
    district: str,
    area: str | None,
    as_of: datetime.date,
    rules: Rulebook,
    ground: str,
) -> str:
    """Make the page of the plan.

    Parameters
    ----------
    plan
        From `ranking.days.plan_days`.
    left_out
        What it leaves out, with `address` beside the columns of the table.
    overview
        The map of the plan; None where nothing is visited.
    district, area
        Names; the area where only one was planned.
    as_of
        The date on which ages were counted.
    rules
        The rules in force.
    ground
        The statement on feet.

    Returns
    -------
    str
    """
    body = fill(
        "days_index.html.j2",
        district=district,
        area=area,
        as_of=as_of.isoformat(),
        caution=CAUTION,
        ground=ground,
        span=_span_of_days(plan.summary),
        asked_for=_asked_for(plan.summary),
        numbers=_numbers(plan),
        days=_days(plan),
        map=overview,
        small_badge=SMALL_BADGE,
        mixed=bool((plan.routes["basis"] != "streets").any()),
        several=len(set(plan.routes["inspector"])) > 1,
        free=_free_days(plan),
        values=_values(plan.summary),
        solver=plan.summary["solver"],
        travel=_travel_words(plan.summary),
        reasons=_reasons(plan.left_out),
        left=_left(left_out),
        musts=_musts(plan.visits, left_out),
        assumed=[_rule_words(rule) for rule in rules.rules.values() if rule.id.startswith(_RULES)],
        overridden=override_lines(rules),
        problems=plan.problems[["severity", "feature", "message", "action"]].to_dict("records"),
    )
    return html_page(
        f"{district}: days of inspection",
        styles=[asset("report.css"), asset("days.css")],
        scripts=[],
        body=body,
    )


def _span_of_days(summary: Mapping[str, Any]) -> str:
    """The first and the last day that may be planned."""
    days = [datetime.date.fromisoformat(day) for day in summary["days"]]
    return day_words(days[0]) if len(days) == 1 else f"{day_words(days[0])} to {day_words(days[-1])}"


def _asked_for(summary: Mapping[str, Any]) -> str:
    """What the plan may use, as a sentence."""
    days, people, hours = len(summary["days"]), int(summary["inspectors"]), float(summary["hours"])
    return (
        f"{days} {'day' if days == 1 else 'days'}, {people} {'inspector' if people == 1 else 'inspectors'}, "
        f"{hours:g} {'hour' if hours == 1 else 'hours'} each day; start and end at {summary['start_name']}."
    )


def _numbers(plan: DayPlan) -> list[tuple[str, str]]:
    """The plan in numbers."""
    summary, routes = plan.summary, plan.routes
    return [
        ("Buildings visited", f"{summary['visits']:,}"),
        ("Buildings left out", f"{len(plan.left_out):,}"),
        ("Value planned", f"{summary['value']:,.0f} points"),
        ("Share of the value of all", _percent(summary["value"], summary["all_value"])),
        ("Hours used", f"{summary['hours_used']:,.1f} of {summary['hours_there']:,.1f}"),
        ("Of them in travel", f"{summary['hours_travel']:,.1f}"),
        ("Distance", distance(float(routes["length_ft"].sum()))),
        ("Must be visited, and are", f"{summary['musts_visited']:,} of {summary['musts']:,}"),
    ]


def _values(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Set the plan beside others: the greedy one, and what no hours would limit."""
    whole = float(summary["all_value"])
    rows = [
        ("This plan", summary["value"], summary["visits"], summary["hours_travel"]),
        ("Greedy plan of the same run", summary["greedy_value"], summary["greedy_visits"],
         summary["greedy_hours_travel"]),
        ("All that were weighed", summary["candidates_value"], summary["candidates"], None),
        ("All buildings", summary["all_value"], summary["buildings"], None),
    ]  # fmt: skip
    return [
        {
            "label": label,
            "value": f"{value:,.1f}",
            "share": _percent(value, whole),
            "visits": f"{visits:,}",
            "travel": "" if travel is None else f"{travel:,.1f}",
        }
        for label, value, visits, travel in rows
    ]


def _travel_words(summary: Mapping[str, Any]) -> list[str]:
    """How ways were measured, and what of the visits is a guess."""
    words = [str(summary["travel"])]
    straight, along = summary["ways_straight"], summary["ways_by_streets"]
    if straight and along:
        words.append(
            f"Of the ways to the visits {along:,} run along streets, {straight:,} are straight lines."
        )
    if summary["visits_assumed"]:
        words.append(
            f"The occupancy is not known for {summary['visits_assumed']:,} of the visits: they are as long "
            "as the rules say for that."
        )
    return words


def _free_days(plan: DayPlan) -> list[str]:
    """Days that may be planned and hold no visit."""
    used = {day.date().isoformat() for day in plan.routes["day"]}
    return [day_words(datetime.date.fromisoformat(day)) for day in plan.summary["days"] if day not in used]


def _days(plan: DayPlan) -> list[dict[str, Any]]:
    """One row for each inspector and day; the first of a day names it."""
    rows = []
    before = None
    days = plan.summary["days"]
    order = (
        pd.DataFrame(plan.routes).drop(columns="geometry").sort_values(["day", "inspector"], kind="stable")
    )
    for row in order.to_dict("records"):
        day = row["day"].date()
        rows.append(
            {
                "number": days.index(day.isoformat()) + 1,
                "day": day_words(day),
                "file": f"{day.isoformat()}.html",
                "first": day != before,
                "inspector": int(row["inspector"]),
                "stops": int(row["visits"]),
                "out": clock(float(row["out_min"])),
                "back": clock(float(row["back_min"])),
                "visiting": span(float(row["visit_min"])),
                "travel": span(float(row["travel_min"])),
                "way": distance(float(row["length_ft"])),
                "basis": BASIS_WORDS[str(row["basis"])],
                "value": f"{float(row['value']):,.0f}",
                "areas": _areas(plan.visits, row),
            }
        )
        before = day
    return rows


def _areas(visits: pd.DataFrame, route: Mapping[Any, Any]) -> str:
    """Dispatch areas of an inspector's day, the one with most visits first."""
    own = visits[(visits["day"] == route["day"]) & (visits["inspector"] == route["inspector"])]
    tally = own["dispatch_area"].astype("str").fillna(NO_AREA).value_counts().sort_index()
    tally = tally.sort_values(ascending=False, kind="stable")
    return ", ".join(f"{name} {number}" for name, number in tally.items())


def _reasons(left_out: pd.DataFrame) -> list[dict[str, Any]]:
    """How many are left out for which reason, and what they are worth together."""
    tally = left_out.groupby("reason").agg(number=("building_id", "size"), value=("value", "sum"))
    order = [code for code in LEFT_OUT_REASONS if code in tally.index]
    return [
        {
            "reason": REASON_WORDS[code],
            "number": f"{int(tally['number'][code]):,}",
            "value": f"{float(tally['value'][code]):,.0f}",
        }
        for code in order
    ]


def first_left_out(left_out: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that the page names: what must be visited, then what is worth most.

    Parameters
    ----------
    left_out
        `tables.DAY_TABLES["left_out"]`.
    """
    order = left_out.assign(late=~left_out["must"].fillna(False).astype(bool))
    order = order.sort_values(["late", "value", "building_id"], ascending=[True, False, True], kind="stable")
    return order.drop(columns="late").head(_MOST_ROWS)


def _left(left_out: pd.DataFrame) -> dict[str, Any]:
    """List what is left out: what must be visited first, then what is worth most."""
    shown = first_left_out(left_out)
    rows = [
        {
            "id": str(row["building_id"]),
            "place": _place(row),
            "rank": "" if pd.isna(row["rank"]) else f"{int(row['rank']):,}",
            "value": f"{float(row['value']):,.1f}",
            "due": "" if pd.isna(row["next_due"]) else row["next_due"].date().isoformat(),
            "must": bool(row["must"]) if not pd.isna(row["must"]) else False,
            "why": _text(row["why"]),
        }
        for row in shown.to_dict("records")
    ]
    return {"rows": rows, "number": len(left_out), "more": len(left_out) - len(rows)}


def _musts(visits: pd.DataFrame, left_out: pd.DataFrame) -> list[dict[str, str]]:
    """Each building asked for by id: when it is visited, or why it is not."""
    planned = visits[visits["must"].fillna(False).astype(bool)]
    rows = [
        {
            "id": str(row["building_id"]),
            "place": _place(row),
            "when": f"{day_words(row['day'].date())}, {clock(float(row['arrive_min']))}, "
            f"inspector {int(row['inspector'])}",
        }
        for row in planned.to_dict("records")
    ]
    missed = left_out[left_out["must"].fillna(False).astype(bool)]
    return rows + [
        {"id": str(row["building_id"]), "place": _place(row), "when": f"not planned: {row['why']}"}
        for row in missed.to_dict("records")
    ]


def _rule_words(rule: Rule) -> dict[str, str]:
    """One rule as texts."""
    value = rule.value
    words = ", ".join(map(str, value)) if isinstance(value, list) else f"{value:g}"
    return {
        "id": rule.id,
        "value": f"{words} {rule.unit}".strip() if rule.unit not in ("weekday", "count") else words,
        "meaning": rule.meaning,
        "status": rule.status,
        "source": rule.source,
    }


def _percent(part: float, whole: float) -> str:
    """Share to a tenth of a percent: a few visits of a large district are not nothing."""
    return f"{100.0 * part / whole:.1f}%" if whole > 0 else "none"


def _place(row: Mapping[Any, Any]) -> str:
    """Name and address."""
    return ", ".join(text for text in (_text(row["name"]), _text(row["address"])) if text)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
