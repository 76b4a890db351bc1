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
from roofplat.framing import Framing, by_family
from roofplat.framing.ragged import FloatArray, IntArray
from roofplat.rules import Rulebook
from roofplat.tables import conform, sentences

__all__ = ["Zones", "find_zones", "zone_table"]

# Pieces in which a quarter of a round corner is drawn.
_QUARTER = 8
# The widest turn that is drawn with no more pieces than a quarter.
_WIDEST_TURN_DEG = 100.0
_SHARES = ("collapse.height_share", "collapse.pushes_out_share")


@dataclass(frozen=True, slots=True)
class Zones:
    """The collapse zones of b buildings, in the order of their first sections; shape (b,) each.

    footprint
        All sections of the building as one, in the working CRS.
    height_ft
        Greatest height of its walls, parapet counted.
    section
        The section with that wall, the first among equals.
    distance_ft
        How far the zone reaches.
    units_per_ft
        Units of the working CRS to a foot there.
    pushes_out
        True where a roof family of the building is known to push walls out.
    """

    footprint: npt.NDArray[np.object_]
    height_ft: FloatArray
    section: IntArray
    distance_ft: FloatArray
    units_per_ft: FloatArray
    pushes_out: npt.NDArray[np.bool_]


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
    pushes = by_family(family, rules, lambda entry: entry.pushes_walls_out).astype(bool)
    pushes_out = np.bincount(building, weights=pushes, minlength=count) > 0
    units = np.sqrt(1.0 / framing.frames.outlines.planes.area_ft2_per_unit2())
    return Zones(
        footprint=_footprints(roofs.geometry.to_numpy(), building, count),
        height_ft=top[highest],
        section=highest,
        distance_ft=top[highest] * np.where(pushes_out, shares[1], shares[0]),
        units_per_ft=units[highest],
        pushes_out=pushes_out,
    )


def zone_table(zones: Zones, roofs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Draw the zones: the ground around each building, courtyards counted, the building left out.

    Parameters
    ----------
    zones
        From `find_zones`.
    roofs
        `tables.TABLES["roofs"]`, working CRS.

    Returns
    -------
    GeoDataFrame
        `tables.TABLES["collapse_zones"]`, one row a building. Round corners are drawn with
        straight pieces, up to half a percent of the distance inside the true curve.
    """
    reach = zones.distance_ft * zones.units_per_ft
    ring, done = _around_boxes(zones.footprint, reach)
    rest = np.flatnonzero(~done)
    footprint = zones.footprint[rest]
    around = shapely.buffer(footprint, reach[rest], quad_segs=_QUARTER)
    plain = (
        (shapely.get_type_id(footprint) == 3)
        & (shapely.get_num_interior_rings(footprint) == 0)
        & (shapely.get_num_interior_rings(around) == 0)
        & (reach[rest] > 0)
    )
    # A plain outline within a plain outline is a hole in it; the others have to be computed.
    holes = shapely.get_exterior_ring(footprint[plain]).reshape(-1, 1)
    ring[rest[plain]] = shapely.polygons(shapely.get_exterior_ring(around[plain]), holes=holes)
    ring[rest[~plain]] = shapely.difference(around[~plain], footprint[~plain])
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
    table: gpd.GeoDataFrame = conform("collapse_zones", columns, geometry=ring, crs=roofs.crs)
    return table


def _around_boxes(
    footprint: npt.NDArray[np.object_], reach: FloatArray
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """Zones of outlines with four corners that turn outward, and where that was the case.

    Most buildings are such; to put their four arcs together is several times faster than to buffer.
    """
    ring = np.empty(footprint.size, dtype=object)
    done = np.zeros(footprint.size, dtype=bool)
    four = np.flatnonzero(
        (shapely.get_type_id(footprint) == 3)
        & (shapely.get_num_interior_rings(footprint) == 0)
        & (shapely.get_num_coordinates(footprint) == 5)
        & (reach > 0)
    )
    outline = shapely.get_coordinates(footprint[four]).reshape(-1, 5, 2)
    run = np.diff(outline, axis=1)
    # The way round decides on which side of an edge the outside lies.
    area = (outline[:, :-1, 0] * outline[:, 1:, 1] - outline[:, 1:, 0] * outline[:, :-1, 1]).sum(axis=1)
    way = np.sign(area)[:, None]
    outward = np.arctan2(-run[..., 0] * way, run[..., 1] * way)
    turn = (np.roll(outward, -1, axis=1) - outward + np.pi) % (2 * np.pi) - np.pi
    plain = ((turn * way > 0) & (np.abs(turn) <= np.radians(_WIDEST_TURN_DEG))).all(axis=1)
    four, outline, outward, turn = four[plain], outline[plain], outward[plain], turn[plain]
    angle = outward[..., None] + turn[..., None] * np.linspace(0.0, 1.0, _QUARTER + 1)
    arc = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * reach[four][:, None, None, None]
    # An edge's turn is at the corner where it ends.
    shell = (outline[:, 1:, None, :] + arc).reshape(-1, 4 * (_QUARTER + 1), 2)
    corners = np.concatenate([shell, shell[:, :1], outline], axis=1)
    size = corners.shape[1]
    starts = np.arange(four.size)[:, None] * size + np.array([0, size - 5])
    ring[four] = shapely.from_ragged_array(
        shapely.GeometryType.POLYGON,
        corners.reshape(-1, 2),
        (np.append(starts.ravel(), four.size * size), np.arange(four.size + 1) * 2),
    )
    done[four] = True
    return ring, done


def _footprints(polygons: npt.NDArray[np.object_], building: IntArray, count: int) -> npt.NDArray[np.object_]:
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
        footprint[np.unique(building[rest])] = shapely.union_all(together.reshape(-1, 1), axis=1)
    return footprint
