"""Which roof to survey next: where a look would change most.

In: the ranking, buildings, roof sections, the odds by stratum, the rulebook.
Out: `TABLES["survey_next"]`, best first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.ranking.order import SCORE_DECIMALS, KeyArray, places_in, ranks, sort_keys
from roofplat.ranking.outlook import UNKNOWN, Outlook, family_surveyed, outlook, to_look_again
from roofplat.ranking.score import weight_shares
from roofplat.ranking.words import percent, text, thousands
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS, conform

__all__ = ["list_length", "next_of", "scores_by_family", "survey_effects", "survey_next"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Words = npt.NDArray[np.object_]

# Places are a mean, and are compared to this many decimals.
_PLACE_DECIMALS = 6
# Buildings that are weighed at once.
_BLOCK = 50_000


def survey_next(tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """List the roofs that nobody has surveyed, or not since they were changed, by what a survey is worth.

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
    known of the roof is left as it is, for any survey renews it. What a survey tells of other roofs of
    the same kind, by their odds, is left out.

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
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    return next_of(tables["ranking"], buildings, outlook(buildings, tables, rules), rules)


def next_of(ranking: pd.DataFrame, buildings: pd.DataFrame, roofs: Outlook, rules: Rulebook) -> pd.DataFrame:
    """List the same from narrow columns.

    Parameters
    ----------
    ranking
        `TABLES["ranking"]`, with or without outlines, in any order.
    buildings
        `roof_family`, `family_basis`, `surveyed_on`, `look_again`, `local_roofs`, in order of `building_id`.
    roofs
        What each roof may be, in the same order.
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        `TABLES["survey_next"]`.
    """
    # Where each building of `buildings` stands in the ranking.
    place = ranking["building_id"].argsort(kind="stable").to_numpy()
    length = list_length(len(ranking), rules)
    standing = _Standing.of(ranking["score"].to_numpy(dtype=float)[place], length)
    open_rows = np.flatnonzero(~family_surveyed(buildings))
    found = []
    for start in range(0, len(open_rows), _BLOCK) or (0,):
        # Some buildings at a time: what each family would do takes room for every one of them.
        rows = open_rows[start : start + _BLOCK]
        found.append(
            _weighed(
                pd.DataFrame(ranking.iloc[place[rows]]),
                buildings.iloc[rows],
                roofs.of_rows(rows),
                standing,
                rows,
                rules,
            )
        )
    listed = pd.concat(found, ignore_index=True)
    # Rows are in order of building_id, and the sort is a stable one.
    order = np.lexsort((-listed["places"], -listed["worth"]))
    listed = listed.iloc[order].reset_index(drop=True)
    return cast("pd.DataFrame", conform("survey_next", listed.assign(order=np.arange(1, len(listed) + 1))))


def _weighed(
    ranking: pd.DataFrame,
    buildings: pd.DataFrame,
    roofs: Outlook,
    standing: _Standing,
    rows: IntArray,
    rules: Rulebook,
) -> pd.DataFrame:
    """What a survey of each of some buildings is worth, with its reason."""
    chances = roofs.chances
    gains, moved, changes = standing.effects(scores_by_family(ranking, roofs, rules), rows)
    listed = standing.rank[rows] <= standing.length
    kept = ["building_id", "name", "address", "dispatch_area", "rank", "rank_low", "rank_high"]
    return ranking[kept].assign(
        worth=np.round((chances * gains).sum(axis=1), SCORE_DECIMALS),
        chance_of_change=np.clip((chances * changes).sum(axis=1), 0.0, 1.0),
        places=np.round((chances * np.abs(moved)).sum(axis=1), _PLACE_DECIMALS),
        reason=pd.array(_reasons(buildings, chances, moved, changes, listed, standing.length), dtype="str"),
    )


def survey_effects(
    score: FloatArray, would: FloatArray, length: int
) -> tuple[FloatArray, IntArray, npt.NDArray[np.bool_]]:
    """Tell what each possible score of each building would do, one building at a time.

    Parameters
    ----------
    score
        The scores as they are, in order of building id, shape (n,).
    would
        The scores that each building may have, shape (n, m).
    length
        Buildings on the list, from 1 to n.

    Returns
    -------
    gains
        How much the sum of the scores on the list gains, against a list that stays as it is, when the
        building has that score; zero or more, shape (n, m).
    moved
        Ranks up, or down where it is negative, shape (n, m).
    changes
        Whether it enters the list or leaves it, shape (n, m).

    Examples
    --------
    >>> gains, moved, changes = survey_effects(np.array([0.5, 0.3]), np.array([[0.1], [0.6]]), 1)
    >>> gains.round(9).tolist(), moved.tolist(), changes.tolist()
    ([[0.2], [0.1]], [[-1], [1]], [[True], [True]])
    """
    return _Standing.of(score, length).effects(would, np.arange(len(score)))


