"""The stock that buildings are planned from, read out of a database.

In: the address of a database that holds a build.
Out: `DatabaseStock`: the same rows as `stock.FileStock` gives from `planner.gpkg`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from roofplat.errors import DatabaseError, RoofplatError
from roofplat.publish.database import (
    GEOMETRY,
    STOCK_PREFIX,
    DatabaseAddress,
    hold_tables,
    open_connection,
    read_build,
    reader_settings,
    reading_fault,
)
from roofplat.publish.stock import (
    STOCK_LAYERS,
    StockRows,
    StockSetting,
    read_setting,
    stock_frame,
    strange_building,
    street_reach_ft,
)

__all__ = ["DatabaseStock"]

_TABLES = (*STOCK_LAYERS, "setting")
# Ids on either side that are compared with one that does not exist.
_LOOKED_AT = 200
# Walls are straight runs, a little off the outline, and ladders stand before them.
_OFF_OUTLINE_FT = 10.0
_OWN = "SELECT fid FROM {table} WHERE building_id = ANY(%(ids)s)"
# The boxes of the buildings asked for, a little larger.
_BOXES = (
    "unnest(%(west)s::float8[], %(south)s::float8[], %(east)s::float8[], %(north)s::float8[]) "
    "AS edge(west, south, east, north) CROSS JOIN "
    "LATERAL (SELECT ST_MakeEnvelope(west - {off}, south - {off}, east + {off}, north + {off}, %(srid)s) "
    "AS around) AS box"
)
_IN_REACH = (
    "SELECT fid FROM " + _BOXES.format(off="%(reach)s") + " JOIN {table} ON {table}.geom && box.around"
)
_STREETS_IN_REACH = _IN_REACH.replace("%(reach)s", "%(street_reach)s")
# Without one of the roofs around it a yard that buildings enclose would be open.
_AROUND_YARDS = (
    "SELECT {table}.fid FROM "
    + _BOXES.format(off="%(near)s")
    + f" JOIN {STOCK_PREFIX}yards AS yard ON yard.geom && box.around "
    "JOIN {table} ON ST_Intersects({table}.geom, yard.geom)"
)
# From any place of a box the nearest street is no farther than the one nearest to it and across the box.
_NEAREST = (
    "SELECT {table}.fid FROM "
    + _BOXES.format(off="%(near)s")
    + " CROSS JOIN LATERAL (SELECT other.geom <-> box.around AS far FROM {table} AS other "
    "ORDER BY other.geom <-> box.around LIMIT 1) AS nearest "
    "JOIN {table} ON {table}.geom && ST_Expand(box.around, nearest.far + ST_Distance("
    "ST_Point(ST_XMin(box.around), ST_YMin(box.around)), ST_Point(ST_XMax(box.around), ST_YMax(box.around))))"
)


class DatabaseStock:
    """The stock of the build that a database holds."""

    def __init__(self, address: DatabaseAddress, connection: Any) -> None:
        """Take over an open connection; see `open`."""
        self._address = address
        self._connection = connection
        with self._look() as cursor:
            cursor.execute(f"SELECT json FROM {STOCK_PREFIX}setting")
            self._setting = read_setting(cursor.fetchone()[0])
            cursor.execute("SELECT Find_SRID(%s, %s, %s)", (address.schema, f"{STOCK_PREFIX}roofs", GEOMETRY))
            self._srid = int(cursor.fetchone()[0])

    @classmethod
    def open(cls, address: DatabaseAddress, *, query_seconds: float) -> DatabaseStock:
        """Open the stock of the build that a database holds, to read it alone.

        Parameters
        ----------
        address
            From `read_address`.
        query_seconds
            How long one look may take.

        Returns
        -------
        DatabaseStock

        Raises
        ------
        DatabaseError
            The database cannot be reached, or holds no build.
        """
        import psycopg2

        try:
            connection = open_connection(address, settings=reader_settings(query_seconds))
        except psycopg2.Error as error:
            raise reading_fault(error) from None
        try:
            return cls(address, connection)
        except psycopg2.Error as error:
            connection.close()
            raise reading_fault(error) from None
        except RoofplatError:
            connection.close()
            raise

    @property
    def setting(self) -> StockSetting:
        """What holds for every building."""
        return self._setting

    def fresh(self) -> bool:
        """Whether the database still holds the build that was opened, and still answers."""
        try:
            with self._look() as cursor:
                return read_build(cursor, self._address) == self._setting.build
        except DatabaseError:
            return False

    def close(self) -> None:
        """Let go of the connection."""
        self._connection.close()

    def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
        """The rows that some buildings are planned by; see `stock.Stock.around`."""
        ids = list(dict.fromkeys(ids))
        with self._look() as cursor:
            if read_build(cursor, self._address) != self._setting.build:
                raise DatabaseError("The district was built anew this moment; ask again.")
            return self._around(cursor, ids, reach_ft)

    def _around(self, cursor: Any, ids: list[str], reach_ft: float) -> StockRows:
        cursor.execute(
            "SELECT building_id, min(ST_XMin(geom)), min(ST_YMin(geom)), max(ST_XMax(geom)), "
            f"max(ST_YMax(geom)) FROM {STOCK_PREFIX}roofs WHERE building_id = ANY(%s) GROUP BY building_id",
            (ids,),
        )
        boxes = {name: box for name, *box in cursor.fetchall()}
        for name in ids:
            if name not in boxes:
                raise strange_building(name, self._beside(cursor, name))
        edges = np.array([boxes[name] for name in ids], dtype=float).reshape(-1, 4).T.tolist()
        given = {
            **dict(zip(("west", "south", "east", "north"), edges, strict=True)),
            "ids": ids,
            "reach": reach_ft * self._setting.units_per_ft,
            "street_reach": street_reach_ft(self._setting, reach_ft) * self._setting.units_per_ft,
            "near": _OFF_OUTLINE_FT * self._setting.units_per_ft,
            "srid": self._srid,
        }
        free = f"{_IN_REACH} WHERE building_id IS NULL"
        asked_first = "array_position(%(ids)s::text[], building_id), fid"
        return StockRows(
            roofs=self._rows(
                cursor, "roofs", f"{_OWN} UNION {_IN_REACH} UNION {_AROUND_YARDS}", given, order=asked_first
            ),
            obstacles=self._rows(cursor, "obstacles", f"{_OWN} UNION {free}", given),
            ground=self._rows(cursor, "ground", _IN_REACH, given),
            streets=self._rows(cursor, "streets", f"{_STREETS_IN_REACH} UNION {_NEAREST}", given),
            walls=self._rows(cursor, "drawn_walls", _IN_REACH, given),
            fires=self._rows(cursor, "fires", _OWN, given),
        )

    def _rows(
        self, cursor: Any, name: str, wanted: str, given: Mapping[str, Any], *, order: str = "fid"
    ) -> gpd.GeoDataFrame:
        """The rows of a layer whose numbers a query names."""
        table = f"{STOCK_PREFIX}{name}"
        numbers = wanted.format(table=table)
        cursor.execute(f"SELECT * FROM {table} WHERE fid IN ({numbers}) ORDER BY {order}", given)
        columns = [entry.name for entry in cursor.description]
        found = cursor.fetchall()
        cells: Mapping[str, Sequence[Any]] = dict.fromkeys(columns, ())
        if found:
            cells = dict(zip(columns, zip(*found, strict=True), strict=True))
        shapes = np.asarray(shapely.from_wkb(np.array(cells[GEOMETRY], dtype=object)), dtype=object)
        return stock_frame(name, cells, shapely.set_srid(shapes, 0), self._setting.crs)

    def _beside(self, cursor: Any, name: str) -> list[str]:
        """Ids around the place that one would have in the order of all."""
        cursor.execute(
            f"(SELECT DISTINCT building_id FROM {STOCK_PREFIX}roofs WHERE building_id >= %(name)s "
            "ORDER BY building_id LIMIT %(count)s) UNION ALL "
            f"(SELECT DISTINCT building_id FROM {STOCK_PREFIX}roofs WHERE building_id < %(name)s "
            "ORDER BY building_id DESC LIMIT %(count)s)",
            {"name": name, "count": _LOOKED_AT},
        )
        return sorted(found for (found,) in cursor.fetchall())

    @contextlib.contextmanager
    def _look(self) -> Iterator[Any]:
        """One look at the tables of one build: none of them is replaced until it is over."""
        import psycopg2

        try:
            with self._connection.cursor() as cursor:
                hold_tables(cursor, self._address, [f"{STOCK_PREFIX}{name}" for name in _TABLES])
                yield cursor
        except psycopg2.Error as error:
            raise reading_fault(error) from None
        finally:
            with contextlib.suppress(psycopg2.Error):
                self._connection.rollback()
