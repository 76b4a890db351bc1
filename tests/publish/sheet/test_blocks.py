"""Blocks of text: everything that fits is there, nothing overlaps, and what is left out is said.

In: blocks of rows of many lengths, columns of many heights.
Out: layouts.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roofplat.publish.sheet.blocks import Block, Layout, fit

ROW = st.integers(1, 30).map(lambda count: " ".join(["stay on beams"] * count))
BLOCKS = st.lists(
    st.builds(
        lambda rows, rank, least: Block("Title", tuple(rows), rank, least=least, rest="a list"),
        st.lists(ROW, min_size=1, max_size=12),
        st.integers(1, 7),
        st.integers(0, 3),
    ),
    min_size=1,
    max_size=7,
)


def texts(layout: Layout) -> list[str]:
    return [piece.text for piece in layout.pieces if not piece.title]


@settings(max_examples=60)
@given(BLOCKS, st.floats(150.0, 500.0), st.one_of(st.none(), st.floats(150.0, 500.0)))
def test_pieces_stay_in_their_columns_and_apart(
    blocks: list[Block], most: float, first: float | None
) -> None:
    layout = fit(blocks, width_pt=170.0, most_pt=most, first_pt=first)
    assert layout.height_pt <= most + 1e-6
    for column in range(3):
        limit = first if column == 0 and first is not None else most
        below = 0.0
        for piece in layout.pieces:
            if piece.column == column:
                assert piece.top_pt >= below - 1e-6
                below = piece.top_pt + piece.height_pt
        assert below <= limit + 1e-6


@settings(max_examples=60)
@given(BLOCKS, st.floats(150.0, 500.0))
def test_every_row_is_there_or_counted(blocks: list[Block], most: float) -> None:
    layout = fit(blocks, width_pt=170.0, most_pt=most)
    assert len(layout.blocks) == len(blocks)
    for before, after in zip(blocks, layout.blocks, strict=True):
        assert before.rows[: len(after.rows)] == after.rows
        assert len(after.rows) + after.left_out == len(before.rows)
    said = [
        int(found[1])
        for text in texts(layout)
        if (found := re.match(r"(?:All )?(\d+)(?: more| row)? in a list", text))
    ]
    assert said == [block.left_out for block in layout.blocks if block.left_out]


def test_the_largest_type_that_holds_everything_is_taken() -> None:
    block = Block("Roof", ("one line",) * 10, 1)
    sizes = [fit([block], width_pt=100.0, most_pt=most, columns=1).size_pt for most in (300.0, 112.0, 105.0)]
    assert sizes == [8.0, 7.5, 7.0]


def test_the_dearest_is_shortened_last() -> None:
    dear = Block("Scenario", ("line",) * 8, 1, least=1)
    cheap = Block("Why here", ("line",) * 8, 7, least=1, rest="layers.gpkg")
    layout = fit([dear, cheap], width_pt=100.0, most_pt=125.0, columns=1)
    assert layout.blocks[0].rows == dear.rows
    assert 0 < layout.blocks[1].left_out < 8
    assert texts(layout)[-1] == f"{layout.blocks[1].left_out} more in layers.gpkg."
    # Only when nobody has a row to spare does the dear one give way.
    tight = fit([dear, cheap], width_pt=100.0, most_pt=75.0, columns=1)
    assert tight.blocks[1].left_out >= 7
    assert tight.blocks[0].left_out > 0


def test_a_block_that_goes_on_says_so() -> None:
    layout = fit([Block("Facts", ("line",) * 30, 1)], width_pt=100.0, most_pt=130.0)
    titles = [(piece.column, piece.text) for piece in layout.pieces if piece.title]
    assert titles == [(0, "Facts"), (1, "Facts, continued"), (2, "Facts, continued")]


def test_titles_that_do_not_fit_are_a_defect() -> None:
    with pytest.raises(ValueError, match="2 titles"):
        fit([Block("A", ("a",), 1), Block("B", ("b",), 1)], width_pt=50.0, most_pt=20.0, columns=1)
