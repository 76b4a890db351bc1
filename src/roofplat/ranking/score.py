"""The weighted score of each building, its rank with an interval, its reasons, its inspection.

In: buildings, roofs, walls, ladders, obstacles and family odds (`tables.TABLES`), the rulebook, the
    date on which ages are counted.
Out: the ranking table, best score first.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.ranking.inspections import inspections, occupancy_letter
from roofplat.ranking.intervals import rank_intervals
from roofplat.ranking.measure import measure_buildings
from roofplat.ranking.order import SCORE_DECIMALS, ranks, sort_keys
from roofplat.ranking.outlook import UNKNOWN, Outlook, outlook, to_look_again
from roofplat.ranking.words import percent, plain, text, thousands
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS, conform

__all__ = ["FACT_WORDS", "factor_words", "given_hazard", "rank_buildings", "rank_measured", "weight_shares"]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

FACT_WORDS = ("roof family", "year built", "occupancy", "sprinklers")
"""Facts that a factor assumes where nobody states them, in the words that name them."""

# Columns of buildings that are counted over the whole district.
_LATE = ("p_lightweight", "stratum", "local_roofs")
_REASONS = 3
# Buildings whose reasons are put into words at once.
_BLOCK = 50_000
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
      1; with anything hung from the roof 1.
    - poor_access: 1 - share of the outer walls' length with clear ground; without a ladder spot in reach 1.
    - stale_information: years since the last roof survey / `ranking.stale_full_years`, at most 1;
      never surveyed is 1.

    Areas, loads and walls are as `measure_buildings` counts them; the chances of the families are those that
    `outlook` gives. Each `part_<factor>` is the factor times its weight's share of all weights; the parts
    add up to the score.

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
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    odds = tables.get("family_odds")
    measured, late = measure_buildings(tables, rules), buildings[list(_LATE)]
    ranked = rank_measured(measured, late, outlook(buildings, tables, rules), odds, rules, as_of=as_of)
    place = pd.Index(measured["building_id"]).get_indexer(pd.Index(ranked["building_id"]))
    shapes = buildings.geometry.to_numpy()[place]
    return cast("gpd.GeoDataFrame", conform("ranking", ranked, geometry=shapes, crs=buildings.crs))


def rank_measured(
    measured: pd.DataFrame,
    late: pd.DataFrame,
    roofs: Outlook,
    family_odds: pd.DataFrame | None,
    rules: Rulebook,
    *,
    as_of: datetime.date,
) -> pd.DataFrame:
    """Rank buildings by their measured rows.

    Parameters
    ----------
    measured
        `RANKING_TABLES["measured"]` in order of `building_id`, n rows.
    late
        `p_lightweight`, `stratum`, `local_roofs`, n rows in the same order.
    roofs
        What each roof may be, in the same order.
    family_odds
        The odds by stratum; None where there are none.
    rules, as_of
        As in `rank_buildings`.

    Returns
    -------
    DataFrame
        `RANKING_TABLES["ranked"]`, by rank.

    Raises
    ------
    RuleError
        As in `rank_buildings`.
    """
    weights = weight_shares(rules)
    factors = np.empty((len(measured), len(RANKING_FACTORS)))
    reasons, unknown = [], []
    for start in range(0, len(measured), _BLOCK) or (0,):
        # Some buildings at a time: as texts of their own the words of all would take gigabytes.
        block = slice(start, start + _BLOCK)
        some, some_late = measured.iloc[block], late.iloc[block]
        factors[block], words = _judged(some, some_late, roofs.of_rows(block), family_odds, rules, as_of)
        reasons.append(pd.array(_reasons(factors[block] * weights, words), dtype="str"))
        facts = _unknown_facts(some, some_late["stratum"], family_odds, rules)
        unknown.append(pd.array(facts, dtype="str"))
    score = np.clip(np.round((factors * weights).sum(axis=1), SCORE_DECIMALS), 0.0, 1.0)
    rank = ranks(sort_keys(score))
    low, high = rank_intervals(factors, weights, roofs, rank, rules)

    kept = ["building_id", "name", "address", "dispatch_area", "roof_family", "family_basis", "inspected_on"]
    due = inspections(measured, rules, as_of=as_of)
    # Column by column in order of rank: a second copy of the whole table would be the largest thing here.
    order = np.argsort(rank)
    columns: dict[str, Any] = {
        **{name: measured[name].array.take(order) for name in kept},
        **{str(name): due[name].array.take(order) for name in due},
        "p_lightweight": factors[order, RANKING_FACTORS.index("lightweight")],
        "score": score[order],
        "rank": rank[order],
        "rank_low": low[order],
        "rank_high": high[order],
        "reasons": _joined(reasons).take(order),
        "unknown_facts": _joined(unknown).take(order),
        **{name: factors[order, place] for place, name in enumerate(RANKING_FACTORS)},
        **{
            f"part_{name}": factors[order, place] * weights[place]
            for place, name in enumerate(RANKING_FACTORS)
        },
    }
    return cast("pd.DataFrame", conform("ranked", columns))


def _joined(blocks: Sequence[Any]) -> Any:
    """The texts of all blocks as one column."""
    return pd.concat([pd.Series(texts) for texts in blocks], ignore_index=True).array


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
    measured, roofs = measure_buildings(tables, rules), outlook(buildings, tables, rules)
    _, words = _judged(measured, buildings[list(_LATE)], roofs, tables.get("family_odds"), rules, as_of)
    ids = pd.Index(buildings["building_id"])
    return pd.DataFrame(words, index=ids, columns=pd.Index(RANKING_FACTORS), dtype="str")


def _judged(
    measured: pd.DataFrame,
    late: pd.DataFrame,
    roofs: Outlook,
    family_odds: pd.DataFrame | None,
    rules: Rulebook,
    as_of: datetime.date,
) -> tuple[FloatArray, Words]:
    """Factors and what each rests on, both of shape (n, 8), in the order of `RANKING_FACTORS`."""
    by_odds = family_odds is not None and len(family_odds) > 0
    judged = {
        "lightweight": _lightweight(measured, late, roofs, by_odds=by_odds),
        "severity": _severity(measured, roofs, rules, by_odds=by_odds),
        "life_hazard": _life_hazard(measured, rules),
        "unsprinklered": _unsprinklered(measured, rules),
        "undivided_area": _undivided_area(measured, rules),
        "roof_load": _roof_load(measured, rules),
        "poor_access": _poor_access(measured),
        "stale_information": _stale_information(measured, rules, as_of),
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


def _lightweight(
    buildings: pd.DataFrame, late: pd.DataFrame, roofs: Outlook, *, by_odds: bool
) -> tuple[FloatArray, Words]:
    given = _numbers(late["p_lightweight"])
    chance = np.clip(np.where(np.isnan(given), roofs.mean(roofs.lightweight), given), 0.0, 1.0)
    known = text(buildings["family_basis"], "assumed") + np.where(
        to_look_again(buildings), ", look again", ""
    ).astype(object)
    words = np.where(
        _guessed(buildings),
        "chance of lightweight " + plain(chance) + _behind(late)
        if by_odds
        else "chance of lightweight assumed " + plain(chance),
        np.where(
            chance == 1.0,
            "lightweight roof (" + known + ")",
            "chance of lightweight " + plain(chance) + " (" + known + ")",
        ),
    )
    return chance, words


def _behind(late: pd.DataFrame) -> Words:
    """What the odds of a roof that nobody has surveyed rest on."""
    roofs = np.nan_to_num(_numbers(late["local_roofs"]))
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
    value = np.clip(roofs.mean(roofs.severity), 0.0, 1.0)
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


def _unknown_facts(
    buildings: pd.DataFrame, stratum: pd.Series, family_odds: pd.DataFrame | None, rules: Rulebook
) -> Words:
    """Name what nobody has stated behind a factor, in the order of `FACT_WORDS`."""
    guessed = _guessed(buildings)
    dateless = np.zeros(len(buildings), dtype=bool)
    if family_odds is not None:
        # Where odds do not tell years apart, nothing rests on the year.
        strata = family_odds.loc[family_odds["period"] == UNKNOWN, "stratum"].unique()
        dateless = guessed & stratum.isin(strata).to_numpy(dtype=bool)
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


def _undivided_area(measured: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    area_ft2 = _numbers(measured["undivided_ft2"])
    value = np.clip(area_ft2 / rules.positive("ranking.area_full_ft2"), 0.0, 1.0)
    return value, thousands(area_ft2) + " ft2 undivided"


def _roof_load(measured: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    covered, hangs = _numbers(measured["covered_share"]), _truths(measured["load_hangs"])
    full_share = rules.positive("ranking.roof_load_full_share")
    value = np.where(hangs, 1.0, np.clip(covered / full_share, 0.0, 1.0))
    words = np.where(
        hangs, "a load hangs from the roof", percent(covered) + " of the roof under units and solar"
    )
    return value, words


def _poor_access(measured: pd.DataFrame) -> tuple[FloatArray, Words]:
    clear, spot = _numbers(measured["clear_share"]), _truths(measured["ladder_reaches"])
    value = np.where(spot, np.clip(1.0 - clear, 0.0, 1.0), 1.0)
    words = np.where(spot, percent(value) + " of the outer wall without clear ground", "no ladder spot")
    return value, words


def _truths(column: pd.Series) -> npt.NDArray[np.bool_]:
    return column.to_numpy(dtype=bool, na_value=False)


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
