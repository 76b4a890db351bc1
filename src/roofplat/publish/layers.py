"""The GeoPackage with every layer of a district, in its working CRS.

In: the tables, and the frames `streets`, `areas`, `stations`.
Out: `layers.gpkg`, one layer a table, empty tables included, with an index of the buildings and areas that
    its rows belong to; the same input gives the same bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from roofplat.errors import DistrictFileError
from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.overrides import override_records
from roofplat.rules import Rulebook
from roofplat.tables import TABLES

__all__ = [
    "DESCRIPTIONS",
    "LAST_CHANGE",
    "LAYER_IDS",
    "PLACES",
    "PLACE_KINDS",
    "contents_of",
    "fixed_clock",
    "in_parts",
    "layers_of",
    "stored_kind",
    "write_indexes",
    "write_layer",
    "write_layers",
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
LAST_CHANGE = "2000-01-01T00:00:00.000Z"
"""GeoPackage stores the time of the last change; a fixed one keeps equal input equal in bytes."""
# What names the contents of a file among its metadata, so that another file can say to which it belongs.
_CONTENTS = "urn:roofplat:contents"


def write_layers(tables: Mapping[str, pd.DataFrame], path: Path, *, rules: Rulebook | None = None) -> Path:
    """Write all tables into one GeoPackage.

    Parameters
    ----------
    tables
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations` with `name` and
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
    >>> path = write_layers({"paths": empty("paths", "EPSG:32613")}, Path(tempfile.mkdtemp()) / "layers.gpkg")
    >>> pyogrio.list_layers(path).tolist()
    [['paths', 'LineString']]
    """
    metadata = {"caution": CAUTION}
    if rules is not None:
        # GeoPackage's metadata are text.
        metadata["overridden_rules"] = json.dumps(override_records(rules))
    layers = layers_of(tables)
    with whole_file(path) as beside, fixed_clock():
        for name, frame in layers.items():
            write_layer(
                frame,
                beside,
                name=name,
                kind=stored_kind(name),
                description=DESCRIPTIONS[name],
                metadata=metadata,
            )
        write_indexes(beside, layers)
        _name_contents(beside)
    return path


def _name_contents(path: Path) -> None:
    """Write into a GeoPackage what names it: the checksum that it has without."""
    with path.open("rb") as stream:
        name = hashlib.file_digest(stream, "sha256").hexdigest()
    with _written_by_hand(path) as base:
        row = base.execute(
            "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, mime_type, metadata) "
            "VALUES ('dataset', ?, 'text/plain', ?)",
            (_CONTENTS, name),
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
    >>> path = write_layers({"paths": empty("paths", "EPSG:32613")}, Path(tempfile.mkdtemp()) / "layers.gpkg")
    >>> with contextlib.closing(sqlite3.connect(path)) as base:
    ...     len(contents_of(base))
    64
    """
    row = base.execute(
        "SELECT metadata FROM gpkg_metadata WHERE md_standard_uri = ?", (_CONTENTS,)
    ).fetchone()
    return None if row is None else str(row[0])


def layers_of(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """The tables that readers get, each with the dispatch area of its buildings.

    Parameters
    ----------
    tables
        As for `write_layers`.

    Returns
    -------
    dict
        By name, in the order of the layers. Every table with a `building_id` has `dispatch_area` too, the
        last of its columns where it had none.

    Examples
    --------
    >>> from roofplat.tables import empty
    >>> made = layers_of({"buildings": empty("buildings"), "facts": empty("facts"), "roofs": empty("roofs")})
    >>> list(made), made["facts"].columns[-1]
    (['buildings', 'facts'], 'dispatch_area')
    """
    layers = {
        name: tables[name].reset_index(drop=True)
        for name in (*(name for name in TABLES if name not in _INNER), *PLACES)
        if name in tables
    }
    if "buildings" not in layers:
        return layers
    area = layers["buildings"].set_index("building_id")["dispatch_area"]
    for frame in layers.values():
        if "building_id" in frame and "dispatch_area" not in frame:
            # At most one row a building, and none for what stands in a yard.
            own = area.reindex(frame["building_id"]).astype("str").reset_index(drop=True)
            place = len(frame.columns) - isinstance(frame, gpd.GeoDataFrame)
            frame.insert(place, "dispatch_area", own)
    return layers


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
    frame = frame.reset_index(drop=True)
    for column in frame.select_dtypes("datetime").columns:
        frame[column] = frame[column].astype("date32[pyarrow]")
    options: dict[str, Any] = {
        "layer": name,
        "driver": "GPKG",
        "use_arrow": True,
        "layer_metadata": dict(metadata),
        "layer_options": {"DESCRIPTION": description},
    }
    if isinstance(frame, gpd.GeoDataFrame):
        options["geometry_type"] = kind
        if kind.startswith("Multi"):
            parts = gpd.GeoSeries(in_parts(frame.geometry.to_numpy(), kind), crs=frame.crs)
            frame = frame.set_geometry(parts)
    pyogrio.write_dataframe(frame, path, **options)


def write_indexes(path: Path, layers: Mapping[str, pd.DataFrame]) -> None:
    """Let rows be found by their id, building and dispatch area without reading the rest.

    Parameters
    ----------
    path
        A GeoPackage that nobody reads yet.
    layers
        Frames by the names of its layers.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    with _written_by_hand(path) as base:
        for name, frame in layers.items():
            for column in dict.fromkeys([*_INDEXED, LAYER_IDS.get(name, _INDEXED[0])]):
                if column in frame:
                    base.execute(f'CREATE INDEX "{name}_{column}" ON "{name}" ("{column}")')


@contextlib.contextmanager
def _written_by_hand(path: Path) -> Iterator[sqlite3.Connection]:
    """A GeoPackage that nobody reads yet, to be written with SQL in one transaction."""
    try:
        with contextlib.closing(sqlite3.connect(path)) as base, base:
            yield base
    except sqlite3.Error as error:
        raise DistrictFileError(
            f"{path.name} cannot be written ({error}); make room or choose another folder with --out."
        ) from None


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


@contextlib.contextmanager
def fixed_clock() -> Iterator[None]:
    """Let GDAL write one time of the last change, whatever the clock says, while the block runs."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": LAST_CHANGE})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
