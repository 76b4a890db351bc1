"""How far from a building anything counts for its plan.

In: the rules in force, the height of the tallest roof asked for.
Out: ground feet.
"""

from __future__ import annotations

import numpy as np

from roofplat.rules import Rulebook

__all__ = ["reach_ft", "street_reach_ft"]


def reach_ft(rules: Rulebook, height_ft: float) -> float:
    """How far from a building anything but streets counts for its plan.

    What walls look at; an aerial on its way in; lines over ladders and aerials; streets as far as an aerial
    reaches from outside the collapse zone, where that is farther than streets come with an address.

    Parameters
    ----------
    rules
        Ladders, collapse zones, aerials, lines, walls.
    height_ft
        Of the building's highest roof edge, its parapet included.

    Returns
    -------
    float
    """
    share = rules.number("ladder.base_share")
    shares = [rules.number(f"collapse.{name}") for name in ("height_share", "pushes_out_share")]
    height = max(height_ft, rules.number("ladder.default_height_ft.one_storey"))
    aerial = max(rules.number("aerial.reach_ft"), 0.0) + rules.number("aerial.least_setback_ft")
    around = max(rules.numbers("line.clearance_ft")) + 10.0
    streets = height * max(shares) + aerial
    return max(
        1.01 * rules.number("wall.exposure_search_ft") + rules.number("ladder.base_clear_ft"),
        aerial + around,
        streets if streets > rules.number("wall.address_reach_ft") else 0.0,
        height * share / float(np.sqrt(1.0 - share**2)) + around,
    )


def street_reach_ft(rules: Rulebook, reach_ft: float) -> float:
    """How far streets count at least: the street of an address may lie farther than the nearest one.

    Parameters
    ----------
    rules
        `wall.address_reach_ft`.
    reach_ft
        How far everything else does.

    Returns
    -------
    float
        Ground feet. The nearest street counts however far it lies.
    """
    return max(reach_ft, rules.number("wall.address_reach_ft"))
