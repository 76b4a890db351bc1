"""The type of a sheet: three fonts that every build has, and text that can only be read.

In: texts from the program and from data, whatever they hold.
Out: names of registered fonts; texts that these fonts can draw on one line, and their widths.

The fonts are DejaVu's, as matplotlib carries them: the same glyphs on every machine, free to embed.
"""

from __future__ import annotations

import unicodedata
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

__all__ = [
    "BOLD",
    "FONT",
    "MISSING",
    "MONO",
    "clipped",
    "embed_fonts",
    "markup",
    "register_fonts",
    "shown",
    "width_pt",
]

FONT = "DejaVuSans"
BOLD = "DejaVuSans-Bold"
MONO = "DejaVuSansMono"
MISSING = "\u25a1"
"""What stands for a character that the fonts do not have."""

# Control, format (direction marks, joiners), surrogate, private use, not assigned.
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn"}
_SPACES = {"Zs", "Zl", "Zp"}
# What a sheet in the Latin alphabet uses beyond ASCII. Fonts that hold the same glyphs in the same
# order are the same bytes, and a set of sheets keeps them once.
_USUAL = (
    "".join(map(chr, (*range(0xA1, 0xAD), *range(0xAE, 0x100))))
    + "\u2013\u2018\u2019\u201c\u201d\u2022\u2026\u2032\u2033\u25a1"
)


@cache
def register_fonts() -> None:
    """Make `FONT`, `BOLD` and `MONO` known to reportlab, once.

    Examples
    --------
    >>> register_fonts()
    >>> round(width_pt("10 ft", FONT, 8.0), 1)
    18.7
    """
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD, MONO):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf"), shapable=False))
    # Markup of a paragraph knows upright and bold; nothing on a sheet is slanted.
    pdfmetrics.registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)


def embed_fonts(canvas: Any) -> None:
    """Take the usual glyphs of all three fonts into a document before anything is drawn.

    Parameters
    ----------
    canvas
        A new reportlab canvas. Only fonts that are drawn with go into its file.
    """
    register_fonts()
    for name in (FONT, BOLD, MONO):
        _font(name).splitString(_USUAL, canvas._doc)


def shown(text: object, *, most: int | None = None) -> str:
    r"""Return a text as one line that can be drawn: nothing hidden, nothing missing silently.

    Parameters
    ----------
    text
        Anything; missing values are empty.
    most
        Characters to keep; a longer text ends in an ellipsis.

    Returns
    -------
    str
        Line breaks and tabs are spaces, control and direction marks are gone, and a character that
        the fonts lack is a box.

    Examples
    --------
    >>> shown("Mill\nShed \u202eB\u200b \U0001f692")
    'Mill Shed B □'
    >>> shown("<b>Shed & Sons</b>"), shown("a long name", most=6)
    ('<b>Shed & Sons</b>', 'a lon…')
    >>> shown(None)
    ''
    """
    if text is None or text != text or str(text) in ("<NA>", "NaT"):
        return ""
    words = str(text)
    # What is cut off below need not be looked at; most of it may be spaces and marks.
    if most is not None:
        words = words[: 4 * most + 200]
    if not words.isascii():
        words = unicodedata.normalize("NFC", words)
    glyphs = _glyphs()
    drawn = "".join(_drawn(character, glyphs) for character in words)
    line = " ".join(drawn.split())
    return line if most is None or len(line) <= most else line[: most - 1].rstrip() + "…"


def markup(text: object, *, most: int | None = None) -> str:
    """Return `shown` text in which a paragraph finds no markup.

    Examples
    --------
    >>> markup("<img src=x> & </para>")
    '&lt;img src=x&gt; &amp; &lt;/para&gt;'
    """
    return escape(shown(text, most=most))


def clipped(text: str, font: str, size: float, width: float) -> str:
    """Return the text, or as much of it as is no wider than `width` points with an ellipsis.

    Examples
    --------
    >>> clipped("Joinery", FONT, 8.0, 100.0), clipped("Joinery and cold store", FONT, 8.0, 50.0)
    ('Joinery', 'Joinery an…')
    """
    if width_pt(text, font, size) <= width:
        return text
    low, high = 0, len(text)
    while high - low > 1:
        middle = (low + high) // 2
        if width_pt(text[:middle] + "…", font, size) <= width:
            low = middle
        else:
            high = middle
    return text[:low].rstrip() + "…"


def width_pt(text: str, font: str, size: float) -> float:
    """Return how wide a text is, in points."""
    register_fonts()
    return float(pdfmetrics.stringWidth(text, font, size))


def _font(name: str) -> Any:
    return pdfmetrics.getFont(name)


@cache
def _glyphs() -> frozenset[int]:
    """Code points that both fonts of words can draw; `MONO` is for grid strings and numbers."""
    register_fonts()
    faces = [_font(name).face.charToGlyph for name in (FONT, BOLD)]
    return frozenset.intersection(*(frozenset(face) for face in faces))


def _drawn(character: str, glyphs: frozenset[int]) -> str:
    if " " <= character <= "~":
        return character
    category = unicodedata.category(character)
    if category in _SPACES or character in "\t\n\r\v\f":
        return " "
    if ord(character) in glyphs and category not in _UNSEEN:
        return character
    return MISSING if category not in _UNSEEN or category in ("Co", "Cn", "Cs") else ""
