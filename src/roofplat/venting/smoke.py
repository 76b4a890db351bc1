"""What an opening in a roof does to the smoke below it: plume, layer, flow.

In: fires in kW and m2, heights, areas of openings and doors; the coefficients as `Method`.
Out: flame height, mass flows, layer temperature; `area_for_clear_height`, the opening that holds a clear
    height; `clear_height_for_area`, the clear height that an opening gives.

SI throughout: kW, m, m2, K, kg/s. Each function works on arrays of one shape, one element a section; no
element's answer depends on which others are there. Steady state, one compartment, no water, no wind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from roofplat.rules import Rulebook

__all__ = [
    "COOL",
    "HOT",
    "INLET",
    "NO_OPENING",
    "REACH",
    "SHALLOW",
    "UNKNOWN",
    "WITHIN",
    "Answer",
    "Fires",
    "Method",
    "area_for_clear_height",
    "clear_height_for_area",
    "flame_height_m",
    "largest_flow_m3_s",
    "largest_single_m2",
    "layer_rise_k",
    "least_inlet_m2",
    "method_of",
    "plume_above_flame_kg_s",
    "plume_kg_s",
    "plume_large_fire_kg_s",
    "vent_flow_kg_s",
    "virtual_origin_m",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int8]

# Constants of nature: m/s2; kJ/(kg K) of air; kg K/m3, the density of air times its temperature at sea level.
GRAVITY_M_S2: Final = 9.81
HEAT_KJ_KG_K: Final = 1.005
AIR_KG_K_M3: Final = 353.0
# Enough halvings that a ceiling of 100 m is known to less than 1e-8 m.
_HALVINGS: Final = 34

# Which range was left, by its place in `words.OUTSIDE`. Where several were, the first counts.
WITHIN, UNKNOWN, NO_OPENING, SHALLOW, REACH, HOT, COOL, INLET = range(8)


@dataclass(frozen=True, slots=True)
class Method:
    """The coefficients of one computation; which rule states each is said in `method_of`."""

    ambient_k: float
    convective_share: float
    heat_kept_share: float
    large_fire_kg_per_s_m2_5: float
    large_fire_reach_ratio: float
    opening_discharge_ratio: float
    inlet_discharge_ratio: float
    inlet_least_share: float
    plughole_gamma_ratio: float
    layer_least_share: float
    layer_hottest_k: float
    layer_coolest_rise_k: float

    @property
    def density_kg_m3(self) -> float:
        """Density of the air before the fire."""
        return AIR_KG_K_M3 / self.ambient_k


@dataclass(frozen=True, slots=True)
class Fires:
    """Fires of n sections: heat release in kW and floor area in m2, shape (n,) each.

    A fire is as wide as a circle of its area where a diameter counts, and has the edge of a square of its
    area where the edge counts: of shapes as long as wide, the one that draws in more air.
    """

    heat_kw: FloatArray
    area_m2: FloatArray

    @property
    def diameter_m(self) -> FloatArray:
        """Diameter of the circle of the fire's area."""
        return np.sqrt(4.0 / np.pi * self.area_m2)

    @property
    def perimeter_m(self) -> FloatArray:
        """Edge of the square of the fire's area."""
        return 4.0 * np.sqrt(self.area_m2)


@dataclass(frozen=True, slots=True)
class Answer:
    """What was worked out for n sections, shape (n,) each.

    value
        Area in m2, or clear height in m; nan where a range was left.
    flow_kg_s
        Smoke that rises into the layer, and leaves it; nan where it was not worked out.
    layer_k
        Temperature of the layer; nan where it was not worked out.
    outside
        Which range was left, as a place in `words.OUTSIDE`; 0 where none was.
    """

    value: FloatArray
    flow_kg_s: FloatArray
    layer_k: FloatArray
    outside: IntArray


