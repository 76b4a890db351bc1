"""Every rule is used: a number that nothing reads would be a promise nobody keeps.

In: the rulebook and the text of the rooms.
Out: no rule id that the rooms never name.
"""

from __future__ import annotations

import re
from pathlib import Path

import roofplat
from roofplat.rules import load_rulebook


def test_every_rule_is_used_by_code() -> None:
    folder = Path(roofplat.__file__).parent
    rooms = [path for path in sorted(folder.rglob("*.py")) if path.parent.name not in ("rules", "cli")]
    source = "\n".join(path.read_text("utf-8") for path in rooms)
    quoted = set(re.findall(r"""["']([A-Za-z_]+(?:\.[A-Za-z_0-9]+)*)["']""", source))
    tables = set(re.findall(r"""table\(\s*["']([a-z_.]+)["']""", source))
    # An id may also be put together from a fixed beginning: f"inspection.class_{name}".
    begun = set(re.findall(r"""f["']([a-z_]+\.[a-z_.]*)\{""", source))
    unused = [
        rule_id
        for rule_id in load_rulebook().rules
        if rule_id not in quoted
        and not any(rule_id.startswith(f"{table}.") for table in tables)
        and not any(rule_id.startswith(beginning) for beginning in begun)
    ]
    assert unused == []
