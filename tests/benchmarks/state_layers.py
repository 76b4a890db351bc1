"""A made-up state of any number of buildings: the layers that a district file names.

In: a number of buildings, a seed, the share of roofs that somebody has looked at.
Out: GeoParquet and CSV files and the district file, EPSG:32613, made town by town: a town of ten thousand
    buildings is held at once, whatever the size of the state.

Sizes and shapes are those of real buildings, as quantiles and shares; the places are not. Fitted to:

- Ground areas, years, storeys, attached houses, units and arrays on roofs: 10,105 buildings of the tax roll
  of 2013 of the City of Cambridge (gross area by storeys, without condominium units), 10,827 outlines of
  rooftop mechanicals and 2,111 of rooftop solar on 13,116 parcels. City of Cambridge GIS, PDDL 1.0.
- Corners of an outline, how long it is for its width, how many shops touch a neighbour: 144 buildings of a
  dense quarter that the package momepy carries, corners after simplifying by a foot; OpenStreetMap
  contributors, ODbL 1.0.

Both are cities: a whole state has more houses apart, which cost less. Each building has a row in the roll,
with an address; three in ten roofs are surveyed unless another share is asked for (a choice).
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from roofplat.late import geo_metadata
from roofplat.wkb import points_wkb, polygons_wkb, segments_wkb
from tests.benchmarks.synthetic import CRS

__all__ = ["TOWN", "write_state"]

FloatArray = npt.NDArray[np.float64]

TOWN = 10_000
_FOOT_M = 0.3048
_A_ROW = 100
# Towns lie this far apart, on a grid with its south-west corner here.
_APART_M, _WEST_M, _SOUTH_M = 12_000.0, 250_000.0, 4_300_000.0
_QUANTILES = (0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.999)
_HOUSES = 0.767
# Ground area at those quantiles, and up to which all lie.
_HOUSE_FT2 = (400, 648, 839, 1033, 1403, 1859, 2426, 2925, 3446, 4793, 7606)
_OTHER_FT2 = (400, 680, 1183, 1561, 2289, 3521, 6972, 16288, 26766, 50352, 119037)
_LONGER = (1.0, 1.0, 1.01, 1.02, 1.06, 1.18, 1.39, 1.8, 2.08, 3.18, 3.81)
_HOUSE_YEAR = (1820, 1830, 1854, 1863, 1876, 1899, 1920, 1948, 1980, 1992, 2009)
_OTHER_YEAR = (1830, 1843, 1873, 1885, 1900, 1915, 1935, 1980, 1991, 2005, 2011)
_HOUSE_STOREYS = (0.074, 0.740, 0.186, 0.0, 0.0, 0.0)
_OTHER_STOREYS = (0.196, 0.309, 0.306, 0.089, 0.042, 0.058)
# Which share touches a neighbour; both neighbours count, so a gap is closed less often.
_HOUSE_TOUCHING, _OTHER_TOUCHING = 0.122, 0.93
# Jogs at the back and at the front for 4, 8, 12, 16, 20, 24 corners; None cuts off a corner: 6 of them.
_FORMS: tuple[tuple[int, int] | None, ...] = ((0, 0), None, (1, 0), (1, 1), (2, 1), (2, 2), (3, 2))
_FORM_SHARES = (0.19, 0.17, 0.37, 0.145, 0.065, 0.03, 0.03)
# Shares of buildings with units and with arrays, and how many of each there are then.
_WITH_UNITS, _UNITS, _WITH_ARRAYS, _ARRAYS = 0.10, 8, 0.043, 4
_UNIT_FT2, _ARRAY_FT2 = (2.0, 8.0, 178.0), (14.0, 112.0, 459.0)
_OTHER_USES = ("R-2", "B", "M", "E", "S-1", "A-3", "F-1")
_OTHER_USE_SHARES = (0.39, 0.24, 0.12, 0.10, 0.06, 0.05, 0.04)
# Roofs are a choice: nobody has counted them.
_HOUSE_ROOFS = ("plate_truss_pitched", "sawn_rafter_pitched")
_OTHER_ROOFS = ("panelized_wood", "sawn_joist_flat", "steel_joist_steel_deck", "metal_building")
_DISTRICT_FILE = """[district]
name = "A made-up state"
working_crs = "{crs}"
region = "east"

[footprints]
file = "footprints.parquet"
id = "building_id"

[[attributes]]
name = "county roll"
file = "roll.csv"
how = "key"
id = "building_id"
date = "2020-01-01"
columns = {{ address = "address", occupancy = "occupancy", year_built = "year_built", storeys = "storeys" }}

