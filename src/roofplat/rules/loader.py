"""Read the rulebook and apply a department's overrides.

In: `rulebook.toml`, `odds.toml`, `days.toml`, `record.toml`, `changes.toml`, `venting.toml`,
    `work.toml`, `families.toml` (package data), a mapping of overrides by rule id, and families that a
    department adds.
Out: `Rulebook`, an immutable mapping of rule id to `Rule`, and the roof families.

Every figure of a family is a rule too, `family.FAMILY.FIGURE`, so that it is listed, overridden and
told of like any other.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from difflib import get_close_matches
from importlib import resources
from types import MappingProxyType
from typing import Any, Literal, get_args

from roofplat.errors import RuleError

__all__ = ["FRAMINGS", "Family", "Rule", "Rulebook", "Status", "load_rulebook"]

Framing = Literal["grid", "joists", "pitched", "trusses", "walls"]
FRAMINGS: tuple[str, ...] = get_args(Framing)
# Each file holds groups of its own.
_RULE_FILES = (
    *("rulebook.toml", "odds.toml", "days.toml", "record.toml", "changes.toml", "venting.toml", "work.toml"),
)
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
    range: tuple[float, float] | None = None
    """Within which a family's figure is plausible."""
    overridden: bool = False


# A figure of a family: its unit and what it means, by the figure's name.
_FIGURES: Mapping[str, tuple[str, str]] = {
    "severity": ("share", "How badly the family treats the people on it, 0 to 1."),
    "beam_spacing_ft": ("ft", "Spacing of the main lines where none is recorded."),
    "purlin_spacing_ft": ("ft", "Spacing of the lines between them where none is recorded."),
    "rafter_spacing_ft": ("ft", "Spacing of the members under the deck where none is recorded."),
    "span_ft": ("ft", "Usual clear span; above its range, or a department's own, no cut is planned."),
    "slope_deg": ("deg", "Slope of the roof where none is recorded."),
    "methods": ("method", "Ways to open the roof, in order of preference."),
    "needs_permit": ("method", "Ways that the department has to permit."),
    "permits": ("method", "Ways that the department permits."),
    "trench": ("method", "Ways a trench may run."),
}
# Figures that are lists of ways, the ways a trench may run, and what each way of framing needs.
_WORDS = ("methods", "needs_permit", "permits", "trench")
_TRENCHES = ("with_construction", "against_construction")
_ALWAYS = ("label", "caution", "framing", "severity", "methods", "trench")
_LINES = {"beam_spacing_ft": "beam", "purlin_spacing_ft": "purlin", "rafter_spacing_ft": "rafter"}
_LAYOUT: Mapping[str, tuple[str, ...]] = {
    "grid": ("beam_spacing_ft", "purlin_spacing_ft"),
    "joists": ("rafter_spacing_ft",),
    "pitched": ("rafter_spacing_ft", "slope_deg"),
    "trusses": ("beam_spacing_ft",),
    "walls": (),
}
_PERMITS = {"value": [], "source": "none unless the district file says so", "status": "department"}


