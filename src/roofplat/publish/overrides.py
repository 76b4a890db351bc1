"""What a department has changed in the rulebook, in the forms that files carry.

In: the rules in force.
Out: records for layers, lines of text for pages, sentences for sheets.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from roofplat.publish.wording import METHOD_WORDS, plain_words
from roofplat.rules import Rule, Rulebook, load_rulebook

__all__ = ["override_lines", "override_records", "override_words"]

# The id of a rule inside a sentence, and its unit.
_RULE_NAME = re.compile(r"\b([a-z]+)\.([a-z]+(?:_[a-z]+)*?)_(?:ft2?|deg|share|count)\b")


def override_records(rules: Rulebook) -> list[dict[str, Any]]:
    """Return `id`, `value` and `unit` of every overridden rule, in the order of the rulebook.

    Examples
    --------
    >>> override_records(load_rulebook({"ladder.tip_above_edge_ft": 4.0}))
    [{'id': 'ladder.tip_above_edge_ft', 'value': 4.0, 'unit': 'ft'}]
    """
    return [{"id": rule.id, "value": rule.value, "unit": rule.unit} for rule in rules.overridden]


def override_lines(rules: Rulebook) -> list[str]:
    """Return one line for every overridden rule, with the value it takes the place of.

    Examples
    --------
    >>> override_lines(load_rulebook({"ladder.stock_ft": [24.0, 35.0]}))[0].split(" (")[0]
    'ladder.stock_ft: 24, 35 ft'
    """
    return [
        f"{rule.id}: {_with_unit(rule)} (department" + (f"; was {_with_unit(was)})" if was else ")")
        for rule, was in _changes(rules)
    ]


def override_words(rules: Rulebook) -> tuple[str, ...]:
    """Return one sentence for every overridden rule: its meaning, its value, and the rulebook's.

    Examples
    --------
    >>> override_words(load_rulebook({"ladder.tip_above_edge_ft": 4.0}))[0].endswith("4 ft (rulebook: 3 ft)")
    True
    """
    return tuple(
        f"{_meaning(rule)}: {_in_words(rule)}" + (f" (rulebook: {_in_words(was)})" if was else "")
        for rule, was in _changes(rules)
    )


def _changes(rules: Rulebook) -> list[tuple[Rule, Rule | None]]:
    """Overridden rules, and what each takes the place of.

    A figure of a family that the department added was nothing before.
    """
    if not rules.overridden:
        return []
    standard = load_rulebook().rules
    return [(rule, standard.get(rule.id)) for rule in rules.overridden]


def _meaning(rule: Rule) -> str:
    return plain_words(_RULE_NAME.sub(r"\1 \2", rule.meaning)).rstrip(".")


def _listed(rule: Rule, words: Callable[[Any], str]) -> str:
    values = rule.value if isinstance(rule.value, list) else [rule.value]
    return ", ".join(f"{value:g}" if isinstance(value, float) else words(value) for value in values)


def _with_unit(rule: Rule) -> str:
    return f"{_listed(rule, str)} {rule.unit}".strip()


def _in_words(rule: Rule) -> str:
    unit = "" if rule.unit in ("method", "count", "share", "date") else f" {rule.unit}"
    return f"{_listed(rule, _word) or 'none'}{unit}"


def _word(value: Any) -> str:
    return METHOD_WORDS.get(value, plain_words(value)) if isinstance(value, str) else str(value)
