"""Laws of plume, layer and flow: what must hold for any fire, height and opening.

In: the functions of `venting.smoke`, fires and rooms that hypothesis makes up. Out: the balance of what
rises and what leaves, the two solutions as each other's inverse, more and less, scale,
    ranges.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from tests.breaking.tries import tries

from roofplat.errors import RuleError
from roofplat.rules import load_rulebook
from roofplat.venting import smoke
from roofplat.venting.words import OUTSIDE

METHOD = smoke.method_of(load_rulebook())
FloatArray = npt.NDArray[np.float64]


def one(value: float) -> FloatArray:
    return np.array([value], dtype=np.float64)


def fire(kw_m2: float, area_m2: float) -> smoke.Fires:
    return smoke.Fires(one(kw_m2 * area_m2), one(area_m2))


@dataclass(frozen=True)
class Rooms:
    """A few hundred rooms at once, from a garage to a hangar, with fires from a basket to a burning hall."""

    fires: smoke.Fires
    ceiling_m: FloatArray
    clear_m: FloatArray
    inlet_m2: FloatArray
    opening_m2: FloatArray
    openings: FloatArray

    def area(self, **changed: FloatArray | smoke.Fires) -> smoke.Answer:
        own = {"fires": self.fires, "clear_m": self.clear_m, "inlet_m2": self.inlet_m2, **changed}
        return smoke.area_for_clear_height(ceiling_m=self.ceiling_m, method=METHOD, **own)  # type: ignore[arg-type]

    def height(self, **changed: FloatArray) -> smoke.Answer:
        own = {"opening_m2": self.opening_m2, "inlet_m2": self.inlet_m2, **changed}
        return smoke.clear_height_for_area(self.fires, self.ceiling_m, method=METHOD, **own)  # type: ignore[arg-type]


ROOMS = 400


def made(seed: int) -> Rooms:
    rng = np.random.default_rng(seed)

    def spread(low: float, high: float) -> FloatArray:
        return np.asarray(low * (high / low) ** rng.random(ROOMS))

    area_m2 = spread(0.5, 400.0)
    ceiling_m = spread(2.2, 40.0)
    return Rooms(
        # Weak fires too, whose flames stand no higher than their base.
        smoke.Fires(spread(30.0, 2000.0) * area_m2, area_m2),
        ceiling_m,
        ceiling_m * rng.uniform(0.02, 0.79, ROOMS),
        np.where(rng.random(ROOMS) < 0.3, math.inf, spread(0.5, 200.0)),
        spread(0.3, 400.0),
        rng.integers(1, 40, ROOMS).astype(float),
    )


def within(*answers: smoke.Answer) -> npt.NDArray[np.bool_]:
    """Where all of them have a number; of so many rooms, some have."""
    there = np.logical_and.reduce([answer.outside == smoke.WITHIN for answer in answers])
    assert there.sum() >= 20
    return there


rooms = given(st.integers(0, 2**32 - 1).map(made))


def law(test: Callable[..., None]) -> Callable[..., None]:
    """So many sets of rooms; what they are does not get simpler by smaller numbers."""
    own = settings(max_examples=tries(20), phases=(Phase.explicit, Phase.reuse, Phase.generate))
    return own(rooms(test))


@law
def test_what_rises_leaves_again(rooms: Rooms) -> None:
    """At the area worked out, what leaves the opening is the flow of the plume, and carries the heat kept."""
    answer = rooms.area()
    there = within(answer)
    rise_k = answer.layer_k - METHOD.ambient_k
    with np.errstate(invalid="ignore"):
        leaves = smoke.vent_flow_kg_s(
            answer.value, rooms.inlet_m2, rooms.ceiling_m - rooms.clear_m, rise_k, METHOD
        )
    rises = smoke.plume_kg_s(rooms.fires, rooms.clear_m, METHOD)
    assert leaves[there] == pytest.approx(rises[there], rel=1e-9)
    assert answer.flow_kg_s[there] == pytest.approx(rises[there], rel=1e-12)
    kept_kw = METHOD.heat_kept_share * METHOD.convective_share * rooms.fires.heat_kw
    assert (rises * 1.005 * rise_k)[there] == pytest.approx(kept_kw[there], rel=1e-9)


@law
def test_the_two_solutions_are_each_others_inverse(rooms: Rooms) -> None:
    """Height to area and back, to a millionth of a metre."""
    area = rooms.area()
    there = within(area)
    height = rooms.height(opening_m2=area.value)
    assert (height.outside[there] == smoke.WITHIN).all()
    assert height.value[there] == pytest.approx(rooms.clear_m[there], abs=1e-6)
    assert height.flow_kg_s[there] == pytest.approx(area.flow_kg_s[there], rel=1e-5)
    assert height.layer_k[there] == pytest.approx(area.layer_k[there], rel=1e-5)


@law
def test_and_the_other_way_round(rooms: Rooms) -> None:
    """Area to height and back, as far as a height of 1e-7 m tells areas apart."""
    height = rooms.height()
    low, area, high = (rooms.area(clear_m=height.value + off) for off in (-1e-7, 0.0, 1e-7))
    # Doors that just let in enough make any area beyond a great one the same; then there is no end above.
    there = within(height, low, area, high)
    assert (low.value[there] <= rooms.opening_m2[there]).all()
    assert (rooms.opening_m2[there] <= high.value[there]).all()
    assert (low.value[there] < area.value[there]).all()
    assert (area.value[there] < high.value[there]).all()


@law
def test_more_opening_never_lowers_the_layers_face(rooms: Rooms) -> None:
    for openings in (None, rooms.openings):
        small, large = (
            rooms.height(opening_m2=rooms.opening_m2 * more, openings=openings) for more in (1.0, 1.3)
        )
        there = within(small, large)
        # A search by halves ends within a hair of the same height on either side.
        assert (small.value[there] <= large.value[there] + 1e-8).all()


@law
def test_several_openings_are_never_worse_than_one(rooms: Rooms) -> None:
    """At equal area; and as many as it takes are the best there is."""
    single, several, many = (
        rooms.height(openings=openings) for openings in (np.ones(ROOMS), rooms.openings, np.full(ROOMS, 1e9))
    )
    there = within(single, several, many)
    assert (single.value[there] <= several.value[there]).all()
    assert (several.value[there] <= many.value[there]).all()
    assert (single.value[there] < many.value[there] - 0.1).any()
    assert np.array_equal(many.value, rooms.height().value, equal_nan=True)


@law
def test_an_area_divided_as_asked_does_what_it_is_to(rooms: Rooms) -> None:
    """Into no fewer than `largest_single_m2` asks for, the openings lose nothing; one fewer do."""
    free = np.full(ROOMS, math.inf)
    area = rooms.area(inlet_m2=free)
    single_m2 = smoke.largest_single_m2(
        area.value,
        area.flow_kg_s,
        rooms.ceiling_m - rooms.clear_m,
        np.abs(area.layer_k - METHOD.ambient_k),
        METHOD,
    )
    share = area.value / single_m2
    least = np.ceil(share)
    enough, fewer = (
        rooms.height(opening_m2=area.value, inlet_m2=free, openings=openings)
        for openings in (least, least - 1)
    )
    # Not where a last bit decides how many it takes.
    there = within(area) & (least > 1) & (np.abs(share - np.round(share)) > 1e-6)
    assert there.any()
    assert enough.value[there] == pytest.approx(rooms.clear_m[there], abs=1e-6)
    left = there & (fewer.outside == smoke.WITHIN)
    assert (fewer.value[left] < rooms.clear_m[left] - 1e-7).all()


@law
def test_a_bigger_fire_wants_more_opening(rooms: Rooms) -> None:
    """Bigger: more floor that burns as hard, under flames that stand above their base, as all planned for."""
    more = 1.25
    bigger = smoke.Fires(rooms.fires.heat_kw * more, rooms.fires.area_m2 * more)
    small, large = rooms.area(), rooms.area(fires=bigger)
    above = smoke.flame_height_m(bigger.heat_kw, bigger.diameter_m) > 0
    there = within(small, large) & above
    assert there.any()
    assert (small.value[there] < large.value[there]).all()
    assert (small.flow_kg_s[there] < large.flow_kg_s[there]).all()


@law
def test_wider_doors_never_want_more_opening(rooms: Rooms) -> None:
    narrow, wide, free = (rooms.area(inlet_m2=doors * np.ones(ROOMS)) for doors in (20.0, 30.0, math.inf))
    there = within(narrow, wide, free)
    assert (narrow.value[there] > wide.value[there]).all()
    assert (wide.value[there] > free.value[there]).all()


@law
def test_smoke_grows_on_its_way_up_without_a_step(rooms: Rooms) -> None:
    low, near, high = (
        smoke.plume_kg_s(rooms.fires, rooms.clear_m * more, METHOD) for more in (1.0, 1 + 1e-9, 1.01)
    )
    assert (low > 0).all()
    assert (low <= high).all()
    assert near == pytest.approx(low, rel=1e-7)


@law
def test_below_the_flame_tip_no_form_asks_for_more(rooms: Rooms) -> None:
    """Of two forms below the tip the one that draws in more counts: no opening is too small for either."""
    tip_m = smoke.flame_height_m(rooms.fires.heat_kw, rooms.fires.diameter_m)
    up = tip_m > 0.01
    fires = smoke.Fires(rooms.fires.heat_kw[up], rooms.fires.area_m2[up])
    at_tip = smoke.plume_kg_s(fires, tip_m[up], METHOD)
    for share in (0.01, 0.5, 0.99):
        flow = smoke.plume_kg_s(fires, share * tip_m[up], METHOD)
        large = smoke.plume_large_fire_kg_s(fires.perimeter_m, share * tip_m[up], METHOD)
        assert (flow >= share * at_tip * (1 - 1e-12)).all()
        assert (flow >= np.minimum(large, at_tip) * (1 - 1e-12)).all()


@law
def test_a_model_s_times_as_large_is_the_same_fire(rooms: Rooms) -> None:
    """Froude's law of scale: lengths by s, heat and smoke by s^(5/2), areas by s^2, temperatures as they are.

    Each term of each form has to keep it, so that one with a wrong power or unit would show.
    """
    scale = 1.7
    small = rooms.area()
    large = smoke.area_for_clear_height(
        smoke.Fires(rooms.fires.heat_kw * scale**2.5, rooms.fires.area_m2 * scale**2),
        rooms.ceiling_m * scale,
        rooms.clear_m * scale,
        rooms.inlet_m2 * scale**2,
        METHOD,
    )
    assert np.array_equal(small.outside, large.outside)
    there = within(small)
    assert large.value[there] == pytest.approx(small.value[there] * scale**2, rel=1e-6)
    assert large.flow_kg_s[there] == pytest.approx(small.flow_kg_s[there] * scale**2.5, rel=1e-9)
    assert large.layer_k[there] == pytest.approx(small.layer_k[there], rel=1e-9)


def test_a_department_may_state_the_large_fire_form_of_small_rooms() -> None:
    """With 0.337 it draws in more than the straight line to the flame tip, and never more than at the tip."""
    small = replace(METHOD, large_fire_kg_per_s_m2_5=0.337)
    fires = fire(500.0, 9.0)
    tip_m = smoke.flame_height_m(fires.heat_kw, fires.diameter_m)
    at_tip = smoke.plume_above_flame_kg_s(
        small.convective_share * fires.heat_kw,
        tip_m,
        smoke.virtual_origin_m(fires.heat_kw, fires.diameter_m),
        small,
    )
    assert smoke.plume_kg_s(fires, 0.8 * tip_m, small) == pytest.approx(0.337 * 12.0 * (0.8 * tip_m) ** 1.5)
    assert smoke.plume_kg_s(fires, 0.8 * tip_m, small) > 0.8 * at_tip
    assert smoke.plume_kg_s(fires, 0.999 * tip_m, small) == at_tip


def _by_bernoulli(opening_m2: float, inlet_m2: float, depth_m: float, rise_k: float) -> float:
    """Mass flow in kg/s: the pressure below the layer that lets in by the doors what it drives out above."""
    layer_kg_m3 = METHOD.density_kg_m3 * METHOD.ambient_k / (METHOD.ambient_k + rise_k)
    lift_pa = (METHOD.density_kg_m3 - layer_kg_m3) * 9.81 * depth_m

    def flow(ratio: float, area_m2: float, kg_m3: float, pa: float) -> float:
        return ratio * area_m2 * math.sqrt(2 * kg_m3 * pa)

    def comes(doors_pa: float) -> float:
        return flow(METHOD.inlet_discharge_ratio, inlet_m2, METHOD.density_kg_m3, doors_pa)

    def leaves(doors_pa: float) -> float:
        return flow(METHOD.opening_discharge_ratio, opening_m2, layer_kg_m3, lift_pa - doors_pa)

    doors_pa = brentq(lambda pa: comes(pa) - leaves(pa), 0.0, lift_pa, xtol=1e-14, rtol=1e-14)
    assert comes(doors_pa) == pytest.approx(leaves(doors_pa), rel=1e-5)
    return comes(doors_pa)


@pytest.mark.parametrize(
    ("opening_m2", "inlet_m2", "depth_m", "rise_k"),
    [(1.0, 100.0, 5.0, 50.0), (10.0, 5.0, 2.0, 200.0), (3.0, 3.0, 0.5, 400.0), (40.0, 2.0, 20.0, 30.0)],
)
def test_the_flow_is_the_one_that_pressures_balance(
    opening_m2: float, inlet_m2: float, depth_m: float, rise_k: float
) -> None:
    """The closed form, remembered from standards, follows from Bernoulli at door and opening."""
    flow = smoke.vent_flow_kg_s(one(opening_m2), one(inlet_m2), one(depth_m), one(rise_k), METHOD)
    assert flow == pytest.approx(_by_bernoulli(opening_m2, inlet_m2, depth_m, rise_k), rel=1e-6)


@pytest.mark.parametrize(
    ("kw_m2", "area_m2", "ceiling_m", "floor_m2", "opening_m2", "inlet_m2"),
    [
        (500.0, 9.0, 6.0, 400.0, 5.0, 6.0),
        (500.0, 37.0, 9.0, 3700.0, 12.0, 17.0),
        (100.0, 4.0, 4.0, 60.0, 4.0, 4.0),
    ],
)
def test_a_room_that_fills_with_smoke_comes_to_rest_where_we_say(
    kw_m2: float, area_m2: float, ceiling_m: float, floor_m2: float, opening_m2: float, inlet_m2: float
) -> None:
    """Mass and heat of the layer followed in time, from a thin layer on, until nothing changes any more."""
    fires = fire(kw_m2, area_m2)
    kept_kw = METHOD.heat_kept_share * METHOD.convective_share * kw_m2 * area_m2
    air_k, air_kg_m3 = METHOD.ambient_k, METHOD.density_kg_m3

    def changes(_: float, state: FloatArray) -> list[float]:
        mass_kg, heat_kj = state
        rise_k = max(heat_kj / (1.005 * mass_kg), 1e-6)
        depth_m = min(mass_kg * (air_k + rise_k) / (air_kg_m3 * air_k * floor_m2), 0.999 * ceiling_m)
        rises = float(smoke.plume_kg_s(fires, one(ceiling_m - depth_m), METHOD)[0])
        leaves = _by_bernoulli(opening_m2, inlet_m2, depth_m, rise_k)
        return [rises - leaves, kept_kw - leaves * 1.005 * rise_k]

    thin_kg = 0.02 * ceiling_m * floor_m2
    run = solve_ivp(changes, (0.0, 3e4), [thin_kg, thin_kg * 20.0], method="LSODA", rtol=1e-8, atol=1e-8)
    mass_kg, heat_kj = run.y[:, -1]
    rise_k = heat_kj / (1.005 * mass_kg)
    clear_m = ceiling_m - mass_kg * (air_k + rise_k) / (air_kg_m3 * air_k * floor_m2)
    answer = smoke.clear_height_for_area(fires, one(ceiling_m), one(opening_m2), one(inlet_m2), METHOD)
    assert answer.outside[0] == smoke.WITHIN
    assert answer.value == pytest.approx(clear_m, rel=1e-4)
    assert answer.layer_k == pytest.approx(air_k + rise_k, rel=1e-4)


def test_by_hand() -> None:
    """One fire from end to end with a calculator, each step with its unit.

    2,000 kW on 4 m2, 8 m to the roof, 5 m clear, doors of 6 m2. Qc = 0.7 x 2,000 = 1,400 kW. D = sqrt(4 x 4
    / pi) = 2.2568 m. 2,000^0.4 = 20.913. L = 0.235 x 20.913 - 1.02 x 2.2568 = 2.613 m, below 5 m. z0 =
    0.083 x 20.913 - 2.302 = -0.566 m. m = 0.0714 x 11.187 x 5.566^(5/3) + 0.00193 x 1,400 = 13.96 + 2.70 =
    16.66 kg/s. Rise = 0.5 x 1,400 / (16.66 x 1.005) = 41.8 K, T = 334.95 K. Drive = sqrt(2 x 9.81 x 3 x
    293.15 x 41.8) = 849.3. Without doors Cv Av = 16.66 x 334.95 / (1.2042 x 849.3) = 5.456 m2. Doors: 0.6 x
    6 = 3.6 m2 hold back more than there is: m_most = 3.6 x 1.2042 x sqrt(2 x 9.81 x 3 x 41.8 / 334.95) =
    11.75 kg/s < 16.66. With 12 m2 of doors, 7.2 m2: 1/(Cv Av)^2 = 1/5.456^2 - 293.15/(334.95 x 7.2^2) =
    0.03359 - 0.01688 = 0.01671, Cv Av = 7.736, Av = 12.89 m2.
    """
    fires = smoke.Fires(one(2000.0), one(4.0))
    assert smoke.plume_kg_s(fires, one(5.0), METHOD) == pytest.approx(16.66, rel=0.002)
    narrow, wide, free = (
        smoke.area_for_clear_height(fires, one(8.0), one(5.0), one(doors), METHOD)
        for doors in (6.0, 12.0, math.inf)
    )
    assert narrow.outside[0] == smoke.INLET
    assert wide.value == pytest.approx(12.89, rel=0.005)
    assert free.value == pytest.approx(5.456 / 0.6, rel=0.003)
    assert free.layer_k == pytest.approx(334.95, abs=0.1)


WITHIN = {"heat_kw": 4500.0, "area_m2": 9.0, "ceiling_m": 8.0, "clear_m": 2.5, "inlet_m2": 20.0}


@pytest.mark.parametrize(
    ("changed", "which", "words"),
    [
        ({}, smoke.WITHIN, ""),
        ({"ceiling_m": math.nan}, smoke.UNKNOWN, "is not known"),
        ({"area_m2": 0.0}, smoke.UNKNOWN, "is not known"),
        ({"area_m2": -1.0}, smoke.UNKNOWN, "is not known"),
        ({"inlet_m2": math.nan}, smoke.UNKNOWN, "is not known"),
        ({"clear_m": 0.0}, smoke.UNKNOWN, "is not known"),
        ({"ceiling_m": 0.0}, smoke.UNKNOWN, "is not known"),
        ({"heat_kw": 0.0}, smoke.UNKNOWN, "is not known"),
        ({"inlet_m2": 0.0}, smoke.UNKNOWN, "is not known"),
        ({"clear_m": 6.41}, smoke.SHALLOW, "range of the layer:"),
        ({"clear_m": 6.4}, smoke.INLET, "range of the inlet"),
        ({"clear_m": 6.4, "inlet_m2": 200.0}, smoke.WITHIN, ""),
        # A wide, weak fire: no flame stands above its base.
        ({"heat_kw": 200.0, "ceiling_m": 40.0, "clear_m": 30.1}, smoke.REACH, "range of the large-fire form"),
        ({"heat_kw": 200.0, "ceiling_m": 40.0, "clear_m": 29.9}, smoke.COOL, "too cool"),
        ({"clear_m": 0.5}, smoke.HOT, "too hot"),
        ({"heat_kw": 100.0}, smoke.COOL, "too cool"),
        ({"inlet_m2": 2.0}, smoke.INLET, "range of the inlet"),
        # An opening nine times as large as the doors would do; with wider doors, one twice as large.
        ({"inlet_m2": 3.5}, smoke.INLET, "range of the inlet"),
        ({"inlet_m2": 4.0}, smoke.WITHIN, ""),
    ],
)
def test_outside_a_range_there_is_no_number(changed: dict[str, float], which: int, words: str) -> None:
    case = {name: one(value) for name, value in {**WITHIN, **changed}.items()}
    fires = smoke.Fires(case["heat_kw"], case["area_m2"])
    answer = smoke.area_for_clear_height(fires, case["ceiling_m"], case["clear_m"], case["inlet_m2"], METHOD)
    assert answer.outside.tolist() == [which]
    assert np.isnan(answer.value[0]) == (which != smoke.WITHIN)
    assert words in OUTSIDE[which]
    assert bool(OUTSIDE[which]) == (which != smoke.WITHIN)


@pytest.mark.parametrize(
    ("opening_m2", "ceiling_m", "which"),
    [
        (0.0, 8.0, smoke.NO_OPENING),
        (math.nan, 8.0, smoke.NO_OPENING),
        (5.0, math.nan, smoke.UNKNOWN),
        (5.0, 8.0, smoke.WITHIN),
        (0.2, 8.0, smoke.HOT),
        (900.0, 8.0, smoke.SHALLOW),
    ],
)
def test_ranges_of_the_clear_height(opening_m2: float, ceiling_m: float, which: int) -> None:
    answer = smoke.clear_height_for_area(
        fire(500.0, 9.0), one(ceiling_m), one(opening_m2), one(math.inf), METHOD
    )
    assert answer.outside.tolist() == [which]
    assert np.isnan(answer.value[0]) == (which != smoke.WITHIN)


def test_every_range_has_a_sentence() -> None:
    places = [
        getattr(smoke, name)
        for name in ("WITHIN", "UNKNOWN", "NO_OPENING", "SHALLOW", "REACH", "HOT", "COOL", "INLET")
    ]
    assert places == list(range(len(OUTSIDE)))
    assert all(text.startswith(("outside the range of ", "not worked out: ")) for text in OUTSIDE[1:])
    assert len(set(OUTSIDE)) == len(OUTSIDE)


@law
def test_no_element_depends_on_the_others(rooms: Rooms) -> None:
    """The same bits, whichever sections are asked for with it, and one alone."""
    whole = rooms.height(openings=rooms.openings).value
    backwards = np.arange(ROOMS)[::-1]
    for at in (backwards, backwards[:7], backwards[3:4]):
        part = smoke.clear_height_for_area(
            smoke.Fires(rooms.fires.heat_kw[at], rooms.fires.area_m2[at]),
            rooms.ceiling_m[at],
            rooms.opening_m2[at],
            rooms.inlet_m2[at],
            METHOD,
            openings=rooms.openings[at],
        )
        assert np.array_equal(part.value, whole[at], equal_nan=True)


def test_a_method_is_read_from_the_rules() -> None:
    rules = load_rulebook(
        {"venting.ambient_f": 32.0, "venting.layer_hottest_f": 212.0, "venting.layer_coolest_rise_f": 18.0}
    )
    method = smoke.method_of(rules)
    assert method.ambient_k == pytest.approx(273.15)
    assert method.layer_hottest_k == pytest.approx(373.15)
    assert method.layer_coolest_rise_k == pytest.approx(10.0)
    # Air at 0 C and sea level: 1.293 kg/m3.
    assert method.density_kg_m3 == pytest.approx(1.293, abs=0.001)
    with pytest.raises(RuleError, match=r"venting\.convective_share is 1\.5"):
        smoke.method_of(load_rulebook({"venting.convective_share": 1.5}))