@dataclass(frozen=True, slots=True)
class _Standing:
    """How the buildings stand: their keys in order of id and sorted, their ranks, the edge of the list."""

    own: KeyArray
    ordered: KeyArray
    rank: IntArray
    length: int
    lowest_on: float
    highest_off: float

    @classmethod
    def of(cls, score: FloatArray, length: int) -> _Standing:
        own = sort_keys(score)
        first = -np.sort(-score)
        # With every building on the list there is none to take a place on it.
        highest_off = float(first[length]) if len(first) > length else -np.inf
        lowest_on = float(first[length - 1]) if len(first) else np.inf
        return cls(own, np.sort(own), ranks(own), length, lowest_on, highest_off)

    def effects(
        self, would: FloatArray, rows: IntArray
    ) -> tuple[FloatArray, IntArray, npt.NDArray[np.bool_]]:
        """As `survey_effects`, of the buildings of some rows."""
        keys = sort_keys(would, rows[:, None])
        landing = places_in(self.ordered, self.own[rows][:, None], keys)
        rank = self.rank[rows][:, None]
        listed = rank <= self.length
        gains = np.where(listed, self.highest_off - would, would - self.lowest_on)
        changes = (landing <= self.length) != listed
        return np.maximum(gains, 0.0), rank - landing, changes


def list_length(count: int, rules: Rulebook) -> int:
    """Return how many of `count` buildings are on the office's list.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> [list_length(count, load_rulebook()) for count in (2, 60, 5_000)]
    [1, 15, 100]
    """
    longest = rules.count("ranking.list_length", least=1)
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


def _reasons(
    buildings: pd.DataFrame,
    chances: FloatArray,
    moved: IntArray,
    changes: npt.NDArray[np.bool_],
    listed: npt.NDArray[np.bool_],
    length: int,
) -> Words:
    """One sentence a building: how far up or down and with what chance, and what is known."""
    up, up_places = _side(chances, moved > 0, moved)
    down, down_places = _side(chances, moved < 0, -moved)
    there = np.where(up > 0, _counted(up_places) + " up (" + percent(up) + ")", "")
    # After "98 places up or" the word is not said again.
    number = np.where(up > 0, thousands(np.maximum(down_places, 1.0)), _counted(down_places))
    back = np.where(down > 0, number + " down (" + percent(down) + ")", "")
    joint = np.where((up > 0) & (down > 0), " or ", "").astype(object)
    stays = (up <= 0) & (down <= 0)
    words = np.where(stays, "A survey would not move it", "A survey would move it " + there + joint + back)
    crossing = np.clip((chances * changes).sum(axis=1), 0.0, 1.0)
    edge = np.where(listed, ", off the first ", ", onto the first ").astype(object) + f"{length:,} ("
    words = words + np.where(crossing > 0, edge + percent(crossing) + ")", "")
    return cast("Words", words + "; " + _known(buildings) + ".")


def _side(
    chances: FloatArray, here: npt.NDArray[np.bool_], places: IntArray
) -> tuple[FloatArray, FloatArray]:
    """The chance of one side, and the mean of the places there."""
    chance = (chances * here).sum(axis=1)
    total = (chances * np.where(here, places, 0)).sum(axis=1)
    return np.clip(chance, 0.0, 1.0), np.divide(total, chance, out=np.zeros(len(total)), where=chance > 0)


def _counted(places: FloatArray) -> Words:
    number = thousands(np.maximum(places, 1.0))
    return cast("Words", number + np.where(number == "1", " place", " places").astype(object))


def _known(buildings: pd.DataFrame) -> Words:
    """What is known of the roof without a survey."""
    unknown = (buildings["roof_family"] == UNKNOWN).to_numpy(dtype=bool)
    looked = buildings["surveyed_on"].notna().to_numpy(dtype=bool)
    again = to_look_again(buildings)
    before = again & (buildings["family_basis"] == "surveyed").to_numpy(dtype=bool, na_value=False)
    words = np.where(
        unknown,
        np.where(looked, "the survey does not name the roof", "roof unknown"),
        "roof "
        + text(buildings["family_basis"], "assumed")
        + np.where(before, " before a change", ", not surveyed").astype(object),
    ).astype(object)
    if again.any():
        words = np.where(again, "look again: " + text(buildings["look_again"], "") + "; " + words, words)
    if "local_roofs" not in buildings:
        return words
    behind = np.nan_to_num(buildings["local_roofs"].to_numpy(dtype=float, na_value=np.nan))
    noun = np.where(behind == 1, " surveyed roof behind the odds", " surveyed roofs behind the odds")
    return words + np.where(
        unknown, ", " + np.where(behind == 0, "no", thousands(behind)).astype(object) + noun, ""
    )
