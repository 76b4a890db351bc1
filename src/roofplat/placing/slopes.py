"""Openings on pitched roofs: near the ridge on the leeward plane, between members.

In: the planes of a chunk of sections, the wind, fire spots, obstacles.
Out: `SlopeBays`: the bays of every plane along its ridge, in true feet on the slope, and the first
    bay of each section; the same openings as `Strips` on the planes.

A plane is laid out like a section of its own: u runs down the slope in true feet, v along the
eave and away from the street. Its bays are measured from the ridge, and bounded by rafters or trusses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import Grid, SectionFrames, lay_out_grid
from roofplat.framing.outline import Outlines
from roofplat.framing.planes import Pitched
from roofplat.framing.rafters import plane_frames
from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, pair_up, sums, take
from roofplat.framing.spacings import Spacings
from roofplat.placing.bays import Bays, lay_out_bays
from roofplat.placing.choose import clear_of_footholds, next_bays
from roofplat.placing.openings import Strips, opening_strips
from roofplat.placing.scene import Boxes, Segments, edges_near, inside, touches_box
from roofplat.rules import Rulebook

_EQUAL_FT = 0.01
# A ridge of a drawn house is level within this.
_TOP_FT = 0.1
# A leg that runs less across its plane than this leads straight up or down it; what reaches into a bay by
# less passes beside it.
_STRAIGHT_FT = 0.01

__all__ = ["SlopeBays", "lay_out_slopes", "slope_bays", "slope_strips", "under_tips", "under_ways"]


@dataclass(frozen=True, slots=True)
class SlopeBays:
    """Bays along the ridges of p planes of n sections.

    frames
        The planes.
    plane_section
        Section of each plane, ascending, shape (p,).
    bays
        Of the planes; only those under a ridge, on the lee side, are clear.
    first
        First bay of each section, an index into `bays`, -1 for none, shape (n,).
    """

    frames: SectionFrames
    plane_section: IntArray
    bays: Bays
    first: IntArray

    def box(self, frames: SectionFrames) -> Boxes:
        """The first bay of each section that has one, as a box in section coordinates."""
        bay = self.first[self.first >= 0]
        bays = self.bays
        return self.on_sections(
            frames,
            Boxes(bays.section[bay], bays.u_low[bay], bays.u_high[bay], bays.v_low[bay], bays.v_high[bay]),
        )

    def on_sections(self, frames: SectionFrames, boxes: Boxes) -> Boxes:
        """Boxes around boxes on planes, as seen from above, in section coordinates."""
        section = self.plane_section[boxes.section]
        corners = [
            frames.uv(*self.frames.east_north(u, v, boxes.section), section)
            for u in (boxes.u_low, boxes.u_high)
            for v in (boxes.v_low, boxes.v_high)
        ]
        u_all, v_all = np.stack([u for u, _ in corners]), np.stack([v for _, v in corners])
        return Boxes(section, u_all.min(axis=0), u_all.max(axis=0), v_all.min(axis=0), v_all.max(axis=0))


def lay_out_slopes(
    pitched: Pitched,
    outlines: Outlines,
    spacings: Spacings,
    rules: Rulebook,
    *,
    street_deg: FloatArray | None = None,
) -> SectionFrames:
    """Planes in true feet along the slope, with the lattice of their bays.

    Parameters
    ----------
    pitched, outlines
        n sections and their p planes.
    spacings
        Of the members down the slope, and of the bays between them.
    rules
        `opening.joist_width_ft`, `opening.hanger_clear_ft`.
    street_deg
        True direction to the street of each section, shape (n,): see `section_frames`.

    Returns
    -------
    SectionFrames
        Of p planes; the lines of the lattice down the slope are members, the others only measure
        out the bays.
    """
    level = plane_frames(pitched, outlines, spacings.laid_rafter_ft, street_deg=street_deg)
    stretch = np.hypot(1.0, pitched.planes.rise)
    edge_stretch = stretch[level.outlines.section]
    members = level.beams
    wide = np.nan_to_num(spacings.lattice_beam_ft[pitched.planes.section], nan=1.0)
    every = np.maximum(np.round(wide / members.spacing), 1).astype(np.int64)
    spare = np.maximum(members.count - 1, 0)
    # A bay under the middle of the ridge, as near as the members let it: a short ridge has one.
    in_bays = (_middle_of_top(level) - members.first) / members.spacing - every / 2
    # Halfway between two places the last bits must not decide.
    start = np.minimum(np.round(in_bays.round(6)).astype(np.int64) % every, spare)
    beams = Grid(
        members.first + start * members.spacing,
        every * members.spacing,
        np.where(members.count > 0, (spare - start) // every + 1, 0),
    )
    u_low, u_high = level.u_low * stretch, level.u_high * stretch
    depth = rules.number("opening.joist_width_ft") + 2 * rules.number("opening.hanger_clear_ft")
    return replace(
        level,
        u0=level.u0 * edge_stretch,
        u1=level.u1 * edge_stretch,
        u_low=u_low,
        u_high=u_high,
        beams=beams,
        purlins=lay_out_grid(u_low, u_high, np.full(stretch.size, depth), start="low_end"),
        purlins_bear=np.zeros(stretch.size, dtype=bool),
        stretch=stretch,
    )


def _middle_of_top(planes: SectionFrames) -> FloatArray:
    """Place along the eave of the middle of each plane's top, shape (p,)."""
    owner = planes.outlines.section
    at_top = planes.u0 <= planes.u_low[owner] + _TOP_FT
    number = np.bincount(owner[at_top], minlength=planes.count)
    return sums(np.where(at_top, planes.v0, 0.0), owner, planes.count) / np.maximum(number, 1)


