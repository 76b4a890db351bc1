"""Planes of pitched roofs in plan, before anybody says how steep they are.

In: walls, which sections have which shape, where their ridges run.
Out: `Facets`: the planes' corners and the lines between them, each with its depth: what the
    tangent of the slope turns into height.

Every plane rises from its eave at the same slope, so that the depth of a point is its distance
from the line of the eave, and two planes meet where their depths are equal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing.order import order_by
from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    first_of_equals,
    lists_of,
    marked,
    offsets,
)
from roofplat.framing.regular import following_walls
from roofplat.framing.walls import Walls
from roofplat.ground import LocalPlanes

__all__ = [
    "HIP_LINE",
    "RIDGE_LINE",
    "ROOF_LINES",
    "VALLEY_LINE",
    "Facets",
    "four_sided",
    "gather",
    "one_plane",
    "rims",
    "wall_outlines",
    "walls_of_edges",
    "without_sections",
]

BoolArray = npt.NDArray[np.bool_]

ROOF_LINES = ("ridge", "hip", "valley")
RIDGE_LINE, HIP_LINE, VALLEY_LINE = range(3)
# Peaks nearer to each other than this are one: a pyramid has no ridge.
_POINT_FT = 0.05


@dataclass(frozen=True, slots=True)
class Facets:
    """Planes and lines of some sections.

    section, wall
        Owner of each plane and the wall at its eave, shape (f,).
    fall_deg
        True azimuth straight down each plane, shape (f,).
    size
        Corners of each plane, shape (f,).
    east, north, depth_ft
        Corners, clockwise, the eave's two ends first, shape (c,).
    line_section, line_kind, line_left, line_right
        Owner of each line, index into `ROOF_LINES`, the planes beside it, shape (l,).
    ends
        East, north and depth of its two ends, shape (l, 6).
    open_wall, open_depth_ft
        Walls that are no eaves and the greatest depth of the roof's edge above them, shape (o,).
    """

    section: IntArray
    wall: IntArray
    fall_deg: FloatArray
    size: IntArray
    east: FloatArray
    north: FloatArray
    depth_ft: FloatArray
    line_section: IntArray
    line_kind: IntArray
    line_left: IntArray
    line_right: IntArray
    ends: FloatArray
    open_wall: IntArray
    open_depth_ft: FloatArray


def wall_outlines(walls: Walls, planes: LocalPlanes) -> Outlines:
    """Walls as closed outlines.

    Parameters
    ----------
    walls
        Walls of n sections.
    planes
        Their local planes.

    Returns
    -------
    Outlines
        One edge a wall, in the same order.
    """
    return Outlines(
        planes=planes,
        section=walls.section,
        start=walls.start,
        shell=walls.shell,
        following=following_walls(walls),
        east0=walls.east0,
        north0=walls.north0,
        east1=walls.east1,
        north1=walls.north1,
    )


def walls_of_edges(outlines: Outlines, walls: Walls, rows: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """The wall each edge belongs to.

    Parameters
    ----------
    outlines
        Edges of n sections.
    walls
        The same simplified to straight runs, whose corners are corners of the outlines.
    rows
        The sections asked for, ascending, shape (k,).

    Returns
    -------
    edge, wall
        Edges of these sections, ascending, and the wall of each.
    longest
        For each of all the walls its longest edge, the first among equals; -1 in other sections.
    """
    edge, of_edge = _walls_alike(outlines, walls, rows)
    same = of_edge >= 0
    if not same.all():
        unlike = outlines.section[edge[~same]]
        of_edge[~same] = _walls_from_corners(outlines, walls, unlike[np.r_[True, unlike[1:] != unlike[:-1]]])
    length = np.hypot(
        outlines.east1[edge] - outlines.east0[edge], outlines.north1[edge] - outlines.north0[edge]
    )
    by_wall = np.argsort(of_edge, kind="stable")
    best = first_of_equals([(-length[by_wall], 3)], of_edge[by_wall], walls.section.size)
    longest = np.full(walls.section.size, -1, dtype=np.int64)
    longest[best >= 0] = edge[by_wall[best[best >= 0]]]
    return edge, of_edge, longest


def _walls_alike(outlines: Outlines, walls: Walls, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Edges of sections, and the wall of each where every edge of the section is a wall, -1 elsewhere."""
    _, edge = lists_of(rows, outlines.start)
    section = outlines.section[edge]
    alike = (np.diff(outlines.start) == np.diff(walls.start))[section]
    wall = np.where(alike, edge - outlines.start[section] + walls.start[section], -1)
    differs = alike & (
        (outlines.east0[edge] != walls.east0[wall]) | (outlines.north0[edge] != walls.north0[wall])
    )
    wall[marked(section[differs], outlines.count)[section]] = -1
    return edge, wall


