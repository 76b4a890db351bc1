"""Days of inspection as a whole: limits kept, musts and due dates honoured, nothing lost.

In: small towns worked out by hand, and random ones.
Out: plans.
"""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.ranking.days.town import FOOT, GROUND, stations, streets, town

from roofplat.errors import DistrictFileError
from roofplat.ranking.days import DayPlan, plan_days
from roofplat.rules import load_rulebook
from roofplat.tables import DAY_TABLES

MONDAY = datetime.date(2026, 6, 1)
# Scores as they are, visits of half an hour whatever the size, no break, and few rounds: these towns are
# small.
PLAIN = {
    "days.score_power": 1.0,
    "days.visit_min_per_1000_ft2": 0.0,
    "days.break_min": 0.0,
    "days.solver_rounds": 0.5,
}


def plan(tables: dict[str, Any], rules: dict[str, Any] | None = None, **asked: Any) -> DayPlan:
    words = {"start_on": MONDAY, "days": 1, "inspectors": 1, "ground": GROUND, "streets": None} | asked
    return plan_days(tables, load_rulebook({**PLAIN, **(rules or {})}), **words)


def reasons(made: DayPlan) -> dict[str, str]:
    return dict(zip(made.left_out["building_id"], made.left_out["reason"], strict=True))


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
    assert route.geometry.length / FOOT / 0.9996 == pytest.approx(route.length_ft, abs=1)
    assert made.left_out.empty
    assert made.problems.empty
    assert made.summary["ways_by_streets"] == 3


def test_the_tables_are_those_of_the_contract() -> None:
    made = plan(town([(1000, 0), (2000, 0)]), hours=0.75)
    assert list(made.visits.columns) == list(DAY_TABLES["visits"].columns)
    assert list(made.left_out.columns) == list(DAY_TABLES["left_out"].columns)
    assert list(made.routes.columns) == [*DAY_TABLES["routes"].columns, "geometry"]
    assert made.routes.crs == "EPSG:32613"


def test_what_does_not_fit_is_left_out_with_its_reason() -> None:
    tables = town([(1000, 0), (1000, 100), (90_000, 0)], score=[0.5, 0.4, 0.9])
    made = plan(tables, hours=0.75)
    assert made.visits["building_id"].tolist() == ["b000"]
    assert reasons(made) == {"b002": "out_of_reach", "b001": "hours_used_up"}
    # The never inspected count half as much again: 60 points in half an hour against 75.
    (why,) = made.left_out.loc[made.left_out["building_id"] == "b001", "why"]
    assert "brings 120 points an hour, those planned 150 on average" in why
    assert made.summary["left_out"] == {"out_of_reach": 1, "hours_used_up": 1}


def test_the_first_station_by_name_is_the_start() -> None:
    tables = town([(1000, 0)])
    tables["stations"] = stations((50_000, 0), (0, 0), (9000, 0), names=["Station 2", "Station 1", None])
    made = plan(tables)
    assert made.summary["start_name"] == "Station 1"
    assert made.visits["travel_ft"].tolist() == pytest.approx([1300], rel=1e-4)
    # A point that is given beats it.
    given_start = plan(tables, start=tuple(made.summary["start"]))
    assert given_start.visits["travel_ft"].tolist() == pytest.approx([1300], rel=1e-4)
    assert "," in given_start.summary["start_name"]


@pytest.mark.parametrize(
    ("start", "says"),
    [
        (None, "No start is known"),
        ((40.0, -105.0), "The start 40,-105 is no place"),
        ((-105.0, float("nan")), "is no place"),
        ((-15.0, 0.0), "too far from the district"),
    ],
)
def test_without_a_start_there_is_one_sentence(start: Any, says: str) -> None:
    tables = town([(1000, 0)])
    tables["stations"] = tables["stations"].iloc[:0]
    with pytest.raises(DistrictFileError, match=says) as caught:
        plan(tables, start=start)
    assert "\n" not in str(caught.value)


def test_a_must_is_visited_though_it_is_worth_least() -> None:
    tables = town([(1000, 0), (1000, 100), (1000, 200)], score=[0.9, 0.8, 0.01])
    made = plan(tables, hours=0.75, must=["b002"])
    assert made.visits["building_id"].tolist() == ["b002"]
    assert made.visits["must"].tolist() == [True]
    assert "must be visited" in made.visits["why"].iloc[0]
    assert made.problems.empty
    assert (made.summary["musts"], made.summary["musts_visited"]) == (1, 1)


