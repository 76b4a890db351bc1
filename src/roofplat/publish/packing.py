"""Shapes and columns packed small enough to travel inside one HTML page.

In: frames on WGS 84 longitude and latitude.
Out: blocks of ASCII text: base64 of gzip of a JSON head and the bytes it speaks of.

A layer is taken apart once, as whole arrays, and then cut into as many blocks as are wanted. In a block
runs of whole numbers stand as [start, count, lag]: where their bytes begin, how many they are, and how
they were made. Lag -1 is the numbers themselves; 0 the differences from one to the next; 2 the differences
of those to the last but one, which are next to nothing where lines lie side by side. Bytes hold seven bits
each, lowest first, the eighth set when more follow; a sign stands in the lowest bit.

Shapes are `kind` (0 point, 1 line, 2 polygon, -1 nothing), `curves` (curves in each feature), `sizes`
(vertices in each curve), each one number when all are alike, and `x`, `y` in units of `times` steps of 1e-7
degree, about 1 cm. A polygon's curves are all its rings, of all its parts, without the closing vertex:
filled by the even-odd rule they give its holes and parts.

Many lines side by side, as members are, stand apart, in `families`: the `rows` they are of (as differences;
a row may be of several, one after the other, and is wholly of families), the `counts` of their lines, the
start `x`, `y` of their first line (differences), the vector `across`, `up` of their longest, and the `gap`
from line to line at right angles to it, in 1/64 steps. Then for each line `skip`, the gaps from the last
one, less one; `off`, what is left of its distance; and `from`, `to`, where it starts and ends along the
vector: all three as differences from line to line, in units of three steps. Where a family would be out by
more than three steps, the lines of its row stand among the others.

Columns are `words` with `codes` (-1 is missing), or `numbers` in units of 1 / `per` (0 is true and false),
`none` standing for what is missing.
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

from roofplat.framing.ragged import lists_of, offsets

__all__ = [
    "MISSING",
    "STEPS_PER_DEGREE",
    "FlatColumn",
    "FlatShapes",
    "flatten_column",
    "flatten_shapes",
    "pack_block",
    "pack_numbers",
    "to_bytes",
]

IntArray = npt.NDArray[np.int64]

STEPS_PER_DEGREE = 10_000_000
_GZIP_LEVEL = 6
_POLYGON = 3
MISSING = np.iinfo(np.int64).min
_LAGS = (0, 2)
_PLAIN_LAGS = (-1, 0)
# A family of lines: two need no family; 1/64 of a step over a hundred lines is less than two steps;
# ends are kept to three steps, so that what rounding left of vertices does not show as differences.
_FAMILY_LINES = 3
_GAP_PARTS = 64
_FAMILY_STEPS = 3
_FAMILY_LEAST_GAP = 8
_FAMILY_ASIDE = 2.5


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
        curve_of, curves = lists_of(rows, self.first_curve)
        vertex_of, vertices = lists_of(curves, self.first_vertex)
        return FlatShapes(
            self.kind[rows],
            offsets(np.bincount(curve_of, minlength=len(rows))),
            offsets(np.bincount(vertex_of, minlength=len(curves))),
            self.steps[vertices],
        )

    def bounds(self, first: int, end: int) -> tuple[IntArray, IntArray] | None:
        """Least and greatest steps of the features from `first` up to `end`; None of nothing."""
        part = self._steps(first, end)
        return (part.min(axis=0), part.max(axis=0)) if len(part) else None

    def packed(self, first: int, end: int, data: bytearray, *, times: int = 1) -> dict[str, Any]:
        """Append the features from `first` up to `end` to `data` and return their head.

        Parameters
        ----------
        first, end
            Features.
        data
            The bytes of the block so far.
        times
            Keep vertices to this many steps; those of families of lines are kept as they are.

        Examples
        --------
        >>> lines = flatten_shapes(shapely.linestrings([[[0, 0], [0.000001, -0.000002]]]))
        >>> data = bytearray()
        >>> lines.packed(0, 1, data)
        {'kind': 1, 'curves': 1, 'sizes': 2, 'times': 1, 'x': [0, 2, 0], 'y': [2, 2, 0]}
        >>> list(data)  # 0, 10, then 0, -20: twice the value, less one where it is negative
        [0, 20, 0, 39]
        """
        kind = self.kind[first:end]
        curves = np.diff(self.first_curve[first : end + 1])
        sizes = np.diff(self.first_vertex[self.first_curve[first] : self.first_curve[end] + 1])
        steps = self._steps(first, end)
        rows, families = _find_families(kind, curves, sizes, steps)
        if len(rows):
            alone = ~np.repeat(np.isin(np.arange(end - first), rows), curves)
            steps, sizes = steps[np.repeat(alone, sizes)], sizes[alone]
        head: dict[str, Any] = {
            "kind": _alike(kind) if _alike(kind) is not None else kind.tolist(),
            "curves": _pack_counts(curves, data),
            "sizes": _pack_counts(sizes, data),
            "times": times,
        }
        for name, values in zip("xy", steps.T, strict=True):
            head[name] = pack_numbers(np.round(values / times).astype(np.int64), data, _LAGS)
        if len(rows):
            families = {"rows": np.diff(rows, prepend=np.int64(0)), **families}
            head["families"] = {name: pack_numbers(values, data) for name, values in families.items()}
        return head

    def _steps(self, first: int, end: int) -> IntArray:
        start, stop = self.first_vertex[self.first_curve[[first, end]]]
        return self.steps[start:stop]


@dataclass(frozen=True, slots=True)
class FlatColumn:
    """A column as codes of words, or as whole numbers in units of 1 / `per`.

    values
        Codes or numbers, shape (n,); codes of -1 and numbers of `MISSING` are missing.
    words
        What the codes mean; None for numbers.
    per
        How many of the numbers are one; 0 where they are true and false.
    """

    values: IntArray
    words: npt.NDArray[np.object_] | None
    per: int = 1

    def take(self, rows: IntArray) -> FlatColumn:
        """The rows at some positions, in that order."""
        return FlatColumn(self.values[rows], self.words, self.per)

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

    def packed(self, first: int, end: int, data: bytearray) -> dict[str, Any]:
        """Append the rows from `first` up to `end` to `data` and return their head.

        Examples
        --------
        >>> kinds = flatten_column(pd.Series(["unit", "solar", None, "solar"], dtype="str"))
        >>> data = bytearray()
        >>> kinds.packed(1, 4, data), list(data)  # 0, -1, 0
        ({'words': ['solar'], 'codes': [0, 3, -1]}, [0, 1, 0])
        >>> flatten_column(pd.Series([1.25, None])).packed(0, 2, data), list(data[3:])  # 12, 13
        ({'numbers': [3, 2, -1], 'per': 10, 'none': 13}, [24, 26])
        """
        part = self.values[first:end]
        if self.words is not None:
            used, codes = np.unique(part, return_inverse=True)
            missing = int(len(used) > 0 and used[0] < 0)
            words = self.words[used[missing:]].tolist()
            return {"words": words, "codes": pack_numbers(codes - missing, data, _PLAIN_LAGS)}
        missing_rows = part == MISSING
        head: dict[str, Any] = {"per": self.per}
        if missing_rows.any():
            head["none"] = int(part[~missing_rows].max(initial=-1)) + 1
            part = np.where(missing_rows, head["none"], part)
        return {"numbers": pack_numbers(part, data, _PLAIN_LAGS), **head}


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
        offsets(np.bincount(curve_of, minlength=len(shapes))),
        offsets(np.bincount(vertex_of[keep], minlength=len(curves))),
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
    >>> flatten_column(pd.Series([True, False], dtype="boolean"))
    FlatColumn(values=array([1, 0]), words=None, per=0)
    """
    if pd.api.types.is_datetime64_any_dtype(column):
        column = column.dt.strftime("%Y-%m-%d")
    if pd.api.types.is_numeric_dtype(column):  # booleans are numeric to pandas
        whole = not pd.api.types.is_float_dtype(column)
        per = 0 if pd.api.types.is_bool_dtype(column) else 1 if whole else 10**decimals
        held = column.to_numpy(dtype=np.float64, na_value=np.nan)
        known = np.isfinite(held)
        numbers = np.round(np.where(known, held, 0.0) * max(per, 1)).astype(np.int64)
        return FlatColumn(np.where(known, numbers, MISSING), None, per)
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


