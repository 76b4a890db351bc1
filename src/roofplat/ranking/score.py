"""The weighted score of each building, its rank with an interval, its reasons, its inspection.

In: buildings, roofs, walls, ladders, obstacles and family odds (`tables.TABLES`), the rulebook, the
    date on which ages are counted.
Out: the ranking table, best score first.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.errors import RuleError
from roofplat.ranking.inspections import inspections, occupancy_letter
from roofplat.ranking.intervals import rank_intervals
from roofplat.ranking.order import SCORE_DECIMALS, ranks, sort_keys
from roofplat.ranking.outlook import UNKNOWN, Outlook, outlook, to_look_again
from roofplat.ranking.words import percent, plain, text, thousands
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS, conform

__all__ = ["FACT_WORDS", "factor_words", "given_hazard", "rank_buildings", "weight_shares"]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

FACT_WORDS = ("roof family", "year built", "occupancy", "sprinklers")
"""Facts that a factor assumes where nobody states them, in the words that name them."""

_REASONS = 3
_DAYS_A_YEAR = 365.25  # mean Julian year


def rank_buildings(
    tables: Mapping[str, gpd.GeoDataFrame], rules: Rulebook, *, as_of: datetime.date
) -> gpd.GeoDataFrame:
    """Rank the buildings of a district by how much their roofs deserve a visit.

    score = sum(weight * factor) / sum(weight), with the weights `ranking.weight.*`:

    - lightweight: `p_lightweight`; where it is missing, the chances of the lightweight families.
    - severity: the severity of each roof family times the chance that it is the one.
    - life_hazard: `ranking.life_hazard.<letter>` by the letter of the occupancy group ("R-2" is
      R); anything else is `ranking.life_hazard.unknown`.
    - unsprinklered: 1 without, 0 with sprinklers; not known is `ranking.unknown_sprinklers`.
    - undivided_area: largest roof area within the same fire walls / `ranking.area_full_ft2`, at
      most 1. A building without roofs counts its whole outline.
    - roof_load: share of the roof under units and solar / `ranking.roof_load_full_share`, at most
      1; with anything hung from the roof 1. A point counts as a square of
      2 x `obstacle.point_radius_ft`.
    - poor_access: 1 - share of the outer walls' length, party walls included, that is not a party
      wall and has `ranking.access_clear_ft` of clear ground; without a ladder spot 1. A spot that
      is `out_of_reach` is none.
    - stale_information: years since the last roof survey / `ranking.stale_full_years`, at most 1;
      never surveyed is 1.

    The chances of the families are those that `outlook` gives. Each `part_<factor>` is the factor
    times its weight's share of all weights; the parts add up to the score.

    Parameters
    ----------
    tables
        At least `buildings`; `family_odds`, `walls`, `ladders`, `obstacles` and `roofs` where there
        are any, all in one working CRS, lengths in ground feet.
    rules
        The rules in force.
    as_of
        The date on which ages are counted.

    Returns
    -------
    GeoDataFrame
        `TABLES["ranking"]`, one row for each building, by rank; ties go to the lower
        `building_id`. `rank_low` and `rank_high` are those of `rank_intervals`, class and dates those
        of `inspections`. `unknown_facts` names what nobody has stated behind a factor, with commas.

    Raises
    ------
    RuleError
        A weight is negative or not finite, all weights are zero, or another ranking rule is out
        of its range.

    Notes
    -----
    The factors and weights are a department's choice; no published scale stands behind them.

    Examples
    --------
    >>> import datetime
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {"buildings": empty("buildings", "EPSG:32613")}
    >>> len(rank_buildings(tables, load_rulebook(), as_of=datetime.date(2026, 1, 1)))
    0
    """
    weights = weight_shares(rules)
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    roofs = outlook(buildings, tables, rules)
    factors, words = _judged(buildings, roofs, tables, rules, as_of)
    parts = factors * weights
    score = np.clip(np.round(parts.sum(axis=1), SCORE_DECIMALS), 0.0, 1.0)
    rank = ranks(sort_keys(score))
    low, high = rank_intervals(factors, weights, roofs, rank, rules)

    kept = ["building_id", "name", "address", "dispatch_area", "roof_family", "family_basis", "inspected_on"]
    ranking = buildings[[*kept, "geometry"]].assign(
        p_lightweight=factors[:, RANKING_FACTORS.index("lightweight")],
        score=score,
        rank=rank,
        rank_low=low,
        rank_high=high,
        reasons=_reasons(parts, words),
        unknown_facts=_unknown_facts(buildings, tables, rules),
        **{name: factors[:, place] for place, name in enumerate(RANKING_FACTORS)},
        **{f"part_{name}": parts[:, place] for place, name in enumerate(RANKING_FACTORS)},
    )
    ranking = pd.concat([ranking, inspections(buildings, rules, as_of=as_of)], axis=1)
    return cast("gpd.GeoDataFrame", conform("ranking", ranking.sort_values("rank", ignore_index=True)))


def factor_words(tables: Mapping[str, Any], rules: Rulebook, *, as_of: datetime.date) -> pd.DataFrame:
    """Say for each factor of each building what it rests on: the words of which reasons are made.

    Parameters
    ----------
    tables, rules, as_of
        As in `rank_buildings`; rows of the buildings of interest are enough.

    Returns
    -------
    DataFrame
        One column for each of `RANKING_FACTORS`, one row for each building, by `building_id`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> tables = {"buildings": empty("buildings", "EPSG:32613")}
    >>> factor_words(tables, load_rulebook(), as_of=datetime.date(2026, 1, 1)).shape
    (0, 8)
    """
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    _, words = _judged(buildings, outlook(buildings, tables, rules), tables, rules, as_of)
    ids = pd.Index(buildings["building_id"])
    return pd.DataFrame(words, index=ids, columns=pd.Index(RANKING_FACTORS), dtype="str")


def _judged(
    buildings: gpd.GeoDataFrame,
    roofs: Outlook,
    tables: Mapping[str, Any],
    rules: Rulebook,
    as_of: datetime.date,
) -> tuple[FloatArray, Words]:
    """Factors and what each rests on, both of shape (n, 8), in the order of `RANKING_FACTORS`."""
    ids = pd.Index(buildings["building_id"])
    by_odds = len(tables.get("family_odds", ())) > 0
    judged = {
        "lightweight": _lightweight(buildings, roofs, by_odds=by_odds),
        "severity": _severity(buildings, roofs, rules, by_odds=by_odds),
        "life_hazard": _life_hazard(buildings, rules),
        "unsprinklered": _unsprinklered(buildings, rules),
        "undivided_area": _undivided_area(buildings, ids, tables, rules),
        "roof_load": _roof_load(buildings, ids, tables, rules),
        "poor_access": _poor_access(ids, tables, rules),
        "stale_information": _stale_information(buildings, rules, as_of),
    }
    factors = np.column_stack([judged[name][0] for name in RANKING_FACTORS])
    return factors, np.column_stack([judged[name][1] for name in RANKING_FACTORS])


def weight_shares(rules: Rulebook) -> FloatArray:
    """Return the share that each factor's weight has of all weights.

    Parameters
    ----------
    rules
        `ranking.weight.*`.

    Returns
    -------
    ndarray of float
        In the order of `RANKING_FACTORS`, shape (8,); they add up to 1.

    Raises
    ------
    RuleError
        A weight is negative or not finite, all are zero, or they are too large to add up.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> float(weight_shares(load_rulebook()).sum().round(9))
    1.0
    """
    weights = np.array([rules.number(f"ranking.weight.{name}") for name in RANKING_FACTORS])
    for name, weight in zip(RANKING_FACTORS, weights, strict=True):
        if not np.isfinite(weight) or weight < 0:
            raise RuleError(f"Rule ranking.weight.{name} is {weight:g}; a weight is zero or more.")
    if not weights.any():
        raise RuleError(
            "All rules ranking.weight.* are zero, so nothing can be ranked; "
            "give at least one a positive value."
        )
    with np.errstate(over="ignore"):
        total = weights.sum()
    if not np.isfinite(total):
        raise RuleError("The rules ranking.weight.* are too large to add up; give shares such as 0.2.")
    return cast("FloatArray", weights / total)


def _numbers(column: pd.Series) -> FloatArray:
    return column.to_numpy(dtype=float, na_value=np.nan)


def _guessed(buildings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Whether nobody has said what the roof is."""
    basis = buildings["family_basis"]
    return ((buildings["roof_family"] == UNKNOWN) | basis.isna() | (basis == "assumed")).to_numpy(dtype=bool)


