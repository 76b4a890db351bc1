"""The squares that a district is cut into.

In: places in the working CRS.
Out: `Squares`: cells whose edges hang on the working CRS alone, so that a building added far away moves none
    of them.

A cell is halved where it holds too many buildings. Cells follow each other along a Morton curve, which
keeps neighbours together: G. M. Morton, "A computer oriented geodetic data base and a new technique in file
sequencing" (IBM, 1966), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Squares", "codes_of", "cut_squares"]

Codes = npt.NDArray[np.uint64]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

# The smallest cell is one unit of the CRS wide, the largest spans 2**32 of them.
_LEVELS = 32
_MIDDLE = 2.0**31


@dataclass(frozen=True, slots=True)
class Squares:
    """Cells by their place on the curve.

    first
        The code at which each begins, ascending, shape (n,).
    level
        A cell holds 2**level square units, shape (n,): it is a square, or two of them side by side.
    """

    first: Codes
    level: IntArray

    def boxes(self) -> FloatArray:
        """Their boxes in the working CRS, shape (n, 4)."""
        x, y = _untwine(self.first), _untwine(self.first >> np.uint64(1))
        low = np.column_stack([x, y]) - _MIDDLE
        wide, high = 2.0 ** ((self.level + 1) // 2), 2.0 ** (self.level // 2)
        return np.hstack([low, low + np.column_stack([wide, high])])

    def names(self) -> list[str]:
        """A name for each, which sorts as the cells do."""
        return [
            f"t{int(code):016x}-{int(level):02d}" for code, level in zip(self.first, self.level, strict=True)
        ]

    def holding(self, codes: Codes) -> IntArray:
        """The cell that each place lies in; of a place in none the one before it on the curve.

        Parameters
        ----------
        codes
            From `codes_of`, shape (m,).

        Returns
        -------
        ndarray of int
            Positions, shape (m,).
        """
        return np.maximum(np.searchsorted(self.first, codes, side="right").astype(np.int64) - 1, 0)

    def inside(self, codes: Codes, cell: IntArray) -> npt.NDArray[np.bool_]:
        """Which places lie in the cell that `holding` gives them, shape (m,)."""
        whole = self.level[cell] == 2 * _LEVELS
        size = np.left_shift(np.uint64(1), (self.level[cell] % (2 * _LEVELS)).astype(np.uint64))
        first = self.first[cell]
        return np.asarray(whole | ((codes >= first) & (codes - first < size)))


def codes_of(x: FloatArray, y: FloatArray) -> Codes:
    """Where places lie on the curve.

    Parameters
    ----------
    x, y
        Working CRS, shape (n,); what is not finite lies at the end.

    Returns
    -------
    ndarray of uint64
        Shape (n,).

    Examples
    --------
    >>> codes_of(np.array([0.5, 1.5]), np.array([0.5, 0.5])).tolist() == [3 << 62, (3 << 62) + 1]
    True
    """
    ends = 2.0**_LEVELS - 1.0
    columns, rows = (np.clip(np.nan_to_num(np.floor(v) + _MIDDLE, nan=ends), 0.0, ends) for v in (x, y))
    return _twine(columns.astype(np.uint64)) | (_twine(rows.astype(np.uint64)) << np.uint64(1))


def cut_squares(codes: Codes, most: int) -> Squares:
    """Cut the plane until no cell holds more than `most` places.

    Parameters
    ----------
    codes
        Of every building, shape (n,), in any order.
    most
        Buildings in a cell at most; more only where they lie within one unit of each other.

    Returns
    -------
    Squares
        The cells that hold any.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 3.0, 40.0])
    >>> cut_squares(codes_of(x, 0 * x), 4).level.tolist()
    [10, 10]
    >>> cut_squares(codes_of(x, 0 * x), 5).boxes().tolist()
    [[-2147483648.0, -2147483648.0, 2147483648.0, 2147483648.0]]
    """
    ordered = np.sort(codes)
    found: list[tuple[int, int]] = []
    waiting = [(0, 2 * _LEVELS, 0, len(ordered))]
    while waiting:
        first, level, start, stop = waiting.pop()
        if stop == start:
            continue
        if stop - start <= most or level == 0:
            found.append((first, level))
            continue
        second = first + (1 << (level - 1))
        middle = start + int(np.searchsorted(ordered[start:stop], np.uint64(second)))
        waiting += [(first, level - 1, start, middle), (second, level - 1, middle, stop)]
    found.sort()
    return Squares(
        np.array([first for first, _ in found], dtype=np.uint64),
        np.array([level for _, level in found], dtype=np.int64),
    )


def _twine(number: npt.NDArray[np.uint64]) -> Codes:
    """Put a 0 before every one of 32 bits."""
    for shift, mask in (
        (16, 0x0000FFFF0000FFFF),
        (8, 0x00FF00FF00FF00FF),
        (4, 0x0F0F0F0F0F0F0F0F),
        (2, 0x3333333333333333),
        (1, 0x5555555555555555),
    ):
        number = (number | (number << np.uint64(shift))) & np.uint64(mask)
    return number


def _untwine(code: Codes) -> FloatArray:
    """Take every second bit."""
    number = code & np.uint64(0x5555555555555555)
    for shift, mask in (
        (1, 0x3333333333333333),
        (2, 0x0F0F0F0F0F0F0F0F),
        (4, 0x00FF00FF00FF00FF),
        (8, 0x0000FFFF0000FFFF),
        (16, 0x00000000FFFFFFFF),
    ):
        number = (number | (number >> np.uint64(shift))) & np.uint64(mask)
    return number.astype(np.float64)
