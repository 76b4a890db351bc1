"""Openings under ridges: houses of 30 by 42 ft at 6:12, with numbers done by hand.

In: a gable, a hip, a roof of one plane; the wind and the fire spot.
Out: where the bays lie, in true feet, on which plane, and which one comes first.
"""

from __future__ import annotations

import math
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shapely

from roofplat.framing.ragged import take
from roofplat.placing.scene import Boxes, boxes_of
from roofplat.placing.slopes import SlopeBays, lay_out_slopes, slope_bays, slope_strips, under_tips
from roofplat.rules import load_rulebook
from roofplat.tables import METHODS

RULES = load_rulebook()
# No ladder stands already.
NOWHERE = np.array([np.nan])
SLOPE_DEG = math.degrees(math.atan(0.5))
# On a slope of 6:12 two feet on the plan are the root of five on the roof.
STRETCH = math.sqrt(1.25)
# Rafters at 2 ft stand at odd feet from -19 to 19, every third one borders a bay, and one bay lies under
# the middle: -9, -3, 3, 9 and 15.
HOUSE = shapely.box(-21, -15, 21, 15)
NO_BOXES = Boxes(np.empty(0, dtype=np.int64), *(np.empty(0) for _ in range(4)))


@cache
def _framed(shapes: ModuleType, outline: bytes, **facts: Any) -> Any:
    """Framed once for all tests of the same house: nothing changes it."""
    return shapes.framed(shapely.from_wkb(outline), **{name: [value] for name, value in facts.items()})


def laid_out(
    shapes: ModuleType,
    outline: Any = HOUSE,
    *,
    fire: tuple[float, float] = (0.0, 0.0),
    wind: float = 0.0,
    things: list[Any] | None = None,
    street: Any = None,
    **facts: Any,
) -> tuple[Any, SlopeBays]:
    """The framing of one house with rafters at 2 ft, and its bays."""
    known = {
        "roof_family": ["sawn_rafter_pitched"],
        "rafter_spacing_ft": [2.0],
        "slope_deg": [SLOPE_DEG],
        **facts,
    }
    if street is None:
        framing = _framed(shapes, outline.wkb, **{name: value[0] for name, value in known.items()})
    else:
        framing = shapes.framed(outline, streets=shapes.streets(street), **known)
    planes = framing.pitched.planes
    slopes = lay_out_slopes(framing.pitched, framing.frames.outlines, framing.spacings, RULES)
    boxes = NO_BOXES
    if things:
        every = np.repeat(np.arange(planes.count), len(things))
        geometry = np.tile(shapes.in_crs(things), planes.count)
        boxes = boxes_of(slopes, geometry, every, point_radius_ft=3.0)
    at = shapes.in_crs([shapely.Point(fire)])[0]
    east, north = framing.frames.outlines.planes.feet(
        np.array([at.x]), np.array([at.y]), np.zeros(1, dtype=int)
    )
    found = slope_bays(
        framing.frames,
        slopes,
        planes.section,
        planes.downslope_deg,
        boxes,
        RULES,
        wanted=np.array([True]),
        side_clear_ft=framing.spacings.side_clear_ft,
        wind_from_deg=np.array([wind]),
        fire_east=east,
        fire_north=north,
        foothold_east=NOWHERE,
        foothold_north=NOWHERE,
    )
    return framing, found


def first_opening(found: SlopeBays) -> tuple[float, float, float, float]:
    """West, south, east and north end of the first opening, as seen from above, and its plane."""
    bay = found.first
    u_low, u_high, v_low, v_high = found.bays.rectangle(bay)
    plane = found.bays.section[bay]
    corners = [found.frames.east_north(u, v, plane) for u in (u_low, u_high) for v in (v_low, v_high)]
    east, north = np.array(corners)[:, :, 0].T
    return east.min(), north.min(), east.max(), north.max()


def way_down(framing: Any, found: SlopeBays) -> float:
    return float(framing.pitched.planes.downslope_deg[found.bays.section[found.first[0]]])


