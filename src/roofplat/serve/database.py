"""The layers of a build as collections of a web service, out of a database.

In: a PostgreSQL database that `roofplat build --to` has written, and what a request asks of one layer.
Out: the same pages of GeoJSON features as `layers.py` gives from the file of the same build.

pygeoapi's own PostgreSQL provider asks the database. What it does not know is added here: values of the
column's type, boxes that are drawn in the CRS of the layer, whole pages moved to longitude and latitude at
once, and faults as one sentence that does not tell where the database is.
"""

from __future__ import annotations

import contextlib
import datetime
import selectors
import threading
import time
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import psycopg2
import psycopg2.extensions
import shapely
import sqlalchemy
from geoalchemy2.shape import from_shape
from pygeoapi.provider.base import (
    ProviderGenericError,
    ProviderInvalidQueryError,
    ProviderItemNotFoundError,
)
from pygeoapi.provider.sql import PostgreSQLProvider, get_table_model
from pyproj import CRS, Transformer
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from roofplat.ground.transformers import transformer
from roofplat.publish.database import (
    GEOMETRY,
    DatabaseAddress,
    connect,
    database_fault,
    hold_tables,
    open_connection,
    options_of,
    our_tables,
    postgis_schema,
    read_address,
    read_build,
    reader_settings,
    reading_fault,
)
from roofplat.publish.layers import DESCRIPTIONS, LAYER_IDS, caution_of
from roofplat.serve.items import (
    DATE_COLUMNS,
    KEY,
    NEVER,
    LayerBusyError,
    boxes_near,
    fields_of,
    interval_of,
    outward,
    places_of,
    ring_of,
    title_of,
    value_of,
)

__all__ = ["DatabaseLayer", "DatabaseSource", "collections"]

_CRS84 = "OGC:CRS84"
_EVERYWHERE = (-180.0, -90.0, 180.0, 90.0)
_PAGE = 100
# The database is asked for the name of its build this often at most.
_LOOK_S = 1.0
# The database breaks off by itself what takes too long, and is given so much longer to say so.
_GRACE_S = 2.0
# What pygeoapi's provider takes by name; the rest goes to libpq as it is.
_NAMED = ("host", "port", "dbname", "user")
_KINDS: Mapping[type, str] = {bool: "BOOLEAN", int: "INTEGER", float: "REAL", datetime.date: "DATE"}


def collections(address: DatabaseAddress, *, query_seconds: float) -> list[dict[str, Any]]:
    """The layers of the build that a database holds, as collections of a service.

    Parameters
    ----------
    address
        From `publish.database.read_address`.
    query_seconds
        How long one look into the database may take.

    Returns
    -------
    list of dict
        As `layers.collections` gives them.

    Raises
    ------
    DatabaseError
        The database cannot be reached, or holds no build.
    """
    # A build may have other columns than the one before.
    get_table_model.cache_clear()
    with (
        connect(address, settings=reader_settings(query_seconds)) as connection,
        connection.cursor() as cursor,
    ):
        there = our_tables(cursor, address)
        names = [name for name in DESCRIPTIONS if name in there]
        hold_tables(cursor, address, ["buildings", *names])
        postgis = postgis_schema(cursor, address)
        cursor.execute(
            "SELECT f_table_name, srid FROM geometry_columns WHERE f_table_schema = %s", (address.schema,)
        )
        srids = dict(cursor.fetchall())
        extents = {name: _extent(cursor, name, srids[name]) for name in names if name in srids}
    boxes = np.array([box for box in extents.values() if box is not None]).reshape(-1, 4)
    every: Sequence[float] = _EVERYWHERE
    if len(boxes):
        every = (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist())
    settings = {**reader_settings(query_seconds), "search_path": f"{address.schema},{postgis}"}
    libpq = {key: value for key, value in address.given.items() if key not in _NAMED}
    data = {
        **{key: address.given[key] for key in _NAMED if key in address.given},
        "search_path": [address.schema],
        **({} if address.password is None else {"password": address.password}),
    }
    made = []
    for name in names:
        provider: dict[str, Any] = {
            "type": "feature",
            "name": f"{__name__}.{DatabaseLayer.__name__}",
            "data": data,
            "options": {"connect_timeout": "10", **libpq, "options": options_of(libpq, settings)},
            "table": name,
            "id_field": LAYER_IDS.get(name, KEY),
            "geom_field": GEOMETRY,
            "extent": None if (box := extents.get(name)) is None else list(box),
            "srid": srids.get(name),
        }
        if name in DATE_COLUMNS:
            provider["time_field"] = DATE_COLUMNS[name]
        made.append(
            {
                "id": name,
                "title": title_of(name),
                "description": DESCRIPTIONS[name],
                "extent": outward(extents.get(name) or every),
                "provider": provider,
            }
        )
    return made