@dataclass(frozen=True, slots=True)
class Family:
    """One roof family: how it is framed and how, if at all, it may be opened.

    A figure that the family does not have is None; `figures` holds the rule behind each.
    """

    id: str
    label: str
    framing: Framing
    caution: str
    figures: Mapping[str, Rule]
    lightweight: bool | None = None
    members: Mapping[str, str] = field(default_factory=dict)
    shape: str = "flat"
    pushes_walls_out: bool = False
    alert: str = ""
    """A few words for the premise note."""

    def number(self, figure: str) -> float | None:
        """Return a figure's value, or None where the family has no such figure."""
        rule = self.figures.get(figure)
        return None if rule is None else float(rule.value)

    def span_limit_ft(self) -> float:
        """Return the widest clear span that is cut; infinite where the family states none.

        It is the end of the family's range, or what the department states instead.
        """
        rule = self.figures.get("span_ft")
        if rule is None:
            return float("inf")
        return float(rule.value) if rule.range is None or rule.overridden else rule.range[1]

    @property
    def severity(self) -> float:
        """How badly the family treats the people on it, 0 to 1."""
        return float(self.figures["severity"].value)

    @property
    def methods(self) -> tuple[str, ...]:
        """Ways to open the roof, in order of preference."""
        return tuple(self.figures["methods"].value)

    @property
    def not_permitted(self) -> tuple[str, ...]:
        """Ways that the department has to permit, and does not."""
        needs = self.figures.get("needs_permit")
        permits = self.figures["permits"].value
        return () if needs is None else tuple(way for way in needs.value if way not in permits)

    @property
    def trench(self) -> tuple[str, ...]:
        """Ways a trench may run."""
        return tuple(self.figures["trench"].value)


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

    def share(self, rule_id: str) -> float:
        """Return the value of a rule that is a share, from 0 to 1.

        Raises
        ------
        RuleError
            It is less or more.
        """
        value = self.number(rule_id)
        if not 0 <= value <= 1:
            raise RuleError(f"Rule {rule_id} is {value:g}; it takes a value from 0 to 1.")
        return value

    def positive(self, rule_id: str) -> float:
        """Return the value of a numeric rule that makes sense above zero alone.

        Raises
        ------
        RuleError
            It is not above zero, or not finite.
        """
        value = self.number(rule_id)
        if not 0 < value < float("inf"):
            raise RuleError(f"Rule {rule_id} is {value:g} {self[rule_id].unit}; it must be more than zero.")
        return value

    def count(self, rule_id: str, *, least: int = 0) -> int:
        """Return the value of a whole-number rule, `least` or more.

        Raises
        ------
        RuleError
            It is less, or no whole number.
        """
        value = self.number(rule_id)
        if not (value >= least and value.is_integer()):
            raise RuleError(f"Rule {rule_id} is {value:g}; it takes a whole number, {least} or more.")
        return int(value)

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
        >>> sorted(load_rulebook().table("ladder.default_height_ft"))
        ['one_storey', 'storey']
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


def load_rulebook(
    overrides: Mapping[str, Any] | None = None, families: Mapping[str, Any] | None = None
) -> Rulebook:
    """Load the rulebook that comes with the package and apply overrides.

    Parameters
    ----------
    overrides
        Rule id to value, as the `[rules]` table of a district file gives them.
    families
        Families that a department adds, as the `[families]` tables of a district file give them.

    Returns
    -------
    Rulebook
        With every overridden rule marked `status = "department"`.

    Raises
    ------
    RuleError
        A rule id does not exist, the value has another type than the rule it replaces or cannot
        be, or a family is not complete.

    Examples
    --------
    >>> load_rulebook()["ground.foot_m"].value
    0.3048
    """
    package = resources.files("roofplat.rules")
    rules: dict[str, Rule] = {}
    for file in _RULE_FILES:
        rules |= _read_rules(tomllib.loads(package.joinpath(file).read_text("utf-8")))
    document = tomllib.loads(package.joinpath("families.toml").read_text("utf-8"))
    document |= {name: _added(name, entry, document) for name, entry in (families or {}).items()}
    for name, entry in document.items():
        rules |= _figures(name, entry)
    for rule_id, value in (overrides or {}).items():
        if rule_id not in rules:
            raise RuleError(_unknown_rule(rule_id, rules))
        rules[rule_id] = _override(rules[rule_id], value)
    book = {name: _family(name, entry, rules) for name, entry in document.items()}
    return Rulebook(MappingProxyType(rules), MappingProxyType(book))


def _read_rules(document: Mapping[str, Any], prefix: str = "") -> dict[str, Rule]:
    """Flatten nested TOML tables into rules; a table with a `value` is a rule."""
    found: dict[str, Rule] = {}
    for key, entry in document.items():
        rule_id = f"{prefix}{key}"
        if "value" in entry:
            rule = Rule(id=rule_id, **entry)
            _check_status(rule)
            found[rule_id] = rule
        else:
            found |= _read_rules(entry, prefix=f"{rule_id}.")
    return found


