"""The plan that one would make by hand: always the visit that brings most for its time.

In: a `Case`.
Out: routes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from roofplat.ranking.days.case import Case, IntArray, Routes

__all__ = ["filled_routes", "greedy_routes"]


def greedy_routes(case: Case) -> Routes:
    """Fill empty days visit by visit.

    First the visits that must be, the most pressing first; then again and again the visit with the most
    value for each second that it adds, its own time and the detour to it, put where the detour is least.

    Parameters
    ----------
    case
        The problem.

    Returns
    -------
    list of routes
        Every limit is kept. Ties go to the lower number of the visit, then the earlier route and place.

    Examples
    --------
    Two visits of one hour in a day of 90 minutes, no way between: the one that is worth more.

    >>> import numpy as np
    >>> hour, none = np.array([3600, 3600]), np.zeros((3, 3), dtype=np.int64)
    >>> any_day, no_must = np.zeros(2, dtype=np.int64), np.zeros(2, dtype=bool)
    >>> case = Case(np.array([10, 20]), hour, none, any_day, no_must, days=1, inspectors=1, work_s=5400)
    >>> greedy_routes(case)
    [[1]]
    """
    return filled_routes(case, [[] for _ in range(case.routes)], case.value.astype(float))


def filled_routes(case: Case, begin: Routes, liking: npt.NDArray[np.float64]) -> Routes:
    """Add visits to routes as `greedy_routes` does, by how much each is liked.

    Parameters
    ----------
    case
        The problem.
    begin
        Routes that keep every limit; they stay as they are.
    liking
        What takes the place of the value, shape (n,).

    Returns
    -------
    list of routes
    """
    routes = [list(route) for route in begin]
    left_s = np.array([case.work_s - case.seconds(route) for route in routes], dtype=np.int64)
    day = np.arange(case.routes) // case.inspectors
    waiting = np.ones(len(case.value), dtype=bool)
    waiting[[visit for route in routes for visit in route]] = False
    while waiting.any():
        pressing = waiting & case.must
        pool = np.flatnonzero(pressing if pressing.any() else waiting)
        before, after, owner = _gaps(routes)
        place = pool + 1
        detour_s = (
            case.way_s[before][:, place] + case.way_s[place][:, after].T - case.way_s[before, after][:, None]
        )
        added_s = detour_s + case.visit_s[pool]
        fits = (added_s <= left_s[owner][:, None]) & (day[owner][:, None] <= case.latest_day[pool])
        # What fits nowhere now never will: routes only grow.
        possible = fits.any(axis=0)
        waiting[pool[~possible]] = False
        if not possible.any():
            continue
        gap = np.where(fits, added_s, np.iinfo(np.int64).max).argmin(axis=0)
        cost_s = added_s[gap, np.arange(len(pool))]
        if pressing.any():
            chosen = int(np.lexsort((cost_s, case.latest_day[pool], ~possible))[0])
        else:
            chosen = int(np.where(possible, liking[pool] / np.maximum(cost_s, 1), -1.0).argmax())
        _insert(routes, int(gap[chosen]), int(pool[chosen]))
        left_s[owner[gap[chosen]]] -= cost_s[chosen]
        waiting[pool[chosen]] = False
    return routes


def _gaps(routes: Routes) -> tuple[IntArray, IntArray, IntArray]:
    """Place before, place after and route of every spot that a visit may be put into."""
    before: list[int] = []
    after: list[int] = []
    owner: list[int] = []
    for number, route in enumerate(routes):
        places = [0, *(visit + 1 for visit in route), 0]
        before += places[:-1]
        after += places[1:]
        owner += [number] * (len(route) + 1)
    return np.array(before), np.array(after), np.array(owner)


def _insert(routes: Routes, gap: int, visit: int) -> None:
    """Put a visit into the gap of that number, as `_gaps` counts them."""
    for route in routes:
        if gap <= len(route):
            route.insert(gap, visit)
            return
        gap -= len(route) + 1
