"""Make the demo district Mallow Bench: invented, on empty ground, with a few honest mistakes.

In: nothing; every draw comes from one fixed number.
Out: the files of `data/demo/` (all but `district.toml`, which is written by hand), or, from
    `layers()`, the same layers as frames.

The town is drawn in a plan of ground feet, x true east and y true north, and then carried into
UTM zone 11N with the convergence and the scale of the place. Run `python data/make_demo.py`.
"""

from __future__ import annotations

import json
import math
import os
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Proj, Transformer
from shapely import LineString, Point, Polygon, affinity, box

__all__ = ["MISTAKES", "PLACE", "layers", "main", "true_azimuth", "write"]

DRAW = 20417
CRS_PLAN = "EPSG:32611"
CRS_SECOND = "EPSG:3423"  # Nevada West, US survey feet
PLACE = (-118.88, 40.92)
ELEVATION_FT = 3910.0
FOOT_M = 0.3048
GEOD = Geod(ellps="WGS84")

# What is wrong on purpose, and where; the tests look each one up.
MISTAKES = {
    "footprints.gpkg": ("self-crossing outline", "one id twice"),
    "roll.csv": ("height as text", "impossible year", "keys of no building", "duplicate keys"),
    "survey.geojson": (
        "unknown roof family",
        "beam spacing of 200",
        "joist spacing of 0",
        "ridge and slope that contradict each other",
        "exact duplicate",
        "two surveys that disagree",
        "point outside every building",
        "point on a shared wall",
        "sounding that fits no member",
    ),
    "second.fgb": ("slope of 95 degrees",),
    "parcels.gpkg": ("slivers over the neighbours", "two sheds on one parcel", "years unlike the roll"),
    "obstacles.gpkg": ("unit outside every building", "line of unknown voltage"),
    "sections.geojson": ("ring not closed", "ring wound the wrong way", "Z values"),
}


OBSTACLE_LAYERS = (
    "units", "skylights", "smoke_vents", "hatches", "parapets", "solar", "overhead_lines", "hung",
)  # fmt: skip
GEOJSON_LAYERS = (
    "survey", "streets", "areas", "stations", "ground", "sections", "fire_walls", "expansion_joints", "fires",
)  # fmt: skip


class Draws:
    """Repeatable draws that rest on `random.Random.random` alone, which Python keeps stable."""

    def __init__(self, number: int) -> None:
        self._source = random.Random(number)

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self._source.random()

    def whole(self, low: int, high: int) -> int:
        return low + int((high - low + 1) * self._source.random())

    def one_of(self, choices: Sequence[Any]) -> Any:
        return choices[int(len(choices) * self._source.random())]

    def chance(self, share: float) -> bool:
        return self._source.random() < share


# --- shapes in feet, lower left corner at the origin -------------------------------------------


def rect(width: float, depth: float) -> Polygon:
    return box(0, 0, width, depth)


def ell(width: float, depth: float, cut_width: float, cut_depth: float) -> Polygon:
    return Polygon(
        [
            (0, 0),
            (width, 0),
            (width, depth - cut_depth),
            (width - cut_width, depth - cut_depth),
            (width - cut_width, depth),
            (0, depth),
        ]
    )


def cup(width: float, depth: float, gap_width: float, gap_depth: float) -> Polygon:
    left, right, floor = (width - gap_width) / 2, (width + gap_width) / 2, depth - gap_depth
    return Polygon(
        [
            (0, 0),
            (width, 0),
            (width, depth),
            (right, depth),
            (right, floor),
            (left, floor),
            (left, depth),
            (0, depth),
        ]
    )


def court(width: float, depth: float, hole_width: float, hole_depth: float) -> Polygon:
    x, y = (width - hole_width) / 2, (depth - hole_depth) / 2
    return Polygon(
        box(0, 0, width, depth).exterior, [box(x, y, x + hole_width, y + hole_depth).exterior.coords[::-1]]
    )


def comb(spine: float, depth: float, wing_width: float, wings: int) -> Polygon:
    """A long spine with wings to the north, as schools have."""
    step = (spine - wing_width) / (wings - 1)
    parts = [box(0, 0, spine, 80)] + [
        box(k * step, 0, k * step + wing_width, 80 + depth) for k in range(wings)
    ]
    return _polygon(shapely.union_all(parts))


def cross(width: float, depth: float, arm: float) -> Polygon:
    nave = box((width - arm) / 2, 0, (width + arm) / 2, depth)
    return _polygon(nave.union(box(0, depth * 0.55, width, depth * 0.55 + arm * 0.8)))


def tee(width: float, depth: float, wing_width: float, wing_depth: float) -> Polygon:
    """A house with a wing in the middle of its back."""
    left = (width - wing_width) / 2
    return _polygon(box(0, 0, width, depth).union(box(left, depth, left + wing_width, depth + wing_depth)))


def _polygon(shape: Any) -> Polygon:
    if not isinstance(shape, Polygon):
        raise TypeError(f"A part of the plan became a {shape.geom_type}.")
    return shape


# --- the town in the plan ------------------------------------------------------------------------


@dataclass(frozen=True)
class Building:
    """One building: its outline in the plan, and the truth that the sources know in part."""

    kind: str
    local: Polygon
    outline: Polygon
    corner: tuple[float, float]
    turn_deg: float
    """Clockwise turn of the building's own frame; its depth runs toward this true azimuth."""
    block: str
    family: str
    storeys: int = 1
    height_ft: float = 20.0
    year: int = 1980
    sprinklered: bool = False
    occupancy: str = "S"
    name: str = ""
    tags: frozenset[str] = frozenset()
    id: str = ""
    parcel: str = ""
    beams_along_depth: bool = True
    beam_ft: float = 20.0
    purlin_ft: float = 8.0
    joist_ft: float = 2.0
    framing_note: str = ""
    shape: str = "flat"
    """Form of the roof, as the house calls it."""
    slope_deg: float = 0.0
    ridge_runs: str = ""
    """Along or across the longer side; empty without a ridge that anyone could name."""
    falls_deg: float | None = None
    """True azimuth down a monopitch roof."""

    def at(self, shape: Any) -> Any:
        """A shape of the building's own frame, in the plan."""
        turned = affinity.rotate(shape, -self.turn_deg, origin=(0, 0))
        return affinity.translate(turned, *self.corner)

    @property
    def pitched(self) -> bool:
        return self.shape in {"gabled", "hipped", "monopitch"}

    @property
    def ridge_deg(self) -> float | None:
        """True azimuth of the ridge, 0 to 180."""
        if not self.ridge_runs:
            return None
        _, _, width, depth = self.local.bounds
        along_width = (width >= depth) == (self.ridge_runs == "along")
        return (self.turn_deg + (90 if along_width else 0)) % 180

    @property
    def rise_ft(self) -> float | None:
        """Eaves to the top of the roof; of wings of several widths nobody has measured it."""
        if not self.pitched:
            return 0.0
        if len(self.local.exterior.coords) != 5:
            return None
        _, _, width, depth = self.local.bounds
        run = max(width, depth) / 2 if self.ridge_runs == "across" else min(width, depth) / 2
        if self.shape == "monopitch":
            run = depth
        return run * math.tan(math.radians(self.slope_deg))


@dataclass
class Town:
    """Everything drawn in the plan."""

    draws: Draws
    buildings: list[Building] = field(default_factory=list)
    blocks: dict[str, tuple[Polygon, float]] = field(default_factory=dict)
    lots: list[tuple[Polygon, list[int]]] = field(default_factory=list)
    streets: list[tuple[str, LineString]] = field(default_factory=list)
    street_widths: list[float] = field(default_factory=list)


# Streets: name, width of the right of way, points in the plan.
WEST, EAST = -2200.0, 2180.0
COLUMNS = (-2200.0, -1470.0, -740.0, -10.0, 720.0, 1450.0)
ROWS = (620.0, 900.0, 1180.0, 1460.0, 1740.0)
PARK_COLUMNS = (-2200.0, -740.0, 720.0, 2180.0)
PARK_ROWS = (-420.0, -1160.0, -1900.0)
ROW_NAMES = ("Alder Way", "Birch Way", "Cedar Way", "Dogwood Way", "Elder Way")
COLUMN_NAMES = ("Quarry Road", "Wren Street", "Plover Street", "Heron Street", "Teal Street", "Avocet Street")
ARC_CENTRE, ARC_RADIUS = (1480.0, 640.0), 600.0


