"""Pitched roofs: planes, ridges, hips and valleys, and which walls stand under an eave.

In: outlines and their walls; the shape, slope and ridge direction of each roof, as far as known.
Out: `Pitched`: the planes with the height of every corner, the lines where they meet, and the
    height of the roof's edge along the outline.

Every plane of a roof has the same slope, and rises from a wall. Where nobody says otherwise a roof
of four walls has its ridge along the longer side; of two gabled bars the wider, or else the longer,
is the main body and the other one's ridge runs into it; a plan of any other form has its planes
where eaves of one slope make them meet. Walls that stand on one line but for noise carry one plane;
it has one row here for each of these walls, and no line parts the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.facets import (
    RIDGE_LINE,
    ROOF_LINES,
    Facets,
    four_sided,
    gather,
    one_plane,
    walls_of_edges,
)
from roofplat.framing.outline import Outlines
from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, lists_of, marked, offsets, sums
from roofplat.framing.regular import regular_walls
from roofplat.framing.spacings import Kinds, kinds_of
from roofplat.framing.walls import Walls
from roofplat.framing.wings import gabled_ells, second_along_street, skeleton_roofs
from roofplat.rules import Family, Rulebook
from roofplat.tables import BASES, ROOF_SHAPES, join_problems, problem_rows, words

__all__ = [
    "PITCHED_PROBLEMS",
    "ROOF_LINES",
    "Pitched",
    "Planes",
    "RoofLines",
    "Said",
    "lay_out_planes",
    "pitched_problems",
    "places_in",
    "said_of",
]

BoolArray = npt.NDArray[np.bool_]

_GABLED, _HIPPED, _MONOPITCH = (ROOF_SHAPES.index(name) for name in ("gabled", "hipped", "monopitch"))
_ASSUMED, _INFERRED = BASES.index("assumed"), BASES.index("inferred")
# Sides closer than this are equal; the ridge then runs along the street, or else along the smaller azimuth.
_EQUAL_SIDE_FT = 0.01

# What can be wrong, the gravest first: a sentence, and what to do.
PITCHED_PROBLEMS: Mapping[str, tuple[str, str]] = {
    "shape_not_planned": (
        "The roof family is pitched, but the form recorded for the roof is none that is laid out.",
        "Enter gabled, hipped or monopitch as the form, or correct the roof family.",
    ),
    "planes_not_found": (
        "No planes could be laid out over this outline.",
        "Draw the outline simpler, or draw roof sections.",
    ),
    "ridge_contradicts": (
        "What is recorded of the ridge contradicts itself or the outline; the outline was followed.",
        "Check the direction of the ridge and the direction down the roof.",
    ),
    "slope_contradicts": (
        "The slope recorded and the roof height recorded do not go together; the better known one was used.",
        "Check the slope and the height of the roof.",
    ),
    "slope_beyond_family": (
        "The slope is outside what is plausible for the roof family.",
        "Check the slope and the roof family.",
    ),
}


@dataclass(frozen=True, slots=True)
class Planes:
    """The planes of n sections, sorted by section and wall.

    section
        Owner, shape (p,).
    start
        First plane of each section and the end, shape (n + 1,).
    edge
        The outline edge at its eave, the longest where the wall has several, shape (p,).
    wall
        The wall at its eave, shape (p,). The part of an L's main body that the wing cuts off has no
        eave; its wall is that of the plane it continues.
    downslope_deg
        True azimuth straight down, shape (p,).
    rise
        Tangent of the slope, shape (p,).
    corner_start
        First corner of each plane and the end, shape (p + 1,).
    east, north
        Corners in feet on the section's local plane, clockwise and not closed, the eave's two ends
        first, shape (c,).
    height_ft
        Height of each corner above the eaves.
    area_ft2, true_area_ft2
        As seen from above and along the slope, shape (p,).
    """

    section: IntArray
    start: IntArray
    edge: IntArray
    wall: IntArray
    downslope_deg: FloatArray
    rise: FloatArray
    corner_start: IntArray
    east: FloatArray
    north: FloatArray
    height_ft: FloatArray
    area_ft2: FloatArray
    true_area_ft2: FloatArray

    @property
    def count(self) -> int:
        """Number of planes."""
        return self.section.size


@dataclass(frozen=True, slots=True)
class RoofLines:
    """Lines where two planes meet, sorted by section and kind.

    section, kind
        Owner, and index into `ROOF_LINES`, shape (l,).
    plane_left, plane_right
        The planes beside the line, looking from its end 0 to its end 1.
    east0, north0, height0_ft, east1, north1, height1_ft
        Its ends; a hip or a valley begins at its lower one.
    """

    section: IntArray
    kind: IntArray
    plane_left: IntArray
    plane_right: IntArray
    east0: FloatArray
    north0: FloatArray
    height0_ft: FloatArray
    east1: FloatArray
    north1: FloatArray
    height1_ft: FloatArray


@dataclass(frozen=True, slots=True)
class Pitched:
    """What is known of the pitched roofs among n sections with m outline edges.

    planes, lines
        Of the sections that are `found`.
    found
        True where planes were laid out, shape (n,).
    eave
        True for an outline edge at the height of the eaves, shape (m,): not for a wall that is a
        gable end for a part of its length, nor for the high edge and the sides of a monopitch.
        True all round where nothing was laid out.
    edge_height_ft
        Height of the roof's edge above the eaves along each outline edge, the greatest where it
        slopes, shape (m,).
    slope_deg, rise_ft
        As planned, shape (n,); NaN where not pitched, or not found.
    shape
        Index into `tables.ROOF_SHAPES` as planned, -1 where not pitched.
    shape_basis, slope_basis
        Index into `tables.BASES`, -1 where not pitched.
    layout_basis
        The weaker of how the shape and how the way of the ridge are known, shape (n,).
    problems
        Where each of `PITCHED_PROBLEMS` is the case, shape (n,) each.
    """

    planes: Planes
    lines: RoofLines
    found: BoolArray
    eave: BoolArray
    edge_height_ft: FloatArray
    slope_deg: FloatArray
    rise_ft: FloatArray
    shape: IntArray
    shape_basis: IntArray
    slope_basis: IntArray
    layout_basis: IntArray
    problems: Mapping[str, BoolArray]

    @property
    def problem(self) -> npt.NDArray[np.object_]:
        """The gravest problem of each section, "" without any, shape (n,)."""
        worst = np.full(self.found.size, "", dtype=object)
        for code in reversed(list(PITCHED_PROBLEMS)):
            worst[self.problems[code]] = code
        return worst

    def true_area_ft2(self) -> FloatArray:
        """Area of each section's roof along its slopes, NaN where none was found, shape (n,)."""
        total = sums(self.planes.true_area_ft2, self.planes.section, self.found.size)
        return np.where(self.found, total, np.nan)


