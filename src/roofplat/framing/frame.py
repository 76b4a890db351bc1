"""Frame every roof: walls, axis, beams and purlins.

In: the inventory's roofs (one row a section), streets, rules.
Out: `Framing`: the tables `sections`, `walls` and `members`, problems, and the same sections as
    arrays for the placing room.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.fast import prepare
from roofplat.framing.axis import AxisResult, find_axis
from roofplat.framing.member_rows import Ends, MemberRows, kind_numbers, members_table
from roofplat.framing.members import (
    Grid,
    Runs,
    SectionFrames,
    fill_in,
    scan,
    section_frames,
    without_grid,
)
from roofplat.framing.neighbours import Surroundings, look_out
from roofplat.framing.outline import outlines_of
from roofplat.framing.planes import Pitched, Said, lay_out_planes, pitched_problems, places_in, said_of
from roofplat.framing.rafters import lay_rafters, pitched_lines, pitched_members, planes_table, rafter_counts
from roofplat.framing.ragged import FloatArray, IntArray, chunks, marked
from roofplat.framing.spacings import Kinds, Spacings, kinds_of, mark_too_fine, spacings_of
from roofplat.framing.walls import (
    Walls,
    bearing_kinds,
    drawn_kinds,
    side_letters,
    straight_walls,
    street_direction_deg,
)
from roofplat.ground import Ground
from roofplat.late import LateTable, late_table
from roofplat.memory import steady_memory
from roofplat.rules import Family, Rulebook
from roofplat.tables import (
    AXIS_BASES,
    BASES,
    ROOF_SHAPES,
    SIDES,
    WALL_KINDS,
    conform,
    join_problems,
    problem_rows,
    words,
)
from roofplat.wkb import Packed, join_packed, packed_multilines, segments

__all__ = ["Framing", "frame_roofs"]

_CHUNK = 2_000
# A wall that faces up a single slope within this angle is its high wall.
_UPHILL_DEG = 45.0
# So many of anything are not worth a number.
_ENDLESS = 1e12


@dataclass(frozen=True, slots=True)
class Framing:
    """What framing knows of n sections.

    sections, problems
        Tables of `tables.TABLES`; geometry in the working CRS.
    wall_rows, plane_rows, member_rows
        The tables of walls, planes and members; their geometry is made when `walls`, `planes` or `members`
        are asked for.
    frames
        The sections in their own coordinates.
    wall_runs
        Walls on the sections' local planes, in the order of the table `walls`.
    wall_side, wall_kind
        Numbers in `tables.SIDES` (-1 for a courtyard) and `tables.WALL_KINDS`, by wall.
    surroundings
        What stands in front of each wall.
    street_deg
        True direction to the street of each section, shape (n,); NaN without streets.
    spacings
        How each section is framed.
    pitched
        Planes and lines of the pitched roofs.
    """

    sections: gpd.GeoDataFrame
    wall_rows: LateTable
    plane_rows: LateTable
    member_rows: LateTable
    problems: pd.DataFrame
    frames: SectionFrames
    wall_runs: Walls
    wall_side: IntArray
    wall_kind: IntArray
    surroundings: Surroundings
    street_deg: FloatArray
    spacings: Spacings
    pitched: Pitched

    @property
    def walls(self) -> gpd.GeoDataFrame:
        """The table `walls`."""
        return self.wall_rows.frame()

    @property
    def planes(self) -> gpd.GeoDataFrame:
        """The table `planes`."""
        return self.plane_rows.frame()

    @property
    def members(self) -> gpd.GeoDataFrame:
        """The table `members`."""
        return self.member_rows.frame()


@steady_memory()
def frame_roofs(
    roofs: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame,
    rules: Rulebook,
    ground: Ground,
    drawn_walls: gpd.GeoDataFrame | None = None,
    *,
    neighbours: npt.NDArray[np.object_] | None = None,
) -> Framing:
    """Lay out walls, axis and members for every section.

    Parameters
    ----------
    roofs
        `tables.TABLES["roofs"]`, n rows, working CRS.
    streets
        `name` and lines in the working CRS; may be empty.
    rules
        The rulebook in force.
    ground
        Foot and elevation.
    drawn_walls
        `kind`, `basis` and lines along outlines that somebody drew, working CRS.
    neighbours
        Sections of other buildings that only stand in front of walls, working CRS; None for none.

    Returns
    -------
    Framing
        Of the n sections.
    """
    count, crs = len(roofs), roofs.crs
    prepare(count)
    own = roofs.geometry.to_numpy()
    # Columns of a frame without geometry are reached in half the time.
    known = pd.DataFrame(roofs).reset_index(drop=True)
    polygons = own
    if neighbours is not None and neighbours.size:
        polygons = np.concatenate([polygons, neighbours])
    every = outlines_of(gpd.GeoSeries(polygons, crs=crs), ground)
    every_wall = straight_walls(every, rules)
    outlines, walls = every, every_wall
    if every.count > count:
        outlines, walls = every.rows(slice(0, count)), every_wall.rows(slice(0, count))
    family = known["roof_family"].fillna("unknown")
    kinds = kinds_of(family, rules)
    spacings = spacings_of(known, rules, kinds)
    joists = spacings.framing == "joists"
    sawtooth = kinds.ask_whether(lambda entry: entry.shape == "sawtooth")

    street_deg = street_direction_deg(outlines, known["address"], streets, rules)
    axis = find_axis(
        outlines,
        rules,
        given_deg=_floats(known["framing_axis_deg"]),
        given_basis=known["framing_axis_deg_basis"].to_numpy(dtype=object),
        walk_deg=_floats(known["sounding_walk_deg"]),
        felt_spacing_ft=_floats(known["sounding_spacing_ft"]),
        # A walk that feels the joists crosses them, as one that feels the beams does.
        beam_spacing_ft=np.where(joists, spacings.rafter_ft, spacings.beam_ft),
        purlin_spacing_ft=spacings.purlin_ft,
        lines_east_west=sawtooth,
        street_deg=street_deg,
    )
    frames = section_frames(
        outlines,
        axis.azimuth_deg,
        # Under a ridge the lattice lies on the planes, not on the section.
        np.where(spacings.framing == "pitched", np.nan, spacings.lattice_beam_ft),
        spacings.lattice_purlin_ft,
        least_section_ft=spacings.least_ft,
        purlins_bear=spacings.purlins_bear,
        street_deg=street_deg,
    )
    spacings, asked = mark_too_fine(spacings, frames, rules)
    frames = without_grid(frames, spacings.too_fine)
    said = said_of(known, rules, kinds)
    pitched = lay_out_planes(
        outlines, walls, spacings.framing == "pitched", said, rules, street_deg=street_deg
    )
    rafter_lines, at_ridge, rafter_drawn = lay_rafters(
        pitched, outlines, spacings.laid_rafter_ft, street_deg=street_deg
    )
    surroundings = look_out(every_wall, every, polygons, rules, lookers=count)
    building = pd.factorize(known["building_id"])[0]
    side, _ = side_letters(walls, street_deg, building)
    kind, kind_basis = bearing_kinds(
        walls,
        axis.azimuth_deg,
        _carries(spacings, (axis.basis == "doubtful") | sawtooth),
        side,
        known["bearing_walls"],
        known["bearing_walls_basis"],
        rules,
    )
    _mark_eaves(kind, kind_basis, walls, pitched, known["bearing_walls"].notna().to_numpy(dtype=bool))
    if drawn_walls is not None:
        kind, kind_basis = drawn_kinds(walls, outlines, drawn_walls, kind, kind_basis, rules)
    kind[surroundings.party] = WALL_KINDS.index("party")
    kind_basis[surroundings.party] = BASES.index("inferred")

    ids = known[["building_id", "section_id"]]
    unfit = problem_rows(
        "framing",
        ids["section_id"][axis.sounding_unfit],
        "sounding_fits_no_spacing",
        "warning",
        "The spacing felt on the sounding walk fits neither the purlin nor the beam spacing.",
        "Sound the roof again or enter the surveyed spacings.",
    )
    fine = np.flatnonzero(spacings.too_fine)
    most = rules.count("member.most_bays")
    crowded = problem_rows(
        "framing",
        ids["section_id"].iloc[fine],
        "members_too_close",
        "warning",
        [
            f"No members are drawn: its spacings ask for {_counted(number)} bays or pieces of members, more "
            f"than {most:,}."
            for number in asked[fine].tolist()
        ],
        "Mend the spacings, or the outline, or raise the rule member.most_bays.",
    )
    called = kinds.ask(_name_of("rafter"))
    rafter_count = rafter_counts(pitched, rafter_lines, at_ridge, called == "truss")
    grid_members, grid_lines = _grid_members(kinds, frames, axis.basis, spacings)
    members = [
        *grid_members,
        *pitched_members(
            pitched,
            lines=rafter_lines,
            count=rafter_count,
            name=called,
            spacing_ft=spacings.rafter_ft,
            spacing_basis=spacings.basis,
        ),
    ]
    drawn = join_packed([grid_lines, packed_multilines(pitched_lines(pitched, outlines)), rafter_drawn])
    return Framing(
        sections=_sections_table(
            known, own, crs, family, axis, spacings, frames, pitched, said, rafter_count
        ),
        wall_rows=_walls_table(ids, crs, frames, walls, side, kind, kind_basis, surroundings),
        plane_rows=planes_table(pitched, outlines, ids, crs),
        member_rows=members_table(members, drawn, ids, crs),
        problems=join_problems([unfit, crowded, pitched_problems(pitched, ids["section_id"])]),
        frames=frames,
        wall_runs=walls,
        wall_side=side,
        wall_kind=kind,
        surroundings=surroundings,
        street_deg=street_deg,
        spacings=spacings,
        pitched=pitched,
    )


def _slopes(roofs: pd.DataFrame, spacings: Spacings, pitched: Pitched, said: Said) -> dict[str, Any]:
    """Form, slope and true area as planned; the family's form and slope where nobody says."""
    is_pitched = spacings.framing == "pitched"
    has_form = spacings.framing != "walls"
    told = _floats(roofs["slope_deg"])
    stated = ~np.isnan(told)
    slope = np.where(stated, said.slope_deg, np.where(has_form, said.default_slope_deg, np.nan))
    slope = np.where(is_pitched, pitched.slope_deg, slope)
    shape = places_in(roofs["roof_shape"], ROOF_SHAPES)
    assumed = BASES.index("assumed")
    kept = (shape >= 0) | ~has_form
    shape_basis = np.where(kept, places_in(roofs["roof_shape_basis"], BASES), assumed)
    shape = np.where(kept, shape, places_in(said.default_shape, ROOF_SHAPES))
    shape = np.where(is_pitched, pitched.shape, shape)
    slope_basis = np.where(stated | np.isnan(slope), places_in(roofs["slope_deg_basis"], BASES), assumed)
    flat_ft2 = roofs["area_ft2"].to_numpy() / np.cos(np.radians(slope))
    true_area = np.where(shape == ROOF_SHAPES.index("flat"), flat_ft2, np.nan)
    return {
        "roof_shape": words(ROOF_SHAPES, shape),
        "shape_basis": words(BASES, np.where(is_pitched, pitched.shape_basis, shape_basis)),
        "slope_deg": slope,
        "slope_basis": words(BASES, np.where(is_pitched, pitched.slope_basis, slope_basis)),
        "rise_ft": pitched.rise_ft,
        "true_area_ft2": np.where(is_pitched, pitched.true_area_ft2(), true_area),
    }


