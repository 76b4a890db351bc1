"""The text of many GeoJSON features at once: their geometry and their properties, by whole columns.

In: geometry with its coordinates in steps of a ten-millionth degree, a frame.
Out: Arrow columns of text, one feature a row, as RFC 7946 and RFC 8259 have them.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

__all__ = ["geometry_texts", "property_texts"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

_KINDS = {
    shapely.GeometryType.POINT: "Point",
    shapely.GeometryType.LINESTRING: "LineString",
    shapely.GeometryType.POLYGON: "Polygon",
    shapely.GeometryType.MULTIPOINT: "MultiPoint",
    shapely.GeometryType.MULTILINESTRING: "MultiLineString",
    shapely.GeometryType.MULTIPOLYGON: "MultiPolygon",
}
# What is left of a property that is no whole number.
_DECIMALS, _ROUNDED = 10, 1e5
# Numbers between these are written out without an exponent.
_LEAST, _GREATEST = 1e-6, 1e15


def geometry_texts(shapes: npt.NDArray[np.object_], lonlat: FloatArray) -> pa.Array:
    """Geometry as GeoJSON; exterior rings counter-clockwise, the others clockwise.

    Parameters
    ----------
    shapes
        Geometry, shape (n,).
    lonlat
        Longitude and latitude of all its points, in degrees, shape (m, 2).

    Returns
    -------
    pyarrow.Array of str
        Shape (n,); `null` where there is none.

    Examples
    --------
    >>> shapes = np.array([shapely.Point(1, 2), None, shapely.LineString([(3, 4), (5, 6.5)])])
    >>> geometry_texts(shapes, shapely.get_coordinates(shapes)).to_pylist()[::2]
    ['{"type":"Point","coordinates":[1,2]}', '{"type":"LineString","coordinates":[[3,4],[5,6.5]]}']
    """
    kinds = shapely.get_type_id(shapes)
    first = np.zeros(len(shapes) + 1, dtype=np.int64)
    np.cumsum(shapely.get_num_coordinates(shapes), out=first[1:])
    texts: list[pa.Array] = [pa.array(["null"], pa.string())]
    row = np.zeros(len(shapes), dtype=np.int64)
    for kind, name in _KINDS.items():
        rows = np.flatnonzero(kinds == kind)
        if not rows.size:
            continue
        own = shapes[rows]
        xy = lonlat if rows.size == len(shapes) else lonlat[_of_rows(rows, first)]
        row[rows] = sum(map(len, texts)) + np.arange(rows.size)
        texts.append(_texts(name, own, xy))
    others = np.flatnonzero((kinds >= 0) & ~np.isin(kinds, [*_KINDS]))
    if others.size:
        moved = shapely.set_coordinates(shapes[others], lonlat[_of_rows(others, first)])
        row[others] = sum(map(len, texts)) + np.arange(others.size)
        texts.append(pa.array(shapely.to_geojson(moved), pa.string()))
    return pa.concat_arrays(texts).take(pa.array(row))


def property_texts(frame: pd.DataFrame) -> pa.Array:
    r"""Rows as JSON objects.

    Parameters
    ----------
    frame
        Columns of text, numbers, yes or no; n rows.

    Returns
    -------
    pyarrow.Array of str
        Shape (n,); numbers to ten decimals, missing values as `null`.

    Examples
    --------
    >>> property_texts(pd.DataFrame({"name": ['"A"', None], "ft": [0.1 + 0.2, 4.0]})).to_pylist()
    ['{"name":"\\"A\\"","ft":0.3}', '{"name":null,"ft":4.0}']
    """
    pieces: list[Any] = []
    for place, (name, column) in enumerate(frame.items()):
        pieces += [
            ("{" if place == 0 else ",") + json.dumps(str(name), ensure_ascii=False) + ":",
            _cells(column),
        ]
    return pc.binary_join_element_wise(*pieces, "}", "")


def _of_rows(rows: IntArray, first: IntArray) -> IntArray:
    """Numbers of the points of some rows."""
    counts = first[rows + 1] - first[rows]
    return np.repeat(first[rows] - np.cumsum(counts) + counts, counts) + np.arange(counts.sum())


def _texts(kind: str, shapes: npt.NDArray[np.object_], lonlat: FloatArray) -> pa.Array:
    _, _, starts = shapely.to_ragged_array(shapes, include_z=False)
    levels = [np.asarray(level, dtype=np.int64) for level in starts]
    if kind.endswith("Polygon"):
        lonlat = _turned(lonlat, levels[0], levels[1])
    axes = (pa.array(np.ascontiguousarray(lonlat[:, axis])).cast(pa.string()) for axis in (0, 1))
    texts = pc.binary_join_element_wise("[", next(axes), ",", next(axes), "]", "")
    for level in levels:
        lists = pa.ListArray.from_arrays(pa.array(level, pa.int32()), texts)
        texts = pc.binary_join_element_wise("[", pc.binary_join(lists, ","), "]", "")
    return pc.binary_join_element_wise(f'{{"type":"{kind}","coordinates":', texts, "}", "")


def _turned(xy: FloatArray, ring_starts: IntArray, polygon_starts: IntArray) -> FloatArray:
    """Points with each ring run the right way around: the first of a polygon to the left, the others not."""
    if not len(xy):
        return xy
    x, y = xy[:, 0], xy[:, 1]
    first = np.repeat(ring_starts[:-1], np.diff(ring_starts))
    # Twice the area, about the first corner: far from 0 the digits would not do.
    east, north = x - x[first], y - y[first]
    across = np.zeros(len(xy))
    across[:-1] = east[:-1] * north[1:] - east[1:] * north[:-1]
    # Nothing lies between the last point of a ring and the first of the next.
    across[ring_starts[1:] - 1] = 0.0
    left = np.add.reduceat(across, ring_starts[:-1]) > 0
    outer = np.zeros(len(left), dtype=bool)
    outer[polygon_starts[:-1][np.diff(polygon_starts) > 0]] = True
    wrong = np.repeat(left != outer, np.diff(ring_starts))
    last = np.repeat(ring_starts[1:] - 1, np.diff(ring_starts))
    at = np.arange(len(xy))
    turned: FloatArray = xy[np.where(wrong, first + last - at, at)]
    return turned


def _cells(column: pd.Series) -> pa.Array:
    """Values as JSON."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        column = column.astype("str")
    values = pa.array(column, from_pandas=True)
    values = values.combine_chunks() if isinstance(values, pa.ChunkedArray) else values
    if pa.types.is_floating(values.type):
        texts = _decimals(values.to_numpy(zero_copy_only=False))
    elif pa.types.is_string(values.type) or pa.types.is_large_string(values.type):
        texts = _quoted(values.cast(pa.string()))
    else:
        texts = values.cast(pa.string())
    return texts.fill_null("null")


