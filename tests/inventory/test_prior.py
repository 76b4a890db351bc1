from __future__ import annotations

import csv
from importlib import resources

import pandas as pd
import pytest
from tests.inventory.towns import GROUPS, one, town

from roofplat.inventory import estimate_odds, family_names
from roofplat.rules import load_rulebook


def test_the_prior_of_a_house_by_hand(build, rules):
    """All W1: 45, 40, 7, 4 and 4 parts; before 1950 trusses and I-joists keep a tenth of theirs."""
    _, own, chances = one(build, rules, year_built=1920, occupancy="R-3", area_ft2=1_500.0)
    parts = {
        "plate_truss_pitched": 4.5, "sawn_rafter_pitched": 40.0, "sawn_joist_flat": 7.0,
        "wood_i_joist_flat": 0.4, "plate_truss_flat": 0.4,
    }  # fmt: skip
    expected = pd.Series(parts) / 52.3
    assert own["prior"].to_dict() == pytest.approx(
        dict.fromkeys(family_names(rules), 0.0) | expected.to_dict()
    )
    # No roof was surveyed: the chances are the shares, and they weigh as ten roofs.
    assert chances.to_dict() == pytest.approx(own["prior"].to_dict())
    assert own["prior_count"].to_dict() == pytest.approx((10.0 * own["prior"]).to_dict())


def test_wood_up_to_5000_ft2_is_light_frame_and_above_it_commercial(build, rules):
    """COM1 of the West after 1970 has 26 percent of W2, and no W1."""
    parts = rules.table("odds.family")

    def share(area_ft2):
        _, own, _ = one(build, rules, year_built=1990, occupancy="M", area_ft2=area_ft2)
        return own.loc["sawn_rafter_pitched", "prior"]

    # RM1 has 21 percent, and its own sawn rafters; what is out of use keeps a tenth: bowstring 5, W2 also
    # sawtooth and lamella.
    rm1 = 0.21 * parts["RM1.sawn_rafter_pitched"] / (100.0 - 0.9 * 5.0)
    assert share(5_000.0) == pytest.approx(0.26 * parts["W1.sawn_rafter_pitched"] / 100.0 + rm1)
    assert share(5_001.0) == pytest.approx(0.26 * parts["W2.sawn_rafter_pitched"] / (100.0 - 0.9 * 9.0) + rm1)


def test_a_size_class_across_the_limit_leaves_wood_as_the_handbook_has_it(build):
    """RES3 has W1 and no W2, COM1 W2 and no W1: a class from 0 to 8,000 ft2 changes neither."""
    rules = load_rulebook({"odds.size_steps_ft2": [8_000.0]})
    for occupancy, kind in (("R-2", "W1"), ("M", "W2")):
        _, own, _ = one(build, rules, year_built=1990, occupancy=occupancy, area_ft2=4_000.0)
        both = oracle("west", 1990, occupancy[0], None, rules)
        assert own["prior"].to_dict() == pytest.approx(both), kind


