"""The layers of a build as collections of a web service, straight from their file.

In: `layers.gpkg`, and what a request of OGC API Features asks of one layer.
Out: pages of GeoJSON features in longitude and latitude, and the collections for pygeoapi's configuration.

Which items a request selects follows OGC 17-069r4, OGC API - Features - Part 1: Core, section 7.15: those
whose geometry meets the box (requirement fc-bbox-response), and those whose date lies in the interval
(requirement fc-time-response).
"""

from __future__ import annotations

import contextlib
import datetime
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pygeoapi.provider.base import BaseProvider, ProviderInvalidQueryError, ProviderItemNotFoundError

from roofplat.errors import LayerError
from roofplat.publish.layers import LAYER_IDS, caution_of
from roofplat.record.store import well_known_binary
from roofplat.serve.items import (
    DATE_COLUMNS,
    KEY,
    NEVER,
    Box,
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
from roofplat.serve.packages import Layer, Package, damaged, open_package, package_of, quoted

__all__ = ["GeoPackageLayer", "LayerBusyError", "collections"]

_SECONDS = 10.0
_PAGE = 100
# Part of a query: what must hold, and the values for its question marks.
_Where = tuple[str, list[Any]]


def collections(path: str | Path, *, query_seconds: float = _SECONDS) -> list[dict[str, Any]]:
    """The layers of a build as collections of a service.

    Parameters
    ----------
    path
        `layers.gpkg` in the folder of the build.
    query_seconds
        How long one look into the file may take.

    Returns
    -------
    list of dict
        Each with `id`, `title`, `description`, `extent` (west, south, east, north; CRS84 degrees) and
        `provider`, which pygeoapi loads. A layer without geometry has the extent of all.

    Raises
    ------
    LayerError
        The file is missing or cannot be read.
    """
    path = Path(path).absolute()
    # Not the one that the requests keep: who asks for this may be about to start processes.
    with contextlib.closing(open_package(path)) as package:
        layers = [package.layer(name) for name in package.names()]
    boxes = np.array([layer.lonlat for layer in layers if layer.lonlat is not None]).reshape(-1, 4)
    every = (-180.0, -90.0, 180.0, 90.0)
    if len(boxes):
        every = (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist())
    made = []
    for layer in layers:
        provider: dict[str, Any] = {
            "type": "feature",
            "name": f"{__name__}.{GeoPackageLayer.__name__}",
            "data": str(path),
            "table": layer.name,
            "id_field": LAYER_IDS.get(layer.name, KEY),
            "query_seconds": query_seconds,
        }
        if layer.name in DATE_COLUMNS:
            provider["time_field"] = DATE_COLUMNS[layer.name]
        made.append(
            {
                "id": layer.name,
                "title": title_of(layer.name),
                "description": layer.description,
                "extent": outward(layer.lonlat or every),
                "provider": provider,
            }
        )
    return made


class GeoPackageLayer(BaseProvider):  # type: ignore[misc]  # pygeoapi has no types
    """One layer of a GeoPackage, read alone; pygeoapi makes one for each request.

    What it keeps between requests is in `packages.py`. Column names come from the file itself, values are
    bound, so nothing of a request becomes part of a statement.
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
            The file cannot be read.
        """
        super().__init__(provider_def)
        self._seconds = float(provider_def["query_seconds"])
        try:
            self._package: Package = package_of(Path(self.data))
            self._layer: Layer = self._package.layer(provider_def["table"])
        except LayerError as error:
            raise LayerBusyError(user_msg=str(error)) from None
        self.get_fields()

    def get_fields(self) -> dict[str, dict[str, Any]]:
        """Columns with their types as JSON Schema has them.

        Returns
        -------
        dict
            A type, a format for dates, and the allowed words where the table names them.
        """
        fields: dict[str, dict[str, Any]] = self._fields
        if not fields:
            kinds = {name: _plain(kind) for name, kind in self._layer.columns.items()}
            fields |= fields_of(self._layer.name, kinds)
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
        """A page of features.

        Parameters
        ----------
        offset, limit
            Features to leave out, and how many to give at most.
        resulttype
            `hits` gives the count alone.
        bbox
            West, south, east and north in CRS84 degrees; or six numbers, of which heights are not looked at.
            A west greater than the east goes across the 180th meridian.
        datetime_
            A day, or an interval of days with `/`, either end open as `..`; looks at `time_field`.
        properties
            Columns and the value that each must have, as text.
        sortby
            `property` and `order`, `+` or `-`; rows that are equal stay in the order of the layer.
        select_properties
            Columns wanted; none means all.
        skip_geometry
            Leave out where things are.
        q, other
            Not looked at.

        Returns
        -------
        dict
            A GeoJSON FeatureCollection with `numberMatched`, `numberReturned` and the caution.

        Raises
        ------
        ProviderInvalidQueryError
            A value cannot be one of its column, or the box or the interval is none.
        LayerBusyError
            The file cannot be read, or it took too long.
        """
        del q, other
        wheres = [self._has(name, value) for name, value in properties]
        if datetime_ and self.time_field in self._layer.columns:
            wheres.append(_within(quoted(self.time_field), datetime_))
        boxes = boxes_near(bbox, self._layer.lonlat) if bbox else None
        order = "".join(
            f"{quoted(entry['property'])} {'DESC' if entry['order'] == '-' else 'ASC'}, "
            for entry in sortby
            if entry["property"] in self._layer.columns
        )
        wanted = [name for name in self._layer.columns if not select_properties or name in select_properties]

        def look(cursor: Any) -> tuple[int, list[Any]]:
            if boxes is not None:
                wheres.append(self._in_boxes(cursor, boxes))
            held = " AND ".join(clause for clause, _ in wheres) or "1"
            values = [value for _, some in wheres for value in some]
            table = quoted(self._layer.name)
            matched = self._layer.rows
            if wheres:
                (matched,) = cursor.execute(f"SELECT count(*) FROM {table} WHERE {held}", values).fetchone()
            if resulttype == "hits" or offset >= matched:
                return matched, []
            cursor.execute(
                f"SELECT {self._columns(wanted, skip_geometry)} FROM {table} WHERE {held} "
                f"ORDER BY {order}{KEY} LIMIT ? OFFSET ?",
                [*values, limit, offset],
            )
            return matched, cursor.fetchall()

        matched, rows = self._read(look)
        features = self._features(rows, wanted, skip_geometry)
        return {
            "type": "FeatureCollection",
            "features": features,
            "numberMatched": matched,
            "numberReturned": len(features),
            "caution": caution_of(self._layer.name),
        }

    def get(self, identifier: str, **other: Any) -> dict[str, Any]:
        """One feature by its id.

        Parameters
        ----------
        identifier
            What `id` of the feature says.
        other
            Not looked at.

        Returns
        -------
        dict
            A GeoJSON Feature with the caution.

        Raises
        ------
        ProviderItemNotFoundError
            There is none.
        LayerBusyError
            As for `query`.
        """
        del other
        wanted = list(self._layer.columns)
        if self.id_field == KEY:
            clause, values = _numbered(identifier)
        else:
            clause, values = self._has(self.id_field, identifier)
        rows = self._read(
            lambda cursor: cursor.execute(
                f"SELECT {self._columns(wanted, False)} FROM {quoted(self._layer.name)} WHERE {clause} "
                f"ORDER BY {KEY} LIMIT 1",
                values,
            ).fetchall()
        )
        if not rows:
            raise ProviderItemNotFoundError(
                user_msg=f"There is no {identifier[:60]!r} in {self._layer.name}; list its items first."
            )
        return {**self._features(rows, wanted, False)[0], "caution": caution_of(self._layer.name)}

    def _read(self, look: Callable[[Any], Any]) -> Any:
        try:
            with self._package.reading(self._seconds) as cursor:
                return look(cursor)
        except LayerError as error:
            raise LayerBusyError(user_msg=str(error)) from None

    def _columns(self, wanted: Sequence[str], skip_geometry: bool) -> str:
        own = LAYER_IDS.get(self._layer.name, KEY)
        names = [own, *wanted]
        if self._layer.geometry is not None and not skip_geometry:
            names.append(self._layer.geometry)
        return ", ".join(map(quoted, names))

    def _features(
        self, rows: Sequence[Sequence[Any]], wanted: Sequence[str], skip_geometry: bool
    ) -> list[dict[str, Any]]:
        with_place = self._layer.geometry is not None and not skip_geometry
        places = self._lonlat([row[-1] for row in rows]) if with_place else [None] * len(rows)
        flags = [name for name in wanted if self._layer.columns[name] == "BOOLEAN"]
        features = []
        for row, place in zip(rows, places, strict=True):
            # The id stands before the columns, the geometry after them.
            said = dict(zip(wanted, row[1:], strict=False))
            for name in flags:
                if said[name] is not None:
                    said[name] = bool(said[name])
            features.append({"type": "Feature", "id": row[0], "properties": said, "geometry": place})
        return features

    def _lonlat(self, blobs: Sequence[bytes | None]) -> list[Any]:
        """Geometry in longitude and latitude, as GeoJSON has it."""
        return places_of(self._shapes(blobs), self._package.to_lonlat(self._layer))

    def _shapes(self, blobs: Sequence[bytes | None]) -> npt.NDArray[np.object_]:
        """Geometry out of the blobs of the file."""
        try:
            return np.asarray(shapely.from_wkb(well_known_binary(blobs)), dtype=object)
        except (shapely.errors.ShapelyError, IndexError, TypeError):
            raise LayerBusyError(user_msg=str(damaged(self._package.path))) from None

    def _has(self, name: str, value: str) -> _Where:
        """A column has a value."""
        if name not in self._layer.columns:
            raise ProviderInvalidQueryError(user_msg=f"The layer {self._layer.name} has no column {name!r}.")
        found = value_of(name, _plain(self._layer.columns[name]), value)
        if found is NEVER:
            return _NEVER
        return f"{quoted(name)} = ?", [found.isoformat() if isinstance(found, datetime.date) else found]

    def _in_boxes(self, cursor: Any, boxes: Sequence[Box]) -> _Where:
        """Rows whose geometry meets any of some boxes."""
        found = [self._in_box(cursor, box) for box in boxes]
        if not found:
            return _NEVER
        return f"({' OR '.join(clause for clause, _ in found)})", [
            value for _, values in found for value in values
        ]

    def _in_box(self, cursor: Any, box: Box) -> _Where:
        """Rows whose geometry meets one box: the index answers for most, the rest is looked at."""
        corner = ring_of(box, self._package.from_lonlat(self._layer))
        ring = corner.reshape(-1, 2)
        outer = *ring.min(axis=0), *ring.max(axis=0)
        # South, east, north and west edge: a box between them lies wholly inside.
        inner = corner[3, :, 0].max(), corner[0, :, 1].max(), corner[1, :, 0].min(), corner[2, :, 1].min()
        index = quoted(f"rtree_{self._layer.name}_{self._layer.geometry}")
        within = "minx >= ? AND miny >= ? AND maxx <= ? AND maxy <= ?"
        table, place = quoted(self._layer.name), quoted(self._layer.geometry or "")
        rows = cursor.execute(
            f"SELECT {KEY}, {place} FROM {table} WHERE {KEY} IN (SELECT id FROM {index} WHERE "
            f"maxx >= ? AND maxy >= ? AND minx <= ? AND miny <= ? AND NOT ({within}))",
            [float(edge) for edge in (*outer, *inner)],
        ).fetchall()
        polygon = shapely.polygons(ring) if box[0] < box[2] and box[1] < box[3] else None
        shape = shapely.linestrings(ring) if polygon is None else polygon
        shapely.prepare(shape)
        shapes = self._shapes([blob for _, blob in rows])
        meets = [row for (row, _), one in zip(rows, shapely.intersects(shape, shapes), strict=True) if one]
        return (
            f"{KEY} IN (SELECT id FROM {index} WHERE {within} UNION ALL SELECT value FROM json_each(?))",
            [*(float(edge) for edge in inner), json.dumps(meets)],
        )


_NEVER: _Where = ("0", [])


def _plain(kind: str) -> str:
    """The type of a column without its width."""
    if kind in ("BOOLEAN", "DATE", "REAL"):
        return kind
    return "INTEGER" if "INT" in kind else "REAL" if kind in ("DOUBLE", "FLOAT") else "TEXT"


def _numbered(text: str) -> _Where:
    """The row of a number that is given as text."""
    try:
        number = value_of(KEY, "INTEGER", text)
    except ProviderInvalidQueryError:
        return _NEVER
    return _NEVER if number is NEVER else (f"{KEY} = ?", [number])


def _within(column: str, interval: str) -> _Where:
    """A date lies in an interval; rows without a date do not."""
    clauses, values = [f"{column} IS NOT NULL"], []
    for day, sign in zip(interval_of(interval), (">=", "<="), strict=True):
        if day is not None:
            clauses.append(f"{column} {sign} ?")
            values.append(day.isoformat())
    return " AND ".join(clauses), values
