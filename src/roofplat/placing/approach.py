"""What decides how a roof is reached: heights of the walls, and what stands or lies before them.

In: framing, the inventory's roofs and obstacles, streets, ground where no base can stand.
Out: `Approach`: all of it as arrays by section and by wall, once, before the chunks.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing import Framing
from roofplat.framing.facets import walls_of_edges
from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, lists_of, pair_up, take
from roofplat.placing.collapse import Zones, find_zones
from roofplat.placing.scene import Things
from roofplat.rules import Rulebook
from roofplat.tables import ROOF_SHAPES, WALL_KINDS

__all__ = [
    "Approach",
    "Lines",
    "Nearby",
    "Parapets",
    "line_clearance_ft",
    "parapets_at",
    "read_approach",
    "too_near",
    "yards_among",
]

Flags = npt.NDArray[np.bool_]
Geometry = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Nearby:
    """Shapes near sections, ascending by section; shape (k,) each.

    section, geometry
        Owner, and the shape in the working CRS.
    clear_units
        How far to keep from it, in units of the working CRS.
    """

    section: IntArray
    geometry: Geometry
    clear_units: FloatArray

    def rows(self, rows: slice) -> Nearby:
        """Those of a run of sections, counted from its first."""
        some = slice(*np.searchsorted(self.section, [rows.start, rows.stop]))
        return Nearby(self.section[some] - rows.start, self.geometry[some], self.clear_units[some])


@dataclass(frozen=True, slots=True)
class Parapets:
    """Drawn parapets on walls, ascending by wall; shape (p,) each.

    wall
        The wall they stand on.
    low_ft, high_ft
        From where to where along it.
    height_ft
        Above the roof edge.
    """

    wall: IntArray
    low_ft: FloatArray
    high_ft: FloatArray
    height_ft: FloatArray

    def rows(self, walls: slice) -> Parapets:
        """Those of a run of walls, counted from its first."""
        some = slice(*np.searchsorted(self.wall, [walls.start, walls.stop]))
        part = take(self, some)
        return Parapets(part.wall - walls.start, part.low_ft, part.high_ft, part.height_ft)


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines in the working CRS with their index; shape (k,) each.

    clear_ft
        How far to keep from each; nothing for streets.
    """

    tree: shapely.STRtree
    geometry: Geometry
    clear_ft: FloatArray

    @classmethod
    def of(cls, geometry: Geometry, clear_ft: FloatArray | None = None) -> Lines:
        """Index some lines."""
        return cls(
            shapely.STRtree(geometry), geometry, np.zeros(geometry.size) if clear_ft is None else clear_ft
        )


@dataclass(frozen=True, slots=True)
class Approach:
    """How the n sections and their w walls are reached.

    edge_ft, parapet_ft
        Roof edge above the ground, and the parapet on it where none is drawn, by wall, shape (w,).
    no_ladder
        True for a wall that no ladder can stand against, shape (w,).
    drawn
        Parapets drawn along walls.
    lines_near, ground_near, fences
        Overhead lines, ground where no base can stand, and fences that a ladder must not cross.
    yards, by_yard
        Yards that buildings enclose on all sides, and the sections that border one, shape (n,).
    lines, streets
        All overhead lines and all named streets; None without a streets layer.
    zones
        Collapse zones.
    building
        Number of the building of each section, shape (n,).
    """

    edge_ft: FloatArray
    parapet_ft: FloatArray
    no_ladder: Flags
    drawn: Parapets
    lines_near: Nearby
    ground_near: Nearby
    fences: Nearby
    yards: shapely.STRtree | None
    by_yard: Flags
    lines: Lines
    streets: Lines | None
    zones: Zones
    building: IntArray

    def rows(self, rows: slice, walls: slice) -> Approach:
        """The same for a run of sections and their walls."""
        return Approach(
            edge_ft=self.edge_ft[walls],
            parapet_ft=self.parapet_ft[walls],
            no_ladder=self.no_ladder[walls],
            drawn=self.drawn.rows(walls),
            lines_near=self.lines_near.rows(rows),
            ground_near=self.ground_near.rows(rows),
            fences=self.fences.rows(rows),
            yards=self.yards,
            by_yard=self.by_yard[rows],
            lines=self.lines,
            streets=self.streets,
            zones=self.zones,
            building=self.building[rows],
        )


