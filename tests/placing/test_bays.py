"""Bays: numbered by hand, clear of walls and of what stands on the roof."""

from __future__ import annotations

from types import ModuleType

import numpy as np

from roofplat.placing.bays import Bays, lay_out_bays
from roofplat.placing.scene import Boxes

NOTHING = Boxes(np.empty(0, dtype=np.int64), *[np.empty(0)] * 4)


def _plain(shapes: ModuleType, obstacles: Boxes = NOTHING) -> Bays:
    """100 ft across the beams and 48 along them: five rows of six bays, 20 by 8 ft."""
    return lay_out_bays(shapes.frames(shapes.rectangle(100, 48)), np.array([True]), obstacles, shapes.RULES)


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
    bays = lay_out_bays(shapes.frames(shapes.rectangle(100, 52)), np.array([True]), NOTHING, shapes.RULES)
    assert set(bays.column[~bays.clear].tolist()) == {6}
    assert bays.columns.tolist() == [7]


def test_a_courtyard_holds_no_clear_bay(shapes: ModuleType) -> None:
    """Rows 30 ft wide around a courtyard of 60 by 40: beams at -40 to 40, purlins from -50 by 8."""
    frames = shapes.frames(shapes.courtyard(120, 100, 30))
    bays = lay_out_bays(frames, np.array([True]), NOTHING, shapes.RULES)
    u, v = (bays.u_low + bays.u_high) / 2, (bays.v_low + bays.v_high) / 2
    assert not bays.clear[(np.abs(u) < 20) & (np.abs(v) < 30)].any()
    assert bays.clear[np.abs(v) > 40].sum() == 2 * 12


def test_only_wanted_sections_have_bays(shapes: ModuleType) -> None:
    frames = shapes.frames(*[shapes.rectangle(100, 48)] * 3)
    bays = lay_out_bays(frames, np.array([False, True, False]), NOTHING, shapes.RULES)
    assert bays.start.tolist() == [0, 0, 30, 30]
    assert set(bays.section.tolist()) == {1}
