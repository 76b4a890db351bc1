"""A build read back from its folder, as far as two builds are compared.

In: the folder of a build: `layers.gpkg`, and `build.json` where it is there.
Out: `State`: the tables, and what the build says of itself.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio
import shapely

from roofplat.errors import DistrictFileError
from roofplat.publish.record import UNFINISHED
from roofplat.tables import RANKING_TABLES, TABLES

__all__ = ["State", "in_common", "of_themselves", "read_build"]

_LAYERS = ("buildings", "sections", "ladders", "ranking", "areas", "streets")
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "buildings": ("building_id",),
    "sections": ("building_id", "section_id", "roof_family", "framing_axis_deg"),
    "ladders": ("building_id", "section_id", "rank", "base_lon", "base_lat", "ladder_ft"),
    "ranking": ("building_id", "rank", "score"),
}

# What tells the rows of a table apart.
_KEYS: Mapping[str, tuple[str, ...]] = {
    "buildings": ("building_id",),
    "sections": ("section_id",),
    "ladders": ("section_id", "rank"),
    "ranking": ("building_id",),
}
# What the libraries make of a file that is damaged: GDAL and PROJ, GEOS, and who makes columns of it.
_FAULTS = (RuntimeError, shapely.errors.ShapelyError, ValueError, TypeError, LookupError)
_NUMBERS = ("float64", "Int64")


@dataclass(frozen=True, slots=True)
class State:
    """A district as it was, or is.

    label
        What it is called on a page.
    tables
        `buildings`, `sections`, `ladders`, `ranking`; `areas` and `streets` where there are any.
    told
        What `build.json` says; nothing for a state that no build wrote.
    """

    label: str
    tables: Mapping[str, Any]
    told: Mapping[str, Any] = field(default_factory=dict)


def read_build(folder: Path) -> State:
    """Read the tables of a build.

    Parameters
    ----------
    folder
        Where `roofplat build` wrote.

    Returns
    -------
    State
        Named by the folder, and by the date of the build where it says one.

    Raises
    ------
    DistrictFileError
        There is no build in the folder, or it cannot be read, or it lacks what is compared.

    Examples
    --------
    >>> read_build(Path("no/such"))
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: There is no build in no/such; name the folder that a build wrote.
    """
    file = folder / "layers.gpkg"
    if not file.is_file():
        raise DistrictFileError(f"There is no build in {folder}; name the folder that a build wrote.")
    try:
        there = set(pyogrio.list_layers(file)[:, 0])
        tables = {name: pyogrio.read_dataframe(file, layer=name) for name in _LAYERS if name in there}
    except _FAULTS:
        raise DistrictFileError(f"{file} cannot be read, it may be damaged; build it again.") from None
    for name, columns in _NEEDED.items():
        lacks = [column for column in columns if name not in tables or column not in tables[name]]
        if lacks:
            raise DistrictFileError(f"{file}, layer {name}: it has no column {lacks[0]}; build it again.")
        if not _makes_sense(name, tables[name]):
            raise DistrictFileError(
                f"{file}, layer {name}: it makes no sense, the file may be damaged; build it again."
            )
    told = _told(folder / "build.json")
    if UNFINISHED in told:
        raise DistrictFileError(
            f"The build in {folder} is at work or was cut off: its files may be of two builds; build again."
        )
    as_of = told.get("as_of")
    # A folder may be named by a dot.
    name = folder.resolve().name
    label = f"{name}, built as of {as_of}" if as_of else name
    return State(label, tables, told)


def in_common(before: State, after: State) -> tuple[State, State, str | None]:
    """Leave out what only one of two builds was asked for: a build of one area tells nothing of others.

    Parameters
    ----------
    before, after
        From `read_build`.

    Returns
    -------
    before, after, area
        Both for the same buildings; the dispatch area where one of them holds that one alone and the other
        holds more.

    Raises
    ------
    DistrictFileError
        Each of them is of another dispatch area.
    """
    names = [_area_names(state) for state in (before, after)]
    parts = [_is_part(before, names[0], names[1]), _is_part(after, names[1], names[0])]
    if all(parts) and names[0] != names[1]:
        raise DistrictFileError(
            f"The builds are of different dispatch areas, {_one(names[0])} and {_one(names[1])}; "
            "compare two builds of one area, or of the whole district."
        )
    if parts[0] == parts[1]:
        return before, after, None
    part, whole = (before, after) if parts[0] else (after, before)
    area = _one(_area_names(part))
    own = whole.tables["buildings"]
    ids = set(part.tables["buildings"]["building_id"]) | set(
        own.loc[own["dispatch_area"] == area, "building_id"]
    )
    tables = {
        name: frame[frame["building_id"].isin(ids)].reset_index(drop=True)
        if "building_id" in frame
        else frame
        for name, frame in whole.tables.items()
    }
    cut = State(whole.label, tables, whole.told)
    return (before, cut, area) if parts[0] else (cut, after, area)


def of_themselves(before: State, after: State) -> list[str]:
    """Say what else is not the same in two builds: dates, inputs, rules, versions.

    Parameters
    ----------
    before, after
        From `read_build`.

    Returns
    -------
    list of str
        Sentences; none where the builds say the same of themselves, or nothing.
    """
    was, now = before.told, after.told
    if not was or not now:
        missing = [state.label for state in (before, after) if not state.told]
        return [
            f"Nothing is known of how {name} was built: it has no build.json that can be read."
            for name in missing
        ]
    lines = []
    if was.get("as_of") != now.get("as_of"):
        lines.append(
            f"Ages are counted on {was.get('as_of')} before and on {now.get('as_of')} after: what nobody "
            "has looked at since is older, and its score moves with that."
        )
    sums = [_inputs(told) for told in (was, now)]
    for file in sorted(set(sums[0]) | set(sums[1])):
        old, new = sums[0].get(file), sums[1].get(file)
        if old != new:
            word = "is new" if old is None else "is no longer read" if new is None else "is not what it was"
            lines.append(f"Input {file} {word}.")
    rules = [told.get("rules_overridden") or {} for told in (was, now)]
    for rule in sorted(set(rules[0]) | set(rules[1])):
        values = [_rule_words(side.get(rule)) for side in rules]
        if values[0] != values[1]:
            lines.append(f"Rule {rule}: {values[0]} before, {values[1]} after.")
    winds = [_wind_words(told.get("wind")) for told in (was, now)]
    if winds[0] != winds[1]:
        lines.append(f"Wind: {winds[0]} before, {winds[1]} after.")
    versions = [told.get("versions") or {} for told in (was, now)]
    for name in sorted(set(versions[0]) | set(versions[1])):
        old, new = versions[0].get(name), versions[1].get(name)
        if old != new:
            lines.append(f"Version of {name}: {old or 'none'} before, {new or 'none'} after.")
    return lines


def _told(path: Path) -> dict[str, Any]:
    try:
        told = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) and _is_record(told) else {}


def _is_record(told: Mapping[str, Any]) -> bool:
    """Whether what is compared of a record has the form that a build gives it; older ones say less."""
    inputs, wind = told.get("inputs") or [], told.get("wind") or {"from_deg": 0.0, "basis": ""}
    return (
        all(isinstance(told.get(name) or {}, dict) for name in ("rules_overridden", "versions"))
        and isinstance(inputs, list)
        and all(isinstance(row, dict) for row in inputs)
        and isinstance(wind, dict)
        and isinstance(wind.get("from_deg"), (int, float))
        and "basis" in wind
    )


def _makes_sense(name: str, frame: pd.DataFrame) -> bool:
    """Whether a layer has one row for each thing, numbers where numbers belong, and outlines."""
    keys = frame[list(_KEYS[name])]
    if keys.isna().any(axis=None) or keys.duplicated().any():
        return False
    columns = {**TABLES, **RANKING_TABLES}[name].columns
    for column in frame.columns.intersection([one for one in columns if columns[one].dtype in _NUMBERS]):
        if not pd.api.types.is_numeric_dtype(frame[column].dtype) and frame[column].notna().any():
            return False
    if name != "buildings":
        return True
    shapes = np.asarray(frame["geometry"]) if "geometry" in frame else np.array([None])
    areal = np.isin(
        shapely.get_type_id(shapes), [shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON]
    )
    return bool(areal.all() and np.isfinite(shapely.bounds(shapes)).all() and frame.crs is not None)


def _area_names(state: State) -> frozenset[str]:
    areas = state.tables.get("areas")
    return frozenset() if areas is None or "name" not in areas else frozenset(areas["name"].dropna())


def _is_part(state: State, names: frozenset[str], others: frozenset[str]) -> bool:
    """Whether a build holds one area of several: the other has more, or its ranks are those of more."""
    ranking = state.tables["ranking"]
    beyond = len(ranking) > 0 and int(ranking["rank"].max()) > len(ranking)
    return len(names) == 1 and (names < others or beyond)


def _one(names: frozenset[str]) -> str:
    return next(iter(sorted(names)), "none")


def _inputs(told: Mapping[str, Any]) -> dict[str, Any]:
    rows = told.get("inputs") or []
    return {f"{row.get('role')} ({row.get('file')})": row.get("sha256") for row in rows}


def _rule_words(rule: Any) -> str:
    if not isinstance(rule, dict):
        return "as the rulebook has it"
    value = rule.get("value")
    words = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return f"{words} {rule.get('unit') or ''}".strip()


def _wind_words(wind: Any) -> str:
    return f"from {wind['from_deg']:g} deg, {wind['basis']}" if isinstance(wind, dict) else "none"
