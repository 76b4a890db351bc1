"""Local planes against GeographicLib, over districts 200 km wide.

In: places in six working CRSs: metres, US survey feet, degrees, conformal or not.
Out: lengths and azimuths within DESIGN's tolerances of `pyproj.Geod`.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from roofplat.ground import Ground, local_planes

FOOT_M = 0.3048  # 85 FR 62698: the international foot

# Working CRS and the lon, lat of a district's middle.
DISTRICTS = {
    "utm_13n": ("EPSG:32613", -105.5, 39.0),
    "utm_13n_zone_edge": ("EPSG:32613", -107.8, 39.0),
    "colorado_central_survey_feet": ("EPSG:2232", -105.5, 39.0),
    "washington_north_survey_feet": ("EPSG:2926", -120.8, 47.8),
    "virginia_south_survey_feet": ("EPSG:2284", -78.5, 37.0),
    "web_mercator": ("EPSG:3857", -97.0, 35.5),
    "lon_lat": ("EPSG:4326", -97.0, 35.5),
}
AZIMUTHS_DEG = np.arange(0.0, 360.0, 7.5)


def _places(crs: CRS, lon: float, lat: float) -> tuple[Geod, np.ndarray, np.ndarray]:
    """The middle of a district 200 km wide and its west, east, south and north ends."""
    geod = crs.get_geod()
    ends = [geod.fwd(lon, lat, azimuth, 100_000.0)[:2] for azimuth in (270.0, 90.0, 180.0, 0.0)]
    places = np.array([(lon, lat), *ends])
    return geod, places[:, 0], places[:, 1]


def _walls(name: str, length_ft: float) -> tuple[np.ndarray, np.ndarray]:
    """Length and azimuth, as the planes give them, of walls laid out on the ellipsoid by GeographicLib."""
    code, lon, lat = DISTRICTS[name]
    crs = CRS(code)
    geod, place_lon, place_lat = _places(crs, lon, lat)
    plane = np.repeat(np.arange(place_lon.size), AZIMUTHS_DEG.size)
    azimuth = np.tile(AZIMUTHS_DEG, place_lon.size)
    # The wall is centred on its place, as a wall is on its building.
    half = np.full(plane.size, length_ft * FOOT_M / 2)
    start = geod.fwd(place_lon[plane], place_lat[plane], azimuth + 180.0, half)
    end = geod.fwd(place_lon[plane], place_lat[plane], azimuth, half)
    assert crs.geodetic_crs is not None
    to_crs = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    planes = local_planes(*to_crs.transform(place_lon, place_lat), crs, Ground(FOOT_M))
    start_e, start_n = planes.feet(*to_crs.transform(start[0], start[1]), plane)
    end_e, end_n = planes.feet(*to_crs.transform(end[0], end[1]), plane)
    east, north = end_e - start_e, end_n - start_n
    turned = (np.degrees(np.arctan2(east, north)) - azimuth + 180.0) % 360.0 - 180.0
    return np.hypot(east, north) - length_ft, turned


@pytest.mark.parametrize("name", DISTRICTS)
def test_a_spacing_of_8_ft_is_right_to_a_hundredth(name: str) -> None:
    length_error_ft, azimuth_error_deg = _walls(name, 8.0)
    assert length_error_ft.shape == (5 * 48,)
    assert np.abs(length_error_ft).max() < 0.01
    assert np.abs(azimuth_error_deg).max() < 0.01


@pytest.mark.parametrize("name", DISTRICTS)
def test_a_wall_of_500_ft_is_right_to_a_tenth(name: str) -> None:
    length_error_ft, azimuth_error_deg = _walls(name, 500.0)
    assert np.abs(length_error_ft).max() < 0.1
    # A turn of 0.01 degree moves the end of a 500 ft wall by 0.09 ft.
    assert np.abs(azimuth_error_deg).max() < 0.01


@pytest.mark.parametrize("name", [name for name in DISTRICTS if name != "lon_lat"])
def test_a_wall_read_off_the_map_would_be_wrong(name: str) -> None:
    """The tolerances above bite: the projection's own lengths do not meet the one for a wall everywhere."""
    code, lon, lat = DISTRICTS[name]
    crs = CRS(code)
    geod, place_lon, place_lat = _places(crs, lon, lat)
    end_lon, end_lat, _ = geod.fwd(
        place_lon, place_lat, np.zeros(place_lon.size), np.full(place_lon.size, 500 * FOOT_M)
    )
    to_crs = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    x0, y0 = to_crs.transform(place_lon, place_lat)
    x1, y1 = to_crs.transform(end_lon, end_lat)
    unit_m = crs.axis_info[0].unit_conversion_factor
    map_length_ft = np.hypot(x1 - x0, y1 - y0) * unit_m / FOOT_M
    map_azimuth_deg = np.degrees(np.arctan2(x1 - x0, y1 - y0))
    assert (np.abs(map_length_ft - 500.0) > 0.1).any() or (np.abs(map_azimuth_deg) > 0.01).any()


