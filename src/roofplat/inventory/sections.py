"""What a log says of single roof sections.

In: the pairs of log rows and buildings, how many sections each building has, the sections made.
Out: rows that speak of a whole building and rows that speak of one section, apart; the sections with what
    is said of each; problem rows.

A row that names the only section of a building speaks of the building. One that names a section which its
building does not have is not used: what was seen of one part must not be told of another.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat import tables
from roofplat.intake.inputs import AttributeRecords
from roofplat.inventory._shared import IntArray, combine_problems, texts
from roofplat.inventory.facts import collect_facts, known_values, reduce_facts, survey_dates
from roofplat.inventory.joins import Match
from roofplat.inventory.roofs import ROOF_FIELDS
from roofplat.rules import Rulebook
from roofplat.tables import BASES, problem_rows

__all__ = ["Looked", "latest_of_each", "split_off_sections", "tell_sections"]

_RANK = {basis: rank for rank, basis in enumerate(BASES)}
_UNKNOWN = "unknown"


class Looked(NamedTuple):
    """What was said of single sections.

    surveyed, surveyed_on
        Which sections were surveyed on their own, and when last, shape (n,).
    facts
        `TABLES["section_facts"]`.
    problems
        Problem rows.
    """

    surveyed: npt.NDArray[np.bool_]
    surveyed_on: npt.NDArray[np.datetime64]
    facts: pd.DataFrame
    problems: pd.DataFrame


def split_off_sections(
    footprints: gpd.GeoDataFrame,
    attributes: Sequence[AttributeRecords],
    matches: Sequence[Match],
    section_count: IntArray,
) -> tuple[list[Match], list[pd.DataFrame]]:
    """Take the pairs that speak of one section out of the pairs of buildings.

    Parameters
    ----------
    footprints
        `building_id`, n rows.
    attributes, matches
        The sources, and what the joins found of each.
    section_count
        How many sections each building has, shape (n,).

    Returns
    -------
    matches
        With the pairs that speak of buildings, and a `section_unknown` row for each section that is named
        and does not exist.
    of_sections
        For each source the pairs `record` and `section_id`; empty but for logs.
    """
    wholes: list[Match] = []
    parts: list[pd.DataFrame] = []
    index = pd.Index(footprints["building_id"])
    for source, match in zip(attributes, matches, strict=True):
        pairs = match.pairs
        if not source.log:
            wholes.append(match)
            parts.append(_section_pairs(pairs.iloc[:0], pairs["building_id"].iloc[:0]))
            continue
        named = source.frame.set_index("record")["section_id"].reindex(pairs["record"]).reset_index(drop=True)
        there = section_count[index.get_indexer(pd.Index(pairs["building_id"]))]
        number = pd.to_numeric(named.str.extract(r"/(\d+)$")[0], errors="coerce").fillna(0).to_numpy()
        own = (
            named == pairs["building_id"] + "/" + pd.Series(number).astype("int64").astype("str")
        ).to_numpy()
        said = named.notna().to_numpy(dtype=bool)
        fits = said & own.astype(bool) & (number >= 1) & (number <= there)
        alone = fits & (there == 1)
        lost = said & ~fits
        record = pairs["record"].to_numpy(dtype=object)[lost]
        building = pairs["building_id"].to_numpy(dtype=object)[lost]
        many = there[lost].astype("U").astype(object)
        problems = problem_rows(
            source.source.name,
            record,
            "section_unknown",
            "warning",
            texts(
                "Record ", record, " speaks of section ", named.to_numpy(dtype=object)[lost],
                ", which is not among the ", many, " of building ", building, "; it is not used.",
                size=record.size,
            ),
            "Look which section is meant, and log it anew.",
        )  # fmt: skip
        wholes.append(
            Match(
                pairs[~said | alone].reset_index(drop=True),
                combine_problems([match.problems, problems]),
            )
        )
        one = fits & ~alone
        parts.append(_section_pairs(pairs[one], named[one]))
    return wholes, parts


def tell_sections(
    roofs: gpd.GeoDataFrame,
    attributes: Sequence[AttributeRecords],
    of_sections: Sequence[pd.DataFrame],
    rules: Rulebook,
) -> tuple[gpd.GeoDataFrame, Looked]:
    """Put what a log says of single sections over what their buildings and drawings say.

    What is said of the section goes before what is said of the building or by the drawing, unless those are
    of a better basis.

    Parameters
    ----------
    roofs
        `TABLES["roofs"]`, n rows.
    attributes, of_sections
        The sources, and the pairs `record` and `section_id` of each.
    rules
        The roof families, and when two values are the same.

    Returns
    -------
    roofs
        A copy where anything was said.
    looked
        Conflicts and values that cannot be are in its problems.
    """
    count = len(roofs)
    if not any(len(pairs) for pairs in of_sections):
        nothing = np.zeros(count, dtype=bool)
        never = np.full(count, np.datetime64("NaT", "ms"))
        return roofs, Looked(nothing, never, tables.empty("section_facts"), combine_problems([]))
    sections = gpd.GeoDataFrame({"building_id": roofs["section_id"].to_numpy(dtype=object)})
    pairs = [pair.rename(columns={"section_id": "building_id"}) for pair in of_sections]
    loose, impossible = collect_facts(sections, attributes, pairs, rules)
    facts, conflicts = reduce_facts(loose, sections["building_id"].to_numpy(dtype=object), rules)
    known = known_values(facts, count)
    told = roofs.copy()
    for field in ROOF_FIELDS:
        had = roofs[f"{field}_basis"].map(_RANK).fillna(len(BASES)).to_numpy(dtype=float).copy()
        had[(roofs[field].isna() | (roofs[field] == _UNKNOWN).fillna(False)).to_numpy(dtype=bool)] = len(
            BASES
        )
        rank = known[f"{field}_basis"].map(_RANK).fillna(len(BASES) + 1).to_numpy(dtype=float)
        take = rank <= had
        told[field] = roofs[field].mask(take, known[field])
        told[f"{field}_basis"] = roofs[f"{field}_basis"].mask(take, known[f"{field}_basis"])
    surveyed, surveyed_on = survey_dates(facts, count)
    row = facts["building"].to_numpy()
    said = facts.assign(
        building_id=roofs["building_id"].take(row).to_numpy(dtype=object),
        section_id=roofs["section_id"].take(row).to_numpy(dtype=object),
        basis=np.array(BASES, dtype=object)[facts["basis"].to_numpy()],
    )
    return told, Looked(
        surveyed,
        surveyed_on,
        tables.conform("section_facts", said),
        combine_problems([impossible, conflicts]),
    )


def latest_of_each(
    dates: npt.NDArray[np.datetime64], owner: IntArray, others: npt.NDArray[np.datetime64]
) -> npt.NDArray[np.datetime64]:
    """Return the later of a building's date and those of its sections; none is older than any.

    Examples
    --------
    >>> day = np.array(["2024-05-01", "NaT"], dtype="datetime64[ms]")
    >>> latest_of_each(day, np.array([0, 0]), day[::-1]).astype("datetime64[D]").tolist()
    [datetime.date(2024, 5, 1), None]
    """
    latest = dates.astype("datetime64[ms]").view(np.int64).copy()
    # NaT is the least 64-bit integer.
    np.maximum.at(latest, owner, others.astype("datetime64[ms]").view(np.int64))
    return latest.view("datetime64[ms]")


def _section_pairs(pairs: pd.DataFrame, section_id: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "record": pairs["record"].reset_index(drop=True),
            "section_id": section_id.reset_index(drop=True).astype("str"),
        }
    )
