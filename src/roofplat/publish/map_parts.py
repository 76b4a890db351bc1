"""Packed parts read back, the pages that their blocks make, and what all pages need beside them.

In: parts as `map_data.pack_part` packed them, in memory or in files; the tables of a build, part after part.
Out: `PackedPart` and `Page`; `Late`, what is only known of the whole district; `Places`, what belongs to no
    building. `map_pages.py` writes pages out of them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from roofplat.errors import LayerError
from roofplat.framing.ragged import offsets
from roofplat.publish.map_data import (
    FREE_COLUMNS,
    FlatLayer,
    flat_columns,
    shapes_from_arrow,
    texts_of,
)
from roofplat.publish.map_place import degrees_to_steps, steps_in
from roofplat.publish.map_shapes import flatten_shapes
from roofplat.publish.parts import Parts

__all__ = [
    "CARD_LATE",
    "OVERVIEW_LATE",
    "PANDAS",
    "Late",
    "PackedPart",
    "Page",
    "Places",
    "late_of",
    "page_of",
    "places_of",
    "visit_bands",
    "words_equal",
]

IntArray = npt.NDArray[np.int64]
_LENGTH_BYTES = 8
_PLACE_LAYERS = ("streets", "areas", "stations")
# Of the odds, the ranking and the list of roofs to survey next, what the overview needs to colour and filter
# by, and what waits for the card.
_ODDS_COLUMNS = ("odds", "local_roofs")
_RANK_COLUMNS = ("rank", "class", "due_state")
_RANKING_COLUMNS = (
    "rank_low",
    "rank_high",
    "score",
    "reasons",
    "unknown_facts",
    "class_basis",
    "next_due",
    "overdue_days",
)
# Places on the list of roofs to survey next that the filter asks for; a place of its own is on the card.
_VISIT_STEPS = (25, 100)
# Of that list: what it is called there, and on the card.
_VISIT_COLUMNS: Mapping[str, str] = {"order": "visit_order", "reason": "visit_why"}
OVERVIEW_LATE = ("p_lightweight", *_RANK_COLUMNS, "visit_band")
CARD_LATE = (*_ODDS_COLUMNS, *_RANKING_COLUMNS, *_VISIT_COLUMNS.values(), "sheet")


@dataclass(frozen=True, slots=True)
class PackedPart:
    """A packed part; blocks and sections are read when they are asked for.

    source
        The bytes, or their file.
    head
        What they begin with; see `map_data.pack_part`.
    first_byte
        Where the sections begin.
    """

    source: bytes | Path
    head: Mapping[str, Any]
    first_byte: int

    @classmethod
    def of(cls, source: bytes | Path) -> PackedPart:
        """Read the head of a packed part.

        Raises
        ------
        LayerError
            The file cannot be read.
        """
        if isinstance(source, bytes):
            end = _LENGTH_BYTES + int.from_bytes(source[:_LENGTH_BYTES], "little")
            return cls(source, json.loads(source[_LENGTH_BYTES:end]), end)
        try:
            with source.open("rb") as file:
                length = int.from_bytes(file.read(_LENGTH_BYTES), "little")
                return cls(source, json.loads(file.read(length)), _LENGTH_BYTES + length)
        except (OSError, ValueError) as error:
            raise LayerError(f"{source} cannot be read ({error}); build with --anew.") from None

    def areas(self) -> npt.NDArray[np.object_]:
        """The dispatch area of each block."""
        names = np.array(self.head["areas"], dtype=object)
        found: npt.NDArray[np.object_] = names[np.array(self.head["blocks"]["area"], dtype=np.int64)]
        return found

    def counts(self) -> IntArray:
        """How many buildings each block holds."""
        return np.array(self.head["blocks"]["buildings"], dtype=np.int64)

    def section(self, name: str) -> pa.Table | None:
        """The buildings, or a layer of no building; None where the part has none of it."""
        at = self.first_byte
        for key, length in self.head["sections"].items():
            if key == name:
                return pa.ipc.open_stream(self._read(at, length)).read_all()
            at += length
        return None

    def texts(self, blocks: Sequence[int]) -> Iterator[tuple[bytes, bytes]]:
        """What is drawn and what is read of some blocks."""
        lengths = self.head["blocks"]["texts"]
        starts = (
            offsets(np.array(lengths, dtype=np.int64)) + self.first_byte + sum(self.head["sections"].values())
        )
        if isinstance(self.source, bytes):
            held = self.source
            for block in blocks:
                low, middle, high = starts[2 * block : 2 * block + 3].tolist()
                yield held[low:middle], held[middle:high]
            return
        with self.source.open("rb") as file:
            for block in blocks:
                file.seek(int(starts[2 * block]))
                yield file.read(lengths[2 * block]), file.read(lengths[2 * block + 1])

    def _read(self, start: int, length: int) -> bytes:
        if isinstance(self.source, bytes):
            return self.source[start : start + length]
        with self.source.open("rb") as file:
            file.seek(start)
            return file.read(length)


@dataclass(frozen=True, slots=True)
class Late:
    """What is only known of the whole district, for the buildings of all parts one after the other.

    ids
        Of the buildings, in the order of their tables, as text.
    first
        Where those of each part begin.
    odds
        Columns in the same order.
    ranking, visits
        Tables, and for each building its row in them, -1 for none.
    sheets
        For ids of buildings, the name of the sheet in the folder of sheets.
    """

    ids: pa.Array
    first: IntArray
    odds: pd.DataFrame
    ranking: tuple[pd.DataFrame, IntArray] | None
    visits: tuple[pd.DataFrame, IntArray] | None
    sheets: Mapping[str, str]

    def of(self, rows: IntArray) -> dict[str, pd.Series]:
        """The late columns of some buildings."""
        found = {str(name): self.odds[name].take(rows) for name in self.odds}
        for held in (self.ranking, self.visits):
            if held is not None:
                table, row_of = held
                row = row_of[rows]
                # A row of none is one behind the last.
                found |= {
                    str(name): table[name].reindex(np.where(row < 0, len(table), row)) for name in table
                }
        names = (
            [self.sheets.get(building) for building in self.ids.take(rows).to_pylist()]
            if self.sheets
            else [None] * len(rows)
        )
        found["sheet"] = pd.Series(names, dtype="str")
        return found


@dataclass(frozen=True, slots=True)
class Places:
    """Layers that belong to no building: their shapes, columns, and the box around each row in steps."""

    layers: Mapping[str, FlatLayer]
    boxes: Mapping[str, npt.NDArray[np.float64]]

    def in_box(self, box: npt.NDArray[np.float64] | None, named: str) -> dict[str, FlatLayer]:
        """The rows whose box meets a box; without one, the box of the area of a name."""
        if box is None:
            around = self.boxes["areas"][words_equal(self.layers["areas"], named)]
            if len(around):
                box = np.concatenate([around[:, :2].min(axis=0), around[:, 2:].max(axis=0)])
        found = {}
        for name, layer in self.layers.items():
            west, south, east, north = self.boxes[name].T
            near = np.zeros(len(west), dtype=bool)
            if box is not None:
                near = (west <= box[2]) & (east >= box[0]) & (south <= box[3]) & (north >= box[1])
            found[name] = layer.take(np.flatnonzero(near))
        return found


@dataclass(frozen=True, slots=True)
class Page:
    """The blocks of a page: of each part that it has some of, its number and the numbers of the blocks."""

    blocks: Sequence[tuple[int, Sequence[int]]]

    def buildings(self, packed: Sequence[PackedPart]) -> int:
        """How many buildings it has."""
        return sum(int(packed[number].counts()[list(blocks)].sum()) for number, blocks in self.blocks)

    def cut(self, packed: Sequence[PackedPart], most: int) -> list[Page]:
        """The same blocks as pages of so many buildings at most; a block stays whole, and pages are even."""
        flat = [(number, block) for number, blocks in self.blocks for block in blocks]
        counts = np.array([packed[number].counts()[block] for number, block in flat], dtype=np.int64)
        pages: list[list[tuple[int, int]]] = []
        # Even pages where they stay under what is allowed.
        wanted = -(-int(counts.sum()) // max(1, -(-int(counts.sum()) // most)))
        room = 0
        for place, count in zip(flat, counts.tolist(), strict=True):
            if not pages or room + count > max(wanted, 1):
                pages.append([])
                room = 0
            pages[-1].append(place)
            room += count
        return [
            Page(
                [(number, [block for _, block in some]) for number, some in groupby(page, key=itemgetter(0))]
            )
            for page in pages
        ]


def late_of(parts: Parts, packed: Sequence[PackedPart], sheets: Mapping[str, str]) -> Late:
    """Find what is known of each building of the packed parts."""
    buildings = parts.narrow("buildings", ["building_id", "p_lightweight", *_ODDS_COLUMNS])
    ids = texts_of(buildings["building_id"])
    counts = np.array([int(part.counts().sum()) for part in packed], dtype=np.int64)
    if counts.sum() != len(ids):
        raise LayerError("The parts of the map are not those of the tables; build with --anew.")
    found: dict[str, Any] = {}
    for name, columns in (
        ("ranking", (*_RANK_COLUMNS, *_RANKING_COLUMNS)),
        ("survey_next", tuple(_VISIT_COLUMNS)),
    ):
        if name not in parts.names:
            found[name] = None
            continue
        table = parts.narrow(name, ["building_id", *columns])
        found_rows = pc.index_in(ids, value_set=texts_of(table["building_id"])).fill_null(-1)
        rows = np.asarray(found_rows).astype(np.int64)
        table = table[list(columns)].reset_index(drop=True)
        if name == "survey_next":
            table = table.rename(columns=dict(_VISIT_COLUMNS)).assign(visit_band=visit_bands(table["order"]))
        found[name] = (table, rows)
    return Late(
        ids,
        offsets(counts),
        buildings[["p_lightweight", *_ODDS_COLUMNS]],
        found["ranking"],
        found["survey_next"],
        sheets,
    )


def places_of(parts: Parts, packed: Sequence[PackedPart]) -> Places:
    """The layers of all parts that belong to no building, and those of the district."""
    layers: dict[str, FlatLayer] = {}
    held = parts.whole(["areas", "stations"])
    for name in dict.fromkeys([*_PLACE_LAYERS, *FREE_COLUMNS]):
        if name in FREE_COLUMNS:
            tables = [found for part in packed if (found := part.section(name)) is not None]
            if tables:
                table = pa.concat_tables(tables, promote_options="permissive")
                columns = flat_columns(table.to_pandas(types_mapper=PANDAS.get), FREE_COLUMNS[name])
                layers[name] = FlatLayer(shapes_from_arrow(table), columns, np.full(len(table), -1))
                continue
        elif name in held:
            frame = held[name]
            shapes = flatten_shapes(np.asarray(frame.geometry.array, dtype=object))
            place = steps_in(frame.crs, None)
            layers[name] = FlatLayer(
                shapes.in_steps(place), flat_columns(frame, ("name",)), np.full(len(frame), -1)
            )
            continue
        nothing = flatten_shapes(np.array([], dtype=object))
        columns = flat_columns(
            pd.DataFrame(
                {column: pd.Series([], dtype="str") for column in FREE_COLUMNS.get(name, ("name",))}
            ),
            FREE_COLUMNS.get(name, ("name",)),
        )
        layers[name] = FlatLayer(nothing.in_steps(degrees_to_steps), columns, np.array([], dtype=np.int64))
    boxes = {}
    for name, layer in layers.items():
        assert layer.shapes is not None  # noqa: S101  places have shapes
        boxes[name] = layer.shapes.boxes(np.arange(len(layer.shapes.kind) + 1))
    return Places(layers, boxes)


def visit_bands(order: pd.Series) -> pd.Series:
    """Places on a list as steps: `1 to 25`, `26 to 100`, `101 and later`.

    Examples
    --------
    >>> visit_bands(pd.Series([1, 26, 101])).tolist()
    ['1 to 25', '26 to 100', '101 and later']
    """
    starts = [1, *(step + 1 for step in _VISIT_STEPS)]
    words = [f"{start} to {end}" for start, end in zip(starts, _VISIT_STEPS, strict=False)]
    band = np.searchsorted(_VISIT_STEPS, order.to_numpy(dtype=np.int64))
    named = np.array([*words, f"{starts[-1]} and later"], dtype=object)[band]
    return pd.Series(named, index=order.index, dtype="str")


def page_of(packed: Sequence[PackedPart], area: str | None = None) -> Page:
    """The blocks of all parts, or those of one dispatch area."""
    chosen = []
    for number, part in enumerate(packed):
        blocks = range(len(part.counts())) if area is None else np.flatnonzero(part.areas() == area).tolist()
        if len(blocks):
            chosen.append((number, list(blocks)))
    return Page(chosen)


PANDAS: Mapping[Any, Any] = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}


def words_equal(layer: FlatLayer, word: str) -> npt.NDArray[np.bool_]:
    """Which rows of a layer have a name."""
    column = layer.columns["name"]
    if column.words is None:
        return np.zeros(len(column.values), dtype=bool)
    return np.isin(column.values, np.flatnonzero(column.words == word))
