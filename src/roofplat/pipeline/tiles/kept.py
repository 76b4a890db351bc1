"""What each tile reads of the record of surveys.

In: the record of a district, its footprints, which tile sees which of them.
Out: the ids that the record gives to the footprints, and for each tile the rows of the log and the drawings
    that bear on it.

The record is held whole: it has a row for what somebody saw, not for every building. Where outlines were
written down before, the footprints are matched with them all at once, and held for that.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.district import District, LayerSource
from roofplat.intake import Inputs
from roofplat.intake.gather import Opened, make_inputs
from roofplat.pipeline.tiles.chains import opened_rows
from roofplat.pipeline.tiles.narrow import Narrow
from roofplat.pipeline.tiles.spread import HOME, Places
from roofplat.record import SURVEY_LOG, RecordTables, has_record, open_record, read_record, with_record
from roofplat.record.drawn import standing
from roofplat.record.follow import on_footprints
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, conform, empty, join_problems

__all__ = [
    "DRAWN",
    "LOG",
    "Kept",
    "drawn_layer",
    "hold_record",
    "record_of_tile",
    "replaced_chains",
    "told_layers",
    "write_record",
]

LOG, DRAWN = "record-log", "record-drawn"
"""Roles of the rows of the record: what was said of buildings, what was drawn."""
IntArray = npt.NDArray[np.int64]
_TABLES = ("observations", "drawn", "current")
_DRAWN_LAYER = "drawn "
_LAYERS = ("sections", "fire_walls", "expansion_joints", "obstacles", "walls")


@dataclass(frozen=True, slots=True)
class Kept:
    """The record of a district as one build knows it.

    tables
        Observations, drawings and what is current, under the ids of today.
    ids
        By row of the footprints the id in the record, of those that the file calls otherwise.
    problems
        What the record says of the footprints.
    """

    tables: RecordTables
    ids: pd.Series[Any]
    problems: pd.DataFrame

    def tall_ft(self, rules: Rulebook) -> dict[str, float]:
        """The greatest height that is told of each building, by its id in the record."""
        said = self.tables.observations
        each = {"height_ft": 1.0, "storeys": rules.number("ladder.default_height_ft.storey")}
        rows = said[said["field"].isin(list(each))]
        value = pd.to_numeric(rows["value"], errors="coerce").fillna(0.0) * rows["field"].map(each)
        tallest = value.groupby(rows["building_id"]).max()
        return dict(zip(tallest.index.astype(str), tallest.to_numpy(dtype=float).tolist(), strict=True))


def hold_record(
    district: District,
    outline: Narrow,
    rules: Rulebook,
    working_crs: CRS,
    release: str,
    as_of: datetime.date | None,
) -> Kept | None:
    """Read the record of a district, and name its footprints by it.

    Parameters
    ----------
    district, rules, working_crs
        The settings in force.
    outline
        The footprints.
    release
        What the footprint layer is called.
    as_of
        The record as it was at the end of that day; None is all of it.

    Returns
    -------
    Kept
        None where the district has no record.
    """
    file = district.record_file
    if not has_record(file, rules):
        return None
    tables = read_record(open_record(file, working_crs, rules), as_of, crs=working_crs)
    nobody: pd.Series[Any] = pd.Series([], index=pd.Index([], dtype=np.int64), dtype="string")
    if tables.outlines.empty:
        return Kept(tables, nobody, empty("problems"))
    given = opened_rows(outline, np.arange(outline.count))
    alone = district.model_copy(update={"attributes": ()})
    inputs, done = make_inputs(Opened(given, {}, (), (), ()), alone, rules, working_crs, release=release)
    layer = done[0].layer
    if layer is None:
        return Kept(tables, nobody, empty("problems"))
    before = replace(inputs, problems=empty("problems"))
    named, today, _ = on_footprints(before, tables, rules)
    own = inputs.footprints["building_id"].to_numpy(dtype=object)
    ids = named.footprints["building_id"].to_numpy(dtype=object)
    rows = layer.numbers()[layer.kept] - 1
    other = own != ids
    changed = pd.Series(ids[other], index=pd.Index(rows[other]), dtype="string")
    return Kept(today, changed, named.problems)


def told_layers(kept: Kept) -> list[str]:
    """The lines of the counts table that the record of the whole district has."""
    there = set(standing(kept.tables.drawn)["layer"])
    said = kept.tables.observations["field"].isin(list(ATTRIBUTES)).any()
    return [*([SURVEY_LOG] if said else []), *(f"{_DRAWN_LAYER}{name}" for name in _LAYERS if name in there)]


def drawn_layer(kept: Kept, folder: Path) -> Narrow:
    """The drawings of a record as a layer that is cut like any other."""
    drawn = kept.tables.drawn
    source = LayerSource(file=Path(SURVEY_LOG))
    layer = Narrow(DRAWN, source, folder / "none")
    layer.boxes = shapely.bounds(np.asarray(drawn.geometry.array, dtype=object)).reshape(-1, 4)
    layer.kept = np.asarray(np.isfinite(layer.boxes).all(axis=1))
    layer.count = len(drawn)
    layer.lines = drawn["properties"].str.contains('"overhead_line"', regex=False).to_numpy(dtype=bool)
    return layer


def replaced_chains(drawn: pd.DataFrame) -> npt.NDArray[np.int32]:
    """Which drawings take the place of each other, directly or by others between: a number for each chain."""
    number = pd.Index(drawn["number"].astype("int64"))
    other = drawn["replaces"].astype("Int64")
    rows = np.flatnonzero(other.notna())
    before = number.get_indexer(pd.Index(other.iloc[rows].astype("int64")))
    rows, before = rows[before >= 0], before[before >= 0]
    graph = coo_array((np.ones(rows.size, dtype=bool), (rows, before)), shape=(len(drawn), len(drawn)))
    _, label = connected_components(graph, directed=False)
    return np.asarray(label, dtype=np.int32)


def write_record(
    kept: Kept, places: Mapping[str, Places], tiles: list[str], ids: list[set[str]], folder: Path
) -> dict[str, str]:
    """Write the rows of each tile.

    Parameters
    ----------
    kept
        The record.
    places
        Which tile takes which observations and drawings.
    tiles
        Their names.
    ids
        By tile the ids of the buildings of which everything has to be known.
    folder
        Files are `<folder>/record/<tile>.<table>.parquet`; a tile that takes none has none.

    Returns
    -------
    dict
        Tile to SHA-256 of its rows.
    """
    room = folder / "record"
    room.mkdir(parents=True)
    rows = {"observations": kept.tables.observations, "drawn": kept.tables.drawn}
    parts: dict[str, dict[str, pd.DataFrame]] = {}
    for name, role in (("observations", LOG), ("drawn", DRAWN)):
        place = places[role]
        order = np.lexsort((place.row, place.tile))
        edges = np.searchsorted(place.tile[order], np.arange(len(tiles) + 1))
        for number in np.flatnonzero(np.diff(edges)).tolist():
            own = order[edges[number] : edges[number + 1]]
            part = rows[name].iloc[place.row[own]].assign(**{HOME: place.home[own]})
            parts.setdefault(tiles[number], {})[name] = part
    current = kept.tables.current
    for number, known in enumerate(ids):
        part = current[current["building_id"].isin(known)]
        if len(part):
            parts.setdefault(tiles[number], {})["current"] = part
    digests = {}
    for tile, tables in parts.items():
        total = hashlib.sha256()
        for name, part in sorted(tables.items()):
            path = room / f"{tile}.{name}.parquet"
            part.reset_index(drop=True).to_parquet(path, index=False, compression="zstd")
            total.update(name.encode() + path.read_bytes())
        digests[tile] = total.hexdigest()
    return digests


def record_of_tile(
    inputs: Inputs,
    own: Mapping[str, frozenset[str]],
    home: pd.Index,
    told_of: Sequence[str],
    folder: Path,
    tile: str,
    rules: Rulebook,
) -> tuple[Inputs, dict[str, frozenset[str]]]:
    """Take up the record into what a tile reads.

    Parameters
    ----------
    inputs
        Of the tile, under the ids of the record.
    own
        Features and records at home, by layer and source.
    home
        Buildings at home, by their ids in the record.
    told_of
        The lines of the counts table that the record of the whole district has.
    folder, tile
        Where the rows are.
    rules
        The rules in force.

    Returns
    -------
    inputs
        With the record; problems and counts are those of rows at home.
    own
        With those of the record.
    """
    crs = inputs.working_crs
    tables: dict[str, Any] = {name: empty(name, crs) for name in ("outlines", "lineage", *_TABLES)}
    flags = {name: np.empty(0, dtype=bool) for name in _TABLES}
    for name in _TABLES:
        path = folder / "record" / f"{tile}.{name}.parquet"
        if not path.exists():
            continue
        rows = gpd.read_parquet(path) if name == "drawn" else pd.read_parquet(path)
        if HOME in rows:
            flags[name] = rows[HOME].to_numpy(dtype=bool)
        tables[name] = conform(name, rows)
    record = RecordTables(**tables)
    said, drawn = record.observations, record.drawn
    bare = replace(inputs, problems=empty("problems"), counts=inputs.counts.iloc[:0])
    taken = with_record(bare, record, rules)
    log = taken.attributes[0].frame
    mine = said[flags["observations"]]
    pairs = pd.MultiIndex.from_arrays([mine["number"].astype("str"), mine["building_id"].astype("str")])
    number = log["record"].str.replace(r"\..*$", "", regex=True)
    at_home = pd.MultiIndex.from_arrays([number, log["key"].astype("str")]).isin(pairs)
    told = frozenset(mine["number"].astype("str"))
    numbers = frozenset(drawn.loc[flags["drawn"], "number"].astype("str"))
    labels = {
        name: frozenset(label for label in getattr(taken, name).index if _number_of(str(label)) in numbers)
        for name in _LAYERS
        if name != "obstacles"
    }
    ids = taken.obstacles["obstacle_id"]
    labels["obstacles"] = frozenset(label for label in ids if _number_of(label) in numbers)
    new = {name: own.get(name, frozenset()) | found for name, found in labels.items()}
    new[SURVEY_LOG] = frozenset(log.loc[at_home, "record"])
    everything = {**own, **new}
    problems = taken.problems
    layer, feature, code = problems["layer"], problems["feature"], problems["code"]
    keep = feature.isin(told) & (layer == SURVEY_LOG)
    keep |= (layer == SURVEY_LOG) & (code == "gone_but_drawn") & feature.isin(home)
    keep |= layer.str.startswith(_DRAWN_LAYER) & feature.isin(numbers)
    for name, found in own.items():
        keep |= (layer == name) & feature.isin(found)
    counts = [_line(SURVEY_LOG, int(mine["field"].isin(list(ATTRIBUTES)).sum()), int(at_home.sum()))]
    stand = standing(drawn)
    there = stand.loc[stand["number"].astype("str").isin(numbers), "layer"]
    for name in _LAYERS:
        many = int((there == name).sum())
        counts.append(_line(f"{_DRAWN_LAYER}{name}", many, many))
    counts = [line for line in counts if line["layer"] in told_of]
    lines = pd.concat([inputs.counts, pd.DataFrame(counts)], ignore_index=True) if counts else inputs.counts
    return (
        replace(taken, problems=join_problems([inputs.problems, problems[keep]]), counts=lines),
        everything,
    )


def _number_of(label: str) -> str:
    """The number of the drawing that a feature comes from; empty for one of a layer."""
    return label.removeprefix("drawn-").partition(".")[0] if label.startswith("drawn-") else ""


def _line(layer: str, read: int, kept: int) -> dict[str, object]:
    return {"layer": layer, "read": read, "kept": kept, "repaired": 0, "refused": read - kept}
