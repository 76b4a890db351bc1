"""Groups of the building code, read out of what sources write.

In: occupancies as sources give them.
Out: the group's letter and number.
"""

from __future__ import annotations

import pandas as pd

__all__ = ["occupancy_parts"]

_GROUP = r"^\s*(?:[Gg]roup\s+)?(?P<letter>[A-Za-z])(?:\s*-?\s*(?P<number>\d).*)?\s*$"


def occupancy_parts(occupancy: pd.Series) -> pd.DataFrame:
    """Take `R-2`, `S1`, `i-2 condition 1` apart.

    Parameters
    ----------
    occupancy
        Texts, shape (n,); may be missing.

    Returns
    -------
    DataFrame
        `letter`, a capital, and `number`, both text, with the index of `occupancy`; missing for words such
        as `retail`.

    Examples
    --------
    >>> occupancy_parts(pd.Series(["R-2", "group f1", "b", "retail"])).to_numpy(dtype=object).tolist()
    [['R', '2'], ['F', '1'], ['B', nan], [nan, nan]]
    """
    # A district has a few different words, however many buildings; -1, a missing one, is the last.
    row, words = pd.factorize(occupancy.astype("str"))
    parts = pd.Series([*words, None], dtype="str").str.extract(_GROUP, expand=True)
    parts["letter"] = parts["letter"].str.upper()
    return parts.iloc[row].set_axis(occupancy.index)
