"""The inventory: every roof of the district, who says what of it, and which word counts.

In: `intake.Inputs`, the rulebook, what a foot is.
Out: `Inventory`: buildings, roof sections, obstacles, fire spots, facts, odds of unknown roofs, problems,
    counts.
"""

from roofplat.inventory._shared import places_among
from roofplat.inventory.occupancy import occupancy_parts
from roofplat.inventory.odds import (
    chances_by_kind,
    estimate_odds,
    family_chances,
    family_names,
    odds_of,
    region_problems,
    stated_forms,
    trust_bits,
    trust_problems,
)
from roofplat.inventory.strata import period_years
from roofplat.inventory.take import Inventory, take_inventory

__all__ = [
    "Inventory",
    "chances_by_kind",
    "estimate_odds",
    "family_chances",
    "family_names",
    "occupancy_parts",
    "odds_of",
    "period_years",
    "places_among",
    "region_problems",
    "stated_forms",
    "take_inventory",
    "trust_bits",
    "trust_problems",
]
