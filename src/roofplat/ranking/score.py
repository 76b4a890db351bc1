"""The weighted score of each building, its rank, its three reasons and its inspection class.

In: buildings, roofs, walls, ladders and obstacles (`tables.TABLES`), the rulebook, the date
    on which ages are counted.
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
from roofplat.ranking.words import percent, plain, text, thousands
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS, conform

__all__ = ["rank_buildings"]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

_REASONS = 3
# Scores are compared to this many decimals, so that the order of a sum cannot decide a rank.
_SCORE_DECIMALS = 9
_DAYS_A_YEAR = 365.25  # mean Julian year
_MONTHS_A_YEAR = 12


def rank_buildings(
    tables: Mapping[str, gpd.GeoDataFrame], rules: Rulebook, *, as_of: datetime.date
) -> gpd.GeoDataFrame:
    """Rank the buildings of a district by how much their roofs deserve a visit.

    score = sum(weight * factor) / sum(weight), with the weights `ranking.weight.*`:

    - lightweight: `p_lightweight`; missing is `ranking.unknown_lightweight`.
    - severity: the severity of the roof family in `families.toml`.
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

    Parameters
    ----------
    tables
        At least `buildings`; `walls`, `ladders`, `obstacles` and `roofs` where there are any, all in
        one working CRS, lengths in ground feet.
    rules
        The rules in force.
    as_of
        The date on which ages are counted.

    Returns
    -------
    GeoDataFrame
        `TABLES["ranking"]`, one row for each building, by rank; ties go to the lower
        `building_id`. `class` follows `inspection.class_*`, `next_due` is the last inspection
        plus `inspection.cycle_years.*`, missing where either is not known.

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
    weights = _weights(rules)
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    ids = pd.Index(buildings["building_id"])
    judged = {
        "lightweight": _lightweight(buildings, rules),
        "severity": _severity(buildings, rules),
        "life_hazard": _life_hazard(buildings, rules),
        "unsprinklered": _unsprinklered(buildings, rules),
        "undivided_area": _undivided_area(buildings, ids, tables, rules),
        "roof_load": _roof_load(buildings, ids, tables, rules),
        "poor_access": _poor_access(ids, tables, rules),
        "stale_information": _stale_information(buildings, rules, as_of),
    }
    factors = np.column_stack([judged[name][0] for name in RANKING_FACTORS])
    words = np.column_stack([judged[name][1] for name in RANKING_FACTORS])
    parts = factors * weights
    score = np.round(parts.sum(axis=1), _SCORE_DECIMALS)

    inspection_class = _inspection_class(buildings["occupancy"], rules)
    ranking = buildings[
        ["building_id", "name", "address", "dispatch_area", "roof_family", "family_basis", "geometry"]
    ].assign(
        score=score,
        reasons=_reasons(parts, words),
        next_due=_next_due(buildings["inspected_on"], inspection_class, rules),
        **{"class": inspection_class},
        **{name: factors[:, place] for place, name in enumerate(RANKING_FACTORS)},
    )
    # Rows are in order of building_id, so a stable sort breaks ties by it.
    ranking = ranking.iloc[np.argsort(-score, kind="stable")].reset_index(drop=True)
    ranking["rank"] = np.arange(1, len(ranking) + 1)
    return cast("gpd.GeoDataFrame", conform("ranking", ranking))


def _weights(rules: Rulebook) -> FloatArray:
    weights = np.array([rules.number(f"ranking.weight.{name}") for name in RANKING_FACTORS])
    for name, weight in zip(RANKING_FACTORS, weights, strict=True):
        if not np.isfinite(weight) or weight < 0:
            raise RuleError(f"Rule ranking.weight.{name} is {weight:g}; a weight is zero or more.")
    if not weights.any():
        raise RuleError(
            "All rules ranking.weight.* are zero, so nothing can be ranked; "
            "give at least one a positive value."
        )
    return cast("FloatArray", weights / weights.sum())


def _share(rules: Rulebook, rule_id: str) -> float:
    value = rules.number(rule_id)
    if not 0 <= value <= 1:
        raise RuleError(f"Rule {rule_id} is {value:g}; it takes a value from 0 to 1.")
    return value


def _full(rules: Rulebook, rule_id: str) -> float:
    value = rules.number(rule_id)
    if not (np.isfinite(value) and value > 0):
        raise RuleError(f"Rule {rule_id} is {value:g} {rules[rule_id].unit}; it must be more than zero.")
    return value


def _numbers(column: pd.Series) -> FloatArray:
    return column.to_numpy(dtype=float, na_value=np.nan)


