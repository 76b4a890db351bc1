"""`roofplat survey in`: bring back what was found on the roofs.

In: a district file and the forms that were filled in.
Out: what changes, answer by answer, on the screen; observations in the record of surveys.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table
from roofplat.cli.survey_drawn import take_drawings

__all__ = ["survey_in"]


@click.command("in")
@options.district
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--as",
    "layer",
    type=click.Choice(["sections", "fire_walls", "expansion_joints", "obstacles", "walls"]),
    help="The files hold roofs drawn by hand, GeoJSON or another layer: what was drawn.",
)
@click.option("--who", metavar="TEXT", help="Who saw it, for rows that do not say.")
@click.option(
    "--seen-on",
    "seen_on",
    metavar="DATE",
    callback=options.day,
    help="When it was seen, as 2026-01-05, for rows that do not say.",
)
@click.option("--dry-run", is_flag=True, help="Show what would change, and write nothing.")
@click.pass_context
def survey_in(
    ctx: click.Context,
    district: Path,
    files: tuple[Path, ...],
    layer: str | None,
    who: str | None,
    seen_on: datetime.date | None,
    dry_run: bool,
) -> None:
    """Read filled-in forms or drawings, show what changes, and log it in the record of surveys.

    Columns may be in any order, missing or added. An answer that cannot be is refused by itself and named;
    the others are taken. Exit code 1 says that some were refused.
    """
    settings = options.settings_of(district)
    if layer is not None:
        take_drawings(ctx, settings, files, layer, who=who, seen_on=seen_on, dry_run=dry_run)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline
    from roofplat.record.answers import LOGGED

    with Progress() as progress:
        made = pipeline.survey_in(settings, files, who=who, seen_on=seen_on, dry_run=dry_run, report=progress)
    say("Read:")
    say_table(made.forms)
    _say_rows(made.rows)
    if len(made.axes):
        say("Beams that run another way, or are better known:")
        say_table(_axes(made.axes))
    if len(made.problems):
        say_problems(made.problems, every=True)
    if dry_run:
        logged = int(made.rows["outcome"].isin(LOGGED).sum())
        say(f"Dry run: {logged:,} answers would be logged in {made.record}. Nothing was written.")
    elif made.added or made.already_known:
        known = f", {made.already_known:,} were there already" if made.already_known else ""
        say(f"Logged {made.added:,} answers in {made.record}{known}.")
    else:
        say("Nothing was logged.")
    say(CAUTION)
    ctx.exit(exit_code(made.problems))


def _say_rows(rows: pd.DataFrame) -> None:
    """What is known now and what the forms say; answers that change nothing are counted alone."""
    counts = rows["outcome"].value_counts()
    say("Answers: " + (", ".join(f"{many:,} {name}" for name, many in counts.items()) or "none"))
    shown = rows[rows["outcome"] != "same"]
    if shown.empty:
        return
    now = _short(shown["now"]) + _known(shown["now_basis"], shown["now_date"])
    then = _short(shown["then"]) + _known(shown["basis"], shown["seen_on"])
    say_table(
        pd.DataFrame(
            {
                "building": shown["section_id"].fillna(shown["building_id"]),
                "field": shown["field"],
                "now": now.where(shown["now"].notna(), "nothing"),
                "then": then,
                "outcome": shown["outcome"],
                "reason": shown["reason"],
            }
        )
    )


def _short(values: pd.Series) -> pd.Series:
    """Figures with as many digits as anyone can measure; words as they are."""
    figures = pd.to_numeric(values.astype("object"), errors="coerce")
    words = pd.Series(values.astype("str").fillna(""))
    return words.where(figures.isna(), figures.map("{:.6g}".format).astype("str"))


def _known(basis: pd.Series, day: pd.Series) -> pd.Series:
    """How a value is known, in brackets."""
    when = day.dt.strftime(" %Y-%m-%d").astype("str").fillna("")
    known: pd.Series = " (" + basis.astype("str").fillna("unknown") + when + ")"
    return known


def _axes(axes: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "section": axes["section_id"],
            "was": axes["was_deg"].round(1).astype("str") + " deg, " + axes["was_basis"].astype("str"),
            "now": axes["now_deg"].round(1).astype("str") + " deg, " + axes["now_basis"].astype("str"),
        }
    )
