"""What placing knows of a few thousand sections: the scenario, and the obstacles in their way.

In: framing, obstacles, stated fire spots, the wind.
Out: `Scene`: arrays for one chunk of sections, in section coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, first_minimum, first_of_equals, pair_up, sums

__all__ = ["Boxes", "Segments", "boxes_of", "deepest_point", "inside", "touches_box"]


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
    point, edge = pair_up(section, frames.outlines.section, frames.count)
    v0, v1 = frames.v0[edge], frames.v1[edge]
    level = v[point]
    straddles = (v0 <= level) != (v1 <= level)
    point, edge, level = point[straddles], edge[straddles], level[straddles]
    v0, v1, u0, u1 = frames.v0[edge], frames.v1[edge], frames.u0[edge], frames.u1[edge]
    crossing = u0 + (level - v0) / (v1 - v0) * (u1 - u0)
    count = np.bincount(point[crossing > u[point]], minlength=u.size)
    result: npt.NDArray[np.bool_] = count % 2 == 1
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
    """The point of each section that is farthest from its outline, to about a tenth of its depth.

    Parameters
    ----------
    frames
        n sections.
    rows
        True where the point is wanted, shape (n,).

    Returns
    -------
    u, v
        Shape (n,), NaN where not wanted.

    Notes
    -----
    A rectangle along the axis has its centre. Other outlines are sampled on a 7 by 7 grid that is
    then drawn in around the best point three times; among equals the lowest v, then u, wins.
    """
    u = (frames.u_low + frames.u_high) / 2
    v = (frames.v_low + frames.v_high) / 2
    spread_u = frames.u_high - frames.u_low
    spread_v = frames.v_high - frames.v_low
    cross = frames.u0 * frames.v1 - frames.u1 * frames.v0
    area = np.abs(sums(cross, frames.outlines.section, frames.count)) / 2
    todo = np.flatnonzero(rows & (area < 0.999 * spread_u * spread_v))
    steps = (np.arange(7) + 0.5) / 7 - 0.5
    step_v, step_u = (grid.ravel() for grid in np.meshgrid(steps, steps, indexing="ij"))
    for shrink in (1.0, 1 / 3, 1 / 9):
        if not todo.size:
            break
        sample_u = (u[todo][:, None] + spread_u[todo][:, None] * shrink * step_u).ravel()
        sample_v = (v[todo][:, None] + spread_v[todo][:, None] * shrink * step_v).ravel()
        owner = np.repeat(np.arange(todo.size), step_u.size)
        depth = _depth(frames, sample_u, sample_v, todo[owner])
        best = first_of_equals(
            [np.where(depth > 0, -np.round(depth, 3), np.inf), np.round(sample_v, 3), np.round(sample_u, 3)],
            owner,
            todo.size,
        )
        found = best >= 0
        u[todo[found]] = sample_u[best[found]]
        v[todo[found]] = sample_v[best[found]]
    return np.where(rows, u, np.nan), np.where(rows, v, np.nan)


def _depth(frames: SectionFrames, u: FloatArray, v: FloatArray, section: IntArray) -> FloatArray:
    """Distance to the outline, negative outside."""
    point, edge = pair_up(section, frames.outlines.section, frames.count)
    u0, v0 = frames.u0[edge], frames.v0[edge]
    du, dv = frames.u1[edge] - u0, frames.v1[edge] - v0
    pu, pv = u[point] - u0, v[point] - v0
    share = np.clip((pu * du + pv * dv) / np.maximum(du * du + dv * dv, 1e-12), 0.0, 1.0)
    square = (pu - share * du) ** 2 + (pv - share * dv) ** 2
    nearest = first_minimum(square, point, u.size)
    return np.where(inside(frames, u, v, section), 1.0, -1.0) * np.sqrt(square[nearest])
