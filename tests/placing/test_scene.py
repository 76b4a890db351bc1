"""Points, boxes and segments on a roof, small enough to see."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from roofplat.framing.outline import polygons_of
from roofplat.placing.scene import (
    Boxes,
    boxes_inside,
    boxes_of,
    deepest_point,
    farther,
    inside,
    nearer,
    touches_box,
)


def _box(*bounds: float) -> Boxes:
    return Boxes(np.array([0]), *(np.array([bound]) for bound in bounds))


def test_a_turned_thing_gets_the_box_around_it_and_a_point_a_radius(shapes: ModuleType) -> None:
    """u runs north and v west: a 10 ft square on its tip is 14.1 ft both ways."""
    frames = shapes.frames(shapes.rectangle(100, 60))
    tip = affinity.rotate(shapely.box(45, 25, 55, 35), 45)
    geometry = shapes.in_crs([tip, shapely.Point(60, 30), shapely.LineString([(50, 20), (70, 20)])])
    boxes = boxes_of(frames, geometry, np.zeros(3, dtype=int), point_radius_ft=3.0)
    half = 5 * np.sqrt(2)
    np.testing.assert_allclose(boxes.u_low, [-half, -3, -10], atol=1e-3)
    np.testing.assert_allclose(boxes.u_high, [half, 3, -10], atol=1e-3)
    np.testing.assert_allclose(boxes.v_low, [-half, -13, -20], atol=1e-3)
    np.testing.assert_allclose(boxes.v_high, [half, -7, 0], atol=1e-3)
    np.testing.assert_allclose(boxes.grown(2.0).u_low, boxes.u_low - 2)


def test_nothing_makes_no_boxes(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.rectangle(100, 60))
    empty = boxes_of(frames, np.empty(0, dtype=object), np.empty(0, dtype=int), point_radius_ft=3.0)
    assert empty.section.size == 0


def test_a_courtyard_and_a_pocket_are_outside(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.courtyard(120, 100, 30), shapes.rectangle(50, 50))
    u, v = np.array([0.0, 40.0, 60.0, 0.0]), np.array([0.0, 0.0, 0.0, 0.0])
    assert inside(frames, u, v, np.array([0, 0, 0, 1])).tolist() == [False, True, False, True]


@pytest.mark.parametrize(
    ("bounds", "lies_inside"),
    [
        ((-59.9, 59.9, -49.9, -20.1), True),  # a whole wing, from wall to wall
        ((-30, 30, -40, -20.1), True),  # along the court
        ((-30, 30, -40, -19.0), False),  # a foot over it
        ((-31, 31, -25, 25), False),  # around the court: every corner on the roof
        ((-40, 40, -1, 1), False),  # across the court, from wing to wing
        ((-5, 5, -5, 5), False),  # in the court
        ((50, 60.1, 0, 5), False),  # over the outer wall
        ((70, 80, 0, 5), False),  # beside the building
    ],
)
def test_a_box_lies_inside_with_all_it_covers(
    shapes: ModuleType, bounds: tuple[float, ...], lies_inside: bool
) -> None:
    """A courtyard of 120 by 100 ft, its wings 30 ft deep: a court of 60 by 40 ft in the middle."""
    frames = shapes.frames(shapes.courtyard(120, 100, 30), azimuth=90.0)
    assert boxes_inside(frames, _box(*bounds)).tolist() == [lies_inside]


def test_boxes_are_held_to_their_own_sections(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.courtyard(120, 100, 30), shapes.rectangle(120, 100))
    boxes = Boxes(np.array([0, 1, 1]), *(np.array([end, end, 9 * end]) for end in (-9.0, 9.0, -9.0, 9.0)))
    assert boxes_inside(frames, boxes).tolist() == [False, True, False]


@given(
    st.sampled_from(["letter_l", "letter_u", "courtyard"]),
    st.integers(0, 179),
    st.tuples(*[st.integers(-70, 70)] * 2),
    st.tuples(*[st.integers(1, 60)] * 2),
)
def test_a_box_lies_inside_as_its_polygon_is_covered(
    shapes: ModuleType, shape: str, turn: int, corner: tuple[int, int], size: tuple[int, int]
) -> None:
    """By GEOS, on the outline as the section has it."""
    frames = shapes.frames(shapes.turned(getattr(shapes, shape)(), float(turn)))
    box = _box(corner[0], corner[0] + size[0], corner[1], corner[1] + size[1])
    roof = polygons_of(frames.outlines, np.array([0]), frames.u0, frames.v0)[0]
    drawn = shapely.box(box.u_low[0], box.v_low[0], box.u_high[0], box.v_high[0])
    hair = roof.boundary.distance(drawn.boundary) < 1e-6
    assert hair or boxes_inside(frames, box).tolist() == [roof.covers(drawn)]


@pytest.mark.parametrize(
    ("ends", "touches"),
    [
        ((0, 0, 3, 3), True),  # through the middle
        ((0, 1, 3, 1), False),  # along the lower border
        ((0, 2, 2, 4), False),  # past the upper left
        ((0, 3, 3, 0), True),  # corner to corner
        ((0, 2, 1, 3), False),
        ((0, 1, 1, 0), False),  # short of it
        ((1.5, 1.5, 1.6, 1.6), True),  # all inside
        ((0, 1.5, 1, 1.5), False),  # ends on the border
        ((0, 1.5, 1.1, 1.5), True),
    ],
)
def test_a_segment_touches_the_inside_or_not(ends: tuple[float, ...], touches: bool) -> None:
    found = touches_box(*(np.array([float(end)]) for end in ends), _box(1.0, 2.0, 1.0, 2.0))
    assert found.tolist() == [touches]


def test_the_deepest_point_of_a_rectangle_is_its_middle(shapes: ModuleType) -> None:
    frames = shapes.frames(*[shapes.rectangle(100, 60)] * 2)
    u, v = deepest_point(frames, np.array([True, False]))
    np.testing.assert_allclose([u[0], v[0]], [0.0, 0.0], atol=1e-6)
    assert np.isnan([u[1], v[1]]).all()


@given(st.floats(0.0, 1.6), st.floats(1e-3, 1e4), st.integers(-3, 3))
def test_squares_decide_as_hypotenuses_do(angle: float, limit_ft: float, ulps: int) -> None:
    """Lengths a few last bits away from the limit, or on it."""
    length = limit_ft * (1.0 + ulps * np.finfo(float).eps)
    u, v = np.array([length * np.cos(angle), 0.0]), np.array([length * np.sin(angle), length])
    assert farther(u, v, limit_ft).tolist() == (np.hypot(u, v) > limit_ft).tolist()
    assert nearer(u, v, limit_ft).tolist() == (np.hypot(u, v) < limit_ft).tolist()
