"""What a visit to each building is worth, how long it takes, and by when it has to be.

In: the ranking, the buildings, the days of the plan, the rules.
Out: one row a building: value in points, due state on the first day, latest day, length of the visit.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

import numpy as np
import pandas as pd

from roofplat.errors import DistrictFileError
from roofplat.ranking.days.settings import Frame, positive
from roofplat.ranking.inspections import occupancy_letter
from roofplat.rules import Rulebook

__all__ = ["candidates", "check_must", "worth_of_visits"]

_DAYS_A_YEAR = 365.25  # mean Julian year
_POINTS = 100.0  # a score of 1 with nothing added
_FT2_PER_STEP = 1000.0
_CLOSE_IDS, _CLOSE_SHARE = 3, 0.5


def check_must(must: Sequence[str], known: pd.Series) -> list[str]:
    """Ids asked for, each once.

    Raises
    ------
    DistrictFileError
        One of them is no building.
    """
    asked = list(dict.fromkeys(must))
    strange = [name for name in asked if name not in set(known)]
    if strange:
        near = get_close_matches(strange[0], sorted(known), n=_CLOSE_IDS, cutoff=_CLOSE_SHARE)
        more = f" and {len(strange) - 1} more of those that must be visited" if len(strange) > 1 else ""
        close = f"the nearest are {', '.join(near)}" if near else "ranking.csv lists them"
        raise DistrictFileError(f"There is no building {strange[0]!r}{more}; {close}.")
    return asked


def worth_of_visits(
    tables: Mapping[str, Any], rules: Rulebook, frame: Frame, *, must: Sequence[str]
) -> pd.DataFrame:
    """Value, length and latest day of a visit to each building.

    - value = 100 x score to the power of `days.score_power` x (1 + bonus) points. The bonus of an overdue
      inspection is `days.overdue_value` and `days.overdue_value_per_year` for each year overdue, at most
      `days.overdue_value_most`; of one that falls due within the plan `days.due_value`; of a building with
      a class that has no inspection on record `days.never_inspected_value`; else 0.
    - An inspection is overdue when it was due before the first planned day. One that falls due within the
      plan is visited by then, or not in this plan.
    - visit = `days.visit_min.<letter>` + `days.visit_min_per_1000_ft2` x ground area x storeys / 1,000 ft2,
      at most `days.visit_longest_min`, in whole seconds. Where nobody says how many storeys, it is one.

    Parameters
    ----------
    tables
        `buildings` and `ranking`.
    rules, frame
        What is in force, and the days.
    must
        Ids that are visited whatever they are worth.

    Returns
    -------
    DataFrame
        One row a building of the ranking, by `building_id`: its columns of the ranking, `geometry`,
        `value` (hundredths of a point make it whole), `due_state`, `bonus`, `in_window`, `latest_day`
        (number of the last day that it may be visited on), `visit_s`, `visit_assumed` (occupancy not
        known), `must`.
    """
    buildings = tables["buildings"].set_index("building_id")
    ranking = pd.DataFrame(tables["ranking"]).sort_values("building_id", kind="stable", ignore_index=True)
    known = buildings.reindex(ranking["building_id"])
    first, last = frame.days[0], frame.days[-1]
    due: Any = ranking["next_due"].to_numpy(dtype="datetime64[D]")
    days_over: Any = (np.datetime64(first, "D") - due) / np.timedelta64(1, "D")
    has_date = ~np.isnat(due)
    overdue = has_date & (days_over > 0)
    in_window = has_date & ~overdue & (due <= np.datetime64(last, "D"))
    no_class = ~has_date & (ranking["class"].fillna("unknown") == "unknown").to_numpy(dtype=bool)
    never = ~has_date & ~no_class
    state = np.select([overdue, has_date, no_class], ["overdue", "due", "no_class"], "never_inspected")
    grown = positive(rules, "days.overdue_value", zero=True) + positive(
        rules, "days.overdue_value_per_year", zero=True
    ) * (np.where(overdue, days_over, 0.0) / _DAYS_A_YEAR)
    bonus = np.select(
        [overdue, in_window, never],
        [
            np.minimum(grown, positive(rules, "days.overdue_value_most", zero=True)),
            positive(rules, "days.due_value", zero=True),
            positive(rules, "days.never_inspected_value", zero=True),
        ],
        0.0,
    )
    score = ranking["score"].to_numpy(dtype=float) ** positive(rules, "days.score_power")
    visit_s, assumed = _visit_s(known, rules)
    return ranking.assign(
        geometry=known.geometry.to_numpy(),
        value=np.round(_POINTS * score * (1.0 + bonus), 2),
        bonus=bonus,
        due_state=state,
        in_window=in_window,
        latest_day=np.where(in_window, _last_day(due, frame.days), len(frame.days) - 1),
        visit_s=visit_s,
        visit_assumed=assumed,
        must=ranking["building_id"].isin(list(must)),
    )


def _last_day(due: np.ndarray[Any, Any], days: Sequence[datetime.date]) -> np.ndarray[Any, Any]:
    """Number of the last planned day that is not after each date."""
    return np.searchsorted(np.array(days, dtype="datetime64[D]"), due, side="right") - 1


def _visit_s(buildings: pd.DataFrame, rules: Rulebook) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    lengths = {name: positive(rules, f"days.visit_min.{name}") for name in rules.table("days.visit_min")}
    letter = occupancy_letter(buildings["occupancy"])
    given = letter.map({name: value for name, value in lengths.items() if name != "unknown"})
    base_min = given.to_numpy(dtype=float, na_value=np.nan)
    assumed = np.isnan(base_min)
    floors = np.maximum(buildings["storeys"].to_numpy(dtype=float, na_value=1.0), 1.0)
    area_ft2 = buildings["area_ft2"].to_numpy(dtype=float, na_value=0.0)
    more = positive(rules, "days.visit_min_per_1000_ft2", zero=True) * area_ft2 * floors / _FT2_PER_STEP
    whole = np.where(assumed, lengths["unknown"], base_min) + more
    longest = positive(rules, "days.visit_longest_min")
    return np.ceil(np.minimum(whole, longest) * 60.0).astype(np.int64), assumed


def candidates(worth: pd.DataFrame, rules: Rulebook, frame: Frame) -> pd.Series:
    """Which buildings the plan weighs.

    Those that must be visited, then those with the most value and those with the most value for each minute
    of visit, in turn, up to `days.candidates_per_day` for each inspector and day and `days.candidates_most`
    in all; ties go to the lower `building_id`.

    Parameters
    ----------
    worth
        From `worth_of_visits`.
    rules, frame
        What is in force, and the days.

    Returns
    -------
    Series of bool
        On the index of `worth`.

    Raises
    ------
    DistrictFileError
        More must be visited than one plan weighs.
    """
    per_day = int(positive(rules, "days.candidates_per_day", least=1.0))
    ever = int(positive(rules, "days.candidates_most", least=1.0))
    most, musts = min(per_day * frame.routes, ever), int(worth["must"].sum())
    if musts > ever:
        raise DistrictFileError(
            f"{musts:,} buildings must be visited, but one plan weighs {ever:,} at most "
            "(days.candidates_most); ask for fewer at a time."
        )
    value = worth["value"].to_numpy(dtype=float)
    # Rows are in order of building_id, and the sorts are stable.
    places = [np.argsort(np.argsort(-key, kind="stable")) for key in (value, value / worth["visit_s"])]
    order = np.lexsort((places[1], places[0], np.minimum(*places), ~worth["must"]))
    chosen = np.zeros(len(worth), dtype=bool)
    chosen[order[: max(most, musts)]] = True
    return pd.Series(chosen, index=worth.index)
