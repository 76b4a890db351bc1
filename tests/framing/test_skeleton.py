"""Straight skeletons: known roofs by hand, and the laws every roof keeps."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import momepy
import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from shapely import affinity

from roofplat.framing.outline import Outlines, outlines_of
from roofplat.framing.skeleton import HIP, RIDGE, SEAM, VALLEY, Skeletons, straight_skeletons

# What the local plane and the joining of nodes may cost, in feet.
NEAR = 0.01
TEE = shapely.Polygon([(0, 40), (0, 80), (120, 80), (120, 40), (75, 40), (75, 0), (45, 0), (45, 40)])


def _all(outlines: Outlines) -> Skeletons:
    return straight_skeletons(outlines, np.ones(outlines.count, dtype=bool))


def _lengths(roof: Skeletons, kind: int, section: int = 0) -> list[float]:
    """Lengths in plan of the arcs of a kind, ascending, to a hundredth."""
    mine = (roof.arc_kind == kind) & (roof.arc_section == section)
    length = np.hypot(roof.arc_east1 - roof.arc_east0, roof.arc_north1 - roof.arc_north0)[mine]
    return sorted(length.round(2).tolist())


def _faces(roof: Skeletons) -> Any:
    ring = np.repeat(np.arange(roof.face_section.size), np.diff(roof.face_start))
    return shapely.polygons(shapely.linearrings(np.stack([roof.east, roof.north], axis=1), indices=ring))


def _depth(outlines: Outlines, edge: Any, east: Any, north: Any) -> Any:
    """Distance from the lines of edges, to the right positive."""
    along_east = outlines.east1[edge] - outlines.east0[edge]
    along_north = outlines.north1[edge] - outlines.north0[edge]
    cross = along_north * (east - outlines.east0[edge]) - along_east * (north - outlines.north0[edge])
    return cross / np.hypot(along_east, along_north)


def _keeps_the_laws(outlines: Outlines, roof: Skeletons) -> None:
    """What holds for a roof with one slope from every eave, whatever its outline; no straight corners."""
    faces = _faces(roof)
    assert shapely.is_valid(faces).all()
    # Clockwise, one from each edge, the eave first.
    assert not shapely.is_ccw(shapely.get_exterior_ring(faces)).any()
    first = roof.face_start[:-1]
    edge = roof.face_edge
    np.testing.assert_allclose(roof.east[first], outlines.east0[edge])
    np.testing.assert_allclose(roof.north[first], outlines.north0[edge])
    np.testing.assert_allclose(roof.east[first + 1], outlines.east1[edge])
    np.testing.assert_allclose(roof.north[first + 1], outlines.north1[edge])
    assert not roof.depth_ft[first].any()
    # They fill the outline.
    want = outlines.east1 * outlines.north0 - outlines.east0 * outlines.north1
    want = np.bincount(outlines.section, weights=want, minlength=outlines.count) / 2
    got = np.bincount(roof.face_section, weights=shapely.area(faces), minlength=outlines.count)
    np.testing.assert_allclose(got[roof.found], want[roof.found], rtol=1e-5)
    assert not got[~roof.found].any()
    # Each corner is as far from its eave as it says.
    corner_edge = np.repeat(edge, np.diff(roof.face_start))
    np.testing.assert_allclose(
        _depth(outlines, corner_edge, roof.east, roof.north), roof.depth_ft, atol=2 * NEAR
    )
    # Each arc is as far from the one eave as from the other, and a side of both faces.
    for face in (roof.arc_left, roof.arc_right):
        for end in "01":
            east, north = getattr(roof, f"arc_east{end}"), getattr(roof, f"arc_north{end}")
            depth = _depth(outlines, edge[face], east, north)
            np.testing.assert_allclose(depth, getattr(roof, f"arc_depth{end}_ft"), atol=2 * NEAR)
            rim = shapely.get_exterior_ring(faces[face])
            assert shapely.distance(rim, shapely.points(east, north)).max(initial=0.0) < 1e-9
    assert (roof.arc_depth1_ft >= roof.arc_depth0_ft).all()
    # Every side of a face that is no eave is an arc, seen from both faces.
    sides = np.diff(roof.face_start) - 1
    both = np.bincount(np.r_[roof.arc_left, roof.arc_right], minlength=sides.size)
    np.testing.assert_array_equal(both, sides)


@pytest.mark.parametrize("azimuth", [0.0, 33.0, 90.0, 147.5])
@pytest.mark.parametrize(("width", "depth"), [(30, 50), (50, 30), (24.5, 25.0), (10, 300)])
def test_a_rectangle_has_a_ridge_as_long_as_its_sides_differ(
    shapes: ModuleType, width: float, depth: float, azimuth: float
) -> None:
    roof = _all(shapes.outlines(shapes.turned(shapes.rectangle(width, depth), azimuth)))
    low, high = sorted((width, depth))
    assert roof.found.tolist() == [True]
    assert _lengths(roof, RIDGE) == pytest.approx([high - low], abs=NEAR)
    assert _lengths(roof, HIP) == pytest.approx([low / 2**0.5] * 4, abs=NEAR)
    assert _lengths(roof, VALLEY) == []
    assert roof.depth_ft.max() == pytest.approx(low / 2, abs=NEAR)
    areas = sorted(shapely.area(_faces(roof)))
    side = (2 * high - low) * low / 4
    assert areas == pytest.approx([low**2 / 4, low**2 / 4, side, side], rel=1e-3)


@pytest.mark.parametrize("azimuth", [0.0, 45.0, 71.3])
def test_a_square_is_four_triangles(shapes: ModuleType, azimuth: float) -> None:
    roof = _all(shapes.outlines(shapes.turned(shapes.rectangle(40, 40), azimuth)))
    assert np.diff(roof.face_start).tolist() == [3, 3, 3, 3]
    assert shapely.area(_faces(roof)) == pytest.approx([400] * 4, rel=1e-4)
    assert roof.arc_kind.tolist() == [HIP] * 4
    assert roof.arc_depth1_ft == pytest.approx([20] * 4, abs=NEAR)


@pytest.mark.parametrize("azimuth", [0.0, 20.0, 111.1])
def test_an_l_of_equal_wings_has_one_valley_and_two_ridges(shapes: ModuleType, azimuth: float) -> None:
    roof = _all(shapes.outlines(shapes.turned(shapes.letter_l(100, 40), azimuth)))
    # The ridges run down the middles of the wings and meet 20 ft from both outer walls.
    assert _lengths(roof, RIDGE) == pytest.approx([60, 60], abs=NEAR)
    assert _lengths(roof, VALLEY) == pytest.approx([20 * 2**0.5], abs=NEAR)
    assert _lengths(roof, HIP) == pytest.approx([20 * 2**0.5] * 5, abs=NEAR)
    assert _lengths(roof, SEAM) == []
    assert roof.depth_ft.max() == pytest.approx(20, abs=NEAR)


@pytest.mark.parametrize("azimuth", [0.0, 8.0, 222.2])
def test_a_narrow_stem_meets_the_bar_of_a_t_below_its_ridge(shapes: ModuleType, azimuth: float) -> None:
    roof = _all(shapes.outlines(shapes.turned(TEE, azimuth)))
    # Stem 30 wide: its ridge is 15 in and runs from the stem's hips to where its valleys meet, 15
    # beyond the bar's eave. The bar is 40 wide: its ridge is cut in two where the seam ends.
    assert _lengths(roof, RIDGE) == pytest.approx([40, 40, 40], abs=NEAR)
    assert _lengths(roof, VALLEY) == pytest.approx([15 * 2**0.5] * 2, abs=NEAR)
    assert _lengths(roof, HIP) == pytest.approx([15 * 2**0.5] * 2 + [20 * 2**0.5] * 4, abs=NEAR)
    assert _lengths(roof, SEAM) == pytest.approx([5], abs=NEAR)
    ridges = np.flatnonzero(roof.arc_kind == RIDGE)
    assert sorted(roof.arc_depth0_ft[ridges]) == pytest.approx([15, 20, 20], abs=NEAR)


@pytest.mark.parametrize("azimuth", [0.0, 55.0])
def test_a_u_of_equal_wings_has_three_ridges_at_one_height(shapes: ModuleType, azimuth: float) -> None:
    roof = _all(shapes.outlines(shapes.turned(shapes.letter_u(120, 80, 40), azimuth)))
    assert _lengths(roof, RIDGE) == pytest.approx([40, 40, 80], abs=NEAR)
    assert _lengths(roof, VALLEY) == pytest.approx([20 * 2**0.5] * 2, abs=NEAR)
    assert _lengths(roof, HIP) == pytest.approx([20 * 2**0.5] * 6, abs=NEAR)


@pytest.mark.parametrize("azimuth", [0.0, 12.0])
def test_the_ridge_runs_around_a_courtyard(shapes: ModuleType, azimuth: float) -> None:
    roof = _all(shapes.outlines(shapes.turned(shapes.courtyard(120, 100, 30), azimuth)))
    assert _lengths(roof, RIDGE) == pytest.approx([70, 70, 90, 90], abs=NEAR)
    assert _lengths(roof, VALLEY) == pytest.approx([15 * 2**0.5] * 4, abs=NEAR)
    assert _lengths(roof, HIP) == pytest.approx([15 * 2**0.5] * 4, abs=NEAR)


def test_a_wide_bay_and_a_narrow_one_break_the_ridge(shapes: ModuleType) -> None:
    """Two rectangles end to end, 40 and 20 wide: a hip leads from the low ridge up to the high one."""
    bottle = shapely.Polygon([(0, 0), (60, 0), (60, 10), (100, 10), (100, 30), (60, 30), (60, 40), (0, 40)])
    roof = _all(shapes.outlines(bottle))
    assert sorted({round(depth) for depth in roof.arc_depth0_ft[roof.arc_kind == RIDGE]}) == [10, 20]
    assert len(_lengths(roof, VALLEY)) == 2
    assert shapely.area(_faces(roof)).sum() == pytest.approx(60 * 40 + 40 * 20, rel=1e-4)


def test_edges_in_one_line_share_a_face(shapes: ModuleType) -> None:
    box = shapely.Polygon([(0, 0), (10, 0), (25, 0), (50, 0), (50, 30), (0, 30), (0, 12)])
    outlines = shapes.outlines(box)
    roof = _all(outlines)
    assert roof.face_section.size == 4
    assert _lengths(roof, RIDGE) == pytest.approx([20], abs=NEAR)
    # The first edge of each straight run stands for it: the eave starts at that edge's start.
    starts = roof.face_start[:-1]
    np.testing.assert_allclose(roof.east[starts], outlines.east0[roof.face_edge])
    np.testing.assert_allclose(roof.north[starts], outlines.north0[roof.face_edge])


@pytest.mark.parametrize("jog", [0.05, 0.2, 1.0])
def test_a_small_jog_is_an_eave_of_its_own(shapes: ModuleType, jog: float) -> None:
    house = shapely.Polygon([(0, 0), (60, 0), (60, 30), (40, 30), (40, 30 + jog), (0, 30 + jog)])
    outlines = shapes.outlines(house)
    roof = _all(outlines)
    assert roof.found.all()
    assert roof.face_section.size == 6
    assert roof.depth_ft.max() == pytest.approx(15 + jog / 2, abs=2 * NEAR)
    _keeps_the_laws(outlines, roof)


def test_what_is_not_wanted_has_no_roof(shapes: ModuleType) -> None:
    outlines = shapes.outlines(shapes.rectangle(30, 50), shapes.letter_l(), shapes.rectangle(20, 20))
    roof = straight_skeletons(outlines, np.array([True, False, True]))
    assert roof.found.tolist() == [True, False, True]
    assert set(roof.face_section) == set(roof.arc_section) == {0, 2}
    none = straight_skeletons(outlines, np.zeros(3, dtype=bool))
    assert none.found.tolist() == [False] * 3
    assert none.face_start.tolist() == [0]
    assert none.east.size == none.arc_kind.size == none.face_section.size == 0


def test_a_roof_does_not_depend_on_its_neighbours(shapes: ModuleType) -> None:
    crowd = [shapes.letter_u(), shapes.turned(TEE, 30.0), shapes.courtyard(), shapes.rectangle(30, 31)]
    together = _all(shapes.outlines(*crowd))
    for place, shape in enumerate(crowd):
        alone = _all(shapes.outlines(shape))
        mine = together.face_section == place
        corner = np.repeat(mine, np.diff(together.face_start))
        np.testing.assert_allclose(together.east[corner], alone.east, atol=1e-9)
        np.testing.assert_allclose(together.depth_ft[corner], alone.depth_ft, atol=1e-9)
        np.testing.assert_array_equal(together.arc_kind[together.arc_section == place], alone.arc_kind)


def test_no_roof_is_handed_out_for_a_courtyard_that_touches_the_street(shapes: ModuleType) -> None:
    """Two corners in one place have no corner's way to go; the outline beside it keeps its roof."""
    pinched = shapely.Polygon(
        [(0, 0), (60, 0), (60, 60), (30, 60), (30, 40), (0, 40)],
        [[(30, 40), (45, 30), (30, 20), (15, 30)]],
    )
    assert pinched.is_valid
    outlines = shapes.outlines(pinched, shapes.rectangle(30, 50))
    roof = _all(outlines)
    assert roof.found[1]
    assert set(roof.face_section) == set(np.flatnonzero(roof.found))
    _keeps_the_laws(outlines, roof)


