"""What the ranking wants to know of each building by itself: one narrow row, without its outline.

In: the tables of some buildings, all of a district or a part of it, the rulebook.
Out: `tables.RANKING_TABLES["measured"]`, in order of building id.

Nothing here depends on any other building, nor on the day: the rows of a district's parts, put together,
are those of the whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.inventory import places_among, stated_forms, trust_bits
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_TABLES, conform

__all__ = ["measure_buildings"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def measure_buildings(tables: Mapping[str, Any], rules: Rulebook) -> pd.DataFrame:
    """Reduce what was found of each building to the figures that rank it.

    - undivided_ft2: largest roof area within the same fire walls; the whole outline where there are no
      roofs.
    - covered_share: share of the roof under units and solar, at most 1. A point counts as a square of
      2 x `obstacle.point_radius_ft`.
    - clear_share: share of the outer walls' length, party walls included, that is not a party wall and has
      `ranking.access_clear_ft` of clear ground.
    - ladder_reaches: whether there is a ladder spot that is not `out_of_reach`.

    Parameters
    ----------
    tables
        At least `buildings`; `facts`, `walls`, `ladders`, `obstacles` and `roofs` where there are any, all in
        one working CRS, lengths in ground feet. Rows of other buildings are not looked at.
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        `RANKING_TABLES["measured"]`, one row for each of `buildings`, in order of `building_id`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from roofplat.tables import empty
    >>> len(measure_buildings({"buildings": empty("buildings", "EPSG:32613")}, load_rulebook()))
    0
    """
    buildings = tables["buildings"].sort_values("building_id", kind="stable", ignore_index=True)
    ids = pd.Index(buildings["building_id"])
    roofs = _some(tables, "roofs")
    covered, hangs = _loads(buildings, ids, _some(tables, "obstacles"), roofs, rules)
    facts = _some(tables, "facts")
    trust = None if facts is None else trust_bits(facts).reindex(ids, fill_value=0)
    nothing = np.zeros(len(ids), dtype=np.int64)
    said = pd.DataFrame(buildings).reindex(columns=list(RANKING_TABLES["measured"].columns))
    measured = said.assign(
        forms=stated_forms(buildings["building_id"], roofs),
        undivided_ft2=_undivided_ft2(buildings, ids, roofs),
        covered_share=covered,
        load_hangs=hangs,
        clear_share=_clear_share(ids, _some(tables, "walls"), rules),
        ladder_reaches=_ladder_reaches(ids, _some(tables, "ladders")),
        trust_known=nothing if trust is None else trust["known"].to_numpy(),
        trust_agrees=nothing if trust is None else trust["agrees"].to_numpy(),
    )
    rows: pd.DataFrame = conform("measured", measured)
    return rows


def _some(tables: Mapping[str, Any], name: str) -> Any:
    """A table that has rows, or None."""
    frame = tables.get(name)
    return frame if frame is not None and len(frame) else None


def _numbers(column: pd.Series) -> FloatArray:
    return column.to_numpy(dtype=float, na_value=np.nan)


def _undivided_ft2(buildings: pd.DataFrame, ids: pd.Index, roofs: Any) -> FloatArray:
    area_ft2 = _numbers(buildings["area_ft2"])
    if roofs is None:
        return area_ft2
    owner = places_among(ids, roofs["building_id"])
    largest = np.full(len(ids), -np.inf)
    # A section of which nobody knows it does not count.
    np.fmax.at(largest, owner[owner >= 0], _numbers(roofs["undivided_ft2"])[owner >= 0])
    return np.where(np.isfinite(largest), largest, area_ft2)


def _loads(
    buildings: Any, ids: pd.Index, obstacles: Any, roofs: Any, rules: Rulebook
) -> tuple[FloatArray, BoolArray]:
    """The share of each roof under units and solar, and whether anything hangs from it."""
    covered = np.zeros(len(ids))
    hangs = np.zeros(len(ids), dtype=bool)
    if obstacles is not None:
        owner = places_among(ids, obstacles["building_id"])
        kind = obstacles["kind"]
        load = kind.isin(["unit", "solar"]).to_numpy(dtype=bool) & (owner >= 0)
        shapes, under = obstacles.geometry.to_numpy()[load], owner[load]
        # Shares need no true feet, except for a point, whose size is in feet.
        share = shapely.area(shapes) / shapely.area(buildings.geometry.to_numpy()[under])
        point = shapely.get_dimensions(shapes) == 0
        side_ft = 2.0 * rules.number("obstacle.point_radius_ft")
        share[point] = side_ft**2 / _numbers(buildings["area_ft2"])[under[point]]
        # Sums in order of size: the order of rows must not reach the last digit.
        order = np.lexsort((share, under))
        covered[:] = np.bincount(under[order], weights=share[order], minlength=len(ids))
        hanging = (kind == "suspended_load").to_numpy(dtype=bool) & (owner >= 0)
        hangs[owner[hanging]] = True
    if roofs is not None:
        owner = places_among(ids, roofs["building_id"])
        hangs[owner[roofs["suspended_load"].fillna(False).to_numpy(dtype=bool) & (owner >= 0)]] = True
    return np.clip(covered, 0.0, 1.0), hangs


def _clear_share(ids: pd.Index, walls: Any, rules: Rulebook) -> FloatArray:
    if walls is None:
        return np.zeros(len(ids))
    owner = places_among(ids, walls["building_id"])
    outer = walls["side"].notna().to_numpy(dtype=bool) & (owner >= 0)
    clear = (_numbers(walls["clear_ground_ft"]) >= rules.number("ranking.access_clear_ft")) & (
        (walls["kind"] != "party").to_numpy(dtype=bool)
    )
    length_ft = _numbers(walls["length_ft"])
    outer_rows = np.flatnonzero(outer)
    # Sums in order of length: the order of rows must not reach the last digit.
    order = outer_rows[np.lexsort((length_ft[outer_rows], owner[outer_rows]))]
    whole = np.bincount(owner[order], weights=length_ft[order], minlength=len(ids))
    order = order[clear[order]]
    free = np.bincount(owner[order], weights=length_ft[order], minlength=len(ids))
    return np.divide(free, whole, out=np.zeros(len(ids)), where=whole > 0)


def _ladder_reaches(ids: pd.Index, ladders: Any) -> BoolArray:
    if ladders is None:
        return np.zeros(len(ids), dtype=bool)
    reached = np.zeros(len(ids), dtype=bool)
    owner = places_among(ids, ladders["building_id"])
    usable = places_among(("ground_ladder", "aerial"), ladders["apparatus"]) >= 0
    reached[owner[usable & (owner >= 0)]] = True
    return reached
