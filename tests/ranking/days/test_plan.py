"""Days of inspection as a whole: limits kept, musts and due dates honoured, nothing lost.

In: small towns worked out by hand, and random ones.
Out: plans.
"""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from tests.ranking.days.town import GROUND, streets, town

from roofplat.errors import DistrictFileError
from roofplat.ranking.days import DayPlan, plan_days
from roofplat.rules import load_rulebook

MONDAY = datetime.date(2026, 6, 1)
# Visits of half an hour whatever the size, no break, and few rounds: these towns are small.
PLAIN = {"days.visit_min_per_1000_ft2": 0.0, "days.break_min": 0.0, "days.solver_effort": 200}


def plan(tables: dict[str, Any], rules: dict[str, Any] | None = None, **asked: Any) -> DayPlan:
    words = {"start_on": MONDAY, "days": 1, "inspectors": 1, "ground": GROUND, "streets": None} | asked
    return plan_days(tables, load_rulebook({**PLAIN, **(rules or {})}), **words)


def test_three_houses_along_a_street() -> None:
    tables = town([(1000, 50), (2000, 50), (3000, 50)])
    made = plan(tables, streets=streets([(0, 0), (4000, 0)]), hours=8)
    assert sorted(made.visits["building_id"]) == ["b000", "b001", "b002"]
    assert (made.visits["travel_basis"] == "streets").all()
    # There and back 3,000 ft each; each house stands 30 ft from the street, walked in and out.
    (route,) = made.routes.itertuples()
    assert route.length_ft == pytest.approx(6000 + 6 * 30, rel=1e-4)
    assert route.travel_min == pytest.approx(6000 / (20 * 88) + 180 / (3 * 88), abs=0.1)
    assert route.visit_min == 90
    assert made.left_out.empty
    assert made.problems.empty


def test_what_does_not_fit_is_left_out_with_its_reason() -> None:
    tables = town([(1000, 0), (1000, 100), (90_000, 0)], score=[0.5, 0.4, 0.9])
    made = plan(tables, hours=0.75)
    assert made.visits["building_id"].tolist() == ["b000"]
    assert made.left_out.set_index("building_id")["reason"].to_dict() == {
        "b002": "out_of_reach",
        "b001": "hours_used_up",
    }


def test_without_a_start_there_is_one_sentence() -> None:
    tables = town([(1000, 0)])
    tables["stations"] = tables["stations"].iloc[:0]
    with pytest.raises(DistrictFileError, match="No start is known") as caught:
        plan(tables)
    assert "\n" not in str(caught.value)
    assert len(plan(tables, start=(-105.0, 39.7496)).visits) == 1


def test_every_building_is_a_visit_or_left_out() -> None:
    tables = town([(400 * n, 100 * (n % 3)) for n in range(30)], score=[0.2 + 0.02 * n for n in range(30)])
    made = plan(tables, {"days.candidates_per_day": 20}, hours=4)
    ids = pd.concat([made.visits["building_id"], made.left_out["building_id"]])
    assert sorted(ids) == sorted(tables["buildings"]["building_id"])
    assert (made.left_out["reason"] == "not_a_candidate").sum() == 10
