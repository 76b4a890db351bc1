"""The streets as a graph: shortest ways as networkx finds them, and lines that are as long as they say.

In: small street plans worked out by hand, and random ones.
Out: feet from door to door, and the way as a line.
"""

from __future__ import annotations

import itertools
from typing import Any

import networkx as nx
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from shapely.geometry import Point
from shapely.ops import split, unary_union
from tests.ranking.days.town import CRS, GROUND, spot, square, streets

from roofplat.ranking.days.streets import StreetGraph, street_graph
from roofplat.rules import load_rulebook

PLANE = pyproj.CRS(CRS)
GEOD = Geod(ellps="WGS84")


def graph(places: list[Any], lines: Any, **rules: float) -> StreetGraph | None:
    book = load_rulebook({f"days.{name}": value for name, value in rules.items()})
    return street_graph(np.array(places, dtype=object), lines, book, GROUND, PLANE)


def points(*spots: tuple[float, float]) -> list[Any]:
    return [Point(*spot(*place)) for place in spots]


def length_ft(line: Any) -> float:
    """On the ellipsoid, by pyproj's own sum."""
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    return float(GEOD.line_length(*to_degrees.transform(*shapely.get_coordinates(line).T))) / 0.3048


def test_round_the_block_and_not_through_it() -> None:
    block = streets([(0, 0), (1000, 0)], [(1000, 0), (1000, 600)], [(1000, 600), (0, 600)])
    made = graph(points((100, 0), (100, 600)), block)
    assert made is not None
    assert made.shortest_ft()[0, 1] == pytest.approx(900 + 600 + 900, abs=3)


def test_streets_that_cross_without_a_common_point_are_a_corner() -> None:
    made = graph(points((0, 0), (500, 500)), streets([(0, 0), (1000, 0)], [(500, -500), (500, 500)]))
    assert made is not None
    assert made.shortest_ft()[0, 1] == pytest.approx(1000, abs=3)


def test_a_street_that_ends_just_short_of_another_is_joined_to_it() -> None:
    lines = streets([(0, 0), (1000, 0)], [(500, 0.4), (500, 500)])
    joined = graph(points((0, 0), (500, 500)), lines)
    apart = graph(points((0, 0), (500, 500)), lines, street_join_ft=0.1)
    assert joined is not None
    assert apart is not None
    assert joined.shortest_ft()[0, 1] == pytest.approx(1000, abs=2)
    assert np.isinf(apart.shortest_ft()[0, 1])


def test_of_two_streets_between_the_same_corners_the_shorter_counts() -> None:
    bow = streets([(0, 0), (400, 0)], [(0, 0), (0, 300), (400, 300), (400, 0)], [(-100, 0), (0, 0)],
                  [(400, 0), (500, 0)])  # fmt: skip
    made = graph(points((-100, 0), (500, 0)), bow)
    assert made is not None
    assert made.shortest_ft()[0, 1] == pytest.approx(600, abs=3)


def test_a_house_on_a_loop_goes_the_short_way_round() -> None:
    loop = streets([(0, 0), (0, 400), (400, 400), (400, 0), (0, 0)], [(-200, 0), (0, 0)])
    made = graph(points((-200, 0), (300, 0), (0, 100)), loop)
    assert made is not None
    assert made.shortest_ft()[0].tolist() == pytest.approx([0, 500, 300], abs=3)


def test_two_doors_at_one_spot_are_no_way_apart() -> None:
    made = graph([square(500, 100), square(500, -100), *points((0, 0))], streets([(0, 0), (1000, 0)]))
    assert made is not None
    assert made.shortest_ft()[0, 1] == pytest.approx(0, abs=1e-3)
    assert made.shortest_ft()[0, 2] == pytest.approx(500, abs=3)
    assert made.spur_ft[:2].tolist() == pytest.approx([80, 80], abs=1)


def test_the_door_is_in_front_of_the_middle_of_the_house() -> None:
    made = graph([square(300, 50), *points((0, 0))], streets([(0, 0), (1000, 0)]))
    assert made is not None
    assert made.shortest_ft()[0, 1] == pytest.approx(300, abs=3)


def test_a_house_far_from_every_street_has_no_door() -> None:
    lines = streets([(0, 0), (1000, 0)])
    made = graph(points((0, 0), (500, 501), (500, 499)), lines)
    assert made is not None
    assert (made.door >= 0).tolist() == [True, False, True]
    assert np.isinf(made.shortest_ft()[0, 1])
    assert graph(points((0, 5000)), lines) is None
    assert graph(points((0, 0)), None) is None
    assert graph(points((0, 0)), lines.iloc[:0]) is None