@dataclass(frozen=True, slots=True)
class Said:
    """What is said of the roofs of n sections, and what their families say; shape (n,) each.

    shape, shape_basis
        Names of `tables.ROOF_SHAPES` and `tables.BASES`; missing where nobody says.
    default_shape
        The family's.
    slope_deg, slope_basis
        NaN, or anything that is no slope, where nobody says.
    default_slope_deg, least_slope_deg, most_slope_deg
        The family's slope and the range in which it is plausible; NaN where it has none.
    roof_height_ft, roof_height_basis
        Eaves to the top.
    ridge_deg
        True azimuth of the ridge; NaN where nobody says.
    ridge_runs
        `along` or `across` the longer side.
    downslope_deg
        True direction down the roof, or down one of the two sides of its ridge.
    way_basis
        How the way of the ridge is known: the weakest of what is said of it.
    """

    shape: npt.ArrayLike
    shape_basis: npt.ArrayLike
    default_shape: npt.ArrayLike
    slope_deg: FloatArray
    slope_basis: npt.ArrayLike
    default_slope_deg: FloatArray
    least_slope_deg: FloatArray
    most_slope_deg: FloatArray
    roof_height_ft: FloatArray
    roof_height_basis: npt.ArrayLike
    ridge_deg: FloatArray
    ridge_runs: npt.ArrayLike
    downslope_deg: FloatArray
    way_basis: npt.ArrayLike


