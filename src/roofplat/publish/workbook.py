"""The workbook that the office opens: ranking, survey next, weights, odds, rules and definitions.

In: the tables of a build, the rules in force, the date of the list.
Out: `ranking.xlsx`, in which nothing that comes from data can be a formula or a link.
"""

from __future__ import annotations

import datetime
import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException
from xlsxwriter.utility import xl_range

from roofplat.errors import DistrictFileError
from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.lists import LIKE_A_FORMULA, VENT_COLUMNS
from roofplat.publish.overrides import override_lines
from roofplat.ranking.score import weight_shares
from roofplat.rules import Rule, Rulebook, load_rulebook
from roofplat.tables import RANKING_FACTORS, TABLES, Column

__all__ = ["LIST_TABLES", "weight_rows", "write_workbook"]

LIST_TABLES: Mapping[str, str] = {
    "ranking": "Ranking",
    "survey_next": "Survey next",
    "family_odds": "Odds",
}
"""The tables that the workbook shows, and the sheet of each."""

# Limits of the format: rows of a sheet, units of a text (UTF-16), text of a hint, text of a page foot.
_MOST_ROWS = 1_048_576
_LONGEST_TEXT = 32_767
_LONGEST_HINT, _LONGEST_FOOT = 255, 255
_CUT = " [cut here: a cell holds no more]"
# The first year that a sheet's dates can hold.
_FIRST_YEAR = 1900
# Widths are in characters of the sheet's own font.
_NARROWEST, _WIDEST, _HEADER_ROOM = 8, 60, 3
# Texts of this many characters and more are wrapped, in a column as wide as the widest.
_LONG_TEXT = 60
# Rules that speak of the order of visits, by the first part of their ids.
_RULE_GROUPS = ("ranking", "odds", "inspection")
# What stands first in a sheet, and is printed: what people look for.
_FIRST: Mapping[str, tuple[str, ...]] = {
    "ranking": (
        "rank",
        "building_id",
        "name",
        "address",
        "dispatch_area",
        "score",
        "rank_low",
        "rank_high",
        "reasons",
        "class",
        "next_due",
        "due_state",
        "overdue_days",
        "code_asks",
        "vents_short_ft2",
    ),
    "survey_next": ("order", "building_id", "name", "address", "dispatch_area"),
}
# Columns that stay in sight when a sheet is moved sideways.
_STAY = {"ranking": 3, "survey_next": 3, "family_odds": 1}
_LINE_POINTS = 15
# By the numbers of the format.
_PAPER_NUMBERS = {"letter": 1, "a4": 9}
_FORMATS = {
    "text": {"num_format": "@"},
    "date": {"num_format": "yyyy-mm-dd", "align": "left"},
    "whole": {"num_format": "#,##0"},
    "year": {"num_format": "0"},
    "number": {"num_format": "#,##0.00"},
    "fine": {"num_format": "0.0000"},
    "percent": {"num_format": "0.0%"},
    "yes": {"align": "left"},
}
_WEIGHT_COLUMNS: Mapping[str, Column] = {
    "factor": Column("str", "factor of the score; a column of the sheet Ranking"),
    "weight": Column("float64", "weight in force"),
    "weight_share": Column("float64", "the weight over the sum of all weights", "share"),
    "rule": Column("str", "id of the rule"),
    "rulebook_weight": Column("float64", "weight that the rulebook gives"),
    "overridden": Column("boolean", "whether the department's district file takes the place of the rulebook"),
    "status": Column("str", "how far the source is to be trusted"),
    "source": Column("str", "where the value comes from"),
    "meaning": Column("str", "what it means"),
}
_RULE_COLUMNS: Mapping[str, Column] = {
    "rule": _WEIGHT_COLUMNS["rule"],
    "value": Column("str", "value in force"),
    "unit": Column("str", "unit of the value"),
    "rulebook_value": Column("str", "value that the rulebook gives"),
    **{name: _WEIGHT_COLUMNS[name] for name in ("overridden", "status", "source", "meaning")},
}


