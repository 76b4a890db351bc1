"""Damaged GeoPackages under the service: a sentence, whatever SQLite and PROJ make of them."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from roofplat.errors import LayerError
from roofplat.serve.packages import open_package

DAMAGED = r"roofs\.gpkg cannot be read, it may be damaged; build the district again\."


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.box(0, 0, 9, 9)], crs="EPSG:32613").to_file(path)
    with closing(sqlite3.connect(path)) as base:
        (found,) = base.execute("SELECT table_name FROM gpkg_contents").fetchone()
    assert found == "roofs"
    return path


def changed(file: Path, statement: str) -> Path:
    with closing(sqlite3.connect(file)) as base, base:
        base.execute(statement)
    return file


def test_a_package_is_read(file: Path) -> None:
    with closing(open_package(file)) as package:
        assert package.layer("roofs").lonlat is not None


def test_what_sqlite_cannot_say_in_letters_is_said_in_a_sentence(file: Path) -> None:
    """Python decodes what SQLite complains of, which quotes the file: an error of another kind."""
    data = file.read_bytes()
    assert data.count(b"CREATE TABLE gpkg_contents") == 1
    file.write_bytes(data.replace(b"CREATE TABLE gpkg_contents", b"CREATE TAB\xff\xfe gpkg_contents"))
    with pytest.raises(LayerError, match=DAMAGED):
        open_package(file)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE gpkg_spatial_ref_sys SET definition = 'no system' WHERE srs_id = 32613",
        "UPDATE gpkg_contents SET min_x = 'west'",
    ],
)
def test_a_layer_without_a_place_any_more_is_damaged(file: Path, statement: str) -> None:
    with closing(open_package(changed(file, statement))) as package, pytest.raises(LayerError, match=DAMAGED):
        package.layer("roofs")
