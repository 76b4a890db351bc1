"""A synthetic district with outlines like real ones, and everything a map shows of it.

In: a number of buildings and a seed.
Out: every table of a build, by the rooms themselves from roofs made up here; or the layers and the district
    file from which `roofplat build` makes them; EPSG:32613.

Outlines have 8 to 28 vertices, with jogs on all sides, half of them turned; some enclose a courtyard and
some come in two parts. Six in ten are houses with a pitched roof, the others shops and halls of
many families; the roof of every seventh nobody knows. Nothing here is a real place.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely

from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.inventory import estimate_odds
from roofplat.placing import audit_solar, place_plans
from roofplat.ranking import rank_buildings, survey_next
from roofplat.rules import load_rulebook
from roofplat.tables import ATTRIBUTES, BASES, TABLES, conform
from tests.benchmarks.synthetic import CRS

__all__ = ["synthetic_district", "synthetic_outlines", "write_district"]

FloatArray = npt.NDArray[np.float64]

_FOOT_M = 0.3048
_PLOT_FT = 150.0
_ORIGIN_FT = (480_000.0 / _FOOT_M, 4_400_000.0 / _FOOT_M)
# Jogs on the south, east, north and west side: one to six of them, 8 to 28 vertices.
_JOGS = (
    (1, 0, 0, 0),
    (0, 1, 0, 0),
    (1, 0, 1, 0),
    (1, 1, 0, 0),
    (2, 0, 1, 0),
    (1, 1, 1, 1),
    (2, 1, 1, 1),
    (2, 1, 2, 1),
)
_JOG_SHARES = (0.2, 0.15, 0.2, 0.15, 0.1, 0.1, 0.05, 0.05)
_FAMILIES = {
    "plate_truss_pitched": 0.35,
    "sawn_rafter_pitched": 0.25,
    "panelized_wood": 0.12,
    "sawn_joist_flat": 0.06,
    "steel_joist_steel_deck": 0.05,
    "metal_building": 0.02,
    "bowstring_truss": 0.01,
    "unknown": 0.14,
}
_PITCHED = ("plate_truss_pitched", "sawn_rafter_pitched")
_FACTS = ("address", "occupancy", "year_built", "storeys", "height_ft", "roof_family")
_AS_OF = datetime.date(2026, 1, 1)
_ROLL = ("name", "address", "occupancy", "year_built", "storeys", "height_ft", "sprinklered", "inspected_on")
_DISTRICT_FILE = """[district]
name = "{name}"
working_crs = "{crs}"
region = "west"

[footprints]
file = "footprints.gpkg"
id = "building_id"

[[attributes]]
name = "county roll"
file = "roll.csv"
how = "key"
id = "building_id"
date = "2020-01-01"
columns = {{ {roll} }}

[[attributes]]
name = "roof surveys"
file = "surveys.csv"
how = "key"
id = "building_id"
basis = "surveyed"
date_column = "surveyed_on"
columns = {{ roof_family = "roof_family", roof_shape = "roof_shape" }}

[streets]
file = "streets.gpkg"

[areas]
file = "areas.gpkg"

[stations]
file = "stations.gpkg"

[[obstacles]]
file = "obstacles.gpkg"

[[ground]]
file = "ground.gpkg"