def _lightweight(buildings: pd.DataFrame, roofs: Outlook, *, by_odds: bool) -> tuple[FloatArray, Words]:
    given = _numbers(buildings["p_lightweight"])
    chance = np.clip(np.where(np.isnan(given), roofs.chances @ roofs.lightweight, given), 0.0, 1.0)
    known = text(buildings["family_basis"], "assumed") + np.where(
        to_look_again(buildings), ", look again", ""
    ).astype(object)
    words = np.where(
        _guessed(buildings),
        "chance of lightweight " + plain(chance) + _behind(buildings)
        if by_odds
        else "chance of lightweight assumed " + plain(chance),
        np.where(
            chance == 1.0,
            "lightweight roof (" + known + ")",
            "chance of lightweight " + plain(chance) + " (" + known + ")",
        ),
    )
    return chance, words


def _behind(buildings: pd.DataFrame) -> Words:
    """What the odds of a roof that nobody has surveyed rest on."""
    roofs = np.nan_to_num(_numbers(buildings["local_roofs"]))
    return np.where(
        roofs == 0,
        " by odds, no surveyed roof like it",
        " by odds, "
        + thousands(roofs)
        + np.where(roofs == 1, " surveyed roof like it", " surveyed roofs like it"),
    )


def _severity(
    buildings: pd.DataFrame, roofs: Outlook, rules: Rulebook, *, by_odds: bool
) -> tuple[FloatArray, Words]:
    value = np.clip(roofs.chances @ roofs.severity, 0.0, 1.0)
    label = text(
        buildings["roof_family"].map({key: entry.label for key, entry in rules.families.items()}), ""
    )
    words = np.where(
        _guessed(buildings),
        f"family severity {'' if by_odds else 'assumed '}"
        + plain(value)
        + f"{' by odds' if by_odds else ''}, roof unknown",
        "family severity "
        + plain(value)
        + " ("
        + label
        + ", "
        + text(buildings["family_basis"], "assumed")
        + ")",
    )
    return value, words