@st.composite
def rectilinear(draw: st.DrawFn) -> shapely.Polygon:
    """Boxes in a row, each as deep on both sides as it likes; equal depths on purpose."""
    count = draw(st.integers(1, 6))
    widths = draw(st.lists(st.integers(4, 30), min_size=count, max_size=count))
    backs = draw(st.lists(st.integers(1, 8), min_size=count, max_size=count))
    fronts = draw(st.lists(st.integers(1, 8), min_size=count, max_size=count))
    ends = np.cumsum([0, *widths])
    boxes = [shapely.box(ends[k], -5.0 * fronts[k], ends[k + 1], 5.0 * backs[k]) for k in range(count)]
    turn = draw(st.sampled_from([0.0, 30.0, 45.0, 77.7]))
    return affinity.rotate(shapely.union_all(boxes).simplify(0), turn, origin=(0, 0))


@st.composite
def star(draw: st.DrawFn) -> shapely.Polygon:
    """Corners at rising bearings from the middle, at distances of their own."""
    count = draw(st.integers(5, 16))
    reach = np.array(draw(st.lists(st.integers(15, 60), min_size=count, max_size=count)))
    bearing = np.arange(count) / count * 2 * np.pi + draw(st.floats(0, 1))
    return shapely.Polygon(np.stack([reach * np.sin(bearing), reach * np.cos(bearing)], axis=1))