# Writes a value to a row and a column.
_Write = Callable[[int, int, Any], None]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One sheet: its name, its rows, what its columns mean.

    stay, printed
        How many columns stay in sight, and how many are printed; all where that is None.
    most
        How many of the rows are shown, from the first.
    """

    title: str
    frame: pd.DataFrame
    columns: Mapping[str, Column]
    stay: int = 1
    printed: int | None = None
    most: int = _MOST_ROWS

    @property
    def ends(self) -> str | None:
        """What the sheet does not hold; None where it holds all."""
        if len(self.frame) <= self.most:
            return None
        return (
            f"These are the first {self.most:,} of {len(self.frame):,} rows; the CSV list of the same build "
            "has them all."
        )


def weight_rows(rules: Rulebook) -> pd.DataFrame:
    """List the weights of the score with their shares and sources.

    Parameters
    ----------
    rules
        The rules in force.

    Returns
    -------
    DataFrame
        One row for each factor in the order of the ranking: `factor`, `weight`, `weight_share` (of the
        sum of all weights), `rule`, `rulebook_weight`, `overridden`, `status`, `source`, `meaning`.

    Examples
    --------
    >>> rows = weight_rows(load_rulebook({"ranking.weight.severity": 0.5}))
    >>> rows.loc[rows["overridden"], ["factor", "weight", "rulebook_weight"]].values.tolist()
    [['severity', 0.5, 0.13]]
    >>> round(float(rows["weight_share"].sum()), 9)
    1.0
    """
    found = [rules[f"ranking.weight.{name}"] for name in RANKING_FACTORS]
    shipped = load_rulebook().rules
    return pd.DataFrame(
        {
            "factor": list(RANKING_FACTORS),
            "weight": [float(rule.value) for rule in found],
            "weight_share": weight_shares(rules),
            "rule": [rule.id for rule in found],
            "rulebook_weight": [float(shipped[rule.id].value) for rule in found],
            "overridden": [rule.overridden for rule in found],
            "status": [rule.status for rule in found],
            "source": [rule.source for rule in found],
            "meaning": [rule.meaning for rule in found],
        }
    )


def write_workbook(
    tables: Mapping[str, pd.DataFrame],
    *,
    title: str,
    rules: Rulebook,
    as_of: datetime.date,
    path: Path,
    paper: str = "letter",
    most_rows: int | None = None,
) -> Path:
    """Write the ranking and what stands behind it as a workbook.

    Parameters
    ----------
    tables
        Those of `LIST_TABLES` that there are; geometry is left out.
    title
        Name of the district.
    rules
        The rules in force: their weights, sources and changes are told.
    as_of
        The date on which ages were counted; it is also the date of the file.
    path
        The file to write.
    paper
        What it is printed on: `letter` or `a4`.
    most_rows
        Rows of a list at most, from the first; as many as a sheet can hold where nothing is said.

    Returns
    -------
    Path
        `path`. Every text is a text cell, whatever it begins with; one that begins with = + - or @ also
        carries the mark that keeps it a text when the cell is edited. Characters that the format cannot
        hold become U+FFFD. A text longer than a cell is cut and says so. Rows beyond the last are left to the
        CSV list; a line below the list says so, and the sheet Definitions. The same input gives the same
        bytes.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.tables import empty
    >>> file = Path(tempfile.mkdtemp()) / "ranking.xlsx"
    >>> words = {"title": "Invented", "rules": load_rulebook(), "as_of": datetime.date(2026, 1, 1)}
    >>> write_workbook({"ranking": empty("ranking")}, **words, path=file).read_bytes()[:2]
    b'PK'
    """
    # Below the rows stand an empty one and the line that says where the others are.
    most = min(_MOST_ROWS - 3, _MOST_ROWS if most_rows is None else most_rows)
    sheets = [
        _Sheet(
            sheet,
            _in_front(tables[name], _FIRST.get(name, ())),
            {**TABLES[name].columns, **(VENT_COLUMNS if name == "ranking" else {})},
            stay=_STAY[name],
            printed=sum(column in tables[name] for column in _FIRST[name]) if name == "ranking" else None,
            most=most,
        )
        for name, sheet in LIST_TABLES.items()
        if name in tables
    ]
    # Weights come before the odds, as the score does.
    odds = sum(sheet.title != LIST_TABLES["family_odds"] for sheet in sheets)
    sheets.insert(odds, _Sheet("Weights", weight_rows(rules), _WEIGHT_COLUMNS))
    sheets.append(_Sheet("Rules", _rule_rows(rules), _RULE_COLUMNS))
    created = datetime.datetime.combine(as_of, datetime.time())
    with whole_file(path) as beside:
        try:
            _write(beside, sheets, _about(title, rules, as_of, sheets), rules, title, created, paper)
        except (OSError, XlsxWriterException) as error:
            raise DistrictFileError(
                f"{path} cannot be written ({error}); check the free space, or choose another folder "
                "with --out."
            ) from None
    return path


def _write(
    file: Path,
    sheets: Sequence[_Sheet],
    about: Sequence[str],
    rules: Rulebook,
    title: str,
    created: datetime.datetime,
    paper: str,
) -> None:
    options = {
        # A row is written when the next begins: the memory does not grow with the district.
        "constant_memory": True,
        "tmpdir": str(file.parent),
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with xlsxwriter.Workbook(str(file), options) as book:
        book.set_properties(
            {"title": _clean(f"{title}: who to visit first"), "comments": CAUTION, "created": created}
        )
        looks = _Looks(book)
        pages = {sheet.title: book.add_worksheet(sheet.title) for sheet in sheets}
        pages["Definitions"] = book.add_worksheet("Definitions")
        for name, page in pages.items():
            _page_setup(page, title, name, paper)
        for sheet in sheets:
            _write_sheet(pages[sheet.title], sheet, looks)
        _write_definitions(pages["Definitions"], about, sheets, rules, looks)


class _Looks:
    """The cell formats of one workbook, made when they are first asked for."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._made: dict[tuple[str, bool, bool], Any] = {}
        self.header = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 2, "bg_color": "#E8E8E8"}
        )
        self.late = book.add_format({"bold": True, "bg_color": "#FFE8CC"})
        self.strong = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        self.line = book.add_format({"text_wrap": True, "valign": "top"})
        self.below = book.add_format({"bold": True})

    def cell(self, kind: str, *, wrapped: bool = False, guarded: bool = False) -> Any:
        """A format by the kind of value; a guarded text stays one when somebody edits it."""
        key = (kind, wrapped, guarded)
        if key not in self._made:
            made = self._book.add_format({"valign": "top", "text_wrap": wrapped, **_FORMATS[kind]})
            if guarded:
                made.set_quote_prefix()
            self._made[key] = made
        return self._made[key]


