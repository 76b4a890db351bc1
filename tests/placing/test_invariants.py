"""The laws of every plan: over the demo district, real outlines, invented districts and a benchmark.

In: tables of builds.
Out: each law of `laws.py` holds in each of them, and the order of the rows changes nothing.
"""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import momepy
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, note, settings
from shapely import affinity

from roofplat.district import read_district
from roofplat.ground import Ground
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.rules import Rulebook, load_rulebook

RULES = load_rulebook()
# The same with everything permitted that a department may permit.
FREE = load_rulebook(
    {
        f"family.{family.id}.permits": list(family.not_permitted)
        for family in RULES.families.values()
        if family.not_permitted
    }
    | {f"family.{name}.trench": ["with_construction"] for name in ("bowstring_truss", "concrete_deck")}
)
FLAT = [family.id for family in RULES.families.values() if family.framing != "pitched"]
SIZES = st.integers(10, 400).map(float)
TURNS = st.one_of(st.sampled_from([0.0, 90.0, 45.0]), st.integers(0, 179).map(float))
THINGS = ["unit", "skylight", "solar", "suspended_load", "hatch", "smoke_vent"]
GAPS = st.sampled_from([-2.0, 0.0, 0.5, 3.0, 8.0, 40.0])

LAW_NAMES = [
    "openings_inside_their_section",
    "openings_clear_of_beams_and_purlins",
    "openings_clear_of_obstacles",
    "openings_apart_from_each_other",
    "openings_have_the_size_they_say",
    "openings_numbered_from_one_within_the_crew_limit",
    "openings_leave_the_foothold_free",
    "parts_finish_no_farther_from_the_ladder",
    "cuts_follow_the_border_of_their_opening",
    "each_opening_is_nearer_the_ladder_than_the_one_before",
    "ladder_bases_stand_outside_every_building",
    "ladders_keep_the_clearance_of_overhead_lines",
    "the_second_ladder_is_on_another_side_and_apart",
    "ladders_lean_on_an_outer_wall_at_the_quarter",
    "what_is_named_reaches",
    "no_ladder_is_used_twice",
    "collapse_zones_surround_their_building",
    "paths_start_at_their_ladder_and_end_at_the_first_bay",
    "paths_stay_on_the_roof",
    "paths_touch_no_opening",
    "paths_go_round_what_stands_on_the_roof",
    "the_first_path_is_not_cut_by_the_trench",
    "every_opened_section_has_a_first_ladder_and_path",
    "checks_lie_on_the_roof_off_the_openings",
    "inspection_cuts_are_diagonal_to_their_wall",
    "trenches_split_their_section_in_two",
    "trenches_lie_on_the_roof",
    "trenches_lead_the_openings",
    "trenches_save_the_side_without_the_fire",
    "trenches_say_how_far_the_fire_is",
    "trenches_are_clear_of_obstacles_and_members",
    "trenches_start_away_from_the_egress",
    "every_section_has_an_answer",
    "every_building_has_one_planned_section",
    "only_planned_roofs_of_known_axis_are_cut",
    "ladders_only_where_a_plan_is",
    "the_fire_spot_lies_on_the_planned_section",
    "geometry_is_valid_and_plain",
    "openings_are_made_as_their_family_allows",
    "roofs_that_are_not_cut_are_left_alone",
    "short_openings_are_short",
    "cuts_along_joists_run_midway_between_two",
    "cuts_are_counted",
    "existing_openings_are_near_and_nearest",
    "glazing_is_opened_on_its_line",
    "paths_along_walls_lead_to_the_other_ladder",
    "two_ladders_are_joined_by_a_path",
    "paths_say_how_much_of_them_bears",
    "methods_are_told_and_rejected_by_rule",
    "trenches_run_as_their_family_allows",
    "members_lie_as_their_family_says",
    "members_are_there_where_the_family_has_them",
    "walls_carry_as_their_family_says",
]


def _box(width: float, depth: float) -> shapely.Polygon:
    return shapely.box(0.0, 0.0, width, depth)


