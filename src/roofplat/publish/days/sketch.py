"""The map of one inspector's day: streets, the way to drive, numbered stops, where it starts.

In: outlines, streets, stops and the way in the working CRS; where the day starts.
Out: `Sketch`: numbers and texts that a page puts into an SVG; no markup.

The map is a plane in ground feet with true north up, so its bar can be laid on it. A stop whose
number would lie on another one gets it aside, with a line to the place.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS
from shapely import LineString, Point, box

from roofplat.ground import Ground, local_planes

__all__ = ["Badge", "Label", "Sketch", "draw_sketch"]

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

# The page of the drawing, in its own units: on letter and A4 one unit is about one point.
_WIDTH, _LEAST_HEIGHT, _MOST_HEIGHT = 540.0, 250.0, 350.0
_EDGE = 26.0
_LEAST_SPAN_FT = 900.0
_MILE_FT = 5280.0
_BADGE = 9.5
# Rings on which a number looks for room, as multiples of a badge's width, and the places on each.
_RINGS, _PLACES = (1.15, 1.75, 2.4, 3.2, 4.2), 12
_ARROW_EVERY, _ARROW_LEAST = 64.0, 16.0
_TYPE, _LETTER, _WIDE_LETTER = 8.0, 0.56, 1.0
_LONGEST_NAME = 32
_MOST_LABELS = 40
_LABEL_AT = (0.5, 0.3, 0.7, 0.15, 0.85)
# Outlines smaller than this many square units are dust on the page.
_DUST = 1.2
_SLACK = 0.35
_BAR_SHARE = 0.2
_BAR_STEPS = (1.0, 2.0, 2.5, 5.0)


@dataclass(frozen=True, slots=True)
class Badge:
    """The number of a stop: where it is written, and the place it stands for."""

    number: int
    x: float
    y: float
    at_x: float
    at_y: float
    aside: bool


@dataclass(frozen=True, slots=True)
class Label:
    """The name of a street: its middle on the page, and degrees clockwise from level."""

    text: str
    x: float
    y: float
    turn_deg: float


@dataclass(frozen=True, slots=True)
class Sketch:
    """A map for a page: SVG path data and places, y down.

    streets, others, visited, way, arrows
        Path data: streets, outlines of buildings that are passed and of those that are visited,
        the way, and the heads that tell its direction.
    guessed_way
        The way is straight lines: nobody knows along which streets.
    start
        Where the day starts, x and y; None where the map does not know.
    bar
        Length of the scale bar on the page.
    """

    width: float
    height: float
    streets: str
    others: str
    visited: str
    way: str
    arrows: str
    guessed_way: bool
    start: tuple[float, float] | None
    badges: tuple[Badge, ...]
    labels: tuple[Label, ...]
    bar: float
    bar_words: str


def draw_sketch(
    stops: gpd.GeoDataFrame,
    *,
    buildings: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame | None,
    way: Any,
    guessed_way: bool,
    start: Point | None,
    ground: Ground,
) -> Sketch:
    """Lay out the map of one inspector's day.

    Parameters
    ----------
    stops
        `seq` and the outline of each building visited, in the order of the visits; working CRS.
    buildings
        Outlines of the district, working CRS.
    streets
        `name` and lines, working CRS; None where there is no such layer.
    way
        The lines along which the inspector drives, in their order and direction; None for none.
    guessed_way
        Whether the way is straight lines.
    start
        Where the day starts, working CRS.
    ground
        What a foot is.

    Returns
    -------
    Sketch
    """
    outlines: Shapes = stops.geometry.to_numpy()
    held: list[Any] = [
        *outlines,
        *([way] if way is not None else []),
        *([start] if start is not None else []),
    ]
    page = _Page.around(held, stops.crs, ground)
    visited = page.shapes(outlines)
    lines, names = _seen_streets(streets, page)
    others = _seen_outlines(buildings, page, without=set(stops["building_id"]))
    drawn_way = page.shapes(np.array([way], dtype=object))[0] if way is not None else LineString()
    at = None if start is None else shapely.get_coordinates(page.shapes(np.array([start], dtype=object)))[0]
    badges, taken = _badges(visited, [int(seq) for seq in stops["seq"]], at, page)
    bar, bar_words = page.bar()
    return Sketch(
        width=page.width,
        height=page.height,
        streets=_path(lines),
        others=_path(others),
        visited=_path(visited),
        way=_path(shapely.simplify(np.array([drawn_way], dtype=object), _SLACK)),
        arrows=_arrows(drawn_way),
        guessed_way=guessed_way,
        start=None if at is None else (float(at[0]), float(at[1])),
        badges=tuple(badges),
        labels=tuple(_labels(lines, names, drawn_way, taken, page)),
        bar=bar,
        bar_words=bar_words,
    )


@dataclass(frozen=True, slots=True)
class _Page:
    """From the working CRS to the page, by one linear map about the middle of what is shown."""

    matrix: FloatArray
    origin: FloatArray
    width: float
    height: float
    feet_per_unit: float

    @classmethod
    def around(cls, held: Sequence[Any], crs: CRS, ground: Ground) -> _Page:
        """Fit everything that must be seen on the page, with an edge about it."""
        west, south, east, north = shapely.total_bounds(np.array(held, dtype=object))
        origin = np.array([(west + east) / 2, (south + north) / 2])
        planes = local_planes(origin[:1], origin[1:], CRS(crs), ground)
        to_feet = planes.to_feet[0]
        points = shapely.get_coordinates(np.array(held, dtype=object))
        feet = (points - origin) @ to_feet.T
        low, high = feet.min(axis=0), feet.max(axis=0)
        wide, tall = np.maximum(high - low, _LEAST_SPAN_FT * np.array([1.0, _LEAST_HEIGHT / _WIDTH]))
        inner = _WIDTH - 2 * _EDGE
        height = float(np.clip(inner * tall / wide + 2 * _EDGE, _LEAST_HEIGHT, _MOST_HEIGHT))
        feet_per_unit = float(max(wide / inner, tall / (height - 2 * _EDGE)))
        middle = (low + high) / 2
        flip = np.diag([1.0, -1.0]) / feet_per_unit
        matrix = flip @ to_feet
        shift = np.array([_WIDTH / 2, height / 2]) - flip @ middle - matrix @ origin
        return cls(matrix, shift, _WIDTH, height, feet_per_unit)

    def shapes(self, shapes: Shapes) -> Shapes:
        """Bring shapes to the page."""
        moved: Shapes = shapely.transform(shapes, lambda points: points @ self.matrix.T + self.origin)
        return moved

    @property
    def frame(self) -> Any:
        return box(0.0, 0.0, self.width, self.height)

    def bounds(self) -> Any:
        """Return what the page shows, as a shape in the working CRS."""
        back = np.linalg.inv(self.matrix)
        return shapely.transform(self.frame, lambda points: (points - self.origin) @ back.T)

    def bar(self) -> tuple[float, str]:
        """Give the longest round length that the bar may have, and its words."""
        most_ft = _BAR_SHARE * self.width * self.feet_per_unit
        unit_ft, word = (1.0, "ft") if most_ft < 0.2 * _MILE_FT else (_MILE_FT, "mi")
        most = most_ft / unit_ft
        size = 10.0 ** np.floor(np.log10(most))
        length = max(
            step * scale for step in _BAR_STEPS for scale in (size, size / 10) if step * scale <= most
        )
        return float(length * unit_ft / self.feet_per_unit), f"{length:g} {word}"


def _seen_streets(streets: gpd.GeoDataFrame | None, page: _Page) -> tuple[Shapes, list[str]]:
    """Streets on the page, cut at its edge, and the name of each."""
    if streets is None or streets.empty:
        return np.array([], dtype=object), []
    near = streets.iloc[np.sort(streets.sindex.query(page.bounds(), predicate="intersects"))]
    lines = shapely.clip_by_rect(page.shapes(near.geometry.to_numpy()), 0.0, 0.0, page.width, page.height)
    lines = shapely.simplify(lines, _SLACK)
    kept = ~shapely.is_empty(lines) & (shapely.get_dimensions(lines) == 1)
    return lines[kept], near["name"].astype("str").fillna("")[kept].tolist()


def _seen_outlines(buildings: gpd.GeoDataFrame, page: _Page, *, without: set[str]) -> Shapes:
    """Outlines on the page that are large enough to be seen there."""
    near = buildings.iloc[np.sort(buildings.sindex.query(page.bounds(), predicate="intersects"))]
    near = near[~near["building_id"].isin(without)]
    shapes = page.shapes(near.geometry.to_numpy())
    shapes = shapely.simplify(shapes[shapely.area(shapes) >= _DUST], _SLACK)
    cut: Shapes = shapely.clip_by_rect(shapes, 0.0, 0.0, page.width, page.height)
    return cut[~shapely.is_empty(cut)]


def _badges(
    visited: Shapes, numbers: Sequence[int], start: FloatArray | None, page: _Page
) -> tuple[list[Badge], list[Any]]:
    """Number the stops; what would lie on another number or off the page goes aside, by rings.

    Earlier stops choose first. Where no ring has room, the number stays on its place.
    """
    places = shapely.get_coordinates(shapely.point_on_surface(visited))
    taken: list[Any] = [] if start is None else [box(*(start - 13.0), *(start + 13.0))]
    inner = box(_BADGE + 1, _BADGE + 1, page.width - _BADGE - 1, page.height - _BADGE - 1)
    turns = np.radians(np.arange(_PLACES) * 360.0 / _PLACES - 90.0)
    around = [2 * _BADGE * ring * np.array([np.cos(turn), np.sin(turn)]) for ring in _RINGS for turn in turns]
    badges = []
    for number, place in zip(numbers, places, strict=True):
        spot = place
        for offset in (np.zeros(2), *around):
            tried = Point(*(place + offset))
            if inner.contains(tried) and not any(tried.buffer(_BADGE).intersects(other) for other in taken):
                spot = place + offset
                break
        taken.append(Point(*spot).buffer(_BADGE + 1))
        aside = bool(np.any(spot != place))
        badges.append(Badge(number, *_rounded(spot), *_rounded(place), aside))
    return badges, taken


def _labels(lines: Shapes, names: Sequence[str], way: Any, taken: Sequence[Any], page: _Page) -> list[Label]:
    """Name the streets, those that are driven first, each once, where there is room."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    if not len(parts):
        return []
    points, line = shapely.get_coordinates(parts, return_index=True)
    same = line[1:] == line[:-1]
    ends = np.column_stack([points[:-1], points[1:]])[same]
    of = owner[line[1:][same]]
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    driven = shapely.dwithin(shapely.linestrings(ends.reshape(-1, 2, 2)), way, 1.0) if len(ends) else []
    order = np.lexsort((np.arange(len(ends)), -length, ~np.asarray(driven, dtype=bool)))
    inner = box(4, 4, page.width - 4, page.height - 4)
    blocked = list(taken)
    found: dict[str, Label] = {}
    for row in order:
        name = _street_name(names[of[row]])
        if not name or name in found:
            continue
        wide = sum(
            _WIDE_LETTER if unicodedata.east_asian_width(letter) in "WF" else _LETTER for letter in name
        )
        wide *= _TYPE
        if length[row] < wide + 4:
            continue
        ahead = (ends[row, 2:] - ends[row, :2]) / length[row]
        # Read from left to right, upward streets from the bottom.
        ahead = ahead if ahead[0] > 1e-6 or (abs(ahead[0]) <= 1e-6 and ahead[1] < 0) else -ahead
        for share in _LABEL_AT:
            middle = ends[row, :2] + share * (ends[row, 2:] - ends[row, :2])
            half = ahead * wide / 2
            strip = LineString([middle - half, middle + half]).buffer(_TYPE * 0.6, cap_style="flat")
            if inner.contains(strip) and not any(strip.intersects(other) for other in blocked):
                turn = float(np.degrees(np.arctan2(ahead[1], ahead[0])))
                found[name] = Label(name, *_rounded(middle), round(turn, 1))
                blocked.append(strip)
                break
        if len(found) == _MOST_LABELS:
            break
    return list(found.values())


