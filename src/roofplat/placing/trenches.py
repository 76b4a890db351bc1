"""The trench: a strip from wall to wall that a crew cuts to save the rest of a roof.

In: beams and purlins, openings, obstacles, the fire spot, the first ladder.
Out: `Trenches`: for each section at most one strip, and where it starts.

A trench follows a beam (with construction) or a purlin (against construction), on the fire's
side of it, so that the crew works from the bearing line on the side to be saved. The shortest
crossing wins among those far enough from the openings that save enough of the section.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import Grid, Runs, SectionFrames, scan
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    first_minimum,
    first_of_equals,
    marked,
    pair_up,
    stack,
    take,
)
from roofplat.framing.walls import Walls
from roofplat.placing.scene import Boxes, Segments, touches_box
from roofplat.rules import Rulebook

__all__ = ["REFUSALS", "Trenches", "find_trenches"]

# How many candidates of a section are looked at closely before it goes without a trench.
_ROUNDS = 6
REFUSALS = {
    "no_opening": "no opening is drawn, so there is nothing to lead",
    "trench_no_room": "no beam or purlin lies far enough from the openings",
    "trench_no_crossing": (
        "no crossing runs clear from wall to wall, off the path, and saves enough of the section"
    ),
}


@dataclass(frozen=True, slots=True)
class Trenches:
    """Strips, sorted by section; shape (k,) each.

    section
        Owner.
    along_beam
        True with construction (along a beam), False against it.
    low, high
        The two long edges: v of a trench along a beam, u of one along a purlin.
    start_low, start_high, end_low, end_high
        Where the long edges start and end, along the member; the start is away from the egress.
    start_wall
        Index of the wall it starts at.
    saves_sign
        +1 where the side to be saved lies at higher coordinates across the trench.
    saved_share
        Share of the section that it saves.
    from_fire_ft
        Fire spot to the nearest long edge.
    """

    section: IntArray
    along_beam: npt.NDArray[np.bool_]
    low: FloatArray
    high: FloatArray
    start_low: FloatArray
    start_high: FloatArray
    end_low: FloatArray
    end_high: FloatArray
    start_wall: IntArray
    saves_sign: FloatArray
    saved_share: FloatArray
    from_fire_ft: FloatArray

    def length_ft(self) -> FloatArray:
        """Wall to wall, along the middle of the strip."""
        return np.abs(self.end_low + self.end_high - self.start_low - self.start_high) / 2


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Members a trench may follow; `gap` is the way from the openings to the strip."""

    section: IntArray
    along_beam: npt.NDArray[np.bool_]
    sign: FloatArray
    position: FloatArray
    middle: FloatArray
    length: FloatArray
    gap: FloatArray


@dataclass(frozen=True, slots=True)
class _Strips:
    """The long edges of strips: where they lie, where they end and at which outline edges."""

    low: FloatArray
    high: FloatArray
    low_ends: FloatArray
    high_ends: FloatArray
    low_edges: IntArray
    high_edges: IntArray


def find_trenches(
    frames: SectionFrames,
    walls: Walls,
    beam_runs: Runs,
    purlin_runs: Runs,
    openings: Boxes,
    obstacles: Boxes,
    rules: Rulebook,
    *,
    nonbearing: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    way: Segments,
) -> tuple[Trenches, npt.NDArray[np.object_]]:
    """Find the trench of each section that has an opening.

    Parameters
    ----------
    frames, walls
        n sections and their walls.
    beam_runs, purlin_runs
        Pieces of members.
    openings
        All openings, ascending by section.
    obstacles
        Boxes that must not be cut, without clearance.
    rules
        `trench.*`, `obstacle.clear_ft`, `ladder.opening_clear_ft`.
    nonbearing
        True for a wall that no trench may end at, shape (w,).
    fire_u, fire_v, tip_u, tip_v
        Fire spot and first foothold of each section, shape (n,); NaN without a ladder.
    way
        Legs of the path from the first ladder: no trench cuts it.

    Returns
    -------
    trenches
        Among equal crossings (to 0.1 ft) the one nearest the openings, then along a beam, then
        at the lower coordinate.
    refused
        For each section a key of `REFUSALS`, or an empty text, shape (n,).
    """
    count = frames.count
    width = rules.number("trench.width_ft")
    clear = rules.number("trench.beam_clear_ft")
    lead = rules.number("trench.lead_ft")
    span = _opening_span(openings, count)
    has_opening = np.isfinite(span[0])

    candidates = _candidates(frames, beam_runs, purlin_runs, span, has_opening, clear + width, lead)
    refused = np.where(has_opening, "trench_no_room", "no_opening").astype(object)
    refused[candidates.section] = "trench_no_crossing"

    left = np.ones(candidates.section.size, dtype=bool)
    results = []
    for _ in range(_ROUNDS):
        best = first_of_equals(
            [
                np.where(left, np.round(candidates.length, 1), np.inf),
                np.round(candidates.gap, 1),
                np.where(candidates.along_beam, 0.0, 1.0),
                np.round(candidates.position, 2),
            ],
            candidates.section,
            count,
        )
        best = best[best >= 0]
        if not best.size:
            break
        left[best] = False
        chosen = take(candidates, best)
        good, trenches = _look_closely(
            frames,
            walls,
            chosen,
            _strips(frames, chosen, width, clear),
            obstacles,
            rules,
            nonbearing=nonbearing,
            fire_u=fire_u,
            fire_v=fire_v,
            tip_u=tip_u,
            tip_v=tip_v,
            way=way,
        )
        # Beside a corner that points inward a strip can be far longer than the member it follows.
        good &= np.abs(trenches.length_ft() - chosen.length) <= 2 * (width + clear)
        left &= ~marked(chosen.section[good], count)[candidates.section]
        refused[chosen.section[good]] = ""
        results.append(take(trenches, good))
    if not results:
        return _no_trenches(), refused
    found = stack(results)
    return take(found, np.argsort(found.section, kind="stable")), refused