@st.composite
def outlines(draw: st.DrawFn) -> shapely.Polygon:
    """A roof of 10 to 400 ft: plain, winged, around a courtyard, or of no plan at all."""
    kind = draw(st.sampled_from(["rectangle", "rectangle", "l", "u", "t", "courtyard", "triangle", "star"]))
    width, depth = draw(SIZES), draw(SIZES)
    x, y = (draw(st.integers(2, 8)) / 10 for _ in range(2))
    whole = _box(width, depth)
    if kind == "l":
        shape = whole - shapely.box(width * x, depth * y, width, depth)
    elif kind == "u":
        shape = whole - shapely.box(width * x / 2, depth * y, width * (x / 2 + 0.4), depth)
    elif kind == "t":
        shape = whole - shapely.box(0, 0, width * x / 2, depth * y)
        shape = shape - shapely.box(width * (1 - x / 2), 0, width, depth * y)
    elif kind == "courtyard":
        shape = whole - shapely.box(
            width * x / 2, depth * y / 2, width * (x / 2 + 0.3), depth * (y / 2 + 0.4)
        )
    elif kind == "triangle":
        shape = shapely.Polygon([(0, 0), (width, 0), (width * x, depth)])
    elif kind == "star":
        count = draw(st.integers(5, 14))
        radius = np.array([draw(st.integers(35, 100)) / 200 for _ in range(count)])
        angle = np.arange(count) * 2 * np.pi / count
        shape = shapely.Polygon(
            np.column_stack([width * radius * np.cos(angle), max(depth, width / 8) * radius * np.sin(angle)])
        )
    else:
        shape = whole
    shape = affinity.rotate(shape, draw(TURNS), origin=(0, 0))
    west, south, _, _ = shape.bounds
    return affinity.translate(shape, -west, -south)


@st.composite
def districts(draw: st.DrawFn, families: list[str]) -> dict[str, Any]:
    """A row of buildings with things on their roofs, a street, lines overhead, stated fires."""
    shapes, things, fires, at = [], [], [], 0.0
    facts: dict[str, list[Any]] = {
        "roof_family": [],
        "height_ft": [],
        "suspended_load": [],
        "bearing_walls": [],
        "parapet_ft": [],
    }
    for number in range(draw(st.integers(1, 5))):
        shape = affinity.translate(draw(outlines()), at, draw(st.sampled_from([0.0, 7.0])))
        at = shape.bounds[2] + draw(GAPS)
        shapes.append(shape)
        facts["roof_family"].append(draw(st.sampled_from(families)))
        facts["height_ft"].append(draw(st.sampled_from([12.0, 20.0, 31.0, 60.0, 95.0])))
        facts["suspended_load"].append(draw(st.booleans()))
        facts["bearing_walls"].append(draw(st.sampled_from([None, "AC", "BD", "ALL"])))
        facts["parapet_ft"].append(draw(st.sampled_from([None, 0.0, 4.0])))
        west, south, east, north = shape.bounds
        for _ in range(draw(st.integers(0, 3))):
            x = west + (east - west) * draw(st.integers(0, 10)) / 10
            y = south + (north - south) * draw(st.integers(0, 10)) / 10
            kind = draw(st.sampled_from(THINGS))
            thing: Any = shapely.Point(x, y)
            if kind != "hatch":
                thing = affinity.rotate(_box(draw(st.integers(2, 40)), 8.0), draw(TURNS), origin=(0, 0))
                thing = affinity.translate(thing, x, y)
            things.append((kind, f"B{number:03d}", thing))
        if draw(st.booleans()):
            x, y = (draw(st.integers(1, 9)) / 10 for _ in range(2))
            spot = shapely.Point(west + (east - west) * x, south + (north - south) * y)
            fires.append((f"B{number:03d}", spot))
    if draw(st.booleans()):
        level = draw(st.sampled_from([-12.0, -3.0, 30.0]))
        volts = draw(st.sampled_from([np.nan, 12.0, 230.0]))
        things.append(
            ("overhead_line", None, shapely.LineString([(-100, level), (at + 100, level + 5)]), volts)
        )
    return {
        "shapes": shapes,
        "facts": facts,
        "things": things,
        "fires": fires,
        "permitted": draw(st.booleans()),
        "street": draw(st.sampled_from([None, -30.0, 450.0])),
        "wind": draw(st.sampled_from([0.0, 45.0, 250.0])),
    }


