"""What the planning of a few buildings needs of a district, so that nothing else has to be read.

In: the inventory of a district, part after part, and its settings.
Out: `planner.gpkg`, and `Stock`: the settings once, and the rows around some buildings when they are asked
    for. `FileStock` is the one that reads that file.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from pyproj import CRS
from pyproj.exceptions import ProjError

from roofplat.district import District
from roofplat.errors import DistrictFileError, LayerError, RoofplatError
from roofplat.ground import Ground, local_planes
from roofplat.placing.approach import yards_among
from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.layers import (
    Layer,
    contents_of,
    fixed_clock,
    unwatched,
    write_indexes,
    write_layer,
    write_tables,
)
from roofplat.publish.parts import GEOMETRY, Parts
from roofplat.record.store import well_known_binary
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import TABLES, among, with_geometry

__all__ = [
    "FILE_FAULTS",
    "SETTING_TITLE",
    "STOCK_KINDS",
    "STOCK_LAYERS",
    "FileStock",
    "Stock",
    "StockRows",
    "StockSetting",
    "identity_of",
    "open_as_it_is",
    "read_setting",
    "setting_told",
    "stock_frame",
    "stock_layers",
    "stock_tables",
    "strange_building",
    "street_reach_ft",
    "units_per_ft",
    "write_stock",
    "yards_of",
]

STOCK_LAYERS: Mapping[str, str] = {
    "roofs": "Roof sections with everything known of each, as framing takes them",
    "obstacles": "Units, skylights, vents, hatches, solar, hung loads, parapets, overhead lines",
    "ground": "Ground on which no ladder base can stand, and why",
    "streets": "Named streets",
    "drawn_walls": "What drawings say of single walls",
    "fires": "Stated fire spots, one a building at most",
    "yards": "Ground that buildings which touch enclose",
}
"""The layers of `planner.gpkg`, and what each holds."""
FILE_FAULTS = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged database raises; the second where SQLite quotes of it what is no text."""
# What comes of a setting that is not as it was written.
_STRANGE = (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError, ProjError)
SETTING_TITLE = "What holds for every building of the district, as JSON"
"""What the table `setting` holds."""
# Columns of the layers that are no table of their own.
_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "streets": ("name",),
    "drawn_walls": ("kind", "basis"),
    "fires": ("building_id",),
    "yards": ("yard_id",),
}
_DTYPES: Mapping[str, Any] = {"str": pd.StringDtype(na_value=np.nan), "Int64": pd.Int64Dtype()}
STOCK_KINDS: Mapping[str, str] = {"roofs": "Polygon", "fires": "Point", "yards": "Polygon"}
"""Kind of geometry of those that hold one kind alone."""
# Enough of a checksum to tell builds apart.
_BUILD_DIGITS = 16
# Ids named where one does not exist, and how like it they must be.
_CLOSE_IDS, _CLOSE_SHARE = 3, 0.5
# Ids on either side that are compared with one that does not exist.
_LOOKED_AT = 200
# How much farther a box is drawn that may hold no street, and how often.
_WIDER, _TRIES = 4.0, 12
# Places along each side of a district where the projection is looked at.
_LOOKED_AT_ACROSS = 5
# Walls are straight runs, a little off the outline, and ladders stand before them.
_OFF_OUTLINE_FT = 10.0


@dataclass(frozen=True, slots=True)
class StockSetting:
    """What holds for every building of a district.

    district
        Its name.
    crs
        The working CRS, of all geometry.
    rules, ground
        The rules in force, and what a foot is.
    wind_from_deg, wind_basis
        The wind of the standing plans, degrees from true north, and how it is known.
    as_of
        The date on which ages were counted.
    paper
        Paper of the printed sheets: `letter` or `a4`.
    units_per_ft
        Units of the working CRS to a foot, where they are most.
    build
        Names the build: two that differ in anything have another one.
    """

    district: str
    crs: CRS
    rules: Rulebook
    ground: Ground
    wind_from_deg: float
    wind_basis: str
    as_of: datetime.date
    paper: str
    units_per_ft: float
    build: str