def _carries(spacings: Spacings, untold: npt.NDArray[np.bool_]) -> npt.NDArray[np.str_]:
    """Which walls carry the roof, by the way it is framed: see `walls.bearing_kinds`."""
    return np.select(
        [untold, spacings.framing == "grid", np.isin(spacings.framing, ["joists", "trusses"])],
        ["knows not", "all", "ends"],
        default="knows not",
    )


def _mark_eaves(
    kind: IntArray,
    kind_basis: IntArray,
    walls: Walls,
    pitched: Pitched,
    stated: npt.NDArray[np.bool_],
) -> None:
    """Let the walls of pitched roofs bear where members land on them, if nobody states it.

    Members come down on the eaves, and lean on the high wall of a roof of one plane; gable ends and
    the sides of such a roof run along them.
    """
    planes = pitched.planes
    open_to = pitched.found & ~stated
    eave = marked(planes.wall, walls.section.size)
    one_plane = np.bincount(planes.section, minlength=pitched.found.size) == 1
    down = np.full(pitched.found.size, np.nan)
    down[planes.section] = planes.downslope_deg
    owner = walls.section
    with np.errstate(invalid="ignore"):
        uphill = np.abs((walls.outward_deg - down[owner]) % 360.0 - 180.0) <= _UPHILL_DEG
    bears = eave | (one_plane[owner] & uphill)
    rows = np.flatnonzero(open_to[owner])
    kind[rows] = np.where(bears, WALL_KINDS.index("bearing"), WALL_KINDS.index("nonbearing"))[rows]
    kind_basis[rows] = np.maximum(pitched.layout_basis[owner], BASES.index("inferred"))[rows]


