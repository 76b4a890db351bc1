"""Which bays are opened: nearest the fire first, then toward the ladder."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import shapely

from roofplat.placing.bays import Bays, lay_out_bays
from roofplat.placing.choose import first_bay, next_bays
from roofplat.placing.scene import Boxes

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)


def _bays(shapes: ModuleType, obstacles: Boxes = NOTHING, side: float = 1.0) -> Bays:
    """Five rows (v from -50 by 20) of six bays (u from -24 by 8)."""
    return lay_out_bays(
        shapes.frames(shapes.rectangle(100, 48)),
        np.array([True]),
        obstacles,
        shapes.RULES,
        side_clear_ft=np.array([side]),
        whole_only=np.array([False]),
    )


def _next(
    bays: Bays,
    first: np.ndarray,
    tip: tuple[float, float],
    wanted: float,
    other: tuple[float, float] = (np.nan, np.nan),
    longest: float = np.inf,
    **limits: Any,
) -> list[Any]:
    chosen = next_bays(
        bays,
        first,
        np.array([tip[0]]),
        np.array([tip[1]]),
        np.array([other[0]]),
        np.array([other[1]]),
        np.array([wanted]),
        np.array([longest]),
        **({"limit": 3, "ladder_clear_ft": 6.0} | limits),
    )[0]
    return [(int(bays.row[bay]), int(bays.column[bay])) if bay >= 0 else None for bay in chosen]


def test_the_bay_of_the_fire_comes_first(shapes: ModuleType) -> None:
    bays = _bays(shapes)
    first = first_bay(bays, np.array([5.0]), np.array([33.0]))[0]
    assert (bays.row[first], bays.column[first]) == (4, 3)


def test_equals_go_to_the_lowest_row_then_column(shapes: ModuleType) -> None:
    """The middle of the roof lies on a purlin, 4 ft from the centres on both sides."""
    bays = _bays(shapes)
    first = first_bay(bays, np.array([0.0]), np.array([0.0]))[0]
    assert (bays.row[first], bays.column[first]) == (2, 2)


def test_a_closed_bay_gives_way_to_the_next(shapes: ModuleType) -> None:
    unit = Boxes(np.array([0]), np.array([-5.0]), np.array([5.0]), np.array([-5.0]), np.array([5.0]))
    bays = _bays(shapes, unit)
    first = first_bay(bays, np.array([0.0]), np.array([0.0]))[0]
    assert bays.clear[first]
    assert (bays.row[first], bays.column[first]) == (2, 1)


def test_more_bays_go_toward_the_ladder_until_enough(shapes: ModuleType) -> None:
    """Each opening is 18 by 6, 108 ft2; the ladder stands at the low end of the same row."""
    bays = _bays(shapes)
    first = first_bay(bays, np.array([4.0]), np.array([0.0]))
    assert _next(bays, first, (-22.0, 0.0), 500.0) == [(2, 3), (2, 2), (2, 1)]
    assert _next(bays, first, (-22.0, 0.0), 200.0) == [(2, 3), (2, 2), None]
    assert _next(bays, first, (-22.0, 0.0), 108.0) == [(2, 3), None, None]
    assert _next(bays, first, (-22.0, 0.0), 500.0, limit=1) == [(2, 3)]


def test_short_openings_take_more_bays(shapes: ModuleType) -> None:
    """Kept to 4 ft either way an opening is 16 ft2: 30 ft2 take two of them, 40 take three."""
    bays = _bays(shapes)
    first = first_bay(bays, np.array([4.0]), np.array([0.0]))
    assert _next(bays, first, (-22.0, 0.0), 30.0, longest=4.0) == [(2, 3), (2, 2), None]
    assert _next(bays, first, (-22.0, 0.0), 40.0, longest=4.0) == [(2, 3), (2, 2), (2, 1)]
    # One that is shorter anyway is as large as before.
    assert _next(bays, first, (-22.0, 0.0), 108.0, longest=30.0) == [(2, 3), None, None]


def test_an_opening_that_keeps_farther_off_the_joists_is_smaller(shapes: ModuleType) -> None:
    """3 ft off both: 14 by 6 are 84 ft2, so 100 ft2 take two openings, where 18 by 6 took one."""
    first = first_bay(_bays(shapes), np.array([4.0]), np.array([0.0]))
    assert _next(_bays(shapes), first, (-22.0, 0.0), 100.0) == [(2, 3), None, None]
    assert _next(_bays(shapes, side=3.0), first, (-22.0, 0.0), 100.0) == [(2, 3), (2, 2), None]


def test_the_foot_of_the_ladder_is_as_near_as_the_cut_that_is_made(shapes: ModuleType) -> None:
    """A foothold at v 35.5, in line with row 3's bay up to v 30: 6.5 ft from a cut that ends at 29, 5.7

    from one that ends at 29.8.
    """
    first = first_bay(_bays(shapes), np.array([4.0]), np.array([0.0]))
    assert _next(_bays(shapes), first, (4.0, 35.5), 500.0)[:2] == [(2, 3), (3, 3)]
    assert (3, 3) not in _next(_bays(shapes, side=0.2), first, (4.0, 35.5), 500.0)


def test_no_bay_is_opened_at_the_foot_of_the_ladder(shapes: ModuleType) -> None:
    """Bay 1 ends at u -8 and its opening at -9: a foothold at -14 is within 6 ft of it."""
    bays = _bays(shapes)
    first = first_bay(bays, np.array([-4.0]), np.array([0.0]))
    assert _next(bays, first, (-14.0, 0.0), 500.0) == [(2, 2), None, None]


def test_no_bay_is_opened_at_the_foot_of_the_second_ladder(shapes: ModuleType) -> None:
    """With the first ladder at the far end, the bay at the second one's foot is passed over."""
    bays = _bays(shapes)
    first = first_bay(bays, np.array([-4.0]), np.array([0.0]))
    assert _next(bays, first, (-22.0, 0.0), 500.0) == [(2, 2), (2, 1), None]
    beside = _next(bays, first, (-22.0, 0.0), 500.0, other=(-12.0, 0.0))
    assert (2, 1) not in beside


def test_without_a_first_bay_or_a_ladder_there_is_no_second(shapes: ModuleType) -> None:
    bays = _bays(shapes)
    assert _next(bays, np.array([-1]), (-22.0, 0.0), 500.0) == [None, None, None]
    assert _next(bays, first_bay(bays, np.zeros(1), np.zeros(1)), (np.nan, np.nan), 500.0)[1:] == [None, None]


def test_a_stated_fire_draws_the_first_opening(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(200, 100))
    fire = shapely.Point(35, 75)
    _, plan = shapes.planned(roofs, fires=shapes.fires(("B000", fire)))
    first = plan.openings.geometry.iloc[0]
    assert first.covers(shapes.in_crs([fire])[0])
    assert plan.sections["fire_basis"].tolist() == ["given"]
