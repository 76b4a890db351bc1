"""Every rule that names a source is held to it by a check that looks at its value.

In: the rulebook, and the checks in `tests/reference/` that are marked with the rules they hold.
Out: no sourced rule without a check; no check that stays green when the rule is changed.

A check that only names a rule would rot unseen. So each is run once more on a rulebook in which that one
rule is changed by a hundredth, up and down, or by a word; then at least one of its rows has to fail.
"""

from __future__ import annotations

import importlib
import itertools
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import Any

import pytest

from roofplat.rules import Rule, Rulebook, load_rulebook

BOOK = load_rulebook()
SOURCED = [rule.id for rule in BOOK.rules.values() if rule.status in ("published", "second-hand")]
REFERENCE = Path(__file__).resolve().parents[1] / "reference"
# The value of a span is a department's own to state; without it, its range holds: `Family.span_limit_ft`.
RANGE_HOLDS = ".span_ft"


def _changed(value: Any) -> Iterator[Any]:
    """The value, a little different in one place at a time."""
    if isinstance(value, list | tuple):
        for place, part in enumerate(value):
            yield from ([*value[:place], other, *value[place + 1 :]] for other in _changed(part))
        if isinstance(value[0], str):
            yield from ([*value[:place], *value[place + 1 :]] for place in range(len(value)))
    elif isinstance(value, str):
        yield value + "?"
    elif isinstance(value, int):
        yield from (value - 1, value + 1)
    else:
        yield from (value * 0.99, value * 1.01)


def _variants(rule: Rule) -> Iterator[Rule]:
    if rule.id.endswith(RANGE_HOLDS):
        assert rule.range is not None
        yield from (replace(rule, range=tuple(ends)) for ends in _changed(rule.range))
    else:
        yield from (replace(rule, value=value) for value in _changed(rule.value))


def _with(rule: Rule) -> Rulebook:
    """The rulebook with one rule changed, in the families as well."""
    families = dict(BOOK.families)
    if rule.id.startswith("family."):
        _, name, figure = rule.id.split(".")
        figures = MappingProxyType({**families[name].figures, figure: rule})
        families[name] = replace(families[name], figures=figures)
    return replace(BOOK, rules={**BOOK.rules, rule.id: rule}, families=families)


def _modules() -> list[ModuleType]:
    return [importlib.import_module(f"tests.reference.{path.stem}") for path in REFERENCE.glob("test_*.py")]


def _marks(test: Any, name: str) -> list[pytest.Mark]:
    return [mark for mark in getattr(test, "pytestmark", ()) if mark.name == name]


def _checks() -> dict[str, list[Any]]:
    """The marked checks of each rule."""
    found: dict[str, list[Any]] = {}
    for module in _modules():
        for name, test in sorted(vars(module).items()):
            if name.startswith("test_"):
                for mark in _marks(test, "checks"):
                    for rule_id in mark.args:
                        found.setdefault(rule_id, []).append(test)
    return found


CHECKS = _checks()


def _rows(test: Any) -> Iterator[dict[str, Any]]:
    """The arguments of each case of a parametrised test; one empty case of any other."""
    columns = []
    for mark in _marks(test, "parametrize"):
        names, rows = mark.args
        names = [names] if isinstance(names, str) else list(names)
        columns.append([dict(zip(names, row if len(names) > 1 else [row], strict=True)) for row in rows])
    for parts in itertools.product(*columns):
        yield {name: value for part in parts for name, value in part.items()}


def _is_green(test: Any, book: Rulebook, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Whether every case of a check holds by a rulebook."""
    with monkeypatch.context() as patch:
        patch.setattr(sys.modules[test.__module__], "BOOK", book)
        for row in _rows(test):
            try:
                test(**row)
            except Exception:
                return False
    return True


def test_no_check_names_a_rule_that_does_not_exist() -> None:
    assert set(CHECKS) <= set(BOOK.rules)


@pytest.mark.parametrize("rule_id", SOURCED)
def test_a_rule_with_a_source_is_held_to_it(rule_id: str, monkeypatch: pytest.MonkeyPatch) -> None:
    tests = CHECKS.get(rule_id, [])
    assert tests, f"{rule_id} has a source; no check in tests/reference/ is marked with it"
    assert all(_is_green(test, BOOK, monkeypatch) for test in tests)
    unseen = [
        variant
        for variant in _variants(BOOK[rule_id])
        if all(_is_green(test, _with(variant), monkeypatch) for test in tests)
    ]
    assert not unseen, f"no check of {rule_id} sees that it is {unseen[0]}"


def test_a_check_that_only_names_a_rule_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The test above can fail: a check of another rule stays green."""
    (other,) = CHECKS["trench.width_ft"]
    variants = list(_variants(BOOK["ladder.stock_ft"]))
    assert len(variants) == 2 * len(BOOK.numbers("ladder.stock_ft"))
    assert all(_is_green(other, _with(variant), monkeypatch) for variant in variants)
    assert not _is_green(other, _with(next(_variants(BOOK["trench.width_ft"]))), monkeypatch)
