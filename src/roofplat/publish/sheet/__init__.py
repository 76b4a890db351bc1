"""Printed sheets: one page a building, and sets of them with an index.

In: the tables of all rooms in the working CRS, the rules, a paper size.
Out: `sheets/<id>.pdf` and `sheets/areas/<area>.pdf`, vector, fonts inside, each whole or not there at all.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from roofplat.ground import Ground
from roofplat.publish.files import NO_AREA, area_files
from roofplat.publish.overrides import override_words
from roofplat.publish.sheet.building import split_buildings
from roofplat.publish.sheet.leaf import sheet_pdf
from roofplat.publish.sheet.panels import Edition
from roofplat.publish.sheet.paper import find_paper
from roofplat.publish.sheet.sets import SHEETS, sheet_files, write_set, write_singles
from roofplat.rules import Rulebook

__all__ = ["SHEETS", "sheet_files", "what_if_sheet", "write_area_sets", "write_sheets"]


def write_sheets(
    tables: Mapping[str, pd.DataFrame],
    *,
    district: str,
    rules: Rulebook,
    ground: Ground,
    as_of: datetime.date,
    paper: str,
    out: Path,
    ids: Sequence[str] | None = None,
    all_ids: Iterable[str] | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> dict[str, str]:
    """Write the sheet of each building that is asked for.

    Parameters
    ----------
    tables
        Frames by the names of `tables.TABLES`, `buildings` at least, and `streets`, `areas`,
        `stations`; all in one working CRS.
    district
        Name of the district.
    rules, ground
        What the plans were made with.
    as_of
        The date on which ages were counted.
    paper
        A name in `paper.PAPERS`.
    out
        Folder of the build.
    ids
        Buildings; all of the tables when not given.
    all_ids
        Every id of the district, where the tables hold a part of it: files are named by all of them.
    workers
        Processes that draw.
    report
        Called with a line of progress.

    Returns
    -------
    dict
        Building id to the path of its sheet relative to `out`, in the order asked for.

    Raises
    ------
    DistrictFileError
        There is no such paper or building, or the folder cannot be written.
    """
    held = tables["buildings"]["building_id"]
    named = sheet_files(held if all_ids is None else all_ids)
    files = {name: named[name] for name in dict.fromkeys(held if ids is None else ids)}
    write_singles(
        tables,
        files,
        paper=find_paper(paper),
        edition=_edition(district, rules, as_of),
        ground=ground,
        out=out,
        workers=workers,
        report=report,
    )
    return files


def what_if_sheet(
    tables: Mapping[str, pd.DataFrame],
    building_id: str,
    *,
    district: str,
    rules: Rulebook,
    ground: Ground,
    as_of: datetime.date,
    paper: str,
    what_if: Sequence[str],
) -> bytes:
    """Draw the sheet of one building for a scenario that is not the standing plan's.

    Parameters
    ----------
    tables
        As for `write_sheets`; the rows of this building and those near it are enough.
    building_id
        The building.
    district, rules, ground, as_of, paper
        As for `write_sheets`.
    what_if
        What was asked: first in a few words for the head, then in sentences.

    Returns
    -------
    bytes
        A PDF of one page, the same for the same input.

    Raises
    ------
    DistrictFileError
        There is no such paper or building.
    ValueError
        `what_if` is empty: such a sheet has to say that it is no standing plan.
    """
    if not what_if:
        raise ValueError("A what-if sheet must say what was asked.")
    (leaf,) = split_buildings(tables, [building_id], ground=ground)
    edition = replace(_edition(district, rules, as_of), what_if=tuple(what_if))
    return sheet_pdf(leaf, paper=find_paper(paper), edition=edition)


def write_area_sets(
    tables: Mapping[str, pd.DataFrame],
    files: Mapping[str, str],
    *,
    district: str,
    rules: Rulebook,
    as_of: datetime.date,
    paper: str,
    out: Path,
    areas: Iterable[str] | None = None,
    report: Callable[[str], None] | None = None,
) -> list[Path]:
    """Put the sheets of each dispatch area into one PDF with an index and bookmarks.

    Parameters
    ----------
    tables
        `buildings`, `areas`, and `ranking` where there is one.
    files
        From `write_sheets`: only these sheets are taken, in their order.
    district, rules, as_of, paper, out, report
        As for `write_sheets`.
    areas
        Only these areas; all that have a sheet when not given.

    Returns
    -------
    list of Path
        `sheets/areas/<area>.pdf`, named as the maps of the areas are. Buildings in no area have one too.
    """
    buildings = pd.DataFrame(tables["buildings"])[["building_id", "dispatch_area"]]
    area_of = buildings.drop_duplicates("building_id").set_index("building_id")["dispatch_area"]
    area_of = area_of.reindex(list(files)).fillna(NO_AREA)
    layer: Any = tables.get("areas")
    known = [] if layer is None else layer["name"].dropna().tolist()
    stems = area_files([*known, *area_of.unique().tolist()])
    wanted = list(stems) if areas is None else [name for name in areas if name in stems]
    common: dict[str, Any] = {
        "paper": find_paper(paper),
        "edition": _edition(district, rules, as_of),
        "out": out,
    }
    written = []
    for area in wanted:
        own = {name: files[name] for name in area_of.index[area_of == area]}
        if own:
            if report is not None:
                report(f"Binding {len(own):,} sheets of {area}")
            path = out / SHEETS / "areas" / f"{stems[area]}.pdf"
            written.append(write_set(tables, own, path, title=area, **common))
    return written


def _edition(district: str, rules: Rulebook, as_of: datetime.date) -> Edition:
    return Edition(district, as_of, rules, override_words(rules))
