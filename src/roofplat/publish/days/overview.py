"""The map of a whole plan: on which day which building is visited, and what is left out beside it.

In: outlines of what is visited and of what is left out, streets, the start; working CRS.
Out: `Overview`: numbers and texts that a page puts into an SVG; no markup.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from shapely import LineString, Point

from roofplat.ground import Ground
from roofplat.publish.days.drawing import Format, Label, path_data, rounded
from roofplat.publish.days.marks import START, Badge, corners, place_numbers, street_names
from roofplat.publish.days.sketch import FAR_EDGE, page_of_stops

__all__ = ["SMALL_BADGE", "Overview", "draw_overview"]

SMALL_BADGE = 6.2
"""Half the width of a day's number on the map."""

_FORM = Format(width=540.0, least_height=230.0, most_height=360.0, edge=24.0, least_span_ft=900.0)
# More numbers than this make no map; dots then stand for them.
_MOST_NUMBERS = 120
_DOT, _LEFT = 2.6, 2.4


@dataclass(frozen=True, slots=True)
class Overview:
    """A map for a page: SVG path data and places, y down.

    streets, others, visited, left
        Path data: streets, outlines that are neither, outlines of what is visited, and small rings
        on what is left out.
    badges
        The number of the day on each building visited; none where there are too many.
    dots
        Path data of dots that stand for the numbers then.
    start, start_is_far
        Where the days start, x and y; one that is far off stands at the edge.
    """

    width: float
    height: float
    streets: str
    others: str
    visited: str
    left: str
    badges: tuple[Badge, ...]
    dots: str
    labels: tuple[Label, ...]
    start: tuple[float, float]
    start_is_far: bool
    bar: float
    bar_words: str


def draw_overview(
    visited: gpd.GeoDataFrame,
    left: gpd.GeoDataFrame,
    *,
    buildings: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame | None,
    start: Point,
    ground: Ground,
) -> Overview:
    """Lay out the map of a plan.

    Parameters
    ----------
    visited
        `building_id`, `number` of the day from 1, and outlines, working CRS; one row at least.
    left
        Outlines of what is left out and worth showing, working CRS.
    buildings, streets
        The district, working CRS.
    start
        Where the days start and end, working CRS.
    ground
        What a foot is.

    Returns
    -------
    Overview
    """
    outlines: Any = visited.geometry.to_numpy()
    page, far = page_of_stops(outlines, start, visited.crs, ground, _FORM)
    at = page.within(page.point(start), FAR_EDGE if far else START)
    edges = corners(at, page)
    shapes = page.shapes(outlines)
    places = shapely.get_coordinates(shapely.point_on_surface(shapes))
    many = len(visited) > _MOST_NUMBERS
    numbers = [] if many else [int(number) for number in visited["number"]]
    badges = place_numbers(places[: len(numbers)], numbers, edges, page, SMALL_BADGE)
    taken = [*(Point(badge.x, badge.y).buffer(SMALL_BADGE) for badge in badges), *edges]
    lines, names = page.streets(streets)
    others = page.outlines(buildings, without=visited["building_id"].tolist())
    beside: Any = page.cut(shapely.point_on_surface(left.geometry.to_numpy()))
    bar, bar_words = page.bar()
    return Overview(
        width=page.width,
        height=round(page.height, 1),
        streets=path_data(lines),
        others=path_data(others),
        visited=path_data(shapes),
        left=path_data(shapely.buffer(beside[~shapely.is_empty(beside)], _LEFT, quad_segs=4)),
        badges=tuple(badges),
        dots=path_data(shapely.buffer(shapely.points(places), _DOT, quad_segs=4)) if many else "",
        labels=tuple(street_names(lines, names, LineString(), taken, page)),
        start=rounded(np.asarray(at)),
        start_is_far=far,
        bar=round(bar, 1),
        bar_words=bar_words,
    )