def _lightweight(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    given = _numbers(buildings["p_lightweight"])
    missing = np.isnan(given)
    chance = np.clip(np.where(missing, _share(rules, "ranking.unknown_lightweight"), given), 0.0, 1.0)
    basis = buildings["family_basis"]
    guessed = missing | (basis.isna() | (basis == "assumed")).to_numpy(dtype=bool)
    known = text(basis, "assumed")
    words = np.where(
        guessed,
        "chance of lightweight assumed " + plain(chance),
        np.where(
            chance == 1.0,
            "lightweight roof (" + known + ")",
            "chance of lightweight " + plain(chance) + " (" + known + ")",
        ),
    )
    return chance, words


def _severity(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    families = rules.families
    family = buildings["roof_family"].where(buildings["roof_family"].isin(list(families)), "unknown")
    value = _numbers(family.map({key: entry.severity for key, entry in families.items()}))
    label = text(family.map({key: entry.label for key, entry in families.items()}), "")
    unknown = (family == "unknown").to_numpy(dtype=bool)
    words = np.where(
        unknown,
        "family severity assumed " + plain(value) + ", roof unknown",
        "family severity "
        + plain(value)
        + " ("
        + label
        + ", "
        + text(buildings["family_basis"], "assumed")
        + ")",
    )
    return np.clip(value, 0.0, 1.0), words


def _occupancy_letter(occupancy: pd.Series) -> pd.Series:
    """Find the group letter of `R-2`, `S1`, `i-2 condition 1`; missing for words such as `retail`."""
    found = occupancy.astype("str").str.extract(
        r"^\s*(?:[Gg]roup\s+)?([A-Za-z])(?:\s*-?\s*\d.*)?\s*$", expand=False
    )
    return found.str.upper()


def _life_hazard(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    hazards = rules.table("ranking.life_hazard")
    for name in hazards:
        _share(rules, f"ranking.life_hazard.{name}")
    letter = _occupancy_letter(buildings["occupancy"])
    given = _numbers(letter.map({key: value for key, value in hazards.items() if key != "unknown"}))
    unknown = np.isnan(given)
    value = np.where(unknown, hazards["unknown"], given)
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


def _unsprinklered(buildings: pd.DataFrame, rules: Rulebook) -> tuple[FloatArray, Words]:
    sprinklered = _numbers(buildings["sprinklered"])
    unknown = np.isnan(sprinklered)
    value = np.where(unknown, _share(rules, "ranking.unknown_sprinklers"), 1.0 - sprinklered)
    words = np.where(unknown, "no sprinklers assumed " + plain(value) + ", nobody says", "no sprinklers")
    return value, words.astype(object)


def _undivided_area(
    buildings: pd.DataFrame, ids: pd.Index, tables: Mapping[str, Any], rules: Rulebook
) -> tuple[FloatArray, Words]:
    largest = np.full(len(ids), np.nan)
    if (roofs := tables.get("roofs")) is not None and len(roofs):
        largest = roofs.groupby("building_id")["undivided_ft2"].max().reindex(ids).to_numpy(dtype=float)
    area_ft2 = np.where(np.isnan(largest), _numbers(buildings["area_ft2"]), largest)
    value = np.clip(area_ft2 / _full(rules, "ranking.area_full_ft2"), 0.0, 1.0)
    return value, thousands(area_ft2) + " ft2 undivided"


def _roof_load(
    buildings: gpd.GeoDataFrame, ids: pd.Index, tables: Mapping[str, Any], rules: Rulebook
) -> tuple[FloatArray, Words]:
    full_share = _full(rules, "ranking.roof_load_full_share")
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
    value = np.where(never, 1.0, np.minimum(years / _full(rules, "ranking.stale_full_years"), 1.0))
    words = np.where(
        never, "never surveyed", "surveyed " + plain(np.where(never, 0.0, years), decimals=1) + " years ago"
    )
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


def _inspection_class(occupancy: pd.Series, rules: Rulebook) -> pd.Series:
    letter = _occupancy_letter(occupancy)
    found = pd.Series("unknown", index=occupancy.index, dtype="str")
    # From low to high, so that a group named in two lists gets the stricter class.
    for name in ("low", "moderate", "high"):
        found = found.mask(letter.isin(list(rules[f"inspection.class_{name}"].value)), name)
    return found


def _next_due(inspected_on: pd.Series, inspection_class: pd.Series, rules: Rulebook) -> pd.Series:
    due = pd.Series(pd.NaT, index=inspected_on.index, dtype="datetime64[ms]")
    for name in rules.table("inspection.cycle_years"):
        months = round(_full(rules, f"inspection.cycle_years.{name}") * _MONTHS_A_YEAR)
        here = (inspection_class == name) & inspected_on.notna()
        due = due.mask(here, (inspected_on[here] + pd.DateOffset(months=months)).astype("datetime64[ms]"))
    return due
