"""Plain loops that numba compiles: they give to the last bit what the numpy beside them gives.

In: the same arrays as their numpy counterparts.
Out: the same arrays.

Each says which function it stands in for. They are written for the compiler and never run as they are,
but for the tests that hold both ways to the same bits.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import FloatArray, IntArray

__all__ = ["fill_cells", "mark_edges", "meet_nodes", "walk_graphs"]


def walk_graphs(
    start: npt.NDArray[np.int32],
    follow: npt.NDArray[np.int32],
    weight: FloatArray,
    sources: IntArray,
    section: IntArray,
) -> tuple[FloatArray, npt.NDArray[np.int32]]:
    """`scipy.sparse.csgraph.dijkstra` from the nearest source; sources ascending by section."""
    count = start.size - 1
    distance = np.full(count, np.inf)
    before = np.full(count, -9999, np.int32)
    heap_key, heap_node = (
        np.empty(follow.size + sources.size + 1),
        np.empty(follow.size + sources.size + 1, np.int64),
    )
    done = np.zeros(count, np.bool_)
    begin = 0
    while begin < sources.size:
        size = 0
        end = begin
        # No way leads from one section into another: each has a small heap of its own.
        while end < sources.size and section[sources[end]] == section[sources[begin]]:
            distance[sources[end]] = 0.0
            heap_key[size], heap_node[size] = 0.0, sources[end]
            size += 1
            end += 1
        begin = end
        while size > 0:
            node = heap_node[0]
            size -= 1
            key, last = heap_key[size], heap_node[size]
            hole = 0
            child = 1
            while child < size:
                if child + 1 < size and heap_key[child + 1] < heap_key[child]:
                    child += 1
                if heap_key[child] >= key:
                    break
                heap_key[hole], heap_node[hole] = heap_key[child], heap_node[child]
                hole = child
                child = 2 * hole + 1
            heap_key[hole], heap_node[hole] = key, last
            if done[node]:
                continue
            done[node] = True
            for edge in range(start[node], start[node + 1]):
                to = follow[edge]
                way = distance[node] + weight[edge]
                if way < distance[to]:
                    distance[to] = way
                    before[to] = node
                    hole = size
                    size += 1
                    while hole > 0 and heap_key[(hole - 1) // 2] > way:
                        parent = (hole - 1) // 2
                        heap_key[hole], heap_node[hole] = heap_key[parent], heap_node[parent]
                        hole = parent
                    heap_key[hole], heap_node[hole] = way, to
    return distance, before


def meet_nodes(
    first: IntArray,
    u0: FloatArray,
    v0: FloatArray,
    u1: FloatArray,
    v1: FloatArray,
    length: FloatArray,
    tip_start: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    meet_ft: float,
) -> tuple[IntArray, IntArray, FloatArray]:
    """`slope_ways._meetings`: nodes on each line, in the order in which it passes them."""
    lines = u0.size
    node, line, place = (
        np.empty(8 * lines + 64, np.int64),
        np.empty(8 * lines + 64, np.int64),
        np.empty(8 * lines + 64),
    )
    found = 0
    for section in range(first.size - 1):
        low, high = first[section], first[section + 1]
        for own in range(low, high):
            run, rise = u1[own] - u0[own], v1[own] - v0[own]
            begin = found
            tips = tip_start[section + 1] - tip_start[section]
            if found + 2 * (high - low) + tips > node.size:
                more = np.empty(node.size, np.int64)
                node, line = np.concatenate((node, more)), np.concatenate((line, more))
                place = np.concatenate((place, np.empty(place.size)))
            for number in range(2 * (high - low) + tips):
                if number < high - low:
                    which = low + number
                    u, v = u0[which], v0[which]
                elif number < 2 * (high - low):
                    which = number - (high - low) + low
                    u, v = u1[which], v1[which]
                    which += lines
                else:
                    which = tip_start[section] + number - 2 * (high - low)
                    u, v = tip_u[which], tip_v[which]
                    which += 2 * lines
                off_u, off_v = u - u0[own], v - v0[own]
                gap = abs(off_u * rise - off_v * run) / length[own]
                if not gap <= meet_ft:
                    continue
                at = (off_u * run + off_v * rise) / length[own]
                if not (at >= -meet_ft and at <= length[own] + meet_ft):
                    continue
                hole = found
                while hole > begin and place[hole - 1] > at:
                    place[hole], node[hole] = place[hole - 1], node[hole - 1]
                    hole -= 1
                place[hole], node[hole] = at, which
                line[found] = own
                found += 1
    return node[:found], line[:found], place[:found]


def mark_edges(
    section: IntArray,
    u0: FloatArray,
    v0: FloatArray,
    u1: FloatArray,
    v1: FloatArray,
    beam_first: FloatArray,
    beam_spacing: FloatArray,
    beam_count: IntArray,
    purlin_first: FloatArray,
    purlin_spacing: FloatArray,
    purlin_count: IntArray,
    u_border: FloatArray,
    first_u: IntArray,
    v_border: FloatArray,
    first_v: IntArray,
    stroke_start: IntArray,
    columns: IntArray,
    side_clear_ft: FloatArray,
    hanger_ft: float,
    edge_ft: float,
    size: int,
) -> tuple[IntArray, IntArray]:
    """`bays._marks_of_edges`: strokes and parities of the edges of sections whose bays are wanted."""
    strokes, parity = np.zeros(size, np.int64), np.zeros(size, np.int64)
    for edge in range(section.size):
        owner = section[edge]
        if columns[owner] == 0:
            continue
        ua, va, ub, vb = u0[edge], v0[edge], u1[edge], v1[edge]
        least, most = min(va, vb), max(va, vb)
        rise = vb - va
        level = abs(rise) < 1e-9
        slope = 0.0 if level else (ub - ua) / rise
        clear = max(hanger_ft - side_clear_ft[owner], 0.0) + edge_ft
        begin = np.floor((least - beam_first[owner]) / beam_spacing[owner]) + 1.0
        end = np.floor((most - beam_first[owner]) / beam_spacing[owner]) + 1.0
        lines = beam_count[owner]
        low_line = 0 if not begin > 0.0 else (lines if begin > lines else np.int64(begin))
        high_line = 0 if not end > 0.0 else (lines if end > lines else np.int64(end))
        purlins = purlin_count[owner]
        p_first, p_spacing, border = purlin_first[owner], purlin_spacing[owner], first_u[owner]
        for line in range(low_line, high_line + 1):
            band_low, band_high = v_border[first_v[owner] + line], v_border[first_v[owner] + line + 1]
            inner_low, inner_high = band_low + edge_ft, band_high - edge_ft
            row = stroke_start[owner] + line * (columns[owner] + 1)
            if most >= inner_low and least <= inner_high:
                at_low, at_high = ua, ub
                if not level:
                    at_low = ua + (min(max(least, inner_low), inner_high) - va) * slope
                    at_high = ua + (min(max(most, inner_low), inner_high) - va) * slope
                low, high = min(at_low, at_high), max(at_low, at_high)
                cell = np.floor((low - p_first) / p_spacing) + 1.0
                from_cell = 0 if not cell > 0.0 else (purlins if cell > purlins else np.int64(cell))
                cell = np.floor((high - p_first) / p_spacing) + 1.0
                to_cell = 0 if not cell > 0.0 else (purlins if cell > purlins else np.int64(cell))
                if low > u_border[border + from_cell + 1] - clear:
                    from_cell += 1
                if high < u_border[border + to_cell] + clear:
                    to_cell -= 1
                if from_cell <= to_cell:
                    strokes[row + from_cell] += 1
                    strokes[row + to_cell + 1] -= 1
            middle = (band_low + band_high) / 2
            if (va <= middle) != (vb <= middle):
                crossing = ua + (middle - va) * slope
                cell = np.floor((crossing - p_first) / p_spacing) + 1.0
                at = 0 if not cell > 0.0 else (purlins if cell > purlins else np.int64(cell))
                centre = (u_border[border + at] + u_border[border + at + 1]) / 2
                parity[row + at + (1 if crossing >= centre else 0)] += 1
    return strokes, parity


def fill_cells(
    start: IntArray,
    columns: IntArray,
    u_border: FloatArray,
    first_u: IntArray,
    v_border: FloatArray,
    first_v: IntArray,
    stroke_start: IntArray,
    good: npt.NDArray[np.bool_],
    side_clear_ft: FloatArray,
    least_across_ft: FloatArray,
    hanger_ft: float,
    least_ft: float,
) -> tuple[
    IntArray, IntArray, IntArray, FloatArray, FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]
]:
    """`bays._cells`: the columns of `Bays` from its section to what is clear."""
    count = start[-1]
    section, row, column = np.empty(count, np.int64), np.empty(count, np.int64), np.empty(count, np.int64)
    u_low, u_high, v_low, v_high = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    clear = np.empty(count, np.bool_)
    for owner in range(columns.size):
        bay = start[owner]
        line = 0
        while bay < start[owner + 1]:
            low, high = v_border[first_v[owner] + line], v_border[first_v[owner] + line + 1]
            across = high - low
            wide = across - 2 * side_clear_ft[owner] >= least_ft and across >= least_across_ft[owner]
            place = stroke_start[owner] + line * (columns[owner] + 1)
            for number in range(columns[owner]):
                section[bay], row[bay], column[bay] = owner, line, number
                u_low[bay], u_high[bay] = (
                    u_border[first_u[owner] + number],
                    u_border[first_u[owner] + number + 1],
                )
                v_low[bay], v_high[bay] = low, high
                long = u_high[bay] - u_low[bay] - 2 * hanger_ft >= least_ft
                clear[bay] = good[place + number] and wide and long
                bay += 1
            line += 1
    return section, row, column, u_low, u_high, v_low, v_high, clear
