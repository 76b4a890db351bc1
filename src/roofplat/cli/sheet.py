"""`roofplat sheet`: one page to print for each building, named by id.

In: a district file, ids of buildings or a dispatch area, and what the plan assumes.
Out: PDF files in the folder of a build, and where they are, on the screen.
"""

from __future__ import annotations

from pathlib import Path

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems

__all__ = ["sheet"]

_LISTED = 20


@click.command()
@options.district
@click.argument("ids", metavar="ID...", nargs=-1)
@click.option("--area", metavar="NAME", help="Every building of this dispatch area, and one PDF of them all.")
@click.option(
    "--fire",
    metavar="LON,LAT",
    callback=options.place,
    help="Fire spot, inside one of the buildings. The others keep their own fire spots.",
)
@options.wind_from
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"], case_sensitive=False),
    help="Without it: the paper that the district file names, else letter.",
)
@options.out
@options.workers
@click.pass_context
def sheet(
    ctx: click.Context,
    district: Path,
    ids: tuple[str, ...],
    area: str | None,
    fire: tuple[float, float] | None,
    wind_from: float | None,
    paper: str | None,
    out: Path | None,
    workers: int,
) -> None:
    """Draw one-page sheets of buildings, by their ids.

    They go to `sheets/` in the folder of a build. A sheet that is there already is written anew.
    """
    if not ids and area is None:
        raise click.UsageError("Say which buildings: give their ids, or --area NAME.", ctx)
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        drawn = pipeline.draw_sheets(
            settings,
            ids,
            out=out,
            area=area,
            fire=fire,
            wind_from_deg=wind_from,
            paper=paper,
            workers=workers,
            report=progress,
        )
    errors = drawn.problems[drawn.problems["severity"] == "error"]
    if len(errors):
        say_problems(errors)
    if drawn.fire_in is not None:
        more = "; the others keep their own" if len(drawn.sheets) > 1 else ""
        say(f"The fire spot lies in building {drawn.fire_in}{more}.")
    noun = "sheet" if len(drawn.sheets) == 1 else "sheets"
    say(f"Wrote {len(drawn.sheets):,} {noun}:")
    for file in list(drawn.sheets.values())[:_LISTED]:
        say(f"  {file}")
    if len(drawn.sheets) > _LISTED:
        say(f"  and {len(drawn.sheets) - _LISTED:,} more beside them")
    for file in drawn.sets:
        say(f"All of {area} in one file: {file}")
    say(CAUTION)
    ctx.exit(exit_code(drawn.problems))
