"""Read every layer of a district and bring them to one CRS and one vocabulary.

In: a `District` and the `Rulebook`.
Out: `Inputs`. Footprints that cannot be used stop the build; any other layer or source that
    cannot be used is one `error` row in the problems and an empty frame.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from roofplat.district import AttributeSource, District, GroundSource, LayerSource, ObstacleSource
from roofplat.errors import CrsError, FieldError, LayerError
from roofplat.ground import Ground
from roofplat.intake.columns import house_columns, keys_of, pick, typed_column
from roofplat.intake.crs import (
    LonLatBox,
    check_coordinates,
    choose_working_crs,
    extent_of,
    lon_lat_box,
    move,
    near,
)
from roofplat.intake.inputs import AttributeRecords, Inputs
from roofplat.intake.layer import BoolArray, Layer, Severity
from roofplat.intake.look import label_of, look
from roofplat.intake.read import read_layer
from roofplat.intake.release import release_name
from roofplat.intake.repair import (
    duplicates,
    flatten,
    giants,
    hairs,
    hulls,
    lines,
    mixed,
    outlines,
    points,
    slivers,
    thin,
    uncrowded,
)
from roofplat.intake.values import as_str, booleans, text, typed
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, DRAWN_LAYERS, GROUND_KINDS, OBSTACLE_KINDS, WALL_KINDS, problem_rows

__all__ = [
    "FAR",
    "Drawing",
    "Given",
    "Opened",
    "compare_boxes",
    "counts_of",
    "fault_code",
    "fault_rows",
    "layer_names",
    "make_inputs",
    "named_buildings",
    "open_layer",
    "overhead_lines",
    "part_names",
    "plain_sources",
    "read_drawing",
    "read_inputs",
    "settle_ids",
    "swapped_error",
]

_BY_PLACE: dict[str, Callable[[Layer], Layer]] = {
    "points": points,
    "parcels": outlines,
    "footprints": outlines,
}
# What people call the kinds besides our own words.
_OBSTACLE_WORDS = {
    "units": "unit",
    "rooftop_unit": "unit",
    "hvac": "unit",
    "hvac_unit": "unit",
    "skylights": "skylight",
    "roof_light": "skylight",
    "smoke_vents": "smoke_vent",
    "smoke_hatch": "smoke_vent",
    "heat_and_smoke_vent": "smoke_vent",
    "hatches": "hatch",
    "roof_hatch": "hatch",
    "scuttle": "hatch",
    "roof_scuttle": "hatch",
    "solar_panel": "solar",
    "solar_panels": "solar",
    "solar_array": "solar",
    "photovoltaic": "solar",
    "pv": "solar",
    "hung_load": "suspended_load",
    "parapets": "parapet",
    "parapet_wall": "parapet",
    "overhead_lines": "overhead_line",
    "power_line": "overhead_line",
}
_GROUND_WORDS = {
    "pond": "water",
    "lake": "water",
    "river": "water",
    "stream": "water",
    "canal": "water",
    "ditch": "water",
    "basin": "water",
    "swimming_pool": "pool",
    "fences": "fence",
    "fenced": "fence",
    "slope": "steep",
    "steep_slope": "steep",
    "embankment": "steep",
    "cliff": "steep",
}
FAR: tuple[str, str, str, Severity] = (
    "far_from_footprints",
    "The layer lies more than a degree away from the footprints.",
    "Check its coordinate reference system.",
    "warning",
)
"""What is said of a layer that lies far away: code, message, action, severity."""
# Where a layer lies, and where it would with its coordinates swapped.
Boxes = tuple[LonLatBox | None, LonLatBox | None]
_CODES: dict[type[LayerError], str] = {CrsError: "no_usable_crs", FieldError: "no_usable_column"}


@dataclass(frozen=True, slots=True)
class Drawing:
    """A file of hand-drawn features, read and repaired.

    features
        One row for each kept feature or part of one: `feature` (its name in the problems), `building_id`
        (may be missing), `note`, `seen_on` (datetime64[ms]), `gone` (boolean), the columns of the layer,
        `geometry` in the working CRS, single.
    problems
        `tables.TABLES["problems"]`.
    counts
        `layer`, `read`, `kept`, `repaired`, `refused`; read = kept + refused.
    """

    features: gpd.GeoDataFrame
    problems: pd.DataFrame
    counts: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Given:
    """A layer as opened: its line of the district file, and its rows or its fault.

    read
        How many rows it has, where there is a fault.
    """

    source: LayerSource
    layer: Layer | None
    fault: LayerError | None = None
    read: int = 0


@dataclass(frozen=True, slots=True)
class Opened:
    """The layers of a district as opened; of the last three as many as the district names, in its order.

    plain
        `streets`, `areas`, `stations`, `sections`, `fire_walls`, `expansion_joints` and `fires`, those that
        the district has.
    """

    footprints: Given
    plain: Mapping[str, Given]
    obstacles: tuple[Given, ...]
    ground: tuple[Given, ...]
    attributes: tuple[Given, ...]


def read_inputs(district: District, rules: Rulebook) -> Inputs:
    """Read, rename, repair and account for every layer of a district.

    Parameters
    ----------
    district
        Paths and settings.
    rules
        Sliver and duplicate limits, ranges, roof families, feet.

    Returns
    -------
    Inputs
        Geometry 2D and valid in the working CRS; a problem row for every repair, every value left
        out and every refusal; counts with read = kept + refused for each layer.

    Raises
    ------
    LayerError, CrsError, FieldError
        The footprint layer cannot be used.
    DistrictFileError
        `working_crs` does not exist or is in degrees.

    Examples
    --------
    >>> from pathlib import Path
    >>> from roofplat.rules import load_rulebook
    >>> district = District(name="none", folder=Path(), footprints={"file": "no/such/roofs.gpkg"})
    >>> read_inputs(district, load_rulebook())  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    roofplat.errors.LayerError: roofs.gpkg: there is no file no/such/roofs.gpkg; check the path ...
    """
    outline = open_layer(district.footprints, refusal="error")
    if outline.layer is None:
        raise outline.fault or LayerError(f"{district.footprints.file.name}: the footprints cannot be read.")

    attributes = [open_layer(source, geometry=source.how != "key") for source in district.attributes]
    obstacles = [open_layer(source) for source in district.obstacles]
    grounds = [open_layer(source) for source in district.ground]
    plain = {role: open_layer(source) for role, source in plain_sources(district).items()}

    outline, others = _compare(outline, [*plain.values(), *obstacles, *grounds, *attributes])
    rest = iter(others)
    opened = Opened(
        outline,
        dict(zip(plain, islice(rest, len(plain)), strict=True)),
        tuple(islice(rest, len(obstacles))),
        tuple(islice(rest, len(grounds))),
        tuple(rest),
    )
    if outline.layer is None:
        raise outline.fault or LayerError(f"{district.footprints.file.name}: the footprints cannot be used.")
    if not outline.layer.kept.any():
        raise _no_outline(outline.layer)
    own_crs = outline.layer.required_crs()
    extent = extent_of(shapely.bounds(outline.layer.shapes()[outline.layer.kept]), own_crs)
    working_crs = choose_working_crs(outline.layer.label, own_crs, extent, district.working_crs)
    release = release_name(district.footprints.file, district.footprints.layer)
    inputs, done = make_inputs(opened, district, rules, working_crs, release=release)
    if inputs.footprints.empty:
        raise _no_outline(_layer(done[0]))
    return inputs


def plain_sources(district: District) -> dict[str, LayerSource]:
    """The layers that a district may have once, by what they are for.

    Parameters
    ----------
    district
        From `read_district`.

    Returns
    -------
    dict
        The keys of `Opened.plain`, those that the district names.
    """
    singles = {
        "streets": district.streets,
        "areas": district.areas,
        "stations": district.stations,
        "sections": district.sections,
        "fire_walls": district.fire_walls,
        "expansion_joints": district.expansion_joints,
        "fires": district.scenario.fires,
    }
    return {role: source for role, source in singles.items() if source is not None}


def make_inputs(
    opened: Opened, district: District, rules: Rulebook, working_crs: CRS, *, release: str
) -> tuple[Inputs, list[Given]]:
    """Rename, repair and account for every layer once it is open.

    Parameters
    ----------
    opened
        The layers, coordinates checked.
    district, rules
        The settings in force.
    working_crs
        Where all geometry is moved to.
    release
        What the footprint layer is called.

    Returns
    -------
    inputs
        As from `read_inputs`; there may be no footprints.
    done
        The layers when all is done: the footprints, `plain`, obstacles, ground, attributes.

    Raises
    ------
    LayerError
        The footprints cannot be used.
    """
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    layer, footprints = _footprints(opened.footprints, district, rules, working_crs, ground)
    done: list[Given] = [replace(opened.footprints, layer=layer)]

    makers: dict[str, Callable[[Given], tuple[Layer, gpd.GeoDataFrame]]] = {
        "streets": lambda given: _named(given, rules, working_crs, lines, single=True),
        "areas": lambda given: _areas(given, rules, working_crs),
        "stations": lambda given: _named(given, rules, working_crs, points),
        "sections": lambda given: _sections(given, rules, working_crs, ground),
        "fire_walls": lambda given: _dividing_lines(given, rules, working_crs, ground),
        "expansion_joints": lambda given: _dividing_lines(given, rules, working_crs, ground),
        "fires": lambda given: _fires(given, working_crs),
    }
    frames = {role: _nothing(role, working_crs) for role in makers}
    for role, given in opened.plain.items():
        given, frame = _make(given, makers[role])
        done.append(given)
        frames[role] = frames[role] if frame is None else frame

    hazards: dict[str, gpd.GeoDataFrame] = {}
    for name, given in zip(layer_names(opened.obstacles), opened.obstacles, strict=True):
        given, frame = _make(given, lambda one: _obstacles(one, rules, working_crs))
        done.append(given)
        hazards |= {} if frame is None else {name: frame}

    covers: dict[str, gpd.GeoDataFrame] = {}
    for name, given in zip(layer_names(opened.ground), opened.ground, strict=True):
        given, frame = _make(given, lambda one: _ground(one, rules, working_crs))
        done.append(given)
        covers |= {} if frame is None else {name: frame}

    records: list[AttributeRecords] = []
    for source, given in zip(district.attributes, opened.attributes, strict=True):
        given, frame = _make(given, lambda one: _records(one, rules, working_crs))
        done.append(given)
        records.append(AttributeRecords(source, _no_records(source, working_crs) if frame is None else frame))

    inputs = Inputs(
        working_crs=working_crs,
        footprints=footprints,
        attributes=tuple(records),
        obstacles=_numbered(hazards, "obstacles", "obstacle_id", working_crs),
        ground=_numbered(covers, "ground", "ground_id", working_crs),
        problems=_problems(done),
        counts=pd.DataFrame([counts_of(given) for given in done]).astype({"layer": "str"}),
        release=release,
        **frames,
    )
    return inputs, done


def read_drawing(source: LayerSource, role: str, rules: Rulebook, working_crs: CRS) -> Drawing:
    """Read one file of hand-drawn features as strictly as the layers of a district.

    Parameters
    ----------
    source
        The file, and its columns where they have other names than ours.
    role
        One of `tables.DRAWN_LAYERS`: what was drawn. Sections carry the attributes of a roof, obstacles
        `kind`, `voltage_kv` and `height_ft`, walls `kind`.
    rules
        Ranges, roof families, feet.
    working_crs
        Where the geometry is moved to.

    Returns
    -------
    Drawing

    Raises
    ------
    LayerError, CrsError, FieldError
        The file cannot be used.
    """
    if role not in DRAWN_LAYERS:
        raise ValueError(f"{role!r} is no layer that is drawn.")
    given = open_layer(source, refusal="error")
    if given.layer is None:
        raise given.fault or LayerError(f"{source.file.name}: it cannot be read.")
    layer, said = house_columns(given.layer, source, rules, fields=("note", "date"))
    ground = Ground(rules.number("ground.foot_m"))
    if role == "sections":
        layer, columns = house_columns(layer, source, rules)
        layer = outlines(_thinned(layer, rules, working_crs, ground))
        own = {str(name): columns[name] for name in columns if name != "date"}
    elif role == "obstacles":
        layer, own = _obstacle_columns(replace(given, layer=layer), rules, working_crs)
    else:
        layer = lines(_thinned(layer, rules, working_crs, ground))
        layer, own = _wall_kinds(layer, source) if role == "walls" else (layer, {})
    taken = pick(layer, source, "gone")
    gone, unclear = booleans(pd.Series("", index=layer.rows.index) if taken is None else taken.cells)
    layer = layer.refuse(
        unclear.to_numpy(dtype=bool),
        "wrong_type",
        "Its column gone is neither yes nor no.",
        "Write yes where the drawing takes an earlier one away, else leave it out.",
    )
    table: dict[str, Any] = {
        "feature": pd.Series(layer.feature, index=layer.rows.index, dtype="str"),
        "building_id": named_buildings(layer, source),
        "note": own.pop("note", said.get("note", pd.Series(None, index=layer.rows.index, dtype="str"))),
        "seen_on": _date(said),
        "gone": gone.fillna(False).astype("boolean"),
        **own,
    }
    kept = pd.DataFrame(table, index=layer.rows.index)[layer.kept].reset_index(drop=True)
    features = gpd.GeoDataFrame(kept, geometry=layer.shapes()[layer.kept], crs=layer.crs)
    return Drawing(
        _explode(features).reset_index(drop=True), _problems([replace(given, layer=layer)]), layer.counts()
    )


def open_layer(source: LayerSource, *, geometry: bool = True, refusal: Severity = "warning") -> Given:
    """Look, read, and check that the coordinates can be.

    Parameters
    ----------
    source
        A layer of the district file.
    geometry, refusal
        As in `read_layer`.

    Returns
    -------
    Given
        With the fault of a layer that cannot be used.
    """
    count = 0
    try:
        found = look(source.file, source.layer, unpacked_mb=source.unpacked_mb)
        count = found.count
        layer = read_layer(found, source, geometry=geometry, refusal=refusal)
        if geometry:
            layer = check_coordinates(flatten(layer))
    except LayerError as error:
        return Given(source, None, fault=error, read=count)
    return Given(source, layer, read=count)


def _compare(outline: Given, others: Sequence[Given]) -> tuple[Given, list[Given]]:
    """Find layers whose coordinates only make sense swapped, by where the other layers lie."""
    if outline.layer is None:
        return outline, list(others)

    def boxes(given: Given) -> Boxes:
        layer = given.layer
        if layer is None or layer.geometry is None:
            return None, None
        return lon_lat_box(layer), lon_lat_box(layer, swapped=True)

    turned, verdicts = compare_boxes(boxes(outline), [boxes(given) for given in others])
    if turned:
        fault = swapped_error(outline.layer.label, "the other layers")
        return replace(outline, layer=None, fault=fault), list(others)
    checked: list[Given] = []
    for given, verdict in zip(others, verdicts, strict=True):
        layer = given.layer
        if layer is None or verdict == "near":
            checked.append(given)
        elif verdict == "swapped":
            fault = swapped_error(layer.label, "the footprints")
            checked.append(replace(given, layer=None, fault=fault, read=len(layer.rows)))
        else:
            checked.append(replace(given, layer=layer.remark(*FAR)))
    return outline, checked


def compare_boxes(
    outline: Boxes, others: Sequence[Boxes]
) -> tuple[bool, list[Literal["near", "far", "swapped"]]]:
    """Judge by where the other layers lie whether the coordinates of a layer are swapped.

    Parameters
    ----------
    outline
        The box of the footprints, and the same with swapped coordinates; None where it cannot be on earth.
    others
        The same of the other layers.

    Returns
    -------
    turned
        Whether the footprints are swapped.
    verdicts
        For each other layer whether it lies near, far, or only near once swapped; `near` where nobody knows.

    Examples
    --------
    >>> town, sea = (14.0, 50.0, 14.1, 50.1), (50.0, 14.0, 50.1, 14.1)
    >>> compare_boxes((town, sea), [(town, sea), (sea, town), (sea, sea), (None, None)])
    (False, ['near', 'swapped', 'far', 'near'])
    >>> compare_boxes((sea, town), [(town, sea), (town, sea)])[0]
    True
    """
    here, turned = outline
    if here is None:
        return False, ["near"] * len(others)
    placed = [box for box, _ in others if box is not None]
    with_us = sum(near(here, box) for box in placed)
    against_us = 0 if turned is None else sum(near(turned, box) for box in placed if not near(here, box))
    if against_us >= 2 and not with_us:
        return True, ["near"] * len(others)
    verdicts: list[Literal["near", "far", "swapped"]] = []
    for box, other_way in others:
        if box is None or near(here, box):
            verdicts.append("near")
        else:
            verdicts.append("swapped" if other_way is not None and near(here, other_way) else "far")
    return False, verdicts


def swapped_error(label: str, what: str) -> CrsError:
    """What is said of a layer whose coordinates are swapped, by the place of `what`."""
    return CrsError(
        f"{label}: its coordinates look swapped (latitude or northing first), for only "
        f"the other way round do they lie where {what} are; export the layer again with x (longitude) first."
    )


def _make(given: Given, maker: Callable[[Given], tuple[Layer, Any]]) -> tuple[Given, Any]:
    """Run one maker; a fault of the layer becomes its problem row."""
    if given.layer is None:
        return given, None
    try:
        layer, frame = maker(given)
    except LayerError as error:
        return replace(given, layer=None, fault=error, read=len(given.layer.rows)), None
    return replace(given, layer=layer), frame


def _footprints(
    given: Given, district: District, rules: Rulebook, working_crs: CRS, ground: Ground
) -> tuple[Layer, gpd.GeoDataFrame]:
    layer = _layer(given)
    layer, columns = house_columns(layer, given.source, rules)
    layer, ids = _unique(_mended(layer, rules, working_crs, ground))
    frame = _frame(layer, {"building_id": ids, "basis": district.footprints.basis, "date": _date(columns)})
    attributes = columns.drop(columns="date", errors="ignore")[layer.kept].reset_index(drop=True)
    return layer, _with(frame, attributes)


def _no_outline(layer: Layer) -> LayerError:
    refused = pd.concat(layer.problems)
    first = refused[refused["severity"] != "info"].iloc[0]
    return LayerError(
        f"{layer.label}: not one of its {len(layer.rows)} outlines can be used; "
        f"the first is {first['feature']}: {first['message']}"
    )


def _named(
    given: Given,
    rules: Rulebook,
    working_crs: CRS,
    repair: Callable[[Layer], Layer],
    *,
    single: bool = False,
) -> tuple[Layer, gpd.GeoDataFrame]:
    """Layers that carry a name and nothing else."""
    layer, columns = house_columns(_layer(given), given.source, rules, fields=("name",))
    layer = repair(move(layer, working_crs))
    names = columns["name"] if "name" in columns else pd.Series(None, index=layer.rows.index, dtype="str")
    frame = _frame(layer, {"name": names})
    return layer, _parts(layer, frame) if single else frame


def _areas(given: Given, rules: Rulebook, working_crs: CRS) -> tuple[Layer, gpd.GeoDataFrame]:
    layer, frame = _named(given, rules, working_crs, outlines)
    nameless = frame["name"].isna()
    if nameless.any():
        made = pd.Series([f"{layer.name}-{row}" for row in np.flatnonzero(layer.kept) + 1], dtype="str")
        frame["name"] = frame["name"].where(~nameless, made)
        layer = layer.remark(
            "names_made",
            f"{int(nameless.sum())} areas have no name; theirs is made from layer and row.",
            'Set columns = {name = "..."} to the column that names an area.',
        )
    return layer, frame


def _sections(
    given: Given, rules: Rulebook, working_crs: CRS, ground: Ground
) -> tuple[Layer, gpd.GeoDataFrame]:
    layer, columns = house_columns(_layer(given), given.source, rules)
    layer = outlines(_thinned(layer, rules, working_crs, ground))
    frame = _frame(layer, {"building_id": named_buildings(layer, given.source), "basis": "drawn"})
    attributes = columns[layer.kept].reset_index(drop=True)
    return layer, _parts(layer, _with(frame, attributes))


def _dividing_lines(
    given: Given, rules: Rulebook, working_crs: CRS, ground: Ground
) -> tuple[Layer, gpd.GeoDataFrame]:
    layer = lines(_thinned(_layer(given), rules, working_crs, ground))
    return layer, _parts(layer, _frame(layer, {}))


def _fires(given: Given, working_crs: CRS) -> tuple[Layer, gpd.GeoDataFrame]:
    layer = points(move(_layer(given), working_crs))
    return layer, _parts(layer, _frame(layer, {"building_id": named_buildings(layer, given.source)}))


def _obstacles(given: Given, rules: Rulebook, working_crs: CRS) -> tuple[Layer, gpd.GeoDataFrame]:
    source = given.source
    layer, columns = _obstacle_columns(given, rules, working_crs)
    basis = source.basis if isinstance(source, ObstacleSource) else "recorded"
    note = columns.pop("note")
    return layer, _parts(layer, _frame(layer, {**columns, "basis": basis, "note": note}))


def _obstacle_columns(
    given: Given, rules: Rulebook, working_crs: CRS
) -> tuple[Layer, dict[str, pd.Series[Any]]]:
    """The layer in the working CRS; kind, voltage, height and note of each obstacle."""
    source = given.source
    layer, columns = house_columns(_layer(given), source, rules, fields=("kind", "voltage_kv", "note"))
    layer = mixed(hulls(move(layer, working_crs), rules.count("outline.most_corners")))
    layer, kind, note = _kinds(layer, source, columns, "obstacle", OBSTACLE_KINDS, _OBSTACLE_WORDS)
    number = pd.Series(np.nan, index=layer.rows.index)
    height = pick(layer, source, "height_ft")
    if height is None:
        height_ft = number
    else:
        # A unit's or a line's height is none above the roof edge, and nothing asks for it.
        parapets = replace(height, cells=height.cells.where(kind == "parapet"))
        layer, height_ft = typed_column(layer, source, parapets, "height_ft", rules, like="parapet_ft")
    voltage_kv = columns.get("voltage_kv", number)
    return layer, {"kind": kind, "voltage_kv": voltage_kv, "height_ft": height_ft, "note": note}


def overhead_lines(layer: Layer, source: LayerSource, rules: Rulebook) -> BoolArray:
    """Which features of a layer of obstacles are overhead lines, which belong to no building.

    Parameters
    ----------
    layer, source
        The layer as read, and its line of the district file.
    rules
        The settings in force.

    Returns
    -------
    ndarray of bool
        Shape (n,); none where the layer cannot be used.
    """
    try:
        layer, columns = house_columns(layer, source, rules, fields=("kind",))
        _, kind, _ = _kinds(layer, source, columns, "obstacle", OBSTACLE_KINDS, _OBSTACLE_WORDS)
    except LayerError:
        return np.zeros(len(layer.rows), dtype=bool)
    return (kind == "overhead_line").to_numpy(dtype=bool, na_value=False)


def _wall_kinds(layer: Layer, source: LayerSource) -> tuple[Layer, dict[str, pd.Series[Any]]]:
    """What each drawn wall does; one that does not say is refused."""
    found = pick(layer, source, "kind")
    given = pd.Series(None, index=layer.rows.index, dtype="str") if found is None else _text(found.cells)
    kind = given.str.lower().str.replace(r"[\s_-]+", "", regex=True)
    known = [name for name in WALL_KINDS if name != "unknown"]
    layer = layer.refuse(
        (~kind.isin(known)).to_numpy(dtype=bool),
        "unknown_kind",
        [
            "It does not say what the wall does." if pd.isna(word) else f"{word!r} is no kind of wall."
            for word in given[~kind.isin(known)]
        ],
        f"Give it a column kind with one of {', '.join(known)}.",
    )
    return layer, {"kind": kind}


def _ground(given: Given, rules: Rulebook, working_crs: CRS) -> tuple[Layer, gpd.GeoDataFrame]:
    source = given.source
    layer, columns = house_columns(_layer(given), source, rules, fields=("kind", "note"))
    layer = mixed(move(layer, working_crs))
    layer = layer.refuse(
        shapely.get_dimensions(layer.shapes()) == 0,
        "wrong_geometry",
        "It is a point, which covers no ground.",
        "Draw the ground's outline, or a fence as a line.",
    )
    layer, kind, note = _kinds(layer, source, columns, "ground", GROUND_KINDS, _GROUND_WORDS)
    basis = source.basis if isinstance(source, GroundSource) else "recorded"
    frame = _parts(layer, _frame(layer, {"kind": kind, "basis": basis, "note": note}))
    # A collection may hold points beside what covers ground.
    return layer, frame[shapely.get_dimensions(frame.geometry.array) > 0]


def _kinds(
    layer: Layer,
    source: LayerSource,
    columns: pd.DataFrame,
    what: str,
    kinds: tuple[str, ...],
    also: Mapping[str, str],
) -> tuple[Layer, pd.Series[Any], pd.Series[Any]]:
    """Read what each feature is: the layer's one kind, or its column's; and its note."""
    empty = pd.Series(None, index=layer.rows.index, dtype="str")
    fixed: str | None = getattr(source, "kind", None)
    words = pd.Series(fixed, index=layer.rows.index, dtype="str") if fixed else columns.get("kind", empty)
    kind = words.str.strip().str.lower().str.replace(r"[\s-]+", "_", regex=True).replace(dict(also))
    strange = (kind.notna() & ~kind.isin(kinds)).to_numpy(dtype=bool)
    unsaid = kind.isna().to_numpy(dtype=bool)
    known = f"Use one of {', '.join(kinds)}."
    layer = layer.note(
        strange & layer.kept,
        "unknown_kind",
        [f"{word!r} is no kind of {what}; it is taken as other." for word in words[strange & layer.kept]],
        known,
    )
    layer = layer.note(unsaid & layer.kept, "unknown_kind", "It has no kind; it is taken as other.", known)
    note = columns.get("note", empty)
    # The source's own word stays readable where the kind could not be taken over.
    note = note.mask(strange & note.isna().to_numpy(), words).mask(
        strange & note.notna().to_numpy(), words + ": " + note
    )
    return layer, kind.mask(strange | unsaid, "other"), note


def _records(given: Given, rules: Rulebook, working_crs: CRS) -> tuple[Layer, pd.DataFrame]:
    source = given.source
    if not isinstance(source, AttributeSource):
        raise TypeError("Records come from attribute sources.")
    layer, columns = house_columns(_layer(given), source, rules, fields=tuple(ATTRIBUTES))
    if columns.columns.empty:
        layer = layer.remark(
            "no_known_column",
            f"None of its columns is known ({', '.join(map(str, layer.rows.columns))}).",
            'Set columns = {house_name = "their column"} in the district file.',
            "warning",
        )
    layer, date = _record_dates(layer, source, rules)
    record = pd.Series(layer.numbers().astype(str), dtype="str")
    leading: dict[str, Any] = {"record": record, "date": date}
    if source.how == "key":
        ids = layer.ids
        if ids is None:
            raise FieldError(
                f"{layer.label}: the source {source.name!r} is joined by key but no column "
                "holds the building's id; name that column with id = in the district file."
            )
        layer = layer.refuse(
            ids.isna().to_numpy(dtype=bool),
            "no_key",
            "The record has no building id, so it belongs to no building.",
            "Give it the id of its footprint.",
        )
        leading["key"] = _text(ids)
        frame = pd.DataFrame(leading | {str(name): columns[name] for name in columns})
        return layer, frame[layer.kept].reset_index(drop=True)
    layer = _BY_PLACE[source.how](move(layer, working_crs))
    return layer, _with(_frame(layer, leading), columns[layer.kept].reset_index(drop=True))


def _record_dates(layer: Layer, source: AttributeSource, rules: Rulebook) -> tuple[Layer, pd.Series[Any]]:
    """Date of each record: its own, else the source's."""
    whole = typed(pd.Series([source.date]), "date", rules)
    if whole.faults:
        raise FieldError(
            f"{layer.label}: the district file dates the source {source.name!r} {source.date!r}: "
            f"{whole.faults[0].why}; write it as 2024-05-31, or the year alone."
        )
    fallback = pd.Series(whole.cells.iloc[0], index=layer.rows.index, dtype="datetime64[ms]")
    if source.date_column is None:
        found = pick(layer, source, "date")
    else:
        mapped = source.model_copy(update={"columns": {**source.columns, "date": source.date_column}})
        found = pick(layer, mapped, "date")
    if found is None:
        return layer, fallback
    dated = source.model_copy(update={"columns": {**source.columns, "date": found.column}})
    layer, columns = house_columns(layer, dated, rules, fields=("date",))
    return layer, columns["date"].fillna(fallback)


