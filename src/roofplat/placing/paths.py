"""Paths of travel: the cheapest way from the ladder to the work along bearing lines.

In: outlines, beams and purlins, obstacles, ladder tips, the first bay.
Out: `Ways`: polylines in section coordinates from each ladder tip to a corner of the first bay.

Bearing lines are the outline's edges, the beams and the purlins, with the costs `path.cost.*`.
One sparse graph holds all sections; one run of Dijkstra's algorithm
(`scipy.sparse.csgraph.dijkstra`) from all bay corners finds every way.

On an outline square to the framing only lines that a cheapest way can need enter the graph: the
lines of the bay, and the lines next to each reflex corner and next to each obstacle. Any other
stretch can be slid along the grid, at equal or less cost, until it lies on one of those or on the
outline. Along a slanted wall sliding changes the cost, so a section with one gets every line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import dijkstra

from roofplat.framing.members import Grid, Runs, SectionFrames
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    expand,
    first_minimum,
    lists_of,
    marked,
    offsets,
    pair_up,
    sums,
    take,
)
from roofplat.placing.scene import Boxes, Segments, touches_box
from roofplat.rules import Rulebook

__all__ = ["Ways", "find_ways", "legs_of"]

# Added to the cost of each foot, times its place along the beams (and less, across them): among
# equal ways the one at lower u, then at lower v, is taken.
_TIE = 5e-8
_AT_FT = 0.02
_BORDER_FT = 1e-3


@dataclass(frozen=True, slots=True)
class Ways:
    """Ways from k ladder tips, shape (k,) or flat with `start`.

    found
        True where there is a way.
    start
        First point of each way and the end, shape (k + 1,).
    u, v
        Points from the tip to the work, in section coordinates.
    length_ft, on_bearing_ft
        Length, and length on bearing lines, shape (k,).
    cost
        The cost of the way along bearing lines, shape (k,); infinite without one.
    """

    found: npt.NDArray[np.bool_]
    start: IntArray
    u: FloatArray
    v: FloatArray
    length_ft: FloatArray
    on_bearing_ft: FloatArray
    cost: FloatArray


def legs_of(ways: Ways, chosen: IntArray, section: IntArray) -> Segments:
    """The straight legs of chosen ways.

    Parameters
    ----------
    ways
        All ways.
    chosen
        Indices of ways, ascending, shape (c,).
    section
        Section of each chosen way, shape (c,).

    Returns
    -------
    Segments
    """
    legs = np.maximum(np.diff(ways.start)[chosen] - 1, 0)
    owner, number = expand(legs)
    point = ways.start[chosen[owner]] + number
    return Segments(section[owner], ways.u[point], ways.v[point], ways.u[point + 1], ways.v[point + 1])


def find_ways(
    frames: SectionFrames,
    beam_runs: Runs,
    purlin_runs: Runs,
    obstacles: Boxes,
    bay: Boxes,
    tip_section: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    rules: Rulebook,
    *,
    every_line: bool = False,
) -> Ways:
    """Find the cheapest way from each tip to its section's first bay.

    Parameters
    ----------
    frames
        n sections.
    beam_runs, purlin_runs
        Pieces of members inside them.
    obstacles
        Boxes that no path crosses, without clearance.
    bay
        The first bay of each section that has one, bearing line to bearing line.
    tip_section, tip_u, tip_v
        k ladder tips, ascending by section; only those of sections with a bay get a way.
    rules
        `path.cost.*`, `obstacle.path_clear_ft`.
    every_line
        Put every beam and purlin into the graph: slower, never cheaper; for checks.

    Returns
    -------
    Ways
    """
    count = frames.count
    has_bay = marked(bay.section, count)
    # A line along the border of the clearance is open, whatever the last bits say.
    blocks = obstacles.grown(rules.number("obstacle.path_clear_ft") - _BORDER_FT)
    if not every_line:
        beam_runs = _keep_lines(
            beam_runs, frames.beams, _needed(frames, frames.beams, "v", bay, blocks, has_bay)
        )
        purlin_runs = _keep_lines(
            purlin_runs, frames.purlins, _needed(frames, frames.purlins, "u", bay, blocks, has_bay)
        )
    beam_runs = take(beam_runs, has_bay[beam_runs.section])
    purlin_runs = take(purlin_runs, has_bay[purlin_runs.section])

    # Nodes: outline corners, ends of runs, crossings of runs, feet of the tips on the outline.
    edges = np.flatnonzero(has_bay[frames.outlines.section])
    edge_number = np.full(frames.outlines.section.size, -1, dtype=np.int64)
    edge_number[edges] = np.arange(edges.size)
    wanted = np.flatnonzero(has_bay[tip_section])
    foot_edge, foot_at, foot_gap = _feet_of_tips(frames, tip_section[wanted], tip_u[wanted], tip_v[wanted])
    cross_beam, cross_purlin = _crossings(beam_runs, purlin_runs, count)

    node_u = [frames.u0[edges], beam_runs.low, beam_runs.high, purlin_runs.position, purlin_runs.position]
    node_v = [frames.v0[edges], beam_runs.position, beam_runs.position, purlin_runs.low, purlin_runs.high]
    node_section = [frames.outlines.section[edges], *[beam_runs.section] * 2, *[purlin_runs.section] * 2]
    du, dv = frames.u1[foot_edge] - frames.u0[foot_edge], frames.v1[foot_edge] - frames.v0[foot_edge]
    foot_length = np.hypot(du, dv)
    node_u += [purlin_runs.position[cross_purlin], frames.u0[foot_edge] + du / foot_length * foot_at]
    node_v += [beam_runs.position[cross_beam], frames.v0[foot_edge] + dv / foot_length * foot_at]
    node_section += [beam_runs.section[cross_beam], tip_section[wanted]]
    first_node = offsets(np.array([part.size for part in node_u]))
    u, v = np.concatenate(node_u), np.concatenate(node_v)
    section = np.concatenate(node_section)
    corner, beam_low, beam_high, purlin_low, purlin_high, crossing, foot = (
        np.arange(first_node[part], first_node[part + 1]) for part in range(7)
    )

    # Corners and feet that lie on a member as well: a member in the line of a wall goes on through
    # the corner at the wall's end, and without this the graph would not know that the two meet.
    on_outline = np.concatenate([corner, foot])
    beam_at, on_beam = _nodes_on(beam_runs, section[on_outline], v[on_outline], u[on_outline], count)
    purlin_at, on_purlin = _nodes_on(purlin_runs, section[on_outline], u[on_outline], v[on_outline], count)

    # A record puts a node on a line; neighbours on a line are joined.
    beam_line = edges.size + np.arange(beam_runs.section.size)
    purlin_line = edges.size + beam_runs.section.size + np.arange(purlin_runs.section.size)
    end_edge = np.concatenate(
        [beam_runs.low_edge, beam_runs.high_edge, purlin_runs.low_edge, purlin_runs.high_edge, foot_edge]
    )
    end_node = np.concatenate([beam_low, beam_high, purlin_low, purlin_high, foot])
    end_at = np.hypot(u[end_node] - frames.u0[end_edge], v[end_node] - frames.v0[end_edge])
    edge_length = np.hypot(frames.u1[edges] - frames.u0[edges], frames.v1[edges] - frames.v0[edges])
    line = np.concatenate(
        [
            np.arange(edges.size),
            np.arange(edges.size),
            edge_number[end_edge],
            beam_line,
            beam_line,
            beam_line[cross_beam],
            purlin_line,
            purlin_line,
            purlin_line[cross_purlin],
            beam_line[beam_at],
            purlin_line[purlin_at],
        ]
    )
    at = np.concatenate(
        [
            np.zeros(edges.size),
            edge_length,
            end_at,
            beam_runs.low,
            beam_runs.high,
            purlin_runs.position[cross_purlin],
            purlin_runs.low,
            purlin_runs.high,
            beam_runs.position[cross_beam],
            u[on_outline[on_beam]],
            v[on_outline[on_purlin]],
        ]
    )
    node = np.concatenate(
        [
            corner,
            corner[edge_number[frames.outlines.following[edges]]],
            end_node,
            beam_low,
            beam_high,
            crossing,
            purlin_low,
            purlin_high,
            crossing,
            on_outline[on_beam],
            on_outline[on_purlin],
        ]
    )
    widest = np.max(np.abs(at), initial=0.0) * 2 + 1.0
    order = np.argsort(line + (at / widest + 0.5) * 0.999, kind="stable")
    line, node = line[order], node[order]
    joined = line[1:] == line[:-1]
    tail, head, line = node[:-1][joined], node[1:][joined], line[1:][joined]

    open_way = ~_blocked(u, v, section, tail, head, blocks, count)
    tail, head, line = tail[open_way], head[open_way], line[open_way]
    kind = (line >= edges.size).astype(int) + (line >= edges.size + beam_runs.section.size)
    cost = np.array([rules.number(f"path.cost.{name}") for name in ("wall", "beam", "purlin")])[kind]
    length = np.hypot(u[tail] - u[head], v[tail] - v[head])
    weight = length * (cost + _TIE * (u[tail] + u[head] + 0.1 * (v[tail] + v[head]))) + 1e-9

    total = u.size
    # A member along a wall joins the same two nodes as the wall does; the cheaper one counts, where
    # a sparse matrix would add the two up.
    twice = marked(on_outline[np.concatenate([on_beam, on_purlin])], total)
    doubled = np.flatnonzero(twice[tail] & twice[head])
    pair = np.minimum(tail, head)[doubled] * total + np.maximum(tail, head)[doubled]
    doubled = doubled[np.lexsort((weight[doubled], pair))]
    _, first = np.unique(np.sort(pair), return_index=True)
    kept = np.ones(tail.size, dtype=bool)
    kept[np.delete(doubled, first)] = False
    tail, head, weight = tail[kept], head[kept], weight[kept]
    both_ways = (np.concatenate([tail, head]), np.concatenate([head, tail]))
    entries = coo_matrix((np.concatenate([weight, weight]), both_ways), shape=(total, total))
    # No two entries share a place, so there is nothing to add up.
    entries.has_canonical_format = True
    graph = entries.tocsr()
    target = _at_bay(u, v, section, bay, count)
    target[foot] = False
    sources = np.flatnonzero(target)
    if not sources.size:
        return _no_ways(tip_section.size)
    distance, before, _ = dijkstra(graph, indices=sources, min_only=True, return_predecessors=True)
    return _trace(u, v, distance, before, foot, wanted, foot_gap, tip_u, tip_v, tip_section.size)


def _needed(
    frames: SectionFrames,
    grid: Grid,
    across: str,
    bay: Boxes,
    blocks: Boxes,
    has_bay: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Which grid lines can lie on a cheapest way, as a flat mask over all lines."""
    end = frames.v1 if across == "v" else frames.u1
    cross_section = frames.outlines.section
    u_in, v_in = frames.u1 - frames.u0, frames.v1 - frames.v0
    following = frames.outlines.following
    # Section coordinates keep the sense of rotation: a left turn is a reflex corner.
    turn = u_in * v_in[following] - v_in * u_in[following]
    reflex = (turn > 1e-9) & has_bay[cross_section]
    corner_section = cross_section[reflex]
    under_corner = _below(grid, end[reflex], corner_section)
    low, high = (bay.v_low, bay.v_high) if across == "v" else (bay.u_low, bay.u_high)
    block = take(blocks, has_bay[blocks.section])
    block_low, block_high = (block.v_low, block.v_high) if across == "v" else (block.u_low, block.u_high)
    section = np.concatenate(
        [corner_section, corner_section, bay.section, bay.section, block.section, block.section]
    )
    number = np.concatenate(
        [
            under_corner,
            under_corner + 1,
            # The bay's own boundaries are lines, to within rounding.
            _below(grid, low + _AT_FT, bay.section),
            _below(grid, high + _AT_FT, bay.section),
            _below(grid, block_low, block.section),
            _below(grid, block_high, block.section) + 1,
        ]
    )
    exists = (number >= 0) & (number < grid.count[section])
    line_start = offsets(grid.count)
    needed = marked(line_start[section[exists]] + number[exists], int(line_start[-1]))
    return needed | np.repeat(frames.slanted(), grid.count)


