"""Openings and their cuts: a 20 by 8 ft bay by hand, both ways to open it."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given

from roofplat.placing.openings import cut_steps, kept_short, toward_ladder
from roofplat.placing.scene import Boxes
from roofplat.rules import load_rulebook
from roofplat.tables import CUT_KINDS, METHODS


def _cuts(plan: Any) -> pd.DataFrame:
    cuts = plan.cuts[(plan.cuts["feature"] == "opening") & (plan.cuts["feature_seq"] == 1)]
    return cuts.sort_values("seq")[["kind", "count", "saw", "cut_ft"]].round({"cut_ft": 3})


def test_fold_back_of_a_twenty_by_eight_bay(shapes: ModuleType) -> None:
    """18 by 6 ft inside the clearances: one base cut of 18, and three parallel cuts of 6 for two parts."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    first = plan.openings.iloc[0]
    assert first["method"] == "fold_back"
    assert (first["length_ft"], first["width_ft"]) == (pytest.approx(18.0), pytest.approx(6.0))
    assert first["parts"] == 2
    assert pd.isna(first["push_side"])
    assert _cuts(plan).to_numpy().tolist() == [["base_cut", 1, 1, 18.0], ["parallel_cut", 3, 2, 18.0]]


def test_louvers_where_something_hangs(shapes: ModuleType) -> None:
    """Rafters every 2 ft, two to a louver: four louvers of 4 ft in 18, five parallel cuts."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48), suspended_load=[True]))
    first = plan.openings.iloc[0]
    assert (first["method"], first["parts"]) == ("center_rafter_louver", 4)
    assert _cuts(plan).to_numpy().tolist() == [
        ["head_cut", 1, 1, 18.0],
        ["parallel_cut", 5, 2, 30.0],
        ["base_cut", 1, 1, 18.0],
    ]
    assert "hangs from the roof" in str(plan.sections["methods_rejected"].iloc[0])


def test_louvers_for_the_early_heavy_panels(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48), panel_type=["early_heavy"]))
    assert plan.sections["cut_method"].tolist() == ["center_rafter_louver"]


@pytest.mark.parametrize(("wind", "side"), [(270.0, "west"), (90.0, "east"), (300.0, "west")])
def test_the_windward_edge_is_pushed_down(shapes: ModuleType, wind: float, side: str) -> None:
    """Louvers turn about rafters, which run with the beams, north: their edges are east and west."""
    roofs = shapes.roofs(shapes.rectangle(100, 48), suspended_load=[True], framing_axis_deg=[0.0])
    _, plan = shapes.planned(roofs, wind_from_deg=wind)
    assert set(plan.openings["push_side"]) == {side}


@pytest.mark.parametrize(("wind", "toward"), [(270.0, 270.0), (90.0, 90.0)])
def test_the_cuts_advance_toward_the_ladder(shapes: ModuleType, wind: float, toward: float) -> None:
    """The ladder leans on the upwind wall, at the end of the bays."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(200, 48)), wind_from_deg=wind)
    assert plan.openings["finish_toward_deg"].iloc[0] == pytest.approx(toward, abs=0.1)


def test_the_base_is_the_side_nearer_the_ladder_and_the_lower_one_of_equals() -> None:
    """Openings of 6 by 18 ft of two roofs: one footholds at (5, 40), the other at (-7, -20)."""
    low_u, low_v = np.array([8.0, -2.0, 2.0, -12.0]), np.array([42.0, 20.0, 31.0, -60.0])
    boxes = Boxes(np.array([0, 0, 0, 1]), low_u, low_u + 6.0, low_v, low_v + 18.0)
    one = np.ones(4, dtype=np.int64)
    strips = toward_ladder(
        boxes, np.array([5.0, -7.0]), np.array([40.0, -20.0]), seq=one, method=one, parts=one
    )
    assert strips.u_base.tolist() == [8.0, 4.0, 2.0, -6.0]
    assert strips.u_head.tolist() == [14.0, -2.0, 8.0, -12.0]
    assert strips.v_finish.tolist() == [42.0, 38.0, 31.0, -42.0]
    assert strips.v_start.tolist() == [60.0, 20.0, 49.0, -60.0]


