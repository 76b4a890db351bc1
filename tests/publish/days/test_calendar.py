"""The calendar file, read back with another library than wrote it."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import vobject
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from roofplat.errors import DistrictFileError
from roofplat.publish.days.calendar import calendar_file, visit_uid
from roofplat.publish.files import CAUTION
from roofplat.ranking.days import DayPlan

from ..conftest import AS_OF, HOSTILE
from .conftest import ODD, make_plan

# Letters, marks that the format gives a meaning, ends of lines, and what no file may hold.
TEXT = st.text(st.sampled_from('ab ,;:\\"\n\r\t\x00\x1b\u2028é漢🚒='), max_size=120)


@pytest.fixture
def entries(plan: DayPlan, written: Callable[..., Any]) -> list[Any]:
    folder, _ = written(plan)
    text = (folder / "visits.ics").read_bytes().decode("utf-8")
    (calendar,) = vobject.readComponents(text)
    return list(calendar.vevent_list)


def test_every_visit_is_an_entry_at_its_time(entries: list[Any], plan: DayPlan) -> None:
    assert len(entries) == len(plan.visits) > 2
    for entry, row in zip(entries, plan.visits.itertuples(), strict=True):
        start, end = entry.dtstart.value, entry.dtend.value
        # Floating: the time of day at the place, with no time zone.
        assert start.tzinfo is None
        assert end.tzinfo is None
        midnight = datetime.datetime.combine(row.day.date(), datetime.time())
        assert (start - midnight).total_seconds() / 60 == pytest.approx(row.arrive_min, abs=0.51)
        assert (end - midnight).total_seconds() / 60 == pytest.approx(row.leave_min, abs=0.51)
        assert entry.summary.value.startswith(f"{row.seq}. ")
        assert entry.summary.value.endswith(f"(inspector {row.inspector})")
        assert entry.categories.value == [f"Inspector {row.inspector}"]
        assert entry.dtstamp.value == datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)


def test_an_entry_says_where_and_why_and_carries_the_caution(
    entries: list[Any], plan: DayPlan, tables: dict[str, Any]
) -> None:
    outlines = tables["buildings"].to_crs("EPSG:4326").set_index("building_id").geometry
    for entry, row in zip(entries, plan.visits.itertuples(), strict=True):
        text = entry.description.value
        assert text.endswith(CAUTION)
        assert row.why in text
        assert f"Building {row.building_id}, " in text
        lat, lon = (float(part) for part in entry.geo.value.split(";"))
        # Six decimals of a degree are a few inches.
        from shapely import Point

        assert outlines[row.building_id].distance(Point(lon, lat)) < 1e-6
        if pd.isna(row.address):
            assert not hasattr(entry, "location")
        else:
            assert entry.location.value == row.address


def test_hostile_text_is_text(entries: list[Any]) -> None:
    (odd,) = [entry for entry in entries if HOSTILE in entry.summary.value]
    assert odd.location.value == '=HYPERLINK("http://example.org")'
    assert HOSTILE in odd.description.value


def row_of(**given: Any) -> pd.DataFrame:
    row = {
        "day": pd.Timestamp("2026-01-05"),
        "inspector": 1,
        "seq": 1,
        "building_id": "7",
        "name": "Shed",
        "address": None,
        "arrive_min": 480.0,
        "leave_min": 525.0,
        "why": "Rank 1.",
        "alert": None,
        "lon": -105.0,
        "lat": 40.0,
        "seen_on": pd.NaT,
    }
    return pd.DataFrame([row | given])


@settings(max_examples=200)
@given(TEXT, TEXT, TEXT)
def test_no_text_can_break_out_of_its_line(name: str, address: str, why: str) -> None:
    evil = "\r\nEND:VEVENT\r\nBEGIN:VALARM\r\n"
    file = calendar_file(
        row_of(name=name + evil, address=address, why=why), district=name, as_of=AS_OF, asked={"7": [evil]}
    )
    lines = file.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)
    assert all(letter not in line for line in lines for letter in (b"\r", b"\n", b"\x00", b"\x1b"))
    assert [line for line in lines if line.startswith((b"BEGIN:", b"END:"))] == [
        b"BEGIN:VCALENDAR",
        b"BEGIN:VEVENT",
        b"END:VEVENT",
        b"END:VCALENDAR",
    ]
    (entry,) = Calendar.from_ical(file).walk("VEVENT")
    # Ends of lines come back as line feeds, and nothing else is lost.
    kept = "".join(
        letter for letter in why.replace("\r\n", "\n").replace("\r", "\n") if letter not in "\t\0\x1b"
    )
    if why.strip():
        assert f"Why: {kept}\n" in str(entry["description"])


def test_the_same_visit_keeps_its_name_until_somebody_was_there(
    plan: DayPlan, written: Callable[..., Any]
) -> None:
    folder, _ = written(plan)
    first = (folder / "visits.ics").read_bytes()
    written(plan)
    assert (folder / "visits.ics").read_bytes() == first

    def uids(file: bytes) -> dict[str, str]:
        return {
            str(entry["geo"].to_ical()): str(entry["uid"])
            for entry in Calendar.from_ical(file).walk("VEVENT")
        }

    # A later plan of the same visits: other bytes, the same names, a higher number.
    written(plan, as_of=AS_OF + datetime.timedelta(days=3))
    later = (folder / "visits.ics").read_bytes()
    assert later != first
    assert uids(later) == uids(first)
    assert len(set(uids(first).values())) == len(plan.visits)
    numbers = [
        {int(entry["sequence"]) for entry in Calendar.from_ical(file).walk("VEVENT")}
        for file in (first, later)
    ]
    assert numbers == [{9497}, {9500}]
    assert visit_uid("Sedge", "7", None) != visit_uid("Sedge", "7", AS_OF)
    assert visit_uid("Sedge", "7", None) != visit_uid("Other", "7", None)


def test_a_visit_past_the_hour_of_midnight_lies_on_the_next_day() -> None:
    file = calendar_file(row_of(arrive_min=1439.7, leave_min=1500.0), district="x", as_of=AS_OF, asked={})
    (entry,) = Calendar.from_ical(file).walk("VEVENT")
    assert entry["dtstart"].dt == datetime.datetime(2026, 1, 6, 0, 0)
    assert entry["dtend"].dt == datetime.datetime(2026, 1, 6, 1, 0)


def test_a_plan_without_visits_is_a_calendar_without_entries(tmp_path: Path) -> None:
    file = calendar_file(row_of().iloc[:0], district="x", as_of=AS_OF, asked={})
    assert list(Calendar.from_ical(file).walk("VEVENT")) == []
    assert ODD.encode() not in file


def test_several_inspectors_have_a_calendar_each(
    plan: DayPlan, written: Callable[..., Any], tables: dict[str, Any], rules: Any
) -> None:
    folder, files = written(plan)
    assert {"visits.ics", "inspector-1.ics", "inspector-2.ics"} <= {file.name for file in files}

    def uids(name: str) -> list[str]:
        return sorted(
            str(entry["uid"]) for entry in Calendar.from_ical((folder / name).read_bytes()).walk("VEVENT")
        )

    assert sorted(uids("inspector-1.ics") + uids("inspector-2.ics")) == uids("visits.ics")
    assert len(uids("inspector-1.ics")) == (plan.visits["inspector"] == 1).sum()
    # Of one inspector there is one calendar, and those of an earlier plan go.
    written(make_plan(tables, rules, inspectors=1))
    assert [file.name for file in folder.glob("*.ics")] == ["visits.ics"]


def test_without_its_library_there_is_one_sentence_and_no_file(
    plan: DayPlan, written: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "icalendar", None)
    with pytest.raises(DistrictFileError, match=r"pip install 'roofplat\[inspect\]'") as caught:
        written(plan)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.rglob("*.*")) == []
