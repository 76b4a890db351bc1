"""Rows put into a database page by page: SQLite itself, and GDAL, find what GDAL would have written."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from roofplat.publish.boxes import boxes_of_binary
from roofplat.publish.layers import fixed_clock, unwatched
from roofplat.publish.pages import fill_tables
from roofplat.publish.parts import arrow_of

CRS = "EPSG:32613"
# What every table of SQLite says of itself; the third is of its indexes by place.
WHOLE, TREE = "PRAGMA integrity_check", "SELECT rtreecheck('rtree_t_geom')"


def both(frame: pd.DataFrame, folder: Path, *, kind: str = "Unknown", portion: int = 7) -> tuple[Path, Path]:
    """The same rows written by GDAL, and page by page into the empty table that GDAL made."""
    options = {"layer": "t", "driver": "GPKG", "use_arrow": True}
    if isinstance(frame, gpd.GeoDataFrame):
        options["geometry_type"] = kind
    theirs, ours = folder / "theirs.gpkg", folder / "ours.gpkg"
    for path in (theirs, ours):
        path.unlink(missing_ok=True)
    with fixed_clock(), unwatched():
        pyogrio.write_dataframe(frame, theirs, **options)
        pyogrio.write_dataframe(frame.iloc[:0], ours, **options)
    rows = arrow_of(frame)
    fill_tables(ours, [("t", [rows.slice(start, portion) for start in range(0, len(rows), portion)])])
    return theirs, ours


def looked_up(path: Path, statement: str) -> list[Any]:
    with contextlib.closing(sqlite3.connect(path)) as base:
        return base.execute(statement).fetchall()


def assert_same(theirs: Path, ours: Path, *, spatial: bool = True) -> None:
    assert looked_up(ours, WHOLE) == [("ok",)]
    for table in ("t", "gpkg_geometry_columns", "gpkg_ogr_contents", "sqlite_sequence"):
        statement = f"SELECT * FROM {table}"
        assert looked_up(ours, statement) == looked_up(theirs, statement), table
    if not spatial:
        return
    assert looked_up(ours, TREE) == [("ok",)]
    # Theirs are wider by a few more last digits of a short float.
    rows = "SELECT id, minx, miny, maxx, maxy FROM rtree_t_geom ORDER BY id"
    boxes, wide = (np.array(looked_up(path, rows), dtype=float).reshape(-1, 5) for path in (ours, theirs))
    assert (boxes[:, 0] == wide[:, 0]).all()
    assert (boxes[:, 1:3] >= wide[:, 1:3]).all()
    assert (boxes[:, 3:] <= wide[:, 3:]).all()


def points(count: int) -> gpd.GeoDataFrame:
    places = np.random.default_rng(7).uniform([4e5, 4e6], [4.1e5, 4.01e6], (count, 2))
    numbers = pd.array(np.arange(count) - count // 2, dtype="Int64")
    return gpd.GeoDataFrame({"number": numbers}, geometry=shapely.points(places), crs=CRS)


def test_every_kind_of_value_is_as_gdal_writes_it(tmp_path: Path) -> None:
    days = ["2024-02-29", None, "1890-01-01", "1970-01-01", "9999-12-31"]
    frame = pd.DataFrame(
        {
            "text": pd.array(["a", "", None, "Ü " * 40, "x" * 9_000], dtype="str"),
            "number": [0.0, -0.0, np.nan, 1 / 3, -1e300],
            "whole": pd.array([0, -1, None, 2**40, -(2**63)], dtype="Int64"),
            "small": pd.array([1, 127, -128, 0, None], dtype="Int64"),
            "middle": pd.array([1, 128, -129, 0, 32_768], dtype="Int64"),
            "yes": pd.array([True, False, None, True, False], dtype="boolean"),
            "word": pd.Categorical(["a", None, "b", "b", "a"]),
            "day": pd.array(pd.to_datetime(days).date, dtype="date32[pyarrow]"),
            "nothing": pd.array([None] * 5, dtype="str"),
        }
    )
    assert_same(*both(frame, tmp_path, portion=2), spatial=False)
    assert_same(*both(frame.iloc[:0], tmp_path), spatial=False)


SHAPES = [
    shapely.Point(400_000.125, 4_000_000.25),
    shapely.box(400_000, 4_000_000, 400_010, 4_000_020),
    shapely.Polygon(
        [(0, 0), (9, 0), (9, 9), (0, 9)], [[(1, 1), (2, 1), (2, 2)], [(5, 5), (6, 5), (6, 6), (5, 6)]]
    ),
    shapely.LineString([(1, 2), (3, 4)]),
    shapely.LineString([(1, 2), (3, 4), (-5, 8)]),
    shapely.MultiLineString([[(1, 2), (3, 4)], [(5, 6), (-7, 8)]]),
    shapely.MultiLineString([[(1, 2), (3, 4), (5, 5)], [(5, 6), (7, 8)]]),
    shapely.MultiPolygon(
        [
            shapely.Polygon([(0, 0), (9, 0), (9, 9)], [[(5, 1), (6, 1), (6, 2)]]),
            shapely.box(20, 20, 21, 21),
            shapely.box(-3, 5, -2, 6),
        ]
    ),
    shapely.MultiPoint([(5, 6), (7, 1)]),
    shapely.GeometryCollection([shapely.Point(1, 1), shapely.LineString([(1, 2), (3, 9)])]),
    shapely.Polygon(),
    shapely.MultiPolygon(),
    shapely.LineString(),
    None,
]


def test_every_kind_of_geometry_is_as_gdal_writes_it(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"number": np.arange(len(SHAPES))}, geometry=SHAPES, crs=CRS)
    assert_same(*both(frame, tmp_path, portion=3))
    assert_same(*both(frame.iloc[-4:], tmp_path, portion=3))


@given(st.lists(st.sampled_from(SHAPES), max_size=12))
def test_boxes_are_those_of_the_geometry(shapes: list[Any]) -> None:
    binary = pa.array(shapely.to_wkb(np.array([None, *shapes], dtype=object)), pa.binary())[1:]
    wanted = shapely.bounds(np.array(shapes, dtype=object)).reshape(-1, 4)
    np.testing.assert_array_equal(boxes_of_binary(binary), wanted)


@pytest.mark.parametrize("count", [1, 51, 52, 51 * 51, 51 * 51 + 1, 140_000])
def test_indexes_of_every_depth(count: int, tmp_path: Path) -> None:
    """140,000 rows have three levels of nodes, and a table with pages between its root and its rows."""
    frame = points(count)
    theirs, ours = both(frame, tmp_path, kind="Point", portion=20_000)
    assert_same(theirs, ours)
    box = (402_000.0, 4_002_000.0, 402_500.0, 4_003_000.0)
    found = pyogrio.read_dataframe(ours, bbox=box)
    inside = frame[frame.intersects(shapely.box(*box))]
    assert sorted(found["number"]) == sorted(inside["number"])


def test_a_first_portion_of_few_rows_and_portions_of_none(tmp_path: Path) -> None:
    frame = points(120)
    _, ours = both(frame.iloc[:0], tmp_path, kind="Point")
    rows = arrow_of(frame)
    cuts = [(0, 0), (0, 3), (3, 0), (3, 100), (103, 17)]
    fill_tables(ours, [("t", [rows.slice(start, count) for start, count in cuts])])
    theirs = tmp_path / "whole.gpkg"
    with fixed_clock(), unwatched():
        pyogrio.write_dataframe(frame, theirs, layer="t", driver="GPKG", use_arrow=True)
    assert_same(theirs, ours)


def test_rows_longer_than_pages(tmp_path: Path) -> None:
    """Around every length at which a row, or what is left of it, just fits on a page or just does not."""
    lengths = [*range(16_300, 16_380), 4_100, 20_000, 32_760, 32_770, 65_536, 200_000]
    frame = pd.DataFrame({"text": pd.array(["x" * length for length in lengths], dtype="str")})
    assert_same(*both(frame, tmp_path), spatial=False)
    angles = np.linspace(0, 2 * np.pi, 30_000)
    shape = shapely.Polygon(np.stack([np.cos(angles), np.sin(angles)], axis=1) * 500 + [4e5, 4e6])
    assert_same(*both(gpd.GeoDataFrame({"n": [1]}, geometry=[shape], crs=CRS), tmp_path))


def test_many_columns_make_a_long_head(tmp_path: Path) -> None:
    columns = {f"c{number}": pd.array(["y" * 100, None, "z"], dtype="str") for number in range(90)}
    assert_same(*both(pd.DataFrame(columns), tmp_path), spatial=False)


def test_the_file_can_be_changed_later_as_any_other(tmp_path: Path) -> None:
    theirs, ours = both(points(3_000), tmp_path, kind="Point")
    for path in (theirs, ours):
        pyogrio.write_dataframe(points(40), path, layer="t", append=True)
    assert_same(theirs, ours)
    assert looked_up(ours, "SELECT max(fid), count(*) FROM t") == [(3_040, 3_040)]


def test_the_page_that_is_never_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """That with the byte 2^30, by SQLite's own file format: here where such a byte would be far earlier."""
    monkeypatch.setattr("roofplat.publish.pages._LOCK_BYTE", 60 * 16_384)
    _, ours = both(points(60_000), tmp_path, kind="Point", portion=5_000)
    with contextlib.closing(sqlite3.connect(ours)) as base:
        told = [text for (text,) in base.execute(WHOLE)]
        assert base.execute("SELECT count(*), sum(number) FROM t").fetchone() == (60_000, -30_000)
    # Nothing but that this page is not used.
    assert len(told) == 1
    assert "61 is never used" in told[0]


def test_columns_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    _, ours = both(points(2).iloc[:0], tmp_path, kind="Point")
    with pytest.raises(ValueError, match="has the columns"):
        fill_tables(ours, [("t", [arrow_of(points(2).assign(more=1))])])
