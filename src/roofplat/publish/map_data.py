"""What the map page carries of one part of a district: every layer in lon/lat, cut into blocks and packed.

In: the tables of a part in the working CRS, as frames or with their geometry still as coordinates.
Out: bytes that stand beside the part's tables; `map_parts.py` reads them and makes pages of them.

Buildings stand by dispatch area, and within each in the order of a Hilbert curve, so that those of one block
are neighbours and a page of an area is made of whole blocks. A block of plans is two texts: what is drawn
when it comes into view, and what is read when a card is opened. What is only known when all parts are done
(ranks, odds, sheets) is in neither.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from roofplat.framing.ragged import offsets
from roofplat.late import LateTable
from roofplat.publish.files import NO_AREA
from roofplat.publish.map_place import Place, degrees_to_steps, steps_in
from roofplat.publish.map_shapes import (
    FlatShapes,
    flatten_coordinates,
    flatten_shapes,
    inner_points,
    thinned,
)
from roofplat.publish.packing import Each, FlatColumn, Run, Some, flatten_column, pack_blocks

__all__ = [
    "BLOCK_BUILDINGS",
    "FREE_COLUMNS",
    "MAP_FILE",
    "OVERVIEW_COLUMNS",
    "PACKED_TABLES",
    "PLAN_LAYERS",
    "FlatLayer",
    "flat_columns",
    "pack_part",
    "shapes_from_arrow",
    "shapes_to_arrow",
    "texts_of",
]

MAP_FILE = "map.bin"
"""The file beside the tables of a tile that holds what `pack_part` makes."""
_ZONE_DETAIL_STEPS = 20.0  # about 20 cm
# Steps of 1e-7 degree that the vertices of a layer are kept to; one for all others. A metre matters to
# no arrow, and a hand's breadth to no zone.
_TIMES: Mapping[str, int] = {"collapse_zones": 10, "planes": 50}
# Few enough that a block is unpacked between two frames, many enough that words repeat in it.
BLOCK_BUILDINGS = 200

# What each layer of the page carries beside its shapes: columns a card, a label or a look needs.
# The overview has what is drawn, found and filtered from afar; the rest of a building is its details.
OVERVIEW_COLUMNS = (
    "building_id",
    "name",
    "address",
    "area_ft2",
    "dispatch_area",
    "roof_family",
    "family_basis",
    "surveyed_on",
)
_AUDIT_COLUMNS = ("solar_checks", "solar_met")
_DETAIL_COLUMNS = (
    "occupancy",
    "year_built",
    "storeys",
    "height_ft",
    "height_basis",
    "sprinklered",
    "inspected_on",
    "look_again",
    "alert",
    *_AUDIT_COLUMNS,
)
_FACT_COLUMNS = ("field", "value", "basis", "date", "source")
_VENTING_COLUMNS = (
    "part",
    "planned",
    "wanted_ft2",
    "flow_ft2",
    "flow_outside",
    "fire_kw",
    "fire_area_ft2",
    "clear_ft",
    "inlet_ft2",
    "inlet_least_ft2",
    "clear_planned_ft",
    "clear_outside",
    "largest_single_ft2",
    "least_openings",
    "planned_ft2",
    "glazing_ft2",
    "existing_ft2",
    "existing_count",
    "existing_unsized",
    "prescribed_ft2",
    "prescribed_by",
    "vents_short_ft2",
    "code_asks",
    "saw_ft",
    "saw_1_ft",
    "saw_2_ft",
    "head_cut_ft",
    "parallel_cut_ft",
    "base_cut_ft",
    "check_saw_ft",
    "trench_saw_ft",
    "cross_cut_ft",
    "parts",
    "walk_ft",
    "crew_share",
    "rate_basis",
    "work_minutes",
    "windward_openings",
    "says",
)
_PLAN_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "sections": (
        "part",
        "area_ft2",
        "true_area_ft2",
        "roof_family",
        "family_basis",
        "framing_axis_deg",
        "axis_basis",
        "roof_shape",
        "shape_basis",
        "slope_deg",
        "slope_basis",
        "rise_ft",
        "fire_basis",
        "wind_from_deg",
        "wind_basis",
        "cut_method",
        "cut_method_why",
        "methods_rejected",
    ),
    "walls": ("kind", "kind_basis", "side_letter"),
    "planes": ("part", "downslope_deg", "slope_deg", "area_ft2", "basis"),
    "members": ("part", "kind", "count", "spacing_ft", "basis"),
    "obstacles": ("kind", "height_ft", "basis"),
    "collapse_zones": ("distance_ft", "height_ft", "height_basis", "pushes_out", "why"),
    "ladders": (
        "rank",
        "side",
        "apparatus",
        "ladder_ft",
        "base_setback_ft",
        "support_ft",
        "highest_ft",
        "aerial_setback_ft",
        "in_collapse_zone",
        "height_basis",
        "usng",
        "reasons",
    ),
    "paths": ("ladder_rank", "length_ft", "share_on_bearing", "why"),
    "checks": ("kind", "cut_ft"),
    "openings": (
        "seq",
        "method",
        "length_ft",
        "width_ft",
        "area_ft2",
        "wanted_ft2",
        "placed_ft2",
        "finish_toward_deg",
        "push_side",
        "usng",
        "why",
    ),
    "trenches": ("method", "length_ft", "width_ft", "from_fire_ft", "usng", "why"),
    "solar_access": ("part", "array", "finding", "basis", "message"),
    "fires": ("fire_basis",),
}
# What of them a drawing needs; the rest is unpacked with a card.
_DRAWN_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "walls": ("kind", "kind_basis", "side_letter"),
    "planes": ("downslope_deg", "area_ft2", "basis"),
    "members": ("kind", "spacing_ft", "basis"),
    "obstacles": ("kind", "height_ft", "basis"),
    "collapse_zones": ("distance_ft", "height_basis", "pushes_out"),
    "ladders": ("rank", "apparatus", "in_collapse_zone"),
    "checks": ("kind",),
    "openings": ("seq", "method"),
    "trenches": ("method",),
    "solar_access": ("finding", "basis"),
    "fires": ("fire_basis",),
}
_NO_SHAPES = ("details", "facts", "venting")
FREE_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "streets": ("name",),
    "ground": ("kind", "basis"),
    "obstacles": _PLAN_COLUMNS["obstacles"],
}
"""Layers of a part that belong to no building, and their columns; obstacles of no building are lines overhead
and things in yards."""
# Places after the point; one for all others.
_DECIMALS: Mapping[str, int] = {
    "area_ft2": 0,
    "true_area_ft2": 0,
    "p_lightweight": 3,
    "score": 3,
    "spacing_ft": 2,
    "share_on_bearing": 2,
    "placed_ft2": 0,
    # Of what is worked out for smoke and crew only heights show a tenth.
    **{name: 0 for name in _VENTING_COLUMNS if not name.startswith("clear_")},
    "crew_share": 3,
}
PLAN_LAYERS = (*_PLAN_COLUMNS, *_NO_SHAPES)
"""Layers whose rows belong to buildings, in the order in which a block holds them."""
PACKED_TABLES = tuple(dict.fromkeys(["buildings", "facts", "venting", *_PLAN_COLUMNS, *FREE_COLUMNS]))
"""The tables that `pack_part` looks at."""
_LENGTH_BYTES = 8
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FlatLayer:
    """Shapes (or none) and columns of n rows, and the building of each, ascending.

    building
        Position among the buildings; shape (n,).
    """

    shapes: FlatShapes | None
    columns: Mapping[str, FlatColumn]
    building: IntArray

    def take(self, rows: IntArray) -> FlatLayer:
        """The rows at some positions, in that order."""
        return FlatLayer(
            None if self.shapes is None else self.shapes.take(rows),
            {name: column.take(rows) for name, column in self.columns.items()},
            self.building[rows],
        )


def flat_columns(frame: Any, names: Sequence[str], rows: IntArray | None = None) -> dict[str, FlatColumn]:
    """Some columns of a table taken apart, those that there are; of some of the rows, in their order."""
    made = {
        name: flatten_column(_series(frame[name]), decimals=_DECIMALS.get(name, 1))
        for name in names
        if name in frame
    }
    return made if rows is None else {name: column.take(rows) for name, column in made.items()}


def pack_part(tables: Mapping[str, Any]) -> bytes:
    """Pack what the map shows of one part of a district, but for what is only known of the whole.

    Parameters
    ----------
    tables
        Those of the part: at least `buildings`, with what is `current` of the facts; frames, or tables whose
        geometry is still coordinates. Working CRS.

    Returns
    -------
    bytes
        A head (JSON, its length before it) and sections of bytes that it names: the buildings and the layers
        of no building as Arrow streams, and the blocks as texts. `map_parts.PackedPart` reads it. The same
        tables give the same bytes.
    """
    buildings = tables["buildings"]
    crs = buildings.crs
    held = _shapes(buildings)
    place = steps_in(crs, _box(held.xy))
    flat = held.in_steps(place)
    areas, starts, order, area_of_block = _blocks(_columns(buildings), flat)
    count = len(order)
    position = np.empty(count, dtype=np.int64)
    position[order] = np.arange(count)
    ids = texts_of(_columns(buildings)["building_id"])
    layers = _plan_layers(tables, ids, position, place)
    flat = flat.take(order)
    boxes = [flat.boxes(starts)]
    drawn, words, rows = {}, {}, {}
    for name, layer in layers.items():
        cuts = np.searchsorted(layer.building, starts)
        rows[name] = np.diff(cuts).tolist()
        looks = [column for column in _DRAWN_COLUMNS.get(name, ()) if column in layer.columns]
        others = [column for column in layer.columns if column not in looks]
        present = cuts[:-1] < cuts[1:]
        owners = Run(np.bincount(layer.building, minlength=count), starts)
        told = {"rows": Some(_each(np.diff(cuts)), present), "columns": _heads(layer, others, cuts)}
        if layer.shapes is None:
            words[name] = Some({**told, "owners": owners}, present)
            continue
        seen = {
            "shapes": layer.shapes.head(cuts, times=_TIMES.get(name, 1)),
            "rows": _each(np.diff(cuts)),
            "columns": _heads(layer, looks, cuts),
            "owners": owners,
        }
        drawn[name], words[name] = Some(seen, present), Some(told, present)
        if name != "members":
            # They lie inside the outlines.
            boxes.append(layer.shapes.boxes(cuts))
    least = np.min([part[:, :2] for part in boxes], axis=0)
    most = np.max([part[:, 2:] for part in boxes], axis=0)
    blocks = len(starts) - 1
    texts = [
        text
        for pair in zip(
            pack_blocks({"layers": drawn}, blocks), pack_blocks({"layers": words}, blocks), strict=True
        )
        for text in pair
    ]
    sections = {"buildings": _stream(_overview(buildings, order, flat))}
    for name in FREE_COLUMNS:
        found = _free(tables.get(name), name, ids, place)
        if found is not None:
            sections[name] = _stream(found)
    head = {
        "areas": areas,
        "blocks": {
            "area": area_of_block,
            "buildings": np.diff(starts).tolist(),
            "boxes": np.hstack([least, most]).astype(np.int64).tolist(),
            "texts": [len(text) for text in texts],
            "surveyed": _surveyed(_columns(buildings), order, starts),
            "families": _families(_columns(buildings), order, starts),
        },
        "rows": rows,
        "sections": {name: len(section) for name, section in sections.items()},
    }
    text = json.dumps(head, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
    return b"".join([len(text).to_bytes(_LENGTH_BYTES, "little"), text, *sections.values(), *texts])


def shapes_to_arrow(flat: FlatShapes) -> dict[str, pa.Array]:
    """Shapes in steps as columns of Arrow; `shapes_from_arrow` reads them."""
    vertices = flat.row_vertices().astype(np.int32)
    lists = pa.ListArray.from_arrays
    return {
        "shape_kind": pa.array(flat.kind.astype(np.int8)),
        "shape_sizes": lists(flat.first_curve.astype(np.int32), np.diff(flat.first_vertex).astype(np.int32)),
        "shape_steps": lists(2 * vertices, np.ascontiguousarray(flat.xy, dtype=np.int32).ravel()),
    }


def shapes_from_arrow(table: pa.Table) -> FlatShapes:
    """Shapes out of the columns that `shapes_to_arrow` made."""
    sizes, steps = (table.column(name).combine_chunks() for name in ("shape_sizes", "shape_steps"))
    curves = np.asarray(sizes.value_lengths()).astype(np.int64)
    return FlatShapes(
        np.asarray(table.column("shape_kind")).astype(np.int64),
        offsets(curves),
        offsets(np.asarray(sizes.flatten()).astype(np.int64)),
        np.asarray(steps.flatten()).astype(np.int64).reshape(-1, 2),
    )


def _plan_layers(
    tables: Mapping[str, Any], ids: pa.Array, position: IntArray, place: Place
) -> dict[str, FlatLayer]:
    """The layers whose rows belong to buildings, sorted by them."""
    sections = _columns(tables["sections"]) if "sections" in tables else {}
    numbers = _section_numbers(sections, ids)
    layers = {}
    for name, wanted in _PLAN_COLUMNS.items():
        if name == "fires":
            made = _fires(sections, ids, position)
            if made is not None:
                layers[name] = made
            continue
        table = tables.get(name)
        if name == "solar_access" and table is not None:
            table = _not_met(_frame(table))
        if table is None or not len(table):
            continue
        columns = _columns(table)
        owner, order = _sorted(columns["building_id"], ids, position)
        if not order.size:
            continue
        if "part" in wanted:
            columns = {**columns, "part": numbers(columns["section_id"])}
        if name == "walls":
            columns = {**columns, "side_letter": _side_letters(columns, owner)}
        shapes = _shapes_of_layer(name, table, columns, order, place)
        layers[name] = FlatLayer(shapes, flat_columns(columns, wanted, order), owner[order])
    buildings = {**_columns(tables["buildings"]), **_audit_counts(tables.get("solar_access"), ids)}
    layers["details"] = FlatLayer(
        None, flat_columns(buildings, _DETAIL_COLUMNS, np.argsort(position)), np.arange(len(position))
    )
    venting = tables.get("venting")
    if venting is not None and len(venting):
        columns = _columns(venting)
        owner, order = _sorted(columns["building_id"], ids, position)
        if order.size:
            columns = {**_asked(columns), "part": numbers(columns["section_id"])}
            layers["venting"] = FlatLayer(None, flat_columns(columns, _VENTING_COLUMNS, order), owner[order])
    facts = tables.get("facts")
    if facts is not None and len(facts):
        columns = _columns(facts)
        current = _series(columns["current"]).fillna(False).to_numpy(dtype=bool)
        owner, order = _sorted(columns["building_id"], ids, position)
        order = order[current[order]]
        if order.size:
            layers["facts"] = FlatLayer(None, flat_columns(columns, _FACT_COLUMNS, order), owner[order])
    return layers


def _asked(venting: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what the code names where it does not ask: no card shows it."""
    may = (_series(venting["code_asks"]) == "may ask").fillna(False).to_numpy(dtype=bool)
    named = ("prescribed_ft2", "prescribed_by", "vents_short_ft2")
    return {**venting, **{name: _series(venting[name]).where(may) for name in named}}


