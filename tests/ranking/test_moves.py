"""How far each answer moves the score, against every answer told of one building after the other."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.inventory import estimate_odds
from roofplat.ranking import rank_buildings, score_moves, what_if
from roofplat.ranking.moves import MOVING_FIELDS
from roofplat.ranking.score import FACT_WORDS, weight_shares
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)


def ranked(tables: dict[str, Any]) -> dict[str, Any]:
    return {**tables, "ranking": rank_buildings(tables, RULES, as_of=AS_OF)}


def plain(building: str, tables: dict[str, Any]) -> dict[str, float]:
    """The mean distance of one building's answers, by facts, from what `rank --explain` says of each."""
    answers = what_if(building, tables, RULES)
    ranking = tables["ranking"].set_index("building_id")
    away = (answers["score"] - ranking.loc[building, "score"]).abs()
    found = {}
    for fact, field in zip(FACT_WORDS, MOVING_FIELDS, strict=False):
        own = (answers["fact"] == fact).to_numpy()
        if own.any():
            weights = answers["chance"].to_numpy()[own] if field == "roof_family" else None
            found[field] = float(np.average(away[own], weights=weights))
    return {field: move for field, move in found.items() if move > 1e-9}


def test_each_move_is_the_mean_of_what_the_answers_would_do() -> None:
    made_up = district(8, seed=4)["buildings"]
    made_up.loc[made_up["roof_family"] == "unknown", "year_built"] = pd.NA
    buildings, family_odds = estimate_odds(made_up, None, "west", RULES)
    tables = ranked({"buildings": buildings, "family_odds": family_odds})
    ids = sorted(buildings["building_id"], reverse=True)
    found = score_moves(ids, tables, RULES)
    fields = set()
    for building in ids:
        own = found[found["building_id"] == building]
        wanted = plain(building, tables)
        assert dict(zip(own["field"], own["moves"], strict=True)) == pytest.approx(wanted, abs=2e-9)
        assert own["moves"].is_monotonic_decreasing
        fields |= set(own["field"])
    # Buildings in the order asked for.
    assert list(dict.fromkeys(found["building_id"])) == [
        name for name in ids if name in set(found["building_id"])
    ]
    assert fields == set(MOVING_FIELDS[:4])


def test_a_building_is_told_the_same_whoever_is_asked_with_it() -> None:
    buildings, family_odds = estimate_odds(district(8, seed=4)["buildings"], None, "west", RULES)
    tables = ranked({"buildings": buildings, "family_odds": family_odds})
    ids = buildings["building_id"].tolist()
    every = score_moves(ids, tables, RULES)
    for building in ids:
        alone = score_moves([building], tables, RULES)
        own = every[every["building_id"] == building].reset_index(drop=True)
        pd.testing.assert_frame_equal(alone, own)


def test_a_load_that_may_hang_moves_by_half_of_its_weight() -> None:
    """Yes counts in full, no leaves the score as it is: of a bare roof the mean is one half."""
    tables = made([{"building_id": "a"}, {"building_id": "b"}])
    roofs = pd.DataFrame(
        {
            "building_id": ["a", "a", "b"],
            "section_id": ["a-1", "a-2", "b-1"],
            "suspended_load": pd.array([False, pd.NA, False], dtype="boolean"),
            "undivided_ft2": 1000.0,
            "roof_shape": None,
            "roof_shape_basis": None,
        }
    )
    tables = ranked({**tables, "roofs": roofs})
    found = score_moves(["a", "b"], tables, RULES)
    moves = found[found["field"] == "suspended_load"].set_index("building_id")["moves"]
    share = dict(zip(RANKING_FACTORS, weight_shares(RULES), strict=True))
    bare = tables["ranking"].set_index("building_id").loc["a", "roof_load"]
    assert bare == 0.0
    assert moves.to_dict() == pytest.approx({"a": share["roof_load"] / 2}, abs=1e-9)


def test_what_is_surveyed_and_stated_is_not_asked() -> None:
    tables = ranked(
        made(
            [
                {
                    "building_id": "a",
                    "roof_family": "lamella",
                    "family_basis": "surveyed",
                    "year_built": 1990,
                    "occupancy": "S",
                    "sprinklered": True,
                }
            ]
        )
    )
    assert score_moves(["a"], tables, RULES).empty
