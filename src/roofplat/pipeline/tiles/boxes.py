"""Find boxes in a window, for layers too big for a tree of shapes.

In: boxes, shape (n, 4).
Out: `BoxIndex`: 16 bytes a box beside the boxes themselves.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["BoxIndex", "around", "grown", "meeting"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class BoxIndex:
    """Boxes sorted into the cells of a grid by their middles; the few that are larger stand apart.

    Parameters
    ----------
    boxes
        West, south, east, north; shape (n, 4). Those that are not finite are never found.
    cell
        Width of the grid's cells.
    """

    def __init__(self, boxes: FloatArray, cell: float) -> None:
        self.boxes = boxes
        self._cell = cell
        finite = np.isfinite(boxes).all(axis=1)
        small = finite & (boxes[:, 2] - boxes[:, 0] <= cell) & (boxes[:, 3] - boxes[:, 1] <= cell)
        self._large = np.flatnonzero(finite & ~small)
        rows = np.flatnonzero(small)
        middle = (boxes[rows, :2] + boxes[rows, 2:]) / 2
        self._low = middle.min(axis=0) if rows.size else np.zeros(2)
        column, row = np.floor((middle - self._low) / cell).astype(np.int64).T
        self._wide = int(column.max()) + 1 if rows.size else 1
        self._high = int(row.max()) + 1 if rows.size else 0
        code = row * self._wide + column
        order = np.argsort(code, kind="stable")
        self._rows, self._codes = rows[order], code[order]

    def meeting(self, window: FloatArray) -> IntArray:
        """Return the rows whose boxes meet a window, ascending.

        Parameters
        ----------
        window
            Shape (4,).

        Returns
        -------
        ndarray of int
        """
        if not np.isfinite(window).all():
            return np.empty(0, dtype=np.int64)
        # The middle of a small box lies at most half a cell outside.
        first = np.floor((window[:2] - self._low) / self._cell - 0.5)
        last = np.floor((window[2:] - self._low) / self._cell + 0.5)
        left, bottom = np.clip(first, 0, [self._wide, self._high]).astype(np.int64)
        right, top = np.clip(last, -1, [self._wide - 1, self._high - 1]).astype(np.int64)
        found = [self._large]
        if left <= right and bottom <= top:
            lines = np.arange(bottom, top + 1) * self._wide
            starts = np.searchsorted(self._codes, lines + left, side="left")
            stops = np.searchsorted(self._codes, lines + right, side="right")
            size = stops - starts
            spots = np.arange(size.sum()) + np.repeat(starts - (np.cumsum(size) - size), size)
            found.append(self._rows[spots])
        rows = np.concatenate(found)
        return np.sort(rows[meeting(self.boxes[rows], window)])

    def meeting_any(self, windows: FloatArray) -> IntArray:
        """Return the rows whose boxes meet any of some windows, ascending.

        Parameters
        ----------
        windows
            Shape (m, 4). Those larger than a cell are looked at one by one, the others cell by cell by what
            they span: rows that only the span meets are found too.

        Returns
        -------
        ndarray of int
        """
        windows = windows[np.isfinite(windows).all(axis=1)]
        if not len(windows):
            return np.empty(0, dtype=np.int64)
        size = np.maximum(windows[:, 2] - windows[:, 0], windows[:, 3] - windows[:, 1])
        large = size > self._cell
        found = [self.meeting(window) for window in windows[large]]
        if not large.all():
            # Small windows by the cells that their middles lie in.
            small = windows[~large]
            spot = np.floor((small[:, :2] + small[:, 2:]) / 2 / (self._cell)).astype(np.int64)
            _, group = np.unique(spot, axis=0, return_inverse=True)
            group = group.reshape(-1)
            count = int(group.max()) + 1
            spans = np.full((count, 4), [np.inf, np.inf, -np.inf, -np.inf])
            np.minimum.at(spans[:, :2], group, small[:, :2])
            np.maximum.at(spans[:, 2:], group, small[:, 2:])
            found += [self.meeting(window) for window in spans]
        return np.unique(np.concatenate(found))


def meeting(boxes: FloatArray, window: FloatArray) -> npt.NDArray[np.bool_]:
    """Which boxes meet a window, edges included.

    Examples
    --------
    >>> boxes = np.array([[0.0, 0.0, 1.0, 1.0], [3.0, 0.0, 4.0, 1.0]])
    >>> meeting(boxes, np.array([1.0, 0.0, 2.0, 9.0])).tolist()
    [True, False]
    """
    return np.asarray(
        (boxes[:, 0] <= window[2])
        & (boxes[:, 2] >= window[0])
        & (boxes[:, 1] <= window[3])
        & (boxes[:, 3] >= window[1])
    )


def around(boxes: FloatArray) -> FloatArray:
    """The box around all finite boxes, shape (4,); one that nothing meets where there is none.

    Examples
    --------
    >>> around(np.array([[0.0, 0.0, 1.0, 1.0], [3.0, -1.0, 4.0, 1.0]])).tolist()
    [0.0, -1.0, 4.0, 1.0]
    """
    finite = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(finite):
        return np.array([np.inf, np.inf, -np.inf, -np.inf])
    return np.concatenate([finite[:, :2].min(axis=0), finite[:, 2:].max(axis=0)])


def grown(boxes: FloatArray, by: float | FloatArray) -> FloatArray:
    """Boxes wider by some distance on every side.

    Examples
    --------
    >>> grown(np.array([0.0, 0.0, 1.0, 1.0]), 2.0).tolist()
    [-2.0, -2.0, 3.0, 3.0]
    """
    return np.asarray(boxes + np.multiply.outer(by, np.array([-1.0, -1.0, 1.0, 1.0])))
