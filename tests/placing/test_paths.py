"""Paths of travel on a roof of 100 by 48 ft: cost, corners, detours, and no way at all."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from roofplat.framing.members import scan
from roofplat.placing.paths import Ways, find_ways, first_found, legs_of, wall_ways
from roofplat.placing.scene import Boxes

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)
# Beams at v -30, -10, 10, 30, from u -24 to 24; purlins every 8 ft from u -16; a bay in the middle.
BAY = Boxes(np.array([0]), np.array([0.0]), np.array([8.0]), np.array([-10.0]), np.array([10.0]))


def _ways(
    shapes: ModuleType,
    *tips: tuple[float, float],
    obstacles: Boxes = NOTHING,
    shape: Any = None,
    purlins_bear: bool = True,
) -> Ways:
    frames = shapes.frames(shape or shapes.rectangle(100, 48), purlins_bear=purlins_bear)
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


def test_across_joists_there_is_nothing_but_deck(shapes: ModuleType) -> None:
    """Along a purlin 40 ft at 1.3 was cheapest; at 2.0 across joists the way keeps to wall and joist."""
    ways = _ways(shapes, (16.0, 50.0), purlins_bear=False)
    assert ways.cost[0] == pytest.approx(8 + 40 + 16 * 1.1, abs=1e-3)
    assert (ways.length_ft[0], ways.on_bearing_ft[0]) == pytest.approx((64.0, 64.0), abs=1e-3)


def test_what_leads_across_joists_is_not_on_bearing(shapes: ModuleType) -> None:
    """Units stand on the joists beside the bay: 16 ft along the next joist, then 20 ft across."""
    low, high = np.array([12.0, 12.0, -16.0, -16.0]), np.array([16.0, 16.0, -12.0, -12.0])
    left, right = np.array([8.0, -12.0, 8.0, -12.0]), np.array([12.0, -8.0, 12.0, -8.0])
    units = Boxes(np.zeros(4, dtype=int), low, high, left, right)
    ways = _ways(shapes, (24.0, 30.0), obstacles=units, purlins_bear=False)
    assert ways.cost[0] == pytest.approx(16 * 1.1 + 20 * 2.0, abs=1e-3)
    assert (ways.length_ft[0], ways.on_bearing_ft[0]) == pytest.approx((36.0, 16.0), abs=1e-3)


def _along(frames: Any, first: tuple[float, float], second: tuple[float, float], wanted: bool = True) -> Ways:
    """The way along the walls of one section from one ladder to the other."""
    u, v = np.array([first, second], dtype=float).T
    return wall_ways(frames, np.zeros(2, dtype=int), np.array([1, 2]), u, v, np.full(frames.count, wanted))


@pytest.mark.parametrize(
    ("first", "second", "points"),
    [
        # Round the one corner between them, 60 + 24 ft and not 40 + 48 + 100 + 24.
        ((-24.0, -10.0), (0.0, 50.0), [(-24.0, -10.0), (-24.0, 50.0), (0.0, 50.0)]),
        ((-24.0, 10.0), (0.0, -50.0), [(-24.0, 10.0), (-24.0, -50.0), (0.0, -50.0)]),
        # Past a whole wall: the two ways round are 147 and 149 ft long.
        ((-24.0, 0.0), (24.0, 1.0), [(-24.0, 0.0), (-24.0, 50.0), (24.0, 50.0), (24.0, 1.0)]),
        ((-24.0, 0.0), (24.0, -1.0), [(-24.0, 0.0), (-24.0, -50.0), (24.0, -50.0), (24.0, -1.0)]),
        # Along one wall.
        ((-24.0, -10.0), (-24.0, 35.0), [(-24.0, -10.0), (-24.0, 35.0)]),
    ],
)
def test_along_the_walls_the_shorter_way_round(
    shapes: ModuleType,
    first: tuple[float, float],
    second: tuple[float, float],
    points: list[tuple[float, float]],
) -> None:
    frames = shapes.frames(shapes.rectangle(100, 48))
    there, back = _along(frames, first, second), _along(frames, second, first)
    assert _points(there) == points
    assert _points(back) == points[::-1]
    length = shapely.LineString(points).length
    for ways in (there, back):
        # One way for both ladders, found for the first.
        assert ways.found.tolist() == [True, False]
        assert (ways.length_ft[0], ways.on_bearing_ft[0], ways.cost[0]) == pytest.approx(
            (length,) * 3, abs=1e-3
        )


def test_two_equal_ways_round_are_one_way_there_and_back(shapes: ModuleType) -> None:
    """With the wall's own direction from either end: together they go all the way round."""
    frames = shapes.frames(shapes.rectangle(100, 48))
    ways = [_along(frames, *ends) for ends in (((-24.0, 0.0), (24.0, 0.0)), ((24.0, 0.0), (-24.0, 0.0)))]
    assert [way.length_ft[0] for way in ways] == pytest.approx([148.0, 148.0], abs=1e-3)
    assert {round(way.v[1]) for way in ways} == {-50, 50}


