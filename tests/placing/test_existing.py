"""Openings that are there already: the nearest one first, and the glazing of a sawtooth."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.placing.existing import in_order
from roofplat.placing.openings import Strips
from roofplat.rules import load_rulebook
from roofplat.tables import METHODS


def _feet(shapes: ModuleType, geometry: Any) -> tuple[float, float, float, float]:
    """Bounds in feet east and north of the corner of all shapes."""
    metres = shapely.bounds(geometry) - np.tile(shapes.CORNER, 2)
    west, south, east, north = metres / 0.3048 / 0.9996
    return west, south, east, north


def _first(shapes: ModuleType, *things: Any, size: tuple[float, float] = (200, 60), **given: Any) -> Any:
    """Openings that are there already, on a concrete roof with its fire stated 30 ft from its west end."""
    rules = load_rulebook(given.pop("overrides", None))
    fire = shapes.fires(("B000", shapely.Point(30, 30)))
    roofs = shapes.roofs(shapes.rectangle(*size), roof_family=["concrete_deck"], **given)
    _, plan = shapes.planned(roofs, obstacles=shapes.obstacles(*things), fires=fire, rules=rules)
    return plan.openings


def test_the_nearest_of_several_is_used(shapes: ModuleType) -> None:
    near, far = shapely.box(50, 28, 54, 34), shapely.box(60, 28, 64, 32)
    openings = _first(shapes, ("skylight", "B000", far), ("skylight", "B000", near))
    assert openings["method"].tolist() == ["existing_opening"]
    assert _feet(shapes, openings.geometry.iloc[0]) == pytest.approx((50, 28, 54, 34), abs=0.01)
    assert openings["area_ft2"].tolist() == pytest.approx([24.0], abs=0.01)
    assert openings["placed_ft2"].tolist() == pytest.approx([24.0], abs=0.01)


@pytest.mark.parametrize("kind", ["skylight", "smoke_vent", "hatch"])
def test_skylights_vents_and_hatches_count(shapes: ModuleType, kind: str) -> None:
    assert len(_first(shapes, (kind, "B000", shapely.box(40, 28, 44, 32)))) == 1


@pytest.mark.parametrize(
    ("kind", "building", "box"),
    [
        ("unit", "B000", shapely.box(40, 28, 44, 32)),
        ("solar", "B000", shapely.box(40, 28, 44, 32)),
        # Another building's, one that hangs over the edge, and one out of reach of the fire spot.
        ("skylight", "B999", shapely.box(40, 28, 44, 32)),
        ("skylight", "B000", shapely.box(40, 58, 44, 62)),
        ("skylight", "B000", shapely.box(91, 28, 95, 32)),
    ],
)
def test_what_does_not_count(shapes: ModuleType, kind: str, building: str, box: Any) -> None:
    assert _first(shapes, (kind, building, box)).empty


def test_a_skylight_drawn_across_the_court_is_not_opened(shapes: ModuleType) -> None:
    """All its corners lie on the arms of the U, and most of it over the court."""
    house = shapes.roofs(
        shapes.letter_u(19.0, 44.0, 5.7) | shapes.rectangle(19.0, 17.6),
        roof_family=["plate_truss_pitched"],
        roof_shape=["hipped"],
        slope_deg=[9.5],
        rafter_spacing_ft=[3.0],
        height_ft=[27.0],
    )
    fire = shapes.fires(("B000", shapely.Point(7.6, 22)))
    across, on_the_arm = shapely.box(5.65, 30.7, 13.75, 35.8), shapely.box(0.5, 30.7, 5.5, 35.8)
    for things, methods in (
        ([across], set()),
        ([on_the_arm], {"existing_opening"}),
        ([across, on_the_arm], {"existing_opening"}),
    ):
        drawn = shapes.obstacles(*(("skylight", "B000", thing) for thing in things))
        openings = shapes.planned(house, obstacles=drawn, fires=fire)[1].openings
        there = openings[openings["method"] == "existing_opening"]
        assert set(there["method"]) == methods
        for opening in there.geometry:
            assert _feet(shapes, opening) == pytest.approx((0.5, 30.7, 5.5, 35.8), abs=0.01)


def test_reach_is_measured_to_the_border_and_is_the_departments(shapes: ModuleType) -> None:
    """60 ft from the fire spot at 30 is 90: a skylight that begins there is near, one foot on is not."""
    at = shapely.box(89.9, 28, 95, 32)
    assert len(_first(shapes, ("skylight", "B000", at))) == 1
    assert _first(shapes, ("skylight", "B000", at), overrides={"opening.existing_reach_ft": 59.0}).empty


def test_a_point_is_drawn_with_its_radius(shapes: ModuleType) -> None:
    openings = _first(shapes, ("hatch", "B000", shapely.Point(45, 30)))
    assert _feet(shapes, openings.geometry.iloc[0]) == pytest.approx((42, 27, 48, 33), abs=0.01)


def test_nothing_is_opened_on_a_roof_that_nobody_reaches(shapes: ModuleType) -> None:
    assert _first(shapes, ("skylight", "B000", shapely.box(40, 28, 44, 32)), height_ft=[400.0]).empty


def test_what_is_there_counts_to_what_is_wanted(shapes: ModuleType) -> None:
    """480 ft2 are wanted of 100 by 48 ft; a skylight of 400 ft2 leaves 80, which one bay gives."""
    roofs = shapes.roofs(shapes.rectangle(100, 48))
    light = shapes.obstacles(("skylight", "B000", shapely.box(0.5, 8, 20.5, 28)))
    _, plan = shapes.planned(roofs, obstacles=light, fires=shapes.fires(("B000", shapely.Point(60, 20))))
    assert plan.openings["method"].tolist() == ["existing_opening", "fold_back"]
    assert plan.openings["seq"].tolist() == [1, 2]
    assert plan.openings["short_ft2"].tolist() == [0.0, 0.0]


# Every 22 ft, from east to west, whichever way the roof is long.
@pytest.mark.parametrize("size", [(60, 120), (120, 60)])
def test_glazing_looks_north(shapes: ModuleType, size: tuple[float, float]) -> None:
    """Sixteen feet along the line of glazing nearest the fire spot, drawn four feet wide."""
    width, depth = size
    fire = (width / 2, depth / 2 + 5)
    _, plan = shapes.planned(
        shapes.roofs(shapes.rectangle(width, depth), roof_family=["sawtooth"]),
        fires=shapes.fires(("B000", shapely.Point(fire))),
    )
    opening = plan.openings.iloc[0]
    assert opening["method"] == "glazing"
    west, south, east, north = _feet(shapes, opening.geometry)
    assert (east - west, north - south) == pytest.approx((16.0, 4.0), abs=0.01)
    assert (west + east) / 2 == pytest.approx(fire[0], abs=0.01)
    # Lines lie evenly about the middle; the one nearest is less than half a spacing away.
    assert abs((south + north) / 2 - fire[1]) <= 11.0
    lines = round((depth - 0.05) // 22)
    places = depth / 2 + 22.0 * (np.arange(lines) - (lines - 1) / 2)
    assert np.abs(places - (south + north) / 2).min() < 0.01
    assert plan.cuts.empty
    assert plan.sections["cut_method"].tolist() == ["glazing"]


@pytest.mark.parametrize("turn", [20.0, 45.0, 70.0, 160.0])
def test_glazing_of_a_turned_roof_looks_as_far_north_as_it_can(shapes: ModuleType, turn: float) -> None:
    roof = shapes.turned(shapes.rectangle(60, 120), turn)
    _, plan = shapes.planned(shapes.roofs(roof, roof_family=["sawtooth"]))
    corners = shapely.get_coordinates(plan.openings.geometry.iloc[0])
    run = np.diff(corners, axis=0)
    long = run[np.argmax(np.hypot(*run.T))]
    azimuth = np.degrees(np.arctan2(*long)) % 180.0
    assert abs(azimuth - 90.0) <= 45.01


def test_glazing_on_a_doubtful_axis_or_a_short_line_is_not_drawn(shapes: ModuleType) -> None:
    angle = np.radians(np.arange(0, 360, 45))
    octagon = shapely.Polygon(np.column_stack([80 * np.cos(angle), 80 * np.sin(angle)]))
    short = shapely.box(300, 0, 317, 80)
    _, plan = shapes.planned(shapes.roofs(octagon, short, roof_family=["sawtooth"] * 2))
    assert plan.openings.empty


def _strips(section: list[int], seq: list[int], method: str) -> Strips:
    every = np.zeros(len(section))
    whole = np.full(len(section), METHODS.index(method))
    return Strips(np.array(section), np.array(seq), whole, whole, every, every, every, every)


def test_what_is_there_is_numbered_before_what_is_cut() -> None:
    there = _strips([0, 3], [1, 1], "existing_opening")
    cut = _strips([0, 0, 2], [1, 2, 1], "fold_back")
    both = in_order(there, cut, 4)
    assert both.section.tolist() == [0, 0, 0, 2, 3]
    assert both.seq.tolist() == [1, 2, 3, 1, 1]
    assert [METHODS[way] for way in both.method] == [
        "existing_opening",
        "fold_back",
        "fold_back",
        "fold_back",
        "existing_opening",
    ]
    # What was passed in stays as it was.
    assert cut.seq.tolist() == [1, 2, 1]
