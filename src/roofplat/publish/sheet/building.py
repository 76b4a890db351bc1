"""One building's rows out of the tables, in feet about the middle of the building.

In: the tables of all rooms in the working CRS, ids of buildings, what a foot is measured on.
Out: a `Leaf` for each id: the rows of every table that speak of the building or lie near it, with
    geometry in ground feet, x toward true east and y toward true north.

Rows are sorted by building once and sliced after that, so that a set of sheets of a whole district
costs one pass over each table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from roofplat.errors import DistrictFileError
from roofplat.ground import Ground, LocalPlanes, local_planes
from roofplat.tables import TABLES, empty

__all__ = ["LEAST_REACH_FT", "PLACES", "Leaf", "split_buildings"]

PLACES = ("streets", "areas", "stations")
"""Layers that belong to no building and have a name and a geometry."""

LEAST_REACH_FT = 150.0
"""What is kept around a building: its own size, and at least this. No sheet shows more."""
_Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Leaf:
    """What one sheet is made from.

    Parameters
    ----------
    building_id
        The building.
    frames
        By name: every table of `tables.TABLES`, `streets`, `areas`, `stations`, `neighbours` (the rows
        of `buildings` near this one), and `fires` (`section_id`, `fire_basis` and the point of the
        scenario's fire spot). Rows of this building, or near it where a table has none of
        its own; an obstacle overhead or in a yard has no `building_id`. Plain frames; `geometry`, where
        there is one, is in ground feet about the origin, x true east, y true north. What lies near is
        cut off a little way out.
    origin_lon, origin_lat
        The middle of the building's bounds, WGS 84 degrees.
    """

    building_id: str
    frames: Mapping[str, pd.DataFrame]
    origin_lon: float
    origin_lat: float


@dataclass(frozen=True, slots=True)
class _Grouped:
    """Rows of one table, those of building k between `starts[k]` and `starts[k + 1]`."""

    frame: pd.DataFrame
    starts: _Ints

    def each(self) -> list[pd.DataFrame]:
        """The rows of one building after the other; those that have none share an empty frame."""
        none = self.frame.iloc[:0]
        pieces = []
        for start, end in zip(self.starts[:-1].tolist(), self.starts[1:].tolist(), strict=True):
            piece = self.frame.iloc[start:end] if end > start else none
            if end > start:
                # A slice has an index of its own; to reset it would copy every column.
                piece.index = pd.RangeIndex(end - start)
            pieces.append(piece)
        return pieces


def split_buildings(tables: Mapping[str, pd.DataFrame], ids: Sequence[str], *, ground: Ground) -> list[Leaf]:
    """Take one building after the other out of the tables.

    Parameters
    ----------
    tables
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations`, in the working CRS;
        tables that are missing come out empty.
    ids
        Buildings, in the order wanted.
    ground
        What a foot is measured on.

    Returns
    -------
    list of Leaf
        In the order of `ids`.

    Raises
    ------
    DistrictFileError
        An id is not in the table of buildings.
    """
    wanted = pd.Index(np.asarray([str(name) for name in ids], dtype=object))
    buildings = tables["buildings"]
    rows = _first_rows(buildings["building_id"], wanted)
    if len(wanted) == 0:
        return []
    crs: Any = CRS(buildings.crs)
    outlines = np.asarray(buildings["geometry"].array, dtype=object)
    west, south, east, north = shapely.bounds(outlines[rows]).T
    planes = local_planes((west + east) / 2, (south + north) / 2, crs, ground)
    reach = _reach(west, south, east, north, planes)
    grouped: dict[str, _Grouped] = {}
    # A building may be asked for twice; its rows are found by the first of them.
    unique, copies = np.unique(wanted.to_numpy().astype(str), return_inverse=True)
    firsts = np.zeros(len(unique), dtype=np.int64)
    firsts[copies[::-1]] = np.arange(len(wanted))[::-1]
    owners = pd.Index(unique.astype(object))
    for name, table in TABLES.items():
        frame = tables.get(name, empty(name))
        if name == "problems":
            owner = _owners_of_problems(frame, tables, owners)
        elif "building_id" in table.columns:
            owner = owners.get_indexer(pd.Index(frame["building_id"].astype(object))).astype(np.int64)
        else:
            owner = np.full(len(frame), -1, dtype=np.int64)
        if name == "sections":
            fires, spots = _fires(frame, crs)
            grouped["fires"] = _group(
                fires, np.flatnonzero(owner[spots] >= 0), owner[spots][owner[spots] >= 0], len(unique)
            )
        grouped[name] = _group(frame, np.flatnonzero(owner >= 0), owner[owner >= 0], len(unique))
    areas = [shapely.box(*corners) for corners in reach[firsts]]
    boxes = np.asarray(areas, dtype=object)
    near = {name: tables.get(name, _no_places()) for name in PLACES}
    near["ground"] = tables.get("ground", empty("ground"))
    near["obstacles"] = _of_nobody(tables.get("obstacles", empty("obstacles")))
    near["neighbours"] = buildings
    for name, frame in near.items():
        found = _near(frame, boxes, owners, own=name != "neighbours")
        grouped[name] = _joined(grouped["obstacles"], found) if name == "obstacles" else found
    local = _planes_at(planes, firsts)
    grouped = {name: _Grouped(_in_feet(held, local), held.starts) for name, held in grouped.items()}
    to_lonlat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = to_lonlat.transform(planes.origin_x, planes.origin_y)
    pieces = {name: held.each() for name, held in grouped.items()}
    cut = [{name: frames[k] for name, frames in pieces.items()} for k in range(len(unique))]
    return [Leaf(str(name), cut[copies[k]], float(lon[k]), float(lat[k])) for k, name in enumerate(wanted)]


def _planes_at(planes: LocalPlanes, rows: _Ints) -> LocalPlanes:
    """Local planes at some of the positions."""
    return LocalPlanes(
        planes.origin_x[rows], planes.origin_y[rows], planes.to_crs[rows], planes.to_feet[rows]
    )


def _first_rows(held: pd.Series, wanted: pd.Index) -> _Ints:
    """Row of each id in the table of buildings."""
    names = pd.Index(held.astype(object))
    names = names if names.is_unique else names[~names.duplicated()]
    rows: _Ints = names.get_indexer(wanted).astype(np.int64)
    missing = wanted[rows < 0]
    if len(missing):
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        raise DistrictFileError(
            f"There is no building {missing[0]!r}{more} in the footprint layer; the id is the one that "
            "the map and ranking.csv show."
        )
    if len(names) < len(held):
        rows = np.flatnonzero(~held.duplicated().to_numpy())[rows]
    return rows


def _reach(west: Any, south: Any, east: Any, north: Any, planes: LocalPlanes) -> npt.NDArray[np.float64]:
    """Corners, in the working CRS, of what may show on each building's sheet, shape (n, 4)."""
    units = np.abs(planes.to_crs).sum(axis=2).max(axis=1)
    more = np.maximum(np.maximum(east - west, north - south), LEAST_REACH_FT * units)
    return np.column_stack([west - more, south - more, east + more, north + more])


def _owners_of_problems(
    problems: pd.DataFrame, tables: Mapping[str, pd.DataFrame], owners: pd.Index
) -> _Ints:
    """Building of each problem that names one, or one of its sections; -1 elsewhere."""
    features = pd.Index(problems["feature"].astype(object))
    owner = owners.get_indexer(features).astype(np.int64)
    sections = tables.get("sections", empty("sections"))
    section_ids = pd.Index(sections["section_id"].astype(object))
    if section_ids.is_unique and len(section_ids):
        at = section_ids.get_indexer(features)
        building = owners.get_indexer(pd.Index(sections["building_id"].astype(object)))
        owner = np.where((owner < 0) & (at >= 0), building[at], owner)
    return owner.astype(np.int64)


def _fires(sections: pd.DataFrame, crs: Any) -> tuple[pd.DataFrame, _Ints]:
    """Points of the fire spots that the standing plans take, and the row of the section of each."""
    planned = sections["planned"].fillna(False).astype(bool) & sections["fire_lon"].notna()
    rows = np.flatnonzero(planned.to_numpy())
    held = sections.iloc[rows]
    lon, lat = held["fire_lon"].to_numpy(dtype=float), held["fire_lat"].to_numpy(dtype=float)
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    fires = pd.DataFrame(held[["section_id", "fire_basis"]]).reset_index(drop=True)
    fires["geometry"] = pd.Series(shapely.points(x, y), dtype=object)
    return fires, rows


def _of_nobody(obstacles: pd.DataFrame) -> pd.DataFrame:
    return obstacles[obstacles["building_id"].isna().to_numpy()]


def _no_places() -> pd.DataFrame:
    return pd.DataFrame({"name": pd.Series([], dtype="str"), "geometry": pd.Series([], dtype=object)})


def _plain(frame: pd.DataFrame, rows: _Ints) -> pd.DataFrame:
    """Rows of a frame, its geometry as a plain column of shapes."""
    if "geometry" not in frame:
        return frame.iloc[rows].reset_index(drop=True)
    plain = pd.DataFrame(frame.drop(columns="geometry")).iloc[rows].reset_index(drop=True)
    plain["geometry"] = pd.Series(np.asarray(frame["geometry"].array, dtype=object)[rows], dtype=object)
    return plain


def _group(frame: pd.DataFrame, rows: _Ints, owner: _Ints, count: int) -> _Grouped:
    order = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[order], np.arange(count + 1))
    return _Grouped(_plain(frame, rows[order]), starts)


def _near(frame: pd.DataFrame, boxes: npt.NDArray[np.object_], owners: pd.Index, *, own: bool) -> _Grouped:
    """Rows that touch the box of each building, cut off at it; without the building itself."""
    shapes = np.asarray(frame["geometry"].array, dtype=object)
    box, row = shapely.STRtree(shapes).query(boxes, predicate="intersects")
    order = np.lexsort([row, box])
    box, row = box[order], row[order]
    if not own:
        another = owners[box] != frame["building_id"].astype(object).to_numpy()[row]
        box, row = box[another], row[another]
    grouped = _group(frame, row, box, len(boxes))
    if len(row) and own:
        grouped.frame["geometry"] = pd.Series(
            shapely.intersection(grouped.frame["geometry"].to_numpy(), boxes[box]), dtype=object
        )
    return grouped


def _joined(first: _Grouped, second: _Grouped) -> _Grouped:
    """Rows of each building from both, those of the first before those of the second."""
    owners = [np.repeat(np.arange(len(held.starts) - 1), np.diff(held.starts)) for held in (first, second)]
    if not len(owners[1]):
        return first
    owner = np.concatenate(owners)
    frame = pd.concat([first.frame, second.frame], ignore_index=True) if len(owners[0]) else second.frame
    return _group(frame, np.arange(len(frame)), owner, len(first.starts) - 1)


def _in_feet(held: _Grouped, planes: LocalPlanes) -> pd.DataFrame:
    """The rows with their shapes in feet about the middle of their building."""
    if "geometry" not in held.frame or held.frame.empty:
        return held.frame
    owner = np.repeat(np.arange(len(held.starts) - 1), np.diff(held.starts))
    shapes = held.frame["geometry"].to_numpy(dtype=object, copy=True)
    coordinates, part = shapely.get_coordinates(shapes, return_index=True)
    x, y = planes.feet(coordinates[:, 0], coordinates[:, 1], owner[part])
    moved = shapely.set_coordinates(shapely.force_2d(shapes), np.column_stack([x, y]))
    return held.frame.assign(geometry=pd.Series(moved, dtype=object))