class DatabaseLayer(PostgreSQLProvider):  # type: ignore[misc]  # pygeoapi has no types
    """One layer in a database, read alone; pygeoapi makes one for each request.

    pygeoapi keeps the connections, and what the tables look like. Column names come from the database itself
    and values are bound, so nothing of a request becomes part of a statement.
    """

    def __init__(self, provider_def: Mapping[str, Any]) -> None:
        """Look at the layer.

        Parameters
        ----------
        provider_def
            As `collections` makes it.

        Raises
        ------
        LayerBusyError
            The database cannot be read.
        """
        self._extent = None if provider_def["extent"] is None else tuple(provider_def["extent"])
        self._srid = provider_def["srid"]
        self._wanted: Sequence[str] = ()
        try:
            with self._speaking():
                super().__init__(dict(provider_def))
        except LayerBusyError:
            raise
        except ProviderGenericError:
            # pygeoapi's own sentence names the machine.
            raise LayerBusyError(user_msg=str(reading_fault(OSError()))) from None

    def get_fields(self) -> dict[str, dict[str, Any]]:
        """Columns with their types as JSON Schema has them; as `layers.GeoPackageLayer` gives them."""
        fields: dict[str, dict[str, Any]] = self._fields
        if not fields:
            fields |= fields_of(self.table, self._kinds())
        return fields

    def query(
        self,
        offset: int = 0,
        limit: int = _PAGE,
        resulttype: str = "results",
        bbox: Sequence[float] = (),
        datetime_: str | None = None,
        properties: Sequence[tuple[str, str]] = (),
        sortby: Sequence[Mapping[str, str]] = (),
        select_properties: Sequence[str] = (),
        skip_geometry: bool = False,
        q: str | None = None,
        **other: Any,
    ) -> dict[str, Any]:
        """A page of features; see `layers.GeoPackageLayer.query`, which takes and gives the same.

        Raises
        ------
        ProviderInvalidQueryError
            A value cannot be one of its column, or the box or the interval is none.
        LayerBusyError
            The database cannot be read, or it took too long.
        """
        del q, other
        self._wanted = [name for name in self.fields if not select_properties or name in select_properties]
        with self._speaking():
            page: dict[str, Any] = super().query(
                offset=offset,
                limit=limit,
                resulttype=resulttype,
                bbox=bbox,
                datetime_=datetime_,
                properties=properties,
                sortby=[entry for entry in sortby if entry["property"] in self.fields],
                select_properties=self._wanted,
                skip_geometry=skip_geometry,
            )
        self._place(page["features"])
        return {**page, "caution": caution_of(self.table)}

    def get(self, identifier: str, **other: Any) -> dict[str, Any]:
        """One feature by its id; see `layers.GeoPackageLayer.get`.

        Raises
        ------
        ProviderItemNotFoundError
            There is none.
        LayerBusyError
            As for `query`.
        """
        del other
        self._wanted = list(self.fields)
        item = None
        with contextlib.suppress(ProviderInvalidQueryError):
            value = value_of(self.id_field, self._kinds(with_key=True)[self.id_field], identifier)
            if value is not NEVER and "\0" not in identifier:
                with self._speaking(), Session(self._engine) as session:
                    item = session.get(self.table_model, value)
        if item is None:
            raise ProviderItemNotFoundError(
                user_msg=f"There is no {identifier[:60]!r} in {self.table}; list its items first."
            )
        feature = self._sqlalchemy_to_feature(item)
        self._place([feature])
        return {**feature, "caution": caution_of(self.table)}

    @contextlib.contextmanager
    def _speaking(self) -> Iterator[None]:
        """Turn a fault of the database into a sentence."""
        try:
            yield
        except SQLAlchemyError as error:
            fault = getattr(error, "orig", None) or error
            if isinstance(fault, psycopg2.DataError):
                raise ProviderInvalidQueryError(
                    user_msg="A number of the request is larger than any row can have; ask for less."
                ) from None
            raise LayerBusyError(user_msg=str(reading_fault(fault))) from None

    def _kinds(self, *, with_key: bool = False) -> dict[str, str]:
        """Column to kind of value, in order, without the number of the row and the geometry."""
        return {
            column.name: _KINDS.get(column.type.python_type, "TEXT")
            for column in self.table_model.__table__.columns
            if column.name != self.geom and (with_key or column.name != KEY)
        }

    def _sqlalchemy_to_feature(self, item: Any, crs_transform_out: object = None) -> dict[str, Any]:
        """A row as a feature whose geometry is still the database's; see `_place`."""
        del crs_transform_out
        held = item.__dict__
        said = {name: held[name] for name in self._wanted}
        for name, value in said.items():
            if isinstance(value, datetime.date):
                said[name] = value.isoformat()
        return {
            "type": "Feature",
            "id": held[self.id_field],
            "properties": said,
            "geometry": held.get(self.geom),
        }

    def _place(self, features: Sequence[dict[str, Any]]) -> None:
        """Give all features of a page their places in longitude and latitude."""
        if self._srid is None or all(feature["geometry"] is None for feature in features):
            return
        binary = [None if one is None else bytes(one.data) for one in (f["geometry"] for f in features)]
        shapes = np.asarray(shapely.from_wkb(np.array(binary, dtype=object)), dtype=object)
        to_lonlat, _ = _ways(self._srid)
        for feature, place in zip(features, places_of(shapes, to_lonlat), strict=True):
            feature["geometry"] = place

    def _get_property_filters(self, properties: Sequence[tuple[str, str]]) -> Any:
        """Columns have values of their own type."""
        kinds = self._kinds()
        clauses: list[Any] = [sqlalchemy.true()]
        for name, text in properties:
            if name not in kinds:
                raise ProviderInvalidQueryError(user_msg=f"The layer {self.table} has no column {name!r}.")
            value = value_of(name, kinds[name], text)
            # PostgreSQL keeps no text with a zero in it.
            never = value is NEVER or "\0" in text
            clauses.append(sqlalchemy.false() if never else getattr(self.table_model, name) == value)
        return sqlalchemy.and_(*clauses)

    def _get_bbox_filter(self, bbox: Sequence[float]) -> Any:
        """Rows whose geometry meets a box, or one of two, as it is drawn in their own CRS."""
        boxes = boxes_near(bbox, self._extent) if bbox else None
        if boxes is None:
            return sqlalchemy.true()
        if not boxes:
            return sqlalchemy.false()
        _, from_lonlat = _ways(self._srid)
        place = getattr(self.table_model, self.geom)
        clauses: list[Any] = []
        for box in boxes:
            ring = ring_of(box, from_lonlat).reshape(-1, 2)
            solid = box[0] < box[2] and box[1] < box[3]
            shape: Any = shapely.polygons(ring) if solid else shapely.linestrings(ring)
            clauses.append(sqlalchemy.func.ST_Intersects(place, from_shape(shape, srid=self._srid)))
        return sqlalchemy.or_(*clauses)

    def _get_datetime_filter(self, datetime_: str | None) -> Any:
        """A date lies in an interval; rows without a date do not."""
        if not datetime_ or self.time_field not in self.fields:
            return sqlalchemy.true()
        column = getattr(self.table_model, self.time_field)
        first, last = interval_of(datetime_)
        clauses = [column.is_not(None)]
        clauses += [] if first is None else [column >= first]
        clauses += [] if last is None else [column <= last]
        return sqlalchemy.and_(*clauses)

    def _get_order_by_clauses(self, sort_by: Sequence[Mapping[str, str]], table_model: Any) -> list[Any]:
        """Empty cells come first, and equal rows in the order of the layer, as in a file."""
        clauses = []
        for entry in sort_by:
            column = getattr(table_model, entry["property"])
            clauses.append(
                column.desc().nulls_last() if entry["order"] == "-" else column.asc().nulls_first()
            )
        return [*clauses, getattr(table_model, KEY).asc()]


