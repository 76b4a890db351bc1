"""Small roofs to frame and to plan, drawn in feet on a true-north plane.

In: polygons in ground feet east and north of a corner in UTM 13N, facts by column.
Out: the inventory's tables, and what framing and placing make of them.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import affinity

from roofplat.framing import Framing, frame_roofs
from roofplat.framing.axis import AxisResult, find_axis
from roofplat.framing.members import SectionFrames, section_frames
from roofplat.framing.outline import Outlines, outlines_of
from roofplat.framing.walls import Walls, straight_walls
from roofplat.ground import Ground
from roofplat.ground.local import local_planes
from roofplat.placing import Plan, place_plans
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import TABLES, conform

RULES = load_rulebook()
GROUND = Ground(0.3048)
UTM = CRS("EPSG:32613")
CORNER = (500_000.0, 4_400_000.0)


def rectangle(width: float, depth: float, *, west: float = 0.0, south: float = 0.0) -> shapely.Polygon:
    return shapely.box(west, south, west + width, south + depth)


def letter_l(size: float = 100.0, wing: float = 40.0) -> shapely.Polygon:
    """An L: a wing along the south and one along the west."""
    return shapely.Polygon([(0, 0), (size, 0), (size, wing), (wing, wing), (wing, size), (0, size)])


def letter_u(width: float = 120.0, depth: float = 80.0, wing: float = 40.0) -> shapely.Polygon:
    """A U, open to the north."""
    return shapely.Polygon(
        [
            (0, 0),
            (width, 0),
            (width, depth),
            (width - wing, depth),
            (width - wing, wing),
            (wing, wing),
            (wing, depth),
            (0, depth),
        ]
    )


def courtyard(width: float = 120.0, depth: float = 100.0, wing: float = 30.0) -> shapely.Polygon:
    outer = shapely.box(0, 0, width, depth)
    return shapely.difference(outer, shapely.box(wing, wing, width - wing, depth - wing))


def turned(shape: Any, azimuth_deg: float) -> Any:
    """The shape turned clockwise, so that what ran north runs along the azimuth."""
    return affinity.rotate(shape, -azimuth_deg, origin=(0, 0))


def in_crs(shapes: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER) -> Any:
    """Geometry in feet east and north of a corner to a CRS."""
    plane = local_planes(np.array([corner[0]]), np.array([corner[1]]), crs, GROUND)

    def move(points: Any) -> Any:
        every = np.zeros(len(points), dtype=int)
        return np.column_stack(plane.crs(points[:, 0], points[:, 1], every))

    return shapely.transform(np.asarray(shapes, dtype=object), move)


def in_feet(shapes: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER) -> Any:
    """Geometry in a CRS to feet east and north of a corner."""
    plane = local_planes(np.array([corner[0]]), np.array([corner[1]]), crs, GROUND)

    def move(points: Any) -> Any:
        every = np.zeros(len(points), dtype=int)
        return np.column_stack(plane.feet(points[:, 0], points[:, 1], every))

    return shapely.transform(np.asarray(shapes, dtype=object), move)


def series(*shapes: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER) -> gpd.GeoSeries:
    return gpd.GeoSeries(list(in_crs(list(shapes), crs, corner)), crs=crs)


def outlines(*shapes: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER) -> Outlines:
    return outlines_of(series(*shapes, crs=crs, corner=corner), GROUND)


def walls(*shapes: Any) -> Walls:
    return straight_walls(outlines(*shapes), RULES)


def axis(*shapes: Any, **known: Any) -> AxisResult:
    """`find_axis` with 20 ft beams and 8 ft purlins and nothing known, unless it is given."""
    n = len(shapes)
    nothing = np.full(n, np.nan)
    facts: dict[str, Any] = {
        "given_deg": nothing,
        "given_basis": np.full(n, None, dtype=object),
        "walk_deg": nothing,
        "felt_spacing_ft": nothing,
        "beam_spacing_ft": np.full(n, 20.0),
        "purlin_spacing_ft": np.full(n, 8.0),
    }
    for name, values in known.items():
        kind: Any = {"given_basis": object, "lines_east_west": bool}.get(name, float)
        facts[name] = np.asarray(values, dtype=kind)
    return find_axis(outlines(*shapes), RULES, **facts)


def frames(
    *shapes: Any,
    azimuth: float = 0.0,
    beam: float = 20.0,
    purlin: float = 8.0,
    purlins_bear: bool = True,
    crs: CRS = UTM,
    corner: tuple[float, float] = CORNER,
) -> SectionFrames:
    n = len(shapes)
    return section_frames(
        outlines(*shapes, crs=crs, corner=corner),
        np.full(n, azimuth),
        np.full(n, beam),
        np.full(n, purlin),
        least_section_ft=RULES.number("member.least_section_ft"),
        purlins_bear=np.full(n, purlins_bear),
    )


def blank(table: str, rows: int) -> pd.DataFrame:
    """A table of which nothing is known yet, with every column that it has."""
    return pd.DataFrame(dict.fromkeys(TABLES[table].columns, pd.NA), index=range(rows))


def roofs(
    *shapes: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER, **facts: Any
) -> gpd.GeoDataFrame:
    """The inventory's roofs: panelized, 20 ft high, unless it is said otherwise."""
    n = len(shapes)
    frame = blank("roofs", n)
    identity = [f"B{number:03d}" for number in range(n)]
    area = [shape.area for shape in shapes]
    known = {
        "building_id": identity,
        "part": [1] * n,
        "area_ft2": area,
        "undivided_ft2": area,
        "roof_family": ["panelized_wood"] * n,
        "roof_family_basis": ["surveyed"] * n,
        "height_ft": [20.0] * n,
        "height_ft_basis": ["recorded"] * n,
        **facts,
    }
    for name, values in known.items():
        frame[name] = values
        if name in facts and f"{name}_basis" in frame and f"{name}_basis" not in facts:
            frame[f"{name}_basis"] = [None if pd.isna(value) else "surveyed" for value in values]
    frame["section_id"] = [
        f"{building}/{part}" for building, part in zip(frame["building_id"], frame["part"], strict=True)
    ]
    geometry = in_crs(list(shapes), crs, corner)
    return conform("roofs", gpd.GeoDataFrame(frame, geometry=geometry, crs=crs))


