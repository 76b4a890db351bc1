"""The inventory: every roof of the district, who says what of it, and which word counts.

In: `intake.Inputs`, the rulebook, what a foot is.
Out: `Inventory`: buildings, roof sections, obstacles, fire spots, facts, problems, counts.
"""

from roofplat.inventory.take import Inventory, take_inventory

__all__ = ["Inventory", "take_inventory"]
