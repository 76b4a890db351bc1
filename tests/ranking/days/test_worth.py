"""What a visit is worth, how long it takes, by when it has to be; which buildings are weighed.

In: towns whose figures one can work out by hand.
Out: points, seconds, days.
"""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.ranking.days.town import town

from roofplat.errors import DistrictFileError, RuleError
from roofplat.ranking.days.settings import Frame, time_frame
from roofplat.ranking.days.worth import candidates, check_must, worth_of_visits
from roofplat.rules import Rulebook, load_rulebook

# Scores as they are: figures that one can work out by hand.
PLAIN = {"days.score_power": 1.0}
BOOK = load_rulebook(PLAIN)
# Monday to Friday.
WEEK = time_frame(BOOK, start_on=datetime.date(2026, 6, 1), days=5, inspectors=1, hours=8)


def worth(
    tables: dict[str, Any], rules: Rulebook = BOOK, frame: Frame = WEEK, must: tuple[str, ...] = ()
) -> pd.DataFrame:
    return worth_of_visits(tables, rules, frame, must=must).set_index("building_id")


def row_of(count: int) -> list[tuple[float, float]]:
    return [(100.0 * n, 0.0) for n in range(count)]


def test_due_states_and_what_they_add() -> None:
    dates = ["2025-06-01", "2026-05-31", "2026-06-01", "2026-06-05", "2026-06-06", None, None, "2000-01-01"]
    classes = ["low"] * 6 + ["unknown", "low"]
    found = worth(town(row_of(8), next_due=dates, known={"class": classes}))
    assert found["due_state"].tolist() == [
        "overdue", "overdue", "due", "due", "due", "never_inspected", "no_class", "overdue"
    ]  # fmt: skip
    # 50 points for a score of 0.5. A year overdue adds a quarter to the half; a day hardly anything; and
    # a quarter of a century no more than the whole.
    year, day = 0.5 + 0.25 * 365 / 365.25, 0.5 + 0.25 / 365.25
    bonus = [year, day, 0.25, 0.25, 0.0, 0.5, 0.0, 1.0]
    assert found["value"].tolist() == pytest.approx([50 * (1 + more) for more in bonus], abs=0.006)
    assert found["in_window"].tolist() == [False, False, True, True, False, False, False, False]
    assert found["latest_day"].tolist() == [4, 4, 0, 4, 4, 4, 4, 4]


def test_the_first_of_the_ranking_stand_out_by_the_power_of_their_scores() -> None:
    tables = town(row_of(2), score=[0.8, 0.4], known={"class": ["unknown"] * 2})
    assert worth(tables)["value"].tolist() == [80.0, 40.0]
    assert worth(tables, load_rulebook({"days.score_power": 2.0}))["value"].tolist() == [64.0, 16.0]
    assert worth(tables, load_rulebook({"days.score_power": 3.0}))["value"].tolist() == [51.2, 6.4]


def test_a_date_on_a_weekend_is_kept_on_the_friday_before() -> None:
    ten = time_frame(BOOK, start_on=datetime.date(2026, 6, 1), days=10, inspectors=1, hours=8)
    found = worth(town(row_of(2), next_due=["2026-06-07", "2026-06-08"]), frame=ten)
    assert found["latest_day"].tolist() == [4, 5]


def test_a_date_before_the_first_working_day_is_overdue() -> None:
    """Asked for from a Saturday, due on the Sunday: no working day is left."""
    frame = time_frame(BOOK, start_on=datetime.date(2026, 6, 6), days=2, inspectors=1, hours=8)
    found = worth(town(row_of(1), next_due=["2026-06-07"]), frame=frame)
    assert found["due_state"].tolist() == ["overdue"]
    assert found["latest_day"].tolist() == [1]


def test_a_visit_is_as_long_as_its_occupancy_and_size() -> None:
    known = {
        "occupancy": ["B", "S-1", "retail", None, "A-2", "U"],
        "storeys": [1, 3, None, 1, 1, 0],
        "area_ft2": [1000.0, 10_000.0, 2000.0, 0.0, 900_000.0, 500.0],
    }
    found = worth(town(row_of(6), known=known))
    assert (found["visit_s"] / 60).tolist() == [31, 75, 47, 45, 240, 20.5]
    assert found["visit_assumed"].tolist() == [False, False, True, True, False, False]


