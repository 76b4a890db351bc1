"""Flow in feet: rows as the tables take them, and what they say where there is no number.

In: sections of made-up buildings, the rulebook.
Out: `flow_rows` held to `venting.smoke` by hand conversion; the two directions as one; the rules behind each
    column; the caution.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from roofplat.errors import RuleError
from roofplat.rules import load_rulebook
from roofplat.venting import CAUTION, FLOW_COLUMNS, flow_rows, prescribed_ft2, smoke, wind_words
from roofplat.venting.words import OUTSIDE

BOOK = load_rulebook()
FOOT_M = 0.3048
SHED = {
    "height_ft": 30.0,
    "area_ft2": 40_000.0,
    "occupancy": "S-1",
    "opening_ft2": 96.0,
    "openings": 3,
}
SHOP = {"height_ft": 10.0, "area_ft2": 1_000.0, "occupancy": "M", "opening_ft2": 96.0, "openings": 3}


def sections(*rows: dict[str, object]) -> pd.DataFrame:
    frame = pd.DataFrame(list(rows))
    return frame.astype({"openings": "Int64", "occupancy": "str"})


def row(**changed: object) -> pd.Series:
    return flow_rows(sections({**SHED, **changed}), BOOK).iloc[0]


def test_a_shed_needs_less_than_a_tenth_and_a_small_shop_more() -> None:
    """What the rule of thumb does not tell apart."""
    frame = sections(SHED, SHOP)
    flow_ft2 = flow_rows(frame, BOOK)["flow_ft2"]
    tenth_ft2 = BOOK.number("opening.wanted_share") * frame["area_ft2"]
    assert flow_ft2[0] < 0.1 * tenth_ft2[0]
    assert flow_ft2[1] > tenth_ft2[1]


def test_the_columns_are_as_named_and_the_index_is_kept() -> None:
    frame = sections(SHED, SHOP).set_axis([7, 3])
    rows = flow_rows(frame, BOOK)
    assert tuple(rows.columns) == FLOW_COLUMNS
    assert rows.index.tolist() == [7, 3]
    assert rows["least_openings"].dtype == "Int64"
    assert flow_rows(frame.iloc[:0], BOOK).empty


def test_every_figure_is_the_si_one_in_feet() -> None:
    """A foot is 0.3048 m: 400 ft2 are 37.16 m2, at 500 kW/m2 18,580 kW."""
    got = row()
    assert got["fire_area_ft2"] == 400.0
    assert got["fire_kw"] == pytest.approx(500.0 * 400.0 * FOOT_M**2)
    assert got["fire_kw"] == pytest.approx(18_580.6, abs=0.1)
    method = smoke.method_of(BOOK)
    fires = smoke.Fires(np.array([got["fire_kw"]]), np.array([37.161216]))
    ceiling, inlet = np.array([9.144]), np.array([183.0 * FOOT_M**2])
    area = smoke.area_for_clear_height(fires, ceiling, np.array([8.2 * FOOT_M]), inlet, method)
    assert got["flow_ft2"] == pytest.approx(area.value[0] / 0.09290304)
    height = smoke.clear_height_for_area(
        fires, ceiling, np.array([96.0 * 0.09290304]), inlet, method, openings=np.array([3.0])
    )
    assert got["clear_planned_ft"] == pytest.approx(height.value[0] / FOOT_M)
    single = smoke.largest_single_m2(
        area.value, area.flow_kg_s, ceiling - 8.2 * FOOT_M, area.layer_k - method.ambient_k, method
    )
    assert got["largest_single_ft2"] == pytest.approx(single[0] / 0.09290304)
    assert got["least_openings"] == math.ceil(area.value[0] / single[0])


@pytest.mark.parametrize(
    ("changed", "column", "value"),
    [
        # A tenth of the floor burns, 400 ft2 at the most.
        ({"area_ft2": 3_000.0}, "fire_area_ft2", 300.0),
        ({"area_ft2": 4_000.0}, "fire_area_ft2", 400.0),
        ({"area_ft2": 400_000.0}, "fire_area_ft2", 400.0),
        # 8.2 ft clear, or six tenths of the height.
        ({"height_ft": 10.0}, "clear_ft", 6.0),
        ({"height_ft": 13.0}, "clear_ft", 7.8),
        ({"height_ft": 14.0}, "clear_ft", 8.2),
        # Three doors of 21 ft2, and in factories and stores one of 120 ft2.
        ({}, "inlet_ft2", 183.0),
        ({"occupancy": "f2"}, "inlet_ft2", 183.0),
        ({"occupancy": "B"}, "inlet_ft2", 63.0),
        ({"occupancy": "warehouse"}, "inlet_ft2", 63.0),
        ({"occupancy": None}, "inlet_ft2", 63.0),
    ],
)
def test_what_is_asked_for_follows_the_rules(changed: dict[str, object], column: str, value: float) -> None:
    assert row(**changed)[column] == pytest.approx(value)


def test_a_department_states_its_own() -> None:
    own = load_rulebook(
        {
            "venting.fire_kw_per_m2": 250.0,
            "venting.fire_area_ft2": 200.0,
            "venting.clear_ft": 6.0,
            "venting.doors": 1,
            "venting.door_ft2": 20.0,
            "venting.freight_doors": 2,
            "venting.freight_door_ft2": 100.0,
            "venting.freight_groups": ["M"],
        }
    )
    shed, shop = (flow_rows(sections(each), own).iloc[0] for each in (SHED, {**SHOP, "height_ft": 12.0}))
    assert shed["fire_kw"] == pytest.approx(250.0 * 200.0 * FOOT_M**2)
    assert (shed["clear_ft"], shed["inlet_ft2"], shop["inlet_ft2"]) == (6.0, 20.0, 220.0)
    assert shed["flow_ft2"] != row()["flow_ft2"]


@pytest.mark.parametrize("shed", [{"occupancy": "B"}, {"height_ft": 18.0}, {}])
def test_the_doors_that_would_do_are_the_smallest_that_do(shed: dict[str, object]) -> None:
    least = row(**shed)["inlet_least_ft2"]
    kept = {"venting.doors": 1, "venting.freight_doors": 0}
    wide, narrow = (
        flow_rows(sections({**SHED, **shed}), load_rulebook({**kept, "venting.door_ft2": least * much})).iloc[
            0
        ]
        for much in (1.0001, 0.9999)
    )
    assert np.isnan(narrow["flow_ft2"])
    assert narrow["flow_outside"] == OUTSIDE[smoke.INLET]
    # There the openings are as much larger than the doors as the range lets them be.
    assert wide["flow_ft2"] == pytest.approx(least / BOOK.share("venting.inlet_least_share"), rel=1e-2)


def test_where_a_range_is_left_there_is_a_sentence_and_no_number() -> None:
    narrow = row(occupancy="B")
    assert math.isnan(narrow["flow_ft2"])
    assert math.isnan(narrow["largest_single_ft2"])
    assert narrow["least_openings"] is pd.NA
    assert narrow["flow_outside"] == OUTSIDE[smoke.INLET]
    # The planned openings still do what they do.
    assert narrow["clear_planned_ft"] > 0
    assert narrow["clear_outside"] == ""
    unknown = row(height_ft=math.nan)
    assert unknown["flow_outside"] == unknown["clear_outside"] == OUTSIDE[smoke.UNKNOWN]
    assert math.isnan(unknown["clear_planned_ft"])
    none = row(opening_ft2=0.0, openings=0)
    assert none["clear_outside"] == OUTSIDE[smoke.NO_OPENING]
    assert none["flow_ft2"] == row()["flow_ft2"]


@pytest.fixture(scope="module")
def town() -> pd.DataFrame:
    """Sections of all sizes and uses, with all kinds of openings or none."""
    rng = np.random.default_rng(10)
    count = 3_000
    return pd.DataFrame(
        {
            "height_ft": rng.uniform(7.0, 80.0, count),
            "area_ft2": 100.0 * 10_000.0 ** rng.random(count),
            "occupancy": pd.array(rng.choice(["S-1", "F", "M", "R-3", "shed"], count), dtype="str"),
            "opening_ft2": np.maximum(0.0, rng.normal(100.0, 200.0, count)),
            "openings": pd.array(rng.integers(0, 60, count), dtype="Int64"),
        },
        index=rng.permutation(count),
    )


def test_a_number_or_a_sentence_never_both_and_never_neither(town: pd.DataFrame) -> None:
    got = flow_rows(town, BOOK)
    assert got.index.equals(town.index)
    for figure, words in (("flow_ft2", "flow_outside"), ("clear_planned_ft", "clear_outside")):
        assert (got[figure].isna() == (got[words] != "")).all()
        assert got[words].isin(OUTSIDE).all()
        assert got[words].nunique() >= 2
    there = got["flow_ft2"].notna()
    assert (got["flow_ft2"][there] > 0).all()
    assert (got["least_openings"][there] >= 1).all()
    assert (got["largest_single_ft2"].notna() == there).all()
    # A layer has its least depth, and no clear height is above it.
    low = got["clear_planned_ft"].dropna()
    assert (low <= 0.8 * town["height_ft"][low.index] + 1e-6).all()


def test_the_area_by_flow_gives_the_wanted_clear_height(town: pd.DataFrame) -> None:
    """Where it is cut as the row says: into `least_openings` or more."""
    wanted = flow_rows(town, BOOK)
    cut = town.assign(opening_ft2=wanted["flow_ft2"], openings=wanted["least_openings"])
    got = flow_rows(cut, BOOK)
    there = wanted["flow_outside"] == ""
    assert there.sum() > 500
    assert got["clear_planned_ft"][there].to_numpy() == pytest.approx(wanted["clear_ft"][there], abs=1e-5)


def test_prescribed_areas_follow_the_rules() -> None:
    """Volume over 9,000 or area over 50; a department whose code says otherwise states it."""
    volume, area = np.array([1.8e6, 1.8e6, math.nan]), np.full(3, 60_000.0)
    known = np.array([True, False, False])
    assert prescribed_ft2(volume, area, known, BOOK).tolist() == [200.0, 1200.0, 1200.0]
    own = load_rulebook(
        {"venting.prescribed_sprinklered_ft": 6000.0, "venting.prescribed_unsprinklered_share": 0.04}
    )
    assert prescribed_ft2(volume, area, known, own).tolist() == [300.0, 2400.0, 2400.0]


def test_the_caution_of_the_method_says_what_it_leaves_out() -> None:
    for words in ("steady state", "one compartment", "no water", "no wind", "not a prediction"):
        assert words in CAUTION.lower()
    assert wind_words(load_rulebook({"venting.wind_limit_mph": 12.5})).endswith("above 12.5 mph.")
    with pytest.raises(RuleError, match="wind_limit_mph"):
        wind_words(load_rulebook({"venting.wind_limit_mph": 0.0}))
