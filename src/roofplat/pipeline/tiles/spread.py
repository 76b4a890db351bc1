"""Give each tile the raw rows that it reads.

In: a layer's raw rows in the order of the file, and which tile takes which of them.
Out: one Parquet file a tile, and its checksum.

Rows are first parted among a few groups of tiles that follow each other, then each group is held at once:
so neither the layer nor a file for each tile has to be open.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely

from roofplat.intake.columns import feature_names
from roofplat.intake.raw import GEOMETRY, legible_shapes
from roofplat.pipeline.tiles.narrow import Narrow, raw_batches
from roofplat.pipeline.tiles.parting import GROUP_ROWS, Parting

__all__ = ["FEATURE", "HOME", "ID", "NAME", "RECORD", "ROW", "Places", "spread"]

ROW, FEATURE, ID, NAME, RECORD, HOME = (
    f"__{name}__" for name in ("row", "feature", "id", "name", "record", "home")
)
"""Columns beside the raw ones: row in the file from 1, what problems call it, its id as the layer's ids were
read, its id as it was made unique, its id in the record of surveys, whether it is at home."""
_SEEN_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class Places:
    """Which tile takes which rows of a layer.

    row
        Rows, from 0, shape (k,).
    tile
        Positions of tiles, shape (k,).
    home
        Whether the row is at home there; every row is in one tile only, shape (k,).
    whole
        Every tile takes all rows; the other fields are empty.
    names
        Ids that are not those of the file, by row: of footprints whose id an earlier one has.
    record
        Ids in the record of surveys, by row: of footprints that it calls otherwise.
    """

    row: npt.NDArray[np.int64]
    tile: npt.NDArray[np.int64]
    home: npt.NDArray[np.bool_]
    whole: bool = False
    names: pd.Series[Any] | None = None
    record: pd.Series[Any] | None = None


def spread(layer: Narrow, places: Places, tiles: list[str], folder: Path) -> dict[str, str]:
    """Write the rows of a layer tile by tile.

    Parameters
    ----------
    layer
        From `hold_layer`, boxes in the working CRS.
    places
        Which tile takes which rows.
    tiles
        Their names.
    folder
        Files are `<folder>/<role>/<tile>.parquet`, `all.parquet` of a layer that every tile reads whole, and
        `<folder>/schemas/<role>.parquet` without any row.

    Returns
    -------
    dict
        Tile to SHA-256 of its rows; `""` of a layer that every tile reads whole. Tiles without rows have no
        file.
    """
    if layer.fault is not None or layer.found is None:
        return {}
    again = None if layer.ids is None else layer.ids.duplicated(keep=False)
    room = folder / layer.role
    room.mkdir(parents=True)
    (folder / "schemas").mkdir(exist_ok=True)
    if places.whole:
        rows = np.arange(layer.count)
        parts = [_told(batch, layer, places, again, first) for first, batch in _numbered(layer)]
        table = pa.concat_tables(parts).append_column(HOME, pa.array(np.ones(rows.size, dtype=bool)))
        _write(table.slice(0, 0), layer, folder / "schemas" / f"{layer.role}.parquet")
        return {"": _write(table, layer, room / "all.parquet")}
    order = np.lexsort((places.tile, places.row))
    row, tile, home = places.row[order], places.tile[order], places.home[order]
    size = np.bincount(tile, minlength=len(tiles))
    group = (np.cumsum(size) - size) // GROUP_ROWS
    streams = Parting(room)
    schema = None
    for first, batch in _numbered(layer):
        start, stop = np.searchsorted(row, [first, first + batch.num_rows])
        told = _told(batch, layer, places, again, first)
        schema = told.schema if schema is None else schema
        of = group[tile[start:stop]]
        for one in np.unique(of):
            spots = np.flatnonzero(of == one) + start
            part = told.take(pa.array(row[spots] - first))
            part = part.append_column(HOME, pa.array(home[spots]))
            streams.put(int(one), part.append_column("__tile__", pa.array(tile[spots])))
    if schema is None:
        return {}
    nothing = pa.schema([*schema, pa.field(HOME, pa.bool_())], metadata=schema.metadata).empty_table()
    _write(nothing, layer, folder / "schemas" / f"{layer.role}.parquet")
    digests: dict[str, str] = {}
    for whole in streams.take():
        of = whole.column("__tile__").to_numpy()
        whole = whole.drop_columns(["__tile__"])
        by_tile = np.argsort(of, kind="stable")
        edges = np.flatnonzero(np.diff(of[by_tile], prepend=-1))
        for start, stop in zip(edges, [*edges[1:], by_tile.size], strict=True):
            name = tiles[int(of[by_tile[start]])]
            digests[name] = _write(
                whole.take(pa.array(by_tile[start:stop])).combine_chunks(), layer, room / f"{name}.parquet"
            )
    return digests


def _numbered(layer: Narrow) -> Iterator[tuple[int, pa.Table]]:
    first = 0
    for batch in raw_batches(layer):
        yield first, batch
        first += batch.num_rows


def _told(
    batch: pa.Table, layer: Narrow, places: Places, again: pd.Series[Any] | None, first: int
) -> pa.Table:
    """Raw rows with their number, name and ids beside them."""
    number = np.arange(first + 1, first + 1 + batch.num_rows)
    table = batch.append_column(ROW, pa.array(number))
    text = pa.large_string()
    if layer.ids is None or again is None:
        features = np.array([f"row {one}" for one in number], dtype=object)
        return table.append_column(FEATURE, pa.array(features, type=text))
    here = slice(first, first + batch.num_rows)
    ids = layer.ids.iloc[here].reset_index(drop=True)
    features = feature_names(ids, again.iloc[here].reset_index(drop=True), number)
    table = table.append_column(FEATURE, pa.array(features, type=text))
    table = table.append_column(ID, pa.array(ids.astype(object).where(ids.notna(), None), type=text))
    for name, own in ((NAME, places.names), (RECORD, places.record)):
        if own is not None:
            cells = own.reindex(number - 1).astype(object)
            table = table.append_column(name, pa.array(cells.where(cells.notna(), None), type=text))
    return table


def _write(table: pa.Table, layer: Narrow, path: Path) -> str:
    """Write rows as Parquet, GeoParquet 1.1 where they have shapes, and return the sum of the file."""
    metadata = dict(table.schema.metadata or {})
    if GEOMETRY in table.column_names and layer.crs is not None:
        binary = table.column(GEOMETRY).to_numpy()
        bounds = shapely.bounds(legible_shapes(binary))
        finite = bounds[np.isfinite(bounds).all(axis=1)]
        column: dict[str, Any] = {
            "encoding": "WKB",
            "geometry_types": [],
            "crs": json.loads(layer.crs.to_json()),
        }
        if len(finite):
            column["bbox"] = [*finite[:, :2].min(axis=0).tolist(), *finite[:, 2:].max(axis=0).tolist()]
        geo = {"version": "1.1.0", "primary_column": GEOMETRY, "columns": {GEOMETRY: column}}
        metadata[b"geo"] = json.dumps(geo).encode("utf-8")
    table = table.replace_schema_metadata(metadata or None)
    options: dict[str, Any] = {"compression": "zstd", "compression_level": 1, "row_group_size": _SEEN_ROWS}
    pq.write_table(table, path, write_page_checksum=True, **options)
    return hashlib.sha256(path.read_bytes()).hexdigest()
