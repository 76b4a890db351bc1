"""Shapes taken apart: from objects and from coordinates alike; places inside planes; outlines without what
hardly shows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, affinity, box

from roofplat.late import LateTable
from roofplat.publish.map_data import pack_part
from roofplat.publish.map_shapes import (
    FlatShapes,
    flatten_coordinates,
    flatten_shapes,
    inner_points,
    joined,
    thinned,
)
from roofplat.wkb import Mixed, shapes_of

from .test_map_data import many

COURT = Polygon(box(0, 0, 10, 10).exterior.coords, [box(2, 2, 4, 4).exterior.coords])
KINDS: dict[str, list[Any]] = {
    "points": [Point(1, 2), Point(3, 4)],
    "lines": [LineString([(0, 0), (1, 1)]), LineString([(0, 0), (3, 4), (5, 5)])],
    "several lines": [MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3), (4, 3)]])],
    "polygons": [box(0, 0, 1, 1), COURT, Polygon([(0, 0), (4, 0), (0, 3)])],
    "several polygons": [MultiPolygon([box(20, 20, 21, 21), COURT]), MultiPolygon([COURT])],
}


def same(one: FlatShapes, other: FlatShapes) -> None:
    for name in ("kind", "first_curve", "first_vertex", "xy"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


@pytest.mark.parametrize("kind", KINDS)
def test_coordinates_and_objects_give_the_same(kind: str) -> None:
    shapes = np.array(KINDS[kind], dtype=object)
    same(flatten_coordinates(shapes_of(shapes)), flatten_shapes(shapes))


def test_rows_of_several_kinds_stand_in_their_order() -> None:
    spots, ways = (np.array(KINDS[kind], dtype=object) for kind in ("points", "lines"))
    order = np.array([2, 0, 3, 1])
    mixed = Mixed((shapes_of(spots), shapes_of(ways)), order)
    same(flatten_coordinates(mixed), flatten_shapes(np.concatenate([spots, ways])[order]))


def test_all_kinds_at_once_and_nothing() -> None:
    several = [shape for some in KINDS.values() for shape in some]
    shapes = np.array([*several, None, Polygon(), *KINDS["points"]], dtype=object)
    flat = flatten_shapes(shapes)
    one_by_one = joined([flatten_shapes(shapes[row : row + 1]) for row in range(len(shapes))])
    same(flat, one_by_one)
    assert flat.kind.tolist() == [0, 0, 1, 1, 1, 2, 2, 2, 2, 2, -1, 2, 0, 0]


def test_tables_of_coordinates_pack_to_the_same_bytes(tables: dict[str, Any]) -> None:
    district = many(tables)
    late = dict(district)
    for name in ("walls", "members", "ladders", "paths", "checks", "openings", "sections"):
        frame = district[name]
        shapes = np.asarray(frame.geometry.array)
        kinds = [
            shapes[shapely.get_type_id(shapes) == kind] for kind in np.unique(shapely.get_type_id(shapes))
        ]
        if name == "checks":
            order = np.argsort(np.argsort(shapely.get_type_id(shapes), kind="stable"), kind="stable")
            held: Any = Mixed(tuple(shapes_of(some) for some in kinds), order)
        else:
            held = shapes_of(shapes)
        columns = {column: frame[column].array for column in frame.columns if column != "geometry"}
        late[name] = LateTable(name, columns, held, frame.crs)
    assert pack_part(late) == pack_part(district)


corners = st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=3, max_size=9)


@settings(max_examples=200, deadline=None)
@given(st.lists(corners, min_size=1, max_size=4), st.floats(0, 360))
def test_the_place_of_a_plane_is_inside_it(rings: list[list[tuple[int, int]]], turn: float) -> None:
    shapes = []
    for ring in rings:
        shape = shapely.make_valid(Polygon(ring))
        shape = affinity.rotate(shape, turn, origin=(0, 0))
        shapes += [
            part for part in shapely.get_parts(shape) if part.geom_type == "Polygon" and part.area > 1e-3
        ]
    if not shapes:
        return
    flat = inner_points(flatten_shapes(np.array([*shapes, None], dtype=object)))
    assert flat.kind.tolist() == [0] * len(shapes) + [-1]
    for shape, spot in zip(shapes, flat.xy, strict=True):
        assert shapely.distance(shape, Point(spot)) < 1e-9


def test_the_place_of_a_plane_with_a_hole_is_not_in_the_hole() -> None:
    ring = Polygon(box(0, 0, 10, 4).exterior.coords, [box(1, 1, 5, 3).exterior.coords])
    assert inner_points(flatten_shapes(np.array([ring]))).xy.tolist() == [[7.5, 2.0]]


def test_a_plane_without_height_has_its_first_vertex() -> None:
    flat = Polygon([(1, 1), (5, 1), (3, 1)])
    assert inner_points(flatten_shapes(np.array([flat]))).xy.tolist() == [[1.0, 1.0]]


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 3.0), st.integers(3, 24), st.floats(0.01, 1.0))
def test_what_is_thinned_lies_no_farther_than_it_may(radius: float, arcs: int, most_off: float) -> None:
    shapes = shapely.buffer(np.array([box(0, 0, 20, 12), COURT]), radius, quad_segs=arcs)
    before = flatten_shapes(shapes)
    after = thinned(before, most_off)
    assert len(after.xy) <= len(before.xy)
    assert set(map(tuple, after.xy.tolist())) <= set(map(tuple, before.xy.tolist()))
    for curve in range(len(before.first_vertex) - 1):
        old, new = (
            flat.xy[flat.first_vertex[curve] : flat.first_vertex[curve + 1]] for flat in (before, after)
        )
        ring = LineString([*new, new[0]])
        assert shapely.distance(shapely.points(old), ring).max() <= most_off + 1e-9


def test_a_box_is_not_thinned_and_a_fine_circle_loses_every_other_vertex() -> None:
    same(
        thinned(flatten_shapes(np.array([box(0, 0, 1, 1)])), 10.0),
        flatten_shapes(np.array([box(0, 0, 1, 1)])),
    )
    circle = flatten_shapes(np.array([Point(0, 0).buffer(10, quad_segs=32)]))
    assert len(thinned(circle, 0.1).xy) * 2 == len(circle.xy)
