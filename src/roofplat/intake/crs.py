"""Where a layer's coordinates are, whether that can be, and the one CRS all are moved to.

In: layers in their own CRS, 2D, without missing or infinite coordinates.
Out: layers in the working CRS; a `CrsError` for a layer that lies where it cannot.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from roofplat.errors import CrsError, DistrictFileError
from roofplat.intake.layer import BoolArray, Layer
from roofplat.intake.look import LON_LAT_FORMATS

__all__ = [
    "LonLatBox",
    "bulk_of",
    "check_coordinates",
    "choose_working_crs",
    "extent_of",
    "lon_lat_box",
    "move",
    "near",
    "outside_of",
    "refuse_outside",
]

FloatArray = npt.NDArray[np.float64]
# West, south, east, north in degrees.
LonLatBox = tuple[float, float, float, float]

# An area of use ends at a border; a district that reaches past it is no fault.
_AREA_MARGIN_DEG = 5.0
# No district is as wide; what is has strays, or lies across the 180th meridian.
_WIDE_DEG = 30.0
_ZONE_DEG, _ZONES = 6.0, 60
# Layers of one district lie within this of each other.
_NEAR_DEG = 1.0
_SWAPPED = "its coordinates look swapped (latitude or northing first)"


def check_coordinates(layer: Layer) -> Layer:
    """Refuse what lies outside the area that the layer's CRS is made for.

    Parameters
    ----------
    layer
        Geometry in its own CRS; missing where a feature is refused already.

    Returns
    -------
    Layer
        With the few features refused that lie elsewhere than the rest.

    Raises
    ------
    CrsError
        Most features lie outside: the CRS is the wrong one, or the coordinates are swapped.
    """
    bounds = shapely.bounds(layer.shapes())
    outside = outside_of(layer.label, layer.driver, _required_crs(layer), bounds, layer.kept)
    return refuse_outside(layer, outside)


def outside_of(
    label: str, driver: str, crs: CRS, bounds: FloatArray, kept: BoolArray, *, most: bool = True
) -> BoolArray:
    """Which boxes of a layer lie outside the area that its CRS is made for.

    Parameters
    ----------
    label, driver
        The layer's name for people, and its format.
    crs
        Of the layer.
    bounds
        Boxes in that CRS, shape (n, 4).
    kept
        Which rows count, shape (n,).
    most
        Whether the boxes are those of the whole layer, which cannot lie outside for the most part.

    Returns
    -------
    ndarray of bool
        Shape (n,).

    Raises
    ------
    CrsError
        Most lie outside: the CRS is the wrong one, or the coordinates are swapped.
    """
    here = kept & np.isfinite(bounds).all(axis=1)
    outside = np.zeros(here.size, dtype=bool)
    if not here.any():
        return outside
    outside[here] = _outside(crs, bounds[here])
    if most and outside[here].mean() > 0.5:
        # Only a clean hit says swapped: with a margin, feet taken for metres might seem to be.
        if _outside(crs, bounds[here][:, [1, 0, 3, 2]], margin_deg=0.0).mean() < 0.5:
            raise CrsError(f"{label}: {_SWAPPED}; export the layer again with x (longitude) first.")
        x, y = np.nanmedian(bounds[here], axis=0)[:2]
        if crs.is_geographic:
            what = f"coordinates such as {x:.6g}, {y:.6g} cannot be longitude and latitude"
            if driver in LON_LAT_FORMATS:
                what += f", which {driver} holds unless it is told otherwise"
        else:
            what = f"coordinates such as {x:.6g}, {y:.6g} lie far outside the area of {crs.name}"
        raise CrsError(
            f'{label}: {what}; set crs = "EPSG:..." to the system they are in, or export the layer again.'
        )
    return outside


def refuse_outside(layer: Layer, outside: BoolArray) -> Layer:
    """Refuse the few features that lie elsewhere than the rest.

    Parameters
    ----------
    layer
        Geometry in its own CRS.
    outside
        From `outside_of`, shape (n,).

    Returns
    -------
    Layer
    """
    return layer.refuse(
        outside,
        "impossible_coordinates",
        f"The coordinates lie far outside the area of {_required_crs(layer).name}, where the rest of the "
        "layer is.",
        "Mend or remove the feature in the source.",
    )


def lon_lat_box(layer: Layer, *, swapped: bool = False) -> LonLatBox | None:
    """Return the box that holds the bulk of a layer, in lon/lat; stray features do not stretch it.

    Parameters
    ----------
    layer
        Geometry in its own CRS.
    swapped
        Read every coordinate pair the other way round.
    """
    return bulk_of(shapely.bounds(layer.shapes())[layer.kept], _required_crs(layer), swapped=swapped)


def bulk_of(bounds: FloatArray, crs: CRS, *, swapped: bool = False) -> LonLatBox | None:
    """The same of boxes in `crs`, shape (n, 4)."""
    if not len(bounds):
        return None
    x = (bounds[:, 0] + bounds[:, 2]) / 2
    y = (bounds[:, 1] + bounds[:, 3]) / 2
    lon, lat = _lon_lat(crs, *((y, x) if swapped else (x, y)))
    fits = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90)
    if fits.mean() < 0.5:
        return None
    west, east = np.percentile(lon[fits], [2, 98])
    south, north = np.percentile(lat[fits], [2, 98])
    return float(west), float(south), float(east), float(north)


def near(one: LonLatBox, other: LonLatBox) -> bool:
    """Whether two boxes lie within a degree of each other.

    Examples
    --------
    >>> near((14.0, 50.0, 14.1, 50.1), (14.2, 50.0, 14.3, 50.1))
    True
    >>> near((14.0, 50.0, 14.1, 50.1), (50.0, 14.0, 50.1, 14.1))
    False
    """
    return (
        one[0] <= other[2] + _NEAR_DEG
        and other[0] <= one[2] + _NEAR_DEG
        and one[1] <= other[3] + _NEAR_DEG
        and other[1] <= one[3] + _NEAR_DEG
    )


def extent_of(bounds: FloatArray, crs: CRS) -> tuple[float, float, float, float]:
    """The extent of the outlines of a district, in their own CRS.

    Where they reach over half the world, on account of a stray or because they lie on both sides of the 180th
    meridian, it is the extent of those in the UTM zone that holds most of them, of two such the western.

    Parameters
    ----------
    bounds
        Boxes in that CRS, shape (n, 4); NaN where there is none. At least one is finite.
    crs
        Of the layer.

    Returns
    -------
    west, south, east, north

    Examples
    --------
    >>> town = np.array([[179.9, -17.0, 179.91, -16.9], [179.92, -17.0, 179.93, -16.9]])
    >>> across = np.array([[-179.9, -17.0, -179.8, -16.9]])
    >>> extent_of(np.vstack([town, across]), CRS("OGC:CRS84"))
    (179.9, -17.0, 179.93, -16.9)
    """
    boxes = bounds[np.isfinite(bounds).all(axis=1)]
    lon, lat = _lon_lat(crs, (boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2)
    fits = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90)
    if fits.any() and np.ptp(lon[fits]) > _WIDE_DEG:
        zone = np.full(len(boxes), -1)
        zone[fits] = ((lon[fits] + 180.0) // _ZONE_DEG).astype(np.int64) % _ZONES
        boxes = boxes[zone == np.argmax(np.bincount(zone[fits], minlength=_ZONES))]
    west, south = boxes[:, :2].min(axis=0)
    east, north = boxes[:, 2:].max(axis=0)
    return float(west), float(south), float(east), float(north)


def choose_working_crs(
    label: str, crs: CRS, bounds: tuple[float, float, float, float], named: str | None
) -> CRS:
    """Choose the CRS that all geometry is moved to.

    Parameters
    ----------
    label
        The footprint layer's name for people.
    crs, bounds
        The CRS of the outlines, and their extent in it.
    named
        The district file's `working_crs`, if any.

    Returns
    -------
    CRS
        The named one; else the footprints' own if it is projected, in feet or metres, and no
        Mercator map (whose lengths grow with latitude); else the UTM zone they lie in.

    Raises
    ------
    DistrictFileError
        The named CRS does not exist or is in degrees.
    CrsError
        No UTM zone fits.
    """
    if named is not None:
        try:
            chosen = _horizontal(CRS.from_user_input(named))
        except CRSError:
            raise DistrictFileError(
                f"The district file gives working_crs = {named!r}, which is not a coordinate reference "
                'system; write it as "EPSG:" and its number.'
            ) from None
        if not chosen.is_projected:
            raise DistrictFileError(
                f"The district file gives working_crs = {named!r} ({chosen.name}), which is in degrees; "
                "name a projected one, or leave it out."
            )
        return chosen
    own = _horizontal(crs)
    if own.is_projected and _in_feet_or_metres(own) and not _is_mercator(own):
        return own
    try:
        # By the middle of their extent alone.
        extent = gpd.GeoSeries([shapely.box(*bounds)], crs=crs)
        return CRS.from_user_input(extent.estimate_utm_crs())
    except (RuntimeError, CRSError, ValueError):
        raise CrsError(
            f"{label}: no UTM zone fits the outlines; set working_crs in the district file."
        ) from None


def move(layer: Layer, working_crs: CRS) -> Layer:
    """Return the layer in the working CRS; what cannot be moved there is refused."""
    crs = _required_crs(layer)
    shapes = layer.shapes().copy()
    shapes[~layer.kept] = None
    if crs.equals(working_crs):
        return layer.with_shapes(shapes, working_crs)
    moved = np.asarray(gpd.GeoSeries(shapes, crs=crs).to_crs(working_crs).array, dtype=object)
    bounds = shapely.bounds(moved)
    lost = layer.kept & ~np.isfinite(bounds).all(axis=1)
    moved[lost] = None
    return layer.with_shapes(moved, working_crs).refuse(
        lost,
        "impossible_coordinates",
        f"The coordinates cannot be moved to {working_crs.name}.",
        "Mend or remove the feature in the source.",
    )


def _outside(crs: CRS, bounds: FloatArray, *, margin_deg: float = _AREA_MARGIN_DEG) -> BoolArray:
    """Which boxes in `crs` reach outside its area of use and the margin."""
    lon, lat = _lon_lat(crs, bounds[:, [0, 2]].ravel(), bounds[:, [1, 3]].ravel())
    fits = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90) & (np.abs(lon) <= 180)
    area = _area_of_use(crs)
    if area is not None:
        fits &= (lat >= area.south - margin_deg) & (lat <= area.north + margin_deg)
        # An area that crosses the 180th meridian has its east below its west.
        width = (area.east - area.west) % 360.0 or 360.0
        with np.errstate(invalid="ignore"):
            fits &= (lon - area.west + margin_deg) % 360.0 <= width + 2 * margin_deg
    return np.asarray(~fits.reshape(-1, 2).all(axis=1), dtype=bool)


def _lon_lat(crs: CRS, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    if crs.is_geographic:
        return x, y
    lon, lat = _to_lon_lat(crs.to_wkt()).transform(x, y)
    return np.asarray(lon), np.asarray(lat)


@lru_cache(maxsize=16)
def _to_lon_lat(wkt: str) -> Transformer:
    return Transformer.from_crs(_horizontal(CRS.from_wkt(wkt)), "OGC:CRS84", always_xy=True)


def _area_of_use(crs: CRS) -> Any:
    """Look the area up where the file gave a CRS by its parameters alone, as most formats do."""
    if crs.area_of_use is not None:
        return crs.area_of_use
    known = crs.to_authority(min_confidence=90)
    return None if known is None else CRS.from_authority(*known).area_of_use


def _required_crs(layer: Layer) -> CRS:
    if layer.crs is None:
        raise CrsError(
            f"{layer.label}: the layer does not name its coordinate reference system; "
            'set crs = "EPSG:..." for it in the district file.'
        )
    return layer.crs


def _horizontal(crs: CRS) -> CRS:
    """Drop the height part of a compound CRS: plans are flat."""
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _in_feet_or_metres(crs: CRS) -> bool:
    return all(axis.unit_name in ("metre", "foot", "US survey foot") for axis in crs.axis_info)


def _is_mercator(crs: CRS) -> bool:
    operation: Any = crs.coordinate_operation
    method = "" if operation is None else str(operation.method_name).lower()
    return "mercator" in method and "transverse" not in method and "oblique" not in method
