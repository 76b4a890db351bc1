"""Place the plan: ladders, paths, checks, openings, cuts and trenches of every building.

In: framing, the inventory's roofs and obstacles, the scenario.
Out: `Plan`: the tables of the standing plan, and the sections with method and scenario filled in.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing import Framing, by_family
from roofplat.framing.members import SectionFrames, scan
from roofplat.framing.neighbours import Views
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    chunks,
    first_of_equals,
    pair_up,
    steady_memory,
    take,
)
from roofplat.placing.bays import lay_out_bays
from roofplat.placing.checks import place_checks
from roofplat.placing.choose import first_bay, next_bays
from roofplat.placing.ladders import Reach, find_ladder_spots, line_clearance_ft, working_reach
from roofplat.placing.openings import opening_strips
from roofplat.placing.paths import find_ways, legs_of
from roofplat.placing.reasons import why_no_cut
from roofplat.placing.scene import Boxes, boxes_of, deepest_point, inside
from roofplat.placing.sheets import Sheets
from roofplat.placing.trenches import find_trenches
from roofplat.placing.write import write_plan
from roofplat.rules import Rulebook
from roofplat.tables import APPARATUS, WALL_KINDS, problem_rows

__all__ = ["Plan", "place_plans"]

_CHUNK = 2000


@dataclass(frozen=True, slots=True)
class Plan:
    """The tables of the standing plan; geometry in the working CRS.

    sections
        The table of framing with `planned`, the scenario and the cut method filled in.
    ladders, paths, checks, openings, cuts, trenches, problems
        Tables of `tables.TABLES`.
    """

    sections: gpd.GeoDataFrame
    ladders: gpd.GeoDataFrame
    paths: gpd.GeoDataFrame
    checks: gpd.GeoDataFrame
    openings: gpd.GeoDataFrame
    cuts: gpd.GeoDataFrame
    trenches: gpd.GeoDataFrame
    problems: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _Setting:
    """Everything about the n sections that placing reads, once, before the chunks."""

    planned: npt.NDArray[np.bool_]
    fire_u: FloatArray
    fire_v: FloatArray
    fire_given: npt.NDArray[np.bool_]
    wind_from_deg: FloatArray
    can_cut: npt.NDArray[np.bool_]
    louver: npt.NDArray[np.bool_]
    wanted_ft2: FloatArray
    rafter_ft: FloatArray
    reach: Reach
    obstacles: Boxes
    blocking: Boxes
    line_section: IntArray
    line_geometry: npt.NDArray[np.object_]
    line_clear_units: FloatArray
    bearing: FloatArray
    side: IntArray
    no_ladder: npt.NDArray[np.bool_]
    nonbearing: npt.NDArray[np.bool_]
    buildings: shapely.STRtree


@steady_memory()
def place_plans(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    fires: gpd.GeoDataFrame,
    rules: Rulebook,
    *,
    wind_from_deg: float,
    wind_basis: str,
    workers: int = 1,
) -> Plan:
    """Place the standing plan of every building.

    Parameters
    ----------
    framing
        Of the same n sections as `roofs`, in the same order.
    roofs, obstacles
        `tables.TABLES["roofs"]` and `["obstacles"]`, working CRS.
    fires
        `building_id` and points: stated fire spots; may be empty.
    rules
        The rulebook in force.
    wind_from_deg, wind_basis
        The scenario's wind, and `given`, `prevailing` or `assumed`.
    workers
        Threads that work on chunks of sections; the plan does not depend on their number.

    Returns
    -------
    Plan
        One plan for each building: in the section that holds a stated fire spot, else in the
        largest section, with the fire spot assumed at its deepest point.
    """
    roofs = roofs.reset_index(drop=True)
    setting, fire_problems = _read_setting(framing, roofs, obstacles, fires, rules, wind_from_deg)
    refusal = why_no_cut(framing, setting.planned, setting.can_cut)

    def place(rows: slice) -> Sheets:
        return _place_chunk(framing, setting, rows, rules, refusal[rows])

    with ThreadPoolExecutor(max_workers=workers) as pool:
        sheets = Sheets.joined(list(pool.map(place, chunks(framing.frames.count, _CHUNK))))
    refusal = sheets.take("refusals", "code")
    tables, problems = write_plan(
        framing,
        sheets,
        rules,
        refusal=refusal,
        planned=setting.planned,
        fire_u=setting.fire_u,
        fire_v=setting.fire_v,
        fire_given=setting.fire_given,
        louver=setting.louver,
        suspended=roofs["suspended_load"].fillna(False).to_numpy(dtype=bool),
        wanted_ft2=setting.wanted_ft2,
        reach=setting.reach,
        wind_from_deg=wind_from_deg,
        wind_basis=wind_basis,
    )
    return Plan(**tables, problems=pd.concat([fire_problems, problems], ignore_index=True))


def _read_setting(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    fires: gpd.GeoDataFrame,
    rules: Rulebook,
    wind_from_deg: float,
) -> tuple[_Setting, pd.DataFrame]:
    frames = framing.frames
    count = frames.count
    owner, names = pd.factorize(roofs["building_id"])
    building = pd.Index(names)
    area = roofs["area_ft2"].to_numpy()

    fire_section, fire_u_given, fire_v_given, problems = _stated_fires(frames, building, owner, fires)
    has_fire = np.zeros(count, dtype=bool)
    has_fire[fire_section] = True
    part = roofs["part"].to_numpy(dtype=float)
    order = np.argsort(owner, kind="stable")
    best = first_of_equals(
        [(np.where(has_fire[order], 0.0, 1.0), 0), (-area[order], 1), (part[order], 0)],
        owner[order],
        len(building),
    )
    planned = np.zeros(count, dtype=bool)
    planned[order[best]] = True

    fire_u, fire_v = deepest_point(frames, planned)
    fire_u[fire_section], fire_v[fire_section] = fire_u_given, fire_v_given
    fire_u, fire_v = np.where(planned, fire_u, np.nan), np.where(planned, fire_v, np.nan)

    axis_sure = (framing.sections["axis_basis"] != "doubtful").to_numpy(dtype=bool)
    wide = np.minimum(frames.u_high - frames.u_low, frames.v_high - frames.v_low)
    can_cut = planned & framing.panelized & axis_sure & (wide >= rules.number("member.least_section_ft"))
    family = roofs["roof_family"].fillna("unknown")
    louvers_first = by_family(
        family, rules, lambda entry: entry.methods[:1] == ("center_rafter_louver",)
    ).astype(bool)
    louver = (
        roofs["suspended_load"].fillna(False).to_numpy(dtype=bool)
        | (roofs["panel_type"] == "early_heavy").to_numpy(dtype=bool)
        | louvers_first
    )

    height = roofs["height_ft"].to_numpy(dtype=float, na_value=np.nan)
    height = np.where(np.isfinite(height), height, rules.number("ladder.default_height_ft.one_storey"))
    parapet = roofs["parapet_ft"].to_numpy(dtype=float, na_value=np.nan)
    reach = working_reach(height + np.nan_to_num(parapet), rules)

    boxes, blocking = _obstacle_boxes(framing, building, owner, obstacles, planned, rules)
    lines = _lines_overhead(framing, roofs, obstacles, planned, reach, rules)
    kind = framing.wall_kind
    bearing, nonbearing, party = (WALL_KINDS.index(word) for word in ("bearing", "nonbearing", "party"))
    return _Setting(
        planned=planned,
        fire_u=fire_u,
        fire_v=fire_v,
        fire_given=has_fire & planned,
        wind_from_deg=np.full(count, wind_from_deg),
        can_cut=can_cut,
        louver=louver,
        wanted_ft2=rules.number("opening.wanted_share") * area,
        rafter_ft=framing.sections["rafter_spacing_ft"].to_numpy(),
        reach=reach,
        obstacles=boxes,
        blocking=blocking,
        line_section=lines[0],
        line_geometry=lines[1],
        line_clear_units=lines[2],
        bearing=np.where(kind == bearing, 1.0, np.where(kind == nonbearing, 0.0, 0.5)),
        side=framing.wall_side,
        no_ladder=kind == party,
        nonbearing=kind == nonbearing,
        buildings=shapely.STRtree(roofs.geometry.to_numpy()),
    ), problems


def _stated_fires(
    frames: SectionFrames, building: pd.Index[Any], owner: IntArray, fires: gpd.GeoDataFrame
) -> tuple[IntArray, FloatArray, FloatArray, pd.DataFrame]:
    """Fire spots by section; a spot outside its building's sections is reported."""
    row, section = pair_up_any(building.get_indexer(fires["building_id"]), owner)
    x = shapely.get_x(fires.geometry.to_numpy())[row]
    y = shapely.get_y(fires.geometry.to_numpy())[row]
    u, v = frames.from_crs(x, y, section)
    within = inside(frames, u, v, section)
    row, section, u, v = row[within], section[within], u[within], v[within]
    _, first = np.unique(section, return_index=True)
    outside = np.setdiff1d(np.arange(len(fires)), row)
    problems = problem_rows(
        "scenario",
        fires["building_id"].iloc[outside].fillna("no building"),
        "fire_outside_building",
        "warning",
        "A stated fire spot lies outside every section of its building; the deepest point is assumed.",
        "Move the point onto the roof.",
    )
    return section[first], u[first], v[first], problems


