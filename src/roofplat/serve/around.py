"""What a sheet shows of a building beside its plan, out of the built layers.

In: the build, an id.
Out: rows of the layers that speak of the building or lie near it, as frames in the working CRS.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.errors import LayerError
from roofplat.publish.layers import contents_of
from roofplat.publish.stock import FILE_FAULTS, StockSetting, open_as_it_is, strange_building
from roofplat.record.store import well_known_binary
from roofplat.tables import TABLES, conform

__all__ = ["LayerRows", "Layers", "open_layers", "rows_around"]

_OF_BUILDING = ("facts", "section_facts", "ranking", "survey_next", "solar_access")
_NEAR = ("buildings", "obstacles", "ground", "streets", "areas", "stations")
# A sheet shows a building's own size around it, and at least this; a little more does no harm.
_LEAST_REACH_FT, _MORE = 150.0, 1.1


@dataclass(frozen=True, slots=True)
class LayerRows:
    """Some rows of a layer.

    cells
        The values of each column, n long, as a database hands them out.
    shapes
        Geometry, shape (n,); None where there is none.
    """

    cells: Mapping[str, Sequence[Any]]
    shapes: npt.NDArray[np.object_]


class Layers(Protocol):
    """The layers of a build, for one thread at a time."""

    @property
    def build(self) -> str:
        """Names the build that the layers are of; empty where they are of none that is whole."""
        ...

    def of_building(self, layer: str, building_id: str) -> LayerRows:
        """Rows of a layer that name a building."""
        ...

    def near(self, layer: str, box: tuple[float, float, float, float]) -> LayerRows:
        """Rows of a layer whose bounds meet a box, x before y, in the working CRS."""
        ...


@contextlib.contextmanager
def open_layers(folder: Path, database: str | None = None, *, query_seconds: float) -> Iterator[Layers]:
    """Hold the layers of a build while the block runs.

    Parameters
    ----------
    folder
        Of the build.
    database
        `postgresql://...` where they are in a database instead.
    query_seconds
        How long one look into a database may take.

    Yields
    ------
    Layers

    Raises
    ------
    LayerError
        They cannot be read.
    """
    if database is None:
        with contextlib.closing(_FileLayers(folder)) as layers:
            yield layers
        return
    from roofplat.publish.database import connect, hold_tables, read_address, read_build, reader_settings

    address = read_address(database)
    with (
        connect(address, settings=reader_settings(query_seconds)) as connection,
        connection.cursor() as cursor,
    ):
        hold_tables(cursor, address, [*{*_OF_BUILDING, *_NEAR}, "planner_setting"])
        yield _DatabaseLayers(cursor, address.schema, read_build(cursor, address))


class _FileLayers:
    """The layers in `layers.gpkg`, from whatever file was there when it was opened."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "layers.gpkg"
        stock, _ = open_as_it_is(folder / "planner.gpkg")
        with contextlib.closing(stock):
            self._connection, _ = open_as_it_is(self._path)
            try:
                said = json.loads(stock.execute("SELECT json FROM setting").fetchone()[0])
                # A build puts its files in place one by one: for a moment they are of two builds.
                together = said["layers"] == contents_of(self._connection)
                self.build = str(said["build"]) if together else ""
            except (*FILE_FAULTS, ValueError, TypeError, KeyError, RecursionError):
                self._connection.close()
                raise LayerError(
                    "layers.gpkg and planner.gpkg cannot be read together; build the district again."
                ) from None

    def close(self) -> None:
        self._connection.close()

    def of_building(self, layer: str, building_id: str) -> LayerRows:
        return self._rows(f"SELECT * FROM {_known(layer)} WHERE building_id = ? ORDER BY fid", (building_id,))

    def near(self, layer: str, box: tuple[float, float, float, float]) -> LayerRows:
        west, south, east, north = box
        return self._rows(
            f"SELECT * FROM {_known(layer)} WHERE fid IN (SELECT id FROM rtree_{_known(layer)}_geom "
            "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?) ORDER BY fid",
            (west, east, south, north),
        )

    def _rows(self, query: str, values: tuple[object, ...]) -> LayerRows:
        try:
            with contextlib.closing(self._connection.execute(query, values)) as cursor:
                columns = [entry[0] for entry in cursor.description]
                rows = cursor.fetchall()
        except FILE_FAULTS as error:
            raise LayerError(f"{self._path} cannot be read ({error}); build it again.") from None
        cells, blobs = _columns(columns, rows)
        try:
            return LayerRows(cells, np.asarray(shapely.from_wkb(well_known_binary(blobs)), dtype=object))
        except (shapely.errors.ShapelyError, IndexError, TypeError):
            raise LayerError(f"{self._path} cannot be read, it may be damaged; build it again.") from None


