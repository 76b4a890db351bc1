"""Write the plan down: from section coordinates to tables in the working CRS.

In: what each chunk placed.
Out: the tables of the plan, with coordinates, grid strings, reasons, and the problems.

Geometry stays coordinates: geometry objects are made when somebody asks for them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyproj import CRS, Transformer

from roofplat.framing import Framing
from roofplat.framing.ragged import FloatArray, marked, offsets
from roofplat.ground import transformer, usng_bytes
from roofplat.late import LateTable, late_table
from roofplat.placing.asked import Asked
from roofplat.placing.compose import compose
from roofplat.placing.methods import Choice, rejected_methods
from roofplat.placing.openings import LOUVERS, UNCUT
from roofplat.placing.reasons import NO_CUT, compass_point, ladder_reasons
from roofplat.placing.sheets import Sheets
from roofplat.placing.trenches import REFUSALS
from roofplat.rules import Rulebook
from roofplat.rules.loader import FRAMINGS
from roofplat.tables import (
    APPARATUS,
    CUT_KINDS,
    METHODS,
    SCENARIO_BASES,
    SIDES,
    conform,
    join_problems,
    problem_rows,
    sentences,
    words,
)
from roofplat.wkb import Mixed, Shapes, multilines, points, polygons, segments

__all__ = ["write_plan"]

_WGS84 = CRS("EPSG:4326")
# Decimals of a cosine that count.
_LEVEL = 9
Columns = dict[str, Any]

_LINES = {
    "grid": "walls, beams and purlins",
    "joists": "walls and joists",
    "pitched": "eaves, members, ridges, hips and valleys",
}
# Refusals that a planner can do something about become problem rows.
_PATH_RULES = "path.cost.wall path.cost.beam path.cost.purlin obstacle.path_clear_ft"
_CUT_WORDS = {
    "fold_back": "beam to beam, held off the purlins, deck folded back over the side away from the ladder",
    "center_rafter_louver": (
        "beam to beam, held off the purlins, louvers on center rafters, windward edge pushed down"
    ),
    "joist_louver": "between joists, louvers on the joists, windward edge pushed down",
    "between_joists": "a rectangle between the members that bear",
    "near_ridge": "near the ridge on the leeward plane, between members, off hips and valleys",
    "small_opening": (
        "a small rectangle between members: the deck may drop or hinge, so stand on the lines that bear"
    ),
}
_UNCUT_WORDS = {
    "existing_opening": (
        "There already, near {fire}: opened before anything is cut, and a fall hazard until then."
    ),
    "glazing": "Glazing near {fire}: opened before anything is cut, and a fall hazard until then.",
}
_METHOD_RULES = {
    "existing_opening": "opening.existing_reach_ft",
    "glazing": "opening.glazing_length_ft opening.glazing_width_ft",
    "fold_back": "opening.fold_back_part_ft",
    "center_rafter_louver": "opening.louver_rafters",
    "joist_louver": "opening.louver_rafters opening.joist_length_ft opening.joist_width_ft",
    "between_joists": "opening.between_joists_ft",
    "near_ridge": (
        "opening.ridge_length_ft opening.ridge_reach_ft opening.joist_width_ft opening.lee_tolerance_deg"
    ),
    "small_opening": "opening.small_ft",
}
_SLOPE_RULES = "path.cost.eave path.cost.ridge path.cost.slope obstacle.path_clear_ft"
_WALL_RULES = "path.cost.wall obstacle.path_clear_ft"
_CUT_RULES = (
    "check.inspection_angle_deg check.inspection_longest_ft check.inspection_inset_ft "
    "ladder.landing_ft obstacle.path_clear_ft"
)
_HOLE_RULES = (
    "check.indicator_step_ft check.indicator_offset_ft check.indicator_wall_ft obstacle.path_clear_ft"
)
_TRENCH_RULES = (
    "trench.width_ft trench.lead_ft trench.beam_clear_ft trench.least_saved_share obstacle.clear_ft"
)
_REPORTED = (
    "span_beyond_family",
    "too_steep",
    "axis_doubtful",
    "section_too_small",
    "no_clear_ridge",
    "no_clear_bay",
    "out_of_reach",
    "no_path",
)


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
    choice: Choice,
    wanted_ft2: FloatArray,
    street_known: bool,
    asked: Asked,
) -> tuple[gpd.GeoDataFrame, dict[str, LateTable], pd.DataFrame]:
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
    planned, fire_u, fire_v, fire_given, wanted_ft2
        Of each section, shape (n,).
    street_known
        Whether there is a streets layer: without one an aerial's distance is not known.
    choice
        The methods of the sections.
    asked
        Wind, method and ladder that the scenario states.

    Returns
    -------
    sections
        The table of framing with what was decided for each.
    tables
        All others but the collapse zones, by name.
    problems
    """
    to_lonlat = transformer(framing.sections.crs, _WGS84)
    ids = {name: framing.sections[name].array for name in ("building_id", "section_id")}
    opened = marked(sheets.see("openings", "section"), planned.size)
    sections = _sections(
        framing,
        rules,
        to_lonlat,
        refusal,
        opened,
        planned,
        fire_u,
        fire_v,
        fire_given,
        choice,
        asked,
    )
    tables = {
        "ladders": _ladders(framing, sheets, ids, to_lonlat, street_known),
        "paths": _paths(framing, sheets, ids),
        "checks": _checks(framing, sheets, ids, rules),
        "openings": _openings(framing, sheets, ids, to_lonlat, wanted_ft2, fire_given, asked.wind_from_deg),
        "trenches": _trenches(framing, sheets, ids, to_lonlat, rules, opened),
        "cuts": _cuts(framing, sheets, ids),
    }
    return sections, tables, _problems(sheets, ids["section_id"], refusal, planned)


