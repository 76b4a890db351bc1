"""Placing against other programs: GEOS for what lies where, networkx for the cheapest way."""

from __future__ import annotations

from itertools import pairwise
from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import networkx as nx
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from roofplat.framing.members import SectionFrames, scan
from roofplat.placing.bays import Bays, lay_out_bays
from roofplat.placing.paths import find_ways
from roofplat.placing.scene import Boxes, deepest_point, inside, touches_box

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)


@st.composite
def _stars(draw: st.DrawFn) -> shapely.Polygon:
    count = draw(st.integers(3, 10))
    radius = np.array([draw(st.integers(30, 150)) for _ in range(count)])
    angle = np.arange(count) * 2 * np.pi / count + draw(st.sampled_from([0.0, 0.3]))
    return shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def _roof(frames: SectionFrames) -> shapely.Polygon:
    """The section in its own coordinates, courtyards included."""
    corners = np.column_stack([frames.u0, frames.v0])
    shell = frames.outlines.shell
    return shapely.Polygon(corners[shell], [corners[~shell]] if (~shell).any() else [])


def _boxes(*bounds: tuple[float, float, float, float]) -> Boxes:
    """Boxes of section 0 from (u low, v low, u high, v high)."""
    columns = np.array(bounds, dtype=float).reshape(-1, 4)
    return Boxes(
        np.zeros(len(columns), dtype=np.int64), columns[:, 0], columns[:, 2], columns[:, 1], columns[:, 3]
    )


def _bays(shapes: ModuleType, frames: SectionFrames, obstacles: Boxes, side: float | None = None) -> Bays:
    """Bays cut as far from their sides as the rulebook says of beams, unless it is said otherwise."""
    side = shapes.RULES.number("opening.beam_clear_ft") if side is None else side
    return lay_out_bays(
        frames,
        np.array([True]),
        obstacles,
        shapes.RULES,
        side_clear_ft=np.array([side]),
        whole_only=np.array([False]),
    )


@given(_stars(), st.sampled_from([0.0, 30.0]))
@settings(max_examples=60)
def test_the_deepest_point_of_a_star(shapes: ModuleType, star: shapely.Polygon, azimuth: float) -> None:
    _deep_enough(shapes.frames(star, azimuth=azimuth))


@pytest.mark.parametrize("letter", ["letter_l", "letter_u", "courtyard", "rectangle"])
def test_the_deepest_point_of_winged_roofs(shapes: ModuleType, letter: str) -> None:
    shape = shapes.rectangle(90, 40) if letter == "rectangle" else getattr(shapes, letter)()
    for azimuth in (0.0, 45.0, 73.0):
        _deep_enough(shapes.frames(shape, azimuth=azimuth))


def _deep_enough(frames: SectionFrames) -> None:
    u, v = deepest_point(frames, np.array([True]))
    roof = _roof(frames)
    spot = shapely.Point(u[0], v[0])
    depth = shapely.length(shapely.maximum_inscribed_circle(roof, tolerance=0.01))
    assert roof.contains(spot)
    assert roof.boundary.distance(spot) >= 5 / 6 * depth


@given(_stars(), st.lists(st.tuples(st.floats(-160, 160), st.floats(-160, 160)), min_size=1, max_size=20))
def test_inside_is_what_geos_covers(shapes: ModuleType, star: Any, places: list[tuple[float, float]]) -> None:
    frames = shapes.frames(star)
    u, v = np.array(places).T
    points = shapely.points(u, v)
    clear = shapely.distance(_roof(frames).boundary, points) > 1e-6
    found = inside(frames, u, v, np.zeros(u.size, dtype=int))
    assert (found == shapely.covers(_roof(frames), points))[clear].all()


GRID = st.integers(-4, 8).map(float)


@given(GRID, GRID, GRID, GRID)
def test_touching_a_box_is_meeting_its_inside(u0: float, v0: float, u1: float, v1: float) -> None:
    if (u0, v0) == (u1, v1):
        u1 += 1.0
    found = touches_box(*(np.array([end]) for end in (u0, v0, u1, v1)), _boxes((0, 0, 5, 3)))
    line = shapely.LineString([(u0, v0), (u1, v1)])
    assert found[0] == shapely.relate_pattern(line, shapely.box(0, 0, 5, 3), "T********")


