"""Members that run side by side: which to draw where all would run together, and the bays between.

In: lines in points, their spacing on the page.
Out: the lines to draw, every so many of them; bays between neighbouring lines, with the places where
    the dimension over one can stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.publish.sheet.labels import Spot

__all__ = ["Bay", "find_bays", "thin_out"]

# Every so many lines: numbers that are counted off at a glance.
_STEPS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 50, 100)
# Lines whose directions differ by less are side by side.
_SAME_DEG = 2.0
_SAME_PT = 0.6
_MOST_BAYS = 9
_HEAD_PT = 3.2
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bay:
    """The room between two neighbouring lines.

    x, y
        Its middle, in points.
    across
        Unit vector from one line to the other.
    gap
        Distance between the lines.
    reach
        How far the two run side by side from the middle both ways.
    """

    x: float
    y: float
    across: tuple[float, float]
    gap: float
    reach: float

    @property
    def ends(self) -> tuple[float, float, float, float]:
        """Ends of the dimension, one on each line."""
        half = self.gap / 2
        ahead = self.across
        return (
            self.x - half * ahead[0],
            self.y - half * ahead[1],
            self.x + half * ahead[0],
            self.y + half * ahead[1],
        )

    def spots(self, extent: tuple[float, float]) -> list[Spot]:
        """Places for a text of some width and height: on the dimension where it fits, else beside it."""
        wide, high = extent
        turn_deg = _readable(float(np.degrees(np.arctan2(self.across[1], self.across[0]))))
        found = []
        if self.gap >= wide + 16:
            found.append(Spot(self.x, self.y, turn_deg))
        along_deg = _readable(turn_deg + 90.0)
        if self.gap >= high + 1 and self.reach >= wide + 4:
            along = np.array([-self.across[1], self.across[0]])
            for side in (1.0, -1.0):
                x, y = np.array([self.x, self.y]) + side * (wide / 2 + 3.5) * along
                found.append(Spot(float(x), float(y), along_deg, 0.1))
        return found

    def paint(self, canvas: Any) -> None:
        """Draw the dimension: a thin line from one member to the other, with heads at both."""
        x0, y0, x1, y1 = self.ends
        canvas.setDash([])
        canvas.setStrokeGray(0.0)
        canvas.setFillGray(0.0)
        canvas.setLineWidth(0.5)
        canvas.line(x0, y0, x1, y1)
        ahead = np.array(self.across)
        aside = np.array([-ahead[1], ahead[0]])
        head = min(_HEAD_PT, self.gap / 3)
        for tip, back in ((np.array([x0, y0]), head), (np.array([x1, y1]), -head)):
            path = canvas.beginPath()
            path.moveTo(*tip)
            path.lineTo(*(tip + back * ahead + 0.4 * head * aside))
            path.lineTo(*(tip + back * ahead - 0.4 * head * aside))
            path.close()
            canvas.drawPath(path, stroke=0, fill=1)


@dataclass(frozen=True, slots=True)
class _Sorted:
    """Straight lines by direction, and within one from side to side.

    group
        Number of the direction, shape (n,).
    along
        Unit vector of each, shape (n, 2), the same within a group.
    offset
        Distance of each from the origin, to the left of its direction, shape (n,).
    start, end
        Where each begins and ends along its direction, shape (n,).
    """

    group: npt.NDArray[np.int64]
    along: _Floats
    offset: _Floats
    start: _Floats
    end: _Floats


def _sort(lines: Sequence[Any]) -> _Sorted:
    coordinates = [shapely.get_coordinates(line) for line in lines]
    first = np.array([run[0] for run in coordinates]).reshape(-1, 2)
    last = np.array([run[-1] for run in coordinates]).reshape(-1, 2)
    step = last - first
    length = np.hypot(step[:, 0], step[:, 1])
    turn = np.degrees(np.arctan2(step[:, 1], step[:, 0])) % 180.0
    turn = np.where(turn > 180.0 - _SAME_DEG / 2, turn - 180.0, turn)
    order = np.argsort(turn, kind="stable")
    group = np.zeros(len(lines), dtype=np.int64)
    group[order] = np.concatenate([[0], np.cumsum(np.diff(turn[order]) > _SAME_DEG)])[: len(lines)]
    count = int(group.max()) + 1 if len(lines) else 0
    weight = np.bincount(group, weights=length, minlength=count)
    mean = np.radians(
        np.bincount(group, weights=length * turn, minlength=count) / np.where(weight > 0, weight, 1)
    )
    along = np.column_stack([np.cos(mean), np.sin(mean)])[group]
    middle = (first + last) / 2
    offset = middle[:, 1] * along[:, 0] - middle[:, 0] * along[:, 1]
    ends = np.sort(np.column_stack([(first * along).sum(axis=1), (last * along).sum(axis=1)]), axis=1)
    return _Sorted(group, along, offset, ends[:, 0], ends[:, 1])


def thin_out(lines: Sequence[Any], gap_pt: float, *, least_pt: float) -> tuple[list[Any], int]:
    """Keep every so many of lines that would run together.

    Parameters
    ----------
    lines
        Straight lines in points.
    gap_pt
        Their spacing on the page.
    least_pt
        The least gap between lines that are drawn.

    Returns
    -------
    lines, step
        Those to draw, every `step`-th of them.

    Examples
    --------
    >>> joists = [shapely.LineString([(x, 0), (x, 50)]) for x in range(0, 20, 2)]
    >>> drawn, step = thin_out(joists, 2.0, least_pt=4.0)
    >>> step, [line.coords[0][0] for line in drawn]
    (2, [0.0, 4.0, 8.0, 12.0, 16.0])
    """
    step = next((step for step in _STEPS if step * gap_pt >= least_pt - 1e-6), _STEPS[-1])
    if step == 1 or not lines:
        return list(lines), 1
    held = _sort(lines)
    # Lines of one lattice are whole spacings apart: the least of each direction counts as nought.
    count = int(held.group.max()) + 1
    least = np.full(count, np.inf)
    np.minimum.at(least, held.group, np.where(held.along[:, 0] > 0.5, held.offset, -held.offset))
    number = np.floor(
        (np.where(held.along[:, 0] > 0.5, held.offset, -held.offset) - least[held.group]) / gap_pt + 0.25
    )
    keep = number.astype(np.int64) % step == 0
    return [line for line, kept in zip(lines, keep.tolist(), strict=True) if kept], step


def find_bays(lines: Sequence[Any], gap_pt: float) -> list[Bay]:
    """Find bays one spacing wide between neighbouring lines, the most usual direction alone.

    Parameters
    ----------
    lines
        Straight lines in points.
    gap_pt
        The spacing on the page.

    Returns
    -------
    list of Bay
        At most a few, spread over the lines.

    Examples
    --------
    >>> beams = [shapely.LineString([(x, 0), (x, 50)]) for x in (0, 30, 60)]
    >>> bay = find_bays(beams, 30.0)[0]
    >>> bay.gap, bay.reach > 0
    (30.0, True)
    """
    if len(lines) < 2:
        return []
    held = _sort(lines)
    weight = np.bincount(held.group, weights=held.end - held.start)
    chosen = np.flatnonzero(held.group == int(np.round(weight, 3).argmax()))
    order = chosen[np.lexsort([held.start[chosen], np.round(held.offset[chosen] / _SAME_PT)])]
    level = np.round(held.offset[order], 2)
    one, other = np.triu_indices(len(order), 1) if len(order) < 200 else _near_pairs(len(order))
    gap = level[other] - level[one]
    start = np.maximum(held.start[order[one]], held.start[order[other]])
    end = np.minimum(held.end[order[one]], held.end[order[other]])
    good = np.flatnonzero((np.abs(gap - gap_pt) < max(0.03 * gap_pt, 0.05)) & (end - start > 8.0))
    if not len(good):
        return []
    if len(good) > _MOST_BAYS:
        good = good[np.unique(np.linspace(0, len(good) - 1, _MOST_BAYS).astype(int))]
    # From the middle of the lattice outward.
    middle = (len(good) - 1) / 2
    good = good[np.argsort(np.abs(np.arange(len(good)) - middle), kind="stable")]
    along = held.along[order[0]]
    aside = np.array([-along[1], along[0]])
    bays = []
    for share in (0.5, 0.28, 0.72, 0.14, 0.86):
        for k in good.tolist():
            at = start[k] + share * (end[k] - start[k])
            x, y = at * along + (level[one[k]] + gap[k] / 2) * aside
            reach = min(at - start[k], end[k] - at)
            bays.append(
                Bay(float(x), float(y), (float(aside[0]), float(aside[1])), float(gap[k]), float(reach))
            )
    return bays


def _near_pairs(count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of positions that are not far from each other."""
    first = np.repeat(np.arange(count), 40)
    second = first + np.tile(np.arange(1, 41), count)
    return first[second < count], second[second < count]


def _readable(turn_deg: float) -> float:
    turn_deg = round(turn_deg, 3) % 180.0
    return turn_deg - 180.0 if turn_deg > 90.0 else turn_deg
