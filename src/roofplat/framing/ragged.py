"""Work on many short lists at once: lists of edges, lines, bays, each owned by a section.

In: flat arrays sorted by owner, or counts for each owner.
Out: flat arrays, or one value for each owner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from functools import cache
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = [
    "chunks",
    "expand",
    "first_minimum",
    "first_of_equals",
    "lists_of",
    "marked",
    "offsets",
    "pair_up",
    "stack",
    "sums",
    "sums_before",
    "take",
]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
Columns = TypeVar("Columns")


def offsets(counts: npt.NDArray[Any]) -> IntArray:
    """Where each list starts, and where the last one ends, shape (n + 1,).

    Examples
    --------
    >>> offsets(np.array([2, 0, 1])).tolist()
    [0, 2, 2, 3]
    """
    result = np.empty(counts.size + 1, dtype=np.int64)
    result[0] = 0
    counts.cumsum(out=result[1:])
    return result


def expand(counts: npt.NDArray[Any]) -> tuple[IntArray, IntArray]:
    """Owner of each entry and its number in the owner's list.

    Examples
    --------
    >>> owner, number = expand(np.array([2, 0, 1]))
    >>> owner.tolist(), number.tolist()
    ([0, 0, 2], [0, 1, 0])
    """
    owner = np.repeat(np.arange(counts.size), counts)
    return owner, np.arange(owner.size) - np.repeat(counts.cumsum() - counts, counts)


def first_minimum(values: FloatArray, owner: IntArray, count: int) -> IntArray:
    """Index of the first smallest value of each owner, -1 where it has none below infinity.

    Parameters
    ----------
    values
        Shape (m,); infinity marks an entry that must not win.
    owner
        Shape (m,), ascending.
    count
        Number of owners.

    Returns
    -------
    ndarray of int
        Shape (count,), an index into `values`, or -1.

    Examples
    --------
    >>> first_minimum(np.array([3.0, 1.0, 1.0, np.inf]), np.array([0, 0, 0, 2]), 3).tolist()
    [1, -1, -1]
    """
    return _first_of_each(_smallest(values, owner), owner, count)


def first_of_equals(keys: Sequence[tuple[npt.NDArray[Any], int]], owner: IntArray, count: int) -> IntArray:
    """Index of each owner's smallest entry by the first key, then the second, and so on.

    Parameters
    ----------
    keys
        Arrays of shape (m,), each with the decimals to which values count as equal; infinity in
        the first key marks an entry that must not win.
    owner
        Shape (m,), ascending.
    count
        Number of owners.

    Returns
    -------
    ndarray of int
        Shape (count,), -1 where an owner has no entry.

    Examples
    --------
    >>> owner = np.array([0, 0, 0])
    >>> keys = [(np.array([1.001, 1.0, 2.0]), 2), (np.array([5.0, 4.0, 0.0]), 2)]
    >>> first_of_equals(keys, owner, 1).tolist()
    [1]
    """
    rows: IntArray | None = None
    for values, decimals in keys:
        # After the first key only the equals are left, which are few.
        left = values if rows is None else values[rows]
        own = owner if rows is None else owner[rows]
        close = _smallest(left, own, within=2 * 10.0**-decimals)
        # Rounded twice, so that noise in the last bits does not part equals that lie half way.
        level = np.round(np.round(left[close].astype(float), decimals + 4), decimals)
        hits = close[_smallest(level, own[close])]
        rows = hits if rows is None else rows[hits]
    return _first_of_each(rows if rows is not None else np.empty(0, np.int64), owner, count)


def _smallest(values: npt.NDArray[Any], owner: IntArray, *, within: float = 0.0) -> IntArray:
    """Places of the smallest values of every owner, all within some of them, none at infinity."""
    if values.size == 0:
        return np.empty(0, dtype=np.int64)
    starts = _starts(owner)
    smallest = np.minimum.reduceat(values, starts)
    lengths = np.empty_like(starts)
    np.subtract(starts[1:], starts[:-1], out=lengths[:-1])
    lengths[-1] = owner.size - starts[-1]
    return np.flatnonzero((values <= np.repeat(smallest + within, lengths)) & (values != np.inf))


def _starts(owner: IntArray) -> IntArray:
    """Where each owner's entries begin; there is at least one entry."""
    first = np.empty(owner.size, dtype=bool)
    first[0] = True
    np.not_equal(owner[1:], owner[:-1], out=first[1:])
    return np.flatnonzero(first)


def _first_of_each(rows: IntArray, owner: IntArray, count: int) -> IntArray:
    """The first of the given rows for each owner, -1 for an owner without one."""
    result = np.full(count, -1, dtype=np.int64)
    # Assigned from the back, so that the first row of each owner stays.
    result[owner[rows[::-1]]] = rows[::-1]
    return result


