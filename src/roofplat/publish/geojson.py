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
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from roofplat.publish.files import CAUTION, NO_AREA, area_files, whole_file
from roofplat.publish.geotext import geometry_texts, property_texts
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
Rows = npt.NDArray[np.bool_]
_GROUND = "ground"
# Rows made into text at once.
_PORTION = 20_000


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
            for layer, frame, holding in _layers_of_part(parts, number, wanted):
                for start, texts, boxes in _features(frame, layer):
                    for name, rows in holding.items():
                        own = rows[start : start + len(texts)]
                        begun[name].add(texts.filter(pa.array(own)), boxes[own])
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
        for layer, frame in parts.items():
            for _, texts, boxes in _features(frame, layer):
                begun.add(texts, boxes)
        begun.end()
    return path


def _layers_of_part(
    parts: Parts, number: int, wanted: Collection[str]
) -> Iterator[tuple[str, gpd.GeoDataFrame, dict[str, Rows]]]:
    """The layers of one part, and which of their rows are in which dispatch area."""
    buildings = parts.part(number, ["buildings"])["buildings"]
    area_of = buildings.set_index("building_id")["dispatch_area"].fillna(NO_AREA)
    here = [name for name in wanted if (area_of == name).any()]
    tables = parts.part(number, PLAN_LAYERS) if here else {}
    for name in ("buildings", *PLAN_LAYERS) if here else ():
        frame = buildings if name == "buildings" else tables.get(name)
        if frame is None:
            continue
        if name == "solar_access":
            frame = frame.loc[~frame["passes"].fillna(False).astype(bool)]
        places = area_of.index.get_indexer(frame["building_id"])
        areas: Any = np.where(places < 0, None, area_of.to_numpy(dtype=object)[places])
        known = np.isin(areas.astype(str), here) & (places >= 0)
        if not known.all():
            frame, areas = frame[known], areas[known]
        yield name, frame, {area: np.asarray(areas == area) for area in here}
    if _GROUND in parts.names and parts.rows(number, _GROUND):
        ground = parts.part(number, [_GROUND])[_GROUND]
        districts = parts.whole(["areas"]).get("areas")
        yield _GROUND, ground, {name: _meets(ground, districts, name) for name in wanted}


def _meets(ground: gpd.GeoDataFrame, areas: gpd.GeoDataFrame | None, name: str) -> Rows:
    """Ground that meets an area; for the buildings of no area, that which meets none."""
    if areas is None or areas.empty:
        return np.full(len(ground), name == NO_AREA)
    wanted = areas if name == NO_AREA else areas[areas["name"] == name]
    meets = np.zeros(len(ground), dtype=bool)
    meets[wanted.sindex.query(ground.geometry, predicate="intersects")[0]] = True
    return ~meets if name == NO_AREA else meets


@dataclass(slots=True)
class _Begun:
    """A collection that layers are added to: the text of a whole area would be many times its tables."""

    path: Path
    box: npt.NDArray[np.float64] = field(default_factory=lambda: np.full(4, np.nan))
    some: bool = False

    def begin(self, head: Mapping[str, Any]) -> None:
        members = {"type": "FeatureCollection", **head}
        self._write((json.dumps(members, ensure_ascii=False)[:-1] + ', "features": [').encode("utf-8"))

    def add(self, texts: pa.Array, boxes: npt.NDArray[np.float64]) -> None:
        if not len(texts):
            return
        self._write(b",\n" if self.some else b"\n")
        self._write(_lines(texts))
        self.box[:2] = np.fmin(self.box[:2], np.fmin.reduce(boxes[:, :2]))
        self.box[2:] = np.fmax(self.box[2:], np.fmax.reduce(boxes[:, 2:]))
        self.some = True

    def end(self) -> None:
        box = f', "bbox": {json.dumps(self.box.tolist())}' if self.some else ""
        self._write(f"\n]{box}}}\n".encode())

    def _write(self, text: Any) -> None:
        # Opened for each piece: there may be more areas than files can be open.
        with self.path.open("ab") as stream:
            stream.write(text)


def _lines(texts: pa.Array) -> pa.Buffer:
    """All texts, between them a comma and the end of a line."""
    whole = pa.ListArray.from_arrays(pa.array([0, len(texts)], pa.int32()), texts)
    return pc.binary_join(whole, ",\n")[0].as_buffer()


def _features(
    layer_rows: gpd.GeoDataFrame, layer: str
) -> Iterator[tuple[int, pa.Array, npt.NDArray[np.float64]]]:
    """The text of a GeoJSON feature for each row, and the box around it, some rows at a time."""
    if layer_rows.empty:
        return
    place = steps_in(layer_rows.crs, tuple(layer_rows.total_bounds))
    columns = {str(name): column for name, column in layer_rows.items() if name != layer_rows.geometry.name}
    for name, column in columns.items():
        if column.dtype.kind == "M":
            columns[name] = column.dt.strftime("%Y-%m-%d")
    properties = pd.DataFrame({"layer": pd.Series(layer, index=layer_rows.index, dtype="str"), **columns})
    geometry = layer_rows.geometry.to_numpy()
    for start in range(0, len(geometry), _PORTION):
        shapes = geometry[start : start + _PORTION]
        lonlat = place(shapely.get_coordinates(shapes), None) / STEPS_PER_DEGREE
        texts = pc.binary_join_element_wise(
            '{"type":"Feature","geometry":',
            geometry_texts(shapes, lonlat),
            ',"properties":',
            property_texts(properties.iloc[start : start + _PORTION]),
            "}",
            "",
        )
        yield start, texts, _boxes(shapely.get_num_coordinates(shapes), lonlat)


def _boxes(counts: npt.NDArray[np.int64], lonlat: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The box around the points of each row; NaN around none."""
    boxes = np.full((len(counts), 4), np.nan)
    some = np.flatnonzero(counts)
    if some.size:
        first = (np.cumsum(counts) - counts)[some]
        boxes[some, :2] = np.minimum.reduceat(lonlat, first)
        boxes[some, 2:] = np.maximum.reduceat(lonlat, first)
    return boxes
