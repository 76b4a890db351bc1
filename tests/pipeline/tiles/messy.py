"""A small district in which everything is wrong that a layer can have wrong, most of it across the edges of
tiles, and everything that a building knows of its neighbours.

In: a folder.
Out: the path of its district file.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon, box

__all__ = ["CRS", "EAST", "NORTH", "write_messy"]

CRS = "EPSG:32613"
EAST, NORTH = 500_000.0, 4_400_000.0
# Corners of the grid lie on corners of the cells of tiles, so that much lies across their edges.
_STEP_M, _ACROSS = 32.0, 9
_FILE = """[district]
name = "Messy Flats"
mean_elevation_ft = 5200.0

[footprints]
file = "town.gpkg"
layer = "roofs"
columns = { storeys = "floors" }

[[attributes]]
name = "roll"
file = "roll.csv"
how = "key"
id = "ref"
date_column = "seen"
columns = { year_built = "YEAR", height_ft = "HEIGHT", address = "ADDRESS", roof_family = "ROOF" }

[[attributes]]
name = "visits"
file = "visits.csv"
how = "points"
basis = "surveyed"
date = "2024-05-01"
columns = { roof_shape = "shape", deck = "deck" }

[[attributes]]
name = "lots"
file = "town.gpkg"
layer = "lots"
how = "parcels"
columns = { year_built = "built", occupancy = "use" }

[[attributes]]
name = "air"
file = "air.geojson"
how = "footprints"
preset = "osm"

[[attributes]]
name = "gone"
file = "nowhere.csv"
how = "key"

[streets]
file = "town.gpkg"
layer = "streets"

[areas]
file = "town.gpkg"
layer = "areas"

[stations]
file = "town.gpkg"
layer = "stations"

[[obstacles]]
file = "town.gpkg"
layer = "things"

[[obstacles]]
file = "more.gpkg"
layer = "things"
kind = "parapet"

[sections]
file = "town.gpkg"
layer = "sections"

[fire_walls]
file = "town.gpkg"
layer = "walls"

[expansion_joints]
file = "town.gpkg"
layer = "joints"

[[ground]]
file = "town.gpkg"
layer = "ground"

[scenario]
wind_from_deg = 200.0

