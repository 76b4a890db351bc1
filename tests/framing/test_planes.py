"""Pitched roofs by hand, and what must hold of every one of them.

In: small plans in feet, what is said of their roofs.
Out: planes, lines and members that a carpenter would draw.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from numpy.testing import assert_allclose

from roofplat.framing import Framing, frame_roofs
from roofplat.framing.facets import ROOF_LINES, walls_of_edges
from roofplat.framing.outline import Outlines, outlines_of, polygons_of
from roofplat.framing.planes import Pitched, lay_out_planes, said_of
from roofplat.framing.rafters import outlines_of_planes, plane_frames, rafter_counts, rafters
from roofplat.framing.regular import regular_walls
from roofplat.framing.walls import Walls, straight_walls
from roofplat.tables import ROOF_SHAPES

SIX_IN_TWELVE = float(np.degrees(np.arctan(6 / 12)))
HOUSE = shapely.box(-15, -20, 15, 20)
# Local coordinates are exact, the way there and back through the working CRS is not quite.
NEAR = 1e-4


def framed(shapes: ModuleType, *plans: Any, **facts: Any) -> Framing:
    """Sawn rafters at 6:12 unless it is said otherwise."""
    n = len(plans)
    known = {
        "roof_family": ["sawn_rafter_pitched"] * n,
        "slope_deg": [SIX_IN_TWELVE] * n,
        "roof_shape": ["gabled"] * n,
        **facts,
    }
    return shapes.framed(*plans, **known)


def corners(framing: Framing, plane: int) -> list[tuple[float, float, float]]:
    planes = framing.pitched.planes
    rows = slice(planes.corner_start[plane], planes.corner_start[plane + 1])
    found = np.stack([planes.east[rows], planes.north[rows], planes.height_ft[rows]], axis=1)
    return [tuple(float(value) + 0.0 for value in corner) for corner in np.round(found, 3) + 0.0]


def lines(framing: Framing, kind: str) -> list[tuple[float, ...]]:
    """East, north and height of both ends, the smaller end first."""
    every = framing.pitched.lines
    rows = every.kind == ROOF_LINES.index(kind)
    one = np.stack([every.east0, every.north0, every.height0_ft], axis=1)[rows]
    other = np.stack([every.east1, every.north1, every.height1_ft], axis=1)[rows]
    ends = [
        sorted([tuple(a), tuple(b)])
        for a, b in zip(np.round(one, 3) + 0.0, np.round(other, 3) + 0.0, strict=True)
    ]
    return sorted(tuple(float(value) for end in pair for value in end) for pair in ends)


def centred(shape: Any) -> Any:
    return shapely.affinity.translate(shape, -shape.centroid.x, -shape.centroid.y)


# Houses of four walls -----------------------------------------------------------------------------


def test_a_gable_house_by_hand(shapes: ModuleType) -> None:
    """30 by 40 ft at 6:12: the ridge is 40 ft long and 15 x 6/12 = 7.5 ft up."""
    framing = framed(shapes, HOUSE)
    pitched = framing.pitched
    assert pitched.problem.tolist() == [""]
    assert lines(framing, "ridge") == [(0.0, -20.0, 7.5, 0.0, 20.0, 7.5)]
    assert lines(framing, "hip") == lines(framing, "valley") == []
    assert corners(framing, 0) == [(-15, -20, 0), (-15, 20, 0), (0, 20, 7.5), (0, -20, 7.5)]
    assert_allclose(pitched.planes.downslope_deg, [270.0, 90.0], atol=NEAR)
    assert_allclose(pitched.planes.area_ft2, 600.0, atol=NEAR)
    # A rafter over 15 ft that climbs 7.5 ft is 16.77 ft long.
    assert_allclose(pitched.planes.true_area_ft2, 40 * np.hypot(15, 7.5), atol=NEAR)
    assert_allclose(framing.sections["true_area_ft2"], 2 * 40 * np.hypot(15, 7.5), atol=NEAR)
    assert_allclose(framing.sections["rise_ft"], 7.5, atol=NEAR)
    # The long walls are under eaves, the others are gable ends.
    assert pitched.eave.tolist() == [True, False, True, False]
    assert_allclose(pitched.edge_height_ft, [0, 7.5, 0, 7.5], atol=NEAR)
    assert pitched.planes.edge.tolist() == [0, 2]


def test_a_hip_house_by_hand(shapes: ModuleType) -> None:
    """The ridge is as long as the house is longer than wide: 10 ft."""
    framing = framed(shapes, HOUSE, roof_shape=["hipped"])
    assert lines(framing, "ridge") == [(0.0, -5.0, 7.5, 0.0, 5.0, 7.5)]
    assert lines(framing, "hip") == sorted(
        (*min(ends), *max(ends))
        for ends in (
            [(east, north, 0.0), (0.0, np.sign(north) * 5.0, 7.5)]
            for east in (-15.0, 15.0)
            for north in (-20.0, 20.0)
        )
    )
    assert_allclose(framing.pitched.planes.area_ft2, [375, 225, 375, 225], atol=NEAR)
    assert framing.pitched.eave.all()
    assert not framing.pitched.edge_height_ft.any()


def test_a_hip_over_a_square_is_a_pyramid(shapes: ModuleType) -> None:
    framing = framed(
        shapes,
        shapes.rectangle(40, 40),
        shapes.turned(shapes.rectangle(40, 40), 21.0),
        roof_shape=["hipped"] * 2,
    )
    assert np.diff(framing.pitched.planes.corner_start).tolist() == [3] * 8
    assert lines(framing, "ridge") == []
    assert len(lines(framing, "hip")) == 8
    assert_allclose(framing.pitched.rise_ft, 10.0, atol=NEAR)


@pytest.mark.parametrize("azimuth", [0.0, 21.0, 70.0, 90.0, 111.0, 179.9])
def test_the_ridge_of_a_square_takes_the_smaller_azimuth(shapes: ModuleType, azimuth: float) -> None:
    framing = framed(shapes, shapes.turned(shapes.rectangle(40, 40), azimuth))
    (ridge,) = lines(framing, "ridge")
    run = np.degrees(np.arctan2(ridge[3] - ridge[0], ridge[4] - ridge[1]))
    assert (run - azimuth % 90.0 + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=0.01)


def test_a_house_out_of_square_still_has_planes_that_meet(shapes: ModuleType) -> None:
    """Eaves that are not quite parallel: the ridge climbs, and ends on both end walls."""
    crooked = shapely.Polygon([(0, 0), (1, 40), (30, 41), (31.5, -1)])
    framing = framed(shapes, crooked, crooked, roof_shape=["gabled", "hipped"])
    planes = framing.pitched.planes
    assert np.diff(planes.start).tolist() == [2, 4]
    assert_allclose(np.add.reduceat(planes.area_ft2, planes.start[:-1]), crooked.area, atol=NEAR)
    assert _off_plane(framing.pitched, framing.wall_runs).max() < 1e-9
    (gable, _) = sorted(lines(framing, "ridge"), key=lambda ends: -abs(ends[4] - ends[1]))
    outline = centred(crooked).exterior
    for end in (gable[:2], gable[3:5]):
        assert outline.distance(shapely.Point(end)) < 0.001
    assert gable[2] != pytest.approx(gable[5], abs=0.01)


# Which way the ridge runs -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "runs_north"),
    [
        ({"ridge_deg": [0.0]}, True),
        ({"ridge_deg": [90.0]}, False),
        ({"ridge_deg": [265.0]}, False),
        ({"ridge_runs": ["along"]}, True),
        ({"ridge_runs": ["across"]}, False),
        ({"downslope_deg": [90.0]}, True),
        ({"downslope_deg": [181.0]}, False),
        ({"ridge_deg": [10.0], "downslope_deg": [270.0], "ridge_runs": ["along"]}, True),
    ],
)
def test_the_ridge_runs_as_it_is_said(shapes: ModuleType, said: dict[str, Any], runs_north: bool) -> None:
    framing = framed(shapes, HOUSE, **said)
    want = (0.0, -20.0, 7.5, 0.0, 20.0, 7.5) if runs_north else (-15.0, 0.0, 10.0, 15.0, 0.0, 10.0)
    assert lines(framing, "ridge") == [want]
    assert framing.pitched.problem.tolist() == [""]
    assert framing.planes["basis"].unique().tolist() == ["surveyed"]


@pytest.mark.parametrize(
    "said",
    [
        {"ridge_deg": [45.0]},
        {"ridge_deg": [0.0], "downslope_deg": [0.0]},
        {"ridge_deg": [90.0], "ridge_runs": ["along"]},
        {"downslope_deg": [90.0], "ridge_runs": ["across"]},
        {"ridge_deg": [90.0], "roof_shape": ["hipped"]},
    ],
)
def test_a_ridge_that_contradicts_is_told_and_the_outline_is_followed(
    shapes: ModuleType, said: dict[str, Any]
) -> None:
    framing = framed(shapes, HOUSE, **said)
    assert framing.problems["code"].tolist() == ["ridge_contradicts"]
    assert framing.problems["feature"].tolist() == ["B000/1"]
    (ridge,) = lines(framing, "ridge")
    assert ridge[0] == ridge[3] == 0.0
    assert framing.sections["shape_basis"].tolist() == ["assumed"]
    assert framing.planes["basis"].unique().tolist() == ["assumed"]


def test_a_ridge_of_which_nobody_speaks_is_inferred(shapes: ModuleType) -> None:
    framing = framed(shapes, HOUSE, HOUSE, roof_shape=["gabled", None])
    assert framing.sections["shape_basis"].tolist() == ["surveyed", "assumed"]
    assert framing.planes["basis"].tolist() == ["inferred"] * 2 + ["assumed"] * 2
    assert framing.members.loc[framing.members["kind"] == "ridge", "basis"].tolist() == [
        "inferred",
        "assumed",
    ]


def test_a_plan_of_wings_is_held_against_the_ridge_that_is_said(shapes: ModuleType) -> None:
    framing = framed(shapes, *[shapes.letter_l()] * 3, ridge_deg=[0.0, 92.0, 45.0])
    assert framing.pitched.problem.tolist() == ["", "", "ridge_contradicts"]


# Plans of wings -----------------------------------------------------------------------------------


def test_an_l_of_equal_bars_by_hand(shapes: ModuleType) -> None:
    """Two bars 40 ft wide and 100 ft long: ridges 20 ft in, that meet in one point of the main one."""
    framing = framed(shapes, shapes.letter_l())
    corner = np.array(shapes.letter_l().centroid.coords[0])

    def at(east: float, north: float, height: float) -> list[float]:
        return [*(np.array([east, north]) - corner), height]

    # The bar whose ridge has the smaller azimuth, north, is the main body and keeps both its gables.
    main = [at(20, 0, 10) + at(20, 20, 10), at(20, 20, 10) + at(20, 100, 10)]
    assert_allclose(lines(framing, "ridge"), [*main, at(20, 20, 10) + at(100, 20, 10)], atol=0.01)
    assert lines(framing, "hip") == []
    valleys = [at(20, 20, 10) + at(40, 0, 0), at(20, 20, 10) + at(40, 40, 0)]
    assert_allclose(lines(framing, "valley"), valleys, atol=0.01)
    # The main body's inner plane falls apart where the ridges meet: 1400 and 200.
    assert_allclose(sorted(framing.pitched.planes.area_ft2), [200, 1400, 1400, 1400, 2000], atol=0.01)
    # The south wall is a gable as far as the main body goes, and an eave from there on.
    assert framing.pitched.eave.sum() == 3
    assert_allclose(np.unique(np.round(framing.pitched.edge_height_ft, 3)), [0.0, 10.0])
    assert framing.planes["basis"].unique().tolist() == ["inferred"]


MAIN_30_BY_80 = shapely.union(shapely.box(0, 0, 80, 30), shapely.box(0, 0, 20, 70))
WING_LONGER_THAN_MAIN = shapely.union(shapely.box(0, 0, 80, 20), shapely.box(0, 0, 30, 50))
# A bar as wide as the other and longer.
LONGER = shapely.Polygon([(0, 0), (60, 0), (60, 30), (30, 30), (30, 80), (0, 80)])


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("azimuth", [0.0, 21.0, 90.0, 147.0, 301.0])
@pytest.mark.parametrize(
    ("plan", "ridges", "valleys", "areas"),
    [
        # The wing 20 ft wide: its ridge is 10 ft deep, and dies 10 ft into the main body.
        (
            MAIN_30_BY_80,
            [(0, 15, 80, 15), (10, 20, 10, 70)],
            [(0, 30, 10, 20), (20, 30, 10, 20)],
            [450, 450, 1100, 1200],
        ),
        # The wider bar is the main body, though the other one is longer.
        (
            WING_LONGER_THAN_MAIN,
            [(15, 0, 15, 50), (20, 10, 80, 10)],
            [(30, 0, 20, 10), (30, 20, 20, 10)],
            [550, 550, 650, 750],
        ),
        (
            LONGER,
            [(15, 0, 15, 15), (15, 15, 15, 80), (15, 15, 60, 15)],
            [(30, 0, 15, 15), (30, 30, 15, 15)],
            [112.5, 562.5, 562.5, 862.5, 1200],
        ),
    ],
)
def test_the_wing_of_a_gabled_l_runs_into_the_main_body(
    shapes: ModuleType,
    plan: Any,
    ridges: list[tuple[float, ...]],
    valleys: list[tuple[float, ...]],
    areas: list[float],
    azimuth: float,
    mirrored: bool,
) -> None:
    def placed(shape: Any) -> Any:
        moved = shapely.affinity.translate(shape, -plan.centroid.x, -plan.centroid.y)
        if mirrored:
            moved = shapely.affinity.scale(moved, xfact=-1, origin=(0, 0))
        return shapes.turned(moved, azimuth)

    framing = framed(shapes, placed(plan))
    every = framing.pitched.lines
    assert lines(framing, "hip") == []
    for kind, wanted in (("ridge", ridges), ("valley", valleys)):
        found = _strings(every)[every.kind == ROOF_LINES.index(kind)]
        want = placed(shapely.multilinestrings([[(a, b), (c, d)] for a, b, c, d in wanted]))
        assert len(found) == len(wanted)
        assert shapely.hausdorff_distance(shapely.multilinestrings(found), want) < 0.01
    assert_allclose(sorted(framing.pitched.planes.area_ft2), areas, atol=0.01)
    assert _off_plane(framing.pitched, framing.wall_runs).max() < 0.001


def test_an_l_drawn_a_little_off_has_the_roof_of_the_true_one(shapes: ModuleType) -> None:
    """Bars equally wide but for noise: the ridges still meet in one point, at the longer one."""
    plan = _noisy(LONGER, 0.1, 3)
    framing = framed(shapes, plan)
    assert len(lines(framing, "ridge")) == 3
    assert len(lines(framing, "valley")) == 2
    every = framing.pitched.lines
    ridges = shapely.length(_strings(every))[every.kind == ROOF_LINES.index("ridge")]
    assert ridges.sum() == pytest.approx(80 + 45, abs=0.5)
    assert_allclose(framing.pitched.planes.area_ft2.sum(), plan.area, atol=0.01)


def test_a_hipped_l_keeps_its_ends(shapes: ModuleType) -> None:
    framing = framed(shapes, shapes.letter_l(), roof_shape=["hipped"])
    assert len(lines(framing, "hip")) == 5
    assert len(lines(framing, "valley")) == 1
    assert framing.pitched.eave.all()
    # A hip end over 40 ft is a triangle 20 ft deep.
    assert_allclose(sorted(framing.pitched.planes.area_ft2)[:2], 400.0, atol=0.01)


def test_a_t_by_hand(shapes: ModuleType) -> None:
    """A bar of 90 by 30 ft and a stem 20 ft wide: the stem's ridge is 5 ft up and ends 5 ft into the bar."""
    plan = shapely.Polygon([(0, 0), (90, 0), (90, 30), (55, 30), (55, 70), (35, 70), (35, 30), (0, 30)])
    framing = framed(shapes, plan)
    east, north = plan.centroid.coords[0]
    # North of the main ridge each wall has a plane of its own, but no line shows where they part.
    main = (0 - east, 15 - north, 7.5, 90 - east, 15 - north, 7.5)
    stem = (45 - east, 20 - north, 5, 45 - east, 70 - north, 5)
    assert_allclose(lines(framing, "ridge"), sorted([main, stem]), atol=0.01)
    assert len(lines(framing, "valley")) == 2
    assert lines(framing, "hip") == []
    assert_allclose(framing.pitched.planes.area_ft2.sum(), plan.area, atol=0.01)


