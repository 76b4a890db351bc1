"""What stands or lies before a wall: drawn parapets as stretches of it, yards, what a ladder comes near.

In: roofs of 100 by 50 ft; walls run clockwise, so that the south wall starts at its east end.
Out: stretches, yards and answers worked out by hand.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.placing.approach import (
    Approach,
    Nearby,
    Parapets,
    _closed_yards,
    _roof_edges,
    enclosed_ground,
    parapets_at,
    read_approach,
    too_near,
)
from roofplat.placing.scene import read_things

EAST, WEST, FAR = (100.0, 0.0), (0.0, 0.0), (400.0, 300.0)


def _approach(shapes: ModuleType, roof: Any, *rows: Any, height_ft: float | None = None) -> Approach:
    """What stands before the walls of one roof; `height_ft` of all obstacles, where it is given."""
    roofs, framing = shapes.roofs(roof), shapes.framed(roof)
    obstacles = shapes.obstacles(*rows)
    if height_ft is not None:
        obstacles["height_ft"] = height_ft
    return read_approach(
        framing,
        roofs,
        obstacles,
        read_things(obstacles, pd.Index(roofs["building_id"])),
        shapes.RULES,
        planned=np.array([True]),
        streets=None,
        ground=None,
        buildings=shapely.STRtree(roofs.geometry.to_numpy()),
    )


def _stretches(shapes: ModuleType, *points: tuple[float, float], roof: Any = None) -> dict[float, Any]:
    """Outward direction of each wall with a parapet to the stretch it stands on, of a line that is drawn."""
    roof = shapes.rectangle(100, 50) if roof is None else roof
    drawn = _approach(shapes, roof, ("parapet", "B000", shapely.LineString(points), 3.0)).drawn
    outward = np.round(shapes.walls(roof).outward_deg) % 360.0
    assert drawn.height_ft.tolist() == [3.0] * drawn.wall.size
    return {
        float(outward[wall]): (round(low, 2), round(high, 2))
        for wall, low, high in zip(drawn.wall, drawn.low_ft, drawn.high_ft, strict=True)
    }


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize(
    ("points", "stretches"),
    [
        # Along the south wall, in reach and just out of it.
        ([(10, 1), (60, 1)], {180.0: (40.0, 90.0)}),
        ([(10, 4.9), (60, 4.9)], {180.0: (40.0, 90.0)}),
        ([(10, 5.1), (60, 5.1)], {}),
        # It is 5 ft from the wall half way: one leaves it, one crosses the wall, one slants by half a foot.
        ([(10, 0), (60, 10)], {180.0: (65.0, 90.0)}),
        ([(10, -10), (60, 10)], {180.0: (52.5, 77.5)}),
        ([(10, 4.75), (60, 5.25)], {180.0: (65.0, 90.0)}),
        # It leads away from the wall rather than along it.
        ([(10, 0), (14, 5)], {}),
        # It reaches beyond one end, beyond both, and begins where the wall ends.
        ([(60, 1), (140, 1)], {180.0: (0.0, 40.0)}),
        ([(-30, 1), (140, 1)], {180.0: (0.0, 100.0)}),
        ([(100, 0), (150, 0)], {}),
    ],
)
def test_a_line_stands_on_the_stretch_of_the_wall_that_it_runs_along(
    shapes: ModuleType, points: list[tuple[float, float]], stretches: dict[float, Any], back: bool
) -> None:
    assert _stretches(shapes, *(points[::-1] if back else points)) == stretches


def test_a_line_around_a_corner_stands_on_both_walls(shapes: ModuleType) -> None:
    assert _stretches(shapes, (50, 1), (1, 1), (1, 30)) == {180.0: (50.0, 99.0), 270.0: (1.0, 30.0)}


def test_a_parapet_around_a_courtyard_is_none_of_an_outer_wall(shapes: ModuleType) -> None:
    """The court begins 30 ft in: a line along its edge stands on no wall that takes a ladder."""
    assert _stretches(shapes, (35, 30), (80, 30), roof=shapes.courtyard()) == {}


def test_only_a_parapet_with_a_height_is_a_parapet(shapes: ModuleType) -> None:
    line = shapely.LineString([(10, 1), (60, 1)])
    roof = shapes.rectangle(100, 50)
    assert _approach(shapes, roof, ("unit", "B000", line), height_ft=3.0).drawn.wall.size == 0
    assert _approach(shapes, roof, ("parapet", "B000", line)).drawn.wall.size == 0
    assert _approach(shapes, roof, ("parapet", "B000", line), height_ft=3.0).drawn.wall.size == 1


def test_of_drawn_parapets_the_highest_counts_from_end_to_end(shapes: ModuleType) -> None:
    """3 ft from 40 to 90 ft along the wall, 2 ft from 80 to 100; nothing before."""
    roof = shapes.rectangle(100, 50)
    lines = [shapely.LineString([(low, 1), (high, 1)]) for low, high in ((10, 60), (0, 20))]
    approach = _approach(shapes, roof, ("parapet", "B000", lines[0], 3.0), ("parapet", "B000", lines[1], 2.0))
    south = int(np.flatnonzero(np.round(shapes.walls(roof).outward_deg) == 180.0)[0])
    along = np.array([0.0, 39.5, 40.0, 60.0, 85.0, 90.0, 90.5, 100.0])
    parapet, drawn = parapets_at(approach, np.full(along.size, south), along)
    assert parapet.tolist() == [0.0, 0.0, 3.0, 3.0, 3.0, 3.0, 2.0, 2.0]
    assert drawn.tolist() == [False, False] + [True] * 6


def test_parapets_of_a_run_of_walls_are_counted_from_its_first() -> None:
    some = Parapets(np.array([1, 4, 4, 6]), *[np.arange(4.0) + at for at in (0.0, 10.0, 20.0)])
    run = some.rows(slice(4, 6))
    assert run.wall.tolist() == [0, 0]
    assert run.low_ft.tolist() == [1.0, 2.0]


def test_each_piece_is_held_against_the_shapes_near_its_own_section(shapes: ModuleType) -> None:
    """A wire 10 ft east of the second roof, to be kept off by 10 ft; pieces of two roofs, 300 ft apart."""
    boxes = [shapes.rectangle(100, 50), shapes.rectangle(100, 50, west=400)]
    frames = shapes.frames(*boxes)
    wire = shapes.in_crs([shapely.LineString([(510, -100), (510, 200)])])
    nearby = Nearby(np.array([1]), wire, np.array([10.0]) * 0.3048)
    # Feet on the plane of each section, whose centre is 50 ft from its east wall.
    east = np.array([49.0, 49.0, 51.0, 51.0, 72.0, 60.0])
    section = np.array([0, 1, 1, 0, 1, 1])
    found = too_near(frames, section, east, np.zeros(6), east + 0.5, np.full(6, 5.0), nearby)
    assert found.tolist() == [False, False, True, False, False, True]


def _yards(shapes: ModuleType, planned: list[Any], others: list[Any]) -> tuple[int, list[bool]]:
    outlines = shapes.in_crs([*planned, *others])
    meets = np.array([any(one is not two and one.touches(two) for two in planned) for one in planned])
    yards, bordering = _closed_yards(meets, shapely.STRtree(outlines))
    return (0 if yards is None else yards.geometries.size), bordering.tolist()


def test_a_yard_is_closed_by_buildings_that_touch_whoever_is_planned(shapes: ModuleType) -> None:
    """Four wings around 40 by 40 ft, and a fifth house that stands apart."""
    box = shapely.box
    wings = [box(0, 0, 60, 10), box(0, 50, 60, 60), box(0, 10, 10, 50), box(50, 10, 60, 50)]
    apart = box(200, 0, 260, 60)
    assert _yards(shapes, [*wings, apart], []) == (1, [True] * 4 + [False])
    assert _yards(shapes, [*wings[:3], apart], [wings[3]]) == (1, [True] * 3 + [False])
    assert _yards(shapes, [*wings[:3], apart], []) == (0, [False] * 4)
    # The court of a building is no yard among others, though its outline is there twice.
    court = shapes.courtyard()
    assert _yards(shapes, [court], [court]) == (0, [False])


def test_the_ground_inside_each_of_several_rings_is_found() -> None:
    """A ring with one hole, far from it one with two."""
    one = shapely.box(0, 0, 30, 30) - shapely.box(10, 10, 20, 20)
    two = shapely.box(100, 0, 160, 30) - shapely.box(110, 10, 120, 20) - shapely.box(140, 10, 150, 20)
    found = enclosed_ground(np.array([one, two], dtype=object))
    assert sorted(shapely.bounds(found)[:, 0].tolist()) == [10.0, 110.0, 140.0]
    assert shapely.area(found).tolist() == [100.0] * 3


@pytest.mark.parametrize("downslope_deg", [0.0, 90.0, 180.0, 270.0])
def test_the_sides_of_a_monopitch_slant_and_its_two_level_edges_do_not(
    shapes: ModuleType, downslope_deg: float
) -> None:
    framing = shapes.framed(
        shapes.rectangle(100, 50),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["monopitch"],
        slope_deg=[20.0],
        downslope_deg=[downslope_deg],
    )
    above, slanted = _roof_edges(framing, shapes.RULES)
    outward = np.round(framing.wall_runs.outward_deg) % 360.0
    assert set(outward[~slanted].tolist()) == {downslope_deg, (downslope_deg + 180.0) % 360.0}
    depth = 50.0 if downslope_deg in (0.0, 180.0) else 100.0
    high = dict(zip(outward.tolist(), above.tolist(), strict=True))
    assert high[downslope_deg] == pytest.approx(0.0, abs=1e-6)
    # The other three rise to the high edge.
    assert sorted(high.values())[1:] == pytest.approx([depth * np.tan(np.radians(20.0))] * 3, abs=0.01)
