"""The visits as a calendar file: one entry a visit, in the local time of whoever opens it.

In: the visits with their places, what each should find out.
Out: the bytes of an iCalendar file (RFC 5545).
"""

from __future__ import annotations

import datetime
import unicodedata
import uuid
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from roofplat.errors import DistrictFileError
from roofplat.publish.days.words import clock
from roofplat.publish.files import CAUTION

if TYPE_CHECKING:
    from icalendar import Calendar

__all__ = ["calendar_file", "visit_uid"]

_PRODUCT = "-//roofplat//days of inspection//EN"
# Names in this space are visits; made once from the words "roofplat visit".
_SPACE = uuid.uuid5(uuid.NAMESPACE_OID, "roofplat visit")
# Control characters and halves of letters.
_UNWRITABLE = ("Cc", "Cs")
_FIRST_DAY = datetime.date(2000, 1, 1)


def calendar_file(
    visits: pd.DataFrame,
    *,
    district: str,
    as_of: datetime.date,
    asked: Mapping[str, Sequence[str]],
) -> bytes:
    """Write the visits as calendar entries.

    Times float: they are the time of day at the place, with no time zone. The name of an entry
    stands for the visit that follows what is on record of the building, so that a new plan moves
    the entry of an earlier one instead of adding another.

    Parameters
    ----------
    visits
        `tables.DAY_TABLES["visits"]` with `lon`, `lat` (WGS 84 degrees, missing where not known), `alert`,
        and `seen_on`, the last date on which anybody was there.
    district
        Its name.
    as_of
        The date of the plan; it stands for the time at which the file was made.
    asked
        Building id to what the visit should find out.

    Returns
    -------
    bytes

    Raises
    ------
    DistrictFileError
        The calendar library is not installed.
    """
    try:
        from icalendar import Calendar, Event, vText
    except ImportError:
        raise DistrictFileError(
            "Calendar files need a library that is not installed; run: pip install 'roofplat[inspect]'."
        ) from None
    made = datetime.datetime.combine(as_of, datetime.time(), tzinfo=datetime.UTC)
    calendar: Calendar = Calendar()
    calendar.add("prodid", _PRODUCT)
    calendar.add("version", "2.0")
    # Names that the library does not know are written as they come, unless they are said to be text.
    calendar.add("x-wr-calname", vText(_text(f"{district}: days of inspection")))
    calendar.add("x-wr-caldesc", vText(CAUTION))
    for row in visits.to_dict("records"):
        building = str(row["building_id"])
        day = row["day"].date()
        event: Any = Event()
        event.add("uid", visit_uid(district, building, _day(row["seen_on"])))
        event.add("dtstamp", made)
        # Grows from plan to plan: calendars take the entry with the higher number.
        event.add("sequence", max((as_of - _FIRST_DAY).days, 0))
        event.add("dtstart", _moment(day, row["arrive_min"]))
        event.add("dtend", _moment(day, row["leave_min"]))
        event.add("summary", _text(f"{row['seq']}. {_called(row)} (inspector {row['inspector']})"))
        if _known(row["address"]):
            event.add("location", _text(row["address"]))
        if _known(row["lon"]) and _known(row["lat"]):
            event.add("geo", (round(float(row["lat"]), 6), round(float(row["lon"]), 6)))
        event.add("categories", [f"Inspector {row['inspector']}"])
        event.add("description", _description(row, asked.get(building, ())))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def visit_uid(district: str, building_id: str, seen_on: datetime.date | None) -> str:
    """Name the visit that follows what is on record of a building.

    Examples
    --------
    >>> first = visit_uid("Sedge Flats", "7", None)
    >>> first == visit_uid("Sedge Flats", "7", None)
    True
    >>> first == visit_uid("Sedge Flats", "7", datetime.date(2026, 1, 5))
    False
    """
    seen = "" if seen_on is None else seen_on.isoformat()
    return str(uuid.uuid5(_SPACE, "\n".join([district, building_id, seen])))


def _description(row: Mapping[Any, Any], asked: Sequence[str]) -> str:
    lines = [
        f"Building {row['building_id']}, {clock(row['arrive_min'])} to {clock(row['leave_min'])}.",
        f"Why: {row['why']}" if _known(row["why"]) else "",
        f"Alert: {row['alert']}" if _known(row["alert"]) else "",
        f"Find out: {'; '.join(asked)}." if asked else "",
        CAUTION,
    ]
    return "\n".join(_text(line) for line in lines if line)


def _called(row: Mapping[Any, Any]) -> str:
    for name in ("name", "address"):
        if _known(row[name]):
            return str(row[name])
    return f"Building {row['building_id']}"


def _known(value: Any) -> bool:
    return not pd.isna(value) and str(value) != ""


def _day(value: Any) -> datetime.date | None:
    return None if pd.isna(value) else value.date()


def _moment(day: datetime.date, minutes: float) -> datetime.datetime:
    """A time of day with no time zone."""
    return datetime.datetime.combine(day, datetime.time()) + datetime.timedelta(minutes=round(minutes))


def _text(value: object) -> str:
    """Text without what a calendar file cannot hold: control characters but the end of a line."""
    lines = str(value).replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\n".join(
        "".join(letter for letter in line if unicodedata.category(letter) not in _UNWRITABLE)
        for line in lines
    )
