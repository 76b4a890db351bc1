"""The standing plan of one building, drawn to scale in a box of a page.

In: a reportlab canvas, one building's rows, the box, the paper, the rules.
Out: the drawing with its scale bar, north, wind and key; `DrawnPlan`: what it was drawn at, and what it
    leaves to the words of the sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import BOLD, register_fonts
from roofplat.publish.sheet.furniture import key_height_pt, paint_key, paint_strip, strip_height_pt
from roofplat.publish.sheet.labels import BADGE_PT, Placed, Reference, place_labels
from roofplat.publish.sheet.looks import paint_badge
from roofplat.publish.sheet.paper import Box, Paper, Scale
from roofplat.publish.sheet.sketch import Sketch, draw_things, looks_of
from roofplat.publish.sheet.view import find_view
from roofplat.rules import Rulebook

__all__ = ["DrawnPlan", "draw_plan", "paint_label", "paint_leader", "plan_scale"]

# The drawing keeps this share of the box, however long its key.
_LEAST_DRAWING = 0.5


@dataclass(frozen=True, slots=True)
class DrawnPlan:
    """What a plan was drawn at, and what it leaves to words."""

    scale: str
    """The scale in words."""
    feet_per_point: float
    """Ground feet to a point on the page."""
    turn_deg: float
    """True azimuth of the page's upward direction."""
    references: tuple[Reference, ...]
    """Texts that found no room, by the number that stands on the plan in their place (`[1]`, `[2]` ...);
    `marked` is false where not even the number did."""
    notes: tuple[str, ...]
    """Sentences: what was thinned, what lies beyond the drawing, what is drawn without words."""


def draw_plan(canvas: Any, leaf: Leaf, box: Box, *, paper: Paper, rules: Rulebook) -> DrawnPlan:
    """Draw a building's standing plan to the largest scale of the paper that fits.

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
    rules
        The rules in force: clearances to lines overhead.

    Returns
    -------
    DrawnPlan
    """
    register_fonts()
    strip_height = strip_height_pt(paper)
    drawing = _drawing_box(leaf, box, paper)
    key_height = drawing.y - box.y - strip_height
    view = find_view(leaf, drawing, paper)
    canvas.saveState()
    frame = canvas.beginPath()
    frame.rect(drawing.x, drawing.y, drawing.width, drawing.height)
    canvas.clipPath(frame, stroke=0, fill=0)
    sketch = Sketch(canvas, view, leaf, rules, paper.metric)
    draw_things(sketch)
    ranked = [label for _, label in sorted(sketch.labels, key=lambda entry: entry[0])]
    placement = place_labels(ranked, hard=sketch.hard, soft=sketch.soft, box=drawing.inset(1.5))
    for placed in placement.placed:
        if placed.label.subject in sketch.when_placed:
            sketch.when_placed[placed.label.subject](placed)
    for placed in placement.placed:
        paint_leader(canvas, placed)
    for placed in placement.placed:
        paint_label(canvas, placed)
    canvas.restoreState()
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.6)
    canvas.rect(drawing.x, drawing.y, drawing.width, drawing.height, stroke=1, fill=0)
    wind_from_deg, wind_basis = _wind(leaf)
    strip = Box(box.x, box.y + key_height, box.width, strip_height)
    paint_strip(canvas, view, strip, paper=paper, wind_from_deg=wind_from_deg, wind_basis=wind_basis)
    paint_key(canvas, sketch.used, Box(box.x, box.y, box.width, key_height))
    notes = tuple(dict.fromkeys(sketch.notes))
    return DrawnPlan(view.scale.words, view.scale.feet_per_point, view.turn_deg, placement.references, notes)


def plan_scale(leaf: Leaf, box: Box, *, paper: Paper) -> Scale:
    """Return the scale at which a plan would be drawn in a box.

    Parameters
    ----------
    leaf, box, paper
        As for `draw_plan`.
    """
    return find_view(leaf, _drawing_box(leaf, box, paper), paper).scale


def _drawing_box(leaf: Leaf, box: Box, paper: Paper) -> Box:
    """What is left of a box above the strip and the key."""
    strip_height = strip_height_pt(paper)
    key_height = key_height_pt(looks_of(leaf), box.width)
    below = strip_height + min(key_height, (1 - _LEAST_DRAWING) * box.height - strip_height)
    return Box(box.x, box.y + below, box.width, box.height - below)


def _wind(leaf: Leaf) -> tuple[float | None, str]:
    """The scenario's wind, of the section that holds the fire spot."""
    sections = leaf.frames["sections"]
    known = sections[sections["wind_from_deg"].notna().to_numpy()]
    if known.empty:
        return None, ""
    planned = known[known["planned"].fillna(False).to_numpy(dtype=bool)]
    row = (known if planned.empty else planned).iloc[0]
    return float(row["wind_from_deg"]), str(row["wind_basis"])


def paint_leader(canvas: Any, placed: Placed) -> None:
    """Draw the thin line from a text to what it speaks of, with a dot at that end."""
    if placed.leader is None:
        return
    (x0, y0), (x1, y1) = placed.leader
    canvas.setStrokeGray(1.0)
    canvas.setLineWidth(1.6)
    canvas.line(x0, y0, x1, y1)
    canvas.setStrokeGray(0.0)
    canvas.setFillGray(0.0)
    canvas.setLineWidth(0.5)
    canvas.line(x0, y0, x1, y1)
    canvas.circle(x1, y1, 1.1, stroke=0, fill=1)


def paint_label(canvas: Any, placed: Placed) -> None:
    """Draw a text on white, with its badge before it."""
    label = placed.label
    wide, high = label.extent
    canvas.saveState()
    canvas.translate(placed.x, placed.y)
    if placed.turn_deg:
        canvas.rotate(placed.turn_deg)
    canvas.setFillGray(1.0)
    canvas.rect(-wide / 2 + 0.5, -high / 2 + 0.5, wide - 1, high - 1, stroke=0, fill=1)
    left = -wide / 2 + 1.0
    if label.badge is not None:
        shape, text = label.badge
        paint_badge(canvas, shape, text, left + BADGE_PT / 2, 0.0, font=BOLD)
        left += BADGE_PT + 1.5
    canvas.setFillGray(0.0)
    canvas.setFont(label.font, label.size)
    middle = (left + wide / 2 - 1.0) / 2
    for k, line in enumerate(label.lines):
        # The middle of the capitals of a line is a third of the size above its foot.
        y = (len(label.lines) / 2 - 0.5 - k) * label.size * 1.18 - 0.36 * label.size
        if label.badge is None:
            canvas.drawCentredString(middle, y, line)
        else:
            canvas.drawString(left, y, line)
    canvas.restoreState()
