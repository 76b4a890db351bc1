"""Look into a file before reading it, and name what is wrong with it.

In: the path of a vector file or table, and a layer's name where the file has several.
Out: `Look`: driver, layers, columns, geometry type, CRS and count; or an error of one sentence.

A look opens a file without moving its rows; the bulk is read by `read.py`.
"""

from __future__ import annotations

import csv
import json
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from roofplat.errors import CrsError, LayerError
from roofplat.intake.formats import CSV, PARQUET, UNPACKED_MB, readers_of

__all__ = ["Look", "csv_separator", "label_of", "layers_of", "look", "require"]

# Formats whose coordinates are lon/lat when nothing else is said (RFC 7946 for GeoJSON).
LON_LAT_FORMATS = ("GeoJSON", "GeoJSONSeq", "TopoJSON")


@dataclass(frozen=True, slots=True)
class Look:
    """What a file says of one of its layers.

    file, layer
        The file and the layer looked at.
    layers
        Every layer of the file.
    driver
        The format, as GDAL names it; `Parquet` and `CSV` for those.
    geometry
        Geometry type, `Unknown` where it is mixed or unstated; None for a plain table.
    crs
        None where the file does not say.
    count
        Features or rows.
    fields
        Column name to type, as the file words it.
    """

    file: Path
    layer: str
    layers: tuple[str, ...]
    driver: str
    geometry: str | None
    crs: CRS | None
    count: int
    fields: Mapping[str, str]

    @property
    def label(self) -> str:
        """The layer's name in problems and counts: no folder, and no layer that only repeats the file."""
        return label_of(self.file, None if self.layers == (self.file.stem,) else self.layer)


def label_of(file: Path, layer: str | None) -> str:
    """Name a layer for people.

    Examples
    --------
    >>> label_of(Path("somewhere/town.gpkg"), "buildings")
    'town.gpkg:buildings'
    >>> label_of(Path("somewhere/roofs.geojson"), None)
    'roofs.geojson'
    """
    return file.name if layer is None else f"{file.name}:{layer}"


def layers_of(file: str | Path) -> tuple[str, ...]:
    """Name the layers of a file.

    Parameters
    ----------
    file
        As for `look`.

    Raises
    ------
    LayerError
        The file is missing, unreadable, or of no format that is read.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "roll.csv"
    >>> _ = file.write_text("id,storeys", "utf-8")
    >>> layers_of(file)
    ('roll',)
    """
    file = Path(file)
    readers = readers_of(file)
    return (file.stem,) if readers in ((CSV,), (PARQUET,)) else _layers(file)


def look(file: str | Path, layer: str | None = None, *, unpacked_mb: float = UNPACKED_MB) -> Look:
    """Look into a file.

    Parameters
    ----------
    file
        A vector file, a (Geo)Parquet file, or a CSV table, see `readers_of`.
    layer
        The layer's name; may be left out where the file has one.
    unpacked_mb
        What a packed file may unpack to at most, in millions of bytes.

    Returns
    -------
    Look

    Raises
    ------
    LayerError
        The file is missing or unreadable, has no such layer, or has several and none is named.

    Examples
    --------
    >>> look("no/such/roofs.gpkg")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    roofplat.errors.LayerError: roofs.gpkg: there is no file no/such/roofs.gpkg; check the path ...
    """
    file = Path(file)
    readers = readers_of(file, unpacked_mb)
    if readers == (CSV,):
        found = _look_csv(file)
    elif readers == (PARQUET,):
        found = _look_parquet(file)
    else:
        return _look_vector(file, layer, readers)
    if layer is not None and layer != found.layer:
        raise _no_layer(file, layer, found.layers)
    return found


def require(found: Look, *, geometry: bool = True, crs: str | None = None) -> None:
    """Refuse a layer that has nothing to give.

    Parameters
    ----------
    found
        What was seen.
    geometry
        Whether shapes are needed; a table joined by key needs none.
    crs
        The CRS that the district file names for the layer, if any.

    Raises
    ------
    LayerError
        The layer is empty, or has no geometry where some is needed.
    CrsError
        Neither the layer nor the district file names a CRS.
    """
    if not found.count:
        raise LayerError(f"{found.label}: the layer is empty; export it again, or take it out.")
    if not geometry:
        return
    if found.geometry is None:
        raise LayerError(
            f"{found.label}: the layer has no geometry, only the columns "
            f"{', '.join(found.fields) or 'none'}; give a layer with shapes, "
            "or a table with columns lon and lat."
        )
    if found.crs is None and crs is None and found.driver not in LON_LAT_FORMATS:
        raise CrsError(
            f"{found.label}: the layer does not name its coordinate reference system; "
            'set crs = "EPSG:..." for it in the district file.'
        )