def line_clearance_ft(voltage_kv: FloatArray, rules: Rulebook) -> FloatArray:
    """Clearance from overhead lines by voltage (29 CFR 1926.1408 Table A).

    Parameters
    ----------
    voltage_kv
        Shape (n,); NaN takes `line.unknown_kv`.
    rules
        `line.*`.

    Returns
    -------
    ndarray of float
        Feet, shape (n,); each band includes its upper value, and a line above the last band
        keeps the last clearance until the owner gives one.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> line_clearance_ft(np.array([50.0, 50.1, np.nan]), load_rulebook()).tolist()
    [10.0, 15.0, 10.0]
    """
    bands = np.array(rules.numbers("line.upto_kv"))
    clearance = np.array(rules.numbers("line.clearance_ft"))
    voltage = np.where(np.isfinite(voltage_kv), voltage_kv, rules.number("line.unknown_kv"))
    result: FloatArray = clearance[np.minimum(np.searchsorted(bands, voltage), clearance.size - 1)]
    return result


def read_approach(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    things: Things,
    rules: Rulebook,
    *,
    planned: Flags,
    streets: gpd.GeoDataFrame | None,
    ground: gpd.GeoDataFrame | None,
    buildings: shapely.STRtree,
) -> Approach:
    """Read once what all ladders and aerials have to do with.

    Parameters
    ----------
    framing
        n sections with w walls.
    roofs, obstacles, streets, ground
        Tables in the working CRS; None stands for a layer that is not there.
    things
        The obstacles as arrays.
    rules
        `ladder.*`, `aerial.*`, `line.*`, `collapse.*`, `join.parapet_reach_ft`.
    planned
        True for a section that wants ladders, shape (n,).
    buildings
        All sections, and after them outlines of others that stand in the way.

    Returns
    -------
    Approach
    """
    walls = framing.wall_runs
    height = roofs["height_ft"].to_numpy(dtype=float, na_value=np.nan)
    height = np.where(np.isfinite(height), height, rules.number("ladder.default_height_ft.one_storey"))
    parapet = np.nan_to_num(roofs["parapet_ft"].to_numpy(dtype=float, na_value=np.nan))
    above_eaves, slanted = _roof_edges(framing, rules)
    edge = height[walls.section] + above_eaves
    is_parapet = things.of(["parapet"]) & obstacles["height_ft"].notna().to_numpy(dtype=bool)
    drawn = _drawn_parapets(framing, roofs, obstacles, is_parapet, planned, buildings, rules)
    building = pd.factorize(roofs["building_id"])[0].astype(np.int64)

    share = rules.number("ladder.base_share")
    farthest = (edge.max(initial=0.0) + parapet.max(initial=0.0) + drawn.height_ft.max(initial=0.0)) * (
        share / np.sqrt(1.0 - share**2)
    )
    overhead = things.of(["overhead_line"])
    voltage_kv = obstacles["voltage_kv"].to_numpy(dtype=float, na_value=np.nan)
    clear_ft = line_clearance_ft(voltage_kv[overhead], rules)
    lines = Lines.of(things.geometry[overhead], clear_ft)

    def near(geometry: Geometry, clear: FloatArray) -> Nearby:
        return _nearby(framing.frames, buildings, planned, geometry, clear, farthest)

    nowhere = np.empty(0, dtype=object)
    lies = nowhere if ground is None else ground.geometry.to_numpy()
    is_fence = np.zeros(0, dtype=bool) if ground is None else (ground["kind"] == "fence").to_numpy(dtype=bool)
    yards, by_yard = _closed_yards(framing.surroundings.meets_another, buildings)
    return Approach(
        edge_ft=edge,
        parapet_ft=parapet[walls.section],
        no_ladder=(framing.wall_kind == WALL_KINDS.index("party")) | slanted,
        drawn=drawn,
        lines_near=near(lines.geometry, clear_ft),
        ground_near=near(lies, np.full(lies.size, rules.number("ladder.base_clear_ft"))),
        fences=near(lies[is_fence], np.zeros(is_fence.sum())),
        yards=yards,
        by_yard=by_yard,
        lines=lines,
        streets=_named(streets),
        zones=find_zones(
            framing, roofs, building, edge + parapet[walls.section], edge, drawn.wall, drawn.height_ft, rules
        ),
        building=building,
    )