def _below(grid: Grid, at: FloatArray, section: IntArray) -> IntArray:
    """Number of the last line at or below a coordinate."""
    return np.floor((at - grid.first[section]) / grid.spacing[section]).astype(np.int64)


def _keep_lines(runs: Runs, grid: Grid, needed: npt.NDArray[np.bool_]) -> Runs:
    return take(runs, needed[offsets(grid.count)[runs.section] + runs.line])


def _crossings(beam_runs: Runs, purlin_runs: Runs, count: int) -> tuple[IntArray, IntArray]:
    beam, purlin = pair_up(beam_runs.section, purlin_runs.section, count)
    meets = (
        (purlin_runs.position[purlin] >= beam_runs.low[beam])
        & (purlin_runs.position[purlin] <= beam_runs.high[beam])
        & (beam_runs.position[beam] >= purlin_runs.low[purlin])
        & (beam_runs.position[beam] <= purlin_runs.high[purlin])
    )
    return beam[meets], purlin[meets]


def _nodes_on(
    runs: Runs, section: IntArray, across: FloatArray, along: FloatArray, count: int
) -> tuple[IntArray, IntArray]:
    """Runs that nodes lie on, and which of the nodes, pair by pair."""
    node, run = pair_up(section, runs.section, count)
    on = (
        (np.abs(across[node] - runs.position[run]) <= _AT_FT)
        & (along[node] >= runs.low[run] - _AT_FT)
        & (along[node] <= runs.high[run] + _AT_FT)
    )
    return run[on], node[on]


