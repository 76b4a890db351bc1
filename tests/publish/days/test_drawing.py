"""Maps of a day and outlines to draw on: true to the ground, nothing on top of anything."""

from __future__ import annotations

import itertools
import re
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import LineString, Point, Polygon, box

from roofplat.ground import Ground
from roofplat.publish.days.drawing import Format, Page, path_data
from roofplat.publish.days.marks import place_numbers
from roofplat.publish.days.overview import SMALL_BADGE, Overview, draw_overview
from roofplat.publish.days.site import draw_site
from roofplat.publish.days.sketch import BADGE, Sketch, draw_sketch
from roofplat.ranking.days import DayPlan

from ..conftest import WORKING_CRS, feet, lonlat

GROUND = Ground(0.3048)
FORM = Format(500.0, 250.0, 400.0, 20.0, 500.0)
STEP = re.compile(r"([ML])(-?[\d.]+) (-?[\d.]+)")


def places(path: str) -> np.ndarray[Any, Any]:
    return np.array([(float(x), float(y)) for _, x, y in STEP.findall(path)])


def sketch(
    spots: list[tuple[float, float]],
    start: tuple[float, float] = (0.0, 0.0),
    streets: dict[str, Any] | None = None,
    side: float = 40.0,
) -> Sketch:
    """A map of square buildings at places in feet."""
    outlines = [feet(box(x, y, x + side, y + side)) for x, y in spots]
    stops = gpd.GeoDataFrame(
        {"building_id": [f"b{n}" for n in range(len(spots))], "seq": range(1, len(spots) + 1)},
        geometry=outlines,
        crs=WORKING_CRS,
    )
    named = streets or {}
    lines = gpd.GeoDataFrame(
        {"name": pd.Series(list(named), dtype="str")},
        geometry=[feet(line) for line in named.values()],
        crs=WORKING_CRS,
    )
    return draw_sketch(
        stops,
        buildings=stops,
        streets=lines if named else None,
        way=feet(LineString([start, *spots, start])),
        guessed_way=False,
        start=feet(Point(start)),
        ground=GROUND,
    )


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(-4000, 4000), st.integers(-4000, 4000)), min_size=1, max_size=14),
    st.tuples(st.integers(-3000, 3000), st.integers(-3000, 3000)),
)
def test_numbers_stand_apart_and_on_the_page(
    spots: list[tuple[float, float]], start: tuple[float, float]
) -> None:
    drawn = sketch(spots, start)
    assert [badge.number for badge in drawn.badges] == list(range(1, len(spots) + 1))
    for badge in drawn.badges:
        assert BADGE <= badge.x <= drawn.width - BADGE
        assert BADGE <= badge.y <= drawn.height - BADGE
        assert badge.aside == ((badge.x, badge.y) != (badge.at_x, badge.at_y))
    for one, other in itertools.combinations(drawn.badges, 2):
        assert np.hypot(one.x - other.x, one.y - other.y) > 1.9 * BADGE
    way = places(drawn.way)
    assert ((way >= -0.1) & (way <= (drawn.width + 0.1, drawn.height + 0.1))).all()


def test_a_number_stays_on_its_building_where_there_is_room() -> None:
    drawn = sketch([(0, 0), (1000, 700), (0, 1500)], start=(2000, 700))
    assert not any(badge.aside for badge in drawn.badges)
    crowd = sketch([(0, 0), (5, 0), (0, 5), (0, 1500)], start=(2000, 700))
    assert [badge.aside for badge in crowd.badges] == [False, True, True, False]


