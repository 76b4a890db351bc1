"""One sheet: head, plan, words, blank lines for what the crew finds, and the caution.

In: one building's rows, a paper, what all sheets of the run share.
Out: one page on a canvas, always one.

From the top: name and address, the alert; then the plan, with words in one column beside it and in two
below it; then the blank lines and the caution, at the same place on every sheet. The words take the
height that they need, the plan gets the rest, and neither falls below its least: words that find no room
are left out with a sentence that says where they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from roofplat.publish.files import CAUTION
from roofplat.publish.sheet.blocks import Block, fit
from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import BOLD, FONT, clipped, embed_fonts, markup, register_fonts, width_pt
from roofplat.publish.sheet.panels import (
    FOUND_ON_SITE,
    Edition,
    Heading,
    heading_of,
    list_block,
    text_blocks,
)
from roofplat.publish.sheet.paper import Box, Paper
from roofplat.publish.sheet.plan import DrawnPlan, draw_plan, plan_scale

__all__ = ["draw_leaf", "new_canvas", "sheet_pdf"]

_COLUMNS = 3
_GAP_PT = 12.0
_SPACE_PT = 6.0
# The plan keeps this share of the height between the head and the blank lines, whatever the words need.
_PLAN_LEAST = 0.62
# It gets more where that draws the roof at a larger scale: words can be read elsewhere, a roof cannot.
_PLAN_SHARES = (_PLAN_LEAST, 0.65, 0.68, 0.71, 0.74)
# Room in each column below the plan for what the plan says in numbers, known only when it is drawn.
_KEY_PT = 20.0
_NAME_PT, _LINE_PT, _ALERT_PT = 14.0, 8.0, 9.5
_RULED_PT = 17.0
# The frame around what was asked is dashed, as everything is that nobody has seen.
_WHAT_IF_DASH = (6.0, 3.0)


@dataclass(frozen=True, slots=True)
class _Frame:
    """Edges of what is printed, in points."""

    left: float
    right: float
    top: float
    bottom: float

    @property
    def width(self) -> float:
        return self.right - self.left


def sheet_pdf(leaf: Leaf, *, paper: Paper, edition: Edition) -> bytes:
    """Return one building's sheet as a PDF of one page.

    Parameters
    ----------
    leaf
        The building's rows.
    paper
        The size of the page and its scales.
    edition
        What all sheets of the run share.

    Returns
    -------
    bytes
        The same for the same input.
    """
    heading = heading_of(leaf.frames, edition.rules)
    name = heading.name or heading.address
    title = f"{name} ({heading.building_id})" if name else heading.building_id
    stream = BytesIO()
    canvas = new_canvas(stream, paper, title=f"Roof plan: {title}", subject=edition.district)
    draw_leaf(canvas, leaf, heading, paper=paper, edition=edition)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def new_canvas(stream: BytesIO, paper: Paper, *, title: str, subject: str) -> Canvas:
    """Return a canvas without a page on it: the fonts ready, nothing in it that tells when it was made."""
    # A canvas begins every page with a font; that has to be one that goes into the file.
    register_fonts()
    # The stubs of the library take it for a number.
    first_font: Any = FONT
    canvas = Canvas(
        stream,
        pagesize=(paper.width_pt, paper.height_pt),
        invariant=1,
        pageCompression=1,
        initialFontName=first_font,
    )
    embed_fonts(canvas)
    canvas.setTitle(title)
    canvas.setSubject(subject)
    canvas.setAuthor("")
    canvas.setCreator("roofplat")
    return canvas


def draw_leaf(canvas: Any, leaf: Leaf, heading: Heading, *, paper: Paper, edition: Edition) -> None:
    """Draw a sheet on the page that the canvas is at.

    Parameters
    ----------
    canvas
        From `new_canvas`.
    leaf, heading
        The building's rows, and its heading from `panels.heading_of`.
    paper, edition
        As in `sheet_pdf`.
    """
    margin = paper.margin_pt
    frame = _Frame(margin, paper.width_pt - margin, paper.height_pt - margin, margin)
    top = _draw_head(canvas, heading, frame, edition)
    bottom = _draw_caution(canvas, frame)
    bottom = _draw_blank_lines(canvas, frame, bottom)
    column = (frame.width - (_COLUMNS - 1) * _GAP_PT) / _COLUMNS
    plan_width = frame.width - column - _GAP_PT
    room = top - bottom - _SPACE_PT
    blocks = text_blocks(leaf.frames, edition)
    scales = [
        plan_scale(leaf, Box(frame.left, bottom, plan_width, room * share), paper=paper).feet_per_point
        for share in _PLAN_SHARES
    ]
    most = room * (1.0 - _PLAN_SHARES[scales.index(min(scales))]) - _SPACE_PT
    shape: dict[str, Any] = {"width_pt": column, "columns": _COLUMNS, "first_pt": room}
    layout = fit(blocks, most_pt=most - _KEY_PT, **shape)
    height = layout.height_pt + _KEY_PT
    above = bottom + _SPACE_PT + height + _SPACE_PT
    box = Box(frame.left, above, plan_width, top - above)
    more = _left_to_words(draw_plan(canvas, leaf, box, paper=paper, rules=edition.rules))
    if more or not layout.whole:
        # The height is the plan's by now; the words make room for its key, from the least dear on.
        layout = fit([*blocks, *more], most_pt=height, **shape)
    below = bottom + _SPACE_PT + height
    corners = [(frame.left + place * (column + _GAP_PT), below) for place in range(_COLUMNS - 1)]
    layout.draw(canvas, [(frame.right - column, top), *corners])


def _left_to_words(plan: DrawnPlan) -> list[Block]:
    """What the plan leaves to the words: texts behind numbers, and sentences."""
    numbers = [f"[{text.number}] {text.text}" for text in plan.references if text.marked]
    others = [text.text for text in plan.references if not text.marked]
    blocks = [
        list_block("Numbers on the plan", numbers, rank=1, rest="layers.gpkg"),
        list_block("Not written on the plan", [*others, *plan.notes], rank=3, rest="layers.gpkg"),
    ]
    return [block for block in blocks if block.rows]


def _draw_head(canvas: Any, heading: Heading, frame: _Frame, edition: Edition) -> float:
    """Draw name, address, id, area, what was asked and alert; return the height where the plan may begin."""
    made = f"{'What-if' if edition.what_if else 'Standing'} plan, data as of {edition.as_of.isoformat()}"
    right = [made, clipped(edition.district, FONT, _LINE_PT, frame.width * 0.4)]
    y = frame.top - _NAME_PT * 0.8
    left_width = frame.width - max(width_pt(line, FONT, _LINE_PT) for line in right) - _GAP_PT
    name = heading.name or heading.address or f"Building {heading.building_id}"
    canvas.setFont(BOLD, _NAME_PT)
    canvas.drawString(frame.left, y, clipped(name, BOLD, _NAME_PT, left_width))
    canvas.setFont(FONT, _LINE_PT)
    for number, line in enumerate(right):
        canvas.drawRightString(frame.right, frame.top - _LINE_PT * (0.8 + 1.3 * number), line)
    y -= _LINE_PT * 1.6
    dot = "  \u2022  "
    rest = f"Id {heading.building_id}{dot}" + (
        f"Area: {heading.area}" if heading.area else "In no dispatch area"
    )
    canvas.setFont(FONT, _LINE_PT)
    if heading.name and heading.address:
        # The id and the area stay whole as long as there is room for anything of the address.
        room = max(left_width - width_pt(dot + rest, FONT, _LINE_PT), left_width / 4)
        rest = clipped(heading.address, FONT, _LINE_PT, room) + dot + rest
    canvas.drawString(frame.left, y, clipped(rest, FONT, _LINE_PT, left_width))
    y -= _LINE_PT * 0.7
    if edition.what_if:
        canvas.setDash(*_WHAT_IF_DASH)
        y = _draw_framed(canvas, edition.what_if[0], y, frame)
        canvas.setDash()
    if heading.alert:
        y = _draw_framed(canvas, heading.alert, y, frame)
    return y - (0.0 if heading.alert or edition.what_if else _SPACE_PT / 2)


def _draw_framed(canvas: Any, words: str, y: float, frame: _Frame) -> float:
    """Draw a line of text that nobody may miss; return the height below it.

    A thick frame and bold type: a copier keeps them where it loses a grey.
    """
    tall = _ALERT_PT * 1.7
    size = _ALERT_PT
    while size > 7.0 and width_pt(words, BOLD, size) > frame.width - 12.0:
        size -= 0.25
    canvas.setLineWidth(1.6)
    canvas.rect(frame.left + 0.8, y - tall, frame.width - 1.6, tall)
    canvas.setFont(BOLD, size)
    text = clipped(words, BOLD, size, frame.width - 12.0)
    canvas.drawString(frame.left + 6.0, y - tall / 2 - size * 0.36, text)
    return y - tall - _SPACE_PT


def _draw_caution(canvas: Any, frame: _Frame) -> float:
    """Draw the caution at the foot; return the height above it."""
    caution = Paragraph(markup(CAUTION), ParagraphStyle("caution", fontName=BOLD, fontSize=7.0, leading=8.6))
    _, tall = caution.wrap(frame.width, 200.0)
    caution.drawOn(canvas, frame.left, frame.bottom)
    canvas.setLineWidth(0.8)
    y = frame.bottom + tall + 3.0
    canvas.line(frame.left, y, frame.right, y)
    return float(y) + _SPACE_PT / 2


def _draw_blank_lines(canvas: Any, frame: _Frame, bottom: float) -> float:
    """Draw the labelled lines for what the crew finds; return the height above them."""
    lines: Sequence[Sequence[str]] = FOUND_ON_SITE
    canvas.setLineWidth(0.5)
    for number, labels in enumerate(reversed(lines)):
        y = bottom + number * _RULED_PT + 2.0
        part = (frame.width - _GAP_PT * (len(labels) - 1)) / len(labels)
        for place, label in enumerate(labels):
            x = frame.left + place * (part + _GAP_PT)
            canvas.setFont(FONT, 7.5)
            canvas.drawString(x, y + 1.5, label)
            canvas.line(x + width_pt(label, FONT, 7.5) + 3.0, y, x + part, y)
    y = bottom + len(lines) * _RULED_PT
    canvas.setFont(BOLD, 8.0)
    canvas.drawString(frame.left, y, "Found on site")
    y += 8.0 + 3.0
    canvas.setLineWidth(0.8)
    canvas.line(frame.left, y, frame.right, y)
    return y
