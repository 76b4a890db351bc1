"""Placing: ladder spots, paths, checks, openings, cuts and trenches.

In: framing, the inventory's roofs and obstacles, the scenario, rules.
Out: `Plan`, the tables of the standing plan.
"""

from roofplat.placing.place import Plan, place_plans

__all__ = ["Plan", "place_plans"]
