"""What a visit should find out: every fact of a roof that nobody has looked at yet.

In: the tables of a build, ids of the buildings that are visited.
Out: one row for each building and open fact: what is on record now, and how that is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from roofplat.rules import Rulebook

__all__ = ["NOT_KNOWN", "open_facts"]

NOT_KNOWN = "not known"
# A value that is known in one of these ways is a guess, and a visit may settle it.
_GUESSED = ("inferred", "assumed", "doubtful")
# Sections whose values are told apart; of more, the first.
_MOST_SAID = 3
# What is asked, in the order of the sheet: label, table, column, column of its basis, unit.
# The family is asked until somebody has surveyed it; the rest while it is missing or guessed.
_ASKED: tuple[tuple[str, str, str, str, str], ...] = (
    ("Roof family", "buildings", "roof_family", "family_basis", ""),
    ("Form of the roof", "sections", "roof_shape", "shape_basis", ""),
    ("Slope", "sections", "slope_deg", "slope_basis", "deg from level"),
    ("Direction of the beams", "sections", "framing_axis_deg", "axis_basis", "deg from true north"),
    ("Beam to beam", "sections", "beam_spacing_ft", "spacing_basis", "ft"),
    ("Purlin to purlin", "sections", "purlin_spacing_ft", "spacing_basis", "ft"),
    ("Rafter to rafter", "sections", "rafter_spacing_ft", "spacing_basis", "ft"),
    ("Deck", "sections", "deck", "", ""),
    ("Load hung from the roof", "roofs", "suspended_load", "suspended_load_basis", ""),
    ("Parapet above the roof edge", "sections", "parapet_ft", "", "ft"),
    ("Height to the roof edge", "buildings", "height_ft", "height_basis", "ft"),
    ("Storeys", "buildings", "storeys", "", ""),
    ("Sprinklers throughout", "buildings", "sprinklered", "", ""),
    ("Occupancy", "buildings", "occupancy", "", ""),
    ("Year built", "buildings", "year_built", "", ""),
)
# What a family does not have is not asked of its roof.
_BY_FAMILY = ("slope_deg", "beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")


def open_facts(tables: Mapping[str, pd.DataFrame], ids: Sequence[str], rules: Rulebook) -> pd.DataFrame:
    """List what nobody knows for sure of some buildings.

    Parameters
    ----------
    tables
        `buildings`; `sections` and `roofs` where there are any.
    ids
        The buildings that are visited.
    rules
        For the names of the families.

    Returns
    -------
    DataFrame
        `building_id`, `fact`, `record`: what is on record, with its basis, or `NOT_KNOWN`. A fact of
        a roof in several sections is asked where one of them lacks it. In the order of the sheet.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> own = {"building_id": ["7"], "roof_family": ["unknown"], "family_basis": ["assumed"]}
    >>> open_facts({"buildings": pd.DataFrame(own)}, ["7"], load_rulebook()).values.tolist()
    [['7', 'Roof family', 'not known']]
    """
    found = []
    for label, table, column, basis, unit in _ASKED:
        if table not in tables or column not in tables[table]:
            continue
        frame = pd.DataFrame(tables[table])
        frame = frame[frame["building_id"].isin(ids)]
        value, known = frame[column], frame[basis] if basis else pd.Series("", index=frame.index)
        known = known.astype("str").fillna("")
        if column == "roof_family":
            wanted = known != "surveyed"
            value = _family_words(frame, rules)
        else:
            wanted = value.isna() | known.isin(_GUESSED)
            if column in _BY_FAMILY:
                wanted &= ~_beside_the_point(frame, column, rules)
            value = _words(value, unit)
        missing = value.isna()
        record = value.mask(missing, NOT_KNOWN)
        record = record + (", " + known).where(~missing & (known != ""), "")
        rows = pd.DataFrame({"building_id": frame["building_id"], "record": record, "wanted": wanted})
        open_here = set(rows.loc[rows["wanted"], "building_id"])
        rows = rows[rows["building_id"].isin(open_here)]
        said = rows.groupby("building_id", sort=False)["record"].agg(_joined).reset_index()
        found.append(said.assign(fact=label))
    if not found:
        return pd.DataFrame({"building_id": [], "fact": [], "record": []}, dtype="str")
    facts = pd.concat(found, ignore_index=True)
    return facts[["building_id", "fact", "record"]]


def _family_words(frame: pd.DataFrame, rules: Rulebook) -> pd.Series:
    """Names of the families; of an unknown one, what it may be."""
    family = frame["roof_family"]
    label = family.map({key: entry.label for key, entry in rules.families.items()}).fillna(family)
    label = label.mask(family == "unknown")
    if "odds" not in frame:
        return label
    odds = frame["odds"].astype("str")
    said = NOT_KNOWN + "; may be " + odds
    if "local_roofs" in frame:
        said = said + " (surveyed roofs behind it: " + frame["local_roofs"].astype("str").fillna("0") + ")"
    return label.mask((family == "unknown") & odds.notna() & (odds != ""), said)


def _beside_the_point(frame: pd.DataFrame, column: str, rules: Rulebook) -> pd.Series:
    """Sections of a family that has no such figure: there is nothing to be measured."""
    without = [
        name for name, family in rules.families.items() if name != "unknown" and family.number(column) is None
    ]
    return frame[column].isna() & frame["roof_family"].isin(without)


def _words(value: pd.Series, unit: str) -> pd.Series:
    """Values as text, missing ones still missing."""
    if pd.api.types.is_bool_dtype(value.dtype):
        return value.map({True: "yes", False: "no"}).astype("str")
    if pd.api.types.is_float_dtype(value.dtype):
        return value.map(lambda number: f"{number:g} {unit}".strip(), na_action="ignore").astype("str")
    return value.astype("str")


def _joined(records: Any) -> str:
    """Different values of one building's sections, each once."""
    different = list(dict.fromkeys(records))
    more = len(different) - _MOST_SAID
    return "; ".join(different[:_MOST_SAID]) + (f"; and {more} more" if more > 0 else "")
