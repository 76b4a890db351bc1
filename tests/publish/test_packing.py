"""What a page unpacks is what was packed; the oracle unpacks one shape after the other."""

from __future__ import annotations

import base64
import gzip
import itertools
import json
from typing import Any

import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from roofplat.publish.packing import (
    STEPS_PER_DEGREE,
    flatten_column,
    flatten_shapes,
    pack_block,
    to_bytes,
)

HALF_STEP = 0.5000001 / STEPS_PER_DEGREE


def read_bytes(data: bytes, start: int, count: int) -> tuple[list[int], int]:
    """Numbers from their bytes, one after the other, and where the bytes end."""
    values, at = [], start
    for _ in range(count):
        value, place = 0, 0
        while True:
            byte = data[at]
            value |= (byte & 127) << (7 * place)
            at, place = at + 1, place + 1
            if byte < 128:
                break
        values.append(-(value + 1) // 2 if value % 2 else value // 2)
    return values, at


def read_steps(data: bytes, head: list[int]) -> list[int]:
    start, count, lag = head
    moves = read_bytes(data, start, count)[0]
    for i in range(lag, count if lag else 0):
        moves[i] += moves[i - lag]
    return list(itertools.accumulate(moves))


def pack_shapes(shapes: np.ndarray, first: int = 0, end: int | None = None) -> tuple[dict[str, Any], bytes]:
    data = bytearray(b"before")
    flat = flatten_shapes(shapes)
    return flat.packed(first, len(shapes) if end is None else end, data), bytes(data)


def unpack(packed: dict[str, Any], data: bytes) -> list[list[np.ndarray]]:
    """The curves of each shape, in degrees."""
    steps = zip(read_steps(data, packed["x"]), read_steps(data, packed["y"]), strict=True)
    vertices = [(x / STEPS_PER_DEGREE, y / STEPS_PER_DEGREE) for x, y in steps]
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
    packed, data = pack_shapes(np.array(shapes, dtype=object))
    assert packed["kind"] == [0, 1, 1, 2, 2, -1, 2]
    assert packed["curves"] == [1, 1, 2, 2, 3, 0, 0]
    assert packed["sizes"] == [1, 3, 2, 2, 4, 4, 4, 4, 4]
    np.testing.assert_allclose(unpack(packed, data)[1][0], [(0, 0), (3, 4), (5, 5)], atol=HALF_STEP)


def test_nothing_packs_as_nothing() -> None:
    packed, data = pack_shapes(np.array([], dtype=object))
    assert (packed["kind"], packed["curves"], packed["sizes"]) == ([], [], [])
    assert unpack(packed, data) == []


def test_lines_side_by_side_pack_as_next_to_nothing() -> None:
    x = np.arange(1000)
    rafters = shapely.multilinestrings(
        shapely.linestrings(
            np.stack([np.stack([x * 7e-6, 0 * x], 1), np.stack([x * 7e-6, 3e-4 + 0 * x], 1)], 1)
        )
    )
    packed, data = pack_shapes(np.array([rafters]))
    assert packed["x"][2] == packed["y"][2] == 2
    assert len(data) < 4100  # two bytes a vertex at most, one for x and one for y
    np.testing.assert_allclose(
        unpack(packed, data)[0][999], [(999 * 7e-6, 0), (999 * 7e-6, 3e-4)], atol=HALF_STEP
    )


degrees = st.floats(-179, 179, allow_nan=False)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.lists(st.tuples(degrees, st.floats(-80, 80)), min_size=2, max_size=6), max_size=8))
def test_lines_come_back_to_half_a_step(lines: list[list[tuple[float, float]]]) -> None:
    shapes = np.array([LineString(line) for line in lines] or [], dtype=object)
    for line, curves in zip(lines, unpack(*pack_shapes(shapes)), strict=True):
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
    for shape, curves in zip(shapes, unpack(*pack_shapes(shapes)), strict=True):
        rings = [Polygon(curve) for curve in curves]
        filled = rings[0].symmetric_difference(rings[1])
        assert abs(filled.area - shape.area) < 8 * HALF_STEP * shapely.length(shape)
        assert filled.hausdorff_distance(shape) < 4 * HALF_STEP


@given(st.lists(st.integers(-(2**40), 2**40)))
def test_whole_numbers_come_back(values: list[int]) -> None:
    data = to_bytes(np.array(values, dtype=np.int64))
    assert read_bytes(data, 0, len(values)) == (values, len(data))


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_a_part_and_a_choice_are_those_of_the_whole(data: st.DataObject) -> None:
    points = st.tuples(st.floats(-10, 10), st.floats(-10, 10))
    lines = st.lists(st.lists(st.lists(points, min_size=2, max_size=4), min_size=1, max_size=3), max_size=7)
    shapes = np.array([MultiLineString(parts) for parts in data.draw(lines)] or [], dtype=object)
    whole = unpack(*pack_shapes(shapes))
    first = data.draw(st.integers(0, len(shapes)))
    end = data.draw(st.integers(first, len(shapes)))
    same(unpack(*pack_shapes(shapes, first, end)), whole[first:end])
    rows = data.draw(st.lists(st.integers(0, len(shapes) - 1), max_size=5)) if len(shapes) else []
    block = bytearray()
    head = flatten_shapes(shapes).take(np.array(rows, dtype=np.int64)).packed(0, len(rows), block)
    same(unpack(head, bytes(block)), [whole[row] for row in rows])


def same(found: list[list[np.ndarray]], wanted: list[list[np.ndarray]]) -> None:
    assert [[curve.tolist() for curve in shape] for shape in found] == [
        [curve.tolist() for curve in shape] for shape in wanted
    ]


def test_columns() -> None:
    def pack_column(values: pd.Series, **options: int) -> dict[str, Any]:
        return flatten_column(values, **options).packed(0, len(values))

    assert pack_column(pd.Series([True, None, False], dtype="boolean")) == {"values": [True, None, False]}
    assert pack_column(pd.Series([1984, None], dtype="Int64")) == {"values": [1984, None]}
    assert pack_column(pd.Series([None, None], dtype="str")) == {"words": [], "codes": [-1, -1]}
    assert pack_column(pd.Series([0.1234, None]), decimals=3) == {"values": [0.123, None]}


def test_a_block_is_plain_letters_and_the_same_every_time() -> None:
    head = {"text": "</script> ${x} \u2028 Ž", "values": [1, None]}
    text = pack_block(head, b"\x00\xff")
    assert text == pack_block(head, b"\x00\xff")
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")
    block = gzip.decompress(base64.b64decode(text))
    assert json.loads(block[4:-2]) == head
    assert int.from_bytes(block[:4], "little") == len(block) - 6
