"""Numbers, words and blocks packed small enough to travel inside one HTML page.

In: whole arrays of many blocks at once.
Out: blocks of ASCII text: base64 of gzip of a JSON head and the bytes it speaks of.

A block's head is made for all blocks at once, from one template; what differs from block to block stands in
it as `Run`, `Each`, `OneOrRun` or `Some`. In a block runs of whole numbers stand as [start, count, lag]:
where their bytes begin, how many they are, and how they were made. Lag -1 is the numbers themselves; 0 the
differences from one to the next; 2 the differences of those to the last but one, which are next to nothing
where lines lie side by side. Bytes hold seven bits each, lowest first, the eighth set when more follow; a
sign stands in the lowest bit.

Columns are `words` with `codes` (-1 is missing), or `numbers` in units of 1 / `per` (0 is true and false),
`none` standing for what is missing. Shapes are in `map_shapes.py`.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = [
    "MISSING",
    "Each",
    "FlatColumn",
    "OneOrRun",
    "Run",
    "Some",
    "flatten_column",
    "moves_of",
    "pack_block",
    "pack_blocks",
    "write_blocks",
]

IntArray = npt.NDArray[np.int64]

# Half the time of level 6, and a twentieth more bytes.
_GZIP_LEVEL = 2
MISSING = np.iinfo(np.int64).min
_PLAIN_LAGS = (-1, 0)
# Codes of a block are found in a table of all words while that is not much larger than the column.
_TABLE_TIMES = 8


@dataclass(frozen=True, slots=True)
class Run:
    """Whole numbers of some blocks.

    numbers
        One block after the other, shape (n,).
    starts
        Where each block begins in them, and where the last ends.
    lags
        Ways to write them; each block takes the shortest, the first of equals.
    """

    numbers: IntArray
    starts: IntArray
    lags: tuple[int, ...] = (-1,)


@dataclass(frozen=True, slots=True)
class OneOrRun:
    """Whole numbers of some blocks: where all of a block are alike, the one number in place of them."""

    numbers: IntArray
    starts: IntArray


@dataclass(frozen=True, slots=True)
class Each:
    """A value for each block."""

    cells: Sequence[Any]


@dataclass(frozen=True, slots=True)
class Some:
    """A part of the head that only some blocks have; the others have no numbers in it."""

    part: Any
    present: npt.NDArray[np.bool_]


_LEFT_OUT = object()


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

    def head(self, starts: IntArray) -> dict[str, Any]:
        """Head of the column for blocks of rows.

        Examples
        --------
        >>> kinds = flatten_column(pd.Series(["unit", "solar", None, "solar"], dtype="str"))
        >>> ((head, data),) = write_blocks(kinds.head(np.array([1, 4])), 1)
        >>> head, list(data)  # 0, -1, 0
        ({'words': ['solar'], 'codes': [0, 3, -1]}, [0, 1, 0])
        >>> ((head, data),) = write_blocks(flatten_column(pd.Series([1.25, None])).head(np.array([0, 2])), 1)
        >>> head, list(data)  # 12, 13
        ({'numbers': [0, 2, -1], 'per': 10, 'none': 13}, [24, 26])
        """
        part = self.values[starts[0] : starts[-1]]
        starts = starts - starts[0]
        if self.words is not None:
            codes, used, cuts = _codes_of_blocks(part, starts, len(self.words))
            words = self.words[used].tolist()
            return {
                "words": Each([words[low:high] for low, high in pairwise(cuts.tolist())]),
                "codes": Run(codes, starts, _PLAIN_LAGS),
            }
        missing = part == MISSING
        head: dict[str, Any] = {"numbers": Run(part, starts, _PLAIN_LAGS), "per": self.per}
        if missing.any():
            block = np.repeat(np.arange(starts.size - 1), np.diff(starts))
            most = np.full(starts.size - 1, -1, dtype=np.int64)
            np.maximum.at(most, block[~missing], part[~missing])
            lacking = np.bincount(block[missing], minlength=starts.size - 1) > 0
            head["numbers"] = Run(np.where(missing, most[block] + 1, part), starts, _PLAIN_LAGS)
            head["none"] = Some(Each((most + 1).tolist()), lacking)
        return head


def flatten_column(column: Any, *, decimals: int = 1) -> FlatColumn:
    """Take a column apart: text and dates as words and codes, everything else as plain values.

    Parameters
    ----------
    column
        Any column of a table, a pandas Series.
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
    if isinstance(column.dtype, pd.CategoricalDtype):
        return _worded(column.cat.codes.to_numpy(), column.cat.categories)
    if pd.api.types.is_datetime64_any_dtype(column):
        codes, days = pd.factorize(column)
        return FlatColumn(codes.astype(np.int64), np.array(days.strftime("%Y-%m-%d"), dtype=object))
    if pd.api.types.is_numeric_dtype(column):  # booleans are numeric to pandas
        whole = not pd.api.types.is_float_dtype(column)
        per = 0 if pd.api.types.is_bool_dtype(column) else 1 if whole else 10**decimals
        held = column.to_numpy(dtype=np.float64, na_value=np.nan)
        known = np.isfinite(held)
        numbers = np.rint(np.where(known, held, 0.0) * max(per, 1)).astype(np.int64)
        return FlatColumn(np.where(known, numbers, MISSING), None, per)
    return _worded(*pd.factorize(column))


