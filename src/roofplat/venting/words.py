"""What is said wherever a figure of smoke flow stands.

In: the number of a range that was left; the rules.
Out: the caution of the method, one sentence for each range, and the sentence of the wind.
"""

from __future__ import annotations

from typing import Final

from roofplat.rules import Rulebook

__all__ = ["CAUTION", "OUTSIDE", "wind_words"]

CAUTION: Final = (
    "Steady state, one compartment, no water, no wind; a planning aid, not a prediction. "
    "It says nothing of how long a roof holds."
)

# By number: what `smoke.Answer.outside` holds. Nothing was left where it is 0.
OUTSIDE: Final = (
    "",
    "not worked out: height or area is not known",
    "not worked out: no opening",
    "outside the range of the layer: there is too little room for smoke above the clear height",
    "outside the range of the large-fire form: the ceiling is too high above a fire so wide and weak",
    "outside the range of the layer's temperature: too hot for clear air below it",
    "outside the range of the layer's temperature: too cool to stay up",
    "outside the range of the inlet: the doors let in too little air, whatever is opened above",
)


def wind_words(rules: Rulebook) -> str:
    """Say in which wind the figures are not to be used.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> wind_words(load_rulebook())
    'Not to be used in wind above 10 mph.'
    """
    return f"Not to be used in wind above {rules.positive('venting.wind_limit_mph'):g} mph."
