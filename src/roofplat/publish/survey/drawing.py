"""The outline of one building to draw on: to scale, its walls lettered, and no guess of its framing.

In: one building's rows in ground feet, a box of a page, the paper.
Out: strokes and words on a canvas; how far its dots stand apart, in words.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import BOLD, FONT, shown, width_pt
from roofplat.publish.sheet.furniture import paint_strip, strip_height_pt
from roofplat.publish.sheet.looks import GUESSED
from roofplat.publish.sheet.paper import Box, Paper
from roofplat.publish.sheet.view import View, find_view

__all__ = ["draw_outline"]

Shapes = npt.NDArray[np.object_]

# Dots stand no nearer than this, a round number of feet apart.
_GRID_PT = 9.0
_STEPS_FT = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_LETTER_PT, _SMALL_PT, _LETTER_OFF = 10.0, 6.5, 9.0
# A wall shorter than this on the page has no letter of its own.
_LETTERED_PT = 22.0
_POINT_PT = 2.0
_ON_OUTLINE_FT = 1.0


def draw_outline(canvas: Any, leaf: Leaf, box: Box, *, paper: Paper) -> str:
    """Draw a building to the largest scale of the paper that fits, with room to draw.

    What is drawn is what stands: the outline, the lines between its sections, what is on record on or over
    its roof (broken where that is a guess), neighbours and streets. The framing is left to who looks.

    Parameters
    ----------
    canvas
        A reportlab canvas.
    leaf
        The building.
    box
        Where; nothing is drawn outside of it.
    paper
        Its scales are those that may be chosen.

    Returns
    -------
    str
        How far the dots stand apart, in words.
    """
    strip = strip_height_pt(paper)
    drawing = Box(box.x, box.y + strip, box.width, box.height - strip)
    # A ladder is no part of a survey, and would cost scale.
    bare = replace(leaf, frames={**leaf.frames, "ladders": leaf.frames["ladders"].iloc[:0]})
    view = find_view(bare, drawing, paper)
    step_ft = next((step for step in _STEPS_FT if step * view.points_per_foot >= _GRID_PT), _STEPS_FT[-1])
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(drawing.x, drawing.y, drawing.width, drawing.height)
    canvas.clipPath(frame, stroke=0, fill=0)
    _draw_around(canvas, view, leaf)
    _draw_grid(canvas, view, step_ft)
    _draw_things(canvas, view, leaf.frames["obstacles"])
    _draw_sections(canvas, view, leaf.frames["roofs"])
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(1.6)
    _draw_paths(canvas, view.shapes(leaf.frames["buildings"]["geometry"].tolist()), fill=False)
    _draw_letters(canvas, view, leaf)
    canvas.restoreState()
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.6)
    canvas.rect(drawing.x, drawing.y, drawing.width, drawing.height, stroke=1, fill=0)
    below = Box(box.x, box.y, box.width, strip)
    paint_strip(canvas, view, below, paper=paper, wind_from_deg=None, wind_basis="")
    return f"Dots every {step_ft:g} ft."


def _draw_around(canvas: Any, view: View, leaf: Leaf) -> None:
    """Neighbours and streets, pale."""
    canvas.setStrokeGray(0.6)
    canvas.setFillGray(0.93)
    canvas.setLineWidth(0.5)
    _draw_paths(canvas, _seen(view, leaf.frames["neighbours"]["geometry"]), fill=True)
    streets = leaf.frames["streets"]
    lines = _seen(view, streets["geometry"])
    canvas.setLineWidth(1.0)
    _draw_paths(canvas, lines, fill=False)
    canvas.setFillGray(0.35)
    canvas.setFont(FONT, _SMALL_PT)
    said: set[str] = set()
    for name, line in zip(streets["name"], lines, strict=True):
        words = shown(name, most=40)
        if not words or words in said or shapely.is_empty(line) or line.length < width_pt(words, FONT, 7.0):
            continue
        said.add(words)
        longest = max(shapely.get_parts(line), key=lambda part: part.length)
        middle = longest.interpolate(0.5, normalized=True)
        canvas.drawCentredString(middle.x, middle.y + 2.0, words)


def _draw_grid(canvas: Any, view: View, step_ft: float) -> None:
    """Dots at round feet from the middle of the building: each row is one line of dashes."""
    box, step = view.box, step_ft * view.points_per_foot
    canvas.setStrokeGray(0.55)
    canvas.setLineWidth(0.7)
    centre_x, centre_y = box.x + box.width / 2, box.y + box.height / 2
    left = centre_x - np.floor((centre_x - box.x) / step) * step
    low = centre_y - np.floor((centre_y - box.y) / step) * step
    canvas.setDash([0.7, step - 0.7], 0)
    for y in np.arange(low, box.y + box.height, step).tolist():
        canvas.line(left - 0.35, y, box.x + box.width, y)
    canvas.setDash([])


def _draw_things(canvas: Any, view: View, obstacles: pd.DataFrame) -> None:
    """What is on record on the roof or over it; a guess is broken."""
    shapes = _seen(view, obstacles["geometry"])
    dots = shapely.get_dimensions(shapes) == 0
    shapes[dots] = shapely.buffer(shapes[dots], _POINT_PT)
    guessed = obstacles["basis"].isin(list(GUESSED)).to_numpy(dtype=bool)
    canvas.setStrokeGray(0.25)
    canvas.setLineWidth(0.6)
    for broken in (False, True):
        canvas.setDash([3.0, 2.0] if broken else [])
        _draw_paths(canvas, shapes[guessed == broken], fill=False)
    canvas.setDash([])
    canvas.setFillGray(0.25)
    canvas.setFont(FONT, _SMALL_PT - 1.0)
    for kind, shape in zip(obstacles["kind"], shapes, strict=True):
        words = shown(str(kind).replace("_", " "), most=20)
        if shapely.area(shape) and shape.bounds[2] - shape.bounds[0] > width_pt(words, FONT, _SMALL_PT - 1.0):
            spot = shape.representative_point()
            canvas.drawCentredString(spot.x, spot.y - 2.0, words)


def _draw_sections(canvas: Any, view: View, roofs: pd.DataFrame) -> None:
    """Lines between the sections, and the number of each."""
    if len(roofs) < 2:
        return
    shapes = view.shapes(roofs["geometry"].tolist())
    canvas.setStrokeGray(0.2)
    canvas.setLineWidth(0.7)
    _draw_paths(canvas, shapes, fill=False)
    for part, shape in zip(roofs["part"], shapes, strict=True):
        spot = shape.representative_point()
        words = f"section {int(part)}"
        wide = width_pt(words, BOLD, 7.0)
        canvas.setFillGray(1.0)
        canvas.rect(spot.x - wide / 2 - 1.5, spot.y - 4.0, wide + 3.0, 9.0, stroke=0, fill=1)
        canvas.setFillGray(0.2)
        canvas.setFont(BOLD, 7.0)
        canvas.drawCentredString(spot.x, spot.y - 2.0, words)


def _draw_letters(canvas: Any, view: View, leaf: Leaf) -> None:
    """The letter of its side outside each outer wall, and its length where there is room for it."""
    rows = leaf.frames["walls"].dropna(subset=["side", "outward_deg", "length_ft"])
    rows = rows.sort_values(["length_ft", "wall"], ascending=[False, True], kind="stable")
    outline = shapely.union_all(leaf.frames["buildings"]["geometry"].to_numpy())
    middles = shapely.line_interpolate_point(rows["geometry"].to_numpy(), 0.5, normalized=True)
    # Between two sections of one roof no side has a letter.
    outer = shapely.distance(middles, shapely.boundary(outline)) < _ON_OUTLINE_FT
    rows = rows[outer]
    longest = ~rows["side"].duplicated().to_numpy()
    shapes = view.shapes(rows["geometry"].tolist())
    for row, first, line in zip(rows.to_dict("records"), longest, shapes, strict=True):
        if not first and line.length < _LETTERED_PT:
            continue
        out = np.radians(view.page_deg(float(row["outward_deg"])))
        middle = line.interpolate(0.5, normalized=True)
        # Along the wall, and never upside down.
        turn = (np.degrees(out) + 90.0) % 180.0
        turn = turn - 180.0 if turn > 90.0 + 1e-6 else turn
        letter, length = str(row["side"]), f"{float(row['length_ft']):,.0f} ft"
        wide = width_pt(letter, BOLD, _LETTER_PT)
        whole = wide + 3.0 + width_pt(length, FONT, _SMALL_PT)
        if whole > line.length:
            length, whole = "", wide
        canvas.saveState()
        canvas.translate(middle.x + _LETTER_OFF * np.cos(out), middle.y + _LETTER_OFF * np.sin(out))
        canvas.rotate(turn)
        canvas.setFillGray(1.0)
        canvas.rect(-whole / 2 - 1.0, -4.5, whole + 2.0, 9.0, stroke=0, fill=1)
        canvas.setFillGray(0.0)
        canvas.setFont(BOLD, _LETTER_PT)
        canvas.drawString(-whole / 2, -3.6, letter)
        canvas.setFont(FONT, _SMALL_PT)
        canvas.drawString(-whole / 2 + wide + 3.0, -3.2, length)
        canvas.restoreState()


def _seen(view: View, geometry: pd.Series) -> Shapes:
    """Shapes on the page, cut at the box; some come out empty."""
    shapes = view.shapes(geometry.tolist())
    box = view.box
    cut: Shapes = np.asarray(
        shapely.clip_by_rect(shapes, box.x, box.y, box.x + box.width, box.y + box.height), dtype=object
    )
    return cut


def _draw_paths(canvas: Any, shapes: Shapes, *, fill: bool) -> None:
    """Draw lines and outlines, holes left open."""
    for shape in shapely.get_parts(np.asarray(shapes, dtype=object)):
        closed = shapely.get_dimensions(shape) == 2
        rings = shapely.get_rings(shape) if closed else [shape]
        path = canvas.beginPath()
        for ring in rings:
            points = shapely.get_coordinates(ring).tolist()
            if len(points) < 2:
                continue
            path.moveTo(*points[0])
            for point in points[1:]:
                path.lineTo(*point)
            if closed:
                path.close()
        canvas.drawPath(path, stroke=1, fill=int(fill and closed), fillMode=0)
