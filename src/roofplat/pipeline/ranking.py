"""The ranking alone, and one building taken apart.

In: a district, perhaps the id of a building.
Out: `Ranked`; nothing is written.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from roofplat.district import District
from roofplat.pipeline.planning import plan_district, silent
from roofplat.ranking import Apart, take_apart
from roofplat.rules import Rulebook

__all__ = [
    "Ranked",
    "rank",
]


@dataclass(frozen=True, slots=True)
class Ranked:
    """A district's ranking; nothing is written.

    tables, rules
        As in `Built`, and the rules in force.
    apart
        The building asked for, taken apart; None when none was.
    problems
        `tables.TABLES["problems"]`.
    as_of
        The date on which ages were counted.
    """

    tables: dict[str, Any]
    rules: Rulebook
    apart: Apart | None
    problems: pd.DataFrame
    as_of: datetime.date


def rank(
    district: District,
    *,
    explain: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Ranked:
    """Rank the buildings of a district, and take one of them apart.

    Parameters
    ----------
    district
        From `read_district`.
    explain
        Id of the building to take apart.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Ranked

    Raises
    ------
    RoofplatError
        There is no such building, or the district cannot be read.
    """
    day = as_of or datetime.date.today()
    planned = plan_district(
        district,
        area=None,
        wind_from_deg=None,
        workers=workers,
        day=day,
        as_of=as_of,
        say=report or silent,
        ids=() if explain is None else (explain,),
    )
    apart = None
    if explain is not None:
        known = {**planned.tables, "roofs": planned.inventory.roofs}
        apart = take_apart(explain, known, planned.rules, as_of=day)
    return Ranked(
        tables=planned.tables, rules=planned.rules, apart=apart, problems=planned.problems, as_of=day
    )
