"""Frame every roof: walls, axis, beams and purlins.

In: the inventory's roofs (one row a section), streets, rules.
Out: `Framing`: the tables `sections`, `walls` and `members`, problems, and the same sections as
    arrays for the placing room.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.axis import find_axis
from roofplat.framing.members import SectionFrames, scan, section_frames
from roofplat.framing.neighbours import Surroundings, look_out
from roofplat.framing.outline import outlines_of
from roofplat.framing.ragged import FloatArray, IntArray, chunks, offsets, steady_memory
from roofplat.framing.walls import (
    Walls,
    bearing_kinds,
    side_letters,
    straight_walls,
    street_direction_deg,
)
from roofplat.ground import Ground
from roofplat.rules import Family, Rulebook
from roofplat.tables import AXIS_BASES, BASES, SIDES, WALL_KINDS, conform, problem_rows, words

__all__ = ["Framing", "by_family", "frame_roofs"]

_CHUNK = 4000


@dataclass(frozen=True, slots=True)
class Framing:
    """What framing knows of n sections.

    sections, walls, members, problems
        Tables of `tables.TABLES`; geometry in the working CRS.
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
    panelized
        True where the family is planned as panelized, shape (n,).
    """

    sections: gpd.GeoDataFrame
    walls: gpd.GeoDataFrame
    members: gpd.GeoDataFrame
    problems: pd.DataFrame
    frames: SectionFrames
    wall_runs: Walls
    wall_side: IntArray
    wall_kind: IntArray
    surroundings: Surroundings
    street_deg: FloatArray
    panelized: npt.NDArray[np.bool_]


@steady_memory()
def frame_roofs(
    roofs: gpd.GeoDataFrame, streets: gpd.GeoDataFrame, rules: Rulebook, ground: Ground
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

    Returns
    -------
    Framing
    """
    roofs = roofs.reset_index(drop=True)
    outlines = outlines_of(roofs.geometry, ground)
    family = roofs["roof_family"].fillna("unknown")
    panelized = by_family(family, rules, lambda entry: entry.plan == "panelized").astype(bool)
    spacing, spacing_basis = _spacings(roofs, family, panelized, rules)

    axis = find_axis(
        outlines,
        rules,
        given_deg=_floats(roofs["framing_axis_deg"]),
        given_basis=roofs["framing_axis_deg_basis"].to_numpy(dtype=object),
        walk_deg=_floats(roofs["sounding_walk_deg"]),
        felt_spacing_ft=_floats(roofs["sounding_spacing_ft"]),
        beam_spacing_ft=spacing["beam_spacing_ft"],
        purlin_spacing_ft=spacing["purlin_spacing_ft"],
    )
    frames = section_frames(
        outlines,
        axis.azimuth_deg,
        spacing["beam_spacing_ft"],
        spacing["purlin_spacing_ft"],
        least_section_ft=rules.number("member.least_section_ft"),
    )
    polygons = roofs.geometry.to_numpy()
    walls = straight_walls(outlines, rules)
    surroundings = look_out(walls, outlines, polygons, rules)
    street_deg = street_direction_deg(outlines, roofs["address"], streets, rules)
    building = pd.factorize(roofs["building_id"])[0]
    side, _ = side_letters(walls, street_deg, building)
    kind, kind_basis = bearing_kinds(
        walls,
        axis.azimuth_deg,
        panelized & (axis.basis != "doubtful"),
        side,
        roofs["bearing_walls"],
        roofs["bearing_walls_basis"],
        rules,
    )
    kind[surroundings.party] = WALL_KINDS.index("party")
    kind_basis[surroundings.party] = BASES.index("inferred")

    ids = roofs[["building_id", "section_id"]]
    problems = problem_rows(
        "framing",
        ids["section_id"][axis.sounding_unfit],
        "sounding_fits_no_spacing",
        "warning",
        "The spacing felt on the sounding walk fits neither the purlin nor the beam spacing.",
        "Sound the roof again or enter the surveyed spacings.",
    )
    return Framing(
        sections=_sections_table(roofs, family, axis, spacing, spacing_basis),
        walls=_walls_table(ids, roofs.crs, frames, walls, side, kind, kind_basis, surroundings),
        members=_members_table(ids, roofs.crs, frames, axis.basis, spacing_basis, spacing),
        problems=problems,
        frames=frames,
        wall_runs=walls,
        wall_side=side,
        wall_kind=kind,
        surroundings=surroundings,
        street_deg=street_deg,
        panelized=panelized,
    )


def _spacings(
    roofs: gpd.GeoDataFrame, family: pd.Series, panelized: npt.NDArray[np.bool_], rules: Rulebook
) -> tuple[dict[str, FloatArray], IntArray]:
    """Recorded spacings first, the family's default after; the basis is the weakest of the three."""
    spacing: dict[str, FloatArray] = {}
    weakest = np.full(len(roofs), -1)
    assumed = BASES.index("assumed")
    for name in ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft"):
        default = by_family(family, rules, attrgetter(name)).astype(float)
        known = _floats(roofs[name])
        spacing[name] = np.where(panelized, np.where(np.isfinite(known), known, default), np.nan)
        code, bases = pd.factorize(roofs[f"{name}_basis"])
        place = np.array([BASES.index(basis) for basis in bases] + [assumed])[code]
        weakest = np.maximum(weakest, np.where(np.isfinite(known), place, assumed))
    return spacing, np.where(panelized, weakest, -1)


