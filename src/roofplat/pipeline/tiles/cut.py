"""Cut the sources of a district into tiles.

In: a district, the rules in force, a folder.
Out: `Cut`: the tiles, and in the folder `cut.json` and the raw rows that each tile reads.

Every layer is read once, batch by batch. What is decided by a whole layer (its CRS, its ids, what its reader
concludes from a column) is decided here, once, and written into `cut.json`; each tile reads it from there.
What is held of every feature at once is narrow: see `narrow`. The raw rows go by way of files, as unchanged
as Parquet can hold them, each to the tile that it is at home in and to those that see it: see `seen`.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS

from roofplat.district import District
from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.intake.crs import bulk_of, choose_working_crs, extent_of
from roofplat.intake.gather import FAR, compare_boxes, fault_code, plain_sources, swapped_error
from roofplat.intake.release import release_name
from roofplat.pipeline.tiles.grid import codes_of, cut_squares
from roofplat.pipeline.tiles.kept import hold_record, told_layers, write_record
from roofplat.pipeline.tiles.narrow import Narrow, hold_layer, working_boxes
from roofplat.pipeline.tiles.seen import see
from roofplat.pipeline.tiles.spread import spread
from roofplat.rules import Rulebook

__all__ = ["Cut", "Tile", "cut_district", "open_cut", "roles_of", "told_of"]

_FILE = "cut.json"


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile: its name, its box in the working CRS, the footprints at home in it."""

    name: str
    box: tuple[float, float, float, float]
    buildings: int


@dataclass(frozen=True, slots=True)
class Cut:
    """A district in tiles.

    folder
        Where `cut.json` and `sources/` are.
    tiles
        By name, along a curve that keeps neighbours together.
    digests
        By tile: SHA-256 of everything that it reads.
    """

    folder: Path
    tiles: tuple[Tile, ...]
    digests: Mapping[str, str]


def cut_district(
    district: District,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    *,
    tile_buildings: int,
    report: Callable[[str], None],
    as_of: datetime.date | None = None,
) -> Cut:
    """Cut a district into tiles of so many buildings at most.

    Parameters
    ----------
    district
        From `read_district`.
    rules
        The rules in force: how far a building's neighbours count.
    ground
        Foot and elevation.
    folder
        Where `cut.json` and `sources/` go; made where it is missing. What an earlier cut left there is
        replaced when all is done.
    tile_buildings
        Buildings at home in a tile at most.
    report
        Called with a line of progress.
    as_of
        The record of surveys as it was at the end of that day; None is all of it.

    Returns
    -------
    Cut

    Raises
    ------
    LayerError, CrsError, FieldError
        The footprint layer cannot be used.
    DistrictFileError
        `working_crs` does not exist or is in degrees.
    """
    folder.mkdir(parents=True, exist_ok=True)
    fresh = folder / "sources.new"
    for left in (fresh, folder / "held"):
        shutil.rmtree(left, ignore_errors=True)
    held = folder / "held"
    held.mkdir()
    try:
        layers = []
        for role, source in roles_of(district).items():
            report(f"Reading {source.file.name}")
            layers.append(hold_layer(role, source, held, rules))
        outline, others = layers[0], layers[1:]
        _check(outline, others)
        extent = extent_of(outline.boxes, _crs(outline))
        working_crs = choose_working_crs(_label(outline), _crs(outline), extent, district.working_crs)
        for layer in layers:
            working_boxes(layer, working_crs)
        middle = (outline.boxes[:, :2] + outline.boxes[:, 2:]) / 2
        squares = cut_squares(codes_of(*middle[outline.kept].T), tile_buildings)
        names = squares.names()
        report(f"Cutting {outline.count} buildings into {len(names)} tiles")
        release = release_name(district.footprints.file, district.footprints.layer)
        kept = hold_record(district, outline, rules, working_crs, release, as_of)
        sight = see(layers, squares, working_crs, rules, ground, held, record=kept)
        rows = sight.places
        sums: dict[str, list[str]] = {name: [] for name in names}
        for layer in layers:
            for tile, digest in spread(layer, rows[layer.role], names, fresh).items():
                for name in names if tile == "" else [tile]:
                    sums[name].append(f"{layer.role} {digest}")
        told = {layer.role: _told(layer) for layer in layers}
        settings: dict[str, Any] = {
            "working_crs": working_crs.to_wkt(),
            "layers": _by_row(told),
            "record": None,
        }
        said: dict[str, Any] = {}
        if kept is not None:
            settings["record"] = told_layers(kept)
            ids = [set(sight.names.iloc[known].dropna()) for known in sight.buildings]
            for name, digest in write_record(kept, rows, names, ids, fresh).items():
                sums[name].append(f"record {digest}")
            of_building = dict(zip(sight.names, sight.tile, strict=True))
            where = kept.problems["feature"].map(of_building).fillna(0).astype("int64")
            said = {names[tile]: part.to_dict("list") for tile, part in kept.problems.groupby(where)}
        digests = {
            name: _sum(
                json.dumps([settings, sorted(sums[name]), told if name == names[0] else None, said.get(name)])
            )
            for name in names
        }
        home = np.bincount(rows[outline.role].tile[rows[outline.role].home], minlength=len(names))
        tiles = tuple(
            Tile(name, tuple(box), int(count))
            for name, box, count in zip(names, squares.boxes().tolist(), home, strict=True)
        )
        written = {
            **settings,
            "layers": told,
            "release": release,
            "as_of": None if as_of is None else as_of.isoformat(),
            "said": said,
            "tiles": [{**asdict(tile), "digest": digests[tile.name]} for tile in tiles],
        }
        shutil.rmtree(folder / "sources", ignore_errors=True)
        fresh.replace(folder / "sources")
        (folder / f"{_FILE}.new").write_text(json.dumps(written), "utf-8")
        (folder / f"{_FILE}.new").replace(folder / _FILE)
    finally:
        shutil.rmtree(held, ignore_errors=True)
        shutil.rmtree(fresh, ignore_errors=True)
    return Cut(folder, tiles, digests)


