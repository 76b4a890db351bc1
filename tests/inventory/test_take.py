from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod

from roofplat.errors import CrsError
from roofplat.inventory import take_inventory
from roofplat.tables import TABLES

X, Y = 500_000.0, 4_400_000.0


def test_a_small_district_end_to_end(build, rules, ground):
    footprints = build.footprints(
        {"shop": build.square(X, Y, 30), "house": build.square(X + 60, Y)}, storeys=[1, None]
    )
    walk = build.records(
        "points", "walk", "surveyed", geometry=shapely.points([[X + 5, Y + 5]]), date=["2024-05-17"],
        roof_family=["panelized_wood"], beam_spacing_ft=[20.0],
    )  # fmt: skip
    permits = build.records(
        "key", "permits", key=["SHOP", "barn"], date=["2023-01-01", None], roof_family=["heavy_timber", None]
    )
    obstacles = build.layer(
        [shapely.Point(X + 5, Y + 5), shapely.LineString([(X, Y), (X + 90, Y)])], obstacle_id=["1", "2"],
        kind=["suspended_load", "overhead_line"], voltage_kv=[None, 12.0],
        height_ft=[None] * 2, basis=["recorded"] * 2,
        note=[None] * 2,
    )  # fmt: skip
    areas = build.layer([shapely.box(X - 10, Y - 10, X + 50, Y + 50)], name=["north"])
    inventory = take_inventory(
        build.inputs(footprints, walk, permits, obstacles=obstacles, areas=areas),
        rules,
        ground,
        region="west",
    )
    shop = inventory.buildings.set_index("building_id").loc["shop"]
    house = inventory.buildings.set_index("building_id").loc["house"]
    assert (shop["roof_family"], shop["family_basis"], shop["p_lightweight"]) == (
        "panelized_wood",
        "surveyed",
        1.0,
    )
    assert shop["surveyed_on"] == pd.Timestamp("2024-05-17")
    assert (shop["height_ft"], shop["height_basis"]) == (20.0, "inferred")
    assert (shop["dispatch_area"], shop["alert"][:36]) == ("north", "LIGHTWEIGHT ROOF (surveyed 2024-05):")
    assert (house["roof_family"], house["height_basis"]) == ("unknown", "assumed")
    # Nobody says a year or an occupancy: odds, and no surveyed roof behind them but the shop's, if alike.
    assert house["stratum"] == "west / year unknown / occupancy unknown / up to 5,000 ft2"
    assert 0.0 < house["p_lightweight"] < 1.0
    assert house["odds"].endswith("(year unknown, mean of all; occupancy unknown, mean of all)")
    assert pd.isna(shop["odds"])
    assert inventory.family_odds.loc[inventory.family_odds["surveyed"] > 0, "roof_family"].tolist() == [
        "panelized_wood"
    ]
    assert pd.isna(house["family_basis"])
    assert pd.isna(house["surveyed_on"])
    roof = inventory.roofs.set_index("section_id").loc["shop/1"]
    assert (roof["beam_spacing_ft"], roof["beam_spacing_ft_basis"]) == (20.0, "surveyed")
    assert (roof["suspended_load"], roof["suspended_load_basis"]) == (True, "recorded")
    assert inventory.counts.to_numpy().tolist() == [
        ["walk", 1, 1, 0],
        ["permits", 2, 1, 1],
        ["obstacles", 2, 1, 1],
    ]
    assert inventory.problems[["layer", "feature", "code"]].to_numpy().tolist() == [
        ["areas", "house", "outside_dispatch_areas"],
        ["permits", "1", "record_unmatched"],
    ]
    # The permit is kept as a fact, outvoted by the survey.
    family = inventory.facts[inventory.facts["field"] == "roof_family"]
    assert family[["value", "basis", "current"]].to_numpy().tolist() == [
        ["panelized_wood", "surveyed", True],
        ["heavy_timber", "recorded", False],
    ]