def method_of(rules: Rulebook) -> Method:
    """Read the coefficients from the rules.

    Raises
    ------
    RuleError
        A coefficient is out of what it can be.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> round(method_of(load_rulebook()).density_kg_m3, 4)
    1.2042
    """
    return Method(
        ambient_k=_kelvin(rules.number("venting.ambient_f")),
        convective_share=rules.share("venting.convective_share"),
        heat_kept_share=rules.share("venting.heat_kept_share"),
        large_fire_kg_per_s_m2_5=rules.positive("venting.large_fire_kg_per_s_m2_5"),
        large_fire_reach_ratio=rules.positive("venting.large_fire_reach_ratio"),
        opening_discharge_ratio=rules.positive("venting.opening_discharge_ratio"),
        inlet_discharge_ratio=rules.positive("venting.inlet_discharge_ratio"),
        inlet_least_share=rules.share("venting.inlet_least_share"),
        plughole_gamma_ratio=rules.positive("venting.plughole_gamma_ratio"),
        layer_least_share=rules.share("venting.layer_least_share"),
        layer_hottest_k=_kelvin(rules.number("venting.layer_hottest_f")),
        layer_coolest_rise_k=rules.positive("venting.layer_coolest_rise_f") / 1.8,
    )


def _kelvin(degrees_f: float) -> float:
    return (degrees_f - 32.0) / 1.8 + 273.15


def flame_height_m(fire_kw: FloatArray, diameter_m: FloatArray) -> FloatArray:
    """Return the mean height of the flames above their base; not above 0 where they stand no higher than it.

    Heskestad, with the whole heat release: 0.235 Q^(2/5) - 1.02 D.

    Examples
    --------
    >>> flame_height_m(np.array([1690.0]), np.array([1.6])).round(2).tolist()
    [2.96]
    """
    return 0.235 * fire_kw**0.4 - 1.02 * diameter_m


def virtual_origin_m(fire_kw: FloatArray, diameter_m: FloatArray) -> FloatArray:
    """Return how far above the base of the fire the plume seems to begin; below it where less than 0.

    Heskestad, with the whole heat release: 0.083 Q^(2/5) - 1.02 D.
    """
    return 0.083 * fire_kw**0.4 - 1.02 * diameter_m


def plume_above_flame_kg_s(
    convective_kw: FloatArray, height_m: FloatArray, origin_m: FloatArray, method: Method
) -> FloatArray:
    """Return the mass flow of a plume at a height above the flame tip.

    Heskestad, in the form with the properties of the air: with rho 1.2 and T0 293 K it is
    0.071 Qc^(1/3) (z - z0)^(5/3) + 0.0019 Qc. Its range is from the flame tip upwards.

    Parameters
    ----------
    convective_kw
        Heat that rises with the smoke.
    height_m
        Height above the base of the fire, the flame tip or more.
    origin_m
        From `virtual_origin_m`.
    method
        Of which the temperature of the air counts.
    """
    air_kg_m3 = method.density_kg_m3
    stored = HEAT_KJ_KG_K * air_kg_m3 * method.ambient_k
    entrained = 0.196 * np.cbrt(GRAVITY_M_S2 * air_kg_m3**2 / (HEAT_KJ_KG_K * method.ambient_k))
    heated = 2.9 * entrained / np.cbrt(GRAVITY_M_S2 * stored**2)
    above_m = height_m - origin_m
    grown: FloatArray = entrained * np.cbrt(convective_kw * above_m**2) * above_m + heated * convective_kw
    return grown


def plume_large_fire_kg_s(perimeter_m: FloatArray, height_m: FloatArray, method: Method) -> FloatArray:
    """Return the mass flow of smoke above a large fire, up to ten times the root of its area.

    Thomas: 0.188 P y^(3/2), with the fire's edge P.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> method = method_of(load_rulebook())
    >>> plume_large_fire_kg_s(np.array([12.0]), np.array([2.5]), method).round(1).tolist()
    [8.9]
    """
    return method.large_fire_kg_per_s_m2_5 * perimeter_m * height_m * np.sqrt(height_m)


def plume_kg_s(fires: Fires, height_m: FloatArray, method: Method) -> FloatArray:
    """Return the mass flow of smoke at a height above the fire, which grows with the height without a step.

    Above the flame tip it is `plume_above_flame_kg_s`. Below it, the greater of the large-fire form and of
    the straight line from nothing at the base to the flow at the tip (NIST, CFAST technical reference), and
    never more than at the tip. Where flames stand no higher than their base, the fire is wide and weak, and
    the large-fire form holds at every height within its reach.
    """
    return _rising(_plume_of(fires, method), height_m, method)


@dataclass(frozen=True, slots=True)
class _Plume:
    """What of `plume_kg_s` does not change with the height, so that a search works it out once."""

    convective_kw: FloatArray
    perimeter_m: FloatArray
    tip_m: FloatArray
    origin_m: FloatArray
    at_tip_kg_s: FloatArray

    @property
    def wide(self) -> npt.NDArray[np.bool_]:
        """Where flames stand no higher than their base."""
        return ~(self.tip_m > 0)