def test_a_gable_is_opened_under_the_ridge_on_the_lee(shapes: ModuleType) -> None:
    """The bay from 3 to 9 holds the fire spot.
    Cuts run one foot inside; from 1 ft below the ridge to 5 ft, along the slope."""
    framing, found = laid_out(shapes, fire=(6.0, -2.0), wind=0.0)
    assert way_down(framing, found) == pytest.approx(180.0, abs=1e-6)
    wanted = (4.0, -5.0 / STRETCH, 8.0, -1.0 / STRETCH)
    assert first_opening(found) == pytest.approx(wanted, abs=1e-4)


def test_true_feet_decide_which_bay_is_nearest(shapes: ModuleType) -> None:
    """Bays lie one below the other, their middles at 3 and 9 ft along the slope, 5.37 ft on the plan
    halfway. The third would begin 13 ft down, and the reach is 12."""
    _, upper = laid_out(shapes, fire=(6.0, -6.0 / STRETCH + 0.1))
    _, lower = laid_out(shapes, fire=(6.0, -6.0 / STRETCH - 0.1))
    _, eave = laid_out(shapes, fire=(6.0, -14.0))
    tops = [-first_opening(found)[3] * STRETCH for found in (upper, lower, eave)]
    assert tops == pytest.approx([1.0, 7.0, 7.0], abs=1e-4)
    begins = (
        upper.bays.u_low[upper.bays.clear] + 1.0 - upper.frames.u_low[upper.bays.section[upper.bays.clear]]
    )
    assert set(np.round(begins, 4)) == {1.0, 7.0}


@pytest.mark.parametrize(
    ("wind", "fire_north", "down"),
    [
        # Straight across, from either side: the lee, wherever the fire is.
        (0.0, 5.0, 180.0),
        (180.0, -5.0, 0.0),
        # Along the ridge both sides count, and the fire decides.
        (90.0, 5.0, 0.0),
        (90.0, -5.0, 180.0),
        # Within ten degrees of along it, too.
        (80.5, 5.0, 0.0),
        (79.5, 5.0, 180.0),
        # The fire under the ridge: the more leeward side.
        (85.0, 0.0, 180.0),
        (95.0, 0.0, 0.0),
    ],
)
def test_the_lee_side_is_opened(shapes: ModuleType, wind: float, fire_north: float, down: float) -> None:
    framing, found = laid_out(shapes, fire=(6.0, fire_north), wind=wind)
    assert (way_down(framing, found) - down + 180.0) % 360.0 == pytest.approx(180.0, abs=1e-6)


@pytest.mark.parametrize("wind", [90.0, 270.0])
@pytest.mark.parametrize("street", [-60.0, 60.0])
def test_between_equal_sides_the_one_toward_the_street_wins(
    shapes: ModuleType, wind: float, street: float
) -> None:
    """The lower number of a plane won, which goes by north: of two houses that faced each other across a
    street, one was opened behind."""
    line = shapely.LineString([(-200.0, street), (200.0, street)])
    _, found = laid_out(shapes, fire=(6.0, 0.0), wind=wind, street=line)
    _, south, _, north = first_opening(found)
    assert np.sign([south, north]).tolist() == [np.sign(street)] * 2


def test_a_hip_is_opened_below_its_top_where_it_is_wide_enough(shapes: ModuleType) -> None:
    """The east plane is a triangle from (6, 0) down to the wall at 21; rafters at odd feet from -13 on.
    Under its tip, from -3 to 3, the second bay, from 6 to 12 ft down, is the first that fits."""
    framing, found = laid_out(shapes, fire=(13.0, 2.0), wind=270.0, roof_shape=["hipped"])
    assert way_down(framing, found) == pytest.approx(90.0, abs=1e-6)
    assert first_opening(found) == pytest.approx((6 + 7 / STRETCH, -2.0, 6 + 11 / STRETCH, 2.0), abs=1e-4)
    plane = found.bays.section[found.first[0]]
    assert (found.bays.clear & (found.bays.section == plane)).sum() == 1