def _worded(codes: npt.NDArray[Any], words: Any) -> FlatColumn:
    named = pd.Index(words).to_numpy(dtype=object)
    if len(named) and not isinstance(named[0], str):
        named = np.array([str(word) for word in named], dtype=object)
    return FlatColumn(codes.astype(np.int64), named)


def write_blocks(template: Any, count: int) -> list[tuple[Any, bytearray]]:
    """Heads of some blocks, and the bytes that each speaks of.

    Parameters
    ----------
    template
        A head, with what differs from block to block as `Run`, `OneOrRun`, `Each` and `Some`.
    count
        How many blocks.

    Returns
    -------
    list of (head, bytes)

    Examples
    --------
    >>> numbers = Run(np.array([100, 101, 102, 7]), np.array([0, 3, 4]), (-1, 0))
    >>> blocks = write_blocks({"numbers": numbers, "name": Each(["a", "b"])}, 2)
    >>> [(head, list(data)) for head, data in blocks]  # doctest: +NORMALIZE_WHITESPACE
    [({'numbers': [0, 3, 0], 'name': 'a'}, [200, 1, 2, 2]),
     ({'numbers': [0, 1, -1], 'name': 'b'}, [14])]
    """
    data = [bytearray() for _ in range(count)]
    return list(zip(_heads(template, data), data, strict=True))


def pack_blocks(template: Any, count: int) -> list[bytes]:
    """Blocks as text; see `write_blocks` and `pack_block`."""
    return [pack_block(head, data) for head, data in write_blocks(template, count)]


def pack_block(head: Mapping[str, Any], data: bytes | bytearray = b"") -> bytes:
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
    return base64.b64encode(gzip.compress(block, compresslevel=_GZIP_LEVEL, mtime=0))


def moves_of(values: IntArray, starts: IntArray) -> IntArray:
    """Differences from each number to the next; the first of each block is itself.

    Examples
    --------
    >>> moves_of(np.array([5, 6, 9, 2, 3]), np.array([0, 3, 3, 5])).tolist()
    [5, 1, 3, 2, 1]
    """
    moves = np.empty_like(values)
    moves[:1] = values[:1]
    np.subtract(values[1:], values[:-1], out=moves[1:])
    firsts = starts[:-1][starts[:-1] < starts[1:]]
    moves[firsts] = values[firsts]
    return moves


def _heads(part: Any, data: Sequence[bytearray]) -> Sequence[Any]:
    """A part of the head, of each block; numbers go to the end of the block's bytes."""
    if isinstance(part, Run):
        return _write_run(part, data)
    if isinstance(part, OneOrRun):
        return _write_one_or_run(part, data)
    if isinstance(part, Each):
        return part.cells
    if isinstance(part, Some):
        cells = _heads(part.part, data)
        return [
            cell if there else _LEFT_OUT for cell, there in zip(cells, part.present.tolist(), strict=True)
        ]
    if isinstance(part, Mapping):
        columns = {key: _heads(value, data) for key, value in part.items()}
        return [
            {key: cells[place] for key, cells in columns.items() if cells[place] is not _LEFT_OUT}
            for place in range(len(data))
        ]
    return [part] * len(data)


def _write_run(run: Run, data: Sequence[bytearray]) -> list[list[int]]:
    counts = np.diff(run.starts)
    lags = np.full(counts.size, run.lags[0])
    best = _zigzag(_lagged(run.numbers, run.starts, run.lags[0]))
    widths = _widths(best)
    if len(run.lags) > 1 and best.size:
        # Two ways at most are weighed.
        other = _zigzag(_lagged(run.numbers, run.starts, run.lags[1]))
        other_widths = _widths(other)
        shorter = _sums(other_widths, run.starts) < _sums(widths, run.starts)
        lags[shorter] = run.lags[1]
        if shorter.all():
            best, widths = other, other_widths
        elif shorter.any():
            taken = np.repeat(shorter, counts)
            best, widths = np.where(taken, other, best), np.where(taken, other_widths, widths)
    letters, cuts = _to_bytes(best, widths, run.starts)
    held = letters.tobytes()
    heads = []
    for place, (count, lag) in enumerate(zip(counts.tolist(), lags.tolist(), strict=True)):
        block = data[place]
        heads.append([len(block), count, lag])
        block += held[cuts[place] : cuts[place + 1]]
    return heads


