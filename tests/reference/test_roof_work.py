"""Cuts, trenches, openings and inspection cycles, against manuals, codes and standards.

In: the check, trench, opening, ranking and inspection rules, and the panelized family.
Out: the figures of the sources named in each test.
"""

from __future__ import annotations

import math

import pytest

from roofplat.rules import load_rulebook

BOOK = load_rulebook()


@pytest.mark.checks("check.inspection_angle_deg", "family.panelized_wood.rafter_spacing_ft")
def test_the_inspection_cut_crosses_a_rafter_before_three_feet() -> None:
    """At 45 deg to an exterior wall it meets a rafter before 3 ft: a fire-service manual's chapter on

    vertical ventilation, seen second-hand. 24 in on centre: APA in BD+C, Feb 2007, published.
    """
    angle_deg = BOOK.number("check.inspection_angle_deg")
    assert angle_deg == 45.0
    spacing_ft = BOOK.number("family.panelized_wood.rafter_spacing_ft")
    assert spacing_ft == 24 / 12
    longest_ft = spacing_ft / math.sin(math.radians(angle_deg))
    assert longest_ft == pytest.approx(spacing_ft * math.sqrt(2))
    assert longest_ft * 12 == pytest.approx(33.9, abs=0.05)
    assert longest_ft < 36 / 12


def test_beams_of_the_default_grid_lie_in_the_trade_range() -> None:
    """Beams 12 to 40 ft apart: common practice, no citable source. All-wood spans are commonly

    under 40 ft: WoodWorks, panelized roof systems, published. Purlins at one 8 ft sheet: from memory.
    """
    assert BOOK["family.panelized_wood.beam_spacing_ft"].range == (12.0, 40.0)
    assert 12.0 <= BOOK.number("family.panelized_wood.beam_spacing_ft") < 40.0
    assert BOOK.families["panelized_wood"].span_limit_ft() == 40.0
    assert BOOK.number("family.panelized_wood.purlin_spacing_ft") == 8.0


@pytest.mark.checks("trench.width_ft")
def test_the_trench_is_three_feet_wide() -> None:
    """About 3 ft, and no less: LAFRA 2019, strip ventilation tactics, published."""
    assert BOOK.number("trench.width_ft") == 3.0


def test_the_trench_keeps_its_lead() -> None:
    """20 to 30 ft from the main hole: common practice; one page of unknown author says 20 at least."""
    assert 20.0 <= BOOK.number("trench.lead_ft") <= 30.0


@pytest.mark.checks("opening.wanted_share")
def test_the_wanted_opening_is_a_tenth_of_the_roof() -> None:
    """10 percent of the roof surface: a department study card, seen second-hand; common practice."""
    assert BOOK.number("opening.wanted_share") == 0.10


@pytest.mark.checks("ranking.area_full_ft2")
def test_the_area_that_counts_in_full_is_the_codes_trigger() -> None:
    """IBC 910.2: more than 50,000 ft2 undivided in F-1 and S-1, seen in a state's adoption; 4,645 m2."""
    area_ft2 = BOOK.number("ranking.area_full_ft2")
    assert area_ft2 == 50_000.0
    assert area_ft2 * 0.3048**2 == pytest.approx(4645, abs=0.5)


CYCLES = [
    ("inspection.cycle_years.high", 1.0),
    ("inspection.cycle_years.moderate", 2.0),
    ("inspection.cycle_years.low", 3.0),
]


@pytest.mark.checks(*(rule_id for rule_id, _ in CYCLES))
@pytest.mark.parametrize(("rule_id", "years"), CYCLES)
def test_inspection_cycles(rule_id: str, years: float) -> None:
    """NFPA 1730, adopted in NFPA 1 (2018) 10.2.7; the frequencies were seen second-hand."""
    assert BOOK.number(rule_id) == years


@pytest.mark.checks("inspection.class_high", "inspection.class_moderate", "inspection.class_low")
def test_inspection_classes() -> None:
    """NFPA 1730's examples, seen second-hand: apartments, health care, detention, assembly and

    education are high; industrial is moderate; storage, mercantile and business are low.
    """
    high = BOOK["inspection.class_high"].value
    moderate = BOOK["inspection.class_moderate"].value
    low = BOOK["inspection.class_low"].value
    assert {"A", "E", "I", "R"} <= set(high)
    assert "F" in moderate
    assert {"S", "M", "B"} <= set(low)
    # A group has one class.
    assert len({*high, *moderate, *low}) == len(high) + len(moderate) + len(low)
    # Every group that can be ranked has a class.
    assert {*high, *moderate, *low} == set(BOOK.table("ranking.life_hazard")) - {"unknown"}