def _joist_grid(frames: SectionFrames, spacings: Spacings) -> Grid:
    """All joists of the roofs that have them, some of which bound the bays."""
    # A section that holds a single bay has joists too.
    wide = np.minimum(frames.u_high - frames.u_low, frames.v_high - frames.v_low) >= spacings.least_ft
    spacing = np.where((spacings.framing == "joists") & wide, spacings.laid_rafter_ft, np.nan)
    return fill_in(frames.beams, frames.v_low, frames.v_high, spacing)


def _sections_table(
    roofs: pd.DataFrame,
    shapes: npt.NDArray[np.object_],
    crs: object,
    family: pd.Series,
    axis: AxisResult,
    spacings: Spacings,
    frames: SectionFrames,
    pitched: Pitched,
    said: Said,
    rafter_count: IntArray,
) -> gpd.GeoDataFrame:
    """The table of the sections; what is planned in them is filled in by placing."""
    area = roofs["area_ft2"].to_numpy()
    rafters = np.round(area / (spacings.laid_rafter_ft * spacings.purlin_ft))
    joists = _joist_grid(frames, spacings).count
    rafters = np.where(joists > 0, joists, rafters)
    rafters = np.where(pitched.found, np.where(spacings.too_fine, np.nan, rafter_count), rafters)
    nothing, nobody = np.full(area.size, np.nan), words([], np.full(area.size, -1))
    columns = {
        "building_id": roofs["building_id"].array,
        "section_id": roofs["section_id"].array,
        "roof_family": family.array,
        "family_basis": roofs["roof_family_basis"].array,
        "framing_axis_deg": axis.azimuth_deg,
        "axis_basis": axis.basis,
        "axis_share": axis.share,
        "beam_spacing_ft": spacings.beam_ft,
        "purlin_spacing_ft": spacings.purlin_ft,
        "rafter_spacing_ft": spacings.rafter_ft,
        "spacing_basis": words(BASES, spacings.basis),
        "rafter_count": rafters,
        **_slopes(roofs, spacings, pitched, said),
        "deck": roofs["deck"].array,
        "parapet_ft": roofs["parapet_ft"].array,
        "height_ft": roofs["height_ft"].array,
        "height_basis": roofs["height_ft_basis"].array,
        "area_ft2": area,
        "planned": np.zeros(area.size, dtype=bool),
        "fire_lon": nothing,
        "fire_lat": nothing,
        "fire_basis": nobody,
        "wind_from_deg": nothing,
        "wind_basis": nobody,
        "cut_method": nobody,
        "cut_method_why": nobody,
        "methods_rejected": nobody,
    }
    sections: gpd.GeoDataFrame = conform("sections", columns, geometry=shapes, crs=crs)
    return sections