@dataclass(frozen=True, slots=True)
class StockRows:
    """The rows of a district that some buildings are planned by; geometry in the working CRS.

    roofs
        `tables.TABLES["roofs"]`: those of the buildings asked for, in the order asked for, then those of all
        others in reach, in the order of the district. Where buildings enclose a yard that one asked for
        borders on, all around that yard count as in reach.
    obstacles
        `tables.TABLES["obstacles"]` of the buildings asked for, and those of no building in reach.
    ground
        `tables.TABLES["ground"]` in reach.
    streets
        `name` and lines: the named streets in reach of an address, and as many more as hold the nearest to
        any place of the buildings asked for. Their index numbers them as the district does: those around one
        building can be put together with those around another.
    walls
        `kind`, `basis` and lines: drawn walls in reach.
    fires
        `building_id` and points: the stated fire spots of the buildings asked for.
    """

    roofs: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    ground: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame
    walls: gpd.GeoDataFrame
    fires: gpd.GeoDataFrame


class Stock(Protocol):
    """A district that buildings can be taken from: a file or a database. For one thread at a time."""

    @property
    def setting(self) -> StockSetting:
        """What holds for every building."""
        ...

    def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
        """The rows that some buildings are planned by.

        Parameters
        ----------
        ids
            Buildings, each once.
        reach_ft
            How far from a building's bounding box its surroundings count; more may come.

        Returns
        -------
        StockRows

        Raises
        ------
        DistrictFileError
            There is no such building; the nearest ids are named.
        LayerError
            The stock cannot be read.
        """
        ...

    def fresh(self) -> bool:
        """Whether the district is still the one that was opened; if not, open it anew."""
        ...

    def close(self) -> None:
        """Let go of the file or the connection."""
        ...


