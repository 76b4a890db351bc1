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
from shapely import LineString, Point, box

from roofplat.ground import Ground
from roofplat.publish.days.drawing import SLACK, Format, Label, Page, path_data, rounded

__all__ = ["BADGE", "Badge", "Sketch", "draw_sketch"]

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

BADGE = 9.5
"""Half the width of a stop's number on the map."""

# A start is far when it lies this many widths of the map of the stops from their middle; it is then drawn
# so far from the edge.
_FAR, _FAR_EDGE = 2.0, 40.0
_FORM = Format(width=540.0, least_height=230.0, most_height=300.0, edge=28.0, least_span_ft=900.0)
# Half the width of the square that the sign of the start and its name take.
_START = 15.0
# Corners that the bar and the arrow to the north take: width and height.
_BAR_CORNER, _NORTH_CORNER = (150.0, 30.0), (40.0, 46.0)
# Rings on which a number looks for room, as multiples of a badge's width, and the places on each.
_RINGS, _PLACES = (1.15, 1.75, 2.4, 3.2, 4.2), 12
_HEAD_EVERY, _HEAD_OFF, _HEAD = 58.0, 6.0, 4.6
_TYPE, _LETTER, _WIDE_LETTER = 8.5, 0.58, 1.0
_LONGEST_NAME = 32
_MOST_LABELS = 40
_UPRIGHT = 0.09
_LABEL_AT = (0.5, 0.3, 0.7, 0.15, 0.85)


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
class Sketch:
    """A map for a page: SVG path data and places, y down.

    streets, others, visited, way, heads
        Path data: streets, outlines of buildings that are passed and of those that are visited,
        the way, and the heads that tell its direction.
    guessed_way
        Some of the way is straight lines: nobody knows along which streets.
    start, start_is_far
        Where the day starts and ends, x and y; one that is far off stands at the edge.
    bar, bar_words
        Length of the scale bar on the page, and on the ground.
    """

    width: float
    height: float
    streets: str
    others: str
    visited: str
    way: str
    heads: str
    guessed_way: bool
    start: tuple[float, float]
    start_is_far: bool
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
    start: Point,
    ground: Ground,
) -> Sketch:
    """Lay out the map of one inspector's day.

    Parameters
    ----------
    stops
        `building_id`, `seq` and the outline of each building visited, in the order of the visits;
        working CRS.
    buildings
        Outlines of the district, working CRS.
    streets
        `name` and lines, working CRS; None where there is no such layer.
    way
        The line along which the inspector drives, in its direction, working CRS.
    guessed_way
        Whether some of it is straight lines.
    start
        Where the day starts and ends, working CRS.
    ground
        What a foot is.

    Returns
    -------
    Sketch
    """
    outlines: Shapes = stops.geometry.to_numpy()
    page = Page.around([*outlines], stops.crs, ground, _FORM)
    off = np.abs(page.point(start) - np.array([page.width, page.height]) / 2)
    # A map that holds a start far off would leave the stops a small part of itself.
    far = bool(off.max() > _FAR * page.width)
    if not far:
        page = Page.around([*outlines, way, start], stops.crs, ground, _FORM)
    visited = page.shapes(outlines)
    lines, names = page.streets(streets)
    others = page.outlines(buildings, without=stops["building_id"].tolist())
    driven = page.cut([way]) if far else page.shapes([way])
    at = page.within(page.point(start), _FAR_EDGE if far else _START)
    badges = _badges(visited, [int(seq) for seq in stops["seq"]], at, page)
    heads, head_places = _heads(driven[0])
    taken = [
        *(Point(badge.x, badge.y).buffer(BADGE + 1) for badge in badges),
        *(Point(*place).buffer(_HEAD) for place in head_places),
        *_corners(at, page),
    ]
    bar, bar_words = page.bar()
    return Sketch(
        width=page.width,
        height=round(page.height, 1),
        streets=path_data(lines),
        others=path_data(others),
        visited=path_data(shapely.simplify(visited, SLACK)),
        way=path_data(shapely.simplify(driven, SLACK)),
        heads=heads,
        guessed_way=guessed_way,
        start=rounded(at),
        start_is_far=far,
        badges=tuple(badges),
        labels=tuple(_labels(lines, names, driven[0], taken, page)),
        bar=round(bar, 1),
        bar_words=bar_words,
    )


def _corners(start: FloatArray, page: Page) -> list[Any]:
    """What no number and no name may cover: the start, the bar, the arrow to the north."""
    return [
        box(*(start - _START), *(start + _START + np.array([0.0, 6.0]))),
        box(page.width - _BAR_CORNER[0], page.height - _BAR_CORNER[1], page.width, page.height),
        box(page.width - _NORTH_CORNER[0], 0.0, page.width, _NORTH_CORNER[1]),
    ]