def by_family(family: pd.Series, rules: Rulebook, ask: Callable[[Family], Any]) -> npt.NDArray[np.object_]:
    """What each section's family answers, None for a family that is not in the rulebook.

    Parameters
    ----------
    family
        Roof family of each section, shape (n,).
    rules
        The rulebook in force.
    ask
        Takes a family.

    Returns
    -------
    ndarray of object
        Shape (n,).
    """
    code, names = pd.factorize(family)
    known = [rules.families.get(name) for name in names]
    answers = [None if entry is None else ask(entry) for entry in known]
    return np.array([*answers, None], dtype=object)[code]


def _sections_table(
    roofs: gpd.GeoDataFrame,
    family: pd.Series,
    axis: Any,
    spacing: dict[str, FloatArray],
    spacing_basis: IntArray,
) -> gpd.GeoDataFrame:
    rafters = roofs["area_ft2"] / (spacing["rafter_spacing_ft"] * spacing["purlin_spacing_ft"])
    columns = {
        "building_id": roofs["building_id"],
        "section_id": roofs["section_id"],
        "roof_family": family,
        "family_basis": roofs["roof_family_basis"],
        "framing_axis_deg": axis.azimuth_deg,
        "axis_basis": axis.basis,
        "axis_share": axis.share,
        **spacing,
        "spacing_basis": words(BASES, spacing_basis),
        "rafter_count": rafters.round().astype("Int64"),
        "slope_deg": roofs["slope_deg"],
        "deck": roofs["deck"],
        "parapet_ft": roofs["parapet_ft"],
        "height_ft": roofs["height_ft"],
        "height_basis": roofs["height_ft_basis"],
        "area_ft2": roofs["area_ft2"],
        "planned": False,
        "fire_lon": np.nan,
        "fire_lat": np.nan,
        "fire_basis": None,
        "wind_from_deg": np.nan,
        "wind_basis": None,
        "cut_method": None,
        "cut_method_why": None,
    }
    frame = gpd.GeoDataFrame(columns, geometry=roofs.geometry.array, crs=roofs.crs)
    sections: gpd.GeoDataFrame = conform("sections", frame)
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
) -> gpd.GeoDataFrame:
    planes = frames.outlines.planes
    x0, y0 = planes.crs(walls.east0, walls.north0, walls.section)
    x1, y1 = planes.crs(walls.east1, walls.north1, walls.section)
    frame = ids.iloc[walls.section].reset_index(drop=True)
    frame["wall"] = np.arange(walls.section.size) - walls.start[walls.section]
    frame["side"] = words(SIDES, side)
    frame["kind"] = words(WALL_KINDS, kind)
    frame["kind_basis"] = words(BASES, kind_basis)
    frame["length_ft"] = walls.length_ft
    frame["azimuth_deg"] = walls.azimuth_deg
    frame["outward_deg"] = walls.outward_deg
    frame["clear_ground_ft"] = surroundings.clear_ground_ft
    frame["exposure_ft"] = surroundings.exposure_ft
    lines = np.asarray(shapely.linestrings(np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2, 2)))
    table: gpd.GeoDataFrame = conform("walls", frame, geometry=lines, crs=crs)
    return table


def _members_table(
    ids: pd.DataFrame,
    crs: object,
    frames: SectionFrames,
    axis_basis: npt.NDArray[np.str_],
    spacing_basis: IntArray,
    spacing: dict[str, FloatArray],
) -> gpd.GeoDataFrame:
    """One row a kind and section: all its beams, or all its purlins, as one multi-line."""
    tables = []
    for kind, grid in (("beam", frames.beams), ("purlin", frames.purlins)):
        parts = [_member_lines(frames, rows, kind) for rows in chunks(frames.count, _CHUNK)]
        owners = np.concatenate([part[0] for part in parts])
        frame = ids.iloc[owners].reset_index(drop=True)
        frame["kind"] = words([kind], np.zeros(owners.size, dtype=np.int64))
        frame["count"] = grid.count[owners]
        frame["spacing_ft"] = spacing[f"{kind}_spacing_ft"][owners]
        frame["basis"] = _weaker(axis_basis[owners], spacing_basis[owners])
        geometry = np.concatenate([part[1] for part in parts])
        tables.append(gpd.GeoDataFrame(frame, geometry=geometry, crs=crs))
    table: gpd.GeoDataFrame = conform("members", pd.concat(tables, ignore_index=True))
    return table


def _member_lines(frames: SectionFrames, rows: slice, kind: str) -> tuple[IntArray, npt.NDArray[np.object_]]:
    """Sections of a chunk that have members of a kind, and the lines of each."""
    part = frames.rows(rows)
    if kind == "beam":
        runs = scan(part, part.beams, "u")
        ends = (runs.low, runs.position), (runs.high, runs.position)
    else:
        runs = scan(part, part.purlins, "v")
        ends = (runs.position, runs.low), (runs.position, runs.high)
    x0, y0 = part.crs(*ends[0], runs.section)
    x1, y1 = part.crs(*ends[1], runs.section)
    coordinates = np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2)
    pieces = np.bincount(runs.section, minlength=part.count)
    owners = np.flatnonzero(pieces)
    geometry = shapely.from_ragged_array(
        shapely.GeometryType.MULTILINESTRING,
        coordinates,
        (np.arange(0, coordinates.shape[0] + 1, 2), offsets(pieces[owners])),
    )
    return owners + rows.start, geometry


def _weaker(axis_basis: npt.NDArray[Any], spacing_basis: IntArray) -> Any:
    # BASES begin AXIS_BASES, so that one number means the same in both.
    code, bases = pd.factorize(axis_basis)
    axis = np.array([AXIS_BASES.index(basis) for basis in bases] + [-1])[code]
    return words(AXIS_BASES, np.maximum(axis, spacing_basis))


def _floats(values: pd.Series) -> FloatArray:
    return values.to_numpy(dtype=float, na_value=np.nan)
