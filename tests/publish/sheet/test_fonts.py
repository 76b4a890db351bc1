"""Text that goes onto a sheet: drawable, on one line, nothing hidden, and never markup.

In: texts of any kind, among them what hypothesis finds.
Out: the same as they are drawn.
"""

from __future__ import annotations

import unicodedata
from io import BytesIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from roofplat.publish.sheet.fonts import (
    BOLD,
    FONT,
    MISSING,
    MONO,
    clipped,
    embed_fonts,
    markup,
    register_fonts,
    shown,
    width_pt,
)


@given(st.text())
def test_what_is_shown_can_be_drawn_and_hides_nothing(text: str) -> None:
    line = shown(text)
    register_fonts()
    glyphs = pdfmetrics.getFont(FONT).face.charToGlyph
    assert all(ord(character) in glyphs for character in line)
    assert not any(unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp") for character in line)
    assert line == " ".join(line.split())
    assert shown(line) == line


@given(st.text(alphabet=st.sampled_from("<>&\"'/bi=para img onerror\u202e\U0001f692\n"), max_size=60))
def test_no_text_is_markup(text: str) -> None:
    register_fonts()
    paragraph = Paragraph(markup(text), ParagraphStyle("plain", fontName=FONT, fontSize=8))
    drawn = "".join(frag.text for frag in paragraph.frags)
    assert " ".join(drawn.split()) == shown(text)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("Mill\u2028Shed\t\r\nB", "Mill Shed B"),
        ("\u202eevil\u202c\u200f", "evil"),
        ("\U0001f692 \ue000", f"{MISSING} {MISSING}"),
        ("Äußere Halle", "Äußere Halle"),
        ("Cafe\u0301", "Café"),
        (float("nan"), ""),
        (None, ""),
        (3, "3"),
    ],
)
def test_examples(text: object, line: str) -> None:
    assert shown(text) == line


def test_a_long_text_ends_where_it_says() -> None:
    assert len(shown("x" * 10_000, most=90)) == 90
    assert shown("x" * 10_000, most=90).endswith("…")
    assert shown("\u200b" * 10_000 + "end", most=20) == ""
    assert shown("exactly", most=7) == "exactly"


@given(st.text(alphabet="mMiW ", max_size=80), st.floats(20.0, 200.0))
def test_clipped_text_is_no_wider(text: str, width: float) -> None:
    line = clipped(text, BOLD, 9.0, width)
    assert width_pt(line, BOLD, 9.0) <= width
    assert line == text or line.endswith("…")


def test_usual_letters_have_the_same_codes_in_every_document() -> None:
    codes = []
    for before in ("", "zürich ½"):
        canvas = Canvas(BytesIO())
        embed_fonts(canvas)
        for font in (FONT, BOLD, MONO):
            pdfmetrics.getFont(font).splitString(before, canvas._doc)
        codes.append(pdfmetrics.getFont(FONT).splitString("Ä 7.1 \u00d7 3° …", canvas._doc))
    assert codes[0] == codes[1]
    assert len(codes[0]) == 1
