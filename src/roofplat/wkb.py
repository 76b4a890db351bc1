"""Geometry as coordinates, and as well-known binary without a geometry object in between.

In: coordinates, and where each ring, line and row begins.
Out: `Shapes`, which become an Arrow column of WKB by whole arrays, or shapely geometries on demand.

WKB is that of OGC 06-103r4 (Simple Feature Access, part 1, clause 8), two-dimensional and little-endian:
the bytes are those of `shapely.to_wkb`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import shapely

__all__ = [
    "Kind",
    "Mixed",
    "Packed",
    "Shapes",
    "join_packed",
    "lines_wkb",
    "multilines",
    "multilines_wkb",
    "packed_multilines",
    "points",
    "points_wkb",
    "polygons",
    "polygons_wkb",
    "segments",
    "segments_wkb",
    "shapes_of",
]

Kind = Literal["Point", "LineString", "Polygon", "MultiLineString", "MultiPolygon"]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

# Numbers of OGC 06-103r4, table 7.
_NUMBERS: dict[Kind, int] = {
    "Point": 1,
    "LineString": 2,
    "Polygon": 3,
    "MultiLineString": 5,
    "MultiPolygon": 6,
}
_SHAPELY: dict[Kind, Any] = {kind: getattr(shapely.GeometryType, kind.upper()) for kind in get_args(Kind)}
_MULTILINE = _NUMBERS["MultiLineString"]
_LITTLE_ENDIAN = 1
_POINT_BYTES = 16
_HEAD = np.dtype([("order", "u1"), ("type", "<u4"), ("count", "<u4")])
_POINT = np.dtype([("order", "u1"), ("type", "<u4"), ("xy", "<f8", 2)])
_SEGMENT = np.dtype([("order", "u1"), ("type", "<u4"), ("count", "<u4"), ("xy", "<f8", 4)])
# The WKB of so many points is small enough to be made in memory that is used again and again.
_POINTS_AT_ONCE = 2**18
# A column smaller than this is copied into one piece.
_LITTLE_BYTES = 2**24
# What the offsets of a plain binary column can count.
_MOST_BYTES = 2**31 - 1


@dataclass(frozen=True, slots=True)
class Shapes:
    """Geometries of n rows, all of one kind and none missing, as coordinates.

    kind
        Their kind.
    xy
        Coordinates of all points, shape (m, 2).
    starts
        Where each list begins in the one below, and where the last ends: lines or rings in points first,
        then parts in rings, then rows; empty for points. As `shapely.to_ragged_array` has them.
    """

    kind: Kind
    xy: FloatArray
    starts: tuple[IntArray, ...]

    def __len__(self) -> int:
        """Number of rows."""
        return self.starts[-1].size - 1 if self.starts else len(self.xy)

    def geometry(self) -> npt.NDArray[np.object_]:
        """As shapely geometries, shape (n,)."""
        if self.kind == "Point":
            return np.asarray(shapely.points(self.xy))
        if self.kind == "LineString" and _all_of(2, self.starts[0]):
            return np.asarray(shapely.linestrings(self.xy.reshape(-1, 2, 2)))
        made: npt.NDArray[np.object_] = shapely.from_ragged_array(_SHAPELY[self.kind], self.xy, self.starts)
        return made

    def wkb(self) -> pa.Array:
        """As WKB, shape (n,); a large binary column where a plain one cannot count its bytes."""
        match self.kind:
            case "Point":
                return points_wkb(self.xy[:, 0], self.xy[:, 1])
            case "LineString":
                return lines_wkb(self.xy, *self.starts)
            case "MultiLineString":
                return multilines_wkb(self.xy, *self.starts)
            case "Polygon":
                return polygons_wkb(self.xy, *self.starts)
        ring_starts, polygon_starts, part_starts = self.starts
        parts = polygons_wkb(self.xy, ring_starts, polygon_starts)
        return _gathered(parts, part_starts, _NUMBERS["MultiPolygon"])

    def wkb_chunks(self) -> pa.ChunkedArray:
        """As WKB, shape (n,), made portion by portion, so that it needs little more room than it takes."""
        start = self._first_points() if self.starts else np.arange(len(self) + 1)
        cuts = np.searchsorted(start, np.arange(start[0], start[-1], _POINTS_AT_ONCE))
        cuts = np.unique(np.r_[0, cuts, len(self)])
        portions = [self.run(*rows.tolist()).wkb() for rows in np.stack([cuts[:-1], cuts[1:]], axis=1)]
        large = any(pa.types.is_large_binary(portion.type) for portion in portions)
        kind = pa.large_binary() if large else pa.binary()
        return pa.chunked_array([portion.cast(kind) for portion in portions], kind)

    def bounds(self) -> FloatArray:
        """Least x and y and greatest x and y of each row, shape (n, 4); NaN for a row of no point."""
        if not self.starts:
            return np.hstack([self.xy, self.xy])
        start = self._first_points()
        some = np.flatnonzero(start[:-1] < start[1:])
        bounds = np.full((len(self), 4), np.nan)
        if some.size:
            for axis in (0, 1):
                bounds[some, axis] = np.minimum.reduceat(self.xy[:, axis], start[some])
                bounds[some, axis + 2] = np.maximum.reduceat(self.xy[:, axis], start[some])
        return bounds

    def run(self, start: int, stop: int) -> Shapes:
        """Rows that lie together; nothing is copied but the starts."""
        low, high = start, stop
        starts: list[IntArray] = []
        for level in reversed(self.starts):
            part = level[low : high + 1]
            low, high = int(part[0]), int(part[-1])
            starts.insert(0, part - low)
        return Shapes(self.kind, self.xy[low:high], tuple(starts))

    def take(self, rows: npt.NDArray[Any]) -> Shapes:
        """Rows by their numbers, in that order."""
        starts: list[IntArray] = []
        for level in reversed(self.starts):
            first, counts = level[rows], level[rows + 1] - level[rows]
            begin = _offsets(counts)
            starts.insert(0, begin)
            rows = np.arange(begin[-1]) + np.repeat(first - begin[:-1], counts)
        return Shapes(self.kind, self.xy[rows], tuple(starts))

    def moved(self, xy: FloatArray) -> Shapes:
        """The same lists of other points, as in another CRS."""
        return replace(self, xy=xy)

    def kinds(self) -> set[str]:
        """Kinds of geometry that occur."""
        return {self.kind} if len(self) else set()

    def extent(self) -> FloatArray:
        """Least x and y and greatest x and y of all rows, shape (4,); NaN without a point."""
        if not len(self.xy):
            return np.full(4, np.nan)
        # Column by column: along the short axis numpy takes ten times as long.
        x, y = self.xy[:, 0], self.xy[:, 1]
        return np.array([x.min(), y.min(), x.max(), y.max()])

    def _first_points(self) -> IntArray:
        """Where each row begins in the points, and where the last ends."""
        start = self.starts[-1]
        for level in reversed(self.starts[:-1]):
            start = level[start]
        return start


@dataclass(frozen=True, slots=True)
class Mixed:
    """Geometries of n rows that are not all of one kind; it does what `Shapes` does.

    parts
        Those of each kind.
    order
        Which row of the parts, one part after the other, each row is, shape (n,).

    Examples
    --------
    >>> spot = points(np.array([9.0]), np.array([8.0]))
    >>> way = segments(*np.array([[1.0], [2.0], [3.0], [4.0]]))
    >>> [shape.wkt for shape in Mixed((spot, way), np.array([1, 0])).geometry()]
    ['LINESTRING (1 2, 3 4)', 'POINT (9 8)']
    """

    parts: tuple[Shapes, ...]
    order: IntArray

    def __len__(self) -> int:
        """Number of rows."""
        return self.order.size

    def geometry(self) -> npt.NDArray[np.object_]:
        """As shapely geometries, shape (n,)."""
        made: npt.NDArray[np.object_] = np.concatenate([part.geometry() for part in self.parts])[self.order]
        return made

    def wkb(self) -> pa.Array:
        """As WKB, shape (n,)."""
        columns = [part.wkb() for part in self.parts]
        large = any(pa.types.is_large_binary(column.type) for column in columns)
        kind = pa.large_binary() if large else pa.binary()
        whole = pa.concat_arrays([column.cast(kind) for column in columns])
        # Most often one kind is all there is, and in order: nothing is copied then.
        if np.array_equal(self.order, np.arange(len(whole))):
            return whole
        return pc.take(whole, pa.array(self.order))

    def wkb_chunks(self) -> pa.ChunkedArray:
        """As WKB, shape (n,), in one chunk."""
        return pa.chunked_array([self.wkb()])

    def bounds(self) -> FloatArray:
        """Least x and y and greatest x and y of each row, shape (n, 4); NaN for a row of no point."""
        made: FloatArray = np.concatenate([part.bounds() for part in self.parts])[self.order]
        return made

    def run(self, start: int, stop: int) -> Mixed:
        """Rows that lie together."""
        return Mixed(self.parts, self.order[start:stop])

    def take(self, rows: npt.NDArray[Any]) -> Mixed:
        """Rows by their numbers, in that order."""
        return Mixed(self.parts, self.order[rows])

    def kinds(self) -> set[str]:
        """Kinds of geometry that occur."""
        part = np.searchsorted(np.cumsum([len(shapes) for shapes in self.parts]), self.order, side="right")
        return {self.parts[number].kind for number in np.unique(part)}

    def extent(self) -> FloatArray:
        """Least x and y and greatest x and y of all rows, shape (4,); NaN without a point."""
        return _around(self.bounds())


@dataclass(frozen=True, slots=True)
class Packed:
    """Multi-lines of two-point lines of n rows, as WKB already; it does what `Shapes` does.

    column
        Binary, shape (n,).
    box
        Least x and y and greatest x and y of all rows, shape (4,); None where it is to be looked for.
    """

    column: pa.ChunkedArray
    box: FloatArray | None = None

    def __len__(self) -> int:
        """Number of rows."""
        return int(self.column.length())

    def geometry(self) -> npt.NDArray[np.object_]:
        """As shapely geometries, shape (n,)."""
        return self.unpacked().geometry()

    def wkb(self) -> pa.Array:
        """As WKB, shape (n,); a large binary column where a plain one cannot count its bytes."""
        kind = pa.large_binary() if self.column.nbytes > _MOST_BYTES else pa.binary()
        return pa.concat_arrays([pa.array([], kind), *self.column.cast(kind).chunks])

    def wkb_chunks(self) -> pa.ChunkedArray:
        """As WKB, shape (n,), in the portions that it was made in."""
        return self.column

    def bounds(self) -> FloatArray:
        """Least x and y and greatest x and y of each row, shape (n, 4); NaN for a row of no point."""
        return self.unpacked().bounds()

    def run(self, start: int, stop: int) -> Packed:
        """Rows that lie together; nothing is copied."""
        return Packed(self.column.slice(start, stop - start))

    def take(self, rows: npt.NDArray[Any]) -> Packed:
        """Rows by their numbers, in that order."""
        return Packed(self.column.take(pa.array(rows)))

    def kinds(self) -> set[str]:
        """Kinds of geometry that occur."""
        return {"MultiLineString"} if len(self) else set()

    def unpacked(self) -> Shapes:
        """The same as coordinates."""
        ends, counts = [np.empty((0, 4))], [np.empty(0, dtype=np.int64)]
        for chunk in self.column.chunks:
            if not len(chunk):
                continue
            data, starts = _bytes_of(chunk)
            lines = (np.diff(starts) - _HEAD.itemsize) // _SEGMENT.itemsize
            # Behind the head of each row its lines stand one after the other, all equally long: one may
            # begin at any byte.
            number = np.arange(lines.sum()) - np.repeat(_offsets(lines)[:-1], lines)
            at = np.repeat(starts[:-1] + _HEAD.itemsize, lines) + number * _SEGMENT.itemsize
            anywhere = np.ndarray((data.size - _SEGMENT.itemsize + 1,), _SEGMENT, data, strides=(1,))
            ends.append(anywhere[at]["xy"])
            counts.append(lines)
        start = _offsets(np.concatenate(counts))
        xy = np.concatenate(ends).reshape(-1, 2)
        return Shapes("MultiLineString", xy, (2 * np.arange(start[-1] + 1), start))

    def extent(self) -> FloatArray:
        """Least x and y and greatest x and y of all rows, shape (4,); NaN without a point."""
        return self.box if self.box is not None else _around(self.bounds())


def packed_multilines(portions: Iterable[tuple[Sequence[FloatArray], IntArray]]) -> Packed:
    """Multi-lines of two-point lines, packed portion by portion.

    Parameters
    ----------
    portions
        Of some rows each: x and y of the one end and of the other of all their lines, row after row, shape
        (k,) each; and how many lines each row has, shape (n,).

    Returns
    -------
    Packed
        Millions of lines need room for their WKB alone.

    Examples
    --------
    >>> rows = packed_multilines([(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([1]))])
    >>> rows.geometry()[0].wkt, rows.extent().tolist()
    ('MULTILINESTRING ((1 2, 3 4))', [1.0, 2.0, 3.0, 4.0])
    """
    columns, boxes = [], []
    # Filled anew for each portion: what the lines begin with is always the same.
    scratch = _segment_rows(np.empty((0, 4)))
    for ends, counts in portions:
        if not counts.size:
            continue
        x0, y0, x1, y1 = ends
        if x0.size > scratch.size:
            scratch = _segment_rows(np.zeros((x0.size, 4)))
        lines = scratch[: x0.size]
        for place, values in enumerate(ends):
            lines["xy"][:, place] = values
        columns.append(_gathered(_equal_pieces(lines), _offsets(counts), _MULTILINE))
        boxes.append([min(x0.min(), x1.min()), min(y0.min(), y1.min())])
        boxes[-1] += [max(x0.max(), x1.max()), max(y0.max(), y1.max())]
    return Packed(_column_of(columns), _around(np.array(boxes).reshape(-1, 4)))


def join_packed(parts: Sequence[Packed]) -> Packed:
    """Rows of several, one after the other; at least of one.

    Examples
    --------
    >>> rows = packed_multilines([(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([1]))])
    >>> len(join_packed([rows, rows]))
    2
    """
    chunks = [chunk for part in parts for chunk in part.column.chunks]
    return Packed(_column_of(chunks), _around(np.array([part.extent() for part in parts])))


def _column_of(chunks: Sequence[pa.Array]) -> pa.ChunkedArray:
    column = pa.chunked_array(chunks, pa.binary())
    return pa.chunked_array([column.combine_chunks()]) if column.nbytes < _LITTLE_BYTES else column


def _around(boxes: FloatArray) -> FloatArray:
    """The box around boxes, shape (4,)."""
    boxes = boxes[~np.isnan(boxes[:, 0])]
    if not len(boxes):
        return np.full(4, np.nan)
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])


def points(x: FloatArray, y: FloatArray) -> Shapes:
    """A point a row; x and y of shape (n,).

    Examples
    --------
    >>> points(np.array([1.0]), np.array([2.0])).geometry()[0].wkt
    'POINT (1 2)'
    """
    return Shapes("Point", _pairs(x, y), ())


def segments(x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray) -> Shapes:
    """A line of two points a row; coordinates of shape (n,).

    Examples
    --------
    >>> ends = np.array([[1.0], [2.0], [3.0], [4.0]])
    >>> segments(*ends).geometry()[0].wkt
    'LINESTRING (1 2, 3 4)'
    """
    return Shapes("LineString", _ends(x0, y0, x1, y1).reshape(-1, 2), (2 * np.arange(x0.size + 1),))


def multilines(
    x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray, part_starts: IntArray
) -> Shapes:
    """Lines of two points, some of them a row.

    Parameters
    ----------
    x0, y0, x1, y1
        Ends of all lines, row after row, shape (k,).
    part_starts
        Where each row begins in the lines, and where the last ends, shape (n + 1,).

    Examples
    --------
    >>> ends = np.array([[1.0], [2.0], [3.0], [4.0]])
    >>> multilines(*ends, np.array([0, 1])).geometry()[0].wkt
    'MULTILINESTRING ((1 2, 3 4))'
    """
    xy = _ends(x0, y0, x1, y1).reshape(-1, 2)
    return Shapes("MultiLineString", xy, (2 * np.arange(x0.size + 1), part_starts))


def polygons(x: FloatArray, y: FloatArray, ring_starts: IntArray) -> Shapes:
    """Polygons without courtyards, their rings closed.

    Parameters
    ----------
    x, y
        Corners of all rings, shape (m,); each ring's first corner again at its end.
    ring_starts
        Where each ring begins, and where the last ends, shape (n + 1,).

    Examples
    --------
    >>> corners = np.array([0.0, 0.0, 1.0, 0.0]), np.array([0.0, 1.0, 1.0, 0.0])
    >>> polygons(*corners, np.array([0, 4])).geometry()[0].wkt
    'POLYGON ((0 0, 0 1, 1 1, 0 0))'
    """
    return Shapes("Polygon", _pairs(x, y), (ring_starts, np.arange(ring_starts.size)))


def shapes_of(geometry: npt.NDArray[Any]) -> Shapes:
    """Coordinates of shapely geometries, shape (n,), of one kind or of single and multiple ones together.

    Raises
    ------
    ValueError
        They are of kinds that no `Shapes` holds together, or some are missing.

    Examples
    --------
    >>> shapes_of(np.array([shapely.Point(1, 2)])).xy.tolist()
    [[1.0, 2.0]]
    """
    found, xy, starts = shapely.to_ragged_array(geometry, include_z=False)
    kinds = {number: kind for kind, number in _SHAPELY.items()}
    if found not in kinds:
        raise ValueError(f"{found.name} is no kind of geometry that is kept as coordinates.")
    if shapely.is_missing(geometry).any():
        raise ValueError("A missing geometry has no coordinates.")
    return Shapes(kinds[found], xy, tuple(np.asarray(level, dtype=np.int64) for level in starts))


def points_wkb(x: FloatArray, y: FloatArray) -> pa.Array:
    """Points as WKB; x and y of shape (n,).

    Examples
    --------
    >>> column = points_wkb(np.array([1.0]), np.array([2.0]))
    >>> column[0].as_py() == shapely.to_wkb(shapely.Point(1, 2))
    True
    """
    rows = np.empty(x.size, dtype=_POINT)
    rows["order"], rows["type"] = _LITTLE_ENDIAN, _NUMBERS["Point"]
    rows["xy"][:, 0], rows["xy"][:, 1] = x, y
    return _equal_pieces(rows)


def segments_wkb(x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray) -> pa.Array:
    """Lines of two points as WKB; coordinates of shape (n,).

    Examples
    --------
    >>> column = segments_wkb(*np.array([[1.0], [2.0], [3.0], [4.0]]))
    >>> column[0].as_py() == shapely.to_wkb(shapely.LineString([(1, 2), (3, 4)]))
    True
    """
    return _equal_pieces(_segment_rows(_ends(x0, y0, x1, y1)))


def lines_wkb(xy: FloatArray, line_starts: IntArray) -> pa.Array:
    """Lines as WKB.

    Parameters
    ----------
    xy
        Points of all lines, shape (m, 2).
    line_starts
        Where each line begins, and where the last ends, shape (n + 1,).

    Examples
    --------
    >>> column = lines_wkb(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]), np.array([0, 3]))
    >>> column[0].as_py() == shapely.to_wkb(shapely.LineString([(0, 0), (1, 0), (1, 1)]))
    True
    """
    if _all_of(2, line_starts):
        return _equal_pieces(_segment_rows(xy.reshape(-1, 4)))
    return _joined(_heads(line_starts, _NUMBERS["LineString"]), xy, line_starts * _POINT_BYTES)


def multilines_wkb(xy: FloatArray, line_starts: IntArray, part_starts: IntArray) -> pa.Array:
    """Multi-lines as WKB.

    Parameters
    ----------
    xy
        Points of all lines, shape (m, 2).
    line_starts
        Where each line begins in the points, and where the last ends, shape (k + 1,).
    part_starts
        Where each row begins in the lines, and where the last ends, shape (n + 1,).

    Examples
    --------
    >>> column = multilines_wkb(np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([0, 2]), np.array([0, 1]))
    >>> column[0].as_py() == shapely.to_wkb(shapely.MultiLineString([[(0, 0), (1, 0)]]))
    True
    """
    lines = lines_wkb(xy, line_starts)
    return _gathered(lines, part_starts, _MULTILINE)


def polygons_wkb(xy: FloatArray, ring_starts: IntArray, part_starts: IntArray) -> pa.Array:
    """Polygons as WKB.

    Parameters
    ----------
    xy
        Corners of all rings, shape (m, 2); each ring's first corner again at its end.
    ring_starts
        Where each ring begins in the corners, and where the last ends, shape (k + 1,).
    part_starts
        Where each polygon begins in the rings, and where the last ends, shape (n + 1,).

    Examples
    --------
    >>> corners = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [0.0, 0.0]])
    >>> column = polygons_wkb(corners, np.array([0, 4]), np.array([0, 1]))
    >>> column[0].as_py() == shapely.to_wkb(shapely.Polygon(corners))
    True
    """
    sizes = np.diff(ring_starts).astype("<u4")
    rings = _joined(sizes, xy, ring_starts * _POINT_BYTES)
    return _gathered(rings, part_starts, _NUMBERS["Polygon"])


def _pairs(x: FloatArray, y: FloatArray) -> FloatArray:
    xy = np.empty((x.size, 2))
    xy[:, 0], xy[:, 1] = x, y
    return xy


def _ends(x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray) -> FloatArray:
    ends = np.empty((x0.size, 4))
    for place, values in enumerate((x0, y0, x1, y1)):
        ends[:, place] = values
    return ends


def _offsets(counts: IntArray) -> IntArray:
    starts = np.zeros(counts.size + 1, dtype=np.int64)
    np.cumsum(counts, out=starts[1:])
    return starts


def _all_of(size: int, starts: IntArray) -> bool:
    """Whether every list has so many entries."""
    return bool(starts[0] == 0 and (np.diff(starts) == size).all())


def _segment_rows(ends: FloatArray) -> npt.NDArray[Any]:
    rows = np.empty(len(ends), dtype=_SEGMENT)
    rows["order"], rows["type"], rows["count"] = _LITTLE_ENDIAN, _NUMBERS["LineString"], 2
    rows["xy"] = ends
    return rows


def _heads(starts: IntArray, number: int) -> npt.NDArray[Any]:
    """What a geometry begins with: byte order, type, and how many entries follow."""
    heads = np.empty(starts.size - 1, dtype=_HEAD)
    heads["order"], heads["type"], heads["count"] = _LITTLE_ENDIAN, number, np.diff(starts)
    return heads


def _equal_pieces(rows: npt.NDArray[Any]) -> pa.Array:
    """Rows of equal size as a binary column, without copying."""
    return _column(pa.py_buffer(np.ascontiguousarray(rows)), np.arange(rows.size + 1) * rows.itemsize)


def _joined(heads: npt.NDArray[Any], bodies: FloatArray | pa.Buffer, byte_starts: IntArray) -> pa.Array:
    """Each head with its body behind it, shape (n,)."""
    if not heads.size:
        return pa.array([], pa.binary())
    buffer = bodies if isinstance(bodies, pa.Buffer) else pa.py_buffer(np.ascontiguousarray(bodies))
    total = heads.nbytes + int(byte_starts[-1] - byte_starts[0])
    head, body = _equal_pieces(heads), _column(buffer, byte_starts)
    if total > _MOST_BYTES:
        head, body = head.cast(pa.large_binary()), body.cast(pa.large_binary())
    return pc.binary_join_element_wise(head, body, pa.scalar(b"", head.type))


def _gathered(parts: pa.Array, part_starts: IntArray, number: int) -> pa.Array:
    """Geometries as the parts of others."""
    if not len(parts):
        return _equal_pieces(_heads(part_starts, number))
    data, byte_starts = _bytes_of(parts)
    return _joined(_heads(part_starts, number), pa.py_buffer(data), byte_starts[part_starts])


def _bytes_of(column: pa.Array) -> tuple[npt.NDArray[np.uint8], IntArray]:
    """All bytes of a binary column, and where each row's begin and the last ones end."""
    _, starts, data = column.buffers()
    wide = np.int64 if pa.types.is_large_binary(column.type) else np.int32
    rows = np.frombuffer(starts, dtype=wide)[column.offset : column.offset + len(column) + 1]
    return np.frombuffer(data, dtype=np.uint8), rows.astype(np.int64)


def _column(data: pa.Buffer, starts: IntArray) -> pa.Array:
    """A binary column over bytes that are there already."""
    large = starts.size > 0 and int(starts[-1]) > _MOST_BYTES
    kind, wide = (pa.large_binary(), np.int64) if large else (pa.binary(), np.int32)
    buffers = [None, pa.py_buffer(starts.astype(wide)), data]
    return pa.Array.from_buffers(kind, starts.size - 1, buffers)
