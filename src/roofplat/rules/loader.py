"""Read the rulebook and apply a department's overrides.

In: `rulebook.toml`, `families.toml` (package data), a mapping of overrides by rule id.
Out: `Rulebook`, an immutable mapping of rule id to `Rule`, and the roof families.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal, get_args

from roofplat.errors import RuleError

__all__ = ["Family", "Rule", "Rulebook", "Status", "load_rulebook"]

Status = Literal["published", "second-hand", "common practice", "from memory", "department"]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: a value, its unit, where it comes from and what it means."""

    id: str
    value: Any
    unit: str
    source: str
    status: Status
    meaning: str
    overridden: bool = False


@dataclass(frozen=True, slots=True)
class Family:
    """One roof family: how it is framed and how, if at all, it may be opened."""

    id: str
    label: str
    plan: Literal["panelized", "walls_only"]
    severity: float
    caution: str
    source: str
    status: Status
    lightweight: bool | None = None
    beam_spacing_ft: float | None = None
    purlin_spacing_ft: float | None = None
    rafter_spacing_ft: float | None = None
    methods: tuple[str, ...] = ()
    alert: str = ""
    """A few words for the premise note."""


@dataclass(frozen=True, slots=True, repr=False)
class Rulebook:
    """The rules in force for one district.

    Examples
    --------
    >>> rules = load_rulebook({"ladder.tip_above_edge_ft": 4.0})
    >>> rules.number("ladder.tip_above_edge_ft")
    4.0
    >>> rules["ladder.tip_above_edge_ft"].status
    'department'
    """

    rules: Mapping[str, Rule]
    families: Mapping[str, Family] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"<Rulebook of {len(self.rules)} rules, {len(self.overridden)} overridden>"

    def __getitem__(self, rule_id: str) -> Rule:
        try:
            return self.rules[rule_id]
        except KeyError:
            raise RuleError(_unknown_rule(rule_id, self.rules)) from None

    def number(self, rule_id: str) -> float:
        """Return the value of a numeric rule, in the unit its id ends with."""
        return float(self[rule_id].value)

    def count(self, rule_id: str) -> int:
        """Return the value of a whole-number rule."""
        return int(self[rule_id].value)

    def numbers(self, rule_id: str) -> list[float]:
        """Return the value of a rule that is a list of numbers."""
        return [float(value) for value in self[rule_id].value]

    def choice(self, rule_id: str) -> str:
        """Return the value of a rule that is a word."""
        return str(self[rule_id].value)

    def table(self, prefix: str) -> dict[str, float]:
        """Return the numeric rules below `prefix.` by the last part of their id.

        Examples
        --------
        >>> sorted(load_rulebook().table("path.cost"))
        ['beam', 'purlin', 'wall']
        """
        start = prefix + "."
        return {
            rule_id[len(start) :]: float(rule.value)
            for rule_id, rule in self.rules.items()
            if rule_id.startswith(start)
        }

    @property
    def overridden(self) -> list[Rule]:
        """The rules a department has changed, in the order of the rulebook."""
        return [rule for rule in self.rules.values() if rule.overridden]


def load_rulebook(overrides: Mapping[str, Any] | None = None) -> Rulebook:
    """Load the rulebook that comes with the package and apply overrides.

    Parameters
    ----------
    overrides
        Rule id to value, as the `[rules]` table of a district file gives them.

    Returns
    -------
    Rulebook
        With every overridden rule marked `status = "department"`.

    Raises
    ------
    RuleError
        A rule id does not exist, or the value has another type than the rule it replaces.

    Examples
    --------
    >>> load_rulebook()["ground.foot_m"].value
    0.3048
    """
    package = resources.files("roofplat.rules")
    rules = _read_rules(tomllib.loads(package.joinpath("rulebook.toml").read_text("utf-8")))
    for rule_id, value in (overrides or {}).items():
        if rule_id not in rules:
            raise RuleError(_unknown_rule(rule_id, rules))
        rules[rule_id] = _override(rules[rule_id], value)
    families = _read_families(tomllib.loads(package.joinpath("families.toml").read_text("utf-8")))
    return Rulebook(MappingProxyType(rules), MappingProxyType(families))


def _read_rules(document: Mapping[str, Any], prefix: str = "") -> dict[str, Rule]:
    """Flatten nested TOML tables into rules; a table with a `value` is a rule."""
    found: dict[str, Rule] = {}
    for key, entry in document.items():
        rule_id = f"{prefix}{key}"
        if "value" in entry:
            rule = Rule(id=rule_id, **entry)
            if rule.status not in get_args(Status):
                raise RuleError(f"Rule {rule_id} has status {rule.status!r}; use one of {get_args(Status)}.")
            found[rule_id] = rule
        else:
            found |= _read_rules(entry, prefix=f"{rule_id}.")
    return found


def _read_families(document: Mapping[str, Any]) -> dict[str, Family]:
    return {
        family_id: Family(id=family_id, **{**entry, "methods": tuple(entry.get("methods", ()))})
        for family_id, entry in document.items()
    }


def _override(rule: Rule, value: Any) -> Rule:
    same_kind = (
        isinstance(value, (int, float)) and not isinstance(value, bool)
        if isinstance(rule.value, (int, float)) and not isinstance(rule.value, bool)
        else isinstance(value, type(rule.value))
    )
    if not same_kind:
        raise RuleError(
            f"Rule {rule.id} in the district file is {value!r}, but it takes a value like "
            f"{rule.value!r} ({rule.unit}): change it in the [rules] table."
        )
    return replace(
        rule,
        value=value,
        source="district file",
        status="department",
        overridden=True,
    )


def _unknown_rule(rule_id: str, rules: Mapping[str, Rule]) -> str:
    near = get_close_matches(rule_id, rules, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}? " if near else ""
    return f"There is no rule {rule_id!r}; {hint}`roofplat rules` lists them all."
