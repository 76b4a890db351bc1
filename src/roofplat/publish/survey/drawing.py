"""The outline of one building to draw on: to scale, its walls lettered, and no guess of its framing.

In: one building's rows in ground feet, a box of a page, the paper.
Out: strokes and words on a canvas; how far its dots stand apart, in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import FONT, shown, width_pt
from roofplat.publish.sheet.furniture import paint_strip, strip_height_pt
from roofplat.publish.sheet.labels import LEAST_SIZE, Label, Spot, place_labels
from roofplat.publish.sheet.looks import GUESSED
from roofplat.publish.sheet.paper import Box, Paper
from roofplat.publish.sheet.plan import paint_label, paint_leader
from roofplat.publish.sheet.sketch import beside
from roofplat.publish.sheet.view import View, find_view

__all__ = ["draw_outline"]

Shapes = npt.NDArray[np.object_]

# Dots stand no nearer than this, a round number of feet apart.
_GRID_PT = 9.0
_STEPS_FT = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_LETTER_PT, _OUTLINE_PT = 11.0, 1.6
# A wall shorter than this on the page has no letter of its own.
_LETTERED_PT = 22.0
_POINT_PT = 2.0
# A wall is a straight run, and may cut the corners of its outline by this much.
_ON_OUTLINE_FT = 2.0
_SAME_PLACE_FT = 0.01


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
        How far the dots stand apart, and what has a number on the drawing because its words found no room.
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
    things = _draw_things(canvas, view, leaf.frames["obstacles"])
    _draw_sections(canvas, view, leaf.frames["roofs"])
    outline = view.shapes(leaf.frames["buildings"]["geometry"].tolist())
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(_OUTLINE_PT)
    _draw_paths(canvas, outline, fill=False)
    walls = [shape.boundary.buffer(_OUTLINE_PT) for shape in outline]
    unsaid = _draw_words(canvas, view, leaf, walls, things)
    canvas.restoreState()
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.6)
    canvas.rect(drawing.x, drawing.y, drawing.width, drawing.height, stroke=1, fill=0)
    below = Box(box.x, box.y, box.width, strip)
    paint_strip(canvas, view, below, paper=paper, wind_from_deg=None, wind_basis="")
    return " ".join([f"Dots every {step_ft:g} ft.", *unsaid])


def _draw_around(canvas: Any, view: View, leaf: Leaf) -> None:
    """Neighbours and streets, pale."""
    canvas.setStrokeGray(0.6)
    canvas.setFillGray(0.93)
    canvas.setLineWidth(0.5)
    _draw_paths(canvas, _seen(view, leaf.frames["neighbours"]["geometry"]), fill=True)
    canvas.setLineWidth(1.0)
    _draw_paths(canvas, _seen(view, leaf.frames["streets"]["geometry"]), fill=False)


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


def _draw_things(canvas: Any, view: View, obstacles: pd.DataFrame) -> Shapes:
    """What is on record on the roof or over it, a guess broken; return the shapes."""
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
    return shapes


def _draw_sections(canvas: Any, view: View, roofs: pd.DataFrame) -> None:
    """Lines between the sections."""
    if len(roofs) < 2:
        return
    canvas.setStrokeGray(0.2)
    canvas.setLineWidth(0.7)
    _draw_paths(canvas, view.shapes(roofs["geometry"].tolist()), fill=False)


def _draw_words(canvas: Any, view: View, leaf: Leaf, walls: Sequence[Any], things: Shapes) -> list[str]:
    """Write the letters of the sides and the numbers of sections, then the rest where there is room.

    Returns what found no room and has a number on the drawing instead.
    """
    box = view.box.inset(1.5)
    sides, lengths = _wall_labels(view, leaf)
    needed = place_labels(
        [*sides, *_section_labels(view, leaf.frames["roofs"])], hard=walls, soft=list(things), box=box
    )
    kinds = _kind_labels(leaf.frames["obstacles"], things)
    others = [*lengths, *kinds, *_street_labels(view, leaf.frames["streets"])]
    taken = [*walls, *(placed.outline for placed in needed.placed)]
    found = place_labels(others, hard=taken, soft=[], box=box).placed
    # What is only good to know is left out where there is no room for it.
    wished = [placed for placed in found if any(placed.label is label for label in others)]
    for placed in needed.placed:
        paint_leader(canvas, placed)
    for placed in (*wished, *needed.placed):
        paint_label(canvas, placed)
    return [f"[{text.number}] {text.text}." for text in needed.references]


def _wall_labels(view: View, leaf: Leaf) -> tuple[list[Label], list[Label]]:
    """The letter of each side at its longest wall, and letters and lengths of all walls.

    Between two sections of one roof no side has a letter: of a wall, only what is on the outline counts.
    """
    rows = leaf.frames["walls"].dropna(subset=["side", "outward_deg"])
    outline = shapely.union_all(leaf.frames["buildings"]["geometry"].to_numpy())
    edge = shapely.buffer(shapely.boundary(outline), _ON_OUTLINE_FT)
    walls = rows["geometry"].to_numpy(dtype=object)
    parts, owner = shapely.get_parts(shapely.intersection(walls, edge), return_index=True)
    whole, line = shapely.length(walls)[owner], walls[owner]
    along = [shapely.line_locate_point(line, shapely.get_point(parts, end)) for end in (0, -1)]
    ends = np.sort(along, axis=0)
    # Where the outline turns off, the strip about it reaches on along the wall.
    start = ends[0] + np.where(ends[0] > _SAME_PLACE_FT, _ON_OUTLINE_FT, 0.0)
    end = ends[1] - np.where(ends[1] < whole - _SAME_PLACE_FT, _ON_OUTLINE_FT, 0.0)
    feet = end - start
    kept = feet > np.minimum(whole / 2, _ON_OUTLINE_FT)
    owner, feet = owner[kept], feet[kept]
    first, last = (shapely.line_interpolate_point(line[kept], at[kept]) for at in (start, end))
    pieces = np.stack([shapely.get_coordinates(first), shapely.get_coordinates(last)], axis=1)
    sides = rows["side"].astype(str).to_numpy()[owner]
    outward = np.radians([view.page_deg(turn) for turn in rows["outward_deg"].to_numpy(dtype=float)[owner]])
    lines = view.shapes(list(map(shapely.LineString, pieces)))
    letters: dict[str, Label] = {}
    others: list[Label] = []
    for place in np.lexsort((owner, -np.round(feet, 3))).tolist():
        side, line = str(sides[place]), lines[place]
        if line.length == 0.0:
            continue
        out = np.array([np.cos(outward[place]), np.sin(outward[place])])
        middle = line.interpolate(0.5, normalized=True)
        anchor = (middle.x, middle.y)
        big: dict[str, Any] = {"size": _LETTER_PT, "bold": True}
        spots = beside(line, (side,), offsets=(9.0, 14.0, 20.0), out=out, level=True, **big)
        label = Label((side,), anchor, spots, f"side {side}", roams=side not in letters, **big)
        if side not in letters:
            letters[side] = label
        elif line.length > _LETTERED_PT:
            others.append(label)
        words = f"{feet[place]:,.0f} ft"
        if line.length > width_pt(words, FONT, LEAST_SIZE) + 2.0:
            spots = beside(line, (words,), offsets=(7.6, 12.0, 17.0), out=out)
            others.append(Label((words,), anchor, spots, roams=False))
    return [letters[side] for side in sorted(letters)], others


def _section_labels(view: View, roofs: pd.DataFrame) -> list[Label]:
    """The number of each section of a roof in several."""
    if len(roofs) < 2:
        return []
    labels = []
    for part, shape in zip(roofs["part"], view.shapes(roofs["geometry"].tolist()), strict=True):
        spot = shape.representative_point()
        places = tuple(Spot(spot.x, spot.y + off) for off in (0.0, 10.0, -10.0, 20.0, -20.0))
        labels.append(Label((f"section {int(part)}",), (spot.x, spot.y), places, bold=True))
    return labels


def _kind_labels(obstacles: pd.DataFrame, shapes: Shapes) -> list[Label]:
    """What stands on the roof, in it where there is room."""
    labels = []
    for kind, shape in zip(obstacles["kind"], shapes, strict=True):
        label = Label((shown(str(kind).replace("_", " "), most=20),), (0.0, 0.0), (), roams=False)
        west, south, east, north = shapely.bounds(shape).tolist()
        wide, high = label.extent
        if shapely.area(shape) and east - west > wide and north - south > high:
            spot = shape.representative_point()
            labels.append(replace(label, spots=(Spot(spot.x, spot.y),)))
    return labels


def _street_labels(view: View, streets: pd.DataFrame) -> list[Label]:
    """The name of each street on the longest piece that is seen."""
    longest: dict[str, Any] = {}
    for name, line in zip(streets["name"], _seen(view, streets["geometry"]), strict=True):
        words = shown(name, most=40)
        for part in shapely.get_parts(line) if words else ():
            if part.length > max(_LETTERED_PT, longest[words].length if words in longest else 0.0):
                longest[words] = part
    return [
        Label((words,), (0.0, 0.0), beside(line, (words,), offsets=(0.0, 7.0, -7.0)), roams=False)
        for words, line in longest.items()
    ]


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
