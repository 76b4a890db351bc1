"""Layers and tables as nobody should send them, and as somebody will.

In: draws of hypothesis; a folder to write to.
Out: shapes as well-known binary with columns, and files of them in any format that takes them.

Shapes are drawn in metres around a point and put on a place of the earth, so that the same bad outline comes
in metres, feet and degrees, at the pole and on the 180th meridian. They travel as well-known binary, because
what is to be tried is also what no geometry library would make: open rings, curves, rings of three points.
"""

from __future__ import annotations

import json
import math
import struct
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio.raw
import shapely
from pyproj import CRS

__all__ = [
    "FORMATS",
    "GOOD",
    "PLACES",
    "RESERVED",
    "SHAPES",
    "Bad",
    "Place",
    "cells",
    "comb",
    "layers",
    "names",
    "ring",
    "tables",
    "write_layer",
    "write_table",
]


@dataclass(frozen=True, slots=True)
class Place:
    """A point of the earth in some CRS, and the units of a metre east and north there."""

    crs: str
    x: float
    y: float
    east: float = 1.0
    north: float = 1.0

    def put(self, shape: Any) -> Any:
        """A shape in metres, put here; coordinates that are no numbers stay so."""
        scale, start = np.array([self.east, self.north]), np.array([self.x, self.y])
        if shape is None or shapely.is_empty(shape):
            return shape
        if shapely.has_z(shape):
            scale, start = np.array([*scale, 1.0]), np.array([*start, 0.0])
            return shapely.transform(shape, lambda xyz: xyz * scale + start, include_z=True)
        return shapely.transform(shape, lambda xy: xy * scale + start)


_M_PER_DEG = 111_320.0
PLACES: Mapping[str, Place] = {
    "metres": Place("EPSG:32613", 500_000.0, 4_400_000.0),
    "feet": Place("EPSG:2232", 3_100_000.0, 1_700_000.0, 3937 / 1200, 3937 / 1200),
    "degrees": Place(
        "EPSG:4326", -105.0, 39.7, 1 / (_M_PER_DEG * math.cos(math.radians(39.7))), 1 / _M_PER_DEG
    ),
    "mercator": Place("EPSG:3857", -11_690_000.0, 4_820_000.0, 1.3, 1.3),
    "date line": Place("EPSG:4326", 179.9999, -17.0, 1 / (_M_PER_DEG * 0.956), 1 / _M_PER_DEG),
    "north pole": Place("EPSG:4326", 20.0, 89.9, 1 / (_M_PER_DEG * 0.001745), 1 / _M_PER_DEG),
    "south pole": Place("EPSG:4326", -60.0, -89.9, 1 / (_M_PER_DEG * 0.001745), 1 / _M_PER_DEG),
    "polar plane": Place("EPSG:5041", 2_000_000.0, 1_990_000.0),
}
"""Places by what is odd about them."""


def ring(count: int, radius: float = 40.0, inner: float | None = None) -> np.ndarray[Any, Any]:
    """A closed ring of so many corners; with an inner radius a star."""
    angle = np.linspace(0.0, 2 * np.pi, count, endpoint=False)
    reach = np.where(np.arange(count) % 2, radius if inner is None else inner, radius)
    corners = np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])
    return np.vstack([corners, corners[:1]])


def comb(teeth: int, width: float) -> Any:
    """A comb with so many teeth."""
    step = width / teeth
    left = np.arange(teeth) * step
    x = np.column_stack([left, left, left + step / 2, left + step / 2]).ravel()
    y = np.tile([10.0, 30.0, 30.0, 10.0], teeth)
    return shapely.Polygon([(0, 0), *zip(x, y, strict=True), (width, 10), (width, 0)])


