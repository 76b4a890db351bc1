"""Ranks from scores: equal scores go to the lower building id, and no last digit decides.

In: scores of buildings in order of their id.
Out: whole numbers that sort as the ranks do, and ranks.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["SCORE_DECIMALS", "KeyArray", "places_in", "ranks", "sort_keys"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
KeyArray = npt.NDArray[np.uint64]

SCORE_DECIMALS = 9
"""Scores are compared to this many decimals, so that the order of a sum cannot decide a rank."""

_STEP = 10.0**SCORE_DECIMALS
# The low half of a key is the building, the high half what its score lacks of 1.
_HALF = np.uint64(32)


def sort_keys(scores: FloatArray, row: IntArray | KeyArray | None = None) -> KeyArray:
    """Give each score a whole number that is lower for a higher score, then for a lower row.

    Parameters
    ----------
    scores
        From 0 to 1, shape (..., n).
    row
        Place of each building in order of building id, shape (n,) or like `scores`; counted from 0
        along the last axis where it is not given.

    Returns
    -------
    ndarray of uint64
        Shape of `scores`. All differ where the rows do, so that any sort is a stable one.

    Examples
    --------
    >>> np.argsort(sort_keys(np.array([0.5, 0.7, 0.5 + 1e-15]))).tolist()
    [1, 0, 2]
    """
    lacking = np.subtract(1.0, scores)
    lacking *= _STEP
    np.rint(lacking, out=lacking)
    np.maximum(lacking, 0.0, out=lacking)
    keys = lacking.astype(np.uint64)
    keys <<= _HALF
    rows = np.arange(scores.shape[-1]) if row is None else row
    keys |= rows.astype(np.uint64, copy=False)
    return keys


def ranks(keys: KeyArray) -> IntArray:
    """Rank buildings, 1 for the lowest key.

    Parameters
    ----------
    keys
        Shape (..., n), with the rows 0 to n - 1 along the last axis in any order.

    Returns
    -------
    ndarray of int64
        Shape (..., n), in order of the rows.

    Examples
    --------
    >>> ranks(sort_keys(np.array([0.5, 0.7, 0.5]))).tolist()
    [2, 1, 3]
    """
    # Keys carry their row, so that a plain sort of whole numbers does the work of a stable argsort.
    row = (np.sort(keys, axis=-1) & np.uint64(2**32 - 1)).astype(np.intp)
    found = np.empty(keys.shape, dtype=np.int64)
    np.put_along_axis(found, row, np.arange(1, keys.shape[-1] + 1), axis=-1)
    return found


def places_in(ordered: KeyArray, own: KeyArray, keys: KeyArray) -> IntArray:
    """Rank that each building would have with another score, all others staying where they are.

    Parameters
    ----------
    ordered
        The keys of all buildings, lowest first, shape (n,).
    own
        The key that each building has among them, shape (m,) or (m, 1).
    keys
        The key it would have, shape (m,) or (m, k).

    Returns
    -------
    ndarray of int64
        Shape of `keys`.

    Examples
    --------
    >>> scores = np.array([0.5, 0.7, 0.6])
    >>> own = sort_keys(scores)
    >>> would = sort_keys(np.array([0.9, 0.1, 0.6]))
    >>> places_in(np.sort(own), own, would).tolist()
    [1, 3, 2]
    """
    before = np.searchsorted(ordered, keys)
    return before - (own < keys) + 1