def test_a_must_that_cannot_fit_is_a_problem_row_that_says_why() -> None:
    tables = town([(1000, 0), (1000, 100), (200_000, 0)], score=[0.9, 0.8, 0.7])
    made = plan(tables, hours=0.75, must=["b002", "b001", "b000"])
    assert len(made.visits) == 1
    problems = made.problems.set_index("feature")
    (left,) = {"b000", "b001"} - set(made.visits["building_id"])
    assert reasons(made) == {left: "must_does_not_fit", "b002": "out_of_reach"}
    assert problems["code"].to_dict() == {left: "must_not_planned", "b002": "must_not_planned"}
    assert (problems["severity"] == "error").all()
    assert "beside the others that must" in problems.loc[left, "message"]
    assert "take longer than the 0.75 hours" in problems.loc["b002", "message"]


def test_a_date_within_the_plan_is_kept() -> None:
    """One visit a day: the one due on Tuesday is made by then, though it is worth less than the others."""
    tables = town(
        [(1000, 0), (1000, 100), (1000, 200), (1000, 300)],
        score=[0.9, 0.85, 0.8, 0.7],
        next_due=["2030-01-01", "2030-01-01", "2030-01-01", "2026-06-02"],
    )
    made = plan(tables, days=3, hours=0.75)
    visits = made.visits.set_index("building_id")
    assert set(visits.index) == {"b000", "b001", "b003"}
    assert visits.loc["b003", "day"] <= pd.Timestamp("2026-06-02")
    assert "inspection due by 2026-06-02" in visits.loc["b003", "why"]
    # The most valuable is first, and the dated one second, where it still is in time.
    assert made.visits["building_id"].tolist() == ["b000", "b003", "b001"]


def test_a_date_that_cannot_be_kept_is_told_of() -> None:
    tables = town([(1000, 0), (1000, 100)], score=[0.9, 0.5], next_due=["2026-06-01", "2026-06-01"])
    made = plan(tables, days=2, hours=0.75)
    # There is a second day, but it is too late then.
    assert made.visits["building_id"].tolist() == ["b000"]
    (problem,) = made.problems.itertuples()
    assert (problem.feature, problem.code, problem.severity) == ("b001", "due_not_planned", "warning")
    assert "falls due on 2026-06-01" in problem.message


def test_overdue_goes_before_equal_risk() -> None:
    tables = town([(1000, 0), (1000, 100)], next_due=["2030-01-01", "2024-06-01"])
    made = plan(tables, hours=0.75)
    assert made.visits["building_id"].tolist() == ["b001"]
    assert "inspection overdue since 2024-06-01" in made.visits["why"].iloc[0]
    assert made.visits["due_state"].tolist() == ["overdue"]


def test_the_break_moves_the_clock_and_takes_no_planned_time() -> None:
    tables = town([(100, 0)] * 8, ids=[f"b{n}" for n in range(8)])
    rules = {"days.break_min": 45.0, "days.break_after_min": 100.0}
    made = plan(tables, rules, hours=4.25)
    plain = plan(tables, hours=4.25)
    assert len(made.visits) == len(plain.visits) == 8
    moved = made.visits["arrive_min"] - plain.visits["arrive_min"]
    # Three visits of half an hour are over at 90 minutes; the fourth would pass the hundred.
    assert moved.tolist() == [0.0] * 3 + [45.0] * 5
    assert made.routes["back_min"].iloc[0] - plain.routes["back_min"].iloc[0] == 45.0
    assert made.visits["leave_min"].iloc[2] <= 8 * 60 + 100
    short = plan(tables, rules, hours=1.5)
    assert short.visits["arrive_min"].tolist() == plan(tables, hours=1.5).visits["arrive_min"].tolist()


def test_nothing_at_all_to_plan() -> None:
    none = plan(town([]))
    assert none.visits.empty
    assert none.routes.empty
    assert none.problems.empty
    assert none.summary["value"] == 0
    far = plan(town([(900_000, 0)]), hours=1)
    assert far.visits.empty
    assert far.problems["code"].tolist() == ["nothing_planned"]
    assert reasons(far) == {"b000": "out_of_reach"}


def test_hours_that_the_weighed_buildings_do_not_fill_are_told_of() -> None:
    tables = town([(100 * n, 0) for n in range(9)])
    made = plan(tables, {"days.candidates_per_day": 5}, hours=8)
    assert len(made.visits) == 5
    assert made.problems["code"].tolist() == ["hours_left"]
    assert "4 were not weighed" in made.problems["message"].iloc[0]
    assert plan(tables, hours=8).problems.empty