def test_no_second_ladder_or_no_wish_gives_no_way_along_the_walls(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.rectangle(100, 48))
    assert not _along(frames, (-24.0, 0.0), (24.0, 0.0), wanted=False).found.any()
    alone = wall_ways(
        frames, np.array([0]), np.array([1]), np.array([-24.0]), np.array([0.0]), np.array([True])
    )
    assert alone.found.tolist() == [False]
    assert np.isinf(alone.cost[0])
    assert not _along(frames, (-24.0, 0.0), (-24.0, 0.0)).found.any()


@given(
    letter=st.sampled_from(["letter_l", "letter_u", "courtyard"]),
    one=st.floats(0, 0.999),
    other=st.floats(0, 0.999),
)
@settings(max_examples=60, deadline=None)
def test_ways_along_walls_stay_on_the_outer_wall(
    shapes: ModuleType, letter: str, one: float, other: float
) -> None:
    frames = shapes.frames(getattr(shapes, letter)())
    shell = frames.outlines.shell
    ring = shapely.LinearRing(np.column_stack([frames.u0[shell], frames.v0[shell]]))
    tips = [shapely.get_coordinates(ring.interpolate(share, normalized=True))[0] for share in (one, other)]
    first, second = ((float(tip[0]), float(tip[1])) for tip in tips)
    ways = _along(frames, first, second)
    apart = abs(one - other) * ring.length
    shorter = min(apart, ring.length - apart)
    if shorter < 0.05:
        return
    assert ways.found[0]
    assert ways.length_ft[0] == pytest.approx(shorter, abs=0.02)
    line = shapely.LineString(np.column_stack([ways.u, ways.v]))
    # Points closer than a hundredth of a foot are one.
    assert ring.buffer(0.02).covers(line)
    np.testing.assert_allclose(shapely.get_coordinates(line)[[0, -1]], tips, atol=0.02)


def test_the_second_search_fills_in_where_the_first_found_nothing(shapes: ModuleType) -> None:
    near, far = _ways(shapes, (-24.0, -10.0), (-24.0, -14.0)), _ways(shapes, (16.0, 50.0), (-24.0, 14.0))
    none = _along(shapes.frames(shapes.rectangle(100, 48)), (0.0, 50.0), (0.0, -50.0), wanted=False)
    for both in (first_found(none, near), first_found(near, none), first_found(near, far)):
        assert [_points(both, number) for number in (0, 1)] == [_points(near, number) for number in (0, 1)]
        assert both.length_ft.tolist() == near.length_ft.tolist()
        assert both.cost.tolist() == near.cost.tolist()
    assert not first_found(none, none).found.any()
    # One way of each: the first search has none for the second ladder.
    half = _along(shapes.frames(shapes.rectangle(100, 48)), (-24.0, -10.0), (0.0, 50.0))
    mixed = first_found(half, far)
    assert mixed.found.tolist() == [True, True]
    assert _points(mixed, 0) == _points(half, 0)
    assert _points(mixed, 1) == _points(far, 1)
    assert mixed.length_ft.tolist() == [half.length_ft[0], far.length_ft[1]]


def test_where_nothing_else_bears_the_walls_lead_from_ladder_to_ladder(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 50), roof_family=["unknown"])
    _, plan = shapes.planned(roofs)
    path = plan.paths.iloc[0]
    assert len(plan.paths) == 1
    assert (path["ladder_rank"], path["share_on_bearing"]) == (1, 1.0)
    assert path["rules"] == "path.cost.wall obstacle.path_clear_ft"
    assert "no way to any work on this roof is planned" in path["why"]
    tips = shapely.get_point(plan.ladders.sort_values("rank").geometry.to_numpy(), -1)
    ends = shapely.get_point([path["geometry"]] * 2, [0, -1])
    assert shapely.distance(ends, tips).max() < 0.01
    outline = roofs.geometry.iloc[0].exterior
    assert outline.buffer(0.01).covers(path["geometry"])
    assert path["length_ft"] <= outline.length / 0.3048 / 0.9996 / 2 + 0.01


def test_a_way_goes_on_along_the_joist_to_a_small_opening(shapes: ModuleType) -> None:
    """Bays of 40 by 5 ft: it used to end at the corner, 18 ft from an opening of 4 ft."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(160, 100), roof_family=["steel_joist_steel_deck"]))
    opening = plan.openings.sort_values("seq").geometry.iloc[0]
    ends = shapely.get_point(plan.paths.geometry.to_numpy(), -1)
    assert len(ends) == 2
    # Along the joist, a foot beside the opening.
    np.testing.assert_allclose(shapely.distance(ends, opening) / 0.3048, 1.0, atol=0.01)
    assert plan.paths["share_on_bearing"].min() > 0.999
