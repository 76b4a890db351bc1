"""Codes read as words on every page; ids of rules stay what they are."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.publish.wording import (
    DUE_WORDS,
    METHOD_WORDS,
    behind_words,
    due_words,
    odds_words,
    plain_words,
    without_code,
)
from roofplat.rules import load_rulebook
from roofplat.tables import DUE_STATES, METHODS

RULES = load_rulebook()


def test_every_method_has_words_and_no_two_the_same() -> None:
    assert set(METHOD_WORDS) == set(METHODS)
    assert len(set(METHOD_WORDS.values())) == len(METHODS)
    assert not any("_" in words for words in METHOD_WORDS.values())


def test_ids_of_rules_are_left_alone() -> None:
    for rule in load_rulebook().rules:
        assert plain_words(f"something ({rule})") == f"something ({rule})"


@pytest.mark.parametrize(
    ("said", "read"),
    [
        ("near_ridge: the first method", "the first method"),
        ("do_not_cut: Stay off: it falls.", "Stay off: it falls."),
        ("no reason given", "no reason given"),
        (
            "existing_opening: first; no deck is cut (family_not_cut: not cut)",
            "first; no deck is cut (family not cut: not cut)",
        ),
    ],
)
def test_a_reason_is_said_without_its_code(said: str, read: str) -> None:
    assert without_code(said) == read


def test_every_state_of_an_inspection_has_words() -> None:
    assert set(DUE_WORDS) == set(DUE_STATES)
    assert len(set(DUE_WORDS.values())) == len(DUE_STATES)
    days = pd.array([365, None], dtype="Int64")
    assert [due_words("overdue", count) for count in days] == ["overdue by 365 days", "overdue"]


def test_numbers_of_any_kind_are_counted() -> None:
    counts = pd.array([1, 0, None], dtype="Int64")
    assert [behind_words(count).split(" and ")[1] for count in counts] == [
        "1 surveyed roof like it",
        "no surveyed roof like it",
        "no surveyed roof like it",
    ]


def test_odds_of_the_tables_are_said_whole_and_without_codes(
    tables: dict[str, Any], mixed: dict[str, Any]
) -> None:
    odds = pd.concat([tables["buildings"]["odds"], mixed["buildings"]["odds"]]).dropna()
    assert len(odds) == 6
    for one in odds:
        words = odds_words(one, RULES)
        listed, _, notes = words.partition(" (")
        assert "_" not in words
        # Percents are whole, and what is not said by name is in the rest.
        assert sum(int(number) for number in re.findall(r" (\d+)%", listed)) == 100
        assert listed.count(";") <= 4
        assert notes == one.partition(" (")[2]


@given(st.text(max_size=60))
def test_odds_that_are_none_raise_nothing(text: str) -> None:
    assert isinstance(odds_words(text, RULES), str)
