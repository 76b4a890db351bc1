"""What placing knows of a few thousand sections: the scenario, and the obstacles in their way.

In: framing, obstacles, stated fire spots, the wind.
Out: `Scene`: arrays for one chunk of sections, in section coordinates.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.framing.outline import polygons_of
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    chunks,
    first_of_equals,
    lists_of,
    marked,
    offsets,
    pair_up,
    stack,
    sums,
    take,
)
from roofplat.tables import OBSTACLE_KINDS

# Outlines with more edges than this are left to the inscribed circle.
_PLAIN_EDGES = 8
# How many sections are sampled in one go.
# How far a distance to the box around an edge can be off, twice over, and some more.
_CLOSE_FT = 0.5
# What rounding can make of the square of a length is far less than this part of it.
_SQUARES_OFF = 1e-9
_SAMPLED_AT_ONCE = 1500
# Tolerance of the inscribed circle, as a share of the root of the area.
_DEEP_SHARE = 0.02

__all__ = [
    "Boxes",
    "Segments",
    "Things",
    "boxes_inside",
    "boxes_of",
    "boxes_on",
    "deepest_point",
    "edges_near",
    "farther",
    "in_boxes",
    "inside",
    "merged_boxes",
    "nearer",
    "pair_up_any",
    "read_things",
    "touches_box",
]


@dataclass(frozen=True, slots=True)
class Boxes:
    """Upright boxes in section coordinates, sorted by section; shape (b,) each."""

    section: IntArray
    u_low: FloatArray
    u_high: FloatArray
    v_low: FloatArray
    v_high: FloatArray

    def grown(self, by_ft: float) -> Boxes:
        """The same boxes, wider by a clearance on every side."""
        return Boxes(
            self.section,
            self.u_low - by_ft,
            self.u_high + by_ft,
            self.v_low - by_ft,
            self.v_high + by_ft,
        )

    def dense(self, count: int) -> Boxes:
        """At most one box for each section as one for each, NaN where there is none."""
        bounds = np.full((4, count), np.nan)
        bounds[:, self.section] = self.u_low, self.u_high, self.v_low, self.v_high
        return Boxes(np.arange(count), *bounds)


@dataclass(frozen=True, slots=True)
class Segments:
    """Straight pieces in section coordinates, sorted by section; shape (s,) each."""

    section: IntArray
    u0: FloatArray
    v0: FloatArray
    u1: FloatArray
    v1: FloatArray


def boxes_of(
    frames: SectionFrames,
    geometry: npt.NDArray[np.object_],
    section: npt.NDArray[Any],
    *,
    point_radius_ft: float,
) -> Boxes:
    """Boxes around obstacles, square to the framing.

    Parameters
    ----------
    frames
        n sections.
    geometry
        Obstacles in the working CRS, shape (b,).
    section
        Section of each, ascending.
    point_radius_ft
        Half size of an obstacle that is a point.

    Returns
    -------
    Boxes
        A turned obstacle gets the box around it: never smaller than the thing itself.
    """
    coordinates, which = shapely.get_coordinates(geometry, return_index=True)
    u, v = frames.from_crs(coordinates[:, 0], coordinates[:, 1], section[which])
    starts = np.flatnonzero(np.r_[True, which[1:] != which[:-1]]) if which.size else np.empty(0, dtype=int)
    if not starts.size:
        nothing = np.empty(0)
        return Boxes(np.empty(0, dtype=np.int64), nothing, nothing, nothing, nothing)
    grow = np.where(shapely.get_dimensions(geometry) == 0, point_radius_ft, 0.0)
    return Boxes(
        section,
        np.minimum.reduceat(u, starts) - grow,
        np.maximum.reduceat(u, starts) + grow,
        np.minimum.reduceat(v, starts) - grow,
        np.maximum.reduceat(v, starts) + grow,
    )


def merged_boxes(one: Boxes, other: Boxes) -> Boxes:
    """Boxes of two lists as one, ascending by section."""
    both = stack([one, other])
    return take(both, np.argsort(both.section, kind="stable"))


def pair_up_any(left: npt.NDArray[Any], right: npt.NDArray[Any]) -> tuple[IntArray, IntArray]:
    """`pair_up` for a right side in any order; negative owners match nothing."""
    order = np.argsort(right, kind="stable")
    kept = np.flatnonzero(left >= 0)
    count = int(max(left.max(initial=-1), right.max(initial=-1))) + 1
    usable = order[right[order] >= 0]
    row, place = pair_up(left[kept], right[usable], count)
    return kept[row], usable[place]


@dataclass(frozen=True, slots=True)
class Things:
    """Things on roofs and around them, in the order of their table; shape (k,) each.

    building
        Number of the building that each lies on, -1 for none.
    kind
        Number in `tables.OBSTACLE_KINDS`.
    geometry
        In the working CRS.
    """

    building: IntArray
    kind: IntArray
    geometry: npt.NDArray[np.object_]

    def of(self, kinds: Iterable[str]) -> npt.NDArray[np.bool_]:
        """Which of them are of some kinds, shape (k,)."""
        return np.isin(self.kind, [OBSTACLE_KINDS.index(kind) for kind in kinds])


def read_things(obstacles: gpd.GeoDataFrame, building: pd.Index[Any]) -> Things:
    """Take obstacles as arrays.

    Parameters
    ----------
    obstacles
        `tables.TABLES["obstacles"]`, working CRS.
    building
        Ids of the buildings.

    Returns
    -------
    Things
        In the order of the table.
    """
    return Things(
        building.get_indexer(pd.Index(obstacles["building_id"])).astype(np.int64),
        pd.Index(OBSTACLE_KINDS).get_indexer(pd.Index(obstacles["kind"])).astype(np.int64),
        obstacles.geometry.to_numpy(),
    )


def boxes_on(
    frames: SectionFrames,
    owner: IntArray,
    things: Things,
    wanted: npt.NDArray[np.bool_],
    *,
    point_radius_ft: float,
) -> tuple[Boxes, IntArray]:
    """Boxes around the things of each building, once for every section, or plane, that wants them.

    Parameters
    ----------
    frames
        n sections.
    owner
        The building of each section, shape (n,).
    things
        Those of no building are passed over.
    wanted
        Shape (n,).
    point_radius_ft
        Half size of a thing that is a point.

    Returns
    -------
    boxes
        Ascending by section, shape (b,).
    which
        Number in `things` of each, shape (b,).
    """
    which, section = pair_up_any(things.building, owner)
    kept = wanted[section]
    which, section = which[kept], section[kept]
    order = np.argsort(section, kind="stable")
    which, section = which[order], section[order]
    return boxes_of(frames, things.geometry[which], section, point_radius_ft=point_radius_ft), which


def inside(
    frames: SectionFrames, u: FloatArray, v: FloatArray, section: npt.NDArray[Any]
) -> npt.NDArray[np.bool_]:
    """Whether points lie inside their sections, courtyards left out.

    Parameters
    ----------
    frames
        n sections.
    u, v, section
        Points in section coordinates and their sections, shape (m,).

    Returns
    -------
    ndarray of bool
        Shape (m,). Counts the edges to the right of the point: an odd number is inside.
    """
    point, edge = lists_of(section, frames.outlines.start)
    v0, v1 = frames.v0[edge], frames.v1[edge]
    level = v[point]
    straddles = np.flatnonzero((v0 <= level) != (v1 <= level))
    point, edge, level = point[straddles], edge[straddles], level[straddles]
    v0, v1, u0, u1 = v0[straddles], v1[straddles], frames.u0[edge], frames.u1[edge]
    crossing = u0 + (level - v0) / (v1 - v0) * (u1 - u0)
    count = np.bincount(point[crossing > u[point]], minlength=u.size)
    result: npt.NDArray[np.bool_] = count % 2 == 1
    return result


def edges_near(
    frames: SectionFrames, u: FloatArray, v: FloatArray, section: npt.NDArray[Any], reach_ft: FloatArray
) -> tuple[IntArray, IntArray]:
    """Edges of the outline that come nearer to points of a section than their reach.

    Parameters
    ----------
    frames
        n sections.
    u, v, section, reach_ft
        Points in section coordinates, their sections and how far to look, shape (m,).

    Returns
    -------
    point, edge
        Every pair, ascending by point.
    """
    point, edge = lists_of(section, frames.outlines.start)
    u0, v0 = frames.u0[edge] - u[point], frames.v0[edge] - v[point]
    du, dv = (frames.u1 - frames.u0)[edge], (frames.v1 - frames.v0)[edge]
    share = np.clip(-(u0 * du + v0 * dv) / (du * du + dv * dv), 0.0, 1.0)
    near = np.flatnonzero(np.hypot(u0 + share * du, v0 + share * dv) < reach_ft[point])
    return point[near], edge[near]


def boxes_inside(frames: SectionFrames, boxes: Boxes) -> npt.NDArray[np.bool_]:
    """Whether boxes lie inside their sections with all that they cover, courtyards left out.

    Parameters
    ----------
    frames
        n sections.
    boxes
        Shape (b,).

    Returns
    -------
    ndarray of bool
        Shape (b,). The middle lies inside and no edge of the outline touches the inside of the box: all
        four corners of a box across the court of a U can lie on its arms. A box may end at a wall.
    """
    within = inside(frames, (boxes.u_low + boxes.u_high) / 2, (boxes.v_low + boxes.v_high) / 2, boxes.section)
    box, edge = lists_of(boxes.section, frames.outlines.start)
    u0, v0, u1, v1 = frames.u0[edge], frames.v0[edge], frames.u1[edge], frames.v1[edge]
    # Hardly any edge is near a box: the few are looked at closely.
    close = np.flatnonzero(
        (np.maximum(u0, u1) > boxes.u_low[box])
        & (np.minimum(u0, u1) < boxes.u_high[box])
        & (np.maximum(v0, v1) > boxes.v_low[box])
        & (np.minimum(v0, v1) < boxes.v_high[box])
    )
    near = box[close]
    crossed = near[touches_box(u0[close], v0[close], u1[close], v1[close], take(boxes, near))]
    return within & ~marked(crossed, boxes.section.size)


def in_boxes(
    u: FloatArray, v: FloatArray, section: IntArray, boxes: Boxes, count: int, *, with_border: bool
) -> npt.NDArray[np.bool_]:
    """Whether points lie in any box of their section.

    Parameters
    ----------
    u, v, section
        Points in section coordinates and their sections, shape (m,).
    boxes
        Ascending by section.
    count
        Number of sections.
    with_border
        Whether a point on the border of a box lies in it.

    Returns
    -------
    ndarray of bool
        Shape (m,).

    Examples
    --------
    >>> box = Boxes(np.array([0]), np.array([1.0]), np.array([2.0]), np.array([1.0]), np.array([2.0]))
    >>> at = np.array([1.0])
    >>> [in_boxes(at, at, np.array([0]), box, 1, with_border=border).tolist() for border in (True, False)]
    [[True], [False]]
    """
    point, box = pair_up(section, boxes.section, count)
    low = np.minimum(u[point] - boxes.u_low[box], v[point] - boxes.v_low[box])
    high = np.minimum(boxes.u_high[box] - u[point], boxes.v_high[box] - v[point])
    inner = np.minimum(low, high)
    return marked(point[inner >= 0 if with_border else inner > 0], u.size)


def farther(u: FloatArray, v: FloatArray, limit_ft: float) -> npt.NDArray[np.bool_]:
    """Whether the hypotenuse of two sides is longer than a limit, to the last bit.

    Squares decide, several times faster than roots, but where they come so close that their rounding could.

    Examples
    --------
    >>> farther(np.array([3.0, 3.0, np.nan]), np.array([4.0, 4.1, 4.0]), 5.0).tolist()
    [False, True, False]
    """
    return _by_squares(np.greater, u, v, limit_ft)


def nearer(u: FloatArray, v: FloatArray, limit_ft: float) -> npt.NDArray[np.bool_]:
    """Whether the hypotenuse of two sides is shorter than a limit, to the last bit; see `farther`.

    Examples
    --------
    >>> nearer(np.array([3.0, 3.0, np.nan]), np.array([4.0, 3.9, 3.0]), 5.0).tolist()
    [False, True, False]
    """
    return _by_squares(np.less, u, v, limit_ft)


def _by_squares(compare: np.ufunc, u: FloatArray, v: FloatArray, limit_ft: float) -> npt.NDArray[np.bool_]:
    square, limit = u * u + v * v, limit_ft * limit_ft
    result: npt.NDArray[np.bool_] = compare(square, limit)
    close = np.flatnonzero(np.abs(square - limit) <= _SQUARES_OFF * limit)
    if close.size:
        result[close] = compare(np.hypot(u[close], v[close]), limit_ft)
    return result


def touches_box(
    u0: FloatArray, v0: FloatArray, u1: FloatArray, v1: FloatArray, boxes: Boxes
) -> npt.NDArray[np.bool_]:
    """Whether segments touch the inside of boxes, pair by pair (Liang and Barsky, 1984).

    Parameters
    ----------
    u0, v0, u1, v1
        Segments, shape (m,).
    boxes
        One box for each segment, shape (m,).

    Returns
    -------
    ndarray of bool
        Shape (m,); a segment along the border of a box does not touch its inside.

    Examples
    --------
    >>> box = Boxes(np.array([0]), np.array([1.0]), np.array([2.0]), np.array([1.0]), np.array([2.0]))
    >>> one = np.array([1.5])
    >>> touches_box(one, np.array([0.0]), one, np.array([3.0]), box).tolist()
    [True]
    >>> touches_box(np.array([1.0]), np.array([0.0]), np.array([1.0]), np.array([3.0]), box).tolist()
    [False]
    """
    enter = np.zeros(u0.size)
    leave = np.ones(u0.size)
    possible = np.ones(u0.size, dtype=bool)
    for start, end, low, high in (
        (u0, u1, boxes.u_low, boxes.u_high),
        (v0, v1, boxes.v_low, boxes.v_high),
    ):
        run = end - start
        level = np.abs(run) < 1e-12
        safe = np.where(level, 1.0, run)
        first, second = (low - start) / safe, (high - start) / safe
        enter = np.where(level, enter, np.maximum(enter, np.minimum(first, second)))
        leave = np.where(level, leave, np.minimum(leave, np.maximum(first, second)))
        possible &= ~level | ((start > low) & (start < high))
    return possible & (leave - enter > 1e-12)


def deepest_point(frames: SectionFrames, rows: npt.NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """The point of each section that is farthest from its outline, near enough for an assumption.

    Parameters
    ----------
    frames
        n sections.
    rows
        True where the point is wanted, shape (n,).

    Returns
    -------
    u, v
        Shape (n,), NaN where not wanted; at least five sixths of the greatest depth.

    Notes
    -----
    A rectangle along the axis has its centre. Another outline takes the centre of
    `shapely.maximum_inscribed_circle`, but for the plain ones that are square to the framing and
    have at most eight edges: there the middles between every two walls are tried, which holds the
    centre of the largest square. Among equals (to 0.01 ft) the one nearest the centroid wins, then
    the lowest v, then u.
    """
    u = (frames.u_low + frames.u_high) / 2
    v = (frames.v_low + frames.v_high) / 2
    cross = frames.u0 * frames.v1 - frames.u1 * frames.v0
    area = np.abs(sums(cross, frames.outlines.section, frames.count)) / 2
    spread = (frames.u_high - frames.u_low) * (frames.v_high - frames.v_low)
    wanted = rows & (area < 0.999 * spread)
    edges = np.diff(frames.outlines.start)
    plain = wanted & ~frames.slanted() & (edges <= _PLAIN_EDGES) & (edges % 2 == 0)
    other = np.flatnonzero(wanted & ~plain)
    if other.size:
        polygons = polygons_of(frames.outlines, other, frames.u0, frames.v0)
        circles = shapely.maximum_inscribed_circle(polygons, tolerance=_DEEP_SHARE * np.sqrt(area[other]))
        u[other], v[other] = shapely.get_coordinates(circles)[::2].T
    # Outlines of one number of edges at a time, so that none tries middles it does not have.
    for number in range(6, _PLAIN_EDGES + 1, 2):
        every = np.flatnonzero(plain & (edges == number))
        for part in chunks(every.size, _SAMPLED_AT_ONCE):
            todo = every[part]
            u[todo], v[todo] = _deepest_middle(frames, todo, number)
    return np.where(rows, u, np.nan), np.where(rows, v, np.nan)


def _middles(frames: SectionFrames, section: IntArray, at: FloatArray, edges: int) -> FloatArray:
    """Middles between every two parallel walls of plain outlines, shape (k, pairs)."""
    corners = at[frames.outlines.start[section][:, None] + np.arange(edges)]
    # Both ends of a wall across this direction stand at one place: every second corner is enough.
    walls = np.sort(corners, axis=1)[:, ::2]
    one, other = np.triu_indices(walls.shape[1], k=1)
    return np.asarray((walls[:, one] + walls[:, other]) / 2)


def _deepest_middle(frames: SectionFrames, section: IntArray, edges: int) -> tuple[FloatArray, FloatArray]:
    """The deepest of the middles between walls of plain outlines with so many edges, shape (k,)."""
    middle_u, middle_v = (_middles(frames, section, at, edges) for at in (frames.u0, frames.v0))
    at, number = _deep_ones(frames, section, middle_u, middle_v, edges)
    row, column = np.divmod(number, middle_u.shape[1])
    u, v = middle_u[at, column], middle_v[at, row]
    depth = _depth(frames, u, v, section[at])
    # Section coordinates count from the centroid.
    best = first_of_equals([(-depth, 2), (np.hypot(u, v), 2), (v, 2), (u, 2)], at, section.size)
    return u[best], v[best]


def _deep_ones(
    frames: SectionFrames, section: IntArray, middle_u: FloatArray, middle_v: FloatArray, edges: int
) -> tuple[IntArray, IntArray]:
    """Pairs of middles that can be a section's deepest: its place in `section`, ascending, and their number.

    An edge of a plain outline is hardly more than the box around it, and the distance to a box comes from
    one figure each way. What is off by more than that is not looked at closely.
    """
    edge = frames.outlines.start[section] + np.arange(edges)[:, None]
    u0, v0, u1, v1 = frames.u0[edge], frames.v0[edge], frames.u1[edge], frames.v1[edge]
    du, dv = u1 - u0, v1 - v0
    u_low, u_high, v_low, v_high = (
        np.minimum(u0, u1),
        np.maximum(u0, u1),
        np.minimum(v0, v1),
        np.maximum(v0, v1),
    )
    at_u, at_v = np.ascontiguousarray(middle_u.T), np.ascontiguousarray(middle_v.T)
    count = at_u.shape[0]
    square = np.full((count, count, section.size), np.inf)
    within = np.zeros((count, count, section.size), dtype=bool)
    for number in range(edges):
        off_u = np.maximum(np.maximum(u_low[number] - at_u, at_u - u_high[number]), 0.0)
        off_v = np.maximum(np.maximum(v_low[number] - at_v, at_v - v_high[number]), 0.0)
        np.minimum(square, (off_u * off_u)[None] + (off_v * off_v)[:, None], out=square)
        straddles = (v0[number] <= at_v) != (v1[number] <= at_v)
        crossing = u0[number] + (at_v - v0[number]) / np.where(dv[number] == 0, 1.0, dv[number]) * du[number]
        within ^= straddles[:, None] & (crossing[:, None] > at_u[None])
    depth = np.sqrt(np.where(within, square, 0.0)).reshape(count * count, -1)
    pair, at = np.nonzero(depth >= depth.max(axis=0) - _CLOSE_FT)
    order = np.argsort(at, kind="stable")
    return at[order], pair[order]


def _depth(frames: SectionFrames, u: FloatArray, v: FloatArray, section: IntArray) -> FloatArray:
    """Distance of points to the outlines of their sections, negative outside, shape (k,)."""
    point, edge = lists_of(section, frames.outlines.start)
    first = offsets(np.diff(frames.outlines.start)[section])[:-1]
    u0, v0, u1, v1 = frames.u0[edge], frames.v0[edge], frames.u1[edge], frames.v1[edge]
    du, dv = u1 - u0, v1 - v0
    u_at, v_at = u[point], v[point]
    pu, pv = u_at - u0, v_at - v0
    share = np.clip((pu * du + pv * dv) / np.maximum(du * du + dv * dv, 1e-12), 0.0, 1.0)
    square = (pu - share * du) ** 2 + (pv - share * dv) ** 2
    straddles = (v0 <= v_at) != (v1 <= v_at)
    right = u0 + (v_at - v0) / np.where(dv == 0, 1.0, dv) * du > u_at
    crossings = np.add.reduceat((straddles & right).astype(np.int32), first)
    return np.where(crossings % 2 == 1, 1.0, -1.0) * np.sqrt(np.minimum.reduceat(square, first))
