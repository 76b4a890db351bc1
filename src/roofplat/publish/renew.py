"""`layers.gpkg` renewed: of a build in tiles only the rows that may have changed are written again.

In: the tables part after part, the file of the build before, and a note of what it was written from.
Out: the file with the same rows as one that is written whole, and the next note.

A copy of the file is changed and takes its place when it is whole, as every file of a build does: whoever
reads the old one reads it to its end, nobody waits for a lock, and a build that is killed leaves no journal
that the next reader would need. To copy a file costs a small part of what it costs to write its rows.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import shutil
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyogrio.errors

from roofplat.errors import DistrictFileError
from roofplat.publish.files import whole_file, write_whole
from roofplat.publish.layers import (
    CONTENTS,
    DESCRIPTIONS,
    Layer,
    contents_of,
    fixed_clock,
    layers_of,
    metadata_of,
    stored_kind,
    unwatched,
    write_layers,
    write_tables,
)
from roofplat.publish.parts import GEOMETRY, Parts
from roofplat.rules import Rulebook

__all__ = ["renew_layers"]

_NOTE = "layers.json"
_FORMAT = 1
# Beyond these shares of the parts a file is written whole: that costs little more, and puts rows in order.
_MOST_CHANGED, _MOST_MOVED = 1 / 4, 1 / 2
# `UPDATE ... FROM` came with this release of SQLite.
_LEAST_SQLITE = (3, 33, 0)
_LATE = "late_"
_CHANGED = "changed.gpkg"
# A gibibyte: what one call of the system copies at most.
_COPIED = 1 << 30
_JOURNALS = ("-journal", "-wal")
_CACHE_KIB = 262_144
_BETWEEN = "fid BETWEEN ? AND ?"


class _StrangeFileError(Exception):
    """The file is not as it was left: it is written whole."""


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the rows of a part stand in a layer.

    first, rows
        Number of the first one, and how many there are.
    room
        How many numbers from the first on are theirs.
    late
        What stands for their cells that do not depend on the part alone.
    """

    first: int
    rows: int
    room: int
    late: str

    def range(self) -> tuple[int, int]:
        """Numbers of the first and the last row."""
        return self.first, self.first + self.rows - 1


@dataclass(frozen=True, slots=True)
class _Note:
    """What `layers.gpkg` was written from.

    shape
        What stands for its layers: columns, kinds, metadata, CRS.
    file
        Size and time of change of the file.
    contents
        What its contents are called.
    keys
        What each part was made from, by its name.
    moved
        Parts some of whose rows come after those of all others.
    places
        Layer by layer, where the rows of each part stand; of a table that is not by part, under no name.
    """

    shape: str
    file: tuple[int, int]
    contents: str
    keys: Mapping[str, str]
    moved: frozenset[str]
    places: Mapping[str, Mapping[str, _Place]]


def renew_layers(
    parts: Parts, path: Path, work: Path, *, rules: Rulebook | None = None, anew: bool = False
) -> Path:
    """Write all tables into one GeoPackage, and of one that is there only what has changed since.

    Of parts whose key is another than before those rows are written that differ from what stands under their
    number. The rows of a part stay where they were if they fit; else all of them come after all other rows.
    Of other parts only the cells are looked at that the whole district decides. The rows are those that
    `write_layers` writes, in an order that may be another: `anew` puts them in order. The file is
    written whole where none of the build before is there or somebody has changed it, where its layers are
    others than before, where too many parts have changed or stand out of their order, and where
    SQLite cannot do it.

    Parameters
    ----------
    parts
        As for `write_layers`.
    path
        The file.
    work
        The folder that keeps a note of what the file was written from.
    rules
        As for `write_layers`.
    anew
        Write it whole, whatever is there.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.tables import empty
    >>> parts, folder = Parts.of({"paths": empty("paths", "EPSG:32613")}), Path(tempfile.mkdtemp())
    >>> renew_layers(parts, folder / "layers.gpkg", folder).name, (folder / "layers.json").exists()
    ('layers.gpkg', False)
    """
    note = work / _NOTE
    contents = parts.digest()
    if contents is None:
        note.unlink(missing_ok=True)
        return write_layers(parts, path, rules=rules)
    layers = layers_of(parts)
    shape = _shape(layers, parts, rules)
    kept = None if anew or sqlite3.sqlite_version_info < _LEAST_SQLITE else _read(note)
    if kept is not None and (kept.shape != shape or not _as_left(path, kept)):
        kept = None
    if kept is not None and kept.contents == contents:
        return path
    late = _late_sums(parts, layers)
    places, moved = None, set[str]()
    if kept is not None:
        # What goes wrong here goes wrong once more where the file is written whole, and is told there.
        with contextlib.suppress(
            _StrangeFileError, DistrictFileError, OSError, sqlite3.Error, pyogrio.errors.DataSourceError
        ):
            places = _renewed(parts, layers, late, path, kept, contents, metadata_of(rules))
    if places is None:
        write_layers(parts, path, rules=rules)
        places = _places_in_order(parts, layers, late)
    elif kept is not None:
        moved = _moved(kept, places)
    keys = dict(zip(parts.tiles(), parts.keys, strict=True))
    _write(note, _Note(shape, _look(path.stat()), contents, keys, frozenset(moved), places))
    return path


