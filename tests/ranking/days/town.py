"""Small towns for the tests of inspection days: squares on a plane, streets, a station.

In: where buildings stand, in feet from a corner, and what is known of them.
Out: the tables that a plan wants, in a working CRS whose foot is a ground foot nearly everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString, Point, box

from roofplat.ground import Ground
from roofplat.tables import TABLES, conform

CRS = "EPSG:32613"
GROUND = Ground(0.3048, None)
FOOT = 0.3048
# On the central meridian of the zone, where 0.9996 m of easting are one on the ground.
WEST, SOUTH = 500_000.0, 4_400_000.0
SIDE_FT = 40.0


def spot(east_ft: float, north_ft: float) -> tuple[float, float]:
    return WEST + east_ft * FOOT * 0.9996, SOUTH + north_ft * FOOT * 0.9996


def square(east_ft: float, north_ft: float, side_ft: float = SIDE_FT) -> Any:
    """A square whose centre is there."""
    half = side_ft / 2
    return box(*spot(east_ft - half, north_ft - half), *spot(east_ft + half, north_ft + half))


def streets(*lines: Sequence[tuple[float, float]]) -> gpd.GeoDataFrame:
    shapes = [LineString([spot(*point) for point in line]) for line in lines]
    return gpd.GeoDataFrame({"name": [f"Street {n}" for n in range(len(shapes))]}, geometry=shapes, crs=CRS)


def stations(*points: tuple[float, float], names: Sequence[str | None] = ()) -> gpd.GeoDataFrame:
    named = list(names) or [f"Station {n + 1}" for n in range(len(points))]
    shapes = [Point(*spot(*point)) for point in points]
    return gpd.GeoDataFrame({"name": pd.Series(named, dtype="str")}, geometry=shapes, crs=CRS)


def town(
    places: Sequence[tuple[float, float]],
    *,
    score: Sequence[float] | None = None,
    next_due: Sequence[str | None] | None = None,
    known: Mapping[str, Sequence[Any]] | None = None,
    station: tuple[float, float] = (0.0, 0.0),
    ids: Sequence[str] | None = None,
) -> dict[str, Any]:
    """Buildings, ranking and stations; rank follows score, ties the id."""
    count = len(places)
    names = list(ids) if ids is not None else [f"b{n:03d}" for n in range(count)]
    shapes = [square(*place) for place in places]
    rows: dict[str, Any] = {
        "building_id": names,
        "name": [f"House {n}" for n in range(count)],
        "occupancy": ["B"] * count,
        "storeys": [1] * count,
        "area_ft2": [SIDE_FT**2] * count,
        "roof_family": ["unknown"] * count,
        **(known or {}),
    }
    frame = pd.DataFrame(rows).reindex(columns=list(TABLES["buildings"].columns))
    buildings = conform("buildings", frame, geometry=np.array(shapes, dtype=object), crs=CRS)
    scores = list(score) if score is not None else [0.5] * count
    order = sorted(range(count), key=lambda n: (-scores[n], names[n]))
    rank = np.empty(count, dtype=int)
    rank[order] = np.arange(1, count + 1)
    due = pd.Series(list(next_due) if next_due is not None else [None] * count)
    more = {
        "score": scores,
        "rank": rank,
        "class": (known or {}).get("class", ["low"] * count),
        "next_due": pd.to_datetime(due).astype("datetime64[ms]"),
    }
    whole = pd.DataFrame({**rows, **more}).reindex(columns=list(TABLES["ranking"].columns))
    ranking = conform("ranking", whole, geometry=np.array(shapes, dtype=object), crs=CRS)
    ranking = ranking.sort_values("rank", ignore_index=True)
    return {"buildings": buildings, "ranking": ranking, "stations": stations(station)}
