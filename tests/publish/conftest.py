"""Two small districts by hand: panelized roofs with full plans and hostile text; roofs of other families."""

from __future__ import annotations

import datetime
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
from pyproj import CRS, Transformer
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, affinity, box

from roofplat.ground import Ground, usng
from roofplat.inventory import estimate_odds
from roofplat.publish import Wind, write_maps
from roofplat.ranking import rank_buildings, survey_next
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform, empty, problem_rows

FOOT = 0.3048
WORKING_CRS = CRS("EPSG:32613")
# Open desert; the district is invented.
EAST, NORTH = 443_000.0, 3_722_000.0
HOSTILE = (
    '</script><img src=x onerror="window.hacked=1"><script>window.hacked=1</script>${window.hacked=1}\'"'
)
AS_OF = datetime.date(2026, 1, 1)
# A browser that asks for nothing by itself.
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# The page says so when its data are unpacked and it can be used.
READY = "body[data-ready=yes]"


def feet(shape: Any) -> Any:
    """A shape drawn in feet east and north of the corner of the district, in the working CRS."""
    scaled = affinity.scale(shape, FOOT, FOOT, origin=(0, 0))
    return affinity.translate(scaled, EAST, NORTH)


def make_table(name: str, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        pd.DataFrame(rows).reindex(columns=[*TABLES[name].columns, "geometry"]),
        geometry="geometry",
        crs=WORKING_CRS,
    )
    return conform(name, frame)


def with_odds(tables: dict[str, Any]) -> dict[str, Any]:
    """The tables with the odds of their roofs, ranked, and with the roofs to survey next."""
    rules = load_rulebook()
    buildings, odds = estimate_odds(tables["buildings"], None, "west", rules)
    made = {**tables, "buildings": buildings, "family_odds": odds}
    made["ranking"] = rank_buildings(made, rules, as_of=AS_OF)
    made["survey_next"] = survey_next(made, rules)
    return made


def lonlat(x_ft: float, y_ft: float) -> tuple[float, float]:
    point = feet(Point(x_ft, y_ft))
    lon, lat = Transformer.from_crs(WORKING_CRS, "EPSG:4326", always_xy=True).transform(point.x, point.y)
    return float(lon), float(lat)


def grid(x_ft: float, y_ft: float) -> str:
    import numpy as np

    lon, lat = lonlat(x_ft, y_ft)
    return str(usng(np.array([lon]), np.array([lat]))[0])


