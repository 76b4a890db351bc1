"""What must hold of every plan of a pitched roof, and its openings and ways by a plain loop.

In: the tables of a build as `laws.Measured` has them, its planes included.
Out: for each law the ids of the sections that break it; an empty list is what a test wants.

Every plane is unrolled: s runs straight down it in true feet, t along its eave. A length measured
there is the length on the roof, whatever its shadow on the plan.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd
import shapely
from shapely import affinity
from tests.placing.laws import STATED

CLOSE_FT = 0.01
ROUNDING_FT = 1e-5
# Corners of a plane are equally high that are so within this, as seen from above.
TOP_FT = 0.1
# Where a path meets a line, and where an outline was simplified.
ON_LINE_FT = 0.06
EDGE_FT = 0.03
# What reaches over a ridge by less does not lie on the plane beyond.
BESIDE_FT = 0.1
ROOF_LINES = ("ridge", "hip", "valley")
REASONS = (
    "planes_not_found",
    "axis_doubtful",
    "no_clear_ridge",
    "too_steep",
    "span_beyond_family",
    "no_wall_reachable",
    "out_of_reach",
    "no_path",
    "method_not_permitted",
    # A wish of the scenario.
    "do_not_cut",
)


@dataclass
class Plane:
    """One plane of a roof, in feet east and north, and unrolled."""

    number: int
    shape: Any
    downslope_deg: float
    slope_deg: float

    @property
    def level_share(self) -> float:
        """Feet as seen from above of one true foot down the slope."""
        return math.cos(math.radians(self.slope_deg))

    @cached_property
    def matrix(self) -> list[float]:
        sine, cosine = math.sin(math.radians(self.downslope_deg)), math.cos(math.radians(self.downslope_deg))
        stretch = 1.0 / self.level_share
        return [sine * stretch, cosine * stretch, -cosine, sine, 0.0, 0.0]

    def unroll(self, geometry: Any) -> Any:
        """From feet east and north to true feet down the plane and along it."""
        return affinity.affine_transform(geometry, self.matrix)

    @cached_property
    def flat(self) -> Any:
        return self.unroll(self.shape)

    @property
    def top(self) -> float:
        return float(self.flat.bounds[0])


# A plane, and from and to of a bay of it across and down.
Cell = tuple[Plane, float, float, float, float]
# How far from the fire spot, how far off the lee, which bay.
Found = tuple[float, float, Cell]


class Roof:
    """One planned section with planes."""

    def __init__(self, at: Any, row: int) -> None:
        self.at, self.row = at, row
        self.facts = at.sections.iloc[row]
        self.section_id = self.facts["section_id"]
        planes = self._rows("planes")
        self.planes = [
            Plane(int(number), shape, float(down), float(slope))
            for number, shape, down, slope in zip(
                planes["plane"], planes["feet"], planes["downslope_deg"], planes["slope_deg"], strict=True
            )
        ]
        self.openings = self._rows("openings")
        self.cut = [
            self.openings.iloc[place]
            for place in np.flatnonzero((self.openings["method"] == "near_ridge").to_numpy())
        ]
        self.paths = self._rows("paths")
        members = self._rows("members")
        self.members = {
            kind: [part for part in feet.geoms if part.length]
            for kind, feet in zip(members["kind"], members["feet"], strict=True)
        }
        self.rafters = [line for kind in ("rafter", "truss") for line in self.members.get(kind, [])]
        spacing = members["spacing_ft"].dropna()
        self.spacing_ft = float(self.facts["rafter_spacing_ft"]) if len(spacing) else math.nan

    def _rows(self, name: str) -> Any:
        return self.at.by_section(name).get(self.section_id, self.at.by_section(name)[""])

    def rule(self, name: str) -> float:
        return float(self.at.rules.number(name))

    @property
    def side_ft(self) -> float:
        """From a member to the first place midway between two that is far enough from it."""
        passed = 0
        while (passed + 0.5) * self.spacing_ft < self.rule("opening.joist_clear_ft") - 1e-9:
            passed += 1
        return (passed + 0.5) * self.spacing_ft

    def plane_of(self, shape: Any) -> Plane:
        """The plane that most of a shape lies on."""
        return max(self.planes, key=lambda plane: plane.shape.intersection(shape).area)

    def off_lee(self, plane: Plane) -> float:
        """Angle between the way down the plane and the way the wind blows."""
        toward = self.facts["wind_from_deg"] + 180.0
        return float(abs((plane.downslope_deg - toward + 180.0) % 360.0 - 180.0))

    @property
    def fire(self) -> Any:
        return self.at.fire[self.row]

    @property
    def foothold(self) -> Any:
        return shapely.Point(self.at.foothold[self.row])

    @cached_property
    def stands(self) -> bool:
        """Whether the first ladder stands already: what is opened keeps off it, not it off that."""
        ladders = self._rows("ladders")
        said = ladders["reasons"][ladders["rank"] == 1].astype("str")
        return bool(said.str.startswith(STATED).any())

    def things_on(self, plane: Plane) -> Iterator[Any]:
        """What stands on a plane, unrolled; a point as a square of its radius."""
        things = self._rows("things")
        inner = plane.flat.buffer(-BESIDE_FT, join_style="mitre")
        for geometry in things["feet"]:
            thing = plane.unroll(geometry)
            if thing.geom_type == "Point":
                thing = thing.buffer(self.rule("obstacle.point_radius_ft"))
            on = thing.intersection(plane.flat)
            if thing.intersects(inner):
                yield on

    def boxes_on(self, plane: Plane) -> Iterator[Any]:
        """The boxes around what stands on a plane or beside it, square to it."""
        low_s, low_t, high_s, high_t = plane.flat.bounds
        for geometry in self._rows("things")["feet"]:
            thing = plane.unroll(geometry)
            s0, t0, s1, t1 = thing.bounds
            if thing.geom_type == "Point":
                grow = self.rule("obstacle.point_radius_ft")
                s0, t0, s1, t1 = s0 - grow, t0 - grow, s1 + grow, t1 + grow
            beside = s1 <= low_s + BESIDE_FT or s0 >= high_s - BESIDE_FT
            if not beside and t1 > low_t + BESIDE_FT and t0 < high_t - BESIDE_FT:
                yield s0, t0, s1, t1

    # Openings by a plain loop.

    def borders(self, plane: Plane) -> list[list[float]]:
        """Members that border the bays of a plane; several lists where two bays are as near the middle, or
        where a hair decides whether one more member has room.

        One after the other, each of the first members is tried as a border: of all bays that would
        follow, on and on to both sides, the one nearest the middle of the plane's top decides.
        """
        _, low_t, _, high_t = plane.flat.bounds
        spacing = self.spacing_ft
        spaces = (high_t - low_t - 0.05) / spacing
        counts = {max(math.ceil(spaces + hair) - 1, 0) for hair in (-1e-4, 1e-4)}
        return [lines for count in sorted(counts) for lines in self._borders(plane, count)]

    def _borders(self, plane: Plane, count: int) -> list[list[float]]:
        low_s, low_t, _, high_t = plane.flat.bounds
        spacing = self.spacing_ft
        lines = [(low_t + high_t) / 2 + (k - (count - 1) / 2) * spacing for k in range(count)]
        whole = max(math.floor(self.rule("opening.ridge_length_ft") / spacing + 1e-9), 1) * spacing
        every = max(round((whole + 2 * self.side_ft) / spacing), 1)
        corners = plane.flat.exterior.coords[:-1]
        highest = [t for s, t in corners if (s - low_s) * plane.level_share <= TOP_FT]
        middle = sum(highest) / len(highest)
        long = every * spacing
        off = []
        for line in lines[:every]:
            beyond = (line + long / 2 - middle) % long
            off.append(min(beyond, long - beyond))
        # Two are as near where the middle lies halfway between theirs: the last bits decide.
        least = min(off, default=math.inf)
        return [lines[start::every] for start, away in enumerate(off) if away <= least + 1e-4] or [[]]

    def cells(
        self, plane: Plane, borders: list[float]
    ) -> Iterator[tuple[float, float, float, float, float, float]]:
        """From and to: of the bay across and down, of the cut down the slope."""
        low_s, _, high_s, _ = plane.flat.bounds
        end_clear = self.rule("opening.hanger_clear_ft")
        deep = self.rule("opening.joist_width_ft") + 2 * end_clear
        for low, high in itertools.pairwise(borders):
            columns = max(math.ceil((high_s - low_s - 0.05) / deep) - 1, 0) + 1
            for column in range(columns):
                upper = low_s + column * deep
                # The last one ends at the eave.
                lower = high_s if column == columns - 1 else upper + deep
                if upper + end_clear - low_s <= self.rule("opening.ridge_reach_ft") + CLOSE_FT:
                    yield low, high, upper, lower, upper + end_clear, lower - end_clear

    def clear_cells(self, plane: Plane, borders: list[float]) -> Iterator[tuple[float, float, float, float]]:
        """Bays that can be opened."""
        side, end_clear = self.side_ft, self.rule("opening.hanger_clear_ft")
        least, away = self.rule("opening.least_ft"), self.rule("obstacle.clear_ft")
        boxes = list(self.boxes_on(plane))
        # Planes go straight on over a jog in a wall.
        roof = plane.unroll(self.at.measured.outline[self.row]).buffer(ROUNDING_FT, join_style="mitre")
        shrink = max(end_clear - side, 0.0) + 0.02
        foothold = plane.unroll(self.foothold)
        for low, high, upper, lower, cut_upper, cut_lower in self.cells(plane, borders):
            if cut_lower - cut_upper < least - 1e-9 or high - low - 2 * side < least - 1e-9:
                continue
            if not plane.flat.covers(shapely.box(upper + shrink, low + 0.02, lower - shrink, high - 0.02)):
                continue
            if any(
                s1 + away > cut_upper - 1e-9
                and s0 - away < cut_lower + 1e-9
                and t1 + away > low + side
                and t0 - away < high - side
                for s0, t0, s1, t1 in boxes
            ):
                continue
            cut = shapely.box(cut_upper, low + side, cut_lower, high - side)
            if not roof.covers(cut):
                continue
            if self.stands and cut.distance(foothold) < self.rule("ladder.opening_clear_ft"):
                continue
            yield low, high, upper, lower

    def nearest_cells(self) -> list[list[Cell]]:
        """For each way to lay out the bays the clear leeward bays nearest the fire spot, ties decided;
        several where a hair decides, none where no bay is clear."""
        ways: list[list[list[Found]]] = []
        for plane in self.planes:
            off = self.off_lee(plane)
            if off > 90.0 + self.rule("opening.lee_tolerance_deg"):
                continue
            fire = plane.unroll(self.fire)
            ways.append(
                [
                    [
                        (
                            math.hypot((upper + lower) / 2 - fire.x, (low + high) / 2 - fire.y),
                            off,
                            (plane, low, high, upper, lower),
                        )
                        for low, high, upper, lower in self.clear_cells(plane, borders)
                    ]
                    for borders in self.borders(plane)
                ]
            )
        return [self._nearest(list(itertools.chain(*chosen))) for chosen in itertools.product(*ways)]

    @staticmethod
    def _nearest(found: list[Found]) -> list[Cell]:
        if not found:
            return []
        least = min(entry[0] for entry in found)
        near = [entry for entry in found if entry[0] <= least + 2 * CLOSE_FT]
        # Equal to a hundredth of a foot: the more leeward plane. Of planes alike and of their rows the street
        # decides, which the tables do not tell.
        same = [entry for entry in near if round(entry[0], 2) == round(least, 2)]
        first = min(same, key=lambda entry: round(entry[1], 1))
        rows = [entry for entry in same if round(entry[1], 1) == round(first[1], 1)]
        # Where rounding to the hundredth, or to the tenth of a degree, is a matter of the last bits.
        hair = [entry for entry in near if abs(entry[0] - least) > 1e-6 or abs(entry[1] - first[1]) > 1e-6]
        return [entry[2] for entry in [*rows, *hair]]

    # Ways.

    def true_length(self, line: Any) -> float:
        """Length of a line along the slopes it lies on."""
        total, rest = 0.0, line
        for plane in self.planes:
            grown = plane.shape.buffer(1e-3, join_style="mitre")
            on = rest.intersection(grown)
            total += plane.unroll(on).length
            rest = rest.difference(grown)
        return float(total + rest.length)

    def height_range(self, place: Any) -> tuple[float, float]:
        """Least and greatest height above the eaves that the planes around a place tell of it.

        Where a wall that is nearly square was taken for square its eave slants, and its plane meets the next
        one in two lines that lie apart by some inches: both are right. Elsewhere all planes agree.
        """
        heights = [0.0] if place.distance(self.eaves) < ON_LINE_FT else []
        near = self.eaves.buffer(ON_LINE_FT)
        for plane in self.planes:
            # The part of an L's main body that the wing cuts off has no eave to be measured from.
            has_eave = plane.shape.boundary.intersection(near).length > 1.0
            if has_eave and place.distance(plane.shape) < ON_LINE_FT:
                climb = math.sin(math.radians(plane.slope_deg))
                heights.append((plane.flat.bounds[2] - plane.unroll(place).x) * climb)
        return min(heights, default=math.nan), max(heights, default=math.nan)

    @cached_property
    def eaves(self) -> Any:
        """All borders of planes that no two of them share."""
        return shapely.union_all([plane.shape for plane in self.planes], grid_size=1e-4).boundary

    def length_range(self, path: Any) -> tuple[float, float]:
        """Least and greatest length of a way along the slopes, by what its planes tell of heights."""
        points = [shapely.Point(place) for place in path.coords]
        ranges = [self.height_range(place) for place in points]
        least = most = 0.0
        for (start, end), (low, high) in zip(
            itertools.pairwise(points), itertools.pairwise(ranges), strict=True
        ):
            level = start.distance(end)
            least += math.hypot(level, max(high[0] - low[1], low[0] - high[1], 0.0))
            most += math.hypot(level, max(high[1] - low[0], low[1] - high[0]))
        return least, most

    def first_cut(self) -> tuple[Plane, float, float, float]:
        """Plane of the first cut, the members beside it, and where it begins."""
        shape = self.cut[0]["feet"]
        plane = self.plane_of(shape)
        s0, t0, _, t1 = plane.unroll(shape).bounds
        return plane, t0 - self.side_ft, t1 + self.side_ft, s0

    def member_line(self, plane: Plane, t: float, through: float) -> Any:
        """The piece of the line straight down a plane at `t` that holds the place `through`."""
        s0, _, s1, _ = plane.flat.bounds
        cut = shapely.LineString([(s0 - 1, t), (s1 + 1, t)]).intersection(plane.flat)
        here = shapely.Point(through, t)
        pieces = [part for part in shapely.get_parts(cut) if part.length]
        if not pieces:
            return None
        piece = min(pieces, key=here.distance)
        return piece if piece.distance(here) <= 2 * ON_LINE_FT else None

    def rolled(self, plane: Plane, line: Any) -> Any:
        """Back to feet east and north."""
        a, b, d, e, _, _ = plane.matrix
        inverse = np.linalg.inv(np.array([[a, b], [d, e]]))
        return affinity.affine_transform(line, [*inverse[0], *inverse[1], 0.0, 0.0])

    @cached_property
    def fixed_lines(self) -> list[tuple[Any, float]]:
        """Walls, roof lines, the members beside the first cut and those above valleys, with their cost."""
        eave, ridge, slope = (self.rule(f"path.cost.{name}") for name in ("eave", "ridge", "slope"))
        lines = [(wall, eave) for wall in self._rows("walls")["feet"]]
        for kind in ROOF_LINES:
            cost = ridge if kind == "ridge" else slope
            lines += [(line, cost) for line in self.members.get(kind, [])]
        cut_plane, low, high, begin = self.first_cut()
        for t in (low, high):
            piece = self.member_line(cut_plane, t, begin)
            if piece is not None:
                lines.append((self.rolled(cut_plane, piece), slope))
        for valley in self.members.get("valley", []):
            # A valley begins at its lower end.
            top = shapely.Point(valley.coords[-1])
            for plane in self.planes:
                if plane.shape.distance(valley.interpolate(0.5, normalized=True)) > CLOSE_FT:
                    continue
                place = plane.unroll(top)
                piece = self.member_line(plane, place.y, place.x)
                # No way leads through the first cut.
                if plane is cut_plane and low + 1e-9 < place.y < high - 1e-9:
                    continue
                if piece is None or piece.bounds[0] > place.x - 0.05:
                    continue
                upper = shapely.LineString([(piece.bounds[0], place.y), (place.x, place.y)])
                lines.append((self.rolled(plane, upper), slope))
        return lines

    @cached_property
    def lines(self) -> list[tuple[Any, float]]:
        """All lines that a way may follow: those there are anyhow, and the members up from the tips."""
        tips = [self.tip_line(shapely.get_point(ladder, 1)) for ladder in self._rows("ladders")["feet"]]
        return self.fixed_lines + [(up, self.rule("path.cost.slope")) for up in tips if up is not None]

    def tip_line(self, tip: Any) -> Any:
        """The member up from a tip over an eave, unless it leads through the first cut."""
        for plane in self.planes:
            place = plane.unroll(tip)
            piece = self.member_line(plane, place.y, place.x)
            if piece is None or abs(piece.bounds[2] - place.x) > 2 * ON_LINE_FT:
                continue
            # On the eave of that plane, which is level; a rake or a hip is not.
            on = plane.flat.boundary.intersection(place.buffer(2 * ON_LINE_FT))
            if on.bounds[2] - on.bounds[0] > 0.2 * ON_LINE_FT * 2:
                continue
            cut_plane, low, high, _ = self.first_cut()
            if plane is cut_plane and low + 1e-9 < place.y < high - 1e-9:
                return None
            return self.rolled(plane, piece)
        return None

    def targets(self) -> list[Any]:
        """The upper ends of the members beside the first cut."""
        plane, low, high, begin = self.first_cut()
        ends = []
        for t in (low, high):
            piece = self.member_line(plane, t, begin)
            if piece is not None:
                end = shapely.Point(piece.bounds[0], t)
                ends.append(self.rolled(plane, end))
        return ends

    def tip_of(self, rank: int) -> Any:
        ladders = self._rows("ladders")
        feet = ladders["feet"][ladders["rank"] == rank].iloc[0]
        return shapely.get_point(feet, 1)

    def blocks(self) -> list[Any]:
        """Boxes around what stands in a walker's way, square to the framing, with the clearance."""
        things = self._rows("things")
        things = things[things["kind"] != "suspended_load"]
        clear = self.rule("obstacle.path_clear_ft")
        row = np.full(len(things), self.row)
        turned = self.at.turned(things["feet"].to_numpy(dtype=object), row)
        radius = self.rule("obstacle.point_radius_ft")
        grow = np.where(shapely.get_type_id(turned) == 0, radius, 0.0) + clear
        bounds = shapely.bounds(turned).reshape(-1, 4) + grow[:, None] * [-1, -1, 1, 1]
        return [shapely.box(*box) for box in bounds]

    def cheapest(self, tip: Any) -> tuple[float, float]:
        """Cost of the cheapest way from a tip to the work, along all lines there are: where a leg along the
        border of a box is free, and where it is not. The last bits decide of it; else both are the same."""
        lines = self.lines
        ends = [shapely.Point(point) for line, _ in lines for point in (line.coords[0], line.coords[-1])]
        ends.append(tip)
        # Ends that lie together are one place.
        places: list[Any] = []
        for end in ends:
            if not any(end.distance(place) < ON_LINE_FT for place in places):
                places.append(end)
        blocks = [
            [box.buffer(hair, join_style="mitre") for box in self.blocks()] for hair in (-EDGE_FT, EDGE_FT)
        ]
        graphs = nx.Graph(), nx.Graph()
        for line, cost in lines:
            on = sorted(
                (line.project(place), number)
                for number, place in enumerate(places)
                if line.distance(place) < ON_LINE_FT
            )
            for (_, one), (_, other) in itertools.pairwise(on):
                leg = shapely.LineString([places[one], places[other]])
                turned = self.at.turned(np.array([leg], dtype=object), np.array([self.row]))[0]
                weight = self.true_length(leg) * cost
                for graph, boxes in zip(graphs, blocks, strict=True):
                    if any(turned.intersects(box) for box in boxes):
                        continue
                    if not graph.has_edge(one, other) or graph[one][other]["weight"] > weight:
                        graph.add_edge(one, other, weight=weight)

        def number_of(point: Any) -> int:
            return min(range(len(places)), key=lambda number: places[number].distance(point))

        start, ends_of_ways = number_of(tip), [number_of(end) for end in self.targets()]

        def cost_in(graph: Any) -> float:
            reached = nx.single_source_dijkstra_path_length(graph, start) if start in graph else {}
            return min((float(reached.get(end, math.inf)) for end in ends_of_ways), default=math.inf)

        return cost_in(graphs[0]), cost_in(graphs[1])

    def walked_cost(self, path: Any) -> float:
        """Cost of a path by the cheapest line under each piece; infinite where there is none."""
        total, rest = 0.0, path
        for line, cost in sorted(self.lines, key=lambda line: line[1]):
            grown = line.buffer(ON_LINE_FT, cap_style="flat")
            on = rest.intersection(grown)
            # A line that is only crossed bears nothing.
            along = [
                part
                for part in shapely.get_parts(on)
                if part.length > 3 * ON_LINE_FT or part.length >= path.length - CLOSE_FT
            ]
            for part in along:
                total += self.true_length(part) * cost
                rest = rest.difference(part.buffer(1e-6))
        return total if rest.length < 8 * ON_LINE_FT else math.inf


