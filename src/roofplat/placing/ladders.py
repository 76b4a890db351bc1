"""Ladder spots: where to get up, and a second way off.

In: walls, what stands in front of them, heights, lines overhead, the scenario.
Out: `LadderSpots`: the two best spots of each section, with what counted for each.

Ruled out: party walls, walls too short, no free ground for the base, a line overhead too close,
a first foothold beside an obstacle or the first opening. The rest is scored by the weights
`ladder.weight.*`; the best is rank 1, the best on another side and well apart is rank 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.framing.neighbours import Views
from roofplat.framing.ragged import FloatArray, IntArray, expand, first_of_equals, pair_up
from roofplat.framing.walls import Walls
from roofplat.placing.scene import Boxes, in_boxes
from roofplat.rules import Rulebook
from roofplat.tables import APPARATUS

__all__ = ["LadderSpots", "Reach", "find_ladder_spots", "line_clearance_ft", "working_reach"]

# How often the choice is made again before a section goes without a spot.
_ATTEMPTS = 5
WISHES = ("bearing", "corner", "upwind", "street", "away_from_fire", "short_path")


@dataclass(frozen=True, slots=True)
class Reach:
    """How the roof edge of each of n sections is reached; shape (n,) each.

    working_length_ft
        Ground to the support, along the ladder.
    base_setback_ft
        Base to wall along the ground.
    ladder_ft
        Shortest ladder of the stock that reaches, NaN where none does.
    means
        Number in `tables.APPARATUS`: ground ladder, aerial or out of reach.
    """

    working_length_ft: FloatArray
    base_setback_ft: FloatArray
    ladder_ft: FloatArray
    means: IntArray


@dataclass(frozen=True, slots=True)
class LadderSpots:
    """Chosen spots, sorted by section and rank; shape (k,) each.

    section, rank, wall
        Owner, 1 or 2, and the wall as an index into the walls.
    base_east, base_north, tip_east, tip_north
        Ends in feet on the section's plane; the tip is where the ladder crosses the wall line.
    foothold_u, foothold_v
        First foothold inside the edge, in section coordinates.
    score
        0 to 1.
    wishes
        How far each of `WISHES` is met, 0 to 1, shape (k, 6).
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
    score: FloatArray
    wishes: FloatArray


def working_reach(support_ft: FloatArray, rules: Rulebook) -> Reach:
    """Ladder length, setback and means for supports at given heights.

    Parameters
    ----------
    support_ft
        Height of the support (roof edge plus parapet) above the ground, shape (n,).
    rules
        `ladder.base_share`, `ladder.tip_above_edge_ft`, `ladder.stock_ft`,
        `ladder.aerial_reach_ft`.

    Returns
    -------
    Reach

    Notes
    -----
    The base stands at a quarter of the working length measured along the ladder
    (29 CFR 1926.1053(b)(5)(i)), so the angle is acos(1/4) = 75.5 degrees. A ladder reaches when
    its full length at that angle ends at least 3 ft above the support (1926.1053(b)(1)).

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> reach = working_reach(np.array([20.0, 40.0, 200.0]), load_rulebook())
    >>> reach.ladder_ft.tolist(), [APPARATUS[number] for number in reach.means]
    ([24.0, nan, nan], ['ground_ladder', 'aerial', 'out_of_reach'])
    """
    share = rules.number("ladder.base_share")
    rise = np.sqrt(1.0 - share**2)
    stock = np.sort(np.array(rules.numbers("ladder.stock_ft"), dtype=float))
    highest = stock * rise - rules.number("ladder.tip_above_edge_ft")
    # A support at the limit, to a hundredth of a foot, is reached.
    place = np.searchsorted(highest + 0.005, support_ft)
    ladder = np.append(stock, np.nan)[place]
    aerial = support_ft <= rules.number("ladder.aerial_reach_ft")
    ground, up, out = range(len(APPARATUS))
    means = np.where(np.isfinite(ladder), ground, np.where(aerial, up, out)).astype(np.int64)
    working = support_ft / rise
    return Reach(working, share * working, ladder, means)


