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

from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    first_of_equals,
    lists_of,
    marked,
    offsets,
)
from roofplat.framing.skeleton import SEAM, Skeletons, straight_skeletons
from roofplat.framing.walls import Walls
from roofplat.ground import LocalPlanes

__all__ = [
    "HIP_LINE",
    "RIDGE_LINE",
    "ROOF_LINES",
    "Facets",
    "four_sided",
    "gather",
    "one_plane",
    "skeleton_roofs",
    "wall_outlines",
    "walls_of_edges",
]

BoolArray = npt.NDArray[np.bool_]

ROOF_LINES = ("ridge", "hip", "valley")
RIDGE_LINE, HIP_LINE = 0, 1
# Peaks nearer to each other than this are one: a pyramid has no ridge.
_POINT_FT = 0.05
# Two ends of lines of the skeleton that are nearer than this are the same node.
_NODE_FT = 0.05


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
    goes_on = (
        (walls.east1[:-1] == walls.east0[1:])
        & (walls.north1[:-1] == walls.north0[1:])
        & (walls.section[:-1] == walls.section[1:])
        & (walls.shell[:-1] == walls.shell[1:])
    )
    first = np.flatnonzero(np.r_[True, ~goes_on][: walls.section.size])
    following = np.arange(1, walls.section.size + 1)
    following[np.r_[first[1:], walls.section.size][: first.size] - 1] = first
    return Outlines(
        planes=planes,
        section=walls.section,
        start=walls.start,
        shell=walls.shell,
        following=following,
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
    of_edge = opens[before]

    length = np.hypot(
        outlines.east1[edge] - outlines.east0[edge], outlines.north1[edge] - outlines.north0[edge]
    )
    by_wall = np.argsort(of_edge, kind="stable")
    best = first_of_equals([(-length[by_wall], 3)], of_edge[by_wall], walls.section.size)
    longest = np.full(walls.section.size, -1, dtype=np.int64)
    longest[best >= 0] = edge[by_wall[best[best >= 0]]]
    return edge, of_edge, longest


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


def skeleton_roofs(walls: Walls, planes: LocalPlanes, wanted: BoolArray, gabled: BoolArray) -> Facets:
    """Hips over any outlines, and gables made from them.

    Parameters
    ----------
    walls
        Walls of n sections.
    planes
        Their local planes.
    wanted
        Sections to roof, shape (n,).
    gabled
        True where hip ends are turned into gables, shape (n,).

    Returns
    -------
    Facets
        Of those that have a sound skeleton.
    """
    skeleton = straight_skeletons(wall_outlines(walls, planes), wanted)
    facets = _hips(skeleton, walls)
    return _with_gables(facets, walls, gabled)


def _hips(skeleton: Skeletons, walls: Walls) -> Facets:
    shows = skeleton.arc_kind != SEAM
    ends = np.stack(
        [
            skeleton.arc_east0,
            skeleton.arc_north0,
            skeleton.arc_depth0_ft,
            skeleton.arc_east1,
            skeleton.arc_north1,
            skeleton.arc_depth1_ft,
        ],
        axis=1,
    )
    return Facets(
        section=skeleton.face_section,
        wall=skeleton.face_edge,
        fall_deg=walls.outward_deg[skeleton.face_edge],
        size=np.diff(skeleton.face_start),
        east=skeleton.east,
        north=skeleton.north,
        depth_ft=skeleton.depth_ft,
        line_section=skeleton.arc_section[shows],
        line_kind=skeleton.arc_kind[shows],
        line_left=skeleton.arc_left[shows],
        line_right=skeleton.arc_right[shows],
        ends=ends[shows],
        open_wall=np.empty(0, dtype=np.int64),
        open_depth_ft=np.empty(0),
    )


def _with_gables(facets: Facets, walls: Walls, gabled: BoolArray) -> Facets:
    """Turn hip ends into gables.

    A hip end is a triangle over a wall whose two corners point outward. Its neighbours' planes meet
    in a line through its peak, and go on meeting along that line as far as the wall; at the wall's
    ends each of them is at its own eave. So each neighbour takes the part of the triangle on its
    side of that line and stays one plane, and the wall carries a gable as high as the line there.
    A hip end beside another one stays: neither of them has a long neighbour to lean on.
    """
    start = offsets(facets.size)
    last = start[1:] - 1
    triangle = (
        (facets.size == 3)
        & gabled[facets.section]
        & walls.convex_start[facets.wall]
        & walls.convex_end[facets.wall]
    )
    # The lines that leave a triangle's eave: to the plane before it and to the plane after it.
    side = np.full((facets.size.size, 2), -1, dtype=np.int64)
    for own, other in ((facets.line_left, facets.line_right), (facets.line_right, facets.line_left)):
        for end, corner in ((0, start[:-1]), (1, start[:-1] + 1)):
            at = corner[own]
            same = _near(facets.ends[:, 0], facets.ends[:, 1], facets.east[at], facets.north[at])
            hit = np.flatnonzero(triangle[own] & same & (facets.ends[:, 2] < _NODE_FT))
            side[own[hit], end] = other[hit]
    end_face = np.flatnonzero(triangle & (side >= 0).all(axis=1))
    before, after = side[end_face].T
    peak_east, peak_north = facets.east[last[end_face]], facets.north[last[end_face]]
    before_peak, after_peak = start[before] + 2, last[after]
    sound = (
        (before != after)
        & ~triangle[before]
        & ~triangle[after]
        & _near(facets.east[before_peak], facets.north[before_peak], peak_east, peak_north)
        & _near(facets.east[after_peak], facets.north[after_peak], peak_east, peak_north)
    )
    end_face, before, after = end_face[sound], before[sound], after[sound]
    before_peak, after_peak = before_peak[sound], after_peak[sound]
    peak_east, peak_north = peak_east[sound], peak_north[sound]
    peak_depth = facets.depth_ft[last[end_face]]
    if not end_face.size:
        return facets

    # The gable's peak on the wall.
    wall = facets.wall[end_face]
    of_before = _depth(walls, facets.wall[before], walls.east1[wall], walls.north1[wall])
    of_after = _depth(walls, facets.wall[after], walls.east0[wall], walls.north0[wall])
    share = of_after / (of_after + of_before)
    gable_east = walls.east0[wall] + share * (walls.east1[wall] - walls.east0[wall])
    gable_north = walls.north0[wall] + share * (walls.north1[wall] - walls.north0[wall])
    gable_depth = of_before * share

    # The line that the two neighbours share already is made longer; where there is none it is new.
    ends, kind = facets.ends.copy(), facets.line_kind.copy()
    pair = facets.line_left * facets.size.size + facets.line_right
    prolonged = np.zeros(end_face.size, dtype=bool)
    by_pair = np.argsort(pair, kind="stable")
    for left, right in ((before, after), (after, before)):
        wanted = left * facets.size.size + right
        low = np.searchsorted(pair[by_pair], wanted, side="left")
        item, entry = _spans(low, np.searchsorted(pair[by_pair], wanted, side="right"))
        line = by_pair[entry]
        inside = facets.ends[line, 2] > _NODE_FT
        for column in (0, 3):
            same = _near(ends[line, column], ends[line, column + 1], peak_east[item], peak_north[item])
            hit = np.flatnonzero(same & inside & ~prolonged[item])
            ends[line[hit], column] = gable_east[item[hit]]
            ends[line[hit], column + 1] = gable_north[item[hit]]
            ends[line[hit], column + 2] = gable_depth[item[hit]]
            kind[line[hit]] = RIDGE_LINE
            prolonged[item[hit]] = True

    east, north, depth = facets.east.copy(), facets.north.copy(), facets.depth_ft.copy()
    for corner in (before_peak[prolonged], after_peak[prolonged]):
        east[corner], north[corner] = gable_east[prolonged], gable_north[prolonged]
        depth[corner] = gable_depth[prolonged]
    fresh = ~prolonged
    spot = np.r_[before_peak[fresh], after_peak[fresh] + 1]
    inserted = np.r_[before[fresh], after[fresh]]
    face = np.repeat(np.arange(facets.size.size), facets.size)
    order = np.argsort(np.r_[np.arange(face.size) * 2 + 1, spot * 2], kind="stable")
    face = np.r_[face, inserted][order]
    gone = marked(end_face, facets.size.size)
    kept_corner = ~gone[face]
    number = np.cumsum(~gone) - 1
    kept_line = ~gone[facets.line_left] & ~gone[facets.line_right]
    new_ends = np.stack([gable_east, gable_north, gable_depth, peak_east, peak_north, peak_depth], axis=1)[
        fresh
    ]
    return Facets(
        section=facets.section[~gone],
        wall=facets.wall[~gone],
        fall_deg=facets.fall_deg[~gone],
        size=np.bincount(face, minlength=gone.size)[~gone],
        east=np.r_[east, np.tile(gable_east[fresh], 2)][order][kept_corner],
        north=np.r_[north, np.tile(gable_north[fresh], 2)][order][kept_corner],
        depth_ft=np.r_[depth, np.tile(gable_depth[fresh], 2)][order][kept_corner],
        line_section=np.r_[facets.line_section[kept_line], facets.section[end_face[fresh]]],
        line_kind=np.r_[kind[kept_line], np.full(np.count_nonzero(fresh), RIDGE_LINE)],
        line_left=number[np.r_[facets.line_left[kept_line], after[fresh]]],
        line_right=number[np.r_[facets.line_right[kept_line], before[fresh]]],
        ends=np.concatenate([ends[kept_line], new_ends]),
        open_wall=wall,
        open_depth_ft=gable_depth,
    )


def _near(east: FloatArray, north: FloatArray, other_east: FloatArray, other_north: FloatArray) -> BoolArray:
    return np.asarray(np.hypot(east - other_east, north - other_north) < _NODE_FT)


def _depth(walls: Walls, wall: IntArray, east: FloatArray, north: FloatArray) -> FloatArray:
    """Distance of points from the lines of walls, the roof's side positive."""
    run_east, run_north = walls.east1[wall] - walls.east0[wall], walls.north1[wall] - walls.north0[wall]
    across = run_north * (east - walls.east0[wall]) - run_east * (north - walls.north0[wall])
    return np.asarray(across / walls.length_ft[wall])


def _spans(low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
    """Every index from low up to high, and which of the spans it is of."""
    counts = high - low
    item = np.repeat(np.arange(low.size), counts)
    return item, np.arange(item.size) - offsets(counts)[item] + low[item]


def gather(parts: Sequence[Facets]) -> Facets:
    """Facets of several kinds of roof as one, sorted by section and wall."""
    section = np.concatenate([part.section for part in parts])
    wall = np.concatenate([part.wall for part in parts])
    size = np.concatenate([part.size for part in parts])
    order = np.lexsort((wall, section))
    rank = np.empty_like(order)
    rank[order] = np.arange(order.size)
    corner_start = offsets(size)
    _, corner = lists_of(order, corner_start)
    before = offsets(np.array([part.section.size for part in parts]))
    left = np.concatenate([part.line_left + shift for part, shift in zip(parts, before, strict=False)])
    right = np.concatenate([part.line_right + shift for part, shift in zip(parts, before, strict=False)])
    line_section = np.concatenate([part.line_section for part in parts])
    line_kind = np.concatenate([part.line_kind for part in parts])
    lines = np.lexsort((line_kind, line_section))
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
        line_left=rank[left[lines]],
        line_right=rank[right[lines]],
        ends=np.concatenate([part.ends for part in parts])[lines],
        open_wall=np.concatenate([part.open_wall for part in parts]),
        open_depth_ft=np.concatenate([part.open_depth_ft for part in parts]),
    )
