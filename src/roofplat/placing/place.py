"""Place the plan: ladders, paths, checks, openings, cuts and trenches of every building.

In: framing, the inventory's roofs and obstacles, the scenario.
Out: `Plan`: the tables of the standing plan, and the sections with method and scenario filled in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing import Framing, kinds_of
from roofplat.framing.members import SectionFrames, scan
from roofplat.framing.neighbours import Views
from roofplat.framing.planes import RoofLines
from roofplat.framing.ragged import (
    FloatArray,
    IntArray,
    chunks,
    first_of_equals,
    marked,
    stack,
    take,
)
from roofplat.framing.spacings import Spacings
from roofplat.late import LateTable
from roofplat.memory import steady_memory
from roofplat.placing.approach import Approach, read_approach
from roofplat.placing.asked import Asked, read_asked
from roofplat.placing.bays import lay_out_bays
from roofplat.placing.checks import place_checks
from roofplat.placing.choose import clear_of_footholds, first_bay, next_bays
from roofplat.placing.collapse import zone_table
from roofplat.placing.existing import existing_openings, glazing_openings, in_order, nearest_existing
from roofplat.placing.ladders import find_ladder_spots
from roofplat.placing.methods import Choice, choose_methods
from roofplat.placing.openings import opening_strips
from roofplat.placing.paths import find_ways, first_found, grown_for_paths, led_on, legs_of, wall_ways
from roofplat.placing.placed import Placed, find_placed, foothold_doubts, on_rake
from roofplat.placing.reach import ladder_stock
from roofplat.placing.reasons import why_no_cut
from roofplat.placing.scene import (
    Boxes,
    Things,
    boxes_on,
    deepest_point,
    inside,
    merged_boxes,
    pair_up_any,
    read_things,
)
from roofplat.placing.sheets import Sheets
from roofplat.placing.slope_ways import find_slope_ways, planes_under
from roofplat.placing.slopes import lay_out_slopes, slope_bays, slope_strips, under_tips, under_ways
from roofplat.placing.trenches import find_trenches
from roofplat.placing.unmet import unmet_wishes
from roofplat.placing.write import write_plan
from roofplat.rules import Family, Rulebook
from roofplat.tables import APPARATUS, METHODS, WALL_KINDS, join_problems, problem_rows

__all__ = ["Plan", "place_plans"]

_CHUNK = 4000
# What reaches over a ridge by less than this does not lie on the plane beyond it.
_BESIDE_FT = 0.1


@dataclass(frozen=True)
class Plan:
    """The tables of the standing plan; geometry in the working CRS.

    sections
        The table of framing with `planned`, the scenario and the cut method filled in.
    late
        The tables `ladders`, `paths`, `checks`, `openings`, `cuts`, `trenches` and `collapse_zones` by
        name, their geometry still coordinates; each is a frame by the same name too, made when first asked
        for.
    problems
        The table `problems`.
    """

    sections: gpd.GeoDataFrame
    late: Mapping[str, LateTable]
    problems: pd.DataFrame

    def tables(self) -> dict[str, Any]:
        """Every table as a frame, by its name."""
        late = {name: table.frame() for name, table in self.late.items()}
        return {"sections": self.sections, **late, "problems": self.problems}

    @property
    def ladders(self) -> gpd.GeoDataFrame:
        """The table `ladders`."""
        return self.late["ladders"].frame()

    @property
    def paths(self) -> gpd.GeoDataFrame:
        """The table `paths`."""
        return self.late["paths"].frame()

    @property
    def checks(self) -> gpd.GeoDataFrame:
        """The table `checks`."""
        return self.late["checks"].frame()

    @property
    def openings(self) -> gpd.GeoDataFrame:
        """The table `openings`."""
        return self.late["openings"].frame()

    @property
    def cuts(self) -> gpd.GeoDataFrame:
        """The table `cuts`."""
        return self.late["cuts"].frame()

    @property
    def trenches(self) -> gpd.GeoDataFrame:
        """The table `trenches`."""
        return self.late["trenches"].frame()

    @property
    def collapse_zones(self) -> gpd.GeoDataFrame:
        """The table `collapse_zones`."""
        return self.late["collapse_zones"].frame()


@dataclass(frozen=True, slots=True)
class _Setting:
    """Everything about the n sections that placing reads, once, before the chunks."""

    planned: npt.NDArray[np.bool_]
    fire_u: FloatArray
    fire_v: FloatArray
    fire_given: npt.NDArray[np.bool_]
    wind_from_deg: FloatArray
    axis_sure: npt.NDArray[np.bool_]
    can_cut: npt.NDArray[np.bool_]
    can_slope: npt.NDArray[np.bool_]
    slopes: SectionFrames
    slope_obstacles: Boxes
    choice: Choice
    existing: Boxes
    longest_ft: FloatArray
    pushes_out: npt.NDArray[np.bool_]
    trench_with: npt.NDArray[np.bool_]
    trench_against: npt.NDArray[np.bool_]
    trench_width_ft: FloatArray
    trench_clear_ft: FloatArray
    wanted_ft2: FloatArray
    rafter_ft: FloatArray
    approach: Approach
    obstacles: Boxes
    blocking: Boxes
    bearing: FloatArray
    side: IntArray
    nonbearing: npt.NDArray[np.bool_]
    buildings: shapely.STRtree
    placed: Placed
    left_out: IntArray


@steady_memory()
def place_plans(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    fires: gpd.GeoDataFrame,
    rules: Rulebook,
    *,
    wind_from_deg: float | FloatArray,
    wind_basis: str | npt.NDArray[Any],
    streets: gpd.GeoDataFrame | None = None,
    ground: gpd.GeoDataFrame | None = None,
    outlines: gpd.GeoDataFrame | None = None,
    preferred: Mapping[str, str | None] | None = None,
    placed_ladders: gpd.GeoDataFrame | None = None,
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
        The scenario's wind, and `given`, `prevailing` or `assumed`; one for all, or shape (n,).
    streets
        `name` and lines in the working CRS, where an aerial can stand; None when nobody knows.
    ground
        `tables.TABLES["ground"]`, where no ladder's base can stand; None when nobody knows.
    outlines
        Sections that are not planned here and stand in the way all the same, working CRS.
    preferred
        By building the method of `tables.METHODS` that goes before the family's own order, where the
        family lists it and no rule speaks against it; `do_not_cut` goes before all.
    placed_ladders
        `building_id` and points in the working CRS: where a ladder stands already.
    workers
        Threads that work on chunks of sections; the plan does not depend on their number.

    Returns
    -------
    Plan
        One plan for each building: in the section that holds a stated fire spot, else in the
        largest section, with the fire spot assumed at its deepest point.
    """
    roofs = roofs.reset_index(drop=True)
    asked, asked_problems = read_asked(
        roofs["building_id"],
        wind_from_deg=wind_from_deg,
        wind_basis=wind_basis,
        preferred=preferred,
        placed_ladders=placed_ladders,
    )
    setting, fire_problems = _read_setting(
        framing, roofs, obstacles, fires, rules, asked, streets, ground, outlines
    )
    refusal = why_no_cut(framing, setting.planned, setting.can_cut | setting.can_slope, setting.choice)

    def place(rows: slice) -> Sheets:
        return _place_chunk(framing, setting, rows, rules, refusal[rows])

    # Of a tile all outlines may be refused.
    parts = list(chunks(framing.frames.count, _CHUNK)) or [slice(0, 0)]
    if len(parts) == 1:
        sheets = place(parts[0])
    else:
        with ThreadPoolExecutor(max_workers=workers) as pool:
            sheets = Sheets.joined(list(pool.map(place, parts)))
    refusal = sheets.take("refusals", "code")
    unmet = unmet_wishes(
        framing.sections,
        asked,
        setting.choice,
        rules,
        planned=setting.planned,
        opened=marked(sheets.see("openings", "section"), framing.frames.count),
        refusal=refusal,
        left_out=setting.left_out,
        ladder_section=sheets.see("ladders", "section"),
        ladder_doubts=sheets.see("ladders", "doubts"),
    )
    sections, tables, problems = write_plan(
        framing,
        sheets,
        rules,
        refusal=refusal,
        planned=setting.planned,
        fire_u=setting.fire_u,
        fire_v=setting.fire_v,
        fire_given=setting.fire_given,
        choice=setting.choice,
        wanted_ft2=setting.wanted_ft2,
        street_known=setting.approach.streets is not None,
        asked=asked,
    )
    tables["collapse_zones"] = zone_table(setting.approach.zones, roofs)
    found = [fire_problems, *asked_problems, *unmet, _stock_problems(rules), problems]
    return Plan(sections, tables, join_problems(found))


