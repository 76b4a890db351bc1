"""Beams and purlins: a regular grid in each section's own frame, clipped to its outline.

In: outlines, the azimuth of the beams, spacings.
Out: `SectionFrames`: the outline and the grid in section coordinates; `Runs`: the pieces of
    the grid lines that lie inside the outline.

Section coordinates: u runs along the beams, v across them, both in ground feet from the section's
centroid and away from its street. So what a street tells apart is the same whichever way a building
is turned, and in its mirror image: the low end of the beams is the one toward the street, and among
equals the lower u or v is the one nearer to it. Beams lie on lines of constant v, centred in the
section; purlins on lines of constant u, counted from the low ends of the beams. A roof of joists has
some of its joists for beams, and for purlins lines that only measure out its bays: nothing bears
along those.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from roofplat.fast import compiled
from roofplat.framing.loops import clip_lines
from roofplat.framing.order import by_owner
from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import FloatArray, IntArray, marked, offsets

__all__ = [
    "Grid",
    "Runs",
    "SectionFrames",
    "fill_in",
    "lay_out_grid",
    "scan",
    "section_frames",
    "without_grid",
]

# A grid line closer than this to the section's end is the end itself.
_END_FT = 0.05
_LEAST_PIECE_FT = 0.01
# Nobody lays out so many lines; what asks for them is told apart after they are counted.
_MOST_LINES = 2.0**31
# A street at right angles to a direction, within so little of its sine, tells its ends no more apart than
# extents do that reach equally far, within so much.
_ASIDE, _EVEN_FT = 1e-3, 0.01
# An edge that leaves its direction by less than this, end to end, is square to the framing.
_SQUARE_FT = 0.1


@dataclass(frozen=True, slots=True)
class Grid:
    """Equally spaced lines in each of n sections: position = first + spacing x number."""

    first: FloatArray
    spacing: FloatArray
    count: IntArray


@dataclass(frozen=True, slots=True)
class SectionFrames:
    """n sections in their own coordinates.

    outlines
        Edges in feet east and north.
    sine, cosine
        Of the azimuth that u runs along: the beams' own, or the opposite one, shape (n,).
    hand
        1 where v runs to the left of u, -1 where it runs to the right, shape (n,).
    u0, v0, u1, v1
        Ends of the edges in section coordinates, shape (m,).
    u_low, u_high, v_low, v_high
        Extent of each section, shape (n,).
    beams, purlins
        The grid; empty (count 0) for a section without one.
    purlins_bear
        False where the lines across the beams are no members, shape (n,).
    stretch
        For planes of pitched roofs: how much longer u is along the slope than seen from above, so
        that u counts true feet; None where u is level. Shape (n,).
    """

    outlines: Outlines
    sine: FloatArray
    cosine: FloatArray
    hand: FloatArray
    u0: FloatArray
    v0: FloatArray
    u1: FloatArray
    v1: FloatArray
    u_low: FloatArray
    u_high: FloatArray
    v_low: FloatArray
    v_high: FloatArray
    beams: Grid
    purlins: Grid
    purlins_bear: npt.NDArray[np.bool_]
    stretch: FloatArray | None = None

    @property
    def count(self) -> int:
        """Number of sections."""
        return self.outlines.count

    def slanted(self) -> npt.NDArray[np.bool_]:
        """Sections with an edge that runs neither along the beams nor across them, shape (n,)."""
        off = np.minimum(np.abs(self.u1 - self.u0), np.abs(self.v1 - self.v0))
        return marked(self.outlines.section[off > _SQUARE_FT], self.count)

    def uv(
        self, east_ft: FloatArray, north_ft: FloatArray, section: npt.NDArray[Any]
    ) -> tuple[FloatArray, FloatArray]:
        """Feet east and north to section coordinates, shape (m,)."""
        sine, cosine, hand = self.sine[section], self.cosine[section], self.hand[section]
        u, v = east_ft * sine + north_ft * cosine, (north_ft * sine - east_ft * cosine) * hand
        return (u if self.stretch is None else u * self.stretch[section]), v

    def east_north(
        self, u: FloatArray, v: FloatArray, section: npt.NDArray[Any]
    ) -> tuple[FloatArray, FloatArray]:
        """Section coordinates to feet east and north, shape (m,)."""
        sine, cosine = self.sine[section], self.cosine[section]
        level, left = u if self.stretch is None else u / self.stretch[section], v * self.hand[section]
        return level * sine - left * cosine, level * cosine + left * sine

    def crs(self, u: FloatArray, v: FloatArray, section: npt.NDArray[Any]) -> tuple[FloatArray, FloatArray]:
        """Section coordinates to the working CRS, shape (m,)."""
        return self.outlines.planes.crs(*self.east_north(u, v, section), section)

    def from_crs(
        self, x: FloatArray, y: FloatArray, section: npt.NDArray[Any]
    ) -> tuple[FloatArray, FloatArray]:
        """Working CRS to section coordinates, shape (m,)."""
        return self.uv(*self.outlines.planes.feet(x, y, section), section)

    def rows(self, rows: slice) -> SectionFrames:
        """The same for a run of sections, without copying."""
        edges = slice(self.outlines.start[rows.start], self.outlines.start[rows.stop])
        return SectionFrames(
            outlines=self.outlines.rows(rows),
            sine=self.sine[rows],
            cosine=self.cosine[rows],
            hand=self.hand[rows],
            u0=self.u0[edges],
            v0=self.v0[edges],
            u1=self.u1[edges],
            v1=self.v1[edges],
            u_low=self.u_low[rows],
            u_high=self.u_high[rows],
            v_low=self.v_low[rows],
            v_high=self.v_high[rows],
            beams=Grid(self.beams.first[rows], self.beams.spacing[rows], self.beams.count[rows]),
            purlins=Grid(self.purlins.first[rows], self.purlins.spacing[rows], self.purlins.count[rows]),
            purlins_bear=self.purlins_bear[rows],
            stretch=None if self.stretch is None else self.stretch[rows],
        )


@dataclass(frozen=True, slots=True)
class Runs:
    """Pieces of grid lines inside their sections, sorted by section, line and start.

    section, line
        Owner and number of the line in its grid, shape (k,).
    position
        Where the line lies: v of a beam, u of a purlin.
    low, high
        Ends of the piece along the line.
    low_edge, high_edge
        The outline edges it ends at.
    """

    section: IntArray
    line: IntArray
    position: FloatArray
    low: FloatArray
    high: FloatArray
    low_edge: IntArray
    high_edge: IntArray


def section_frames(
    outlines: Outlines,
    azimuth_deg: FloatArray,
    beam_spacing_ft: FloatArray,
    purlin_spacing_ft: FloatArray,
    *,
    least_section_ft: float | FloatArray,
    purlins_bear: npt.NDArray[np.bool_] | None = None,
    street_deg: FloatArray | None = None,
    one_way: bool = False,
) -> SectionFrames:
    """Turn outlines into section coordinates and lay out the grid.

    Parameters
    ----------
    outlines
        Edges of n sections.
    azimuth_deg
        True azimuth of the beams, shape (n,).
    beam_spacing_ft, purlin_spacing_ft
        Shape (n,); NaN for a section without beams and purlins.
    least_section_ft
        A section narrower than this either way gets no grid; for all or for each, shape (n,).
    purlins_bear
        False where the lines across the beams are no members, shape (n,); all True when not given.
    street_deg
        True direction to the street of each section, shape (n,); NaN, or None for all, where there is none.
    one_way
        Whether u runs along the azimuth and never against it, as down a slope.

    Returns
    -------
    SectionFrames

    Notes
    -----
    u and v run away from the street. Where that stands square to one of them, or there is none, this one
    runs toward where the section reaches farther from its centroid; where it reaches equally far, so that
    v is to the left of u. A section that nothing tells the ends of is its own image turned by half a
    circle, or in a mirror; u then runs along the azimuth.
    """
    sine = np.sin(np.radians(azimuth_deg))
    cosine = np.cos(np.radians(azimuth_deg))
    edge_sine, edge_cosine = sine[outlines.section], cosine[outlines.section]
    u0 = outlines.east0 * edge_sine + outlines.north0 * edge_cosine
    v0 = outlines.north0 * edge_sine - outlines.east0 * edge_cosine
    starts = outlines.start[:-1]
    u_low, u_high = np.minimum.reduceat(u0, starts), np.maximum.reduceat(u0, starts)
    v_low, v_high = np.minimum.reduceat(v0, starts), np.maximum.reduceat(v0, starts)
    off_deg = np.full(sine.size, np.nan) if street_deg is None else azimuth_deg - street_deg
    u_way, v_way = _ways(off_deg, u_low + u_high, v_low + v_high, one_way=one_way)
    sine, cosine = sine * u_way, cosine * u_way
    u0, v0 = u0 * u_way[outlines.section], v0 * v_way[outlines.section]
    u_low, u_high = np.where(u_way > 0, u_low, -u_high), np.where(u_way > 0, u_high, -u_low)
    v_low, v_high = np.where(v_way > 0, v_low, -v_high), np.where(v_way > 0, v_high, -v_low)
    # Rings are closed, so the end of an edge is the start of the one that follows.
    u1, v1 = u0[outlines.following], v0[outlines.following]
    wide_enough = np.minimum(u_high - u_low, v_high - v_low) >= least_section_ft
    beam_spacing = np.where(wide_enough, beam_spacing_ft, np.nan)
    purlin_spacing = np.where(wide_enough, purlin_spacing_ft, np.nan)
    return SectionFrames(
        outlines=outlines,
        sine=sine,
        cosine=cosine,
        hand=u_way * v_way,
        u0=u0,
        v0=v0,
        u1=u1,
        v1=v1,
        u_low=u_low,
        u_high=u_high,
        v_low=v_low,
        v_high=v_high,
        beams=lay_out_grid(v_low, v_high, beam_spacing, start="centred"),
        purlins=lay_out_grid(u_low, u_high, purlin_spacing, start="low_end"),
        purlins_bear=np.ones(outlines.count, dtype=bool) if purlins_bear is None else purlins_bear,
    )


def without_grid(frames: SectionFrames, rows: npt.NDArray[np.bool_]) -> SectionFrames:
    """The same sections, no line laid out in those of `rows`, shape (n,)."""

    def emptied(grid: Grid) -> Grid:
        return Grid(
            np.where(rows, 0.0, grid.first), np.where(rows, 1.0, grid.spacing), np.where(rows, 0, grid.count)
        )

    return replace(frames, beams=emptied(frames.beams), purlins=emptied(frames.purlins))


def _ways(
    off_deg: FloatArray, u_farther: FloatArray, v_farther: FloatArray, *, one_way: bool
) -> tuple[FloatArray, FloatArray]:
    """1 or -1 for each section: whether u runs along its azimuth, and v to the left of that azimuth.

    Parameters
    ----------
    off_deg
        The azimuth less the direction to the street, shape (n,); NaN without a street.
    u_farther, v_farther
        How much farther the section reaches along the azimuth than against it, and to the left of it than
        to the right, shape (n,).
    one_way
        Whether u keeps to the azimuth.
    """
    ways = []
    toward = np.cos(np.radians(off_deg)), np.sin(np.radians(off_deg))
    for street, farther in zip(toward, (u_farther, v_farther), strict=True):
        by_reach = np.where(np.abs(farther) > _EVEN_FT, np.sign(farther), 0.0)
        ways.append(np.where(np.abs(street) > _ASIDE, -np.sign(street), by_reach))
    u, v = (np.ones(off_deg.size), ways[1]) if one_way else ways
    # One that nothing tells goes with the other, so that v is to the left of u.
    u = np.where(u != 0, u, np.where(v != 0, v, 1.0))
    return u, np.where(v != 0, v, u)


def lay_out_grid(
    low: FloatArray, high: FloatArray, spacing: FloatArray, *, start: Literal["centred", "low_end"]
) -> Grid:
    """Lines at a spacing between two ends that are lines themselves.

    Parameters
    ----------
    low, high
        Ends, shape (n,).
    spacing
        Shape (n,); NaN gives no line.
    start
        `centred` leaves equal remainders at both ends, `low_end` counts from the low end.

    Returns
    -------
    Grid

    Examples
    --------
    >>> grid = lay_out_grid(np.array([0.0]), np.array([50.0]), np.array([20.0]), start="centred")
    >>> (grid.first + grid.spacing * np.arange(grid.count[0])).tolist()
    [15.0, 35.0]
    >>> lay_out_grid(np.array([0.0]), np.array([16.0]), np.array([8.0]), start="low_end").count.tolist()
    [1]
    """
    extent = high - low
    with np.errstate(invalid="ignore", over="ignore"):
        count = np.ceil((extent - _END_FT) / spacing) - 1
    count = np.where(np.isnan(count), 0, np.clip(count, 0, _MOST_LINES)).astype(np.int64)
    first = (low + high) / 2 - (count - 1) * spacing / 2 if start == "centred" else low + spacing
    usable = count > 0
    return Grid(np.where(usable, first, 0.0), np.where(usable, spacing, 1.0), count)


def fill_in(grid: Grid, low: FloatArray, high: FloatArray, spacing: FloatArray) -> Grid:
    """A finer grid that runs through the lines of a coarse one.

    Parameters
    ----------
    grid
        Coarse lines, their spacing a multiple of the fine one.
    low, high
        Ends of each section, which are lines themselves, shape (n,).
    spacing
        Fine spacing, shape (n,); NaN gives no line.

    Returns
    -------
    Grid
        Centred where there is no coarse line to run through.

    Examples
    --------
    >>> low, high = np.array([0.0]), np.array([24.0])
    >>> coarse = lay_out_grid(low, high, np.array([8.0]), start="centred")
    >>> fine = fill_in(coarse, low, high, np.array([2.0]))
    >>> float(fine.first[0]), int(fine.count[0])
    (2.0, 11)
    """
    centred = lay_out_grid(low, high, spacing, start="centred")
    step = centred.spacing
    first = grid.first - np.floor((grid.first - low - _END_FT) / step) * step
    count = np.floor((high - _END_FT - first) / step).astype(np.int64) + 1
    through = (grid.count > 0) & (centred.count > 0)
    return Grid(
        np.where(through, first, centred.first), step, np.where(through, np.maximum(count, 0), centred.count)
    )


def scan(frames: SectionFrames, grid: Grid, along: Literal["u", "v"]) -> Runs:
    """Clip grid lines to their sections by a scan-line pass over the edges.

    Parameters
    ----------
    frames
        n sections.
    grid
        Lines of constant v (`along="u"`) or of constant u (`along="v"`).
    along
        The coordinate that runs along the lines.

    Returns
    -------
    Runs
        Courtyards stay open: a line that meets one gives two pieces.

    Notes
    -----
    An edge owns its lower end only, so a line through a corner is counted once and the
    crossings of a line always come in pairs. A line that lies on an edge takes the side with
    the roof on it or none, never half a piece.
    """
    if along == "u":
        a0, b0, a1, b1 = frames.u0, frames.v0, frames.u1, frames.v1
    else:
        a0, b0, a1, b1 = frames.v0, frames.u0, frames.v1, frames.u1
    loop = compiled(clip_lines)
    if loop is not None:
        grid_columns = grid.first, grid.spacing, grid.count
        return Runs(*loop(frames.outlines.section, a0, b0, a1, b1, *grid_columns, _LEAST_PIECE_FT))
    # Many sections have no lines of a kind at all.
    edge = np.flatnonzero((grid.count > 0)[frames.outlines.section])
    owner, b0, b1 = frames.outlines.section[edge], b0[edge], b1[edge]
    first, spacing, count = grid.first[owner], grid.spacing[owner], grid.count[owner]
    low_line = np.ceil((np.minimum(b0, b1) - first) / spacing)
    high_line = np.ceil((np.maximum(b0, b1) - first) / spacing)
    low_line = np.clip(low_line, 0, count).astype(np.int64)
    crossings = np.clip(high_line, 0, count).astype(np.int64) - low_line
    crossed = np.flatnonzero(crossings)
    crossings, edge, owner = crossings[crossed], edge[crossed], owner[crossed]
    a0, a1, b0, b1 = a0[edge], a1[edge], b0[crossed], b1[crossed]
    line_start, start = offsets(grid.count), offsets(crossings)

    # A crossing each: its line, counted through all sections, and its place along the line.
    def each(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.repeat(values, crossings)

    number = np.arange(start[-1])
    line = number + each(low_line[crossed] - start[:-1])
    position = each(spacing[crossed])
    position *= line
    position += each(first[crossed])
    at = position - each(b0)
    at /= each(b1 - b0)
    at *= each(a1 - a0)
    at += each(a0)
    line += each(line_start[owner])

    begin, end = _in_pairs(line, at, int(line_start[-1]))
    low, high = at[begin], at[end]
    # Where a line only grazes a corner there is no member.
    long = high - low > _LEAST_PIECE_FT
    if not long.all():
        begin, end, low, high = begin[long], end[long], low[long], high[long]
    edge = each(edge)
    section = frames.outlines.section[edge[begin]]
    return Runs(
        section=section,
        line=line[begin] - line_start[section],
        position=position[begin],
        low=low,
        high=high,
        low_edge=edge[begin],
        high_edge=edge[end],
    )


def _in_pairs(line: IntArray, at: FloatArray, lines: int) -> tuple[IntArray, IntArray]:
    """Crossings at which pieces begin and end, sorted by line and place along it."""
    number = np.arange(line.size)
    first, last = np.empty(lines, dtype=np.int64), np.empty(lines, dtype=np.int64)
    # Of those that are assigned to one line the last one stays.
    last[line] = number
    first[line[::-1]] = number[::-1]
    met = np.bincount(line, minlength=lines)
    # Most lines cross an outline twice, and two need no sorting.
    twice = np.flatnonzero(met == 2)
    begin, end = first[twice], last[twice]
    swapped = at[begin] > at[end]
    begin, end = np.where(swapped, end, begin), np.where(swapped, begin, end)
    if twice.size * 2 == line.size:
        return begin, end
    often = np.flatnonzero((met > 2)[line])
    often = often[by_owner(line[often], at[often], lines)]
    begin, end = np.concatenate([begin, often[0::2]]), np.concatenate([end, often[1::2]])
    order = np.argsort(line[begin], kind="stable")
    return begin[order], end[order]
