"""The streets as a graph, with a door on it for each place.

In: street lines and places in the working CRS, the rules.
Out: `StreetGraph`: corners and the stretches between them in ground feet; the shortest ways in it.

Streets are noded where they cross or meet. One-way streets, turns and bridges are not known: a crossing is a
corner. The shortest ways are found by `scipy.sparse.csgraph`.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Transformer
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from shapely.ops import substring

from roofplat.ground import Ground, local_planes
from roofplat.ranking.days.settings import positive
from roofplat.rules import Rulebook

__all__ = ["StreetGraph", "apart_ft", "street_graph"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

# Distances kept at once while the graph is searched from many places.
_DISTANCES_AT_ONCE = 20_000_000
# Two doors at one spot are still two corners: no edge of the graph is of no length.
_LEAST_EDGE_FT = 1e-6


@dataclass(frozen=True, slots=True)
class StreetGraph:
    """Streets as a graph, with the door of each of n places as a corner of its own.

    chains
        Street lines from corner to corner, shape (c,), working CRS.
    edge_from, edge_to, edge_ft
        Each stretch of a chain between two corners, shape (e,).
    edge_chain, edge_start, edge_end
        The chain of each stretch, and where on it the stretch begins and ends, in units of the working CRS.
    corner_count
        Corners of the streets and doors together; the doors are the last.
    door
        Corner of each place's door, shape (n,); -1 where no street is near.
    spur_ft
        From each place to its door, shape (n,); NaN where no street is near.
    spurs
        That as lines, from the place to the street, shape (n,); None where no street is near.
    """

    chains: Shapes
    edge_from: IntArray
    edge_to: IntArray
    edge_ft: FloatArray
    edge_chain: IntArray
    edge_start: FloatArray
    edge_end: FloatArray
    corner_count: int
    door: IntArray
    spur_ft: FloatArray
    spurs: Shapes

    def matrix(self) -> csr_array:
        """The graph as a sparse matrix of feet, both ways, shape (corners, corners)."""
        ends = np.concatenate([self.edge_from, self.edge_to]), np.concatenate([self.edge_to, self.edge_from])
        shape = (self.corner_count, self.corner_count)
        return csr_array((np.concatenate([self.edge_ft, self.edge_ft]), ends), shape=shape)

    def shortest_ft(self) -> FloatArray:
        """Feet over the streets from door to door, shape (n, n); infinite where there is no way."""
        count = len(self.door)
        shortest = np.full((count, count), np.inf)
        rows = np.flatnonzero(self.door >= 0)
        doors = self.door[rows]
        matrix = self.matrix()
        at_once = max(1, _DISTANCES_AT_ONCE // self.corner_count)
        for begin in range(0, len(rows), at_once):
            some = slice(begin, begin + at_once)
            found: Any = dijkstra(matrix, indices=doors[some])
            shortest[np.ix_(rows[some], rows)] = found[:, doors]
        # Sums over the same streets, taken from either end, may differ in the last digit.
        return np.asarray(np.minimum(shortest, shortest.T), dtype=float)

    def path(self, here: int, there: int) -> FloatArray:
        """Coordinates of the shortest way between two places that the streets join, shape (k, 2)."""
        first, last = int(self.door[here]), int(self.door[there])
        found: Any = dijkstra(self.matrix(), indices=[first], return_predecessors=True)
        before = found[1][0]
        corners = [last]
        while corners[-1] != first:
            corners.append(int(before[corners[-1]]))
        corners.reverse()
        pieces = [self._stretch(a, b) for a, b in itertools.pairwise(corners)]
        out, back = shapely.get_coordinates(self.spurs[here]), shapely.get_coordinates(self.spurs[there])
        return np.concatenate([out, *pieces, back[::-1]])

    def _stretch(self, here: int, there: int) -> FloatArray:
        """Coordinates of the edge between two corners."""
        along = (self.edge_from == here) & (self.edge_to == there)
        against = (self.edge_from == there) & (self.edge_to == here)
        edge = int(np.flatnonzero(along | against)[0])
        line: Any = self.chains[self.edge_chain[edge]]
        start, end = float(self.edge_start[edge]), float(self.edge_end[edge])
        if math.isclose(start, end):
            return shapely.get_coordinates(line.interpolate(start))
        points = shapely.get_coordinates(substring(line, start, end))
        return points if along[edge] else points[::-1]


def street_graph(
    places: Shapes,
    streets: gpd.GeoDataFrame | None,
    rules: Rulebook,
    ground: Ground,
    crs: CRS,
) -> StreetGraph | None:
    """Read the streets as a graph and give each place its door on it.

    Streets are noded where they cross, and joined where they come nearer than `days.street_join_ft`.

    Parameters
    ----------
    places, streets, rules, ground, crs
        As in `travel.measure_travel`.

    Returns
    -------
    StreetGraph or None
        None without streets, or with none near any place.
    """
    if streets is None or not len(streets):
        return None
    lines = np.asarray(streets.geometry.array, dtype=object)
    lines = lines[~(shapely.is_missing(lines) | shapely.is_empty(lines))]
    if not len(lines):
        return None
    chains = _chains(lines, positive(rules, "days.street_join_ft"), ground, crs)
    if not len(chains):
        return None
    snap_ft = positive(rules, "days.street_snap_ft")

    points, owner = shapely.get_coordinates(chains, return_index=True)
    follows = np.flatnonzero(owner[1:] == owner[:-1])
    piece_chain = owner[follows]
    pieces: Any = shapely.linestrings(np.stack([points[follows], points[follows + 1]], axis=1))
    piece_ft = apart_ft(points[follows], points[follows + 1], crs, ground)
    piece_units = np.asarray(shapely.length(pieces), dtype=float)
    begin_ft = _run(piece_ft, piece_chain)
    begin_units = _run(piece_units, piece_chain)
    chain_ft = np.bincount(piece_chain, weights=piece_ft, minlength=len(chains))
    chain_units = np.bincount(piece_chain, weights=piece_units, minlength=len(chains))

    # Of the pieces that are equally near, the first: they are sorted by their own shape.
    place, piece = shapely.STRtree(pieces).query_nearest(places, all_matches=True)
    order = np.lexsort((piece, place))
    place, piece = place[order], piece[order]
    first = np.ones(len(place), dtype=bool)
    first[1:] = place[1:] != place[:-1]
    piece = piece[first]
    # In front of the middle of the building: a wall along the street is as near to it all along.
    at_units = shapely.line_locate_point(pieces[piece], shapely.centroid(places))
    spots = shapely.line_interpolate_point(pieces[piece], at_units)
    spurs = np.asarray(shapely.shortest_line(places, spots), dtype=object)
    ends = shapely.get_coordinates(spurs).reshape(len(places), 2, 2)
    spur_ft = apart_ft(ends[:, 0], ends[:, 1], crs, ground)
    near = spur_ft <= snap_ft
    share = np.divide(at_units, piece_units[piece], out=np.zeros(len(places)), where=piece_units[piece] > 0)
    spurs[~near] = None
    door_ft = begin_ft[piece] + share * piece_ft[piece]
    door_units = begin_units[piece] + at_units

    tips = np.concatenate([shapely.get_coordinates(shapely.get_point(chains, k)) for k in (0, -1)])
    corners, tip_corner = np.unique(tips, axis=0, return_inverse=True)
    tip_corner = tip_corner.reshape(-1).astype(np.int64)
    rows = np.flatnonzero(near)
    door = np.full(len(places), -1, dtype=np.int64)
    door[rows] = len(corners) + np.arange(len(rows))
    if not len(rows):
        return None

    # Every chain is cut at the doors on it; what lies between two cuts is an edge.
    numbers = np.arange(len(chains))
    stop_chain = np.concatenate([numbers, numbers, piece_chain[piece[rows]]])
    stop_ft = np.concatenate([np.zeros(len(chains)), chain_ft, door_ft[rows]])
    stop_units = np.concatenate([np.zeros(len(chains)), chain_units, door_units[rows]])
    stop_corner = np.concatenate([tip_corner, door[rows]])
    # At one spot the chain's own ends stay outside of the doors.
    stop_kind = np.concatenate([np.zeros(len(chains)), np.full(len(chains), 2), np.ones(len(rows))])
    order = np.lexsort((stop_corner, stop_kind, stop_ft, stop_chain))
    before, after = order[:-1], order[1:]
    same = stop_chain[before] == stop_chain[after]
    before, after = before[same], after[same]
    length_ft = np.maximum(stop_ft[after] - stop_ft[before], _LEAST_EDGE_FT)
    low = np.minimum(stop_corner[before], stop_corner[after])
    high = np.maximum(stop_corner[before], stop_corner[after])
    # Of two streets between the same corners the shorter counts; a loop back to its corner leads nowhere.
    order = np.lexsort((before, length_ft, high, low))
    order = order[low[order] != high[order]]
    fresh = np.ones(len(order), dtype=bool)
    fresh[1:] = (low[order][1:] != low[order][:-1]) | (high[order][1:] != high[order][:-1])
    kept = order[fresh]
    return StreetGraph(
        chains=chains,
        edge_from=stop_corner[before[kept]],
        edge_to=stop_corner[after[kept]],
        edge_ft=length_ft[kept],
        edge_chain=stop_chain[before[kept]],
        edge_start=stop_units[before[kept]],
        edge_end=stop_units[after[kept]],
        corner_count=len(corners) + len(rows),
        door=door,
        spur_ft=np.where(near, spur_ft, np.nan),
        spurs=spurs,
    )


def _chains(lines: Shapes, join_ft: float, ground: Ground, crs: CRS) -> Shapes:
    """Street lines from corner to corner, in an order of their own."""
    west, south, east, north = shapely.total_bounds(lines)
    planes = local_planes(np.array([(west + east) / 2]), np.array([(south + north) / 2]), crs, ground)
    # One grid for both directions: the finer of the two where a degree is not as long as another.
    join_units = join_ft * float(np.linalg.norm(planes.to_crs[0], axis=0).min())
    joined = shapely.unary_union(shapely.force_2d(lines), grid_size=join_units)
    parts = shapely.get_parts(shapely.line_merge(joined))
    parts = shapely.normalize(parts[shapely.length(parts) > 0])
    return np.asarray(parts[np.argsort(shapely.to_wkb(parts), kind="stable")], dtype=object)


def _run(lengths: FloatArray, owner: npt.NDArray[Any]) -> FloatArray:
    """What lies before each piece on its own chain."""
    total = np.cumsum(lengths) - lengths
    first = np.ones(len(owner), dtype=bool)
    first[1:] = owner[1:] != owner[:-1]
    return np.asarray(total - np.repeat(total[first], np.bincount(owner)[owner[first]]), dtype=float)


def apart_ft(start: FloatArray, end: FloatArray, crs: CRS, ground: Ground) -> FloatArray:
    """Ground feet from points to points, on the ellipsoid.

    Parameters
    ----------
    start, end
        Shape (k, 2) each, working CRS.
    crs, ground
        The working CRS, and what a foot is measured on.

    Returns
    -------
    ndarray
        Shape (k,).
    """
    geod = crs.get_geod()
    if geod is None:
        raise ValueError(f"{crs.name} has no ellipsoid.")
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs or CRS("EPSG:4326"), always_xy=True)
    lon, lat = to_degrees.transform(*np.concatenate([start, end]).T)
    half = len(start)
    _, _, metres = geod.inv(lon[:half], lat[:half], lon[half:], lat[half:])
    return np.asarray(np.asarray(metres, dtype=float) * ground.scale / ground.foot_m)
