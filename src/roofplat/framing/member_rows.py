"""Members as rows of a table: one row a section and kind, with all its lines.

In: lines of one kind in some sections, kind after kind.
Out: the table `members`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.ragged import FloatArray, IntArray, stack
from roofplat.tables import AXIS_BASES, MEMBER_KINDS, conform, words

__all__ = ["MemberRows", "kind_numbers", "members_table"]


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
    geometry
        Multi-lines in the working CRS.
    """

    section: IntArray
    kind: IntArray
    count: IntArray
    spacing_ft: FloatArray
    basis: IntArray
    geometry: npt.NDArray[np.object_]


def kind_numbers(names: npt.NDArray[np.object_]) -> IntArray:
    """Numbers in `tables.MEMBER_KINDS` of what members are called, -1 for nothing, shape (k,).

    Examples
    --------
    >>> kind_numbers(np.array(["purlin", None, "beam"], dtype=object)).tolist()
    [1, -1, 0]
    """
    code, called = pd.factorize(names)
    return np.array([*(MEMBER_KINDS.index(name) for name in called), -1], dtype=np.int64)[code]


def members_table(parts: Sequence[MemberRows], ids: pd.DataFrame, crs: object) -> gpd.GeoDataFrame:
    """Write the members down.

    Parameters
    ----------
    parts
        Kind after kind.
    ids
        `building_id` and `section_id` of n sections.
    crs
        The working CRS.

    Returns
    -------
    GeoDataFrame
        `tables.TABLES["members"]`, in the order given.
    """
    rows = stack(list(parts))
    columns: dict[str, Any] = {
        **{name: ids[name].array.take(rows.section) for name in ("building_id", "section_id")},
        "kind": words(MEMBER_KINDS, rows.kind),
        "count": rows.count,
        "spacing_ft": rows.spacing_ft,
        "basis": words(AXIS_BASES, rows.basis),
    }
    table: gpd.GeoDataFrame = conform("members", columns, geometry=rows.geometry, crs=crs)
    return table
