"""The GeoPackage with every layer of a district, in its working CRS.

In: the tables and the places, part after part.
Out: `layers.gpkg`, one layer a table, empty tables included, with an index of the buildings and areas that
    its rows belong to; the same input gives the same bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import shutil
import sqlite3
import struct
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import shapely
from pyproj import CRS

from roofplat.errors import DistrictFileError
from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.overrides import override_records
from roofplat.publish.parts import GEOMETRY, Parts, arrow_of
from roofplat.rules import Rulebook
from roofplat.tables import TABLES
from roofplat.venting import CAUTION as FLOW_CAUTION

__all__ = [
    "CONTENTS",
    "DESCRIPTIONS",
    "LAST_CHANGE",
    "LAYER_IDS",
    "PLACES",
    "PLACE_KINDS",
    "Layer",
    "binary_in_parts",
    "caution_of",
    "contents_of",
    "fixed_clock",
    "in_parts",
    "layer_names",
    "layers_of",
    "metadata_of",
    "stored_kind",
    "stored_rows",
    "unwatched",
    "write_indexes",
    "write_layer",
    "write_layers",
    "write_tables",
]

PLACES = ("streets", "areas", "stations")
PLACE_KINDS = {"streets": "MultiLineString", "areas": "MultiPolygon", "stations": "Point"}
# `roofs` is what the inventory hands to framing; `sections` and `facts` hold the same for readers.
_INNER = ("roofs",)
# What a layer holds, for the people who open the package without anything else at hand.
DESCRIPTIONS: Mapping[str, str] = {
    "buildings": "Outlines with what is known of each building, and how",
    "sections": "Roof areas with one framing each: form, slope, way to open, ways rejected and why",
    "walls": "Straight runs of the outline with side letter and what they carry",
    "planes": "Planes of pitched roofs with slope, direction straight down, area along the slope",
    "members": "Beams, joists, rafters, trusses, ridges, hips, valleys and other members, with basis",
    "obstacles": "Units, skylights, vents, hatches, solar, hung loads, parapets, overhead lines",
    "ground": "Ground on which no ladder base can stand, and why",
    "collapse_zones": "How far from the walls a wall may fall, and the roofs that push walls out",
    "ladders": "Ladder spots from base to tip; aerials from the street; what is out of reach",
    "paths": "Paths of travel from the ladder along bearing lines",
    "checks": "Inspection cuts and indicator holes along the path",
    "openings": "Openings in order: what is there already, glazing, and cuts",
    "cuts": "The cuts of openings and trenches in order",
    "trenches": "Defensive strips from wall to wall",
    "venting": (
        "Each roof section: area of opening by rule and by flow, vents there, the work of cutting. "
        f"The flow: {FLOW_CAUTION[0].lower()}{FLOW_CAUTION[1:]}"
    ),
    "solar_access": "Each solar array against each access rule: wanted, measured, met or not",
    "problems": "Everything refused, repaired, unmatched or in conflict",
    "facts": "Every value by source, date and basis, and which one is in force",
    "section_facts": "The same for what is said of single roof sections",
    "family_odds": "What an unknown roof may be, by region, period, occupancy and size",
    "ranking": "Which building to visit first, and why",
    "survey_next": "Which roof to survey next: where a look would change most",
    "streets": "Named streets",
    "areas": "Dispatch areas",
    "stations": "Fire stations",
}
"""What each layer holds, in a few words."""
LAYER_IDS: Mapping[str, str] = {
    "buildings": "building_id",
    "sections": "section_id",
    "collapse_zones": "building_id",
    "ranking": "building_id",
    "survey_next": "building_id",
}
"""Layers of which a column names each row, in one build as in the next; the others have their numbers."""
# What a reader looks rows up by.
_INDEXED = ("building_id", "dispatch_area")
_AREA = _INDEXED[1]
LAST_CHANGE = "2000-01-01T00:00:00.000Z"
"""GeoPackage stores the time of the last change; a fixed one keeps equal input equal in bytes."""
# Numbers of OGC 06-103r4, table 7: of one part, and of many.
_BINARY_KINDS = {"MultiPolygon": (3, 6), "MultiLineString": (2, 5)}
_PAGE_BYTES = 16_384
# Of a disk, bytes: below, all that was written is looked through.
_LITTLE_ROOM = 64_000_000
_UNWATCHED = {
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
    "OGR_SQLITE_PRAGMA": f"page_size={_PAGE_BYTES}",
}
CONTENTS = "urn:roofplat:contents"
"""What names the contents of a file among its metadata, so that another file can say to which it belongs."""


def write_layers(parts: Parts, path: Path, *, rules: Rulebook | None = None) -> Path:
    """Write all tables into one GeoPackage, part after part.

    Parameters
    ----------
    parts
        Tables by the names of `tables.TABLES`, and `streets`, `areas`, `stations` with `name` and
        `geometry`, all in one working CRS. Missing ones are left out.
    path
        The file to write.
    rules
        The rules in force. With them the metadata of each layer hold `overridden_rules` beside
        `caution`: a JSON list of id, value and unit of every rule the department has changed.

    Returns
    -------
    Path
        `path`. Each layer carries a description of what it holds. Polygons and lines that may come
        in several parts are stored as multi-parts; layers
        of more than one kind of geometry are declared as `GEOMETRY`; `problems` and `facts` have
        none. Dates are stored as dates.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.tables import empty
    >>> parts = Parts.of({"paths": empty("paths", "EPSG:32613")})
    >>> pyogrio.list_layers(write_layers(parts, Path(tempfile.mkdtemp()) / "layers.gpkg")).tolist()
    [['paths', 'LineString']]
    """
    layers = layers_of(parts)
    with whole_file(path) as beside, fixed_clock(), unwatched():
        write_tables(
            layers,
            beside,
            kinds={name: stored_kind(name) for name in layers},
            crs=parts.crs,
            descriptions=DESCRIPTIONS,
            metadata=metadata_of(rules),
        )
        write_indexes(beside, {name: layer.schema.names for name, layer in layers.items()})
        _name_contents(beside, parts.digest())
    return path


def caution_of(layer: str) -> str:
    """What stands with rows of a layer: the caution, and with figures of smoke that of their method.

    Examples
    --------
    >>> caution_of("ladders") == CAUTION, caution_of("venting").endswith(FLOW_CAUTION)
    (True, True)
    """
    return f"{CAUTION} {FLOW_CAUTION}" if layer == "venting" else CAUTION


def metadata_of(rules: Rulebook | None) -> dict[str, str]:
    """What each layer says of itself beside its description, as texts; see `write_layers`.

    Examples
    --------
    >>> list(metadata_of(None))
    ['caution']
    """
    metadata = {"caution": CAUTION}
    if rules is not None:
        metadata["overridden_rules"] = json.dumps(override_records(rules))
    return metadata


def _name_contents(path: Path, name: str | None) -> None:
    """Write into a GeoPackage what names it: what it was made from, else the checksum that it has without."""
    if name is None:
        with path.open("rb") as stream:
            name = hashlib.file_digest(stream, "sha256").hexdigest()
    with _written_by_hand(path) as base:
        row = base.execute(
            "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, mime_type, metadata) "
            "VALUES ('dataset', ?, 'text/plain', ?)",
            (CONTENTS, name),
        )
        base.execute(
            "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) "
            "VALUES ('geopackage', ?, ?)",
            (LAST_CHANGE, row.lastrowid),
        )


def contents_of(base: sqlite3.Connection) -> str | None:
    """Read what names the contents of `layers.gpkg`: two that differ in anything have another name.

    Parameters
    ----------
    base
        The open file.

    Returns
    -------
    str or None
        None where nothing names them.

    Raises
    ------
    sqlite3.Error
        The file cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.tables import empty
    >>> parts = Parts.of({"paths": empty("paths", "EPSG:32613")})
    >>> path = write_layers(parts, Path(tempfile.mkdtemp()) / "layers.gpkg")
    >>> with contextlib.closing(sqlite3.connect(path)) as base:
    ...     len(contents_of(base))
    64
    """
    row = base.execute("SELECT metadata FROM gpkg_metadata WHERE md_standard_uri = ?", (CONTENTS,)).fetchone()
    return None if row is None else str(row[0])


@dataclass(frozen=True, slots=True)
class Layer:
    """A table as readers get it.

    schema
        Its columns; `geometry` is well-known binary.
    tables
        Gives its rows as Arrow tables of that schema, one a part, each time it is called.
    """

    schema: pa.Schema
    tables: Callable[[], Iterator[pa.Table]]


def layers_of(parts: Parts) -> dict[str, Layer]:
    """The tables that readers get, each with the dispatch area of its buildings.

    Parameters
    ----------
    parts
        As for `write_layers`.

    Returns
    -------
    dict
        By name, in the order of the layers. Every table with a `building_id` has `dispatch_area` too, the
        last of its columns where it had none.

    Examples
    --------
    >>> from roofplat.tables import empty
    >>> tables = {"buildings": empty("buildings"), "facts": empty("facts"), "roofs": empty("roofs")}
    >>> made = layers_of(Parts.of(tables))
    >>> list(made), made["facts"].schema.names[-1]
    (['buildings', 'facts'], 'dispatch_area')
    """
    names = layer_names(parts)
    plain = {name: Layer(parts.schema(name), partial(parts.tables, name)) for name in names}
    if "buildings" not in names:
        return plain
    buildings = [*parts.tables("buildings", [_INDEXED[0], _AREA])]

    def with_area(name: str) -> Iterator[pa.Table]:
        rows = parts.tables(name)
        own: Iterable[pa.Table] = buildings if parts.in_parts(name) else [pa.concat_tables(buildings)]
        for table, known in zip(rows, own, strict=True):
            # At most one row a building, and none for what stands in a yard.
            number = pc.index_in(table.column(_INDEXED[0]), value_set=known.column(_INDEXED[0]))
            yield table.add_column(_after_columns(table.schema), _AREA, known.column(_AREA).take(number))

    made = {}
    for name, layer in plain.items():
        if _INDEXED[0] in layer.schema.names and _AREA not in layer.schema.names:
            place = _after_columns(layer.schema)
            schema = layer.schema.insert(place, pa.field(_AREA, pa.large_string()))
            layer = Layer(schema, partial(with_area, name))
        made[name] = layer
    return made


def layer_names(parts: Parts) -> list[str]:
    """Names of the tables that readers get, in the order of the layers.

    Examples
    --------
    >>> layer_names(Parts.of({"facts": pd.DataFrame(), "buildings": pd.DataFrame(), "roofs": pd.DataFrame()}))
    ['buildings', 'facts']
    """
    return [name for name in (*TABLES, *PLACES) if name in parts.names and name not in _INNER]


def _after_columns(schema: pa.Schema) -> int:
    return len(schema) - (GEOMETRY in schema.names)


def write_tables(
    layers: Mapping[str, Layer],
    path: Path,
    *,
    kinds: Mapping[str, str],
    crs: CRS | None,
    descriptions: Mapping[str, str],
    metadata: Mapping[str, str],
) -> None:
    """Make a GeoPackage of some layers, from streams: no more of them is held than a part.

    GDAL makes the tables and writes the rows, one stream a layer.

    Parameters
    ----------
    layers
        By name.
    path
        The file; it is not there yet.
    kinds, descriptions
        By name; as for `write_layer`.
    crs
        CRS of all geometry.
    metadata
        As for `write_layer`, of every layer.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    rows = {}
    for name, layer in layers.items():
        told = {"kind": kinds[name], "description": descriptions[name]}
        rows[name] = _write_rows(layer, path, name=name, crs=crs, metadata=metadata, **told)
    _check_written(path, rows)


