"""Turn a column of whatever a file holds into a typed column in house units.

In: a column as it was read, the house field it fills, its unit, the rulebook.
Out: `Typed`: the values, missing where nothing usable stood, and the faults found.

A value that cannot be understood is left out and named, never guessed at.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

import numpy as np
import pandas as pd

from roofplat.errors import RuleError
from roofplat.intake.layer import BoolArray
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, ROOF_SHAPES

__all__ = [
    "COMPASS_DEG",
    "ROOF_WORDS",
    "Fault",
    "Typed",
    "as_str",
    "booleans",
    "clean_keys",
    "dates",
    "limits",
    "numbers",
    "text",
    "typed",
]

ROOF_WORDS: Mapping[str, str] = {
    "flat": "flat",
    "gabled": "gabled",
    "gable": "gabled",
    "hipped": "hipped",
    "hip": "hipped",
    "pyramidal": "hipped",
    "monopitch": "monopitch",
    "skillion": "monopitch",
    "shed": "monopitch",
    "lean_to": "monopitch",
    "sawtooth": "sawtooth",
    "arched": "arched",
    "round": "arched",
    "barrel": "arched",
    "other": "other",
    "half_hipped": "other",
    "side_hipped": "other",
    "side_half_hipped": "other",
    "hipped_and_gabled": "other",
    "gabled_height_moved": "other",
    "bellcast_gable": "other",
    "crosspitched": "other",
    "butterfly": "other",
    "many": "other",
    "mansard": "other",
    "gambrel": "other",
    "saltbox": "other",
    "dome": "other",
    "spherical": "other",
    "onion": "other",
    "cone": "other",
}
"""A word for the form of a roof, as OpenStreetMap, Overture Maps or people write it: ours."""

_MISSING = ("", "nan", "null", "none", "<null>", "<na>", "nat")
_YES = ("yes", "y", "true", "t", "1", "1.0")
_NO = ("no", "n", "false", "f", "0", "0.0")
_COMPASS = (
    "N",
    "NNE",
    "NE",
    "ENE",
    "E",
    "ESE",
    "SE",
    "SSE",
    "S",
    "SSW",
    "SW",
    "WSW",
    "W",
    "WNW",
    "NW",
    "NNW",
)
_LONG = ("NORTH", "NORTHEAST", "EAST", "SOUTHEAST", "SOUTH", "SOUTHWEST", "WEST", "NORTHWEST")
COMPASS_DEG: Mapping[str, float] = {point: 22.5 * place for place, point in enumerate(_COMPASS)} | {
    word: 45.0 * place for place, word in enumerate(_LONG)
}
"""Compass points and their words, in capitals, to degrees from north."""
# Azimuths that may be written as a compass point.
_FACINGS = ("downslope_deg", "ridge_deg")
# A line has no front, so that 270 says the same as 90.
_TURNS_DEG = {"framing_axis_deg": 180.0, "ridge_deg": 180.0, "downslope_deg": 360.0}
# What is seen has a date behind us; what is planned may have one before us.
_TO_COME = ("inspect_by",)
_DATE = r"^\d{4}(?:[-/]\d{1,2}(?:[-/]\d{1,2}(?:[T ].*)?)?)?$"


@dataclass(frozen=True, slots=True)
class Fault:
    """Values that were left out: which, why, and what to do; `why` is one for all or one for each."""

    mask: BoolArray
    code: str
    why: str | list[str]
    action: str


@dataclass(frozen=True, slots=True)
class Typed:
    """A typed column and what was wrong with it."""

    cells: pd.Series[Any]
    faults: tuple[Fault, ...] = ()


def text(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return stripped text; empty cells and words for nothing are missing.

    Examples
    --------
    >>> text(pd.Series([" 12 Elm St ", "", None, 7.0])).tolist()
    ['12 Elm St', <NA>, <NA>, '7']
    """
    if pd.api.types.is_float_dtype(values.dtype):
        whole = values.notna() & (values == np.floor(values)) & (values.abs() < 1e15)
        words = values.astype("string").mask(whole, values.where(whole).astype("Int64").astype("string"))
    elif values.dtype == object:
        # Nested values become text; a number in a column of mixed kinds loses its idle ".0".
        words = values.map(_word, na_action="ignore").astype("string")
    else:
        words = values.astype("string")
    words = words.str.strip()
    return words.mask(words.str.lower().isin(_MISSING))


def clean_keys(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return ids as text that compares alike in every file: stripped, `123.0` as `123`.

    Examples
    --------
    >>> clean_keys(pd.Series([" 123.0", "00417", 5.0, None])).tolist()
    ['123', '00417', '5', <NA>]
    """
    return text(values).str.replace(r"^(-?\d+)\.0+$", r"\1", regex=True)


def numbers(values: pd.Series[Any]) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return finite numbers, and which cells hold something that is not one.

    Examples
    --------
    >>> good, bad = numbers(pd.Series(["12", "12 ft", "", "n/a", "inf"]))
    >>> good.tolist(), bad.tolist()
    ([12.0, nan, nan, nan, nan], [False, True, False, True, True])
    """
    if pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype):
        found = values.astype("Float64").astype("float64")
        stated = found.notna()
    else:
        words = text(values)
        stated = words.notna()
        found = pd.to_numeric(words.astype(object).where(stated, None), errors="coerce").astype("float64")
    usable = pd.Series(np.isfinite(found.to_numpy()), index=values.index)
    return found.where(usable), (stated & ~usable).astype(bool)


