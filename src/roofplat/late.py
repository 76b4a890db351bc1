"""Tables whose geometry is still coordinates: geometry objects are made when somebody asks for them.

In: columns of a table, and `wkb.Shapes`.
Out: the table as a GeoDataFrame, or as an Arrow table with WKB, which needs no geometry object at all.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS

from roofplat.memory import steady_memory
from roofplat.tables import check_kinds, checked_columns, geometry_kinds, with_geometry
from roofplat.wkb import Mixed, Packed, Shapes

__all__ = ["LateTable", "arrow_of", "geo_metadata", "late_table"]


@dataclass(frozen=True)
class LateTable:
    """A checked table of n rows, its geometry as coordinates.

    name
        A key of `tables.TABLES`.
    columns
        Arrays typed as the table wants them, in its order, shape (n,) each.
    shapes
        The geometry of each row.
    crs
        Its CRS.
    """

    name: str
    columns: Mapping[str, Any]
    shapes: Shapes | Mixed | Packed
    crs: object

    def __len__(self) -> int:
        """Number of rows."""
        return len(self.shapes)

    def frame(self) -> gpd.GeoDataFrame:
        """The table as `tables.conform` makes it; the geometry objects are made once, here."""
        return self._frame

    @steady_memory()
    def arrow(self) -> pa.Table:
        """The same rows as `arrow_of` makes of the frame, byte for byte, without a geometry object."""
        return _with_wkb(
            _columns_to_arrow(self.columns),
            self.shapes.wkb_chunks(),
            sorted(self.shapes.kinds()),
            self.shapes.extent().tolist(),
            self.crs,
        )

    def run(self, start: int, stop: int) -> LateTable:
        """Rows that lie together, as a table of their own."""
        columns = {name: values[start:stop] for name, values in self.columns.items()}
        return LateTable(self.name, columns, self.shapes.run(start, stop), self.crs)

    def take(self, rows: npt.NDArray[Any]) -> LateTable:
        """Rows by their numbers, in that order, as a table of their own."""
        columns = {name: values.take(rows) for name, values in self.columns.items()}
        return LateTable(self.name, columns, self.shapes.take(rows), self.crs)

    @cached_property
    def _frame(self) -> gpd.GeoDataFrame:
        return with_geometry(self.columns, self.shapes.geometry(), self.crs)


def late_table(
    name: str, columns: Mapping[str, Any], shapes: Shapes | Mixed | Packed, crs: object
) -> LateTable:
    """Check columns against their table and keep them with coordinates.

    Parameters
    ----------
    name
        A key of `tables.TABLES`.
    columns
        At least the table's columns, as arrays of shape (n,); others are dropped.
    shapes
        The geometry of the n rows.
    crs
        Its CRS.

    Returns
    -------
    LateTable

    Raises
    ------
    pandera.errors.SchemaErrors, TypeError
        As `tables.conform` does.

    Examples
    --------
    >>> from roofplat.wkb import segments
    >>> columns = {"building_id": ["b1"], "section_id": ["b1-1"], "spot": [1], "moved_ft": [5.0]}
    >>> arrays = {key: pd.array(values) for key, values in columns.items()}
    >>> table = late_table("ladder_moves", arrays, segments(*np.array([[0.0], [0.0], [3.0], [4.0]])), None)
    >>> len(table), float(table.frame().length.iloc[0])
    (1, 5.0)
    """
    check_kinds(name, shapes.kinds())
    return LateTable(name, checked_columns(name, columns), shapes, crs)


@steady_memory()
def arrow_of(frame: gpd.GeoDataFrame | pd.DataFrame) -> pa.Table:
    """A table of the rooms as an Arrow table, its geometry as WKB.

    Parameters
    ----------
    frame
        n rows, with `geometry` or without.

    Returns
    -------
    pyarrow.Table
        The frame's columns in order, `geometry` last, with GeoParquet metadata (version 1.1).

    Examples
    --------
    >>> spot = gpd.GeoDataFrame({"name": ["Elm"]}, geometry=[shapely.Point(1, 2)], crs="EPSG:32613")
    >>> arrow_of(spot).column_names
    ['name', 'geometry']
    """
    if not isinstance(frame, gpd.GeoDataFrame):
        return pa.Table.from_pandas(frame, preserve_index=False)
    geometry = np.asarray(frame.geometry.array)
    return _with_wkb(
        pa.Table.from_pandas(pd.DataFrame(frame.drop(columns="geometry")), preserve_index=False),
        pa.array(shapely.to_wkb(geometry, include_srid=False), pa.binary()),
        sorted(geometry_kinds(geometry) - {"None"}),
        shapely.total_bounds(geometry).tolist() if len(geometry) else [np.nan] * 4,
        frame.crs,
    )


def geo_metadata(kinds: Sequence[str], extent: Sequence[float], crs: object) -> bytes:
    """The key `geo` of a GeoParquet file, version 1.1.0, with one geometry column as WKB.

    Parameters
    ----------
    kinds
        Kinds of geometry that occur.
    extent
        Least x and y, greatest x and y; NaN where there is nothing.
    crs
        CRS of the coordinates; None leaves it open.

    Returns
    -------
    bytes
        JSON.

    Examples
    --------
    >>> json.loads(geo_metadata(["Point"], [0.0, 0.0, 1.0, 1.0], None))["columns"]["geometry"]["encoding"]
    'WKB'
    """
    column: dict[str, Any] = {
        "encoding": "WKB",
        "geometry_types": sorted(kinds),
        "crs": None if crs is None else json.loads(_projjson(CRS.from_user_input(crs).to_wkt())),
    }
    if np.isfinite(extent).all():
        column["bbox"] = list(extent)
    described = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    return json.dumps(described).encode()


def _columns_to_arrow(columns: Mapping[str, Any]) -> pa.Table:
    return pa.Table.from_pandas(pd.DataFrame(dict(columns), copy=False), preserve_index=False)


def _with_wkb(
    plain: pa.Table,
    wkb: pa.Array | pa.ChunkedArray,
    kinds: Sequence[str],
    extent: Sequence[float],
    crs: object,
) -> pa.Table:
    known = {"crs": json.loads(_projjson(CRS.from_user_input(crs).to_wkt()))} if crs is not None else {}
    described = {"ARROW:extension:name": "geoarrow.wkb", "ARROW:extension:metadata": json.dumps(known)}
    table = plain.append_column(pa.field("geometry", wkb.type, metadata=described), wkb)
    return table.replace_schema_metadata(
        {**(plain.schema.metadata or {}), b"geo": geo_metadata(kinds, extent, crs)}
    )


@lru_cache(maxsize=16)
def _projjson(wkt: str) -> str:
    return CRS.from_wkt(wkt).to_json()