def test_the_cuts_of_an_opening_are_numbered_from_one() -> None:
    one = np.ones(2, dtype=np.int64)
    strips = toward_ladder(
        Boxes(np.array([0, 0]), *[np.array([low, low]) for low in (0.0, 6.0, 0.0, 18.0)]),
        np.zeros(1),
        np.zeros(1),
        seq=one,
        method=np.array([METHODS.index("fold_back"), METHODS.index("center_rafter_louver")]),
        parts=2 * one,
    )
    steps = cut_steps(strips)
    assert steps.opening.tolist() == [0, 0, 1, 1, 1]
    assert steps.step.tolist() == [1, 2, 1, 2, 3]
    kinds = [CUT_KINDS[kind] for kind in steps.kind]
    assert kinds == ["base_cut", "parallel_cut", "head_cut", "parallel_cut", "base_cut"]
    assert steps.owner.tolist() == [0, 1, 1, 1, 2, 3, 3, 3, 4]


@pytest.mark.parametrize("at", [(10.0, 4.0), (90.0, 4.0), (10.0, 44.0), (90.0, 44.0)])
def test_the_first_opening_is_the_bay_that_holds_the_fire_spot(
    shapes: ModuleType, at: tuple[float, float]
) -> None:
    """In the bay of each corner, the first and the last one among them."""
    fire = shapely.Point(at)
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)), fires=shapes.fires(("B000", fire)))
    first = shapes.in_feet([plan.openings.geometry.iloc[0]])[0]
    assert shapely.centroid(first).distance(fire) == pytest.approx(0.0, abs=0.01)


def test_louvers_are_no_narrower_than_two_rafters(shapes: ModuleType) -> None:
    """19 ft between the clearances hold four whole louvers of 4 ft, folded back two parts of 9.5."""
    wide = {"beam_spacing_ft": [21.0] * 2, "suspended_load": [True, None]}
    boxes = [shapes.rectangle(105, 48, west=300 * number) for number in range(2)]
    _, plan = shapes.planned(shapes.roofs(*boxes, **wide))
    firsts = plan.openings[plan.openings["seq"] == 1]
    assert firsts["length_ft"].tolist() == pytest.approx([19.0, 19.0], abs=0.01)
    assert firsts[["method", "parts"]].to_numpy().tolist() == [["center_rafter_louver", 4], ["fold_back", 2]]