def _shapes_of_layer(
    name: str, table: Any, columns: Mapping[str, Any], order: IntArray, place: Place
) -> FlatShapes:
    if name == "sections":
        # Every building has a section; its outline says something new only where there are several.
        several = _series(columns["building_id"]).duplicated(keep=False).to_numpy(dtype=bool)
        rows = order[several[order]]
        return _spread(_shapes(table).in_steps(place, rows), np.flatnonzero(several[order]), len(order))
    if name == "planes":
        # The edges of a plane are drawn as walls, ridges, hips and valleys: its arrow needs a place alone.
        return inner_points(_shapes(table)).in_steps(place, order)
    shapes = _shapes(table).in_steps(place, order)
    # Round corners of a zone need no more points than show.
    return thinned(shapes, _ZONE_DETAIL_STEPS) if name == "collapse_zones" else shapes


def _blocks(columns: Mapping[str, Any], flat: FlatShapes) -> tuple[list[str], IntArray, IntArray, list[int]]:
    """Cut the buildings into blocks: areas, where they begin, the buildings in order, area of each block."""
    count = len(flat.kind)
    names = _series(columns["dispatch_area"]).fillna(NO_AREA).to_numpy(dtype=object).astype(str)
    known, code = np.unique(names, return_inverse=True)
    # Those of no area come last.
    rank = np.where(known == NO_AREA, len(known), np.arange(len(known)))
    by_rank = np.argsort(rank, kind="stable")
    code = np.argsort(by_rank)[code]
    boxes = flat.boxes(np.arange(count + 1))
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2
    there = np.isfinite(middle).all(axis=1)
    curve = np.zeros(count, dtype=np.int64)
    if there.any():
        points = gpd.GeoSeries.from_xy(middle[there, 0], middle[there, 1])
        curve[there] = points.hilbert_distance().to_numpy(dtype=np.int64)
    # By id among equals.
    ids = _series(columns["building_id"]).to_numpy(dtype=object).astype(str)
    order = np.lexsort([ids, curve, code])
    sizes = np.bincount(code, minlength=len(known))
    number = np.arange(count) - offsets(sizes)[code[order]]
    starts = np.append(np.flatnonzero(number % BLOCK_BUILDINGS == 0), count)
    return [str(known[place]) for place in by_rank], starts, order, code[order][starts[:-1]].tolist()


