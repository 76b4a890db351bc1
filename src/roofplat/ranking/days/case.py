"""One problem of choosing and ordering visits, in whole numbers, and how good an answer to it is.

In: values, times, latest days.
Out: `Case`; `Outcome` of any set of routes.

A route is a list of visits in order, a visit being a number from 0; the start and end of every route is the
same place. A set of routes is a list with one route for each inspector's day, day by day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Case", "Outcome", "Routes", "outcome"]

IntArray = npt.NDArray[np.int64]
Routes = list[list[int]]


@dataclass(frozen=True, slots=True)
class Case:
    """What n visits are worth and cost.

    value
        Hundredths of a point, shape (n,).
    visit_s
        Seconds that each takes, shape (n,).
    way_s
        Seconds between places, shape (n + 1, n + 1); place 0 is the start, place v + 1 is visit v.
    latest_day
        Number of the last day for each, shape (n,).
    must
        Whether a visit comes before all that need not be, shape (n,).
    days, inspectors
        How many of each; route r is that of day r // inspectors.
    work_s
        Seconds that a route may take.
    """

    value: IntArray
    visit_s: IntArray
    way_s: IntArray
    latest_day: IntArray
    must: npt.NDArray[np.bool_]
    days: int
    inspectors: int
    work_s: int

    @property
    def routes(self) -> int:
        """How many routes there are."""
        return self.days * self.inspectors

    def seconds(self, route: list[int]) -> int:
        """How long a route takes, out and back."""
        if not route:
            return 0
        places = np.array([0, *(visit + 1 for visit in route), 0])
        return int(self.way_s[places[:-1], places[1:]].sum() + self.visit_s[route].sum())


@dataclass(frozen=True, slots=True, order=True)
class Outcome:
    """How good a set of routes is: the greater the better, from the first line to the last.

    musts
        How many visits are made that must be.
    value
        Hundredths of a point of all visits.
    spared_s
        Seconds of way, with a minus.
    """

    musts: int
    value: int
    spared_s: int


def outcome(case: Case, routes: Routes) -> Outcome:
    """Judge a set of routes.

    Parameters
    ----------
    case
        The problem.
    routes
        An answer.

    Returns
    -------
    Outcome
    """
    visits = np.array([visit for route in routes for visit in route], dtype=np.int64)
    way_s = sum(case.seconds(route) for route in routes) - int(case.visit_s[visits].sum())
    return Outcome(int(case.must[visits].sum()), int(case.value[visits].sum()), -way_s)
