"""A small plane to draw on: from the working CRS to the page, what is seen there, SVG path data.

In: shapes in the working CRS, the size of a drawing.
Out: `Page`, a linear map in ground feet with true north up; path data to a tenth of a unit, y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS
from shapely import box

from roofplat.ground import Ground, local_planes

__all__ = ["Format", "Label", "Page", "path_data", "rounded"]

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

SLACK = 0.35
"""A line on the page may lie this many units off."""

_MILE_FT = 5280.0
# Outlines smaller than this many square units are dust on the page.
_DUST = 1.2
_BAR_SHARE = 0.22
_BAR_STEPS = (1.0, 2.0, 2.5, 5.0)


@dataclass(frozen=True, slots=True)
class Format:
    """How large a drawing is, in units: on letter and A4 one is about one point.

    edge
        Free on every side of what must be seen.
    least_span_ft
        Width on the ground, at least.
    """

    width: float
    least_height: float
    most_height: float
    edge: float
    least_span_ft: float


@dataclass(frozen=True, slots=True)
class Label:
    """A text on the page: its middle, and degrees clockwise from level."""

    text: str
    x: float
    y: float
    turn_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Page:
    """From the working CRS to the page, by one linear map about the middle of what is shown."""

    matrix: FloatArray
    origin: FloatArray
    width: float
    height: float
    feet_per_unit: float

    @classmethod
    def around(cls, held: Sequence[Any], crs: Any, ground: Ground, form: Format) -> Page:
        """Fit everything that must be seen on the page.

        Parameters
        ----------
        held
            Shapes, working CRS.
        crs
            The working CRS.
        ground
            What a foot is.
        form
            The size of the drawing.

        Returns
        -------
        Page
        """
        shapes = np.array(held, dtype=object)
        west, south, east, north = shapely.total_bounds(shapes)
        origin = np.array([(west + east) / 2, (south + north) / 2])
        to_feet = local_planes(origin[:1], origin[1:], CRS(crs), ground).to_feet[0]
        feet = (shapely.get_coordinates(shapes) - origin) @ to_feet.T
        low, high = feet.min(axis=0), feet.max(axis=0)
        least = form.least_span_ft * np.array([1.0, form.least_height / form.width])
        wide, tall = np.maximum(high - low, least)
        inner = form.width - 2 * form.edge
        height = float(np.clip(inner * tall / wide + 2 * form.edge, form.least_height, form.most_height))
        feet_per_unit = float(max(wide / inner, tall / (height - 2 * form.edge)))
        flip = np.diag([1.0, -1.0]) / feet_per_unit
        matrix = flip @ to_feet
        shift = np.array([form.width / 2, height / 2]) - flip @ ((low + high) / 2) - matrix @ origin
        return cls(matrix, shift, form.width, height, feet_per_unit)

    def shapes(self, shapes: Any) -> Shapes:
        """Bring shapes to the page."""
        moved: Shapes = shapely.transform(
            np.asarray(shapes, dtype=object), lambda points: points @ self.matrix.T + self.origin
        )
        return moved

    def point(self, shape: Any) -> FloatArray:
        """Bring one point to the page."""
        moved: FloatArray = shapely.get_coordinates(shape)[0] @ self.matrix.T + self.origin
        return moved

    def within(self, place: FloatArray, edge: float) -> FloatArray:
        """Move a place on the page away from its edges, as far as it must be."""
        high = np.array([self.width, self.height]) - edge
        kept: FloatArray = np.clip(place, edge, high)
        return kept

    def cut(self, shapes: Any) -> Shapes:
        """Bring shapes to the page and leave out what lies beyond it; some come out empty."""
        kept: Shapes = shapely.clip_by_rect(self.shapes(shapes), 0.0, 0.0, self.width, self.height)
        return kept

    def rows(self, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        """Rows of a layer in the working CRS that the page shows, in their order."""
        back = np.linalg.inv(self.matrix)
        shown = shapely.transform(
            box(0.0, 0.0, self.width, self.height), lambda points: (points - self.origin) @ back.T
        )
        return gpd.GeoDataFrame(frame.iloc[np.sort(frame.sindex.query(shown, predicate="intersects"))])

    def outlines(self, buildings: gpd.GeoDataFrame, *, without: Sequence[str]) -> Shapes:
        """Outlines on the page that are large enough to be seen there, but for some buildings."""
        near = self.rows(buildings).sort_values("building_id", kind="stable")
        shapes = self.cut(near.geometry[~near["building_id"].isin(list(without))].to_numpy())
        seen: Shapes = shapely.simplify(shapes[shapely.area(shapes) >= _DUST], SLACK)
        return seen

    def streets(self, streets: gpd.GeoDataFrame | None) -> tuple[Shapes, list[str]]:
        """Streets on the page, cut at its edge, and the name of each, empty where it has none."""
        if streets is None or streets.empty:
            return np.array([], dtype=object), []
        near = self.rows(streets)
        lines = shapely.simplify(self.cut(near.geometry.to_numpy()), SLACK)
        kept = ~shapely.is_empty(lines) & (shapely.get_dimensions(lines) == 1)
        return lines[kept], near["name"].astype("str").fillna("")[kept].tolist()

    def bar(self) -> tuple[float, str]:
        """Give the longest round length that a scale bar may have, on the page and in words."""
        most_ft = _BAR_SHARE * self.width * self.feet_per_unit
        unit_ft, word = (1.0, "ft") if most_ft < _MILE_FT / 5 else (_MILE_FT, "mi")
        most = most_ft / unit_ft
        size = 10.0 ** np.floor(np.log10(most))
        length = max(step * size for step in _BAR_STEPS if step * size <= most)
        return float(length * unit_ft / self.feet_per_unit), f"{length:g} {word}"


def path_data(shapes: Any) -> str:
    """Write lines and outlines as SVG path data, to a tenth of a unit.

    Parameters
    ----------
    shapes
        Lines and polygons on a page, of one part or many; empty ones are skipped.

    Examples
    --------
    >>> path_data([shapely.LineString([(0, 0), (10.04, 2), (10.0, 2.0)])])
    'M0 0L10 2'
    """
    rows = shapely.get_parts(np.asarray(shapes, dtype=object))
    areas = shapely.get_dimensions(rows) == 2
    rings = np.concatenate([shapely.get_rings(rows[areas]), rows[shapely.get_dimensions(rows) == 1]])
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


def rounded(point: FloatArray) -> tuple[float, float]:
    """Give a place on the page to a tenth of a unit."""
    return round(float(point[0]), 1) + 0.0, round(float(point[1]), 1) + 0.0