def _surveyed(columns: Mapping[str, Any], order: IntArray, starts: IntArray) -> list[int]:
    """How many roofs of each block were surveyed."""
    looked_at = _series(columns["surveyed_on"]).notna().to_numpy(dtype=bool)[order]
    counts: list[int] = np.diff(np.append(0, np.cumsum(looked_at))[starts]).tolist()
    return counts


def _families(columns: Mapping[str, Any], order: IntArray, starts: IntArray) -> dict[str, list[int]]:
    """How many buildings of each block are of each roof family."""
    codes, names = pd.factorize(_series(columns["roof_family"]))
    found = {}
    for code, name in enumerate(names):
        of_family = np.append(0, np.cumsum(codes[order] == code))
        found[str(name)] = np.diff(of_family[starts]).tolist()
    return found


def _overview(buildings: Any, order: IntArray, flat: FlatShapes) -> pa.Table:
    """The buildings as they stand in blocks; `row` is where each stands in its table."""
    columns = _columns(buildings)
    made = {
        name: pa.array(_plain(_series(columns[name])).take(order), from_pandas=True)
        for name in OVERVIEW_COLUMNS
        if name in columns
    }
    return pa.table({"row": pa.array(order), **made, **shapes_to_arrow(flat)})


def _free(table: Any, name: str, ids: pa.Array, place: Place) -> pa.Table | None:
    """Rows of a layer that belong to no building."""
    if table is None or not len(table):
        return None
    columns = _columns(table)
    rows = np.arange(len(table))
    if "building_id" in columns:
        rows = np.flatnonzero(_owners(columns["building_id"], ids) < 0)
    if not rows.size:
        return None
    made = {
        column: pa.array(_plain(_series(columns[column])).take(rows), from_pandas=True)
        for column in FREE_COLUMNS[name]
        if column in columns
    }
    return pa.table({**made, **shapes_to_arrow(_shapes(table).in_steps(place, rows))})


