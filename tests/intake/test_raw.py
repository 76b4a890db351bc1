"""Rows taken batch by batch are those of the file read whole, whatever rows come with them."""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio.raw
import pytest
import shapely

from roofplat.district import FootprintSource
from roofplat.intake.look import look
from roofplat.intake.raw import GEOMETRY, RawRows, raw_frame, raw_rows, raw_shapes
from roofplat.intake.read import read_layer

COUNT = 7


def features() -> gpd.GeoDataFrame:
    """A column of each type, some with gaps in the last row only."""
    last = [*[False] * (COUNT - 1), True]
    number = pd.Series(np.arange(COUNT) + 1, dtype="Int64").mask(last)
    return gpd.GeoDataFrame(
        {
            "name": pd.Series([f"n{row}" for row in range(COUNT)], dtype="str").mask(last),
            "whole": np.arange(COUNT),
            "gap": number,
            "yes": pd.Series([True, False] * 3 + [None], dtype="boolean"),
            "share": np.linspace(0, 1, COUNT),
            "day": pd.to_datetime(["2024-05-01"] * COUNT),
            "moment": pd.to_datetime(["2024-05-01T10:20:30Z"] * COUNT),
        },
        geometry=shapely.points(np.arange(COUNT) * 1e-3, np.arange(COUNT) * 1e-3),
        crs="OGC:CRS84",
    )


def written(folder: Path, suffix: str) -> Path:
    path = folder / f"layer{suffix}"
    frame = features()
    if suffix == ".parquet":
        frame.set_index("name").to_parquet(path)
    elif suffix == ".arrowish.parquet":
        frame.to_parquet(path, geometry_encoding="geoarrow")
    elif suffix == ".csv":
        frame.drop(columns="geometry").to_csv(path, index=False)
    elif suffix == ".json.geojson":
        frame.to_file(path, driver="GeoJSON")
        document = json.loads(path.read_text("utf-8"))
        for number, feature in enumerate(document["features"]):
            feature["properties"]["names"] = {"primary": f"p{number}"}
        path.write_text(json.dumps(document), "utf-8")
    elif suffix == ".shp":
        # It has no moments.
        frame.drop(columns=["day", "moment"]).to_file(path)
    else:
        frame.to_file(path)
    return path


def whole(path: Path) -> pd.DataFrame:
    """The file as the readers of whole layers read it."""
    if path.suffix == ".csv":
        return pd.read_csv(path, dtype=str, keep_default_na=False, index_col=False)
    if path.suffix == ".parquet":
        frame = gpd.read_parquet(path).reset_index(drop=True)
    else:
        frame = gpd.read_file(path, use_arrow=True, datetime_as_string=True)
    return pd.DataFrame(frame.drop(columns="geometry"))


def taken(path: Path) -> tuple[RawRows, pa.Table]:
    rows = raw_rows(look(path), geometry=path.suffix != ".csv")
    return rows, pa.concat_tables(list(rows.batches))


SUFFIXES = (".gpkg", ".geojson", ".json.geojson", ".fgb", ".shp", ".parquet", ".arrowish.parquet", ".csv")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_raw_rows_are_those_of_the_file_read_whole(tmp_path: Path, suffix: str) -> None:
    path = written(tmp_path, suffix)
    rows, table = taken(path)
    pd.testing.assert_frame_equal(raw_frame(table, rows.form), whole(path))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_what_is_made_of_a_row_does_not_hang_on_the_rows_beside_it(tmp_path: Path, suffix: str) -> None:
    path = written(tmp_path, suffix)
    rows, table = taken(path)
    for part in (table.slice(0, 2), table.slice(COUNT - 1, 1)):
        start = 0 if len(part) == 2 else COUNT - 1
        by_itself = raw_frame(part, rows.form)
        of_all = whole(path).iloc[start : start + len(part)].reset_index(drop=True)
        for name in of_all:
            # A column of nothing but gaps is told apart by no value.
            if of_all[name].notna().any():
                pd.testing.assert_series_equal(by_itself[name], of_all[name])
            else:
                assert by_itself[name].isna().all(), name


