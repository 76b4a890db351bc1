"""Orders found fast: the same as those of numpy's stable sorts.

In: made-up keys with many equals, from hypothesis.
Out: the orders, held against `numpy.argsort(kind="stable")` and `numpy.lexsort`.
"""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from roofplat.framing.order import by_owner, stable_order

KEYS = st.lists(st.tuples(st.integers(0, 4), st.sampled_from([-1.0, 0.0, -0.0, 0.5, np.inf])), max_size=40)


@given(KEYS)
def test_equals_stay_in_their_order(keys: list[tuple[int, float]]) -> None:
    owner = np.array([key[0] for key in keys], dtype=np.int64)
    values = np.array([key[1] for key in keys], dtype=float)
    assert stable_order(values).tolist() == np.argsort(values, kind="stable").tolist()
    wanted = np.lexsort((values, owner)).tolist()
    # Few owners are counted, many are compared.
    assert by_owner(owner, values, 5).tolist() == wanted
    assert by_owner(owner, values, 2**16 + 1).tolist() == wanted


def test_many_rows() -> None:
    random = np.random.default_rng(3)
    values = random.integers(0, 500, 5000) / 7
    owner = random.integers(0, 900, 5000)
    assert (stable_order(values) == np.argsort(values, kind="stable")).all()
    assert (by_owner(owner, values, 900) == np.lexsort((values, owner))).all()
