"""Shapes and columns packed small enough to travel inside one HTML page.

In: frames on WGS 84 longitude and latitude.
Out: blocks of ASCII text: base64 of gzip of a JSON head and the bytes of its shapes.

A layer is taken apart once, as whole arrays, and then cut into as many blocks as are wanted. In a block
it stands as `kind` (0 point, 1 line, 2 polygon, -1 nothing; one number when all are alike), `curves`
(curves in each feature), `sizes` (vertices in each curve) and `x`, `y`, each as [start, vertices, lag]:
where its bytes begin, how many values they hold, and how they were made. A polygon's curves are all its
rings, of all its parts, without the closing vertex: filled by the even-odd rule they give its holes and
parts. Values are steps of 1e-7 degree, about 1 cm: differences from vertex to vertex, and with lag 2 the
differences of those to the last but one, which are next to nothing where lines lie side by side. Bytes
hold seven bits each, lowest first, the eighth set when more follow; a sign stands in the lowest bit.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

__all__ = [
    "STEPS_PER_DEGREE",
    "FlatColumn",
    "FlatShapes",
    "flatten_column",
    "flatten_shapes",
    "pack_block",
    "to_bytes",
]

IntArray = npt.NDArray[np.int64]

STEPS_PER_DEGREE = 10_000_000
_GZIP_LEVEL = 6
_POLYGON = 3
_LAGS = (0, 2)


@dataclass(frozen=True, slots=True)
class FlatShapes:
    """Geometries of any kind as flat arrays.

    kind
        Of each feature: 0 point, 1 line, 2 polygon, -1 nothing, shape (n,).
    first_curve, first_vertex
        Where the curves of each feature, and the vertices of each curve, begin; one longer than
        features and curves.
    steps
        Longitude and latitude of each vertex in steps, shape (m, 2).
    """

    kind: IntArray
    first_curve: IntArray
    first_vertex: IntArray
    steps: IntArray

    def take(self, rows: IntArray) -> FlatShapes:
        """The features at some positions, in that order.

        Examples
        --------
        >>> flat = flatten_shapes(shapely.points([[0, 0], [1e-7, 2e-7]]))
        >>> flat.take(np.array([1])).steps.tolist()
        [[1, 2]]
        """
        curves, first_curve = _gather(self.first_curve, rows)
        vertices, first_vertex = _gather(self.first_vertex, curves)
        return FlatShapes(self.kind[rows], first_curve, first_vertex, self.steps[vertices])

    def bounds(self, first: int, end: int) -> tuple[IntArray, IntArray] | None:
        """Least and greatest steps of the features from `first` up to `end`; None of nothing."""
        part = self._steps(first, end)
        return (part.min(axis=0), part.max(axis=0)) if len(part) else None

    def packed(self, first: int, end: int, data: bytearray) -> dict[str, Any]:
        """Append the features from `first` up to `end` to `data` and return their head.

        Examples
        --------
        >>> lines = flatten_shapes(shapely.linestrings([[[0, 0], [0.000001, -0.000002]]]))
        >>> data = bytearray()
        >>> lines.packed(0, 1, data)
        {'kind': 1, 'curves': [1], 'sizes': [2], 'x': [0, 2, 0], 'y': [2, 2, 0]}
        >>> list(data)  # 0, 10, then 0, -20: twice the value, less one where it is negative
        [0, 20, 0, 39]
        """
        kind = self.kind[first:end]
        sizes = np.diff(self.first_vertex[self.first_curve[first] : self.first_curve[end] + 1])
        steps = self._steps(first, end)
        head: dict[str, Any] = {
            "kind": int(kind[0]) if len(kind) and (kind == kind[0]).all() else kind.tolist(),
            "curves": np.diff(self.first_curve[first : end + 1]).tolist(),
            "sizes": sizes.tolist(),
        }
        for name, values in zip("xy", steps.T, strict=True):
            moves = np.diff(values, prepend=np.int64(0))
            ways = [(to_bytes(_lagged(moves, lag)), lag) for lag in _LAGS]
            best, lag = min(ways, key=lambda way: (len(way[0]), way[1]))
            head[name] = [len(data), len(values), lag]
            data += best
        return head

    def _steps(self, first: int, end: int) -> IntArray:
        start, stop = self.first_vertex[self.first_curve[[first, end]]]
        return self.steps[start:stop]


@dataclass(frozen=True, slots=True)
class FlatColumn:
    """A column as plain values, or as codes of words; code -1 is missing."""

    values: npt.NDArray[Any]
    words: npt.NDArray[np.object_] | None

    def take(self, rows: IntArray) -> FlatColumn:
        """The rows at some positions, in that order."""
        return FlatColumn(self.values[rows], self.words)

    def equals(self, word: str) -> npt.NDArray[np.bool_]:
        """Which rows hold a word.

        Examples
        --------
        >>> flatten_column(pd.Series(["unit", "solar", None], dtype="str")).equals("solar").tolist()
        [False, True, False]
        """
        if self.words is None:
            return np.zeros(len(self.values), dtype=bool)
        return np.isin(self.values, np.flatnonzero(self.words == word))

    def packed(self, first: int, end: int) -> dict[str, Any]:
        """The rows from `first` up to `end`, with the words they use.

        Examples
        --------
        >>> flatten_column(pd.Series(["unit", "solar", None, "solar"], dtype="str")).packed(1, 4)
        {'words': ['solar'], 'codes': [0, -1, 0]}
        >>> flatten_column(pd.Series([1.25, None])).packed(0, 2)
        {'values': [1.2, None]}
        """
        part = self.values[first:end]
        if self.words is None:
            return {"values": part.tolist()}
        used, codes = np.unique(part, return_inverse=True)
        missing = int(len(used) > 0 and used[0] < 0)
        return {"words": self.words[used[missing:]].tolist(), "codes": (codes - missing).tolist()}


def flatten_shapes(shapes: npt.NDArray[np.object_]) -> FlatShapes:
    """Take geometries apart.

    Parameters
    ----------
    shapes
        Longitude and latitude in degrees, shape (n,); missing ones are kept as nothing.

    Returns
    -------
    FlatShapes

    Examples
    --------
    >>> flat = flatten_shapes(np.array([shapely.box(0, 0, 1e-7, 1e-7), None]))
    >>> flat.kind.tolist(), flat.first_curve.tolist(), flat.first_vertex.tolist()
    ([2, -1], [0, 1, 1], [0, 4])
    """
    shapes = np.asarray(shapes, dtype=object)
    parts, part_of = shapely.get_parts(shapes, return_index=True)
    polygon = shapely.get_type_id(parts) == _POLYGON
    rings, ring_of = shapely.get_rings(parts[polygon], return_index=True)
    curves = np.concatenate([parts[~polygon], rings])
    curve_of = np.concatenate([part_of[~polygon], part_of[polygon][ring_of]]).astype(np.int64)
    closed = np.concatenate([np.zeros((~polygon).sum(), dtype=bool), np.ones(len(rings), dtype=bool)])
    order = np.argsort(curve_of, kind="stable")
    curves, curve_of, closed = curves[order], curve_of[order], closed[order]

    degrees, vertex_of = shapely.get_coordinates(curves, return_index=True)
    last = np.append(vertex_of[1:] != vertex_of[:-1], True)[: len(vertex_of)]
    keep = ~(last & closed[vertex_of])
    return FlatShapes(
        shapely.get_dimensions(shapes).astype(np.int64),
        _starts(np.bincount(curve_of, minlength=len(shapes))),
        _starts(np.bincount(vertex_of[keep], minlength=len(curves))),
        np.round(degrees[keep] * STEPS_PER_DEGREE).astype(np.int64),
    )


def flatten_column(column: pd.Series, *, decimals: int = 1) -> FlatColumn:
    """Take a column apart: text and dates as words and codes, everything else as plain values.

    Parameters
    ----------
    column
        Any column of a table.
    decimals
        Places after the point that fractions keep.

    Returns
    -------
    FlatColumn

    Examples
    --------
    >>> dates = flatten_column(pd.Series(pd.to_datetime(["2024-05-01", None])))
    >>> dates.words.tolist(), dates.values.tolist()
    (['2024-05-01'], [0, -1])
    """
    if pd.api.types.is_datetime64_any_dtype(column):
        column = column.dt.strftime("%Y-%m-%d")
    if pd.api.types.is_float_dtype(column):
        column = column.round(decimals)
    if pd.api.types.is_numeric_dtype(column):  # booleans are numeric to pandas
        return FlatColumn(column.astype(object).where(column.notna(), None).to_numpy(), None)
    codes, words = pd.factorize(column)
    return FlatColumn(codes.astype(np.int64), np.array([str(word) for word in words], dtype=object))


def pack_block(head: Mapping[str, Any], data: bytes | bytearray = b"") -> str:
    r"""Turn a head and the bytes it speaks of into ASCII text that can stand inside a page as it is.

    The first four bytes of what is compressed are the length of the head, lowest byte first.

    Examples
    --------
    >>> block = gzip.decompress(base64.b64decode(pack_block({"name": "</script>"}, b"abc")))
    >>> block[:4], block[4:-3], block[-3:]
    (b'\x14\x00\x00\x00', b'{"name":"</script>"}', b'abc')
    """
    text = json.dumps(head, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8")
    block = len(text).to_bytes(4, "little") + text + data
    # Without a time stamp, so that the same input gives the same bytes.
    return base64.b64encode(gzip.compress(block, compresslevel=_GZIP_LEVEL, mtime=0)).decode("ascii")


def to_bytes(values: IntArray) -> bytes:
    """Write whole numbers seven bits to a byte; see the head of this file.

    Examples
    --------
    >>> list(to_bytes(np.array([0, -1, 1, 64, -300])))
    [0, 1, 2, 128, 1, 215, 4]
    """
    left = ((values << 1) ^ (values >> 63)).astype(np.uint64)
    width = int(left.max()).bit_length() if len(left) else 0
    places = max(1, -(-width // 7))
    digits = np.empty((len(left), places), dtype=np.uint8)
    wanted = np.empty((len(left), places), dtype=bool)
    for place in range(places):
        wanted[:, place] = (left > 0) if place else True
        digits[:, place] = left & np.uint64(0x7F)
        left = left >> np.uint64(7)
        digits[:, place] |= np.where(left > 0, 0x80, 0).astype(np.uint8)
    return digits[wanted].tobytes()


def _lagged(moves: IntArray, lag: int) -> IntArray:
    if lag == 0 or len(moves) <= lag:
        return moves
    return np.concatenate([moves[:lag], moves[lag:] - moves[:-lag]])


def _gather(firsts: IntArray, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Positions of what belongs to some rows, and where each row's begin among them."""
    counts = firsts[rows + 1] - firsts[rows]
    starts = _starts(counts)
    positions = np.arange(starts[-1]) + np.repeat(firsts[rows] - starts[:-1], counts)
    return positions, starts


def _starts(counts: npt.NDArray[Any]) -> IntArray:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