def _rows(ids: Columns, section: npt.NDArray[Any]) -> Columns:
    return {name: column.take(section) for name, column in ids.items()}


def _sections(
    framing: Framing,
    rules: Rulebook,
    to_lonlat: Transformer,
    refusal: npt.NDArray[np.object_],
    opened: npt.NDArray[np.bool_],
    planned: npt.NDArray[np.bool_],
    fire_u: FloatArray,
    fire_v: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    choice: Choice,
    asked: Asked,
) -> gpd.GeoDataFrame:
    rows = np.flatnonzero(planned)
    x, y = framing.frames.crs(fire_u[rows], fire_v[rows], rows)
    lon, lat = np.full(planned.size, np.nan), np.full(planned.size, np.nan)
    lon[rows], lat[rows] = to_lonlat.transform(x, y)
    never = choice.method == METHODS.index("do_not_cut")
    told = np.where(planned & (opened | never), choice.method, -1)
    why = _why_this_method(framing, rules, refusal, told, choice)
    framed = framing.sections
    columns = {name: column.array for name, column in framed.items()} | {
        "methods_rejected": rejected_methods(choice, framed["roof_family"], planned),
        "planned": planned,
        "fire_lon": lon,
        "fire_lat": lat,
        "fire_basis": words(["assumed", "given"], np.where(planned, fire_given.astype(int), -1)),
        "wind_from_deg": np.where(planned, asked.wind_from_deg, np.nan),
        "wind_basis": words(SCENARIO_BASES, np.where(planned, asked.wind_basis, -1)),
        "cut_method": words(METHODS, told),
        "cut_method_why": why,
    }
    geometry = columns.pop("geometry")
    table: gpd.GeoDataFrame = conform("sections", columns, geometry=geometry, crs=framed.crs)
    return table


def _why_this_method(
    framing: Framing,
    rules: Rulebook,
    refusal: npt.NDArray[np.object_],
    told: npt.NDArray[np.int64],
    choice: Choice,
) -> pd.Categorical:
    """Why this method, and why no deck is cut where none is."""
    codes = ["", *NO_CUT]
    code = pd.Index(codes).get_indexer(pd.Index(refusal))
    kind, names = pd.factorize(framing.sections["roof_family"])

    def sentence(method: int, cutting: int, refused: int, kind: int, wished: int) -> str:
        family = rules.families.get(names[kind])
        caution = "" if family is None else family.caution
        no_cut = f"{codes[refused]}: {NO_CUT[codes[refused]]}" if refused else ""
        if method < 0:
            return no_cut
        way = METHODS[method]
        wish = "preferred in this scenario" if wished else ""
        if way == "do_not_cut":
            return f"do_not_cut: {wish or caution}"
        if way == "existing_opening":
            then = f"no deck is cut ({no_cut})" if refused else f"then {METHODS[cutting]}"
            first = "what is there already is used first"
            return f"existing_opening: {', '.join(part for part in (wish, first) if part)}; {then}"
        if way == "glazing":
            return f"glazing: {'; '.join(part for part in (wish, caution) if part)}"
        if wished:
            return f"{way}: {wish}, and nothing speaks against it"
        return f"{way}: the first method of the family that nothing speaks against"

    return compose([told, choice.cutting, code, kind, (choice.preferred >= 0).astype(int)], sentence)


