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
from roofplat.framing.ragged import FloatArray, IntArray, chunks, offsets, stack, sums
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
    """Members down the slope, sorted by plane, place across it, and height.

    plane
        Index into `Planes`, shape (k,).
    east0, north0
        Upper end, on the section's local plane.
    east1, north1
        Lower end.
    at_ridge
        True where the upper end leans on a ridge.
    """

    plane: IntArray
    east0: FloatArray
    north0: FloatArray
    east1: FloatArray
    north1: FloatArray
    at_ridge: npt.NDArray[np.bool_]


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
    if pitched.planes.count == 0:
        empty = np.empty(0)
        return Rafters(empty.astype(np.int64), empty, empty, empty, empty, empty.astype(bool))
    frames = plane_frames(pitched, outlines, spacing_ft)
    return stack([_rafters(frames, rows) for rows in chunks(frames.count, _CHUNK)])


def _rafters(frames: SectionFrames, rows: slice) -> Rafters:
    part = frames.rows(rows)
    runs = scan(part, part.beams, "u")
    sine, cosine = part.sine[runs.section], part.cosine[runs.section]
    beside_east, beside_north = runs.position * cosine, runs.position * sine
    climb = np.abs(part.u1 - part.u0)
    level = climb < _LEVEL_SHARE * np.hypot(climb, part.v1 - part.v0)
    # Above the eave a level edge is a ridge, or the high edge of a roof of one plane.
    above = np.minimum(part.u0, part.u1) < part.u_high[part.outlines.section] - _LEVEL_SHARE
    return Rafters(
        plane=runs.section + rows.start,
        east0=runs.low * sine - beside_east,
        north0=runs.low * cosine + beside_north,
        east1=runs.high * sine - beside_east,
        north1=runs.high * cosine + beside_north,
        at_ridge=(above & level)[runs.low_edge],
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
    section = pitched.planes.section[members.plane]
    lines = np.bincount(section, minlength=count)
    has_ridge = np.bincount(pitched.lines.section[pitched.lines.kind == 0], minlength=count) > 0
    at_ridge = sums(members.at_ridge.astype(float), section, count).astype(np.int64)
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
    count
        How many, of `rafter_counts`, shape (n,).
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
    for kind, line in enumerate(ROOF_LINES):
        rows = lines.kind == kind
        ends = (lines.east0[rows], lines.north0[rows], lines.east1[rows], lines.north1[rows])
        owner, pieces, drawn = _multi_lines(outlines, lines.section[rows], ends)
        tables.append(
            MemberRows(
                section=owner,
                kind=np.full(owner.size, MEMBER_KINDS.index(line)),
                count=pieces,
                spacing_ft=np.full(owner.size, np.nan),
                basis=pitched.layout_basis[owner],
                pieces=pieces,
                ends=drawn,
            )
        )
    ends = (members.east0, members.north0, members.east1, members.north1)
    owner, pieces, drawn = _multi_lines(outlines, planes.section[members.plane], ends)
    tables.append(
        MemberRows(
            section=owner,
            kind=kind_numbers(name[owner]),
            count=count[owner],
            spacing_ft=spacing_ft[owner],
            basis=np.maximum(pitched.layout_basis, spacing_basis)[owner],
            pieces=pieces,
            ends=drawn,
        )
    )
    return tables


def _multi_lines(
    outlines: Outlines, section: IntArray, ends: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
) -> tuple[IntArray, IntArray, FloatArray]:
    """Sections that have lines, how many each has, and the ends of all lines in the working CRS."""
    pieces = np.bincount(section, minlength=outlines.count)
    owner = np.flatnonzero(pieces)
    return owner, pieces[owner], outlines.planes.crs_ends(ends, section)
