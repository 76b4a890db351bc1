"""The laws of pitched roofs: over the demo, plans of every form, and invented districts.

In: tables of builds.
Out: each law of `pitched_laws.py`, and each law of `laws.py`, holds in each of them; a roof without a
    cut says why.
"""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, note, settings
from shapely import affinity
from tests.placing import pitched_laws
from tests.placing.pitched_laws import PITCHED_LAWS, Pitched

from roofplat.district import read_district
from roofplat.ground import Ground
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.rules import load_rulebook

RULES = load_rulebook()
FAMILIES = [family.id for family in RULES.families.values() if family.framing == "pitched"]
LAW_NAMES = [
    "openings_lie_on_one_leeward_plane",
    "openings_measure_true",
    "openings_keep_off_the_edges_of_their_plane",
    "cuts_along_the_slope_run_midway_between_members",
    "openings_begin_within_reach_of_the_ridge",
    "openings_keep_off_what_stands_on_their_plane",
    "openings_lie_in_one_row_toward_the_ladder",
    "openings_finish_toward_the_ladder",
    "the_first_bay_is_the_nearest_to_the_fire",
    "what_has_no_clear_ridge_has_no_clear_bay",
    "cuts_are_as_long_as_on_the_roof",
    "ways_lead_from_the_ladder_to_the_ridge_beside_the_first_cut",
    "ways_are_as_long_as_on_the_roof",
    "ways_run_on_lines_that_bear_and_are_the_cheapest",
    "ways_keep_off_openings_and_things",
    "ladders_stand_at_eaves_or_at_the_high_wall",
    "inspection_cuts_cross_a_member",
    "pitched_roofs_have_no_trench",
    "what_is_not_cut_says_why",
]
WINDS = st.sampled_from([0.0, 31.0, 90.0, 121.0, 180.0, 211.0, 270.0, 301.0, 353.0])
B = shapely.box
PLANS: dict[str, Any] = {
    "rectangle": B(0, 0, 50, 30),
    "square": B(0, 0, 32, 32),
    "l": B(0, 0, 54, 26) | B(0, 0, 26, 54),
    "t": B(0, 0, 60, 28) | B(16, 0, 40, 54),
    "u": B(0, 0, 66, 24) | B(0, 0, 24, 48) | B(42, 0, 66, 48),
    "courtyard": B(0, 0, 96, 80) - B(26, 26, 70, 54),
    "trapezoid": shapely.Polygon([(0, 0), (54, 0), (46, 30), (0, 30)]),
}


def _tables(
    shapes: ModuleType,
    outlines: list[Any],
    facts: dict[str, list[Any]],
    *,
    things: list[Any] | None = None,
    fires: list[Any] | None = None,
    wind: float = 300.0,
) -> dict[str, Any]:
    obstacles = shapes.obstacles(*(things or []))
    framing, plan = shapes.planned(
        shapes.roofs(*outlines, **facts),
        obstacles=obstacles,
        fires=shapes.fires(*(fires or [])),
        rules=RULES,
        wind_from_deg=wind,
    )
    drawn = plan.tables()
    of_framing = {name: getattr(framing, name) for name in ("walls", "members", "planes")}
    return drawn | of_framing | {"obstacles": obstacles}


@st.composite
def outlines(draw: st.DrawFn) -> Any:
    """A house of 16 to 60 ft with or without a wing, turned any way."""
    kind = draw(st.sampled_from(["rectangle", "rectangle", "rectangle", "l", "t", "u", "trapezoid"]))
    width, depth = (float(draw(st.integers(16, 60))) for _ in range(2))
    whole = B(0, 0, width, depth)
    if kind == "l":
        shape = whole - B(
            width * draw(st.integers(4, 7)) / 10, depth * draw(st.integers(4, 7)) / 10, width, depth
        )
    elif kind == "t":
        low, high = draw(st.integers(1, 3)) / 10, draw(st.integers(6, 9)) / 10
        shape = B(0, 0, width, depth / 2) | B(width * low, 0, width * high, depth)
    elif kind == "u":
        shape = whole - B(width * 0.3, depth * draw(st.integers(4, 6)) / 10, width * 0.7, depth)
    elif kind == "trapezoid":
        shape = shapely.Polygon([(0, 0), (width, 0), (width - draw(st.integers(1, 8)), depth), (0, depth)])
    else:
        shape = whole
    turn = draw(st.one_of(st.sampled_from([0.0, 90.0, 45.0]), st.integers(0, 179).map(float)))
    shape = affinity.rotate(shape, turn, origin=(0, 0))
    west, south, _, _ = shape.bounds
    return affinity.translate(shape, -west, -south)


