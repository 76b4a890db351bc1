"""What would change a building's rank: where it would land for each answer to what is not known.

In: a building, the ranking, buildings, roof sections, the odds by stratum, the rulebook.
Out: one row an answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import DistrictFileError
from roofplat.ranking.next import scores_by_family
from roofplat.ranking.order import SCORE_DECIMALS, places_in, sort_keys
from roofplat.ranking.outlook import UNKNOWN, outlook
from roofplat.ranking.score import FACT_WORDS, weight_shares
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["what_if"]

FloatArray = npt.NDArray[np.float64]


def what_if(building_id: str, tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """Tell where a building would land for each possible answer to a fact that is not known.

    One fact is answered at a time, all others stay as they are, and so do all other buildings. The
    roof family is asked for unless a survey has named it; the occupancy and the sprinklers where
    nobody has stated them. The odds of the roof are not changed by another answer.

    Parameters
    ----------
    building_id
        The building.
    tables
        `ranking` as `rank_buildings` made it, `buildings`; `roofs` and `family_odds` as were given
        to it.
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        `fact` (one of `FACT_WORDS`), `answer` (id of a roof family, letter of an occupancy group,
        `yes` or `no`), `score`, `rank`, `chance` (of a roof family; missing for the others, of which
        nobody has odds). Facts in the order of `FACT_WORDS`; families of no chance are left out;
        answers by rank, then by name.

    Raises
    ------
    DistrictFileError
        There is no such building.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {name: empty(name, "EPSG:32613") for name in ("buildings", "ranking")}
    >>> what_if("7", tables, load_rulebook())
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: There is no building '7' in the ranking; ranking.csv lists them.
    """
    ranking = pd.DataFrame(tables["ranking"]).drop(columns="geometry", errors="ignore")
    ranking = ranking.sort_values("building_id", kind="stable", ignore_index=True)
    place = pd.Index(ranking["building_id"]).get_indexer([building_id])[0]
    if place < 0:
        raise DistrictFileError(
            f"There is no building {building_id!r} in the ranking; ranking.csv lists them."
        )
    one = ranking.iloc[[place]]
    buildings = tables["buildings"]
    building = buildings[buildings["building_id"] == building_id].reset_index(drop=True)
    asked = str(one["unknown_facts"].iloc[0]).split(", ")
    family, occupancy, sprinklers = FACT_WORDS

    answers: list[pd.DataFrame] = []
    stated = building["roof_family"].iloc[0] != UNKNOWN
    if not (stated and building["family_basis"].iloc[0] == "surveyed"):
        roofs = outlook(building, tables, rules)
        would = scores_by_family(one, roofs, rules)[0]
        here = roofs.chances[0] > 0
        named = [name for name, can_be in zip(roofs.families, here, strict=True) if can_be]
        answers.append(_answers(family, named, would[here], roofs.chances[0][here]))
    if occupancy in asked:
        hazards = rules.table("ranking.life_hazard")
        letters = [name for name in hazards if name != UNKNOWN]
        values = np.array([hazards[name] for name in letters])
        answers.append(_answers(occupancy, letters, _with(one, "life_hazard", values, rules)))
    if sprinklers in asked:
        values = np.array([0.0, 1.0])
        answers.append(_answers(sprinklers, ["yes", "no"], _with(one, "unsprinklered", values, rules)))
    if not answers:
        return _answers(family, [], np.empty(0)).assign(rank=pd.Series([], dtype="Int64"))
    found = pd.concat(answers, ignore_index=True)
    own = sort_keys(ranking["score"].to_numpy(dtype=float))
    keys = sort_keys(found["score"].to_numpy(), np.full(len(found), place))
    found["rank"] = pd.array(places_in(np.sort(own), own[[place]], keys), dtype="Int64")
    found["asked"] = found["fact"].map({name: number for number, name in enumerate(FACT_WORDS)})
    found = found.sort_values(["asked", "rank", "answer"], ignore_index=True)
    return found[["fact", "answer", "score", "rank", "chance"]]


def _with(one: pd.DataFrame, factor: str, values: FloatArray, rules: Rulebook) -> FloatArray:
    """The building's score with other values of one factor, shape of `values`."""
    share = weight_shares(rules)[RANKING_FACTORS.index(factor)]
    rest = sum(float(one[f"part_{name}"].iloc[0]) for name in RANKING_FACTORS if name != factor)
    return cast("FloatArray", np.clip(np.round(rest + share * values, SCORE_DECIMALS), 0.0, 1.0))


def _answers(
    fact: str, names: list[str], scores: FloatArray, chances: FloatArray | None = None
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "fact": pd.Series([fact] * len(names), dtype="str"),
            "answer": pd.Series(names, dtype="str"),
            "score": scores,
            "rank": pd.Series([pd.NA] * len(names), dtype="Int64"),
            "chance": np.full(len(names), np.nan) if chances is None else chances,
        }
    )