def _stock_problems(rules: Rulebook) -> pd.DataFrame:
    """One row where the department has no ground ladder at all."""
    empty = not ladder_stock(rules).length_ft.size
    return problem_rows(
        "district",
        pd.Series(["ladder.stock_ft"] * empty, dtype="str"),
        "ladder_stock_empty",
        "warning",
        "The stock holds no ground ladder, so every spot is for the aerial or out of reach.",
        "Enter lengths in ladder.stock_ft and how many there are in ladder.stock_count.",
    )


def _read_setting(
    framing: Framing,
    roofs: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    fires: gpd.GeoDataFrame,
    rules: Rulebook,
    asked: Asked,
    streets: gpd.GeoDataFrame | None,
    ground: gpd.GeoDataFrame | None,
    outlines: gpd.GeoDataFrame | None,
) -> tuple[_Setting, pd.DataFrame]:
    frames = framing.frames
    count = frames.count
    owner, names = pd.factorize(roofs["building_id"])
    building = pd.Index(names)
    things = read_things(obstacles, building)
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
    lattice = np.isin(framing.spacings.framing, ["grid", "joists"])
    existing = nearest_existing(frames, owner, things, rules, planned=planned, fire_u=fire_u, fire_v=fire_v)
    choice = choose_methods(
        framing,
        roofs,
        rules,
        existing_near=marked(existing.section, count),
        slope_deg=framing.pitched.slope_deg,
        preferred=asked.preferred,
    )
    # A hipped roof falls to all its walls; where the ridge of any other runs, the axis says.
    ridge_sure = axis_sure | (framing.sections["roof_shape"] == "hipped").to_numpy(dtype=bool)
    can_slope = planned & framing.pitched.found & ridge_sure & (choice.cutting == METHODS.index("near_ridge"))
    can_cut = planned & lattice & axis_sure & (wide >= framing.spacings.least_ft) & (choice.cutting >= 0)
    can_cut, can_slope = can_cut & ~framing.spacings.too_fine, can_slope & ~framing.spacings.too_fine
    kinds = kinds_of(framing.sections["roof_family"], rules)
    small, joists = (METHODS.index(way) for way in ("small_opening", "between_joists"))
    # Between joists only whole spaces can be opened.
    between = np.full(count, rules.number("opening.between_joists_ft"))
    spaces = np.floor(between / framing.spacings.rafter_ft + 1e-9)
    longest = np.select(
        [choice.cutting == small, choice.cutting == joists],
        [
            np.full(count, rules.number("opening.small_ft")),
            np.where(spaces >= 1, spaces * framing.spacings.rafter_ft, between),
        ],
        default=np.inf,
    )
    trench_width, trench_clear = _trench_sizes_ft(framing.spacings, rules)
    trench_with, trench_against = (
        kinds.ask_whether(_lets_run(way)) for way in ("with_construction", "against_construction")
    )

    boxes, blocking = _obstacle_boxes(framing.frames, owner, things, planned, rules)
    planes = framing.pitched.planes
    slopes = lay_out_slopes(
        framing.pitched, frames.outlines, framing.spacings, rules, street_deg=framing.street_deg
    )
    slope_obstacles, _ = _obstacle_boxes(
        slopes, owner[planes.section], things, can_slope[planes.section], rules
    )
    slope_obstacles = _on_their_planes(slopes, slope_obstacles)
    # Sections that are planned here come first: an index below their number is one of theirs.
    others = np.empty(0, dtype=object) if outlines is None else outlines.geometry.to_numpy()
    buildings = shapely.STRtree(np.concatenate([roofs.geometry.to_numpy(), others]))
    kind = framing.wall_kind
    approach = read_approach(
        framing,
        roofs,
        obstacles,
        things,
        rules,
        planned=planned,
        streets=streets,
        ground=ground,
        buildings=buildings,
    )
    placed, left_out = find_placed(framing, approach, asked, planned, rules)
    bearing, nonbearing = WALL_KINDS.index("bearing"), WALL_KINDS.index("nonbearing")
    return _Setting(
        planned=planned,
        fire_u=fire_u,
        fire_v=fire_v,
        fire_given=has_fire & planned,
        wind_from_deg=asked.wind_from_deg,
        axis_sure=axis_sure,
        can_cut=can_cut,
        can_slope=can_slope,
        slopes=slopes,
        slope_obstacles=slope_obstacles,
        choice=choice,
        existing=existing,
        longest_ft=longest,
        pushes_out=kinds.ask_whether(lambda entry: entry.pushes_walls_out),
        trench_with=trench_with,
        trench_against=trench_against,
        trench_width_ft=trench_width,
        trench_clear_ft=trench_clear,
        wanted_ft2=rules.number("opening.wanted_share") * area,
        rafter_ft=_least_spacing_ft(framing),
        approach=approach,
        obstacles=boxes,
        blocking=blocking,
        bearing=np.where(kind == bearing, 1.0, np.where(kind == nonbearing, 0.0, 0.5)),
        side=framing.wall_side,
        nonbearing=kind == nonbearing,
        buildings=buildings,
        placed=placed,
        left_out=left_out,
    ), problems


