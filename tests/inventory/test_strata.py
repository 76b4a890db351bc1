from __future__ import annotations

import pytest
from tests.inventory.towns import GROUPS, one

from roofplat.inventory import family_names
from roofplat.rules import load_rulebook


@pytest.mark.parametrize(
    ("year", "occupancy", "area_ft2", "key"),
    [
        (1970, "S-1", 20_000.1, "1970 and later / S / over 20,000 ft2"),
        (1969, "s2", 20_000.0, "1950 to 1969 / S / 5,000 to 20,000 ft2"),
        (1950, "Group M", 5_000.1, "1950 to 1969 / M / 5,000 to 20,000 ft2"),
        (1949, " B ", 5_000.0, "before 1950 / B / up to 5,000 ft2"),
        (2020, "R-3", 900.0, "1970 and later / R-3 / up to 5,000 ft2"),
        (2020, "r3", 900.0, "1970 and later / R-3 / up to 5,000 ft2"),
        (2020, "R-2", 900.0, "1970 and later / R / up to 5,000 ft2"),
        (2020, "I-2 condition 1", 900.0, "1970 and later / I / up to 5,000 ft2"),
        (None, "igloo", 9_000.0, "year unknown / occupancy unknown / 5,000 to 20,000 ft2"),
        (None, " Retail", 9_000.0, "year unknown / M / 5,000 to 20,000 ft2"),
        (1990, "semidetached_house", 900.0, "1970 and later / R-3 / up to 5,000 ft2"),
        (1990, "farm_auxiliary", 900.0, "1970 and later / U / up to 5,000 ft2"),
        (1990, "Z-1", 9_000.0, "1970 and later / occupancy unknown / 5,000 to 20,000 ft2"),
        (1990, "R-9", 9_000.0, "1970 and later / R / 5,000 to 20,000 ft2"),
    ],
)
def test_the_stratum_of_a_building(build, rules, year, occupancy, area_ft2, key):
    building, own, _ = one(build, rules, year_built=year, occupancy=occupancy, area_ft2=area_ft2)
    assert building["stratum"] == f"west / {key}"
    assert len(own) == len(family_names(rules))


def test_only_the_west_has_periods(build, rules):
    for region in ("midwest", "east"):
        for year in (1900, 2000, None):
            building, own, _ = one(build, rules, region, year_built=year, occupancy="M")
            assert building["stratum"] == f"{region} / all years / M / 5,000 to 20,000 ft2"
            assert set(own["period"]) == {"all years"}
            assert "year" not in building["odds"]


def test_words_stand_for_groups_that_there_are(rules):
    words = {name: rule.value for name, rule in rules.rules.items() if name.startswith("odds.words.")}
    assert {name.removeprefix("odds.words.") for name in words} < set(GROUPS)
    listed = [word for value in (*words.values(), rules["solar.house_words"].value) for word in value]
    assert len(set(listed)) == len(listed)
    assert all(word == word.strip().casefold() and "_" not in word for word in listed)


def test_the_words_of_a_department_count_and_of_two_groups_the_first(build):
    rules = load_rulebook({"odds.words.S": ["tannery", "igloo"], "odds.words.U": ["Igloo"]})
    for word, group in (("Tannery", "S"), ("igloo", "S"), ("warehouse", "occupancy unknown")):
        assert one(build, rules, occupancy=word)[0]["stratum"].split(" / ")[2] == group


def test_size_classes_follow_the_rule(build):
    rules = load_rulebook({"odds.size_steps_ft2": [3_000.0]})
    assert one(build, rules, area_ft2=3_000.0)[0]["stratum"].endswith("/ up to 3,000 ft2")
    assert one(build, rules, area_ft2=3_001.0)[0]["stratum"].endswith("/ over 3,000 ft2")
