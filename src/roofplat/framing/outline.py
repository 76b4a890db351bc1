"""Outlines as flat arrays of edges on each section's own local plane.

In: section polygons in the working CRS.
Out: `Outlines`: their edges in ground feet east and north of each section's centroid.

Shells run clockwise and holes counter-clockwise from a fixed first corner (`shapely.normalize`),
so the roof is always on the right of an edge and the result does not depend on how the
polygon was digitised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, marked, offsets
from roofplat.ground import Ground, LocalPlanes, local_planes

__all__ = ["Outlines", "outlines_of", "polygons_of", "ring_edges"]


@dataclass(frozen=True, slots=True)
class Outlines:
    """The edges of n sections, sorted by section and ring.

    planes
        A local plane at the centroid of each section.
    section
        Owner of each edge, shape (m,).
    start
        First edge of each section and the end, shape (n + 1,).
    shell
        True for an edge of the outer ring, shape (m,).
    following
        The next edge of the same ring, shape (m,).
    east0, north0, east1, north1
        Ends of the edges in ground feet, shape (m,); the roof is on the right.
    """

    planes: LocalPlanes
    section: IntArray
    start: IntArray
    shell: npt.NDArray[np.bool_]
    following: IntArray
    east0: FloatArray
    north0: FloatArray
    east1: FloatArray
    north1: FloatArray

    @property
    def count(self) -> int:
        """Number of sections."""
        return self.start.size - 1

    def rows(self, rows: slice) -> Outlines:
        """The same for a run of sections, without copying."""
        edges = slice(self.start[rows.start], self.start[rows.stop])
        return Outlines(
            planes=self.planes.rows(rows),
            section=self.section[edges] - rows.start,
            start=self.start[rows.start : rows.stop + 1] - self.start[rows.start],
            shell=self.shell[edges],
            following=self.following[edges] - edges.start,
            east0=self.east0[edges],
            north0=self.north0[edges],
            east1=self.east1[edges],
            north1=self.north1[edges],
        )


def outlines_of(polygons: gpd.GeoSeries, ground: Ground) -> Outlines:
    """Take polygons apart into edges in ground feet.

    Parameters
    ----------
    polygons
        Valid polygons without Z in the working CRS, shape (n,).
    ground
        Foot and elevation.

    Returns
    -------
    Outlines

    Examples
    --------
    >>> square = gpd.GeoSeries([shapely.box(5e5, 4e6, 5e5 + 10, 4e6 + 10)], crs="EPSG:32613")
    >>> outlines_of(square, Ground(0.3048)).section.tolist()
    [0, 0, 0, 0]
    """
    geometry = shapely.normalize(polygons.to_numpy())
    centre = shapely.centroid(geometry)
    crs = CRS.from_user_input(polygons.crs)
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), crs, ground)
    ring_start: npt.NDArray[Any]
    polygon_ring: npt.NDArray[Any]
    if shapely.get_num_interior_rings(geometry).any():
        _, coordinates, (ring_start, polygon_ring) = shapely.to_ragged_array(geometry)
    else:
        # Without courtyards a polygon is one ring, and its corners are all there is to know.
        coordinates = shapely.get_coordinates(geometry)
        ring_start = offsets(shapely.get_num_coordinates(geometry))
        polygon_ring = np.arange(geometry.size + 1)
    section_of_ring = np.repeat(np.arange(geometry.size), np.diff(polygon_ring))
    is_shell = np.zeros(section_of_ring.size, dtype=bool)
    is_shell[polygon_ring[:-1]] = True
    tail, head, ring, following = ring_edges(np.asarray(ring_start))
    section = section_of_ring[ring]
    vertex_section = section_of_ring[np.repeat(np.arange(ring_start.size - 1), np.diff(ring_start))]
    east, north = planes.feet(coordinates[:, 0], coordinates[:, 1], vertex_section)
    return Outlines(
        planes=planes,
        section=section,
        start=offsets(np.bincount(section, minlength=geometry.size)),
        shell=is_shell[ring],
        following=following,
        east0=east[tail],
        north0=north[tail],
        east1=east[head],
        north1=north[head],
    )


def polygons_of(
    outlines: Outlines,
    rows: IntArray,
    x: FloatArray,
    y: FloatArray,
    *,
    farness: FloatArray | None = None,
) -> npt.NDArray[np.object_]:
    """Polygons of some sections from coordinates of their edges' starts.

    Parameters
    ----------
    outlines
        n sections, m edges.
    rows
        The sections wanted, ascending, shape (k,).
    x, y
        Where each edge starts, in any plane, shape (m,).
    farness
        Let each ring begin at the corner for which this is greatest, to two decimals, shape (m,), and give
        each corner the number of its edge as Z; else rings begin at their first corner.

    Returns
    -------
    ndarray of Polygon
        Shape (k,).
    """
    edge = np.flatnonzero(marked(rows, outlines.count)[outlines.section])
    # A ring's last edge leads back to its first.
    last = outlines.following[edge] <= edge
    first = np.flatnonzero(np.r_[True, last[:-1]])
    ends = np.flatnonzero(last) + 1
    if farness is not None:
        size = ends - first
        ring = np.repeat(np.arange(size.size), size)
        turned = first_of_equals([(-farness[edge], 2)], ring, size.size) - first
        place = np.arange(edge.size) - first[ring]
        edge = edge[first[ring] + (place + turned[ring]) % size[ring]]
    # Closed rings: each ring's first corner is repeated after its last edge.
    vertex = np.insert(edge, ends, edge[first])
    corners = [x[vertex], y[vertex]] if farness is None else [x[vertex], y[vertex], vertex.astype(float)]
    rings = np.bincount(outlines.section[edge[first]], minlength=outlines.count)[rows]
    polygons: npt.NDArray[np.object_] = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON,
        np.stack(corners, axis=1),
        (offsets(ends - first + 1), offsets(rings)),
    )
    return polygons


def ring_edges(
    ring_start: npt.NDArray[Any],
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Edges of closed rings whose first vertex is repeated at the end.

    Parameters
    ----------
    ring_start
        First vertex of each ring and the end, shape (r + 1,).

    Returns
    -------
    tail, head
        Vertex at the start and at the end of each edge.
    ring
        Ring of each edge.
    following
        Next edge of the same ring.

    Examples
    --------
    >>> tail, head, ring, following = ring_edges(np.array([0, 4]))
    >>> tail.tolist(), head.tolist(), following.tolist()
    ([0, 1, 2], [1, 2, 3], [1, 2, 0])
    """
    lengths = np.diff(ring_start) - 1
    ring = np.repeat(np.arange(lengths.size), lengths)
    tail = np.arange(ring.size) + ring
    edge_start = offsets(lengths)
    following = np.arange(ring.size) + 1
    last = edge_start[1:][lengths > 0] - 1
    following[last] = edge_start[:-1][lengths > 0]
    return tail, tail + 1, ring, following