@st.composite
def districts(draw: st.DrawFn) -> dict[str, Any]:
    """Houses apart from each other, with things on their roofs and stated fires: many at once, as a build
    takes nearly as long for one."""
    shapes, things, fires, at = [], [], [], 0.0
    facts: dict[str, list[Any]] = {"roof_family": [], "roof_shape": [], "slope_deg": [], "height_ft": []}
    facts["rafter_spacing_ft"] = []
    for number in range(draw(st.integers(5, 10))):
        shape = affinity.translate(draw(outlines()), at, 0.0)
        at = shape.bounds[2] + draw(st.sampled_from([2.0, 15.0, 40.0]))
        shapes.append(shape)
        facts["roof_family"].append(draw(st.sampled_from(FAMILIES)))
        facts["roof_shape"].append(draw(st.sampled_from([None, "gabled", "hipped", "hipped", "monopitch"])))
        facts["slope_deg"].append(draw(st.sampled_from([None, 9.5, 18.43, 33.69, 44.0, 50.0])))
        facts["height_ft"].append(draw(st.sampled_from([9.0, 18.0, 27.0])))
        facts["rafter_spacing_ft"].append(draw(st.sampled_from([None, 1.0, 1.5, 2.0, 2.67, 3.0])))
        west, south, east, north = shape.bounds
        for _ in range(draw(st.integers(0, 3))):
            x = west + (east - west) * draw(st.integers(1, 9)) / 10
            y = south + (north - south) * draw(st.integers(1, 9)) / 10
            kind = draw(st.sampled_from(["unit", "skylight", "solar", "solar", "suspended_load", "hatch"]))
            thing: Any = shapely.Point(x, y)
            if kind != "hatch":
                thing = affinity.rotate(B(0, 0, draw(st.integers(2, 20)), 5), draw(st.integers(0, 90)))
                thing = affinity.translate(thing, x, y)
            things.append((kind, f"B{number:03d}", thing))
        if draw(st.booleans()):
            x, y = (draw(st.integers(1, 9)) / 10 for _ in range(2))
            fires.append(
                (f"B{number:03d}", shapely.Point(west + (east - west) * x, south + (north - south) * y))
            )
    return {"outlines": shapes, "facts": facts, "things": things, "fires": fires, "wind": draw(WINDS)}


