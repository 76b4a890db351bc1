"""Walls: straight runs, letters from the street, and what carries."""

from __future__ import annotations

from collections.abc import Sequence
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.framing.walls import Walls, _nearest_line, bearing_kinds, side_letters, street_direction_deg
from roofplat.tables import BASES, SIDES, WALL_KINDS


def _letters(shapes: ModuleType, shape: Any, street_deg: float) -> dict[float, str]:
    """Outward direction to letter."""
    walls = shapes.walls(shape)
    side, _ = side_letters(walls, np.array([street_deg]), np.array([0]))
    return dict(zip((np.round(walls.outward_deg) % 360).tolist(), _words(SIDES, side), strict=True))


def _words(names: Sequence[str], numbers: np.ndarray) -> list[str]:
    return [names[number] for number in numbers]


def test_a_rectangle_has_four_walls_that_look_out(shapes: ModuleType) -> None:
    walls = shapes.walls(shapes.rectangle(100, 50))
    by_outward = dict(zip(np.round(walls.outward_deg) % 360, np.round(walls.length_ft, 3), strict=True))
    assert by_outward == {0.0: 100.0, 90.0: 50.0, 180.0: 100.0, 270.0: 50.0}
    assert walls.convex_start.all()
    assert walls.convex_end.all()


def test_the_l_has_one_corner_that_points_inward(shapes: ModuleType) -> None:
    walls = shapes.walls(shapes.letter_l())
    assert walls.length_ft.size == 6
    assert (~walls.convex_end).sum() == 1
    assert (~walls.convex_start).sum() == 1


@pytest.mark.parametrize(
    ("street", "letters"), [(180.0, "CDAB"), (90.0, "DABC"), (0.0, "ABCD"), (270.0, "BCDA")]
)
def test_letters_go_clockwise_from_the_street(shapes: ModuleType, street: float, letters: str) -> None:
    found = _letters(shapes, shapes.rectangle(80, 80), street)
    assert "".join(found[outward % 360] for outward in (0.0, 90.0, 180.0, 270.0)) == letters


def test_without_a_street_the_longest_wall_is_the_front(shapes: ModuleType) -> None:
    found = _letters(shapes, shapes.rectangle(50, 100), np.nan)
    assert {found[90.0], found[270.0]} == {"A", "C"}


@pytest.mark.parametrize("north", [50.3, 49.7])
def test_a_wall_longer_by_a_third_of_a_foot_is_the_front(shapes: ModuleType, north: float) -> None:
    found = _letters(shapes, shapes.rectangle(50, north), np.nan)
    front = {90.0, 270.0} if north > 50.0 else {0.0, 180.0}
    assert {outward for outward, letter in found.items() if letter in "AC"} == front


@pytest.mark.parametrize(("facing", "letter"), [(44.5, "A"), (45.5, "B"), (134.5, "B"), (135.5, "C")])
def test_a_wall_between_two_sides_is_of_the_nearer_one(
    shapes: ModuleType, facing: float, letter: str
) -> None:
    """A square whose north-east corner, or its south-east one, is cut off askew; the street lies north."""
    east, north = 40.0 * np.abs([np.cos(np.radians(facing)), np.sin(np.radians(facing))])
    outline = shapely.Polygon([(0, 0), (100, 0), (100, 100 - north), (100 - east, 100), (0, 100)])
    if facing > 90.0:
        outline = shapely.affinity.scale(outline, yfact=-1.0)
    walls = shapes.walls(outline)
    side, _ = side_letters(walls, np.array([0.0]), np.array([0]))
    between = np.abs(walls.outward_deg - facing) < 0.01
    assert between.sum() == 1
    assert _words(SIDES, side[between]) == [letter]


def test_walls_of_a_run_of_sections_are_those_of_these_sections(shapes: ModuleType) -> None:
    boxes = [shapes.rectangle(50, 30), shapes.letter_l(), shapes.courtyard(), shapes.rectangle(80, 20)]
    run, alone = shapes.walls(*boxes).rows(slice(1, 3)), shapes.walls(*boxes[1:3])
    for name in Walls.__slots__:
        np.testing.assert_array_equal(getattr(run, name), getattr(alone, name), err_msg=name)