def test_a_plan_says_what_it_rests_on() -> None:
    tables = town([(1000, 0), (2000, 0)], known={"occupancy": ["retail", "B"]})
    made = plan(tables, inspectors=2, days=2, hours=3)
    assert made.summary["days"] == ["2026-06-01", "2026-06-02"]
    assert (made.summary["inspectors"], made.summary["hours"], made.summary["hours_there"]) == (2, 3.0, 12.0)
    assert made.summary["visits_assumed"] == 1
    assert made.summary["value"] == made.summary["candidates_value"] == made.summary["all_value"] == 150.0
    assert made.summary["greedy_value"] <= made.summary["value"]
    assert "straight line times 1.3" in made.summary["travel"]
    assert "greedy plan" in made.summary["solver"]
    assert made.summary["hours_used"] == pytest.approx(
        (made.routes["travel_min"].sum() + made.routes["visit_min"].sum()) / 60
    )


def random_town(seed: int, count: int) -> tuple[dict[str, Any], Any, list[str]]:
    """Houses by a grid of streets, some of them far off; scores, dates and occupancies at random."""
    random = np.random.default_rng(seed)
    places = [tuple(place) for place in random.uniform(0, 6000, (count, 2)).round(1)]
    dates = [None if random.random() < 0.4 else f"2026-06-{random.integers(1, 9):02d}" for _ in range(count)]
    known = {"occupancy": random.choice(["A-2", "B", "S-1", "retail"], count).tolist()}
    tables = town(places, score=random.uniform(0.1, 0.9, count).tolist(), next_due=dates, known=known)
    lines = [[(0, 1500 * k), (4000, 1500 * k)] for k in range(4)]
    lines += [[(1300 * k, 0), (1300 * k, 4500)] for k in range(3)]
    ids = tables["buildings"]["building_id"].tolist()
    return tables, streets(*lines), sorted(random.choice(ids, min(2, count), replace=False).tolist())


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    count=st.integers(1, 18),
    days=st.integers(1, 3),
    inspectors=st.integers(1, 2),
    hours=st.floats(0.6, 4.0),
    with_streets=st.booleans(),
)
def test_laws_of_a_plan(
    seed: int, count: int, days: int, inspectors: int, hours: float, with_streets: bool
) -> None:
    tables, lines, must = random_town(seed, count)
    made = plan(
        tables,
        {"days.break_min": 30.0, "days.break_after_min": 60.0},
        days=days,
        inspectors=inspectors,
        hours=hours,
        must=must,
        streets=lines if with_streets else None,
    )
    visits = made.visits
    # No building twice, and none lost.
    ids = pd.concat([visits["building_id"], made.left_out["building_id"]])
    assert sorted(ids) == sorted(tables["buildings"]["building_id"])
    # A date within the plan is kept.
    last = pd.Timestamp(made.summary["days"][-1])
    dated = visits[visits["due_state"].eq("due") & visits["next_due"].le(last)]
    assert (dated["day"] <= dated["next_due"]).all()
    # What must be is there, or a problem says why not.
    told = set(made.problems.loc[made.problems["code"] == "must_not_planned", "feature"])
    assert set(must) == set(visits.loc[visits["must"], "building_id"]) | told
    # Never worse than greedy.
    assert made.summary["value"] >= made.summary["greedy_value"] or told
    assert made.summary["value"] == pytest.approx(visits["value"].sum(), abs=0.01)
    # Each day adds up, and none is longer than its hours.
    assert len(made.routes) <= days * inspectors
    for route in made.routes.itertuples():
        own = visits[(visits["day"] == route.day) & (visits["inspector"] == route.inspector)]
        assert own["seq"].tolist() == list(range(1, route.visits + 1))
        assert route.travel_min + route.visit_min <= hours * 60 + 1e-6
        pause = route.back_min - route.out_min - route.travel_min - route.visit_min
        assert pause == pytest.approx(30 if route.travel_min + route.visit_min > 60 else 0, abs=1e-6)
        waits = own["arrive_min"].to_numpy() - own["travel_min"].to_numpy()
        waits = waits - np.concatenate([[route.out_min], own["leave_min"].to_numpy()[:-1]])
        assert set(waits.round(6)) <= {0.0, 30.0}
        assert (waits > 1).sum() <= 1
        np.testing.assert_allclose(own["leave_min"] - own["arrive_min"], own["visit_min"])
        assert route.value == pytest.approx(own["value"].sum(), abs=0.01)
        assert shapely.is_valid(route.geometry)
        assert route.geometry.coords[0] == pytest.approx(route.geometry.coords[-1])


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_the_order_of_rows_does_not_matter(seed: int) -> None:
    tables, lines, must = random_town(seed, 14)
    shuffled = {name: frame.sample(frac=1, random_state=seed) for name, frame in tables.items()}
    asked = {"days": 2, "inspectors": 2, "hours": 1.5, "must": must}
    one = plan(tables, streets=lines, **asked)
    other = plan(shuffled, streets=lines.sample(frac=1, random_state=seed + 1), **asked)
    assert one.visits.equals(other.visits)
    assert one.left_out.equals(other.left_out)
    assert one.routes.equals(other.routes)
    assert one.summary == other.summary
