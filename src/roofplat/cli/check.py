"""`roofplat check`: read a district and say what is wrong with it.

In: a district file.
Out: counts of what was read and the problems by code, on the screen; no file is written.
"""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from roofplat.cli import options
from roofplat.cli.manners import Progress, exit_code, say, say_problems, say_table
from roofplat.rules import load_rulebook

__all__ = ["check"]


@click.command()
@options.district
@click.option("--all", "every", is_flag=True, help="List every problem, not only the first errors of a kind.")
@click.pass_context
def check(ctx: click.Context, district: Path, every: bool) -> None:
    """Read and join everything a district file names, report the problems, build nothing.

    Exit code 1 says that the data has errors.
    """
    settings = options.settings_of(district)
    rulebook = load_rulebook(settings.rules, settings.families)
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat.ground import Ground
    from roofplat.inventory import take_inventory
    from roofplat.pipeline import gather

    ground = Ground(rulebook.number("ground.foot_m"), settings.mean_elevation_ft)
    with Progress() as progress:
        progress(f"Reading {settings.name}")
        inputs = gather(settings, rulebook)
        progress("Joining")
        inventory = take_inventory(inputs, rulebook, ground, region=settings.region)
    problems = pd.concat([inputs.problems, inventory.problems], ignore_index=True)
    say(settings.name)
    say(f"Working CRS: {inputs.working_crs.name}. {ground.statement}")
    say("Read:")
    say_table(inputs.counts)
    if len(inventory.counts):
        say("Joined:")
        say_table(inventory.counts)
    say_problems(problems, every=every)
    say("Nothing was built.")
    ctx.exit(exit_code(problems))
