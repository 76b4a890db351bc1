"""A reader of sheets that knows nothing of how they are drawn: strokes, fills and texts of a page.

In: the bytes of a PDF.
Out: `Page`: every text with the box it fills, every stroke and fill with its grey, in points from the
    lower left corner and in the order in which they were drawn; the scale and the north of the plan, as
    a person with a ruler would find them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from io import BytesIO
from typing import Any

import numpy as np
import pdfplumber
import shapely
from pdfminer.layout import LTChar, LTCurve, LTImage
from pypdf import PdfReader
from pyproj import Geod
from shapely import affinity

__all__ = ["GEOD", "Mark", "Page", "Run", "feet_about", "fonts_without_a_file", "read_pages"]

GEOD = Geod(ellps="WGS84")
_FOOT_M = 0.3048
# Capitals of the sheet's type stand this share of the size above the line, and tails this below it.
_RISE, _DROP = 0.73, 0.21


@dataclass(frozen=True, slots=True)
class Run:
    """Characters that stand in one row: the text, its size, its box (a polygon), its grey, its order."""

    text: str
    size: float
    font: str
    box: Any
    grey: Any
    order: int

    @property
    def tight(self) -> Any:
        """The box without the half point that letters leave free."""
        return self.box.buffer(-0.45, join_style="mitre")


@dataclass(frozen=True, slots=True)
class Mark:
    """A stroke, a fill or both; `shape` is the line that was drawn along, closed where it was closed."""

    points: Any
    width: float
    stroke: Any
    fill: Any
    dashed: bool
    order: int

    @property
    def line(self) -> Any:
        return shapely.LineString(self.points)

    @property
    def area(self) -> Any:
        return shapely.Polygon(self.points) if len(self.points) > 2 else shapely.Polygon()


@dataclass(frozen=True)
class Page:
    """One page as it was read."""

    width: float
    height: float
    runs: tuple[Run, ...]
    marks: tuple[Mark, ...]
    images: int
    annotations: int

    @cached_property
    def text(self) -> str:
        """All texts, one row after the other, with single spaces; words on the plan included."""
        return re.sub(r"\s+", " ", " ".join(run.text for run in self.runs)).strip()

    @cached_property
    def points_per_foot(self) -> float:
        """From the scale in words."""
        found = re.search(r"1 in = ([\d,]+) ft", self.text)
        if found:
            return 72.0 / float(found[1].replace(",", ""))
        metric = re.search(r"Scale 1:([\d,]+)", self.text)
        assert metric, "no scale is stated"
        return 72.0 * 12.0 / float(metric[1].replace(",", ""))

    @cached_property
    def frame(self) -> Any:
        """The box of the plan: the largest rectangle of a black line that is not filled."""
        boxes = [
            shapely.box(*mark.line.bounds)
            for mark in self.marks
            if mark.fill is None and mark.stroke == 0.0 and not mark.dashed and len(mark.points) in (4, 5)
            and mark.area.area > 0.98 * shapely.box(*mark.line.bounds).area
        ]  # fmt: skip
        return max(boxes, key=lambda box: box.area)

    @cached_property
    def shown_marks(self) -> list[tuple[Mark, Any]]:
        """Every stroke and fill with the ground it covers: those of the plan end at its frame.

        A reader of strokes is not told where they are cut off. The frame is drawn last of the plan, so
        that what is drawn before it, from the first thing inside of it on, is cut off at it.
        """
        last = max(
            mark.order for mark in self.marks
            if mark.fill is None and shapely.box(*mark.line.bounds).equals_exact(self.frame, 1e-6)
        )  # fmt: skip
        inside = self.frame.buffer(-0.5)
        bodies = [_body(mark) for mark in self.marks]
        first = min(
            mark.order for mark, body in zip(self.marks, bodies, strict=True) if body.intersects(inside)
        )
        pairs = zip(self.marks, bodies, strict=True)
        return [
            (mark, shapely.intersection(body, self.frame) if first <= mark.order < last else body)
            for mark, body in pairs
        ]

    @cached_property
    def turn_deg(self) -> float:
        """True azimuth of the page's upward direction, from the arrow beside the letter N."""
        letters = [run for run in self.runs if run.text == "N" and not self.frame.contains(run.box)]
        assert len(letters) == 1, "there is no single N"
        letter = np.array(letters[0].box.centroid.coords[0])
        shafts = [mark for mark in self.segments if 1.3 < mark.width < 1.5]
        near = min(shafts, key=lambda mark: mark.line.distance(letters[0].box))
        tail, head = sorted(near.points, key=lambda point: -np.hypot(*(point - letter)))
        east, north = head - tail
        return float(-np.degrees(np.arctan2(east, north))) % 360.0

    @cached_property
    def segments(self) -> list[Mark]:
        """Strokes from point to point, outlines taken apart."""
        pieces = []
        for mark in self.marks:
            if mark.stroke is None:
                continue
            for pair in zip(mark.points[:-1], mark.points[1:], strict=True):
                ends = np.array(pair)
                if np.hypot(*(ends[1] - ends[0])) > 1e-6:
                    pieces.append(Mark(ends, mark.width, mark.stroke, None, mark.dashed, mark.order))
        return pieces

    @cached_property
    def outlines(self) -> list[Any]:
        """White roofs with a thin edge: exterior and holes, as lines, in the frame."""
        return [mark for mark in self.marks if mark.fill == 1.0 and mark.stroke == 0.0 and mark.width == 0.35]

    def on_page(self, feet: Any, middle_ft: Any, middle_pt: Any) -> Any:
        """Feet east and north to points: by the stated scale and the arrow, about a pair of middles."""
        turn = np.radians(self.turn_deg)
        east, north = (np.asarray(feet, dtype=float) - middle_ft).T
        x = east * np.cos(turn) - north * np.sin(turn)
        y = east * np.sin(turn) + north * np.cos(turn)
        return np.column_stack([x, y]) * self.points_per_foot + middle_pt

    def struck(self) -> Iterator[tuple[Run, Mark]]:
        """Texts with a stroke or a fill across them that no ground of their own keeps away."""
        strokes = [mark for mark, _ in self.shown_marks]
        bodies = np.array([body for _, body in self.shown_marks], dtype=object)
        tree = shapely.STRtree(bodies)
        for run in self.runs:
            hits = sorted(tree.query(run.tight, predicate="intersects"), key=lambda k: strokes[k].order)
            grounds = [
                strokes[k].order
                for k in hits
                if strokes[k].fill is not None
                and strokes[k].order < run.order
                and strokes[k].area.buffer(0.3).contains(run.tight)
            ]
            ground = max(grounds, default=-1)
            for k in hits:
                order = strokes[k].order
                if order > run.order or order > ground:
                    yield run, strokes[k]

    def ground_of(self, run: Run) -> float:
        """Grey of what a text stands on."""
        grounds = [
            mark
            for mark in self.marks
            if mark.fill is not None and mark.order < run.order and mark.area.buffer(0.3).contains(run.tight)
        ]
        return float(grounds[-1].fill) if grounds else 1.0

    def overlaps(self) -> list[tuple[str, str]]:
        """Pairs of texts that share ground."""
        boxes = np.array([run.tight for run in self.runs], dtype=object)
        one, other = shapely.STRtree(boxes).query(boxes, predicate="intersects")
        pairs = [(a, b) for a, b in zip(one.tolist(), other.tolist(), strict=True) if a < b]
        return [(self.runs[a].text, self.runs[b].text) for a, b in pairs]