def said_of(roofs: pd.DataFrame, rules: Rulebook, kinds: Kinds | None = None) -> Said:
    """Collect what is said of the form and the slope of every roof.

    Parameters
    ----------
    roofs
        `tables.TABLES["roofs"]`, n rows.
    rules
        The families.
    kinds
        Those of the roofs, where they are looked up already.

    Returns
    -------
    Said
    """
    kinds = kinds or kinds_of(roofs["roof_family"].fillna("unknown"), rules)
    default, least, most = (kinds.ask_figures(_slope_figure(place)) for place in range(3))
    way_basis = np.full(len(roofs), -1)
    for name in ("ridge_deg", "ridge_runs", "downslope_deg"):
        way_basis = np.maximum(way_basis, np.where(roofs[name].notna(), _basis(roofs[f"{name}_basis"]), -1))
    return Said(
        shape=roofs["roof_shape"],
        shape_basis=roofs["roof_shape_basis"],
        default_shape=kinds.ask(attrgetter("shape")),
        slope_deg=_floats(roofs["slope_deg"]),
        slope_basis=roofs["slope_deg_basis"],
        default_slope_deg=default,
        least_slope_deg=least,
        most_slope_deg=most,
        roof_height_ft=_floats(roofs["roof_height_ft"]),
        roof_height_basis=roofs["roof_height_ft_basis"],
        ridge_deg=_floats(roofs["ridge_deg"]),
        ridge_runs=roofs["ridge_runs"],
        downslope_deg=_floats(roofs["downslope_deg"]),
        way_basis=words(BASES, way_basis),
    )


def _slope_figure(place: int) -> Callable[[Family], float]:
    return lambda family: _slope_figures(family)[place]


def _slope_figures(family: Family) -> tuple[float, float, float]:
    """The family's slope and the range in which it is plausible."""
    rule = family.figures.get("slope_deg")
    if rule is None:
        return np.nan, np.nan, np.nan
    low, high = rule.range or (np.nan, np.nan)
    return float(rule.value), low, high


def _floats(values: pd.Series) -> FloatArray:
    return values.to_numpy(dtype=float, na_value=np.nan)


def pitched_problems(pitched: Pitched, section_id: pd.Series) -> pd.DataFrame:
    """What was wrong with pitched roofs, as rows of the table `problems`.

    Parameters
    ----------
    pitched
        Of n sections.
    section_id
        Shape (n,).

    Returns
    -------
    DataFrame
        One row for each section and problem.
    """
    return join_problems(
        [
            problem_rows("framing", section_id[pitched.problems[code]], code, "warning", message, action)
            for code, (message, action) in PITCHED_PROBLEMS.items()
            if pitched.problems[code].any()
        ]
    )


