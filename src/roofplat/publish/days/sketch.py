"""The map of one inspector's day: streets, the way to drive, numbered stops, where it starts.

In: outlines, streets, stops and the way in the working CRS; where the day starts.
Out: `Sketch`: numbers and texts that a page puts into an SVG; no markup.

The map is a plane in ground feet with true north up, so its bar can be laid on it. A stop whose
number would lie on another one gets it aside, with a line to the place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from shapely import Point

from roofplat.ground import Ground
from roofplat.publish.days.drawing import SLACK, Format, Label, Page, path_data, rounded
from roofplat.publish.days.marks import START, Badge, corners, place_numbers, street_names

__all__ = ["BADGE", "FAR_EDGE", "Sketch", "draw_sketch", "page_of_stops"]

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

BADGE = 9.5
"""Half the width of a stop's number on the map."""

FAR_EDGE = 40.0
"""A start that is far off is drawn so far from the edge."""

# A start is far when it lies this many widths of the map of the stops from their middle.
_FAR = 2.0
_FORM = Format(width=540.0, least_height=230.0, most_height=300.0, edge=28.0, least_span_ft=900.0)
_HEAD_EVERY, _HEAD_OFF, _HEAD = 58.0, 6.0, 4.6


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


def page_of_stops(
    outlines: Shapes, start: Point, crs: Any, ground: Ground, form: Format, *, more: Sequence[Any] = ()
) -> tuple[Page, bool]:
    """Fit stops and the start on a page, or the stops alone where the start is far off.

    Parameters
    ----------
    outlines
        Of what is visited, working CRS.
    start
        Where the day starts, working CRS.
    crs, ground, form
        As for `Page.around`.
    more
        What is to be seen too, where the start is.

    Returns
    -------
    page, far
        The page, and whether the start lies beyond it.
    """
    page = Page.around([*outlines], crs, ground, form)
    off = np.abs(page.point(start) - np.array([page.width, page.height]) / 2)
    # A map that holds a start far off would leave the stops a small part of itself.
    if off.max() > _FAR * page.width:
        return page, True
    return Page.around([*outlines, start, *more], crs, ground, form), False


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
    page, far = page_of_stops(outlines, start, stops.crs, ground, _FORM, more=[way])
    visited = page.shapes(outlines)
    lines, names = page.streets(streets)
    others = page.outlines(buildings, without=stops["building_id"].tolist())
    driven = page.cut([way]) if far else page.shapes([way])
    at = page.within(page.point(start), FAR_EDGE if far else START)
    edges = corners(at, page)
    places = shapely.get_coordinates(shapely.point_on_surface(visited))
    badges = place_numbers(places, [int(seq) for seq in stops["seq"]], edges, page, BADGE)
    heads, head_places = _heads(driven[0])
    taken = [
        *(Point(badge.x, badge.y).buffer(BADGE + 1) for badge in badges),
        *(Point(*place).buffer(_HEAD) for place in head_places),
        *edges,
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
        labels=tuple(street_names(lines, names, driven[0], taken, page)),
        bar=round(bar, 1),
        bar_words=bar_words,
    )


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
