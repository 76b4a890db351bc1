"""Strata: buildings of one region, period, occupancy group and size class.

In: buildings, the region, the rules.
Out: the levels that a district's buildings fall into, the place of each building among them, and the names
    of the strata.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.inventory._shared import IntArray
from roofplat.inventory.hazus import hazus_percent
from roofplat.inventory.occupancy import occupancy_parts
from roofplat.rules import Rulebook

__all__ = ["UNKNOWN", "Levels", "level_words", "levels_of", "period_years", "stratify", "stratum_keys"]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

UNKNOWN = "unknown"
_ALL_YEARS = "all years"
_HOUSES = "R-3"


class Levels(NamedTuple):
    """The levels that the buildings of a district fall into.

    region
        One of the handbook's, or `unknown`.
    periods, period_starts
        Periods of the handbook, and the year that each begins with; `unknown` last. Where the handbook
        has none, all years are one period, and a building without a year is in it.
    groups
        Occupancy groups that the rules name, `unknown` last.
    sizes, size_steps_ft2
        Size classes, and the areas that they end with but for the last; `unknown` last.
    """

    region: str
    periods: tuple[str, ...]
    period_starts: tuple[float, ...]
    groups: tuple[str, ...]
    sizes: tuple[str, ...]
    size_steps_ft2: FloatArray


def period_years(region: str | None, rules: Rulebook) -> dict[str, int]:
    """Return a year of each period that the odds of a region tell apart; empty where they tell none.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> period_years("west", load_rulebook())
    {'before 1950': 1949, '1950 to 1969': 1950, '1970 and later': 1970}
    >>> period_years("east", load_rulebook())
    {}
    """
    levels = levels_of(region, rules)
    known = [word for word in levels.periods if word not in (UNKNOWN, _ALL_YEARS)]
    starts = levels.period_starts[: len(known)]
    if not known:
        return {}
    years = [start if np.isfinite(start) else starts[1] - 1 for start in starts]
    return {word: int(year) for word, year in zip(known, years, strict=True)}


def levels_of(region: str | None, rules: Rulebook) -> Levels:
    """Tell the levels of a district.

    Parameters
    ----------
    region
        `west`, `midwest` or `east`; None where nobody says.
    rules
        `odds.size_steps_ft2`, and the groups of `odds.occupancy.*`.

    Returns
    -------
    Levels

    Raises
    ------
    RuleError
        There are no figures for the region, or the steps are not areas from small to large.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> levels_of("west", load_rulebook()).periods
    ('before 1950', '1950 to 1969', '1970 and later', 'unknown')
    """
    hazus = hazus_percent()
    own = hazus if region is None else hazus[hazus["region"] == region]
    if own.empty:
        known = ", ".join(hazus["region"].unique())
        raise RuleError(f"There are no odds for the region {region!r}; use one of {known}, or none.")
    # Where the handbook has periods they are used; rows of all years stand for each of them.
    spans = own[["from_year", "before_year"]].drop_duplicates()
    spans = spans[spans.notna().any(axis=1)].sort_values("from_year", na_position="first")
    starts = tuple(float(year) for year in spans["from_year"].fillna(-np.inf))
    periods = tuple(_period_word(*span) for span in spans.to_numpy(dtype=float))
    stated = rules["odds.size_steps_ft2"].value
    steps = np.array([step if isinstance(step, (int, float)) else np.nan for step in stated], dtype=float)
    if not len(steps) or not np.isfinite(steps).all() or (np.diff(steps, prepend=0.0) <= 0).any():
        raise RuleError(
            f"Rule odds.size_steps_ft2 is {stated}; it takes areas above zero, from small to large."
        )
    areas = [f"{step:,.0f}" for step in steps]
    between = [f"{low} to {high} ft2" for low, high in pairwise(areas)]
    return Levels(
        region or UNKNOWN,
        (*periods, UNKNOWN) if periods else (_ALL_YEARS,),
        starts or (-np.inf,),
        (*_groups(rules), UNKNOWN),
        (f"up to {areas[0]} ft2", *between, f"over {areas[-1]} ft2", UNKNOWN),
        steps,
    )


def _period_word(start: float, end: float) -> str:
    if np.isnan(start):
        return f"before {end:.0f}"
    return f"{start:.0f} and later" if np.isnan(end) else f"{start:.0f} to {end - 1:.0f}"


def _groups(rules: Rulebook) -> list[str]:
    """Occupancy groups that the rules name a class for."""
    start = "odds.occupancy."
    return [rule_id.removeprefix(start) for rule_id in rules.rules if rule_id.startswith(start)]


def stratify(frame: pd.DataFrame, levels: Levels, rules: Rulebook) -> IntArray:
    """Find the place of each building among the periods, groups and sizes.

    Parameters
    ----------
    frame
        `year_built`, `occupancy`, `area_ft2`; n rows. A building as large as a step is below it.
    levels
        As `levels_of` returns them.
    rules
        `odds.words.*` and `solar.house_words`: words that stand for a group.

    Returns
    -------
    ndarray of int
        Shape (n, 3).

    Raises
    ------
    RuleError
        A list of words holds something else.
    """
    year = frame["year_built"].to_numpy(dtype=float, na_value=np.nan)
    period = np.searchsorted(levels.period_starts, year, side="right") - 1
    period = np.where(np.isnan(year), len(levels.periods) - 1, period)
    area_ft2 = frame["area_ft2"].to_numpy(dtype=float, na_value=np.nan)
    size = np.searchsorted(levels.size_steps_ft2, area_ft2, side="left")
    size = np.where(np.isnan(area_ft2), len(levels.sizes) - 1, size)
    group = _group_codes(frame["occupancy"], levels.groups, rules)
    return np.column_stack([period, group, size]).astype(np.int64)


def _group_codes(occupancy: pd.Series, groups: Sequence[str], rules: Rulebook) -> IntArray:
    """Place of `R-3`, `r3`, `Group S-1` or a word such as `retail` among the groups; the last is unknown."""
    parts = occupancy_parts(occupancy)
    known = pd.Index(groups[:-1])
    exact = known.get_indexer(pd.Index(parts["letter"] + "-" + parts["number"]))
    broad = known.get_indexer(pd.Index(parts["letter"]))
    said = _plain(occupancy.astype("str")).map(_word_codes(groups, rules)).fillna(-1.0)
    found = np.where(exact >= 0, exact, np.where(broad >= 0, broad, said.to_numpy(dtype=np.int64)))
    return np.where(found >= 0, found, len(groups) - 1).astype(np.int64)


def _plain(words: pd.Series) -> pd.Series:
    return words.str.strip().str.casefold().str.replace("_", " ")


def _word_codes(groups: Sequence[str], rules: Rulebook) -> dict[str, int]:
    """Place of the group that each word stands for; a word in two lists stands for the first."""
    found: dict[str, int] = {}
    for place, group in enumerate(groups[:-1]):
        rule_id = "solar.house_words" if group == _HOUSES else f"odds.words.{group}"
        listed = rules[rule_id].value if rule_id in rules.rules else []
        strange = [word for word in listed if not isinstance(word, str)]
        if strange:
            raise RuleError(f"Rule {rule_id} names {strange[0]!r}; it takes words.")
        for word in _plain(pd.Series(listed, dtype="str")):
            found.setdefault(word, place)
    return found


def level_words(levels: Levels, strata: IntArray) -> tuple[Words, Words, Words]:
    """Return the words of period, group and size of strata, shape (n,) each; `strata` as of `stratify`."""
    periods, groups, sizes = (
        np.array(words, dtype=object)[strata[:, place]]
        for place, words in enumerate((levels.periods, levels.groups, levels.sizes))
    )
    return periods, groups, sizes


def stratum_keys(levels: Levels, strata: IntArray) -> Words:
    """Name strata, as `west / 1970 and later / S / over 20,000 ft2`; an unknown level says of what.

    Parameters
    ----------
    levels, strata
        As of `levels_of` and `stratify`, n rows.

    Returns
    -------
    ndarray of str
        Shape (n,); no two strata of a district have the same name.
    """
    period, group, size = level_words(levels, strata)
    region = "region unknown" if levels.region == UNKNOWN else levels.region
    joined = f"{region} / " + np.where(period == UNKNOWN, "year unknown", period) + " / "
    joined = joined + np.where(group == UNKNOWN, "occupancy unknown", group) + " / "
    keys: Words = np.asarray(joined + np.where(size == UNKNOWN, "size unknown", size), dtype=object)
    return keys