def test_the_bar_is_as_long_as_the_ground_and_north_is_up() -> None:
    # Two places due north of one another and some feet apart, after the ellipsoid.
    west = lonlat(0, 0)
    geod = Geod(ellps="WGS84")
    far_lon, far_lat, _ = geod.fwd(*west, 0.0, 2640 * 0.3048)
    points = gpd.GeoSeries([Point(west), Point(far_lon, far_lat)], crs="EPSG:4326").to_crs(WORKING_CRS)
    page = Page.around(list(points), WORKING_CRS, GROUND, FORM)
    low, high = page.point(points.iloc[0]), page.point(points.iloc[1])
    assert low[0] == pytest.approx(high[0], abs=0.02)
    assert low[1] > high[1]
    length, words = page.bar()
    number, unit = words.split()
    bar_ft = float(number) * (5280 if unit == "mi" else 1)
    assert length / (low[1] - high[1]) == pytest.approx(bar_ft / 2640, rel=1e-4)
    # On a mean elevation the same ground has more feet.
    raised = Page.around(list(points), WORKING_CRS, Ground(0.3048, 5280.0), FORM)
    assert raised.feet_per_unit / page.feet_per_unit == pytest.approx(1.0002526, abs=2e-6)


@pytest.mark.parametrize("span_ft", [300, 2000, 9000, 80_000, 900_000])
def test_the_bar_is_round_and_fits(span_ft: float) -> None:
    page = Page.around([feet(Point(0, 0)), feet(Point(span_ft, span_ft / 3))], WORKING_CRS, GROUND, FORM)
    length, words = page.bar()
    assert 0.08 * page.width < length <= 0.22 * page.width
    number, unit = words.split()
    assert float(number) * (5280 if unit == "mi" else 1) == pytest.approx(length * page.feet_per_unit)
    assert re.fullmatch(r"[125]0*|250*|0\.[125]|2\.5|0\.25", number)


def test_a_start_far_off_leaves_the_stops_their_map() -> None:
    near = sketch([(0, 0), (900, 500)], start=(2000, 0))
    far = sketch([(0, 0), (900, 500)], start=(90_000, 0))
    assert (near.start_is_far, far.start_is_far) == (False, True)
    apart = [
        np.hypot(s.badges[0].at_x - s.badges[1].at_x, s.badges[0].at_y - s.badges[1].at_y)
        for s in (near, far)
    ]
    assert apart[1] > 250
    # At the edge towards which it lies.
    assert far.start[0] > far.width - 60
    way = places(far.way)
    assert way[:, 0].max() <= far.width + 0.1


def test_streets_are_named_once_beside_the_way_and_off_the_numbers() -> None:
    long_name = "The street of a name that goes on and on and on"
    drawn = sketch(
        [(0, 20), (3000, 20)],
        start=(1500, 0),
        streets={
            "Alder Way": LineString([(-500, 0), (3500, 0)]),
            "Plover Street": LineString([(700, -900), (700, 900)]),
            long_name: LineString([(-500, 700), (3500, 690)]),
            "": LineString([(-500, -600), (3500, -600)]),
        },
    )
    named = {label.text: label for label in drawn.labels}
    assert set(named) == {"Alder Way", "Plover Street", long_name[:30] + "…"}
    # An upright street reads from the bottom.
    assert named["Plover Street"].turn_deg == pytest.approx(-90, abs=3)
    alder = named["Alder Way"]
    way_y = places(drawn.way)[0][1]
    assert 6 < abs(alder.y - way_y) < 12
    for badge in drawn.badges:
        wide = len(alder.text) * 2.5
        assert abs(badge.x - alder.x) > wide + BADGE or abs(badge.y - alder.y) > BADGE


def test_heads_stand_on_the_right_of_the_way() -> None:
    drawn = sketch([(3000, 0)], start=(0, 0))
    tips = [places(head)[0] for head in drawn.heads.split("Z") if head]
    tails = [places(head)[1:].mean(axis=0) for head in drawn.heads.split("Z") if head]
    line = places(drawn.way)[0][1]
    out = [tip for tip, tail in zip(tips, tails, strict=True) if tip[0] > tail[0] + 3]
    back = [tip for tip, tail in zip(tips, tails, strict=True) if tip[0] < tail[0] - 3]
    assert len(out) > 2
    assert len(back) > 2
    # Y runs down the page: the right of a way to the east lies below it.
    assert all(tip[1] > line for tip in out)
    assert all(tip[1] < line for tip in back)