def shed_plan(building_id: str, x: float, y: float, basis: str) -> dict[str, list[dict[str, Any]]]:
    """The full plan of a panelized shed of 160 by 96 ft, beams every 20 ft across, purlins every 8 ft."""
    width, depth = 160.0, 96.0
    ids = {"building_id": building_id, "section_id": f"{building_id}-1"}
    corners = [(x, y), (x, y + depth), (x + width, y + depth), (x + width, y)]
    walls = []
    for number, (side, outward) in enumerate(zip("DCBA", (270, 0, 90, 180), strict=True)):
        start, end = corners[number], corners[(number + 1) % 4]
        walls.append(
            {
                **ids,
                "wall": number,
                "side": side,
                "kind": {"A": "bearing", "C": "bearing", "B": "nonbearing", "D": "party"}[side],
                "kind_basis": basis,
                "length_ft": LineString([start, end]).length,
                "azimuth_deg": (outward + 90) % 360,
                "outward_deg": outward,
                "clear_ground_ft": 0.0 if side == "D" else 40.0,
                "geometry": feet(LineString([start, end])),
            }
        )
    beams = [LineString([(x + 20 * k, y), (x + 20 * k, y + depth)]) for k in range(1, 8)]
    purlins = [LineString([(x, y + 8 * k), (x + width, y + 8 * k)]) for k in range(1, 12)]
    ladders = []
    for rank, side, base, tip in (
        (1, "A", (x + 140, y - 6), (x + 140, y)),
        (2, "B", (x + width + 6, y + 80), (x + width, y + 80)),
    ):
        lon, lat = lonlat(*base)
        ladders.append(
            {
                **ids,
                "rank": rank,
                "wall": 3,
                "side": side,
                "base_lon": lon,
                "base_lat": lat,
                "tip_lon": lonlat(*tip)[0],
                "tip_lat": lonlat(*tip)[1],
                "usng": grid(*base),
                "working_length_ft": 24.7,
                "ladder_ft": 28.0,
                "apparatus": "ground_ladder",
                "base_setback_ft": 6.2,
                "height_basis": basis,
                "score": 0.8,
                "rules": "ladder.base_share, ladder.stock_ft",
                "reasons": "Bearing wall, upwind, near a corner.",
                "geometry": feet(LineString([base, tip])),
            }
        )
    opening = box(x + 61, y + 41, x + 79, y + 47)
    second = box(x + 81, y + 41, x + 99, y + 47)
    method = "fold_back" if basis == "surveyed" else "center_rafter_louver"
    return {
        "sections": [
            {
                **ids,
                "roof_family": "panelized_wood",
                "family_basis": basis,
                "framing_axis_deg": 0.0,
                "axis_basis": basis,
                "axis_share": 1.0,
                "beam_spacing_ft": 20.0,
                "purlin_spacing_ft": 8.0,
                "rafter_spacing_ft": 2.0,
                "spacing_basis": basis,
                "area_ft2": width * depth,
                "planned": True,
                "fire_lon": lonlat(x + 66, y + 44)[0],
                "fire_lat": lonlat(x + 66, y + 44)[1],
                "fire_basis": "assumed" if basis == "inferred" else "given",
                "wind_from_deg": 270.0,
                "wind_basis": "assumed",
                "cut_method": method,
                "cut_method_why": "Panels are of the standard kind.",
                "geometry": feet(box(x, y, x + width, y + depth)),
            }
        ],
        "walls": walls,
        "members": [
            {
                **ids,
                "kind": kind,
                "count": len(parts),
                "spacing_ft": spacing,
                "basis": basis,
                "geometry": feet(MultiLineString(parts)),
            }
            for kind, parts, spacing in (("beam", beams, 20.0), ("purlin", purlins, 8.0))
        ],
        "ladders": ladders,
        "paths": [
            {
                **ids,
                "ladder_rank": 1,
                "length_ft": 88.0,
                "share_on_bearing": 1.0,
                "rules": "path.cost.beam",
                "why": "Along the beam from the first spot.",
                "geometry": feet(LineString([(x + 140, y), (x + 140, y + 40), (x + 100, y + 40)])),
            }
        ],
        "checks": [
            {
                **ids,
                "kind": "inspection_cut",
                "seq": 0,
                "cut_ft": 2.83,
                "geometry": feet(LineString([(x + 139, y + 4), (x + 141, y + 6)])),
            },
            {
                **ids,
                "kind": "indicator_hole",
                "seq": 1,
                "cut_ft": 2.0,
                "geometry": feet(Point(x + 140, y + 20)),
            },
            {
                **ids,
                "kind": "indicator_hole",
                "seq": 2,
                "cut_ft": 2.0,
                "geometry": feet(Point(x + 140, y + 40)),
            },
        ],
        "openings": [
            {
                **ids,
                "seq": seq,
                "method": method,
                "parts": 2,
                "length_ft": 18.0,
                "width_ft": 6.0,
                "area_ft2": 108.0,
                "wanted_ft2": 1536.0,
                "placed_ft2": 216.0,
                "short_ft2": 1320.0,
                "finish_toward_deg": 135.0,
                "usng": grid(x + 70, y + 44),
                "rules": "opening.hanger_clear_ft",
                "why": "In the bay nearest the fire spot.",
                "geometry": feet(shape),
            }
            for seq, shape in ((1, opening), (2, second))
        ],
        "cuts": [
            {
                **ids,
                "feature": "opening",
                "feature_seq": 1,
                "seq": 1,
                "kind": "head_cut",
                "saw": 1,
                "count": 1,
                "cut_ft": 6.0,
                "geometry": feet(MultiLineString([[(x + 61, y + 41), (x + 61, y + 47)]])),
            }
        ],
        "trenches": [
            {
                **ids,
                "method": "with_construction",
                "width_ft": 3.0,
                "length_ft": depth,
                "start_wall": 3,
                "from_fire_ft": 40.0,
                "saves_deg": 90.0,
                "usng": grid(x + 122, y),
                "rules": "trench.lead_ft",
                "why": "Along a beam, wall to wall.",
                "geometry": feet(box(x + 121, y, x + 124, y + depth)),
            }
        ],
    }


