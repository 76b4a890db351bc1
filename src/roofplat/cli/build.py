"""`roofplat build`: the whole job, from a district's layers to its map.

In: a district file.
Out: the files of a build, and what was read, joined, placed, refused and written, on the screen.
"""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table
from roofplat.district import read_district

__all__ = ["build"]

# Tables that a person asks about first; the rest are in the files.
_PLACED = ("sections", "walls", "members", "ladders", "paths", "checks", "openings", "cuts", "trenches")


@click.command()
@options.district
@options.out
@options.area
@options.wind_from
@options.workers
@click.pass_context
def build(
    ctx: click.Context,
    district: Path,
    out: Path | None,
    area: str | None,
    wind_from: float | None,
    workers: int,
) -> None:
    """Build a district: inventory, standing plans, map and ranked list.

    Exit code 1 says that the data has errors: they are listed, and everything that could be built was.
    """
    settings = read_district(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        built = pipeline.build(
            settings, out=out, area=area, wind_from_deg=wind_from, workers=workers, report=progress
        )
    say(settings.name)
    for name, counts in built.counts.items():
        if len(counts):
            say(f"{name.capitalize()}:")
            say_table(counts)
    placed = [name for name in _PLACED if name in built.tables]
    say("Placed:")
    say_table(pd.DataFrame({"layer": placed, "features": [len(built.tables[name]) for name in placed]}))
    say_problems(built.problems)
    say(f"Wrote {len(built.files)} files to {built.out}:")
    for file in built.files:
        say(f"  {_beside(file, built.out)}")
    if area is not None and built.earlier:
        gone = sum(not file.exists() for file in built.earlier)
        removed = f"; {gone} files of its other areas were removed" if gone else ""
        say(f"An earlier build of more was in this folder: it now holds the area {area!r} only{removed}.")
    for file in built.files:
        if file.name == "map.html":
            say(f"The map is {file}")
    say(CAUTION)
    ctx.exit(exit_code(built.problems))


def _beside(file: Path, folder: Path) -> Path:
    return file.relative_to(folder) if file.is_relative_to(folder) else file
