"""The GeoPackage holds every table, as it was, and the same bytes every time."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from geopandas.testing import assert_geodataframe_equal

from roofplat.publish import write_layers
from roofplat.publish.layers import DESCRIPTIONS
from roofplat.publish.parts import Parts
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, empty

from .conftest import WORKING_CRS


@pytest.fixture(scope="module")
def package(tables: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_layers(Parts.of(tables), tmp_path_factory.mktemp("layers") / "layers.gpkg")


def without_areas(back: gpd.GeoDataFrame, name: str) -> gpd.GeoDataFrame:
    """A layer without the column that its table does not have."""
    added = "building_id" in back and "dispatch_area" not in TABLES[name].columns
    return back.drop(columns="dispatch_area") if added else back


def test_every_table_is_a_layer_with_its_kind(package: Path, tables: dict[str, Any]) -> None:
    layers = dict(pyogrio.list_layers(package).tolist())
    assert set(layers) == set(tables)
    assert layers["buildings"] == "MultiPolygon"
    assert layers["walls"] == "LineString"
    assert layers["members"] == "MultiLineString"
    # Layers of several kinds are declared as plain geometry.
    assert layers["checks"] == "Unknown"
    assert layers["obstacles"] == "Unknown"
    assert layers["problems"] is None
    assert layers["facts"] is None


@pytest.mark.parametrize("name", [name for name in TABLES if TABLES[name].geometry and name != "roofs"])
def test_rows_come_back_as_they_went(package: Path, tables: dict[str, Any], name: str) -> None:
    back = without_areas(pyogrio.read_dataframe(package, layer=name), name)
    went = tables[name]
    assert back.crs == WORKING_CRS
    assert list(back.columns) == list(went.columns)
    for column in went.columns.drop("geometry"):
        assert back[column].isna().tolist() == went[column].isna().tolist(), column
        held = went[column].dropna()
        assert back[column].dropna().astype(held.dtype).tolist() == held.tolist(), column
    same = back.geometry.reset_index(drop=True).geom_equals(went.geometry.reset_index(drop=True))
    assert same.all()


@pytest.mark.parametrize("name", ["survey_next", "family_odds"])
def test_lists_without_a_place_come_back_as_they_went(
    package: Path, tables: dict[str, Any], name: str
) -> None:
    went = tables[name]
    assert len(went) > 2
    assert pyogrio.read_info(package, layer=name)["geometry_type"] is None
    back = pyogrio.read_dataframe(package, layer=name)
    assert list(back.columns) == list(went.columns)
    for column in went.columns:
        assert back[column].isna().tolist() == went[column].isna().tolist(), column
        assert back[column].dropna().tolist() == went[column].dropna().tolist(), column


@pytest.mark.parametrize("name", ["planes", "ground", "collapse_zones", "solar_access", "members", "ladders"])
def test_other_families_come_back_as_they_went(mixed: dict[str, Any], tmp_path: Path, name: str) -> None:
    package = write_layers(Parts.of(mixed), tmp_path / "layers.gpkg")
    back, went = without_areas(pyogrio.read_dataframe(package, layer=name), name), mixed[name]
    assert len(back) == len(went) > 0
    assert list(back.columns) == list(went.columns)
    assert back.geometry.geom_equals(went.geometry).all()
    kinds = dict(pyogrio.list_layers(package).tolist())
    assert (kinds["planes"], kinds["collapse_zones"], kinds["ground"]) == (
        "Polygon",
        "MultiPolygon",
        "Unknown",
    )


def test_every_row_of_a_building_names_its_dispatch_area(package: Path, tables: dict[str, Any]) -> None:
    where = dict(zip(tables["buildings"]["building_id"], tables["buildings"]["dispatch_area"], strict=True))
    assert len(set(where.values())) > 2
    with contextlib.closing(sqlite3.connect(package)) as base:
        names = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'index'")}
        for name, frame in tables.items():
            if "building_id" not in frame:
                assert f"{name}_building_id" not in names
                continue
            rows = base.execute(f"SELECT building_id, dispatch_area FROM {name} ORDER BY fid").fetchall()
            told = [(one, area) for one, area in rows if one is not None]
            for building, area in told:
                wanted = where[building]
                assert area == (None if pd.isna(wanted) else wanted), name
            assert {area for one, area in rows if one is None} <= {None}
            assert {f"{name}_building_id", f"{name}_dispatch_area"} <= names
            how = base.execute(f"EXPLAIN QUERY PLAN SELECT * FROM {name} WHERE dispatch_area = ?", ("X",))
            assert f"{name}_dispatch_area" in how.fetchone()[-1]


def test_every_layer_says_what_it_holds(package: Path) -> None:
    with contextlib.closing(sqlite3.connect(package)) as base:
        told = dict(base.execute("SELECT table_name, description FROM gpkg_contents").fetchall())
    assert set(told) == {name for name, _ in pyogrio.list_layers(package).tolist()}
    assert len(set(told.values())) == len(told)
    assert all(len(text) > 10 for text in told.values())
    assert "solar array" in told["solar_access"]
    assert "steady state, one compartment, no water, no wind" in DESCRIPTIONS["venting"]


def test_dates_are_dates_and_the_caution_is_there(package: Path) -> None:
    info = pyogrio.read_info(package, layer="buildings")
    kinds = dict(zip(info["fields"], info["ogr_types"], strict=True))
    assert kinds["surveyed_on"] == "OFTDate"
    assert kinds["storeys"] == "OFTInteger64"
    assert "outrank" in info["layer_metadata"]["caution"]


def test_changed_rules_stand_beside_the_caution(tables: dict[str, Any], tmp_path: Path) -> None:
    rules = load_rulebook({"ladder.stock_ft": [24.0, 35.0]})
    path = write_layers(Parts.of(tables), tmp_path / "layers.gpkg", rules=rules)
    for name, _ in pyogrio.list_layers(path).tolist():
        metadata = pyogrio.read_info(path, layer=name)["layer_metadata"]
        assert json.loads(metadata["overridden_rules"]) == [
            {"id": "ladder.stock_ft", "value": [24.0, 35.0], "unit": "ft"}
        ], name
        assert "outrank" in metadata["caution"]


def test_same_input_same_bytes(package: Path, tables: dict[str, Any], tmp_path: Path) -> None:
    before = tables["buildings"].copy(deep=True)
    again = write_layers(Parts.of(tables), tmp_path / "layers.gpkg")
    assert again.read_bytes() == package.read_bytes()
    assert_geodataframe_equal(tables["buildings"], before)
    assert [path.name for path in tmp_path.iterdir()] == ["layers.gpkg"]


def test_a_district_with_nothing_planned(tmp_path: Path) -> None:
    tables = {name: empty(name, WORKING_CRS) for name in TABLES}
    path = write_layers(Parts.of(tables), tmp_path / "layers.gpkg")
    assert len(gpd.read_file(path, layer="openings")) == 0
    assert len(pyogrio.list_layers(path)) == len(TABLES) - 1
