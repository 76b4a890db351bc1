"""Blocks of text that always fit: smaller type first, then fewer rows, and a sentence for what is left out.

In: titled blocks of rows, each with a rank of how dear it is; columns of a width and a height.
Out: a layout that can be drawn; no row is cut through, none overlaps another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Any

from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph

from roofplat.publish.sheet.fonts import BOLD, FONT, markup, register_fonts

__all__ = ["SIZES_PT", "Block", "Layout", "Piece", "fit"]

SIZES_PT = (8.0, 7.5, 7.0)
"""Sizes of type, tried in this order."""

_LEADING = 1.18
_HEAD_GAP = 0.55
_ROW_GAP = 0.14
_NO_LIMIT_PT = 1e5
# Columns grow in steps of this share of a line.
_STEP = 0.5


@dataclass(frozen=True, slots=True)
class Block:
    """One titled list.

    title
        Plain text.
    rows
        Markup of paragraphs, the most important first.
    rank
        1 is shortened last.
    least
        Rows that stay as long as other blocks can give way.
    rest
        Where the rows that do not fit are, such as "layers.gpkg, layer facts".
    left_out
        Rows that were left out before, and are counted with those left out here.
    """

    title: str
    rows: tuple[str, ...]
    rank: int
    least: int = 1
    rest: str = "layers.gpkg"
    left_out: int = 0

    def shortened(self) -> Block:
        """Return the block without its last row."""
        return replace(self, rows=self.rows[:-1], left_out=self.left_out + 1)

    def lines(self) -> tuple[str, ...]:
        """Return the rows, and the sentence on those that are left out."""
        if not self.left_out:
            return self.rows
        alone = "1 row" if self.left_out == 1 else f"All {self.left_out:,}"
        count = f"{self.left_out:,} more" if self.rows else alone
        return (*self.rows, markup(f"{count} in {self.rest}."))


@dataclass(frozen=True, slots=True)
class Piece:
    """A title or a row at its place: column, and distance of its top from the column's top, in points."""

    text: str
    title: bool
    column: int
    top_pt: float
    height_pt: float


@dataclass(frozen=True, slots=True)
class Layout:
    """Pieces in columns; `height_pt` is what all columns but the first reach down."""

    pieces: tuple[Piece, ...]
    size_pt: float
    height_pt: float
    width_pt: float
    blocks: tuple[Block, ...]

    @property
    def whole(self) -> bool:
        """Whether nothing was left out."""
        return not any(block.left_out for block in self.blocks)

    def draw(self, canvas: Any, corners: Sequence[tuple[float, float]]) -> None:
        """Draw the pieces on a canvas, down from the upper left corner of each column."""
        for piece in self.pieces:
            x, top_pt = corners[piece.column]
            y = top_pt - piece.top_pt - piece.height_pt
            paragraph = _paragraph(piece.text, self.size_pt, title=piece.title)
            paragraph.wrap(self.width_pt, _NO_LIMIT_PT)
            paragraph.drawOn(canvas, x, y)
            if piece.title:
                canvas.setLineWidth(0.5)
                canvas.setStrokeGray(0.0)
                canvas.line(x, y - 0.6, x + self.width_pt, y - 0.6)