def _check_written(path: Path, rows: Mapping[str, int]) -> None:
    """Hold a GeoPackage to the rows that were given: GDAL does not always say that a disk is full."""
    lost = DistrictFileError(_cannot_write(path, "the disk is full, or took only a part of it"))
    try:
        with contextlib.closing(sqlite3.connect(path)) as base:
            for name, many in rows.items():
                # GDAL numbers them from 1: to count them all takes long.
                last = f'SELECT coalesce(max(fid), 0) FROM "{name}"'  # noqa: S608  a name of ours
                if base.execute(last).fetchone() != (many,):
                    raise lost
            little = shutil.disk_usage(path.parent).free < _LITTLE_ROOM
            if little and base.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
                raise lost
    except sqlite3.Error:
        raise lost from None


def _cannot_write(path: Path, error: Exception | str) -> str:
    return f"{path.name} cannot be written ({error}); make room or choose another folder with --out."


def write_layer(
    frame: pd.DataFrame,
    path: Path,
    *,
    name: str,
    kind: str,
    description: str,
    metadata: Mapping[str, str],
) -> None:
    """Add one layer to a GeoPackage.

    Parameters
    ----------
    frame
        Rows, with or without geometry.
    path
        The file; made where it is missing.
    name, description, metadata
        What the layer is called, what it holds, and what else to say of it.
    kind
        Kind of its geometry, `Unknown` for several; of a kind of many parts each row gets to be one.
    """
    rows = arrow_of(frame)
    crs = frame.crs if isinstance(frame, gpd.GeoDataFrame) else None
    _write_rows(
        Layer(rows.schema, lambda: iter([rows])),
        path,
        name=name,
        kind=kind,
        crs=crs,
        description=description,
        metadata=metadata,
    )