class _DatabaseLayers:
    """The layers in a database, held so that none of them is replaced."""

    def __init__(self, cursor: Any, schema: str, build: str) -> None:
        self._cursor = cursor
        self.build = build
        cursor.execute("SELECT Find_SRID(%s, 'buildings', 'geom')", (schema,))
        self._srid = int(cursor.fetchone()[0])

    def of_building(self, layer: str, building_id: str) -> LayerRows:
        return self._rows(
            f"SELECT * FROM {_known(layer)} WHERE building_id = %s ORDER BY fid", (building_id,)
        )

    def near(self, layer: str, box: tuple[float, float, float, float]) -> LayerRows:
        return self._rows(
            f"SELECT * FROM {_known(layer)} WHERE geom && ST_MakeEnvelope(%s, %s, %s, %s, %s) ORDER BY fid",
            (*box, self._srid),
        )

    def _rows(self, query: str, values: tuple[object, ...]) -> LayerRows:
        self._cursor.execute(query, values)
        columns = [entry.name for entry in self._cursor.description]
        cells, shapes = _columns(columns, self._cursor.fetchall())
        made = shapely.from_wkb(np.array(shapes, dtype=object))
        return LayerRows(cells, np.asarray(shapely.set_srid(made, 0), dtype=object))


def _columns(
    columns: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> tuple[dict[str, Sequence[Any]], Sequence[Any]]:
    """Rows as columns, and that of the geometry apart; nothing but None where there is none."""
    held = zip(*rows, strict=True) if rows else ((),) * len(columns)
    cells: dict[str, Sequence[Any]] = dict(zip(columns, held, strict=True))
    return cells, cells.pop("geom", (None,) * len(rows))


def rows_around(layers: Layers, building_id: str, setting: StockSetting) -> dict[str, Any]:
    """Read what a sheet shows of a building beside its plan.

    Parameters
    ----------
    layers
        Of the build.
    building_id
        A building of the district.
    setting
        What holds for the district.

    Returns
    -------
    dict
        `buildings` (this one and those near it), `facts`, `section_facts`, `ranking`, `survey_next`,
        `solar_access` of this one; `obstacles` of no building, `ground`, `streets`, `areas` and `stations`
        near it.

    Raises
    ------
    DistrictFileError
        The layers do not have the building.
    LayerError
        They cannot be read.
    """
    own = layers.of_building("buildings", building_id).shapes
    if not len(own):
        raise strange_building(building_id, [])
    west, south, east, north = shapely.total_bounds(own).tolist()
    more = _MORE * max(east - west, north - south, _LEAST_REACH_FT * setting.units_per_ft)
    box = (west - more, south - more, east + more, north + more)
    tables = {name: _frame(name, layers.of_building(name, building_id), setting) for name in _OF_BUILDING}
    tables |= {name: _frame(name, layers.near(name, box), setting) for name in _NEAR}
    free = tables["obstacles"]["building_id"].isna()
    tables["obstacles"] = tables["obstacles"][free].reset_index(drop=True)
    return tables


def _frame(name: str, rows: LayerRows, setting: StockSetting) -> Any:
    """Rows as the rooms hand them on."""
    if name not in TABLES:
        names = pd.Series(list(rows.cells["name"]), dtype="str")
        return gpd.GeoDataFrame({"name": names}, geometry=rows.shapes, crs=setting.crs)
    columns = {}
    for key, column in TABLES[name].columns.items():
        values = rows.cells[key]
        if column.dtype == "boolean":
            # A file knows numbers alone.
            values = [None if value is None else bool(value) for value in values]
        columns[key] = pd.Series(list(values), dtype=object)
    return conform(name, pd.DataFrame(columns), geometry=rows.shapes, crs=setting.crs)


def _known(layer: str) -> str:
    """A layer's name as SQL takes it: one of those above, and nothing else."""
    if layer not in (*_OF_BUILDING, *_NEAR):
        raise ValueError(f"{layer!r} is no layer of a sheet.")
    return layer