TEE = shapely.Polygon([(0, 0), (90, 0), (90, 30), (55, 30), (55, 70), (35, 70), (35, 30), (0, 30)])
# The plane behind the stem parts where the near end would be hipped.
NEAR_THE_END = shapely.Polygon([(0, 0), (90, 0), (90, 30), (18, 30), (18, 70), (4, 70), (4, 30), (0, 30)])
# A nave 30 ft wide and 100 ft long, and arms 20 ft wide.
CROSS = shapely.union(shapely.box(35, 0, 65, 100), shapely.box(0, 50, 100, 70))
TWO_STEMS = shapely.union_all(
    [shapely.box(0, 0, 120, 30), shapely.box(15, 30, 35, 60), shapely.box(75, 30, 95, 60)]
)


def _noisy(plan: Any, noise_ft: float, seed: int) -> Any:
    """The plan with every corner moved by up to so much, east and north."""
    corners = shapely.get_coordinates(plan.exterior)[:-1]
    return shapely.Polygon(corners + np.random.default_rng(seed).uniform(-noise_ft, noise_ft, corners.shape))


# A centimetre and ten.
@pytest.mark.parametrize("noise_ft", [0.0, 0.033, 0.33])
@pytest.mark.parametrize("azimuth", [0.0, 33.0, 200.0])
@pytest.mark.parametrize(
    ("plan", "form", "ridges", "hips", "valleys", "planes"),
    [
        (TEE, "gabled", [90, 50], 0, 2, 5),
        (TEE, "hipped", [60, 40], 6, 2, 8),
        (NEAR_THE_END, "gabled", [90, 47], 0, 2, 5),
        (CROSS, "gabled", [100, 45, 45], 0, 4, 8),
        (CROSS, "hipped", [70, 35, 35], 8, 4, 12),
        (TWO_STEMS, "gabled", [120, 40, 40], 0, 4, 8),
    ],
)
def test_walls_on_one_line_carry_one_plane(
    shapes: ModuleType,
    plan: Any,
    form: str,
    ridges: list[float],
    hips: int,
    valleys: int,
    planes: int,
    azimuth: float,
    noise_ft: float,
) -> None:
    """No line parts it, no ridge is split and no gable lost, however the corners were drawn."""
    drawn = [shapes.turned(_noisy(plan, noise_ft, seed), azimuth) for seed in range(8)]
    _, walls, pitched = _laid_out(shapes, drawn, roof_shape=[form] * len(drawn))
    assert set(pitched.problem) == {""}
    roof_lines, made = pitched.lines, pitched.planes
    run = np.hypot(roof_lines.east1 - roof_lines.east0, roof_lines.north1 - roof_lines.north0)
    for section, outline in enumerate(drawn):
        own = roof_lines.section == section
        count = np.bincount(roof_lines.kind[own], minlength=3)
        assert count.tolist() == [len(ridges), hips, valleys]
        lengths = np.sort(run[own & (roof_lines.kind == ROOF_LINES.index("ridge"))])[::-1]
        assert_allclose(lengths, ridges, atol=0.02 + 4 * noise_ft)
        # The eaves stand on the walls as they were drawn, and each wall has a plane or a gable.
        assert_allclose(made.area_ft2[made.section == section].sum(), outline.area, rtol=1e-6)
    assert (np.bincount(made.section) == planes).all()
    assert np.unique(made.wall).size == planes * len(drawn)
    assert np.count_nonzero(pitched.eave) == planes * len(drawn)
    _keeps_to_planes(shapes, pitched, walls)