def _walls_table(
    ids: pd.DataFrame,
    crs: object,
    frames: SectionFrames,
    walls: Walls,
    side: IntArray,
    kind: IntArray,
    kind_basis: IntArray,
    surroundings: Surroundings,
) -> LateTable:
    planes = frames.outlines.planes
    x0, y0 = planes.crs(walls.east0, walls.north0, walls.section)
    x1, y1 = planes.crs(walls.east1, walls.north1, walls.section)
    frame: dict[str, Any] = {
        name: ids[name].array.take(walls.section) for name in ("building_id", "section_id")
    }
    frame["wall"] = np.arange(walls.section.size) - walls.start[walls.section]
    frame["side"] = words(SIDES, side)
    frame["kind"] = words(WALL_KINDS, kind)
    frame["kind_basis"] = words(BASES, kind_basis)
    frame["length_ft"] = walls.length_ft
    frame["azimuth_deg"] = walls.azimuth_deg
    frame["outward_deg"] = walls.outward_deg
    frame["clear_ground_ft"] = surroundings.clear_ground_ft
    frame["exposure_ft"] = surroundings.exposure_ft
    return late_table("walls", frame, segments(x0, y0, x1, y1), crs)


def _grids(frames: SectionFrames, spacings: Spacings) -> dict[str, Grid]:
    """The lines that are members, by what they are called in `Family.members`."""
    joists = spacings.framing == "joists"
    return {
        "beam": _only(frames.beams, ~joists),
        "purlin": _only(frames.purlins, ~joists),
        "rafter": _joist_grid(frames, spacings),
    }