class DatabaseSource:
    """The layers in a database, as `source.Source` are those in files."""

    def __init__(self, url: str, query_seconds: float) -> None:
        """Take the address; nothing is asked yet.

        Raises
        ------
        DistrictFileError
            It is no address of a database.
        """
        self._address = read_address(url)
        self._seconds = query_seconds
        # Of the whole process, for pygeoapi's connections too: a database that hangs, and answers nothing,
        # would take one thread of the server after the other.
        psycopg2.extensions.set_wait_callback(_patient(query_seconds + _GRACE_S))
        self._lock = threading.Lock()
        self._connection: Any = None
        self._build: str | None = None
        self._looked_s = 0.0
        self._known = False

    def identity(self) -> Hashable:
        """A value that is another one when the layers are; the database is asked now and then.

        Raises
        ------
        DatabaseError
            It cannot be asked.
        """
        return self.build()

    def build(self) -> str:
        """Name of the build.

        Raises
        ------
        DatabaseError
            The database cannot be asked, or holds no build.
        """
        with self._lock:
            if self._build is None or time.monotonic() - self._looked_s > _LOOK_S:
                self._build = None
                self._build = self._read_build()
                self._looked_s = time.monotonic()
                self._known = True
            return self._build

    def collections(self) -> list[dict[str, Any]]:
        """The collections there are now, as `api_config` takes them.

        Raises
        ------
        DatabaseError
            As for `build`.
        """
        return collections(self._address, query_seconds=self._seconds)

    def _read_build(self) -> str:
        try:
            if self._connection is None or self._connection.closed:
                self._connection = open_connection(self._address, settings=reader_settings(self._seconds))
            try:
                with self._connection.cursor() as cursor:
                    return read_build(cursor, self._address)
            finally:
                self._connection.rollback()
        except psycopg2.Error as error:
            if self._connection is not None:
                self._connection.close()
                self._connection = None
            # Who starts the service is told all, who asks it is not.
            fault = reading_fault(error) if self._known else database_fault(self._address, error)
            raise fault from None


