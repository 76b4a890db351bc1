"""Many sheets: a file for each building, and sets with an index, bookmarks and links.

In: the tables of all rooms in the working CRS, ids of buildings, a paper, what the run shares.
Out: `sheets/<id>.pdf`, one page each, and `sheets/areas/<area>.pdf`, each whole or not there at all.

Sheets are drawn by worker processes, a few dozen at a time, and every sheet is drawn once: a set puts
the pages of the files together, and keeps what they have in common, such as fonts, once.
"""

from __future__ import annotations

import contextlib
import hashlib
import multiprocessing
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from multiprocessing.reduction import ForkingPickler
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd
from pypdf import PdfReader, PdfWriter
from pypdf.annotations import Link
from pypdf.generic import Fit
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, area_files, whole_file, write_whole
from roofplat.publish.processes import interrupts_held, worker_pool
from roofplat.publish.sheet.building import Leaf, split_buildings
from roofplat.publish.sheet.fonts import BOLD, FONT, clipped, markup, shown
from roofplat.publish.sheet.leaf import new_canvas, sheet_pdf
from roofplat.publish.sheet.panels import Edition, heading_of
from roofplat.publish.sheet.paper import Paper

__all__ = ["SHEETS", "sheet_files", "write_set", "write_singles"]

SHEETS = "sheets"
"""Folder of the sheets in the folder of a build."""

# Ids that can be a file name on any system as they are.
_PLAIN_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")
_CHUNK = 25
# Buildings taken out of the tables at once: enough to keep workers busy, few enough for the memory.
_SLAB = 2000
_ROW_PT = 11.0
_INDEX_PT = 7.5
# Columns of an index: title, share of the width, to the right.
_COLUMNS = (
    ("Sheet", 0.06, True),
    ("Id", 0.12, False),
    ("Name", 0.17, False),
    ("Address", 0.17, False),
    ("Roof family", 0.26, False),
    ("Basis", 0.1, False),
    ("Rank", 0.06, True),
    ("Page", 0.06, True),
)