def _shape(layers: Mapping[str, Layer], parts: Parts, rules: Rulebook | None) -> str:
    """What stands for the layers without their rows."""
    told = {
        "crs": None if parts.crs is None else parts.crs.to_wkt(),
        "layers": [
            [name, DESCRIPTIONS[name], stored_kind(name), str(layer.schema.remove_metadata())]
            for name, layer in layers.items()
        ],
        "late": {name: parts.late_columns(name) for name in layers},
        "metadata": metadata_of(rules),
    }
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode("utf-8")).hexdigest()


def _late_sums(parts: Parts, layers: Mapping[str, Layer]) -> dict[str, list[str]]:
    """By layer and part, what stands for the cells that the whole district decides."""
    sums = {}
    for name, layer in layers.items():
        columns = parts.late_columns(name)
        if not parts.in_parts(name):
            sums[name] = [_sum(table) for table in layer.tables()]
        elif columns:
            sums[name] = [_sum(table) for table in parts.tables(name, columns)]
        else:
            sums[name] = [""] * len(parts)
    return sums


def _sum(rows: pa.Table) -> str:
    """A checksum of some rows."""
    for place, column in enumerate(rows.schema):
        if pa.types.is_dictionary(column.type):
            # Which word has which number says nothing.
            rows = rows.set_column(place, column.name, rows.column(place).cast(column.type.value_type))
    sink = pa.BufferOutputStream()
    rows = rows.replace_schema_metadata(None).combine_chunks()
    with pa.ipc.new_stream(sink, rows.schema) as stream:
        stream.write_table(rows)
    return hashlib.sha256(sink.getvalue()).hexdigest()


def _names(parts: Parts, name: str) -> Sequence[str]:
    """What the parts of a table are called; a table that is not by part is one without a name."""
    return parts.tiles() if parts.in_parts(name) else ("",)


def _places_in_order(
    parts: Parts, layers: Mapping[str, Layer], late: Mapping[str, Sequence[str]]
) -> dict[str, dict[str, _Place]]:
    """Where the rows of each part stand in a file that was written whole."""
    places: dict[str, dict[str, _Place]] = {}
    for name in layers:
        first, places[name] = 1, {}
        for number, part in enumerate(_names(parts, name)):
            rows = parts.rows(number, name)
            places[name][part] = _Place(first, rows, rows, late[name][number])
            first += rows
    return places


def _new_places(
    parts: Parts, layers: Mapping[str, Layer], late: Mapping[str, Sequence[str]], kept: _Note
) -> dict[str, dict[str, _Place]]:
    """Where the rows of each part go: where they were if they fit, else after all others."""
    places: dict[str, dict[str, _Place]] = {}
    for name in layers:
        old, places[name] = kept.places[name], {}
        after = max((place.first + place.room for place in old.values()), default=1)
        for number, part in enumerate(_names(parts, name)):
            rows = parts.rows(number, name)
            had = old.get(part)
            # All rows of a table that is not by part are its own.
            if had is not None and (rows <= had.room or not part):
                places[name][part] = _Place(had.first, rows, max(rows, had.room), late[name][number])
            else:
                places[name][part] = _Place(after, rows, rows, late[name][number])
                after += rows
    return places


