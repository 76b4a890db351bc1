"""`roofplat changes`: what is not as it was, between two days of the record or two builds.

In: a district file and days, or the folders of two builds.
Out: a list, map layers and a page in `changes/`; the counts and the first rows on the screen.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, say, say_table

__all__ = ["changes"]

_LISTED = 20
_COLUMNS = ["building_id", "section_id", "what", "before", "after"]


@click.command()
@click.argument("district", metavar="[DISTRICT.toml]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--since",
    metavar="DATE",
    callback=options.day,
    help="Compare with the record of surveys as it was at the end of this day.",
)
@click.option(
    "--until",
    metavar="DATE",
    callback=options.day,
    help="The later day. Without it: today, with all of the record.",
)
@click.option(
    "--builds",
    nargs=2,
    metavar="DIR DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Compare two builds instead, the earlier one first.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to write to. Without it: the folder of the district's build, or of the later build.",
)
@options.allow_outside
@options.workers
def changes(
    district: Path | None,
    since: datetime.date | None,
    until: datetime.date | None,
    builds: tuple[Path, Path] | None,
    out: Path | None,
    workers: int,
) -> None:
    """Tell what changed between two days of the record of surveys, or between two builds.

    Of two builds the district file is needed only for its own rules and its elevation. The files go to
    `changes/`, in the folder of a build; those that are there already are written anew.
    """
    if builds is None and (district is None or since is None):
        raise click.UsageError("Name a district file and --since DATE, or the folders of --builds DIR DIR.")
    if builds is not None and (since is not None or until is not None):
        raise click.UsageError("Two builds have their own dates; leave out --since and --until.")
    settings = None if district is None else options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        if builds is not None:
            made = pipeline.changes_of_builds(*builds, district=settings, out=out, report=progress)
        else:
            # Both are there: looked at above.
            assert settings is not None  # noqa: S101
            assert since is not None  # noqa: S101
            made = pipeline.changes_since(
                settings, since=since, until=until, out=out, workers=workers, report=progress
            )
    rows = made.rows
    say(f"From {made.before} to {made.after}:")
    if rows.empty:
        say("  nothing changed")
    else:
        say_table(made.counts)
        say(f"The first of {len(rows):,} changes:" if len(rows) > _LISTED else "Each of them:")
        # What was found on a roof first: the scores and ranks that follow from it are many.
        late = rows["what"].map({"score": 1, "rank": 2}).fillna(0)
        say_table(rows.iloc[late.argsort(kind="stable")].head(_LISTED)[_COLUMNS])
    for note in made.notes:
        say(f"Note: {note}")
    say(f"Wrote {len(made.files)} files to {made.out}:")
    for file in made.files:
        say(f"  {file.name}")
    say(CAUTION)
