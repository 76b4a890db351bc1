"""The largest usual scale that fits is chosen, and no larger one would have fitted."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import DistrictFileError
from roofplat.publish.sheet.paper import PAPERS, Box, find_paper, largest_scale

FEET = st.floats(1.0, 5000.0)


@given(FEET, FEET, st.sampled_from(sorted(PAPERS)))
def test_the_scale_is_the_largest_that_fits(width_ft: float, height_ft: float, name: str) -> None:
    paper, box = PAPERS[name], Box(0, 0, 400, 300)
    scale = largest_scale(paper, width_ft, height_ft, box)
    needed = max(width_ft / box.width, height_ft / box.height)
    assert scale.feet_per_point >= needed
    larger = [other for other in paper.scales if other.feet_per_point < scale.feet_per_point]
    assert all(other.feet_per_point < needed for other in larger)


@pytest.mark.parametrize("name", sorted(PAPERS))
def test_scales_run_from_large_to_small_and_are_named_once(name: str) -> None:
    steps = [scale.feet_per_point for scale in PAPERS[name].scales]
    assert steps == sorted(steps)
    assert len({scale.words for scale in PAPERS[name].scales}) == len(steps)


def test_a_scale_is_what_it_says() -> None:
    letter = {scale.words: scale.feet_per_point for scale in PAPERS["letter"].scales}
    assert letter["1 in = 20 ft"] * 72 == pytest.approx(20)
    a4 = {scale.words: scale.feet_per_point for scale in PAPERS["A4"].scales}
    # 1:200 is 200 inches of ground to an inch of paper: 16 2/3 ft.
    assert a4["1:200"] * 72 == pytest.approx(200 / 12)


def test_a_paper_that_nobody_has_is_named() -> None:
    assert find_paper(" LETTER ").name == "letter"
    with pytest.raises(DistrictFileError, match="no paper 'A0'; a sheet is printed on letter or A4"):
        find_paper("A0")
