"""What only the whole district can tell of its buildings: odds, ranks, which roof to survey next.

In: the measured rows of all buildings, the rulebook, the region, the date on which ages are counted.
Out: `Finished`: what is added to the buildings, and the tables that are not by building alone.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roofplat.inventory import odds_of, region_problems, trust_problems
from roofplat.ranking.next import next_of
from roofplat.ranking.outlook import outlook_of
from roofplat.ranking.score import rank_measured
from roofplat.rules import Rulebook
from roofplat.tables import join_problems

__all__ = ["Finished", "finish"]


@dataclass(frozen=True, slots=True)
class Finished:
    """What a district's buildings get when all of them are known.

    buildings
        `building_id`, `p_lightweight`, `stratum`, `odds`, `local_roofs`, in order of `building_id`: what
        `tables.TABLES["buildings"]` lacks until then.
    family_odds, survey_next
        The tables of those names.
    ranking
        `tables.RANKING_TABLES["ranked"]`, by rank: the ranking without outlines.
    problems
        What was found of the district as a whole.
    """

    buildings: pd.DataFrame
    family_odds: pd.DataFrame
    ranking: pd.DataFrame
    survey_next: pd.DataFrame
    problems: pd.DataFrame


def finish(measured: pd.DataFrame, rules: Rulebook, *, region: str | None, as_of: datetime.date) -> Finished:
    """Put the measured rows of a district's parts together, and rank its buildings.

    Parameters
    ----------
    measured
        Rows of `RANKING_TABLES["measured"]` of all parts, one for each building of the district, in any
        order.
    rules
        The rules in force.
    region
        `west`, `midwest` or `east`; None where nobody says.
    as_of
        The date on which ages are counted.

    Returns
    -------
    Finished
        As `estimate_odds`, `rank_buildings` and `survey_next` find it of the whole district.

    Raises
    ------
    RuleError
        A rule of the odds or of the ranking is out of its range.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> found = finish(empty("measured"), load_rulebook(), region="west", as_of=datetime.date(2026, 1, 1))
    >>> len(found.ranking), len(found.survey_next)
    (0, 0)
    """
    rows = measured
    if not rows["building_id"].is_monotonic_increasing:
        rows = rows.sort_values("building_id", kind="stable", ignore_index=True)
    rows = rows.reset_index(drop=True)
    forms = rows["forms"].to_numpy(dtype=np.int64)
    late, family_odds = odds_of(rows, forms, region, rules)
    roofs = outlook_of(rows.assign(stratum=late["stratum"]), forms, family_odds, rules)
    ranking = rank_measured(rows, late, roofs, family_odds, rules, as_of=as_of)
    known, agrees = (rows[name].to_numpy(dtype=np.int64) for name in ("trust_known", "trust_agrees"))
    return Finished(
        buildings=late.assign(building_id=rows["building_id"])[
            ["building_id", "p_lightweight", "stratum", "odds", "local_roofs"]
        ],
        family_odds=family_odds,
        ranking=ranking,
        survey_next=next_of(ranking, rows.assign(local_roofs=late["local_roofs"]), roofs, rules),
        problems=join_problems([region_problems(region), trust_problems(known, agrees, rules)]),
    )