def _write_sheet(page: Any, sheet: _Sheet, looks: _Looks) -> None:
    """One table: a header that stays and filters, then the rows."""
    frame = sheet.frame.head(sheet.most)
    kinds = [_kind(name, sheet.columns[name]) for name in frame.columns]
    columns = [_values(frame[name], kind) for name, kind in zip(frame.columns, kinds, strict=True)]
    widths = [_width(str(name), column, kind) for name, column, kind in zip(
        frame.columns, columns, kinds, strict=True)]  # fmt: skip
    for place, (name, kind, width) in enumerate(zip(frame.columns, kinds, widths, strict=True)):
        # What a score is made of can be folded away.
        fold = {"level": 1} if name.removeprefix("part_") in RANKING_FACTORS else {}
        page.set_column(place, place, width, looks.cell(kind, wrapped=width == _WIDEST), fold)
        if name == "due_state":
            late = {"type": "cell", "criteria": "==", "value": '"overdue"', "format": looks.late}
            page.conditional_format(1, place, max(len(frame), 1), place, late)
        meaning = sheet.columns[name]
        hint = meaning.meaning + (f" ({meaning.unit})" if meaning.unit else "")
        # What a column means is shown where its head is chosen.
        page.data_validation(0, place, 0, place, {"validate": "any", "input_message": hint[:_LONGEST_HINT]})
    last = (len(frame), len(frame.columns) - 1)
    below = last[0] + (2 if sheet.ends else 0)
    page.print_area(0, 0, below, last[1] if sheet.printed is None else sheet.printed - 1)
    page.repeat_rows(0)
    page.freeze_panes(1, sheet.stay)
    page.autofilter(0, 0, *last)
    # An id such as 0042 is meant as a text; no mark in the corner of each cell has to say so.
    page.ignore_errors({"number_stored_as_text": xl_range(0, 0, *last)})
    page.set_row(0, 32)
    for place, name in enumerate(frame.columns):
        page.write_string(0, place, str(name), looks.header)
    writers = [_writer(page, kind, width, looks) for kind, width in zip(kinds, widths, strict=True)]
    # Cell by cell and row by row: the format is a stream of rows.
    for row, values in enumerate(zip(*columns, strict=True), start=1):
        for place, (write, value) in enumerate(zip(writers, values, strict=True)):
            if value is not None:
                write(row, place, value)
    if sheet.ends:
        # Behind an empty row, so that it is no part of what is sorted and filtered.
        page.write_string(below, 0, sheet.ends, looks.below)


def _page_setup(page: Any, title: str, sheet: str, paper: str) -> None:
    """Printed on its side, as wide as the paper; the caution is on every page."""
    page.set_landscape()
    page.set_paper(_PAPER_NUMBERS[paper])
    page.fit_to_pages(1, 0)
    page.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.9)
    # An ampersand begins a code of the page's head.
    named = _clean(" ".join(title.split())).replace("&", "&&")
    page.set_header(f"&L{named[: _LONGEST_FOOT // 2].rstrip('&')}&C{sheet}&RPage &P of &N")
    page.set_footer(f"&L&8{CAUTION.split(' A standing plan')[0]}")


