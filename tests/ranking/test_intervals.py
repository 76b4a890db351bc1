"""The interval of a rank: against a direct simulation, against cases worked out by hand, and its laws."""

from __future__ import annotations

import datetime
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from tests.ranking.made import district

from roofplat.inventory import family_chances
from roofplat.ranking import intervals, rank_buildings
from roofplat.ranking.intervals import _steps, rank_intervals
from roofplat.ranking.order import ranks, sort_keys
from roofplat.ranking.outlook import Outlook
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS

FloatArray = npt.NDArray[np.float64]
RULES = load_rulebook()
WEIGHTS = np.array([RULES.number(f"ranking.weight.{name}") for name in RANKING_FACTORS])
WEIGHTS = WEIGHTS / WEIGHTS.sum()
FAMILIES = ("light", "heavy", "bad")
LIGHT, SEVERITY = np.array([1.0, 0.0, 0.0]), np.array([0.9, 0.4, 1.0])
FIRM = {"ranking.weight_concentration": 1e12}


def case(count: int, seed: int, *, sure: float = 0.3) -> tuple[FloatArray, Outlook, npt.NDArray[np.int64]]:
    """Factors, chances and stated ranks of some buildings, a share of whose roofs is certain."""
    random = np.random.default_rng(seed)
    chances = random.dirichlet(np.full(3, 0.8), size=count)
    known = random.random(count) < sure
    chances[known] = np.eye(3)[random.integers(0, 3, known.sum())]
    factors = random.random((count, 8))
    factors[:, 0], factors[:, 1] = chances @ LIGHT, chances @ SEVERITY
    return factors, Outlook(FAMILIES, LIGHT, SEVERITY, chances), ranks(sort_keys(factors @ WEIGHTS))


def test_it_holds_what_a_direct_simulation_draws() -> None:
    factors, roofs, rank = case(60, seed=11)
    low, high = rank_intervals(factors, WEIGHTS, roofs, rank, RULES)

    random = np.random.default_rng(99)
    drawn = np.empty((4_000, 60), dtype=int)
    for draw in range(len(drawn)):
        weights = random.dirichlet(RULES.number("ranking.weight_concentration") * WEIGHTS)
        now = factors.copy()
        for building in range(60):
            family = random.choice(3, p=roofs.chances[building])
            now[building, :2] = LIGHT[family], SEVERITY[family]
        order = np.argsort(-(now @ weights).round(9), kind="stable")
        drawn[draw, order] = np.arange(1, 61)

    # Each end leaves out a twentieth at most. A thousand draws tell a twentieth to 0.007, the four
    # thousand to 0.003; of 60 buildings one may be three such errors off.
    below, above = (drawn < low).mean(axis=0), (drawn > high).mean(axis=0)
    assert below.max() < 0.05 + 3 * 0.0076
    assert above.max() < 0.05 + 3 * 0.0076
    # And no end lies farther out than it must: one step in, a twentieth would be left out.
    wide_low, wide_high = low < rank, high > rank
    assert ((drawn <= low).mean(axis=0)[wide_low] > 0.05 - 3 * 0.0076).all()
    assert ((drawn >= high).mean(axis=0)[wide_high] > 0.05 - 3 * 0.0076).all()
    # The case is one that could tell: the intervals are neither points nor the whole district.
    assert 10 < np.median(high - low) < 50


@pytest.mark.parametrize(("chance", "widest"), [(0.02, (1, 1)), (0.1, (1, 2)), (0.98, (1, 2))])
def test_one_roof_that_may_overtake(chance: float, widest: tuple[int, int]) -> None:
    """A overtakes B when its roof is light; at 2% no interval of nine in ten knows of it."""
    factors = np.zeros((2, 8))
    factors[:, 2] = [0.5, 0.6]
    chances = np.array([[chance, 1 - chance, 0.0], [0.0, 1.0, 0.0]])
    factors[:, 0], factors[:, 1] = chances @ LIGHT, chances @ SEVERITY
    roofs = Outlook(FAMILIES, LIGHT, SEVERITY, chances)
    # Rank as the likelier family says: the interval then need not be widened at 2%.
    rank = np.array([2, 1])
    low, high = rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook(FIRM))
    assert (low[1], high[1]) == widest