def open_cut(folder: Path) -> Cut:
    """Read what `cut_district` wrote.

    Parameters
    ----------
    folder
        Where it was cut to.

    Returns
    -------
    Cut

    Raises
    ------
    LayerError
        There is none.
    """
    written = told_of(folder)
    tiles = tuple(Tile(tile["name"], tuple(tile["box"]), tile["buildings"]) for tile in written["tiles"])
    return Cut(folder, tiles, {tile["name"]: tile["digest"] for tile in written["tiles"]})


def told_of(folder: Path) -> dict[str, Any]:
    """Read `cut.json`.

    Raises
    ------
    LayerError
        There is none, or it is damaged.
    """
    try:
        written: dict[str, Any] = json.loads((folder / _FILE).read_text("utf-8"))
    except (OSError, ValueError):
        raise LayerError(f"{folder / _FILE} cannot be read; build the district again.") from None
    return written


def roles_of(district: District) -> dict[str, Any]:
    """Every layer of a district by what it is for, the footprints first.

    Parameters
    ----------
    district
        From `read_district`.

    Returns
    -------
    dict
        Role to source: `footprints`, those of `plain_sources`, `obstacles-1`, `ground-1`, `attributes-1` ...
    """
    several = {
        "obstacles": district.obstacles,
        "ground": district.ground,
        "attributes": district.attributes,
    }
    return {
        "footprints": district.footprints,
        **plain_sources(district),
        **{
            f"{role}-{number}": source
            for role, sources in several.items()
            for number, source in enumerate(sources, 1)
        },
    }


def _check(outline: Narrow, others: list[Narrow]) -> None:
    """Refuse what lies where it cannot, as `read_inputs` does."""
    if outline.fault is not None:
        raise outline.fault
    label = _label(outline)
    here, *boxes = (_bulk(layer) for layer in (outline, *others))
    turned, verdicts = compare_boxes(here, boxes)
    if turned:
        raise swapped_error(label, "the other layers")
    for layer, verdict in zip(others, verdicts, strict=True):
        if verdict == "swapped":
            layer.read = layer.count
            layer.fail(swapped_error(_label(layer), "the footprints"))
        elif verdict == "far":
            layer.remarks.append(FAR)
    if not outline.kept.any():
        raise LayerError(f"{label}: not one of its {outline.count} outlines can be used; none has a shape.")


def _bulk(layer: Narrow) -> Any:
    if layer.crs is None or layer.fault is not None:
        return None, None
    boxes = layer.boxes[layer.kept]
    return bulk_of(boxes, _crs(layer)), bulk_of(boxes, _crs(layer), swapped=True)


def _label(layer: Narrow) -> str:
    if layer.found is None:
        raise TypeError("The layer was not read.")
    return layer.found.label


def _crs(layer: Narrow) -> CRS:
    if layer.crs is None:
        raise TypeError("The layer has no CRS.")
    return layer.crs


def _told(layer: Narrow) -> dict[str, Any]:
    """What is decided of a layer as a whole, as JSON."""
    found = layer.found
    return {
        "fault": None if layer.fault is None else [fault_code(layer.fault), str(layer.fault)],
        # Lost rows are counted for the layer as a whole, others in their tiles.
        "read": 0 if layer.fault is None else layer.read,
        "remarks": layer.remarks,
        "label": None if found is None else found.label,
        "name": None if found is None else found.layer,
        "driver": None if found is None else found.driver,
        "crs": None if layer.crs is None else layer.crs.to_json(),
        "form": asdict(layer.form),
        "ids": layer.ids is not None,
    }


def _by_row(told: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    """The part of that which bears on single rows."""
    alone = ("fault", "read", "remarks")
    return {role: {key: value for key, value in of.items() if key not in alone} for role, of in told.items()}


def _sum(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