def test_lines_and_ground_are_counted_and_handed_on(build, rules, ground):
    hall = shapely.box(X, Y, X + 40, Y + 20)
    joints = [
        shapely.LineString([(X + 20, Y), (X + 20, Y + 20)]),
        shapely.LineString([(X, Y - 9), (X + 9, Y - 9)]),
    ]
    walls = [shapely.LineString([(X + 30, Y), (X + 30, Y + 20)])]
    pond = build.layer(
        [shapely.box(X - 9, Y, X - 2, Y + 5)],
        ground_id=["1"],
        kind=["water"],
        basis=["recorded"],
        note=[None],
    )
    inputs = build.inputs(
        build.footprints({"hall": hall}, roof_shape=["gabled"], ridge_deg=[90.0]),
        fire_walls=build.layer(walls),
        expansion_joints=build.layer(joints),
        ground=pond,
    )
    inventory = take_inventory(inputs, rules, ground)
    assert inventory.counts.to_numpy().tolist() == [["fire_walls", 1, 1, 0], ["expansion_joints", 2, 1, 1]]
    assert inventory.problems["code"].tolist() == [
        "no_dispatch_areas",
        "region_not_stated",
        "expansion_joint_divides_nothing",
    ]
    roofs = inventory.roofs
    # 600 m2 of 800 lie on the joint's side of the fire wall.
    share = roofs["undivided_ft2"] / inventory.buildings["area_ft2"].iloc[0]
    assert share.tolist() == pytest.approx([0.75, 0.75, 0.25], abs=1e-6)
    assert roofs[["roof_shape", "ridge_deg", "ridge_deg_basis"]].drop_duplicates().to_numpy().tolist() == [
        ["gabled", 90.0, "recorded"]
    ]
    assert list(inventory.ground.columns) == [*TABLES["ground"].columns, "geometry"]
    assert inventory.ground["kind"].tolist() == ["water"]
    with pytest.raises(CrsError, match="The layer ground is in WGS 84"):
        take_inventory(dataclasses.replace(inputs, ground=pond.to_crs("EPSG:4326")), rules, ground)


def test_a_drawn_section_speaks_where_nobody_else_does(build, rules, ground):
    footprints = build.footprints({"a": build.square(X, Y, 60)})
    sections = build.layer(
        [shapely.box(X, Y, X + 20, Y + 60)],
        building_id=[None],
        basis=["drawn"],
        roof_family=["panelized_wood"],
    )
    inventory = take_inventory(build.inputs(footprints, sections=sections), rules, ground)
    assert inventory.buildings["roof_family"][0] == "panelized_wood"
    assert inventory.buildings["family_basis"][0] == "drawn"
    assert "drawn, not seen" in inventory.buildings["alert"][0]
    assert inventory.roofs["roof_family"].tolist() == ["unknown", "panelized_wood"]


@pytest.mark.parametrize("epsg", [32613, 2232, 4326])
def test_areas_are_true_ground_feet(build, rules, ground, epsg):
    # A plain reference from outside: the geodesic area on the ellipsoid.
    lon, lat = -105.2, 39.9
    outline = shapely.box(lon, lat, lon + 0.001, lat + 0.001)
    area_m2, _ = Geod(ellps="GRS80" if epsg == 2232 else "WGS84").geometry_area_perimeter(outline)
    # State Plane is tied to NAD 83: the same degrees, so that no datum shift enters.
    source = "EPSG:4269" if epsg == 2232 else "EPSG:4326"
    dense = shapely.segmentize(outline, 1e-5)
    footprints = gpd.GeoDataFrame(
        {"building_id": ["a"], "basis": ["recorded"], "date": pd.to_datetime([None])},
        geometry=[dense],
        crs=source,
    ).to_crs(epsg)
    inputs = dataclasses.replace(build.inputs(footprints), working_crs=CRS(epsg))
    inventory = take_inventory(inputs, rules, ground)
    assert inventory.buildings["area_ft2"][0] == pytest.approx(abs(area_m2) / 0.3048**2, rel=1e-5)
    assert inventory.roofs["area_ft2"][0] == pytest.approx(inventory.buildings["area_ft2"][0])


def test_a_layer_in_another_crs_is_refused(build, rules, ground):
    footprints = build.footprints({"a": build.square(X, Y)})
    areas = gpd.GeoDataFrame({"name": ["n"]}, geometry=[build.square(0)], crs="EPSG:4326")
    with pytest.raises(CrsError, match="layer areas"):
        take_inventory(build.inputs(footprints, areas=areas), rules, ground)


