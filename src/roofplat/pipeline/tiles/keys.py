"""What a build and a tile depend on, each as one checksum: what has the same one need not be made again.

In: a district, the rules in force, the choices of a build, the contents of a tile.
Out: keys as hexadecimal texts; and whether the files of the last build in a folder are those that the same
    key would give once more.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import importlib.metadata
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import pyogrio
import pyproj
import shapely

from roofplat.district import District
from roofplat.publish.files import write_whole
from roofplat.rules import Rulebook

__all__ = [
    "LATER_RULES",
    "WORK_FOLDER",
    "LastBuild",
    "build_key",
    "code_digest",
    "cut_key",
    "last_build",
    "note_build",
    "planning_digest",
    "tile_key",
]

WORK_FOLDER = ".tiles"
"""Folder in that of a build: what the next build need not do again. It may be removed at any time."""
LATER_RULES = (
    *("changes.", "days.", "odds.", "report."),
    *(
        f"ranking.{name}"
        for name in (
            *("area_full_ft2", "draws", "interval_share", "life_hazard.", "list_", "roof_load_full_share"),
            *("seed", "stale_full_years", "unknown_sprinklers", "weight"),
        )
    ),
)
"""What rules begin with that none of the rooms reads which work on a tile."""
_LAST = "built.json"
# Libraries whose release can change a number, a word or a byte of what is planned.
_LIBRARIES = ("roofplat", "geopandas", "numpy", "pandas", "pyarrow", "pyogrio", "scipy", "shapely")
# Rooms that read a build or print one, and plan nothing.
_BESIDE = ("cli", "serve")
_CODE = (".py", ".toml", ".csv")
_ASSETS = (*_CODE, ".js", ".css", ".j2", ".html", ".svg", ".json")
# Settings that a tile does not depend on: what they name is read from elsewhere, or later.
_LATER_SETTINGS = (
    *("folder", "inspect", "name", "out", "record", "region", "rules", "scale", "service", "sheets"),
)


@dataclass(frozen=True, slots=True)
class LastBuild:
    """What a build left of itself in its folder.

    files
        Those that it wrote, all still as they were.
    errors
        How many of its problems were errors.
    """

    files: list[Path]
    errors: int


@cache
def code_digest(*, assets: bool = False) -> str:
    """A checksum of the program: its own source, and the releases of the libraries that it works with.

    Parameters
    ----------
    assets
        Also of what pages are made of.

    Returns
    -------
    str

    Examples
    --------
    >>> code_digest() == code_digest(), code_digest() == code_digest(assets=True)
    (True, False)
    """
    total = hashlib.sha256()
    for name, entry in _source(resources.files("roofplat"), "", _ASSETS if assets else _CODE):
        total.update(f"{name}\0".encode())
        total.update(hashlib.sha256(entry.read_bytes()).digest())
    versions = {name: importlib.metadata.version(name) for name in _LIBRARIES}
    versions["GDAL"] = ".".join(map(str, pyogrio.__gdal_version__))
    versions["GEOS"] = shapely.geos_version_string
    versions["PROJ"] = pyproj.proj_version_str
    total.update(_told(versions))
    return total.hexdigest()


def planning_digest(
    district: District,
    rules: Rulebook,
    *,
    wind_from_deg: float,
    wind_basis: str,
) -> str:
    """A checksum of what every tile of a build depends on, but for what it holds.

    Ages are counted when all is planned: the day of the build is no part of this, so that another day's build
    has the same keys. What the record of surveys says on that day is part of what a tile holds.

    Parameters
    ----------
    district
        Its layers and how they are read; not its name, and not what is asked for when all is planned.
    rules
        Those in force, but for the groups that only other commands read.
    wind_from_deg, wind_basis
        The wind of the standing plans, degrees from true north, and how it is known.

    Returns
    -------
    str
    """
    told = {
        "code": code_digest(),
        "district": _settings(district, leave=_LATER_SETTINGS),
        "rules": _rules(rules, leave=LATER_RULES),
        "wind": [wind_from_deg, wind_basis],
    }
    return hashlib.sha256(_told(told)).hexdigest()


def tile_key(contents: str, planning: str) -> str:
    """The key of a tile.

    Parameters
    ----------
    contents
        Checksum of all that is read for it.
    planning
        From `planning_digest`.

    Returns
    -------
    str

    Examples
    --------
    >>> tile_key("a", "b") == tile_key("a", "b"), tile_key("a", "b") == tile_key("b", "a")
    (True, False)
    """
    return hashlib.sha256(f"{contents}\n{planning}".encode()).hexdigest()


def cut_key(
    sums: Iterable[Mapping[str, Any]],
    district: District,
    rules: Rulebook,
    tile_buildings: int,
    *,
    as_of: datetime.date | None,
) -> str:
    """The key of the way a district is cut: with the same one it need not be cut again.

    Parameters
    ----------
    sums
        From `record.input_sums`.
    district, rules
        The settings in force.
    tile_buildings
        Buildings of a tile at most.
    as_of
        The day that the record of surveys is read as of; None is all of it.

    Returns
    -------
    str
    """
    told = {
        "as_of": None if as_of is None else as_of.isoformat(),
        "code": code_digest(),
        "district": _settings(district, leave=("inspect", "name", "out", "scale", "service", "sheets")),
        "rules": _rules(rules, leave=LATER_RULES),
        "sums": list(sums),
        "tile_buildings": tile_buildings,
    }
    return hashlib.sha256(_told(told)).hexdigest()


def build_key(
    sums: Iterable[Mapping[str, Any]],
    district: District,
    rules: Rulebook,
    *,
    day: datetime.date,
    as_of: datetime.date | None,
    **choices: Any,
) -> str:
    """The key of a whole build: with the same one every file would be the same.

    Parameters
    ----------
    sums
        From `record.input_sums`.
    district
        Every setting counts.
    rules
        Those in force.
    day
        The day on which ages are counted.
    as_of
        The day that the record of surveys is read as of; None is all of it.
    choices
        What else the command says, as plain values.

    Returns
    -------
    str
    """
    told = {
        "as_of": None if as_of is None else as_of.isoformat(),
        "choices": choices,
        "code": code_digest(assets=True),
        "day": day.isoformat(),
        "district": _settings(district),
        "inputs": list(sums),
        "rules": _rules(rules),
    }
    return hashlib.sha256(_told(told)).hexdigest()


def note_build(out: Path, key: str, files: Iterable[Path], *, errors: int) -> Path:
    """Write down what a build was made from and what its files look like.

    Parameters
    ----------
    out
        The folder of the build.
    key
        From `build_key`, made before the build began.
    files
        Those that it wrote.
    errors
        How many of its problems are errors.

    Returns
    -------
    Path
        The note: size and time of change of each file, for to read them all again takes long.
    """
    told = {
        "errors": errors,
        "files": {file.relative_to(out).as_posix(): _look(file) for file in files},
        "key": key,
    }
    return write_whole(out / WORK_FOLDER / _LAST, _told(told).decode() + "\n")


def last_build(out: Path, key: str) -> LastBuild | None:
    """What the last build in a folder wrote, where the same one would be made again.

    Parameters
    ----------
    out
        The folder of the build.
    key
        From `build_key`, of the build that is asked for.

    Returns
    -------
    LastBuild or None
        None where there is no such build, it was made from something else, or one of its files is missing
        or was changed since.

    Examples
    --------
    >>> last_build(Path("no/such/folder"), "key") is None
    True
    """
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        told = json.loads((out / WORK_FOLDER / _LAST).read_text("utf-8"))
        if told["key"] != key:
            return None
        files = {out / name: look for name, look in told["files"].items()}
        if files and all(_look(file) == look for file, look in files.items()):
            return LastBuild(list(files), int(told["errors"]))
    return None


def _look(file: Path) -> list[int]:
    found = file.stat()
    return [found.st_size, found.st_mtime_ns]


def _source(folder: Traversable, prefix: str, endings: tuple[str, ...]) -> Iterable[tuple[str, Traversable]]:
    """Files of the package by name, in the order of their names."""
    for entry in sorted(folder.iterdir(), key=lambda one: one.name):
        name = prefix + entry.name
        if entry.is_dir():
            if name not in _BESIDE and not entry.name.startswith((".", "__")):
                yield from _source(entry, f"{name}/", endings)
        elif entry.name.endswith(endings):
            yield name, entry


def _settings(district: District, leave: tuple[str, ...] = ()) -> dict[str, Any]:
    """Settings as plain values; files by where they lie from the folder of the district file."""
    told = district.model_dump(exclude=set(leave))
    return {name: _relative(value, district.folder) for name, value in told.items()}


def _relative(value: Any, folder: Path) -> Any:
    if isinstance(value, Path):
        return value.relative_to(folder).as_posix() if value.is_relative_to(folder) else str(value)
    if isinstance(value, dict):
        return {str(key): _relative(entry, folder) for key, entry in value.items()}
    if isinstance(value, (tuple, list)):
        return [_relative(entry, folder) for entry in value]
    return value


def _rules(rules: Rulebook, leave: tuple[str, ...] = ()) -> dict[str, Any]:
    """Values of the rules in force, and what families say in words."""
    values = {
        name: [rule.value, rule.unit, rule.range, rule.overridden]
        for name, rule in rules.rules.items()
        if not (leave and name.startswith(leave))
    }
    families = {
        name: [family.label, family.framing, family.caution, family.lightweight, dict(family.members),
               family.shape, family.pushes_walls_out, family.alert]
        for name, family in rules.families.items()
    }  # fmt: skip
    return {"families": families, "values": values}


def _told(value: Any) -> bytes:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=str).encode("utf-8")
