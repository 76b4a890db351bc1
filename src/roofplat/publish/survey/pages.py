"""The pages of a survey: one a building, to print, to tick and to draw on.

In: the rows of the form, one building's rows of the tables, the questions, a paper.
Out: `survey.pdf`, a page a building with a bookmark each; the same input gives the same bytes.

From the top: who and where, why a survey is worth it; the outline to draw on; the roof families to tick;
the other questions in columns, those that matter most first and numbered; who, when, notes; the
caution. The questions take the height that they need and the outline the rest, so that a page is one page.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import pandas as pd
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import simpleSplit
from reportlab.platypus import Paragraph

from roofplat.publish.files import CAUTION
from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import BOLD, FONT, clipped, markup, shown, width_pt
from roofplat.publish.sheet.leaf import new_canvas
from roofplat.publish.sheet.paper import Box, Paper
from roofplat.publish.survey.drawing import draw_outline
from roofplat.publish.survey.questions import Answer, Question
from roofplat.tables import SIDES

__all__ = ["survey_pdf"]

_NAME_PT, _LINE_PT, _WORDS_PT = 13.0, 8.0, 7.0
_HEAD_ROW, _ROW, _AFTER = 10.5, 11.5, 3.0
_RECORD_PT, _RECORD_ROW, _BESIDE_PT, _MOST_RECORD = 7.0, 8.6, 5.0, 160
_BOX_PT, _GAP_PT = 6.5, 12.0
_COLUMNS, _FINE_PT = 3, 0.5
_SPACE_PT = 6.0
_BLANK_PT = 34.0
# The outline keeps this share of the height between head and foot.
_OUTLINE_LEAST = 0.42
_FOOT = (("Seen on (date)", "Who", "Section, if one alone"), ("Note",), ("",))
_FOOT_ROW = 16.0
_DRAW = (
    "Draw: direction of beams, bearing walls, units, skylights, hatches, solar, hung loads, lines overhead."
)
# Most that is said of one building above its outline.
_MOST_LINES = 4


@dataclass(frozen=True, slots=True)
class _Item:
    """A question on the page: its rows of boxes and blanks, and how high it is.

    beside, below
        What is on record: behind the title where it fits, else in lines of its own, never cut off.
    """

    question: Question
    title: str
    beside: str
    below: tuple[str, ...]
    rows: tuple[tuple[tuple[str, str], ...], ...]

    @property
    def height_pt(self) -> float:
        return _HEAD_ROW + _RECORD_ROW * len(self.below) + _ROW * len(self.rows) + _AFTER


def survey_pdf(
    rows: pd.DataFrame,
    leaves: Sequence[Leaf],
    questions: Sequence[Question],
    asked: Mapping[str, Sequence[str]],
    records: Mapping[str, Mapping[str, str]],
    *,
    paper: Paper,
    district: str,
    area: str,
    as_of: datetime.date,
) -> bytes:
    """Draw the pages of a survey.

    Parameters
    ----------
    rows
        From `form_rows`, in the order of the pages.
    leaves
        The building of each row.
    questions
        From `survey_questions`.
    asked
        By building the keys of the questions that matter most, the first the most.
    records
        By building and field what is on record.
    paper
        The size of the page and its scales.
    district, area, as_of
        What the head of each page says.

    Returns
    -------
    bytes
        A PDF with one page a row.
    """
    stream = BytesIO()
    canvas = new_canvas(stream, paper, title=f"Roof survey: {area}", subject=district)
    said = f"{shown(district, most=50)}, {shown(area, most=40)}, {as_of.isoformat()}"
    records_of: list[dict[str, Any]] = [
        {str(name): value for name, value in row.items()} for row in rows.to_dict("records")
    ]
    for row, leaf in zip(records_of, leaves, strict=True):
        key = f"survey-{row['order']}"
        canvas.bookmarkPage(key)
        canvas.addOutlineEntry(f"{row['order']}. {_title(row)}", key)
        name = str(row["building_id"])
        own = (asked.get(name, ()), records.get(name, {}))
        _draw_page(canvas, row, leaf, questions, *own, paper=paper, said=said, of=len(rows))
        canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _title(row: Mapping[str, Any]) -> str:
    words = shown(row["title"], most=80)
    return f"{words} ({shown(row['building_id'], most=60)})" if words else shown(row["building_id"], most=60)


def _draw_page(
    canvas: Any,
    row: Mapping[str, Any],
    leaf: Leaf,
    questions: Sequence[Question],
    asked: Sequence[str],
    records: Mapping[str, str],
    *,
    paper: Paper,
    said: str,
    of: int,
) -> None:
    left, right = paper.margin_pt, paper.width_pt - paper.margin_pt
    width = right - left
    top = _draw_head(canvas, row, paper, said=said, of=of)
    bottom = _draw_foot(canvas, left, width, paper.margin_pt)
    column = (width - (_COLUMNS - 1) * _GAP_PT) / _COLUMNS
    numbers = {key: place for place, key in enumerate(asked, start=1)}
    family, *others = questions
    wide = _item(family, numbers, records, width, _grid(family.answers[0], width))
    order = sorted(others, key=lambda question: numbers.get(question.key, len(questions)))
    items = [_item(question, numbers, records, column, _flow(question, column)) for question in order]
    room = top - bottom - _SPACE_PT
    most = room * (1.0 - _OUTLINE_LEAST) - wide.height_pt - _SPACE_PT
    columns = _columns(items, most)
    height = max(sum(item.height_pt for item in own) for own in columns)
    y = bottom + height
    for place, own in enumerate(columns):
        below = y
        for item in own:
            below = _draw_item(canvas, item, left + place * (column + _GAP_PT), below, column)
    y = y + wide.height_pt
    _draw_item(canvas, wide, left, y, width)
    y += _SPACE_PT
    dots = draw_outline(canvas, leaf, Box(left, y, width, top - y - _LINE_PT - 2.0), paper=paper)
    canvas.setFillGray(0.0)
    canvas.setFont(FONT, _WORDS_PT)
    canvas.drawString(left, top - _LINE_PT, clipped(f"{_DRAW} {dots}", FONT, _WORDS_PT, width))


def _draw_head(canvas: Any, row: Mapping[str, Any], paper: Paper, *, said: str, of: int) -> float:
    """Draw who and where it is, and why a survey is worth it; return the height below."""
    left, right = paper.margin_pt, paper.width_pt - paper.margin_pt
    y = paper.height_pt - paper.margin_pt - _NAME_PT * 0.8
    canvas.setFillGray(0.0)
    canvas.setFont(FONT, _LINE_PT)
    place = f"Survey form {row['order']} of {of}"
    canvas.drawRightString(right, y, place)
    room = right - left - width_pt(place, FONT, _LINE_PT) - _GAP_PT
    canvas.setFont(BOLD, _NAME_PT)
    title = shown(row["title"], most=120) or f"Building {shown(row['building_id'], most=60)}"
    canvas.drawString(left, y, clipped(title, BOLD, _NAME_PT, room))
    y -= _LINE_PT * 1.6
    canvas.setFont(FONT, _LINE_PT)
    who = f"Id {shown(row['building_id'], most=60)}"
    if not pd.isna(row["rank"]):
        who += f"  •  rank {int(row['rank']):,}"
    canvas.drawRightString(right, y, clipped(said, FONT, _LINE_PT, (right - left) / 2))
    canvas.drawString(left, y, clipped(who, FONT, _LINE_PT, (right - left) / 2 - _GAP_PT))
    y -= _LINE_PT * 0.6
    style = ParagraphStyle("why", fontName=FONT, fontSize=_WORDS_PT, leading=8.6)
    words = [f"<b>Why:</b> {markup(row['why'], most=320)}"]
    if isinstance(row["odds"], str) and row["odds"]:
        words.append(f"<b>Odds, not a survey:</b> {markup(row['odds'], most=320)}.")
    for line in words:
        paragraph = Paragraph(line, style)
        _, tall = paragraph.wrap(right - left, style.leading * _MOST_LINES)
        paragraph.drawOn(canvas, left, y - tall)
        y -= tall
    return y - _SPACE_PT / 2


def _draw_foot(canvas: Any, left: float, width: float, bottom: float) -> float:
    """Draw the caution, and above it the blanks for who, when and notes; return the height above."""
    caution = Paragraph(markup(CAUTION), ParagraphStyle("caution", fontName=BOLD, fontSize=7.0, leading=8.6))
    _, tall = caution.wrap(width, 200.0)
    caution.drawOn(canvas, left, bottom)
    y = bottom + tall + 4.0
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.5)
    for labels in reversed(_FOOT):
        part = (width - _GAP_PT * (len(labels) - 1)) / len(labels)
        for place, label in enumerate(labels):
            x = left + place * (part + _GAP_PT)
            canvas.setFont(FONT, _WORDS_PT)
            canvas.drawString(x, y + 1.5, label)
            canvas.line(x + (width_pt(label, FONT, _WORDS_PT) + 3.0 if label else 0.0), y, x + part, y)
        y += _FOOT_ROW
    canvas.setLineWidth(0.8)
    canvas.line(left, y, left + width, y)
    return y + _SPACE_PT / 2


def _grid(answer: Answer, width: float) -> tuple[tuple[tuple[str, str], ...], ...]:
    """Boxes in columns of one width, read down the page row by row."""
    words = list(answer.allowed.values())
    cell = max(width_pt(word, FONT, _WORDS_PT) for word in words) + _BOX_PT + 10.0
    across = max(1, int(width // cell))
    return tuple(
        tuple(("box", word) for word in words[start : start + across])
        for start in range(0, len(words), across)
    )


def _flow(question: Question, width: float) -> tuple[tuple[tuple[str, str], ...], ...]:
    """Boxes and blanks of a question, as many in a row as there is room for."""
    marks: list[tuple[str, str]] = []
    for answer in question.answers:
        if answer.field == "bearing_walls":
            # On paper each wall has a box of its own.
            marks += [("box", word) for word in ("all", *SIDES)]
        elif answer.allowed:
            marks += [("box", word) for word in answer.allowed.values()]
        elif answer.number:
            marks.append(("blank", f"{answer.words}|{_unit(answer)}"))
        else:
            marks.append(("line", answer.words))
    rows: list[list[tuple[str, str]]] = [[]]
    used = 0.0
    for mark in marks:
        wide = _mark_width(mark)
        if rows[-1] and used + wide > width:
            rows.append([])
            used = 0.0
        rows[-1].append(mark)
        used += wide
    return tuple(map(tuple, rows))


def _unit(answer: Answer) -> str:
    if answer.or_side:
        return "A to D"
    north = answer.field.endswith("_deg") and answer.field != "slope_deg"
    return "° from north" if north else {"deg": "°", "ft": "ft"}.get(answer.unit, "")


def _mark_width(mark: tuple[str, str]) -> float:
    kind, words = mark
    if kind == "box":
        return _BOX_PT + 2.5 + width_pt(words, FONT, _WORDS_PT) + 8.0
    before, _, after = words.partition("|")
    blank = _BLANK_PT if kind == "blank" else 2 * _BLANK_PT
    return sum(width_pt(word, FONT, _WORDS_PT) for word in (before, after)) + blank + 12.0


def _columns(items: Sequence[_Item], most_pt: float) -> list[list[_Item]]:
    """Deal the questions out, down one column after the other; those that find no room are left out.

    Columns are as low as they can be: the height that holds all of them is found by halving.
    """
    kept = list(items)
    while kept and _dealt(kept, most_pt) is None:
        kept.pop()
    low, high = 0.0, most_pt
    while high - low > _FINE_PT:
        middle = (low + high) / 2
        low, high = (middle, high) if _dealt(kept, middle) is None else (low, middle)
    return _dealt(kept, high) or [[] for _ in range(_COLUMNS)]


def _dealt(items: Sequence[_Item], height_pt: float) -> list[list[_Item]] | None:
    """The columns, each no higher than that; None where they do not hold all."""
    columns: list[list[_Item]] = [[]]
    used = 0.0
    for item in items:
        if used + item.height_pt > height_pt:
            columns.append([])
            used = 0.0
        if item.height_pt > height_pt or len(columns) > _COLUMNS:
            return None
        columns[-1].append(item)
        used += item.height_pt
    return columns + [[] for _ in range(_COLUMNS - len(columns))]


def _item(
    question: Question,
    numbers: Mapping[str, int],
    records: Mapping[str, str],
    width: float,
    rows: tuple[tuple[tuple[str, str], ...], ...],
) -> _Item:
    """Lay a question out: its number where it is one of those that matter most, what is on record."""
    number = f"{numbers[question.key]}  " if question.key in numbers else ""
    title = f"{number}{question.words}"
    alone = len(question.answers) == 1
    said = [
        records[answer.field] if alone else f"{answer.words} {records[answer.field]}"
        for answer in question.answers
        if answer.field in records
    ]
    # A deck may be described at any length; the rest is in the list.
    record = "on record: " + (shown(", ".join(said), most=_MOST_RECORD) if said else "nothing")
    room = width - width_pt(title, BOLD, _LINE_PT) - _BESIDE_PT
    if width_pt(record, FONT, _RECORD_PT) <= room:
        return _Item(question, title, record, (), rows)
    return _Item(question, title, "", tuple(simpleSplit(record, FONT, _RECORD_PT, width)), rows)


def _draw_item(canvas: Any, item: _Item, x: float, top: float, width: float) -> float:
    """Draw a question from its top down; return the height below."""
    y = top - _LINE_PT
    canvas.setFillGray(0.0)
    canvas.setFont(BOLD, _LINE_PT)
    canvas.drawString(x, y, item.title)
    canvas.setFont(FONT, _RECORD_PT)
    canvas.drawString(x + width_pt(item.title, BOLD, _LINE_PT) + _BESIDE_PT, y, item.beside)
    for line in item.below:
        y -= _RECORD_ROW
        canvas.drawString(x, y, line)
    y -= 2.5
    canvas.setLineWidth(0.6)
    canvas.setStrokeGray(0.0)
    cell = width / max(map(len, item.rows)) if item.question.key == "roof_family" else None
    for row in item.rows:
        y -= _ROW
        at = x
        for place, mark in enumerate(row):
            if cell is not None:
                at = x + place * cell
            _draw_mark(canvas, mark, at, y + 3.0)
            at += _mark_width(mark)
    return top - item.height_pt


def _draw_mark(canvas: Any, mark: tuple[str, str], x: float, y: float) -> None:
    """Draw a box with its word, or a blank with what stands before and behind it."""
    kind, words = mark
    canvas.setFont(FONT, _WORDS_PT)
    if kind == "box":
        canvas.rect(x, y - 1.2, _BOX_PT, _BOX_PT, stroke=1, fill=0)
        canvas.drawString(x + _BOX_PT + 2.5, y, words)
        return
    before, _, after = words.partition("|")
    canvas.drawString(x, y, before)
    start = x + width_pt(before, FONT, _WORDS_PT) + 3.0
    end = start + (_BLANK_PT if kind == "blank" else 2 * _BLANK_PT)
    canvas.line(start, y - 1.5, end, y - 1.5)
    canvas.drawString(end + 2.0, y, after)
