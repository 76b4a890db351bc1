"""Ladder spots: where to get up, and a second way off.

In: walls with their heights, what stands or lies in front of them, the stock, the scenario.
Out: `LadderSpots`: the two best spots of each section, with what counted for each.

Ruled out: party walls, gable ends, walls too short, no free ground for the base, ground where no
base can stand, a fence in between, a closed yard, a line overhead too close, a first foothold
beside an obstacle or the first opening. Every spot has a height of its own, and with it its
ladder, its setback and its base. A spot that a ladder reaches goes before one that only the aerial
reaches, and that before one out of reach; the rest is scored by the weights `ladder.weight.*`.
The best is rank 1, the best on another side and well apart is rank 2. A ladder that stands already is
rank 1 whatever speaks against it, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.framing.neighbours import Views
from roofplat.framing.ragged import FloatArray, IntArray, expand, first_of_equals, pair_up, take
from roofplat.framing.walls import Walls
from roofplat.placing.aerial import AERIAL_ANSWERS, AerialSpots, find_aerial_spots
from roofplat.placing.approach import Approach, parapets_at, too_near
from roofplat.placing.placed import Placed, doubt_bit
from roofplat.placing.reach import Reach, Stock, ladder_stock, working_reach
from roofplat.placing.scene import Boxes, farther, in_boxes, nearer
from roofplat.rules import Rulebook
from roofplat.tables import APPARATUS

__all__ = ["WISHES", "LadderSpots", "find_ladder_spots"]

Flags = npt.NDArray[np.bool_]
# How often the choice is made again before a section goes without a spot.
_ATTEMPTS = 5
WISHES = ("bearing", "corner", "upwind", "street", "away_from_fire", "short_path", "low_parapet")
_GROUND, _AERIAL, _OUT = range(len(APPARATUS))
_NOT_ASKED, _WORKS = (AERIAL_ANSWERS.index(answer) for answer in ("not asked", "works"))
# A score is at most 1; a better means always counts for more.
_STEP = 10.0
# Decimals of a score and of a foot that count: what a true north or a grid is rounded by decides nothing.
_EQUAL_SCORE, _EQUAL_AT = 4, 1


@dataclass(frozen=True, slots=True)
class LadderSpots:
    """Chosen spots, sorted by section and rank; shape (k,) each.

    section, rank, wall
        Owner, 1 or 2, and the wall as an index into the walls.
    base_east, base_north, tip_east, tip_north
        Ends in feet on the section's plane; the tip is where the ladder crosses the wall line, the
        base that of the ladder or the turntable of the aerial.
    foothold_u, foothold_v
        First foothold inside the edge, in section coordinates.
    means
        Number in `tables.APPARATUS`.
    support_ft, parapet_ft
        Roof edge and parapet above the ground, and the parapet alone.
    working_length_ft, base_setback_ft, ladder_ft
        Of the ground ladder, NaN for an aerial; the last NaN also where no ladder reaches.
    highest_ft
        Highest support that the means named reaches from there; out of reach, the best one.
    stock_highest_ft, scarce
        Highest support that the stock reaches, NaN where it is empty, and True where the first spot
        has taken the only ladder of the greatest length, so that what is left reaches less.
    aerial, aerial_setback_ft, aerial_highest_ft
        Number in `aerial.AERIAL_ANSWERS`; turntable to tip along the ground, and the highest
        support that the aerial reaches, NaN where it was not asked.
    in_zone
        True where the base stands inside the building's collapse zone.
    pushes_out
        True where the building's roof is known to push walls out.
    score
        0 to 1.
    wishes
        How far each of `WISHES` is met, 0 to 1, shape (k, 7).
    placed, doubts
        True for a ladder that stands already, and what speaks against its wall and its ground: a bit
        for each of `placed.DOUBTS`.
    """

    section: IntArray
    rank: IntArray
    wall: IntArray
    base_east: FloatArray
    base_north: FloatArray
    tip_east: FloatArray
    tip_north: FloatArray
    foothold_u: FloatArray
    foothold_v: FloatArray
    means: IntArray
    support_ft: FloatArray
    parapet_ft: FloatArray
    working_length_ft: FloatArray
    base_setback_ft: FloatArray
    ladder_ft: FloatArray
    highest_ft: FloatArray
    stock_highest_ft: FloatArray
    scarce: Flags
    aerial: IntArray
    aerial_setback_ft: FloatArray
    aerial_highest_ft: FloatArray
    in_zone: Flags
    pushes_out: Flags
    score: FloatArray
    wishes: FloatArray
    placed: Flags
    doubts: IntArray


def find_ladder_spots(
    frames: SectionFrames,
    walls: Walls,
    views: Views,
    approach: Approach,
    rules: Rulebook,
    *,
    active: Flags,
    bearing: FloatArray,
    side: npt.NDArray[Any],
    street_deg: FloatArray,
    wind_from_deg: FloatArray,
    fire_u: FloatArray,
    fire_v: FloatArray,
    first_opening: Boxes,
    obstacles: Boxes,
    meets_another: Flags,
    buildings: shapely.STRtree,
    placed: Placed,
) -> LadderSpots:
    """Find the best spot of each section, and the best on another side.

    Parameters
    ----------
    frames, walls, views
        n sections, their w walls and what those look at.
    approach
        Heights of those walls, and what stands or lies before them.
    rules
        `ladder.*`, `aerial.*`.
    active
        True for a section that wants ladders, shape (n,).
    bearing
        1 for a bearing wall, 0 for a nonbearing one, between for an unknown one, shape (w,).
    side
        Side letter of each wall as a number, shape (w,).
    street_deg, wind_from_deg, fire_u, fire_v
        Of each section, shape (n,).
    first_opening
        At most one box for each section.
    obstacles
        Boxes on the roof.
    meets_another
        True for a section that touches or overlaps another one, shape (n,).
    buildings
        Every section of the district, in the working CRS: no base may stand in one.
    placed
        Ladders that stand already, each the first spot of its section.

    Returns
    -------
    LadderSpots
        First what a ground ladder reaches, then what the aerial reaches, then what nothing
        reaches; for a roof family that pushes walls out, the aerial from outside the collapse
        zone before all, and the aerial from inside it after the ladder. Among those the best
        score; among equals (to 1e-4) the spot at lower u, then v (to 0.1 ft), nearer the street. What it
        is worth to be close to the work is counted from the farthest candidate on free ground.

    Notes
    -----
    The first spot takes the shortest ladder that reaches; the second the shortest that reaches and
    is left. An aerial is looked for where the stock does not reach, or not twice, where a roof
    pushes walls out, and where no ground of the section takes a base. A ladder that stands already is
    the shortest of the stock that reaches, else the aerial where that works, else out of reach.
    """
    count = frames.count
    stock = ladder_stock(rules)
    near = rules.number("ladder.corner_near_ft")
    landing = rules.number("ladder.landing_ft")
    wall, along = _candidates(walls, ~approach.no_ladder & active[walls.section], rules)
    wall, along, stands = _with_placed(walls, wall, along, placed)
    section = walls.section[wall]
    parapet, drawn = parapets_at(approach, wall, along)
    support = approach.edge_ft[wall] + parapet
    reach = working_reach(support, rules)
    setback = reach.base_setback_ft
    free = ~_blocked_ground(walls, views, approach, drawn, wall, along, setback, rules)

    wall_azimuth = np.radians(walls.azimuth_deg)
    sine, cosine = np.sin(wall_azimuth)[wall], np.cos(wall_azimuth)[wall]
    tip_east = walls.east0[wall] + along * sine
    tip_north = walls.north0[wall] + along * cosine
    base_east, base_north = tip_east - cosine * setback, tip_north + sine * setback
    ground = free & ~_bad_ground(frames, approach, free, section, base_east, base_north, tip_east, tip_north)

    # Where the stock does not do, an aerial is looked for.
    pushes = approach.zones.pushes_out[approach.building]
    last = stock.length_ft.size - 1
    scarce = last >= 0 and int(stock.count[last]) < 2
    unreached = reach.number > last - int(scarce)
    has_ground = np.bincount(section[ground & ~stands], minlength=count) > 0
    wants = unreached | (pushes | ~has_ground)[section]

    kept = np.flatnonzero(free | wants | stands)
    wall, section = wall[kept], section[kept]
    along, parapet, support = along[kept], parapet[kept], support[kept]
    tip_east, tip_north, base_east, base_north, sine, cosine = (
        column[kept] for column in (tip_east, tip_north, base_east, base_north, sine, cosine)
    )
    reach = take(reach, kept)
    free, ground, wants, stands = free[kept], ground[kept], wants[kept], stands[kept]
    foothold_u, foothold_v = frames.uv(tip_east + cosine * landing, tip_north - sine * landing, section)

    opening = first_opening.dense(count)
    off = rules.number("ladder.opening_clear_ft")
    bad = (
        (foothold_u > opening.u_low[section] - off)
        & (foothold_u < opening.u_high[section] + off)
        & (foothold_v > opening.v_low[section] - off)
        & (foothold_v < opening.v_high[section] + off)
    )
    in_the_way = obstacles.grown(rules.number("obstacle.path_clear_ft"))
    # A ladder that stands already does not compete with the others.
    bad |= in_boxes(foothold_u, foothold_v, section, in_the_way, count, with_border=False) | stands

    asked = np.flatnonzero((wants & ~bad) | stands)
    aerial = find_aerial_spots(
        frames,
        approach,
        buildings,
        rules,
        section=section[asked],
        tip_east=tip_east[asked],
        tip_north=tip_north[asked],
        outward_east=-cosine[asked],
        outward_north=sine[asked],
        support_ft=support[asked],
    )
    place = np.full(wall.size, asked.size)
    place[asked] = np.arange(asked.size)
    works = np.append(aerial.answer == _WORKS, False)[place]
    outside = works & ~np.append(aerial.in_zone, True)[place]

    # A corner that points inward is a pocket between two wings, not a strong point in the open.
    corner = np.minimum(
        np.where(walls.convex_start[wall], along, np.inf),
        np.where(walls.convex_end[wall], walls.length_ft[wall] - along, np.inf),
    )
    outward = np.radians(walls.outward_deg)
    upwind = (1 + np.cos(outward - np.radians(wind_from_deg)[walls.section])) / 2
    street = (1 + np.cos(outward - np.radians(street_deg)[walls.section])) / 2
    fire_u, fire_v = fire_u[section], fire_v[section]
    from_fire = _share_of(foothold_u - fire_u, foothold_v - fire_v, rules.number("ladder.fire_clear_ft"))
    wishes = {
        "bearing": bearing[wall],
        "corner": np.clip(1 - (corner - near) / rules.number("ladder.corner_fade_ft"), 0, 1),
        "upwind": upwind[wall],
        "street": np.nan_to_num(street, nan=0.0)[wall],
        "away_from_fire": from_fire,
        "short_path": _shortness(foothold_u, foothold_v, section, free & ~stands, opening, count),
        "low_parapet": np.clip(1 - parapet / rules.number("ladder.parapet_full_ft"), 0, 1),
    }
    weights = {wish: rules.number(f"ladder.weight.{wish}") for wish in WISHES}
    score = sum((weights[wish] * wishes[wish] for wish in WISHES), np.zeros(wall.size))
    score /= sum(weights.values())

    pushed = pushes[section]
    ladder = ground & (reach.number <= last)
    means, preferred = _means(ladder, works, outside, ground, pushed)
    by_stock = np.select([reach.number <= last, works], [_GROUND, _AERIAL], default=_OUT)
    means = np.where(stands, by_stock, means)
    standing = np.full(count, -1, dtype=np.int64)
    standing[section[stands]] = np.flatnonzero(stands)
    ties = [(foothold_u, _EQUAL_AT), (foothold_v, _EQUAL_AT)]
    side_of = side[wall]
    # Overlapping outlines can put a base inside a building whose walls it does not cross; such a
    # spot is struck out and the choice made again.
    for _ in range(_ATTEMPTS):
        wanted = np.where(bad, np.inf, _STEP * preferred - score)
        best = first_of_equals([(wanted, _EQUAL_SCORE), *ties], section, count)
        best = np.where(standing >= 0, standing, best)
        has_first = best >= 0
        of_section = best[section]
        other = (
            has_first[section]
            & (side_of != side_of[of_section])
            & ~nearer(
                tip_east - tip_east[of_section],
                tip_north - tip_north[of_section],
                rules.number("ladder.apart_ft"),
            )
        )
        number, second_means = reach.number, means
        if wall.size and (stock.count < 2).any():
            number = _left(stock, reach.number, best, means, section)
            second_means, then = _means(ground & (number <= last), works, outside, ground, pushed)
            wanted = np.where(bad, np.inf, _STEP * then - score)
        second = first_of_equals([(np.where(other, wanted, np.inf), _EQUAL_SCORE), *ties], section, count)
        firsts, seconds = best[has_first], second[second >= 0]
        picked = np.concatenate([firsts, seconds])
        by = np.concatenate([means[firsts], second_means[seconds]])
        check = np.flatnonzero(meets_another[section[picked]] & (by != _AERIAL) & ~stands[picked])
        at = picked[check]
        x, y = frames.outlines.planes.crs(base_east[at], base_north[at], section[at])
        struck = np.unique(buildings.query(shapely.points(x, y), predicate="intersects")[0])
        bad[at[struck]] = True
        if not struck.size:
            break
    else:
        has_first &= ~bad[best] | stands[best]
        second = np.where(bad[second] | ~has_first, -1, second)

    firsts, seconds = best[has_first], second[second >= 0]
    picked = np.concatenate([firsts, seconds])
    rank = np.concatenate([np.full(firsts.size, 1), np.full(seconds.size, 2)])
    means = np.concatenate([means[firsts], second_means[seconds]])
    number = np.concatenate([reach.number[firsts], number[seconds]])
    order = np.lexsort((rank, section[picked])) if picked.size else np.empty(0, dtype=np.int64)
    picked, rank, means, number = picked[order], rank[order], means[order], number[order]
    doubts = np.zeros(picked.size, dtype=np.int64)
    there = np.flatnonzero(stands[picked])
    if there.size:
        at = picked[there]
        doubts[there] = _ground_doubts(
            frames,
            approach,
            buildings,
            section[at],
            free[at],
            (base_east[at], base_north[at]),
            (tip_east[at], tip_north[at]),
        )
        # A turntable stands on the street.
        doubts[there] = placed.doubts | np.where(means[there] == _AERIAL, 0, doubts[there])
    return _chosen(
        stock,
        approach,
        reach,
        aerial,
        place[picked],
        section=section[picked],
        rank=rank,
        wall=wall[picked],
        picked=picked,
        base=(base_east[picked], base_north[picked]),
        tip=(tip_east[picked], tip_north[picked]),
        foothold=(foothold_u[picked], foothold_v[picked]),
        means=means,
        number=number,
        support_ft=support[picked],
        parapet_ft=parapet[picked],
        pushes_out=pushed[picked],
        score=score[picked],
        wishes=np.stack([wishes[wish][picked] for wish in WISHES], axis=1),
        placed=stands[picked],
        doubts=doubts,
    )


def _with_placed(
    walls: Walls, wall: IntArray, along: FloatArray, placed: Placed
) -> tuple[IntArray, FloatArray, Flags]:
    """Candidates and ladders that stand already, ascending by section, and which are the latter."""
    stands = np.zeros(wall.size, dtype=bool)
    if not placed.section.size:
        return wall, along, stands
    wall, along = np.concatenate([wall, placed.wall]), np.concatenate([along, placed.along_ft])
    stands = np.arange(wall.size) >= stands.size
    order = np.argsort(walls.section[wall], kind="stable")
    return wall[order], along[order], stands[order]


def _ground_doubts(
    frames: SectionFrames,
    approach: Approach,
    buildings: shapely.STRtree,
    section: IntArray,
    free: Flags,
    base: tuple[FloatArray, FloatArray],
    tip: tuple[FloatArray, FloatArray],
) -> IntArray:
    """What the ground has against ladders that stand already."""
    points = shapely.points(*frames.outlines.planes.crs(*base, section))
    inside = np.zeros(section.size, dtype=bool)
    inside[buildings.query(points, predicate="intersects")[0]] = True
    yard = np.zeros(section.size, dtype=bool)
    if approach.yards is not None:
        yard[approach.yards.query(points, predicate="intersects")[0]] = True
    return (
        doubt_bit("ladder_ground_not_free", ~free)
        | doubt_bit("ladder_base_in_building", inside)
        | doubt_bit("ladder_in_closed_yard", yard & approach.by_yard[section])
        | doubt_bit("ladder_near_line", too_near(frames, section, *base, *tip, approach.lines_near))
        | doubt_bit("ladder_on_bad_ground", too_near(frames, section, *base, *base, approach.ground_near))
        | doubt_bit("ladder_across_fence", too_near(frames, section, *base, *tip, approach.fences))
    )


def _chosen(
    stock: Stock,
    approach: Approach,
    reach: Reach,
    aerial: AerialSpots,
    asked: IntArray,
    *,
    section: IntArray,
    rank: IntArray,
    wall: IntArray,
    picked: IntArray,
    base: tuple[FloatArray, FloatArray],
    tip: tuple[FloatArray, FloatArray],
    foothold: tuple[FloatArray, FloatArray],
    means: IntArray,
    number: IntArray,
    support_ft: FloatArray,
    parapet_ft: FloatArray,
    pushes_out: Flags,
    score: FloatArray,
    wishes: FloatArray,
    placed: Flags,
    doubts: IntArray,
) -> LadderSpots:
    """Fill in what the means of each chosen spot decides."""

    def of_aerial(name: str, nothing: Any) -> npt.NDArray[Any]:
        return np.append(getattr(aerial, name), nothing)[asked]

    up = means == _AERIAL
    lengths, highest = np.append(stock.length_ft, np.nan), np.append(stock.highest_ft, np.nan)
    ladder = np.where(means == _GROUND, number, stock.length_ft.size)
    aerial_highest = of_aerial("highest_ft", np.nan)
    size = stock.length_ft.size
    # Rows are sorted by rank within a section: the row before a second spot is its first.
    longest = (means == _GROUND) & (number == size - 1) & (rank == 1)
    scarce = np.zeros(rank.size, dtype=bool)
    if size and stock.count[-1] == 1:
        scarce[1:] = longest[:-1] & (rank[1:] == 2)
    of_stock = np.append([np.nan, np.nan], stock.highest_ft)[np.where(scarce, size, size + 1)]
    setback = np.where(up, np.nan, reach.base_setback_ft[picked])
    distance = approach.zones.distance_ft[approach.building[section]]
    # A ladder's base is as far from its own wall as its setback.
    in_zone = np.where(up, of_aerial("in_zone", False), np.nan_to_num(setback) <= distance).astype(bool)
    return LadderSpots(
        section=section,
        rank=rank,
        wall=wall,
        base_east=np.where(up, of_aerial("east", np.nan), base[0]),
        base_north=np.where(up, of_aerial("north", np.nan), base[1]),
        tip_east=tip[0],
        tip_north=tip[1],
        foothold_u=foothold[0],
        foothold_v=foothold[1],
        means=means,
        support_ft=support_ft,
        parapet_ft=parapet_ft,
        working_length_ft=np.where(up, np.nan, reach.working_length_ft[picked]),
        base_setback_ft=setback,
        ladder_ft=lengths[ladder],
        highest_ft=np.select(
            [means == _GROUND, up],
            [highest[ladder], aerial_highest],
            default=np.fmax(aerial_highest, of_stock),
        ),
        stock_highest_ft=of_stock,
        scarce=scarce,
        aerial=of_aerial("answer", _NOT_ASKED),
        aerial_setback_ft=of_aerial("setback_ft", np.nan),
        aerial_highest_ft=aerial_highest,
        in_zone=in_zone,
        pushes_out=pushes_out,
        score=score,
        wishes=wishes,
        placed=placed,
        doubts=doubts | doubt_bit("ladder_in_collapse_zone", placed & in_zone & pushes_out),
    )


def _candidates(walls: Walls, usable: Flags, rules: Rulebook) -> tuple[IntArray, FloatArray]:
    """Walls of the candidates, ascending, and how far along them they stand."""
    near, step = rules.number("ladder.corner_near_ft"), rules.number("ladder.step_ft")
    usable = usable & walls.shell & (walls.length_ft >= rules.number("ladder.least_wall_ft"))
    usable_walls = np.flatnonzero(usable)
    room = walls.length_ft[usable_walls] - 2 * near
    # Steps of equal length: a spot near either corner is a candidate, and none depends on the way along.
    steps = np.where(room <= 0, 0, np.ceil(room / step - 1e-9).astype(np.int64))
    which, number = expand(steps + 1)
    wall = usable_walls[which]
    along = np.where(
        room[which] <= 0,
        walls.length_ft[wall] / 2,
        near + room[which] * (number / np.maximum(steps[which], 1)),
    )
    return wall, along


def _means(
    ladder: Flags, works: Flags, outside: Flags, ground: Flags, pushed: Flags
) -> tuple[IntArray, FloatArray]:
    """What each candidate is reached by, and its place in the order of preference; infinite for none."""
    cases = [pushed & outside, ladder, works, ground]
    means = np.select(cases, [_AERIAL, _GROUND, _AERIAL, _OUT], default=_OUT)
    preferred = np.select(cases, [0.0, 1.0, 2.0, 3.0], default=np.inf)
    return means, preferred


def _left(stock: Stock, number: IntArray, best: IntArray, means: IntArray, section: IntArray) -> IntArray:
    """The shortest ladder that reaches each candidate once the section's first spot has its own."""
    taken = np.where((best >= 0) & (means[best] == _GROUND), number[best], -1)[section]
    single = np.append(stock.count == 1, False)
    return np.where((number == taken) & single[number], number + 1, number)


