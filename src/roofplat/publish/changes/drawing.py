"""The map of what changed, for the page.

In: one row a building that changed, ladder spots that moved, the outlines and streets around; working CRS.
Out: `ChangeMap`: numbers and path data that a page puts into an SVG; no markup.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import shapely

from roofplat.ground import Ground
from roofplat.publish.changes.summary import STATES
from roofplat.publish.days.drawing import SLACK, Format, Page, path_data

__all__ = ["ChangeMap", "draw_changes"]

_FORM = Format(width=540.0, least_height=230.0, most_height=380.0, edge=20.0, least_span_ft=600.0)
# A building that is smaller on the page gets a dot of this radius, so that it is seen at all.
_DOT, _LEAST_AREA = 2.2, 12.0
# Whose rank alone moved is many, and no news of the building.
_WITHOUT_DOT = ("rank",)


@dataclass(frozen=True, slots=True)
class ChangeMap:
    """A map for a page: SVG path data, y down.

    changed
        Path data by state, see `summary.STATES`.
    moves
        Path data of lines from where a ladder stood to where it stands.
    bar, bar_words
        Length of the scale bar on the page, and on the ground.
    """

    width: float
    height: float
    streets: str
    others: str
    changed: Mapping[str, str]
    moves: str
    bar: float
    bar_words: str


def draw_changes(
    changed: gpd.GeoDataFrame,
    moves: gpd.GeoDataFrame,
    *,
    buildings: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame | None,
    ground: Ground,
) -> ChangeMap | None:
    """Lay out the map.

    Parameters
    ----------
    changed
        From `summary.by_building`.
    moves
        `tables.CHANGE_TABLES["ladder_moves"]`.
    buildings, streets
        The district as it is after, working CRS.
    ground
        What a foot is.

    Returns
    -------
    ChangeMap or None
        None where nothing changed. What is told of by more than a rank fits on the page; ranks that moved are
        shown as far as they lie there, and all of them where nothing else changed.
    """
    if changed.empty:
        return None
    told = changed[~changed["state"].isin(_WITHOUT_DOT)]
    held = told if len(told) else changed
    page = Page.around([*held.geometry.to_numpy()], changed.crs, ground, _FORM)
    lines, _ = page.streets(streets)
    drawn = {}
    for state in STATES:
        own = changed[changed["state"] == state]
        if state in _WITHOUT_DOT:
            drawn[state] = path_data(page.outlines(own, without=[]))
            continue
        shapes = page.cut(own.geometry.to_numpy())
        shapes = shapes[~shapely.is_empty(shapes)]
        small = shapely.area(shapes) < _LEAST_AREA
        shapes[small] = shapely.buffer(shapely.centroid(shapes[small]), _DOT, quad_segs=4)
        drawn[state] = path_data(shapely.simplify(shapes, SLACK))
    bar, words = page.bar()
    return ChangeMap(
        width=page.width,
        height=round(page.height, 1),
        streets=path_data(lines),
        others=path_data(page.outlines(buildings, without=changed["building_id"].tolist())),
        changed=drawn,
        moves=path_data(page.cut(moves.geometry.to_numpy())),
        bar=round(bar, 1),
        bar_words=words,
    )
