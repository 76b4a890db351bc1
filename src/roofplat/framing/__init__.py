"""Framing: walls, the axis, and the members under the deck.

In: the inventory's roofs, streets, rules.
Out: `Framing`, with the tables sections, walls and members.
"""

from roofplat.framing.frame import Framing, frame_roofs
from roofplat.framing.parts import join_framings, split_framing
from roofplat.framing.spacings import kinds_of

__all__ = ["Framing", "frame_roofs", "join_framings", "kinds_of", "split_framing"]
