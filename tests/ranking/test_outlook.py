"""What each roof may be: with odds, without, and with a family that a department adds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.ranking.made import district, made

from roofplat.inventory import family_chances
from roofplat.ranking.outlook import outlook
from roofplat.rules import load_rulebook

RULES = load_rulebook()


def test_the_chances_are_those_of_the_inventory_row_by_row() -> None:
    tables = district(50, seed=6)
    found = outlook(tables["buildings"], tables, RULES)
    chances = family_chances(tables["buildings"], None, tables["family_odds"], RULES)
    assert list(found.families) == list(chances.columns)
    assert np.array_equal(found.chances, chances.to_numpy())
    assert found.chances.sum(axis=1) == pytest.approx(1.0)
    assert "unknown" not in found.families
    assert tables["buildings"]["p_lightweight"].to_numpy() == pytest.approx(found.chances @ found.lightweight)


@pytest.mark.parametrize("odds", [None, pd.DataFrame()])
def test_without_odds_a_stated_family_is_taken_as_it_is_and_an_unknown_one_may_be_any(
    odds: pd.DataFrame | None,
) -> None:
    buildings = pd.DataFrame({"building_id": ["a", "b"], "roof_family": ["concrete_deck", "unknown"]})
    found = outlook(buildings, {} if odds is None else {"family_odds": odds}, RULES)
    assert found.families[int(found.chances[0].argmax())] == "concrete_deck"
    assert found.chances[0].max() == 1.0
    assert (found.chances[1] == 1 / len(found.families)).all()


def test_figures_are_those_of_the_rulebook_and_of_a_departments_own_families() -> None:
    shed = {"like": "metal_building", "label": "Shed", "severity": 0.25}
    barn = {
        "label": "Barn",
        "caution": "Look.",
        "framing": "walls",
        "severity": 0.5,
        "methods": [],
        "trench": [],
    }
    rules = load_rulebook({"family.lamella.severity": 0.75}, {"shed": shed, "barn": barn})
    found = outlook(made([{"building_id": "a"}], rules=rules)["buildings"], {}, rules)
    severity = dict(zip(found.families, found.severity, strict=True))
    lightweight = dict(zip(found.families, found.lightweight, strict=True))
    assert (severity["lamella"], severity["shed"], severity["barn"]) == (0.75, 0.25, 0.5)
    # The shed is like a lightweight one; of the barn the department does not say.
    assert (lightweight["shed"], lightweight["lamella"]) == (1.0, 0.0)
    assert lightweight["barn"] == RULES.number("odds.lightweight_not_said")


def test_a_departments_own_family_is_known_by_its_surveys() -> None:
    barn = {"like": "concrete_deck", "label": "Barn"}
    rules = load_rulebook(families={"barn": barn})
    rows = [{"building_id": f"s{n}", "roof_family": "barn", "family_basis": "surveyed"} for n in range(10)]
    tables = made([*rows, {"building_id": "u"}], rules=rules)
    found = outlook(tables["buildings"], tables, rules)
    chance = found.chances[-1][found.families.index("barn")]
    # Ten surveys beside a prior of ten roofs that knows nothing of barns.
    assert chance == pytest.approx(10 / (10 + rules.number("odds.prior_roofs")))
