"""Collapse zones: the ground on which a falling wall can land.

In: framing, heights of the walls, roof families, the rules.
Out: `Zones`, one for each building, and the table `collapse_zones`.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from roofplat.errors import RuleError
from roofplat.framing import Framing, kinds_of
from roofplat.framing.ragged import FloatArray, IntArray, marked, offsets
from roofplat.ground import LocalPlanes
from roofplat.late import LateTable, late_table
from roofplat.placing.square_zones import around_square_corners
from roofplat.rules import Rulebook
from roofplat.tables import sentences
from roofplat.wkb import Mixed, Shapes, shapes_of

__all__ = ["Zones", "find_zones", "zone_table"]

# Pieces in which a quarter of a round corner is drawn.
_QUARTER = 8
# Sections of a building that lie no farther apart touch.
_HAIR_FT = 3e-4
_POLYGON = int(shapely.GeometryType.POLYGON)
_SHARES = ("collapse.height_share", "collapse.pushes_out_share")


@dataclass(frozen=True, slots=True)
class Zones:
    """The collapse zones of b buildings, in the order of their first sections; shape (b,) each.

    footprint
        All sections of the building as one, in the working CRS.
    planes
        The plane that its zone is measured on: that of the section with the greatest height.
    height_ft
        Greatest height of its walls, parapet counted.
    section
        The section with that wall, the first among equals.
    distance_ft
        How far the zone reaches.
    pushes_out
        True where a roof family of the building is known to push walls out.
    """

    footprint: npt.NDArray[np.object_]
    planes: LocalPlanes
    height_ft: FloatArray
    section: IntArray
    distance_ft: FloatArray
    pushes_out: npt.NDArray[np.bool_]

    def footprint_ft(self, building: IntArray) -> npt.NDArray[np.object_]:
        """Footprints of some buildings in ground feet, each on its plane, shape (k,)."""
        return self.planes.rows(building).geometry_feet(self.footprint[building])


def find_zones(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    building: IntArray,
    wall_ft: FloatArray,
    edge_ft: FloatArray,
    drawn_wall: IntArray,
    drawn_ft: FloatArray,
    rules: Rulebook,
) -> Zones:
    """Measure how far the walls of every building can fall.

    Parameters
    ----------
    framing, roofs
        n sections with w walls.
    building
        Number of the building of each section, from 0 in order of appearance, shape (n,).
    wall_ft, edge_ft
        Height of each wall with its parapet, and of its roof edge, shape (w,).
    drawn_wall, drawn_ft
        Walls that a drawn parapet stands on, and its height.
    rules
        `collapse.height_share`, `collapse.pushes_out_share`.

    Returns
    -------
    Zones

    Raises
    ------
    RuleError
        A share is below 1: a wall falls at least as far as it is high.
    """
    shares = [rules.number(rule_id) for rule_id in _SHARES]
    for rule_id, share in zip(_SHARES, shares, strict=True):
        if not share >= 1.0:
            raise RuleError(
                f"Rule {rule_id} is {share:g}, but a wall falls at least as far as it is high: use 1 or more."
            )
    walls = framing.wall_runs
    top = np.zeros(len(roofs))
    np.maximum.at(top, walls.section, wall_ft)
    np.maximum.at(top, walls.section[drawn_wall], edge_ft[drawn_wall] + drawn_ft)
    count = int(building.max(initial=-1)) + 1
    # By building, the highest first, then the first section.
    order = np.lexsort((np.arange(building.size), -top, building))
    highest = order[np.r_[True, np.diff(building[order]) != 0]] if count else order
    family = framing.sections["roof_family"].fillna("unknown")
    pushes = kinds_of(family, rules).ask_whether(lambda entry: entry.pushes_walls_out)
    pushes_out = np.bincount(building, weights=pushes, minlength=count) > 0
    planes = framing.frames.outlines.planes.rows(highest)
    return Zones(
        footprint=_footprints(roofs.geometry.to_numpy(), building, count, planes),
        planes=planes,
        height_ft=top[highest],
        section=highest,
        distance_ft=top[highest] * np.where(pushes_out, shares[1], shares[0]),
        pushes_out=pushes_out,
    )


def zone_table(zones: Zones, roofs: gpd.GeoDataFrame) -> LateTable:
    """Draw the zones: the ground around each building, courtyards counted, the building left out.

    Parameters
    ----------
    zones
        From `find_zones`.
    roofs
        `tables.TABLES["roofs"]`, working CRS.

    Returns
    -------
    LateTable
        `tables.TABLES["collapse_zones"]`, one row a building. Round corners are drawn with
        straight pieces, up to half a percent of the distance inside the true curve.
    """
    count = zones.distance_ft.size
    square, rings = around_square_corners(zones.footprint, zones.distance_ft, zones.planes)
    others, kinds = _around_others(zones, np.flatnonzero(~marked(square, count)))
    order = np.empty(count, dtype=np.int64)
    order[np.concatenate([square, others])] = np.arange(count)
    columns = {
        "building_id": roofs["building_id"].array.take(zones.section),
        "distance_ft": zones.distance_ft,
        "height_ft": zones.height_ft,
        "height_basis": roofs["height_ft_basis"].array.take(zones.section).fillna("assumed"),
        "pushes_out": zones.pushes_out,
        "rules": sentences([*_SHARES], zones.pushes_out.astype(np.int64)),
        "why": sentences(
            [
                "As far as a wall can fall, by the share of its greatest height that the rulebook sets.",
                "As far as a wall can be thrown: this roof family is known to push walls out.",
            ],
            zones.pushes_out.astype(np.int64),
        ),
    }
    return late_table("collapse_zones", columns, Mixed((rings, *kinds), order), roofs.crs)


def widened(zones: Zones, building: IntArray, more_ft: float, pieces: int) -> npt.NDArray[np.object_]:
    """Outlines of some buildings, widened by their zone and a little more.

    Parameters
    ----------
    zones
        From `find_zones`.
    building
        Numbers of k buildings, shape (k,).
    more_ft
        How far beyond the zone.
    pieces
        Straight pieces in which a quarter of a round corner is drawn.

    Returns
    -------
    ndarray of Polygon or MultiPolygon
        In the working CRS, shape (k,).
    """
    reach = zones.distance_ft[building] + more_ft
    around = shapely.buffer(zones.footprint_ft(building), reach, quad_segs=pieces)
    return zones.planes.rows(building).geometry_crs(np.asarray(around))


def _around_others(zones: Zones, building: IntArray) -> tuple[IntArray, tuple[Shapes, ...]]:
    """Zones of other outlines, kind after kind, and of which buildings they are."""
    footprint = zones.footprint[building]
    around = widened(zones, building, 0.0, _QUARTER)
    plain = (
        (shapely.get_type_id(footprint) == _POLYGON)
        & (shapely.get_num_interior_rings(footprint) == 0)
        & (shapely.get_num_interior_rings(around) == 0)
        & (zones.distance_ft[building] > 0)
    )
    # A plain outline within a plain outline is a hole in it; the others have to be computed.
    pairs = np.stack([around[plain], footprint[plain]], axis=1).ravel()
    rings = offsets(shapely.get_num_coordinates(pairs))
    within = Shapes(
        "Polygon", shapely.get_coordinates(pairs), (rings, np.arange(0, rings.size, 2, dtype=np.int64))
    )
    rest = building[~plain]
    computed = shapely.difference(around[~plain], footprint[~plain])
    single = shapely.get_type_id(computed) == _POLYGON
    order = np.concatenate([building[plain], rest[single], rest[~single]])
    kinds = (shapes_of(computed[kind]) for kind in (single, ~single) if kind.any())
    return order, (within, *kinds)


def _footprints(
    polygons: npt.NDArray[np.object_], building: IntArray, count: int, planes: LocalPlanes
) -> npt.NDArray[np.object_]:
    """All sections of each building as one shape."""
    sections = np.bincount(building, minlength=count)
    footprint = np.empty(count, dtype=object)
    single = sections[building] == 1
    footprint[building[single]] = polygons[single]
    rest = np.flatnonzero(~single)
    if rest.size:
        rest = rest[np.argsort(building[rest], kind="stable")]
        number = np.unique(building[rest], return_inverse=True)[1]
        together = np.asarray(shapely.geometrycollections(polygons[rest], indices=number))
        whole = shapely.union_all(together.reshape(-1, 1), axis=1)
        # Where a roof was cut, rounding leaves a hair between the sections, which is no ground.
        some = np.unique(building[rest])
        hair = _HAIR_FT / np.sqrt(planes.rows(some).area_ft2_per_unit2())
        whole = shapely.buffer(whole, hair, join_style="mitre")
        footprint[some] = shapely.buffer(whole, -hair, join_style="mitre")
    return footprint
