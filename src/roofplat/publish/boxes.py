"""The box around each geometry, out of its well-known binary, without making a geometry of it.

In: a column of well-known binary.
Out: least x and y and greatest x and y of each row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

__all__ = ["boxes_of_binary"]

IntArray = npt.NDArray[np.int64]

# Numbers of OGC 06-103r4, table 7.
_POINT, _LINE, _POLYGON = 1, 2, 3
_MANY = (4, 5, 6)
# The byte order and the kind; a whole number; x and y.
_HEAD, _COUNT, _XY = 5, 4, 16
# A line of two points with all that it begins with.
_SEGMENT = _HEAD + _COUNT + 2 * _XY


def boxes_of_binary(binary: pa.Array) -> npt.NDArray[np.float64]:
    """The box around each geometry.

    Parameters
    ----------
    binary
        Two-dimensional, little-endian well-known binary (OGC 06-103r4, 8.2), shape (n,).

    Returns
    -------
    ndarray
        Shape (n, 4): least x and y, greatest x and y; NaN where there is nothing.

    Examples
    --------
    >>> shapes = [shapely.box(0, 1, 2, 3), shapely.Polygon(), None, shapely.Point(4, 5)]
    >>> boxes_of_binary(pa.array(shapely.to_wkb(shapes), pa.binary())).tolist()[::3]
    [[0.0, 1.0, 2.0, 3.0], [4.0, 5.0, 4.0, 5.0]]
    """
    boxes = np.full((len(binary), 4), np.nan)
    rows = np.flatnonzero(binary.is_valid().to_numpy(zero_copy_only=False))
    if not rows.size:
        return boxes
    _, starts, data = binary.buffers()
    ends = np.frombuffer(starts, dtype=np.int32)[binary.offset : binary.offset + len(binary) + 1].astype(
        np.int64
    )
    # Numbers at any byte: nothing in well-known binary is aligned.
    whole: npt.NDArray[np.uint32] = np.ndarray((data.size - 3,), "<u4", data, strides=(1,))
    start = ends[rows]
    kind = whole[start + 1]
    strange = ~np.isin(kind, (_POINT, _LINE, _POLYGON, *_MANY))
    if strange.any():
        shapes = shapely.from_wkb(binary.take(pa.array(rows[strange])).to_numpy(zero_copy_only=False))
        boxes[rows[strange]] = shapely.bounds(shapes)
    runs = _Runs(boxes, np.ndarray((data.size - 7,), "<f8", data, strides=(1,)))
    point, many = kind == _POINT, np.isin(kind, _MANY)
    runs.add(rows[point], start[point] + _HEAD, 1)
    line, polygon = kind == _LINE, kind == _POLYGON
    runs.add(rows[line], start[line] + _HEAD + _COUNT, whole[start[line] + _HEAD])
    _shells(runs, rows[polygon], start[polygon], whole)
    _parts(runs, rows[many], start[many], ends[rows[many] + 1], whole)
    return boxes


@dataclass(frozen=True, slots=True)
class _Runs:
    """Boxes that points which follow each other in the bytes make larger; rows are given rising."""

    boxes: npt.NDArray[np.float64]
    numbers: npt.NDArray[np.float64]

    def add(self, rows: IntArray, starts: IntArray, counts: npt.ArrayLike) -> None:
        counts = np.broadcast_to(np.asarray(counts, dtype=np.int64), rows.shape)
        if not rows.size:
            return
        if (counts == 2).all():
            # Short lines, the most of all shapes: without looking for where each begins.
            for axis in (0, 1):
                one, other = self.numbers[starts + 8 * axis], self.numbers[starts + _XY + 8 * axis]
                self._merge(rows, np.fmin(one, other), np.fmax(one, other), axis)
            return
        some = counts > 0
        rows, starts, counts = rows[some], starts[some], counts[some]
        if not rows.size:
            return
        first = np.cumsum(counts) - counts
        at = np.repeat(starts - _XY * first, counts) + _XY * np.arange(first[-1] + counts[-1])
        for axis in (0, 1):
            values = self.numbers[at + 8 * axis]
            self._merge(rows, np.fmin.reduceat(values, first), np.fmax.reduceat(values, first), axis)

    def _merge(self, rows: IntArray, least: Any, greatest: Any, axis: int) -> None:
        own = np.flatnonzero(np.diff(rows, prepend=-1))
        if own.size < rows.size:
            least, greatest = np.fmin.reduceat(least, own), np.fmax.reduceat(greatest, own)
        rows = rows[own]
        self.boxes[rows, axis] = np.fmin(self.boxes[rows, axis], least)
        self.boxes[rows, axis + 2] = np.fmax(self.boxes[rows, axis + 2], greatest)


def _shells(runs: _Runs, rows: IntArray, start: IntArray, whole: npt.NDArray[np.uint32]) -> None:
    """The first ring of polygons: the others lie inside."""
    some = whole[start + _HEAD] > 0
    rows, start = rows[some], start[some]
    runs.add(rows, start + _HEAD + 2 * _COUNT, whole[start + _HEAD + _COUNT])


def _parts(
    runs: _Runs, rows: IntArray, start: IntArray, end: IntArray, whole: npt.NDArray[np.uint32]
) -> None:
    """Geometries of several parts: part after part, all rows at once."""
    count = whole[start + _HEAD].astype(np.int64)
    at = start + _HEAD + _COUNT
    # A line has two points at the least: where all take no more bytes, all have two.
    simple = (count > 0) & (end - at == _SEGMENT * count)
    simple &= whole[np.where(simple, at + 1, start + 1)] == _LINE
    part = np.arange(int(count[simple].sum())) - np.repeat(
        np.cumsum(count[simple]) - count[simple], count[simple]
    )
    begin = np.repeat(at[simple], count[simple]) + _SEGMENT * part
    runs.add(np.repeat(rows[simple], count[simple]), begin + _HEAD + _COUNT, 2)
    rows, at, count = rows[~simple], at[~simple], count[~simple]
    while (left := np.flatnonzero(count > 0)).size:
        rows, at, count = rows[left], at[left], count[left] - 1
        kind = whole[at + 1]
        point, line, polygon = kind == _POINT, kind == _LINE, kind == _POLYGON
        runs.add(rows[point], at[point] + _HEAD, 1)
        points = whole[at[line] + _HEAD].astype(np.int64)
        runs.add(rows[line], at[line] + _HEAD + _COUNT, points)
        _shells(runs, rows[polygon], at[polygon], whole)
        after = at + _HEAD
        after[point] += _XY
        after[line] += _COUNT + _XY * points
        rings = np.where(polygon, whole[at + _HEAD], 0).astype(np.int64)
        after[polygon] += _COUNT
        while (more := np.flatnonzero(rings > 0)).size:
            after[more] += _COUNT + _XY * whole[after[more]].astype(np.int64)
            rings[more] -= 1
        at = after
