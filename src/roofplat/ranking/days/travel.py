"""The way and the time from each place to each other: over the streets, else by straight line.

In: the start, the outlines of the buildings to visit, the streets (all in the working CRS), the rules.
Out: `Travel`: feet and seconds between all places, and the line of any one way.

The streets are noded where they cross or meet and read as a graph; the shortest ways in it are found by
`scipy.sparse.csgraph`. One-way streets, turns and bridges are not known: a crossing is a corner.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
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

__all__ = ["StreetGraph", "Travel", "measure_travel", "street_graph"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

_FT_A_MILE = 5280  # the definition of the statute mile
_S_AN_HOUR = 3600
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
        points = [part for here, there in itertools.pairwise(stops) for part in self._leg(here, there)]
        path = np.concatenate(points)
        fresh = np.ones(len(path), dtype=bool)
        fresh[1:] = (path[1:] != path[:-1]).any(axis=1)
        kept = path[fresh]
        return shapely.linestrings(kept if len(kept) > 1 else np.repeat(kept, 2, axis=0))

    def _leg(self, here: int, there: int) -> list[FloatArray]:
        """Coordinates of one way, in pieces."""
        if not self.by_streets[here, there] or self.graph is None:
            return [shapely.get_coordinates(self.centres[[here, there]])]
        graph = self.graph
        first, last = int(graph.door[here]), int(graph.door[there])
        _, before = dijkstra(graph.matrix(), indices=first, return_predecessors=True)
        corners = [last]
        while corners[-1] != first:
            corners.append(int(before[corners[-1]]))
        corners.reverse()
        pieces = [shapely.get_coordinates(graph.spurs[here])]
        pieces += [_stretch(graph, a, b) for a, b in itertools.pairwise(corners)]
        return [*pieces, shapely.get_coordinates(graph.spurs[there])[::-1]]


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
    straight_ft = _apart_ft(shapely.get_coordinates(centres), crs, ground)
    way_ft = straight_ft * detour
    way_s = way_ft / drive_ft_s
    by_streets = np.zeros((count, count), dtype=bool)
    graph = street_graph(places, streets, rules, ground, crs)
    if graph is not None:
        driven_ft = _shortest_ft(graph)
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
        As in `measure_travel`.

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
    pieces = shapely.linestrings(np.stack([points[follows], points[follows + 1]], axis=1))
    piece_ft = _length_ft(points[follows], points[follows + 1], crs, ground)
    piece_units = shapely.length(pieces)
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
    spur_ft = _length_ft(ends[:, 0], ends[:, 1], crs, ground)
    near = spur_ft <= snap_ft
    share = np.divide(at_units, piece_units[piece], out=np.zeros(len(places)), where=piece_units[piece] > 0)
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
        spurs=np.where(near, spurs, None),
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


def _length_ft(start: FloatArray, end: FloatArray, crs: CRS, ground: Ground) -> FloatArray:
    """Ground feet from points to points, shape (k, 2) each."""
    geod = crs.get_geod()
    if geod is None:
        raise ValueError(f"{crs.name} has no ellipsoid.")
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs or CRS("EPSG:4326"), always_xy=True)
    lon, lat = to_degrees.transform(*np.concatenate([start, end]).T)
    half = len(start)
    _, _, metres = geod.inv(lon[:half], lat[:half], lon[half:], lat[half:])
    return np.asarray(metres, dtype=float) * ground.scale / ground.foot_m


def _apart_ft(points: FloatArray, crs: CRS, ground: Ground) -> FloatArray:
    """Ground feet between all points, shape (n, n)."""
    count = len(points)
    row, column = np.triu_indices(count, 1)
    apart = np.zeros((count, count))
    apart[row, column] = _length_ft(points[row], points[column], crs, ground)
    return apart + apart.T


def _shortest_ft(graph: StreetGraph) -> FloatArray:
    """Feet over the streets from door to door, shape (n, n); infinite where there is no way."""
    count = len(graph.door)
    shortest = np.full((count, count), np.inf)
    rows = np.flatnonzero(graph.door >= 0)
    doors = graph.door[rows]
    matrix = graph.matrix()
    at_once = max(1, _DISTANCES_AT_ONCE // graph.corner_count)
    for begin in range(0, len(rows), at_once):
        some = slice(begin, begin + at_once)
        found = dijkstra(matrix, indices=doors[some])
        shortest[np.ix_(rows[some], rows)] = found[:, doors]
    # Sums over the same streets, taken from either end, may differ in the last digit.
    return np.minimum(shortest, shortest.T)


def _stretch(graph: StreetGraph, here: int, there: int) -> FloatArray:
    """Coordinates of the edge between two corners."""
    along = (graph.edge_from == here) & (graph.edge_to == there)
    against = (graph.edge_from == there) & (graph.edge_to == here)
    edge = int(np.flatnonzero(along | against)[0])
    line: Any = graph.chains[graph.edge_chain[edge]]
    start, end = float(graph.edge_start[edge]), float(graph.edge_end[edge])
    if math.isclose(start, end):
        return shapely.get_coordinates(line.interpolate(start))
    points = shapely.get_coordinates(substring(line, start, end))
    return points if along[edge] else points[::-1]
