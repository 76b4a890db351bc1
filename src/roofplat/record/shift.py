"""How far one footprint layer lies off another as a whole.

In: outlines of two layers in one CRS.
Out: the offset that most buildings agree on, in units of the CRS.

Layers traced from two pictures may lie feet apart everywhere. Every pair of outlines of like area whose
middles are near votes for its offset; the offset with most votes is believed where most buildings share it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS
from scipy.spatial import KDTree

from roofplat.ground import Ground, local_planes
from roofplat.rules import Rulebook

__all__ = ["common_offset", "feet_of_offset"]

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


def common_offset(before: GeometryArray, after: GeometryArray, crs: CRS, rules: Rulebook) -> FloatArray:
    """Find the offset of a layer against another.

    Parameters
    ----------
    before, after
        Polygons, shapes (n,) and (m,).
    crs
        Their CRS, projected.
    rules
        `record.offset_ft`, `record.offset_step_ft`, `record.offset_share`, `record.offset_least`,
        `record.same_share`, `ground.foot_m`.

    Returns
    -------
    ndarray of float
        East and north in units of the CRS, shape (2,); zero where too few buildings agree, or where the
        offset is no larger than a step. To be taken off `after`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> towns = np.array([shapely.box(40 * n, n * n, 40 * n + 9 + n, n * n + 9) for n in range(30)])
    >>> moved = shapely.transform(towns, lambda places: places + [3.0, -1.0])
    >>> common_offset(towns, moved, CRS("EPSG:32613"), load_rulebook()).round(6).tolist()
    [3.0, -1.0]
    """
    nothing = np.zeros(2)
    least = max(
        rules.count("record.offset_least"),
        int(np.ceil(rules.number("record.offset_share") * min(len(before), len(after)))),
    )
    if min(len(before), len(after)) < least:
        return nothing
    old, new = (shapely.get_coordinates(shapely.centroid(side)) for side in (before, after))
    unit = 1.0 / np.linalg.norm(_to_feet(new, crs, rules), ord=2)
    near = KDTree(new).sparse_distance_matrix(
        KDTree(old), rules.number("record.offset_ft") * unit, output_type="ndarray"
    )
    row, partner = near["i"].astype(np.int64), near["j"].astype(np.int64)
    area_old, area_new = shapely.area(before)[partner], shapely.area(after)[row]
    alike = np.minimum(area_old, area_new) >= rules.number("record.same_share") * np.maximum(
        area_old, area_new
    )
    row, offset = row[alike], (new[row] - old[partner])[alike]
    if not row.size:
        return nothing
    step = rules.number("record.offset_step_ft") * unit
    cell = np.round(offset / step).astype(np.int64)
    cell -= cell.min(axis=0) - 1
    votes = np.zeros(cell.max(axis=0) + 2, dtype=np.int64)
    # A building votes once for a cell, however many partners it has there.
    voters = np.unique(np.column_stack([cell, row]), axis=0)
    np.add.at(votes, (voters[:, 0], voters[:, 1]), 1)
    around = sum(np.roll(votes, (east, north), (0, 1)) for east in (-1, 0, 1) for north in (-1, 0, 1))
    best = np.array(np.unravel_index(np.argmax(around), votes.shape))
    held = (np.abs(cell - best) <= 1).all(axis=1)
    if np.unique(row[held]).size < least:
        return nothing
    found: FloatArray = np.median(offset[held], axis=0)
    return found if float(np.hypot(*found)) > step else nothing


def feet_of_offset(offset: FloatArray, after: GeometryArray, crs: CRS, rules: Rulebook) -> FloatArray:
    """Turn an offset into ground feet, true east and north, at the middle of a layer.

    Parameters
    ----------
    offset
        In units of the CRS, shape (2,).
    after, crs, rules
        As in `common_offset`.

    Returns
    -------
    ndarray of float
        Shape (2,).
    """
    places = shapely.get_coordinates(shapely.centroid(after))
    feet: FloatArray = _to_feet(places, crs, rules) @ offset
    return feet


def _to_feet(places: FloatArray, crs: CRS, rules: Rulebook) -> FloatArray:
    """Feet east and north for a unit of the CRS, at the middle of all places; shape (2, 2)."""
    middle = np.median(places, axis=0)
    ground = Ground(rules.number("ground.foot_m"))
    feet: FloatArray = local_planes(middle[:1], middle[1:], crs, ground).to_feet[0]
    return feet
