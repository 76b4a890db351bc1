"""Trenches across roofs one can see: where, how long, what they save, and why there is none."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pytest
import shapely

from roofplat.rules import load_rulebook


def _measured(shapes: ModuleType, laws: ModuleType, *boxes: Any, obstacles: Any = None, **facts: Any) -> Any:
    wishes = ("fires", "wind_from_deg", "streets", "rules")
    choices = {name: facts.pop(name) for name in wishes if name in facts}
    things = shapes.obstacles(*(obstacles or ()))
    framing, plan = shapes.planned(shapes.roofs(*boxes, **facts), obstacles=things, **choices)
    tables = plan.tables()
    tables |= {"walls": framing.walls, "members": framing.members, "obstacles": things}
    return laws.Measured(tables, shapes.RULES, shapes.GROUND)


def test_a_trench_across_two_hundred_by_a_hundred(shapes: ModuleType, laws: ModuleType) -> None:
    """Beams every 20 ft; openings within 100 to 120 or 80 to 100 ft; 25 ft on, the next beam but one."""
    at = _measured(shapes, laws, shapes.rectangle(200, 100))
    trench = at.trenches.iloc[0]
    assert trench["method"] == "with_construction"
    assert trench["width_ft"] == pytest.approx(3.0)
    assert trench["length_ft"] == pytest.approx(100.0, abs=1e-3)
    west, _, east, _ = trench["feet"].bounds
    # One foot beside a beam, which lie 20 ft apart from the middle.
    assert min(west % 20, 20 - east % 20, 20 - west % 20, east % 20) == pytest.approx(1.0, abs=1e-3)
    assert shapely.distance(trench["feet"], at.openings["feet"].to_numpy()).min() == pytest.approx(
        37.0, abs=1e-3
    )
    assert laws.broken(at) == {}


def test_a_short_roof_has_no_room(shapes: ModuleType, laws: ModuleType) -> None:
    at = _measured(shapes, laws, shapes.rectangle(100, 50))
    assert at.trenches.empty
    assert "trench_no_room" in at.tables["problems"]["code"].tolist()


def test_against_construction_along_a_purlin(shapes: ModuleType, laws: ModuleType) -> None:
    """Beams drawn the long way: the short crossing follows a purlin."""
    at = _measured(shapes, laws, shapes.rectangle(60, 240), framing_axis_deg=[0.0])
    trench = at.trenches.iloc[0]
    assert trench["method"] == "against_construction"
    assert trench["length_ft"] == pytest.approx(60.0, abs=1e-3)
    assert laws.broken(at) == {}


def test_no_trench_ends_at_a_wall_that_does_not_carry(shapes: ModuleType, laws: ModuleType) -> None:
    """Crossings along beams end at the long walls; stated as not bearing, they are out."""
    street = shapes.streets(shapely.LineString([(-500, -40), (500, -40)]))
    free = _measured(shapes, laws, shapes.rectangle(200, 100), streets=street)
    assert free.trenches["method"].tolist() == ["with_construction"]
    # One of both ends is enough to rule it out.
    for carry in ("BD", "ABD", "BCD"):
        held = _measured(shapes, laws, shapes.rectangle(200, 100), streets=street, bearing_walls=[carry])
        assert held.trenches["method"].tolist() == ["against_construction"]


def test_a_unit_in_the_strip_moves_the_trench(shapes: ModuleType, laws: ModuleType) -> None:
    plain = _measured(shapes, laws, shapes.rectangle(300, 100)).trenches["feet"].iloc[0]
    # From the middle of the roof back to its corner.
    x, y = plain.centroid.x + 150, plain.centroid.y + 50
    unit = ("unit", "B000", shapely.box(x - 2, y - 2, x + 2, y + 2))
    at = _measured(shapes, laws, shapes.rectangle(300, 100), obstacles=[unit])
    assert shapely.distance(at.trenches["feet"].iloc[0], at.obstacles["feet"].iloc[0]) >= 3.0 - 1e-5
    assert laws.broken(at) == {}


@pytest.mark.parametrize(
    ("east", "west_ft", "shares"),
    [
        # It saves what lies east of 99 ft, 0.505 of the roof, and leaves 0.495: each is to be no less.
        (40.0, 96.0, {0.494: True, 0.496: False}),
        # It saves 0.205 of the roof.
        (100.0, 156.0, {0.204: True, 0.206: False}),
    ],
)
def test_a_trench_saves_and_leaves_a_share_of_the_roof(
    shapes: ModuleType, laws: ModuleType, east: float, west_ft: float, shares: dict[float, bool]
) -> None:
    for share, there in shares.items():
        at = _measured(
            shapes,
            laws,
            shapes.rectangle(200, 100),
            fires=shapes.fires(("B000", shapely.Point(east, 50))),
            rules=load_rulebook({"trench.least_saved_share": share}),
        )
        wests = [strip.bounds[0] + 100.0 for strip in at.trenches["feet"]]
        assert (wests == [pytest.approx(west_ft, abs=0.01)]) == there


@pytest.mark.parametrize(
    ("court", "east", "west_ft", "shares"),
    [
        # East of 99 ft lie 301 by 100 ft less the court of 40 by 40: 28,500 of 38,400 ft2 are 0.742.
        ((300, 30, 340, 70), 60.0, 96.0, {0.25: True, 0.26: False}),
        # East of 179 ft lie 221 by 100 ft, and the court lies west of it: 22,100 of 38,400 ft2 are 0.5755.
        ((40, 30, 80, 70), 120.0, 176.0, {0.42: True, 0.43: False}),
    ],
)
def test_a_courtyard_is_no_roof_that_is_saved(
    shapes: ModuleType,
    laws: ModuleType,
    court: tuple[float, float, float, float],
    east: float,
    west_ft: float,
    shares: dict[float, bool],
) -> None:
    roof = shapely.box(0, 0, 400, 100) - shapely.box(*court)
    for share, there in shares.items():
        at = _measured(
            shapes,
            laws,
            roof,
            fires=shapes.fires(("B000", shapely.Point(east, 50))),
            rules=load_rulebook({"trench.least_saved_share": share}),
        )
        wests = [strip.bounds[0] + roof.centroid.x for strip in at.trenches["feet"]]
        assert (wests == [pytest.approx(west_ft, abs=0.01)]) == there


@pytest.mark.parametrize("court", ["middle", "end"])
def test_a_courtyard_is_not_in_the_way(shapes: ModuleType, laws: ModuleType, court: str) -> None:
    hole = shapely.box(20, 20, 60, 60) if court == "end" else shapely.box(180, 30, 220, 70)
    at = _measured(shapes, laws, shapely.box(0, 0, 400, 100) - hole)
    assert len(at.trenches) == 1
    assert laws.broken(at) == {}


def test_a_trench_in_a_wing_is_as_far_from_the_fire_as_it_says(shapes: ModuleType, laws: ModuleType) -> None:
    """The strip crosses one wing only: the way to it is longer than the way to its line."""
    at = _measured(shapes, laws, shapes.letter_l(160, 40))
    trench = at.trenches.iloc[0]
    gap = shapely.distance(trench["feet"], at.fire[0])
    assert trench["from_fire_ft"] == pytest.approx(gap, abs=0.05)


def test_two_long_cuts_and_a_cross_cut_at_each_end(shapes: ModuleType, laws: ModuleType) -> None:
    at = _measured(shapes, laws, shapes.rectangle(200, 100))
    cuts = at.tables["cuts"]
    cuts = cuts[cuts["feature"] == "trench"]
    assert cuts[["kind", "count", "saw"]].to_numpy().tolist() == [["parallel_cut", 2, 1], ["cross_cut", 2, 2]]
    assert cuts["cut_ft"].tolist() == pytest.approx([200.0, 6.0], abs=1e-3)
