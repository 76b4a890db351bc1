"""Plans with square corners, freed from the noise they were drawn with.

In: walls of sections.
Out: the same walls on common directions and common lines, where the plan has square corners.

Two walls that were built on one line are drawn a few inches and a degree apart. Planes that rise
from them are then parallel and not one, and meet nowhere near where the roof's do.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import IntArray, lists_of, marked, sums
from roofplat.framing.walls import Walls
from roofplat.rules import Rulebook

__all__ = ["following_walls", "regular_walls"]

BoolArray = npt.NDArray[np.bool_]

# A wall that keeps less of its length than this is not the wall that was drawn.
_LEAST_SHARE = 0.5


def following_walls(walls: Walls) -> IntArray:
    """The next wall of the same ring, shape (w,).

    Parameters
    ----------
    walls
        Walls of n sections.

    Returns
    -------
    ndarray of int
    """
    goes_on = (
        (walls.east1[:-1] == walls.east0[1:])
        & (walls.north1[:-1] == walls.north0[1:])
        & (walls.section[:-1] == walls.section[1:])
        & (walls.shell[:-1] == walls.shell[1:])
    )
    first = np.flatnonzero(np.r_[True, ~goes_on][: walls.section.size])
    following = np.arange(1, walls.section.size + 1)
    following[np.r_[first[1:], walls.section.size][: first.size] - 1] = first
    return following


def regular_walls(walls: Walls, wanted: BoolArray, rules: Rulebook) -> tuple[Walls, BoolArray]:
    """Put walls on common directions and lines.

    Parameters
    ----------
    walls
        Walls of n sections.
    wanted
        Sections to look at, shape (n,).
    rules
        `pitched.square_tolerance_deg` and `pitched.same_line_ft`.

    Returns
    -------
    walls
        The same number in the same order; those of other sections as they were.
    regular
        Sections whose corners are now square, shape (n,).

    Notes
    -----
    The directions are the mean of all walls', taken by length and modulo a right angle. Of walls
    that face the same way, each within `pitched.same_line_ft` of the one before it, the line is the
    mean by length. A section whose walls are not square to within the tolerance, or of which a
    corner would move by more than `pitched.same_line_ft`, stays as drawn. Nothing depends on where a ring
    starts.
    """
    count = walls.start.size - 1
    rows = np.flatnonzero(wanted)
    item, wall = lists_of(rows, walls.start)
    length = walls.length_ft[wall]
    fourfold = np.radians(walls.azimuth_deg[wall]) * 4
    east, north = (sums(length * part, item, rows.size) for part in (np.sin(fourfold), np.cos(fourfold)))
    base_deg = np.degrees(np.arctan2(east, north))[item] / 4
    turn = walls.azimuth_deg[wall] - base_deg
    quarter = np.round(turn / 90.0).astype(np.int64) % 4
    square = np.abs((turn + 45.0) % 90.0 - 45.0) <= rules.number("pitched.square_tolerance_deg")
    place = np.zeros(walls.section.size, dtype=np.int64)
    place[wall] = np.arange(wall.size)
    following = place[following_walls(walls)[wall]]
    across = quarter % 2 == 1
    square &= across != across[following]

    # Along the common direction, and to the right of it.
    sine, cosine = np.sin(np.radians(base_deg)), np.cos(np.radians(base_deg))
    middle_east = (walls.east0[wall] + walls.east1[wall]) / 2
    middle_north = (walls.north0[wall] + walls.north1[wall]) / 2
    line = np.where(
        across, middle_east * sine + middle_north * cosine, middle_east * cosine - middle_north * sine
    )
    order = np.lexsort((line, quarter, item))
    apart = (
        (np.diff(item[order]) != 0)
        | (np.diff(quarter[order]) != 0)
        | (np.diff(line[order]) > rules.number("pitched.same_line_ft"))
    )
    group = np.empty_like(order)
    group[order] = np.cumsum(np.r_[False, apart])[: order.size]
    groups = int(group.max(initial=-1)) + 1
    line = (sums(line * length, group, groups) / sums(length, group, groups))[group]

    before = np.empty_like(following)
    before[following] = np.arange(following.size)
    along, right = np.where(across, line, line[before]), np.where(across, line[before], line)
    east0, north0 = along * sine + right * cosine, along * cosine - right * sine
    east1, north1 = east0[following], north0[following]
    moved = np.hypot(east0 - walls.east0[wall], north0 - walls.north0[wall])
    ahead = np.radians(base_deg + 90.0 * quarter)
    kept_ft = (east1 - east0) * np.sin(ahead) + (north1 - north0) * np.cos(ahead)
    unfit = ~square | (moved > rules.number("pitched.same_line_ft")) | (kept_ft < _LEAST_SHARE * length)
    regular = marked(rows, count)
    regular[rows[item[unfit]]] = False

    use = regular[rows[item]]
    azimuth = (base_deg + 90.0 * quarter) % 360.0
    changed = {
        "east0": east0,
        "north0": north0,
        "east1": east1,
        "north1": north1,
        "length_ft": kept_ft,
        "azimuth_deg": azimuth,
        "outward_deg": (azimuth - 90.0) % 360.0,
    }
    columns = {}
    for name, values in changed.items():
        columns[name] = getattr(walls, name).copy()
        columns[name][wall[use]] = values[use]
    return replace(walls, **columns), regular