def _walls_from_corners(outlines: Outlines, walls: Walls, rows: IntArray) -> IntArray:
    """The wall of each edge of some sections, found by the corners at which walls begin."""
    _, edge = lists_of(rows, outlines.start)
    _, wall = lists_of(rows, walls.start)
    # A wall begins at an edge that begins at the same place.
    east = np.r_[outlines.east0[edge], walls.east0[wall]]
    north = np.r_[outlines.north0[edge], walls.north0[wall]]
    ring = np.r_[
        outlines.section[edge] * 2 + outlines.shell[edge], walls.section[wall] * 2 + walls.shell[wall]
    ]
    order = np.lexsort((np.arange(ring.size) >= edge.size, north, east, ring))
    here, then = order[:-1], order[1:]
    pair = (then >= edge.size) & (here < edge.size)
    opens = np.full(edge.size, -1, dtype=np.int64)
    opens[here[pair]] = wall[then[pair] - edge.size]
    # Every other edge goes on with the wall before it; a ring's first ones with its last wall.
    last = outlines.following[edge] <= edge
    ring_start = np.flatnonzero(np.r_[True, last[:-1]][: edge.size])
    opened = np.maximum.accumulate(np.where(opens >= 0, np.arange(edge.size), -1))
    ring_of = np.cumsum(np.r_[True, last[:-1]][: edge.size]) - 1
    ring_last = opened[np.flatnonzero(last)]
    before = np.where(opened < ring_start[ring_of], ring_last[ring_of], opened)
    of_edge: IntArray = opens[before]
    return of_edge


def four_sided(
    walls: Walls, rows: IntArray, first_eave: IntArray, hipped: BoolArray
) -> tuple[Facets, IntArray]:
    """Gables and hips over four walls, in closed form.

    Parameters
    ----------
    walls
        Walls of n sections; those of `rows` have four, about square to each other.
    rows
        Sections, shape (k,).
    first_eave
        0 or 1: the ridge runs between that wall and the one opposite it, shape (k,).
    hipped
        True for hips, False for gables, shape (k,).

    Returns
    -------
    Facets
    first_eave
        As the roof came out, shape (k,): the ridge of a hip runs as the outline has it.

    Notes
    -----
    The ridge halves the angle between the two long eaves; a hip's peak is where the depth over the
    end is the same. Both hold for any four walls, so that a house that is a little out of square
    still gets planes that meet.
    """
    corner = walls.start[rows][:, None] + np.arange(4)
    points = np.stack([walls.east0[corner], walls.north0[corner]], axis=2)
    every = np.arange(rows.size)[:, None]
    turn = first_eave.copy()
    found = _between(points[every, (turn[:, None] + np.arange(4)) % 4])
    swap = hipped & (found[2] + found[3] > 1.0)
    turn[swap] = 1 - turn[swap]
    place = (turn[:, None] + np.arange(4)) % 4
    points = points[every, place]
    head, tail, head_share, tail_share = _between(points)
    run = tail[:, :2] - head[:, :2]
    # Where the ridge of a hip begins and ends; that of a gable goes from wall to wall.
    share = np.where(hipped, head_share, 0.0)[:, None]
    peak_head = np.concatenate(
        [head[:, :2] + share * run, head[:, 2:] + share * (tail - head)[:, 2:]], axis=1
    )
    share = np.where(hipped, tail_share, 0.0)[:, None]
    peak_tail = np.concatenate(
        [tail[:, :2] - share * run, tail[:, 2:] + share * (head - tail)[:, 2:]], axis=1
    )
    point = np.hypot(*(peak_tail - peak_head)[:, :2].T) < _POINT_FT
    middle = (peak_head + peak_tail) / 2
    peak_head = np.where(point[:, None], middle, peak_head)
    peak_tail = np.where(point[:, None], middle, peak_tail)

    # Four places a plane: the two ends of the eave, and one peak or two.
    base = np.concatenate([points, np.zeros((rows.size, 4, 1))], axis=2)
    planes = np.stack(
        [
            np.stack([base[:, 0], base[:, 1], peak_head, peak_tail], axis=1),
            np.stack([base[:, 1], base[:, 2], peak_head, peak_head], axis=1),
            np.stack([base[:, 2], base[:, 3], peak_tail, peak_head], axis=1),
            np.stack([base[:, 3], base[:, 0], peak_tail, peak_tail], axis=1),
        ],
        axis=1,
    )
    long = np.array([True, False, True, False])
    there = long | hipped[:, None]
    size = np.where(long & ~point[:, None], 4, 3)
    wall = corner[every, place]
    number = (np.cumsum(there) - 1).reshape(there.shape)
    slots = np.arange(4) < size[:, :, None]
    corners = planes[there][slots[there]]

    lines, kinds, sides, owners = [], [], [], []

    def draw(of: BoolArray, kind: int, ends: FloatArray, left: int, right: int) -> None:
        lines.append(ends[of])
        kinds.append(np.full(np.count_nonzero(of), kind))
        sides.append(number[of][:, [left, right]])
        owners.append(rows[of])

    draw(~point, RIDGE_LINE, np.concatenate([peak_tail, peak_head], axis=1), 0, 2)
    for at, peak in ((0, peak_tail), (1, peak_head), (2, peak_head), (3, peak_tail)):
        draw(hipped, HIP_LINE, np.concatenate([base[:, at], peak], axis=1), at, (at + 3) % 4)
    ends, side = np.concatenate(lines), np.concatenate(sides)
    open_wall = wall[:, 1::2][~hipped]
    facets = Facets(
        section=np.broadcast_to(rows[:, None], there.shape)[there],
        wall=wall[there],
        fall_deg=walls.outward_deg[wall[there]],
        size=size[there],
        east=corners[:, 0],
        north=corners[:, 1],
        depth_ft=corners[:, 2],
        line_section=np.concatenate(owners),
        line_kind=np.concatenate(kinds),
        line_left=side[:, 0],
        line_right=side[:, 1],
        ends=ends,
        open_wall=open_wall.ravel(),
        open_depth_ft=np.stack([peak_head[:, 2], peak_tail[:, 2]], axis=1)[~hipped].ravel(),
    )
    return facets, turn


