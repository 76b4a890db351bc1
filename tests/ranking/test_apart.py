"""One score taken apart: the parts, the odds and the answers are those of the ranking."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.errors import DistrictFileError
from roofplat.inventory import family_chances
from roofplat.ranking import rank_buildings, take_apart, what_if
from roofplat.ranking.score import factor_words
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


@pytest.fixture(scope="module")
def tables() -> dict[str, Any]:
    made_up = district(60, seed=3)
    return {**made_up, "ranking": rank_buildings(made_up, RULES, as_of=AS_OF)}


def test_parts_are_those_of_the_score_with_words_for_each(tables: dict[str, Any]) -> None:
    weights = RULES.table("ranking.weight")
    for _, row in tables["ranking"].iterrows():
        apart = take_apart(row["building_id"], tables, RULES, as_of=AS_OF)
        assert apart.of == 60
        assert apart.row["rank"] == row["rank"]
        parts = apart.parts.set_index("factor")
        assert set(parts.index) == set(RANKING_FACTORS)
        assert parts["part"].is_monotonic_decreasing
        assert parts["part"].sum() == pytest.approx(row["score"], abs=1e-9)
        for name in RANKING_FACTORS:
            by_hand = weights[name] / sum(weights.values()) * row[name]
            assert parts.loc[name, "part"] == pytest.approx(by_hand, abs=1e-12)
        # The three reasons of the ranking are the first three words, where they count at all.
        said = [line["why"] for line in apart.parts.to_dict("records")[:3] if line["part"] > 0]
        assert row["reasons"] == "; ".join(said)
        assert parts["why"].str.len().min() > 0


def test_odds_are_the_building_s_own_with_the_counts_of_its_kind(tables: dict[str, Any]) -> None:
    buildings = tables["buildings"]
    chances = family_chances(buildings, None, tables["family_odds"], RULES)
    asked = 0
    for _, building in buildings.iterrows():
        apart = take_apart(building["building_id"], tables, RULES, as_of=AS_OF)
        if building["family_basis"] == "surveyed":
            assert apart.odds.empty
            continue
        asked += 1
        odds = apart.odds.set_index("roof_family")
        assert odds["chance"].is_monotonic_decreasing
        assert odds["chance"].to_dict() == pytest.approx(chances.loc[building["building_id"]].to_dict())
        own = tables["family_odds"].query("stratum == @building.stratum").set_index("roof_family")
        assert odds["surveyed"].to_dict() == own["surveyed"].to_dict()
        assert odds["surveyed"].sum() == building["local_roofs"] == apart.building["local_roofs"]
        assert odds["prior_count"].sum() == pytest.approx(RULES.number("odds.prior_roofs"))
    assert asked > 20


def test_answers_are_those_of_what_if(tables: dict[str, Any]) -> None:
    name = tables["ranking"].loc[tables["ranking"]["unknown_facts"] != "", "building_id"].iloc[0]
    apart = take_apart(name, tables, RULES, as_of=AS_OF)
    pd.testing.assert_frame_equal(apart.answers, what_if(name, tables, RULES))
    assert len(apart.answers)


def test_words_do_not_depend_on_the_other_buildings(tables: dict[str, Any]) -> None:
    every = factor_words(tables, RULES, as_of=AS_OF)
    name = tables["buildings"]["building_id"].iloc[7]
    one = {**tables, "buildings": tables["buildings"].iloc[[7]]}
    pd.testing.assert_frame_equal(factor_words(one, RULES, as_of=AS_OF), every.loc[[name]])


def test_a_sprinklered_building_is_said_to_be_one() -> None:
    rows = {"building_id": ["a", "b", "c"], "sprinklered": [True, False, None]}
    words = factor_words(made(rows), RULES, as_of=AS_OF)["unsprinklered"]
    assert words.tolist() == [
        "sprinklers throughout", "no sprinklers", "no sprinklers assumed 0.7, nobody says"
    ]  # fmt: skip


def test_a_building_that_is_not_there(tables: dict[str, Any]) -> None:
    with pytest.raises(DistrictFileError, match="no building 'x7'"):
        take_apart("x7", tables, RULES, as_of=AS_OF)
