"""Small array helpers that the files of this room share.

In: arrays and geometries of any length.
Out: arrays; nothing here knows what a building is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat import tables
from roofplat.ground import LocalPlanes
from roofplat.intake.keys import NONE, find_keys

__all__ = [
    "NONE",
    "IntArray",
    "best_of_each",
    "combine_problems",
    "feet_geometry",
    "file_order",
    "find_keys",
    "places_among",
    "polygon_parts",
    "shares",
    "texts",
    "union_groups",
]

IntArray = npt.NDArray[np.int64]
GeometryArray = npt.NDArray[np.object_]

# Shares and lengths that differ by less than this are equal: the rounding of an overlay is not a reason.
_SHARE_DECIMALS = 9


def shares(part: npt.NDArray[np.float64], whole: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return part over whole, rounded so that equal shares compare equal.

    Examples
    --------
    >>> shares(np.array([1.0]), np.array([3.0]))
    array([0.33333333])
    """
    share = np.divide(part, whole, out=np.zeros(np.shape(part)), where=np.asarray(whole) > 0)
    return np.asarray(np.round(share, _SHARE_DECIMALS))


def best_of_each(
    group: npt.NDArray[Any], measures: Sequence[npt.NDArray[Any]], rank: npt.NDArray[Any]
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Choose one row of each group.

    Parameters
    ----------
    group
        Which group each row belongs to, shape (n,).
    measures
        Arrays of shape (n,), the most important first; larger is better.
    rank
        Tie-break, shape (n,); lower is better.

    Returns
    -------
    chosen
        Row numbers, one a group, in the order of the groups.
    tied
        Whether another row of that group had the same measures.

    Examples
    --------
    >>> chosen, tied = best_of_each(np.array([0, 0, 1]), [np.array([2, 2, 1])], np.array([5, 4, 0]))
    >>> chosen.tolist(), tied.tolist()
    ([1, 2], [True, False])
    """
    # Truth values have no negative.
    measures = [measure.astype(np.int64) if measure.dtype == bool else measure for measure in measures]
    order = np.lexsort((rank, *[-np.asarray(measure) for measure in reversed(measures)], group))
    sorted_group = group[order]
    first = np.ones(order.size, dtype=bool)
    first[1:] = sorted_group[1:] != sorted_group[:-1]
    same = np.zeros(order.size, dtype=bool)
    same[:-1] = ~first[1:]
    for measure in measures:
        ordered = np.asarray(measure)[order]
        same[:-1] &= ordered[1:] == ordered[:-1]
    return order[first].astype(np.int64), same[first]


def places_among(names: Sequence[str] | pd.Index | pd.Series, column: pd.Series) -> IntArray:
    """Find the place of each text among some names; in long columns many times quicker than a plain look-up.

    Examples
    --------
    >>> places_among(["a", "b"], pd.Series(["b", None, "c", "a"], dtype="str")).tolist()
    [1, -1, -1, 0]
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        codes, met = column.cat.codes.to_numpy(), column.cat.categories
    else:
        codes, met = pd.factorize(column.astype("str"))
    # One place more than there are texts: a missing one has the code -1.
    known: Any = names if isinstance(names, (pd.Index, pd.Series)) else list(names)
    places = np.append(pd.Index(known, dtype="str").get_indexer(pd.Index(met, dtype="str")), -1)
    return np.asarray(places[codes], dtype=np.int64)


def file_order(record: pd.Series) -> IntArray:
    """Rank records by their row number in the file, numbers before other texts.

    Examples
    --------
    >>> file_order(pd.Series(["10", "9", "x"])).tolist()
    [1, 0, 2]
    """
    number = pd.to_numeric(record, errors="coerce").fillna(np.inf).to_numpy(dtype=float)
    if (number[1:] > number[:-1]).all():
        return np.arange(number.size)
    order = np.lexsort((record.to_numpy(dtype=object).astype("U"), number))
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    return rank


def union_groups(geometries: GeometryArray, group: IntArray) -> tuple[IntArray, GeometryArray]:
    """Union the geometries of each group, all groups in one call.

    Parameters
    ----------
    geometries
        Shape (n,).
    group
        Which group each belongs to, shape (n,).

    Returns
    -------
    groups
        The groups that occur, ascending, shape (k,).
    unions
        Shape (k,).

    Examples
    --------
    >>> halves = np.array([shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)])
    >>> groups, unions = union_groups(halves, np.array([7, 7]))
    >>> groups.tolist(), shapely.area(unions).tolist()
    ([7], [2.0])
    """
    groups, inverse, size = np.unique(group, return_inverse=True, return_counts=True)
    if not groups.size:
        return groups, np.empty(0, dtype=object)
    order = np.argsort(inverse, kind="stable")
    column = np.arange(order.size) - np.repeat(np.cumsum(size) - size, size)
    padded = np.full((groups.size, int(size.max())), None, dtype=object)
    padded[inverse[order], column] = geometries[order]
    return groups, np.asarray(shapely.union_all(padded, axis=1), dtype=object)


def polygon_parts(geometries: GeometryArray) -> tuple[GeometryArray, IntArray]:
    """Take geometries apart and keep the polygons that have an area.

    Examples
    --------
    >>> parts, owner = polygon_parts(np.array([shapely.box(0, 0, 1, 1), shapely.Point(0, 0)]))
    >>> len(parts), owner.tolist()
    (1, [0])
    """
    if (shapely.get_type_id(geometries) == shapely.GeometryType.POLYGON).all():
        owner = np.flatnonzero(shapely.area(geometries) > 0)
        return np.asarray(geometries, dtype=object)[owner], owner
    parts, owner = shapely.get_parts(geometries, return_index=True)
    if (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():
        # A collection out of an overlay may hold multi-parts.
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    keep = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0)
    return np.asarray(parts[keep], dtype=object), owner[keep].astype(np.int64)


def feet_geometry(geometries: GeometryArray, planes: LocalPlanes, plane: IntArray) -> GeometryArray:
    """Move geometries from the working CRS into local ground feet, each by its own plane.

    Parameters
    ----------
    geometries
        In the working CRS, shape (n,).
    planes
        Local planes.
    plane
        Which plane each geometry goes by, shape (n,).

    Returns
    -------
    ndarray of geometry
        Feet east and north of the plane's origin, shape (n,).
    """
    coordinates, owner = shapely.get_coordinates(geometries, return_index=True)
    east_ft, north_ft = planes.feet(coordinates[:, 0], coordinates[:, 1], plane[owner])
    moved = shapely.set_coordinates(np.array(geometries, dtype=object), np.column_stack([east_ft, north_ft]))
    return np.asarray(moved, dtype=object)


def texts(*parts: object, size: int) -> list[str]:
    """Join texts and arrays of texts into one sentence for each row.

    Examples
    --------
    >>> texts("Record ", np.array(["1", "2"]), ".", size=2)
    ['Record 1.', 'Record 2.']
    """
    whole = np.full(size, "", dtype=object)
    for part in parts:
        whole = whole + (np.asarray(part, dtype=object) if not isinstance(part, str) else part)
    return [str(text) for text in whole]


def combine_problems(frames: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Stack problem rows; an empty table where there are none.

    Examples
    --------
    >>> len(combine_problems([]))
    0
    """
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else tables.empty("problems")