def _write_rows(
    layer: Layer,
    path: Path,
    *,
    name: str,
    kind: str,
    crs: CRS | None,
    description: str,
    metadata: Mapping[str, str],
) -> int:
    """Write a layer; how many rows were given."""
    options: dict[str, Any] = {
        "layer": name,
        "driver": "GPKG",
        "layer_metadata": dict(metadata),
        "layer_options": {"DESCRIPTION": description},
    }
    if GEOMETRY in layer.schema.names:
        options |= {"geometry_name": GEOMETRY, "geometry_type": kind, "crs": _told(crs)}
    given = 0

    def batches() -> Iterator[pa.RecordBatch]:
        nonlocal given
        for rows in layer.tables():
            given += len(rows)
            yield from stored_rows(rows, kind).combine_chunks().to_batches()

    schema = stored_rows(layer.schema.empty_table(), kind).schema
    pyogrio.write_arrow(pa.RecordBatchReader.from_batches(schema, batches()), path, **options)
    return given


def stored_rows(rows: pa.Table, kind: str) -> pa.Table:
    """Rows as they are stored: days as days, and geometry of many parts where a layer holds such.

    Parameters
    ----------
    rows
        Of a layer; `geometry` is well-known binary.
    kind
        As for `write_layer`.

    Returns
    -------
    pyarrow.Table
    """
    for place, column in enumerate(rows.schema):
        if pa.types.is_timestamp(column.type):
            rows = rows.set_column(place, column.name, rows.column(place).cast(pa.date32()))
        elif pa.types.is_null(column.type):
            rows = rows.set_column(place, column.name, rows.column(place).cast(pa.large_string()))
    if kind.startswith("Multi") and GEOMETRY in rows.column_names:
        place = rows.schema.get_field_index(GEOMETRY)
        chunks = [binary_in_parts(chunk, kind) for chunk in rows.column(place).chunks]
        rows = rows.set_column(place, GEOMETRY, pa.chunked_array(chunks, type=pa.binary()))
    return rows


