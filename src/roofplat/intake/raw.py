"""Rows of a layer as its file holds them, batch by batch.

In: what `look` saw of a layer and its line of the district file.
Out: Arrow tables of raw rows, and the frame that the reader makes of some of them.

A layer too big for memory is read in batches, and what a whole reading would make of a row must not depend
on the rows beside it. What a reader concludes from a whole column is kept in `RawForm`.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyogrio
import pyogrio.raw
import shapely

from roofplat.intake.look import Look, csv_separator

__all__ = [
    "GEOMETRY",
    "RawForm",
    "RawRows",
    "legible_shapes",
    "raw_frame",
    "raw_rows",
    "raw_shapes",
    "readable_rows",
    "straight_shapes",
]

GEOMETRY = "geometry"
"""The column of raw rows that holds shapes, as well-known binary."""
_BATCH_ROWS = 50_000
# Circular string, compound curve, curve polygon, multi curve, multi surface, curve, surface.
_CURVES = (8, 9, 10, 11, 12, 13, 14)
# The library's quick way through FlatGeobuf leaves gaps in its memory where a feature has no shape, and
# reads whatever is there (GDAL 3.12); its way through all other formats does not. For every reader here.
pyogrio.set_gdal_config_options({"OGR_FLATGEOBUF_STREAM_BASE_IMPL": "YES"})


@dataclass(frozen=True, slots=True)
class RawForm:
    """How the reader turns the columns of a file into those of a frame.

    moments
        Columns of dates and times that come as such and are read as text.
    nested
        Columns of JSON.
    gaps
        Columns of whole numbers or of yes and no in which some row of the file holds nothing: the reader
        gives all of them another type then.
    """

    moments: tuple[str, ...] = ()
    nested: tuple[str, ...] = ()
    gaps: tuple[str, ...] = ()


@dataclass(slots=True)
class RawRows:
    """The batches of a layer; `form` and `remarks` are whole when all of them were taken.

    batches
        Arrow tables, all of one schema.
    remarks
        What the reader complained of.
    surplus
        Whether a table of text has rows with more cells than its header.
    """

    batches: Iterator[pa.Table]
    form: RawForm = field(default_factory=RawForm)
    remarks: list[str] = field(default_factory=list)
    surplus: bool = False


def raw_rows(found: Look, *, geometry: bool) -> RawRows:
    """Read a layer in batches.

    Parameters
    ----------
    found
        What `look` saw of it.
    geometry
        Whether shapes are wanted.

    Returns
    -------
    RawRows
        The columns as the file names them, in its order; shapes in `GEOMETRY`, last. Held at once is one
        batch; of GeoParquet whose shapes are no well-known binary, the whole file.

    Raises
    ------
    pyogrio.errors.DataSourceError, pyarrow.ArrowException, OSError, ValueError
        While batches are taken: the file cannot be read.
    """
    rows = RawRows(iter(()))
    if found.driver == "CSV":
        rows.batches = _csv(found, rows)
    elif found.driver == "Parquet":
        rows.batches = _gaps(_parquet(found, geometry, rows), rows)
    else:
        rows.batches = _gaps(_vector(found, geometry, rows), rows)
    return rows


def raw_frame(table: pa.Table, form: RawForm) -> pd.DataFrame:
    """Some raw rows as the reader of the whole file gives them, without their shapes.

    Parameters
    ----------
    table
        Raw rows.
    form
        Of their layer.

    Returns
    -------
    DataFrame
        n rows, RangeIndex.

    Examples
    --------
    >>> table = pa.table({"storeys": [1, 2]})
    >>> raw_frame(table, RawForm())["storeys"].tolist()
    [1, 2]
    >>> raw_frame(table, RawForm(gaps=("storeys",)))["storeys"].tolist()
    [1.0, 2.0]
    """
    plain = table.drop_columns([GEOMETRY]) if GEOMETRY in table.column_names else table
    frame: pd.DataFrame = plain.to_pandas().reset_index(drop=True)
    for name in form.gaps:
        if not isinstance(frame[name].dtype, np.dtype):
            # A type of its own for missing values needs no other.
            continue
        if frame[name].dtype.kind in "iu":
            frame[name] = frame[name].astype("float64")
        elif frame[name].dtype.kind == "b":
            frame[name] = frame[name].astype(object)
    for name in form.moments:
        frame[name] = frame[name].astype("str").str.replace(" ", "T")
    for name in form.nested:
        if pd.api.types.infer_dtype(frame[name]) == "string":
            frame[name] = frame[name].map(json.loads, na_action="ignore")
    return frame


def raw_shapes(table: pa.Table) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """Shapes of some raw rows, and which of them had a ring closed.

    Parameters
    ----------
    table
        Raw rows with shapes.

    Returns
    -------
    shapes
        Shape (n,); missing where the file has none or none that can be read.
    closed
        Shape (n,).
    """
    binary = table.column(GEOMETRY).to_numpy()
    shapes = legible_shapes(binary)
    lost = np.flatnonzero(shapely.is_missing(shapes))
    closed = np.zeros(len(shapes), dtype=bool)
    if lost.size:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mended = np.asarray(shapely.from_wkb(binary[lost], on_invalid="fix"), dtype=object)
        shapes[lost] = mended
        closed[lost] = ~shapely.is_missing(mended)
    return shapes, closed


def legible_shapes(binary: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Shapes of well-known binary, shape (n,); missing where there is none, or none that can be made.

    Coordinates that are no numbers stay what they are, and nothing is said of them here.

    Examples
    --------
    >>> legible_shapes(np.array([shapely.to_wkb(shapely.Point(1, 2)), None, b"?"], dtype=object)).tolist()
    [<POINT (1 2)>, None, None]
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(shapely.from_wkb(binary, on_invalid="ignore"), dtype=object)


def straight_shapes(found: Look, *, after: int = 0, most: int | None = None) -> npt.NDArray[np.object_]:
    """Shapes of a layer with its curves as lines of short pieces, as GDAL draws them.

    Parameters
    ----------
    found
        What `look` saw of it; no Parquet, which has no curves.
    after, most
        How many rows to leave out before, and how many to take; None takes all.

    Returns
    -------
    ndarray of bytes
        Well-known binary, shape (n,); None where there is no shape.
    """
    _, _, shapes, _ = pyogrio.raw.read(
        found.file, layer=found.layer, columns=[], skip_features=after, max_features=most
    )
    return np.asarray(shapes, dtype=object)


def _curved(binary: pa.ChunkedArray) -> npt.NDArray[np.bool_]:
    """Which shapes are curves or hold some, by the codes of ISO 13249-3 that they begin with; shape (n,)."""
    heads = pc.binary_slice(binary.combine_chunks(), 1, 5).fill_null(b"")
    whole = np.flatnonzero(pc.equal(pc.binary_length(heads), 4).to_numpy(zero_copy_only=False))
    curved = np.zeros(len(heads), dtype=bool)
    if not whole.size:
        return curved
    codes = np.frombuffer(heads.take(pa.array(whole)).buffers()[2], dtype="<u4", count=whole.size)
    # Heights and measures are thousands, or flags in the highest byte.
    kinds = (codes & 0xFFFF) % 1000
    curved[whole] = np.isin(kinds, _CURVES)
    # The few collections are asked one by one.
    for row in whole[kinds == shapely.GeometryType.GEOMETRYCOLLECTION]:
        try:
            legible_shapes(np.array([binary[int(row)].as_py()], dtype=object))
        except NotImplementedError:
            curved[row] = True
    return curved


def _gaps(batches: Iterator[pa.Table], rows: RawRows) -> Iterator[pa.Table]:
    """Hand the batches on, and remember which columns of whole numbers or truths have gaps."""
    found: dict[str, None] = {}
    for table in batches:
        for name, column in zip(table.column_names, table.columns, strict=True):
            if column.null_count and (pa.types.is_integer(column.type) or pa.types.is_boolean(column.type)):
                found[name] = None
        yield table
    rows.form = RawForm(rows.form.moments, rows.form.nested, tuple(found))


def _vector(found: Look, geometry: bool, rows: RawRows) -> Iterator[pa.Table]:
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        with pyogrio.open_arrow(
            found.file,
            layer=found.layer,
            read_geometry=geometry,
            datetime_as_string=True,
            use_pyarrow=True,
            batch_size=_BATCH_ROWS,
        ) as (meta, reader):
            fields = [str(name) for name in meta["fields"]]
            schema = reader.schema
            moments = [
                name
                for name, dtype in zip(fields, meta["dtypes"], strict=True)
                if dtype is not None
                and str(dtype).startswith("datetime")
                and str(dtype) != "datetime64[D]"
                and not _is_text(schema.field(name).type)
            ]
            nested = [
                name for name, kind in zip(fields, meta["ogr_subtypes"], strict=True) if kind == "OFSTJSON"
            ]
            rows.form = RawForm(tuple(moments), tuple(nested))
            own = str(meta["geometry_name"] or "wkb_geometry")
            read = 0
            for batch in reader:
                table = _plain(pa.Table.from_batches([batch]), own if geometry else None, rows)
                if geometry and _curved(table.column(GEOMETRY)).any():
                    straight = straight_shapes(found, after=read, most=len(table))
                    place = table.column_names.index(GEOMETRY)
                    table = table.set_column(place, GEOMETRY, pa.array(straight, type=pa.large_binary()))
                read += len(table)
                yield table
    rows.remarks += [str(entry.message) for entry in caught if _is_remark(entry)]


def readable_rows(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Replace what is no text in columns of text: some readers hand on whatever bytes they find.

    Parameters
    ----------
    frame
        Rows as a reader gave them.

    Returns
    -------
    frame
        With U+FFFD in the place of what is no UTF-8.
    said
        A sentence for each column that was mended.
    """
    said: list[str] = []
    for place, (name, dtype) in enumerate(zip(frame.columns, frame.dtypes, strict=True)):
        if isinstance(dtype, pd.StringDtype):
            column = frame.iloc[:, place].array.__arrow_array__()
            table, heard = _readable(pa.table({str(name): column}))
            if heard:
                frame = frame.copy() if not said else frame
                frame.isetitem(place, pd.array(table.column(0).to_pylist(), dtype=dtype))
            said += heard
    return frame, said


