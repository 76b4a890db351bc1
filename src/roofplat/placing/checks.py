"""Checks: the inspection cut at the first foothold, and indicator holes along the path.

In: the first ladder of each section, its path, openings, obstacles.
Out: `Checks`: cuts and holes in section coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, expand, lists_of, marked, pair_up, sums_before, take
from roofplat.framing.walls import Walls
from roofplat.placing.ladders import LadderSpots
from roofplat.placing.paths import Ways, legs_of
from roofplat.placing.scene import Boxes, edges_near, in_boxes, inside, touches_box
from roofplat.placing.slopes import SlopeBays
from roofplat.rules import Rulebook

__all__ = ["Checks", "inspection_cut_ft", "place_checks"]


_TOUCH_FT = 0.01
_ROUNDING_FT = 1e-6
# Sine of twice the angle below which two directions count as square to each other: half a degree off.
_SQUARE = 0.02


@dataclass(frozen=True, slots=True)
class Checks:
    """Inspection cuts and indicator holes.

    cut_section, u0, v0, u1, v1
        Inspection cuts, at most one for each section.
    inward_ft
        How far each cut leads straight away from the wall.
    hole_section, hole_seq, hole_u, hole_v
        Indicator holes in order from the ladder; the inspection cut is number 1, so the holes
        count from 2.
    """

    cut_section: IntArray
    u0: FloatArray
    v0: FloatArray
    u1: FloatArray
    v1: FloatArray
    inward_ft: FloatArray
    hole_section: IntArray
    hole_seq: IntArray
    hole_u: FloatArray
    hole_v: FloatArray


def inspection_cut_ft(spacing_ft: FloatArray, angle_deg: float) -> FloatArray:
    """Length of a diagonal cut that must cross a member.

    Parameters
    ----------
    spacing_ft
        Member spacing, shape (n,).
    angle_deg
        Angle between cut and exterior wall.

    Returns
    -------
    ndarray of float
        Spacing over the sine of the angle; at 45 degrees, spacing times the square root of 2,
        whichever way the members run.

    Examples
    --------
    >>> inspection_cut_ft(np.array([2.0]), 45.0).round(3).tolist()
    [2.828]
    """
    angle = np.radians(angle_deg)
    return np.asarray(spacing_ft / min(np.sin(angle), np.cos(angle)))


def place_checks(
    frames: SectionFrames,
    walls: Walls,
    spots: LadderSpots,
    ways: Ways,
    openings: Boxes,
    obstacles: Boxes,
    rules: Rulebook,
    *,
    wanted: npt.NDArray[np.bool_],
    rafter_ft: FloatArray,
    fire_u: FloatArray,
    fire_v: FloatArray,
    slopes: SlopeBays | None = None,
) -> Checks:
    """Place the checks of each section that is opened.

    Parameters
    ----------
    frames, walls, spots, ways
        n sections, their walls, ladder spots and the way from each spot.
    openings, obstacles
        Boxes that a check must not lie in.
    rules
        `check.*`, `ladder.landing_ft`, `obstacle.path_clear_ft`.
    wanted
        True for a section that is opened, shape (n,).
    rafter_ft, fire_u, fire_v
        Of each section, shape (n,).
    slopes
        Planes of the pitched roofs: over a hip a cut can lie wholly on the next plane, and where that is
        not square to the wall, no cut is sure to cross a member.

    Returns
    -------
    Checks
        A hole lies beside the bearing line, on the fire's side where that is roof clear of
        openings and obstacles, else on the other side, else it is left out.
    """
    lead = np.flatnonzero((spots.rank == 1) & wanted[spots.section])
    section = spots.section[lead]
    wall = spots.wall[lead]
    azimuth = np.radians(walls.azimuth_deg[wall])
    sine, cosine = np.sin(azimuth), np.cos(azimuth)
    inset = rules.number("ladder.landing_ft") + rules.number("check.inspection_inset_ft")
    east = spots.tip_east[lead] + cosine * inset
    north = spots.tip_north[lead] - sine * inset
    angle_deg = rules.number("check.inspection_angle_deg")
    half = inspection_cut_ft(rafter_ft[section], angle_deg) / 2
    # From the direction of the wall turned into the roof, which lies on its right; from the other way along
    # the wall in a section whose v runs to the right of u.
    turned = azimuth + np.radians(90.0 - (90.0 - angle_deg) * frames.hand[section])
    d_east, d_north = np.sin(turned) * half, np.cos(turned) * half
    u0, v0 = frames.uv(east - d_east, north - d_north, section)
    u1, v1 = frames.uv(east + d_east, north + d_north, section)
    clear = rules.number("obstacle.path_clear_ft")
    keep_off = obstacles.grown(clear)
    # A check does not even touch an opening, whatever the last bits say.
    openings = openings.grown(_TOUCH_FT)
    # Where members lie far apart no cut of a sensible length is sure to cross one.
    fits = 2 * half <= rules.number("check.inspection_longest_ft")
    for u, v in ((u0, v0), (u1, v1), ((u0 + u1) / 2, (v0 + v1) / 2)):
        fits &= inside(frames, u, v, section)
        fits &= ~in_boxes(u, v, section, keep_off, frames.count, with_border=True)
        fits &= ~in_boxes(u, v, section, openings, frames.count, with_border=True)
    # A cut can clip a corner between points that are all clear.
    fits &= ~_leaves_roof(frames, u0, v0, u1, v1, section)
    if slopes is not None:
        fits &= ~_askew(slopes, section, (u0, v0), (u1, v1), frames, azimuth)
    for boxes in (keep_off, openings):
        cut, box = pair_up(section, boxes.section, frames.count)
        clipped = touches_box(u0[cut], v0[cut], u1[cut], v1[cut], take(boxes, box))
        fits &= ~marked(cut[clipped], section.size)

    hole_u, hole_v, hole_section, hole_seq = _holes(
        frames, spots, ways, lead, openings, keep_off, rules, fire_u, fire_v
    )
    return Checks(
        cut_section=section[fits],
        u0=u0[fits],
        v0=v0[fits],
        u1=u1[fits],
        v1=v1[fits],
        inward_ft=2 * half[fits] * np.sin(np.radians(angle_deg)),
        hole_section=hole_section,
        hole_seq=hole_seq,
        hole_u=hole_u,
        hole_v=hole_v,
    )


def _askew(
    slopes: SlopeBays,
    section: IntArray,
    start: tuple[FloatArray, FloatArray],
    end: tuple[FloatArray, FloatArray],
    frames: SectionFrames,
    wall_azimuth: FloatArray,
) -> npt.NDArray[np.bool_]:
    """Whether segments, shape (k,), lie wholly on a plane that does not run square to the wall."""
    cut, plane = pair_up(section, slopes.plane_section, frames.count)
    ends = [
        slopes.frames.uv(*frames.east_north(u[cut], v[cut], section[cut]), plane) for u, v in (start, end)
    ]
    on = inside(slopes.frames, *ends[0], plane) & inside(slopes.frames, *ends[1], plane)
    # u runs down the slope: square to the wall or along it is as good, for a cut at half a right angle.
    down = np.arctan2(slopes.frames.sine, slopes.frames.cosine)[plane]
    turned = np.abs(np.sin(2.0 * (down - wall_azimuth[cut]))) > _SQUARE
    # The walls of a roof of one plane need not be square to it; it has no next plane.
    several = np.bincount(slopes.plane_section, minlength=frames.count) > 1
    return marked(cut[on & turned & several[section[cut]]], section.size)


def _leaves_roof(
    frames: SectionFrames,
    u0: FloatArray,
    v0: FloatArray,
    u1: FloatArray,
    v1: FloatArray,
    section: IntArray,
) -> npt.NDArray[np.bool_]:
    """Whether segments, shape (k,), cross an edge of their section's outline."""
    cut, edge = lists_of(section, frames.outlines.start)
    a_u, a_v, b_u, b_v = u0[cut], v0[cut], u1[cut], v1[cut]
    c_u, c_v, d_u, d_v = frames.u0[edge], frames.v0[edge], frames.u1[edge], frames.v1[edge]
    # Each lies across the line of the other: the ends are on different sides.
    ends_apart = _side(c_u, c_v, d_u, d_v, a_u, a_v) * _side(c_u, c_v, d_u, d_v, b_u, b_v) < 0
    edge_apart = _side(a_u, a_v, b_u, b_v, c_u, c_v) * _side(a_u, a_v, b_u, b_v, d_u, d_v) < 0
    return marked(cut[ends_apart & edge_apart], section.size)


