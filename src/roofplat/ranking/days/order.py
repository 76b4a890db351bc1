"""Which of the routes goes on which day, and which way round.

In: a `Case` and its routes.
Out: the same routes, those that bring most on the first days.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import linear_sum_assignment

from roofplat.ranking.days.case import Case, Routes

__all__ = ["ordered_routes"]


def ordered_routes(case: Case, routes: Routes) -> Routes:
    """Put what brings most first, as far as the latest days allow.

    A day may be cut short, and a plan abandoned: what was done by then should be what counted most. The
    routes are matched with the days so that value x days left is greatest
    (`scipy.optimize.linear_sum_assignment`). On one day the first inspector has the most value, and a route
    goes the way round that has the more valuable visits earlier.

    Parameters
    ----------
    case
        The problem.
    routes
        A set of routes that keeps every limit.

    Returns
    -------
    list of routes
        The same visits in the same neighbourhood. Ties go to the lowest visit of a route.
    """
    turned = sorted((_turned(case, route) for route in routes), key=lambda route: (not route, sorted(route)))
    value = np.array([int(case.value[route].sum()) if route else 0 for route in turned], dtype=float)
    latest = np.array([int(case.latest_day[route].min()) if route else case.days - 1 for route in turned])
    day = np.arange(case.routes) // case.inspectors
    gain = value[:, None] * (case.days - day)
    impossible = -(gain.sum() + 1.0)
    row, slot = linear_sum_assignment(np.where(day <= latest[:, None], gain, impossible), maximize=True)
    on_day = day[slot]
    order = sorted(range(len(turned)), key=lambda k: (on_day[k], -value[row[k]], row[k]))
    return [turned[row[k]] for k in order]


def _turned(case: Case, route: list[int]) -> list[int]:
    """The way round that has the more valuable visits earlier."""
    place = np.arange(len(route))
    there = int((case.value[route] * place).sum()) if route else 0
    back = int((case.value[route[::-1]] * place).sum()) if route else 0
    same = there == back and route > route[::-1]
    return route[::-1] if there > back or same else list(route)