def parapets_at(approach: Approach, wall: IntArray, along: FloatArray) -> tuple[FloatArray, Flags]:
    """The parapet at places on walls, and where it is a drawn one; the highest of several drawn.

    Parameters
    ----------
    approach
        Parapets of w walls.
    wall, along
        Wall of each place and how far along it, shape (k,).

    Returns
    -------
    parapet_ft, drawn
        Shape (k,).
    """
    parapet = approach.parapet_ft[wall]
    drawn = np.zeros(wall.size, dtype=bool)
    on = approach.drawn
    if on.wall.size:
        candidate, stretch = pair_up(wall, on.wall, approach.edge_ft.size)
        here = (along[candidate] >= on.low_ft[stretch] - 0.01) & (
            along[candidate] <= on.high_ft[stretch] + 0.01
        )
        candidate, stretch = candidate[here], stretch[here]
        drawn[candidate] = True
        parapet = np.where(drawn, 0.0, parapet)
        np.maximum.at(parapet, candidate, on.height_ft[stretch])
    return parapet, drawn


def too_near(
    frames: SectionFrames,
    section: IntArray,
    east0: FloatArray,
    north0: FloatArray,
    east1: FloatArray,
    north1: FloatArray,
    nearby: Nearby,
) -> Flags:
    """Straight pieces, seen from above, that come within the clearance of a shape near their section.

    Parameters
    ----------
    frames
        n sections.
    section
        Owner of each piece, shape (m,).
    east0, north0, east1, north1
        Its ends in feet on the section's plane; both the same for a point.
    nearby
        What to keep off.

    Returns
    -------
    ndarray of bool
        Shape (m,).
    """
    bad = np.zeros(section.size, dtype=bool)
    if not nearby.section.size:
        return bad
    piece, shape = pair_up(section, nearby.section, frames.count)
    planes = frames.outlines.planes
    owner = section[piece]
    x0, y0 = planes.crs(east0[piece], north0[piece], owner)
    x1, y1 = planes.crs(east1[piece], north1[piece], owner)
    low_x, low_y, high_x, high_y = shapely.bounds(nearby.geometry).T
    reach = nearby.clear_units[shape]
    close = (
        (np.minimum(x0, x1) <= high_x[shape] + reach)
        & (np.maximum(x0, x1) >= low_x[shape] - reach)
        & (np.minimum(y0, y1) <= high_y[shape] + reach)
        & (np.maximum(y0, y1) >= low_y[shape] - reach)
    )
    piece, shape = piece[close], shape[close]
    ends = np.stack([x0[close], y0[close], x1[close], y1[close]], axis=1)
    straight = shapely.linestrings(ends.reshape(-1, 2, 2))
    within = shapely.distance(straight, nearby.geometry[shape]) <= nearby.clear_units[shape]
    bad[piece[within]] = True
    return bad


def _roof_edges(framing: Framing, rules: Rulebook) -> tuple[FloatArray, Flags]:
    """How far the roof edge over each wall lies above the eaves, and where it slants.

    Gable ends and the sides of a monopitch roof slant: their height is the greatest along the wall,
    and no ladder stands there. The high edge of a monopitch roof is level.
    """
    walls, pitched = framing.wall_runs, framing.pitched
    above, slanted = np.zeros(walls.section.size), np.zeros(walls.section.size, dtype=bool)
    found = np.flatnonzero(pitched.found)
    if not found.size:
        return above, slanted
    edge, wall, _ = walls_of_edges(framing.frames.outlines, walls, found)
    np.maximum.at(above, wall, pitched.edge_height_ft[edge])
    slanted[wall] = ~pitched.eave[edge]
    shed = pitched.shape == ROOF_SHAPES.index("monopitch")
    some = np.flatnonzero(slanted & shed[walls.section])
    fall_deg = pitched.planes.downslope_deg[pitched.planes.start[walls.section[some]]]
    off = np.abs((walls.azimuth_deg[some] - fall_deg + 90.0) % 180.0 - 90.0)
    slanted[some[off >= 90.0 - rules.number("pitched.direction_tolerance_deg")]] = False
    return above, slanted


