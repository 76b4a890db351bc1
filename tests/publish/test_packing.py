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

from roofplat.publish.map_place import STEPS_PER_DEGREE, degrees_to_steps
from roofplat.publish.map_shapes import flatten_shapes
from roofplat.publish.packing import Run, flatten_column, pack_block, write_blocks

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


def read_numbers(data: bytes, head: list[int]) -> list[int]:
    start, count, lag = head
    moves = read_bytes(data, start, count)[0]
    if lag < 0:
        return moves
    for i in range(lag, count if lag else 0):
        moves[i] += moves[i - lag]
    return list(itertools.accumulate(moves))


def read_counts(data: bytes, head: int | list[int], count: int) -> list[int]:
    return [head] * count if isinstance(head, int) else read_numbers(data, head)


def pack_shapes(
    shapes: np.ndarray, first: int = 0, end: int | None = None, *, times: int = 1
) -> tuple[dict[str, Any], bytes, int]:
    flat = flatten_shapes(shapes).in_steps(degrees_to_steps)
    end = len(shapes) if end is None else end
    # Something stands before the numbers of the shapes.
    template = {
        "before": Run(np.arange(9), np.array([0, 9])),
        "shapes": flat.head(np.array([first, end]), times=times),
    }
    ((head, data),) = write_blocks(template, 1)
    return head["shapes"], bytes(data), end - first


def read_families(data: bytes, packed: dict[str, Any]) -> dict[int, list[np.ndarray]]:
    """The lines of each row that is of families, in steps, one line after the other."""
    read = {name: read_numbers(data, head) for name, head in packed.items()}
    found: dict[int, list[np.ndarray]] = {}
    row, x, y, line = 0, 0, 0, 0
    for family, count in enumerate(read["counts"]):
        row, x, y = row + read["rows"][family], x + read["x"][family], y + read["y"][family]
        unit = np.array([read["across"][family], read["up"][family]]) / max(
            1, np.hypot(read["across"][family], read["up"][family])
        )
        normal = np.array([-unit[1], unit[0]])
        place, off, ends = 0, 0, np.zeros(2)
        for number in range(count):
            place += read["skip"][line] + (number > 0)
            off += read["off"][line]
            ends += [read["from"][line], read["to"][line]]
            away = (place * read["gap"][family] / 64 + 3 * off) * normal
            found.setdefault(row, []).append(np.array([(x, y) + 3 * end * unit + away for end in ends]))
            line += 1
    assert line == sum(read["counts"])
    return found


def unpack(packed: dict[str, Any], data: bytes, rows: int) -> list[list[np.ndarray]]:
    """The curves of each shape, in degrees."""
    families = read_families(data, packed.get("families", {"counts": [0, 0, -1]}))
    curves = read_counts(data, packed["curves"], rows)
    alone = sum(count for row, count in enumerate(curves) if row not in families)
    sizes = iter(read_counts(data, packed["sizes"], alone))
    scale = packed["times"] / STEPS_PER_DEGREE
    steps = zip(read_numbers(data, packed["x"]), read_numbers(data, packed["y"]), strict=True)
    shapes = []
    for row, count in enumerate(curves):
        if row in families:
            assert len(families[row]) == count
            shapes.append([line / STEPS_PER_DEGREE for line in families[row]])
            continue
        shapes.append([np.array(list(itertools.islice(steps, next(sizes)))) * scale for _ in range(count)])
    assert next(steps, None) is None
    assert next(sizes, None) is None
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
    packed, data, rows = pack_shapes(np.array(shapes, dtype=object))
    assert packed["kind"] == [0, 1, 1, 2, 2, -1, 2]
    assert read_numbers(data, packed["curves"]) == [1, 1, 2, 2, 3, 0, 0]
    assert read_numbers(data, packed["sizes"]) == [1, 3, 2, 2, 4, 4, 4, 4, 4]
    np.testing.assert_allclose(unpack(packed, data, rows)[1][0], [(0, 0), (3, 4), (5, 5)], atol=HALF_STEP)


def test_nothing_packs_as_nothing() -> None:
    packed, data, rows = pack_shapes(np.array([], dtype=object))
    assert packed["kind"] == []
    assert unpack(packed, data, rows) == []


def test_what_is_alike_is_said_once() -> None:
    packed, data, rows = pack_shapes(shapely.box([0.0, 1.0], [0.0, 1.0], [0.5, 1.5], [0.5, 1.5]))
    assert (packed["kind"], packed["curves"], packed["sizes"]) == (2, 1, 4)
    assert [len(curves[0]) for curves in unpack(packed, data, rows)] == [4, 4]


def test_a_coarse_layer_keeps_to_its_steps() -> None:
    points = shapely.points([[1.00000049, 2.0], [-1.00000151, 0.0]])
    (first,), (second,) = unpack(*pack_shapes(points, times=10))
    np.testing.assert_allclose(np.concatenate([first, second]), [(1.0, 2.0), (-1.000002, 0.0)], atol=1e-12)


def side_by_side(count: int, gap: float, length: float, *, turn: float = 0.0) -> Any:
    """Lines one beside the other, turned."""
    across = np.arange(count) * gap
    ends = np.stack([across, 0 * across, across, length + 0 * across], axis=1).reshape(-1, 2, 2)
    sine, cosine = np.sin(turn), np.cos(turn)
    return shapely.multilinestrings(shapely.linestrings(ends @ np.array([[cosine, sine], [-sine, cosine]])))


def test_lines_side_by_side_pack_as_next_to_nothing() -> None:
    rafters = side_by_side(1000, 7e-6, 3e-4, turn=0.3)
    packed, data, rows = pack_shapes(np.array([rafters]))
    assert packed["x"][1] == 0
    # Four numbers a line are zeros, which compress to nothing.
    assert len(gzip.compress(data)) < 200
    same_lines(unpack(packed, data, rows)[0], rafters)