def test_survey_feet_are_converted_not_assumed() -> None:
    """The same place in metres and in US survey feet gives the same plane."""
    ground = Ground(FOOT_M)
    metres = CRS("EPSG:26954")  # Colorado Central, metres
    survey_feet = CRS("EPSG:2232")  # Colorado Central, US survey feet
    x = np.array([900_000.0])
    y = np.array([500_000.0])
    feet_per_m = 3937 / 1200
    in_metres = local_planes(x, y, metres, ground)
    in_feet = local_planes(x * feet_per_m, y * feet_per_m, survey_feet, ground)
    # The two false eastings agree only to a millimetre or so in the published definitions.
    np.testing.assert_allclose(in_feet.to_crs, in_metres.to_crs * feet_per_m, rtol=1e-9, atol=1e-9)


def test_a_mean_elevation_stretches_lengths() -> None:
    """500 ft on the ellipsoid are 0.126 ft more at 1,609 m: 500 x 1609 / 6,371,009 (mean radius, GRS 80)."""
    x, y, crs = np.array([5e5]), np.array([4.3e6]), CRS("EPSG:32613")
    low = local_planes(x, y, crs, Ground(FOOT_M))
    high = local_planes(x, y, crs, Ground(FOOT_M, 1609 / FOOT_M))
    reach = np.array([5e5 + 500 * FOOT_M * 0.9996])
    plane = np.array([0])
    stretch = high.feet(reach, y, plane)[0] - low.feet(reach, y, plane)[0]
    assert stretch[0] == pytest.approx(500 * 1609 / 6_371_009, abs=2e-4)
    assert stretch[0] == pytest.approx(0.126, abs=5e-4)


def test_the_statement_says_what_a_foot_is_measured_on() -> None:
    assert "ellipsoid" in Ground(FOOT_M).statement
    assert "5280 ft" in Ground(FOOT_M, 5280.0).statement


@pytest.mark.parametrize("name", ["utm_13n", "virginia_south_survey_feet", "lon_lat"])
@settings(max_examples=25, deadline=None)
@given(east=st.floats(-3000, 3000), north=st.floats(-3000, 3000))
def test_feet_and_back_is_where_we_were(name: str, east: float, north: float) -> None:
    code, lon, lat = DISTRICTS[name]
    crs = CRS(code)
    x, y = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform([lon], [lat])
    planes = local_planes(np.array(x), np.array(y), crs, Ground(FOOT_M))
    plane = np.array([0])
    back = planes.feet(*planes.crs(np.array([east]), np.array([north]), plane), plane)
    np.testing.assert_allclose(np.ravel(back), [east, north], atol=1e-4)


def test_areas_follow_from_the_planes() -> None:
    """One hectare of UTM grid on the central meridian holds 1/0.9996^2 hectares of ground."""
    planes = local_planes(np.array([5e5]), np.array([4.3e6]), CRS("EPSG:32613"), Ground(FOOT_M))
    hectare_ft2 = 10_000 / FOOT_M**2
    assert planes.area_ft2_per_unit2()[0] * 10_000 == pytest.approx(hectare_ft2 / 0.9996**2, rel=1e-7)


def test_no_points_make_no_planes() -> None:
    planes = local_planes(np.empty(0), np.empty(0), CRS("EPSG:32613"), Ground(FOOT_M))
    assert planes.to_crs.shape == planes.to_feet.shape == (0, 2, 2)
    assert planes.area_ft2_per_unit2().shape == (0,)


@pytest.mark.parametrize("name", sorted(DISTRICTS))
def test_areas_are_those_of_geographiclib(name: str) -> None:
    """Of a square that lies aslant in its CRS, where the plane's axes are not those of the map."""
    code, lon, lat = DISTRICTS[name]
    crs = CRS(code)
    geod, place_lon, place_lat = _places(crs, lon, lat)
    assert crs.geodetic_crs is not None
    to_crs = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    planes = local_planes(*to_crs.transform(place_lon, place_lat), crs, Ground(FOOT_M))
    for place, per_unit2 in enumerate(planes.area_ft2_per_unit2()):
        around = np.array([20.0, 110.0, 200.0, 290.0])
        spot = np.full(4, place_lon[place]), np.full(4, place_lat[place])
        corners = geod.fwd(*spot, around, np.full(4, 50.0))[:2]
        want_ft2 = abs(geod.polygon_area_perimeter(*corners)[0]) / FOOT_M**2
        drawn = shapely.Polygon(np.column_stack(to_crs.transform(*corners)))
        assert drawn.area * per_unit2 == pytest.approx(want_ft2, rel=2e-6)


def test_lines_on_many_planes_have_the_ends_that_points_have() -> None:
    """Also where the first planes have no line, and where the planes are out of order."""
    crs = CRS("EPSG:2232")
    x, y = np.linspace(3.0e6, 3.2e6, 6), np.linspace(1.6e6, 1.8e6, 6)
    planes = local_planes(x, y, crs, Ground(FOOT_M))
    plane = np.array([4, 2, 3, 2, 4])
    ends = tuple(np.linspace(low, low + 90.0, 5) for low in (-300.0, 40.0, 7.0, -80.0))
    x0, y0, x1, y1 = planes.crs_ends(ends, plane)
    np.testing.assert_allclose((x0, y0), planes.crs(ends[0], ends[1], plane), rtol=1e-12)
    np.testing.assert_allclose((x1, y1), planes.crs(ends[2], ends[3], plane), rtol=1e-12)
    nothing = planes.crs_ends((np.empty(0),) * 4, np.empty(0, dtype=np.int64))
    assert [ends.size for ends in nothing] == [0, 0, 0, 0]
