from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from tests.inventory.towns import one, sections, seen, town

from roofplat.errors import RuleError
from roofplat.ground import Ground
from roofplat.inventory import estimate_odds, family_chances, family_names, take_inventory
from roofplat.rules import load_rulebook
from roofplat.tables import BASES, TABLES

REGIONS = ("west", "midwest", "east", None)


# --- counts ---


def test_surveyed_roofs_of_the_stratum_move_the_odds_and_no_others(build, rules):
    said = {"occupancy": "S", "year_built": 1990}
    extra = [
        *[seen("panelized_wood", **said)] * 3,
        seen("lamella", **said),
        seen("sawtooth", "recorded", **said),
        seen("unknown", **said),
        seen("sawtooth", occupancy="M", year_built=1990),
        seen("sawtooth", occupancy="S", year_built=1960),
        seen("sawtooth", occupancy="S", year_built=1990, area_ft2=1_000.0),
    ]
    building, own, chances = one(build, rules, **said, extra=extra)
    assert building["local_roofs"] == 4
    assert own.loc[own["surveyed"] > 0, "surveyed"].to_dict() == {"panelized_wood": 3, "lamella": 1}
    for family, count in (("panelized_wood", 3), ("lamella", 1), ("sawtooth", 0)):
        assert own.loc[family, "chance"] == pytest.approx((10.0 * own.loc[family, "prior"] + count) / 14.0)
    assert chances.to_dict() == pytest.approx(own["chance"].to_dict())


def test_the_fewer_roofs_the_prior_counts_for_the_more_a_survey_says(build):
    extra = [seen("lamella")]
    shares = {
        roofs: one(build, load_rulebook({"odds.prior_roofs": roofs}), extra=extra)[1].loc["lamella", "chance"]
        for roofs in (0.1, 1.0, 10.0, 1_000.0)
    }
    assert list(shares.values()) == sorted(shares.values(), reverse=True)
    assert shares[0.1] > 0.9
    assert shares[1_000.0] < 0.02


def test_a_family_of_the_department_has_its_surveyed_roofs_alone(build):
    rules = load_rulebook(families={"dome": {"like": "lamella", "label": "Dome", "lightweight": True}})
    _, own, chances = one(build, rules, extra=[seen("dome"), seen("dome")])
    assert own.loc["dome", "prior"] == 0.0
    assert own.loc["dome", "chance"] == pytest.approx(2.0 / 12.0)
    assert own.loc["dome", "low"] < 2.0 / 12.0 < own.loc["dome", "high"]
    assert chances["dome"] == pytest.approx(2.0 / 12.0)
    _, own, _ = one(build, rules)
    assert own.loc["dome", ["chance", "low", "high"]].tolist() == [0.0, 0.0, 0.0]


def test_where_a_family_is_all_there_is_its_interval_is_a_point(build):
    change = {f"odds.family.MH.{family}": 0.0 for family in family_names(load_rulebook())}
    rules = load_rulebook(change | {"odds.family.MH.plate_truss_flat": 7.0, "odds.occupancy.S": "MH"})
    _, own, _ = one(build, rules, "east", occupancy="S")
    assert own.loc["plate_truss_flat", ["chance", "low", "high"]].tolist() == [1.0, 1.0, 1.0]


# --- from strata to buildings ---


def test_an_interval_holds_its_chance_where_the_beta_leaves_it_out(build):
    """Nearly all or nearly nothing: the beta of such a part has its mean outside its middle nine tenths."""
    change = {f"odds.family.W1.{family}": 0.0 for family in family_names(load_rulebook())}
    change |= {"odds.family.W1.plate_truss_pitched": 99_999.0, "odds.family.W1.sawn_rafter_pitched": 1.0}
    _, own, _ = one(build, load_rulebook(change), "east", occupancy="R-3", area_ft2=900.0)
    most, least = own.loc["plate_truss_pitched"], own.loc["sawn_rafter_pitched"]
    assert stats.beta.ppf(0.05, most["prior_count"], least["prior_count"]) > most["chance"] == most["low"]
    assert stats.beta.ppf(0.95, least["prior_count"], most["prior_count"]) < least["chance"] == least["high"]