def booleans(values: pd.Series[Any]) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return yes/no values, and which cells hold neither.

    Examples
    --------
    >>> good, bad = booleans(pd.Series(["Yes", "0", "maybe", None]))
    >>> good.tolist(), bad.tolist()
    ([True, False, <NA>, <NA>], [False, False, True, False])
    """
    words = text(values).str.lower()
    yes, no = words.isin(_YES), words.isin(_NO)
    found = pd.Series(pd.NA, index=values.index, dtype="boolean").mask(yes, True).mask(no, False)
    return found, (words.notna() & ~yes & ~no).astype(bool)


def dates(values: pd.Series[Any]) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return ISO dates (a year or a year and month stand for their first day), and what is none.

    Examples
    --------
    >>> good, bad = dates(pd.Series(["2019-05-01", "1987", "5/1/2019"]))
    >>> good.dt.strftime("%Y-%m-%d").tolist(), bad.tolist()
    (['2019-05-01', '1987-01-01', nan], [False, False, True])
    """
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        moments = pd.to_datetime(values, utc=True).dt.tz_localize(None)
        return moments.astype("datetime64[ms]"), pd.Series(False, index=values.index)
    words = text(values)
    shaped = words.str.match(_DATE).fillna(False).astype(bool)
    iso = words.where(shaped).str.replace("/", "-").astype(object)
    moments = pd.to_datetime(iso.where(shaped, None), format="ISO8601", errors="coerce", utc=True)
    found = moments.dt.tz_localize(None).astype("datetime64[ms]")
    return found, (words.notna() & found.isna()).astype(bool)


def typed(values: pd.Series[Any], field: str, rules: Rulebook, *, factor: float = 1.0) -> Typed:
    """Type one column.

    Parameters
    ----------
    values
        The column as read, shape (n,).
    field
        A key of `tables.ATTRIBUTES`, or `date`, `kind`, `note`, `voltage_kv`.
    rules
        Ranges `intake.range.*`, roof families.
    factor
        House units in one unit of the column.

    Returns
    -------
    Typed
        Values with the dtype of the table, same index.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> metres = pd.Series(["3", "n/a"])
    >>> typed(metres, "height_ft", load_rulebook(), factor=1 / 0.3048).cells.round(2).tolist()
    [9.84, nan]
    """
    dtype = _dtype(field)
    if dtype == "boolean":
        found, bad = booleans(values)
        return Typed(found, _fault(bad, "wrong_type", "it is not yes or no", "Write yes or no."))
    if dtype == "datetime64[ms]":
        found, bad = dates(values)
        late = (found > pd.Timestamp.now() + pd.Timedelta(days=1)).astype(bool) & (field not in _TO_COME)
        return Typed(
            found.mask(late),
            (
                *_fault(
                    bad, "wrong_type", "it is not a date", "Write the date as 2024-05-31, or the year alone."
                ),
                *_fault(late, "out_of_range", "it lies in the future", "Write the date it was seen."),
            ),
        )
    if dtype in ("float64", "Int64"):
        return _typed_number(values, field, rules, factor, whole=dtype == "Int64")
    if field == "roof_family":
        return _typed_family(values, rules)
    if field == "bearing_walls":
        return _typed_walls(values)
    if field == "roof_shape":
        return _typed_shape(values)
    column = ATTRIBUTES.get(field)
    if column is not None and column.allowed:
        words = text(values)
        known = words.str.lower().str.replace(r"[\s-]+", "_", regex=True)
        bad = (known.notna() & ~known.isin(column.allowed)).astype(bool)
        why = f"it is none of {', '.join(column.allowed)}"
        return Typed(as_str(known.mask(bad)), _fault(bad, "unknown_value", why, "Write one of those words."))
    return Typed(as_str(text(values)))


def _typed_number(
    values: pd.Series[Any], field: str, rules: Rulebook, factor: float, *, whole: bool
) -> Typed:
    if field in _FACINGS:
        points = text(values).str.upper().map(COMPASS_DEG)
        values = values.astype(object).where(points.isna(), points)
    found, bad = numbers(values)
    if field == "year_built":
        # A full date says the year as well.
        moments, _ = dates(values.where(bad))
        years = moments.dt.year.astype("float64")
        found, bad = found.where(found.notna(), years), bad & years.isna()
    found = found * factor
    what, how = "it is not a number", "Write the number alone, without unit or words."
    if field in _FACINGS:
        what, how = "it is no direction", "Write degrees from true north, or a compass point such as NNE."
    faults = [*_fault(bad, "wrong_type", what, how)]
    if whole:
        broken = (found.notna() & (found != np.floor(found))).astype(bool)
        faults += _fault(broken, "wrong_type", "it is not a whole number", "Write a whole number.")
        found = found.mask(broken)
    low, high = limits(field, rules)
    if field == "year_built":
        high = min(high, float(pd.Timestamp.now().year + 1))
    outside = ((found < low) | (found > high)).astype(bool)
    if np.isfinite([low, high]).any():
        unit = (ATTRIBUTES[field].unit if field in ATTRIBUTES else "kV").replace("year", "")
        why = f"it is outside {low:g} to {high:g} {unit}".rstrip()
        # No roof stands upright, whatever a department's range.
        action = "Mend it." if field == "slope_deg" else f"Mend it, or widen the rule intake.range.{field}."
        faults += _fault(outside, "out_of_range", why, action)
    found = found.mask(outside)
    if field in _TURNS_DEG:
        found = found % _TURNS_DEG[field]
    return Typed(found.astype("Int64") if whole else found, tuple(faults))


