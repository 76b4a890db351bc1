"""Ladders that stand already: the wall each one leans on, and what speaks against it.

In: points near walls, from the scenario.
Out: `Placed`: the place on a wall of each; the words for what normally forbids such a spot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing import Framing
from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals, lists_of, marked, pair_up
from roofplat.placing.approach import Approach, parapets_at
from roofplat.placing.asked import Asked
from roofplat.placing.reach import working_reach
from roofplat.placing.scene import Boxes, in_boxes
from roofplat.rules import Rulebook
from roofplat.tables import WALL_KINDS

__all__ = ["DOUBTS", "Placed", "doubt_bit", "find_placed", "foothold_doubts", "none_placed", "on_rake"]

# What normally forbids a spot: the sentence about a ladder that stands there all the same, and its rule.
DOUBTS: Mapping[str, tuple[str, str]] = {
    "ladder_at_party_wall": ("Its wall is a party wall, against which no ladder is planned.", ""),
    "ladder_at_slanted_edge": ("The roof edge slants there, and no ladder is planned at such a wall.", ""),
    "ladder_at_short_wall": ("Its wall is shorter than one that gets a ladder.", "ladder.least_wall_ft"),
    "ladder_ground_not_free": ("The ground behind and beside its base is not free.", "ladder.base_clear_ft"),
    "ladder_base_in_building": (
        "At a quarter of its working length its base would stand in a building.",
        "ladder.base_share",
    ),
    "ladder_near_line": ("It comes too near a line overhead.", "line.clearance_ft"),
    "ladder_on_bad_ground": ("Its base stands on ground that takes none.", "ladder.base_clear_ft"),
    "ladder_across_fence": ("A fence lies between its base and its tip.", "ladder.base_clear_ft"),
    "ladder_in_closed_yard": ("Its base stands in a yard that buildings close on all sides.", ""),
    "ladder_by_obstacle": ("Its first foothold lies beside an obstacle.", "obstacle.path_clear_ft"),
    "ladder_by_opening": ("Its first foothold lies too near an opening.", "ladder.opening_clear_ft"),
    "ladder_in_collapse_zone": (
        "It stands inside the collapse zone of a roof that is known to push walls out.",
        "collapse.pushes_out_share",
    ),
}


@dataclass(frozen=True, slots=True)
class Placed:
    """Ladders that stand already, at most one for a section, ascending by section; shape (k,) each.

    section, wall
        Owner, and the wall as an index into the walls.
    along_ft
        How far along the wall it leans on it.
    foothold_u, foothold_v
        First foothold inside the edge, in section coordinates.
    doubts
        What its wall alone has against it: a bit for each of `DOUBTS`, see `doubt_bit`.
    """

    section: IntArray
    wall: IntArray
    along_ft: FloatArray
    foothold_u: FloatArray
    foothold_v: FloatArray
    doubts: IntArray

    def rows(self, rows: slice, walls: slice) -> Placed:
        """Those of a run of sections, counted from its first and from its first wall."""
        some = slice(*np.searchsorted(self.section, [rows.start, rows.stop]))
        return Placed(
            self.section[some] - rows.start,
            self.wall[some] - walls.start,
            self.along_ft[some],
            self.foothold_u[some],
            self.foothold_v[some],
            self.doubts[some],
        )

    def footholds(self, count: int) -> tuple[FloatArray, FloatArray]:
        """Footholds by section, NaN where no ladder stands; shape (count,) each."""
        u, v = np.full(count, np.nan), np.full(count, np.nan)
        u[self.section], v[self.section] = self.foothold_u, self.foothold_v
        return u, v


def none_placed() -> Placed:
    """No ladder at all."""
    nobody, nothing = np.empty(0, dtype=np.int64), np.empty(0)
    return Placed(nobody, nobody, nothing, nothing, nothing, nobody)


def doubt_bit(code: str, holds: npt.NDArray[np.bool_]) -> IntArray:
    """The bit of one of `DOUBTS` where it holds, else 0, shape (k,).

    Examples
    --------
    >>> doubt_bit("ladder_at_slanted_edge", np.array([True, False])).tolist()
    [2, 0]
    """
    return np.where(holds, 1 << list(DOUBTS).index(code), 0)


def on_rake(doubts: IntArray) -> npt.NDArray[np.bool_]:
    """Which ladders stand at a wall over which the roof edge slants, shape (k,).

    Examples
    --------
    >>> on_rake(np.array([0, 2, 3])).tolist()
    [False, True, True]
    """
    slanted: npt.NDArray[np.bool_] = doubts & (1 << list(DOUBTS).index("ladder_at_slanted_edge")) != 0
    return slanted


def foothold_doubts(
    section: IntArray,
    foothold_u: FloatArray,
    foothold_v: FloatArray,
    obstacles: Boxes,
    openings: Boxes,
    count: int,
    rules: Rulebook,
) -> IntArray:
    """What the roof has against the footholds of ladders that stand already.

    Parameters
    ----------
    section, foothold_u, foothold_v
        Of k ladders.
    obstacles, openings
        Boxes on the roofs, ascending by section.
    count
        Number of sections.
    rules
        `obstacle.path_clear_ft`, `ladder.opening_clear_ft`.

    Returns
    -------
    ndarray of int
        Bits of `DOUBTS`, shape (k,).
    """
    closed = obstacles.grown(rules.number("obstacle.path_clear_ft"))
    beside = in_boxes(foothold_u, foothold_v, section, closed, count, with_border=False)
    ladder, opening = pair_up(section, openings.section, count)
    u, v = foothold_u[ladder], foothold_v[ladder]
    gap_u = np.maximum(openings.u_low[opening] - u, u - openings.u_high[opening])
    gap_v = np.maximum(openings.v_low[opening] - v, v - openings.v_high[opening])
    gap = np.hypot(np.maximum(gap_u, 0.0), np.maximum(gap_v, 0.0))
    near = marked(ladder[gap < rules.number("ladder.opening_clear_ft")], section.size)
    return doubt_bit("ladder_by_obstacle", beside) | doubt_bit("ladder_by_opening", near)


def find_placed(
    framing: Framing, approach: Approach, asked: Asked, planned: npt.NDArray[np.bool_], rules: Rulebook
) -> tuple[Placed, IntArray]:
    """Lean each ladder that is placed against a wall of its planned section.

    Parameters
    ----------
    framing, approach
        n sections, and heights of their walls.
    asked
        Points in the working CRS.
    planned
        True for a section that wants ladders, shape (n,).
    rules
        `scenario.ladder_reach_ft`, `ladder.*`, `outline.jog_ft`.

    Returns
    -------
    placed, left_out
        The planned sections whose point is too far from every outer wall are left out.

    Notes
    -----
    A point that touches a wall names that wall, to `outline.jog_ft`. Else it is taken for the base of a
    ladder: among the walls it lies outside of, the one from which a base would have to stand most
    nearly as far; a point on the roof names the nearest wall. Among equals (to 0.01 ft) the nearer
    wall, then the first. The ladder leans where the point lies along the wall, a ladder's half width
    and clearance (`ladder.base_clear_ft`) from its ends.
    """
    rows = np.flatnonzero(planned & np.isfinite(asked.ladder_x))
    if not rows.size:
        return none_placed(), rows
    walls, planes = framing.wall_runs, framing.frames.outlines.planes
    east, north = planes.feet(asked.ladder_x[rows], asked.ladder_y[rows], rows)
    item, wall = lists_of(rows, walls.start)
    item, wall = item[walls.shell[wall]], wall[walls.shell[wall]]
    azimuth = np.radians(walls.azimuth_deg[wall])
    sine, cosine = np.sin(azimuth), np.cos(azimuth)
    off_east, off_north = east[item] - walls.east0[wall], north[item] - walls.north0[wall]
    at, out = off_east * sine + off_north * cosine, off_north * sine - off_east * cosine
    length = walls.length_ft[wall]
    away = np.hypot(at - np.clip(at, 0.0, length), out)
    margin = np.minimum(rules.number("ladder.base_clear_ft"), length / 2)
    along = np.clip(at, margin, length - margin)
    support = approach.edge_ft[wall] + parapets_at(approach, wall, along)[0]
    setback = working_reach(support, rules).base_setback_ft
    touches = away <= rules.number("outline.jog_ft")
    outside = ~touches & (out > 0)
    order = np.where(touches, 0.0, np.where(outside, 1.0, 2.0))
    best = first_of_equals(
        [
            (np.where(away <= rules.number("scenario.ladder_reach_ft"), order, np.inf), 0),
            (np.where(outside, np.abs(away - setback), away), 2),
            (away, 2),
            (wall, 0),
        ],
        item,
        rows.size,
    )
    found = best >= 0
    best, section = best[found], rows[found]
    landing = rules.number("ladder.landing_ft")
    wall, along, sine, cosine = wall[best], along[best], sine[best], cosine[best]
    foothold_u, foothold_v = framing.frames.uv(
        walls.east0[wall] + along * sine + cosine * landing,
        walls.north0[wall] + along * cosine - sine * landing,
        section,
    )
    party = framing.wall_kind[wall] == WALL_KINDS.index("party")
    doubts = (
        doubt_bit("ladder_at_party_wall", party)
        | doubt_bit("ladder_at_slanted_edge", approach.no_ladder[wall] & ~party)
        | doubt_bit("ladder_at_short_wall", walls.length_ft[wall] < rules.number("ladder.least_wall_ft"))
    )
    return Placed(section, wall, along, foothold_u, foothold_v, doubts), rows[~found]
