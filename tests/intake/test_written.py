"""What people write on forms is understood where it says one thing, and refused where it may say two.

In: words as a surveyor writes them.
Out: house values, faults that name what stood there, and laws over lengths made by hypothesis.
"""

from __future__ import annotations

import datetime
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.intake.written import as_text, unanswered, written, written_dates
from roofplat.rules import load_rulebook

RULES = load_rulebook()


def _one(word: str, field: str, unit: str | None = None) -> object:
    return written(pd.Series([word], dtype="str"), field, RULES, unit=unit).cells.iloc[0]


def _why(word: str, field: str) -> str:
    (fault,) = written(pd.Series([word], dtype="str"), field, RULES).faults
    assert fault.mask.tolist() == [True]
    return fault.why if isinstance(fault.why, str) else fault.why[0]


@pytest.mark.parametrize(
    ("word", "feet"),
    [
        ("20", 20.0),
        ("2.5", 2.5),
        (".75", 0.75),
        ("2 ft", 2.0),
        ("2ft.", 2.0),
        ("2'", 2.0),
        ("5'6\"", 5.5),
        ("5' 6\"", 5.5),
        ("5'6", 5.5),
        ("5 ft 6 in", 5.5),
        ("5 feet, 6 inches", 5.5),
        ("5' - 6\"", 5.5),
        ("5\u2019 6\u201d", 5.5),
        ("5\u2032 6\u2033", 5.5),
        ("24 in", 2.0),
        ('24" o.c.', 2.0),
        ("24 in oc", 2.0),
        ("16 in on center", 16 / 12),
        ("16 1/2 in", 16.5 / 12),
        ("5' 6 1/2\"", 5.0 + 6.5 / 12),
        ("3 m", 3 / 0.3048),
        ("120 cm", 1.2 / 0.3048),
        ("600 mm", 0.6 / 0.3048),
    ],
)
def test_a_length_is_what_the_trade_means(word: str, feet: float) -> None:
    assert _one(word, "beam_spacing_ft") == pytest.approx(feet, abs=1e-12)


@pytest.mark.parametrize(
    "word", ["16-24 in", "about 20", "5'12\"", "twenty", "20 yd", "5'6'7", "1/0 in", "2 in 3"]
)
def test_a_length_that_says_no_single_thing_is_refused(word: str) -> None:
    assert _why(word, "beam_spacing_ft") == "it is no length"


@pytest.mark.parametrize("word", ["2,5", "2,5 m", "1,200", "12,0 ft"])
def test_a_comma_may_mean_two_things_and_is_refused(word: str) -> None:
    assert _why(word, "beam_spacing_ft") == "it holds a comma"


def test_a_comma_between_feet_and_inches_is_none_between_decimals() -> None:
    assert _one("5 ft, 6 in", "beam_spacing_ft") == 5.5


@pytest.mark.parametrize(
    ("word", "field"),
    [
        ("0.4", "beam_spacing_ft"),
        ("61 ft", "beam_spacing_ft"),
        ("-20", "beam_spacing_ft"),
        ("720 in", "parapet_ft"),
        ("90", "slope_deg"),
        ("361", "framing_axis_deg"),
        ("201", "storeys"),
    ],
)
def test_what_cannot_be_is_refused_by_its_range(word: str, field: str) -> None:
    assert _why(word, field).startswith("it is outside ")


def test_both_ends_of_a_range_are_taken() -> None:
    assert _one("0.5", "beam_spacing_ft") == 0.5
    assert _one("60", "beam_spacing_ft") == 60.0


@pytest.mark.parametrize(("unit", "feet"), [("ft", 48.0), ("in", 4.0), ("m", 48 / 0.3048)])
def test_a_bare_number_is_in_the_unit_of_its_heading(unit: str, feet: float) -> None:
    assert _one("48", "height_ft", unit) == pytest.approx(feet)
    assert _one("48 ft", "height_ft", unit) == 48.0


@given(feet=st.integers(1, 59), inches=st.integers(0, 11), eighths=st.integers(0, 7))
def test_feet_and_inches_add_up(feet: int, inches: int, eighths: int) -> None:
    part = f" {eighths}/8" if eighths else ""
    wanted = feet + (inches + eighths / 8) / 12
    for word in (f"{feet}'{inches}{part}\"", f"{feet} ft {inches}{part} in"):
        assert _one(word, "beam_spacing_ft") == pytest.approx(wanted, abs=1e-12)
    assert _one(f"{12 * feet + inches}{part} in", "beam_spacing_ft") == pytest.approx(wanted, abs=1e-12)