def settle_ids(
    given: Given, rules: Rulebook, working_crs: CRS, ground: Ground
) -> tuple[BoolArray, pd.Series[Any]]:
    """Which of some footprints are kept, and the ids that these have then.

    Parameters
    ----------
    given
        Footprints with all that touch or repeat them, in the order of the file, coordinates checked.
    rules, working_crs, ground
        The settings in force.

    Returns
    -------
    kept
        Shape (n,).
    ids
        Unique among those kept, shape (n,).
    """
    layer = _mended(_layer(given), rules, working_crs, ground)
    layer, ids = _unique(layer)
    return layer.kept, ids


def _mended(layer: Layer, rules: Rulebook, working_crs: CRS, ground: Ground) -> Layer:
    """Outlines moved, mended, and without giants, hairlines, slivers and repeats."""
    most = rules.count("outline.most_corners")
    layer = uncrowded(outlines(_thinned(layer, rules, working_crs, ground)), most)
    layer = giants(layer, rules.number("outline.longest_ft"), ground)
    layer = hairs(layer, ground)
    layer = slivers(layer, rules.number("outline.sliver_ft2"), ground)
    return duplicates(layer, rules.number("outline.duplicate_iou"))


def _thinned(layer: Layer, rules: Rulebook, working_crs: CRS, ground: Ground) -> Layer:
    """What divides a roof or is one, in the working CRS and of no more corners than can be planned."""
    within_ft = rules.number("outline.jog_ft")
    return thin(move(layer, working_crs), rules.count("outline.most_corners"), within_ft, ground)