def _frozen(content: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """A mapping that cannot be changed, on the other side of a process."""
    return MappingProxyType(content)


# The rulebook holds such mappings, which know no way of their own into another process.
ForkingPickler.register(MappingProxyType, lambda proxy: (_frozen, (dict(proxy),)))


@dataclass(frozen=True, slots=True)
class _Entry:
    """What the index says of one sheet."""

    building_id: str
    name: str
    address: str
    family: str
    basis: str
    rank: str

    @property
    def bookmark(self) -> str:
        """Name, else address, with the id."""
        first = self.name or self.address
        return f"{first} ({self.building_id})" if first else self.building_id


def sheet_files(ids: Iterable[str]) -> dict[str, str]:
    """Give each building the path of its sheet, relative to the folder of the build.

    Parameters
    ----------
    ids
        All ids of the district: the same id has the same file whichever sheets are asked for.

    Returns
    -------
    dict
        An id of ASCII letters, digits, hyphens and underscores is the name of its file. Others, and
        those that differ in case alone, get the start of their SHA-256 sum behind what can be kept.

    Examples
    --------
    >>> sheet_files(["MB-0001", "way/7", "../way 7"])["MB-0001"]
    'sheets/MB-0001.pdf'
    >>> sorted(sheet_files(["way/7", "way 7"]).values())
    ['sheets/way-7-400f5b21.pdf', 'sheets/way-7-58448116.pdf']
    """
    names = sorted(set(ids))
    lower = Counter(name.lower() for name in names)
    # The same care as for areas; a name that a system keeps for a device comes out with "area-" in front.
    kept = {name: area_files([name])[name] for name in names}
    stems = {
        name: name
        for name in names
        if _PLAIN_ID.fullmatch(name) and lower[name.lower()] == 1 and kept[name] != f"area-{name.lower()}"
    }
    digits = 8
    others = [name for name in names if name not in stems]
    while others:
        made = {name: f"{kept[name][:40]}-{_sum(name)[:digits]}" for name in others}
        taken = Counter(stem.lower() for stem in [*stems.values(), *made.values()])
        stems |= {name: stem for name, stem in made.items() if taken[stem.lower()] == 1}
        others = [name for name in others if name not in stems]
        digits += 8
    return {name: f"{SHEETS}/{stems[name]}.pdf" for name in names}


def write_singles(
    tables: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    *,
    paper: Paper,
    edition: Edition,
    ground: Ground,
    out: Path,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> list[Path]:
    """Write one PDF of one page for each building.

    Parameters
    ----------
    tables
        As for `split_buildings`.
    files
        Building id to path relative to `out`, from `sheet_files`; the sheets that are wanted.
    paper, edition
        As for `sheet_pdf`.
    ground
        What a foot is measured on.
    out
        Folder of the build.
    workers
        Processes; 1 draws in this one.
    report
        Called with a line of progress.

    Returns
    -------
    list of Path
        In the order of `files`.

    Raises
    ------
    DistrictFileError
        An id is not in the tables, or the folder cannot be written.
    """
    ids = list(files)
    draw = partial(_write_chunk, paper=paper, edition=edition)
    done = 0

    def tell(count: int) -> None:
        nonlocal done
        done += count
        if report is not None and len(ids) > _CHUNK:
            report(f"Drawing sheets: {done:,} of {len(ids):,}")

    with contextlib.ExitStack() as held:
        pool = None
        if workers > 1 and len(ids) > _CHUNK:
            # Started anew, not forked: libraries of this process may hold threads.
            pool = held.enter_context(worker_pool(workers, multiprocessing.get_context("spawn")))
        for first in range(0, len(ids), _SLAB):
            slab = ids[first : first + _SLAB]
            leaves = split_buildings(tables, slab, ground=ground)
            pairs = [(leaf, out / files[name]) for leaf, name in zip(leaves, slab, strict=True)]
            chunks = [pairs[start : start + _CHUNK] for start in range(0, len(pairs), _CHUNK)]
            with interrupts_held():
                counts: Iterable[int] = map(draw, chunks) if pool is None else pool.map(draw, chunks)
            for count in counts:
                tell(count)
    return [out / files[name] for name in ids]


def write_set(
    tables: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    path: Path,
    *,
    title: str,
    paper: Paper,
    edition: Edition,
    out: Path,
) -> Path:
    """Put sheets that are written already into one PDF, with an index and bookmarks.

    Parameters
    ----------
    tables
        `buildings`, and `ranking` where there is one.
    files
        Building id to path relative to `out`, in the order wanted.
    path
        The file to write.
    title
        What the set is called.
    paper, edition
        As for the sheets.
    out
        Folder of the build.

    Returns
    -------
    Path
        `path`. Every page of a sheet says its number in the set; the index links to the pages.
    """
    entries = _entries(tables, list(files), edition)
    index, links = _index(entries, title=title, paper=paper, edition=edition)
    writer = PdfWriter()
    for page in PdfReader(BytesIO(index)).pages:
        writer.add_page(page)
    pages = len(writer.pages)
    stamps = PdfReader(BytesIO(_stamps(len(entries), pages, paper=paper, title=title)))
    for stamp, name in zip(stamps.pages, files, strict=True):
        sheet = writer.add_page(PdfReader(out / files[name]).pages[0])
        sheet.merge_page(stamp)
        sheet.compress_content_streams()
    writer.add_outline_item(title="Index", page_number=0)
    for number, entry in enumerate(entries):
        writer.add_outline_item(title=entry.bookmark, page_number=pages + number)
    for page_number, rect, number in links:
        link = Link(rect=rect, target_page_index=pages + number, fit=Fit.fit(), border=[0, 0, 0])
        writer.add_annotation(page_number, link)
    writer.compress_identical_objects()
    writer.add_metadata(
        {
            "/Title": f"Roof plans: {shown(title, most=120)}",
            "/Subject": shown(edition.district, most=120),
            "/Creator": "roofplat",
            "/Producer": "roofplat",
        }
    )
    with whole_file(path) as beside:
        writer.write(beside)
    return path


def _write_chunk(pairs: Sequence[tuple[Leaf, Path]], *, paper: Paper, edition: Edition) -> int:
    """Draw some sheets; how many."""
    for leaf, path in pairs:
        write_whole(path, sheet_pdf(leaf, paper=paper, edition=edition))
    return len(pairs)


def _sum(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()


def _entries(tables: Mapping[str, pd.DataFrame], ids: Sequence[str], edition: Edition) -> list[_Entry]:
    wanted = pd.Index(ids)
    buildings = pd.DataFrame(tables["buildings"])
    rows = buildings[~buildings["building_id"].duplicated()].set_index("building_id").reindex(wanted)
    ranks = pd.Series(pd.NA, index=wanted, dtype="Int64")
    if "ranking" in tables:
        ranking = pd.DataFrame(tables["ranking"])[["building_id", "rank"]].drop_duplicates("building_id")
        ranks = ranking.set_index("building_id")["rank"].reindex(wanted)
    frames = rows.reset_index(names="building_id").drop(columns="geometry", errors="ignore")
    entries = []
    for place, name in enumerate(ids):
        heading = heading_of({"buildings": frames.iloc[place : place + 1]}, edition.rules)
        rank = ranks.iloc[place]
        entries.append(
            _Entry(
                heading.building_id or shown(name, most=60),
                heading.name,
                heading.address,
                heading.family,
                heading.basis,
                "" if pd.isna(rank) else str(int(rank)),
            )
        )
    return entries


def _index(
    entries: Sequence[_Entry], *, title: str, paper: Paper, edition: Edition
) -> tuple[bytes, list[tuple[int, tuple[float, float, float, float], int]]]:
    """Index pages, and for each sheet the page, the box and the number of its row."""
    margin = paper.margin_pt
    left, right = margin, paper.width_pt - margin
    caution = Paragraph(markup(CAUTION), ParagraphStyle("caution", fontName=BOLD, fontSize=7.0, leading=8.6))
    _, tall = caution.wrap(right - left, 200.0)
    top = paper.height_pt - margin - 48.0
    rows = int((top - margin - tall - 10.0) / _ROW_PT) - 1
    pages = max(1, -(-len(entries) // rows))
    stream = BytesIO()
    canvas = new_canvas(stream, paper, title=title, subject=edition.district)
    links = []
    for page in range(pages):
        canvas.setFont(BOLD, 14.0)
        name = clipped(shown(title, most=120), BOLD, 14.0, (right - left) * 0.7)
        canvas.drawString(left, paper.height_pt - margin - 11.0, name)
        canvas.setFont(FONT, 8.0)
        noun = "sheet" if len(entries) == 1 else "sheets"
        says = f"{len(entries):,} {noun}, data as of {edition.as_of.isoformat()}"
        canvas.drawString(left, paper.height_pt - margin - 25.0, says)
        district = clipped(shown(edition.district, most=120), FONT, 8.0, (right - left) * 0.28)
        canvas.drawRightString(right, paper.height_pt - margin - 11.0, district)
        canvas.drawRightString(right, paper.height_pt - margin - 25.0, f"Index {page + 1} of {pages}")
        _index_row(canvas, [column for column, _, _ in _COLUMNS], left, right, top, font=BOLD)
        canvas.setLineWidth(0.8)
        canvas.line(left, top - 3.0, right, top - 3.0)
        for place, entry in enumerate(entries[page * rows : (page + 1) * rows]):
            number = page * rows + place
            y = top - (place + 1) * _ROW_PT - 2.0
            cells = [
                str(number + 1), entry.building_id, entry.name, entry.address, entry.family, entry.basis,
                entry.rank, str(pages + number + 1),
            ]  # fmt: skip
            _index_row(canvas, cells, left, right, y, font=FONT)
            canvas.setLineWidth(0.25)
            canvas.line(left, y - 3.0, right, y - 3.0)
            links.append((page, (left, y - 3.0, right, y + _ROW_PT - 3.0), number))
        caution.drawOn(canvas, left, margin)
        canvas.showPage()
    canvas.save()
    return stream.getvalue(), links


def _index_row(canvas: Any, cells: Sequence[str], left: float, right: float, y: float, *, font: str) -> None:
    canvas.setFont(font, _INDEX_PT)
    x = left
    for cell, (_, share, to_the_right) in zip(cells, _COLUMNS, strict=True):
        width = share * (right - left)
        text = clipped(cell, font, _INDEX_PT, width - 5.0)
        if to_the_right:
            canvas.drawRightString(x + width - 5.0, y, text)
        else:
            canvas.drawString(x, y, text)
        x += width


def _stamps(count: int, before: int, *, paper: Paper, title: str) -> bytes:
    """A page for each sheet that says which of the set it is, in the lower margin."""
    stream = BytesIO()
    canvas = new_canvas(stream, paper, title="", subject="")
    name = clipped(shown(title, most=80), FONT, 7.0, paper.width_pt / 2)
    for number in range(count):
        canvas.setFont(FONT, 7.0)
        says = f"{name}: sheet {number + 1:,} of {count:,}, page {before + number + 1:,}"
        canvas.drawRightString(paper.width_pt - paper.margin_pt, paper.margin_pt - 12.0, says)
        canvas.showPage()
    canvas.save()
    return stream.getvalue()
