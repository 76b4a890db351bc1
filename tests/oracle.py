"""The same plan by a plain loop over single buildings.

In: the inventory's roofs (one section a building), streets, obstacles, rules, ground, the wind.
Out: `BuildingByLoop` for each building: walls, axis, members, ladders, paths, checks, openings,
    cuts and trench, from the stated rules, with shapely, single numbers and networkx.

It is slow on purpose and shares no code with the rooms `framing` and `placing`. Outlines must
have real corners only; simplification is then the identity, and `plan_by_loop` says so where
it is not. Paths are looked for in the full graph of walls and all members.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import substring

from roofplat.ground import Ground, local_planes
from roofplat.rules import Rulebook

__all__ = ["BuildingByLoop", "District", "Planner", "plan_by_loop"]

XY = tuple[float, float]
_TINY_FT = 1e-7
# Ways that need a saw.
CUTTING = (
    "fold_back",
    "center_rafter_louver",
    "joist_louver",
    "between_joists",
    "near_ridge",
    "small_opening",
)
LOUVERS = ("center_rafter_louver", "joist_louver")


def _fold(angle_deg: float) -> float:
    """Angle to the nearest multiple of 90 degrees."""
    return (angle_deg + 45.0) % 90.0 - 45.0


def _level(value: float, decimals: int) -> float:
    """A value to the decimals that count as equal; what lies between two levels is not left to noise."""
    return float(np.round(np.round(value, decimals + 4), decimals))


def _segments(polygon: Polygon) -> Iterator[tuple[XY, XY, bool]]:
    """Edges of a normalized polygon: start, end, and whether it is on the outer ring."""
    for number, ring in enumerate([polygon.exterior, *polygon.interiors]):
        points = list(ring.coords)
        for start, end in itertools.pairwise(points):
            yield start, end, number == 0


def _pieces(line: LineString, polygon: Polygon) -> list[LineString]:
    cut = line.intersection(polygon)
    return [
        piece for piece in getattr(cut, "geoms", [cut]) if piece.geom_type == "LineString" and piece.length
    ]


@dataclass
class WallByLoop:
    """A wall in feet east and north; the roof is on its right."""

    start: XY
    end: XY
    shell: bool
    length_ft: float
    azimuth_deg: float
    convex_start: bool = True
    convex_end: bool = True
    side: str | None = None
    kind: str = "unknown"
    exposure_ft: float | None = None
    clear_ground_ft: float = 0.0

    @property
    def outward_deg(self) -> float:
        return (self.azimuth_deg - 90.0) % 360.0

    def at(self, along_ft: float, out_ft: float = 0.0) -> XY:
        """The point so far along the wall and so far out from it."""
        sine, cosine = math.sin(math.radians(self.azimuth_deg)), math.cos(math.radians(self.azimuth_deg))
        return (
            self.start[0] + along_ft * sine - out_ft * cosine,
            self.start[1] + along_ft * cosine + out_ft * sine,
        )

    def start_along(self, point: XY) -> float:
        """How far along the wall a point on it is."""
        return math.dist(self.start, point)

    def view(self, geometry: Any) -> Any:
        """A geometry in feet, in this wall's coordinates: along it, and out from it."""
        sine, cosine = math.sin(math.radians(self.azimuth_deg)), math.cos(math.radians(self.azimuth_deg))
        turn = np.array([[sine, cosine], [-cosine, sine]])
        return shapely.transform(geometry, lambda xy: (xy - np.array(self.start)) @ turn.T)


@dataclass
class BayByLoop:
    row: int
    column: int
    cell: tuple[float, float, float, float]
    cut: tuple[float, float, float, float]
    clear: bool

    @property
    def centre(self) -> XY:
        return (self.cell[0] + self.cell[2]) / 2, (self.cell[1] + self.cell[3]) / 2


@dataclass
class LadderByLoop:
    wall: int
    side: str | None
    tip: XY
    base: XY
    foothold: XY
    score: float
    support_ft: float = 0.0
    ground: bool = True
    """Whether a ladder's base can stand there."""
    aerial: tuple[XY, float, bool] | None = None
    """Turntable, its distance from the tip, and whether it stands in the collapse zone."""
    apparatus: str = ""
    ladder_ft: float | None = None
    in_zone: bool = True
    doubts: list[str] = field(default_factory=list)
    """What speaks against a ladder that stands already, sorted."""


@dataclass
class PathByLoop:
    cost: float
    length_ft: float
    points: list[XY]


@dataclass
class OpeningByLoop:
    u_head: float
    u_base: float
    v_start: float
    v_finish: float
    parts: int
    cuts: list[tuple[str, int, int, float]]
    method: str = ""

    @property
    def box(self) -> Polygon:
        return box(
            min(self.u_head, self.u_base),
            min(self.v_start, self.v_finish),
            max(self.u_head, self.u_base),
            max(self.v_start, self.v_finish),
        )


@dataclass
class TrenchByLoop:
    along_beam: bool
    corners: list[XY]
    """Low side start and end, high side end and start, in section coordinates."""
    start_wall: int
    saved_share: float
    saves_sign: int
    from_fire_ft: float


@dataclass
class BuildingByLoop:
    """Everything the loop knows of one building; section coordinates where not said otherwise."""

    section_id: str
    outline: Polygon
    azimuth_deg: float = math.nan
    axis_basis: str = ""
    axis_share: float = math.nan
    sounding_unfit: bool = False
    walls: list[WallByLoop] = field(default_factory=list)
    beams: list[float] = field(default_factory=list)
    purlins: list[float] = field(default_factory=list)
    beam_runs: list[tuple[float, float, float]] = field(default_factory=list)
    purlin_runs: list[tuple[float, float, float]] = field(default_factory=list)
    fire: XY = (math.nan, math.nan)
    bays: list[BayByLoop] = field(default_factory=list)
    refusal: str = ""
    joists: list[float] = field(default_factory=list)
    joist_runs: list[tuple[float, float, float]] = field(default_factory=list)
    method: str | None = None
    """The first of the family's ways that nothing speaks against; told where it is drawn."""
    cutting: str | None = None
    rejected: dict[str, str] = field(default_factory=dict)
    """Ways of the family that are not taken, and the rule that decides."""
    existing: tuple[float, float, float, float] | None = None
    along_walls_ft: float | None = None
    ladders: list[LadderByLoop] = field(default_factory=list)
    paths: list[PathByLoop | None] = field(default_factory=list)
    openings: list[OpeningByLoop] = field(default_factory=list)
    trench: TrenchByLoop | None = None
    trench_refusal: str = ""
    inspection: tuple[XY, XY] | None = None
    holes: list[XY] = field(default_factory=list)


class District:
    """What the loop reads of the district once: outlines, streets, obstacles."""

    def __init__(
        self,
        roofs: gpd.GeoDataFrame,
        streets: gpd.GeoDataFrame,
        obstacles: gpd.GeoDataFrame,
        rules: Rulebook,
        ground: Ground,
        wind_from_deg: float,
        ground_layer: gpd.GeoDataFrame | None = None,
        fires: dict[str, Any] | None = None,
        preferred: dict[str, str] | None = None,
        placed: dict[str, XY] | None = None,
    ) -> None:
        if roofs["building_id"].duplicated().any():
            raise ValueError("The loop takes one section a building.")
        self.rules, self.wind_from_deg = rules, wind_from_deg
        # Stated fire spots by building, in the working CRS.
        self.fires = fires or {}
        # Methods to prefer, and ladders that stand already, likewise.
        self.preferred, self.placed = preferred or {}, placed or {}
        self.rows = roofs.drop(columns="geometry").to_dict("records")
        self.polygons = list(shapely.normalize(roofs.geometry.to_numpy()))
        self.tree = shapely.STRtree(self.polygons)
        centre = shapely.centroid(self.polygons)
        self.planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), CRS(roofs.crs), ground)
        self.streets = [
            (name, line)
            for name, line in zip(streets["name"], streets.geometry, strict=True)
            if isinstance(name, str) and name.strip()
        ]
        self.on_roof: dict[str, list[tuple[str, Any]]] = {}
        self.lines: list[tuple[float, Any]] = []
        self.parapets: list[tuple[str | None, float, Any]] = []
        lies = [] if ground_layer is None else zip(ground_layer["kind"], ground_layer.geometry, strict=True)
        self.ground_shapes: list[tuple[str, Any]] = list(lies)
        whole = shapely.union_all(self.polygons)
        self.yards = [
            Polygon(hole)
            for part in getattr(whole, "geoms", [whole])
            for hole in part.interiors
            # A courtyard of one building alone has no outer walls.
            if not any(Polygon(hole).equals(Polygon(own)) for one in self.polygons for own in one.interiors)
        ]
        for kind, building, voltage, height, geometry in zip(
            obstacles["kind"],
            obstacles["building_id"],
            obstacles["voltage_kv"],
            obstacles["height_ft"],
            obstacles.geometry,
            strict=True,
        ):
            if kind == "overhead_line":
                self.lines.append((voltage, geometry))
            elif kind == "parapet":
                self.parapets.append((building if isinstance(building, str) else None, height, geometry))
            elif isinstance(building, str):
                self.on_roof.setdefault(building, []).append((kind, geometry))

    def number(self, rule_id: str) -> float:
        return self.rules.number(rule_id)


