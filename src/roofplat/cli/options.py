"""Options and arguments that mean the same in every command.

In: words of a command line.
Out: checked values; a wrong one ends the command with exit code 2.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from roofplat.district import District, read_district

__all__ = [
    "allow_outside",
    "area",
    "as_of",
    "azimuth",
    "day",
    "district",
    "out",
    "place",
    "settings_of",
    "wind_from",
    "workers",
]

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

_ALLOWED = "roofplat.allow_outside"


def azimuth(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Return degrees clockwise from true north, 0 to 360; anything else is a wrong command.

    Examples
    --------
    >>> azimuth(click.Context(click.Command("any")), click.Option(["--any"]), "270")
    270.0
    """
    if value is None:
        return None
    try:
        degrees = float(value)
    except ValueError:
        degrees = math.nan
    # A comparison with nan is false: it fails here too.
    if not 0.0 <= degrees <= 360.0:
        raise click.BadParameter(
            f"{value!r} is no direction; give degrees from true north, 0 to 360.", ctx, param
        )
    return degrees


def place(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float] | None:
    """Return longitude and latitude in degrees; anything else is a wrong command.

    Examples
    --------
    >>> place(click.Context(click.Command("any")), click.Option(["--any"]), "-118.5,40.25")
    (-118.5, 40.25)
    """
    if value is None:
        return None
    try:
        lon, lat = (float(part) for part in value.split(","))
    except ValueError:
        lon = lat = math.nan
    # A comparison with nan is false: it fails here too.
    if not (-180.0 <= lon <= 180.0 and -90.0 <= lat <= 90.0):
        raise click.BadParameter(
            f"{value!r} is no place; give longitude and latitude in degrees, as -118.5,40.25.", ctx, param
        )
    return lon, lat


def day(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime.date | None:
    """Return a day; anything else is a wrong command.

    Examples
    --------
    >>> day(click.Context(click.Command("any")), click.Option(["--any"]), "2026-01-05")
    datetime.date(2026, 1, 5)
    """
    if value is None:
        return None
    try:
        return datetime.date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"{value!r} is no date; give one as 2026-01-05.", ctx, param) from None


def settings_of(district: Path) -> District:
    """Read the district file that a command names, with what the command allows it.

    Parameters
    ----------
    district
        The district file, as the command names it.

    Raises
    ------
    DistrictFileError
        As `read_district` does.
    """
    allowed = bool(click.get_current_context().meta.get(_ALLOWED))
    return read_district(district, allow_outside=allowed)


def _allow(ctx: click.Context, _: click.Parameter, value: bool) -> None:
    ctx.meta[_ALLOWED] = value


# Given by a person, with each command: a district file cannot say it of itself.
allow_outside: Decorator = click.option(
    "--allow-outside",
    is_flag=True,
    expose_value=False,
    callback=_allow,
    help="Let the district file name files outside of its folder.",
)


def district(command: Callable[..., Any]) -> Callable[..., Any]:
    """Take the district file as an argument, to be read by `settings_of`, and what it is allowed."""
    # Not checked for existence by click: the district reader's sentence says more.
    argument = click.argument("district", metavar="DISTRICT.toml", type=click.Path(path_type=Path))
    return argument(allow_outside(command))


out: Decorator = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to write to. Without it: the one the district file names, else maps/<district>.",
)
as_of: Decorator = click.option(
    "--as-of",
    "as_of",
    metavar="DATE",
    callback=day,
    help="The record of surveys as it was at the end of this day, ages counted on it. Without it: today.",
)
area: Decorator = click.option("--area", metavar="NAME", help="Write this dispatch area only.")
wind_from: Decorator = click.option(
    "--wind-from",
    "wind_from",
    metavar="DEG",
    callback=azimuth,
    help="Where the wind comes from, degrees from true north. Without it: the district's wind.",
)
workers: Decorator = click.option(
    "--workers",
    type=click.IntRange(min=1, max=256),
    default=1,
    show_default=True,
    help="Threads that place the plans, processes that draw the sheets.",
)
