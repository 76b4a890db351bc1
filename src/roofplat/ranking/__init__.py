"""Which roofs deserve a visit first, why, and how sure that is.

In: the tables of the inventory, framing and placing, the rulebook, a date.
Out: the ranking: a score from 0 to 1 with its parts and reasons, a rank with its interval, and the
    inspection class beside it; the roofs to survey next; where a building would land for each answer,
    and which question matters most of it.
"""

from roofplat.ranking.apart import Apart, take_apart
from roofplat.ranking.explain import what_if
from roofplat.ranking.finish import Finished, finish
from roofplat.ranking.measure import measure_buildings
from roofplat.ranking.moves import score_moves
from roofplat.ranking.next import survey_next
from roofplat.ranking.score import rank_buildings

__all__ = [
    "Apart",
    "Finished",
    "finish",
    "measure_buildings",
    "rank_buildings",
    "score_moves",
    "survey_next",
    "take_apart",
    "what_if",
]