def pair_up_any(left: npt.NDArray[Any], right: npt.NDArray[Any]) -> tuple[IntArray, IntArray]:
    """`pair_up` for a right side in any order; negative owners match nothing."""
    order = np.argsort(right, kind="stable")
    kept = np.flatnonzero(left >= 0)
    count = int(max(left.max(initial=-1), right.max(initial=-1))) + 1
    usable = order[right[order] >= 0]
    row, place = pair_up(left[kept], right[usable], count)
    return kept[row], usable[place]


def _obstacle_boxes(
    framing: Framing,
    building: pd.Index[Any],
    owner: IntArray,
    obstacles: gpd.GeoDataFrame,
    planned: npt.NDArray[np.bool_],
    rules: Rulebook,
) -> tuple[Boxes, Boxes]:
    """Boxes that must not be cut, and those of them that a path must go round."""
    on_roof = obstacles[(obstacles["kind"] != "overhead_line") & obstacles["building_id"].notna()]
    which, section = pair_up_any(building.get_indexer(on_roof["building_id"]), owner)
    kept = planned[section]
    which, section = which[kept], section[kept]
    order = np.argsort(section, kind="stable")
    which, section = which[order], section[order]
    boxes = boxes_of(
        framing.frames,
        on_roof.geometry.to_numpy()[which],
        section,
        point_radius_ft=rules.number("obstacle.point_radius_ft"),
    )
    # What hangs below the deck is not in a walker's way.
    stands = (on_roof["kind"] != "suspended_load").to_numpy(dtype=bool)[which]
    return boxes, take(boxes, stands)


