"""Name a layer by its file and by what is in it.

In: a file, or a folder of files.
Out: a name that changes when the file does.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

__all__ = ["release_name"]

_SUM_LETTERS = 12


def release_name(file: Path, layer: str | None = None) -> str:
    """Name a footprint layer by its file and by what is in it.

    Parameters
    ----------
    file
        The file, or a folder of files.
    layer
        The layer in it, where there are several.

    Returns
    -------
    str
        File, layer, and the first letters of the SHA-256 sum of the bytes.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "roofs.geojson"
    >>> _ = path.write_bytes(b"{}")
    >>> release_name(path)
    'roofs.geojson 44136fa355b3'
    """
    if file.is_dir():
        parts = sorted(part for part in file.rglob("*") if part.is_file())
    elif file.suffix.lower() == ".shp":
        parts = [part for part in (file, file.with_suffix(".dbf")) if part.exists()]
    else:
        parts = [file]
    sums = [_sum(part) for part in parts]
    whole = sums[0] if len(sums) == 1 else hashlib.sha256("".join(sums).encode("ascii")).hexdigest()
    return " ".join(filter(None, (file.name, layer, whole[:_SUM_LETTERS])))


def _sum(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