def _trench_sizes_ft(spacings: Spacings, rules: Rulebook) -> tuple[FloatArray, FloatArray]:
    """Width of the trench of each section, and how far it keeps from the member it follows.

    Along joists it is a whole number of spaces wide, and both its long cuts run midway between two.
    """
    joists = spacings.framing == "joists"
    width = np.full(joists.size, rules.number("trench.width_ft"))
    with np.errstate(invalid="ignore"):
        spaces = np.ceil(width / spacings.rafter_ft - 1e-9) * spacings.rafter_ft
    clear = rules.number("trench.beam_clear_ft")
    return np.where(joists, spaces, width), np.where(joists, spacings.side_clear_ft, clear)


def _lets_run(way: str) -> Callable[[Family], bool]:
    return lambda entry: way in entry.trench


def _least_spacing_ft(framing: Framing) -> FloatArray:
    """Spacing of the members right under the deck, shape (n,)."""
    spacings = framing.spacings
    least = np.where(np.isfinite(spacings.purlin_ft), spacings.purlin_ft, spacings.beam_ft)
    return np.where(np.isfinite(spacings.rafter_ft), spacings.rafter_ft, least)


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


def _on_their_planes(planes: SectionFrames, boxes: Boxes) -> Boxes:
    """Boxes without those that lie beyond the ridge or the eave, on another plane of the roof."""
    plane = boxes.section
    return take(
        boxes,
        (boxes.u_high > planes.u_low[plane] + _BESIDE_FT)
        & (boxes.u_low < planes.u_high[plane] - _BESIDE_FT)
        & (boxes.v_high > planes.v_low[plane] + _BESIDE_FT)
        & (boxes.v_low < planes.v_high[plane] - _BESIDE_FT),
    )


