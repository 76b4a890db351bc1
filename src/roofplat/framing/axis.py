"""The framing axis: which way the beams run.

In: outlines, what is known of the axis, spacings, sounding notes.
Out: for each section the true azimuth of its beams, how it is known, and the share of the
    outline that runs along or across it.

Order of trust: an azimuth that somebody surveyed, recorded or drew; a sounding note; the
outline itself, whose edge directions modulo 90 degrees are counted by length, so that an L or a
U does not tilt. Beams are then taken across the shorter span.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, marked, offsets, sums
from roofplat.rules import Rulebook

__all__ = ["AxisResult", "extent_ft", "find_axis", "sounded_axis_deg"]

# Whole numbers that stand for a degree and for a foot, and decimals of a foot that count.
_PER_DEG, _PER_FT, _EQUAL_LENGTH = 1e6, 1e6, 3
# Spans closer than this are equal; the beams then run to the street, or else along the smaller azimuth.
_EQUAL_SPAN_FT = 0.01
# A street this near to halfway between two directions does not choose between them.
_HALFWAY = 1e-3


@dataclass(frozen=True, slots=True)
class AxisResult:
    """Axis of each of n sections.

    azimuth_deg
        True azimuth of the beams, from 0 up to 180.
    basis
        One of `tables.AXIS_BASES`.
    share
        Share of the outline along or across the axis, 0 to 1.
    sounding_unfit
        True where a sounding note fits neither spacing.
    """

    azimuth_deg: FloatArray
    basis: npt.NDArray[np.str_]
    share: FloatArray
    sounding_unfit: npt.NDArray[np.bool_]


def _dominant_deg(
    outlines: Outlines, azimuth_deg: FloatArray, length: FloatArray, rules: Rulebook
) -> FloatArray:
    """Direction, modulo 90 degrees, along which most of each outline runs.

    Parameters
    ----------
    outlines
        m edges of n sections.
    azimuth_deg, length
        Direction and length of each edge, shape (m,).
    rules
        `axis.along_tolerance_deg`.

    Returns
    -------
    ndarray of float
        Degrees from true north, 0 up to 90, shape (n,); that of the longest edge among equals.
    """
    tolerance = rules.number("axis.along_tolerance_deg")
    folded = azimuth_deg % 90.0
    peak = folded[_most_followed(outlines, folded, length, tolerance / 2)]
    # Two rounds of the weighted mean of the edges near the peak: exact for a turned rectangle.
    for _ in range(2):
        off = _fold(folded - peak[outlines.section])
        weight = np.where(np.abs(off) <= tolerance, length, 0.0)
        total = sums(weight, outlines.section, outlines.count)
        mean = sums(weight * off, outlines.section, outlines.count) / np.where(total > 0, total, 1.0)
        peak = peak + mean
    direction = peak % 90.0
    # 89.9999999 and 0 are the same direction.
    return np.where(direction > 90.0 - 1e-7, 0.0, direction)


def _most_followed(
    outlines: Outlines, folded_deg: FloatArray, length: FloatArray, near_deg: float
) -> IntArray:
    """The edge of each section along which most of its outline runs, shape (n,).

    Parameters
    ----------
    outlines
        m edges of n sections.
    folded_deg, length
        Direction modulo 90 degrees and length of each edge, shape (m,).
    near_deg
        Edges that leave the direction by no more run along it.

    Returns
    -------
    ndarray of int
        Among equals (to 0.001 ft) the longest edge, then the first: no direction is nearer than another to
        the lines of a raster, so that an outline that is turned has its own direction turned.
    """
    longest = first_of_equals([(-length, _EQUAL_LENGTH)], outlines.section, outlines.count)
    off = np.abs(_fold(folded_deg - folded_deg[longest][outlines.section]))
    # Most outlines run along their longest edge, or at right angles to it.
    several = marked(outlines.section[off > near_deg], outlines.count)
    edge = np.flatnonzero(several[outlines.section])
    if not edge.size:
        return longest
    owner = outlines.section[edge]
    # Whole numbers add up to the same whatever stands before them.
    at = np.rint(folded_deg[edge] * _PER_DEG).astype(np.int64)
    weight = np.rint(length[edge] * _PER_FT).astype(np.int64)
    quarter, near = round(90.0 * _PER_DEG), round(near_deg * _PER_DEG)
    own = owner * (3 * quarter) + at
    # Round the corner of a right angle the directions begin anew.
    low, high = np.flatnonzero(at <= near), np.flatnonzero(at >= quarter - near)
    place = np.concatenate([own, own[low] + quarter, own[high] - quarter])
    order = np.argsort(place)
    place = place[order]
    before = offsets(np.concatenate([weight, weight[low], weight[high]])[order])
    followed = (
        before[np.searchsorted(place, own + near, "right")] - before[np.searchsorted(place, own - near)]
    )
    best = first_of_equals(
        [(-followed / _PER_FT, _EQUAL_LENGTH), (-length[edge], _EQUAL_LENGTH)], owner, outlines.count
    )
    return np.where(best >= 0, edge[best], longest)


def extent_ft(outlines: Outlines, azimuth_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Extent of each outline along a direction and across it.

    Parameters
    ----------
    outlines
        Edges of n sections.
    azimuth_deg
        Shape (n,).

    Returns
    -------
    along_ft, across_ft
        Shape (n,).
    """
    sine = np.sin(np.radians(azimuth_deg))[outlines.section]
    cosine = np.cos(np.radians(azimuth_deg))[outlines.section]
    along = outlines.east0 * sine + outlines.north0 * cosine
    across = outlines.north0 * sine - outlines.east0 * cosine
    starts = outlines.start[:-1]
    return (
        np.maximum.reduceat(along, starts) - np.minimum.reduceat(along, starts),
        np.maximum.reduceat(across, starts) - np.minimum.reduceat(across, starts),
    )


