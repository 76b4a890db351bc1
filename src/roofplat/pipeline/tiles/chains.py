"""Footprints that touch, and footprints whose ids repeat: what no single row decides.

In: the footprint layer, narrow, and its raw rows.
Out: for each footprint the chain of those that touch it, directly or by others between; the ids of those
    whose id an earlier one has.

Outlines that touch may enclose a yard of any size, and one that repeats another is refused: both are decided
by the whole chain, and nothing outside of it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.intake.columns import feature_names
from roofplat.intake.crs import outside_of, refuse_outside
from roofplat.intake.gather import Given, settle_ids
from roofplat.intake.raw import GEOMETRY, RawForm, legible_shapes, raw_frame
from roofplat.intake.read import points_of_table, start_layer
from roofplat.intake.repair import flatten
from roofplat.pipeline.tiles.boxes import BoxIndex, around
from roofplat.pipeline.tiles.narrow import CLOSED, Narrow, raw_batches
from roofplat.pipeline.tiles.parting import GROUP_ROWS, Parting
from roofplat.rules import Rulebook

__all__ = ["Chains", "chains_of", "opened_rows", "settled_names"]

IntArray = npt.NDArray[np.int64]
# Outlines this near each other may touch once they are moved to another CRS: ten times what moving a
# coordinate there and back may cost.
_NEAR_M, _M_PER_DEG = 1e-3, 111_000.0


class Chains:
    """Which footprints touch, directly or by others between.

    Parameters
    ----------
    label
        The chain of each footprint, -1 of one that touches none; shape (n,).
    """

    def __init__(self, label: npt.NDArray[np.int32]) -> None:
        self.label = label
        self._rows = np.flatnonzero(label >= 0)
        self._rows = self._rows[np.argsort(label[self._rows], kind="stable")]
        self._ordered = label[self._rows]

    def closed(self, rows: IntArray) -> IntArray:
        """Some footprints and all that are in a chain with any of them, ascending."""
        labels = np.unique(self.label[rows])
        labels = labels[labels >= 0]
        starts = np.searchsorted(self._ordered, labels, "left")
        size = np.searchsorted(self._ordered, labels, "right") - starts
        spots = np.arange(size.sum()) + np.repeat(starts - (np.cumsum(size) - size), size)
        return np.union1d(rows, self._rows[spots])


def chains_of(outline: Narrow, index: BoxIndex, tile: IntArray, folder: Path) -> Chains:
    """Find the footprints that touch.

    Parameters
    ----------
    outline
        The footprints.
    index
        Of their boxes.
    tile
        The tile that each is at home in, shape (n,).
    folder
        For files while the work goes on.

    Returns
    -------
    Chains
    """
    size = np.bincount(tile, minlength=int(tile.max()) + 1)
    group_of_tile = (np.cumsum(size) - size) // GROUP_ROWS
    order = np.argsort(tile, kind="stable")
    edges = np.searchsorted(tile[order], np.arange(size.size + 1))
    needed = [
        index.meeting(around(outline.boxes[order[edges[one] : edges[one + 1]]])) for one in range(size.size)
    ]
    row = np.concatenate(needed)
    group = np.repeat(group_of_tile, [part.size for part in needed])
    # A row is needed once in each group, whatever many of its tiles need it.
    pair = np.unique(row * (int(group.max(initial=0)) + 1) + group)
    row, group = np.divmod(pair, int(group.max(initial=0)) + 1)
    parting = Parting(folder)
    first = 0
    for batch in raw_batches(outline):
        start, stop = np.searchsorted(row, [first, first + batch.num_rows])
        shapes = batch.select([GEOMETRY]).append_column(
            "row", pa.array(np.arange(first, first + batch.num_rows))
        )
        for one in np.unique(group[start:stop]):
            spots = np.flatnonzero(group[start:stop] == one) + start
            parting.put(int(one), shapes.take(pa.array(row[spots] - first)))
        first += batch.num_rows
    near = _NEAR_M
    if outline.crs is not None and outline.crs.is_geographic:
        near /= _M_PER_DEG
    ones, others = [np.empty(0, dtype=np.int64)], [np.empty(0, dtype=np.int64)]
    for part in parting.take():
        own = part.column("row").to_numpy()
        shapes = legible_shapes(part.column(GEOMETRY).to_numpy())
        one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=near)
        apart = one < other
        ones.append(own[one[apart]])
        others.append(own[other[apart]])
    one, other = np.concatenate(ones), np.concatenate(others)
    count = outline.count
    graph = coo_array((np.ones(one.size, dtype=bool), (one, other)), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    members = np.bincount(label, minlength=1)
    return Chains(np.where(members[label] > 1, label, -1).astype(np.int32))


def settled_names(
    outline: Narrow, chains: Chains, rules: Rulebook, working_crs: CRS, ground: Ground
) -> pd.Series[Any]:
    """The ids of footprints whose id another one has as well.

    Parameters
    ----------
    outline
        The footprints.
    chains
        Which touch.
    rules, working_crs, ground
        The settings in force.

    Returns
    -------
    Series of str
        By row from 0, of those that are called otherwise than the file says. They and all that they touch
        are held at once.
    """
    ids = outline.ids
    if ids is None:
        raise TypeError("Footprints have ids.")
    again = ids.duplicated(keep=False)
    nothing: pd.Series[Any] = pd.Series([], index=pd.Index([], dtype=np.int64), dtype="string")
    if not again.any():
        return nothing
    often = ids[again].value_counts()
    # A made id may be somebody's own.
    made = [f"{name}-{number}" for name, count in often.items() for number in range(2, int(count) + 2)]
    rows = chains.closed(np.flatnonzero(again | ids.isin(made)))
    given = opened_rows(outline, rows)
    if given.layer is None:
        return nothing
    kept, names = settle_ids(given, rules, working_crs, ground)
    own = ids.iloc[rows].reset_index(drop=True)
    names = names.astype("string").reset_index(drop=True)
    changed = kept & (names != own).to_numpy(dtype=bool)
    return pd.Series(names[changed].array, index=pd.Index(rows[changed]), dtype="string")


def opened_rows(layer: Narrow, rows: IntArray) -> Given:
    """Some rows of a layer as `open_layer` opens them.

    Parameters
    ----------
    layer
        Any layer with shapes.
    rows
        From 0, ascending.

    Returns
    -------
    Given
    """
    parts, first = [], 0
    for batch in raw_batches(layer):
        start, stop = np.searchsorted(rows, [first, first + batch.num_rows])
        parts.append(batch.take(pa.array(rows[start:stop] - first)))
        first += batch.num_rows
    if layer.found is None or layer.ids is None or layer.crs is None or not parts:
        raise LayerError(f"{layer.source.file.name}: the layer was not read.")
    table = pa.concat_tables(parts)
    frame = raw_frame(table.drop_columns([CLOSED]) if CLOSED in table.column_names else table, RawForm())
    shapes = None
    if GEOMETRY in table.column_names:
        shapes = gpd.GeoSeries(legible_shapes(table.column(GEOMETRY).to_numpy()))
    one = start_layer(layer.found, frame, shapes, "error")
    ids = layer.ids.iloc[rows].reset_index(drop=True)
    again = layer.ids.duplicated(keep=False).iloc[rows].reset_index(drop=True)
    one = replace(one, ids=ids, feature=feature_names(ids, again, rows + 1), row=rows + 1)
    if layer.found.driver == "CSV":
        one = points_of_table(one, layer.found, layer.source)
    else:
        one = one.with_shapes(one.shapes(), layer.crs)
    one = flatten(one)
    bounds = shapely.bounds(one.shapes())
    outside = outside_of(one.label, one.driver, layer.crs, bounds, one.kept, most=False)
    return Given(layer.source, refuse_outside(one, outside))
