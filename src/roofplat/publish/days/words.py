"""Times, days and distances as an inspector reads them.

In: minutes, dates, ground feet, whole columns of them where there are columns.
Out: texts in plain English, the same on every machine.
"""

from __future__ import annotations

import datetime

__all__ = ["clock", "day_words", "distance", "span"]

_HOUR_MIN = 60
_MILE_FT = 5280.0
# Below this a distance is told in feet.
_SHORT_FT = 1000.0
# Not those of the machine's language: the same plan gives the same bytes everywhere.
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def clock(minutes: float) -> str:
    """Write minutes from midnight as a time of day, to the minute.

    Examples
    --------
    >>> clock(485.4), clock(599.6)
    ('08:05', '10:00')
    """
    whole = round(minutes)
    return f"{whole // _HOUR_MIN:02d}:{whole % _HOUR_MIN:02d}"


def span(minutes: float) -> str:
    """Write a length of time, to the minute.

    Examples
    --------
    >>> span(45), span(120), span(199.6)
    ('45 min', '2 h', '3 h 20 min')
    """
    hours, rest = divmod(round(minutes), _HOUR_MIN)
    return " ".join([f"{hours} h"] * (hours > 0) + [f"{rest} min"] * (rest > 0 or not hours))


def day_words(day: datetime.date) -> str:
    """Write a date in full.

    Examples
    --------
    >>> day_words(datetime.date(2026, 1, 5))
    'Monday 5 January 2026'
    """
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


def distance(length_ft: float) -> str:
    """Write ground feet as miles, short ones as feet.

    Examples
    --------
    >>> distance(640.0), distance(12_672.0)
    ('640 ft', '2.4 mi')
    """
    return f"{length_ft:,.0f} ft" if length_ft < _SHORT_FT else f"{length_ft / _MILE_FT:,.1f} mi"