[scenario.fires]
file = "town.gpkg"
layer = "fires"
"""


def _house(column: float, row: float, wide: float = 16.0, deep: float = 12.0) -> Polygon:
    x, y = EAST + _STEP_M * column, NORTH + _STEP_M * row
    return box(x, y, x + wide, y + deep)


def write_messy(folder: Path) -> Path:
    """Write the layers and the district file."""
    folder.mkdir(parents=True, exist_ok=True)
    town = folder / "town.gpkg"

    def layer(of: str, shapes: list[object], file: Path = town, **columns: list[object]) -> None:
        frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)
        pyogrio.write_dataframe(frame, file, layer=of, geometry_type="Unknown", append=file.exists())

    names: list[object] = []
    shapes: list[object] = []
    for row in range(_ACROSS):
        for column in range(_ACROSS):
            names.append(f"B {row * _ACROSS + column}")
            shapes.append(_house(column, row))
    # A row of houses wall to wall through several tiles, and a ring of them around a yard.
    for place in range(10):
        names.append(f"T{place}")
        shapes.append(_house(place, _ACROSS, wide=_STEP_M))
    ring = EAST + 40.0, NORTH + 32.0 * 11
    for side in range(4):
        for place in range(4):
            x, y = [(place, 0), (4, place), (place + 1, 4), (0, place + 1)][side]
            names.append(f"R{side}{place}")
            shapes.append(
                box(ring[0] + 25 * x, ring[1] + 25 * y, ring[0] + 25 * x + 25, ring[1] + 25 * y + 25)
            )
    tall = len(names)
    names += ["Tower", "Hall"]
    shapes += [_house(6, 11, 30, 30), _house(4, -3, wide=_STEP_M * 5, deep=40)]
    first = shapes[3]
    faults: list[tuple[object, object]] = [
        ("B 3", _house(8, 11)),  # an id that is taken
        ("B 3", _house(8.6, 11)),
        ("B 3-2", _house(8, 12)),  # the id that would be made
        ("B 5", shapes[5]),  # a repeat
        ("again", shapely.affinity.translate(shapes[7], 0.2, 0.1)),
        ("once more", shapely.affinity.translate(shapes[7], 0.4, 0.2)),
        (None, _house(9, 1)),
        (" ", _house(9, 2)),
        ("b 12", _house(9, 3)),  # cleaned, it is B 12
        (
            "bow",
            Polygon([(EAST, NORTH - 40), (EAST + 9, NORTH - 30), (EAST + 9, NORTH - 40), (EAST, NORTH - 30)]),
        ),
        ("sliver", box(EAST, NORTH - 60, EAST + 0.2, NORTH - 59.8)),
        ("none", None),
        ("empty", Polygon()),
        ("point", Point(EAST + 50, NORTH - 50)),
        ("ring", LineString([*_house(9, 5).exterior.coords])),
        ("open", LineString([(EAST, NORTH - 80), (EAST + 20, NORTH - 80)])),
        ("high", shapely.force_3d(_house(9, 6), 7.0)),
        ("two", MultiPolygon([_house(9, 7), _house(9.7, 7.1, 6, 6)])),
        ("far", box(0, 0, 30, 30)),
        ("infinite", Polygon([(EAST, NORTH), (np.inf, NORTH), (EAST, NORTH + 9), (EAST, NORTH)])),
    ]
    names += [name for name, _ in faults]
    shapes += [shape for _, shape in faults]
    floors: list[object] = [2] * len(names)
    floors[17] = None  # what a reader makes of a column hangs on every row of it
    floors[40] = -3
    layer(
        "roofs",
        shapes,
        building_id=names,
        floors=floors,
        height_ft=["21.5"] * (tall + 1) + ["x"] * (len(names) - tall - 1),
    )

    keys = [f"{name}" for name in names[: tall + 2]]
    roll = pd.DataFrame({"ref": keys})
    roll["YEAR"] = [str(1900 + place) for place in range(len(keys))]
    roll["HEIGHT"] = "18"
    roll.loc[tall, "HEIGHT"] = "380"
    roll["ADDRESS"] = [f"{place} {'Far' if place % 9 == 4 else 'Elm'} Street" for place in range(len(keys))]
    roll["ROOF"] = "panelized_hybrid"
    roll["seen"] = "2023-04-05"
    odd = pd.DataFrame(
        {
            "ref": ["B 4", "b 12 ", "B  12", "nobody", "", "B 3-3", "b 8", "B 20.0", "nobody", "again"],
            "YEAR": ["1999", "1950", "1951", "1800", "1", "1960", "1970", "abc", "2999", "1955"],
            "HEIGHT": "17",
            "ADDRESS": "",
            "ROOF": "thatch",
            "seen": ["2025-01-01", "", "2024-13-01", "5/6/2020", "", "2020", "2020-02-02", "", "", ""],
        }
    )
    pd.concat([roll, odd]).to_csv(folder / "roll.csv", index=False)
    to_lon_lat = lambda points: gpd.GeoSeries(points, crs=CRS).to_crs("OGC:CRS84")  # noqa: E731
    spots = [_house(column + 0.51, row + 0.1).centroid for row in range(9) for column in range(0, 9, 2)]
    spots += [Point(EAST + 32.0 * place, NORTH + 32.0 * 9 + 5) for place in range(1, 9)]  # on shared walls
    spots += [Point(EAST - 900, NORTH), shapes[8].centroid, shapes[8].centroid]
    places = to_lon_lat(spots)
    visits = pd.DataFrame(
        {"lon": places.x, "lat": places.y, "shape": "gabled", "deck": "plank"}, dtype=object
    )
    visits.loc[2, "lat"] = "north"
    visits.loc[4, "shape"] = "onion ring"
    visits.to_csv(folder / "visits.csv", index=False)
    with (folder / "visits.csv").open("a", encoding="utf-8") as file:
        file.write(f"{places.x.iloc[0]},{places.y.iloc[0]},flat,plank,one cell too many\n")

    lots = [
        box(EAST - 10, NORTH - 10, EAST + 200, NORTH + 60),
        box(EAST + 90, NORTH + 20, EAST + 300, NORTH + 300),
    ]
    lots += [shapely.buffer(_house(column, 5), 3) for column in range(9)] + [
        box(EAST, NORTH + 900, EAST + 50, NORTH + 950)
    ]
    layer(
        "lots",
        lots,
        built=[1950 + place for place in range(len(lots))],
        use=["shop", None] * (len(lots) // 2),
    )
    air = [shapely.affinity.translate(shape, 1.0, 0.5) for shape in shapes[:60:2]] + [
        shapes[31],
        shapes[31],
        _house(30, 30),
    ]
    frame = gpd.GeoDataFrame(
        {"height": ["6 m"] * len(air), "roof:shape": ["gabled", "flat", "hipped"] * (len(air) // 3)},
        geometry=air,
        crs=CRS,
    )
    pyogrio.write_dataframe(frame.to_crs("OGC:CRS84"), folder / "air.geojson")

    x, y = EAST, NORTH
    streets = [
        LineString([(x - 500, y + 27), (x + 800, y + 27)]),
        shapely.MultiLineString(
            [[(x + 28, y - 300), (x + 28, y + 200)], [(x + 28, y + 210), (x + 28, y + 800)]]
        ),
    ]
    streets += [
        LineString([(x + 330, y - 300), (x + 330, y + 900)]),
        Point(x, y),
        LineString([(x - 90, y - 90), (x - 90, y - 90)]),
    ]
    layer("streets", streets, name=["Elm Street", None, "Far Street", "Dot", "Still"])
    layer(
        "areas",
        [box(x - 50, y - 200, x + 150, y + 900), box(x + 140, y - 200, x + 900, y + 900)],
        name=["West", None],
    )
    layer("stations", [Point(x + 60, y + 30)], name=["Station 1"])
    wire = LineString([(x - 200, y + 100), (x + 150, y + 130), (x + 700, y + 90)])
    things = [
        wire,
        MultiPolygon([_house(1.1, 1.1, 2, 2), _house(1.2, 1.2, 2, 2)]),
        _house(0.45, 2.2, 25, 1),
        Point(x + 5, y + 5),
    ]
    things += [_house(column + 0.1, 3.1, 3, 3) for column in range(9)] + [
        None,
        Point(x - 300, y - 300),
        _house(4.2, -2.8, 8, 8),
    ]
    kinds = ["power_line", "unit", "solar", "hung", *["skylight"] * 9, "unit", "hatch", "suspended_load"]
    layer(
        "things",
        things,
        kind=kinds,
        voltage_kv=["12.5", *[None] * (len(things) - 1)],
        note=[None, "loud", *["n"] * (len(things) - 2)],
    )
    edges = [LineString([(x + 32 * c, y + 64.2), (x + 32 * c + 16, y + 64.2)]) for c in range(9)]
    layer("things", edges, folder / "more.gpkg", height_ft=[3.0, *[None] * 8])
    sections = [
        _house(5, 0, 8, 12),
        _house(5.2, 0, 10, 12),
        _house(7, 7),
        _house(3.9, -3, 60, 41),
        _house(20, 20),
        first,
    ]
    layer(
        "sections",
        sections,
        building_id=["B 5", None, "b 12", "Hall", None, "nobody"],
        slope_deg=[5.0, None, 200.0, 3.0, 1.0, 2.0],
    )
    walls = [
        LineString([(x + 32 * 6, y - 120), (x + 32 * 6, y)]),
        LineString([(x - 50, y - 50), (x - 40, y - 40)]),
        LineString([(x + 8, y - 1), (x + 8, y + 140)]),
    ]
    layer("walls", walls)
    layer("joints", [LineString([(x + 32 * 7, y - 120), (x + 32 * 7.1, y)])])
    river = LineString([(x - 400, y + 21), (x + 700, y + 19)]).buffer(3)
    layer(
        "ground",
        [river, _house(2.6, 2.6, 5, 5), LineString([(x + 60, y - 9), (x + 240, y - 9)]), Point(x, y)],
        kind=["stream", "pool", "fence", "steep"],
    )
    fires = [
        shapes[10].centroid,
        shapely.affinity.translate(shapes[10].centroid, 1, 1),
        Point(x - 99, y),
        shapes[20].centroid,
        shapes[21].centroid,
    ]
    layer("fires", fires, building_id=[None, "B 10", None, "B 19", "nobody"])
    path = folder / "district.toml"
    path.write_text(_FILE, encoding="utf-8")
    return path
