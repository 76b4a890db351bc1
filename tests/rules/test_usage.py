"""Every rule is used: a number that nothing reads would be a promise nobody keeps.

In: the rulebook and the text of the rooms.
Out: no rule id that the rooms never name, and none named that does not exist.
"""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import roofplat
from roofplat.rules import Family, load_rulebook
from roofplat.rules.loader import _FIGURES


def _rooms() -> str:
    """The text of the rooms that read rules."""
    folder = Path(roofplat.__file__).parent
    rooms = [path for path in sorted(folder.rglob("*.py")) if path.parent.name not in ("rules", "cli")]
    return "\n".join(path.read_text("utf-8") for path in rooms)


def test_every_rule_is_used_by_code() -> None:
    source = _rooms()
    quoted = set(re.findall(r"""["']([A-Za-z_]+(?:\.[A-Za-z_0-9]+)*)["']""", source))
    tables = set(re.findall(r"""table\(\s*["']([a-z_.]+)["']""", source))
    # An id may also be put together from a fixed beginning: f"inspection.class_{name}".
    begun = set(re.findall(r"""f["']([a-z_]+\.[a-z_.]*)\{""", source))
    unused = [
        rule_id
        for rule_id in load_rulebook().rules
        # A family's figures are asked for by name: see the next test.
        if not rule_id.startswith("family.")
        and rule_id not in quoted
        and not any(rule_id.startswith(f"{table}.") for table in tables)
        and not any(rule_id.startswith(beginning) for beginning in begun)
    ]
    assert unused == []


def test_every_figure_of_a_family_is_used_by_code() -> None:
    """A room asks a family for a figure by its name, or for one of the answers made from it."""
    source = _rooms()
    by_name = r"""(?:number\(|figures\.get\(|figures\[)["'](\w+)["']"""
    asked = set(re.findall(by_name, source))
    spacings = re.search(r"^_NAMES = \(([^)]*)\)", source, flags=re.MULTILINE)
    assert spacings is not None
    asked |= set(re.findall(r'"(\w+)"', spacings.group(1)))
    for name, answer in inspect.getmembers(Family):
        made = answer.fget if isinstance(answer, property) else answer
        if inspect.isfunction(made) and not name.startswith("_") and re.search(rf"\.{name}\b", source):
            asked |= set(re.findall(by_name, inspect.getsource(made)))
    assert set(_FIGURES) <= asked
    assert {"severity", "methods", "permits", "needs_permit", "span_ft", "trench"} <= asked


def test_no_room_asks_for_a_rule_that_does_not_exist() -> None:
    """Such a question would be found out by the first district that gets there, on that day."""
    book = load_rulebook()
    asked = set(
        re.findall(
            r"""\brules\.(?:number|share|positive|count|numbers|choice)\(\s*["']([^"']+)["']""", _rooms()
        )
    )
    groups = set(re.findall(r"""\brules\.table\(\s*["']([^"']+)["']""", _rooms()))
    assert len(asked) > 100
    assert asked <= set(book.rules)
    assert all(book.table(group) for group in groups)
