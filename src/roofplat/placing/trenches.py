"""The trench: a strip from wall to wall that a crew cuts to save the rest of a roof.

In: beams and purlins, openings, obstacles, the fire spot, the first ladder.
Out: `Trenches`: for each section at most one strip, and where it starts.

A trench follows a beam (with construction) or a purlin (against construction), on the fire's
side of it, so that the crew works from the bearing line on the side to be saved. The shortest
crossing wins among those far enough from the openings that save enough of the section.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import Runs, SectionFrames
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    first_minimum,
    lists_of,
    marked,
    pair_up,
    stack,
    sums,
    take,
)
from roofplat.framing.walls import Walls
from roofplat.placing.scene import Boxes, Segments, touches_box
from roofplat.rules import Rulebook

__all__ = ["REFUSALS", "Trenches", "find_trenches"]

# A path this close to a strip touches it.
_TOUCH_FT = 0.01
REFUSALS = {
    "no_opening": "no opening is drawn, so there is nothing to lead",
    "trench_not_listed": "the roof family lists no way for a trench to run",
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
    width_ft: FloatArray,
    clear_ft: FloatArray,
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
        `trench.lead_ft`, `trench.least_saved_share`, `obstacle.clear_ft`, `ladder.opening_clear_ft`.
    width_ft, clear_ft
        Width of a trench, and how far it keeps from the member it follows, shape (n,).
    nonbearing
        True for a wall that no trench may end at, shape (w,).
    fire_u, fire_v, tip_u, tip_v
        Fire spot and first foothold of each section, shape (n,); NaN without a ladder.
    way
        Legs of the path from the first ladder: no trench cuts or touches it. The second ladder may
        stand on the side to be saved, where it serves those who cut the trench.

    Returns
    -------
    trenches
        The shortest crossing is that of the shortest member; among equals (to 0.1 ft) the one
        nearest the openings, then along a beam, then at the lower coordinate across and along.
    refused
        For each section a key of `REFUSALS`, or an empty text, shape (n,).
    """
    count = frames.count
    lead = rules.number("trench.lead_ft")
    span = _opening_span(openings, count)
    has_opening = np.isfinite(span[0])

    candidates = _candidates(frames, beam_runs, purlin_runs, span, has_opening, clear_ft + width_ft, lead)
    refused = np.where(has_opening, "trench_no_room", "no_opening").astype(object)
    refused[candidates.section] = "trench_no_crossing"

    cross = frames.u0 * frames.v1 - frames.u1 * frames.v0
    area = np.abs(sums(cross, frames.outlines.section, count)) / 2
    results = []
    best = np.flatnonzero(np.diff(candidates.section, prepend=-1) != 0)
    # First the best candidate of every section; then, where it will not do, all others at once.
    rest = np.setdiff1d(np.arange(candidates.section.size), best)
    for second in (False, True):
        rows = rest[refused[candidates.section[rest]] != ""] if second else best
        chosen = take(candidates, rows)
        trenches = _look_closely(
            frames,
            walls,
            chosen,
            _strips(frames, chosen, width_ft[chosen.section], clear_ft[chosen.section]),
            obstacles,
            rules,
            offset=(width_ft + clear_ft)[chosen.section],
            area=area,
            nonbearing=nonbearing,
            fire_u=fire_u,
            fire_v=fire_v,
            tip_u=tip_u,
            tip_v=tip_v,
            way=way,
        )
        # Candidates stay in order of preference, so the first good one of a section is its best.
        _, first = np.unique(trenches.section, return_index=True)
        trenches = take(trenches, first)
        refused[trenches.section] = ""
        results.append(trenches)
    found = stack(results)
    return take(found, np.argsort(found.section, kind="stable")), refused


def _candidates(
    frames: SectionFrames,
    beam_runs: Runs,
    purlin_runs: Runs,
    span: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    has_opening: npt.NDArray[np.bool_],
    offset: FloatArray,
    lead: float,
) -> _Candidates:
    """Members that run between outer walls far enough from the openings, best first."""
    parts = []
    for along_beam, runs in ((True, beam_runs), (False, purlin_runs)):
        low, high = (span[2], span[3]) if along_beam else (span[0], span[1])
        shell = frames.outlines.shell
        between_walls = shell[runs.low_edge] & shell[runs.high_edge] & has_opening[runs.section]
        for sign in (1.0, -1.0):
            near_edge = runs.position - sign * offset[runs.section]
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
    order = np.lexsort(
        (
            _level(joined.middle, 2),
            _level(joined.position, 2),
            ~joined.along_beam,
            _level(joined.gap, 1),
            _level(joined.length, 1),
            joined.section,
        )
    )
    return take(joined, order)


