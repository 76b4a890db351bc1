"""Outlines as edges: one square, one courtyard, and however they were digitised."""

from __future__ import annotations

from types import ModuleType

import geopandas as gpd
import hypothesis.strategies as st
import numpy as np
import shapely
from hypothesis import given

from roofplat.framing.outline import Outlines, outlines_of, ring_edges


def _signed_area(outlines: Outlines) -> np.ndarray:
    cross = outlines.east0 * outlines.north1 - outlines.east1 * outlines.north0
    return np.bincount(outlines.section, weights=cross, minlength=outlines.count) / 2


def test_a_square_has_four_edges_about_its_middle(shapes: ModuleType) -> None:
    square = shapes.outlines(shapes.rectangle(60, 60))
    assert square.start.tolist() == [0, 4]
    assert square.shell.all()
    corners = {(round(x), round(y)) for x, y in zip(square.east0, square.north0, strict=True)}
    assert corners == {(-30, -30), (-30, 30), (30, 30), (30, -30)}


def test_the_roof_is_on_the_right_of_every_edge(shapes: ModuleType) -> None:
    """Shells clockwise, courtyards counter-clockwise: the shoelace sum is minus the roof's area."""
    made = shapes.outlines(shapes.courtyard(120, 100, 30), shapes.letter_l(100, 40))
    np.testing.assert_allclose(_signed_area(made), [-(12000 - 60 * 40), -6400], rtol=1e-6)
    assert made.shell.sum() == 10
    hole = np.flatnonzero(~made.shell)
    cross = made.east0[hole] * made.north1[hole] - made.east1[hole] * made.north0[hole]
    assert cross.sum() / 2 > 0


def test_each_edge_ends_where_the_next_starts(shapes: ModuleType) -> None:
    made = shapes.outlines(shapes.courtyard(), shapes.letter_u())
    np.testing.assert_allclose(made.east1, made.east0[made.following], atol=1e-9)
    np.testing.assert_allclose(made.north1, made.north0[made.following], atol=1e-9)
    assert (made.section[made.following] == made.section).all()


@given(start=st.integers(0, 5), backwards=st.booleans())
def test_ring_start_and_sense_do_not_matter(shapes: ModuleType, start: int, backwards: bool) -> None:
    corners = shapely.get_coordinates(shapes.series(shapes.letter_l())[0])[:-1]
    moved = np.roll(corners, start, axis=0)[:: -1 if backwards else 1]
    plain = outlines_of(shapes.series(shapes.letter_l()), shapes.GROUND)
    other = outlines_of(gpd.GeoSeries([shapely.Polygon(moved)], crs=shapes.UTM), shapes.GROUND)
    np.testing.assert_array_equal(plain.east0, other.east0)
    np.testing.assert_array_equal(plain.north1, other.north1)


def test_two_rings_do_not_run_into_each_other() -> None:
    tail, head, ring, following = ring_edges(np.array([0, 4, 9]))
    assert ring.tolist() == [0, 0, 0, 1, 1, 1, 1]
    assert tail.tolist() == [0, 1, 2, 4, 5, 6, 7]
    assert (head - tail == 1).all()
    assert following.tolist() == [1, 2, 0, 4, 5, 6, 3]
