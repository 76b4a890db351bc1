"""Ways over pitched roofs: from a ladder to the ridge beside the first cut, with lengths done by hand.

In: houses at 6:12 and ladder tips.
Out: the points of each way and its length along the slope.
"""

from __future__ import annotations

import math
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.framing.ragged import take
from roofplat.ground.local import local_planes
from roofplat.placing.paths import Ways
from roofplat.placing.scene import boxes_of
from roofplat.placing.slope_ways import find_slope_ways, planes_under
from roofplat.placing.slopes import lay_out_slopes, slope_bays
from roofplat.rules import load_rulebook

RULES = load_rulebook()
# No ladder stands already.
NOWHERE = np.array([np.nan])
STRETCH = math.sqrt(1.25)
# Rafters at 2 ft stand at odd feet; bays are bordered by those at -9, -3, 3, 9 and 15.
HOUSE = shapely.box(-21, -15, 21, 15)
# A bar of 60 by 28 ft, and a wing of 24 ft to the north of it: the ridges lie 7 and 6 ft up.
TEE = shapely.box(0, 0, 60, 28) | shapely.box(16, 0, 40, 60)


@cache
def _framed(shapes: ModuleType, outline: bytes, **facts: Any) -> Any:
    """Framed once for all tests of the same house: nothing changes it."""
    return shapes.framed(shapely.from_wkb(outline), **{name: [value] for name, value in facts.items()})


def led(
    shapes: ModuleType,
    outline: Any,
    tips: list[tuple[float, float]],
    *,
    fire: tuple[float, float],
    wind: float = 0.0,
    things: list[Any] | None = None,
    **facts: Any,
) -> tuple[list[list[tuple[float, float]]], Ways]:
    """The points of the ways from tips, in the feet of the drawing."""
    known = {
        "roof_family": ["sawn_rafter_pitched"],
        "rafter_spacing_ft": [2.0],
        "slope_deg": [math.degrees(math.atan(0.5))],
        **facts,
    }
    framing = _framed(shapes, outline.wkb, **{name: value[0] for name, value in known.items()})
    frames, pitched, walls = framing.frames, framing.pitched, framing.wall_runs
    planes = pitched.planes
    drawn = local_planes(
        np.array([shapes.CORNER[0]]), np.array([shapes.CORNER[1]]), shapes.UTM, shapes.GROUND
    )

    def local(points: list[tuple[float, float]]) -> Any:
        x, y = shapely.get_coordinates(shapes.in_crs(shapely.points(points))).T
        return frames.outlines.planes.feet(x, y, np.zeros(len(points), dtype=int))

    fire_east, fire_north = local([fire])
    slopes = slope_bays(
        frames,
        lay_out_slopes(pitched, frames.outlines, framing.spacings, RULES),
        planes.section,
        planes.downslope_deg,
        take(
            boxes_of(frames, np.empty(0, dtype=object), np.empty(0, dtype=int), point_radius_ft=3.0), slice(0)
        ),
        RULES,
        wanted=np.array([True]),
        side_clear_ft=framing.spacings.side_clear_ft,
        wind_from_deg=np.array([wind]),
        fire_east=fire_east,
        fire_north=fire_north,
        foothold_east=NOWHERE,
        foothold_north=NOWHERE,
    )
    east, north = local(tips)
    section = np.zeros(len(tips), dtype=np.int64)
    wall = [
        int(
            np.argmin(
                [shapely.distance(shapely.linestrings(ends), shapely.Point(e, n)) for ends in _ends(walls)]
            )
        )
        for e, n in zip(east, north, strict=True)
    ]
    tip_u, tip_v = frames.uv(east, north, section)
    ways = find_slope_ways(
        frames,
        walls,
        pitched.lines,
        slopes,
        boxes_of(
            frames,
            shapes.in_crs(things or []) if things else np.empty(0, dtype=object),
            np.zeros(len(things or []), dtype=np.int64),
            point_radius_ft=3.0,
        ),
        section,
        planes_under(walls, planes.section, planes.wall, planes.downslope_deg, section, np.array(wall)),
        tip_u,
        tip_v,
        RULES,
        rise=planes.rise,
        first=slopes.first,
    )
    owner = np.zeros(ways.u.size, dtype=int)
    x, y = frames.crs(ways.u, ways.v, owner)
    back = np.column_stack(drawn.feet(x, y, owner)).round(2) + 0.0
    points = [
        [(float(x), float(y)) for x, y in back[start:end]]
        for start, end in zip(ways.start[:-1], ways.start[1:], strict=True)
    ]
    return points, ways


