"""Which question matters most of a building: how far its answer moves the score.

In: the ranking, buildings, roof sections, the odds by stratum, the rulebook.
Out: one row for each building and fact that is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.inventory import period_years
from roofplat.ranking.explain import factors_told, occupancy_groups, region_of
from roofplat.ranking.next import scores_by_family
from roofplat.ranking.order import SCORE_DECIMALS
from roofplat.ranking.outlook import family_surveyed, outlook
from roofplat.ranking.score import FACT_WORDS, given_hazard, weight_shares
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["MOVING_FIELDS", "score_moves"]

FloatArray = npt.NDArray[np.float64]

MOVING_FIELDS = ("roof_family", "year_built", "occupancy", "sprinklered", "suspended_load")
"""Fields whose answer moves the score; of equal ones the earlier is asked first."""


def score_moves(ids: Sequence[str], tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """Tell how far the answer to each open question is expected to move the score of a building.

    A move is the mean, over the answers, of how far the score would go up or down. The answers to the roof
    family count by their chances; of the others nobody has odds, and each answer counts the same. One
    fact is answered at a time; the year and the occupancy move the odds of a roof that no survey has named.

    Parameters
    ----------
    ids
        The buildings, all of them in the ranking.
    tables
        `ranking` as `rank_buildings` made it, `buildings`; `roofs` and `family_odds` as were given to it.
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        `building_id`, `field` (of `MOVING_FIELDS`), `moves` (0 to 1); by the order of `ids`, then the
        largest first, then as in `MOVING_FIELDS`. Facts that are known have no row, nor have those whose
        answer moves nothing.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {name: empty(name, "EPSG:32613") for name in ("buildings", "ranking")}
    >>> score_moves([], tables, load_rulebook()).empty
    True
    """
    places = {name: place for place, name in enumerate(dict.fromkeys(ids))}
    ranking = _of(pd.DataFrame(tables["ranking"]).drop(columns="geometry", errors="ignore"), places)
    buildings = _of(tables["buildings"], places)
    asked = ranking["unknown_facts"].astype("str").fillna("").str.split(", ")
    open_ = {
        fact: asked.map(lambda facts, fact=fact: fact in facts).to_numpy(dtype=bool) for fact in FACT_WORDS
    }
    _, year, occupancy, sprinklers = FACT_WORDS
    unseen = ~family_surveyed(buildings)
    moves = np.zeros((len(ranking), len(MOVING_FIELDS)))
    if len(ranking):
        roofs = outlook(buildings, tables, rules)
        would = scores_by_family(ranking, roofs, rules)
        moves[:, 0] = np.where(unseen, _far(ranking, would, roofs.chances), 0.0)
        odds = tables.get("family_odds")
        years = {} if odds is None or not len(odds) else period_years(region_of(odds), rules)
        told: dict[str, list[Any]] = {"year_built": list(years.values())}
        moves[:, 1] = _moves(ranking, buildings, open_[year], unseen, told, {}, tables, rules)
        groups = occupancy_groups(rules)
        hazard = {"life_hazard": given_hazard(pd.Series(groups), rules)}
        told = {"occupancy": groups}
        moves[:, 2] = _moves(ranking, buildings, open_[occupancy], unseen, told, hazard, tables, rules)
        yes_no = {"unsprinklered": np.array([0.0, 1.0])}
        moves[:, 3] = _moves(ranking, buildings, open_[sprinklers], unseen, {}, yes_no, tables, rules)
        # A load that hangs counts in full; without one the score stays as it is.
        hung = np.column_stack([np.ones(len(ranking)), ranking["roof_load"].to_numpy(dtype=float)])
        moves[:, 4] = np.where(
            _load_open(ranking, tables), _far(ranking, _scores(ranking, {"roof_load": hung}, rules)), 0.0
        )
    building, field = np.nonzero(np.round(moves, SCORE_DECIMALS) > 0)
    found = pd.DataFrame(
        {
            "building_id": pd.Series(ranking["building_id"].to_numpy()[building], dtype="str"),
            "field": pd.Series(np.array(MOVING_FIELDS)[field], dtype="str"),
            "moves": np.round(moves[building, field], SCORE_DECIMALS),
        }
    )
    order = np.lexsort((field, -found["moves"].to_numpy(), building))
    return found.iloc[order].reset_index(drop=True)


def _of(table: pd.DataFrame, places: Mapping[str, int]) -> pd.DataFrame:
    """The rows of the buildings asked for, in the order asked for."""
    rows = table[table["building_id"].isin(places)]
    order = rows["building_id"].map(places).to_numpy(dtype=np.int64)
    return rows.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)


def _moves(
    ranking: pd.DataFrame,
    buildings: pd.DataFrame,
    asked: npt.NDArray[np.bool_],
    unseen: npt.NDArray[np.bool_],
    told: Mapping[str, Sequence[Any]],
    factors: Mapping[str, FloatArray],
    tables: Mapping[str, Any],
    rules: Rulebook,
) -> FloatArray:
    """How far a fact moves each building: by the odds too where no survey has named its roof."""
    moves = np.zeros(len(ranking))
    for rows in (asked & unseen, asked & ~unseen):
        own: dict[str, FloatArray] = dict(factors)
        if told and rows.any() and bool(unseen[rows][0]):
            own |= factors_told(buildings[rows], told, tables, rules)
        if own and rows.any():
            moves[rows] = _far(ranking[rows], _scores(ranking[rows], own, rules))
    return moves


def _load_open(ranking: pd.DataFrame, tables: Mapping[str, Any]) -> npt.NDArray[np.bool_]:
    """Whether nobody has said of a section if anything hangs from it."""
    roofs = tables.get("roofs")
    if roofs is None or not len(roofs):
        return np.zeros(len(ranking), dtype=bool)
    lacking = roofs.loc[roofs["suspended_load"].isna().to_numpy(), "building_id"]
    return cast("npt.NDArray[np.bool_]", ranking["building_id"].isin(lacking).to_numpy(dtype=bool))


def _scores(ranking: pd.DataFrame, factors: Mapping[str, FloatArray], rules: Rulebook) -> FloatArray:
    """The scores with other values of some factors, shape (n, m)."""
    share = dict(zip(RANKING_FACTORS, weight_shares(rules), strict=True))
    others = [f"part_{name}" for name in RANKING_FACTORS if name not in factors]
    rest = ranking[others].to_numpy(dtype=float).sum(axis=1)[:, None]
    told = sum(share[name] * np.atleast_2d(values) for name, values in factors.items())
    return cast("FloatArray", np.clip(rest + told, 0.0, 1.0))


def _far(ranking: pd.DataFrame, would: FloatArray, chances: FloatArray | None = None) -> FloatArray:
    """The mean distance from the score as it is."""
    distance = np.abs(would - ranking["score"].to_numpy(dtype=float)[:, None])
    if chances is None:
        return cast("FloatArray", distance.mean(axis=1))
    return cast("FloatArray", (distance * chances).sum(axis=1))