def test_a_courtyard_has_no_letter(shapes: ModuleType) -> None:
    walls = shapes.walls(shapes.courtyard())
    side, _ = side_letters(walls, np.array([180.0]), np.array([0]))
    assert (side == -1).tolist() == (~walls.shell).tolist()
    assert (~walls.shell).sum() == 4


def test_the_parts_of_a_building_share_their_front(shapes: ModuleType) -> None:
    walls = shapes.walls(shapes.rectangle(50, 50), shapes.rectangle(20, 90, west=50))
    side, facing = side_letters(walls, np.array([180.0, 90.0]), np.array([4, 4]))
    np.testing.assert_allclose(facing, 180.0, atol=0.01)
    east = np.round(walls.outward_deg) == 90.0
    assert set(_words(SIDES, side[east])) == {"D"}


def test_a_jog_below_the_tolerance_is_one_wall(shapes: ModuleType) -> None:
    small, nearly = (
        shapely.Polygon([(0, 0), (100, 0), (100, 50), (60, 50), (60, top), (40, top), (40, 50), (0, 50)])
        for top in (51, 51.4)
    )
    large = shapely.Polygon([(0, 0), (100, 0), (100, 50), (60, 50), (60, 56), (40, 56), (40, 50), (0, 50)])
    walls = shapes.walls(small, nearly, large)
    assert np.bincount(walls.section).tolist() == [4, 4, 8]
    assert walls.shell.all()
    assert shapes.walls(large, small).shell.all()


def test_a_vertex_in_a_straight_wall_is_no_corner(shapes: ModuleType) -> None:
    dotted = shapely.segmentize(shapes.rectangle(100, 50), 7.0)
    for azimuth in (0.0, 30.0, 135.0, 250.0):
        assert shapes.walls(shapes.turned(dotted, azimuth)).section.size == 4


def test_a_round_tank_keeps_its_walls(shapes: ModuleType) -> None:
    walls = shapes.walls(shapely.Point(0, 0).buffer(60, quad_segs=32))
    assert walls.section.size >= 3
    assert walls.length_ft.sum() == pytest.approx(2 * np.pi * 60, rel=0.05)


def _direction(shapes: ModuleType, address: str | None, streets: Any) -> float:
    made = shapes.outlines(shapes.rectangle(50, 50))
    found = street_direction_deg(made, pd.Series([address], dtype="str"), streets, shapes.RULES)
    return float(found[0])


def test_the_street_of_the_address_beats_the_nearer_one(shapes: ModuleType) -> None:
    south = shapely.LineString([(-500, -20), (500, -20)])
    east = shapely.LineString([(150, -500), (150, 500)])
    streets = shapes.streets(south, east, names=["Alder Row", "Birch  Way."])
    assert _direction(shapes, None, streets) == pytest.approx(180.0, abs=0.01)
    assert _direction(shapes, "12 Cedar Path", streets) == pytest.approx(180.0, abs=0.01)
    assert _direction(shapes, "12-B birch way", streets) == pytest.approx(90.0, abs=0.01)
    assert _direction(shapes, "Birch Way", streets) == pytest.approx(90.0, abs=0.01)


def test_an_address_street_out_of_reach_is_not_the_front(shapes: ModuleType) -> None:
    south = shapely.LineString([(-500, -20), (500, -20)])
    far = shapely.LineString([(900, -500), (900, 500)])
    streets = shapes.streets(south, far, names=["Alder Row", "Birch Way"])
    assert _direction(shapes, "1 Birch Way", streets) == pytest.approx(180.0, abs=0.01)


def test_streets_without_a_name_are_no_front(shapes: ModuleType) -> None:
    lane = shapes.streets(shapely.LineString([(-500, -20), (500, -20)]), names=[" "])
    assert np.isnan(_direction(shapes, None, lane))
    assert np.isnan(_direction(shapes, None, shapes.streets()))


def test_walls_square_to_the_axis_carry(shapes: ModuleType) -> None:
    cut_off = shapely.Polygon([(0, 0), (100, 0), (100, 60), (60, 100), (0, 100)])
    walls = shapes.walls(cut_off)
    side, _ = side_letters(walls, np.array([180.0]), np.array([0]))
    silent = pd.Series([None], dtype="str")
    kind, basis = bearing_kinds(walls, np.array([0.0]), np.array(["all"]), side, silent, silent, shapes.RULES)
    diagonal = np.round(walls.outward_deg) == 45.0
    assert _words(WALL_KINDS, kind[diagonal]) == ["unknown"]
    assert _words(BASES, basis[diagonal]) == ["assumed"]
    assert set(_words(WALL_KINDS, kind[~diagonal])) == {"bearing"}
    assert set(_words(BASES, basis[~diagonal])) == {"inferred"}


