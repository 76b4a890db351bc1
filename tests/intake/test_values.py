"""Values that cannot be understood are left out and named, never guessed at."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from roofplat.errors import RuleError
from roofplat.intake.values import typed
from roofplat.rules import Rulebook, load_rulebook


def _one(value: object, field: str, rules: Rulebook) -> tuple[object, list[str]]:
    result = typed(pd.Series([value], dtype=object), field, rules)
    return result.cells.iloc[0], [fault.code for fault in result.faults]


@pytest.mark.parametrize(
    ("field", "value", "wanted"),
    [
        ("height_ft", "24.5", 24.5),
        ("height_ft", 24, 24.0),
        ("year_built", "1987", 1987),
        ("year_built", "1987-06-01", 1987),
        ("storeys", "2.0", 2),
        ("sprinklered", "Y", True),
        ("sprinklered", 0, False),
        ("sprinklered", "FALSE", False),
        ("framing_axis_deg", 270, 90.0),
        ("sounding_walk_deg", 270, 270.0),
        ("bearing_walls", "a, c", "AC"),
        ("bearing_walls", "ALL", "all"),
        ("roof_family", "Panelized Wood", "panelized_wood"),
        ("panel_type", "Early-Heavy", "early_heavy"),
        ("inspected_on", "2019", pd.Timestamp("2019-01-01")),
        ("inspected_on", "2019/05/02", pd.Timestamp("2019-05-02")),
        ("inspected_on", "2019-05-02T23:30:00-07:00", pd.Timestamp("2019-05-03 06:30")),
        ("inspect_by", "2999-01-01", pd.Timestamp("2999-01-01")),  # what is planned lies ahead
        ("inspection_class", "High", "high"),
        ("roof_shape", "Gabled", "gabled"),
        ("roof_shape", "half-hipped", "other"),
        ("slope_deg", 0, 0.0),
        ("slope_deg", 89, 89.0),
        ("roof_height_ft", 0, 0.0),
        ("ridge_deg", 350, 170.0),
        ("ridge_deg", "ENE", 67.5),
        ("downslope_deg", 360, 0.0),
        ("downslope_deg", "nnw", 337.5),
        ("downslope_deg", "south", 180.0),
        ("ridge_runs", "Along", "along"),
        ("name", "  Mill ", "Mill"),
    ],
)
def test_understood(field: str, value: object, wanted: object, rules: Rulebook) -> None:
    assert _one(value, field, rules) == (wanted, [])


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("height_ft", "12 ft", "wrong_type"),
        ("height_ft", "n/a", "wrong_type"),
        ("height_ft", math.inf, "wrong_type"),
        ("height_ft", True, "wrong_type"),
        ("height_ft", 2, "out_of_range"),
        ("height_ft", 1501, "out_of_range"),
        ("year_built", 1499, "out_of_range"),
        ("year_built", pd.Timestamp.now().year + 2, "out_of_range"),
        ("storeys", 201, "out_of_range"),
        ("storeys", 2.5, "wrong_type"),
        ("beam_spacing_ft", 0.4, "out_of_range"),
        ("beam_spacing_ft", 0, "out_of_range"),
        ("rafter_spacing_ft", 0.0, "out_of_range"),
        ("slope_deg", 90, "out_of_range"),
        ("slope_deg", -5, "out_of_range"),
        ("roof_height_ft", -1, "out_of_range"),
        ("ridge_deg", 361, "out_of_range"),
        ("downslope_deg", "uphill", "wrong_type"),
        ("roof_shape", "pointy", "unknown_value"),
        ("ridge_runs", "diagonal", "unknown_value"),
        ("framing_axis_deg", -1, "out_of_range"),
        ("sprinklered", "perhaps", "wrong_type"),
        ("bearing_walls", "north", "wrong_type"),
        ("panel_type", "light", "unknown_value"),
        ("roof_family", "panelised", "unknown_roof_family"),
        ("inspected_on", "5/1/2019", "wrong_type"),
        ("inspected_on", "2019-13-01", "wrong_type"),
        ("inspected_on", "2999-01-01", "out_of_range"),
        ("inspect_by", "soon", "wrong_type"),
        ("inspection_class", "extreme", "unknown_value"),
    ],
)
def test_left_out_and_named(field: str, value: object, code: str, rules: Rulebook) -> None:
    found, faults = _one(value, field, rules)
    assert pd.isna(found)
    assert faults == [code]


@pytest.mark.parametrize("value", [None, "", "  ", float("nan"), "NULL"])
@pytest.mark.parametrize(
    "field", ["height_ft", "storeys", "sprinklered", "roof_family", "inspected_on", "bearing_walls", "name"]
)
def test_nothing_is_no_fault(field: str, value: object, rules: Rulebook) -> None:
    found, faults = _one(value, field, rules)
    assert pd.isna(found)
    assert faults == []


def test_unknown_family_lists_near_ones_and_unknown_claims_nothing(rules: Rulebook) -> None:
    result = typed(pd.Series(["panelized_woood", "unknown"]), "roof_family", rules)
    assert result.cells.isna().all()
    (fault,) = result.faults
    assert fault.mask.tolist() == [True, False]
    assert "the nearest are panelized_wood" in fault.why[0]


def test_range_is_a_rule_a_department_can_widen() -> None:
    wide = load_rulebook({"intake.range.height_ft": [1.0, 2000.0]})
    assert typed(pd.Series([1.5, 1900.0]), "height_ft", wide).faults == ()
    wrong = load_rulebook({"intake.range.height_ft": [10.0]})
    with pytest.raises(RuleError, match=r"intake\.range\.height_ft"):
        typed(pd.Series([1.5]), "height_ft", wrong)


@pytest.mark.parametrize(
    ("field", "limits"),
    [
        ("slope_deg", [0.0, 90.0]),
        ("slope_deg", [-1.0, 80.0]),
        ("purlin_spacing_ft", [0.0, 60.0]),
    ],
)
def test_a_range_cannot_let_through_what_cannot_be(field: str, limits: list[float]) -> None:
    with pytest.raises(RuleError, match=rf"^Rule intake\.range\.{field} is .*: change it\.$"):
        typed(pd.Series([5.0]), field, load_rulebook({f"intake.range.{field}": limits}))


def test_an_unknown_shape_claims_nothing_and_a_strange_one_is_named(rules: Rulebook) -> None:
    result = typed(pd.Series(["unknown", "wavy"]), "roof_shape", rules)
    assert result.cells.isna().all()
    (fault,) = result.faults
    assert fault.mask.tolist() == [False, True]
    assert "the forms are flat, gabled, hipped, monopitch" in fault.why


@pytest.mark.parametrize(
    ("field", "dtype"),
    [
        ("height_ft", "float64"),
        ("storeys", "Int64"),
        ("sprinklered", "boolean"),
        ("inspected_on", "datetime64[ms]"),
        ("date", "datetime64[ms]"),
        ("name", "str"),
    ],
)
def test_dtypes_are_those_of_the_tables(field: str, dtype: str, rules: Rulebook) -> None:
    assert typed(pd.Series(["", None], dtype=object), field, rules).cells.dtype == dtype
