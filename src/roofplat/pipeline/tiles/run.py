"""Plan one tile of a district as if it were a small district, and keep what is at home in it.

In: the folder of a cut district, the name of a tile, the settings of a build.
Out: the folder `done/<tile>`: the tables of its buildings as GeoParquet, what the ranking wants to know of
    each, what the map shows of it, problems and counts. It appears whole or not at all.

It depends on the day of the build in nothing: another day's build finds the same tiles.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.intake import Inputs
from roofplat.inventory import Inventory, take_inventory
from roofplat.pipeline.planning import draw_rows, without_geometry
from roofplat.pipeline.tiles.read import TileInputs, read_tile
from roofplat.pipeline.tiles.schedule import Task
from roofplat.publish.map_data import MAP_FILE, pack_part
from roofplat.publish.parts import save_part
from roofplat.publish.stock import yards_of
from roofplat.ranking import measure_buildings
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import among, join_problems

__all__ = [
    "COUNTS",
    "DONE",
    "KEY",
    "MEASURED",
    "PLACES",
    "PROBLEMS",
    "WORKSHOP",
    "Job",
    "key_of",
    "put_folder",
    "run_tile",
]

DONE, PLACES = "done", "places"
"""Folders in the work folder: of the tiles that are done, and of the places that all tiles share."""
KEY, COUNTS, MEASURED, PROBLEMS = "key.txt", "counts.json", "measured.parquet", "problems.parquet"
"""Files in the folder of a tile, beside its tables."""
WORKSHOP = ".writing-"
"""What is half written begins with this."""
_OF_DISTRICT = ("family_odds", "areas", "stations")
_PLACES_DIGITS = 32


@dataclass(frozen=True, slots=True)
class Job:
    """What is the same for all tiles of a build; it can be pickled.

    district
        From `read_district`.
    folder
        The work folder, in which the district was cut.
    wind_from_deg, wind_basis
        The wind of the standing plans, degrees from true north, and how it is known.
    as_of
        The day that the record of surveys is read as of; None is all of it.
    """

    district: District
    folder: Path
    wind_from_deg: float
    wind_basis: str
    as_of: datetime.date | None = None


def run_tile(job: Job, task: Task) -> None:
    """Plan one tile.

    Parameters
    ----------
    job
        What is the same for all tiles.
    task
        The tile, and the key that its folder gets. A folder of the same key is left as it is.

    Raises
    ------
    RoofplatError
        A rule or a setting is wrong, or the folder cannot be read or written.
    """
    done = job.folder / DONE
    if key_of(done / task.tile) == task.key:
        return
    rules, ground = _rules(job)
    tile = read_tile(job.district, rules, job.folder, task.tile, as_of=job.as_of)
    inventory = take_inventory(tile.inputs, rules, ground, whole=False)
    here, others = _at_home(inventory, tile.home)
    rows, problems = draw_rows(
        tile.inputs, here, rules, ground, wind=(job.wind_from_deg, job.wind_basis), others=others
    )
    tables = _tables(rows, here, inventory, tile)
    measured = measure_buildings({name: without_geometry(table) for name, table in tables.items()}, rules)
    problems = join_problems([tile.problems, _home_problems(inventory.problems, tile), problems])
    told = {
        "joined": _joined(inventory, tables, tile),
        "places": _save_places(tile.inputs, job.folder),
        "read": tile.counts.to_dict("list"),
    }
    done.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=WORKSHOP, dir=done) as workshop:
        beside = Path(workshop) / task.tile
        beside.mkdir()
        save_part(tables, beside)
        measured.to_parquet(beside / MEASURED, index=False, write_page_checksum=True)
        problems.to_parquet(beside / PROBLEMS, index=False, write_page_checksum=True)
        (beside / MAP_FILE).write_bytes(pack_part(tables))
        (beside / COUNTS).write_text(json.dumps(told, sort_keys=True), encoding="utf-8")
        (beside / KEY).write_text(task.key, encoding="utf-8")
        put_folder(beside, done / task.tile)


def key_of(folder: Path) -> str | None:
    """The key of a tile that is done; None where there is none.

    Examples
    --------
    >>> key_of(Path("no/such/tile")) is None
    True
    """
    try:
        return (folder / KEY).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None


def put_folder(beside: Path, place: Path) -> None:
    """Put a folder in its place, and what was there out of the way first.

    Parameters
    ----------
    beside
        The new one, on the same disk.
    place
        Where it shall be. A reader finds the old one, none at all for a moment, or the new one.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> for name in ("new", "old"):
    ...     (folder / name).mkdir()
    ...     _ = (folder / name / "note.txt").write_text(name)
    >>> put_folder(folder / "new", folder / "old")
    >>> [(entry.name, (entry / "note.txt").read_text()) for entry in folder.iterdir()]
    [('old', 'new')]
    """
    with (
        contextlib.suppress(FileNotFoundError),
        tempfile.TemporaryDirectory(prefix=WORKSHOP, dir=place.parent) as away,
    ):
        place.rename(Path(away) / place.name)
    beside.rename(place)


@lru_cache(maxsize=4)
def _rulebook(told: str) -> Rulebook:
    overrides, families = json.loads(told)
    return load_rulebook(overrides, families)


def _rules(job: Job) -> tuple[Rulebook, Ground]:
    """The rules in force; read once in each process."""
    rules = _rulebook(json.dumps([job.district.rules, job.district.families], sort_keys=True))
    return rules, Ground(rules.number("ground.foot_m"), job.district.mean_elevation_ft)


def _at_home(inventory: Inventory, home: pd.Index) -> tuple[Inventory, gpd.GeoDataFrame | None]:
    """What is known of the buildings at home and of what stands around, and the roofs of all others."""
    own = among(inventory.roofs["building_id"], home)
    things = inventory.obstacles["building_id"]
    free = things.isna().to_numpy(dtype=bool)
    here = replace(
        inventory,
        obstacles=inventory.obstacles[free | among(things, home)].reset_index(drop=True),
        **{
            name: _of(getattr(inventory, name), home)
            for name in ("buildings", "roofs", "fires", "facts", "section_facts")
        },
    )
    others = inventory.roofs[~own].reset_index(drop=True)
    return here, others if len(others) else None


def _of(frame: Any, home: pd.Index) -> Any:
    return frame[among(frame["building_id"], home)].reset_index(drop=True)


def _tables(rows: dict[str, Any], here: Inventory, inventory: Inventory, tile: TileInputs) -> dict[str, Any]:
    """The tables of a tile: what lies at home, and no table of the whole district."""
    inputs = tile.inputs
    obstacles = here.obstacles
    owned = obstacles["building_id"].notna().to_numpy(dtype=bool)
    there = owned | among(obstacles["obstacle_id"], _home(tile, "obstacles"))
    ground = inventory.ground
    streets = inputs.streets
    walls = inputs.walls
    return {
        **{name: table for name, table in rows.items() if name not in _OF_DISTRICT},
        "obstacles": obstacles[there].reset_index(drop=True),
        "ground": ground[among(ground["ground_id"], _home(tile, "ground"))].reset_index(drop=True),
        "streets": streets[among(_labels(streets), _home(tile, "streets"))].reset_index(drop=True),
        "roofs": here.roofs,
        "fires": here.fires,
        "drawn_walls": walls[among(_labels(walls), _home(tile, "walls"))].reset_index(drop=True),
        "yards": yards_of(inventory.roofs, tile.home),
        # Outlines for ranks that are not yet known.
        "ranking": here.buildings[["building_id", "geometry"]],
    }


def _home(tile: TileInputs, layer: str) -> frozenset[str]:
    return tile.home_rows.get(layer, frozenset())


def _labels(frame: Any) -> pd.Index:
    labels: pd.Index = pd.Index(frame.index.astype("str"))
    return labels


def _home_problems(problems: pd.DataFrame, tile: TileInputs) -> pd.DataFrame:
    """What was found of home rows; what every tile says of a whole layer as well."""
    feature = problems["feature"]
    own = among(feature, tile.home) | (feature == problems["layer"]).to_numpy(dtype=bool)
    # Of a source that speaks of buildings, a row may be named by its record or by a building.
    by_record = ~problems["message"].str.startswith("Building ").to_numpy(dtype=bool)
    for layer, home in tile.home_rows.items():
        of_layer = (problems["layer"] == layer).to_numpy(dtype=bool) & by_record
        own[of_layer] = among(feature[of_layer], home)
    for source in tile.inputs.attributes:
        if source.log:
            # What speaks of a building that is not there is named by the id that it gives.
            frame = source.frame
            keys = frame.loc[among(frame["record"], _home(tile, source.source.name)), "key"]
            lost = (problems["layer"] == source.source.name) & (problems["code"] == "record_unmatched")
            own[lost] = among(feature[lost], keys)
    return problems[own].reset_index(drop=True)


def _joined(inventory: Inventory, tables: Mapping[str, Any], tile: TileInputs) -> list[list[Any]]:
    """How many of the records at home found their building: source, records, joined."""
    counts: list[list[Any]] = []
    for entry in inventory.joined:
        if entry.source == "obstacles":
            things = tables["obstacles"]["building_id"]
            counts.append([entry.source, len(things), int(things.notna().sum())])
            continue
        home = _home(tile, entry.source)
        own, found = (among(some, home).sum() for some in (entry.records, entry.found))
        counts.append([entry.source, int(own), int(found)])
    return counts


def _save_places(inputs: Inputs, folder: Path) -> str:
    """Keep the areas and stations of the district once for all tiles that have the same ones."""
    places = {name: getattr(inputs, name) for name in ("areas", "stations")}
    total = hashlib.sha256()
    for name, frame in places.items():
        total.update(f"{name}\0{CRS.from_user_input(frame.crs).to_wkt()}\0".encode())
        for label, shape in zip(frame["name"], frame.geometry.to_wkb(), strict=True):
            total.update(f"{label}\0{len(shape)}\0".encode())
            total.update(shape)
    name = total.hexdigest()[:_PLACES_DIGITS]
    base = folder / PLACES
    if not (base / name).exists():
        base.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=WORKSHOP, dir=base) as workshop:
            beside = Path(workshop) / name
            beside.mkdir()
            save_part(places, beside)
            (beside / KEY).write_text(name, encoding="utf-8")
            # Another tile may have been faster.
            with contextlib.suppress(OSError):
                beside.rename(base / name)
    return name
