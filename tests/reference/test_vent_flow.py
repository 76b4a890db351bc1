"""Smoke above fires, and the openings that let it out, against worked examples and a zone model.

In: the functions of `venting`, and the `venting.*` rules.
Out: the figures of the sources named in each test, each with how it was seen.

How sources were seen. *Published*: in the source itself, an agency's page or a reprint of it.
*Second-hand*: in a calculation sheet, or in another program's tests or comments; the book or standard was
not at hand. *Run*: a run of NIST's CFAST, the zone model, made for these tests.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from roofplat.rules import load_rulebook
from roofplat.venting import prescribed_ft2, smoke

BOOK = load_rulebook()

FOOT_M = 0.3048


def one(value: float) -> npt.NDArray[np.float64]:
    return np.array([value])


def fire_of(heat_kw: float, diameter_m: float) -> smoke.Fires:
    """A round fire."""
    return smoke.Fires(one(heat_kw), one(math.pi / 4 * diameter_m**2))


# Karlsson and Quintiere, Enclosure Fire Dynamics (2000), examples 4.1 to 4.4: answers quoted in the
# comments of another program, second-hand. Heat release 1,690 kW on 1.6 m, of which 30 percent is radiated.
WOOD = fire_of(1690.0, 1.6)


def test_flame_height() -> None:
    """Example 4.1: 2.96 m. Second-hand."""
    assert smoke.flame_height_m(WOOD.heat_kw, WOOD.diameter_m) == pytest.approx(2.96, abs=0.005)


def test_a_plume_from_a_point() -> None:
    """Example 4.2: 70 kW, 2 m: about 0.95 kg/s and 73 K. Second-hand.

    It takes Zukoski's 0.20 for the plume of a point, all heat as convected and none lost. Ours adds what
    the heat itself takes up and has 0.196 for 0.20: the flow differs by what is said here, and the rise
    follows from the flow.
    """
    ambient = replace(smoke.method_of(BOOK), ambient_k=293.0, convective_share=1.0, heat_kept_share=1.0)
    flow = smoke.plume_above_flame_kg_s(one(70.0), one(2.0), one(0.0), ambient)
    heated = 0.00192 * 70.0
    assert (flow - heated) * 0.20 / 0.196 == pytest.approx(0.95, rel=0.01)
    assert smoke.layer_rise_k(one(70.0), one(0.9524), ambient) == pytest.approx(73.5, rel=0.01)


def test_plume_of_heskestad() -> None:
    """Example 4.3: virtual origin about 0.01 m; 5.59 kg/s at 2.5 m, below the flame tip, and 17.19 at 6.0 m.

    The middle of the plume is 140 K above the air there, which no layer fed by it can be. Second-hand. The
    book rounds: it takes 0.071 for the constant, and at the tip 0.0056 Qc, where the formula, as in CFAST,
    has 0.0714 and 4 percent more.
    """
    method = smoke.method_of(BOOK)
    assert abs(smoke.virtual_origin_m(WOOD.heat_kw, WOOD.diameter_m)[0]) == pytest.approx(0.01, abs=0.001)
    high = smoke.plume_kg_s(WOOD, one(6.0), method)
    assert high == pytest.approx(17.19, rel=0.006)
    convective_kw = method.convective_share * WOOD.heat_kw
    tip_m = smoke.flame_height_m(WOOD.heat_kw, WOOD.diameter_m)
    assert 0.0056 * convective_kw * 2.5 / tip_m == pytest.approx(5.59, abs=0.005)
    assert smoke.plume_kg_s(WOOD, one(2.5), method) == pytest.approx(5.59, rel=0.05)
    whole = replace(method, heat_kept_share=1.0)
    assert smoke.layer_rise_k(convective_kw, high, whole) < 140.0


def _centre_of_mccaffrey(heat_kw: float, height_m: float) -> float:
    """Rise of the temperature in the middle of a plume, K: McCaffrey, three regions by z / Q^(2/5)."""
    scaled = height_m / heat_kw**0.4
    k, power = next(
        (k, power)
        for below, k, power in ((0.08, 6.8, 0.5), (0.2, 1.9, 0.0), (math.inf, 1.1, -1 / 3))
        if scaled < below
    )
    return (k / (0.9 * math.sqrt(2 * 9.81))) ** 2 * scaled ** (2 * power - 1) * 293.0


@pytest.mark.parametrize(("height_m", "ratio", "rise_k"), [(2.5, 0.13, 520.0), (6.0, 0.30, 160.0)])
def test_plume_of_mccaffrey(height_m: float, ratio: float, rise_k: float) -> None:
    """Example 4.4: 520 K at 2.5 m and 160 K at 6.0 m. Second-hand.

    McCaffrey measured the middle of plumes; the mean over a plume's flow, by our mass flow and the whole
    convected heat, has to be less, and above the flames no less than a third of it: across a plume that is
    bell-shaped as Heskestad's, whose warmth is 1.2 times as wide as its speed or less, the mean is about
    half the middle.
    """
    assert height_m / 1690.0**0.4 == pytest.approx(ratio, abs=0.01)
    middle_k = _centre_of_mccaffrey(1690.0, height_m)
    assert middle_k == pytest.approx(rise_k, rel=0.01)
    method = replace(smoke.method_of(BOOK), heat_kept_share=1.0)
    flow = smoke.plume_kg_s(WOOD, one(height_m), method)
    mean_k = smoke.layer_rise_k(method.convective_share * WOOD.heat_kw, flow, method)[0]
    assert middle_k / 3 < mean_k < middle_k


@pytest.mark.checks("venting.convective_share")
def test_a_sheet_by_the_chinese_standard() -> None:
    """GB 51251-2017, a sheet: 1,500 kW, Qc 1,050, 5.20 kg/s at 2.5 m, 200 K, 493.17 K, 7.29 m3/s.

    Second-hand. Its flow below the flames is a form of its own, 0.032 Qc^(3/5) z, which we do not have:
    layer and volume are worked out from its flow.
    """
    convective_kw = BOOK.number("venting.convective_share") * 1500.0
    assert convective_kw == pytest.approx(1050.0)
    flow = 0.032 * convective_kw**0.6 * 2.5
    assert flow == pytest.approx(5.20, abs=0.005)
    method = replace(smoke.method_of(BOOK), heat_kept_share=1.0)
    rise_k = smoke.layer_rise_k(one(convective_kw), one(flow), method)
    # It takes 1.01 kJ/(kg K) where we take 1.005.
    assert rise_k * 1.005 / 1.01 == pytest.approx(200.0, abs=0.05)
    assert rise_k == pytest.approx(200.0, rel=0.006)
    assert method.ambient_k + rise_k == pytest.approx(493.17, rel=0.003)
    smoke_kg_m3 = smoke.AIR_KG_K_M3 / (method.ambient_k + rise_k)
    assert flow / smoke_kg_m3 == pytest.approx(7.29, rel=0.006)


def test_one_opening_by_the_chinese_standard() -> None:
    """The same sheet: gamma 0.5, a layer 0.4 m deep: 0.17 m3/s, 625.90 m3/h. Second-hand."""
    method = replace(smoke.method_of(BOOK), plughole_gamma_ratio=0.5)
    flow = smoke.largest_flow_m3_s(one(0.4), one(200.016), method)
    assert flow * 3600 == pytest.approx(625.90, rel=1e-4)


@pytest.mark.checks("venting.fire_kw_per_m2", "venting.inlet_discharge_ratio")
def test_a_sheet_by_the_british_standard() -> None:
    """BS 7346-4:2003, a consultant's sheet: 500 kW/m2 on 9 m2, 32.35 kg/s, a layer 113.80 K above the air.

    Edge 12 m, height 4.0 m, 4,500 kW, a loss of 10 percent, cp 1.1, 45 C, Ci 0.6, Cv 0.67. Second-hand. The
    row of the vent area was cut off; the closure here was made for this test: Av Cv 4.165 m2, Av 6.22 m2,
    from the flow of 32.35 kg/s.
    """
    heat_kw = BOOK.number("venting.fire_kw_per_m2") * 9.0
    assert heat_kw == pytest.approx(4500.0)
    assert smoke.Fires(one(heat_kw), one(9.0)).perimeter_m == pytest.approx(12.0)
    # The form of a small room: 0.337, which a department may state.
    small = replace(smoke.method_of(BOOK), large_fire_kg_per_s_m2_5=0.337)
    flow = smoke.plume_large_fire_kg_s(one(12.0), one(4.0), small)
    assert flow == pytest.approx(32.35, abs=0.005)
    kept = replace(small, heat_kept_share=0.9)
    rise_k = smoke.layer_rise_k(one(heat_kw), flow, kept) * smoke.HEAT_KJ_KG_K / 1.1
    assert rise_k == pytest.approx(113.80, abs=0.02)
    # Density 1.22 at 318 K is the sheet's own: our air at that temperature is thinner.
    hot = replace(
        small,
        ambient_k=318.0,
        opening_discharge_ratio=0.67,
        inlet_discharge_ratio=BOOK.number("venting.inlet_discharge_ratio"),
    )
    assert hot.inlet_discharge_ratio == 0.6
    ours = smoke.vent_flow_kg_s(one(6.22), one(4.165 / 0.33 / 0.6), one(11.5), rise_k, hot)
    assert ours * 1.22 / hot.density_kg_m3 == pytest.approx(32.35, rel=0.003)


@pytest.mark.checks("venting.large_fire_kg_per_s_m2_5")
def test_the_large_fire_form() -> None:
    """Thomas: 0.188 P y^(3/2), in the abstract of the paper: published.

    A calculation sheet has 12 m, 2.5 m: 8.9 kg/s, and with 1,883.25 kW at cp 1.01 209 K, 12.4 m3/s:
    second-hand.
    """
    method = smoke.method_of(BOOK)
    assert method.large_fire_kg_per_s_m2_5 == 0.188
    flow = smoke.plume_large_fire_kg_s(one(12.0), one(2.5), method)
    assert flow == pytest.approx(8.9, abs=0.03)
    whole = replace(method, heat_kept_share=1.0)
    rise_k = smoke.layer_rise_k(one(1883.25), flow, whole) * smoke.HEAT_KJ_KG_K / 1.01
    assert rise_k == pytest.approx(209.0, abs=0.6)
    smoke_kg_m3 = 1.2 * 314.0 / (314.0 + rise_k)
    assert flow / smoke_kg_m3 == pytest.approx(12.4, abs=0.06)


@pytest.mark.checks("venting.convective_share", "venting.heat_kept_share")
def test_a_layer_by_the_american_standard() -> None:
    """A report by NFPA 204: 0.7 of 5,270 kW, half of it kept, 29.72 kg/s at cp 1: 62 K, 359 K. Second-hand.

    The flame height of that report is wrong, and so its flow: the step alone is taken.
    """
    method = smoke.method_of(BOOK)
    rise_k = smoke.layer_rise_k(one(method.convective_share * 5270.0), one(29.72), method)
    assert rise_k * smoke.HEAT_KJ_KG_K == pytest.approx(62.06, abs=0.01)
    assert 297.0 + rise_k == pytest.approx(359.0, abs=0.5)


def test_virtual_origins() -> None:
    """PD 7974-1, hand values of another library's tests: 1,000 kW on 1 m: 0.29546 m. Second-hand.

    GB/T 31593.7-2015, which is ISO 16736, example B.8: 2,500 kW/m2 on a pan of 1.8 m: 0.921 m. Published.
    NUREG-1805, in a library's tests: 750 kW on 2.2 m: -0.487058 diameters. Second-hand.
    """
    assert smoke.virtual_origin_m(one(1000.0), one(1.0)) == pytest.approx(0.29546, abs=1e-5)
    pan = fire_of(2500.0 * math.pi / 4 * 1.8**2, 1.8)
    assert pan.heat_kw == pytest.approx(6361.7, abs=0.05)
    assert smoke.virtual_origin_m(pan.heat_kw, pan.diameter_m) == pytest.approx(0.921, abs=0.001)
    assert smoke.virtual_origin_m(one(750.0), one(2.2)) / 2.2 == pytest.approx(-0.487058, abs=1e-6)


def test_the_middle_of_a_plume_is_warmer_than_its_mean() -> None:
    """PD 7974-1: 476.3 K at 3 m above 1,000 kW, of a point. NUREG-1805, chapter 9: 507.5 K. Second-hand both.

    We have no form for the middle; the mean over the flow, by our mass flow, is below it and above a third.
    """
    whole = replace(smoke.method_of(BOOK), heat_kept_share=1.0)
    for convective_kw, height_m, origin_m, middle_k in (
        (1000.0, 3.0, 0.29546, 476.327),
        (700.0, 2.0, -0.25, 507.4624 - 288.0),
    ):
        flow = smoke.plume_above_flame_kg_s(one(convective_kw), one(height_m), one(origin_m), whole)
        mean_k = smoke.layer_rise_k(one(convective_kw), flow, whole)[0]
        assert middle_k / 3 < mean_k < middle_k


@pytest.mark.checks("venting.plughole_gamma_ratio")
def test_one_opening_against_plug_holing() -> None:
    """CIBSE Guide E, equation 10.1, in a library's tests: gamma 0.5, 1.5 m, 300 and 290 K: 1.06437 m3/s.

    Second-hand. Gamma is 1 two diameters or more from the nearest wall, 0.5 nearer: published with that
    equation.
    """
    assert BOOK.number("venting.plughole_gamma_ratio") == 1.0
    method = replace(smoke.method_of(BOOK), ambient_k=290.0)
    far = smoke.largest_flow_m3_s(one(1.5), one(10.0), method)
    assert far * 0.5 == pytest.approx(1.06437, abs=5e-6)


def test_volume_of_smoke() -> None:
    """CIBSE Guide E, equation 10.3, in a library's tests: 2 kg/s at 473 K, air of 1.2 at 293 K: 2.69056 m3/s.

    Second-hand. Our air is 353 / T, which is 1.2048 at 293 K.
    """
    assert math.isclose(smoke.AIR_KG_K_M3 / 293.0, 1.2, rel_tol=0.005)
    assert math.isclose(2.0 * 473.0 / (1.2 * 293.0), 2.69056, abs_tol=1e-5)
    assert math.isclose(2.0 / (smoke.AIR_KG_K_M3 / 473.0), 2.69056, rel_tol=0.005)


# NIST CFAST 8, beta 354, a run: a room of 30 x 30 x 10 m without losses, 20 C, 3,500 kW on 7 m2 in the
# middle of its floor, no radiation, an inlet of 30 m2 with a coefficient of 0.70, roof openings with 0.68.
# After 3,000 s: clear height in m, smoke in kg/s, temperature of the layer in C.
ROOM = smoke.Fires(one(3500.0), one(7.0))
ROOM_RUNS = [
    (5, 1.0, 3.939, 21.4, 180.2),
    (10, 1.0, 5.832, 32.3, 126.4),
    (10, 2.0, 7.367, 42.8, 100.2),
]


def room_method() -> smoke.Method:
    return replace(
        smoke.method_of(BOOK),
        ambient_k=293.15,
        convective_share=1.0,
        heat_kept_share=1.0,
        opening_discharge_ratio=0.68,
        inlet_discharge_ratio=0.70,
    )


@pytest.mark.parametrize(("openings", "each_m2", "clear_m", "flow_kg_s", "layer_c"), ROOM_RUNS)
def test_several_openings_against_a_zone_model(
    openings: int, each_m2: float, clear_m: float, flow_kg_s: float, layer_c: float
) -> None:
    """3 percent on clear height and smoke, 5 percent on the layer's rise. Run.

    The model has the same plume and the same coefficients: this holds the flow through the openings, the
    balance of heat and the search to it, not the constants of the plume. Its air below the layer warms by
    2.5 to 12 K, ours does not.
    """
    answer = smoke.clear_height_for_area(
        ROOM, one(10.0), one(openings * each_m2), one(30.0), room_method(), openings=one(openings)
    )
    assert answer.outside.tolist() == [smoke.WITHIN]
    assert answer.value == pytest.approx(clear_m, rel=0.03)
    assert answer.flow_kg_s == pytest.approx(flow_kg_s, rel=0.03)
    assert answer.layer_k - 293.15 == pytest.approx(layer_c - 20.0, rel=0.05)


@pytest.mark.parametrize(("openings", "each_m2", "clear_m", "flow_kg_s", "layer_c"), ROOM_RUNS)
def test_the_area_for_a_height_against_a_zone_model(
    openings: int, each_m2: float, clear_m: float, flow_kg_s: float, layer_c: float
) -> None:
    """The other way round: at the model's clear height our area is the model's to 5 percent. Run.

    The tolerance is wider, as an area grows by more than the height: by some 2 percent for 1 percent of it.
    """
    answer = smoke.area_for_clear_height(ROOM, one(10.0), one(clear_m), one(30.0), room_method())
    assert answer.value == pytest.approx(openings * each_m2, rel=0.05)
    assert answer.flow_kg_s == pytest.approx(flow_kg_s, rel=0.03)
    assert answer.layer_k - 293.15 == pytest.approx(layer_c - 20.0, rel=0.05)


# More runs of the same room, in dry air, with doors 2 m high that hold the flow back: heat in kW, area of
# the fire and ceiling; number of openings, area of each, area of the doors; clear height, smoke,
# temperature after 3,000 s; share that our clear height may be off. In the last, wide fire the model's
# flame tip (3.7 Q*^(2/5) D - 1.02 D, from memory) is an eighth lower than ours, and its flow below the tip
# 6 percent more.
DOOR_RUNS = [
    ((3500.0, 7.0, 10.0), (10, 1.0, 12.0), (5.409, 29.67, 135.9), 0.03),
    ((3500.0, 7.0, 10.0), (10, 1.0, 6.0), (4.514, 24.46, 160.5), 0.03),
    ((3500.0, 7.0, 10.0), (10, 2.0, 6.0), (4.928, 26.80, 148.3), 0.03),
    ((2000.0, 4.0, 6.0), (10, 1.0, 5.85), (3.984, 14.95, 151.3), 0.035),
    ((1500.0, 3.0, 6.0), (20, 1.0, 6.0), (4.487, 14.45, 121.9), 0.035),
    ((4500.0, 9.0, 5.0), (4, 1.0, 5.85), (1.773, 12.14, 384.0), 0.03),
    ((4500.0, 9.0, 5.0), (10, 0.5, 5.85), (2.032, 13.98, 336.1), 0.03),
    ((9000.0, 25.0, 10.0), (10, 1.0, 10.0), (2.643, 39.44, 244.2), 0.055),
]


@pytest.mark.parametrize(("burning", "areas", "modelled", "share"), DOOR_RUNS)
def test_narrow_doors_against_a_zone_model(
    burning: tuple[float, float, float],
    areas: tuple[int, float, float],
    modelled: tuple[float, float, float],
    share: float,
) -> None:
    """The ordinary case, doors no wider than the openings or hardly: 3.1 percent on smoke, 5 on the rise.

    Run. On the clear height 3 percent, in two rooms 3.3 and in the last 5.5. The model's air below the layer
    warms, as above. But for the last, ours is the lower clear height and the hotter layer.
    """
    heat_kw, area_m2, ceiling_m = burning
    openings, each_m2, doors_m2 = areas
    clear_m, flow_kg_s, layer_c = modelled
    answer = smoke.clear_height_for_area(
        smoke.Fires(one(heat_kw), one(area_m2)),
        one(ceiling_m),
        one(openings * each_m2),
        one(doors_m2),
        room_method(),
        openings=one(openings),
    )
    assert answer.outside.tolist() == [smoke.WITHIN]
    assert answer.value == pytest.approx(clear_m, rel=share)
    assert answer.flow_kg_s == pytest.approx(flow_kg_s, rel=0.031)
    assert answer.layer_k - 293.15 == pytest.approx(layer_c - 20.0, rel=0.05)


def test_one_large_opening_against_a_zone_model() -> None:
    """One of 20 m2: 6.321 m, not 7.367, and 67 percent of what leaves is smoke; of 10 m2: 5.650 m and 94.
    Run.

    We say of the first that it is too large for its layer, and give less clear height than for ten small
    ones; of the second, that it is not, and are within 3 percent. The model loses more: its opening draws
    from below before the limit of CIBSE's form.
    """
    method = room_method()
    several, single = (
        smoke.clear_height_for_area(ROOM, one(10.0), one(20.0), one(30.0), method, openings=one(count))
        for count in (10, 1)
    )
    largest = smoke.largest_single_m2(
        one(20.0), several.flow_kg_s, 10.0 - several.value, several.layer_k - 293.15, method
    )
    assert 2.0 < largest[0] < 20.0
    assert 6.321 < single.value[0] < several.value[0] - 0.3
    # What a single opening passes in all, by its area and the layer's depth; of that, its greatest flow is
    # smoke.
    depth_m, rise_k = 10.0 - single.value, single.layer_k - 293.15
    all_kg_s = smoke.vent_flow_kg_s(one(20.0), one(30.0), depth_m, rise_k, method)
    assert 0.67 < single.flow_kg_s / all_kg_s < 0.9

    ten = smoke.clear_height_for_area(ROOM, one(10.0), one(10.0), one(30.0), method, openings=one(1))
    assert ten.value == pytest.approx(5.650, rel=0.03)
    assert (
        smoke.largest_single_m2(one(10.0), ten.flow_kg_s, 10.0 - ten.value, ten.layer_k - 293.15, method)
        > 10.0
    )


@pytest.mark.checks("venting.opening_discharge_ratio")
def test_coefficient_of_an_opening() -> None:
    """0.6, in trade texts 0.6 to 0.65: second-hand. CFAST takes 0.68 of a roof opening, published."""
    assert BOOK.number("venting.opening_discharge_ratio") == 0.6


@pytest.mark.checks("venting.clear_ft")
def test_clear_height() -> None:
    """BS 7346-4: 2.5 m in buildings that are not public, in a smoke-control company's text: second-hand."""
    assert BOOK.number("venting.clear_ft") * FOOT_M == pytest.approx(2.5, abs=0.005)