@pytest.mark.parametrize(("wind", "down"), [(0.0, 180.0), (180.0, 0.0)])
def test_a_short_ridge_is_opened_right_under_it(shapes: ModuleType, wind: float, down: float) -> None:
    """A hip of 29 by 40 ft has a ridge of 11 ft, from -5.5 to 5.5; a bay from 0 to 6 would reach past it.
    The middle is a rafter, so the nearest bays to it lie from -2 to 4 and from -4 to 2: either is right.
    It is the only bay of its plane that begins right under the ridge; its opening 1 ft below."""
    outline = shapely.box(-20, -14.5, 20, 14.5)
    framing, found = laid_out(shapes, outline, fire=(0.5, 0.0), wind=wind, roof_shape=["hipped"])
    assert way_down(framing, found) == pytest.approx(down, abs=1e-6)
    bays, first = found.bays, found.first[0]
    begins = bays.u_low - found.frames.u_low[bays.section]
    right_under = np.flatnonzero(bays.clear & (bays.section == bays.section[first]) & (begins < 1.0))
    assert right_under.tolist() == [first]
    west, south, east, north = first_opening(found)
    assert [round(west, 4), round(east, 4)] in ([-1.0, 3.0], [-3.0, 1.0])
    assert min(abs(south), abs(north)) * STRETCH == pytest.approx(1.0, abs=1e-4)


def test_a_bay_at_the_end_of_a_plane_is_none(shapes: ModuleType) -> None:
    """From the rake at -21 to the member at -15 it is as long as a bay, but no member borders it."""
    _, found = laid_out(shapes, fire=(-20.0, -2.0))
    west, _, east, _ = first_opening(found)
    assert (west, east) == pytest.approx((-14.0, -10.0), abs=1e-4)


def test_a_turned_house_has_its_bays_in_the_same_places(shapes: ModuleType) -> None:
    """40 ft long, with a member in the middle of the ridge: a bay lies as near on either side of it."""
    outline = shapely.box(-20, -15, 20, 15)
    places = []
    for turn in (0.0, 13.0, 31.0, 144.0):
        _, found = laid_out(shapes, shapes.turned(outline, turn), wind=turn)
        plane = found.frames
        lower = plane.beams.first - (plane.v_low + plane.v_high) / 2
        places.append(tuple(np.round(lower, 4).tolist()))
    assert len(set(places)) == 1


def test_a_ridge_a_little_out_of_level_has_its_middle_all_the_same(shapes: ModuleType) -> None:
    """The north wall is out by 0.04 ft at one end: a bay still lies under the middle, not one end."""
    outline = shapely.Polygon([(-21, -15), (21, -15), (21, 15.04), (-21, 15)])
    _, found = laid_out(shapes, outline, fire=(0.0, -2.0))
    west, _, east, _ = first_opening(found)
    assert (west, east) == pytest.approx((-2.0, 2.0), abs=0.05)


@pytest.mark.parametrize(("wind", "opened"), [(0.0, True), (90.0, True), (101.0, False), (180.0, False)])
def test_one_plane_is_opened_only_in_the_lee(shapes: ModuleType, wind: float, opened: bool) -> None:
    outline = shapely.box(-21, -12, 21, 12)
    facts: dict[str, Any] = {"roof_shape": ["monopitch"], "downslope_deg": [180.0], "wind": wind}
    _, found = laid_out(shapes, outline, **facts)
    assert (found.first >= 0).tolist() == [opened]
    if opened:
        # The top is the wall in the north.
        assert first_opening(found)[3] == pytest.approx(12.0 - 7.0 / STRETCH, abs=1e-4)


def test_what_stands_there_moves_the_opening_by_true_feet(shapes: ModuleType) -> None:
    """The opening from 4 to 8 keeps 3 ft: a thing that begins at 10.9 is in its way, one at 11.1 not."""
    _, near = laid_out(shapes, fire=(6.0, -2.0), things=[shapely.box(10.9, -6, 12, -1)])
    _, far = laid_out(shapes, fire=(6.0, -2.0), things=[shapely.box(11.1, -6, 12, -1)])
    assert first_opening(far)[0] == pytest.approx(4.0, abs=1e-4)
    # The bay below it and the one beside it are equally far away but for the fire spot.
    assert first_opening(near)[0] != pytest.approx(4.0, abs=1e-4) or first_opening(near)[3] < -5.0
    # Down the slope: from 5 ft on, 3 ft are 2.68 on the plan.
    _, below = laid_out(shapes, fire=(6.0, -2.0), things=[shapely.box(4, -12, 8, -8.05 / STRETCH)])
    assert first_opening(below)[3] == pytest.approx(-1.0 / STRETCH, abs=1e-4)
    _, too_near = laid_out(shapes, fire=(6.0, -2.0), things=[shapely.box(4, -12, 8, -7.95 / STRETCH)])
    assert first_opening(too_near) != pytest.approx(first_opening(below), abs=1e-4)