@given(shape=rectilinear())
@settings(max_examples=150)
def test_square_cornered_houses_keep_the_laws(shapes: ModuleType, shape: shapely.Polygon) -> None:
    outlines = shapes.outlines(shape)
    roof = _all(outlines)
    assert roof.found.all()
    _keeps_the_laws(outlines, roof)
    # A valley rises from each inner corner and from no other.
    assert (roof.arc_kind == VALLEY)[roof.arc_depth0_ft == 0].sum() == _inner_corners(outlines)


def _inner_corners(outlines: Outlines) -> int:
    following = outlines.following
    east, north = outlines.east1 - outlines.east0, outlines.north1 - outlines.north0
    return int((east * north[following] - north * east[following] > 0).sum())


@given(shape=star())
@settings(max_examples=150)
def test_star_shaped_outlines_keep_the_laws(shapes: ModuleType, shape: shapely.Polygon) -> None:
    outlines = shapes.outlines(shape)
    roof = _all(outlines)
    assume(roof.face_section.size == outlines.section.size)
    assert roof.found.all()
    _keeps_the_laws(outlines, roof)


@given(shape=star(), across=st.floats(-0.9, 0.9), along=st.floats(-0.9, 0.9))
@settings(max_examples=100)
def test_over_a_convex_outline_the_nearest_eave_makes_the_roof(
    shapes: ModuleType, shape: shapely.Polygon, across: float, along: float
) -> None:
    outlines = shapes.outlines(shapely.convex_hull(shape).simplify(0.5))
    roof = _all(outlines)
    assert roof.found.all()
    assert not (roof.arc_kind == VALLEY).any()
    every = np.arange(outlines.section.size)
    for east, north, depth in zip(roof.east, roof.north, roof.depth_ft, strict=True):
        assert _depth(outlines, every, east, north).min() == pytest.approx(depth, abs=2 * NEAR)
    # A place of its own: the face over it is that of the nearest eave.
    east, north = across * 30, along * 30
    here = np.flatnonzero(shapely.intersects(_faces(roof), shapely.Point(east, north)))
    nearest = _depth(outlines, every, east, north).min()
    assert (here.size > 0) == (nearest >= 0) or abs(nearest) < NEAR
    own = _depth(outlines, roof.face_edge[here], east, north)
    assert own == pytest.approx([max(nearest, 0)] * here.size, abs=2 * NEAR)


def test_real_footprints_have_roofs(shapes: ModuleType) -> None:
    buildings = gpd.read_file(Path(momepy.datasets.get_path("bubenec")), layer="buildings")
    outlines = outlines_of(buildings.geometry.to_crs("EPSG:32633"), shapes.GROUND)
    roof = _all(outlines)
    assert roof.found.mean() >= 0.99
    faces = _faces(roof)
    assert shapely.is_valid(faces).all()
    want = outlines.east1 * outlines.north0 - outlines.east0 * outlines.north1
    want = np.bincount(outlines.section, weights=want) / 2
    got = np.bincount(roof.face_section, weights=shapely.area(faces), minlength=outlines.count)
    np.testing.assert_allclose(got[roof.found], want[roof.found], rtol=1e-3)
