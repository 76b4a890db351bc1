"""What the log says is in force, today or on any day before.

In: observations, each with its basis, the day it was seen and the day it was logged.
Out: the observations that were known on a day, and one value for each building, section and field.
"""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd

from roofplat.tables import BASES, RECORD_TABLES, conform

__all__ = ["current_values", "known_on"]

_RANK = {basis: rank for rank, basis in enumerate(BASES)}
# A row that has not been logged yet is the latest of all.
_NOT_YET = 2**62


def known_on(rows: pd.DataFrame, as_of: datetime.date | None) -> pd.DataFrame:
    """Keep what was in the record at the end of a day, and seen by then.

    Parameters
    ----------
    rows
        With `logged_at` (text, ISO, UTC; empty: not logged yet, kept) and, where it has one, `seen_on`
        (datetime64[ms]; missing: kept).
    as_of
        The day; None keeps everything.

    Returns
    -------
    DataFrame
        The rows kept, in their order, with a RangeIndex.

    Examples
    --------
    >>> log = pd.DataFrame({"logged_at": ["2026-03-01T09:00:00Z", "2026-03-02T09:00:00Z"]})
    >>> len(known_on(log, datetime.date(2026, 3, 1)))
    1
    """
    if as_of is None:
        return rows.reset_index(drop=True)
    # ISO texts sort as their days do.
    keep = (rows["logged_at"].fillna("").str[:10] <= as_of.isoformat()).to_numpy(dtype=bool)
    if "seen_on" in rows:
        keep = keep & ~(rows["seen_on"] > pd.Timestamp(as_of)).to_numpy(dtype=bool)
    return rows[keep].reset_index(drop=True)


def current_values(observations: pd.DataFrame, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Reduce the log to the value in force of each building, section and field.

    The better basis wins, in the order of `tables.BASES`; then the later day it was seen, where none is
    the oldest; then the row logged later. The day of an inspection is the one that it names.

    Parameters
    ----------
    observations
        `tables.RECORD_TABLES["observations"]`, in any order. Rows without a number are not logged yet:
        they count as the latest, in their order.
    as_of
        Only what was known on that day, see `known_on`; None is everything.

    Returns
    -------
    DataFrame
        `tables.RECORD_TABLES["current"]`, by building, section and field (text order); the whole building
        comes before its sections.

    Examples
    --------
    >>> log = pd.DataFrame({"building_id": ["B1", "B1"], "section_id": None, "field": "deck", "unit": None,
    ...     "value": ["plywood", "steel"], "basis": ["surveyed", "recorded"], "number": [1, 2], "who": None,
    ...     "seen_on": pd.to_datetime(["2024-05-01", "2026-05-01"]), "logged_at": None, "file": None})
    >>> current_values(log)["value"].tolist()
    ['plywood']
    """
    rows = known_on(observations, as_of)
    # A visit is as recent as the day it names, whenever somebody told of it.
    visit = (rows["field"] == "inspected_on").to_numpy(dtype=bool)
    named = pd.to_datetime(rows["value"][visit].str[:10], format="%Y-%m-%d", errors="coerce")
    days = rows["seen_on"].to_numpy(dtype="datetime64[ms]").copy()
    days[visit] = named.to_numpy(dtype="datetime64[ms]")
    seen = days.view(np.int64)
    number = rows["number"].astype("Int64").to_numpy(dtype=np.int64, na_value=_NOT_YET)
    keys = [rows[name].fillna("").to_numpy(dtype=object) for name in ("building_id", "section_id", "field")]
    building, section, field = (pd.factorize(key, sort=True)[0] for key in keys)
    # Not a number's negative, which the oldest of all dates does not have, but its complement.
    order = np.lexsort(
        (
            ~np.arange(len(rows)),
            ~number,
            ~seen,
            rows["basis"].map(_RANK).to_numpy(dtype=np.int64),
            field,
            section,
            building,
        )
    )
    place = np.column_stack([building, section, field])[order]
    first = np.ones(len(rows), dtype=bool)
    first[1:] = (place[1:] != place[:-1]).any(axis=1)
    columns = list(RECORD_TABLES["current"].columns)
    current: pd.DataFrame = conform("current", rows.iloc[order[first]][columns])
    return current
