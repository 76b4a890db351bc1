"""The record of a build: from which files, by which rules and programs, and how much came of it.

In: the district, the rules, the tables, the names of the files written.
Out: `build.json`: sorted keys, no path of the machine, no time but the date asked for.
"""

from __future__ import annotations

import datetime
import hashlib
import importlib.metadata
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from roofplat.district import District, LayerSource
from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, write_whole
from roofplat.publish.layers import layer_names
from roofplat.publish.map import Wind
from roofplat.publish.parts import Parts
from roofplat.rules import Rulebook

__all__ = [
    "UNFINISHED",
    "InputState",
    "begin_record",
    "check_inputs",
    "input_state",
    "input_sums",
    "read_left",
    "read_outputs",
    "write_record",
]

_LIBRARIES = (
    "roofplat",
    "folium",
    "geopandas",
    "numpy",
    "pandas",
    "pyogrio",
    "pyproj",
    "scipy",
    "shapely",
    "xlsxwriter",
)
# A shapefile is several files; each can change the result.
_SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
UNFINISHED = "unfinished"
"""What the record of a build says while its files take their places: those that may be there by then."""


@dataclass(frozen=True, slots=True)
class InputState:
    """The files that a build reads, as they were at one moment.

    sums
        From `input_sums`.
    stamps
        By file: number, size and time of change. A file that was replaced and put back has another one.
    """

    sums: Sequence[Mapping[str, str | None]]
    stamps: Mapping[Path, tuple[int, int, int] | None]


