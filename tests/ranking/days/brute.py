"""The best plan of a case, found by looking at every one, or proved by a solver of another kind.

In: a `Case` of a few visits, or of some dozens, and one or two routes.
Out: the greatest outcome, or value, that any plan has.
"""

from __future__ import annotations

import itertools

import numpy as np
from ortools.sat.python import cp_model

from roofplat.ranking.days.case import Case, Outcome, Routes


def least_seconds(case: Case) -> dict[frozenset[int], int]:
    """For each set of visits that one route can hold, the time of its quickest order."""
    found: dict[frozenset[int], int] = {frozenset(): 0}
    for size in range(1, len(case.value) + 1):
        for visits in itertools.combinations(range(len(case.value)), size):
            inside = sum(int(case.visit_s[visit]) for visit in visits)
            quickest = min(
                sum(int(case.way_s[a, b]) for a, b in itertools.pairwise([0, *(v + 1 for v in order), 0]))
                for order in itertools.permutations(visits)
            )
            if inside + quickest <= case.work_s:
                found[frozenset(visits)] = inside + quickest
    return found


def best_outcome(case: Case) -> Outcome:
    quickest = least_seconds(case)
    whole: dict[frozenset[int], int] = {frozenset(): 0}
    for route in range(case.routes):
        day = route // case.inspectors
        allowed = [
            (visits, seconds)
            for visits, seconds in quickest.items()
            if all(case.latest_day[visit] >= day for visit in visits)
        ]
        longer: dict[frozenset[int], int] = {}
        for before, spent in whole.items():
            for visits, seconds in allowed:
                if not before & visits:
                    union = before | visits
                    longer[union] = min(longer.get(union, spent + seconds), spent + seconds)
        whole = longer
    return max(
        Outcome(
            sum(int(case.must[visit]) for visit in visits),
            sum(int(case.value[visit]) for visit in visits),
            sum(int(case.visit_s[visit]) for visit in visits) - seconds,
        )
        for visits, seconds in whole.items()
    )


def random_case(
    seed: int, *, visits: int, days: int, inspectors: int, musts: int = 0, hours: float = 3.0
) -> Case:
    """Places on a plane of some minutes' drive, visits of 20 to 80 minutes, some with a latest day."""
    random = np.random.default_rng(seed)
    spots = random.uniform(0.0, 1200.0, (visits + 1, 2))
    way_s = np.ceil(np.abs(spots[:, None] - spots[None]).sum(axis=2)).astype(np.int64)
    must = np.zeros(visits, dtype=bool)
    must[:musts] = True
    return Case(
        value=random.integers(3_000, 16_000, visits),
        visit_s=random.integers(1_200, 4_800, visits),
        way_s=way_s,
        latest_day=np.where(random.random(visits) < 0.3, random.integers(0, days, visits), days - 1),
        must=must,
        days=days,
        inspectors=inspectors,
        work_s=int(hours * 3600),
    )


def keeps_every_limit(case: Case, routes: Routes) -> bool:
    visits = [visit for route in routes for visit in route]
    return (
        len(routes) == case.routes
        and len(visits) == len(set(visits))
        and all(case.seconds(route) <= case.work_s for route in routes)
        and all(
            case.latest_day[visit] >= number // case.inspectors
            for number, route in enumerate(routes)
            for visit in route
        )
    )


def proven_value(case: Case) -> int:
    """The most value of a case too large for brute force, proved by CP-SAT: a model of circuits."""
    model = cp_model.CpModel()
    visits, routes = range(len(case.value)), range(case.routes)
    made = {(visit, route): model.new_bool_var("") for visit in visits for route in routes}
    for route in routes:
        stays = model.new_bool_var("")
        arcs = [(0, 0, stays), *((visit + 1, visit + 1, made[visit, route].negated()) for visit in visits)]
        ways = [
            (a, b, model.new_bool_var("")) for a, b in itertools.permutations(range(len(case.value) + 1), 2)
        ]
        model.add_circuit([*arcs, *ways])
        for visit in visits:
            # A circuit that does not pass the start would be no route.
            model.add_implication(made[visit, route], stays.negated())
            if case.latest_day[visit] < route // case.inspectors:
                model.add(made[visit, route] == 0)
        model.add(
            sum(int(case.way_s[a, b]) * taken for a, b, taken in ways)
            + sum(int(case.visit_s[visit]) * made[visit, route] for visit in visits)
            <= case.work_s
        )
    for visit in visits:
        model.add_at_most_one(made[visit, route] for route in routes)
    model.maximize(sum(int(case.value[visit]) * made[visit, route] for visit, route in made))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return int(solver.objective_value)
