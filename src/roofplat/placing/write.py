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
import pyarrow as pa
from pyproj import Transformer

from roofplat.framing import Framing
from roofplat.framing.ragged import FloatArray
from roofplat.ground import usng_bytes
from roofplat.placing.ladders import Reach
from roofplat.placing.reasons import NO_CUT, compass_point, compose, ladder_reasons
from roofplat.placing.sheets import Sheets
from roofplat.placing.trenches import REFUSALS
from roofplat.rules import Rulebook
from roofplat.tables import APPARATUS, CUT_KINDS, METHODS, SIDES, conform, problem_rows, sentences, words

__all__ = ["write_plan"]

_METHOD_REASONS = {
    "fold_back": "fold_back: the first method of the family, and nothing speaks against it",
    "louver_suspended": "center_rafter_louver: something hangs from the roof",
    "louver_family": "center_rafter_louver: the panels are the early, heavy kind, or the family asks for it",
}
# Refusals that a planner can do something about become problem rows.
_PATH_RULES = "path.cost.wall path.cost.beam path.cost.purlin obstacle.path_clear_ft"
_CUT_RULES = "check.inspection_angle_deg check.inspection_inset_ft ladder.landing_ft obstacle.path_clear_ft"
_HOLE_RULES = "check.indicator_step_ft check.indicator_offset_ft obstacle.path_clear_ft"
_TRENCH_RULES = (
    "trench.width_ft trench.lead_ft trench.beam_clear_ft trench.least_saved_share obstacle.clear_ft"
)
_REPORTED = ("axis_doubtful", "section_too_small", "no_clear_bay", "out_of_reach", "no_path")


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
        "cuts": _cuts(framing, sheets, ids),
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
    why = sentences([*reasons.values()], pd.Index([*reasons]).get_indexer(pd.Index(code)))
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
    section, rank = sheets.take("ladders", "section"), sheets.take("ladders", "rank")
    wall = sheets.take("ladders", "wall")
    means = reach.means[section]
    rule_ids, reasons = ladder_reasons(sheets.take("ladders", "met"), rank, means)
    frame = _rows(ids, section)
    frame["rank"] = rank
    frame["wall"] = wall - framing.wall_runs.start[section]
    frame["side"] = words(SIDES, framing.wall_side[wall])
    for end in ("base", "tip"):
        x, y = sheets.take("ladders", f"{end}_x"), sheets.take("ladders", f"{end}_y")
        frame[f"{end}_lon"], frame[f"{end}_lat"] = to_lonlat.transform(x, y)
    frame["usng"] = _grid(frame["base_lon"].to_numpy(), frame["base_lat"].to_numpy())
    frame["working_length_ft"] = reach.working_length_ft[section]
    frame["ladder_ft"] = reach.ladder_ft[section]
    frame["apparatus"] = words(APPARATUS, means)
    frame["base_setback_ft"] = reach.base_setback_ft[section]
    frame["height_basis"] = framing.sections["height_basis"].array.take(section)
    frame["score"] = sheets.take("ladders", "score")
    frame["rules"] = rule_ids
    frame["reasons"] = reasons
    return _table("ladders", frame, sheets.take("ladders", "geometry"), framing)


def _paths(framing: Framing, sheets: Sheets, ids: pd.DataFrame) -> gpd.GeoDataFrame:
    length = sheets.take("paths", "length_ft")
    rank = sheets.take("paths", "ladder_rank")
    frame = _rows(ids, sheets.take("paths", "section"))
    frame["ladder_rank"] = rank
    frame["length_ft"] = length
    frame["share_on_bearing"] = sheets.take("paths", "on_bearing_ft") / length
    frame["rules"] = sentences([_PATH_RULES], np.zeros(rank.size, dtype=np.int64))
    frame["why"] = compose(
        [rank],
        lambda rank: (
            f"Cheapest way along walls, beams and purlins from ladder {rank} to the first bay, "
            "around obstacles."
        ),
    )
    return _table("paths", frame, sheets.take("paths", "geometry"), framing)


def _checks(framing: Framing, sheets: Sheets, ids: pd.DataFrame, rules: Rulebook) -> gpd.GeoDataFrame:
    cut, hole = sheets.take("inspection", "section"), sheets.take("holes", "section")
    section = np.concatenate([cut, hole])
    seq = np.concatenate([np.ones(cut.size, dtype=np.int64), sheets.take("holes", "seq")])
    order = np.lexsort((seq, section))
    is_hole = (np.arange(section.size) >= cut.size).astype(np.int64)[order]
    hole_ft = np.full(hole.size, rules.number("check.indicator_cut_ft"))
    frame = _rows(ids, section[order])
    frame["kind"] = words(["inspection_cut", "indicator_hole"], is_hole)
    frame["seq"] = seq[order]
    frame["cut_ft"] = np.concatenate([sheets.take("inspection", "cut_ft"), hole_ft])[order]
    frame["rules"] = sentences([_CUT_RULES, _HOLE_RULES], is_hole)
    frame["why"] = sentences(
        [
            "Inside the first foothold, diagonal to the wall and long enough to cross a rafter.",
            "Beside the path of travel, to be watched on the way in and out.",
        ],
        is_hole,
    )
    geometry = np.concatenate([sheets.take("inspection", "geometry"), sheets.take("holes", "geometry")])
    return _table("checks", frame, geometry[order], framing)


