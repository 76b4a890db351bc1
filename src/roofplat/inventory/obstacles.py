"""Which building is under each obstacle, and which building burns in the scenario.

In: footprints, obstacles and fire spots in the working CRS.
Out: the `obstacles` table, one fire spot a building, problem rows.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat import tables
from roofplat.inventory._shared import (
    NONE,
    IntArray,
    best_of_each,
    combine_problems,
    file_order,
    find_keys,
    shares,
    texts,
)
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = ["place_fires", "place_obstacles"]

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


def place_obstacles(
    footprints: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame, ft2_per_unit2: FloatArray, rules: Rulebook
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give each obstacle the building it lies on most.

    Overhead lines belong to no building. A parapet stands on the outline, where a drawing may miss
    it by a foot: it belongs to the building that it runs along within `join.parapet_reach_ft`. Ties
    go to the smallest building id.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry`, working CRS.
    obstacles
        `obstacle_id`, `kind`, `voltage_kv`, `height_ft`, `basis`, `note`, `geometry`, the same CRS.
    ft2_per_unit2
        Ground square feet in one square unit of the CRS at each building, shape (n,).
    rules
        `join.parapet_reach_ft`.

    Returns
    -------
    obstacles
        `TABLES["obstacles"]`, sorted by `obstacle_id`.
    problems
        `obstacle_outside_buildings` for everything but overhead lines.
    """
    if not len(obstacles):
        return tables.empty("obstacles", footprints.crs), tables.empty("problems")
    ids = footprints["building_id"].to_numpy(dtype=object)
    order = np.argsort(obstacles["obstacle_id"].to_numpy(dtype=object), kind="stable")
    placed = obstacles.iloc[order].reset_index(drop=True)
    overhead = (placed["kind"] == "overhead_line").to_numpy(dtype=bool)
    shapes = np.asarray(placed.geometry.array, dtype=object).copy()
    parapet = np.flatnonzero((placed["kind"] == "parapet").to_numpy(dtype=bool))
    if parapet.size and len(footprints):
        # The scale at the nearest building is near enough for a reach of a few feet.
        outlines = np.asarray(footprints.geometry.array, dtype=object)
        scale = np.sqrt(ft2_per_unit2[shapely.STRtree(outlines).nearest(shapes[parapet])])
        reach = rules.number("join.parapet_reach_ft") / scale
        shapes[parapet] = shapely.buffer(shapes[parapet], reach, cap_style="flat", join_style="mitre")
    thing, building, _ = _under(shapes, footprints)
    under = np.full(len(placed), None, dtype=object)
    under[thing] = ids[building]
    under[overhead] = None
    placed["building_id"] = pd.Series(under, dtype="str")
    lost = placed[placed["building_id"].isna() & ~overhead]
    name = lost["obstacle_id"].to_numpy(dtype=object)
    problems = problem_rows(
        "obstacles",
        name,
        "obstacle_outside_buildings",
        "warning",
        texts(
            "Obstacle ", name, " (", lost["kind"].to_numpy(dtype=object), ") lies on no building.",
            size=len(lost),
        ),
        "Move it onto its roof, or leave it if it stands in a yard.",
    )  # fmt: skip
    return tables.conform("obstacles", placed), problems


def place_fires(
    footprints: gpd.GeoDataFrame, fires: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Take one fire spot for each building.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry`, working CRS.
    fires
        `building_id` (may be missing), `geometry` (Point), the same CRS. The index names them.

    Returns
    -------
    fires
        `building_id`, `geometry` (Point), sorted by `building_id`. A spot lies in its building.
    problems
        A warning for each spot that is not taken.
    """
    if not len(fires):
        nothing = gpd.GeoDataFrame(
            {"building_id": pd.Series([], dtype="str")}, geometry=gpd.GeoSeries([], crs=footprints.crs)
        )
        return nothing, tables.empty("problems")
    ids = footprints["building_id"].to_numpy(dtype=object)
    points = np.asarray(fires.geometry.array, dtype=object)
    label = fires.index.to_numpy(dtype=object).astype("U").astype(object)
    names = fires["building_id"].astype("str")
    named, _ = find_keys(footprints["building_id"], names)
    stranger = names.notna().to_numpy(dtype=bool) & (named == NONE)
    row, building = shapely.STRtree(np.asarray(footprints.geometry.array, dtype=object)).query(
        points, predicate="intersects"
    )
    fits = ((named[row] == NONE) | (named[row] == building)) & ~stranger[row]
    row, building = row[fits], building[fits]
    chosen, _ = best_of_each(row, [np.zeros(row.size)], _id_rank(ids)[building])
    row, building = row[chosen], building[chosen]
    # Of several spots in one building the first of the layer is taken.
    order = file_order(pd.Series(label, dtype="str"))
    first, _ = best_of_each(building, [np.zeros(row.size)], order[row])
    taken = row[first]
    extra = np.setdiff1d(row, taken)
    lost = np.setdiff1d(np.arange(len(fires)), row)
    problems = [
        problem_rows(
            "fires",
            label[extra],
            "several_fires",
            "warning",
            texts(
                "Fire spot ", label[extra], " is a second one in building ",
                ids[building[np.searchsorted(row, extra)]], "; the first is used.",
                size=extra.size,
            ),
            "Keep one fire spot a building.",
        ),
        problem_rows(
            "fires",
            label[lost],
            "fire_outside_building",
            "warning",
            texts(
                "Fire spot ", label[lost], " lies in no building",
                np.where(names.isna().to_numpy(dtype=bool)[lost], "", " of the id it names").astype(object),
                "; it is not used.",
                size=lost.size,
            ),
            "Move the spot inside its building, or correct the building id.",
        ),
    ]  # fmt: skip
    spots = gpd.GeoDataFrame(
        {"building_id": pd.Series(ids[building[first]], dtype="str")},
        geometry=points[taken],
        crs=footprints.crs,
    )
    return spots.sort_values("building_id", ignore_index=True), combine_problems(problems)


def _under(
    things: GeometryArray, footprints: gpd.GeoDataFrame
) -> tuple[IntArray, IntArray, npt.NDArray[np.bool_]]:
    """Pair each thing with the building that holds most of it: area, length, or being there."""
    outlines = np.asarray(footprints.geometry.array, dtype=object)
    thing, building = shapely.STRtree(outlines).query(things, predicate="intersects")
    dimension = shapely.get_dimensions(things)[thing]
    share = np.ones(thing.size)
    for size, kind in ((shapely.length, 1), (shapely.area, 2)):
        here = np.flatnonzero(dimension == kind)
        whole = things[thing[here]]
        share[here] = shares(size(shapely.intersection(whole, outlines[building[here]])), size(whole))
    some = share > 0
    thing, building, share = thing[some], building[some], share[some]
    rank = _id_rank(footprints["building_id"].to_numpy(dtype=object))
    chosen, tied = best_of_each(thing, [share], rank[building])
    return thing[chosen].astype(np.int64), building[chosen].astype(np.int64), tied


def _id_rank(ids: npt.NDArray[np.object_]) -> IntArray:
    rank = np.empty(ids.size, dtype=np.int64)
    rank[np.argsort(ids, kind="stable")] = np.arange(ids.size)
    return rank