def write_stock(
    parts: Parts,
    path: Path,
    *,
    district: District,
    rules: Rulebook,
    ground: Ground,
    wind_from_deg: float,
    wind_basis: str,
    as_of: datetime.date,
    layers: Path | None = None,
) -> Path:
    """Write what the planning of any building of a district needs.

    Parameters
    ----------
    parts
        Tables by the names of `STOCK_LAYERS`, as `stock_tables` makes them, of the whole district,
        neighbours of a dispatch area included. Other tables do not count.
    path
        The file to write.
    district
        Its name, region, families and paper.
    rules, ground
        The rules in force, and what a foot is.
    wind_from_deg, wind_basis
        The wind of the standing plans, degrees from true north, and how it is known.
    as_of
        The date on which ages were counted.
    layers
        The layers of the same build, so that its name stands for them too.

    Returns
    -------
    Path
        `path`: the layers of `STOCK_LAYERS` in the working CRS, with indexes by place and by building, and
        the table `setting` of one row of JSON.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    made = stock_layers(parts)
    crs = CRS.from_user_input(parts.crs)
    setting = {
        "as_of": as_of.isoformat(),
        "caution": CAUTION,
        "crs": crs.to_wkt(),
        "district": district.name,
        "families": district.families,
        "mean_elevation_ft": ground.mean_elevation_ft,
        "paper": district.sheets.paper,
        "region": district.region,
        "rules": {rule.id: rule.value for rule in rules.overridden},
        "units_per_ft": units_per_ft(parts.extent("roofs"), crs, ground),
        "wind_basis": wind_basis,
        "wind_from_deg": wind_from_deg,
    }
    metadata = {"caution": CAUTION}
    with whole_file(path) as beside, fixed_clock(), unwatched():
        write_tables(
            made,
            beside,
            kinds={name: STOCK_KINDS.get(name, "Unknown") for name in made},
            crs=crs,
            descriptions=STOCK_LAYERS,
            metadata=metadata,
        )
        write_indexes(beside, {name: layer.schema.names for name, layer in made.items()})
        if layers is not None:
            with contextlib.closing(sqlite3.connect(layers)) as base:
                setting["layers"] = contents_of(base)
        told = json.dumps(setting, sort_keys=True, ensure_ascii=False)
        setting["build"] = _name_of_build(told, parts.digest(), beside)
        told = json.dumps(setting, sort_keys=True, ensure_ascii=False)
        frame = pd.DataFrame({"json": pd.Series([told], dtype="str")})
        write_layer(frame, beside, name="setting", kind="", description=SETTING_TITLE, metadata=metadata)
    return path


def stock_tables(rows: StockRows) -> dict[str, gpd.GeoDataFrame]:
    """What `planner.gpkg` is written from, as frames.

    Parameters
    ----------
    rows
        Of the whole district.

    Returns
    -------
    dict
        Frames by the names of `STOCK_LAYERS`, in that order, in the working CRS, none of them without one.
    """
    crs = rows.roofs.crs
    frames = {
        "roofs": rows.roofs,
        "obstacles": rows.obstacles,
        "ground": rows.ground,
        "streets": rows.streets,
        "drawn_walls": rows.walls,
        "fires": rows.fires,
    }
    made = {}
    for name, frame in frames.items():
        plain = pd.DataFrame({column: frame[column].array for column in _columns_of(name)})
        made[name] = gpd.GeoDataFrame(plain, geometry=np.asarray(frame.geometry.array, dtype=object), crs=crs)
    return {**made, "yards": yards_of(rows.roofs)}


def yards_of(roofs: gpd.GeoDataFrame, home: Collection[str] | None = None) -> gpd.GeoDataFrame:
    """Ground inside rings of roofs that touch.

    Parameters
    ----------
    roofs
        `tables.TABLES["roofs"]`.
    home
        Only yards of these buildings; of all where nothing is said. A yard is that of the building around
        it whose id comes first, so that each is found in one tile alone.

    Returns
    -------
    GeoDataFrame
        `yard_id`, the building and a number, and the ground; in an order that the roofs alone decide.
    """
    outlines = np.asarray(roofs.geometry.array, dtype=object)
    # Where a ring begins depends on what else was looked at.
    yards = np.asarray(shapely.normalize(yards_among(outlines)), dtype=object)
    if yards.size:
        yards = yards[np.lexsort(shapely.bounds(yards).T[::-1])]
    yard, roof = shapely.STRtree(outlines).query(yards, predicate="intersects")
    owner = roofs["building_id"].iloc[roof].reset_index(drop=True).groupby(yard).min()
    if home is not None:
        owner = owner[among(owner, home)]
    number = owner.groupby(owner).cumcount() + 1
    ids = (owner + " " + number.astype("str")).astype("str").array
    ground = yards[owner.index.to_numpy(dtype=np.int64)]
    return gpd.GeoDataFrame({"yard_id": ids}, geometry=ground, crs=roofs.crs)


def stock_layers(parts: Parts) -> dict[str, Layer]:
    """The layers of `planner.gpkg`.

    Parameters
    ----------
    parts
        As for `write_stock`.

    Returns
    -------
    dict
        By the names of `STOCK_LAYERS`, in that order. Streets without a name are left out: nothing is
        planned by them.
    """
    made = {}
    for name in STOCK_LAYERS:
        columns = [*_columns_of(name), GEOMETRY]
        made[name] = Layer(parts.schema(name, columns), partial(_stock_rows, parts, name, columns))
    return made


def _stock_rows(parts: Parts, name: str, columns: Sequence[str]) -> Iterator[pa.Table]:
    for rows in parts.tables(name, columns):
        if name != "streets":
            yield rows
            continue
        named = pc.not_equal(pc.utf8_trim_whitespace(rows.column("name")), "")
        yield rows.filter(named)


def _columns_of(name: str) -> Sequence[str]:
    return tuple(TABLES[name].columns) if name in TABLES else _COLUMNS[name]


def setting_told(path: Path) -> str:
    """The one row of the table `setting` of a file that was just written.

    Parameters
    ----------
    path
        `planner.gpkg`.

    Returns
    -------
    str
        JSON, as `read_setting` takes it.
    """
    connection, _ = open_as_it_is(path)
    with contextlib.closing(connection):
        return str(connection.execute("SELECT json FROM setting").fetchone()[0])


def read_setting(told: str) -> StockSetting:
    """Read the one row of the table `setting`.

    Parameters
    ----------
    told
        Its JSON.

    Returns
    -------
    StockSetting

    Raises
    ------
    LayerError
        It is none, or one of another version.
    """
    try:
        said = json.loads(told)
        rules = load_rulebook(said["rules"], said["families"])
        return StockSetting(
            district=said["district"],
            crs=CRS.from_wkt(said["crs"]),
            rules=rules,
            ground=Ground(rules.number("ground.foot_m"), said["mean_elevation_ft"]),
            wind_from_deg=said["wind_from_deg"],
            wind_basis=said["wind_basis"],
            as_of=datetime.date.fromisoformat(said["as_of"]),
            paper=said["paper"],
            units_per_ft=said["units_per_ft"],
            build=said["build"],
        )
    except (*_STRANGE, RoofplatError):
        raise LayerError("The setting of the build cannot be read; build it again.") from None


def street_reach_ft(setting: StockSetting, reach_ft: float) -> float:
    """How far streets count for a building, where other things count as far as given.

    Parameters
    ----------
    setting
        With the rule `wall.address_reach_ft`.
    reach_ft
        How far everything else does.

    Returns
    -------
    float
        Ground feet. The street of an address may lie farther than the nearest one.
    """
    return max(reach_ft, setting.rules.number("wall.address_reach_ft"))


def strange_building(name: str, near: Sequence[str]) -> DistrictFileError:
    """What is said of a building that is not there.

    Parameters
    ----------
    name
        The id asked for.
    near
        Ids that are there, some of them perhaps like it.

    Returns
    -------
    DistrictFileError

    Examples
    --------
    >>> print(strange_building("B-0010", ["B-0009", "B-0011"]))
    There is no building 'B-0010'; the nearest are B-0011, B-0009.
    """
    close = get_close_matches(name, near, n=_CLOSE_IDS, cutoff=_CLOSE_SHARE)
    hint = f"the nearest are {', '.join(close)}" if close else "the map and ranking.csv list them"
    return DistrictFileError(f"There is no building {name!r}; {hint}.")


def stock_frame(
    name: str, cells: Mapping[str, Sequence[Any]], shapes: npt.NDArray[np.object_], crs: CRS
) -> gpd.GeoDataFrame:
    """A frame from the cells of a layer, typed as `tables.conform` types it.

    The cells were conformed before they were written; to check them once more takes longer than the rest.

    Parameters
    ----------
    name
        A key of `STOCK_LAYERS`.
    cells
        The values of each column, n long, as a database hands them out.
    shapes
        Geometry in the working CRS, shape (n,).
    crs
        The working CRS.

    Returns
    -------
    GeoDataFrame
        n rows; the columns of the table and `geometry`. Streets are numbered by their cells `fid`, where
        they have them.

    Raises
    ------
    LayerError
        A column is not there.

    Examples
    --------
    >>> streets = stock_frame("streets", {"name": ["Elm", None]}, np.array([None, None]), CRS("EPSG:32613"))
    >>> streets["name"].isna().tolist()
    [False, True]
    """
    if name in TABLES:
        kinds: Mapping[str, str] = {key: column.dtype for key, column in TABLES[name].columns.items()}
    else:
        kinds = dict.fromkeys(_COLUMNS[name], "str")
    lacking = [column for column in kinds if column not in cells]
    if lacking:
        raise LayerError(
            f"The stock of the build has no column {lacking[0]} in {name}: another version of the program "
            "wrote it; build it again."
        )
    columns: dict[str, Any] = {}
    for column, kind in kinds.items():
        values = cells[column]
        if kind == "float64":
            columns[column] = np.array(values, dtype=object).astype(float)
        elif kind == "boolean":
            columns[column] = pd.array(
                [None if value is None else bool(value) for value in values], dtype="boolean"
            )
        else:
            columns[column] = pd.array(list(values), dtype=_DTYPES[kind])
    frame = with_geometry(columns, shapes, crs)
    if name == "streets" and "fid" in cells:
        frame.index = pd.Index(np.asarray(cells["fid"], dtype=np.int64) - 1)
    return frame


_Identity = tuple[int, int, int, int]


class FileStock:
    """The stock in `planner.gpkg`, read piece by piece.

    Examples
    --------
    >>> FileStock.open("no/such/planner.gpkg")
    Traceback (most recent call last):
        ...
    roofplat.errors.LayerError: There is no no/such/planner.gpkg; `roofplat build` writes it.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, identity: _Identity) -> None:
        """Take over an open connection; see `open`."""
        self._path = path
        self._connection = connection
        self._identity = identity
        self._setting = read_setting(connection.execute("SELECT json FROM setting").fetchone()[0])

    @classmethod
    def open(cls, path: str | Path) -> FileStock:
        """Open the stock of a build, to read it alone.

        Parameters
        ----------
        path
            `planner.gpkg` in the folder of the build.

        Returns
        -------
        FileStock
            What is read comes from the file that was there, whatever takes its place later.

        Raises
        ------
        LayerError
            The file is missing, or is no stock.
        """
        path = Path(path)
        connection, identity = open_as_it_is(path)
        try:
            return cls(path, connection, identity)
        except (*FILE_FAULTS, TypeError, LayerError):
            connection.close()
            raise LayerError(f"{path} cannot be read as the stock of a build; build it again.") from None

    @property
    def setting(self) -> StockSetting:
        """What holds for every building."""
        return self._setting

    def fresh(self) -> bool:
        """Whether the file is still the one that was opened."""
        try:
            return identity_of(self._path) == self._identity
        except OSError:
            return False

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
        """The rows that some buildings are planned by; see `Stock.around`."""
        ids = list(dict.fromkeys(ids))
        try:
            with contextlib.closing(self._connection.cursor()) as cursor:
                cursor.execute("BEGIN")
                try:
                    return self._around(cursor, ids, reach_ft)
                finally:
                    with contextlib.suppress(sqlite3.Error):
                        cursor.execute("ROLLBACK")
        except FILE_FAULTS as error:
            raise LayerError(f"{self._path} cannot be read ({error}); build it again.") from None
        except RoofplatError:
            # Some are errors of values, too.
            raise
        except (shapely.errors.ShapelyError, IndexError, TypeError, ValueError):
            # A shape that is none, a number that is text: the file is not as it was written.
            raise LayerError(f"{self._path} cannot be read, it may be damaged; build it again.") from None

    def _around(self, cursor: sqlite3.Cursor, ids: list[str], reach_ft: float) -> StockRows:
        units = self._setting.units_per_ft
        reach, street_reach = reach_ft * units, street_reach_ft(self._setting, reach_ft) * units
        own = cursor.execute(
            "SELECT roofs.fid, building_id, minx, miny, maxx, maxy FROM roofs JOIN rtree_roofs_geom AS box "
            "ON box.id = roofs.fid WHERE building_id IN (SELECT value FROM json_each(?)) ORDER BY roofs.fid",
            (json.dumps(ids),),
        ).fetchall()
        place = {name: number for number, name in enumerate(ids)}
        boxes = np.full((len(ids), 4), [np.inf, np.inf, -np.inf, -np.inf])
        rows = np.array([place[name] for _, name, *_ in own], dtype=np.int64)
        edges = np.array([row[2:] for row in own], dtype=float).reshape(-1, 4)
        np.minimum.at(boxes[:, :2], rows, edges[:, :2])
        np.maximum.at(boxes[:, 2:], rows, edges[:, 2:])
        lost = np.flatnonzero(boxes[:, 0] > boxes[:, 2])
        if lost.size:
            name = ids[lost[0]]
            raise strange_building(name, self._beside(cursor, name))
        first = [fid for _, fid in sorted(zip(rows.tolist(), [row[0] for row in own], strict=True))]
        mine = set(first)

        def near(layer: str) -> set[int]:
            return _in_boxes(cursor, layer, _grown(boxes, reach))

        def of_ids(layer: str) -> set[int]:
            found = cursor.execute(
                f"SELECT fid FROM {layer} WHERE building_id IN (SELECT value FROM json_each(?))",
                (json.dumps(ids),),
            )
            return {fid for (fid,) in found}

        around = near("roofs") | self._around_yards(cursor, _grown(boxes, _off_outline(self._setting)))
        roofs = [*first, *sorted(around - mine)]
        free = cursor.execute(
            "SELECT fid FROM obstacles WHERE fid IN (SELECT value FROM json_each(?)) AND building_id IS NULL",
            (json.dumps(sorted(near("obstacles"))),),
        ).fetchall()
        obstacles = sorted(of_ids("obstacles") | {fid for (fid,) in free})
        return StockRows(
            roofs=self._rows(cursor, "roofs", roofs),
            obstacles=self._rows(cursor, "obstacles", obstacles),
            ground=self._rows(cursor, "ground", sorted(near("ground"))),
            streets=self._rows(cursor, "streets", sorted(self._streets(cursor, boxes, street_reach))),
            walls=self._rows(cursor, "drawn_walls", sorted(near("drawn_walls"))),
            fires=self._rows(cursor, "fires", sorted(of_ids("fires"))),
        )

    def _streets(self, cursor: sqlite3.Cursor, boxes: npt.NDArray[np.float64], reach: float) -> set[int]:
        """Streets in reach, and all that may be the nearest to a place of each of the buildings."""
        found: set[int] = set()
        for box in _grown(boxes, _off_outline(self._setting)):
            wide = reach
            some: set[int] = set()
            for _ in range(_TRIES):
                some = _in_boxes(cursor, "streets", _grown(box[None], wide))
                if some:
                    break
                wide *= _WIDER
            if not some:
                return {fid for (fid,) in cursor.execute("SELECT fid FROM streets")}
            # From any place of the box the nearest is no farther than this one and across the box.
            lines = self._shapes(cursor, "streets", some)
            nearest = float(shapely.distance(shapely.box(*box), lines).min())
            needed = nearest + float(np.hypot(box[2] - box[0], box[3] - box[1]))
            found |= some if needed <= wide else _in_boxes(cursor, "streets", _grown(box[None], needed))
        return found

    def _around_yards(self, cursor: sqlite3.Cursor, boxes: npt.NDArray[np.float64]) -> set[int]:
        """All roofs around the yards that some buildings border on: without one of them a yard is open."""
        yards = _in_boxes(cursor, "yards", boxes)
        if not yards:
            return set()
        ground = shapely.union_all(self._shapes(cursor, "yards", yards))
        around = sorted(_in_boxes(cursor, "roofs", np.array([shapely.bounds(ground)])))
        shapely.prepare(ground)
        meets = shapely.intersects(ground, self._shapes(cursor, "roofs", around))
        return set(np.array(around)[meets].tolist())

    def _shapes(self, cursor: sqlite3.Cursor, name: str, fids: Iterable[int]) -> npt.NDArray[np.object_]:
        """Geometry of rows, by rising number."""
        rows = cursor.execute(
            f"SELECT geom FROM {name} WHERE fid IN (SELECT value FROM json_each(?)) ORDER BY fid",
            (json.dumps(sorted(fids)),),
        ).fetchall()
        return np.asarray(shapely.from_wkb(well_known_binary([blob for (blob,) in rows])), dtype=object)

    def _rows(self, cursor: sqlite3.Cursor, name: str, fids: Sequence[int]) -> gpd.GeoDataFrame:
        """Rows of a layer in the order of their numbers given."""
        cursor.execute(
            f"SELECT * FROM {name} WHERE fid IN (SELECT value FROM json_each(?))", (json.dumps(list(fids)),)
        )
        columns = [entry[0] for entry in cursor.description]
        rows = {row[0]: row for row in cursor}
        # A column of nothing, too, where there is no row.
        turned = zip(*(rows[fid] for fid in fids), strict=True) if fids else ((),) * len(columns)
        cells = dict(zip(columns, turned, strict=True))
        shapes = np.asarray(shapely.from_wkb(well_known_binary(cells["geom"])), dtype=object)
        return stock_frame(name, cells, shapes, self._setting.crs)

    def _beside(self, cursor: sqlite3.Cursor, name: str) -> list[str]:
        """Ids around the place that one would have in the order of all."""
        after = cursor.execute(
            "SELECT DISTINCT building_id FROM roofs WHERE building_id >= ? ORDER BY building_id LIMIT ?",
            (name, _LOOKED_AT),
        ).fetchall()
        before = cursor.execute(
            "SELECT DISTINCT building_id FROM roofs WHERE building_id < ? ORDER BY building_id DESC LIMIT ?",
            (name, _LOOKED_AT),
        ).fetchall()
        return [found for (found,) in [*reversed(before), *after]]


