"""`roofplat survey feed`: permits and the assessor's changes make roofs be looked at again.

In: a district file and a table, one row a permit or change.
Out: which roofs are marked and why, on the screen; observations in the record of surveys.
"""

from __future__ import annotations

from pathlib import Path

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table

__all__ = ["survey_feed"]

_LISTED = 20


def _pairs(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return pairs of a field and the file's column, as `date=ISSUED`."""
    pairs = []
    for word in value:
        field, equals, column = word.partition("=")
        if not (field.strip() and equals and column.strip()):
            raise click.BadParameter(f"{word!r} is no pair; write it as date=ISSUED.", ctx, param)
        pairs.append((field.strip(), column.strip()))
    return pairs


@click.command("feed")
@options.district
@click.argument("file", metavar="FILE.csv", type=click.Path(path_type=Path))
@click.option(
    "--columns",
    metavar="FIELD=COLUMN",
    multiple=True,
    callback=_pairs,
    help="The file's column for building_id, address, lon, lat, date, kind, status or number, where it has "
    "a name of its own; may be given several times.",
)
@click.option(
    "--dates",
    type=click.Choice(["iso", "mdy", "dmy"]),
    default="iso",
    show_default=True,
    help="How dates are written: 2026-03-14, 3/14/2026 or 14/3/2026.",
)
@click.option("--dry-run", is_flag=True, help="Show which roofs would be marked, and write nothing.")
@click.pass_context
def survey_feed(
    ctx: click.Context,
    district: Path,
    file: Path,
    columns: list[tuple[str, str]],
    dates: str,
    dry_run: bool,
) -> None:
    """Read permits or the assessor's changes, and mark the roofs to look at again.

    A mark holds until a roof survey of a later day. Until then the roof counts as never surveyed in the
    ranking. Words that mark a roof are the rules record.feed.*.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        made = pipeline.survey_feed(
            settings,
            file,
            columns=columns,
            dates=dates,  # type: ignore[arg-type]
            dry_run=dry_run,
            report=progress,
        )
    rows = made.rows
    marking = rows["record"].nunique()
    say(f"Read {made.read:,} rows: {marking:,} mark {rows['building_id'].nunique():,} buildings.")
    if len(rows):
        shown = rows.head(_LISTED).assign(
            seen_on=rows["seen_on"].dt.strftime("%Y-%m-%d").astype("str"),
            then=rows["holds"].map({True: "look again", False: "surveyed since"}),
        )
        say_table(shown[["building_id", "seen_on", "reasons", "by", "then"]])
        if len(rows) > _LISTED:
            say(f"  and {len(rows) - _LISTED:,} more")
    say_problems(made.problems)
    if dry_run:
        say(f"Dry run: nothing was written to {made.record}.")
    elif made.added or made.already_known:
        known = f", {made.already_known:,} were there already" if made.already_known else ""
        say(f"Logged {made.added:,} marks in {made.record}{known}.")
    else:
        say("Nothing was logged.")
    say(CAUTION)
    ctx.exit(exit_code(made.problems))
