"""`roofplat survey`: the commands that keep the inventory true, in a group of their own.

In: a command line.
Out: the command named in it, run.
"""

from __future__ import annotations

import click

from roofplat.cli.manners import CAUTION
from roofplat.cli.survey_feed import survey_feed
from roofplat.cli.survey_in import survey_in
from roofplat.cli.survey_keep import survey_keep
from roofplat.cli.survey_out import survey_out

__all__ = ["survey"]


@click.group(epilog=CAUTION)
def survey() -> None:
    """Take a survey out to the roofs and bring what was found back."""


for _command in (survey_out, survey_in, survey_feed, survey_keep):
    survey.add_command(_command)