def test_rows_survive_parquet(tmp_path: Path) -> None:
    rows, table = taken(written(tmp_path, ".gpkg"))
    pa.parquet.write_table(table, tmp_path / "rows.parquet")
    back = pa.parquet.read_table(tmp_path / "rows.parquet")
    pd.testing.assert_frame_equal(raw_frame(back, rows.form), raw_frame(table, rows.form))
    assert back.column(GEOMETRY).equals(table.column(GEOMETRY))


@pytest.mark.parametrize("nothing", [None, shapely.Point(), shapely.Polygon(), shapely.GeometryCollection()])
def test_a_flatgeobuf_may_lack_shapes(tmp_path: Path, nothing: Any) -> None:
    # GDAL's own way from FlatGeobuf to Arrow left the places of missing shapes to what was in memory: rows
    # got the shapes of others, or the program was killed.
    squares = [shapely.box(x, 0.0, x + 1e-3, 1e-3) for x in (0.0, 0.002, 0.004)]
    shapes = [nothing, squares[0], nothing, nothing, *squares[1:], nothing]
    path = tmp_path / "gaps.fgb"
    columns = {"name": [f"n{row}" for row in range(len(shapes))]}
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs="OGC:CRS84")
    frame.to_file(path, SPATIAL_INDEX="NO", geometry_type="Unknown")
    _, table = taken(path)
    table.validate(full=True)
    found, _ = raw_shapes(table)
    assert shapely.area(found[[1, 4, 5]]).tolist() == pytest.approx([1e-6] * 3)
    assert (shapely.is_missing(found) | shapely.is_empty(found)).tolist() == [
        not shapely.area(shape) > 0 for shape in shapes
    ]
    layer = read_layer(look(path), FootprintSource(file=path))
    np.testing.assert_array_equal(shapely.bounds(layer.shapes()), shapely.bounds(found))
    assert layer.rows["name"].tolist() == columns["name"]


def test_open_rings_are_closed_and_named(tmp_path: Path) -> None:
    ring = [[0, 0], [1e-3, 0], [1e-3, 1e-3], [0, 1e-3]]
    document = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"id": number},
                "geometry": {"type": "Polygon", "coordinates": [[*ring, *end]]},
            }
            for number, end in enumerate(([ring[0]], []))
        ],
    }
    path = tmp_path / "rings.geojson"
    path.write_text(json.dumps(document), "utf-8")
    _, table = taken(path)
    shapes, closed = raw_shapes(table)
    assert closed.tolist() == [False, True]
    assert shapely.equals(shapes[0], shapes[1])


def test_curves_are_drawn_with_short_lines_and_lose_no_other_row(tmp_path: Path) -> None:
    # One outline with an arc made the whole layer unreadable. Circular arcs of ISO 13249-3: a start, a point
    # between, an end; here a circle of radius 10 around (10, 0).
    arc = struct.pack("<BII6d", 1, 8, 3, 0.0, 0.0, 20.0, 0.0, 0.0, 0.0)
    circle = struct.pack("<BII", 1, 10, 1) + arc
    square = shapely.to_wkb(shapely.box(100, 0, 120, 20))
    path = tmp_path / "round.gpkg"
    pyogrio.raw.write(
        path,
        geometry=np.array([square, circle, None], dtype=object),
        field_data=[np.array([1, 2, 3])],
        fields=np.array(["number"], dtype=object),
        geometry_type="Unknown",
        crs="EPSG:32613",
    )
    _, table = taken(path)
    shapes, closed = raw_shapes(table)
    layer = read_layer(look(path), FootprintSource(file=path))
    assert shapely.area(shapes[1]) == pytest.approx(np.pi * 100, rel=0.01)
    assert shapely.equals_exact(shapes[:2], layer.shapes()[:2]).all()
    assert layer.rows["number"].tolist() == [1, 2, 3]
    assert shapes[2] is None
    assert not closed.any()
