"""`roofplat build`: the whole job, from a district's layers to its map.

In: a district file.
Out: the files of a build, and what was read, joined, placed, refused and written, on the screen.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, Progress, exit_code, say, say_problems, say_table

if TYPE_CHECKING:
    from roofplat.publish.parts import Parts

__all__ = ["build"]

# Tables that a person asks about first; the rest are in the files.
_PLACED = (
    "sections",
    "walls",
    "planes",
    "members",
    "ladders",
    "paths",
    "checks",
    "openings",
    "cuts",
    "trenches",
    "collapse_zones",
    "solar_access",
)


@click.command()
@options.district
@options.out
@options.area
@options.wind_from
@click.option(
    "--sheets/--no-sheets",
    default=None,
    help="Write a printed sheet of every building. Without it: as the district file says.",
)
@options.as_of
@click.option(
    "--to",
    metavar="ADDRESS",
    help="Database with PostGIS that gets the tables too, as postgresql://USER@HOST/DATABASE?schema=NAME.",
)
@click.option(
    "--tile-buildings",
    type=click.IntRange(min=10, max=1_000_000),
    help="Build in tiles of so many buildings at most. Without it: as [scale] of the district file says.",
)
@click.option(
    "--anew",
    is_flag=True,
    help="Build everything, also what is there already and has not changed.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let the workers of a Dask cluster plan the tiles; its scheduler's address, as tcp://HOST:8786.",
)
@options.workers
@click.pass_context
def build(
    ctx: click.Context,
    district: Path,
    out: Path | None,
    area: str | None,
    wind_from: float | None,
    sheets: bool | None,
    as_of: datetime.date | None,
    to: str | None,
    tile_buildings: int | None,
    anew: bool,
    scheduler: str | None,
    workers: int,
) -> None:
    """Build a district: inventory, standing plans, map and ranked list.

    Where nothing has changed since the last build, nothing is done. Big districts are built in tiles, and
    only the tiles of which something has changed.

    Exit code 1 says that the data has errors: they are listed, and everything that could be built was.
    """
    settings = options.settings_of(district)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat import pipeline

    with Progress() as progress:
        built = pipeline.build(
            settings,
            out=out,
            area=area,
            wind_from_deg=wind_from,
            sheets=sheets,
            workers=workers,
            as_of=as_of,
            to=to,
            tile_buildings=tile_buildings,
            scheduler=scheduler,
            anew=anew,
            skip_unchanged=not anew,
            report=progress,
        )
    say(settings.name)
    if built.parts is None:
        say(
            f"Nothing has changed since the last build: the {len(built.files)} files in {built.out} are "
            "those of these sources, rules and settings. --anew builds them all the same."
        )
        say(CAUTION)
        ctx.exit(1 if built.errors else 0)
    if built.tiles:
        say(f"Built in {built.tiles:,} tiles, {built.planned:,} of them planned now.")
    for name, counts in built.counts.items():
        if len(counts):
            say(f"{name.capitalize()}:")
            say_table(counts)
    _say_placed(built.parts)
    say_problems(built.problems)
    say(f"Wrote {len(built.files)} files to {built.out}:")
    single = [file for file in built.files if file.parent == built.out / "sheets"]
    for file in built.files:
        # Thousands of sheets would hide the rest.
        if file not in single[1:]:
            say(f"  {_beside(file, built.out)}")
        if single and file == single[-1] and len(single) > 1:
            say(f"  and {len(single) - 1:,} more sheets in {Path('sheets')}")
    if area is not None and built.earlier:
        gone = sum(not file.exists() for file in built.earlier)
        removed = f"; {gone} files of its other areas were removed" if gone else ""
        say(f"An earlier build of more was in this folder: it now holds the area {area!r} only{removed}.")
    for file in built.files:
        if file.name == "map.html":
            say(f"The map is {file}")
    say(CAUTION)
    ctx.exit(exit_code(built.problems))


def _say_placed(parts: Parts) -> None:
    """How much was placed, and what of it a person asks about first."""
    placed = [name for name in _PLACED if name in parts.names]
    say("Placed:")
    say_table(pd.DataFrame({"layer": placed, "features": [parts.count(name) for name in placed]}))
    _say_sections(parts)
    _say_ladders(parts)
    _say_solar(parts)


def _say_sections(parts: Parts) -> None:
    """How many sections are opened in which way, and how many are not and why."""
    from roofplat.publish.wording import METHOD_WORDS, without_code

    sections = parts.narrow("sections", ["cut_method", "cut_method_why"])
    opened = sections["cut_method"].notna() & (sections["cut_method"] != "do_not_cut")
    if opened.any():
        say("Sections with an opening:")
        _say_tally(sections.loc[opened, "cut_method"].map(METHOD_WORDS), "method", "sections")
    if not opened.all():
        say("Sections without:")
        why = sections.loc[~opened, "cut_method_why"].astype("str").fillna("no reason given")
        _say_tally(why.map(without_code), "reason", "sections")


def _say_ladders(parts: Parts) -> None:
    """How the ladder spots are reached, and how many stand where a wall may be thrown."""
    ladders = parts.narrow("ladders", ["building_id", "apparatus", "in_collapse_zone"])
    zones = parts.narrow("collapse_zones", ["building_id", "pushes_out"])
    if ladders.empty:
        return
    say("Ladder spots:")
    _say_tally(ladders["apparatus"].map(lambda name: name.replace("_", " ")), "apparatus", "spots")
    pushing = zones.loc[zones["pushes_out"], "building_id"]
    inside = ladders["in_collapse_zone"].fillna(False).astype(bool) & ladders["building_id"].isin(pushing)
    if inside.any():
        say(f"  {inside.sum()} of them in the collapse zone of a roof that pushes walls out")


def _say_solar(parts: Parts) -> None:
    """What the audit of the solar arrays found, by rule."""
    audit = parts.narrow("solar_access", ["section_id", "array", "rule", "passes"])
    if audit.empty:
        return
    verdict = audit["passes"].astype("Int64").map({1: "met", 0: "not met"}).fillna("cannot be told")
    counts = pd.crosstab(audit["rule"], verdict)
    counts = counts.reindex(columns=["met", "not met", "cannot be told"], fill_value=0)
    arrays = len(audit.drop_duplicates(["section_id", "array"]))
    say(f"Solar access of {arrays} arrays:")
    say_table(counts.rename_axis(columns=None).reset_index())


def _say_tally(values: pd.Series, title: str, counted: str) -> None:
    """Values and how often each occurs, the most frequent first, the alphabet among equals."""
    tally = values.value_counts().sort_index().sort_values(ascending=False, kind="stable")
    say_table(pd.DataFrame({title: tally.index.astype("str"), counted: tally.to_numpy()}))


def _beside(file: Path, folder: Path) -> Path:
    return file.relative_to(folder) if file.is_relative_to(folder) else file