def _typed_family(values: pd.Series[Any], rules: Rulebook) -> Typed:
    words = text(values)
    plain = words.str.lower().str.replace(r"[\s-]+", "_", regex=True)
    by_label = {family.label.lower().replace(" ", "_"): key for key, family in rules.families.items()}
    found = plain.replace(by_label)
    bad = (found.notna() & ~found.isin(list(rules.families))).astype(bool)
    hints = {
        word: "the nearest are " + ", ".join(get_close_matches(word, rules.families, n=3, cutoff=0.3))
        if get_close_matches(word, rules.families, n=1, cutoff=0.3)
        else "the families are " + ", ".join(rules.families)
        for word in found[bad].unique()
    }
    why = [f"it is no roof family; {hints[word]}" for word in found[bad]]
    # `unknown` claims nothing, so that it cannot outdo another source.
    known = found.mask(bad | (found == "unknown").fillna(False))
    return Typed(
        as_str(known),
        _fault(bad, "unknown_roof_family", why, "Use an id from families.toml, or unknown."),
    )


def _typed_shape(values: pd.Series[Any]) -> Typed:
    words = text(values).str.lower().str.replace(r"[\s-]+", "_", regex=True)
    words = words.mask((words == "unknown").fillna(False).astype(bool))
    found = words.map(ROOF_WORDS, na_action="ignore")
    bad = (words.notna() & found.isna()).astype(bool)
    why = f"it is no form of a roof that is known here; the forms are {', '.join(ROOF_SHAPES)}"
    action = "Write one of those words, or leave it empty."
    return Typed(as_str(found), _fault(bad, "unknown_value", why, action))


def _typed_walls(values: pd.Series[Any]) -> Typed:
    words = text(values).str.replace(r"[\s,;/+&-]+", "", regex=True)
    every = (words.str.lower() == "all").fillna(False).astype(bool)
    sides = words.str.upper()
    lettered = sides.str.match(r"^[ABCD]{1,4}$").fillna(False).astype(bool)
    bad = (words.notna() & ~every & ~lettered).astype(bool)
    found = sides.mask(every, "all").mask(bad)
    return Typed(
        as_str(found),
        _fault(bad, "wrong_type", "it names no walls", "Write all, or side letters such as AC."),
    )


def limits(field: str, rules: Rulebook) -> tuple[float, float]:
    """Return the least and the greatest value that a field may hold; infinite where no rule says.

    Raises
    ------
    RuleError
        The rule `intake.range.FIELD` is no range, or lets values through that cannot be.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> limits("slope_deg", load_rulebook())
    (0.0, 89.0)
    """
    rule_id = f"intake.range.{field}"
    if rule_id not in rules.rules:
        return -np.inf, np.inf
    found = rules.numbers(rule_id)
    if len(found) != 2 or not found[0] <= found[1]:
        raise RuleError(f"Rule {rule_id} is {found}, but it takes two numbers, the low one first: change it.")
    low, high = found
    if field == "slope_deg" and (low < 0 or high >= 90):
        raise RuleError(f"Rule {rule_id} is {found}, but a slope is from 0 up to 90 degrees: change it.")
    if field.endswith("_spacing_ft") and low <= 0:
        raise RuleError(f"Rule {rule_id} is {found}, but a spacing is more than 0 ft: change it.")
    return low, high


def _dtype(field: str) -> str:
    extra: Mapping[str, str] = {"date": "datetime64[ms]", "voltage_kv": "float64"}
    return ATTRIBUTES[field].dtype if field in ATTRIBUTES else extra.get(field, "str")


def _fault(mask: pd.Series[Any], code: str, why: str | list[str], action: str) -> tuple[Fault, ...]:
    found = mask.to_numpy(dtype=bool)
    return (Fault(found, code, why, action),) if found.any() else ()


def as_str(words: pd.Series[Any]) -> pd.Series[Any]:
    """Give text the dtype of the tables, missing staying missing."""
    if isinstance(words.dtype, pd.StringDtype):
        return words.astype("str")
    plain = words.astype(object).where(words.notna(), None)
    return pd.Series(plain.to_numpy(dtype=object), index=words.index, dtype="str")


def _word(value: object) -> str:
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, (dict, list)):
        return json.dumps(value, ensure_ascii=False, default=str)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
