"""Open files of a build, kept by each thread as long as they are the same.

In: the path of a GeoPackage.
Out: `Package`: a connection that reads it, and what its tables look like. A file that takes the place of
    another is opened anew with the next request; a request that has begun reads the old one to its end.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pyproj import Transformer
from pyproj.exceptions import ProjError

from roofplat.errors import LayerError
from roofplat.publish.stock import FILE_FAULTS, identity_of, open_as_it_is

__all__ = ["Layer", "Package", "TookTooLongError", "damaged", "open_package", "package_of", "quoted"]

# How many steps SQLite does between two looks at the clock: well under a millisecond.
_STEPS = 10_000
_CRS84 = "OGC:CRS84"


class TookTooLongError(LayerError):
    """A look into a file was broken off because its time was up."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One table of a package.

    columns
        Name to type as SQL writes it, in order, without the row number and the geometry.
    geometry
        The column with the geometry; None where there is none.
    rows
        How many there are.
    lonlat
        West, south, east and north in CRS84 degrees; None without geometry or rows.
    crs
        The CRS of its geometry, as well-known text.
    description
        What it holds.
    """

    name: str
    columns: dict[str, str]
    geometry: str | None
    rows: int
    lonlat: tuple[float, float, float, float] | None
    crs: str | None
    description: str


@dataclass(slots=True)
class Package:
    """A file that one thread reads; see `package_of`."""

    path: Path
    connection: sqlite3.Connection
    identity: tuple[int, int, int, int]
    layers: dict[str, Layer] = field(default_factory=dict)
    _transformers: dict[str, Transformer] = field(default_factory=dict)

    def layer(self, name: str) -> Layer:
        """What a table looks like.

        Raises
        ------
        LayerError
            There is no such table.
        """
        if name not in self.layers:
            self.layers[name] = self._look(name)
        return self.layers[name]

    def names(self) -> list[str]:
        """The layers of the file, in the order in which they were written."""
        return [
            name for (name,) in self.connection.execute("SELECT table_name FROM gpkg_contents ORDER BY rowid")
        ]

    def to_lonlat(self, layer: Layer) -> Transformer:
        """From the CRS of a layer to CRS84; easting and longitude come first."""
        return self._transformer(layer.crs, _CRS84)

    def from_lonlat(self, layer: Layer) -> Transformer:
        """The way back."""
        return self._transformer(_CRS84, layer.crs)

    def close(self) -> None:
        """Let go of the file."""
        self.connection.close()

    def _transformer(self, one: str | None, other: str | None) -> Transformer:
        key = f"{one} {other}"
        if key not in self._transformers:
            self._transformers[key] = Transformer.from_crs(one, other, always_xy=True)
        return self._transformers[key]

    @contextlib.contextmanager
    def reading(self, seconds: float) -> Iterator[sqlite3.Cursor]:
        """Look into the file as it is at one moment, for so long at most.

        Parameters
        ----------
        seconds
            After which SQLite breaks off.

        Yields
        ------
        sqlite3.Cursor

        Raises
        ------
        TookTooLongError
            The time was up.
        LayerError
            The file cannot be read.
        """
        until = time.monotonic() + seconds
        self.connection.set_progress_handler(lambda: int(time.monotonic() > until), _STEPS)
        cursor = self.connection.cursor()
        try:
            cursor.execute("BEGIN")
            yield cursor
        except FILE_FAULTS as error:
            if _code(error) == sqlite3.SQLITE_INTERRUPT:
                raise TookTooLongError(
                    f"That took longer than {seconds:g} s and was broken off; ask for a smaller area or "
                    "for fewer rows."
                ) from None
            raise _fault(self.path, error) from error
        finally:
            self.connection.set_progress_handler(None, 0)
            cursor.close()
            with contextlib.suppress(sqlite3.Error):
                self.connection.rollback()

    def _look(self, name: str) -> Layer:
        try:
            told = self.connection.execute(
                "SELECT gpkg_contents.description, min_x, min_y, max_x, max_y, column_name, definition "
                "FROM gpkg_contents LEFT JOIN gpkg_geometry_columns USING (table_name) "
                "LEFT JOIN gpkg_spatial_ref_sys AS place ON place.srs_id = gpkg_geometry_columns.srs_id "
                "WHERE table_name = ?",
                (name,),
            ).fetchone()
            if told is None:
                raise LayerError(f"{self.path.name} has no layer {name!r}; build the district again.")
            description, *edges, geometry, definition = told
            found = self.connection.execute("SELECT name, type FROM pragma_table_info(?)", (name,))
            columns = {column: kind.upper() for column, kind in found if column not in ("fid", geometry)}
            # The name is one that the file itself lists.
            (rows,) = self.connection.execute(f"SELECT count(*) FROM {quoted(name)}").fetchone()
        except FILE_FAULTS as error:
            raise _fault(self.path, error) from error
        crs = None if geometry is None else definition
        lonlat = None
        if crs is not None and rows and None not in edges:
            try:
                lonlat = self._transformer(crs, _CRS84).transform_bounds(*edges)
            except (ProjError, TypeError, ValueError):
                # No CRS any more, or edges that are no numbers.
                raise damaged(self.path) from None
        return Layer(name, columns, geometry, rows, lonlat, crs, description)


def package_of(path: Path) -> Package:
    """The open package of this thread.

    Parameters
    ----------
    path
        A GeoPackage.

    Returns
    -------
    Package
        The one of the request before, where the file is still the same.

    Raises
    ------
    LayerError
        There is no such file, or it cannot be read.

    Examples
    --------
    >>> package_of(Path("no/such/layers.gpkg"))
    Traceback (most recent call last):
        ...
    roofplat.errors.LayerError: There is no no/such/layers.gpkg; `roofplat build` writes it.
    """
    kept: dict[Path, Package] = _OPEN.__dict__.setdefault("packages", {})
    package = kept.get(path)
    if package is not None:
        with contextlib.suppress(OSError):
            if identity_of(path) == package.identity:
                return package
        _forget(path)
    kept[path] = open_package(path)
    return kept[path]


def open_package(path: Path) -> Package:
    """Open a package that the caller closes; see `package_of`."""
    connection, identity = open_as_it_is(path)
    try:
        # A file that is no database says so with the first look.
        connection.execute("SELECT count(*) FROM gpkg_contents").fetchone()
    except FILE_FAULTS as error:
        connection.close()
        raise _fault(path, error) from error
    return Package(path, connection, identity)


def quoted(name: str) -> str:
    """A name as SQL takes it.

    Examples
    --------
    >>> quoted('a"b')
    '"a""b"'
    """
    return '"' + name.replace('"', '""') + '"'


def _forget(path: Path) -> None:
    package = _OPEN.__dict__.get("packages", {}).pop(path, None)
    if package is not None:
        package.close()


def damaged(path: Path) -> LayerError:
    """What is said of a file whose contents make no sense.

    Examples
    --------
    >>> print(damaged(Path("maps/layers.gpkg")))
    layers.gpkg cannot be read, it may be damaged; build the district again.
    """
    return LayerError(f"{path.name} cannot be read, it may be damaged; build the district again.")


def _fault(path: Path, error: Exception) -> LayerError:
    if _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LayerError(f"{path.name} is being written by another program; ask again when that is done.")
    return damaged(path)


def _code(error: Exception) -> int:
    """The kind of an error of SQLite; 0 where Python itself raised it."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


_OPEN = threading.local()
