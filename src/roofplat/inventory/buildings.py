"""One row a building: what is known of it, where it belongs, and its line for a premise note.

In: footprints, dispatch areas, the values in force, the roof sections.
Out: the `buildings` table but for its odds, and problem rows.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.inventory._shared import IntArray, best_of_each, combine_problems, texts
from roofplat.inventory.joins import overlap_pairs
from roofplat.inventory.roofs import fill_heights
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = ["ALERT_LENGTH", "alert_lines", "dispatch_areas", "make_buildings", "open_marks"]

ALERT_LENGTH = 80
"""Characters a premise note takes."""

_UNKNOWN = "unknown"
# Of these, why to look again takes half at most.
_TAIL_LENGTH = 40
# How a basis reads in the alert. Only a survey is a look at the roof; everything else says so.
_BASIS_WORDS = {
    "surveyed": "surveyed",
    "recorded": "recorded, not seen",
    "drawn": "drawn, not seen",
    "inferred": "inferred, not seen",
    "assumed": "assumed, not seen",
}


def make_buildings(
    footprints: gpd.GeoDataFrame,
    known: pd.DataFrame,
    roofs: gpd.GeoDataFrame,
    section_owner: IntArray,
    surveyed: npt.NDArray[np.bool_],
    surveyed_on: npt.NDArray[np.datetime64],
    marks: pd.DataFrame,
    area_name: pd.Series,
    ft2_per_unit2: npt.NDArray[np.float64],
    rules: Rulebook,
) -> gpd.GeoDataFrame:
    """Make the buildings table, but for the odds of what nobody has looked at.

    A building whose family nobody states takes the most severe one stated for its sections.

    Parameters
    ----------
    footprints
        `building_id`, `geometry`; `file_id` where the record gives the ids; n rows.
    known
        As `facts.known_values` returns them, n rows.
    roofs, section_owner
        The sections and the building row of each.
    surveyed, surveyed_on
        As `facts.survey_dates` returns them, shape (n,).
    marks
        `building_id`, `reason`, `since`: why roofs are to be looked at again, of a building the latest first.
    area_name
        Dispatch area, shape (n,).
    ft2_per_unit2
        Ground square feet in one square unit of the CRS, shape (n,).
    rules
        Families and default heights.

    Returns
    -------
    GeoDataFrame
        `TABLES["buildings"]` without what `odds.estimate_odds` fills in, in the order of `footprints`.
    """
    frame = pd.DataFrame({"building_id": footprints["building_id"].to_numpy(dtype=object)})
    own = footprints["file_id" if "file_id" in footprints else "building_id"].reset_index(drop=True)
    frame["file_id"] = own.where(own != frame["building_id"])
    said = ("name", "address", "occupancy", "year_built", "storeys", "sprinklered")
    for field in (*said, "inspected_on", "inspection_class", "inspect_by"):
        frame[field] = known[field]
    frame["height_ft"], frame["height_basis"] = fill_heights(
        known["height_ft"], known["height_ft_basis"], known["storeys"], rules
    )
    frame["area_ft2"] = shapely.area(np.asarray(footprints.geometry.array, dtype=object)) * ft2_per_unit2
    frame["dispatch_area"] = area_name.to_numpy(dtype=object)

    worst, worst_basis = _worst_section(roofs, section_owner, len(frame), rules)
    stated = known["roof_family"].notna().to_numpy(dtype=bool)
    family = np.where(stated, known["roof_family"].to_numpy(dtype=object), worst)
    basis = np.where(stated, known["roof_family_basis"].to_numpy(dtype=object), worst_basis)
    frame["roof_family"] = pd.Series(family, dtype="str").fillna(_UNKNOWN)
    frame["family_basis"] = pd.Series(basis, dtype="str")
    frame["surveyed_on"] = surveyed_on
    frame["look_again"], latest = open_marks(frame["building_id"], surveyed_on, marks)
    date = np.where(
        stated, known["roof_family_date"].to_numpy(dtype="datetime64[ms]"), np.datetime64("NaT", "ms")
    )
    frame["alert"] = alert_lines(
        frame["roof_family"],
        frame["family_basis"],
        date,
        pd.Series(worst, dtype="str"),
        pd.Series(worst_basis, dtype="str"),
        surveyed,
        rules,
        look_again=latest,
    )
    return gpd.GeoDataFrame(frame, geometry=footprints.geometry.array, crs=footprints.crs)


def open_marks(
    building_id: pd.Series, surveyed_on: npt.NDArray[np.datetime64], marks: pd.DataFrame
) -> tuple[pd.Series, pd.Series]:
    """Say why each roof is to be looked at again.

    A mark holds until a roof survey of a later day. A survey of the same day, or of no day, may have been
    before the change.

    Parameters
    ----------
    building_id, surveyed_on
        The buildings and the day of their latest roof survey, NaT where there is none; shape (n,).
    marks
        `building_id`, `reason`, `since`, of a building the latest first.

    Returns
    -------
    every, latest
        All marks that hold, and the latest of them: reason and month; missing without one, shape (n,).

    Examples
    --------
    >>> day = lambda text: np.datetime64(text, "ms")
    >>> marks = pd.DataFrame({"building_id": ["a", "a"], "reason": ["reroof", "solar"],
    ...                       "since": [day("2026-03-14"), day("2024-01-09")]})
    >>> every, _ = open_marks(pd.Series(["a", "b"]), np.array([day("2025-05-01"), day("2025-05-01")]), marks)
    >>> every.tolist()
    ['reroof 2026-03', nan]
    """
    row = pd.Index(building_id).get_indexer(pd.Index(marks["building_id"]))
    since = marks["since"].to_numpy(dtype="datetime64[D]")
    # A comparison with no day is false: such a mark holds.
    over = surveyed_on.astype("datetime64[D]")[row] > since
    held = np.flatnonzero((row >= 0) & ~over)
    month = pd.Series(np.datetime_as_string(since[held].astype("datetime64[M]")), dtype="str")
    reason = marks["reason"].iloc[held].reset_index(drop=True)
    words = reason + (" " + month).where(month != "NaT", "")
    of_building = words.groupby(row[held])
    rows = pd.RangeIndex(len(building_id))
    every = of_building.agg(", ".join).reindex(rows)
    return every.astype("str"), of_building.first().reindex(rows).astype("str")


def dispatch_areas(footprints: gpd.GeoDataFrame, areas: gpd.GeoDataFrame) -> tuple[pd.Series, pd.DataFrame]:
    """Find the dispatch area that holds most of each building.

    Parameters
    ----------
    footprints
        `building_id`, `geometry`, working CRS; n rows.
    areas
        `name`, `geometry`, the same CRS; may be empty. Ties go to the first name.

    Returns
    -------
    area
        Name, missing outside all areas, shape (n,).
    problems
        One info row where there is no layer; a warning for each building outside.
    """
    if not len(areas):
        nowhere = pd.Series([None] * len(footprints), dtype="str")
        return nowhere, problem_rows(
            "areas",
            ["areas"],
            "no_dispatch_areas",
            "info",
            "There is no layer of dispatch areas; no building has one.",
            "Name a layer in [areas] of the district file.",
        )
    names = areas["name"].to_numpy(dtype=object)
    building, area, share = overlap_pairs(
        np.asarray(footprints.geometry.array, dtype=object), np.asarray(areas.geometry.array, dtype=object)
    )
    rank = pd.Series(areas["name"]).rank(method="dense").to_numpy()
    chosen, _ = best_of_each(building, [share], rank[area])
    found = np.full(len(footprints), None, dtype=object)
    found[building[chosen]] = names[area[chosen]]
    ids = footprints["building_id"].to_numpy(dtype=object)
    outside = np.setdiff1d(np.arange(ids.size), building)
    problems = problem_rows(
        "areas",
        ids[outside],
        "outside_dispatch_areas",
        "warning",
        texts("Building ", ids[outside], " lies in no dispatch area.", size=outside.size),
        "Extend the area, or remove the building from the district.",
    )
    return pd.Series(found, dtype="str"), combine_problems([problems])


def alert_lines(
    family: pd.Series,
    basis: pd.Series,
    date: npt.NDArray[np.datetime64],
    section_family: pd.Series,
    section_basis: pd.Series,
    surveyed: npt.NDArray[np.bool_],
    rules: Rulebook,
    *,
    look_again: pd.Series | None = None,
) -> pd.Series:
    """Write one line of at most 80 characters for each premise note.

    Parameters
    ----------
    family, basis, date
        The building's roof family, how and when it was known, shape (n,).
    section_family, section_basis
        The most severe family of its sections, missing where none is stated, shape (n,).
    surveyed
        Whether a survey says anything of the roof, shape (n,).
    rules
        The families, with their `alert` words.
    look_again
        Why the roof is to be looked at again, missing where nothing says so, shape (n,).

    Returns
    -------
    Series of str
        Shape (n,).

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> one = lambda text: pd.Series([text], dtype="str")
    >>> day = np.array(["2024-05-17"], dtype="datetime64[ms]")
    >>> alert_lines(one("panelized_wood"), one("surveyed"), day, one(None), one(None), np.array([True]),
    ...             load_rulebook())[0]
    'LIGHTWEIGHT ROOF (surveyed 2024-05): panelized wood. Stay on beams and walls.'
    """
    months = pd.Series(np.datetime_as_string(date.astype("datetime64[M]")), dtype="str").replace("NaT", "")
    case = pd.DataFrame(
        {
            "family": family.to_numpy(dtype=object),
            "basis": basis.fillna("").to_numpy(dtype=object),
            "month": months.where(basis.reset_index(drop=True) == "surveyed", "").to_numpy(dtype=object),
            "part": section_family.fillna("").to_numpy(dtype=object),
            "part_basis": section_basis.fillna("").to_numpy(dtype=object),
            "surveyed": surveyed,
            "again": "" if look_again is None else look_again.fillna("").to_numpy(dtype=object),
        }
    )
    # A district has few cases however many buildings it has: each is worded once.
    kinds = case.groupby(list(case.columns), sort=False)
    distinct = case.drop_duplicates()
    number = kinds.ngroup().to_numpy()
    lines = [
        _marked(_alert(one, how, month, part, part_how, bool(looked), rules), again)
        for one, how, month, part, part_how, looked, again in distinct.itertuples(index=False, name=None)
    ]
    return pd.Series(pd.array([*lines, ""], dtype="str").take(number))


def _alert(
    family: str, basis: str, month: str, part: str, part_basis: str, surveyed: bool, rules: Rulebook
) -> str:
    entry = rules.families[family]
    if entry.lightweight:
        return _line("LIGHTWEIGHT ROOF", basis, month, entry.alert or entry.label)
    if part and rules.families[part].lightweight:
        return _line(
            "PART LIGHTWEIGHT", part_basis, "", rules.families[part].alert or rules.families[part].label
        )
    if entry.lightweight is None:
        if surveyed:
            return "ROOF FAMILY UNKNOWN: the survey does not say. Find out first."
        return "ROOF UNKNOWN: nobody has looked. Find out first."
    how = " ".join(filter(None, (_BASIS_WORDS.get(basis, basis), month)))
    return f"{entry.alert or entry.label} ({how})"[:ALERT_LENGTH]


def _marked(line: str, again: str) -> str:
    """The line with why to look again; what it says of the roof gives way, its head last."""
    if not again:
        return line
    tail = f" Look again: {again}"
    tail = tail if len(tail) <= _TAIL_LENGTH else tail[: _TAIL_LENGTH - 3].rstrip() + "..."
    room = ALERT_LENGTH - len(tail)
    if len(line) > room:
        line = line.split(". ")[0] + "."
    if len(line) > room:
        line = line[: room - 1].rsplit(" ", 1)[0].rstrip(" :;,.(") + "."
    return line + tail


def _line(head: str, basis: str, month: str, words: str) -> str:
    how = " ".join(filter(None, (_BASIS_WORDS.get(basis, basis), month)))
    line = f"{head} ({how}): {words}"
    if len(line) > ALERT_LENGTH:
        # The first sentence names the roof; the advice after it gives way to how it is known.
        line = f"{head} ({how}): {words.split('. ')[0].rstrip('.')}."
    return line[:ALERT_LENGTH]


def _worst_section(
    roofs: gpd.GeoDataFrame, owner: IntArray, count: int, rules: Rulebook
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Find the most severe family stated for a section of each building: lightweight before others."""
    family = np.full(count, None, dtype=object)
    basis = np.full(count, None, dtype=object)
    stated = np.flatnonzero((roofs["roof_family"] != _UNKNOWN).to_numpy(dtype=bool))
    name = roofs["roof_family"].iloc[stated]
    light = name.map({key: bool(entry.lightweight) for key, entry in rules.families.items()}).to_numpy(
        dtype=bool
    )
    known = {key: entry.severity for key, entry in rules.families.items() if key != _UNKNOWN}
    severity = name.map(known).to_numpy(dtype=float)
    chosen, _ = best_of_each(owner[stated], [light, severity], stated)
    row = stated[chosen]
    family[owner[row]] = roofs["roof_family"].to_numpy(dtype=object)[row]
    basis[owner[row]] = roofs["roof_family_basis"].to_numpy(dtype=object)[row]
    return family, basis
