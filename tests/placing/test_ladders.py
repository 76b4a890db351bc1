"""Ladder spots: what reaches, what is in the way, and a second way off."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.errors import RuleError
from roofplat.framing.neighbours import Views
from roofplat.placing.approach import line_clearance_ft
from roofplat.placing.ladders import _seen, _share_of
from roofplat.placing.reach import ladder_stock, working_reach
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import conform

RULES = load_rulebook()


def _ladders(shapes: ModuleType, *boxes: Any, of: str = "B000", **choices: Any) -> pd.DataFrame:
    """Ladders of one building with `outward`, the direction their wall looks, by rank."""
    facts = {
        name: choices.pop(name)
        for name in [*choices]
        if name not in ("streets", "obstacles", "ground", "rules", "wind_from_deg")
    }
    framing, plan = shapes.planned(shapes.roofs(*boxes, **facts), **choices)
    walls = framing.walls[["section_id", "wall", "outward_deg", "kind"]]
    ladders = pd.DataFrame(plan.ladders).merge(walls, on=["section_id", "wall"])
    ladders["outward"] = ladders["outward_deg"].round() % 360
    return ladders[ladders["building_id"] == of].set_index("rank")


@pytest.mark.parametrize(
    ("edge_ft", "ladder_ft"),
    [
        (10.5, 14.0),
        (10.6, 16.0),
        (16.3, 20.0),
        (20.2, 24.0),
        (24.1, 28.0),
        (30.8, 35.0),
        (31.0, np.nan),
    ],
)
def test_the_shortest_ladder_that_ends_three_feet_above(edge_ft: float, ladder_ft: float) -> None:
    """Full length at 75.5 degrees: 14 ft ends at 13.56, less 3 is 10.56; 16 at 12.49; and so on."""
    reach = working_reach(np.array([edge_ft]), RULES)
    np.testing.assert_array_equal(reach.ladder_ft, [ladder_ft])
    assert reach.working_length_ft[0] == pytest.approx(edge_ft / np.sqrt(15 / 16))
    assert reach.base_setback_ft[0] == pytest.approx(reach.working_length_ft[0] / 4)


def test_the_clearance_table_includes_each_upper_value() -> None:
    volts = [0.0, 50.0, 50.1, 200.0, 200.1, 350.0, 500.0, 750.0, 1000.0, 1200.0, np.nan]
    feet = [10.0, 10.0, 15.0, 15.0, 20.0, 20.0, 25.0, 35.0, 45.0, 45.0, 10.0]
    assert line_clearance_ft(np.array(volts), RULES).tolist() == feet


def test_the_parapet_counts_to_the_climb(shapes: ModuleType) -> None:
    box = shapes.rectangle(100, 60)
    plain = _ladders(shapes, box, height_ft=[18.0]).loc[1]
    walled = _ladders(shapes, box, height_ft=[18.0], parapet_ft=[4.0]).loc[1]
    assert (plain["ladder_ft"], walled["ladder_ft"]) == (24.0, 28.0)
    assert walled["working_length_ft"] == pytest.approx(22.0 / np.sqrt(15 / 16))


def test_a_line_along_the_wall_keeps_ladders_off_it(shapes: ModuleType) -> None:
    """With the wind in the west the ladder leans there; a line 8 ft out closes that side."""
    box = shapes.rectangle(100, 60)
    assert _ladders(shapes, box).loc[1, "outward"] == 270.0
    line = shapely.LineString([(-8, -300), (-8, 300)])
    under = _ladders(shapes, box, obstacles=shapes.obstacles(("overhead_line", None, line, 12.0)))
    assert 270.0 not in set(under["outward"])
    assert len(under) == 2


def test_a_line_far_enough_out_changes_nothing(shapes: ModuleType) -> None:
    """The base stands 5.2 ft out; 10 ft of clearance end at 15.2."""
    box = shapes.rectangle(100, 60)
    for out, leans_west in ((15.1, False), (15.3, True)):
        line = shapely.LineString([(-out, -300), (-out, 300)])
        found = _ladders(shapes, box, obstacles=shapes.obstacles(("overhead_line", None, line, 12.0)))
        assert (270.0 in set(found["outward"])) == leans_west


@pytest.mark.parametrize(("alley_ft", "leans_west"), [(5.0, False), (7.0, False), (7.3, True), (30.0, True)])
def test_the_alley_must_take_base_and_clear_ground(
    shapes: ModuleType, alley_ft: float, leans_west: bool
) -> None:
    """Base 5.16 ft out and 2 ft behind it: 7.16 ft of alley."""
    neighbour = shapes.rectangle(60, 60, west=-60 - alley_ft)
    found = _ladders(shapes, shapes.rectangle(100, 60), neighbour)
    assert (found.loc[1, "outward"] == 270.0) == leans_west


def test_no_ladder_leans_on_a_party_wall(shapes: ModuleType) -> None:
    found = _ladders(shapes, shapes.rectangle(100, 60), shapes.rectangle(60, 60, west=-60))
    assert set(found["kind"]) == {"bearing"}
    assert 270.0 not in set(found["outward"])


def test_no_base_stands_in_an_overlapping_outline(shapes: ModuleType, laws: ModuleType) -> None:
    """A neighbour drawn 5 ft over the west wall, and 20 ft short of it in the north."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 60), shapes.rectangle(60, 40, west=-55)))
    bases = shapely.get_point(plan.ladders.geometry.to_numpy(), 0)
    roofs = shapely.union_all(plan.sections.geometry.to_numpy())
    assert not shapely.intersects(roofs, bases).any()


