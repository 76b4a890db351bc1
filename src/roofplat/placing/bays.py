"""Bays: the cells between neighbouring beams and purlins, and which of them can be opened.

In: section frames with their grid, obstacles.
Out: `Bays`: every cell of every section, the rectangle that may be cut in it, and whether that
    rectangle is clear of the outline and of obstacles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import Grid, SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, expand, offsets, take
from roofplat.placing.scene import Boxes
from roofplat.rules import Rulebook

__all__ = ["Bays", "lay_out_bays"]

# An edge this close to the border of a bay lies on the border.
_EDGE_FT = 0.02


@dataclass(frozen=True, slots=True)
class Bays:
    """Cells of the grids, sorted by section, then across the beams, then along them.

    start
        First bay of each section and the end, shape (n + 1,).
    columns
        Bays along the beams in each section (spaces between purlins), shape (n,).
    section
        Owner, shape (k,).
    row, column
        Number across the beams and along them.
    u_low, u_high, v_low, v_high
        The bay itself, bearing line to bearing line.
    clear
        True where the rectangle inside the clearances can be opened.
    end_clear_ft
        How far a cut keeps from the borders along the beams, for all.
    side_clear_ft
        How far a cut keeps from the beams or joists that border the bay, shape (n,).
    """

    start: IntArray
    columns: IntArray
    section: IntArray
    row: IntArray
    column: IntArray
    u_low: FloatArray
    u_high: FloatArray
    v_low: FloatArray
    v_high: FloatArray
    clear: npt.NDArray[np.bool_]
    end_clear_ft: float
    side_clear_ft: FloatArray

    def rectangle(self, bay: IntArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """What may be cut in some bays: u from and to, v from and to, each of the shape of `bay`."""
        side = self.side_clear_ft[self.section[bay]]
        return (
            self.u_low[bay] + self.end_clear_ft,
            self.u_high[bay] - self.end_clear_ft,
            self.v_low[bay] + side,
            self.v_high[bay] - side,
        )


def lay_out_bays(
    frames: SectionFrames,
    wanted: npt.NDArray[np.bool_],
    obstacles: Boxes,
    rules: Rulebook,
    *,
    side_clear_ft: FloatArray,
    whole_only: npt.NDArray[np.bool_],
) -> Bays:
    """Lay out the bays and find the clear ones.

    Parameters
    ----------
    frames
        n sections.
    wanted
        True for a section whose bays are wanted, shape (n,).
    obstacles
        Boxes of what must not be cut, without clearance.
    rules
        `opening.hanger_clear_ft`, `opening.least_ft`, `obstacle.clear_ft`.
    side_clear_ft
        How far a cut keeps from the beams or joists that border the bay, and from walls, shape (n,).
    whole_only
        True where a bay cut short by the section's end is none, shape (n,): its joists do not lie
        where those of a whole bay do.

    Returns
    -------
    Bays

    Notes
    -----
    Edges and obstacles are drawn onto the cells like strokes onto a raster: for each row of bays
    an edge passes, the range of cells it touches is marked in a running sum. A cell is clear when
    no edge touches its rectangle, its centre is inside the outline and no obstacle is near.
    """
    hanger = rules.number("opening.hanger_clear_ft")
    least = rules.number("opening.least_ft")
    columns = np.where(wanted, frames.purlins.count + 1, 0)
    rows = np.where(wanted, frames.beams.count + 1, 0)
    start = offsets(rows * columns)
    section, number = expand(rows * columns)
    row, column = np.divmod(number, np.maximum(columns[section], 1))
    u_border, first_u = _borders(frames.purlins, frames.u_low, frames.u_high, columns)
    v_border, first_v = _borders(frames.beams, frames.v_low, frames.v_high, rows)
    at_u, at_v = first_u[section] + column, first_v[section] + row
    u_low, u_high = u_border[at_u], u_border[at_u + 1]
    v_low, v_high = v_border[at_v], v_border[at_v + 1]

    # One spare cell ends each row: a stroke's end mark may fall behind the last bay.
    stroke_start = offsets(rows * (columns + 1))
    board = _Board(frames.purlins, u_border, first_u, stroke_start, columns)
    owner = frames.outlines.section
    kept = np.flatnonzero(wanted[owner])
    owner = owner[kept]
    u0, v0, u1, v1 = frames.u0[kept], frames.v0[kept], frames.u1[kept], frames.v1[kept]
    v_least, v_most = np.minimum(v0, v1), np.maximum(v0, v1)
    rise = v1 - v0
    level = np.abs(rise) < 1e-9
    slope = np.where(level, 0.0, (u1 - u0) / np.where(level, 1.0, rise))
    first = _cell(frames.beams, v_least, owner)
    last = _cell(frames.beams, v_most, owner)
    # Where joists lie far apart a wall at the bay's own end is near enough.
    clearance = np.maximum(hanger - side_clear_ft[owner], 0.0) + _EDGE_FT
    edge, step = expand(last - first + 1)
    line = first[edge] + step
    owner = owner[edge]
    at_band = first_v[owner] + line
    band_low, band_high = v_border[at_band], v_border[at_band + 1]
    inner_low, inner_high = band_low + _EDGE_FT, band_high - _EDGE_FT
    row_start = stroke_start[owner] + line * (columns[owner] + 1)
    u0, v0, v1, level, slope = u0[edge], v0[edge], v1[edge], level[edge], slope[edge]
    v_least, v_most = v_least[edge], v_most[edge]
    # Walls are bearing lines too: no edge comes nearer to a cut than a beam may.
    touches = np.flatnonzero((v_most >= inner_low) & (v_least <= inner_high))
    low, high = inner_low[touches], inner_high[touches]
    clipped_low, clipped_high = np.clip(v_least[touches], low, high), np.clip(v_most[touches], low, high)
    begin, run, flat = u0[touches], slope[touches], level[touches]
    at_low = np.where(flat, begin, begin + (clipped_low - v0[touches]) * run)
    at_high = np.where(flat, u1[edge[touches]], begin + (clipped_high - v0[touches]) * run)
    of_edges = board.strokes(
        owner[touches],
        row_start[touches],
        np.minimum(at_low, at_high),
        np.maximum(at_low, at_high),
        clearance[edge[touches]],
    )
    middle = (band_low + band_high) / 2
    straddles = np.flatnonzero((v0 <= middle) != (v1 <= middle))
    crossing = u0[straddles] + (middle - v0)[straddles] * slope[straddles]
    owner_of = owner[straddles]
    cell = _cell(frames.purlins, crossing, owner_of)
    low, high = board.borders(owner_of, cell)
    parity = np.bincount(row_start[straddles] + cell + (crossing >= (low + high) / 2), minlength=board.size)

    near = obstacles.grown(rules.number("obstacle.clear_ft"))
    near = take(near, wanted[near.section])
    first = _cell(frames.beams, near.v_low, near.section)
    last = _cell(frames.beams, near.v_high, near.section)
    box, step = expand(last - first + 1)
    line = first[box] + step
    owner = near.section[box]
    at_band = first_v[owner] + line
    band_low = v_border[at_band] + side_clear_ft[owner]
    band_high = v_border[at_band + 1] - side_clear_ft[owner]
    touches = np.flatnonzero((near.v_high[box] > band_low) & (near.v_low[box] < band_high))
    box, owner = box[touches], owner[touches]
    of_boxes = board.strokes(
        owner,
        stroke_start[owner] + line[touches] * (columns[owner] + 1),
        near.u_low[box],
        near.u_high[box],
        np.full(touches.size, hanger),
    )

    place = stroke_start[section] + row * (columns[section] + 1) + column
    # The running sums of both at once: cells that nothing touches, with their centres inside.
    good = (np.cumsum(of_edges + of_boxes) == 0) & (np.cumsum(parity) % 2 == 1)
    across = v_high - v_low
    big_enough = (u_high - u_low - 2 * hanger >= least) & (across - 2 * side_clear_ft[section] >= least)
    big_enough &= ~whole_only[section] | (across >= frames.beams.spacing[section] - _EDGE_FT)
    return Bays(
        start=start,
        columns=columns,
        section=section,
        row=row,
        column=column,
        u_low=u_low,
        u_high=u_high,
        v_low=v_low,
        v_high=v_high,
        clear=good[place] & big_enough,
        end_clear_ft=hanger,
        side_clear_ft=side_clear_ft,
    )


@dataclass(frozen=True, slots=True)
class _Board:
    """The cells that strokes are drawn on: those of each row of bays, and a spare one behind them."""

    grid: Grid
    border: FloatArray
    first: IntArray
    start: IntArray
    columns: IntArray

    @property
    def size(self) -> int:
        """Number of cells."""
        return int(self.start[-1]) + 1

    def borders(self, section: IntArray, cell: IntArray) -> tuple[FloatArray, FloatArray]:
        """Where some cells begin and end."""
        place = self.first[section] + cell
        return self.border[place], self.border[place + 1]

    def strokes(
        self, section: IntArray, row_start: IntArray, low: FloatArray, high: FloatArray, clearance: FloatArray
    ) -> IntArray:
        """What makes 1 of the running sum over cells whose inner width a range touches."""
        first = _cell(self.grid, low, section)
        first = first + (low > self.borders(section, first)[1] - clearance)
        last = _cell(self.grid, high, section)
        last = last - (high < self.borders(section, last)[0] + clearance)
        hit = np.flatnonzero(first <= last)
        start = row_start[hit]
        marks: IntArray = np.bincount(start + first[hit], minlength=self.size)
        marks -= np.bincount(start + last[hit] + 1, minlength=self.size)
        return marks


def _borders(grid: Grid, low: FloatArray, high: FloatArray, bays: IntArray) -> tuple[FloatArray, IntArray]:
    """Borders of each section's bays one way, one more than bays, and where they start."""
    count = np.where(bays > 0, bays + 1, 0)
    section, number = expand(count)
    return _line(grid, low, high, section, number), offsets(count)[:-1]


def _line(
    grid: Grid, low: FloatArray, high: FloatArray, section: npt.NDArray[Any], number: npt.NDArray[Any]
) -> FloatArray:
    """Position of bay boundary `number`: the low end, the grid lines, the high end."""
    count = grid.count[section]
    position = grid.first[section] + grid.spacing[section] * (number - 1)
    position = np.where(number <= 0, low[section], position)
    result: FloatArray = np.where(number > count, high[section], position)
    return result


def _cell(grid: Grid, at: FloatArray, section: npt.NDArray[Any]) -> IntArray:
    """Number of the bay that holds a coordinate."""
    number = np.floor((at - grid.first[section]) / grid.spacing[section]).astype(np.int64) + 1
    result: IntArray = np.clip(number, 0, grid.count[section])
    return result
