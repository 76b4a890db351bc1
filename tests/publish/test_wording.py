"""Codes read as words on every page; ids of rules stay what they are."""

from __future__ import annotations

import pytest

from roofplat.publish.wording import METHOD_WORDS, plain_words, without_code
from roofplat.rules import load_rulebook
from roofplat.tables import METHODS


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
