"""Why here, and why not: sentences made from the rules that decided.

In: codes and numbers of the placing room.
Out: one sentence for each row; only the few different ones are ever composed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing import Framing
from roofplat.placing.aerial import AERIAL_ANSWERS
from roofplat.placing.compose import compose
from roofplat.placing.ladders import WISHES
from roofplat.placing.methods import CUTTING, REJECTIONS, Choice
from roofplat.placing.placed import DOUBTS
from roofplat.tables import METHODS, words

__all__ = ["NO_CUT", "compass_point", "ladder_reasons", "why_no_cut", "wishes_met"]

NO_CUT = {
    "not_planned": "the scenario's fire spot is in another section of this building",
    "no_cut_preferred": "the scenario prefers that no deck is cut",
    "family_unknown": "nobody has looked at this roof; find out first",
    "family_not_cut": "roofs of this family are not cut",
    "glazing_only": "the glazing is opened, and no deck is cut",
    "method_not_permitted": "the department has not permitted a cut in this roof family",
    "span_beyond_family": "members cannot span this far: find the bearing lines between first",
    "too_steep": "the slope is steeper than the rulebook allows for a planned cut",
    "members_too_close": "its spacings ask for more members than can be planned among; survey them",
    "axis_doubtful": "the outline does not tell which way the beams run; survey the axis first",
    "section_too_small": "the section is narrower than the rulebook allows for a planned cut",
    "planes_not_found": "the planes of the roof could not be laid out; survey the roof first",
    "no_clear_ridge": "no place near the ridge on a leeward plane is clear of edges and obstacles",
    "no_clear_bay": "no bay is clear of the outline, the obstacles and the clearances",
    "no_wall_reachable": "no wall has a usable ladder spot",
    "out_of_reach": "neither a ladder of the stock nor the aerial reaches the roof edge and parapet",
    "no_path": "no path along bearing lines leads from the ladder to a clear bay",
}
_POINTS = ("north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest")
_WISH_WORDS = {
    "bearing": "on a bearing wall",
    "corner": "near a corner",
    "upwind": "on the upwind side",
    "street": "on the street side",
    "away_from_fire": "away from the fire spot",
    "short_path": "close to the work",
    "low_parapet": "over a low parapet",
}
# How a spot that the scenario states begins its sentence, by `tables.APPARATUS`.
_STANDS = ("Stands there already", "Stated by the scenario", "Stated by the scenario")
# A wish that is met this far is given as a reason.
_MET = {
    "bearing": 0.99,
    "corner": 0.5,
    "upwind": 0.85,
    "street": 0.85,
    "away_from_fire": 0.99,
    "short_path": 0.5,
    "low_parapet": 0.5,
}


def why_no_cut(
    framing: Framing, planned: npt.NDArray[np.bool_], can_cut: npt.NDArray[np.bool_], choice: Choice
) -> npt.NDArray[np.object_]:
    """The reason why no cut is drawn, before any placing; empty where one may be.

    Parameters
    ----------
    framing
        n sections.
    planned, can_cut
        Shape (n,).
    choice
        The methods of the sections.

    Returns
    -------
    ndarray of object
        Keys of `NO_CUT` or empty texts, shape (n,).
    """
    family = framing.sections["roof_family"]
    doubtful = (framing.sections["axis_basis"] == "doubtful").to_numpy(dtype=bool)
    on_lattice = framing.spacings.framing != "pitched"
    hipped = (framing.sections["roof_shape"] == "hipped").to_numpy(dtype=bool)
    codes = list(REJECTIONS)
    cutting = np.array(CUTTING)
    # The first of the family's own ways to cut that was rejected tells why there is no cut.
    verdict = choice.verdict[:, cutting]
    worst = np.max(verdict, axis=1, initial=-2)
    no_method = choice.cutting < 0
    rejected = [
        ("method_not_permitted", codes.index("not_permitted")),
        ("span_beyond_family", codes.index("span")),
        ("too_steep", codes.index("steep")),
    ]
    never = METHODS.index("do_not_cut")
    return np.select(
        [
            ~planned,
            choice.preferred == never,
            (family == "unknown").to_numpy(dtype=bool),
            no_method & (choice.method == METHODS.index("glazing")),
            no_method & (worst < 0),
            *(no_method & (verdict == number).any(axis=1) for _, number in rejected),
            no_method,
            framing.spacings.too_fine,
            ~on_lattice & ~framing.pitched.found,
            doubtful & ~(framing.pitched.found & hipped),
            ~can_cut,
        ],
        [
            "not_planned",
            "no_cut_preferred",
            "family_unknown",
            "glazing_only",
            "family_not_cut",
            *(code for code, _ in rejected),
            "family_not_cut",
            "members_too_close",
            "planes_not_found",
            "axis_doubtful",
            "section_too_small",
        ],
        default="",
    ).astype(object)


def compass_point(azimuth_deg: npt.NDArray[np.float64], shown: npt.NDArray[np.bool_]) -> Any:
    """The nearest of eight compass points, in words; missing where not shown.

    Examples
    --------
    >>> compass_point(np.array([10.0, 225.0]), np.array([True, True])).tolist()
    ['north', 'southwest']
    """
    point = np.round(azimuth_deg / 45.0).astype(np.int64) % len(_POINTS)
    return words(_POINTS, np.where(shown, point, -1))


def wishes_met(wishes: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Which wishes are met well enough to be given as reasons, one bit each.

    Parameters
    ----------
    wishes
        How far each of `ladders.WISHES` is met, shape (k, 7).

    Returns
    -------
    ndarray of int
        Shape (k,).
    """
    met = np.stack([wishes[:, column] >= _MET[wish] for column, wish in enumerate(WISHES)], axis=1)
    return np.asarray(met @ (1 << np.arange(len(WISHES))))