def _moved(kept: _Note, places: Mapping[str, Mapping[str, _Place]]) -> set[str]:
    """Parts some of whose rows come after those of all others."""
    moved = {
        part
        for name, made in places.items()
        for part, place in made.items()
        if place.rows and (part not in kept.places[name] or place.first != kept.places[name][part].first)
    }
    return moved | (set(kept.moved) & {part for made in places.values() for part in made})


@dataclass(frozen=True, slots=True)
class _Change:
    """What is to be done to one layer.

    rows, came, gone
        Rows that come, where they go, one place a part; and where rows go away.
    cells, stay
        The late cells of rows that stay, and where these are.
    whole
        Whether all rows go away.
    """

    rows: Layer
    came: Sequence[_Place]
    gone: Sequence[_Place]
    cells: Layer | None = None
    stay: Sequence[_Place] = ()
    whole: bool = False


def _renewed(
    parts: Parts,
    layers: Mapping[str, Layer],
    late: Mapping[str, Sequence[str]],
    path: Path,
    kept: _Note,
    contents: str,
    metadata: Mapping[str, str],
) -> dict[str, dict[str, _Place]] | None:
    """Put what has changed into the file; None where it is better written whole."""
    tiles = parts.tiles()
    keys = dict(zip(tiles, parts.keys, strict=True))
    changed = [number for number, tile in enumerate(tiles) if kept.keys.get(tile) != keys[tile]]
    lost = {*kept.keys} - {*tiles} | {tiles[number] for number in changed}
    places = _new_places(parts, layers, late, kept)
    if len(lost) > _MOST_CHANGED * len(tiles) or len(_moved(kept, places)) > _MOST_MOVED * len(tiles):
        return None
    changes = _changes(parts, layers, kept, places, changed)
    with whole_file(path) as beside, fixed_clock(), unwatched():
        _copy(path, beside, kept)
        small = beside.with_name(_CHANGED)
        made: dict[str, Layer] = {}
        for name, change in changes.items():
            if change.came:
                made[name] = change.rows
            if change.cells is not None:
                made[_LATE + name] = change.cells
        write_tables(
            made,
            small,
            kinds={name: stored_kind(name) if name in layers else "" for name in made},
            crs=parts.crs,
            descriptions={name: DESCRIPTIONS.get(name, "") for name in made},
            metadata=metadata,
        )
        with contextlib.closing(sqlite3.connect(beside, isolation_level=None)) as base:
            # A copy that is cut off is thrown away.
            for setting in (
                "journal_mode = OFF",
                "synchronous = OFF",
                "secure_delete = OFF",
                "temp_store = MEMORY",
            ):
                base.execute(f"PRAGMA {setting}").fetchall()
            base.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
            base.execute("ATTACH ? AS changed", (str(small),))
            base.execute("BEGIN EXCLUSIVE")
            if contents_of(base) != kept.contents:
                raise _StrangeFileError
            for name, change in changes.items():
                _put(base, name, change, parts.late_columns(name))
                _tell_size(base, name, parts, layers[name])
            base.execute(
                "UPDATE gpkg_metadata SET metadata = ? WHERE md_standard_uri = ?", (contents, CONTENTS)
            )
            base.execute("COMMIT")
    return places


def _changes(
    parts: Parts,
    layers: Mapping[str, Layer],
    kept: _Note,
    places: Mapping[str, Mapping[str, _Place]],
    changed: Sequence[int],
) -> dict[str, _Change]:
    """What is to be done to which layer."""
    tiles = parts.tiles()
    anew = {tiles[number] for number in changed}
    some = layers_of(parts.only(changed)) if changed else {}
    made = {}
    for name, layer in layers.items():
        old, new = kept.places[name], places[name]
        if not parts.in_parts(name):
            if old != new:
                made[name] = _Change(layer, _with_rows(new.values()), _with_rows(old.values()), whole=True)
            continue
        came = _with_rows(new[tiles[number]] for number in changed)
        gone = _with_rows(place for part, place in old.items() if part not in new or part in anew)
        others = [
            number
            for number, part in enumerate(tiles)
            if part not in anew and new[part].rows and new[part].late != old[part].late
        ]
        cells = None
        if others:
            columns = parts.late_columns(name)
            cells = Layer(parts.schema(name, columns), partial(parts.only(others).tables, name, columns))
        if came or gone or others:
            stay = [new[tiles[number]] for number in others]
            made[name] = _Change(some.get(name, layer), came, gone, cells, stay)
    return made


