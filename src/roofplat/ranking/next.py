"""Which roof to survey next: where a look would change most.

In: the ranking, buildings, roof sections, the odds by stratum, the rulebook.
Out: `TABLES["survey_next"]`, best first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.ranking.order import SCORE_DECIMALS, places_in, sort_keys
from roofplat.ranking.outlook import UNKNOWN, Outlook, outlook
from roofplat.ranking.score import weight_shares
from roofplat.ranking.words import percent, text, thousands
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS, conform

__all__ = ["list_length", "scores_by_family", "survey_next"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Words = npt.NDArray[np.object_]


def survey_next(tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """List the roofs that nobody has surveyed by what a survey is worth.

    The office works down a list: the buildings of highest score, `ranking.list_length` of them and
    no more than `ranking.list_share` of all. A survey names the roof family, and with it the
    building's score; all others keep theirs.

    - worth: how much the scores on the list are expected to gain by listing the building, or by
      dropping it, once its family is known. For a building off the list, the mean over its families
      of max(0, its score - the lowest on the list); for one on it, of max(0, the highest off the
      list - its score).
    - chance_of_change: the chance of the families that put it on the list, or take it off.
    - places: the mean of how many ranks it moves, up or down.

    Each is the exact mean over the families by their chances; nothing is drawn. The age of what is
    known of the roof is left as it is, for any survey renews it.

    Parameters
    ----------
    tables
        `ranking` as `rank_buildings` made it, `buildings`; `roofs` and `family_odds` as were given
        to it.
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        `TABLES["survey_next"]`: one row for each building whose roof family no survey has named, by
        worth; then by places, then by `building_id`.

    Raises
    ------
    RuleError
        A rule is out of its range.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {name: empty(name, "EPSG:32613") for name in ("buildings", "ranking")}
    >>> len(survey_next(tables, load_rulebook()))
    0
    """
    ranking = pd.DataFrame(tables["ranking"]).drop(columns="geometry", errors="ignore")
    ranking = ranking.sort_values("building_id", kind="stable", ignore_index=True)
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    roofs = outlook(buildings, tables, rules)
    length = list_length(len(ranking), rules)
    would = scores_by_family(ranking, roofs, rules)
    own = sort_keys(ranking["score"].to_numpy(dtype=float))
    ordered = np.sort(own)
    rank = ranking["rank"].to_numpy(dtype=np.int64)
    landing = places_in(ordered, own[:, None], sort_keys(would, np.arange(len(own))[:, None]))

    listed = rank <= length
    first = np.sort(-ranking["score"].to_numpy(dtype=float))
    # Without anything off the list, nothing can take a place on it.
    lowest_on = -first[length - 1] if len(first) else np.inf
    highest_off = -first[length] if len(first) > length else -np.inf
    gains = np.where(listed[:, None], highest_off - would, would - lowest_on)
    worth = (roofs.chances * np.maximum(gains, 0.0)).sum(axis=1)
    changes = (landing <= length) != listed[:, None]
    moved = rank[:, None] - landing

    open_roof = _not_surveyed(buildings)
    found = ranking.assign(
        worth=np.round(worth, SCORE_DECIMALS),
        chance_of_change=np.clip((roofs.chances * changes).sum(axis=1), 0.0, 1.0),
        places=(roofs.chances * np.abs(moved)).sum(axis=1),
        reason=_reasons(buildings, roofs, moved, changes, listed, length),
    )[open_roof]
    order = np.lexsort((-found["places"].round(SCORE_DECIMALS), -found["worth"]))
    found = found.iloc[order].reset_index(drop=True)
    return cast("pd.DataFrame", conform("survey_next", found.assign(order=np.arange(1, len(found) + 1))))


def list_length(count: int, rules: Rulebook) -> int:
    """Return how many of `count` buildings are on the office's list.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> [list_length(count, load_rulebook()) for count in (2, 60, 5_000)]
    [1, 15, 100]
    """
    longest = rules.count("ranking.list_length")
    if longest < 1:
        raise RuleError(f"Rule ranking.list_length is {longest}; a list holds one building at least.")
    share = rules.number("ranking.list_share")
    if not 0 < share <= 1:
        raise RuleError(f"Rule ranking.list_share is {share:g}; it takes a value above 0, up to 1.")
    return max(1, min(longest, int(count * share)))


def scores_by_family(ranking: pd.DataFrame, roofs: Outlook, rules: Rulebook) -> FloatArray:
    """Return the score that each building would have with each roof family.

    Parameters
    ----------
    ranking
        `part_<factor>` columns, n rows in the order of `roofs`.
    roofs
        m families.
    rules
        The weights.

    Returns
    -------
    ndarray of float
        Shape (n, m).
    """
    share = dict(zip(RANKING_FACTORS, weight_shares(rules), strict=True))
    others = [f"part_{name}" for name in RANKING_FACTORS if name not in ("lightweight", "severity")]
    of_family = share["lightweight"] * roofs.lightweight + share["severity"] * roofs.severity
    rest = ranking[others].to_numpy(dtype=float).sum(axis=1)
    return cast("FloatArray", np.clip(np.round(rest[:, None] + of_family, SCORE_DECIMALS), 0.0, 1.0))


def _not_surveyed(buildings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    surveyed = (buildings["family_basis"] == "surveyed") & (buildings["roof_family"] != UNKNOWN)
    return ~surveyed.to_numpy(dtype=bool)


def _reasons(
    buildings: pd.DataFrame,
    roofs: Outlook,
    moved: IntArray,
    changes: npt.NDArray[np.bool_],
    listed: npt.NDArray[np.bool_],
    length: int,
) -> Words:
    """One sentence a building: how far up or down and with what chance, and what is known."""
    up, up_places = _side(roofs.chances, moved > 0, moved)
    down, down_places = _side(roofs.chances, moved < 0, -moved)
    there = _movement(up, up_places, "up")
    back = _movement(down, down_places, "down")
    joint = np.where((there != "") & (back != ""), " or ", "")
    stays = (there == "") & (back == "")
    words = np.where(stays, "A survey would not move it", "A survey would move it " + there + joint + back)
    crossing = np.clip((roofs.chances * changes).sum(axis=1), 0.0, 1.0)
    words = words + np.where(
        crossing > 0,
        np.where(listed, ", off the first ", ", onto the first ").astype(object)
        + f"{length:,} with "
        + percent(crossing),
        "",
    )
    return cast("Words", words + "; " + _known(buildings) + ".")


def _side(
    chances: FloatArray, here: npt.NDArray[np.bool_], places: IntArray
) -> tuple[FloatArray, FloatArray]:
    """The chance of one side, and the mean of the places there."""
    chance = (chances * here).sum(axis=1)
    total = (chances * np.where(here, places, 0)).sum(axis=1)
    return np.clip(chance, 0.0, 1.0), np.divide(total, chance, out=np.zeros(len(total)), where=chance > 0)


def _movement(chance: FloatArray, places: FloatArray, way: str) -> Words:
    counted = thousands(np.maximum(places, 1.0))
    noun = np.where(counted == "1", " place ", " places ").astype(object)
    return np.where(chance > 0, counted + noun + way + " (" + percent(chance) + ")", "")


def _known(buildings: pd.DataFrame) -> Words:
    """What is known of the roof without a survey."""
    unknown = (buildings["roof_family"] == UNKNOWN).to_numpy(dtype=bool)
    looked = buildings["surveyed_on"].notna().to_numpy(dtype=bool)
    words = np.where(
        unknown,
        np.where(looked, "the survey does not name the roof", "roof unknown"),
        "roof " + text(buildings["family_basis"], "assumed") + ", not surveyed",
    ).astype(object)
    if "local_roofs" not in buildings:
        return words
    behind = np.nan_to_num(buildings["local_roofs"].to_numpy(dtype=float, na_value=np.nan))
    noun = np.where(behind == 1, " surveyed roof behind the odds", " surveyed roofs behind the odds")
    return words + np.where(
        unknown, ", " + np.where(behind == 0, "no", thousands(behind)).astype(object) + noun, ""
    )
