"""Paths of travel: the cheapest way from the ladder to the work along bearing lines.

In: outlines, beams and purlins, obstacles, ladder tips, the first bay.
Out: `Ways`: polylines in section coordinates from each ladder tip to a corner of the first bay; and
    the ways along the walls from one ladder to the other, for roofs on which no way leads to work.

Bearing lines are the outline's edges, the beams and the purlins, with the costs `path.cost.*`.
One sparse graph holds all sections; one run of Dijkstra's algorithm
(`scipy.sparse.csgraph.dijkstra`) from all bay corners finds every way.

On an outline square to the framing only lines that a cheapest way can need enter the graph: the
lines of the bay, and the lines next to each reflex corner and next to each obstacle. Any other
stretch can be slid along the grid, at equal or less cost, until it lies on one of those or on the
outline. Along a slanted wall sliding changes the cost, so a section with one gets every line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import dijkstra

from roofplat.fast import compiled
from roofplat.framing.members import Grid, Runs, SectionFrames
from roofplat.framing.order import by_owner, stable_order
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
    sums_before,
    take,
)
from roofplat.placing.loops import walk_graphs
from roofplat.placing.scene import Boxes, Segments, farther, touches_box
from roofplat.rules import Rulebook

__all__ = [
    "TIE",
    "Ways",
    "blocked",
    "cheapest",
    "find_ways",
    "first_found",
    "grown_for_paths",
    "led_on",
    "legs_of",
    "no_ways",
    "trace",
    "wall_ways",
]

# Added to the cost of each foot, times its place along the beams (and less, across them): among
# equal ways the one at lower u, then at lower v, is taken.
TIE = 5e-8
_AT_FT = 0.02
_BORDER_FT = 1e-3
# Decimals of a foot to which places on a line are one.
_LEVEL_AT = 8


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
    blocks = grown_for_paths(obstacles, rules)
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
    # Nodes at one place stay in the order of the records, whatever the last bits say.
    order = by_owner(
        line, at.round(_LEVEL_AT), edges.size + beam_runs.section.size + purlin_runs.section.size
    )
    line, node = line[order], node[order]
    joined = np.flatnonzero(line[1:] == line[:-1])
    tail, head, line = node[joined], node[joined + 1], line[joined]

    open_way = np.flatnonzero(~blocked(u, v, section, tail, head, blocks, count))
    tail, head, line = tail[open_way], head[open_way], line[open_way]
    kind = (line >= edges.size).astype(int) + (line >= edges.size + beam_runs.section.size)
    kind[(kind == 2) & ~frames.purlins_bear[section[tail]]] = 3
    cost = np.array([rules.number(f"path.cost.{name}") for name in ("wall", "beam", "purlin", "across")])[
        kind
    ]
    u_tail, v_tail, u_head, v_head = u[tail], v[tail], u[head], v[head]
    length = np.hypot(u_tail - u_head, v_tail - v_head)
    weight = length * (cost + TIE * (u_tail + u_head + 0.1 * (v_tail + v_head))) + 1e-9

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
    kept = np.flatnonzero(kept)
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
        return no_ways(tip_section.size)
    distance, before = cheapest(graph, sources, section)
    ways = trace(u, v, distance, before, foot, wanted, foot_gap, tip_u, tip_v, tip_section.size)
    return _without_the_deck(frames, ways, tip_section)


def led_on(ways: Ways, tip_section: IntArray, bay: Boxes, v_low: FloatArray, v_high: FloatArray) -> Ways:
    """Lead ways on from the corner of a bay, along its purlin, until they stand beside the opening.

    Parameters
    ----------
    ways
        From k tips to their section's bay.
    tip_section
        Section of each tip, shape (k,).
    bay
        The first bay of each of n sections, NaN where there is none.
    v_low, v_high
        Where the opening in it lies along the purlin, shape (n,); NaN where a way is not to be led on.

    Returns
    -------
    Ways
        With a point more where the opening does not fill the bay.
    """
    last = np.maximum(ways.start[1:] - 1, 0)
    if not ways.u.size:
        return ways
    u, v = ways.u[last], ways.v[last]
    on_purlin = np.minimum(np.abs(u - bay.u_low[tip_section]), np.abs(u - bay.u_high[tip_section])) <= _AT_FT
    beside = np.clip(v, v_low[tip_section], v_high[tip_section])
    with np.errstate(invalid="ignore"):
        going = ways.found & on_purlin & (np.abs(beside - v) > _AT_FT)
    leg = np.where(going, np.abs(np.nan_to_num(beside) - v), 0.0)
    after = ways.start[1:][going]
    return Ways(
        found=ways.found,
        start=offsets(np.diff(ways.start) + going),
        u=np.insert(ways.u, after, u[going]),
        v=np.insert(ways.v, after, beside[going]),
        length_ft=ways.length_ft + leg,
        on_bearing_ft=ways.on_bearing_ft + leg,
        cost=ways.cost,
    )


def grown_for_paths(obstacles: Boxes, rules: Rulebook) -> Boxes:
    """Boxes of obstacles with the clearance that paths keep, `obstacle.path_clear_ft`.

    A line along the border of the clearance is open, whatever the last bits say.
    """
    return obstacles.grown(rules.number("obstacle.path_clear_ft") - _BORDER_FT)


def _without_the_deck(frames: SectionFrames, ways: Ways, tip_section: IntArray) -> Ways:
    """Take off the bearing length what leads across joists, over nothing but deck."""
    chosen = np.flatnonzero(ways.found & ~frames.purlins_bear[tip_section])
    if not chosen.size:
        return ways
    legs = legs_of(ways, chosen, np.arange(chosen.size))
    across = np.flatnonzero((np.abs(legs.u1 - legs.u0) < _AT_FT) & (np.abs(legs.v1 - legs.v0) > _AT_FT))
    way = legs.section[across]
    at_u, at_v = (legs.u0 + legs.u1)[across] / 2, (legs.v0 + legs.v1)[across] / 2
    _, _, gap = _feet_of_tips(frames, tip_section[chosen[way]], at_u, at_v, shells_only=False)
    length = np.hypot(legs.u1 - legs.u0, legs.v1 - legs.v0)[across]
    off = sums(np.where(gap > _AT_FT, length, 0.0), way, chosen.size)
    on_bearing = ways.on_bearing_ft.copy()
    on_bearing[chosen] = np.maximum(on_bearing[chosen] - off, 0.0)
    return replace(ways, on_bearing_ft=on_bearing)


def wall_ways(
    frames: SectionFrames,
    tip_section: IntArray,
    tip_rank: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    wanted: npt.NDArray[np.bool_],
    *,
    blocks: Boxes | None = None,
) -> Ways:
    """Lead along the walls from the first ladder to the second, the shorter way round.

    Parameters
    ----------
    frames
        n sections.
    tip_section, tip_rank, tip_u, tip_v
        k ladder tips, ascending by section and rank.
    wanted
        True for a section whose walls are all that is known to bear, shape (n,).
    blocks
        Boxes that no path crosses, their clearance counted.

    Returns
    -------
    Ways
        For each tip; found for a first ladder whose section has a second. Where both ways round are
        equally long (to 0.01 ft) the one with the wall's own direction is taken, or against it where v
        runs to the right of u; where the shorter one is blocked, the longer.
    """
    second = np.flatnonzero((tip_rank == 2) & wanted[tip_section])
    if not second.size:
        return no_ways(tip_section.size)
    first = second - 1
    pair = np.concatenate([first, second])
    edge, at, _ = _feet_of_tips(frames, tip_section[pair], tip_u[pair], tip_v[pair])
    edge, at = edge.reshape(2, -1), at.reshape(2, -1)
    shell = frames.outlines.shell
    length = np.hypot(frames.u1 - frames.u0, frames.v1 - frames.v0)
    walked = sums_before(length, frames.outlines.section)
    # The outer ring comes first in a section, its edges one after the other.
    ring_ft = sums(length[shell], frames.outlines.section[shell], frames.count)[tip_section[first]]
    forward = (walked[edge[1]] + at[1] - walked[edge[0]] - at[0]) % ring_ft
    turn = forward > ring_ft / 2 + 0.005 * frames.hand[tip_section[first]]
    shorter = _round_the_walls(frames, tip_section, first, edge, at, turn, blocks)
    if blocks is None:
        return shorter
    return first_found(shorter, _round_the_walls(frames, tip_section, first, edge, at, ~turn, blocks))


def _round_the_walls(
    frames: SectionFrames,
    tip_section: IntArray,
    first: IntArray,
    edge: IntArray,
    at: FloatArray,
    turn: npt.NDArray[np.bool_],
    blocks: Boxes | None,
) -> Ways:
    """Ways between two places on edges, shape (2, k), with the walls' direction or turned against it."""
    length = np.hypot(frames.u1 - frames.u0, frames.v1 - frames.v0)
    start = frames.outlines.start[tip_section[first]]
    outer = frames.outlines.section[frames.outlines.shell]
    around = np.bincount(outer, minlength=frames.count)[tip_section[first]]
    corners = np.where(turn, edge[0] - edge[1], edge[1] - edge[0]) % np.maximum(around, 1)
    # From one wall back to the same wall all the way round.
    whole = (edge[0] == edge[1]) & np.where(turn, at[1] > at[0], at[1] < at[0])
    corners = np.where(whole, around, corners)
    way, number = expand(corners + 2)
    last = number == corners[way] + 1
    ahead = np.where(turn[way], edge[0][way] - number + 1, edge[0][way] + number)
    corner = start[way] + (ahead - start[way]) % around[way]

    def points(at_first: FloatArray, at_second: FloatArray, corner_at: FloatArray) -> FloatArray:
        return np.select([number == 0, last], [at_first[way], at_second[way]], corner_at[corner])

    foot_u = frames.u0[edge] + (frames.u1 - frames.u0)[edge] * at / length[edge]
    foot_v = frames.v0[edge] + (frames.v1 - frames.v0)[edge] * at / length[edge]
    u, v = points(foot_u[0], foot_u[1], frames.u0), points(foot_v[0], foot_v[1], frames.v0)
    step = np.hypot(np.diff(u), np.diff(v))
    within = way[1:] == way[:-1]
    again = np.zeros(way.size, dtype=bool)
    again[1:] = within & (step <= _AT_FT / 2)
    total = sums(step[within], way[1:][within], first.size)
    walkable = total > _AT_FT
    if blocks is not None:
        leg = np.flatnonzero(within)
        stopped = blocked(u, v, tip_section[first][way], leg, leg + 1, blocks, frames.count)
        walkable &= ~marked(way[leg[stopped]], first.size)
    found = np.zeros(tip_section.size, dtype=bool)
    found[first] = walkable
    points_of = np.zeros(tip_section.size, dtype=np.int64)
    points_of[first] = np.bincount(way[~again], minlength=first.size)
    length_ft = np.zeros(tip_section.size)
    length_ft[first] = total
    return Ways(
        found=found,
        start=offsets(points_of),
        u=u[~again],
        v=v[~again],
        length_ft=length_ft,
        on_bearing_ft=length_ft,
        cost=np.where(found, length_ft, np.inf),
    )