def test_the_odds_in_words(build, rules):
    house = {"year_built": 1990, "occupancy": "R-3", "area_ft2": 1_500.0}
    building, _, _ = one(build, rules, **house)
    assert building["odds"] == (
        "plate_truss_pitched 45 %, sawn_rafter_pitched 40 %, sawn_joist_flat 7 %, wood_i_joist_flat 4 %, "
        "plate_truss_flat 4 %"
    )
    building, _, _ = one(
        build, rules, **house | {"year_built": None, "storeys": 4}, forms=[("gabled", "drawn")]
    )
    assert building["odds"] == (
        "sawn_rafter_pitched 61 %, plate_truss_pitched 39 % (year unknown, mean of all; by the form of the "
        "roof; taller than the shares are for)"
    )


def test_a_surveyed_roof_has_no_odds(build, rules):
    building, own, chances = one(build, rules, **seen("heavy_timber"))
    assert pd.isna(building["odds"])
    assert building["p_lightweight"] == 0.0
    assert chances["heavy_timber"] == chances.sum() == 1.0
    # It is one of the roofs behind the odds of its like.
    assert building["local_roofs"] == 1
    assert own.loc["heavy_timber", "chance"] < 0.5


@pytest.mark.parametrize("basis", [*BASES[1:], None])
def test_a_family_that_is_known_but_not_surveyed_is_trusted_by_its_basis(build, rules, basis):
    _, own, _ = one(build, rules)
    building, _, chances = one(build, rules, **seen("plate_truss_flat", basis))
    trust = rules.number(f"odds.trust.{basis or 'assumed'}")
    expected = own["chance"] * (1.0 - trust)
    expected["plate_truss_flat"] += trust
    assert chances.to_dict() == pytest.approx(expected.to_dict())
    assert building["odds"].startswith("plate_truss_flat ")
    light = [name for name in family_names(rules) if rules.families[name].lightweight]
    assert building["p_lightweight"] == pytest.approx(expected[light].sum())


def test_a_better_basis_is_trusted_more(rules):
    trusts = [rules.number(f"odds.trust.{basis}") for basis in BASES[1:]]
    assert trusts == sorted(set(trusts), reverse=True)
    # A record stays clearly ahead of all the odds together.
    assert trusts[0] >= 0.9


@pytest.mark.parametrize(
    ("forms", "kept"),
    [
        ([("flat", "recorded")], lambda shape, both: shape == "flat"),
        ([("gabled", "inferred")], lambda shape, both: shape == "gabled" or both),
        ([("hipped", "surveyed")], lambda shape, both: shape == "gabled" or both),
        ([("monopitch", "drawn")], lambda shape, both: shape in ("flat", "gabled")),
        ([("arched", "recorded")], lambda shape, both: shape == "arched"),
        ([("sawtooth", "recorded")], lambda shape, both: shape == "sawtooth"),
        ([("flat", "recorded"), ("arched", "drawn")], lambda shape, both: shape in ("flat", "arched")),
        ([("other", "recorded")], lambda shape, both: True),
        ([("gabled", "assumed")], lambda shape, both: True),
        ([(None, None)], lambda shape, both: True),
        ([("gabled", "recorded"), (None, None)], lambda shape, both: True),
    ],
)
def test_a_stated_form_rules_out_families_of_another(build, rules, forms, kept):
    _, own, free = one(build, rules, occupancy="F", year_built=1930)
    building, _, chances = one(build, rules, occupancy="F", year_built=1930, forms=forms)
    both = rules["odds.flat_or_pitched"].value
    stays = [name for name in free.index if kept(rules.families[name].shape, name in both)]
    expected = free.where(free.index.isin(stays), 0.0)
    assert chances.to_dict() == pytest.approx((expected / expected.sum()).to_dict())
    assert ("by the form of the roof" in building["odds"]) == (len(stays) < len(free))
    # The odds of the stratum do not know of it.
    assert own["chance"].to_dict() == pytest.approx(free.to_dict())


def test_a_form_that_no_family_of_the_odds_has_does_not_count(build, rules):
    house = {"year_built": 1990, "occupancy": "R-3", "area_ft2": 1_500.0}
    _, _, free = one(build, rules, **house)
    building, _, chances = one(build, rules, **house, forms=[("sawtooth", "recorded")])
    assert chances.to_dict() == free.to_dict()
    assert "form" not in building["odds"]