def test_a_tenth_of_the_roof_is_wanted_and_the_shortfall_told(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    assert plan.openings["wanted_ft2"].tolist() == pytest.approx([480.0] * 3, abs=0.01)
    assert plan.openings["placed_ft2"].tolist() == pytest.approx([324.0] * 3, abs=0.01)
    assert plan.openings["short_ft2"].tolist() == pytest.approx([156.0] * 3, abs=0.01)


def test_openings_say_which_rules_put_them_there(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    known = set(shapes.RULES.rules)
    for table in (plan.openings, plan.ladders):
        for rules in table["rules"]:
            assert rules
            assert set(rules.split()) <= known


@given(
    low=st.floats(-200, 200),
    length=st.floats(0.5, 60),
    longest=st.floats(0.5, 80),
    toward=st.floats(-300, 300),
)
def test_a_range_kept_short_is_as_near_as_it_goes(
    low: float, length: float, longest: float, toward: float
) -> None:
    high = low + length
    start, end = (float(at[0]) for at in kept_short(*(np.array([at]) for at in (low, high, longest, toward))))
    assert end - start == pytest.approx(min(longest, high - low))
    assert low - 1e-9 <= start
    assert end <= high + 1e-9
    # It lies about the place, or ends where the range does on that side.
    middle = (start + end) / 2
    assert middle == pytest.approx(toward, abs=1e-9) or (
        start == pytest.approx(low) if middle > toward else end == pytest.approx(high)
    )


def _sides(opening: Any) -> tuple[float, float]:
    """Extent east and north in feet."""
    west, south, east, north = shapely.bounds(opening) / 0.3048 / 0.9996
    return east - west, north - south


def _beside(plan: Any, framing: Any, kind: str) -> np.ndarray:
    """How far the end cuts of openings, which run north, lie from each member of a kind, in feet."""
    members = framing.members[framing.members["kind"] == kind].geometry
    at = shapely.get_coordinates(shapely.get_parts(members.to_numpy()))[::2, 0]
    edges = shapely.bounds(plan.openings.geometry.to_numpy())[:, [0, 2]].ravel()
    return np.asarray(np.abs(edges[:, None] - at).min(axis=1) / 0.3048 / 0.9996)


@pytest.mark.parametrize("east", [10.0, 31.0, 44.0, 60.0])
def test_between_joists(shapes: ModuleType, east: float) -> None:
    """Joists every 2 ft, a bay of five: 8 by 4 ft, a foot off every joist, at the fire spot."""
    roofs = shapes.roofs(shapes.rectangle(80, 30), roof_family=["sawn_joist_flat"], rafter_spacing_ft=[2.0])
    fire = shapely.Point(east, 14)
    framing, plan = shapes.planned(roofs, fires=shapes.fires(("B000", fire)))
    assert set(plan.openings["method"]) == {"between_joists"}
    assert plan.openings["parts"].tolist() == [1] * len(plan.openings)
    for opening in plan.openings.geometry:
        assert _sides(opening) == pytest.approx((8.0, 4.0), abs=0.01)
    assert _beside(plan, framing, "joist") == pytest.approx(1.0, abs=0.01)
    cuts = _cuts(plan)
    assert cuts["kind"].tolist() == ["head_cut", "parallel_cut", "base_cut"]
    assert cuts["cut_ft"].tolist() == pytest.approx([8.0, 8.0, 8.0], abs=0.01)
    assert shapely.distance(plan.openings.geometry.iloc[0], shapes.in_crs([fire])[0]) < 5.0 * 0.3048


FIRES = [(east, north) for east in np.arange(12.0, 150.0, 9.7) for north in (9.0, 20.3)]


@pytest.mark.parametrize("family", ["sawn_joist_flat", "wood_i_joist_flat", "sawn_rafter_pitched"])
@pytest.mark.parametrize("inches", [12, 16, 19.2, 24])
def test_no_cut_runs_along_a_joist(shapes: ModuleType, family: str, inches: float) -> None:
    """Every parallel cut, the end cuts and those between louvers, is midway between two joists.

    Houses in a row, turned by 17 degrees, each with its fire elsewhere.
    """
    count = len(FIRES)
    houses = [
        shapes.turned(shapes.rectangle(160 + 0.1 * number, 28, west=400 * number), 17.0)
        for number in range(count)
    ]
    roofs = shapes.roofs(
        *houses,
        roof_family=[family] * count,
        rafter_spacing_ft=[inches / 12] * count,
        slope_deg=[26.57 if family.endswith("pitched") else None] * count,
    )
    spots = [
        shapes.turned(shapely.Point(400 * number + east, north), 17.0)
        for number, (east, north) in enumerate(FIRES)
    ]
    fires = shapes.fires(*[(f"B{number:03d}", spot) for number, spot in enumerate(spots)])
    framing, plan = shapes.planned(roofs, fires=fires)
    assert set(plan.openings["building_id"]) == set(roofs["building_id"])
    gap = _off_joists(framing, plan)
    assert gap.min() >= shapes.RULES.number("opening.joist_clear_ft") - 1e-3
    assert gap == pytest.approx(inches / 12 / 2, abs=0.003)


def _off_joists(framing: Any, plan: Any) -> np.ndarray:
    """How far each single parallel cut of an opening is from the nearest joist or rafter, in feet."""
    cuts = plan.cuts[(plan.cuts["feature"] == "opening") & (plan.cuts["kind"] == "parallel_cut")]
    members = framing.members[framing.members["kind"].isin(["joist", "rafter"])]
    joists = shapely.STRtree(shapely.get_parts(members.geometry.to_numpy()))
    single = shapely.get_parts(cuts.geometry.to_numpy())
    assert len(single) == cuts["count"].sum()
    _, gap = joists.query_nearest(single, return_distance=True, all_matches=False)
    return np.asarray(gap / 0.3048 / 0.9996)


@pytest.mark.parametrize(("inches", "longest", "length"), [(16, 5.0, 4.0), (24, 5.0, 4.0), (12, 7.9, 7.0)])
@pytest.mark.parametrize("east", [10.0, 31.3, 44.6, 60.0])
def test_an_opening_kept_short_still_ends_between_joists(
    shapes: ModuleType, inches: float, longest: float, length: float, east: float
) -> None:
    """A department's 5 ft: three spaces of 16 in or two of 24 in are 4 ft; of 12 in seven go into 7.9 ft."""
    rules = load_rulebook({"opening.between_joists_ft": longest})
    roofs = shapes.roofs(
        shapes.rectangle(80, 30), roof_family=["sawn_joist_flat"], rafter_spacing_ft=[inches / 12]
    )
    fire = shapely.Point(east, 14)
    framing, plan = shapes.planned(roofs, fires=shapes.fires(("B000", fire)), rules=rules)
    assert plan.openings["length_ft"].tolist() == pytest.approx([length] * len(plan.openings), abs=0.01)
    assert _off_joists(framing, plan) == pytest.approx(inches / 24, abs=0.003)
    # As near to the fire spot as whole joists let it: within half a space of where it would go.
    assert plan.openings["placed_ft2"].iloc[0] == pytest.approx(4 * length * len(plan.openings), abs=0.1)


def test_no_opening_between_joists_is_longer_than_the_rule(shapes: ModuleType) -> None:
    """A department's 5 ft, between joists and between timbers."""
    rules = load_rulebook({"opening.between_joists_ft": 5.0})
    roofs = shapes.roofs(
        *[shapes.rectangle(80, 30, west=300 * number) for number in range(2)],
        roof_family=["sawn_joist_flat", "heavy_timber"],
    )
    _, plan = shapes.planned(roofs, rules=rules)
    assert set(plan.openings["building_id"]) == {"B000", "B001"}
    assert plan.openings[["length_ft", "width_ft"]].max(axis=None) <= 5.0 + 1e-6


@pytest.mark.parametrize(("purlin", "width"), [(5.0, 3.0), (6.0, 4.0), (6.67, 4.0)])
def test_a_small_opening_is_small_both_ways(shapes: ModuleType, purlin: float, width: float) -> None:
    """4 ft along the girder's length of 40 ft, and no more than 4 ft between the joists."""
    roofs = shapes.roofs(
        shapes.rectangle(120, 60), roof_family=["steel_joist_steel_deck"], purlin_spacing_ft=[purlin]
    )
    fire = shapely.Point(63, 30)
    framing, plan = shapes.planned(roofs, fires=shapes.fires(("B000", fire)))
    first = plan.openings.iloc[0]
    assert first["method"] == "small_opening"
    assert (first["length_ft"], first["width_ft"]) == pytest.approx((4.0, width), abs=0.01)
    assert "deck may drop" in str(first["why"])
    # In the middle of a bay 40 ft wide it lies about the fire spot.
    assert shapely.centroid(first["geometry"]).x == pytest.approx(shapes.in_crs([fire])[0].x, abs=0.01)
    assert _beside(plan, framing, "girder").min() >= 1.0 - 1e-6


def test_joist_louvers_turn_on_two_joists_each(shapes: ModuleType) -> None:
    """8 ft between the end cuts, joists every 2 ft: two louvers of 4 ft, three parallel cuts of 4 ft."""
    roofs = shapes.roofs(shapes.rectangle(80, 30), roof_family=["wood_i_joist_flat"], rafter_spacing_ft=[2.0])
    _, plan = shapes.planned(roofs)
    first = plan.openings.iloc[0]
    assert (first["method"], first["parts"]) == ("joist_louver", 2)
    assert _cuts(plan).to_numpy().tolist() == [
        ["head_cut", 1, 1, 8.0],
        ["parallel_cut", 3, 2, 12.0],
        ["base_cut", 1, 1, 8.0],
    ]
    assert set(plan.openings["push_side"]) == {"west"}