@pytest.mark.parametrize("off", [-6.0, -4.7, 4.7, 5.3, 84.7, 85.3, 94.7, 95.3, -84.7])
def test_a_wall_five_degrees_off_the_axis_still_carries(shapes: ModuleType, off: float) -> None:
    walls = shapes.walls(shapes.rectangle(100, 50))
    side, _ = side_letters(walls, np.array([180.0]), np.array([0]))
    silent = pd.Series([None], dtype="str")
    kind, _ = bearing_kinds(walls, np.array([off]), np.array(["all"]), side, silent, silent, shapes.RULES)
    near = min(abs(off), abs(abs(off) - 90.0)) <= 5.0
    assert set(_words(WALL_KINDS, kind)) == {"bearing" if near else "unknown"}


@pytest.mark.parametrize(
    ("carries", "along", "across", "basis"),
    [
        ("all", "bearing", "bearing", "inferred"),
        ("ends", "nonbearing", "bearing", "inferred"),
        ("knows not", "unknown", "unknown", "assumed"),
    ],
)
@pytest.mark.parametrize("azimuth", [0.0, 37.0, 90.0, 179.0])
def test_members_land_on_the_walls_across_them(
    shapes: ModuleType, carries: str, along: str, across: str, basis: str, azimuth: float
) -> None:
    """Joists and trusses that run with the axis end on the two walls across it."""
    walls = shapes.walls(shapes.turned(shapes.rectangle(50, 100), azimuth))
    side, _ = side_letters(walls, np.array([180.0]), np.array([0]))
    silent = pd.Series([None], dtype="str")
    kind, known = bearing_kinds(
        walls, np.array([azimuth]), np.array([carries]), side, silent, silent, shapes.RULES
    )
    runs_along = np.round(walls.length_ft) == 100.0
    assert runs_along.sum() == 2
    assert set(_words(WALL_KINDS, kind[runs_along])) == {along}
    assert set(_words(WALL_KINDS, kind[~runs_along])) == {across}
    assert set(_words(BASES, known)) == {basis}


def test_stated_letters_carry_and_the_others_do_not(shapes: ModuleType) -> None:
    walls = shapes.walls(*[shapes.rectangle(80, 80)] * 2)
    side, _ = side_letters(walls, np.array([180.0, 180.0]), np.array([0, 1]))
    kind, basis = bearing_kinds(
        walls,
        np.array([0.0, 0.0]),
        np.array(["all", "knows not"]),
        side,
        pd.Series(["ac", "all"], dtype="str"),
        pd.Series(["surveyed", "recorded"], dtype="str"),
        shapes.RULES,
    )
    first = walls.section == 0
    assert dict(zip(_words(SIDES, side[first]), _words(WALL_KINDS, kind[first]), strict=True)) == {
        "A": "bearing",
        "B": "nonbearing",
        "C": "bearing",
        "D": "nonbearing",
    }
    assert set(_words(WALL_KINDS, kind[~first])) == {"bearing"}
    assert set(_words(BASES, basis[first])) == {"surveyed"}
    assert set(_words(BASES, basis[~first])) == {"recorded"}


def test_the_nearest_street_is_the_nearest_of_all() -> None:
    """Near ones are found in a box, far ones by the tree, and equals go to the first."""
    random = np.random.default_rng(11)
    lines = shapely.linestrings(random.uniform(0, 1000, (400, 2, 2)))
    lines = np.concatenate([lines[shapely.length(lines) < 200], lines[:2], lines[:2]])
    points = np.asarray(shapely.points(random.uniform(-200, 1200, (2000, 2))))
    distance = shapely.distance(points[:, None], lines[None, :])
    chosen = _nearest_line(shapely.STRtree(lines), points, lines, np.full(points.size, 40.0))
    assert chosen.tolist() == distance.argmin(axis=1).tolist()
    assert (distance.min(axis=1) > 40.0).any()
