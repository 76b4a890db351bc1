"""The file of the record: a GeoPackage to which rows are added, and from which none is taken.

In: rows for the log of observations, the outlines, their lineage and the drawn features.
Out: the same rows in one file, all of an import or none of it; its tables as of any day.

The layout follows OGC 12-128r19, GeoPackage Encoding Standard 1.4: the header of the file, the tables
`gpkg_*`, and the blob of a geometry. Every table carries the caution in its description.
"""

from __future__ import annotations

import contextlib
import datetime
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from roofplat.errors import RecordError
from roofplat.record.log import current_values, known_on
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, CAUTION, RECORD_FIELDS, RECORD_TABLES, conform, empty

__all__ = [
    "RECORD_TITLES",
    "Appended",
    "Record",
    "RecordTables",
    "append",
    "has_record",
    "in_crs",
    "open_record",
    "read_record",
    "well_known_binary",
]

_APPLICATION = 0x47504B47  # "GPKG"
_VERSION = 10400
# For a CRS that has no EPSG code; the standard leaves numbers from here on to the file.
_OWN_SRS = 100000
_NAMED_SRS = (
    (-1, "Undefined cartesian", "NONE", -1, "undefined"),
    (0, "Undefined geographic", "NONE", 0, "undefined"),
)
_FORBIDDEN = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM)
_GEOMETRY = "geom"
_STORED_KIND = {"outlines": "MULTIPOLYGON", "drawn": "GEOMETRY"}
RECORD_TITLES: Mapping[str, str] = {
    "observations": "Everything that was seen or stated of a roof, in the order it came in",
    "outlines": "Building outlines and from when to when each stood",
    "lineage": "What became of each building in a later footprint layer",
    "drawn": "Sections, fire walls, expansion joints, obstacles and walls drawn by hand",
    "current": "The values in force, derived from the observations",
}
"""What each table holds, in a few words."""
# What makes two rows the same row: the second is not taken in again.
_SAME: Mapping[str, tuple[str, ...]] = {
    "observations": (
        "building_id",
        "section_id",
        "field",
        "value",
        "unit",
        "basis",
        "who",
        "seen_on",
        "note",
    ),
    "outlines": ("building_id", "release", "from_date"),
    "lineage": ("release", "event", "old_id", "new_id"),
    "drawn": (
        "layer",
        "building_id",
        "properties",
        "basis",
        "who",
        "seen_on",
        "note",
        "replaces",
        _GEOMETRY,
    ),
}
_NUMBERED = ("observations", "lineage", "drawn")
_SQL_TYPES = {"str": "TEXT", "Int64": "INTEGER", "float64": "REAL", "datetime64[ms]": "DATE"}
# Bytes before the well-known binary, by the kind of envelope in the flags.
_ENVELOPE_BYTES = (0, 32, 48, 48, 64)


@dataclass(frozen=True, slots=True)
class Record:
    """A record of surveys that exists.

    path
        Its file.
    crs
        The CRS of its geometry.
    wait_s
        How long to wait for another program, seconds.
    """

    path: Path
    crs: CRS
    wait_s: float


@dataclass(frozen=True, slots=True)
class Appended:
    """How many rows of each table were new, and how many were in the record already."""

    added: Mapping[str, int]
    already_known: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class RecordTables:
    """The tables of a record as of one day: `tables.RECORD_TABLES`, geometry in one CRS."""

    observations: pd.DataFrame
    outlines: gpd.GeoDataFrame
    lineage: pd.DataFrame
    drawn: gpd.GeoDataFrame
    current: pd.DataFrame


def has_record(path: Path, rules: Rulebook) -> bool:
    """Whether there is a record of surveys; what a killed import left half written in it is undone.

    Parameters
    ----------
    path
        The file. One in which nothing is yet, left by an import that was killed while it made the record,
        is none.
    rules
        `record.wait_s`.

    Returns
    -------
    bool

    Raises
    ------
    RecordError
        The file is something else, is damaged, or is busy for too long.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> has_record(Path("no/such/inventory.gpkg"), load_rulebook())
    False
    """
    return path.exists() and _has_tables(path, rules.number("record.wait_s"))


