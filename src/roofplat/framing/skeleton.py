"""Straight skeletons of many outlines at once: where roofs of equal slope from every eave meet.

In: `Outlines`, and which of them are wanted.
Out: `Skeletons`: for each eave the face that rises from it, and the arcs between the faces
    (ridges, hips, valleys) with their distance from the eaves, which is the height over the slope.

The eaves move inwards at one speed, as the water line on a roof that is slowly flooded would. An
edge that has shrunk to nothing drops out; an inner corner that runs into an edge cuts it in two.
The corners' tracks are the skeleton. Round k takes the k-th such event of every outline, so that
Python counts rounds and numpy the outlines.

Source: Aichholzer, Aurenhammer, Alberts and Gaertner, A novel type of skeleton for polygons,
Journal of Universal Computer Science 1 (1995).

Buildings are full of ties: four edges of a square shrink to nothing at once, and the tip between
two parallel eaves runs infinitely fast. Each corner is therefore moved by a hundred-thousandth of
a foot before the edges set out; what then still falls together is joined, and every node is put
back to where the true eaves' planes meet. Each roof is checked before it is handed out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import FloatArray, IntArray, chunks, expand, lists_of, marked, offsets, sums

__all__ = ["HIP", "RIDGE", "SEAM", "VALLEY", "Skeletons", "straight_skeletons"]

RIDGE, HIP, VALLEY, SEAM = range(4)

# Outlines worked on together: enough to keep numpy busy, few enough to stay in the cache.
_CHUNK = 2048
# How far each try moves the corners, and to what length an edge must have shrunk to be gone.
_TRIES_FT = ((1e-5, 1e-4), (1e-5, 1e-3), (1e-5, 1e-2), (1e-4, 1e-9))
# Nodes at the two ends of a shorter arc are one.
_WELD_FT = 0.01
# A corner nearer to the line between its neighbours is no corner, if it also hardly turns or ends
# an edge that is as short.
_STRAIGHT_FT = 0.02
_STRAIGHT_SINE = 0.002
# Eaves whose directions leave opposite ones by less are parallel as far as the tip between them goes.
_PARALLEL_SINE = 1e-4
# How far a corner may be from the planes of the faces around it.
_OFF_PLANE_FT = 0.02
_LEVEL_FT = 0.05
# Two faces lie in one plane if the directions of their eaves differ by less.
_ONE_PLANE_SINE = 0.01
_AREA_SHARE = 0.001
# Comparing the event times of an outline with more edges than this would take seconds.
_MOST_EDGES = 600
_GOLDEN_ANGLE = np.pi * (3 - 5**0.5)

_ARC_COLUMNS = (
    "arc_section",
    "arc_east0",
    "arc_north0",
    "arc_depth0_ft",
    "arc_east1",
    "arc_north1",
    "arc_depth1_ft",
    "arc_kind",
)

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Skeletons:
    """The roofs of n outlines with one slope from every eave.

    found
        True where there is a sound one, shape (n,).
    face_section
        Owner of each face, ascending, shape (f,).
    face_edge
        The edge each face rises from, the first one where edges in one line share a face, shape (f,).
    face_start
        First corner of each face and the end, shape (f + 1,).
    east, north
        The faces' corners in ground feet, clockwise, the two ends of the eave first, shape (c,).
    depth_ft
        Distance of each corner from the eave's line; times the tangent of the slope its height.
    node
        A number for each corner, the same where faces meet, shape (c,).
    arc_section
        Owner of each arc between two faces, ascending, shape (a,).
    arc_left, arc_right
        The faces beside it, looking from end 0 to end 1.
    arc_east0, arc_north0, arc_depth0_ft, arc_east1, arc_north1, arc_depth1_ft
        Its ends, the lower one first.
    arc_node0, arc_node1
        Their numbers in `node`; the face on the right runs from end 0 to end 1.
    arc_kind
        `RIDGE` (level), `HIP` (water leaves it), `VALLEY` (water runs to it), or `SEAM` where the
        two faces lie in one plane and nothing shows on the roof.
    """

    found: BoolArray
    face_section: IntArray
    face_edge: IntArray
    face_start: IntArray
    east: FloatArray
    north: FloatArray
    depth_ft: FloatArray
    node: IntArray
    arc_section: IntArray
    arc_left: IntArray
    arc_right: IntArray
    arc_east0: FloatArray
    arc_north0: FloatArray
    arc_depth0_ft: FloatArray
    arc_east1: FloatArray
    arc_north1: FloatArray
    arc_depth1_ft: FloatArray
    arc_node0: IntArray
    arc_node1: IntArray
    arc_kind: IntArray


@dataclass(frozen=True, slots=True)
class _Eaves:
    """The edges that set out, sorted by outline; edge k starts at corner k.

    owner, edge
        The outline's place in the batch and the edge's index in `Outlines`, shape (m,).
    following
        Next edge of the same ring, shape (m,).
    east, north
        Its corner, shape (m,).
    along_east, along_north
        Its direction, shape (m,).
    offset
        Right-hand normal times corner, so that normal times point less this is the depth.
    """

    owner: IntArray
    edge: IntArray
    following: IntArray
    east: FloatArray
    north: FloatArray
    along_east: FloatArray
    along_north: FloatArray
    offset: FloatArray

    def depth(self, edge: IntArray, east: FloatArray, north: FloatArray) -> FloatArray:
        """Distance of points from the edges' lines, to the right positive."""
        return self.along_north[edge] * east - self.along_east[edge] * north - self.offset[edge]


