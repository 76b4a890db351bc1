"""Scenarios: winds by section, methods to prefer, ladders that stand already.

In: small shapes, invented districts, the demo district.
Out: what is stated is planned for, nothing unsafe comes of it, and what speaks against it is told.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, Phase, given, note, settings
from tests.placing import pitched_laws
from tests.placing.test_invariants import FLAT, FREE, RULES, districts, tables_of
from tests.placing.test_pitched import districts as pitched_districts

from roofplat.district import read_district
from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.placing import Plan, place_plans
from roofplat.placing.placed import DOUBTS
from roofplat.placing.reach import working_reach
from roofplat.rules import load_rulebook
from roofplat.tables import METHODS

SHED = (100.0, 60.0)
# 20 ft up at the quarter (29 CFR 1926.1053(b)(5)(i)): 20 / sqrt(15) from the wall.
SETBACK_FT = 20.0 / np.sqrt(15.0)


def standing(shapes: ModuleType, *spots: tuple[str, float, float]) -> gpd.GeoDataFrame:
    """Ladders that stand at points in feet."""
    return shapes.fires(*((name, shapely.Point(east, north)) for name, east, north in spots))


def shed(shapes: ModuleType, *at: float, **choices: Any) -> Any:
    """The plan of one shed of 100 by 60 ft, with a ladder at a point in feet where one is given."""
    facts = {name: choices.pop(name) for name in [*choices] if name in ("height_ft", "roof_family")}
    if at:
        choices["placed_ladders"] = standing(shapes, ("B000", *at))
    return shapes.planned(shapes.roofs(shapes.rectangle(*SHED), **facts), **choices)[1]


def first_ladder(plan: Any) -> pd.Series:
    return pd.DataFrame(plan.ladders).set_index(["building_id", "rank"]).loc[("B000", 1)]


def ends_ft(shapes: ModuleType, ladder: pd.Series) -> tuple[tuple[float, float], tuple[float, float]]:
    """Base and tip in feet east and north of the corner: the shapes are drawn on a true-north plane."""
    base, tip = shapely.get_coordinates(shapes.in_feet([ladder["geometry"]])[0])
    return tuple(base), tuple(tip)


def codes(plan: Any) -> set[str]:
    return set(plan.problems["code"]) & {*DOUBTS, "placed_ladder_too_far", "preferred_method_not_taken"}


# A ladder that stands already.


@pytest.mark.parametrize("out_ft", [-3.0, 0.0, 2.0, 9.0])
def test_a_ladder_stands_where_it_is_stated(shapes: ModuleType, out_ft: float) -> None:
    """30 ft up the east wall; its base is drawn at the quarter, whatever the point says of that."""
    plan = shed(shapes, 100.0 + out_ft, 30.0, height_ft=[20.0])
    base, tip = ends_ft(shapes, first_ladder(plan))
    assert tip == pytest.approx((100.0, 30.0), abs=0.02)
    assert base == pytest.approx((100.0 + SETBACK_FT, 30.0), abs=0.02)
    assert first_ladder(plan)["apparatus"] == "ground_ladder"
    assert first_ladder(plan)["reasons"].startswith("Stands there already")
    assert "scenario.ladder_reach_ft" in first_ladder(plan)["rules"]
    assert codes(plan) == set()


def test_the_rest_follows_from_it(shapes: ModuleType) -> None:
    """Path and openings go to the ladder that stands; the second way off is on another side."""
    plan = shed(shapes, 103.0, 30.0)
    ladders = plan.ladders.set_index("rank")
    tip = shapely.get_point(ladders.geometry[1], 1)
    path = plan.paths.set_index("ladder_rank").geometry[1]
    assert shapely.get_point(path, 0).distance(tip) < 0.01
    assert ladders["side"][2] != ladders["side"][1]
    apart_m = tip.distance(shapely.get_point(ladders.geometry[2], 1))
    assert apart_m >= RULES.number("ladder.apart_ft") * 0.3048 * 0.999
    away = plan.openings.sort_values("seq").geometry.centroid.distance(tip).to_numpy()
    assert len(away) > 1
    assert (np.diff(away) < 0).all()
    usual = shed(shapes)
    assert first_ladder(usual)["side"] != ladders["side"][1]


def test_too_far_from_every_wall_is_said_and_the_usual_spots_stay(shapes: ModuleType) -> None:
    reach = RULES.number("scenario.ladder_reach_ft")
    usual = shed(shapes)
    near, far = shed(shapes, 100.0 + reach - 0.1, 30.0), shed(shapes, 100.0 + reach + 0.1, 30.0)
    assert codes(near) == set()
    assert codes(far) == {"placed_ladder_too_far"}
    pd.testing.assert_frame_equal(pd.DataFrame(far.ladders), pd.DataFrame(usual.ladders))


def test_a_ladder_at_a_building_that_is_not_there_is_said(shapes: ModuleType) -> None:
    spots = standing(shapes, ("B000", 103.0, 30.0), ("B000", 50.0, -3.0), ("B999", 0.0, 0.0))
    plan = shapes.planned(shapes.roofs(shapes.rectangle(*SHED)), placed_ladders=spots)[1]
    assert first_ladder(plan)["side"] == "B"
    said = plan.problems.set_index("code")["feature"]
    assert said["placed_ladder_no_building"] == "B999"
    assert said["placed_ladder_twice"] == "B000"


def test_in_an_inner_corner_the_base_tells_the_wall(shapes: ModuleType) -> None:
    """2 ft from one wall and 5.2 ft from the other, at 20 ft up: the base belongs to the other."""
    outline = shapes.letter_l(100.0, 40.0)
    corner = (40.0, 40.0)
    for east, north, looks in [(2.0, SETBACK_FT, 0.0), (SETBACK_FT, 2.0, 90.0)]:
        spot = standing(shapes, ("B000", corner[0] + east, corner[1] + north))
        framing, plan = shapes.planned(shapes.roofs(outline, height_ft=[20.0]), placed_ladders=spot)
        wall = framing.walls.set_index("wall")["outward_deg"][first_ladder(plan)["wall"]]
        assert round(wall) % 360 == looks
        # Beside the other wall there is not room enough to both sides of the base.
        assert codes(plan) <= {"ladder_ground_not_free"}


def test_a_point_that_touches_a_wall_names_it(shapes: ModuleType) -> None:
    spot = standing(shapes, ("B000", 40.5, 45.0))
    framing, plan = shapes.planned(shapes.roofs(shapes.letter_l(100.0, 40.0)), placed_ladders=spot)
    wall = framing.walls.set_index("wall")["outward_deg"][first_ladder(plan)["wall"]]
    assert round(wall) % 360 == 90.0


def test_no_ladder_leans_nearer_a_corner_than_its_base_needs(shapes: ModuleType) -> None:
    """A point beyond the corner; `ladder.base_clear_ft` from it is where a ladder still leans."""
    _, tip = ends_ft(shapes, first_ladder(shed(shapes, 104.0, -3.0)))
    clear = RULES.number("ladder.base_clear_ft")
    assert tip == pytest.approx((100.0 - clear, 0.0), abs=0.02) or tip == pytest.approx(
        (100.0, clear), abs=0.02
    )


def test_a_line_overhead_does_not_move_it_and_is_told(shapes: ModuleType) -> None:
    line = shapely.LineString([(108, -300), (108, 300)])
    wires = shapes.obstacles(("overhead_line", None, line, 12.0))
    plan = shed(shapes, 105.0, 30.0, obstacles=wires)
    _, tip = ends_ft(shapes, first_ladder(plan))
    assert tip == pytest.approx((100.0, 30.0), abs=0.02)
    assert codes(plan) == {"ladder_near_line"}
    assert DOUBTS["ladder_near_line"][0] in first_ladder(plan)["reasons"]
    row = plan.problems[plan.problems["code"] == "ladder_near_line"].iloc[0]
    assert (row["severity"], row["layer"], row["feature"]) == ("warning", "scenario", "B000/1")
    # Nobody would have planned it there.
    assert "B" not in set(shed(shapes, obstacles=wires).ladders["side"])


def test_a_neighbour_in_the_way_is_told(shapes: ModuleType) -> None:
    """A gap of 4 ft: the base at the quarter would stand in the neighbour."""
    roofs = shapes.roofs(shapes.rectangle(100, 60), shapes.rectangle(50, 60, west=104.0))
    spot = standing(shapes, ("B000", 102.0, 30.0))
    plan = shapes.planned(roofs, placed_ladders=spot)[1]
    assert codes(plan) == {"ladder_ground_not_free", "ladder_base_in_building"}
    assert first_ladder(plan)["side"] == "B"


def test_an_outline_that_only_stands_in_the_way_counts_as_a_building(shapes: ModuleType) -> None:
    """The neighbour as a section of its own, and as an outline beside: the same for the first."""
    both = shapes.roofs(shapes.rectangle(100, 60), shapes.rectangle(50, 60, west=104.0))
    spot = standing(shapes, ("B000", 102.0, 30.0))
    alone = both.iloc[:1]
    plan = shapes.planned(alone, placed_ladders=spot, outlines=both.iloc[1:])[1]
    assert codes(plan) == {"ladder_base_in_building"}
    assert codes(shapes.planned(alone, placed_ladders=spot)[1]) == set()


def test_a_party_wall_is_told(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 60), shapes.rectangle(50, 60, west=100.0))
    plan = shapes.planned(roofs, placed_ladders=standing(shapes, ("B000", 101.0, 30.0)))[1]
    assert "ladder_at_party_wall" in codes(plan)
    assert first_ladder(plan)["side"] == "B"


def test_water_and_fences_are_told(shapes: ModuleType) -> None:
    pond = shapely.box(103, 20, 120, 40)
    fence = shapely.LineString([(102, 20), (102, 40)])
    frame = gpd.GeoDataFrame(
        {"ground_id": ["1", "2"], "kind": ["water", "fence"], "basis": "recorded", "note": None},
        geometry=list(shapes.in_crs([pond, fence])),
        crs=shapes.UTM,
    )
    plan = shed(shapes, 105.0, 30.0, ground=shapes.conform("ground", frame))
    assert codes(plan) == {"ladder_on_bad_ground", "ladder_across_fence"}


def test_a_thing_at_the_foothold_is_told_and_no_way_leads_through_it(shapes: ModuleType) -> None:
    """A unit right inside the wall closes the foothold: the ladder stays, the roof is not opened."""
    unit = shapes.obstacles(("unit", "B000", shapely.box(85, 20, 100, 40)))
    plan = shed(shapes, 103.0, 30.0, obstacles=unit)
    assert codes(plan) == {"ladder_by_obstacle"}
    assert first_ladder(plan)["side"] == "B"
    assert len(plan.openings) == 0
    assert "no_path" in set(plan.problems["code"])


def test_openings_keep_off_a_ladder_that_stands(shapes: ModuleType) -> None:
    """With the fire beside the wall, the first opening moves off, not the ladder."""
    fire = shapes.fires(("B000", shapely.Point(92.0, 30.0)))
    usual, plan = shed(shapes, fires=fire), shed(shapes, 104.0, 30.0, fires=fire)
    _, tip = ends_ft(shapes, first_ladder(plan))
    assert tip == pytest.approx((100.0, 30.0), abs=0.02)
    foothold = shapes.in_crs([shapely.Point(100.0 - RULES.number("ladder.landing_ft"), 30.0)])[0]
    clear_m = RULES.number("ladder.opening_clear_ft") * 0.3048
    assert usual.openings.geometry.distance(foothold).min() < clear_m * 0.999
    assert plan.openings.geometry.distance(foothold).min() >= clear_m * 0.999
    assert codes(plan) == set()


def test_a_skylight_at_the_foothold_cannot_move_and_is_told(shapes: ModuleType) -> None:
    light = shapes.obstacles(("skylight", "B000", shapely.box(90, 27, 95, 33)))
    fire = shapes.fires(("B000", shapely.Point(88.0, 30.0)))
    plan = shed(shapes, 104.0, 30.0, fires=fire, obstacles=light)
    assert "existing_opening" in set(plan.openings["method"])
    assert codes(plan) == {"ladder_by_opening"}


def test_glazing_at_the_foothold_cannot_move_and_is_told(shapes: ModuleType) -> None:
    fire = shapes.fires(("B000", shapely.Point(4.0, 30.0)))
    facts: dict[str, Any] = {"roof_family": ["sawtooth"], "fires": fire}
    usual = shed(shapes, **facts)
    glazing = shapes.in_feet([usual.openings.geometry.iloc[0].centroid])[0]
    plan = shed(shapes, -3.0, glazing.y, **facts)
    assert plan.openings["method"].tolist() == ["glazing"]
    assert codes(plan) == {"ladder_by_opening"}


def test_a_roof_that_pushes_walls_out_is_told(shapes: ModuleType) -> None:
    plan = shed(shapes, 103.0, 30.0, roof_family=["bowstring_truss"])
    assert codes(plan) == {"ladder_in_collapse_zone"}
    assert "no spot was found outside it" not in first_ladder(plan)["reasons"]
    assert first_ladder(plan)["in_collapse_zone"]


def test_out_of_reach_stays_out_of_reach(shapes: ModuleType) -> None:
    """A stated ladder does not grow: where nothing reaches, nothing is cut."""
    plan = shed(shapes, 103.0, 30.0, height_ft=[140.0])
    assert first_ladder(plan)["apparatus"] == "out_of_reach"
    assert first_ladder(plan)["reasons"].startswith("Stated by the scenario")
    assert len(plan.openings) == 0
    assert "out_of_reach" in set(plan.problems["code"])


def test_a_gable_has_no_way_to_the_ridge(shapes: ModuleType) -> None:
    """The ridge runs along the house: a ladder at a gable stands under a rake that nothing leads up."""
    house = shapes.roofs(
        shapes.rectangle(60, 30),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["gabled"],
        rafter_spacing_ft=[2.0],
        slope_deg=[25.0],
    )
    _, usual = shapes.planned(house)
    assert len(usual.openings) > 0
    _, plan = shapes.planned(house, placed_ladders=standing(shapes, ("B000", 63.0, 15.0)))
    assert codes(plan) == {"ladder_at_slanted_edge"}
    assert len(plan.openings) == len(plan.paths) == 0
    assert "no_path" in set(plan.problems["code"])
    _, eave = shapes.planned(house, placed_ladders=standing(shapes, ("B000", 20.0, -3.0)))
    assert codes(eave) == set()
    assert len(eave.openings) > 0
    assert len(eave.paths) > 0


@pytest.mark.parametrize(
    ("east_ft", "corner_ft", "cuts"), [(20.0, 0.0, 1), (2.5, 0.0, 1), (20.0, -9.0, 1), (-6.0, -9.0, 0)]
)
def test_beside_a_hip_a_cut_on_the_next_plane_is_sure_to_cross_a_member(
    shapes: ModuleType, east_ft: float, corner_ft: float, cuts: int
) -> None:
    """Five feet in from the wall and 2.5 ft from the corner lies the plane over the other wall: where the
    walls are not square, a cut across the one does not lie across the other."""
    house = shapes.roofs(
        shapely.Polygon([(corner_ft, 0), (50, 0), (50, 30), (0, 30)]),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["hipped"],
        rafter_spacing_ft=[1.5],
        slope_deg=[20.0],
    )
    spot = standing(shapes, ("B000", east_ft, -3.0))
    _, plan = shapes.planned(house, placed_ladders=spot)
    assert len(plan.paths) > 0
    assert (plan.checks["kind"] == "inspection_cut").sum() == cuts


# Methods to prefer.


def method_of(plan: Any) -> tuple[str | None, str]:
    row = plan.sections[plan.sections["planned"].astype(bool)].iloc[0]
    return (None if pd.isna(row["cut_method"]) else row["cut_method"]), str(row["cut_method_why"])


def why_not(plan: Any) -> str:
    rows = plan.problems[plan.problems["code"] == "preferred_method_not_taken"]
    assert len(rows) == 1
    assert rows["severity"].iloc[0] == "warning"
    return str(rows["message"].iloc[0])


def test_a_later_method_of_the_family_is_taken(shapes: ModuleType) -> None:
    plan = shed(shapes, preferred={"B000": "center_rafter_louver"})
    method, why = method_of(plan)
    assert method == "center_rafter_louver"
    assert "preferred in this scenario" in why
    assert set(plan.openings["method"]) == {"center_rafter_louver"}
    rejected = str(plan.sections["methods_rejected"].iloc[0])
    assert "fold_back: another that serves is preferred in this scenario" in rejected
    assert codes(plan) == set()


def test_what_is_there_already_is_passed_over_for_a_cut_that_is_preferred(shapes: ModuleType) -> None:
    light = shapes.obstacles(("skylight", "B000", shapely.box(48, 28, 52, 32)))
    assert method_of(shed(shapes, obstacles=light))[0] == "existing_opening"
    plan = shed(shapes, obstacles=light, preferred={"B000": "fold_back"})
    assert method_of(plan)[0] == "fold_back"
    assert set(plan.openings["method"]) == {"fold_back"}


@pytest.mark.parametrize("family", sorted(RULES.families))
def test_to_leave_a_roof_uncut_may_always_be_preferred(shapes: ModuleType, family: str) -> None:
    plan = shed(shapes, roof_family=[family], preferred={"B000": "do_not_cut"})
    assert method_of(plan) == ("do_not_cut", "do_not_cut: preferred in this scenario")
    assert len(plan.openings) == len(plan.checks) == 0
    assert not (plan.cuts["feature"] == "opening").any()
    assert len(plan.ladders) == 2
    assert codes(plan) == set()


@pytest.mark.parametrize(
    ("family", "wish", "facts", "said"),
    [
        ("panelized_wood", "near_ridge", {}, "family.panelized_wood.methods"),
        ("panelized_wood", "existing_opening", {}, "opening.existing_reach_ft"),
        ("panelized_wood", "fold_back", {"suspended_load": [True]}, "opening.fold_back_under_load"),
        ("panelized_wood", "fold_back", {"panel_type": ["early_heavy"]}, "opening.fold_back_heavy"),
        ("bowstring_truss", "fold_back", {}, "family.bowstring_truss.methods"),
        ("unknown", "fold_back", {}, "family.unknown.methods"),
        ("sawn_rafter_pitched", "near_ridge", {}, "family.sawn_rafter_pitched.span_ft"),
        ("sawn_rafter_pitched", "near_ridge", {"slope_deg": [60.0]}, "opening.steepest_deg"),
        ("sawn_joist_flat", "between_joists", {}, "family.sawn_joist_flat.span_ft"),
    ],
)
def test_a_wish_goes_before_no_rule(
    shapes: ModuleType, family: str, wish: str, facts: dict[str, Any], said: str
) -> None:
    size = (60.0, 20.0) if facts.get("slope_deg") else SHED
    roofs = shapes.roofs(shapes.rectangle(*size), roof_family=[family], **facts)
    usual = shapes.planned(roofs)[1]
    plan = shapes.planned(roofs, preferred={"B000": wish})[1]
    assert f"({said})" in why_not(plan)
    for name in ("sections", "ladders", "openings", "cuts", "trenches"):
        pd.testing.assert_frame_equal(pd.DataFrame(getattr(plan, name)), pd.DataFrame(getattr(usual, name)))


def test_a_method_that_wants_a_permit_wants_it_all_the_same(shapes: ModuleType) -> None:
    asking = [family for family in RULES.families.values() if family.not_permitted]
    assert asking
    for family in asking:
        wish = family.not_permitted[0]
        plan = shed(shapes, roof_family=[family.id], preferred={"B000": wish})
        assert f"(family.{family.id}.needs_permit)" in why_not(plan)
        assert wish not in set(plan.openings["method"])


def test_a_method_that_finds_no_place_is_told(shapes: ModuleType) -> None:
    """Listed and not rejected, and yet nothing can be opened: the roof is covered with solar panels."""
    panels = shapes.obstacles(("solar", "B000", shapely.box(0.5, 0.5, 99.5, 59.5)))
    plan = shed(shapes, obstacles=panels, preferred={"B000": "fold_back"})
    assert len(plan.openings) == 0
    assert "fold back, opens nothing here: no bay is clear" in why_not(plan)


def test_no_method_at_all_may_be_preferred(shapes: ModuleType) -> None:
    pd.testing.assert_frame_equal(
        pd.DataFrame(shed(shapes, preferred={"B000": None}).sections), pd.DataFrame(shed(shapes).sections)
    )
    with pytest.raises(ValueError, match="'saw' is none of"):
        shed(shapes, preferred={"B000": "saw"})


# Winds.


def test_every_section_has_its_own_wind(shapes: ModuleType) -> None:
    """Two sheds far apart in one call, each as it is alone."""
    outlines = [shapes.rectangle(*SHED), shapes.rectangle(*SHED, west=2000.0)]
    roofs = shapes.roofs(*outlines)
    both = shapes.planned(roofs, wind_from_deg=np.array([270.0, 45.0]))[1]
    for row, wind in enumerate((270.0, 45.0)):
        alone = shapes.planned(roofs, wind_from_deg=wind)[1]
        for name in ("sections", "ladders", "openings"):
            one, other = (pd.DataFrame(getattr(plan, name)) for plan in (both, alone))
            keep = f"B{row:03d}"
            pd.testing.assert_frame_equal(
                one[one["building_id"] == keep], other[other["building_id"] == keep], check_categorical=False
            )
    assert both.sections["wind_from_deg"].tolist() == [270.0, 45.0]


# Laws.


def told_apart(one: Any, other: Any, *but: str, within: float = 1e-6) -> list[str]:
    """Columns in which two tables differ; geometry and numbers to a millionth if nothing is said."""
    one, other = one.reset_index(drop=True), other.reset_index(drop=True)
    if len(one) != len(other):
        return [f"{len(one)} rows and {len(other)}"]
    found = []
    for name in one.columns.drop([*but], errors="ignore"):
        left, right = one[name], other[name]
        if name == "geometry":
            apart = shapely.hausdorff_distance(left.to_numpy(), right.to_numpy())
            same = bool((apart < within).all())
        elif pd.api.types.is_float_dtype(left):
            numbers = (column.to_numpy(dtype=float, na_value=np.nan) for column in (left, right))
            same = np.allclose(*numbers, rtol=0, atol=within, equal_nan=True)
        else:
            same = left.astype(object).equals(right.astype(object))
        if not same:
            found.append(name)
    return found


TABLES_OF_A_PLAN = (
    "sections",
    "ladders",
    "paths",
    "checks",
    "openings",
    "cuts",
    "trenches",
    "collapse_zones",
)
# What says that something was stated is all that may differ.
SAID = ("cut_method_why", "rules", "reasons")


def hold_the_standing_plan_fixed(plan: Callable[..., Plan]) -> None:
    """To state what the standing plan says already changes nothing of it."""
    usual = plan()
    told = pd.DataFrame(usual.sections)[["building_id", "cut_method"]].dropna()
    wishes = dict(told.to_numpy())
    first = usual.ladders[usual.ladders["rank"] == 1]
    # A ladder is stated by its base; what only the aerial reaches, by where it goes over the edge.
    ground = (first["apparatus"] == "ground_ladder").to_numpy()
    end = shapely.get_point(first.geometry.to_numpy(), np.where(ground, 0, 1))
    stated = gpd.GeoDataFrame(first[["building_id"]].reset_index(drop=True), geometry=end, crs=first.crs)
    assert min(len(stated), len(told)) > 200
    # Over a roof that pushes walls out the aerial is planned where a ladder would reach.
    lengths = working_reach(first["support_ft"].to_numpy(), RULES).ladder_ft
    other_means = set(first["building_id"][~ground & np.isfinite(lengths)])
    for wished, ladders in ((wishes, None), (None, stated), (wishes, stated)):
        again = plan(preferred=wished, placed_ladders=ladders)
        left_out = set() if ladders is None else other_means
        for name in TABLES_OF_A_PLAN:
            one, other = (
                table[~table["building_id"].isin(left_out)]
                for table in (getattr(usual, name), getattr(again, name))
            )
            # Of two lines of a pitched roof that meet at a joint a way may take either, and holes go with it.
            within = 0.05 if name in ("paths", "checks") else 1e-6
            assert told_apart(one, other, *SAID, within=within) == [], name
        keys = ["feature", "code"]
        problems = [
            found.problems[~found.problems["feature"].str.split("/").str[0].isin(left_out)][keys]
            for found in (usual, again)
        ]
        assert told_apart(*(found.sort_values(keys) for found in problems)) == []


@pytest.fixture(scope="module")
def synthetic_plan(shapes: ModuleType, synthetic: ModuleType) -> Callable[..., Plan]:
    """Plans of one synthetic district, framed once."""
    roofs, streets, obstacles = synthetic.synthetic_roofs(300)
    framing = frame_roofs(roofs, streets, RULES, shapes.GROUND)
    fires = shapes.fires(crs=roofs.crs)

    def plan(wind_from_deg: Any = 250.0, **stated: Any) -> Plan:
        return place_plans(
            framing,
            roofs,
            obstacles,
            fires,
            RULES,
            wind_from_deg=wind_from_deg,
            wind_basis="assumed",
            streets=streets,
            **stated,
        )

    return plan


def test_a_synthetic_district_that_is_stated_to_itself_stays_as_it_is(
    synthetic_plan: Callable[..., Plan],
) -> None:
    hold_the_standing_plan_fixed(synthetic_plan)


def test_what_is_stated_of_some_buildings_changes_nothing_of_the_others(
    synthetic_plan: Callable[..., Plan],
) -> None:
    usual = synthetic_plan()
    second = usual.ladders[usual.ladders["rank"] == 2]
    some = second["building_id"].iloc[::3].tolist()
    spots = shapely.get_point(second.geometry.to_numpy()[::3], 1)
    ladders = gpd.GeoDataFrame({"building_id": some}, geometry=spots, crs=second.crs)
    winds = np.where(usual.sections["building_id"].isin(some), 70.0, 250.0)
    plan = synthetic_plan(
        winds, preferred=dict.fromkeys(some, "center_rafter_louver"), placed_ladders=ladders
    )
    assert len(some) > 50
    for name in TABLES_OF_A_PLAN:
        one, other = (
            table[~table["building_id"].isin(some)] for table in (getattr(usual, name), getattr(plan, name))
        )
        assert len(one) > 0
        assert told_apart(one, other) == [], name
    # The spot that was second is now first, and what is opened there is opened as preferred.
    theirs = plan.ladders[plan.ladders["building_id"].isin(some) & (plan.ladders["rank"] == 1)]
    moved = shapely.distance(shapely.get_point(theirs.geometry.to_numpy(), 1), spots)
    assert (moved < 1e-6).all()
    assert set(plan.openings["method"][plan.openings["building_id"].isin(some)]) == {"center_rafter_louver"}


def test_the_demo_district_that_is_stated_to_itself_stays_as_it_is() -> None:
    district = read_district(Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml")
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    inventory = take_inventory(inputs, rules, ground)
    framing = frame_roofs(inventory.roofs, inputs.streets, rules, ground, inputs.walls)
    hold_the_standing_plan_fixed(
        lambda **stated: place_plans(
            framing,
            inventory.roofs,
            inventory.obstacles,
            inventory.fires,
            rules,
            wind_from_deg=250.0,
            wind_basis="assumed",
            streets=inputs.streets,
            ground=inventory.ground,
            **stated,
        )
    )


# The laws that a ladder may break by standing where it stands, and what is then told of it.
TOLD_INSTEAD = {
    "ladder_bases_stand_outside_every_building": "ladder_base_in_building",
    "ladders_keep_the_clearance_of_overhead_lines": "ladder_near_line",
    "ladders_lean_on_an_outer_wall_at_the_quarter": "ladder_at_party_wall",
    "ladders_stand_at_eaves_or_at_the_high_wall": "ladder_at_slanted_edge",
    # Skylights and glazing do not move away from a foothold as a cut does.
    "openings_leave_the_foothold_free": "ladder_by_opening",
}


def not_told(broken: dict[str, list[str]], problems: pd.DataFrame) -> dict[str, list[str]]:
    """Laws broken by sections of which it is not told."""
    said = problems.groupby("code")["feature"].agg(set).to_dict()
    left = {law: set(ids) - said.get(TOLD_INSTEAD.get(law, ""), set()) for law, ids in broken.items()}
    return {law: sorted(ids) for law, ids in left.items() if ids}


@st.composite
def stated_of(draw: st.DrawFn, outlines: list[shapely.Polygon], wishes: list[str | None]) -> dict[str, Any]:
    """A wind, maybe a method and maybe a ladder for each building, near the outer wall or far off."""
    names = [f"B{number:03d}" for number in range(len(outlines))]
    spots = []
    for name, outline in zip(names, outlines, strict=True):
        if draw(st.integers(0, 3)):
            ring = shapely.get_exterior_ring(outline)
            at = shapely.line_interpolate_point(ring, draw(st.integers(0, 99)) / 100, normalized=True)
            turn = np.radians(draw(st.integers(0, 359)))
            out = draw(st.integers(0, 18))
            spots.append((name, shapely.Point(at.x + out * np.sin(turn), at.y + out * np.cos(turn))))
    return {
        "wishes": {name: draw(st.sampled_from(wishes)) for name in names},
        "winds": [float(draw(st.integers(0, 359))) for _ in names],
        "spots": spots,
    }


SLOW = settings(
    max_examples=12,
    # A smaller example is not worth minutes of a shared machine.
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.mark.parametrize("families", [["panelized_wood"], FLAT], ids=["panelized", "every flat family"])
def test_the_laws_hold_whatever_is_stated(shapes: ModuleType, laws: ModuleType, families: list[str]) -> None:
    """Any wind, fire, method and ladder: what a law says of a plan holds, or the ladder's rows tell."""

    @SLOW
    @given(st.data())
    def hold(data: st.DataObject) -> None:
        district = data.draw(districts(families))
        stated = data.draw(stated_of(district["shapes"], [None, *METHODS]))
        note("\n".join(shape.wkt for shape in district["shapes"]))
        street = district["street"]
        line = shapely.LineString([(-500, street or 0), (2500, street or 0)])
        obstacles = shapes.obstacles(*district["things"])
        rules = FREE if district["permitted"] else RULES
        framing, plan = shapes.planned(
            shapes.roofs(*district["shapes"], **district["facts"]),
            streets=shapes.streets(line) if street is not None else None,
            obstacles=obstacles,
            fires=shapes.fires(*district["fires"]),
            rules=rules,
            wind_from_deg=np.array(stated["winds"]),
            preferred=stated["wishes"],
            placed_ladders=shapes.fires(*stated["spots"]),
        )
        measured = laws.Measured(tables_of(framing, plan, obstacles), rules, shapes.GROUND)
        assert not_told(laws.broken(measured), plan.problems) == {}

    hold()


