"""Shapes and columns packed small enough to travel inside one HTML page.

In: frames on WGS 84 longitude and latitude.
Out: plain dictionaries of whole numbers and text, and the same as base64 of gzip of JSON.

A layer is packed as `kind` (0 point, 1 line, 2 polygon, -1 nothing; one number when all are alike),
`curves` (curves in each feature), `sizes` (vertices in each curve) and `x`, `y`: differences from
vertex to vertex in steps of 1e-7 degree, about 1 cm. A polygon's curves are all its rings, of all its
parts, without the closing vertex: filled by the even-odd rule they give its holes and parts.
"""

from __future__ import annotations

import base64
import gzip
import json
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

__all__ = ["STEPS_PER_DEGREE", "pack_column", "pack_document", "pack_shapes"]

STEPS_PER_DEGREE = 10_000_000
_GZIP_LEVEL = 6
_POLYGON = 3
_DECIMALS = 3


def pack_shapes(shapes: npt.NDArray[np.object_]) -> dict[str, Any]:
    """Pack geometries of any kind.

    Parameters
    ----------
    shapes
        Longitude and latitude in degrees, shape (n,); missing ones are packed as nothing.

    Returns
    -------
    dict
        `kind`, `curves`, `sizes`, `x`, `y`; see the head of this file.

    Examples
    --------
    >>> pack_shapes(shapely.linestrings([[[0, 0], [0.000001, -0.000002]]]))
    {'kind': 1, 'curves': [1], 'sizes': [2], 'x': [0, 10], 'y': [0, -20]}
    >>> pack_shapes(np.array([shapely.box(0, 0, 1e-7, 1e-7)]))["sizes"]
    [4]
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
    steps = np.round(degrees[keep] * STEPS_PER_DEGREE).astype(np.int64)
    differences = np.diff(steps, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    kind = shapely.get_dimensions(shapes)
    return {
        "kind": int(kind[0]) if len(kind) and (kind == kind[0]).all() else kind.tolist(),
        "curves": np.bincount(curve_of, minlength=len(shapes)).tolist(),
        "sizes": np.bincount(vertex_of[keep], minlength=len(curves)).tolist(),
        "x": differences[:, 0].tolist(),
        "y": differences[:, 1].tolist(),
    }


def pack_column(column: pd.Series) -> dict[str, Any]:
    """Pack a column: text as words and codes (-1 is missing), everything else as plain values.

    Examples
    --------
    >>> pack_column(pd.Series(["unit", "solar", None, "unit"], dtype="str"))
    {'words': ['unit', 'solar'], 'codes': [0, 1, -1, 0]}
    >>> pack_column(pd.Series([1.25, None]))
    {'values': [1.25, None]}
    >>> pack_column(pd.Series(pd.to_datetime(["2024-05-01"])))
    {'words': ['2024-05-01'], 'codes': [0]}
    """
    if pd.api.types.is_datetime64_any_dtype(column):
        column = column.dt.strftime("%Y-%m-%d")
    if pd.api.types.is_float_dtype(column):
        column = column.round(_DECIMALS)
    if pd.api.types.is_numeric_dtype(column):  # booleans are numeric to pandas
        return {"values": column.astype(object).where(column.notna(), None).tolist()}
    codes, words = pd.factorize(column)
    return {"words": [str(word) for word in words], "codes": codes.tolist()}


def pack_document(document: dict[str, Any]) -> str:
    """Turn a document into ASCII text that can stand inside a page without any escaping.

    Examples
    --------
    >>> text = pack_document({"name": "</script>"})
    >>> json.loads(gzip.decompress(base64.b64decode(text)))
    {'name': '</script>'}
    """
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    # Without a time stamp, so that the same input gives the same bytes.
    packed = gzip.compress(text.encode("utf-8"), compresslevel=_GZIP_LEVEL, mtime=0)
    return base64.b64encode(packed).decode("ascii")
