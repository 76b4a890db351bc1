"""What would change a building's rank: where it would land for each answer to what is not known.

In: a building, the ranking, buildings, roof sections, the odds by stratum, the rulebook.
Out: one row an answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import DistrictFileError
from roofplat.inventory import estimate_odds, period_years
from roofplat.ranking.next import scores_by_family
from roofplat.ranking.order import SCORE_DECIMALS, places_in, sort_keys
from roofplat.ranking.outlook import UNKNOWN, family_surveyed, outlook
from roofplat.ranking.score import FACT_WORDS, given_hazard, weight_shares
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["factors_told", "occupancy_groups", "region_of", "what_if"]

FloatArray = npt.NDArray[np.float64]


def what_if(building_id: str, tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """Tell where a building would land for each possible answer to a fact that is not known.

    One fact is answered at a time; all other facts stay as they are, and so do all other buildings.
    The roof family is asked for unless a survey has named it; the year, the occupancy and the
    sprinklers where `unknown_facts` names them. The odds of a roof that no survey has named follow
    the year and the occupancy, as they would if the answer had been stated before.

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
        `fact` (one of `FACT_WORDS`), `answer` (id of a roof family, a period, an occupancy group,
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
    one = ranking.iloc[place]
    building = tables["buildings"].query("building_id == @building_id").reset_index(drop=True)
    asked = str(one["unknown_facts"]).split(", ")
    family, year, occupancy, sprinklers = FACT_WORDS

    answers = [_families(family, one, building, tables, rules)]
    if year in asked:
        years = period_years(region_of(tables["family_odds"]), rules)
        told = {"year_built": list(years.values())}
        scores = _scores(one, _factors_told(building, told, tables, rules), rules)
        answers.append(_answers(year, list(years), scores))
    if occupancy in asked:
        groups = occupancy_groups(rules)
        factors = _factors_told(building, {"occupancy": groups}, tables, rules)
        factors["life_hazard"] = given_hazard(pd.Series(groups), rules)
        answers.append(_answers(occupancy, groups, _scores(one, factors, rules)))
    if sprinklers in asked:
        scores = _scores(one, {"unsprinklered": np.array([0.0, 1.0])}, rules)
        answers.append(_answers(sprinklers, ["yes", "no"], scores))
    found = pd.concat(answers, ignore_index=True)
    own = sort_keys(ranking["score"].to_numpy(dtype=float))
    keys = sort_keys(found["score"].to_numpy(), np.full(len(found), place))
    found["rank"] = pd.array(places_in(np.sort(own), own[[place]], keys), dtype="Int64")
    found["asked"] = found["fact"].map({name: number for number, name in enumerate(FACT_WORDS)})
    found = found.sort_values(["asked", "rank", "answer"], ignore_index=True)
    return found[["fact", "answer", "score", "rank", "chance"]]


def _families(
    fact: str, one: pd.Series, building: pd.DataFrame, tables: Mapping[str, Any], rules: Rulebook
) -> pd.DataFrame:
    """The answers of a survey, with their chances; none where one has been made."""
    if family_surveyed(building)[0]:
        return _answers(fact, [], np.empty(0))
    roofs = outlook(building, tables, rules)
    here = roofs.chances[0] > 0
    named = [name for name, can_be in zip(roofs.families, here, strict=True) if can_be]
    would = scores_by_family(one.to_frame().T, roofs, rules)[0]
    return _answers(fact, named, would[here], roofs.chances[0][here])


def factors_told(
    buildings: pd.DataFrame, told: Mapping[str, Sequence[Any]], tables: Mapping[str, Any], rules: Rulebook
) -> dict[str, FloatArray]:
    """Tell the factors that follow from the odds of the roof, once a fact is told.

    Odds are made of surveyed roofs and of nothing else of the district, so that copies of the buildings,
    one for each answer, may stand beside them.

    Parameters
    ----------
    buildings
        Rows of `TABLES["buildings"]` whose roof family no survey has named, n of them.
    told
        One column of them and the m answers that it may get.
    tables
        `buildings`; `roofs` and `family_odds` as were given to the ranking.
    rules
        The rules in force.

    Returns
    -------
    dict of ndarray
        `lightweight` and `severity`, shape (n, m); nothing where no odds were given.
    """
    odds = tables.get("family_odds")
    if odds is None or not len(odds) or buildings.empty:
        return {}
    ((column, values),) = told.items()
    shape = (len(buildings), len(values))
    names = np.arange(shape[0] * shape[1]).astype(str).reshape(shape)
    copies = buildings.loc[buildings.index.repeat(shape[1])]
    copies = copies.assign(building_id=names.ravel(), **{column: list(values) * shape[0]})
    others = tables["buildings"]
    seen = others[family_surveyed(others)]
    # Which building is which does not matter to the odds; no two may bear one id.
    seen = seen.assign(building_id=[f"seen {number}" for number in range(len(seen))])
    roofs = tables.get("roofs")
    if roofs is not None:
        owner = pd.Index(buildings["building_id"]).get_indexer(pd.Index(roofs["building_id"]))
        rows = np.flatnonzero(owner >= 0)
        roofs = roofs.iloc[rows.repeat(shape[1])].assign(building_id=names[owner[rows]].ravel())
    both, odds = estimate_odds(pd.concat([copies, seen]), roofs, region_of(odds), rules)
    answered = both.iloc[: names.size]
    chances = outlook(answered, {"family_odds": odds, "roofs": roofs}, rules)
    return {
        "lightweight": np.clip(chances.mean(chances.lightweight), 0.0, 1.0).reshape(shape),
        "severity": np.clip(chances.mean(chances.severity), 0.0, 1.0).reshape(shape),
    }


def _factors_told(
    building: pd.DataFrame, told: Mapping[str, Sequence[Any]], tables: Mapping[str, Any], rules: Rulebook
) -> dict[str, FloatArray]:
    """The same of one building: an array each, by answer; nothing where a survey has named the family."""
    if family_surveyed(building)[0]:
        return {}
    return {name: values[0] for name, values in factors_told(building, told, tables, rules).items()}


def _scores(one: pd.Series, factors: Mapping[str, FloatArray], rules: Rulebook) -> FloatArray:
    """The building's scores with other values of some factors, one for each answer."""
    share = dict(zip(RANKING_FACTORS, weight_shares(rules), strict=True))
    rest = sum(float(one[f"part_{name}"]) for name in RANKING_FACTORS if name not in factors)
    told = sum(share[name] * values for name, values in factors.items())
    return cast("FloatArray", np.clip(np.round(rest + told, SCORE_DECIMALS), 0.0, 1.0))


def occupancy_groups(rules: Rulebook) -> list[str]:
    """Name every group that has a life hazard or odds of its own.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> occupancy_groups(load_rulebook())[:3]
    ['A', 'B', 'E']
    """
    starts = ("ranking.life_hazard.", "odds.occupancy.")
    named = {rule.removeprefix(start) for start in starts for rule in rules.rules if rule.startswith(start)}
    return sorted(named - {UNKNOWN})


def region_of(odds: pd.DataFrame) -> str | None:
    """Tell the region that the odds were made for; None where it was not stated."""
    region = str(odds["region"].iloc[0])
    return None if region == UNKNOWN else region


def _answers(
    fact: str, names: Sequence[str], scores: FloatArray, chances: FloatArray | None = None
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "fact": pd.Series([fact] * len(names), dtype="str"),
            "answer": pd.Series(list(names), dtype="str"),
            "score": scores,
            "chance": np.full(len(names), np.nan) if chances is None else chances,
        }
    )