def test_the_real_way_leads_from_the_start_past_every_stop(plan: DayPlan, tables: dict[str, Any]) -> None:
    route = plan.routes.iloc[0]
    own = plan.visits[plan.visits["inspector"] == route["inspector"]]
    shapes = tables["buildings"].set_index("building_id").geometry
    stops = gpd.GeoDataFrame(own, geometry=shapes[own["building_id"]].to_numpy(), crs=WORKING_CRS)
    start = tables["stations"].geometry.iloc[0]
    drawn = draw_sketch(
        stops,
        buildings=tables["buildings"],
        streets=tables["streets"],
        way=route.geometry,
        guessed_way=False,
        start=start,
        ground=GROUND,
    )
    way = LineString(places(drawn.way))
    outlines = [Polygon(places(ring)) for ring in re.split("(?=M)", drawn.visited) if len(places(ring)) > 3]
    # A part of a building may stand behind another; to one part of each the way leads.
    assert sum(way.distance(outline) < 1 for outline in outlines) >= len(own)
    assert way.distance(Point(*drawn.start)) < 40


def test_an_outline_has_its_letters_outside_and_its_things_inside(tables: dict[str, Any]) -> None:
    outline = tables["buildings"].set_index("building_id").geometry["1001"]
    site = draw_site("1001", outline, tables, GROUND)
    shape = Polygon(places(site.outline))
    assert [side.text for side in site.sides] == ["A", "B", "C", "D"]
    a, b, c, d = ((side.x, side.y) for side in site.sides)
    for letter in site.sides:
        assert 5 < shape.distance(Point(letter.x, letter.y)) < 13
    # Side A of the shed looks south; the letters go round clockwise.
    assert a[1] > c[1]
    assert d[0] > b[0] or b[0] > d[0]
    assert shape.buffer(0.2).contains(LineString(places(site.things)))
    assert site.guessed == ""
    # The shed is 160 by 96 ft.
    west, north, east, south = shape.bounds
    assert (east - west) / (south - north) == pytest.approx(160 / 96, rel=0.01)
    number, unit = site.bar_words.split()
    assert unit == "ft"
    assert site.bar / (east - west) == pytest.approx(float(number) / 160, rel=0.01)


def test_lines_between_sections_and_guessed_things_are_drawn_apart(tables: dict[str, Any]) -> None:
    outline = feet(box(0, 0, 160, 96))
    sections = gpd.GeoDataFrame(
        {"building_id": ["1001", "1001"], "section_id": ["1001/1", "1001/2"]},
        geometry=[feet(box(0, 0, 100, 96)), feet(box(100, 0, 160, 96))],
        crs=WORKING_CRS,
    )
    obstacles = tables["obstacles"].assign(basis="inferred")
    site = draw_site("1001", outline, {**tables, "sections": sections, "obstacles": obstacles}, GROUND)
    line = places(site.sections)
    west, east = places(site.outline)[:, 0].min(), places(site.outline)[:, 0].max()
    assert np.allclose(line[:, 0], west + (east - west) * 100 / 160, atol=0.6)
    assert site.things == ""
    assert site.guessed
    bare = draw_site("1001", outline, {"buildings": tables["buildings"]}, GROUND)
    assert (bare.sides, bare.things, bare.guessed, bare.wires, bare.streets) == ((), "", "", "", "")


def test_a_line_overhead_is_drawn_as_one_whatever_its_basis(tables: dict[str, Any]) -> None:
    outline = feet(box(0, 60, 160, 126))
    site = draw_site("1001", outline, tables, GROUND)
    # The line runs 4 ft north of the outline, from edge to edge of the drawing.
    wire, north = places(site.wires), places(site.outline)[:, 1].min()
    assert wire[:, 0].min() == pytest.approx(0, abs=0.2)
    assert wire[:, 0].max() == pytest.approx(site.width, abs=0.2)
    assert (wire[:, 1] < north).all()


def test_path_data_skips_what_is_empty() -> None:
    assert path_data([]) == ""
    assert path_data([LineString(), Point(1, 1)]) == ""
    assert path_data([box(0, 0, 2, 1)]) == "M2 0L2 1L0 1L0 0L2 0"


