"""A building's rows come out whole, in ground feet about its middle, each with the building it speaks of."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod, Transformer

from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.publish.sheet.building import split_buildings
from roofplat.tables import TABLES

# Meridians converge here: grid north is 1.9 degrees off true north at this corner of the zone.
CRS = "EPSG:32613"
X, Y = 750_000.0, 4_400_000.0
FOOT_M = 0.3048
GROUND = Ground(FOOT_M, None)
# Of the middle of the first shed.
LON, LAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(X + 15, Y + 10)


def _tables() -> dict[str, Any]:
    """Two sheds 60 m apart, a third 2 km off, a street, and a line overhead beside the first."""
    outlines = [shapely.box(X + dx, Y, X + dx + 30, Y + 20) for dx in (0.0, 60.0, 2000.0)]
    ids = ["a", "b", "c"]
    buildings = gpd.GeoDataFrame({"building_id": ids}, geometry=outlines, crs=CRS)
    edges = [shapely.LineString([(X + dx, Y), (X + dx + 30, Y)]) for dx in (2000.0, 0.0, 60.0, 0.0)]
    walls = gpd.GeoDataFrame(
        {
            "building_id": ["c", "a", "b", "a"],
            "section_id": ["c/1", "a/1", "b/1", "a/1"],
            "wall": [0, 0, 0, 1],
        },
        geometry=edges,
        crs=CRS,
    )
    obstacles = gpd.GeoDataFrame(
        {"building_id": [None, "a", None], "obstacle_id": ["1", "2", "3"]},
        geometry=[
            shapely.LineString([(X - 5, Y - 500), (X - 5, Y + 500)]),
            shapely.Point(X + 15, Y + 10),
            shapely.Point(X + 900, Y),
        ],
        crs=CRS,
    )
    streets = gpd.GeoDataFrame(
        {"name": ["Kiln Road"]},
        geometry=[shapely.LineString([(X - 9000, Y - 9), (X + 9000, Y - 9)])],
        crs=CRS,
    )
    problems = pd.DataFrame({"layer": "placing", "feature": ["a/1", "c", "row 7"], "code": ["x", "y", "z"]})
    sections = gpd.GeoDataFrame(
        {
            "building_id": ids,
            "section_id": ["a/1", "b/1", "c/1"],
            "planned": [True, False, True],
            "fire_lon": [LON, np.nan, np.nan],
            "fire_lat": [LAT, np.nan, np.nan],
            "fire_basis": ["given", None, None],
        },
        geometry=outlines,
        crs=CRS,
    )
    return {
        "buildings": buildings,
        "walls": walls,
        "obstacles": obstacles,
        "streets": streets,
        "problems": problems,
        "sections": sections,
    }


def test_rows_go_to_their_building_in_the_order_of_the_ids() -> None:
    leaves = split_buildings(_tables(), ["c", "a"], ground=GROUND)
    assert [leaf.building_id for leaf in leaves] == ["c", "a"]
    assert leaves[0].frames["walls"]["wall"].tolist() == [0]
    assert leaves[1].frames["walls"]["wall"].tolist() == [0, 1]
    assert [leaf.frames["problems"]["code"].tolist() for leaf in leaves] == [["y"], ["x"]]
    for leaf in leaves:
        assert set(TABLES) <= set(leaf.frames)
        assert all(frame.index.equals(pd.RangeIndex(len(frame))) for frame in leaf.frames.values())


def test_what_lies_near_comes_along_and_what_lies_far_does_not() -> None:
    near, far = split_buildings(_tables(), ["a", "c"], ground=GROUND)
    assert near.frames["neighbours"]["building_id"].tolist() == ["b"]
    assert near.frames["obstacles"]["obstacle_id"].tolist() == ["2", "1"]
    assert far.frames["neighbours"].empty
    assert far.frames["obstacles"].empty
    # The street is 18 km long; what is kept of it is no longer than a sheet could show.
    kept = near.frames["streets"]["geometry"].iloc[0]
    assert kept.length < 1000.0


def test_feet_are_ground_feet_about_the_middle_from_true_north() -> None:
    (leaf,) = split_buildings(_tables(), ["a"], ground=GROUND)
    outline = leaf.frames["buildings"]["geometry"].iloc[0]
    to_lonlat = gpd.GeoSeries([shapely.Point(X, Y), shapely.Point(X + 30, Y)], crs=CRS).to_crs("EPSG:4326")
    lon, lat = np.asarray(to_lonlat.x), np.asarray(to_lonlat.y)
    azimuth_deg, _, metres = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    (x0, y0), (x1, y1) = leaf.frames["walls"]["geometry"].iloc[0].coords
    assert np.hypot(x1 - x0, y1 - y0) == pytest.approx(metres / FOOT_M, rel=1e-5)
    assert np.degrees(np.arctan2(x1 - x0, y1 - y0)) == pytest.approx(azimuth_deg, abs=0.01)
    assert azimuth_deg == pytest.approx(91.9, abs=0.1)
    assert shapely.centroid(outline).distance(shapely.Point(0, 0)) < 0.01
    assert (leaf.origin_lon, leaf.origin_lat) == pytest.approx((LON, LAT))


def test_an_elevation_makes_the_ground_longer() -> None:
    (flat,) = split_buildings(_tables(), ["a"], ground=GROUND)
    (high,) = split_buildings(_tables(), ["a"], ground=Ground(FOOT_M, 6000.0))
    lengths = [leaf.frames["walls"]["geometry"].iloc[0].length for leaf in (flat, high)]
    assert lengths[1] / lengths[0] == pytest.approx(1 + 6000 * FOOT_M / 6.371e6, rel=1e-6)


def test_one_building_twice_and_none_at_all() -> None:
    twice = split_buildings(_tables(), ["a", "b", "a"], ground=GROUND)
    assert [leaf.building_id for leaf in twice] == ["a", "b", "a"]
    assert twice[0].frames["walls"].equals(twice[2].frames["walls"])
    assert (twice[0].origin_lon, twice[0].origin_lat) == (twice[2].origin_lon, twice[2].origin_lat)
    assert split_buildings(_tables(), [], ground=GROUND) == []


def test_nothing_passed_in_is_changed() -> None:
    tables = _tables()
    before = {name: frame.copy() for name, frame in tables.items()}
    split_buildings(tables, ["a", "b", "c"], ground=GROUND)
    for name, frame in before.items():
        assert frame.equals(tables[name]), name


def test_an_id_that_nobody_has_is_named() -> None:
    with pytest.raises(DistrictFileError, match="no building 'q' and 1 more"):
        split_buildings(_tables(), ["a", "q", "z"], ground=GROUND)


def test_the_fire_spot_of_a_plan_is_a_point_in_feet() -> None:
    first, third = split_buildings(_tables(), ["a", "c"], ground=GROUND)
    fires = first.frames["fires"]
    assert fires["fire_basis"].tolist() == ["given"]
    assert fires["geometry"].iloc[0].distance(shapely.Point(0, 0)) < 0.01
    assert third.frames["fires"].empty