def _openings(
    framing: Framing,
    sheets: Sheets,
    ids: pd.DataFrame,
    to_lonlat: Transformer,
    wanted_ft2: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    wind_from_deg: float,
) -> gpd.GeoDataFrame:
    section = sheets.take("openings", "section")
    seq = sheets.take("openings", "seq")
    louver = sheets.take("openings", "louver")
    length, width = sheets.take("openings", "length_ft"), sheets.take("openings", "width_ft")
    area = length * width
    placed = np.bincount(section, weights=area, minlength=len(ids))[section]
    wanted = wanted_ft2[section]
    axis = framing.sections["framing_axis_deg"].to_numpy()[section]
    # v grows toward the left of the beams' azimuth.
    toward = (axis - 90.0 * sheets.take("openings", "toward_v")) % 360.0
    upwind_left = np.cos(np.radians(axis - 90.0 - wind_from_deg)) >= 0
    push = compass_point((axis - np.where(upwind_left, 90.0, -90.0)) % 360.0, louver)
    lon, lat = to_lonlat.transform(sheets.take("openings", "x"), sheets.take("openings", "y"))

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
    frame["parts"] = sheets.take("openings", "parts")
    frame["length_ft"] = length
    frame["width_ft"] = width
    frame["area_ft2"] = area
    frame["wanted_ft2"] = wanted
    frame["placed_ft2"] = placed
    frame["short_ft2"] = np.maximum(wanted - placed, 0.0)
    frame["finish_toward_deg"] = toward
    frame["push_side"] = push
    frame["usng"] = _grid(lon, lat)
    frame["rules"] = compose([seq, louver.astype(int)], rule_ids)
    frame["why"] = compose([seq, louver.astype(int), fire_given[section].astype(int)], sentence)
    return _table("openings", frame, sheets.take("openings", "geometry"), framing)


def _trenches(
    framing: Framing, sheets: Sheets, ids: pd.DataFrame, to_lonlat: Transformer, rules: Rulebook
) -> gpd.GeoDataFrame:
    section = sheets.take("trenches", "section")
    along_beam = sheets.take("trenches", "along_beam")
    axis = framing.sections["framing_axis_deg"].to_numpy()[section]
    sign = sheets.take("trenches", "saves_sign")
    saves = np.where(along_beam, axis - 90.0 * sign, axis + np.where(sign > 0, 0.0, 180.0)) % 360.0
    lon, lat = to_lonlat.transform(sheets.take("trenches", "x"), sheets.take("trenches", "y"))
    wall = sheets.take("trenches", "start_wall")
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

    percent = np.round(sheets.take("trenches", "saved_share") * 100).astype(int)
    frame = _rows(ids, section)
    frame["method"] = words(["against_construction", "with_construction"], along_beam.astype(int))
    frame["width_ft"] = sheets.take("trenches", "width_ft")
    frame["length_ft"] = sheets.take("trenches", "length_ft")
    frame["start_wall"] = wall - framing.wall_runs.start[section]
    frame["from_fire_ft"] = sheets.take("trenches", "from_fire_ft")
    frame["saves_deg"] = saves
    frame["usng"] = _grid(lon, lat)
    frame["rules"] = sentences([_TRENCH_RULES], np.zeros(len(frame), dtype=np.int64))
    frame["why"] = compose([along_beam.astype(int), percent], sentence)
    return _table("trenches", frame, sheets.take("trenches", "geometry"), framing)


def _cuts(framing: Framing, sheets: Sheets, ids: pd.DataFrame) -> gpd.GeoDataFrame:
    def both(name: str) -> npt.NDArray[Any]:
        return np.concatenate([sheets.take("cuts", name), sheets.take("trench_cuts", name)])

    opening, trench = sheets.take("cuts", "section"), sheets.take("trench_cuts", "section")
    frame = _rows(ids, np.concatenate([opening, trench]))
    frame["feature"] = words(["opening", "trench"], np.repeat([0, 1], [opening.size, trench.size]))
    frame["feature_seq"] = both("feature_seq")
    frame["seq"] = both("seq")
    frame["kind"] = words(CUT_KINDS, both("kind"))
    frame["count"] = both("count")
    frame["saw"] = both("saw")
    frame["cut_ft"] = both("cut_ft")
    return _table("cuts", frame, both("geometry"), framing)


def _table(
    name: str, frame: pd.DataFrame, geometry: npt.NDArray[np.object_], framing: Framing
) -> gpd.GeoDataFrame:
    table: gpd.GeoDataFrame = conform(name, frame, geometry=geometry, crs=framing.sections.crs)
    return table


def _grid(lon: FloatArray, lat: FloatArray) -> Any:
    """National Grid strings as a text column."""
    text = usng_bytes(lon, lat)
    if (text == b"").any():
        # Outside the grid there is no string.
        return pd.array(text.astype("U"), dtype="str")
    size = text.dtype.itemsize
    # Every string has the same width, so the column is the bytes as they lie.
    places = np.arange(0, (text.size + 1) * size, size, dtype=np.int64)
    strings = pa.LargeStringArray.from_buffers(text.size, pa.py_buffer(places), pa.py_buffer(text))
    return pd.array(strings, dtype="str")


def _problems(
    sheets: Sheets,
    ids: pd.DataFrame,
    refusal: npt.NDArray[np.object_],
    planned: npt.NDArray[np.bool_],
) -> pd.DataFrame:
    spots = sheets.take("spots", "count")
    rows = [
        problem_rows(
            "placing",
            ids["section_id"][planned & (spots == 0)],
            "no_wall_reachable",
            "warning",
            "No wall of this building has a usable ladder spot.",
            "Look at the walls, the ground and the lines on site.",
        ),
        problem_rows(
            "placing",
            ids["section_id"][planned & (spots == 1)],
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
    refused = sheets.take("refused_trenches", "code")
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
