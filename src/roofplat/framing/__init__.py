"""Framing: walls, the axis, and the members under the deck.

In: the inventory's roofs, streets, rules.
Out: `Framing`, with the tables sections, walls and members.
"""

from roofplat.framing.frame import Framing, frame_roofs

__all__ = ["Framing", "frame_roofs"]