def _unique(layer: Layer) -> tuple[Layer, pd.Series[Any]]:
    """Make the ids of kept features unique: the first keeps its own, later ones get a number."""
    ids = layer.ids
    if ids is None:
        raise TypeError(f"{layer.label} has no ids.")
    kept = pd.Series(layer.kept, index=ids.index)
    if layer.names is not None:
        # Decided among all rows of the file.
        again = kept & layer.names.notna() & (layer.names != ids)
        return _renamed(layer, ids, layer.names, again.to_numpy(dtype=bool))
    again = kept & ids.where(kept).duplicated(keep="first") & ids.notna()
    if not again.any():
        return layer, ids
    order = ids[kept].groupby(ids[kept]).cumcount().reindex(ids.index, fill_value=0) + 1
    taken = set(ids[kept & ~again])
    fresh = ids.mask(again, ids + "-" + order.astype("string"))
    # A made id may be somebody's own: count on until it is free. Only repeats are looped over.
    for row in np.flatnonzero(again.to_numpy()):
        number = int(order.iloc[row])
        while fresh.iloc[int(row)] in taken:
            number += 1
            fresh.iloc[int(row)] = f"{ids.iloc[int(row)]}-{number}"
        taken.add(fresh.iloc[row])
    return _renamed(layer, ids, fresh, again.to_numpy(dtype=bool))


