"""What `roofplat survey in --as LAYER` does: roofs drawn by hand, taken into the record.

In: a district and files of drawn features.
Out: what each of them changes, on the screen; drawings in the record of surveys.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

import click
import pandas as pd

from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table
from roofplat.district import District

__all__ = ["take_drawings"]

_LISTED = 50
_ADDED = ("new", "replaces", "takes away")


def take_drawings(
    ctx: click.Context,
    district: District,
    files: Sequence[Path],
    layer: str,
    *,
    who: str | None,
    seen_on: datetime.date | None,
    dry_run: bool,
) -> None:
    """Take drawings into the record, say what they change, and end the command."""
    from roofplat import pipeline

    with Progress() as progress:
        made = pipeline.survey_drawn(
            district, files, layer, who=who, seen_on=seen_on, dry_run=dry_run, report=progress
        )
    changes = made.changes
    counts = changes["then"].value_counts()
    say("Drawings: " + (", ".join(f"{many:,} {name}" for name, many in counts.items()) or "none"))
    listed = changes[changes["then"] != "same"]
    shown = listed.head(_LISTED)
    if len(shown):
        say_table(
            pd.DataFrame(
                {
                    "feature": shown["feature"],
                    "building": shown["building_id"],
                    "then": shown["then"],
                    "number": shown["replaces"],
                    "moved_ft": shown["moved_ft"],
                    "outside_percent": (100.0 * shown["outside"]).round(1),
                }
            )
        )
    if len(listed) > len(shown):
        say(f"  and {len(listed) - len(shown):,} more")
    if len(made.problems):
        # What was refused and what overlaps is named one by one; notes are counted.
        notes = made.problems["severity"] == "info"
        say_problems(made.problems[~notes], every=True)
        for code, many in made.problems.loc[notes, "code"].value_counts().items():
            say(f"  note: {code}, {many:,} {'time' if many == 1 else 'times'}")
    if dry_run:
        would = int(changes["then"].isin(_ADDED).sum())
        say(f"Dry run: {would:,} drawings would go into {made.record}. Nothing was written.")
    elif made.added or made.already_known:
        known = f", {made.already_known:,} were there already" if made.already_known else ""
        say(f"Put {made.added:,} drawings into {made.record}{known}.")
    else:
        say("Nothing was put into the record.")
    say(CAUTION)
    ctx.exit(exit_code(made.problems))