def _told(crs: CRS | None) -> str | None:
    """A CRS as GDAL reads it best."""
    if crs is None:
        return None
    code = CRS.from_user_input(crs).to_epsg()
    return f"EPSG:{code}" if code else str(CRS.from_user_input(crs).to_wkt("WKT1_GDAL"))


def write_indexes(path: Path, layers: Mapping[str, Sequence[str]]) -> None:
    """Let rows be found by their id, building and dispatch area without reading the rest.

    Parameters
    ----------
    path
        A GeoPackage that nobody reads yet.
    layers
        The columns of each of its layers.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    with _written_by_hand(path) as base:
        for name, columns in layers.items():
            for column in dict.fromkeys([*_INDEXED, LAYER_IDS.get(name, _INDEXED[0])]):
                if column in columns:
                    base.execute(f'CREATE INDEX "{name}_{column}" ON "{name}" ("{column}")')


@contextlib.contextmanager
def _written_by_hand(path: Path) -> Iterator[sqlite3.Connection]:
    """A GeoPackage that nobody reads yet, to be written with SQL in one transaction."""
    try:
        with contextlib.closing(sqlite3.connect(path)) as base, base:
            base.execute("PRAGMA synchronous = OFF")
            yield base
    except sqlite3.Error as error:
        raise DistrictFileError(_cannot_write(path, error)) from None


def stored_kind(name: str) -> str:
    """Kind of geometry that a layer is declared with; `Unknown` for several, or none.

    Examples
    --------
    >>> stored_kind("buildings"), stored_kind("obstacles"), stored_kind("streets")
    ('MultiPolygon', 'Unknown', 'MultiLineString')
    """
    if name in PLACE_KINDS:
        return PLACE_KINDS[name]
    kinds = TABLES[name].geometry
    if len(kinds) == 1:
        return kinds[0]
    return "MultiPolygon" if set(kinds) == {"Polygon", "MultiPolygon"} else "Unknown"


def in_parts(shapes: np.ndarray, kind: str) -> np.ndarray:
    """Wrap single parts so that a layer holds one kind of geometry.

    Parameters
    ----------
    shapes
        Geometry of one or more parts, shape (n,).
    kind
        `MultiPolygon` or `MultiLineString`.

    Returns
    -------
    ndarray
        Shape (n,); None where there was no part.

    Examples
    --------
    >>> in_parts(np.array([shapely.box(0, 0, 1, 1)]), "MultiPolygon")[0].geom_type
    'MultiPolygon'
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    make = shapely.multipolygons if kind == "MultiPolygon" else shapely.multilinestrings
    wrapped = np.full(len(shapes), None, dtype=object)
    if len(parts):
        made = np.asarray(make(parts, indices=owner))
        wrapped[np.unique(owner)] = made[np.unique(owner)]
    return wrapped


