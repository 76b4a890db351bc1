"""Ladder spots: what reaches, what is in the way, and a second way off."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.placing.ladders import line_clearance_ft, working_reach
from roofplat.rules import load_rulebook
from roofplat.tables import APPARATUS

RULES = load_rulebook()


def _ladders(shapes: ModuleType, *boxes: Any, of: str = "B000", **choices: Any) -> pd.DataFrame:
    """Ladders of one building with `outward`, the direction their wall looks, by rank."""
    facts = {
        name: choices.pop(name) for name in ("height_ft", "parapet_ft", "bearing_walls") if name in choices
    }
    framing, plan = shapes.planned(shapes.roofs(*boxes, **facts), **choices)
    walls = framing.walls[["section_id", "wall", "outward_deg", "kind"]]
    ladders = pd.DataFrame(plan.ladders).merge(walls, on=["section_id", "wall"])
    ladders["outward"] = ladders["outward_deg"].round() % 360
    return ladders[ladders["building_id"] == of].set_index("rank")


@pytest.mark.parametrize(
    ("edge_ft", "ladder_ft", "means"),
    [
        (10.5, 14.0, "ground_ladder"),
        (10.6, 16.0, "ground_ladder"),
        (16.3, 20.0, "ground_ladder"),
        (20.2, 24.0, "ground_ladder"),
        (24.1, 28.0, "ground_ladder"),
        (30.8, 35.0, "ground_ladder"),
        (31.0, np.nan, "aerial"),
        (90.0, np.nan, "aerial"),
        (90.1, np.nan, "out_of_reach"),
    ],
)
def test_the_shortest_ladder_that_ends_three_feet_above(edge_ft: float, ladder_ft: float, means: str) -> None:
    """Full length at 75.5 degrees: 14 ft ends at 13.56, less 3 is 10.56; 16 at 12.49; and so on."""
    reach = working_reach(np.array([edge_ft]), RULES)
    assert APPARATUS[reach.means[0]] == means
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