def _ladders(
    framing: Framing, sheets: Sheets, ids: Columns, to_lonlat: Transformer, street_known: bool
) -> LateTable:
    section, rank, wall = (sheets.take("ladders", name) for name in ("section", "rank", "wall"))
    means = sheets.take("ladders", "means")
    support, highest = sheets.take("ladders", "support_ft"), sheets.take("ladders", "highest_ft")
    in_zone, setback = sheets.take("ladders", "in_zone"), sheets.take("ladders", "aerial_setback_ft")
    rule_ids, reasons = ladder_reasons(
        sheets.take("ladders", "met"),
        rank,
        means,
        support_ft=support,
        parapet_ft=sheets.take("ladders", "parapet_ft"),
        stock_ft=sheets.take("ladders", "stock_highest_ft"),
        scarce=sheets.take("ladders", "scarce"),
        aerial=sheets.take("ladders", "aerial"),
        aerial_ft=sheets.take("ladders", "aerial_highest_ft"),
        alarming=in_zone & sheets.take("ladders", "pushes_out"),
        placed=sheets.take("ladders", "placed"),
        doubts=sheets.take("ladders", "doubts"),
        street_known=street_known,
    )
    up = means == APPARATUS.index("aerial")
    frame = _rows(ids, section)
    frame["rank"] = rank
    frame["wall"] = wall - framing.wall_runs.start[section]
    frame["side"] = words(SIDES, framing.wall_side[wall])
    base_x, base_y = sheets.take("ladders", "base_x"), sheets.take("ladders", "base_y")
    tip_x, tip_y = sheets.take("ladders", "tip_x"), sheets.take("ladders", "tip_y")
    frame["base_lon"], frame["base_lat"] = to_lonlat.transform(base_x, base_y)
    frame["tip_lon"], frame["tip_lat"] = to_lonlat.transform(tip_x, tip_y)
    frame["usng"] = _grid(frame["base_lon"], frame["base_lat"])
    frame["working_length_ft"] = sheets.take("ladders", "working_length_ft")
    frame["ladder_ft"] = sheets.take("ladders", "ladder_ft")
    frame["apparatus"] = words(APPARATUS, means)
    frame["base_setback_ft"] = sheets.take("ladders", "base_setback_ft")
    frame["support_ft"] = support
    frame["highest_ft"] = highest
    # Where no street is known the least setback is taken, which is nobody's measurement.
    frame["aerial_setback_ft"] = np.where(up & street_known, setback, np.nan)
    frame["in_collapse_zone"] = in_zone
    frame["height_basis"] = framing.sections["height_basis"].array.take(section)
    frame["score"] = sheets.take("ladders", "score")
    frame["rules"] = rule_ids
    frame["reasons"] = reasons
    return _table("ladders", frame, segments(base_x, base_y, tip_x, tip_y), framing)


def _paths(framing: Framing, sheets: Sheets, ids: Columns) -> LateTable:
    length = sheets.take("paths", "length_ft")
    rank = sheets.take("paths", "ladder_rank")
    by_wall = sheets.take("paths", "by_wall").astype(np.int64)
    section = sheets.take("paths", "section")
    frame = _rows(ids, section)
    frame["ladder_rank"] = rank
    frame["length_ft"] = length
    frame["share_on_bearing"] = sheets.take("paths", "on_bearing_ft") / length
    # Texts are compared once a section, not once a path.
    way_of = np.select([framing.spacings.framing == way for way in FRAMINGS], range(len(FRAMINGS)))
    code = way_of[section]
    on_slope = (code == FRAMINGS.index("pitched")).astype(np.int64)
    frame["rules"] = sentences([_PATH_RULES, _WALL_RULES, _SLOPE_RULES], np.maximum(by_wall, 2 * on_slope))

    def sentence(rank: int, by_wall: int, framing: int) -> str:
        if by_wall:
            return "Along the walls to the other ladder: no way to any work on this roof is planned."
        lines = _LINES.get(FRAMINGS[framing], "walls")
        work = "the ridge beside the first opening" if FRAMINGS[framing] == "pitched" else "the first bay"
        return f"Cheapest way along {lines} from ladder {rank} to {work}, around obstacles."

    frame["why"] = compose([rank, by_wall, code], sentence)
    starts = offsets(sheets.take("paths", "points"))
    xy = np.stack([sheets.take("path_points", axis) for axis in ("x", "y")], axis=1)
    return _table("paths", frame, Shapes("LineString", xy, (starts,)), framing)


