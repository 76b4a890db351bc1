"""Seams: where two walls stand on one line, the faces over them are one plane.

In: `Skeletons`, and walls on common lines.
Out: `Facets` without seams, and where to cut them once the roof is done: each wall carries a plane
    of its own, so that what stands at a wall finds the plane above it.

A skeleton leads from eave to eave, and over a wing's end it parts the plane behind the wing. The
line between the parts shows on no roof, but it would split the ridge and hide hip ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.framing.facets import Facets, gather, rims
from roofplat.framing.ragged import FloatArray, IntArray, first_minimum, lists_of, marked, offsets, take
from roofplat.framing.skeleton import SEAM, Skeletons
from roofplat.framing.walls import Walls

__all__ = ["Cuts", "cut_apart", "faces_of", "folded", "without_seams"]

BoolArray = npt.NDArray[np.bool_]

# A rim that turns back on itself within this encloses nothing.
_FOLD_SINE = 1e-3
# A cut that ends nearer than this to a corner ends there.
_NODE_FT = 0.05


@dataclass(frozen=True, slots=True)
class Cuts:
    """Cuts straight up the slope, shape (k,) each.

    wall
        Of the plane to cut.
    beyond
        The wall of the plane that is cut off, farther along the eave.
    east, north
        Where the cut begins, a corner of the plane.
    """

    wall: IntArray
    beyond: IntArray
    east: FloatArray
    north: FloatArray


def faces_of(skeleton: Skeletons, walls: Walls, wanted: BoolArray) -> Facets:
    """Faces and arcs of some sections as they are, without the seams.

    Parameters
    ----------
    skeleton
        Of the walls' outlines.
    walls
        Walls of n sections.
    wanted
        Shape (n,).

    Returns
    -------
    Facets
    """
    face = wanted[skeleton.face_section]
    number = np.cumsum(face) - 1
    corner = np.repeat(face, np.diff(skeleton.face_start))
    shows = (skeleton.arc_kind != SEAM) & wanted[skeleton.arc_section]
    names = ("arc_east0", "arc_north0", "arc_depth0_ft", "arc_east1", "arc_north1", "arc_depth1_ft")
    wall = skeleton.face_edge[face]
    return Facets(
        section=skeleton.face_section[face],
        wall=wall,
        fall_deg=walls.outward_deg[wall],
        size=np.diff(skeleton.face_start)[face],
        east=skeleton.east[corner],
        north=skeleton.north[corner],
        depth_ft=skeleton.depth_ft[corner],
        line_section=skeleton.arc_section[shows],
        line_kind=skeleton.arc_kind[shows],
        line_left=number[skeleton.arc_left[shows]],
        line_right=number[skeleton.arc_right[shows]],
        ends=np.stack([getattr(skeleton, name)[shows] for name in names], axis=1),
        open_wall=np.empty(0, dtype=np.int64),
        open_depth_ft=np.empty(0),
    )


def folded(skeleton: Skeletons, count: int) -> BoolArray:
    """Sections with a face that runs out and back along one line somewhere.

    Parameters
    ----------
    skeleton
        Of n sections.
    count
        n.

    Returns
    -------
    ndarray of bool
        Shape (n,). Where lines are exactly common more than three planes may meet in one point, and
        a face may then end in a tongue that is no wider than the corners were shaken.
    """
    face, onward = rims(np.diff(skeleton.face_start))
    east, north = skeleton.east[onward] - skeleton.east, skeleton.north[onward] - skeleton.north
    cross = east * north[onward] - north * east[onward]
    ahead = east * east[onward] + north * north[onward]
    back = (ahead < 0) & (np.abs(cross) < -_FOLD_SINE * ahead)
    return marked(skeleton.face_section[face[back]], count)


def without_seams(
    skeleton: Skeletons, walls: Walls, wanted: BoolArray, regular: BoolArray
) -> tuple[Facets, Cuts]:
    """Faces over walls on one line made one, where they touch.

    Parameters
    ----------
    skeleton
        Of the walls' outlines.
    walls
        Walls of n sections.
    wanted
        Sections asked for, shape (n,).
    regular
        Sections whose walls stand on common lines, shape (n,); the others keep their faces.

    Returns
    -------
    facets
        The wall of a plane that has several is the first along its eave, and its corners begin
        there.
    cuts
        Where `cut_apart` is to cut.
    """
    seam = (skeleton.arc_kind == SEAM) & (wanted & regular)[skeleton.arc_section]
    chosen = marked(skeleton.arc_section[seam], regular.size)
    if not seam.any():
        nothing, empty = np.empty(0, dtype=np.int64), np.empty(0)
        return faces_of(skeleton, walls, wanted), Cuts(nothing, nothing, empty, empty)
    merged, cuts, unfit = _merge(skeleton, walls, chosen, seam)
    if unfit.any():
        # A plane around a courtyard has two rims; it stays in pieces.
        return without_seams(skeleton, walls, wanted, regular & ~unfit)
    return gather([faces_of(skeleton, walls, wanted & ~chosen), merged]), cuts


def _merge(
    skeleton: Skeletons, walls: Walls, chosen: BoolArray, seam: BoolArray
) -> tuple[Facets, Cuts, BoolArray]:
    """The faces of some sections without seams, the cuts, and sections for which that does not work."""
    count = skeleton.face_section.size
    pairs = (
        np.ones(np.count_nonzero(seam), dtype=np.int8),
        (skeleton.arc_left[seam], skeleton.arc_right[seam]),
    )
    _, label = connected_components(coo_array(pairs, shape=(count, count)), directed=False)

    # Sides of the chosen faces: side k runs from corner k to the next one.
    faces = np.flatnonzero(chosen[skeleton.face_section])
    _, side = lists_of(faces, skeleton.face_start)
    face, onward = rims(np.diff(skeleton.face_start)[faces])
    face = faces[face]
    node = skeleton.node[side]
    east, north, depth = skeleton.east[side], skeleton.north[side], skeleton.depth_ft[side]
    span = int(skeleton.node.max()) + 1
    key, back = node * span + node[onward], node[onward] * span + node
    twin = _places(key, back)
    of_arc = chosen[skeleton.arc_section]
    rightwards = (skeleton.arc_node0 * span + skeleton.arc_node1)[of_arc]
    leftwards = (skeleton.arc_node1 * span + skeleton.arc_node0)[of_arc]
    arc = _places(np.r_[rightwards, leftwards], key)
    kind = np.where(arc >= 0, np.tile(skeleton.arc_kind[of_arc], 2)[arc], -1)
    hidden = kind == SEAM
    eave = twin < 0

    # Over a seam the rim goes on along the other face.
    beside = onward.copy()
    for _ in range(side.size):
        over = hidden[onward]
        if not over.any():
            break
        onward = np.where(over, beside[twin[onward]], onward)
    # A node that is left with two planes lies within a straight line.
    kept = ~hidden
    planes = np.bincount(node[kept], minlength=span)
    corner = marked(node[eave], span) | marked(node[beside[eave]], span)
    kept &= (planes[node] > 2) | corner[node]
    for _ in range(side.size):
        over = ~kept[onward] & ~hidden
        if not over.any():
            break
        onward = np.where(over, onward[onward], onward)

    # Walked from the first eave along the line of the wall.
    plane = label[face].astype(np.int64)
    along = np.radians(walls.azimuth_deg[skeleton.face_edge[face]])
    way = east * np.sin(along) + north * np.cos(along)
    by_plane = np.argsort(plane, kind="stable")
    lead = first_minimum(np.where(eave & kept, way, np.inf)[by_plane], plane[by_plane], int(label.max()) + 1)
    lead = by_plane[lead[lead >= 0]]
    lead = lead[np.argsort(face[lead], kind="stable")]
    here, steps = lead, []
    for _ in range(side.size):
        steps.append(here)
        here = onward[here]
        here = here[(here != _of_plane(lead, plane)[plane[here]])]
        if not here.size:
            break
    walked = np.concatenate(steps)
    number = np.full(int(label.max()) + 1, -1)
    number[plane[lead]] = np.arange(lead.size)
    walked = walked[np.argsort(number[plane[walked]], kind="stable")]
    size = np.bincount(number[plane[walked]], minlength=lead.size)
    whole = np.bincount(number[plane[kept]], minlength=lead.size)
    unfit = marked(skeleton.face_section[face[lead[size != whole]]], chosen.size)
    if unfit.any() or here.size:
        nothing, empty = np.empty(0, dtype=np.int64), np.empty(0)
        unfit = unfit if unfit.any() else chosen
        none = np.zeros(chosen.size, dtype=bool)
        return faces_of(skeleton, walls, none), Cuts(nothing, nothing, empty, empty), unfit

    line = np.flatnonzero(kept & ~eave)
    line = line[node[line] < node[onward[line]]]
    low, high = line, onward[line]
    right, left = number[plane[line]], number[plane[twin[line]]]
    swap = depth[low] > depth[high]
    low, high = np.where(swap, high, low), np.where(swap, low, high)
    left, right = np.where(swap, right, left), np.where(swap, left, right)
    wall = skeleton.face_edge[face[lead]]
    facets = Facets(
        section=skeleton.face_section[face[lead]],
        wall=wall,
        fall_deg=walls.outward_deg[wall],
        size=size,
        east=east[walked],
        north=north[walked],
        depth_ft=depth[walked],
        line_section=skeleton.face_section[face[line]],
        line_kind=kind[line],
        line_left=left,
        line_right=right,
        ends=np.stack([east[low], north[low], depth[low], east[high], north[high], depth[high]], axis=1),
        open_wall=np.empty(0, dtype=np.int64),
        open_depth_ft=np.empty(0),
    )
    return facets, _cuts(skeleton, walls, seam, wall[number[label[skeleton.arc_left[seam]]]]), unfit


def _cuts(skeleton: Skeletons, walls: Walls, seam: BoolArray, wall: IntArray) -> Cuts:
    """A cut where the seam between two faces begins."""
    one, other = skeleton.arc_left[seam], skeleton.arc_right[seam]
    edges = np.stack([skeleton.face_edge[one], skeleton.face_edge[other]])
    along = np.radians(walls.azimuth_deg[edges])
    way = walls.east0[edges] * np.sin(along) + walls.north0[edges] * np.cos(along)
    beyond = np.where(way[0] > way[1], edges[0], edges[1])
    depth = skeleton.arc_depth0_ft[seam]
    order = np.lexsort((depth, np.minimum(one, other), np.maximum(one, other)))
    pair = np.stack([np.minimum(one, other), np.maximum(one, other)])[:, order]
    lowest = order[np.r_[True, (pair[:, 1:] != pair[:, :-1]).any(axis=0)]]
    east, north = skeleton.arc_east0[seam], skeleton.arc_north0[seam]
    return Cuts(wall[lowest], beyond[lowest], east[lowest], north[lowest])


def _of_plane(lead: IntArray, plane: IntArray) -> IntArray:
    first = np.full(int(plane.max()) + 1, -1)
    first[plane[lead]] = lead
    return first


def _places(values: IntArray, wanted: IntArray) -> IntArray:
    """Where each wanted value is among the values, -1 where it is not."""
    order = np.argsort(values)
    place = np.minimum(np.searchsorted(values[order], wanted), values.size - 1)
    found = order[place]
    return np.where(values[found] == wanted, found, -1)


def cut_apart(facets: Facets, cuts: Cuts, walls: Walls) -> Facets:
    """Give each wall a plane of its own.

    Parameters
    ----------
    facets
        From `without_seams`, gables made.
    cuts
        From there, too.
    walls
        Walls of n sections.

    Returns
    -------
    Facets
        A line that passes a cut is beside the plane that has its middle.
    """
    along = np.radians(walls.azimuth_deg[cuts.beyond])
    way = cuts.east * np.sin(along) + cuts.north * np.cos(along)
    # From the far end back, so that what is left is the plane that it was.
    order = np.lexsort((-way, cuts.wall))
    cuts = take(cuts, order)
    first = offsets(np.unique_counts(cuts.wall).counts)
    number = np.arange(cuts.wall.size) - np.repeat(first[:-1], np.diff(first))
    for turn in range(int(number.max(initial=-1)) + 1):
        facets = _cut(facets, take(cuts, number == turn), walls)
    return gather([facets]) if number.size else facets


def _cut(facets: Facets, cuts: Cuts, walls: Walls) -> Facets:
    """One cut of each plane that has one."""
    start = offsets(facets.size)
    plane_of = np.full(walls.section.size, -1)
    plane_of[facets.wall] = np.arange(facets.wall.size)
    item, corner = lists_of(plane_of[cuts.wall], start)
    size = facets.size[plane_of[cuts.wall]]
    ring = offsets(size)
    here = np.arange(item.size)
    _, onward = rims(size)
    angle = np.radians(walls.azimuth_deg[cuts.wall])
    sine, cosine = np.sin(angle)[item], np.cos(angle)[item]
    east, north = facets.east[corner], facets.north[corner]
    way = (east - cuts.east[item]) * sine + (north - cuts.north[item]) * cosine
    up = (east - cuts.east[item]) * cosine - (north - cuts.north[item]) * sine
    depth = facets.depth_ft[corner]
    begins = first_minimum(np.where(np.hypot(way, up) < 1e-6, 0.0, np.inf), item, size.size)
    # The far rim runs back along the eave; the cut ends on the nearest side above its beginning.
    back = (way > 0) & (way[onward] <= 0)
    share = np.divide(way, way - way[onward], out=np.zeros(way.size), where=back)
    over = up + share * (up[onward] - up)
    ends = first_minimum(np.where(back & (over > _NODE_FT), over, np.inf), item, size.size)
    done = (begins >= 0) & (ends >= 0)
    place = here - ring[item]
    s, e = (np.where(done, rows, 0) for rows in (begins, ends))
    done &= place[s] < place[e]
    if not done.any():
        return facets

    # What lies between the beginning and the end of the cut goes to the new plane.
    mine = done[item]
    beyond = mine & (place > place[s][item]) & (place <= place[e][item])
    top = np.stack(
        [values[e] + share[e] * (values[onward[e]] - values[e]) for values in (east, north, depth)]
    )
    near_last = np.hypot(top[0] - east[e], top[1] - north[e]) < _NODE_FT
    near_next = np.hypot(top[0] - east[onward[e]], top[1] - north[onward[e]]) < _NODE_FT
    top = np.where(near_last, [east[e], north[e], depth[e]], top)
    top = np.where(near_next, [east[onward[e]], north[onward[e]], depth[onward[e]]], top)
    # Rows of the new planes: the corners beyond, the end of the cut, its beginning; from the eave on.
    eave = first_minimum(np.where(beyond & (depth <= 0.0), place, np.inf).astype(float), item, size.size)
    done &= eave >= 0
    mine, beyond = done[item], beyond & done[item]
    cut = np.flatnonzero(done)
    turned = np.where(place >= place[np.where(done, eave, 0)][item], place, place + 2 * size[item])
    new_item = np.concatenate([item[beyond], cut[~near_last[cut]], cut])
    new_key = np.concatenate(
        [turned[beyond] * 4, (place[e] * 4 + 1)[cut[~near_last[cut]]], (place[e] * 4 + 2)[cut]]
    )
    new_at = [
        np.concatenate([values[beyond], at[cut[~near_last[cut]]], values[s][cut]])
        for values, at in zip((east, north, depth), top, strict=True)
    ]
    order = np.lexsort((new_key, new_item))
    new_size = np.bincount(new_item, minlength=size.size)[cut]

    # The old planes lose them, and get the end of the cut.
    keeps = np.ones(facets.east.size, dtype=bool)
    keeps[corner[beyond]] = False
    ended = cut[~near_next[cut]]
    face = np.repeat(np.arange(facets.size.size), facets.size)
    old_face = np.r_[face[keeps], plane_of[cuts.wall[ended]]]
    old_key = np.r_[np.flatnonzero(keeps) * 2, corner[s[ended]] * 2 + 1]
    old_order = np.argsort(old_key, kind="stable")
    columns = []
    for values, at, fresh in zip((facets.east, facets.north, facets.depth_ft), top, new_at, strict=True):
        columns.append(np.r_[np.r_[values[keeps], at[ended]][old_order], fresh[order]])

    # Lines beyond the cut are beside the new plane.
    cut_of = np.full(facets.size.size, -1)
    cut_of[plane_of[cuts.wall[cut]]] = cut
    fresh_plane = np.full(size.size, -1)
    fresh_plane[cut] = facets.size.size + np.arange(cut.size)
    sides = []
    middle_east = (facets.ends[:, 0] + facets.ends[:, 3]) / 2
    middle_north = (facets.ends[:, 1] + facets.ends[:, 4]) / 2
    for beside in (facets.line_left, facets.line_right):
        near = np.flatnonzero(cut_of[beside] >= 0)
        at = cut_of[beside[near]]
        past = (middle_east[near] - cuts.east[at]) * np.sin(angle)[at] + (
            middle_north[near] - cuts.north[at]
        ) * np.cos(angle)[at] > 0
        side = beside.copy()
        side[near[past]] = fresh_plane[at[past]]
        sides.append(side)
    return replace(
        facets,
        section=np.r_[facets.section, walls.section[cuts.beyond[cut]]],
        wall=np.r_[facets.wall, cuts.beyond[cut]],
        fall_deg=np.r_[facets.fall_deg, walls.outward_deg[cuts.beyond[cut]]],
        size=np.r_[np.bincount(old_face, minlength=facets.size.size), new_size],
        east=columns[0],
        north=columns[1],
        depth_ft=columns[2],
        line_left=sides[0],
        line_right=sides[1],
    )