@pytest.fixture(scope="session")
def tables() -> dict[str, Any]:
    """All tables of the district, in the working CRS."""
    # The first shed has a courtyard wound the wrong way; the unknown one comes in two parts.
    shed = Polygon(box(0, 0, 160, 96).exterior.coords[::-1])
    court = Polygon(box(300, 0, 460, 96).exterior.coords, [box(310, 60, 340, 84).exterior.coords])
    parts = MultiPolygon([box(0, 250, 60, 300), box(90, 250, 140, 300)])
    odd = affinity.rotate(box(300, 250, 380, 300), 17)
    buildings = [
        {
            "building_id": "1001",
            "name": "Cold store",
            "address": "12 Alder Way",
            "occupancy": "S-1",
            "year_built": 1984,
            "storeys": 1,
            "height_ft": 24.0,
            "height_basis": "surveyed",
            "sprinklered": True,
            "area_ft2": 15_360.0,
            "dispatch_area": "North Side",
            "roof_family": "panelized_wood",
            "family_basis": "surveyed",
            "p_lightweight": 1.0,
            "surveyed_on": "2024-06-01",
            "inspected_on": "2025-03-01",
            "alert": "Panelized wood roof, surveyed 2024. Stay on beams and walls.",
            "geometry": feet(shed),
        },
        {
            "building_id": "1002",
            "name": "Joinery",
            "address": "30 Alder Way",
            "occupancy": "F-1",
            "storeys": 1,
            "height_ft": 22.0,
            "height_basis": "assumed",
            "sprinklered": False,
            "area_ft2": 14_640.0,
            "dispatch_area": "North Side",
            "roof_family": "panelized_wood",
            "family_basis": "inferred",
            "p_lightweight": 0.8,
            "geometry": feet(court),
        },
        {
            "building_id": "1003",
            "area_ft2": 5_500.0,
            "dispatch_area": "../../x",
            "roof_family": "unknown",
            "family_basis": "assumed",
            "p_lightweight": 0.5,
            "geometry": feet(parts),
        },
        {
            "building_id": f"x{HOSTILE}",
            "name": HOSTILE,
            "address": '=HYPERLINK("http://example.org")',
            "occupancy": "@shop",
            "area_ft2": 4_000.0,
            "dispatch_area": None,
            "roof_family": "bowstring_truss",
            "family_basis": "recorded",
            "p_lightweight": 0.0,
            "alert": HOSTILE,
            "geometry": feet(odd),
        },
    ]
    plans = [shed_plan("1001", 0, 0, "surveyed"), shed_plan("1002", 300, 0, "inferred")]
    made: dict[str, Any] = {"buildings": make_table("buildings", buildings)}
    for name in plans[0]:
        made[name] = make_table(name, [row for plan in plans for row in plan[name]])
    made["obstacles"] = make_table(
        "obstacles",
        [
            {
                "building_id": "1001",
                "obstacle_id": "1",
                "kind": "unit",
                "basis": "surveyed",
                "geometry": feet(box(20, 20, 32, 28)),
            },
            {
                "building_id": "1001",
                "obstacle_id": "2",
                "kind": "skylight",
                "basis": "surveyed",
                "geometry": feet(box(24, 70, 32, 74)),
            },
            {
                "building_id": "1001",
                "obstacle_id": "3",
                "kind": "suspended_load",
                "basis": "surveyed",
                "geometry": feet(Point(90, 80)),
            },
            {
                "building_id": "1002",
                "obstacle_id": "4",
                "kind": "solar",
                "basis": "recorded",
                "geometry": feet(box(400, 60, 450, 90)),
            },
            {
                "building_id": None,
                "obstacle_id": "5",
                "kind": "overhead_line",
                "note": HOSTILE,
                "geometry": feet(LineString([(-60, 130), (520, 130)])),
            },
        ],
    )
    problems = [
        problem_rows("footprints.geojson", [HOSTILE], "name_odd", "warning", HOSTILE, "Mend the name."),
        problem_rows(
            "survey.csv", ["-7", "9"], "no_building", "info", "No building is near.", "Move the point."
        ),
    ]
    made["problems"] = conform("problems", pd.concat(problems))
    made["facts"] = conform(
        "facts",
        pd.DataFrame(
            {
                "building_id": ["1001"],
                "field": ["roof_family"],
                "value": ["panelized_wood"],
                "basis": ["surveyed"],
                "date": [pd.Timestamp("2024-06-01")],
                "source": ["survey"],
                "current": [True],
            }
        ),
    )

    def places(names: list[str | None], shapes: list[Any]) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame({"name": pd.Series(names, dtype="str")}, geometry=shapes, crs=WORKING_CRS)

    made["streets"] = places(
        ["Alder Way", HOSTILE],
        [
            feet(LineString([(-100, -60), (250, -60), (600, -60)])),
            feet(LineString([(230, -200), (230, 400)])),
        ],
    )
    made["areas"] = places(
        ["North Side", "../../x", "north-side"],
        [feet(box(-120, -100, 600, 180)), feet(box(-120, 180, 250, 420)), feet(box(250, 180, 600, 420))],
    )
    made["stations"] = places(["Station 1"], [feet(Point(240, 150))])
    for name in ("planes", "ground", "collapse_zones", "solar_access"):
        made[name] = empty(name, WORKING_CRS)
    return with_odds(made)