def _level(values: FloatArray, decimals: int) -> FloatArray:
    """Values rounded to what counts as equal, free of noise in the last bits."""
    return np.asarray(np.round(np.round(values, decimals + 4), decimals))


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


def _strips(frames: SectionFrames, chosen: _Candidates, width: FloatArray, clear: FloatArray) -> _Strips:
    """Both long edges of each strip, out to the outline on either side of the member's middle."""
    near = chosen.position - chosen.sign * (clear + width)
    far = chosen.position - chosen.sign * clear
    low, high = np.minimum(near, far), np.maximum(near, far)
    low_ends, low_edges = _chords(frames, chosen, low)
    high_ends, high_edges = _chords(frames, chosen, high)
    return _Strips(low, high, low_ends, high_ends, low_edges, high_edges)


def _chords(frames: SectionFrames, chosen: _Candidates, level: FloatArray) -> tuple[FloatArray, IntArray]:
    """Where a line beside each member meets the outline, and at which edges, shape (k, 2).

    -1 for an edge says that the line's middle is not on the roof.
    """
    item, edge = lists_of(chosen.section, frames.outlines.start)
    beam = chosen.along_beam[item]
    along0 = np.where(beam, frames.u0[edge], frames.v0[edge])
    along1 = np.where(beam, frames.u1[edge], frames.v1[edge])
    across0 = np.where(beam, frames.v0[edge], frames.u0[edge])
    across1 = np.where(beam, frames.v1[edge], frames.u1[edge])
    straddles = (across0 <= level[item]) != (across1 <= level[item])
    item, edge = item[straddles], edge[straddles]
    across0, across1 = across0[straddles], across1[straddles]
    share = (level[item] - across0) / (across1 - across0)
    at = along0[straddles] + share * (along1 - along0)[straddles]
    above = at >= chosen.middle[item]
    count = chosen.section.size
    first_above = first_minimum(np.where(above, at, np.inf), item, count)
    first_below = first_minimum(np.where(above, np.inf, -at), item, count)
    on_roof = np.bincount(item[above], minlength=count) % 2 == 1
    usable = on_roof & (first_above >= 0) & (first_below >= 0)
    ends, edges = np.zeros((count, 2)), np.full((count, 2), -1, dtype=np.int64)
    for side, crossing in enumerate((first_below[usable], first_above[usable])):
        ends[usable, side] = at[crossing]
        edges[usable, side] = edge[crossing]
    return ends, edges


def _look_closely(
    frames: SectionFrames,
    walls: Walls,
    chosen: _Candidates,
    strip: _Strips,
    obstacles: Boxes,
    rules: Rulebook,
    *,
    offset: FloatArray,
    area: FloatArray,
    nonbearing: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    way: Segments,
) -> Trenches:
    """The strips that run clear from wall to wall and save enough."""
    # Both long edges end on the same two edges: the strip is a plain four-sided piece.
    good = np.all(strip.low_edges == strip.high_edges, axis=1) & np.all(strip.low_edges >= 0, axis=1)
    # Beside a corner that points inward a strip can be far longer than the member it follows.
    strip_ft = np.diff(strip.low_ends + strip.high_ends, axis=1)[:, 0] / 2
    good &= np.abs(strip_ft - chosen.length) <= 2 * offset
    boxes = _boxes(chosen, strip)
    near_obstacle = _overlapped(boxes, obstacles.grown(rules.number("obstacle.clear_ft")), frames.count)
    keep_off = boxes.grown(rules.number("ladder.opening_clear_ft"))
    at_u, at_v = tip_u[chosen.section], tip_v[chosen.section]
    at_ladder = (
        (at_u > keep_off.u_low)
        & (at_u < keep_off.u_high)
        & (at_v > keep_off.v_low)
        & (at_v < keep_off.v_high)
    )
    strip_of, leg = pair_up(chosen.section, way.section, frames.count)
    close = take(boxes.grown(_TOUCH_FT), strip_of)
    cuts = touches_box(way.u0[leg], way.v0[leg], way.u1[leg], way.v1[leg], close)
    good &= ~near_obstacle & ~at_ladder & ~marked(strip_of[cuts], good.size)
    chosen, strip = take(chosen, good), take(strip, good)

    # The chord on the far side cuts the outline in two; the part to be saved must be without fire.
    far_is_high = chosen.sign > 0
    level = np.where(far_is_high, strip.high, strip.low)
    chord = np.where(far_is_high[:, None], strip.high_ends, strip.low_ends)
    saved, fire_in = _cut_off(
        frames, chosen, level, chord, strip.low_edges, _courtyards(frames), fire_u, fire_v
    )
    share = saved / area[chosen.section]
    least = rules.number("trench.least_saved_share")
    good = ~fire_in & (share >= least) & (share <= 1 - least)
    chosen, strip, share = take(chosen, good), take(strip, good), share[good]
    trenches = _from_start_to_finish(frames, walls, chosen, strip, share, fire_u, fire_v, tip_u, tip_v)
    end_wall = _walls_at(frames, walls, trenches, trenches.end_low, trenches.end_high)
    return take(trenches, ~nonbearing[trenches.start_wall] & ~nonbearing[end_wall])


