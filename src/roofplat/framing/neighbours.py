"""What stands in front of each wall: other buildings, and the building's own wings.

In: walls on their local planes, section polygons in the working CRS.
Out: `Views`: nearby walls in each wall's own coordinates; and for each wall whether it is a
    party wall, how far the nearest other building is, and how much ground is free.

Wall coordinates: s runs along the wall from its first corner, t straight out from it, in feet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.fast import compiled
from roofplat.framing.loops import look_from_walls
from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import FloatArray, IntArray, chunks, lists_of, marked, stack, sums, take
from roofplat.framing.walls import Walls
from roofplat.rules import Rulebook

__all__ = ["Surroundings", "Views", "clip_to_strip", "look_out"]

_CHUNK = 4000
# Pairs of walls looked at in one go.
_PAIRS_AT_ONCE = 1_000_000
# Walls that share no more than this of their direction only touch at a corner.
_TOUCH_FT = 1e-3


@dataclass(frozen=True, slots=True)
class Views:
    """Edges near a wall, in that wall's coordinates, sorted by wall; shape (k,) each.

    wall
        The wall that looks.
    own
        True where the edge belongs to the same section.
    s0, t0, s1, t1
        Ends of the edge.
    """

    wall: IntArray
    own: npt.NDArray[np.bool_]
    s0: FloatArray
    t0: FloatArray
    s1: FloatArray
    t1: FloatArray


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What stands in front of each of w walls.

    party
        Another building or section stands against it, or over it.
    exposure_ft
        Nearest other building straight out from any part of the wall; NaN when none is within
        the search distance.
    clear_ground_ft
        Free ground straight out from the wall's middle, capped at the search distance.
    meets_another
        True for a section that touches or overlaps another one, shape (n,).
    views
        The edges it was read from, for placing.
    """

    party: npt.NDArray[np.bool_]
    exposure_ft: FloatArray
    clear_ground_ft: FloatArray
    meets_another: npt.NDArray[np.bool_]
    views: Views


def look_out(
    walls: Walls,
    outlines: Outlines,
    polygons: npt.NDArray[np.object_],
    rules: Rulebook,
    *,
    lookers: int | None = None,
) -> Surroundings:
    """Look straight out of every wall.

    Parameters
    ----------
    walls, outlines
        Of n sections.
    polygons
        The same sections in the working CRS, shape (n,).
    rules
        `wall.party_gap_ft`, `wall.party_share`, `wall.exposure_search_ft`,
        `ladder.base_clear_ft` (how far beside the wall's ends it looks).
    lookers
        Only the walls of this many first sections look; None for all.

    Returns
    -------
    Surroundings
        Of the sections that look and their walls.
    """
    lookers = outlines.count if lookers is None else lookers
    gap = rules.number("wall.party_gap_ft")
    search = rules.number("wall.exposure_search_ft")
    margin = rules.number("ladder.base_clear_ft")
    tree = shapely.STRtree(polygons)
    views, meets_another = _collect_views(
        walls, outlines, polygons, tree, lookers, gap=gap, search=search, margin=margin
    )
    wall_count = int(walls.start[lookers])
    long_ft = walls.length_ft[:wall_count]
    length = walls.length_ft[views.wall]

    inside, _, t_low, _, t_high, span = clip_to_strip(views, np.zeros_like(length), length)
    nearest = np.minimum(t_low, t_high)
    other = inside & ~views.own & (np.maximum(t_low, t_high) >= -gap)
    exposure = np.full(wall_count, np.inf)
    np.minimum.at(exposure, views.wall[other], np.maximum(nearest[other], 0.0))
    against = other & (np.abs(t_low) <= gap) & (np.abs(t_high) <= gap)
    covered = sums(np.where(against, span, 0.0), views.wall, wall_count)
    party = covered >= rules.number("wall.party_share") * long_ft
    party |= _under_another(walls, outlines, tree, meets_another, gap)[:wall_count]

    middle = length / 2.0
    crosses = (np.minimum(views.s0, views.s1) <= middle) & (np.maximum(views.s0, views.s1) >= middle)
    run = views.s1 - views.s0
    with np.errstate(divide="ignore", invalid="ignore"):
        at_middle = np.where(
            np.abs(run) > 1e-9,
            views.t0 + (middle - views.s0) / run * (views.t1 - views.t0),
            np.minimum(views.t0, views.t1),
        )
    ahead = crosses & (at_middle > -gap)
    clear = np.full(wall_count, search)
    np.minimum.at(clear, views.wall[ahead], np.maximum(at_middle[ahead], 0.0))
    clear[party] = 0.0
    exposure[party] = 0.0
    return Surroundings(
        party=party,
        exposure_ft=np.where(exposure <= search, exposure, np.nan),
        clear_ground_ft=clear,
        meets_another=meets_another[:lookers],
        views=views,
    )


