"""Tables with late geometry: the same rows as tables with geometry.

In: a few walls and moves of ladders.
Out: frames held against `conform`, Arrow tables held against the frames' own, GeoParquet read by others.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
from geopandas.testing import assert_geodataframe_equal
from pandera.errors import SchemaErrors

from roofplat.late import LateTable, arrow_of, late_table
from roofplat.tables import SIDES, conform, trusted, words
from roofplat.wkb import points, segments

CRS = "EPSG:32613"
SHAPES = segments(*np.array([[0.0, 5.0, 9.0], [0.0, 0.0, 1.0], [3.0, 5.0, 9.0], [4.0, 7.0, 9.0]]))


def _walls(**changes: Any) -> dict[str, Any]:
    columns = {
        "building_id": pd.array(["a", "a", "b"], dtype="str"),
        "section_id": pd.array(["a-1", "a-1", "b-1"], dtype="str"),
        "wall": np.array([0, 1, 0]),
        "side": words(SIDES, np.array([0, 1, -1])),
        "kind": pd.array(["bearing", "party", "unknown"], dtype="str"),
        "kind_basis": pd.array(["inferred", "drawn", "assumed"], dtype="str"),
        "length_ft": np.array([5, 7, 1]),
        "azimuth_deg": np.array([10.0, 20.0, np.nan]),
        "outward_deg": np.array([280.0, 290.0, np.nan]),
        "clear_ground_ft": np.array([5.0, 7.0, 1.0]),
        "exposure_ft": np.full(3, np.nan),
    }
    return {**columns, **changes}


def _late(**changes: Any) -> LateTable:
    return late_table("walls", _walls(**changes), SHAPES, CRS)


def test_its_frame_is_what_conform_makes() -> None:
    late = _late()
    wanted = conform("walls", _walls(), geometry=SHAPES.geometry(), crs=CRS)
    assert_geodataframe_equal(late.frame(), wanted)
    assert late.frame() is late.frame()
    assert len(late) == 3


def test_its_arrow_table_is_that_of_its_frame() -> None:
    late = _late()
    table = late.arrow()
    assert table.equals(arrow_of(late.frame()), check_metadata=True)
    other = pd.DataFrame(late.frame().drop(columns="geometry"))
    assert table.drop_columns("geometry").to_pandas()["side"].tolist()[:2] == other["side"].tolist()[:2]
    assert table["geometry"].to_pylist() == late.frame().to_wkb()["geometry"].tolist()


def test_other_programs_read_the_parquet_and_the_stream(tmp_path: Path) -> None:
    late = _late()
    pq.write_table(late.arrow(), tmp_path / "walls.parquet")
    read = gpd.read_parquet(tmp_path / "walls.parquet")
    assert_geodataframe_equal(read, late.frame())
    assert read.crs == CRS
    pyogrio.write_arrow(
        late.arrow(),
        tmp_path / "walls.gpkg",
        geometry_name="geometry",
        geometry_type="LineString",
        crs=CRS,
    )
    assert pyogrio.read_dataframe(tmp_path / "walls.gpkg").geometry.geom_equals(late.frame().geometry).all()


def test_the_metadata_say_kind_extent_and_crs() -> None:
    told = json.loads(_late().arrow().schema.metadata[b"geo"])
    assert told["version"] == "1.1.0"
    column = told["columns"][told["primary_column"]]
    assert column["encoding"] == "WKB"
    assert column["geometry_types"] == ["LineString"]
    assert column["bbox"] == [0.0, 0.0, 9.0, 9.0]
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 32613}


def test_no_rows_make_an_empty_table() -> None:
    none = _late().run(0, 0)
    assert len(none.frame()) == none.arrow().num_rows == 0
    assert "bbox" not in json.loads(none.arrow().schema.metadata[b"geo"])["columns"]["geometry"]
    assert_geodataframe_equal(none.frame(), _late().frame().iloc[:0], check_index_type=False)


def test_runs_and_rows_are_those_of_the_frame() -> None:
    frame = _late().frame()
    assert_geodataframe_equal(_late().run(1, 3).frame(), frame.iloc[1:3].reset_index(drop=True))
    rows = np.array([2, 0])
    assert_geodataframe_equal(_late().take(rows).frame(), frame.iloc[rows].reset_index(drop=True))


def test_it_refuses_what_conform_refuses() -> None:
    with pytest.raises(SchemaErrors, match="kind"):
        _late(kind=pd.array(["made of straw"] * 3, dtype="str"))
    with pytest.raises(TypeError, match="Point"):
        late_table("walls", _walls(), points(np.zeros(3), np.zeros(3)), CRS)
    with trusted():
        assert len(_late(kind=pd.array(["made of straw"] * 3, dtype="str"))) == 3


def test_a_table_without_geometry_is_an_arrow_table_too() -> None:
    table = arrow_of(pd.DataFrame({"name": ["Elm"]}))
    assert table.to_pylist() == [{"name": "Elm"}]