def test_certain_roofs_and_firm_weights_leave_no_doubt() -> None:
    factors, roofs, rank = case(40, seed=5, sure=1.1)
    low, high = rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook(FIRM))
    assert low.tolist() == rank.tolist() == high.tolist()


def test_a_weight_of_zero_stays_zero() -> None:
    weights = np.array([0.3, 0.3, 0.4, 0.0, 0.0, 0.0, 0.0, 0.0])
    factors, roofs, rank = case(30, seed=7)
    other = factors.copy()
    other[:, 3:] = np.random.default_rng(8).random((30, 5))
    first = rank_intervals(factors, weights, roofs, rank, RULES)
    second = rank_intervals(other, weights, roofs, rank, RULES)
    assert np.array_equal(first, second)


def test_the_stated_weights_are_the_mean_and_the_rule_says_how_wide_they_are() -> None:
    """The rule's meaning names the interval of a weight of 0.2: the beta marginal of the Dirichlet."""
    concentration = RULES.number("ranking.weight_concentration")
    ends = stats.beta.ppf([0.05, 0.95], 0.2 * concentration, 0.8 * concentration)
    assert ends.round(2).tolist() == [0.12, 0.3]
    assert f"from {ends[0]:.2f} to {ends[1]:.2f}" in RULES["ranking.weight_concentration"].meaning


@pytest.mark.parametrize(
    ("first", "changes_places"), [(0.58, True), (0.6, True), (0.65, False), (0.75, False)]
)
def test_two_factors_against_the_beta_distribution(first: float, changes_places: bool) -> None:
    """One building has all of one factor, the other all of another: the larger weight leads.

    How often the smaller is drawn larger is the beta marginal of the Dirichlet, by scipy.
    """
    weights = np.array([0.0, 0.0, first, 1 - first, 0.0, 0.0, 0.0, 0.0])
    factors = np.zeros((2, 8))
    factors[0, 2] = factors[1, 3] = 1.0
    sure = Outlook(FAMILIES, LIGHT, SEVERITY, np.eye(3)[[1, 1]])
    factors[:, :2] = 0.0
    concentration = RULES.number("ranking.weight_concentration")
    chance = stats.beta.cdf(0.5, first * concentration, (1 - first) * concentration)
    # Far enough from a twentieth for a thousand draws to tell.
    assert (chance > 0.05 + 3 * 0.007) if changes_places else (chance < 0.05 - 3 * 0.007)
    low, high = rank_intervals(factors, weights, sure, np.array([1, 2]), RULES)
    assert (low.tolist(), high.tolist()) == (([1, 1], [2, 2]) if changes_places else ([1, 2], [1, 2]))


def test_more_of_the_draws_make_it_no_narrower() -> None:
    factors, roofs, rank = case(50, seed=2)
    ends = [
        rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook({"ranking.interval_share": share}))
        for share in (0.1, 0.5, 0.9, 0.99)
    ]
    for (low, high), (lower, higher) in pairwise(ends):
        assert (lower <= low).all()
        assert (higher >= high).all()
    assert (ends[-1][1] - ends[-1][0]).sum() > (ends[0][1] - ends[0][0]).sum()


def test_firmer_weights_and_surer_roofs_make_it_narrower() -> None:
    factors, roofs, rank = case(200, seed=4)
    loose = rank_intervals(factors, WEIGHTS, roofs, rank, RULES)
    firm = rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook(FIRM))
    sure = Outlook(FAMILIES, LIGHT, SEVERITY, np.eye(3)[roofs.chances.argmax(axis=1)])
    seen = rank_intervals(factors, WEIGHTS, sure, rank, RULES)
    width = [np.mean(high - low) for low, high in (loose, firm, seen)]
    assert width[1] < width[0]
    assert width[2] < width[0]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 40), shift=st.integers(0, 39))
def test_it_always_holds_the_stated_rank(seed: int, count: int, shift: int) -> None:
    factors, roofs, rank = case(count, seed)
    # A stated rank far from what is drawn is held too.
    rank = np.roll(rank, shift)
    low, high = rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook({"ranking.draws": 100}))
    assert (low >= 1).all()
    assert (low <= rank).all()
    assert (rank <= high).all()
    assert (high <= count).all()