def _side(
    u0: FloatArray, v0: FloatArray, u1: FloatArray, v1: FloatArray, u: FloatArray, v: FloatArray
) -> FloatArray:
    """On which side of a line a point lies: positive is left."""
    return (u1 - u0) * (v - v0) - (v1 - v0) * (u - u0)


def _holes(
    frames: SectionFrames,
    spots: LadderSpots,
    ways: Ways,
    lead: IntArray,
    openings: Boxes,
    keep_off: Boxes,
    rules: Rulebook,
    fire_u: FloatArray,
    fire_v: FloatArray,
) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    step = rules.number("check.indicator_step_ft")
    offset = rules.number("check.indicator_offset_ft")
    off_wall = rules.number("check.indicator_wall_ft") - _ROUNDING_FT
    walked = lead[ways.found[lead]]
    legs = legs_of(ways, walked, spots.section[walked])
    du, dv = legs.u1 - legs.u0, legs.v1 - legs.v0
    length = np.hypot(du, dv)
    # One way a section, its legs in order: how far it is from the tip to the start of each.
    from_tip = sums_before(length, legs.section)
    low = np.ceil((from_tip + 1e-9) / step)
    high = np.ceil((from_tip + length + 1e-9) / step)
    low = np.maximum(low, 1)
    leg, nth = expand(np.maximum(high - low, 0).astype(np.int64))
    at = (low[leg] + nth) * step - from_tip[leg]
    unit_u, unit_v = du[leg] / length[leg], dv[leg] / length[leg]
    on_u = legs.u0[leg] + unit_u * at
    on_v = legs.v0[leg] + unit_v * at
    section = legs.section[leg]
    left_u, left_v = -unit_v, unit_u
    toward = left_u * (fire_u[section] - on_u) + left_v * (fire_v[section] - on_v)
    # A fire spot on the path's own line, to a hundredth of a foot, counts as left of it.
    sign = np.where(toward >= -0.01, 1.0, -1.0)
    hole_u, hole_v = on_u + sign * offset * left_u, on_v + sign * offset * left_v
    other_u, other_v = on_u - sign * offset * left_u, on_v - sign * offset * left_v

    def usable(u: FloatArray, v: FloatArray) -> npt.NDArray[np.bool_]:
        return (
            inside(frames, u, v, section)
            & ~in_boxes(u, v, section, keep_off, frames.count, with_border=True)
            & ~in_boxes(u, v, section, openings, frames.count, with_border=True)
            & ~marked(edges_near(frames, u, v, section, np.full(u.size, off_wall))[0], u.size)
        )

    here, there = usable(hole_u, hole_v), usable(other_u, other_v)
    hole_u, hole_v = np.where(here, hole_u, other_u), np.where(here, hole_v, other_v)
    kept = here | there
    section = section[kept]
    # The inspection cut is check number 1.
    first = np.searchsorted(section, section, side="left")
    return hole_u[kept], hole_v[kept], section, np.arange(section.size) - first + 2