def first_found(one: Ways, other: Ways) -> Ways:
    """For each tip the way that one search found, or else the other."""
    take_other = ~one.found & other.found
    points = np.where(take_other, np.diff(other.start), np.where(one.found, np.diff(one.start), 0))
    item, number = expand(points)
    place = np.where(take_other, other.start[:-1], one.start[:-1])[item] + number
    from_other = take_other[item]

    mine_at, theirs_at = np.flatnonzero(~from_other), np.flatnonzero(from_other)

    def pick(mine: FloatArray, theirs: FloatArray) -> FloatArray:
        result = np.empty(item.size)
        result[mine_at], result[theirs_at] = mine[place[mine_at]], theirs[place[theirs_at]]
        return result

    return Ways(
        found=one.found | other.found,
        start=offsets(points),
        u=pick(one.u, other.u),
        v=pick(one.v, other.v),
        length_ft=np.where(take_other, other.length_ft, one.length_ft),
        on_bearing_ft=np.where(take_other, other.on_bearing_ft, one.on_bearing_ft),
        cost=np.where(take_other, other.cost, one.cost),
    )


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
    # A left turn is a reflex corner; where v runs to the right of u it looks like a right one.
    turn = (u_in * v_in[following] - v_in * u_in[following]) * frames.hand[cross_section]
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
    frames: SectionFrames, section: IntArray, u: FloatArray, v: FloatArray, *, shells_only: bool = True
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Nearest edge of the outer outline, or of any, to each tip, the place on it, and the gap."""
    tip, edge = lists_of(section, frames.outlines.start)
    du, dv = frames.u1[edge] - frames.u0[edge], frames.v1[edge] - frames.v0[edge]
    pu, pv = u[tip] - frames.u0[edge], v[tip] - frames.v0[edge]
    length = np.hypot(du, dv)
    at = np.clip((pu * du + pv * dv) / length, 0.0, length)
    gap = np.hypot(pu - at * du / length, pv - at * dv / length)
    # Gaps below a hundredth of a foot are equal: the first edge of the ring then serves.
    gap_key = np.where(frames.outlines.shell[edge] | (not shells_only), np.floor(gap * 100), np.inf)
    best = first_minimum(gap_key, tip, section.size)
    return edge[best], at[best], gap[best]


def blocked(
    u: FloatArray,
    v: FloatArray,
    section: IntArray,
    tail: IntArray,
    head: IntArray,
    blocks: Boxes,
    count: int,
) -> npt.NDArray[np.bool_]:
    """Legs between nodes that touch a box of their section, shape of `tail`."""
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


def cheapest(
    graph: csr_matrix, sources: IntArray, section: IntArray
) -> tuple[FloatArray, npt.NDArray[np.int32]]:
    """Cost of the cheapest way from any source to each node, and the node before it on the way.

    Parameters
    ----------
    graph
        Costs between k nodes, each way; none between sections.
    sources
        Nodes where ways begin.
    section
        Owner of each node, shape (k,).

    Returns
    -------
    distance, before
        Shape (k,) each; infinite and negative where no way leads.
    """
    loop = compiled(walk_graphs)
    if loop is not None:
        order = stable_order(section[sources])
        return loop(graph.indptr, graph.indices, graph.data, sources[order], section)
    distance, before, _ = dijkstra(graph, indices=sources, min_only=True, return_predecessors=True)
    return distance, before


def trace(
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
    height: FloatArray | None = None,
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
    climbed = np.zeros(tips)
    while way.size:
        ways.append(way)
        us.append(u[node])
        vs.append(v[node])
        if height is not None:
            # Along the slope a leg is longer than it looks from above.
            to = np.where(before[node] >= 0, before[node], node)
            level = np.hypot(u[to] - u[node], v[to] - v[node])
            climbed[way] += np.hypot(level, height[to] - height[node]) - level
        following = before[node]
        going = np.flatnonzero(following >= 0)
        way, node = way[going], following[going].astype(np.int64)
    flat_way = np.concatenate(ways)
    order = stable_order(flat_way)
    flat_way = flat_way[order]
    flat_u, flat_v = np.concatenate(us)[order], np.concatenate(vs)[order]

    # Of points at one place, and of points in the middle of a straight stretch, one is enough.
    again = np.zeros(flat_way.size, dtype=bool)
    apart = farther(np.diff(flat_u), np.diff(flat_v), _AT_FT / 2)
    again[1:] = (flat_way[1:] == flat_way[:-1]) & ~apart
    once = np.flatnonzero(~again)
    flat_way, flat_u, flat_v = flat_way[once], flat_u[once], flat_v[once]
    middle = np.zeros(flat_way.size, dtype=bool)
    if flat_way.size > 2:
        same = (flat_way[:-2] == flat_way[2:]) & (flat_way[1:-1] == flat_way[2:])
        a_u, a_v = flat_u[1:-1] - flat_u[:-2], flat_v[1:-1] - flat_v[:-2]
        b_u, b_v = flat_u[2:] - flat_u[1:-1], flat_v[2:] - flat_v[1:-1]
        middle[1:-1] = same & (np.abs(a_u * b_v - a_v * b_u) < 1e-6) & (a_u * b_u + a_v * b_v >= 0)
    bend = np.flatnonzero(~middle)
    flat_way, flat_u, flat_v = flat_way[bend], flat_u[bend], flat_v[bend]
    start = offsets(np.bincount(flat_way, minlength=tips))
    within = np.flatnonzero(flat_way[1:] == flat_way[:-1])
    step = np.hypot(flat_u[within + 1] - flat_u[within], flat_v[within + 1] - flat_v[within])
    length = sums(step, flat_way[within], tips) + climbed
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


def no_ways(tips: int) -> Ways:
    """No way from any of the tips."""
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