def open_record(path: str | Path, crs: object, rules: Rulebook) -> Record:
    """Open the record, or make an empty one.

    Parameters
    ----------
    path
        The file; its folder is made where it is missing.
    crs
        CRS of the geometry of a new record, anything that pyproj reads. An existing record keeps its own.
    rules
        `record.wait_s`.

    Returns
    -------
    Record

    Raises
    ------
    RecordError
        The file is no record, is damaged, cannot be written, or is busy for too long.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.rules import load_rulebook
    >>> record = open_record(Path(tempfile.mkdtemp()) / "inventory.gpkg", "EPSG:32613", load_rulebook())
    >>> record.crs.to_epsg()
    32613
    """
    path = Path(path)
    wait_s = rules.number("record.wait_s")
    if not path.exists() or not _has_tables(path, wait_s):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RecordError(
                f"{path.name}: the folder {path.parent} cannot be made ({error.strerror}); check its rights."
            ) from None
        with _transaction(path, wait_s, write=True) as connection:
            # Another program may have made it while we waited.
            if not _table_names(connection):
                _create(connection, CRS.from_user_input(crs))
    with _transaction(path, wait_s) as connection:
        _check_tables(connection, path)
        own = _read_crs(connection)
    return Record(path, own, wait_s)


def append(
    record: Record,
    *,
    observations: pd.DataFrame | None = None,
    drawn: gpd.GeoDataFrame | None = None,
    outlines: gpd.GeoDataFrame | None = None,
    lineage: pd.DataFrame | None = None,
    now: datetime.datetime | None = None,
) -> Appended:
    """Add rows to the record, all of them or none.

    One transaction holds the whole import: whoever comes second waits for it. A row that says the same as
    one that is there already is not taken in again. Numbers and the moment of logging are given here. An
    outline that is there already gets its `to_date` where it had none.

    Parameters
    ----------
    record
        From `open_record`.
    observations, drawn, outlines, lineage
        Frames with the columns of `tables.RECORD_TABLES`; `number` and `logged_at` may be missing. A
        missing `unit` is that of the field. Geometry is moved into the CRS of the record.
    now
        The moment of logging, with a time zone; the clock's where it is not given.

    Returns
    -------
    Appended

    Raises
    ------
    RecordError
        Another program writes the record for too long, or the file cannot be written; nothing is added.
    ValueError
        A unit is not that of its field, or a geometry is missing: a defect of the caller.
    """
    logged_at = _stamp(now)
    given = {"observations": observations, "outlines": outlines, "lineage": lineage, "drawn": drawn}
    frames = {
        name: _ready(name, frame, logged_at, record.crs) for name, frame in given.items() if frame is not None
    }
    added: dict[str, int] = {}
    known: dict[str, int] = {}
    with _transaction(record.path, record.wait_s, write=True) as connection:
        srs = _srs_of(connection)
        for name, frame in frames.items():
            before = connection.total_changes
            connection.executemany(_insert_sql(name), _rows(name, frame, srs))
            added[name] = connection.total_changes - before
            known[name] = len(frame) - added[name]
            _note_change(connection, name, frame, logged_at)
        if added.get("observations") or added.get("lineage"):
            _rewrite_current(connection, logged_at)
    return Appended(added, known)


def read_record(
    record: Record, as_of: datetime.date | None = None, *, crs: object | None = None
) -> RecordTables:
    """Read the tables of the record, as they are or as they were.

    Parameters
    ----------
    record
        From `open_record`.
    as_of
        Only what was logged and seen by the end of that day; None is everything.
    crs
        CRS to move the geometry into; the record's own where it is not given.

    Returns
    -------
    RecordTables
        Numbers ascending; `outlines` by building and `from_date`, with those that ended later than `as_of`
        still standing; `current` derived from the observations, under the ids of that day.

    Raises
    ------
    RecordError
        The file cannot be read.
    """
    with _transaction(record.path, record.wait_s) as connection:
        frames = {
            name: _read(connection, name, record.crs)
            for name in ("observations", "outlines", "lineage", "drawn")
        }
    if crs is not None:
        for name in _STORED_KIND:
            frames[name] = _moved(frames[name], CRS.from_user_input(crs))
    observations = known_on(frames["observations"], as_of)
    lineage = known_on(frames["lineage"], as_of)
    outlines = frames["outlines"]
    if as_of is not None:
        day = pd.Timestamp(as_of)
        outlines = outlines[outlines["from_date"] <= day].reset_index(drop=True)
        outlines["to_date"] = outlines["to_date"].where(outlines["to_date"] <= day)
    return RecordTables(
        observations=observations,
        outlines=outlines,
        lineage=lineage,
        drawn=gpd.GeoDataFrame(known_on(frames["drawn"], as_of), crs=frames["drawn"].crs),
        current=_in_force(observations, lineage),
    )