def slope_bays(
    frames: SectionFrames,
    planes: SectionFrames,
    plane_section: IntArray,
    downslope_deg: FloatArray,
    obstacles: Boxes,
    rules: Rulebook,
    *,
    wanted: npt.NDArray[np.bool_],
    side_clear_ft: FloatArray,
    wind_from_deg: FloatArray,
    fire_east: FloatArray,
    fire_north: FloatArray,
    foothold_east: FloatArray,
    foothold_north: FloatArray,
) -> SlopeBays:
    """Find the bays under the ridge on the lee side, and the one nearest the fire spot.

    Parameters
    ----------
    frames
        n sections.
    planes
        p planes of them, from `lay_out_slopes`.
    plane_section, downslope_deg
        Section of each plane and its direction down, shape (p,).
    obstacles
        Boxes on the planes that must not be cut, ascending by plane.
    rules
        `opening.*`, `obstacle.clear_ft`.
    wanted
        True for a section that is opened on its slopes, shape (n,).
    side_clear_ft, wind_from_deg, fire_east, fire_north
        Of each section, shape (n,); the fire spot in feet on the section's plane.
    foothold_east, foothold_north
        Where a ladder that stands already lets a crew step onto the roof, likewise; NaN where none does.

    Returns
    -------
    SlopeBays
        A bay is near the ridge when its opening begins no farther than `opening.ridge_reach_ft` below
        the top of its plane. A plane is leeward when it falls toward where the wind goes, or at right angles
        to it, within `opening.lee_tolerance_deg`. Among bays equally near the fire spot (to 0.01 ft along the
        slope) the one on the more leeward plane wins, then the one at lower u of the section, then at lower
        v (to 0.1 ft).
    """
    count = wanted.size
    bays = lay_out_bays(
        planes,
        wanted[plane_section],
        obstacles,
        rules,
        side_clear_ft=side_clear_ft[plane_section],
        whole_only=np.ones(plane_section.size, dtype=bool),
    )
    off_lee = np.abs((downslope_deg - wind_from_deg[plane_section] - 180.0 + 180.0) % 360.0 - 180.0)
    leeward = off_lee <= 90.0 + rules.number("opening.lee_tolerance_deg")
    from_top = bays.u_low + bays.end_clear_ft - planes.u_low[bays.section]
    under_ridge = (from_top <= rules.number("opening.ridge_reach_ft") + _EQUAL_FT) & leeward[bays.section]
    # A bay at the end of the plane is bordered by a rake or a hip, not by a member, however long it is.
    inner = (bays.row > 0) & (bays.row < planes.beams.count[bays.section])
    bays = replace(bays, clear=bays.clear & under_ridge & inner)
    bays = _closed(bays, _over_the_edge(bays, frames, planes, plane_section))
    every = np.arange(plane_section.size)
    foothold = planes.uv(foothold_east[plane_section], foothold_north[plane_section], every)
    bays = clear_of_footholds(bays, *foothold, rules.number("ladder.opening_clear_ft"))
    clear = np.flatnonzero(bays.clear)
    plane = bays.section[clear]
    owner = plane_section[plane]
    fire_u, fire_v = planes.uv(fire_east[owner], fire_north[owner], plane)
    bay_u, bay_v = (bays.u_low[clear] + bays.u_high[clear]) / 2, (bays.v_low[clear] + bays.v_high[clear]) / 2
    away = np.hypot(bay_u - fire_u, bay_v - fire_v)
    # The number of a plane goes by a corner that the coordinates choose, so by north, and tells nothing.
    u, v = frames.uv(*planes.east_north(bay_u, bay_v, plane), owner)
    first = first_of_equals([(away, 2), (off_lee[plane], 1), (u, 1), (v, 1)], owner, count)
    return SlopeBays(planes, plane_section, bays, np.where(first >= 0, np.append(clear, -1)[first], -1))


