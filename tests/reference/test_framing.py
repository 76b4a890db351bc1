"""Framing against other programs: GEOS for directions and cuts, PROJ's geodesics for lengths."""

from __future__ import annotations

from types import ModuleType

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from pyproj import CRS, Geod, Transformer

from roofplat.framing.members import scan

GEOD = Geod(ellps="GRS80")
# A CRS, a place in it far from its central meridian, and the units in which it is written.
PLACES = [
    ("EPSG:32613", (720_000.0, 4_390_000.0)),
    ("EPSG:32611", (500_000.0, 5_300_000.0)),
    ("EPSG:2229", (6_480_000.0, 1_840_000.0)),  # California 5, US survey feet
    ("EPSG:2277", (3_100_000.0, 10_070_000.0)),  # Texas Central, US survey feet
]


@given(azimuth=st.floats(0.0, 179.9), long=st.integers(101, 300), short=st.integers(20, 100))
@settings(max_examples=40)
def test_the_axis_of_a_rectangle_is_that_of_its_oriented_envelope(
    shapes: ModuleType, azimuth: float, long: int, short: int
) -> None:
    box = shapes.turned(shapes.rectangle(short, long), azimuth)
    envelope = shapely.get_coordinates(shapely.oriented_envelope(box))
    run = np.diff(envelope, axis=0)
    across = run[np.argmin(np.hypot(*run.T)[:2])]
    want = np.degrees(np.arctan2(*across)) % 180.0
    found = shapes.axis(box).azimuth_deg[0]
    assert abs((found - want + 90.0) % 180.0 - 90.0) < 0.01


@pytest.mark.parametrize(("name", "corner"), PLACES)
@pytest.mark.parametrize("azimuth", [0.0, 33.0])
def test_spacings_are_right_to_a_hundredth_of_a_foot(
    shapes: ModuleType, name: str, corner: tuple[float, float], azimuth: float
) -> None:
    """Neighbouring beams and purlins, read back as longitude and latitude, by the geodesic."""
    crs = CRS(name)
    box = shapes.turned(shapes.rectangle(300, 200), azimuth)
    frames = shapes.frames(box, azimuth=azimuth, crs=crs, corner=corner)
    to_lonlat = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    for along, spacing in (("u", 20.0), ("v", 8.0)):
        runs = scan(frames, frames.beams if along == "u" else frames.purlins, along)
        middle = (runs.low + runs.high) / 2
        places = (middle, runs.position) if along == "u" else (runs.position, middle)
        lon, lat = to_lonlat.transform(*frames.crs(*places, runs.section))
        toward, _, metres = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
        assert len(metres) > 10
        np.testing.assert_allclose(np.array(metres) / 0.3048, spacing, atol=0.01)
        turn = azimuth - 90.0 if along == "u" else azimuth
        off = (np.array(toward) - turn + 180.0) % 360.0 - 180.0
        np.testing.assert_allclose(off, 0.0, atol=0.01)


@pytest.mark.parametrize(("name", "corner"), PLACES)
def test_a_wall_of_five_hundred_feet_is_right_to_a_tenth(
    shapes: ModuleType, name: str, corner: tuple[float, float]
) -> None:
    crs = CRS(name)
    made = shapes.outlines(shapes.rectangle(500, 500), crs=crs, corner=corner)
    x, y = made.planes.crs(made.east0, made.north0, made.section)
    x1, y1 = made.planes.crs(made.east1, made.north1, made.section)
    to_lonlat = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    _, _, metres = GEOD.inv(*to_lonlat.transform(x, y), *to_lonlat.transform(x1, y1))
    np.testing.assert_allclose(
        np.array(metres) / 0.3048, np.hypot(made.east1 - made.east0, made.north1 - made.north0), atol=0.1
    )


@pytest.mark.parametrize("azimuth", [0.0, 21.0, 90.0])
@pytest.mark.parametrize("letter", ["letter_l", "letter_u", "courtyard"])
def test_members_in_the_table_are_the_cut_of_lines_and_roof(
    shapes: ModuleType, letter: str, azimuth: float
) -> None:
    """The table's beams and purlins, cut again with the section by GEOS, lose nothing."""
    framing = shapes.framed(
        shapes.turned(getattr(shapes, letter)(), azimuth), framing_axis_deg=[(azimuth + 7.0) % 180.0]
    )
    roof = shapely.buffer(framing.sections.geometry.iloc[0], 1e-6)
    members = framing.members.geometry.to_numpy()
    assert shapely.covers(roof, members).all()
    # And nothing is missing: each line grown to the whole roof meets it nowhere else.
    for pieces in members:
        for piece in shapely.get_parts(pieces):
            start, end = shapely.get_coordinates(piece)
            whole = shapely.LineString([start - 50 * (end - start), end + 50 * (end - start)])
            cut = shapely.intersection(whole, framing.sections.geometry.iloc[0])
            on_line = shapely.intersection(whole.buffer(1e-4), pieces)
            assert shapely.length(cut) == pytest.approx(shapely.length(on_line), abs=1e-3)