def fit(
    blocks: Sequence[Block],
    *,
    width_pt: float,
    most_pt: float,
    columns: int = 3,
    first_pt: float | None = None,
    sizes_pt: Sequence[float] = SIZES_PT,
) -> Layout:
    """Lay blocks out in columns of equal height, the lowest that holds them.

    Parameters
    ----------
    blocks
        In reading order.
    width_pt
        Width of one column.
    most_pt
        Height that no column may exceed.
    columns
        How many.
    first_pt
        Height of the first column, where it is another than that of the others.
    sizes_pt
        Sizes of type to try.

    Returns
    -------
    Layout
        Of the largest type in which everything fits; when it does not fit in the smallest, rows are
        left out: of the block of the highest rank first, the longest of equals, the last of equals.

    Raises
    ------
    ValueError
        Not even the titles fit.

    Examples
    --------
    >>> facts = Block("Facts", tuple(f"fact {number}" for number in range(9)), rank=5, rest="a list")
    >>> short = fit([facts], width_pt=100.0, most_pt=60.0, columns=1)
    >>> short.height_pt <= 60.0, short.blocks[0].lines()[-1]
    (True, '5 more in a list.')
    """
    kept = [block for block in blocks if block.rows or block.left_out]
    page = _Page(width_pt, most_pt, columns, first_pt)
    for size in sizes_pt:
        pieces = page.flow(kept, size, most_pt)
        if pieces is not None:
            return _lowest(page, kept, size)
    size = sizes_pt[-1]
    while page.flow(kept, size, most_pt) is None:
        spare = [place for place, block in enumerate(kept) if len(block.rows) > block.least]
        # All blocks are at their least: now they give up that as well.
        spare = spare or [place for place, block in enumerate(kept) if block.rows]
        if not spare:
            raise ValueError(f"{len(kept)} titles do not fit into {columns} columns of {most_pt:g} pt.")
        place = max(spare, key=lambda at: (kept[at].rank, len(kept[at].rows), at))
        kept[place] = kept[place].shortened()
    return _lowest(page, kept, size)


@dataclass(slots=True)
class _Page:
    width_pt: float
    most_pt: float
    columns: int
    first_pt: float | None

    def flow(self, blocks: Sequence[Block], size: float, height: float) -> tuple[Piece, ...] | None:
        """Pieces in columns of a height; None when they do not fit."""
        pieces: list[Piece] = []
        column, top = 0, 0.0
        row_gap, head_gap = _ROW_GAP * size, _HEAD_GAP * size
        for block in blocks:
            titled, title = False, block.title
            for text in block.lines():
                tall = self._tall(text, size)
                while True:
                    piece_top = top
                    head = 0.0
                    if not titled:
                        piece_top += head_gap if piece_top else 0.0
                        head = self._tall(_title(title), size, title=True) + 2.0
                    limit = self.first_pt if column == 0 and self.first_pt is not None else height
                    if piece_top + head + tall <= limit + 1e-6:
                        break
                    if column == self.columns - 1 or (top == 0.0 and column > 0):
                        return None
                    column, top = column + 1, 0.0
                    if titled:
                        titled, title = False, f"{block.title}, continued"
                if not titled:
                    pieces.append(Piece(_title(title), True, column, piece_top, head - 2.0))
                    piece_top += head
                    titled = True
                pieces.append(Piece(text, False, column, piece_top, tall))
                top = piece_top + tall + row_gap
        return tuple(pieces)

    def _tall(self, text: str, size: float, *, title: bool = False) -> float:
        return _height(text, size, self.width_pt, title)


def _lowest(page: _Page, blocks: list[Block], size: float) -> Layout:
    """The layout of the lowest columns that hold the blocks."""
    step = _STEP * size * _LEADING
    # In steps; the first column may hold everything where it has a height of its own.
    low, high = -1, max(1, int(page.most_pt / step))
    while high - low > 1:
        middle = (low + high) // 2
        if page.flow(blocks, size, middle * step) is None:
            low = middle
        else:
            high = middle
    pieces = page.flow(blocks, size, high * step) or page.flow(blocks, size, page.most_pt) or ()
    own = [piece for piece in pieces if page.first_pt is None or piece.column > 0]
    used = max((piece.top_pt + piece.height_pt for piece in own), default=0.0)
    return Layout(pieces, size, used, page.width_pt, tuple(blocks))


def _title(text: str) -> str:
    return markup(text)


# The same row is asked for again and again while a page is laid out, and some rows on every page.
@lru_cache(maxsize=4096)
def _height(text: str, size: float, width: float, title: bool) -> float:
    return float(_paragraph(text, size, title=title).wrap(width, _NO_LIMIT_PT)[1])


def _paragraph(text: str, size: float, *, title: bool) -> Paragraph:
    return Paragraph(text, _style(size, title))


@cache
def _style(size: float, title: bool) -> ParagraphStyle:
    register_fonts()
    return ParagraphStyle(
        f"sheet-{size}-{title}",
        fontName=BOLD if title else FONT,
        fontSize=size,
        leading=size * _LEADING,
        leftIndent=0.0 if title else 0.6 * size,
        firstLineIndent=0.0 if title else -0.6 * size,
    )