def marked(owner: npt.NDArray[Any], count: int) -> npt.NDArray[np.bool_]:
    """True for each index below `count` that occurs in `owner`.

    Examples
    --------
    >>> marked(np.array([2, 0, 2]), 4).tolist()
    [True, False, True, False]
    """
    result = np.zeros(count, dtype=bool)
    result[owner] = True
    return result


def sums_before(values: FloatArray, owner: IntArray) -> FloatArray:
    """Sum of the values of the same list that come before each, to the last bit whatever other lists hold.

    Parameters
    ----------
    values
        Shape (k,).
    owner
        The list of each, ascending, shape (k,).

    Returns
    -------
    ndarray of float
        Shape (k,).

    Examples
    --------
    >>> sums_before(np.array([1.0, 2.0, 4.0, 8.0]), np.array([0, 0, 0, 3])).tolist()
    [0.0, 1.0, 3.0, 0.0]
    """
    result = np.zeros(values.size)
    begins = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]][: values.size])
    length = np.diff(np.append(begins, values.size))
    place = 1
    begins = begins[length > place]
    length = length[length > place]
    while begins.size:
        row = begins + place
        result[row] = result[row - 1] + values[row - 1]
        place += 1
        longer = length > place
        begins, length = begins[longer], length[longer]
    return result


def sums(values: FloatArray, owner: npt.NDArray[Any], count: int) -> FloatArray:
    """Sum of the values of each owner, shape (count,)."""
    return np.bincount(owner, weights=values, minlength=count).astype(float)


def pair_up(
    left_owner: npt.NDArray[Any], right_owner: npt.NDArray[Any], count: int
) -> tuple[IntArray, IntArray]:
    """Every pair of a left and a right entry that have the same owner.

    Parameters
    ----------
    left_owner
        Shape (a,), any order.
    right_owner
        Shape (b,), ascending.
    count
        Number of owners.

    Returns
    -------
    left, right
        Indices into the two lists, left ascending.

    Examples
    --------
    >>> left, right = pair_up(np.array([0, 1]), np.array([0, 0, 1]), 2)
    >>> left.tolist(), right.tolist()
    ([0, 0, 1], [0, 1, 2])
    """
    return lists_of(left_owner, offsets(np.bincount(right_owner, minlength=count)))


def lists_of(owner: npt.NDArray[Any], start: npt.NDArray[Any]) -> tuple[IntArray, IntArray]:
    """The whole list of each owner: `pair_up` where the starts of the lists are known.

    Parameters
    ----------
    owner
        Shape (a,), any order.
    start
        Where each owner's list starts, and the end, shape (n + 1,).

    Returns
    -------
    item, entry
        Index into `owner`, ascending, and index into the lists.

    Examples
    --------
    >>> item, entry = lists_of(np.array([1, 1]), np.array([0, 2, 4]))
    >>> item.tolist(), entry.tolist()
    ([0, 0, 1, 1], [2, 3, 2, 3])
    """
    first = start[owner]
    counts = start[owner + 1] - first
    item = np.repeat(np.arange(counts.size), counts)
    # How far the entries of each list are from where they stand in the answer.
    first -= counts.cumsum()
    first += counts
    entry = first.take(item)
    entry += np.arange(item.size)
    return item, entry


def take(columns: Columns, rows: npt.NDArray[Any] | slice) -> Columns:
    """Rows of a dataclass whose fields are columns of one length.

    Parameters
    ----------
    columns
        A dataclass instance; every field is an array of the same length.
    rows
        Indices, a mask or a slice.

    Returns
    -------
    The same class.
    """
    kind: Any = type(columns)
    parts = [getattr(columns, name) for name in _names_of(kind)]
    picked: Columns
    if isinstance(rows, slice):
        picked = kind(*[part[rows] for part in parts])
        return picked
    # Indices are found once; a mask would be gone through for every column.
    places = np.flatnonzero(rows) if rows.dtype == bool else rows
    picked = kind(*[part.take(places, axis=0) for part in parts])
    return picked


@cache
def _names_of(kind: Any) -> tuple[str, ...]:
    return tuple(entry.name for entry in fields(kind))


def stack(parts: Sequence[Columns]) -> Columns:
    """Dataclasses of columns one after the other; see `take`."""
    kind: Any = type(parts[0])
    joined: Columns = kind(
        *[np.concatenate([getattr(part, name) for part in parts]) for name in _names_of(kind)]
    )
    return joined


def chunks(count: int, size: int) -> Iterator[slice]:
    """Slices of at most `size` that cover `range(count)`."""
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))
