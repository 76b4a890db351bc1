"""Which roofs come first, what is said of each, and what is asked.

In: the forms of the demo district and small tables by hand.
Out: the order of the list of what to survey next; questions that matter, and none that make no sense.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.ranking.made import made

from roofplat.publish.survey.questions import senseless, survey_questions
from roofplat.publish.survey.rows import (
    ROOF_FIELDS,
    asked_of,
    form_rows,
    help_rows,
    known_facts,
    survey_order,
)
from roofplat.ranking import rank_buildings, score_moves, survey_next
from roofplat.rules import load_rulebook
from roofplat.tables import ATTRIBUTES, TABLES

from .conftest import AS_OF, Forms

RULES = load_rulebook()
QUESTIONS = survey_questions(RULES, AS_OF)
WORDS = {question.key: question.words.lower() for question in QUESTIONS}


def test_the_order_is_that_of_what_to_survey_next_then_of_the_rank(forms: Forms) -> None:
    following = forms.tables["survey_next"]
    following = following[following["building_id"].isin(forms.ids)]
    ranking = forms.tables["ranking"]
    rest = ranking[
        ranking["building_id"].isin(forms.ids) & ~ranking["building_id"].isin(following["building_id"])
    ]
    wanted = [*following.sort_values("order")["building_id"], *rest.sort_values("rank")["building_id"]]
    assert len(following)
    assert len(rest)
    assert forms.ids == wanted
    assert following.sort_values("order")["worth"].is_monotonic_decreasing
    shuffled = np.random.default_rng(5).permutation(forms.ids).tolist()
    assert survey_order(forms.tables, shuffled) == wanted


def test_what_moves_the_score_most_is_asked_first(forms: Forms) -> None:
    tables = forms.tables
    rows = forms.made.rows.set_index("building_id")
    moves = score_moves(forms.ids, tables, forms.rules)
    for name in forms.ids:
        own = moves[moves["building_id"] == name]
        wanted = [WORDS[field] for field in own["field"]]
        asked = rows.loc[name, "asked"].split(", ")
        # Sections are not among the tables here, so that what hangs from the roof is left out.
        moving = {WORDS[field] for field in ("roof_family", "occupancy", "sprinklered", "year_built")}
        assert [words for words in asked if words in moving] == wanted, name


def test_no_more_is_asked_than_the_rule_allows(forms: Forms) -> None:
    most = RULES.count("record.asked_count")
    counts = forms.made.rows["asked"].str.split(", ").str.len()
    assert counts.max() == most
    assert (counts >= 1).all()


def roofs(**facts: Any) -> dict[str, Any]:
    """A building of one section; what is not said is missing."""
    names = [column for field in (*ROOF_FIELDS, "storeys") for column in (field, f"{field}_basis")]
    section = dict.fromkeys(names) | {
        "building_id": "a",
        "section_id": "a-1",
        "part": 1,
        "undivided_ft2": 9000.0,
    }
    for field, value in facts.items():
        section |= {field: value, f"{field}_basis": section.get(f"{field}_basis") or "surveyed"}
    family = facts.get("roof_family", "unknown")
    section["roof_family"] = family
    frame = pd.DataFrame([section])
    building = {
        "building_id": "a",
        "roof_family": family,
        "family_basis": "surveyed" if family != "unknown" else None,
        "storeys": facts.get("storeys"),
    }
    return {"roofs": frame, "building": building}


def asked(**facts: Any) -> list[str]:
    """The keys of what is asked of such a roof, everything that moves the score left out."""
    own = roofs(**facts)
    tables = made([own["building"] | {"occupancy": "S", "sprinklered": True, "year_built": 1990}])
    tables |= {"roofs": own["roofs"]}
    tables["ranking"] = rank_buildings(tables, RULES, as_of=AS_OF)
    plenty = load_rulebook({"record.asked_count": 50})
    found = asked_of(["a"], tables, QUESTIONS, plenty)
    assert found["place"].tolist() == list(range(1, len(found) + 1))
    return found["key"].tolist()


def test_of_an_unknown_roof_the_family_is_asked_first() -> None:
    found = asked()
    assert found[0] == "roof_family"
    assert {"framing_axis_deg", "sounding_walk_deg", "beam_spacing_ft", "bearing_walls", "deck"} <= set(found)


def test_what_a_family_does_not_have_is_not_asked() -> None:
    found = asked(roof_family="sawn_joist_flat")
    assert "framing_axis_deg" in found
    assert not {"roof_family", "ridge_deg", "panel_type", "sounding_walk_deg", "downslope_deg"} & set(found)
    pitched = asked(roof_family="plate_truss_pitched")
    assert "ridge_deg" in pitched
    assert "framing_axis_deg" not in pitched
    assert "panel_type" in asked(roof_family="panelized_wood")


def test_who_knows_the_axis_need_not_sound() -> None:
    grid = asked(roof_family="panelized_wood")
    assert {"framing_axis_deg", "sounding_walk_deg"} <= set(grid)
    known = asked(roof_family="panelized_wood", framing_axis_deg=12.0)
    assert not {"framing_axis_deg", "sounding_walk_deg"} & set(known)


def test_spacings_that_a_family_lacks_do_not_keep_the_question_open() -> None:
    # Heavy timber has no rafters to space.
    assert "beam_spacing_ft" in asked(roof_family="heavy_timber", beam_spacing_ft=16.0)
    both = {"beam_spacing_ft": 16.0, "purlin_spacing_ft": 8.0}
    assert "beam_spacing_ft" not in asked(roof_family="heavy_timber", **both)


def test_a_guess_is_asked_again() -> None:
    assert "deck" not in asked(deck="plywood")
    assert "deck" in asked(deck="plywood", deck_basis="inferred")


def test_senseless_questions_are_of_the_form() -> None:
    keys = {question.key for question in QUESTIONS}
    found = senseless(RULES)
    assert set(found) == set(RULES.families)
    assert all(own <= keys for own in found.values())


def test_every_answer_is_an_attribute_once_and_every_column_is_explained(forms: Forms) -> None:
    fields = [name for question in QUESTIONS for name in question.fields]
    assert len(fields) == len(set(fields))
    assert set(fields) <= set(ATTRIBUTES)
    assert set(ROOF_FIELDS) <= set(fields)
    # Each question that may differ by section does so with all of its answers.
    for question in QUESTIONS:
        assert len({name in ROOF_FIELDS for name in question.fields}) == 1, question.words
    listed = pd.read_csv(forms.folder / "help.csv", dtype="str").fillna("")
    columns = pd.read_csv(forms.folder / "survey.csv", nrows=0).columns
    assert listed["column"].tolist()[: len(columns)] == list(columns)
    assert (listed["meaning"] != "").all()
    spacing = listed.set_index("column").loc["sounding_spacing_ft"]
    assert spacing.tolist() == ["What was felt underfoot on that walk.", "ft", "0.5 to 60"]
    with pytest.raises(KeyError):
        help_rows(QUESTIONS, ["no such column"])


def test_what_is_known_is_said_with_its_basis(forms: Forms) -> None:
    facts = pd.DataFrame(
        {
            "building_id": ["a", "a", "a", "a", "b"],
            "field": ["height_ft", "roof_family", "sprinklered", "height_ft", "deck"],
            "value": ["20.99737532808399", "lamella", "false", "30", "steel; ribbed"],
            "basis": ["recorded", "surveyed", "recorded", "inferred", "drawn"],
            "date": pd.to_datetime(["2021-06-01", None, "2024-01-09", None, None]),
            "source": "roll",
            "current": [True, True, True, False, True],
        }
    )
    found = known_facts(["a", "b"], facts, QUESTIONS, RULES)
    assert found[["building_id", "field", "said"]].values.tolist() == [
        ["a", "roof_family", "Lamella (surveyed)"],
        ["a", "height_ft", "21 ft (recorded 2021-06)"],
        ["a", "sprinklered", "no (recorded 2024-01)"],
        ["b", "deck", "steel; ribbed (drawn)"],
    ]
    # Nothing that an unknown roof may be is said to be known of it.
    unseen = forms.made.rows[forms.made.rows["looked"] == "nobody"]
    assert len(unseen)
    assert not unseen["known"].str.contains("roof family").any()
    assert unseen["odds"].notna().all()
    assert (forms.made.rows.loc[forms.made.rows["looked"] == "surveyed", "odds"].isna()).all()


def test_a_roof_that_was_changed_is_asked_for_as_a_whole(forms: Forms) -> None:
    """A surveyed roof with a mark comes among those to survey, and what was surveyed is asked again."""
    rows = forms.made.rows
    name = str(rows.loc[rows["looked"] == "surveyed", "building_id"].iloc[0])
    buildings = forms.tables["buildings"].copy()
    buildings.loc[buildings["building_id"] == name, "look_again"] = "reroof 2025-03"
    sections = forms.tables["sections"]
    made_up = {column: None for column in TABLES["roofs"].columns if column not in sections}
    tables = {**forms.tables, "buildings": buildings, "roofs": sections.assign(**made_up | {"part": 1})}
    for field in ROOF_FIELDS:
        tables["roofs"][f"{field}_basis"] = "surveyed"
    tables["ranking"] = rank_buildings(tables, RULES, as_of=AS_OF)
    tables["survey_next"] = survey_next(tables, RULES)
    plenty = load_rulebook({"record.asked_count": 50})
    asked_for = asked_of(forms.ids, tables, QUESTIONS, plenty)
    keys = set(asked_for.loc[asked_for["building_id"] == name, "key"])
    assert {"roof_family", "suspended_load", "deck", "bearing_walls", "parapet_ft", "height_ft"} <= keys
    assert "storeys" not in keys
    known = known_facts([name], forms.tables["facts"], QUESTIONS, RULES)
    row = form_rows([name], tables, QUESTIONS, asked_for, known, RULES).iloc[0]
    assert row["looked"] == "again"
    assert "look again: reroof 2025-03" in row["why"]
    # It stands before every roof whose survey still holds.
    order = survey_order(tables, forms.ids)
    still = rows.loc[(rows["looked"] == "surveyed") & (rows["building_id"] != name), "building_id"]
    assert order.index(name) < min(order.index(other) for other in still)
