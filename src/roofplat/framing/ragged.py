"""Work on many short lists at once: lists of edges, lines, bays, each owned by a section.

In: flat arrays sorted by owner, or counts for each owner.
Out: flat arrays, or one value for each owner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = [
    "chunks",
    "expand",
    "first_minimum",
    "first_of_equals",
    "marked",
    "offsets",
    "pair_up",
    "stack",
    "sums",
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
    result = np.zeros(counts.size + 1, dtype=np.int64)
    np.cumsum(counts, out=result[1:])
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
    return owner, np.arange(owner.size) - offsets(counts)[owner]


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
    result = np.full(count, -1, dtype=np.int64)
    if values.size == 0:
        return result
    starts = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]])
    smallest = np.minimum.reduceat(values, starts)
    lengths = np.diff(np.r_[starts, owner.size])
    hits = np.flatnonzero((values == np.repeat(smallest, lengths)) & np.isfinite(values))
    # Assigned from the back, so that the first hit of each owner stays.
    result[owner[hits[::-1]]] = hits[::-1]
    return result


def first_of_equals(keys: list[FloatArray], owner: IntArray, count: int) -> IntArray:
    """Index of each owner's smallest entry by the first key, then the second, and so on.

    Parameters
    ----------
    keys
        Arrays of shape (m,), already rounded to what counts as equal; infinity in the first
        key marks an entry that must not win.
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
    >>> first_of_equals([np.array([1.0, 1.0, 2.0]), np.array([5.0, 4.0, 0.0])], owner, 1).tolist()
    [1]
    """
    left = np.isfinite(keys[0])
    for key in keys[:-1]:
        values = np.where(left, key, np.inf)
        best = first_minimum(values, owner, count)
        smallest = np.where(best >= 0, values[best], np.inf) if values.size else np.empty(0)
        left &= values == smallest[owner] if values.size else left
    return first_minimum(np.where(left, keys[-1], np.inf), owner, count)


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
    right_counts = np.bincount(right_owner, minlength=count)
    right_starts = offsets(right_counts)
    left, number = expand(right_counts[left_owner])
    return left, right_starts[left_owner[left]] + number


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
    picked: Columns = kind(*(getattr(columns, entry.name)[rows] for entry in fields(kind)))
    return picked


def stack(parts: Sequence[Columns]) -> Columns:
    """Dataclasses of columns one after the other; see `take`."""
    kind: Any = type(parts[0])
    joined: Columns = kind(
        *(np.concatenate([getattr(part, entry.name) for part in parts]) for entry in fields(kind))
    )
    return joined


def chunks(count: int, size: int) -> Iterator[slice]:
    """Slices of at most `size` that cover `range(count)`."""
    for start in range(0, count, size):
        yield slice(start, min(start + size, count))