def test_a_district_without_buildings(build, rules, ground):
    walk = build.records("points", geometry=shapely.points([[X, Y]]), deck=["plywood"])
    inventory = take_inventory(build.inputs(build.footprints({}), walk), rules, ground)
    for name in ("buildings", "roofs", "obstacles", "facts"):
        table = getattr(inventory, name)
        assert table.empty
        assert [column for column in table.columns if column != "geometry"] == list(TABLES[name].columns)
    assert inventory.counts.to_numpy().tolist() == [["points", 1, 0, 1]]
    assert "record_unmatched" in set(inventory.problems["code"])


@st.composite
def districts(draw):
    spot = st.tuples(st.integers(0, 9), st.integers(0, 9))
    homes = draw(st.lists(spot, min_size=1, max_size=6, unique=True))
    size = st.integers(8, 14)
    outlines = {
        f"B{i}": shapely.box(X + 12 * x, Y + 12 * y, X + 12 * x + draw(size), Y + 12 * y + draw(size))
        for i, (x, y) in enumerate(homes)
    }
    marks = draw(st.lists(spot, max_size=6))
    keys = draw(st.lists(st.sampled_from(["b0", "B1", "B2 ", "B9", None]), max_size=5))
    dates = st.sampled_from([None, "2020-01-01", "2022-01-01"])
    return outlines, marks, keys, [draw(dates) for _ in (*marks, *keys)], draw(st.integers(0, 1000))


@settings(deadline=None, max_examples=15)
@given(district=districts())
def test_nothing_vanishes_and_row_order_does_not_matter(build, rules, ground, district):
    outlines, marks, keys, dates, seed = district
    footprints = build.footprints(outlines)
    at = [(X + 12 * x + 6, Y + 12 * y + 6) for x, y in marks]
    yards = [shapely.box(x - 10, y - 10, x + 10, y + 10) for x, y in at]
    families = ["panelized_wood", "heavy_timber"]
    sources = [
        build.records("points", geometry=shapely.points(at) if at else [], date=dates[: len(at)],
                      roof_family=[families[i % 2] for i in range(len(at))]),
        build.records("parcels", geometry=yards, occupancy=["S"] * len(at)),
        build.records("footprints", geometry=yards, year_built=list(range(1950, 1950 + len(at)))),
        build.records("key", key=keys, date=dates[len(at):], storeys=[1 + i % 3 for i in range(len(keys))]),
    ]  # fmt: skip
    n = len(at)
    obstacles = build.layer(
        yards, obstacle_id=[str(i) for i in range(n)], kind=["unit"] * n, voltage_kv=[None] * n,
        height_ft=[None] * n,
        basis=["recorded"] * n, note=[None] * n,
    )  # fmt: skip
    fires = build.layer([shapely.Point(p) for p in at], building_id=[None] * n)
    inputs = build.inputs(footprints, *sources, obstacles=obstacles, fires=fires)
    inventory = take_inventory(inputs, rules, ground)

    assert inventory.buildings["building_id"].tolist() == sorted(outlines)
    counts = inventory.counts.set_index("source")
    assert (counts["records"] == counts["joined"] + counts["unmatched"]).all()
    named = inventory.problems.groupby("layer")["feature"].agg(set).to_dict()
    for name, row in counts.iterrows():
        assert row["unmatched"] <= len(named.get(name, set()))
    for source in sources:
        told = inventory.facts[inventory.facts["source"] == source.source.name]
        by_parcel = source.source.how == "parcels"
        assert by_parcel or len(told) == counts.loc[source.source.name, "joined"]
    current = inventory.facts[inventory.facts["current"]]
    assert not current.duplicated(["building_id", "field"]).any()
    assert set(inventory.facts["building_id"]) <= set(outlines)

    mixed = np.random.default_rng(seed)
    shuffle = lambda frame: frame.iloc[mixed.permutation(len(frame))]  # noqa: E731
    again = take_inventory(
        dataclasses.replace(
            inputs,
            footprints=shuffle(footprints),
            attributes=tuple(
                dataclasses.replace(source, frame=shuffle(source.frame).reset_index(drop=True))
                for source in sources
            ),
            obstacles=shuffle(obstacles),
            fires=shuffle(fires),
        ),
        rules,
        ground,
    )
    for name in ("buildings", "roofs", "obstacles", "fires"):
        assert_geodataframe_equal(getattr(again, name), getattr(inventory, name))
    for name in ("facts", "problems", "counts"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(inventory, name))
