"""What one run of the service needs to know, and what may be asked of it from outside.

In: a district, the command's own choices.
Out: `Serving`: plain values that a worker process can be started with.
"""

from __future__ import annotations

import ipaddress
import os
import re
import stat
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from roofplat.district import Service
from roofplat.errors import DistrictFileError

__all__ = ["Serving", "check_url", "is_this_machine", "read_token"]

_SHORTEST_TOKEN = 32
# RFC 6750, section 2.1: what a bearer token may be made of.
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*")


@dataclass(frozen=True, slots=True)
class Serving:
    """One run of the service.

    district
        Its name.
    folder
        The folder of the build.
    database
        `postgresql://...` where the layers are read from a database.
    url
        What every link of an answer begins with, without a slash at its end.
    hosts
        Names under which it may be asked, in lower case.
    token
        What each request must bring; None asks for nothing.
    service
        The bounds.
    """

    district: str
    folder: Path
    database: str | None
    url: str
    hosts: frozenset[str]
    token: str | None = field(repr=False)
    service: Service


def is_this_machine(host: str) -> bool:
    """Whether an address is one that no other machine can reach.

    Examples
    --------
    >>> is_this_machine("127.0.0.1"), is_this_machine("::1"), is_this_machine("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def read_token(path: Path) -> str:
    """Read the token of a file that only its owner can read.

    Raises
    ------
    DistrictFileError
        The file is missing, others can read it, or what it holds is no token of 32 characters.
    """
    try:
        mode = path.stat().st_mode
        text = path.read_text("ascii").strip()
    except OSError as error:
        raise DistrictFileError(
            f"The token file {path} cannot be read ({error.strerror}); make one with a token of "
            f"{_SHORTEST_TOKEN} characters or more."
        ) from None
    except UnicodeDecodeError:
        text = ""
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise DistrictFileError(f"Others can read the token file {path}; run `chmod 600` on it.")
    if len(text) < _SHORTEST_TOKEN or not _TOKEN.fullmatch(text):
        raise DistrictFileError(
            f"The token file {path} holds no token; write {_SHORTEST_TOKEN} characters or more into it, "
            "letters and digits at random, on one line."
        )
    return text


def check_url(url: str) -> str:
    """Return an address of a site without its last slash; anything else is refused.

    Examples
    --------
    >>> check_url("https://plans.example.org/")
    'https://plans.example.org'
    >>> check_url("plans.example.org")
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: 'plans.example.org' is no address of a site; give one as \
https://plans.example.org, without a folder.
    """
    try:
        parts = urlsplit(url)
        plain = bool(parts.hostname) and parts.username is None and (parts.port is None or parts.port > 0)
    except ValueError:
        plain = False
    if not (plain and parts.scheme in ("http", "https") and parts.path in ("", "/") and not parts.query
            and not parts.fragment and url.isascii() and url.isprintable() and " " not in url):  # fmt: skip
        raise DistrictFileError(
            f"{url!r} is no address of a site; give one as https://plans.example.org, without a folder."
        )
    return f"{parts.scheme}://{parts.netloc}".lower()