def plan_by_loop(
    roofs: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    rules: Rulebook,
    ground: Ground,
    wind_from_deg: float,
) -> list[BuildingByLoop]:
    """Plan one building after the other; the fire spot is assumed in each.

    Parameters
    ----------
    roofs, streets, obstacles
        As `frame_roofs` and `place_plans` take them, one section a building.
    rules, ground
        The rulebook in force; foot and elevation.
    wind_from_deg
        The scenario's wind.

    Returns
    -------
    list of BuildingByLoop
        In the order of `roofs`.
    """
    district = District(roofs, streets, obstacles, rules, ground, wind_from_deg)
    return [Planner(district, number).plan() for number in range(len(district.polygons))]


class Planner:
    """Plans one building."""

    def __init__(self, district: District, number: int) -> None:
        self.district, self.index = district, number
        self.row = district.rows[number]
        self.origin = np.array([district.planes.origin_x[number], district.planes.origin_y[number]])
        self.to_feet = district.planes.to_feet[number]
        self.units_per_ft = 1.0 / math.sqrt(abs(np.linalg.det(self.to_feet)))
        self.feet = self.in_feet(district.polygons[number])
        self.result = BuildingByLoop(self.row["section_id"], self.feet)
        family = self.row["roof_family"]
        self.family = district.rules.families[family if isinstance(family, str) else "unknown"]
        self.grid = self.family.framing == "grid"
        self.joisted = self.family.framing == "joists"
        self.rule = district.number

    # Coordinates

    def in_feet(self, geometry: Any) -> Any:
        return shapely.transform(geometry, lambda xy: (xy - self.origin) @ self.to_feet.T)

    def in_uv(self, geometry: Any) -> Any:
        """From the working CRS to section coordinates."""
        return shapely.transform(self.in_feet(geometry), lambda en: en @ self.turn.T)

    @property
    def turn(self) -> Any:
        """To section coordinates: along the axis and across it, both away from the street."""
        sine, cosine = math.sin(math.radians(self.axis)), math.cos(math.radians(self.axis))
        return np.array([self.ways[0], self.ways[1]])[:, None] * np.array([[sine, cosine], [-cosine, sine]])

    def _away_from_the_street(self) -> tuple[float, float]:
        """Whether u runs along the axis, and v to its left: 1, or else -1."""
        west, south, east, north = self.in_uv(self.district.polygons[self.index]).bounds
        ways = []
        for ahead_deg, reach in ((self.axis, west + east), (self.axis - 90.0, south + north)):
            toward = 0.0 if self.street_deg is None else math.cos(math.radians(ahead_deg - self.street_deg))
            if abs(toward) > 1e-3:
                ways.append(-math.copysign(1.0, toward))
            else:
                # No street tells: toward where the section reaches farther.
                ways.append(math.copysign(1.0, reach) if abs(reach) > 0.01 else 0.0)
        u, v = ways
        u = u or v or 1.0
        return u, v or u

    def feet_of(self, xy: XY) -> XY:
        """From the working CRS to feet east and north."""
        east, north = self.to_feet @ (np.array(xy) - self.origin)
        return float(east), float(north)

    def uv(self, east_north: XY) -> XY:
        u, v = self.turn @ np.array(east_north)
        return float(u), float(v)

    def east_north(self, uv: XY) -> XY:
        east, north = self.turn.T @ np.array(uv)
        return float(east), float(north)

    def to_crs(self, east_north: XY) -> XY:
        x, y = self.origin + np.linalg.inv(self.to_feet) @ np.array(east_north)
        return float(x), float(y)

    # The plan

    def plan(self) -> BuildingByLoop:
        result = self.result
        self.spacing: dict[str, Any] = {
            name: self._number(name)
            if self._number(name) is not None and self.family.number(name) is not None
            else self.family.number(name)
            for name in ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")
        }
        self.street_deg = self._street_deg()
        self.ways = (1.0, 1.0)
        self._find_axis()
        self.ways = self._away_from_the_street()
        result.outline = self.outline = self.in_uv(self.district.polygons[self.index])
        self._lay_out_members()
        self._find_walls()
        self._name_sides()
        self._look_out()
        self.boxes = [
            self._obstacle_box(geometry)
            for _, geometry in self.district.on_roof.get(self.row["building_id"], [])
        ]
        self.in_the_way = [
            self._obstacle_box(geometry)
            for kind, geometry in self.district.on_roof.get(self.row["building_id"], [])
            if kind != "suspended_load"
        ]
        stated = self.district.fires.get(self.row["building_id"])
        result.fire = self._deepest_point() if stated is None else self.uv(self.feet_of(stated))
        self._choose_method()
        self.standing = self._standing()
        result.refusal = self._refusal_before_placing()
        if not result.refusal:
            result.bays = self._lay_out_bays()
        first = self._first_bay()
        if not result.refusal and first is None:
            result.refusal = "no_clear_bay"
        result.ladders = self._ladders(first)
        reached = bool(result.ladders) and result.ladders[0].apparatus != "out_of_reach"
        if first is not None:
            graph, feet, targets = self._graph(first)
            result.paths = [self._path(graph, foot, targets) for foot in feet]
            if not result.ladders:
                result.refusal = "no_wall_reachable"
            elif not reached:
                result.refusal = "out_of_reach"
            elif result.paths[0] is None:
                result.refusal = "no_path"
        if reached and result.method == "existing_opening":
            result.openings.append(self._uncut(*result.existing, "existing_opening"))
        if reached and result.method == "glazing":
            result.openings += self._glazing()
        if result.refusal == "glazing_only" and not result.openings:
            result.refusal = "no_clear_bay"
            if not reached:
                result.refusal = "out_of_reach" if result.ladders else "no_wall_reachable"
            elif result.axis_basis == "doubtful":
                result.refusal = "axis_doubtful"
        if first is not None and not result.refusal:
            cut = [self._opening(bay) for bay in self._bays_to_open(first)]
            result.openings += cut
            self._lead_on(first, cut[0])
            way = result.paths[0].points
            result.trench, result.trench_refusal = self.find_trench(way)
            result.inspection = self._inspection_cut()
            result.holes = self.find_holes(way)
        else:
            result.trench_refusal = "no_opening"
            # No crew walks walls that may be pushed out.
            if reached and len(result.ladders) == 2 and not self.family.pushes_walls_out:
                result.along_walls_ft = self._along_the_walls()
            if self.may_fall_back():
                result.trench, result.trench_refusal = self.find_trench([])
        if self.standing is not None:
            foothold, near = Point(result.ladders[0].foothold), self.rule("ladder.opening_clear_ft")
            if any(opening.box.distance(foothold) < near for opening in result.openings):
                result.ladders[0].doubts = sorted([*result.ladders[0].doubts, "ladder_by_opening"])
        return result

    def _number(self, name: str) -> float | None:
        value = self.row[name]
        return None if pd.isna(value) else float(value)

    # Axis and members

    def _find_axis(self) -> None:
        tolerance = self.rule("axis.along_tolerance_deg")
        edges = []
        for (e0, n0), (e1, n1), _ in _segments(self.feet):
            edges.append((math.degrees(math.atan2(e1 - e0, n1 - n0)) % 180.0, math.hypot(e1 - e0, n1 - n0)))

        def followed(edge: tuple[float, float]) -> tuple[float, float]:
            """How much of the outline runs along an edge, and its own length."""
            along = sum(length for azimuth, length in edges if abs(_fold(azimuth - edge[0])) <= tolerance / 2)
            return _level(along, 3), _level(edge[1], 3)

        direction = max(edges, key=followed)[0] % 90.0
        for _ in range(2):
            close = [(_fold(a - direction), w) for a, w in edges if abs(_fold(a - direction)) <= tolerance]
            direction += sum(off * w for off, w in close) / (sum(w for _, w in close) or 1.0)
        direction %= 90.0
        if direction > 90.0 - 1e-7:
            direction = 0.0

        def share(axis: float) -> float:
            along = sum(length for azimuth, length in edges if abs(_fold(azimuth - axis)) <= tolerance)
            return along / sum(length for _, length in edges)

        self.axis = direction
        u0, v0, u1, v1 = self.in_uv(self.district.polygons[self.index]).bounds
        azimuth = direction + 90.0 if u1 - u0 > v1 - v0 + 0.01 else direction
        if abs((u1 - u0) - (v1 - v0)) <= 0.01 and self.street_deg is not None:
            # Of a square the beams run to the street.
            along = abs(math.cos(math.radians(direction - self.street_deg)))
            azimuth = direction + 90.0 if along**2 < 0.4995 else direction
        if self.family.shape == "sawtooth":
            # The glazing looks north, so its lines are those nearer to east and west.
            azimuth = direction + 90.0 if direction < 45.0 else direction
        basis = "inferred" if share(azimuth) >= self.rule("axis.doubtful_share") else "doubtful"

        walk, felt = self._number("sounding_walk_deg"), self._number("sounding_spacing_ft")
        given = self._number("framing_axis_deg")
        along_ft = self.spacing["purlin_spacing_ft"]
        across_ft = self.spacing["rafter_spacing_ft" if self.joisted else "beam_spacing_ft"]
        if walk is not None and felt is not None and (along_ft is not None or across_ft is not None):
            match = self.rule("sounding.match_share")
            purlin = along_ft is not None and abs(felt / along_ft - 1.0) <= match
            beam = across_ft is not None and abs(felt / across_ft - 1.0) <= match
            if purlin != beam:
                azimuth = walk if purlin else walk + 90.0
                if abs(_fold(azimuth - direction)) <= tolerance:
                    azimuth -= _fold(azimuth - direction)
                basis = "surveyed"
            else:
                self.result.sounding_unfit = given is None
        if given is not None:
            azimuth, basis = given, self.row["framing_axis_deg_basis"]
        azimuth %= 180.0
        self.axis = 0.0 if azimuth > 180.0 - 1e-7 else azimuth
        self.result.azimuth_deg, self.result.axis_basis = self.axis, basis
        self.result.axis_share = share(self.axis)

    def _lay_out_members(self) -> None:
        u0, v0, u1, v1 = self.outline.bounds
        least = "member.least_joist_section_ft" if self.joisted else "member.least_section_ft"
        self.wide_enough = min(u1 - u0, v1 - v0) >= self.rule(least)
        if not self.wide_enough or self.family.framing == "walls":
            return
        result = self.result

        def steps(extent: float, spacing: float) -> int:
            count = 0
            while (count + 1) * spacing < extent - 0.05:
                count += 1
            return count

        beam, purlin = self.spacing["beam_spacing_ft"], self.spacing["purlin_spacing_ft"]
        if self.joisted:
            # A bay is a whole number of louvers and, on either side, room up to the next joist.
            joist = self.spacing["rafter_spacing_ft"]
            louver = self.rule("opening.louver_rafters") * joist
            louvers = max(math.floor(self.rule("opening.joist_length_ft") / louver + 1e-9), 1)
            beam = louvers * louver + 2 * self._side_clear_ft()
            purlin = self.rule("opening.joist_width_ft") + 2 * self.rule("opening.hanger_clear_ft")
        self.bay_ft = beam
        count = steps(v1 - v0, beam)
        rest = (v1 - v0 - (count - 1) * beam) / 2
        result.beams = [v0 + rest + k * beam for k in range(count)]
        if self.grid or self.joisted:
            result.purlins = [u0 + (k + 1) * purlin for k in range(steps(u1 - u0, purlin))]
        if self.joisted:
            # Through the bays' borders; in a single bay as many on one side as on the other.
            number = steps(v1 - v0, joist)
            middle = v0 + (v1 - v0 - (number - 1) * joist) / 2
            first = result.beams[0] if result.beams else middle
            while first - joist > v0 + 0.05 - 1e-9:
                first -= joist
            while first < v1 - 0.05 + 1e-9:
                result.joists.append(first)
                first += joist
        for lines, runs in ((result.beams, result.beam_runs), (result.joists, result.joist_runs)):
            for v in lines:
                for piece in _pieces(LineString([(u0 - 1, v), (u1 + 1, v)]), self.outline):
                    runs.append((v, piece.bounds[0], piece.bounds[2]))
        for u in result.purlins:
            for piece in _pieces(LineString([(u, v0 - 1), (u, v1 + 1)]), self.outline):
                result.purlin_runs.append((u, piece.bounds[1], piece.bounds[3]))

    # Walls

    def _find_walls(self) -> None:
        jog = self.rule("outline.jog_ft")
        for place, ring in enumerate([self.feet.exterior, *self.feet.interiors]):
            points = list(ring.coords)[:-1]
            simple = shapely.simplify(Polygon(points), jog, preserve_topology=True)
            if len(simple.exterior.coords) != len(points) + 1:
                raise ValueError(f"{self.row['section_id']} has corners that are no corners.")
            walls = []
            for number, (e0, n0) in enumerate(points):
                e1, n1 = points[(number + 1) % len(points)]
                walls.append(
                    WallByLoop(
                        (e0, n0),
                        (e1, n1),
                        place == 0,
                        math.hypot(e1 - e0, n1 - n0),
                        math.degrees(math.atan2(e1 - e0, n1 - n0)) % 360.0,
                    )
                )
            for wall, following in zip(walls, walls[1:] + walls[:1], strict=True):
                turn = (following.azimuth_deg - wall.azimuth_deg + 180.0) % 360.0 - 180.0
                wall.convex_end = following.convex_start = turn > 0
            self.result.walls += walls

    def _street_deg(self) -> float | None:
        if not self.district.streets:
            return None
        centre = Point(self.origin)

        def key(name: str) -> str:
            return re.sub(r"\s+", " ", re.sub(r"[.,]", "", name.casefold())).strip()

        found = min(self.district.streets, key=lambda street: street[1].distance(centre))[1]
        address = self.row["address"]
        if isinstance(address, str):
            wanted = key(re.sub(r"^\s*[\dA-Za-z/-]*\d[\dA-Za-z/-]*\s+", "", address))
            reach = self.rule("wall.address_reach_ft") * self.units_per_ft
            same = [line for name, line in self.district.streets if key(name) == wanted]
            near = [line for line in same if line.distance(centre) <= reach]
            if near:
                found = min(near, key=lambda line: line.distance(centre))
        nearest = self.in_feet(shapely.shortest_line(centre, found)).coords[1]
        return math.degrees(math.atan2(nearest[0], nearest[1])) % 360.0

    def _name_sides(self) -> None:
        outer = [wall for wall in self.result.walls if wall.shell]

        def face(wall: WallByLoop) -> float:
            if self.street_deg is None:
                return _level(wall.length_ft, 3)
            off = math.radians(wall.outward_deg - self.street_deg)
            return _level(math.cos(off) * wall.length_ft, 3)

        facing = max(outer, key=face).outward_deg
        stated = self.row["bearing_walls"]
        for wall in self.result.walls:
            if wall.shell:
                off = (wall.outward_deg - facing + 180.0) % 360.0 - 180.0
                # What faces halfway between two sides is of A or of C.
                sideways = "B" if off > 0 else "D"
                wall.side = "A" if abs(off) <= 45.01 else "C" if abs(off) >= 134.99 else sideways
            along = abs(_fold(wall.azimuth_deg - self.axis)) <= self.rule("axis.along_tolerance_deg")
            known = self.family.framing in ("grid", "joists", "trusses")
            known = known and self.result.axis_basis != "doubtful" and self.family.shape != "sawtooth"
            wall.kind = "bearing" if known and along else "unknown"
            beside = abs((wall.azimuth_deg - self.axis + 90.0) % 180.0 - 90.0) <= 45.0
            if wall.kind == "bearing" and beside and not self.grid:
                # Joists and trusses land on the walls across them.
                wall.kind = "nonbearing"
            if isinstance(stated, str):
                named = stated.upper() == "ALL" or (wall.side is not None and wall.side in stated.upper())
                wall.kind = "bearing" if named else "nonbearing"

    def _look_out(self) -> None:
        gap, search = self.rule("wall.party_gap_ft"), self.rule("wall.exposure_search_ft")
        mine = self.district.polygons[self.index]
        close = self.district.tree.query(
            mine, predicate="dwithin", distance=(search + 1.0) * self.units_per_ft
        )
        self.others = [self.in_feet(self.district.polygons[k]) for k in sorted(close) if k != self.index]
        for wall in self.result.walls:
            others = [wall.view(other) for other in self.others]
            length = wall.length_ft
            # Another building's wall that stands against this one.
            against = box(0.0, -gap, length, gap)
            covered = shapely.union_all(
                [
                    LineString([(piece.bounds[0], 0.0), (piece.bounds[2], 0.0)])
                    for other in others
                    for piece in _pieces(other.boundary, against)
                    if piece.bounds[2] - piece.bounds[0] > _TINY_FT
                ]
            ).length
            outside = Point(length / 2, gap)
            party = covered >= self.rule("wall.party_share") * length
            party = party or any(other.contains(outside) for other in others)
            ahead = [other.intersection(box(0.0, -gap, length, search)) for other in others]
            near = [max(part.bounds[1], 0.0) for part in ahead if part.area > 1e-6]
            wall.exposure_ft = 0.0 if party else min(near, default=None)
            ray = LineString([(length / 2, 0.0), (length / 2, search)])
            own_ray = LineString([(length / 2, 1e-6), (length / 2, search)])
            met = [ray.intersection(other) for other in others] + [own_ray.intersection(wall.view(self.feet))]
            free = [part.bounds[1] for part in met if not part.is_empty]
            wall.clear_ground_ft = 0.0 if party else min([search, *free])
            if party:
                wall.kind = "party"

    # Obstacles, fire spot, bays

    def _obstacle_box(self, geometry: Any) -> tuple[float, float, float, float]:
        grow = self.rule("obstacle.point_radius_ft") if geometry.geom_type == "Point" else 0.0
        u0, v0, u1, v1 = self.in_uv(geometry).bounds
        return u0 - grow, v0 - grow, u1 + grow, v1 + grow

    def _deepest_point(self) -> XY:
        """The point farthest from the outline, the centre of a rectangle."""
        u0, v0, u1, v1 = self.outline.bounds
        if self.outline.area >= 0.999 * (u1 - u0) * (v1 - v0):
            return (u0 + u1) / 2, (v0 + v1) / 2
        # The circle's radius as a line from its centre to the outline.
        radius = shapely.maximum_inscribed_circle(self.outline, tolerance=0.05)
        return radius.coords[0]

    def _choose_method(self) -> None:
        """The first way that nothing speaks against, the first with a saw, what rejects the rest."""
        family, result = self.family, self.result
        result.existing = self._existing()
        # A joist spans from wall to wall: the longest that borders a bay tells.
        longest = max((high - low for _, low, high in result.beam_runs), default=None)
        span = {"grid": self.spacing["beam_spacing_ft"], "joists": longest}.get(family.framing)
        limit = family.figures["span_ft"].range[1] if "span_ft" in family.figures else math.inf
        hangs = not pd.isna(self.row["suspended_load"]) and bool(self.row["suspended_load"])
        mine = f"family.{family.id}."
        good = []
        for way in family.methods:
            why = ""
            if way in family.not_permitted:
                why = mine + "needs_permit"
            elif way == "existing_opening" and result.existing is None:
                why = "opening.existing_reach_ft"
            elif way == "fold_back" and hangs and not self.rule("opening.fold_back_under_load"):
                why = "opening.fold_back_under_load"
            elif (
                way == "fold_back"
                and self.row["panel_type"] == "early_heavy"
                and not self.rule("opening.fold_back_heavy")
            ):
                why = "opening.fold_back_heavy"
            elif way in CUTTING and span is not None and span > limit + 0.01:
                why = mine + "span_ft"
            if why:
                result.rejected[way] = why
            else:
                good.append(way)
        wish = self.district.preferred.get(self.row["building_id"])
        self.followed = wish if wish in good or wish == "do_not_cut" else None
        by_wish = sorted(good, key=lambda way: way != self.followed)
        result.method = self.followed or next(iter(good), None)
        result.cutting = next((way for way in by_wish if way in CUTTING), None)
        if self.followed == "do_not_cut":
            result.cutting = None
        result.rejected |= {
            way: mine + "methods" for way in good if way not in (result.method, result.cutting)
        }

    def _existing(self) -> tuple[float, float, float, float] | None:
        """The skylight, vent or hatch nearest the fire spot, whole on the roof and within reach."""
        near = []
        fire = Point(self.result.fire)
        for kind, geometry in self.district.on_roof.get(self.row["building_id"], []):
            if kind in ("skylight", "smoke_vent", "hatch"):
                sides = self._obstacle_box(geometry)
                away = box(*sides).distance(fire)
                # It may end at a wall; across a court it lies on the roof with its corners alone.
                on_roof = self.outline.covers(box(*sides).buffer(-1e-6, join_style="mitre"))
                if on_roof and away <= self.rule("opening.existing_reach_ft"):
                    near.append(((_level(away, 2), _level(sides[1], 2), _level(sides[0], 2)), sides))
        return min(near)[1] if near else None

    def _refusal_before_placing(self) -> str:
        family, result = self.family, self.result
        if self.followed == "do_not_cut":
            return "no_cut_preferred"
        if family.id == "unknown":
            return "family_unknown"
        if result.cutting is None:
            if result.method == "glazing":
                return "glazing_only"
            whys = [why.split(".")[-1] for way, why in result.rejected.items() if way in CUTTING]
            for rule, code in (("needs_permit", "method_not_permitted"), ("span_ft", "span_beyond_family")):
                if rule in whys:
                    return code
            return "family_not_cut"
        if result.axis_basis == "doubtful":
            return "axis_doubtful"
        return "" if self.wide_enough else "section_too_small"

    def _side_clear_ft(self) -> float:
        """How far a cut keeps from the members along it: along joists it runs midway between two."""
        if not self.joisted:
            return self.rule("opening.beam_clear_ft")
        joist, clear = self.spacing["rafter_spacing_ft"], self.rule("opening.joist_clear_ft")
        side = joist / 2
        while side < clear - 1e-9:
            side += joist
        return side

    def _lay_out_bays(self) -> list[BayByLoop]:
        hanger, beam = self.rule("opening.hanger_clear_ft"), self._side_clear_ft()
        least, keep_off = self.rule("opening.least_ft"), self.rule("obstacle.clear_ft")
        u_low, v_low, u_high, v_high = self.outline.bounds
        u_lines = [u_low, *self.result.purlins, u_high]
        v_lines = [v_low, *self.result.beams, v_high]
        near = [box(*sides).buffer(keep_off, join_style="mitre") for sides in self.boxes]
        bays = []
        for row in range(len(v_lines) - 1):
            for column in range(len(u_lines) - 1):
                cell = (u_lines[column], v_lines[row], u_lines[column + 1], v_lines[row + 1])
                cut = (cell[0] + hanger, cell[1] + beam, cell[2] - hanger, cell[3] - beam)
                clear = cut[2] - cut[0] >= least and cut[3] - cut[1] >= least
                # Where the section's end cuts a bay of joists short, its joists lie elsewhere.
                if self.joisted and self.result.beams:
                    clear = clear and cell[3] - cell[1] >= self.bay_ft - 0.02
                if clear:
                    area = box(*cut)
                    # No wall comes nearer to a cut than a beam may; two hundredths are rounding.
                    u_room, v_room = min(beam, hanger) - 0.02, beam - 0.02
                    room = box(cut[0] - u_room, cut[1] - v_room, cut[2] + u_room, cut[3] + v_room)
                    clear = self.outline.covers(room) and not any(area.intersects(other) for other in near)
                bays.append(BayByLoop(row, column, cell, cut, clear))
        return bays

    def _first_bay(self) -> BayByLoop | None:
        if self.standing is not None:
            foothold = Point(self._foothold(self.result.walls[self.standing[0]], self.standing[1]))
            for bay in self.result.bays:
                bay.clear &= box(*bay.cut).distance(foothold) >= self.rule("ladder.opening_clear_ft")
        clear = [bay for bay in self.result.bays if bay.clear]
        fire = self.result.fire
        return min(
            clear,
            key=lambda bay: (_level(math.dist(bay.centre, fire), 2), bay.row, bay.column),
            default=None,
        )

    # Ladders

    def _parapet_ft(self, wall: WallByLoop, along: float) -> float:
        """The drawn parapet at a spot, the highest of several, else the recorded one."""
        near = self.rule("join.parapet_reach_ft")
        drawn = []
        for building, height, line in self.district.parapets:
            if building not in (None, self.row["building_id"]):
                continue
            for start, end in itertools.pairwise(wall.view(self.in_feet(line)).coords):
                if abs(end[0] - start[0]) < abs(end[1] - start[1]):
                    continue
                piece = LineString([start, end]).intersection(box(0.0, -near, wall.length_ft, near))
                if (
                    not piece.is_empty
                    and piece.length
                    and piece.bounds[0] - 0.01 <= along <= piece.bounds[2] + 0.01
                ):
                    drawn.append(height)
        return max(drawn) if drawn else self._number("parapet_ft") or 0.0

    def _edge_ft(self) -> float:
        height = self._number("height_ft")
        return self.rule("ladder.default_height_ft.one_storey") if height is None else height

    def _setback_ft(self, support: float) -> float:
        share = self.rule("ladder.base_share")
        return share * support / math.sin(math.acos(share))

    def _stock(self) -> list[float]:
        """Every single ladder, the shortest first."""
        book = self.district.rules
        pairs = zip(book.numbers("ladder.stock_ft"), book.numbers("ladder.stock_count"), strict=True)
        return sorted(length for length, count in pairs for _ in range(int(count)))

    def _shortest(self, support: float, stock: list[float]) -> float | None:
        rise = math.sin(math.acos(self.rule("ladder.base_share")))
        above = self.rule("ladder.tip_above_edge_ft")
        return next((length for length in stock if length * rise - above + 0.005 >= support), None)

    @cached_property
    def _zone_ft(self) -> float:
        """How far the collapse zone reaches: parapets are looked for every few feet."""
        heights = [self._number("parapet_ft") or 0.0]
        for wall in self.result.walls if self.district.parapets else []:
            steps = [wall.length_ft * k / 20 for k in range(21)] if wall.shell else []
            heights += [self._parapet_ft(wall, along) for along in steps]
        pushes = self.family.pushes_walls_out
        share = self.rule("collapse.pushes_out_share" if pushes else "collapse.height_share")
        return share * (self._edge_ft() + max(heights))

    def _aerial(self, wall: WallByLoop, tip: XY, support: float) -> tuple[XY, float, bool] | None:
        """The turntable on the nearest named street, if the aerial works from there."""
        reach = self.rule("aerial.reach_ft")
        if reach <= 0:
            return None
        at, zone_ft = Point(self.to_crs(tip)), self._zone_ft
        own = self.district.polygons[self.index]
        if not self.district.streets:
            places = [self.to_crs(wall.at(wall.start_along(tip), 1.0))]
        else:
            streets = [line for _, line in self.district.streets]
            nearest = min(streets, key=lambda line: line.distance(at))
            places = [nearest.interpolate(nearest.project(at)).coords[0]]
            if self.family.pushes_walls_out:
                zone = own.buffer((zone_ft + 0.1) * self.units_per_ft, quad_segs=64)
                free = shapely.union_all(streets).difference(zone)
                if not free.is_empty:
                    places.insert(0, shapely.shortest_line(at, free).coords[1])
        above, table = self.rule("ladder.tip_above_edge_ft"), self.rule("aerial.turntable_ft")
        for place in places:
            east, north = self.feet_of(place)
            out = (east - tip[0], north - tip[1])
            distance = math.hypot(*out)
            setback = max(distance, self.rule("aerial.least_setback_ft"))
            out = (out[0] / distance, out[1] / distance)
            stand = (tip[0] + out[0] * setback, tip[1] + out[1] * setback)
            if math.hypot(setback, support + above - table) > reach + 0.005:
                continue
            edge = self.rule("outline.jog_ft") + 0.1
            way = LineString(
                [self.to_crs(stand), self.to_crs((tip[0] + out[0] * edge, tip[1] + out[1] * edge))]
            )
            if len(self.district.tree.query(way, predicate="intersects")) or self._under_a_line(stand, tip):
                continue
            in_zone = own.distance(Point(self.to_crs(stand))) <= zone_ft * self.units_per_ft
            return stand, setback, in_zone
        return None

    def _candidates(self) -> Iterator[tuple[int, WallByLoop, float]]:
        near, step = self.rule("ladder.corner_near_ft"), self.rule("ladder.step_ft")
        for number, wall in enumerate(self.result.walls):
            if not wall.shell or wall.kind == "party" or wall.length_ft < self.rule("ladder.least_wall_ft"):
                continue
            room = wall.length_ft - 2 * near
            if room <= 0:
                yield number, wall, wall.length_ft / 2
                continue
            yield number, wall, near
            steps = math.ceil(room / step - 1e-9)
            for k in range(1, steps + 1):
                yield number, wall, near + room * k / steps

    def _foothold(self, wall: WallByLoop, along: float) -> XY:
        return self.uv(wall.at(along, -self.rule("ladder.landing_ft")))

    def _standing(self) -> tuple[int, float] | None:
        """The wall of a ladder that stands already, and how far along it."""
        stated = self.district.placed.get(self.row["building_id"])
        if stated is None:
            return None
        options = []
        for number, wall in enumerate(self.result.walls):
            at = wall.view(Point(self.feet_of(stated)))
            away = LineString([(0, 0), (wall.length_ft, 0)]).distance(at)
            if not wall.shell or away > self.rule("scenario.ladder_reach_ft"):
                continue
            margin = min(self.rule("ladder.base_clear_ft"), wall.length_ft / 2)
            along = min(max(at.x, margin), wall.length_ft - margin)
            setback = self._setback_ft(self._edge_ft() + self._parapet_ft(wall, along))
            if away <= self.rule("outline.jog_ft"):
                how = (0, _level(away, 2))
            elif at.y > 0:
                how = (1, _level(abs(away - setback), 2))
            else:
                how = (2, _level(away, 2))
            options.append((how, _level(away, 2), number, along))
        return min(options)[2:] if options else None

    def _ladders(self, first: BayByLoop | None) -> list[LadderByLoop]:
        beside = self.rule("ladder.base_clear_ft")
        free = []
        places = [*self._candidates()]
        if self.standing is not None:
            number, along = self.standing
            places.append((number, self.result.walls[number], along))
        for number, wall, along in places:
            support = self._edge_ft() + self._parapet_ft(wall, along)
            depth = self._setback_ft(support) + beside
            own = box(along - beside, 0.05, along + beside, depth)
            other = box(along - beside, -beside / 2, along + beside, depth)
            clear = not wall.view(self.feet.boundary).intersects(own)
            clear = clear and not any(
                wall.view(building.boundary).intersects(other) for building in self.others
            )
            tip, base = wall.at(along), wall.at(along, self._setback_ft(support))
            foothold = self._foothold(wall, along)
            free.append((number, wall, along, tip, base, foothold, support, clear))
        others = free if self.standing is None else free[:-1]
        farthest = 0.0
        if first is not None:
            u0, v0, u1, v1 = first.cut
            work = ((u0 + u1) / 2, (v0 + v1) / 2)
            ways = [abs(spot[5][0] - work[0]) + abs(spot[5][1] - work[1]) for spot in others if spot[7]]
            farthest = max(ways, default=0.0)

        beside_things = [
            box(*sides).buffer(self.rule("obstacle.path_clear_ft"), join_style="mitre")
            for sides in self.boxes
        ]
        keep_off = [*beside_things]
        if first is not None:
            opening_clear = self.rule("ladder.opening_clear_ft")
            keep_off.append(box(*first.cut).buffer(opening_clear, join_style="mitre"))
        if self.result.method == "existing_opening":
            opening_clear = self.rule("ladder.opening_clear_ft")
            keep_off.append(box(*self.result.existing).buffer(opening_clear, join_style="mitre"))
        weights = self.district.rules.table("ladder.weight")
        spots = []
        for place, (number, wall, along, tip, base, foothold, support, clear) in enumerate(free):
            stands = place == len(others)
            if not stands and any(area.contains(Point(foothold)) for area in keep_off):
                continue
            ground = clear and self._takes_a_base(base, tip)
            corner = min(
                along if wall.convex_start else math.inf,
                wall.length_ft - along if wall.convex_end else math.inf,
            )
            fade = 1.0 - (corner - self.rule("ladder.corner_near_ft")) / self.rule("ladder.corner_fade_ft")
            wishes = {
                "bearing": {"bearing": 1.0, "nonbearing": 0.0}.get(wall.kind, 0.5),
                "corner": min(max(fade, 0.0), 1.0),
                "upwind": (1 + math.cos(math.radians(wall.outward_deg - self.district.wind_from_deg))) / 2,
                "street": 0.0,
                "away_from_fire": min(
                    math.dist(foothold, self.result.fire) / self.rule("ladder.fire_clear_ft"), 1.0
                ),
                "short_path": 0.0,
            }
            if self.street_deg is not None:
                wishes["street"] = (1 + math.cos(math.radians(wall.outward_deg - self.street_deg))) / 2
            if first is not None:
                way = abs(foothold[0] - work[0]) + abs(foothold[1] - work[1])
                wishes["short_path"] = max(1.0 - way / max(farthest, 1e-9), 0.0)
            parapet = support - self._edge_ft()
            wishes["low_parapet"] = min(max(1.0 - parapet / self.rule("ladder.parapet_full_ft"), 0.0), 1.0)
            score = sum(weights[wish] * met for wish, met in wishes.items()) / sum(weights.values())
            spot = LadderByLoop(number, wall.side, tip, base, foothold, score, support, ground)
            if stands:
                around = [area for area in beside_things if area.contains(Point(foothold))]
                spot.doubts = self._doubts(wall, spot, clear=clear, by_obstacle=bool(around))
            spots.append(spot)
        stock = self._stock()
        nowhere = not any(
            clear and self._takes_a_base(base, tip) for _, _, _, tip, base, _, _, clear in others
        )
        # One ladder too few for both spots: the last one alone reaches.
        for place, spot in enumerate(spots):
            few = self._shortest(spot.support_ft, stock[:-1]) is None
            stands = self.standing is not None and place == len(spots) - 1
            if few or nowhere or stands or self.family.pushes_walls_out:
                spot.aerial = self._aerial(self.result.walls[spot.wall], spot.tip, spot.support_ft)
        if self.standing is None:
            return self._two_best(spots, None)
        standing = self._on_its_own(spots.pop())
        return self._two_best(spots, standing)

    def _on_its_own(self, spot: LadderByLoop) -> LadderByLoop:
        """A ladder that stands already, with what reaches its wall."""
        spot.ladder_ft = self._shortest(spot.support_ft, self._stock())
        if spot.ladder_ft is not None:
            spot.apparatus = "ground_ladder"
        elif spot.aerial is not None:
            spot.apparatus, spot.base, spot.in_zone = "aerial", spot.aerial[0], spot.aerial[2]
        else:
            spot.apparatus = "out_of_reach"
        if spot.apparatus == "aerial":
            kept = ("wall", "obstacle", "opening")
            spot.doubts = [code for code in spot.doubts if code.split("_")[-1] in kept]
        if spot.in_zone and self.family.pushes_walls_out:
            spot.doubts.append("ladder_in_collapse_zone")
        spot.doubts.sort()
        return spot

    def _doubts(self, wall: WallByLoop, spot: LadderByLoop, *, clear: bool, by_obstacle: bool) -> list[str]:
        """What speaks against a ladder that stands already, were it on the ground."""
        foot = Point(self.to_crs(spot.base))
        ladder = LineString([foot, self.to_crs(spot.tip)])
        near = self.rule("ladder.base_clear_ft") * self.units_per_ft
        fences = [shape for kind, shape in self.district.ground_shapes if kind == "fence"]
        found = {
            "ladder_at_party_wall": wall.kind == "party",
            "ladder_at_short_wall": wall.length_ft < self.rule("ladder.least_wall_ft"),
            "ladder_ground_not_free": not clear,
            "ladder_base_in_building": len(self.district.tree.query(foot, predicate="intersects")) > 0,
            "ladder_near_line": self._under_a_line(spot.base, spot.tip),
            "ladder_on_bad_ground": any(
                shape.distance(foot) <= near for _, shape in self.district.ground_shapes
            ),
            "ladder_across_fence": any(shape.intersects(ladder) for shape in fences),
            "ladder_in_closed_yard": any(yard.intersects(foot) for yard in self.district.yards),
            "ladder_by_obstacle": by_obstacle,
        }
        return [code for code, holds in found.items() if holds]

    def _takes_a_base(self, base: XY, tip: XY) -> bool:
        foot = Point(self.to_crs(base))
        ladder = LineString([foot, self.to_crs(tip)])
        clear = self.rule("ladder.base_clear_ft") * self.units_per_ft
        return not (
            self._under_a_line(base, tip)
            or any(shape.distance(foot) <= clear for _, shape in self.district.ground_shapes)
            or any(shape.intersects(ladder) for kind, shape in self.district.ground_shapes if kind == "fence")
            or any(yard.intersects(foot) for yard in self.district.yards)
        )

    def _reached(self, spot: LadderByLoop, stock: list[float]) -> tuple[int, LadderByLoop] | None:
        """The spot with what reaches it from a stock, and how good that is: less is better."""
        ladder = self._shortest(spot.support_ft, stock) if spot.ground else None
        up = {"apparatus": "aerial"}
        if spot.aerial is not None:
            up |= {"base": spot.aerial[0], "in_zone": spot.aerial[2]}
        if spot.aerial is not None and self.family.pushes_walls_out and not spot.aerial[2]:
            return 0, replace(spot, **up)
        if ladder is not None:
            return 1, replace(spot, apparatus="ground_ladder", ladder_ft=ladder)
        if spot.aerial is not None:
            return 2, replace(spot, **up)
        return (3, replace(spot, apparatus="out_of_reach")) if spot.ground else None

    def _under_a_line(self, base: XY, tip: XY) -> bool:
        ladder = LineString([self.to_crs(base), self.to_crs(tip)])
        for voltage, line in self.district.lines:
            kv = self.rule("line.unknown_kv") if pd.isna(voltage) else voltage
            bands = self.district.rules.numbers("line.upto_kv")
            clearance = self.district.rules.numbers("line.clearance_ft")
            clear = next((ft for upto, ft in zip(bands, clearance, strict=True) if kv <= upto), clearance[-1])
            if line.distance(ladder) <= clear * self.units_per_ft:
                return True
        return False

    def _two_best(self, spots: list[LadderByLoop], standing: LadderByLoop | None) -> list[LadderByLoop]:
        def in_order(stock: list[float]) -> list[LadderByLoop]:
            reached = [found for spot in spots if (found := self._reached(spot, stock)) is not None]
            reached.sort(
                key=lambda found: (
                    found[0],
                    _level(-found[1].score, 4),
                    _level(found[1].foothold[0], 1),
                    _level(found[1].foothold[1], 1),
                )
            )
            return [spot for _, spot in reached]

        for _ in range(5):
            stock = self._stock()
            first = standing or next(iter(in_order(stock)), None)
            if first is None:
                return []
            if first.ladder_ft is not None:
                stock.remove(first.ladder_ft)
            second = next(
                (
                    spot
                    for spot in in_order(stock)
                    if spot.side != first.side
                    and math.dist(spot.tip, first.tip) >= self.rule("ladder.apart_ft")
                ),
                None,
            )
            chosen = [first] if second is None else [first, second]
            struck = {
                spot.tip
                for spot in chosen
                if spot is not standing
                and len(self.district.tree.query(Point(self.to_crs(spot.base)), predicate="intersects"))
            }
            if not struck:
                return chosen
            spots = [spot for spot in spots if spot.tip not in struck]
        raise ValueError(f"{self.row['section_id']}: five spots in a row stand inside buildings.")

    # Paths

    def _graph(self, bay: BayByLoop) -> tuple[nx.Graph, list[Any], list[Any]]:
        """All walls, beams and purlins as a graph, the feet of the ladders and the nodes at the bay."""
        place: dict[Any, XY] = {}
        on_line: dict[Any, list[tuple[float, Any]]] = {}
        edges = list(_segments(self.outline))
        rings: dict[XY, Any] = {}
        for number, (start, end, _) in enumerate(edges):
            corner = rings.setdefault(start, ("corner", number))
            place[corner] = start
            on_line[("wall", number)] = [(0.0, corner)]
            del end
        for number, (start, end, _) in enumerate(edges):
            on_line[("wall", number)].append((math.dist(start, end), rings[end]))

        def put_on_outline(node: Any, point: XY) -> None:
            gaps = [LineString([start, end]).distance(Point(point)) for start, end, _ in edges]
            number = gaps.index(min(gaps))
            on_line[("wall", number)].append((math.dist(edges[number][0], point), node))

        for number, (v, low, high) in enumerate(self.result.beam_runs):
            on_line[("beam", number)] = []
            for end in (low, high):
                node = ("beam end", number, end)
                place[node] = (end, v)
                on_line[("beam", number)].append((end, node))
                put_on_outline(node, (end, v))
        for number, (u, low, high) in enumerate(self.result.purlin_runs):
            on_line[("purlin", number)] = []
            for end in (low, high):
                node = ("purlin end", number, end)
                place[node] = (u, end)
                on_line[("purlin", number)].append((end, node))
                put_on_outline(node, (u, end))
            for beam, (v, left, right) in enumerate(self.result.beam_runs):
                if left <= u <= right and low <= v <= high:
                    node = ("crossing", beam, number)
                    place[node] = (u, v)
                    on_line[("beam", beam)].append((u, node))
                    on_line[("purlin", number)].append((v, node))
        feet = []
        for number, spot in enumerate(self.result.ladders):
            foot = ("foot", number)
            place[foot] = self.uv(spot.tip)
            put_on_outline(foot, place[foot])
            feet.append(foot)

        grow = self.rule("obstacle.path_clear_ft") - _TINY_FT
        blocks = [box(*sides).buffer(grow, join_style="mitre") for sides in self.in_the_way]
        cost = self.district.rules.table("path.cost")
        graph = nx.Graph()
        graph.add_nodes_from(place)
        for (kind, _), nodes in on_line.items():
            nodes.sort(key=lambda item: item[0])
            for (_, tail), (_, head) in itertools.pairwise(nodes):
                stretch = LineString([place[tail], place[head]])
                if any(stretch.intersects(block) for block in blocks):
                    continue
                east, north = self.turn.T @ np.array([stretch.centroid.x, stretch.centroid.y])
                # Among equals the way farther west, then farther south.
                each_ft = cost["across" if kind == "purlin" and self.joisted else kind]
                weight = stretch.length * (each_ft + 1e-7 * (east + 0.1 * north)) + 1e-9
                if not graph.has_edge(tail, head) or graph[tail][head]["weight"] > weight:
                    graph.add_edge(tail, head, weight=weight, cost=stretch.length * each_ft)
        self.place = place
        at_bay = box(*bay.cell).buffer(0.02, join_style="mitre")
        targets = [node for node, point in place.items() if node not in feet and at_bay.covers(Point(point))]
        return graph, feet, targets

    def _path(self, graph: nx.Graph, foot: Any, targets: list[Any]) -> PathByLoop | None:
        away, way = nx.single_source_dijkstra(graph, foot, weight="weight")
        reached = [node for node in targets if node in away]
        if not reached:
            return None
        nodes = way[min(reached, key=lambda node: away[node])]
        points = [self.place[node] for node in nodes]
        length = sum(math.dist(a, b) for a, b in itertools.pairwise(points))
        if length <= 0.02:
            return None
        cost = sum(graph[a][b]["cost"] for a, b in itertools.pairwise(nodes))
        return PathByLoop(cost, length, points)

    def _along_the_walls(self) -> float | None:
        """The shorter way round the outer wall from the first ladder to the second."""
        ring = self.outline.exterior
        one, other = (ring.project(Point(self.uv(spot.tip))) for spot in self.result.ladders)
        low, high = min(one, other), max(one, other)
        inner = substring(ring, low, high)
        outer = LineString([*substring(ring, high, ring.length).coords, *substring(ring, 0.0, low).coords])
        grow = self.rule("obstacle.path_clear_ft") - 2e-3
        blocks = [box(*sides).buffer(grow, join_style="mitre") for sides in self.in_the_way]
        for way in sorted([inner, outer], key=lambda way: way.length):
            if not any(way.intersects(block) for block in blocks):
                return way.length if way.length > 0.02 else None
        return None

    # Openings

    def _bays_to_open(self, first: BayByLoop) -> list[BayByLoop]:
        tip = self.result.ladders[0].foothold
        wanted = self.rule("opening.wanted_share") * float(self.row["area_ft2"])
        if self.result.method == "existing_opening":
            wanted -= box(*self.result.existing).area
        longest = self._longest_ft()
        chosen = [first]
        while len(chosen) < self.district.rules.count("opening.crew_limit"):
            before = chosen[-1]
            sizes = [(bay.cut[2] - bay.cut[0], bay.cut[3] - bay.cut[1]) for bay in chosen]
            if sum(min(one, longest) * min(other, longest) for one, other in sizes) >= wanted:
                break
            neighbours = [
                bay
                for bay in self.result.bays
                if bay is not before
                and bay.clear
                and abs(bay.row - before.row) <= 1
                and abs(bay.column - before.column) <= 1
                and math.dist(bay.centre, tip) < math.dist(before.centre, tip) - 0.01
                and all(
                    box(*bay.cut).distance(Point(ladder.foothold)) >= self.rule("ladder.opening_clear_ft")
                    for ladder in self.result.ladders
                )
            ]
            if not neighbours:
                break
            chosen.append(
                min(
                    neighbours,
                    key=lambda bay: (
                        _level(math.dist(bay.centre, before.centre), 2),
                        _level(math.dist(bay.centre, tip), 2),
                        bay.row,
                        bay.column,
                    ),
                )
            )
        return chosen

    def _longest_ft(self) -> float:
        rule = {"small_opening": "opening.small_ft", "between_joists": "opening.between_joists_ft"}
        way = self.result.cutting
        longest = self.rule(rule[way]) if way in rule else math.inf
        joist = self.spacing["rafter_spacing_ft"]
        if way == "between_joists" and joist is not None and joist <= longest:
            # Between joists no whole number of spaces is longer.
            longest = math.floor(longest / joist + 1e-9) * joist
        return longest

    def _kept_short(self, low: float, high: float, toward: float, step: float = 0.0) -> tuple[float, float]:
        """No longer than a short opening is, and as near to a place as it goes."""
        longest = self._longest_ft()
        if high - low <= longest + 1e-6:
            return low, high
        middle = min(max(toward, low + longest / 2), high - longest / 2)
        if step:
            # Its ends stay midway between two joists.
            middle = low + longest / 2 + round((middle - longest / 2 - low) / step) * step
        return middle - longest / 2, middle + longest / 2

    def _sides(self, u0: float, v0: float, u1: float, v1: float) -> tuple[float, float, float, float]:
        """Head, base, start and finish: base and finish are nearer the first ladder."""
        tip_u, tip_v = self.result.ladders[0].foothold
        base, head = (u0, u1) if abs(tip_u - u0) <= abs(tip_u - u1) else (u1, u0)
        finish, start = (v0, v1) if abs(tip_v - v0) <= abs(tip_v - v1) else (v1, v0)
        return head, base, start, finish

    def _uncut(self, u0: float, v0: float, u1: float, v1: float, method: str) -> OpeningByLoop:
        return OpeningByLoop(*self._sides(u0, v0, u1, v1), 1, [], method)

    def _glazing(self) -> list[OpeningByLoop]:
        """The stretch of glazing nearest the fire spot, off the ends of its line."""
        if self.result.axis_basis == "doubtful":
            return []
        clear, length = self.rule("opening.beam_clear_ft"), self.rule("opening.glazing_length_ft")
        half = self.rule("opening.glazing_width_ft") / 2
        _, v_low, _, v_high = self.outline.bounds
        fire_u, fire_v = self.result.fire
        near = []
        for v, low, high in self.result.beam_runs:
            if high - low - 2 * clear < length or not v_low < v - half < v + half < v_high:
                continue
            middle = min(max(fire_u, low + clear + length / 2), high - clear - length / 2)
            key = (_level(math.hypot(middle - fire_u, v - fire_v), 2), _level(v, 2), _level(middle, 2))
            near.append((key, (middle - length / 2, v - half, middle + length / 2, v + half)))
        return [self._uncut(*min(near)[1], "glazing")] if near else []

    def _opening(self, bay: BayByLoop) -> OpeningByLoop:
        u0, v0, u1, v1 = bay.cut
        u0, u1 = self._kept_short(u0, u1, self.result.fire[0])
        joist = self.spacing["rafter_spacing_ft"] if self.result.cutting == "between_joists" else None
        v0, v1 = self._kept_short(v0, v1, self.result.fire[1], joist or 0.0)
        sides = self._sides(u0, v0, u1, v1)
        length, width = v1 - v0, u1 - u0
        way = self.result.cutting or ""
        if way == "fold_back":
            parts = max(1, round(length / self.rule("opening.fold_back_part_ft")))
            cuts = [("base_cut", 1, 1, length), ("parallel_cut", 2, parts + 1, width * (parts + 1))]
            return OpeningByLoop(*sides, parts, cuts, way)
        parts = 1
        if way in LOUVERS:
            louver_ft = self.rule("opening.louver_rafters") * self.spacing["rafter_spacing_ft"]
            parts = max(1, math.floor(length / louver_ft + 1e-9))
        cuts = [("head_cut", 1, 1, length), ("parallel_cut", 2, parts + 1, width * (parts + 1))]
        cuts.append(("base_cut", 1, 1, length))
        return OpeningByLoop(*sides, parts, cuts, way)

    # Checks

    def _free_roof(self, point: XY) -> bool:
        clear = self.rule("obstacle.path_clear_ft")
        closed = [box(*sides).buffer(clear, join_style="mitre") for sides in self.boxes]
        # A check does not touch an opening, to a hundredth of a foot.
        closed += [opening.box.buffer(0.01, join_style="mitre") for opening in self.result.openings]
        spot = Point(point)
        return self.outline.contains(spot) and not any(area.covers(spot) for area in closed)

    def _inspection_cut(self) -> tuple[XY, XY] | None:
        spot = self.result.ladders[0]
        wall = self.result.walls[spot.wall]
        angle = math.radians(self.rule("check.inspection_angle_deg"))
        # The members right under the deck: the finest there are.
        under = next(
            self.spacing[f"{part}_spacing_ft"]
            for part in ("rafter", "purlin", "beam")
            if self.spacing[f"{part}_spacing_ft"] is not None
        )
        length = under / min(math.sin(angle), math.cos(angle))
        if length > self.rule("check.inspection_longest_ft"):
            return None
        along = math.dist(wall.start, spot.tip)
        inset = self.rule("ladder.landing_ft") + self.rule("check.inspection_inset_ft")
        # Ahead along the wall where v is to the left of u, else back.
        ahead = math.cos(angle) * self.ways[0] * self.ways[1]
        ends = [
            self.uv(wall.at(along + way * ahead, -(inset + way * math.sin(angle))))
            for way in (-length / 2, 0.0, length / 2)
        ]
        cut = LineString([ends[0], ends[2]])
        grow = self.rule("obstacle.path_clear_ft") - 1e-9
        things = [box(*sides).buffer(grow, join_style="mitre") for sides in self.boxes]
        things += [opening.box for opening in self.result.openings]
        clear = self.outline.covers(cut) and not any(thing.intersects(cut) for thing in things)
        return (ends[0], ends[2]) if clear and all(self._free_roof(end) for end in ends) else None

    def find_holes(self, way: list[XY]) -> list[XY]:
        """Indicator holes along a path, in order."""
        line = LineString(way)
        step, offset = self.rule("check.indicator_step_ft"), self.rule("check.indicator_offset_ft")
        holes = []
        number = 1
        while number * step <= line.length + 1e-9:
            walked = 0.0
            for (u0, v0), (u1, v1) in itertools.pairwise(way):
                leg = math.hypot(u1 - u0, v1 - v0)
                # A hole at a turn belongs to the leg that ends there.
                if walked + leg + 1e-9 >= number * step:
                    break
                walked += leg
            unit = ((u1 - u0) / leg, (v1 - v0) / leg)
            on = (u0 + unit[0] * (number * step - walked), v0 + unit[1] * (number * step - walked))
            left = (-unit[1], unit[0])
            toward = left[0] * (self.result.fire[0] - on[0]) + left[1] * (self.result.fire[1] - on[1])
            # A fire spot on the line itself, to a hundredth of a foot, is on the left.
            first = 1.0 if toward >= -0.01 else -1.0
            for side in (first, -first):
                hole = (on[0] + side * offset * left[0], on[1] + side * offset * left[1])
                off_wall = (
                    self.outline.boundary.distance(Point(hole)) >= self.rule("check.indicator_wall_ft") - 1e-6
                )
                if off_wall and self._free_roof(hole):
                    holes.append(hole)
                    break
            number += 1
        return holes

    # Trench

    def may_fall_back(self) -> bool:
        """Whether a roof that is not cut may have a trench all the same, ahead of the fire spot."""
        result = self.result
        reached = bool(result.ladders) and result.ladders[0].apparatus != "out_of_reach"
        sure = result.axis_basis != "doubtful"
        return reached and sure and result.method == "do_not_cut" and bool(self.family.trench)

    def _lead_on(self, bay: BayByLoop, opening: OpeningByLoop) -> None:
        """On a roof of purlins the ways go on along the bay's purlin to beside a short opening."""
        if not self.grid or math.isinf(self._longest_ft()):
            return
        low, high = sorted([opening.v_start, opening.v_finish])
        for path in self.result.paths:
            if path is None:
                continue
            u, v = path.points[-1]
            beside = min(max(v, low), high)
            if min(abs(u - bay.cell[0]), abs(u - bay.cell[2])) < 0.02 and abs(beside - v) > 0.02:
                path.points.append((u, beside))
                path.length_ft += abs(beside - v)
                path.cost += abs(beside - v) * self.rule("path.cost.purlin")

    def _trench_sizes_ft(self) -> tuple[float, float]:
        """How wide a trench is, and how far it keeps from its member; along joists, in whole spaces."""
        width, clear = self.rule("trench.width_ft"), self.rule("trench.beam_clear_ft")
        if self.family.framing != "joists":
            return width, clear
        joist = self.spacing["rafter_spacing_ft"]
        return math.ceil(width / joist - 1e-9) * joist, self._side_clear_ft()

    def find_trench(self, way: list[XY]) -> tuple[TrenchByLoop | None, str]:
        """The shortest valid strip for a path, and why there is none."""
        outline = self.outline
        width, clear = self._trench_sizes_ft()
        shell = outline.exterior
        # On a roof that is not cut the trench leads the fire spot.
        ahead_of = [opening.box for opening in self.result.openings] or [Point(self.result.fire)]
        u0, v0, u1, v1 = shapely.union_all(ahead_of).bounds
        candidates = []
        with_it = self.result.beam_runs if "with_construction" in self.family.trench else []
        against = "against_construction" in self.family.trench and self.grid
        for along_beam, runs in ((True, with_it), (False, self.result.purlin_runs if against else [])):
            low_side, high_side = (v0, v1) if along_beam else (u0, u1)
            for position, low, high in runs:
                ends = (
                    [(low, position), (high, position)] if along_beam else [(position, low), (position, high)]
                )
                if any(shell.distance(Point(end)) > 1e-6 for end in ends):
                    continue
                for sign in (1, -1):
                    near = position - sign * (clear + width)
                    gap = near - high_side if sign > 0 else low_side - near
                    if gap >= self.rule("trench.lead_ft"):
                        key = (_level(high - low, 1), _level(gap, 1), not along_beam, _level(position, 2))
                        candidates.append((key, along_beam, sign, position, low, high))
        if not candidates:
            return None, "trench_no_room" if self.family.trench else "trench_not_listed"
        candidates.sort(key=lambda candidate: candidate[0])
        for _, along_beam, sign, position, low, high in candidates:
            trench = self._strip(along_beam, sign, position, low, high, way)
            if trench is not None:
                return trench, ""
        return None, "trench_no_crossing"

    def _strip(
        self, along_beam: bool, sign: int, position: float, low: float, high: float, way: list[XY]
    ) -> TrenchByLoop | None:
        width, clear = self._trench_sizes_ft()
        near, far = position - sign * (clear + width), position - sign * clear
        bottom, top = min(near, far), max(near, far)
        u_low, v_low, u_high, v_high = self.outline.bounds
        middle = (low + high) / 2

        def at(along: float, across: float) -> XY:
            return (along, across) if along_beam else (across, along)

        if along_beam:
            band = box(u_low - 1, bottom, u_high + 1, top)
        else:
            band = box(bottom, v_low - 1, top, v_high + 1)
        cut = self.outline.intersection(band)
        middles = [Point(at(middle, bottom)), Point(at(middle, top))]
        pieces = [
            piece
            for piece in getattr(cut, "geoms", [cut])
            if piece.geom_type == "Polygon" and all(piece.distance(spot) < _TINY_FT for spot in middles)
        ]
        if not pieces:
            return None
        strip = pieces[0]
        if len(strip.exterior.coords) != 5 or strip.interiors:
            return None
        if any(
            strip.exterior.distance(Point(corner)) < 1e-9
            for ring in self.outline.interiors
            for corner in ring.coords
        ):
            return None
        across = 1 if along_beam else 0
        corners = list(strip.exterior.coords)[:-1]
        lower = sorted(corner[1 - across] for corner in corners if abs(corner[across] - bottom) < 1e-6)
        upper = sorted(corner[1 - across] for corner in corners if abs(corner[across] - top) < 1e-6)
        if len(lower) != 2 or len(upper) != 2:
            return None
        if abs((lower[1] - lower[0] + upper[1] - upper[0]) / 2 - (high - low)) > 2 * (width + clear):
            return None
        around = box(*strip.bounds)
        near_obstacle = self.rule("obstacle.clear_ft") - _TINY_FT
        if any(
            around.intersects(box(*sides).buffer(near_obstacle, join_style="mitre")) for sides in self.boxes
        ):
            return None
        foothold = self.result.ladders[0].foothold
        keep_off = around.buffer(self.rule("ladder.opening_clear_ft"), join_style="mitre")
        if keep_off.contains(Point(foothold)):
            return None
        # A path along the wall at which a strip ends is cut by it too.
        if way and LineString(way).distance(around) < 1e-6:
            return None

        saved_spot = Point(at(middle, far + sign * 1e-4))
        # A strip a hair wider cuts through whatever way its corners were rounded.
        parts = self.outline.difference(strip.buffer(_TINY_FT, join_style="mitre"))
        parts = list(getattr(parts, "geoms", [parts]))
        if len(parts) != 2:
            return None
        saved = min(parts, key=lambda part: part.distance(saved_spot))
        share = saved.area / self.outline.area
        least = self.rule("trench.least_saved_share")
        if not least <= share <= 1 - least or saved.contains(Point(self.result.fire)):
            return None

        low_middle, high_middle = (lower[0] + upper[0]) / 2, (lower[1] + upper[1]) / 2
        egress = foothold[1 - across]
        start, end = (1, 0) if abs(low_middle - egress) < abs(high_middle - egress) else (0, 1)
        walls = []
        for place in ((low_middle, high_middle)[start], (low_middle, high_middle)[end]):
            spot = Point(*(self.turn.T @ np.array(at(place, (bottom + top) / 2))))
            gaps = [round(LineString([wall.start, wall.end]).distance(spot), 2) for wall in self.result.walls]
            walls.append(gaps.index(min(gaps)))
        if any(self.result.walls[wall].kind == "nonbearing" for wall in walls):
            return None
        long_edges = [
            LineString([at(ends[0], level), at(ends[1], level)])
            for ends, level in ((lower, bottom), (upper, top))
        ]
        return TrenchByLoop(
            along_beam,
            [at(lower[start], bottom), at(lower[end], bottom), at(upper[end], top), at(upper[start], top)],
            walls[0],
            share,
            sign,
            min(edge.distance(Point(self.result.fire)) for edge in long_edges),
        )
