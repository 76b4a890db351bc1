"""Lists owned by sections: counted, paired and searched by hand."""

from __future__ import annotations

from dataclasses import dataclass

import hypothesis.strategies as st
import numpy as np
from hypothesis import given

from roofplat.framing import ragged

COUNTS = st.lists(st.integers(0, 4), max_size=8).map(lambda values: np.array(values, dtype=np.int64))
VALUES = st.sampled_from([0.0, 1.0, 1.5, np.inf])


@dataclass(frozen=True)
class Pair:
    left: np.ndarray
    right: np.ndarray


def test_offsets_of_nothing_are_one_zero() -> None:
    assert ragged.offsets(np.array([], dtype=np.int64)).tolist() == [0]


def test_expand_skips_owners_without_entries() -> None:
    owner, number = ragged.expand(np.array([0, 3, 0, 1]))
    assert owner.tolist() == [1, 1, 1, 3]
    assert number.tolist() == [0, 1, 2, 0]


@given(COUNTS)
def test_expand_counts_each_owner_from_zero(counts: np.ndarray) -> None:
    owner, number = ragged.expand(counts)
    assert list(zip(owner.tolist(), number.tolist(), strict=True)) == [
        (place, nth) for place, count in enumerate(counts.tolist()) for nth in range(count)
    ]


def test_first_minimum_takes_the_first_of_equals_and_no_infinity() -> None:
    values = np.array([2.0, 1.0, 1.0, np.inf, 5.0])
    assert ragged.first_minimum(values, np.array([0, 0, 0, 1, 3]), 4).tolist() == [1, -1, -1, 4]
    assert ragged.first_minimum(np.empty(0), np.empty(0, dtype=int), 2).tolist() == [-1, -1]


@given(COUNTS, st.data())
def test_first_of_equals_sorts_like_tuples(counts: np.ndarray, data: st.DataObject) -> None:
    owner, _ = ragged.expand(counts)
    first = [data.draw(VALUES) for _ in owner]
    second = [data.draw(st.sampled_from([0.0, 1.0])) for _ in owner]
    keys = [(np.array(first), 2), (np.array(second), 2)]
    found = ragged.first_of_equals(keys, owner, counts.size)
    for place in range(counts.size):
        rows = [row for row in np.flatnonzero(owner == place) if np.isfinite(first[row])]
        want = min(rows, key=lambda row: (first[row], second[row], row)) if rows else -1
        assert found[place] == want


def test_first_of_equals_lets_a_later_key_decide_among_nearly_equals() -> None:
    keys = [(np.array([1.0, 1.004, 0.0]), 2), (np.array([7.0, 3.0, 9.0]), 0)]
    assert ragged.first_of_equals(keys, np.array([0, 0, 1]), 2).tolist() == [1, 2]


@given(st.lists(st.integers(0, 4), max_size=8), st.lists(st.integers(0, 4), max_size=8))
def test_pair_up_is_every_pair_of_one_owner(left: list[int], right: list[int]) -> None:
    right = sorted(right)
    mine, other = ragged.pair_up(np.array(left, dtype=int), np.array(right, dtype=int), 5)
    want = [(i, j) for i, a in enumerate(left) for j, b in enumerate(right) if a == b]
    assert list(zip(mine.tolist(), other.tolist(), strict=True)) == want


def test_sums_and_marks_keep_a_place_for_every_owner() -> None:
    assert ragged.sums(np.array([1.0, 2.0, 4.0]), np.array([0, 0, 2]), 4).tolist() == [3.0, 0.0, 4.0, 0.0]
    assert ragged.marked(np.array([], dtype=int), 2).tolist() == [False, False]


def test_stacked_parts_are_the_whole_again() -> None:
    whole = Pair(np.arange(7), np.arange(7) * 10)
    parts = [ragged.take(whole, rows) for rows in ragged.chunks(7, 3)]
    assert [part.left.size for part in parts] == [3, 3, 1]
    assert ragged.stack(parts).right.tolist() == whole.right.tolist()
