"""The aerial: where on the street its turntable stands, and how high it reaches from there.

In: tips of spots that want an aerial, streets, buildings, overhead lines, collapse zones.
Out: `AerialSpots`: a place on the street for each tip, and whether the aerial works from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray
from roofplat.placing.approach import Approach, Lines
from roofplat.placing.collapse import Zones, widened
from roofplat.rules import Rulebook

__all__ = ["AERIAL_ANSWERS", "AerialSpots", "find_aerial_spots"]

# What became of the aerial at a spot.
AERIAL_ANSWERS = ("not asked", "works", "too far or too high", "way not clear", "no aerial")
_WORKS, _SHORT, _BLOCKED, _NONE = range(1, 5)
# Heights within a hundredth of a foot of the limit are reached, as those of ladders are.
_SLACK_FT = 0.005
# Round zones are computed with straight pieces; positions are looked for this far outside them.
_OFF_ZONE_FT = 0.1
_ROUND = 64
# The edge in the plan is a straight run; the outline itself may lie a little in front of it.
_AT_EDGE_FT = 0.1


@dataclass(frozen=True, slots=True)
class AerialSpots:
    """The aerial at each of k spots; shape (k,) each.

    answer
        Number in `AERIAL_ANSWERS`.
    east, north
        The turntable in feet on the section's plane.
    setback_ft
        Turntable to tip along the ground.
    highest_ft
        Highest support that the aerial reaches from there, NaN where the ground alone is too far and
        where the way is not clear.
    in_zone
        True where the turntable stands inside the building's collapse zone.
    """

    answer: IntArray
    east: FloatArray
    north: FloatArray
    setback_ft: FloatArray
    highest_ft: FloatArray
    in_zone: npt.NDArray[np.bool_]


def find_aerial_spots(
    frames: SectionFrames,
    approach: Approach,
    buildings: shapely.STRtree,
    rules: Rulebook,
    *,
    section: IntArray,
    tip_east: FloatArray,
    tip_north: FloatArray,
    outward_east: FloatArray,
    outward_north: FloatArray,
    support_ft: FloatArray,
) -> AerialSpots:
    """Set the aerial on the nearest named street, and see whether it reaches.

    Parameters
    ----------
    frames, approach, buildings
        n sections, how they are reached, and all sections of the district.
    rules
        `aerial.*`, `ladder.tip_above_edge_ft`, `outline.jog_ft`.
    section
        Owner of each of k spots, shape (k,).
    tip_east, tip_north, outward_east, outward_north
        Where the aerial crosses the roof edge, in feet on the section's plane, and the direction
        away from the roof.
    support_ft
        Roof edge and parapet above the ground.

    Returns
    -------
    AerialSpots
        Where no street is known, straight out from the wall at the least setback. For a roof
        family that pushes walls out, the nearest place on the street outside the collapse zone;
        where the aerial does not work from there, the nearest place on the street. The first
        street of the layer among equals.

    Notes
    -----
    The aerial works where the slanted distance from the turntable to the tip, which stands above
    the support by the same height as a ladder's, is no longer than its reach, and where nothing of
    a building or an overhead line's clearance lies under it.
    """
    reach = rules.number("aerial.reach_ft")
    if reach <= 0 or not section.size:
        nowhere = np.full(section.size, np.nan)
        none = np.full(section.size, _NONE)
        return AerialSpots(none, nowhere, nowhere, nowhere, nowhere, np.zeros(section.size, dtype=bool))
    planes = frames.outlines.planes
    x, y = planes.crs(tip_east, tip_north, section)
    tip = np.asarray(shapely.points(x, y))
    spots = _Spots(section, tip_east, tip_north, outward_east, outward_north, support_ft)
    streets = approach.streets
    if streets is None:
        return _at(
            spots, tip_east + outward_east, tip_north + outward_north, frames, approach, buildings, rules
        )
    row, line = streets.tree.query_nearest(tip, all_matches=True)
    nearest = np.full(section.size, streets.geometry.size, dtype=np.int64)
    np.minimum.at(nearest, row, line)
    near = _at(
        spots, *_toward(frames, section, tip, streets.geometry[nearest]), frames, approach, buildings, rules
    )

    zone = approach.building[section]
    pushed = np.flatnonzero(approach.zones.pushes_out[zone])
    if not pushed.size:
        return near
    numbers, place = np.unique(zone[pushed], return_inverse=True)
    free = _streets_outside(streets, approach.zones, numbers, reach)[place]
    some = np.flatnonzero(~shapely.is_empty(free))
    rows = pushed[some]
    outside = _at(
        spots.rows(rows),
        *_toward(frames, section[rows], tip[rows], free[some]),
        frames,
        approach,
        buildings,
        rules,
    )
    works = outside.answer == _WORKS
    rows = rows[works]
    columns = []
    for name in AerialSpots.__slots__:
        column = getattr(near, name).copy()
        column[rows] = getattr(outside, name)[works]
        columns.append(column)
    return AerialSpots(*columns)


@dataclass(frozen=True, slots=True)
class _Spots:
    section: IntArray
    tip_east: FloatArray
    tip_north: FloatArray
    outward_east: FloatArray
    outward_north: FloatArray
    support_ft: FloatArray

    def rows(self, rows: IntArray) -> _Spots:
        return _Spots(*(getattr(self, name)[rows] for name in self.__slots__))


def _toward(
    frames: SectionFrames, section: IntArray, tip: npt.NDArray[np.object_], street: npt.NDArray[np.object_]
) -> tuple[FloatArray, FloatArray]:
    """The nearest point of a street in feet on the section's plane."""
    ends = shapely.get_coordinates(shapely.shortest_line(tip, street))[1::2]
    return frames.outlines.planes.feet(ends[:, 0], ends[:, 1], section)