def in_crs(tables: RecordTables, crs: CRS) -> RecordTables:
    """The same tables with their geometry in another CRS.

    Parameters
    ----------
    tables
        From `read_record`.
    crs
        Where to.

    Returns
    -------
    RecordTables
    """
    return replace(tables, **{name: _moved(getattr(tables, name), crs) for name in _STORED_KIND})


@contextlib.contextmanager
def _transaction(path: Path, wait_s: float, *, write: bool = False) -> Iterator[sqlite3.Connection]:
    """Hold the file for one look or one import; whatever breaks leaves it as it was."""
    try:
        # Also a look may have to undo what a killed import left behind, so it asks for writing as well.
        mode = "rwc" if write else "rw"
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=wait_s, isolation_level=None
        )
        try:
            connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            yield connection
            connection.execute("COMMIT")
        finally:
            # Without a commit closing undoes the transaction.
            connection.close()
    except sqlite3.Error as error:
        raise _fault(path, error) from error
    except UnicodeDecodeError:
        raise RecordError(f"{path.name}: the record is damaged; take its last good copy.") from None


def _fault(path: Path, error: sqlite3.Error) -> RecordError:
    fault = RecordError(_sentence(path, error))
    if _code(error) in (sqlite3.SQLITE_FULL, *_FORBIDDEN):
        # Nothing is wrong with the data: it is asked for where it cannot be.
        fault.exit_code = 2
    return fault


def _code(error: sqlite3.Error) -> int:
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def _sentence(path: Path, error: sqlite3.Error) -> str:
    code = _code(error)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return (
            f"{path.name}: another program is writing the record (an import, or a GIS with edits that are "
            "not saved); wait until it is done and try again: nothing was changed."
        )
    if code == sqlite3.SQLITE_NOTADB:
        return f"{path.name} is no GeoPackage; give another name for the record in the district file."
    if code in _FORBIDDEN:
        return f"{path.name}: the record cannot be opened or written ({error}); check its path and rights."
    if code == sqlite3.SQLITE_FULL:
        return f"{path.name}: the disk is full; make room and try again: nothing was changed."
    return f"{path.name}: the record cannot be used ({error}); take its last good copy."


def _table_names(connection: sqlite3.Connection) -> set[str]:
    return {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}


def _has_tables(path: Path, wait_s: float) -> bool:
    """An import that was killed while it made the record leaves a file with nothing in it."""
    with _transaction(path, wait_s) as connection:
        return bool(_table_names(connection))


def _check_tables(connection: sqlite3.Connection, path: Path) -> None:
    missing = sorted(set(RECORD_TABLES) - _table_names(connection))
    if missing:
        raise RecordError(
            f"{path.name} is no record of surveys: it lacks the table {missing[0]!r}; give another name for "
            "the record in the district file."
        )
    for name in RECORD_TABLES:
        found = {row[1] for row in connection.execute(f"PRAGMA table_info({name})")}
        lacking = sorted(set(RECORD_TABLES[name].columns) - found)
        if lacking:
            raise RecordError(
                f"{path.name}: the table {name!r} lacks the column {lacking[0]!r}; take its last good copy."
            )