@dataclass(frozen=True, slots=True)
class _Tracks:
    """What the moving corners left behind.

    failed
        Outlines whose events came to no end, shape (count,).
    before, after
        The edges a corner ran between, the one that ends and the one that starts there, shape (t,).
    low, high
        The nodes it ran from and to; nodes 0 to m - 1 are the outlines' corners.
    east, north, depth
        The nodes, shape (m + events,).
    """

    failed: BoolArray
    before: IntArray
    after: IntArray
    low: IntArray
    high: IntArray
    east: FloatArray
    north: FloatArray
    depth: FloatArray


def straight_skeletons(outlines: Outlines, wanted: BoolArray) -> Skeletons:
    """Find the straight skeletons of outlines, with courtyards or without.

    Parameters
    ----------
    outlines
        n outlines, m edges.
    wanted
        Which of them to work on, shape (n,).

    Returns
    -------
    Skeletons
        Faces and arcs of those that passed all checks: faces are simple, fill the outline, and
        meet where both their planes are at one height.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from roofplat.framing.outline import outlines_of
    >>> from roofplat.ground import Ground
    >>> foot = 0.3048
    >>> house = shapely.box(5e5, 4e6, 5e5 + 30 * foot, 4e6 + 50 * foot)
    >>> outlines = outlines_of(gpd.GeoSeries([house], crs="EPSG:32613"), Ground(foot))
    >>> roof = straight_skeletons(outlines, np.array([True]))
    >>> (roof.arc_kind == HIP).sum(), (roof.arc_kind == RIDGE).sum()
    (np.int64(4), np.int64(1))
    >>> roof.depth_ft.max().round(1)
    np.float64(15.0)
    """
    left = np.flatnonzero(wanted & (np.diff(outlines.start) >= 3))
    # The first batch is none, so that there is something to join.
    parts = [_batch(outlines, left[:0], *_TRIES_FT[0])]
    for shake_ft, gone_ft in _TRIES_FT:
        again = []
        for some in chunks(left.size, _CHUNK):
            rows = left[some]
            part = _batch(outlines, rows, shake_ft, gone_ft)
            parts.append(part)
            again.append(rows[~part.found[rows]])
        left = np.concatenate([left[:0], *again])
    return _joined(parts)


def _batch(outlines: Outlines, rows: IntArray, shake_ft: float, gone_ft: float) -> Skeletons:
    eaves, sound = _eaves(outlines, rows)
    tracks = _propagate(_shaken(eaves, shake_ft), sound, gone_ft)
    return _roofs(outlines, rows, eaves, tracks)


# The outlines ------------------------------------------------------------------------------------


def _eaves(outlines: Outlines, rows: IntArray) -> tuple[_Eaves, BoolArray]:
    """The edges of some outlines with straight runs made one; and which outlines are still sound."""
    owner, edge = lists_of(rows, outlines.start)
    place = np.zeros(outlines.section.size, dtype=np.int64)
    place[edge] = np.arange(edge.size)
    after = place[outlines.following[edge]]
    before = np.empty_like(after)
    before[after] = np.arange(after.size)
    east, north = outlines.east0[edge], outlines.north0[edge]
    kept = np.ones(edge.size, dtype=bool)
    here = np.arange(edge.size)
    while here.size:
        straight = here[_is_straight(east, north, before[here], here, after[here])]
        # Two neighbours do not go at once: each is straight only as long as the other waits.
        going = np.zeros(edge.size, dtype=bool)
        going[straight] = True
        going[straight[going[before[straight]] & (before[straight] < straight)]] = False
        gone = straight[going[straight] & ~going[before[straight]]]
        kept[gone] = False
        after[before[gone]] = after[gone]
        before[after[gone]] = before[gone]
        # Only a neighbour of one that went can have become straight.
        here = np.unique(np.r_[before[gone], after[gone], straight])
        here = here[kept[here]] if gone.size else here[:0]
    sound = np.bincount(owner[kept], minlength=rows.size) <= _MOST_EDGES
    # A ring of two edges holds no roof.
    sound[owner[kept & (after[after] == np.arange(after.size))]] = False
    sound &= marked(owner[kept], rows.size)
    number = np.cumsum(kept) - 1
    return _with_lines(owner[kept], edge[kept], number[after[kept]], east[kept], north[kept]), sound


