"""A local plane in ground feet for each building, exact enough to saw by.

In: points in the working CRS, and the district's mean elevation where it is given.
Out: `LocalPlanes`: for each point the linear map between the working CRS and a plane whose
    axes are true east and true north, in ground feet.

A length in feet is a length on the ellipsoid; with a mean elevation h it is scaled by
1 + h/R. The map is the Jacobian of the working CRS at the point, taken by central differences
of one vectorised transform, divided by the ellipsoid's radii of curvature there (Snyder 1987,
USGS Professional Paper 1395, eq. 4-18 and 4-20). It carries convergence and scale in any CRS,
conformal or not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Geod

from roofplat.ground.transformers import transformer

__all__ = ["Ground", "LocalPlanes", "local_planes"]

FloatArray = npt.NDArray[np.float64]

# Half the step of the central difference: 0.00001 degree is about one metre, small against the
# curvature of any projection and large against the rounding of coordinates.
_STEP_DEG = 1e-5


@dataclass(frozen=True, slots=True)
class Ground:
    """What a length in feet is measured on.

    Parameters
    ----------
    foot_m
        Metres in a foot.
    mean_elevation_ft
        Mean elevation of the district; None keeps lengths on the ellipsoid.

    Examples
    --------
    >>> Ground(0.3048, None).scale
    1.0
    >>> round(Ground(0.3048, 5280.0).scale, 7)
    1.0002526
    """

    foot_m: float
    mean_elevation_ft: float | None = None

    @property
    def scale(self) -> float:
        """Ground length over ellipsoid length."""
        if self.mean_elevation_ft is None:
            return 1.0
        geod = Geod(ellps="WGS84")
        mean_radius_m = (2 * geod.a + geod.b) / 3
        return 1.0 + self.mean_elevation_ft * self.foot_m / mean_radius_m

    @property
    def statement(self) -> str:
        """One sentence for the outputs."""
        if self.mean_elevation_ft is None:
            return "Feet are international feet on the ellipsoid."
        return (
            f"Feet are international feet at the district's mean elevation of {self.mean_elevation_ft:g} ft."
        )


@dataclass(frozen=True, slots=True)
class LocalPlanes:
    """For each of n points, the linear map between working CRS and local ground feet.

    origin_x, origin_y
        The points in the working CRS, shape (n,).
    to_crs
        Shape (n, 2, 2): working-CRS units per foot; columns are true east and true north.
    to_feet
        Its inverse, shape (n, 2, 2).
    """

    origin_x: FloatArray
    origin_y: FloatArray
    to_crs: FloatArray
    to_feet: FloatArray

    def rows(self, rows: slice | npt.NDArray[Any]) -> LocalPlanes:
        """Some of the planes, by their numbers in any order; a slice is not copied."""
        return LocalPlanes(self.origin_x[rows], self.origin_y[rows], self.to_crs[rows], self.to_feet[rows])

    def feet(self, x: FloatArray, y: FloatArray, plane: npt.NDArray[Any]) -> tuple[FloatArray, FloatArray]:
        """Working-CRS coordinates to feet east and north of the plane's origin.

        Parameters
        ----------
        x, y
            Coordinates in the working CRS, shape (m,).
        plane
            Which plane each belongs to, shape (m,).

        Returns
        -------
        east_ft, north_ft
            Shape (m,).
        """
        dx = x - self.origin_x[plane]
        dy = y - self.origin_y[plane]
        a = self.to_feet
        return (
            a[plane, 0, 0] * dx + a[plane, 0, 1] * dy,
            a[plane, 1, 0] * dx + a[plane, 1, 1] * dy,
        )

    def crs(
        self, east_ft: FloatArray, north_ft: FloatArray, plane: npt.NDArray[Any]
    ) -> tuple[FloatArray, FloatArray]:
        """Feet east and north of the plane's origin to working-CRS coordinates; see `feet`."""
        a = self.to_crs
        return (
            self.origin_x[plane] + a[plane, 0, 0] * east_ft + a[plane, 0, 1] * north_ft,
            self.origin_y[plane] + a[plane, 1, 0] * east_ft + a[plane, 1, 1] * north_ft,
        )

    def geometry_feet(self, geometry: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """One geometry for each plane, shape (n,), from the working CRS to feet about its origin."""
        return self._moved(geometry, self.feet)

    def geometry_crs(self, geometry: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """One geometry for each plane, shape (n,), from feet about its origin to the working CRS."""
        return self._moved(geometry, self.crs)

    def _moved(self, geometry: npt.NDArray[Any], move: Callable[..., Any]) -> npt.NDArray[Any]:
        xy, plane = shapely.get_coordinates(geometry, return_index=True)
        made = geometry.copy()
        shapely.set_coordinates(made, np.stack(move(xy[:, 0], xy[:, 1], plane), axis=1))
        return made

    def crs_ends(
        self,
        ends_ft: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
        plane: npt.NDArray[Any],
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Lines from feet east and north of the origin to the working CRS; see `feet`.

        Parameters
        ----------
        ends_ft
            East and north of the one end, then of the other, shape (m,) each.
        plane
            Which plane each line belongs to, shape (m,).

        Returns
        -------
        x0, y0, x1, y1
            Shape (m,) each.
        """
        # What both ends have in common is looked up once, among the planes that occur, one beside the other.
        near = slice(int(plane.min(initial=self.origin_x.size)), int(plane.max(initial=-1)) + 1)
        plane = plane - near.start
        to_crs = np.ascontiguousarray(self.to_crs[near].reshape(-1, 4).T)
        east0, north0, east1, north1 = ends_ft
        ends = []
        for axis, origin in enumerate((self.origin_x[near], self.origin_y[near])):
            by_east, by_north = to_crs[2 * axis].take(plane), to_crs[2 * axis + 1].take(plane)
            start = origin.take(plane)
            for east, north in ((east0, north0), (east1, north1)):
                along = by_east * east
                along += start
                along += by_north * north
                ends.append(along)
        x0, x1, y0, y1 = ends
        return x0, y0, x1, y1

    def area_ft2_per_unit2(self) -> FloatArray:
        """Ground square feet in one square unit of the working CRS at each origin, shape (n,)."""
        a = self.to_feet
        return np.abs(a[:, 0, 0] * a[:, 1, 1] - a[:, 0, 1] * a[:, 1, 0])


def local_planes(x: FloatArray, y: FloatArray, working_crs: CRS, ground: Ground) -> LocalPlanes:
    """Fit a local plane at each point.

    Parameters
    ----------
    x, y
        Points in `working_crs`, shape (n,).
    working_crs
        A projected CRS in any unit, or a geographic one.
    ground
        Foot and elevation.

    Returns
    -------
    LocalPlanes

    Examples
    --------
    A foot of UTM easting on the central meridian is longer on the ground by 1/0.9996:

    >>> import numpy as np
    >>> planes = local_planes(np.array([5e5]), np.array([4.4e6]), CRS("EPSG:32613"), Ground(0.3048))
    >>> east, north = planes.feet(np.array([5e5 + 0.3048]), np.array([4.4e6]), np.array([0]))
    >>> round(float(east[0]), 6), round(float(north[0]), 6)
    (1.0004, 0.0)
    """
    x = np.asarray(x, dtype=float)
    y = np.asarray(y, dtype=float)
    geodetic = working_crs.geodetic_crs or CRS("EPSG:4326")
    to_geodetic = transformer(working_crs, geodetic)
    lon, lat = to_geodetic.transform(x, y)
    count = x.size
    steps_lon = np.concatenate([lon + _STEP_DEG, lon - _STEP_DEG, lon, lon])
    steps_lat = np.concatenate([lat, lat, lat + _STEP_DEG, lat - _STEP_DEG])
    step_x, step_y = to_geodetic.transform(steps_lon, steps_lat, direction="INVERSE")
    step_x = step_x.reshape(4, count)
    step_y = step_y.reshape(4, count)

    ellipsoid = geodetic.ellipsoid
    if ellipsoid is None:
        raise ValueError(f"{geodetic.name} has no ellipsoid.")
    a_m = ellipsoid.semi_major_metre
    b_m = ellipsoid.semi_minor_metre
    e2 = 1.0 - (b_m / a_m) ** 2
    phi = np.radians(lat)
    w2 = 1.0 - e2 * np.sin(phi) ** 2
    meridian_m = a_m * (1.0 - e2) / w2**1.5
    normal_m = a_m / np.sqrt(w2)
    feet_per_m = ground.scale / ground.foot_m
    span = 2.0 * np.radians(_STEP_DEG)
    east_ft = span * normal_m * np.cos(phi) * feet_per_m
    north_ft = span * meridian_m * feet_per_m

    to_crs = np.empty((count, 2, 2))
    to_crs[:, 0, 0] = (step_x[0] - step_x[1]) / east_ft
    to_crs[:, 1, 0] = (step_y[0] - step_y[1]) / east_ft
    to_crs[:, 0, 1] = (step_x[2] - step_x[3]) / north_ft
    to_crs[:, 1, 1] = (step_y[2] - step_y[3]) / north_ft
    return LocalPlanes(x, y, to_crs, np.linalg.inv(to_crs).astype(np.float64))