def _streets(town: Town) -> None:
    def add(name: str, width: float, *points: tuple[float, float]) -> None:
        town.streets.append((name, LineString(points)))
        town.street_widths.append(width)

    add("Lantern Avenue", 100, (WEST, 0), (EAST, 0))
    add("Copper Street", 60, (WEST, 320), (EAST, 320))
    for name, y in zip(ROW_NAMES, ROWS, strict=True):
        if y == 900:  # the school grounds interrupt this street
            add(name, 60, (COLUMNS[0], y), (COLUMNS[2], y))
            add(name, 60, (COLUMNS[3], y), (COLUMNS[5], y))
        else:
            add(name, 60, (COLUMNS[0], y), (EAST if y == 620 else COLUMNS[5], y))
    for name, x in zip(COLUMN_NAMES, COLUMNS, strict=True):
        add(name, 60, (x, -1900 if x == WEST else 0), (x, 1740))
    for name, y in zip(("Mill Road", "Kiln Road", "Depot Road"), PARK_ROWS, strict=True):
        add(name, 80, (WEST, y), (EAST, y))
    for name, x in zip(("Hopper Road", "Flywheel Road", "Ibis Road"), PARK_COLUMNS[1:], strict=True):
        add(name, 80, (x, 620 if x == EAST else 0), (x, -1900))
    angles = np.radians(np.linspace(0, 90, 19))
    arc = [
        (ARC_CENTRE[0] + ARC_RADIUS * math.cos(a), ARC_CENTRE[1] + ARC_RADIUS * math.sin(a)) for a in angles
    ]
    add("Crescent Drive", 50, (arc[0][0], 620), *arc, (1450, arc[-1][1]))


def _shed_facts(town: Town, shape: Polygon, tags: frozenset[str]) -> dict[str, Any]:
    draws = town.draws
    x0, y0, x1, y1 = shape.bounds
    width, depth = x1 - x0, y1 - y0
    family = "panelized_wood"
    drawn = draws.between(0, 1)
    if "panelized" not in tags:
        if drawn > 0.93:
            family = "panelized_hybrid"
        elif drawn > 0.86:
            family = "steel_joist_steel_deck"
        elif "metal" in tags:
            family = "metal_building"
    year = draws.whole(1962, 2008)
    return {
        "family": family,
        "year": year,
        "height_ft": float(draws.whole(16, 22) if min(width, depth) < 130 else draws.whole(22, 32)),
        "sprinklered": year > 1985 or (width * depth > 20000 and draws.chance(0.7)),
        "occupancy": draws.one_of(["S", "S", "F", "F", "B", "M"]),
        # Beams normally span the short way; the spacing is what the yards built that year.
        "beams_along_depth": depth <= width,
        "beam_ft": draws.one_of([20.0, 20.0, 24.0]) if year > 1975 else draws.one_of([16.0, 20.0]),
    }


def _add(
    town: Town,
    kind: str,
    block: str,
    shape: Polygon,
    corner: tuple[float, float],
    turn_deg: float = 0.0,
    tags: Iterable[str] = (),
    **facts: Any,
) -> int:
    """Put a building with its lower left corner at `corner` of the plan, turned clockwise."""
    tags = frozenset(tags)
    if kind == "shed":
        facts = {**_shed_facts(town, shape, tags), **facts}
    outline = affinity.translate(affinity.rotate(shape, -turn_deg, origin=(0, 0)), *corner)
    town.buildings.append(Building(kind, shape, outline, corner, turn_deg % 360, block, tags=tags, **facts))
    return len(town.buildings) - 1


# The industrial park: block, turn, anchor in the block, sheds as (u, v, shape, tags).
Shed = tuple[float, float, Polygon, str]
PARK: tuple[tuple[str, float, tuple[float, float], tuple[Shed, ...]], ...] = (
    (
        "A",
        0.0,
        (0, 0),
        (
            (40, 40, rect(400, 300), "panelized divided survey"),
            (500, 40, court(360, 300, 120, 90), "panelized survey skylights"),
            (930, 40, ell(380, 300, 190, 150), "panelized survey solar"),
            (40, 440, rect(200, 160), "survey"),
            (300, 440, rect(120, 160), ""),
            (428, 440, rect(150, 160), ""),
            (660, 440, rect(240, 150), "panelized survey"),
            (960, 440, rect(150, 150), "bowtie"),
            (1170, 440, rect(140, 150), ""),
        ),
    ),
    (
        "B",
        0.0,
        (0, 0),
        (
            *((40 + 60 * k, 40, rect(60, 80), "") for k in range(6)),
            *((40 + 60 * k, 128, rect(60, 80), "") for k in range(6)),
            *((470 + 80 * k, 40, rect(80, 120), "panelized sharedwall" if k == 1 else "") for k in range(4)),
            (880, 40, cup(420, 300, 160, 160), "panelized survey skylights"),
            *((40 + 120 * k, 290, rect(120, 200), "survey") for k in range(3)),
            (480, 250, rect(260, 180), "panelized survey solar"),
            (480, 490, rect(190, 120), ""),
            (700, 490, rect(160, 120), "metal"),
            (940, 430, rect(340, 180), "panelized survey hung"),
            *((40 + 120 * k, 540, rect(90, 80), "metal") for k in range(3)),
        ),
    ),
    (
        "C",
        17.0,
        (130, 350),
        (
            (0, 0, rect(240, 160), "panelized fire survey skylights"),
            (300, 0, rect(140, 160), "panelized survey"),
            (440, 0, rect(140, 160), ""),
            (640, 0, ell(260, 160, 120, 70), "panelized survey"),
            (0, 190, rect(200, 110), "panelized survey exception"),
            (230, 190, rect(120, 110), ""),
            (350, 190, rect(120, 110), ""),
            (478, 190, rect(160, 110), "sounding survey panelized"),
            (690, 190, rect(200, 110), ""),
        ),
    ),
    (
        "C",
        0.0,
        (0, 0),
        ((60, 50, rect(140, 100), ""), (230, 50, rect(140, 100), "metal"), (1180, 470, rect(140, 140), "")),
    ),
    (
        "D",
        33.5,
        (30, 345),
        (
            (0, 0, rect(120, 160), "panelized survey"),
            (120, 0, rect(120, 160), "survey"),
            (240, 0, rect(120, 160), ""),
            (400, 0, rect(160, 160), "panelized survey early"),
            (0, 200, rect(250, 90), ""),
            (290, 200, rect(260, 90), "panelized sounding survey"),
        ),
    ),
    (
        "D",
        33.5,
        (690, 320),
        (
            (0, 0, cup(280, 200, 100, 90), "panelized survey"),
            (330, 0, rect(180, 200), "panelized survey hung solar"),
            (0, 240, rect(230, 70), ""),
            (260, 240, rect(250, 70), ""),
        ),
    ),
    (
        "E",
        0.0,
        (0, 0),
        (
            *((40 + 260 * k, 40, rect(100, 140), "") for k in range(5)),
            *((140 + 260 * k, 40, rect(100, 140), "survey" if k % 2 else "") for k in range(5)),
            *((40 + 240 * k, 260, rect(180, 180), "") for k in range(4)),
            (1000, 250, rect(300, 190), "panelized survey firewall early hung"),
            (40, 500, rect(150, 120), ""),
            (198, 500, rect(150, 120), "survey"),
            (400, 500, rect(140, 120), "panelized survey exception"),
            (580, 500, rect(140, 120), ""),
            (760, 500, rect(120, 120), ""),
            (888, 500, rect(140, 120), "metal"),
            (1080, 500, rect(230, 120), "panelized survey sounding"),
        ),
    ),
    (
        "F",
        0.0,
        (0, 0),
        (
            (60, 120, rect(300, 400), "panelized fire survey firewall solar"),
            (450, 150, rect(250, 360), "panelized survey skylights"),
            (800, 60, rect(200, 240), "panelized survey disagree"),
            (800, 380, rect(200, 180), "panelized survey sounding"),
            (1090, 60, rect(100, 60), "metal survey"),
            (1220, 60, rect(90, 60), "metal"),
            (1090, 160, rect(100, 80), "metal"),
            (1220, 160, rect(90, 80), "metal"),
            (1080, 340, rect(230, 220), "panelized survey badfamily"),
        ),
    ),
)


