"""Members are thinned by whole numbers of spacings, and a dimension spans one spacing, no more."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from roofplat.publish.sheet.lattice import find_bays, thin_out


def _lattice(count: int, gap: float, turn_deg: float, *, pieces: int = 1) -> list[shapely.LineString]:
    """Parallel lines 100 long, each in some pieces with a little between them, turned about the origin."""
    lines = [
        shapely.LineString([(k * gap, 100 / pieces * j), (k * gap, 100 / pieces * (j + 1) - 1)])
        for k in range(count)
        for j in range(pieces)
    ]
    turn = np.radians(turn_deg)
    turning = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return [shapely.transform(line, lambda points: points @ turning + 300.0) for line in lines]


@given(
    st.integers(2, 60),
    st.floats(0.4, 12.0),
    st.floats(0.0, 360.0),
    st.integers(1, 3),
    st.randoms(use_true_random=False),
)
def test_lines_that_are_kept_are_whole_spacings_apart(
    count: int, gap: float, turn_deg: float, pieces: int, order: object
) -> None:
    lines = _lattice(count, gap, turn_deg, pieces=pieces)
    order.shuffle(lines)  # type: ignore[attr-defined]
    drawn, step = thin_out(lines, gap, least_pt=4.0)
    assert step * gap >= 4.0 - 1e-6
    assert step == 1 or (step - 1) * gap < 4.0 or step in (8, 10, 12, 16, 20, 25, 50, 100)
    wanted = -(-count // step)
    assert len(drawn) == wanted * pieces
    # Offsets of those that were drawn, from the first of them.
    turn = np.radians(turn_deg)
    offsets = [np.dot(line.centroid.coords[0], (np.cos(turn), np.sin(turn))) for line in drawn]
    steps = (np.array(offsets) - min(offsets)) / (step * gap)
    assert np.allclose(steps, np.round(steps), atol=1e-4)


@given(st.integers(2, 40), st.floats(4.0, 60.0), st.floats(0.0, 360.0), st.integers(1, 3))
def test_a_dimension_spans_one_bay_from_line_to_line(
    count: int, gap: float, turn_deg: float, pieces: int
) -> None:
    lines = _lattice(count, gap, turn_deg, pieces=pieces)
    bays = find_bays(lines, gap)
    assert bays
    for bay in bays:
        x0, y0, x1, y1 = bay.ends
        assert np.hypot(x1 - x0, y1 - y0) == pytest.approx(gap, abs=0.02)
        for end in ((x0, y0), (x1, y1)):
            assert min(shapely.distance(lines, shapely.Point(end))) < 0.05


def test_nothing_to_measure_where_nothing_runs_side_by_side() -> None:
    assert find_bays([shapely.LineString([(0, 0), (0, 50)])], 10.0) == []
    one_behind_the_other = [shapely.LineString([(0, 0), (0, 50)]), shapely.LineString([(10, 60), (10, 90)])]
    assert find_bays(one_behind_the_other, 10.0) == []


def test_a_text_stands_on_its_dimension_where_it_fits_and_beside_it_elsewhere() -> None:
    wide, narrow = (find_bays(_lattice(3, gap, 0.0), gap)[0] for gap in (80.0, 14.0))
    assert (wide.spots((30.0, 10.0))[0].x, wide.spots((30.0, 10.0))[0].turn_deg) == pytest.approx(
        (wide.x, 0.0)
    )
    beside = narrow.spots((30.0, 10.0))
    assert [spot.turn_deg for spot in beside] == [90.0, 90.0]
    assert all(abs(spot.y - narrow.y) >= 15.0 and spot.x == pytest.approx(narrow.x) for spot in beside)
