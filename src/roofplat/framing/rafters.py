"""Members of pitched roofs: rafters or trusses down the slope, ridges, hips and valleys.

In: `Pitched`, spacings, the sections' ids.
Out: the planes as outlines of their own, the members on them, and rows for the tables `planes` and
    `members`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.member_rows import Ends, MemberRows, kind_numbers
from roofplat.framing.members import SectionFrames, scan, section_frames
from roofplat.framing.outline import Outlines
from roofplat.framing.planes import ROOF_LINES, Pitched, Planes
from roofplat.framing.ragged import FloatArray, IntArray, chunks, offsets
from roofplat.late import LateTable, late_table
from roofplat.tables import BASES, MEMBER_KINDS, words
from roofplat.wkb import Packed, packed_multilines, polygons

__all__ = [
    "Rafters",
    "lay_rafters",
    "outlines_of_planes",
    "pitched_lines",
    "pitched_members",
    "plane_frames",
    "planes_table",
    "rafter_counts",
    "rafters",
]

_CHUNK = 2_000
# An edge of a plane that climbs by less than this share of its length is level, as a ridge is.
_LEVEL_SHARE = 0.1


@dataclass(frozen=True, slots=True)
class Rafters:
    """k members down the slope, sorted by plane, place across it, and height.

    plane
        Index of the plane, shape (k,).
    across_ft
        v of each in its plane's own coordinates, shape (k,): see `plane_frames`.
    upper_ft, lower_ft
        u of its ends.
    at_ridge
        True where the upper end leans on a ridge.
    sine, cosine, hand
        Of the direction down each plane, and 1 where v runs to the left of it, else -1, shape (p,).
    """

    plane: IntArray
    across_ft: FloatArray
    upper_ft: FloatArray
    lower_ft: FloatArray
    at_ridge: npt.NDArray[np.bool_]
    sine: FloatArray
    cosine: FloatArray
    hand: FloatArray

    def ends_ft(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """East and north of each upper end, and of each lower one, on the local plane of the section."""
        sine, cosine = self.sine[self.plane], self.cosine[self.plane]
        left = self.across_ft * self.hand[self.plane]
        east, north = left * cosine, left * sine
        return (
            self.upper_ft * sine - east,
            self.upper_ft * cosine + north,
            self.lower_ft * sine - east,
            self.lower_ft * cosine + north,
        )


def outlines_of_planes(planes: Planes, outlines: Outlines) -> Outlines:
    """Planes as outlines, each with the local plane of its section.

    Parameters
    ----------
    planes
        p planes of n sections.
    outlines
        The sections.

    Returns
    -------
    Outlines
        Of p "sections"; edge k runs from corner k of the planes to the next one.
    """
    local = outlines.planes
    owner = np.repeat(np.arange(planes.count), np.diff(planes.corner_start))
    following = np.arange(1, owner.size + 1)
    following[planes.corner_start[1:] - 1] = planes.corner_start[:-1]
    return Outlines(
        planes=replace(
            local,
            origin_x=local.origin_x[planes.section],
            origin_y=local.origin_y[planes.section],
            to_crs=local.to_crs[planes.section],
            to_feet=local.to_feet[planes.section],
        ),
        section=owner,
        start=planes.corner_start,
        shell=np.ones(owner.size, dtype=bool),
        following=following,
        east0=planes.east,
        north0=planes.north,
        east1=planes.east[following],
        north1=planes.north[following],
    )


def plane_frames(
    pitched: Pitched, outlines: Outlines, spacing_ft: FloatArray, *, street_deg: FloatArray | None = None
) -> SectionFrames:
    """Planes in their own coordinates: u down the slope, v along the eave and away from the street.

    Parameters
    ----------
    pitched
        p planes of n sections.
    outlines
        The sections.
    spacing_ft
        Of the members down the slope, shape (n,); NaN or 0 for none.
    street_deg
        True direction to the street, shape (n,): see `section_frames`.

    Returns
    -------
    SectionFrames
        Of p "sections", whose beams are the members.
    """
    planes = pitched.planes
    spacing = np.where(spacing_ft > 0, spacing_ft, np.nan)[planes.section]
    nothing = np.full(planes.count, np.nan)
    return section_frames(
        outlines_of_planes(planes, outlines),
        planes.downslope_deg,
        spacing,
        nothing,
        least_section_ft=0.0,
        street_deg=None if street_deg is None else street_deg[planes.section],
        one_way=True,
    )


def rafters(frames: SectionFrames, planes: slice | None = None) -> Rafters:
    """Lay members down the slope of planes, centred on each and clipped to it.

    Parameters
    ----------
    frames
        p planes, from `plane_frames`.
    planes
        Those asked for; all where none are named.

    Returns
    -------
    Rafters
        Of the planes asked for, counted from the first of them. A plane that is not convex may carry two
        pieces on one line.
    """
    part = frames.rows(planes or slice(0, frames.count))
    runs = scan(part, part.beams, "u")
    climb = np.abs(part.u1 - part.u0)
    level = climb < _LEVEL_SHARE * np.hypot(climb, part.v1 - part.v0)
    # Above the eave a level edge is a ridge, or the high edge of a roof of one plane.
    above = np.minimum(part.u0, part.u1) < part.u_high[part.outlines.section] - _LEVEL_SHARE
    return Rafters(
        plane=runs.section,
        across_ft=runs.position,
        upper_ft=runs.low,
        lower_ft=runs.high,
        at_ridge=(level & above)[runs.low_edge],
        sine=part.sine,
        cosine=part.cosine,
        hand=part.hand,
    )


def rafter_counts(
    pitched: Pitched, lines: IntArray, at_ridge: IntArray, trusses: npt.NDArray[np.bool_]
) -> IntArray:
    """Members down the slope of each section.

    Parameters
    ----------
    pitched
        p planes of n sections.
    lines, at_ridge
        How many lines each section has, and how many of them lean on a ridge, shape (n,).
    trusses
        True where the family has trusses, shape (n,): the two lines that meet at a ridge are then
        one truss.

    Returns
    -------
    ndarray of int
        Shape (n,).
    """
    count = pitched.found.size
    has_ridge = np.bincount(pitched.lines.section[pitched.lines.kind == 0], minlength=count) > 0
    return lines - np.where(trusses & has_ridge, at_ridge // 2, 0)


def planes_table(pitched: Pitched, outlines: Outlines, ids: pd.DataFrame, crs: object) -> LateTable:
    """Planes as a table.

    Parameters
    ----------
    pitched
        p planes of n sections.
    outlines
        The sections.
    ids
        `building_id` and `section_id`, n rows.
    crs
        The working CRS.

    Returns
    -------
    LateTable
        `tables.TABLES["planes"]`, p rows.
    """
    planes = pitched.planes
    owner = planes.section
    frame: dict[str, Any] = {name: ids[name].array.take(owner) for name in ("building_id", "section_id")}
    frame["plane"] = np.arange(owner.size) - planes.start[owner] + 1
    frame["downslope_deg"] = planes.downslope_deg
    frame["slope_deg"] = pitched.slope_deg[owner]
    frame["area_ft2"] = planes.area_ft2
    frame["true_area_ft2"] = planes.true_area_ft2
    frame["basis"] = words(BASES, np.maximum(pitched.layout_basis, pitched.slope_basis)[owner])
    size = np.diff(planes.corner_start)
    corner_section = np.repeat(owner, size)
    x, y = outlines.planes.crs(planes.east, planes.north, corner_section)
    # Closed rings: each plane's first corner is repeated after its last one.
    vertex = np.insert(np.arange(x.size), planes.corner_start[1:], planes.corner_start[:-1])
    return late_table("planes", frame, polygons(x[vertex], y[vertex], offsets(size + 1)), crs)


def lay_rafters(
    pitched: Pitched, outlines: Outlines, spacing_ft: FloatArray, *, street_deg: FloatArray | None = None
) -> tuple[IntArray, IntArray, Packed]:
    """Members down all slopes.

    Parameters
    ----------
    pitched
        p planes of n sections.
    outlines
        The sections.
    spacing_ft
        Centre to centre, shape (n,); NaN or 0 for none.
    street_deg
        True direction to the street, shape (n,): see `section_frames`.

    Returns
    -------
    lines, at_ridge
        How many lines each section has, and how many of them lean on a ridge, shape (n,).
    drawn
        The lines of each section that has some, in the working CRS.
    """
    frames = plane_frames(pitched, outlines, spacing_ft, street_deg=street_deg)
    start = pitched.planes.start
    lines, at_ridge = np.zeros((2, outlines.count), dtype=np.int64)

    def portions() -> Iterator[tuple[Ends, IntArray]]:
        for rows in chunks(outlines.count, _CHUNK):
            planes = slice(int(start[rows.start]), int(start[rows.stop]))
            laid = rafters(frames, planes)
            section = pitched.planes.section[planes][laid.plane]
            lines[rows] = np.bincount(section - rows.start, minlength=rows.stop - rows.start)
            at_ridge[rows] = np.bincount(
                section[laid.at_ridge] - rows.start, minlength=rows.stop - rows.start
            )
            here = lines[rows]
            yield outlines.planes.crs_ends(laid.ends_ft(), section), here[here > 0]

    drawn = packed_multilines(portions())
    return lines, at_ridge, drawn


def pitched_members(
    pitched: Pitched,
    *,
    lines: IntArray,
    count: IntArray,
    name: npt.NDArray[np.object_],
    spacing_ft: FloatArray,
    spacing_basis: IntArray,
) -> list[MemberRows]:
    """Ridges, hips, valleys and the members down the slope, one row a section and kind.

    Parameters
    ----------
    pitched
        p planes of n sections.
    lines
        Lines down the slope of each section, shape (n,).
    count
        How many members they are, of `rafter_counts`, shape (n,).
    name
        What the family calls the members down the slope, shape (n,).
    spacing_ft, spacing_basis
        Of them, and its number in `tables.BASES`, shape (n,).

    Returns
    -------
    list of MemberRows
        Kind after kind, as `pitched_lines` and then `lay_rafters` draw them.
    """
    tables = []
    for kind, line in enumerate(ROOF_LINES):
        pieces = np.bincount(pitched.lines.section[pitched.lines.kind == kind], minlength=lines.size)
        owner = np.flatnonzero(pieces)
        tables.append(
            MemberRows(
                section=owner,
                kind=np.full(owner.size, MEMBER_KINDS.index(line)),
                count=pieces[owner],
                spacing_ft=np.full(owner.size, np.nan),
                basis=pitched.layout_basis[owner],
            )
        )
    owner = np.flatnonzero(lines)
    tables.append(
        MemberRows(
            section=owner,
            kind=kind_numbers(name)[owner],
            count=count[owner],
            spacing_ft=spacing_ft[owner],
            basis=np.maximum(pitched.layout_basis, spacing_basis)[owner],
        )
    )
    return tables


def pitched_lines(pitched: Pitched, outlines: Outlines) -> Iterator[tuple[Ends, IntArray]]:
    """Ridges, then hips, then valleys: their ends in the working CRS, and how many each section has.

    Sections that have none of a kind are left out, as `wkb.packed_multilines` takes them.
    """
    lines = pitched.lines
    for kind in range(len(ROOF_LINES)):
        rows = np.flatnonzero(lines.kind == kind)
        ends = (lines.east0[rows], lines.north0[rows], lines.east1[rows], lines.north1[rows])
        section = lines.section[rows]
        pieces = np.bincount(section)
        yield outlines.planes.crs_ends(ends, section), pieces[pieces > 0]
