"""What the log says is in force: the array code against a plain loop that shares nothing with it."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from roofplat.record import current_values, known_on
from roofplat.tables import RECORD_TABLES, conform

DAYS = [None, datetime.date(2024, 5, 1), datetime.date(2025, 1, 31), datetime.date(2026, 3, 2)]
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "building_id": st.sampled_from(["B1", "B10", "B2"]),
            "section_id": st.sampled_from([None, "B1/1", "B1/2"]),
            "field": st.sampled_from(["deck", "roof_family", "look_again"]),
            "value": st.sampled_from(["a", "b", "c", "d"]),
            "basis": st.sampled_from(["surveyed", "recorded", "drawn", "inferred", "assumed"]),
            "seen_on": st.sampled_from(DAYS),
            "logged_at": st.sampled_from(
                ["2024-05-02T23:59:59Z", "2025-02-01T00:00:00Z", "2026-03-02T12:00:00Z"]
            ),
        }
    ),
    max_size=25,
)


def log_of(rows: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(RECORD_TABLES["observations"].columns))
    frame["number"] = range(1, len(rows) + 1)
    frame["seen_on"] = pd.to_datetime(frame["seen_on"])
    frame: pd.DataFrame = conform("observations", frame)
    return frame


def plain_reduction(rows: list[dict[str, Any]], as_of: datetime.date | None) -> dict[Any, int]:
    """Number of the row in force by building, section and field; the plain way."""
    trust = {"surveyed": 5, "recorded": 4, "drawn": 3, "inferred": 2, "assumed": 1}
    best: dict[tuple[str, str, str], tuple[Any, ...]] = {}
    for number, row in enumerate(rows, start=1):
        logged = datetime.datetime.fromisoformat(row["logged_at"]).date()
        if as_of is not None and (logged > as_of or (row["seen_on"] or as_of) > as_of):
            continue
        place = (row["building_id"], row["section_id"] or "", row["field"])
        claim = (trust[row["basis"]], row["seen_on"] or datetime.date.min, number)
        if place not in best or claim > best[place]:
            best[place] = claim
    return {place: claim[-1] for place, claim in best.items()}


@given(ROWS, st.sampled_from(DAYS), st.randoms(use_true_random=False))
def test_it_is_what_a_plain_loop_says(
    rows: list[dict[str, Any]], as_of: datetime.date | None, order: Any
) -> None:
    log = log_of(rows)
    places = list(range(len(rows)))
    order.shuffle(places)
    found = current_values(log.iloc[places], as_of)
    keys = list(zip(found["building_id"], found["section_id"].fillna(""), found["field"], strict=True))
    assert keys == sorted(keys)
    assert dict(zip(keys, found["number"].tolist(), strict=True)) == plain_reduction(rows, as_of)
    chosen = log.set_index("number").loc[found["number"].tolist()]
    assert found["value"].tolist() == chosen["value"].tolist()


@given(ROWS)
def test_a_row_that_is_added_changes_its_own_field_alone(rows: list[dict[str, Any]]) -> None:
    if not rows:
        return
    before = current_values(log_of(rows[:-1]))
    after = current_values(log_of(rows))
    keys = ["building_id", "section_id", "field"]
    last = np.array([rows[-1][key] or "" for key in keys], dtype=object)
    kept = [frame[(frame[keys].fillna("") != last).any(axis=1)] for frame in (before, after)]
    pd.testing.assert_frame_equal(kept[0].reset_index(drop=True), kept[1].reset_index(drop=True))


def test_the_better_basis_wins_then_the_later_day_then_the_later_row() -> None:
    day = datetime.date(2025, 1, 31)
    said = {"building_id": "B1", "section_id": None, "field": "deck", "logged_at": "2025-02-01T00:00:00Z"}
    rows = [
        said | {"value": "survey", "basis": "surveyed", "seen_on": None},
        said | {"value": "later record", "basis": "recorded", "seen_on": day},
    ]
    assert current_values(log_of(rows))["value"].tolist() == ["survey"]
    rows.append(said | {"value": "dated survey", "basis": "surveyed", "seen_on": datetime.date(1999, 1, 1)})
    assert current_values(log_of(rows))["value"].tolist() == ["dated survey"]
    rows.append(said | {"value": "later survey", "basis": "surveyed", "seen_on": day})
    rows.append(said | {"value": "same day, later row", "basis": "surveyed", "seen_on": day})
    rows.append(said | {"value": "older survey", "basis": "surveyed", "seen_on": datetime.date(2024, 5, 1)})
    assert current_values(log_of(rows))["value"].tolist() == ["same day, later row"]


def test_an_inspection_is_as_recent_as_the_day_it_names() -> None:
    said = {"building_id": "B1", "field": "inspected_on", "basis": "recorded"}
    rows = [
        said | {"value": "2026-02-01", "seen_on": None},
        said | {"value": "2025-06-01", "seen_on": datetime.date(2026, 3, 2)},
        said | {"value": "some day", "seen_on": datetime.date(2026, 4, 1)},
    ]
    assert current_values(log_of(rows))["value"].tolist() == ["2026-02-01"]


def test_rows_that_are_not_logged_yet_come_last() -> None:
    said = {"building_id": "B1", "field": "deck", "basis": "surveyed", "seen_on": None}
    log = log_of([said | {"value": name} for name in ("old", "new", "newest")])
    log.loc[1:, "number"] = pd.NA
    assert current_values(log)["value"].tolist() == ["newest"]
    assert len(known_on(log, datetime.date(2020, 1, 1))) == 3


def test_an_empty_log_says_nothing() -> None:
    assert current_values(log_of([])).empty
