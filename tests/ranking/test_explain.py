"""What would change a rank: each answer against the district ranked again with it."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.errors import DistrictFileError
from roofplat.inventory import family_chances
from roofplat.ranking import rank_buildings, what_if
from roofplat.rules import load_rulebook

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


def ranked(tables: dict[str, Any]) -> dict[str, Any]:
    return {**tables, "ranking": rank_buildings(tables, RULES, as_of=AS_OF)}


def again(tables: dict[str, Any], building: str, **facts: Any) -> pd.Series:
    """The building's row once it is known, everything else as it was."""
    buildings = tables["buildings"].copy()
    for name, value in facts.items():
        buildings.loc[buildings["building_id"] == building, name] = value
    found = rank_buildings({**tables, "buildings": buildings}, RULES, as_of=AS_OF)
    return found.set_index("building_id").loc[building]


def test_every_answer_lands_where_ranking_again_puts_it() -> None:
    tables = ranked(district(6, seed=4))
    known = tables["buildings"].set_index("building_id")
    seen = set()
    for building in known.index:
        found = what_if(building, tables, RULES)
        for row in found.itertuples():
            seen.add(row.fact)
            if row.fact == "roof family":
                light = float(RULES.families[row.answer].lightweight or False)
                facts = {"roof_family": row.answer, "family_basis": "surveyed", "p_lightweight": light}
            elif row.fact == "occupancy":
                # The odds are left as they were: the stratum stays, and with it the chances.
                facts = {"occupancy": row.answer}
            else:
                facts = {"sprinklered": row.answer == "yes"}
            now = again(tables, building, **facts)
            assert row.score == pytest.approx(now["score"], abs=2e-9), (building, row)
            assert row.rank == now["rank"], (building, row)
    assert seen == {"roof family", "occupancy", "sprinklers"}


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