def _closed(bays: Bays, some: IntArray) -> Bays:
    """The same, some of them no longer clear."""
    clear = bays.clear.copy()
    clear[some] = False
    return replace(bays, clear=clear)


def _over_the_edge(
    bays: Bays, frames: SectionFrames, planes: SectionFrames, plane_section: IntArray
) -> IntArray:
    """Clear bays whose opening would reach over the outline.

    Planes go straight on over a jog in a wall, so that a corner of one may lie off the roof. An outline of
    four edges has no jog.
    """
    jagged = np.diff(frames.outlines.start) > 4
    bay = np.flatnonzero(bays.clear & jagged[plane_section[bays.section]])
    plane = bays.section[bay]
    section = plane_section[plane]
    opening = Boxes(plane, *bays.rectangle(bay))
    middle = (opening.u_low + opening.u_high) / 2, (opening.v_low + opening.v_high) / 2
    u, v = frames.uv(*planes.east_north(*middle, plane), section)
    # Seen from above an opening is no larger than along the slope.
    reach = np.hypot(opening.u_high - opening.u_low, opening.v_high - opening.v_low) / 2
    box, edge = edges_near(frames, u, v, section, reach)
    start, end = (
        planes.uv(*frames.east_north(edge_u[edge], edge_v[edge], section[box]), plane[box])
        for edge_u, edge_v in ((frames.u0, frames.v0), (frames.u1, frames.v1))
    )
    reached = np.unique(box)
    off = ~inside(frames, u[reached], v[reached], section[reached])
    crossed = box[touches_box(*start, *end, take(opening, box))]
    over: IntArray = bay[np.concatenate([reached[off], crossed])]
    return over


def under_tips(slopes: SlopeBays, plane: IntArray, tip_east: FloatArray, tip_north: FloatArray) -> SlopeBays:
    """The same with the bays closed through which a way leads from a ladder up to the ridge.

    Parameters
    ----------
    slopes
        Bays of the planes.
    plane, tip_east, tip_north
        Plane over each tip's wall, -1 for none, and the tip in feet, shape (k,).

    Returns
    -------
    SlopeBays
        The first bays stay: a way that would lead through one goes along the eave instead.
    """
    bays = slopes.bays
    on = np.flatnonzero(plane >= 0)
    order = on[np.argsort(plane[on], kind="stable")]
    bay, tip = pair_up(bays.section, plane[order], slopes.plane_section.size)
    v = slopes.frames.uv(tip_east[order], tip_north[order], plane[order])[1]
    at = v[tip]
    crossed = bay[(at > bays.v_low[bay]) & (at < bays.v_high[bay])]
    return replace(slopes, bays=_closed(bays, crossed))


