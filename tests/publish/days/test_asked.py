"""What a visit asks: whatever nobody has surveyed, with what is on record; nothing that is settled."""

from __future__ import annotations

from typing import Any

import pandas as pd

from roofplat.publish.days.asked import NOT_KNOWN, open_facts
from roofplat.rules import load_rulebook

from .conftest import ODD

RULES = load_rulebook()


def asked(tables: dict[str, Any], *ids: str) -> dict[str, str]:
    facts = open_facts(tables, list(ids), RULES)
    return dict(zip(facts["fact"], facts["record"], strict=True))


def test_what_is_surveyed_is_not_asked_and_what_is_missing_is(tables: dict[str, Any]) -> None:
    facts = asked(tables, "1001")
    assert "Roof family" not in facts
    assert "Direction of beams" not in facts
    assert "Spacing of members" not in facts
    assert "Height to roof edge" not in facts
    assert facts["Deck"] == NOT_KNOWN
    assert facts["Parapet above edge"] == NOT_KNOWN
    assert facts["On the roof"] == "skylight 1, suspended load 1, unit 1"


def test_a_guess_is_asked_and_called_a_guess(tables: dict[str, Any]) -> None:
    facts = asked(tables, "1002")
    assert facts["Roof family"] == "Panelized, wood beams and purlins; inferred"
    assert facts["Direction of beams"] == "0 deg from true north, inferred"
    assert facts["Spacing of members"] == "beams 20 ft; purlins 8 ft; rafters 2 ft, inferred"
    assert facts["Height to roof edge"] == "22 ft, assumed"
    assert facts["Year built"] == NOT_KNOWN
    assert "Sprinklers" not in facts


def test_an_unknown_roof_is_asked_everything_and_a_recorded_family_still(tables: dict[str, Any]) -> None:
    facts = asked(tables, "1003")
    assert facts["Roof family"] == NOT_KNOWN
    assert {"Storeys", "Occupancy", "Sprinklers", "Height to roof edge"} <= set(facts)
    assert set(facts.values()) == {NOT_KNOWN, "none on record"}
    assert asked(tables, ODD)["Roof family"] == "Bowstring or other arched truss; recorded"


def test_a_family_is_not_asked_for_what_it_has_not(mixed: dict[str, Any]) -> None:
    pitched = asked(mixed, "H1")
    assert "Direction of beams" not in pitched
    assert pitched["Form and slope"] == "form hipped, recorded; slope 30 deg, assumed"
    flat = asked(mixed, "S1")
    assert "Direction of ridge" not in flat
    assert flat["Direction of beams"] == "90 deg from true north, inferred"


def test_sections_are_told_apart_and_counted() -> None:
    sections = pd.DataFrame(
        {
            "building_id": ["7"] * 5 + ["8"],
            "roof_family": "panelized_wood",
            "deck": ["plank", None, "steel", "plank", "tile", "plank"],
        }
    )
    tables = {"sections": sections}
    assert asked(tables, "7", "8") == {"Deck": "plank / not known / steel / and 1 more"}


def test_buildings_come_in_the_order_asked_for(tables: dict[str, Any]) -> None:
    ids = ["1003", ODD, "1001"]
    facts = open_facts(tables, ids, RULES)
    assert facts["building_id"].drop_duplicates().tolist() == ids
    shuffled = {name: frame.iloc[::-1] for name, frame in tables.items()}
    pd.testing.assert_frame_equal(open_facts(shuffled, ids, RULES), facts)
    assert open_facts(tables, [], RULES).empty