def csv_separator(head: str) -> str:
    """Return the separator that a table's first line uses most; the comma wins a tie.

    Examples
    --------
    >>> csv_separator("id;name;height")
    ';'
    >>> csv_separator("id")
    ','
    """
    return max(",;\t", key=head.count)


def _layers(file: Path) -> tuple[str, ...]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return tuple(str(name) for name, _ in pyogrio.list_layers(file))
    except (RuntimeError, ValueError, OSError):
        raise LayerError(
            f"{file.name}: the file cannot be read as a map layer; it is damaged or of another format "
            "than its name says, so export it again."
        ) from None


def _look_vector(file: Path, layer: str | None, readers: tuple[str, ...]) -> Look:
    layers = _layers(file)
    if not layers:
        raise LayerError(f"{file.name}: the file holds no layer; export it again.")
    if layer is None and len(layers) > 1:
        raise LayerError(
            f"{file.name}: the file holds several layers ({', '.join(layers)}); "
            "set layer = to one of them in the district file."
        )
    if layer is not None and layer not in layers:
        raise _no_layer(file, layer, layers)
    name = layers[0] if layer is None else layer
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            told = pyogrio.read_info(file, layer=name, force_feature_count=True)
    except (RuntimeError, ValueError, OSError) as error:
        raise LayerError(
            f"{label_of(file, name)}: the layer cannot be opened ({_first_line(error)}); export it again."
        ) from None
    if told["driver"] not in readers:
        raise LayerError(
            f"{file.name}: the file is read as {told['driver']}, which is none of the formats that are "
            "taken; export it as another."
        )
    types = (str(kind).removeprefix("OFT").lower() for kind in told["ogr_types"])
    return Look(
        file=file,
        layer=name,
        layers=layers,
        driver=str(told["driver"]),
        geometry=told["geometry_type"],
        crs=_crs(told["crs"]),
        count=int(told["features"]),
        fields=dict(zip(map(str, told["fields"]), types, strict=True)),
    )


def _look_parquet(file: Path) -> Look:
    try:
        with pq.ParquetFile(file) as parquet:
            schema = parquet.schema_arrow
            rows = parquet.metadata.num_rows
            geo = json.loads((parquet.metadata.metadata or {}).get(b"geo", b"null"))
    except (OSError, pa.ArrowException, ValueError):
        raise LayerError(
            f"{file.name}: the file cannot be read as Parquet; it is damaged, so export it again."
        ) from None
    fields = {field.name: str(field.type) for field in schema}
    geometry, crs = None, None
    if geo:
        column = geo["columns"][geo["primary_column"]]
        fields.pop(geo["primary_column"], None)
        types = column.get("geometry_types") or []
        geometry = str(types[0]) if len(types) == 1 else "Unknown"
        # GeoParquet: no crs key means lon/lat, a null one means unknown.
        crs = _crs(column.get("crs", "OGC:CRS84"))
    return Look(file, file.stem, (file.stem,), "Parquet", geometry, crs, rows, fields)


def _look_csv(file: Path) -> Look:
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            separator = csv_separator(stream.readline())
            rows = sum(1 for row in csv.reader(stream, delimiter=separator) if row)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            columns = pd.read_csv(file, sep=separator, encoding="utf-8-sig", nrows=0).columns
    except UnicodeDecodeError:
        raise LayerError(f"{file.name}: the table is not UTF-8 text; save it as CSV UTF-8.") from None
    except (OSError, csv.Error, pd.errors.EmptyDataError, pd.errors.ParserError) as error:
        raise LayerError(
            f"{file.name}: the table cannot be read ({_first_line(error)}); save it as CSV again."
        ) from None
    return Look(
        file, file.stem, (file.stem,), "CSV", None, None, rows, {str(name): "str" for name in columns}
    )


def _crs(words: object) -> CRS | None:
    """Return a CRS that can be transformed, or None: engineering systems are as good as none."""
    if not words:
        return None
    try:
        crs = CRS.from_user_input(words)
    except CRSError:
        return None
    return crs if crs.is_geographic or crs.is_projected else None


def _no_layer(file: Path, layer: str, layers: tuple[str, ...]) -> LayerError:
    near = get_close_matches(layer, layers, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    return LayerError(f"{file.name}: there is no layer {layer!r}; {hint}it holds {', '.join(layers)}.")


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0].rstrip(".")