def _is_straight(
    east: FloatArray, north: FloatArray, before: IntArray, here: IntArray, after: IntArray
) -> BoolArray:
    """Whether the corners `here` may be left out."""
    in_east, in_north = east[here] - east[before], north[here] - north[before]
    out_east, out_north = east[after] - east[here], north[after] - north[here]
    length_in, length_out = np.hypot(in_east, in_north), np.hypot(out_east, out_north)
    cross = np.abs(in_east * out_north - in_north * out_east)
    chord = np.hypot(in_east + out_east, in_north + out_north)
    ahead = in_east * out_east + in_north * out_north > 0
    even = ahead & (cross <= _STRAIGHT_SINE * length_in * length_out)
    short = np.minimum(length_in, length_out) < _STRAIGHT_FT
    straight: BoolArray = (before != after) & (cross <= _STRAIGHT_FT * chord) & (even | short)
    return straight


def _with_lines(
    owner: IntArray, edge: IntArray, following: IntArray, east: FloatArray, north: FloatArray
) -> _Eaves:
    along_east, along_north = east[following] - east, north[following] - north
    length = np.maximum(np.hypot(along_east, along_north), np.finfo(float).tiny)
    along_east, along_north = along_east / length, along_north / length
    offset = along_north * east - along_east * north
    return _Eaves(owner, edge, following, east, north, along_east, along_north, offset)


def _shaken(eaves: _Eaves, shake_ft: float) -> _Eaves:
    """The eaves with each corner moved a little, always in the same way for the same outline."""
    _, number = expand(np.bincount(eaves.owner))
    angle = number * _GOLDEN_ANGLE
    radius = shake_ft * (0.5 + number * 0.7548776662466927 % 1.0)
    east = eaves.east + radius * np.cos(angle)
    north = eaves.north + radius * np.sin(angle)
    return _with_lines(eaves.owner, eaves.edge, eaves.following, east, north)


# The moving edges --------------------------------------------------------------------------------


