"""What would change a rank: each answer against the district ranked again with it."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.errors import DistrictFileError
from roofplat.inventory import estimate_odds, family_chances, period_years
from roofplat.ranking import rank_buildings, what_if
from roofplat.ranking.score import FACT_WORDS, weight_shares
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


def ranked(tables: dict[str, Any]) -> dict[str, Any]:
    return {**tables, "ranking": rank_buildings(tables, RULES, as_of=AS_OF)}


def again(tables: dict[str, Any], building: str, **facts: Any) -> pd.Series:
    """The building's row once it is known, everything else as it was; odds made again where they follow."""
    buildings = tables["buildings"].copy()
    for name, value in facts.items():
        buildings.loc[buildings["building_id"] == building, name] = value
    now = {**tables, "buildings": buildings}
    if "roof_family" not in facts:
        now["buildings"], now["family_odds"] = estimate_odds(buildings, None, "west", RULES)
    return rank_buildings(now, RULES, as_of=AS_OF).set_index("building_id").loc[building]


def test_every_answer_lands_where_ranking_again_puts_it() -> None:
    made_up = district(6, seed=4)["buildings"]
    made_up.loc[made_up["roof_family"] == "unknown", "year_built"] = pd.NA
    buildings, family_odds = estimate_odds(made_up, None, "west", RULES)
    tables = ranked({"buildings": buildings, "family_odds": family_odds})
    known = tables["buildings"].set_index("building_id")
    years = period_years("west", RULES)
    seen = set()
    for building in known.index:
        found = what_if(building, tables, RULES)
        for row in found.itertuples():
            seen.add(row.fact)
            if row.fact == "roof family":
                light = float(RULES.families[row.answer].lightweight or False)
                facts = {"roof_family": row.answer, "family_basis": "surveyed", "p_lightweight": light}
            elif row.fact == "occupancy":
                facts = {"occupancy": row.answer}
            elif row.fact == "year built":
                facts = {"year_built": years[row.answer]}
            else:
                facts = {"sprinklered": row.answer == "yes"}
            now = again(tables, building, **facts)
            assert row.score == pytest.approx(now["score"], abs=2e-9), (building, row)
            assert row.rank == now["rank"], (building, row)
    assert seen == set(FACT_WORDS)


def test_the_odds_follow_an_answer() -> None:
    """A house and a shed of one size: what the occupancy says of the roof moves the score as well."""
    tables = ranked(made([{"building_id": "a", "year_built": 1990}, {"building_id": "b"}]))
    found = what_if("a", tables, RULES).set_index("answer")
    share = dict(zip(RANKING_FACTORS, weight_shares(RULES), strict=True))
    # R and R-3 are one letter and one life hazard, and what houses are made of is told apart.
    assert found.loc["R-3", "score"] != pytest.approx(found.loc["R", "score"], abs=1e-3)
    # Of sprinklers the odds know nothing: the whole of that weight lies between the two answers.
    assert found.loc["no", "score"] - found.loc["yes", "score"] == pytest.approx(share["unsprinklered"])
    # The year of the first is known, that of the second is not.
    assert "year built" not in set(found["fact"])
    other = what_if("b", tables, RULES)
    assert other.loc[other["fact"] == "year built", "answer"].nunique() == 3


def test_where_odds_do_not_go_by_the_year_it_is_not_asked_for() -> None:
    buildings, odds = estimate_odds(made([{"building_id": "a"}])["buildings"], None, "east", RULES)
    tables = ranked({"buildings": buildings, "family_odds": odds})
    assert tables["ranking"]["unknown_facts"].tolist() == ["roof family, occupancy, sprinklers"]
    assert "year built" not in set(what_if("a", tables, RULES)["fact"])


