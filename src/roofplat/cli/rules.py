"""`roofplat rules`: the rulebook on the screen.

In: a rule id, a group of rules, a roof family, or nothing; a district file for its overrides.
Out: a table of rules, or all that is known of one.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import say, say_table
from roofplat.rules import Family, Rule, load_rulebook

__all__ = ["rules"]


@click.command()
@click.argument("rule_id", metavar="[ID]", required=False)
@click.option(
    "--district",
    metavar="DISTRICT.toml",
    type=click.Path(path_type=Path),
    help="Show the rules with this district's overrides.",
)
@options.allow_outside
def rules(rule_id: str | None, district: Path | None) -> None:
    """Show the rules: value, unit, status and source.

    ID is a rule (ladder.step_ft), a group of rules (ladder) or a roof family (sawtooth). Without it,
    all rules and families are listed. A department changes a rule in the [rules] table of its
    district file.
    """
    settings = options.settings_of(district) if district else None
    families = settings.families if settings else None
    book = load_rulebook(settings.rules if settings else None, families)
    shipped = load_rulebook(families=families)
    if rule_id is None:
        say_table(_as_table(book.rules.values()))
        say()
        say("Roof families (roofplat rules FAMILY shows one):")
        say_table(
            pd.DataFrame(
                {
                    "family": [family.id for family in book.families.values()],
                    "framing": [family.framing for family in book.families.values()],
                    "methods": [", ".join(family.methods) or "none" for family in book.families.values()],
                }
            )
        )
    elif rule_id in book.rules:
        _say_rule(book[rule_id], shipped[rule_id])
    elif rule_id in book.families:
        _say_family(book.families[rule_id])
    else:
        group = [rule for rule in book.rules.values() if rule.id.startswith(f"{rule_id}.")]
        if not group:
            book[rule_id]  # raises, with the nearest id
        say_table(_as_table(group))
    if district and rule_id is None:
        say()
        say(f"{len(book.overridden)} rules overridden in {district}:")
        for rule in book.overridden:
            say(f"  {rule.id}: {_value(rule)} {rule.unit} instead of {_value(shipped[rule.id])}")


def _as_table(chosen: Iterable[Rule]) -> pd.DataFrame:
    listed = list(chosen)
    return pd.DataFrame(
        {
            "id": [rule.id for rule in listed],
            # Text: a table of ids and lists is not a column of numbers.
            "value": [_value(rule) for rule in listed],
            "unit": [rule.unit for rule in listed],
            "status": [rule.status for rule in listed],
            "source": [rule.source for rule in listed],
        }
    )


def _value(rule: Rule) -> str:
    if isinstance(rule.value, list):
        return ", ".join(f"{entry:g}" if isinstance(entry, float) else str(entry) for entry in rule.value)
    return f"{rule.value:g}" if isinstance(rule.value, float) else str(rule.value)


def _say_rule(rule: Rule, shipped: Rule) -> None:
    say(rule.id)
    say(f"  {rule.meaning}")
    say(f"  value   {_value(rule)} {rule.unit}")
    if rule.overridden:
        say(f"  instead of {_value(shipped)} {shipped.unit} ({shipped.status}: {shipped.source})")
    say(f"  status  {rule.status}")
    say(f"  source  {rule.source}")


def _say_family(family: Family) -> None:
    say(f"{family.id}: {family.label}")
    say(f"  {family.caution}")
    lightweight = {True: "yes", False: "no", None: "not known"}[family.lightweight]
    say(f"  lightweight  {lightweight}")
    say(f"  framing      {family.framing}")
    say_table(_as_table(family.figures.values()))