def test_a_way_is_a_line_as_long_as_it_says() -> None:
    bent = streets([(0, 0), (300, 40), (300, 500), (700, 520)], [(300, 200), (900, 200)])
    places = points((20, 60), (650, 600), (880, 150))
    made = graph(places, bent)
    assert made is not None
    for here, there in itertools.permutations(range(3), 2):
        way = shapely.linestrings(made.path(here, there))
        told = made.spur_ft[here] + made.shortest_ft()[here, there] + made.spur_ft[there]
        assert length_ft(way) == pytest.approx(told, abs=0.1)
        assert way.coords[0] == pytest.approx(places[here].coords[0])
        assert way.coords[-1] == pytest.approx(places[there].coords[0])


def by_networkx(places: list[Any], lines: Any) -> np.ndarray[Any, Any]:
    """The same feet by another library's graph and another way of cutting streets at the doors."""
    whole = unary_union(list(lines.geometry))
    pieces = list(whole.geoms) if whole.geom_type == "MultiLineString" else [whole]
    doors = []
    for place in places:
        nearest = min(pieces, key=place.distance)
        doors.append(nearest.interpolate(nearest.project(place.centroid)))
    net: nx.Graph[Any] = nx.Graph()
    for piece in pieces:
        cut = [piece]
        for door in doors:
            if piece.distance(door) < 1e-6:
                cut = [part for one in cut for part in _cut(one, door)]
        for part in cut:
            ends = [tuple(np.round(end, 5)) for end in (part.coords[0], part.coords[-1])]
            feet = length_ft(part)
            if not net.has_edge(*ends) or net.edges[ends]["feet"] > feet:
                net.add_edge(*ends, feet=feet)
    named = [min(net.nodes, key=lambda node: Point(node).distance(door)) for door in doors]
    found = np.full((len(places), len(places)), np.inf)
    for row, source in enumerate(named):
        far = nx.single_source_dijkstra_path_length(net, source, weight="feet")
        for column, target in enumerate(named):
            found[row, column] = far.get(target, np.inf)
    return found


def _cut(line: Any, door: Any) -> list[Any]:
    at = line.project(door)
    if line.distance(door) > 1e-6 or at < 1e-6 or at > line.length - 1e-6:
        return [line]
    near = shapely.snap(line, door, 1e-6)
    parts = [part for part in split(near, door).geoms if part.length > 0]
    if len(parts) == 2:
        return parts
    return [shapely.ops.substring(line, 0, at), shapely.ops.substring(line, at, line.length)]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_shortest_ways_are_those_of_networkx(seed: int) -> None:
    random = np.random.default_rng(seed)
    # A grid of which a third is missing, and some streets across it.
    lines = [
        line
        for k in range(5)
        for line in (
            [(0, 400 * k), (2000, 400 * k)],
            [(400 * k, -100), (400 * k, 2100)],
        )
        if random.random() < 0.7
    ]
    lines += [[tuple(p) for p in random.uniform(0, 2000, (3, 2)).round(1)] for _ in range(3)]
    places = points(*random.uniform(0, 2000, (6, 2)))
    net = streets(*lines)
    # No joining: the two graphs are to be cut from the very same lines.
    made = graph(places, net, street_join_ft=1e-3, street_snap_ft=1e5)
    assert made is not None
    ours, theirs = made.shortest_ft(), by_networkx(places, net)
    assert (np.isinf(ours) == np.isinf(theirs)).all()
    known = np.isfinite(ours)
    np.testing.assert_allclose(ours[known], theirs[known], atol=0.05)


def test_the_order_of_the_streets_does_not_matter() -> None:
    random = np.random.default_rng(3)
    net = streets(*[[tuple(p) for p in random.uniform(0, 2000, (3, 2))] for _ in range(12)])
    places: list[Any] = [square(*random.uniform(0, 2000, 2)) for _ in range(8)]
    one, other = graph(places, net), graph(places, net.sample(frac=1, random_state=1))
    assert one is not None
    assert other is not None
    assert one.shortest_ft().tobytes() == other.shortest_ft().tobytes()
    assert (
        one.path(0, 5).tobytes() == other.path(0, 5).tobytes()
        if np.isfinite(one.shortest_ft()[0, 5])
        else True
    )