def test_a_stated_form_is_kept_when_the_odds_follow() -> None:
    buildings = made([{"building_id": "a", "year_built": 1990}])["buildings"]
    rows = [{"building_id": "a", "section_id": "a/1", "roof_shape": "flat", "roof_shape_basis": "recorded"}]
    roofs = pd.DataFrame(rows)
    buildings, odds = estimate_odds(buildings, roofs, "west", RULES)
    tables = ranked(
        {
            "buildings": buildings,
            "family_odds": odds,
            "roofs": roofs.assign(undivided_ft2=9e3, suspended_load=False),
        }
    )
    found = what_if("a", tables, RULES).set_index("answer")
    told = buildings.assign(occupancy="R-3")
    told, odds = estimate_odds(told, roofs, "west", RULES)
    flat = rank_buildings({**tables, "buildings": told, "family_odds": odds}, RULES, as_of=AS_OF)
    assert found.loc["R-3", "score"] == pytest.approx(flat["score"].iloc[0], abs=2e-9)
    # Without the form a house would most likely be pitched, and its score another one.
    bare, odds = estimate_odds(told, None, "west", RULES)
    pitched = rank_buildings(
        {**tables, "buildings": bare, "family_odds": odds, "roofs": None}, RULES, as_of=AS_OF
    )
    assert pitched["score"].iloc[0] != pytest.approx(flat["score"].iloc[0], abs=1e-3)


def test_facts_asked_for_are_those_that_nobody_knows() -> None:
    tables = ranked(district(60, seed=9))
    known = tables["buildings"].set_index("building_id")
    for building, row in known.iterrows():
        facts = set(what_if(str(building), tables, RULES)["fact"])
        assert ("roof family" in facts) == (row["family_basis"] != "surveyed")
        assert ("occupancy" in facts) == pd.isna(row["occupancy"])
        assert ("sprinklers" in facts) == pd.isna(row["sprinklered"])


def test_chances_are_the_odds_and_their_mean_score_is_the_score() -> None:
    tables = ranked(district(60, seed=9))
    chances = family_chances(tables["buildings"], None, tables["family_odds"], RULES)
    ranking = tables["ranking"].set_index("building_id")
    counted = 0
    for building in ranking.index[ranking["family_basis"] != "surveyed"]:
        found = what_if(building, tables, RULES)
        family = found[found["fact"] == "roof family"]
        assert family["chance"].sum() == pytest.approx(1.0)
        assert family.set_index("answer")["chance"].to_dict() == pytest.approx(
            chances.loc[building][chances.loc[building] > 0].to_dict()
        )
        mean = (family["score"] * family["chance"]).sum()
        assert mean == pytest.approx(ranking.loc[building, "score"], abs=1e-8)
        assert found.loc[found["fact"] != "roof family", "chance"].isna().all()
        counted += 1
    assert counted > 20


def test_answers_come_best_rank_first_within_a_fact() -> None:
    rows = [{"building_id": "a", "roof_family": "unknown", "area_ft2": 9_000.0}]
    rows[0]["year_built"] = 1990
    rows += [{"building_id": f"b{n}", "roof_family": "lamella", "family_basis": "surveyed"} for n in range(9)]
    found = what_if("a", ranked(made(rows)), RULES)
    assert found["fact"].drop_duplicates().tolist() == ["roof family", "occupancy", "sprinklers"]
    assert found[found["fact"] == "sprinklers"]["answer"].tolist() == ["no", "yes"]
    for _, answers in found.groupby("fact"):
        keys = list(zip(answers["rank"], answers["answer"], strict=True))
        assert keys == sorted(keys)


def test_nothing_is_asked_where_everything_is_known() -> None:
    row = {
        "building_id": "a", "roof_family": "lamella", "family_basis": "surveyed", "occupancy": "B",
        "sprinklered": True, "area_ft2": 9_000.0,
    }  # fmt: skip
    found = what_if("a", ranked(made([row])), RULES)
    assert found.empty
    assert list(found.columns) == ["fact", "answer", "score", "rank", "chance"]


def test_an_unknown_building_is_one_sentence() -> None:
    with pytest.raises(DistrictFileError, match=r"^There is no building 'zz' in the ranking; .*\.$"):
        what_if("zz", ranked(district(3, seed=1)), RULES)
