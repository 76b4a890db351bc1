"""Geometry as coordinates: the same bytes and shapes as shapely's.

In: shapes of every kind, small and made up.
Out: WKB and geometries, held against shapely (OGC 06-103r4 through GEOS).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon

from roofplat import wkb
from roofplat.wkb import (
    Mixed,
    Shapes,
    join_packed,
    multilines,
    packed_multilines,
    points,
    points_wkb,
    polygons,
    segments,
    segments_wkb,
    shapes_of,
)

RING = [(0.0, 0.0), (0.0, 9.0), (9.0, 9.0), (9.0, 0.0)]
YARD = [(2.0, 2.0), (4.0, 2.0), (4.0, 4.0)]
SHED = Polygon(RING, [YARD])
HUT = Polygon([(20.0, 0.0), (20.0, 1.0), (21.0, 0.0)])
KINDS = {
    "points": [Point(1, 2), Point(-3, 1e300)],
    "segments": [LineString([(0, 0), (1, 2)]), LineString([(5, 5), (1, 2)])],
    "lines": [LineString([(0, 0), (1, 2)]), LineString([(0, 0), (1, 2), (3, 3)])],
    "multi-lines": [
        MultiLineString([[(0, 0), (1, 2)], [(7, 7), (8, 8)]]),
        MultiLineString([[(0, 0), (1, 2), (3, 1)]]),
    ],
    "multi-segments": [
        MultiLineString([[(0, 0), (1, 2)], [(7, 7), (8, 8)]]),
        MultiLineString([[(0, 0), (1, 2)]]),
    ],
    "polygons": [HUT, SHED, HUT],
    "multi-polygons": [MultiPolygon([HUT, SHED]), MultiPolygon([HUT])],
    "an empty row": [HUT, Polygon(), SHED],
    "lines of lines, some empty": [MultiLineString(), MultiLineString([[(0, 0), (1, 2)]]), MultiLineString()],
}


def _objects(shapes: list[shapely.Geometry]) -> npt.NDArray[np.object_]:
    return np.array(shapes, dtype=object)


def _assert_same(shapes: Shapes | Mixed, wanted: npt.NDArray[np.object_]) -> None:
    assert len(shapes) == wanted.size
    assert shapes.wkb().to_pylist() == shapely.to_wkb(wanted).tolist()
    assert shapely.equals_exact(shapes.geometry(), wanted).all()
    np.testing.assert_array_equal(shapes.bounds(), shapely.bounds(wanted))


@pytest.mark.parametrize("kind", KINDS)
def test_bytes_and_shapes_are_those_of_shapely(kind: str) -> None:
    wanted = _objects(KINDS[kind])
    _assert_same(shapes_of(wanted), wanted)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_nothing(kind: str) -> None:
    none = shapes_of(_objects(KINDS[kind])).run(0, 0)
    assert len(none) == len(none.wkb()) == none.geometry().size == len(none.bounds()) == 0


@pytest.mark.parametrize("kind", KINDS)
def test_runs_and_rows_are_those_of_the_geometries(kind: str) -> None:
    wanted = _objects(KINDS[kind])
    shapes = shapes_of(wanted)
    for start in range(wanted.size):
        for stop in range(start + 1, wanted.size + 1):
            _assert_same(shapes.run(start, stop), wanted[start:stop])
            _assert_same(shapes.run(start, stop).take(np.array([0])), wanted[start : start + 1])
    rows = np.array([wanted.size - 1, 0, 0])
    _assert_same(shapes.take(rows), wanted[rows])


def test_makers_take_columns_of_coordinates() -> None:
    x0, y0, x1, y1 = np.arange(12.0).reshape(4, 3)
    _assert_same(points(x0, y0), shapely.points(x0, y0))
    lines = shapely.linestrings(np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2, 2))
    _assert_same(segments(x0, y0, x1, y1), lines)
    _assert_same(
        multilines(x0, y0, x1, y1, np.array([0, 2, 3])),
        _objects([MultiLineString(lines[:2].tolist()), MultiLineString([lines[2]])]),
    )
    corners = np.array([*RING, RING[0]])
    _assert_same(polygons(*corners.T, np.array([0, 5])), _objects([Polygon(RING)]))
    assert points_wkb(x0, y0).equals(points(x0, y0).wkb())
    assert segments_wkb(x0, y0, x1, y1).equals(segments(x0, y0, x1, y1).wkb())


@pytest.mark.parametrize("kind", KINDS)
def test_portions_are_together_the_whole(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = _objects(KINDS[kind])
    monkeypatch.setattr(wkb, "_POINTS_AT_ONCE", 3)
    column = shapes_of(wanted).wkb_chunks()
    assert column.to_pylist() == shapely.to_wkb(wanted).tolist()
    assert shapes_of(wanted).run(0, 0).wkb_chunks().length() == 0


def test_packed_lines_are_those_laid_out_at_once() -> None:
    x0, y0, x1, y1 = np.arange(20.0).reshape(4, 5)
    whole = multilines(x0, y0, x1, y1, np.array([0, 1, 3, 5]))
    ends = np.stack([x0, y0, x1, y1])
    nothing = np.empty((4, 0)), np.empty(0, dtype=np.int64)
    portions = [(ends[:, :3], np.array([1, 2])), nothing, (ends[:, 3:], np.array([2]))]
    packed = join_packed([packed_multilines(portions[:2]), packed_multilines(portions[2:])])
    assert packed.wkb().equals(whole.wkb())
    assert packed.wkb_chunks().to_pylist() == packed.wkb().to_pylist()
    assert shapely.equals_exact(packed.geometry(), whole.geometry()).all()
    for some, others in (
        (packed, whole),
        (packed.run(1, 3), whole.run(1, 3)),
        (packed.take(np.array([2, 0])), whole.take(np.array([2, 0]))),
        (packed.run(1, 1), whole.run(1, 1)),
    ):
        assert len(some) == len(others)
        assert some.wkb().to_pylist() == others.wkb().to_pylist()
        assert some.kinds() == others.kinds()
        np.testing.assert_array_equal(some.extent(), others.extent())
        np.testing.assert_array_equal(some.unpacked().xy, others.xy)
        for own, other in zip(some.unpacked().starts, others.starts, strict=True):
            np.testing.assert_array_equal(own, other)
        np.testing.assert_array_equal(some.bounds(), others.bounds())


def test_more_packed_bytes_than_a_plain_column_counts_make_a_large_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    packed = packed_multilines([(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([1]))] * 3)
    plain = packed.wkb()
    monkeypatch.setattr(wkb, "_MOST_BYTES", 50)
    assert pa.types.is_large_binary(packed.wkb().type)
    assert packed.wkb().to_pylist() == plain.to_pylist()


def test_a_large_column_stays_in_its_portions(monkeypatch: pytest.MonkeyPatch) -> None:
    portions = [(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([1]))] * 3
    assert packed_multilines(portions).wkb_chunks().num_chunks == 1
    monkeypatch.setattr(wkb, "_LITTLE_BYTES", 10)
    assert packed_multilines(portions).wkb_chunks().num_chunks == 3


def test_other_points_keep_their_lists() -> None:
    wanted = _objects(KINDS["polygons"])
    shapes = shapes_of(wanted)
    _assert_same(shapes.moved(shapes.xy + 100.0), shapely.transform(wanted, lambda xy: xy + 100.0))


def test_more_bytes_than_a_plain_column_counts_make_a_large_one(monkeypatch: pytest.MonkeyPatch) -> None:
    wanted = _objects(KINDS["multi-polygons"])
    monkeypatch.setattr(wkb, "_MOST_BYTES", 50)
    column = shapes_of(wanted).wkb()
    assert pa.types.is_large_binary(column.type)
    assert column.to_pylist() == shapely.to_wkb(wanted).tolist()


@pytest.mark.parametrize("shapes", [[None, Point(1, 2)], [Point(1, 2), HUT]], ids=["missing", "mixed"])
def test_what_cannot_be_kept_as_coordinates_is_refused(shapes: list[shapely.Geometry]) -> None:
    with pytest.raises(ValueError, match=r"no coordinates|no kind|combination"):
        shapes_of(_objects(shapes))


@given(st.lists(st.lists(st.integers(2, 5), max_size=4), max_size=5), st.integers(0, 2**32 - 1))
def test_any_lists_of_lines_come_back(rows: list[list[int]], seed: int) -> None:
    random = np.random.default_rng(seed)
    made = [MultiLineString([random.normal(size=(size, 2)) for size in row]) for row in rows]
    wanted = _objects(made)
    if wanted.size:
        _assert_same(shapes_of(wanted), wanted)


def test_several_kinds_in_any_order() -> None:
    spots, ways = _objects(KINDS["points"]), _objects(KINDS["lines"])
    order = np.array([3, 0, 2, 1, 3])
    mixed = Mixed((shapes_of(spots), shapes_of(ways)), order)
    wanted = np.concatenate([spots, ways])[order]
    _assert_same(mixed, wanted)
    _assert_same(mixed.run(1, 4), wanted[1:4])
    _assert_same(mixed.take(np.array([4, 1])), wanted[[4, 1]])
    assert mixed.kinds() == {"Point", "LineString"}
    assert mixed.take(np.array([1, 3])).kinds() == {"Point"}
    assert mixed.extent().tolist() == shapely.total_bounds(wanted).tolist()
    assert np.isnan(mixed.run(0, 0).extent()).all()


def test_one_kind_in_order_or_not() -> None:
    spots = points(np.array([1.0, 2.0]), np.array([3.0, 4.0]))
    for order in ([0, 1], [1, 0], [1]):
        wanted = shapely.to_wkb(spots.geometry()[order]).tolist()
        assert Mixed((spots,), np.array(order)).wkb().to_pylist() == wanted
