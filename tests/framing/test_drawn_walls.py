"""Walls that somebody drew: what a stretch of the outline does, as drawn, where nothing better is known."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

from roofplat.framing.walls import drawn_kinds
from roofplat.tables import BASES, WALL_KINDS

KIND = {name: place for place, name in enumerate(WALL_KINDS)}
BASIS = {name: place for place, name in enumerate(BASES)}


def told(
    shapes: ModuleType,
    *drawn: tuple[list[tuple[float, float]], str, str],
    shape: Any = None,
    given: str = "assumed",
) -> dict[float, tuple[str, str]]:
    """Outward direction of each wall to kind and basis; walls of 100 ft unless told."""
    outline = shapes.rectangle(100, 50) if shape is None else shape
    outlines, walls = shapes.outlines(outline), shapes.walls(outline)
    count = walls.section.size
    lines = gpd.GeoDataFrame(
        {"kind": [kind for _, kind, _ in drawn], "basis": [basis for _, _, basis in drawn]},
        geometry=list(shapes.in_crs([shapely.LineString(points) for points, _, _ in drawn])),
        crs=shapes.UTM,
    )
    unknown = np.full(count, KIND["unknown"])
    kind, basis = drawn_kinds(walls, outlines, lines, unknown, np.full(count, BASIS[given]), shapes.RULES)
    assert (unknown == KIND["unknown"]).all(), "what was passed in is not changed"
    return {
        float(outward % 360): (WALL_KINDS[one], BASES[how])
        for outward, one, how in zip(np.round(walls.outward_deg), kind, basis, strict=True)
    }


SOUTH = [(0.0, 0.0), (100.0, 0.0)]


def test_the_wall_that_was_drawn_and_no_other(shapes: ModuleType) -> None:
    found = told(shapes, (SOUTH, "bearing", "drawn"))
    assert found.pop(180.0) == ("bearing", "drawn")
    assert set(found.values()) == {("unknown", "assumed")}


def test_around_the_corner_is_another_wall(shapes: ModuleType) -> None:
    found = told(shapes, ([(0.0, 50.0), (0.0, 0.0), (100.0, 0.0)], "nonbearing", "surveyed"))
    assert [found[side][0] for side in (270.0, 180.0, 90.0, 0.0)] == ["nonbearing"] * 2 + ["unknown"] * 2


@pytest.mark.parametrize(("end", "kind"), [(45.0, "unknown"), (55.0, "bearing")])
def test_a_stretch_counts_from_half_of_the_wall(shapes: ModuleType, end: float, kind: str) -> None:
    assert told(shapes, ([(0.0, 0.0), (end, 0.0)], "bearing", "drawn"))[180.0][0] == kind


def test_pieces_of_one_wall_are_added_up_and_the_longer_kind_wins(shapes: ModuleType) -> None:
    pieces = [([(x, 0.0), (x + 30.0, 0.0)], "bearing", "drawn") for x in (0.0, 30.0)]
    assert told(shapes, *pieces)[180.0][0] == "bearing"
    other = ([(0.0, 0.0), (100.0, 0.0)], "party", "drawn")
    assert told(shapes, *pieces, other)[180.0][0] == "party"


def test_a_better_known_kind_stays_and_a_better_drawing_wins_a_tie(shapes: ModuleType) -> None:
    assert told(shapes, (SOUTH, "bearing", "drawn"), given="surveyed")[180.0] == ("unknown", "surveyed")
    assert told(shapes, (SOUTH, "bearing", "drawn"), given="drawn")[180.0] == ("bearing", "drawn")
    both = (SOUTH, "bearing", "drawn"), (SOUTH, "nonbearing", "surveyed")
    assert told(shapes, *both)[180.0] == told(shapes, *both[::-1])[180.0] == ("nonbearing", "surveyed")


def test_a_line_off_the_wall_says_nothing(shapes: ModuleType) -> None:
    assert told(shapes, ([(0.0, -4.0), (100.0, -4.0)], "bearing", "drawn"))[180.0][0] == "unknown"
    assert told(shapes, ([(0.0, 25.0), (100.0, 25.0)], "bearing", "drawn"))[180.0][0] == "unknown"


def test_it_holds_for_a_turned_roof(shapes: ModuleType) -> None:
    shape = shapes.turned(shapes.rectangle(100, 50), 30.0)
    line = shapes.turned(shapely.LineString(SOUTH), 30.0)
    found = told(shapes, (list(line.coords), "bearing", "drawn"), shape=shape)
    assert {side: kind for side, (kind, _) in found.items() if kind == "bearing"} == {210.0: "bearing"}