@pytest.mark.checks("venting.prescribed_sprinklered_ft", "venting.prescribed_unsprinklered_share")
def test_prescribed_areas() -> None:
    """IBC 910.3.3, in a local adoption, published: volume over 9,000 with sprinklers, area over 50 without.

    A space of 300 by 200 ft, 30 ft high: 200 and 1,200 ft2.
    """
    area_ft2 = np.full(2, 300.0 * 200.0)
    prescribed = prescribed_ft2(30.0 * area_ft2, area_ft2, np.array([True, False]), BOOK)
    assert prescribed.tolist() == pytest.approx([200.0, 1200.0])


def test_prescribed_area_and_flow_are_of_one_size() -> None:
    """What the code prescribes for that space with sprinklers is the flow's area within a factor of two.

    No source says so: it would show a foot taken for a metre somewhere between the two.
    """
    foot_m = BOOK.number("ground.foot_m")
    method = smoke.method_of(BOOK)
    area_m2 = BOOK.number("venting.fire_area_ft2") * foot_m**2
    fires = smoke.Fires(BOOK.number("venting.fire_kw_per_m2") * one(area_m2), one(area_m2))
    clear_m = one(BOOK.number("venting.clear_ft") * foot_m)
    answer = smoke.area_for_clear_height(fires, one(30.0 * foot_m), clear_m, one(math.inf), method)
    assert 100.0 < answer.value[0] / foot_m**2 < 400.0
