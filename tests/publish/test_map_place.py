"""Steps of longitude and latitude: a fitted polynomial says what pyproj says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from roofplat.publish.map_place import STEPS_PER_DEGREE, degrees_to_steps, steps_in

# A corner of a district in each: UTM, a state plane in US survey feet, an equal-area CRS of a continent.
SYSTEMS = {
    "EPSG:32613": (440_000.0, 4_400_000.0, 1.0),
    "EPSG:2231": (3_100_000.0, 1_300_000.0, 3937 / 1200),
    "EPSG:5070": (-800_000.0, 1_900_000.0, 1.0),
    "EPSG:3857": (-11_700_000.0, 4_800_000.0, 1.0),
}


def exact(system: str, xy: np.ndarray) -> np.ndarray:
    transformer = Transformer.from_crs(system, "EPSG:4326", always_xy=True)
    return np.stack(transformer.transform(*xy.T), axis=1) * STEPS_PER_DEGREE


@pytest.mark.parametrize("system", SYSTEMS)
@settings(max_examples=25, deadline=None)
@given(st.floats(1.0, 60_000.0), st.integers(0, 2**31))
def test_steps_are_those_of_pyproj(system: str, size_m: float, seed: int) -> None:
    x, y, unit = SYSTEMS[system]
    size = size_m * unit
    spots = np.array([x, y]) + np.random.default_rng(seed).random((500, 2)) * size
    found = steps_in(system, (x, y, x + size, y + size))(spots, None)
    # Half a step for the rounding, and a twentieth for the polynomial.
    assert np.abs(found - exact(system, spots)).max() <= 0.5 + 0.05 + 1e-3


def test_what_lies_outside_the_box_is_asked_for() -> None:
    x, y, _ = SYSTEMS["EPSG:32613"]
    far = np.array([[x - 90_000.0, y], [x, y + 250_000.0], [x + 1.0, y + 1.0]])
    place = steps_in("EPSG:32613", (x, y, x + 5000.0, y + 5000.0))
    assert np.abs(place(far, None) - exact("EPSG:32613", far)).max() <= 0.51
    rows = np.array([2, 0, 0])
    assert (place(far, rows) == place(far, None)[rows]).all()


@pytest.mark.parametrize("box", [None, (np.nan,) * 4, (440_000.0, 4_400_000.0, 440_000.0, 4_400_000.0)])
def test_a_box_of_nothing_or_of_one_place(box: tuple[float, float, float, float] | None) -> None:
    spot = np.array([[440_000.0, 4_400_000.0]])
    found = steps_in(CRS("EPSG:32613"), box)(spot, None)
    assert np.abs(found - exact("EPSG:32613", spot)).max() <= 0.56


def test_a_box_as_wide_as_a_continent_has_no_polynomial_and_is_right_still() -> None:
    spots = np.array([[-2_000_000.0, 500_000.0], [1_900_000.0, 2_900_000.0]])
    found = steps_in("EPSG:5070", (-2_300_000.0, 300_000.0, 2_200_000.0, 3_100_000.0))(spots, None)
    assert np.abs(found - exact("EPSG:5070", spots)).max() <= 0.501


def test_degrees_need_no_transformation() -> None:
    assert steps_in("EPSG:4326", (0.0, 0.0, 1.0, 1.0)) is degrees_to_steps
    assert degrees_to_steps(np.array([[0.0, 0.0], [1.0, -2.0]]), np.array([1])).tolist() == [
        [10_000_000, -20_000_000]
    ]