def _stream(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=pa.Codec("zstd", 1))
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table.combine_chunks())
    made: bytes = sink.getvalue().to_pybytes()
    return made


def _heads(layer: FlatLayer, names: Sequence[str], cuts: IntArray) -> dict[str, Any]:
    return {name: layer.columns[name].head(cuts) for name in names}


def _each(counts: IntArray) -> Each:
    return Each(counts.tolist())


def _columns(table: Any) -> Mapping[str, Any]:
    """The columns of a table by name, whichever kind of table it is."""
    if isinstance(table, LateTable):
        return table.columns
    return {str(name): table[name] for name in table.columns if name != "geometry"}


def _frame(table: Any) -> Any:
    return table.frame() if isinstance(table, LateTable) else table


def _series(column: Any) -> pd.Series:
    """A column as a series with no labels of its own."""
    return pd.Series(column.array if isinstance(column, pd.Series) else column)


def _plain(column: pd.Series) -> Any:
    """A column as Arrow takes it: words of a category as text."""
    return (column.astype("str") if isinstance(column.dtype, pd.CategoricalDtype) else column).array


def _shapes(table: Any) -> FlatShapes:
    """Shapes of a table, in its CRS."""
    if isinstance(table, LateTable):
        return flatten_coordinates(table.shapes)
    return flatten_shapes(np.asarray(table.geometry.array, dtype=object))


