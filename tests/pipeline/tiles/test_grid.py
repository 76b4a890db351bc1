"""Cells whose edges hang on the working CRS alone."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from roofplat.pipeline.tiles.grid import Squares, codes_of, cut_squares

PLACES = st.lists(st.tuples(st.integers(-3_000, 3_000), st.integers(-3_000, 3_000)), min_size=1, max_size=80)


def squares_of(places: list[tuple[int, int]], most: int) -> tuple[Squares, np.ndarray]:
    x, y = np.array(places, dtype=float).T + 0.5
    codes = codes_of(x, y)
    return cut_squares(codes, most), codes


@given(PLACES, st.integers(1, 9))
def test_each_place_lies_in_the_box_of_its_cell_and_no_cell_holds_too_many(
    places: list[tuple[int, int]], most: int
) -> None:
    squares, codes = squares_of(places, most)
    cell = squares.holding(codes)
    west, south, east, north = squares.boxes()[cell].T
    x, y = np.array(places, dtype=float).T + 0.5
    assert ((west <= x) & (x < east) & (south <= y) & (y < north)).all()
    assert squares.inside(codes, cell).all()
    held = np.bincount(cell, minlength=len(squares.first))
    assert held.sum() == len(places)
    assert (held > 0).all()
    assert ((held <= most) | (squares.level == 0)).all()
    assert squares.names() == sorted(squares.names())


@given(PLACES, st.integers(1, 9))
def test_cells_do_not_overlap(places: list[tuple[int, int]], most: int) -> None:
    squares, _ = squares_of(places, most)
    boxes = squares.boxes()
    for place, (west, south, east, north) in enumerate(boxes):
        others = np.delete(boxes, place, axis=0)
        apart = (
            (others[:, 0] >= east)
            | (others[:, 2] <= west)
            | (others[:, 1] >= north)
            | (others[:, 3] <= south)
        )
        assert apart.all()


@given(PLACES, st.tuples(st.integers(-3_000, 3_000), st.integers(-3_000, 3_000)), st.integers(1, 9))
def test_one_place_more_changes_the_cell_that_it_lies_in_and_no_other(
    places: list[tuple[int, int]], more: tuple[int, int], most: int
) -> None:
    before, _ = squares_of(places, most)
    after, fresh = squares_of([*places, more], most)
    names = np.array(before.names())
    inside = before.inside(fresh[-1:], before.holding(fresh[-1:]))[0]
    touched = {names[before.holding(fresh[-1:])[0]]} if inside else set()
    gone = set(names) - set(after.names())
    # Two cells that were one because nothing was there may part, if they are those around the new place.
    assert gone <= touched


def test_a_place_in_no_cell_goes_to_the_one_before_it() -> None:
    squares, _ = squares_of([(0, 0), (0, 1), (900, 900), (901, 900)], 2)
    code = codes_of(np.array([-5.0, 5_000.0]), np.array([-5.0, 5_000.0]))
    cell = squares.holding(code)
    assert not squares.inside(code, cell).any()
    assert cell.tolist() == [0, 1]


def test_what_is_not_finite_lies_at_the_end() -> None:
    assert codes_of(np.array([np.nan]), np.array([np.nan]))[0] == np.iinfo(np.uint64).max
