"""The table `venting`, put together: what is empty where, what is said, which slope faces the wind.

In: small roofs, framed and planned.
Out: one row a section that agrees with the tables of the plan, and with itself.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from tests.breaking.tries import tries

from roofplat.errors import RuleError
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES
from roofplat.venting import flow_rows, vent_rows

B = shapely.box
# What belongs to a plan, and is empty in sections that none is drawn of.
OF_PLAN = [
    *("planned_ft2", "glazing_ft2", "saw_ft", "saw_1_ft", "saw_2_ft", "head_cut_ft", "parallel_cut_ft"),
    *("base_cut_ft", "check_saw_ft", "trench_saw_ft", "cross_cut_ft", "parts", "walk_ft", "crew_share"),
    *("rate_basis", "work_minutes", "windward_openings", "cutting_reaches", "says"),
]
GABLED: dict[str, Any] = {
    "roof_family": ["sawn_rafter_pitched"],
    "roof_shape": ["gabled"],
    "slope_deg": [30.0],
    "ridge_deg": [90.0],
}


def _rows(shapes: ModuleType, roofs: Any, **given: Any) -> tuple[pd.DataFrame, Any]:
    rules = given.get("rules", shapes.RULES)
    framing, plan = shapes.planned(roofs, **given)
    things = given.get("obstacles")
    things = shapes.obstacles() if things is None else things
    return vent_rows(framing, roofs, things, plan.sections, plan.late, rules), plan


def test_what_is_of_the_plan_is_empty_where_there_is_none(shapes: ModuleType) -> None:
    """Of two sections the larger is planned; the smaller still says what it wants and what is there."""
    roofs = shapes.roofs(B(0, 0, 100, 48), B(100, 0, 150, 48), building_id=["B000", "B000"], part=[1, 2])
    light = shapes.obstacles(("skylight", "B000", B(110, 10, 114, 18)))
    rows, _ = _rows(shapes, roofs, obstacles=light)
    assert list(rows.columns) == list(TABLES["venting"].columns)
    assert rows["planned"].tolist() == [True, False]
    assert rows.loc[1, OF_PLAN].isna().all()
    known = [name for name in OF_PLAN if name not in ("work_minutes", "says")]
    assert rows.loc[0, known].notna().all()
    assert rows["wanted_ft2"].tolist() == pytest.approx([480.0, 240.0])
    assert rows["existing_ft2"].tolist() == pytest.approx([0.0, 32.0], rel=1e-3)
    assert rows["existing_count"].tolist() == [0, 1]


def test_areas_agree_with_the_openings_of_the_plan(shapes: ModuleType) -> None:
    rows, plan = _rows(shapes, shapes.roofs(shapes.rectangle(100, 48)))
    assert rows["wanted_ft2"].tolist() == plan.openings["wanted_ft2"].unique().tolist()
    assert rows["planned_ft2"][0] == pytest.approx(plan.openings["area_ft2"].sum())


@pytest.mark.parametrize(
    ("width", "share", "reaches"), [(100.0, 0.1, False), (100.0, 0.05, True), (400.0, 0.1, False)]
)
def test_a_sentence_where_the_openings_are_too_small(
    shapes: ModuleType, width: float, share: float, reaches: bool
) -> None:
    """Three bays of 108 ft2 make 324: enough for a twentieth of 4,800 ft2, not for a tenth."""
    rules = load_rulebook({"opening.wanted_share": share, "venting.doors": 1, "venting.door_ft2": 1.0})
    rows, plan = _rows(shapes, shapes.roofs(shapes.rectangle(width, 48)), rules=rules)
    row = rows.iloc[0]
    assert np.isnan(row["flow_ft2"]), "doors of one square foot are outside the range: the rule alone decides"
    assert row["cutting_reaches"] == reaches
    if reaches:
        assert pd.isna(row["says"])
    else:
        trench = " or a trench" if len(plan.trenches) else ""
        assert row["says"] == f"Cutting alone will not vent this section; plan doors{trench}."


def test_what_the_flow_asks_for_is_enough(shapes: ModuleType) -> None:
    """A store of 48,000 ft2: a tenth is 4,800, the stated fire needs far less, and three bays give that."""
    given = {"building_occupancy": ["S-1"], "storeys": [1], "height_ft": [26.0]}
    rows, _ = _rows(shapes, shapes.roofs(shapes.rectangle(400, 120), **given))
    row = rows.iloc[0]
    assert row["flow_ft2"] < row["planned_ft2"] < row["wanted_ft2"]
    assert row["cutting_reaches"]
    assert pd.isna(row["says"])
    assert row["clear_planned_ft"] > row["clear_ft"]


@pytest.mark.parametrize(
    ("by", "width", "doors_ft2", "reaches"),
    [
        # The flow asks for less than the three bays give, the rule for more.
        ("either", 400.0, 21.0, True),
        ("flow", 400.0, 21.0, True),
        ("rule", 400.0, 21.0, False),
        ("both", 400.0, 21.0, False),
        # Outside the range of the flow the rule alone is left.
        ("either", 400.0, 0.1, False),
        ("flow", 400.0, 0.1, False),
        ("both", 400.0, 0.1, False),
        # A twentieth of a small roof is less than the flow asks for through narrow doors.
        ("either", 30.0, 21.0, True),
        ("rule", 30.0, 21.0, True),
        ("both", 30.0, 21.0, True),
    ],
)
def test_a_department_says_by_which_area_it_judges(
    shapes: ModuleType, by: str, width: float, doors_ft2: float, reaches: bool
) -> None:
    rules = load_rulebook(
        {
            "venting.enough_by": by,
            "venting.door_ft2": doors_ft2,
            "venting.freight_door_ft2": 120.0 if doors_ft2 > 1 else 0.1,
            "opening.wanted_share": 0.05 if width < 100 else 0.1,
        }
    )
    given = {"building_occupancy": ["S-1"], "storeys": [1], "height_ft": [26.0]}
    rows, _ = _rows(shapes, shapes.roofs(shapes.rectangle(width, 120), **given), rules=rules)
    assert rows["cutting_reaches"].tolist() == [reaches]
    assert rows["says"].isna().tolist() == [reaches]


def test_a_way_to_judge_that_is_none_is_refused(shapes: ModuleType) -> None:
    with pytest.raises(RuleError, match=r"venting\.enough_by is 'none'; it takes rule, flow, either or both"):
        _rows(
            shapes,
            shapes.roofs(shapes.rectangle(100, 48)),
            rules=load_rulebook({"venting.enough_by": "none"}),
        )


def test_the_sentence_names_what_there_is(shapes: ModuleType) -> None:
    """Vents only where there are some; a roof that is not cut says that first."""
    concrete = {"roof_family": ["concrete_deck"]}
    light = shapes.obstacles(("skylight", "B000", B(10, 10, 14, 18)))
    bare, _ = _rows(shapes, shapes.roofs(shapes.rectangle(100, 48), **concrete))
    lit, _ = _rows(shapes, shapes.roofs(shapes.rectangle(100, 48), **concrete), obstacles=light)
    assert bare["says"].tolist() == ["No cut is planned in this section; plan doors."]
    assert lit["says"].tolist() == ["No cut is planned in this section; plan existing vents or doors."]
    assert bare["cutting_reaches"].isna().all()


@pytest.mark.parametrize(
    ("storeys", "height_ft", "basis"),
    [(2, 10.0, "recorded"), (1, 20.0, "recorded"), (None, 20.0, "inferred")],
)
def test_the_height_is_that_of_the_top_storey(
    shapes: ModuleType, storeys: int | None, height_ft: float, basis: str
) -> None:
    """20 ft to the roof edge; where nobody says how many storeys these are, one is taken, and said so."""
    rows, _ = _rows(shapes, shapes.roofs(shapes.rectangle(100, 48), storeys=[storeys]))
    assert (rows["height_ft"][0], rows["height_basis"][0]) == (height_ft, basis)


@pytest.mark.parametrize(
    ("sprinklered", "by", "area_ft2"),
    [
        (True, "sprinklered", 4800 * 20 / 9000),
        (False, "unsprinklered", 96.0),
        (None, "unknown: unsprinklered taken", 96.0),
    ],
)
def test_the_prescribed_area_and_what_is_short_of_it(
    shapes: ModuleType, sprinklered: bool | None, by: str, area_ft2: float
) -> None:
    """By hand: 96,000 ft3 over 9,000, or 4,800 ft2 over 50; 32 ft2 of skylight are there."""
    roofs = shapes.roofs(shapes.rectangle(100, 48), building_sprinklered=[sprinklered])
    rows, _ = _rows(shapes, roofs, obstacles=shapes.obstacles(("skylight", "B000", B(10, 10, 14, 18))))
    row = rows.iloc[0]
    assert (row["prescribed_ft2"], row["prescribed_by"]) == (pytest.approx(area_ft2), by)
    assert row["vents_short_ft2"] == pytest.approx(max(area_ft2 - 32.0, 0.0), abs=0.02)


@pytest.mark.parametrize(("wind", "count"), [(0.0, 1), (180.0, 0), (90.0, 0), (270.0, 0)])
def test_a_skylight_on_the_slope_that_faces_the_wind_is_counted(
    shapes: ModuleType, wind: float, count: int
) -> None:
    """The ridge runs east; the skylight lies on the north slope. Along the ridge no slope faces the wind."""
    roofs = shapes.roofs(shapes.rectangle(60, 36), **GABLED)
    light = shapes.obstacles(("skylight", "B000", B(28, 26, 32, 30)))
    rows, plan = _rows(shapes, roofs, obstacles=light, wind_from_deg=wind)
    assert "existing_opening" in set(plan.openings["method"])
    assert rows["windward_openings"].tolist() == [count]


@settings(max_examples=tries(8))
@given(wind=st.floats(0, 360), turn=st.floats(0, 180), shape=st.sampled_from(["gabled", "hipped"]))
def test_no_cut_is_planned_on_a_slope_that_faces_the_wind(
    shapes: ModuleType, wind: float, turn: float, shape: str
) -> None:
    house = shapes.turned(shapes.rectangle(60, 36), turn)
    given = {**GABLED, "roof_shape": [shape], "ridge_deg": [(90.0 + turn) % 180.0]}
    rows, plan = _rows(shapes, shapes.roofs(house, **given), wind_from_deg=wind)
    assert rows["windward_openings"].tolist() == [0]
    assert set(plan.openings["method"]) <= {"near_ridge"}


@settings(max_examples=tries(8))
@given(wind=st.floats(0, 360), turn=st.floats(0, 180))
def test_louvers_open_away_from_the_wind(shapes: ModuleType, wind: float, turn: float) -> None:
    """The edge that is pushed down faces the wind, within a right angle and half a point of the compass."""
    roof = shapes.turned(shapes.rectangle(100, 48), turn)
    roofs = shapes.roofs(roof, suspended_load=[True], framing_axis_deg=[turn])
    _, plan = _rows(shapes, roofs, wind_from_deg=wind)
    points = ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"]
    pushed = plan.openings["push_side"]
    assert len(pushed) > 0
    assert pushed.isin(points).all()
    off = np.abs((pushed.map(points.index) * 45.0 - wind + 180.0) % 360.0 - 180.0)
    assert (off <= 90.0 + 22.5 + 1e-6).all()


def test_glazing_counts_apart_from_the_cuts(shapes: ModuleType) -> None:
    rows, plan = _rows(shapes, shapes.roofs(shapes.rectangle(200, 60), roof_family=["sawtooth"]))
    glazing = plan.openings[plan.openings["method"] == "glazing"]
    assert len(glazing) == 1
    assert rows["glazing_ft2"].tolist() == pytest.approx(glazing["area_ft2"].tolist())
    assert rows["planned_ft2"].tolist() == [0.0]
    assert rows["saw_ft"].tolist() == [0.0]
    assert rows["says"].tolist() == ["No cut is planned in this section; plan glazing or doors."]


def test_all_openings_together_give_the_clear_height(shapes: ModuleType) -> None:
    """40 by 10 ft of glazing and a skylight of 80 ft2 are two openings; a point of no size is none."""
    rules = load_rulebook({"opening.glazing_length_ft": 40.0, "opening.glazing_width_ft": 10.0})
    given = {"building_occupancy": ["S-1"], "storeys": [1], "height_ft": [16.0]}
    roofs = shapes.roofs(shapes.rectangle(200, 60), roof_family=["sawtooth"], **given)
    things = [("skylight", "B000", B(180, 5, 190, 13)), ("hatch", "B000", shapely.Point(170, 50))]
    rows, plan = _rows(shapes, roofs, obstacles=shapes.obstacles(*things), rules=rules)
    row = rows.iloc[0]
    assert row["glazing_ft2"] == pytest.approx(400.0)
    opening_ft2 = row["glazing_ft2"] + row["existing_ft2"]
    assert opening_ft2 == pytest.approx(480.0, rel=1e-3)
    room = {"height_ft": [16.0], "area_ft2": [12_000.0], "occupancy": ["S-1"]}
    heights = [
        flow_rows(pd.DataFrame({**room, "opening_ft2": [area], "openings": [count]}), rules)
        for area, count in ((opening_ft2, 2), (opening_ft2, 1), (80.0, 2))
    ]
    by_hand, one_large, skylight_alone = (flow["clear_planned_ft"].iloc[0] for flow in heights)
    assert row["clear_planned_ft"] == pytest.approx(by_hand, abs=1e-6)
    # Under so low a roof it would show if one opening, or its area, were left out.
    assert by_hand > one_large + 0.1 > skylight_alone + 0.2
    assert set(plan.openings["method"]) <= {"glazing", "existing_opening"}


def test_no_section_depends_on_the_others(shapes: ModuleType) -> None:
    """Three buildings at once and each alone: not a bit differs."""
    outlines = [B(0, 0, 100, 48), B(300, 0, 360, 36), B(600, 0, 800, 60)]
    facts: dict[str, Any] = {
        "roof_family": ["panelized_wood", "sawn_rafter_pitched", "concrete_deck"],
        "roof_shape": [None, "gabled", None],
        "slope_deg": [None, 30.0, None],
        "building_occupancy": ["S-1", None, "B"],
        "building_sprinklered": [True, None, False],
    }
    names = [f"B{number:03d}" for number in range(3)]
    drawn = [
        ("skylight", name, B(x + 10, 10, x + 14, 18)) for name, x in zip(names, (0, 300, 600), strict=True)
    ]
    whole, _ = _rows(shapes, shapes.roofs(*outlines, **facts), obstacles=shapes.obstacles(*drawn))
    for number, name in enumerate(names):
        roofs = shapes.roofs(
            outlines[number], building_id=[name], **{key: [values[number]] for key, values in facts.items()}
        )
        alone, _ = _rows(shapes, roofs, obstacles=shapes.obstacles(drawn[number]))
        pd.testing.assert_frame_equal(
            alone.astype({"flow_outside": "str", "clear_outside": "str", "says": "str"}),
            whole.iloc[[number]]
            .reset_index(drop=True)
            .astype({"flow_outside": "str", "clear_outside": "str", "says": "str"}),
            check_exact=True,
        )


def test_no_roof_at_all(shapes: ModuleType) -> None:
    rows, _ = _rows(shapes, shapes.roofs())
    assert rows.empty
    assert list(rows.columns) == list(TABLES["venting"].columns)