def _create(connection: sqlite3.Connection, crs: CRS) -> None:
    """Make the empty tables; all of it is part of one transaction."""
    connection.execute(f"PRAGMA application_id = {_APPLICATION}")
    connection.execute(f"PRAGMA user_version = {_VERSION}")
    for statement in _GPKG_TABLES:
        connection.execute(statement)
    code = crs.to_epsg()
    lon_lat = CRS.from_epsg(4326)
    named = [*_NAMED_SRS, (4326, lon_lat.name, "EPSG", 4326, lon_lat.to_wkt("WKT1_GDAL"))]
    if code is None:
        named.append((_OWN_SRS, crs.name, "NONE", _OWN_SRS, crs.to_wkt("WKT1_GDAL")))
    elif code != 4326:
        named.append((code, crs.name, "EPSG", code, crs.to_wkt("WKT1_GDAL")))
    connection.executemany(
        "INSERT INTO gpkg_spatial_ref_sys (srs_id, srs_name, organization, organization_coordsys_id, "
        "definition) VALUES (?, ?, ?, ?, ?)",
        named,
    )
    srs = code if code is not None else _OWN_SRS
    for name, table in RECORD_TABLES.items():
        key = "number" if name in _NUMBERED else "fid"
        lines = [f"{key} INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"]
        lines += [
            f"{column} {_SQL_TYPES[entry.dtype]}{' NOT NULL' if entry.required else ''}"
            for column, entry in table.columns.items()
            if column != key
        ]
        if name in _STORED_KIND:
            lines.append(f"{_GEOMETRY} {_STORED_KIND[name]} NOT NULL")
        connection.execute(f"CREATE TABLE {name} ({', '.join(lines)})")
        kind = "features" if name in _STORED_KIND else "attributes"
        connection.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
            "VALUES (?, ?, ?, ?, '2000-01-01T00:00:00.000Z', ?)",
            (name, kind, name, f"{RECORD_TITLES[name]}. {CAUTION}", srs if kind == "features" else None),
        )
        if kind == "features":
            connection.execute(
                "INSERT INTO gpkg_geometry_columns VALUES (?, ?, ?, ?, 0, 0)",
                (name, _GEOMETRY, _STORED_KIND[name], srs),
            )
    for name in _SAME:
        parts = _key(name, {column: column for column in _columns(name)})
        connection.execute(f"CREATE UNIQUE INDEX {name}_once ON {name} ({', '.join(parts)})")
    for statement in _triggers():
        connection.execute(statement)


def _triggers() -> Iterator[str]:
    """What has been logged stays: no program can change or delete it by mistake."""
    for name in _NUMBERED:
        stays = f"SELECT RAISE(ABORT, '{name} are never changed or deleted; add a later row')"
        for when in ("UPDATE", "DELETE"):
            yield f"CREATE TRIGGER {name}_{when.lower()} BEFORE {when} ON {name} BEGIN {stays}; END"
        yield (
            f"CREATE TRIGGER {name}_insert BEFORE INSERT ON {name} "
            f"WHEN EXISTS (SELECT 1 FROM {name} WHERE number = NEW.number) BEGIN {stays}; END"
        )
    stays = "SELECT RAISE(ABORT, 'outlines stay as they are; only the end of one that stands may be set')"
    same = " AND ".join(
        f"NEW.{column} IS OLD.{column}"
        for column in ("fid", "building_id", "release", "from_date", _GEOMETRY)
    )
    yield f"CREATE TRIGGER outlines_delete BEFORE DELETE ON outlines BEGIN {stays}; END"
    yield (
        "CREATE TRIGGER outlines_update BEFORE UPDATE ON outlines "
        f"WHEN NOT (OLD.to_date IS NULL AND {same}) BEGIN {stays}; END"
    )


def _read_crs(connection: sqlite3.Connection) -> CRS:
    """The CRS as its authority defines it; else as the file does."""
    organization, code, definition = connection.execute(
        "SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys "
        "WHERE srs_id = ?",
        (_srs_of(connection),),
    ).fetchone()
    return CRS.from_epsg(code) if organization.upper() == "EPSG" else CRS.from_wkt(definition)


def _srs_of(connection: sqlite3.Connection) -> int:
    (number,) = connection.execute(
        "SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'drawn'"
    ).fetchone()
    return int(number)


def _stamp(now: datetime.datetime | None) -> str:
    moment = datetime.datetime.now(datetime.UTC) if now is None else now
    if moment.tzinfo is None:
        raise ValueError("The moment of logging needs a time zone.")
    return moment.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _ready(name: str, frame: pd.DataFrame, logged_at: str, crs: CRS) -> pd.DataFrame:
    """A frame as its table wants it, stamped, with its geometry in the CRS of the record."""
    stamped = frame.reset_index(drop=True).copy()
    for column in RECORD_TABLES[name].columns:
        if column not in stamped:
            stamped[column] = None
    if "logged_at" in RECORD_TABLES[name].columns:
        stamped["logged_at"] = logged_at
    if name in _STORED_KIND and isinstance(stamped, gpd.GeoDataFrame):
        shapes = np.asarray(stamped.geometry.array, dtype=object)
        if (shapely.is_missing(shapes) | shapely.is_empty(shapes)).any():
            raise ValueError(f"Every row of {name} needs a geometry.")
        stamped = _moved(stamped, crs)
    ready: pd.DataFrame = conform(name, stamped)
    if name == "observations":
        units = {key: column.unit for key, column in {**ATTRIBUTES, **RECORD_FIELDS}.items()}
        own = ready["field"].map(units)
        given = ready["unit"].fillna("")
        strange = ((given != "") & (given != own)).to_numpy(dtype=bool)
        if strange.any():
            raise ValueError(f"{ready['field'][strange].iloc[0]} in {given[strange].iloc[0]}: not its unit.")
        ready["unit"] = own.mask(own == "").astype("str")
    return ready