def _bad_ground(
    frames: SectionFrames,
    approach: Approach,
    free: Flags,
    section: IntArray,
    base_east: FloatArray,
    base_north: FloatArray,
    tip_east: FloatArray,
    tip_north: FloatArray,
) -> Flags:
    """Candidates under a line overhead, on ground that takes no base, behind a fence, in a yard."""
    bad = np.zeros(section.size, dtype=bool)
    some = np.flatnonzero(free)
    owner = section[some]
    base, tip = (base_east[some], base_north[some]), (tip_east[some], tip_north[some])
    bad[some] = too_near(frames, owner, *base, *tip, approach.lines_near)
    bad[some] |= too_near(frames, owner, *base, *base, approach.ground_near)
    bad[some] |= too_near(frames, owner, *base, *tip, approach.fences)
    if approach.yards is not None:
        some = np.flatnonzero(free & approach.by_yard[section])
        x, y = frames.outlines.planes.crs(base_east[some], base_north[some], section[some])
        bad[some[approach.yards.query(shapely.points(x, y), predicate="intersects")[0]]] = True
    return bad


def _blocked_ground(
    walls: Walls,
    views: Views,
    approach: Approach,
    drawn: Flags,
    wall: IntArray,
    along: FloatArray,
    setback_ft: FloatArray,
    rules: Rulebook,
) -> Flags:
    """Candidates whose ground, out behind the base and a little to both sides, is not free."""
    margin = rules.number("ladder.base_clear_ft")
    share = rules.number("ladder.base_share")
    plain = (approach.edge_ft + approach.parapet_ft) * (share / np.sqrt(1.0 - share**2))
    blocked = _seen(views, views.wall, plain[views.wall] + margin, wall, along, walls.section.size, margin)
    if drawn.any():
        # A parapet of its own gives a spot a depth of its own.
        own = np.flatnonzero(drawn)
        spot, view = pair_up(wall[own], views.wall, walls.section.size)
        seen = Views(spot, *(getattr(views, name)[view] for name in Views.__slots__[1:]))
        depth = setback_ft[own][spot] + margin
        blocked[own] = _seen(seen, spot, depth, np.arange(own.size), along[own], own.size, margin)
    return blocked