def _kind(name: str, column: Column) -> str:
    """How a column is shown, by its type, its unit and what it is."""
    if column.dtype in ("str", "category"):
        return "text"
    if column.dtype == "boolean":
        return "yes"
    if column.dtype.startswith("datetime"):
        return "date"
    if column.unit == "year" and column.dtype == "Int64":
        return "year"
    if column.dtype == "Int64":
        return "whole"
    if name in ("score", "worth", *RANKING_FACTORS) or name.startswith("part_"):
        return "fine"
    return "percent" if column.unit == "share" else "number"


def _values(column: pd.Series, kind: str) -> list[Any]:
    """A column as plain values that a cell can hold; missing ones are None."""
    known = column.notna().to_numpy()
    if kind == "text":
        return [_fitted(_clean(str(text))) if there else None for text, there in zip(
            column, known, strict=True)]  # fmt: skip
    if kind == "date":
        return [day.to_pydatetime() if there else None for day, there in zip(column, known, strict=True)]
    return [value if there else None for value, there in zip(column.tolist(), known, strict=True)]


def _clean(text: str) -> str:
    """A text without what the format cannot hold."""
    if text.isprintable():
        return text
    whole_lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(
        "\ufffd"
        if (unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\n\t") or letter in "\ufffe\uffff"
        else letter
        for letter in whole_lines
    )


def _fitted(text: str) -> str:
    """A text no longer than a cell; one that is cut says so."""
    if len(text) <= _LONGEST_TEXT // 2:
        return text
    units = text.encode("utf-16-le")
    if len(units) <= 2 * _LONGEST_TEXT:
        return text
    # A pair of units that the cut would part goes as a whole.
    return units[: 2 * (_LONGEST_TEXT - len(_CUT))].decode("utf-16-le", "ignore") + _CUT


def _width(name: str, values: Sequence[Any], kind: str) -> int:
    """As wide as what is in it, within limits."""
    longest = 0
    if kind == "text":
        longest = max((len(text) for text in values if text is not None), default=0)
        if longest >= _LONG_TEXT:
            return _WIDEST
    elif kind == "date":
        longest = len("2026-01-01")
    elif kind != "yes":
        largest = max((abs(value) for value in values if value is not None), default=0)
        longest = len(f"{largest:,.2f}")
    return min(max(_NARROWEST, len(name) + _HEADER_ROOM, longest + 2), _WIDEST)


def _writer(page: Any, kind: str, width: int, looks: _Looks) -> _Write:
    """How a value of a kind becomes a cell."""
    plain = looks.cell(kind, wrapped=width == _WIDEST)
    guarded = looks.cell("text", wrapped=width == _WIDEST, guarded=True)

    def text(row: int, place: int, value: str) -> None:
        _write_text(page, row, place, value, guarded if LIKE_A_FORMULA.match(value) else plain)

    def number(row: int, place: int, value: float) -> None:
        if math.isfinite(value):
            page.write_number(row, place, value, plain)
        else:
            page.write_string(row, place, str(value), plain)

    def yes(row: int, place: int, value: bool) -> None:
        page.write_string(row, place, "yes" if value else "no", plain)

    def date(row: int, place: int, value: datetime.datetime) -> None:
        if value.year < _FIRST_YEAR:
            page.write_string(row, place, value.date().isoformat(), plain)
        else:
            page.write_datetime(row, place, value, plain)

    others: dict[str, _Write] = {"text": text, "yes": yes, "date": date}
    return others.get(kind, number)


def _write_text(page: Any, row: int, place: int, value: str, look: Any) -> None:
    """A text as a text; the library takes one between <r> and </r> for mark-up of its own."""
    if value.startswith("<r>") and value.endswith("</r>"):
        page.write_rich_string(row, place, value[:1], value[1:2], value[2:], look)
    else:
        page.write_string(row, place, value, look)


def _write_definitions(
    page: Any,
    about: Sequence[str],
    sheets: Sequence[_Sheet],
    rules: Rulebook,
    looks: _Looks,
) -> None:
    """The caution and what the lists stand on, then every column, then the words in them."""
    head = ("sheet", "name", "meaning", "unit", "values")
    widths = (16, 26, 100, 10, 44)
    for place, width in enumerate(widths):
        page.set_column(place, place, width)
    rows = [
        (sheet.title, name, column.meaning, column.unit, ", ".join(column.allowed))
        for sheet in sheets
        for name, column in sheet.columns.items()
        if name in sheet.frame.columns
    ]
    rows += [
        ("roof family", family.id, f"{family.label}. {family.caution}", "", "")
        for family in rules.families.values()
    ]
    rows += [("status", word, meaning, "", "") for word, meaning in _STATUS.items()]
    for number, line in enumerate(about):
        look = looks.strong if number < 2 else looks.line
        page.merge_range(number, 0, number, len(head) - 1, "", look)
        _write_text(page, number, 0, _fitted(_clean(line)), look)
        # A merged cell does not grow with its text.
        page.set_row(number, _LINE_POINTS * math.ceil(len(line) / sum(widths)))
    top = len(about) + 1
    page.autofilter(top, 0, top + len(rows), len(head) - 1)
    for place, name in enumerate(head):
        page.write_string(top, place, name, looks.header)
    for number, row in enumerate(rows, start=top + 1):
        for place, text in enumerate(row):
            _write_text(
                page, number, place, _fitted(_clean(text)), looks.cell("text", wrapped=place in (2, 4))
            )


_STATUS = {
    "published": "seen in the source that is named",
    "second-hand": "seen quoted by another source",
    "common practice": "how it is usually done; nobody's rule",
    "from memory": "remembered, not looked up",
    "department": "a choice; change it in the district file",
}


def _about(title: str, rules: Rulebook, as_of: datetime.date, sheets: Sequence[_Sheet]) -> list[str]:
    """What the lists are, on what date, by which rules, and what they do not say."""
    lines = [
        f"{title}: who to visit first",
        CAUTION,
        f"Ages and due dates are counted to {as_of.isoformat()}.",
        "The score is the sum of weight share x factor over the factors: the columns part_... hold the "
        "products, the sheet Weights the shares. It says which roofs deserve a visit, not how likely a fire "
        "is.",
        f"rank_low and rank_high hold the rank in {rules.number('ranking.interval_share'):.0%} of "
        f"{rules.count('ranking.draws'):,} draws of the weights and of the families of roofs that nobody has "
        "surveyed. A wide interval says that the rank rests on guesses.",
        "The inspection class follows the occupancy, or what the department states. The score does not "
        "change the class, nor the class the score.",
    ]
    if any("vents_short_ft2" in sheet.frame for sheet in sheets):
        lines.append(
            "code_asks and vents_short_ft2 hold what is drawn on a roof against the model code, as far as "
            "use, size and sprinklers are known. They are no verdict: the code as adopted locally and the "
            "code official decide."
        )
    ranked = next((sheet.frame for sheet in sheets if sheet.title == LIST_TABLES["ranking"]), None)
    if ranked is not None and len(ranked) and ranked["rank"].max() > len(ranked):
        lines.append(
            f"The list holds {len(ranked):,} buildings, a part of the district; ranks are those of the whole "
            "district."
        )
    lines += [f"Sheet {sheet.title}: {sheet.ends}" for sheet in sheets if sheet.ends]
    changed = override_lines(rules)
    lines.append(f"Rules that the department has changed: {len(changed) or 'none'}.")
    return lines + [f"  {line}" for line in changed]


def _in_front(table: pd.DataFrame, first: Sequence[str]) -> pd.DataFrame:
    """A table without its geometry, some columns, as far as it has them, in front of the others."""
    plain = pd.DataFrame(
        table.drop(columns=table.geometry.name) if isinstance(table, gpd.GeoDataFrame) else table
    )
    there = [name for name in first if name in plain.columns]
    return plain[[*there, *(name for name in plain.columns if name not in there)]]


def _rule_rows(rules: Rulebook) -> pd.DataFrame:
    """The other rules that the lists rest on, as text: some are numbers, some lists, some words."""
    found = [
        rule
        for rule in rules.rules.values()
        if rule.id.split(".")[0] in _RULE_GROUPS and not rule.id.startswith("ranking.weight.")
    ]
    shipped = load_rulebook().rules
    return pd.DataFrame(
        {
            "rule": [rule.id for rule in found],
            "value": [_value(rule) for rule in found],
            "unit": [rule.unit for rule in found],
            "rulebook_value": [_value(shipped[rule.id]) for rule in found],
            "overridden": [rule.overridden for rule in found],
            "status": [rule.status for rule in found],
            "source": [rule.source for rule in found],
            "meaning": [rule.meaning for rule in found],
        }
    )


def _value(rule: Rule) -> str:
    values = rule.value if isinstance(rule.value, list) else [rule.value]
    return ", ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in values)
