"""`roofplat survey out`: forms to be filled in on the spot.

In: a district file; the name of a dispatch area, and how many buildings at most.
Out: a folder with the forms, and which roofs come first, on the screen.
"""

from __future__ import annotations

from pathlib import Path

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, printable, say, say_problems, say_table

__all__ = ["survey_out"]

_LISTED = 10


@click.command("out")
@options.district
@click.option("--area", metavar="NAME", help="Survey buildings of this dispatch area. Without it: of all.")
@click.option(
    "--most",
    type=click.IntRange(min=1),
    help="How many buildings at most, those first that a survey is worth most. Without it: all.",
)
@options.out
@options.workers
@click.pass_context
def survey_out(
    ctx: click.Context, district: Path, area: str | None, most: int | None, out: Path | None, workers: int
) -> None:
    """Write the forms of a survey: a GeoPackage, a CSV list and pages to print.

    They go to `survey/<area>/` in the folder of a build, those of all areas to `survey/whole-district/`.
    Forms that are there already are written anew.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        made = pipeline.survey_out(settings, area=area, most=most, out=out, workers=workers, report=progress)
    errors = made.problems[made.problems["severity"] == "error"]
    if len(errors):
        say_problems(errors)
    rows = made.rows
    where = printable(area or settings.name)
    say(f"{where}: {len(rows):,} of {made.of:,} buildings, those first that a survey is worth most")
    say_table(rows.head(_LISTED)[["order", "building_id", "rank", "asked"]])
    if len(rows) > _LISTED:
        say(f"  and {len(rows) - _LISTED:,} more")
    say(f"Wrote {len(made.files)} files to {made.out}:")
    for file in made.files:
        say(f"  {file.name}")
    say(CAUTION)
    ctx.exit(exit_code(made.problems))
