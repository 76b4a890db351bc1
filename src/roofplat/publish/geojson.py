"""One GeoJSON file for each dispatch area: its buildings, what is planned on them, what is in the way.

In: the tables in the working CRS, part after part.
Out: `areas/<area>.geojson`, RFC 7946: longitude and latitude on WGS 84, exterior rings counter-
    clockwise, 7 decimals (about 1 cm), a bounding box, no `crs` member.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.publish.files import CAUTION, NO_AREA, area_files, whole_file
from roofplat.publish.map_place import STEPS_PER_DEGREE, steps_in
from roofplat.publish.overrides import override_records
from roofplat.publish.parts import Parts
from roofplat.rules import Rulebook

__all__ = ["PLAN_LAYERS", "area_names", "write_area_layers", "write_collection"]

PLAN_LAYERS = (
    "sections",
    "walls",
    "planes",
    "members",
    "obstacles",
    "collapse_zones",
    "ladders",
    "paths",
    "checks",
    "openings",
    "cuts",
    "trenches",
    "solar_access",
)
_GROUND = "ground"


def area_names(parts: Parts) -> list[str]:
    """Name every dispatch area, and `NO_AREA` at the end when a building lies in none.

    Examples
    --------
    >>> areas = pd.Series(["2", None, "1"], dtype="str")
    >>> area_names(Parts.of({"buildings": pd.DataFrame({"dispatch_area": areas})}))
    ['1', '2', 'No dispatch area']
    """
    of_buildings = parts.narrow("buildings", ["dispatch_area"])["dispatch_area"]
    names = set(of_buildings.dropna())
    if "areas" in parts.names:
        names |= set(parts.narrow("areas", ["name"])["name"].dropna())
    names.discard(NO_AREA)
    nowhere = of_buildings.isna() | (of_buildings == NO_AREA)
    return sorted(names) + ([NO_AREA] if nowhere.any() else [])


def write_area_layers(
    parts: Parts, folder: Path, *, rules: Rulebook | None = None, most_buildings: int | None = None
) -> list[Path]:
    """Write one FeatureCollection for each dispatch area, part after part.

    Parameters
    ----------
    parts
        At least `buildings`; the plan tables where there are any. Working CRS.
    folder
        Where the files go; a file is named after its area, see `files.area_files`.
    rules
        The rules in force. With them each file has a member `overridden_rules` beside `caution`:
        id, value and unit of every rule the department has changed, an empty list for none.
    most_buildings
        An area of more buildings gets no file: nothing that reads GeoJSON opens it. Its layers are in
        `layers.gpkg`.

    Returns
    -------
    list of Path
        One for each area, in the order of the names. A feature's property `layer` names its table.
        Of the solar audit only what is not met, or cannot be told, is there. Ground on which no
        ladder stands is in the file of each area that it meets.

    Raises
    ------
    DistrictFileError
        A file cannot be written.
    """
    names = area_names(parts)
    stems = area_files(names)
    of_buildings = parts.narrow("buildings", ["dispatch_area"])["dispatch_area"].fillna(NO_AREA)
    counts = of_buildings.value_counts()
    wanted = [name for name in names if most_buildings is None or counts.get(name, 0) <= most_buildings]
    head: dict[str, Any] = {"caution": CAUTION}
    if rules is not None:
        head["overridden_rules"] = override_records(rules)
    paths = {name: folder / f"{stems[name]}.geojson" for name in wanted}
    with contextlib.ExitStack() as done:
        begun = {name: _Begun(done.enter_context(whole_file(path))) for name, path in paths.items()}
        for name, file in begun.items():
            file.begin({"name": name, **head})
        for number in range(len(parts)):
            for name, layers in _by_area(parts, number, begun.keys()):
                begun[name].add(layers)
        for file in begun.values():
            file.end()
    return list(paths.values())


def write_collection(head: Mapping[str, Any], parts: Mapping[str, gpd.GeoDataFrame], path: Path) -> Path:
    """Write some layers as one FeatureCollection.

    Parameters
    ----------
    head
        Members of the collection beside its features.
    parts
        Layer to rows, any CRS; a feature's property `layer` names its own. Empty ones are left out.
    path
        The file to write.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    DistrictFileError
        The file cannot be written.
    """
    with whole_file(path) as beside:
        begun = _Begun(beside)
        begun.begin(head)
        begun.add(parts)
        begun.end()
    return path


def _by_area(
    parts: Parts, number: int, wanted: Collection[str]
) -> Iterator[tuple[str, dict[str, gpd.GeoDataFrame]]]:
    """The layers of each dispatch area in one part."""
    buildings = parts.part(number, ["buildings"])["buildings"]
    area_of = buildings.set_index("building_id")["dispatch_area"].fillna(NO_AREA)
    here = [name for name in wanted if (area_of == name).any()]
    ground = parts.part(number, [_GROUND]) if len(parts) == 1 or parts.rows(number, _GROUND) else {}
    if not here and not ground:
        return
    tables = parts.part(number, PLAN_LAYERS) if here else {}
    layers = {"buildings": buildings, **{name: tables[name] for name in PLAN_LAYERS if name in tables}}
    if "solar_access" in layers:
        audit = layers["solar_access"]
        layers["solar_access"] = audit.loc[~audit["passes"].fillna(False).astype(bool)]
    areas = {layer: frame["building_id"].map(area_of) for layer, frame in layers.items()}
    districts = parts.whole(["areas"])
    for name in wanted:
        held = layers if name in here else {}
        own = {layer: frame.loc[areas[layer] == name] for layer, frame in held.items()}
        if _GROUND in ground:
            own[_GROUND] = _ground_in({**districts, **ground}, name)
        if any(len(frame) for frame in own.values()):
            yield name, own


def _ground_in(tables: Mapping[str, Any], name: str) -> gpd.GeoDataFrame:
    """Ground that meets an area; for the buildings of no area, that which meets none."""
    ground = tables[_GROUND]
    areas = tables.get("areas")
    if areas is None or areas.empty:
        return ground if name == NO_AREA else ground.iloc[:0]
    wanted = areas if name == NO_AREA else areas[areas["name"] == name]
    meets = np.zeros(len(ground), dtype=bool)
    meets[wanted.sindex.query(ground.geometry, predicate="intersects")[0]] = True
    return ground[~meets if name == NO_AREA else meets]


@dataclass(slots=True)
class _Begun:
    """A collection that layers are added to: the text of a whole area would be many times its tables."""

    path: Path
    box: npt.NDArray[np.float64] = field(default_factory=lambda: np.full(4, np.nan))
    some: bool = False

    def begin(self, head: Mapping[str, Any]) -> None:
        members = {"type": "FeatureCollection", **head}
        self._write(json.dumps(members, ensure_ascii=False)[:-1] + ', "features": [')

    def add(self, layers: Mapping[str, gpd.GeoDataFrame]) -> None:
        for layer, frame in layers.items():
            if frame.empty:
                continue
            features, bounds = _features(frame, layer)
            self._write(("," if self.some else "") + "\n" + ",\n".join(features))
            self.box[:2] = np.fmin(self.box[:2], np.fmin.reduce(bounds[:, :2]))
            self.box[2:] = np.fmax(self.box[2:], np.fmax.reduce(bounds[:, 2:]))
            self.some = True

    def end(self) -> None:
        self._write("\n]" + (f', "bbox": {json.dumps(self.box.tolist())}' if self.some else "") + "}\n")

    def _write(self, text: str) -> None:
        # Opened for each piece: there may be more areas than files can be open.
        with self.path.open("a", encoding="utf-8", newline="\n") as stream:
            stream.write(text)


def _features(frame: gpd.GeoDataFrame, layer: str) -> tuple[list[str], np.ndarray]:
    """Turn each row into the text of a GeoJSON feature; with its bounds."""
    shapes = frame.geometry.to_numpy(copy=True)
    steps = steps_in(frame.crs, tuple(frame.total_bounds))(shapely.get_coordinates(shapes), None)
    shapes = shapely.set_coordinates(shapes, steps / STEPS_PER_DEGREE)
    shapes = shapely.orient_polygons(shapes, exterior_cw=False)
    properties = pd.DataFrame(frame.drop(columns="geometry"))
    for column in properties.select_dtypes("datetime").columns:
        properties[column] = properties[column].dt.strftime("%Y-%m-%d")
    properties.insert(0, "layer", layer)
    # Split at line feeds alone: inside a value they are escaped, other line separators are not.
    lines = properties.to_json(orient="records", lines=True, force_ascii=False).split("\n")
    texts = shapely.to_geojson(shapes).tolist()
    features = [
        f'{{"type":"Feature","geometry":{geometry or "null"},"properties":{line}}}'
        for geometry, line in zip(texts, lines[: len(frame)], strict=True)
    ]
    return features, shapely.bounds(shapes).reshape(-1, 4)
