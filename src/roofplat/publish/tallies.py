"""The counts a report shows: roofs, ages, surveys, bases, scores, inspections, and gaps.

In: the tables of a build, the rules, the date on which ages are counted.
Out: frames of whole numbers, ready to be drawn and to be set as a table: one frame for both, so
    that a plot and its table cannot differ.
"""

from __future__ import annotations

import datetime
import itertools
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.publish.files import NO_AREA
from roofplat.publish.parts import Parts
from roofplat.publish.wording import DUE_WORDS
from roofplat.rules import Rulebook
from roofplat.tables import AXIS_BASES

__all__ = [
    "GAPS",
    "NOT_KNOWN",
    "NOT_STATED",
    "OVERDUE_PARTS",
    "ROOF_KINDS",
    "Gap",
    "among",
    "area_names",
    "due_by_class",
    "due_by_year",
    "gap_flags",
    "gaps_by_area",
    "gaps_first",
    "known_by_basis",
    "odds_by_stratum",
    "reached",
    "roofs_by_area",
    "roofs_by_decade",
    "scores_by_class",
    "surveys_by_area",
]

ROOF_KINDS = ("lightweight", "either", "not lightweight", "unknown")
"""What the family says of a roof's weight; `either` where the family leaves it open."""
NOT_KNOWN = "not known"
NOT_STATED = "not stated"
OVERDUE_PARTS = ("overdue", "to come", "no date")
CLASSES = ("high", "moderate", "low", "unknown")

_DAYS_A_YEAR = 365.25  # mean Julian year, as in the ranking
_FIRST_DECADE = 1900
_YEARS_SHOWN = 8
_SCORE_STEPS = 10
_CHANCES = ["roof_family", "chance", "low", "high"]
_FRESH_YEARS = (1.0, 2.0, 5.0)
_KNOWN = (
    ("buildings", "family_basis", "Roof family"),
    ("buildings", "height_basis", "Height"),
    ("sections", "axis_basis", "Framing axis"),
    ("sections", "spacing_basis", "Spacings"),
    ("sections", "shape_basis", "Form of the roof"),
    ("sections", "slope_basis", "Slope"),
    ("walls", "kind_basis", "Kind of wall"),
    ("members", "basis", "Members"),
    ("planes", "basis", "Planes"),
)


@dataclass(frozen=True, slots=True)
class Gap:
    """One thing that may be missing of a building, and what fills it."""

    label: str
    close: str


GAPS: Mapping[str, Gap] = {
    "survey": Gap("No survey", "Send a crew to look, and date what they saw."),
    "family": Gap("Roof family unknown", "Find out how the roof is framed: plans, owner, or a visit."),
    "height": Gap("Height assumed", "Measure to the roof edge, or count the storeys."),
    "axis": Gap("Axis inferred or doubtful", "Draw the line of the beams, or give its direction."),
    "spacing": Gap("Spacing assumed", "Measure beam to beam and purlin to purlin from below."),
    "address": Gap("No address", "Match the building with the address layer."),
    "year": Gap("No year built", "Take it from the assessor or the permit."),
    "inspection": Gap("No inspection record", "Enter the date of the last inspection."),
    "ladder": Gap("No ladder spot in reach", "Check height, ground and stock; plan another way up."),
}
"""In the order of the table."""


def area_names(buildings: pd.DataFrame) -> pd.Categorical[Any]:
    """Give each building its dispatch area, those without one last in the order.

    Examples
    --------
    >>> frame = pd.DataFrame({"dispatch_area": ["South", None, "North"]})
    >>> list(area_names(frame).categories)
    ['North', 'South', 'No dispatch area']
    """
    codes, met = pd.factorize(buildings["dispatch_area"].astype("str"))
    # One place more than there are names: who has no area has the code -1.
    words = [*met.tolist(), NO_AREA]
    names = sorted({words[code] for code in np.unique(codes)} - {NO_AREA})
    lacking = [NO_AREA] if (codes < 0).any() or NO_AREA in met else []
    places = {word: place for place, word in enumerate([*names, *lacking])}
    found = np.array([places.get(word, -1) for word in words])
    return pd.Categorical.from_codes(found[codes], categories=pd.Index([*names, *lacking], dtype="str"))