def _feet_of_tips(
    frames: SectionFrames, section: IntArray, u: FloatArray, v: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Nearest edge of the outer outline to each tip, the place on it, and the gap."""
    tip, edge = lists_of(section, frames.outlines.start)
    du, dv = frames.u1[edge] - frames.u0[edge], frames.v1[edge] - frames.v0[edge]
    pu, pv = u[tip] - frames.u0[edge], v[tip] - frames.v0[edge]
    length = np.hypot(du, dv)
    at = np.clip((pu * du + pv * dv) / length, 0.0, length)
    gap = np.hypot(pu - at * du / length, pv - at * dv / length)
    # Gaps below a hundredth of a foot are equal: the first edge of the ring then serves.
    gap_key = np.where(frames.outlines.shell[edge], np.floor(gap * 100), np.inf)
    best = first_minimum(gap_key, tip, section.size)
    return edge[best], at[best], gap[best]


def _blocked(
    u: FloatArray,
    v: FloatArray,
    section: IntArray,
    tail: IntArray,
    head: IntArray,
    blocks: Boxes,
    count: int,
) -> npt.NDArray[np.bool_]:
    segment, box = pair_up(section[tail], blocks.section, count)
    start, end = tail[segment], head[segment]
    hit = touches_box(u[start], v[start], u[end], v[end], take(blocks, box))
    return marked(segment[hit], tail.size)


def _at_bay(u: FloatArray, v: FloatArray, section: IntArray, bay: Boxes, count: int) -> npt.NDArray[np.bool_]:
    """Nodes at the bay of their section."""
    one = bay.grown(_AT_FT).dense(count)
    return np.asarray(
        (u >= one.u_low[section])
        & (u <= one.u_high[section])
        & (v >= one.v_low[section])
        & (v <= one.v_high[section])
    )


def _trace(
    u: FloatArray,
    v: FloatArray,
    distance: FloatArray,
    before: npt.NDArray[np.int32],
    foot: IntArray,
    wanted: IntArray,
    foot_gap: FloatArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    tips: int,
) -> Ways:
    """Walk the predecessors of all tips at once, from the wall to the work."""
    found = np.zeros(tips, dtype=bool)
    reached = np.isfinite(distance[foot])
    found[wanted[reached]] = True
    way, node = wanted[reached], foot[reached]
    # The tip stands a little off the true outline where the wall was simplified.
    stands_off = foot_gap[reached] > _AT_FT
    ways = [way[stands_off]]
    us, vs = [tip_u[way[stands_off]]], [tip_v[way[stands_off]]]
    while way.size:
        ways.append(way)
        us.append(u[node])
        vs.append(v[node])
        following = before[node]
        going = following >= 0
        way, node = way[going], following[going].astype(np.int64)
    flat_way = np.concatenate(ways)
    order = np.argsort(flat_way, kind="stable")
    flat_way = flat_way[order]
    flat_u, flat_v = np.concatenate(us)[order], np.concatenate(vs)[order]

    # Of points at one place, and of points in the middle of a straight stretch, one is enough.
    again = np.zeros(flat_way.size, dtype=bool)
    apart = np.hypot(np.diff(flat_u), np.diff(flat_v)) > _AT_FT / 2
    again[1:] = (flat_way[1:] == flat_way[:-1]) & ~apart
    flat_way, flat_u, flat_v = flat_way[~again], flat_u[~again], flat_v[~again]
    middle = np.zeros(flat_way.size, dtype=bool)
    if flat_way.size > 2:
        same = (flat_way[:-2] == flat_way[2:]) & (flat_way[1:-1] == flat_way[2:])
        a_u, a_v = flat_u[1:-1] - flat_u[:-2], flat_v[1:-1] - flat_v[:-2]
        b_u, b_v = flat_u[2:] - flat_u[1:-1], flat_v[2:] - flat_v[1:-1]
        middle[1:-1] = same & (np.abs(a_u * b_v - a_v * b_u) < 1e-6) & (a_u * b_u + a_v * b_v >= 0)
    flat_way, flat_u, flat_v = flat_way[~middle], flat_u[~middle], flat_v[~middle]
    start = offsets(np.bincount(flat_way, minlength=tips))
    step = np.hypot(np.diff(flat_u), np.diff(flat_v))
    within = flat_way[1:] == flat_way[:-1]
    length = sums(step[within], flat_way[1:][within], tips)
    off = np.zeros(tips)
    off[wanted[reached][stands_off]] = foot_gap[reached][stands_off]
    cost = np.full(tips, np.inf)
    cost[wanted] = distance[foot]
    return Ways(
        found=found & (length > _AT_FT),
        start=start,
        u=flat_u,
        v=flat_v,
        length_ft=length,
        on_bearing_ft=length - off,
        cost=cost,
    )


def _no_ways(tips: int) -> Ways:
    nothing = np.empty(0)
    return Ways(
        found=np.zeros(tips, dtype=bool),
        start=np.zeros(tips + 1, dtype=np.int64),
        u=nothing,
        v=nothing,
        length_ft=np.zeros(tips),
        on_bearing_ft=np.zeros(tips),
        cost=np.full(tips, np.inf),
    )