def test_walls_that_are_parted_by_more_carry_two_planes(shapes: ModuleType) -> None:
    """One shoulder of the T stands 2 ft forward: the main ridge is split, as it would be built."""
    plan = shapely.Polygon([(0, 0), (90, 0), (90, 32), (55, 32), (55, 70), (35, 70), (35, 30), (0, 30)])
    framing = framed(shapes, plan)
    assert len(lines(framing, "ridge")) == 3
    assert {round(line[2], 1) for line in lines(framing, "ridge")} == {5.0, 7.5, 8.0}


def test_square_plans_are_put_on_common_lines(shapes: ModuleType) -> None:
    walls = shapes.walls(_noisy(TEE, 0.33, 1), shapely.affinity.skew(TEE, 12.0), TEE)
    regular, is_regular = regular_walls(walls, np.array([True, True, False]), shapes.RULES)
    # Neither what leans nor what is not wanted is touched.
    assert is_regular.tolist() == [True, False, False]
    rest = walls.section > 0
    for name in ("east0", "north0", "east1", "north1", "length_ft", "azimuth_deg", "outward_deg"):
        assert (getattr(regular, name)[rest] == getattr(walls, name)[rest]).all()
    mine = ~rest
    moved = np.hypot(regular.east0 - walls.east0, regular.north0 - walls.north0)
    assert 0.1 < moved.max() < shapes.RULES.number("pitched.same_line_ft")
    turn = np.diff(regular.azimuth_deg[mine]) % 90.0
    assert_allclose(np.minimum(turn, 90.0 - turn), 0.0, atol=1e-9)
    # Both shoulders of the T face north, and stand on one line now.
    faces_north = np.cos(np.radians(walls.outward_deg)) > 0.9
    shoulders = mine & faces_north & (walls.length_ft > 30.0)
    outward = np.radians(regular.outward_deg[shoulders])
    line = regular.east0[shoulders] * np.sin(outward) + regular.north0[shoulders] * np.cos(outward)
    assert line.size == 2
    assert line[0] == pytest.approx(line[1], abs=1e-9)
    # Without wanted sections there is nothing to do.
    same, none = regular_walls(walls, np.zeros(3, dtype=bool), shapes.RULES)
    assert not none.any()
    assert (same.east0 == walls.east0).all()