[[attributes]]
name = "roof surveys"
file = "surveys.csv"
how = "key"
id = "building_id"
basis = "surveyed"
date_column = "surveyed_on"
columns = {{ roof_family = "roof_family", roof_shape = "roof_shape" }}

[streets]
file = "streets.parquet"

[areas]
file = "areas.parquet"

[stations]
file = "stations.parquet"

[[obstacles]]
file = "obstacles.parquet"

[scenario]
prevailing_wind_from_deg = 250.0
{more}"""


def write_state(count: int, folder: Path, seed: int = 7, *, known: float = 0.3, more: str = "") -> Path:
    """Write the layers of a state, and the district file that names them.

    Parameters
    ----------
    count
        Number of buildings.
    folder
        Where to; made when it is missing.
    seed
        Same seed, same state. A larger state begins with the towns of a smaller one.
    known
        Share of the roofs whose family somebody has surveyed.
    more
        Further lines of the district file.

    Returns
    -------
    Path
        The district file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    towns = -(-count // TOWN)
    across = max(1, int(np.ceil(np.sqrt(towns))))
    with _Files(folder) as files:
        for town in range(towns):
            spot = np.array([_WEST_M + town % across * _APART_M, _SOUTH_M + town // across * _APART_M])
            random = np.random.default_rng([seed, 4, town])
            for name, table in _town(town, min(TOWN, count - town * TOWN), spot, random, known).items():
                files.put(name, table)
    path = folder / "district.toml"
    path.write_text(_DISTRICT_FILE.format(crs=CRS, more=more), "utf-8")
    return path


class _Files:
    """The files of a state while they grow."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._open = contextlib.ExitStack()
        self._writers: dict[str, Any] = {}

    def __enter__(self) -> _Files:
        return self

    def __exit__(self, *error: object) -> None:
        self._open.close()

    def put(self, name: str, table: pa.Table) -> None:
        if name not in self._writers:
            path = self._folder / name
            writer: Any = (
                pa_csv.CSVWriter(path, table.schema)
                if path.suffix == ".csv"
                else pq.ParquetWriter(path, table.schema, compression="zstd", compression_level=1)
            )
            self._writers[name] = self._open.enter_context(writer)
        self._writers[name].write_table(table)


@dataclass(frozen=True, slots=True)
class _Plots:
    """Buildings of a town before they are turned and moved, in feet; shape (n,) each.

    x, y
        South-west corner; the street runs south of it.
    wide, deep
        Along the street and away from it.
    row
        Which street.
    """

    x: FloatArray
    y: FloatArray
    wide: FloatArray
    deep: FloatArray
    house: npt.NDArray[np.bool_]
    row: npt.NDArray[np.int64]
    street_y: FloatArray
    street_long: FloatArray


def _town(
    town: int, count: int, spot: FloatArray, random: np.random.Generator, known: float
) -> dict[str, pa.Table]:
    """All layers of one town."""
    plots = _plots(count, random)
    place = _Place(spot, random.uniform(0.0, np.pi / 2))
    number = np.arange(town * TOWN, town * TOWN + count)
    ids = pa.array(np.char.add("B", np.char.zfill(number.astype(str), 9)))
    house = plots.house
    roll = {
        "building_id": ids,
        "address": _words(np.arange(count) % _A_ROW * 2 + 100, " ", _street_names(town, plots.row)),
        "occupancy": pa.array(np.where(house, "R-3", random.choice(_OTHER_USES, count, p=_OTHER_USE_SHARES))),
        "year_built": pa.array(_drawn(random, count, house, _HOUSE_YEAR, _OTHER_YEAR).astype(np.int64)),
        "storeys": pa.array(
            np.where(
                house,
                random.choice(6, count, p=_HOUSE_STOREYS),
                random.choice(6, count, p=_OTHER_STOREYS),
            )
            + 1
        ),
    }
    family = np.where(house, random.choice(_HOUSE_ROOFS, count), random.choice(_OTHER_ROOFS, count))
    form = np.where(house, random.choice(["gabled", "hipped"], count), "")
    seen = np.flatnonzero(random.random(count) < known)
    day = np.datetime64("2015-01-01") + random.integers(0, 3600, seen.size)
    surveys = {
        "building_id": ids.take(pa.array(seen)),
        "roof_family": pa.array(family[seen]),
        "roof_shape": pa.array(form[seen]),
        "surveyed_on": pa.array(day.astype("datetime64[D]")).cast(pa.string()),
    }
    low, high = plots.street_y.min() - 60.0, plots.street_y.max() + 400.0
    far = plots.street_long.max() + 60.0
    box = np.array([[-60.0, low], [far, low], [far, high], [-60.0, high], [-60.0, low]])
    name = pa.array([f"Town {town + 1}"])
    middle = place.of(np.array([[far / 2, plots.street_y[0] - 20.0]]))
    return {
        "footprints.parquet": _layer({"building_id": ids}, _outlines(plots, random, place), ["Polygon"]),
        "roll.csv": pa.table(roll),
        "surveys.csv": pa.table(surveys),
        "streets.parquet": _streets(town, plots, place),
        "areas.parquet": _layer(
            {"name": name}, polygons_wkb(place.of(box), np.array([0, 5]), np.array([0, 1])), ["Polygon"]
        ),
        "stations.parquet": _layer({"name": name}, points_wkb(*middle.T), ["Point"]),
        "obstacles.parquet": _things(plots, random, place),
    }


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a town lies and how it is turned."""

    spot: FloatArray
    turn: float

    def of(self, feet: FloatArray) -> FloatArray:
        """Feet in the town as metres of the CRS, shape (n, 2)."""
        sine, cosine = np.sin(self.turn), np.cos(self.turn)
        return np.asarray(self.spot + feet @ np.array([[cosine, sine], [-sine, cosine]]) * _FOOT_M)


def _plots(count: int, random: np.random.Generator) -> _Plots:
    """Side by side along the streets; houses have streets of their own."""
    rows = -(-count // _A_ROW)
    of_houses = np.arange(rows) < round(rows * _HOUSES)
    random.shuffle(of_houses)
    shape = (rows, _A_ROW)
    house = np.repeat(of_houses, _A_ROW).reshape(shape)
    area = _drawn(random, rows * _A_ROW, house.reshape(-1), _HOUSE_FT2, _OTHER_FT2).reshape(shape)
    longer = _at_quantiles(random.random(shape), _LONGER)
    turned = random.random(shape) < 0.5
    side = np.sqrt(area)
    wide = np.where(turned, side * np.sqrt(longer), side / np.sqrt(longer))
    deep = area / wide
    touching = np.where(house, _HOUSE_TOUCHING, _OTHER_TOUCHING)
    closed = random.random(shape) < 1.0 - np.sqrt(1.0 - touching)
    gap = np.where(closed, 0.0, random.uniform(6.0, 40.0, shape))
    x = np.cumsum(wide + gap, axis=1) - (wide + gap)
    setback = np.repeat(random.uniform(15.0, 30.0, rows), _A_ROW).reshape(shape)
    pitch = deep.max(axis=1) + setback[:, 0] + 60.0
    street_y = np.cumsum(pitch) - pitch
    y = street_y[:, None] + setback
    row = np.repeat(np.arange(rows), _A_ROW)
    flat = [part.reshape(-1)[:count] for part in (x, y, wide, deep, house, row)]
    return _Plots(*flat, street_y, (x + wide).max(axis=1))


def _outlines(plots: _Plots, random: np.random.Generator, place: _Place) -> pa.Array:
    """Outlines as WKB, their side walls straight, for neighbours may touch them."""
    count = plots.x.size
    form = random.choice(len(_FORMS), count, p=_FORM_SHARES)
    made, rows = [], []
    for number, jogs in enumerate(_FORMS):
        here = np.flatnonzero(form == number)
        ring = _ring(plots.wide[here], plots.deep[here], jogs, random)
        ring += np.stack([plots.x[here], plots.y[here]], axis=-1)[:, None, :]
        ring = np.concatenate([ring, ring[:, :1]], axis=1)
        corners = ring.shape[1]
        xy = place.of(ring.reshape(-1, 2))
        made.append(polygons_wkb(xy, np.arange(here.size + 1) * corners, np.arange(here.size + 1)))
        rows.append(here)
    return pa.concat_arrays(made).take(pa.array(np.argsort(np.concatenate(rows), kind="stable")))


def _ring(
    wide: FloatArray, deep: FloatArray, jogs: tuple[int, int] | None, random: np.random.Generator
) -> FloatArray:
    """Rings from the south-west corner, counter-clockwise, open, shape (n, corners, 2)."""
    zero = np.zeros_like(wide)
    if jogs is None:
        x, y = wide * random.uniform(0.55, 0.8, wide.size), deep * random.uniform(0.55, 0.8, wide.size)
        corners = ((zero, zero), (wide, zero), (wide, y), (x, y), (x, deep), (zero, deep))
        return np.stack([np.stack(corner, axis=-1) for corner in corners], axis=1)
    back, front = jogs
    points = [(zero, zero), *_jogs(front, wide, deep, zero, 1.0, random), (wide, zero), (wide, deep)]
    points += [(wide - x, y) for x, y in _jogs(back, wide, deep, deep, -1.0, random)]
    points.append((zero, deep))
    return np.stack([np.stack(point, axis=-1) for point in points], axis=1)


def _jogs(
    steps: int,
    wide: FloatArray,
    deep: FloatArray,
    level: FloatArray,
    inward: float,
    random: np.random.Generator,
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Corners of some notches in a wall, from its beginning to its end."""
    for step in range(steps):
        depth = inward * np.minimum(wide, deep) * random.uniform(0.05, 0.2, wide.size)
        first = wide * (step + random.uniform(0.15, 0.4, wide.size)) / steps
        last = wide * (step + random.uniform(0.6, 0.85, wide.size)) / steps
        yield from ((first, level), (first, level + depth), (last, level + depth), (last, level))


def _streets(town: int, plots: _Plots, place: _Place) -> pa.Table:
    """A street south of each row, from crossing to crossing."""
    rows, pieces = plots.street_y.size, 10
    share = np.arange(pieces + 1) / pieces
    x = plots.street_long[:, None] * share
    y = np.broadcast_to(plots.street_y[:, None], x.shape)
    start, end = (
        place.of(np.stack([x[:, cut], y[:, cut]], axis=-1).reshape(-1, 2))
        for cut in (slice(None, -1), slice(1, None))
    )
    names = _street_names(town, np.repeat(np.arange(rows), pieces))
    return _layer({"name": names}, segments_wkb(*start.T, *end.T), ["LineString"])


def _things(plots: _Plots, random: np.random.Generator, place: _Place) -> pa.Table:
    """Units and arrays on some roofs, in the quarter that no form cuts away."""
    count = plots.x.size
    parts = []
    for kind, share, several, sizes in (
        ("unit", _WITH_UNITS, _UNITS, _UNIT_FT2),
        ("solar", _WITH_ARRAYS, _ARRAYS, _ARRAY_FT2),
    ):
        chosen = np.flatnonzero(random.random(count) < share)
        on = np.repeat(chosen, several)
        column = np.tile(np.arange(several) % 4, chosen.size)
        line = np.tile(np.arange(several) // 4, chosen.size) + (2 if kind == "solar" else 0)
        wide, deep = plots.wide[on] * 0.35 / 4, plots.deep[on] * 0.3 / 3
        area = np.interp(random.random(on.size), (0.05, 0.5, 0.95), sizes)
        half = np.minimum(np.sqrt(area), 0.8 * np.minimum(wide, deep)) / 2
        x = plots.x[on] + plots.wide[on] * 0.1 + (column + 0.5) * wide
        y = plots.y[on] + plots.deep[on] * 0.22 + (line + 0.5) * deep
        ring = [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
        corners = np.stack([np.stack(point, axis=-1) for point in (*ring, ring[0])], axis=1)
        xy = place.of(corners.reshape(-1, 2))
        shapes = polygons_wkb(xy, np.arange(on.size + 1) * 5, np.arange(on.size + 1))
        kinds = pa.array(np.full(on.size, kind), pa.string())
        parts.append(_layer({"kind": kinds}, shapes, ["Polygon"]))
    return pa.concat_tables(parts, promote_options="permissive")


def _layer(columns: dict[str, Any], shapes: pa.Array, kinds: list[str]) -> pa.Table:
    """Columns and shapes as GeoParquet has them."""
    table = pa.table({**columns, "geometry": shapes})
    # No extent: the schema is written before the last town is made.
    return table.replace_schema_metadata({b"geo": geo_metadata(kinds, [np.nan] * 4, CRS)})


def _street_names(town: int, row: npt.NDArray[np.int64]) -> pa.Array:
    return _words("Row ", row + 1, f" of Town {town + 1} Street")


def _words(*parts: Any) -> pa.Array:
    """Texts, numbers and columns joined."""
    texts = [pa.scalar(part) if isinstance(part, str) else pa.array(part).cast(pa.string()) for part in parts]
    return pc.binary_join_element_wise(*texts, "")


def _drawn(
    random: np.random.Generator,
    count: int,
    house: npt.NDArray[np.bool_],
    houses: tuple[float, ...],
    others: tuple[float, ...],
) -> FloatArray:
    at = random.random(count)
    return np.where(house, _at_quantiles(at, houses), _at_quantiles(at, others))


def _at_quantiles(share: FloatArray, values: tuple[float, ...]) -> FloatArray:
    return np.interp(share, _QUANTILES, values)