def test_the_second_way_off_is_on_another_side_and_apart(shapes: ModuleType) -> None:
    found = _ladders(shapes, shapes.rectangle(100, 60))
    assert found.loc[1, "side"] != found.loc[2, "side"]
    tips = shapely.get_point(found["geometry"].to_numpy(), 1)
    assert shapely.distance(*tips) / 0.3048 / 0.9996 >= 30.0 - 1e-6


def test_a_small_roof_has_no_second_way_off_and_says_so(shapes: ModuleType) -> None:
    """On 24 ft square the spots lie 6 ft off the corners: at most hypot(24, 12) = 26.8 ft apart."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(24, 24)))
    assert plan.ladders["rank"].tolist() == [1]
    assert "no_second_way_off" in plan.problems["code"].tolist()


def test_upwind_street_and_bearing_walls_are_reasons(shapes: ModuleType) -> None:
    street = shapes.streets(shapely.LineString([(-40, -500), (-40, 500)]))
    lead = _ladders(shapes, shapes.rectangle(100, 60), streets=street).loc[1]
    assert lead["side"] == "A"
    for words in ("bearing wall", "near a corner", "upwind side", "street side"):
        assert words in lead["reasons"].lower()
    assert "ladder.weight.upwind" in str(lead["rules"])


def test_ladders_prefer_the_walls_that_carry(shapes: ModuleType) -> None:
    street = shapes.streets(shapely.LineString([(-500, -40), (500, -40)]))
    found = _ladders(
        shapes, shapes.rectangle(100, 100), bearing_walls=["AC"], streets=street, wind_from_deg=225.0
    )
    assert found.loc[1, "kind"] == "bearing"
    assert found.loc[1, "side"] == "A"


# The stock.


def _book(**rules: Any) -> Rulebook:
    return load_rulebook({name.replace("__", "."): value for name, value in rules.items()})


@pytest.mark.parametrize(
    ("fire", "scores", "placed"),
    [
        # The opening lies about (150, 60), footholds 3 ft inside (194, 0) and (200, 94). Their ways to its
        # centre are 44 + 57 = 101 ft and 47 + 34 = 81 ft long, the longest, from (6, 0), 144 + 57 = 201 ft.
        ((140.0, 60.0), [0.9 + 0.2 * (1 - 101 / 201), 0.725 + 0.2 * (1 - 81 / 201)], None),
        # The opening lies about (30, 52): 24 + 49 = 73 ft of at most 164 + 49 = 213.
        ((30.0, 50.0), [0.9 + 0.2 * (1 - 73 / 213)], None),
        # One that stands 18 ft off the corner is half as near to it as one at 6 ft, and 32 + 57 ft away.
        ((140.0, 60.0), [0.9 - 0.15 / 2 + 0.2 * (1 - 89 / 201)], 182.0),
    ],
)
def test_a_score_by_hand(
    shapes: ModuleType, fire: tuple[float, float], scores: list[float], placed: float | None
) -> None:
    """200 by 100 ft, wind and street from the south: all wishes are met there but that for a short way.

    Weights, in order: bearing 0.25, corner 0.15, upwind 0.2, street 0.15, away from the fire 0.05, short way
    0.2, low parapet 0.1; they sum up to 1.1. A wall to the east meets half of the wish for wind and street.
    """
    assert RULES.table("ladder.weight") == {
        "bearing": 0.25,
        "corner": 0.15,
        "upwind": 0.2,
        "street": 0.15,
        "away_from_fire": 0.05,
        "short_path": 0.2,
        "low_parapet": 0.1,
    }
    standing = None if placed is None else shapes.fires(("B000", shapely.Point(placed, 0.0)))
    _, plan = shapes.planned(
        shapes.roofs(shapes.rectangle(200, 100)),
        streets=shapes.streets(shapely.LineString([(-500, -40), (500, -40)])),
        wind_from_deg=180.0,
        fires=shapes.fires(("B000", shapely.Point(fire))),
        placed_ladders=standing,
    )
    found = plan.ladders["score"].tolist()[: len(scores)]
    assert found == pytest.approx([score / 1.1 for score in scores], abs=1e-4)


def test_how_far_a_spot_is_from_the_fire_as_a_share() -> None:
    u, v = np.array([0.0, 9.0, 30.0, 0.0, 24.0]), np.array([0.0, 12.0, 0.0, -40.0, 32.0])
    assert _share_of(u, v, 30.0).tolist() == [0.0, 0.5, 1.0, 1.0, 1.0]


def test_a_unit_at_the_best_foothold_moves_the_ladder(shapes: ModuleType) -> None:
    """The foothold is 3 ft inside the wall; a unit keeps a foot off it."""
    box = shapes.rectangle(200, 100)
    for away, moved in ((0.9, True), (1.1, False)):
        unit = shapely.box(193.9, 3.0 + away, 194.1, 5.0)
        found = [
            shapes.in_feet(
                _ladders(shapes, box, wind_from_deg=180.0, obstacles=shapes.obstacles(*rows))["geometry"]
            )[0]
            for rows in ((("unit", "B000", shapely.box(90, 90, 91, 91)),), (("unit", "B000", unit),))
        ]
        assert (found[0].distance(found[1]) > 1.0) == moved


def test_no_ladder_stands_in_a_yard_that_buildings_close(shapes: ModuleType) -> None:
    """Four wings around a yard of 80 by 80 ft, the wind from the yard for each of them in turn."""
    box = shapely.box
    wings = [box(0, 0, 160, 40), box(0, 120, 160, 160), box(0, 40, 40, 120), box(120, 40, 160, 120)]
    yard = shapes.in_crs([box(40, 40, 120, 120)])[0]
    for wind in (0.0, 90.0, 180.0, 270.0):
        _, plan = shapes.planned(shapes.roofs(*wings), wind_from_deg=wind)
        assert set(plan.ladders["building_id"]) == {"B000", "B001", "B002", "B003"}
        assert not shapely.intersects(plan.ladders.geometry.to_numpy(), yard.buffer(-0.5)).any()


@pytest.mark.parametrize(
    ("along", "blocked"),
    [(7.9, False), (8.1, True), (15.0, True), (21.9, True), (22.1, False)],
)
@pytest.mark.parametrize("back", [False, True])
def test_what_stands_before_a_wall_blocks_a_margin_on_either_side(
    along: float, blocked: bool, back: bool
) -> None:
    """An edge from 10 to 20 ft along the wall and 5 ft off it, ground wanted 8 ft deep, a margin of 2 ft."""
    ends = (20.0, 10.0) if back else (10.0, 20.0)
    views = _view(ends[0], 5.0, ends[1], 5.0)
    assert _blocked(views, along, depth_ft=8.0) == blocked
    assert not _blocked(views, along, depth_ft=4.0)


@pytest.mark.parametrize(
    ("along", "blocked"), [(10.9, False), (11.1, True), (19.0, True), (20.9, True), (21.1, False)]
)
def test_an_edge_that_leads_away_blocks_as_far_as_the_ground_is_wanted(along: float, blocked: bool) -> None:
    """From 3 ft off the wall at 13 ft along it, a foot out for each foot along: 9 ft off at 19."""
    views = _view(13.0, 3.0, 43.0, 33.0)
    assert _blocked(views, along, depth_ft=9.0) == blocked
    assert _blocked(_view(43.0, 33.0, 13.0, 3.0), along, depth_ft=9.0) == blocked


def _view(s0: float, t0: float, s1: float, t1: float) -> Views:
    return Views(
        np.zeros(1, dtype=np.int64), np.zeros(1, dtype=bool), *(np.array([at]) for at in (s0, t0, s1, t1))
    )


def _blocked(views: Views, along: float, *, depth_ft: float) -> bool:
    zero = np.zeros(1, dtype=np.int64)
    return bool(_seen(views, views.wall, np.array([depth_ft]), zero, np.array([along]), 1, 2.0)[0])


@pytest.mark.parametrize(("count", "second"), [(1, "aerial"), (2, "ground_ladder")])
def test_the_second_spot_takes_what_the_first_has_left(shapes: ModuleType, count: int, second: str) -> None:
    """A 30 ft edge wants the 35 ft ladder, which reaches 30.89 ft; streets run 40 ft off two sides."""
    rules = _book(ladder__stock_ft=[35.0, 24.0], ladder__stock_count=[count, 3])
    street = shapes.streets(
        shapely.LineString([(-500, -40), (500, -40)]), shapely.LineString([(-40, -500), (-40, 500)])
    )
    found = _ladders(
        shapes, shapes.rectangle(100, 60), height_ft=[30.0], rules=rules, streets=street, wind_from_deg=180.0
    )
    assert (found["ladder_ft"] == 35.0).sum() == count
    assert set(found["apparatus"]) == {"ground_ladder", second}


def test_what_is_left_of_the_stock_is_what_does_not_reach(shapes: ModuleType) -> None:
    """One 35 ft ladder for a 30 ft edge: what is left, 24 ft, reaches 20.24 ft."""
    rules = _book(ladder__stock_ft=[24.0, 35.0], ladder__stock_count=[1, 1], aerial__reach_ft=0.0)
    found = _ladders(shapes, shapes.rectangle(100, 60), height_ft=[30.0], rules=rules)
    assert found["apparatus"].tolist() == ["ground_ladder", "out_of_reach"]
    assert found.loc[2, "highest_ft"] == pytest.approx(20.24, abs=0.005)
    assert "30 ft; what the first spot leaves of the stock reaches 20.2 ft" in found.loc[2, "reasons"]
    lone = _book(ladder__stock_ft=[35.0], ladder__stock_count=[1], aerial__reach_ft=0.0)
    second = _ladders(shapes, shapes.rectangle(100, 60), height_ft=[30.0], rules=lone).loc[2]
    assert "what the first spot leaves of the stock holds no ladder" in second["reasons"]


def test_a_longer_ladder_serves_where_the_shortest_is_taken(shapes: ModuleType) -> None:
    rules = _book(ladder__stock_ft=[24.0, 28.0], ladder__stock_count=[1, 1])
    found = _ladders(shapes, shapes.rectangle(100, 60), rules=rules)
    assert found["ladder_ft"].tolist() == [24.0, 28.0]
    np.testing.assert_allclose(found["highest_ft"], [20.24, 24.11], atol=0.005)


def test_lengths_given_twice_are_counted_together() -> None:
    stock = ladder_stock(_book(ladder__stock_ft=[24.0, 14.0, 24.0], ladder__stock_count=[1, 0, 2]))
    assert (stock.length_ft.tolist(), stock.count.tolist()) == ([24.0], [3])


@pytest.mark.parametrize(
    ("lengths", "counts", "words"),
    [
        ([14.0, 24.0], [1], "2 lengths"),
        ([14.0, -24.0], [1, 1], "more than 0"),
        ([14.0, "x"], [1, 1], "lengths in feet"),
        ([14.0, 24.0], [1, 1.5], "whole numbers"),
        ([14.0, 24.0], [1, -1], "0 or more"),
    ],
)
def test_a_stock_that_cannot_be_is_one_clear_sentence(lengths: Any, counts: Any, words: str) -> None:
    with pytest.raises(RuleError, match=words) as told:
        ladder_stock(_book(ladder__stock_ft=lengths, ladder__stock_count=counts))
    assert str(told.value).count(". ") == 0


def test_an_empty_stock_is_one_problem_of_the_district(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 60), shapes.rectangle(100, 60, west=200))
    street = shapes.streets(shapely.LineString([(-500, -40), (500, -40)]))
    rules = _book(ladder__stock_ft=[], ladder__stock_count=[])
    _, plan = shapes.planned(roofs, rules=rules, streets=street, wind_from_deg=180.0)
    problems = plan.problems[plan.problems["code"] == "ladder_stock_empty"]
    assert problems["feature"].tolist() == ["ladder.stock_ft"]
    assert set(plan.ladders["apparatus"]) <= {"aerial", "out_of_reach"}
    assert plan.ladders["ladder_ft"].isna().all()
    none = _book(ladder__stock_ft=[], ladder__stock_count=[], aerial__reach_ft=0.0)
    _, plan = shapes.planned(roofs, rules=none, streets=street)
    assert set(plan.ladders["apparatus"]) == {"out_of_reach"}
    text = plan.ladders["reasons"].iloc[0]
    assert "the stock holds no ladder, there is no aerial" in text


# Heights by wall.


def test_a_drawn_parapet_counts_where_it_stands_and_wins(shapes: ModuleType) -> None:
    """The west half of the south wall carries 3 ft, the rest of the roof the recorded 1 ft."""
    box = shapes.rectangle(100, 60)
    drawn = shapes.obstacles(("parapet", None, shapely.LineString([(0, 1), (50, 1)]), 3.0))
    kinds = {"obstacles": drawn, "wind_from_deg": 180.0, "parapet_ft": [1.0]}
    street = shapes.streets(shapely.LineString([(-500, -40), (500, -40)]))
    first = _ladders(shapes, box, streets=street, **kinds).loc[1]
    tip = shapely.get_point(first["geometry"], 1)
    assert first["outward"] == 180.0
    # The low side of the same wall is chosen.
    assert (tip.x - shapes.CORNER[0]) / 0.3048 > 50.0
    assert first["support_ft"] == pytest.approx(21.0)
    whole = shapes.obstacles(("parapet", "B000", box.boundary, 3.0))
    for rank in (1, 2):
        found = _ladders(shapes, box, streets=street, **{**kinds, "obstacles": whole}).loc[rank]
        assert found["support_ft"] == pytest.approx(23.0)
        assert found["base_setback_ft"] == pytest.approx(23.0 / np.sqrt(15))
        assert found["highest_ft"] == pytest.approx(24.11, abs=0.005)


def test_a_parapet_of_another_building_is_none_of_ours(shapes: ModuleType) -> None:
    box = shapes.rectangle(100, 60)
    drawn = shapes.obstacles(("parapet", "B999", box.boundary, 3.0))
    assert _ladders(shapes, box, obstacles=drawn).loc[1, "support_ft"] == 20.0


def test_a_high_parapet_counts_against_a_spot_and_says_so(shapes: ModuleType) -> None:
    box = shapes.rectangle(100, 60)
    scores = [_ladders(shapes, box, parapet_ft=[height]).loc[1, "score"] for height in (0.0, 3.0, 6.0, 9.0)]
    weight = RULES.number("ladder.weight.low_parapet")
    total = sum(RULES.table("ladder.weight").values())
    np.testing.assert_allclose(np.diff(scores), [-weight / total / 2, -weight / total / 2, 0.0], atol=1e-9)
    assert "high parapet" in _ladders(shapes, box, parapet_ft=[6.0]).loc[1, "reasons"]
    assert "parapet" not in _ladders(shapes, box).loc[1, "reasons"]
    assert "over a low parapet" in _ladders(shapes, box, parapet_ft=[1.0]).loc[1, "reasons"].lower()


def test_ladders_of_a_gable_roof_stand_at_its_eaves(shapes: ModuleType) -> None:
    """100 by 40 ft, ridge along: the gable ends look east and west."""
    found = _ladders(
        shapes,
        shapes.rectangle(100, 40),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["gabled"],
        height_ft=[10.0],
    )
    assert set(found["outward"]) == {0.0, 180.0}
    assert found["support_ft"].tolist() == [10.0, 10.0]


def test_the_high_edge_of_a_monopitch_counts_with_its_height(shapes: ModuleType) -> None:
    """40 ft deep, falling south at 20 degrees: the north edge is 14.56 ft above the eave."""
    found = _ladders(
        shapes,
        shapes.rectangle(100, 40),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["monopitch"],
        slope_deg=[20.0],
        downslope_deg=[180.0],
        height_ft=[10.0],
    ).set_index("outward")
    assert found.loc[180.0, "support_ft"] == pytest.approx(10.0)
    assert found.loc[0.0, "support_ft"] == pytest.approx(10.0 + 40 * np.tan(np.radians(20)), abs=0.01)
    assert set(found.index) == {0.0, 180.0}


# The ground.


def _ground(shapes: ModuleType, *rows: Any) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        {
            "ground_id": [str(number) for number in range(len(rows))],
            "kind": [row[0] for row in rows],
            "basis": ["recorded"] * len(rows),
            "note": [None] * len(rows),
        },
        geometry=list(shapes.in_crs([row[1] for row in rows])),
        crs=shapes.UTM,
    )
    return conform("ground", frame)


@pytest.mark.parametrize(
    ("kind", "shape", "stands"),
    [
        ("pool", shapely.box(-20, -10, -7.3, 70), True),
        ("pool", shapely.box(-20, -10, -7.0, 70), False),
        ("steep", shapely.box(-20, -10, -2.0, 70), False),
        ("fence", shapely.LineString([(-2.5, -10), (-2.5, 70)]), False),
        ("water", shapely.LineString([(-2.5, -10), (-2.5, 70)]), True),
        ("fence", shapely.box(-3.1, -10, -2.0, 70), False),
        ("fence", shapely.LineString([(-7.3, -10), (-7.3, 70)]), True),
    ],
)
def test_the_base_keeps_off_bad_ground(shapes: ModuleType, kind: str, shape: Any, stands: bool) -> None:
    """Base 5.16 ft out, 2 ft of clear ground around it; a fence in between rules it out as well."""
    found = _ladders(shapes, shapes.rectangle(100, 60), ground=_ground(shapes, (kind, shape)))
    assert (270.0 in set(found["outward"])) == stands


def test_no_base_stands_in_a_yard_that_buildings_close(shapes: ModuleType) -> None:
    """Four buildings around a yard of 40 ft; the streets and the wind call for the yard's side."""
    ring = [
        shapes.rectangle(100, 30),
        shapes.rectangle(100, 30, south=70),
        shapes.rectangle(30, 40, south=30),
        shapes.rectangle(30, 40, west=70, south=30),
    ]
    closed = _ladders(shapes, *ring, wind_from_deg=0.0)
    open_yard = _ladders(shapes, *ring[:3], wind_from_deg=0.0)
    assert 0.0 not in set(closed["outward"])
    assert 0.0 in set(open_yard["outward"])