def _plume_of(fires: Fires, method: Method) -> _Plume:
    convective_kw = method.convective_share * fires.heat_kw
    tip_m = flame_height_m(fires.heat_kw, fires.diameter_m)
    origin_m = virtual_origin_m(fires.heat_kw, fires.diameter_m)
    at_tip_kg_s = plume_above_flame_kg_s(convective_kw, tip_m, origin_m, method)
    return _Plume(convective_kw, fires.perimeter_m, tip_m, origin_m, at_tip_kg_s)


def _rising(plume: _Plume, height_m: FloatArray, method: Method) -> FloatArray:
    large = plume_large_fire_kg_s(plume.perimeter_m, height_m, method)
    above = plume_above_flame_kg_s(plume.convective_kw, height_m, plume.origin_m, method)
    # Of a wide fire the line means nothing, and is left out.
    with np.errstate(divide="ignore", invalid="ignore"):
        line = plume.at_tip_kg_s * height_m / plume.tip_m
    below = np.minimum(np.maximum(large, line), plume.at_tip_kg_s)
    return np.where(plume.wide, large, np.where(height_m >= plume.tip_m, above, below))


def layer_rise_k(convective_kw: FloatArray, flow_kg_s: FloatArray, method: Method) -> FloatArray:
    """Return by how much the layer is warmer than the air: K Qc / (m cp), NFPA 204's form.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> method = method_of(load_rulebook())
    >>> layer_rise_k(np.array([0.7 * 5270]), np.array([29.72]), method).round(1).tolist()
    [61.8]
    """
    return method.heat_kept_share * convective_kw / (flow_kg_s * HEAT_KJ_KG_K)


def vent_flow_kg_s(
    opening_m2: FloatArray, inlet_m2: FloatArray, depth_m: FloatArray, rise_k: FloatArray, method: Method
) -> FloatArray:
    """Return the mass flow out of an opening above a layer, with air coming in below through doors.

    The form of BS 7346-4, NFPA 204 and GB 51251:
    Cv Av rho0 sqrt(2 g d T0 theta) / sqrt(T^2 + (Cv Av / (Ci Ai))^2 T0 T).

    Parameters
    ----------
    opening_m2, inlet_m2
        Areas of the openings and of the doors, (n,); an infinite inlet does not hold the flow back.
    depth_m
        Depth of the layer below the opening.
    rise_k
        From `layer_rise_k`.
    method
        Of which discharge ratios and the temperature of the air count.
    """
    layer_k = method.ambient_k + rise_k
    out_m2 = method.opening_discharge_ratio * opening_m2
    held_back = (out_m2 / (method.inlet_discharge_ratio * inlet_m2)) ** 2 * method.ambient_k * layer_k
    drive = np.sqrt(2.0 * GRAVITY_M_S2 * depth_m * method.ambient_k * rise_k)
    flow: FloatArray = out_m2 * method.density_kg_m3 * drive / np.sqrt(layer_k**2 + held_back)
    return flow


def largest_flow_m3_s(depth_m: FloatArray, rise_k: FloatArray, method: Method) -> FloatArray:
    """Return the greatest flow of smoke that one opening draws without pulling air from below the layer.

    CIBSE Guide E, equation 10.1: 4.16 gamma d^(5/2) sqrt(theta / T0).

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> from dataclasses import replace
    >>> half = replace(method_of(load_rulebook()), plughole_gamma_ratio=0.5, ambient_k=290.0)
    >>> largest_flow_m3_s(np.array([1.5]), np.array([10.0]), half).round(5).tolist()
    [1.06437]
    """
    reach: FloatArray = depth_m**2 * np.sqrt(depth_m * rise_k / method.ambient_k)
    return 4.16 * method.plughole_gamma_ratio * reach


def largest_single_m2(
    opening_m2: FloatArray, flow_kg_s: FloatArray, depth_m: FloatArray, rise_k: FloatArray, method: Method
) -> FloatArray:
    """Return how large one opening may be before it pulls air from below the layer.

    Parameters
    ----------
    opening_m2, flow_kg_s
        All openings together, and the smoke that leaves by them.
    depth_m, rise_k
        Depth of the layer, and by how much it is warmer than the air.
    method
        Of which `plughole_gamma_ratio` counts.
    """
    smoke_kg_m3 = AIR_KG_K_M3 / (method.ambient_k + rise_k)
    return largest_flow_m3_s(depth_m, rise_k, method) * smoke_kg_m3 / flow_kg_s * opening_m2