def _spread(flat: FlatShapes, rows: IntArray, count: int) -> FlatShapes:
    """Shapes of some of so many rows; the others have none."""
    kind = np.full(count, -1, dtype=np.int64)
    curves = np.zeros(count, dtype=np.int64)
    kind[rows], curves[rows] = flat.kind, np.diff(flat.first_curve)
    return FlatShapes(kind, offsets(curves), flat.first_vertex, flat.xy)


def _box(xy: npt.NDArray[np.float64]) -> tuple[float, float, float, float] | None:
    if not len(xy):
        return None
    west, south = xy.min(axis=0).tolist()
    east, north = xy.max(axis=0).tolist()
    # What stands around the buildings is near them.
    more = 0.02 * max(east - west, north - south)
    return west - more, south - more, east + more, north + more


def _owners(building_id: Any, ids: pa.Array) -> IntArray:
    """Row of each id among the buildings, -1 of none."""
    # Rows of a building stand together mostly: each run is looked up once.
    runs = pc.run_end_encode(texts_of(building_id), run_end_type=pa.int64())
    ends, names = np.asarray(runs.run_ends), runs.values  # noqa: PD011  no frame
    found = pc.index_in(names, value_set=ids, skip_nulls=True).fill_null(-1)
    owner: IntArray = np.repeat(np.asarray(found).astype(np.int64), np.diff(ends, prepend=0))
    return owner