def lay_out_planes(
    outlines: Outlines,
    walls: Walls,
    wanted: BoolArray,
    said: Said,
    rules: Rulebook,
    *,
    street_deg: FloatArray | None = None,
) -> Pitched:
    """Lay out the planes of pitched roofs.

    Parameters
    ----------
    outlines
        n sections, m edges.
    walls
        The same as straight runs: each carries one plane.
    wanted
        Sections of pitched families, shape (n,).
    said
        What is said of them.
    rules
        `pitched.*`, `outline.jog_ft`.
    street_deg
        True direction to the street, shape (n,), NaN without one: of equals the ridge that runs along it
        is taken, and the fall away from it.

    Returns
    -------
    Pitched
    """
    if street_deg is None:
        street_deg = np.full(outlines.count, np.nan)
    wanted = np.asarray(wanted, dtype=bool)
    shape, shape_basis = _shape(said)
    planned = wanted & np.isin(shape, (_GABLED, _HIPPED, _MONOPITCH))
    way = _way(walls, said, rules)
    square = _square(walls, rules.number("pitched.square_tolerance_deg"))
    ringed = marked(walls.section[~walls.shell], outlines.count)

    rectangles = np.flatnonzero(planned & (shape != _MONOPITCH) & square)
    eave_pair, unfit = _eave_pair(
        walls, rectangles, way, rules.number("pitched.direction_tolerance_deg"), street_deg
    )
    closed, pair = four_sided(walls, rectangles, eave_pair, shape[rectangles] == _HIPPED)
    # The outline, not the record, says which way the ridge of a hip runs, unless it has none.
    has_ridge = marked(closed.line_section[closed.line_kind == 0], outlines.count)[rectangles]
    unfit |= (pair != eave_pair) & np.isfinite(way.ridge_deg[rectangles]) & has_ridge

    shed = np.flatnonzero(planned & (shape == _MONOPITCH) & ~ringed)
    fall_deg, fall_assumed, fall_unfit = _fall(walls, shed, way, rules, street_deg)
    single = one_plane(walls, shed, fall_deg, rules.number("outline.jog_ft"))

    odd = planned & (shape != _MONOPITCH) & ~square
    straight, regular = regular_walls(walls, odd, rules)
    ell = regular & (shape == _GABLED) & (np.diff(walls.start) == 6)
    bars = np.flatnonzero(ell)
    same_ft = rules.number("pitched.same_line_ft")
    two_bars = gabled_ells(straight, walls, bars, same_ft, street_deg=street_deg[bars])
    free = skeleton_roofs(straight, walls, outlines.planes, odd & ~ell, shape == _GABLED, regular)
    facets = gather([closed, single, two_bars, free])

    contradicts = way.contradicts & planned
    contradicts[rectangles[unfit]] = True
    contradicts[shed[fall_unfit]] = True
    contradicts |= odd & _no_ridge_like(facets, way, rules.number("pitched.direction_tolerance_deg"))
    # Nobody need say where a hip's ridge runs, nor the ridges of an outline that is no rectangle.
    guessed = ~np.isfinite(way.ridge_deg)
    needs_way = planned & square & (shape == _GABLED)
    layout_basis = np.where(needs_way & guessed, np.maximum(shape_basis, _INFERRED), shape_basis)
    layout_basis = np.where(needs_way & ~guessed, np.maximum(layout_basis, way.basis), layout_basis)
    # Nor does anybody say which of two bars is the main body.
    layout_basis = np.where(ell, np.maximum(layout_basis, _INFERRED), layout_basis)
    layout_basis[shed] = np.maximum(layout_basis[shed], np.where(fall_assumed, _ASSUMED, way.basis[shed]))
    layout_basis[contradicts] = _ASSUMED
    shape_basis = np.where(contradicts, _ASSUMED, shape_basis)

    found = marked(facets.section, outlines.count)
    slope = _slope(said, facets, found, rules.number("pitched.slope_tolerance_deg"))
    problems = {
        "shape_not_planned": wanted & ~planned,
        "planes_not_found": planned & ~found,
        "ridge_contradicts": contradicts & found,
        "slope_contradicts": wanted & slope.contradicts,
        "slope_beyond_family": wanted & slope.beyond,
    }
    rise = np.tan(np.radians(np.where(found, slope.slope_deg, 0.0)))
    edge, of_edge, longest = walls_of_edges(outlines, walls, np.flatnonzero(found))
    edge_height = np.zeros(outlines.section.size)
    wall_height = np.zeros(walls.section.size)
    wall_height[facets.open_wall] = facets.open_depth_ft * rise[walls.section[facets.open_wall]]
    edge_height[edge] = wall_height[of_edge]
    eave = np.ones(outlines.section.size, dtype=bool)
    eave[edge] = ~marked(facets.open_wall, walls.section.size)[of_edge]
    greatest = _greatest_depth(facets, outlines.count)
    return Pitched(
        planes=_planes(facets, rise, longest, outlines.count),
        lines=_lines(facets, rise),
        found=found,
        eave=eave,
        edge_height_ft=edge_height,
        slope_deg=np.where(wanted, slope.slope_deg, np.nan),
        rise_ft=np.where(found, greatest * rise, np.nan),
        shape=np.where(wanted, shape, -1),
        shape_basis=np.where(wanted, shape_basis, -1),
        slope_basis=np.where(wanted, slope.basis, -1),
        layout_basis=np.where(wanted, layout_basis, -1),
        problems=problems,
    )