def test_the_laws_hold_on_pitched_roofs_whatever_is_stated(shapes: ModuleType, laws: ModuleType) -> None:
    @SLOW
    @given(st.data())
    def hold(data: st.DataObject) -> None:
        district = data.draw(pitched_districts())
        wishes = [None, "near_ridge", "existing_opening", "do_not_cut"]
        stated = data.draw(stated_of(district["outlines"], wishes))
        note("\n".join(shape.wkt for shape in district["outlines"]))
        obstacles = shapes.obstacles(*district["things"])
        framing, plan = shapes.planned(
            shapes.roofs(*district["outlines"], **district["facts"]),
            obstacles=obstacles,
            fires=shapes.fires(*district["fires"]),
            rules=RULES,
            wind_from_deg=np.array(stated["winds"]),
            preferred=stated["wishes"],
            placed_ladders=shapes.fires(*stated["spots"]),
        )
        tables = tables_of(framing, plan, obstacles) | {"planes": framing.planes}
        measured = laws.Measured(tables, RULES, shapes.GROUND)
        broken = laws.broken(measured) | pitched_laws.broken(pitched_laws.Pitched(measured))
        # Planes tell where members run, whatever the outline tells of an axis; and how far an opening is
        # from a thing is measured on the roof, by a law of pitched roofs.
        for of_flat_roofs in ("only_planned_roofs_of_known_axis_are_cut", "openings_clear_of_obstacles"):
            broken.pop(of_flat_roofs, None)
        assert not_told(broken, plan.problems) == {}

    hold()