def open_as_it_is(path: Path) -> tuple[sqlite3.Connection, _Identity]:
    """Open a database to read it alone, and say which file it is that was opened.

    Parameters
    ----------
    path
        The file. Another one may take its place while this is at work.

    Returns
    -------
    connection
        For one thread at a time. Transactions are begun and ended by hand.
    identity
        As `identity_of` gives it.

    Raises
    ------
    LayerError
        There is no such file, or it cannot be opened.
    """
    try:
        for _ in range(_TRIES):
            before = identity_of(path)
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, check_same_thread=False
            )
            if identity_of(path) == before:
                return connection, before
            connection.close()
    except FileNotFoundError:
        raise LayerError(f"There is no {path}; `roofplat build` writes it.") from None
    except (OSError, sqlite3.Error) as error:
        raise LayerError(f"{path} cannot be opened ({error}); build it again.") from None
    raise LayerError(f"{path} is replaced again and again; try again when the build is done.")


def identity_of(path: Path) -> _Identity:
    """Tell one file from another that took its place.

    Parameters
    ----------
    path
        A file.

    Returns
    -------
    tuple
        Device, number, time of change in nanoseconds, and size in bytes.

    Raises
    ------
    OSError
        There is no such file.
    """
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size


def _in_boxes(cursor: sqlite3.Cursor, layer: str, boxes: npt.NDArray[np.float64]) -> set[int]:
    """Numbers of the rows of a layer whose boxes meet any of some boxes."""
    found: set[int] = set()
    for west, south, east, north in boxes.tolist():
        meets = cursor.execute(
            f"SELECT id FROM rtree_{layer}_geom WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?",
            (west, east, south, north),
        )
        found.update(fid for (fid,) in meets)
    return found