def _street_name(text: str) -> str:
    """One line of a length that a map can hold."""
    name = " ".join(text.split())
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1].rstrip() + "…"


def _arrows(way: Any) -> str:
    """Heads along the way, each on the right of it: out and back on one street both show."""
    heads = []
    for part in shapely.get_parts(way):
        for at in np.arange(_ARROW_EVERY / 2, part.length, _ARROW_EVERY):
            behind, here = (
                shapely.get_coordinates(part.interpolate(float(step)))[0] for step in (max(at - 3.0, 0.0), at)
            )
            long = float(np.hypot(*(here - behind)))
            if part.length < _ARROW_LEAST or long < 0.5:
                continue
            ahead = (here - behind) / long
            right = np.array([-ahead[1], ahead[0]])
            middle = here + 5.0 * right
            corners = [
                middle + 4.2 * ahead,
                middle - 3.0 * ahead + 2.6 * right,
                middle - 3.0 * ahead - 2.6 * right,
            ]
            heads.append("M" + "L".join("{:g} {:g}".format(*_rounded(corner)) for corner in corners) + "Z")
    return "".join(heads)


def _path(shapes: Shapes) -> str:
    """SVG path data of lines and outlines, to a tenth of a unit."""
    rows = shapely.get_parts(shapes)
    areas = shapely.get_dimensions(rows) == 2
    rings = np.concatenate(
        [shapely.get_rings(rows[areas]), shapely.get_parts(shapely.line_merge(rows[~areas]))]
    )
    points, owner = shapely.get_coordinates(rings, return_index=True)
    if not len(points):
        return ""
    points = np.round(points, 1) + 0.0
    first = np.r_[True, owner[1:] != owner[:-1]]
    # A point that rounds onto the one before it says nothing.
    kept = first | np.r_[True, np.any(points[1:] != points[:-1], axis=1)]
    pens = np.where(first, "M", "L")[kept]
    return "".join(
        f"{pen}{x:g} {y:g}" for pen, (x, y) in zip(pens.tolist(), points[kept].tolist(), strict=True)
    )


def _rounded(point: FloatArray) -> tuple[float, float]:
    return round(float(point[0]), 1) + 0.0, round(float(point[1]), 1) + 0.0