def test_no_sections_have_no_roofs(shapes: ModuleType) -> None:
    framing = frame_roofs(shapes.roofs(HOUSE).iloc[:0], shapes.streets(), shapes.RULES, shapes.GROUND)
    for table in (framing.sections, framing.walls, framing.planes, framing.members, framing.problems):
        assert len(table) == 0


def test_an_end_that_touches_the_main_ridge_gets_a_gable_of_its_own(shapes: ModuleType) -> None:
    """A porch 30 ft wide that stands 0 ft clear of where the ridges meet: four planes in one point."""
    plan = shapely.Polygon([(0, 0), (90, 0), (90, 30), (60, 30), (60, 45), (30, 45), (30, 30), (0, 30)])
    framing = framed(shapes, plan)
    assert framing.pitched.found.all()
    assert framing.pitched.eave.sum() == 5
    assert_allclose(framing.pitched.planes.area_ft2.sum(), plan.area, atol=0.01)
    assert _off_plane(framing.pitched, framing.wall_runs).max() < 0.01


def test_a_courtyard_has_planes_all_round(shapes: ModuleType) -> None:
    framing = framed(shapes, shapes.courtyard())
    assert framing.pitched.planes.count == 8
    assert len(lines(framing, "ridge")) == len(lines(framing, "hip")) == len(lines(framing, "valley")) == 4
    assert framing.pitched.eave.all()


