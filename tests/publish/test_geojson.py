"""The area files against RFC 7946 (IETF, August 2016); sections of it are named at each check."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.publish import NO_AREA, Parts, write_area_layers
from roofplat.rules import load_rulebook

from .conftest import HOSTILE, make_table


@pytest.fixture(scope="module")
def files(tables: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("out") / "areas"
    written = write_area_layers(Parts.of(tables), folder)
    assert {path.parent for path in written} == {folder}
    return {json.loads(path.read_text("utf-8"))["name"]: path for path in written}


def collection(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(path.read_text("utf-8"))
    return found


def rings(geometry: dict[str, Any]) -> list[list[Any]]:
    if geometry["type"] == "Polygon":
        return [geometry["coordinates"]]
    return list(geometry["coordinates"]) if geometry["type"] == "MultiPolygon" else []


def signed_area(ring: list[list[float]]) -> float:
    x, y = np.array(ring).T - np.array(ring[0])[:, None]
    return float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum() / 2)


def test_one_file_for_each_area_and_every_building_in_one(
    files: dict[str, Path], tables: dict[str, Any]
) -> None:
    assert {name: path.name for name, path in files.items()} == {
        "../../x": "x.geojson",
        "North Side": "north-side.geojson",
        "north-side": "north-side-2.geojson",
        NO_AREA: "no-dispatch-area.geojson",
    }
    found = [
        feature["properties"]["building_id"]
        for path in files.values()
        for feature in collection(path)["features"]
        if feature["properties"]["layer"] == "buildings"
    ]
    assert sorted(found) == sorted(tables["buildings"]["building_id"])


def test_the_plan_of_an_area_is_all_there(files: dict[str, Path], tables: dict[str, Any]) -> None:
    layers = [feature["properties"]["layer"] for feature in collection(files["North Side"])["features"]]
    assert layers.count("buildings") == 2
    for name in (
        "sections",
        "walls",
        "members",
        "ladders",
        "paths",
        "checks",
        "openings",
        "cuts",
        "trenches",
    ):
        assert layers.count(name) == len(tables[name]), name
    # The overhead line belongs to no building.
    assert layers.count("obstacles") == len(tables["obstacles"]) - 1


def by_layer(path: Path) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for feature in collection(path)["features"]:
        found.setdefault(feature["properties"]["layer"], []).append(feature["properties"])
    return found


def test_roofs_of_other_families(mixed: dict[str, Any], tmp_path: Path) -> None:
    east, west = map(by_layer, write_area_layers(Parts.of(mixed), tmp_path))
    assert len(east["planes"]) == 4
    assert {row["kind"] for row in east["members"]} == {"ridge", "hip", "rafter", "truss"}
    assert [row["pushes_out"] for row in east["collapse_zones"]] == [False, True]
    assert [row["kind"] for row in east["ground"]] == ["pool"]
    assert [row["kind"] for row in west["ground"]] == ["fence"]
    # What the audit found met is in its list and in the GeoPackage.
    assert "solar_access" not in east
    assert [(row["rule"], row["passes"]) for row in west["solar_access"]] == [
        ("solar.smoke_way_ft", None),
        ("solar.perimeter_ft", False),
    ]
    (spot,) = west["ladders"]
    assert (spot["apparatus"], spot["support_ft"], spot["highest_ft"]) == ("out_of_reach", 44.5, 40.6)


def test_ground_of_no_area_goes_with_the_buildings_of_none(mixed: dict[str, Any], tmp_path: Path) -> None:
    buildings = mixed["buildings"].assign(dispatch_area=["East", "East", "West", None])
    *_, none = write_area_layers(Parts.of({**mixed, "buildings": buildings}), tmp_path)
    assert [row["kind"] for row in by_layer(none)["ground"]] == ["water"]
    nowhere = {"buildings": mixed["buildings"].assign(dispatch_area=None), "ground": mixed["ground"]}
    (only,) = write_area_layers(Parts.of(nowhere), tmp_path)
    assert len(by_layer(only)["ground"]) == 3


def test_objects_have_the_members_they_must(files: dict[str, Path]) -> None:
    for path in files.values():
        whole = collection(path)
        assert whole["type"] == "FeatureCollection"  # section 3.3
        assert isinstance(whole["features"], list)
        assert '"crs"' not in path.read_text("utf-8")  # section 4: no crs member
        for feature in whole["features"]:  # section 3.2
            assert feature["type"] == "Feature"
            assert isinstance(feature["properties"], dict)
            assert {"coordinates", "geometries", "features"}.isdisjoint(feature)  # section 7.1


def test_rings_are_closed_and_follow_the_right_hand_rule(files: dict[str, Path]) -> None:
    checked = 0
    for path in files.values():
        for feature in collection(path)["features"]:
            for polygon in rings(feature["geometry"]):
                for number, ring in enumerate(polygon):  # section 3.1.6
                    assert len(ring) >= 4
                    assert ring[0] == ring[-1]
                    area = signed_area(ring)
                    assert area > 0 if number == 0 else area < 0
                    checked += 1
    assert checked > 10


def test_positions_are_longitude_then_latitude_on_wgs84(
    files: dict[str, Path], tables: dict[str, Any]
) -> None:
    there = tables["buildings"].to_crs("EPSG:4326").set_index("building_id").geometry
    for path in files.values():
        for feature in collection(path)["features"]:
            shape = shapely.from_geojson(json.dumps(feature["geometry"]))
            assert not shapely.has_z(shape)
            if feature["properties"]["layer"] == "buildings":  # section 4
                one_cm = 1e-7
                assert shape.hausdorff_distance(there[feature["properties"]["building_id"]]) <= one_cm


def test_seven_decimals_at_most(files: dict[str, Path]) -> None:
    for path in files.values():
        geometries = re.findall(r'"geometry":(\{.*?\}),"properties"', path.read_text("utf-8"))
        for number in re.findall(r"-?\d+\.\d+", "".join(geometries)):  # section 11.2 on precision
            assert len(number.split(".")[1]) <= 7


def test_bbox_is_west_south_east_north(files: dict[str, Path]) -> None:
    whole = collection(files["North Side"])
    shapes = [shapely.from_geojson(json.dumps(feature["geometry"])) for feature in whole["features"]]
    assert whole["bbox"] == shapely.total_bounds(shapes).tolist()  # section 5
    assert whole["bbox"][0] < whole["bbox"][2]
    assert whole["bbox"][1] < whole["bbox"][3]


def test_an_area_without_buildings_is_empty_not_missing(files: dict[str, Path]) -> None:
    whole = collection(files["north-side"])
    assert whole["features"] == []
    assert "bbox" not in whole


def test_values_come_back_whatever_they_hold(files: dict[str, Path], without: Any, tmp_path: Path) -> None:
    feature = collection(files[NO_AREA])["features"][0]["properties"]
    assert feature["name"] == HOSTILE
    assert feature["surveyed_on"] is None
    building = collection(files["North Side"])["features"][0]["properties"]
    assert (building["year_built"], building["surveyed_on"], building["sprinklered"]) == (
        1984,
        "2024-06-01",
        True,
    )
    odd = 'line\u2028separator\x85 and "quotes"\nand a line feed'
    row = {"building_id": odd, "area_ft2": 1.0, "roof_family": "unknown", "geometry": shapely.box(0, 0, 1, 1)}
    both = make_table("buildings", [row, {**row, "building_id": "b"}])
    (path,) = write_area_layers(Parts.of({"buildings": both}), tmp_path)
    assert [one["properties"]["building_id"] for one in collection(path)["features"]] == [odd, "b"]


def test_rules_as_they_come_are_said_to_be_so(tables: dict[str, Any], tmp_path: Path) -> None:
    for path in write_area_layers(Parts.of(tables), tmp_path, rules=load_rulebook()):
        assert collection(path)["overridden_rules"] == []


def test_an_area_that_bears_the_name_of_none_shares_its_file(tmp_path: Path) -> None:
    row = {"area_ft2": 1.0, "roof_family": "unknown", "geometry": shapely.box(0, 0, 1, 1)}
    rows = [{**row, "building_id": "a", "dispatch_area": NO_AREA}, {**row, "building_id": "b"}]
    (path,) = write_area_layers(Parts.of({"buildings": make_table("buildings", rows)}), tmp_path)
    assert [one["properties"]["building_id"] for one in collection(path)["features"]] == ["a", "b"]


def test_an_area_of_too_many_buildings_has_no_file(mixed: dict[str, Any], tmp_path: Path) -> None:
    buildings = mixed["buildings"].assign(dispatch_area=["East", "East", "West", "East"])
    written = write_area_layers(Parts.of({**mixed, "buildings": buildings}), tmp_path, most_buildings=2)
    assert [collection(path)["name"] for path in written] == ["West"]
    assert [*tmp_path.iterdir()] == written