def _moved(frame: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    """The frame in another CRS; one that is the same keeps every bit."""
    if frame.crs is None:
        raise ValueError("The geometry of the record needs a CRS.")
    return frame.set_crs(crs, allow_override=True) if frame.crs == crs else frame.to_crs(crs)


def _insert_sql(name: str) -> str:
    places = {column: f"?{place}" for place, column in enumerate(_columns(name), start=1)}
    sql = f"INSERT INTO {name} ({', '.join(places)}) "
    if name == "outlines":
        return sql + (
            f"VALUES ({', '.join(places.values())}) ON CONFLICT ({', '.join(_SAME[name])}) DO UPDATE "
            "SET to_date = excluded.to_date WHERE to_date IS NULL AND excluded.to_date IS NOT NULL"
        )
    # Looked up before, not refused after: a refused row would use up its number, and a gap looks like a loss.
    there = zip(_key(name, {column: column for column in places}), _key(name, places), strict=True)
    same = " AND ".join(f"{own} = {given}" for own, given in there)
    return sql + (f"SELECT {', '.join(places.values())} WHERE NOT EXISTS (SELECT 1 FROM {name} WHERE {same})")


def _key(name: str, words: Mapping[str, str]) -> list[str]:
    """What makes two rows the same row, in SQL, where two empty cells would not be equal."""
    required = {key for key, entry in RECORD_TABLES[name].columns.items() if entry.required} | {_GEOMETRY}
    return [
        words[column] if column in required else f"coalesce({words[column]}, '')" for column in _SAME[name]
    ]


def _columns(name: str) -> list[str]:
    """The columns that are written; the number is given by the file."""
    own = [column for column in RECORD_TABLES[name].columns if not (name in _NUMBERED and column == "number")]
    return [*own, _GEOMETRY] if name in _STORED_KIND else own


def _rows(name: str, frame: pd.DataFrame, srs: int) -> Iterator[tuple[Any, ...]]:
    """Rows as SQLite takes them."""
    cells = []
    for column in _columns(name):
        if column == _GEOMETRY:
            cells.append(_blobs(np.asarray(frame.geometry.array, dtype=object), name, srs))
            continue
        values = frame[column]
        if values.dtype.kind == "M":
            values = values.dt.strftime("%Y-%m-%d")
        cells.append(values.astype(object).where(values.notna(), None).tolist())
    return zip(*cells, strict=True)


def _blobs(shapes: npt.NDArray[np.object_], name: str, srs: int) -> list[bytes]:
    """Geometry as the standard keeps it: a header with the envelope, then well-known binary."""
    if _STORED_KIND[name] == "MULTIPOLYGON":
        parts, owner = shapely.get_parts(shapes, return_index=True)
        shapes = np.asarray(shapely.multipolygons(parts, indices=owner), dtype=object)
    shapes = shapely.force_2d(shapes)
    count = len(shapes)
    head = np.zeros(count, dtype=[("start", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"),
                                  ("envelope", "<f8", 4)])  # fmt: skip
    head["start"] = b"GP"
    head["flags"] = 0b00000011  # little-endian, envelope of x and y
    head["srs"] = srs
    head["envelope"] = shapely.bounds(shapes)[:, [0, 2, 1, 3]]
    binary = shapely.to_wkb(shapes, byte_order=1)
    return [bytes(start) + body for start, body in zip(head, binary, strict=True)]


def well_known_binary(blobs: Sequence[bytes | None]) -> npt.NDArray[np.object_]:
    """Take the header off geometry as a GeoPackage keeps it.

    Parameters
    ----------
    blobs
        n blobs, whoever wrote them; None where there is no geometry.

    Returns
    -------
    ndarray of bytes
        Well-known binary, shape (n,); None where there is no geometry.

    Examples
    --------
    >>> well_known_binary([b"GP" + bytes([0, 1]) + bytes(4) + b"rest", None]).tolist()
    [b'rest', None]
    """
    bodies = np.empty(len(blobs), dtype=object)
    bodies[:] = [
        None if blob is None else blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 0b111] :] for blob in blobs
    ]
    return bodies