# One plane ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "downslope"),
    [
        ({}, 270.0),
        ({"downslope_deg": [90.0]}, 90.0),
        ({"downslope_deg": [10.0]}, 0.0),
        ({"downslope_deg": [45.0]}, 45.0),
        ({"ridge_deg": [92.0]}, 0.0),
        ({"ridge_runs": ["along"]}, 270.0),
        ({"ridge_runs": ["across"]}, 0.0),
        ({"ridge_deg": [0.0], "downslope_deg": [0.0]}, 270.0),
        ({"ridge_deg": [45.0]}, 270.0),
    ],
)
def test_a_monopitch_falls_as_it_is_said(shapes: ModuleType, said: dict[str, Any], downslope: float) -> None:
    framing = framed(shapes, HOUSE, roof_shape=["monopitch"], **said)
    planes = framing.pitched.planes
    assert planes.count == 1
    assert planes.downslope_deg[0] == pytest.approx(downslope, abs=NEAR)
    given_way = "downslope_deg" in said and "ridge_deg" not in said
    assert framing.planes["basis"].tolist() == ["surveyed" if given_way else "assumed"]
    contradicts = "ridge_deg" in said and (len(said) > 1 or said["ridge_deg"] == [45.0])
    assert framing.pitched.problem.tolist() == ["ridge_contradicts" if contradicts else ""]


def test_only_the_low_edge_of_a_monopitch_is_an_eave(shapes: ModuleType) -> None:
    framing = framed(shapes, HOUSE, roof_shape=["monopitch"], downslope_deg=[90.0])
    pitched = framing.pitched
    assert_allclose(pitched.rise_ft, 15.0, atol=NEAR)
    assert pitched.eave.tolist() == [False, False, True, False]
    assert_allclose(pitched.edge_height_ft, [15, 15, 0, 15], atol=NEAR)
    assert pitched.planes.edge.tolist() == [2]
    assert corners(framing, 0) == [(15, 20, 0), (15, -20, 0), (-15, -20, 15), (-15, 20, 15)]


def test_a_monopitch_over_a_u_has_members_in_two_pieces(shapes: ModuleType) -> None:
    """Down to the east the members cross the open court: two pieces a line north of 40 ft."""
    framing = framed(shapes, shapes.letter_u(), roof_shape=["monopitch"], downslope_deg=[90.0])
    laid = rafters(plane_frames(framing.pitched, framing.frames.outlines, np.array([2.0])))
    # 79 ft from the first line to the last: 39 lines, of which those above 40 ft are cut.
    pieces = np.unique(np.round(laid.ends_ft()[1], 3), return_counts=True)[1]
    assert pieces.size == 39
    assert set(pieces) == {1, 2}


def test_a_monopitch_around_a_courtyard_is_not_laid_out(shapes: ModuleType) -> None:
    framing = framed(shapes, shapes.courtyard(), roof_shape=["monopitch"])
    assert framing.problems["code"].tolist() == ["planes_not_found"]
    assert framing.planes.empty


# How steep it is ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "slope", "basis", "code"),
    [
        ({"slope_deg": [30.0]}, 30.0, "surveyed", ""),
        ({"slope_deg": [None]}, 26.57, "assumed", ""),
        # 15 ft up over 15 ft.
        ({"slope_deg": [None], "roof_height_ft": [15.0]}, 45.0, "surveyed", ""),
        ({"slope_deg": [44.0], "roof_height_ft": [15.0]}, 44.0, "surveyed", ""),
        ({"slope_deg": [20.0], "roof_height_ft": [15.0]}, 20.0, "surveyed", "slope_contradicts"),
        (
            {"slope_deg": [20.0], "slope_deg_basis": ["inferred"], "roof_height_ft": [15.0]},
            45.0,
            "surveyed",
            "slope_contradicts",
        ),
        ({"slope_deg": [75.0]}, 75.0, "surveyed", "slope_beyond_family"),
        ({"slope_deg": [3.0]}, 3.0, "surveyed", "slope_beyond_family"),
        # What cannot be a slope is as good as none.
        ({"slope_deg": [90.0]}, 26.57, "assumed", ""),
        ({"slope_deg": [-5.0]}, 26.57, "assumed", ""),
        ({"slope_deg": [None], "roof_height_ft": [0.0]}, 26.57, "assumed", ""),
    ],
)
def test_slopes(shapes: ModuleType, said: dict[str, Any], slope: float, basis: str, code: str) -> None:
    framing = framed(shapes, HOUSE, **said)
    assert framing.sections["slope_deg"].tolist() == [pytest.approx(slope)]
    assert framing.sections["slope_basis"].tolist() == [basis]
    assert framing.pitched.problem.tolist() == [code]
    assert framing.problems["code"].tolist() == [code] * bool(code)
    assert framing.pitched.planes.height_ft.max() == pytest.approx(15 * np.tan(np.radians(slope)), abs=NEAR)