def _between(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The ridge between eaves 0 and 2 of four corners.

    Where it meets walls 1 and 3, shape (k, 3) each, and the shares of it that the hips there take.
    """

    def depth(wall: int, point: FloatArray) -> FloatArray:
        a, b = points[:, wall], points[:, (wall + 1) % 4]
        run, arm = b - a, point - a
        return np.asarray((run[:, 1] * arm[:, 0] - run[:, 0] * arm[:, 1]) / np.hypot(*run.T))

    def meet(wall: int) -> FloatArray:
        a, b = points[:, wall], points[:, (wall + 1) % 4]
        of_before, of_after = depth((wall + 3) % 4, b), depth((wall + 1) % 4, a)
        share = of_after / (of_after + of_before)
        return np.concatenate([a + share[:, None] * (b - a), (of_before * share)[:, None]], axis=1)

    head, tail = meet(1), meet(3)
    level = head[:, 2] - tail[:, 2]
    head_share = head[:, 2] / (level + depth(1, tail[:, :2]))
    tail_share = tail[:, 2] / (depth(3, head[:, :2]) - level)
    return head, tail, head_share, tail_share


def one_plane(walls: Walls, rows: IntArray, fall_deg: FloatArray, jog_ft: float) -> Facets:
    """One plane over each whole outline.

    Parameters
    ----------
    walls
        Walls of n sections; those of `rows` have no courtyard.
    rows
        Sections, ascending, shape (k,).
    fall_deg
        True azimuth straight down, shape (k,).
    jog_ft
        A wall no farther than this above the lowest one is at the eave, too.

    Returns
    -------
    Facets
    """
    item, wall = lists_of(rows, walls.start)
    sine, cosine = np.sin(np.radians(fall_deg))[item], np.cos(np.radians(fall_deg))[item]
    size = np.diff(walls.start)[rows]
    start = offsets(size)
    down0 = walls.east0[wall] * sine + walls.north0[wall] * cosine
    down1 = walls.east1[wall] * sine + walls.north1[wall] * cosine
    lowest = np.repeat(np.maximum.reduceat(down0, start[:-1]), size) if rows.size else down0
    depth, depth_after = lowest - down0, lowest - down1
    eave = first_of_equals([(depth + depth_after, 2)], item, rows.size)
    # Corners from the eave's start on.
    turned = start[item] + (eave[item] + np.arange(item.size) - 2 * start[item]) % size[item]
    highest = np.maximum(depth, depth_after)
    not_eave = highest > jog_ft
    nothing = np.empty(0, dtype=np.int64)
    return Facets(
        section=rows,
        wall=wall[eave],
        fall_deg=fall_deg,
        size=size,
        east=walls.east0[wall[turned]],
        north=walls.north0[wall[turned]],
        depth_ft=depth[turned],
        line_section=nothing,
        line_kind=nothing,
        line_left=nothing,
        line_right=nothing,
        ends=np.empty((0, 6)),
        open_wall=wall[not_eave],
        open_depth_ft=highest[not_eave],
    )


def gather(parts: Sequence[Facets]) -> Facets:
    """Facets of several kinds of roof as one, sorted by section and wall, lines by kind and planes.

    The order of the lines given does not matter: it differs with what else was worked out beside them.
    """
    section = np.concatenate([part.section for part in parts])
    wall = np.concatenate([part.wall for part in parts])
    size = np.concatenate([part.size for part in parts])
    order = order_by(section, wall)
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    corner_start = offsets(size)
    _, corner = lists_of(order, corner_start)
    before = offsets(np.array([part.section.size for part in parts]))
    moved = list(zip(parts, before, strict=False))
    left = rank[np.concatenate([part.line_left + shift for part, shift in moved])]
    right = rank[np.concatenate([part.line_right + shift for part, shift in moved])]
    line_section = np.concatenate([part.line_section for part in parts])
    line_kind = np.concatenate([part.line_kind for part in parts])
    ends = np.concatenate([part.ends for part in parts])
    # The planes beside a line are those of its section, so that all four numbers fit one.
    planes = np.bincount(section)
    span = int(planes.max(initial=0)) + 1
    first = offsets(planes)[line_section]
    key = ((line_section * len(ROOF_LINES) + line_kind) * span + left - first) * span + right - first
    lines = order_by(key, ends[:, 0], ends[:, 1])
    return Facets(
        section=section[order],
        wall=wall[order],
        fall_deg=np.concatenate([part.fall_deg for part in parts])[order],
        size=size[order],
        east=np.concatenate([part.east for part in parts])[corner],
        north=np.concatenate([part.north for part in parts])[corner],
        depth_ft=np.concatenate([part.depth_ft for part in parts])[corner],
        line_section=line_section[lines],
        line_kind=line_kind[lines],
        line_left=left[lines],
        line_right=right[lines],
        ends=ends[lines],
        open_wall=np.concatenate([part.open_wall for part in parts]),
        open_depth_ft=np.concatenate([part.open_depth_ft for part in parts]),
    )


def rims(size: IntArray) -> tuple[IntArray, IntArray]:
    """Which plane each corner belongs to, and the next corner around it.

    Parameters
    ----------
    size
        Corners of each plane, shape (f,).

    Returns
    -------
    plane, onward
        Shape (c,) each.

    Examples
    --------
    >>> rims(np.array([3, 4]))[1].tolist()
    [1, 2, 0, 4, 5, 6, 3]
    """
    start = offsets(size)
    onward = np.arange(1, start[-1] + 1)
    onward[start[1:][size > 0] - 1] = start[:-1][size > 0]
    return np.repeat(np.arange(size.size), size), onward


def without_sections(facets: Facets, gone: BoolArray, walls: Walls) -> Facets:
    """Facets but those of some sections.

    Parameters
    ----------
    facets
        Of n sections.
    gone
        Shape (n,).
    walls
        Theirs.

    Returns
    -------
    Facets
    """
    plane, line = ~gone[facets.section], ~gone[facets.line_section]
    corner = np.repeat(plane, facets.size)
    number = np.cumsum(plane) - 1
    stays = ~gone[walls.section[facets.open_wall]]
    return Facets(
        section=facets.section[plane],
        wall=facets.wall[plane],
        fall_deg=facets.fall_deg[plane],
        size=facets.size[plane],
        east=facets.east[corner],
        north=facets.north[corner],
        depth_ft=facets.depth_ft[corner],
        line_section=facets.line_section[line],
        line_kind=facets.line_kind[line],
        line_left=number[facets.line_left[line]],
        line_right=number[facets.line_right[line]],
        ends=facets.ends[line],
        open_wall=facets.open_wall[stays],
        open_depth_ft=facets.open_depth_ft[stays],
    )