class Pitched:
    """The planned roofs with planes of a build."""

    def __init__(self, measured: Any) -> None:
        self.measured = measured
        self.rules = measured.rules
        self.sections = measured.sections
        self.turned = measured.turned
        self.fire, self.foothold = measured.fire, measured.foothold
        self._grouped: dict[str, dict[str, Any]] = {}
        pitched = measured.of_family(lambda family: family.framing == "pitched").astype(bool)
        self.rows = np.flatnonzero(pitched & self.sections["planned"].to_numpy(dtype=bool))

    def by_section(self, name: str) -> dict[str, Any]:
        """The rows of a table of each section, in feet; under "" a table without rows."""
        if name not in self._grouped:
            frame = self._things() if name == "things" else self.measured.layer(name)
            # Plain tables: a map layer takes ten times as long to take apart.
            plain = pd.DataFrame(frame.drop(columns="geometry"))
            self._grouped[name] = {"": plain.iloc[:0]}
            self._grouped[name] |= {str(key): rows for key, rows in plain.groupby("section_id")}
        return self._grouped[name]

    def _things(self) -> Any:
        """Things on the roofs as they are drawn, once for each section of their building."""
        things = self.measured.tables["obstacles"]
        things = things[~things["kind"].isin(["overhead_line", "parapet"]) & things["building_id"].notna()]
        ids = self.measured.tables["sections"][["building_id", "section_id"]]
        joined = things.merge(ids, on="building_id").reset_index(drop=True)
        feet = self.measured.feet(joined["geometry"].to_numpy(dtype=object), self.measured.rows(joined))
        return joined.assign(feet=feet)

    @cached_property
    def roofs(self) -> list[Roof]:
        return [Roof(self, int(row)) for row in self.rows]

    @cached_property
    def opened(self) -> list[Roof]:
        """Roofs with an opening under the ridge."""
        return [roof for roof in self.roofs if roof.cut]


