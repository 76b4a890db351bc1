"""Openings that are there already: skylights, smoke vents and hatches, and the glazing of a sawtooth.

In: obstacles, glazing lines, fire spots, footholds.
Out: the one nearest the fire spot of each section, and the same as `Strips`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import Runs, SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, stack, take
from roofplat.placing.openings import Strips, kept_short, toward_ladder
from roofplat.placing.scene import Boxes, Things, boxes_inside, boxes_on
from roofplat.rules import Rulebook
from roofplat.tables import METHODS

__all__ = ["EXISTING_KINDS", "existing_openings", "glazing_openings", "in_order", "nearest_existing"]

EXISTING_KINDS = ("skylight", "smoke_vent", "hatch")


def nearest_existing(
    frames: SectionFrames,
    owner: IntArray,
    things: Things,
    rules: Rulebook,
    *,
    planned: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
) -> Boxes:
    """Find the existing opening nearest the fire spot of each planned section.

    Parameters
    ----------
    frames
        n sections.
    owner
        The building of each section, shape (n,).
    things
        On the roofs.
    rules
        `opening.existing_reach_ft`, `obstacle.point_radius_ft`.
    planned, fire_u, fire_v
        Shape (n,).

    Returns
    -------
    Boxes
        At most one a section, all of it on the roof, its border within reach of the fire spot;
        among equals (to 0.01 ft) the one at lower v, then u.
    """
    there = take(things, things.of(EXISTING_KINDS))
    radius = rules.number("obstacle.point_radius_ft")
    boxes, _ = boxes_on(frames, owner, there, planned, point_radius_ft=radius)
    section = boxes.section
    at_u, at_v = fire_u[section], fire_v[section]
    off_u = np.maximum(np.maximum(boxes.u_low - at_u, at_u - boxes.u_high), 0.0)
    off_v = np.maximum(np.maximum(boxes.v_low - at_v, at_v - boxes.v_high), 0.0)
    away = np.hypot(off_u, off_v)
    # Of the same building's sections it lies on one, and on none where it pokes over a wall.
    near = boxes_inside(frames, boxes) & (away <= rules.number("opening.existing_reach_ft"))
    keys = [(np.where(near, away, np.inf), 2), (boxes.v_low, 2), (boxes.u_low, 2)]
    best = first_of_equals(keys, section, frames.count)
    return take(boxes, best[best >= 0])


def existing_openings(boxes: Boxes, foothold_u: FloatArray, foothold_v: FloatArray) -> Strips:
    """Existing openings as the first openings of their sections.

    Parameters
    ----------
    boxes
        At most one for each of n sections.
    foothold_u, foothold_v
        First foothold of each section, shape (n,).

    Returns
    -------
    Strips
    """
    return _strips(boxes, "existing_opening", foothold_u, foothold_v)


def glazing_openings(
    frames: SectionFrames,
    lines: Runs,
    rules: Rulebook,
    *,
    wanted: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    foothold_u: FloatArray,
    foothold_v: FloatArray,
) -> Strips:
    """A stretch of the glazing nearest the fire spot.

    Parameters
    ----------
    frames, lines
        n sections and their lines of glazing.
    rules
        `opening.glazing_length_ft`, `opening.glazing_width_ft`, `opening.beam_clear_ft`.
    wanted
        True for a section opened by its glazing, shape (n,).
    fire_u, fire_v, foothold_u, foothold_v
        Shape (n,).

    Returns
    -------
    Strips
        Lines too short for a stretch are passed over; among equals (to 0.01 ft) the lower line.
    """
    clear = rules.number("opening.beam_clear_ft")
    length, width = rules.number("opening.glazing_length_ft"), rules.number("opening.glazing_width_ft")
    section = lines.section
    low, high = lines.low + clear, lines.high - clear
    at_u, at_v = fire_u[section], fire_v[section]
    u_low, u_high = kept_short(low, high, np.full(section.size, length), at_u)
    edge = (lines.position - width / 2 > frames.v_low[section]) & (
        lines.position + width / 2 < frames.v_high[section]
    )
    usable = wanted[section] & edge & (high - low >= length)
    away = np.hypot(at_v - lines.position, at_u - (u_low + u_high) / 2)
    best = first_of_equals(
        [(np.where(usable, away, np.inf), 2), (lines.position, 2), (u_low, 2)], section, frames.count
    )
    line = best[best >= 0]
    boxes = Boxes(
        section[line],
        u_low[line],
        u_high[line],
        lines.position[line] - width / 2,
        lines.position[line] + width / 2,
    )
    return _strips(boxes, "glazing", foothold_u, foothold_v)


def in_order(first: Strips, then: Strips, count: int) -> Strips:
    """Two sets of openings in one order: what is there already before what is cut.

    Parameters
    ----------
    first, then
        Openings, each ascending by section, numbered from 1.
    count
        Number of sections.

    Returns
    -------
    Strips
        Ascending by section and order.
    """
    ahead = np.bincount(first.section, minlength=count)
    both = stack([first, replace(then, seq=then.seq + ahead[then.section])])
    return take(both, np.lexsort((both.seq, both.section)))


def _strips(boxes: Boxes, method: str, foothold_u: FloatArray, foothold_v: FloatArray) -> Strips:
    every = np.ones(boxes.section.size, dtype=np.int64)
    return toward_ladder(
        boxes, foothold_u, foothold_v, seq=every, method=every * METHODS.index(method), parts=every
    )