@pytest.mark.parametrize(
    ("spacing", "cut_ft", "side_ft"),
    [
        # Three spaces of 16 in are just under 4 ft, and two of 24 in are 4.
        (1.33, 3.99, 0.665),
        (2.0, 4.0, 1.0),
        # Midway between two, at least half a foot from each; a single space of 36 in.
        (1.0, 4.0, 0.5),
        (3.0, 3.0, 1.5),
    ],
)
def test_openings_are_whole_spaces_long(
    shapes: ModuleType, spacing: float, cut_ft: float, side_ft: float
) -> None:
    _, found = laid_out(shapes, fire=(6.0, -2.0), rafter_spacing_ft=[spacing])
    west, _, east, _ = first_opening(found)
    assert east - west == pytest.approx(cut_ft, abs=1e-4)
    assert found.bays.side_clear_ft[found.bays.section[found.first[0]]] == pytest.approx(side_ft)


def test_bays_under_a_ladder_are_left_to_its_way(shapes: ModuleType) -> None:
    _, found = laid_out(shapes, fire=(6.0, -2.0))
    south = found.bays.section[found.first[0]]
    closed = under_tips(found, np.array([south, -1]), np.array([11.0, -8.0]), np.array([-15.0, 15.0]))
    gone = found.bays.clear & ~closed.bays.clear
    assert set(found.bays.section[gone]) == {south}
    assert set(np.round(found.bays.v_low[gone], 4)) == {9.0}
    assert found.bays.clear[found.first[0]]


def test_openings_follow_each_other_toward_the_ladder(shapes: ModuleType) -> None:
    """From the bay at 3 to 9 toward a foothold in the west: -3 to 3 and -9 to -3, in one row."""
    _, found = laid_out(shapes, fire=(6.0, -2.0))
    nowhere = np.array([np.nan])
    strips = slope_strips(
        found,
        found.first,
        RULES,
        method=np.array([METHODS.index("near_ridge")]),
        rafter_ft=np.array([2.0]),
        wanted_ft2=np.array([120.0]),
        footholds=((np.array([-18.0]), np.array([-12.0])), (nowhere, nowhere)),
    )
    assert strips.seq.tolist() == [1, 2, 3]
    assert strips.v_start.round(4).tolist() == [8.0, 2.0, -4.0]
    assert strips.v_finish.round(4).tolist() == [4.0, -2.0, -8.0]
    assert np.allclose(strips.u_base - strips.u_head, 4.0)
    # 33 square feet are wanted: two of 16 do not do.
    fewer = slope_strips(
        found,
        found.first,
        RULES,
        method=np.array([METHODS.index("near_ridge")]),
        rafter_ft=np.array([2.0]),
        wanted_ft2=np.array([32.0]),
        footholds=((np.array([-18.0]), np.array([-12.0])), (nowhere, nowhere)),
    )
    assert fewer.seq.tolist() == [1, 2]


def test_the_box_of_an_opening_on_a_turned_house_holds_it(shapes: ModuleType) -> None:
    """Seen from above, in the section's own coordinates."""
    framing, found = laid_out(shapes, shapes.turned(HOUSE, 31.0), fire=(2.0, -2.0), wind=31.0)
    box = found.box(framing.frames)
    size = sorted([float((box.u_high - box.u_low)[0]), float((box.v_high - box.v_low)[0])])
    # The bay, bordered by the members and by its own ends: 6 ft, and 6 along the slope.
    assert size == pytest.approx([6.0 / STRETCH, 6.0], abs=1e-3)
    assert take(box, np.array([0])).section.tolist() == [0]