def _boxes(chosen: _Candidates, strip: _Strips) -> Boxes:
    along_low = np.minimum(strip.low_ends[:, 0], strip.high_ends[:, 0])
    along_high = np.maximum(strip.low_ends[:, 1], strip.high_ends[:, 1])
    beam = chosen.along_beam
    return Boxes(
        chosen.section,
        np.where(beam, along_low, strip.low),
        np.where(beam, along_high, strip.high),
        np.where(beam, strip.low, along_low),
        np.where(beam, strip.high, along_high),
    )


def _from_start_to_finish(
    frames: SectionFrames,
    walls: Walls,
    chosen: _Candidates,
    strip: _Strips,
    share: FloatArray,
    fire_u: FloatArray,
    fire_v: FloatArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
) -> Trenches:
    """Strips as trenches that start at the end away from the egress."""
    section, beam = chosen.section, chosen.along_beam
    tip_along = np.where(beam, tip_u[section], tip_v[section])
    middles = (strip.low_ends + strip.high_ends) / 2
    # Without a ladder the comparison is false and the trench starts at the low end.
    starts_high = np.abs(middles[:, 0] - tip_along) < np.abs(middles[:, 1] - tip_along)
    every, start = np.arange(section.size), starts_high.astype(int)
    trenches = Trenches(
        section=section,
        along_beam=beam,
        low=strip.low,
        high=strip.high,
        start_low=strip.low_ends[every, start],
        start_high=strip.high_ends[every, start],
        end_low=strip.low_ends[every, 1 - start],
        end_high=strip.high_ends[every, 1 - start],
        start_wall=np.zeros(section.size, dtype=np.int64),
        saves_sign=chosen.sign,
        saved_share=share,
        from_fire_ft=_from_fire(chosen, strip, fire_u, fire_v),
    )
    start_wall = _walls_at(frames, walls, trenches, trenches.start_low, trenches.start_high)
    return replace(trenches, start_wall=start_wall)


def _from_fire(chosen: _Candidates, strip: _Strips, fire_u: FloatArray, fire_v: FloatArray) -> FloatArray:
    """Fire spot to the nearer of the two long edges of each strip."""
    beam = chosen.along_beam
    along = np.where(beam, fire_u[chosen.section], fire_v[chosen.section])
    across = np.where(beam, fire_v[chosen.section], fire_u[chosen.section])
    edges = ((strip.low, strip.low_ends), (strip.high, strip.high_ends))
    distances = [
        np.hypot(np.maximum(np.maximum(ends[:, 0] - along, along - ends[:, 1]), 0.0), level - across)
        for level, ends in edges
    ]
    return np.minimum(*distances)


def _walls_at(
    frames: SectionFrames, walls: Walls, trenches: Trenches, low: FloatArray, high: FloatArray
) -> IntArray:
    """The wall nearest to one end of each trench."""
    along, across = (low + high) / 2, (trenches.low + trenches.high) / 2
    u = np.where(trenches.along_beam, along, across)
    v = np.where(trenches.along_beam, across, along)
    return _nearest_wall(frames, walls, u, v, trenches.section)


def _overlapped(boxes: Boxes, others: Boxes, count: int) -> npt.NDArray[np.bool_]:
    mine, other = pair_up(boxes.section, others.section, count)
    hit = (
        (boxes.u_low[mine] < others.u_high[other])
        & (boxes.u_high[mine] > others.u_low[other])
        & (boxes.v_low[mine] < others.v_high[other])
        & (boxes.v_high[mine] > others.v_low[other])
    )
    result: npt.NDArray[np.bool_] = np.bincount(mine[hit], minlength=boxes.section.size) > 0
    return result