def texts_of(column: Any) -> pa.Array:
    """A column of text as one array of Arrow."""
    cells = pa.array(_plain(_series(column)), pa.large_string(), from_pandas=True)
    return cells.combine_chunks() if isinstance(cells, pa.ChunkedArray) else cells


def _sorted(building_id: Any, ids: pa.Array, position: IntArray) -> tuple[IntArray, IntArray]:
    """Place of each row's building, and the rows of buildings in the order of those places."""
    rows = _owners(building_id, ids)
    # The last entry is for rows of none.
    owner = np.append(position, -1)[rows]
    order = np.argsort(owner, kind="stable")
    return owner, order[int((owner < 0).sum()) :]


def _section_numbers(sections: Mapping[str, Any], ids: pa.Array) -> Callable[[Any], pd.Series]:
    """What gives a section's number in its building, from 1, for ids of sections."""
    if not sections:
        return lambda section_id: pd.Series(pd.array([pd.NA] * len(section_id), dtype="Int64"))
    owner = _owners(sections["building_id"], ids)
    order = np.argsort(owner, kind="stable")
    owner = owner[order]
    first = np.flatnonzero(np.append(True, owner[1:] != owner[:-1])[: len(owner)])
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order)) - np.repeat(first, np.diff(first, append=len(order))) + 1
    firsts = ~_series(sections["section_id"]).duplicated().to_numpy(dtype=bool)
    known, number = texts_of(sections["section_id"]).filter(pa.array(firsts)), number[firsts]

    def numbers(section_id: Any) -> pd.Series:
        row = _owners(section_id, known)
        return pd.Series(pd.arrays.IntegerArray(np.append(number, 0)[row], row < 0))

    return numbers


