"""Sheets: what each chunk placed, turned into coordinates of the working CRS while it is at hand.

In: ladder spots, ways, openings, trenches and checks of a few thousand sections.
Out: `Sheets`: the columns of the plan's tables and the coordinates of their geometry, chunk after chunk.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray
from roofplat.placing.checks import Checks
from roofplat.placing.ladders import LadderSpots
from roofplat.placing.openings import Strips, cut_steps
from roofplat.placing.paths import Ways
from roofplat.placing.reasons import wishes_met
from roofplat.placing.slopes import SlopeBays
from roofplat.placing.trenches import Trenches
from roofplat.tables import CUT_KINDS

__all__ = ["Sheets"]


class Sheets:
    """Columns of the plan's tables, in the parts in which they were placed."""

    def __init__(self) -> None:
        self._parts: dict[str, list[npt.NDArray[Any]]] = {}

    @classmethod
    def joined(cls, many: list[Sheets]) -> Sheets:
        """The sheets of all chunks as one, in their order."""
        result = cls()
        for sheets in many:
            for name, parts in sheets._parts.items():
                result._parts.setdefault(name, []).extend(parts)
        return result

    def put(self, table: str, **columns: npt.NDArray[Any]) -> None:
        """Append a chunk's columns to a table."""
        for name, values in columns.items():
            self._parts.setdefault(f"{table}.{name}", []).append(values)

    def take(self, table: str, name: str) -> npt.NDArray[Any]:
        """The whole column, which then leaves the sheets."""
        return np.concatenate(self._parts.pop(f"{table}.{name}"))

    def see(self, table: str, name: str) -> npt.NDArray[Any]:
        """The whole column, which stays."""
        return np.concatenate(self._parts[f"{table}.{name}"])

    def add(
        self,
        frames: SectionFrames,
        first_section: int,
        first_wall: int,
        spots: LadderSpots,
        ways: Ways,
        strips: Strips,
        trenches: Trenches,
        checks: Checks,
        *,
        slopes: SlopeBays,
        on_slopes: Strips,
        rise: FloatArray,
        shown: npt.NDArray[np.bool_],
        by_wall: npt.NDArray[np.bool_],
    ) -> None:
        """Put down what one chunk placed.

        Parameters
        ----------
        frames
            The chunk's n sections.
        first_section, first_wall
            Their place, and that of their walls, in the district.
        spots, ways, strips, trenches, checks
            What was placed in them.
        slopes, on_slopes
            The planes of pitched roofs, and the openings on them.
        rise
            Tangent of the slope of each pitched section, 0 for the others, shape (n,).
        shown, by_wall
            Ways that are shown, and those that lead along the walls to the other ladder, shape (k,).
        """
        self._add_ladders(frames, first_section, first_wall, spots)
        self._add_paths(frames, first_section, spots, ways, shown, by_wall)
        self._add_openings(frames, np.arange(frames.count) + first_section, strips)
        self._add_openings(slopes.frames, slopes.plane_section + first_section, on_slopes)
        self._add_trenches(frames, first_section, first_wall, trenches)
        self._add_checks(frames, first_section, checks, rise)

    def _add_ladders(
        self, frames: SectionFrames, first_section: int, first_wall: int, spots: LadderSpots
    ) -> None:
        planes = frames.outlines.planes
        base_x, base_y = planes.crs(spots.base_east, spots.base_north, spots.section)
        tip_x, tip_y = planes.crs(spots.tip_east, spots.tip_north, spots.section)
        self.put("spots", count=np.bincount(spots.section, minlength=frames.count))
        self.put(
            "ladders",
            section=spots.section + first_section,
            rank=spots.rank,
            wall=spots.wall + first_wall,
            base_x=base_x,
            base_y=base_y,
            tip_x=tip_x,
            tip_y=tip_y,
            means=spots.means,
            support_ft=spots.support_ft,
            parapet_ft=spots.parapet_ft,
            working_length_ft=spots.working_length_ft,
            base_setback_ft=spots.base_setback_ft,
            ladder_ft=spots.ladder_ft,
            highest_ft=spots.highest_ft,
            stock_highest_ft=spots.stock_highest_ft,
            scarce=spots.scarce,
            aerial=spots.aerial,
            aerial_setback_ft=spots.aerial_setback_ft,
            aerial_highest_ft=spots.aerial_highest_ft,
            in_zone=spots.in_zone,
            pushes_out=spots.pushes_out,
            score=spots.score,
            met=wishes_met(spots.wishes),
            placed=spots.placed,
            doubts=spots.doubts,
        )

    def _add_paths(
        self,
        frames: SectionFrames,
        first_section: int,
        spots: LadderSpots,
        ways: Ways,
        found: npt.NDArray[np.bool_],
        by_wall: npt.NDArray[np.bool_],
    ) -> None:
        points = np.diff(ways.start)
        flat = np.repeat(found, points)
        x, y = frames.crs(ways.u[flat], ways.v[flat], np.repeat(spots.section, points)[flat])
        self.put(
            "paths",
            section=spots.section[found] + first_section,
            ladder_rank=spots.rank[found],
            by_wall=by_wall[found],
            length_ft=ways.length_ft[found],
            on_bearing_ft=ways.on_bearing_ft[found],
            points=points[found],
        )
        self.put("path_points", x=x, y=y)

    def _add_openings(self, frames: SectionFrames, sections: IntArray, strips: Strips) -> None:
        """Openings and their cuts; `sections` are the district's sections of the frames."""
        u = np.stack([strips.u_head, strips.u_head, strips.u_base, strips.u_base], axis=1)
        v = np.stack([strips.v_start, strips.v_finish, strips.v_finish, strips.v_start], axis=1)
        x, y = frames.crs(u.ravel(), v.ravel(), np.repeat(strips.section, 4))
        x, y = x.reshape(-1, 4), y.reshape(-1, 4)
        self.put(
            "openings",
            section=sections[strips.section],
            seq=strips.seq,
            method=strips.method,
            parts=strips.parts,
            length_ft=np.abs(strips.v_finish - strips.v_start),
            width_ft=np.abs(strips.u_head - strips.u_base),
            axis_deg=np.degrees(np.arctan2(frames.sine, frames.cosine))[strips.section] % 360.0,
            toward_left=np.sign(strips.v_finish - strips.v_start) * frames.hand[strips.section],
            x=x.mean(axis=1),
            y=y.mean(axis=1),
            ring_x=x,
            ring_y=y,
        )
        steps = cut_steps(strips)
        section = strips.section[steps.opening]
        each = section[steps.owner]
        count = np.bincount(steps.owner, minlength=section.size)
        length = np.hypot(steps.u1 - steps.u0, steps.v1 - steps.v0)
        self.put(
            "cuts",
            section=sections[section],
            feature_seq=strips.seq[steps.opening],
            seq=steps.step,
            kind=steps.kind,
            saw=steps.saw,
            count=count,
            cut_ft=np.bincount(steps.owner, weights=length, minlength=section.size),
        )
        self._add_lines("cuts", *frames.crs(steps.u0, steps.v0, each), *frames.crs(steps.u1, steps.v1, each))

    def _add_trenches(
        self, frames: SectionFrames, first_section: int, first_wall: int, trenches: Trenches
    ) -> None:
        beam = trenches.along_beam[:, None]
        along = np.stack([trenches.start_low, trenches.end_low, trenches.end_high, trenches.start_high], 1)
        across = np.stack([trenches.low, trenches.low, trenches.high, trenches.high], axis=1)
        u, v = np.where(beam, along, across), np.where(beam, across, along)
        x, y = frames.crs(u.ravel(), v.ravel(), np.repeat(trenches.section, 4))
        x, y = x.reshape(-1, 4), y.reshape(-1, 4)
        section = trenches.section + first_section
        width, length = trenches.high - trenches.low, trenches.length_ft()
        self.put(
            "trenches",
            section=section,
            along_beam=trenches.along_beam,
            width_ft=width,
            length_ft=length,
            start_wall=trenches.start_wall + first_wall,
            from_fire_ft=trenches.from_fire_ft,
            saves_sign=trenches.saves_sign,
            saved_share=trenches.saved_share,
            x=(x[:, 0] + x[:, 3]) / 2,
            y=(y[:, 0] + y[:, 3]) / 2,
            ring_x=x,
            ring_y=y,
        )
        # Two steps: the long cuts from start to finish, then the cross cuts at both ends.
        begin = [0, 3, 0, 1]
        end = [1, 2, 3, 2]
        count = np.full(2 * section.size, 2)
        kinds = [CUT_KINDS.index("parallel_cut"), CUT_KINDS.index("cross_cut")]
        self.put(
            "trench_cuts",
            section=np.repeat(section, 2),
            feature_seq=np.ones(count.size, dtype=np.int64),
            seq=np.tile([1, 2], section.size),
            kind=np.tile(kinds, section.size),
            saw=np.tile([1, 2], section.size),
            count=count,
            cut_ft=np.stack([2 * length, 2 * width], axis=1).ravel(),
        )
        self._add_lines(
            "trench_cuts", x[:, begin].ravel(), y[:, begin].ravel(), x[:, end].ravel(), y[:, end].ravel()
        )

    def _add_checks(
        self, frames: SectionFrames, first_section: int, checks: Checks, rise: FloatArray
    ) -> None:
        section = checks.cut_section
        # Over an eave a cut climbs by the part of it that leads straight away from the wall.
        climb = rise[section] * checks.inward_ft
        self.put(
            "inspection",
            section=section + first_section,
            cut_ft=np.hypot(np.hypot(checks.u1 - checks.u0, checks.v1 - checks.v0), climb),
        )
        self._add_lines(
            "inspection",
            *frames.crs(checks.u0, checks.v0, section),
            *frames.crs(checks.u1, checks.v1, section),
        )
        x, y = frames.crs(checks.hole_u, checks.hole_v, checks.hole_section)
        self.put(
            "holes",
            section=checks.hole_section + first_section,
            seq=checks.hole_seq,
            x=x,
            y=y,
        )

    def _add_lines(self, table: str, x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray) -> None:
        """Straight lines that belong to the rows of a table, in its order."""
        self.put(f"{table}_lines", x0=x0, y0=y0, x1=x1, y1=y1)

    def lines(self, table: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """The ends of a table's straight lines, which then leave the sheets."""
        x0, y0, x1, y1 = (self.take(f"{table}_lines", end) for end in ("x0", "y0", "x1", "y1"))
        return x0, y0, x1, y1

    def rings(self, table: str) -> tuple[FloatArray, FloatArray]:
        """The closed rings of a table's four-sided shapes, five corners each, which then leave the sheets."""
        around = [0, 1, 2, 3, 0]
        x, y = (self.take(table, f"ring_{axis}")[:, around].ravel() for axis in ("x", "y"))
        return x, y
