"""The tables of a build, part after part: whatever writes files never holds a whole district.

In: the tables of a district in memory; or a folder of tiles, each with its tables as GeoParquet, and what is
    known of the whole district alone.
Out: `Parts`: the frames of one part after the other, a table as a stream of Arrow batches, a few columns of
    all, the rows of one dispatch area.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import shapely
from pandas.api.types import union_categoricals
from pyproj import CRS

from roofplat.errors import LayerError
from roofplat.late import LateTable
from roofplat.late import arrow_of as arrow_of_frame
from roofplat.tables import TABLES, among, with_geometry

__all__ = ["GEOMETRY", "Parts", "arrow_of", "frame_of", "only_area", "save_part", "schema_of"]

GEOMETRY = "geometry"
"""Name of the column of well-known binary in what `stream` gives."""
# What is known of the tables of a part without opening them: their rows, and the box around each.
_SIZES = "sizes.json"
_KEY = "key.txt"
_BUILDING = "building_id"
# Tables whose rows may belong to no building, and then lie in an area by their place.
_ANYWHERE = ("ground", "obstacles")
# Tables that are the same for every area.
_PLACES = ("streets", "areas", "stations")
# Tables of which a sheet shows what lies near, whosever it is.
_NEAR = ("buildings", "obstacles", "ground", "streets")
# Fast, and small enough: GeoParquet inside is read a few times and thrown away when the district changes.
_COMPRESSION = "lz4"
_Box = tuple[float, float, float, float]
_ARROW_TYPES: Mapping[str, pa.DataType] = {
    "str": pa.large_string(),
    "category": pa.dictionary(pa.int32(), pa.large_string()),
    "float64": pa.float64(),
    "Int64": pa.int64(),
    "boolean": pa.bool_(),
    "datetime64[ms]": pa.timestamp("ms"),
}


@dataclass(frozen=True, slots=True)
class Parts:
    """The tables of a build, part after part; each part fits in memory.

    names
        Of the tables: those of `tables.TABLES`, the places, and what single buildings are planned by.
    keys
        What each part was made from, as one text; empty for what was never cut.
    crs
        The working CRS, of all geometry; None where no table has one.

    Examples
    --------
    >>> from roofplat.tables import empty
    >>> parts = Parts.of({"facts": empty("facts")})
    >>> parts.names, parts.keys, parts.count("facts")
    (('facts',), ('',), 0)
    """

    names: tuple[str, ...]
    keys: tuple[str, ...]
    crs: CRS | None
    _parts: tuple[_Memory | _Tile, ...] = field(repr=False)
    _once: Mapping[str, _Once] = field(repr=False)

    @classmethod
    def of(cls, tables: Mapping[str, Any]) -> Parts:
        """A district that was never cut, as one part in memory.

        Parameters
        ----------
        tables
            Frames by name; or tables whose geometry is still coordinates.

        Returns
        -------
        Parts
        """
        systems = [getattr(table, "crs", None) for table in tables.values()]
        crs = next((CRS.from_user_input(crs) for crs in systems if crs is not None), None)
        return cls(tuple(tables), ("",), crs, (_Memory(dict(tables)),), {})

    @classmethod
    def open(
        cls,
        folder: Path,
        tiles: Sequence[str],
        once: Mapping[str, pd.DataFrame],
        late: Mapping[str, pd.DataFrame],
    ) -> Parts:
        """A district in tiles.

        Parameters
        ----------
        folder
            It holds a folder of each tile with the same tables each, as `save_part` writes it, and its
            `key.txt`.
        tiles
            Names of the tiles in the order of the parts.
        once
            Tables that are not by tile: areas, stations, ranking and the like. One that the tiles hold too
            takes its place. Where it has a `building_id`, a part gets the rows of its buildings; else all
            of them.
        late
            By table: a column that names its rows, the first one, and columns that were not yet known when
            the tiles were made.

        Returns
        -------
        Parts

        Raises
        ------
        LayerError
            A tile is missing, or cannot be read.
        """
        # Once for all tiles: they are as long as the district.
        columns = {name: _Late.of(frame) for name, frame in late.items()}
        parts = tuple(_Tile.open(folder / tile, columns) for tile in tiles)
        names = dict.fromkeys([*(parts[0].sizes if parts else ()), *once])
        systems = [getattr(table, "crs", None) for table in once.values()]
        crs = next((CRS.from_user_input(crs) for crs in systems if crs is not None), None)
        for part in parts:
            crs = crs or part.crs()
        try:
            keys = tuple((folder / tile / _KEY).read_text("utf-8").strip() for tile in tiles)
        except (OSError, ValueError) as error:
            raise LayerError(f"The tiles in {folder} cannot be read ({error}); build with --anew.") from None
        return cls(tuple(names), keys, crs, parts, {name: _Once.of(table) for name, table in once.items()})

    def __iter__(self) -> Iterator[dict[str, Any]]:
        """The frames of one part after the other."""
        return self.each()

    def __len__(self) -> int:
        """How many parts there are."""
        return len(self._parts)

    def each(self, names: Iterable[str] | None = None) -> Iterator[dict[str, Any]]:
        """Some frames of one part after the other.

        Parameters
        ----------
        names
            Of the tables wanted, those that there are; all of them where nothing is said.

        Yields
        ------
        dict
            Frames by name, typed as `tables.conform` types them, geometry in the working CRS.
        """
        for number in range(len(self._parts)):
            yield self.part(number, names)

    def part(self, number: int, names: Iterable[str] | None = None) -> dict[str, Any]:
        """The frames of one part.

        Parameters
        ----------
        number
            Which, from 0.
        names
            As for `each`.

        Returns
        -------
        dict
        """
        part = self._parts[number]
        wanted = [name for name in (self.names if names is None else names) if name in self.names]
        own: pd.Index | None = None
        found = {}
        for name in wanted:
            if name not in self._once:
                found[name] = part.frame(name, self.crs)
                continue
            once = self._once[name]
            if once.index is not None and own is None:
                own = pd.Index(part.ids())
            found[name] = once.of_buildings(own)
        return found

    def together(self, numbers: Sequence[int], reach: float) -> dict[str, Any]:
        """Some parts as one, with the buildings and other things of all other parts that lie near them.

        Parameters
        ----------
        numbers
            Which, from 0.
        reach
            How far things may lie away at the least, in units of the working CRS; else as far as the
            longest building is long.

        Returns
        -------
        dict
            Frames by name. Of `buildings` and of layers that belong to no building there are those of other
            parts, too, where these come so near.
        """
        frames = [self.part(number) for number in numbers]
        made = {name: _joined([frame[name] for frame in frames]) for name in frames[0]}
        made |= {name: frames[0][name] for name, once in self._once.items() if once.index is None}
        boxes = np.array([part.box("buildings") or [np.nan] * 4 for part in self._parts], dtype=float)
        edges = made["buildings"].geometry.bounds.to_numpy()
        reach = max(float(np.max(edges[:, 2:] - edges[:, :2], initial=0.0)), reach)
        grown = shapely.box(*(boxes[list(numbers)] + reach * np.array([-1.0, -1.0, 1.0, 1.0])).T)
        for name in _NEAR:
            if name not in made or name in self._once:
                continue
            others = [
                self._parts[number].frame(name, self.crs)
                for number in range(len(self._parts))
                if number not in numbers
                and (box := self._parts[number].box(name)) is not None
                and shapely.intersects(grown, shapely.box(*box)).any()
            ]
            made[name] = _joined([made[name], *others])
        return made

    def whole(self, names: Iterable[str] | None = None) -> dict[str, Any]:
        """Some tables of the whole district, in memory: for what is small, and for tests.

        Parameters
        ----------
        names
            As for `each`.

        Returns
        -------
        dict
        """
        wanted = [name for name in (self.names if names is None else names) if name in self.names]
        if len(self._parts) == 1 and not self._once:
            return self.part(0, wanted)
        return {
            name: self._once[name].table
            if name in self._once
            else _joined([part.frame(name, self.crs) for part in self._parts])
            for name in wanted
        }

    def stream(self, name: str, columns: Sequence[str] | None = None) -> pa.RecordBatchReader:
        """A whole table as Arrow batches, part after part.

        Parameters
        ----------
        name
            One of `names`.
        columns
            Those wanted, in that order; all of them where nothing is said. `geometry` holds well-known
            binary.

        Returns
        -------
        pyarrow.RecordBatchReader
            No batch longer than a part; types as `schema_of` gives them.
        """
        schema = self.schema(name, columns)

        def batches() -> Iterator[pa.RecordBatch]:
            for table in self.tables(name, columns):
                yield from table.to_batches()

        return pa.RecordBatchReader.from_batches(schema, batches())

    def schema(self, name: str, columns: Sequence[str] | None = None) -> pa.Schema:
        """The columns of a stream and their types; as for `stream`."""
        known = schema_of(name)
        if known is None:
            known = next(self.tables(name)).schema
        return known if columns is None else pa.schema([known.field(column) for column in columns])

    def tables(self, name: str, columns: Sequence[str] | None = None) -> Iterator[pa.Table]:
        """A whole table as one Arrow table a part; as for `stream`."""
        if name in self._once:
            yield _as_schema(arrow_of(self._once[name].table), name, columns)
            return
        for part in self._parts:
            yield _as_schema(part.arrow(name, columns), name, columns)

    def narrow(self, name: str, columns: Sequence[str]) -> pd.DataFrame:
        """Some columns of a whole table, of all parts at once.

        Parameters
        ----------
        name
            One of `names`.
        columns
            Those wanted; no geometry.

        Returns
        -------
        DataFrame
            Typed as `tables.conform` types them.
        """
        if name in self._once:
            return pd.DataFrame(self._once[name].table)[list(columns)]
        if len(self._parts) == 1 and isinstance(part := self._parts[0], _Memory):
            return pd.DataFrame(part.frame(name, self.crs))[list(columns)]
        rows = pa.concat_tables([*self.tables(name, columns)]).unify_dictionaries()
        return pd.DataFrame(frame_of(name, rows, None))

    def in_order(self, name: str, columns: Sequence[str], by: str) -> pd.DataFrame:
        """Some columns of a whole table, sorted by one of them.

        Parameters
        ----------
        name, columns
            As for `narrow`.
        by
            The column; rows that have the same there stay as they come.

        Returns
        -------
        DataFrame
            Not another copy of it where all is at hand in that order: the ranking of a large district is the
            longest text that a build holds.
        """
        late = self._late().get(name)
        at_hand = late is not None and name not in self._once and {*columns} <= {late.key, *late.columns}
        rows = late.frame(name, columns) if late is not None and at_hand else self.narrow(name, columns)
        if rows[by].is_monotonic_increasing:
            return rows
        return rows.sort_values(by, kind="stable", ignore_index=True)

    def extent(self, name: str) -> npt.NDArray[np.float64]:
        """The box around a table: least x and y, greatest x and y in the working CRS; NaN around nothing."""
        held = self._once[name].table if name in self._once else None
        boxes = [part.box(name) for part in self._parts] if held is None else [_box(held)]
        known = np.array([[np.nan] * 4, *(edges for edges in boxes if edges is not None)], dtype=float)
        return np.array([*np.fmin.reduce(known[:, :2]), *np.fmax.reduce(known[:, 2:])])

    def in_parts(self, name: str) -> bool:
        """Whether each part has rows of a table that are its own."""
        return name not in self._once

    def tiles(self) -> tuple[str, ...]:
        """What each part is called; one that was never cut is called nothing."""
        return tuple(part.folder.name if isinstance(part, _Tile) else "" for part in self._parts)

    def only(self, numbers: Iterable[int]) -> Parts:
        """Some of the parts, as if there were no others; what is not by part stays.

        Parameters
        ----------
        numbers
            Which, from 0.

        Returns
        -------
        Parts
        """
        wanted = list(numbers)
        return Parts(
            self.names,
            tuple(self.keys[number] for number in wanted),
            self.crs,
            tuple(self._parts[number] for number in wanted),
            self._once,
        )

    def late_columns(self, name: str) -> tuple[str, ...]:
        """Columns of a table that do not depend on the part alone; none of most tables."""
        late = self._late().get(name)
        return () if late is None or name in self._once else late.columns

    def _late(self) -> Mapping[str, _Late]:
        return self._parts[0].late if self._parts and isinstance(self._parts[0], _Tile) else {}

    def digest(self) -> str | None:
        """What stands for everything in the tables, without reading them; None for what was never cut."""
        if not any(self.keys):
            return None
        total = hashlib.sha256("\n".join(self.keys).encode("utf-8"))
        known = {name: arrow_of(once.table) for name, once in self._once.items()}
        known |= {
            f"{name}, late": of.cells.append_column(of.key, pa.array(of.index))
            for name, of in self._late().items()
        }
        for name, rows in sorted(known.items()):
            total.update(name.encode("utf-8"))
            sink = pa.BufferOutputStream()
            with pa.ipc.new_stream(sink, rows.schema) as stream:
                stream.write_table(rows.combine_chunks())
            total.update(sink.getvalue())
        return total.hexdigest()

    def held(self, number: int, names: Iterable[str]) -> dict[str, Any]:
        """Some tables of one part as they are at hand: where geometry is still coordinates it stays so.

        Parameters
        ----------
        number
            Of the part, from 0.
        names
            Of the tables wanted; those that there are of them come.
        """
        part = self._parts[number]
        if not isinstance(part, _Memory):
            return self.part(number, [name for name in names if name not in self._once])
        return {name: part.held[name] for name in names if name in part.held}

    def file(self, number: int, name: str) -> Path | None:
        """A file that stands beside the tables of a part; None where there is none.

        Parameters
        ----------
        number
            Of the part, from 0.
        name
            Of the file.
        """
        part = self._parts[number]
        path = part.folder / name if isinstance(part, _Tile) else None
        return path if path is not None and path.is_file() else None

    def count(self, name: str) -> int:
        """How many rows a table has."""
        if name in self._once:
            return len(self._once[name].table)
        return sum(part.count(name) for part in self._parts)

    def rows(self, number: int, name: str) -> int:
        """How many rows of a table one part has."""
        return len(self._once[name].table) if name in self._once else self._parts[number].count(name)

    def areas_of_parts(self) -> list[set[str]]:
        """The dispatch areas that the buildings of each part lie in; of no area are none."""
        found = []
        for part in self._parts:
            cells = part.arrow("buildings", ["dispatch_area"]).column(0)
            found.append({area for area in cells.unique().to_pylist() if area is not None})
        return found

    def of_area(self, area: str) -> dict[str, Any]:
        """The rows of one dispatch area, read from the parts that it lies in.

        Parameters
        ----------
        area
            Its name.

        Returns
        -------
        dict
            As `only_area` gives them of the whole district.
        """
        if len(self._parts) == 1 and not self._once:
            return only_area(self.part(0), area)
        areas = self.whole(["areas"])["areas"]
        extent = shapely.box(*areas.loc[areas["name"] == area].total_bounds)
        holding = [area in names for names in self.areas_of_parts()]
        tables: dict[str, Any] = {}
        for name in self.names:
            if name in self._once:
                tables[name] = self._once[name].table
                continue
            kept = [
                part.frame(name, self.crs)
                for part, holds in zip(self._parts, holding, strict=True)
                if holds or name in _PLACES or part.meets(name, extent)
            ]
            tables[name] = _joined(kept) if kept else self._parts[0].frame(name, self.crs).iloc[:0]
        return only_area(tables, area)


def only_area(tables: Mapping[str, Any], area: str) -> dict[str, Any]:
    """Rows of one dispatch area's buildings, and the obstacles and ground that cross it.

    Parameters
    ----------
    tables
        Of a district, `buildings` and `areas` among them.
    area
        The name of one of its areas.

    Returns
    -------
    dict
        Frames by name. Tables that know no building are whole.
    """
    buildings = tables["buildings"]
    wanted = buildings.loc[buildings["dispatch_area"] == area, _BUILDING]
    extent = shapely.box(*tables["areas"].loc[tables["areas"]["name"] == area].total_bounds)
    kept: dict[str, Any] = {}
    for name, frame in tables.items():
        if name == "ground":
            kept[name] = frame[frame.geometry.intersects(extent)].reset_index(drop=True)
        elif name == "obstacles":
            free = frame[_BUILDING].isna() & frame.geometry.intersects(extent)
            kept[name] = frame[among(frame[_BUILDING], wanted) | free].reset_index(drop=True)
        elif isinstance(frame, gpd.GeoDataFrame) and name == "areas":
            kept[name] = frame[frame["name"] == area].reset_index(drop=True)
        elif _BUILDING in frame.columns:
            kept[name] = frame[among(frame[_BUILDING], wanted)].reset_index(drop=True)
        else:
            kept[name] = frame
    return kept


def save_part(tables: Mapping[str, Any], folder: Path) -> None:
    """Write the tables of one part.

    Parameters
    ----------
    tables
        Frames by name, those without rows as well; or tables whose geometry is still coordinates.
    folder
        Of the part; it is there.
    """
    sizes: dict[str, Any] = {}
    for name, table in tables.items():
        rows = arrow_of(table)
        pyarrow.parquet.write_table(
            rows,
            folder / f"{name}.parquet",
            compression=_COMPRESSION,
            # Shapes and measures hardly repeat, and nobody looks for rows by their least and greatest.
            use_dictionary=[column.name for column in rows.schema if _is_text(column.type)],
            write_statistics=False,
            # What is damaged on the disk may be a plan all the same, and another one.
            write_page_checksum=True,
        )
        sizes[name] = {"rows": len(rows)}
        geo = json.loads((rows.schema.metadata or {}).get(b"geo", b"{}"))
        if "bbox" in (told := geo.get("columns", {}).get(GEOMETRY, {})):
            sizes[name]["box"] = told["bbox"]
    (folder / _SIZES).write_text(json.dumps(sizes, sort_keys=True), encoding="utf-8")


def schema_of(name: str) -> pa.Schema | None:
    """The Arrow columns of a table, geometry last; None where it is none of `tables.TABLES`.

    Examples
    --------
    >>> [column.name for column in schema_of("facts")][:2], schema_of("buildings").field("geometry").type
    (['building_id', 'field'], DataType(binary))
    """
    table = TABLES.get(name)
    if table is None:
        return None
    columns = [pa.field(key, _ARROW_TYPES[column.dtype]) for key, column in table.columns.items()]
    return pa.schema([*columns, pa.field(GEOMETRY, pa.binary())] if table.geometry else columns)


def arrow_of(table: Any) -> pa.Table:
    """A frame as an Arrow table, geometry as well-known binary with the metadata of GeoParquet.

    Parameters
    ----------
    table
        A frame; or a table whose geometry is still coordinates.

    Returns
    -------
    pyarrow.Table
    """
    return table.arrow() if isinstance(table, LateTable) else arrow_of_frame(table)


def frame_of(name: str, rows: pa.Table, crs: Any) -> Any:
    """An Arrow table as a frame, typed as `tables.conform` types it.

    Parameters
    ----------
    name
        Of the table.
    rows
        As `arrow_of` makes them; some of the columns.
    crs
        The CRS of its geometry.

    Returns
    -------
    DataFrame or GeoDataFrame
    """
    rows = _as_schema(rows, name, rows.column_names)
    plain = rows.drop_columns([GEOMETRY]) if GEOMETRY in rows.column_names else rows
    nullable = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
    frame = plain.replace_schema_metadata(None).to_pandas(types_mapper=nullable.get)
    for column in frame.select_dtypes("category"):
        # Words that Arrow hands out are objects.
        texts = pd.CategoricalDtype(frame[column].cat.categories.astype("str"))
        frame[column] = pd.Categorical.from_codes(frame[column].cat.codes, dtype=texts)
    if plain is rows:
        return frame
    shapes = np.asarray(shapely.from_wkb(rows.column(GEOMETRY).to_numpy(zero_copy_only=False)), dtype=object)
    return with_geometry({key: frame[key].array for key in frame}, shapes, crs)


@dataclass(frozen=True, slots=True)
class _Memory:
    """Tables in memory."""

    held: dict[str, Any]

    def ids(self) -> npt.NDArray[np.object_]:
        ids: npt.NDArray[np.object_] = self.frame("buildings", None)[_BUILDING].to_numpy(dtype=object)
        return ids

    def frame(self, name: str, crs: Any) -> Any:
        del crs
        table = self.held[name]
        return table.frame() if isinstance(table, LateTable) else table

    def arrow(self, name: str, columns: Sequence[str] | None) -> pa.Table:
        table = self.held[name]
        if columns is not None and GEOMETRY not in columns:
            plain = table.columns if isinstance(table, LateTable) else table
            table = pd.DataFrame({column: plain[column] for column in columns}, copy=False)
        rows = arrow_of(table)
        return rows if columns is None else rows.select(list(columns))

    def count(self, name: str) -> int:
        return len(self.held[name])

    def meets(self, name: str, extent: Any) -> bool:
        del name, extent
        return True

    def box(self, name: str) -> _Box | None:
        return _box(self.held[name])


@dataclass(frozen=True, slots=True)
class _Tile:
    """The folder of a tile; `late` are columns that came after it was made."""

    folder: Path
    sizes: Mapping[str, Any]
    late: Mapping[str, _Late]

    @classmethod
    def open(cls, folder: Path, late: Mapping[str, _Late]) -> _Tile:
        try:
            sizes = json.loads((folder / _SIZES).read_text("utf-8"))
        except (OSError, ValueError) as error:
            raise LayerError(f"The tile {folder} cannot be read ({error}); build with --anew.") from None
        return cls(folder, sizes, late)

    def crs(self) -> CRS | None:
        for name in self.sizes:
            geo = (pyarrow.parquet.read_schema(self._file(name)).metadata or {}).get(b"geo")
            if geo is not None:
                told = json.loads(geo)["columns"][GEOMETRY].get("crs")
                return None if told is None else CRS.from_user_input(told)
        return None

    def ids(self) -> npt.NDArray[np.object_]:
        cells = self.arrow("buildings", [_BUILDING]).column(0)
        ids: npt.NDArray[np.object_] = cells.to_numpy(zero_copy_only=False)
        return ids

    def frame(self, name: str, crs: Any) -> Any:
        return frame_of(name, self.arrow(name, None), crs)

    def arrow(self, name: str, columns: Sequence[str] | None) -> pa.Table:
        late = self.late.get(name)
        read = None if columns is None else [*columns]
        if late is not None and read is not None:
            read = [*dict.fromkeys([late.key, *(column for column in read if column not in late.columns)])]
        try:
            # A data set of one file takes several times as long to set up, and files are many and small.
            with pyarrow.parquet.ParquetFile(self._file(name), page_checksum_verification=True) as parquet:
                rows = parquet.read(read)
        except (OSError, pa.ArrowException) as error:
            raise LayerError(f"{self._file(name)} cannot be read ({error}); build with --anew.") from None
        if late is not None:
            rows = late.joined(rows)
        return rows if columns is None else rows.select(list(columns))

    def count(self, name: str) -> int:
        return int(self.sizes[name]["rows"]) if name in self.sizes else 0

    def meets(self, name: str, extent: Any) -> bool:
        if name not in _ANYWHERE:
            return False
        edges = self.sizes.get(name, {}).get("box")
        return edges is not None and bool(shapely.box(*edges).intersects(extent))

    def box(self, name: str) -> _Box | None:
        edges = self.sizes[name].get("box")
        return None if edges is None else tuple(edges)

    def _file(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"


@dataclass(frozen=True, slots=True)
class _Once:
    """A table of the whole district, and what finds the rows of some buildings."""

    table: Any
    index: pd.Index | None

    @classmethod
    def of(cls, table: Any) -> _Once:
        frame = table.frame() if isinstance(table, LateTable) else table
        return cls(frame, pd.Index(frame[_BUILDING]) if _BUILDING in frame else None)

    def of_buildings(self, ids: pd.Index | None) -> Any:
        if self.index is None or ids is None:
            return self.table
        if self.index.is_unique:
            rows = np.sort(self.index.get_indexer(ids))
            return self.table.iloc[rows[rows >= 0]].reset_index(drop=True)
        return self.table[among(self.index, ids)].reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class _Late:
    """Columns of a table that were not known when its tiles were made."""

    key: str
    columns: tuple[str, ...]
    index: pd.Index
    cells: pa.Table

    @classmethod
    def of(cls, frame: pd.DataFrame) -> _Late:
        key, *columns = (str(name) for name in frame.columns)
        return cls(key, tuple(columns), pd.Index(frame[key]), arrow_of(frame[columns]))

    def frame(self, name: str, columns: Sequence[str]) -> pd.DataFrame:
        rows = self.cells.append_column(self.key, pa.array(self.index, pa.large_string()))
        return pd.DataFrame(frame_of(name, rows.select(list(columns)), None))

    def joined(self, rows: pa.Table) -> pa.Table:
        found = self.index.get_indexer(pd.Index(rows.column(self.key).to_numpy(zero_copy_only=False)))
        taken = self.cells.take(pa.array(found, mask=found < 0))
        for name in self.columns:
            place = rows.schema.get_field_index(name)
            column = taken.column(name)
            rows = rows.append_column(name, column) if place < 0 else rows.set_column(place, name, column)
        return rows


def _as_schema(rows: pa.Table, name: str, columns: Sequence[str] | None) -> pa.Table:
    """The columns in the order and of the types of their table, without a word about them."""
    known = schema_of(name)
    if columns is None:
        columns = rows.column_names if known is None else known.names
    fields, made = [], []
    for column in columns:
        cells = rows.column(column)
        wanted = known.field(column).type if known is not None and column in known.names else None
        if wanted is None:
            wanted = pa.large_string() if _is_text(cells.type) else cells.type
        made.append(cells if cells.type == wanted else _cast(cells, wanted))
        fields.append(pa.field(column, wanted))
    return pa.Table.from_arrays(made, schema=pa.schema(fields))


def _cast(cells: pa.ChunkedArray, wanted: pa.DataType) -> pa.ChunkedArray:
    if not pa.types.is_dictionary(wanted):
        return cells.cast(wanted)
    if not pa.types.is_dictionary(cells.type):
        return cells.cast(wanted.value_type).dictionary_encode().cast(wanted)
    chunks = [
        pa.DictionaryArray.from_arrays(
            chunk.indices.cast(wanted.index_type), chunk.dictionary.cast(wanted.value_type)
        )
        for chunk in cells.chunks
    ]
    return pa.chunked_array(chunks, type=wanted)


def _box(table: Any) -> _Box | None:
    if isinstance(table, LateTable):
        table = table.frame()
    return tuple(table.total_bounds.tolist()) if len(table) else None


def _is_text(kind: pa.DataType) -> bool:
    plain = pa.types.is_string(kind) or pa.types.is_large_string(kind)
    return bool(plain or pa.types.is_dictionary(kind) or pa.types.is_null(kind))


def _joined(frames: Sequence[Any]) -> Any:
    if len(frames) == 1:
        return frames[0]
    whole = pd.concat(frames, ignore_index=True)
    for name in frames[0].select_dtypes("category").columns:
        # Words that not all parts have would make plain text of a column.
        whole[name] = union_categoricals([frame[name] for frame in frames], ignore_order=True)
    return whole