def _obstacle_boxes(
    frames: SectionFrames,
    owner: IntArray,
    things: Things,
    planned: npt.NDArray[np.bool_],
    rules: Rulebook,
) -> tuple[Boxes, Boxes]:
    """Boxes on sections, or on planes, that must not be cut, and those that a path must go round."""
    on_roof = take(things, ~things.of(["overhead_line", "parapet"]))
    radius = rules.number("obstacle.point_radius_ft")
    boxes, which = boxes_on(frames, owner, on_roof, planned, point_radius_ft=radius)
    # What hangs below the deck is not in a walker's way.
    return boxes, take(boxes, ~on_roof.of(["suspended_load"])[which])


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
    fire_u, fire_v = setting.fire_u[rows], setting.fire_v[rows]

    bays = lay_out_bays(
        frames,
        setting.can_cut[rows],
        obstacles,
        rules,
        side_clear_ft=framing.spacings.side_clear_ft[rows],
        whole_only=framing.spacings.framing[rows] == "joists",
    )
    placed = setting.placed.rows(rows, wall_rows)
    placed_u, placed_v = placed.footholds(frames.count)
    bays = clear_of_footholds(bays, placed_u, placed_v, rules.number("ladder.opening_clear_ft"))
    first = first_bay(bays, fire_u, fire_v)
    has_bay = np.flatnonzero(first >= 0)
    bay = first[has_bay]
    first_cell = Boxes(has_bay, bays.u_low[bay], bays.u_high[bay], bays.v_low[bay], bays.v_high[bay])
    first_opening = Boxes(has_bay, *bays.rectangle(bay))
    planes = slice(framing.pitched.planes.start[rows.start], framing.pitched.planes.start[rows.stop])
    every = np.arange(frames.count)
    fire_east, fire_north = frames.east_north(fire_u, fire_v, every)
    placed_east, placed_north = frames.east_north(placed_u, placed_v, every)
    slopes = slope_bays(
        frames,
        setting.slopes.rows(planes),
        framing.pitched.planes.section[planes] - rows.start,
        framing.pitched.planes.downslope_deg[planes],
        _boxes_of_rows(setting.slope_obstacles, planes),
        rules,
        wanted=setting.can_slope[rows],
        side_clear_ft=framing.spacings.side_clear_ft[rows],
        wind_from_deg=setting.wind_from_deg[rows],
        fire_east=fire_east,
        fire_north=fire_north,
        foothold_east=placed_east,
        foothold_north=placed_north,
    )
    first_slope = slopes.first
    first_opening = merged_boxes(first_opening, slopes.box(frames))
    no_bay = (setting.can_cut[rows] & (first < 0)) | (setting.can_slope[rows] & (first_slope < 0))
    method, cutting = setting.choice.method[rows], setting.choice.cutting[rows]
    existing = _boxes_of_rows(setting.existing, rows)
    existing = take(existing, (method == METHODS.index("existing_opening"))[existing.section])
    spots = find_ladder_spots(
        frames,
        walls,
        views,
        setting.approach.rows(rows, wall_rows),
        rules,
        active=setting.planned[rows],
        bearing=setting.bearing[wall_rows],
        side=setting.side[wall_rows],
        street_deg=framing.street_deg[rows],
        wind_from_deg=setting.wind_from_deg[rows],
        fire_u=fire_u,
        fire_v=fire_v,
        first_opening=first_opening,
        obstacles=_kept_off(obstacles, existing, rules),
        meets_another=framing.surroundings.meets_another[rows],
        buildings=setting.buildings,
        placed=placed,
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

    tip_plane = planes_under(
        walls,
        slopes.plane_section,
        framing.pitched.planes.wall[planes] - wall_rows.start,
        framing.pitched.planes.downslope_deg[planes],
        spots.section,
        spots.wall,
    )
    roof_lines = slice(*np.searchsorted(framing.pitched.lines.section, [rows.start, rows.stop]))
    up_slope = find_slope_ways(
        frames,
        walls,
        _of_chunk(take(framing.pitched.lines, roof_lines), rows, planes),
        slopes,
        blocking,
        spots.section,
        tip_plane,
        tip_u,
        tip_v,
        rules,
        rise=framing.pitched.planes.rise[planes],
        first=first_slope,
    )
    ways = first_found(ways, up_slope)
    # Up a rake no member leads: a ladder that stands there already has no way to the work.
    ways = replace(ways, found=ways.found & ~on_rake(spots.doubts))

    # A roof is opened only where a ladder stands and a path leads to the work.
    leads = np.full(frames.count, -1, dtype=np.int64)
    is_first = spots.rank == 1
    leads[spots.section[is_first]] = np.flatnonzero(is_first)
    has_ladder = leads >= 0
    out_of_reach = np.zeros(frames.count, dtype=bool)
    out_of_reach[spots.section[is_first]] = spots.means[is_first] == APPARATUS.index("out_of_reach")
    has_path = has_ladder & ways.found[leads] if spots.section.size else has_ladder
    refusal = refusal.copy()
    refusal[no_bay] = np.where(setting.can_slope[rows], "no_clear_ridge", "no_clear_bay")[no_bay]
    has_first = (first >= 0) | (first_slope >= 0)
    refusal[has_first & ~has_ladder] = "no_wall_reachable"
    refusal[has_first & has_ladder & ~has_path] = "no_path"
    refusal[has_first & out_of_reach] = "out_of_reach"
    first = np.where(refusal == "", first, -1)
    first_slope = np.where(refusal == "", first_slope, -1)
    reached = has_ladder & ~out_of_reach

    nowhere = np.full(frames.count, np.nan)
    foothold_u, foothold_v = nowhere.copy(), nowhere.copy()
    foothold_u[has_ladder] = spots.foothold_u[leads[has_ladder]]
    foothold_v[has_ladder] = spots.foothold_v[leads[has_ladder]]
    second_u, second_v = nowhere.copy(), nowhere.copy()
    second_u[spots.section[~is_first]] = spots.foothold_u[~is_first]
    second_v[spots.section[~is_first]] = spots.foothold_v[~is_first]
    existing = take(existing, reached[existing.section])
    existing_ft2 = np.zeros(frames.count)
    existing_ft2[existing.section] = (existing.u_high - existing.u_low) * (existing.v_high - existing.v_low)
    chosen = next_bays(
        bays,
        first,
        foothold_u,
        foothold_v,
        second_u,
        second_v,
        setting.wanted_ft2[rows] - existing_ft2,
        setting.longest_ft[rows],
        limit=rules.count("opening.crew_limit"),
        ladder_clear_ft=rules.number("ladder.opening_clear_ft"),
    )
    strips = opening_strips(
        bays,
        chosen,
        foothold_u,
        foothold_v,
        method=cutting,
        rafter_ft=framing.spacings.rafter_ft[rows],
        longest_ft=setting.longest_ft[rows],
        fire_u=fire_u,
        fire_v=fire_v,
        rules=rules,
    )
    in_bay = np.flatnonzero(strips.seq == 1)
    short = in_bay[(np.isfinite(setting.longest_ft[rows]) & frames.purlins_bear)[strips.section[in_bay]]]
    beside = take(strips.boxes(), short).dense(frames.count)
    ways = led_on(ways, spots.section, first_cell.dense(frames.count), beside.v_low, beside.v_high)
    there = in_order(
        existing_openings(existing, foothold_u, foothold_v),
        glazing_openings(
            frames,
            beam_runs,
            rules,
            wanted=reached & setting.axis_sure[rows] & (method == METHODS.index("glazing")),
            fire_u=fire_u,
            fire_v=fire_v,
            foothold_u=foothold_u,
            foothold_v=foothold_v,
        ),
        frames.count,
    )
    ahead = np.bincount(there.section, minlength=frames.count)
    unopened = (refusal == "glazing_only") & (ahead == 0)
    refusal[unopened] = np.select(
        [~has_ladder, ~reached, ~setting.axis_sure[rows]],
        ["no_wall_reachable", "out_of_reach", "axis_doubtful"],
        default="no_clear_bay",
    )[unopened]
    strips = in_order(there, strips, frames.count)
    if placed.section.size:
        # Cuts keep off a ladder that stands; what is there already stays where it is, as the ladder does.
        standing = np.flatnonzero(spots.placed)
        doubts = spots.doubts.copy()
        doubts[standing] |= foothold_doubts(
            spots.section[standing],
            spots.foothold_u[standing],
            spots.foothold_v[standing],
            obstacles,
            strips.boxes(),
            frames.count,
            rules,
        )
        spots = replace(spots, doubts=doubts)
    led = np.flatnonzero(up_slope.found)
    free = under_tips(slopes, tip_plane, spots.tip_east, spots.tip_north)
    on_slopes = slope_strips(
        under_ways(free, frames, legs_of(up_slope, led, spots.section[led])),
        first_slope,
        rules,
        method=cutting,
        rafter_ft=setting.rafter_ft[rows],
        wanted_ft2=setting.wanted_ft2[rows] - existing_ft2,
        footholds=(
            frames.east_north(foothold_u, foothold_v, every),
            frames.east_north(second_u, second_v, every),
        ),
    )
    on_slopes = replace(on_slopes, seq=on_slopes.seq + ahead[slopes.plane_section[on_slopes.section]])
    openings = merged_boxes(strips.boxes(), slopes.on_sections(frames, on_slopes.boxes()))
    has_opening = (first >= 0) | (first_slope >= 0)
    pitched = framing.spacings.framing[rows] == "pitched"
    # Where no way leads to any work, the walls still lead from one ladder to the other; not where
    # they may be pushed out.
    along = wall_ways(
        frames,
        spots.section,
        spots.rank,
        tip_u,
        tip_v,
        reached & ~has_opening & ~pitched & ~setting.pushes_out[rows],
        blocks=grown_for_paths(blocking, rules),
    )
    by_wall = along.found
    all_ways = first_found(along, ways)
    walked = np.flatnonzero(is_first & all_ways.found & (has_opening[spots.section] | by_wall))
    trenches, refused_trenches = find_trenches(
        frames,
        walls,
        take(beam_runs, setting.trench_with[rows][beam_runs.section]),
        take(purlin_runs, (setting.trench_against[rows] & frames.purlins_bear)[purlin_runs.section]),
        merged_boxes(take(openings, (first >= 0)[openings.section]), _fires_to_hold(setting, rows, reached)),
        obstacles,
        rules,
        width_ft=setting.trench_width_ft[rows],
        clear_ft=setting.trench_clear_ft[rows],
        nonbearing=setting.nonbearing[wall_rows],
        fire_u=fire_u,
        fire_v=fire_v,
        tip_u=foothold_u,
        tip_v=foothold_v,
        way=legs_of(all_ways, walked, spots.section[walked]),
    )
    may_run = setting.trench_with[rows] | setting.trench_against[rows]
    refused_trenches[(refused_trenches == "trench_no_room") & ~may_run] = "trench_not_listed"
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
        slopes=slopes,
    )
    sheets = Sheets()
    sheets.add(
        frames,
        rows.start,
        wall_rows.start,
        spots,
        all_ways,
        strips,
        trenches,
        checks,
        slopes=slopes,
        on_slopes=on_slopes,
        rise=np.tan(np.radians(np.nan_to_num(framing.pitched.slope_deg[rows]))),
        shown=all_ways.found & (has_opening[spots.section] | by_wall),
        by_wall=by_wall,
    )
    sheets.put("refused_trenches", code=refused_trenches)
    sheets.put("refusals", code=refusal)
    return sheets