def _shapes(blobs: list[bytes]) -> npt.NDArray[np.object_]:
    """Geometry out of the blobs, whoever wrote them; single parts come out single."""
    shapes = np.asarray(shapely.from_wkb(well_known_binary(blobs)), dtype=object)
    single = (shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOLYGON) & (
        shapely.get_num_geometries(shapes) == 1
    )
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    return shapes


def _read(connection: sqlite3.Connection, name: str, crs: CRS) -> Any:
    table = RECORD_TABLES[name]
    columns = [*table.columns, *([_GEOMETRY] if name in _STORED_KIND else [])]
    order = "building_id, from_date, fid" if name == "outlines" else "number"
    rows = connection.execute(f"SELECT {', '.join(columns)} FROM {name} ORDER BY {order}").fetchall()
    if not rows:
        return empty(name, crs)
    cells = dict(zip(columns, zip(*rows, strict=True), strict=True))
    blobs = cells.pop(_GEOMETRY, None)
    frame = pd.DataFrame({column: pd.Series(values, dtype=object) for column, values in cells.items()})
    for column, entry in table.columns.items():
        if entry.dtype == "datetime64[ms]":
            frame[column] = pd.to_datetime(frame[column].str[:10], format="%Y-%m-%d").astype(entry.dtype)
    if blobs is None:
        return conform(name, frame)
    return conform(name, frame, geometry=gpd.array.from_shapely(_shapes(list(blobs)), crs=crs), crs=crs)


def _in_force(observations: pd.DataFrame, lineage: pd.DataFrame) -> pd.DataFrame:
    """The values in force, under the ids that the buildings have after the lineage."""
    # Here and not above: what follows the buildings reads the tables that this file names.
    from roofplat.record.follow import follow

    return current_values(follow(observations, lineage))


def _rewrite_current(connection: sqlite3.Connection, logged_at: str) -> None:
    any_crs = CRS.from_epsg(4326)
    log, lineage = (_read(connection, name, any_crs) for name in ("observations", "lineage"))
    current = _in_force(log, lineage)
    connection.execute("DELETE FROM current")
    columns = _columns("current")
    connection.executemany(
        f"INSERT INTO current ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})",
        _rows("current", current, 0),
    )
    _note_change(connection, "current", current, logged_at)


def _note_change(connection: sqlite3.Connection, name: str, frame: pd.DataFrame, logged_at: str) -> None:
    """Tell readers of the file when a layer changed and how far it reaches."""
    connection.execute(
        "UPDATE gpkg_contents SET last_change = ? WHERE table_name = ?",
        (logged_at.replace("Z", ".000Z"), name),
    )
    if isinstance(frame, gpd.GeoDataFrame) and len(frame):
        west, south, east, north = (float(edge) for edge in frame.total_bounds)
        connection.execute(
            "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?1), ?1), "
            "min_y = min(coalesce(min_y, ?2), ?2), max_x = max(coalesce(max_x, ?3), ?3), "
            "max_y = max(coalesce(max_y, ?4), ?4) WHERE table_name = ?5",
            (west, south, east, north, name),
        )


_GPKG_TABLES = (
    """CREATE TABLE gpkg_spatial_ref_sys (
        srs_name TEXT NOT NULL,
        srs_id INTEGER PRIMARY KEY NOT NULL,
        organization TEXT NOT NULL,
        organization_coordsys_id INTEGER NOT NULL,
        definition TEXT NOT NULL,
        description TEXT)""",
    """CREATE TABLE gpkg_contents (
        table_name TEXT NOT NULL PRIMARY KEY,
        data_type TEXT NOT NULL,
        identifier TEXT UNIQUE,
        description TEXT DEFAULT '',
        last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
        min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
        srs_id INTEGER,
        CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))""",
    """CREATE TABLE gpkg_geometry_columns (
        table_name TEXT NOT NULL,
        column_name TEXT NOT NULL,
        geometry_type_name TEXT NOT NULL,
        srs_id INTEGER NOT NULL,
        z TINYINT NOT NULL,
        m TINYINT NOT NULL,
        CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
        CONSTRAINT uk_gc_table_name UNIQUE (table_name),
        CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
        CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))""",
)
