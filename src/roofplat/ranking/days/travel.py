"""The way and the time from each place to each other: over the streets, else by straight line.

In: the start, the outlines of the buildings to visit, the streets (all in the working CRS), the rules.
Out: `Travel`: feet and seconds between all places, and the line of any way.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from roofplat.ground import Ground
from roofplat.ranking.days.settings import positive
from roofplat.ranking.days.streets import StreetGraph, apart_ft, street_graph
from roofplat.rules import Rulebook

__all__ = ["Travel", "measure_travel"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

_FT_A_MILE = 5280  # the definition of the statute mile
_S_AN_HOUR = 3600


@dataclass(frozen=True, slots=True)
class Travel:
    """The ways between n places, the start being the first.

    way_ft, way_s
        Feet, and whole seconds rounded up, from each place (row) to each, shape (n, n). The walk from the
        street to a building and back to it is part of them.
    by_streets
        Whether the way runs over the streets, shape (n, n); else it is a straight line.
    graph
        The streets; None where there are none.
    centres
        A point of each place, shape (n,), working CRS: the ends of straight lines.
    """

    way_ft: FloatArray
    way_s: IntArray
    by_streets: npt.NDArray[np.bool_]
    graph: StreetGraph | None
    centres: Shapes

    def lines(self, stops: Sequence[int]) -> Any:
        """Draw the way through some places in their order.

        Parameters
        ----------
        stops
            Two places or more, as rows of the matrices.

        Returns
        -------
        LineString
            Working CRS; along the streets where the way runs over them.
        """
        path = np.concatenate([self._leg(here, there) for here, there in itertools.pairwise(stops)])
        fresh = np.ones(len(path), dtype=bool)
        fresh[1:] = (path[1:] != path[:-1]).any(axis=1)
        kept = path[fresh]
        return shapely.linestrings(kept if len(kept) > 1 else np.repeat(kept, 2, axis=0))

    def _leg(self, here: int, there: int) -> FloatArray:
        """Coordinates of one way."""
        if self.graph is None or not self.by_streets[here, there]:
            return shapely.get_coordinates(self.centres[[here, there]])
        return self.graph.path(here, there)


def measure_travel(
    places: Shapes,
    streets: gpd.GeoDataFrame | None,
    rules: Rulebook,
    ground: Ground,
    crs: CRS,
) -> Travel:
    """Measure the way from each place to each other.

    A place reaches the streets on the street nearest to its outline, in front of its centre, if that is
    within `days.street_snap_ft`. Between two such places that the streets join, the way is the shortest
    one over the streets, driven at `days.speed_mph`, and the feet from the street to a building are walked
    at `days.walk_mph`. Every other way is the straight line between the centres x `days.detour_factor`,
    driven.

    Parameters
    ----------
    places
        Shape (n,): the start, a point, then the outlines of the buildings; working CRS.
    streets
        Lines, or None.
    rules, ground
        What is in force, and what a foot is measured on.
    crs
        The working CRS.

    Returns
    -------
    Travel

    Raises
    ------
    RuleError
        A speed or the detour factor is not above zero, or the factor is below 1.
    """
    drive_ft_s = positive(rules, "days.speed_mph") * _FT_A_MILE / _S_AN_HOUR
    walk_ft_s = positive(rules, "days.walk_mph") * _FT_A_MILE / _S_AN_HOUR
    detour = positive(rules, "days.detour_factor", least=1.0)
    count = len(places)
    # The centre of mass of an L lies outside it, which does not matter to a straight line.
    centres = np.asarray(shapely.centroid(places), dtype=object)
    straight_ft = _all_apart_ft(shapely.get_coordinates(centres), crs, ground)
    way_ft = straight_ft * detour
    way_s = way_ft / drive_ft_s
    by_streets = np.zeros((count, count), dtype=bool)
    graph = street_graph(places, streets, rules, ground, crs)
    if graph is not None:
        driven_ft = graph.shortest_ft()
        by_streets = np.isfinite(driven_ft)
        spur_ft = np.nan_to_num(graph.spur_ft)
        # From the station to the street one drives.
        spur_s = spur_ft / np.where(np.arange(count) == 0, drive_ft_s, walk_ft_s)
        way_ft = np.where(by_streets, driven_ft + spur_ft[:, None] + spur_ft, way_ft)
        way_s = np.where(by_streets, driven_ft / drive_ft_s + spur_s[:, None] + spur_s, way_s)
    np.fill_diagonal(way_ft, 0.0)
    np.fill_diagonal(way_s, 0.0)
    # A last digit must not make a second of its own.
    whole_s = np.ceil(np.round(way_s, 6)).astype(np.int64)
    return Travel(way_ft, whole_s, by_streets, graph, centres)


def _all_apart_ft(points: FloatArray, crs: CRS, ground: Ground) -> FloatArray:
    """Ground feet between all points, shape (n, n)."""
    count = len(points)
    row, column = np.triu_indices(count, 1)
    apart = np.zeros((count, count))
    apart[row, column] = apart_ft(points[row], points[column], crs, ground)
    return apart + apart.T
