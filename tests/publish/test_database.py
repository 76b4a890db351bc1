"""A build in a database: what stands there, who waits for whom, and what is left when it breaks."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import LineString, Point, box

from roofplat.publish.database import StoredTable, read_address, write_database

from tests.postgres import Database

pytestmark = pytest.mark.database
CRS = "EPSG:32613"


def sheds(count: int = 3, word: str = "shed") -> dict[str, StoredTable]:
    """A small table of outlines, one of mixed shapes and one without shapes, of every type of column."""
    buildings = gpd.GeoDataFrame(
        {
            "building_id": pd.array([f"B{place}" for place in range(count)], dtype="str"),
            "name": pd.array([word, "", None, *[word] * (count - 3)], dtype="str"),
            "height_ft": [1 / 3, np.nan, -0.0, *[12.5] * (count - 3)],
            "storeys": pd.array([2, None, 1, *[1] * (count - 3)], dtype="Int64"),
            "sprinklered": pd.array([True, None, False, *[None] * (count - 3)], dtype="boolean"),
            "surveyed_on": pd.to_datetime(["2024-02-29", None, "1890-01-01", *[None] * (count - 3)]).astype(
                "datetime64[ms]"
            ),
            "alert": pd.Categorical(['a "b", c', "a\nb", None, *["\\N"] * (count - 3)]),
        },
        geometry=[box(500000 + 10 * place, 4e6, 500008 + 10 * place, 4e6 + 8) for place in range(count)],
        crs=CRS,
    )
    shapes = [box(500000, 4e6, 500001, 4e6 + 1), LineString([(0, 0), (1, 1)]), Point(500000.123456789, 1 / 3)]
    mixed = gpd.GeoDataFrame({"kind": ["unit", "overhead_line", "hatch"]}, geometry=shapes, crs=CRS)
    return {
        "buildings": StoredTable(buildings, "MultiPolygon", "Outlines"),
        "obstacles": StoredTable(mixed, "Unknown", "Things"),
        "facts": StoredTable(pd.DataFrame({"order": [1, 2], "class": ["x", "y"]}), "", "Facts"),
    }


def read(database: Database, statement: str) -> list[str]:
    return database.sql(statement).splitlines()


def test_every_type_of_value_comes_back(database: Database) -> None:
    write_database(sheds(), read_address(database.url))
    assert read(
        database,
        "SELECT fid, building_id, name IS NULL, name = '', height_ft, storeys, sprinklered, surveyed_on, "
        "alert FROM roofplat.buildings WHERE fid <> 2 ORDER BY fid",
    ) == [
        '1|B0|f|f|0.3333333333333333|2|t|2024-02-29|a "b", c',
        "3|B2|t||-0|1|f|1890-01-01|",
    ]
    assert (
        database.sql("SELECT alert = E'a\\nb', name, height_ft IS NULL FROM roofplat.buildings WHERE fid = 2")
        == "t||t"
    )
    assert read(database, 'SELECT "order", class FROM roofplat.facts') == ["1|x", "2|y"]
    assert read(database, "SELECT f_table_name, type, srid FROM geometry_columns ORDER BY 1") == [
        "buildings|MULTIPOLYGON|32613",
        "obstacles|GEOMETRY|32613",
    ]
    stored = shapely.from_wkb(
        read(database, "SELECT encode(ST_AsBinary(geom), 'hex') FROM roofplat.obstacles ORDER BY fid")
    )
    assert shapely.equals_exact(stored, sheds()["obstacles"].frame.geometry.to_numpy(), 0.0).all()