def _with_rows(places: Iterable[_Place]) -> list[_Place]:
    return [place for place in places if place.rows]


def _put(base: sqlite3.Connection, name: str, change: _Change, late: Sequence[str]) -> None:
    """Bring the rows of one layer up to date."""
    columns = [column for (column,) in base.execute("SELECT name FROM pragma_table_info(?)", (name,))]
    if change.came and _look_of(base, "main", name) != _look_of(base, "changed", name):
        raise _StrangeFileError
    geometry = base.execute(
        "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?", (name,)
    ).fetchone()
    tree = None if geometry is None else f"rtree_{name}_{geometry[0]}"
    # The triggers keep the tree and the count; they call functions that SQLite does not have by itself. An
    # index of a table that is filled anew is made faster when the rows are there.
    kinds = ("trigger", "index") if change.whole else ("trigger",)
    dropped = [
        (kind, key, said)
        for kind, key, said in base.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE tbl_name = ? AND sql IS NOT NULL", (name,)
        ).fetchall()
        if kind in kinds
    ]
    for kind, key, _ in dropped:
        base.execute(f'DROP {kind} "{key}"')
    if change.whole:
        # Without a condition SQLite drops whole pages.
        if tree is not None:
            base.execute(f'DELETE FROM "{tree}"')
        base.execute(f'DELETE FROM "{name}"')
    else:
        _take_away(base, name, tree, columns, change)
    first = 1
    for place in change.came:
        _let_in(base, name, tree, columns, place, first)
        first += place.rows
    first = 1
    for place in change.stay:
        _set_cells(base, name, late, place, first)
        first += place.rows
    for _, _, said in dropped:
        base.execute(said)


def _look_of(base: sqlite3.Connection, schema: str, name: str) -> list[tuple[Any, ...]]:
    """How a layer is made: its columns and triggers, the kind and the CRS of its geometry."""
    made = base.execute(
        f"SELECT type, name, sql FROM {schema}.sqlite_master WHERE tbl_name = ? AND type != 'index' "
        "ORDER BY type, name",
        (name,),
    ).fetchall()
    told = base.execute(f"SELECT * FROM {schema}.gpkg_geometry_columns WHERE table_name = ?", (name,))
    return [*made, *told.fetchall()]


def _take_away(
    base: sqlite3.Connection, name: str, tree: str | None, columns: Sequence[str], change: _Change
) -> None:
    """Remove the rows of parts that go or change, but for those that come again under the same number."""
    base.execute("CREATE TEMP TABLE IF NOT EXISTS stale (fid INTEGER PRIMARY KEY)")
    base.execute("DELETE FROM stale")
    for place in change.gone:
        if _count(base, name, place) != place.rows:
            raise _StrangeFileError
        base.execute(f'INSERT INTO stale SELECT fid FROM "{name}" WHERE {_BETWEEN}', place.range())
    same = " AND ".join(f'here."{column}" IS there."{column}"' for column in columns[1:])
    first = 1
    for place in change.came:
        base.execute(
            f'DELETE FROM stale WHERE fid IN (SELECT here.fid FROM "{name}" AS here '
            f'JOIN changed."{name}" AS there ON there.fid = here.fid - ? WHERE here.{_BETWEEN} AND {same})',
            (place.first - first, *place.range()),
        )
        first += place.rows
    for table, key in (*([] if tree is None else [(tree, "id")]), (name, "fid")):
        base.execute(f'DELETE FROM "{table}" WHERE {key} IN (SELECT fid FROM stale)')


def _let_in(
    base: sqlite3.Connection,
    name: str,
    tree: str | None,
    columns: Sequence[str],
    place: _Place,
    first: int,
) -> None:
    """Copy those rows of a part that are not there; in the small file it begins with the number `first`."""
    fid, *others = (f'"{column}"' for column in columns)
    cells = ", ".join(others)
    shift = place.first - first
    missing = (
        f'SELECT fid FROM changed."{name}" WHERE {_BETWEEN} '
        f'EXCEPT SELECT fid - ? FROM main."{name}" WHERE {_BETWEEN}'
    )
    told = (shift, first, first + place.rows - 1, shift, *place.range())
    if tree is not None:
        # The edges are as exact in one tree as in the other: both round them outward alike.
        base.execute(
            f'INSERT INTO main."{tree}" SELECT id + ?, minx, maxx, miny, maxy FROM changed."{tree}" '
            f"WHERE id IN ({missing}) ORDER BY id",
            told,
        )
    base.execute(
        f'INSERT INTO main."{name}" ({fid}, {cells}) SELECT {fid} + ?, {cells} FROM changed."{name}" '
        f"WHERE fid IN ({missing}) ORDER BY fid",
        told,
    )
    if _count(base, name, place) != place.rows:
        raise _StrangeFileError


