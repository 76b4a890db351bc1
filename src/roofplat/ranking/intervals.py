"""How sure a rank is: the ranks that a building has when weights and unknown roofs are drawn.

In: factors in order of building id, what each roof may be, the weights.
Out: the best and the worst rank of the interval, one pair a building.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import numpy.typing as npt

from roofplat.errors import RuleError
from roofplat.ranking.order import ranks, sort_keys
from roofplat.ranking.outlook import Outlook
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["rank_intervals"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_LIGHTWEIGHT, _SEVERITY = RANKING_FACTORS.index("lightweight"), RANKING_FACTORS.index("severity")
# Scores held at once, and columns of ranks sorted at once.
_CELLS = 1_000_000
_LEAST_DRAWS = 100
# More than any share that can be drawn.
_BEYOND = np.float32(2.0)


def rank_intervals(
    factors: FloatArray, weights: FloatArray, roofs: Outlook, rank: IntArray, rules: Rulebook
) -> tuple[IntArray, IntArray]:
    """Bound the rank of each building.

    In each of `ranking.draws` draws, one set of weights is drawn for the whole district, and one
    roof family for each building on its own; the district is ranked by the scores that follow.
    Weights are Dirichlet with `ranking.weight_concentration` times the stated shares, so that their
    mean is the stated ones; a weight of 0 stays 0. The interval leaves out as many draws below as
    above, and holds `ranking.interval_share` of them at least. Where the stated rank lies outside
    of what was drawn, the interval is widened to hold it.

    A roof whose family is certain keeps its factors. All other facts stay as they are: the interval
    tells of weights and roof families, of nothing else. The chances themselves are taken as they are;
    that roofs of a kind are often alike is left out.

    Parameters
    ----------
    factors
        Columns as `RANKING_FACTORS`, from 0 to 1, rows in order of building id, shape (n, 8).
    weights
        Shares that add up to 1, shape (8,).
    roofs
        Rows in the order of `factors`.
    rank
        The stated rank, shape (n,).
    rules
        `ranking.draws`, `ranking.weight_concentration`, `ranking.interval_share`, `ranking.seed`.

    Returns
    -------
    low, high
        Ranks, shape (n,); low <= rank <= high.

    Raises
    ------
    RuleError
        One of the rules is out of its range.

    Notes
    -----
    All ranks are held, 4 bytes each: 0.4 GB for 100,000 buildings and 1,000 draws.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> sure = Outlook(("lamella",), np.zeros(1), np.ones(1), np.ones((2, 1)))
    >>> factors = np.array([[0.0] * 8, [1.0] * 8])
    >>> rank_intervals(factors, np.full(8, 1 / 8), sure, np.array([2, 1]), load_rulebook())
    (array([2, 1]), array([2, 1]))
    """
    draws, tail, concentration, seed = _settings(rules)
    count = len(factors)
    if not count:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    random = np.random.default_rng(seed)
    drawn_weights = np.zeros((draws, weights.size))
    heavy = weights > 0
    drawn_weights[:, heavy] = random.dirichlet(concentration * weights[heavy], size=draws)

    # Roofs to be drawn come first, so that their scores lie side by side.
    open_roof = roofs.chances.max(axis=1, initial=0.0) < 1.0
    row = np.argsort(~open_roof, kind="stable")
    unsure = int(open_roof.sum())
    fixed = np.ascontiguousarray(factors[row].T)
    fixed[[_LIGHTWEIGHT, _SEVERITY], :unsure] = 0.0
    steps = _steps(roofs.chances[row[:unsure]])
    of_family = np.outer(drawn_weights[:, _LIGHTWEIGHT], roofs.lightweight)
    of_family += np.outer(drawn_weights[:, _SEVERITY], roofs.severity)

    found = np.empty((draws, count), dtype=np.int32)
    for start in range(0, draws, each := max(1, _CELLS // count)):
        part = slice(start, min(start + each, draws))
        scores = drawn_weights[part] @ fixed
        shares = random.random((scores.shape[0], unsure), dtype=np.float32)
        family = np.zeros(shares.shape, dtype=np.uint8)
        for step in steps:
            family += shares >= step
        scores[:, :unsure] += np.take_along_axis(of_family[part], family.astype(np.intp), axis=1)
        found[part] = ranks(sort_keys(scores, row))

    low, high = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    for start in range(0, count, each := max(1, _CELLS // draws)):
        part = slice(start, min(start + each, count))
        ordered = np.partition(found[:, part].T, [tail, draws - 1 - tail], axis=1)
        low[part], high[part] = ordered[:, tail], ordered[:, draws - 1 - tail]
    return np.minimum(low, rank), np.maximum(high, rank)


def _steps(chances: FloatArray) -> npt.NDArray[np.float32]:
    """The shares at which one family gives way to the next, shape (m - 1, n).

    From the last family that can be on no share reaches the step: rounding cannot bring in a family
    without a chance.
    """
    families = chances.shape[1]
    steps = np.cumsum(chances, axis=1).astype(np.float32)
    last = families - 1 - np.argmax(chances[:, ::-1] > 0, axis=1)
    steps[np.arange(families) >= last[:, None]] = _BEYOND
    return cast("npt.NDArray[np.float32]", np.ascontiguousarray(steps[:, : families - 1].T))


def _settings(rules: Rulebook) -> tuple[int, int, float, int]:
    """Draws, draws left out at each end, concentration of the weights, seed."""
    draws = rules.count("ranking.draws", least=_LEAST_DRAWS)
    seed = rules.count("ranking.seed")
    share = rules.number("ranking.interval_share")
    if not 0 < share < 1:
        raise RuleError(f"Rule ranking.interval_share is {share:g}; it takes a value between 0 and 1.")
    concentration = rules.positive("ranking.weight_concentration")
    # A hair, because 1,000 times a twentieth is a hair under 50.
    tail = int(draws * (1.0 - share) / 2.0 + 1e-9)
    return draws, min(tail, (draws - 1) // 2), concentration, seed
