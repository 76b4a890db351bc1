"""Ranks from scores: ties, last digits, and places among others."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.ranking.order import places_in, ranks, sort_keys

# Few values, so that there are ties.
scores = st.lists(st.sampled_from([0.0, 0.1, 0.25, 0.250000001, 0.7, 1.0]), min_size=1, max_size=30)


@given(scores)
def test_ranks_are_those_of_a_stable_sort(values: list[float]) -> None:
    order = sorted(range(len(values)), key=lambda row: (-values[row], row))
    expected = {row: place for place, row in enumerate(order, start=1)}
    assert ranks(sort_keys(np.array(values))).tolist() == [expected[row] for row in range(len(values))]


@given(scores, st.randoms(use_true_random=False))
def test_rows_may_come_in_any_order(values: list[float], shuffle: object) -> None:
    row = np.arange(len(values))
    shuffle.shuffle(row)  # type: ignore[attr-defined]
    mixed = np.array(values)[row]
    assert ranks(sort_keys(mixed, row)).tolist() == ranks(sort_keys(np.array(values))).tolist()


def test_many_rankings_at_once_are_the_same_as_one_by_one() -> None:
    values = np.random.default_rng(3).random((5, 40)).round(1)
    together = ranks(sort_keys(values))
    assert together.tolist() == [ranks(sort_keys(one)).tolist() for one in values]


def test_a_difference_below_the_ninth_decimal_is_a_tie() -> None:
    assert ranks(sort_keys(np.array([0.5, 0.5 + 4e-10]))).tolist() == [1, 2]
    assert ranks(sort_keys(np.array([0.5, 0.5 + 6e-10]))).tolist() == [2, 1]


def test_a_score_a_hair_above_one_is_the_best_one() -> None:
    assert ranks(sort_keys(np.array([0.9, 1.0 + 1e-12, 1.0]))).tolist() == [3, 1, 2]


@given(scores, st.data())
def test_the_place_with_another_score_is_found_by_ranking_again(
    values: list[float], data: st.DataObject
) -> None:
    row = data.draw(st.integers(0, len(values) - 1))
    other = data.draw(st.sampled_from([0.0, 0.1, 0.2, 0.25, 0.7, 0.9, 1.0]))
    own = sort_keys(np.array(values))
    would = sort_keys(np.array([other]), np.array([row]))
    changed = np.array(values)
    changed[row] = other
    assert places_in(np.sort(own), own[[row]], would)[0] == ranks(sort_keys(changed))[row]


@pytest.mark.parametrize("count", [0, 1])
def test_none_and_one(count: int) -> None:
    assert ranks(sort_keys(np.full(count, 0.3))).tolist() == [1] * count