def _candidates(
    frames: SectionFrames,
    beam_runs: Runs,
    purlin_runs: Runs,
    span: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    has_opening: npt.NDArray[np.bool_],
    offset: float,
    lead: float,
) -> _Candidates:
    """Members that run between outer walls far enough from the openings, sorted by section."""
    parts = []
    for along_beam, runs in ((True, beam_runs), (False, purlin_runs)):
        low, high = (span[2], span[3]) if along_beam else (span[0], span[1])
        shell = frames.outlines.shell
        between_walls = shell[runs.low_edge] & shell[runs.high_edge] & has_opening[runs.section]
        for sign in (1.0, -1.0):
            near_edge = runs.position - sign * offset
            gap = sign * (near_edge - (high if sign > 0 else low)[runs.section])
            keep = np.flatnonzero(between_walls & (np.nan_to_num(gap, nan=-np.inf) >= lead))
            parts.append(
                _Candidates(
                    section=runs.section[keep],
                    along_beam=np.full(keep.size, along_beam),
                    sign=np.full(keep.size, sign),
                    position=runs.position[keep],
                    middle=(runs.low[keep] + runs.high[keep]) / 2,
                    length=runs.high[keep] - runs.low[keep],
                    gap=gap[keep],
                )
            )
    joined = stack(parts)
    return take(joined, np.argsort(joined.section, kind="stable"))


def _no_trenches() -> Trenches:
    nothing, whole = np.empty(0), np.empty(0, dtype=np.int64)
    return Trenches(
        section=whole,
        along_beam=np.empty(0, dtype=bool),
        low=nothing,
        high=nothing,
        start_low=nothing,
        start_high=nothing,
        end_low=nothing,
        end_high=nothing,
        start_wall=whole,
        saves_sign=nothing,
        saved_share=nothing,
        from_fire_ft=nothing,
    )