def _holes(count: int) -> Any:
    """A square with a lattice of square holes."""
    side = math.ceil(math.sqrt(count))
    at = [(4.0 * (n % side) + 2, 4.0 * (n // side) + 2) for n in range(count)]
    return shapely.Polygon(
        shapely.box(0, 0, 4.0 * side + 2, 4.0 * side + 2).exterior.coords,
        [shapely.box(x, y, x + 2, y + 2).exterior.coords for x, y in at],
    )


def _spiral(turns: int) -> Any:
    angle = np.linspace(0, 2 * np.pi * turns, 40 * turns)
    out = np.column_stack([(10 + 2 * angle) * np.cos(angle), (10 + 2 * angle) * np.sin(angle)])
    back = np.column_stack([(14 + 2 * angle) * np.cos(angle), (14 + 2 * angle) * np.sin(angle)])[::-1]
    return shapely.Polygon(np.vstack([out, back]))


def _with(*rings: Sequence[tuple[float, float]]) -> Any:
    return shapely.Polygon(rings[0], rings[1:])


_BOX = shapely.box
_SQUARE = _BOX(0, 0, 30, 20)
_COORDS = list(_SQUARE.exterior.coords)
_HUGE = 1e300
SHAPES: Mapping[str, Callable[[], Any]] = {
    "none": lambda: None,
    "empty point": lambda: shapely.from_wkt("POINT EMPTY"),
    "empty line": lambda: shapely.from_wkt("LINESTRING EMPTY"),
    "empty polygon": lambda: shapely.from_wkt("POLYGON EMPTY"),
    "empty points": lambda: shapely.from_wkt("MULTIPOINT EMPTY"),
    "empty lines": lambda: shapely.from_wkt("MULTILINESTRING EMPTY"),
    "empty polygons": lambda: shapely.from_wkt("MULTIPOLYGON EMPTY"),
    "empty collection": lambda: shapely.from_wkt("GEOMETRYCOLLECTION EMPTY"),
    "point": lambda: shapely.Point(3, 4),
    "points": lambda: shapely.MultiPoint([(0, 0), (9, 9)]),
    "line": lambda: shapely.LineString([(0, 0), (30, 0), (30, 20)]),
    "line without length": lambda: shapely.LineString([(3, 3), (3, 3)]),
    "closed line": lambda: shapely.LineString(_COORDS),
    "closed line that crosses itself": lambda: shapely.LineString(
        [(0, 0), (30, 20), (30, 0), (0, 20), (0, 0)]
    ),
    "lines that make a ring": lambda: shapely.MultiLineString([_COORDS[:3], _COORDS[2:]]),
    "lines that cross": lambda: shapely.MultiLineString([[(0, 0), (30, 20)], [(0, 20), (30, 0)]]),
    "polygon": lambda: _SQUARE,
    "polygon, turned": lambda: shapely.reverse(_SQUARE),
    "polygon with heights": lambda: shapely.force_3d(_SQUARE, 7.0),
    "one coordinate is no number": lambda: shapely.Polygon(
        [(0, 0), (30, 0), (30, float("nan")), (0, 20), (0, 0)]
    ),
    "endless": lambda: shapely.Polygon([(0, 0), (float("inf"), 0), (30, 20), (0, 20)]),
    "endless the other way": lambda: shapely.Polygon([(0, float("-inf")), (30, 0), (30, 20), (0, 20)]),
    "a point that is none": lambda: shapely.Point(float("nan"), float("nan")),
    "as far as numbers go": lambda: _BOX(-_HUGE, -_HUGE, _HUGE, _HUGE),
    "as small as numbers go": lambda: _BOX(0, 0, 5e-324, 5e-324),
    "bow tie": lambda: _with([(0, 0), (30, 20), (30, 0), (0, 20)]),
    "bow tie of unlike halves": lambda: _with([(0, 0), (40, 20), (40, 0), (10, 20), (0, 20)]),
    "five-pointed star in one line": lambda: _with(
        [(40 * math.cos(2.513274 * n), 40 * math.sin(2.513274 * n)) for n in range(5)]
    ),
    "spike outward": lambda: _with([(0, 0), (30, 0), (30, 10), (500, 10), (30, 10), (30, 20), (0, 20)]),
    "spike inward": lambda: _with([(0, 0), (30, 0), (30, 10), (5, 10), (30, 10), (30, 20), (0, 20)]),
    "spike of a hair": lambda: _with([(0, 0), (30, 0), (30, 10), (500, 10 + 1e-7), (30, 10.0001), (0, 20)]),
    "points twice": lambda: shapely.Polygon(np.repeat(np.asarray(_COORDS), 3, axis=0)),
    "ring run twice": lambda: _with(_COORDS[:-1] * 2),
    "points within a hair": lambda: _with(
        [(0, 0), (1e-9, 0), (30, 0), (30, 1e-9), (30, 20), (0, 20), (0, 1e-12)]
    ),
    "all on one line": lambda: _with([(0, 0), (10, 0), (30, 0), (20, 0)]),
    "three times the same point": lambda: _with([(5, 5), (5, 5), (5, 5), (5, 5)]),
    "a hair wide": lambda: _BOX(0, 0, 60, 0.01),
    "a foot wide": lambda: _BOX(0, 0, 300, 0.3),
    "tiny": lambda: _BOX(0, 0, 1e-6, 1e-6),
    "small": lambda: _BOX(0, 0, 1.7, 1.7),
    "hole as large as the roof": lambda: _with(_COORDS, _COORDS[::-1]),
    "hole outside": lambda: _with(_COORDS, list(_BOX(50, 50, 60, 60).exterior.coords)),
    "hole that touches at a point": lambda: _with(_COORDS, [(0, 10), (10, 5), (10, 15)]),
    "hole that touches at two points": lambda: _with(_COORDS, [(0, 10), (15, 0), (15, 10)]),
    "hole along the wall": lambda: _with(_COORDS, list(_BOX(0, 5, 10, 15).exterior.coords)),
    "hole across the wall": lambda: _with(_COORDS, list(_BOX(-5, 5, 10, 15).exterior.coords)),
    "hole in a hole": lambda: _with(
        list(_BOX(0, 0, 60, 60).exterior.coords),
        list(_BOX(10, 10, 50, 50).exterior.coords),
        list(_BOX(20, 20, 40, 40).exterior.coords),
    ),
    "holes that touch": lambda: _with(
        list(_BOX(0, 0, 60, 60).exterior.coords),
        list(_BOX(10, 10, 30, 30).exterior.coords),
        list(_BOX(30, 10, 50, 30).exterior.coords),
    ),
    "holes that overlap": lambda: _with(
        list(_BOX(0, 0, 60, 60).exterior.coords),
        list(_BOX(10, 10, 35, 30).exterior.coords),
        list(_BOX(25, 20, 50, 50).exterior.coords),
    ),
    "a hundred courtyards": lambda: _holes(100),
    "empty hole": lambda: shapely.from_wkt("POLYGON ((0 0, 30 0, 30 20, 0 20, 0 0), EMPTY)"),
    "parts that overlap": lambda: shapely.MultiPolygon([_SQUARE, _BOX(10, 10, 60, 40)]),
    "parts one in the other": lambda: shapely.MultiPolygon([_BOX(0, 0, 60, 60), _BOX(10, 10, 20, 20)]),
    "parts that are the same": lambda: shapely.MultiPolygon([_SQUARE, _SQUARE]),
    "parts that touch at a corner": lambda: shapely.MultiPolygon([_SQUARE, _BOX(30, 20, 60, 40)]),
    "parts wall to wall": lambda: shapely.MultiPolygon([_SQUARE, _BOX(30, 0, 60, 20)]),
    "parts far apart": lambda: shapely.MultiPolygon([_SQUARE, _BOX(900, 0, 930, 20)]),
    "part that is empty": lambda: shapely.from_wkt(
        "MULTIPOLYGON (EMPTY, ((0 0, 30 0, 30 20, 0 20, 0 0)), EMPTY)"
    ),
    "part that is a sliver": lambda: shapely.MultiPolygon([_SQUARE, _BOX(40, 0, 40.1, 0.1)]),
    "polygon among others": lambda: shapely.GeometryCollection(
        [shapely.Point(1, 1), _SQUARE, shapely.LineString([(0, 0), (90, 90)])]
    ),
    "collection in a collection": lambda: shapely.GeometryCollection(
        [shapely.GeometryCollection([shapely.GeometryCollection([_SQUARE, shapely.Point(0, 0)])])]
    ),
    "collection of polygons that overlap": lambda: shapely.GeometryCollection(
        [_SQUARE, _BOX(10, 10, 60, 40), shapely.MultiPolygon([_BOX(5, 5, 15, 15)])]
    ),
    "collection of nothing": lambda: shapely.from_wkt(
        "GEOMETRYCOLLECTION (POLYGON EMPTY, GEOMETRYCOLLECTION EMPTY, POINT EMPTY)"
    ),
    "as large as a town": lambda: _BOX(-2e3, 2.5e3, 4e3, 6e3),
    "as large as a country": lambda: _BOX(-2e5, -2e5, 4e5, 5e5),
    "as large as the world": lambda: _BOX(-2e7, -1e7, 2e7, 1e7),
    "long and thin": lambda: _BOX(0, 3000, 20_000, 3012),
    "comb": lambda: comb(40, 200.0),
    "fine comb": lambda: comb(400, 400.0),
    "spiral": lambda: _spiral(4),
    "circle of many corners": lambda: shapely.Polygon(ring(2_000)),
    "star of many points": lambda: shapely.Polygon(ring(400, inner=25.0)),
    "coast": lambda: shapely.Polygon(
        ring(500) * (1 + 0.2 * np.sin(np.arange(501) * 1.7) * (np.arange(501) < 500))[:, None]
    ),
}
"""Shapes in metres around a point, by what is wrong with them or odd."""


def _binary(*parts: tuple[str, Any]) -> bytes:
    return b"".join(struct.pack("<" + form, value) for form, value in parts)


def _points(points: Sequence[tuple[float, float]]) -> bytes:
    return struct.pack("<I", len(points)) + b"".join(struct.pack("<dd", *point) for point in points)


def _unmade(place: Place) -> dict[str, bytes]:
    """Well-known binary of shapes that no geometry library makes."""
    ring = [(place.x + x * place.east, place.y + y * place.north) for x, y in _COORDS]
    start = _binary(("B", 1), ("I", 3))
    closed = struct.pack("<I", 1) + _points(ring)
    curve = _binary(("B", 1), ("I", 8)) + _points([ring[0], ring[1], ring[2], ring[3], ring[0]])
    triangle = _binary(("B", 1), ("I", 17), ("I", 1)) + _points([ring[0], ring[1], ring[2], ring[0]])
    nan = math.nan
    count = struct.pack("<I", len(ring))

    def deep(code: int, *rest: float) -> bytes:
        """The square with more than two numbers for each corner, by the codes of ISO 13249-3."""
        corners = b"".join(struct.pack(f"<{2 + len(rest)}d", *corner, *rest) for corner in ring)
        return _binary(("B", 1), ("I", code), ("I", 1)) + count + corners

    return {
        "polygon with heights that are none": deep(1003, nan),
        "polygon with endless heights": deep(1003, math.inf),
        "polygon with measures": deep(2003, 7.0),
        "polygon with both": deep(3003, 7.0, 9.0),
        "polygon with neither": deep(3003, nan, nan),
        "no coordinate is a number": start + struct.pack("<I", 1) + _points([(nan, nan)] * 4),
        "points, one of them none": _binary(("B", 1), ("I", 4), ("I", 2))
        + b"".join(_binary(("B", 1), ("I", 1), ("d", x), ("d", y)) for x, y in ((nan, nan), ring[0])),
        "open ring": start + struct.pack("<I", 1) + _points(ring[:-1]),
        "ring of two points": start + struct.pack("<I", 1) + _points(ring[:2]),
        "ring of no points": start + struct.pack("<I", 1) + _points([]),
        "line of one point": _binary(("B", 1), ("I", 2)) + _points(ring[:1]),
        "circle as a curve": _binary(("B", 1), ("I", 10), ("I", 1)) + curve,
        "polygons as a surface": _binary(("B", 1), ("I", 15), ("I", 1)) + start + closed,
        "triangle": triangle,
        "triangles": _binary(("B", 1), ("I", 16), ("I", 1)) + triangle,
    }


UNMADE: tuple[str, ...] = tuple(_unmade(PLACES["metres"]))

GOOD: Mapping[str, Any] = {
    "good-1": _BOX(-1500, -1500, -1440, -1460),
    "good-2": _BOX(-1400, -1500, -1372, -1488),
    "good-3": _BOX(-1300, -1500, -1260, -1470) - _BOX(-1280, -1485, -1260, -1470),
    "good-4": shapely.affinity.rotate(_BOX(-1200, -1500, -1150, -1478), 31, origin=(-1200, -1500)),
}
"""Buildings that nothing is wrong with, far from the others; in metres."""
GOOD_FACTS: Mapping[str, Sequence[Any]] = {
    "roof_family": ["panelized_wood", "plate_truss_pitched", "plate_truss_flat", "panelized_hybrid"],
    "height_ft": [24.0, 18.0, 20.0, 30.0],
}


@dataclass(frozen=True, slots=True)
class Bad:
    """A layer: shapes as well-known binary (None is none), columns of as many cells, and its place."""

    place: Place
    shapes: tuple[bytes | None, ...]
    columns: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    kinds: tuple[str, ...] = ()

    def beside_good(self, *, bad: bool = True) -> Bad:
        """The same layer with the good buildings before, or those alone."""
        good = [shapely.to_wkb(self.place.put(shape)) for shape in GOOD.values()]
        mine = self.shapes if bad else ()
        columns: dict[str, list[Any]] = {"building_id": [*GOOD]}
        columns |= {name: list(cells) for name, cells in GOOD_FACTS.items()}
        for name in columns:
            own = list(self.columns.get(name, [None] * len(self.shapes)))
            columns[name] += own if bad else []
        if "building_id" not in self.columns and bad:
            columns["building_id"] = [*GOOD, *(f"bad-{row}" for row in range(len(mine)))]
        for name, cells in self.columns.items():
            if name not in columns:
                columns[name] = [None] * len(good) + (list(cells) if bad else [])
        return Bad(self.place, (*good, *mine), columns, self.kinds)


def binary_of(name: str, place: Place, *, by: tuple[float, float] = (0.0, 0.0), turn: float = 0.0) -> Any:
    """A shape of `SHAPES` or `UNMADE` at a place, moved by metres and turned, as well-known binary."""
    moved = replace(place, x=place.x + by[0] * place.east, y=place.y + by[1] * place.north)
    if name in UNMADE:
        return _unmade(moved)[name]
    with np.errstate(invalid="ignore", over="ignore"):
        return _made(SHAPES[name](), moved, turn)


def _made(shape: Any, place: Place, turn: float) -> bytes | None:
    if shape is None:
        return None
    if turn and not shapely.is_empty(shape) and np.isfinite(shapely.get_coordinates(shape)).all():
        shape = shapely.affinity.rotate(shape, turn, origin=(0, 0))
    return bytes(shapely.to_wkb(place.put(shape)))


@st.composite
def layers(draw: st.DrawFn, most: int = 8, shapes: Sequence[str] = (*SHAPES, *UNMADE)) -> Bad:
    """Some shapes, on a lattice or on top of each other, at one place."""
    place = PLACES[draw(st.sampled_from(list(PLACES)))]
    kinds = draw(st.lists(st.sampled_from(list(shapes)), min_size=1, max_size=most))
    step = draw(st.sampled_from([0.0, 30.0, 200.0]))
    turn = draw(st.sampled_from([0.0, 0.0, 90.0, 17.3]))
    return Bad(
        place,
        tuple(binary_of(kind, place, by=(step * row, 0.0), turn=turn) for row, kind in enumerate(kinds)),
        {},
        tuple(kinds),
    )


RESERVED = (
    "building_id",
    "Building_ID",
    "geometry",
    "Geometry",
    "geom",
    "fid",
    "FID",
    "ogc_fid",
    "id",
    "ID",
    "index",
    "level_0",
    "section_id",
    "row",
    "record",
    "key",
    "date",
    "basis",
    "wkb_geometry",
    "kept",
    "problem",
    "name",
    "names",
    "other_tags",
)
"""Column names that mean something, to us or to a library."""
_SCRIPTS = st.sampled_from(
    [
        "Höhe",
        "高さ",
        "ارتفاع المبنى",
        "גובה",
        "ความสูง",
        "ऊँचाई",
        "Zo\u0308e",
        "e\u0301\u0301\u0301\u0301",
        "🔥🏠",
        "👨\u200d👩\u200d👧",
        "\u200b",
        "\u202eabc",
        "\ufeff",
        "a\u00a0b",
        "tab\there",
        "line\nbreak",
        "carriage\rreturn",
        'quote"d',
        "apo's",
        "semi;colon",
        "com,ma",
        "back\\slash",
        "per%cent",
        "{brace}",
        "[bracket]",
        "`tick`",
        "--",
        "=1+1",
        " ",
        "  padded  ",
        "x" * 300,
        "\x7f",
        "\u0085",
        "ﬁ",
        "İ",
        "ß",
        "NULL",
        "nan",
        "None",
        "0",
        "-1",
    ]
)
names = st.one_of(
    _SCRIPTS,
    st.sampled_from(RESERVED),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=12),
)
"""Names and words in any script."""
cells = st.one_of(
    st.none(),
    names,
    st.integers(-(2**70), 2**70),
    st.integers(-3, 3000),
    st.floats(width=64),
    st.booleans(),
    st.sampled_from(
        [
            "1e999",
            "-0",
            "0x10",
            "1_000",
            "1,5",
            "½",
            "٣",
            "²",
            "९",
            "1e3",
            "\u0662\u0660\u0662\u0664-\u0660\u0661-\u0660\u0661",
            "9999999999999999999999",
            "yes",
            "Yes",
            "TRUE",
            "wahr",
            "oui",
            "y",
            "2024-02-30",
            "0000-00-00",
            "9999-12-31",
            "-0001-01-01",
            "1677-09-20",
            "2262-04-13",
            "99999-01-01",
            "2024-01-01T25:00",
            "2024-01-01T00:00:00+14:00",
            "2024-01-01 nonsense",
            "0001",
            "0000",
            "panelized_wood",
            "Unknown",
            "ABCD",
            "NNE",
            "12 ft",
            "12'",
            "{",
            '{"primary": 1}',
            '"a"=>"b"',
            "inf",
            "-inf",
            "nan",
            "<null>",
        ]
    ),
)
"""Cells of any kind."""
FIELDS = (
    "name",
    "address",
    "occupancy",
    "year_built",
    "storeys",
    "height_ft",
    "sprinklered",
    "parapet_ft",
    "roof_family",
    "framing_axis_deg",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "slope_deg",
    "ridge_deg",
    "downslope_deg",
    "roof_shape",
    "bearing_walls",
    "suspended_load",
    "date",
    "inspected_on",
    "inspect_by",
    "alert",
)


@st.composite
def tables(draw: st.DrawFn, keys: Sequence[Any], most: int = 6) -> dict[str, list[Any]]:
    """Columns of any name and content beside one of keys, which are some of the keys given and others."""
    count = draw(st.integers(1, 6))
    own = st.sampled_from([*keys, None])
    columns: dict[str, list[Any]] = {"key": draw(st.lists(own | cells, min_size=count, max_size=count))}
    called = draw(st.lists(st.one_of(st.sampled_from(FIELDS), names), min_size=1, max_size=most, unique=True))
    for name in called:
        if name != "key":
            columns[name] = draw(st.lists(cells, min_size=count, max_size=count))
    return columns


FORMATS = ("gpkg", "geojson", "parquet", "shp", "fgb")
"""Formats of layers, by the ends of their files' names."""
_DRIVERS = {"gpkg": "GPKG", "geojson": "GeoJSON", "shp": "ESRI Shapefile", "fgb": "FlatGeobuf"}


def write_layer(bad: Bad, file: Path) -> Path:
    """Write a layer in the format of the file's name.

    Raises
    ------
    Exception
        The format, or the library that writes it, does not take it: there is no such file then.
    """
    with warnings.catch_warnings():
        # What the writer says of strange shapes is not asked here.
        warnings.simplefilter("ignore")
        return _write_layer(bad, file)


def _write_layer(bad: Bad, file: Path) -> Path:
    end = file.suffix[1:]
    table = {name: _arrow(cells) for name, cells in bad.columns.items()}
    if end == "parquet":
        return _write_parquet(bad, table, file)
    if end == "geojson":
        return _write_geojson(bad, file)
    kind = "Polygon" if end == "shp" else "Unknown"
    fields = [np.array(_plain(cells), dtype=object) for cells in bad.columns.values()]
    pyogrio.raw.write(
        file,
        geometry=np.array(bad.shapes, dtype=object),
        field_data=[_uniform(cells) for cells in fields],
        fields=np.array(list(bad.columns), dtype=object),
        geometry_type=kind,
        crs=bad.place.crs,
        driver=_DRIVERS[end],
        layer="layer" if end == "gpkg" else None,
        encoding="UTF-8",
        **({"SPATIAL_INDEX": "NO"} if end in ("fgb", "gpkg") else {}),
    )
    return file


def write_table(columns: Mapping[str, Sequence[Any]], file: Path, *, twice: Sequence[str] = ()) -> Path:
    """Write a table as CSV, as a workbook or as Parquet; columns `twice` stand there twice."""
    frame = pd.DataFrame({name: pd.Series(list(cells), dtype=object) for name, cells in columns.items()})
    frame = pd.concat([frame, frame[list(twice)]], axis=1)
    if file.suffix == ".csv":
        frame.to_csv(file, index=False, encoding="utf-8")
    elif file.suffix == ".xlsx":
        # The format has no control characters.
        frame.columns = [_printable(name) for name in frame.columns]
        frame.map(_printable).to_excel(file, index=False)
    else:
        pq.write_table(pa.table({name: _arrow(cells) for name, cells in columns.items()}), file)
    return file


def _printable(cell: Any) -> Any:
    if isinstance(cell, str):
        return "".join(letter for letter in cell if ord(letter) >= 32 and letter not in "\ufffe\uffff")
    return str(cell) if isinstance(cell, int) and abs(cell) > 2**53 else cell


def _plain(cells: Sequence[Any]) -> list[Any]:
    return [None if cell is None else cell for cell in cells]


def _uniform(cells: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Cells of one type: numbers where all are, else text, None staying none."""
    stated = [cell for cell in cells if cell is not None]
    if stated and all(isinstance(cell, bool) for cell in stated) and len(stated) == len(cells):
        return np.array(cells, dtype=bool)
    if stated and all(isinstance(cell, int | float) and not isinstance(cell, bool) for cell in stated):
        return np.array([math.nan if cell is None else float(cell) for cell in cells])
    return np.array([None if cell is None else str(cell) for cell in cells], dtype=object)


def _arrow(cells: Sequence[Any]) -> pa.Array:
    uniform = _uniform(np.array(list(cells), dtype=object))
    return pa.array(uniform, from_pandas=uniform.dtype != object)


def _write_parquet(bad: Bad, table: dict[str, pa.Array], file: Path) -> Path:
    """GeoParquet 1.1 (https://geoparquet.org/releases/v1.1.0/): WKB and a text of metadata."""
    crs = CRS.from_user_input(bad.place.crs).to_json_dict()
    geo = {
        "version": "1.1.0",
        "primary_column": "shape",
        "columns": {"shape": {"encoding": "WKB", "geometry_types": [], "crs": crs}},
    }
    table = {name: cells for name, cells in table.items() if name != "shape"}
    whole = pa.table({**table, "shape": pa.array(bad.shapes, type=pa.binary())})
    pq.write_table(whole.replace_schema_metadata({"geo": json.dumps(geo)}), file)
    return file


def _write_geojson(bad: Bad, file: Path) -> Path:
    """By hand, as programs write it that know no rule: what is no number stands there as NaN."""
    features = []
    for row, binary in enumerate(bad.shapes):
        shape = None if binary is None else _legible(binary)
        properties = {name: _jsonable(cells[row]) for name, cells in bad.columns.items()}
        geometry = None if shape is None else _interface(shape)
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    crs = {"type": "name", "properties": {"name": bad.place.crs.replace("EPSG:", "urn:ogc:def:crs:EPSG::")}}
    document = {"type": "FeatureCollection", "crs": crs, "features": features}
    file.write_text(json.dumps(document, ensure_ascii=False), "utf-8")
    return file


def _legible(binary: bytes) -> Any:
    """The shape, or none where no library makes it."""
    try:
        with np.errstate(invalid="ignore"):
            return shapely.from_wkb(binary, on_invalid="ignore")
    except NotImplementedError:
        return None


def _interface(shape: Any) -> dict[str, Any]:
    if np.isfinite(shapely.get_coordinates(shape)).all():
        return dict(json.loads(shapely.to_geojson(shape)))
    return dict(shape.__geo_interface__)


def _jsonable(cell: Any) -> Any:
    return cell if cell is None or isinstance(cell, bool | int | float | str) else str(cell)