def area_for_clear_height(
    fires: Fires, ceiling_m: FloatArray, clear_m: FloatArray, inlet_m2: FloatArray, method: Method
) -> Answer:
    """Work out the area of openings that holds a clear height below the smoke.

    The flow of the plume at that height, the layer it makes, and the opening by which as much leaves again.

    Parameters
    ----------
    fires
        One for each of n sections.
    ceiling_m, clear_m
        Height of the opening and the clear height wanted, above the base of the fire, (n,).
    inlet_m2
        Area of the doors, (n,).
    method
        Coefficients and ranges.

    Returns
    -------
    Answer
        Areas in m2.

    Examples
    --------
    A fire of 3,500 kW below a ceiling of 10 m, whose heat all stays in the layer; NIST's CFAST has 5.83 m for
    10 m2 of separate openings.

    >>> from roofplat.rules import load_rulebook
    >>> from dataclasses import replace
    >>> ideal = replace(method_of(load_rulebook()), convective_share=1.0, heat_kept_share=1.0,
    ...                 opening_discharge_ratio=0.68, inlet_discharge_ratio=0.70)
    >>> one = np.ones(1)
    >>> answer = area_for_clear_height(Fires(3500 * one, 7 * one), 10 * one, 5.83 * one, 30 * one, ideal)
    >>> answer.value.round(1).tolist()
    [10.3]
    """
    # Also what cannot be is worked out, and then left out: nan compares as false.
    with np.errstate(all="ignore"):
        plume = _plume_of(fires, method)
        flow_kg_s = _rising(plume, clear_m, method)
        rise_k = layer_rise_k(plume.convective_kw, flow_kg_s, method)
        square = _opening_wanted(ceiling_m - clear_m, flow_kg_s, rise_k, inlet_m2, method)
        area_m2 = 1.0 / (np.sqrt(square) * method.opening_discharge_ratio)
        outside = _ranges(fires, ceiling_m, clear_m, inlet_m2, rise_k, plume.wide, method)
        # Where doors hold back all of it, or so much that the opening grows out of all proportion.
        short = ~(square > 0) | (method.inlet_least_share * area_m2 > inlet_m2)
    outside = _first(outside, short, INLET)
    return _answer(area_m2, flow_kg_s, method.ambient_k + rise_k, outside)


def clear_height_for_area(
    fires: Fires,
    ceiling_m: FloatArray,
    opening_m2: FloatArray,
    inlet_m2: FloatArray,
    method: Method,
    *,
    openings: FloatArray | None = None,
) -> Answer:
    """Work out the clear height below the smoke that openings give.

    The higher the layer's lower face, the more smoke comes and the less drives it out, so that there is one
    height at which both are equal. It is halved in, to less than 1e-6 m.

    Parameters
    ----------
    fires
        One for each of n sections.
    ceiling_m
        Height of the openings above the base of the fire, (n,).
    opening_m2, inlet_m2
        Areas of all openings together and of the doors, (n,).
    method
        Coefficients and ranges.
    openings
        How many openings of one size these are: a large one draws no more smoke than `largest_flow_m3_s`.
        Without it, they are as many as it takes.

    Returns
    -------
    Answer
        Clear heights in m.
    """
    with np.errstate(all="ignore"):
        plume = _plume_of(fires, method)
        there = 1.0 / (method.opening_discharge_ratio * opening_m2) ** 2
        low_m = np.zeros_like(ceiling_m)
        high_m = np.array(ceiling_m)
        for _ in range(_HALVINGS):
            middle_m = 0.5 * (low_m + high_m)
            flow_kg_s = _rising(plume, middle_m, method)
            rise_k = layer_rise_k(plume.convective_kw, flow_kg_s, method)
            depth_m = ceiling_m - middle_m
            leaves = _opening_wanted(depth_m, flow_kg_s, rise_k, inlet_m2, method) >= there
            if openings is not None:
                single_m3_s = largest_flow_m3_s(depth_m, rise_k, method)
                leaves &= openings * single_m3_s * AIR_KG_K_M3 >= flow_kg_s * (method.ambient_k + rise_k)
            low_m = np.where(leaves, middle_m, low_m)
            high_m = np.where(leaves, high_m, middle_m)
        clear_m = 0.5 * (low_m + high_m)
        flow_kg_s = _rising(plume, clear_m, method)
        rise_k = layer_rise_k(plume.convective_kw, flow_kg_s, method)
        outside = _ranges(fires, ceiling_m, clear_m, inlet_m2, rise_k, plume.wide, method)
    # Said before any range: without an opening there is no height to judge.
    outside = np.where((outside != UNKNOWN) & ~(opening_m2 > 0), NO_OPENING, outside).astype(np.int8)
    return _answer(clear_m, flow_kg_s, method.ambient_k + rise_k, outside)


