"""What is held of a whole layer while it is cut: one narrow row a feature.

In: a layer of the district file.
Out: `Narrow`: where each feature lies, its id, whether it can be used; the raw rows in a file beside it.

Its box, its id and a few flags are held, some 80 bytes a feature; everything else goes through memory
batch by batch. With what is looked up in between, a district takes 0.6 kilobytes a building at the peak, all
its tables and layers counted (measured from 100,000 to a million buildings).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely
from pyproj import CRS, Transformer

from roofplat.district import FootprintSource, LayerSource
from roofplat.errors import LayerError
from roofplat.intake.columns import house_columns, ids_made, joined_by_key, key_choices, made_ids
from roofplat.intake.crs import outside_of
from roofplat.intake.gather import named_buildings, overhead_lines
from roofplat.intake.layer import BoolArray, Layer, Severity
from roofplat.intake.look import Look, look, require
from roofplat.intake.raw import GEOMETRY, RawForm, raw_frame, raw_rows, raw_shapes
from roofplat.intake.read import (
    READ_FAULTS,
    named_crs,
    points_of_table,
    reader_remarks,
    rows_lacking,
    start_layer,
)
from roofplat.intake.repair import flatten
from roofplat.intake.roof_form import EDGE, edges_not_known
from roofplat.intake.values import clean_keys
from roofplat.rules import Rulebook
from roofplat.tables import join_problems

__all__ = ["CLOSED", "Narrow", "hold_layer", "raw_batches", "working_boxes"]

CLOSED = "__closed__"
"""The column of raw rows that says whether a ring was closed."""
Remark = tuple[str, str, str, Severity]
# Layers that say how high a building is, and where.
_WITH_HEIGHTS = ("footprints", "attributes", "sections")
# Layers whose features may name their building.
_NAMING = ("sections", "fires")
_HEIGHT_FIELDS = ("height_ft", "storeys", "roof_height_ft", "roof_shape")


@dataclass(slots=True)
class Narrow:
    """A layer while it is cut.

    role
        What it is for: `footprints`, a key of `intake.gather.Opened.plain`, or `obstacles-1` and the like.
    source
        Its line of the district file.
    found, crs, form
        What was seen of it, the CRS of its coordinates, how its rows become a frame.
    fault, read
        Why it cannot be used, and how many rows are lost with it.
    remarks
        What is said of the layer as a whole: code, message, action, severity.
    boxes
        West, south, east, north of each feature, shape (n, 4), in its own CRS until `working_boxes`; not
        finite where it has no usable shape. (0, 4) of a table without shapes.
    kept
        Which features have a usable shape, shape (n,).
    ids
        Cleaned ids, shape (n,); None where there are none.
    spool
        The raw rows as an Arrow stream, in the order of the file.
    lines
        Which features are overhead lines, shape (n,); of obstacles alone.
    tall_ft
        How high the roof edge of a building may be by what each row says, 0 where it says nothing; shape
        (n,), of footprints, sections and attributes alone.
    named
        The building that each feature names, shape (n,); of sections and fire spots alone.
    count
        n.
    """

    role: str
    source: LayerSource
    spool: Path
    found: Look | None = None
    crs: CRS | None = None
    form: RawForm = field(default_factory=RawForm)
    fault: LayerError | None = None
    read: int = 0
    remarks: list[Remark] = field(default_factory=list)
    boxes: npt.NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 4)))
    kept: BoolArray = field(default_factory=lambda: np.empty(0, dtype=bool))
    ids: pd.Series[Any] | None = None
    lines: BoolArray | None = None
    tall_ft: npt.NDArray[np.float32] | None = None
    named: pd.Series[Any] | None = None
    count: int = 0

    @property
    def geometry(self) -> bool:
        """Whether its shapes are needed; a table joined by key needs none."""
        return not joined_by_key(self.source)

    def fail(self, fault: LayerError) -> None:
        """Give the layer up, and with it what was read of it."""
        self.fault = fault
        self.count = 0
        self.boxes, self.kept, self.ids = np.empty((0, 4)), np.empty(0, dtype=bool), None
        self.lines = self.tall_ft = self.named = None


def hold_layer(role: str, source: LayerSource, folder: Path, rules: Rulebook) -> Narrow:
    """Read a layer once, keep what is narrow, and lay its raw rows aside.

    Parameters
    ----------
    role, source
        What the layer is for, and its line of the district file.
    folder
        Where the raw rows go.
    rules
        What heights can be.

    Returns
    -------
    Narrow
        With a fault where the layer cannot be used: the same that reading it whole would find.
    """
    layer = Narrow(role, source, folder / f"{role}.arrows")
    try:
        layer.found = look(source.file, source.layer, unpacked_mb=source.unpacked_mb)
        layer.read = layer.found.count
        _hold(layer, layer.found, rules)
    except LayerError as error:
        layer.fail(error)
    return layer


def raw_batches(layer: Narrow) -> Iterator[pa.Table]:
    """Read the raw rows of a layer again, in the order of the file."""
    if not layer.count:
        return
    with pa.OSFile(str(layer.spool)) as file, pa.ipc.open_stream(file) as reader:
        for batch in reader:
            yield pa.Table.from_batches([batch])


def working_boxes(layer: Narrow, working_crs: CRS) -> None:
    """Move the boxes of a layer to the working CRS; each then holds what it held, with a little to spare.

    What cannot be moved there is kept no longer.
    """
    if layer.crs is None or not len(layer.boxes):
        return
    boxes = layer.boxes
    if not layer.crs.equals(working_crs):
        move = Transformer.from_crs(layer.crs, working_crs, always_xy=True)
        x, y = move.transform(boxes[:, [0, 0, 2, 2]], boxes[:, [1, 3, 1, 3]])
        moved = np.column_stack([x.min(axis=1), y.min(axis=1), x.max(axis=1), y.max(axis=1)])
        # Edges that were straight are bent now, the longer the more: a box of 10 km by some metres.
        spare = 0.01 * np.maximum(moved[:, 2] - moved[:, 0], moved[:, 3] - moved[:, 1])
        boxes = np.hstack([moved[:, :2] - spare[:, None], moved[:, 2:] + spare[:, None]])
    layer.kept = layer.kept & np.isfinite(boxes).all(axis=1)
    boxes[~layer.kept] = np.nan
    layer.boxes = boxes


def _hold(layer: Narrow, found: Look, rules: Rulebook) -> None:
    source, geometry = layer.source, layer.geometry
    table = found.driver == "CSV"
    require(found, geometry=geometry and not table, crs=source.crs)
    boxes: list[npt.NDArray[np.float64]] = []
    kept: list[BoolArray] = []
    lines: list[BoolArray] = []
    tall: list[npt.NDArray[np.float32]] = []
    named: list[pd.Series[Any]] = []
    edges = 0
    choices: list[list[pd.Series[Any]]] = []
    filled: list[bool] = []
    rows = raw_rows(found, geometry=geometry and not table)
    label = "table" if table else "layer"
    action = "mend that line" if table else "export it again"
    batches = iter(rows.batches)
    with pa.OSFile(str(layer.spool), "wb") as file:
        writer = None
        while True:
            try:
                batch = next(batches, None)
            except UnicodeDecodeError as error:
                if table:
                    raise LayerError(
                        f"{found.label}: the table is not UTF-8 text; save it as CSV UTF-8."
                    ) from None
                raise _unreadable(found, label, error, action) from None
            except READ_FAULTS as error:
                raise _unreadable(found, label, error, action) from None
            if batch is None:
                break
            frame = raw_frame(batch, RawForm())
            shapes = None
            if GEOMETRY in batch.column_names:
                shapes, batch = _closed(batch)
            one = start_layer(found, frame, shapes, "warning")
            _choose(choices, filled, key_choices(one, source, explicit=joined_by_key(source)))
            if layer.role.startswith("obstacles"):
                lines.append(overhead_lines(one, source, rules))
            if layer.role in _NAMING:
                named.append(_named(one, source))
            if layer.role.startswith(_WITH_HEIGHTS):
                heights, count = _heights_ft(one, source, rules)
                tall.append(heights)
                edges += count
            if geometry:
                placed = flatten(points_of_table(one, found, source) if table else one)
                boxes.append(shapely.bounds(placed.shapes()))
                kept.append(placed.kept)
            if writer is None:
                writer = pa.ipc.new_stream(file, batch.schema)
            writer.write_table(batch)
            layer.count += batch.num_rows
        if writer is not None:
            writer.close()
    if table and not layer.count:
        raise LayerError(f"{found.label}: the table is empty; export it again, or take it out.")
    layer.form = rows.form
    layer.lines = np.concatenate(lines) if lines else None
    layer.tall_ft = np.concatenate(tall) if tall else None
    layer.named = pd.concat(named, ignore_index=True) if named else None
    _identify(layer, found, choices)
    if not table:
        layer.remarks += rows_lacking(found, layer.count)
    for remark in reader_remarks(rows.remarks):
        words = f"The reader says: {remark}."
        layer.remarks.append(("reader_note", words, "Check the features it speaks of.", "info"))
    if rows.surplus:
        words = "Some rows have more cells than the header; the surplus cells were left out."
        layer.remarks.append(("reader_note", words, "Give every column a heading.", "warning"))
    if edges:
        layer.remarks.append((*edges_not_known(edges), "info"))
    if not geometry:
        return
    layer.boxes = np.concatenate(boxes) if boxes else np.empty((0, 4))
    layer.kept = np.concatenate(kept) if kept else np.empty(0, dtype=bool)
    if table:
        lon_lat = Look(
            found.file, found.layer, found.layers, "GeoJSON", "Point", None, found.count, found.fields
        )
        layer.crs, _ = named_crs(lon_lat, source)
    else:
        layer.crs, said = named_crs(found, source)
        if said:
            layer.remarks.append(("crs_named", said, "Check that the layer lies where it should.", "info"))
    outside = outside_of(found.label, found.driver, layer.crs, layer.boxes, layer.kept)
    layer.kept = layer.kept & ~outside
    layer.boxes[~layer.kept] = np.nan


def _named(layer: Layer, source: LayerSource) -> pd.Series[Any]:
    try:
        return named_buildings(layer, source)
    except LayerError:
        return pd.Series(None, index=layer.rows.index, dtype="str")


def _heights_ft(layer: Layer, source: LayerSource, rules: Rulebook) -> tuple[npt.NDArray[np.float32], int]:
    """How high a roof edge may be by each row; and how many heights are those of whole buildings."""
    nothing = np.zeros(len(layer.rows), dtype=np.float32)
    try:
        layer, columns = house_columns(layer, source, rules, fields=_HEIGHT_FIELDS)
    except LayerError:
        return nothing, 0
    height, storeys = (
        columns[name].to_numpy(dtype=float, na_value=np.nan) if name in columns else nothing
        for name in ("height_ft", "storeys")
    )
    each = rules.number("ladder.default_height_ft.storey")
    tall = np.asarray(np.nan_to_num(np.fmax(height, storeys * each)), dtype=np.float32)
    said = join_problems(layer.problems)
    # The remark begins with the number.
    counted = said.loc[said["code"] == EDGE, "message"].str.partition(" ")
    return tall, sum(int(number) for number in counted.get(0, ()))


def _unreadable(found: Look, what: str, error: Exception, action: str) -> LayerError:
    words = " ".join(str(error).split()).rstrip(".")
    return LayerError(f"{found.label}: the {what} cannot be read ({words}); {action}.")


def _closed(batch: pa.Table) -> tuple[gpd.GeoSeries, pa.Table]:
    """Shapes of raw rows; the rows with rings closed, and which they are."""
    shapes, closed = raw_shapes(batch)
    rows = np.flatnonzero(closed)
    if rows.size:
        binary = batch.column(GEOMETRY).to_numpy().copy()
        binary[rows] = shapely.to_wkb(shapes[rows])
        place = batch.column_names.index(GEOMETRY)
        batch = batch.set_column(place, GEOMETRY, pa.array(binary, type=pa.large_binary()))
    return gpd.GeoSeries(shapes), batch.append_column(CLOSED, pa.array(closed))


def _choose(choices: list[list[pd.Series[Any]]], filled: list[bool], found: list[pd.Series[Any]]) -> None:
    """Keep the columns that may still be the ids: none after one in which something stands."""
    if not choices:
        choices += [[] for _ in found]
        filled += [False] * len(found)
    for place, cells in enumerate(found[: len(choices)]):
        choices[place].append(clean_keys(cells).astype("string"))
        filled[place] |= bool(cells.notna().any())
        if filled[place]:
            del choices[place + 1 :], filled[place + 1 :]
            break


def _identify(layer: Narrow, found: Look, choices: list[list[pd.Series[Any]]]) -> None:
    """Settle the ids as `columns.identify` does for a layer read whole."""
    ids = pd.concat(choices[-1], ignore_index=True) if choices else None
    if isinstance(layer.source, FootprintSource):
        lacking = np.arange(layer.count) if ids is None else np.flatnonzero(ids.isna())
        if ids is None:
            ids = pd.Series(pd.NA, index=range(layer.count), dtype="string")
        if lacking.size:
            ids.iloc[lacking] = made_ids(None, found.layer, lacking + 1)[0].to_numpy()
            layer.remarks.append((*ids_made(int(lacking.size)), "info"))
    layer.ids = ids
