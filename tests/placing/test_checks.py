"""The inspection cut crosses a member wherever it lies; indicator holes stand beside the path."""

from __future__ import annotations

import itertools
from types import ModuleType
from typing import Any

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


def _beside_a_ladder(
    shapes: ModuleType,
    *,
    ladder: float = 100.0,
    fire: tuple[float, float] = (150.0, 50.0),
    units: tuple[tuple[float, float], ...] = (),
    outline: shapely.Polygon | None = None,
    **facts: Any,
) -> tuple[list[tuple[float, float]], list[tuple[float, float]], list[int]]:
    """Ends of the inspection cut, holes, their numbers: 200 by 100 ft, a ladder stands at the south wall.

    In feet along the wall from the ladder and straight in from the wall, as the fire spot and the units are.
    """
    outline = shapes.rectangle(200, 100) if outline is None else outline
    things = [
        ("unit", "B000", shapely.box(ladder + x - 0.01, y - 0.01, ladder + x + 0.01, y + 0.01))
        for x, y in units
    ]
    _, plan = shapes.planned(
        shapes.roofs(
            outline, **{fact: [value] for fact, value in ({"rafter_spacing_ft": 3.0} | facts).items()}
        ),
        obstacles=shapes.obstacles(*things),
        fires=shapes.fires(("B000", shapely.Point(ladder + fire[0], fire[1]))),
        placed_ladders=shapes.fires(("B000", shapely.Point(ladder, 0.0))),
    )
    feet = shapes.in_feet(plan.checks.geometry.to_numpy())
    is_cut = plan.checks["kind"].to_numpy() == "inspection_cut"
    cut, holes = (
        [(round(x - ladder, 2) + 0.0, round(y, 2)) for x, y in shapely.get_coordinates(feet[which])]
        for which in (is_cut, ~is_cut)
    )
    return cut, holes, plan.checks["seq"].to_numpy()[~is_cut].tolist()


CUT = [(1.5, 3.5), (-1.5, 6.5)]


@pytest.mark.parametrize(
    ("fire", "holes"),
    [
        # 40 ft along the wall to the beam under the fire spot, then up it: on the side of the fire.
        ((50.0, 50.0), [(20.0, 1.5), (40.0, 1.5), (41.5, 20.0), (41.5, 40.0)]),
        # Straight up. The last one has the opening on its right, and goes to the left.
        ((3.0, 70.0), [(1.5, 20.0), (1.5, 40.0), (-1.5, 60.0)]),
        ((0.5, 70.0), [(1.5, 20.0), (1.5, 40.0), (-1.5, 60.0)]),
        ((-0.5, 70.0), [(-1.5, 20.0), (-1.5, 40.0), (1.5, 60.0)]),
    ],
)
def test_holes_lie_on_the_side_of_the_fire(
    shapes: ModuleType, fire: tuple[float, float], holes: list[tuple[float, float]]
) -> None:
    """On the middle beam and on another one."""
    for ladder in (100.0, 60.0):
        found = _beside_a_ladder(shapes, fire=fire, ladder=ladder)
        assert found == (CUT, holes, list(range(2, 2 + len(holes))))


def test_no_hole_lies_beyond_the_end_of_the_way(shapes: ModuleType) -> None:
    """51.5 ft along the wall and 48 ft up the beam: half a foot short of a fifth hole."""
    _, holes, _ = _beside_a_ladder(shapes, ladder=88.5, fire=(61.5, 50.0))
    assert holes == [(20.0, 1.5), (40.0, 1.5), (53.0, 8.5), (53.0, 28.5)]


def test_a_hole_where_the_way_turns_off_the_wall_does_not_lie_on_it(shapes: ModuleType) -> None:
    """It falls on the start of the leg away from the wall: on either side of that lies the wall."""
    _, holes, _ = _beside_a_ladder(shapes, fire=(-40.0, 50.0))
    assert holes == [(-21.5, 20.0), (-21.5, 40.0)]


def test_a_hole_goes_to_the_other_side_of_the_way_or_nowhere(shapes: ModuleType) -> None:
    """A unit where the first hole would be, then one on either side: the numbers leave no gap.

    The way leads up a beam, and where the beams run along the wall up a purlin.
    """
    one, both = ((1.5, 20.0),), ((1.5, 20.0), (-1.5, 20.0))
    for axis, ladder in ((0.0, 100.0), (90.0, 104.0)):
        roof = {"framing_axis_deg": axis, "ladder": ladder, "fire": (3.0, 70.0)}
        _, holes, numbers = _beside_a_ladder(shapes, units=one, **roof)
        assert holes[:2] == [(-1.5, 20.0), (1.5, 40.0)]
        assert numbers == list(range(2, 2 + len(holes)))
        _, holes, numbers = _beside_a_ladder(shapes, units=both, **roof)
        assert holes[0] == (1.5, 40.0)
        assert numbers == list(range(2, 2 + len(holes)))


@pytest.mark.parametrize(
    ("unit", "cut"),
    [
        ((1.5, 3.5), []),
        ((-1.5, 6.5), []),
        ((0.0, 5.0), []),
        # With a foot around it a corner reaches over the cut between its middle and its end.
        ((-1.6, 4.9), []),
        ((1.6, 5.1), []),
        ((-2.3, 4.3), CUT),
        ((2.3, 5.7), CUT),
    ],
)
def test_no_inspection_cut_comes_within_a_foot_of_a_unit(
    shapes: ModuleType, unit: tuple[float, float], cut: list[tuple[float, float]]
) -> None:
    assert _beside_a_ladder(shapes, units=(unit,))[0] == cut


def test_a_cut_that_would_be_too_long_or_lead_over_a_shaft_is_left_out(shapes: ModuleType) -> None:
    """Joists 4 ft apart want 5.7 ft, more than the rule's 4.5; a light shaft 0.2 ft wide parts the roof."""
    assert _beside_a_ladder(shapes, rafter_spacing_ft=4.0)[0] == []
    for begin, cut in ((5.2, []), (6.0, CUT)):
        shaft = shapely.box(99.1, begin, 99.3, begin + 2.0)
        assert _beside_a_ladder(shapes, outline=shapes.rectangle(200, 100) - shaft)[0] == cut


def test_every_roof_counts_its_own_checks(shapes: ModuleType) -> None:
    """Three roofs in one go: each begins again at 1."""
    boxes = [shapes.rectangle(200, 100, west=1000 * number) for number in range(3)]
    _, plan = shapes.planned(shapes.roofs(*boxes, rafter_spacing_ft=[3.0] * 3))
    for _, checks in plan.checks.groupby("building_id"):
        assert len(checks) > 2
        assert checks["seq"].tolist() == list(range(1, len(checks) + 1))
