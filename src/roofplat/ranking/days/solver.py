"""Choose and order the visits with OR-Tools' routing solver.

In: a `Case`, and routes to begin with.
Out: routes that are never worse.
"""

from __future__ import annotations

from typing import Any

from roofplat.errors import DistrictFileError
from roofplat.ranking.days.case import Case, Routes, outcome

__all__ = ["solved_routes"]


def solved_routes(case: Case, begin: Routes, *, solutions: int) -> Routes:
    """Improve a set of routes.

    Most visits that must be; then most value; then least way.

    Parameters
    ----------
    case
        The problem.
    begin
        Routes that keep every limit, such as the greedy ones.
    solutions
        How many sets of routes the solver looks at before it stops. It stops by count, not by the clock,
        so that the same case has the same answer on every machine.

    Returns
    -------
    list of routes
        Never worse than `begin`.

    Raises
    ------
    DistrictFileError
        OR-Tools is not there.
    """
    try:
        from ortools.constraint_solver import pywrapcp, routing_enums_pb2
    except ImportError:
        raise DistrictFileError(
            "Days of inspection are planned with OR-Tools, which is not there; "
            "run `python -m pip install 'roofplat[inspect]'`."
        ) from None
    if not len(case.value):
        return begin
    manager = pywrapcp.RoutingIndexManager(len(case.value) + 1, case.routes, 0)
    routing = pywrapcp.RoutingModel(manager)
    way = routing.RegisterTransitMatrix(case.way_s.tolist())
    routing.SetArcCostEvaluatorOfAllVehicles(way)
    spent_s = case.way_s.copy()
    spent_s[1:] += case.visit_s[:, None]
    time = routing.RegisterTransitMatrix(spent_s.tolist())
    routing.AddDimension(time, 0, case.work_s, True, "time")
    # One hundredth of a point outweighs all the way there can be, and one must all points.
    point = case.work_s * case.routes + 1
    must = point * (int(case.value.sum()) + 1)
    for visit in range(len(case.value)):
        index = manager.NodeToIndex(visit + 1)
        weight = point * int(case.value[visit]) + must * int(case.must[visit])
        routing.AddDisjunction([index], weight)
        allowed = (int(case.latest_day[visit]) + 1) * case.inspectors
        if allowed < case.routes:
            routing.SetAllowedVehiclesForIndex(list(range(allowed)), index)
    search: Any = pywrapcp.DefaultRoutingSearchParameters()
    search.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GREEDY_DESCENT
    search.solution_limit = solutions
    routing.CloseModelWithParameters(search)
    first = routing.ReadAssignmentFromRoutes([[visit + 1 for visit in route] for route in begin], True)
    found = routing.SolveFromAssignmentWithParameters(first, search)
    if found is None:
        return begin
    routes: Routes = []
    for number in range(case.routes):
        index, route = found.Value(routing.NextVar(routing.Start(number))), []
        while not routing.IsEnd(index):
            route.append(manager.IndexToNode(index) - 1)
            index = found.Value(routing.NextVar(index))
        routes.append(route)
    return max(begin, routes, key=lambda answer: outcome(case, answer))