def roofs_by_area(buildings: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Count the buildings of each area (rows) by what their family says (`ROOF_KINDS`)."""
    return _tally(area_names(buildings), _roof_kinds(buildings, rules))


def roofs_by_decade(buildings: pd.DataFrame, rules: Rulebook, *, as_of: datetime.date) -> pd.DataFrame:
    """Count the buildings of each decade of construction (rows) by `ROOF_KINDS`.

    Decades without a building in between are rows of zeros; what was built before 1900 or, as
    they say, after `as_of`, is one row each; the year not known is the last row.
    """
    year = buildings["year_built"].to_numpy(dtype=float, na_value=np.nan)
    before, after = f"before {_FIRST_DECADE}", f"after {as_of.year}"
    in_range = (year >= _FIRST_DECADE) & (year <= as_of.year)
    decade = np.floor(np.where(in_range, year, _FIRST_DECADE) / 10).astype(int) * 10
    labels = np.full(len(year), NOT_KNOWN, dtype=object)
    labels[in_range] = (np.char.mod("%d", decade) + "s").astype(object)[in_range]
    labels[year < _FIRST_DECADE] = before
    labels[year > as_of.year] = after
    rows = [before] if (year < _FIRST_DECADE).any() else []
    if in_range.any():
        own = decade[in_range]
        rows += [f"{start}s" for start in range(own.min(), own.max() + 1, 10)]
    rows += [after] if (year > as_of.year).any() else []
    rows += [NOT_KNOWN] if np.isnan(year).any() else []
    return _tally(pd.Categorical(labels, categories=rows), _roof_kinds(buildings, rules))


def surveys_by_area(buildings: pd.DataFrame, rules: Rulebook, *, as_of: datetime.date) -> pd.DataFrame:
    """Count the buildings of each area (rows) by years since the last roof survey, `never` first.

    The oldest class begins where the ranking counts the age in full (`ranking.stale_full_years`).
    A date after `as_of` counts as no age.
    """
    stale = rules.number("ranking.stale_full_years")
    edges = [*(year for year in _FRESH_YEARS if year < stale), stale]
    words = [
        "never",
        f"under {edges[0]:g} year" + ("" if edges[0] == 1 else "s"),
        *(f"{start:g} to {end:g} years" for start, end in itertools.pairwise(edges)),
        f"{stale:g} years and more",
    ]
    years = _years_since(buildings["surveyed_on"], as_of)
    place = 1 + np.searchsorted(edges, np.nan_to_num(years), side="right")
    place[np.isnan(years)] = 0
    return _tally(area_names(buildings), pd.Categorical.from_codes(place, dtype=pd.CategoricalDtype(words)))


def known_by_basis(parts: Parts) -> pd.DataFrame:
    """Count for each thing that is known (rows) on which basis; `not stated` is the last column."""
    rows = {}
    for table, column, label in _KNOWN:
        if table in parts.names and parts.count(table):
            counts: Counter[str | None] = Counter()
            for rows_of_part in parts.tables(table, [column]):
                for found in rows_of_part.column(0).value_counts().to_pylist():
                    counts[found["values"]] += found["counts"]
            rows[label] = [*(counts[basis] for basis in AXIS_BASES), counts[None]]
    return pd.DataFrame.from_dict(rows, orient="index", columns=[*AXIS_BASES, NOT_STATED], dtype="int64")


def scores_by_class(ranking: pd.DataFrame) -> pd.DataFrame:
    """Count the buildings in each tenth of the score (rows, highest first) by inspection class."""
    step = np.minimum((ranking["score"].to_numpy(dtype=float) * _SCORE_STEPS).astype(int), _SCORE_STEPS - 1)
    words = [f"{n / _SCORE_STEPS:.1f} to {(n + 1) / _SCORE_STEPS:.1f}" for n in range(_SCORE_STEPS)]
    lowest, highest = (int(step.min()), int(step.max())) if len(step) else (0, -1)
    bands = pd.Categorical(np.array(words, dtype=object)[step], categories=words[lowest : highest + 1][::-1])
    return _tally(bands, pd.Categorical(ranking["class"].fillna("unknown"), categories=list(CLASSES)))


def due_by_year(ranking: pd.DataFrame, buildings: pd.DataFrame, *, as_of: datetime.date) -> pd.DataFrame:
    """Count the buildings by the year in which their next inspection falls due (rows).

    Columns are `OVERDUE_PARTS`: due before `as_of`, due on it or later, no date. The last rows are
    the buildings without a date: no inspection on record, or a class that has no cycle. Years far
    from `as_of` are one row at either end.
    """
    due = ranking["next_due"]
    dated = due.notna().to_numpy(dtype=bool)
    first, last = as_of.year - _YEARS_SHOWN, as_of.year + _YEARS_SHOWN
    year = np.clip(due.dt.year.fillna(first).to_numpy(dtype=int), first, last)
    names = {
        **{number: str(number) for number in range(first, last + 1)},
        first: f"{first} and before",
        last: f"{last} and after",
    }
    inspected = buildings.loc[buildings["inspected_on"].notna(), "building_id"]
    on_record = among(ranking["building_id"], inspected)
    labels = np.array([names[number] for number in range(first, last + 1)], dtype=object)[year - first]
    labels[~dated & on_record] = "class unknown"
    labels[~dated & ~on_record] = "no record"
    rows = [names[n] for n in range(year[dated].min(), year[dated].max() + 1)] if dated.any() else []
    rows += [label for label in ("class unknown", "no record") if (labels == label).any()]
    part = np.asarray(due >= pd.Timestamp(as_of), dtype=np.int64)
    part[~dated] = 2
    return _tally(
        pd.Categorical(labels, categories=rows),
        pd.Categorical.from_codes(part, dtype=pd.CategoricalDtype(list(OVERDUE_PARTS))),
    )


def due_by_class(ranking: pd.DataFrame) -> pd.DataFrame:
    """Count the buildings of each inspection class (rows) by whether they are overdue (`DUE_WORDS`).

    Classes that no building has are left out.
    """
    classes = pd.Categorical(ranking["class"].fillna("unknown"), categories=list(CLASSES))
    states = pd.Categorical(ranking["due_state"], categories=list(DUE_WORDS))
    counts = _tally(classes, states).set_axis(list(DUE_WORDS.values()), axis=1)
    return counts[counts.sum(axis=1) > 0]


def odds_by_stratum(family_odds: pd.DataFrame, buildings: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Set the odds of each stratum beside the number of roofs that they speak for.

    Parameters
    ----------
    family_odds, buildings
        The tables.
    rules
        For which families are lightweight.

    Returns
    -------
    DataFrame
        One row for each stratum that has a roof without a survey: `stratum`, `buildings`, `unseen` (of
        them without a survey of the family), `surveyed` (roofs behind the odds), `lightweight` (chance
        that a roof is), and `families`, a list of `(key, chance, low, high)`, likeliest first. Most
        unseen first, then by name.
    """
    seen = (buildings["family_basis"] == "surveyed").fillna(False).to_numpy(dtype=bool)
    stratum = buildings["stratum"]
    count, unseen = stratum.value_counts(), stratum[~seen].value_counts()
    odds = family_odds.sort_values(["chance", "roof_family"], ascending=[False, True], kind="stable")
    words = {True: 1.0, False: 0.0, None: rules.number("odds.lightweight_not_said")}
    light = odds["roof_family"].map(
        {key: words[family.lightweight] for key, family in rules.families.items()}
    )
    odds = odds.assign(lightweight=odds["chance"] * light.astype(float))
    rows = [
        {
            "stratum": str(name),
            "buildings": int(count[name]),
            "unseen": int(unseen[name]),
            "surveyed": int(own["surveyed"].sum()),
            "lightweight": float(own["lightweight"].sum()),
            "families": list(
                own[["roof_family", "chance", "low", "high"]].itertuples(index=False, name=None)
            ),
        }
        for name, own in odds.groupby("stratum")
        if name in unseen.index
    ]
    columns = ["stratum", "buildings", "unseen", "surveyed", "lightweight", "families"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.sort_values(["unseen", "stratum"], ascending=[False, True], kind="stable", ignore_index=True)


def among(own: pd.Series, others: pd.Series) -> npt.NDArray[np.bool_]:
    """Tell which ids are found among others; text in long columns, several times quicker than `isin`.

    Examples
    --------
    >>> ids = pd.Series(["1001", None, "1003"], dtype="str")
    >>> among(ids, pd.Series(["1003", None], dtype="str")).tolist()
    [False, False, True]
    """
    codes, names = pd.factorize(pd.concat([own.astype("str"), others.astype("str")], ignore_index=True))
    # One place more than there are names: a missing id has the code -1 and must find nothing.
    there = np.zeros(len(names) + 1, dtype=bool)
    there[codes[len(own) :]] = True
    there[-1] = False
    found: npt.NDArray[np.bool_] = there[codes[: len(own)]]
    return found


def reached(buildings: pd.DataFrame, ladders: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Tell which buildings a ladder of the stock or an aerial reaches somewhere."""
    usable = ladders["apparatus"].isin(["ground_ladder", "aerial"])
    return among(buildings["building_id"], ladders.loc[usable, "building_id"])


def gap_flags(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Tell for each building (rows, as in `buildings`) which of `GAPS` it has (columns).

    A gap of a roof counts once a building, however many of its sections have it. What was not
    made (no sections, no ladders) is no column: nobody can tell its gaps.
    """
    buildings = pd.DataFrame(tables["buildings"])
    own = buildings["building_id"]
    address = buildings["address"].astype("str").fillna("").str.strip()
    flags: dict[str, Any] = {
        "survey": buildings["surveyed_on"].isna(),
        "family": buildings["roof_family"] == "unknown",
        "height": buildings["height_basis"].isna() | (buildings["height_basis"] == "assumed"),
        "address": address == "",
        "year": buildings["year_built"].isna(),
        "inspection": buildings["inspected_on"].isna(),
    }
    if "sections" in tables:
        sections = pd.DataFrame(tables["sections"])
        axis = sections["axis_basis"].isna() | sections["axis_basis"].isin(
            ["inferred", "assumed", "doubtful"]
        )
        flags["axis"] = among(own, sections.loc[axis, "building_id"])
        flags["spacing"] = among(own, sections.loc[sections["spacing_basis"] == "assumed", "building_id"])
    if "ladders" in tables:
        flags["ladder"] = ~reached(buildings, pd.DataFrame(tables["ladders"]))
    return pd.DataFrame({key: np.asarray(flags[key], dtype=bool) for key in GAPS if key in flags})


def gaps_by_area(flags: pd.DataFrame, buildings: pd.DataFrame) -> pd.DataFrame:
    """Count the buildings of each area (rows) and those with each gap; first column `buildings`."""
    areas = area_names(buildings)
    counts = {"buildings": np.bincount(areas.codes, minlength=len(areas.categories))}
    for key in flags:
        counts[str(key)] = np.bincount(areas.codes[flags[key].to_numpy()], minlength=len(areas.categories))
    return pd.DataFrame(counts, index=pd.Index(areas.categories))


def gaps_first(
    flags: pd.DataFrame, buildings: pd.DataFrame, ranking: pd.DataFrame, *, first: int
) -> pd.DataFrame:
    """Put the gaps in the order in which closing them helps most.

    Parameters
    ----------
    flags, buildings
        From `gap_flags`, and the buildings in the same order.
    ranking
        The ranking table.
    first
        How many buildings from the top of the ranking count as high-ranked.

    Returns
    -------
    DataFrame
        One row for each gap that somebody has, index the keys of `GAPS`: `high` (high-ranked
        buildings with the gap), `all`, `area` (where most of those `high` are; empty when none).
        Most high-ranked first, then most of all.
    """
    top = ranking.sort_values("rank", kind="stable")["building_id"].head(first)
    high = among(buildings["building_id"], top)
    areas = area_names(buildings)
    rows = {}
    for key in flags:
        has = flags[key].to_numpy()
        if has.any():
            where = np.bincount(areas.codes[has & high], minlength=len(areas.categories))
            area = str(areas.categories[int(where.argmax())]) if where.any() else ""
            rows[str(key)] = (int((has & high).sum()), int(has.sum()), area)
    frame = pd.DataFrame.from_dict(rows, orient="index", columns=["high", "all", "area"])
    return frame.sort_values(["high", "all"], ascending=False, kind="stable")


def _roof_kinds(buildings: pd.DataFrame, rules: Rulebook) -> pd.Categorical[Any]:
    words = {True: "lightweight", False: "not lightweight", None: "either"}
    kinds = {name: words[family.lightweight] for name, family in rules.families.items()}
    kinds["unknown"] = "unknown"
    return pd.Categorical(buildings["roof_family"].map(kinds).fillna("either"), categories=list(ROOF_KINDS))


def _years_since(dates: pd.Series, as_of: datetime.date) -> npt.NDArray[np.float64]:
    days: Any = np.datetime64(as_of, "D") - dates.to_numpy(dtype="datetime64[D]")
    years: npt.NDArray[np.float64] = days / np.timedelta64(1, "D") / _DAYS_A_YEAR
    return np.maximum(years, 0.0)


def _tally(rows: pd.Categorical[Any], columns: pd.Categorical[Any]) -> pd.DataFrame:
    """Count pairs of two classifications; every class of either is there, if with zeros."""
    height, width = len(rows.categories), len(columns.categories)
    both = (rows.codes >= 0) & (columns.codes >= 0)
    pairs = rows.codes[both].astype(np.int64) * width + columns.codes[both]
    counts = np.bincount(pairs, minlength=height * width).reshape(height, width)
    return pd.DataFrame(counts, index=_words(rows.categories), columns=_words(columns.categories))


def _words(names: pd.Index) -> pd.Index:
    return pd.Index([str(name) for name in names], dtype="str")
