"""Paths of travel on pitched roofs: along eaves, rafters, ridges, hips and valleys.

In: walls, roof lines and planes of a chunk of sections, ladder tips, the first bay of each.
Out: `Ways` from each ladder tip to the ridge at the first bay; lengths along the slope.

From each tip a member leads up the plane it stands under, two bound the first bay from the ridge
down to the eave, and where valleys meet below a ridge one leads on up to it; with the walls and the
roof lines they are all the lines that enter the graph. Where two lines touch, they meet.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix

from roofplat.fast import compiled
from roofplat.framing.members import Grid, SectionFrames, scan
from roofplat.framing.order import by_owner, stable_order
from roofplat.framing.planes import ROOF_LINES, RoofLines
from roofplat.framing.ragged import FloatArray, IntArray, lists_of, offsets, stack, take
from roofplat.framing.walls import Walls
from roofplat.placing.loops import meet_nodes
from roofplat.placing.paths import TIE, Ways, blocked, cheapest, no_ways, trace
from roofplat.placing.scene import Boxes
from roofplat.placing.slopes import SlopeBays
from roofplat.rules import Rulebook

__all__ = ["find_slope_ways", "planes_under"]

# Lines that come this close meet there: outlines are simplified by more, but ends are computed.
_MEET_FT = 0.05
# A wall that looks this little off the way down is a low one, not a side.
_DOWN_DEG = 45.0


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines a crew can walk, in section coordinates, with the heights of their ends."""

    section: IntArray
    u0: FloatArray
    v0: FloatArray
    height0: FloatArray
    u1: FloatArray
    v1: FloatArray
    height1: FloatArray
    cost: FloatArray
    target: npt.NDArray[np.bool_]


