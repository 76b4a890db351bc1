"""Rows put into the tables of a new SQLite database page by page, by whole arrays.

In: a GeoPackage whose tables are there and empty, rows as Arrow tables.
Out: the same file with the rows and the indexes by place in it, as SQLite itself would keep them.

A statement a row costs more than all planning; a page of rows is a run of bytes that whole arrays make. What
a database looks like is published and fixed: "Database File Format", https://sqlite.org/fileformat2.html, its
sections named below; how an index by place looks in rtree.c of SQLite; the blobs of geometry in OGC
12-128r17 (GeoPackage 1.3), 2.1.3. What others made beforehand (schema, triggers, metadata) stays as it is.
"""

from __future__ import annotations

import contextlib
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from roofplat.publish.boxes import boxes_of_binary

__all__ = ["fill_tables"]

Bytes = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Boxes = npt.NDArray[np.float32]
Kinds = tuple[Bytes, npt.NDArray[np.bool_], Any]
"""What the values of a column are, each a row of bytes; which of these are there, and how many."""

# Section 1.3: the header of the database. Section 1.4: the page that is never used.
_PAGES_AT, _PAGE_SIZE_AT = 28, 16
_LOCK_BYTE = 2**30
# Section 1.6: kinds of pages, and the heads of them.
_LEAF, _INNER = 0x0D, 0x05
_LEAF_HEAD, _INNER_HEAD = 8, 12
# The widest number that says how long something is, or which row it is; five bytes of seven bits.
_VARINT_BYTES = 5
_MOST_ROWS = 2**35
# Section 2.1: what a value is, in the head of its row.
_NULL, _FLOAT, _ZERO, _ONE = 0, 7, 8, 9
_WHOLE_NUMBERS = ((1, 1), (2, 2), (4, 4), (8, 6))
_TEXT, _BLOB = 13, 12
# rtree.c: a node has at most 51 entries of a row number and four short floats, after four bytes of head.
_NODE_ENTRIES, _NODE_HEAD = 51, 4
_ENTRY = np.dtype([("row", ">i8"), ("box", ">f4", 4)])
# OGC 12-128r17, 2.1.3.1.1: "GP", version 0, little-endian, with the box or without.
_BLOB_HEAD = np.dtype(
    [("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"), ("box", "<f8", 4)]
)
_BOXED, _UNBOXED, _EMPTY = 0x03, 0x01, 0x11
_POINT = 1


@dataclass(slots=True)
class _File:
    """A database to whose end pages are added; nobody else has it open."""

    stream: BinaryIO
    page_bytes: int
    pages: int

    def add(self, page: bytes) -> int:
        """Number of a new page."""
        self.pages += 1
        if self.pages == _LOCK_BYTE // self.page_bytes + 1:
            self.stream.write(bytes(self.page_bytes))
            self.pages += 1
        self.stream.write(page)
        return self.pages

    def put(self, number: int, page: bytes) -> None:
        """Write over a page that is there."""
        self.stream.seek((number - 1) * self.page_bytes)
        self.stream.write(page)
        self.stream.seek(0, 2)