def _seen(
    views: Views,
    view_owner: IntArray,
    depth_ft: FloatArray,
    owner: IntArray,
    along: FloatArray,
    count: int,
    margin_ft: float,
) -> Flags:
    """Candidates with a viewed edge in front of them, nearer than the depth of that view."""
    # The building's own wall line is not in its own way; another building's is.
    near = np.where(views.own, 0.05, -margin_ft / 2)
    rise = views.t1 - views.t0
    level = np.abs(rise) < 1e-9
    safe = np.where(level, 1.0, rise)
    enter = np.clip((near - views.t0) / safe, 0, 1)
    leave = np.clip((depth_ft - views.t0) / safe, 0, 1)
    low, high = np.minimum(enter, leave), np.maximum(enter, leave)
    low, high = np.where(level, 0.0, low), np.where(level, 1.0, high)
    present = (np.maximum(views.t0, views.t1) > near) & (np.minimum(views.t0, views.t1) < depth_ft)
    run = views.s1 - views.s0
    ends = views.s0 + low * run, views.s0 + high * run
    s_low = np.minimum(*ends)[present] - margin_ft
    s_high = np.maximum(*ends)[present] + margin_ft
    candidate, block = pair_up(owner, view_owner[present], count)
    hit = (along[candidate] > s_low[block]) & (along[candidate] < s_high[block])
    result: Flags = np.bincount(candidate[hit], minlength=owner.size) > 0
    return result


