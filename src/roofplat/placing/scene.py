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
from roofplat.framing.ragged import FloatArray, IntArray, chunks, expand, lists_of, offsets, sums

# Samples each way across a section, first and each time the grid is drawn in; and how many
# sections are sampled in one go.
_SAMPLES = (5, 4, 4, 3)
_SAMPLED_AT_ONCE = 500

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
    point, edge = lists_of(section, frames.outlines.start)
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
        Shape (n,), NaN where not wanted.

    Notes
    -----
    A rectangle along the axis has its centre. Other outlines are sampled on a grid that is then
    drawn in around the best point three times, which finds at least nine tenths of the greatest
    depth; among equals (to 0.01 ft) the lowest v, then u, wins.
    """
    u = (frames.u_low + frames.u_high) / 2
    v = (frames.v_low + frames.v_high) / 2
    spread_u = frames.u_high - frames.u_low
    spread_v = frames.v_high - frames.v_low
    cross = frames.u0 * frames.v1 - frames.u1 * frames.v0
    area = np.abs(sums(cross, frames.outlines.section, frames.count)) / 2
    every = np.flatnonzero(rows & (area < 0.999 * spread_u * spread_v))
    for part in chunks(every.size, _SAMPLED_AT_ONCE):
        todo = every[part]
        reach = 1.0
        for across in _SAMPLES:
            steps = (np.arange(across) + 0.5) / across - 0.5
            step_v, step_u = (grid.ravel() for grid in np.meshgrid(steps, steps, indexing="ij"))
            sample_u = u[todo][:, None] + spread_u[todo][:, None] * reach * step_u
            sample_v = v[todo][:, None] + spread_v[todo][:, None] * reach * step_v
            # Samples run by rising v, then u, so the first of the largest is the stated choice.
            depth = np.round(_depth(frames, sample_u, sample_v, todo), 2)
            best = np.argmax(depth, axis=1)
            found = depth[np.arange(todo.size), best] > 0
            u[todo[found]] = sample_u[found, best[found]]
            v[todo[found]] = sample_v[found, best[found]]
            # The next grid reaches as far as the samples around the best one.
            reach *= 2.0 / across
    return np.where(rows, u, np.nan), np.where(rows, v, np.nan)


def _depth(frames: SectionFrames, u: FloatArray, v: FloatArray, section: IntArray) -> FloatArray:
    """Distance to the outline of each section's samples, negative outside, shape (k, samples)."""
    starts = frames.outlines.start
    edge_of, number = expand(starts[section + 1] - starts[section])
    edge = starts[section[edge_of]] + number
    first = offsets(starts[section + 1] - starts[section])[:-1]
    u0, v0 = frames.u0[edge][:, None], frames.v0[edge][:, None]
    u1, v1 = frames.u1[edge][:, None], frames.v1[edge][:, None]
    du, dv = u1 - u0, v1 - v0
    # Every edge with every sample of its section: no gathering beyond one row for each edge.
    u_at, v_at = u[edge_of], v[edge_of]
    pu, pv = u_at - u0, v_at - v0
    share = np.clip((pu * du + pv * dv) / np.maximum(du * du + dv * dv, 1e-12), 0.0, 1.0)
    square = (pu - share * du) ** 2 + (pv - share * dv) ** 2
    straddles = (v0 <= v_at) != (v1 <= v_at)
    right = u0 + (v_at - v0) / np.where(dv == 0, 1.0, dv) * du > u_at
    crossings = np.add.reduceat((straddles & right).astype(np.int32), first, axis=0)
    return np.where(crossings % 2 == 1, 1.0, -1.0) * np.sqrt(np.minimum.reduceat(square, first, axis=0))