def test_a_building_without_sections_has_no_form(build, rules):
    buildings = town(build, [{}, {}])
    roofs = sections([("B001", "gabled", "recorded")])
    buildings, odds = estimate_odds(buildings, roofs, "west", rules)
    free, bound = family_chances(buildings, roofs, odds, rules).to_numpy()
    assert free.tolist() == odds["chance"].tolist() != bound.tolist()


def test_three_storeys_are_low(build, rules):
    for storeys, tall in ((None, False), (3, False), (4, True)):
        assert ("taller than" in one(build, rules, storeys=storeys)[0]["odds"]) == tall


def test_a_record_that_the_form_contradicts_keeps_its_trust(build, rules):
    """The form speaks of what nobody knows; it does not outvote a record."""
    _, _, chances = one(build, rules, **seen("sawtooth", "recorded"), forms=[("flat", "surveyed")])
    assert chances["sawtooth"] == pytest.approx(0.9)


def test_a_department_settles_what_carries_both_forms(build):
    rules = load_rulebook({"odds.flat_or_pitched": ["steel_joist_steel_deck"]})
    _, _, chances = one(build, rules, occupancy="S", forms=[("gabled", "recorded")])
    assert chances["steel_joist_steel_deck"] > 0.0
    assert chances["metal_building"] == 0.0


def test_a_family_that_does_not_say_whether_it_is_lightweight_counts_by_the_rule(build):
    family = {"like": "unknown", "label": "Shed", "severity": 0.5, "framing": "walls"}
    rules = load_rulebook(families={"shed": family})
    assert rules.families["shed"].lightweight is None
    assert one(build, rules, **seen("shed"))[0]["p_lightweight"] == 0.5


def test_the_tables_are_those_that_were_promised(build, rules):
    buildings, odds = estimate_odds(town(build, [{}, {"occupancy": "M"}]), None, "west", rules)
    assert list(buildings.columns) == [*TABLES["buildings"].columns, "geometry"]
    columns = list(buildings.columns)
    after = columns.index("p_lightweight")
    assert columns[after + 1 : after + 4] == ["stratum", "odds", "local_roofs"]
    assert list(odds.columns) == list(TABLES["family_odds"].columns)
    assert odds.groupby("stratum", sort=False)["roof_family"].agg(list).tolist() == [family_names(rules)] * 2
    chances = family_chances(buildings, None, odds, rules)
    assert chances.index.tolist() == ["B000", "B001"]
    assert chances.columns.tolist() == family_names(rules)
    assert "unknown" not in chances.columns


def test_odds_of_another_district_are_refused(build, rules):
    buildings, _ = estimate_odds(town(build, [{}]), None, "west", rules)
    _, odds = estimate_odds(town(build, [{}]), None, "east", rules)
    with pytest.raises(KeyError, match="no odds for the stratum 'west / year unknown"):
        family_chances(buildings, None, odds, rules)


def test_no_buildings_have_no_odds(build, rules):
    nothing = town(build, [{}]).iloc[:0]
    for region in REGIONS:
        buildings, odds = estimate_odds(nothing, None, region, rules)
        assert len(buildings) == len(odds) == 0
        assert family_chances(buildings, None, odds, rules).shape == (0, len(family_names(rules)))