# The aerial.


def _street(shapes: ModuleType, y: float) -> gpd.GeoDataFrame:
    return shapes.streets(shapely.LineString([(-500, y), (600, y)]))


def test_the_aerial_stands_on_the_street_and_reaches_from_there(shapes: ModuleType) -> None:
    """From 60 ft off a 100 ft aerial on an 8 ft turntable ends at 88 ft: 85 ft of support."""
    box = shapes.rectangle(100, 60)
    for height, means in ((85.0, "aerial"), (85.1, "out_of_reach")):
        found = _ladders(shapes, box, height_ft=[height], streets=_street(shapes, -60.0), wind_from_deg=180.0)
        assert found.loc[1, "apparatus"] == means
        assert found.loc[1, "outward"] == 180.0 or means == "out_of_reach"
    first = _ladders(shapes, box, height_ft=[50.0], streets=_street(shapes, -60.0), wind_from_deg=180.0).loc[
        1
    ]
    assert first["aerial_setback_ft"] == pytest.approx(60.0, abs=0.05)
    assert first["highest_ft"] == pytest.approx(85.0, abs=0.05)
    assert first["support_ft"] == 50.0
    ends = shapely.get_coordinates(first["geometry"])
    assert (ends[0, 1] - shapes.CORNER[1]) / 0.3048 == pytest.approx(-60.0, abs=0.05)
    assert np.isnan(first["ladder_ft"])
    assert "aerial.reach_ft" in first["rules"]