class _Front:
    """The moving corners of all outlines of a batch, changed in place event by event.

    Corner k runs between the edges `before[k]` and `after[k]`; the moving edge from it to corner
    `next[k]` lies on the line of `after[k]` and is called edge k too.
    """

    def __init__(self, eaves: _Eaves, sound: BoolArray, gone_ft: float) -> None:
        self.gone_ft = gone_ft
        self.eaves = eaves
        inner = self._inner(eaves)
        count = sound.size
        edges = np.bincount(eaves.owner, minlength=count)
        # Each event but a cut reuses a corner's place; an outline has at most one cut for each inner corner.
        spare = np.bincount(eaves.owner[inner], minlength=count) + 2
        start = offsets(edges + spare)
        self.free = start[:-1] + edges
        self.end = start[1:]
        self.owner = np.repeat(np.arange(count), edges + spare)
        owner, number = expand(edges)
        place = start[owner] + number
        size = self.owner.size
        self.next, self.last, self.before, self.after, self.node = (
            np.zeros(size, dtype=np.int64) for _ in range(5)
        )
        self.east, self.north, self.since, self.run_east, self.run_north = (np.zeros(size) for _ in range(5))
        self.alive, self.inner, self.waits = (np.zeros(size, dtype=bool) for _ in range(3))
        every = np.arange(eaves.owner.size)
        preceding = np.empty_like(every)
        preceding[eaves.following] = every
        self.next[place] = place[eaves.following]
        self.last[place] = place[preceding]
        self.now = np.zeros(count)
        self.node_east, self.node_north = [eaves.east], [eaves.north]
        self.node_depth = [np.zeros(every.size)]
        self.nodes = every.size
        self.tracks: list[tuple[IntArray, IntArray, IntArray, IntArray]] = []
        self.failed = ~sound
        self.start(place, preceding, every, every, eaves.east, eaves.north)
        self.alive[place] = sound[eaves.owner]

    @staticmethod
    def _inner(eaves: _Eaves) -> BoolArray:
        """Edges that start at an inner corner."""
        turn = np.empty(eaves.owner.size)
        following = eaves.following
        turn[following] = (
            eaves.along_east * eaves.along_north[following] - eaves.along_north * eaves.along_east[following]
        )
        inner: BoolArray = turn > 0
        return inner

    def start(
        self,
        place: IntArray,
        before: IntArray,
        after: IntArray,
        node: IntArray,
        east: FloatArray,
        north: FloatArray,
    ) -> None:
        """Let corners set out from nodes, each between two edges."""
        eaves = self.eaves
        east_a, north_a = eaves.along_east[before], eaves.along_north[before]
        east_b, north_b = eaves.along_east[after], eaves.along_north[after]
        dot = east_a * east_b + north_a * north_b
        cross = east_a * north_b - north_a * east_b
        # The velocity has a component of 1 along the normals (north, -east) of both edges. Of the
        # two ways to solve for it, each is exact where the other loses its digits.
        ahead = dot > -0.5
        divisor = np.where(ahead, 1 + dot, np.where(np.abs(cross) < 1e-14, -1e-14, cross))
        run_east = np.where(ahead, north_a + north_b, east_a - east_b) / divisor
        run_north = np.where(ahead, -east_a - east_b, north_a - north_b) / divisor
        # Where joining events has left the tip between two parallel eaves an inner corner by a
        # hair, it would shoot outwards; it waits, and the edges' other ends come to it.
        waits = (dot < 0) & (cross >= 0) & (cross < _PARALLEL_SINE)
        self.run_east[place] = np.where(waits, 0.0, run_east)
        self.run_north[place] = np.where(waits, 0.0, run_north)
        self.inner[place] = (cross > 0) & ~waits
        self.waits[place] = waits
        self.before[place], self.after[place], self.node[place] = before, after, node
        self.east[place], self.north[place] = east, north
        self.since[place] = self.now[self.owner[place]]
        self.alive[place] = True

    def at(self, place: IntArray, time: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where corners are at some time."""
        for_ft = time - self.since[place]
        return (
            self.east[place] + self.run_east[place] * for_ft,
            self.north[place] + self.run_north[place] * for_ft,
        )

    def new_nodes(self, east: FloatArray, north: FloatArray, depth: FloatArray) -> IntArray:
        self.node_east.append(east)
        self.node_north.append(north)
        self.node_depth.append(depth)
        self.nodes += east.size
        return np.arange(self.nodes - east.size, self.nodes)

    def arrive(self, place: IntArray, node: IntArray) -> None:
        """Note the tracks of corners that end at nodes."""
        self.tracks.append((self.before[place], self.after[place], self.node[place], node))
        self.alive[place] = False

    def fail(self, owner: IntArray) -> None:
        self.failed[owner] = True
        self.alive[self.failed[self.owner]] = False

    def shrunk(self, live: IntArray, now: FloatArray) -> FloatArray:
        """When each moving edge has shrunk to nothing, infinity for one that grows."""
        end, line = self.next[live], self.after[live]
        along_east, along_north = self.eaves.along_east[line], self.eaves.along_north[line]
        east, north = self.at(live, now)
        end_east, end_north = self.at(end, now)
        length = (end_east - east) * along_east + (end_north - north) * along_north
        growth = (self.run_east[end] - self.run_east[live]) * along_east + (
            self.run_north[end] - self.run_north[live]
        ) * along_north
        time = np.full(live.size, np.inf)
        shrinks = growth < 0
        time[shrinks] = now[shrinks] - length[shrinks] / growth[shrinks]
        return np.where(length <= self.gone_ft, now, time)

    def cuts(self, live: IntArray, first: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Inner corners that run into an edge before the outline's first edge has shrunk."""
        owner = self.owner[live]
        corner = live[self.inner[live]]
        item, entry = lists_of(self.owner[corner], offsets(np.bincount(owner, minlength=self.failed.size)))
        corner, edge = corner[item], live[entry]
        line = self.after[edge]
        along_east, along_north = self.eaves.along_east[line], self.eaves.along_north[line]
        # Depth of the corner over the line, less the time: how far the edge has still to come.
        closing = 1 - (self.run_east[corner] * along_north - self.run_north[corner] * along_east)
        gap = (
            self.east[corner] * along_north
            - self.north[corner] * along_east
            - self.eaves.offset[line]
            - self.since[corner]
        )
        near = closing > 1e-12
        limit = first[self.owner[corner]]
        time = self.since[corner] + np.divide(gap, closing, out=np.full(gap.size, np.inf), where=near)
        now = self.now[self.owner[corner]]
        hits = np.flatnonzero((time < limit) & (time >= now - self.gone_ft))
        corner, edge, time = corner[hits], edge[hits], np.maximum(time[hits], now[hits])
        along_east, along_north = along_east[hits], along_north[hits]
        # The edges beside a corner never meet it, and those beside them only where one shrinks,
        # or where the tip between two parallel eaves waits.
        last, following = self.last[corner], self.next[corner]
        beside = (edge == corner) | (edge == last)
        beside |= ((edge == following) & ~self.waits[following]) | (
            (edge == self.last[last]) & ~self.waits[last]
        )
        east, north = self.at(corner, time)
        east0, north0 = self.at(edge, time)
        east1, north1 = self.at(self.next[edge], time)
        ahead = (east1 - east) * along_east + (north1 - north) * along_north
        behind = (east - east0) * along_east + (north - north0) * along_north
        # Nor does one that has just set out meet an edge that set out from the same place.
        end = np.where(ahead < behind, self.next[edge], edge)
        young = time - np.minimum(self.since[corner], self.since[end]) < self.gone_ft
        beside |= young & (np.minimum(ahead, behind) < 10 * self.gone_ft)
        inside = np.flatnonzero(~beside & (ahead > -self.gone_ft / 2) & (behind > -self.gone_ft / 2))
        return corner[inside], edge[inside], time[inside]

    def collapse(self, edge: IntArray, time: FloatArray) -> None:
        """Take out edges that have shrunk to nothing."""
        end = self.next[edge]
        east, north = self.at(edge, time)
        end_east, end_north = self.at(end, time)
        east, north = (east + end_east) / 2, (north + end_north) / 2
        node = self.new_nodes(east, north, time)
        last, following = self.last[edge], self.next[end]
        before, after = self.before[edge], self.after[end]
        self.arrive(edge, node)
        self.arrive(end, node)
        self.start(edge, before, after, node, east, north)
        self.next[last], self.last[following] = edge, edge
        self.next[edge], self.last[edge] = following, last
        self.close(edge, time)

    def close(self, tip: IntArray, time: FloatArray) -> None:
        """End loops of two edges: they lie on each other, from a corner to the other one."""
        done = self.next[self.next[tip]] == tip
        tip, time = tip[done], time[done]
        other = self.next[tip]
        far = self.new_nodes(*self.at(other, time), time)
        self.arrive(other, far)
        self.arrive(tip, far)

    def cut(self, corner: IntArray, edge: IntArray, time: FloatArray) -> None:
        """Cut edges in two where inner corners run into them."""
        owner = self.owner[corner]
        full = self.free[owner] >= self.end[owner]
        if full.any():
            self.fail(owner[full])
            corner, edge, time, owner = corner[~full], edge[~full], time[~full], owner[~full]
        east, north = self.at(corner, time)
        node = self.new_nodes(east, north, time)
        following, end = self.next[corner], self.next[edge]
        before, line, after = self.before[corner], self.after[edge], self.after[corner]
        second = self.free[owner]
        self.free[owner] += 1
        self.arrive(corner, node)
        self.start(corner, before, line, node, east, north)
        self.start(second, line, after, node, east, north)
        self.next[corner], self.last[end] = end, corner
        self.next[second], self.last[second] = following, edge
        self.next[edge], self.last[following] = second, second
        self.close(corner, time)
        self.close(second, time)


def _propagate(eaves: _Eaves, sound: BoolArray, gone_ft: float) -> _Tracks:
    """Move all edges inwards until nothing is left."""
    front = _Front(eaves, sound, gone_ft)
    count = sound.size
    most = 2 * np.bincount(eaves.owner, minlength=count).max(initial=0) + 10
    live = np.flatnonzero(front.alive)
    for _ in range(most):
        if live.size == 0:
            break
        owner = front.owner[live]
        starts = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
        which = owner[starts]
        shrunk = front.shrunk(live, front.now[owner])
        first = np.full(count, np.inf)
        first[which] = np.minimum.reduceat(shrunk, starts)
        corner, edge, time = front.cuts(live, first)
        # Each outline's earliest cut: written from the latest to the earliest.
        order = np.argsort(-time, kind="stable")
        cut = np.full(count, -1)
        cut[front.owner[corner[order]]] = order
        cut = cut[cut >= 0]
        cutting = front.owner[corner[cut]]
        front.now[which] = first[which]
        front.now[cutting] = time[cut]
        first[cutting] = -1.0
        # The first of the edges that shrink to nothing at that time.
        goes = np.flatnonzero(shrunk == first[owner])
        goes = goes[np.isfinite(shrunk[goes])]
        goes = goes[np.r_[True, owner[goes][1:] != owner[goes][:-1]]] if goes.size else goes
        stuck = which[np.isinf(first[which])]
        if stuck.size:
            front.now[stuck] = 0.0
            front.fail(stuck)
        front.collapse(live[goes], shrunk[goes])
        if cut.size:
            front.cut(corner[cut], edge[cut], time[cut])
        live = np.flatnonzero(front.alive)
    front.failed[front.owner[live]] = True
    before, after, low, high = (
        np.concatenate(list(column)) if column else np.empty(0, np.int64)
        for column in (zip(*front.tracks, strict=True) if front.tracks else [()] * 4)
    )
    return _Tracks(
        failed=front.failed,
        before=before,
        after=after,
        low=low,
        high=high,
        east=np.concatenate(front.node_east),
        north=np.concatenate(front.node_north),
        depth=np.concatenate(front.node_depth),
    )


# The faces ---------------------------------------------------------------------------------------


def _roofs(outlines: Outlines, rows: IntArray, eaves: _Eaves, tracks: _Tracks) -> Skeletons:
    """Put tracks together to faces, join what falls together, check."""
    failed = tracks.failed.copy()
    face, node = _walk(eaves, tracks, failed)
    node = _weld(eaves, tracks)[node]
    face, node = _without_links(eaves, *_without_repeats(face, node))
    east, north, depth = _nodes(eaves, tracks, face, node)
    _check(outlines, rows, eaves, face, east[node], north[node], depth[node], failed)

    good = ~failed[eaves.owner[face]]
    face, node = face[good], node[good]
    left, right, low, high = _arcs(eaves, face, node, failed)
    good = ~failed[eaves.owner[face]]
    face, node = face[good], node[good]
    good = ~failed[eaves.owner[left]]
    left, right, low, high = left[good], right[good], low[good], high[good]
    whole = np.flatnonzero(~failed[eaves.owner])
    number = np.cumsum(~failed[eaves.owner]) - 1
    swap = depth[low] > depth[high]
    left, right = np.where(swap, right, left), np.where(swap, left, right)
    low, high = np.where(swap, high, low), np.where(swap, low, high)
    order = np.argsort(eaves.owner[left], kind="stable")
    left, right, low, high = left[order], right[order], low[order], high[order]
    found = np.zeros(outlines.count, dtype=bool)
    found[rows[~failed]] = True
    return Skeletons(
        found=found,
        face_section=rows[eaves.owner[whole]],
        face_edge=eaves.edge[whole],
        face_start=offsets(np.bincount(number[face], minlength=whole.size)),
        east=east[node],
        north=north[node],
        depth_ft=depth[node],
        node=node,
        arc_section=rows[eaves.owner[left]],
        arc_left=number[left],
        arc_right=number[right],
        arc_east0=east[low],
        arc_north0=north[low],
        arc_depth0_ft=depth[low],
        arc_east1=east[high],
        arc_north1=north[high],
        arc_depth1_ft=depth[high],
        arc_node0=low,
        arc_node1=high,
        arc_kind=_kinds(eaves, left, right, depth[high] - depth[low]),
    )


def _walk(eaves: _Eaves, tracks: _Tracks, failed: BoolArray) -> tuple[IntArray, IntArray]:
    """The nodes around each face, clockwise from the start of its eave; marks what does not close.

    A track is walked up by the face whose eave ends at its corner, and down by the one whose eave
    starts there.
    """
    every = np.arange(eaves.owner.size)
    face = np.concatenate([every, tracks.before, tracks.after])
    start = np.concatenate([every, tracks.low, tracks.high])
    end = np.concatenate([eaves.following, tracks.high, tracks.low])
    key = face * tracks.east.size + start
    order = np.argsort(key)
    key = key[order]
    place = np.minimum(np.searchsorted(key, face * tracks.east.size + end), key.size - 1)
    onward = order[place]
    dead = (face[onward] != face) | (start[onward] != end)
    failed[eaves.owner[face[dead]]] = True
    here = every[~failed[eaves.owner]]
    steps = []
    # A face has at most as many corners as there are tracks beside it.
    for _ in range(int(np.bincount(face).max(initial=0))):
        if here.size == 0:
            break
        steps.append(here)
        here = onward[here]
        here = here[here >= every.size]
    failed[eaves.owner[face[here]]] = True
    walked = np.concatenate(steps) if steps else np.empty(0, np.int64)
    walked = walked[~failed[eaves.owner[face[walked]]]]
    # Steps come in rounds; a stable sort by face keeps their order.
    walked = walked[np.argsort(face[walked], kind="stable")]
    return face[walked], start[walked]


def _weld(eaves: _Eaves, tracks: _Tracks) -> IntArray:
    """A name for each node, the same for nodes that short tracks link; corners keep their own."""
    low, high = tracks.low, tracks.high
    length = np.hypot(tracks.east[low] - tracks.east[high], tracks.north[low] - tracks.north[high])
    short = (length < _WELD_FT) & (low >= eaves.owner.size)
    low, high = low[short], high[short]
    count = tracks.east.size
    links = coo_array((np.ones(low.size, dtype=np.int8), (low, high)), shape=(count, count))
    _, label = connected_components(links, directed=False)
    # The smallest node of each group names it.
    name = np.empty(count, dtype=np.int64)
    name[label[::-1]] = np.arange(count)[::-1]
    return name[label]


def _without_repeats(face: IntArray, node: IntArray) -> tuple[IntArray, IntArray]:
    """Faces without corners that repeat the one before, and without spikes out and back."""
    while True:
        last, following = _neighbours(face)
        twice = node == node[last]
        spike = ~twice & (node[last] == node[following]) & ~twice[following]
        # A spike's tip goes first; its two sides then repeat each other.
        gone = twice | spike
        if not gone.any():
            return face, node
        face, node = face[~gone], node[~gone]


def _without_links(eaves: _Eaves, face: IntArray, node: IntArray) -> tuple[IntArray, IntArray]:
    """Faces without nodes that only two faces share: they lie within a straight arc."""
    faces = np.bincount(node, minlength=1)
    # Where the two faces lie in one plane the arc need not be straight, and its bends stay.
    normals_east = np.bincount(node, weights=eaves.along_east[face], minlength=1)
    normals_north = np.bincount(node, weights=eaves.along_north[face], minlength=1)
    one_plane = np.hypot(normals_east, normals_north) > 2 * np.sqrt(1 - _ONE_PLANE_SINE**2 / 4)
    link = (faces == 2) & ~one_plane
    # A corner of the outline has two faces as well, and is none.
    link[: eaves.owner.size] = False
    kept = ~link[node]
    return face[kept], node[kept]


def _neighbours(face: IntArray) -> tuple[IntArray, IntArray]:
    """Corner before and corner after each corner of the same face."""
    every = np.arange(face.size)
    if face.size == 0:
        return every, every
    starts = np.flatnonzero(np.r_[True, face[1:] != face[:-1]])
    ends = np.r_[starts[1:], face.size] - 1
    last, following = every - 1, every + 1
    last[starts] = ends
    following[ends] = starts
    return last, following


def _nodes(
    eaves: _Eaves, tracks: _Tracks, face: IntArray, node: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes where the true planes of the faces around them meet: least squares in east, north, depth.

    A faint pull to where the events put the node decides what the planes leave open.
    """
    count, corners = tracks.east.size, eaves.owner.size
    east, north, depth = tracks.east.copy(), tracks.north.copy(), tracks.depth.copy()
    east[:corners], north[:corners] = eaves.east, eaves.north
    inside = np.flatnonzero(node >= corners)
    face, node = face[inside], node[inside]
    a, b = eaves.along_north[face], -eaves.along_east[face]
    off = eaves.depth(face, east[node], north[node]) - depth[node]

    def total(values: FloatArray) -> FloatArray:
        return sums(values, node, count)

    pull = 1e-7
    # The normal equations of a x + b y - z = -off, by Cramer's rule.
    aa, ab, bb = total(a * a) + pull, total(a * b), total(b * b) + pull
    az, bz, zz = -total(a), -total(b), np.bincount(node, minlength=count) + pull
    ra, rb, rz = -total(a * off), -total(b * off), total(off)
    minor_a, minor_b, minor_z = bb * zz - bz * bz, ab * zz - bz * az, ab * bz - bb * az
    determinant = aa * minor_a - ab * minor_b + az * minor_z
    x = (ra * minor_a - ab * (rb * zz - bz * rz) + az * (rb * bz - bb * rz)) / determinant
    y = (aa * (rb * zz - bz * rz) - ra * minor_b + az * (ab * rz - rb * az)) / determinant
    z = (aa * (bb * rz - rb * bz) - ab * (ab * rz - rb * az) + ra * minor_z) / determinant
    x[:corners], y[:corners], z[:corners] = 0.0, 0.0, 0.0
    return east + x, north + y, depth + z


def _arcs(
    eaves: _Eaves, face: IntArray, node: IntArray, failed: BoolArray
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Each side that two faces share: left and right face, low and high node; marks what has one face."""
    _, following = _neighbours(face)
    first = np.r_[True, face[1:] != face[:-1]] if face.size else np.zeros(0, dtype=bool)
    side = np.flatnonzero(~first)
    face, start, end = face[side], node[side], node[following[side]]
    size = int(node.max(initial=0)) + 1
    key = start * size + end
    order = np.argsort(key)
    other = np.argsort(end * size + start)
    alone = key[order] != (end * size + start)[other]
    if alone.any():
        failed[eaves.owner[face[order[alone]]]] = True
        failed[eaves.owner[face[other[alone]]]] = True
    once = start[order] < end[order]
    right, left = order[once], other[once]
    return face[left], face[right], start[right], end[right]


def _kinds(eaves: _Eaves, left: IntArray, right: IntArray, rise: FloatArray) -> IntArray:
    """Ridge, hip, valley or seam of each arc."""
    # Looking up the arc, the eave on the right ends where the one on the left starts.
    cross = (
        eaves.along_east[right] * eaves.along_north[left] - eaves.along_north[right] * eaves.along_east[left]
    )
    dot = (
        eaves.along_east[right] * eaves.along_east[left] + eaves.along_north[right] * eaves.along_north[left]
    )
    kind = np.where(cross > 0, VALLEY, HIP)
    # Between walls square to each other nothing is level; what is an inch long there only looks so.
    kind = np.where((np.abs(rise) <= _LEVEL_FT) & (dot < -_ONE_PLANE_SINE), RIDGE, kind)
    return np.where((np.abs(cross) < _ONE_PLANE_SINE) & (dot > 0), SEAM, kind).astype(np.int64)


def _check(
    outlines: Outlines,
    rows: IntArray,
    eaves: _Eaves,
    face: IntArray,
    east: FloatArray,
    north: FloatArray,
    depth: FloatArray,
    failed: BoolArray,
) -> None:
    """Mark outlines whose faces are not simple, leave their planes, or do not fill the outline.

    Faces that share every side but their eaves, run clockwise and are simple cover each point
    inside once and none outside.
    """
    owner = eaves.owner
    count = np.bincount(face, minlength=owner.size)
    failed[owner[count < 3]] = True
    if face.size == 0:
        return
    off = eaves.depth(face, east, north)
    wrong = (np.abs(off - depth) > _OFF_PLANE_FT) | (off < -_OFF_PLANE_FT) | ~np.isfinite(off)
    failed[owner[face[wrong]]] = True
    _, following = _neighbours(face)
    start = offsets(count)[face]
    # Twice the areas of the triangles from the eave's start to each side.
    fan = (east[following] - east[start]) * (north - north[start]) - (east - east[start]) * (
        north[following] - north[start]
    )
    area = sums(fan, face, owner.size) / 2
    failed[owner[~(area > 0)]] = True
    # Seen from the eave's start, corners in order of their bearings make a simple face.
    apart = (np.arange(face.size) != start) & (following != start)
    folded = marked(face[apart & ~(fan > 0)], owner.size) & ~failed[owner]
    doubtful = np.flatnonzero(folded)
    if doubtful.size:
        item, entry = lists_of(doubtful, offsets(count))
        rings = shapely.linearrings(np.stack([east[entry], north[entry]], axis=1), indices=item)
        failed[owner[doubtful[~shapely.is_valid(shapely.polygons(rings))]]] = True
    edges = outlines.section
    want = (
        np.bincount(
            edges,
            weights=outlines.east1 * outlines.north0 - outlines.east0 * outlines.north1,
            minlength=outlines.count,
        )[rows]
        / 2
    )
    got = sums(area, owner, rows.size)
    failed[~(np.abs(got - want) <= _AREA_SHARE * want)] = True


def _joined(parts: Sequence[Skeletons]) -> Skeletons:
    """Batches as one, sorted by outline."""

    def column(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in parts])

    corners = np.concatenate([np.diff(part.face_start) for part in parts])
    faces = np.array([part.face_section.size for part in parts], dtype=np.int64)
    arcs = [part.arc_section.size for part in parts]
    base = np.repeat(offsets(faces)[:-1], arcs)
    # Nodes are numbered by batch.
    nodes = offsets(np.array([part.node.max(initial=-1) + 1 for part in parts], dtype=np.int64))[:-1]
    of_corner = column("node") + np.repeat(nodes, [part.node.size for part in parts])
    of_arc = np.repeat(nodes, arcs)
    by_face = np.argsort(column("face_section"), kind="stable")
    by_arc = np.argsort(column("arc_section"), kind="stable")
    place = np.empty_like(by_face)
    place[by_face] = np.arange(by_face.size)
    _, by_corner = lists_of(by_face, offsets(corners))
    return Skeletons(
        found=np.any([part.found for part in parts], axis=0),
        face_section=column("face_section")[by_face],
        face_edge=column("face_edge")[by_face],
        face_start=offsets(corners[by_face]),
        arc_left=place[(column("arc_left") + base)[by_arc]],
        arc_right=place[(column("arc_right") + base)[by_arc]],
        node=of_corner[by_corner],
        arc_node0=(column("arc_node0") + of_arc)[by_arc],
        arc_node1=(column("arc_node1") + of_arc)[by_arc],
        **{name: column(name)[by_corner] for name in ("east", "north", "depth_ft")},
        **{name: column(name)[by_arc] for name in _ARC_COLUMNS},
    )