# --- rules that cannot be ---


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"odds.prior_roofs": 0.0}, "odds.prior_roofs is 0 roofs; it must be more than zero"),
        ({"odds.prior_roofs": -3}, "odds.prior_roofs is -3 roofs"),
        ({"odds.prior_roofs": float("nan")}, "odds.prior_roofs is nan roofs"),
        ({"odds.interval_share": 1.5}, "odds.interval_share is 1.5; it takes a value from 0 to 1"),
        ({"odds.trust.recorded": 2.0}, "odds.trust.recorded is 2"),
        ({"odds.trust.drawn": -0.1}, "odds.trust.drawn is -0.1"),
        ({"odds.lightweight_not_said": 7.0}, "odds.lightweight_not_said is 7"),
        ({"odds.out_of_use_share": 7.0}, "odds.out_of_use_share is 7"),
        ({"odds.wood_light_frame_ft2": 0.0}, "odds.wood_light_frame_ft2 is 0 ft2"),
        ({"odds.size_steps_ft2": []}, "odds.size_steps_ft2 is"),
        ({"odds.size_steps_ft2": [9.0, 9.0]}, "odds.size_steps_ft2 is"),
        ({"odds.size_steps_ft2": [-1.0, 9.0]}, "odds.size_steps_ft2 is"),
        ({"odds.size_steps_ft2": ["small"]}, "odds.size_steps_ft2 is"),
        ({"odds.occupancy.S": "COM99"}, "odds.occupancy.S is 'COM99'; it takes a building type"),
        ({"odds.family.PC1.lamella": -1.0}, r"odds.family.PC1.lamella is -1; a part is zero or more"),
        ({"odds.family.PC1.lamella": float("inf")}, "odds.family.PC1.lamella is inf"),
        (
            {f"odds.family.RM2.{name}": 0.0 for name in load_rulebook().families if name != "unknown"},
            r"All rules odds.family.RM2.\* are zero",
        ),
        ({"odds.words.S": [7]}, "odds.words.S names 7; it takes words"),
        ({"odds.flat_or_pitched": ["metal_bilding"]}, "odds.flat_or_pitched names 'metal_bilding'"),
    ],
)
def test_a_rule_that_cannot_be_is_refused_in_one_sentence(build, change, says):
    with pytest.raises(RuleError, match=says) as caught:
        one(build, load_rulebook(change))
    assert "\n" not in str(caught.value)


def test_a_region_that_there_is_not_is_refused(build, rules):
    with pytest.raises(RuleError, match="region 'north'; use one of west, midwest, east, or none"):
        one(build, rules, "north")


def test_a_share_outside_the_west_that_cannot_be_is_refused_where_it_is_read(build):
    rules = load_rulebook({"odds.outside_west_share.panelized_wood": -1.0})
    with pytest.raises(RuleError, match=r"odds\.outside_west_share\.panelized_wood is -1"):
        one(build, rules, "east")


# --- what surveys say of records ---


def compared(build, rules, agree, differ, basis="recorded", region="west"):
    """A district in which so many roofs are known from a survey and from another source."""
    count = agree + differ
    names = [f"B{i:03d}" for i in range(count)]
    footprints = build.footprints({name: build.square(20.0 * i) for i, name in enumerate(names)})
    looked = build.records("key", "walk", "surveyed", key=names, roof_family=["lamella"] * count)
    said = ["lamella"] * agree + ["sawtooth"] * differ
    listed = build.records("key", "roll", basis, key=names, roof_family=said)
    found = take_inventory(build.inputs(footprints, looked, listed), rules, Ground(0.3048), region=region)
    return found.problems[found.problems["code"] == "trust_not_borne_out"]


def test_records_that_surveys_do_not_bear_out_are_told_of(build, rules):
    told = compared(build, rules, agree=9, differ=11)
    assert told[["layer", "feature", "severity"]].to_numpy().tolist() == [["odds", "recorded", "info"]]
    assert told["message"].tolist() == [
        "Of 20 roof families known as recorded that were surveyed too, 9 agree with the survey; "
        "odds.trust.recorded says 90 percent."
    ]
    # A rule that says what was found is borne out.
    assert compared(build, load_rulebook({"odds.trust.recorded": 0.45}), agree=9, differ=11).empty
    # One that says too little is told of as well.
    assert compared(build, rules, 40, 0, basis="inferred")["feature"].tolist() == ["inferred"]


@pytest.mark.parametrize("agree", range(12))
def test_what_chance_would_do_is_not_told_of(build, rules, agree):
    """The two tails of the binomial distribution, beside scipy's interval of it."""
    differ = 11 - agree
    low, high = stats.binom.interval(0.9, 11, 0.9)
    assert compared(build, rules, agree, differ).empty == (low <= agree <= high)