def find_slope_ways(
    frames: SectionFrames,
    walls: Walls,
    lines: RoofLines,
    slopes: SlopeBays,
    obstacles: Boxes,
    tip_section: IntArray,
    tip_plane: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    rules: Rulebook,
    *,
    rise: FloatArray,
    first: IntArray,
) -> Ways:
    """Find the cheapest way from each tip to its section's first bay, up on the ridge.

    Parameters
    ----------
    frames, walls
        n sections and their walls.
    lines
        Their ridges, hips and valleys.
    slopes
        Their p planes and bays.
    obstacles
        Boxes that no path crosses, without clearance.
    tip_section, tip_plane, tip_u, tip_v
        k ladder tips, ascending by section, and the plane that rises from each, from `planes_under`.
    rules
        `path.cost.eave`, `.ridge` and `.slope`, `obstacle.path_clear_ft`.
    rise
        Tangent of the slope of each plane, shape (p,).
    first
        First bay of each section, -1 where none is opened, shape (n,).

    Returns
    -------
    Ways
        Points as seen from above, lengths along the slope.
    """
    count = frames.count
    active = first >= 0
    wanted = np.flatnonzero(active[tip_section])
    if not wanted.size:
        return no_ways(tip_section.size)
    eave_cost, ridge_cost, slope_cost = (
        rules.number(f"path.cost.{line}") for line in ("eave", "ridge", "slope")
    )
    parts = [
        _wall_lines(frames, walls, slopes, rise, active, eave_cost),
        _roof_lines(frames, lines, active, ridge_cost, slope_cost),
        _valley_lines(frames, lines, slopes, rise, active, first[active], slope_cost),
        _bay_lines(frames, slopes, rise, first, slope_cost),
    ]
    # At most one tip of a plane at a time: two ladders may stand at the low walls of one.
    again = _seen_before(tip_plane[wanted])
    parts += [
        _tip_lines(
            frames, slopes, rise, tip_plane, tip_section, tip_u, tip_v, tips, first[active], slope_cost
        )
        for tips in (wanted[~again], wanted[again])
    ]
    joined = stack(parts)
    joined = take(joined, stable_order(joined.section))

    # Nodes: the ends of all lines, and the tips.
    ends = joined.section.size
    u = np.concatenate([joined.u0, joined.u1, tip_u[wanted]])
    v = np.concatenate([joined.v0, joined.v1, tip_v[wanted]])
    section = np.concatenate([joined.section, joined.section, tip_section[wanted]])
    length = np.hypot(joined.u1 - joined.u0, joined.v1 - joined.v0)
    node, line, at = _meetings(joined, length, u, v, tip_section[wanted], count)
    # A tip's height is that of the line it stands on, the last of them; a node's own is that of its end.
    height = np.concatenate([joined.height0, joined.height1, np.zeros(wanted.size)])
    of_tip = np.flatnonzero(node >= 2 * ends)
    under = line[of_tip]
    share = np.clip(at[of_tip] / length[under], 0.0, 1.0)
    height[node[of_tip]] = joined.height0[under] + share * (joined.height1 - joined.height0)[under]

    same = np.flatnonzero(line[1:] == line[:-1])
    tail, head, line = node[same], node[same + 1], line[same]
    clear = obstacles.grown(rules.number("obstacle.path_clear_ft"))
    clear = take(clear, active[clear.section])
    free = np.flatnonzero(~blocked(u, v, section, tail, head, clear, count))
    tail, head, line = tail[free], head[free], line[free]
    u_tail, v_tail, u_head, v_head = u[tail], v[tail], u[head], v[head]
    level = np.hypot(u_tail - u_head, v_tail - v_head)
    along = np.hypot(level, height[tail] - height[head])
    tie = TIE * (u_tail + u_head + 0.1 * (v_tail + v_head))
    weight = along * (joined.cost[line] + tie) + 1e-9
    # Two lines can join the same nodes, as a hip and a member do; the cheaper one counts.
    key = np.minimum(tail, head) * u.size + np.maximum(tail, head)
    order = np.argsort(key)
    key = key[order]
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]]) if key.size else order
    tail, head = np.divmod(key[first], u.size)
    weight = np.minimum.reduceat(weight[order], first) if key.size else weight
    both = (np.concatenate([tail, head]), np.concatenate([head, tail]))
    entries = coo_matrix((np.concatenate([weight, weight]), both), shape=(u.size, u.size))
    # No two entries share a place, so there is nothing to add up.
    entries.has_canonical_format = True
    graph = entries.tocsr()
    # Of the members beside a bay the upper end is the target.
    sources = np.flatnonzero(joined.target)
    if not sources.size:
        return no_ways(tip_section.size)
    distance, before = cheapest(graph, sources, section)
    foot = 2 * ends + np.arange(wanted.size)
    gap_ft = np.zeros(wanted.size)
    return trace(u, v, distance, before, foot, wanted, gap_ft, tip_u, tip_v, tip_section.size, height)


