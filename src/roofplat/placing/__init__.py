"""Placing: ladder spots, paths, checks, openings, cuts and trenches.

In: framing, the inventory's roofs and obstacles, the scenario, rules.
Out: `Plan`, the tables of the standing plan; the solar access audit.
"""

from roofplat.placing.place import Plan, place_plans
from roofplat.placing.solar import audit_solar

__all__ = ["Plan", "audit_solar", "place_plans"]
