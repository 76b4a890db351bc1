"""Framings of single buildings taken out of one, and framings of several put together.

In: framings whose sections are sorted by building.
Out: a framing that counts sections, edges, walls and planes from its own first one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.frame import Framing
from roofplat.framing.members import SectionFrames
from roofplat.framing.neighbours import Surroundings
from roofplat.framing.planes import Pitched, Planes
from roofplat.framing.ragged import IntArray, offsets, stack, take
from roofplat.late import LateTable
from roofplat.tables import run_of

__all__ = ["join_framings", "split_framing"]

Columns = TypeVar("Columns")


def split_framing(framing: Framing, counts: Sequence[int]) -> list[Framing]:
    """The framings of some buildings, each without the others.

    Parameters
    ----------
    framing
        n sections, those of each building one after the other.
    counts
        How many sections each building has; together n.

    Returns
    -------
    list of Framing
        Every number counts from the building's own first. What stands in front of a wall stays, and
        problems are left out.
    """
    if len(counts) == 1:
        return [replace(framing, problems=framing.problems.iloc[:0])]
    first = offsets(np.asarray(counts))
    order, start = _by_building(framing, first)
    members = framing.member_rows.take(order)
    return [
        _part_of(framing, slice(int(low), int(high)), members.run(*start[number : number + 2]))
        for number, (low, high) in enumerate(pairwise(first))
    ]


def _by_building(framing: Framing, first: IntArray) -> tuple[IntArray, list[int]]:
    """Order of the members by building, each one's in their order, and where each building's begin."""
    section = pd.Index(framing.sections["section_id"]).get_indexer(framing.member_rows.columns["section_id"])
    building = np.searchsorted(first, section, side="right") - 1
    order = np.argsort(building, kind="stable")
    return order, np.searchsorted(building[order], np.arange(first.size)).tolist()


def _part_of(framing: Framing, rows: slice, members: LateTable) -> Framing:
    outlines, walls, planes = framing.frames.outlines, framing.wall_runs, framing.pitched.planes
    edge = slice(int(outlines.start[rows.start]), int(outlines.start[rows.stop]))
    wall = slice(int(walls.start[rows.start]), int(walls.start[rows.stop]))
    plane = slice(int(planes.start[rows.start]), int(planes.start[rows.stop]))
    return Framing(
        sections=run_of(framing.sections, rows.start, rows.stop),
        wall_rows=framing.wall_rows.run(wall.start, wall.stop),
        plane_rows=framing.plane_rows.run(plane.start, plane.stop),
        member_rows=members,
        problems=framing.problems.iloc[:0],
        frames=framing.frames.rows(rows),
        wall_runs=walls.rows(rows),
        wall_side=framing.wall_side[wall],
        wall_kind=framing.wall_kind[wall],
        surroundings=_surroundings_of(framing.surroundings, rows, wall),
        street_deg=framing.street_deg[rows],
        spacings=take(framing.spacings, rows),
        pitched=_pitched_of(framing.pitched, rows, edge, wall, plane),
    )


def _surroundings_of(around: Surroundings, rows: slice, wall: slice) -> Surroundings:
    views = take(around.views, slice(*np.searchsorted(around.views.wall, [wall.start, wall.stop])))
    return Surroundings(
        party=around.party[wall],
        exposure_ft=around.exposure_ft[wall],
        clear_ground_ft=around.clear_ground_ft[wall],
        meets_another=around.meets_another[rows],
        views=replace(views, wall=views.wall - wall.start),
    )


def _pitched_of(pitched: Pitched, rows: slice, edge: slice, wall: slice, plane: slice) -> Pitched:
    planes, lines = pitched.planes, pitched.lines
    corner = slice(int(planes.corner_start[plane.start]), int(planes.corner_start[plane.stop]))
    line = slice(*np.searchsorted(lines.section, [rows.start, rows.stop]))
    part = take(lines, line)
    return Pitched(
        planes=Planes(
            section=planes.section[plane] - rows.start,
            start=planes.start[rows.start : rows.stop + 1] - plane.start,
            edge=planes.edge[plane] - edge.start,
            wall=planes.wall[plane] - wall.start,
            downslope_deg=planes.downslope_deg[plane],
            rise=planes.rise[plane],
            corner_start=planes.corner_start[plane.start : plane.stop + 1] - corner.start,
            east=planes.east[corner],
            north=planes.north[corner],
            height_ft=planes.height_ft[corner],
            area_ft2=planes.area_ft2[plane],
            true_area_ft2=planes.true_area_ft2[plane],
        ),
        lines=replace(
            part,
            section=part.section - rows.start,
            plane_left=part.plane_left - plane.start,
            plane_right=part.plane_right - plane.start,
        ),
        found=pitched.found[rows],
        eave=pitched.eave[edge],
        edge_height_ft=pitched.edge_height_ft[edge],
        slope_deg=pitched.slope_deg[rows],
        rise_ft=pitched.rise_ft[rows],
        shape=pitched.shape[rows],
        shape_basis=pitched.shape_basis[rows],
        slope_basis=pitched.slope_basis[rows],
        layout_basis=pitched.layout_basis[rows],
        problems={code: here[rows] for code, here in pitched.problems.items()},
    )


def join_framings(parts: Sequence[Framing]) -> Framing:
    """Framings of different buildings as one, for placing.

    Parameters
    ----------
    parts
        At least one; all in the same CRS.

    Returns
    -------
    Framing
        The sections of the first, then those of the second, and so on. Placing reads the table of the
        sections; those of the walls, planes and members are the first part's, and so are the problems.
    """
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    counts = [
        (
            part.frames.count,
            part.frames.outlines.section.size,
            part.wall_runs.section.size,
            part.pitched.planes.count,
        )
        for part in parts
    ]
    section, edge, wall, plane = (offsets(count)[:-1] for count in np.array(counts).T)
    around = [part.surroundings for part in parts]
    return Framing(
        sections=pd.concat([part.sections for part in parts], ignore_index=True),
        wall_rows=first.wall_rows,
        plane_rows=first.plane_rows,
        member_rows=first.member_rows,
        problems=first.problems,
        frames=_join_frames([part.frames for part in parts], section, edge),
        wall_runs=_join_columns([part.wall_runs for part in parts], {"section": section}, ("start",)),
        wall_side=np.concatenate([part.wall_side for part in parts]),
        wall_kind=np.concatenate([part.wall_kind for part in parts]),
        surroundings=Surroundings(
            party=np.concatenate([part.party for part in around]),
            exposure_ft=np.concatenate([part.exposure_ft for part in around]),
            clear_ground_ft=np.concatenate([part.clear_ground_ft for part in around]),
            meets_another=np.concatenate([part.meets_another for part in around]),
            views=_join_columns([part.views for part in around], {"wall": wall}),
        ),
        street_deg=np.concatenate([part.street_deg for part in parts]),
        spacings=stack([part.spacings for part in parts]),
        pitched=_join_pitched([part.pitched for part in parts], section, edge, wall, plane),
    )


def _join_frames(parts: Sequence[SectionFrames], section: IntArray, edge: IntArray) -> SectionFrames:
    outlines = [part.outlines for part in parts]
    joined = _join_columns(
        [replace(part, planes=None) for part in outlines],  # type: ignore[arg-type]
        {"section": section, "following": edge},
        ("start",),
    )
    plain = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in (
            *("sine", "cosine", "hand", "u0", "v0", "u1", "v1", "u_low", "u_high", "v_low", "v_high"),
            "purlins_bear",
        )
    }
    return SectionFrames(
        outlines=replace(joined, planes=stack([part.planes for part in outlines])),
        beams=stack([part.beams for part in parts]),
        purlins=stack([part.purlins for part in parts]),
        **plain,
    )


def _join_pitched(
    parts: Sequence[Pitched], section: IntArray, edge: IntArray, wall: IntArray, plane: IntArray
) -> Pitched:
    return Pitched(
        planes=_join_columns(
            [part.planes for part in parts],
            {"section": section, "edge": edge, "wall": wall},
            ("start", "corner_start"),
        ),
        lines=_join_columns(
            [part.lines for part in parts],
            {"section": section, "plane_left": plane, "plane_right": plane},
        ),
        problems={
            code: np.concatenate([part.problems[code] for part in parts]) for code in parts[0].problems
        },
        **{
            entry.name: np.concatenate([getattr(part, entry.name) for part in parts])
            for entry in fields(Pitched)
            if entry.name not in ("planes", "lines", "problems")
        },
    )


def _join_columns(
    parts: Sequence[Columns], counted_from: Mapping[str, IntArray], starts: Sequence[str] = ()
) -> Columns:
    """Columns of all parts one after the other, their numbers counted from the first part's first.

    counted_from
        Fields that hold numbers, and the number of each part's first.
    starts
        Fields that say where lists start, and where the last one ends.
    """
    kind: Any = type(parts[0])
    joined: Columns = kind(
        **{
            entry.name: _joined(
                [getattr(part, entry.name) for part in parts], entry.name, counted_from, starts
            )
            for entry in fields(kind)
        }
    )
    return joined


def _joined(
    columns: Sequence[npt.NDArray[Any]],
    name: str,
    counted_from: Mapping[str, IntArray],
    starts: Sequence[str],
) -> Any:
    if columns[0] is None:
        return None
    if name in starts:
        return offsets(np.concatenate([np.diff(column) for column in columns]))
    if name in counted_from:
        shifted = zip(columns, counted_from[name], strict=True)
        return np.concatenate([column + first for column, first in shifted])
    return np.concatenate(columns)