def _ends(walls: Any) -> Any:
    return np.stack([walls.east0, walls.north0, walls.east1, walls.north1], axis=1).reshape(-1, 2, 2)


def test_up_the_rafter_and_along_the_ridge(shapes: ModuleType) -> None:
    """15 ft up on the plan are 16.77 on the roof, then along the ridge to the bay between 3 and 9."""
    tips = [(-10.0, -15.0), (14.0, 15.0)]
    points, ways = led(shapes, HOUSE, tips, fire=(6.0, -2.0))
    assert points == [[(-10.0, -15.0), (-10.0, 0.0), (3.0, 0.0)], [(14.0, 15.0), (14.0, 0.0), (9.0, 0.0)]]
    assert ways.length_ft == pytest.approx([15 * STRETCH + 13.0, 15 * STRETCH + 5.0], abs=1e-3)
    # A foot of slope costs 1.2, one of ridge 1.
    assert ways.cost == pytest.approx([18 * STRETCH + 13.0, 18 * STRETCH + 5.0], abs=0.01)
    assert ways.on_bearing_ft == pytest.approx(ways.length_ft)


def test_no_way_leads_up_through_the_first_opening(shapes: ModuleType) -> None:
    """From under it the way leads along the eave to the nearer rafter beside it."""
    points, ways = led(shapes, HOUSE, [(7.0, -15.0)], fire=(6.0, -2.0))
    assert points == [[(7.0, -15.0), (9.0, -15.0), (9.0, 0.0)]]
    assert ways.length_ft == pytest.approx([2.0 + 15 * STRETCH], abs=1e-3)
    assert ways.cost == pytest.approx([2 * 1.6 + 18 * STRETCH], abs=0.01)


def test_what_stands_on_the_rafter_is_walked_round(shapes: ModuleType) -> None:
    """The rafter from the tip is barred: along the eave to the rafter beside the bay, which is not."""
    thing = shapely.box(-11, -9, -9, -6)
    points, _ = led(shapes, HOUSE, [(-10.0, -15.0)], fire=(6.0, -2.0), things=[thing])
    assert points == [[(-10.0, -15.0), (3.0, -15.0), (3.0, 0.0)]]
    # With an inch to spare on the far side of the clearance of one foot the rafter is free.
    beside = shapely.box(-8.9, -9, -7, -6)
    points, _ = led(shapes, HOUSE, [(-10.0, -15.0)], fire=(6.0, -2.0), things=[beside])
    assert points[0][1] == (-10.0, 0.0)


def test_a_roof_barred_all_the_way_has_no_way(shapes: ModuleType) -> None:
    points, ways = led(
        shapes, HOUSE, [(-10.0, -15.0)], fire=(6.0, -2.0), things=[shapely.box(-11, -16, -9, -12)]
    )
    assert ways.found.tolist() == [False]
    assert points == [[]]
    assert np.isinf(ways.cost).all()


def test_over_the_hip_to_the_ridge(shapes: ModuleType) -> None:
    """Up the west plane at y = -10 a rafter of 5 ft ends on the hip at (-16, -10); from there to the ridge's
    end at (-6, 0) it is 10 by 10 by 5 ft up: 15 ft. Along the ridge 3 ft to the bay from -3 to 3."""
    points, ways = led(shapes, HOUSE, [(-21.0, -10.0)], fire=(1.0, -2.0), roof_shape=["hipped"])
    assert points == [[(-21.0, -10.0), (-16.0, -10.0), (-6.0, 0.0), (-3.0, 0.0)]]
    assert ways.length_ft == pytest.approx([5 * STRETCH + 15.0 + 3.0], abs=0.01)
    assert ways.cost == pytest.approx([1.2 * (5 * STRETCH + 15.0) + 3.0], abs=0.01)


