"""Codes of the tables as people say them.

In: names of methods and reasons, as the tables hold them.
Out: the same as words; ids of rules, which have a point in them, stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from numbers import Integral

from roofplat.rules import Rulebook
from roofplat.tables import METHODS

__all__ = [
    "DUE_WORDS",
    "METHOD_WORDS",
    "behind_words",
    "due_words",
    "interval_words",
    "odds_words",
    "plain_words",
    "reason_sentence",
    "reason_words",
    "rejected_methods",
    "without_code",
]

METHOD_WORDS: Mapping[str, str] = {
    **{name: name.replace("_", " ") for name in METHODS},
    "fold_back": "fold-back",
    "center_rafter_louver": "center-rafter louver",
    "joist_louver": "louver between joists",
    "near_ridge": "near the ridge",
}
"""What each method of `tables.METHODS` is called on pages and on the screen."""

DUE_WORDS: Mapping[str, str] = {
    "overdue": "overdue",
    "due": "not yet due",
    "never_inspected": "no inspection on record",
    "no_class": "no class, so no date",
}
"""What is said of a `due_state` of the ranking."""

_ODDS = re.compile(r"(.*?)(?: \((.*)\))?", re.DOTALL)
_CODE = re.compile(r"(?<![.\w])[a-z]+(?:_[a-z]+)+(?![.\w])")
_METHOD_START = re.compile(rf"(?:^|; )(?=(?:{'|'.join(METHODS)}): )")
_RULE_ID = re.compile(r"\s*\(([a-z_]+(?:\.\w+)+)\)")
_FIRST_CODE = re.compile(r"[a-z_]+: ")
_INNER_CODE = re.compile(r"\b[a-z]+(?:_[a-z]+)+: ")


def plain_words(text: str) -> str:
    """Turn codes inside a sentence into words.

    Examples
    --------
    >>> plain_words("fold_back: something hangs from the roof (opening.fold_back_under_load)")
    'fold-back: something hangs from the roof (opening.fold_back_under_load)'
    """
    return _CODE.sub(lambda found: METHOD_WORDS.get(found[0], found[0].replace("_", " ")), text)


def without_code(text: str) -> str:
    """Say a reason without the code it begins with.

    Examples
    --------
    >>> without_code("family_unknown: nobody has looked at this roof; find out first")
    'nobody has looked at this roof; find out first'
    """
    return plain_words(re.sub(r"^\w+: ", "", text))


def reason_words(why: str) -> str:
    """Say why a roof is opened as it is, or not at all, without the codes that the reason is made from.

    Examples
    --------
    >>> reason_words("existing_opening: what is there is used; no deck is cut (no_path: no path leads there)")
    'what is there is used; no deck is cut (no path leads there)'
    """
    _, _, text = why.partition(": ") if _FIRST_CODE.match(why) else ("", "", why)
    return plain_words(_INNER_CODE.sub("", _RULE_ID.sub("", text)))


def reason_sentence(why: str) -> str:
    """Say the same as a sentence; nothing where there is no reason.

    Examples
    --------
    >>> reason_sentence("no_path: no path leads to a clear bay"), reason_sentence("")
    ('No path leads to a clear bay.', '')
    """
    text = reason_words(why).strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def rejected_methods(text: str) -> list[tuple[str, str, str | None]]:
    """Take `sections.methods_rejected` apart: each method, why it was rejected, and the rule that did it.

    Examples
    --------
    >>> rejected_methods("fold_back: something hangs from the roof (opening.fold_back_under_load)")
    [('fold_back', 'something hangs from the roof', 'opening.fold_back_under_load')]
    >>> rejected_methods("do_not_cut: true all the same; glazing: there is none")
    [('do_not_cut', 'true all the same', None), ('glazing', 'there is none', None)]
    """
    found = []
    for part in _METHOD_START.split(text):
        method, _, why = part.partition(": ")
        if why:
            rules = _RULE_ID.findall(why)
            found.append((method, plain_words(_RULE_ID.sub("", why)), rules[-1] if rules else None))
    return found


def interval_words(rules: Rulebook) -> str:
    """Say how often a rank lies in its interval.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> interval_words(load_rulebook())
    'nine of ten draws'
    >>> interval_words(load_rulebook({"ranking.interval_share": 0.75}))
    '75% of the draws'
    """
    share = rules.number("ranking.interval_share")
    return "nine of ten draws" if share == 0.9 else f"{100 * share:.4g}% of the draws"


def due_words(state: object, overdue_days: object) -> str:
    """Say whether an inspection is due, and by how much it is late; nothing where nobody can tell.

    Examples
    --------
    >>> due_words("overdue", 1200), due_words("overdue", 1), due_words("due", None), due_words(None, None)
    ('overdue by 1,200 days', 'overdue by 1 day', 'not yet due', '')
    """
    words = DUE_WORDS.get(str(state), "")
    if state != "overdue" or not isinstance(overdue_days, Integral):
        return words
    return f"{words} by {int(overdue_days):,} {'day' if overdue_days == 1 else 'days'}"


def behind_words(local_roofs: object) -> str:
    """Say what stands behind the odds of a roof that nobody has surveyed.

    Examples
    --------
    >>> behind_words(3)
    'from the building stock of the region and 3 surveyed roofs like it'
    >>> behind_words(0)
    'from the building stock of the region and no surveyed roof like it'
    """
    count = int(local_roofs) if isinstance(local_roofs, Integral) else 0
    roofs = f"{count:,} surveyed {'roof' if count == 1 else 'roofs'}" if count else "no surveyed roof"
    return f"from the building stock of the region and {roofs} like it"


def odds_words(odds: str, rules: Rulebook, *, most: int = 4) -> str:
    """Say the odds of a building (`buildings.odds`) with the families' labels.

    Parameters
    ----------
    odds
        Families with whole percents, likeliest first, and notes in brackets.
    rules
        For the labels.
    most
        Families said; what is left to 100 is said as others.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> odds_words("sawtooth 60 %, lamella 22 %, metal_building 17 % (size unknown)", load_rulebook(), most=2)
    'Sawtooth 60%; Lamella 22%; others 18% (size unknown)'
    """
    found = _ODDS.fullmatch(odds)
    listed, notes = found.groups() if found else (odds, None)
    pairs = [entry.removesuffix(" %").rpartition(" ") for entry in listed.split(", ")]
    said = [
        f"{rules.families[key].label if key in rules.families else key} {percent}%"
        for key, _, percent in pairs[:most]
    ]
    rest = 100 - sum(int(percent) for _, _, percent in pairs[:most] if percent.isdecimal())
    words = "; ".join([*said, f"others {rest}%"] if rest > 0 else said)
    return f"{words} ({notes})" if notes else words
