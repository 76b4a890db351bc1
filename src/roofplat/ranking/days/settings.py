"""What a plan of inspection days may use: the days, the hours, the people.

In: what the command or the district file asks for, and the rules.
Out: `Frame`: the working days and how long each is.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass

from roofplat.errors import DistrictFileError, RuleError
from roofplat.rules import Rulebook

__all__ = ["Frame", "positive", "time_frame"]

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MIN_AN_HOUR = 60
_S_A_MIN = 60
_HOURS_A_DAY = 24
_MOST_DAYS = 366
_MOST_ROUTES = 1000


@dataclass(frozen=True, slots=True)
class Frame:
    """The time that a plan may use.

    days
        The working days, first to last.
    inspectors
        How many go out each day.
    work_s
        Seconds from leaving the start to being back, the break not counted.
    out_min
        When they leave, in minutes from midnight.
    break_min, break_after_min
        How long the break is, and after how much work it comes.
    """

    days: tuple[datetime.date, ...]
    inspectors: int
    work_s: int
    out_min: float
    break_min: float
    break_after_min: float

    @property
    def routes(self) -> int:
        """How many inspectors' days there are; one is numbered day x inspectors + inspector, from 0."""
        return len(self.days) * self.inspectors


def positive(rules: Rulebook, rule_id: str, *, least: float = 0.0, zero: bool = False) -> float:
    """Return a numeric rule that has to be above zero, or at least `least`.

    Raises
    ------
    RuleError
        It is not.
    """
    value = rules.number(rule_id)
    enough = value >= least if least or zero else value > 0
    if not (math.isfinite(value) and enough):
        wanted = f"{least:g} or more" if least or zero else "more than zero"
        raise RuleError(f"Rule {rule_id} is {value:g} {rules[rule_id].unit}; it must be {wanted}.")
    return value


def time_frame(
    rules: Rulebook, *, start_on: datetime.date, days: int, inspectors: int, hours: float | None
) -> Frame:
    """Find the working days and the hours of a plan.

    Parameters
    ----------
    rules
        `days.work_days`, `days.hours`, `days.start_min_of_day`, `days.break_min`, `days.break_after_min`.
    start_on
        No day is planned before it.
    days
        How many working days.
    inspectors
        How many go out each day.
    hours
        Hours of an inspector's day; None is `days.hours`.

    Returns
    -------
    Frame

    Raises
    ------
    DistrictFileError
        There is no day, no inspector, or no hour to plan, or too many.
    RuleError
        A rule cannot be.

    Examples
    --------
    >>> import datetime
    >>> from roofplat.rules import load_rulebook
    >>> frame = time_frame(
    ...     load_rulebook(), start_on=datetime.date(2026, 1, 2), days=2, inspectors=1, hours=None
    ... )
    >>> [f"{day:%A}" for day in frame.days]
    ['Friday', 'Monday']
    """
    if days < 1:
        raise DistrictFileError(f"{days} days cannot be planned; give one day or more.")
    if days > _MOST_DAYS:
        raise DistrictFileError(f"{days} days are more than one plan holds; give at most {_MOST_DAYS}.")
    if inspectors < 1:
        raise DistrictFileError(f"{inspectors} inspectors can visit nothing; give one inspector or more.")
    if days * inspectors > _MOST_ROUTES:
        raise DistrictFileError(
            f"{days} days of {inspectors} inspectors are more than one plan holds; give at most "
            f"{_MOST_ROUTES:,} inspectors' days at a time."
        )
    if hours is not None and not (math.isfinite(hours) and 0 < hours <= _HOURS_A_DAY):
        raise DistrictFileError(
            f"An inspector with {hours:g} hours a day cannot be planned; "
            f"give more than 0 and at most {_HOURS_A_DAY} hours."
        )
    whole = positive(rules, "days.hours") if hours is None else hours
    out_min = positive(rules, "days.start_min_of_day", zero=True)
    break_min = positive(rules, "days.break_min", zero=True)
    end_min = out_min + whole * _MIN_AN_HOUR + break_min
    if end_min > _HOURS_A_DAY * _MIN_AN_HOUR:
        raise DistrictFileError(
            f"A day of {whole:g} hours from minute {out_min:g} (days.start_min_of_day) with its break "
            "runs past midnight; give fewer hours or start earlier."
        )
    return Frame(
        days=_working_days(rules, start_on, days),
        inspectors=inspectors,
        work_s=math.floor(whole * _MIN_AN_HOUR * _S_A_MIN),
        out_min=out_min,
        break_min=break_min,
        break_after_min=positive(rules, "days.break_after_min", zero=True),
    )


def _working_days(rules: Rulebook, start_on: datetime.date, count: int) -> tuple[datetime.date, ...]:
    named = [str(name) for name in rules["days.work_days"].value]
    strange = [name for name in named if name not in _WEEKDAYS]
    if strange or not named:
        fault = f"names {strange[0]!r}" if strange else "is empty"
        raise RuleError(f"Rule days.work_days {fault}; give one or more of {', '.join(_WEEKDAYS)}.")
    works = {_WEEKDAYS.index(name) for name in named}
    found: list[datetime.date] = []
    day = start_on
    while len(found) < count:
        if day.weekday() in works:
            found.append(day)
        if day == datetime.date.max:
            raise DistrictFileError(
                f"{count} working days from {start_on} run past the end of the calendar; start earlier."
            )
        day += datetime.timedelta(days=1)
    return tuple(found)