@pytest.fixture
def without(tables: dict[str, Any]) -> Callable[..., dict[str, Any]]:
    """The tables with some of them left out."""
    return lambda *names: {key: frame for key, frame in tables.items() if key not in names}


@pytest.fixture(scope="session")
def mixed() -> dict[str, Any]:
    """A hipped house, a hall that pushes its walls out, a shop with solar, and a roof nobody knows."""
    house, hall, unknown, shop = (box(0, 0, 40, 24), box(200, 0, 300, 60), box(0, 200, 60, 240),
                                  box(200, 200, 300, 280))  # fmt: skip
    kinds = (
        ("H1", house, "East", "sawn_rafter_pitched", "recorded"),
        ("B1", hall, "East", "bowstring_truss", "surveyed"),
        ("U1", unknown, "West", "unknown", "assumed"),
        ("S1", shop, "West", "sawn_joist_flat", "recorded"),
    )
    made: dict[str, Any] = {
        "buildings": make_table(
            "buildings",
            [
                {
                    "building_id": name,
                    "name": f"{name} house",
                    "height_ft": 20.0,
                    "height_basis": "recorded",
                    "area_ft2": shape.area,
                    "dispatch_area": area,
                    "roof_family": family,
                    "family_basis": basis,
                    "p_lightweight": 0.4,
                    "geometry": feet(shape),
                }
                for name, shape, area, family, basis in kinds
            ],
        )
    }
    rejected = "existing_opening: no skylight is near (opening.existing_reach_ft); fold_back: not so (a.b)"
    methods = {
        "H1": ("existing_opening", "existing_opening: what is there already is used first; then near_ridge"),
        "B1": ("do_not_cut", "do_not_cut: Long-span truss. Stay off."),
        "U1": (None, "family_unknown: nobody has looked at this roof; find out first"),
        "S1": (None, "span_beyond_family: members cannot span this far"),
    }
    made["sections"] = make_table(
        "sections",
        [
            {
                "building_id": name,
                "section_id": f"{name}/1",
                "roof_family": family,
                "family_basis": basis,
                "framing_axis_deg": 90.0,
                "axis_basis": "inferred",
                "roof_shape": "hipped" if name == "H1" else "flat",
                "shape_basis": "recorded",
                "slope_deg": 30.0 if name == "H1" else None,
                "slope_basis": "assumed" if name == "H1" else None,
                "rise_ft": 6.9 if name == "H1" else None,
                "area_ft2": shape.area,
                "true_area_ft2": shape.area * (1.1547 if name == "H1" else 1),
                "cut_method": methods[name][0],
                "cut_method_why": methods[name][1],
                "methods_rejected": rejected if name == "H1" else None,
                "geometry": feet(shape),
            }
            for name, shape, _, family, basis in kinds
        ],
    )
    ids = {"building_id": "H1", "section_id": "H1/1"}
    hips = [((0, 0), (12, 12)), ((0, 24), (12, 12)), ((40, 0), (28, 12)), ((40, 24), (28, 12))]
    rafters = [((at, 0), (at, 12)) for at in range(14, 27, 2)]
    made["members"] = make_table(
        "members",
        [
            {**ids, "kind": kind, "count": len(lines), "spacing_ft": gap, "basis": basis,
             "geometry": feet(MultiLineString(lines))}
            for kind, lines, gap, basis in (
                ("ridge", [((12, 12), (28, 12))], None, "recorded"),
                ("hip", hips, None, "recorded"),
                ("rafter", rafters, 2.0, "assumed"),
            )
        ]
        + [
            {"building_id": "B1", "section_id": "B1/1", "kind": "truss", "count": 4, "spacing_ft": 20.0,
             "basis": "surveyed",
             "geometry": feet(MultiLineString([((x, 0), (x, 60)) for x in (220, 240, 260, 280)]))}
        ],
    )  # fmt: skip
    made["planes"] = make_table(
        "planes",
        [
            {**ids, "plane": number, "downslope_deg": down, "slope_deg": 30.0, "area_ft2": shape.area,
             "true_area_ft2": shape.area * 1.1547, "basis": "assumed", "geometry": feet(shape)}
            for number, (down, shape) in enumerate(
                [
                    (180.0, Polygon([(0, 0), (40, 0), (28, 12), (12, 12)])),
                    (0.0, Polygon([(0, 24), (40, 24), (28, 12), (12, 12)])),
                    (270.0, Polygon([(0, 0), (0, 24), (12, 12)])),
                    (90.0, Polygon([(40, 0), (40, 24), (28, 12)])),
                ],
                start=1,
            )
        ],
    )  # fmt: skip
    skylight = box(30, 4, 33, 7)
    made["obstacles"] = make_table(
        "obstacles",
        [
            {"building_id": "H1", "obstacle_id": "1", "kind": "skylight", "basis": "recorded",
             "geometry": feet(skylight)},
            {"building_id": "S1", "obstacle_id": "2", "kind": "parapet", "height_ft": 4.5,
             "basis": "surveyed", "geometry": feet(LineString([(200, 200), (300, 200)]))},
            {"building_id": "S1", "obstacle_id": "3", "kind": "solar", "basis": "recorded",
             "geometry": feet(box(205, 205, 260, 270))},
        ],
    )  # fmt: skip
    made["openings"] = make_table(
        "openings",
        [
            {**ids, "seq": seq, "method": method, "area_ft2": 9.0, "short_ft2": 0.0, "usng": grid(31, 5),
             "why": "Near the fire spot.", "geometry": feet(shape)}
            for seq, method, shape in (
                (1, "existing_opening", skylight),
                (2, "near_ridge", box(20, 8, 23, 11)),
            )
        ],
    )  # fmt: skip
    made["ground"] = make_table(
        "ground",
        [
            {"ground_id": "1", "kind": "pool", "basis": "recorded", "geometry": feet(box(0, -30, 20, -10))},
            {"ground_id": "2", "kind": "fence", "geometry": feet(LineString([(-10, 190), (80, 190)]))},
            {"ground_id": "3", "kind": "water", "geometry": feet(box(900, 900, 950, 950))},
        ],
    )
    made["collapse_zones"] = make_table(
        "collapse_zones",
        [
            {"building_id": name, "distance_ft": reach, "height_ft": 20.0, "height_basis": "recorded",
             "pushes_out": name == "B1", "rules": "collapse.height_share", "why": f"As far as {name} falls.",
             "geometry": feet(shape.buffer(reach).difference(shape))}
            for (name, shape, *_), reach in zip(kinds, (30.0, 40.0, 30.0, 30.0), strict=True)
        ],
    )  # fmt: skip
    spots = (
        ("H1", 1, "A", (10, -5), (10, 0), "ground_ladder", True),
        ("B1", 1, "A", (250, -60), (250, 0), "aerial", False),
        ("B1", 2, "C", (250, 65), (250, 60), "ground_ladder", True),
        ("S1", 1, "A", (250, 195), (250, 200), "out_of_reach", True),
    )
    made["ladders"] = make_table(
        "ladders",
        [
            {"building_id": name, "section_id": f"{name}/1", "rank": rank, "wall": 0, "side": side,
             "usng": grid(*base), "ladder_ft": 28.0 if means == "ground_ladder" else None,
             "apparatus": means, "base_setback_ft": 5.0 if means == "ground_ladder" else None,
             "support_ft": 44.5 if means == "out_of_reach" else 20.0,
             "highest_ft": 40.6 if means == "out_of_reach" else 24.1,
             "aerial_setback_ft": 60.0 if means == "aerial" else None, "in_collapse_zone": inside,
             "height_basis": "recorded", "reasons": "Near a corner.",
             "geometry": feet(LineString([base, tip]))}
            for name, rank, side, base, tip, means, inside in spots
        ],
    )  # fmt: skip
    audit = {"building_id": "S1", "section_id": "S1/1", "basis": "recorded",
             "geometry": feet(box(205, 205, 260, 270))}  # fmt: skip
    made["solar_access"] = make_table(
        "solar_access",
        [
            {**audit, "array": 1, "rule": "solar.pathway_ft", "wanted_ft": 4.0, "measured_ft": 9.0,
             "passes": True, "message": "The pathway is wide enough."},
            {**audit, "array": 1, "rule": "solar.smoke_way_ft", "wanted_ft": 8.0, "passes": None,
             "message": "=Nobody can tell the way between the arrays."},
            {**audit, "array": 1, "rule": "solar.perimeter_ft", "wanted_ft": 6.0, "measured_ft": 5.0,
             "passes": False, "message": "The array lies 5.00 ft from the roof edge."},
        ],
    )  # fmt: skip
    made["areas"] = gpd.GeoDataFrame(
        {"name": pd.Series(["East", "West"], dtype="str")},
        geometry=[feet(box(-100, -100, 400, 150)), feet(box(-100, 150, 400, 400))],
        crs=WORKING_CRS,
    )
    return with_odds(made)