def overview(count: int, start: tuple[float, float] = (0, 0), crs: Any = WORKING_CRS) -> Overview:
    """A plan of some days over a field of sheds, with one shed in three left out."""
    rows = [(x, y) for x in range(0, 3000, 150) for y in range(0, 2250, 150)]
    sheds = gpd.GeoDataFrame(
        {"building_id": [f"b{n}" for n in range(len(rows))], "number": [n % 5 + 1 for n in range(len(rows))]},
        geometry=[feet(box(x, y, x + 60, y + 40)) for x, y in rows],
        crs=WORKING_CRS,
    ).to_crs(crs)
    return draw_overview(
        sheds.iloc[:count],
        sheds.iloc[count::3],
        buildings=sheds,
        streets=None,
        start=gpd.GeoSeries([feet(Point(start))], crs=WORKING_CRS).to_crs(crs).iloc[0],
        ground=GROUND,
    )


def test_the_map_of_a_plan_has_the_days_and_what_is_left_out() -> None:
    drawn = overview(60)
    assert [badge.number for badge in drawn.badges] == [n % 5 + 1 for n in range(60)]
    for one, other in itertools.combinations(drawn.badges, 2):
        assert np.hypot(one.x - other.x, one.y - other.y) > 1.9 * SMALL_BADGE
    assert drawn.dots == ""
    # What lies beyond the map of the visits is not drawn.
    assert 0 < drawn.left.count("M") < 80
    assert drawn.visited.count("M") == 60


def test_too_many_numbers_become_dots() -> None:
    drawn = overview(200)
    assert drawn.badges == ()
    assert drawn.dots.count("M") == 200


@pytest.mark.parametrize("crs", ["EPSG:2257", "EPSG:3857", "EPSG:5070"])
def test_the_map_is_the_same_in_any_working_crs(crs: str) -> None:
    """State plane in US survey feet, a Mercator map that is too large, an equal-area map that is turned."""
    here, there = overview(40), overview(40, crs=crs)
    assert there.height == pytest.approx(here.height, abs=0.5)
    assert there.bar == pytest.approx(here.bar, rel=0.002)
    assert there.bar_words == here.bar_words
    for one, other in zip(here.badges, there.badges, strict=True):
        assert (one.at_x, one.at_y) == pytest.approx((other.at_x, other.at_y), abs=0.6)


def test_numbers_with_no_room_at_all_stay_on_their_places() -> None:
    page = Page.around([feet(box(0, 0, 1000, 500))], WORKING_CRS, GROUND, FORM)
    places = np.array([[100.0, 100.0], [page.width - 5.0, 100.0]])
    badges = place_numbers(places, [1, 2], [box(-999, -999, 9999, 9999)], page, 9.0)
    assert [(badge.x, badge.y) for badge in badges] == [tuple(place) for place in places]
    free = place_numbers(places, [1, 2], [], page, 9.0)
    assert [badge.aside for badge in free] == [False, True]
    assert free[1].x <= page.width - 9


def test_a_letter_stands_outside_even_where_its_wall_runs_on_inside() -> None:
    # An L of two sections: the north wall of the lower one is half inside the building.
    low, high = box(0, 0, 200, 80), box(0, 80, 100, 160)
    wall = {"building_id": "7", "side": "C", "outward_deg": 0.0}
    walls = gpd.GeoDataFrame(
        [
            {**wall, "section_id": "7/1", "wall": 1, "length_ft": 200.0},
            {**wall, "section_id": "7/2", "wall": 1, "length_ft": 100.0},
        ],
        geometry=[feet(LineString([(0, 80), (200, 80)])), feet(LineString([(0, 160), (100, 160)]))],
        crs=WORKING_CRS,
    )
    outline = feet(low.union(high))
    alone = gpd.GeoDataFrame({"building_id": ["7"]}, geometry=[outline], crs=WORKING_CRS)
    site = draw_site("7", outline, {"buildings": alone, "walls": walls}, GROUND)
    (letter,) = site.sides
    shape = Polygon(places(site.outline))
    assert 5 < shape.distance(Point(letter.x, letter.y)) < 13
