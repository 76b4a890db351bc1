"""What a visit should find out: every fact of a roof that nobody has looked at yet.

In: the tables of a build, ids of the buildings that are visited.
Out: one row for each building and open fact: what is on record now, and how that is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from roofplat.rules import Rulebook

__all__ = ["NOT_KNOWN", "open_facts"]

NOT_KNOWN = "not known"
# A value that is known in one of these ways is a guess, and a visit may settle it.
_GUESSED = ("inferred", "assumed", "doubtful")
# Sections whose values are told apart; of more, the first.
_MOST_SAID = 3
_NORTH = "deg from true north"
_THINGS = "On the roof"


@dataclass(frozen=True, slots=True)
class _Value:
    """One value of a fact: its column, that of its basis, what is said before and after it."""

    column: str
    basis: str = ""
    before: str = ""
    unit: str = ""
    decimals: int = 1


@dataclass(frozen=True, slots=True)
class _Fact:
    """What is asked as one, out of one table."""

    label: str
    table: str
    parts: tuple[_Value, ...]


# In the order of the page. The family is asked until somebody has surveyed it, the rest while it is
# missing or guessed.
_FAMILY = _Fact("Roof family", "buildings", (_Value("roof_family", "family_basis"),))
_FACTS = (
    _Fact(
        "Form and slope",
        "sections",
        (
            _Value("roof_shape", "shape_basis", "form"),
            _Value("slope_deg", "slope_basis", "slope", "deg", decimals=0),
        ),
    ),
    _Fact(
        "Direction of beams",
        "sections",
        (_Value("framing_axis_deg", "axis_basis", "", _NORTH, decimals=0),),
    ),
    _Fact("Direction of ridge", "roofs", (_Value("ridge_deg", "ridge_deg_basis", "", _NORTH, decimals=0),)),
    _Fact(
        "Spacing of members",
        "sections",
        (
            _Value("beam_spacing_ft", "spacing_basis", "beams", "ft", decimals=2),
            _Value("purlin_spacing_ft", "spacing_basis", "purlins", "ft", decimals=2),
            _Value("rafter_spacing_ft", "spacing_basis", "rafters", "ft", decimals=2),
        ),
    ),
    _Fact("Deck", "sections", (_Value("deck"),)),
    _Fact("Load hung from roof", "roofs", (_Value("suspended_load", "suspended_load_basis"),)),
    _Fact("Parapet above edge", "sections", (_Value("parapet_ft", unit="ft"),)),
    _Fact("Height to roof edge", "buildings", (_Value("height_ft", "height_basis", unit="ft"),)),
    _Fact("Storeys", "buildings", (_Value("storeys"),)),
    _Fact("Sprinklers", "buildings", (_Value("sprinklered"),)),
    _Fact("Occupancy", "buildings", (_Value("occupancy"),)),
    _Fact("Year built", "buildings", (_Value("year_built"),)),
)
# What a family does not have is not asked of its roof.
_BY_FAMILY = ("slope_deg", "beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")


def open_facts(tables: Mapping[str, pd.DataFrame], ids: Sequence[str], rules: Rulebook) -> pd.DataFrame:
    """List what nobody knows for sure of some buildings.

    Parameters
    ----------
    tables
        `buildings`; `sections`, `roofs` and `obstacles` where there are any.
    ids
        The buildings that are visited.
    rules
        For the names of the families and the figures that each has.

    Returns
    -------
    DataFrame
        `building_id`, `fact`, `record`: what is on record, with its basis, or `NOT_KNOWN`; by the order of
        `ids`, then of the page. A fact of a roof in several sections is asked where one of them lacks it.
        What stands on the roof is always asked where there is a layer of such things: no list is complete.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> own = {"building_id": ["7"], "roof_family": ["unknown"], "family_basis": ["assumed"]}
    >>> open_facts({"buildings": pd.DataFrame(own)}, ["7"], load_rulebook()).values.tolist()
    [['7', 'Roof family', 'not known']]
    """
    places = {name: place for place, name in enumerate(dict.fromkeys(ids))}
    without = {
        column: {name for name, family in rules.families.items() if family.number(column) is None}
        for column in _BY_FAMILY
    }
    ridged = {name for name, family in rules.families.items() if family.framing == "pitched"}
    without["framing_axis_deg"] = ridged
    without["ridge_deg"] = set(rules.families) - ridged
    # An unknown roof may have anything but a ridge that nobody has seen.
    without = {
        column: names - ({"unknown"} if column != "ridge_deg" else set()) for column, names in without.items()
    }
    found: list[tuple[int, int, str, str, str]] = []
    for place, fact in enumerate((_FAMILY, *_FACTS)):
        if fact.table not in tables:
            continue
        frame = pd.DataFrame(tables[fact.table])
        values = [value for value in fact.parts if value.column in frame]
        rows = frame[frame["building_id"].isin(places)]
        rows = rows.sort_values("section_id" if "section_id" in rows else "building_id", kind="stable")
        if not values or rows.empty:
            continue
        said: dict[str, list[str]] = {}
        asked: set[str] = set()
        for row in rows.to_dict("records"):
            own = [value for value in values if row.get("roof_family") not in without.get(value.column, ())]
            if fact is _FAMILY:
                words, is_open = _family_words(row, rules), row["family_basis"] != "surveyed"
            else:
                words, is_open = _words(row, own)
            building = str(row["building_id"])
            said.setdefault(building, []).append(words)
            asked |= {building} if is_open else set()
        found += [
            (places[name], place, name, fact.label, _joined(texts))
            for name, texts in said.items()
            if name in asked
        ]
    if "obstacles" in tables:
        things = _things(pd.DataFrame(tables["obstacles"]), places)
        found += [(places[name], len(_FACTS) + 1, name, _THINGS, words) for name, words in things.items()]
    rows_of = [(name, label, words) for _, _, name, label, words in sorted(found)]
    return pd.DataFrame(rows_of, columns=["building_id", "fact", "record"], dtype="str")


def _words(row: Mapping[Any, Any], values: Sequence[_Value]) -> tuple[str, bool]:
    """What is on record of one fact, and whether a visit should ask.

    Values that are known in the same way share the word for it.
    """
    parts: list[tuple[str, str]] = []
    is_open = False
    for value in values:
        given, basis = row[value.column], row.get(value.basis) if value.basis else None
        basis = "" if pd.isna(basis) else str(basis)
        if pd.isna(given) or given == "":
            is_open = True
            parts.append((f"{value.before} {NOT_KNOWN}".strip(), ""))
            continue
        is_open |= basis in _GUESSED
        parts.append((f"{value.before} {_shown(given, value)}".strip(), basis))
    if all(words.endswith(NOT_KNOWN) for words, _ in parts):
        return (NOT_KNOWN, is_open) if parts else ("none", False)
    texts = []
    for place, (words, basis) in enumerate(parts):
        last = place + 1 == len(parts) or parts[place + 1][1] != basis
        texts.append(f"{words}, {basis}" if basis and last else words)
    return "; ".join(texts), is_open


def _shown(given: Any, value: _Value) -> str:
    """One value as text, with its unit."""
    if isinstance(given, (bool,)) or str(given) in ("True", "False"):
        return "yes" if str(given) == "True" else "no"
    if isinstance(given, float):
        return f"{round(given, value.decimals) + 0.0:g} {value.unit}".strip()
    return str(given)


def _family_words(row: Mapping[Any, Any], rules: Rulebook) -> str:
    """Name the family and how it is known."""
    family = str(row["roof_family"])
    basis = "" if pd.isna(row["family_basis"]) else str(row["family_basis"])
    if family == "unknown":
        return NOT_KNOWN
    label = rules.families[family].label if family in rules.families else family
    return f"{label}; {basis}" if basis else label


def _things(obstacles: pd.DataFrame, wanted: Mapping[str, int]) -> dict[str, str]:
    """How many of what is on record on each roof."""
    own = obstacles[obstacles["building_id"].isin(wanted)]
    counts = own.groupby(["building_id", "kind"]).size().reset_index(name="number")
    said: dict[str, list[str]] = {name: [] for name in wanted}
    for row in counts.to_dict("records"):
        said[str(row["building_id"])].append(f"{str(row['kind']).replace('_', ' ')} {row['number']}")
    return {name: ", ".join(words) or "none on record" for name, words in said.items()}


def _joined(records: Sequence[str]) -> str:
    """Different values of one building's sections, each once."""
    different = list(dict.fromkeys(records))
    more = len(different) - _MOST_SAID
    return " / ".join(different[:_MOST_SAID]) + (f" / and {more} more" if more > 0 else "")
