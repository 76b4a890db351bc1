"""Reach: which ladders there are, and how supports at given heights are reached from the ground.

In: the stock of the rulebook, heights of supports.
Out: `Stock`, and `Reach`: working length, setback and the shortest ladder that reaches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from roofplat.errors import RuleError
from roofplat.framing.ragged import FloatArray, IntArray, sums
from roofplat.rules import Rulebook

__all__ = ["Reach", "Stock", "ladder_stock", "working_reach"]

# A support at the limit, to a hundredth of a foot, is reached.
_SLACK_FT = 0.005


@dataclass(frozen=True, slots=True)
class Stock:
    """The department's ground ladders, each length once, the shortest first; shape (s,) each.

    length_ft, count
        Nominal length, and how many there are.
    highest_ft
        Highest support that one of them reaches.
    """

    length_ft: FloatArray
    count: IntArray
    highest_ft: FloatArray


@dataclass(frozen=True, slots=True)
class Reach:
    """How supports at n heights are reached from the ground; shape (n,) each.

    working_length_ft
        Ground to the support, along the ladder.
    base_setback_ft
        Base to wall along the ground.
    number
        The shortest ladder that reaches, as an index into the stock; the size of the stock where
        none does.
    ladder_ft
        Its length, NaN where none reaches.
    """

    working_length_ft: FloatArray
    base_setback_ft: FloatArray
    number: IntArray
    ladder_ft: FloatArray


def ladder_stock(rules: Rulebook) -> Stock:
    """The ground ladders that the rulebook lists.

    Parameters
    ----------
    rules
        `ladder.stock_ft`, `ladder.stock_count`, `ladder.base_share`, `ladder.tip_above_edge_ft`.

    Returns
    -------
    Stock
        Empty where there are none.

    Raises
    ------
    RuleError
        The two lists do not fit each other, or hold something else than lengths and counts.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> stock = ladder_stock(load_rulebook())
    >>> stock.length_ft.tolist()
    [14.0, 16.0, 20.0, 24.0, 28.0, 35.0]
    >>> stock.highest_ft.round(2).tolist()
    [10.56, 12.49, 16.36, 20.24, 24.11, 30.89]
    """
    lengths, counts = rules["ladder.stock_ft"].value, rules["ladder.stock_count"].value
    if len(lengths) != len(counts):
        raise RuleError(
            f"Rule ladder.stock_ft has {len(lengths)} lengths and ladder.stock_count has {len(counts)} "
            "counts: give one count for each length."
        )
    if not all(_is_number(length) and length > 0 for length in lengths):
        raise RuleError(f"Rule ladder.stock_ft is {lengths!r}: give lengths in feet, each more than 0.")
    if not all(_is_number(count) and count >= 0 and count == int(count) for count in counts):
        raise RuleError(f"Rule ladder.stock_count is {counts!r}: give whole numbers, 0 or more.")
    length, place = np.unique(np.array(lengths, dtype=float), return_inverse=True)
    count = sums(np.array(counts, dtype=float), place, length.size).astype(np.int64)
    length, count = length[count > 0], count[count > 0]
    rise = np.sqrt(1.0 - rules.number("ladder.base_share") ** 2)
    return Stock(length, count, length * rise - rules.number("ladder.tip_above_edge_ft"))


def working_reach(support_ft: FloatArray, rules: Rulebook) -> Reach:
    """Ladder length and setback for supports at given heights.

    Parameters
    ----------
    support_ft
        Height of the support (roof edge plus parapet) above the ground, shape (n,).
    rules
        As for `ladder_stock`.

    Returns
    -------
    Reach

    Notes
    -----
    The base stands at a quarter of the working length measured along the ladder
    (29 CFR 1926.1053(b)(5)(i)), so the angle is acos(1/4) = 75.5 degrees. A ladder reaches when
    its full length at that angle ends at least 3 ft above the support (1926.1053(b)(1)).

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> reach = working_reach(np.array([20.0, 40.0]), load_rulebook())
    >>> reach.ladder_ft.tolist()
    [24.0, nan]
    """
    stock = ladder_stock(rules)
    share = rules.number("ladder.base_share")
    working = support_ft / np.sqrt(1.0 - share**2)
    number = np.searchsorted(stock.highest_ft + _SLACK_FT, support_ft)
    return Reach(working, share * working, number, np.append(stock.length_ft, np.nan)[number])


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