@given(st.floats(0.5, 60.0))
def test_the_text_of_a_length_reads_back_to_the_same_length(feet: float) -> None:
    (word,) = as_text(pd.Series([feet]))
    assert _one(word, "beam_spacing_ft") == feet


@pytest.mark.parametrize(
    ("word", "degrees"),
    [("12", 12.0), ("12.5 deg", 12.5), ("12\u00b0", 12.0), ("192", 12.0), ("NNE", 22.5),
     ("south-east", 135.0), ("N-S", 0.0), ("E/W", 90.0), ("NE to SW", 45.0), ("east-west", 90.0),
     ("WNW-ESE", 112.5)],
)  # fmt: skip
def test_a_line_is_a_direction_of_either_end(word: str, degrees: float) -> None:
    assert _one(word, "framing_axis_deg") == degrees


def test_a_roof_falls_one_way_only() -> None:
    assert _one("270", "downslope_deg") == 270.0
    assert _why("E-W", "downslope_deg") == "it is no direction"


# The rise on a run of 12 is the slope's tangent; angles from the definition.
@pytest.mark.parametrize(
    ("word", "tangent"),
    [("4:12", 4 / 12), ("4/12", 4 / 12), ("12 in 12", 1.0), ("1/4:12", 0.25 / 12), ("5%", 0.05)],
)
def test_a_pitch_is_a_slope(word: str, tangent: float) -> None:
    found = _one(word, "slope_deg")
    assert isinstance(found, float)
    assert math.tan(math.radians(found)) == pytest.approx(tangent)


def test_yes_no_and_a_tick() -> None:
    cells = written(pd.Series(["Yes", "x", "\u2713", "n", "0", "?", "maybe"]), "suspended_load", RULES)
    assert cells.cells.tolist() == [True, True, True, False, False, pd.NA, pd.NA]
    assert [fault.mask.tolist().index(True) for fault in cells.faults] == [6]


def test_a_family_is_known_by_its_id_or_its_label_and_hints_at_its_neighbours() -> None:
    label = RULES.families["panelized_wood"].label
    assert _one(label, "roof_family") == "panelized_wood"
    assert "panelized_wood" in _why("panelised wood", "roof_family")


@pytest.mark.parametrize("word", ["", " ", "?", "-", "Unknown", "n/a", "don't know"])
def test_an_open_question_is_no_answer_and_no_fault(word: str) -> None:
    assert unanswered(pd.Series([word])).isna().all()
    found = written(pd.Series([word]), "storeys", RULES)
    assert found.cells.isna().all()
    assert found.faults == ()


def test_half_a_storey_and_a_word_are_refused() -> None:
    assert _why("1.5", "storeys") == "it is not a whole number"
    assert _why("two", "storeys") == "it is no number"
    assert _one("2.0", "storeys") == 2


def _days(*words: str) -> list[str | None]:
    found, _ = written_dates(pd.Series(words, dtype="str"))
    return [None if pd.isna(day) else f"{day:%Y-%m-%d}" for day in found]


def test_a_date_of_a_spreadsheet_is_read_where_the_column_proves_the_month() -> None:
    assert _days("5/6/2024", "5/31/2024") == ["2024-05-06", "2024-05-31"]
    assert _days("5/6/2024", "31/5/2024") == ["2024-06-05", "2024-05-31"]
    assert _days("5/6/2024", "2024-05-31") == [None, "2024-05-31"]
    assert _days("5/5/2024") == ["2024-05-05"]
    assert _days("2024-5-3") == ["2024-05-03"]
    # Both orders in one column: each date speaks for itself alone.
    assert _days("31/5/2024", "5/31/2024", "5/6/2024") == ["2024-05-31", "2024-05-31", None]
    assert _days("13/13/2024", "2/30/2024") == [None, None]


def test_a_day_to_come_is_no_day_of_a_survey() -> None:
    tomorrow = datetime.date.today() + datetime.timedelta(days=3)
    found, faults = written_dates(pd.Series([tomorrow.isoformat(), "0024-05-31", "2024-05-31"]))
    assert found.notna().tolist() == [False, False, True]
    assert faults[0].why == "it lies in the future"
    assert written_dates(pd.Series([tomorrow.isoformat()]), to_come=True)[0].notna().all()


def test_figures_with_decimals_may_have_been_rounded() -> None:
    found = written(pd.Series(["24.6", "24", "7.50 m"]), "height_ft", RULES)
    assert np.round(found.resolution, 6).tolist() == [0.05, 0.0, round(0.005 / 0.3048, 6)]
    assert found.with_unit.tolist() == [False, False, True]