def _industrial(town: Town) -> None:
    for k, block in enumerate("ABCDEF"):
        x, y = PARK_COLUMNS[k % 3] + 40, PARK_ROWS[k // 3 + 1] + 40
        turn = {"C": 17.0, "D": 33.5}.get(block, 0.0)
        town.blocks[block] = (box(x, y, x + 1380, y + 660), turn)
    for block, turn, (du, dv), sheds in PARK:
        x, y, *_ = town.blocks[block][0].bounds
        for u, v, shape, tags in sheds:
            at = affinity.translate(affinity.rotate(Point(u, v), -turn, origin=(0, 0)), x + du, y + dv)
            number = _add(town, "shed", block, shape, (at.x, at.y), turn, tags.split())
            shed = town.buildings[number]
            if "exception" in shed.tags:
                town.buildings[number] = replace(
                    shed,
                    beams_along_depth=not shed.beams_along_depth,
                    framing_note="beams seen along the long side",
                )


def _strip(
    town: Town, block: str, x: float, y: float, widths: Sequence[float], depth: float, *, anchor: float = 0
) -> None:
    """A row of shops wall to wall, with a deeper anchor store at its east end where asked."""
    draws = town.draws
    year = draws.whole(1955, 2002)
    height = float(draws.whole(14, 18))
    family = draws.one_of(["plate_truss_flat", "sawn_joist_flat", "wood_i_joist_flat"])
    for width in widths:
        _add(
            town,
            "shop",
            block,
            rect(width, depth),
            (x, y),
            family=family,
            year=year,
            height_ft=height,
            occupancy=draws.one_of(["M", "M", "B", "A"]),
        )
        x += width
    if anchor:
        _add(
            town,
            "shop",
            block,
            rect(anchor, depth),
            (x, y),
            tags=["big"],
            family="panelized_wood",
            year=year,
            height_ft=height + 6,
            occupancy="M",
            sprinklered=True,
            beams_along_depth=depth <= anchor,
        )


def _avenue(town: Town) -> None:
    draws = town.draws
    edges = (*COLUMNS, EAST)
    for k in range(6):
        right = edges[k + 1] - (40 if k == 5 else 30)
        town.blocks[f"N{k}"] = (box(edges[k] + 30, 50, right, 290), 0.0)
        town.blocks[f"M{k}"] = (box(edges[k] + 30, 350, right, 590), 0.0)
    for k in range(3):
        town.blocks[f"S{k}"] = (box(PARK_COLUMNS[k] + 40, -380, PARK_COLUMNS[k + 1] - 40, -50), 0.0)
    left = {name: land.bounds[0] for name, (land, _) in town.blocks.items()}
    # North of the avenue: car parks in front, shops at the back.
    _strip(town, "N0", left["N0"] + 40, 190, (24, 28, 24, 30, 28, 24, 28, 28), 80)
    _strip(town, "N1", left["N1"] + 40, 170, (60, 50, 50, 60), 100, anchor=180)
    _add(
        town,
        "deck",
        "N2",
        rect(260, 180),
        (left["N2"] + 40, 80),
        family="concrete_deck",
        storeys=4,
        height_ft=42.0,
        year=1998,
        occupancy="S",
        sprinklered=True,
        name="Lantern Parking Deck",
        tags=["survey"],
    )
    _strip(town, "N2", left["N2"] + 350, 190, (60, 70, 60, 60), 80)
    _strip(town, "N3", left["N3"] + 50, 80, (50, 50, 50), 90)
    _strip(town, "N3", left["N3"] + 300, 190, (36, 36, 30, 38, 38), 80)
    _strip(town, "N4", left["N4"] + 60, 180, (60, 50, 60, 50, 60, 60), 90, anchor=150)
    _add(
        town,
        "bowstring",
        "N5",
        rect(110, 140),
        (left["N5"] + 60, 90),
        family="bowstring_truss",
        year=1948,
        height_ft=18.0,
        occupancy="S",
        name="Avocet Garage",
        tags=["survey"],
    )
    _strip(town, "N5", left["N5"] + 260, 190, (60, 60, 70, 60, 60), 80)
    # Between Copper Street and Alder Way: apartments, a church, offices.
    for block in ("M0", "M3", "M4", "M5"):
        year = draws.whole(1968, 2012)
        for k in range(4):
            for y in (385, 505):
                if (block, k, y) in {("M3", 3, 385), ("M5", 0, 505)}:
                    continue
                shape = rect(120, 50) if k % 2 else ell(120, 56, 70, 12)
                _add(
                    town,
                    "apartments",
                    block,
                    shape,
                    (left[block] + 30 + 158 * k, y),
                    family="plate_truss_pitched",
                    storeys=3 if block == "M5" else 2,
                    height_ft=32.0 if block == "M5" else 21.0,
                    year=year,
                    occupancy="R-2",
                    sprinklered=year > 1995,
                )
    _add(
        town,
        "church",
        "M1",
        cross(110, 160, 50),
        (left["M1"] + 60, 390),
        family="heavy_timber",
        year=1931,
        height_ft=24.0,
        occupancy="A",
        name="Hollow Chapel",
        tags=["survey"],
    )
    _add(
        town,
        "office",
        "M1",
        rect(90, 60),
        (left["M1"] + 210, 400),
        family="sawn_rafter_pitched",
        year=1957,
        height_ft=14.0,
        occupancy="A",
        name="Chapel Hall",
    )
    for k, (width, depth) in enumerate(((130, 90), (110, 110))):
        _add(
            town,
            "office",
            "M1",
            rect(width, depth),
            (left["M1"] + 360 + 160 * k, 400),
            family="wood_i_joist_flat",
            storeys=2,
            height_ft=26.0,
            year=1991 + k,
            occupancy="B",
            sprinklered=True,
        )
    for k, (width, depth) in enumerate(((150, 100), (120, 120), (180, 90))):
        _add(
            town,
            "office",
            "M2",
            rect(width, depth),
            (left["M2"] + 40 + 215 * k, 410),
            family="steel_joist_steel_deck",
            storeys=2 + k % 2,
            height_ft=28.0 + 10 * (k % 2),
            year=1979 + 5 * k,
            occupancy="B",
            sprinklered=k > 0,
        )
    # South of the avenue: larger stores, a station.
    _add(
        town,
        "shop",
        "S0",
        rect(260, 200),
        (left["S0"] + 60, -330),
        tags=["survey", "big", "solar"],
        family="panelized_wood",
        year=1989,
        height_ft=24.0,
        occupancy="M",
        sprinklered=True,
        beam_ft=24.0,
        name="Bench Market",
    )
    _strip(town, "S0", left["S0"] + 320, -330, (60, 60, 70, 60), 110)
    _strip(town, "S0", left["S0"] + 700, -170, (50, 60, 60, 50, 60), 80)
    _strip(town, "S0", left["S0"] + 1080, -320, (80, 80), 120)
    _add(
        town,
        "station",
        "S1",
        ell(110, 90, 50, 30),
        (left["S1"] + 60, -190),
        family="sawn_joist_flat",
        year=1974,
        height_ft=18.0,
        occupancy="B",
        sprinklered=True,
        name="Fire Station 1",
        tags=["survey"],
    )
    _strip(town, "S1", left["S1"] + 260, -180, (60, 60, 60, 60), 90)
    _add(
        town,
        "shop",
        "S1",
        rect(220, 160),
        (left["S1"] + 620, -330),
        tags=["survey", "big", "badspacing"],
        family="panelized_wood",
        year=1977,
        height_ft=22.0,
        occupancy="A",
        beam_ft=20.0,
        name="Bench Rink",
    )
    _add(
        town,
        "bowstring",
        "S1",
        rect(90, 130),
        (left["S1"] + 930, -200),
        family="bowstring_truss",
        year=1952,
        height_ft=17.0,
        occupancy="A",
        name="Flywheel Lanes",
    )
    _strip(town, "S1", left["S1"] + 1090, -330, (70, 60, 70), 100)
    _strip(town, "S2", left["S2"] + 60, -190, (60, 50, 60, 60, 50, 60), 90, anchor=160)
    _add(
        town,
        "shop",
        "S2",
        ell(240, 200, 100, 80),
        (left["S2"] + 740, -330),
        tags=["survey", "big"],
        family="panelized_wood",
        year=1983,
        height_ft=23.0,
        occupancy="M",
        beam_ft=20.0,
        name="Mallow Hardware",
    )
    _strip(town, "S2", left["S2"] + 1080, -190, (60, 70, 60), 90)


def _school(town: Town) -> None:
    town.blocks["school"] = (box(-710, 650, -40, 1150), 0.0)
    facts: dict[str, Any] = {
        "family": "steel_joist_steel_deck",
        "occupancy": "E",
        "height_ft": 16.0,
        "year": 1966,
        "name": "Bench School",
    }
    _add(town, "school", "school", comb(300, 150, 60, 3), (-660, 700), tags=["survey"], **facts)
    _add(
        town,
        "school",
        "school",
        rect(130, 80),
        (-360, 700),
        **{
            **facts,
            "family": "panelized_wood",
            "height_ft": 28.0,
            "year": 1971,
            "name": "Bench School gymnasium",
            "beams_along_depth": True,
        },
    )
    _add(
        town,
        "school",
        "school",
        rect(180, 60),
        (-640, 1000),
        **{
            **facts,
            "family": "plate_truss_pitched",
            "year": 1994,
            "height_ft": 12.0,
            "sprinklered": True,
            "name": "Bench School annex",
        },
    )


def _house(town: Town, lot: Polygon, front: tuple[float, float], toward_deg: float, room_ft: float) -> None:
    """A house on a lot: `front` is the middle of the street edge, `toward_deg` points away from it."""
    draws = town.draws
    width, depth = round(draws.between(32, room_ft)), round(draws.between(28, 36))
    year = draws.whole(1938, 2016)
    family = "plate_truss_pitched" if year >= 1976 else "sawn_rafter_pitched"
    shape: Polygon = rect(width, depth)
    if draws.chance(0.3):
        shape = (
            ell(width, depth + 12, width - 20, 12) if draws.chance(0.5) else ell(width, depth + 10, 16, 10)
        )
    setback = draws.between(22, 28)
    radians = math.radians(toward_deg)
    away, across = (math.sin(radians), math.cos(radians)), (math.cos(radians), -math.sin(radians))

    def spot(right: float, back: float) -> tuple[float, float]:
        return (front[0] + across[0] * right + away[0] * back, front[1] + across[1] * right + away[1] * back)

    storeys = 2 if draws.chance(0.25) else 1
    house = _add(
        town,
        "house",
        "",
        shape,
        spot(-width / 2, setback),
        toward_deg,
        family=family,
        storeys=storeys,
        height_ft=10.0 * storeys + draws.whole(0, 2),
        year=year,
        occupancy="R-3",
        sprinklered=year > 2010,
    )
    members = [house]
    if draws.chance(0.08):
        garage = _add(
            town,
            "outbuilding",
            "",
            rect(20, 22),
            spot(room_ft / 2 - 20, 82),
            toward_deg,
            family="sawn_rafter_pitched",
            height_ft=9.0,
            year=year,
            occupancy="U",
        )
        members.append(garage)
    town.lots.append((lot, members))


def _homes(town: Town) -> None:
    for column in range(5):
        for row in range(4):
            if (column == 2 and row < 2) or (column, row) == (4, 3):  # the school; a park
                continue
            left, low = COLUMNS[column] + 35, ROWS[row] + 30
            for number in range(11):
                x = left + 60 * number
                if not town.draws.chance(0.17):
                    _house(town, box(x, low, x + 60, low + 110), (x + 30, low), 0.0, 44)
                if not town.draws.chance(0.17):
                    _house(town, box(x, low + 110, x + 60, low + 220), (x + 30, low + 220), 180.0, 44)
    for inner in (True, False):
        near, far = (ARC_RADIUS - 25, ARC_RADIUS - 135) if inner else (ARC_RADIUS + 25, ARC_RADIUS + 135)
        for number in range(13):
            low, high = 7 + 6 * number, 13 + 6 * number

            def on(radius: float, angle: float) -> tuple[float, float]:
                return (
                    ARC_CENTRE[0] + radius * math.cos(math.radians(angle)),
                    ARC_CENTRE[1] + radius * math.sin(math.radians(angle)),
                )

            middle = (low + high) / 2
            lot = Polygon([on(near, low), on(near, high), on(far, high), on(far, low)])
            azimuth = (90 - middle + (180 if inner else 0)) % 360
            # The lot's street edge is a chord: start the yard a little behind it.
            _house(town, lot, on(near + (-1 if inner else 1), middle), azimuth, 38)
    town.blocks["station"] = (box(1490, 660, 1650, 860), 0.0)
    _add(
        town,
        "station",
        "station",
        rect(80, 70),
        (1520, 700),
        family="plate_truss_flat",
        year=2006,
        height_ft=18.0,
        occupancy="B",
        sprinklered=True,
        name="Fire Station 2",
    )


# What stands out in the town, by building: what it is, and what of it the plan above leaves open.
CHARACTERS: dict[str, dict[str, Any]] = {
    "MB-0007": {"tags": "vents fenced"},
    "MB-0031": {"tags": "crowded look", "occupancy": "F"},
    "MB-0032": {"tags": "look"},
    "MB-0034": {"tags": "look"},
    "MB-0055": {"tags": "vents"},
    "MB-0069": {
        "name": "Mallow Mill, weave shed",
        "family": "sawtooth",
        "shape": "sawtooth",
        "slope_deg": 28.0,
        "beam_ft": 22.0,
        "year": 1924,
        "height_ft": 18.0,
        "occupancy": "F",
        "tags": "look",
    },
    "MB-0070": {
        "name": "Mallow Mill, spinning house",
        "family": "heavy_timber",
        "beam_ft": 16.0,
        "year": 1911,
        "storeys": 3,
        "height_ft": 34.0,
        "occupancy": "F",
        "tags": "look hatched",
    },
    "MB-0072": {
        "name": "Mallow Cold Store",
        "family": "concrete_deck",
        "beam_ft": 10.0,
        "year": 1969,
        "height_ft": 24.0,
        "tags": "look hatched vents",
    },
    "MB-0082": {"tags": "pond"},
    "MB-0090": {"tags": "look front"},
    "MB-0091": {"tags": "front"},
    "MB-0092": {"tags": "look front hatched"},
    "MB-0093": {"tags": "front"},
    "MB-0098": {"tags": "look hatched"},
    "MB-0103": {"tags": "hatched", "beam_ft": 10.0},
    "MB-0108": {"tags": "look hatched"},
    "MB-0109": {"tags": "look"},
    "MB-0111": {"tags": "look hatched"},
    "MB-0112": {"tags": "look nothing_apart"},
    "MB-0159": {"family": "timber_truss_pitched", "shape": "gabled", "slope_deg": 48.0, "joist_ft": 10.0},
    "MB-0160": {"outline": rect(90, 44), "tags": "look"},
    "MB-0161": {"tags": "look hatched"},
    "MB-0163": {"tags": "look hatched"},
    "MB-0166": {"tags": "high_front"},
    "MB-0184": {
        "kind": "lamella",
        "family": "lamella",
        "shape": "arched",
        "name": "Flywheel Rink",
        "year": 1938,
        "tags": "look",
    },
    "MB-0199": {"tags": "hatched joint"},
    "MB-0201": {"tags": "look bank wrong_ridge"},
}
# Houses that somebody looked at, by their number among the houses: array, yard, form of the outline.
HOUSES = {
    3: "look array_clear",
    9: "look tee",
    14: "look array_at_ridge pool",
    22: "look array_clear side_fence",
    27: "look tee side_fence",
    35: "look array_wall_to_wall",
    44: "look across",
    52: "look array_over_hip pool",
    60: "look array_clear pool",
    71: "tee pool",
    84: "look array_both_sides",
    95: "look hipped side_fence",
    103: "tee side_fence",
    120: "look array_at_ridge",
    140: "look side_fence",
    161: "look tee",
    180: "look array_over_hip",
    201: "tee side_fence",
}


def _roof_forms(town: Town, draws: Draws) -> None:
    """Say of every roof what it is: single buildings first, then slope and ridge of all pitched ones."""
    for number, building in enumerate(town.buildings):
        own = dict(CHARACTERS.get(building.id, {}))
        own["tags"] = building.tags | frozenset(own.get("tags", "").split())
        if "outline" in own:
            town.buildings[number] = building = _redrawn(building, own.pop("outline"))
        building = replace(building, **own)
        family = building.family
        if building.block == "M3" and building.kind == "apartments":
            building = replace(building, family="wood_i_joist_flat", storeys=3, height_ft=31.0)
        elif family == "panelized_hybrid":
            building = replace(building, beam_ft=40.0)
        elif family == "bowstring_truss":
            building = replace(building, shape="arched")
        elif family in {"metal_building", "steel_joist_steel_deck"}:
            building = replace(building, beam_ft=25.0 if family == "metal_building" else 40.0, purlin_ft=5.0)
        elif family == "sawn_joist_flat":
            building = replace(building, joist_ft=1.33)
        town.buildings[number] = building

    houses = [number for number, building in enumerate(town.buildings) if building.kind == "house"]
    for place, tags in HOUSES.items():
        house = town.buildings[houses[place]]
        _, _, width, depth = house.local.bounds
        if "tee" in tags:
            house = _redrawn(house, tee(width, min(depth, 30), 16, 12))
        elif "array" in tags:
            house = _redrawn(house, rect(width, min(depth, 34)))
        elif "across" in tags:
            house = _redrawn(house, rect(width, 28))
        town.buildings[houses[place]] = replace(house, tags=frozenset(tags.split()))

    for number, building in enumerate(town.buildings):
        if building.family not in {"plate_truss_pitched", "sawn_rafter_pitched"}:
            continue
        plain = len(building.local.exterior.coords) == 5
        truss = building.family == "plate_truss_pitched"
        # 4:12, 5:12 and 6:12 for trusses; rafters are steeper.
        slope = draws.one_of([18.4, 22.6, 22.6, 26.6] if truss else [22.6, 26.6, 33.7, 39.8])
        shape = draws.one_of(["gabled", "gabled", "hipped"])
        across, lean_to = draws.chance(0.12), draws.chance(0.4)
        if "array_over_hip" in building.tags or "hipped" in building.tags:
            shape = "hipped"
        elif building.tags & {"across", "array_clear", "array_at_ridge", "array_wall_to_wall"}:
            shape = "gabled"
        if building.kind == "outbuilding" and lean_to:
            building = replace(building, falls_deg=building.turn_deg, joist_ft=2.0)
            shape, slope = "monopitch", 9.5
        ridge = "along" if plain and shape != "monopitch" else ""
        if ridge and shape == "gabled" and building.kind == "house":
            sideways = across and not any(tag.startswith("array") for tag in building.tags)
            ridge = "across" if sideways or "across" in building.tags else ridge
        town.buildings[number] = replace(
            building,
            shape=shape,
            slope_deg=slope,
            ridge_runs=ridge,
            joist_ft=2.0 if truss or building.falls_deg is not None else 1.33,
        )


def _redrawn(building: Building, shape: Polygon) -> Building:
    """The same building with another outline, its lower left corner where it was."""
    redrawn = replace(building, local=shape)
    return replace(redrawn, outline=redrawn.at(shape))


def _divide(
    land: Polygon, outlines: dict[int, tuple[float, float, float, float]]
) -> list[tuple[Polygon, list[int]]]:
    """Cut land between buildings, through the widest gap; what no straight cut parts stays together."""
    if len(outlines) == 1:
        return [(land, list(outlines))]
    best: tuple[float, int, float] | None = None
    for axis in (0, 1):
        spans = sorted((bounds[axis], bounds[axis + 2]) for bounds in outlines.values())
        reach = spans[0][1]
        for low, high in spans[1:]:
            gap = low - reach
            if gap > -1e-6 and (best is None or gap > best[0] + 1e-6):
                best = (gap, axis, (low + reach) / 2)
            reach = max(reach, high)
    if best is None:
        return [(land, list(outlines))]
    _, axis, at = best
    x0, y0, x1, y1 = land.bounds
    first = box(x0 - 1, y0 - 1, at, y1 + 1) if axis == 0 else box(x0 - 1, y0 - 1, x1 + 1, at)
    lower = {key: bounds for key, bounds in outlines.items() if bounds[axis] + bounds[axis + 2] < 2 * at}
    upper = {key: bounds for key, bounds in outlines.items() if key not in lower}
    near, far = _polygon(land.intersection(first)), _polygon(land.difference(first))
    return _divide(near, lower) + _divide(far, upper)


def _parcels(town: Town) -> None:
    for block, (land, turn) in town.blocks.items():
        outlines = {
            k: affinity.rotate(building.outline, turn, origin=(0, 0)).bounds
            for k, building in enumerate(town.buildings)
            if building.block == block
        }
        for part, members in _divide(_polygon(affinity.rotate(land, turn, origin=(0, 0))), outlines):
            town.lots.append((affinity.rotate(part, -turn, origin=(0, 0)), members))


def _town() -> Town:
    town = Town(Draws(DRAW))
    _streets(town)
    _industrial(town)
    _avenue(town)
    _school(town)
    _homes(town)
    _parcels(town)
    for number, building in enumerate(town.buildings):
        town.buildings[number] = replace(building, id=f"MB-{number + 1:04d}")
    _roof_forms(town, Draws(DRAW + 2))
    return town


# --- from the plan to the ground -----------------------------------------------------------------


@dataclass(frozen=True)
class Onto:
    """Carries plan feet into UTM metres, true north staying true."""

    x: float
    y: float
    metres: float
    grid_north_deg: float

    def __call__(self, shape: Any) -> Any:
        turn = math.radians(self.grid_north_deg)  # a true azimuth t has the grid azimuth t - grid_north
        cos, sin = math.cos(turn) * self.metres, math.sin(turn) * self.metres
        return affinity.affine_transform(shape, [cos, -sin, sin, cos, self.x, self.y])

    def series(self, shapes: Sequence[Any], decimals: int = 2) -> gpd.GeoSeries:
        moved = np.array([self(shape) for shape in shapes], dtype=object)
        # Twice, so that a corner that two outlines share does not fall to both sides of a half.
        rounded = shapely.transform(moved, lambda points: np.round(np.round(points, 6), decimals))
        return gpd.GeoSeries(rounded, crs=CRS_PLAN)


def true_azimuth(x0: float, y0: float, x1: float, y1: float, crs: str = CRS_PLAN) -> float:
    """True azimuth in degrees, 0 to 360, from one projected point to another."""
    lon, lat = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform([x0, x1], [y0, y1])
    return float(GEOD.inv(lon[0], lat[0], lon[1], lat[1])[0]) % 360


def _onto() -> Onto:
    x, y = Transformer.from_crs("EPSG:4326", CRS_PLAN, always_xy=True).transform(*PLACE)
    factors = Proj(CRS(CRS_PLAN)).get_factors(*PLACE)
    mean_radius_m = (2 * GEOD.a + GEOD.b) / 3
    ground = 1 + ELEVATION_FT * FOOT_M / mean_radius_m
    return Onto(x, y, FOOT_M * factors.meridional_scale / ground, true_azimuth(x, y, x, y + 100))


def _lonlat(series: gpd.GeoSeries) -> gpd.GeoSeries:
    moved = series.to_crs("EPSG:4326")
    return gpd.GeoSeries(
        shapely.transform(moved.to_numpy(), lambda points: np.round(points, 7)), crs="EPSG:4326"
    )


def _frame(rows: Sequence[dict[str, Any]], geometry: gpd.GeoSeries) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(pd.DataFrame(list(rows)), geometry=geometry)


# --- the sources ---------------------------------------------------------------------------------


def _commercial(building: Building) -> bool:
    return building.kind not in {"house", "outbuilding"}


def _bowtie(shape: Polygon) -> Polygon:
    """A dock notch in the north wall with two corners taken in the wrong order."""
    x0, y0, x1, y1 = shape.bounds
    middle = (x0 + x1) / 2
    notch = [(middle + 10, y1), (middle - 10, y1 - 8), (middle + 10, y1 - 8), (middle - 10, y1)]
    return Polygon([(x0, y0), (x1, y0), (x1, y1), *notch, (x0, y1)])


def _footprints(town: Town, onto: Onto, draws: Draws) -> gpd.GeoDataFrame:
    houses = [k for k, building in enumerate(town.buildings) if building.kind == "house"]
    rows, shapes = [], []
    for number, building in enumerate(town.buildings):
        shapes.append(building.at(_bowtie(building.local)) if "bowtie" in building.tags else building.outline)
        # Two houses carry one id: the second was copied from the first and never renumbered.
        named = town.buildings[houses[40]] if number == houses[41] else building
        rows.append(
            {
                "bldg_id": named.id,
                "name": building.name or None,
                "height_m": round(building.height_ft * FOOT_M, 2) if draws.chance(0.2) else None,
            }
        )
    return _frame(rows, onto.series(shapes))


def _roll(town: Town, draws: Draws) -> pd.DataFrame:
    rows = []
    for building in town.buildings:
        if draws.chance(0.08) or building.kind == "outbuilding":
            continue
        rows.append(
            {
                "BLDG_ID": building.id,
                "USE": building.occupancy if draws.chance(0.95) else "",
                "YEAR": str(building.year) if draws.chance(0.85) else "",
                "STORIES": str(building.storeys) if draws.chance(0.9) else "",
                "SPRINKLERED": ("Y" if building.sprinklered else "N") if draws.chance(0.8) else "",
                "HEIGHT_FT": f"{building.height_ft:g}"
                if _commercial(building) and draws.chance(0.35)
                else "",
                "INSPECTED": f"{draws.whole(2016, 2025)}-{draws.whole(1, 12):02d}-{draws.whole(1, 28):02d}"
                if _commercial(building) and draws.chance(0.7)
                else "",
                "UPDATED": f"{draws.whole(2018, 2024)}-0{draws.whole(1, 9)}-15",
            }
        )
    rows[7] |= {"HEIGHT_FT": "18 ft"}
    rows[12] |= {"YEAR": "2917"}
    rows[30] |= {"BLDG_ID": f" {rows[30]['BLDG_ID'].lower()} "}
    for k in (20, 55, 90, 130):  # entered again later; the last two say something else
        again = {**rows[k], "UPDATED": "2025-03-15"}
        if k > 80:
            again["STORIES"] = "2" if rows[k]["STORIES"] != "2" else "1"
        rows.append(again)
    rows += [
        {**rows[3], "BLDG_ID": "MB-9001"},
        {**rows[4], "BLDG_ID": "MB-9002"},
    ]
    return pd.DataFrame(rows)


def _marshal() -> pd.DataFrame:
    """The fire marshal's list: what is inspected by another class than its occupancy's, or by a set date."""
    return pd.DataFrame(
        [
            ("MB-0072", "high", "", "ammonia in the cold plant"),
            ("MB-0081", "moderate", "", "solvents in the stock room"),
            ("MB-0123", "high", "", "paint is sprayed in the rear bay"),
            ("MB-0183", "", "2026-02-15", "before the season's last games"),
            ("MB-0184", "", "2025-11-30", "exit doors found chained"),
            ("MB-0117", "", "2026-03-31", "new stage"),
            ("MB-0034", "urgent", "", "welding next to foam"),  # a word that is no class
        ],
        columns=["BLDG_ID", "CLASS", "INSPECT_BY", "NOTE"],
    )


def _seen(building: Building) -> dict[str, Any]:
    """What a survey says of the members and the form of a roof that is not panelized."""
    family = building.family
    seen: dict[str, Any] = {}
    if family in {"sawtooth", "heavy_timber", "bowstring_truss", "concrete_deck", "metal_building"}:
        seen["beam_ft"] = 20.0 if family == "bowstring_truss" else building.beam_ft
    if family == "steel_joist_steel_deck":
        seen["purlin_ft"] = building.purlin_ft
    if family.endswith(("_flat", "_pitched")):
        seen["rafter_ft"] = building.joist_ft
    if building.shape != "flat":
        seen["shape"] = building.shape
    if building.slope_deg:
        seen["slope"] = building.slope_deg
    if building.ridge_deg is not None:
        seen["ridge_az"] = round(building.ridge_deg, 1)
    if building.falls_deg is not None:
        seen["falls_az"] = round(building.falls_deg, 1)
    return seen


def _survey(town: Town, onto: Onto, draws: Draws) -> gpd.GeoDataFrame:
    rows: list[dict[str, Any]] = []
    points: list[Point] = []

    def note(building: Building, point: Point, **changes: Any) -> None:
        flat = building.family.startswith("panelized")
        row: dict[str, Any] = dict.fromkeys(
            (
                "family",
                "beam_az",
                "beam_ft",
                "purlin_ft",
                "rafter_ft",
                "shape",
                "slope",
                "ridge_az",
                "falls_az",
                "deck",
                "panels",
                "parapet_ft",
                "hung",
                "bearing",
                "walk_az",
                "walk_ft",
                "height_ft",
                "surveyed",
                "note",
            )
        )
        row |= {
            "family": building.family,
            "height_ft": building.height_ft,
            "surveyed": f"{draws.whole(2017, 2025)}-{draws.whole(1, 12):02d}-{draws.whole(1, 28):02d}",
            "note": building.framing_note or None,
        }
        if flat or building.kind == "shop":
            row["parapet_ft"] = draws.one_of([1.0, 1.5, 2.0, 3.0, 4.0])
        if flat:
            ends = onto.series([building.at(LineString([(0, 0), (0, 100)]))], 6).iloc[0].coords
            depth_deg = true_azimuth(*ends[0], *ends[1])
            axis = round((depth_deg + (0 if building.beams_along_depth else 90)) % 180, 1) % 180
            row |= {"beam_az": axis, "beam_ft": building.beam_ft, "purlin_ft": 8.0, "rafter_ft": 2.0}
            row |= {"deck": "plywood", "panels": "standard" if building.year > 1970 else None}
            row["hung"] = True if "hung" in building.tags else (False if draws.chance(0.5) else None)
            row["bearing"] = "all" if draws.chance(0.3) else None
            if "early" in building.tags:
                row |= {"panels": "early_heavy", "deck": "plywood, double"}
            if "divided" in building.tags:
                row |= {"beam_az": None, "note": "two framings, see the drawn sections"}
            if "sounding" in building.tags:
                # A walk along the beams crosses purlins; a walk across them crosses beams.
                along = draws.chance(0.5)
                row |= {"beam_az": None, "bearing": None, "note": "felt underfoot only"}
                row |= {"beam_ft": None if along else building.beam_ft}
                row["walk_az"] = axis if along else round((axis + 90) % 180, 1)
                row["walk_ft"] = 8.0 if along else building.beam_ft
        rows.append(row | _seen(building) | changes)
        points.append(point)

    def inside(building: Building) -> Point:
        middle = building.outline.point_on_surface()
        return Point(middle.x + draws.between(-6, 6), middle.y + draws.between(-6, 6))

    for building in town.buildings:
        forced = "survey" in building.tags
        drawn = draws.chance(0.13) and _commercial(building)
        if not (forced or drawn) or "sharedwall" in building.tags or "sounding" in building.tags:
            continue
        if "badfamily" in building.tags:
            note(building, inside(building), family="panalised wood")
        elif "badspacing" in building.tags:
            note(building, inside(building), beam_ft=200.0)
        elif "disagree" in building.tags:
            note(building, inside(building), beam_ft=20.0, surveyed="2018-05-14")
            note(building, inside(building), beam_ft=24.0, parapet_ft=3.0, surveyed="2024-09-02")
        else:
            note(building, inside(building))
    tagged = [building for building in town.buildings if "sounding" in building.tags]
    for building in tagged[:-1]:
        note(building, inside(building))
    note(tagged[-1], inside(tagged[-1]))
    rows[-1] |= {"walk_ft": 13.0, "beam_ft": tagged[-1].beam_ft, "note": "about 13 ft underfoot, unsure"}
    shared = next(building for building in town.buildings if "sharedwall" in building.tags)
    note(shared, shared.at(Point(0, 60)), note="taken from the parapet between two units")
    # Looked at one by one, and written down in full.
    for building in town.buildings:
        if "look" not in building.tags:
            continue
        changes: dict[str, Any] = {}
        if "nothing_apart" in building.tags:
            changes = {"rafter_ft": 0.0}
        if "wrong_ridge" in building.tags:
            changes = {"falls_az": building.ridge_deg}
        note(building, inside(building), **changes)
    rows.append(dict(rows[4]))
    points.append(points[4])
    note(town.buildings[0], Point(-1720, -120), note="position not trusted")
    return _frame(rows, _lonlat(onto.series(points, 3)))


def _address(town: Town, lot: Polygon, taken: set[str]) -> str:
    """House number along the street that is nearest to the lot's centre: 2 in 20 ft, odd on the right."""
    lines = np.array([line for _, line in town.streets], dtype=object)
    centre = lot.centroid
    k = int(np.argmin(shapely.distance(lines, centre) - np.array(town.street_widths) / 2))
    name, line = town.streets[k]
    along = line.project(centre)
    foot, ahead = line.interpolate(along), line.interpolate(min(along + 1, line.length))
    behind = line.interpolate(max(along - 1, 0))
    right = (ahead.x - behind.x) * (centre.y - foot.y) - (ahead.y - behind.y) * (centre.x - foot.x) < 0
    # East of the school the numbers of the interrupted street go on.
    start = 100 + (int((line.coords[0][0] - WEST) / 10) if name == "Birch Way" else 0)
    number = start // 2 * 2 + 2 * int(along / 20) + int(right)
    while f"{number} {name}" in taken:
        number += 2
    taken.add(f"{number} {name}")
    return f"{number} {name}"


SHAPE_WORDS = {"gabled": "gable", "hipped": "hip"}
USES = {
    "shed": "warehouse",
    "shop": "retail",
    "house": "dwelling",
    "outbuilding": "dwelling",
    "apartments": "multifamily",
    "school": "school",
    "church": "church",
    "office": "office",
    "deck": "parking",
    "bowstring": "garage",
    "lamella": "rink",
    "station": "fire station",
}


def _parcel_frame(town: Town, onto: Onto, draws: Draws) -> gpd.GeoDataFrame:
    rows, shapes = [], []
    taken: set[str] = set()
    for number, (lot, members) in enumerate(town.lots):
        first = town.buildings[members[0]]
        year: int | None = first.year if draws.chance(0.9) else None
        if year is not None and draws.chance(0.015):
            year += draws.whole(3, 30)
        rows.append(
            {
                "parcel_id": f"P{number + 1:04d}",
                "address": _address(town, lot, taken),
                "year_built": year,
                "use": USES[first.kind],
                "roof": first.family
                if first.kind in {"house", "apartments"} and draws.chance(0.55)
                else None,
                "roof_shape": SHAPE_WORDS.get(first.shape)
                if first.kind == "house" and draws.chance(0.9) and len(members) == 1
                else None,
            }
        )
        shapes.append(lot)
    # Slivers left by an old boundary: a foot wide, most of it over the neighbour's land.
    tree = shapely.STRtree(np.array(shapes, dtype=object))
    strips = np.array([box(x1 - 0.4, y0 + 2, x1 + 0.6, y1 - 2) for _, y0, x1, y1 in shapely.bounds(shapes)])
    beside = shapely.transform(strips, lambda points: points + np.array([1.0, 0.0]))
    within, _ = tree.query(beside, predicate="within")
    for k in np.unique(within)[[120, 180, 240]]:
        rows.append(
            {
                "parcel_id": f"P{k + 1:04d}X",
                "address": None,
                "year_built": 1900,
                "use": "dwelling",
                "roof": None,
                "roof_shape": None,
            }
        )
        shapes.append(strips[k])
    frame = _frame(rows, onto.series(shapes))
    return frame.astype({"year_built": "Int64"})


def _height_tags(building: Building, told: bool, told_of_roof: bool) -> dict[str, float | None]:
    """Height of the whole building, and of its roof; where the latter lacks, nobody knows the edge's."""
    if not told or building.rise_ft is None:
        return {"height": None, "roof:height": None}
    whole, roof = (building.height_ft + building.rise_ft) * FOOT_M, building.rise_ft * FOOT_M
    return {"height": round(whole, 2), "roof:height": round(roof, 2) if told_of_roof and roof else None}


def _roof_tags(building: Building, draws: Draws) -> dict[str, Any]:
    """What a mapper wrote of a roof, in the words of OpenStreetMap; of most roofs a part of it."""
    tags: dict[str, Any] = dict.fromkeys(("roof:shape", "roof:angle", "roof:direction", "roof:orientation"))
    words = {"arched": "round", "monopitch": "skillion"}
    told = [draws.chance(share) for share in (0.6, 0.3, 0.35, 0.3)]
    other_side = draws.chance(0.5)
    if building.shape == "flat":
        return tags | ({"roof:shape": "flat"} if told[0] and told[1] else {})
    if not told[0]:
        return tags
    tags["roof:shape"] = words.get(building.shape, building.shape)
    if not building.pitched:
        return tags
    tags["roof:angle"] = building.slope_deg if told[1] else None
    ridge, falls = building.ridge_deg, building.falls_deg
    if ridge is not None and told[2]:
        falls = ridge + (270 if other_side else 90)
    tags["roof:direction"] = None if falls is None else str(round(falls % 360))
    if building.ridge_runs and told[3] and not told[2]:
        tags["roof:orientation"] = building.ridge_runs
    return tags


def _second(town: Town, onto: Onto, draws: Draws) -> gpd.GeoDataFrame:
    rows: list[dict[str, Any]] = []
    shapes: list[Any] = []
    forms = Draws(DRAW + 3)
    for building in town.buildings:
        if draws.chance(0.12):
            continue
        angle, metres = math.radians(draws.between(20, 70)), draws.between(0.5, 1.0)
        dx, dy = metres / FOOT_M * math.sin(angle), metres / FOOT_M * math.cos(angle)
        x0, y0, x1, y1 = building.local.bounds
        whole = building.local
        if building.kind in {"shop", "shed"} and draws.chance(0.1):
            half = (x0 + x1) / 2
            parts = [whole.intersection(box(x0, y0, half, y1)), whole.intersection(box(half, y0, x1, y1))]
        else:
            parts = [whole]
        for part in parts:
            rows.append(
                {
                    "uid": f"s{len(rows) + 1:04d}",
                    **_height_tags(building, draws.chance(0.85), forms.chance(0.8)),
                    "building:levels": building.storeys if draws.chance(0.6) else None,
                    **_roof_tags(building, forms),
                }
            )
            shapes.append(affinity.translate(building.at(part), dx, dy))
    for x, y in ((-1500, -250), (1000, 1500), (1260, 1530)):  # since torn down, or never built
        rows.append({"uid": f"s{len(rows) + 1:04d}", "height": 4.0, "building:levels": 1})
        shapes.append(box(x, y, x + 60, y + 40))
    # Nothing stands steeper than upright: somebody typed 95 for 35.
    next(row for row in rows if row["roof:angle"] == 33.7)["roof:angle"] = 95.0
    moved = onto.series(shapes, 6).to_crs(CRS_SECOND)
    rounded = gpd.GeoSeries(shapely.transform(moved.to_numpy(), lambda p: np.round(p, 2)), crs=CRS_SECOND)
    return _frame(rows, rounded).astype({"building:levels": "Int64"})


def _arrays_of(house: Building) -> list[Polygon]:
    """Solar arrays on a house: some leave the ways that the fire code wants, some do not."""
    _, _, width, depth = house.local.bounds
    middle = depth / 2
    south = 90 < house.turn_deg < 270  # then the far half of the house faces south

    def on_south(left: float, right: float, low: float, high: float) -> Polygon:
        """An array by its distance from both gables, from the eave and from the ridge."""
        if south:
            return box(left, middle + high, width - right, depth - low)
        return box(left, low, width - right, middle - high)

    if "array_clear" in house.tags:
        return [on_south(5, 5, 3, 4)]
    if "array_at_ridge" in house.tags:
        return [on_south(5, 5, 3, 0.3)]
    if "array_wall_to_wall" in house.tags:
        return [box(1, 2, width - 1, middle - 4), box(1, middle + 4, width - 1, depth - 2)]
    if "array_both_sides" in house.tags:
        return [box(5, 3, width - 5, middle - 3.2), box(5, middle + 3.2, width - 5, depth - 3)]
    if "array_over_hip" in house.tags:
        return [box(1.5, middle - 3, 6, middle + 3), on_south(8, 8, 1.5, 5)]
    return []


def _obstacles(town: Town, onto: Onto, draws: Draws) -> dict[str, gpd.GeoDataFrame]:
    taken: list[Polygon] = []
    found: dict[str, list[tuple[dict[str, Any], Any]]] = {
        "units": [],
        "skylights": [],
        "solar": [],
        "hung": [],
        "smoke_vents": [],
        "hatches": [],
        "parapets": [],
    }

    def free(building: Building, shape: Polygon, edge_ft: float) -> bool:
        if not building.local.buffer(-edge_ft).contains(shape) or any(
            shape.distance(other) < 4 for other in taken
        ):
            return False
        taken.append(shape)
        return True

    for building in town.buildings:
        _, _, width, depth = building.local.bounds
        for tag in ("front", "high_front"):
            if tag in building.tags:
                # Traced from a picture: a third of a foot outside the wall. Shops face south.
                high = {"height_ft": 9.0 if tag == "high_front" else 4.5, "note": "front"}
                found["parapets"].append((high, building.at(LineString([(0, -0.3), (width, -0.3)]))))
        for array in _arrays_of(building):
            found["solar"].append(({"note": "on a house"}, building.at(array)))
        taken.clear()
        if "hatched" in building.tags:
            # Beside the stairs, a few feet in from the back wall.
            spot = box(width / 2 - 2, depth - 14, width / 2 + 1, depth - 11)
            if free(building, spot, 4):
                found["hatches"].append(({"note": "scuttle"}, building.at(spot)))
        if building.kind in {"church", "deck", "apartments", "bowstring", "lamella", "house", "outbuilding"}:
            continue
        if "vents" in building.tags:
            for x in np.arange(30, width - 20, 60.0):
                for y in np.arange(36, depth - 20, 48.0):
                    spot = box(x, y, x + 4, y + 8)
                    if free(building, spot, 8):
                        found["smoke_vents"].append(({"note": None}, building.at(spot)))
        if "crowded" in building.tags:
            # Laid out for power alone: at the wall, too long, and too close to leave a way between.
            for y in (2.5, 42.0, 81.0):
                array = box(12, y, 172, y + 36)
                taken.append(array)
                found["solar"].append(({"note": "array"}, building.at(array)))
        if "solar" in building.tags:
            # On large roofs a crew can walk and cut between the rows; on the others it is a squeeze.
            step = 34 if width > 200 else 30
            for k in range(3):
                for left in (0.12, 0.56):
                    array = box(width * left, 16 + k * step, width * left + width * 0.3, 40 + k * step)
                    if free(building, array, 6):
                        found["solar"].append(({"note": "array"}, building.at(array)))
        skylit = "skylights" in building.tags or (building.kind == "shed" and draws.chance(0.25))
        if skylit and building.family == "panelized_wood":
            # Rows of 4 by 8 ft skylights, each between two purlins of the 8 ft module.
            across = width if not building.beams_along_depth else depth
            along = depth if not building.beams_along_depth else width
            for line in np.arange(40, along - 30, 60.0):
                for row in np.arange(24, across - 24, 48.0):
                    a0, p0 = line, 8 * round(row / 8) + 2
                    spot = box(a0, p0, a0 + 8, p0 + 4)
                    if not building.beams_along_depth:
                        spot = box(p0, a0, p0 + 4, a0 + 8)
                    if free(building, spot, 8):
                        found["skylights"].append(({"note": None}, building.at(spot)))
        wanted = max(1, min(8, int(building.local.area / 9000))) if draws.chance(0.75) else 0
        for _ in range(wanted):
            w, d = draws.one_of([(6, 8), (8, 8), (8, 12), (5, 6)])
            x, y = draws.between(8, width - 8 - w), draws.between(8, depth - 8 - d)
            unit = box(x, y, x + w, y + d)
            if free(building, unit, 7):
                found["units"].append(
                    ({"note": draws.one_of(["air handler", "exhaust fan", None])}, building.at(unit))
                )
        if "hung" in building.tags:
            for k in range(3):
                hook = Point(width * (0.25 + 0.25 * k), depth * 0.45)
                words = ("hoist rail", "spray booth", "unit heater")[k]
                found["hung"].append(({"kind": "suspended_load", "note": words}, building.at(hook)))
    found["units"].append(({"note": "skid in the yard"}, box(-1695, -960, -1687, -952)))
    frames = {
        name: _frame([row for row, _ in pairs], onto.series([shape for _, shape in pairs]))
        for name, pairs in found.items()
    }
    lines = (
        (69.0, "along Kiln Road", LineString([(-2200, -1112), (2180, -1112)])),
        (12.47, "along Copper Street", LineString([(-2200, 355), (1410, 355)])),
        (12.47, "behind the units of Depot Road", LineString([(-690, -1668), (670, -1668)])),
        (None, "in the alley, not marked", LineString([(-690, -996), (-300, -996)])),
    )
    frames["overhead_lines"] = _frame(
        [{"voltage_kv": kv, "note": note} for kv, note, _ in lines], onto.series([line for *_, line in lines])
    )
    return frames


def _ground(town: Town, onto: Onto) -> gpd.GeoDataFrame:
    """Ground on which no ladder can stand: a pond, pools, fences, a bank."""
    found: list[tuple[str, str | None, Any]] = []
    for building in town.buildings:
        _, _, width, depth = building.local.bounds
        if "pond" in building.tags:
            pond = box(width + 4, 60, width + 60, depth - 20).buffer(-12).buffer(12, quad_segs=3)
            found.append(("pond", "retention pond", building.at(pond)))
        if "pool" in building.tags:
            found.append(
                ("pool", None, building.at(box(width / 2 - 10, depth + 3, width / 2 + 8, depth + 15)))
            )
        if "side_fence" in building.tags:
            fence = LineString([(-3, 4), (-3, depth + 20), (width + 3, depth + 20), (width + 3, 4)])
            found.append(("fence", "boards, 6 ft", building.at(fence)))
        if "fenced" in building.tags:
            yard = LineString([(0, depth), (0, depth + 5), (width, depth + 5), (width, depth)])
            found.append(("fence", "chain link, locked", building.at(yard)))
        if "bank" in building.tags:
            found.append(
                ("embankment", "falls to the ditch", building.at(box(-10, depth + 2, width + 10, depth + 22)))
            )
    return _frame(
        [{"kind": kind, "note": note} for kind, note, _ in found],
        _lonlat(onto.series([shape for *_, shape in found], 3)),
    )


def _drawn(town: Town, onto: Onto) -> dict[str, gpd.GeoDataFrame]:
    def tagged(tag: str) -> list[Building]:
        return [building for building in town.buildings if tag in building.tags]

    divided = tagged("divided")[0]
    _, _, width, depth = divided.local.bounds
    ell_shed = next(b for b in tagged("solar") if len(b.local.exterior.coords) == 7)
    _, _, wide, deep = ell_shed.local.bounds
    # Drawn by hand over a picture: the edges overhang the outline by about a foot.
    # The wings meet in one line with the same corners on both sides.
    front = Polygon(
        [
            (-1, -1),
            (wide + 1, -1),
            (wide + 1, deep / 2 + 1),
            (wide / 2 + 1, deep / 2 + 1),
            (wide / 2 + 1, deep / 2),
            (-1, deep / 2),
        ]
    )
    pieces = (
        (divided, box(-1, -1, width / 2, depth + 1), 90.0, "west half, beams east to west"),
        (divided, box(width / 2, -1, width + 1, depth + 1), 0.0, "east half, beams north to south"),
        (ell_shed, front, 0.0, "front wing"),
        (ell_shed, box(-1, deep / 2, wide / 2 + 1, deep + 1), 90.0, "rear wing"),
    )
    sections = _frame(
        [{"beam_az": axis, "beam_ft": 20.0, "note": note} for _, _, axis, note in pieces],
        _lonlat(onto.series([building.at(shape) for building, shape, *_ in pieces], 3)),
    )
    walls = []
    for building in tagged("firewall"):
        _, _, w, d = building.local.bounds
        line = LineString([(0, d * 0.5), (w, d * 0.5)]) if d > w else LineString([(w * 0.6, 0), (w * 0.6, d)])
        walls.append(building.at(line))
    fires = [
        building.at(Point(building.local.bounds[2] * 0.62, building.local.bounds[3] * 0.36))
        for building in tagged("fire")
    ]
    school = tagged("joint")[0]
    return {
        "expansion_joints": _frame(
            [{"note": "covered joint, seen from the roof"}],
            _lonlat(onto.series([school.at(LineString([(90, 0), (90, 80)]))], 3)),
        ),
        "ground": _ground(town, onto),
        "sections": sections,
        "fire_walls": _frame([{"note": "fire wall"} for _ in walls], _lonlat(onto.series(walls, 3))),
        "fires": _frame([{"note": "stated fire spot"} for _ in fires], _lonlat(onto.series(fires, 3))),
    }


def layers() -> dict[str, Any]:
    """Every layer of the demo as a frame; `sections` without the slips that `write` puts into its rings."""
    town, onto, draws = _town(), _onto(), Draws(DRAW + 1)
    areas = (
        ("Kiln Yards", box(-2400, -2100, 2400, -420)),
        ("Lantern Row", box(-2400, -420, 2400, 620)),
        ("Alder Homes", box(-2400, 620, 2400, 1940)),
    )
    stations = [building for building in town.buildings if building.kind == "station"]
    return {
        "footprints": _footprints(town, onto, draws),
        "roll": _roll(town, draws),
        "marshal": _marshal(),
        "survey": _survey(town, onto, draws),
        "parcels": _parcel_frame(town, onto, draws),
        "second": _second(town, onto, draws),
        "streets": _frame(
            [{"name": name} for name, _ in town.streets],
            _lonlat(onto.series([line for _, line in town.streets], 3)),
        ),
        "areas": _frame(
            [{"name": name} for name, _ in areas], _lonlat(onto.series([shape for _, shape in areas], 3))
        ),
        "stations": _frame(
            [{"name": building.name} for building in stations],
            _lonlat(onto.series([building.outline.centroid for building in stations], 3)),
        ),
        **_obstacles(town, onto, draws),
        **_drawn(town, onto),
    }


# --- files ---------------------------------------------------------------------------------------


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def _slips(number: int, geometry: dict[str, Any]) -> None:
    """Three slips of a hand that draws: a ring left open, a ring wound clockwise, heights in the points."""
    ring = geometry["coordinates"][0]
    if number == 0:
        ring.pop()
    elif number == 1:
        ring.reverse()
    elif number == 2:
        geometry["coordinates"][0] = [[*point, 0.0] for point in ring]


def _write_geojson(path: Path, frame: gpd.GeoDataFrame, *, by_hand: bool = False) -> None:
    features = []
    columns = [name for name in frame.columns if name != frame.geometry.name]
    shapes = shapely.orient_polygons(frame.geometry.to_numpy())
    for number, (shape, values) in enumerate(
        zip(shapes, frame[columns].itertuples(index=False), strict=True)
    ):
        geometry = json.loads(shapely.to_geojson(shape))
        if by_hand:
            _slips(number, geometry)
        properties = {name: _plain(value) for name, value in zip(columns, values, strict=True)}
        features.append(json.dumps({"type": "Feature", "properties": properties, "geometry": geometry}))
    text = '{"type": "FeatureCollection", "features": [\n' + ",\n".join(features) + "\n]}\n"
    path.write_text(text, encoding="utf-8", newline="\n")


def write(folder: Path) -> None:
    """Write every layer to `folder`, replacing what is there."""
    made = layers()
    folder.mkdir(parents=True, exist_ok=True)
    # GeoPackage stamps its last change; a fixed stamp keeps the bytes the same.
    os.environ["OGR_CURRENT_DATE"] = "2025-01-01T00:00:00.000Z"
    packages = {
        "footprints.gpkg": {"buildings": "footprints"},
        "parcels.gpkg": {"parcels": "parcels"},
        "obstacles.gpkg": {name: name for name in OBSTACLE_LAYERS},
    }
    for file, names in packages.items():
        (folder / file).unlink(missing_ok=True)
        for layer, name in names.items():
            made[name].to_file(
                folder / file, layer=layer, driver="GPKG", engine="pyogrio", SPATIAL_INDEX="NO"
            )
    (folder / "second.fgb").unlink(missing_ok=True)
    made["second"].to_file(folder / "second.fgb", driver="FlatGeobuf", engine="pyogrio", SPATIAL_INDEX="NO")
    for name in ("roll", "marshal"):
        made[name].to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    for name in GEOJSON_LAYERS:
        _write_geojson(folder / f"{name}.geojson", made[name], by_hand=name == "sections")


def main() -> None:
    folder = Path(__file__).resolve().parent / "demo"
    write(folder)
    total = sum(path.stat().st_size for path in folder.iterdir())
    print(f"Wrote {len(list(folder.iterdir()))} files, {total / 1024:.0f} KiB, to {folder.name}/.")


if __name__ == "__main__":
    main()
