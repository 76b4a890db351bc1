"""Numbers as words for the reasons, whole arrays at a time.

In: arrays of numbers, columns of text.
Out: arrays of text of the same shape.
"""

from __future__ import annotations

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
    fixed = np.char.mod(f"%.{decimals}f", np.asarray(values, dtype=float))
    return (
        np.char.rstrip(np.char.rstrip(fixed, "0"), ".").astype(object) if decimals else fixed.astype(object)
    )


def percent(shares: FloatArray) -> Words:
    """Write shares from 0 to 1 as whole percent; a share that is not zero is never shown as 0%.

    Examples
    --------
    >>> import numpy as np
    >>> percent(np.array([0.0, 0.001, 0.125, 1.0])).tolist()
    ['0%', 'under 1%', '12%', '100%']
    """
    whole = np.char.mod("%.0f%%", 100.0 * np.asarray(shares, dtype=float)).astype(object)
    return np.where((whole == "0%") & (np.asarray(shares) > 0), "under 1%", whole)


def thousands(values: FloatArray) -> Words:
    """Write whole numbers from 0 up with a comma at each thousand.

    Examples
    --------
    >>> import numpy as np
    >>> thousands(np.array([7.4, 62_000.0, 1_234_567.0])).tolist()
    ['7', '62,000', '1,234,567']
    """
    whole = np.round(np.nan_to_num(np.asarray(values, dtype=float))).astype(np.int64)

    def digits(pattern: str, part: npt.NDArray[np.int64]) -> Words:
        return np.char.mod(pattern, part).astype(object)

    below = digits("%d", whole)
    with_thousands = digits("%d,", whole // 1000) + digits("%03d", whole % 1000)
    with_millions = digits("%d,", whole // 1_000_000) + digits("%03d,", whole // 1000 % 1000)
    with_millions = with_millions + digits("%03d", whole % 1000)
    return np.where(whole < 1000, below, np.where(whole < 1_000_000, with_thousands, with_millions))


def text(column: pd.Series, missing: str) -> Words:
    """Turn a text column into an array of str objects, with `missing` where there is nothing.

    Examples
    --------
    >>> import pandas as pd
    >>> text(pd.Series(["drawn", None], dtype="str"), "assumed").tolist()
    ['drawn', 'assumed']
    """
    return column.astype("str").fillna(missing).to_numpy(dtype=object)
