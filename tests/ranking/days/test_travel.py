"""Feet and seconds between places, over streets and straight.

In: small towns.
Out: `Travel`, held to what one can work out and to the ellipsoid.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
from pyproj import Geod, Transformer
from tests.ranking.days.town import CRS, GROUND, square, stations, streets

from roofplat.errors import RuleError
from roofplat.ranking.days.travel import Travel, measure_travel
from roofplat.rules import load_rulebook


def travel(
    houses: list[tuple[float, float]], lines: Any = None, start: Any = (0, 0), **rules: float
) -> Travel:
    book = load_rulebook({f"days.{name}": value for name, value in rules.items()})
    places = [stations(start).geometry.iloc[0], *(square(*house) for house in houses)]
    return measure_travel(np.array(places, dtype=object), lines, book, GROUND, pyproj.CRS(CRS))


def test_without_streets_a_way_is_the_straight_line_with_a_detour() -> None:
    made = travel([(3000, 4000)], detour_factor=1.5, speed_mph=30.0)
    assert made.way_ft[0, 1] == pytest.approx(7500, rel=1e-5)
    # 30 mi/h are 44 ft/s.
    assert made.way_s[0, 1] == math.ceil(7500 / 44)
    assert not made.by_streets.any()
    assert made.graph is None
    assert (made.way_s.diagonal() == 0).all()


def test_a_straight_line_is_one_of_the_ellipsoid_in_any_crs() -> None:
    """Sixty kilometres off the central meridian, and in degrees: the projection's scale must not show."""
    lon, lat = np.array([-104.2, -104.1]), np.array([39.7, 39.9])
    _, _, metres = Geod(ellps="WGS84").inv(lon[0], lat[0], lon[1], lat[1])
    rules = load_rulebook({"days.detour_factor": 1.0})
    for crs in ("EPSG:32613", "EPSG:4326"):
        x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
        made = measure_travel(shapely.points(x, y), None, rules, GROUND, pyproj.CRS(crs))
        assert made.way_ft[0, 1] == pytest.approx(metres / 0.3048, rel=1e-9)


def test_from_the_street_one_walks_and_from_the_station_one_drives() -> None:
    made = travel([(1000, 108)], streets([(0, 0), (2000, 0)]), start=(0, -176), speed_mph=20.0, walk_mph=2.0)
    # 176 ft of driveway and 1,000 ft of street at 29.33 ft/s; 88 ft on foot at 2.933 ft/s.
    assert made.way_ft[0, 1] == pytest.approx(176 + 1000 + 88, rel=1e-4)
    assert made.way_s[0, 1] == math.ceil(1176 / (88 / 3) + 88 / (8.8 / 3))
    assert made.by_streets[0, 1]


def test_what_no_street_joins_is_reached_by_a_straight_line() -> None:
    """Two streets that do not meet, and a house that is far from both."""
    made = travel(
        [(500, 50), (500, 5050), (500, 2500)],
        streets([(0, 0), (1000, 0)], [(0, 5000), (1000, 5000)]),
        detour_factor=1.2,
    )
    assert made.by_streets[0].tolist() == [True, True, False, False]
    assert made.way_ft[1, 2] == pytest.approx(1.2 * 5000, rel=1e-4)
    assert made.way_ft[1, 3] == pytest.approx(1.2 * 2450, rel=1e-4)
    assert (made.way_ft == made.way_ft.T).all()
    line = made.lines([0, 1, 2, 0])
    assert line.coords[0] == line.coords[-1]
    assert shapely.is_valid(line)


@pytest.mark.parametrize(
    ("rule", "value"),
    [
        ("speed_mph", 0.0),
        ("walk_mph", -1.0),
        ("detour_factor", 0.9),
        ("street_join_ft", 0.0),
        ("street_snap_ft", 0.0),
    ],
)
def test_a_rule_that_cannot_be_is_one_sentence(rule: str, value: float) -> None:
    with pytest.raises(RuleError, match=f"days.{rule} is") as caught:
        travel([(500, 50)], streets([(0, 0), (1000, 0)]), **{rule: value})
    assert "\n" not in str(caught.value)
