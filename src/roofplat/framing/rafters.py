"""Members of pitched roofs: rafters or trusses down the slope, ridges, hips and valleys.

In: `Pitched`, spacings, the sections' ids.
Out: the planes as outlines of their own, the members on them, and rows for the tables `planes` and
    `members`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.member_rows import MemberRows, kind_numbers
from roofplat.framing.members import SectionFrames, scan, section_frames
from roofplat.framing.outline import Outlines
from roofplat.framing.planes import ROOF_LINES, Pitched, Planes
from roofplat.framing.ragged import FloatArray, IntArray, chunks, offsets
from roofplat.late import LateTable, late_table
from roofplat.tables import BASES, MEMBER_KINDS, words
from roofplat.wkb import polygons

__all__ = [
    "Rafters",
    "outlines_of_planes",
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

    start
        First member of each plane and the end, shape (p + 1,).
    across_ft
        v of each in its plane's own coordinates, shape (k,): see `plane_frames`.
    upper_ft, lower_ft
        u of its ends.
    at_ridge
        True where the upper end leans on a ridge.
    sine, cosine
        Of the direction down each plane, shape (p,).
    """

    start: IntArray
    across_ft: FloatArray
    upper_ft: FloatArray
    lower_ft: FloatArray
    at_ridge: npt.NDArray[np.bool_]
    sine: FloatArray
    cosine: FloatArray

    @property
    def plane(self) -> IntArray:
        """Index into `Planes`, shape (k,)."""
        return np.repeat(np.arange(self.sine.size), np.diff(self.start))

    def ends_ft(self, planes: slice) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """East and north of the upper end and of the lower one, of the members of some planes.

        On the local plane of the section.
        """
        low, high = self.start[planes.start], self.start[planes.stop]
        counts = np.diff(self.start[planes.start : planes.stop + 1])
        sine, cosine = np.repeat(self.sine[planes], counts), np.repeat(self.cosine[planes], counts)
        across, upper, lower = (values[low:high] for values in (self.across_ft, self.upper_ft, self.lower_ft))
        east, north = across * cosine, across * sine
        return upper * sine - east, upper * cosine + north, lower * sine - east, lower * cosine + north


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


def plane_frames(pitched: Pitched, outlines: Outlines, spacing_ft: FloatArray) -> SectionFrames:
    """Planes in their own coordinates: u down the slope, v to the left of it.

    Parameters
    ----------
    pitched
        p planes of n sections.
    outlines
        The sections.
    spacing_ft
        Of the members down the slope, shape (n,); NaN or 0 for none.

    Returns
    -------
    SectionFrames
        Of p "sections", whose beams are the members.
    """
    planes = pitched.planes
    spacing = np.where(spacing_ft > 0, spacing_ft, np.nan)[planes.section]
    nothing = np.full(planes.count, np.nan)
    return section_frames(
        outlines_of_planes(planes, outlines), planes.downslope_deg, spacing, nothing, least_section_ft=0.0
    )


