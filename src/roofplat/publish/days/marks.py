"""Where numbers and names stand on a drawing: on nothing else, and never off the page.

In: places and lines on a page, what is taken already.
Out: `Badge` for each number, `Label` for each name that found room.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, Point, box

from roofplat.publish.days.drawing import Label, Page, rounded

__all__ = ["START", "Badge", "corners", "place_numbers", "street_names"]

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

START = 15.0
"""Half the width of the square that the sign of the start and its name take."""

# Corners that the bar and the arrow to the north take: width and height.
_BAR_CORNER, _NORTH_CORNER = (150.0, 30.0), (40.0, 46.0)
# Rings on which a number looks for room, as multiples of its width, and the places on each.
_RINGS, _PLACES = (1.15, 1.75, 2.4, 3.2, 4.2), 12
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


def corners(start: FloatArray, page: Page) -> list[Any]:
    """Return what no number and no name may cover: the start, the bar, the arrow to the north.

    Parameters
    ----------
    start
        Where the day starts, on the page.
    page
        The page.
    """
    return [
        box(*(start - START), *(start + START + np.array([0.0, 6.0]))),
        box(page.width - _BAR_CORNER[0], page.height - _BAR_CORNER[1], page.width, page.height),
        box(page.width - _NORTH_CORNER[0], 0.0, page.width, _NORTH_CORNER[1]),
    ]


def place_numbers(
    places: FloatArray, numbers: Sequence[int], taken: Sequence[Any], page: Page, half: float
) -> list[Badge]:
    """Number places; what would lie on another number or off the page goes aside, by rings.

    Earlier numbers choose first. Where no ring has room, the number stays on its place.

    Parameters
    ----------
    places
        On the page, shape (n, 2).
    numbers
        What is written, n of them.
    taken
        Shapes on the page that no number may touch.
    page
        The page.
    half
        Half the width of a number's disc.

    Returns
    -------
    list of Badge
        One for each place.
    """
    blocked = list(taken)
    room = half + 1
    inner = box(room, room, page.width - room, page.height - room)
    turns = np.radians(np.arange(_PLACES) * 360.0 / _PLACES - 90.0)
    around = [2 * half * ring * np.array([np.cos(turn), np.sin(turn)]) for ring in _RINGS for turn in turns]
    badges = []
    for number, place in zip(numbers, places, strict=True):
        spot = place
        for offset in (np.zeros(2), *around):
            disc = Point(*(place + offset)).buffer(half)
            if inner.contains(disc.centroid) and not any(disc.intersects(other) for other in blocked):
                spot = place + offset
                break
        blocked.append(Point(*spot).buffer(room))
        badges.append(Badge(number, *rounded(spot), *rounded(place), bool(np.any(spot != place))))
    return badges


def street_names(
    lines: Shapes, names: Sequence[str], way: Any, taken: Sequence[Any], page: Page
) -> list[Label]:
    """Name the streets, those that are driven first, each once, where there is room.

    A name stands on its street; where the way runs there, beside it.

    Parameters
    ----------
    lines, names
        From `Page.streets`.
    way
        The line that is driven, on the page; empty for none.
    taken
        Shapes on the page that no name may touch.
    page
        The page.

    Returns
    -------
    list of Label
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