def test_a_lower_ridge_leads_on_up_to_the_higher_one(shapes: ModuleType) -> None:
    """The wing's ridge ends at (28, 16), where valleys meet; 2 ft on, the bar's ridge is a foot higher."""
    points, ways = led(shapes, TEE, [(16.0, 50.0)], fire=(28.0, 12.0), roof_shape=["gabled"])
    assert points[0][:4] == [(16.0, 50.0), (28.0, 50.0), (28.0, 14.0), points[0][3]]
    along = abs(points[0][3][0] - 28.0)
    # 12 ft up the wing, 34 ft along its ridge, 2 ft up the bar, then along its ridge.
    assert ways.length_ft == pytest.approx([12 * STRETCH + 34.0 + 2 * STRETCH + along], abs=0.01)


def test_one_plane_has_its_high_wall_for_a_ridge(shapes: ModuleType) -> None:
    """From the low wall up a rafter of 24 ft and along the high one; from the high wall along it."""
    outline = shapely.box(-21, -12, 21, 12)
    facts: dict[str, Any] = {"roof_shape": ["monopitch"], "downslope_deg": [180.0]}
    tips = [(-10.0, -12.0), (12.0, 12.0)]
    points, ways = led(shapes, outline, tips, fire=(6.0, 8.0), **facts)
    assert points[1] == [(12.0, 12.0), (9.0, 12.0)]
    # Up and along cost the same as along and up: either is right, and as long.
    assert ways.length_ft == pytest.approx([24 * STRETCH + 13.0, 3.0], abs=1e-3)
    assert ways.cost == pytest.approx([28.8 * STRETCH + 20.8, 4.8], abs=0.01)


def test_nothing_is_led_where_nothing_is_opened(shapes: ModuleType) -> None:
    """A roof of one plane that faces the wind has no bay, so no way."""
    outline = shapely.box(-21, -12, 21, 12)
    facts: dict[str, Any] = {"roof_shape": ["monopitch"], "downslope_deg": [180.0]}
    points, ways = led(shapes, outline, [(-10.0, -12.0)], fire=(6.0, 8.0), wind=180.0, **facts)
    assert points == [[]]
    assert not ways.found.any()


def test_the_plane_over_a_tip_is_that_of_its_wall(shapes: ModuleType) -> None:
    walls = shapes.walls(shapes.rectangle(40, 20))
    here = np.zeros(4, dtype=np.int64)
    looks = walls.outward_deg
    two = planes_under(walls, here[:2], np.array([2, 0]), looks[[2, 0]], here, np.arange(4))
    assert two.tolist() == [1, -1, 0, -1]
    none = planes_under(walls, here[:0], here[:0], np.empty(0), here, np.arange(4))
    assert none.tolist() == [-1, -1, -1, -1]


def test_a_roof_of_one_plane_rises_from_every_wall_that_looks_down_its_slope(shapes: ModuleType) -> None:
    """A U that falls to the west: the wall in its mouth lies higher up, and the plane rises from it too."""
    u = shapely.Polygon([(0, 0), (30, 0), (30, 30), (0, 30), (0, 22), (12, 22), (12, 8), (0, 8)])
    walls = shapes.walls(u)
    every = np.arange(walls.section.size)
    section = np.zeros(every.size, dtype=np.int64)
    looks_west = np.abs(walls.outward_deg - 270.0) < 1.0
    eave = int(np.flatnonzero(looks_west)[0])
    under = planes_under(walls, section[:1], np.array([eave]), walls.outward_deg[[eave]], section, every)
    assert looks_west.sum() == 3
    assert under.tolist() == np.where(looks_west, 0, -1).tolist()


def test_two_ladders_at_low_walls_of_one_plane_each_have_a_way_straight_up(shapes: ModuleType) -> None:
    """The plane falls to the south; its eaves are 8 ft apart in depth, and the bay is up at the ridge."""
    step = shapely.Polygon([(-24, -16), (0, -16), (0, -8), (24, -8), (24, 8), (-24, 8)])
    facts: dict[str, Any] = {"roof_shape": ["monopitch"], "downslope_deg": [180.0]}
    tips = [(-20.0, -16.0), (20.0, -8.0)]
    points, ways = led(shapes, step, tips, fire=(0.0, 8.0), wind=0.0, **facts)
    assert ways.found.all()
    # Up the slope first: nobody walks along the eave around the corner.
    assert [way[1][0] for way in points] == [-20.0, 20.0]
    assert [way[1][1] for way in points] == [8.0, 8.0]