def _fires(sections: Mapping[str, Any], ids: pa.Array, position: IntArray) -> FlatLayer | None:
    """Make points of the fire spots that the standing plans assume."""
    if not sections:
        return None
    planned = _series(sections["planned"]).fillna(False).to_numpy(dtype=bool)
    lon, lat = (
        _series(sections[name]).to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("fire_lon", "fire_lat")
    )
    owner, order = _sorted(sections["building_id"], ids, position)
    order = order[(planned & np.isfinite(lon) & np.isfinite(lat))[order]]
    if not order.size:
        return None
    each = np.arange(order.size + 1)
    steps = degrees_to_steps(np.stack([lon[order], lat[order]], axis=1))
    shapes = FlatShapes(np.zeros(order.size, dtype=np.int64), each, each, steps)
    return FlatLayer(shapes, flat_columns(sections, _PLAN_COLUMNS["fires"], order), owner[order])


def _audit_counts(audit: Any, ids: pa.Array) -> dict[str, pd.Series]:
    """Count for each building how many access checks its solar arrays had, and how many they met."""
    if audit is None:
        return {}
    columns = _columns(audit)
    owner = _owners(columns["building_id"], ids)
    met = _series(columns["passes"]).fillna(False).to_numpy(dtype=bool)
    checks = np.bincount(owner[owner >= 0], minlength=len(ids))
    passed = np.bincount(owner[(owner >= 0) & met], minlength=len(ids))
    return {
        name: pd.Series(pd.arrays.IntegerArray(values, checks == 0))
        for name, values in zip(_AUDIT_COLUMNS, (checks, passed), strict=True)
    }


def _not_met(audit: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep what the audit did not find met; each array is drawn once, by the worst of its findings."""
    failed = (~audit["passes"].fillna(True).astype(bool)).to_numpy(dtype=bool)
    audit = audit.assign(
        finding=pd.Series(np.where(failed, "failed", "open"), dtype="str", index=audit.index)
    )
    audit = audit[audit["passes"].isna().to_numpy() | failed]
    audit = audit.sort_values("finding", kind="stable").reset_index(drop=True)
    again = audit.duplicated(["section_id", "array"]).to_numpy()
    return audit.set_geometry(audit.geometry.mask(again, None))


def _side_letters(walls: Mapping[str, Any], owner: IntArray) -> pd.Series:
    """Keep the letter of each side's longest wall: one label a side is enough."""
    codes, letters = pd.factorize(_series(walls["side"]))
    length = _series(walls["length_ft"]).to_numpy(dtype=np.float64, na_value=np.nan)
    side = (owner + 1) * (len(letters) + 1) + codes + 1
    longest = np.full(int(side.max(initial=0)) + 1, -np.inf)
    np.fmax.at(longest, side, length)
    # The first of equals: written last, it stays.
    rows = np.flatnonzero(length == longest[side])[::-1]
    first = np.full(longest.size, -1, dtype=np.int64)
    first[side[rows]] = rows
    shown = np.where(first[side] == np.arange(side.size), codes, -1)
    return pd.Series(pd.Categorical.from_codes(shown.tolist(), pd.Index(letters)))
