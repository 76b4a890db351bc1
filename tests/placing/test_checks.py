"""The inspection cut crosses a member wherever it lies; indicator holes stand beside the path."""

from __future__ import annotations

import itertools
from types import ModuleType

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given

from roofplat.placing.checks import _leaves_roof, inspection_cut_ft


@given(spacing=st.floats(0.5, 10.0), offset=st.floats(0.0, 1.0), across=st.booleans())
def test_a_diagonal_of_root_two_spacings_meets_a_member(spacing: float, offset: float, across: bool) -> None:
    """Members run along or across the wall at any offset; the cut spans one whole spacing."""
    length = float(inspection_cut_ft(np.array([spacing]), 45.0)[0])
    assert length == pytest.approx(spacing * np.sqrt(2.0))
    cut = shapely.affinity.rotate(shapely.LineString([(0, 0), (length, 0)]), 45, origin=(0, 0))
    places = (np.arange(-2, 4) + offset) * spacing
    ends = [np.column_stack([np.full(6, end), places]) for end in (-100.0, 100.0)]
    members = shapely.linestrings(np.stack([end[:, ::-1] if across else end for end in ends], axis=1))
    assert shapely.distance(members, cut).min() < 1e-9 * spacing + 1e-12


@pytest.mark.parametrize("angle", [30.0, 60.0])
def test_at_another_angle_the_cut_still_spans_a_spacing_both_ways(angle: float) -> None:
    length = float(inspection_cut_ft(np.array([2.0]), angle)[0])
    assert min(length * np.sin(np.radians(angle)), length * np.cos(np.radians(angle))) == pytest.approx(2.0)


def test_checks_of_a_plain_roof(shapes: ModuleType, laws: ModuleType) -> None:
    framing, plan = shapes.planned(shapes.roofs(shapes.rectangle(200, 100), rafter_spacing_ft=[3.0]))
    tables = plan.tables() | {
        "walls": framing.walls,
        "members": framing.members,
        "obstacles": shapes.obstacles(),
    }
    at = laws.Measured(tables, shapes.RULES, shapes.GROUND)
    checks = at.layer("checks")
    assert checks["seq"].tolist() == list(range(1, len(checks) + 1))
    assert checks["kind"].tolist() == ["inspection_cut"] + ["indicator_hole"] * (len(checks) - 1)
    assert checks["cut_ft"].iloc[0] == pytest.approx(3.0 * np.sqrt(2.0))
    # The middle of the cut lies 4 ft inside the wall, straight in from the ladder.
    cut, ladder = checks["feet"].iloc[0], at.ladders["feet"].iloc[0]
    assert shapely.centroid(cut).distance(shapely.get_point(ladder, 1)) == pytest.approx(5.0, abs=1e-3)
    # A hole every 20 ft, 1.5 ft beside the way; none at its end.
    path = at.paths["feet"].iloc[0]
    holes = checks["feet"].to_numpy()[1:]
    np.testing.assert_allclose(shapely.distance(holes, path), 1.5, atol=1e-3)
    assert len(holes) == np.ceil(path.length / 20.0) - 1


def test_a_cut_across_an_inner_corner_leaves_the_roof(shapes: ModuleType) -> None:
    """Both ends lie in the two wings of an L, and the line between them in the open."""
    frames = shapes.frames(shapes.letter_l())
    corners = np.stack([frames.u0, frames.v0], axis=1)
    following = corners[frames.outlines.following]
    leg, after = following - corners, following[frames.outlines.following] - following
    turn = (leg[:, 0] * after[:, 1] - leg[:, 1] * after[:, 0]) * frames.hand[0]
    inner = following[np.argmax(turn)]
    wing = shapely.Polygon(corners)
    # No two spots are opposite: a line through the corner itself is on the edge of both answers.
    around = np.radians(np.arange(11.25, 360.0, 25.0))
    spots = inner + 5.0 * np.stack([np.cos(around), np.sin(around)], axis=1)
    ends = spots[shapely.contains_xy(wing, spots)]
    answers = set()
    for one, two in itertools.combinations(ends, 2):
        found = _leaves_roof(frames, *(np.array([at]) for at in (*one, *two)), np.array([0]))
        assert found[0] == (not wing.covers(shapely.LineString([one, two])))
        answers.add(bool(found[0]))
    assert answers == {True, False}
