"""What is there already: the area of skylights, smoke vents and hatches on each roof section.

In: sections with their local planes, and the obstacles on their buildings.
Out: `Existing`: area, number, and how many have no size, by section.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, sums
from roofplat.ground import LocalPlanes
from roofplat.placing.existing import EXISTING_KINDS
from roofplat.placing.scene import pair_up_any
from roofplat.venting.work import numbers_among

__all__ = ["Existing", "existing_vents"]

# What lies on a section with less of itself than this only reaches over its edge, and counts as none of it.
_LEAST_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Existing:
    """Skylights, smoke vents and hatches of n sections, shape (n,) each.

    area_ft2
        Area that they cover, along the slope; where one lies over another, once.
    count, unsized
        How many lie on the section, and how many of these have no size and add no area.
    """

    area_ft2: FloatArray
    count: IntArray
    unsized: IntArray


def existing_vents(
    sections: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame, planes: LocalPlanes, stretch: FloatArray
) -> Existing:
    """Measure the openings that are there already.

    Parameters
    ----------
    sections
        `building_id` and polygons of n sections, working CRS.
    obstacles
        `tables.TABLES["obstacles"]`, the same CRS. Those of other kinds and of no building are passed over.
    planes
        A local plane at each section.
    stretch
        Area along the slope to area seen from above, of each section, shape (n,).

    Returns
    -------
    Existing
        A thing that lies on two sections counts on both, each with its own part of the area. A point or a
        line has no size; where it is on the border of two sections, it is on the first of them.

    Examples
    --------
    >>> from pyproj import CRS
    >>> from roofplat.ground import Ground, local_planes
    >>> roof, light = shapely.box(0, 0, 10, 10), shapely.box(1, 1, 3, 2)
    >>> planes = local_planes(np.zeros(1), np.zeros(1), CRS("+proj=aeqd +units=ft"), Ground(0.3048))
    >>> sections = gpd.GeoDataFrame({"building_id": ["b1"]}, geometry=[roof])
    >>> things = gpd.GeoDataFrame({"building_id": ["b1"], "kind": ["skylight"]}, geometry=[light])
    >>> existing_vents(sections, things, planes, np.ones(1)).area_ft2.round(3).tolist()
    [2.0]
    """
    count = len(sections)
    owner = obstacles["building_id"].array
    kept = numbers_among(EXISTING_KINDS, obstacles["kind"].array) >= 0
    kept &= ~np.asarray(pd.isna(owner), dtype=bool)
    rows = np.flatnonzero(kept)
    # Few buildings have any: the others are not looked at.
    names = owner.take(rows).unique()
    things = np.asarray(obstacles.geometry.array, dtype=object)[rows]
    thing, section = pair_up_any(
        numbers_among(names, owner.take(rows)), numbers_among(names, sections["building_id"].array)
    )
    shape, roof = things[thing], np.asarray(sections.geometry.array, dtype=object)[section]
    whole = shapely.area(things)[thing]
    sized = whole > 0
    # Most lie on one section with all they have.
    over = np.flatnonzero(sized & ~shapely.covers(roof, shape))
    on_it = shape.copy()
    on_it[over] = shapely.intersection(shape[over], roof[over])
    part = shapely.area(on_it)
    lies = part > _LEAST_SHARE * whole
    lies[~sized] = shapely.intersects(shape[~sized], roof[~sized])
    # What has no size has one place, which is on one section.
    first = first_of_equals([(np.where(lies, section, np.inf), 0)], thing, things.size)
    alone = np.zeros(thing.size, dtype=bool)
    alone[first[first >= 0]] = True
    lies &= sized | alone
    area_ft2 = _covered(on_it[sized], section[sized], count) * planes.area_ft2_per_unit2() * stretch
    return Existing(
        area_ft2=area_ft2,
        count=np.bincount(section[lies], minlength=count),
        unsized=np.bincount(section[lies & ~sized], minlength=count),
    )


def _covered(shapes: npt.NDArray[np.object_], section: IntArray, count: int) -> FloatArray:
    """Area that shapes cover on each section, in square units of their CRS, overlaps once; shape (n,)."""
    area = sums(shapely.area(shapes), section, count)
    order = np.argsort(section, kind="stable")
    several = np.flatnonzero(np.bincount(section, minlength=count) > 1)
    order = order[np.isin(section[order], several)]
    if order.size:
        # A collection a section, and of each what it covers.
        together = np.empty(several.size, dtype=object)
        shapely.geometrycollections(
            shapes[order], indices=np.searchsorted(several, section[order]), out=together
        )
        area[several] = shapely.area(shapely.union_all(together[:, None], axis=1))
    return area
