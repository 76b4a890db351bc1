"""Counts for the report, by hand."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest

from roofplat.publish.parts import Parts
from roofplat.publish.tallies import (
    among,
    area_names,
    due_by_class,
    due_by_year,
    gap_flags,
    gaps_by_area,
    gaps_first,
    known_by_basis,
    odds_by_stratum,
    reached,
    roofs_by_area,
    roofs_by_decade,
    scores_by_class,
    surveys_by_area,
)
from roofplat.rules import load_rulebook

from .conftest import AS_OF

NO = "No dispatch area"


def rows(frame: pd.DataFrame) -> dict[str, dict[str, int]]:
    """Only what is not zero, so that a test names all there is."""
    return {
        str(name): {str(key): int(value) for key, value in row.items() if value}
        for name, row in frame.to_dict("index").items()
    }


def test_among_takes_a_missing_id_for_nothing() -> None:
    own = pd.Series(["a", None, "b", "a"], dtype="str")
    assert among(own, pd.Series([None, "a", "z"], dtype="str")).tolist() == [True, False, False, True]
    assert among(own, own.iloc[:0]).tolist() == [False] * 4
    assert among(own.iloc[:0], own).tolist() == []


def test_areas_are_in_order_and_none_comes_last(tables: dict[str, Any]) -> None:
    assert list(area_names(tables["buildings"]).categories) == ["../../x", "North Side", NO]
    assert list(area_names(tables["buildings"].iloc[:2]).categories) == ["North Side"]


def test_roofs_by_what_their_family_says(tables: dict[str, Any]) -> None:
    rules = load_rulebook()
    assert rows(roofs_by_area(tables["buildings"], rules)) == {
        "../../x": {"unknown": 1},
        "North Side": {"lightweight": 2},
        NO: {"not lightweight": 1},
    }
    # A family that no rulebook knows says nothing either way.
    other = tables["buildings"].assign(roof_family="thatch")
    assert roofs_by_area(other, rules)["either"].sum() == 4


def test_decades_from_the_first_to_the_last_and_years_apart() -> None:
    frame = pd.DataFrame(
        {
            "year_built": pd.array([1650, 1899, 1900, 1929, 1960, 2026, 2027, None], dtype="Int64"),
            "roof_family": ["unknown"] * 8,
        }
    )
    found = roofs_by_decade(frame, load_rulebook(), as_of=datetime.date(2026, 6, 1))
    assert list(found.index) == [
        "before 1900", "1900s", "1910s", "1920s", "1930s", "1940s", "1950s", "1960s", "1970s", "1980s",
        "1990s", "2000s", "2010s", "2020s", "after 2026", "not known",
    ]  # fmt: skip
    assert {name: row["unknown"] for name, row in rows(found).items() if row} == {
        "before 1900": 2, "1900s": 1, "1920s": 1, "1960s": 1, "2020s": 1, "after 2026": 1, "not known": 1,
    }  # fmt: skip
    assert list(roofs_by_decade(frame.iloc[7:], load_rulebook(), as_of=AS_OF).index) == ["not known"]


def test_surveys_age_from_never_to_what_counts_in_full() -> None:
    days = ["2025-12-31", "2026-02-01", "2024-12-30", "2023-01-01", "2018-01-01", "2015-01-01", None]
    frame = pd.DataFrame(
        {
            "surveyed_on": pd.to_datetime(pd.Series(days)),
            "dispatch_area": pd.Series(["East"] * 7, dtype="str"),
        }
    )
    rules = load_rulebook({"ranking.stale_full_years": 10.0})
    found = surveys_by_area(frame, rules, as_of=AS_OF)
    assert list(found.columns) == [
        "never", "under 1 year", "1 to 2 years", "2 to 5 years", "5 to 10 years", "10 years and more",
    ]  # fmt: skip
    assert found.loc["East"].tolist() == [1, 2, 1, 1, 1, 1]
    short = surveys_by_area(frame, load_rulebook({"ranking.stale_full_years": 2.0}), as_of=AS_OF)
    assert short.loc["East"].to_dict() == {
        "never": 1, "under 1 year": 2, "1 to 2 years": 1, "2 years and more": 3,
    }  # fmt: skip


def test_a_basis_is_counted_where_there_is_one(tables: dict[str, Any], mixed: dict[str, Any]) -> None:
    found = rows(known_by_basis(Parts.of(tables)))
    assert found["Roof family"] == {"surveyed": 1, "recorded": 1, "inferred": 1, "assumed": 1}
    assert found["Height"] == {"surveyed": 1, "assumed": 1, "not stated": 2}
    assert "Planes" not in found  # there is none
    assert rows(known_by_basis(Parts.of(mixed)))["Slope"] == {"assumed": 1, "not stated": 3}


def test_scores_from_high_to_low() -> None:
    frame = pd.DataFrame({"score": [1.0, 0.95, 0.79999, 0.5], "class": ["high", "low", None, "moderate"]})
    found = scores_by_class(frame)
    assert list(found.index) == ["0.9 to 1.0", "0.8 to 0.9", "0.7 to 0.8", "0.6 to 0.7", "0.5 to 0.6"]
    assert rows(found) == {
        "0.9 to 1.0": {"high": 1, "low": 1},
        "0.8 to 0.9": {},
        "0.7 to 0.8": {"unknown": 1},
        "0.6 to 0.7": {},
        "0.5 to 0.6": {"moderate": 1},
    }
    assert scores_by_class(frame.iloc[:0]).empty


def test_overdue_is_not_the_same_as_no_record() -> None:
    due = ["2011-05-01", "2025-12-31", "2026-01-01", "2026-09-01", "2050-01-01", None, None]
    ids = pd.Series([f"{n}" for n in range(7)], dtype="str")
    ranking = pd.DataFrame({"building_id": ids, "next_due": pd.to_datetime(pd.Series(due))})
    inspected = pd.to_datetime(pd.Series(["2020-01-01"] * 6 + [None]))
    buildings = pd.DataFrame({"building_id": ids, "inspected_on": inspected})
    found = due_by_year(ranking, buildings, as_of=AS_OF)
    assert {name: row for name, row in rows(found).items() if row} == {
        "2018 and before": {"overdue": 1},
        "2025": {"overdue": 1},
        "2026": {"to come": 2},
        "2034 and after": {"to come": 1},
        "class unknown": {"no date": 1},
        "no record": {"no date": 1},
    }
    # Every year between is there, and the rows without a date come last.
    assert list(found.index[:3]) == ["2018 and before", "2019", "2020"]
    assert list(found.index[-3:]) == ["2034 and after", "class unknown", "no record"]
    nothing = due_by_year(ranking.iloc[5:], buildings, as_of=AS_OF)
    assert list(nothing.index) == ["class unknown", "no record"]


def test_every_class_tells_what_is_overdue() -> None:
    states = ["overdue", "overdue", "due", "never_inspected", "no_class", None]
    frame = pd.DataFrame({"class": ["high", "low", "high", "high", None, "low"], "due_state": states})
    assert rows(due_by_class(frame)) == {
        "high": {"overdue": 1, "not yet due": 1, "no inspection on record": 1},
        "low": {"overdue": 1},
        "unknown": {"no class, so no date": 1},
    }
    assert due_by_class(frame.iloc[:0]).empty


def test_odds_of_a_stratum_without_unseen_roofs_help_nobody() -> None:
    families = ["panelized_wood", "concrete_deck", "timber_of_ours"]
    ours = {"label": "Ours", "framing": "walls", "severity": 0.5, "methods": ["do_not_cut"], "trench": []}
    rules = load_rulebook(None, {"timber_of_ours": {**ours, "caution": "Look."}})
    odds = pd.DataFrame(
        {
            "stratum": ["b"] * 3 + ["a"] * 3 + ["c"] * 3,
            "roof_family": families * 3,
            "surveyed": [2, 0, 1, 0, 0, 0, 4, 0, 0],
            "chance": [0.5, 0.3, 0.2, 0.1, 0.45, 0.45, 1.0, 0.0, 0.0],
            "low": [0.2] * 9,
            "high": [0.9] * 9,
        }
    )
    bases = ["surveyed", "recorded", None, "assumed", "surveyed"]
    buildings = pd.DataFrame({"stratum": ["b", "b", "b", "a", "c"], "family_basis": bases})
    found = odds_by_stratum(odds, buildings, rules)
    assert found[["stratum", "buildings", "unseen", "surveyed"]].to_numpy().tolist() == [
        ["b", 3, 2, 3],
        ["a", 1, 1, 0],
    ]
    # A family that the department leaves open counts as its rule says, half.
    assert found["lightweight"].tolist() == pytest.approx([0.5 + 0.2 / 2, 0.1 + 0.45 / 2])
    assert found["families"][1] == [
        ("concrete_deck", 0.45, 0.2, 0.9),
        ("timber_of_ours", 0.45, 0.2, 0.9),
        ("panelized_wood", 0.1, 0.2, 0.9),
    ]
    assert odds_by_stratum(odds.iloc[:0], buildings.iloc[:0], rules).empty


def test_gaps_of_each_building(tables: dict[str, Any], mixed: dict[str, Any]) -> None:
    flags = gap_flags(tables)
    assert {key: flags[key].tolist() for key in flags} == {
        "survey": [False, True, True, True],
        "family": [False, False, True, False],
        "height": [False, True, True, True],
        "axis": [False, True, False, False],
        "spacing": [False, False, False, False],
        "address": [False, False, True, False],
        "year": [False, True, True, True],
        "inspection": [False, True, True, True],
        "ladder": [False, False, True, True],
    }
    # An aerial reaches a building; a spot out of reach does not.
    assert reached(mixed["buildings"], mixed["ladders"]).tolist() == [True, True, False, False]
    assert set(gap_flags({"buildings": tables["buildings"]})) == {
        "survey", "family", "height", "address", "year", "inspection",
    }  # fmt: skip


def test_gaps_by_area_add_up(tables: dict[str, Any]) -> None:
    flags = gap_flags(tables)
    found = gaps_by_area(flags, tables["buildings"])
    assert found.loc["North Side"].to_dict() == {
        "buildings": 2, "survey": 1, "family": 0, "height": 1, "axis": 1, "spacing": 0, "address": 0,
        "year": 1, "inspection": 1, "ladder": 0,
    }  # fmt: skip
    assert found["buildings"].sum() == len(tables["buildings"])
    assert (found.drop(columns="buildings").sum() == flags.sum()).all()


@pytest.mark.parametrize("first", [1, 2, 4])
def test_the_gap_to_close_first_touches_most_of_the_high_ranked(tables: dict[str, Any], first: int) -> None:
    buildings = tables["buildings"]
    ranks = pd.Series([2, 1, 4, 3], dtype="Int64")
    ranking = pd.DataFrame({"building_id": buildings["building_id"], "rank": ranks})
    flags = gap_flags(tables)
    found = gaps_first(flags, buildings, ranking, first=first)
    high = flags[(ranks <= first).to_numpy()]
    assert found["high"].to_dict() == {key: high[key].sum() for key in found.index}
    assert found["high"].is_monotonic_decreasing
    assert "spacing" not in found.index  # nobody has that gap
    if first == 1:
        # The joinery alone: no survey, height, axis, year, inspection; the rest is nobody's.
        assert found.index[:5].tolist() == ["survey", "height", "year", "inspection", "axis"]
        assert found.loc["survey", "area"] == "North Side"
        assert found.loc["ladder"].tolist() == [0, 2, ""]
