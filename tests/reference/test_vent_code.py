"""When a model code may ask for smoke vents.

In: IBC 910.2 as a state has adopted it (the text of Virginia's code of 2021, chapter 9).
Out: the word that stands for it in the table, above and at the area, in the groups named and in others.
"""

from __future__ import annotations

import pandas as pd
import pytest

from roofplat.rules import load_rulebook
from roofplat.venting.rows import code_asks

BOOK = load_rulebook()


@pytest.mark.checks("venting.code_asks_ft2")
@pytest.mark.parametrize(
    ("undivided_ft2", "word"),
    [(49_999.0, "not by size or use"), (50_000.0, "not by size or use"), (50_001.0, "may ask")],
)
def test_more_than_fifty_thousand_square_feet_undivided(undivided_ft2: float, word: str) -> None:
    """Published: groups F-1 and S-1 of more than 50,000 ft2 (4,645 m2) undivided."""
    assert code_asks(pd.Series(["S-1"]), pd.Series([undivided_ft2]), BOOK).tolist() == [word]
    assert round(50_000.0 * 0.3048**2) == 4645


@pytest.mark.checks("venting.code_asks_groups")
@pytest.mark.parametrize(
    ("group", "word"),
    [
        ("F-1", "may ask"),
        ("S-1", "may ask"),
        ("f1", "may ask"),
        ("F-2", "not by size or use"),
        ("S-2", "not by size or use"),
        ("B", "not by size or use"),
        ("M", "not by size or use"),
        # A letter alone may be of the one group or of the other; words are no group.
        ("S", "may ask"),
        ("warehouse", "unknown"),
        (None, "unknown"),
    ],
)
def test_factories_and_stores_of_the_hazard_named(group: str | None, word: str) -> None:
    assert code_asks(pd.Series([group], dtype="str"), pd.Series([60_000.0]), BOOK).tolist() == [word]
