"""Foreign column names become house names, once, here.

In: a layer's rows and its line of the district file (preset, `columns`, `units`).
Out: typed columns by house name, and the layer with a problem row for every value left out.

Presets: `plain` (house names, any case), `osm` (OpenStreetMap tags, flat or in GDAL's
`other_tags`), `overture` (Overture Maps buildings, structs or flat). Of a roof's direction the one
states which way it falls, the other the bearing of its ridge; `roof_form` brings both to the
house's meaning. A roof's shape is no evidence of how it is built, so no preset fills `roof_family`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.district import AttributeSource, FootprintSource, LayerSource
from roofplat.errors import FieldError
from roofplat.intake.layer import Layer
from roofplat.intake.roof_form import edge_heights, ridge_directions
from roofplat.intake.values import Typed, clean_keys, text, typed
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES

__all__ = [
    "PLAIN_IDS",
    "PRESETS",
    "Picked",
    "house_columns",
    "identify",
    "keys_of",
    "pick",
    "typed_column",
]

# What people call the column that identifies a building. Not objectid: programs number it anew.
PLAIN_IDS = ("building_id", "bldg_id", "bld_id", "structure_id", "id")
# House name: the preset's columns, the first that is filled wins.
PRESETS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "plain": {"building_id": PLAIN_IDS},
    "osm": {
        "building_id": ("@id", "osm_id", "osm_way_id", "id"),
        "name": ("name",),
        "address": ("addr:full",),
        "occupancy": ("building",),
        "year_built": ("start_date",),
        "storeys": ("building:levels",),
        "height_ft": ("height",),
        "roof_shape": ("roof:shape",),
        "slope_deg": ("roof:angle",),
        "roof_height_ft": ("roof:height",),
        "ridge_runs": ("roof:orientation",),
    },
    "overture": {
        "building_id": ("id",),
        "name": ("names.primary", "names"),
        "occupancy": ("class", "subtype"),
        "storeys": ("num_floors",),
        "height_ft": ("height",),
        "roof_shape": ("roof_shape",),
        "roof_height_ft": ("roof_height",),
        "ridge_deg": ("roof_direction",),
        "ridge_runs": ("roof_orientation",),
    },
}
# Which way a roof falls, where a standard says so; it is one direction for two house fields.
_FACING: Mapping[str, str] = {"osm": "roof:direction"}
# Both standards give heights in metres, and that of the building with its roof.
_PRESET_UNITS: Mapping[str, Mapping[str, str]] = {
    "osm": {"height_ft": "m", "roof_height_ft": "m"},
    "overture": {"height_ft": "m", "roof_height_ft": "m"},
}
# Names a district file may map besides the attributes.
_OTHER_FIELDS = ("building_id", "date", "kind", "voltage_kv", "note", "lon", "lat")
# dBASE cuts column names to this many characters.
_DBASE_WIDTH = 10
# OSM's heights may carry their unit; the wiki's own forms are "4 m" and "12 ft".
_OSM_HEIGHT = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(m|ft|')\s*$")


@dataclass(frozen=True, slots=True)
class Picked:
    """A column as read, its name in the file, and its unit where a preset knows it."""

    cells: pd.Series[Any]
    column: str
    unit: str | None
    preset: bool = False
    """Whether the preset knows the column, and so what it means."""


def pick(layer: Layer, source: LayerSource, field: str) -> Picked | None:
    """Find the column that fills a house field.

    Parameters
    ----------
    layer
        The layer as read.
    source
        Its line of the district file.
    field
        House name.

    Returns
    -------
    A column as read with its name and unit, or None where the layer has none.

    Raises
    ------
    FieldError
        The district file names a column that the layer does not have.
    """
    rows = layer.rows
    if field in source.columns:
        column = source.columns[field]
        return Picked(_required(layer, column, field), column, None)
    truncated = _DBASE_WIDTH if layer.driver == "ESRI Shapefile" else None
    names = {_plain_name(str(name))[:truncated]: str(name) for name in reversed(list(rows.columns))}
    preset = PRESETS[source.preset].get(field, ())
    unit = _PRESET_UNITS.get(source.preset, {}).get(field)
    if source.preset == "osm" and field == "address":
        address = _osm_address(rows, names)
        if address is not None:
            return Picked(address, "addr:housenumber and addr:street", None)
    found: Picked | None = None
    for candidate in preset:
        values, column = _column(rows, names, candidate, truncated, tags=source.preset == "osm")
        if values is None:
            continue
        if found is None:
            found = Picked(values, column, unit, preset=True)
        else:
            # Where nothing is missing too: what a column becomes must not hang on the rows beside it.
            filled = found.cells.astype(object).where(found.cells.notna(), values.astype(object))
            found = Picked(filled, found.column, unit, preset=True)
    if found is None and field != "building_id":
        name = names.get(_plain_name(field)[:truncated])
        found = None if name is None else Picked(rows[name], name, None)
    if found is not None and source.preset == "osm" and field == "occupancy":
        plain = text(found.cells)
        return Picked(plain.mask(plain.str.lower() == "yes"), found.column, None)
    return found


def house_columns(
    layer: Layer, source: LayerSource, rules: Rulebook, *, fields: Iterable[str] = (*ATTRIBUTES, "date")
) -> tuple[Layer, pd.DataFrame]:
    """Rename, convert and type a layer's columns.

    Parameters
    ----------
    layer
        The layer as read, n rows.
    source
        Its line of the district file; `units` are honoured where it has them.
    rules
        Ranges, roof families and feet.
    fields
        House names wanted.

    Returns
    -------
    layer
        With a warning for every value that was left out, naming feature and field.
    columns
        The wanted columns that the layer has, typed, in house units, n rows.

    Raises
    ------
    FieldError
        The district file maps a field that does not exist, a column the layer does not have, or a
        unit that does not fit.
    """
    _check_mapping(layer, source)
    fields = tuple(fields)
    columns: dict[str, pd.Series[Any]] = {}
    counts_roof = False
    for field in fields:
        found = pick(layer, source, field)
        if found is not None:
            layer, columns[field] = typed_column(layer, source, found, field, rules)
            counts_roof |= field == "height_ft" and found.preset
    frame = pd.DataFrame(columns, index=layer.rows.index)
    if counts_roof:
        layer, frame = edge_heights(layer, frame, rules)
    facing = None
    if "ridge_deg" in fields:
        layer, facing = _facing(layer, source, rules)
    if facing is None and not {"ridge_deg", "downslope_deg"} <= columns.keys():
        return layer, frame
    return ridge_directions(layer, frame, facing, rules)


def typed_column(
    layer: Layer, source: LayerSource, found: Picked, field: str, rules: Rulebook, *, like: str | None = None
) -> tuple[Layer, pd.Series[Any]]:
    """Bring one column to house units and type it.

    Parameters
    ----------
    layer, source
        The layer and its line of the district file; `units` are honoured where it has them.
    found
        What `pick` found.
    field
        The house name that the district file knows it by.
    rules
        Ranges, roof families and feet.
    like
        The attribute whose type, unit and range it has, where that is not the field itself.

    Returns
    -------
    layer
        With a warning for every value that was left out.
    cells
        Shape (n,).
    """
    units: Mapping[str, str] = getattr(source, "units", {})
    unit = units.get(field, found.unit)
    values = found.cells
    if source.preset == "osm" and unit == "m":
        values = _osm_height_m(values, rules)
    result = typed(values, like or field, rules, factor=_factor(layer, field, unit, rules))
    return _log_faults(layer, found, like or field, result), result.cells


def keys_of(layer: Layer, source: LayerSource, *, explicit: bool = False) -> pd.Series[Any] | None:
    """Return the cleaned ids of a layer, or None where no column holds any.

    Parameters
    ----------
    layer
        The layer as read.
    source
        Its line of the district file; its `id` outranks `columns` and preset.
    explicit
        Whether a column called merely `id` is too vague to be a building's id, as it is in a table.

    Raises
    ------
    FieldError
        The column that `id` names is not there.
    """
    choices = key_choices(layer, source, explicit=explicit)
    # Ids of two columns are two numberings: mixed, one building takes the name of another.
    chosen = next((cells for cells in choices if not cells.isna().all()), choices[-1] if choices else None)
    return None if chosen is None else clean_keys(chosen)


def key_choices(layer: Layer, source: LayerSource, *, explicit: bool = False) -> list[pd.Series[Any]]:
    """Return the columns that may hold the ids of a layer: the first in which anything stands, else the last.

    Parameters
    ----------
    layer, source, explicit
        As in `keys_of`.

    Returns
    -------
    list of Series
        Cells as read, n rows each; none where no column can hold ids.

    Raises
    ------
    FieldError
        The column that `id` names is not there.
    """
    if source.id is not None:
        return [_required(layer, source.id, "id")]
    if source.preset != "plain" or "building_id" in source.columns:
        found = pick(layer, source, "building_id")
        return [] if found is None else [found.cells]
    choices = _plain_ids(layer)
    if not explicit or not choices:
        return choices
    names = {_plain_name(str(name)): str(name) for name in layer.rows.columns}
    width = _DBASE_WIDTH if layer.driver == "ESRI Shapefile" else None
    exact = next((names[name] for name in names if name == "building_id"[:width]), None)
    return [] if exact is None else [layer.rows[exact]]


def identify(layer: Layer, source: LayerSource) -> Layer:
    """Find the ids of a layer and name each feature for the problem log.

    Parameters
    ----------
    layer
        The layer as read.
    source
        Its line of the district file. Footprints without an id get one from the layer's name and
        the row, the same in every run.

    Returns
    -------
    Layer
        With `ids`, and `feature` as the id, or `row n` without one, or both where ids repeat.

    Raises
    ------
    FieldError
        The column that the district file names is not there.
    """
    ids = keys_of(layer, source, explicit=joined_by_key(source))
    if isinstance(source, FootprintSource):
        ids, count = made_ids(ids, layer.name, layer.numbers())
        if count:
            layer = layer.remark(*ids_made(count))
    if ids is None:
        return layer
    return replace(layer, ids=ids, feature=feature_names(ids, ids.duplicated(keep=False), layer.numbers()))


def joined_by_key(source: LayerSource) -> bool:
    """Whether a layer is a table that finds its buildings by their ids."""
    return isinstance(source, AttributeSource) and source.how == "key"


def made_ids(ids: pd.Series[Any] | None, name: str, row: npt.NDArray[np.int64]) -> tuple[pd.Series[Any], int]:
    """Give features without an id one that is made from layer and row.

    Parameters
    ----------
    ids
        Shape (n,), missing where there is none; None where there are none at all.
    name
        The layer's own name.
    row
        Row numbers in the file, from 1, shape (n,).

    Returns
    -------
    ids
        None is missing.
    count
        How many were made.

    Examples
    --------
    >>> made_ids(pd.Series(["B1", None], dtype="string"), "roofs", np.array([7, 8]))[0].tolist()
    ['B1', 'roofs-8']
    """
    made = pd.Series([f"{name}-{number}" for number in row], dtype="string")
    if ids is None:
        return made, len(made)
    return ids.where(ids.notna(), made), int(ids.isna().sum())


def ids_made(count: int) -> tuple[str, str, str]:
    """What is said of a layer in which some ids were made: code, message, action."""
    return (
        "ids_made",
        f"{count} features have no id; theirs is made from layer and row.",
        "Set id = to the column that identifies a building, so that other tables can find it.",
    )


def feature_names(
    ids: pd.Series[Any], again: pd.Series[Any], row: npt.NDArray[np.int64]
) -> npt.NDArray[np.object_]:
    """Name features for the problem log: by id, by row, or by both where ids repeat.

    Parameters
    ----------
    ids
        Shape (n,), may be missing.
    again
        Which ids repeat, shape (n,).
    row
        Row numbers in the file, from 1, shape (n,).

    Returns
    -------
    ndarray of str
        Shape (n,).
    """
    number = pd.Series(row, index=ids.index).astype("string")
    called = ids.mask(again & ids.notna(), ids + " (row " + number + ")")
    return np.asarray(called.fillna("row " + number).to_numpy(dtype=object))


def _plain_ids(layer: Layer) -> list[pd.Series[Any]]:
    """Columns that people call an id, the plainest name first."""
    width = _DBASE_WIDTH if layer.driver == "ESRI Shapefile" else None
    names = {_plain_name(str(name))[:width]: str(name) for name in reversed(list(layer.rows.columns))}
    wanted: tuple[str, ...] = PLAIN_IDS
    if width is not None:
        # Cut short, structure_id and structure_type are one name; building_id is still plain enough.
        wanted = tuple(name for name in PLAIN_IDS if len(name) <= width or name not in PLAIN_IDS[1:])
    return [layer.rows[names[name[:width]]] for name in wanted if name[:width] in names]


def _facing(layer: Layer, source: LayerSource, rules: Rulebook) -> tuple[Layer, pd.Series[Any] | None]:
    """Find which way the roofs fall, where the preset has a column for it."""
    name = _FACING.get(source.preset)
    if name is None:
        return layer, None
    width = _DBASE_WIDTH if layer.driver == "ESRI Shapefile" else None
    names = {_plain_name(str(column))[:width]: str(column) for column in reversed(list(layer.rows.columns))}
    values, column = _column(layer.rows, names, name, width, tags=True)
    if values is None:
        return layer, None
    return typed_column(layer, source, Picked(values, column, None, preset=True), "downslope_deg", rules)


def _log_faults(layer: Layer, found: Picked, field: str, result: Typed) -> Layer:
    column = found.column if found.column == field else f"{found.column} ({field})"
    for fault in result.faults:
        # A repr of every value as it stood in the file, so that it can be searched for.
        stood = found.cells.to_numpy(dtype=object)[fault.mask]
        why = [fault.why] * len(stood) if isinstance(fault.why, str) else fault.why
        words = [
            f"Column {column} holds {value!r}: {reason}; the value was left out."
            for value, reason in zip(stood, why, strict=True)
        ]
        layer = layer.note(fault.mask, fault.code, words, fault.action, "warning")
    return layer


def _check_mapping(layer: Layer, source: LayerSource) -> None:
    known = (*ATTRIBUTES, *_OTHER_FIELDS)
    units: Mapping[str, str] = getattr(source, "units", {})
    for kind, names in (("columns", source.columns), ("units", units)):
        for name in names:
            if name not in known:
                near = get_close_matches(name, known, n=1)
                hint = f"did you mean {near[0]!r}?" if near else f"the names are {', '.join(known)}."
                raise FieldError(
                    f"{layer.label}: `{kind}` in the district file maps {name!r}, "
                    f"which is no house name; {hint}"
                )
    for name, column in source.columns.items():
        _required(layer, column, name)


def _required(layer: Layer, column: str, field: str) -> pd.Series[Any]:
    if column in layer.rows.columns:
        return layer.rows[column]
    names = [str(name) for name in layer.rows.columns]
    near = get_close_matches(column, names, n=1)
    hint = f"did you mean {near[0]!r}? " if near else ""
    raise FieldError(
        f"{layer.label}: the layer has no column {column!r}, which the district file names for {field}; "
        f"{hint}it has {', '.join(names) or 'no columns'}."
    )


def _factor(layer: Layer, field: str, unit: str | None, rules: Rulebook) -> float:
    """House units in one unit of the column."""
    house = ATTRIBUTES[field].unit if field in ATTRIBUTES else ""
    if unit is None or unit == house:
        return 1.0
    if house != "ft" or unit == "deg":
        raise FieldError(
            f"{layer.label}: the district file gives {field} in {unit}, but {field} is in "
            f"{house or 'no unit'}; take it out of `units`."
        )
    foot_m = rules.number("ground.foot_m")
    return _us_survey_foot_m(rules) / foot_m if unit == "us_survey_ft" else 1.0 / foot_m


def _us_survey_foot_m(rules: Rulebook) -> float:
    above, _, below = rules.choice("ground.us_survey_foot_m").partition("/")
    return float(above) / float(below or 1)


def _plain_name(name: str) -> str:
    return re.sub(r"[\s:.]+", "_", name.strip().lower())


def _column(
    rows: pd.DataFrame, names: Mapping[str, str], candidate: str, width: int | None, *, tags: bool
) -> tuple[pd.Series[Any] | None, str]:
    """Find a preset's column: flat, inside a struct, or among GDAL's `other_tags`."""
    name = names.get(_plain_name(candidate)[:width])
    if name is not None:
        values = rows[name]
        if candidate == "names":
            return _member(values, "primary"), "names.primary"
        return values, name
    if tags and "other_tags" in names:
        return _tag(rows[names["other_tags"]], candidate), candidate
    return None, candidate


def _member(values: pd.Series[Any], member: str) -> pd.Series[Any]:
    """Take one member of a struct column, or of one written out as JSON."""
    words = values.map(
        lambda value: value.get(member) if isinstance(value, dict) else value, na_action="ignore"
    )
    written = words.astype("string").str.extract(rf'"{member}"\s*:\s*"((?:[^"\\]|\\.)*)"', expand=False)
    nested = words.astype("string").str.startswith("{").fillna(False).astype(bool)
    return words.astype(object).mask(nested, written.astype(object))


def _tag(other_tags: pd.Series[Any], key: str) -> pd.Series[Any]:
    """Take one tag out of GDAL's `"key"=>"value"` text."""
    found = other_tags.astype("string").str.extract(rf'"{re.escape(key)}"=>"((?:[^"\\]|\\.)*)"', expand=False)
    return found.str.replace(r"\\(.)", r"\1", regex=True)


def _osm_address(rows: pd.DataFrame, names: Mapping[str, str]) -> pd.Series[Any] | None:
    number, _ = _column(rows, names, "addr:housenumber", None, tags=True)
    street, _ = _column(rows, names, "addr:street", None, tags=True)
    if street is None:
        return None
    whole = text(street) if number is None else text(number).fillna("") + " " + text(street)
    stated = whole.str.strip()
    full, _ = _column(rows, names, "addr:full", None, tags=True)
    return stated if full is None else stated.fillna(text(full))


def _osm_height_m(values: pd.Series[Any], rules: Rulebook) -> pd.Series[Any]:
    """Bring heights that carry a unit to metres; all others stay as they are."""
    words = text(values)
    parts = words.str.extract(_OSM_HEIGHT)
    stated = parts[0].notna()
    if not stated.any():
        return values
    figures = pd.to_numeric(parts[0].where(stated).astype("Float64"))
    metres = figures.where(parts[1] == "m", figures * rules.number("ground.foot_m"))
    return words.astype(object).mask(stated, metres.astype(object))