def places_in(values: npt.ArrayLike, vocabulary: tuple[str, ...]) -> IntArray:
    """Place of each word in the vocabulary, -1 for a missing one and for one that is not there."""
    known: Any = values.array if isinstance(values, pd.Series) else values
    code, words = pd.factorize(known if hasattr(known, "factorize") else np.asarray(known, dtype=object))
    place = [vocabulary.index(word) if word in vocabulary else -1 for word in words]
    return np.array([*place, -1], dtype=np.int64)[code]


def _basis(values: npt.ArrayLike) -> IntArray:
    """Place in `BASES`; what has no basis is assumed."""
    place = places_in(values, BASES)
    return np.where(place < 0, _ASSUMED, place)


def _shape(said: Said) -> tuple[IntArray, IntArray]:
    stated, default = places_in(said.shape, ROOF_SHAPES), places_in(said.default_shape, ROOF_SHAPES)
    return (
        np.where(stated >= 0, stated, default),
        np.where(stated >= 0, _basis(said.shape_basis), _ASSUMED),
    )


# Which way the ridge runs ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Way:
    """Which way the ridge runs, as far as it is said; shape (n,) each.

    ridge_deg, downslope_deg
        NaN where nobody says, or where what is said contradicts itself.
    basis
        In `BASES`.
    contradicts
        True where it does.
    """

    ridge_deg: FloatArray
    downslope_deg: FloatArray
    basis: IntArray
    contradicts: BoolArray


def _way(walls: Walls, said: Said, rules: Rulebook) -> _Way:
    """One ridge direction from the three ways to say it."""
    tolerance = rules.number("pitched.direction_tolerance_deg")
    runs = places_in(said.ridge_runs, ("along", "across"))
    stated = np.flatnonzero(runs >= 0)
    long_deg, equal = _longer_side(walls, stated)
    by_runs = np.full(runs.size, np.nan)
    by_runs[stated] = np.where(equal, np.nan, long_deg + 90.0 * runs[stated])
    by_fall = said.downslope_deg + 90.0
    with np.errstate(invalid="ignore"):
        contradicts = _apart(said.ridge_deg, by_fall) > tolerance
        # `along` and `across` only tell one side of a rectangle from the other.
        for told in (said.ridge_deg, by_fall):
            contradicts |= _apart(told, by_runs) > 45.0
    ridge = np.where(np.isfinite(said.ridge_deg), said.ridge_deg, by_fall)
    ridge = np.where(np.isfinite(ridge), ridge, by_runs)
    return _Way(
        ridge_deg=np.where(contradicts, np.nan, ridge % 180.0),
        downslope_deg=np.where(contradicts, np.nan, said.downslope_deg % 360.0),
        basis=np.where(np.isfinite(ridge), _basis(said.way_basis), _ASSUMED),
        contradicts=contradicts,
    )


def _longer_side(walls: Walls, rows: IntArray) -> tuple[FloatArray, BoolArray]:
    """Azimuth of the longer side of some outlines, 0 to 180, and whether both sides are equal.

    The longer side is the direction in which most wall runs, counted along and across the longest
    wall.
    """
    item, wall = lists_of(rows, walls.start)
    length = walls.length_ft[wall]
    longest = first_of_equals([(-length, 3)], item, rows.size)
    azimuth = walls.azimuth_deg[wall[longest]]
    off = np.radians(walls.azimuth_deg[wall] - azimuth[item])
    along = sums(length * np.abs(np.cos(off)), item, rows.size)
    across = sums(length * np.abs(np.sin(off)), item, rows.size)
    turned = azimuth + np.where(across > along, 90.0, 0.0)
    return turned % 180.0, np.abs(across - along) / 2 < _EQUAL_SIDE_FT