def draw_plan(shapes: ModuleType, district: dict[str, Any]) -> dict[str, Any]:
    street = district["street"]
    line = shapely.LineString([(-500, street or 0), (2500, street or 0)])
    streets = shapes.streets(line) if street is not None else None
    obstacles = shapes.obstacles(*district["things"])
    framing, plan = shapes.planned(
        shapes.roofs(*district["shapes"], **district["facts"]),
        streets=streets,
        obstacles=obstacles,
        fires=shapes.fires(*district["fires"]),
        rules=FREE if district["permitted"] else RULES,
        wind_from_deg=district["wind"],
    )
    return tables_of(framing, plan, obstacles)


def tables_of(framing: Any, plan: Any, obstacles: gpd.GeoDataFrame) -> dict[str, Any]:
    drawn = plan.tables()
    return drawn | {"walls": framing.walls, "members": framing.members, "obstacles": obstacles}


@pytest.mark.parametrize("families", [["panelized_wood"], FLAT], ids=["panelized", "every flat family"])
def test_the_laws_hold_in_any_district(shapes: ModuleType, laws: ModuleType, families: list[str]) -> None:
    @settings(
        max_examples=9,
        # A smaller example is not worth minutes of a shared machine.
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(districts(families))
    def hold(district: dict[str, Any]) -> None:
        note("\n".join(shape.wkt for shape in district["shapes"]))
        tables = draw_plan(shapes, district)
        rules = FREE if district["permitted"] else RULES
        assert laws.broken(laws.Measured(tables, rules, shapes.GROUND)) == {}

    hold()


@pytest.fixture(scope="session")
def benchmark(shapes: ModuleType, synthetic: ModuleType) -> tuple[Any, dict[str, Any]]:
    roofs, streets, obstacles = synthetic.synthetic_roofs(400)
    framing, plan = shapes.planned(roofs, streets=streets, obstacles=obstacles, wind_from_deg=250.0)
    return (roofs, streets, obstacles), tables_of(framing, plan, obstacles)


@pytest.fixture(scope="session")
def measured(shapes: ModuleType, laws: ModuleType, benchmark: tuple[Any, dict[str, Any]]) -> Any:
    return laws.Measured(benchmark[1], RULES, shapes.GROUND)


def _built(path: Path) -> tuple[dict[str, Any], Rulebook, Ground]:
    district = read_district(path)
    rules = load_rulebook(district.rules)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    tables, _ = draw_plans(inputs, take_inventory(inputs, rules, ground), rules, ground, district)
    return tables, rules, ground


@pytest.fixture(scope="session")
def demo(laws: ModuleType) -> Any:
    return laws.Measured(*_built(Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml"))


@pytest.fixture(scope="session")
def bubenec(laws: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Real outlines of an old quarter, wall to wall; every roof taken for a panelized one."""
    folder = tmp_path_factory.mktemp("quarter")
    source = momepy.datasets.get_path("bubenec")
    buildings = gpd.read_file(source, layer="buildings").to_crs("EPSG:32633")
    buildings.to_file(folder / "quarter.gpkg", layer="buildings")
    streets = gpd.read_file(source, layer="streets").to_crs("EPSG:32633")
    streets.assign(name=[f"Way {row}" for row in range(len(streets))]).to_file(
        folder / "quarter.gpkg", layer="streets"
    )
    facts = pd.DataFrame({"id": buildings["uID"], "family": "panelized_wood", "height": 18.0})
    facts.to_csv(folder / "facts.csv", index=False)
    (folder / "district.toml").write_text(
        """
[district]
name = "Quarter"
[footprints]
file = "quarter.gpkg"
layer = "buildings"
id = "uID"
[streets]
file = "quarter.gpkg"
layer = "streets"
[[attributes]]
name = "facts"
file = "facts.csv"
how = "key"
id = "id"
basis = "surveyed"
columns = { roof_family = "family", height_ft = "height" }
""",
        "utf-8",
    )
    return laws.Measured(*_built(folder / "district.toml"))


@pytest.mark.parametrize("law", LAW_NAMES)
def test_the_demo_district_keeps_the_laws(laws: ModuleType, demo: Any, law: str) -> None:
    assert len(demo.openings) > 20
    assert laws.LAWS[law](demo) == []


@pytest.mark.parametrize("law", LAW_NAMES)
def test_a_real_quarter_keeps_the_laws(laws: ModuleType, bubenec: Any, law: str) -> None:
    assert len(bubenec.openings) > 20
    assert laws.LAWS[law](bubenec) == []


@pytest.mark.parametrize("law", LAW_NAMES)
def test_the_benchmark_district_keeps_the_laws(laws: ModuleType, measured: Any, law: str) -> None:
    assert len(measured.trenches) > 100
    assert laws.LAWS[law](measured) == []


def test_every_law_is_put_to_the_test(laws: ModuleType) -> None:
    assert list(laws.LAWS) == LAW_NAMES


def _moved(frame: gpd.GeoDataFrame, by_ft: float) -> gpd.GeoDataFrame:
    return frame.assign(geometry=frame.geometry.translate(by_ft * 0.3048, 0))


@pytest.mark.parametrize(
    ("law", "spoil"),
    [
        ("openings_inside_their_section", {"openings": 500.0}),
        ("openings_clear_of_beams_and_purlins", {"members": 1.5}),
        ("ladder_bases_stand_outside_every_building", {"ladders": 30.0}),
        ("paths_start_at_their_ladder_and_end_at_the_first_bay", {"paths": 1.0}),
        ("paths_touch_no_opening", {"paths": 4.0}),
        ("trenches_lead_the_openings", {"openings": 20.0}),
        ("trenches_split_their_section_in_two", {"trenches": 3.0}),
    ],
)
def test_a_law_notices_when_it_is_broken(
    shapes: ModuleType,
    laws: ModuleType,
    benchmark: tuple[Any, dict[str, Any]],
    law: str,
    spoil: dict[str, float],
) -> None:
    tables = benchmark[1]
    spoilt = tables | {name: _moved(tables[name], by_ft) for name, by_ft in spoil.items()}
    assert len(laws.LAWS[law](laws.Measured(spoilt, RULES, shapes.GROUND))) > 10


@pytest.fixture(scope="session")
def families(shapes: ModuleType) -> dict[str, Any]:
    """Six plain roofs of every flat family, a skylight on every second."""
    outlines, kinds, things = [], [], []
    for number, family in enumerate(FLAT * 6):
        joists = RULES.families[family].framing == "joists"
        x, y = 400.0 * (number % 12), 300.0 * (number // 12)
        outlines.append(shapely.box(x, y, x + 90.0, y + (28.0 if joists else 80.0) + number // 12))
        kinds.append(family)
        if number % 2:
            things.append(("skylight", f"B{number:03d}", shapely.box(x + 60, y + 8, x + 64, y + 12)))
    obstacles = shapes.obstacles(*things)
    framing, plan = shapes.planned(
        shapes.roofs(*outlines, roof_family=kinds), obstacles=obstacles, rules=FREE, wind_from_deg=250.0
    )
    return tables_of(framing, plan, obstacles)


def _with(table: str, **values: Any) -> Any:
    """Change columns of a table to what cannot be."""
    return lambda tables: tables | {table: tables[table].assign(**values)}


def _move(table: str, by_ft: float) -> Any:
    return lambda tables: tables | {table: _moved(tables[table], by_ft)}


def _without(table: str) -> Any:
    return lambda tables: tables | {table: tables[table].iloc[:0]}


@pytest.mark.parametrize(
    ("law", "spoil"),
    [
        ("openings_are_made_as_their_family_allows", _with("openings", method="near_ridge")),
        ("roofs_that_are_not_cut_are_left_alone", _with("sections", cut_method="do_not_cut")),
        ("short_openings_are_short", _with("openings", method="small_opening", length_ft=5.0)),
        ("cuts_along_joists_run_midway_between_two", _move("members", 0.33)),
        ("cuts_are_counted", _with("cuts", count=1)),
        ("existing_openings_are_near_and_nearest", _move("obstacles", 2.0)),
        ("existing_openings_are_near_and_nearest", _without("obstacles")),
        ("glazing_is_opened_on_its_line", _move("openings", -80.0)),
        ("paths_along_walls_lead_to_the_other_ladder", _move("paths", 1.0)),
        ("two_ladders_are_joined_by_a_path", _without("paths")),
        ("paths_say_how_much_of_them_bears", _with("paths", share_on_bearing=0.5)),
        ("methods_are_told_and_rejected_by_rule", _with("sections", methods_rejected="")),
        ("trenches_run_as_their_family_allows", _with("sections", roof_family="steel_joist_steel_deck")),
        ("members_lie_as_their_family_says", _with("members", spacing_ft=9.0)),
        ("members_lie_as_their_family_says", _with("members", kind="hip")),
        ("members_are_there_where_the_family_has_them", _without("members")),
        ("walls_carry_as_their_family_says", _with("walls", kind="bearing")),
    ],
)
def test_a_law_of_families_notices_when_it_is_broken(
    shapes: ModuleType, laws: ModuleType, families: dict[str, Any], law: str, spoil: Any
) -> None:
    assert laws.LAWS[law](laws.Measured(families, FREE, shapes.GROUND)) == []
    assert len(laws.LAWS[law](laws.Measured(spoil(families), FREE, shapes.GROUND))) >= 3


def _by_id(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in an order of their own, geometry as rounded text."""
    frame = pd.DataFrame(table).copy()
    if "geometry" in frame:
        frame["geometry"] = shapely.to_wkt(table.geometry.to_numpy(), rounding_precision=6)
    for name in frame:
        if isinstance(frame[name].dtype, pd.CategoricalDtype):
            frame[name] = frame[name].astype("str")
    return frame.sort_values([*frame.columns[:1], "section_id", "geometry"]).reset_index(drop=True)


def test_the_order_of_the_rows_changes_nothing(
    shapes: ModuleType, benchmark: tuple[Any, dict[str, Any]]
) -> None:
    (roofs, streets, obstacles), tables = benchmark
    order = np.random.default_rng(5).permutation(len(roofs))
    framing, plan = shapes.planned(
        roofs.iloc[order].reset_index(drop=True),
        streets=streets,
        obstacles=obstacles.iloc[::-1].reset_index(drop=True),
        wind_from_deg=250.0,
    )
    shuffled = tables_of(framing, plan, obstacles)
    for name in (
        "sections",
        "walls",
        "members",
        "ladders",
        "paths",
        "checks",
        "openings",
        "cuts",
        "trenches",
    ):
        pd.testing.assert_frame_equal(_by_id(tables[name]), _by_id(shuffled[name]), rtol=1e-9)


def test_a_district_moved_east_has_the_same_plan(
    shapes: ModuleType, benchmark: tuple[Any, dict[str, Any]]
) -> None:
    """A hundred feet change scale and convergence by less than a hair: every number stays."""
    (roofs, streets, obstacles), tables = benchmark
    _, plan = shapes.planned(
        _moved(roofs, 100.0),
        streets=_moved(streets, 100.0),
        obstacles=_moved(obstacles, 100.0),
        wind_from_deg=250.0,
    )
    columns = ["section_id", "seq", "method", "parts", "length_ft", "width_ft"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(plan.openings)[columns], pd.DataFrame(tables["openings"])[columns], atol=1e-3
    )
    gap = shapely.distance(
        shapely.centroid(_moved(tables["openings"], 100.0).geometry.to_numpy()),
        shapely.centroid(plan.openings.geometry.to_numpy()),
    )
    assert gap.max() < 0.01


@pytest.mark.parametrize("district", ["demo", "bubenec"])
def test_sections_have_no_whiskers(district: str, request: pytest.FixtureRequest) -> None:
    """A hair's breadth of roof stretches the section, and with it the grid of beams and purlins."""
    at = request.getfixturevalue(district)
    opened = shapely.buffer(shapely.buffer(at.outline, -0.05, join_style="mitre"), 0.05, join_style="mitre")
    stretched = np.abs(shapely.bounds(opened) - shapely.bounds(at.outline)).max(axis=1) > 5.0
    assert at.sections["section_id"][stretched].tolist() == []
