"""The fire-code inspection of each building: its class, when it is due, and by how much it is late.

In: buildings, the rulebook, the date on which days are counted.
Out: class, where it comes from, next date, state and days late, one row a building.

The score does not change the class, and the class does not change the score.
"""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd

from roofplat.errors import RuleError
from roofplat.inventory import occupancy_parts
from roofplat.rules import Rulebook
from roofplat.tables import INSPECTION_CLASSES

__all__ = ["inspections", "occupancy_letter"]

_MONTHS_A_YEAR = 12


def inspections(buildings: pd.DataFrame, rules: Rulebook, *, as_of: datetime.date) -> pd.DataFrame:
    """Find the inspection class of each building and when its next inspection is due.

    - class: `inspection_class` where a source states it, else `inspection.class_*` by the occupancy
      group. A list may hold letters and groups such as R-3, and a group goes before its letter; what is
      in two lists has the stricter class. Groups of `inspection.class_none` and anything else are
      `unknown`.
    - next_due: `inspect_by` where a source states it and no inspection on or after it is known, else
      the last inspection plus `inspection.cycle_years.<class>`, in whole months.
    - due_state: `overdue` where next_due is before `as_of`, `due` where it is not yet; without a
      date, `no_class` where the class is unknown, else `never_inspected`.
    - overdue_days: days from next_due to `as_of`; missing unless overdue.

    Parameters
    ----------
    buildings
        `occupancy`, `inspected_on`, `inspection_class`, `inspect_by`, n rows.
    rules
        `inspection.*`.
    as_of
        The date on which days are counted.

    Returns
    -------
    DataFrame
        `class`, `class_basis`, `next_due`, `due_state`, `overdue_days`; the index of `buildings`.

    Raises
    ------
    RuleError
        A class has no cycle of more than zero years.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> seen = pd.Series(["2020-05-31"], dtype="datetime64[ms]")
    >>> one = pd.DataFrame({"occupancy": ["S-1"], "inspected_on": seen, "inspection_class": [None]})
    >>> one["inspect_by"] = pd.Series([None], dtype="datetime64[ms]")
    >>> inspections(one, load_rulebook(), as_of=datetime.date(2023, 6, 10)).T[0].tolist()[:2]
    ['low', 'occupancy']
    """
    cycles = {name: _cycle_months(name, rules) for name in INSPECTION_CLASSES}
    stated = buildings["inspection_class"].astype("str")
    parts = occupancy_parts(buildings["occupancy"])
    found = pd.Series("unknown", index=buildings.index, dtype="str")
    basis = pd.Series("unknown", index=buildings.index, dtype="str")
    # A letter first, so that a group such as R-3 outranks it; from none to high, so that what is named in
    # two lists gets the stricter class.
    for group in (parts["letter"], parts["letter"] + "-" + parts["number"]):
        for name in ("none", *reversed(INSPECTION_CLASSES)):
            here = group.isin(list(rules[f"inspection.class_{name}"].value))
            found = found.mask(here, "unknown" if name == "none" else name)
            basis = basis.mask(here, "occupancy")
    found, basis = found.mask(stated.notna(), stated), basis.mask(stated.notna(), "stated")

    inspected_on, inspect_by = buildings["inspected_on"], buildings["inspect_by"]
    due = inspect_by.mask(inspected_on >= inspect_by)
    for name, months in cycles.items():
        here = (found == name) & inspected_on.notna() & due.isna()
        due = due.mask(here, (inspected_on[here] + pd.DateOffset(months=months)).astype("datetime64[ms]"))
    days: Any = np.datetime64(as_of, "D") - due.to_numpy(dtype="datetime64[D]")
    late = days / np.timedelta64(1, "D")
    overdue = late > 0
    state = np.where(
        due.notna(),
        np.where(overdue, "overdue", "due"),
        np.where(found == "unknown", "no_class", "never_inspected"),
    )
    return pd.DataFrame(
        {
            "class": found,
            "class_basis": basis,
            "next_due": due,
            "due_state": pd.Series(state, index=buildings.index, dtype="str"),
            "overdue_days": pd.Series(np.where(overdue, late, np.nan), index=buildings.index).astype("Int64"),
        }
    )


def occupancy_letter(occupancy: pd.Series) -> pd.Series:
    """Find the group letter of `R-2`, `S1`, `i-2 condition 1`; missing for words such as `retail`.

    Examples
    --------
    >>> occupancy_letter(pd.Series(["R-2", "group f-1", "retail"])).tolist()
    ['R', 'F', nan]
    """
    return occupancy_parts(occupancy)["letter"]


def _cycle_months(name: str, rules: Rulebook) -> int:
    rule_id = f"inspection.cycle_years.{name}"
    years = rules.number(rule_id)
    months = round(years * _MONTHS_A_YEAR) if np.isfinite(years) else 0
    if months < 1:
        raise RuleError(
            f"Rule {rule_id} is {years:g} year, so inspection class {name} has no cycle; give it at least "
            "one month."
        )
    return months
