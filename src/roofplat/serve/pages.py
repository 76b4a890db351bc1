"""Pages and files that are ours and not pygeoapi's: the live map, the description, built files, refusals.

In: the folder of a build; documents made at the start.
Out: bytes and the policy under which a browser may show them.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import jinja2

from roofplat.errors import LayerError, RoofplatError
from roofplat.publish.live import live_page
from roofplat.publish.page import StrangePageError, policy_of
from roofplat.publish.record import read_outputs
from roofplat.serve.config import TEMPLATES

__all__ = ["BuiltFiles", "could_be_shown", "page_policy", "render"]

# Of a build's files those that a browser shows or a planner prints; layers are asked for as items.
_SHOWN = re.compile(r"(?:areas/)?[a-z0-9-]+\.html|(?:sheets/|sheets/areas/)[A-Za-z0-9_-]+\.pdf")
# The policy of a page stands at its beginning.
_HEAD = 65_536
_MEDIA = {".html": "text/html; charset=utf-8", ".pdf": "application/pdf"}
_ENVIRONMENT = jinja2.Environment(
    loader=jinja2.FileSystemLoader(TEMPLATES),
    autoescape=jinja2.select_autoescape(),
    undefined=jinja2.ChainableUndefined,
)


def render(template: str, config: Mapping[str, Any], data: Mapping[str, Any]) -> str:
    """Fill one of the service's own pages; every value is escaped."""
    return _ENVIRONMENT.get_template(template).render(config=config, data=data)


def page_policy() -> str:
    """The policy of the service's own pages: their one style sheet, forms that come back here, no scripts.

    Examples
    --------
    >>> "script-src" in page_policy(), "default-src 'none'" in page_policy()
    (False, True)
    """
    style = _ENVIRONMENT.get_template("pages.css").render()
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    )


def could_be_shown(name: str) -> bool:
    """Whether a file of such a name is one that a browser shows or a planner prints.

    Examples
    --------
    >>> could_be_shown("areas/north.html"), could_be_shown("layers.gpkg")
    (True, False)
    """
    return _SHOWN.fullmatch(name) is not None


class BuiltFiles:
    """Files of a build, by the names that its record lists and by no others.

    The record and the live page are kept as long as their files are the same.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[tuple[int, int, int], Any]] = {}

    def names(self) -> frozenset[str]:
        """Names that may be asked for now.

        Raises
        ------
        LayerError
            The record of the build is missing or damaged.
        """
        found: frozenset[str] = self._same(
            "build.json",
            lambda: frozenset(filter(could_be_shown, _outputs(self._folder / "build.json"))),
        )
        return found

    def open(self, name: str) -> tuple[BinaryIO, int, str, str | None]:
        """Open a built file; the caller closes it.

        Returns
        -------
        file, bytes, media type, policy
            The policy is the page's own where it has one.

        Raises
        ------
        LayerError
            There is no such file, or it cannot be read.
        """
        if name not in self.names():
            raise LayerError("This build has no such file; /api lists what there is.")
        media = _MEDIA[Path(name).suffix]
        try:
            file = (self._folder / name).open("rb")
        except OSError as error:
            raise LayerError(f"{name} cannot be read ({error.strerror}); build the district again.") from None
        policy = _policy(file.read(_HEAD)) if media.startswith("text/html") else None
        size = file.seek(0, os.SEEK_END)
        file.seek(0)
        return file, size, media, policy

    def live(self) -> tuple[bytes, str | None]:
        """The live page, and its policy.

        Raises
        ------
        RoofplatError
            There is no map, or it is of another version.
        """
        found: tuple[bytes, str | None] = self._same("map.html", self._make_live)
        return found

    def _make_live(self) -> tuple[bytes, str | None]:
        page = live_page((self._folder / "map.html").read_bytes())
        return page, _policy(page)

    def _same(self, name: str, make: Callable[[], Any]) -> Any:
        """What was made of a file, made anew when the file is another one."""
        try:
            now = _identity(self._folder / name)
        except OSError as error:
            raise LayerError(
                f"{name} of the build cannot be read ({error.strerror}); build the district again."
            ) from None
        with self._lock:
            kept = self._kept.get(name)
            if kept is None or kept[0] != now:
                try:
                    kept = now, make()
                except RoofplatError:
                    # One of them is an OSError too, with a sentence of its own.
                    raise
                except OSError as error:
                    raise LayerError(
                        f"{name} of the build cannot be read ({error.strerror}); build the district again."
                    ) from None
                self._kept[name] = kept
            return kept[1]


def _outputs(path: Path) -> list[str]:
    """The files that the record of a build lists; none at all is no build that ended well."""
    names = read_outputs(path)
    if not names:
        raise LayerError(f"{path.name} names no files, it may be damaged; build the district again.")
    return names


def _identity(path: Path) -> tuple[int, int, int]:
    found = os.stat(path)  # noqa: PTH116  the one call
    return found.st_ino, found.st_mtime_ns, found.st_size


def _policy(page: bytes) -> str | None:
    """The page's own policy, and that it stands in no frame: a page cannot say that of itself."""
    try:
        return f"{policy_of(page.decode('utf-8', 'replace'))}; frame-ancestors 'none'"
    except StrangePageError:
        return None