def _added(name: str, entry: Any, document: Mapping[str, Any]) -> dict[str, Any]:
    """A department's own family, completed from the one it is like."""
    where = f"[families.{name}] in the district file"
    if name in document:
        raise RuleError(
            f"{where} is a family of the rulebook; change its figures in [rules], as "
            f'"family.{name}.severity" = 0.5.'
        )
    if not isinstance(entry, Mapping):
        raise RuleError(f"{where} must be a table of settings.")
    own = dict(entry)
    like = own.pop("like", None)
    if like is not None and like not in document:
        near = get_close_matches(str(like), document, n=1)
        hint = f"; did you mean {near[0]}?" if near else "."
        raise RuleError(f"{where} is like {like!r}, which is no roof family{hint}")
    base = dict(document[like]) if like is not None else {}
    plain = {spot.name for spot in fields(Family)} - {"id", "figures"}
    for key, value in own.items():
        if key in _FIGURES:
            given = value if isinstance(value, Mapping) else {"value": value}
            own[key] = {"source": "district file", "status": "department", **given}
        elif key not in plain:
            near = get_close_matches(key, [*plain, *_FIGURES, "like"], n=1)
            hint = f"; did you mean {near[0]}?" if near else "."
            raise RuleError(f"{where} has no setting {key!r}{hint}")
    whole = base | own
    lacking = [key for key in _ALWAYS if key not in whole]
    if lacking:
        raise RuleError(f'{where} lacks {", ".join(lacking)}; state them, or begin with like = "FAMILY".')
    if whole["framing"] not in FRAMINGS:
        raise RuleError(f"{where} has framing {whole['framing']!r}; use one of {', '.join(FRAMINGS)}.")
    _check_kinds(where, whole)
    lacking = [figure for figure in _LAYOUT[whole["framing"]] if figure not in whole]
    if lacking:
        raise RuleError(
            f"{where} has framing {whole['framing']!r} and lacks {', '.join(lacking)}: state them."
        )
    called = whole.get("members", {})
    lacking = [part for figure, part in _LINES.items() if figure in whole and part not in called]
    if lacking:
        raise RuleError(
            f"{where} does not say what its lines are called: state members = "
            f"{{ {', '.join(f'{part} = ...' for part in lacking)} }}."
        )
    return whole


def _check_kinds(where: str, entry: Mapping[str, Any]) -> None:
    """What is written in the settings of a department's own family can be meant."""
    # Tables bring the heavy libraries along, which a command's help can do without.
    from roofplat.tables import MEMBER_KINDS, ROOF_SHAPES

    for key, kind, name in (
        ("label", str, "text"),
        ("caution", str, "text"),
        ("alert", str, "text"),
        ("lightweight", bool, "true or false"),
        ("pushes_walls_out", bool, "true or false"),
        ("members", Mapping, "a table of names"),
    ):
        if key in entry and not isinstance(entry[key], kind):
            raise RuleError(f"{where} has {key} = {entry[key]!r}: give {name}.")
    words: list[tuple[str, Any, tuple[str, ...]]] = [("shape", entry.get("shape", "flat"), ROOF_SHAPES)]
    words += [(f"members.{part}", name, MEMBER_KINDS) for part, name in entry.get("members", {}).items()]
    words += [("members", part, tuple(_LINES.values())) for part in entry.get("members", {})]
    for key, word, allowed in words:
        if word not in allowed:
            raise RuleError(f"{where} has {key} {word!r}; use one of {', '.join(allowed)}.")
    for figure in _FIGURES:
        given = entry.get(figure)
        if given is None:
            continue
        known = {"value", "range", "source", "status"}
        strange = [key for key in given if key not in known] if isinstance(given, Mapping) else [figure]
        if strange or "value" not in given:
            raise RuleError(f"{where}: {figure} takes {', '.join(sorted(known))}, of which value is needed.")
        limits = given.get("range", [0.0, 0.0])
        if not isinstance(limits, list) or len(limits) != 2 or not all(_is_number(end) for end in limits):
            raise RuleError(f"{where}: the range of {figure} is {limits!r}; give the lowest and the highest.")


