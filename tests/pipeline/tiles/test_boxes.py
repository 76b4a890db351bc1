"""Boxes that meet a window, against looking at each of them."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from roofplat.pipeline.tiles.boxes import BoxIndex, around, grown, meeting

NUMBERS = st.integers(-60, 60).map(float)


@st.composite
def some_boxes(draw: st.DrawFn, most: int = 40) -> np.ndarray:
    count = draw(st.integers(0, most))
    low = draw(arrays.arrays(float, (count, 2), elements=NUMBERS))
    size = draw(arrays.arrays(float, (count, 2), elements=st.sampled_from([0.0, 1.0, 3.0, 9.0, 70.0])))
    boxes = np.hstack([low, low + size])
    lost = draw(arrays.arrays(bool, (count,)))
    boxes[lost & (np.arange(count) % 5 == 0)] = np.nan
    return boxes


@given(some_boxes(), some_boxes(6), st.sampled_from([1.0, 4.0, 25.0]))
def test_the_index_finds_what_meets_a_window(boxes: np.ndarray, windows: np.ndarray, cell: float) -> None:
    index = BoxIndex(boxes, cell)
    everything = np.zeros(len(boxes), dtype=bool)
    for window in windows:
        by_hand = meeting(boxes, window)
        everything |= by_hand
        assert index.meeting(window).tolist() == np.flatnonzero(by_hand).tolist()
    found = index.meeting_any(windows)
    assert (np.diff(found) > 0).all()
    # It may find more: what lies between windows that are looked at together.
    assert set(np.flatnonzero(everything)) <= set(found)
    assert set(found) <= set(np.flatnonzero(meeting(boxes, around(windows))))


def test_the_box_around_nothing_meets_nothing() -> None:
    nothing = around(np.empty((0, 4)))
    assert not meeting(np.array([[-1e9, -1e9, 1e9, 1e9]]), nothing).any()
    assert BoxIndex(np.array([[0.0, 0.0, 1.0, 1.0]]), 2.0).meeting(nothing).size == 0


def test_boxes_grow_on_every_side() -> None:
    boxes = np.array([[0.0, 0.0, 1.0, 1.0], [5.0, 5.0, 6.0, 7.0]])
    assert grown(boxes, np.array([1.0, 2.0])).tolist() == [[-1.0, -1.0, 2.0, 2.0], [3.0, 3.0, 8.0, 9.0]]
