"""The drill worksheet: how a department measures what its crew opens, on one leaf to print.

In: the name of the district, the rules in force.
Out: `drill.html`: what to time, room for the runs, the arithmetic by hand, and the lines of `[crew]` that the
    results go into, beside what is in force now.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from roofplat.publish.files import CAUTION, asset, write_whole
from roofplat.publish.page import fill, html_page
from roofplat.rules import Rule, Rulebook

__all__ = ["write_drill"]

# Settings of [crew] in the order of the leaf, each the rule work.SETTING.
_SETTINGS = ("saws", "cut_ft_per_min", "parts_per_min", "walk_ft_per_min", "spell_min", "measured_on")
_NEVER: Mapping[str, str] = {"measured_on": "never"}


def write_drill(path: Path, *, name: str, rules: Rulebook) -> Path:
    """Write the drill worksheet.

    Parameters
    ----------
    path
        The file to write.
    name
        Of the district.
    rules
        The rules in force: `work.*` are what a drill takes the place of.

    Returns
    -------
    Path
        `path`. One page that asks no network for anything; the same input gives the same bytes.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.rules import load_rulebook
    >>> page = write_drill(Path(tempfile.mkdtemp()) / "drill.html", name="Mill Flats", rules=load_rulebook())
    >>> "now 8, from memory" in page.read_text("utf-8")
    True
    """
    rates = [{"setting": setting, "now": _in_force(setting, rules)} for setting in _SETTINGS]
    body = fill("drill.html.j2", name=name, caution=CAUTION, rates=rates)
    title = f"{name}: drill worksheet"
    return write_whole(path, html_page(title, styles=[asset("drill.css")], scripts=[], body=body))


def _in_force(setting: str, rules: Rulebook) -> str:
    """What is in force now, and how it is known."""
    rule = rules[f"work.{setting}"]
    if rule.value == _NEVER.get(setting):
        return "now: never measured"
    return f"now {_shown(rule)}, {_known(rule)}"


def _shown(rule: Rule) -> str:
    return f"{rule.value:g}" if isinstance(rule.value, (int, float)) else str(rule.value)


def _known(rule: Rule) -> str:
    if rule.overridden:
        return "stated"
    return "a choice" if rule.status == "department" else rule.status