def _renamed(
    layer: Layer, ids: pd.Series[Any], names: pd.Series[Any], again: BoolArray
) -> tuple[Layer, pd.Series[Any]]:
    words = [
        f"The id {old!r} is used by an earlier feature; this one is called {new!r}."
        for old, new in zip(ids[again], names[again], strict=True)
    ]
    return layer.mend(again, "duplicate_id", words, "Give every footprint its own id.", "warning"), names


def named_buildings(layer: Layer, source: LayerSource) -> pd.Series[Any]:
    """The building that each drawn section or fire spot names, missing where it names none; shape (n,)."""
    # `id` names the drawn feature itself, so only a column of its own can name the building.
    ids = keys_of(layer, source.model_copy(update={"id": None}), explicit=True)
    return pd.Series(None, index=layer.rows.index, dtype="str") if ids is None else _text(ids)


def _date(columns: pd.DataFrame) -> pd.Series[Any]:
    if "date" in columns:
        return columns["date"]
    return pd.Series(pd.NaT, index=columns.index, dtype="datetime64[ms]")


def _frame(layer: Layer, columns: dict[str, Any]) -> gpd.GeoDataFrame:
    """Take the kept rows with their shapes; text columns get the tables' dtype."""
    frame = pd.DataFrame(columns, index=layer.rows.index)[layer.kept].reset_index(drop=True)
    for name in frame.columns:
        if name not in ("date", "voltage_kv", "height_ft"):
            frame[name] = _text(frame[name])
    return gpd.GeoDataFrame(frame, geometry=layer.shapes()[layer.kept], crs=layer.crs)