def test_a_hip_end_does_not_make_a_roof_lower_than_its_height(shapes: ModuleType) -> None:
    """The greatest depth of a hipped L is that of its wider wing."""
    framing = framed(
        shapes, shapes.letter_l(), roof_shape=["hipped"], slope_deg=[None], roof_height_ft=[20.0]
    )
    assert framing.pitched.slope_deg[0] == pytest.approx(45.0, abs=0.001)
    assert framing.sections["rise_ft"][0] == pytest.approx(20.0, abs=0.001)


# What is not laid out -----------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["flat", "arched", "sawtooth", "other"])
def test_a_pitched_family_of_another_form_is_told(shapes: ModuleType, shape: str) -> None:
    framing = framed(shapes, HOUSE, roof_shape=[shape])
    assert framing.problems["code"].tolist() == ["shape_not_planned"]
    assert ROOF_SHAPES[framing.pitched.shape[0]] == shape
    assert framing.members.empty
    assert framing.pitched.eave.all()


def test_other_families_are_left_alone(shapes: ModuleType) -> None:
    framing = shapes.framed(HOUSE, shapes.rectangle(100, 50), roof_family=["unknown", "panelized_wood"])
    pitched = framing.pitched
    assert pitched.planes.count == 0
    assert not pitched.found.any()
    assert pitched.eave.all()
    assert np.isnan(pitched.slope_deg).all()
    assert set(pitched.shape) == set(pitched.shape_basis) == set(pitched.slope_basis) == {-1}
    assert framing.planes.empty
    assert rafters(plane_frames(pitched, framing.frames.outlines, np.full(2, 2.0))).plane.size == 0
    # A flat roof is as much larger than its plan as its slope makes it; of an unknown one nobody knows.
    assert np.isnan(framing.sections["true_area_ft2"][0])
    assert framing.sections["true_area_ft2"][1] == pytest.approx(5000 / np.cos(np.radians(1.2)))


def test_a_building_of_no_known_family_leaves_nothing_behind(shapes: ModuleType) -> None:
    framing = framed(shapes, HOUSE, roof_family=[None])
    assert framing.planes.empty
    assert framing.problems.empty


# Outlines as they are digitised -------------------------------------------------------------------


def test_corners_on_a_straight_wall_make_no_planes(shapes: ModuleType) -> None:
    """Two corners more on the west wall, one on the north wall, and a jog of half a foot."""
    plan = shapely.Polygon(
        [
            (-15, -20),
            (-15, -5),
            (-15.2, 5),
            (-15, 20),
            (3, 20),
            (15, 20),
            (15, 1),
            (14.5, 1),
            (14.5, -1),
            (15, -1),
            (15, -20),
        ]
    )
    framing = framed(shapes, plan)
    pitched = framing.pitched
    outlines = framing.frames.outlines
    assert pitched.planes.count == 2
    assert pitched.eave.tolist() == (np.abs(outlines.north1 + outlines.north0) < 39).tolist()
    assert_allclose(pitched.edge_height_ft, np.where(pitched.eave, 0.0, 7.5), atol=0.1)
    # The eave's edge is the longest one of its wall.
    length = np.hypot(outlines.east1 - outlines.east0, outlines.north1 - outlines.north0)
    assert_allclose(np.sort(length[pitched.planes.edge]), [19.0, 19.0], atol=4.0)


def test_every_edge_belongs_to_the_wall_it_runs_along(shapes: ModuleType) -> None:
    plans = [shapely.segmentize(plan, 13.0) for plan in (shapes.letter_u(), HOUSE, shapes.courtyard())]
    outlines = shapes.outlines(*plans)
    walls = straight_walls(outlines, shapes.RULES)
    edge, wall, longest = walls_of_edges(outlines, walls, np.array([0, 2]))
    assert set(outlines.section[edge]) == {0, 2}
    assert (outlines.section[edge] == walls.section[wall]).all()
    assert (outlines.shell[edge] == walls.shell[wall]).all()
    middle = shapely.points(
        (outlines.east0 + outlines.east1)[edge] / 2, (outlines.north0 + outlines.north1)[edge] / 2
    )
    run = shapely.linestrings(
        np.stack([walls.east0, walls.north0, walls.east1, walls.north1], axis=1).reshape(-1, 2, 2)
    )
    assert shapely.distance(middle, run[wall]).max() < 0.001
    assert (longest[walls.section == 1] == -1).all()
    assert (longest[walls.section != 1] >= 0).all()


# Members ------------------------------------------------------------------------------------------


def test_rafters_of_a_gable_by_hand(shapes: ModuleType) -> None:
    """40 ft of ridge at 2 ft: 19 rafters on each side, 15 ft in plan and 16.77 ft along the slope."""
    framing = framed(shapes, HOUSE, rafter_spacing_ft=[2.0])
    laid = rafters(plane_frames(framing.pitched, framing.frames.outlines, np.array([2.0])))
    assert np.bincount(laid.plane).tolist() == [19, 19]
    east0, north0, east1, north1 = laid.ends_ft()
    assert_allclose(np.hypot(east1 - east0, north1 - north0), 15.0, atol=NEAR)
    assert_allclose(np.abs(east0), 0.0, atol=NEAR)
    assert laid.at_ridge.all()
    rows = framing.members.set_index("kind")
    assert rows["count"].to_dict() == {"ridge": 1, "rafter": 38}
    assert rows.loc["rafter", "spacing_ft"] == 2.0
    assert framing.sections["rafter_count"].tolist() == [38]
    feet_per_m = 1 / 0.3048 / 0.9996
    assert_allclose(rows.length * feet_per_m, [40.0, 38 * 15.0], atol=0.01)


