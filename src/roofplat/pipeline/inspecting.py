"""Days of inspection: plan the district, then who goes where and when.

In: a district, days, inspectors.
Out: `Scheduled`: the plan and its files.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.pipeline.planning import folder_of, only_area, plan_district, silent
from roofplat.ranking.days import DayPlan, plan_days
from roofplat.tables import conform, problem_rows

__all__ = [
    "Scheduled",
    "inspect_days",
]


@dataclass(frozen=True, slots=True)
class Scheduled:
    """What a run of day plans made.

    plan
        Visits, what is left out, the ways, figures of the whole.
    problems
        `tables.TABLES["problems"]`, those of the planning last.
    out, files
        The folder of the build, and the files of the plan.
    """

    plan: DayPlan
    problems: pd.DataFrame
    out: Path
    files: list[Path]


def inspect_days(
    district: District,
    *,
    start_on: datetime.date,
    days: int,
    inspectors: int | None = None,
    hours: float | None = None,
    start: tuple[float, float] | None = None,
    must: Sequence[str] = (),
    out: str | Path | None = None,
    area: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Scheduled:
    """Plan days of inspection and write them down.

    Parameters
    ----------
    district
        From `read_district`; its `[inspect]` says what is not given here.
    start_on
        No day is planned before it.
    days
        How many working days.
    inspectors
        How many go out each day, each alone.
    hours
        Hours of an inspector's day, the break not counted.
    start
        Longitude and latitude of where each day starts and ends, WGS 84 degrees.
    must
        Buildings that are visited whatever they are worth, beside those that the district file names.
    out
        As in `build`; the plan goes to `inspections/` in it.
    area
        Visit buildings of this dispatch area alone. Ranks are those of the whole district.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Scheduled

    Raises
    ------
    RoofplatError
        There is no such building or area, no start, no day, inspector or hour, no solver, or the district
        cannot be read; nothing is written then.
    """
    # Here and not above: a build does not wait for what plans days.
    from roofplat.publish.days import write_days

    say = report or silent
    folder = folder_of(district, out)
    day = as_of or datetime.date.today()
    wishes = district.inspect
    asked = [*wishes.must, *must]
    planned = plan_district(
        district,
        area=area,
        wind_from_deg=None,
        workers=workers,
        day=day,
        as_of=as_of,
        say=say,
        ids=asked,
    )
    tables = {**planned.tables, "roofs": planned.inventory.roofs}
    beyond: list[str] = []
    # What is drawn around a visit are all its neighbours, of other areas as well.
    visited = tables
    if area is not None:
        visited = only_area(tables, area)
        known = set(visited["buildings"]["building_id"])
        beyond = [name for name in dict.fromkeys(asked) if name not in known]
        strange = [name for name in must if name in beyond]
        if strange:
            raise DistrictFileError(
                f"Building {strange[0]!r} must be visited, but does not lie in the area {area!r}; "
                "leave out one of the two."
            )
    say(f"Planning {days} {'day' if days == 1 else 'days'}")
    plan = plan_days(
        visited,
        planned.rules,
        start_on=start_on,
        days=days,
        inspectors=wishes.inspectors if inspectors is None else inspectors,
        hours=wishes.hours if hours is None else hours,
        start=wishes.start if start is None else start,
        must=[name for name in asked if name not in beyond],
        ground=planned.ground,
        streets=tables["streets"],
    )
    outside = problem_rows(
        "days",
        beyond,
        "must_outside_area",
        "info",
        f"It must be visited, but does not lie in the area {area}.",
        "Plan its area, or the whole district.",
    )
    plan = replace(plan, problems=conform("problems", pd.concat([plan.problems, outside], ignore_index=True)))
    say(f"Writing {folder}")
    files = write_days(
        plan,
        tables,
        district=district.name,
        area=area,
        rules=planned.rules,
        ground=planned.ground,
        as_of=day,
        out=folder,
    )
    problems = conform("problems", pd.concat([planned.problems, plan.problems], ignore_index=True))
    return Scheduled(plan=plan, problems=problems, out=folder, files=files)