def pack_numbers(values: IntArray, data: bytearray, lags: tuple[int, ...] = (-1,)) -> list[int]:
    """Append whole numbers to `data` in the shortest of some ways; see the head of this file.

    Examples
    --------
    >>> data = bytearray()
    >>> pack_numbers(np.array([100, 101, 102]), data, (-1, 0)), list(data)
    ([0, 3, 0], [200, 1, 2, 2])
    """
    ways = [(to_bytes(_lagged(values, lag)), lag) for lag in lags]
    best, lag = min(ways, key=lambda way: len(way[0]))
    start = len(data)
    data += best
    return [start, len(values), lag]


def _lagged(values: IntArray, lag: int) -> IntArray:
    if lag < 0:
        return values
    moves = np.diff(values, prepend=np.int64(0))
    if lag == 0 or len(moves) <= lag:
        return moves
    return np.concatenate([moves[:lag], moves[lag:] - moves[:-lag]])


def _alike(values: IntArray) -> int | None:
    return int(values[0]) if len(values) and (values == values[0]).all() else None


def _pack_counts(values: IntArray, data: bytearray) -> int | list[int]:
    alike = _alike(values)
    return pack_numbers(values, data) if alike is None else alike


def _find_families(
    kind: IntArray, curves: IntArray, sizes: IntArray, steps: IntArray
) -> tuple[IntArray, dict[str, IntArray]]:
    """Rows of the families, one for each, and what they are made of; see the head of this file."""
    row_of = np.repeat(np.arange(len(kind)), curves)
    straight = np.ones(len(kind), dtype=bool)
    np.logical_and.at(straight, row_of, sizes == 2)
    chosen = straight & (kind == 1) & (curves >= _FAMILY_LINES)
    first_vertex = offsets(sizes)[:-1]
    for _ in range(3):
        lines = np.flatnonzero(chosen[row_of])
        if not len(lines):
            break
        start, end = steps[first_vertex[lines]], steps[first_vertex[lines] + 1]
        leading = _leads(row_of[lines], end - start)
        firsts = np.flatnonzero(leading)
        counts, row = np.diff(firsts, append=len(lines)), row_of[lines[firsts]]
        # Ridges, hips and valleys run every way: a family for each would save nothing.
        several = np.bincount(row, minlength=len(kind)) * 2 <= curves
        made, error = _make_families(counts, start, end)
        good = several & (np.bincount(row, error > _FAMILY_STEPS, minlength=len(kind)) == 0)
        if good[row].all():
            return row, made
        chosen &= good
    return np.array([], dtype=np.int64), {}