def _grid_members(
    kinds: Kinds, frames: SectionFrames, axis_basis: npt.NDArray[np.str_], spacings: Spacings
) -> tuple[list[MemberRows], Packed]:
    """All beams of each section, or all its purlins, as one multi-line; kind after kind."""
    spacing = {"beam": spacings.beam_ft, "purlin": spacings.purlin_ft, "rafter": spacings.rafter_ft}
    basis = _weaker(axis_basis, spacings.basis)
    tables, drawn = [], []
    for part, grid in _grids(frames, spacings).items():
        pieces = np.zeros(frames.count, dtype=np.int64)
        drawn.append(packed_multilines(_member_lines(frames, grid, "v" if part == "purlin" else "u", pieces)))
        owners = np.flatnonzero(pieces)
        tables.append(
            MemberRows(
                section=owners,
                kind=kind_numbers(kinds.ask(_name_of(part)))[owners],
                count=grid.count[owners],
                spacing_ft=spacing[part][owners],
                basis=basis[owners],
            )
        )
    return tables, join_packed(drawn)


def _counted(number: float) -> str:
    return f"{number:,.0f}" if number < _ENDLESS else "endlessly many"


def _name_of(part: str) -> Callable[[Family], str | None]:
    return lambda entry: entry.members.get(part)


def _only(grid: Grid, rows: npt.NDArray[np.bool_]) -> Grid:
    """The grid without the lines of some sections."""
    return replace(grid, count=np.where(rows, grid.count, 0))


def _member_lines(
    frames: SectionFrames, grid: Grid, along: Literal["u", "v"], pieces: IntArray
) -> Iterator[tuple[Ends, IntArray]]:
    """Ends of the lines of a grid in the working CRS, chunk by chunk, and how many each section has.

    Sections without lines are left out there, and have none in `pieces`, shape (n,), which is filled.
    """
    for rows in chunks(frames.count, _CHUNK):
        part = frames.rows(rows)
        runs = scan(part, Grid(grid.first[rows], grid.spacing[rows], grid.count[rows]), along)
        here = np.bincount(runs.section, minlength=part.count)
        pieces[rows] = here
        yield _ends(part, runs, along), here[here > 0]


def _ends(part: SectionFrames, runs: Runs, along: Literal["u", "v"]) -> Ends:
    """Ends of runs in the working CRS, shape (k,) each."""
    sine, cosine = part.sine[runs.section], part.cosine[runs.section]
    hand = part.hand[runs.section]
    # As `SectionFrames.east_north`, with what both ends have in common worked out once.
    if along == "u":
        left = runs.position * hand
        at_sine, at_cosine = left * sine, left * cosine
        ends = (
            runs.low * sine - at_cosine,
            runs.low * cosine + at_sine,
            runs.high * sine - at_cosine,
            runs.high * cosine + at_sine,
        )
    else:
        at_sine, at_cosine = runs.position * sine, runs.position * cosine
        low, high = runs.low * hand, runs.high * hand
        ends = (
            at_sine - low * cosine,
            at_cosine + low * sine,
            at_sine - high * cosine,
            at_cosine + high * sine,
        )
    return part.outlines.planes.crs_ends(ends, runs.section)


def _weaker(axis_basis: npt.NDArray[Any], spacing_basis: IntArray) -> IntArray:
    """Numbers in `AXIS_BASES`; as `BASES` begin them, one number means the same in both."""
    code, bases = pd.factorize(axis_basis)
    axis = np.array([AXIS_BASES.index(basis) for basis in bases] + [-1])[code]
    weaker: IntArray = np.maximum(axis, spacing_basis)
    return weaker


def _floats(values: pd.Series) -> FloatArray:
    return values.to_numpy(dtype=float, na_value=np.nan)
