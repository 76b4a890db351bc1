"""Hold sounding notes against the framing and against each other.

In: every walk and felt spacing that was noted, the sections as framed.
Out: problem rows for notes that give the beams another direction than the one in force.

A building may have been walked several times. The notes may be of different walls: a walk along the beams
and one across them agree. Only the directions that they give are compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from roofplat.framing.axis import sounded_axis_deg
from roofplat.framing.spacings import Spacings
from roofplat.intake import AttributeRecords
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = ["check_soundings", "sounding_notes"]

_WALK, _FELT = "sounding_walk_deg", "sounding_spacing_ft"
# Who says which way the beams run, and is held against the notes.
_SAID = ("surveyed", "recorded", "drawn")


def sounding_notes(facts: pd.DataFrame, attributes: Sequence[AttributeRecords]) -> pd.DataFrame:
    """Put each walk together with the spacing felt on it.

    Parameters
    ----------
    facts
        `tables.TABLES["facts"]`: what is said of whole buildings.
    attributes
        The sources; logs say things of single sections as well.

    Returns
    -------
    DataFrame
        `building_id`, `section_id` (missing: the whole building), `walk_deg`, `felt_ft`, `date`: one row a
        note. The two halves are of one building, source and day; of several notes of one day the first
        walk goes with the first spacing.

    Examples
    --------
    >>> facts = pd.DataFrame({"building_id": "B1", "field": ["sounding_walk_deg", "sounding_spacing_ft"],
    ...     "value": ["12", "8"], "date": pd.to_datetime(["2024-05-01"] * 2), "source": "survey log"})
    >>> sounding_notes(facts, ())[["building_id", "walk_deg", "felt_ft"]].values.tolist()
    [['B1', 12.0, 8.0]]
    """
    halves = [
        facts.assign(section_id=None)[["building_id", "section_id", "field", "value", "date", "source"]]
    ]
    for source in attributes:
        if source.log:
            of_part = source.frame[source.frame["section_id"].notna()]
            # The later row of a log goes first, as it does among the facts.
            of_part = of_part.iloc[::-1]
            halves += [
                pd.DataFrame(
                    {
                        "building_id": of_part["key"],
                        "section_id": of_part["section_id"],
                        "field": field,
                        "value": of_part[field],
                        "date": of_part["date"],
                        "source": source.source.name,
                    }
                ).dropna(subset="value")
                for field in (_WALK, _FELT)
                if field in of_part
            ]
    said = pd.concat([half.astype({"value": "object"}) for half in halves if len(half)] or halves[:1])
    said = said[said["field"].isin([_WALK, _FELT])]
    own = ["building_id", "section_id", "date", "source"]
    said = said.assign(place=said.groupby([*own, "field"], dropna=False).cumcount())
    walk = said[said["field"] == _WALK].drop(columns="field").rename(columns={"value": "walk_deg"})
    felt = said[said["field"] == _FELT].drop(columns="field").rename(columns={"value": "felt_ft"})
    notes = walk.merge(felt, on=[*own, "place"], how="inner")
    notes = notes.astype({"walk_deg": "float64", "felt_ft": "float64"})
    return notes[["building_id", "section_id", "walk_deg", "felt_ft", "date"]]


def check_soundings(
    notes: pd.DataFrame, sections: pd.DataFrame, spacings: Spacings, rules: Rulebook
) -> pd.DataFrame:
    """Find notes that give the beams of a section another direction than the one in force.

    Parameters
    ----------
    notes
        From `sounding_notes`.
    sections
        `building_id`, `section_id`, `framing_axis_deg`, `axis_basis`, n rows.
    spacings
        The spacings in force, n rows.
    rules
        `sounding.match_share`, `sounding.agree_deg`.

    Returns
    -------
    DataFrame
        `tables.TABLES["problems"]`: a `soundings_disagree` row for each section with such a note.
    """
    nothing = problem_rows("framing", [], "soundings_disagree", "warning", "", "")
    if notes.empty:
        return nothing
    place = pd.DataFrame(
        {
            "building_id": sections["building_id"].astype("str"),
            "own": sections["section_id"].astype("str"),
            "at": np.arange(len(sections)),
        }
    )
    pairs = notes.merge(place, on="building_id")
    pairs = pairs[pairs["section_id"].isna() | (pairs["section_id"] == pairs["own"])].reset_index(drop=True)
    at = pairs["at"].to_numpy(dtype=np.int64)
    beams = np.where(spacings.framing == "joists", spacings.rafter_ft, spacings.beam_ft)
    given = sounded_axis_deg(
        pairs["walk_deg"].to_numpy(dtype=float),
        pairs["felt_ft"].to_numpy(dtype=float),
        beams[at],
        spacings.purlin_ft[at],
        rules,
    )
    axis = sections["framing_axis_deg"].to_numpy(dtype=float)[at]
    basis = sections["axis_basis"].iloc[at]
    off = np.abs((given - axis + 90.0) % 180.0 - 90.0)
    with np.errstate(invalid="ignore"):
        against = (off > rules.number("sounding.agree_deg")) & basis.isin(_SAID).to_numpy(dtype=bool)
    told = pairs[against].assign(
        given=given[against] % 180.0, axis=axis[against], basis=basis.to_numpy()[against]
    )
    told = told.drop_duplicates("own")
    if told.empty:
        return nothing
    return problem_rows(
        "framing",
        told["own"],
        "soundings_disagree",
        "warning",
        [
            f"A sounding of {_day(day)} (walked {walk:.0f} deg, felt {felt:g} ft) lets the beams of section "
            f"{own} run along {given_deg:.0f} deg; in force is {axis_deg:.0f} deg, {how}: they contradict "
            "each other."
            for own, day, walk, felt, given_deg, axis_deg, how in zip(
                told["own"],
                told["date"],
                told["walk_deg"],
                told["felt_ft"],
                told["given"],
                told["axis"],
                told["basis"],
                strict=True,
            )
        ],
        "Sound the roof again; where it has several sections, say which one was walked.",
    )


def _day(moment: Any) -> str:
    return "no date" if pd.isna(moment) else f"{moment:%Y-%m-%d}"
