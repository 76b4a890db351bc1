"""Inspection class, next date, state and days late; and that the score has no part in them."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.errors import RuleError
from roofplat.ranking import rank_buildings
from roofplat.ranking.inspections import inspections
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


def one(**facts: Any) -> pd.Series:
    rows = made([{"building_id": "b", **facts}])["buildings"]
    return inspections(rows, RULES, as_of=AS_OF).iloc[0]


@pytest.mark.parametrize(
    ("facts", "kind", "basis", "due", "state", "late"),
    [
        # By occupancy: three years for storage, a year for assembly.
        ({"occupancy": "S-1", "inspected_on": "2023-06-01"}, "low", "occupancy", "2026-06-01", "due", None),
        ({"occupancy": "A", "inspected_on": "2023-06-01"}, "high", "occupancy", "2024-06-01", "overdue", 579),
        # On the day itself it is not late yet, a day after it is.
        ({"occupancy": "S-1", "inspected_on": "2023-01-01"}, "low", "occupancy", "2026-01-01", "due", None),
        ({"occupancy": "S-1", "inspected_on": "2022-12-31"}, "low", "occupancy", "2025-12-31", "overdue", 1),
        # The last day of February stays one.
        ({"occupancy": "A", "inspected_on": "2024-02-29"}, "high", "occupancy", "2025-02-28", "overdue", 307),
        ({"occupancy": "S-1"}, "low", "occupancy", None, "never_inspected", None),
        # Without a class there is no cycle, inspected or not.
        ({"occupancy": "retail"}, "unknown", "unknown", None, "no_class", None),
        ({"inspected_on": "2020-01-01"}, "unknown", "unknown", None, "no_class", None),
        # What the office states outranks the occupancy, up and down.
        (
            {"occupancy": "S-1", "inspection_class": "high", "inspected_on": "2025-06-01"},
            "high", "stated", "2026-06-01", "due", None,
        ),
        (
            {"occupancy": "A-2", "inspection_class": "low", "inspected_on": "2023-06-01"},
            "low", "stated", "2026-06-01", "due", None,
        ),
        ({"inspection_class": "moderate"}, "moderate", "stated", None, "never_inspected", None),
        # A date set by the office outranks the cycle, and needs no inspection and no class.
        (
            {"occupancy": "S-1", "inspected_on": "2025-06-01", "inspect_by": "2025-09-01"},
            "low", "occupancy", "2025-09-01", "overdue", 122,
        ),
        ({"inspect_by": "2026-03-01"}, "unknown", "unknown", "2026-03-01", "due", None),
        # Until it is kept: then the cycle runs again.
        (
            {"occupancy": "S-1", "inspected_on": "2025-09-01", "inspect_by": "2025-09-01"},
            "low", "occupancy", "2028-09-01", "due", None,
        ),
    ],
)  # fmt: skip
def test_class_and_date(
    facts: dict[str, Any], kind: str, basis: str, due: str | None, state: str, late: int | None
) -> None:
    dates = {name: pd.Timestamp(facts[name]) for name in ("inspected_on", "inspect_by") if name in facts}
    row = one(**{**facts, **dates})
    assert (row["class"], row["class_basis"], row["due_state"]) == (kind, basis, state)
    assert row["next_due"] == pd.Timestamp(due) if due else pd.isna(row["next_due"])
    assert row["overdue_days"] == late if late is not None else pd.isna(row["overdue_days"])


def test_a_letter_in_two_lists_has_the_stricter_class() -> None:
    rules = load_rulebook({"inspection.class_moderate": ["S", "F"], "inspection.class_low": ["S", "A"]})
    rows = made([{"building_id": name, "occupancy": name} for name in ("A", "S")])
    found = inspections(rows["buildings"], rules, as_of=AS_OF)
    assert found["class"].tolist() == ["high", "moderate"]


def test_a_group_with_a_number_goes_before_its_letter() -> None:
    rules = load_rulebook({"inspection.class_low": ["S", "R-2"], "inspection.class_none": ["R-3", "U"]})
    groups = ["R", "R-1", "R-2", "r2", "R-3", "S-1", "U"]
    rows = made([{"building_id": name, "occupancy": name} for name in groups])["buildings"]
    found = inspections(rows, rules, as_of=AS_OF)
    assert found["class"].tolist() == ["high", "high", "low", "low", "unknown", "low", "unknown"]
    assert (found["class_basis"] == "occupancy").all()
    # Nobody waits for the inspection of a house that is not inspected.
    assert found["due_state"].tolist()[4:] == ["no_class", "never_inspected", "no_class"]


def test_a_department_changes_a_cycle() -> None:
    rules = load_rulebook({"inspection.cycle_years.low": 0.5})
    rows = made([{"building_id": "b", "occupancy": "S", "inspected_on": pd.Timestamp("2025-03-31")}])
    found = inspections(rows["buildings"], rules, as_of=AS_OF)
    assert found["next_due"].iloc[0] == pd.Timestamp("2025-09-30")


@pytest.mark.parametrize("years", [0.0, -1.0, 0.01, float("nan"), float("inf")])
def test_a_class_without_a_cycle_is_one_sentence(years: float) -> None:
    rules = load_rulebook({"inspection.cycle_years.moderate": years})
    with pytest.raises(
        RuleError,
        match=r"^Rule inspection.cycle_years.moderate is \S+ year, so .*moderate has no cycle; .*\.$",
    ):
        rank_buildings(district(3, seed=1), rules, as_of=AS_OF)


def test_the_score_and_the_class_leave_each_other_alone() -> None:
    tables = district(80, seed=12)
    columns = ["class", "class_basis", "next_due", "due_state", "overdue_days"]
    plain = rank_buildings(tables, RULES, as_of=AS_OF).set_index("building_id").sort_index()
    # Other weights turn the ranking over; classes and dates stay.
    weights = {f"ranking.weight.{name}": 0.0 for name in RANKING_FACTORS} | {
        "ranking.weight.poor_access": 1.0
    }
    turned = rank_buildings(tables, load_rulebook(weights), as_of=AS_OF).set_index("building_id").sort_index()
    assert (turned["rank"] != plain["rank"]).any()
    pd.testing.assert_frame_equal(pd.DataFrame(turned[columns]), pd.DataFrame(plain[columns]))
    # Another class and an early date turn nothing over.
    stated = tables["buildings"].assign(inspection_class="high", inspect_by=pd.Timestamp("2020-01-01"))
    strict = rank_buildings({**tables, "buildings": stated}, RULES, as_of=AS_OF)
    strict = strict.set_index("building_id").sort_index()
    assert (strict["due_state"] == "overdue").all()
    assert strict["score"].tolist() == plain["score"].tolist()
    assert strict["rank"].tolist() == plain["rank"].tolist()
