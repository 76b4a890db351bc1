"""Sentences for many rows of which only a few differ.

In: columns of small whole numbers, a function that makes a sentence of one of each.
Out: one sentence for each row; each different one is composed once.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.tables import sentences

__all__ = ["compose"]


def compose(parts: list[npt.NDArray[Any]], sentence: Callable[..., str]) -> pd.Categorical:
    """Make one sentence for each row, composing each different one once.

    Parameters
    ----------
    parts
        Columns of whole numbers, shape (k,) each.
    sentence
        Takes one value of each column.

    Returns
    -------
    pandas.Categorical
        Shape (k,).

    Examples
    --------
    >>> compose([np.array([1, 2, 1])], lambda number: f"number {number}").tolist()
    ['number 1', 'number 2', 'number 1']
    """
    if not parts[0].size:
        return sentences([], np.empty(0, dtype=np.int64))
    code = np.zeros(parts[0].size, dtype=np.int64)
    for part in parts:
        values = part.astype(np.int64)
        low = values.min()
        code = code * (values.max() - low + 1) + (values - low)
    # Codes are small numbers: counting them is cheaper than sorting them.
    used = np.flatnonzero(np.bincount(code))
    number = np.empty(used[-1] + 1, dtype=np.int64)
    number[used] = np.arange(used.size)
    inverse = number[code]
    first = np.empty(used.size, dtype=np.int64)
    first[inverse[::-1]] = np.arange(code.size)[::-1]
    texts = [sentence(*(int(part[row]) for part in parts)) for row in first]
    # Different codes may say the same.
    different = list(dict.fromkeys(texts))
    place = np.array([different.index(text) for text in texts], dtype=np.int64)
    return sentences(different, place[inverse])