def plain_types(region, year, hazus_class):
    """Percent by type, by a plain loop over the packaged file."""
    file = resources.files("roofplat.inventory").joinpath("hazus_lowrise.csv")
    lines = [line for line in file.read_text("utf-8").splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        first, before = (
            float(row[key] or edge) for key, edge in (("from_year", "-inf"), ("before_year", "inf"))
        )
        if row["region"] == region and row["occupancy"] == hazus_class and first <= year < before:
            return {key: float(row[key]) for key in list(row)[4:]}, first, before
    raise AssertionError((region, year, hazus_class))


def oracle(region, year, group, area_ft2, rules):
    """The prior of one stratum with nothing unknown, one building type and family at a time."""
    stated = rules.table("odds.family")
    word = rules.choice(f"odds.occupancy.{group}")
    by_type, first, before = plain_types(region, year, "COM1")
    if word in by_type:
        by_type = {kind: 100.0 * (kind == word) for kind in by_type}
    else:
        by_type, first, before = plain_types(region, year, word)
    if area_ft2 is not None:
        wood = by_type["W1"] + by_type["W2"]
        by_type |= {"W1": wood, "W2": 0.0} if area_ft2 <= 5_000.0 else {"W1": 0.0, "W2": wood}
    found = dict.fromkeys(family_names(rules), 0.0)
    for kind, percent in by_type.items():
        kept = {}
        for family in found:
            part = stated.get(f"{kind}.{family}", 0.0)
            if region != "west":
                part *= rules.table("odds.outside_west_share").get(family, 1.0)
            elif (
                rules.table("odds.first_year").get(family, -9999.0) >= before
                or rules.table("odds.last_year").get(family, 9999.0) < first
            ):
                part *= rules.number("odds.out_of_use_share")
            kept[family] = part
        for family, part in kept.items():
            found[family] += percent / sum(by_type.values()) * part / sum(kept.values())
    return found


def test_the_groups_are_those_of_the_rules(rules):
    assert [name for name in rules.rules if name.startswith("odds.occupancy.")] == [
        f"odds.occupancy.{group}" for group in GROUPS
    ]


@pytest.mark.parametrize("region", ["west", "midwest", "east"])
def test_every_prior_is_that_of_a_plain_loop(build, rules, region):
    cases = [
        {"occupancy": group, "year_built": year, "area_ft2": area_ft2}
        for group in GROUPS
        for year in (1920, 1960, 1990)
        for area_ft2 in (2_000.0, 12_000.0, 90_000.0)
    ]
    buildings, odds = estimate_odds(town(build, cases), None, region, rules)
    wide = odds.pivot_table(index="stratum", columns="roof_family", values="prior", sort=False)
    for case, stratum in zip(cases, buildings["stratum"], strict=True):
        expected = oracle(region, case["year_built"], case["occupancy"], case["area_ft2"], rules)
        assert wide.loc[stratum].to_dict() == pytest.approx(expected, abs=1e-12)


def test_an_unknown_level_is_the_plain_mean(build, rules):
    known = [
        {"occupancy": group, "year_built": year}
        for group in (*GROUPS, None)
        for year in (1920, 1960, 1990, None)
    ]
    _, odds = estimate_odds(town(build, known), None, "west", rules)
    prior = odds.pivot_table(index=["occupancy", "period"], columns="roof_family", values="prior", sort=False)
    periods = ["before 1950", "1950 to 1969", "1970 and later"]
    for period in (*periods, "unknown"):
        mean = prior.xs(period, level="period").loc[list(GROUPS)].mean()
        assert prior.loc["unknown", period].to_numpy() == pytest.approx(mean.to_numpy())
    for group in (*GROUPS, "unknown"):
        mean = prior.loc[group].loc[periods].mean()
        assert prior.loc[group, "unknown"].to_numpy() == pytest.approx(mean.to_numpy())


def test_without_a_region_it_is_the_mean_over_the_regions(build, rules):
    said = {"occupancy": "S", "year_built": 1960}
    each = [one(build, rules, region, **said)[1]["prior"] for region in ("west", "midwest", "east")]
    building, own, _ = one(build, rules, None, **said)
    assert building["stratum"] == "region unknown / 1950 to 1969 / S / 5,000 to 20,000 ft2"
    assert own["prior"].to_numpy() == pytest.approx(sum(each).to_numpy() / 3.0)
    assert building["odds"].endswith("(region unknown, mean of all)")


def test_a_row_that_sums_to_99_percent_is_scaled_to_the_whole(build):
    """GOV1 of the East, as printed."""
    _, own, _ = one(build, load_rulebook({"odds.occupancy.B": "GOV1"}), "east", occupancy="B")
    assert own["prior"].sum() == pytest.approx(1.0)
    parts = load_rulebook().table("odds.family")
    s3 = 0.03 / 0.99 * parts["S3.metal_building"] / 100.0
    braced = sum(
        share / 0.99 * parts[f"{kind}.metal_building"] / (100.0 - 0.8 * parts[f"{kind}.panelized_hybrid"])
        for kind, share in (("S1", 0.24), ("S2", 0.16))
    )
    assert own.loc["metal_building", "prior"] == pytest.approx(s3 + braced)


@pytest.mark.parametrize(("last", "share"), [(1970, 1.0), (1969, 0.1)])
def test_a_family_is_in_use_in_a_period_that_it_touches(build, last, share):
    """RM2 is concrete in 95 of 100 roofs; here the other 5 are lamella."""
    parts = {"odds.family.RM2.lamella": 5.0, "odds.family.RM2.steel_joist_steel_deck": 0.0}
    rules = load_rulebook(parts | {"odds.last_year.lamella": last, "odds.occupancy.S": "RM2"})
    _, own, _ = one(build, rules, occupancy="S", year_built=1999)
    assert own.loc["lamella", "prior"] == pytest.approx(5.0 * share / (95.0 + 5.0 * share))


def test_a_type_of_which_no_family_is_in_use_is_taken_as_stated(build):
    change = {f"odds.family.MH.{family}": 0.0 for family in family_names(load_rulebook())}
    parts = {"odds.family.MH.panelized_hybrid": 3.0, "odds.family.MH.wood_i_joist_flat": 1.0}
    rules = load_rulebook(change | parts | {"odds.occupancy.S": "MH", "odds.out_of_use_share": 0.0})
    _, own, _ = one(build, rules, occupancy="S", year_built=1920)
    assert own.loc["panelized_hybrid", "prior"] == pytest.approx(0.75)
    assert own["prior"].sum() == pytest.approx(1.0)
