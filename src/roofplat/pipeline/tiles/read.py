"""One tile of a district, read as if it were a small district.

In: a folder that `cut_district` filled, the name of a tile, the district and the rules in force.
Out: `TileInputs`: home rows and rows seen from there, as `read_inputs` would give them, and which are home.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import shapely
from pyproj import CRS

from roofplat.district import District, FootprintSource, LayerSource
from roofplat.errors import CrsError, FieldError, LayerError
from roofplat.intake import Inputs
from roofplat.intake.crs import outside_of, refuse_outside
from roofplat.intake.gather import (
    Given,
    Opened,
    counts_of,
    fault_code,
    fault_rows,
    layer_names,
    make_inputs,
    plain_sources,
)
from roofplat.intake.layer import Severity
from roofplat.intake.look import Look
from roofplat.intake.raw import GEOMETRY, RawForm, legible_shapes, raw_frame
from roofplat.intake.read import points_of_table, start_layer
from roofplat.intake.repair import flatten
from roofplat.intake.roof_form import EDGE
from roofplat.pipeline.tiles.cut import roles_of, told_of
from roofplat.pipeline.tiles.kept import record_of_tile
from roofplat.pipeline.tiles.narrow import CLOSED
from roofplat.pipeline.tiles.seen import WHOLE
from roofplat.pipeline.tiles.spread import FEATURE, HOME, ID, NAME, RECORD, ROW
from roofplat.record.follow import named_by_record
from roofplat.rules import Rulebook
from roofplat.tables import among, empty, join_problems, problem_rows

__all__ = ["TileInputs", "read_tile"]

_FAULTS: Mapping[str, type[LayerError]] = {
    fault_code(kind("")): kind for kind in (LayerError, CrsError, FieldError)
}
# A feature is called by its layer, a dash, its row, and a dot and its part after the first.
_LAYER, _LAST, _PART = r"^.*-", r"-[^-]*$", r"\..*$"


@dataclass(frozen=True, slots=True)
class TileInputs:
    """What a tile is planned by.

    inputs
        Home rows and seen rows, as `pipeline.planning.gather` gives them.
    home
        `building_id` of the buildings at home.
    home_rows
        By name of an attribute source its records at home; by field of `inputs` the features at home: the
        ids of obstacles and ground, else what the index of the frame says. Problems name them so, too; where
        one is about a building, its id is in `home`.
    problems
        `tables.TABLES["problems"]`: what the intake says of home rows; what it says of a whole layer is told
        by the first tile alone.
    counts
        As `Inputs.counts`, of home rows alone; the sum over all tiles is the count of the district.
    """

    inputs: Inputs
    home: pd.Index
    home_rows: Mapping[str, frozenset[str]]
    problems: pd.DataFrame
    counts: pd.DataFrame


def read_tile(
    district: District, rules: Rulebook, folder: Path, tile: str, *, as_of: datetime.date | None = None
) -> TileInputs:
    """Read one tile of a district that was cut.

    Parameters
    ----------
    district, rules
        As they were when it was cut.
    folder
        Where it was cut to.
    tile
        The name of a tile.
    as_of
        The day that the district was cut with.

    Returns
    -------
    TileInputs

    Raises
    ------
    LayerError
        The folder holds no cut, or one with the record of another day.
    """
    told = told_of(folder)
    if tile not in {entry["name"] for entry in told["tiles"]}:
        raise LayerError(f"{folder} holds no tile {tile!r}; build the district again.")
    first = told["tiles"][0]["name"] == tile
    working_crs = CRS.from_wkt(told["working_crs"])
    opened = {
        role: _open(role, source, told["layers"][role], folder / "sources", tile)
        for role, source in roles_of(district).items()
    }
    several: dict[str, list[Given]] = {"obstacles": [], "ground": [], "attributes": []}
    for role, given in opened.items():
        name, _, number = role.rpartition("-")
        if number.isdigit():
            several[name].append(given)
    inputs, done = make_inputs(
        Opened(
            opened["footprints"],
            {role: opened[role] for role in plain_sources(district)},
            *(tuple(several[name]) for name in ("obstacles", "ground", "attributes")),
        ),
        district,
        rules,
        working_crs,
        release=told["release"],
    )
    by_role = dict(zip(opened, done, strict=True))
    own = _home_rows(by_role, inputs, district)
    footprints = by_role["footprints"].layer
    if footprints is None or footprints.home is None:
        raise TypeError("Footprints of a tile are at home or not.")
    # Ids as they came out: of two that are alike in the file the later has another one.
    home = pd.Index(inputs.footprints["building_id"][footprints.home[footprints.kept]])
    problems = _problems(by_role, told["layers"], first=first)
    counts = _counts(by_role, first=first)
    inputs = replace(inputs, problems=problems, counts=counts)
    if told["record"] is not None:
        if told["as_of"] != (None if as_of is None else as_of.isoformat()):
            raise LayerError(f"{folder} was cut with the record of another day; build the district again.")
        if footprints.kept_names is not None:
            inputs, home = _named(inputs, own, home, footprints.kept_names[footprints.kept])
        said = pd.DataFrame(told["said"].get(tile, {}), columns=list(problems.columns)).astype("str")
        inputs = replace(inputs, problems=join_problems([inputs.problems, said]))
        inputs, own = record_of_tile(inputs, own, home, told["record"], folder / "sources", tile, rules)
    return TileInputs(inputs, home, own, inputs.problems, inputs.counts)


def _named(
    inputs: Inputs, own: Mapping[str, frozenset[str]], home: pd.Index, ids: pd.Series
) -> tuple[Inputs, pd.Index]:
    """Inputs and buildings at home under the ids of the record; `ids` are missing where it has no other."""
    file_ids = inputs.footprints["building_id"]
    kept = ids.reset_index(drop=True).fillna(file_ids).astype("str")
    named = named_by_record(replace(inputs, problems=empty("problems")), kept)
    said = named.problems
    mine = [
        feature in own.get(layer, ()) for layer, feature in zip(said["layer"], said["feature"], strict=True)
    ]
    problems = join_problems([inputs.problems, said[pd.Series(mine, index=said.index, dtype=bool)]])
    return replace(named, problems=problems), pd.Index(kept[among(file_ids, home)])


def _open(role: str, source: LayerSource, told: Mapping[str, Any], folder: Path, tile: str) -> Given:
    """A layer of a tile as `open_layer` opens a whole one, by what was decided of the whole."""
    if told["fault"] is not None:
        code, words = told["fault"]
        return Given(source, None, fault=_FAULTS[code](words), read=told["read"])
    path = folder / role / ("all.parquet" if role in WHOLE else f"{tile}.parquet")
    if not path.exists():
        path = folder / "schemas" / f"{role}.parquet"
    # Threads of its own are not worth their while: tiles are many and small.
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as parquet:
            table = parquet.read(use_threads=False)
    except (OSError, pa.ArrowException) as error:
        raise LayerError(f"{path} cannot be read ({error}); build with --anew.") from None
    own = [name for name in (ROW, FEATURE, ID, NAME, RECORD, HOME, CLOSED) if name in table.column_names]
    frame = raw_frame(
        table.drop_columns(own), RawForm(**{key: tuple(of) for key, of in told["form"].items()})
    )
    shapes, crs = None, None
    if GEOMETRY in table.column_names:
        shapes = gpd.GeoSeries(legible_shapes(table.column(GEOMETRY).to_numpy()))
    if told["crs"] is not None:
        crs = CRS.from_json(told["crs"])
    found = Look(source.file, told["name"], (told["name"],), told["driver"], None, crs, len(frame), {})
    refusal: Severity = "error" if isinstance(source, FootprintSource) else "warning"
    layer = replace(
        start_layer(found, frame, shapes, refusal),
        label=told["label"],
        feature=table.column(FEATURE).to_numpy().astype(object),
        row=table.column(ROW).to_numpy(),
        home=table.column(HOME).to_numpy(),
    )
    if told["ids"]:
        layer = replace(layer, ids=table.column(ID).to_pandas().astype("string"))
    if NAME in table.column_names:
        names = table.column(NAME).to_pandas().astype("string")
        layer = replace(layer, names=names.fillna(layer.ids))
    if RECORD in table.column_names:
        layer = replace(layer, kept_names=table.column(RECORD).to_pandas().astype("string"))
    if crs is None:
        return Given(source, layer)
    if told["driver"] == "CSV":
        layer = points_of_table(layer, found, source)
    else:
        layer = layer.with_shapes(layer.shapes(), crs).mend(
            table.column(CLOSED).to_numpy(),
            "ring_closed",
            "The closing point of a ring was missing; the ring was closed.",
            "Nothing, if the outline looks right.",
        )
    layer = flatten(layer)
    bounds = shapely.bounds(layer.shapes())
    outside = outside_of(layer.label, layer.driver, crs, bounds, layer.kept, most=False)
    return Given(source, refuse_outside(layer, outside))


def _problems(
    done: Mapping[str, Given], told: Mapping[str, Mapping[str, Any]], *, first: bool
) -> pd.DataFrame:
    """What is said of rows at home; of whole layers in the first tile alone."""
    frames: list[pd.DataFrame] = []
    for role, given in done.items():
        layer = given.layer
        if layer is None or layer.home is None:
            if first and given.fault is not None:
                frames.append(fault_rows(given.source, given.fault))
            continue
        rows = join_problems(layer.problems)
        own = frozenset(layer.feature[layer.home].tolist()) if len(rows) else frozenset()
        home = pd.Series([feature in own for feature in rows["feature"]], index=rows.index, dtype=bool)
        if role in WHOLE:
            home &= first
        if first:
            # Remarks that count features were counted over the whole layer when it was cut.
            home |= (rows["feature"] == "") & (rows["code"] != EDGE)
            for code, message, action, severity in told[role]["remarks"]:
                frames.append(problem_rows(layer.label, [""], code, severity, message, action))
        frames.append(rows[home])
    return join_problems(frames)


def _counts(done: Mapping[str, Given], *, first: bool) -> pd.DataFrame:
    """Lines of the counts table; of what is read whole by every tile in the first one alone."""
    lines = []
    for role, given in done.items():
        line = counts_of(given)
        if not first and (role in WHOLE or given.layer is None):
            line = {key: value if key == "layer" else 0 for key, value in line.items()}
        lines.append(line)
    return pd.DataFrame(lines).astype({"layer": "str"})


def _home_rows(done: Mapping[str, Given], inputs: Inputs, district: District) -> dict[str, frozenset[str]]:
    """Features and records at home, by the names that problems call them by."""
    numbers: dict[str, list[npt.NDArray[np.int64]]] = {}
    for role, given in done.items():
        name, _, place = role.rpartition("-")
        layer = given.layer
        if layer is None or layer.home is None or layer.row is None:
            own = np.empty(0, dtype=np.int64)
        else:
            own = layer.row[layer.home]
        numbers.setdefault(name if place.isdigit() else role, []).append(own)
    home: dict[str, frozenset[str]] = {}
    for source, own in zip(district.attributes, numbers.pop("attributes", []), strict=True):
        home[source.name] = home.get(source.name, frozenset()) | frozenset(own.astype(str).tolist())
    for role, (own, *_) in numbers.items():
        if role in ("streets", "sections", "fire_walls", "expansion_joints", "fires"):
            labels = pd.Series(getattr(inputs, role).index, dtype="str")
            home[role] = frozenset(labels[_of_rows(labels, own)])
    for role, column in (("obstacles", "obstacle_id"), ("ground", "ground_id")):
        layers = numbers.get(role, [])
        names = layer_names([given for key, given in done.items() if key.rpartition("-")[0] == role])
        ids = getattr(inputs, role)[column]
        of, row = ids.str.replace(_LAST, "", regex=True), ids.str.replace(_LAYER, "", regex=True)
        found: list[str] = []
        for name, own in zip(names, layers, strict=True):
            found += ids[(of == name).to_numpy(dtype=bool) & _of_rows(row, own)].tolist()
        home[role] = frozenset(found)
    return home


def _of_rows(labels: pd.Series, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Which features come from some rows: 7 and its part 7.2 come from row 7."""
    number = labels.str.replace(_PART, "", regex=True).astype("int64").to_numpy()
    return np.isin(number, rows)