def _write_one_or_run(part: OneOrRun, data: Sequence[bytearray]) -> list[Any]:
    values, starts = part.numbers, part.starts
    firsts = starts[:-1]
    some = np.flatnonzero(firsts < starts[1:])
    alike = np.zeros(firsts.size, dtype=bool)
    if some.size:
        low, high = (way.reduceat(values[: starts[-1]], firsts[some]) for way in (np.minimum, np.maximum))
        alike[some] = low == high
    first = values[np.minimum(firsts, max(values.size - 1, 0))].tolist() if values.size else []
    counts = np.where(alike, 0, np.diff(starts))
    kept = values[np.repeat(~alike, np.diff(starts))]
    heads: list[Any] = _write_run(Run(kept, np.concatenate([[0], np.cumsum(counts)])), data)
    for place in np.flatnonzero(alike).tolist():
        heads[place] = first[place]
    return heads


def _lagged(values: IntArray, starts: IntArray, lag: int) -> IntArray:
    if lag < 0:
        return values
    moves = moves_of(values, starts)
    if lag == 0:
        return moves
    lagged = moves.copy()
    lagged[lag:] -= moves[:-lag]
    # The first ones of a block have nothing behind them.
    for place in range(lag):
        at = starts[:-1] + place
        at = at[at < starts[1:]]
        lagged[at] = moves[at]
    return lagged


def _zigzag(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Without a sign, which goes to the lowest bit; as wide as they are."""
    bits = 8 * values.itemsize
    folded = values << 1
    folded ^= values >> (bits - 1)
    return folded.view(f"u{values.itemsize}")


def _widths(values: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """How many bytes each number takes."""
    widths = np.ones(values.size, dtype=np.uint8)
    most = int(values.max()) if values.size else 0
    bits = 7
    while most >> bits:
        widths += values >= values.dtype.type(1 << bits)
        bits += 7
    return widths


def _to_bytes(
    values: npt.NDArray[Any], widths: npt.NDArray[np.uint8], starts: IntArray
) -> tuple[npt.NDArray[np.uint8], list[int]]:
    """Numbers seven bits to a byte, and where those of each block begin."""
    if not values.size or widths.max() == 1:
        return values.astype(np.uint8), starts.tolist()
    ends = np.cumsum(widths, dtype=np.int64)
    letters = np.empty(int(ends[-1]), dtype=np.uint8)
    at, more = ends - widths, widths > 1
    letters[at] = (values.astype(np.uint8) & 0x7F) | (more.view(np.uint8) << 7)
    left = np.flatnonzero(more)
    at, values, widths = at[left], values[left], widths[left]
    place = 1
    while values.size:
        values = values >> values.dtype.type(7)
        more = widths > place + 1
        letters[at + place] = (values.astype(np.uint8) & 0x7F) | (more.view(np.uint8) << 7)
        at, values, widths, place = at[more], values[more], widths[more], place + 1
    return letters, np.concatenate([[0], ends])[starts].tolist()


def _sums(widths: npt.NDArray[np.uint8], starts: IntArray) -> IntArray:
    total = np.zeros(widths.size + 1, dtype=np.int64)
    np.cumsum(widths, out=total[1:])
    sums: IntArray = np.diff(total[starts])
    return sums


def _codes_of_blocks(codes: IntArray, starts: IntArray, words: int) -> tuple[IntArray, IntArray, IntArray]:
    """Codes counted anew in each block; the words that they stand for, and where those of a block begin."""
    blocks, size = starts.size - 1, words + 1
    key = codes + 1 + np.repeat(np.arange(blocks) * size, np.diff(starts))
    if blocks * size <= _TABLE_TIMES * max(codes.size, 1):
        present = np.zeros(blocks * size, dtype=bool)
        present[key] = True
        # What is missing has no word.
        present[::size] = False
        number = np.cumsum(present)
        used, inverse = np.flatnonzero(present), number[key] - 1
        cuts = np.concatenate([[0], number[size - 1 :: size]])
    else:
        used, inverse = np.unique(key, return_inverse=True)
        worded = used % size > 0
        number = np.cumsum(worded)
        inverse, used = number[inverse] - 1, used[worded]
        cuts = np.searchsorted(used, np.arange(blocks + 1) * size)
    made = inverse - np.repeat(cuts[:-1], np.diff(starts))
    return np.where(codes < 0, -1, made), used % size - 1, cuts
