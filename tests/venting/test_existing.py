"""Openings that are there already: their area, their number, and those without a size, by hand.

In: skylights, vents and hatches on small roofs.
Out: what each section has of them, in ground feet, in any CRS.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from pyproj import CRS
from tests.breaking.tries import tries

from roofplat.venting.existing import Existing, existing_vents

B = shapely.box


def _existing(
    shapes: ModuleType, *things: Any, roofs: Any = None, stretch: float = 1.0, **where: Any
) -> Existing:
    sections = shapes.roofs(shapes.rectangle(100, 48), **where) if roofs is None else roofs
    drawn = shapes.obstacles(*things, **where)
    planes = shapes.outlines_of(sections.geometry, shapes.GROUND).planes
    return existing_vents(sections, drawn, planes, np.full(len(sections), stretch))


@pytest.mark.parametrize("kind", ["skylight", "smoke_vent", "hatch"])
def test_skylights_vents_and_hatches_count_with_their_area(shapes: ModuleType, kind: str) -> None:
    found = _existing(shapes, (kind, "B000", B(10, 10, 14, 18)), (kind, "B000", B(30, 10, 34, 11)))
    assert found.area_ft2.tolist() == pytest.approx([36.0], abs=0.01)
    assert (found.count.tolist(), found.unsized.tolist()) == ([2], [0])


@pytest.mark.parametrize(
    ("kind", "building"), [("unit", "B000"), ("solar", "B000"), ("skylight", "B999"), ("hatch", None)]
)
def test_what_is_no_opening_of_the_roof_does_not_count(shapes: ModuleType, kind: str, building: Any) -> None:
    found = _existing(shapes, (kind, building, B(10, 10, 14, 18)))
    assert (found.area_ft2.tolist(), found.count.tolist()) == ([0.0], [0])


def test_a_point_and_a_line_count_without_an_area(shapes: ModuleType) -> None:
    line = shapely.LineString([(20, 20), (26, 20)])
    found = _existing(
        shapes,
        ("hatch", "B000", shapely.Point(10, 10)),
        ("skylight", "B000", line),
        ("smoke_vent", "B000", B(30, 10, 34, 14)),
    )
    assert found.area_ft2.tolist() == pytest.approx([16.0], abs=0.01)
    assert (found.count.tolist(), found.unsized.tolist()) == ([3], [2])


def test_what_lies_over_each_other_is_one_hole(shapes: ModuleType) -> None:
    """The same skylight out of two layers, one drawn a foot off: 8 by 4 ft twice, 9 by 4 ft in all."""
    found = _existing(
        shapes, ("skylight", "B000", B(10, 10, 18, 14)), ("skylight", "B000", B(11, 10, 19, 14))
    )
    assert found.area_ft2.tolist() == pytest.approx([36.0], abs=0.01)
    assert found.count.tolist() == [2]


def test_a_skylight_over_two_sections_is_divided(shapes: ModuleType) -> None:
    """10 ft of it lie west of the wall at 50 ft, 2 ft east of it; a point on the wall is the first one's."""
    roofs = shapes.roofs(B(0, 0, 50, 48), B(50, 0, 100, 48), building_id=["B000", "B000"], part=[1, 2])
    found = _existing(
        shapes,
        ("skylight", "B000", B(40, 10, 52, 14)),
        ("hatch", "B000", shapely.Point(70, 20)),
        roofs=roofs,
    )
    assert found.area_ft2.tolist() == pytest.approx([40.0, 8.0], abs=0.02)
    assert (found.count.tolist(), found.unsized.tolist()) == ([1, 2], [0, 1])
    on_the_wall = shapely.Point(shapes.in_feet(roofs.geometry)[0].exterior.coords[0])
    assert _existing(shapes, ("hatch", "B000", on_the_wall), roofs=roofs).count.sum() == 1


def test_what_only_reaches_over_the_edge_is_cut_there(shapes: ModuleType) -> None:
    """6 of 8 ft lie on the roof; one that pokes in by half an inch is none of it."""
    found = _existing(
        shapes, ("skylight", "B000", B(94, 10, 102, 14)), ("hatch", "B000", B(99.96, 20, 104, 24))
    )
    assert found.area_ft2.tolist() == pytest.approx([24.0], abs=0.2)
    assert found.count.tolist() == [1]


def test_on_a_slope_it_is_as_large_as_it_lies_there(shapes: ModuleType) -> None:
    found = _existing(shapes, ("skylight", "B000", B(10, 10, 14, 18)), stretch=1.25)
    assert found.area_ft2.tolist() == pytest.approx([40.0], abs=0.01)


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:2231", "EPSG:32613"])
def test_an_area_is_of_the_ground_in_any_crs(shapes: ModuleType, crs: str) -> None:
    """In Web Mercator a foot is drawn a third longer here; a state plane counts in survey feet."""
    corner = {"EPSG:3857": (-11_688_547.0, 4_820_000.0), "EPSG:2231": (3_000_000.0, 1_200_000.0)}
    where = {"crs": CRS(crs), "corner": corner.get(crs, shapes.CORNER)}
    found = _existing(shapes, ("skylight", "B000", B(10, 10, 30, 20)), **where)
    assert found.area_ft2.tolist() == pytest.approx([200.0], rel=1e-4)


@settings(max_examples=tries(25))
@given(
    boxes=st.lists(
        st.tuples(st.integers(0, 90), st.integers(0, 40), st.integers(1, 9), st.integers(1, 7)), max_size=6
    )
)
def test_the_area_is_that_of_all_holes_together(shapes: ModuleType, boxes: list[Any]) -> None:
    """Never more than the sum of the boxes, as much as shapely finds of their union, whatever the order."""
    holes = [B(west, south, west + wide, south + deep) for west, south, wide, deep in boxes]
    found = _existing(shapes, *(("skylight", "B000", hole) for hole in holes))
    back = _existing(shapes, *(("skylight", "B000", hole) for hole in reversed(holes)))
    assert found.area_ft2[0] == pytest.approx(shapely.union_all(holes).area, abs=0.02)
    assert back.area_ft2[0] == pytest.approx(found.area_ft2[0], abs=1e-6)
    assert found.count.tolist() == [len(holes)]