def read_pages(content: bytes, *, pages: list[int] | None = None) -> list[Page]:
    """Read every page of a PDF, or some, counted from 1."""
    with pdfplumber.open(BytesIO(content), pages=pages) as pdf:
        return [_read(page) for page in pdf.pages]


def fonts_without_a_file(content: bytes) -> list[str]:
    """Names of the fonts that a PDF names but does not hold as TrueType."""
    bare = []
    for page in PdfReader(BytesIO(content)).pages:
        fonts = page["/Resources"].get("/Font", {})  # type: ignore[attr-defined]
        for held in fonts.values():
            font = held.get_object()
            inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            if "/FontFile2" not in inner.get("/FontDescriptor", {}):
                bare.append(str(font["/BaseFont"]))
    return bare


def feet_about(lon: float, lat: float, lons: Any, lats: Any) -> Any:
    """Feet east and north of a place, along the shortest lines on the ellipsoid, shape (n, 2)."""
    lons, lats = np.atleast_1d(lons).astype(float), np.atleast_1d(lats).astype(float)
    azimuth, _, metres = GEOD.inv(np.full_like(lons, lon), np.full_like(lats, lat), lons, lats)
    feet = np.asarray(metres) / _FOOT_M
    return np.column_stack([feet * np.sin(np.radians(azimuth)), feet * np.cos(np.radians(azimuth))])


def _body(mark: Mark) -> Any:
    """The ground that a mark covers."""
    stroke = (
        mark.line.buffer(max(mark.width / 2, 0.05), cap_style="flat") if mark.stroke is not None else None
    )
    if mark.fill is None:
        return stroke
    area = shapely.make_valid(mark.area)
    return area if stroke is None else shapely.union(area, stroke)