def _life_hazard(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    given = given_hazard(buildings["occupancy"], rules)
    unknown = np.isnan(given)
    value = np.where(unknown, rules.share("ranking.life_hazard.unknown"), given)
    occupancy = buildings["occupancy"].astype("str").str.strip()
    group_not_known = np.where(
        occupancy.isna(), ", occupancy unknown", ", no group for occupancy " + text(occupancy, "")
    )
    words = np.where(
        unknown,
        "life hazard assumed " + plain(value) + group_not_known,
        "life hazard " + plain(value) + " (occupancy " + text(occupancy, "") + ")",
    )
    return value, words


def given_hazard(occupancy: pd.Series, rules: Rulebook) -> FloatArray:
    """Return the life hazard of each occupancy group; nan where there is none.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> given_hazard(pd.Series(["R-2", "retail"]), load_rulebook()).tolist()
    [1.0, nan]
    """
    hazards = rules.table("ranking.life_hazard")
    for name in hazards:
        rules.share(f"ranking.life_hazard.{name}")
    letters = {key: value for key, value in hazards.items() if key != UNKNOWN}
    return _numbers(occupancy_letter(occupancy).map(letters))


def _unknown_facts(buildings: pd.DataFrame, tables: Mapping[str, Any], rules: Rulebook) -> Words:
    """Name what nobody has stated behind a factor, in the order of `FACT_WORDS`."""
    guessed = _guessed(buildings)
    dateless = np.zeros(len(buildings), dtype=bool)
    if (odds := tables.get("family_odds")) is not None:
        # Where odds do not tell years apart, nothing rests on the year.
        strata = odds.loc[odds["period"] == UNKNOWN, "stratum"].unique()
        dateless = guessed & buildings["stratum"].isin(strata).to_numpy(dtype=bool)
    unknown = (
        guessed,
        dateless,
        np.isnan(given_hazard(buildings["occupancy"], rules)),
        buildings["sprinklered"].isna().to_numpy(dtype=bool),
    )
    found = np.full(len(buildings), "", dtype=object)
    for word, here in zip(FACT_WORDS, unknown, strict=True):
        joint = np.where(found == "", "", ", ").astype(object)
        found = found + np.where(here, joint + word, "")
    return found


def _unsprinklered(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    sprinklered = _numbers(buildings["sprinklered"])
    unknown = np.isnan(sprinklered)
    value = np.where(unknown, rules.share("ranking.unknown_sprinklers"), 1.0 - sprinklered)
    words = np.where(
        unknown,
        "no sprinklers assumed " + plain(value) + ", nobody says",
        np.where(value == 0, "sprinklers throughout", "no sprinklers"),
    )
    return value, words.astype(object)


def _undivided_area(
    buildings: pd.DataFrame, ids: pd.Index, tables: Mapping[str, Any], rules: Rulebook
) -> tuple[FloatArray, Words]:
    largest = np.full(len(ids), np.nan)
    if (roofs := tables.get("roofs")) is not None and len(roofs):
        largest = roofs.groupby("building_id")["undivided_ft2"].max().reindex(ids).to_numpy(dtype=float)
    area_ft2 = np.where(np.isnan(largest), _numbers(buildings["area_ft2"]), largest)
    value = np.clip(area_ft2 / rules.positive("ranking.area_full_ft2"), 0.0, 1.0)
    return value, thousands(area_ft2) + " ft2 undivided"


def _roof_load(
    buildings: gpd.GeoDataFrame, ids: pd.Index, tables: Mapping[str, Any], rules: Rulebook
) -> tuple[FloatArray, Words]:
    full_share = rules.positive("ranking.roof_load_full_share")
    covered = np.zeros(len(ids))
    hung = np.zeros(len(ids), dtype=bool)
    if (obstacles := tables.get("obstacles")) is not None and len(obstacles):
        owner = ids.get_indexer(obstacles["building_id"])
        kind = obstacles["kind"]
        load = kind.isin(["unit", "solar"]).to_numpy(dtype=bool) & (owner >= 0)
        area_ft2 = _numbers(buildings["area_ft2"])
        area_crs = shapely.area(buildings.geometry.to_numpy())
        shapes = obstacles.geometry.to_numpy()[load]
        # Shares need no true feet, except for a point, whose size is in feet.
        share = shapely.area(shapes) / area_crs[owner[load]]
        point = shapely.get_dimensions(shapes) == 0
        side_ft = 2.0 * rules.number("obstacle.point_radius_ft")
        share[point] = side_ft**2 / area_ft2[owner[load]][point]
        # Sums in order of size: the order of rows must not reach the last digit.
        order = np.lexsort((share, owner[load]))
        covered[:] = np.bincount(owner[load][order], weights=share[order], minlength=len(ids))
        hanging = (kind == "suspended_load").to_numpy(dtype=bool) & (owner >= 0)
        hung[owner[hanging]] = True
    if (roofs := tables.get("roofs")) is not None and len(roofs):
        owner = ids.get_indexer(roofs["building_id"])
        hung[owner[roofs["suspended_load"].fillna(False).to_numpy(dtype=bool) & (owner >= 0)]] = True
    covered = np.clip(covered, 0.0, 1.0)
    value = np.where(hung, 1.0, np.clip(covered / full_share, 0.0, 1.0))
    words = np.where(
        hung, "a load hangs from the roof", percent(covered) + " of the roof under units and solar"
    )
    return value, words


def _poor_access(ids: pd.Index, tables: Mapping[str, Any], rules: Rulebook) -> tuple[FloatArray, Words]:
    reachable = np.zeros(len(ids))
    if (walls := tables.get("walls")) is not None and len(walls):
        owner = ids.get_indexer(walls["building_id"])
        outer = walls["side"].notna().to_numpy(dtype=bool) & (owner >= 0)
        clear = (_numbers(walls["clear_ground_ft"]) >= rules.number("ranking.access_clear_ft")) & (
            (walls["kind"] != "party").to_numpy(dtype=bool)
        )
        length_ft = _numbers(walls["length_ft"])
        order = np.lexsort((length_ft, owner))
        order = order[outer[order]]
        whole = np.bincount(owner[order], weights=length_ft[order], minlength=len(ids))
        order = order[clear[order]]
        free = np.bincount(owner[order], weights=length_ft[order], minlength=len(ids))
        reachable = np.divide(free, whole, out=np.zeros(len(ids)), where=whole > 0)
    spot = np.zeros(len(ids), dtype=bool)
    if (ladders := tables.get("ladders")) is not None and len(ladders):
        usable = ladders["apparatus"].isin(["ground_ladder", "aerial"])
        spot = ids.isin(ladders.loc[usable, "building_id"])
    value = np.where(spot, np.clip(1.0 - reachable, 0.0, 1.0), 1.0)
    words = np.where(spot, percent(value) + " of the outer wall without clear ground", "no ladder spot")
    return value, words


def _stale_information(
    buildings: pd.DataFrame, rules: Rulebook, as_of: datetime.date
) -> tuple[FloatArray, Words]:
    days: Any = np.datetime64(as_of, "D") - buildings["surveyed_on"].to_numpy(dtype="datetime64[D]")
    years = np.maximum(days / np.timedelta64(1, "D") / _DAYS_A_YEAR, 0.0)
    never = np.isnan(years)
    again = to_look_again(buildings)
    fresh = np.minimum(years / rules.positive("ranking.stale_full_years"), 1.0)
    value = np.where(never | again, 1.0, fresh)
    words = np.where(
        never, "never surveyed", "surveyed " + plain(np.where(never, 0.0, years), decimals=1) + " years ago"
    ).astype(object)
    if again.any():
        why = text(buildings["look_again"], "")
        words = np.where(again, np.where(never, words + ", ", "") + "look again: " + why, words)
    return value, words


def _reasons(parts: FloatArray, words: Words) -> Words:
    """Join the words of the three largest contributions that are not zero; ties in factor order."""
    largest = np.argsort(-parts, axis=1, kind="stable")[:, :_REASONS]
    chosen = np.take_along_axis(words, largest, axis=1)
    counts = np.take_along_axis(parts, largest, axis=1) > 0
    reasons = np.full(len(parts), "", dtype=object)
    for place in range(_REASONS):
        joint = "; " if place else ""
        reasons = reasons + np.where(counts[:, place], joint + chosen[:, place], "")
    return reasons