def _leads(row: IntArray, vector: IntArray) -> npt.NDArray[np.bool_]:
    """Which lines begin a family: the first of a row, and those that are not parallel to the last one."""
    leading = np.ones(len(row), dtype=bool)
    one, other = vector[:-1].astype(np.float64), vector[1:].astype(np.float64)
    aside = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
    longer = np.maximum(np.hypot(*one.T), np.hypot(*other.T))
    leading[1:] = (row[1:] != row[:-1]) | (aside > _FAMILY_ASIDE * longer)
    return leading


def _make_families(
    counts: IntArray, start: IntArray, end: IntArray
) -> tuple[dict[str, IntArray], npt.NDArray[np.float64]]:
    """Families of so many lines each, and how far off, in steps, the worst end of each family is."""
    firsts = offsets(counts)[:-1]
    family = np.repeat(np.arange(len(counts)), counts)
    vector = end - start
    longest = np.lexsort([-np.hypot(*vector.T), family])[firsts]
    along = vector[longest]
    length = np.maximum(np.hypot(*along.T), 1.0)
    unit = (along / length[:, None])[family]
    normal = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    origin = start[firsts][family]
    from_, to = (np.einsum("ij,ij->i", part - origin, unit) for part in (start, end))
    off = np.einsum("ij,ij->i", (start + end) / 2 - origin, normal)
    leading = np.zeros(len(family), dtype=bool)
    leading[firsts] = True
    moved = np.where(leading, 0.0, np.diff(off, prepend=0.0))
    size = np.where(np.abs(moved) < _FAMILY_LEAST_GAP, np.inf, np.abs(moved))
    gap = np.minimum.reduceat(size, firsts)
    gap = np.where(np.isfinite(gap), gap, 1e9)
    # Lines mostly go one way: a gap has the sign of the way from the first to the last.
    last = firsts + counts - 1
    gap = np.where(off[last] < off[firsts], -gap, gap)
    places = np.cumsum(np.round(moved / gap[family]).astype(np.int64))
    places -= places[firsts][family]
    # Measured over all of them it is as exact as it can be.
    whole = np.where(places[last] != 0, off[last] / np.where(places[last] == 0, 1, places[last]), gap)
    gap = np.round(whole * _GAP_PARTS).astype(np.int64)
    held = np.einsum("i,i->i", gap[family] / _GAP_PARTS, places)
    rest, first, stop = (np.round(part / _FAMILY_STEPS).astype(np.int64) for part in (off - held, from_, to))
    error = np.zeros(len(family))
    for ends, part in ((first, start), (stop, end)):
        made = (
            origin + unit * (ends * _FAMILY_STEPS)[:, None] + normal * (held + rest * _FAMILY_STEPS)[:, None]
        )
        error = np.maximum(error, np.hypot(*(made - part).T))
    skips = np.where(leading, 0, np.diff(places, prepend=0) - 1)
    families = {
        "counts": counts,
        "x": np.diff(start[firsts, 0], prepend=np.int64(0)),
        "y": np.diff(start[firsts, 1], prepend=np.int64(0)),
        "across": along[:, 0],
        "up": along[:, 1],
        "gap": gap,
        "skip": skips,
        "off": np.where(leading, rest, np.diff(rest, prepend=0)),
        "from": np.where(leading, first, np.diff(first, prepend=0)),
        "to": np.where(leading, stop, np.diff(stop, prepend=0)),
    }
    return families, np.maximum.reduceat(error, firsts)
