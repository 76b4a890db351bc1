"""Files that appear whole or not at all, their names, and the caution they carry.

In: a wanted path; a folder that one build alone shall work in; names of dispatch areas as written.
Out: a temporary path beside it that takes its place when all is written; safe file names.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import sqlite3
import tempfile
import time
import unicodedata
from collections.abc import Iterable, Iterator
from importlib import resources
from pathlib import Path

from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

from roofplat.errors import DistrictFileError, RoofplatError
from roofplat.tables import CAUTION

try:
    import fcntl
except ImportError:  # not on every system; there two builds at once are their owner's to avoid
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "CAUTION",
    "NO_AREA",
    "alone",
    "area_files",
    "asset",
    "clear_away",
    "whole_file",
    "write_whole",
    "writing",
]

NO_AREA = "No dispatch area"
"""Name of the group of buildings that lie in no dispatch area: they get files as well."""

_LONGEST_STEM = 60
_WORKSHOP = ".writing-"
# Where folders cannot be locked: nobody works any more in one that nothing was put into for so long.
_LEFT_S = 3600.0
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
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
        The folder or the file cannot be written, also where the block says so by a fault of the system, of
        GDAL or of SQLite.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with whole_file(folder / "list.csv") as beside:
    ...     _ = beside.write_text("a,b")
    >>> [entry.name for entry in folder.iterdir()]
    ['list.csv']
    """
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        with _workshop(path.parent) as folder:
            beside = folder / path.name
            yield beside
            os.replace(beside, path)  # noqa: PTH105  the one call that is atomic everywhere


@contextlib.contextmanager
def writing(path: Path) -> Iterator[None]:
    """Say in one sentence what goes wrong while something is written.

    Parameters
    ----------
    path
        The file or folder that is written.

    Raises
    ------
    DistrictFileError
        The block raises a fault of the system, of GDAL or of SQLite.

    Examples
    --------
    >>> with writing(Path("list.csv")):  # doctest: +ELLIPSIS
    ...     raise OSError(errno.ENOSPC, "No space left on device")
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: list.csv cannot be written (No space left on device); make room, ...
    """
    try:
        yield
    except OSError as error:
        # What has no number is no fault of the system's: a reader of what is being written says more.
        if isinstance(error, RoofplatError) or error.errno is None:
            raise
        raise DistrictFileError(_cannot_write(path, error)) from None
    except (DataSourceError, DataLayerError, FeatureError, sqlite3.Error) as error:
        # A library that writes tables says a full disk in its own way.
        words = " ".join(str(error).split()).rstrip(".")
        raise DistrictFileError(
            f"{path} cannot be written ({words}); make room, or choose another folder with --out."
        ) from None


def clear_away(folder: Path) -> None:
    """Remove what programs that were killed have left half written in a folder.

    Parameters
    ----------
    folder
        Of files that `whole_file` writes. What another program is writing now stays.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> (folder / ".writing-left").mkdir()
    >>> with whole_file(folder / "list.csv") as beside:
    ...     _ = beside.write_text("a,b")
    ...     clear_away(folder)
    >>> [entry.name for entry in folder.iterdir()]
    ['list.csv']
    """
    now = time.time()
    for workshop in folder.glob(f"{_WORKSHOP}*"):
        with contextlib.suppress(OSError), _locked(workshop) as locked:
            if locked or (locked is None and now - workshop.stat().st_mtime > _LEFT_S):
                shutil.rmtree(workshop)


@contextlib.contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Let no other build write into a folder while the block runs.

    Parameters
    ----------
    folder
        Made where it is missing. A lock on the folder itself leaves nothing behind, and ends with the program
        however that ends.

    Raises
    ------
    DistrictFileError
        Another build is at work in it, or it cannot be made.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp())
    >>> with alone(folder), alone(folder):
    ...     pass  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    roofplat.errors.DistrictFileError: Another build is at work in ...
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DistrictFileError(_cannot_write(folder, error)) from None
    with _locked(folder) as locked:
        if locked is False:
            raise DistrictFileError(
                f"Another build is at work in {folder}; wait for it, or give another folder with --out."
            )
        try:
            yield
        finally:
            if made:
                # Where nothing was written nothing is left.
                with contextlib.suppress(OSError):
                    folder.rmdir()


@contextlib.contextmanager
def _workshop(folder: Path) -> Iterator[Path]:
    """A folder of our own in another, gone at the end; locked, so that others see that it is in use."""
    while True:
        # A folder, not a file: some drivers write journals beside the file they make.
        with (
            tempfile.TemporaryDirectory(prefix=_WORKSHOP, dir=folder, ignore_cleanup_errors=True) as name,
            _locked(Path(name), wait=True),
        ):
            # Somebody who cleared away may have been there before the lock was.
            if os.path.exists(name):  # noqa: PTH110
                yield Path(name)
                return


@contextlib.contextmanager
def _locked(folder: Path, *, wait: bool = False) -> Iterator[bool | None]:
    """Hold a lock on a folder; False where another program does, None where there are no such locks."""
    if fcntl is None:
        yield None
        return
    try:
        held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except FileNotFoundError:
        yield False
        return
    except OSError:
        yield None
        return
    try:
        locked: bool | None = True
        try:
            fcntl.flock(held, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        except BlockingIOError:
            locked = False
        except OSError:
            # A file system that knows no locks.
            locked = None
        yield locked
    finally:
        os.close(held)


def write_whole(path: Path, content: str | bytes | Iterable[bytes]) -> Path:
    """Write text (UTF-8, line feeds as given), bytes, or pieces of bytes one by one; see `whole_file`.

    Examples
    --------
    >>> write_whole(Path(tempfile.mkdtemp()) / "a" / "note.txt", "Side A").read_text()
    'Side A'
    """
    with whole_file(path) as beside:
        if isinstance(content, str):
            content = content.encode("utf-8")
        with beside.open("wb") as file:
            file.writelines([content] if isinstance(content, bytes) else content)
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
    if error.errno in _NO_ROOM:
        return f"{path} cannot be written ({error.strerror}); make room, or choose another folder with --out."
    return f"{path} cannot be written ({error.strerror or error}); choose another folder with --out."