@pytest.fixture(scope="session")
def maps(
    tables: dict[str, Any], mixed: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("maps")
    written = []
    for district, folder in ((tables, out), (mixed, out / "mixed")):
        written += write_maps(
            district,
            title="Invented <b>",
            rules=load_rulebook(),
            ground=Ground(0.3048, 4200.0),
            wind=Wind(270.0, "assumed"),
            out=folder,
        )
    return {path.relative_to(out).as_posix(): path for path in written}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs a chromium for the browser tests.")
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def visit(browser: Any, maps: dict[str, Path]) -> Iterator[Callable[..., Any]]:
    """Open a map; at the end no page may have asked for anything but itself, or complained."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []

    def open_map(name: str = "map.html", fragment: str = "", before: str = "", **options: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **options})
        contexts.append(context)
        page = context.new_page()
        if before:
            page.add_init_script(before)
        page.on("request", lambda request: asked.append(request.url.split("#")[0]))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(maps[name].as_uri() + fragment)
        if not before:
            page.wait_for_selector(READY)
        return page

    yield open_map
    for context in contexts:
        context.close()
    assert set(asked) <= {path.as_uri() for path in maps.values()}
    assert complaints == []


def click_at(page: Any, x_ft: float, y_ft: float) -> None:
    """Click on the map where a place of the district lies, in feet."""
    lon, lat = lonlat(x_ft, y_ft)
    at = page.evaluate(
        """([lat, lon]) => { const p = map_district.latLngToContainerPoint([lat, lon]);
        const box = map_district.getContainer().getBoundingClientRect();
        return [p.x + box.left, p.y + box.top]; }""",
        [lat, lon],
    )
    page.mouse.click(*at)


SETTLE = """async () => {
  const frame = () => new Promise((resolve) => requestAnimationFrame(resolve));
  const layers = [];
  map_district.eachLayer((layer) => layers.push(layer));
  const busy = () => layers.some((layer) => layer.isBusy?.());
  const start = performance.now();
  do await frame(); while (busy() && performance.now() - start < 10000);
  await frame();
}"""


def settle(page: Any) -> None:
    """Wait until everything in view has been drawn, and its legend with it."""
    page.evaluate(SETTLE)
    page.wait_for_timeout(150)
