"""How each thing on a sheet is drawn: weights, patterns and greys that survive a photocopier.

In: shapes in points, and the name of their look.
Out: strokes and fills on a reportlab canvas. The samples in the key are drawn by the same functions, so
    the two cannot differ.

A broken line says inferred or assumed, and nothing else; kinds are told apart by weight, by a white
core, and by ticks, beads or crosses along the line. No colour means anything, because there is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

__all__ = [
    "GUESSED",
    "LOOKS",
    "Look",
    "paint_along",
    "paint_area",
    "paint_badge",
    "paint_ladder",
    "paint_line",
    "paint_mark",
]

GUESSED = frozenset({"inferred", "assumed", "doubtful", "prevailing"})
"""Values of a basis whose lines are broken."""

_HATCH_PT = 4.0
_Points = npt.NDArray[np.float64]
Along = Literal["", "ticks", "beads", "crosses", "arrows"]
Inside = Literal["", "cross", "bar", "bars", "slash", "chevron", "dot", "panes", "grid"]
Hatch = Literal["", "slanted", "crossed", "level"]


@dataclass(frozen=True, slots=True)
class Look:
    """How one kind of thing is drawn.

    Parameters
    ----------
    words
        What it is, as the key says it.
    shape
        Line, area or mark (a symbol of one size).
    width, grey
        Stroke: points, and 0 for black to 1 for white.
    core
        Width of a white line inside the stroke.
    centre
        Width of a black line inside the stroke.
    along, every, reach
        What stands along the line, how often and how far to each side, in points.
    fill
        Grey of an area; None leaves what is below.
    inside, hatch
        Strokes inside an area.
    halo
        White on each side of a line, so that it reads above others.
    """

    words: str
    shape: Literal["line", "area", "mark"] = "line"
    width: float = 0.8
    grey: float = 0.0
    core: float = 0.0
    centre: float = 0.0
    along: Along = ""
    every: float = 8.0
    reach: float = 2.0
    fill: float | None = None
    inside: Inside = ""
    hatch: Hatch = ""
    halo: float = 0.0


_OPENED = 0.86
LOOKS: Mapping[str, Look] = {
    "walls/bearing": Look("bearing wall", width=2.8),
    "walls/nonbearing": Look("nonbearing wall", width=1.1),
    "walls/party": Look("party wall", width=3.4, core=1.6),
    "walls/unknown": Look("wall, kind unknown", width=2.8, grey=0.62, centre=0.5),
    "sections/border": Look("border of a roof section", width=1.4, along="beads", every=9.0, reach=1.5),
    "members/beam": Look("beam", width=1.5),
    "members/girder": Look("girder", width=2.2, core=0.8),
    "members/timber": Look("timber", width=2.2, grey=0.35),
    "members/frame": Look("frame", width=1.2, along="ticks", every=16.0, reach=2.6),
    "members/truss": Look("truss, wide apart", width=2.2, core=1.2, along="ticks", every=7.0, reach=1.1),
    "members/purlin": Look("purlin", width=0.6),
    "members/tee": Look("stem of a concrete tee", width=0.6, along="ticks", every=12.0, reach=1.6),
    "members/joist": Look("joist", width=0.35),
    "members/rafter": Look("rafter", width=0.35),
    "members/close_truss": Look("truss, close together", width=0.35),
    "members/glazing": Look(
        "glazing (fall hazard)", width=2.8, core=2.0, along="ticks", every=5.0, reach=1.4
    ),
    "members/valley": Look("valley", width=0.9, along="ticks", every=7.0, reach=2.6),
    "members/hip": Look("hip", width=0.9, along="beads", every=9.0, reach=1.3),
    "members/ridge": Look("ridge", width=1.8),
    "planes/plane": Look("down the slope", "mark", width=0.8),
    "obstacles/unit": Look("rooftop unit", "area", width=0.8, fill=0.72),
    "obstacles/skylight": Look("skylight (fall hazard)", "area", width=0.8, fill=1.0, inside="cross"),
    "obstacles/smoke_vent": Look("smoke vent (fall hazard)", "area", width=0.8, fill=1.0, inside="bar"),
    "obstacles/hatch": Look("roof hatch", "area", width=0.8, fill=1.0, inside="slash"),
    "obstacles/solar": Look("solar array", "area", width=0.8, fill=0.9, inside="grid"),
    "obstacles/suspended_load": Look("load hung from the roof", "area", width=0.8, fill=0.0, inside="dot"),
    "obstacles/other": Look("other obstacle", "area", width=0.8, fill=0.93),
    "obstacles/parapet": Look(
        "parapet, with its height", width=3.4, core=2.2, along="ticks", every=5.0, reach=1.6
    ),
    "obstacles/overhead_line": Look(
        "overhead line", width=1.0, along="crosses", every=22.0, reach=2.6, halo=0.8
    ),
    "clearance/edge": Look("clearance from a line", width=0.4, along="ticks", every=4.0, reach=0.9),
    "trenches/with_construction": Look("trench, with construction", "area", width=1.0, hatch="slanted"),
    "trenches/against_construction": Look("trench, against construction", "area", width=1.0, hatch="crossed"),
    "openings/existing_opening": Look(
        "there already: open first", "area", width=1.8, fill=1.0, inside="cross"
    ),
    "openings/glazing": Look("glazing: open first", "area", width=1.8, fill=1.0, inside="panes"),
    "openings/fold_back": Look("opening, fold-back", "area", width=1.5, fill=_OPENED),
    "openings/center_rafter_louver": Look(
        "opening, center-rafter louver", "area", width=1.5, fill=_OPENED, inside="bar"
    ),
    "openings/joist_louver": Look(
        "opening, louver between joists", "area", width=1.5, fill=_OPENED, inside="bars"
    ),
    "openings/between_joists": Look(
        "opening between joists", "area", width=1.5, fill=_OPENED, inside="slash"
    ),
    "openings/near_ridge": Look("opening near the ridge", "area", width=1.5, fill=_OPENED, inside="chevron"),
    "openings/small_opening": Look("small opening", "area", width=1.5, fill=_OPENED, inside="dot"),
    "cuts/1": Look("cut, saw 1", width=1.0),
    "cuts/2": Look("cut, saw 2", width=1.0, along="beads", every=6.0, reach=1.0),
    "paths/path": Look("path of travel", width=1.3, along="arrows", every=42.0, reach=3.1, halo=1.2),
    "checks/inspection_cut": Look("inspection cut", width=2.0, halo=1.0),
    "checks/indicator_hole": Look("indicator hole", "mark", width=0.9),
    "fires/fire": Look("fire spot of the scenario", "mark", width=1.2),
    "ladders/ground_ladder": Look("ladder spot, with its rank", "mark", width=0.9),
    "ladders/aerial": Look("aerial, with the rank of its spot", width=3.2, core=1.2),
    "ladders/out_of_reach": Look(
        "spot out of reach, with its rank", width=0.8, along="crosses", every=8.0, reach=2.2
    ),
    "collapse_zones/by_height": Look(
        "collapse zone, by height", width=0.7, along="ticks", every=6.0, reach=2.0
    ),
    "collapse_zones/pushes_out": Look(
        "collapse zone, roof pushes walls out", width=1.6, along="ticks", every=6.0, reach=3.0
    ),
    "ground/area": Look("ground no ladder stands on", "area", width=0.5, grey=0.45, hatch="level"),
    "ground/line": Look("line no ladder stands on", width=0.6, grey=0.3, along="beads", every=6.0, reach=1.2),
    "streets/street": Look("street", width=4.0, grey=0.88),
    "neighbours/outline": Look("neighbouring building", "area", width=0.4, grey=0.5, fill=0.965),
}
"""Every look by layer and kind, from the walls in to the neighbours out, the order of the key."""


def paint_line(canvas: Any, look: Look, runs: Sequence[_Points], *, guessed: bool) -> None:
    """Draw lines of one look.

    Parameters
    ----------
    canvas
        A reportlab canvas.
    look
        How.
    runs
        Points of each line, shape (m, 2) each, in points on the page.
    guessed
        Draw them broken.
    """
    path = _path(canvas, runs, closed=False)
    canvas.setLineCap(0)
    if look.halo:
        _stroke(canvas, path, look.width + 2 * look.halo, 1.0)
    if guessed:
        # A hairline below keeps a broken heavy line one line.
        if look.width > 2.0 and not look.core:
            _stroke(canvas, path, 0.35, look.grey)
        dash = 2.2 + 2.2 * min(look.width, 2.5)
        canvas.setDash([dash, 0.55 * dash])
    _stroke(canvas, path, look.width, look.grey)
    if look.core:
        canvas.setDash([])
        _stroke(canvas, path, look.core, 1.0)
        if guessed:
            dash = 2.2 + 2.2 * min(look.width, 2.5)
            canvas.setDash([dash, 0.55 * dash])
    if look.centre:
        _stroke(canvas, path, look.centre, 0.0)
    canvas.setDash([])
    if look.along:
        paint_along(canvas, look, runs)


def paint_area(canvas: Any, look: Look, rings: Sequence[_Points], *, guessed: bool) -> None:
    """Draw an area of one look; `rings` are its outlines, shape (m, 2) each, the outer one first."""
    path = _path(canvas, rings, closed=True)
    canvas.setLineJoin(0)
    if look.fill is not None:
        canvas.setFillGray(look.fill)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=0)
    if look.inside or look.hatch:
        canvas.saveState()
        canvas.clipPath(path, stroke=0, fill=0, fillMode=0)
        canvas.setLineWidth(0.5)
        canvas.setStrokeGray(1.0 if look.fill == 0.0 else look.grey)
        if look.hatch:
            canvas.lines(_hatch(look.hatch, np.vstack(rings)))
        if look.inside:
            _paint_inside(canvas, look, rings[0])
        canvas.restoreState()
    if guessed:
        canvas.setDash([3.5, 2.0])
    _stroke(canvas, path, look.width, look.grey)
    canvas.setDash([])


def paint_mark(
    canvas: Any, name: str, x: float, y: float, *, turn_deg: float = 0.0, guessed: bool = False
) -> None:
    """Draw a symbol of one size: an indicator hole, a fire spot, an arrow down a slope.

    Parameters
    ----------
    canvas
        A reportlab canvas.
    name
        Its look.
    x, y
        Its middle, in points.
    turn_deg
        Direction of an arrow on the page, counter-clockwise from rightward.
    guessed
        Draw it broken.
    """
    look = LOOKS[name]
    canvas.setStrokeGray(look.grey)
    canvas.setLineWidth(look.width)
    if name == "checks/indicator_hole":
        canvas.setFillGray(1.0)
        ring = np.array([(x, y - 3.2), (x + 3.2, y), (x, y + 3.2), (x - 3.2, y)])
        canvas.drawPath(_path(canvas, [ring], closed=True), stroke=1, fill=1)
    elif name == "fires/fire":
        canvas.setFillGray(1.0)
        canvas.circle(x, y, 7.5, stroke=0, fill=1)
        if guessed:
            canvas.setDash([3.0, 1.8])
        canvas.circle(x, y, 6.5, stroke=1, fill=0)
        canvas.setDash([])
        canvas.setFillGray(0.0)
        canvas.circle(x, y, 2.4, stroke=0, fill=1)
    elif name == "planes/plane":
        angle = np.radians(turn_deg)
        ahead, aside = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
        tip, tail = np.array([x, y]) + 9 * ahead, np.array([x, y]) - 9 * ahead
        if guessed:
            canvas.setDash([2.4, 1.6])
        canvas.line(*tail, *(tip - 3 * ahead))
        canvas.setDash([])
        head = np.array([tip, tip - 5 * ahead + 2.2 * aside, tip - 5 * ahead - 2.2 * aside])
        canvas.setFillGray(1.0)
        canvas.drawPath(_path(canvas, [head], closed=True), stroke=1, fill=1)
    elif name == "ladders/ground_ladder":
        paint_ladder(canvas, np.array([[x - 9, y], [x + 9, y]]))


def paint_ladder(canvas: Any, run: _Points) -> None:
    """Draw a ladder from base to tip as two rails and rungs; `run` has the two ends, shape (2, 2)."""
    base, tip = run
    length = float(np.hypot(*(tip - base)))
    if length == 0.0:
        return
    ahead = (tip - base) / length
    aside = 2.2 * np.array([-ahead[1], ahead[0]])
    canvas.setDash([])
    canvas.setLineCap(0)
    canvas.setStrokeGray(1.0)
    canvas.setLineWidth(6.4)
    canvas.line(*base, *tip)
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.9)
    at = base + np.arange(1.5, length, 3.0)[:, None] * ahead
    rungs = np.hstack([at + aside, at - aside])
    rails = np.array([[*(base + side), *(tip + side)] for side in (aside, -aside)])
    canvas.lines(np.vstack([rails, rungs]).tolist())


def paint_badge(canvas: Any, shape: str, text: str, x: float, y: float, *, font: str) -> None:
    """Draw a number in a disc (white) or in a square (black) about a middle."""
    canvas.setDash([])
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.9)
    if shape == "disc":
        canvas.setFillGray(1.0)
        canvas.circle(x, y, 5.4, stroke=1, fill=1)
        canvas.setFillGray(0.0)
    else:
        canvas.setFillGray(0.0)
        canvas.rect(x - 5.2, y - 5.2, 10.4, 10.4, stroke=1, fill=1)
        canvas.setFillGray(1.0)
    size = 8.0 if len(text) < 2 else 7.5
    canvas.setFont(font, size)
    canvas.drawCentredString(x, y - 0.36 * size, text)
    canvas.setFillGray(0.0)


def _path(canvas: Any, runs: Sequence[_Points], *, closed: bool) -> Any:
    path = canvas.beginPath()
    for run in runs:
        points = run.tolist()
        path.moveTo(*points[0])
        for point in points[1:-1] if closed and points[0] == points[-1] else points[1:]:
            path.lineTo(*point)
        if closed:
            path.close()
    return path


def _stroke(canvas: Any, path: Any, width: float, grey: float) -> None:
    canvas.setLineWidth(width)
    canvas.setStrokeGray(grey)
    canvas.drawPath(path, stroke=1, fill=0)


def _stations(run: _Points, every: float) -> tuple[_Points, _Points]:
    """Points along a line at even steps, at least one, and the direction of the line at each."""
    steps = np.diff(run, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(1, round(float(ends[-1]) / every))
    at = (np.arange(count) + 0.5) * ends[-1] / count
    piece = np.clip(np.searchsorted(ends, at, side="right") - 1, 0, len(lengths) - 1)
    ahead = steps[piece] / np.where(lengths[piece] > 0, lengths[piece], 1.0)[:, None]
    return run[piece] + ahead * (at - ends[piece])[:, None], ahead


def paint_along(canvas: Any, look: Look, runs: Sequence[_Points]) -> None:
    """Draw what stands along lines; `runs` as in `paint_line`."""
    found = [_stations(run, look.every) for run in runs]
    at = np.vstack([points for points, _ in found])
    ahead = np.vstack([directions for _, directions in found])
    aside = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    canvas.setStrokeGray(look.grey)
    canvas.setFillGray(look.grey)
    canvas.setLineWidth(0.7 if look.width < 2.0 else 0.9)
    if look.along == "ticks":
        canvas.lines(np.hstack([at - look.reach * aside, at + look.reach * aside]).tolist())
    elif look.along == "crosses":
        one, other = (ahead + aside) * look.reach * 0.7, (ahead - aside) * look.reach * 0.7
        canvas.lines(
            np.vstack([np.hstack([at - one, at + one]), np.hstack([at - other, at + other])]).tolist()
        )
    elif look.along == "beads":
        # A dash of no length with a round end is a dot.
        canvas.setLineCap(1)
        canvas.setLineWidth(2 * look.reach)
        canvas.lines(np.hstack([at, at + 0.01 * ahead]).tolist())
        canvas.setLineCap(0)
    elif look.along == "arrows":
        tips = at + 1.4 * look.reach * ahead
        left, right = (
            at - look.reach * ahead + look.reach * aside,
            at - look.reach * ahead - look.reach * aside,
        )
        path = _path(canvas, list(np.stack([tips, left, right], axis=1)), closed=True)
        canvas.setLineJoin(0)
        _stroke(canvas, path, 1.6, 1.0)
        canvas.drawPath(path, stroke=0, fill=1)
    canvas.setFillGray(0.0)


def _hatch(kind: Hatch, points: _Points) -> list[list[float]]:
    """Lines over the bounds of some points."""
    (west, south), (east, north) = points.min(axis=0), points.max(axis=0)
    if kind == "level":
        y = np.arange(south + _HATCH_PT / 2, north, _HATCH_PT)
        return [[west, at, east, at] for at in y.tolist()]
    tall = north - south
    x = np.arange(west - tall + _HATCH_PT / 2, east, _HATCH_PT)
    lines = [[at, south, at + tall, north] for at in x.tolist()]
    if kind == "crossed":
        lines += [[at, north, at + tall, south] for at in x.tolist()]
    return lines


def _paint_inside(canvas: Any, look: Look, ring: _Points) -> None:
    """Draw the strokes inside an area, along its own longer side."""
    corner, ahead, aside = _frame(ring)

    def at(along: float, across: float) -> tuple[float, float]:
        x, y = corner + along * ahead + across * aside
        return float(x), float(y)

    if look.inside == "dot":
        x, y = at(0.5, 0.5)
        radius = 0.25 * min(np.hypot(*ahead), np.hypot(*aside))
        canvas.setFillGray(1.0 if look.fill == 0.0 else 0.0)
        canvas.circle(x, y, max(radius, 0.8), stroke=0, fill=1)
        return
    strokes: Mapping[str, list[tuple[float, float, float, float]]] = {
        "cross": [(0, 0, 1, 1), (0, 1, 1, 0)],
        "bar": [(0, 0.5, 1, 0.5)],
        "bars": [(0, 1 / 3, 1, 1 / 3), (0, 2 / 3, 1, 2 / 3)],
        "slash": [(0, 0, 1, 1)],
        "chevron": [(0, 0, 0.5, 1), (0.5, 1, 1, 0)],
        "panes": [(k / 4, 0, k / 4, 1) for k in (1, 2, 3)],
        "grid": [(0, 0.5, 1, 0.5), *((k / 6, 0, k / 6, 1) for k in range(1, 6))],
    }
    canvas.lines([[*at(a, b), *at(c, d)] for a, b, c, d in strokes[look.inside]])


def _frame(ring: _Points) -> tuple[_Points, _Points, _Points]:
    """A corner of the box around a ring that lies along its longest edge, and the two sides of it."""
    edges = np.diff(np.vstack([ring, ring[:1]]), axis=0)
    longest = edges[np.argmax(np.round(np.hypot(edges[:, 0], edges[:, 1]), 3))]
    unit = longest / (np.hypot(*longest) or 1.0)
    normal = np.array([-unit[1], unit[0]])
    along, across = ring @ unit, ring @ normal
    corner = along.min() * unit + across.min() * normal
    return corner, np.ptp(along) * unit, np.ptp(across) * normal
