"""Which roofs deserve a visit first, and why.

In: the tables of the inventory, framing and placing, the rulebook, a date.
Out: the ranking: a score from 0 to 1 with its three reasons, and the inspection class beside it.
"""

from roofplat.ranking.score import rank_buildings

__all__ = ["rank_buildings"]
