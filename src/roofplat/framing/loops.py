"""Plain loops that numba compiles: they give to the last bit what the numpy beside them gives.

In: the same arrays as their numpy counterparts.
Out: the same arrays.

Each says which function it stands in for. They are written for the compiler and never run as they are,
but for the tests that hold both ways to the same bits.
"""

from __future__ import annotations

import numpy as np

from roofplat.framing.ragged import FloatArray, IntArray

__all__ = ["clip_lines", "look_from_walls"]


def clip_lines(
    section: IntArray,
    a0: FloatArray,
    b0: FloatArray,
    a1: FloatArray,
    b1: FloatArray,
    first: FloatArray,
    spacing: FloatArray,
    count: IntArray,
    least_ft: float,
) -> tuple[IntArray, IntArray, FloatArray, FloatArray, FloatArray, IntArray, IntArray]:
    """`members.scan` of edges along a and across b; the columns of `Runs`."""
    edges = section.size
    line_start = np.zeros(count.size + 1, np.int64)
    for owner in range(count.size):
        line_start[owner + 1] = line_start[owner] + count[owner]
    lines = line_start[-1]
    low, high = np.zeros(edges, np.int64), np.zeros(edges, np.int64)
    start = np.zeros(lines + 1, np.int64)
    for edge in range(edges):
        owner = section[edge]
        if count[owner] > 0:
            begin = np.ceil((min(b0[edge], b1[edge]) - first[owner]) / spacing[owner])
            end = np.ceil((max(b0[edge], b1[edge]) - first[owner]) / spacing[owner])
            low[edge] = np.int64(min(max(begin, 0.0), float(count[owner])))
            high[edge] = np.int64(min(max(end, 0.0), float(count[owner])))
            for line in range(low[edge], high[edge]):
                start[line_start[owner] + line + 1] += 1
    for line in range(lines):
        start[line + 1] += start[line]
    crossings = start[-1]
    at, by = np.empty(crossings), np.empty(crossings, np.int64)
    filled = start[:-1].copy()
    for edge in range(edges):
        owner = section[edge]
        rise, run = b1[edge] - b0[edge], a1[edge] - a0[edge]
        for line in range(low[edge], high[edge]):
            place = filled[line_start[owner] + line]
            position = spacing[owner] * line + first[owner]
            at[place] = (position - b0[edge]) / rise * run + a0[edge]
            by[place] = edge
            filled[line_start[owner] + line] += 1

    of_section, of_line = np.empty(crossings // 2, np.int64), np.empty(crossings // 2, np.int64)
    low_edge, high_edge = np.empty(crossings // 2, np.int64), np.empty(crossings // 2, np.int64)
    positions = np.empty(crossings // 2)
    low_at, high_at = np.empty(crossings // 2), np.empty(crossings // 2)
    pieces = 0
    for owner in range(count.size):
        for line in range(count[owner]):
            flat = line_start[owner] + line
            left, right = start[flat], start[flat + 1]
            if right - left == 2:
                if at[left] > at[left + 1]:
                    at[left], at[left + 1] = at[left + 1], at[left]
                    by[left], by[left + 1] = by[left + 1], by[left]
            else:
                # Insertion keeps the order of equals, as a stable sort does.
                for place in range(left + 1, right):
                    at_here, by_here = at[place], by[place]
                    spot = place
                    while spot > left and at[spot - 1] > at_here:
                        at[spot], by[spot] = at[spot - 1], by[spot - 1]
                        spot -= 1
                    at[spot], by[spot] = at_here, by_here
            for place in range(left, right - 1, 2):
                if at[place + 1] - at[place] > least_ft:
                    of_section[pieces], of_line[pieces] = owner, line
                    positions[pieces] = spacing[owner] * line + first[owner]
                    low_at[pieces], high_at[pieces] = at[place], at[place + 1]
                    low_edge[pieces], high_edge[pieces] = by[place], by[place + 1]
                    pieces += 1
    return (
        of_section[:pieces],
        of_line[:pieces],
        positions[:pieces],
        low_at[:pieces],
        high_at[:pieces],
        low_edge[:pieces],
        high_edge[:pieces],
    )


def look_from_walls(
    looker: IntArray,
    seen: IntArray,
    start: IntArray,
    fronts: FloatArray,
    outer: FloatArray,
    lines: FloatArray,
    corners: FloatArray,
    facing: FloatArray,
    plane: FloatArray,
    east0: FloatArray,
    north0: FloatArray,
    length_ft: FloatArray,
    gap: float,
    search: float,
    margin: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """`neighbours._view` of every wall of the lookers and every wall that it may see.

    The wall that looks, the wall seen, and its ends in the looking wall's coordinates, shape (4, k).
    """
    most = 0
    for pair in range(looker.size):
        target = seen[pair]
        for wall in range(start[looker[pair]], start[looker[pair] + 1]):
            if (
                fronts[0, wall] <= outer[2, target]
                and fronts[2, wall] >= outer[0, target]
                and fronts[1, wall] <= outer[3, target]
                and fronts[3, wall] >= outer[1, target]
            ):
                most += start[target + 1] - start[target]
    walls, edges, ends = np.empty(most, np.int64), np.empty(most, np.int64), np.empty((4, most))
    found = 0
    for pair in range(looker.size):
        target, own = seen[pair], looker[pair]
        for wall in range(start[own], start[own + 1]):
            if not (
                fronts[0, wall] <= outer[2, target]
                and fronts[2, wall] >= outer[0, target]
                and fronts[1, wall] <= outer[3, target]
                and fronts[3, wall] >= outer[1, target]
            ):
                continue
            for edge in range(start[target], start[target + 1]):
                if (
                    wall == edge
                    or fronts[0, wall] > lines[2, edge]
                    or fronts[2, wall] < lines[0, edge]
                    or fronts[1, wall] > lines[3, edge]
                    or fronts[3, wall] < lines[1, edge]
                ):
                    continue
                for end in range(2):
                    dx = corners[2 * end, edge] - plane[0, own]
                    dy = corners[2 * end + 1, edge] - plane[1, own]
                    east = plane[2, own] * dx + plane[3, own] * dy - east0[wall]
                    north = plane[4, own] * dx + plane[5, own] * dy - north0[wall]
                    ends[2 * end, found] = east * facing[0, wall] + north * facing[1, wall]
                    ends[2 * end + 1, found] = north * facing[0, wall] - east * facing[1, wall]
                s0, t0, s1, t1 = ends[0, found], ends[1, found], ends[2, found], ends[3, found]
                if (
                    max(t0, t1) >= -gap
                    and min(t0, t1) <= search
                    and max(s0, s1) >= -margin
                    and min(s0, s1) <= length_ft[wall] + margin
                    and not (own == target and max(t0, t1) <= 1e-6)
                ):
                    walls[found], edges[found] = wall, edge
                    found += 1
    return walls[:found], edges[:found], ends[:, :found]
