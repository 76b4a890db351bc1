"""Move a layer's rows from a file into memory, all at once.

In: what `look` saw and the layer's line of the district file.
Out: `Layer` with every row of the file, shapes in the file's own CRS.

pyogrio through geopandas reads the vector formats with Arrow, geopandas reads GeoParquet, pandas
reads CSV. A ring whose closing point is missing is closed here, because no polygon can be made
of it later.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from roofplat.district import LayerSource
from roofplat.errors import CrsError, LayerError
from roofplat.intake.columns import identify
from roofplat.intake.layer import Layer, Severity
from roofplat.intake.look import LON_LAT_FORMATS, Look, csv_separator, require
from roofplat.intake.raw import (
    RawForm,
    raw_frame,
    raw_rows,
    raw_shapes,
    readable_rows,
    straight_shapes,
)
from roofplat.intake.values import numbers

__all__ = [
    "READ_FAULTS",
    "named_crs",
    "points_of_table",
    "read_layer",
    "reader_remarks",
    "rows_lacking",
    "start_layer",
]

READ_FAULTS = (
    # All errors of the reader of vector files, and nesting that is too deep.
    RuntimeError,
    MemoryError,
    pa.ArrowException,
    shapely.errors.ShapelyError,
    UnicodeDecodeError,
    pd.errors.ParserError,
    pd.errors.EmptyDataError,
    ValueError,
    OSError,
    # Curves, in a format that knows none.
    NotImplementedError,
)
# Spellings of a coordinate pair in a table.
_LON_LAT = (("lon", "lat"), ("longitude", "latitude"), ("long", "lat"), ("lng", "lat"))


def read_layer(
    found: Look, source: LayerSource, *, geometry: bool = True, refusal: Severity = "warning"
) -> Layer:
    """Read one layer whole.

    Parameters
    ----------
    found
        What `look` saw of it.
    source
        Its line of the district file.
    geometry
        Whether shapes are needed; a table joined by key needs none.
    refusal
        Severity of a feature that has to be refused.

    Returns
    -------
    Layer
        All rows kept so far; rings that were closed are marked and logged.

    Raises
    ------
    LayerError, CrsError
        The layer is empty, cannot be read, has no shapes or does not say where it is.
    FieldError
        It has no column that the district file names as its id.
    """
    if found.driver == "CSV":
        return _read_csv(found, source, geometry=geometry, refusal=refusal)
    require(found, geometry=geometry, crs=source.crs)
    try:
        frame, closed, remarks = _read(found, geometry=geometry)
    except READ_FAULTS as error:
        raise LayerError(
            f"{found.label}: the layer cannot be read ({_words(error)}); export it again."
        ) from None
    shapes = frame.geometry.set_crs(None, allow_override=True) if geometry else None
    rows = pd.DataFrame(frame.drop(columns=frame.geometry.name)) if geometry else pd.DataFrame(frame)
    rows, unreadable = readable_rows(rows)
    layer = identify(start_layer(found, rows, shapes, refusal), source)
    for lacking in rows_lacking(found, len(rows)):
        layer = layer.remark(*lacking)
    for remark in sorted({*remarks, *unreadable}):
        layer = layer.remark("reader_note", f"The reader says: {remark}.", "Check the features it speaks of.")
    if not geometry:
        return layer
    crs, said = named_crs(found, source)
    layer = layer.with_shapes(layer.shapes(), crs)
    if said:
        layer = layer.remark("crs_named", said, "Check that the layer lies where it should.")
    return layer.mend(
        closed,
        "ring_closed",
        "The closing point of a ring was missing; the ring was closed.",
        "Nothing, if the outline looks right.",
    )


def rows_lacking(found: Look, read: int) -> list[tuple[str, str, str, Severity]]:
    """What is said of a file that gives fewer features than it counts.

    Parameters
    ----------
    found
        What `look` saw of it.
    read
        How many features the reader gave.

    Returns
    -------
    list
        Nothing, or code, message, action and severity of a remark. Files with rows that were deleted and
        not yet removed count too many as well.

    Raises
    ------
    LayerError
        It gives none.
    """
    if read >= found.count:
        return []
    if not read:
        raise LayerError(
            f"{found.label}: the file counts {found.count:,} features, but none of them can be read; export "
            "it again."
        )
    message = f"The file counts {found.count:,} features, but {read:,} of them can be read."
    return [("rows_lacking", message, "Export it again, and compare the numbers.", "warning")]


def named_crs(found: Look, source: LayerSource) -> tuple[CRS, str]:
    """Decide which CRS a layer's coordinates are in.

    Parameters
    ----------
    found
        What `look` saw.
    source
        The layer's line of the district file.

    Returns
    -------
    crs
        The file's own; else the district file's; else lon/lat for GeoJSON and TopoJSON.
    said
        A sentence where the choice was not the file's own, else empty.

    Raises
    ------
    CrsError
        The district file names a CRS that does not exist, or nobody names one.
    """
    lon_lat = found.driver in LON_LAT_FORMATS
    if source.crs is not None:
        try:
            given = CRS.from_user_input(source.crs)
        except CRSError:
            raise CrsError(
                f"{found.label}: the district file gives crs = {source.crs!r}, which is not a coordinate "
                'reference system; write it as "EPSG:" and its number.'
            ) from None
        # GeoJSON is lon/lat by its standard, whether the file says so or not: a department that
        # names another CRS for it knows better.
        if found.crs is None or (lon_lat and found.crs.is_geographic):
            return given, f"The coordinates are read as {given.name}, as the district file says."
        if not found.crs.equals(given):
            return found.crs, (
                f"The layer names {found.crs.name} and the district file {given.name}; "
                "the layer's own is used."
            )
        return found.crs, ""
    if found.crs is not None:
        return found.crs, ""
    if lon_lat:
        return CRS("OGC:CRS84"), "The layer names no coordinate reference system; it is read as lon/lat."
    raise CrsError(
        f"{found.label}: the layer does not name its coordinate reference system; "
        'set crs = "EPSG:..." for it in the district file.'
    )


def _read(found: Look, *, geometry: bool) -> tuple[Any, np.ndarray[Any, np.dtype[np.bool_]], list[str]]:
    """Return the frame, which rows had a ring closed, and what the reader complained of."""
    if found.driver == "Parquet":
        # Not by geopandas, to which one shape that cannot be made is a file that cannot be read.
        table = pa.concat_tables(raw_rows(found, geometry=geometry).batches)
        frame = raw_frame(table, RawForm())
        if not geometry:
            return frame, np.zeros(len(frame), dtype=bool), []
        shapes, closed = raw_shapes(table)
        return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, index=frame.index)), closed, []
    arguments: dict[str, Any] = {"layer": found.layer, "use_arrow": True, "datetime_as_string": True}
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        if not geometry:
            arguments["read_geometry"] = False
        try:
            frame = gpd.read_file(found.file, **arguments, **({"on_invalid": "ignore"} if geometry else {}))
        except NotImplementedError:
            frame = _with_curves(found, arguments)
        closed = np.zeros(len(frame), dtype=bool)
        if geometry and isinstance(frame, gpd.GeoDataFrame):
            lost = shapely.is_missing(frame.geometry.array)
            if lost.any():
                # Rows whose rings are open come out empty; the second reading closes them.
                try:
                    mended = gpd.read_file(found.file, **arguments, on_invalid="fix")
                except NotImplementedError:
                    mended = _with_curves(found, arguments, on_invalid="fix")
                closed = lost & ~shapely.is_missing(mended.geometry.array)
                frame = mended
    if geometry and not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError("it has no geometry")
    said = [
        str(entry.message) for entry in caught if issubclass(entry.category, RuntimeWarning | UserWarning)
    ]
    return frame.reset_index(drop=True), closed, reader_remarks(said)


def _with_curves(
    found: Look, arguments: dict[str, Any], *, on_invalid: Literal["ignore", "fix"] = "ignore"
) -> gpd.GeoDataFrame:
    """A layer with curves: its columns, and its shapes with lines in their place."""
    rows = gpd.read_file(found.file, **arguments, read_geometry=False)
    with np.errstate(invalid="ignore"):
        shapes = shapely.from_wkb(straight_shapes(found), on_invalid=on_invalid)
    return gpd.GeoDataFrame(rows, geometry=gpd.GeoSeries(shapes, index=rows.index))


def reader_remarks(said: Iterable[str]) -> list[str]:
    """What of a reader's warnings is told of the layer as a whole, sorted.

    Examples
    --------
    >>> reader_remarks(["Some  field was cut.", "Points of LinearRing do not form a closed ring"])
    ['Some field was cut']
    """
    # Open rings and coordinates that are no numbers get rows of their own, by feature.
    own = ("closed ring", "encountered in")
    return sorted({_words(words) for words in said if not any(part in words for part in own)})


def _read_csv(found: Look, source: LayerSource, *, geometry: bool, refusal: Severity) -> Layer:
    require(found, geometry=False)
    try:
        with found.file.open(encoding="utf-8-sig", newline="") as stream:
            separator = csv_separator(stream.readline())
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            # Text throughout: a key such as 00417 must keep its zeros.
            rows = pd.read_csv(
                found.file,
                sep=separator,
                dtype=str,
                keep_default_na=False,
                encoding="utf-8-sig",
                index_col=False,
            )
    except UnicodeDecodeError:
        raise LayerError(f"{found.label}: the table is not UTF-8 text; save it as CSV UTF-8.") from None
    except READ_FAULTS as error:
        raise LayerError(
            f"{found.label}: the table cannot be read ({_words(error)}); mend that line."
        ) from None
    if rows.empty:
        raise LayerError(f"{found.label}: the table is empty; export it again, or take it out.")
    layer = identify(start_layer(found, rows, None, refusal), source)
    if caught:
        layer = layer.remark(
            "reader_note",
            "Some rows have more cells than the header; the surplus cells were left out.",
            "Give every column a heading.",
            "warning",
        )
    if not geometry:
        return layer
    return points_of_table(layer, found, source)


def points_of_table(layer: Layer, found: Look, source: LayerSource) -> Layer:
    """Make points of a table's coordinate columns.

    Parameters
    ----------
    layer
        Rows of text.
    found, source
        What was seen of the table, and its line of the district file.

    Returns
    -------
    Layer
        With points; a row whose cells are no numbers is refused.

    Raises
    ------
    LayerError, CrsError
        It has no such columns, or nobody says in which CRS they are.
    """
    columns = {str(name).strip().lower(): str(name) for name in layer.rows.columns}
    pairs = [(source.columns.get("lon", "").lower(), source.columns.get("lat", "").lower()), *_LON_LAT]
    if source.crs is not None:
        pairs.append(("x", "y"))
    pair = next((pair for pair in pairs if pair[0] in columns and pair[1] in columns), None)
    if pair is None:
        require(found)  # says that there is no geometry
    assert pair is not None  # noqa: S101 - the line above raises
    x, bad_x = numbers(layer.rows[columns[pair[0]]])
    y, bad_y = numbers(layer.rows[columns[pair[1]]])
    missing = np.asarray(x.isna() | y.isna(), dtype=bool)
    shapes: Any = shapely.points(x.fillna(0.0).to_numpy(), y.fillna(0.0).to_numpy())
    shapes[missing] = None
    crs, _ = named_crs(
        Look(found.file, found.layer, found.layers, "GeoJSON", "Point", None, found.count, found.fields),
        source,
    )
    bad = np.asarray(bad_x | bad_y, dtype=bool)
    return layer.with_shapes(shapes, crs).refuse(
        bad,
        "bad_coordinate",
        f"The columns {columns[pair[0]]} and {columns[pair[1]]} do not both hold a number.",
        "Give decimal degrees, or feet or metres with crs in the district file.",
    )


def start_layer(found: Look, rows: pd.DataFrame, shapes: gpd.GeoSeries | None, refusal: Severity) -> Layer:
    """A layer as it was read: all rows kept, none repaired.

    Parameters
    ----------
    found
        What was seen of it.
    rows, shapes
        n rows.
    refusal
        Severity of a feature that has to be refused.

    Returns
    -------
    Layer
    """
    count = len(rows)
    return Layer(
        label=found.label,
        name=found.layer,
        driver=found.driver,
        rows=rows.reset_index(drop=True),
        geometry=shapes,
        feature=np.array([f"row {number}" for number in range(1, count + 1)], dtype=object),
        kept=np.ones(count, dtype=bool),
        repaired=np.zeros(count, dtype=bool),
        refusal=refusal,
    )


def _words(said: object) -> str:
    return " ".join(str(said).split()).rstrip(".")
