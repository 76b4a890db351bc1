"""Bays: numbered by hand, clear of walls and of what stands on the roof."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.placing.bays import Bays, lay_out_bays
from roofplat.placing.scene import Boxes
from roofplat.rules import load_rulebook

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)


def _laid_out(
    shapes: ModuleType,
    frames: SectionFrames,
    obstacles: Boxes = NOTHING,
    *,
    wanted: tuple[bool, ...] = (True,),
    side: float = 1.0,
    whole_only: bool = False,
) -> Bays:
    return lay_out_bays(
        frames,
        np.array(wanted),
        obstacles,
        shapes.RULES,
        side_clear_ft=np.full(frames.count, side),
        whole_only=np.full(frames.count, whole_only),
    )


def _plain(shapes: ModuleType, obstacles: Boxes = NOTHING) -> Bays:
    """100 ft across the beams and 48 along them: five rows of six bays, 20 by 8 ft."""
    return _laid_out(shapes, shapes.frames(shapes.rectangle(100, 48)), obstacles)


def _numbers(bays: Bays, which: np.ndarray) -> list[tuple[int, int]]:
    return [(int(row), int(column)) for row, column in zip(bays.row[which], bays.column[which], strict=True)]


def test_a_plain_roof_is_thirty_clear_bays(shapes: ModuleType) -> None:
    bays = _plain(shapes)
    assert _numbers(bays, bays.clear) == [(row, column) for row in range(5) for column in range(6)]
    np.testing.assert_allclose(bays.u_high - bays.u_low, 8.0, atol=1e-3)
    np.testing.assert_allclose(bays.v_high - bays.v_low, 20.0, atol=1e-3)


def test_a_unit_closes_its_bay_and_those_within_the_clearance(shapes: ModuleType) -> None:
    """A unit over u 1 to 2 in row 2; with 3 ft around it u -2 to 5; openings keep 1 ft off purlins."""
    unit = Boxes(np.array([0]), np.array([1.0]), np.array([2.0]), np.array([-4.0]), np.array([4.0]))
    bays = _plain(shapes, unit)
    assert _numbers(bays, ~bays.clear) == [(2, 2), (2, 3)]


def test_a_short_last_bay_is_too_small_to_open(shapes: ModuleType) -> None:
    """52 ft along the beams leaves 4 ft: 2 ft between the clearances, below the 3 ft wanted."""
    bays = _laid_out(shapes, shapes.frames(shapes.rectangle(100, 52)))
    assert set(bays.column[~bays.clear].tolist()) == {6}
    assert bays.columns.tolist() == [7]


@pytest.mark.parametrize(("hanger", "closed"), [(0.5, set()), (1.0, {6}), (1.5, {6}), (2.6, set(range(7)))])
def test_a_cut_keeps_off_both_of_its_purlins(shapes: ModuleType, hanger: float, closed: set[int]) -> None:
    """Bays of 8 ft and a last one of 4; twice the clearance leaves 3 ft or more, or it is not opened."""
    frames = shapes.frames(shapes.rectangle(100, 52))
    bays = lay_out_bays(
        frames,
        np.array([True]),
        NOTHING,
        load_rulebook({"opening.hanger_clear_ft": hanger}),
        side_clear_ft=np.array([1.0]),
        whole_only=np.array([False]),
    )
    assert set(bays.column[~bays.clear].tolist()) == closed


def test_a_wall_that_slants_by_half_a_foot_closes_the_bays_it_stands_in(shapes: ModuleType) -> None:
    """The wall leads from 80.3 to 79.7 ft east and crosses the beam at 80 half way, 24 ft in.

    West of the beam, in row 3, it stands in the bays from there on; those before stay clear. Row 4 is roof
    only behind the wall's end, from 48 ft on.
    """
    slanted = shapely.Polygon([(0, 0), (80.3, 0), (79.7, 48), (100, 48), (100, 96), (0, 96)])
    frames = shapes.frames(slanted)
    bays = _laid_out(shapes, frames)
    assert (bays.columns.tolist(), frames.beams.count.tolist()) == ([12], [4])
    # Columns are numbered from the north.
    closed = [(3, column) for column in (6, 7, 8)] + [(4, column) for column in range(6, 12)]
    assert _numbers(bays, ~bays.clear) == closed


def test_a_row_too_narrow_to_open_is_not_opened(shapes: ModuleType) -> None:
    """Beams 4.9 ft apart leave 2.9 ft between the clearances, where 3 are wanted; 5.1 ft leave 3.1."""
    box = shapes.rectangle(51, 48)
    assert not _laid_out(shapes, shapes.frames(box, beam=4.9)).clear.any()
    assert _laid_out(shapes, shapes.frames(box, beam=5.1)).clear.all()


def test_a_bay_closed_by_a_wall_and_a_unit_is_closed(shapes: ModuleType) -> None:
    """The south wall stands 0.4 ft back into the last bay of the easternmost row, and so does a unit."""
    stepped = shapely.Polygon([(0, 0), (80, 0), (80, 0.4), (100, 0.4), (100, 48), (0, 48)])
    frames = shapes.frames(stepped)
    plain = _laid_out(shapes, frames)
    last = (plain.row == 4) & (plain.column == 5)
    bounds = (plain.u_high, plain.u_high, plain.v_low + 8.0, plain.v_high - 8.0)
    unit = Boxes(np.array([0]), *(bound[last] for bound in bounds))
    assert _numbers(plain, ~plain.clear) == [(4, 5)]
    both = _laid_out(shapes, frames, unit)
    assert _numbers(both, ~both.clear) == [(4, 5)]


def test_a_courtyard_holds_no_clear_bay(shapes: ModuleType) -> None:
    """Rows 30 ft wide around a courtyard of 60 by 40: beams at -40 to 40, purlins from -50 by 8."""
    frames = shapes.frames(shapes.courtyard(120, 100, 30))
    bays = _laid_out(shapes, frames)
    u, v = (bays.u_low + bays.u_high) / 2, (bays.v_low + bays.v_high) / 2
    assert not bays.clear[(np.abs(u) < 20) & (np.abs(v) < 30)].any()
    assert bays.clear[np.abs(v) > 40].sum() == 2 * 12


def test_only_wanted_sections_have_bays(shapes: ModuleType) -> None:
    frames = shapes.frames(*[shapes.rectangle(100, 48)] * 3)
    bays = _laid_out(shapes, frames, wanted=(False, True, False))
    assert bays.start.tolist() == [0, 0, 30, 30]
    assert set(bays.section.tolist()) == {1}


def test_the_rectangle_of_a_bay_keeps_each_sections_own_clearance(shapes: ModuleType) -> None:
    """20 by 8 ft bays: 1 ft off the ends for all, 1 ft off beams in one section, 8 in off joists in another.

    The first bay starts at v -50 and u -24; asked for out of order and in two rows.
    """
    frames = shapes.frames(*[shapes.rectangle(100, 48)] * 2)
    bays = lay_out_bays(
        frames,
        np.array([True, True]),
        NOTHING,
        shapes.RULES,
        side_clear_ft=np.array([1.0, 8 / 12]),
        whole_only=np.array([False, False]),
    )
    assert bays.end_clear_ft == 1.0
    assert bays.side_clear_ft.tolist() == [1.0, 8 / 12]
    u_low, u_high, v_low, v_high = bays.rectangle(np.array([[30, 0], [31, 6]]))
    np.testing.assert_allclose(u_low, [[-23, -23], [-15, -23]], atol=1e-3)
    np.testing.assert_allclose(u_high, [[-17, -17], [-9, -17]], atol=1e-3)
    np.testing.assert_allclose(v_low, [[-50 + 8 / 12, -49], [-50 + 8 / 12, -29]], atol=1e-3)
    np.testing.assert_allclose(v_high, [[-30 - 8 / 12, -31], [-30 - 8 / 12, -11]], atol=1e-3)


def test_a_bay_cut_short_by_the_end_is_none_where_only_whole_ones_are(shapes: ModuleType) -> None:
    """92 ft hold three rows of 20 and one of 16 at each end: wide enough to cut, but no whole bay."""
    frames = shapes.frames(shapes.rectangle(92, 48))
    every = _laid_out(shapes, frames)
    whole = _laid_out(shapes, frames, whole_only=True)
    assert _numbers(every, every.clear) == [(row, column) for row in range(5) for column in range(6)]
    assert _numbers(whole, whole.clear) == [(row, column) for row in (1, 2, 3) for column in range(6)]


@pytest.mark.parametrize(("side", "closed"), [(0.5, [(2, 3), (3, 3)]), (3.0, [(2, 3)])])
def test_a_unit_closes_a_bay_only_where_the_cut_comes_near(
    shapes: ModuleType, side: float, closed: list[tuple[int, int]]
) -> None:
    """With 3 ft around it the unit reaches over v 5 to 12. Row 2 is cut up to 9.5 or 7; row 3 from 10.5

    or 13, where it is out of the unit's reach.
    """
    unit = Boxes(np.array([0]), np.array([3.5]), np.array([4.5]), np.array([8.0]), np.array([9.0]))
    bays = _laid_out(shapes, shapes.frames(shapes.rectangle(100, 48)), unit, side=side)
    assert _numbers(bays, ~bays.clear) == closed


@pytest.mark.parametrize(("side", "closed"), [(0.5, []), (1.0, [(4, 5)]), (3.0, [(4, 5)])])
def test_a_wall_keeps_off_a_cut_as_joists_do(
    shapes: ModuleType, side: float, closed: list[tuple[int, int]]
) -> None:
    """In the easternmost row the south wall stands 0.4 ft back into the bay, 0.6 ft from its cut.

    All other end walls lie on the end of a bay, a foot from the cut: near enough, however far the
    cuts keep from the joists.
    """
    stepped = shapely.Polygon([(0, 0), (80, 0), (80, 0.4), (100, 0.4), (100, 48), (0, 48)])
    bays = _laid_out(shapes, shapes.frames(stepped), side=side)
    assert bays.columns.tolist() == [6]
    assert _numbers(bays, ~bays.clear) == closed


def test_a_cut_as_short_as_it_may_be_is_cut_in_every_bay(shapes: ModuleType) -> None:
    """Bays 4.5 ft wide leave 3 ft between cuts 0.75 ft off: which of them counted the last bits decided."""
    frames = shapes.frames(shapes.rectangle(95.3, 48.1), beam=4.5)
    bays = _laid_out(shapes, frames, side=0.75)
    inner = (bays.row > 0) & (bays.row < frames.beams.count[0])
    assert inner.sum() == (frames.beams.count[0] - 1) * 7
    whole = inner & (bays.column < 6)
    assert bays.clear[whole].all()