def _badges(visited: Shapes, numbers: Sequence[int], start: FloatArray, page: Page) -> list[Badge]:
    """Number the stops; what would lie on another number or off the page goes aside, by rings.

    Earlier stops choose first. Where no ring has room, the number stays on its place.
    """
    places = shapely.get_coordinates(shapely.point_on_surface(visited))
    taken = _corners(start, page)
    room = BADGE + 1
    inner = box(room, room, page.width - room, page.height - room)
    turns = np.radians(np.arange(_PLACES) * 360.0 / _PLACES - 90.0)
    around = [2 * BADGE * ring * np.array([np.cos(turn), np.sin(turn)]) for ring in _RINGS for turn in turns]
    badges = []
    for number, place in zip(numbers, places, strict=True):
        spot = place
        for offset in (np.zeros(2), *around):
            tried = Point(*(place + offset))
            if inner.contains(tried) and not any(tried.buffer(BADGE).intersects(other) for other in taken):
                spot = place + offset
                break
        taken.append(Point(*spot).buffer(room))
        aside = bool(np.any(spot != place))
        badges.append(Badge(number, *rounded(spot), *rounded(place), aside))
    return badges


def _labels(lines: Shapes, names: Sequence[str], way: Any, taken: Sequence[Any], page: Page) -> list[Label]:
    """Name the streets, those that are driven first, each once, where there is room.

    A name stands on its street; where the way runs there, beside it.
    """
    parts, owner = shapely.get_parts(lines, return_index=True)
    if not len(parts):
        return []
    points, line = shapely.get_coordinates(parts, return_index=True)
    same = line[1:] == line[:-1]
    ends = np.column_stack([points[:-1], points[1:]])[same]
    of = owner[line[1:][same]]
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    driven = (
        shapely.length(shapely.intersection(shapely.linestrings(ends.reshape(-1, 2, 2)), way.buffer(1.0)))
        > 2 * _TYPE
    )
    order = np.lexsort((np.arange(len(ends)), -length, ~driven))
    inner = box(4, 4, page.width - 4, page.height - 4)
    blocked = [*taken, way.buffer(2.0)]
    found: dict[str, Label] = {}
    for row in order:
        name = _street_name(names[of[row]])
        wide = _width(name)
        if not name or name in found or length[row] < wide + 4:
            continue
        ahead = (ends[row, 2:] - ends[row, :2]) / length[row]
        # Read from left to right, streets that are nearly upright from the bottom.
        ahead = ahead if ahead[0] > _UPRIGHT or (ahead[0] > -_UPRIGHT and ahead[1] < 0) else -ahead
        above = np.array([ahead[1], -ahead[0]])
        beside = [_TYPE * above, -_TYPE * above] if driven[row] else [np.zeros(2)]
        for share, off in ((share, off) for share in _LABEL_AT for off in beside):
            middle = ends[row, :2] + share * (ends[row, 2:] - ends[row, :2]) + off
            half = ahead * wide / 2
            strip = LineString([middle - half, middle + half]).buffer(_TYPE * 0.55, cap_style="flat")
            if inner.contains(strip) and not any(strip.intersects(other) for other in blocked):
                turn = float(np.degrees(np.arctan2(ahead[1], ahead[0])))
                found[name] = Label(name, *rounded(middle), round(turn, 1) + 0.0)
                blocked.append(strip)
                break
        if len(found) == _MOST_LABELS:
            break
    return list(found.values())


def _street_name(text: str) -> str:
    """One line of a length that a map can hold."""
    name = " ".join(text.split())
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1].rstrip() + "…"


def _width(name: str) -> float:
    """About how wide a name is on the page."""
    wide = [unicodedata.east_asian_width(letter) in "WF" for letter in name]
    return _TYPE * sum(_WIDE_LETTER if one else _LETTER for one in wide)


def _heads(way: Any) -> tuple[str, list[FloatArray]]:
    """Heads along the way, each on the right of it: out and back on one street both show."""
    heads, places = [], []
    steps = [
        (part, float(at))
        for part in shapely.get_parts(way)
        for at in np.arange(_HEAD_EVERY / 2, part.length, _HEAD_EVERY)
    ]
    for part, at in steps:
        behind, here = (
            shapely.get_coordinates(part.interpolate(step))[0] for step in (max(at - 3.0, 0.0), at)
        )
        long = float(np.hypot(*(here - behind)))
        # Around a corner the two are near each other, and point nowhere.
        if long < 2.0:
            continue
        ahead = (here - behind) / long
        right = np.array([-ahead[1], ahead[0]])
        middle = here + _HEAD_OFF * right
        corners = [
            middle + _HEAD * ahead,
            middle - 0.7 * _HEAD * ahead + 0.65 * _HEAD * right,
            middle - 0.7 * _HEAD * ahead - 0.65 * _HEAD * right,
        ]
        heads.append("M" + "L".join("{:g} {:g}".format(*rounded(corner)) for corner in corners) + "Z")
        places.append(middle)
    return "".join(heads), places