def find_axis(
    outlines: Outlines,
    rules: Rulebook,
    *,
    given_deg: FloatArray,
    given_basis: npt.NDArray[Any],
    walk_deg: FloatArray,
    felt_spacing_ft: FloatArray,
    beam_spacing_ft: FloatArray,
    purlin_spacing_ft: FloatArray,
    lines_east_west: npt.NDArray[np.bool_] | None = None,
    street_deg: FloatArray | None = None,
) -> AxisResult:
    """Find the framing axis of each section.

    Parameters
    ----------
    outlines
        Edges of n sections.
    rules
        `axis.*` and `sounding.match_share`.
    given_deg, given_basis
        A known azimuth and its basis, shape (n,); NaN where nobody says.
    walk_deg, felt_spacing_ft
        A sounding note, shape (n,); NaN where there is none.
    beam_spacing_ft, purlin_spacing_ft
        The spacings in force, shape (n,); NaN for a family without them.
    lines_east_west
        True where an inferred axis is the one nearer to east and west, not the one across the
        shorter span, shape (n,): the glazing of a sawtooth roof looks north.
    street_deg
        True direction to the street, shape (n,), NaN without one: where both spans are equal, beams run
        to the street rather than along it.

    Returns
    -------
    AxisResult

    Notes
    -----
    A walk that feels about the purlin spacing crosses purlins, so the beams run with it; one
    that feels about the beam spacing crosses beams. The walk follows a wall, so its compass
    reading is set to the outline's own direction where the two agree within
    `axis.along_tolerance_deg`.
    """
    tolerance = rules.number("axis.along_tolerance_deg")
    azimuth_edge, length = _edge_directions(outlines)
    direction = _dominant_deg(outlines, azimuth_edge, length, rules)
    along, across = extent_ft(outlines, direction)
    azimuth = np.where(along > across + _EQUAL_SPAN_FT, direction + 90.0, direction)
    if street_deg is not None:
        # Twice the angle: below 0 the street lies more across the direction than along it.
        aside = np.cos(np.radians(2.0 * (direction - street_deg))) < -_HALFWAY
        azimuth = np.where((np.abs(along - across) <= _EQUAL_SPAN_FT) & aside, direction + 90.0, azimuth)
    if lines_east_west is not None:
        east_west = np.where(direction < 45.0, direction + 90.0, direction)
        azimuth = np.where(lines_east_west, east_west, azimuth)

    inferred_share = _share_along(outlines, azimuth_edge, length, azimuth, tolerance)
    basis = np.where(inferred_share >= rules.number("axis.doubtful_share"), "inferred", "doubtful")
    basis = basis.astype("<U10")

    has_note = np.isfinite(walk_deg) & np.isfinite(felt_spacing_ft)
    note = sounded_axis_deg(walk_deg, felt_spacing_ft, beam_spacing_ft, purlin_spacing_ft, rules)
    fits = np.isfinite(note)
    off = _fold(note - direction)
    with np.errstate(invalid="ignore"):
        note = np.where(np.abs(off) <= tolerance, note - off, note)
    azimuth = np.where(fits, note, azimuth)
    basis[fits] = "surveyed"

    given = np.isfinite(given_deg)
    azimuth = np.where(given, given_deg, azimuth) % 180.0
    azimuth = np.where(azimuth > 180.0 - 1e-7, 0.0, azimuth)
    basis[given] = given_basis[given]
    return AxisResult(
        azimuth_deg=azimuth,
        basis=basis,
        share=_share_along(outlines, azimuth_edge, length, azimuth, tolerance),
        sounding_unfit=has_note
        & ~fits
        & ~given
        & (np.isfinite(purlin_spacing_ft) | np.isfinite(beam_spacing_ft)),
    )