def test_what_a_department_says_of_visits_counts() -> None:
    rules = load_rulebook({"days.visit_min.B": 10.0, "days.visit_min_per_1000_ft2": 0.0})
    assert worth(town(row_of(1)), rules)["visit_s"].tolist() == [600]


@pytest.mark.parametrize(
    ("rule", "value"),
    [("visit_min.B", 0.0), ("visit_longest_min", -1.0), ("overdue_value", -0.1), ("due_value", -1.0),
     ("visit_min_per_1000_ft2", -1.0), ("overdue_value_most", -1.0), ("never_inspected_value", -0.5),
     ("overdue_value_per_year", float("inf")), ("score_power", 0.0)],
)  # fmt: skip
def test_a_rule_that_cannot_be_is_one_sentence(rule: str, value: float) -> None:
    with pytest.raises(RuleError, match=rule) as caught:
        worth(town(row_of(1)), load_rulebook({f"days.{rule}": value}))
    assert "\n" not in str(caught.value)


@given(st.lists(st.integers(-4000, 4000), min_size=2, max_size=8))
def test_the_longer_overdue_the_more_it_is_worth(days: list[int]) -> None:
    dates = [(pd.Timestamp("2026-06-01") + pd.Timedelta(days=day)).strftime("%Y-%m-%d") for day in days]
    found = worth(town(row_of(len(days)), next_due=dates))
    late = found[found["due_state"] == "overdue"].sort_values("next_due")
    assert late["value"].is_monotonic_decreasing
    assert (found["value"] >= 50).all()
    assert (found["value"] <= 100).all()


def test_ids_asked_for_are_taken_once_and_strange_ones_refused() -> None:
    known = pd.Series(["MB-0001", "MB-0002", "MB-0003"])
    assert check_must(["MB-0002", "MB-0001", "MB-0002"], known) == ["MB-0002", "MB-0001"]
    with pytest.raises(DistrictFileError, match="no building 'MB-002'; the nearest are MB-0002"):
        check_must(["MB-002"], known)
    with pytest.raises(DistrictFileError, match="'x' and 1 more of those that must be visited; ranking"):
        check_must(["x", "MB-0001", "y"], known)


def test_candidates_are_musts_then_value_and_value_for_time_in_turn() -> None:
    # Value falls with the number; the last ones are short visits, the first one is very long.
    known = {"area_ft2": [200_000.0, 9000.0, 9000.0, 9000.0, 9000.0, 9000.0], "occupancy": list("BBBUUB")}
    tables = town(row_of(6), score=[0.9, 0.8, 0.7, 0.6, 0.5, 0.4], known=known)

    def weighed(most: int, *must: str) -> list[str]:
        rules = load_rulebook({**PLAIN, "days.candidates_most": most})
        found = worth_of_visits(tables, rules, WEEK, must=must)
        return found.loc[candidates(found, rules, WEEK), "building_id"].tolist()

    assert weighed(1) == ["b000"]
    # The best for its time is b003, a short visit.
    assert weighed(2) == ["b000", "b003"]
    assert weighed(1, "b005") == ["b005"]
    assert weighed(2, "b005", "b004") == ["b004", "b005"]
    with pytest.raises(DistrictFileError, match="2 buildings must be visited, but one plan weighs 1"):
        weighed(1, "b005", "b004")
    assert weighed(300) == [f"b00{n}" for n in range(6)]


def test_what_must_be_visited_is_weighed_though_the_days_are_few() -> None:
    rules = load_rulebook({"days.candidates_per_day": 1})
    one = time_frame(rules, start_on=datetime.date(2026, 6, 1), days=1, inspectors=1, hours=8)
    found = worth_of_visits(town(row_of(4)), rules, one, must=("b001", "b003"))
    assert found.loc[candidates(found, rules, one), "building_id"].tolist() == ["b001", "b003"]


def test_candidates_are_counted_by_inspectors_and_days() -> None:
    rules = load_rulebook({"days.candidates_per_day": 2})
    two = time_frame(rules, start_on=datetime.date(2026, 6, 1), days=2, inspectors=2, hours=8)
    found = worth_of_visits(town(row_of(20)), rules, two, must=())
    assert candidates(found, rules, two).sum() == 8
    # All alike: the lowest ids.
    assert found.loc[candidates(found, rules, two), "building_id"].tolist() == [f"b00{n}" for n in range(8)]