def _broken(roofs: list[Roof], good: Callable[[Roof], bool]) -> list[str]:
    return [roof.section_id for roof in roofs if not good(roof)]


def openings_lie_on_one_leeward_plane(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        lee = 90.0 + roof.rule("opening.lee_tolerance_deg") + 1e-6
        planes = [roof.plane_of(opening["feet"]) for opening in roof.cut]
        return len({plane.number for plane in planes}) == 1 and all(
            plane.shape.buffer(ROUNDING_FT, join_style="mitre").covers(opening["feet"])
            and roof.off_lee(plane) <= lee
            for plane, opening in zip(planes, roof.cut, strict=True)
        )

    return _broken(at.opened, good)


def openings_measure_true(at: Pitched) -> list[str]:
    """Along the ridge and up the slope, not as seen from above."""

    def good(roof: Roof) -> bool:
        for opening in roof.cut:
            flat = roof.plane_of(opening["feet"]).unroll(opening["feet"])
            s0, t0, s1, t1 = flat.bounds
            if (
                abs(t1 - t0 - opening["length_ft"]) > CLOSE_FT
                or abs(s1 - s0 - opening["width_ft"]) > CLOSE_FT
            ):
                return False
            if abs(flat.area - opening["area_ft2"]) > CLOSE_FT:
                return False
            if abs(shapely.box(s0, t0, s1, t1).area - flat.area) > CLOSE_FT:
                return False
        return True

    return _broken(at.opened, good)


def openings_keep_off_the_edges_of_their_plane(at: Pitched) -> list[str]:
    """Off the ridge and the level edges by the hanger's clearance, off hips, valleys and rakes by that
    or by half a spacing."""

    def good(roof: Roof) -> bool:
        ends = roof.rule("opening.hanger_clear_ft")
        for opening in roof.cut:
            plane = roof.plane_of(opening["feet"])
            flat = plane.unroll(opening["feet"])
            if flat.distance(plane.flat.boundary) < min(ends, roof.side_ft) - EDGE_FT:
                return False
            if flat.bounds[0] < plane.top + ends - CLOSE_FT:
                return False
        return True

    return _broken(at.opened, good)


def cuts_along_the_slope_run_midway_between_members(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        for opening in roof.cut:
            plane = roof.plane_of(opening["feet"])
            near = plane.shape.buffer(CLOSE_FT, join_style="mitre")
            places = []
            for line in roof.rafters:
                flat = plane.unroll(line)
                s0, t0, s1, t1 = flat.bounds
                if near.covers(line) and t1 - t0 < 1e-3 * (s1 - s0):
                    places.append((t0 + t1) / 2)
            lines = np.unique(np.round(places, 4))
            for t in plane.unroll(opening["feet"]).bounds[1::2]:
                below, above = lines[lines < t], lines[lines > t]
                if not below.size or not above.size:
                    return False
                if abs((t - below[-1]) - (above[0] - t)) > 2e-3:
                    return False
                if min(t - below[-1], above[0] - t) < roof.rule("opening.joist_clear_ft") - 1e-3:
                    return False
        return True

    return _broken(at.opened, good)


def openings_begin_within_reach_of_the_ridge(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        reach = roof.rule("opening.ridge_reach_ft") + 2 * CLOSE_FT
        planes = [(roof.plane_of(opening["feet"]), opening["feet"]) for opening in roof.cut]
        return all(plane.unroll(shape).bounds[0] - plane.top <= reach for plane, shape in planes)

    return _broken(at.opened, good)


def openings_keep_off_what_stands_on_their_plane(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        for opening in roof.cut:
            plane = roof.plane_of(opening["feet"])
            flat = plane.unroll(opening["feet"])
            for thing in roof.things_on(plane):
                if flat.distance(thing) < roof.rule("obstacle.clear_ft") - ROUNDING_FT:
                    return False
        return True

    return _broken(at.opened, good)


def openings_lie_in_one_row_toward_the_ladder(at: Pitched) -> list[str]:
    """All begin equally far below the ridge; each is nearer the foothold; none comes too near it."""

    def good(roof: Roof) -> bool:
        plane = roof.plane_of(roof.cut[0]["feet"])
        foot = plane.unroll(roof.foothold)
        boxes = [plane.unroll(opening["feet"]).bounds for opening in roof.cut]
        tops = [box[0] for box in boxes]
        away = [abs((box[1] + box[3]) / 2 - foot.y) for box in boxes]
        seq = [int(opening["seq"]) for opening in roof.cut]
        ahead = len(roof.openings) - len(roof.cut)
        if max(tops) - min(tops) > CLOSE_FT or not all(b < a for a, b in itertools.pairwise(away)):
            return False
        later = [plane.unroll(opening["feet"]) for opening in roof.cut[1:]]
        clear = roof.rule("ladder.opening_clear_ft") - CLOSE_FT
        if any(shape.distance(foot) < clear for shape in later):
            return False
        return seq == list(range(ahead + 1, len(roof.openings) + 1)) and len(seq) <= roof.rule(
            "opening.crew_limit"
        )

    return _broken(at.opened, good)


def openings_finish_toward_the_ladder(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        for opening in roof.cut:
            plane = roof.plane_of(opening["feet"])
            toward = math.radians(opening["finish_toward_deg"])
            if abs(math.cos(toward - math.radians(plane.downslope_deg))) > 1e-6:
                return False
            centre = opening["feet"].centroid
            foot = roof.foothold
            if math.sin(toward) * (foot.x - centre.x) + math.cos(toward) * (foot.y - centre.y) < -CLOSE_FT:
                return False
        return True

    return _broken(at.opened, good)


def the_first_bay_is_the_nearest_to_the_fire(at: Pitched) -> list[str]:
    """By the plain loop over all bays of all planes."""

    def good(roof: Roof) -> bool:
        plane = roof.plane_of(roof.cut[0]["feet"])
        s0, t0, s1, t1 = plane.unroll(roof.cut[0]["feet"]).bounds
        side, end_clear = roof.side_ft, roof.rule("opening.hanger_clear_ft")
        return any(
            cell.number == plane.number
            and np.allclose(
                [s0, t0, s1, t1],
                [upper + end_clear, low + side, lower - end_clear, high - side],
                atol=CLOSE_FT,
            )
            for cells in roof.nearest_cells()
            for cell, low, high, upper, lower in cells
        )

    return _broken(at.opened, good)


def what_has_no_clear_ridge_has_no_clear_bay(at: Pitched) -> list[str]:
    refused = [roof for roof in at.roofs if str(roof.facts["cut_method_why"]).find("no_clear_ridge") >= 0]
    return _broken(refused, lambda roof: bool(roof.planes) and not all(roof.nearest_cells()))


def cuts_are_as_long_as_on_the_roof(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        cuts = roof._rows("cuts")
        for opening in roof.cut:
            plane = roof.plane_of(opening["feet"])
            mine = cuts[cuts["feature_seq"] == opening["seq"]]
            if sorted(mine["kind"]) != ["base_cut", "head_cut", "parallel_cut"]:
                return False
            for feet, length in zip(mine["feet"], mine["cut_ft"], strict=True):
                if abs(plane.unroll(feet).length - length) > CLOSE_FT:
                    return False
        return not (cuts["feature"] == "trench").any()

    return _broken(at.opened, good)


def ways_lead_from_the_ladder_to_the_ridge_beside_the_first_cut(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        _, _, _, begin = roof.first_cut()
        plane = roof.first_cut()[0]
        for rank, path in zip(roof.paths["ladder_rank"], roof.paths["feet"], strict=True):
            end = shapely.get_point(path, -1)
            if shapely.get_point(path, 0).distance(roof.tip_of(int(rank))) > ON_LINE_FT:
                return False
            if min(end.distance(target) for target in roof.targets()) > ON_LINE_FT:
                return False
            if plane.unroll(end).x > begin:
                return False
        return 1 in set(roof.paths["ladder_rank"])

    return _broken(at.opened, good)


def ways_are_as_long_as_on_the_roof(at: Pitched) -> list[str]:
    def as_long(roof: Roof, path: Any, length: float) -> bool:
        if abs(roof.true_length(path) - length) < ON_LINE_FT:
            return True
        least, most = roof.length_range(path)
        return least - ON_LINE_FT < length < most + ON_LINE_FT

    def good(roof: Roof) -> bool:
        return all(
            as_long(roof, path, length) and abs(share - 1.0) < 1e-9
            for path, length, share in zip(
                roof.paths["feet"], roof.paths["length_ft"], roof.paths["share_on_bearing"], strict=True
            )
        )

    return _broken(at.opened, good)


def ways_run_on_lines_that_bear_and_are_the_cheapest(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        for rank, path in zip(roof.paths["ladder_rank"], roof.paths["feet"], strict=True):
            least, most = roof.cheapest(roof.tip_of(int(rank)))
            walked = roof.walked_cost(path)
            if not math.isfinite(walked) or not walked <= most + 20 * ON_LINE_FT:
                return False
            if walked < least - 20 * ON_LINE_FT:
                return False
        return True

    return _broken(at.opened, good)


def ways_keep_off_openings_and_things(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        boxes = roof.blocks()
        for path in roof.paths["feet"]:
            if any(path.intersects(shape) for shape in roof.openings["feet"][-len(roof.cut) :]):
                return False
            turned = at.turned(np.array([path], dtype=object), np.array([roof.row]))[0]
            if any(turned.intersects(box.buffer(-EDGE_FT, join_style="mitre")) for box in boxes):
                return False
        return True

    return _broken(at.opened, good)


def ladders_stand_at_eaves_or_at_the_high_wall(at: Pitched) -> list[str]:
    """A gable end, or the side of a roof of one plane, has no level edge to step over."""

    def good(roof: Roof) -> bool:
        ladders = roof._rows("ladders")
        if not roof.planes:
            return True
        for feet, outward in zip(ladders["feet"], at.measured.outward_deg(ladders), strict=True):
            tip = shapely.get_point(feet, 1)
            plane = min(roof.planes, key=lambda plane: plane.shape.distance(tip))
            off = (plane.downslope_deg - outward + 180.0) % 360.0 - 180.0
            # The high wall of one plane need not run straight across it.
            high = 180.0 - roof.rule("pitched.direction_tolerance_deg")
            level = abs(off) < 6.0 or (len(roof.planes) == 1 and abs(off) > high - 1e-6)
            # A tip at a corner of two planes stands at the eave of one of them.
            others = [p for p in roof.planes if p.shape.distance(tip) < ON_LINE_FT]
            level |= any(abs((p.downslope_deg - outward + 180.0) % 360.0 - 180.0) < 6.0 for p in others)
            if not level:
                return False
        return True

    return _broken(at.roofs, good)


def inspection_cuts_cross_a_member(at: Pitched) -> list[str]:
    """A cut over one plane is as long as on the roof and crosses a rafter."""

    def good(roof: Roof) -> bool:
        checks = roof._rows("checks")
        for feet, length in zip(
            checks["feet"][checks["kind"] == "inspection_cut"],
            checks["cut_ft"][checks["kind"] == "inspection_cut"],
            strict=True,
        ):
            on_one = [p for p in roof.planes if p.shape.buffer(ROUNDING_FT).covers(feet)]
            # The high wall of one plane need not run straight across; the cut is measured as if it did.
            off = 0.05 * length if len(roof.planes) == 1 else CLOSE_FT
            if on_one and abs(on_one[0].unroll(feet).length - length) > off:
                return False
            crossed = [line for line in roof.rafters if line.distance(feet) < CLOSE_FT]
            crossed += [
                line for kind in ROOF_LINES for line in roof.members.get(kind, []) if line.intersects(feet)
            ]
            if not crossed:
                return False
        return True

    return _broken(at.opened, good)


def pitched_roofs_have_no_trench(at: Pitched) -> list[str]:
    return _broken(at.roofs, lambda roof: roof._rows("trenches").empty)


def what_is_not_cut_says_why(at: Pitched) -> list[str]:
    def good(roof: Roof) -> bool:
        why = str(roof.facts["cut_method_why"])
        return any(f"{code}: " in why for code in REASONS) != bool(roof.cut)

    return _broken(at.roofs, good)


PITCHED_LAWS: dict[str, Callable[[Pitched], list[str]]] = {
    law.__name__: law
    for law in (
        openings_lie_on_one_leeward_plane,
        openings_measure_true,
        openings_keep_off_the_edges_of_their_plane,
        cuts_along_the_slope_run_midway_between_members,
        openings_begin_within_reach_of_the_ridge,
        openings_keep_off_what_stands_on_their_plane,
        openings_lie_in_one_row_toward_the_ladder,
        openings_finish_toward_the_ladder,
        the_first_bay_is_the_nearest_to_the_fire,
        what_has_no_clear_ridge_has_no_clear_bay,
        cuts_are_as_long_as_on_the_roof,
        ways_lead_from_the_ladder_to_the_ridge_beside_the_first_cut,
        ways_are_as_long_as_on_the_roof,
        ways_run_on_lines_that_bear_and_are_the_cheapest,
        ways_keep_off_openings_and_things,
        ladders_stand_at_eaves_or_at_the_high_wall,
        inspection_cuts_cross_a_member,
        pitched_roofs_have_no_trench,
        what_is_not_cut_says_why,
    )
}


def broken(at: Pitched) -> dict[str, list[str]]:
    """The laws that do not hold, with the sections that break them."""
    found = {name: law(at) for name, law in PITCHED_LAWS.items()}
    return {name: ids for name, ids in found.items() if ids}
