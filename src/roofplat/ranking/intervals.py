"""How sure a rank is: the ranks that a building has when weights and unknown roofs are drawn.

In: factors in order of building id, what each roof may be, the weights.
Out: the best and the worst rank of the interval, one pair a building.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from roofplat.errors import RuleError
from roofplat.ranking.order import sort_keys
from roofplat.ranking.outlook import Outlook
from roofplat.rules import Rulebook
from roofplat.tables import RANKING_FACTORS

__all__ = ["rank_intervals"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_LIGHTWEIGHT, _SEVERITY = RANKING_FACTORS.index("lightweight"), RANKING_FACTORS.index("severity")
# Scores worked out at once, bytes of ranks held at once, buildings whose ranks are sorted at once.
_CELLS = 1_000_000
_BYTES = 128 * 2**20
_BLOCK = 2_048
# Up to this many buildings every rank is held as it is; of more in steps, so that two bytes hold it.
_EXACT = 2**20
_LEAST_DRAWS = 100
# More than any share that can be drawn.
_BEYOND = np.float32(2.0)
_LOW_HALF = np.uint64(2**32 - 1)


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
    Of each building only the ranks at either end are held, those that the interval leaves out and one more:
    for nine in ten of 1,000 draws 408 bytes a building, beside 128 MB that do not grow. Of more than a
    million buildings ranks are held in steps of n / 65,536, and the ends are rounded outward to them: the
    interval is then wider than the exact one, at each end by less than n / 65,535.

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
    district = _District.of(factors, roofs)
    ends = _Ends.of(count, tail + 1)
    batch = min(draws, max(1, _BYTES // (ends.best.itemsize * count)))
    found = np.empty((batch, count), dtype=ends.best.dtype)
    for start in range(0, draws, batch):
        part = drawn_weights[start : start + batch]
        _draw(district, part, random, ends.step, found)
        ends.take(found[: len(part)])
    low, high = ends.bounds(count)
    return np.minimum(low, rank), np.maximum(high, rank)


@dataclass(frozen=True, slots=True)
class _District:
    """What is drawn from: roofs to be drawn come first, so that their scores lie side by side.

    row
        Place of each building in order of its id, shape (n,).
    fixed
        What does not depend on the draw, by factor and building, shape (8, n).
    steps
        As `_steps` returns them of the u roofs that are drawn, shape (m - 1, u).
    lightweight, severity
        By family, shape (m,).
    """

    row: npt.NDArray[np.uint64]
    fixed: FloatArray
    steps: npt.NDArray[np.float32]
    lightweight: FloatArray
    severity: FloatArray

    @classmethod
    def of(cls, factors: FloatArray, roofs: Outlook) -> _District:
        kind = roofs.kind_of_each
        open_roof = (roofs.by_kind.max(axis=1, initial=0.0) < 1.0)[kind]
        row = np.argsort(~open_roof, kind="stable")
        unsure = int(open_roof.sum())
        fixed = np.ascontiguousarray(factors[row].T)
        fixed[[_LIGHTWEIGHT, _SEVERITY], :unsure] = 0.0
        steps = np.ascontiguousarray(_steps(roofs.by_kind)[:, kind[row[:unsure]]])
        return cls(row.astype(np.uint64), fixed, steps, roofs.lightweight, roofs.severity)


@dataclass(frozen=True, slots=True)
class _Ends:
    """The ranks at either end of the draws made so far, by building, shape (n, k) each.

    step
        What one of the whole numbers held counts for, in ranks.
    """

    best: npt.NDArray[Any]
    worst: npt.NDArray[Any]
    step: int

    @classmethod
    def of(cls, count: int, kept: int) -> _Ends:
        """Nothing drawn yet: no rank is as bad, or as good, as what stands for none."""
        step = 1 if count <= _EXACT else -(-count // 2**16)
        dtype = np.min_scalar_type((count - 1) // step)
        nothing = np.full((count, kept), np.iinfo(dtype).max, dtype=dtype)
        return cls(nothing, np.zeros_like(nothing), step)

    def take(self, found: npt.NDArray[Any]) -> None:
        """Put in the ranks of more draws, shape (draws, n)."""
        kept = self.best.shape[1]
        for start in range(0, len(self.best), _BLOCK):
            block = slice(start, start + _BLOCK)
            drawn = found[:, block].T
            # A sort of small whole numbers is several times quicker than a search for two of them.
            self.best[block] = np.sort(np.hstack([self.best[block], drawn]), axis=1)[:, :kept]
            self.worst[block] = np.sort(np.hstack([self.worst[block], drawn]), axis=1)[:, -kept:]

    def bounds(self, count: int) -> tuple[IntArray, IntArray]:
        """The ends of the intervals as ranks, from 1."""
        low = self.best[:, -1].astype(np.int64) * self.step + 1
        high = (self.worst[:, 0].astype(np.int64) + 1) * self.step
        return low, np.minimum(high, count)


def _draw(
    district: _District,
    weights: FloatArray,
    random: np.random.Generator,
    step: int,
    found: npt.NDArray[Any],
) -> None:
    """Draw families, rank the district by each set of weights, and write ranks from 0, in steps."""
    unsure, count = district.steps.shape[1], district.row.size
    of_family = np.outer(weights[:, _LIGHTWEIGHT], district.lightweight)
    of_family += np.outer(weights[:, _SEVERITY], district.severity)
    places = (np.arange(count) // step).astype(found.dtype)
    shares = np.empty(unsure, dtype=np.float32)
    family, beyond = np.empty(unsure, dtype=np.uint8), np.empty(unsure, dtype=bool)
    each = max(1, _CELLS // count)
    for start in range(0, len(weights), each):
        scores = weights[start : start + each] @ district.fixed
        for draw, score in enumerate(scores, start):
            # One draw at a time: what is worked on stays close to the processor.
            random.random(dtype=np.float32, out=shares)
            family.fill(0)
            for border in district.steps:
                np.greater_equal(shares, border, out=beyond)
                np.add(family, beyond, out=family)
            score[:unsure] += of_family[draw].take(family)
            ordered = sort_keys(score, district.row)
            ordered.sort()
            found[draw, (ordered & _LOW_HALF).view(np.int64)] = places


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