def test_nothing_to_compare_is_nothing_to_tell(build, rules):
    footprints = build.footprints({"a": build.square(0.0)}, roof_family=["lamella"])
    for sources in ((), (build.records("key", "walk", "surveyed", key=["a"], deck=["plywood"]),)):
        found = take_inventory(build.inputs(footprints, *sources), rules, Ground(0.3048), region="west")
        assert "trust_not_borne_out" not in set(found.problems["code"])


# --- laws ---


@st.composite
def towns(draw):
    families = st.sampled_from(
        ["unknown", "panelized_wood", "bowstring_truss", "sawn_rafter_pitched", "lamella"]
    )
    row = st.fixed_dictionaries(
        {
            "occupancy": st.sampled_from([None, "S", "M", "R-3", "R-2", "barn"]),
            "year_built": st.sampled_from([None, 1930, 1960, 1999]),
            "area_ft2": st.sampled_from([800.0, 9_000.0, 50_000.0]),
            "storeys": st.sampled_from([None, 1, 5]),
            "roof_family": families,
            "family_basis": st.sampled_from(BASES),
        }
    )
    rows = draw(st.lists(row, min_size=1, max_size=12))
    forms = st.tuples(
        st.integers(0, len(rows) - 1),
        st.sampled_from(["flat", "gabled", "arched", "other", None]),
        st.sampled_from(BASES),
    )
    said = [
        (f"B{i:03d}", form, basis if form else None) for i, form, basis in draw(st.lists(forms, max_size=8))
    ]
    return rows, sections(said), draw(st.sampled_from(REGIONS)), draw(st.integers(0, 999))


@settings(deadline=None, max_examples=40)
@given(case=towns())
def test_chances_are_chances_whatever_is_known_and_in_any_order(build, rules, case):
    rows, roofs, region, seed = case
    before = town(build, rows)
    buildings, odds = estimate_odds(before, roofs, region, rules)
    chances = family_chances(buildings, roofs, odds, rules)

    assert chances.sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert ((chances >= 0.0) & (chances <= 1.0)).all(axis=None)
    sums = odds.groupby("stratum")[["prior", "chance", "prior_count"]].sum()
    assert sums.to_numpy() == pytest.approx(np.tile([1.0, 1.0, 10.0], (len(sums), 1)))
    assert ((odds["low"] <= odds["chance"]) & (odds["chance"] <= odds["high"])).all()
    assert (odds["low"] >= 0.0).all()
    assert (odds["high"] <= 1.0).all()
    known = (before["roof_family"] != "unknown") & (before["family_basis"] == "surveyed")
    assert odds["surveyed"].sum() == known.sum()
    light = [name for name in chances if rules.families[name].lightweight]
    assert buildings["p_lightweight"].to_numpy() == pytest.approx(chances[light].sum(axis=1).to_numpy())
    assert buildings["odds"].isna().tolist() == known.tolist()
    assert set(odds["stratum"]) == set(buildings["stratum"])
    # Nothing that was passed in is changed.
    assert "odds" not in before

    mixed = np.random.default_rng(seed).permutation(len(before))
    again, same = estimate_odds(before.iloc[mixed], roofs.iloc[::-1], region, rules)
    pd.testing.assert_frame_equal(same, odds)
    pd.testing.assert_frame_equal(
        pd.DataFrame(again.sort_values("building_id", ignore_index=True)), pd.DataFrame(buildings)
    )
    turned = family_chances(again, roofs, same, rules)
    pd.testing.assert_frame_equal(turned.loc[chances.index], chances)


@settings(deadline=None, max_examples=25)
@given(
    counts=st.lists(st.integers(0, 6), min_size=3, max_size=3),
    more=st.integers(1, 5),
    region=st.sampled_from(REGIONS),
)
def test_one_more_survey_raises_its_family_and_lowers_the_others(build, rules, counts, more, region):
    families = ["panelized_wood", "bowstring_truss", "concrete_deck"]
    extra = [seen(name) for name, count in zip(families, counts, strict=True) for _ in range(count)]
    _, own, first = one(build, rules, region, extra=extra)
    _, _, second = one(build, rules, region, extra=[*extra, *[seen(families[0])] * more])
    assert second[families[0]] > first[families[0]]
    others = first.index != families[0]
    assert (second[others] <= first[others]).all()
    assert own["surveyed"].sum() == sum(counts)