def _checks(framing: Framing, sheets: Sheets, ids: Columns, rules: Rulebook) -> LateTable:
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
    kinds = (
        segments(*sheets.lines("inspection")),
        points(sheets.take("holes", "x"), sheets.take("holes", "y")),
    )
    return _table("checks", frame, Mixed(kinds, order), framing)


def _openings(
    framing: Framing,
    sheets: Sheets,
    ids: Columns,
    to_lonlat: Transformer,
    wanted_ft2: FloatArray,
    fire_given: npt.NDArray[np.bool_],
    wind_from_deg: FloatArray,
) -> LateTable:
    section = sheets.take("openings", "section")
    seq = sheets.take("openings", "seq")
    method = sheets.take("openings", "method")
    length, width = sheets.take("openings", "length_ft"), sheets.take("openings", "width_ft")
    area = length * width
    placed = np.bincount(section, weights=area, minlength=wanted_ft2.size)[section]
    wanted = wanted_ft2[section]
    axis = sheets.take("openings", "axis_deg")
    toward = (axis - 90.0 * sheets.take("openings", "toward_left")) % 360.0
    upwind = np.round(np.cos(np.radians(axis - 90.0 - wind_from_deg[section])), _LEVEL)
    # A wind straight along the axis pushes neither edge: the one that the cuts advance to is taken.
    windward = np.where(upwind == 0, toward, axis - np.where(upwind > 0, 90.0, -90.0))
    push = compass_point(windward % 360.0, np.isin(method, LOUVERS))
    lon, lat = to_lonlat.transform(sheets.take("openings", "x"), sheets.take("openings", "y"))

    first_cut = seq == 1 + np.bincount(section[np.isin(method, UNCUT)], minlength=wanted_ft2.size)[section]

    def sentence(method: int, first: int, given: int) -> str:
        fire = f"the {'stated' if given else 'assumed'} fire spot"
        way = METHODS[method]
        if way in _UNCUT_WORDS:
            return _UNCUT_WORDS[way].format(fire=fire)
        where = f"The clear bay nearest {fire}" if first else "The next clear bay toward the ladder"
        return f"{where}; {_CUT_WORDS[way]}, cut toward the ladder."

    def rule_ids(method: int, first: int) -> str:
        way = METHODS[method]
        if way in _UNCUT_WORDS:
            return _METHOD_RULES[way]
        ids = ["opening.hanger_clear_ft", "opening.beam_clear_ft", "obstacle.clear_ft", _METHOD_RULES[way]]
        if not first:
            ids += ["opening.wanted_share", "opening.crew_limit", "ladder.opening_clear_ft"]
        return " ".join(ids)

    frame = _rows(ids, section)
    frame["seq"] = seq
    frame["method"] = words(METHODS, method)
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
    frame["rules"] = compose([method, first_cut.astype(int)], rule_ids)
    frame["why"] = compose([method, first_cut.astype(int), fire_given[section].astype(int)], sentence)
    return _table("openings", frame, _four_sided(sheets, "openings"), framing)