def _cut_off(
    frames: SectionFrames,
    chosen: _Candidates,
    level: FloatArray,
    chord: FloatArray,
    edges: IntArray,
    holes: _Holes,
    fire_u: FloatArray,
    fire_v: FloatArray,
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Roof area of the part beyond each chord, and whether the fire spot lies in it.

    The part's border is the chord and the edges of the outer ring from one end of it to the
    other. Of the two ways round, it is the one that starts out beyond the chord.
    """
    owner, beam = chosen.section, chosen.along_beam
    every = np.arange(owner.size)
    ends_u = np.where(beam[:, None], chord, level[:, None])
    ends_v = np.where(beam[:, None], level[:, None], chord)
    # Walk from the end whose edge leads beyond the chord.
    first_edge = edges[:, 0]
    across1 = np.where(beam, frames.v1[first_edge], frames.u1[first_edge])
    from_first = chosen.sign * (across1 - level) > 0
    out_edge = np.where(from_first, edges[:, 0], edges[:, 1])
    in_edge = np.where(from_first, edges[:, 1], edges[:, 0])
    out_end = np.where(from_first, 0, 1)
    out_u, out_v = ends_u[every, out_end], ends_v[every, out_end]
    in_u, in_v = ends_u[every, 1 - out_end], ends_v[every, 1 - out_end]

    item, edge = lists_of(owner, frames.outlines.start)
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
    cross = np.bincount(item, weights=start_u * end_v - end_u * start_v, minlength=owner.size) + closing

    border = _Border(item, start_u, start_v, end_u, end_v, in_u, in_v, out_u, out_v)
    fire_in = border.holds(every, fire_u[owner], fire_v[owner])
    # A courtyard beyond the chord is no roof; a run of members never crosses one.
    which, hole = pair_up(owner, holes.section, frames.count)
    beyond = border.holds(which, holes.u[hole], holes.v[hole])
    lost = np.bincount(which[beyond], weights=holes.area[hole[beyond]], minlength=owner.size)
    return np.abs(cross) / 2 - lost, fire_in


@dataclass(frozen=True, slots=True)
class _Border:
    """The outlines of k parts cut off: edges by part, and the chord that closes each."""

    item: IntArray
    u0: FloatArray
    v0: FloatArray
    u1: FloatArray
    v1: FloatArray
    in_u: FloatArray
    in_v: FloatArray
    out_u: FloatArray
    out_v: FloatArray

    def holds(self, part: IntArray, u: FloatArray, v: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether points, shape (m,), lie in the parts they are asked of."""
        point, edge = pair_up(part, self.item, self.in_u.size)
        crossed = _right_of(self.u0[edge], self.v0[edge], self.u1[edge], self.v1[edge], u[point], v[point])
        count = np.bincount(point[crossed], minlength=part.size)
        count += _right_of(self.in_u[part], self.in_v[part], self.out_u[part], self.out_v[part], u, v)
        return np.asarray(count % 2 == 1)


@dataclass(frozen=True, slots=True)
class _Holes:
    """Courtyards, ascending by section: a corner and the area of each."""

    section: IntArray
    u: FloatArray
    v: FloatArray
    area: FloatArray


def _courtyards(frames: SectionFrames) -> _Holes:
    edge = np.flatnonzero(~frames.outlines.shell)
    following = frames.outlines.following[edge]
    # A ring's last edge leads back to its first.
    first = np.r_[True, following[:-1] <= edge[:-1]] if edge.size else np.empty(0, dtype=bool)
    ring = np.cumsum(first) - 1
    cross = frames.u0[edge] * frames.v1[edge] - frames.u1[edge] * frames.v0[edge]
    start = edge[first]
    return _Holes(
        section=frames.outlines.section[start],
        u=frames.u0[start],
        v=frames.v0[start],
        area=np.abs(np.bincount(ring, weights=cross, minlength=start.size)) / 2,
    )


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
    point, wall = lists_of(section, walls.start)
    east, north = frames.east_north(u, v, section)
    d_east, d_north = walls.east1 - walls.east0, walls.north1 - walls.north0
    p_east = east[point] - walls.east0[wall]
    p_north = north[point] - walls.north0[wall]
    square = np.maximum(walls.length_ft[wall] ** 2, 1e-12)
    share = np.clip((p_east * d_east[wall] + p_north * d_north[wall]) / square, 0, 1)
    gap = np.hypot(p_east - share * d_east[wall], p_north - share * d_north[wall])
    return wall[first_minimum(np.round(gap, 2).astype(float), point, u.size)]
