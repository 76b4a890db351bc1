"""What a page unpacks is what was packed; the oracle unpacks one shape after the other."""

from __future__ import annotations

import base64
import gzip
import json
from typing import Any

import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from roofplat.publish.packing import STEPS_PER_DEGREE, pack_column, pack_document, pack_shapes

HALF_STEP = 0.5000001 / STEPS_PER_DEGREE


def unpack(packed: dict[str, Any]) -> list[list[np.ndarray]]:
    """The curves of each shape, in degrees."""
    lon = lat = 0
    vertices = []
    for dx, dy in zip(packed["x"], packed["y"], strict=True):
        lon, lat = lon + dx, lat + dy
        vertices.append((lon / STEPS_PER_DEGREE, lat / STEPS_PER_DEGREE))
    shapes, vertex, curve = [], 0, 0
    for curves in packed["curves"]:
        shape = []
        for size in packed["sizes"][curve : curve + curves]:
            shape.append(np.array(vertices[vertex : vertex + size]))
            vertex += size
        curve += curves
        shapes.append(shape)
    assert vertex == len(vertices)
    return shapes


def test_all_kinds_in_one_layer() -> None:
    holed = Polygon(box(0, 0, 10, 10).exterior.coords, [box(2, 2, 4, 4).exterior.coords])
    shapes = [
        Point(1, 2),
        LineString([(0, 0), (3, 4), (5, 5)]),
        MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 3)]]),
        holed,
        MultiPolygon([box(20, 20, 21, 21), holed]),
        None,
        Polygon(),
    ]
    packed = pack_shapes(np.array(shapes, dtype=object))
    assert packed["kind"] == [0, 1, 1, 2, 2, -1, 2]
    assert packed["curves"] == [1, 1, 2, 2, 3, 0, 0]
    assert packed["sizes"] == [1, 3, 2, 2, 4, 4, 4, 4, 4]
    np.testing.assert_allclose(unpack(packed)[1][0], [(0, 0), (3, 4), (5, 5)], atol=HALF_STEP)


def test_nothing_packs_as_nothing() -> None:
    assert pack_shapes(np.array([], dtype=object)) == {
        "kind": [],
        "curves": [],
        "sizes": [],
        "x": [],
        "y": [],
    }


degrees = st.floats(-179, 179, allow_nan=False)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.tuples(degrees, st.floats(-80, 80)), min_size=2, max_size=6), max_size=8))
def test_lines_come_back_to_half_a_step(lines: list[list[tuple[float, float]]]) -> None:
    shapes = np.array([LineString(line) for line in lines] or [], dtype=object)
    for line, curves in zip(lines, unpack(pack_shapes(shapes)), strict=True):
        np.testing.assert_allclose(curves[0], line, atol=HALF_STEP, rtol=0)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-100, 100), st.floats(-60, 60), st.floats(0.001, 1)), min_size=1, max_size=6)
)
def test_even_odd_rings_give_the_polygon_back(places: list[tuple[float, float, float]]) -> None:
    shapes = np.array(
        [
            Polygon(
                box(x, y, x + size, y + size).exterior.coords,
                [box(x + size / 4, y + size / 4, x + size / 2, y + size / 2).exterior.coords],
            )
            for x, y, size in places
        ]
    )
    for shape, curves in zip(shapes, unpack(pack_shapes(shapes)), strict=True):
        rings = [Polygon(curve) for curve in curves]
        filled = rings[0].symmetric_difference(rings[1])
        assert abs(filled.area - shape.area) < 8 * HALF_STEP * shapely.length(shape)
        assert filled.hausdorff_distance(shape) < 4 * HALF_STEP


def test_columns() -> None:
    assert pack_column(pd.Series([True, None, False], dtype="boolean")) == {"values": [True, None, False]}
    assert pack_column(pd.Series([1984, None], dtype="Int64")) == {"values": [1984, None]}
    assert pack_column(pd.Series([None, None], dtype="str")) == {"words": [], "codes": [-1, -1]}


def test_a_document_is_plain_letters_and_the_same_every_time() -> None:
    document = {"text": "</script> ${x} \u2028 Ž", "values": [1, None]}
    text = pack_document(document)
    assert text == pack_document(document)
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")
    assert json.loads(gzip.decompress(base64.b64decode(text))) == document
