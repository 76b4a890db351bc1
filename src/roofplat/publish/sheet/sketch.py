"""The things of one plan, layer by layer: strokes on the canvas and the labels that they ask for.

In: one building's rows, the view, the rules.
Out: the drawing, without its words; `Sketch` with the labels that are to be placed, what they must not
    hide, which looks were drawn, and what is said in words because it could not be drawn.

What is said on the drawing is said in the words of the trade and of the tables; a basis is told by a
broken line and, where a figure stands by itself, in brackets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.placing.approach import line_clearance_ft
from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.fonts import shown, width_pt
from roofplat.publish.sheet.labels import LEAST_SIZE, Label, Placed, Spot, spots_around
from roofplat.publish.sheet.lattice import Bay, find_bays, thin_out
from roofplat.publish.sheet.looks import (
    GUESSED,
    LOOKS,
    paint_along,
    paint_area,
    paint_ladder,
    paint_line,
    paint_mark,
)
from roofplat.publish.sheet.view import View
from roofplat.rules import Rulebook

__all__ = ["Sketch", "beside", "draw_things", "looks_of"]

_FOOT_M = 0.3048
# Trusses nearer to each other than this lie under the deck like joists, and are drawn like them.
_CLOSE_FT = 6.0
_CLOSE = ("joist", "rafter", "close_truss")
# Lines nearer to each other on the page than this would run together.
_LEAST_GAP_PT = 4.0
# An obstacle without an outline is a square of this side.
_POINT_PT = 7.0
# Of more things of a kind than this, the first speaks for all.
_MOST_OF_A_KIND = 5
_LEAST_OUTLINE_PT = 1.0
# What is finer than this cannot be printed.
_FINEST_PT = 0.15
_LEAST_WALL_FT = 6.0
_LEAST_PLANE_PT = 30.0
_LEAST_NUMBERED_PT = 40.0
_BY = "\u00d7"
_NOTE_LENGTH = 24
_ARROWS = "→↗↑↖←↙↓↘"
_OBSTACLE_WORDS = {
    "unit": "unit",
    "skylight": "skylight",
    "smoke_vent": "smoke vent",
    "hatch": "hatch",
    "solar": "solar array",
    "suspended_load": "hung load",
    "parapet": "parapet",
    "other": "obstacle",
}
_Points = npt.NDArray[np.float64]


@dataclass(slots=True)
class Sketch:
    """A plan while it is drawn.

    canvas, view, leaf, rules, metric
        Where, how and from what it is drawn; lengths in metres too.
    labels
        By rank, the least first: labels that ask for a place.
    hard, soft
        Shapes in points that labels must not, and had better not, lie on.
    used, notes
        Names of the looks that were drawn; sentences about what was left out or thinned.
    when_placed
        By a label's subject: what is drawn with it once it has a place of its own.
    """

    canvas: Any
    view: View
    leaf: Leaf
    rules: Rulebook
    metric: bool
    labels: list[tuple[int, Label]] = field(default_factory=list)
    hard: list[Any] = field(default_factory=list)
    soft: list[Any] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)
    when_placed: dict[int, Callable[[Placed], None]] = field(default_factory=dict)

    def length(self, feet: float, *, whole: bool = False) -> str:
        """A length in words: tenths of a foot up to 100 ft, and metres beside where asked."""
        decimals = 0 if whole or feet >= 100.0 else 1
        words = f"{feet:.{decimals}f} ft"
        return f"{words} ({feet * _FOOT_M:.1f} m)" if self.metric else words

    def rows(self, name: str, *columns: str) -> list[tuple[Any, ...]]:
        """Values of some columns of a frame, row by row, with the shapes in points last."""
        frame = self.leaf.frames[name]
        if frame.empty:
            return []
        values = [_plain(frame[column]) for column in columns]
        return list(zip(*values, self.view.shapes(frame["geometry"].tolist()), strict=True))

    def cut_off(self, shapes: Sequence[Any]) -> npt.NDArray[np.object_]:
        """Shapes of the surroundings without what lies beyond the drawing, or is too fine to see."""
        held = np.array([*shapes, None], dtype=object)[:-1]
        # Beyond the edge by more than any stroke is wide, so that no edge of the cut shows.
        kept = shapely.intersection(held, shapely.buffer(self.view.outline, 8.0, join_style="mitre"))
        return np.asarray(shapely.simplify(kept, _FINEST_PT), dtype=object)

    def in_view(self, shape: Any) -> bool:
        """Whether anything of a shape in points is inside the drawing."""
        return bool(shapely.intersects(shape, self.view.outline))

    def line(self, name: str, shapes: Iterable[Any], *, guessed: bool = False) -> None:
        """Draw lines of one look."""
        runs = [run for shape in shapes for run in _runs(shape)]
        if runs:
            self.used.add(name)
            paint_line(self.canvas, LOOKS[name], runs, guessed=guessed)

    def area(self, name: str, shape: Any, *, guessed: bool = False) -> None:
        """Draw an area of one look."""
        for part in shapely.get_parts(shape):
            rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(part)]
            if rings:
                self.used.add(name)
                paint_area(self.canvas, LOOKS[name], rings, guessed=guessed)

    def keep(self, *shapes: Any) -> frozenset[int]:
        """Remember shapes that no label may hide; return their positions."""
        first = len(self.hard)
        self.hard.extend(shapes)
        return frozenset(range(first, len(self.hard)))

    def ask(self, rank: int, label: Label) -> None:
        """Ask for a place for a label."""
        self.labels.append((rank, label))


# The most wanted label first.
_ORDER = (
    *("side", "wall", "opening", "ladder", "fire", "overhead", "trench", "path", "spacing"),
    *("street", "hung", "obstacle", "section", "zone", "cut"),
)
_RANKS = {name: rank for rank, name in enumerate(_ORDER)}


def looks_of(leaf: Leaf) -> set[str]:
    """Return the names of all looks that a plan of some rows may draw, for the room its key needs."""
    names = set()
    for name, column in (
        ("walls", "kind"), ("obstacles", "kind"), ("openings", "method"), ("trenches", "method"),
        ("checks", "kind"), ("ladders", "apparatus"), ("members", "kind"),
    ):  # fmt: skip
        names |= {f"{name}/{kind}" for kind in leaf.frames[name][column].dropna().unique()}
    for name, look in (
        ("planes", "plane"), ("paths", "path"), ("fires", "fire"), ("streets", "street"),
        ("neighbours", "outline"),
    ):  # fmt: skip
        if not leaf.frames[name].empty:
            names.add(f"{name}/{look}")
    if "members/truss" in names:
        names.add("members/close_truss")
    if "obstacles/overhead_line" in names:
        names.add("clearance/edge")
    if not leaf.frames["cuts"].empty:
        names |= {"cuts/1", "cuts/2"}
    if not leaf.frames["ground"].empty:
        names |= {"ground/area", "ground/line"}
    if not leaf.frames["collapse_zones"].empty:
        names.add("collapse_zones/by_height")
    return names & set(LOOKS)


def draw_things(sketch: Sketch) -> None:
    """Draw everything of a plan but its words, the ground first and the ladders last."""
    canvas, view = sketch.canvas, sketch.view
    outlines = view.shapes(sketch.leaf.frames["buildings"]["geometry"].tolist())
    _draw_surroundings(sketch, outlines)
    # White below the roof, so that nothing of the ground shows through it.
    canvas.setFillGray(1.0)
    for outline in outlines:
        for part in shapely.get_parts(outline):
            path = canvas.beginPath()
            for ring in shapely.get_rings(part):
                points = shapely.get_coordinates(ring).tolist()
                path.moveTo(*points[0])
                for point in points[1:]:
                    path.lineTo(*point)
                path.close()
            canvas.setStrokeGray(0.0)
            canvas.setLineWidth(0.35)
            canvas.drawPath(path, stroke=1, fill=1, fillMode=0)
    _draw_members(sketch)
    _draw_planes(sketch)
    _draw_obstacles(sketch)
    _draw_cutting(sketch)
    # A path along a wall leaves the wall as it is: its line lies below, its arrowheads on top.
    _draw_paths(sketch)
    _draw_walls(sketch, outlines)
    paths = [run for (shape,) in sketch.rows("paths") for run in _runs(shape)]
    if paths:
        paint_along(canvas, LOOKS["paths/path"], paths)
    _draw_marks(sketch)
    _draw_overhead(sketch)


def _draw_surroundings(sketch: Sketch, outlines: npt.NDArray[np.object_]) -> None:
    """Streets, neighbours, ground without a ladder, and the edge of the collapse zone."""
    _draw_streets(sketch, outlines)
    neighbours = sketch.cut_off([shape for (shape,) in sketch.rows("neighbours")])
    parts = shapely.get_parts(neighbours)
    for shape in parts[shapely.area(parts) > _LEAST_OUTLINE_PT**2]:
        sketch.area("neighbours/outline", shape)
    ground = sketch.rows("ground", "basis")
    for (basis, _), shape in zip(ground, sketch.cut_off([row[-1] for row in ground]), strict=True):
        polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
        lines = [part for part in shapely.get_parts(shape) if part.geom_type == "LineString"]
        for polygon in polygons:
            sketch.area("ground/area", polygon, guessed=_is_guess(basis))
        sketch.line("ground/line", lines, guessed=_is_guess(basis))
    columns = ("distance_ft", "pushes_out", "height_basis")
    for distance_ft, pushes_out, basis, shape in sketch.rows("collapse_zones", *columns):
        rings = [shapely.get_exterior_ring(part) for part in shapely.get_parts(shape)]
        words = f"collapse zone, {sketch.length(distance_ft, whole=True)} from the walls"
        seen = [ring for ring in shapely.intersection(rings, sketch.view.outline) if not ring.is_empty]
        if not seen:
            sketch.notes.append(f"{words[0].upper()}{words[1:]}; its edge lies beyond this drawing.")
            continue
        kind = "pushes_out" if _is_true(pushes_out) else "by_height"
        sketch.line(f"collapse_zones/{kind}", sketch.cut_off(rings), guessed=_is_guess(basis))
        sketch.soft.extend(seen)
        # Beside the longest stretch of it that can be seen.
        longest = max(
            (run for piece in seen for run in _lines_in(piece)), key=lambda run: round(run.length, 3)
        )
        spots = beside(longest, (words,), offsets=(7.5, -7.5, 12.0, -12.0))
        point = longest.interpolate(0.5, normalized=True)
        sketch.ask(_RANKS["zone"], Label((words,), (point.x, point.y), spots))


def _draw_streets(sketch: Sketch, outlines: npt.NDArray[np.object_]) -> None:
    """Streets by name; one beyond the drawing is named at the side where it lies."""
    roof = shapely.union_all(outlines)
    by_name: dict[str, list[Any]] = {}
    for name, shape in sketch.rows("streets", "name"):
        by_name.setdefault(shown(name, most=40), []).append(shape)
    beyond = []
    for name, shapes in by_name.items():
        line = shapely.union_all(shapes)
        seen = shapely.intersection(line, sketch.view.outline)
        runs = sorted(_lines_in(seen), key=lambda run: -round(run.length, 3))
        if not runs or runs[0].length < 20.0:
            if name:
                beyond.append((float(shapely.distance(line, roof)), name, line))
            continue
        sketch.line("streets/street", shapes)
        if name:
            spots = tuple(
                spot for run in runs[:2] for spot in beside(run, (name,), offsets=(0.0, 7.0, -7.0), size=8.5)
            )
            middle = runs[0].interpolate(0.5, normalized=True)
            label = Label((name,), (middle.x, middle.y), spots, f"street: {name}", size=8.5, bold=True)
            sketch.ask(_RANKS["street"], label)
    for distance, name, line in sorted(beyond, key=lambda entry: (round(entry[0], 3), entry[1]))[:3]:
        _name_beyond(sketch, roof, name, line, distance * sketch.view.scale.feet_per_point)


def _name_beyond(sketch: Sketch, roof: Any, name: str, line: Any, distance_ft: float) -> None:
    """Name a street that lies beyond the drawing, at the edge nearest to it, with an arrow."""
    start, end = shapely.get_coordinates(shapely.shortest_line(roof, line))
    ahead = end - start
    box = sketch.view.box
    middle = np.array([box.x + box.width / 2, box.y + box.height / 2])
    edge = np.array([box.width / 2 - 2, box.height / 2 - 2])
    unit = ahead / (np.hypot(*ahead) or 1.0)
    # From the middle of the drawing to its edge in that direction, then along the edge both ways.
    reaches = [edge[k] / abs(unit[k]) if abs(unit[k]) > 1e-9 else np.inf for k in (0, 1)]
    at = middle + min(reaches) * unit
    # At the sides the name runs up the page: there is more room that way.
    upright = reaches[0] < reaches[1]
    ahead_deg = np.degrees(np.arctan2(ahead[1], ahead[0])) - (90.0 if upright else 0.0)
    words = f"{name} {_ARROWS[round(ahead_deg / 45.0) % 8]} {sketch.length(distance_ft, whole=True)}"
    wide, high = Label((words,), (0.0, 0.0), (), size=8.5, bold=True).extent
    half = edge - (np.array([high, wide]) if upright else np.array([wide, high])) / 2
    side = np.array([0.0, 1.0]) if upright else np.array([1.0, 0.0])
    spots = []
    for far in (0, 1, -1, 2, -2, 3, -3, 4, -4, 6, -6, 8, -8):
        x, y = np.clip(at + far * 22 * side, middle - half, middle + half)
        spots.append(Spot(float(x), float(y), 90.0 if upright else 0.0, 0.3 * abs(far)))
    anchor = (float(at[0]), float(at[1]))
    label = Label(
        (words,),
        anchor,
        tuple(spots),
        f"street beyond the drawing: {name}, {sketch.length(distance_ft, whole=True)}",
        size=8.5,
        bold=True,
        roams=False,
    )
    sketch.ask(_RANKS["street"], label)


def _draw_members(sketch: Sketch) -> None:
    """Members by kind, thinned out where they would run together, each with its spacing."""
    rows = sketch.rows("members", "section_id", "kind", "spacing_ft", "basis")
    # Thin lines first, so that beams stay whole.
    order = sorted(range(len(rows)), key=lambda k: LOOKS[f"members/{_member_look(rows[k])}"].width)
    for k in order:
        _, kind, spacing_ft, basis, shape = rows[k]
        name = _member_look(rows[k])
        guessed = _is_guess(basis)
        lines = _lines_in(shape)
        if not lines:
            continue
        if not _is_number(spacing_ft) or spacing_ft <= 0:
            sketch.line(f"members/{name}", lines, guessed=guessed)
            sketch.soft.extend(lines)
            continue
        gap_pt = spacing_ft * sketch.view.points_per_foot
        drawn, step = thin_out(lines, gap_pt, least_pt=_LEAST_GAP_PT)
        sketch.line(f"members/{name}", drawn, guessed=guessed)
        # Where every line lies on many, lines of joists tell nothing apart.
        if name not in _CLOSE:
            sketch.soft.extend(drawn)
        _ask_spacing(sketch, kind, float(spacing_ft), step, drawn, guessed=guessed)


def _member_look(row: tuple[Any, ...]) -> str:
    """Look of a row of members; trusses close together are drawn as joists are."""
    _, kind, spacing_ft, _, _ = row
    if kind == "truss" and _is_number(spacing_ft) and spacing_ft < _CLOSE_FT:
        return "close_truss"
    return str(kind)


def _ask_spacing(
    sketch: Sketch, kind: str, spacing_ft: float, step: int, drawn: Sequence[Any], *, guessed: bool
) -> None:
    """Ask for a dimension over one bay, or for words beside a line where a bay has no room."""
    plural = {"truss": "trusses", "glazing": "glazing"}.get(kind, f"{kind}s")
    words = f"{plural} {spacing_ft:.1f} ft"
    if sketch.metric:
        words += f" ({spacing_ft * _FOOT_M:.2f} m)"
    lines: tuple[str, ...] = (words + (" (assumed)" if guessed else ""),)
    says = f"{plural} {spacing_ft:.1f} ft apart" + (", assumed" if guessed else "")
    if step > 1:
        ordinal = f"{step}{ {2: 'nd', 3: 'rd'}.get(step, 'th') }"
        lines = (*lines, f"every {ordinal} drawn")
        sketch.notes.append(f"Every {ordinal} {kind} is drawn; they are {spacing_ft:.1f} ft apart.")
    plain = Label(lines, (0.0, 0.0), ())
    bays = find_bays(drawn, step * spacing_ft * sketch.view.points_per_foot)
    spots: list[Spot] = []
    owners: list[Bay] = []
    for rank, bay in enumerate(bays):
        if step > 1:
            continue
        for spot in bay.spots(plain.extent):
            spots.append(Spot(spot.x, spot.y, spot.turn_deg, spot.cost + 0.15 * rank, bay.ends))
            owners.append(bay)
    middle = max(drawn, key=lambda line: round(line.length, 3)).interpolate(0.3, normalized=True)
    subject = len(sketch.when_placed)

    def dimension(placed: Placed) -> None:
        if 0 <= placed.spot < len(owners):
            owners[placed.spot].paint(sketch.canvas)

    sketch.when_placed[subject] = dimension
    sketch.ask(
        _RANKS["spacing"],
        Label(lines, (middle.x, middle.y), tuple(spots), says, subject=subject),
    )


def _draw_planes(sketch: Sketch) -> None:
    """An arrow down each plane that has room for one."""
    for downslope_deg, basis, shape in sketch.rows("planes", "downslope_deg", "basis"):
        if not _is_number(downslope_deg) or np.sqrt(shape.area) < _LEAST_PLANE_PT:
            continue
        point = shape.centroid if shapely.contains(shape, shape.centroid) else shape.representative_point()
        turn_deg = sketch.view.page_deg(downslope_deg)
        paint_mark(
            sketch.canvas, "planes/plane", point.x, point.y, turn_deg=turn_deg, guessed=_is_guess(basis)
        )
        sketch.used.add("planes/plane")
        sketch.keep(point.buffer(8.0, quad_segs=2))


def _draw_obstacles(sketch: Sketch) -> None:
    """What stands on the roof or hangs below it, with its kind."""
    found: dict[str, list[tuple[Any, str, str, frozenset[int]]]] = {}
    columns = ("building_id", "kind", "height_ft", "basis", "note")
    for owner, kind, height_ft, basis, note, shape in sketch.rows("obstacles", *columns):
        if kind == "overhead_line" or not sketch.in_view(shape) or not isinstance(owner, str):
            continue
        guessed = _is_guess(basis)
        if shape.geom_type in ("LineString", "MultiLineString"):
            sketch.line(
                f"obstacles/{kind}" if kind == "parapet" else "obstacles/parapet", [shape], guessed=guessed
            )
            body = shape.buffer(2.2, cap_style="flat")
        else:
            body = _seen(shape)
            sketch.area(f"obstacles/{kind}", body, guessed=guessed)
        words = _OBSTACLE_WORDS.get(str(kind), "obstacle")
        said = shown(note, most=_NOTE_LENGTH)
        if kind == "parapet":
            words = f"parapet {sketch.length(height_ft)}" if _is_number(height_ft) else "parapet"
        elif kind in ("suspended_load", "other") and said:
            words = f"{said} (hung)" if kind == "suspended_load" else said
        found.setdefault(str(kind), []).append((body, words, said, sketch.keep(body)))
    for kind, things in found.items():
        rank = _RANKS["hung" if kind == "suspended_load" else "obstacle"]
        if len(things) > _MOST_OF_A_KIND and kind not in ("suspended_load", "parapet"):
            # The largest speaks for all, the first of those alike.
            body, words, _, own = max(things, key=lambda thing: round(thing[0].area, 3))
            things = [(body, f"{len(things)} {words}{'es' if kind == 'hatch' else 's'}", "", own)]
        for body, words, said, own in things:
            says = words if not said or said in words else f"{words}: {said}"
            sketch.ask(rank, _label_on(body, (words,), own, says))


def _label_on(body: Any, lines: tuple[str, ...], own: frozenset[int], says: str = "", **more: Any) -> Label:
    """A label inside a body where it fits, else beside it."""
    middle = body.representative_point() if not body.is_empty else shapely.Point(0, 0)
    centre = body.centroid if shapely.contains(body, body.centroid) else middle
    label = Label(lines, (centre.x, centre.y), (), says, own=own, **more)
    wide, high = label.extent
    spots = []
    text = shapely.box(centre.x - wide / 2, centre.y - high / 2, centre.x + wide / 2, centre.y + high / 2)
    if shapely.contains(body, text):
        spots.append(Spot(centre.x, centre.y, 0.0, -0.5))
    spots.extend(spots_around(body.bounds, (wide, high)))
    return Label(lines, (centre.x, centre.y), tuple(spots), says, own=own, **more)


def _draw_cutting(sketch: Sketch) -> None:
    """Trenches, openings in their order, and the cuts by saw."""
    for method, width_ft, length_ft, shape in sketch.rows("trenches", "method", "width_ft", "length_ft"):
        sketch.area(f"trenches/{method}", shape)
        own = sketch.keep(shape)
        words = f"trench {sketch.length(width_ft)} wide, {sketch.length(length_ft, whole=True)} long"
        axis = _long_axis(shape)
        offset = sketch.view.points_per_foot * width_ft / 2 + 7.5
        spots = beside(axis, (words,), offsets=(offset, -offset))
        middle = axis.interpolate(0.5, normalized=True)
        sketch.ask(_RANKS["trench"], Label((words,), (middle.x, middle.y), spots, own=own))
    owners: dict[tuple[Any, Any], Any] = {}
    waiting = []
    columns = ("section_id", "seq", "method", "length_ft", "width_ft")
    for section, seq, method, length_ft, width_ft, shape in sketch.rows("openings", *columns):
        sketch.area(f"openings/{method}", shape)
        owners[section, seq] = shape
        waiting.append((int(seq), length_ft, width_ft, shape, sketch.keep(shape)))
    _draw_cuts(sketch, owners)
    for seq, length_ft, width_ft, shape, own in waiting:
        known = not (pd.isna(length_ft) or pd.isna(width_ft))
        size = f"{length_ft:.1f} {_BY} {width_ft:.1f} ft" if known else "size not known"
        if known and sketch.metric:
            size += f" ({length_ft * _FOOT_M:.1f} {_BY} {width_ft * _FOOT_M:.1f} m)"
        label = _label_on(shape, (size,), own, f"opening {seq}: {size}", badge=("disc", str(seq)))
        sketch.ask(_RANKS["opening"], label)


def _draw_cuts(sketch: Sketch, owners: dict[tuple[Any, Any], Any]) -> None:
    """Cuts, told apart by saw; numbered in order where their opening has room for numbers."""
    columns = ("section_id", "feature", "feature_seq", "seq", "saw")
    left_out = False
    for section, feature, number, seq, saw, shape in sketch.rows("cuts", *columns):
        sketch.line(f"cuts/{2 if saw == 2 else 1}", [shape])
        lines = _lines_in(shape)
        sketch.hard.extend(lines)
        owner = owners.get((section, number)) if feature == "opening" else None
        if owner is None or not lines:
            continue
        if _least_side(owner) < _LEAST_NUMBERED_PT:
            left_out = True
            continue
        words = f"cut {seq}"
        spots = tuple(spot for line in lines for spot in beside(line, (words,), offsets=(6.5, -6.5)))
        middle = lines[0].interpolate(0.5, normalized=True)
        own = frozenset(k for k, held in enumerate(sketch.hard) if held is owner)
        label = Label(
            (words,), (middle.x, middle.y), spots, f"opening {number}, cut {seq}, saw {saw}", own=own
        )
        sketch.ask(_RANKS["cut"], label)
    if left_out:
        sketch.notes.append("The cuts are drawn without their order: the openings are too small for numbers.")


def _draw_walls(sketch: Sketch, outlines: npt.NDArray[np.object_]) -> None:
    """Walls by kind, lengths and side letters outside of them, and the borders of sections."""
    rows = sketch.rows("walls", "side", "kind", "kind_basis", "length_ft", "outward_deg")
    groups: dict[tuple[str, bool], list[Any]] = {}
    for _, kind, basis, _, _, shape in rows:
        groups.setdefault((f"walls/{kind}", _is_guess(basis)), []).append(shape)
    for (name, guessed), shapes in sorted(
        groups.items(), key=lambda entry: (LOOKS[entry[0][0]].width, entry[0])
    ):
        sketch.line(name, shapes, guessed=guessed)
    walls = np.array([*(row[-1] for row in rows), None], dtype=object)[:-1]
    _draw_borders(sketch, walls)
    if not len(walls):
        return
    # A wall shorter than its stroke is wide is hidden by its neighbours, if by anything.
    bodies = shapely.buffer(walls[shapely.length(walls) > _LEAST_OUTLINE_PT], 1.9, cap_style="flat")
    sketch.keep(*bodies)
    edge = shapely.boundary(shapely.union_all(outlines))
    middles = shapely.line_interpolate_point(walls, 0.5, normalized=True)
    outer = shapely.distance(middles, edge) < 1.5 * sketch.view.points_per_foot
    longest: dict[str, int] = {}
    for k, (side, _, _, length_ft, _, _) in enumerate(rows):
        if outer[k] and isinstance(side, str) and _is_number(length_ft):
            best = longest.get(side)
            if best is None or round(length_ft, 2) > round(rows[best][3], 2):
                longest[side] = k
    unwritten = 0
    for k, (_, _, _, length_ft, outward_deg, shape) in enumerate(rows):
        if not outer[k] or not _is_number(length_ft) or not _is_number(outward_deg):
            continue
        words = sketch.length(length_ft)
        if length_ft < _LEAST_WALL_FT or shape.length < width_pt(words, "DejaVuSans", LEAST_SIZE) + 3:
            unwritten += 1
            continue
        out = _unit(sketch.view.page_deg(outward_deg))
        spots = beside(shape, (words,), offsets=(7.6, 12.0, 17.0, 23.0), out=out)
        middle = shape.interpolate(0.5, normalized=True)
        sketch.ask(
            _RANKS["wall"],
            Label((words,), (middle.x, middle.y), spots, f"{_wall_words(rows[k][0])}: {words}", roams=False),
        )
    if unwritten:
        walls_words = "wall is" if unwritten == 1 else "walls are"
        sketch.notes.append(f"{unwritten} short {walls_words} drawn without a length.")
    for side, k in sorted(longest.items()):
        if not _is_number(rows[k][4]):
            continue
        out = _unit(sketch.view.page_deg(rows[k][4]))
        spots = beside(
            rows[k][-1],
            (side,),
            offsets=(24.0, 30.0, 18.0, 13.5, 38.0, -17.0),
            out=out,
            size=15.0,
            bold=True,
            level=True,
        )
        middle = rows[k][-1].interpolate(0.5, normalized=True)
        sketch.ask(
            _RANKS["side"],
            Label((side,), (middle.x, middle.y), spots, f"side {side}", size=15.0, bold=True, roams=False),
        )


def _wall_words(side: object) -> str:
    """What a wall is called in a list; those around a courtyard have no side."""
    return f"wall, side {side}" if isinstance(side, str) else "wall of a courtyard"


def _draw_borders(sketch: Sketch, walls: npt.NDArray[np.object_]) -> None:
    """Borders of sections where no wall is drawn, and the number of each section."""
    rows = sketch.rows("sections", "section_id")
    if len(rows) < 2:
        return
    drawn = shapely.union_all(shapely.buffer(walls, 2.0)) if len(walls) else shapely.Point()
    seen: Any = None
    for section_id, shape in rows:
        border = shapely.difference(shapely.boundary(shape), drawn)
        if seen is not None:
            border = shapely.difference(border, seen)
        lines = [line for line in _lines_in(border) if line.length > 4.0]
        sketch.line("sections/border", lines)
        sketch.hard.extend(shapely.buffer(lines, 1.5))
        seen = (
            shapely.buffer(border, 2.0) if seen is None else shapely.union(seen, shapely.buffer(border, 2.0))
        )
        words = f"section {str(section_id).rsplit('/', 1)[-1]}"
        point = shape.representative_point()
        west, south, east, north = shape.bounds
        spots = [Spot(point.x, point.y)]
        for rank, (across, up) in enumerate(product((0.5, 0.3, 0.7, 0.12, 0.88), repeat=2)):
            spot = shapely.Point(west + across * (east - west), south + up * (north - south))
            if shapely.contains(shape, spot):
                spots.append(Spot(spot.x, spot.y, 0.0, 0.1 * (rank + 1)))
        sketch.ask(_RANKS["section"], Label((words,), (point.x, point.y), tuple(spots), bold=True))


def _draw_paths(sketch: Sketch) -> None:
    """Paths of travel, with their lengths."""
    for rank, length_ft, shape in sketch.rows("paths", "ladder_rank", "length_ft"):
        sketch.line("paths/path", [shape])
        sketch.keep(*_pieces(shape, 2.6))
        words = f"path {rank}: {sketch.length(length_ft, whole=True)}"
        middle = shape.interpolate(0.5, normalized=True)
        spots = beside(shape, (words,), offsets=(9.0, -9.0, 14.0, -14.0))
        sketch.ask(_RANKS["path"], Label((words,), (middle.x, middle.y), spots))


def _draw_marks(sketch: Sketch) -> None:
    """Checks along the paths, the fire spot and the ladders."""
    for kind, shape in sketch.rows("checks", "kind"):
        if kind == "inspection_cut":
            sketch.line("checks/inspection_cut", [shape])
            sketch.keep(shape.buffer(1.5))
        else:
            point = shape.centroid
            paint_mark(sketch.canvas, "checks/indicator_hole", point.x, point.y)
            sketch.used.add("checks/indicator_hole")
            sketch.keep(point.buffer(3.5, quad_segs=2))
    for basis, shape in sketch.rows("fires", "fire_basis"):
        point = shape.centroid
        paint_mark(sketch.canvas, "fires/fire", point.x, point.y, guessed=_is_guess(basis))
        sketch.used.add("fires/fire")
        body = point.buffer(7.5, quad_segs=4)
        words = {"given": "fire spot, given"}.get(str(basis), f"fire spot, {basis}")
        sketch.ask(_RANKS["fire"], _label_on(body, (words,), sketch.keep(body)))
    columns = (
        "rank", "apparatus", "ladder_ft", "base_setback_ft", "aerial_setback_ft", "support_ft"
    )  # fmt: skip
    for rank, apparatus, ladder_ft, setback_ft, aerial_ft, support_ft, shape in sketch.rows(
        "ladders", *columns
    ):
        base = shapely.get_coordinates(shape)[0]
        lines: tuple[str, ...]
        sketch.used.add(f"ladders/{apparatus}")
        if apparatus == "ground_ladder":
            paint_ladder(sketch.canvas, shapely.get_coordinates(shape))
            lines = (f"{ladder_ft:g} ft ladder", f"base {sketch.length(setback_ft)} out")
        elif apparatus == "aerial":
            sketch.line("ladders/aerial", [shape])
            lines = (
                ("aerial", f"{sketch.length(aerial_ft)} to the tip") if _is_number(aerial_ft) else ("aerial",)
            )
        else:
            sketch.line("ladders/out_of_reach", [shape])
            lines = ("out of reach", f"edge {sketch.length(support_ft)} up")
        sketch.keep(shape.buffer(3.6, cap_style="flat"))
        anchor = (float(base[0]), float(base[1]))
        label = Label(lines, anchor, (), badge=("square", str(rank)))
        body = (anchor[0] - 3, anchor[1] - 3, anchor[0] + 3, anchor[1] + 3)
        spots = spots_around(body, label.extent)
        says = f"ladder {rank}: {', '.join(lines)}"
        sketch.ask(_RANKS["ladder"], Label(lines, anchor, spots, says, badge=("square", str(rank))))


def _draw_overhead(sketch: Sketch) -> None:
    """Lines overhead, with the clearance that their voltage asks for."""
    frame = sketch.leaf.frames["obstacles"]
    overhead = frame[(frame["kind"] == "overhead_line").fillna(False).to_numpy(dtype=bool)]
    if overhead.empty:
        return
    voltage_kv = overhead["voltage_kv"].to_numpy(dtype=float, na_value=np.nan)
    clear_ft = line_clearance_ft(voltage_kv, sketch.rules)
    lines = sketch.view.shapes(overhead["geometry"].tolist())
    for k, (basis, line) in enumerate(zip(overhead["basis"].tolist(), lines, strict=True)):
        reach = float(clear_ft[k]) * sketch.view.points_per_foot
        seen = shapely.intersection(line, sketch.view.outline)
        if seen.is_empty:
            if sketch.in_view(line.buffer(reach)):
                sketch.notes.append(
                    f"A line overhead lies just beyond this drawing; keep {clear_ft[k]:.0f} ft away from it."
                )
            continue
        edge = shapely.boundary(shapely.buffer(line, reach))
        sketch.line("clearance/edge", _lines_in(edge))
        sketch.line("obstacles/overhead_line", [line], guessed=_is_guess(basis))
        sketch.keep(*_pieces(seen, 2.6))
        unknown = "" if np.isfinite(voltage_kv[k]) else ", voltage unknown"
        words = f"overhead line{unknown}: keep {sketch.length(float(clear_ft[k]), whole=True)} away"
        run = max(_lines_in(seen), key=lambda part: round(part.length, 3), default=None)
        if run is None:
            continue
        middle = run.interpolate(0.5, normalized=True)
        spots = beside(run, (words,), offsets=(8.0, -8.0, 13.0, -13.0))
        sketch.ask(_RANKS["overhead"], Label((words,), (middle.x, middle.y), spots))


def beside(
    line: Any,
    lines: tuple[str, ...],
    *,
    offsets: Sequence[float],
    out: _Points | None = None,
    size: float = LEAST_SIZE,
    bold: bool = False,
    level: bool = False,
) -> tuple[Spot, ...]:
    """Find places along a line for a text that is turned with it unless `level`.

    Parameters
    ----------
    line
        In points.
    lines
        The text.
    offsets
        Distances of the middle of the text from the line: in the direction `out`, a vector; without it
        to the left of the line as it is read.
    size, bold
        Type.

    Returns
    -------
    tuple of Spot
        The best first: the middle of the line, the first offset.

    Examples
    --------
    >>> beside(shapely.LineString([(0, 0), (100, 0)]), ("A",), offsets=(8.0,))[0]
    Spot(x=50.0, y=8.0, turn_deg=0.0, cost=0.0, line=None)
    """
    wide, high = Label(lines, (0.0, 0.0), (), size=size, bold=bold).extent
    spots = []
    for rank, share in enumerate((0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.12, 0.88)):
        at = line.length * share
        span = shapely.get_coordinates(
            shapely.line_interpolate_point(
                line, [max(0.0, at - wide / 2), min(line.length, at + wide / 2), at]
            )
        )
        step = span[1] - span[0]
        length = float(np.hypot(*step))
        if length == 0.0:
            continue
        turn_deg = _readable(float(np.degrees(np.arctan2(step[1], step[0]))))
        normal = _unit(turn_deg + 90.0)
        if out is not None and float(normal @ out) < 0:
            normal = -normal
        for k, offset in enumerate(offsets):
            # A level text needs its own half width or height of room.
            more = 0.0
            if level:
                more = abs(normal[0]) * max(0.0, wide / 2 - 5.0) + abs(normal[1]) * max(0.0, high / 2 - 5.0)
            x, y = span[2] + (offset + np.sign(offset) * more) * normal
            spots.append(Spot(float(x), float(y), 0.0 if level else turn_deg, 0.25 * rank + 0.35 * k))
    return tuple(sorted(spots, key=lambda spot: spot.cost))


def _readable(turn_deg: float) -> float:
    """A direction turned over where text along it would stand on its head."""
    turn_deg = round(turn_deg, 3) % 180.0
    return turn_deg - 180.0 if turn_deg > 90.0 else turn_deg


def _unit(page_deg: float) -> _Points:
    angle = np.radians(page_deg)
    return np.array([np.cos(angle), np.sin(angle)])


def _runs(shape: Any) -> Iterator[_Points]:
    """Points of each line of a shape; areas give their rings."""
    for line in _lines_in(shape):
        yield shapely.get_coordinates(line)


def _lines_in(shape: Any) -> list[Any]:
    """Lines of a shape that have a length."""
    parts = shapely.get_parts(shapely.get_parts(shape)).tolist()
    return [part for part in parts if part.geom_type in ("LineString", "LinearRing") and part.length > 1e-6]


def _pieces(shape: Any, reach: float) -> list[Any]:
    """Bodies of the straight pieces of a line: many small bounds tell more than one large one."""
    pieces: list[Any] = []
    for run in _runs(shape):
        pairs = np.stack([run[:-1], run[1:]], axis=1)
        pieces.extend(
            shapely.get_parts(shapely.buffer(shapely.linestrings(pairs), reach, quad_segs=2)).tolist()
        )
    return pieces


def _seen(shape: Any) -> Any:
    """A thing large enough to be seen: a square where it has no outline, or one too small."""
    if shape.geom_type in ("Polygon", "MultiPolygon") and _least_side(shape) > _LEAST_OUTLINE_PT:
        return shape
    point = shape.centroid
    half = _POINT_PT / 2
    return shapely.box(point.x - half, point.y - half, point.x + half, point.y + half)


def _least_side(shape: Any) -> float:
    points = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    if len(points) < 4:
        return 0.0
    sides = np.hypot(*np.diff(points[:3], axis=0).T)
    return float(sides.min())


def _long_axis(shape: Any) -> Any:
    """The middle line of a strip, from end to end."""
    points = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))[:4]
    first, second = np.hypot(*(points[1] - points[0])), np.hypot(*(points[2] - points[1]))
    a, b, c, d = points if first >= second else np.roll(points, -1, axis=0)
    return shapely.LineString([(a + d) / 2, (b + c) / 2])


def _plain(values: pd.Series) -> list[Any]:
    return [None if value is pd.NA else value for value in values.astype(object).tolist()]


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and bool(np.isfinite(value))


def _is_true(value: object) -> bool:
    return value is True or value is np.True_


def _is_guess(basis: object) -> bool:
    return not isinstance(basis, str) or basis in GUESSED