def test_two_lines_that_meet_at_the_ridge_are_one_truss(shapes: ModuleType) -> None:
    framing = framed(
        shapes, HOUSE, HOUSE, roof_family=["plate_truss_pitched"] * 2, roof_shape=["gabled", "hipped"]
    )
    kinds = framing.members.set_index(["section_id", "kind"])["count"]
    assert kinds["B000/1", "truss"] == 19
    # On the hip only the commons over the 10 ft of ridge meet: at -4, -2, 0, 2 and 4 ft.
    laid = rafters(plane_frames(framing.pitched, framing.frames.outlines, np.full(2, 2.0)))
    assert kinds["B001/1", "truss"] == np.count_nonzero(laid.plane >= 2) - 5
    assert kinds["B001/1", "hip"] == 4


def test_the_high_edge_of_a_monopitch_joins_no_trusses(shapes: ModuleType) -> None:
    framing = framed(shapes, HOUSE, roof_shape=["monopitch"], downslope_deg=[90.0])
    laid = rafters(plane_frames(framing.pitched, framing.frames.outlines, np.array([2.0])))
    lines, at_ridge = np.array([laid.plane.size]), np.array([np.count_nonzero(laid.at_ridge)])
    assert at_ridge.tolist() == [19]
    assert rafter_counts(framing.pitched, lines, at_ridge, np.array([True])).tolist() == [19]


def test_no_spacing_gives_no_members(shapes: ModuleType) -> None:
    framing = framed(shapes, HOUSE, HOUSE)
    laid = rafters(plane_frames(framing.pitched, framing.frames.outlines, np.array([np.nan, 0.0])))
    assert laid.plane.size == 0


def test_members_carry_the_weaker_basis(shapes: ModuleType) -> None:
    framing = framed(
        shapes,
        HOUSE,
        ridge_deg=[0.0],
        ridge_deg_basis=["recorded"],
        rafter_spacing_ft=[2.0],
        rafter_spacing_ft_basis=["inferred"],
    )
    bases = framing.members.set_index("kind")["basis"]
    assert bases.to_dict() == {"ridge": "recorded", "rafter": "inferred"}


def test_a_plane_has_a_frame_whose_u_runs_down(shapes: ModuleType) -> None:
    framing = framed(shapes, shapes.turned(HOUSE, 30.0))
    frames = plane_frames(framing.pitched, framing.frames.outlines, np.array([2.0]))
    assert frames.count == 2
    assert_allclose(frames.u_high - frames.u_low, 15.0, atol=NEAR)
    assert_allclose(frames.v_high - frames.v_low, 40.0, atol=NEAR)
    # The eave, its first edge, is the low end.
    first = framing.pitched.planes.corner_start[:-1]
    assert_allclose(frames.u0[first], frames.u_high, atol=NEAR)


def test_planes_are_told_in_the_working_crs(shapes: ModuleType) -> None:
    framing = framed(shapes, shapes.turned(HOUSE, 30.0), shapes.letter_l())
    table = framing.planes
    assert table["plane"].tolist() == [1, 2, 1, 2, 3, 4, 5]
    outline = framing.sections.geometry
    merged = [shapely.union_all(table.geometry[table["section_id"] == name]) for name in ("B000/1", "B001/1")]
    for whole, section in zip(merged, outline, strict=True):
        assert shapely.hausdorff_distance(whole, section) < 0.01
    assert_allclose(table["true_area_ft2"], table["area_ft2"] / np.cos(np.radians(SIX_IN_TWELVE)), rtol=1e-9)


# Laws ---------------------------------------------------------------------------------------------

BOXES = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 40), st.integers(14, 60), st.integers(14, 60)),
    min_size=1,
    max_size=4,
)


def _laid_out(shapes: ModuleType, plans: list[Any], **facts: Any) -> tuple[Outlines, Walls, Pitched]:
    made = shapes.roofs(*plans, roof_family=["sawn_rafter_pitched"] * len(plans), **facts)
    outlines = outlines_of(made.geometry, shapes.GROUND)
    walls = straight_walls(outlines, shapes.RULES)
    every = np.ones(len(plans), dtype=bool)
    return outlines, walls, lay_out_planes(outlines, walls, every, said_of(made, shapes.RULES), shapes.RULES)


def _off_plane(pitched: Pitched, walls: Walls) -> np.ndarray:
    """How far each corner is above or below depth times rise over its own eave."""
    planes = pitched.planes
    owner = np.repeat(np.arange(planes.count), np.diff(planes.corner_start))
    wall = planes.wall[owner]
    run = np.stack([walls.east1 - walls.east0, walls.north1 - walls.north0], axis=1)[wall]
    arm = np.stack([planes.east - walls.east0[wall], planes.north - walls.north0[wall]], axis=1)
    depth = (run[:, 1] * arm[:, 0] - run[:, 0] * arm[:, 1]) / np.hypot(*run.T)
    return np.abs(depth * planes.rise[owner] - planes.height_ft)


