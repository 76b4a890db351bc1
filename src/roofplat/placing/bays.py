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

from roofplat.fast import compiled
from roofplat.framing.members import Grid, SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, expand, offsets, take
from roofplat.placing.loops import fill_cells, mark_edges
from roofplat.placing.scene import Boxes
from roofplat.rules import Rulebook

__all__ = ["Bays", "lay_out_bays"]

# An edge this close to the border of a bay lies on the border.
_EDGE_FT = 0.02
_ROUNDING_FT = 1e-6


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
    # A cut that is just as long as it must be is long enough, whatever the last bits say.
    least = rules.number("opening.least_ft") - _ROUNDING_FT
    columns = np.where(wanted, frames.purlins.count + 1, 0)
    rows = np.where(wanted, frames.beams.count + 1, 0)
    start = offsets(rows * columns)
    u_border, first_u = _borders(frames.purlins, frames.u_low, frames.u_high, columns)
    v_border, first_v = _borders(frames.beams, frames.v_low, frames.v_high, rows)
    # One spare cell ends each row: a stroke's end mark may fall behind the last bay.
    board = _Board(
        frames.purlins, u_border, first_u, v_border, first_v, offsets(rows * (columns + 1)), columns
    )
    strokes, parity = _marks_of_edges(frames, board, side_clear_ft, hanger)
    near = obstacles.grown(rules.number("obstacle.clear_ft"))
    strokes += _marks_of_boxes(frames, board, take(near, wanted[near.section]), side_clear_ft, hanger)
    # The running sums of both at once: cells that nothing touches, with their centres inside.
    good = (np.cumsum(strokes) == 0) & (np.cumsum(parity) % 2 == 1)
    least_across = np.where(whole_only, frames.beams.spacing - _EDGE_FT, -np.inf)
    section, row, column, u_low, u_high, v_low, v_high, clear = _cells(
        board, start, good, side_clear_ft, least_across, hanger, least
    )
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
        clear=clear,
        end_clear_ft=hanger,
        side_clear_ft=side_clear_ft,
    )


@dataclass(frozen=True, slots=True)
class _Board:
    """The cells that strokes are drawn on: those of each row of bays, and a spare one behind them."""

    grid: Grid
    u_border: FloatArray
    first_u: IntArray
    v_border: FloatArray
    first_v: IntArray
    start: IntArray
    columns: IntArray

    @property
    def size(self) -> int:
        """Number of cells."""
        return int(self.start[-1]) + 1

    def band(self, section: IntArray, line: IntArray) -> tuple[FloatArray, FloatArray]:
        """Where some rows of bays begin and end."""
        place = self.first_v[section] + line
        return self.v_border[place], self.v_border[place + 1]

    def cell(self, section: IntArray, cell: IntArray) -> tuple[FloatArray, FloatArray]:
        """Where some cells begin and end along their row."""
        place = self.first_u[section] + cell
        return self.u_border[place], self.u_border[place + 1]

    def row_start(self, section: IntArray, line: IntArray) -> IntArray:
        """The first cell of some rows."""
        return self.start[section] + line * (self.columns[section] + 1)

    def strokes(
        self, section: IntArray, row_start: IntArray, low: FloatArray, high: FloatArray, clearance: FloatArray
    ) -> IntArray:
        """What makes 1 of the running sum over cells whose inner width a range touches."""
        first = _cell(self.grid, low, section)
        first = first + (low > self.cell(section, first)[1] - clearance)
        last = _cell(self.grid, high, section)
        last = last - (high < self.cell(section, last)[0] + clearance)
        hit = np.flatnonzero(first <= last)
        start = row_start[hit]
        marks: IntArray = np.bincount(start + first[hit], minlength=self.size)
        marks -= np.bincount(start + last[hit] + 1, minlength=self.size)
        return marks