def _trenches(
    framing: Framing,
    sheets: Sheets,
    ids: Columns,
    to_lonlat: Transformer,
    rules: Rulebook,
    opened: npt.NDArray[np.bool_],
) -> LateTable:
    section = sheets.take("trenches", "section")
    along_beam = sheets.take("trenches", "along_beam")
    axis = framing.sections["framing_axis_deg"].to_numpy()[section]
    frames = framing.frames
    ahead = (
        np.cos(np.radians(axis)) * frames.cosine[section] + np.sin(np.radians(axis)) * frames.sine[section]
    )
    along = axis + np.where(ahead > 0, 0.0, 180.0)
    sign = sheets.take("trenches", "saves_sign")
    across = along - 90.0 * sign * frames.hand[section]
    saves = np.where(along_beam, across, along + np.where(sign > 0, 0.0, 180.0)) % 360.0
    lon, lat = to_lonlat.transform(sheets.take("trenches", "x"), sheets.take("trenches", "y"))
    wall = sheets.take("trenches", "start_wall")
    lead = rules.number("trench.lead_ft")

    kind, names = pd.factorize(framing.sections["roof_family"].iloc[section])

    def sentence(along_beam: int, share: int, opened: int, kind: int) -> str:
        family = rules.families.get(names[kind])
        lines = {} if family is None else family.members
        # Joists and trusses that are all there is run the way beams do.
        with_it = lines.get("beam", lines.get("rafter", "beam"))
        line = (
            f"{with_it} (with construction)"
            if along_beam
            else f"{lines.get('purlin', 'purlin')} (against construction)"
        )
        lead_from = "the openings" if opened else "the fire spot, to fall back to: nothing is cut open here"
        return (
            f"The shortest wall-to-wall crossing along a {line} at least {lead:g} ft from {lead_from}; "
            f"it saves {share} percent of the section and finishes toward the egress."
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
    frame["rules"] = sentences([_TRENCH_RULES], np.zeros(section.size, dtype=np.int64))
    frame["why"] = compose([along_beam.astype(int), percent, opened[section].astype(int), kind], sentence)
    return _table("trenches", frame, _four_sided(sheets, "trenches"), framing)


def _cuts(framing: Framing, sheets: Sheets, ids: Columns) -> LateTable:
    def both(name: str) -> npt.NDArray[Any]:
        return np.concatenate([sheets.take("cuts", name), sheets.take("trench_cuts", name)])

    opening, trench = sheets.take("cuts", "section"), sheets.take("trench_cuts", "section")
    frame = _rows(ids, np.concatenate([opening, trench]))
    frame["feature"] = words(["opening", "trench"], np.repeat([0, 1], [opening.size, trench.size]))
    frame["feature_seq"] = both("feature_seq")
    frame["seq"] = both("seq")
    frame["kind"] = words(CUT_KINDS, both("kind"))
    frame["count"] = count = both("count")
    frame["saw"] = both("saw")
    frame["cut_ft"] = both("cut_ft")
    lines = zip(sheets.lines("cuts"), sheets.lines("trench_cuts"), strict=True)
    x0, y0, x1, y1 = (np.concatenate(ends) for ends in lines)
    return _table("cuts", frame, multilines(x0, y0, x1, y1, offsets(count)), framing)


def _four_sided(sheets: Sheets, name: str) -> Shapes:
    x, y = sheets.rings(name)
    return polygons(x, y, np.arange(0, x.size + 1, 5))


def _table(name: str, frame: Columns, shapes: Shapes | Mixed, framing: Framing) -> LateTable:
    return late_table(name, frame, shapes, framing.sections.crs)


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
    section_id: Any,
    refusal: npt.NDArray[np.object_],
    planned: npt.NDArray[np.bool_],
) -> pd.DataFrame:
    spots = sheets.take("spots", "count")
    refused = sheets.take("refused_trenches", "code")
    rows = [
        problem_rows(
            "placing",
            section_id[planned & (spots == 0)],
            "no_wall_reachable",
            "warning",
            "No wall of this building has a usable ladder spot.",
            "Look at the walls, the ground and the lines on site.",
        ),
        problem_rows(
            "placing",
            section_id[planned & (spots == 1)],
            "no_second_way_off",
            "warning",
            "No second ladder spot is on another side and well apart from the first.",
            "Look for a second way off on site.",
        ),
    ]
    rows += [
        problem_rows(
            "placing",
            section_id[found],
            code,
            "info",
            f"No cut is drawn: {NO_CUT[code]}.",
            "Survey the roof, or accept that there is no planned cut.",
        )
        for code, found in _rows_by_word(refusal, _REPORTED)
    ]
    rows += [
        problem_rows(
            "placing",
            section_id[found],
            code,
            "info",
            f"No trench is drawn: {REFUSALS[code]}.",
            "None needed unless the department wants one.",
        )
        for code, found in _rows_by_word(refused, [code for code in REFUSALS if code != "no_opening"])
    ]
    return join_problems(rows)


def _rows_by_word(
    words_of: npt.NDArray[np.object_], wanted: Sequence[str]
) -> Iterator[tuple[str, npt.NDArray[np.int64]]]:
    """Each of the words that occurs, and its rows."""
    number, found = pd.factorize(words_of)
    for word in wanted:
        if word in found:
            yield word, np.flatnonzero(number == list(found).index(word))