def _patient(seconds: float) -> Callable[[Any], None]:
    """Waits for an answer of a database for so long at most; psycopg2 calls it instead of its own way."""

    def wait(connection: Any) -> None:
        until = time.monotonic() + seconds
        while (state := connection.poll()) != psycopg2.extensions.POLL_OK:
            event = selectors.EVENT_READ if state == psycopg2.extensions.POLL_READ else selectors.EVENT_WRITE
            with selectors.DefaultSelector() as selector:
                selector.register(connection.fileno(), event)
                if not selector.select(max(0.0, until - time.monotonic())):
                    raise psycopg2.OperationalError("no answer in time")

    return wait


@cache
def _ways(srid: int) -> tuple[Transformer, Transformer]:
    """From the CRS of a layer to longitude and latitude, and back."""
    own, lonlat = CRS.from_epsg(srid), CRS.from_user_input(_CRS84)
    return transformer(own, lonlat), transformer(lonlat, own)


def _extent(cursor: Any, name: str, srid: int) -> tuple[float, float, float, float] | None:
    """West, south, east and north of a layer, CRS84 degrees; None where it has no rows."""
    from psycopg2 import sql

    cursor.execute(
        sql.SQL("SELECT ST_XMin(box), ST_YMin(box), ST_XMax(box), ST_YMax(box) FROM "
                "(SELECT ST_Extent({}) AS box FROM {}) AS whole").format(
            sql.Identifier(GEOMETRY), sql.Identifier(name)
        )
    )  # fmt: skip
    edges = cursor.fetchone()
    if edges[0] is None:
        return None
    to_lonlat, _ = _ways(srid)
    west, south, east, north = to_lonlat.transform_bounds(*edges)
    return west, south, east, north