def _opening_span(openings: Boxes, count: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Extent of the openings of each section, NaN without any."""
    spans = []
    for low, sign in (
        (openings.u_low, 1.0),
        (-openings.u_high, -1.0),
        (openings.v_low, 1.0),
        (-openings.v_high, -1.0),
    ):
        best = first_minimum(low, openings.section, count)
        spans.append(np.where(best >= 0, sign * low[best] if low.size else np.nan, np.nan))
    return spans[0], spans[1], spans[2], spans[3]


def _strips(frames: SectionFrames, chosen: _Candidates, width: float, clear: float) -> _Strips:
    """Both long edges of each strip, clipped to the outline by the scan-line pass."""
    section = chosen.section
    near = chosen.position - chosen.sign * (clear + width)
    far = chosen.position - chosen.sign * clear
    levels = np.minimum(near, far), np.maximum(near, far)
    every = np.full(frames.count, -1, dtype=np.int64)
    every[section] = np.arange(section.size)
    ends = np.full((2, section.size, 2), np.nan)
    edges = np.full((2, section.size, 2), -1, dtype=np.int64)
    for side, level in enumerate(levels):
        for beam in (True, False):
            mine = chosen.along_beam == beam
            first = np.zeros(frames.count)
            number = np.zeros(frames.count, dtype=np.int64)
            first[section[mine]] = level[mine]
            number[section[mine]] = 1
            runs = scan(frames, Grid(first, np.ones(frames.count), number), "u" if beam else "v")
            which = every[runs.section]
            hit = (runs.low <= chosen.middle[which]) & (runs.high >= chosen.middle[which])
            ends[side, which[hit]] = np.stack([runs.low[hit], runs.high[hit]], axis=1)
            edges[side, which[hit]] = np.stack([runs.low_edge[hit], runs.high_edge[hit]], axis=1)
    return _Strips(*levels, ends[0], ends[1], edges[0], edges[1])


def _look_closely(
    frames: SectionFrames,
    walls: Walls,
    chosen: _Candidates,
    strip: _Strips,
    obstacles: Boxes,
    rules: Rulebook,
    *,
    nonbearing: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    way: Segments,
) -> tuple[npt.NDArray[np.bool_], Trenches]:
    """Which strips run clear from wall to wall and save enough, and all of them as trenches."""
    section, along_beam, sign = chosen.section, chosen.along_beam, chosen.sign
    # Both long edges end on the same two edges: the strip is a plain four-sided piece.
    good = np.all(strip.low_edges == strip.high_edges, axis=1) & np.all(strip.low_edges >= 0, axis=1)
    low_ends, high_ends = np.nan_to_num(strip.low_ends), np.nan_to_num(strip.high_ends)

    box_low = np.minimum(low_ends[:, 0], high_ends[:, 0])
    box_high = np.maximum(low_ends[:, 1], high_ends[:, 1])
    boxes = Boxes(
        section,
        np.where(along_beam, box_low, strip.low),
        np.where(along_beam, box_high, strip.high),
        np.where(along_beam, strip.low, box_low),
        np.where(along_beam, strip.high, box_high),
    )
    good &= ~_overlaps(boxes, obstacles.grown(rules.number("obstacle.clear_ft")), frames.count)
    keep_off = boxes.grown(rules.number("ladder.opening_clear_ft"))
    with np.errstate(invalid="ignore"):
        good &= ~(
            (tip_u[section] > keep_off.u_low)
            & (tip_u[section] < keep_off.u_high)
            & (tip_v[section] > keep_off.v_low)
            & (tip_v[section] < keep_off.v_high)
        )

    strip_of, leg = pair_up(section, way.section, frames.count)
    cut = touches_box(way.u0[leg], way.v0[leg], way.u1[leg], way.v1[leg], take(boxes, strip_of))
    good &= ~marked(strip_of[cut], section.size)

    # The chord on the far side cuts the outline in two; the part to be saved must be without fire.
    far_is_high = sign > 0
    level = np.where(far_is_high, strip.high, strip.low)
    chord = np.where(far_is_high[:, None], high_ends, low_ends)
    edges = np.where(far_is_high[:, None], strip.high_edges, strip.low_edges)
    saved, fire_in = _cut_off(frames, section, along_beam, sign, level, chord, edges, good, fire_u, fire_v)
    total = _area(frames)[section]
    share = saved / total
    least = rules.number("trench.least_saved_share")
    good &= ~fire_in & (share >= least) & (share <= 1 - least)

    tip_along = np.where(along_beam, tip_u[section], tip_v[section])
    low_middle = (low_ends[:, 0] + high_ends[:, 0]) / 2
    high_middle = (low_ends[:, 1] + high_ends[:, 1]) / 2
    # Start at the end away from the egress; without a ladder, at the low end.
    starts_low = ~(np.abs(low_middle - tip_along) < np.abs(high_middle - tip_along))
    start_low = np.where(starts_low, low_ends[:, 0], low_ends[:, 1])
    start_high = np.where(starts_low, high_ends[:, 0], high_ends[:, 1])
    end_low = np.where(starts_low, low_ends[:, 1], low_ends[:, 0])
    end_high = np.where(starts_low, high_ends[:, 1], high_ends[:, 0])
    middle = (strip.low + strip.high) / 2
    walls_at = []
    for along in ((start_low + start_high) / 2, (end_low + end_high) / 2):
        u = np.where(along_beam, along, middle)
        v = np.where(along_beam, middle, along)
        walls_at.append(_nearest_wall(frames, walls, u, v, section))
    start_wall, end_wall = walls_at
    good &= ~nonbearing[start_wall] & ~nonbearing[end_wall]

    fire_across = np.where(along_beam, fire_v[section], fire_u[section])
    from_fire = np.maximum(np.maximum(strip.low - fire_across, fire_across - strip.high), 0.0)
    return good, Trenches(
        section=section,
        along_beam=along_beam,
        low=strip.low,
        high=strip.high,
        start_low=start_low,
        start_high=start_high,
        end_low=end_low,
        end_high=end_high,
        start_wall=start_wall,
        saves_sign=sign,
        saved_share=share,
        from_fire_ft=from_fire,
    )


def _overlaps(boxes: Boxes, others: Boxes, count: int) -> npt.NDArray[np.bool_]:
    mine, other = pair_up(boxes.section, others.section, count)
    hit = (
        (boxes.u_low[mine] < others.u_high[other])
        & (boxes.u_high[mine] > others.u_low[other])
        & (boxes.v_low[mine] < others.v_high[other])
        & (boxes.v_high[mine] > others.v_low[other])
    )
    result: npt.NDArray[np.bool_] = np.bincount(mine[hit], minlength=boxes.section.size) > 0
    return result


def _area(frames: SectionFrames) -> FloatArray:
    cross = frames.u0 * frames.v1 - frames.u1 * frames.v0
    return np.abs(np.bincount(frames.outlines.section, weights=cross, minlength=frames.count)) / 2


def _cut_off(
    frames: SectionFrames,
    section: IntArray,
    along_beam: npt.NDArray[np.bool_],
    sign: FloatArray,
    level: FloatArray,
    chord: FloatArray,
    edges: IntArray,
    good: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Area of the part beyond each chord, and whether the fire spot lies in it.

    The part's border is the chord and the edges of the outer ring from one end of it to the
    other. Of the two ways round, it is the one that starts out beyond the chord.
    """
    area = np.zeros(section.size)
    fire_in = np.zeros(section.size, dtype=bool)
    rows = np.flatnonzero(good)
    if not rows.size:
        return area, fire_in
    owner, beam = section[rows], along_beam[rows]
    ends_u = np.where(beam[:, None], chord[rows], level[rows][:, None])
    ends_v = np.where(beam[:, None], level[rows][:, None], chord[rows])
    # Walk from the end whose edge leads beyond the chord.
    first_edge = edges[rows, 0]
    across1 = np.where(beam, frames.v1[first_edge], frames.u1[first_edge])
    from_first = sign[rows] * (across1 - level[rows]) > 0
    out_edge = np.where(from_first, edges[rows, 0], edges[rows, 1])
    in_edge = np.where(from_first, edges[rows, 1], edges[rows, 0])
    out_end = np.where(from_first, 0, 1)
    every = np.arange(rows.size)
    out_u, out_v = ends_u[every, out_end], ends_v[every, out_end]
    in_u, in_v = ends_u[every, 1 - out_end], ends_v[every, 1 - out_end]

    item, edge = pair_up(owner, frames.outlines.section, frames.count)
    # The outer ring's edges come first and in order, so walking it is counting up, once round.
    first = frames.outlines.start[owner]
    shell_edges = np.bincount(
        frames.outlines.section, weights=frames.outlines.shell, minlength=frames.count
    ).astype(np.int64)[owner]
    place = (edge - out_edge[item]) % np.maximum(shell_edges[item], 1)
    reach = (in_edge - out_edge) % np.maximum(shell_edges, 1)
    on_way = frames.outlines.shell[edge] & (place <= reach[item]) & (edge - first[item] >= 0)
    item, edge, place = item[on_way], edge[on_way], place[on_way]
    start_u = np.where(place == 0, out_u[item], frames.u0[edge])
    start_v = np.where(place == 0, out_v[item], frames.v0[edge])
    last = place == reach[item]
    end_u = np.where(last, in_u[item], frames.u1[edge])
    end_v = np.where(last, in_v[item], frames.v1[edge])
    closing = in_u * out_v - out_u * in_v
    cross = np.bincount(item, weights=start_u * end_v - end_u * start_v, minlength=rows.size) + closing
    area[rows] = np.abs(cross) / 2

    level_v, level_u = fire_v[owner], fire_u[owner]
    crossings = _right_of(start_u, start_v, end_u, end_v, level_u[item], level_v[item])
    count = np.bincount(item[crossings], minlength=rows.size)
    count += _right_of(in_u, in_v, out_u, out_v, level_u, level_v)
    fire_in[rows] = count % 2 == 1
    return area, fire_in


def _right_of(
    u0: FloatArray, v0: FloatArray, u1: FloatArray, v1: FloatArray, u: FloatArray, v: FloatArray
) -> npt.NDArray[np.bool_]:
    """Whether a ray from (u, v) toward higher u crosses the segment."""
    straddles = (v0 <= v) != (v1 <= v)
    rise = np.where(straddles, v1 - v0, 1.0)
    result: npt.NDArray[np.bool_] = straddles & (u0 + (v - v0) / rise * (u1 - u0) > u)
    return result


def _nearest_wall(
    frames: SectionFrames, walls: Walls, u: FloatArray, v: FloatArray, section: IntArray
) -> IntArray:
    point, wall = pair_up(section, walls.section, frames.count)
    east, north = frames.east_north(u, v, section)
    d_east, d_north = walls.east1 - walls.east0, walls.north1 - walls.north0
    p_east = east[point] - walls.east0[wall]
    p_north = north[point] - walls.north0[wall]
    square = np.maximum(walls.length_ft[wall] ** 2, 1e-12)
    share = np.clip((p_east * d_east[wall] + p_north * d_north[wall]) / square, 0, 1)
    gap = np.hypot(p_east - share * d_east[wall], p_north - share * d_north[wall])
    return wall[first_minimum(np.round(gap, 2).astype(float), point, u.size)]