def _figures(name: str, entry: Mapping[str, Any]) -> dict[str, Rule]:
    """The figures of a family as rules."""
    found = {}
    for figure, (unit, meaning) in _FIGURES.items():
        given = entry.get(figure, _PERMITS if figure == "permits" else None)
        if given is not None:
            label = entry["label"]
            text = {key: value for key, value in given.items() if key != "range"}
            limits = given.get("range")
            rule = Rule(
                id=f"family.{name}.{figure}",
                unit=unit,
                meaning=f"{label}: {meaning[0].lower()}{meaning[1:]}",
                range=None if limits is None else (float(limits[0]), float(limits[1])),
                **text,
            )
            _check_status(rule)
            found[rule.id] = _believable(rule)
    return found


def _family(name: str, entry: Mapping[str, Any], rules: Mapping[str, Rule]) -> Family:
    figures = {
        figure: rules[f"family.{name}.{figure}"] for figure in _FIGURES if f"family.{name}.{figure}" in rules
    }
    plain = {key: value for key, value in entry.items() if key not in _FIGURES}
    return Family(id=name, figures=MappingProxyType(figures), **plain)


def _believable(rule: Rule) -> Rule:
    """The rule itself, where its value can be."""
    _, _, figure = rule.id.rpartition(".")
    if not rule.id.startswith("family."):
        return rule
    if figure in _WORDS:
        from roofplat.tables import METHODS

        allowed = _TRENCHES if figure == "trench" else METHODS
        strange = (
            [way for way in rule.value if way not in allowed]
            if isinstance(rule.value, list)
            else [rule.value]
        )
        if strange:
            near = get_close_matches(str(strange[0]), allowed, n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; use {', '.join(allowed)}."
            raise RuleError(f"Rule {rule.id} names {strange[0]!r}, which is no such way{hint}")
        return rule
    if not _is_number(rule.value):
        raise RuleError(f"Rule {rule.id} is {rule.value!r}, but it takes a number ({rule.unit}): change it.")
    if figure == "severity" and not 0 <= rule.value <= 1:
        raise RuleError(f"Rule {rule.id} is {rule.value:g}, but a severity is from 0 to 1: change it.")
    if figure == "span_ft" and not rule.value > 0:
        raise RuleError(f"Rule {rule.id} is {rule.value:g}, but a span is more than 0 ft: change it.")
    if figure.endswith("spacing_ft") and not rule.value > 0:
        raise RuleError(f"Rule {rule.id} is {rule.value:g}, but a spacing is more than 0 ft: change it.")
    if figure == "slope_deg" and not 0 <= rule.value < 90:
        raise RuleError(
            f"Rule {rule.id} is {rule.value:g}, but a slope is from 0 up to 90 degrees: change it."
        )
    return rule


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _check_status(rule: Rule) -> None:
    if rule.status not in get_args(Status):
        raise RuleError(f"Rule {rule.id} has status {rule.status!r}; use one of {get_args(Status)}.")


def _override(rule: Rule, value: Any) -> Rule:
    same_kind = _is_number(value) if _is_number(rule.value) else isinstance(value, type(rule.value))
    if not same_kind:
        raise RuleError(
            f"Rule {rule.id} in the district file is {value!r}, but it takes a value like "
            f"{rule.value!r} ({rule.unit}): change it in the [rules] table."
        )
    changed = replace(rule, value=value, source="district file", status="department", overridden=True)
    return _believable(changed)


def _unknown_rule(rule_id: str, rules: Mapping[str, Rule]) -> str:
    near = get_close_matches(rule_id, rules, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]}? " if near else ""
    return f"There is no rule {rule_id!r}; {hint}`roofplat rules` lists them all."