@dataclass(slots=True)
class _Tree:
    """A table that grows at its end: section 1.6, a B-tree whose leaves hold the rows."""

    file: _File
    root: int
    first: bytes | None = None
    children: list[int] = field(default_factory=list)
    last_rows: list[int] = field(default_factory=list)

    def add(self, page: bytes, last_row: int) -> None:
        # A table of one page is its root alone.
        if not self.last_rows:
            self.first = page
        else:
            if self.first is not None:
                self.children.append(self.file.add(self.first))
                self.first = None
            self.children.append(self.file.add(page))
        self.last_rows.append(last_row)

    def change_first(self, page: bytes) -> None:
        """Another first page in the place of that which was added."""
        if self.children:
            self.file.put(self.children[0], page)
        else:
            self.first = page

    def end(self) -> None:
        """Write the pages above the leaves, the root last."""
        if self.first is not None:
            self.file.put(self.root, self.first)
        children, last_rows = self.children, self.last_rows
        # As many as fit with the longest row numbers.
        most = (self.file.page_bytes - _INNER_HEAD) // (2 + 4 + _VARINT_BYTES) + 1
        while children:
            groups = np.array_split(np.arange(len(children)), -(-len(children) // most))
            made = [
                _inner_page(
                    [children[at] for at in group], [last_rows[at] for at in group], self.file.page_bytes
                )
                for group in groups
            ]
            if len(made) == 1:
                self.file.put(self.root, made[0])
                return
            children = [self.file.add(page) for page in made]
            last_rows = [last_rows[group[-1]] for group in groups]


def fill_tables(path: Path, tables: Iterable[tuple[str, Iterable[pa.Table]]]) -> None:
    """Put rows into the tables of a GeoPackage that has none yet.

    Parameters
    ----------
    path
        The file; nobody else has it open.
    tables
        Names, and rows portion by portion: columns as in the file, `geometry`, where there is any, as
        two-dimensional little-endian well-known binary. A table's own number of a row counts from 1.

    Raises
    ------
    sqlite3.Error, OSError
        The file cannot be written.
    ValueError
        A table is not as expected, or has rows already.
    """
    with contextlib.closing(sqlite3.connect(path)) as base:
        roots = dict(base.execute("SELECT name, rootpage FROM sqlite_schema WHERE type = 'table'"))
        systems = dict(base.execute("SELECT table_name, srs_id FROM gpkg_geometry_columns"))
        columns = {name: [row[1] for row in base.execute(f'PRAGMA table_info("{name}")')] for name in roots}
        nodes = {name: f"rtree_{name}_geom_node" for name in systems}
        node_bytes = {
            name: base.execute(f'SELECT length(data) FROM "{table}"').fetchone()[0]  # noqa: S608  own tables
            for name, table in nodes.items()
        }
        base.execute("PRAGMA journal_mode = DELETE")
    counts: dict[str, int] = {}
    boxes: dict[str, FloatArray] = {}
    with path.open("r+b") as stream:
        head = stream.read(100)
        (page_bytes,) = struct.unpack_from(">H", head, _PAGE_SIZE_AT)
        (pages,) = struct.unpack_from(">I", head, _PAGES_AT)
        stream.seek(0, 2)
        file = _File(stream, page_bytes, pages)
        for name, portions in tables:
            tree = _Tree(file, roots[name])
            place = None
            if name in systems:
                place = _PlaceIndex.of(file, roots, f"rtree_{name}_geom", node_bytes[name])
            row, extent = 1, np.array([np.inf, np.inf, -np.inf, -np.inf])
            for rows in portions:
                values, ahead = _in_order(rows, columns[name], name), None
                if place is not None:
                    edges = boxes_of_binary(values[0])
                    ahead = _blob_heads(values[0], edges, systems[name])
                    known = ~np.isnan(edges[:, 0])
                    place.add(row + np.flatnonzero(known), edges[known])
                    if known.any():
                        extent[:2] = np.minimum(extent[:2], edges[known, :2].min(axis=0))
                        extent[2:] = np.maximum(extent[2:], edges[known, 2:].max(axis=0))
                _add_rows(tree, values, np.arange(row, row + rows.num_rows), ahead)
                row += rows.num_rows
            tree.end()
            if place is not None:
                place.end()
            counts[name], boxes[name] = row - 1, extent
        stream.seek(_PAGES_AT)
        stream.write(struct.pack(">I", file.pages))
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA synchronous = OFF")
        for name, count in counts.items():
            base.execute("UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (count, name))
            if count:
                base.execute("DELETE FROM sqlite_sequence WHERE name = ?", (name,))
                base.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (name, count))
            if np.isfinite(boxes[name]).all():
                base.execute(
                    "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
                    "WHERE table_name = ?",
                    (*boxes[name].tolist(), name),
                )


def _in_order(rows: pa.Table, columns: Sequence[str], name: str) -> list[pa.Array]:
    """The columns as the table has them, but for its own number; geometry first where there is any."""
    wanted = ["geometry" if column == "geom" else column for column in columns[1:]]
    if sorted(wanted) != sorted(rows.column_names):
        raise ValueError(f"The table {name} has the columns {wanted}, and the rows {rows.column_names}.")
    columns_in = (rows.column(column) for column in wanted)
    return [cells.chunk(0) if cells.num_chunks == 1 else cells.combine_chunks() for cells in columns_in]


def _add_rows(
    tree: _Tree, columns: Sequence[pa.Array], numbers: IntArray, ahead: pa.Array | None = None
) -> None:
    """Rows behind those that a table has; their numbers rise. What is ahead is so of the first column."""
    for page, last in _leaf_pages(_cells(columns, numbers, tree.file, ahead), tree.file.page_bytes):
        tree.add(page, int(numbers[last]))


def _cells(
    columns: Sequence[pa.Array], numbers: IntArray, file: _File, ahead: pa.Array | None = None
) -> pa.Array:
    """Rows as section 2.1 has records: a head of what each value is, then the values.

    The first column of a table is the number of its row, which the row does not hold once more.
    """
    count = len(numbers)
    if count and int(numbers[-1]) >= _MOST_ROWS:
        raise ValueError("A table of so many rows cannot be written.")
    kinds = [_same(np.zeros(count, dtype=np.uint8))]
    bodies: list[pa.Array] = []
    lengths = np.zeros(count, dtype=np.int64)
    for place, column in enumerate(columns):
        before = None if place else ahead
        kind, body, length = _values(column, before)
        if before is not None:
            bodies.append(before)
        kinds.append(kind)
        lengths += length
        if body is not None:
            bodies.append(body)
    head = np.zeros(count, dtype=np.int64) + sum(width for _, _, width in kinds)
    # The head's length counts itself.
    head = head + np.where(head + 1 < 128, 1, 2)
    lead = [_varints(head + lengths), _varints(numbers)]
    ahead_of_head = lead[0][2] + lead[1][2]
    pieces = [*lead, _varints(head), *kinds]
    heads = _pieces(
        np.concatenate([matrix for matrix, _, _ in pieces], axis=1),
        np.concatenate([there for _, there, _ in pieces], axis=1),
        ahead_of_head + head,
    )
    # Texts and numbers that are missing have no bytes.
    cells = pc.binary_join_element_wise(
        heads, *bodies, pa.scalar(b"", pa.binary()), null_handling="replace", null_replacement=b""
    )
    return _overflown(cells, head + lengths, ahead_of_head, file)


def _values(values: pa.Array, ahead: pa.Array | None = None) -> tuple[Kinds, pa.Array | None, Any]:
    """What values are, their bytes, and how many those are, with what stands ahead of them."""
    count = len(values)
    if pa.types.is_dictionary(values.type):
        values = values.cast(values.type.value_type)
    if pa.types.is_date(values.type):
        values = pc.strftime(values, format="%Y-%m-%d")
    missing = values.is_null().to_numpy(zero_copy_only=False)
    if pa.types.is_floating(values.type):
        numbers = values.to_numpy(zero_copy_only=False).astype(np.float64)
        missing = missing | np.isnan(numbers)
        kind = _same(np.where(missing, _NULL, _FLOAT).astype(np.uint8))
        return kind, _fixed(numbers.astype(">f8"), missing), np.where(missing, 0, 8)
    if pa.types.is_boolean(values.type):
        yes = values.fill_null(False).to_numpy(zero_copy_only=False)
        return _same(np.where(missing, _NULL, np.where(yes, _ONE, _ZERO)).astype(np.uint8)), None, 0
    if pa.types.is_integer(values.type):
        whole = values.cast(pa.int64()).fill_null(0).to_numpy()
        most = max(int(whole.max(initial=0)), -1 - int(whole.min(initial=0)))
        size, code = next((size, code) for size, code in _WHOLE_NUMBERS if most < 2 ** (8 * size - 1))
        kind = _same(np.where(missing, _NULL, code).astype(np.uint8))
        return kind, _fixed(whole.astype(f">i{size}"), missing), np.where(missing, 0, size)
    if pa.types.is_null(values.type):
        return _same(np.zeros(count, dtype=np.uint8)), None, 0
    text = pa.types.is_string(values.type) or pa.types.is_large_string(values.type)
    binary = values.cast(pa.binary())
    length = pc.binary_length(binary).fill_null(0).to_numpy().astype(np.int64)
    if ahead is not None:
        length += pc.binary_length(ahead).fill_null(0).to_numpy()
    return _varints(np.where(missing, _NULL, 2 * length + (_TEXT if text else _BLOB))), binary, length


def _same(kinds: Bytes) -> Kinds:
    return kinds[:, None], np.ones((len(kinds), 1), dtype=bool), 1


def _fixed(values: npt.NDArray[Any], missing: npt.NDArray[np.bool_]) -> pa.Array:
    """Numbers as pieces of bytes."""
    size = values.dtype.itemsize
    matrix = np.ascontiguousarray(values).view(np.uint8).reshape(-1, size)
    if missing.any():
        return _pieces(matrix, np.repeat(~missing[:, None], size, axis=1), np.where(missing, 0, size))
    return _column(matrix.ravel(), size * np.arange(len(values) + 1))


def _varints(values: IntArray) -> Kinds:
    """Section 1.6: whole numbers in as few bytes as they need, seven bits each, the highest first."""
    wide = max(int(values.max(initial=0)).bit_length() + 6, 7) // 7
    matrix = np.empty((len(values), wide), dtype=np.uint8)
    there = np.ones((len(values), wide), dtype=bool)
    width = np.ones(len(values), dtype=np.int64)
    for place in range(wide):
        rest = values >> 7 * (wide - 1 - place)
        matrix[:, place] = rest & 0x7F
        if place < wide - 1:
            matrix[:, place] |= 0x80
            there[:, place] = rest > 0
            width += there[:, place]
    return matrix, there, width


def _pieces(matrix: Bytes, there: npt.NDArray[np.bool_], width: IntArray) -> pa.Array:
    """The bytes of each row that are there, so many, as one piece."""
    starts = np.zeros(len(matrix) + 1, dtype=np.int64)
    np.cumsum(width, out=starts[1:])
    return _column(matrix[there], starts)


def _column(data: Bytes, starts: IntArray) -> pa.Array:
    buffers = [None, pa.py_buffer(starts.astype(np.int32)), pa.py_buffer(np.ascontiguousarray(data))]
    return pa.Array.from_buffers(pa.binary(), len(starts) - 1, buffers)


def _buffers(pieces: pa.Array) -> tuple[IntArray, memoryview]:
    """Where the pieces of a column begin, and their bytes."""
    _, starts, data = pieces.buffers()
    whole = np.frombuffer(starts, dtype=np.int32)[pieces.offset : pieces.offset + len(pieces) + 1]
    return whole.astype(np.int64), memoryview(data if data is not None else b"")


def _blob_heads(binary: pa.Array, boxes: FloatArray, system: int) -> pa.Array:
    """What a GeoPackage keeps ahead of well-known binary: what it is, its CRS and its box."""
    starts, data = _buffers(binary)
    kinds = np.zeros(len(binary), dtype=np.uint8)
    missing = binary.is_null().to_numpy(zero_copy_only=False)
    kinds[~missing] = np.frombuffer(data, dtype=np.uint8)[starts[:-1][~missing] + 1]
    empty = np.isnan(boxes[:, 0])
    boxed = (kinds != _POINT) & ~empty
    head = np.empty(len(binary), dtype=_BLOB_HEAD)
    head["magic"], head["version"], head["srs"] = b"GP", 0, system
    head["flags"] = np.where(empty, _EMPTY, np.where(boxed, _BOXED, _UNBOXED))
    head["box"] = boxes[:, [0, 2, 1, 3]]
    matrix = head.view(np.uint8).reshape(len(head), _BLOB_HEAD.itemsize)
    there = np.ones(matrix.shape, dtype=bool)
    there[:, 8:] = boxed[:, None]
    there[missing] = False
    width = np.where(missing, 0, np.where(boxed, _BLOB_HEAD.itemsize, 8))
    return _pieces(matrix, there, width)


def _overflown(cells: pa.Array, payload: IntArray, lead: IntArray, file: _File) -> pa.Array:
    """Section 1.6: what of a row is too long for its page goes to pages of its own."""
    usable = file.page_bytes
    most, least = usable - 35, (usable - 12) * 32 // 255 - 23
    too_long = payload > most
    if not too_long.any():
        return cells
    short: list[bytes] = []
    for number in np.flatnonzero(too_long).tolist():
        cell = cells[number].as_py()
        kept = least + (int(payload[number]) - least) % (usable - 4)
        cut = int(lead[number]) + (kept if kept <= most else least)
        rest = cell[cut:]
        parts = [rest[start : start + usable - 4] for start in range(0, len(rest), usable - 4)]
        following = 0
        for part in reversed(parts):
            following = file.add(struct.pack(">I", following) + part + bytes(usable - 4 - len(part)))
        short.append(cell[:cut] + struct.pack(">I", following))
    return pc.replace_with_mask(cells, pa.array(too_long), pa.array(short, pa.binary()))


def _leaf_pages(cells: pa.Array, page_bytes: int) -> Iterator[tuple[bytes, int]]:
    """Rows as leaves, as many on each page as it holds; with the last that each holds."""
    starts, data = _buffers(cells)
    # Each row needs two bytes more, for where it is on the page.
    ends = starts + 2 * np.arange(len(starts))
    start = 0
    while start < len(cells):
        stop = int(np.searchsorted(ends, ends[start] + page_bytes - _LEAF_HEAD, side="right")) - 1
        low, high = int(starts[start]), int(starts[stop])
        begin = page_bytes - (high - low)
        places = (starts[start:stop] - low + begin).astype(">u2").tobytes()
        head = struct.pack(">BHHHB", _LEAF, 0, stop - start, begin, 0)
        gap = bytes(begin - len(places) - _LEAF_HEAD)
        yield b"".join((head, places, gap, data[low:high])), stop - 1
        start = stop


def _inner_page(children: Sequence[int], last_rows: Sequence[int], page_bytes: int) -> bytes:
    """Section 1.6: pages below, each with the last row that is in it, but for the last page."""
    rows, there, width = _varints(np.array(last_rows[:-1], dtype=np.int64))
    below = np.array(children[:-1], dtype=">u4").view(np.uint8).reshape(-1, 4)
    there = np.concatenate([np.ones_like(below, dtype=bool), there], axis=1)
    cells = _pieces(np.concatenate([below, rows], axis=1), there, 4 + width)
    starts, body = _buffers(cells)
    begin = page_bytes - int(starts[-1])
    places = (begin + starts[:-1]).astype(">u2").tobytes()
    head = struct.pack(">BHHHBI", _INNER, 0, len(cells), begin, 0, children[-1])
    return b"".join((head, places, bytes(begin - len(places) - _INNER_HEAD), body[: starts[-1]]))


@dataclass(slots=True)
class _PlaceIndex:
    """The three tables of an index by place: nodes, the node of each row, the node above each node.

    Nodes are filled from below with rows that lie together. Node 1 is the root: its page is the first, and it
    is known last.
    """

    nodes: _Tree
    of_rows: _Tree
    above: _Tree
    node_bytes: int
    root: tuple[IntArray, Boxes, int] | None = None
    boxes: list[Boxes] = field(default_factory=list)

    @classmethod
    def of(cls, file: _File, roots: Mapping[str, int], name: str, node_bytes: int) -> _PlaceIndex:
        nodes, of_rows, above = (
            _Tree(file, roots[f"{name}_{table}"]) for table in ("node", "rowid", "parent")
        )
        return cls(nodes, of_rows, above, node_bytes)

    def add(self, rows: IntArray, boxes: FloatArray) -> None:
        """Rows of a portion, and the box around each, shape (n, 4): least x and y, greatest x and y."""
        if not rows.size:
            return
        if self.root is not None:
            # The rows of the first portion were not all.
            few, around, _ = self.root
            self.root = None
            self._leaves(few, around)
        rounded = _outward(boxes)
        if not self.boxes and rows.size <= _NODE_ENTRIES:
            self.root = rows, rounded, 0
        else:
            self._leaves(rows, rounded)

    def end(self) -> None:
        """Write the nodes above the leaves, and the root."""
        if self.root is None and not self.boxes:
            return
        if self.root is None:
            entries = np.arange(2, 2 + sum(map(len, self.boxes)))
            boxes = np.concatenate(self.boxes)
            above = np.full(0, 0, dtype=np.int64)
            depth = 1
            while entries.size > _NODE_ENTRIES:
                order = _together(boxes)
                parent = np.empty(entries.size, dtype=np.int64)
                parent[order] = int(entries[-1]) + 1 + np.arange(entries.size) // _NODE_ENTRIES
                above = np.concatenate([above, parent])
                boxes = self._nodes(int(entries[-1]) + 1, entries[order], boxes[order])
                entries, depth = np.unique(parent), depth + 1
            above = np.concatenate([above, np.ones(entries.size, dtype=np.int64)])
            _add_rows(self.above, [pa.array(above)], 2 + np.arange(above.size))
            self.root = entries, boxes, depth
        else:
            _add_rows(self.of_rows, [pa.array(np.ones(self.root[0].size, dtype=np.int64))], self.root[0])
            self._begin()
        entries, boxes, depth = self.root
        blob = _node_blobs(entries, boxes, self.node_bytes, depth)
        cells = _cells([blob], np.ones(1, dtype=np.int64), self.nodes.file)
        (page,) = (page for page, _ in _leaf_pages(cells, self.nodes.file.page_bytes))
        self.nodes.change_first(page)
        for tree in (self.nodes, self.of_rows, self.above):
            tree.end()

    def _begin(self) -> None:
        """Keep a page for the root."""
        nothing = pa.array([bytes(self.node_bytes)], pa.binary())
        _add_rows(self.nodes, [nothing], np.ones(1, dtype=np.int64))

    def _leaves(self, rows: IntArray, boxes: Boxes) -> None:
        if not self.boxes:
            self._begin()
        first = 2 + sum(map(len, self.boxes))
        order = _together(boxes)
        node = np.empty(rows.size, dtype=np.int64)
        node[order] = first + np.arange(rows.size) // _NODE_ENTRIES
        _add_rows(self.of_rows, [pa.array(node)], rows)
        self.boxes.append(self._nodes(first, rows[order], boxes[order]))

    def _nodes(self, first: int, entries: IntArray, boxes: Boxes) -> Boxes:
        """Nodes of entries in order, full but for the last; the box around each."""
        blobs = _node_blobs(entries, boxes, self.node_bytes, 0)
        _add_rows(self.nodes, [blobs], np.arange(first, first + len(blobs)))
        starts = np.arange(0, len(entries), _NODE_ENTRIES)
        low = np.minimum.reduceat(boxes[:, :2], starts)
        return np.concatenate([low, np.maximum.reduceat(boxes[:, 2:], starts)], axis=1)


def _node_blobs(entries: IntArray, boxes: Boxes, node_bytes: int, depth: int) -> pa.Array:
    """Nodes as rtree.c keeps them: depth, how many entries, then the entries."""
    count = -(-len(entries) // _NODE_ENTRIES)
    packed = np.zeros(count * _NODE_ENTRIES, dtype=_ENTRY)
    packed["row"][: len(entries)] = entries
    packed["box"][: len(entries)] = boxes[:, [0, 2, 1, 3]]
    nodes = np.zeros((count, node_bytes), dtype=np.uint8)
    held = np.full(count, _NODE_ENTRIES)
    held[-1] = len(entries) - (count - 1) * _NODE_ENTRIES
    nodes[:, :_NODE_HEAD] = np.stack([np.full(count, depth), held], axis=1).astype(">u2").view(np.uint8)
    body = packed.view(np.uint8).reshape(count, -1)
    nodes[:, _NODE_HEAD : _NODE_HEAD + body.shape[1]] = body
    return _column(nodes.ravel(), node_bytes * np.arange(count + 1))


def _outward(boxes: FloatArray) -> Boxes:
    """Boxes in short floats that hold those in long ones."""
    rounded = boxes.astype(np.float32)
    low, high = rounded[:, :2], rounded[:, 2:]
    low[:] = np.where(low > boxes[:, :2], np.nextafter(low, np.float32(-np.inf)), low)
    high[:] = np.where(high < boxes[:, 2:], np.nextafter(high, np.float32(np.inf)), high)
    return rounded


def _together(boxes: Boxes) -> IntArray:
    """An order in which runs of entries lie together: strips from west to east, each from south to north."""
    x, y = boxes[:, 0] + boxes[:, 2], boxes[:, 1] + boxes[:, 3]
    strips = int(np.ceil(np.sqrt(len(boxes) / _NODE_ENTRIES)))
    strip = np.empty(len(boxes), dtype=np.int64)
    strip[np.argsort(x, kind="stable")] = np.arange(len(boxes)) // (strips * _NODE_ENTRIES)
    return np.lexsort((y, strip))