@given(
    _stars(),
    st.sampled_from([0.0, 25.0]),
    st.lists(st.tuples(GRID, GRID), max_size=3),
    st.sampled_from([0.5, 2 / 3, 1.0]),
)
@settings(max_examples=60)
def test_clear_bays_are_those_whose_cut_geos_covers(
    shapes: ModuleType,
    star: shapely.Polygon,
    azimuth: float,
    spots: list[tuple[float, float]],
    beam: float,
) -> None:
    frames = shapes.frames(star, azimuth=azimuth)
    things = _boxes(*((10 * x, 10 * y, 10 * x + 7, 10 * y + 4) for x, y in spots))
    bays = _bays(shapes, frames, things, beam)
    hanger, least, clear = (
        shapes.RULES.number(rule)
        for rule in ("opening.hanger_clear_ft", "opening.least_ft", "obstacle.clear_ft")
    )
    low_u, high_u = bays.u_low + hanger, bays.u_high - hanger
    low_v, high_v = bays.v_low + beam, bays.v_high - beam
    big = (high_u - low_u >= least) & (high_v - low_v >= least)
    cut = shapely.box(low_u, low_v, np.maximum(high_u, low_u + 0.1), np.maximum(high_v, low_v + 0.1))
    keep_off = shapely.union_all(
        shapely.box(things.u_low - clear, things.v_low - clear, things.u_high + clear, things.v_high + clear)
    )
    roof = _roof(frames)
    # No wall comes nearer to a cut than a beam may; one within 0.02 ft of the border is on it.
    grown = shapely.box(*(shapely.bounds(cut) + np.array([-beam, -beam, beam, beam])).T)
    less = shapely.box(*(shapely.bounds(grown) + 0.03 * np.array([1, 1, -1, -1])).T)
    surely = shapely.covers(shapely.buffer(roof, -1e-6), grown)
    surely &= shapely.distance(keep_off, cut) > 1e-6 if not keep_off.is_empty else True
    perhaps = shapely.covers(roof, less)
    perhaps &= ~shapely.relate_pattern(keep_off, cut, "T********")
    assert bays.clear[surely & big].all()
    assert not bays.clear[~(perhaps & big)].any()


def _cheapest(
    frames: SectionFrames, bay: Boxes, tip: tuple[float, float], blocks: Boxes, costs: dict[str, float]
) -> float:
    """Dijkstra over every wall, beam and purlin, split where they meet."""
    lines: list[tuple[str, Any]] = [
        ("wall", shapely.LineString([(a, b), (c, d)]))
        for a, b, c, d in zip(frames.u0, frames.v0, frames.u1, frames.v1, strict=True)
    ]
    for kind, along in (("beam", "u"), ("purlin", "v")):
        runs = scan(frames, frames.beams if kind == "beam" else frames.purlins, "u" if along == "u" else "v")
        for at, low, high in zip(runs.position, runs.low, runs.high, strict=True):
            ends = [(low, at), (high, at)]
            lines.append((kind, shapely.LineString(ends if along == "u" else [end[::-1] for end in ends])))
    closed = [
        shapely.box(*bounds)
        for bounds in zip(blocks.u_low, blocks.v_low, blocks.u_high, blocks.v_high, strict=True)
    ]
    graph = nx.Graph()
    every = shapely.MultiLineString([line for _, line in lines])
    here = shapely.Point(tip)
    for kind, line in lines:
        meets = shapely.get_coordinates(shapely.intersection(every, line.buffer(1e-4)))
        places = [line.project(shapely.Point(point)) for point in meets] + [0.0, line.length]
        if line.distance(here) < 1e-3:
            places.append(line.project(here))
        nodes = [line.interpolate(place) for place in sorted(places)]
        keys = [(round(node.x, 2) + 0.0, round(node.y, 2) + 0.0) for node in nodes]
        for start, end in pairwise(keys):
            piece = shapely.LineString([start, end])
            if start != end and not any(shapely.relate_pattern(piece, box, "T********") for box in closed):
                cost = costs[kind] * piece.length
                if cost < graph.get_edge_data(start, end, {"weight": np.inf})["weight"]:
                    graph.add_edge(start, end, weight=cost)
    foot = (round(tip[0], 2) + 0.0, round(tip[1], 2) + 0.0)
    if foot not in graph:
        # Something stands at the tip: no line leads away from it.
        return float("inf")
    reach = nx.single_source_dijkstra_path_length(graph, foot)
    area = shapely.box(bay.u_low[0], bay.v_low[0], bay.u_high[0], bay.v_high[0]).buffer(0.03)
    # A way has a length: a tip that stands at the bay walks to another of its corners.
    return min(
        (cost for node, cost in reach.items() if node != foot and area.covers(shapely.Point(node))),
        default=np.inf,
    )


