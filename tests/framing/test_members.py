"""Beams and purlins: counted by hand, clipped to the outline, open over courtyards."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from roofplat.framing.members import fill_in, lay_out_grid, scan, section_frames


def _lines(runs: Any) -> list[tuple[float, float, float]]:
    """Position, start and end of each piece, to a hundredth of a foot."""
    return [
        (round(float(at), 2) + 0.0, round(float(low), 2) + 0.0, round(float(high), 2) + 0.0)
        for at, low, high in zip(runs.position, runs.low, runs.high, strict=True)
    ]


def test_fifty_by_a_hundred_by_hand(shapes: ModuleType) -> None:
    """Beams run 50 ft north; 100 ft across take beams at 20, 40, 60, 80; purlins at 8 ... 48."""
    frames = shapes.frames(shapes.rectangle(100, 50))
    beams, purlins = scan(frames, frames.beams, "u"), scan(frames, frames.purlins, "v")
    assert _lines(beams) == [(at, -25.0, 25.0) for at in (-30.0, -10.0, 10.0, 30.0)]
    assert _lines(purlins) == [(-25.0 + 8 * number, -50.0, 50.0) for number in range(1, 7)]


def test_beams_leave_equal_remainders(shapes: ModuleType) -> None:
    """90 ft across: the ends are walls, beams at 15, 35, 55 and 75."""
    frames = shapes.frames(shapes.rectangle(90, 50))
    assert _lines(scan(frames, frames.beams, "u")) == [(at, -25.0, 25.0) for at in (-30.0, -10.0, 10.0, 30.0)]


def test_a_courtyard_stays_open(shapes: ModuleType) -> None:
    """Beam lines at 20, 40, 60, 80, 100; the courtyard lies between 30 and 90, 30 ft from each wall."""
    frames = shapes.frames(shapes.courtyard(120, 100, 30))
    pieces = _lines(scan(frames, frames.beams, "u"))
    assert pieces == [
        (-40.0, -50.0, 50.0),
        *[(at, *ends) for at in (-20.0, 0.0, 20.0) for ends in ((-50.0, -20.0), (20.0, 50.0))],
        (40.0, -50.0, 50.0),
    ]


def test_a_narrow_section_gets_no_grid(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.rectangle(19, 200), shapes.rectangle(20.5, 200))
    assert frames.beams.count.tolist() == [0, 1]
    assert (frames.purlins.count > 0).tolist() == [False, True]


def test_no_spacing_gives_no_line() -> None:
    grid = lay_out_grid(np.zeros(2), np.full(2, 50.0), np.array([np.nan, 60.0]), start="centred")
    assert grid.count.tolist() == [0, 0]


@given(st.floats(1.0, 500.0), st.floats(0.5, 60.0), st.sampled_from(["centred", "low_end"]))
def test_grid_lines_lie_between_the_ends(extent: float, spacing: float, start: Any) -> None:
    grid = lay_out_grid(np.zeros(1), np.array([extent]), np.array([spacing]), start=start)
    lines = grid.first[0] + grid.spacing[0] * np.arange(grid.count[0])
    assert ((lines > 0) & (lines < extent)).all()
    ends = np.r_[0.0, lines, extent]
    assert np.diff(ends).max() <= spacing + 0.05 + 1e-9
    if start == "centred":
        assert ends[1] - ends[0] == pytest.approx(ends[-1] - ends[-2])


@given(
    extent=st.floats(10.0, 500.0),
    spacing=st.floats(0.5, 4.0),
    several=st.integers(1, 12),
    low=st.floats(-99, 99),
)
def test_a_finer_grid_runs_through_the_coarse_one(
    extent: float, spacing: float, several: int, low: float
) -> None:
    ends = np.array([low]), np.array([low + extent])
    coarse = lay_out_grid(*ends, np.array([several * spacing]), start="centred")
    fine = fill_in(coarse, *ends, np.array([spacing]))
    lines = fine.first[0] + fine.spacing[0] * np.arange(fine.count[0])
    assert fine.spacing[0] == spacing
    assert (lines > low).all()
    assert (lines < low + extent).all()
    # No room is left for another line at either end.
    filled = np.r_[low, lines, low + extent]
    assert np.diff(filled).max() <= spacing + 0.05 + 1e-9
    for number in range(coarse.count[0]):
        at = coarse.first[0] + coarse.spacing[0] * number
        assert np.abs(lines - at).min() < 1e-9


def test_no_fine_spacing_gives_no_line() -> None:
    ends = np.zeros(2), np.full(2, 30.0)
    coarse = lay_out_grid(*ends, np.array([10.0, np.nan]), start="centred")
    fine = fill_in(coarse, *ends, np.array([np.nan, 2.0]))
    assert fine.count.tolist() == [0, 14]


def test_narrowness_is_judged_section_by_section(shapes: ModuleType) -> None:
    made = shapes.outlines(*[shapes.rectangle(15, 60)] * 2)
    frames = section_frames(
        made, np.zeros(2), np.full(2, 5.0), np.full(2, 6.0), least_section_ft=np.array([20.0, 10.0])
    )
    assert frames.beams.count.tolist() == [0, 2]
    assert frames.purlins.count.tolist() == [0, 9]
    assert frames.purlins_bear.tolist() == [True, True]


def test_section_coordinates_go_there_and_back(shapes: ModuleType) -> None:
    frames = shapes.frames(shapes.turned(shapes.letter_l(), 37.0), azimuth=37.0)
    u, v, owner = np.array([3.0, -40.0]), np.array([0.0, 11.0]), np.zeros(2, dtype=int)
    for there, back in ((frames.crs, frames.from_crs), (frames.east_north, frames.uv)):
        np.testing.assert_allclose(back(*there(u, v, owner), owner), [u, v], atol=1e-6)
    east, north = frames.east_north(np.array([1.0]), np.array([0.0]), owner[:1])
    assert np.degrees(np.arctan2(east, north))[0] == pytest.approx(37.0)


def test_rows_of_frames_are_the_same_frames(shapes: ModuleType) -> None:
    made = [shapes.rectangle(100, 50), shapes.courtyard(), shapes.letter_u()]
    whole = shapes.frames(*made)
    part = whole.rows(slice(1, 3))
    alone = shapes.frames(*made[1:])
    assert part.count == 2
    assert part.outlines.section.tolist() == alone.outlines.section.tolist()
    assert part.outlines.following.tolist() == alone.outlines.following.tolist()
    assert _lines(scan(part, part.beams, "u")) == _lines(scan(alone, alone.beams, "u"))


@st.composite
def _stars(draw: st.DrawFn) -> shapely.Polygon:
    count = draw(st.integers(3, 12))
    radius = np.array([draw(st.integers(20, 120)) for _ in range(count)])
    angle = np.arange(count) * 2 * np.pi / count + 0.1
    return shapely.Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


@given(_stars(), st.sampled_from([0.0, 30.0, 90.0, 137.0]))
@settings(max_examples=60)
def test_members_lie_inside_and_nothing_is_missing(
    shapes: ModuleType, star: shapely.Polygon, azimuth: float
) -> None:
    """Every piece is covered by the roof, and together they are as long as the cut of line and roof."""
    frames = shapes.frames(star, azimuth=azimuth)
    ring = np.column_stack([frames.u0, frames.v0])
    roof = shapely.Polygon(ring)
    for along in ("u", "v"):
        grid = frames.beams if along == "u" else frames.purlins
        runs = scan(frames, grid, along)
        at = grid.first[0] + grid.spacing[0] * np.arange(grid.count[0])
        ends = np.full(at.size, 1000.0)
        lines = [np.column_stack([-ends, at]), np.column_stack([ends, at])]
        ours = [np.column_stack([runs.low, runs.position]), np.column_stack([runs.high, runs.position])]
        if along == "v":
            lines = [line[:, ::-1] for line in lines]
            ours = [line[:, ::-1] for line in ours]
        whole = shapely.intersection(shapely.linestrings(np.stack(lines, axis=1)), roof)
        pieces = shapely.linestrings(np.stack(ours, axis=1))
        assert shapely.covers(roof.buffer(1e-6), pieces).all()
        assert shapely.length(pieces).sum() == pytest.approx(shapely.length(whole).sum(), abs=1e-4)
