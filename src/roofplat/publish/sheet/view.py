"""From ground feet to points on the page: how a plan is turned, where it lies and at what scale.

In: one building's rows, the box of the drawing, the scales of the paper.
Out: a `View`.

Side A, the address side, is at the foot of the page (common practice: the sheet is read as one stands
before the building); where no wall is known to be side A, north is up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.publish.sheet.building import Leaf
from roofplat.publish.sheet.paper import Box, Paper, Scale, largest_scale

__all__ = ["View", "find_view"]

# Room at the sides and at head and foot for what is written outside of the walls.
_ASIDE_PT, _ABOVE_PT = 34.0, 32.0
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class View:
    """The map from a building's ground feet to points on the page.

    box
        Where the drawing is.
    scale
        At which it is drawn.
    turn_deg
        True azimuth of the page's upward direction.
    middle_ft
        Feet east and north, turned, of what lies in the middle of the box.
    """

    box: Box
    scale: Scale
    turn_deg: float
    middle_ft: tuple[float, float]

    @property
    def points_per_foot(self) -> float:
        """Length on the page of a ground foot."""
        return 1.0 / self.scale.feet_per_point

    def points(self, feet: _Floats) -> _Floats:
        """Feet east and north to points on the page, shape (n, 2) both."""
        turned = feet @ _turning(self.turn_deg)
        centre = np.array([self.box.x + self.box.width / 2, self.box.y + self.box.height / 2])
        out: _Floats = (turned - np.array(self.middle_ft)) / self.scale.feet_per_point + centre
        return out

    def shapes(self, shapes: Sequence[Any]) -> npt.NDArray[np.object_]:
        """Shapes in feet to shapes in points, shape (n,)."""
        held = np.array([*shapes, None], dtype=object)[:-1]
        return np.asarray(shapely.transform(held, self.points), dtype=object)

    def page_deg(self, azimuth_deg: float) -> float:
        """A true azimuth as an angle on the page, counter-clockwise from rightward."""
        return (90.0 - (azimuth_deg - self.turn_deg)) % 360.0

    @cached_property
    def outline(self) -> Any:
        """The box as a polygon in points."""
        return shapely.box(self.box.x, self.box.y, self.box.x + self.box.width, self.box.y + self.box.height)


def find_view(leaf: Leaf, box: Box, paper: Paper) -> View:
    """Turn a building and choose the largest scale at which it fits with its ladders and labels.

    Parameters
    ----------
    leaf
        One building.
    box
        Where the drawing is to be.
    paper
        The paper with its scales.

    Returns
    -------
    View
    """
    turn_deg = _turn(leaf.frames["walls"])
    shapes = [*leaf.frames["buildings"]["geometry"], *leaf.frames["ladders"]["geometry"]]
    turned = shapely.get_coordinates(np.array([*shapes, None], dtype=object)) @ _turning(turn_deg)
    least, most = turned.min(axis=0), turned.max(axis=0)
    room = Box(box.x, box.y, box.width - 2 * _ASIDE_PT, box.height - 2 * _ABOVE_PT)
    scale = largest_scale(paper, float(most[0] - least[0]), float(most[1] - least[1]), room)
    middle = (least + most) / 2
    return View(box, scale, turn_deg, (float(middle[0]), float(middle[1])))


def _turning(turn_deg: float) -> _Floats:
    """Matrix that turns rows of feet so that an azimuth points up."""
    turn = np.radians(turn_deg)
    return np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])


def _turn(walls: pd.DataFrame) -> float:
    """Azimuth of the page's upward direction: away from side A."""
    address = walls[(walls["side"] == "A").fillna(False).to_numpy(dtype=bool)]
    address = address[address["outward_deg"].notna().to_numpy() & address["length_ft"].notna().to_numpy()]
    if address.empty:
        return 0.0
    longest = address["length_ft"].to_numpy(dtype=float).round(3).argmax()
    return float((address["outward_deg"].iloc[longest] + 180.0) % 360.0)