def ladder_reasons(
    met: npt.NDArray[np.int64],
    rank: npt.NDArray[np.int64],
    apparatus: npt.NDArray[Any],
    *,
    support_ft: npt.NDArray[np.float64],
    parapet_ft: npt.NDArray[np.float64],
    stock_ft: npt.NDArray[np.float64],
    scarce: npt.NDArray[np.bool_],
    aerial: npt.NDArray[np.int64],
    aerial_ft: npt.NDArray[np.float64],
    alarming: npt.NDArray[np.bool_],
    placed: npt.NDArray[np.bool_],
    doubts: npt.NDArray[np.int64],
    street_known: bool,
) -> tuple[pd.Categorical, pd.Categorical]:
    """Rule ids and the sentence of each ladder spot.

    Parameters
    ----------
    met
        From `wishes_met`, shape (k,).
    rank
        1 or 2, shape (k,).
    apparatus
        0 ground ladder, 1 aerial, 2 out of reach, shape (k,).
    support_ft, parapet_ft
        Height to clear, and the parapet in it, shape (k,).
    stock_ft, aerial_ft
        Highest support that the stock and the aerial reach, NaN where they reach none, shape (k,).
    scarce
        True where the first spot has taken the only ladder of the greatest length, shape (k,).
    aerial
        Number in `aerial.AERIAL_ANSWERS`, shape (k,).
    alarming
        True where the base stands in the collapse zone of a roof that pushes walls out, shape (k,).
    placed, doubts
        True for a ladder that stands already, and bits of `placed.DOUBTS`, shape (k,).
    street_known
        Whether there is a streets layer.

    Returns
    -------
    rules, reasons
        Shape (k,).
    """
    # 0 no parapet, 1 a low one, 2 a high one.
    low = met >> WISHES.index("low_parapet") & 1
    parapet = np.where(parapet_ft > 0, 2 - low, 0)
    out = np.flatnonzero(apparatus == 2)
    # Heights in tenths of a foot, only where they are told; each different set of them once.
    heights = np.stack([support_ft[out], stock_ft[out], aerial_ft[out], scarce[out]], axis=1)
    told, which = np.unique(np.round(np.nan_to_num(heights, nan=-1.0), 1), axis=0, return_inverse=True)
    height = np.zeros(met.size, dtype=np.int64)
    height[out] = which.ravel() + 1

    def names(code: int, parapet: int) -> list[str]:
        found = [wish for column, wish in enumerate(WISHES) if code >> column & 1]
        return found if parapet == 1 else [wish for wish in found if wish != "low_parapet"]

    # 0 for a spot that is chosen; one that stands already is told with what speaks against it.
    against, which = np.unique(doubts[placed], return_inverse=True)
    stated = np.zeros(met.size, dtype=np.int64)
    stated[placed] = which.ravel() + 1

    def speaks(stated: int) -> list[tuple[str, str]]:
        return [said for bit, said in enumerate(DOUBTS.values()) if against[stated - 1] >> bit & 1]

    def rule_ids(code: int, rank: int, means: int, parapet: int, alarm: int, stated: int) -> str:
        ids = ["ladder.tip_above_edge_ft", "line.clearance_ft"]
        if means != 1:
            ids += ["ladder.base_share", "ladder.base_clear_ft", "ladder.stock_ft"]
        if means == 1 or means == 2:
            ids += ["aerial.reach_ft", "aerial.turntable_ft", "aerial.least_setback_ft"]
        ids += [f"ladder.weight.{name}" for name in names(code, parapet)]
        ids += ["ladder.weight.low_parapet"] * (parapet == 2)
        ids += ["collapse.pushes_out_share"] * alarm
        if stated:
            ids += ["scenario.ladder_reach_ft", *(rule for _, rule in speaks(stated) if rule)]
            return " ".join(dict.fromkeys(ids))
        return " ".join([*ids, "ladder.apart_ft", "ladder.stock_count"] if rank == 2 else ids)

    def sentence(
        code: int, rank: int, means: int, parapet: int, alarm: int, stated: int, answer: int, height: int
    ) -> str:
        best = "the best spot with clear ground" if means != 1 else "the best spot for the aerial"
        wishes_met = [_WISH_WORDS[name] for name in names(code, parapet)] or [best] * (not stated)
        lead = "Second way off, on another side: " if rank == 2 else ""
        if stated:
            lead = _STANDS[means] + ": " * bool(wishes_met)
        text = lead + ", ".join(wishes_met) + "."
        parts = [text[0].upper() + text[1:]]
        if parapet == 2:
            parts.append("A high parapet counts against it.")
        if means == 1:
            parts.append(
                "Aerial from the nearest named street."
                if street_known
                else "Aerial, street distance unknown: taken at the least setback."
            )
        if means == 2:
            parts.append(_out_of_reach(told[height - 1], parapet > 0, answer))
        if stated:
            parts += [said for said, _ in speaks(stated)]
        elif alarm:
            parts.append(
                "It stands inside the collapse zone of a roof that is known to push walls out; no spot was "
                "found outside it."
            )
        return " ".join(parts)

    columns = [met, rank, apparatus, parapet, alarming.astype(np.int64), stated]
    # How the aerial answered is told only where nothing reaches.
    answer = np.where(apparatus == 2, aerial, 0)
    return compose(columns, rule_ids), compose([*columns, answer, height], sentence)


def _out_of_reach(heights_ft: npt.NDArray[np.float64], parapet: bool, answer: int) -> str:
    """What defeats the stock and the aerial: the support, and how high each of them reaches."""
    support, stock, aerial, scarce = heights_ft.tolist()
    edge = "roof edge and parapet" if parapet else "roof edge"
    left = "what the first spot leaves of the stock" if scarce else "the stock"
    ladders = f"{left} reaches {stock:g} ft" if stock >= 0 else f"{left} holds no ladder"
    if stock >= support:
        ladders = "no ground takes the base of a ladder that is long enough"
    by_aerial = {
        "too far or too high": f"the aerial {aerial:g} ft from the street"
        if aerial >= 0
        else "the street is too far for the aerial",
        "way not clear": "the way from the street is not clear for the aerial",
        "no aerial": "there is no aerial",
    }[AERIAL_ANSWERS[answer]]
    return f"Out of reach: {edge} at {support:g} ft; {ladders}, {by_aerial}."