def _with(frame: gpd.GeoDataFrame, columns: pd.DataFrame) -> gpd.GeoDataFrame:
    """Put columns before the geometry."""
    whole = pd.concat([pd.DataFrame(frame.drop(columns="geometry")), columns], axis=1)
    return gpd.GeoDataFrame(whole, geometry=frame.geometry.array, crs=frame.crs)


def _explode(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """One row for each part, in order; collections are taken apart as deep as they go."""
    while len(frame):
        nested = shapely.get_type_id(frame.geometry.array) >= shapely.GeometryType.MULTIPOINT
        if not nested.any():
            break
        frame = frame.explode(index_parts=False)
    return frame


def _parts(layer: Layer, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """One row for each part, named by the row in the file; such a name stays when other rows come and go."""
    number = pd.Series(layer.numbers()[layer.kept].astype(str), dtype="str")
    frame = _explode(frame)
    return frame.set_axis(part_names(number.take(frame.index.to_numpy())), axis=0)


def part_names(owner: pd.Series[Any]) -> pd.Index:
    """Name the parts of features: the first as its feature, the others by number after it.

    Parameters
    ----------
    owner
        The name of the feature of each part, shape (n,); parts of one feature below each other.

    Returns
    -------
    Index
        Texts, shape (n,).

    Examples
    --------
    >>> part_names(pd.Series(["7", "7", "8"], dtype="str")).tolist()
    ['7', '7.2', '8']
    """
    name = owner.reset_index(drop=True)
    part = pd.Series(np.arange(len(name)), index=name.index)
    part = part - part.where((name != name.shift()).to_numpy(dtype=bool)).ffill().astype("int64") + 1
    names: pd.Index = pd.Index(name.where(part == 1, name + "." + part.astype("str")), dtype="str")
    return names


def layer_names(opened: Sequence[Given]) -> list[str]:
    """A name for each layer of a role: its own, and a number where an earlier one has the same.

    Parameters
    ----------
    opened
        The layers of obstacles, or of ground.

    Returns
    -------
    list of str
        Their features are called by it and by the row.
    """
    own = [given.layer.name if given.layer is not None else "" for given in opened]
    return [
        name if name not in own[:place] else f"{name}.{own[:place].count(name) + 1}"
        for place, name in enumerate(own)
    ]


def _numbered(frames: Mapping[str, gpd.GeoDataFrame], role: str, name: str, crs: CRS) -> gpd.GeoDataFrame:
    """All layers of a role below each other, their features named by layer and row."""
    filled = {layer: frame for layer, frame in frames.items() if len(frame)}
    whole = pd.concat(filled.values(), ignore_index=True) if filled else _nothing(role, crs)
    names = [pd.Series(frame.index) for frame in filled.values()]
    named = [layer + "-" + labels for layer, labels in zip(filled, names, strict=True)]
    rest = pd.DataFrame(whole.drop(columns="geometry"))
    rest.insert(0, name, pd.concat(named, ignore_index=True) if named else pd.Series([], dtype="str"))
    return gpd.GeoDataFrame(rest, geometry=whole.geometry.array, crs=crs)


def _nothing(role: str, crs: CRS) -> gpd.GeoDataFrame:
    columns: dict[str, dict[str, str]] = {
        "streets": {"name": "str"},
        "areas": {"name": "str"},
        "stations": {"name": "str"},
        "sections": {"building_id": "str", "basis": "str"},
        "fire_walls": {},
        "expansion_joints": {},
        "fires": {"building_id": "str"},
        "obstacles": {
            "kind": "str",
            "voltage_kv": "float64",
            "height_ft": "float64",
            "basis": "str",
            "note": "str",
        },
        "ground": {"kind": "str", "basis": "str", "note": "str"},
    }
    frame = pd.DataFrame({name: pd.Series([], dtype=dtype) for name, dtype in columns[role].items()})
    return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([], crs=crs))


def _no_records(source: AttributeSource, crs: CRS) -> pd.DataFrame:
    frame: pd.DataFrame = pd.DataFrame(
        {"record": pd.Series([], dtype="str"), "date": pd.Series([], dtype="datetime64[ms]")}
    )
    if source.how == "key":
        return frame.assign(key=pd.Series([], dtype="str"))
    placed: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([], crs=crs))
    return placed


