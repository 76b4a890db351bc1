"""One building's score taken apart: its parts, the odds of its roof, and what an answer would change.

In: a building, the tables that were ranked, the rulebook, the date on which ages were counted.
Out: `Apart`: the row of the ranking and three small tables.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from roofplat.ranking.explain import what_if
from roofplat.ranking.outlook import family_surveyed, outlook
from roofplat.ranking.score import factor_words, weight_shares
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["Apart", "take_apart"]


@dataclass(frozen=True, slots=True)
class Apart:
    """What stands behind one building's place in the ranking.

    row, building
        Its rows of `tables.TABLES["ranking"]` and of `buildings`.
    of
        How many buildings are ranked.
    parts
        `factor`, `weight_share`, `value`, `part`, `why`, one row for each factor, the largest part
        first; the parts add up to the score.
    odds
        `roof_family`, `chance` (of this roof), and of the roofs of its kind `low`, `high`, `prior`,
        `prior_count`, `surveyed`, likeliest first; no rows where a survey has named the family.
    answers
        As `what_if` returns it.
    """

    row: pd.Series
    building: pd.Series
    of: int
    parts: pd.DataFrame
    odds: pd.DataFrame
    answers: pd.DataFrame


def take_apart(
    building_id: str, tables: Mapping[str, Any], rules: Rulebook, *, as_of: datetime.date
) -> Apart:
    """Take the score of one building apart.

    Parameters
    ----------
    building_id
        The building.
    tables
        `ranking` as `rank_buildings` made it, and the tables that were given to it.
    rules, as_of
        As they were given to it.

    Returns
    -------
    Apart

    Raises
    ------
    DistrictFileError
        There is no such building.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {name: empty(name, "EPSG:32613") for name in ("buildings", "ranking")}
    >>> take_apart("7", tables, load_rulebook(), as_of=datetime.date(2026, 1, 1))
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: There is no building '7' in the ranking; ranking.csv lists them.
    """
    answers = what_if(building_id, tables, rules)
    ranking = tables["ranking"]
    row = ranking[ranking["building_id"] == building_id].iloc[0]
    # The odds are by kind of building; every other table is asked for this building alone.
    own = {
        name: frame[frame["building_id"] == building_id]
        for name, frame in tables.items()
        if "building_id" in getattr(frame, "columns", ())
    }
    if "family_odds" in tables:
        own["family_odds"] = tables["family_odds"]
    words = factor_words(own, rules, as_of=as_of).loc[building_id]
    parts = pd.DataFrame(
        {
            "factor": list(RANKING_FACTORS),
            "weight_share": weight_shares(rules),
            "value": [float(row[name]) for name in RANKING_FACTORS],
            "part": [float(row[f"part_{name}"]) for name in RANKING_FACTORS],
            "why": [words[name] for name in RANKING_FACTORS],
        }
    ).sort_values("part", ascending=False, kind="stable", ignore_index=True)
    building = own["buildings"].reset_index(drop=True)
    odds = _odds(building, own, rules)
    return Apart(row, building.iloc[0], len(ranking), parts, odds, answers)


def _odds(building: pd.DataFrame, own: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """The chance of each family, with what stands behind it."""
    columns = ["roof_family", "chance", "low", "high", "prior", "prior_count", "surveyed"]
    odds = own.get("family_odds")
    if odds is None or odds.empty or family_surveyed(building)[0]:
        return pd.DataFrame(columns=columns)
    roofs = outlook(building, own, rules)
    chance = pd.Series(roofs.chances[0], index=pd.Index(roofs.families))
    found = odds[odds["stratum"] == building["stratum"].iloc[0]]
    found = found.assign(chance=found["roof_family"].map(chance))
    found = found.sort_values("chance", ascending=False, kind="stable", ignore_index=True)
    return pd.DataFrame(found[columns])
