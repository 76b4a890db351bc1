"""Find the building that a written id means.

In: ids as they are, ids as somebody wrote them.
Out: the place of each, where there is exactly one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["NONE", "find_keys"]

IntArray = npt.NDArray[np.int64]

NONE = -1


def _clean_keys(keys: pd.Series) -> pd.Series:
    """Write keys one way: no outer or doubled blanks, one case, no `.0` left by a spreadsheet.

    Leading zeros stay: `007` and `7` may be two buildings.

    Examples
    --------
    >>> _clean_keys(pd.Series([" B  12", "17.0", "007", ""])).tolist()
    ['b 12', '17', '007', nan]
    """
    text = keys.astype("str").str.strip().str.casefold()
    text = text.str.replace(r"\s+", " ", regex=True).str.replace(r"^(\d+)\.0+$", r"\1", regex=True)
    return text.where(text != "")


def find_keys(ids: pd.Series, keys: pd.Series) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Find the row of each key among unique ids: as written, else cleaned on both sides.

    Parameters
    ----------
    ids
        Unique texts, shape (n,).
    keys
        Texts to look up, shape (m,); may be missing.

    Returns
    -------
    found
        Position in `ids`, or `NONE`, shape (m,).
    ambiguous
        Where a key, cleaned, fits several ids and none as written, shape (m,).

    Examples
    --------
    >>> found, ambiguous = find_keys(pd.Series(["a", "A", "b"]), pd.Series(["A", "B ", "a ", "c"]))
    >>> found.tolist(), ambiguous.tolist()
    ([1, 2, -1, -1], [False, False, True, False])
    """
    found = pd.Index(ids).get_indexer(pd.Index(keys)).astype(np.int64)
    found[keys.isna().to_numpy()] = NONE
    clean_ids = _clean_keys(ids)
    clean = _clean_keys(keys)
    shared = clean_ids.duplicated(keep=False) | clean_ids.isna()
    position = np.flatnonzero(~shared.to_numpy())
    by_clean = pd.Index(clean_ids[~shared]).get_indexer(pd.Index(clean))
    usable = (found == NONE) & (by_clean >= 0) & clean.notna().to_numpy()
    found[usable] = position[by_clean[usable]]
    ambiguous = (found == NONE) & clean.isin(clean_ids[shared].dropna()).to_numpy()
    return found, ambiguous
