"""The days and hours of a plan.

In: dates, counts and hours, right and wrong.
Out: working days, or one sentence.
"""

from __future__ import annotations

import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import DistrictFileError, RuleError
from roofplat.ranking.days.settings import Frame, positive, time_frame
from roofplat.rules import load_rulebook

BOOK = load_rulebook()


def frame(rules: dict[str, Any] | None = None, **asked: Any) -> Frame:
    words = {"start_on": datetime.date(2026, 6, 5), "days": 3, "inspectors": 2, "hours": 7.5} | asked
    return time_frame(load_rulebook(rules) if rules else BOOK, **words)


def test_weekends_are_skipped() -> None:
    made = frame()
    assert [f"{day:%a %d}" for day in made.days] == ["Fri 05", "Mon 08", "Tue 09"]
    assert made.routes == 6
    assert made.work_s == 27_000


def test_a_department_may_work_on_other_days() -> None:
    made = frame({"days.work_days": ["Saturday", "Wednesday"]})
    assert [f"{day:%a %d}" for day in made.days] == ["Sat 06", "Wed 10", "Sat 13"]


def test_without_hours_the_rule_counts() -> None:
    assert frame({"days.hours": 6.0}, hours=None).work_s == 21_600


@given(st.dates(datetime.date(2000, 1, 1), datetime.date(2100, 1, 1)), st.integers(1, 60))
def test_working_days_are_in_order_and_none_is_before_the_first(start: datetime.date, count: int) -> None:
    days = frame(start_on=start, days=count).days
    assert len(days) == count
    assert days[0] >= start
    assert list(days) == sorted(set(days))
    assert all(day.weekday() < 5 for day in days)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"days": 0}, "0 days cannot be planned"),
        ({"days": 1000}, "at most 366"),
        ({"inspectors": 0}, "0 inspectors can visit nothing"),
        ({"inspectors": -1}, "-1 inspectors"),
        ({"inspectors": 1_000_000}, "3 days of 1000000 inspectors are more than one plan holds"),
        ({"hours": 0.0}, "0 hours a day"),
        ({"hours": -2.0}, "-2 hours a day"),
        ({"hours": 25.0}, "25 hours a day"),
        ({"hours": float("nan")}, "nan hours a day"),
        ({"hours": 20.0}, "past midnight"),
        ({"start_on": datetime.date(9999, 12, 30)}, "end of the calendar"),
    ],
)
def test_what_cannot_be_planned_is_one_sentence(asked: dict[str, Any], says: str) -> None:
    with pytest.raises(DistrictFileError, match=says) as caught:
        frame(**asked)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("rules", "says"),
    [
        ({"days.work_days": []}, "is empty"),
        ({"days.work_days": ["Monday", "Funday"]}, "names 'Funday'"),
        ({"days.hours": 0.0}, "days.hours is 0 h"),
        ({"days.break_min": -5}, "days.break_min is -5"),
        ({"days.start_min_of_day": -1}, "days.start_min_of_day is -1"),
    ],
)
def test_a_rule_that_cannot_be_is_one_sentence(rules: dict[str, Any], says: str) -> None:
    with pytest.raises(RuleError, match=says) as caught:
        frame(rules, hours=None)
    assert "\n" not in str(caught.value)


def test_a_rule_may_have_a_least_value() -> None:
    rules = load_rulebook({"days.due_value": 0.0, "days.detour_factor": 1.0})
    assert positive(rules, "days.due_value", zero=True) == 0.0
    assert positive(rules, "days.detour_factor", least=1.0) == 1.0
    with pytest.raises(RuleError, match="more than zero"):
        positive(rules, "days.due_value")