def sounded_axis_deg(
    walk_deg: FloatArray,
    felt_spacing_ft: FloatArray,
    beam_spacing_ft: FloatArray,
    purlin_spacing_ft: FloatArray,
    rules: Rulebook,
) -> FloatArray:
    """Tell from a sounding walk which way the beams run.

    Parameters
    ----------
    walk_deg, felt_spacing_ft
        The walk's azimuth and the spacing felt on it, shape (n,); NaN where there is none.
    beam_spacing_ft, purlin_spacing_ft
        The spacings in force, shape (n,); NaN for a family without them.
    rules
        `sounding.match_share`.

    Returns
    -------
    ndarray of float
        Azimuth of the beams, not yet turned into 0 to 180, shape (n,). NaN where the spacing felt fits
        neither spacing, or both.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> walks, felt = np.array([30.0, 30.0, 30.0]), np.array([8.0, 19.0, 13.0])
    >>> sounded_axis_deg(walks, felt, np.full(3, 20.0), np.full(3, 8.0), load_rulebook()).tolist()
    [30.0, 120.0, nan]
    """
    match = rules.number("sounding.match_share")
    with np.errstate(invalid="ignore"):
        crosses_purlins = np.abs(felt_spacing_ft / purlin_spacing_ft - 1.0) <= match
        crosses_beams = np.abs(felt_spacing_ft / beam_spacing_ft - 1.0) <= match
    fits = np.isfinite(walk_deg) & (crosses_purlins ^ crosses_beams)
    return np.where(fits, np.where(crosses_purlins, walk_deg, walk_deg + 90.0), np.nan)


def _edge_directions(outlines: Outlines) -> tuple[FloatArray, FloatArray]:
    d_east = outlines.east1 - outlines.east0
    d_north = outlines.north1 - outlines.north0
    return np.degrees(np.arctan2(d_east, d_north)) % 180.0, np.hypot(d_east, d_north)


def _share_along(
    outlines: Outlines, edge_deg: FloatArray, length: FloatArray, axis_deg: FloatArray, tolerance: float
) -> FloatArray:
    off = np.abs(_fold(edge_deg - axis_deg[outlines.section]))
    with_axis = sums(np.where(off <= tolerance, length, 0.0), outlines.section, outlines.count)
    return with_axis / sums(length, outlines.section, outlines.count)


def _fold(angle_deg: FloatArray) -> FloatArray:
    """Angle to the nearest multiple of 90 degrees, from -45 up to 45."""
    return (angle_deg + 45.0) % 90.0 - 45.0
