"""The rulebook: every number a fire officer might argue with, with its source.

In: `rulebook.toml`, `families.toml` and a department's overrides.
Out: a `Rulebook` that hands out values by rule id and remembers what was overridden.
"""

from roofplat.rules.loader import Family, Rule, Rulebook, load_rulebook

__all__ = ["Family", "Rule", "Rulebook", "load_rulebook"]