def test_what_defeats_stock_and_aerial_is_named(shapes: ModuleType) -> None:
    found = _ladders(
        shapes,
        shapes.rectangle(100, 60),
        height_ft=[92.0],
        parapet_ft=[4.0],
        streets=_street(shapes, -60.0),
        wind_from_deg=180.0,
    )
    south = found[found["outward"] == 180.0].iloc[0]
    assert (
        "Out of reach: roof edge and parapet at 96 ft; the stock reaches 30.9 ft, "
        "the aerial 85 ft from the street." in south["reasons"]
    )
    assert south["highest_ft"] == pytest.approx(85.0, abs=0.05)


def test_a_street_beyond_the_reach_is_named(shapes: ModuleType) -> None:
    found = _ladders(shapes, shapes.rectangle(100, 60), height_ft=[40.0], streets=_street(shapes, -300.0))
    assert set(found["apparatus"]) == {"out_of_reach"}
    assert "the street is too far for the aerial" in found.loc[1, "reasons"]
    assert found.loc[1, "highest_ft"] == pytest.approx(30.89, abs=0.005)


def test_no_aerial_works_across_a_building_or_under_a_line(shapes: ModuleType) -> None:
    """Only the street in the south is there: the rear wall is out of reach, as is what lies behind."""
    box, street = shapes.rectangle(100, 60), _street(shapes, -60.0)
    alone = _ladders(shapes, box, height_ft=[40.0], streets=street, wind_from_deg=180.0)
    assert alone.loc[1, "apparatus"] == "aerial"
    assert not ((alone["outward"] == 0.0) & (alone["apparatus"] == "aerial")).any()
    shed = shapes.rectangle(500, 10, west=-200, south=-40)
    behind = _ladders(shapes, box, shed, height_ft=[40.0, 12.0], streets=street, wind_from_deg=180.0)
    assert set(behind["apparatus"]) == {"out_of_reach"}
    assert "the way from the street is not clear" in behind.loc[1, "reasons"]
    # An aerial that cannot be used reaches nothing.
    assert behind.loc[1, "highest_ft"] == pytest.approx(30.89, abs=0.005)
    line = shapes.obstacles(("overhead_line", None, shapely.LineString([(-500, -45), (600, -45)]), 12.0))
    under = _ladders(shapes, box, height_ft=[40.0], streets=street, obstacles=line)
    assert set(under["apparatus"]) == {"out_of_reach"}


