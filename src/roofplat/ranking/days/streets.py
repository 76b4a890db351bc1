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

    Streets are noded where they cross; a loose end that comes within `days.street_join_ft` of another street
    is joined to it.

    Parameters
    ----------
    places, streets, rules, ground, crs
        As in `travel.measure_travel`.

    Returns
    -------
    StreetGraph or None
        None without streets, or with none near any place.
    """
    join_ft = positive(rules, "days.street_join_ft")
    snap_ft = positive(rules, "days.street_snap_ft")
    if streets is None or not len(streets):
        return None
    chains = _chains(np.asarray(streets.geometry.array, dtype=object))
    if not len(chains):
        return None
    pieces = _pieces(chains, ground, crs)
    tree = shapely.STRtree(pieces.lines)

    # Of the pieces that are equally near, the first: they are sorted by their own shape.
    place, piece = tree.query_nearest(places, all_matches=True)
    piece = piece[_firsts(np.lexsort((piece, place)), place)]
    # In front of the middle of the building: a wall along the street is as near to it all along.
    middles = shapely.centroid(places)
    at_units, at_ft = pieces.along(piece, middles)
    fronts = shapely.line_interpolate_point(
        pieces.lines[piece], shapely.line_locate_point(pieces.lines[piece], middles)
    )
    spurs = np.asarray(shapely.shortest_line(places, fronts), dtype=object)
    ends = shapely.get_coordinates(spurs).reshape(len(places), 2, 2)
    spur_ft = apart_ft(ends[:, 0], ends[:, 1], crs, ground)
    rows = np.flatnonzero(spur_ft <= snap_ft)
    if not len(rows):
        return None
    spurs[spur_ft > snap_ft] = None

    tips = np.concatenate([shapely.get_coordinates(shapely.get_point(chains, k)) for k in (0, -1)])
    corners, found = np.unique(tips, axis=0, return_inverse=True)
    tip_corner = found.reshape(-1).astype(np.int64)
    door = np.full(len(places), -1, dtype=np.int64)
    door[rows] = len(corners) + np.arange(len(rows))
    units_a_ft = _units_a_ft(chains, ground, crs)
    loose, joint = _joints(tips, tip_corner, pieces, tree, join_ft * units_a_ft)
    joint_units, joint_ft = pieces.along(joint, shapely.points(tips[loose]))

    # Every chain is cut at the doors and joints on it; what lies between two cuts is an edge.
    numbers, nothing = np.arange(len(chains)), np.zeros(len(chains))
    stops = _Stops(
        chain=np.concatenate([numbers, numbers, pieces.chain[piece[rows]], pieces.chain[joint]]),
        units=np.concatenate([nothing, pieces.chain_units, at_units[rows], joint_units]),
        feet=np.concatenate([nothing, pieces.chain_ft, at_ft[rows], joint_ft]),
        corner=np.concatenate([tip_corner, door[rows], tip_corner[loose]]),
        # At one spot the chain's own ends stay outside of what is put on it.
        kind=np.repeat([0, 2, 1], [len(chains), len(chains), len(rows) + len(loose)]),
    )
    return StreetGraph(
        chains=chains,
        **_edges(stops),
        corner_count=len(corners) + len(rows),
        door=door,
        spur_ft=np.where(door >= 0, spur_ft, np.nan),
        spurs=spurs,
    )


@dataclass(frozen=True, slots=True)
class _Pieces:
    """The straight pieces of the chains, in order; the last two by chain."""

    lines: Any
    chain: IntArray
    feet: FloatArray
    units: FloatArray
    begin_ft: FloatArray
    begin_units: FloatArray
    chain_ft: FloatArray
    chain_units: FloatArray

    def along(self, piece: IntArray, spots: Any) -> tuple[FloatArray, FloatArray]:
        """How far along its chain each spot's nearest point on a piece lies, in units and in feet."""
        at = np.asarray(shapely.line_locate_point(self.lines[piece], spots), dtype=float)
        whole = self.units[piece]
        share = np.divide(at, whole, out=np.zeros(len(piece)), where=whole > 0)
        return self.begin_units[piece] + at, self.begin_ft[piece] + share * self.feet[piece]


