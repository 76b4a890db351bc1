"""Files that appear whole or not at all, their names, and the caution they carry.

In: a wanted path; names of dispatch areas as people write them.
Out: a temporary path beside it that takes its place when all is written; safe file names.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tempfile
import time
import unicodedata
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path

from roofplat.errors import DistrictFileError
from roofplat.tables import CAUTION

__all__ = ["CAUTION", "NO_AREA", "area_files", "asset", "clear_away", "whole_file", "write_whole"]

NO_AREA = "No dispatch area"
"""Name of the group of buildings that lie in no dispatch area: they get files as well."""

_LONGEST_STEM = 60
_WORKSHOP = ".writing-"
# A workshop that nothing was put into for so long belongs to a build that was killed.
_LEFT_S = 3600.0
# Device names that one operating system reserves, whatever the extension.
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)")


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path in the same folder; rename it to `path` when the block ends well.

    Parameters
    ----------
    path
        Where the file shall appear; its folder is made when it is missing.

    Yields
    ------
    Path
        A path that does not exist yet, with the same ending, in a folder of its own beside
        `path`. When the block raises, it and the folder go, and `path` stays as it was.

    Raises
    ------
    DistrictFileError
        The folder or the file cannot be written.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with whole_file(folder / "list.csv") as beside:
    ...     _ = beside.write_text("a,b")
    >>> [entry.name for entry in folder.iterdir()]
    ['list.csv']
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # A folder, not a file: some drivers write journals beside the file they make.
        workshop = tempfile.TemporaryDirectory(prefix=_WORKSHOP, dir=path.parent)
    except OSError as error:
        raise DistrictFileError(_cannot_write(path, error)) from None
    with workshop as folder:
        beside = Path(folder) / path.name
        yield beside
        try:
            os.replace(beside, path)  # noqa: PTH105  the one call that is atomic everywhere
        except OSError as error:
            raise DistrictFileError(_cannot_write(path, error)) from None


def clear_away(folder: Path) -> None:
    """Remove what builds that were killed have left half written in a folder.

    Parameters
    ----------
    folder
        Of files that `whole_file` writes. What another build is writing now stays.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> for name, left in ((".writing-old", _LEFT_S), (".writing-new", 0.0)):
    ...     (folder / name).mkdir()
    ...     os.utime(folder / name, (time.time() - left - 1,) * 2)
    >>> clear_away(folder)
    >>> [entry.name for entry in folder.iterdir()]
    ['.writing-new']
    """
    now = time.time()
    for workshop in folder.glob(f"{_WORKSHOP}*"):
        with contextlib.suppress(OSError):
            if now - workshop.stat().st_mtime > _LEFT_S:
                shutil.rmtree(workshop)


def write_whole(path: Path, content: str | bytes | Iterable[bytes]) -> Path:
    """Write text (UTF-8, line feeds as given), bytes, or pieces of bytes one by one; see `whole_file`.

    Examples
    --------
    >>> write_whole(Path(tempfile.mkdtemp()) / "a" / "note.txt", "Side A").read_text()
    'Side A'
    """
    with whole_file(path) as beside:
        try:
            if isinstance(content, str):
                content = content.encode("utf-8")
            with beside.open("wb") as file:
                file.writelines([content] if isinstance(content, bytes) else content)
        except OSError as error:
            raise DistrictFileError(_cannot_write(path, error)) from None
    return path


def area_files(names: Iterable[str]) -> dict[str, str]:
    """Give each dispatch area a file name without its ending.

    Letters and digits of ASCII stay, in lower case; everything else becomes a hyphen. Names that
    come out alike get -2, -3 ... in the order of the names.

    Examples
    --------
    >>> area_files(["North Side", "../../etc", "north-side", "???"])
    {'../../etc': 'etc', '???': 'area', 'North Side': 'north-side', 'north-side': 'north-side-2'}
    """
    stems: dict[str, str] = {}
    taken: set[str] = set()
    for name in sorted(set(names)):
        ascii_name = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
        stem = re.sub(r"[^a-z0-9]+", "-", ascii_name)[:_LONGEST_STEM].strip("-") or "area"
        if _RESERVED.fullmatch(stem):
            stem = f"area-{stem}"
        number = 1
        candidate = stem
        while candidate in taken:
            number += 1
            candidate = f"{stem}-{number}"
        taken.add(candidate)
        stems[name] = candidate
    return stems


def asset(name: str) -> str:
    """Read one of the package's own page parts as text.

    Examples
    --------
    >>> "</html>" in asset("page.html.j2")
    True
    """
    return resources.files("roofplat.publish").joinpath("assets", name).read_text("utf-8")


def _cannot_write(path: Path, error: OSError) -> str:
    return f"{path} cannot be written ({error.strerror}); choose another folder with --out."
