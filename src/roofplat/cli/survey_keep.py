"""`roofplat survey keep`: write the present footprints into the record, so that ids outlive the next ones.

In: a district file.
Out: what became of each building, counted, on the screen; outlines, events and marks in the record.
"""

from __future__ import annotations

from pathlib import Path

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table

__all__ = ["survey_keep"]


@click.command("keep")
@options.district
@click.option("--dry-run", is_flag=True, help="Say what became of the buildings, and write nothing.")
@click.option(
    "--gone",
    "gone",
    is_flag=True,
    help="Write them down although most buildings of the record are not in them.",
)
@click.pass_context
def survey_keep(ctx: click.Context, district: Path, dry_run: bool, gone: bool) -> None:
    """Write the outlines of the present footprint layer into the record of surveys.

    Buildings keep their ids: each outline is matched by overlap with those that the record has. What was
    split, merged, changed, or is new or gone is logged, and surveys follow their building.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        kept = pipeline.survey_keep(settings, dry_run=dry_run, gone=gone, report=progress)
    say(f"{kept.release}:")
    say_table(kept.counts)
    if len(kept.problems):
        say_problems(kept.problems)
    if dry_run:
        say(f"Dry run: nothing was written in {kept.record}.")
    elif kept.events:
        say(
            f"Wrote {kept.events:,} events, {kept.outlines:,} outlines and {kept.marks:,} roofs to look at "
            f"again in {kept.record}."
        )
    else:
        say(f"{kept.record} has these footprints already.")
    say(CAUTION)
    ctx.exit(exit_code(kept.problems))