def test_the_seed_decides_and_nothing_else() -> None:
    factors, roofs, rank = case(80, seed=9)
    first = rank_intervals(factors, WEIGHTS, roofs, rank, RULES)
    assert np.array_equal(first, rank_intervals(factors, WEIGHTS, roofs, rank, RULES))
    other = rank_intervals(factors, WEIGHTS, roofs, rank, load_rulebook({"ranking.seed": 2}))
    assert not np.array_equal(first, other)
    # Another seed moves an end by what a thousand draws leave open. Where a family's chance is near a
    # twentieth an end may jump, so that not the widest one counts.
    assert np.quantile(np.abs(np.subtract(first, other)), 0.95) <= 4


def test_no_family_without_a_chance_is_drawn() -> None:
    """Tenths add up to a hair under one in single precision: the rest is not the last family's."""
    chances = np.array([[0.0, *[0.1] * 10, 0.0], [0.0, 1.0, *[0.0] * 10], [*[0.0] * 11, 1.0]])
    steps = _steps(chances)
    for share in np.array([0.0, 0.5, 1.0 - 2.0**-24], dtype=np.float32):
        family = (share >= steps).sum(axis=0)
        assert (chances[np.arange(3), family] > 0).all(), share


def test_intervals_of_a_district_do_not_depend_on_the_order_of_rows() -> None:
    tables = district(60, seed=3)
    straight = rank_buildings(tables, RULES, as_of=datetime.date(2026, 1, 1))
    mixed = {**tables, "buildings": tables["buildings"].sample(frac=1.0, random_state=5)}
    again = rank_buildings(mixed, RULES, as_of=datetime.date(2026, 1, 1))
    columns = ["building_id", "rank", "rank_low", "rank_high", "score"]
    assert straight[columns].to_dict("list") == again[columns].to_dict("list")
    assert (straight["rank_high"] - straight["rank_low"]).max() > 10
    chances = family_chances(tables["buildings"], None, tables["family_odds"], RULES)
    assert ((chances.to_numpy() > 0.01) & (chances.to_numpy() < 0.99)).any()


@pytest.mark.parametrize("share", [0.9, 0.3, 0.001])
def test_draws_held_a_few_at_a_time_give_the_same_ends(share: float, monkeypatch: pytest.MonkeyPatch) -> None:
    factors, roofs, rank = case(300, seed=12)
    rules = load_rulebook({"ranking.draws": 150, "ranking.interval_share": share})
    at_once = rank_intervals(factors, WEIGHTS, roofs, rank, rules)
    # Seven draws of 300 ranks, two bytes each; a block that does not divide the buildings.
    monkeypatch.setattr(intervals, "_BYTES", 7 * 300 * 2)
    monkeypatch.setattr(intervals, "_BLOCK", 77)
    monkeypatch.setattr(intervals, "_CELLS", 900)
    assert np.array_equal(at_once, rank_intervals(factors, WEIGHTS, roofs, rank, rules))


def test_kinds_of_roofs_draw_what_roofs_one_by_one_draw() -> None:
    factors, roofs, rank = case(90, seed=13)
    order = np.random.default_rng(1).integers(0, 90, 90)
    kinds = Outlook(FAMILIES, LIGHT, SEVERITY, roofs.by_kind, order)
    one_by_one = Outlook(FAMILIES, LIGHT, SEVERITY, roofs.by_kind[order])
    assert np.array_equal(kinds.chances, one_by_one.chances)
    assert kinds.mean(SEVERITY) == pytest.approx(one_by_one.chances @ SEVERITY)
    assert np.array_equal(
        rank_intervals(factors, WEIGHTS, kinds, rank, RULES),
        rank_intervals(factors, WEIGHTS, one_by_one, rank, RULES),
    )


def test_above_a_stated_size_ends_are_rounded_outward_and_no_farther(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Steps of n / 65,536: at 200,000 buildings four ranks, so that an end moves by three at most."""
    factors, roofs, rank = case(200_000, seed=14)
    rules = load_rulebook({"ranking.draws": 100})
    low, high = rank_intervals(factors, WEIGHTS, roofs, rank, rules)
    monkeypatch.setattr(intervals, "_EXACT", 2**16)
    lower, higher = rank_intervals(factors, WEIGHTS, roofs, rank, rules)
    assert ((low - lower >= 0) & (low - lower <= 3)).all()
    assert ((higher - high >= 0) & (higher - high <= 3)).all()
    # The case is one that could tell: most ends do move.
    assert (low > lower).mean() > 0.5
    assert (higher > high).mean() > 0.5
