"""Members as rows of a table: one row a section and kind, with all its lines.

In: lines of one kind in some sections, kind after kind.
Out: the table `members`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.ragged import FloatArray, IntArray
from roofplat.late import LateTable, late_table
from roofplat.tables import AXIS_BASES, MEMBER_KINDS, words
from roofplat.wkb import Packed

__all__ = ["Ends", "MemberRows", "kind_numbers", "members_table"]

Ends = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
"""x and y of the one end of lines, then of the other, in the working CRS."""


@dataclass(frozen=True, slots=True)
class MemberRows:
    """All members of one kind in k sections; shape (k,) each.

    section
        Owner.
    kind
        Number in `tables.MEMBER_KINDS`, -1 for none.
    count, spacing_ft
        How many, and how far apart; NaN where that is no measure of them.
    basis
        Number in `tables.AXIS_BASES`, which begin with `tables.BASES`.
    """

    section: IntArray
    kind: IntArray
    count: IntArray
    spacing_ft: FloatArray
    basis: IntArray


def kind_numbers(names: npt.NDArray[np.object_]) -> IntArray:
    """Numbers in `tables.MEMBER_KINDS` of what members are called, -1 for nothing, shape (k,).

    Examples
    --------
    >>> kind_numbers(np.array(["purlin", None, "beam"], dtype=object)).tolist()
    [1, -1, 0]
    """
    code, called = pd.factorize(names)
    return np.array([*(MEMBER_KINDS.index(name) for name in called), -1], dtype=np.int64)[code]


def members_table(parts: Sequence[MemberRows], lines: Packed, ids: pd.DataFrame, crs: object) -> LateTable:
    """Write the members down.

    Parameters
    ----------
    parts
        Kind after kind.
    lines
        The lines of each row, in the working CRS.
    ids
        `building_id` and `section_id` of n sections.
    crs
        The working CRS.

    Returns
    -------
    LateTable
        `tables.TABLES["members"]`, in the order given.
    """

    def joined(name: str) -> npt.NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in parts])

    section = joined("section")
    columns: dict[str, Any] = {
        **{name: ids[name].array.take(section) for name in ("building_id", "section_id")},
        "kind": words(MEMBER_KINDS, joined("kind")),
        "count": joined("count"),
        "spacing_ft": joined("spacing_ft"),
        "basis": words(AXIS_BASES, joined("basis")),
    }
    return late_table("members", columns, lines, crs)
