"""Collapse zones: how far walls fall, around what, and for which families farther."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.errors import RuleError
from roofplat.rules import load_rulebook


def _zones(shapes: ModuleType, *boxes: Any, rules: Any = None, obstacles: Any = None, **facts: Any) -> Any:
    roofs = shapes.roofs(*boxes, **facts)
    _, plan = shapes.planned(roofs, rules=rules or load_rulebook(), obstacles=obstacles)
    return plan.collapse_zones.set_index("building_id")


def _feet(shapes: ModuleType, zone: Any) -> Any:
    """The zone in feet about the corner; the scale of the working CRS is 0.9996 there."""
    return shapely.transform(zone, lambda xy: (xy - np.array(shapes.CORNER)) / 0.3048 / 0.9996)


def test_the_zone_is_one_and_a_half_times_the_wall(shapes: ModuleType) -> None:
    """20 ft of wall and 4 ft of parapet: 36 ft around 100 by 60, corners rounded."""
    zone = _zones(shapes, shapes.rectangle(100, 60), parapet_ft=[4.0]).loc["B000"]
    assert (zone["height_ft"], zone["distance_ft"]) == (24.0, 36.0)
    assert zone["rules"] == "collapse.height_share"
    assert not zone["pushes_out"]
    around = _feet(shapes, zone["geometry"])
    np.testing.assert_allclose(around.bounds, (-36, -36, 136, 96), atol=0.05)
    wanted = 36 * 2 * (100 + 60) + np.pi * 36**2
    assert around.area == pytest.approx(wanted, rel=3e-3)
    assert not around.contains(shapely.Point(50, 30))


def test_walls_that_are_pushed_out_fall_twice_as_far(shapes: ModuleType) -> None:
    zone = _zones(shapes, shapes.rectangle(100, 60), roof_family=["bowstring_truss"]).loc["B000"]
    assert (zone["distance_ft"], zone["pushes_out"], zone["rules"]) == (
        40.0,
        True,
        "collapse.pushes_out_share",
    )


def test_a_drawn_parapet_and_an_assumed_height_count(shapes: ModuleType) -> None:
    drawn = shapes.obstacles(("parapet", "B000", shapely.LineString([(10, 0), (40, 0)]), 6.0))
    zones = _zones(
        shapes,
        shapes.rectangle(100, 60),
        shapes.rectangle(50, 60, west=300),
        obstacles=drawn,
        height_ft=[18.0, pd.NA],
        height_ft_basis=["recorded", None],
    )
    assert zones["height_ft"].tolist() == [24.0, 20.0]
    assert zones["height_basis"].tolist() == ["recorded", "assumed"]


def test_a_gable_counts_to_its_peak(shapes: ModuleType) -> None:
    """40 ft across at 45 degrees: the gable ends stand 20 ft above 10 ft of eaves."""
    zone = _zones(
        shapes,
        shapes.rectangle(100, 40),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["gabled"],
        slope_deg=[45.0],
        height_ft=[10.0],
    ).loc["B000"]
    assert zone["height_ft"] == pytest.approx(30.0, abs=0.01)


def test_sections_of_a_building_have_one_zone_and_the_highest_wall(shapes: ModuleType) -> None:
    zones = _zones(
        shapes,
        shapes.rectangle(60, 60),
        shapes.rectangle(40, 60, west=60),
        building_id=["B000", "B000"],
        part=[1, 2],
        height_ft=[12.0, 30.0],
        roof_family=["lamella", "panelized_wood"],
    )
    assert zones.index.tolist() == ["B000"]
    assert (zones["height_ft"].iloc[0], zones["distance_ft"].iloc[0]) == (30.0, 60.0)
    np.testing.assert_allclose(_feet(shapes, zones.geometry.iloc[0]).bounds, (-60, -60, 160, 120), atol=0.1)


@pytest.mark.parametrize("shape", ["courtyard", "letter_u"])
def test_courtyards_and_bays_lie_in_the_zone(shapes: ModuleType, shape: str) -> None:
    outline = getattr(shapes, shape)()
    around = _feet(shapes, _zones(shapes, outline)["geometry"].iloc[0])
    assert around.contains(shapely.Point(60, 55))
    assert not around.intersects(outline.buffer(-0.1))


def test_a_zone_is_never_less_than_the_wall(shapes: ModuleType) -> None:
    rules = load_rulebook({"collapse.height_share": 0.8})
    with pytest.raises(RuleError, match=r"collapse\.height_share is 0\.8"):
        _zones(shapes, shapes.rectangle(100, 60), rules=rules)


@pytest.mark.parametrize("reverse", [False, True])
def test_four_corners_have_the_zone_of_any_outline(shapes: ModuleType, reverse: bool) -> None:
    """A slanted box of four corners and the same with a fifth on one side: one zone."""
    corners = [(0.0, 0.0), (90.0, 10.0), (80.0, 70.0), (5.0, 60.0)]
    five = [*corners, (2.5, 30.0)]
    around = []
    for ring in (corners, five):
        outline = shapely.Polygon(ring[::-1] if reverse else ring)
        around.append(_zones(shapes, outline).geometry.iloc[0])
    assert shapely.is_valid(around).all()
    assert shapely.get_num_interior_rings(around).tolist() == [1, 1]
    apart = shapely.symmetric_difference(*around)
    assert shapely.area(apart) < 2e-3 * shapely.area(around[0])


def test_a_sharp_corner_is_rounded_as_finely_as_a_square_one(shapes: ModuleType) -> None:
    wedge = shapely.Polygon([(0.0, 0.0), (200.0, 0.0), (200.0, 20.0), (190.0, 20.0)])
    zone = _zones(shapes, wedge).iloc[0]
    rim = shapely.get_exterior_ring(_feet(shapes, zone["geometry"]))
    nearest = shapely.distance(shapely.points(shapely.get_coordinates(shapely.segmentize(rim, 1.0))), wedge)
    assert nearest.min() > 0.99 * zone["distance_ft"]
    assert nearest.max() < 1.001 * zone["distance_ft"]