[scenario]
prevailing_wind_from_deg = 250.0
"""


@dataclass(frozen=True, slots=True)
class _Made:
    """A district made up: what there is before anything is planned; working CRS.

    seen
        A day of each building, shape (n,).
    """

    buildings: gpd.GeoDataFrame
    roofs: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    yards: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    seen: pd.DatetimeIndex


def synthetic_outlines(
    count: int, seed: int = 7
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_], npt.NDArray[np.str_]]:
    """Make outlines, in ground feet about the middle of their plot.

    Returns
    -------
    outlines
        Polygons, with holes where there is a courtyard, shape (count,).
    two_parts
        Which of them have a second part beside them.
    families
        Roof family of each.
    """
    random = np.random.default_rng([seed, 2])
    family = random.choice(list(_FAMILIES), count, p=list(_FAMILIES.values()))
    house = np.isin(family, _PITCHED)
    length = np.where(house, random.uniform(30.0, 60.0, count), random.uniform(40.0, 120.0, count))
    width = length * random.uniform(0.5, 0.9, count)
    pattern = random.choice(len(_JOGS), count, p=_JOG_SHARES)
    shapes = np.empty(count, dtype=object)
    for number, jogs in enumerate(_JOGS):
        here = np.flatnonzero(pattern == number)
        shapes[here] = shapely.polygons(_ring(length[here], width[here], jogs, random))
    # A courtyard of a fifth of the size, in the middle.
    court = ~house & (length > 80.0) & (random.random(count) < 0.3)
    hole = shapely.box(-length / 10, -width / 10, length / 10, width / 10)
    shapes[court] = shapely.difference(shapes[court], hole[court])
    return shapes, random.random(count) < 0.05, family


def _ring(
    length: FloatArray, width: FloatArray, jogs: tuple[int, ...], random: np.random.Generator
) -> FloatArray:
    """Rings with some jogs on each side, counter-clockwise, shape (n, vertices, 2)."""
    least = np.minimum(length, width)
    points: list[FloatArray] = []
    x, y = length / 2, width / 2
    corners = ((-x, -y), (x, -y), (x, y), (-x, y))
    for side, steps in enumerate(jogs):
        start = np.stack(corners[side], axis=-1)
        run = np.stack(corners[(side + 1) % 4], axis=-1) - start
        inward = np.stack([-run[:, 1], run[:, 0]], axis=-1) / np.hypot(*run.T)[:, None]
        points.append(start)
        cuts = np.sort(random.uniform(0.0, 0.6, (len(length), 2 * steps)), axis=1)
        cuts = 0.2 + cuts * 0.8 + np.arange(2 * steps) * 0.02
        for jog in range(steps):
            depth = inward * (least * random.uniform(0.03, 0.12, len(length)))[:, None]
            first, last = (start + run * cuts[:, 2 * jog + end, None] for end in (0, 1))
            points += [first, first + depth, last + depth, last]
    return np.stack(points, axis=1)


def _at(shapes: Any, turn_deg: FloatArray, x_ft: FloatArray, y_ft: FloatArray) -> npt.NDArray[np.object_]:
    """Turn shapes, move them to their plots, and bring them from feet to metres."""
    shapes = np.array(shapes, dtype=object)
    points, row = shapely.get_coordinates(shapes, return_index=True)
    sine, cosine = np.sin(np.radians(turn_deg))[row], np.cos(np.radians(turn_deg))[row]
    east = points[:, 0] * cosine - points[:, 1] * sine + x_ft[row]
    north = points[:, 0] * sine + points[:, 1] * cosine + y_ft[row]
    moved: npt.NDArray[np.object_] = shapely.set_coordinates(
        shapes, np.stack([east, north], axis=-1) * _FOOT_M
    )
    return moved


def synthetic_district(count: int, seed: int = 7) -> dict[str, Any]:
    """Make a district of some buildings with standing plans, ranks, facts and places.

    Parameters
    ----------
    count
        Number of buildings.
    seed
        Same seed, same district.

    Returns
    -------
    dict
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations`.
    """
    rules, ground = load_rulebook(), Ground(_FOOT_M)
    made = _made(count, seed, "S")
    roofs, streets, obstacles, yards = made.roofs, made.streets, made.obstacles, made.yards
    buildings, family_odds = estimate_odds(made.buildings, roofs, "west", rules)
    framing = frame_roofs(roofs, streets, rules, ground)
    fires = gpd.GeoDataFrame({"building_id": pd.Series([], dtype="str")}, geometry=gpd.GeoSeries([], crs=CRS))
    plan = place_plans(
        framing, roofs, obstacles, fires, rules, wind_from_deg=250.0, wind_basis="assumed", streets=streets,
        ground=yards,
    )  # fmt: skip
    audit, _ = audit_solar(
        plan.sections, buildings, obstacles, framing.planes, framing.members, rules, ground
    )
    tables: dict[str, Any] = {
        "buildings": buildings,
        "sections": plan.sections,
        "walls": framing.walls,
        "planes": framing.planes,
        "members": framing.members,
        "obstacles": obstacles,
        "ground": yards,
        "ladders": plan.ladders,
        "paths": plan.paths,
        "checks": plan.checks,
        "openings": plan.openings,
        "cuts": plan.cuts,
        "trenches": plan.trenches,
        "collapse_zones": plan.collapse_zones,
        "solar_access": audit,
        "facts": _facts(buildings, made.seen),
        "family_odds": family_odds,
        "streets": streets,
        "areas": made.areas,
        "stations": made.stations,
    }
    known = {**tables, "roofs": roofs}
    tables["ranking"] = rank_buildings(known, rules, as_of=_AS_OF)
    tables["survey_next"] = survey_next({**known, "ranking": tables["ranking"]}, rules)
    return tables


def write_district(
    count: int, folder: Path, seed: int = 7, *, prefix: str = "S", name: str = "Synthetic district"
) -> Path:
    """Write the layers of a district of some buildings, and the district file that names them.

    Parameters
    ----------
    count, seed
        As for `synthetic_district`.
    folder
        Where to; made when it is missing.
    prefix
        What the ids of the buildings begin with.
    name
        Name of the district.

    Returns
    -------
    Path
        The district file.
    """
    made = _made(count, seed, prefix)
    folder.mkdir(parents=True, exist_ok=True)
    layers = {
        "footprints": made.buildings[["building_id", "geometry"]],
        "streets": made.streets,
        "areas": made.areas,
        "stations": made.stations,
        "obstacles": made.obstacles[["kind", "voltage_kv", "geometry"]],
        "ground": made.yards[["kind", "geometry"]],
    }
    for layer, frame in layers.items():
        pyogrio.write_dataframe(frame, folder / f"{layer}.gpkg")
    made.buildings[["building_id", *_ROLL]].to_csv(folder / "roll.csv", index=False)
    # All roofs whose family is known, so that most of them are opened: the plans that take longest.
    shapes = made.roofs.loc[made.roofs["part"] == 1, "roof_shape"].to_numpy()
    surveys = made.buildings[["building_id", "roof_family"]].assign(roof_shape=shapes, surveyed_on=made.seen)
    surveys[surveys["roof_family"] != "unknown"].to_csv(folder / "surveys.csv", index=False)
    path = folder / "district.toml"
    roll = ", ".join(f'{column} = "{column}"' for column in _ROLL)
    path.write_text(_DISTRICT_FILE.format(name=name, crs=CRS, roll=roll), "utf-8")
    return path


def _made(count: int, seed: int, prefix: str) -> _Made:
    """Outlines on their plots, what is known of each, and what stands around them."""
    random = np.random.default_rng([seed, 3])
    columns = max(1, int(np.ceil(np.sqrt(count))))
    row, column = np.divmod(np.arange(count), columns)
    x, y = _ORIGIN_FT[0] + column * _PLOT_FT, _ORIGIN_FT[1] + row * _PLOT_FT
    shapes, two, family = synthetic_outlines(count, seed)
    turn = np.where(random.random(count) < 0.5, 0.0, random.uniform(0.0, 180.0, count))
    east, north = shapely.bounds(shapes)[:, 2:].T
    annex = shapely.box(east + 8.0, -north, east + 28.0, -north + 22.0)
    main, annex = _at(shapes, turn, x, y), _at(annex, turn, x, y)
    outlines = main.copy()
    outlines[two] = shapely.multipolygons(np.stack([main[two], annex[two]], axis=1))
    ids = np.char.add(prefix, np.char.zfill(np.arange(count).astype(str), 7))
    surveyed = (family != "unknown") & (random.random(count) < 0.3)

    known = pd.DataFrame(dict.fromkeys(TABLES["buildings"].columns, pd.NA), index=np.arange(count))
    known["building_id"] = ids
    known["name"] = pd.Series(np.char.add("Hall ", ids)).where(random.random(count) < 0.05)
    known["address"] = [f"{100 + 2 * int(c)} Row {int(r)} Street" for r, c in zip(row, column, strict=True)]
    known["occupancy"] = np.where(
        np.isin(family, _PITCHED), "R-3", random.choice(["B", "M", "S-1", "F-1"], count)
    )
    known["year_built"] = random.integers(1900, 2024, count)
    known["storeys"] = random.integers(1, 4, count)
    known["height_ft"] = np.round(random.uniform(12.0, 36.0, count), 1)
    known["height_basis"] = random.choice(["recorded", "inferred"], count)
    known["sprinklered"] = random.random(count) < 0.2
    known["area_ft2"] = shapely.area(outlines) / _FOOT_M**2
    quarter = (row * 4 // (row.max() + 1)) * 4 + column * 4 // columns
    known["dispatch_area"] = np.char.add("Area ", (quarter + 1).astype(str))
    known["roof_family"] = family
    known["family_basis"] = np.where(
        surveyed, "surveyed", np.where(family == "unknown", "assumed", "inferred")
    )
    seen = pd.Timestamp("2015-01-01") + pd.to_timedelta(random.integers(0, 3600, count), unit="D")
    known["surveyed_on"] = pd.Series(seen).where(surveyed)
    known["inspected_on"] = pd.Series(seen).where(random.random(count) < 0.4)
    known["alert"] = pd.Series("Roof surveyed. Stay on bearing lines.", index=known.index).where(surveyed)
    buildings = conform("buildings", gpd.GeoDataFrame(known, geometry=outlines, crs=CRS))

    roofs = _roofs(buildings, main, annex, two, random)
    streets, areas, stations = _places(row, columns)
    obstacles, yards = _obstacles(main, ids, x, y, random), _yards(x, y, random)
    return _Made(buildings, roofs, obstacles, yards, streets, areas, stations, seen)


def _roofs(
    buildings: gpd.GeoDataFrame,
    main: Any,
    annex: Any,
    two: npt.NDArray[np.bool_],
    random: np.random.Generator,
) -> gpd.GeoDataFrame:
    """One section for each part of a building."""
    count = len(buildings)
    owner = np.concatenate([np.arange(count), np.flatnonzero(two)])
    part = np.where(np.arange(len(owner)) < count, 1, 2)
    order = np.lexsort([part, owner])
    geometry = np.concatenate([main, annex[two]])[order]
    owner, part = owner[order], part[order]
    held = buildings.iloc[owner].reset_index(drop=True)
    roofs = pd.DataFrame(dict.fromkeys(TABLES["roofs"].columns, pd.NA), index=np.arange(len(owner)))
    roofs["building_id"] = held["building_id"]
    roofs["section_id"] = held["building_id"] + "/" + pd.Series(part).astype(str)
    roofs["part"] = part
    roofs["area_ft2"] = roofs["undivided_ft2"] = shapely.area(geometry) / _FOOT_M**2
    roofs["roof_family"], roofs["roof_family_basis"] = held["roof_family"], held["family_basis"]
    pitched = held["roof_family"].isin(_PITCHED).to_numpy()
    roofs.loc[pitched, "roof_shape"] = random.choice(["gabled", "hipped"], len(owner))[pitched]
    roofs.loc[pitched, "roof_shape_basis"] = "recorded"
    for name in ("height_ft", "storeys", "address"):
        roofs[name] = held[name]
    roofs["height_ft_basis"] = held["height_basis"]
    return conform("roofs", gpd.GeoDataFrame(roofs, geometry=geometry, crs=CRS))


def _places(row: Any, columns: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Streets from crossing to crossing, sixteen areas, and a station in each fourth."""
    rows = int(row.max()) + 1
    west, south = (_ORIGIN_FT[0] - _PLOT_FT, _ORIGIN_FT[1] - _PLOT_FT)
    east, north = _ORIGIN_FT[0] + columns * _PLOT_FT, _ORIGIN_FT[1] + rows * _PLOT_FT
    x = np.append(np.arange(west, east, 5 * _PLOT_FT), east)
    y = _ORIGIN_FT[1] + (np.arange(rows + 1) - 0.5) * _PLOT_FT
    start = np.stack(np.meshgrid(x[:-1], y), axis=-1).reshape(-1, 2)
    end = np.stack(np.meshgrid(x[1:], y), axis=-1).reshape(-1, 2)
    names = np.repeat([f"Row {number} Street" for number in range(rows + 1)], len(x) - 1)
    lines = shapely.linestrings(np.stack([start, end], axis=1) * _FOOT_M)
    number = np.arange(16)
    wide, high = (east - west) / 4, (north - south) / 4
    left, bottom = west + number % 4 * wide, south + number // 4 * high
    boxes: Any = shapely.box(*(np.array([left, bottom, left + wide, bottom + high]) * _FOOT_M))
    places = [
        gpd.GeoDataFrame({"name": pd.Series(words, dtype="str")}, geometry=made, crs=CRS)
        for words, made in (
            (names, lines),
            ([f"Area {one + 1}" for one in number], boxes),
            ([f"Station {one + 1}" for one in range(4)], shapely.centroid(boxes[::5])),
        )
    ]
    return places[0], places[1], places[2]


def _obstacles(
    main: Any, ids: Any, x: FloatArray, y: FloatArray, random: np.random.Generator
) -> gpd.GeoDataFrame:
    """A unit and a skylight on every fifth roof, solar on every twelfth, lines along streets."""

    def boxes(chosen: Any, half_x: Any, half_y: Any, shift: float) -> Any:
        east, north = shapely.get_coordinates(shapely.point_on_surface(main[chosen])).T / _FOOT_M
        return shapely.box(
            *(
                np.array([east - half_x + shift, north - half_y, east + half_x + shift, north + half_y])
                * _FOOT_M
            )
        )

    every = np.arange(len(main))
    fifth, twelfth = every[::5], every[3::12]
    half = random.uniform(2.0, 4.0, fifth.size)
    level = np.unique(y)[::10] + 20.0 - _PLOT_FT / 2
    line: Any = shapely.linestrings(np.array([[[x.min(), at], [x.max(), at]] for at in level]) * _FOOT_M)
    kinds = ("unit", "skylight", "solar", "overhead_line")
    shapes: tuple[Any, ...] = (
        boxes(fifth, half, half, -6.0),
        boxes(fifth, half, half, 6.0),
        boxes(twelfth, 6.0, 4.0, 0.0),
        line,
    )
    frame = pd.DataFrame(
        {
            "building_id": [*ids[fifth], *ids[fifth], *ids[twelfth], *[None] * len(line)],
            "kind": np.repeat(np.array(kinds), [len(made) for made in shapes]),
            "basis": "recorded",
        }
    )
    frame["obstacle_id"] = np.arange(len(frame)).astype(str)
    frame["voltage_kv"] = np.where(frame["kind"] == "overhead_line", 12.0, np.nan)
    frame = frame.reindex(columns=list(TABLES["obstacles"].columns))
    return conform("obstacles", gpd.GeoDataFrame(frame, geometry=np.concatenate(shapes), crs=CRS))


def _yards(x: FloatArray, y: FloatArray, random: np.random.Generator) -> gpd.GeoDataFrame:
    """A fence behind every eighth building, a pool behind every twentieth."""
    fence, pool = slice(1, None, 8), slice(2, None, 20)
    ends = np.stack(
        [np.stack([x[fence] - 60, y[fence] + 68], -1), np.stack([x[fence] + 60, y[fence] + 68], -1)], 1
    )
    at_x, at_y = x[pool] + random.uniform(-40, 40, len(x[pool])), y[pool] + 60.0
    pools: Any = shapely.box(*(np.array([at_x - 12, at_y - 6, at_x + 12, at_y + 6]) * _FOOT_M))
    shapes = np.concatenate([shapely.linestrings(ends * _FOOT_M), pools])
    frame = pd.DataFrame(dict.fromkeys(TABLES["ground"].columns, pd.NA), index=np.arange(len(shapes)))
    frame["ground_id"] = np.arange(len(shapes)).astype(str)
    frame["kind"] = np.repeat(["fence", "pool"], [len(ends), len(pools)])
    frame["basis"] = "recorded"
    return conform("ground", gpd.GeoDataFrame(frame, geometry=shapes, crs=CRS))


def _facts(buildings: gpd.GeoDataFrame, seen: pd.DatetimeIndex) -> pd.DataFrame:
    """What a county roll says of every building."""
    parts = []
    for field in _FACTS:
        assert field in ATTRIBUTES
        basis = buildings.get({"height_ft": "height_basis", "roof_family": "family_basis"}.get(field, ""))
        parts.append(
            pd.DataFrame(
                {
                    "building_id": buildings["building_id"],
                    "field": field,
                    "value": buildings[field].astype("str"),
                    "basis": basis if basis is not None else BASES[1],
                    "date": seen,
                    "source": "county roll",
                    "current": True,
                }
            )
        )
    return pd.DataFrame(conform("facts", pd.concat(parts, ignore_index=True)))
