"""Ids that do not exist bring up those that were meant.

In: ids, and ids with a slip of the pen.
Out: the nearest ids; the same for any order of rows.
"""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.intake.keys import nearest_keys

IDS = pd.Series(["MB-0001", "MB-0042", "MB-1042", "K7", "warehouse north", "00417"])


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("MB-042", "MB-0042"),
        ("MB-00042", "MB-0042"),
        ("mb-0001x", "MB-0001"),
        ("MB0001", "MB-0001"),
        ("warehose north", "warehouse north"),
        ("417", "00417"),
        ("K8", "K7"),
    ],
)
def test_a_slip_of_the_pen_brings_up_what_was_meant(written: str, meant: str) -> None:
    assert nearest_keys(IDS, written)[0] == meant


@pytest.mark.parametrize("written", ["", "zzzz", "?????????????????????"])
def test_what_is_like_nothing_brings_up_nothing(written: str) -> None:
    assert nearest_keys(IDS, written) == []
    assert nearest_keys(IDS.iloc[:0], written) == []


@given(
    st.text("AB12-", min_size=4, max_size=9),
    st.integers(0, 8),
    st.sampled_from(["drop", "add", "change"]),
    st.permutations(range(3)),
)
def test_one_letter_off_is_as_near_as_can_be(name: str, place: int, slip: str, order: list[int]) -> None:
    place = min(place, len(name) - 1)
    rest = name[place:] if slip == "add" else name[place + 1 :]
    word = name[:place] + ("" if slip == "drop" else "#") + rest
    others = ["Q" * len(name), "%%%", name]
    assert nearest_keys(pd.Series([others[row] for row in order]), word)[0] == name
