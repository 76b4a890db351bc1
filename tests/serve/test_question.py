"""What a what-if may ask: the schemas of the description, a JSON-schema library, and the reader agree."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import QuestionError
from roofplat.pipeline.scenarios import Scenario
from roofplat.serve.question import INPUTS, question_inputs, read_question, read_word
from roofplat.tables import METHODS

FULL = {
    "building_id": "B 1/x",
    "fire": [-118.5, 40.25],
    "wind_from_deg": 225,
    "method": "fold_back",
    "ladder": {"type": "Point", "coordinates": [-118.5, 40]},
}


def test_everything_that_can_be_asked() -> None:
    assert read_question(FULL) == Scenario("B 1/x", (-118.5, 40.25), 225.0, "fold_back", (-118.5, 40.0))


@pytest.mark.parametrize("name", ["a b", "a\u00a0b", "\u00e9-7", "way/7", "\U0001f692", "x" * 200])
def test_any_text_may_be_an_id(name: str) -> None:
    assert read_question({"building_id": name}).building_id == name


def test_what_is_not_asked_is_none() -> None:
    assert read_question({"building_id": "B1"}) == Scenario("B1", None, None, None, None)


def test_a_value_may_be_wrapped_as_the_standard_has_objects_wrapped() -> None:
    # OGC 18-062r2, requirement process-execute-input-inline-object: an object stands in `value`.
    point = {"value": {"type": "Point", "coordinates": [1, 2]}, "mediaType": "application/geo+json"}
    assert read_question({"building_id": {"value": "B1"}, "fire": point}) == Scenario("B1", (1.0, 2.0))


def test_north_by_its_other_name_is_the_same_question() -> None:
    turns = [
        read_question({"building_id": "B1", "wind_from_deg": wind}) for wind in (0, 0.0, -0.0, 360, 360.0)
    ]
    assert len(set(turns)) == 1
    assert str(turns[2].wind_from_deg) == "0.0"


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({}, "`building_id` is missing; give the id of a building, 1 to 200 characters."),
        ({"building_id": ""}, '`building_id` is ""; give the id'),
        ({"building_id": "x" * 201}, "1 to 200 characters"),
        ({"building_id": 7}, "`building_id` is 7; give the id"),
        ({"building_id": "a\ud800"}, "give the id"),
        ({"building_id": "a\x00b"}, "give the id"),
        ({"building_id": None}, "`building_id` is null; give the id"),
        ({"building_id": "B", "wind": 1}, 'There is no input "wind"; the inputs are building_id, fire, '),
        ({"building_id": "B", "wind_from_deg": 360.5}, "is 360.5; give a number of degrees from 0 to 360."),
        ({"building_id": "B", "wind_from_deg": float("nan")}, "is NaN; give a number of degrees"),
        ({"building_id": "B", "wind_from_deg": 10**400}, "give a number of degrees"),
        ({"building_id": "B", "wind_from_deg": True}, "is true; give a number of degrees"),
        ({"building_id": "B", "wind_from_deg": "90"}, 'is "90"; give a number of degrees'),
        ({"building_id": "B", "wind_from_deg": None}, "is null; give a number of degrees"),
        (
            {"building_id": "B", "method": "chop"},
            '`method` is "chop"; give one of existing_opening, fold_back',
        ),
        ({"building_id": "B", "method": ["fold_back"]}, "give one of existing_opening"),
        (
            {"building_id": "B", "fire": [40.25, -118.5]},
            "`fire` is [40.25, -118.5]; give [longitude, latitude]",
        ),
        ({"building_id": "B", "fire": [1]}, "give [longitude, latitude]"),
        ({"building_id": "B", "fire": [1, 2, 3]}, "give [longitude, latitude]"),
        ({"building_id": "B", "fire": [1, float("inf")]}, "give [longitude, latitude]"),
        ({"building_id": "B", "fire": "1,2"}, "give [longitude, latitude]"),
        ({"building_id": "B", "fire": {"type": "Polygon", "coordinates": []}}, "give [longitude, latitude]"),
        ({"building_id": "B", "ladder": {"type": "Point"}}, "`ladder` is"),
        (
            {"building_id": "B", "fire": {"href": "http://a/b"}},
            "`fire` is a link; this service fetches nothing",
        ),
        ([], "`inputs` is []; give an object"),
        (None, "`inputs` is null; give an object"),
    ],
)
def test_what_cannot_be_asked_is_said_in_one_sentence(asked: Any, sentence: str) -> None:
    with pytest.raises(QuestionError) as refused:
        read_question(asked)
    said = str(refused.value)
    assert sentence in said
    assert said.endswith(".")
    assert said.isprintable()
    assert len(said) < 400


def test_an_input_of_one_process_is_none_of_the_other() -> None:
    asked = {"building_id": "B1", "paper": "a4"}
    assert read_question(asked, more=("paper",)) == Scenario("B1")
    assert read_word("paper", asked, ("letter", "a4")) == "a4"
    with pytest.raises(QuestionError, match="no input"):
        read_question(asked)
    with pytest.raises(QuestionError, match="give one of letter, a4"):
        read_word("paper", {"paper": "A4"}, ("letter", "a4"))


def test_the_schemas_of_one_process_are_not_those_of_another() -> None:
    mine = question_inputs(paper={"schema": {"type": "string"}})
    mine["fire"]["schema"].clear()
    assert INPUTS["fire"]["schema"]
    assert "paper" not in INPUTS


numbers = st.one_of(
    st.integers(-400, 400), st.floats(-400, 400), st.just(float("nan")), st.just(float("inf")), st.booleans()
)
junk = st.one_of(st.none(), numbers, st.text(max_size=5), st.lists(numbers, max_size=3))
places = st.one_of(
    st.lists(numbers, min_size=2, max_size=2),
    st.builds(lambda pair: {"type": "Point", "coordinates": pair}, st.lists(numbers, min_size=2, max_size=2)),
    junk,
)
questions = st.fixed_dictionaries(
    {
        "building_id": st.one_of(
            st.text(st.characters(codec="ascii", categories=["L", "N"]), max_size=8), junk
        )
    },
    optional={
        "fire": places,
        "wind_from_deg": st.one_of(numbers, junk),
        "method": st.one_of(st.sampled_from(METHODS), junk),
        "ladder": places,
    },
)


def schema_of_all() -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {name: one["schema"] for name, one in INPUTS.items()},
        "required": ["building_id"],
        "additionalProperties": False,
    }


@given(questions)
def test_the_reader_takes_what_the_schemas_allow_and_nothing_else(asked: dict[str, Any]) -> None:
    # `jsonschema` stands for every client that reads the description. What no schema of a pair can say: that
    # the second number is a latitude. JSON itself has no numbers that are none, and a pattern in
    # Python, unlike one of JSON schema, lets a line end.
    allowed = jsonschema.Draft7Validator(schema_of_all()).is_valid(asked) and "NaN" not in json.dumps(asked)
    allowed = allowed and not asked["building_id"].endswith("\n")
    spots = [asked[key]["coordinates"] if isinstance(asked[key], dict) else asked[key]
             for key in ("fire", "ladder") if key in asked]  # fmt: skip
    allowed = allowed and all(abs(pair[0]) <= 180 and abs(pair[1]) <= 90 for pair in spots)
    try:
        scenario = read_question(asked)
    except QuestionError:
        assert not allowed
    else:
        assert allowed
        assert scenario.building_id == asked["building_id"]
        assert (scenario.method, scenario.fire is None) == (asked.get("method"), "fire" not in asked)