def _nearby(
    frames: SectionFrames,
    buildings: shapely.STRtree,
    planned: Flags,
    geometry: Geometry,
    clear_ft: FloatArray,
    setback_ft: float,
) -> Nearby:
    """Shapes that a ladder of the planned sections may come near."""
    if not geometry.size:
        return Nearby(np.empty(0, dtype=np.int64), geometry, np.empty(0))
    units = np.sqrt(1.0 / frames.outlines.planes.area_ft2_per_unit2())
    # A few feet more: walls are straight runs, a little off the outline.
    search = (clear_ft + setback_ft + 10.0) * units.max()
    shape, section = buildings.query(geometry, predicate="dwithin", distance=search)
    kept = _theirs(planned, section)
    shape, section = shape[kept], section[kept]
    order = np.lexsort((shape, section))
    shape, section = shape[order], section[order]
    return Nearby(section, geometry[shape], clear_ft[shape] * units[section])


def _named(streets: gpd.GeoDataFrame | None) -> Lines | None:
    """Streets with a name: an aerial does not work from a footpath."""
    if streets is None or streets.empty:
        return None
    name = streets["name"]
    named = (name.notna() & (name.str.strip() != "")).to_numpy(dtype=bool)
    lines = shapely.get_parts(streets.geometry.to_numpy()[named])
    return Lines.of(lines) if lines.size else None


def _theirs(planned: Flags, section: IntArray) -> Flags:
    """Which numbers of outlines are those of planned sections."""
    mine = np.minimum(section, planned.size - 1)
    return (section < planned.size) & planned[mine] if planned.size else np.zeros(section.size, dtype=bool)


def enclosed_ground(outlines: Geometry) -> Geometry:
    """Ground inside rings of outlines.

    Parameters
    ----------
    outlines
        Polygons in one CRS, shape (n,).

    Returns
    -------
    ndarray of Polygon
        The holes of all together, in no order that means anything.

    Examples
    --------
    >>> square = [shapely.box(0, 0, 3, 1), shapely.box(0, 2, 3, 3), shapely.box(0, 1, 1, 2)]
    >>> enclosed_ground(np.array(square)).size, enclosed_ground(np.array([])).size
    (0, 0)
    >>> enclosed_ground(np.array([*square, shapely.box(2, 1, 3, 2)]))[0].equals(shapely.box(1, 1, 2, 2))
    True
    """
    merged = shapely.get_parts(shapely.union_all(outlines))
    rings, part = shapely.get_rings(merged[shapely.get_type_id(merged) == 3], return_index=True)
    # The first ring of each part is its outer one.
    inner = np.r_[False, part[1:] == part[:-1]][: part.size]
    return np.asarray(shapely.polygons(rings[inner]), dtype=object)


def yards_among(outlines: Geometry) -> Geometry:
    """Ground inside rings of those outlines that touch another.

    Parameters
    ----------
    outlines
        Polygons in one CRS, shape (n,).

    Returns
    -------
    ndarray of Polygon
        As from `enclosed_ground`; a hole in an outline that touches none is no yard.

    Examples
    --------
    >>> square = [shapely.box(0, 0, 3, 1), shapely.box(0, 2, 3, 3), shapely.box(0, 1, 1, 2)]
    >>> yards_among(np.array([*square, shapely.box(2, 1, 3, 2), shapely.box(9, 9, 10, 10)])).size
    1
    """
    one, other = shapely.STRtree(outlines).query(outlines, predicate="intersects")
    return enclosed_ground(outlines[np.unique(one[one != other])])