def least_inlet_m2(
    depth_m: FloatArray, flow_kg_s: FloatArray, rise_k: FloatArray, method: Method
) -> FloatArray:
    """Work out the smallest doors with which an opening within the range of the inlet lets a flow out.

    `_opening_wanted` solved for doors that are `inlet_least_share` of the opening.

    Parameters
    ----------
    depth_m, flow_kg_s, rise_k
        Depth of the layer, smoke that rises into it, and by how much it is warmer than the air, (n,).
    method
        Coefficients.

    Returns
    -------
    ndarray of float
        Area in m2, (n,).

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> method, one = method_of(load_rulebook()), np.ones(1)
    >>> doors = least_inlet_m2(5.0 * one, 18.0 * one, 300.0 * one, method)
    >>> out = doors / method.inlet_least_share
    >>> bool(np.isclose(vent_flow_kg_s(out, doors, 5.0, 300.0, method), 18.0).all())
    True
    """
    layer_k = method.ambient_k + rise_k
    drive = 2.0 * GRAVITY_M_S2 * depth_m * rise_k * (method.density_kg_m3 / flow_kg_s) ** 2
    out = (method.inlet_least_share * layer_k / method.opening_discharge_ratio) ** 2 / method.ambient_k
    return np.sqrt((out + layer_k / method.inlet_discharge_ratio**2) / drive)


def _opening_wanted(
    depth_m: FloatArray, flow_kg_s: FloatArray, rise_k: FloatArray, inlet_m2: FloatArray, method: Method
) -> FloatArray:
    """One over the square of the effective opening that lets a flow out; not above 0 where no opening does.

    This is `vent_flow_kg_s` solved for the opening. It falls as the clear height grows.
    """
    layer_k = method.ambient_k + rise_k
    drive = 2.0 * GRAVITY_M_S2 * depth_m * rise_k * (method.density_kg_m3 / flow_kg_s) ** 2
    doors = 1.0 / (method.inlet_discharge_ratio * inlet_m2) ** 2
    wanted: FloatArray = (drive - layer_k * doors) * method.ambient_k / layer_k**2
    return wanted


def _ranges(
    fires: Fires,
    ceiling_m: FloatArray,
    clear_m: FloatArray,
    inlet_m2: FloatArray,
    rise_k: FloatArray,
    wide: npt.NDArray[np.bool_],
    method: Method,
) -> IntArray:
    """The first range that each section leaves."""
    known = (fires.heat_kw > 0) & (fires.area_m2 > 0) & (ceiling_m > 0) & (inlet_m2 > 0) & (clear_m > 0)
    outside = np.where(known, WITHIN, UNKNOWN).astype(np.int8)
    # A hair, so that a clear height that was set to the end of the range is within it.
    least_m = method.layer_least_share * ceiling_m - 1e-9
    outside = _first(outside, ~(ceiling_m - clear_m >= least_m), SHALLOW)
    reach_m = method.large_fire_reach_ratio * np.sqrt(fires.area_m2)
    outside = _first(outside, wide & ~(clear_m <= reach_m), REACH)
    outside = _first(outside, ~(method.ambient_k + rise_k <= method.layer_hottest_k), HOT)
    return _first(outside, ~(rise_k >= method.layer_coolest_rise_k), COOL)


def _first(outside: IntArray, left: npt.NDArray[np.bool_], which: int) -> IntArray:
    return np.where((outside == WITHIN) & left, which, outside).astype(np.int8)


def _answer(value: FloatArray, flow_kg_s: FloatArray, layer_k: FloatArray, outside: IntArray) -> Answer:
    worked_out = (outside != UNKNOWN) & (outside != NO_OPENING)
    return Answer(
        value=np.where(outside == WITHIN, value, np.nan),
        flow_kg_s=np.where(worked_out, flow_kg_s, np.nan),
        layer_k=np.where(worked_out, layer_k, np.nan),
        outside=outside,
    )
