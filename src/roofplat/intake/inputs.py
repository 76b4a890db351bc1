"""What the intake hands on: every layer of the district, read, renamed and repaired.

In: nothing; this file only names the shape of the result.
Out: `Inputs`, `AttributeRecords`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from roofplat.district import AttributeSource

__all__ = ["AttributeRecords", "Inputs"]


@dataclass(frozen=True, slots=True)
class AttributeRecords:
    """The records of one attribute source.

    `frame` has a RangeIndex, a column `record` (row number in the file, as text), `date`
    (datetime64[ms], may be missing), `key` (text; sources joined by key only), the columns
    of `tables.ATTRIBUTES` that the source carries, typed and in house units, and, for
    sources joined by place, `geometry` in the working CRS.

    `log` marks a log: it says many things of one building, each row counts, and of two that are alike in
    basis and date the later row is taken. Its frame has a `basis` for each row, and `section_id` where a row
    speaks of one section (else missing).
    """

    source: AttributeSource
    frame: pd.DataFrame | gpd.GeoDataFrame
    log: bool = False


def _no_walls() -> gpd.GeoDataFrame:
    columns = {name: pd.Series([], dtype="str") for name in ("kind", "basis")}
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([]))


def _no_marks() -> pd.DataFrame:
    text = pd.Series([], dtype="str")
    return pd.DataFrame({"building_id": text, "reason": text, "since": pd.Series([], dtype="datetime64[ms]")})


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything read for one district; geometry in `working_crs`, 2D, valid.

    The index of streets, sections, fire walls, expansion joints, fires and walls names their features: by the
    row in the file from 1, as 7, or 7.2 for the second part of that row; drawn ones as drawn-7. Such a name
    does not change when other rows come and go.

    footprints
        `building_id`, `basis`, `date`, the columns of `tables.ATTRIBUTES` found in the layer,
        `geometry` (Polygon or MultiPolygon).
    streets
        `name`, `geometry` (LineString).
    areas
        `name`, `geometry` (Polygon or MultiPolygon).
    stations
        `name`, `geometry` (Point).
    obstacles
        `obstacle_id` (its layer's name and that of the row), `kind`, `voltage_kv`, `height_ft` (of parapets),
        `basis`, `note`, `geometry`.
    ground
        `ground_id`, `kind`, `basis`, `note`, `geometry` (Polygon or LineString).
    sections
        Drawn roof sections: `building_id` (may be missing), attribute columns, `basis`,
        `geometry` (Polygon).
    fire_walls, expansion_joints
        `geometry` (LineString).
    fires
        `building_id` (may be missing), `geometry` (Point).
    problems
        `tables.TABLES["problems"]`.
    counts
        One row a layer: `layer`, `read`, `kept`, `repaired`, `refused`;
        read = kept + refused.
    release
        What the footprint layer is called, see `release.release_name`.
    walls
        Drawn walls: `kind`, `basis`, `geometry` (LineString).
    marks
        Why roofs are to be looked at again: `building_id`, `reason`, `since` (datetime64[ms]); of a building
        the latest first.
    """

    working_crs: CRS
    footprints: gpd.GeoDataFrame
    attributes: tuple[AttributeRecords, ...]
    streets: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    ground: gpd.GeoDataFrame
    sections: gpd.GeoDataFrame
    fire_walls: gpd.GeoDataFrame
    expansion_joints: gpd.GeoDataFrame
    fires: gpd.GeoDataFrame
    problems: pd.DataFrame
    counts: pd.DataFrame
    walls: gpd.GeoDataFrame = field(default_factory=_no_walls)
    marks: pd.DataFrame = field(default_factory=_no_marks)
    release: str = "footprints"
