"""The outline of one building to draw on: what is on record of its roof, and paper for the rest.

In: a building's outline, sections, walls and what stands on its roof, working CRS.
Out: `Site`: numbers and texts that a page puts into an SVG; no markup.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely import LineString, Point

from roofplat.ground import Ground
from roofplat.publish.days.drawing import Format, Label, Page, path_data, rounded

__all__ = ["Site", "draw_site"]

Shapes = npt.NDArray[np.object_]

_FORM = Format(width=190.0, least_height=120.0, most_height=150.0, edge=21.0, least_span_ft=40.0)
_LETTER_OFF = 9.0
_LETTER_AT = (0.5, 0.75, 0.25, 0.9, 0.1)
_POINT = 2.2
_SURE = ("surveyed", "recorded", "drawn")


@dataclass(frozen=True, slots=True)
class Site:
    """A drawing of one building: SVG path data and places, y down.

    outline, sections, things, guessed, wires, others, streets
        Path data: the building, lines between its roof sections, what stands on its roof as somebody
        says, the same as somebody guesses, lines overhead, other buildings, streets.
    sides
        Letters of the sides, each outside its longest wall.
    """

    width: float
    height: float
    outline: str
    sections: str
    things: str
    guessed: str
    wires: str
    others: str
    streets: str
    sides: tuple[Label, ...]
    bar: float
    bar_words: str


def draw_site(building_id: str, outline: Any, tables: Mapping[str, Any], ground: Ground) -> Site:
    """Draw one building for somebody who goes there.

    Parameters
    ----------
    building_id
        The building.
    outline
        Its outline, working CRS.
    tables
        `buildings`; `sections`, `walls`, `obstacles` and `streets` where there are any; working CRS.
    ground
        What a foot is.

    Returns
    -------
    Site
    """
    buildings = tables["buildings"]
    page = Page.around([outline], buildings.crs, ground, _FORM)
    shape = page.shapes([outline])[0]
    lines, _ = page.streets(tables.get("streets"))
    things, guessed, wires = _things(building_id, tables.get("obstacles"), page)
    bar, bar_words = page.bar()
    return Site(
        width=page.width,
        height=round(page.height, 1),
        outline=path_data([shape]),
        sections=path_data(_between(building_id, tables.get("sections"), page)),
        things=path_data(things),
        guessed=path_data(guessed),
        wires=path_data(wires),
        others=path_data(page.outlines(buildings, without=[building_id])),
        streets=path_data(lines),
        sides=tuple(_sides(building_id, tables.get("walls"), shape, page)),
        bar=round(bar, 1),
        bar_words=bar_words,
    )


def _own(building_id: str, frame: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame | None:
    """Rows of the building; None where there are none."""
    if frame is None or not len(frame):
        return None
    own = frame[frame["building_id"] == building_id]
    return own if len(own) else None


def _between(building_id: str, sections: gpd.GeoDataFrame | None, page: Page) -> Shapes:
    """Lines where one section of the roof meets another."""
    own = _own(building_id, sections)
    if own is None or len(own) < 2:
        return np.array([], dtype=object)
    shapes = page.shapes(own.sort_values("section_id", kind="stable").geometry.to_numpy())
    rest = [shapely.union_all(np.delete(shapes, number)) for number in range(len(shapes))]
    met = shapely.intersection(shapely.boundary(shapes), shapely.boundary(np.array(rest, dtype=object)))
    return met[shapely.get_dimensions(met) >= 1]


def _things(
    building_id: str, obstacles: gpd.GeoDataFrame | None, page: Page
) -> tuple[Shapes, Shapes, Shapes]:
    """What stands on the roof, as somebody says and as somebody guesses, and the lines overhead."""
    none: Shapes = np.array([], dtype=object)
    if obstacles is None or not len(obstacles):
        return none, none, none
    near = page.rows(obstacles)
    near = near[(near["building_id"] == building_id) | near["building_id"].isna()]
    near = near.sort_values("obstacle_id", kind="stable")
    shapes = page.cut(near.geometry.to_numpy())
    dots = shapely.get_dimensions(shapes) == 0
    shapes = np.where(dots, shapely.buffer(shapes, _POINT, quad_segs=3), shapes)
    sure = near["basis"].isin(_SURE).to_numpy(dtype=bool)
    wires = (near["kind"] == "overhead_line").to_numpy(dtype=bool)
    return shapes[sure & ~wires], shapes[~sure & ~wires], shapes[wires]


def _sides(building_id: str, walls: gpd.GeoDataFrame | None, outline: Any, page: Page) -> list[Label]:
    """The letter of each side, outside its longest wall.

    A wall of one section may run on inside the building, so the middle of it is not always outside.
    """
    own = _own(building_id, walls)
    if own is None:
        return []
    rows = pd.DataFrame(own).dropna(subset=["side", "outward_deg"])
    rows = rows.sort_values(["side", "length_ft", "section_id", "wall"], ascending=[True, False, True, True])
    building = outline.buffer(_LETTER_OFF / 2)
    found: dict[str, Label] = {}
    for row in rows.to_dict("records"):
        side = str(row["side"])
        line: LineString = page.shapes([row["geometry"]])[0]
        turn = np.radians(float(row["outward_deg"]))
        off = _LETTER_OFF * np.array([np.sin(turn), -np.cos(turn)])
        for share in _LETTER_AT:
            spot = shapely.get_coordinates(line.interpolate(share, normalized=True))[0] + off
            if side not in found and not building.contains(Point(*spot)):
                found[side] = Label(side, *rounded(spot))
    return list(found.values())