def _closed_yards(meets_another: Flags, buildings: shapely.STRtree) -> tuple[shapely.STRtree | None, Flags]:
    """Ground inside rings of buildings that touch: light wells, yards without a way in."""
    count = meets_another.size
    bordering = np.zeros(count, dtype=bool)
    outlines = buildings.geometries
    meets = np.zeros(outlines.size, dtype=bool)
    meets[:count] = meets_another
    if outlines.size > count:
        one, other = buildings.query(outlines[count:], predicate="intersects")
        # The same section may be there more than once: it does not meet itself.
        another = ~shapely.equals_identical(outlines[count + one], outlines[other])
        meets[count + one[another]] = True
    if not meets.any():
        return None, bordering
    yards = enclosed_ground(outlines[meets])
    if not yards.size:
        return None, bordering
    borders = buildings.query(yards, predicate="intersects")[1]
    bordering[borders[borders < count]] = True
    return shapely.STRtree(yards), bordering


def _drawn_parapets(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    is_parapet: Flags,
    planned: Flags,
    buildings: shapely.STRtree,
    rules: Rulebook,
) -> Parapets:
    """Parapets drawn along walls, as stretches of those walls."""
    nobody, nothing = np.empty(0, dtype=np.int64), np.empty(0)
    if not is_parapet.any():
        return Parapets(nobody, nothing, nothing, nothing)
    rows = obstacles[is_parapet]
    shapes = rows.geometry.to_numpy()
    rings = np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes)
    parts, row = shapely.get_parts(rings, return_index=True)
    coordinates, line = shapely.get_coordinates(parts, return_index=True)
    first = np.flatnonzero(line[1:] == line[:-1])
    start, end, row = coordinates[first], coordinates[first + 1], row[line[first]]
    near = rules.number("join.parapet_reach_ft")
    planes = framing.frames.outlines.planes
    units = np.sqrt(1.0 / planes.area_ft2_per_unit2()).max()
    pieces = shapely.linestrings(np.stack([start, end], axis=1))
    piece, section = buildings.query(pieces, predicate="dwithin", distance=(near + 2.0) * units)
    own = _theirs(planned, section)
    piece, section = piece[own], section[own]
    named = rows["building_id"].to_numpy(dtype=object)[row[piece]]
    theirs = pd.isna(named) | (named == roofs["building_id"].to_numpy(dtype=object)[section])
    piece, section = piece[theirs], section[theirs]

    walls = framing.wall_runs
    pair, wall = lists_of(section, walls.start)
    piece = piece[pair]
    azimuth = np.radians(walls.azimuth_deg[wall])
    sine, cosine = np.sin(azimuth), np.cos(azimuth)
    along, out = [], []
    for point in (start, end):
        east, north = planes.feet(point[piece, 0], point[piece, 1], walls.section[wall])
        east, north = east - walls.east0[wall], north - walls.north0[wall]
        along.append(east * sine + north * cosine)
        out.append(north * sine - east * cosine)
    run, rise = along[1] - along[0], out[1] - out[0]
    # The stretch within reach of the wall, of a piece that runs along it rather than away from it.
    with np.errstate(divide="ignore", invalid="ignore"):
        enter, leave = (-near - out[0]) / rise, (near - out[0]) / rise
    level = np.abs(rise) < 1e-9
    low = np.where(level, 0.0, np.clip(np.minimum(enter, leave), 0, 1))
    high = np.where(level, 1.0, np.clip(np.maximum(enter, leave), 0, 1))
    ends = along[0] + low * run, along[0] + high * run
    low, high = np.maximum(np.minimum(*ends), 0.0), np.minimum(np.maximum(*ends), walls.length_ft[wall])
    on = (
        (high > low) & (np.abs(run) >= np.abs(rise)) & (~level | (np.abs(out[0]) <= near)) & walls.shell[wall]
    )
    height = rows["height_ft"].to_numpy(dtype=float)[row[piece]]
    found = Parapets(wall[on], low[on], high[on], height[on])
    return take(found, np.lexsort((found.height_ft, found.low_ft, found.wall)))
