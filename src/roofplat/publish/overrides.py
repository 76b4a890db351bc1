"""What a department has changed in the rulebook, in the forms that files carry.

In: the rules in force.
Out: records for layers, lines of text for pages.
"""

from __future__ import annotations

from typing import Any

from roofplat.rules import Rule, Rulebook, load_rulebook

__all__ = ["override_lines", "override_records"]


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
    standard = load_rulebook()
    return [
        f"{rule.id}: {_with_unit(rule)} (department"
        # A figure of a family that the department added was nothing before.
        + (f"; was {_with_unit(standard[rule.id])})" if rule.id in standard.rules else ")")
        for rule in rules.overridden
    ]


def _with_unit(rule: Rule) -> str:
    values = rule.value if isinstance(rule.value, list) else [rule.value]
    words = ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in values)
    return f"{words} {rule.unit}".strip()
