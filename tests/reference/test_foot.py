"""The foot, against its definitions.

In: the two foot rules.
Out: their values, their difference, and what the difference does to a far coordinate.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from pyproj import CRS

from roofplat.rules import load_rulebook

BOOK = load_rulebook()


@pytest.mark.checks("ground.foot_m")
def test_the_international_foot() -> None:
    """0.3048 m exactly. Published: 85 FR 62698, 5 Oct 2020."""
    assert BOOK.number("ground.foot_m") == 0.3048


@pytest.mark.checks("ground.us_survey_foot_m")
def test_the_us_survey_foot() -> None:
    """1200/3937 m. From memory of the definition; the EPSG registry, through PROJ, says the same."""
    survey_foot = Fraction(BOOK.choice("ground.us_survey_foot_m"))
    assert survey_foot == Fraction(1200, 3937)
    assert float(survey_foot) == pytest.approx(0.30480060960, abs=5e-12)
    axis = CRS("EPSG:2232").axis_info[0]
    assert axis.unit_name == "US survey foot"
    assert axis.unit_conversion_factor == pytest.approx(float(survey_foot), rel=1e-14)


def test_the_two_feet_differ_by_two_parts_in_a_million() -> None:
    """2.000004 ppm; 6,000,000 ft of easting taken for the other foot lie 3.6576 m off. Computed."""
    international = Fraction(3048, 10_000)
    survey_foot = Fraction(BOOK.choice("ground.us_survey_foot_m"))
    assert float((survey_foot / international - 1) * 1_000_000) == pytest.approx(2.000004, abs=5e-7)
    off_m = float(6_000_000 * (survey_foot - international))
    assert off_m == pytest.approx(3.6576, abs=5e-5)
    assert off_m / 0.3048 == pytest.approx(12.00002, abs=5e-6)