def line_clearance_ft(voltage_kv: FloatArray, rules: Rulebook) -> FloatArray:
    """Clearance from overhead lines by voltage (29 CFR 1926.1408 Table A).

    Parameters
    ----------
    voltage_kv
        Shape (n,); NaN takes `line.unknown_kv`.
    rules
        `line.*`.

    Returns
    -------
    ndarray of float
        Feet, shape (n,); each band includes its upper value, and a line above the last band
        keeps the last clearance until the owner gives one.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> line_clearance_ft(np.array([50.0, 50.1, np.nan]), load_rulebook()).tolist()
    [10.0, 15.0, 10.0]
    """
    bands = np.array(rules.numbers("line.upto_kv"))
    clearance = np.array(rules.numbers("line.clearance_ft"))
    voltage = np.where(np.isfinite(voltage_kv), voltage_kv, rules.number("line.unknown_kv"))
    result: FloatArray = clearance[np.minimum(np.searchsorted(bands, voltage), clearance.size - 1)]
    return result


def find_ladder_spots(
    frames: SectionFrames,
    walls: Walls,
    views: Views,
    rules: Rulebook,
    *,
    active: npt.NDArray[np.bool_],
    party: npt.NDArray[np.bool_],
    bearing: FloatArray,
    side: npt.NDArray[Any],
    setback_ft: FloatArray,
    street_deg: FloatArray,
    wind_from_deg: FloatArray,
    fire_u: FloatArray,
    fire_v: FloatArray,
    first_opening: Boxes,
    obstacles: Boxes,
    line_section: IntArray,
    line_geometry: npt.NDArray[np.object_],
    line_clear_units: FloatArray,
    meets_another: npt.NDArray[np.bool_],
    buildings: shapely.STRtree,
) -> LadderSpots:
    """Find the best spot of each section, and the best on another side.

    Parameters
    ----------
    frames, walls, views
        n sections, their w walls and what those look at.
    rules
        `ladder.*`.
    active
        True for a section that wants ladders, shape (n,).
    party
        True for a wall that no ladder can stand against, shape (w,).
    bearing
        1 for a bearing wall, 0 for a nonbearing one, between for an unknown one, shape (w,).
    side
        Side letter of each wall as a number, shape (w,).
    setback_ft, street_deg, wind_from_deg, fire_u, fire_v
        Of each section, shape (n,).
    first_opening
        At most one box for each section.
    obstacles
        Boxes on the roof.
    line_section, line_geometry, line_clear_units
        Overhead lines near a section, ascending by section, with their clearance in units of
        the working CRS.
    meets_another
        True for a section that touches or overlaps another one, shape (n,).
    buildings
        Every section of the district, in the working CRS: no base may stand in one.

    Returns
    -------
    LadderSpots
        Among equals (score to 1e-6) the spot farthest west, then farthest south. What it is worth
        to be close to the work is counted from the farthest candidate on free ground.
    """
    count = frames.count
    near = rules.number("ladder.corner_near_ft")
    step = rules.number("ladder.step_ft")
    landing = rules.number("ladder.landing_ft")
    clear = rules.number("ladder.base_clear_ft")
    usable = (
        walls.shell
        & ~party
        & active[walls.section]
        & (walls.length_ft >= rules.number("ladder.least_wall_ft"))
    )
    usable_walls = np.flatnonzero(usable)
    room = walls.length_ft[usable_walls] - 2 * near
    # The last step may be short: the spot near the far corner is always a candidate.
    spots = np.where(room <= 0, 1, np.ceil(room / step - 1e-9).astype(np.int64) + 1)
    which, number = expand(spots)
    wall = usable_walls[which]
    along = np.where(
        room[which] <= 0, walls.length_ft[wall] / 2, near + np.minimum(number * step, room[which])
    )

    blocked = _blocked_ground(walls, views, setback_ft + clear, clear, wall, along)
    wall, along = wall[~blocked], along[~blocked]
    section = walls.section[wall]
    wall_azimuth = np.radians(walls.azimuth_deg)
    sine, cosine = np.sin(wall_azimuth)[wall], np.cos(wall_azimuth)[wall]
    tip_east = walls.east0[wall] + along * sine
    tip_north = walls.north0[wall] + along * cosine
    setback = setback_ft[section]
    base_east, base_north = tip_east - cosine * setback, tip_north + sine * setback
    foothold_u, foothold_v = frames.uv(tip_east + cosine * landing, tip_north - sine * landing, section)

    opening = first_opening.dense(count)
    off = rules.number("ladder.opening_clear_ft")
    bad = (
        (foothold_u > opening.u_low[section] - off)
        & (foothold_u < opening.u_high[section] + off)
        & (foothold_v > opening.v_low[section] - off)
        & (foothold_v < opening.v_high[section] + off)
    )
    in_the_way = obstacles.grown(rules.number("obstacle.clear_ft"))
    bad |= in_boxes(foothold_u, foothold_v, section, in_the_way, count, with_border=False)
    bad |= _under_lines(
        frames,
        section,
        base_east,
        base_north,
        tip_east,
        tip_north,
        line_section,
        line_geometry,
        line_clear_units,
    )

    # A corner that points inward is a pocket between two wings, not a strong point in the open.
    corner = np.minimum(
        np.where(walls.convex_start[wall], along, np.inf),
        np.where(walls.convex_end[wall], walls.length_ft[wall] - along, np.inf),
    )
    outward = np.radians(walls.outward_deg)
    upwind = (1 + np.cos(outward - np.radians(wind_from_deg)[walls.section])) / 2
    street = (1 + np.cos(outward - np.radians(street_deg)[walls.section])) / 2
    fire_distance = np.hypot(foothold_u - fire_u[section], foothold_v - fire_v[section])
    wishes = {
        "bearing": bearing[wall],
        "corner": np.clip(1 - (corner - near) / rules.number("ladder.corner_fade_ft"), 0, 1),
        "upwind": upwind[wall],
        "street": np.nan_to_num(street, nan=0.0)[wall],
        "away_from_fire": np.minimum(fire_distance / rules.number("ladder.fire_clear_ft"), 1),
        "short_path": _shortness(foothold_u, foothold_v, section, opening, count),
    }
    weights = {wish: rules.number(f"ladder.weight.{wish}") for wish in WISHES}
    score = sum((weights[wish] * wishes[wish] for wish in WISHES), np.zeros(wall.size))
    score /= sum(weights.values())

    ties = [(tip_east, 2), (tip_north, 2)]
    # Overlapping outlines can put a base inside a building whose walls it does not cross; such a
    # spot is struck out and the choice made again.
    for _ in range(_ATTEMPTS):
        wanted = np.where(bad, np.inf, -score)
        best = first_of_equals([(wanted, 6), *ties], section, count)
        has_first = best >= 0
        apart = np.hypot(tip_east - tip_east[best[section]], tip_north - tip_north[best[section]])
        other = (
            has_first[section]
            & (side[wall] != side[wall[best[section]]])
            & (apart >= rules.number("ladder.apart_ft"))
        )
        second = first_of_equals([(np.where(other, wanted, np.inf), 6), *ties], section, count)
        picked = np.concatenate([best[has_first], second[second >= 0]])
        picked = picked[meets_another[section[picked]]]
        x, y = frames.outlines.planes.crs(base_east[picked], base_north[picked], section[picked])
        struck = np.unique(buildings.query(shapely.points(x, y), predicate="intersects")[0])
        bad[picked[struck]] = True
        if not struck.size:
            break
    else:
        has_first &= ~bad[best]
        second = np.where(bad[second] | ~has_first, -1, second)

    picked = np.concatenate([best[has_first], second[second >= 0]])
    rank = np.concatenate([np.full(has_first.sum(), 1), np.full((second >= 0).sum(), 2)])
    order = np.lexsort((rank, section[picked])) if picked.size else np.empty(0, dtype=np.int64)
    picked, rank = picked[order], rank[order]
    return LadderSpots(
        section=section[picked],
        rank=rank,
        wall=wall[picked],
        base_east=base_east[picked],
        base_north=base_north[picked],
        tip_east=tip_east[picked],
        tip_north=tip_north[picked],
        foothold_u=foothold_u[picked],
        foothold_v=foothold_v[picked],
        score=score[picked],
        wishes=np.stack([wishes[wish][picked] for wish in WISHES], axis=1),
    )