def test_without_streets_the_aerials_distance_is_unknown_and_it_says_so(shapes: ModuleType) -> None:
    first = _ladders(shapes, shapes.rectangle(100, 60), height_ft=[40.0]).loc[1]
    assert first["apparatus"] == "aerial"
    assert "street distance unknown" in first["reasons"]
    assert np.isnan(first["aerial_setback_ft"])
    length = shapely.length(first["geometry"]) / 0.3048
    assert length == pytest.approx(RULES.number("aerial.least_setback_ft"), rel=1e-3)


def test_the_aerial_serves_where_no_ground_takes_a_base(shapes: ModuleType) -> None:
    """Water all around the building: the street crosses it on the south."""
    moat = shapely.box(-30, -30, 130, 90) - shapely.box(0, 0, 100, 60)
    found = _ladders(
        shapes,
        shapes.rectangle(100, 60),
        ground=_ground(shapes, ("water", moat)),
        streets=_street(shapes, -40.0),
    )
    assert found.loc[1, "apparatus"] == "aerial"


# Roofs that push walls out.


def test_the_aerial_outside_the_collapse_zone_goes_before_a_ladder(shapes: ModuleType) -> None:
    """24 ft walls throw 48 ft; the street is 55 ft off, and every ladder stands inside the zone."""
    facts = {"roof_family": ["bowstring_truss"], "height_ft": [24.0], "wind_from_deg": 180.0}
    box = shapes.rectangle(100, 60)
    first = _ladders(shapes, box, streets=_street(shapes, -55.0), **facts).loc[1]
    assert (first["apparatus"], first["in_collapse_zone"]) == ("aerial", False)
    # Nearer than the zone is deep: the turntable stands beyond the corner, where the zone ends.
    first = _ladders(shapes, box, streets=_street(shapes, -40.0), **facts).loc[1]
    assert (first["apparatus"], first["in_collapse_zone"]) == ("aerial", False)
    gap_ft = shapely.distance(shapely.get_point(first["geometry"], 0), shapes.in_crs([box])[0]) / 0.3048
    assert gap_ft == pytest.approx(48.1, abs=0.1)


def test_a_spot_inside_the_zone_is_kept_where_no_other_exists_and_says_so(shapes: ModuleType) -> None:
    facts = {"roof_family": ["bowstring_truss"], "height_ft": [24.0], "streets": _street(shapes, -400.0)}
    found = _ladders(shapes, shapes.rectangle(100, 60), **facts)
    assert found["apparatus"].tolist() == ["ground_ladder", "ground_ladder"]
    assert found["in_collapse_zone"].tolist() == [True, True]
    assert "inside the collapse zone" in found.loc[1, "reasons"]
    plain = _ladders(shapes, shapes.rectangle(100, 60), height_ft=[24.0])
    assert plain["in_collapse_zone"].tolist() == [True, True]
    assert "collapse" not in plain.loc[1, "reasons"]