def streets(*lines: Any, names: Any = None, crs: CRS = UTM) -> gpd.GeoDataFrame:
    names = names if names is not None else [f"Street {number}" for number in range(len(lines))]
    return gpd.GeoDataFrame(
        {"name": pd.Series(names, dtype="str")},
        geometry=list(in_crs(list(lines), crs)) if lines else [],
        crs=crs,
    )


def obstacles(*rows: Any, crs: CRS = UTM, corner: tuple[float, float] = CORNER) -> gpd.GeoDataFrame:
    """Rows of (kind, building_id, shape) and, for a line, its voltage, for a parapet its height."""
    frame = blank("obstacles", len(rows)).assign(
        building_id=[row[1] for row in rows],
        obstacle_id=[str(number) for number in range(len(rows))],
        kind=[row[0] for row in rows],
        voltage_kv=[row[3] if len(row) > 3 and row[0] == "overhead_line" else np.nan for row in rows],
        height_ft=[row[3] if len(row) > 3 and row[0] == "parapet" else np.nan for row in rows],
        basis="recorded",
    )
    shapes = in_crs([row[2] for row in rows], crs, corner) if rows else []
    frame = gpd.GeoDataFrame(frame, geometry=list(shapes), crs=crs)
    return conform("obstacles", frame)


def fires(*rows: Any, crs: CRS = UTM) -> gpd.GeoDataFrame:
    """Rows of (building_id, point)."""
    return gpd.GeoDataFrame(
        {"building_id": pd.Series([row[0] for row in rows], dtype="str")},
        geometry=gpd.GeoSeries(list(in_crs([row[1] for row in rows], crs)) if rows else [], crs=crs),
        crs=crs,
    )


def framed(
    *shapes: Any, streets: gpd.GeoDataFrame | None = None, rules: Rulebook = RULES, **facts: Any
) -> Framing:
    made = roofs(*shapes, **facts)
    return frame_roofs(made, globals()["streets"]() if streets is None else streets, rules, GROUND)


def planned(
    roofs: gpd.GeoDataFrame,
    *,
    streets: gpd.GeoDataFrame | None = None,
    obstacles: gpd.GeoDataFrame | None = None,
    fires: gpd.GeoDataFrame | None = None,
    ground: gpd.GeoDataFrame | None = None,
    rules: Rulebook = RULES,
    wind_from_deg: Any = 270.0,
    workers: int = 1,
    outlines: gpd.GeoDataFrame | None = None,
    preferred: dict[str, str | None] | None = None,
    placed_ladders: gpd.GeoDataFrame | None = None,
) -> tuple[Framing, Plan]:
    made = globals()
    framing = frame_roofs(
        roofs, made["streets"](crs=roofs.crs) if streets is None else streets, rules, GROUND
    )
    plan = place_plans(
        framing,
        roofs,
        made["obstacles"](crs=roofs.crs) if obstacles is None else obstacles,
        made["fires"](crs=roofs.crs) if fires is None else fires,
        rules,
        wind_from_deg=wind_from_deg,
        wind_basis="given",
        streets=streets,
        ground=ground,
        workers=workers,
        outlines=outlines,
        preferred=preferred,
        placed_ladders=placed_ladders,
    )
    return framing, plan