def write_record(
    parts: Parts,
    *,
    district: District,
    rules: Rulebook,
    ground: Ground,
    counts: Mapping[str, pd.DataFrame],
    as_of: datetime.date,
    wind: Wind | None,
    outputs: Sequence[str],
    path: Path,
    inputs: Sequence[Mapping[str, str | None]] | None = None,
) -> Path:
    """Write the record of a build.

    Parameters
    ----------
    parts
        The tables of the build, for their sizes.
    district
        Its name, and its input files where their sums are not given.
    rules
        For what the department has changed.
    ground
        For the statement on feet.
    counts
        What was read, joined and refused.
    as_of
        The date on which ages were counted.
    wind
        What the standing plans assume.
    outputs
        The files of the build, relative to its folder.
    path
        The file to write.
    inputs
        From `input_sums`, made before the files were read.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    crs = parts.crs
    record = {
        "as_of": as_of.isoformat(),
        "caution": CAUTION,
        "counts": {title: _rows(frame) for title, frame in counts.items()},
        "district": district.name,
        "ground": ground.statement,
        "inputs": input_sums(district) if inputs is None else list(inputs),
        "outputs": sorted(outputs),
        "rules_overridden": {rule.id: {"value": rule.value, "unit": rule.unit} for rule in rules.overridden},
        "tables": {name: parts.count(name) for name in layer_names(parts)},
        "versions": {
            **{name: importlib.metadata.version(name) for name in _LIBRARIES},
            "GDAL": ".".join(map(str, pyogrio.__gdal_version__)),
            "GEOS": shapely.geos_version_string,
            "PROJ": pyproj.proj_version_str,
        },
        "wind": None if wind is None else {"basis": wind.basis, "from_deg": wind.from_deg},
        "working_crs": None if crs is None else crs.to_string(),
    }
    text = json.dumps(record, indent=2, sort_keys=True, ensure_ascii=False, default=_plain)
    return write_whole(path, text + "\n")


def input_sums(district: District) -> list[dict[str, str | None]]:
    """Read every file that a build of a district reads, for its checksum.

    Parameters
    ----------
    district
        From `read_district`.

    Returns
    -------
    list of dict
        `file` (relative to the district's folder), `layer`, `role` and `sha256` (None where the file cannot
        be read); one row for each part of a shapefile, in the order of the district file.
    """
    return [
        {
            "file": _relative(file, district.folder),
            "layer": layer.layer,
            "role": role,
            "sha256": _sha256(file),
        }
        for role, layer in _sources(district)
        for file in _parts(layer.file)
    ]


def input_state(district: District) -> InputState:
    """Look at every file that a build is going to read.

    Parameters
    ----------
    district
        From `read_district`.

    Returns
    -------
    InputState
    """
    stamps = _stamps(district)
    return InputState(input_sums(district), stamps)


def check_inputs(district: District, before: InputState) -> None:
    """Refuse to plan by files of which it is not known what was read.

    Parameters
    ----------
    district
        From `read_district`; its files have been read by now.
    before
        From `input_state`, made before they were read.

    Raises
    ------
    DistrictFileError
        One of them is another by now, or was meanwhile.
    """
    now = _stamps(district)
    for file in {**before.stamps, **now}:
        if before.stamps.get(file) != now.get(file):
            name = _relative(file, district.folder)
            raise DistrictFileError(f"{name} was changed while it was read; build again.")


def _stamps(district: District) -> dict[Path, tuple[int, int, int] | None]:
    files = [file for _, layer in _sources(district) for file in _parts(layer.file)]
    return {file: _stamp(file) for file in files}


def _stamp(file: Path) -> tuple[int, int, int] | None:
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def begin_record(path: Path, names: Iterable[str]) -> None:
    """Say in the record of a build that its files are about to be replaced, one after the other.

    Whoever finds that, and no build at work, knows that one was cut off and the files are of two builds. The
    record of the build that ends well does not say it.

    Parameters
    ----------
    path
        The record; what it says else stays.
    names
        Files that this build may leave and a later one does not know of, relative to the folder.

    Raises
    ------
    DistrictFileError
        It cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "build.json"
    >>> begin_record(path, ["areas/north.html"])
    >>> read_outputs(path), read_left(path)
    ([], ['areas/north.html'])
    """
    told = _told(path) or {"caution": CAUTION, "outputs": []}
    told[UNFINISHED] = sorted({*_names(told.get(UNFINISHED)), *names})
    write_whole(path, json.dumps(told, indent=2, sort_keys=True, ensure_ascii=False) + "\n")


def read_outputs(path: Path) -> list[str]:
    """Read which files an earlier build wrote; an unreadable or missing record names none.

    Examples
    --------
    >>> read_outputs(Path("no/such/build.json"))
    []
    """
    return _names(_told(path).get("outputs"))


def read_left(path: Path) -> list[str]:
    """Read which files earlier builds may have left, those that were cut off too.

    Examples
    --------
    >>> read_left(Path("no/such/build.json"))
    []
    """
    told = _told(path)
    return list(dict.fromkeys([*_names(told.get("outputs")), *_names(told.get(UNFINISHED))]))


def _told(path: Path) -> dict[str, Any]:
    try:
        told = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _names(found: Any) -> list[str]:
    return [name for name in found if isinstance(name, str)] if isinstance(found, list) else []


def _sources(district: District) -> Iterator[tuple[str, LayerSource]]:
    yield "footprints", district.footprints
    for source in district.attributes:
        yield f"attributes: {source.name}", source
    for name in ("streets", "areas", "stations", "sections", "fire_walls", "expansion_joints"):
        if (layer := getattr(district, name)) is not None:
            yield name, layer
    for obstacles in district.obstacles:
        yield "obstacles", obstacles
    for ground in district.ground:
        yield "ground", ground
    if district.scenario.fires is not None:
        yield "fires", district.scenario.fires
    if district.record_file.exists():
        yield "record", LayerSource(file=district.record_file)


def _parts(file: Path) -> list[Path]:
    if file.is_dir():
        return sorted(part for part in file.rglob("*") if part.is_file())
    if file.suffix.lower() != ".shp":
        return [file]
    parts = [file.with_suffix(ending) for ending in _SHAPEFILE_PARTS]
    return [part for part in parts if part == file or part.exists()]


def _relative(file: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(file, folder)).as_posix()
    except ValueError:  # another drive has no relative path
        return file.name


def _sha256(file: Path) -> str | None:
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None  # a file that could not be read is in the problems


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    shown = frame.astype(object).where(frame.notna(), None)
    return [{str(key): value for key, value in row.items()} for row in shown.to_dict("records")]


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    return str(value)