def _grown(boxes: npt.NDArray[np.float64], by: float) -> npt.NDArray[np.float64]:
    grown: npt.NDArray[np.float64] = boxes + np.array([-by, -by, by, by])
    return grown


def _off_outline(setting: StockSetting) -> float:
    return _OFF_OUTLINE_FT * setting.units_per_ft


def units_per_ft(extent: npt.NDArray[np.float64], crs: CRS, ground: Ground) -> float:
    """The most units of the working CRS that a foot has in a box, in any direction.

    Parameters
    ----------
    extent
        Least x and y, greatest x and y; NaN where there is no box.
    crs
        The working CRS.
    ground
        What a foot is.

    Returns
    -------
    float
        Looked for on a grid of places, corners among them: a projection stretches most at an edge.
    """
    if np.isnan(extent).any():
        return 1.0
    x, y = (np.linspace(extent[axis], extent[axis + 2], _LOOKED_AT_ACROSS) for axis in (0, 1))
    planes = local_planes(np.repeat(x, y.size), np.tile(y, x.size), crs, ground)
    return float(np.linalg.norm(planes.to_crs, ord=2, axis=(1, 2)).max())


def _name_of_build(told: str, contents: str | None, file: Path) -> str:
    """What a build is called: by what it was made from; where that is not known, by what was written."""
    total = hashlib.sha256(told.encode("utf-8"))
    if contents is not None:
        total.update(contents.encode("utf-8"))
    else:
        with file.open("rb") as stream:
            total.update(hashlib.file_digest(stream, "sha256").digest())
    return total.hexdigest()[:_BUILD_DIGITS]