def _fires_to_hold(setting: _Setting, rows: slice, reached: npt.NDArray[np.bool_]) -> Boxes:
    """Fire spots of roofs that are not cut and may still have a trench, as boxes without extent.

    Such a trench is a line to retreat to: it leads the fire spot, as others lead their openings.
    """
    held = setting.choice.method[rows] == METHODS.index("do_not_cut")
    held &= reached & setting.axis_sure[rows] & (setting.trench_with | setting.trench_against)[rows]
    section = np.flatnonzero(held & np.isfinite(setting.fire_u[rows]))
    u, v = setting.fire_u[rows][section], setting.fire_v[rows][section]
    return Boxes(section, u, u, v, v)


def _views_of(views: Views, walls: slice) -> Views:
    part = take(views, slice(*np.searchsorted(views.wall, [walls.start, walls.stop])))
    return replace(part, wall=part.wall - walls.start)


def _of_chunk(lines: RoofLines, rows: slice, planes: slice) -> RoofLines:
    return replace(
        lines,
        section=lines.section - rows.start,
        plane_left=lines.plane_left - planes.start,
        plane_right=lines.plane_right - planes.start,
    )


def _boxes_of_rows(boxes: Boxes, rows: slice) -> Boxes:
    part = take(boxes, slice(*np.searchsorted(boxes.section, [rows.start, rows.stop])))
    return replace(part, section=part.section - rows.start)


def _kept_off(obstacles: Boxes, existing: Boxes, rules: Rulebook) -> Boxes:
    """What a foothold keeps off: an opening that is there already counts as one that is cut."""
    farther = rules.number("ladder.opening_clear_ft") - rules.number("obstacle.path_clear_ft")
    both = stack([obstacles, existing.grown(max(farther, 0.0))])
    return take(both, np.argsort(both.section, kind="stable"))
