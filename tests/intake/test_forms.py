"""Forms come back edited, reordered, with columns missing or added.

In: CSV tables and GeoPackages as office and GIS programs write them.
Out: the answers, whatever the order; a sentence for what cannot be read.
"""

from __future__ import annotations

import datetime
import hashlib
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from roofplat.errors import FieldError, LayerError
from roofplat.intake.forms import Forms, read_forms
from roofplat.rules import load_rulebook

RULES = load_rulebook()
FORM = """building_id,name,asked,roof_family,beam_spacing_ft,suspended_load,who,seen_on,note
B1,Mill,family,panelized_wood,20,yes,Inspector 1,2024-05-31,from the hatch
B2,Shed,family,,,,,,
"""


def _csv(folder: Path, text: str, name: str = "survey.csv", *, encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def _said(forms: Forms) -> list[tuple[str, str, str]]:
    rows = forms.answers
    return list(zip(rows["building_id"], rows["field"], rows["value"], strict=True))


def test_a_form_says_what_was_answered_and_nothing_of_what_was_not(tmp_path: Path) -> None:
    path = _csv(tmp_path, FORM)
    forms = read_forms([path], RULES)
    assert _said(forms) == [
        ("B1", "name", "Mill"),
        ("B1", "roof_family", "panelized_wood"),
        ("B1", "beam_spacing_ft", "20"),
        ("B1", "suspended_load", "true"),
        ("B2", "name", "Shed"),
    ]
    first = forms.answers.iloc[1]
    assert (first["who"], first["note"], first["basis"]) == ("Inspector 1", "from the hatch", "surveyed")
    assert first["seen_on"] == pd.Timestamp("2024-05-31")
    assert first["file"] == "survey.csv"
    assert first["batch"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert forms.answers["row"].tolist() == [2, 2, 2, 2, 3]
    assert forms.problems.empty
    assert forms.counts.to_dict("records") == [
        {"file": "survey.csv", "rows": 2, "answered_rows": 2, "answers": 5}
    ]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(
    order=st.permutations(FORM.splitlines()[0].split(",")),
    drop=st.sets(st.sampled_from(["name", "who", "note"])),
)
def test_order_and_missing_columns_change_nothing_else(
    tmp_path: Path, order: list[str], drop: set[str]
) -> None:
    whole = pd.read_csv(_csv(tmp_path, FORM), dtype=str, keep_default_na=False)
    edited = tmp_path / "edited.csv"
    whole[[name for name in order if name not in drop]].assign(crew="red").iloc[::-1].to_csv(
        edited, index=False
    )
    said = {row for row in _said(read_forms([tmp_path / "survey.csv"], RULES)) if row[1] not in drop}
    assert set(_said(read_forms([edited], RULES))) == said


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_separator_and_the_marks_of_a_spreadsheet_do_not_matter(tmp_path: Path, separator: str) -> None:
    text = FORM.replace(",", separator).replace("\n", "\r\n")
    assert _said(read_forms([_csv(tmp_path, text, encoding="utf-8-sig")], RULES)) == _said(
        read_forms([_csv(tmp_path, FORM, "plain.csv")], RULES)
    )


def test_headings_may_be_words_and_name_their_unit(tmp_path: Path) -> None:
    text = "Building ID;Beam spacing (in);Purlin Spacing [ft];Slope;Demolished;Wall walked;Spacing felt\n" \
           "B1;240;8;4:12;no;side B;8\n"  # fmt: skip
    forms = read_forms([_csv(tmp_path, text)], RULES)
    assert _said(forms)[:3] == [
        ("B1", "beam_spacing_ft", "20"),
        ("B1", "purlin_spacing_ft", "8"),
        ("B1", "slope_deg", "18.43494882292201"),
    ]
    walk = forms.answers[forms.answers["field"] == "sounding_walk_deg"].iloc[0]
    assert walk["side"] == "B"
    assert pd.isna(walk["value"])
    assert pd.isna(walk["refused"])
    assert ("B1", "gone", "false") in _said(forms)


def test_columns_that_ask_nothing_are_passed_over_and_named(tmp_path: Path) -> None:
    (row,) = (
        read_forms([_csv(tmp_path, "building_id,deck,rank,crew\nB1,plywood,3,red\n")], RULES)
        .problems[["code", "message"]]
        .to_numpy()
    )
    assert row[0] == "columns_passed_over"
    assert "rank, crew" in row[1]


def test_a_fault_refuses_its_answer_and_no_other(tmp_path: Path) -> None:
    text = "building_id,beam_spacing_ft,purlin_spacing_ft,roof_family\nB1,70,8,straw\n"
    answers = read_forms([_csv(tmp_path, text)], RULES).answers.set_index("field")
    assert answers["refused"].notna().to_dict() == {
        "roof_family": True,
        "beam_spacing_ft": True,
        "purlin_spacing_ft": False,
    }
    assert answers.loc["beam_spacing_ft", "written"] == "70"
    assert answers.loc["beam_spacing_ft", "refused"] == "it is outside 0.5 to 60 ft"
    assert answers["value"].isna().to_dict() == answers["refused"].notna().to_dict()


@pytest.mark.parametrize(
    ("cells", "word"),
    [
        ("2031-13-01,", "is '2031-13-01'"),
        ("2999-01-01,", "in the future"),
        ("4/5/2024,", "the month"),
        (",hearsay", "'hearsay'"),
    ],
)
def test_a_row_without_a_usable_day_or_basis_is_refused_whole(tmp_path: Path, cells: str, word: str) -> None:
    text = f"building_id,deck,storeys,seen_on,basis\nB1,plywood,1,{cells}\nB2,steel,2,2024-01-02,recorded\n"
    answers = read_forms([_csv(tmp_path, text)], RULES).answers
    assert answers["code"].tolist()[:2] == ["row_refused"] * 2
    assert answers["refused"].str.contains(word, regex=False).tolist()[:2] == [True, True]
    assert answers["basis"].tolist()[2:] == ["recorded", "recorded"]
    assert answers["refused"].isna().tolist()[2:] == [True, True]


def test_a_row_with_surplus_cells_is_refused_for_its_answers_may_have_shifted(tmp_path: Path) -> None:
    text = "building_id,note,storeys\nB1,wet, slippery,1\nB2,dry,2,,\n"
    answers = read_forms([_csv(tmp_path, text)], RULES).answers
    assert dict(zip(answers["building_id"], answers["refused"].notna(), strict=True)) == {
        "B1": True,
        "B2": False,
    }


def test_a_row_that_names_no_building_is_refused(tmp_path: Path) -> None:
    answers = read_forms([_csv(tmp_path, "building_id,deck\n,plywood\n")], RULES).answers
    assert answers["code"].tolist() == ["no_building"]


def test_a_note_without_an_answer_is_named(tmp_path: Path) -> None:
    problems = read_forms([_csv(tmp_path, "building_id,deck,note\nB1,,gate was locked\n")], RULES).problems
    assert problems[["feature", "code"]].to_numpy().tolist() == [["row 2", "note_without_answer"]]


def test_empty_lines_do_not_shift_the_numbers_of_rows(tmp_path: Path) -> None:
    text = "building_id,deck\n\nB1,plywood\n"
    assert read_forms([_csv(tmp_path, text)], RULES).answers["row"].tolist() == [3]


def test_ids_keep_their_zeros_and_lose_what_a_spreadsheet_adds(tmp_path: Path) -> None:
    text = "building_id,deck\n00417,plywood\n 123.0 ,steel\n"
    assert read_forms([_csv(tmp_path, text)], RULES).answers["building_id"].tolist() == ["00417", "123"]


def test_who_and_when_fill_rows_that_do_not_say(tmp_path: Path) -> None:
    text = "building_id,deck,who,seen_on\nB1,plywood,,\nB2,steel,Inspector 2,2024-01-02\n"
    forms = read_forms([_csv(tmp_path, text)], RULES, who="Inspector 1", seen_on=datetime.date(2024, 3, 4))
    assert forms.answers["who"].tolist() == ["Inspector 1", "Inspector 2"]
    assert forms.answers["seen_on"].dt.strftime("%m-%d").tolist() == ["03-04", "01-02"]
    # The day of the command is no sign that this row was filled in on the spot.
    assert forms.answers["on_the_spot"].tolist() == [False, True]


def test_a_day_that_cannot_be_read_is_not_replaced_by_that_of_the_command(tmp_path: Path) -> None:
    text = "building_id,deck,seen_on\nB1,plywood,some day\n"
    forms = read_forms([_csv(tmp_path, text)], RULES, seen_on=datetime.date(2024, 3, 4))
    assert forms.answers["code"].tolist() == ["row_refused"]


def test_a_geopackage_gives_the_same_answers_as_the_table(tmp_path: Path) -> None:
    path = tmp_path / "survey.gpkg"
    frame = gpd.GeoDataFrame(
        {
            "building_id": ["B1", "B2"],
            "asked": ["family", "family"],
            "roof_family": ["panelized_wood", None],
            "beam_spacing_ft": [20.0, float("nan")],
            "storeys": pd.array([1, None], dtype="Int64"),
            "suspended_load": pd.array([True, None], dtype="boolean"),
            "seen_on": pd.to_datetime(["2024-05-31", None]),
        },
        geometry=[box(0, 0, 9, 9), box(20, 0, 29, 9)],
        crs="EPSG:32611",
    )
    frame.to_file(path, layer="buildings", engine="pyogrio")
    frame[["building_id", "geometry"]].assign(side="A").to_file(path, layer="walls", engine="pyogrio")
    forms = read_forms([path], RULES)
    assert _said(forms) == [
        ("B1", "storeys", "1"),
        ("B1", "roof_family", "panelized_wood"),
        ("B1", "beam_spacing_ft", "20"),
        ("B1", "suspended_load", "true"),
    ]
    assert forms.answers["seen_on"].eq(pd.Timestamp("2024-05-31")).all()


def test_a_shapefile_cuts_names_and_is_read_all_the_same(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {"building_i": ["B1"], "beam_spaci": ["20"], "framing_ax": ["NE"]},
        geometry=[box(0, 0, 9, 9)],
        crs=32611,
    )
    frame.to_file(tmp_path / "survey.shp", engine="pyogrio")
    assert _said(read_forms([tmp_path / "survey.shp"], RULES)) == [
        ("B1", "framing_axis_deg", "45"),
        ("B1", "beam_spacing_ft", "20"),
    ]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("deck\nplywood\n", "no column holds the ids of buildings"),
        ("building_id,rank\nB1,2\n", "no column asks anything we know"),
        ("building_id,deck,Deck\nB1,a,b\n", "the columns 'deck' and 'Deck' both say deck"),
        ("building_id,storeys (ft)\nB1,1\n", "gives storeys in ft, but it is in no unit"),
        ("\n", "has no headings"),
        ("", "has no headings"),
        ('building_id,deck\nB1,"ply\n', "cannot be read"),
    ],
)
def test_a_table_that_is_no_form_is_one_sentence(tmp_path: Path, text: str, sentence: str) -> None:
    with pytest.raises((FieldError, LayerError), match=r"^survey\.csv: ") as caught:
        read_forms([_csv(tmp_path, text)], RULES)
    assert sentence in str(caught.value)


def test_what_is_no_file_and_no_layer_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match="there is no file"):
        read_forms([tmp_path / "none.csv"], RULES)
    with pytest.raises(LayerError, match="cannot be read as a map layer"):
        read_forms([_csv(tmp_path, "not a package", "survey.gpkg")], RULES)
    with pytest.raises(LayerError, match="not UTF-8"):
        read_forms([_csv(tmp_path, "building_id,deck\nB1,Stra\u00dfe\n", encoding="latin-1")], RULES)
    path = tmp_path / "two.gpkg"
    frame = gpd.GeoDataFrame({"building_id": ["B1"], "deck": ["x"]}, geometry=[box(0, 0, 1, 1)], crs=32611)
    for layer in ("roofs", "walls"):
        frame.to_file(path, layer=layer, engine="pyogrio")
    with pytest.raises(LayerError, match="no layer is called buildings or sections or answers"):
        read_forms([path], RULES)