def test_lines_of_two_planes_are_two_families_of_one_row() -> None:
    both = shapely.multilinestrings(
        np.concatenate([shapely.get_parts(side_by_side(9, 6e-6, 1e-4, turn=turn)) for turn in (0.2, 1.1)])
    )
    packed, data, rows = pack_shapes(np.array([Point(0, 0), both, None], dtype=object))
    assert packed["families"]["counts"][1] == 2
    same_lines(unpack(packed, data, rows)[1], both)


def test_lines_every_way_are_no_family() -> None:
    star = MultiLineString([[(0, 0), (np.cos(turn) / 1e3, np.sin(turn) / 1e3)] for turn in range(6)])
    packed, data, rows = pack_shapes(np.array([star]))
    assert "families" not in packed
    for curve, line in zip(unpack(packed, data, rows)[0], star.geoms, strict=True):
        np.testing.assert_allclose(curve, line.coords, atol=HALF_STEP)


def same_lines(found: list[np.ndarray], wanted: Any) -> None:
    for curve, line in zip(found, wanted.geoms, strict=True):
        # Three steps, and half a one for the rounding before.
        assert np.hypot(*(curve - np.array(line.coords)).T).max() < 8 * HALF_STEP


lines_of_a_row = st.tuples(
    st.integers(1, 20), st.floats(2e-7, 2e-4), st.floats(1e-6, 1e-3), st.floats(0, 6.28), st.floats(0, 1)
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(lines_of_a_row, min_size=1, max_size=3), max_size=4), st.integers(0, 2**31))
def test_any_parallel_lines_come_back_to_three_steps(
    features: list[list[tuple[int, float, float, float, float]]], seed: int
) -> None:
    random = np.random.default_rng(seed)
    shapes = []
    for planes in features:
        lines = []
        for count, gap, length, turn, loss in planes:
            some = shapely.get_parts(side_by_side(count, gap, length, turn=turn))
            some = some[random.random(count) >= loss / 2]
            # Ends are cut as roofs cut them.
            lines += [
                shapely.line_interpolate_point(line, 0.9 * random.random(2), normalized=True) for line in some
            ]
        if lines:
            shapes.append(MultiLineString([[pair[0], pair[1]] for pair in lines]))
    packed = pack_shapes(np.array(shapes, dtype=object))
    for curves, shape in zip(unpack(*packed), shapes, strict=True):
        same_lines(curves, shape)


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
    run = Run(np.array(values, dtype=np.int64), np.array([0, len(values)]))
    ((head, data),) = write_blocks(run, 1)
    assert head == [0, len(values), -1]
    assert read_bytes(bytes(data), 0, len(values)) == (values, len(data))


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
    taken = flatten_shapes(shapes).in_steps(degrees_to_steps).take(np.array(rows, dtype=np.int64))
    ((head, block),) = write_blocks(taken.head(np.array([0, len(rows)])), 1)
    same(unpack(head, bytes(block), len(rows)), [whole[row] for row in rows])


def same(found: list[list[np.ndarray]], wanted: list[list[np.ndarray]]) -> None:
    assert [[curve.tolist() for curve in shape] for shape in found] == [
        [curve.tolist() for curve in shape] for shape in wanted
    ]


def read_column(packed: dict[str, Any], data: bytes) -> list[Any]:
    if "words" in packed:
        return [packed["words"][code] if code >= 0 else None for code in read_numbers(data, packed["codes"])]
    values = []
    for number in read_numbers(data, packed["numbers"]):
        known = (
            number == 1 if packed["per"] == 0 else number if packed["per"] == 1 else number / packed["per"]
        )
        values.append(None if number == packed.get("none") else known)
    return values


def come_back(values: pd.Series, first: int = 0, **options: int) -> list[Any]:
    column = flatten_column(values, **options)
    ((head, data),) = write_blocks(column.head(np.array([first, len(values)])), 1)
    return read_column(json.loads(json.dumps(head)), bytes(data))


def test_columns() -> None:
    assert come_back(pd.Series([True, None, False], dtype="boolean")) == [True, None, False]
    assert come_back(pd.Series([False, True])) == [False, True]
    assert come_back(pd.Series([1984, None, -7], dtype="Int64")) == [1984, None, -7]
    assert come_back(pd.Series([None, None], dtype="str")) == [None, None]
    assert come_back(pd.Series([None, None], dtype="Float64")) == [None, None]
    assert come_back(pd.Series([0.1234, None, -2.0]), decimals=3) == [0.123, None, -2.0]
    assert come_back(pd.Series([-5, -3])) == [-5, -3]


@given(st.lists(st.none() | st.floats(-1e6, 1e6).map(lambda value: round(value, 1)), min_size=1), st.data())
def test_numbers_of_a_part_come_back(values: list[float | None], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(values)))
    assert come_back(pd.Series(values, dtype="float64"), first) == values[first:]


@given(st.lists(st.none() | st.text(), min_size=1), st.data())
def test_words_of_a_part_come_back(values: list[str | None], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(values)))
    assert come_back(pd.Series(values, dtype="str"), first) == values[first:]


def test_a_block_is_plain_letters_and_the_same_every_time() -> None:
    head = {"text": "</script> ${x} \u2028 Ž", "values": [1, None]}
    text = pack_block(head, b"\x00\xff")
    assert text == pack_block(head, b"\x00\xff")
    assert set(text.decode("ascii")) <= set(
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/="
    )
    block = gzip.decompress(base64.b64decode(text))
    assert json.loads(block[4:-2]) == head
    assert int.from_bytes(block[:4], "little") == len(block) - 6