def _meetings(
    lines: _Lines, length: FloatArray, u: FloatArray, v: FloatArray, tip_section: IntArray, count: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Nodes on each line of their section, line after line, in the order in which the line passes them.

    Parameters
    ----------
    lines, length
        Lines, ascending by section, and their lengths.
    u, v
        Nodes: the starts of the lines, their ends, then the tips.
    tip_section, count
        Section of each tip, ascending, and the number of sections.

    Returns
    -------
    node, line, at
        How far from the line's start each lies.
    """
    ends = lines.section.size
    loop = compiled(meet_nodes)
    if loop is not None:
        first = offsets(np.bincount(lines.section, minlength=count))
        tip_start = offsets(np.bincount(tip_section, minlength=count))
        tip_u, tip_v = u[2 * ends :], v[2 * ends :]
        return loop(first, lines.u0, lines.v0, lines.u1, lines.v1, length, tip_start, tip_u, tip_v, _MEET_FT)
    node, line = _close_pairs(lines, length, u, v, tip_section, count)
    du, dv = lines.u1 - lines.u0, lines.v1 - lines.v0
    du, dv, length_ft = du[line], dv[line], length[line]
    off_u, off_v = u[node] - lines.u0[line], v[node] - lines.v0[line]
    at = (off_u * du + off_v * dv) / length_ft
    gap = np.abs(off_u * dv - off_v * du) / length_ft
    on = np.flatnonzero((gap <= _MEET_FT) & (at >= -_MEET_FT) & (at <= length_ft + _MEET_FT))
    node, line, at = node[on], line[on], at[on]
    order = by_owner(line, at, ends)
    return node[order], line[order], at[order]


def _close_pairs(
    lines: _Lines, length: FloatArray, u: FloatArray, v: FloatArray, tip_section: IntArray, count: int
) -> tuple[IntArray, IntArray]:
    """Nodes and the lines of their section that they may lie on; those that do are all among them.

    Sections of as many lines are looked at as one block, every node with every line: the distance times the
    length of the line is then a product of matrices.
    """
    number = np.bincount(lines.section, minlength=count)
    first = offsets(number)
    du, dv = lines.u1 - lines.u0, lines.v1 - lines.v0
    across = np.stack([dv, -du, du * lines.v0 - dv * lines.u0], axis=1)
    # Somewhat more than what is asked for, because of the last bits.
    within = length * (_MEET_FT * 1.001)
    ends = lines.section.size
    # At most two tips a section, one after the other; where there is none, a node far away.
    tip = np.full((count, 2), 2 * ends + tip_section.size)
    again = np.r_[False, tip_section[1:] == tip_section[:-1]]
    tip[tip_section, again.astype(np.int64)] = 2 * ends + np.arange(tip_section.size)
    place = np.ones((u.size + 1, 3))
    place[:-1, 0], place[:-1, 1], place[-1, :2] = u, v, np.nan
    nodes, found = [], []
    for size in np.unique(number[number > 0]):
        section = np.flatnonzero(number == size)
        line = first[section][:, None] + np.arange(size)
        node = np.concatenate([line, ends + line, tip[section]], axis=1)
        gap = np.abs(np.matmul(across[line], place[node].transpose(0, 2, 1)))
        near = np.flatnonzero(gap <= within[line][:, :, None])
        line_at, node_at = np.divmod(near, node.shape[1])
        found.append(line.ravel()[line_at])
        nodes.append(node[line_at // size, node_at])
    return np.concatenate(nodes), np.concatenate(found)


def _wall_lines(
    frames: SectionFrames,
    walls: Walls,
    slopes: SlopeBays,
    rise: FloatArray,
    active: npt.NDArray[np.bool_],
    cost: float,
) -> _Lines:
    rows = np.flatnonzero(active[walls.section])
    section = walls.section[rows]
    u0, v0 = frames.uv(walls.east0[rows], walls.north0[rows], section)
    u1, v1 = frames.uv(walls.east1[rows], walls.north1[rows], section)
    # Over walls of a roof of one plane the edge climbs; elsewhere corners stand at the eaves.
    plane = _only_planes(slopes.plane_section, frames.count)[section]
    has = plane >= 0
    heights = []
    for east, north in ((walls.east0, walls.north0), (walls.east1, walls.north1)):
        height = np.zeros(rows.size)
        on = plane[has]
        height[has] = _height(slopes, rise, on, slopes.frames.uv(east[rows][has], north[rows][has], on)[0])
        heights.append(height)
    no = np.zeros(rows.size, dtype=bool)
    return _Lines(section, u0, v0, heights[0], u1, v1, heights[1], np.full(rows.size, cost), no)


def _roof_lines(
    frames: SectionFrames,
    lines: RoofLines,
    active: npt.NDArray[np.bool_],
    ridge_cost: float,
    slope_cost: float,
) -> _Lines:
    rows = np.flatnonzero(active[lines.section])
    cost = np.where(lines.kind[rows] == ROOF_LINES.index("ridge"), ridge_cost, slope_cost)
    section = lines.section[rows]
    u0, v0 = frames.uv(lines.east0[rows], lines.north0[rows], section)
    u1, v1 = frames.uv(lines.east1[rows], lines.north1[rows], section)
    no = np.zeros(rows.size, dtype=bool)
    return _Lines(section, u0, v0, lines.height0_ft[rows], u1, v1, lines.height1_ft[rows], cost, no)


def _valley_lines(
    frames: SectionFrames,
    lines: RoofLines,
    slopes: SlopeBays,
    rise: FloatArray,
    active: npt.NDArray[np.bool_],
    opened: IntArray,
    cost: float,
) -> _Lines:
    """The member up from the top of each valley, where that lies below the top of a plane beside it."""
    planes = slopes.frames
    valley = np.flatnonzero(active[lines.section] & (lines.kind == ROOF_LINES.index("valley")))
    top = np.concatenate([valley, valley])
    plane = np.concatenate([lines.plane_left[valley], lines.plane_right[valley]])
    u, v = planes.uv(lines.east1[top], lines.north1[top], plane)
    # Up the slope the plane ends at the nearest edge; from a place on it there is an odd number of them.
    end, edge = lists_of(plane, planes.outlines.start)
    u0, v0, u1, v1 = planes.u0[edge], planes.v0[edge], planes.u1[edge], planes.v1[edge]
    level = v0 == v1
    at = u0 + (v[end] - v0) / np.where(level, 1.0, v1 - v0) * (u1 - u0)
    above = ~level & ((v0 <= v[end]) != (v1 <= v[end])) & (at < u[end] - _MEET_FT)
    crossed = np.bincount(end[above], minlength=top.size)
    upper = np.full(top.size, -np.inf)
    np.maximum.at(upper, end[above], at[above])
    on = np.flatnonzero((crossed % 2 == 1) & ~_through(slopes, opened, plane, v))
    return _on_planes(frames, slopes, rise, plane[on], v[on], upper[on], u[on], cost, target=False)


def _bay_lines(
    frames: SectionFrames, slopes: SlopeBays, rise: FloatArray, first: IntArray, cost: float
) -> _Lines:
    """The members beside each first bay; their upper ends at the bay are where the ways lead."""
    planes, bays = slopes.frames, slopes.bays
    bay = first[first >= 0]
    plane = bays.section[bay]
    grid_first, spacing = np.zeros(planes.count), np.ones(planes.count)
    number = np.zeros(planes.count, dtype=np.int64)
    grid_first[plane], spacing[plane], number[plane] = bays.v_low[bay], bays.v_high[bay] - bays.v_low[bay], 2
    top, bottom = np.full(planes.count, np.nan), np.full(planes.count, np.nan)
    top[plane], bottom[plane] = bays.u_low[bay], bays.u_high[bay]
    runs = scan(planes, Grid(grid_first, spacing, number), "u")
    on = runs.section
    # The piece beside the bay, where a plane that is not convex has several.
    beside = (runs.low < bottom[on]) & (runs.high > top[on])
    runs = take(runs, beside)
    return _on_planes(
        frames, slopes, rise, runs.section, runs.position, runs.low, runs.high, cost, target=True
    )


def _tip_lines(
    frames: SectionFrames,
    slopes: SlopeBays,
    rise: FloatArray,
    tip_plane: IntArray,
    tip_section: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    wanted: IntArray,
    opened: IntArray,
    cost: float,
) -> _Lines:
    """The member up from each tip that stands under an eave, no two of them of one plane."""
    planes = slopes.frames
    tip = wanted[tip_plane[wanted] >= 0]
    plane = tip_plane[tip]
    east, north = frames.east_north(tip_u[tip], tip_v[tip], tip_section[tip])
    u, v = planes.uv(east, north, plane)
    first, number = np.zeros(planes.count), np.zeros(planes.count, dtype=np.int64)
    eave = np.full(planes.count, np.nan)
    first[plane], number[plane], eave[plane] = v, 1, u
    runs = scan(planes, Grid(first, np.ones(planes.count), number), "u")
    at_eave = np.abs(runs.high - eave[runs.section]) <= _MEET_FT * 2
    runs = take(runs, at_eave & ~_through(slopes, opened, runs.section, runs.position))
    return _on_planes(
        frames, slopes, rise, runs.section, runs.position, runs.low, runs.high, cost, target=False
    )


def _through(slopes: SlopeBays, opened: IntArray, plane: IntArray, v: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether lines down planes, shape (k,), lead through the first bay: no way leads through its opening."""
    bay = np.full(slopes.frames.count, -1, dtype=np.int64)
    bay[slopes.bays.section[opened]] = opened
    first = bay[plane]
    result: npt.NDArray[np.bool_] = (
        (first >= 0) & (v > slopes.bays.v_low[first]) & (v < slopes.bays.v_high[first])
    )
    return result


def planes_under(
    walls: Walls,
    plane_section: IntArray,
    plane_wall: IntArray,
    downslope_deg: FloatArray,
    tip_section: IntArray,
    tip_wall: IntArray,
) -> IntArray:
    """The plane that rises from each tip's wall, -1 where none does.

    Parameters
    ----------
    walls
        Walls of n sections.
    plane_section, plane_wall, downslope_deg
        Of p planes: their section, the wall at their eave, and the direction down.
    tip_section, tip_wall
        Of k tips.

    Returns
    -------
    ndarray of int
        Shape (k,). A roof of one plane rises from every wall that looks down its slope.
    """
    if not plane_section.size:
        return np.full(tip_wall.size, -1, dtype=np.int64)
    plane_at = np.full(walls.section.size, -1, dtype=np.int64)
    plane_at[plane_wall] = np.arange(plane_wall.size)
    only = _only_planes(plane_section, walls.start.size - 1)[tip_section]
    away = np.abs((walls.outward_deg[tip_wall] - downslope_deg[only] + 180.0) % 360.0 - 180.0)
    under = plane_at[tip_wall]
    return np.where((under < 0) & (only >= 0) & (away < _DOWN_DEG), only, under)


def _only_planes(plane_section: IntArray, count: int) -> IntArray:
    """The plane of each section that has but one, -1 for the others, shape (count,)."""
    single = np.full(count, -1, dtype=np.int64)
    single[plane_section] = np.arange(plane_section.size)
    return np.where(np.bincount(plane_section, minlength=count) == 1, single, -1)


def _seen_before(plane: IntArray) -> npt.NDArray[np.bool_]:
    """Which planes stand in the list for the second time."""
    again = np.ones(plane.size, dtype=bool)
    again[np.unique(plane, return_index=True)[1]] = False
    return again


def _on_planes(
    frames: SectionFrames,
    slopes: SlopeBays,
    rise: FloatArray,
    plane: IntArray,
    v: FloatArray,
    upper: FloatArray,
    lower: FloatArray,
    cost: float,
    *,
    target: bool,
) -> _Lines:
    planes = slopes.frames
    section = slopes.plane_section[plane]
    u0, v0 = frames.uv(*planes.east_north(upper, v, plane), section)
    u1, v1 = frames.uv(*planes.east_north(lower, v, plane), section)
    return _Lines(
        section,
        u0,
        v0,
        _height(slopes, rise, plane, upper),
        u1,
        v1,
        _height(slopes, rise, plane, lower),
        np.full(plane.size, cost),
        np.full(plane.size, target),
    )


def _height(slopes: SlopeBays, rise: FloatArray, plane: IntArray, u: FloatArray) -> FloatArray:
    """Height above the eave of places on planes."""
    planes = slopes.frames
    # Along the slope, which is the hypotenuse.
    result: FloatArray = (planes.u_high[plane] - u) * rise[plane] / np.hypot(1.0, rise[plane])
    return result
