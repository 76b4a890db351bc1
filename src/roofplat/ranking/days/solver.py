"""Choose and order the visits with OR-Tools' routing solver.

In: a `Case`, and routes to begin with.
Out: routes that are never worse.
"""

from __future__ import annotations

import math
from types import ModuleType
from typing import Any

import numpy as np

from roofplat.errors import DistrictFileError, RuleError
from roofplat.ranking.days.case import Case, Routes, outcome
from roofplat.ranking.days.greedy import filled_routes

__all__ = ["rounds_for", "solved_routes"]

_SEED = 20
# What a round takes out of the best plan, least and most, and how far at most it shakes the values: the
# standard deviation of their logarithm.
_TAKEN_OUT = (0.1, 1.0)
_SHAKEN = 1.0
# A case so small that more rounds find nothing new.
_MOST_ROUNDS = 500
_VISITS_OF_THE_RULE = 100
# Half of what the solver's whole numbers hold.
_WEIGHT_LIMIT = 2**62


def rounds_for(case: Case, rounds: float) -> int:
    """How many rounds a case gets, so that a large one does not take for ever.

    Parameters
    ----------
    case
        The problem, of n visits.
    rounds
        Rounds for 100 visits. A round's time grows with the square of the visits and faster, so the rounds
        are multiplied by (100 / n) squared, rounded up, and 500 at most.

    Returns
    -------
    int

    Examples
    --------
    >>> import numpy as np
    >>> none = np.zeros(200, dtype=np.int64)
    >>> case = Case(none, none, np.zeros((201, 201), dtype=np.int64), none, none > 0, 1, 1, 3600)
    >>> rounds_for(case, 80)
    20
    """
    count = max(len(case.value), 1)
    return min(math.ceil(rounds * (_VISITS_OF_THE_RULE / count) ** 2), _MOST_ROUNDS)


def solved_routes(case: Case, begin: Routes, *, rounds: int) -> Routes:
    """Improve a set of routes: most visits that must be, then most value, then least way.

    OR-Tools' local search goes from `begin` to a set of routes that none of its moves improves. Then, round
    by round, visits near a random one are taken out of the best routes, the gaps are filled greedily by
    values that are shaken, and the search goes on from there. It stops by count, not by the clock, and the
    random numbers are always the same ones: a case has one answer.

    Parameters
    ----------
    case
        The problem.
    begin
        Routes that keep every limit, such as the greedy ones.
    rounds
        How often the search begins anew; see `rounds_for`.

    Returns
    -------
    list of routes
        Never worse than `begin`.

    Raises
    ------
    DistrictFileError
        OR-Tools is not there.
    RuleError
        The values are too large to be added up.
    """
    solver = _solver()
    if not len(case.value):
        return begin
    search = _Search(case, solver)
    best = max(begin, search.improve(begin), key=lambda routes: outcome(case, routes))
    random = np.random.default_rng(_SEED)
    for _ in range(rounds):
        shaken = random.uniform(0.0, _SHAKEN) * random.standard_normal(len(case.value))
        liking = np.asarray(case.value * np.exp(shaken), dtype=float)
        gone = _around(case, [visit for route in best for visit in route], random)
        thinned = [[visit for visit in route if visit not in gone] for route in best]
        tried = search.improve(filled_routes(case, thinned, liking))
        if outcome(case, tried) > outcome(case, best):
            best = tried
    return best


def _around(case: Case, planned: list[int], random: np.random.Generator) -> set[int]:
    """A random visit of the plan and those nearest to it."""
    if not planned:
        return set()
    visits = np.array(planned)
    middle = visits[random.integers(len(visits))]
    order = np.lexsort((visits, case.way_s[middle + 1, visits + 1]))
    count = max(1, round(random.uniform(*_TAKEN_OUT) * len(visits)))
    return set(visits[order[:count]].tolist())


def _solver() -> ModuleType:
    try:
        from ortools.constraint_solver import pywrapcp
    except ImportError:
        raise DistrictFileError(
            "Days of inspection are planned with OR-Tools, which is not there; "
            "run `python -m pip install 'roofplat[inspect]'`."
        ) from None
    return pywrapcp  # type: ignore[no-any-return]


class _Search:
    """OR-Tools' routing model of a case, built once and searched from many beginnings."""

    def __init__(self, case: Case, solver: ModuleType) -> None:
        from ortools.constraint_solver import routing_enums_pb2

        self._routes = case.routes
        self._manager: Any = solver.RoutingIndexManager(len(case.value) + 1, case.routes, 0)
        self._model: Any = solver.RoutingModel(self._manager)
        way = self._model.RegisterTransitMatrix(case.way_s.tolist())
        self._model.SetArcCostEvaluatorOfAllVehicles(way)
        spent_s = case.way_s.copy()
        spent_s[1:] += case.visit_s[:, None]
        time = self._model.RegisterTransitMatrix(spent_s.tolist())
        self._model.AddDimension(time, 0, case.work_s, True, "time")
        # One hundredth of a point outweighs all the way there can be, and one must all points.
        point = case.work_s * case.routes + 1
        must = point * (int(case.value.sum()) + 1)
        if must * (int(case.must.sum()) + 1) > _WEIGHT_LIMIT:
            raise RuleError(
                "The values of the visits are too large for the solver to add up; lower "
                "days.overdue_value_most, days.due_value or days.never_inspected_value."
            )
        for visit in range(len(case.value)):
            index = self._manager.NodeToIndex(visit + 1)
            weight = point * int(case.value[visit]) + must * int(case.must[visit])
            self._model.AddDisjunction([index], weight)
            allowed = (int(case.latest_day[visit]) + 1) * case.inspectors
            if allowed < case.routes:
                # -1 is no route at all.
                self._model.VehicleVar(index).SetValues([-1, *range(allowed)])
        self._how: Any = solver.DefaultRoutingSearchParameters()
        descent = routing_enums_pb2.LocalSearchMetaheuristic.GREEDY_DESCENT
        self._how.local_search_metaheuristic = descent
        self._model.CloseModelWithParameters(self._how)

    def improve(self, begin: Routes) -> Routes:
        """Go from some routes to ones that no move of the solver improves."""
        places = [[visit + 1 for visit in route] for route in begin]
        first = self._model.ReadAssignmentFromRoutes(places, True)
        found = self._model.SolveFromAssignmentWithParameters(first, self._how)
        if found is None:
            return begin
        return [self._read(found, number) for number in range(self._routes)]

    def _read(self, found: Any, number: int) -> list[int]:
        route: list[int] = []
        index = found.Value(self._model.NextVar(self._model.Start(number)))
        while not self._model.IsEnd(index):
            route.append(self._manager.IndexToNode(index) - 1)
            index = found.Value(self._model.NextVar(index))
        return route