def rafters(pitched: Pitched, outlines: Outlines, spacing_ft: FloatArray) -> Rafters:
    """Lay members down the slope of every plane, centred on it and clipped to it.

    Parameters
    ----------
    pitched
        p planes of n sections.
    outlines
        The sections.
    spacing_ft
        Centre to centre, shape (n,); NaN or 0 for none.

    Returns
    -------
    Rafters
        A plane that is not convex may carry two pieces on one line.
    """
    frames = plane_frames(pitched, outlines, spacing_ft)
    # A line that crosses every side of its plane; what is not filled takes no memory.
    most = int((frames.beams.count * (np.diff(frames.outlines.start) // 2)).sum())
    across, upper, lower = np.empty((3, most))
    at_ridge = np.empty(most, dtype=bool)
    climb = np.abs(frames.u1 - frames.u0)
    level = climb < _LEVEL_SHARE * np.hypot(climb, frames.v1 - frames.v0)
    # Above the eave a level edge is a ridge, or the high edge of a roof of one plane.
    above = np.minimum(frames.u0, frames.u1) < frames.u_high[frames.outlines.section] - _LEVEL_SHARE
    ridge = level & above
    counts = np.zeros(frames.count, dtype=np.int64)
    filled = 0
    for rows in chunks(frames.count, _CHUNK):
        part = frames.rows(rows)
        runs = scan(part, part.beams, "u")
        here = slice(filled, filled + runs.section.size)
        across[here], upper[here], lower[here] = runs.position, runs.low, runs.high
        at_ridge[here] = ridge[runs.low_edge + frames.outlines.start[rows.start]]
        counts[rows] = np.bincount(runs.section, minlength=part.count)
        filled = here.stop
    return Rafters(
        start=offsets(counts),
        across_ft=across[:filled],
        upper_ft=upper[:filled],
        lower_ft=lower[:filled],
        at_ridge=at_ridge[:filled],
        sine=frames.sine,
        cosine=frames.cosine,
    )


def rafter_counts(pitched: Pitched, members: Rafters, trusses: npt.NDArray[np.bool_]) -> IntArray:
    """Members down the slope of each section.

    Parameters
    ----------
    pitched
        p planes of n sections.
    members
        As laid out.
    trusses
        True where the family has trusses, shape (n,): the two lines that meet at a ridge are then
        one truss.

    Returns
    -------
    ndarray of int
        Shape (n,).
    """
    count = pitched.found.size
    first = members.start[pitched.planes.start]
    lines = np.diff(first)
    has_ridge = np.bincount(pitched.lines.section[pitched.lines.kind == 0], minlength=count) > 0
    at_ridge = np.zeros(count, dtype=np.int64)
    some = np.flatnonzero(lines)
    if some.size:
        at_ridge[some] = np.add.reduceat(members.at_ridge, first[some], dtype=np.int64)
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


def pitched_members(
    pitched: Pitched,
    outlines: Outlines,
    members: Rafters,
    room: FloatArray,
    *,
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
    outlines
        The sections.
    members
        Members down the slope.
    room
        Is filled from the front with the ends of all lines, row after row, as `members_table` wants them.
    count
        How many members go down the slope, of `rafter_counts`, shape (n,).
    name
        What the family calls the members down the slope, shape (n,).
    spacing_ft, spacing_basis
        Of them, and its number in `tables.BASES`, shape (n,).

    Returns
    -------
    list of MemberRows
        Kind after kind.
    """
    tables = []
    lines, planes = pitched.lines, pitched.planes
    filled = 0
    for kind, line in enumerate(ROOF_LINES):
        rows = np.flatnonzero(lines.kind == kind)
        ends = (lines.east0[rows], lines.north0[rows], lines.east1[rows], lines.north1[rows])
        section = lines.section[rows]
        room[filled : filled + rows.size] = outlines.planes.crs_ends(ends, section)
        filled += rows.size
        pieces = np.bincount(section, minlength=outlines.count)
        owner = np.flatnonzero(pieces)
        tables.append(
            MemberRows(
                section=owner,
                kind=np.full(owner.size, MEMBER_KINDS.index(line)),
                count=pieces[owner],
                spacing_ft=np.full(owner.size, np.nan),
                basis=pitched.layout_basis[owner],
                pieces=pieces[owner],
            )
        )
    for some in chunks(planes.count, _CHUNK):
        section = np.repeat(planes.section[some], np.diff(members.start[some.start : some.stop + 1]))
        room[filled : filled + section.size] = outlines.planes.crs_ends(members.ends_ft(some), section)
        filled += section.size
    pieces = np.diff(members.start[planes.start])
    owner = np.flatnonzero(pieces)
    tables.append(
        MemberRows(
            section=owner,
            kind=kind_numbers(name)[owner],
            count=count[owner],
            spacing_ft=spacing_ft[owner],
            basis=np.maximum(pitched.layout_basis, spacing_basis)[owner],
            pieces=pieces[owner],
        )
    )
    return tables
