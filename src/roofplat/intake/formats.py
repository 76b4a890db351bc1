"""Which formats are read: told by what a file holds, before any reader opens it.

In: the path of a file, and how much a packed one may unpack to.
Out: the reader that may open it; or an error of one sentence.

The library behind most formats also knows ones whose files send it elsewhere: to other files, to other
programs, over a network. None of them is handed on, whatever a file is called.
"""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from roofplat.district import LayerSource
from roofplat.errors import LayerError

__all__ = ["CSV", "PARQUET", "UNPACKED_MB", "readers_of"]

CSV, PARQUET = "CSV", "Parquet"
"""The readers of tables and of Parquet, which are not GDAL's."""
UNPACKED_MB: float = LayerSource.model_fields["unpacked_mb"].default
"""What a packed file may unpack to at most where nobody says otherwise."""

_TABLES = (".csv", ".tsv", ".txt")
_PARQUET = (".parquet", ".geoparquet", ".pq")
# Names of drivers by the first bytes of what they read.
_SQLITE, _ZIP, _DBASE = b"SQLite format 3\0", b"PK\x03\x04", (b"\x03", b"\x30", b"\x31", b"\x83", b"\x8b")
_BINARY = {b"\x00\x00\x27\x0a": "ESRI Shapefile", b"fgb\x03": "FlatGeobuf"}
_JSON = ("GeoJSON", "GeoJSONSeq", "TopoJSON")
# A JSON file with this in it is a program that the library would run.
_PROGRAM = b"gdal_streamed_alg"
_OSM = re.compile(rb"(?:\xef\xbb\xbf)?\s*(?:<\?xml[^>]*>)?\s*<osm[\s>]")
# XML with one of these in it may be read as something else that leads elsewhere.
_ELSEWHERE = (b"DataSource", b"opengis")
_OSM_PACKED = b"OSMHeader"
_HEAD_BYTES = 1 << 20
_WIDE = (b"\xff\xfe", b"\xfe\xff")


def readers_of(file: Path, unpacked_mb: float = UNPACKED_MB) -> tuple[str, ...]:
    """Say what may read a file.

    Parameters
    ----------
    file
        A file or a File Geodatabase.
    unpacked_mb
        What a packed file may unpack to at most, in millions of bytes.

    Returns
    -------
    tuple
        `CSV`, `PARQUET`, or names of GDAL's drivers.

    Raises
    ------
    LayerError
        There is no such file; it is empty, a device, a pipe or a folder; it holds none of the formats
        that are read; it unpacks to too much.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "roofs.gpkg"
    >>> _ = file.write_text('{"type": "FeatureCollection", "features": []}', "utf-8")
    >>> readers_of(file)
    ('GeoJSON', 'GeoJSONSeq', 'TopoJSON')
    """
    name, ending = file.name, file.suffix.lower()
    if file.is_dir():
        if ending == ".gdb":
            return ("OpenFileGDB",)
        raise LayerError(f"{name}: {file} is a folder; give the file in it.")
    if not file.exists():
        raise LayerError(f"{name}: there is no file {file}; check the path in the district file.")
    if not file.is_file():
        raise LayerError(f"{name}: {file} is a device or a pipe; give a file.")
    try:
        with file.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError as error:
        raise LayerError(f"{name}: the file cannot be read ({error.strerror}); check its rights.") from None
    if ending in _TABLES:
        _text(name, head)
        return (CSV,)
    if not head:
        raise LayerError(f"{name}: the file is empty; export it again, or take it out.")
    if ending in _PARQUET:
        return (PARQUET,)
    readers = _by_content(file, head, unpacked_mb)
    if not readers:
        raise LayerError(
            f"{name}: the file cannot be read as a map layer; it is damaged or of another format than its "
            "name says, or of one that is not read, so export it again."
        )
    return readers


def _by_content(file: Path, head: bytes, unpacked_mb: float) -> tuple[str, ...]:
    ending = file.suffix.lower()
    if head.startswith(_SQLITE):
        return ("GPKG",)
    if head[:4] in _BINARY:
        return (_BINARY[head[:4]],)
    if head.startswith(_DBASE) and ending == ".dbf":
        return ("ESRI Shapefile",)
    if head.startswith(_ZIP):
        return _packed(file, unpacked_mb)
    if _OSM.match(head) and not any(word in head for word in _ELSEWHERE):
        return ("OSM",)
    if _OSM_PACKED in head[:32]:
        return ("OSM",)
    # Before the text: a byte order mark, and the mark before each record of a text sequence.
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e")
    return _JSON if text.startswith((b"{", b"[")) and _PROGRAM not in head else ()


def _packed(file: Path, unpacked_mb: float) -> tuple[str, ...]:
    """Readers of packed files; how much they unpack to is looked up before anything is unpacked."""
    if file.suffix.lower() == ".xlsx":
        readers = ("XLSX",)
    elif file.name.lower().endswith((".shz", ".shp.zip")):
        readers = ("ESRI Shapefile",)
    else:
        raise LayerError(f"{file.name}: the file is packed; unpack it, and give the file that was in it.")
    try:
        with zipfile.ZipFile(file) as archive:
            size = sum(part.file_size for part in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        raise LayerError(f"{file.name}: the file is damaged; export it again.") from None
    if size > unpacked_mb * 1e6:
        raise LayerError(
            f"{file.name}: the file unpacks to {size / 1e6:,.0f} MB, more than the {unpacked_mb:,.0f} of "
            "unpacked_mb; raise that for it in the district file, if it is what you think it is."
        )
    return readers


def _text(name: str, head: bytes) -> None:
    """Refuse what is called a table and is none."""
    if head.startswith(_ZIP):
        raise LayerError(f"{name}: the file is a workbook and no table; save it as CSV UTF-8.")
    if head.startswith(_WIDE):
        raise LayerError(f"{name}: the table is not UTF-8 text but UTF-16; save it as CSV UTF-8.")
    if b"\0" in head:
        raise LayerError(f"{name}: the table is not UTF-8 text, it holds null bytes; save it as CSV UTF-8.")
