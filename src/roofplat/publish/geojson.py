"""One GeoJSON file for each dispatch area: its buildings, what is planned on them, what is in the way.

In: the tables in the working CRS.
Out: `areas/<area>.geojson`, RFC 7946: longitude and latitude on WGS 84, exterior rings counter-
    clockwise, 7 decimals (about 1 cm), a bounding box, no `crs` member.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TextIO

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from roofplat.publish.files import CAUTION, NO_AREA, area_files, whole_file
from roofplat.publish.overrides import override_records
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
_DECIMALS = 7


def area_names(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    """Name every dispatch area, and `NO_AREA` at the end when a building lies in none.

    Examples
    --------
    >>> area_names({"buildings": pd.DataFrame({"dispatch_area": pd.Series(["2", None, "1"], dtype="str")})})
    ['1', '2', 'No dispatch area']
    """
    of_buildings = tables["buildings"]["dispatch_area"]
    names = set(of_buildings.dropna())
    if "areas" in tables:
        names |= set(tables["areas"]["name"].dropna())
    names.discard(NO_AREA)
    nowhere = of_buildings.isna() | (of_buildings == NO_AREA)
    return sorted(names) + ([NO_AREA] if nowhere.any() else [])


def write_area_layers(
    tables: Mapping[str, pd.DataFrame], folder: Path, *, rules: Rulebook | None = None
) -> list[Path]:
    """Write one FeatureCollection for each dispatch area.

    Parameters
    ----------
    tables
        At least `buildings`; the plan tables where there are any. Working CRS.
    folder
        Where the files go; a file is named after its area, see `files.area_files`.
    rules
        The rules in force. With them each file has a member `overridden_rules` beside `caution`:
        id, value and unit of every rule the department has changed, an empty list for none.

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
    names = area_names(tables)
    stems = area_files(names)
    area_of = tables["buildings"].set_index("building_id")["dispatch_area"].fillna(NO_AREA)
    layers = {name: tables[name] for name in ("buildings", *PLAN_LAYERS) if name in tables}
    if "solar_access" in layers:
        audit = layers["solar_access"]
        layers["solar_access"] = audit.loc[~audit["passes"].fillna(False).astype(bool)]
    areas = {layer: frame["building_id"].map(area_of) for layer, frame in layers.items()}
    head: dict[str, Any] = {"caution": CAUTION}
    if rules is not None:
        head["overridden_rules"] = override_records(rules)
    written = []
    for name in names:
        path = folder / f"{stems[name]}.geojson"
        parts = {layer: frame.loc[areas[layer] == name] for layer, frame in layers.items()}
        if _GROUND in tables:
            parts[_GROUND] = _ground_in(tables, name)
        written.append(write_collection({"name": name, **head}, parts, path))
    return written


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
    with whole_file(path) as beside, beside.open("w", encoding="utf-8", newline="\n") as stream:
        _write_features(head, parts, stream)
    return path


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


def _write_features(head: Mapping[str, Any], parts: Mapping[str, gpd.GeoDataFrame], stream: TextIO) -> None:
    """Write layer after layer: the text of a whole area would be many times its tables."""
    members = {"type": "FeatureCollection", **head}
    stream.write(json.dumps(members, ensure_ascii=False)[:-1] + ', "features": [')
    boxes: list[np.ndarray] = []
    for layer, frame in parts.items():
        if frame.empty:
            continue
        features, bounds = _features(frame, layer)
        stream.write(("," if boxes else "") + "\n" + ",\n".join(features))
        boxes.append(bounds)
    stream.write("\n]")
    if boxes:
        bounds = np.concatenate(boxes)
        box = [*np.nanmin(bounds[:, :2], axis=0).tolist(), *np.nanmax(bounds[:, 2:], axis=0).tolist()]
        stream.write(f', "bbox": {json.dumps(box)}')
    stream.write("}\n")


def _features(frame: gpd.GeoDataFrame, layer: str) -> tuple[list[str], np.ndarray]:
    """Turn each row into the text of a GeoJSON feature; with its bounds."""
    shapes = frame.geometry.to_crs("EPSG:4326").to_numpy()
    shapes = shapely.transform(shapes, lambda degrees: np.round(degrees, _DECIMALS))
    shapes = shapely.orient_polygons(shapes, exterior_cw=False)
    properties = pd.DataFrame(frame.drop(columns="geometry"))
    for column in properties.select_dtypes("datetime").columns:
        properties[column] = properties[column].dt.strftime("%Y-%m-%d")
    properties.insert(0, "layer", layer)
    # Split at line feeds alone: inside a value they are escaped, other line separators are not.
    lines = properties.to_json(orient="records", lines=True, force_ascii=False).split("\n")[: len(frame)]
    geometry = pd.Series(shapely.to_geojson(shapes), dtype=object).fillna("null")
    text = (
        '{"type":"Feature","geometry":' + geometry + ',"properties":' + pd.Series(lines, dtype=object) + "}"
    )
    return text.tolist(), shapely.bounds(shapes).reshape(-1, 4)
