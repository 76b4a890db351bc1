"""Rows of the table `venting` by hand: a shed that is short of everything.

In: what of a row is another.
Out: rows, and the table of some of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from roofplat.tables import TABLES, conform

__all__ = ["SAYS", "vent_row", "vent_table"]

SAYS = "Cutting alone will not vent this section; plan existing vents, doors, or a trench."
_SHED: dict[str, Any] = {
    "planned": True,
    "height_ft": 24.0,
    "height_basis": "recorded",
    "sprinklered": False,
    "wanted_ft2": 1536.0,
    "flow_ft2": 310.4,
    "fire_kw": 18_580.0,
    "fire_area_ft2": 400.0,
    "clear_ft": 8.2,
    "inlet_ft2": 162.0,
    "inlet_least_ft2": 61.2,
    "clear_planned_ft": 6.24,
    "largest_single_ft2": 42.0,
    "least_openings": 8,
    "planned_ft2": 240.0,
    "glazing_ft2": 0.0,
    "existing_ft2": 48.0,
    "existing_count": 3,
    "existing_unsized": 1,
    "prescribed_ft2": 1200.0,
    "prescribed_by": "unsprinklered",
    "vents_short_ft2": 1152.0,
    "code_asks": "may ask",
    "saw_ft": 180.0,
    "saw_1_ft": 100.0,
    "saw_2_ft": 80.0,
    "head_cut_ft": 60.0,
    "parallel_cut_ft": 70.0,
    "base_cut_ft": 50.0,
    "check_saw_ft": 12.0,
    "trench_saw_ft": 210.0,
    "cross_cut_ft": 60.0,
    "parts": 6,
    "walk_ft": 75.0,
    "crew_share": 0.156,
    "rate_basis": "from memory",
    "windward_openings": 0,
    "cutting_reaches": False,
    "says": SAYS,
}


def vent_row(building_id: str = "1001", part: int = 1, **told: Any) -> dict[str, Any]:
    """A row of the shed but for what is told; its section is named as those of the other tables are."""
    return {"building_id": building_id, "section_id": f"{building_id}-{part}", **_SHED, **told}


def vent_table(rows: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """The table of some rows."""
    made: pd.DataFrame = conform("venting", pd.DataFrame(rows).reindex(columns=[*TABLES["venting"].columns]))
    return made
