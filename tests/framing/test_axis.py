"""The axis: which way beams run in shapes one can look at."""

from __future__ import annotations

from types import ModuleType

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from roofplat.framing.axis import extent_ft

AZIMUTHS = st.floats(0.0, 179.99)


def _apart(one: float, other: float) -> float:
    """Degrees between two directions without a head."""
    return abs((one - other + 90.0) % 180.0 - 90.0)


@given(AZIMUTHS)
@settings(max_examples=40)
def test_beams_span_the_short_way_of_a_turned_rectangle(shapes: ModuleType, azimuth: float) -> None:
    long_and_narrow = shapes.turned(shapes.rectangle(50, 100), azimuth)
    found = shapes.axis(long_and_narrow)
    assert _apart(found.azimuth_deg[0], azimuth + 90.0) < 0.01
    assert 0.0 <= found.azimuth_deg[0] < 180.0
    assert found.basis.tolist() == ["inferred"]
    assert found.share[0] == pytest.approx(1.0)


@pytest.mark.parametrize("letter", ["letter_l", "letter_u", "courtyard"])
@pytest.mark.parametrize("azimuth", [0.0, 3.0, 17.0, 44.0, 46.0, 88.0])
def test_wings_do_not_tilt_the_axis(shapes: ModuleType, letter: str, azimuth: float) -> None:
    found = shapes.axis(shapes.turned(getattr(shapes, letter)(), azimuth)).azimuth_deg[0]
    assert abs((found - azimuth + 45.0) % 90.0 - 45.0) < 0.01


def test_a_square_takes_the_smaller_azimuth(shapes: ModuleType) -> None:
    found = shapes.axis(
        *(shapes.turned(shapes.rectangle(80, 80), azimuth) for azimuth in (10.0, 100.0, 60.0))
    )
    np.testing.assert_allclose(found.azimuth_deg, [10.0, 10.0, 60.0], atol=0.01)


@pytest.mark.parametrize("azimuth", [0.0, 20.0, 44.0, 46.0, 70.0, 90.0, 160.0])
def test_lines_east_and_west_run_nearer_to_it_than_to_north(shapes: ModuleType, azimuth: float) -> None:
    """Glazing looks north whichever way the roof is long: its lines run within 45 degrees of east."""
    tall, wide = (shapes.turned(shapes.rectangle(*size), azimuth) for size in ((50, 100), (100, 50)))
    found = shapes.axis(tall, wide, lines_east_west=[True, True])
    assert _apart(found.azimuth_deg[0], found.azimuth_deg[1]) < 0.01
    assert _apart(found.azimuth_deg[0], 90.0) <= 45.0
    assert (found.azimuth_deg[0] - azimuth + 0.01) % 90.0 < 0.02
    assert found.basis.tolist() == ["inferred"] * 2


def test_a_known_axis_beats_east_and_west(shapes: ModuleType) -> None:
    found = shapes.axis(
        shapes.rectangle(50, 100), given_deg=[0.0], given_basis=["surveyed"], lines_east_west=[True]
    )
    assert found.azimuth_deg.tolist() == [0.0]


def test_extents_along_and_across(shapes: ModuleType) -> None:
    along, across = extent_ft(shapes.outlines(shapes.rectangle(100, 50)), np.array([90.0]))
    np.testing.assert_allclose([along[0], across[0]], [100.0, 50.0], atol=1e-3)


def test_an_outline_of_no_direction_is_doubtful(shapes: ModuleType) -> None:
    """An octagon runs along or across any axis with half of its walls, below the 0.7 wanted."""
    angle = np.radians(np.arange(0, 360, 45))
    octagon = shapely.Polygon(np.column_stack([50 * np.cos(angle), 50 * np.sin(angle)]))
    found = shapes.axis(octagon, shapes.rectangle(50, 80))
    assert found.basis.tolist() == ["doubtful", "inferred"]
    assert found.share[0] == pytest.approx(0.5, abs=0.01)


def test_a_known_axis_wins_over_note_and_outline(shapes: ModuleType) -> None:
    found = shapes.axis(
        *[shapes.rectangle(50, 100)] * 2,
        given_deg=[190.0, np.nan],
        given_basis=["drawn", None],
        walk_deg=[0.0, 0.0],
        felt_spacing_ft=[8.0, 8.0],
    )
    np.testing.assert_allclose(found.azimuth_deg, [10.0, 0.0], atol=0.01)
    assert found.basis.tolist() == ["drawn", "surveyed"]


def test_purlins_underfoot_mean_the_beams_run_with_the_walk(shapes: ModuleType) -> None:
    """Walking the long way north and feeling 8 ft crosses purlins; feeling 20 ft crosses beams."""
    found = shapes.axis(*[shapes.rectangle(50, 100)] * 2, walk_deg=[2.0, 2.0], felt_spacing_ft=[8.5, 19.0])
    np.testing.assert_allclose(found.azimuth_deg, [0.0, 90.0], atol=0.01)
    assert found.basis.tolist() == ["surveyed", "surveyed"]
    assert not found.sounding_unfit.any()


def test_a_walk_off_the_outline_keeps_its_own_bearing(shapes: ModuleType) -> None:
    found = shapes.axis(shapes.rectangle(50, 100), walk_deg=[30.0], felt_spacing_ft=[8.0])
    assert found.azimuth_deg[0] == pytest.approx(30.0)


def test_a_spacing_that_fits_neither_is_told_not_forced(shapes: ModuleType) -> None:
    found = shapes.axis(
        *[shapes.rectangle(50, 100)] * 3,
        walk_deg=[0.0, 0.0, 0.0],
        felt_spacing_ft=[13.0, 13.0, 10.0],
        beam_spacing_ft=[20.0, np.nan, 11.0],
        purlin_spacing_ft=[8.0, np.nan, 9.0],
    )
    assert found.sounding_unfit.tolist() == [True, False, True]
    np.testing.assert_allclose(found.azimuth_deg, [90.0, 90.0, 90.0], atol=0.01)
    assert found.basis.tolist() == ["inferred"] * 3
