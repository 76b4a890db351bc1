"""`roofplat inspect`: days of inspection, who goes where and when.

In: a district file, the first day, how many days, inspectors and hours there are.
Out: pages, lists and a calendar in the folder of a build; who goes where, on the screen.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table

if TYPE_CHECKING:
    from roofplat.ranking.days import DayPlan

__all__ = ["inspect"]


def _date(ctx: click.Context, param: click.Parameter, value: str) -> datetime.date:
    """A day; anything else is a wrong command.

    Examples
    --------
    >>> _date(click.Context(click.Command("any")), click.Option(["--any"]), "2026-01-05")
    datetime.date(2026, 1, 5)
    """
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is no date; give one as 2026-01-05.", ctx, param) from None


@click.command()
@options.district
@click.option(
    "--from", "start_on", metavar="DATE", callback=_date, required=True, help="The first day, as 2026-01-05."
)
@click.option("--days", type=click.IntRange(min=1, max=366), required=True, help="How many working days.")
@click.option(
    "--inspectors",
    type=click.IntRange(min=1, max=100),
    help="How many go out each day. Without it: as the district file says, else 1.",
)
@click.option(
    "--hours",
    type=float,
    help="Hours of an inspector's day, without the break. Without it: as the district file or the rules say.",
)
@click.option(
    "--start",
    metavar="LON,LAT",
    callback=options.place,
    help="Where each day starts and ends. Without it: as the district file says, else the first station.",
)
@click.option(
    "--must", metavar="ID", multiple=True, help="A building that must be visited; as often as wanted."
)
@click.option("--area", metavar="NAME", help="Visit buildings of this dispatch area only.")
@options.out
@options.workers
@click.pass_context
def inspect(
    ctx: click.Context,
    district: Path,
    start_on: datetime.date,
    days: int,
    inspectors: int | None,
    hours: float | None,
    start: tuple[float, float] | None,
    must: tuple[str, ...],
    area: str | None,
    out: Path | None,
    workers: int,
) -> None:
    """Plan days of inspection: whom to visit, in which order, on which day.

    They go to `inspections/` in the folder of a build: a page a day, lists and a calendar. A plan that is
    there already is written anew.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        made = pipeline.inspect_days(
            settings,
            start_on=start_on,
            days=days,
            inspectors=inspectors,
            hours=hours,
            start=start,
            must=must,
            out=out,
            area=area,
            workers=workers,
            report=progress,
        )
    errors = made.problems[made.problems["severity"] == "error"]
    # The plan's own problems are told one by one; of the others, errors alone.
    others = errors[errors["layer"] != "days"]
    if len(others):
        say_problems(others)
    _say_plan(made.plan)
    if len(made.plan.problems):
        say_problems(made.plan.problems, every=True)
    say(f"Wrote {len(made.files)} files to {made.files[-1].parent}:")
    for file in made.files:
        say(f"  {file.name}")
    say(CAUTION)
    ctx.exit(exit_code(made.problems))


def _say_plan(plan: DayPlan) -> None:
    """Who goes where, what is left out and why, and how good the plan is."""
    from roofplat.publish.days.index import REASON_WORDS
    from roofplat.publish.days.words import clock, distance

    summary: dict[str, Any] = plan.summary
    say(f"Start and end of each day: {summary['start_name']}")
    if len(plan.routes):
        routes = pd.DataFrame(plan.routes).drop(columns="geometry")
        say_table(
            pd.DataFrame(
                {
                    "day": routes["day"].dt.strftime("%Y-%m-%d"),
                    "inspector": routes["inspector"],
                    "visits": routes["visits"],
                    "leaves": routes["out_min"].map(clock),
                    "is back": routes["back_min"].map(clock),
                    "way": routes["length_ft"].map(distance),
                    "points": routes["value"].round(1),
                }
            )
        )
    say(f"Visited: {summary['visits']:,} of {summary['buildings']:,} buildings. Left out:")
    counts = {code: summary["left_out"].get(code, 0) for code in REASON_WORDS}
    left = {REASON_WORDS[code]: number for code, number in counts.items() if number}
    if left:
        say_table(pd.DataFrame({"reason": list(left), "buildings": list(left.values())}))
    else:
        say("  none")
    say(summary["solver"])
    say(summary["travel"])
