"""What stands beside every plan: scale bar, north arrow, wind, and the key of what was drawn.

In: a view, the scenario's wind, the names of the looks that were drawn.
Out: strokes and words on a canvas, in a strip below the drawing.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np

from roofplat.publish.sheet.fonts import BOLD, FONT, width_pt
from roofplat.publish.sheet.labels import LEAST_SIZE
from roofplat.publish.sheet.looks import GUESSED, LOOKS, paint_area, paint_line, paint_mark
from roofplat.publish.sheet.paper import Box, Paper
from roofplat.publish.sheet.view import View

__all__ = ["key_height_pt", "paint_key", "paint_strip", "strip_height_pt"]

_STRIP_PT, _NEXT_BAR_PT = 42.0, 17.0
# Scale and bars, then the arrow to the north, then the wind, each in a width of its own.
_NORTH_PT, _WIND_PT = 196.0, 178.0

_ROW_PT = 11.5
_SAMPLE_PT = 20.0
_FOOT_M = 0.3048
_BAR_PT = 118.0
_STEPS = (1, 2, 5)
_WINDS = "N NNE NE ENE E ESE SE SSE S SSW SW WSW W WNW NW NNW"
# What the key says of lines of every kind, beside the kinds.
_BROKEN = "broken line: inferred or assumed"


def strip_height_pt(paper: Paper) -> float:
    """Return how high the strip with scale, north and wind is; metres have a bar of their own.

    Examples
    --------
    >>> from roofplat.publish.sheet.paper import PAPERS
    >>> strip_height_pt(PAPERS["A4"]) > strip_height_pt(PAPERS["letter"])
    True
    """
    return _STRIP_PT + (_NEXT_BAR_PT if paper.metric else 0.0)


def paint_strip(
    canvas: Any, view: View, box: Box, *, paper: Paper, wind_from_deg: float | None, wind_basis: str
) -> None:
    """Draw the scale bar with the scale in words, the north arrow and the wind.

    Parameters
    ----------
    canvas
        A reportlab canvas.
    view
        The drawing's scale and turn.
    box
        The strip, `strip_height_pt` high.
    paper
        Says whether lengths are in metres too.
    wind_from_deg, wind_basis
        The scenario's wind, true, and how it is known; None where there is none.
    """
    canvas.setDash([])
    canvas.setFillGray(0.0)
    canvas.setStrokeGray(0.0)
    top = box.y + box.height
    canvas.setFont(BOLD, 10)
    words = f"Scale {view.scale.words}"
    canvas.drawString(box.x, top - 11, words)
    canvas.setFont(FONT, LEAST_SIZE)
    canvas.drawString(box.x, top - 20.5, f"on {paper.name}; on a copy the bar holds")
    feet = view.scale.feet_per_point
    if paper.metric:
        _bar(canvas, box.x, top - 24.0, feet * _FOOT_M, "m", _BAR_PT)
    _bar(canvas, box.x, top - 24.0 - (_NEXT_BAR_PT if paper.metric else 0.0), feet, "ft", _BAR_PT)
    middle = box.y + box.height / 2
    _north(canvas, view, box.x + box.width - _NORTH_PT, middle)
    if wind_from_deg is not None and wind_from_deg == wind_from_deg:
        right = Box(box.x + box.width - _WIND_PT, box.y, _WIND_PT, box.height)
        _wind(canvas, view, right, wind_from_deg, wind_basis)


def _bar(canvas: Any, x: float, y: float, units_per_point: float, unit: str, most_pt: float) -> None:
    """Draw a bar of four equal parts that is a round number of units long."""
    most = most_pt * units_per_point
    size = 10.0 ** np.floor(np.log10(most / 4))
    part = max(step * size for step in _STEPS if 4 * step * size <= most)
    canvas.setLineWidth(0.6)
    length = part / units_per_point
    for k in range(4):
        canvas.setFillGray(0.0 if k % 2 == 0 else 1.0)
        canvas.rect(x + k * length, y - 5, length, 4, stroke=1, fill=1)
    canvas.setFillGray(0.0)
    canvas.setFont(FONT, LEAST_SIZE)
    end = -np.inf
    for k in (0, 4, 2, 1):
        figure = f"{k * part:g}"
        wide = width_pt(figure, FONT, LEAST_SIZE)
        at = x + k * length - (0 if k == 0 else wide / 2)
        if k in (2, 1) and (at < x + 8 or at + wide > end - 4):
            continue
        end = at
        canvas.drawString(at, y - 14, f"{figure} {unit}" if k == 4 else figure)


def _arrow(canvas: Any, x: float, y: float, page_deg: float, length: float, head: float) -> None:
    """Draw an arrow about its middle."""
    angle = np.radians(page_deg)
    ahead, aside = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.array([x, y])
    tip, tail = middle + length / 2 * ahead, middle - length / 2 * ahead
    canvas.line(*tail, *(tip - head * ahead))
    path = canvas.beginPath()
    path.moveTo(*tip)
    path.lineTo(*(tip - head * ahead + 0.42 * head * aside))
    path.lineTo(*(tip - head * ahead - 0.42 * head * aside))
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)


def _north(canvas: Any, view: View, x: float, y: float) -> None:
    """Draw the arrow to true north with its letter at the tip."""
    canvas.setLineWidth(1.4)
    canvas.setFillGray(0.0)
    page_deg = view.page_deg(0.0)
    angle = np.radians(page_deg)
    ahead = np.array([np.cos(angle), np.sin(angle)])
    _arrow(canvas, x - 5 * ahead[0], y - 5 * ahead[1], page_deg, 24, 9)
    canvas.setFont(BOLD, 9)
    canvas.drawCentredString(x + 14 * ahead[0], y + 14 * ahead[1] - 3.2, "N")


def _wind(canvas: Any, view: View, box: Box, from_deg: float, basis: str) -> None:
    """Draw the wind as an arrow that blows over the plan, and say where it comes from."""
    canvas.setLineWidth(1.2)
    x, y = box.x + 16, box.y + box.height / 2
    if basis in GUESSED:
        canvas.setDash([3.0, 2.0])
    _arrow(canvas, x, y, view.page_deg(from_deg + 180.0), 28, 9)
    canvas.setDash([])
    compass = _WINDS.split()[round(from_deg / 22.5) % 16]
    canvas.setFont(BOLD, 8.5)
    canvas.drawString(box.x + 36, y + 2, f"Wind from {compass}, {from_deg:.0f}° true")
    canvas.setFont(FONT, LEAST_SIZE)
    canvas.drawString(box.x + 36, y - 8, {"given": "as given for this plan"}.get(basis, f"{basis} wind"))


def _rows(names: Collection[str], width: float) -> list[list[tuple[str, float]]]:
    """Entries of the key in rows that are no wider than the box, each with where it begins."""
    rows: list[list[tuple[str, float]]] = [[]]
    x = 0.0
    for name in [*(name for name in LOOKS if name in names), _BROKEN]:
        words = _words(name)
        wide = _SAMPLE_PT + 4 + width_pt(words, FONT, LEAST_SIZE) + 12
        if rows[-1] and x + wide - 12 > width:
            rows.append([])
            x = 0.0
        rows[-1].append((name, x))
        x += wide
    return rows


def _words(name: str) -> str:
    return LOOKS[name].words if name in LOOKS else name


def key_height_pt(names: Collection[str], width: float) -> float:
    """Return how high the key of some looks is, in a box of a width, in points."""
    return _ROW_PT * len(_rows(names, width)) + 2


def paint_key(canvas: Any, names: Collection[str], box: Box) -> None:
    """Draw the key: a sample of each look, by the functions that drew the plan, and its words.

    Parameters
    ----------
    canvas
        A reportlab canvas.
    names
        Looks that were drawn.
    box
        Where; see `key_height_pt`.
    """
    for row, entries in enumerate(_rows(names, box.width)):
        y = box.y + box.height - _ROW_PT * (row + 0.5) - 1
        for name, offset in entries:
            x = box.x + offset
            _sample(canvas, name, x, y)
            canvas.setFillGray(0.0)
            canvas.setFont(FONT, LEAST_SIZE)
            canvas.drawString(x + _SAMPLE_PT + 4, y - 2.7, _words(name))


def _sample(canvas: Any, name: str, x: float, y: float) -> None:
    right = x + _SAMPLE_PT
    if name == _BROKEN:
        canvas.setStrokeGray(0.0)
        canvas.setLineWidth(1.1)
        canvas.setDash([4.6, 2.5])
        canvas.line(x, y, right, y)
        canvas.setDash([])
        return
    look = LOOKS[name]
    if look.shape == "line":
        paint_line(canvas, look, [np.array([[x, y], [right, y]])], guessed=False)
    elif look.shape == "area":
        ring = np.array([[x + 1, y - 4], [right - 1, y - 4], [right - 1, y + 4], [x + 1, y + 4]])
        paint_area(canvas, look, [ring], guessed=False)
    else:
        canvas.saveState()
        canvas.translate(x + _SAMPLE_PT / 2, y)
        if name == "fires/fire":
            canvas.scale(0.7, 0.7)
        paint_mark(canvas, name, 0.0, 0.0)
        canvas.restoreState()
