"""The command `roofplat`: a group that knows its commands and nothing else.

In: a command line.
Out: the command named in it, run.
"""

from __future__ import annotations

import click

from roofplat import __version__
from roofplat.cli.build import build
from roofplat.cli.changes import changes
from roofplat.cli.check import check
from roofplat.cli.inspect import inspect
from roofplat.cli.manners import CAUTION, Commands
from roofplat.cli.rank import rank
from roofplat.cli.rules import rules
from roofplat.cli.serve import serve
from roofplat.cli.sheet import sheet
from roofplat.cli.start import start
from roofplat.cli.survey import survey

__all__ = ["main"]


@click.group(cls=Commands, epilog=CAUTION, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="roofplat")
def main() -> None:
    """Roof inventory and standing plans for a fire district."""


for _command in (start, check, build, sheet, rank, inspect, serve, survey, changes, rules):
    main.add_command(_command)