def _apart(one_deg: FloatArray, other_deg: FloatArray) -> FloatArray:
    """Angle between two undirected lines, 0 to 90."""
    return np.asarray(np.abs((one_deg - other_deg + 90.0) % 180.0 - 90.0))


def _square(walls: Walls, tolerance_deg: float) -> BoolArray:
    """Sections of four walls, about square to each other."""
    count = walls.start.size - 1
    four = np.flatnonzero(np.diff(walls.start) == 4)
    wall = walls.start[four][:, None] + np.arange(4)
    azimuth = walls.azimuth_deg[wall]
    corner = (np.roll(azimuth, -1, axis=1) - azimuth) % 360.0
    return marked(four[(np.abs(corner - 90.0) <= tolerance_deg).all(axis=1)], count)


def _eave_pair(
    walls: Walls, rows: IntArray, way: _Way, tolerance_deg: float, street_deg: FloatArray
) -> tuple[IntArray, BoolArray]:
    """Which two walls of a rectangle the ridge runs between, 0 or 1; and whether that is not as said."""
    first = walls.start[rows]
    length = walls.length_ft[first[:, None] + np.arange(4)]
    azimuth = walls.azimuth_deg[first[:, None] + np.arange(2)] % 180.0
    longer = (length[:, 0] + length[:, 2] - length[:, 1] - length[:, 3]) / 2
    along_street = second_along_street(azimuth, street_deg[rows]).astype(np.int64)
    pair = np.where(np.abs(longer) < _EQUAL_SIDE_FT, along_street, np.where(longer > 0, 0, 1))
    said = way.ridge_deg[rows]
    off = _apart(azimuth, said[:, None])
    fits = (off <= tolerance_deg).any(axis=1)
    stated = np.isfinite(said)
    return np.where(fits, np.argmin(np.where(stated[:, None], off, 0.0), axis=1), pair), stated & ~fits