@pytest.mark.parametrize(
    ("letter", "units"),
    [
        ("rectangle", ()),
        ("rectangle", ((-20, -35, -14, -25),)),
        ("rectangle", ((-20, -35, -14, -25), (-10, -14, -4, 14), (9, -40, 13, 40))),
        ("letter_l", ()),
        ("letter_l", ((-30, -40, -20, -20),)),
        ("letter_u", ()),
        ("courtyard", ()),
        ("courtyard", ((-45, -20, -30, -10), (30, 10, 45, 20))),
    ],
)
def test_ways_cost_what_the_full_graph_says(shapes: ModuleType, letter: str, units: Any) -> None:
    shape = shapes.rectangle(104, 60) if letter == "rectangle" else getattr(shapes, letter)()
    frames = shapes.frames(shape)
    roof, obstacles = _roof(frames), _boxes(*units)
    bays = _bays(shapes, frames, obstacles)
    tips = [
        (float(node.x), float(node.y))
        for node in (roof.exterior.interpolate(share, normalized=True) for share in (0.03, 0.31, 0.52, 0.87))
    ]
    costs = shapes.RULES.table("path.cost")
    beams, purlins = scan(frames, frames.beams, "u"), scan(frames, frames.purlins, "v")
    blocks = obstacles.grown(shapes.RULES.number("obstacle.path_clear_ft"))
    clear = np.flatnonzero(bays.clear)
    for number in clear[:: max(1, clear.size // 3)]:
        bounds = (bays.u_low[number], bays.v_low[number], bays.u_high[number], bays.v_high[number])
        bay = _boxes(tuple(float(bound) for bound in bounds))
        u, v = np.array(tips).T
        ways = find_ways(
            frames, beams, purlins, obstacles, bay, np.zeros(u.size, dtype=int), u, v, shapes.RULES
        )
        want = [_cheapest(frames, bay, tip, blocks, costs) for tip in tips]
        np.testing.assert_allclose(ways.cost, want, atol=0.15)
        assert np.isfinite(want).any()


@given(_stars(), st.sampled_from([0.0, 25.0]), st.integers(0, 19))
@settings(max_examples=40)
def test_leaving_lines_out_never_costs_anything(
    shapes: ModuleType, star: shapely.Polygon, azimuth: float, place: int
) -> None:
    """On outlines at any angle the way over the few lines is as cheap as the one over all."""
    frames = shapes.frames(star, azimuth=azimuth)
    bays = _bays(shapes, frames, NOTHING)
    clear = np.flatnonzero(bays.clear)
    if not clear.size:
        return
    number = clear[clear.size // 2]
    bay = _boxes((bays.u_low[number], bays.v_low[number], bays.u_high[number], bays.v_high[number]))
    tip = _roof(frames).exterior.interpolate(place / 20 + 0.01, normalized=True)
    beams, purlins = scan(frames, frames.beams, "u"), scan(frames, frames.purlins, "v")
    few, all_ = (
        find_ways(
            frames,
            beams,
            purlins,
            NOTHING,
            bay,
            np.array([0]),
            np.array([tip.x]),
            np.array([tip.y]),
            shapes.RULES,
            every_line=every_line,
        )
        for every_line in (False, True)
    )
    np.testing.assert_allclose(few.cost, all_.cost, rtol=1e-3)
