"""What a what-if asks, as JSON, and what it comes to.

In: the `inputs` of a request to execute a process.
Out: a `Scenario` with every value in its bounds, or one sentence that says what cannot be asked.
"""

from __future__ import annotations

import json
import math
import unicodedata
from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any

from roofplat.errors import QuestionError
from roofplat.pipeline.scenarios import Scenario
from roofplat.tables import METHODS

__all__ = ["INPUTS", "question_inputs", "read_question", "read_word"]

_LONGEST_ID = 200
_SHOWN = 60
# No control characters.
_PLAIN = r"^[^\u0000-\u001f\u007f-\u009f]+$"

_PLACE: Mapping[str, Any] = {
    "oneOf": [
        {
            "type": "array",
            "items": {"type": "number", "minimum": -180, "maximum": 180},
            "minItems": 2,
            "maxItems": 2,
        },
        {
            "type": "object",
            "properties": {
                "type": {"type": "string", "enum": ["Point"]},
                "coordinates": {
                    "type": "array",
                    "items": {"type": "number"},
                    "minItems": 2,
                    "maxItems": 2,
                },
            },
            "required": ["type", "coordinates"],
            "additionalProperties": False,
        },
    ]
}

INPUTS: Mapping[str, Mapping[str, Any]] = {
    "building_id": {
        "title": "Building",
        "description": "Id of the building, as the layers, the map and ranking.csv show it.",
        "schema": {"type": "string", "minLength": 1, "maxLength": _LONGEST_ID, "pattern": _PLAIN},
        "minOccurs": 1,
        "maxOccurs": 1,
    },
    "fire": {
        "title": "Fire spot",
        "description": "Longitude and latitude of a place inside the building's outline, WGS 84 degrees, or "
        "a GeoJSON point. Without it: the fire spot of the standing plan.",
        "schema": _PLACE,
        "minOccurs": 0,
        "maxOccurs": 1,
    },
    "wind_from_deg": {
        "title": "Wind from",
        "description": "The direction the wind comes from, degrees clockwise from true north. Without it: "
        "the wind of the standing plan.",
        "schema": {"type": "number", "minimum": 0, "maximum": 360},
        "minOccurs": 0,
        "maxOccurs": 1,
    },
    "method": {
        "title": "Method to prefer",
        "description": "How to open the roof, where the rules allow it; else the plan says what speaks "
        "against it. Without it: the first method of the roof family that nothing speaks against.",
        "schema": {"type": "string", "enum": list(METHODS)},
        "minOccurs": 0,
        "maxOccurs": 1,
    },
    "ladder": {
        "title": "Ladder already placed",
        "description": "Longitude and latitude of the base of a ladder that stands at a wall of the "
        "building, WGS 84 degrees, or a GeoJSON point. Without it: both spots are planned.",
        "schema": _PLACE,
        "minOccurs": 0,
        "maxOccurs": 1,
    },
}
"""The inputs of a what-if with their JSON schemas, as a process description gives them."""


def question_inputs(**more: Mapping[str, Any]) -> dict[str, Any]:
    """The inputs of a process that asks a what-if, as a copy that may be changed.

    Parameters
    ----------
    **more
        Inputs that the process has beside `INPUTS`.
    """
    return deepcopy({**INPUTS, **more})


def read_question(inputs: object, *, more: Sequence[str] = ()) -> Scenario:
    """Read what a what-if asks.

    Parameters
    ----------
    inputs
        Of the request; a value may stand in `{"value": ...}`, as OGC 18-062r2 has objects do.
    more
        Names of inputs that the process reads by itself.

    Returns
    -------
    Scenario
        What is not asked is None. A direction of 360 is 0.

    Raises
    ------
    QuestionError
        One sentence: which input, what it is, what it may be.

    Examples
    --------
    >>> read_question({"building_id": "MB-0001", "wind_from_deg": 360}).wind_from_deg
    0.0
    >>> read_question({"building_id": "MB-0001", "wind_from_deg": -1})
    Traceback (most recent call last):
        ...
    roofplat.errors.QuestionError: `wind_from_deg` is -1; give a number of degrees from 0 to 360.
    """
    asked = _named(inputs, (*INPUTS, *more))
    name = asked.get("building_id")
    if not isinstance(name, str) or not 0 < len(name) <= _LONGEST_ID or not _is_plain(name):
        raise QuestionError(
            _fault("building_id", asked, f"give the id of a building, 1 to {_LONGEST_ID} characters")
        )
    wind = None
    if "wind_from_deg" in asked:
        number = _number(asked["wind_from_deg"])
        if number is None or not 0.0 <= number <= 360.0:
            raise QuestionError(_fault("wind_from_deg", asked, "give a number of degrees from 0 to 360"))
        wind = number % 360.0
    return Scenario(
        building_id=name,
        fire=_place("fire", asked),
        wind_from_deg=wind,
        method=read_word("method", asked, METHODS),
        ladder=_place("ladder", asked),
    )


def read_word(key: str, asked: object, allowed: Sequence[str]) -> str | None:
    """One word of a few; None where it is not asked.

    Raises
    ------
    QuestionError
        It is another word, or no word.
    """
    values = _opened(asked) if isinstance(asked, Mapping) else {}
    if key not in values:
        return None
    word = values[key]
    if not isinstance(word, str) or word not in allowed:
        raise QuestionError(_fault(key, values, f"give one of {', '.join(allowed)}"))
    return word


def _named(inputs: object, known: Sequence[str]) -> dict[str, Any]:
    if not isinstance(inputs, Mapping):
        raise QuestionError(f"`inputs` is {_shown(inputs)}; give an object with at least `building_id`.")
    strange = [str(key) for key in inputs if key not in known]
    if strange:
        raise QuestionError(f"There is no input {_shown(strange[0])}; the inputs are {', '.join(known)}.")
    return _opened(inputs)


def _opened(inputs: Mapping[str, Any]) -> dict[str, Any]:
    """Values out of their wrappings."""
    opened = {}
    for key, value in inputs.items():
        if isinstance(value, Mapping) and "href" in value:
            raise QuestionError(f"`{key}` is a link; this service fetches nothing, give the value itself.")
        wrapped = isinstance(value, Mapping) and "value" in value
        opened[key] = value["value"] if wrapped else value
    return opened


def _is_plain(text: str) -> bool:
    """Whether a text holds neither control characters nor halves of characters: no data do."""
    return not any(unicodedata.category(letter) in ("Cc", "Cs") for letter in text)


def _place(key: str, asked: Mapping[str, Any]) -> tuple[float, float] | None:
    if key not in asked:
        return None
    pair = asked[key]
    if isinstance(pair, Mapping) and pair.get("type") == "Point" and set(pair) == {"type", "coordinates"}:
        pair = pair["coordinates"]
    if isinstance(pair, list) and len(pair) == 2:
        lon, lat = (_number(value) for value in pair)
        if lon is not None and lat is not None and -180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0:
            return lon, lat
    raise QuestionError(
        _fault(
            key,
            asked,
            "give [longitude, latitude] in WGS 84 degrees, from -180 to 180 and from -90 to 90, or a GeoJSON "
            "point of them",
        )
    )


def _number(value: object) -> float | None:
    """A finite number; None for anything else. A negative zero is zero."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number + 0.0 if math.isfinite(number) else None


def _fault(key: str, asked: Mapping[str, Any], wanted: str) -> str:
    said = f"is {_shown(asked[key])}" if key in asked else "is missing"
    return f"`{key}` {said}; {wanted}."


def _shown(value: object) -> str:
    """A value of a request, short and without anything that could break a line."""
    text = json.dumps(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