def _readable(table: pa.Table) -> tuple[pa.Table, list[str]]:
    said = []
    for place, name in enumerate(table.column_names):
        column = table.column(place)
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        if not _is_text(kind):
            continue
        try:
            column.validate(full=True)
        except pa.ArrowInvalid:
            cells = column.cast(kind).cast(pa.large_binary()).to_pylist()
            texts = [None if cell is None else cell.decode("utf-8", "replace") for cell in cells]
            table = table.set_column(place, name, pa.chunked_array([pa.array(texts, kind)]))
            said.append(
                f"some of the text in the column {name} is not UTF-8, and was replaced where it is not"
            )
    return table, said


def _is_remark(entry: warnings.WarningMessage) -> bool:
    return issubclass(entry.category, RuntimeWarning | UserWarning)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _plain(table: pa.Table, geometry: str | None, rows: RawRows) -> pa.Table:
    """Shapes last and under our name; extension types as what they are stored as; all text readable."""
    table, said = _readable(table)
    rows.remarks += said
    names = [name for name in table.column_names if name not in (geometry, GEOMETRY if geometry else None)]
    columns = [_stored(table.column(name)) for name in names]
    if geometry is not None:
        names.append(GEOMETRY)
        columns.append(_stored(table.column(geometry)).cast(pa.large_binary()))
    return pa.table(dict(zip(names, columns, strict=True)))


