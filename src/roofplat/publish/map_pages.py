"""What a page of the map carries: the overview of its blocks, and their texts one after the other.

In: packed parts, the blocks of a page, what is only known of the whole district.
Out: the text of the overview, the texts of the blocks as they go into the page; or what an overview of pages
    says of it.

A block has three texts: what is drawn and what is read, made with its part, and what is only known when all
parts are done: odds, ranks, the list of roofs to survey next, sheets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from roofplat.errors import LayerError
from roofplat.framing.ragged import offsets
from roofplat.publish.map_data import (
    OVERVIEW_COLUMNS,
    PLAN_LAYERS,
    FlatLayer,
    flat_columns,
    shapes_from_arrow,
    texts_of,
)
from roofplat.publish.map_overview import Group
from roofplat.publish.map_parts import (
    CARD_LATE,
    OVERVIEW_LATE,
    PANDAS,
    Late,
    PackedPart,
    Page,
    Places,
    words_equal,
)
from roofplat.publish.map_place import STEPS_PER_DEGREE, degrees_to_steps
from roofplat.publish.map_shapes import FlatShapes, flatten_shapes
from roofplat.publish.packing import Each, pack_block, pack_blocks, write_blocks
from roofplat.rules import Rulebook

__all__ = ["Flat", "block_texts", "family_class", "flatten_page", "group_of", "overview_text"]

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Flat:
    """The buildings of some blocks, flattened.

    layer
        One row a building, block after block.
    blocks
        The number of the part and of the block in it, of each block.
    starts
        Where each block begins in the layer, and where the last ends.
    late
        For each block, the text of what is only known of the whole district.
    """

    layer: FlatLayer
    blocks: Mapping[tuple[int, int], int]
    starts: IntArray
    late: Sequence[bytes]

    def of(self, page: Page) -> FlatLayer:
        """The buildings of a page that has some of the blocks."""
        wanted = [self.blocks[number, block] for number, blocks in page.blocks for block in blocks]
        if len(wanted) == len(self.blocks):
            return self.layer
        rows = np.concatenate(
            [np.zeros(0, dtype=np.int64), *(np.arange(*self.starts[[at, at + 1]]) for at in wanted)]
        )
        return self.layer.take(rows)


def flatten_page(page: Page, packed: Sequence[PackedPart], late: Late) -> Flat:
    """Flatten the buildings of a page, and pack what is only known of the whole district.

    Parameters
    ----------
    page
        Its blocks; other pages that have some of them need not flatten them again.
    packed, late
        What is known.

    Raises
    ------
    LayerError
        The packed parts are not those of the tables.
    """
    tables, rows_of, sizes, names = [], [], [], []
    for number, blocks in page.blocks:
        part = packed[number]
        counts, chosen = part.counts(), np.array(blocks, dtype=np.int64)
        starts = offsets(counts)
        table = part.section("buildings")
        assert table is not None  # noqa: S101  every part has it
        if len(chosen) < len(counts):
            table = table.take(
                np.concatenate([np.arange(starts[block], starts[block + 1]) for block in chosen])
            )
        tables.append(table)
        rows_of.append(np.asarray(table.column("row")) + late.first[number])
        sizes.append(counts[chosen])
        names += [(number, block) for block in blocks]
    shown = (*OVERVIEW_COLUMNS, *OVERVIEW_LATE)
    if not tables:
        empty = {name: pd.Series([], dtype="str") for name in shown}
        nothing = flatten_shapes(np.array([], dtype=object)).in_steps(degrees_to_steps)
        layer = FlatLayer(nothing, flat_columns(empty, shown), np.array([], dtype=np.int64))
        return Flat(layer, {}, np.array([0]), [])
    table = pa.concat_tables(tables, promote_options="permissive")
    row, starts = np.concatenate(rows_of), offsets(np.concatenate(sizes))
    plain = table.select([name for name in OVERVIEW_COLUMNS if name in table.column_names])
    columns = {**plain.to_pandas(types_mapper=PANDAS.get), **late.of(row)}
    if not late.ids.take(pa.array(row)).equals(texts_of(columns["building_id"])):
        raise LayerError("The parts of the map are not those of the tables; build with --anew.")
    layer = FlatLayer(shapes_from_arrow(table), flat_columns(columns, shown), np.full(len(row), -1))
    told = flat_columns(columns, CARD_LATE)
    details = {
        "rows": Each(np.diff(starts).tolist()),
        "columns": {name: column.head(starts) for name, column in told.items()},
    }
    texts = pack_blocks({"layers": {"details": details}}, len(names))
    return Flat(layer, {name: place for place, name in enumerate(names)}, starts, texts)


def block_texts(page: Page, flat: Flat, packed: Sequence[PackedPart]) -> Iterator[bytes]:
    """The three texts of each block of a page, one block after the other."""
    for number, blocks in page.blocks:
        for block, (drawn, words) in zip(blocks, packed[number].texts(blocks), strict=True):
            yield drawn
            yield words
            yield flat.late[flat.blocks[number, block]]


def overview_text(
    page: Page,
    flat: Flat,
    packed: Sequence[PackedPart],
    places: Places,
    *,
    frames: Mapping[str, Any],
    named: str | None = None,
) -> bytes:
    """Pack the overview of a page, with `frames` in its head.

    Parameters
    ----------
    page
        The blocks that it has.
    flat
        Its buildings, and others or none beside them.
    packed, places
        What is known.
    frames
        What the page says beside the data: title, families, scenario ...
    named
        The dispatch area that it is of; None for all of the district, with every place.

    Returns
    -------
    bytes
        ASCII. The overview says where each text of the blocks begins, which buildings a block holds, and the
        box around all that is drawn of them.
    """
    counts, boxes, lengths = [], [], []
    layer_rows = dict.fromkeys(PLAN_LAYERS, 0)
    for number, blocks in page.blocks:
        head = packed[number].head
        told = head["blocks"]
        for block in blocks:
            counts.append(told["buildings"][block])
            boxes += told["boxes"][block]
            lengths += [*told["texts"][2 * block : 2 * block + 2], len(flat.late[flat.blocks[number, block]])]
        for name, rows in head["rows"].items():
            layer_rows[name] += sum(rows[block] for block in blocks)
    buildings = flat.of(page)
    box = _box_of(buildings)
    around = places.layers if named is None else places.in_box(box, named)
    if box is None:
        box = _box_of(around["areas"])
    heads = {name: _layer_head(layer) for name, layer in {"buildings": buildings, **around}.items()}
    ((written, data),) = write_blocks(heads, 1)
    whole = {
        **frames,
        "steps_per_degree": STEPS_PER_DEGREE,
        "bounds": None if box is None else _degrees(box),
        "layers": written,
        "plan_layers": layer_rows,
        "blocks": {
            "buildings": offsets(np.array(counts, dtype=np.int64)).tolist(),
            "boxes": boxes,
            "starts": offsets(np.array(lengths, dtype=np.int64)).tolist(),
        },
    }
    return pack_block(whole, data)


def group_of(
    page: Page,
    packed: Sequence[PackedPart],
    places: Places,
    rules: Rulebook,
    *,
    name: str,
    link: str,
    area: str | None,
) -> Group:
    """What an overview says of a page, and its outline: that of a dispatch area, or boxes of its parts."""
    classes = dict.fromkeys(("lightweight", "not lightweight", "unknown"), 0)
    surveyed, boxes = 0, []
    for number, blocks in page.blocks:
        told = packed[number].head["blocks"]
        for family, counts in told["families"].items():
            classes[family_class(rules, family)] += sum(counts[block] for block in blocks)
        surveyed += sum(told["surveyed"][block] for block in blocks)
        around = np.array([told["boxes"][block] for block in blocks], dtype=np.int64)
        boxes.append(np.concatenate([around[:, :2].min(axis=0), around[:, 2:].max(axis=0)]))
    outline = None
    if area is not None:
        areas = places.layers["areas"]
        rows = np.flatnonzero(words_equal(areas, area))
        if len(rows) and areas.shapes is not None:
            outline = areas.shapes.take(rows)
    buildings = page.buildings(packed)
    return Group(
        name, link, buildings, surveyed, classes, _boxes_drawn(boxes) if outline is None else outline
    )


def family_class(rules: Rulebook, family: str) -> str:
    """Whether a roof family is lightweight, in the words of the page."""
    known = rules.families.get(family)
    return {True: "lightweight", False: "not lightweight", None: "unknown"}[
        None if known is None else known.lightweight
    ]


def _layer_head(layer: FlatLayer) -> dict[str, Any]:
    assert layer.shapes is not None  # noqa: S101  layers of the overview have shapes
    rows = len(layer.shapes.kind)
    whole = np.array([0, rows])
    return {
        "shapes": layer.shapes.head(whole),
        "rows": rows,
        "columns": {name: column.head(whole) for name, column in layer.columns.items()},
    }


def _box_of(layer: FlatLayer) -> npt.NDArray[np.float64] | None:
    """The box around a layer, in steps; None of nothing."""
    if layer.shapes is None or not len(layer.shapes.xy):
        return None
    return np.concatenate([layer.shapes.xy.min(axis=0), layer.shapes.xy.max(axis=0)]).astype(np.float64)


def _degrees(box: npt.NDArray[np.float64]) -> list[list[float]]:
    west, south, east, north = (box / STEPS_PER_DEGREE).tolist()
    return [[south, west], [north, east]]


def _boxes_drawn(boxes: Sequence[IntArray]) -> FlatShapes:
    """Boxes as one polygon each."""
    count = len(boxes)
    edges = np.array(boxes, dtype=np.int64).reshape(count, 4)
    each = np.arange(count + 1)
    return FlatShapes(
        np.full(count, 2, dtype=np.int64), each, 4 * each, edges[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 2)
    )
