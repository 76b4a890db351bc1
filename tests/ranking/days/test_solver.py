"""Greedy routes and solved ones: every limit kept, never worse, and as good as the best of small cases.

In: random cases of a few visits, and ones made to go wrong.
Out: routes, held to brute force.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.ranking.days.brute import best_outcome, keeps_every_limit, proven_value, random_case

from roofplat.errors import DistrictFileError, RuleError
from roofplat.ranking.days.case import Case, Outcome, outcome
from roofplat.ranking.days.greedy import filled_routes, greedy_routes
from roofplat.ranking.days.order import ordered_routes
from roofplat.ranking.days.solver import rounds_for, solved_routes

SHAPES = [(1, 1), (2, 1), (1, 2)]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("days", "inspectors"), SHAPES)
def test_small_cases_are_solved_as_brute_force_solves_them(seed: int, days: int, inspectors: int) -> None:
    case = random_case(seed, visits=7, days=days, inspectors=inspectors, musts=seed % 3)
    found = outcome(case, solved_routes(case, greedy_routes(case), rounds=400))
    assert found == best_outcome(case)


@pytest.mark.parametrize(
    ("seed", "visits", "days", "inspectors", "hours"),
    [(1, 20, 1, 1, 6.0), (2, 20, 2, 1, 4.0), (3, 30, 1, 1, 8.0), (5, 40, 1, 1, 8.0)],
)
def test_larger_cases_are_solved_as_a_proof_says(
    seed: int, visits: int, days: int, inspectors: int, hours: float
) -> None:
    case = random_case(seed, visits=visits, days=days, inspectors=inspectors, hours=hours)
    greedy = greedy_routes(case)
    assert outcome(case, solved_routes(case, greedy, rounds=200)).value == proven_value(case)


def test_the_greedy_plan_is_not_always_the_best() -> None:
    """Else the comparison in every plan would say nothing."""
    cases = [random_case(seed, visits=7, days=2, inspectors=1) for seed in range(10)]
    best = [best_outcome(case) for case in cases]
    assert sum(outcome(case, greedy_routes(case)) < most for case, most in zip(cases, best, strict=True)) >= 3


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 100_000),
    visits=st.integers(0, 14),
    days=st.integers(1, 3),
    inspectors=st.integers(1, 3),
    musts=st.integers(0, 4),
    hours=st.floats(0.3, 5.0),
)
def test_laws_of_routes(seed: int, visits: int, days: int, inspectors: int, musts: int, hours: float) -> None:
    case = random_case(seed, visits=visits, days=days, inspectors=inspectors, musts=musts, hours=hours)
    greedy = greedy_routes(case)
    solved = solved_routes(case, greedy, rounds=6)
    ordered = ordered_routes(case, solved)
    assert keeps_every_limit(case, greedy)
    assert keeps_every_limit(case, solved)
    assert keeps_every_limit(case, ordered)
    assert outcome(case, greedy) <= outcome(case, solved) == outcome(case, ordered)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_the_same_case_has_the_same_answer(seed: int) -> None:
    case = random_case(seed, visits=12, days=2, inspectors=2)
    begin = greedy_routes(case)
    assert solved_routes(case, begin, rounds=10) == solved_routes(case, begin, rounds=10)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_more_rounds_are_never_worse(seed: int) -> None:
    case = random_case(seed, visits=12, days=2, inspectors=1)
    begin = greedy_routes(case)
    found = [outcome(case, solved_routes(case, begin, rounds=rounds)) for rounds in (0, 5, 20)]
    assert found == sorted(found)


def test_a_must_comes_before_any_value() -> None:
    case = random_case(4, visits=6, days=1, inspectors=1, hours=1.5)
    poor = replace(case, value=np.array([1, 9000, 9000, 9000, 9000, 9000]), must=np.arange(6) == 0)
    for routes in (greedy_routes(poor), solved_routes(poor, greedy_routes(poor), rounds=30)):
        assert 0 in [visit for route in routes for visit in route]
    assert best_outcome(poor).musts == 1


def test_of_two_musts_the_more_pressing_is_placed_first() -> None:
    """Two days of one visit each: the one with a date takes the first day, the other the second."""
    hour = np.full(2, 3600)
    way = np.zeros((3, 3), dtype=np.int64)
    both = np.ones(2, dtype=bool)
    case = Case(np.array([50, 10]), hour, way, np.array([1, 0]), both, days=2, inspectors=1, work_s=3600)
    assert greedy_routes(case) == [[1], [0]]
    assert ordered_routes(case, solved_routes(case, greedy_routes(case), rounds=10)) == [[1], [0]]


def test_routes_that_are_given_stay_as_they_are() -> None:
    case = random_case(2, visits=8, days=2, inspectors=1)
    begun = [[3], [5]]
    filled = filled_routes(case, begun, case.value.astype(float))
    assert begun == [[3], [5]]
    assert 3 in filled[0]
    assert 5 in filled[1]
    assert keeps_every_limit(case, filled)


def test_what_brings_most_comes_first_as_far_as_dates_allow() -> None:
    way = np.zeros((5, 5), dtype=np.int64)
    case = Case(
        value=np.array([10, 40, 30, 20]),
        visit_s=np.full(4, 3600),
        way_s=way,
        latest_day=np.array([0, 3, 3, 3]),
        must=np.zeros(4, dtype=bool),
        days=4,
        inspectors=1,
        work_s=3600,
    )
    assert ordered_routes(case, [[0], [3], [2], [1]]) == [[0], [1], [2], [3]]
    free = replace(case, latest_day=np.full(4, 3))
    assert ordered_routes(free, [[0], [3], [2], [1]]) == [[1], [2], [3], [0]]
    # Within a day the more valuable end of the way comes first; no day is left empty before a full one.
    long = replace(free, work_s=20_000)
    assert ordered_routes(long, [[], [0, 2, 1], [], [3]]) == [[1, 2, 0], [3], [], []]


def test_an_outcome_compares_musts_then_value_then_way() -> None:
    assert Outcome(1, 0, -99) > Outcome(0, 100, 0)
    assert Outcome(1, 5, -99) > Outcome(1, 4, 0)
    assert Outcome(1, 5, -3) > Outcome(1, 5, -4)


def test_a_large_case_has_fewer_rounds_and_none_too_many() -> None:
    case = random_case(0, visits=50, days=1, inspectors=1)
    assert rounds_for(case, 80) == 320
    assert rounds_for(case, 0) == 0
    assert rounds_for(random_case(0, visits=300, days=1, inspectors=1), 80) == 9
    assert rounds_for(random_case(0, visits=0, days=1, inspectors=1), 80) == 500


def test_nothing_to_visit_is_no_fault() -> None:
    case = random_case(0, visits=0, days=2, inspectors=1)
    assert solved_routes(case, greedy_routes(case), rounds=100) == [[], []]


def test_values_beyond_all_measure_are_one_sentence() -> None:
    case = replace(random_case(0, visits=3, days=1, inspectors=1), value=np.array([2**50, 5, 5]))
    with pytest.raises(RuleError, match="too large for the solver") as caught:
        solved_routes(case, greedy_routes(case), rounds=1)
    assert "\n" not in str(caught.value)


def test_without_the_solver_there_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    case = random_case(0, visits=3, days=1, inspectors=1)
    monkeypatch.setitem(sys.modules, "ortools.constraint_solver", None)
    with pytest.raises(DistrictFileError, match=r"pip install 'roofplat\[inspect\]'") as caught:
        solved_routes(case, greedy_routes(case), rounds=10)
    assert "\n" not in str(caught.value)