def _keeps_to_planes(shapes: ModuleType, pitched: Pitched, walls: Walls) -> None:
    """A plane rises from its wall, or from where the wall would stand without the noise in it."""
    straight, _ = regular_walls(walls, pitched.found, shapes.RULES)
    moved, off, off_straight = (np.zeros(pitched.found.size) for _ in range(3))
    shift = np.hypot(straight.east0 - walls.east0, straight.north0 - walls.north0)
    np.maximum.at(moved, walls.section, shift)
    planes = pitched.planes
    owner = np.repeat(planes.section, np.diff(planes.corner_start))
    steep = np.repeat(planes.rise, np.diff(planes.corner_start))
    np.maximum.at(off, owner, _off_plane(pitched, walls) / steep)
    np.maximum.at(off_straight, owner, _off_plane(pitched, straight) / steep)
    # Bars of a gabled L whose widths are so near are taken for equally wide.
    two_bars = np.diff(walls.start) == 6
    allowed = moved + np.where(two_bars, shapes.RULES.number("pitched.same_line_ft"), 0.0)
    assert (np.minimum(off, off_straight - allowed) < 0.05).all()


def _strings(ends: Any) -> Any:
    return shapely.linestrings(
        np.stack([ends.east0, ends.north0, ends.east1, ends.north1], axis=1).reshape(-1, 2, 2)
    )


@given(
    roofs=st.lists(
        st.tuples(BOXES, st.floats(0, 180), st.sampled_from(["gabled", "hipped"]), st.floats(10, 60)),
        min_size=1,
        max_size=6,
    )
)
@settings(max_examples=30, deadline=None)
def test_laws_of_planes(shapes: ModuleType, roofs: list[Any]) -> None:
    plans, forms, slopes = [], [], []
    for boxes, azimuth, form, slope in roofs:
        plan = shapely.union_all([shapely.box(x, y, x + wide, y + deep) for x, y, wide, deep in boxes])
        if plan.geom_type == "Polygon":
            plans.append(shapes.turned(plan, azimuth))
            forms.append(form)
            slopes.append(slope)
    assume(plans)
    outlines, walls, pitched = _laid_out(shapes, plans, roof_shape=forms, slope_deg=slopes)
    planes = pitched.planes
    assert pitched.found.all()
    # The planes are simple, do not overlap, and fill the outline as far as its walls are straight.
    made = polygons_of(
        outlines_of_planes(planes, outlines), np.arange(planes.count), planes.east, planes.north
    )
    assert shapely.is_valid(made).all()
    assert planes.area_ft2.min() > 0
    twice = walls.north0 * walls.east1 - walls.east0 * walls.north1
    inside = np.bincount(walls.section, weights=twice, minlength=len(plans)) / 2
    assert_allclose(np.bincount(planes.section, weights=planes.area_ft2), inside, rtol=1e-6)
    cosine = np.cos(np.radians(np.array(slopes)))[planes.section]
    assert_allclose(planes.true_area_ft2 * cosine, planes.area_ft2, rtol=1e-9)
    # Depth is distance from the eave, height is depth times rise.
    _keeps_to_planes(shapes, pitched, walls)
    assert planes.height_ft.min() > -0.01

    # Both planes beside a line hold it.
    middle = shapely.line_interpolate_point(_strings(pitched.lines), 0.5, normalized=True)
    for beside in (pitched.lines.plane_left, pitched.lines.plane_right):
        assert shapely.distance(shapely.boundary(made[beside]), middle).max(initial=0) < 0.05

    # Members lie in their planes and run straight down.
    laid = rafters(plane_frames(pitched, outlines, np.full(len(plans), 2.0)))
    ends = np.stack(laid.ends_ft(), axis=1)
    runs = shapely.linestrings(ends.reshape(-1, 2, 2))
    length = shapely.length(runs)
    covered = shapely.length(shapely.intersection(runs, shapely.buffer(made[laid.plane], 1e-6)))
    assert_allclose(covered, length, atol=1e-5)
    toward = np.degrees(np.arctan2(*(ends[:, 2:] - ends[:, :2]).T))
    off = (toward - planes.downslope_deg[laid.plane] + 180) % 360 - 180
    assert np.abs(off[length > 0.1]).max(initial=0) < 1e-6


def test_an_inch_between_square_walls_is_a_hip_in_a_mirror_too(shapes: ModuleType) -> None:
    """It was a ridge or a hip by the last bit of a direction: half an inch of it lies at either end."""
    outer = [(236.683, 20.9037), (293.3647, 2.4562), (285.4209, -21.9519), (228.7392, -3.5044)]
    yard = [(264.3897, -4.2443), (266.7728, 3.0781), (244.1001, 10.4571), (241.717, 3.1347)]
    plan = shapely.Polygon(outer, [yard])
    turned = [shapes.turned(plan, azimuth) for azimuth in range(0, 360, 15)]
    plans = [
        shapely.transform(shape, lambda xy, way=way: xy * (way, 1)) for shape in turned for way in (1, -1)
    ]
    made = framed(shapes, *plans).members
    counts = made.pivot_table("count", "section_id", "kind", aggfunc="sum")[["ridge", "hip", "valley"]]
    assert counts.drop_duplicates().to_numpy().tolist() == [[4, 8, 4]]
    assert len(counts) == 48


@given(long=st.integers(31, 90), azimuth=st.floats(0, 180))
@settings(max_examples=25, deadline=None)
def test_rafters_meet_the_ridge_of_a_gable_at_right_angles(
    shapes: ModuleType, long: int, azimuth: float
) -> None:
    outlines, _, pitched = _laid_out(shapes, [shapes.turned(shapes.rectangle(30, long), azimuth)])
    (east,), (north,) = pitched.lines.east1 - pitched.lines.east0, pitched.lines.north1 - pitched.lines.north0
    assert np.hypot(east, north) == pytest.approx(long, abs=0.001)
    laid = rafters(plane_frames(pitched, outlines, np.array([2.0])))
    ends = np.stack(laid.ends_ft(), axis=1)
    down = ends[:, 2:] - ends[:, :2]
    cosine = down @ np.array([east, north]) / (np.hypot(*down.T) * long)
    assert np.abs(cosine).max() < 1e-5
    assert laid.at_ridge.all()
