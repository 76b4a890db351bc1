"""Drawn edges that were meant to lie on a wall, laid on it.

In: shapes drawn by hand, and the rings that each may be meant to follow.
Out: the same shapes, following those rings wherever they ran within reach of them.

A hand misses a wall by a foot or two. A vertex within reach of a corner is moved to the corner, one within
reach of a wall to the nearest place on it; then an edge between two such vertices takes every corner that
the ring has between them, where all of those are within reach of the edge. So the border of a drawing runs
exactly along the wall, jogs included, and an edge across the roof stays as it was drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

__all__ = ["snap_lines", "snap_polygons"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
ShapeArray = npt.NDArray[np.object_]

# In units of the CRS: two places this near are one. Far above the rounding of coordinates, far below a saw.
_SAME = 1e-6


def snap_polygons(shapes: ShapeArray, rings: ShapeArray, owner: IntArray, reach: FloatArray) -> ShapeArray:
    """Lay the borders of polygons on the rings that they run along.

    Parameters
    ----------
    shapes
        Polygons in one CRS, shape (n,).
    rings
        Closed lines in the same CRS, shape (r,); among equals the first counts.
    owner
        Which polygon may follow each ring, shape (r,); a ring that several follow is given several times.
    reach
        How far a border may lie from its ring, units of the CRS, shape (n,).

    Returns
    -------
    ndarray of geometry
        Valid polygons or multipolygons, shape (n,); empty where a polygon collapses.

    Examples
    --------
    >>> hall = shapely.LinearRing([(0, 0), (9, 0), (9, 6), (0, 6)])
    >>> drawn = shapely.Polygon([(0.2, 0.1), (5, -0.2), (5, 6.3), (-0.1, 5.8)])
    >>> snapped = snap_polygons(np.array([drawn]), np.array([hall]), np.array([0]), np.array([0.5]))
    >>> sorted(shapely.get_coordinates(snapped[0])[1:].tolist())
    [[0.0, 0.0], [0.0, 6.0], [5.0, 0.0], [5.0, 6.0]]
    """
    border, shape_of = shapely.get_rings(shapes, return_index=True)
    xy, part = _vertices(border)
    kinds = _Runs(xy, part, np.ones(len(border), dtype=bool))
    runs = _follow(kinds, shape_of, rings, owner, reach, np.ones(len(part), dtype=bool), corners=True)
    count = np.bincount(runs.part, minlength=len(border))
    # A hole that closes is no hole; a border that closes leaves nothing.
    whole = count >= 3
    hollow = np.setdiff1d(np.arange(len(shapes)), shape_of[whole & _shells(shape_of)])
    kept = whole & ~np.isin(shape_of, hollow)
    snapped = np.full(len(shapes), shapely.Polygon(), dtype=object)
    if not kept.any():
        return snapped
    vertex = kept[runs.part]
    number = np.cumsum(kept) - 1
    closed: Any = shapely.linearrings(runs.xy[vertex], indices=number[runs.part[vertex]])
    made, slot = np.unique(shape_of[kept], return_inverse=True)
    snapped[made] = shapely.polygons(closed, indices=slot.reshape(-1))
    wrong = ~shapely.is_valid(snapped)
    snapped[wrong] = _solid(shapely.make_valid(snapped[wrong], method="structure", keep_collapsed=False))
    return snapped


def snap_lines(
    shapes: ShapeArray, rings: ShapeArray, owner: IntArray, reach: FloatArray, *, ends_only: bool
) -> ShapeArray:
    """Lay lines on the rings that they run along, or let their ends meet them.

    Parameters
    ----------
    shapes
        LineStrings in one CRS, shape (n,).
    rings, owner, reach
        As in `snap_polygons`.
    ends_only
        Move the two ends alone, each to the nearest place on a ring: for what runs from wall to wall. Else
        all of a line is laid on the ring, corners first: for what runs along a wall.

    Returns
    -------
    ndarray of geometry
        LineStrings, shape (n,); empty where a line collapses.

    Examples
    --------
    >>> hall = shapely.LinearRing([(0, 0), (9, 0), (9, 6), (0, 6)])
    >>> wall = np.array([shapely.LineString([(4, 0.3), (4, 6.2)])])
    >>> snap_lines(wall, np.array([hall]), np.array([0]), np.array([0.5]), ends_only=True)[0].wkt
    'LINESTRING (4 0, 4 6)'
    """
    xy, part = shapely.get_coordinates(shapes, return_index=True)
    closed = shapely.is_closed(shapes) & (shapely.get_num_coordinates(shapes) > 3)
    part = part.astype(np.int64)
    first = np.ones(len(part), dtype=bool)
    first[1:] = part[1:] != part[:-1]
    last = np.r_[first[1:], True][: len(part)]
    # The closing point of a closed line is its first one.
    keep = ~(last & closed[part])
    xy, part = xy[keep], part[keep]
    movable = np.ones(len(part), dtype=bool)
    if ends_only:
        movable = (first | last)[keep] & ~closed[part]
    line_of = np.arange(len(shapes))
    runs = _follow(_Runs(xy, part, closed), line_of, rings, owner, reach, movable, corners=not ends_only)
    snapped = np.full(len(shapes), shapely.LineString(), dtype=object)
    count = np.bincount(runs.part, minlength=len(shapes))
    for kind, made in (
        (closed & (count > 2), shapely.linearrings),
        (~closed & (count > 1), shapely.linestrings),
    ):
        vertex = kind[runs.part]
        if vertex.any():
            rows, slot = np.unique(runs.part[vertex], return_inverse=True)
            snapped[rows] = made(runs.xy[vertex], indices=slot.reshape(-1))
    return snapped


@dataclass(frozen=True, slots=True)
class _Runs:
    """Vertices of lines, sorted by the line; a closed one ends where it began, said once.

    xy
        Shape (m, 2).
    part
        The line of each vertex, shape (m,).
    closed
        Of each line, shape (p,).
    """

    xy: FloatArray
    part: IntArray
    closed: BoolArray


def _vertices(rings: ShapeArray) -> tuple[FloatArray, IntArray]:
    """Vertices of closed rings, the closing one left out."""
    xy, part = shapely.get_coordinates(rings, return_index=True)
    inner = np.r_[part[1:] == part[:-1], False][: len(part)]
    return xy[inner], part[inner].astype(np.int64)


def _shells(shape_of: IntArray) -> BoolArray:
    """Which rings are the outer ones: the first of each polygon."""
    return np.asarray(np.r_[True, shape_of[1:] != shape_of[:-1]][: len(shape_of)], dtype=bool)


def _follow(
    runs: _Runs,
    shape_of: npt.NDArray[Any],
    rings: ShapeArray,
    owner: IntArray,
    reach: FloatArray,
    movable: BoolArray,
    *,
    corners: bool,
) -> _Runs:
    """Move vertices onto rings, then take in the corners that the rings have between them."""
    xy, on = _moved(runs, shape_of, rings, owner, reach, movable, corners=corners)
    following = _following(runs)
    vertex = np.arange(len(xy))
    edge = vertex[(following >= 0) & on]
    edge = edge[on[following[edge]]]
    if not edge.size or not len(rings):
        return _without_repeats(_Runs(xy, runs.part, runs.closed))
    pair, ring = _pairs(shape_of[runs.part[edge]], owner)
    start, end = xy[edge[pair]], xy[following[edge[pair]]]
    begin: Any = shapely.points(start)
    finish: Any = shapely.points(end)
    both = (shapely.distance(begin, rings[ring]) <= _SAME) & (shapely.distance(finish, rings[ring]) <= _SAME)
    apart = np.hypot(*(end - start).T) > _SAME
    both &= apart
    pair, ring, begin, finish = pair[both], ring[both], begin[both], finish[both]
    start, end = start[both], end[both]
    corner, of_pair = _between(rings, ring, begin, finish)
    # How far the ring strays from the edge on its way.
    straight: Any = (
        shapely.linestrings(np.stack([start, end], axis=1)) if len(start) else np.empty(0, dtype=object)
    )
    strays = shapely.distance(shapely.points(corner), straight[of_pair])
    farthest = np.zeros(len(pair))
    np.maximum.at(farthest, of_pair, strays)
    within = farthest <= reach[shape_of[runs.part[edge[pair]]]] + _SAME
    order = np.lexsort((ring, farthest, ~within, pair))
    best = order[np.r_[True, pair[order][1:] != pair[order][:-1]][: order.size]]
    chosen = np.zeros(len(pair), dtype=bool)
    chosen[best[within[best]]] = True
    take = chosen[of_pair]
    corner, of_pair = corner[take], of_pair[take]
    after = edge[pair[of_pair]]
    place = np.arange(len(of_pair))
    whole = np.concatenate([xy, corner])
    key = np.concatenate([vertex, after])
    step = np.concatenate([np.full(len(xy), -1), place])
    sort = np.lexsort((step, key))
    return _without_repeats(_Runs(whole[sort], runs.part[key[sort]], runs.closed))


def _moved(
    runs: _Runs,
    shape_of: npt.NDArray[Any],
    rings: ShapeArray,
    owner: IntArray,
    reach: FloatArray,
    movable: BoolArray,
    *,
    corners: bool,
) -> tuple[FloatArray, BoolArray]:
    """Vertices at the nearest corner within reach, else at the nearest place on a ring within reach."""
    xy = runs.xy.copy()
    on = np.zeros(len(xy), dtype=bool)
    rows = np.flatnonzero(movable)
    if not rows.size or not len(rings):
        return xy, on
    pair, ring = _pairs(shape_of[runs.part[rows]], owner)
    row = rows[pair]
    point = shapely.points(xy[row])
    limit = reach[shape_of[runs.part[row]]] + _SAME
    targets: list[Any] = [rings]
    if corners:
        vertices, of_ring = _vertices(rings)
        targets.insert(0, shapely.multipoints(vertices, indices=of_ring))
    for target in targets:
        # Shortest lines run from the vertex to the ring.
        ends = shapely.get_coordinates(shapely.shortest_line(point, target[ring])).reshape(-1, 2, 2)[:, 1]
        far = np.hypot(*(ends - xy[row]).T) if len(row) else np.empty(0)
        fits = np.flatnonzero((far <= limit) & ~on[row])
        order = fits[np.lexsort((ring[fits], np.round(far[fits], 6), row[fits]))]
        first = order[np.r_[True, row[order][1:] != row[order][:-1]][: order.size]]
        xy[row[first]] = ends[first]
        on[row[first]] = True
    return xy, on


def _following(runs: _Runs) -> IntArray:
    """The vertex after each one on its line; -1 at the end of an open line."""
    count = len(runs.part)
    following = np.arange(1, count + 1)
    first = np.r_[True, runs.part[1:] != runs.part[:-1]][:count]
    start = np.flatnonzero(first)
    stop = np.r_[start[1:], count][: start.size] - 1
    following[stop] = np.where(runs.closed[runs.part[stop]], start, -1)
    return following.astype(np.int64)


def _pairs(shape: IntArray, owner: IntArray) -> tuple[IntArray, IntArray]:
    """Each row with every ring that its shape may follow: rows and rings, by row, then by ring."""
    order = np.argsort(owner, kind="stable")
    sorted_owner = owner[order]
    start = np.searchsorted(sorted_owner, shape, side="left")
    count = np.searchsorted(sorted_owner, shape, side="right") - start
    row = np.repeat(np.arange(len(shape)), count)
    inner = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
    return row, order[np.repeat(start, count) + inner]


def _between(
    rings: ShapeArray, ring: IntArray, begin: ShapeArray, finish: ShapeArray
) -> tuple[FloatArray, IntArray]:
    """The corners that a ring has between two places on it, the shorter way, from the first to the second.

    Returns
    -------
    corner, of_pair
        Coordinates, shape (k, 2), and the pair of places that each lies between, in the order of the way.
    """
    vertices, of_ring = _vertices(rings)
    start = np.searchsorted(of_ring, np.arange(len(rings)), side="left")
    stop = np.searchsorted(of_ring, np.arange(len(rings)), side="right")
    following = np.arange(1, len(vertices) + 1)
    following[stop - 1] = start
    step = np.hypot(*(vertices[following] - vertices).T)
    whole = np.concatenate([[0.0], np.cumsum(step)])
    along = whole[:-1] - whole[start][of_ring]
    length = np.bincount(of_ring, weights=step, minlength=len(rings))
    # One row of numbers for all rings, a gap between each and the next.
    base = np.concatenate([[0.0], np.cumsum(length + 1.0)])[:-1]
    key = base[of_ring] + along

    at, to = (shapely.line_locate_point(rings[ring], place) for place in (begin, finish))
    low, high = np.minimum(at, to), np.maximum(at, to)
    inside = high - low <= length[ring] - (high - low)
    low_after = np.searchsorted(key, base[ring] + low + _SAME)
    low_before = np.searchsorted(key, base[ring] + low - _SAME)
    high_after = np.searchsorted(key, base[ring] + high + _SAME)
    high_before = np.searchsorted(key, base[ring] + high - _SAME)
    tail = np.maximum(stop[ring] - high_after, 0)
    head = np.maximum(low_before - start[ring], 0)
    count = np.where(inside, np.maximum(high_before - low_after, 0), tail + head)
    # The way runs up the ring from the lower place inside, from the higher one outside.
    backward = (at < to) != inside

    of_pair = np.repeat(np.arange(len(ring)), count)
    inner = np.arange(of_pair.size) - np.repeat(np.cumsum(count) - count, count)
    inner = np.where(backward[of_pair], count[of_pair] - 1 - inner, inner)
    outside = np.where(
        inner < tail[of_pair], high_after[of_pair] + inner, start[ring][of_pair] + inner - tail[of_pair]
    )
    index = np.where(inside[of_pair], low_after[of_pair] + inner, outside)
    return vertices[index], of_pair


def _without_repeats(runs: _Runs) -> _Runs:
    """The same lines without a vertex that stands where the one before it stands."""
    following = _following(runs)
    has = following >= 0
    step = np.full(len(runs.xy), np.inf)
    step[has] = np.hypot(*(runs.xy[following[has]] - runs.xy[has]).T)
    keep = step > _SAME
    return _Runs(runs.xy[keep], runs.part[keep], runs.closed)


def _solid(shapes: ShapeArray) -> ShapeArray:
    """What is left of each shape when all but its polygons is dropped."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    parts, inner = shapely.get_parts(parts, return_index=True)
    solid = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    parts, owner = parts[solid], owner[inner][solid]
    found = np.full(len(shapes), shapely.Polygon(), dtype=object)
    if len(parts):
        rows, slot = np.unique(owner, return_inverse=True)
        found[rows] = shapely.multipolygons(parts, indices=slot.reshape(-1))
    single = shapely.get_num_geometries(found) == 1
    found[single] = shapely.get_geometry(found[single], 0)
    return found
