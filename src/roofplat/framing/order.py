"""Put many rows in order, several times faster than a stable sort, and in the same order.

In: keys of rows.
Out: which row comes where; equals stay in the order they had.

numpy's unstable sort uses the processor's vector instructions, its stable ones do not. Equals are put back
into their order afterwards, which is cheap where they are few or stand in short runs.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import IntArray

__all__ = ["by_owner", "order_by", "stable_order"]

# Stable sorting of whole numbers of 16 bits is a radix sort, in proportion to their number.
_SMALL = 2**16


def stable_order(values: npt.NDArray[Any]) -> IntArray:
    """Order of rows by a number, as `numpy.argsort(values, kind="stable")` gives it.

    Parameters
    ----------
    values
        Numbers, none of them NaN, shape (k,).

    Returns
    -------
    ndarray of int
        Shape (k,).

    Examples
    --------
    >>> stable_order(np.array([2.0, 1.0, 2.0, 1.0])).tolist()
    [1, 3, 0, 2]
    """
    order = np.argsort(values)
    ordered = values[order]
    same = ordered[1:] == ordered[:-1]
    second = np.flatnonzero(same) + 1
    if second.size:
        alike = np.zeros(values.size, dtype=bool)
        alike[second] = True
        alike[second - 1] = True
        rows = np.flatnonzero(alike)
        # One number says run and row; a run begins where a row is not like the one before.
        begins = np.ones(values.size, dtype=np.int64)
        begins[second] = 0
        mixed = begins.cumsum()[rows] * values.size + order[rows]
        order[rows] = np.sort(mixed) % values.size
    return order


def by_owner(owner: npt.NDArray[Any], values: npt.NDArray[Any], count: int) -> IntArray:
    """Order of rows by owner, then by a number: `numpy.lexsort((values, owner))`.

    Parameters
    ----------
    owner
        Shape (k,).
    values
        Numbers, none of them NaN, shape (k,).
    count
        Number of owners.

    Returns
    -------
    ndarray of int
        Shape (k,).

    Examples
    --------
    >>> by_owner(np.array([1, 0, 1]), np.array([5.0, 7.0, 4.0]), 2).tolist()
    [1, 2, 0]
    """
    first = stable_order(values)
    within = owner[first]
    if count <= _SMALL:
        return first[np.argsort(within.astype(np.uint16), kind="stable")]
    return first[stable_order(within)]


def order_by(key: IntArray, *finer: npt.NDArray[Any]) -> IntArray:
    """Stable order by a key; among equals by the first finer one, then the second, and so on.

    Parameters
    ----------
    key
        Shape (m,).
    finer
        Shape (m,) each. Several times cheaper than `np.lexsort` where few are equal: only those are
        looked at again.

    Returns
    -------
    ndarray of int
        Shape (m,).

    Examples
    --------
    >>> order_by(np.array([2, 1, 2]), np.array([5.0, 0.0, 4.0])).tolist()
    [1, 2, 0]
    """
    order = stable_order(key)
    ranked = key[order]
    same = ranked[1:] == ranked[:-1]
    if finer and same.any():
        tied = np.flatnonzero(np.r_[same, False] | np.r_[False, same])
        rows = order[tied]
        order[tied] = rows[np.lexsort((*[values[rows] for values in reversed(finer)], key[rows]))]
    return order
