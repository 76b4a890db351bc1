"""Synthetic districts of any size for the benchmark and the property tests.

In: a number of buildings and a seed.
Out: the inventory's roofs, streets and obstacles in EPSG:32613.

Rectangles, L and U shapes, half of them turned; 30 to 120 ft long. Where pitched roofs are asked for,
that share of the buildings are houses instead: gable and hip, rectangles, L and T plans, 30 to 60 ft
long, their slope that of their family. Blocks of 20 by 10 plots along
named streets; every fifth building has a roof unit and a skylight, and a power line follows every
tenth street. Nothing here is a real place.
"""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from roofplat.tables import TABLES, conform

CRS = "EPSG:32613"
_FOOT_M = 0.3048
_PLOT_FT = 150.0
_U, _T = 2, 3
_ORIGIN = (480_000.0, 4_400_000.0)


def synthetic_roofs(
    count: int, seed: int = 7, *, pitched: float = 0.0
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Make roofs, streets and obstacles.

    Parameters
    ----------
    count
        Number of buildings, one section each; all but the houses `panelized_wood`.
    seed
        Same seed, same district.
    pitched
        Share of the buildings that are houses with a pitched roof, 0 to 1; the others stay the same.

    Returns
    -------
    roofs, streets, obstacles
    """
    random = np.random.default_rng(seed)
    columns = max(1, int(np.ceil(np.sqrt(count))))
    row, column = np.divmod(np.arange(count), columns)
    length = random.uniform(30.0, 120.0, count)
    width = length * random.uniform(0.5, 0.9, count)
    turn = np.where(random.random(count) < 0.5, 0.0, random.uniform(0.0, 180.0, count))
    shape = random.choice(3, count, p=[0.5, 0.3, 0.2])
    # Draws of their own, so that the other buildings are those of a district without houses.
    for_houses = np.random.default_rng([seed, 1])
    house = for_houses.random(count) < pitched
    length = np.where(house, for_houses.uniform(30.0, 60.0, count), length)
    width = np.where(house, length * for_houses.uniform(0.5, 0.9, count), width)
    shape = np.where(house & (shape == _U), _T, shape)
    truss, hipped = for_houses.random((2, count)) < 0.5

    corners = _shape_corners(length, width)
    sine, cosine = np.sin(np.radians(turn)), np.cos(np.radians(turn))
    # Two neighbours in three stand in the middle of their plot, the third near its edge.
    shift = np.where(np.arange(count) % 3 == 0, random.uniform(0.0, 20.0, count), 0.0)
    centre_x = _ORIGIN[0] / _FOOT_M + column * _PLOT_FT + shift
    centre_y = _ORIGIN[1] / _FOOT_M + row * _PLOT_FT
    polygons = []
    for kind in corners:
        here = shape == kind
        ring = corners[kind][here]
        x = ring[..., 0] * cosine[here, None] - ring[..., 1] * sine[here, None] + centre_x[here, None]
        y = ring[..., 0] * sine[here, None] + ring[..., 1] * cosine[here, None] + centre_y[here, None]
        polygons.append((np.flatnonzero(here), shapely.polygons(np.stack([x, y], axis=-1) * _FOOT_M)))
    geometry = np.empty(count, dtype=object)
    for places, made in polygons:
        geometry[places] = made

    roofs = pd.DataFrame(dict.fromkeys(TABLES["roofs"].columns, pd.NA), index=np.arange(count))
    identity = pd.Series(np.arange(count)).astype(str).str.zfill(7)
    roofs["building_id"] = "S" + identity
    roofs["section_id"] = "S" + identity + "/1"
    roofs["part"] = 1
    roofs["area_ft2"] = shapely.area(geometry) / _FOOT_M**2
    roofs["undivided_ft2"] = roofs["area_ft2"]
    roofs["roof_family"] = np.where(
        house, np.where(truss, "plate_truss_pitched", "sawn_rafter_pitched"), "panelized_wood"
    )
    roofs["roof_family_basis"] = "surveyed"
    roofs.loc[house, "roof_shape"] = np.where(hipped, "hipped", "gabled")[house]
    roofs.loc[house, "roof_shape_basis"] = "recorded"
    roofs["height_ft"] = np.round(random.uniform(16.0, 30.0, count), 1)
    roofs["height_ft_basis"] = "recorded"
    roofs["suspended_load"] = random.random(count) < 0.1
    roofs["suspended_load_basis"] = "surveyed"
    table = conform("roofs", gpd.GeoDataFrame(roofs, geometry=geometry, crs=CRS))

    rows_used = int(row.max()) + 1
    y = (_ORIGIN[1] / _FOOT_M + (np.arange(rows_used + 1) - 0.5) * _PLOT_FT) * _FOOT_M
    west = _ORIGIN[0] - _PLOT_FT * _FOOT_M
    east = _ORIGIN[0] + columns * _PLOT_FT * _FOOT_M
    # A street is drawn from crossing to crossing, as street layers are: five plots a piece.
    x = np.append(np.arange(west, east, 5 * _PLOT_FT * _FOOT_M), east)
    pieces = np.array([[[x0, level], [x1, level]] for level in y for x0, x1 in itertools.pairwise(x)])
    names = np.repeat([f"Row {number} Street" for number in range(y.size)], x.size - 1)
    streets = gpd.GeoDataFrame({"name": names}, geometry=shapely.linestrings(pieces), crs=CRS)
    return table, streets, _obstacles(table, y, west, east, random)


def _shape_corners(length: np.ndarray, width: np.ndarray) -> dict[int, np.ndarray]:
    """Corners of a rectangle, an L, a U and a T of the given size about the origin, in feet."""
    x0, x1 = -length / 2, length / 2
    y0, y1 = -width / 2, width / 2
    third, two_thirds = x0 + length * 0.4, x0 + length * 0.6
    middle = y0 + width * 0.45
    rings = {
        0: [(x0, y0), (x1, y0), (x1, y1), (x0, y1)],
        1: [(x0, y0), (x1, y0), (x1, middle), (two_thirds, middle), (two_thirds, y1), (x0, y1)],
        _U: [
            (x0, y0),
            (x1, y0),
            (x1, y1),
            (two_thirds + length * 0.08, y1),
            (two_thirds + length * 0.08, middle),
            (third - length * 0.08, middle),
            (third - length * 0.08, y1),
            (x0, y1),
        ],
        _T: [
            (x0, y0),
            (x1, y0),
            (x1, middle),
            (two_thirds, middle),
            (two_thirds, y1),
            (third, y1),
            (third, middle),
            (x0, middle),
        ],
    }
    return {
        kind: np.stack([np.stack(corner, axis=-1) for corner in ring], axis=1) for kind, ring in rings.items()
    }


def _obstacles(
    roofs: gpd.GeoDataFrame, street_y: np.ndarray, west: float, east: float, random: np.random.Generator
) -> gpd.GeoDataFrame:
    chosen = np.arange(0, len(roofs), 5)
    centre = shapely.get_coordinates(shapely.point_on_surface(roofs.geometry.to_numpy()[chosen]))
    half = random.uniform(3.0, 6.0, chosen.size) * _FOOT_M
    units = shapely.box(centre[:, 0] - half, centre[:, 1] - half, centre[:, 0] + half, centre[:, 1] + half)
    shift = 9.0 * _FOOT_M
    lights = shapely.box(
        centre[:, 0] - half + shift, centre[:, 1] - half, centre[:, 0] + half + shift, centre[:, 1] + half
    )
    beside = street_y[::10] + 20.0 * _FOOT_M
    lines = shapely.linestrings([[[west, level], [east, level]] for level in beside])
    frame = gpd.GeoDataFrame(
        {
            "building_id": [
                *roofs["building_id"].iloc[chosen],
                *roofs["building_id"].iloc[chosen],
                *[None] * len(lines),
            ],
            "kind": ["unit"] * chosen.size + ["skylight"] * chosen.size + ["overhead_line"] * len(lines),
            "voltage_kv": [np.nan] * (2 * chosen.size) + [12.0] * len(lines),
            "height_ft": np.nan,
            "basis": "recorded",
            "note": None,
        },
        geometry=[*units, *lights, *lines],
        crs=CRS,
    )
    frame.insert(1, "obstacle_id", np.arange(len(frame)).astype(str))
    return conform("obstacles", frame)