def clip_to_strip(
    views: Views, s_low: FloatArray, s_high: FloatArray
) -> tuple[npt.NDArray[np.bool_], FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Clip each viewed edge to a range of s.

    Parameters
    ----------
    views
        k edges.
    s_low, s_high
        The range for each, shape (k,).

    Returns
    -------
    inside
        True where a piece is left, longer than a touch at a corner.
    s_first, t_first, s_last, t_last
        The ends of the piece, by rising s.
    span
        Its extent along s.
    """
    forward = views.s0 <= views.s1
    first_s = np.where(forward, views.s0, views.s1)
    first_t = np.where(forward, views.t0, views.t1)
    last_s = np.where(forward, views.s1, views.s0)
    last_t = np.where(forward, views.t1, views.t0)
    run = last_s - first_s
    low = np.maximum(first_s, s_low)
    high = np.minimum(last_s, s_high)
    # Straight-out edges have no run; they touch the strip without covering any of it.
    slope = np.where(run > 1e-9, (last_t - first_t) / np.where(run > 1e-9, run, 1.0), 0.0)
    return (
        high - low > _TOUCH_FT,
        low,
        first_t + (low - first_s) * slope,
        high,
        first_t + (high - first_s) * slope,
        np.maximum(high - low, 0.0),
    )


def _collect_views(
    walls: Walls,
    outlines: Outlines,
    polygons: npt.NDArray[np.object_],
    tree: shapely.STRtree,
    lookers: int,
    *,
    gap: float,
    search: float,
    margin: float,
) -> tuple[Views, npt.NDArray[np.bool_]]:
    """What the walls of the first sections look at, and which of these touch or overlap another one."""
    planes = outlines.planes
    units_per_ft = np.sqrt(1.0 / planes.area_ft2_per_unit2())
    outer = np.ascontiguousarray(shapely.bounds(polygons).T)
    # Wall corners in the working CRS: a neighbour's wall is read on the plane of the one who looks.
    x0, y0 = planes.crs(walls.east0, walls.north0, walls.section)
    x1, y1 = planes.crs(walls.east1, walls.north1, walls.section)
    corners = (x0, y0, x1, y1)
    azimuth = np.radians(walls.azimuth_deg)
    facing = np.sin(azimuth), np.cos(azimuth)
    reflex = _has_reflex_corner(walls, outlines.count)
    fronts = _fronts(walls, outlines, corners, facing, depth_ft=search, side_ft=margin + gap)
    lines = np.stack([np.minimum(x0, x1), np.minimum(y0, y1), np.maximum(x0, x1), np.maximum(y0, y1)])
    nobody, nothing = np.empty(0, dtype=np.int64), np.empty(0)
    meets_another = np.zeros(outlines.count, dtype=bool)
    parts = [Views(nobody, np.empty(0, dtype=bool), nothing, nothing, nothing, nothing)]
    loop = compiled(look_from_walls)
    flat = None if loop is None else _flat(walls, outlines, corners, facing)
    for rows in chunks(lookers, _CHUNK):
        # By boxes, a little wider than wanted: the exact distance is taken in feet below.
        reach = search * 1.01 * units_per_ft[rows] * np.array([[-1], [-1], [1], [1]])
        # A tree sees of a shape its box alone, and a diagonal is made in half the time.
        looker, seen = tree.query(shapely.linestrings((outer[:, rows] + reach).T.reshape(-1, 2, 2)))
        # In the order of the sections, which is no other in a district that holds more.
        pair = np.sort((looker + rows.start) * outlines.count + seen)
        looker, seen = np.divmod(pair, outlines.count)
        another = looker != seen
        one, other = _meeting(outer, looker[another], outer, seen[another])
        meets_another[one[shapely.intersects(polygons[one], polygons[other])]] = True
        keep = another | reflex[looker]
        if loop is not None and flat is not None:
            pairs = looker[keep], seen[keep], walls.start
            wall_of, edge, ends = loop(*pairs, fronts, outer, lines, *flat, gap, search, margin)
            parts.append(Views(wall_of, walls.section[wall_of] == walls.section[edge], *ends))
            continue
        # Every wall of the looker with the sections it sees, then with their walls: at each step
        # only what the box in front of the wall meets.
        for some in _portions(looker[keep], seen[keep], walls.start):
            pair, wall = lists_of(some[0], walls.start)
            wall, target = _meeting(fronts, wall, outer, some[1][pair])
            for portion in _portions(wall, target, walls.start, second=True):
                left, edge = lists_of(portion[1], walls.start)
                wall_of, edge = _meeting(fronts, portion[0][left], lines, edge)
                parts.append(_view(walls, outlines, corners, facing, wall_of, edge, gap, search, margin))
    joined = stack(parts)
    return take(joined, np.argsort(joined.wall, kind="stable")), meets_another


def _flat(
    walls: Walls,
    outlines: Outlines,
    corners: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    facing: tuple[FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """What `look_from_walls` reads of walls and planes, as `_view` does."""
    planes = outlines.planes
    to_feet = planes.to_feet.reshape(-1, 4).T
    plane = np.concatenate([[planes.origin_x, planes.origin_y], to_feet])
    return np.stack(corners), np.stack(facing), plane, walls.east0, walls.north0, walls.length_ft


def _view(
    walls: Walls,
    outlines: Outlines,
    corners: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    facing: tuple[FloatArray, FloatArray],
    wall: IntArray,
    edge: IntArray,
    gap: float,
    search: float,
    margin: float,
) -> Views:
    """Edges in the coordinates of the walls that look at them, those out of sight left out."""
    section = walls.section[wall]
    sine, cosine = (values[wall] for values in facing)
    from_east, from_north = walls.east0[wall], walls.north0[wall]
    x0, y0, x1, y1 = corners
    ends = []
    for x, y in ((x0[edge], y0[edge]), (x1[edge], y1[edge])):
        east, north = outlines.planes.feet(x, y, section)
        east -= from_east
        north -= from_north
        # Out of the roof is to the left of the wall's direction.
        ends.append((east * sine + north * cosine, north * sine - east * cosine))
    (s0, t0), (s1, t1) = ends
    own = section == walls.section[edge]
    near = (
        (np.maximum(t0, t1) >= -gap)
        & (np.minimum(t0, t1) <= search)
        & (np.maximum(s0, s1) >= -margin)
        & (np.minimum(s0, s1) <= walls.length_ft[wall] + margin)
        & (wall != edge)
        # Walls that go on from the same corner do not stand in front.
        & ~(own & (np.maximum(t0, t1) <= 1e-6))
    )
    return Views(wall[near], own[near], s0[near], t0[near], s1[near], t1[near])


def _fronts(
    walls: Walls,
    outlines: Outlines,
    corners: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    facing: tuple[FloatArray, FloatArray],
    *,
    depth_ft: float,
    side_ft: float,
) -> FloatArray:
    """Box around the ground in front of each wall, in the working CRS, shape (4, w)."""
    sine, cosine = facing
    out_east, out_north = -cosine * depth_ft, sine * depth_ft
    planes = outlines.planes
    x2, y2 = planes.crs(walls.east0 + out_east, walls.north0 + out_north, walls.section)
    x3, y3 = planes.crs(walls.east1 + out_east, walls.north1 + out_north, walls.section)
    side = (side_ft * np.abs(planes.to_crs).sum(axis=2).max(axis=1))[walls.section]
    boxes = np.empty((4, walls.section.size))
    for place, values in enumerate(((corners[0], corners[2], x2, x3), (corners[1], corners[3], y2, y3))):
        boxes[place] = _furthest(np.minimum, values) - side
        boxes[place + 2] = _furthest(np.maximum, values) + side
    return boxes


def _furthest(pick: np.ufunc, values: tuple[FloatArray, ...]) -> FloatArray:
    return np.asarray(pick(pick(values[0], values[1]), pick(values[2], values[3])))


def _meeting(
    boxes: FloatArray, one: IntArray, other_boxes: FloatArray, other: IntArray
) -> tuple[IntArray, IntArray]:
    """Pairs of numbers whose boxes meet, of shape (4, w) each: first along one axis, then the rest."""
    for low, high in ((0, 2), (1, 3)):
        meet = boxes[low].take(one) <= other_boxes[high].take(other)
        meet &= boxes[high].take(one) >= other_boxes[low].take(other)
        one, other = one[meet], other[meet]
    return one, other


def _portions(
    left: IntArray, right: IntArray, start: IntArray, *, second: bool = False
) -> Iterator[tuple[IntArray, IntArray]]:
    """Pairs in portions whose lists of walls, taken together, fit a bounded amount of memory."""
    owner = right if second else left
    total = np.cumsum(start[owner + 1] - start[owner])
    first = 0
    while first < left.size:
        before = total[first - 1] if first else 0
        end = max(int(np.searchsorted(total, before + _PAIRS_AT_ONCE, side="right")), first + 1)
        yield left[first:end], right[first:end]
        first = end


def _has_reflex_corner(walls: Walls, count: int) -> npt.NDArray[np.bool_]:
    """True for a section whose own walls can stand in front of each other."""
    return marked(walls.section[~walls.convex_end | ~walls.shell], count)


def _under_another(
    walls: Walls,
    outlines: Outlines,
    tree: shapely.STRtree,
    meets_another: npt.NDArray[np.bool_],
    gap: float,
) -> npt.NDArray[np.bool_]:
    """Walls whose middle lies inside another section: overlapping outlines happen."""
    covered = np.zeros(walls.section.size, dtype=bool)
    wall = np.flatnonzero(meets_another[walls.section])
    if not wall.size:
        return covered
    azimuth = np.radians(walls.azimuth_deg[wall])
    # Just outside the wall, so that a shared wall is left to the party rule.
    east = (walls.east0 + walls.east1)[wall] / 2 - np.cos(azimuth) * gap
    north = (walls.north0 + walls.north1)[wall] / 2 + np.sin(azimuth) * gap
    x, y = outlines.planes.crs(east, north, walls.section[wall])
    found, other = tree.query(shapely.points(x, y), predicate="within")
    covered[wall[found[other != walls.section[wall[found]]]]] = True
    return covered
