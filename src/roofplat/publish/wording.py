"""Codes of the tables as people say them.

In: names of methods and reasons, as the tables hold them.
Out: the same as words; ids of rules, which have a point in them, stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from roofplat.tables import METHODS

__all__ = ["METHOD_WORDS", "plain_words", "without_code"]

METHOD_WORDS: Mapping[str, str] = {
    **{name: name.replace("_", " ") for name in METHODS},
    "fold_back": "fold-back",
    "center_rafter_louver": "center-rafter louver",
    "joist_louver": "louver between joists",
    "near_ridge": "near the ridge",
}
"""What each method of `tables.METHODS` is called on pages and on the screen."""

_CODE = re.compile(r"(?<![.\w])[a-z]+(?:_[a-z]+)+(?![.\w])")


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