def under_ways(slopes: SlopeBays, frames: SectionFrames, legs: Segments) -> SlopeBays:
    """The same with the bays closed that a way leads through.

    Parameters
    ----------
    slopes
        Bays of the planes of n sections.
    frames
        The sections.
    legs
        Of the ways on their roofs.

    Returns
    -------
    SlopeBays
        Only what leads straight up or down a plane can pass between the members beside a bay: other
        legs keep to the lines that border planes. No way leads through a first bay.
    """
    bays = slopes.bays
    start = frames.east_north(legs.u0, legs.v0, legs.section)
    end = frames.east_north(legs.u1, legs.v1, legs.section)
    leg, plane = pair_up(legs.section, slopes.plane_section, frames.count)
    u0, v0 = slopes.frames.uv(start[0][leg], start[1][leg], plane)
    u1, v1 = slopes.frames.uv(end[0][leg], end[1][leg], plane)
    straight = np.flatnonzero(np.abs(v1 - v0) <= _STRAIGHT_FT)
    passing, bay = pair_up(plane[straight], bays.section, slopes.plane_section.size)
    passing = straight[passing]
    at, high, low = (v0[passing] + v1[passing]) / 2, np.fmin(u0, u1)[passing], np.fmax(u0, u1)[passing]
    between = (at > bays.v_low[bay] + _STRAIGHT_FT) & (at < bays.v_high[bay] - _STRAIGHT_FT)
    level = (high < bays.u_high[bay] - _STRAIGHT_FT) & (low > bays.u_low[bay] + _STRAIGHT_FT)
    crossed = bay[between & level]
    return replace(slopes, bays=_closed(bays, crossed))


def slope_strips(
    slopes: SlopeBays,
    first: IntArray,
    rules: Rulebook,
    *,
    method: IntArray,
    rafter_ft: FloatArray,
    wanted_ft2: FloatArray,
    footholds: tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]],
) -> Strips:
    """Openings on the planes, each nearer the ladder than the one before.

    Parameters
    ----------
    slopes
        Bays of the planes.
    first
        First bay of each section, -1 where none is opened, shape (n,).
    rules
        `opening.*`, `ladder.opening_clear_ft`.
    method, rafter_ft, wanted_ft2
        Of each section, shape (n,).
    footholds
        Feet east and north of the first and of the second foothold of each section; NaN without.

    Returns
    -------
    Strips
        `section` is the plane.
    """
    planes, owner = slopes.frames, slopes.plane_section
    every = np.arange(owner.size)
    opened = np.flatnonzero(first >= 0)
    first_of_plane = np.full(owner.size, -1, dtype=np.int64)
    first_of_plane[slopes.bays.section[first[opened]]] = first[opened]
    # One row of openings along the ridge: none below another.
    bays = slopes.bays
    column = np.full(owner.size, -1, dtype=np.int64)
    column[bays.section[first[opened]]] = bays.column[first[opened]]
    bays = replace(bays, clear=bays.clear & (bays.column == column[bays.section]))
    (tip_u, tip_v), (other_u, other_v) = (
        planes.uv(east[owner], north[owner], every) for east, north in footholds
    )
    no_limit = np.full(owner.size, np.inf)
    chosen = next_bays(
        bays,
        first_of_plane,
        tip_u,
        tip_v,
        other_u,
        other_v,
        wanted_ft2[owner],
        no_limit,
        limit=rules.count("opening.crew_limit"),
        ladder_clear_ft=rules.number("ladder.opening_clear_ft"),
    )
    return opening_strips(
        bays,
        chosen,
        tip_u,
        tip_v,
        method=method[owner],
        rafter_ft=rafter_ft[owner],
        longest_ft=no_limit,
        fire_u=np.zeros(owner.size),
        fire_v=np.zeros(owner.size),
        rules=rules,
    )