@dataclass(frozen=True, slots=True)
class _Stops:
    """Where the chains are cut; shape (s,) each."""

    chain: IntArray
    units: FloatArray
    feet: FloatArray
    corner: IntArray
    kind: IntArray


def _chains(lines: Shapes) -> Shapes:
    """Street lines from corner to corner, in an order of their own."""
    lines = lines[~(shapely.is_missing(lines) | shapely.is_empty(lines))]
    joined = shapely.unary_union(shapely.force_2d(lines))
    parts = shapely.get_parts(shapely.line_merge(joined))
    parts = shapely.normalize(parts[shapely.length(parts) > 0])
    return np.asarray(parts[np.argsort(shapely.to_wkb(parts), kind="stable")], dtype=object)


def _pieces(chains: Shapes, ground: Ground, crs: CRS) -> _Pieces:
    points, owner = shapely.get_coordinates(chains, return_index=True)
    start = np.flatnonzero(owner[1:] == owner[:-1])
    chain = owner[start].astype(np.int64)
    lines: Any = shapely.linestrings(np.stack([points[start], points[start + 1]], axis=1))
    feet = apart_ft(points[start], points[start + 1], crs, ground)
    units = np.asarray(shapely.length(lines), dtype=float)
    return _Pieces(
        lines=lines,
        chain=chain,
        feet=feet,
        units=units,
        begin_ft=_run(feet, chain),
        begin_units=_run(units, chain),
        chain_ft=np.bincount(chain, weights=feet, minlength=len(chains)).astype(float),
        chain_units=np.bincount(chain, weights=units, minlength=len(chains)).astype(float),
    )


def _joints(
    tips: FloatArray, tip_corner: IntArray, pieces: _Pieces, tree: Any, join_units: float
) -> tuple[IntArray, IntArray]:
    """Loose ends, and for each the pieces of other chains that it is joined to: one piece a chain."""
    own = np.tile(np.arange(len(tips) // 2), 2)
    alone = np.flatnonzero(np.bincount(tip_corner)[tip_corner] == 1)
    spots: Any = shapely.points(tips[alone])
    loose, piece = tree.query(spots, predicate="dwithin", distance=join_units)
    other = pieces.chain[piece] != own[alone[loose]]
    loose, piece = loose[other], piece[other]
    gap = shapely.distance(spots[loose], pieces.lines[piece])
    first = _firsts(np.lexsort((piece, gap, pieces.chain[piece], loose)), loose, pieces.chain[piece])
    return alone[loose[first]], piece[first].astype(np.int64)


def _edges(stops: _Stops) -> dict[str, Any]:
    """The stretches between cuts that follow each other; of two between the same corners the shorter."""
    order = np.lexsort((stops.corner, stops.kind, stops.feet, stops.chain))
    before, after = order[:-1], order[1:]
    same = stops.chain[before] == stops.chain[after]
    before, after = before[same], after[same]
    feet = np.maximum(stops.feet[after] - stops.feet[before], _LEAST_EDGE_FT)
    low = np.minimum(stops.corner[before], stops.corner[after])
    high = np.maximum(stops.corner[before], stops.corner[after])
    order = np.lexsort((before, feet, high, low))
    # A loop back to its own corner leads nowhere.
    kept = _firsts(order[low[order] != high[order]], low, high)
    return {
        "edge_from": stops.corner[before[kept]],
        "edge_to": stops.corner[after[kept]],
        "edge_ft": feet[kept],
        "edge_chain": stops.chain[before[kept]],
        "edge_start": stops.units[before[kept]],
        "edge_end": stops.units[after[kept]],
    }


def _firsts(order: IntArray, *keys: npt.NDArray[Any]) -> IntArray:
    """Rows, taken in an order that groups them by some keys, that are the first of their group."""
    first = np.zeros(len(order), dtype=bool)
    first[:1] = True
    for key in keys:
        first[1:] |= key[order][1:] != key[order][:-1]
    return order[first]


def _units_a_ft(chains: Shapes, ground: Ground, crs: CRS) -> float:
    """Units of the working CRS in a foot at the middle of the streets: the fewer of the two directions."""
    west, south, east, north = shapely.total_bounds(chains)
    planes = local_planes(np.array([(west + east) / 2]), np.array([(south + north) / 2]), crs, ground)
    return float(np.linalg.norm(planes.to_crs[0], axis=0).min())


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
