"""What a GeoPackage holds, so that one can be held to another.

In: paths of GeoPackages.
Out: rows, metadata, indexes and boxes, whatever the numbers of the rows; a failure where they differ.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np


def told(path: Path) -> tuple[dict[str, Any], dict[str, tuple[float, ...]]]:
    """Everything that a GeoPackage holds, whatever the numbers of its rows; and the box around each layer."""
    with contextlib.closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        found: dict[str, Any] = {
            query: sorted(map(repr, base.execute(query)))
            for query in (
                "SELECT type, name, tbl_name, sql FROM sqlite_master",
                "SELECT table_name, data_type, identifier, description, last_change FROM gpkg_contents",
                "SELECT * FROM gpkg_ogr_contents",
                "SELECT * FROM gpkg_geometry_columns",
                "SELECT * FROM gpkg_extensions",
                "SELECT * FROM gpkg_spatial_ref_sys",
                "SELECT * FROM gpkg_metadata JOIN gpkg_metadata_reference ON md_file_id = id",
            )
        }
        boxes = {
            name: edges
            for name, *edges in base.execute(
                "SELECT table_name, min_x, min_y, max_x, max_y FROM gpkg_contents"
            )
        }
        for name in boxes:
            columns = [row[1] for row in base.execute(f"PRAGMA table_info({name})")][1:]
            cells, rest = ", ".join(f'layer."{column}"' for column in columns), ""
            if "geom" in columns:
                tree = f"rtree_{name}_geom"
                assert base.execute(f"SELECT rtreecheck('{tree}')").fetchone() == ("ok",), name
                with_shape = base.execute(f"SELECT count(geom) FROM {name}").fetchone()
                assert base.execute(f"SELECT count(*) FROM {tree}").fetchone() == with_shape, name
                cells += ", minx, maxx, miny, maxy"
                rest = f"LEFT JOIN {tree} AS tree ON tree.id = layer.fid"
            rows = base.execute(f"SELECT {cells} FROM {name} AS layer {rest}")
            found[name] = [columns, sorted(map(repr, rows))]
            count = base.execute("SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = ?", (name,))
            assert count.fetchone() == (len(found[name][1]),), name
    return found, boxes


def assert_same(one: Path, other: Path) -> None:
    (here, boxes), (there, wanted) = told(one), told(other)
    assert list(here) == list(there)
    for name in here:
        assert here[name] == there[name], name
    for name, edges in wanted.items():
        if None in edges:
            assert boxes[name] == edges, name
        else:
            # GDAL writes numbers as text of 17 digits, which its own database rounds a last time.
            np.testing.assert_array_max_ulp(np.array(boxes[name]), np.array(edges), 2)