def _count(base: sqlite3.Connection, name: str, place: _Place) -> int:
    found = base.execute(f'SELECT count(*) FROM main."{name}" WHERE {_BETWEEN}', place.range())
    return int(found.fetchone()[0])


def _set_cells(base: sqlite3.Connection, name: str, late: Sequence[str], place: _Place, first: int) -> None:
    """Set the late cells of a part where they are others than before."""
    quoted = [f'"{column}"' for column in late]
    differ = " OR ".join(f'"{name}".{column} IS NOT said.{column}' for column in quoted)
    base.execute(
        f'UPDATE main."{name}" SET ({", ".join(quoted)}) = ({", ".join(f"said.{key}" for key in quoted)}) '
        f'FROM changed."{_LATE}{name}" AS said '
        f'WHERE "{name}".fid BETWEEN ? AND ? AND said.fid = "{name}".fid - ? AND ({differ})',
        (*place.range(), place.first - first),
    )


def _tell_size(base: sqlite3.Connection, name: str, parts: Parts, layer: Layer) -> None:
    """Say how many rows a layer has, and the box around them."""
    base.execute(
        "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?", (parts.count(name), name)
    )
    if GEOMETRY in layer.schema.names:
        edges = [None if math.isnan(edge) else edge for edge in parts.extent(name).tolist()]
        base.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?",
            (*edges, name),
        )


def _copy(path: Path, beside: Path, kept: _Note) -> None:
    """Copy the file as it was left."""
    with path.open("rb") as source, beside.open("xb") as copy:
        if _look(os.fstat(source.fileno())) != kept.file:
            raise _StrangeFileError
        _copy_bytes(source, copy, kept.file[0])
        if _look(os.fstat(source.fileno())) != kept.file:
            raise _StrangeFileError


def _copy_bytes(source: BinaryIO, copy: BinaryIO, size: int) -> None:
    """Let the system copy, which on some file systems costs nothing."""
    done = 0
    if hasattr(os, "copy_file_range"):
        with contextlib.suppress(OSError):
            while done < size:
                came = os.copy_file_range(source.fileno(), copy.fileno(), min(size - done, _COPIED))
                if not came:
                    break
                done += came
    if done < size:
        source.seek(done)
        copy.seek(done)
        shutil.copyfileobj(source, copy)


def _as_left(path: Path, kept: _Note) -> bool:
    """Whether the file is as it was left, and no other program is changing it."""
    if any(path.with_name(path.name + ending).exists() for ending in _JOURNALS):
        return False
    with contextlib.suppress(OSError, sqlite3.Error):
        if _look(path.stat()) == kept.file:
            where = f"{path.absolute().as_uri()}?mode=ro"
            with contextlib.closing(sqlite3.connect(where, uri=True)) as base:
                return contents_of(base) == kept.contents
    return False


def _look(found: os.stat_result) -> tuple[int, int]:
    return found.st_size, found.st_mtime_ns


def _read(path: Path) -> _Note | None:
    """The note of the build before; None where there is none that can be read."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        told = json.loads(path.read_text("utf-8"))
        if told["format"] != _FORMAT:
            return None
        size, changed_ns = told["file"]
        places = {
            name: {part: _Place(*place) for part, place in made.items()}
            for name, made in told["places"].items()
        }
        return _Note(
            told["shape"],
            (size, changed_ns),
            told["contents"],
            told["keys"],
            frozenset(told["moved"]),
            places,
        )
    return None


def _write(path: Path, note: _Note) -> None:
    told = {
        "contents": note.contents,
        "file": note.file,
        "format": _FORMAT,
        "keys": note.keys,
        "moved": sorted(note.moved),
        "places": {
            name: {part: [place.first, place.rows, place.room, place.late] for part, place in made.items()}
            for name, made in note.places.items()
        },
        "shape": note.shape,
    }
    write_whole(path, json.dumps(told, sort_keys=True) + "\n")