def _lines_overhead(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    planned: npt.NDArray[np.bool_],
    reach: Reach,
    rules: Rulebook,
) -> tuple[IntArray, npt.NDArray[np.object_], FloatArray]:
    """Overhead lines near each section, with their clearance in units of the working CRS."""
    lines = obstacles[obstacles["kind"] == "overhead_line"]
    nothing = np.empty(0, dtype=np.int64), np.empty(0, dtype=object), np.empty(0)
    if lines.empty:
        return nothing
    clear_ft = line_clearance_ft(lines["voltage_kv"].to_numpy(dtype=float, na_value=np.nan), rules)
    units = np.sqrt(1.0 / framing.frames.outlines.planes.area_ft2_per_unit2())
    search = (clear_ft + reach.base_setback_ft.max() + 10.0) * units.max()
    tree = shapely.STRtree(roofs.geometry.to_numpy())
    line, section = tree.query(lines.geometry.to_numpy(), predicate="dwithin", distance=search)
    kept = planned[section]
    line, section = line[kept], section[kept]
    order = np.lexsort((line, section))
    line, section = line[order], section[order]
    return section, lines.geometry.to_numpy()[line], clear_ft[line] * units[section]


def _place_chunk(
    framing: Framing,
    setting: _Setting,
    rows: slice,
    rules: Rulebook,
    refusal: npt.NDArray[np.object_],
) -> Sheets:
    """Place everything for one run of sections."""
    frames = framing.frames.rows(rows)
    walls = framing.wall_runs.rows(rows)
    wall_rows = slice(framing.wall_runs.start[rows.start], framing.wall_runs.start[rows.stop])
    views = _views_of(framing.surroundings.views, wall_rows)
    beam_runs = scan(frames, frames.beams, "u")
    purlin_runs = scan(frames, frames.purlins, "v")
    obstacles = _boxes_of_rows(setting.obstacles, rows)
    blocking = _boxes_of_rows(setting.blocking, rows)
    lines = slice(*np.searchsorted(setting.line_section, [rows.start, rows.stop]))
    fire_u, fire_v = setting.fire_u[rows], setting.fire_v[rows]
    hanger = rules.number("opening.hanger_clear_ft")
    beam = rules.number("opening.beam_clear_ft")

    bays = lay_out_bays(frames, setting.can_cut[rows], obstacles, rules)
    first = first_bay(bays, fire_u, fire_v)
    no_bay = setting.can_cut[rows] & (first < 0)
    has_bay = np.flatnonzero(first >= 0)
    bay = first[has_bay]
    first_cell = Boxes(has_bay, bays.u_low[bay], bays.u_high[bay], bays.v_low[bay], bays.v_high[bay])
    first_opening = Boxes(
        has_bay,
        first_cell.u_low + hanger,
        first_cell.u_high - hanger,
        first_cell.v_low + beam,
        first_cell.v_high - beam,
    )
    spots = find_ladder_spots(
        frames,
        walls,
        views,
        rules,
        active=setting.planned[rows],
        party=setting.no_ladder[wall_rows],
        bearing=setting.bearing[wall_rows],
        side=setting.side[wall_rows],
        setback_ft=setting.reach.base_setback_ft[rows],
        street_deg=framing.street_deg[rows],
        wind_from_deg=setting.wind_from_deg[rows],
        fire_u=fire_u,
        fire_v=fire_v,
        first_opening=first_opening,
        obstacles=obstacles,
        line_section=setting.line_section[lines] - rows.start,
        line_geometry=setting.line_geometry[lines],
        line_clear_units=setting.line_clear_units[lines],
        meets_another=framing.surroundings.meets_another[rows],
        buildings=setting.buildings,
    )
    tip_u, tip_v = frames.uv(spots.tip_east, spots.tip_north, spots.section)
    ways = find_ways(
        frames,
        beam_runs,
        purlin_runs,
        blocking,
        first_cell,
        spots.section,
        tip_u,
        tip_v,
        rules,
    )

    # A roof is opened only where a ladder stands and a path leads to the work.
    leads = np.full(frames.count, -1, dtype=np.int64)
    is_first = spots.rank == 1
    leads[spots.section[is_first]] = np.flatnonzero(is_first)
    has_ladder = leads >= 0
    has_path = has_ladder & ways.found[leads] if spots.section.size else has_ladder
    refusal = refusal.copy()
    refusal[no_bay] = "no_clear_bay"
    refusal[(first >= 0) & ~has_ladder] = "no_wall_reachable"
    refusal[(first >= 0) & has_ladder & ~has_path] = "no_path"
    refusal[(first >= 0) & (setting.reach.means[rows] == APPARATUS.index("out_of_reach"))] = "out_of_reach"
    first = np.where(refusal == "", first, -1)

    nowhere = np.full(frames.count, np.nan)
    foothold_u, foothold_v = nowhere.copy(), nowhere.copy()
    foothold_u[has_ladder] = spots.foothold_u[leads[has_ladder]]
    foothold_v[has_ladder] = spots.foothold_v[leads[has_ladder]]
    second_u, second_v = nowhere.copy(), nowhere.copy()
    second_u[spots.section[~is_first]] = spots.foothold_u[~is_first]
    second_v[spots.section[~is_first]] = spots.foothold_v[~is_first]
    chosen = next_bays(
        bays,
        first,
        foothold_u,
        foothold_v,
        second_u,
        second_v,
        setting.wanted_ft2[rows],
        limit=rules.count("opening.crew_limit"),
        beam_clear_ft=beam,
        hanger_clear_ft=hanger,
        ladder_clear_ft=rules.number("ladder.opening_clear_ft"),
    )
    strips = opening_strips(
        bays,
        chosen,
        foothold_u,
        foothold_v,
        louver=setting.louver[rows],
        rafter_ft=setting.rafter_ft[rows],
        rules=rules,
    )
    openings = strips.boxes()
    has_opening = first >= 0
    walked = np.flatnonzero(is_first & ways.found)
    trenches, refused_trenches = find_trenches(
        frames,
        walls,
        beam_runs,
        purlin_runs,
        openings,
        obstacles,
        rules,
        nonbearing=setting.nonbearing[wall_rows],
        fire_u=fire_u,
        fire_v=fire_v,
        tip_u=foothold_u,
        tip_v=foothold_v,
        way=legs_of(ways, walked, spots.section[walked]),
    )
    checks = place_checks(
        frames,
        walls,
        spots,
        ways,
        openings,
        obstacles,
        rules,
        wanted=has_opening,
        rafter_ft=setting.rafter_ft[rows],
        fire_u=fire_u,
        fire_v=fire_v,
    )
    sheets = Sheets()
    sheets.add(
        frames,
        rows.start,
        wall_rows.start,
        spots,
        ways,
        strips,
        trenches,
        checks,
        has_opening,
    )
    sheets.put("refused_trenches", code=refused_trenches)
    sheets.put("refusals", code=refusal)
    return sheets


def _views_of(views: Views, walls: slice) -> Views:
    part = take(views, slice(*np.searchsorted(views.wall, [walls.start, walls.stop])))
    return replace(part, wall=part.wall - walls.start)


def _boxes_of_rows(boxes: Boxes, rows: slice) -> Boxes:
    part = take(boxes, slice(*np.searchsorted(boxes.section, [rows.start, rows.stop])))
    return replace(part, section=part.section - rows.start)
