"""National Grid strings against the standard's own example and an independent program.

In: places in the states, the territories and at the edges of the grid.
Out: the strings of FGDC-STD-011-2001 and of the `mgrs` package (GEOTRANS).
"""

from __future__ import annotations

import re

import mgrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from roofplat.ground import usng

# Boxes of lon and lat: the lower states, Alaska, Hawaii, Guam, American Samoa (south of the equator).
BOXES = {
    "lower_states": (-125.0, -67.0, 24.5, 49.5),
    "alaska": (-179.9, -130.0, 51.0, 71.5),
    "hawaii": (-160.5, -154.5, 18.5, 22.5),
    "guam": (144.5, 145.0, 13.0, 13.8),
    "american_samoa": (-171.1, -168.1, -14.6, -14.1),
}


def test_the_standards_own_example() -> None:
    """FGDC-STD-011-2001, section 5.2.2 and table 1 (seen quoted): a monument in UTM zone 18, NAD 83,

    at 323,483.168 m east and 4,306,479.498 m north, is 18SUJ2348306479.
    """
    lon, lat = Transformer.from_crs("EPSG:26918", "EPSG:4269", always_xy=True).transform(
        [323_483.168], [4_306_479.498]
    )
    assert usng(np.array(lon), np.array(lat)).tolist() == ["18S UJ 23483 06479"]


def _parts(text: str) -> tuple[str, int, int]:
    """Zone, band and square; easting; northing."""
    packed = text.replace(" ", "").zfill(15)
    return packed[:5], int(packed[5:10]), int(packed[10:])


@pytest.mark.parametrize("box", BOXES)
def test_strings_agree_with_an_independent_program(box: str) -> None:
    west, east, south, north = BOXES[box]
    random = np.random.default_rng(20)
    lon = random.uniform(west, east, 400)
    lat = random.uniform(south, north, 400)
    ours = usng(lon, lat)
    other = mgrs.MGRS()
    theirs = [other.toMGRS(float(y), float(x), MGRSPrecision=5) for x, y in zip(lon, lat, strict=True)]
    unlike = [
        (one, two)
        for one, two in zip(ours.tolist(), theirs, strict=True)
        if one.replace(" ", "") != two.zfill(15)
    ]
    # Both truncate; a millimetre between two computations may fall on either side of a metre line.
    assert len(unlike) <= 2
    for one, two in unlike:
        square, easting, northing = _parts(one)
        other_square, other_easting, other_northing = _parts(two)
        assert square == other_square
        assert abs(easting - other_easting) <= 1
        assert abs(northing - other_northing) <= 1


@settings(max_examples=60, deadline=None)
@given(lon=st.floats(-180, 180), lat=st.floats(-80, 84))
def test_every_place_on_the_grid_has_a_whole_string(lon: float, lat: float) -> None:
    text = str(usng(np.array([lon]), np.array([lat]))[0])
    assert re.fullmatch(r"(0[1-9]|[1-5]\d|60)[C-HJ-NP-X] [A-HJ-NP-Z][A-HJ-NP-V] \d{5} \d{5}", text)


def test_places_off_the_grid_have_none() -> None:
    lon = np.array([np.nan, -77.0, np.inf, -77.0, -77.0])
    lat = np.array([38.0, np.nan, 38.0, 84.1, -80.1])
    assert usng(lon, lat).tolist() == [""] * 5


def test_missing_places_do_not_move_their_neighbours() -> None:
    lon = np.array([-77.0353, np.nan, -105.5])
    lat = np.array([38.8895, 38.0, 39.0])
    together = usng(lon, lat)
    assert together[1] == ""
    assert together[0] == usng(lon[:1], lat[:1])[0]
    assert together[2] == usng(lon[2:], lat[2:])[0]


def test_no_places_make_no_strings() -> None:
    assert usng(np.empty(0), np.empty(0)).shape == (0,)


def test_the_grid_ends_at_80_south_and_84_north() -> None:
    """FGDC-STD-011-2001 takes the bands of MGRS: C starts at 80 south, X ends at 84 north, both included."""
    strings = usng(np.array([3.0, 3.0, 3.0, 3.0]), np.array([-80.0, -80.001, 84.0, 84.001]))
    assert [text[:3] for text in strings] == ["31C", "", "31X", ""]