def _blocked_ground(
    walls: Walls, views: Views, depth_ft: FloatArray, margin_ft: float, wall: IntArray, along: FloatArray
) -> npt.NDArray[np.bool_]:
    """Candidates whose ground, out to a depth and a little to both sides, is not free."""
    deep = depth_ft[walls.section[views.wall]]
    # The building's own wall line is not in its own way; another building's is.
    near = np.where(views.own, 0.05, -margin_ft / 2)
    rise = views.t1 - views.t0
    level = np.abs(rise) < 1e-9
    safe = np.where(level, 1.0, rise)
    enter = np.clip((near - views.t0) / safe, 0, 1)
    leave = np.clip((deep - views.t0) / safe, 0, 1)
    low, high = np.minimum(enter, leave), np.maximum(enter, leave)
    low, high = np.where(level, 0.0, low), np.where(level, 1.0, high)
    present = (np.maximum(views.t0, views.t1) > near) & (np.minimum(views.t0, views.t1) < deep)
    run = views.s1 - views.s0
    ends = views.s0 + low * run, views.s0 + high * run
    s_low = np.minimum(*ends)[present] - margin_ft
    s_high = np.maximum(*ends)[present] + margin_ft
    candidate, block = pair_up(wall, views.wall[present], walls.section.size)
    hit = (along[candidate] > s_low[block]) & (along[candidate] < s_high[block])
    result: npt.NDArray[np.bool_] = np.bincount(candidate[hit], minlength=wall.size) > 0
    return result


