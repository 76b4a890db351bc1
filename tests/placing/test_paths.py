"""Paths of travel on a roof of 100 by 48 ft: cost, corners, detours, and no way at all."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.framing.members import scan
from roofplat.placing.paths import Ways, find_ways, legs_of
from roofplat.placing.scene import Boxes

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)
# Beams at v -30, -10, 10, 30, from u -24 to 24; purlins every 8 ft from u -16; a bay in the middle.
BAY = Boxes(np.array([0]), np.array([0.0]), np.array([8.0]), np.array([-10.0]), np.array([10.0]))


def _ways(
    shapes: ModuleType, *tips: tuple[float, float], obstacles: Boxes = NOTHING, shape: Any = None
) -> Ways:
    frames = shapes.frames(shape or shapes.rectangle(100, 48))
    u, v = np.array(tips, dtype=float).T
    beams, purlins = scan(frames, frames.beams, "u"), scan(frames, frames.purlins, "v")
    return find_ways(frames, beams, purlins, obstacles, BAY, np.zeros(u.size, dtype=int), u, v, shapes.RULES)


def _points(ways: Ways, number: int = 0) -> list[tuple[float, float]]:
    part = slice(ways.start[number], ways.start[number + 1])
    return [
        (round(float(u), 2) + 0.0, round(float(v), 2) + 0.0)
        for u, v in zip(ways.u[part], ways.v[part], strict=True)
    ]


def test_straight_along_a_beam(shapes: ModuleType) -> None:
    """From the south wall at a beam, 24 ft of beam at 1.1 a foot."""
    ways = _ways(shapes, (-24.0, -10.0))
    assert _points(ways) == [(-24.0, -10.0), (0.0, -10.0)]
    assert ways.cost[0] == pytest.approx(24 * 1.1, abs=1e-3)
    assert (ways.length_ft[0], ways.on_bearing_ft[0]) == pytest.approx((24.0, 24.0), abs=1e-3)


def test_along_the_wall_first(shapes: ModuleType) -> None:
    """4 ft of wall at 1.0, then 24 ft of beam."""
    ways = _ways(shapes, (-24.0, -14.0))
    assert _points(ways) == [(-24.0, -14.0), (-24.0, -10.0), (0.0, -10.0)]
    assert ways.cost[0] == pytest.approx(4 + 24 * 1.1, abs=1e-3)


def test_the_wall_is_cheaper_than_the_purlin(shapes: ModuleType) -> None:
    """From the west wall 36 ft from the bay: round by the wall 24 + 40 and down the beam 16 * 1.1
    is 81.6; by the purlin 40 * 1.3 and the wall 8 is 60."""
    ways = _ways(shapes, (16.0, 50.0))
    assert ways.cost[0] == pytest.approx(8 + 40 * 1.3, abs=1e-3)
    assert ways.length_ft[0] == pytest.approx(48.0, abs=1e-3)


def test_an_obstacle_on_the_beam_sends_the_way_round(shapes: ModuleType) -> None:
    unit = Boxes(np.array([0]), np.array([-10.0]), np.array([-6.0]), np.array([-12.0]), np.array([-8.0]))
    ways = _ways(shapes, (-24.0, -10.0), obstacles=unit)
    # The next beam: 20 ft of wall to v 10 and 24 ft of beam.
    assert ways.cost[0] == pytest.approx(20 + 24 * 1.1, abs=1e-3)
    line = shapely.LineString(_points(ways))
    assert line.distance(shapely.box(-10, -12, -6, -8)) >= 1.0 - 1e-6


def test_no_way_through_a_ring_of_obstacles(shapes: ModuleType) -> None:
    low, high = [-4.0, 10.0, -4.0, -4.0], [-2.0, 12.0, 12.0, 12.0]
    left, right = [-14.0, -14.0, -14.0, 12.0], [14.0, 14.0, -12.0, 14.0]
    ring = Boxes(np.zeros(4, dtype=int), *(np.array(side) for side in (low, high, left, right)))
    ways = _ways(shapes, (-24.0, -10.0), obstacles=ring)
    assert not ways.found[0]
    assert np.isinf(ways.cost[0])
    assert ways.length_ft[0] == 0


def test_a_section_without_a_bay_has_no_way(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.rectangle(100, 48))
    beams, purlins = scan(frames, frames.beams, "u"), scan(frames, frames.purlins, "v")
    tip = np.array([-24.0]), np.array([-10.0])
    ways = find_ways(frames, beams, purlins, NOTHING, NOTHING, np.array([0]), *tip, shapes.RULES)
    assert ways.found.tolist() == [False]


def test_legs_are_the_straight_pieces_of_the_chosen_ways(shapes: ModuleType) -> None:
    ways = _ways(shapes, (-24.0, -10.0), (-24.0, -14.0))
    legs = legs_of(ways, np.array([1]), np.array([7]))
    assert legs.section.tolist() == [7, 7]
    np.testing.assert_allclose([*legs.u0, *legs.u1], [-24, -24, -24, 0], atol=1e-3)
    np.testing.assert_allclose([*legs.v0, *legs.v1], [-14, -10, -10, -10], atol=1e-3)


def test_a_way_keeps_the_inner_corner_where_a_member_meets_it(shapes: ModuleType) -> None:
    """An L with 20 ft wings: a beam ends exactly at its inner corner, and the way turns there."""
    roofs = shapes.roofs(shapes.letter_l(100, 20))
    _, plan = shapes.planned(roofs, wind_from_deg=45.0)
    roof = shapely.buffer(roofs.geometry.iloc[0], 0.01)
    assert len(plan.paths) == 2
    assert shapely.covers(roof, plan.paths.geometry.to_numpy()).all()
