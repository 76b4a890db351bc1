"""Edges meant to lie on a wall lie on it afterwards, and no other edge moves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from roofplat.record.snapping import snap_lines, snap_polygons

HALL = shapely.Polygon([(0, 0), (60, 0), (60, 40), (0, 40)])


def polygon(shape: Any, *walls: Any, reach: float = 1.0) -> Any:
    rings = np.concatenate([np.asarray(shapely.get_rings(wall), dtype=object) for wall in walls])
    owner = np.zeros(len(rings), dtype=np.int64)
    return snap_polygons(np.array([shape]), rings, owner, np.array([reach]))[0]


def line(shape: Any, *walls: Any, reach: float = 1.0, ends_only: bool = False) -> Any:
    rings = np.concatenate([np.asarray(shapely.get_rings(wall), dtype=object) for wall in walls])
    owner = np.zeros(len(rings), dtype=np.int64)
    return snap_lines(np.array([shape]), rings, owner, np.array([reach]), ends_only=ends_only)[0]


def test_a_half_takes_the_corners_and_its_inner_edge_meets_the_walls() -> None:
    drawn = shapely.Polygon([(0.4, -0.6), (30, 0.5), (30.2, 39.3), (-0.3, 40.2)])
    expected = shapely.Polygon([(0, 0), (30, 0), (30.2, 40), (0, 40)])
    assert polygon(drawn, HALL).normalize().equals_exact(expected.normalize(), 1e-9)


def test_what_is_out_of_reach_stays_where_it_was_drawn() -> None:
    drawn = shapely.box(10, 10, 30, 30)
    assert polygon(drawn, HALL).equals_exact(drawn, 0)
    assert polygon(shapely.box(1.5, 1.5, 30, 30), HALL).equals(shapely.box(1.5, 1.5, 30, 30))


def test_a_straight_edge_takes_in_the_jogs_of_the_wall() -> None:
    # Pilasters of half a foot, a foot wide: nobody draws those.
    jogged = shapely.Polygon(
        [(0, 0), (20, 0), (20, -0.5), (21, -0.5), (21, 0), (40, 0), (40, -0.5), (41, -0.5), (41, 0), (60, 0),
         (60, 40), (0, 40)]
    )  # fmt: skip
    snapped = polygon(shapely.box(0.2, 0.1, 59.8, 20), jogged)
    assert snapped.equals(jogged.intersection(shapely.box(-1, -1, 61, 20)))
    # A bay that is deeper than the reach is no jog: the edge stays straight.
    deep = shapely.Polygon([(0, 0), (20, 0), (20, -5), (40, -5), (40, 0), (60, 0), (60, 40), (0, 40)])
    assert polygon(shapely.box(0.2, 0.1, 59.8, 20), deep).equals(shapely.box(0, 0, 60, 20))


def test_the_way_round_the_start_of_the_ring_is_found_too() -> None:
    # The ring starts in the middle of the wall that the drawing runs along.
    ring = [(30, 0), (31, 0.3), (60, 0), (60, 40), (0, 40), (0, 0), (29, 0.3)]
    wall = shapely.Polygon(ring)
    snapped = polygon(shapely.box(0.2, -0.1, 59.9, 20), wall)
    assert snapped.equals(wall.intersection(shapely.box(-1, -1, 61, 20)))
    turned = polygon(shapely.box(0.2, -0.1, 59.9, 20).reverse(), wall)
    assert turned.equals(snapped)


def test_a_courtyard_is_followed_and_a_hole_that_closes_is_gone() -> None:
    yard = HALL.difference(shapely.box(20, 10, 40, 30))
    drawn = shapely.Polygon(
        shapely.box(0.3, 0.2, 59.7, 39.9).exterior.coords,
        [shapely.box(20.4, 9.8, 39.9, 30.3).exterior.coords],
    )
    assert polygon(drawn, yard).equals(yard)
    speck = shapely.Polygon(
        shapely.box(0.3, 0.2, 59.7, 39.9).exterior.coords, [shapely.box(0.4, 5, 0.5, 5.1).exterior.coords]
    )
    assert polygon(speck, HALL).equals(HALL)


def test_a_shape_that_collapses_leaves_nothing() -> None:
    assert polygon(shapely.box(0.1, 0.1, 0.3, 0.3), HALL).is_empty
    assert line(shapely.LineString([(0.1, 0.1), (0.3, 0.3)]), HALL).is_empty


def test_the_walls_come_before_the_neighbour_and_the_neighbour_before_nothing() -> None:
    west = shapely.Polygon([(0, 0), (30, 0), (30, 40), (0, 40)])
    snapped = polygon(shapely.Polygon([(29.4, 0.2), (60, 0), (60, 40), (30.4, 39.8)]), HALL, west)
    assert snapped.equals(shapely.box(30, 0, 60, 40))
    assert snapped.intersection(west).area == 0.0


def test_the_ends_of_a_fire_wall_meet_the_walls_and_its_bends_stay() -> None:
    drawn = shapely.LineString([(30, 0.7), (30, 39.2), (30.5, 39.4), (30.5, 40.8)])
    expected = [(30, 0), (30, 39.2), (30.5, 39.4), (30.5, 40)]
    assert line(drawn, HALL, ends_only=True).coords[:] == expected


def test_a_line_along_a_wall_takes_its_corners() -> None:
    drawn = shapely.LineString([(-0.4, 20), (0.5, 0.6), (30, -0.9)])
    assert line(drawn, HALL).coords[:] == [(0, 20), (0, 0), (30, 0)]
    ring = shapely.LineString(shapely.box(0.2, 0.2, 59.7, 39.9).exterior.coords)
    around = line(ring, HALL)
    assert around.is_closed
    assert shapely.Polygon(around).equals(HALL)


def test_nothing_to_follow_moves_nothing() -> None:
    none = np.empty(0, dtype=object)
    shapes = np.array([shapely.box(0, 0, 3, 3)])
    kept = snap_polygons(shapes, none, np.empty(0, dtype=np.int64), np.array([1.0]))
    assert kept[0].equals(shapes[0])
    assert len(snap_polygons(none, none, np.empty(0, dtype=np.int64), np.empty(0))) == 0


@given(
    seed=st.integers(0, 2**32 - 1),
    west=st.integers(5, 55),
    turn=st.floats(0, 180),
    east=st.floats(-5e5, 5e5),
)
def test_a_shaky_hand_draws_the_same_section_as_a_steady_one(
    seed: int, west: int, turn: float, east: float
) -> None:
    """Outline of many jogs, anywhere and turned: every vertex missed by up to a foot."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 60, 13)
    edge = [(far, 0.3 * (place % 2)) for place, far in enumerate(x)]
    outline = shapely.Polygon([*edge, (60, 40), (0, 40)])
    true = outline.intersection(shapely.box(-1, -1, west, 41))
    corners = [(0, 0), (west, 0.15), (west, 40), (0, 40)]
    drawn = shapely.Polygon(np.array(corners) + rng.uniform(-0.6, 0.6, (4, 2)))
    around = shapely.Point(30, 20)
    place = lambda shape: shapely.affinity.translate(  # noqa: E731
        shapely.affinity.rotate(shape, turn, origin=around), east, 4e6
    )
    wall, snapped = place(outline), polygon(place(drawn), place(outline))
    assert snapped.is_valid
    # Not a hair of it is outside, and no strip along the wall is left.
    assert snapped.difference(wall).area < 1e-5
    left = wall.difference(snapped)
    assert shapely.buffer(left, -0.05).area == pytest.approx(left.area, rel=0.05, abs=0.5)
    # It is the section that was meant, but for an inner edge 0.6 off from wall to wall and half the jogs.
    assert snapped.symmetric_difference(place(true)).area < 0.6 * 40 + 0.3 * 60 / 2


@given(seed=st.integers(0, 2**32 - 1))
def test_many_at_once_are_as_each_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    walls = np.array([shapely.box(100 * n, 0, 100 * n + 60, 40) for n in range(5)])
    jitter = rng.uniform(-0.6, 0.6, (5, 4))
    shapes = shapely.box(*(shapely.bounds(walls) * [1, 1, 1, 0.5] + jitter).T)
    reach = rng.uniform(0.2, 1.0, 5)
    rings = shapely.get_exterior_ring(walls)
    together = snap_polygons(shapes, rings, np.arange(5), reach)
    for row in range(5):
        alone = snap_polygons(shapes[[row]], rings[[row]], np.array([0]), reach[[row]])
        assert alone[0].equals_exact(together[row], 0)