def _fall(
    walls: Walls, rows: IntArray, way: _Way, rules: Rulebook, street_deg: FloatArray
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Direction down each monopitch roof; whether it is a guess; whether no wall fits what is said."""
    tolerance = rules.number("pitched.direction_tolerance_deg")
    item, wall = lists_of(rows, walls.start)
    outward, length = walls.outward_deg[wall], walls.length_ft[wall]
    # Of walls equally long the one away from the street, then the one to its left.
    street = np.radians(np.nan_to_num(outward - street_deg[rows][item]))
    ties = [(np.cos(street), 3), (np.sin(street), 3)]
    longest = outward[first_of_equals([(-length, 3), *ties], item, rows.size)]
    said, ridge_deg = way.downslope_deg[rows], way.ridge_deg[rows]
    fall, ridge = said[item], ridge_deg[item]
    with np.errstate(invalid="ignore"):
        off = np.abs((outward - fall + 180.0) % 360.0 - 180.0)
        across = _apart(outward, ridge + 90.0) <= tolerance
    off = np.where(off <= tolerance, off, np.inf)
    nearest = first_of_equals([(off, 3), (-length, 3), *ties], item, rows.size)
    beside = first_of_equals([(np.where(across, -length, np.inf), 3), *ties], item, rows.size)
    given = np.isfinite(said)
    sided = ~given & np.isfinite(ridge_deg)
    direction = np.where(given, said, longest)
    direction = np.where(given & (nearest >= 0), outward[nearest], direction)
    direction = np.where(sided & (beside >= 0), outward[beside], direction)
    return direction, ~given, sided & (beside < 0)


def _no_ridge_like(facets: Facets, way: _Way, tolerance_deg: float) -> BoolArray:
    """Sections whose ridges all run another way than is said."""
    ridge = (facets.line_kind == RIDGE_LINE) & np.isfinite(way.ridge_deg)[facets.line_section]
    owner, ends = facets.line_section[ridge], facets.ends[ridge]
    azimuth = np.degrees(np.arctan2(ends[:, 3] - ends[:, 0], ends[:, 4] - ends[:, 1]))
    with np.errstate(invalid="ignore"):
        fits = _apart(azimuth, way.ridge_deg[owner]) <= tolerance_deg
    count = way.ridge_deg.size
    return np.isfinite(way.ridge_deg) & marked(owner, count) & ~marked(owner[fits], count)


# How steep it is ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Slope:
    slope_deg: FloatArray
    basis: IntArray
    contradicts: BoolArray
    beyond: BoolArray


def _slope(said: Said, facets: Facets, found: BoolArray, tolerance_deg: float) -> _Slope:
    """The slope that is said, or that the roof's height gives, or the family's."""
    with np.errstate(invalid="ignore", divide="ignore"):
        stated = (said.slope_deg >= 0) & (said.slope_deg < 90)
        depth = _greatest_depth(facets, found.size)
        by_height = np.degrees(np.arctan(said.roof_height_ft / depth))
        has_height = found & (said.roof_height_ft > 0) & (depth > 0)
        contradicts = stated & has_height & (np.abs(said.slope_deg - by_height) > tolerance_deg)
        basis, height_basis = _basis(said.slope_basis), _basis(said.roof_height_basis)
        take_height = has_height & (~stated | (contradicts & (height_basis < basis)))
        slope = np.where(stated, said.slope_deg, said.default_slope_deg)
        slope = np.where(take_height, by_height, slope)
        basis = np.where(take_height, height_basis, np.where(stated, basis, _ASSUMED))
        # Half a hundredth of a degree is the rounding of figures such as 18.43.
        beyond = (slope < said.least_slope_deg - 0.005) | (slope > said.most_slope_deg + 0.005)
    return _Slope(slope, basis, contradicts, beyond)


def _greatest_depth(facets: Facets, count: int) -> FloatArray:
    greatest = np.zeros(count)
    np.maximum.at(greatest, np.repeat(facets.section, facets.size), facets.depth_ft)
    np.maximum.at(greatest, facets.line_section, facets.ends[:, [2, 5]].max(axis=1))
    return greatest


def _planes(facets: Facets, rise: FloatArray, longest: IntArray, count: int) -> Planes:
    corner_start = offsets(facets.size)
    first = corner_start[:-1]
    following = np.arange(1, facets.east.size + 1)
    following[corner_start[1:] - 1] = first
    owner = np.repeat(np.arange(facets.size.size), facets.size)
    # Measured from each plane's first corner, so that far ones do not cost digits.
    east, north = facets.east - facets.east[first][owner], facets.north - facets.north[first][owner]
    area = -sums(east * north[following] - north * east[following], owner, facets.size.size) / 2
    tangent = rise[facets.section]
    return Planes(
        section=facets.section,
        start=offsets(np.bincount(facets.section, minlength=count)),
        edge=longest[facets.wall],
        wall=facets.wall,
        downslope_deg=facets.fall_deg,
        rise=tangent,
        corner_start=corner_start,
        east=facets.east,
        north=facets.north,
        height_ft=facets.depth_ft * tangent[owner],
        area_ft2=area,
        true_area_ft2=area * np.sqrt(1.0 + tangent**2),
    )


def _lines(facets: Facets, rise: FloatArray) -> RoofLines:
    tangent = rise[facets.line_section]
    east0, north0, depth0, east1, north1, depth1 = facets.ends.T
    return RoofLines(
        section=facets.line_section,
        kind=facets.line_kind,
        plane_left=facets.line_left,
        plane_right=facets.line_right,
        east0=east0,
        north0=north0,
        height0_ft=depth0 * tangent,
        east1=east1,
        north1=north1,
        height1_ft=depth1 * tangent,
    )