def _quoted(texts: pa.Array) -> pa.Array:
    """Texts as JSON; RFC 8259, section 7: quotes, backslashes and what is no letter are escaped."""
    quoted = pc.binary_join_element_wise('"', texts, '"', "")
    bytes_ = np.frombuffer(texts.buffers()[2] or b"", dtype=np.uint8)
    if not ((bytes_ < ord(" ")) | (bytes_ == ord('"')) | (bytes_ == ord("\\"))).any():
        return quoted
    strange = pc.match_substring_regex(texts, r'["\\\x00-\x1f]').fill_null(False)
    words = texts.filter(strange).to_pylist()
    escaped = [json.dumps(word, ensure_ascii=False) for word in words]
    return pc.replace_with_mask(quoted, strange, pa.array(escaped, pa.string()))


def _decimals(numbers: FloatArray) -> pa.Array:
    """Numbers to some decimals, those that are whole with a zero behind the point."""
    # Of large numbers rounding would change the last digit, and there are no such decimals.
    numbers = np.where(np.abs(numbers) < _ROUNDED, np.round(numbers, _DECIMALS), numbers) + 0.0
    texts = pa.array(numbers, from_pandas=True).cast(pa.string())
    whole = np.floor(numbers) == numbers
    texts = pc.if_else(pa.array(whole), pc.binary_join_element_wise(texts, ".0", ""), texts)
    size = np.abs(numbers)
    odd = np.flatnonzero(((size > 0) & (size < _LEAST)) | (size >= _GREATEST))
    if odd.size:
        mask = np.zeros(len(numbers), dtype=bool)
        mask[odd] = True
        told = [None if np.isinf(value) else json.dumps(value) for value in numbers[odd].tolist()]
        texts = pc.replace_with_mask(texts, pa.array(mask), pa.array(told, pa.string()))
    return texts
