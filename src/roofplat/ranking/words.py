"""Numbers as words for the reasons, whole arrays at a time.

In: arrays of numbers, columns of text.
Out: arrays of text of the same shape.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["percent", "plain", "text", "thousands"]

FloatArray = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]


def plain(values: FloatArray, *, decimals: int = 2) -> Words:
    """Write numbers with a fixed number of decimals and no idle zeros.

    Examples
    --------
    >>> import numpy as np
    >>> plain(np.array([0.5, 0.85, 1.0, 10.0])).tolist()
    ['0.5', '0.85', '1', '10']
    """

    def write(value: float) -> str:
        fixed = f"{value:.{decimals}f}"
        return fixed.rstrip("0").rstrip(".") if decimals else fixed

    return _written(values, write)


def percent(shares: FloatArray) -> Words:
    """Write shares from 0 to 1 as whole percent; a share that is not zero is never shown as 0%.

    Examples
    --------
    >>> import numpy as np
    >>> percent(np.array([0.0, 0.001, 0.125, 1.0])).tolist()
    ['0%', 'under 1%', '12%', '100%']
    """

    def write(share: float) -> str:
        whole = f"{100.0 * share:.0f}%"
        return "under 1%" if whole == "0%" and share > 0 else whole

    return _written(shares, write)


def thousands(values: FloatArray) -> Words:
    """Write whole numbers from 0 up with a comma at each thousand.

    Examples
    --------
    >>> import numpy as np
    >>> thousands(np.array([7.4, 62_000.0, 1_234_567.0])).tolist()
    ['7', '62,000', '1,234,567']
    """
    whole = np.round(np.nan_to_num(np.asarray(values, dtype=float))).astype(np.int64)
    return _written(whole, "{:,}".format)


def _written(values: npt.NDArray[Any] | FloatArray, write: Callable[[Any], str]) -> Words:
    """Write each different number once: of many buildings most numbers are met again and again."""
    numbers = np.asarray(values)
    place, met = pd.factorize(numbers.ravel(), use_na_sentinel=False)
    texts = np.array([write(value) for value in met.tolist()], dtype=object)
    return cast("Words", texts[place].reshape(numbers.shape))


def text(column: pd.Series, missing: str) -> Words:
    """Turn a text column into an array of str objects, with `missing` where there is nothing.

    Examples
    --------
    >>> import pandas as pd
    >>> text(pd.Series(["drawn", None], dtype="str"), "assumed").tolist()
    ['drawn', 'assumed']
    """
    return column.astype("str").fillna(missing).to_numpy(dtype=object)
