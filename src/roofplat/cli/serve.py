"""`roofplat serve`: the built layers and what-if plans over HTTP.

In: a district file, the folder of a build; where to listen.
Out: a service, until it is ended; its address on the screen.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from roofplat.cli import options
from roofplat.cli.manners import CAUTION, say
from roofplat.district import Service, folder_of

__all__ = ["serve"]


@click.command()
@options.district
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the build. Without it: the one the district file names, else maps/<district>.",
)
@click.option("--port", type=click.IntRange(0, 65535), help="Port to listen on; 0 takes any that is free.")
@click.option(
    "--host", metavar="ADDRESS", help="Address to listen on; others than this machine's own need a token."
)
@click.option(
    "--token-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File that only its owner can read, with the token that every request must bring.",
)
@click.option(
    "--url", metavar="URL", help="What the outside calls the service, as https://plans.example.org."
)
@click.option("--workers", type=click.IntRange(1, 64), help="Processes that answer.")
@click.option(
    "--from", "database", metavar="URL", help="Read from postgresql://... instead of the files of the build."
)
def serve(district: Path, out: Path | None, **given: Any) -> None:
    """Serve a build: its layers by OGC API Features, what-if plans by OGC API Processes, a live map.

    It only reads, and listens on this machine alone unless told otherwise. Options that are not given are as
    the district file's [service] table says.
    """
    settings = options.settings_of(district)
    chosen = {name: value for name, value in given.items() if value is not None}
    service = Service.model_validate({**settings.service.model_dump(), **chosen})
    # Here and not above: the help of a command does not wait for the rooms to load.
    from roofplat.serve.run import run_service

    say(CAUTION)
    run_service(settings, folder_of(settings, out), service, say=say)
