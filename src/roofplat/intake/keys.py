"""Find the building that a written id means.

In: ids as they are, ids as somebody wrote them.
Out: the place of each, where there is exactly one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["NONE", "clean_key_texts", "find_keys", "nearest_keys"]

IntArray = npt.NDArray[np.int64]

NONE = -1
# Ids named where one does not exist, and how like it they must be.
_CLOSE_COUNT, _CLOSE_SHARE = 3, 0.5


def clean_key_texts(keys: pd.Series) -> pd.Series:
    """Write keys one way: no outer or doubled blanks, one case, no `.0` left by a spreadsheet.

    Leading zeros stay: `007` and `7` may be two buildings.

    Examples
    --------
    >>> clean_key_texts(pd.Series([" B  12", "17.0", "007", ""])).tolist()
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
    lost = np.flatnonzero(found == NONE)
    ambiguous = np.zeros(len(keys), dtype=bool)
    if not lost.size:
        return found, ambiguous
    clean_ids = clean_key_texts(ids)
    clean = clean_key_texts(keys.iloc[lost])
    shared = clean_ids.duplicated(keep=False) | clean_ids.isna()
    position = np.flatnonzero(~shared.to_numpy())
    by_clean = pd.Index(clean_ids[~shared]).get_indexer(pd.Index(clean))
    usable = (by_clean >= 0) & clean.notna().to_numpy()
    found[lost[usable]] = position[by_clean[usable]]
    ambiguous[lost[~usable]] = clean[~usable].isin(clean_ids[shared].dropna()).to_numpy()
    return found, ambiguous


def nearest_keys(ids: pd.Series, key: str) -> list[str]:
    """Name the ids that are most like one that does not exist.

    Letters that stand in the same place count, from the front or from the back; or what two ids begin and
    end with alike, so that a letter too many does not hide the rest. One pass over whole arrays: a form of
    the wrong district holds hundreds of strange ids.

    Parameters
    ----------
    ids
        Texts, shape (n,).
    key
        What somebody wrote.

    Returns
    -------
    list of str
        The most alike first, then in the order of the text; empty where none is half alike.

    Examples
    --------
    >>> nearest_keys(pd.Series(["MB-0012", "MB-0021", "K-7", "MB-0412"]), "MB-012")
    ['MB-0012', 'MB-0412', 'MB-0021']
    """
    if ids.empty or not key.strip():
        return []
    names = ids.to_numpy(dtype="U")
    plain = np.strings.lower(names)
    word = key.strip().lower()
    width = max(plain.dtype.itemsize // 4, len(word), 1)
    length = np.strings.str_len(plain)
    alike = np.zeros(len(names), dtype=np.int64)
    ends = np.zeros(len(names), dtype=np.int64)
    for turn in (1, -1):
        # Padding differs from side to side, so that it is never alike.
        rows = _letters(plain, width, turn)
        same = rows == _letters(np.array([word]), width, turn)
        same &= np.arange(width) < np.minimum(length, len(word))[:, None]
        alike = np.maximum(alike, same.sum(axis=1))
        ends += np.minimum.accumulate(same, axis=1).sum(axis=1)
    alike = np.maximum(alike, np.minimum(ends, np.minimum(length, len(word))))
    share = alike / np.maximum(np.maximum(length, len(word)), 1)
    near = np.flatnonzero(share >= _CLOSE_SHARE)
    order = np.lexsort((names[near], -share[near]))
    return [str(name) for name in names[near[order[:_CLOSE_COUNT]]]]


def _letters(words: npt.NDArray[np.str_], width: int, turn: int) -> npt.NDArray[np.uint32]:
    """The letters of each word as numbers, from the front or from the back, shape (n, width)."""
    if turn < 0:
        words = np.strings.rjust(words, width)
    return words.astype(f"U{width}").view(np.uint32).reshape(len(words), width)[:, ::turn]
