"""Roofs over plans of wings: hips, gables made from them, and gabled plans of two bars.

In: walls on common lines, which sections have which shape.
Out: `Facets`, whose corners at the eaves stand on the walls as they were drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.facets import (
    RIDGE_LINE,
    VALLEY_LINE,
    Facets,
    gather,
    rims,
    wall_outlines,
    without_sections,
)
from roofplat.framing.ragged import FloatArray, IntArray, lists_of, marked, offsets, pair_up
from roofplat.framing.seams import cut_apart, folded, without_seams
from roofplat.framing.skeleton import straight_skeletons
from roofplat.framing.walls import Walls
from roofplat.ground import LocalPlanes

__all__ = ["gabled_ells", "second_along_street", "skeleton_roofs"]

BoolArray = npt.NDArray[np.bool_]

# Two ends of lines of the skeleton that are nearer than this are the same node.
_NODE_FT = 0.05
# Two directions that point to a street as nearly as this, by their cosines, are not told apart by it.
_HALFWAY = 1e-3


def skeleton_roofs(
    walls: Walls, drawn: Walls, planes: LocalPlanes, wanted: BoolArray, gabled: BoolArray, regular: BoolArray
) -> Facets:
    """Hips over any outlines, and gables made from them.

    Parameters
    ----------
    walls
        Walls of n sections.
    drawn
        The same as they were drawn.
    planes
        Their local planes.
    wanted
        Sections to roof, shape (n,).
    gabled
        True where hip ends are turned into gables, shape (n,).
    regular
        Sections whose walls stand on common lines, shape (n,): planes over one line are one.

    Returns
    -------
    Facets
        Of those that have a sound skeleton.
    """
    skeleton = straight_skeletons(wall_outlines(walls, planes), wanted)
    again = (folded(skeleton, wanted.size) | ~skeleton.found) & wanted & regular
    facets, cuts = without_seams(skeleton, walls, wanted & ~again, regular)
    facets, peaks = _with_gables(facets, walls, gabled)
    # Cuts end on other planes' straight sides, so they come after the sides have moved.
    facets = cut_apart(_as_drawn(facets, peaks, walls, drawn), cuts, walls)
    again |= _tangled(facets, wanted.size) & regular
    if not again.any():
        return facets
    # As drawn, planes that meet in one point or nearly so keep a little apart.
    rest = skeleton_roofs(drawn, drawn, planes, again, gabled, regular & ~again)
    return gather([without_sections(facets, again, walls), rest])


def _tangled(facets: Facets, count: int) -> BoolArray:
    """Sections with a plane that is not simple, shape (count,)."""
    start = offsets(facets.size)
    face, onward = rims(facets.size)
    first = start[face]
    east, north = facets.east - facets.east[first], facets.north - facets.north[first]
    # Seen from its first corner, corners in order of their bearings make a simple plane.
    turn = east[onward] * north - east * north[onward]
    apart = (np.arange(face.size) != first) & (onward != first)
    doubtful = np.flatnonzero(marked(face[apart & ~(turn > 0)], facets.size.size))
    item, corner = lists_of(doubtful, start)
    points = np.stack([facets.east[corner], facets.north[corner]], axis=1)
    made = (
        shapely.polygons(shapely.linearrings(points, indices=item)) if doubtful.size else np.empty(0, object)
    )
    return marked(facets.section[doubtful[~shapely.is_valid(made)]], count)


@dataclass(frozen=True, slots=True)
class _Peaks:
    """Peaks of gables on walls, shape (k,) each.

    wall
        The wall.
    east, north
        Where on it.
    share
        How far from the wall's start, as a share of its length.
    """

    wall: IntArray
    east: FloatArray
    north: FloatArray
    share: FloatArray


def _as_drawn(facets: Facets, peaks: _Peaks, walls: Walls, drawn: Walls) -> Facets:
    """Put what stands on the walls back to where they were drawn; heights stay.

    A corner at the eave is at the eave, so that a plane is as far out of flat as its walls were
    drawn out of line.
    """
    shift = np.stack([drawn.east0 - walls.east0, drawn.north0 - walls.north0], axis=1)
    shift_end = np.stack([drawn.east1 - walls.east1, drawn.north1 - walls.north1], axis=1)
    moved = marked(walls.section[(shift[:, 0] != 0.0) | (shift[:, 1] != 0.0)], walls.start.size - 1)
    share = peaks.share[:, None]
    shift_peak = (1 - share) * shift[peaks.wall] + share * shift_end[peaks.wall]
    owner = np.repeat(facets.section, facets.size)
    corners = np.stack([facets.east, facets.north, facets.depth_ft], axis=1)
    ends = np.concatenate([facets.ends[:, :3], facets.ends[:, 3:]])
    points = np.concatenate([corners, ends])
    section = np.concatenate([owner, facets.line_section, facets.line_section])
    low = points[:, 2] <= 0.0
    by_section = np.argsort(walls.section[peaks.wall], kind="stable")
    anchors = (
        (low, walls.section, walls.east0, walls.north0, shift),
        (
            ~low,
            walls.section[peaks.wall[by_section]],
            peaks.east[by_section],
            peaks.north[by_section],
            shift_peak[by_section],
        ),
    )
    for some, at_section, east, north, by in anchors:
        rows = np.flatnonzero(some & moved[section])
        item, anchor = pair_up(section[rows], at_section, moved.size)
        item = rows[item]
        # Both were computed from the same walls, so that only the last bits may differ.
        same = np.abs(points[item, 0] - east[anchor]) + np.abs(points[item, 1] - north[anchor]) < 1e-6
        # Not in place, so that a point that was moved is not taken for another one.
        points[item[same], :2] = points[item[same], :2] + by[anchor[same]]
    count = facets.east.size
    return replace(
        facets,
        east=points[:count, 0],
        north=points[:count, 1],
        ends=np.concatenate(np.split(points[count:], 2), axis=1),
    )


# Two bars -----------------------------------------------------------------------------------------

# Points of an L: its six corners, clockwise from the inner one; the gables at the main body's free
# end, at its other end and at the wing's end; where the wing's ridge ends; where the valley between
# the main body and the wing's outer plane begins.
_FAR, _NEAR, _WING, _JOINT, _FOOT = range(6, 11)
_POINTS = 11
# Each plane: the number of its wall, and its corners, the eave's two ends first. Where the bars are
# equally wide the second plane falls apart at the joint, into the third and the last.
_ELL_PLANES = (
    (2, (2, 3, _NEAR, _FAR)),
    (0, (0, 1, _FAR, _NEAR, _FOOT, _JOINT)),
    (0, (_FOOT, _JOINT, _NEAR)),
    (0, (0, 1, _FAR, _JOINT)),
    (3, (_FOOT, 4, _WING, _JOINT)),
    (5, (5, 0, _JOINT, _WING)),
)
_WHOLE, _PIECE, _REST = 1, 2, 3
# Each line: its kind, its ends, the planes to the left and to the right of it.
_ELL_LINES = (
    (RIDGE_LINE, _NEAR, _FAR, _WHOLE, 0),
    (RIDGE_LINE, _NEAR, _JOINT, _PIECE, 0),
    (RIDGE_LINE, _JOINT, _FAR, _REST, 0),
    (RIDGE_LINE, _WING, _JOINT, 5, 4),
    (VALLEY_LINE, 0, _JOINT, _WHOLE, 5),
    (VALLEY_LINE, 0, _JOINT, _REST, 5),
    (VALLEY_LINE, _FOOT, _JOINT, 4, _WHOLE),
    (VALLEY_LINE, _FOOT, _JOINT, 4, _PIECE),
)


def second_along_street(azimuth_deg: FloatArray, street_deg: FloatArray) -> BoolArray:
    """Which of two directions runs along the street: whether it is the second of them.

    Parameters
    ----------
    azimuth_deg
        Two directions each, shape (k, 2).
    street_deg
        Direction to the street, shape (k,); NaN without one.

    Returns
    -------
    ndarray of bool
        Shape (k,). Where the street tells no difference, whether the second is the smaller azimuth.

    Examples
    --------
    >>> second_along_street(np.array([[10.0, 100.0], [10.0, 100.0]]), np.array([15.0, np.nan])).tolist()
    [True, False]
    """
    toward = np.abs(np.cos(np.radians(azimuth_deg - street_deg[:, None])))
    less = toward[:, 1] - toward[:, 0]
    # 179.9999 and 0 are the same direction.
    azimuth = np.round(azimuth_deg % 180.0, 3) % 180.0
    return np.where(np.abs(less) > _HALFWAY, less < 0, azimuth[:, 1] < azimuth[:, 0])


def gabled_ells(
    walls: Walls, drawn: Walls, rows: IntArray, same_ft: float, *, street_deg: FloatArray
) -> Facets:
    """Gables over plans of two bars, in closed form.

    Parameters
    ----------
    walls
        Walls of n sections; those of `rows` have six square corners.
    drawn
        The same as they were drawn, on which the eaves stand.
    rows
        Sections, ascending, shape (k,).
    same_ft
        Widths and lengths that differ by less are equal.
    street_deg
        True direction to the street, shape (k,); NaN without one.

    Returns
    -------
    Facets
        The planes over a wall that is a gable for one part and an eave for the other count it as
        open.

    Notes
    -----
    The wider bar is the main body, for its ridge is the higher one; of bars equally wide the longer
    one; of equally long ones that of which the ridge runs along the street, or else has the smaller
    azimuth. It is gabled at both ends over its full length. The wing's ridge runs into it at its
    own height, and ends where it meets the plane there.
    """
    first = walls.start[rows][:, None]
    turn = first + np.arange(6)
    outward = walls.convex_start[turn]
    inner = np.argmin(outward, axis=1)[:, None]
    ring = first + (inner + np.arange(6)) % 6
    length = walls.length_ft[ring]
    # Along the wall that begins at the inner corner, and along the one that ends there.
    wide = length[:, [1, 4]]
    long = np.stack([length[:, 2], length[:, 3]], axis=1)
    by_street = second_along_street(walls.azimuth_deg[ring[:, [0, 5]]], street_deg)
    longer = np.where(np.abs(long[:, 1] - long[:, 0]) <= same_ft, by_street, long[:, 1] > long[:, 0])
    equal = np.abs(wide[:, 1] - wide[:, 0]) <= same_ft
    mirrored = np.where(equal, longer, wide[:, 1] > wide[:, 0])

    # Seen in a mirror the other bar is the main body.
    seen = np.where(mirrored[:, None], (6 - np.arange(6)) % 6, np.arange(6))
    every = np.arange(rows.size)[:, None]
    corner = ring[every, seen]
    wall_of = ring[every, np.where(mirrored[:, None], 5 - np.arange(6), np.arange(6))]
    square = np.stack([walls.east0[corner], walls.north0[corner]], axis=2)
    exact = np.stack([drawn.east0[corner], drawn.north0[corner]], axis=2)
    width = walls.length_ft[wall_of[:, 1]]
    wing = np.where(equal, width, walls.length_ft[wall_of[:, 4]])
    along = (square[:, 1] - square[:, 0]) / walls.length_ft[wall_of[:, 0]][:, None]
    inward = (square[:, 2] - square[:, 1]) / width[:, None]
    points = np.zeros((rows.size, _POINTS, 3))
    points[:, :6, :2] = exact
    half = (wing / 2)[:, None]
    points[:, _FAR, :2] = (exact[:, 1] + exact[:, 2]) / 2
    at_foot = width / walls.length_ft[wall_of[:, 3]]
    side = exact[:, 4] - exact[:, 3]
    points[:, _NEAR, :2] = exact[:, 3] + (at_foot / 2)[:, None] * side
    points[:, _FOOT, :2] = exact[:, 3] + at_foot[:, None] * side
    points[:, _WING, :2] = (exact[:, 4] + exact[:, 5]) / 2
    points[:, _JOINT, :2] = square[:, 0] + half * (inward - along)
    # Of equal bars it lies on the ridge, however crooked that was drawn.
    ridge = points[equal, _FAR, :2] - points[equal, _NEAR, :2]
    share = half[equal] / walls.length_ft[wall_of[equal, 2]][:, None]
    points[equal, _JOINT, :2] = points[equal, _NEAR, :2] + share * ridge
    points[:, [_FAR, _NEAR], 2] = (width / 2)[:, None]
    points[:, [_WING, _JOINT], 2] = half

    whole = ~equal
    there = np.stack([np.full(rows.size, True)] * len(_ELL_PLANES), axis=1)
    there[:, _WHOLE], there[:, _PIECE], there[:, _REST] = whole, equal, equal
    number = (np.cumsum(there) - 1).reshape(there.shape)
    sizes = np.array([len(ends) for _, ends in _ELL_PLANES])
    most = int(sizes.max())
    slots = np.full((2, len(_ELL_PLANES), most), -1)
    for plane, (_, rim) in enumerate(_ELL_PLANES):
        slots[0, plane, : len(rim)] = rim
        # In the mirror the rim runs the other way round.
        slots[1, plane, : len(rim)] = [*rim[1::-1], *rim[:1:-1]]
    slot = slots[mirrored.astype(np.int64)][there]
    used = slot >= 0
    owner = np.broadcast_to(every, there.shape)[there]
    corners = points[np.repeat(owner, np.count_nonzero(used, axis=1)), slot[used]]
    wall = wall_of[:, [at for at, _ in _ELL_PLANES]][there]

    ends, kinds, sides, owners = [], [], [], []
    for kind, tail, head, left, right in _ELL_LINES:
        has = there[:, left] & there[:, right]
        beside = number[has][:, [left, right]]
        sides.append(np.where(mirrored[has][:, None], beside[:, ::-1], beside))
        ends.append(np.concatenate([points[has, tail], points[has, head]], axis=1))
        kinds.append(np.full(np.count_nonzero(has), kind))
        owners.append(rows[has])
    both = np.concatenate(sides)
    return Facets(
        section=rows[owner],
        wall=wall,
        fall_deg=walls.outward_deg[wall],
        size=np.broadcast_to(sizes, there.shape)[there],
        east=corners[:, 0],
        north=corners[:, 1],
        depth_ft=corners[:, 2],
        line_section=np.concatenate(owners),
        line_kind=np.concatenate(kinds),
        line_left=both[:, 0],
        line_right=both[:, 1],
        ends=np.concatenate(ends),
        open_wall=wall_of[:, [1, 3, 4]].ravel(),
        open_depth_ft=np.stack([width / 2, width / 2, half[:, 0]], axis=1).ravel(),
    )


# Gables from hips ---------------------------------------------------------------------------------


def _with_gables(facets: Facets, walls: Walls, gabled: BoolArray) -> tuple[Facets, _Peaks]:
    """Turn hip ends into gables.

    A hip end is a triangle over a wall whose two corners point outward. Its neighbours' planes meet
    in a line through its peak, and go on meeting along that line as far as the wall; at the wall's
    ends each of them is at its own eave. So each neighbour takes the part of the triangle on its
    side of that line and stays one plane, and the wall carries a gable as high as the line there.
    A hip end beside another one stays: neither of them has a long neighbour to lean on.
    """
    start = offsets(facets.size)
    last = start[1:] - 1
    # A plane over several walls on one line begins at the first and leaves the last one's end.
    leaves = np.zeros(facets.size.size, dtype=np.int64)
    at_eave = np.flatnonzero(facets.depth_ft <= 0.0)
    leaves[np.repeat(np.arange(facets.size.size), facets.size)[at_eave]] = at_eave
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
    before_peak, after_peak = leaves[before] + 1, last[after]
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
    made = Facets(
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
    return made, _Peaks(wall, gable_east, gable_north, share)


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