def _share_of(u: FloatArray, v: FloatArray, whole_ft: float) -> FloatArray:
    """The hypotenuse of two sides as a share of a length, at most 1."""
    share = np.ones(u.size)
    rows = np.flatnonzero(~farther(u, v, whole_ft))
    share[rows] = np.minimum(np.hypot(u[rows], v[rows]) / whole_ft, 1)
    return share


def _shortness(
    u: FloatArray, v: FloatArray, section: IntArray, free: Flags, opening: Boxes, count: int
) -> FloatArray:
    """Shortness of the way to the work: 0 for the section's farthest candidate on free ground, toward 1.

    Measured along the members (the sum of the ways along and across the beams) to the centre of
    the first opening; 0 where there is none.
    """
    centre_u, centre_v = (opening.u_low + opening.u_high) / 2, (opening.v_low + opening.v_high) / 2
    way = np.nan_to_num(np.abs(u - centre_u[section]) + np.abs(v - centre_v[section]))
    farthest = np.zeros(count)
    if way.size:
        starts = np.flatnonzero(np.r_[True, section[1:] != section[:-1]])
        farthest[section[starts]] = np.maximum.reduceat(np.where(free, way, 0.0), starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        shortness: FloatArray = np.clip(np.nan_to_num(1.0 - way / farthest[section], neginf=0.0), 0.0, None)
    return shortness
