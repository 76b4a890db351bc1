"""Write the plan down: from section coordinates to tables in the working CRS.

In: what each chunk placed.
Out: the tables of the plan, with coordinates, grid strings, reasons, and the problems.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.framing import Framing
from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, offsets
from roofplat.ground import usng
from roofplat.placing.checks import Checks
from roofplat.placing.ladders import LadderSpots, Reach
from roofplat.placing.openings import Strips, cut_steps
from roofplat.placing.paths import Ways
from roofplat.placing.reasons import NO_CUT, compass_point, compose, ladder_reasons
from roofplat.placing.trenches import REFUSALS, Trenches
from roofplat.rules import Rulebook
from roofplat.tables import APPARATUS, CUT_KINDS, METHODS, SIDES, conform, problem_rows, words

__all__ = ["Sheets", "write_plan"]

_METHOD_REASONS = {
    "fold_back": "fold_back: the first method of the family, and nothing speaks against it",
    "louver_suspended": "center_rafter_louver: something hangs from the roof",
    "louver_family": "center_rafter_louver: the panels are the early, heavy kind, or the family asks for it",
}
# Refusals that a planner can do something about become problem rows.
_TRENCH_RULES = (
    "trench.width_ft trench.lead_ft trench.beam_clear_ft trench.least_saved_share obstacle.clear_ft"
)
_REPORTED = ("axis_doubtful", "section_too_small", "no_clear_bay", "out_of_reach", "no_path")


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

    def column(self, table: str, name: str) -> npt.NDArray[Any]:
        """The whole column."""
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
        refused_trenches: npt.NDArray[np.object_],
        checks: Checks,
        opened: npt.NDArray[np.bool_],
    ) -> None:
        """Put down what one chunk placed, in the working CRS."""
        planes = frames.outlines.planes
        base_x, base_y = planes.crs(spots.base_east, spots.base_north, spots.section)
        tip_x, tip_y = planes.crs(spots.tip_east, spots.tip_north, spots.section)
        self.put(
            "ladders",
            section=spots.section + first_section,
            rank=spots.rank,
            wall=spots.wall + first_wall,
            base_x=base_x,
            base_y=base_y,
            tip_x=tip_x,
            tip_y=tip_y,
            score=spots.score,
            wishes=spots.wishes,
        )

        found = ways.found & opened[spots.section]
        points = np.diff(ways.start)
        flat = np.repeat(found, points)
        owner = np.repeat(spots.section, points)[flat]
        x, y = frames.crs(ways.u[flat], ways.v[flat], owner)
        self.put(
            "paths",
            section=spots.section[found] + first_section,
            ladder_rank=spots.rank[found],
            length_ft=ways.length_ft[found],
            on_bearing_ft=ways.on_bearing_ft[found],
            points=points[found],
        )
        self.put("path_points", x=x, y=y)

        corners_u = np.stack([strips.u_head, strips.u_head, strips.u_base, strips.u_base, strips.u_head], 1)
        corners_v = np.stack(
            [strips.v_start, strips.v_finish, strips.v_finish, strips.v_start, strips.v_start], 1
        )
        x, y = frames.crs(corners_u.ravel(), corners_v.ravel(), np.repeat(strips.section, 5))
        self.put(
            "openings",
            section=strips.section + first_section,
            seq=strips.seq,
            louver=strips.louver,
            parts=strips.parts,
            length_ft=np.abs(strips.v_finish - strips.v_start),
            width_ft=np.abs(strips.u_head - strips.u_base),
            toward_v=np.sign(strips.v_finish - strips.v_start),
            ring=np.stack([x, y], 1).reshape(-1, 5, 2),
        )
        steps = cut_steps(strips)
        section = strips.section[steps.opening]
        each = section[steps.owner]
        x0, y0 = frames.crs(steps.u0, steps.v0, each)
        x1, y1 = frames.crs(steps.u1, steps.v1, each)
        length = np.hypot(steps.u1 - steps.u0, steps.v1 - steps.v0)
        self._put_cuts(
            section + first_section,
            strips.seq[steps.opening],
            steps.step,
            steps.kind,
            steps.saw,
            steps.owner,
            length,
            np.stack([x0, y0, x1, y1], 1),
        )
        self._add_trenches(frames, first_section, first_wall, trenches)
        self.put("refused_trenches", code=refused_trenches)

        x0, y0 = frames.crs(checks.u0, checks.v0, checks.cut_section)
        x1, y1 = frames.crs(checks.u1, checks.v1, checks.cut_section)
        self.put(
            "inspection",
            section=checks.cut_section + first_section,
            cut_ft=np.hypot(checks.u1 - checks.u0, checks.v1 - checks.v0),
            line=np.stack([x0, y0, x1, y1], 1).reshape(-1, 2, 2),
        )
        x, y = frames.crs(checks.hole_u, checks.hole_v, checks.hole_section)
        self.put("holes", section=checks.hole_section + first_section, seq=checks.hole_seq, x=x, y=y)

    def _add_trenches(
        self, frames: SectionFrames, first_section: int, first_wall: int, trenches: Trenches
    ) -> None:
        beam = trenches.along_beam
        along = np.stack(
            [trenches.start_low, trenches.end_low, trenches.end_high, trenches.start_high], axis=1
        )
        across = np.stack([trenches.low, trenches.low, trenches.high, trenches.high], axis=1)
        u, v = np.where(beam[:, None], along, across), np.where(beam[:, None], across, along)
        x, y = frames.crs(u.ravel(), v.ravel(), np.repeat(trenches.section, 4))
        corners = np.stack([x, y], 1).reshape(-1, 4, 2)
        self.put(
            "trenches",
            section=trenches.section + first_section,
            along_beam=beam,
            width_ft=trenches.high - trenches.low,
            length_ft=trenches.length_ft(),
            start_wall=trenches.start_wall + first_wall,
            from_fire_ft=trenches.from_fire_ft,
            saves_sign=trenches.saves_sign,
            saved_share=trenches.saved_share,
            corners=corners,
        )

    def _put_cuts(
        self,
        section: npt.NDArray[Any],
        feature_seq: npt.NDArray[Any],
        seq: npt.NDArray[Any],
        kind: npt.NDArray[Any],
        saw: npt.NDArray[Any],
        owner: npt.NDArray[Any],
        length: FloatArray,
        ends: FloatArray,
    ) -> None:
        self.put(
            "cuts",
            section=section,
            feature_seq=feature_seq,
            seq=seq,
            kind=kind,
            saw=saw,
            count=np.bincount(owner, minlength=section.size),
            cut_ft=np.bincount(owner, weights=length, minlength=section.size),
        )
        self.put("cut_ends", ends=ends)


def write_plan(
    framing: Framing,
    sheets: Sheets,
    rules: Rulebook,
    *,
    refusal: npt.NDArray[np.object_],
    planned: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    louver: npt.NDArray[np.bool_],
    suspended: npt.NDArray[np.bool_],
    wanted_ft2: FloatArray,
    reach: Reach,
    wind_from_deg: float,
    wind_basis: str,
) -> tuple[dict[str, gpd.GeoDataFrame], pd.DataFrame]:
    """Make the tables of the plan.

    Parameters
    ----------
    framing
        n sections.
    sheets
        What the chunks placed.
    rules
        The rulebook in force.
    refusal
        Why no cut is drawn, by section, empty where one is.
    planned, fire_u, fire_v, fire_given, louver, suspended, wanted_ft2, reach
        Of each section, shape (n,).
    wind_from_deg, wind_basis
        The scenario's wind.

    Returns
    -------
    tables, problems
    """
    to_lonlat = Transformer.from_crs(framing.sections.crs, "EPSG:4326", always_xy=True)
    ids = framing.sections[["building_id", "section_id"]]
    tables = {
        "sections": _sections(
            framing,
            to_lonlat,
            refusal,
            planned,
            fire_u,
            fire_v,
            fire_given,
            louver,
            suspended,
            wind_from_deg,
            wind_basis,
        ),
        "ladders": _ladders(framing, sheets, ids, to_lonlat, reach),
        "paths": _paths(framing, sheets, ids),
        "checks": _checks(framing, sheets, ids, rules),
        "openings": _openings(framing, sheets, ids, to_lonlat, wanted_ft2, fire_given, wind_from_deg),
        "trenches": _trenches(framing, sheets, ids, to_lonlat, rules),
        "cuts": _cuts(framing, sheets, ids, rules),
    }
    return tables, _problems(sheets, ids, refusal, planned)


def _rows(ids: pd.DataFrame, section: npt.NDArray[Any]) -> pd.DataFrame:
    return ids.iloc[section].reset_index(drop=True)


def _sections(
    framing: Framing,
    to_lonlat: Transformer,
    refusal: npt.NDArray[np.object_],
    planned: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    louver: npt.NDArray[np.bool_],
    suspended: npt.NDArray[np.bool_],
    wind_from_deg: float,
    wind_basis: str,
) -> gpd.GeoDataFrame:
    rows = np.flatnonzero(planned)
    x, y = framing.frames.crs(fire_u[rows], fire_v[rows], rows)
    lon, lat = np.full(planned.size, np.nan), np.full(planned.size, np.nan)
    lon[rows], lat[rows] = to_lonlat.transform(x, y)
    cut = refusal == ""
    reasons = {**_METHOD_REASONS, **{code: f"{code}: {why}" for code, why in NO_CUT.items()}}
    code = np.select(
        [~cut, ~louver, suspended], [refusal, "fold_back", "louver_suspended"], default="louver_family"
    )
    why = words([*reasons.values()], pd.Index([*reasons]).get_indexer(pd.Index(code)))
    sections = framing.sections.assign(
        planned=planned,
        fire_lon=lon,
        fire_lat=lat,
        fire_basis=words(["assumed", "given"], np.where(planned, fire_given.astype(int), -1)),
        wind_from_deg=np.where(planned, wind_from_deg, np.nan),
        wind_basis=words([wind_basis], np.where(planned, 0, -1)),
        cut_method=words(METHODS, np.where(cut, louver.astype(int), -1)),
        cut_method_why=why,
    )
    table: gpd.GeoDataFrame = conform("sections", sections)
    return table


def _ladders(
    framing: Framing, sheets: Sheets, ids: pd.DataFrame, to_lonlat: Transformer, reach: Reach
) -> gpd.GeoDataFrame:
    section = sheets.column("ladders", "section")
    rank = sheets.column("ladders", "rank")
    wall = sheets.column("ladders", "wall")
    base_x, base_y = sheets.column("ladders", "base_x"), sheets.column("ladders", "base_y")
    tip_x, tip_y = sheets.column("ladders", "tip_x"), sheets.column("ladders", "tip_y")
    means = reach.means[section]
    rule_ids, reasons = ladder_reasons(sheets.column("ladders", "wishes"), rank, means)
    frame = _rows(ids, section)
    frame["rank"] = rank
    frame["wall"] = framing.walls["wall"].to_numpy()[wall]
    frame["side"] = words(SIDES, framing.wall_side[wall])
    frame["base_lon"], frame["base_lat"] = to_lonlat.transform(base_x, base_y)
    frame["tip_lon"], frame["tip_lat"] = to_lonlat.transform(tip_x, tip_y)
    frame["usng"] = usng(frame["base_lon"].to_numpy(), frame["base_lat"].to_numpy())
    frame["working_length_ft"] = reach.working_length_ft[section]
    frame["ladder_ft"] = reach.ladder_ft[section]
    frame["apparatus"] = words(APPARATUS, means)
    frame["base_setback_ft"] = reach.base_setback_ft[section]
    frame["height_basis"] = framing.sections["height_basis"].array.take(section)
    frame["score"] = sheets.column("ladders", "score")
    frame["rules"] = rule_ids
    frame["reasons"] = reasons
    lines = shapely.linestrings(np.stack([base_x, base_y, tip_x, tip_y], 1).reshape(-1, 2, 2))
    table: gpd.GeoDataFrame = conform(
        "ladders", gpd.GeoDataFrame(frame, geometry=lines, crs=framing.sections.crs)
    )
    return table


def _paths(framing: Framing, sheets: Sheets, ids: pd.DataFrame) -> gpd.GeoDataFrame:
    length = sheets.column("paths", "length_ft")
    rank = sheets.column("paths", "ladder_rank")
    frame = _rows(ids, sheets.column("paths", "section"))
    frame["ladder_rank"] = rank
    frame["length_ft"] = length
    frame["share_on_bearing"] = sheets.column("paths", "on_bearing_ft") / length
    frame["why"] = compose(
        [rank],
        lambda rank: (
            f"Cheapest way along walls, beams and purlins from ladder {rank} to the first bay, "
            "around obstacles."
        ),
    )
    points = np.stack([sheets.column("path_points", "x"), sheets.column("path_points", "y")], axis=1)
    lines = shapely.from_ragged_array(
        shapely.GeometryType.LINESTRING, points, (offsets(sheets.column("paths", "points")),)
    )
    table: gpd.GeoDataFrame = conform(
        "paths", gpd.GeoDataFrame(frame, geometry=lines, crs=framing.sections.crs)
    )
    return table


def _checks(framing: Framing, sheets: Sheets, ids: pd.DataFrame, rules: Rulebook) -> gpd.GeoDataFrame:
    cuts = _rows(ids, sheets.column("inspection", "section"))
    cuts["kind"] = "inspection_cut"
    cuts["seq"] = 1
    cuts["cut_ft"] = sheets.column("inspection", "cut_ft")
    cuts["why"] = "Inside the first foothold, diagonal to the wall and long enough to cross a rafter."
    holes = _rows(ids, sheets.column("holes", "section"))
    holes["kind"] = "indicator_hole"
    holes["seq"] = sheets.column("holes", "seq")
    holes["cut_ft"] = rules.number("check.indicator_cut_ft")
    holes["why"] = "Beside the path of travel, to be watched on the way in and out."
    geometry = np.concatenate(
        [
            shapely.linestrings(sheets.column("inspection", "line")),
            shapely.points(sheets.column("holes", "x"), sheets.column("holes", "y")),
        ]
    )
    section = np.concatenate([sheets.column("inspection", "section"), sheets.column("holes", "section")])
    frame = gpd.GeoDataFrame(
        pd.concat([cuts, holes], ignore_index=True), geometry=geometry, crs=framing.sections.crs
    )
    order = np.lexsort((frame["seq"].to_numpy(dtype=np.int64), section))
    table: gpd.GeoDataFrame = conform("checks", frame.iloc[order])
    return table


def _openings(
    framing: Framing,
    sheets: Sheets,
    ids: pd.DataFrame,
    to_lonlat: Transformer,
    wanted_ft2: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    wind_from_deg: float,
) -> gpd.GeoDataFrame:
    section = sheets.column("openings", "section")
    seq = sheets.column("openings", "seq")
    louver = sheets.column("openings", "louver")
    length, width = sheets.column("openings", "length_ft"), sheets.column("openings", "width_ft")
    area = length * width
    placed = np.bincount(section, weights=area, minlength=len(ids))[section]
    wanted = wanted_ft2[section]
    axis = framing.sections["framing_axis_deg"].to_numpy()[section]
    # v grows toward the left of the beams' azimuth.
    toward = (axis - 90.0 * sheets.column("openings", "toward_v")) % 360.0
    upwind_left = np.cos(np.radians(axis - 90.0 - wind_from_deg)) >= 0
    push = compass_point((axis - np.where(upwind_left, 90.0, -90.0)) % 360.0, louver)
    ring = sheets.column("openings", "ring")
    centre = ring[:, :4].mean(axis=1)
    lon, lat = to_lonlat.transform(centre[:, 0], centre[:, 1])

    def sentence(seq: int, louver: int, given: int) -> str:
        where = (
            f"The clear bay nearest the {'stated' if given else 'assumed'} fire spot"
            if seq == 1
            else "The next clear bay toward the ladder"
        )
        how = (
            "louvers on center rafters, windward edge pushed down"
            if louver
            else "deck folded back over the side away from the ladder"
        )
        return f"{where}; beam to beam, held off the purlins, cut toward the ladder; {how}."

    def rule_ids(seq: int, louver: int) -> str:
        ids = ["opening.hanger_clear_ft", "opening.beam_clear_ft", "obstacle.clear_ft"]
        ids.append("opening.louver_rafters" if louver else "opening.fold_back_part_ft")
        if seq > 1:
            ids += ["opening.wanted_share", "opening.crew_limit", "ladder.opening_clear_ft"]
        return " ".join(ids)

    frame = _rows(ids, section)
    frame["seq"] = seq
    frame["method"] = words(METHODS, louver.astype(int))
    frame["parts"] = sheets.column("openings", "parts")
    frame["length_ft"] = length
    frame["width_ft"] = width
    frame["area_ft2"] = area
    frame["wanted_ft2"] = wanted
    frame["placed_ft2"] = placed
    frame["short_ft2"] = np.maximum(wanted - placed, 0.0)
    frame["finish_toward_deg"] = toward
    frame["push_side"] = push
    frame["usng"] = usng(lon, lat)
    frame["rules"] = compose([seq, louver.astype(int)], rule_ids)
    frame["why"] = compose([seq, louver.astype(int), fire_given[section].astype(int)], sentence)
    table: gpd.GeoDataFrame = conform(
        "openings",
        gpd.GeoDataFrame(
            frame,
            geometry=shapely.from_ragged_array(
                shapely.GeometryType.POLYGON,
                ring.reshape(-1, 2),
                (np.arange(len(frame) + 1) * 5, np.arange(len(frame) + 1)),
            ),
            crs=framing.sections.crs,
        ),
    )
    return table


def _trenches(
    framing: Framing, sheets: Sheets, ids: pd.DataFrame, to_lonlat: Transformer, rules: Rulebook
) -> gpd.GeoDataFrame:
    section = sheets.column("trenches", "section")
    along_beam = sheets.column("trenches", "along_beam")
    corners = sheets.column("trenches", "corners")
    axis = framing.sections["framing_axis_deg"].to_numpy()[section]
    sign = sheets.column("trenches", "saves_sign")
    saves = np.where(along_beam, axis - 90.0 * sign, axis + np.where(sign > 0, 0.0, 180.0)) % 360.0
    start = (corners[:, 0] + corners[:, 3]) / 2
    lon, lat = to_lonlat.transform(start[:, 0], start[:, 1])
    wall = sheets.column("trenches", "start_wall")
    lead = rules.number("trench.lead_ft")

    def sentence(along_beam: int, share: int) -> str:
        line = "beam (with construction)" if along_beam else "purlin (against construction)"
        return (
            f"The shortest wall-to-wall crossing along a {line} at least {lead:g} ft from the openings; "
            f"it saves {share} percent of the section and finishes toward the egress."
        )

    def rule_ids(along_beam: int) -> str:
        del along_beam
        return (
            "trench.width_ft trench.lead_ft trench.beam_clear_ft trench.least_saved_share obstacle.clear_ft"
        )

    percent = np.round(sheets.column("trenches", "saved_share") * 100).astype(int)
    frame = _rows(ids, section)
    frame["method"] = words(["against_construction", "with_construction"], along_beam.astype(int))
    frame["width_ft"] = sheets.column("trenches", "width_ft")
    frame["length_ft"] = sheets.column("trenches", "length_ft")
    frame["start_wall"] = framing.walls["wall"].to_numpy()[wall]
    frame["from_fire_ft"] = sheets.column("trenches", "from_fire_ft")
    frame["saves_deg"] = saves
    frame["usng"] = usng(lon, lat)
    frame["rules"] = _TRENCH_RULES
    frame["why"] = compose([along_beam.astype(int), percent], sentence)
    table: gpd.GeoDataFrame = conform(
        "trenches", gpd.GeoDataFrame(frame, geometry=shapely.polygons(corners), crs=framing.sections.crs)
    )
    return table


def _cuts(framing: Framing, sheets: Sheets, ids: pd.DataFrame, rules: Rulebook) -> gpd.GeoDataFrame:
    section = sheets.column("cuts", "section")
    count = sheets.column("cuts", "count")
    ends = sheets.column("cut_ends", "ends")
    trench_section, trench_count, trench_ends, trench_ft = _trench_cuts(sheets, rules)
    frame = _rows(ids, np.concatenate([section, trench_section]))
    steps = trench_section.size // 2
    is_trench = np.arange(len(frame)) >= section.size
    frame["feature"] = words(["opening", "trench"], is_trench.astype(int))
    frame["feature_seq"] = np.concatenate(
        [sheets.column("cuts", "feature_seq"), np.ones(trench_section.size, dtype=np.int64)]
    )
    frame["seq"] = np.concatenate([sheets.column("cuts", "seq"), np.tile([1, 2], steps)])
    trench_kinds = np.tile([CUT_KINDS.index("parallel_cut"), CUT_KINDS.index("cross_cut")], steps)
    frame["kind"] = words(CUT_KINDS, np.concatenate([sheets.column("cuts", "kind"), trench_kinds]))
    frame["count"] = np.concatenate([count, trench_count])
    frame["saw"] = np.concatenate([sheets.column("cuts", "saw"), np.tile([1, 2], steps)])
    frame["cut_ft"] = np.concatenate([sheets.column("cuts", "cut_ft"), trench_ft])
    coordinates = np.concatenate([ends, trench_ends]).reshape(-1, 2)
    pieces = np.concatenate([count, trench_count])
    geometry = shapely.from_ragged_array(
        shapely.GeometryType.MULTILINESTRING,
        coordinates,
        (np.arange(0, coordinates.shape[0] + 1, 2), offsets(pieces)),
    )
    table: gpd.GeoDataFrame = conform(
        "cuts", gpd.GeoDataFrame(frame, geometry=geometry, crs=framing.sections.crs)
    )
    return table


def _trench_cuts(
    sheets: Sheets, rules: Rulebook
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], FloatArray, FloatArray]:
    """Two rows a trench: the two long cuts, then the cross cuts from start to finish."""
    section = sheets.column("trenches", "section")
    corners = sheets.column("trenches", "corners")
    length = sheets.column("trenches", "length_ft")
    width = sheets.column("trenches", "width_ft")
    spaces = np.maximum(np.ceil(length / rules.number("trench.cross_cut_ft") - 1e-9), 1).astype(np.int64)
    count = np.stack([np.full(section.size, 2), spaces + 1], axis=1).ravel()
    row = np.repeat(np.arange(count.size), count)
    number = np.arange(row.size) - offsets(count)[row]
    trench = row // 2
    is_cross = row % 2 == 1
    share = (number / spaces[trench])[:, None]
    start_low, end_low, end_high, start_high = (corners[trench, place] for place in range(4))
    low = start_low + (end_low - start_low) * share
    high = start_high + (end_high - start_high) * share
    second = (number == 1)[:, None]
    begin = np.where(is_cross[:, None], low, np.where(second, start_high, start_low))
    finish = np.where(is_cross[:, None], high, np.where(second, end_high, end_low))
    cut_ft = np.stack([2 * length, (spaces + 1) * width], axis=1).ravel()
    return np.repeat(section, 2), count, np.concatenate([begin, finish], axis=1), cut_ft


def _problems(
    sheets: Sheets,
    ids: pd.DataFrame,
    refusal: npt.NDArray[np.object_],
    planned: npt.NDArray[np.bool_],
) -> pd.DataFrame:
    section = sheets.column("ladders", "section")
    rank = sheets.column("ladders", "rank")
    with_first = np.bincount(section[rank == 1], minlength=planned.size) > 0
    with_second = np.bincount(section[rank == 2], minlength=planned.size) > 0
    rows = [
        problem_rows(
            "placing",
            ids["section_id"][planned & ~with_first],
            "no_wall_reachable",
            "warning",
            "No wall of this building has a usable ladder spot.",
            "Look at the walls, the ground and the lines on site.",
        ),
        problem_rows(
            "placing",
            ids["section_id"][planned & with_first & ~with_second],
            "no_second_way_off",
            "warning",
            "No second ladder spot is on another side and well apart from the first.",
            "Look for a second way off on site.",
        ),
    ]
    rows += [
        problem_rows(
            "placing",
            ids["section_id"][refusal == code],
            code,
            "info",
            f"No cut is drawn: {NO_CUT[code]}.",
            "Survey the roof, or accept that there is no planned cut.",
        )
        for code in _REPORTED
    ]
    refused = sheets.column("refused_trenches", "code")
    for code, why in REFUSALS.items():
        if code != "no_opening":
            rows.append(
                problem_rows(
                    "placing",
                    ids["section_id"][refused == code],
                    code,
                    "info",
                    f"No trench is drawn: {why}.",
                    "None needed unless the department wants one.",
                )
            )
    return pd.concat(rows, ignore_index=True)