def test_the_laws_hold_on_any_pitched_roof(shapes: ModuleType, laws: ModuleType) -> None:
    @settings(
        max_examples=12,
        # A smaller example is not worth minutes of a shared machine.
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(districts())
    def hold(district: dict[str, Any]) -> None:
        note("\n".join(shape.wkt for shape in district["outlines"]))
        measured = laws.Measured(_tables(shapes, **district), RULES, shapes.GROUND)
        assert pitched_laws.broken(Pitched(measured)) == {}
        kept = dict(laws.broken(measured))
        # Planes tell where members run, whatever the outline tells of an axis.
        kept.pop("only_planned_roofs_of_known_axis_are_cut", None)
        # Measured on the plan; on the roof it is held above, in true feet.
        kept.pop("openings_clear_of_obstacles", None)
        assert kept == {}

    hold()


@pytest.fixture(scope="session")
def demo(laws: ModuleType) -> Pitched:
    district = read_district(Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml")
    rules = load_rulebook(district.rules)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    tables, _ = draw_plans(inputs, take_inventory(inputs, rules, ground), rules, ground, district)
    at = Pitched(laws.Measured(tables, rules, ground))
    # Every fifth house is enough: they are much alike.
    at.rows = at.rows[::5]
    return at


@pytest.fixture(scope="session")
def plain(shapes: ModuleType) -> dict[str, Any]:
    """Every form over every plan, square to north and turned."""
    facts: dict[str, list[Any]] = {"roof_family": [], "roof_shape": [], "slope_deg": []}
    shape, number = [], 0
    for plan in PLANS.values():
        for form, turn, slope in (
            ("gabled", 0.0, 26.57),
            ("hipped", 0.0, 33.69),
            ("monopitch", 0.0, 14.0),
            ("gabled", 31.0, 22.6),
            ("hipped", 31.0, 40.0),
        ):
            moved = affinity.rotate(plan, turn, origin=(0, 0))
            shape.append(affinity.translate(moved, 200.0 * (number % 8), 200.0 * (number // 8)))
            facts["roof_family"].append(FAMILIES[number % len(FAMILIES)])
            facts["roof_shape"].append(form)
            facts["slope_deg"].append(slope)
            number += 1
    return _tables(shapes, shape, facts)


@pytest.fixture(scope="session")
def every_form(shapes: ModuleType, laws: ModuleType, plain: dict[str, Any]) -> Pitched:
    return Pitched(laws.Measured(plain, RULES, shapes.GROUND))


def test_every_law_of_pitched_roofs_is_put_to_the_test() -> None:
    assert list(PITCHED_LAWS) == LAW_NAMES


def test_the_demo_keeps_the_laws_of_pitched_roofs(demo: Pitched) -> None:
    assert len(demo.opened) > 20
    assert pitched_laws.broken(demo) == {}


def test_plans_of_every_form_keep_the_laws(every_form: Pitched) -> None:
    assert len(every_form.opened) > 20
    assert pitched_laws.broken(every_form) == {}


# A bar of 23 by 23 ft with a wing of 11.5 by 23 to the north of it.
ELL = B(0, 0, 23, 46) - B(11.5, 23, 23, 46)


def test_a_way_up_from_a_valley_keeps_off_the_first_opening(shapes: ModuleType, laws: ModuleType) -> None:
    """The member above the valley used to lead through the opening that it was wanted for."""
    facts: dict[str, list[Any]] = {"roof_family": ["sawn_rafter_pitched"], "roof_shape": ["gabled"]}
    facts["slope_deg"] = [18.43]
    tables = _tables(shapes, [ELL], facts, fires=[("B000", shapely.Point(4.6, 9.2))], wind=180.0)
    at = Pitched(laws.Measured(tables, RULES, shapes.GROUND))
    assert len(at.opened) == 1
    assert pitched_laws.broken(at) == {}


@pytest.mark.parametrize(("wind", "cuts"), [(100.0, 1), (0.0, 2)])
def test_a_bay_that_the_way_from_a_valley_leads_through_is_not_opened(
    shapes: ModuleType, laws: ModuleType, wind: float, cuts: int
) -> None:
    """With an east wind the way leads up the plane that is opened, beside the first opening; the second
    would be cut across it. With a north wind it leads up the other plane, and both are cut."""
    facts: dict[str, list[Any]] = {"roof_family": ["plate_truss_pitched"], "roof_shape": ["gabled"]}
    facts["slope_deg"] = [33.69]
    at = Pitched(laws.Measured(_tables(shapes, [ELL], facts, wind=wind), RULES, shapes.GROUND))
    (roof,) = at.opened
    assert len(roof.cut) == cuts
    assert pitched_laws.broken(at) == {}


def test_an_opening_stays_on_the_roof_where_a_wall_has_a_jog(shapes: ModuleType, laws: ModuleType) -> None:
    """Planes go straight on over the short jogs between two bars; a cut used to reach over one."""
    corners = [(33.789, 37.193), (51.81, 24.575), (48.369, 19.66), (36.324, 2.457), (34.603, 0.0)]
    corners += [(16.582, 12.619), (18.302, 15.076), (0.281, 27.695), (12.326, 44.897), (30.347, 32.278)]
    facts: dict[str, list[Any]] = {"roof_family": ["sawn_rafter_pitched"], "roof_shape": ["gabled"]}
    facts |= {"slope_deg": [9.5], "rafter_spacing_ft": [3.0]}
    measured = laws.Measured(
        _tables(shapes, [shapely.Polygon(corners)], facts, wind=45.0), RULES, shapes.GROUND
    )
    assert len(measured.cut_openings) > 0
    assert laws.LAWS["openings_inside_their_section"](measured) == []
    assert pitched_laws.broken(Pitched(measured)) == {}


def test_a_plan_that_is_turned_with_its_wind_stays_the_same(shapes: ModuleType) -> None:
    """Nothing but the wind and the outline tells one side of a house from another."""
    house = B(-20, -14, 20, 14)
    sizes = []
    for turn in (0.0, 17.0, 90.0, 144.0):
        facts: dict[str, list[Any]] = {"roof_family": ["sawn_rafter_pitched"], "slope_deg": [26.57]}
        tables = _tables(shapes, [shapes.turned(house, turn)], facts, wind=turn % 360.0)
        first = tables["openings"].iloc[0]
        down = tables["planes"]["downslope_deg"].to_numpy()
        lee = np.abs((down - turn - 180.0 + 180.0) % 360.0 - 180.0).min()
        sizes.append((round(first["length_ft"], 3), round(first["width_ft"], 3), round(lee, 3)))
    assert len(set(sizes)) == 1


def _moved(frame: gpd.GeoDataFrame, east_ft: float, north_ft: float) -> gpd.GeoDataFrame:
    return frame.assign(geometry=frame.geometry.translate(east_ft * 0.3048, north_ft * 0.3048))


def _shift(table: str, east_ft: float, north_ft: float) -> Any:
    return lambda tables: tables | {table: _moved(tables[table], east_ft, north_ft)}


def _with(table: str, **values: Any) -> Any:
    return lambda tables: tables | {table: tables[table].assign(**values)}


def _scaled(table: str, column: str, factor: float) -> Any:
    return lambda tables: tables | {table: tables[table].assign(**{column: tables[table][column] * factor})}


def _all_things(tables: dict[str, Any]) -> dict[str, Any]:
    """A hatch in the middle of every opening."""
    openings = tables["openings"]
    return tables | {
        "obstacles": gpd.GeoDataFrame(
            {
                "building_id": openings["building_id"].to_numpy(),
                "obstacle_id": [str(number) for number in range(len(openings))],
                "kind": "unit",
            },
            geometry=openings.geometry.centroid.buffer(0.2).to_numpy(),
            crs=openings.crs,
        )
    }


@pytest.mark.parametrize(
    ("law", "spoil"),
    [
        ("openings_lie_on_one_leeward_plane", _with("sections", wind_from_deg=120.0)),
        ("openings_lie_on_one_leeward_plane", _shift("openings", 3.0, 3.0)),
        ("openings_measure_true", _scaled("openings", "width_ft", 0.9)),
        ("openings_measure_true", _scaled("openings", "area_ft2", 0.9)),
        ("openings_keep_off_the_edges_of_their_plane", _shift("openings", -1.0, 1.0)),
        ("cuts_along_the_slope_run_midway_between_members", _shift("openings", 0.2, 0.2)),
        ("openings_begin_within_reach_of_the_ridge", _shift("openings", 10.0, -10.0)),
        ("openings_keep_off_what_stands_on_their_plane", _all_things),
        ("openings_lie_in_one_row_toward_the_ladder", _scaled("openings", "seq", -1)),
        ("openings_finish_toward_the_ladder", lambda t: t | {"openings": _turned_about(t["openings"])}),
        ("the_first_bay_is_the_nearest_to_the_fire", _shift("openings", 6.0, 0.0)),
        (
            "what_has_no_clear_ridge_has_no_clear_bay",
            _with("sections", cut_method_why="no_clear_ridge: none"),
        ),
        ("cuts_are_as_long_as_on_the_roof", _scaled("cuts", "cut_ft", 0.9)),
        ("ways_lead_from_the_ladder_to_the_ridge_beside_the_first_cut", _shift("paths", 1.0, 0.0)),
        ("ways_are_as_long_as_on_the_roof", _scaled("paths", "length_ft", 0.95)),
        ("ways_run_on_lines_that_bear_and_are_the_cheapest", _shift("paths", 1.0, 1.0)),
        ("ways_keep_off_openings_and_things", _shift("openings", -3.0, 3.0)),
        ("ways_keep_off_openings_and_things", lambda t: t | {"obstacles": _on_paths(t)}),
        ("ladders_stand_at_eaves_or_at_the_high_wall", lambda t: t | {"walls": _turned_walls(t["walls"])}),
        ("inspection_cuts_cross_a_member", _scaled("checks", "cut_ft", 0.9)),
        ("pitched_roofs_have_no_trench", lambda t: t | {"trenches": t["openings"]}),
        ("what_is_not_cut_says_why", _with("sections", cut_method_why="")),
    ],
)
def test_a_law_of_pitched_roofs_notices_when_it_is_broken(
    shapes: ModuleType, laws: ModuleType, plain: dict[str, Any], law: str, spoil: Any
) -> None:
    spoilt = Pitched(laws.Measured(spoil(plain), RULES, shapes.GROUND))
    assert len(PITCHED_LAWS[law](spoilt)) >= 2


@pytest.mark.parametrize("off_ft", [-0.1, 0.0, 0.1])
def test_a_leg_along_the_border_of_what_it_keeps_off_is_free_or_not(
    shapes: ModuleType, laws: ModuleType, off_ft: float
) -> None:
    """A hatch whose clearance ends at the wall along which the cheapest way leads, or a tenth of a foot
    before it or beyond it: there no hair decides."""
    hatch, unit = shapely.Point(21.6, 36.0 + off_ft), shapely.box(13.5, 28.0, 18.5, 33.0)
    things = shapes.obstacles(("hatch", "B000", hatch), ("unit", "B000", unit))
    framing, plan = shapes.planned(
        shapes.roofs(
            B(13.5, 0, 27, 40) | B(0, 12, 13.5, 36),
            roof_family=["plate_truss_pitched"],
            roof_shape=["gabled"],
            slope_deg=[18.43],
            rafter_spacing_ft=[1.0],
        ),
        obstacles=things,
        fires=shapes.fires(("B000", shapely.Point(6.7, 21.0))),
        wind_from_deg=238.0,
        placed_ladders=shapes.fires(("B000", shapely.Point(33.7, 28.7))),
    )
    of_framing = {name: getattr(framing, name) for name in ("walls", "members", "planes")}
    tables = plan.tables() | of_framing | {"obstacles": things}
    at = Pitched(laws.Measured(tables, RULES, shapes.GROUND))
    assert pitched_laws.broken(at) == {}
    (roof,) = at.opened
    least, most = roof.cheapest(roof.tip_of(1))
    assert (least < most) == (off_ft == 0.0)
    walked = roof.walked_cost(roof.paths["feet"].iloc[0])
    assert min(abs(walked - least), abs(walked - most)) < 0.01


def _turned_about(openings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return openings.assign(finish_toward_deg=(openings["finish_toward_deg"] + 180.0) % 360.0)


def _turned_walls(walls: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    return walls.assign(outward_deg=(walls["outward_deg"] + 90.0) % 360.0)


def _on_paths(tables: dict[str, Any]) -> gpd.GeoDataFrame:
    paths = tables["paths"]
    middle = paths.geometry.interpolate(0.5, normalized=True).buffer(0.3)
    return gpd.GeoDataFrame(
        {
            "building_id": paths["building_id"].to_numpy(),
            "obstacle_id": [str(number) for number in range(len(paths))],
            "kind": "unit",
        },
        geometry=middle.to_numpy(),
        crs=paths.crs,
    )


@pytest.mark.parametrize(
    ("outline", "facts", "wind", "code"),
    [
        # A courtyard has no roof of one plane.
        (PLANS["courtyard"], {"roof_shape": ["monopitch"]}, 300.0, "planes_not_found"),
        # A monopitch falls toward its one lee; the wind comes up its slope.
        (
            PLANS["rectangle"],
            {"roof_shape": ["monopitch"], "downslope_deg": [180.0]},
            180.0,
            "no_clear_ridge",
        ),
        # 50 ft from wall to wall in one plane.
        (
            PLANS["rectangle"],
            {"roof_shape": ["monopitch"], "downslope_deg": [90.0]},
            180.0,
            "span_beyond_family",
        ),
        (PLANS["rectangle"], {"slope_deg": [46.0]}, 300.0, "too_steep"),
        # 60 ft from eave to eave, where the family's rafters span 48.
        (B(0, 0, 90, 60), {}, 300.0, "span_beyond_family"),
    ],
)
def test_a_pitched_roof_that_is_not_cut_says_why(
    shapes: ModuleType, outline: Any, facts: dict[str, list[Any]], wind: float, code: str
) -> None:
    known = {"roof_family": ["sawn_rafter_pitched"], **facts}
    tables = _tables(shapes, [outline], known, wind=wind)
    assert tables["openings"].empty
    assert tables["sections"]["cut_method_why"].astype("str").iloc[0].startswith(f"{code}: ")
    severe = tables["problems"]["code"].tolist()
    # What framing found is told by framing.
    assert code in severe or code == "planes_not_found"