def _under_lines(
    frames: SectionFrames,
    section: IntArray,
    base_east: FloatArray,
    base_north: FloatArray,
    tip_east: FloatArray,
    tip_north: FloatArray,
    line_section: IntArray,
    line_geometry: npt.NDArray[np.object_],
    line_clear_units: FloatArray,
) -> npt.NDArray[np.bool_]:
    """Candidates whose ladder, seen from above, comes within the clearance of a line."""
    candidate, line = pair_up(section, line_section, frames.count)
    bad = np.zeros(section.size, dtype=bool)
    if candidate.size:
        planes = frames.outlines.planes
        owner = section[candidate]
        x0, y0 = planes.crs(base_east[candidate], base_north[candidate], owner)
        x1, y1 = planes.crs(tip_east[candidate], tip_north[candidate], owner)
        low_x, low_y, high_x, high_y = shapely.bounds(line_geometry).T
        reach = line_clear_units[line]
        near = (
            (np.minimum(x0, x1) <= high_x[line] + reach)
            & (np.maximum(x0, x1) >= low_x[line] - reach)
            & (np.minimum(y0, y1) <= high_y[line] + reach)
            & (np.maximum(y0, y1) >= low_y[line] - reach)
        )
        candidate, line = candidate[near], line[near]
        x0, y0, x1, y1 = x0[near], y0[near], x1[near], y1[near]
        ladders = shapely.linestrings(np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2, 2))
        close = shapely.distance(ladders, line_geometry[line]) <= line_clear_units[line]
        bad[candidate[close]] = True
    return bad


def _shortness(u: FloatArray, v: FloatArray, section: IntArray, opening: Boxes, count: int) -> FloatArray:
    """Shortness of the way to the work: 0 for the section's farthest candidate, toward 1.

    Measured along the members (the sum of the ways along and across the beams) to the centre of
    the first opening; 0 where there is none.
    """
    centre_u, centre_v = (opening.u_low + opening.u_high) / 2, (opening.v_low + opening.v_high) / 2
    way = np.nan_to_num(np.abs(u - centre_u[section]) + np.abs(v - centre_v[section]))
    farthest = np.zeros(count)
    if way.size:
        starts = np.flatnonzero(np.r_[True, section[1:] != section[:-1]])
        farthest[section[starts]] = np.maximum.reduceat(way, starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        shortness: FloatArray = np.nan_to_num(1.0 - way / farthest[section])
    return shortness