def _stored(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if not isinstance(column.type, pa.BaseExtensionType):
        return column
    kind = column.type.storage_type
    return pa.chunked_array([chunk.storage for chunk in column.chunks], type=kind)


def _parquet(found: Look, geometry: bool, rows: RawRows) -> Iterator[pa.Table]:
    with pq.ParquetFile(found.file) as parquet:
        metadata = parquet.schema_arrow.metadata or {}
        geo = json.loads(metadata.get(b"geo", b"null"))
        own = geo["primary_column"] if geo and found.geometry is not None else None
        encoding = geo["columns"][own].get("encoding", "WKB") if own else "WKB"
        if encoding == "WKB":
            pandas = {b"pandas": metadata[b"pandas"]} if b"pandas" in metadata else None
            for batch in parquet.iter_batches(_BATCH_ROWS):
                table = _plain(pa.Table.from_batches([batch]), own, rows)
                if own and not geometry:
                    table = table.drop_columns([GEOMETRY])
                elif own and (curved := _curved(table.column(GEOMETRY))).any():
                    # The format knows no curves, and so no reader of it.
                    kept = pc.if_else(pa.array(curved), None, table.column(GEOMETRY).combine_chunks())
                    table = table.set_column(table.column_names.index(GEOMETRY), GEOMETRY, kept)
                yield table.replace_schema_metadata(pandas)
            return
    frame = gpd.read_parquet(found.file).reset_index(drop=True)
    rest = pa.Table.from_pandas(pd.DataFrame(frame.drop(columns=frame.geometry.name)), preserve_index=False)
    if geometry:
        binary = pa.array(shapely.to_wkb(np.asarray(frame.geometry.array)), type=pa.large_binary())
        rest = rest.append_column(GEOMETRY, binary)
    yield rest


def _csv(found: Look, rows: RawRows) -> Iterator[pa.Table]:
    with found.file.open(encoding="utf-8-sig", newline="") as stream:
        separator = csv_separator(stream.readline())
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        with pd.read_csv(
            found.file,
            sep=separator,
            dtype=str,
            keep_default_na=False,
            encoding="utf-8-sig",
            index_col=False,
            chunksize=_BATCH_ROWS,
        ) as reader:
            for frame in reader:
                schema = pa.schema([(str(name), pa.large_string()) for name in frame.columns])
                yield pa.Table.from_pandas(frame, schema=schema, preserve_index=False)
    rows.surplus = bool(caught)
