"""Every answer is told what becomes of it, and a refused one takes no other with it.

In: forms of two halls, one in two sections, what is known of them, a log.
Out: outcomes, reasons, the observations to append; the same for any order of rows.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roofplat.errors import RuleError
from roofplat.intake.forms import read_forms
from roofplat.record.answers import LOGGED, OUTCOMES, Checked, check_answers, says_the_same, values_in_force
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import empty

ROOFS = pd.DataFrame(
    {
        "building_id": pd.Series(["B1", "B2", "B2"], dtype="str"),
        "section_id": pd.Series(["B1/1", "B2/1", "B2/2"], dtype="str"),
        "part": pd.array([1, 1, 2], dtype="Int64"),
        "roof_family": pd.Series(["unknown", "panelized_wood", "panelized_wood"], dtype="str"),
    }
)
WALLS = pd.DataFrame(
    {
        "building_id": ["B1"] * 5 + ["B2"] * 2,
        "section_id": ["B1/1"] * 5 + ["B2/1", "B2/2"],
        "side": ["A", "B", "C", "C", None, "A", "A"],
        "length_ft": [100.0, 50.0, 60.0, 40.0, 10.0, 80.0, 40.0],
        "azimuth_deg": [272.0, 2.0, 92.0, 2.0, 45.0, 10.0, 100.0],
    }
)


def _known(*rows: tuple[Any, ...]) -> pd.DataFrame:
    frame = pd.DataFrame(
        rows, columns=["building_id", "section_id", "field", "value", "basis", "date"], dtype="object"
    )
    text = ["building_id", "section_id", "field", "value", "basis"]
    return frame.astype(dict.fromkeys(text, "str")).assign(
        date=pd.to_datetime(frame["date"]).astype("datetime64[ms]")
    )


def _check(
    folder: Path,
    text: str,
    *,
    known: pd.DataFrame | None = None,
    log: pd.DataFrame | None = None,
    rules: Rulebook | None = None,
    **options: Any,
) -> Checked:
    path = folder / "form.csv"
    path.write_text(text, "utf-8")
    rules = rules or load_rulebook()
    return check_answers(
        read_forms([path], rules, **options),
        ROOFS,
        _known() if known is None else known,
        empty("observations") if log is None else log,
        rules,
        walls=WALLS,
    )


def _outcomes(checked: Checked) -> dict[str, str]:
    return dict(zip(checked.rows["field"], checked.rows["outcome"], strict=True))


FORM = "asked,building_id,deck,height_ft,storeys,seen_on,who,note\n"


def test_what_nobody_knew_is_new_and_what_differs_is_a_change(tmp_path: Path) -> None:
    known = _known(
        ("B1", None, "height_ft", "24", "recorded", "2026-03-01"),
        ("B1", None, "storeys", "1", "recorded", None),
    )
    checked = _check(tmp_path, FORM + "x,B1,plywood,30,1,2024-05-31,Inspector 1,dry\n", known=known)
    # A survey outdoes a later record.
    assert _outcomes(checked) == {"deck": "new", "height_ft": "changed", "storeys": "confirmed"}
    row = checked.rows.set_index("field").loc["height_ft"]
    assert (row["now"], row["now_basis"], row["then"], row["basis"]) == ("24", "recorded", "30", "surveyed")
    assert row["now_date"] == pd.Timestamp("2026-03-01")
    first = checked.observations.set_index("field").loc["height_ft"]
    assert (first["building_id"], first["value"], first["unit"], first["who"], first["note"]) == (
        "B1",
        "30",
        "ft",
        "Inspector 1",
        "dry",
    )
    assert pd.isna(checked.observations.set_index("field").loc["deck", "unit"])
    assert checked.observations["number"].isna().all()
    assert checked.problems.empty


def test_an_older_survey_is_kept_and_outdoes_nothing(tmp_path: Path) -> None:
    known = _known(("B1", None, "deck", "steel", "surveyed", "2025-01-01"))
    checked = _check(tmp_path, FORM + "x,B1,plywood,,,2024-05-31,,\n", known=known)
    assert _outcomes(checked) == {"deck": "earlier"}
    assert checked.observations["value"].tolist() == ["plywood"]
    same_day = _check(tmp_path, FORM + "x,B1,plywood,,,2025-01-01,,\n", known=known)
    assert _outcomes(same_day) == {"deck": "changed"}


def test_a_copy_of_what_is_known_is_no_survey_unless_the_row_says_when(tmp_path: Path) -> None:
    known = _known(("B1", None, "deck", "plywood", "inferred", None))
    copied = _check(
        tmp_path, "building_id,deck\nB1,Plywood\n", known=known, seen_on=datetime.date(2024, 1, 1)
    )
    assert _outcomes(copied) == {"deck": "same"}
    assert copied.observations.empty
    for text in (
        "building_id,deck,seen_on\nB1,plywood,2024-01-01\n",
        "asked,building_id,deck\nx,B1,plywood\n",
    ):
        assert _outcomes(_check(tmp_path, text, known=known)) == {"deck": "confirmed"}


def test_a_name_is_never_confirmed_but_may_change(tmp_path: Path) -> None:
    known = _known(("B1", None, "name", "Mill", "recorded", None))
    text = "asked,building_id,name,seen_on\nx,B1,{},2024-01-01\n"
    assert _outcomes(_check(tmp_path, text.format("mill"), known=known)) == {"name": "same"}
    assert _outcomes(_check(tmp_path, text.format("Old Mill"), known=known)) == {"name": "changed"}


def test_a_figure_that_was_rounded_for_the_form_has_not_changed(tmp_path: Path) -> None:
    known = _known(("B1", None, "height_ft", "24.6063", "recorded", None))
    text = "building_id,height_ft\nB1,{}\n"
    assert _outcomes(_check(tmp_path, text.format("24.6"), known=known)) == {"height_ft": "same"}
    assert _outcomes(_check(tmp_path, text.format("24.7"), known=known)) == {"height_ft": "changed"}
    assert _outcomes(_check(tmp_path, text.format("25"), known=known)) == {"height_ft": "changed"}


def test_what_is_in_the_log_word_for_word_is_not_logged_again(tmp_path: Path) -> None:
    text = FORM + "x,B1,plywood,30,,2024-05-31,Inspector 1,dry\n"
    log = _check(tmp_path, text).observations
    again = _check(tmp_path, text, log=log.assign(number=pd.array([1, 2], dtype="Int64")))
    assert set(again.rows["outcome"]) == {"same"}
    assert set(again.rows["reason"]) == {"it is in the record already"}
    other = _check(tmp_path, text.replace("Inspector 1", "Inspector 2"), log=log)
    assert len(other.observations) == 2
    twice = _check(tmp_path, text + text.splitlines()[1] + "\n")
    assert twice.rows["outcome"].tolist() == ["new"] * 2 + ["same"] * 2


def test_ids_are_found_as_people_write_them_and_near_ones_are_named(tmp_path: Path) -> None:
    checked = _check(tmp_path, "building_id,deck\n b1 ,plywood\nB11,steel\n")
    assert checked.rows["building_id"].tolist() == ["B1", "B11"]
    assert checked.rows["outcome"].tolist() == ["new", "refused"]
    error = checked.problems[checked.problems["severity"] == "error"].iloc[0]
    assert (error["layer"], error["feature"], error["code"]) == ("form.csv", "row 3", "unknown_building")
    assert "there is no building 'B11'; the nearest are B1" in error["message"]


def test_an_id_that_fits_two_buildings_and_neither_as_written_is_refused(tmp_path: Path) -> None:
    roofs = ROOFS.assign(building_id=["Hall B", "hall b", "hall b"])
    path = tmp_path / "form.csv"
    path.write_text("building_id,deck\nhall b,plywood\nHALL B,steel\n", "utf-8")
    rules = load_rulebook()
    checked = check_answers(read_forms([path], rules), roofs, _known(), empty("observations"), rules)
    assert checked.rows["outcome"].tolist() == ["new", "refused"]
    assert checked.rows["reason"].tolist()[1] == "several buildings have an id like this one"


def test_a_section_is_named_by_id_or_number_and_must_be_of_its_building(tmp_path: Path) -> None:
    head = "building_id,section_id,deck,storeys,sprinklered\n"
    text = head + "B2,B2/2,steel,,yes\nB2,1,plywood,,\nB1,B2/1,tile,,\nB2,3,slate,,\n"
    checked = _check(tmp_path, text)
    rows = checked.rows.set_index(["row", "field"])
    assert rows.loc[(2, "deck"), "section_id"] == "B2/2"
    # Sprinklers are of the building.
    assert pd.isna(rows.loc[(2, "sprinklered"), "section_id"])
    assert rows.loc[(3, "deck"), "section_id"] == "B2/1"
    assert rows["outcome"].tolist() == ["new", "new", "new", "refused", "refused"]
    assert rows.loc[(5, "deck"), "reason"] == "building B2 has no section '3'; it has B2/1, B2/2"


def test_a_section_is_held_against_its_own_value_in_force(tmp_path: Path) -> None:
    known = _known(
        ("B2", None, "deck", "plywood", "surveyed", "2020-01-01"),
        ("B2", "B2/2", "deck", "steel", "drawn", None),
    )
    text = "asked,building_id,section_id,deck,seen_on\nx,B2,2,steel,2024-01-01\nx,B2,1,steel,2024-01-01\n"
    checked = _check(tmp_path, text, known=known)
    assert checked.rows["now"].tolist() == ["steel", "plywood"]
    assert checked.rows["outcome"].tolist() == ["confirmed", "changed"]


def test_a_bare_24_between_rafters_is_refused_and_24_in_is_taken(tmp_path: Path) -> None:
    text = "building_id,rafter_spacing_ft\nB1,{}\n"
    bare = _check(tmp_path, text.format("24"))
    assert bare.rows["reason"].tolist() == ["24 ft is outside 0.5 to 8 ft, which is hardly right"]
    assert bare.problems.iloc[0]["action"] == "Write it with its unit: 24 in, or 24 ft if that is right."
    assert _check(tmp_path, text.format("24 in")).observations["value"].tolist() == ["2"]
    assert _check(tmp_path, text.format("24 ft")).observations["value"].tolist() == ["24"]


def test_what_a_family_is_known_to_have_is_not_strange_on_it(tmp_path: Path) -> None:
    own = {
        "like": "sawn_rafter_pitched",
        "label": "Timber truss",
        "rafter_spacing_ft": {"value": 10.0, "range": [8.0, 16.0]},
    }
    rules = load_rulebook(families={"timber_truss": own})
    text = "building_id,roof_family,rafter_spacing_ft\nB1,{},12\n"
    assert _outcomes(_check(tmp_path, text.format("timber_truss"), rules=rules))["rafter_spacing_ft"] == "new"
    assert _outcomes(_check(tmp_path, text.format(""), rules=rules)) == {"rafter_spacing_ft": "refused"}


@pytest.mark.parametrize("bad", [[60.0, 4.0], [4.0]])
def test_a_plausible_range_that_is_none_is_one_sentence(tmp_path: Path, bad: list[float]) -> None:
    rules = load_rulebook({"record.plausible.beam_spacing_ft": bad})
    with pytest.raises(RuleError, match="takes two numbers"):
        _check(tmp_path, "building_id,beam_spacing_ft\nB1,20\n", rules=rules)


SOUNDING = "building_id,section_id,sounding_walk_deg,sounding_spacing_ft,note\n"


@pytest.mark.parametrize(("side", "degrees"), [("A", "92"), ("side b", "2"), ("B wall", "2"), ("100", "100")])
def test_the_letter_of_a_side_is_the_azimuth_of_its_wall(tmp_path: Path, side: str, degrees: str) -> None:
    checked = _check(tmp_path, SOUNDING + f"B1,,{side},8,wet\n")
    walk = checked.observations.set_index("field").loc["sounding_walk_deg"]
    assert walk["value"] == degrees
    letter = side.upper().replace("SIDE", "").replace("WALL", "").strip()
    assert walk["note"] == (f"walked along side {letter}; wet" if letter in "ABCD" else "wet")
    assert checked.observations.set_index("field").loc["sounding_spacing_ft", "note"] == "wet"


def test_a_side_whose_walls_run_two_ways_is_refused_with_its_spacing(tmp_path: Path) -> None:
    checked = _check(tmp_path, SOUNDING + "B1,,C,8,\nB1,,D,8,\n")
    assert checked.rows["outcome"].tolist() == ["refused"] * 4
    assert checked.rows["reason"].tolist()[::2] == [
        "the walls of side C run several ways",
        "the building has no wall on side D",
    ]


def test_a_section_has_walls_of_its_own(tmp_path: Path) -> None:
    checked = _check(tmp_path, SOUNDING + "B2,2,A,8,\nB2,1,A,8,\nB2,,A,8,\n")
    walks = checked.rows[checked.rows["field"] == "sounding_walk_deg"]
    assert walks["outcome"].tolist() == ["new", "new", "refused"]
    values = checked.observations.loc[checked.observations["field"] == "sounding_walk_deg", "value"]
    assert values.tolist() == ["100", "10"]


@pytest.mark.parametrize("row", ["B1,,A,,", "B1,,,8,", "B1,,Q,8,", "B1,,A,99,"])
def test_half_a_sounding_is_refused(tmp_path: Path, row: str) -> None:
    checked = _check(tmp_path, SOUNDING + row + "\n")
    assert set(checked.rows["outcome"]) == {"refused"}
    assert checked.observations.empty


def test_a_row_without_a_day_is_taken_and_told(tmp_path: Path) -> None:
    checked = _check(tmp_path, "building_id,deck\nB1,plywood\n")
    assert checked.problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["row 2", "no_date", "warning"]
    ]
    assert np.isnat(checked.observations["seen_on"].to_numpy()[0])
    assert _check(
        tmp_path, "building_id,deck\nB1,plywood\n", seen_on=datetime.date(2024, 1, 1)
    ).problems.empty


ROWS = [
    "x,B1,plywood,24,1,2024-05-31,Inspector 1,",
    "x,b1,steel,70000,2,2024-06-30,Inspector 2,late",
    "x,B7,tile,20,1,2024-05-31,,",
    "x,B2,,30,,some day,,",
    "x,B2,slate,31,3,2024-05-31,,",
]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20)
@given(st.permutations(ROWS))
def test_every_answer_has_one_outcome_whatever_the_order(tmp_path: Path, order: list[str]) -> None:
    first, checked = (_check(tmp_path, FORM + "\n".join(rows) + "\n") for rows in (ROWS, order))
    assert set(checked.rows["outcome"]) <= set(OUTCOMES)
    assert len(checked.observations) == checked.rows["outcome"].isin(LOGGED).sum()
    errors = checked.problems["severity"].eq("error").sum()
    assert errors == (checked.rows["outcome"] == "refused").sum()
    own = ["building_id", "field", "then", "outcome", "reason"]
    assert sorted(map(tuple, checked.rows[own].astype("str").to_numpy())) == sorted(
        map(tuple, first.rows[own].astype("str").to_numpy())
    )


def test_directions_are_the_same_a_half_turn_apart_and_words_whatever_their_case() -> None:
    field = pd.Series(["framing_axis_deg", "downslope_deg", "deck", "storeys", "sprinklered", "deck"])
    one = pd.Series(["180", "180", "Metal  deck", "2", "true", None])
    other = pd.Series(["0", "0", "metal deck", "2.0", "false", None])
    assert says_the_same(field, one, other).tolist() == [True, False, True, True, False, False]
    lines = pd.Series(["framing_axis_deg", "framing_axis_deg", "downslope_deg", "slope_deg"])
    one, other = pd.Series(["179.5", "178", "359.6", "179.5"]), pd.Series(["0.4", "1", "0.2", "0.4"])
    assert says_the_same(lines, one, other, 1.0).tolist() == [True, False, True, False]


def _roofs() -> pd.DataFrame:
    """Two sections of B1: one has its own deck, the other that of the building."""
    columns = empty("roofs", "EPSG:32613").drop(columns="geometry").columns
    rows = pd.DataFrame(None, index=range(2), columns=columns, dtype="object")
    return rows.assign(
        building_id="B1",
        section_id=["B1/1", "B1/2"],
        deck=["steel", "tile"],
        deck_basis="surveyed",
        slope_deg=pd.Series([1.5, np.nan]),
        slope_deg_basis=["drawn", None],
    )


def test_values_in_force_are_those_of_buildings_and_of_sections_with_their_days() -> None:
    facts = pd.DataFrame(
        {
            "building_id": ["B1", "B1"],
            "field": "deck",
            "value": ["steel", "plywood"],
            "basis": "surveyed",
            "date": pd.to_datetime(["2024-01-01", "2020-01-01"]).astype("datetime64[ms]"),
            "current": pd.array([True, False], dtype="boolean"),
        }
    )
    log = pd.DataFrame(
        {
            "building_id": "B1",
            "section_id": ["B1/2", "B1/2", None],
            "field": "deck",
            "value": ["tile", "tile", "tile"],
            "basis": "surveyed",
            "seen_on": pd.to_datetime(["2023-01-01", "2025-01-01", "2026-01-01"]).astype("datetime64[ms]"),
        }
    )
    found = values_in_force(facts, _roofs(), log)
    rows = found.astype("str").fillna("")[["section_id", "field", "value", "basis", "date"]]
    assert sorted(map(tuple, rows.to_numpy())) == [
        ("", "deck", "steel", "surveyed", "2024-01-01"),
        ("B1/1", "deck", "steel", "surveyed", "2024-01-01"),
        ("B1/1", "slope_deg", "1.5", "drawn", ""),
        ("B1/2", "deck", "tile", "surveyed", "2025-01-01"),
    ]
    assert len(values_in_force(facts, _roofs().iloc[:0], log)) == 1