def _streets_outside(
    streets: Lines, zones: Zones, building: IntArray, reach_ft: float
) -> npt.NDArray[np.object_]:
    """Named streets within reach of some buildings, those parts that lie outside the collapse zone."""
    inner = widened(zones, building, _OFF_ZONE_FT, _ROUND)
    # A plane that is wider one way than the other, as Web Mercator is, by less than a hundredth.
    units = 1.01 / np.sqrt(zones.planes.rows(building).area_ft2_per_unit2())
    row, line = streets.tree.query(inner, predicate="dwithin", distance=reach_ft * units)
    order = np.lexsort((line, row))
    row, line = row[order], line[order]
    collected = np.full(building.size, shapely.MultiLineString(), dtype=object)
    shapely.multilinestrings(streets.geometry[line], indices=row, out=collected)
    return np.asarray(shapely.difference(collected, inner))


def _at(
    spots: _Spots,
    east: FloatArray,
    north: FloatArray,
    frames: SectionFrames,
    approach: Approach,
    buildings: shapely.STRtree,
    rules: Rulebook,
) -> AerialSpots:
    """The aerial with its turntable at a point, or beyond it at the least setback."""
    section = spots.section
    least, reach = rules.number("aerial.least_setback_ft"), rules.number("aerial.reach_ft")
    above, table = rules.number("ladder.tip_above_edge_ft"), rules.number("aerial.turntable_ft")
    out_east, out_north = east - spots.tip_east, north - spots.tip_north
    ground = np.hypot(out_east, out_north)
    # A street that passes through the tip gives no direction: straight out from the wall.
    at_tip = ground < 1e-6
    out_east, out_north = (
        np.where(at_tip, straight, part / np.where(at_tip, 1.0, ground))
        for straight, part in ((spots.outward_east, out_east), (spots.outward_north, out_north))
    )
    setback = np.maximum(ground, least)
    east, north = spots.tip_east + out_east * setback, spots.tip_north + out_north * setback

    rise = spots.support_ft + above - table
    short = np.hypot(setback, rise) > reach + _SLACK_FT
    with np.errstate(invalid="ignore"):
        highest = table - above + np.sqrt(reach**2 - setback**2)

    edge = rules.number("outline.jog_ft") + _AT_EDGE_FT
    planes = frames.outlines.planes
    x0, y0 = planes.crs(east, north, section)
    x1, y1 = planes.crs(spots.tip_east + out_east * edge, spots.tip_north + out_north * edge, section)
    x2, y2 = planes.crs(spots.tip_east, spots.tip_north, section)
    blocked = np.zeros(section.size, dtype=bool)
    way = np.asarray(shapely.linestrings(np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2, 2)))
    blocked[buildings.query(way, predicate="intersects")[0]] = True
    lines = approach.lines
    if lines.geometry.size:
        way = np.asarray(shapely.linestrings(np.stack([x0, y0, x2, y2], axis=1).reshape(-1, 2, 2)))
        units = np.sqrt(1.0 / planes.area_ft2_per_unit2())
        row, line = lines.tree.query(way, predicate="dwithin", distance=lines.clear_ft.max() * units.max())
        close = shapely.distance(way[row], lines.geometry[line]) <= lines.clear_ft[line] * units[section[row]]
        blocked[row[close]] = True
    zone = approach.building[section]
    zones = approach.zones
    asked, place = np.unique(zone, return_inverse=True)
    stand = shapely.points(*zones.planes.feet(x0, y0, zone))
    return AerialSpots(
        answer=np.select([short, blocked], [_SHORT, _BLOCKED], default=_WORKS),
        east=east,
        north=north,
        setback_ft=setback,
        highest_ft=np.where(blocked & ~short, np.nan, highest),
        in_zone=shapely.distance(stand, zones.footprint_ft(asked)[place]) <= zones.distance_ft[zone],
    )