def binary_in_parts(shapes: pa.Array, kind: str) -> pa.Array:
    """The same for well-known binary, without making a geometry of it.

    Parameters
    ----------
    shapes
        Two-dimensional, little-endian well-known binary of one or more parts, shape (n,).
    kind
        As for `in_parts`.

    Returns
    -------
    pyarrow.Array
        Shape (n,); missing where there was no part.

    Examples
    --------
    >>> shapes = np.array([shapely.box(0, 0, 1, 1), shapely.Polygon(), None])
    >>> made = binary_in_parts(pa.array(shapely.to_wkb(shapes), pa.binary()), "MultiPolygon")
    >>> [made[0].as_py() == shapely.to_wkb(in_parts(shapes, "MultiPolygon"))[0], *made.is_null().to_pylist()]
    [True, False, True, True]
    """
    # OGC 06-103r4, 8.2: a byte for the order, four for the kind, four for the number of what follows.
    head = pc.binary_slice(shapes, 1, 9)
    single, multi = _BINARY_KINDS[kind]
    none = pc.equal(pc.binary_slice(shapes, 5, 9), pa.scalar(bytes(4)))
    one = pc.equal(pc.binary_slice(head, 0, 4), pa.scalar(struct.pack("<I", single)))
    before = pc.if_else(one, pa.scalar(struct.pack("<BII", 1, multi, 1)), pa.scalar(b""))
    wrapped = pc.binary_join_element_wise(before, shapes, pa.scalar(b""))
    return pc.if_else(none, pa.scalar(None, pa.binary()), wrapped)


@contextlib.contextmanager
def fixed_clock() -> Iterator[None]:
    """Let GDAL write one time of the last change, whatever the clock says, while the block runs."""
    with _configured({"OGR_CURRENT_DATE": LAST_CHANGE}):
        yield


@contextlib.contextmanager
def unwatched() -> Iterator[None]:
    """Let GDAL write new GeoPackages without a journal while the block runs.

    For files that take their place when they are whole: one that is cut off is thrown away in any case. Their
    pages are larger than is usual, which makes indexes by text half as dear.
    """
    with _configured(_UNWATCHED):
        yield


@contextlib.contextmanager
def _configured(options: Mapping[str, str]) -> Iterator[None]:
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(dict(options))
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