def _grey(colour: Any) -> Any:
    """A colour as a grey; a tuple of three as it is, where it is none."""
    if colour is None:
        return 0.0
    parts = tuple(np.atleast_1d(colour).tolist())
    if len(parts) == 3 and len(set(parts)) == 1:
        parts = parts[:1]
    return float(parts[0]) if len(parts) == 1 else parts


def _read(page: Any) -> Page:
    runs: list[Run] = []
    marks: list[Mark] = []
    letters: list[LTChar] = []
    images = 0
    start = 0

    def finish() -> None:
        text = "".join(letter.get_text() for letter in letters)
        # A blank at either end fills no ground.
        while letters and not letters[-1].get_text().strip():
            letters.pop()
        while letters and not letters[0].get_text().strip():
            letters.pop(0)
        if letters:
            runs.append(_run(text.strip(), letters, start))
        letters.clear()

    for order, thing in enumerate(page.layout):
        if isinstance(thing, LTChar):
            if letters and not _goes_on(letters[-1], thing):
                finish()
            if not letters:
                start = order
            letters.append(thing)
            continue
        finish()
        if isinstance(thing, LTImage):
            images += 1
        elif isinstance(thing, LTCurve):
            points = np.array(_flat(thing))
            closed = _is_closed(thing)
            if closed and len(points) and not np.allclose(points[0], points[-1]):
                points = np.vstack([points, points[:1]])
            if len(points) > 1 and (thing.stroke or thing.fill):
                marks.append(
                    Mark(
                        points,
                        float(thing.linewidth or 0.0) if thing.stroke else 0.0,
                        _grey(thing.stroking_color) if thing.stroke else None,
                        _grey(thing.non_stroking_color) if thing.fill else None,
                        bool(thing.dashing_style and thing.dashing_style[0]),
                        order,
                    )
                )
    finish()
    return Page(
        float(page.width), float(page.height), tuple(runs), tuple(marks), images, len(page.annots or [])
    )


def _is_closed(thing: LTCurve) -> bool:
    path: Any = thing.original_path or [("",)]
    return bool(path[-1][0] == "h")


def _flat(thing: LTCurve) -> list[tuple[float, float]]:
    """Points of a path; a bent piece by five points on it."""
    points: list[tuple[float, float]] = []
    path: Any = thing.original_path or []
    for step in path:
        kind, ends = step[0], step[1:]
        if kind == "c":
            a, (b, c, d) = np.array(points[-1]), np.array(ends, dtype=float)
            for t in (0.25, 0.5, 0.75, 1.0):
                at = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d
                points.append((float(at[0]), float(at[1])))
        elif kind != "h":
            points.append((float(ends[-1][0]), float(ends[-1][1])))
    return points or [(float(x), float(y)) for x, y in thing.pts]


def _goes_on(last: LTChar, char: LTChar) -> bool:
    """Whether a character stands right behind another in the same row."""
    if last.fontname.split("+")[-1] != char.fontname.split("+")[-1] or last.matrix[:4] != char.matrix[:4]:
        return False
    a, b, _, _, x, y = last.matrix
    step = np.array([char.matrix[4] - x, char.matrix[5] - y])
    ahead = np.array([a, b]) / np.hypot(a, b)
    along, across = float(step @ ahead), float(step @ np.array([-ahead[1], ahead[0]]))
    size = _size(char)
    return abs(across) < 0.05 * size and -0.1 * size < along - last.adv < 0.6 * size


def _size(char: LTChar) -> float:
    """Size of type: what the bounds of a turned character leave when its advance is taken off."""
    a, b = np.abs(char.matrix[:2]) / np.hypot(*char.matrix[:2])
    if a > b:
        return float((char.height - char.adv * b) / a)
    return float((char.width - char.adv * a) / b)


def _run(text: str, letters: list[LTChar], order: int) -> Run:
    a, b, _, _, x, y = letters[0].matrix
    last = letters[-1]
    wide = float(np.hypot(last.matrix[4] - x, last.matrix[5] - y)) + last.adv
    size = _size(letters[0])
    flat = shapely.box(0.0, -_DROP * size, wide, _RISE * size)
    turned = affinity.rotate(flat, float(np.degrees(np.arctan2(b, a))), origin=(0, 0))
    box = affinity.translate(turned, x, y)
    font = letters[0].fontname.split("+")[-1]
    return Run(text, size, font, box, _grey(letters[0].graphicstate.ncolor), order)


def middle_of(shape: Any) -> Any:
    """Middle of the bounds, shape (2,)."""
    west, south, east, north = shape.bounds
    return np.array([(west + east) / 2, (south + north) / 2])


def rows_of(tables: dict[str, Any], name: str, building_id: str) -> Any:
    """One building's rows of a table."""
    frame = tables[name]
    return frame[frame["building_id"] == building_id]
