"""Ladders and overhead lines, against the regulations and trade tables.

In: the ladder and line rules.
Out: the angle, the setback and reach table, the clearance table.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from roofplat.placing.reach import ladder_stock, working_reach
from roofplat.rules import load_rulebook

BOOK = load_rulebook()

# Nominal length, tip height, base, highest edge with 3 ft of rail above it; all in ft.
# Computed from the quarter rule on the working length, full nominal length assumed.
REACH_TABLE = [
    (14.0, 13.56, 3.50, 10.56),
    (16.0, 15.49, 4.00, 12.49),
    (20.0, 19.36, 5.00, 16.36),
    (24.0, 23.24, 6.00, 20.24),
    (28.0, 27.11, 7.00, 24.11),
    (35.0, 33.89, 8.75, 30.89),
    (40.0, 38.73, 10.00, 35.73),
    (45.0, 43.57, 11.25, 40.57),
    (50.0, 48.41, 12.50, 45.41),
]


@pytest.mark.checks("ladder.base_share")
def test_the_base_stands_a_quarter_of_the_working_length_out() -> None:
    """29 CFR 1926.1053(b)(5)(i), seen second-hand; NFPA 1932 ch. 5, seen reprinted."""
    assert BOOK.number("ladder.base_share") == 0.25


def test_the_quarter_rule_is_the_load_test_angle() -> None:
    """75.5 deg from level: 29 CFR 1926.1053(a)(1)(ii), published.

    A quarter along the ladder is 75.52 deg; a rise of four to a run of one would be 75.96 deg.
    """
    angle_deg = math.degrees(math.acos(BOOK.number("ladder.base_share")))
    assert angle_deg == pytest.approx(75.52, abs=0.005)
    assert round(angle_deg, 1) == 75.5
    assert math.degrees(math.atan(4)) == pytest.approx(75.96, abs=0.005)


@pytest.mark.checks("ladder.tip_above_edge_ft")
def test_the_rails_stand_three_feet_above_the_edge() -> None:
    """At least 3 ft: 29 CFR 1926.1053(b)(1) and 1910.23(c)(11), seen second-hand."""
    assert BOOK.number("ladder.tip_above_edge_ft") == 3.0


@pytest.mark.checks("ladder.base_share", "ladder.tip_above_edge_ft")
@pytest.mark.parametrize(("length_ft", "tip_ft", "base_ft", "edge_ft"), REACH_TABLE)
def test_the_reach_table(length_ft: float, tip_ft: float, base_ft: float, edge_ft: float) -> None:
    setback_ft = BOOK.number("ladder.base_share") * length_ft
    height_ft = math.sqrt(length_ft**2 - setback_ft**2)
    assert setback_ft == pytest.approx(base_ft, abs=0.005)
    assert height_ft == pytest.approx(tip_ft, abs=0.005)
    assert height_ft - BOOK.number("ladder.tip_above_edge_ft") == pytest.approx(edge_ft, abs=0.005)


@pytest.mark.parametrize(("length_ft", "tip_ft", "base_ft", "edge_ft"), REACH_TABLE)
def test_the_highest_support_of_each_ladder(
    length_ft: float, tip_ft: float, base_ft: float, edge_ft: float
) -> None:
    """The same table, as the planner computes it: with 3 ft of rail above the edge."""
    rules = load_rulebook({"ladder.stock_ft": [length_ft], "ladder.stock_count": [1]})
    assert ladder_stock(rules).highest_ft[0] == pytest.approx(edge_ft, abs=0.005)
    at_its_limit = working_reach(np.array([edge_ft, edge_ft + 0.02]), rules)
    np.testing.assert_array_equal(at_its_limit.ladder_ft, [length_ft, np.nan])
    # What is used of the ladder at the limit ends below the rail.
    used_ft = at_its_limit.working_length_ft[0]
    assert at_its_limit.base_setback_ft[0] == pytest.approx(used_ft / 4)
    assert used_ft < length_ft
    assert base_ft / length_ft == 0.25
    assert tip_ft - edge_ft == pytest.approx(3.0, abs=0.005)


@pytest.mark.checks("collapse.height_share")
def test_the_collapse_zone_is_a_share_of_the_wall() -> None:
    """collapse.height_share: 30 ft of wall are given 45 ft and 50 ft of wall 75 ft.

    scienceinsights.org and countyfiretactics, second-hand, who attribute 1.5 to NIOSH. NIOSH
    2005-132 as seen says the height of the building and an allowance for debris: never below 1.
    """
    share = BOOK.number("collapse.height_share")
    assert [share * height_ft for height_ft in (30.0, 50.0)] == [45.0, 75.0]
    assert BOOK["collapse.height_share"].status == "second-hand"
    assert share >= 1.0


@pytest.mark.checks("collapse.pushes_out_share")
def test_the_collapse_zone_of_walls_that_are_pushed_out() -> None:
    """collapse.pushes_out_share: twice the height, trade material on bowstring end walls, second-hand;

    that truss roofs push walls out is NIOSH 2005-132, seen.
    """
    assert BOOK.number("collapse.pushes_out_share") == 2.0
    assert BOOK.families["bowstring_truss"].pushes_walls_out


@pytest.mark.checks("ladder.stock_ft")
def test_the_stock_is_what_engines_and_trucks_carry() -> None:
    """14 ft roof and 24 ft extension on an engine, 28 and 35 ft on a truck; 16 and 20 ft are their

    bedded or roof lengths. Trade pages, seen second-hand.
    """
    assert BOOK.numbers("ladder.stock_ft") == [14.0, 16.0, 20.0, 24.0, 28.0, 35.0]
    assert {length for length, *_ in REACH_TABLE} >= set(BOOK.numbers("ladder.stock_ft"))


# Published: 29 CFR 1926.1408 Table A. "To" includes the upper value.
CLEARANCES = [
    (0.0, 10.0),
    (50.0, 10.0),
    (50.1, 15.0),
    (200.0, 15.0),
    (200.1, 20.0),
    (350.0, 20.0),
    (350.1, 25.0),
    (500.0, 25.0),
    (500.1, 35.0),
    (750.0, 35.0),
    (750.1, 45.0),
    (1000.0, 45.0),
]


@pytest.mark.checks("line.upto_kv", "line.clearance_ft")
@pytest.mark.parametrize(("voltage_kv", "clearance_ft"), CLEARANCES)
def test_the_clearance_of_overhead_lines(voltage_kv: float, clearance_ft: float) -> None:
    upto_kv = BOOK.numbers("line.upto_kv")
    clear_ft = BOOK.numbers("line.clearance_ft")
    assert len(upto_kv) == len(clear_ft) == 6
    band = next(number for number, upper_kv in enumerate(upto_kv) if voltage_kv <= upper_kv)
    assert clear_ft[band] == clearance_ft


@pytest.mark.checks("line.upto_kv")
def test_the_table_ends_at_1000_kv() -> None:
    """Above 1,000 kV the distance is set by the line's owner or an engineer: the rulebook has none."""
    assert BOOK.numbers("line.upto_kv")[-1] == 1000.0