def _problems(done: Iterable[Given]) -> pd.DataFrame:
    frames: list[pd.DataFrame] = []
    for given in done:
        if given.layer is not None:
            frames += given.layer.problems
        elif given.fault is not None:
            frames.append(fault_rows(given.source, given.fault))
    if not frames:
        return problem_rows("", [], "", "info", "", "")
    return pd.concat(frames, ignore_index=True)


def fault_rows(source: LayerSource, fault: LayerError) -> pd.DataFrame:
    """The problem row of a layer that cannot be used."""
    return problem_rows(
        label_of(source.file, source.layer),
        [""],
        fault_code(fault),
        "error",
        str(fault),
        "Mend that, or take the layer out of the district file; all else was built without it.",
    )


def fault_code(fault: LayerError) -> str:
    """The code of the problem row of a layer that cannot be used."""
    return _CODES.get(type(fault), "unusable_layer")


def counts_of(given: Given) -> dict[str, object]:
    """A layer's line of the counts table; one that cannot be used is refused whole."""
    if given.layer is not None:
        return given.layer.counts()
    label = label_of(given.source.file, given.source.layer)
    return {"layer": label, "read": given.read, "kept": 0, "repaired": 0, "refused": given.read}


def _layer(given: Given) -> Layer:
    if given.layer is None:
        raise TypeError("The layer was not read.")
    return given.layer


def _text(words: pd.Series[Any]) -> pd.Series[Any]:
    return as_str(text(words))