def _marks_of_edges(
    frames: SectionFrames, board: _Board, side_clear_ft: FloatArray, hanger: float
) -> tuple[IntArray, IntArray]:
    """Strokes of the outlines' edges, and where each crosses the middle of a row."""
    owner = frames.outlines.section
    loop = compiled(mark_edges)
    if loop is not None:
        beams, purlins = frames.beams, frames.purlins
        return loop(
            owner,
            frames.u0,
            frames.v0,
            frames.u1,
            frames.v1,
            beams.first,
            beams.spacing,
            beams.count,
            purlins.first,
            purlins.spacing,
            purlins.count,
            board.u_border,
            board.first_u,
            board.v_border,
            board.first_v,
            board.start,
            board.columns,
            side_clear_ft,
            hanger,
            _EDGE_FT,
            board.size,
        )
    kept = np.flatnonzero(board.columns[owner] > 0)
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
    band_low, band_high = board.band(owner, line)
    inner_low, inner_high = band_low + _EDGE_FT, band_high - _EDGE_FT
    row_start = board.row_start(owner, line)
    u0, v0, v1, level, slope = u0[edge], v0[edge], v1[edge], level[edge], slope[edge]
    v_least, v_most = v_least[edge], v_most[edge]
    # Walls are bearing lines too: no edge comes nearer to a cut than a beam may.
    touches = np.flatnonzero((v_most >= inner_low) & (v_least <= inner_high))
    low, high = inner_low[touches], inner_high[touches]
    clipped_low, clipped_high = np.clip(v_least[touches], low, high), np.clip(v_most[touches], low, high)
    begin, run, flat = u0[touches], slope[touches], level[touches]
    at_low = np.where(flat, begin, begin + (clipped_low - v0[touches]) * run)
    at_high = np.where(flat, u1[edge[touches]], begin + (clipped_high - v0[touches]) * run)
    strokes = board.strokes(
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
    low, high = board.cell(owner_of, cell)
    beyond = crossing >= (low + high) / 2
    return strokes, np.bincount(row_start[straddles] + cell + beyond, minlength=board.size)


def _marks_of_boxes(
    frames: SectionFrames, board: _Board, near: Boxes, side_clear_ft: FloatArray, hanger: float
) -> IntArray:
    """Strokes of obstacles with their clearance."""
    first = _cell(frames.beams, near.v_low, near.section)
    last = _cell(frames.beams, near.v_high, near.section)
    box, step = expand(last - first + 1)
    line = first[box] + step
    owner = near.section[box]
    band_low, band_high = board.band(owner, line)
    side = side_clear_ft[owner]
    touches = np.flatnonzero((near.v_high[box] > band_low + side) & (near.v_low[box] < band_high - side))
    box, owner = box[touches], owner[touches]
    return board.strokes(
        owner,
        board.row_start(owner, line[touches]),
        near.u_low[box],
        near.u_high[box],
        np.full(touches.size, hanger),
    )


def _cells(
    board: _Board,
    start: IntArray,
    good: npt.NDArray[np.bool_],
    side_clear_ft: FloatArray,
    least_across_ft: FloatArray,
    hanger: float,
    least: float,
) -> tuple[
    IntArray, IntArray, IntArray, FloatArray, FloatArray, FloatArray, FloatArray, npt.NDArray[np.bool_]
]:
    """Section, row and column of every bay, where it lies, and whether it is clear."""
    loop = compiled(fill_cells)
    if loop is not None:
        return loop(
            start,
            board.columns,
            board.u_border,
            board.first_u,
            board.v_border,
            board.first_v,
            board.start,
            good,
            side_clear_ft,
            least_across_ft,
            hanger,
            least,
        )
    section, number = expand(np.diff(start))
    row, column = np.divmod(number, np.maximum(board.columns[section], 1))
    u_low, u_high = board.cell(section, column)
    v_low, v_high = board.band(section, row)
    across = v_high - v_low
    clear = (u_high - u_low - 2 * hanger >= least) & (across - 2 * side_clear_ft[section] >= least)
    clear &= (across >= least_across_ft[section]) & good[board.row_start(section, row) + column]
    return section, row, column, u_low, u_high, v_low, v_high, clear


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
