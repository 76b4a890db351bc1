"""Read the forms of a survey back: the same columns, edited, reordered, fewer or more.

In: a CSV table, a GeoPackage, or any other layer whose headings are house names or read like them.
Out: `Forms`: one row for each cell that was answered, understood or refused; what was passed over.

A form that we made has the column `asked`. In it every answer that is filled in was given on the spot. In
any other table a cell may be a copy of what is known already; the row's own date tells them apart.
"""

from __future__ import annotations

import csv
import datetime
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyogrio

from roofplat.errors import FieldError, LayerError
from roofplat.intake.columns import PLAIN_IDS
from roofplat.intake.formats import CSV, readers_of
from roofplat.intake.layer import BoolArray
from roofplat.intake.look import csv_separator, layers_of, look
from roofplat.intake.raw import readable_rows
from roofplat.intake.read import READ_FAULTS
from roofplat.intake.values import as_str, clean_keys, text
from roofplat.intake.written import as_text, unanswered, written, written_dates
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES, RECORD_FIELDS, problem_rows

__all__ = ["FORM_MARK", "Forms", "read_forms"]

FORM_MARK = "asked"
"""The column that marks a form of ours: which questions matter for the building."""

# What our forms tell of a building beside the questions; it is not read back.
_TOLD = ("order", "title", "part", "rank", "looked", "known", "odds", "why", FORM_MARK)
_DBASE_WIDTH = 10
# Layers of a file that hold answers, when it has several.
_ANSWER_LAYERS = ("buildings", "sections", "answers")
_OTHER: Mapping[str, tuple[str, ...]] = {
    "building_id": PLAIN_IDS,
    "section_id": ("section_id", "section"),
    "basis": ("basis",),
    "who": ("who", "seen_by", "surveyor", "surveyed_by"),
    "seen_on": ("seen_on", "date", "date_seen", "seen"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments"),
}
# What a surveyor calls a question beside its house name.
_ALSO: Mapping[str, tuple[str, ...]] = {
    "sounding_walk_deg": ("wall_walked", "sounding_wall"),
    "sounding_spacing_ft": ("spacing_felt", "felt_spacing"),
    "gone": ("demolished",),
}
_HEADING_UNITS = ("ft", "in", "m", "deg")
# Lists put an apostrophe before a text that a spreadsheet would reckon out.
_KEPT_FROM_FORMULA = r"^'(?='*\s*[=+\-@\uff1d\uff0b\uff0d\uff20])"
_SIDE = r"^(?:side\s*|wall\s*|along\s*)*([A-D])(?:\s*(?:side|wall))?$"


@dataclass(frozen=True, slots=True)
class Forms:
    """What was read from the forms.

    answers
        One row for each answered cell, in the order of the files, rows and questions: `file`, `batch`,
        `row` (as a spreadsheet counts, the heading is row 1), `building_id`, `section_id`, `field`,
        `written` (the words), `value` (the text of the record; missing where refused), `number`,
        `resolution`, `with_unit`, `side` (of a sounding walk given by its wall), `basis`, `who`, `seen_on`,
        `note`, `on_the_spot` (not a copy of what is known), `code`, `refused`, `action`.
    problems
        `tables.TABLES["problems"]` of files and rows, not of single answers.
    counts
        By file: `rows`, `answered_rows`, `answers`.
    """

    answers: pd.DataFrame
    problems: pd.DataFrame
    counts: pd.DataFrame


def read_forms(
    files: Sequence[str | Path],
    rules: Rulebook,
    *,
    who: str | None = None,
    seen_on: datetime.date | None = None,
) -> Forms:
    r"""Read filled-in forms.

    Parameters
    ----------
    files
        CSV tables, GeoPackages, or other layers that GDAL reads.
    rules
        Feet, ranges `intake.range.*`, roof families.
    who, seen_on
        Who saw it and when, for rows that do not say.

    Returns
    -------
    Forms

    Raises
    ------
    LayerError, FieldError
        A file is missing or unreadable, has no column of building ids, asks nothing we know, or has two
        columns for one question. Nothing of any file is taken in then.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.rules import load_rulebook
    >>> form = Path(tempfile.mkdtemp()) / "survey.csv"
    >>> _ = form.write_text("building_id,Beam spacing (in)\nB1,240\nB2,\n", "utf-8")
    >>> read_forms([form], load_rulebook()).answers[["building_id", "field", "value"]].values.tolist()
    [['B1', 'beam_spacing_ft', '20']]
    """
    answers: list[pd.DataFrame] = []
    problems: list[pd.DataFrame] = []
    counts: list[dict[str, object]] = []
    for file in map(Path, files):
        for layer in _layers(file):
            found, said, size = _read_rows(layer, rules, who=who, seen_on=seen_on)
            found["file"] = file.name
            found["batch"] = hashlib.sha256(file.read_bytes()).hexdigest()
            answers.append(found)
            problems += said
            counts.append({"file": layer.label, **size})
    whole = pd.concat(answers, ignore_index=True)
    whole[["file", "batch"]] = whole[["file", "batch"]].astype("str")
    nothing = problem_rows("", [], "", "info", "", "")
    return Forms(whole, pd.concat([nothing, *problems], ignore_index=True), pd.DataFrame(counts))


@dataclass(frozen=True, slots=True)
class _Layer:
    """A layer with answers: its cells as they stand, rows with too many cells, whether names are cut."""

    label: str
    rows: pd.DataFrame
    surplus: BoolArray
    short: bool = False


def _layers(file: Path) -> list[_Layer]:
    if not file.exists():
        raise LayerError(f"{file.name}: there is no file {file}; check the path.")
    if readers_of(file) == (CSV,):
        return [_Layer(file.name, *_read_csv(file))]
    names = list(layers_of(file))
    wanted = names if len(names) == 1 else [name for name in names if name in _ANSWER_LAYERS]
    if not wanted:
        raise LayerError(
            f"{file.name}: no layer is called {' or '.join(_ANSWER_LAYERS)}; it holds "
            f"{', '.join(names) or 'none'}: rename the one with the answers."
        )
    layers = []
    for name in wanted:
        found = look(file, name)
        try:
            rows = pyogrio.read_dataframe(
                file, layer=name, read_geometry=False, use_arrow=True, datetime_as_string=True
            )
        except READ_FAULTS as error:
            said = " ".join(str(error).split()).rstrip(".")
            raise LayerError(
                f"{found.label}: the layer cannot be read ({said}); save the form again."
            ) from None
        rows, _ = readable_rows(pd.DataFrame(rows))
        layers.append(
            _Layer(
                found.label,
                rows,
                np.zeros(len(rows), dtype=bool),
                short=found.driver == "ESRI Shapefile",
            )
        )
    return layers


def _read_csv(file: Path) -> tuple[pd.DataFrame, BoolArray]:
    """The cells as text, for a key such as 00417 keeps its zeros; and rows longer than the heading."""
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            separator = csv_separator(stream.readline())
            stream.seek(0)
            heading, *lines = list(csv.reader(stream, delimiter=separator, strict=True)) or [[]]
    except UnicodeDecodeError:
        raise LayerError(f"{file.name}: the table is not UTF-8 text; save it as CSV UTF-8.") from None
    except (OSError, csv.Error) as error:
        raise LayerError(f"{file.name}: the table cannot be read ({error}); save it as CSV again.") from None
    if not any(name.strip() for name in heading):
        raise LayerError(f"{file.name}: the table has no headings; give it those of the form.")
    width = len(heading)
    surplus = np.array([any(cell.strip() for cell in line[width:]) for line in lines], dtype=bool)
    padded = [line[:width] + [""] * (width - len(line)) for line in lines]
    return pd.DataFrame(padded, columns=heading, dtype="str"), surplus


def _read_rows(
    layer: _Layer, rules: Rulebook, *, who: str | None, seen_on: datetime.date | None
) -> tuple[pd.DataFrame, list[pd.DataFrame], dict[str, object]]:
    """The answers of one layer, the problems of its rows, and its counts."""
    label, rows = layer.label, layer.rows
    fields, units, passed_over = _headings(label, [str(name) for name in rows.columns], short=layer.short)
    cells = {name: rows.iloc[:, place].reset_index(drop=True) for name, place in fields.items()}
    questions = [name for name in (*ATTRIBUTES, *RECORD_FIELDS) if name in cells]
    count = len(rows)
    nobody = pd.Series(pd.NA, index=pd.RangeIndex(count), dtype="string")
    ours = any(_plain(str(name)) == FORM_MARK for name in rows.columns)
    if ours:
        passed_over = [name for name in passed_over if _plain(name) not in _TOLD]
    ids = _own_keys(cells["building_id"])
    section = _own_keys(cells["section_id"]) if "section_id" in cells else nobody
    day, day_faults = written_dates(cells.get("seen_on", nobody))
    own_day = day.notna().to_numpy()
    if seen_on is not None:
        open_day = unanswered(cells["seen_on"]).isna() if "seen_on" in cells else ~day.notna()
        day = day.mask(open_day, pd.Timestamp(seen_on)).astype("datetime64[ms]")
    person = unanswered(cells["who"]) if "who" in cells else nobody
    person = person.fillna(who) if who else person
    basis = text(cells["basis"]).str.lower() if "basis" in cells else nobody
    bad_basis = (basis.notna() & ~basis.isin(BASES)).to_numpy(dtype=bool, na_value=False)
    basis = basis.fillna("surveyed")
    note = text(cells["note"]) if "note" in cells else nobody

    # A row whose day or basis cannot be told says nothing that can be weighed against the rest.
    row_fault: pd.Series[Any] = pd.Series(None, index=pd.RangeIndex(count), dtype=object)
    row_action = row_fault.copy()
    for fault in day_faults:
        said = text(cells["seen_on"])[fault.mask]
        row_fault[fault.mask] = [f"its date is {word!r}: {fault.why}" for word in said]
        row_action[fault.mask] = fault.action
    row_fault[bad_basis] = [f"its basis is {word!r}, none of {', '.join(BASES)}" for word in basis[bad_basis]]
    row_action[bad_basis] = "Write one of those words, or leave it empty for surveyed."

    row_fault[layer.surplus] = "its row has more cells than the heading, so that answers may have shifted"
    row_action[layer.surplus] = "Put words that hold a separator in quotation marks."

    parts: list[pd.DataFrame] = []
    for place, field in enumerate(questions):
        parts.append(_question(field, place, cells[field], rules, units.get(field), row_fault, row_action))
    melted = pd.concat(parts, ignore_index=True)
    at = melted["at"].to_numpy(dtype=np.int64)
    answers = pd.DataFrame(
        {
            "row": pd.array(at + 2, dtype="Int64"),
            "building_id": as_str(ids)[at].array,
            "section_id": as_str(section)[at].array,
            **{
                name: melted[name].array
                for name in ("field", "written", "value", "number", "resolution", "with_unit", "side")
            },
            "basis": as_str(basis)[at].array,
            "who": as_str(person)[at].array,
            "seen_on": day[at].array,
            "note": as_str(note)[at].array,
            "on_the_spot": own_day[at] | ours,
            **{name: melted[name].array for name in ("code", "refused", "action")},
        }
    )
    # By row, then in the order of the questions.
    order = np.lexsort((melted["place"].to_numpy(), at))
    answers = answers.iloc[order].reset_index(drop=True)
    nameless = answers["building_id"].isna()
    answers.loc[nameless & answers["refused"].isna(), ["code", "refused", "action"]] = (
        "no_building",
        "its row names no building",
        "Write the building's id.",
    )
    answers.loc[nameless, "value"] = None
    answered = np.zeros(count, dtype=bool)
    answered[at] = True
    lonely = note.notna().to_numpy() & ~answered
    problems = [
        problem_rows(
            label,
            [f"row {row}" for row in np.flatnonzero(lonely) + 2],
            "note_without_answer",
            "warning",
            "The row has a note and no answer; a note is kept with an answer alone.",
            "Answer a question in that row, or write the note elsewhere.",
        )
    ]
    if passed_over:
        problems.append(
            problem_rows(
                label,
                [""],
                "columns_passed_over",
                "info",
                f"Columns that ask nothing we know were passed over: {', '.join(passed_over)}.",
                "Nothing, unless one of them holds answers: give it the heading of the form.",
            )
        )
    size: dict[str, object] = {
        "rows": count,
        "answered_rows": int(answered.sum()),
        "answers": len(answers),
    }
    return answers, problems, size


def _own_keys(cells: pd.Series[Any]) -> pd.Series[Any]:
    """Ids as they were before a list kept them from being read as formulas."""
    return clean_keys(cells).str.replace(_KEPT_FROM_FORMULA, "", regex=True)


def _question(
    field: str,
    place: int,
    cells: pd.Series[Any],
    rules: Rulebook,
    unit: str | None,
    row_fault: pd.Series[Any],
    row_action: pd.Series[Any],
) -> pd.DataFrame:
    """The answers to one question: which rows gave one, what it says or why it is refused."""
    words = unanswered(cells)
    side = pd.Series(pd.NA, index=words.index, dtype="string")
    if field == "sounding_walk_deg":
        side = words.str.extract(f"(?i){_SIDE}", expand=False).str.upper()
    found = written(words.mask(side.notna()), field, rules, unit=unit)
    code = pd.Series(None, index=words.index, dtype=object)
    refused, action = code.copy(), code.copy()
    for fault in found.faults:
        code[fault.mask] = fault.code
        refused[fault.mask] = fault.why
        action[fault.mask] = fault.action
    bad_row = row_fault.notna() & refused.isna()
    code[bad_row] = "row_refused"
    refused[bad_row] = row_fault[bad_row]
    action[bad_row] = row_action[bad_row]
    values = as_text(found.cells).mask(refused.notna())
    measured = found.cells.dtype.kind in "fiu" or str(found.cells.dtype) == "Int64"
    number = found.cells.astype("Float64").to_numpy(dtype=float, na_value=np.nan) if measured else np.nan
    whole = pd.DataFrame(
        {
            "at": np.arange(len(words)),
            "place": place,
            "field": field,
            "written": as_str(words),
            "value": values,
            "number": number,
            "resolution": found.resolution,
            "with_unit": found.with_unit,
            "side": as_str(side.mask(refused.notna())),
            "code": as_str(code),
            "refused": as_str(refused),
            "action": as_str(action),
        }
    )
    # A boundary word such as `unknown` may be no answer even where something is written.
    given = words.notna() & (values.notna() | refused.notna() | side.notna())
    return whole[given.to_numpy(dtype=bool)]


def _headings(
    label: str, names: Sequence[str], *, short: bool
) -> tuple[dict[str, int], dict[str, str], list[str]]:
    """House name to the place of its column, units named in headings, and columns that say nothing to us."""
    known: dict[str, str] = {}
    for question in (*ATTRIBUTES, *RECORD_FIELDS):
        base = re.sub(r"_(ft|deg)$", "", question)
        for alias in dict.fromkeys((question, base, *_ALSO.get(question, ()))):
            known[alias] = question
            if short:
                known.setdefault(alias[:_DBASE_WIDTH], question)
    for other, aliases in _OTHER.items():
        known |= dict.fromkeys(aliases, other)
        if short:
            known.setdefault(other[:_DBASE_WIDTH], other)
    fields: dict[str, int] = {}
    units: dict[str, str] = {}
    passed_over: list[str] = []
    # Ids of two columns are two numberings; the plainest name is the one that is meant.
    ids = [name for name in PLAIN_IDS if name in map(_plain, names)]
    for place, name in enumerate(names):
        plain = _plain(name)
        stem, _, unit = plain.rpartition("_")
        field: str | None = known.get(plain)
        if field is None and unit in _HEADING_UNITS and stem in known:
            field = known[stem]
            house = ATTRIBUTES[field].unit if field in ATTRIBUTES else ""
            if house != ("deg" if unit == "deg" else "ft"):
                raise FieldError(
                    f"{label}: the column {name!r} gives {field} in {unit}, but it is in "
                    f"{house or 'no unit'}; mend the heading."
                )
            units[field] = unit
        if field == "building_id" and plain in PLAIN_IDS and plain != ids[0]:
            field = None
        if field is None:
            if name.strip():
                passed_over.append(name)
        elif field in fields:
            raise FieldError(
                f"{label}: the columns {names[fields[field]]!r} and {name!r} both say {field}; take one out."
            )
        else:
            fields[field] = place
    if "building_id" not in fields:
        raise FieldError(
            f"{label}: no column holds the ids of buildings; give it the heading building_id. It has "
            f"{', '.join(names)}."
        )
    if not set(fields) & {*ATTRIBUTES, *RECORD_FIELDS}:
        raise FieldError(
            f"{label}: no column asks anything we know; take the headings of the form. It has "
            f"{', '.join(names)}."
        )
    return fields, units, passed_over


def _plain(name: str) -> str:
    """A heading as a house name would be written: `Beam spacing (ft)` as beam_spacing_ft."""
    return re.sub(r"[^a-z0-9]+", "_", name.strip().lower()).strip("_")
