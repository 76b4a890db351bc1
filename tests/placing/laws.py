"""What must hold of every plan, as functions over the tables of a build.

In: the tables by name, the rulebook, the ground.
Out: for each law the ids of the sections that break it; an empty list is what a test wants.

Everything is measured in ground feet on a plane at each section's centroid, from the geometry in
the tables: nothing here knows how the plan was made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.ground import Ground
from roofplat.ground.local import local_planes
from roofplat.rules import Rulebook

Flags = npt.NDArray[np.bool_]
HAIR_FT = 1e-6
# Coordinates of a projected CRS carry about nine digits behind a foot's first.
ROUNDING_FT = 1e-5


class Measured:
    """The tables of a build, with geometry in feet on each section's own plane."""

    def __init__(self, tables: Mapping[str, Any], rules: Rulebook, ground: Ground) -> None:
        self.tables = tables
        self.rules = rules
        self.sections = tables["sections"].set_index("section_id", drop=False)
        centre = shapely.centroid(self.sections.geometry.to_numpy())
        self.planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), self.sections.crs, ground)
        self.units_per_ft = np.sqrt(1.0 / self.planes.area_ft2_per_unit2())
        self.outline = self.feet(self.sections.geometry.to_numpy(), np.arange(len(self.sections)))

    def rows(self, frame: pd.DataFrame) -> npt.NDArray[np.int64]:
        """The section of each row, as a position."""
        return self.sections.index.get_indexer(frame["section_id"]).astype(np.int64)

    def feet(self, geometry: npt.NDArray[Any], section: npt.NDArray[Any]) -> npt.NDArray[Any]:
        coordinates, which = shapely.get_coordinates(geometry, return_index=True)
        x, y = coordinates.T
        moved = np.column_stack(self.planes.feet(x, y, section[which]))
        return np.asarray(shapely.set_coordinates(geometry.copy(), moved))

    def layer(self, name: str, **equal: Any) -> gpd.GeoDataFrame:
        """Rows of a table in feet, with `row`, the position of their section."""
        frame = self.tables[name]
        for column, value in equal.items():
            frame = frame[frame[column] == value]
        frame = frame.reset_index(drop=True)
        row = self.rows(frame)
        assert (row >= 0).all(), f"{name} speaks of sections that are not there"
        return frame.assign(row=row, feet=self.feet(frame.geometry.to_numpy(), row))

    @cached_property
    def openings(self) -> gpd.GeoDataFrame:
        return self.layer("openings")

    @cached_property
    def trenches(self) -> gpd.GeoDataFrame:
        return self.layer("trenches")

    @cached_property
    def paths(self) -> gpd.GeoDataFrame:
        return self.layer("paths")

    @cached_property
    def ladders(self) -> gpd.GeoDataFrame:
        return self.layer("ladders")

    @cached_property
    def foothold(self) -> npt.NDArray[np.float64]:
        """Where the first ladder's crew steps onto the roof, shape (n, 2); NaN without a ladder."""
        first = self.ladders[self.ladders["rank"] == 1]
        ends = shapely.get_coordinates(first["feet"].to_numpy()).reshape(-1, 2, 2)
        run = ends[:, 1] - ends[:, 0]
        step = run / np.linalg.norm(run, axis=1)[:, None] * self.rules.number("ladder.landing_ft")
        place = np.full((len(self.sections), 2), np.nan)
        place[first["row"]] = ends[:, 1] + step
        return place

    @cached_property
    def obstacles(self) -> gpd.GeoDataFrame:
        """Things on the roofs, once for each section of their building; points as discs."""
        things = self.tables["obstacles"]
        things = things[(things["kind"] != "overhead_line") & things["building_id"].notna()]
        ids = self.tables["sections"][["building_id", "section_id"]]
        joined = gpd.GeoDataFrame(things.merge(ids, on="building_id"), geometry="geometry")
        row = self.rows(joined)
        feet = self.feet(joined.geometry.to_numpy(), row)
        points = shapely.get_dimensions(feet) == 0
        radius = self.rules.number("obstacle.point_radius_ft")
        feet[points] = shapely.buffer(feet[points], radius, quad_segs=32)
        return joined.assign(row=row, feet=feet)

    @cached_property
    def fire(self) -> npt.NDArray[Any]:
        """The scenario's fire spots, as points; missing where the section is not planned."""
        spots = gpd.GeoSeries(
            gpd.points_from_xy(self.sections["fire_lon"], self.sections["fire_lat"]), crs="EPSG:4326"
        ).to_crs(self.sections.crs)
        found = np.full(len(self.sections), None, dtype=object)
        rows = np.flatnonzero(self.sections["fire_lon"].notna())
        found[rows] = self.feet(spots.to_numpy()[rows], rows)
        return found

    def pairs(self, left: gpd.GeoDataFrame, right: gpd.GeoDataFrame) -> pd.DataFrame:
        """Every pair of rows of the same section, as `feet_x` and `feet_y`."""
        columns = ["section_id", "row", "feet"]
        keep = [name for name in ("seq", "rank", "kind", "ladder_rank") if name in left]
        other = [name for name in ("seq", "rank", "kind", "ladder_rank") if name in right]
        return pd.DataFrame(left[columns + keep]).merge(
            pd.DataFrame(right[["section_id", "feet", *other]]), on="section_id"
        )


def _ids(frame: pd.DataFrame, broken: Flags) -> list[str]:
    return sorted(set(frame["section_id"][np.asarray(broken)]))


def _flags(values: Any) -> Flags:
    """A column of truths as an array of one's own."""
    return np.array(values, dtype=bool)


def _feet(frame: pd.DataFrame, name: str = "feet") -> npt.NDArray[Any]:
    return frame[name].to_numpy(dtype=object)


# Openings.


def openings_inside_their_section(at: Measured) -> list[str]:
    roof = shapely.buffer(at.outline[at.openings["row"]], HAIR_FT, join_style="mitre")
    return _ids(at.openings, ~shapely.covers(roof, _feet(at.openings)))


def openings_clear_of_beams_and_purlins(at: Measured) -> list[str]:
    pairs = at.pairs(at.openings, at.layer("members"))
    need = pairs["kind"].map(
        {
            "beam": at.rules.number("opening.beam_clear_ft"),
            "purlin": at.rules.number("opening.hanger_clear_ft"),
        }
    )
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    return _ids(pairs, gap < need.to_numpy(dtype=float) - ROUNDING_FT)


def openings_clear_of_obstacles(at: Measured) -> list[str]:
    pairs = at.pairs(at.openings, at.obstacles)
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    return _ids(pairs, gap < at.rules.number("obstacle.clear_ft") - ROUNDING_FT)


def openings_apart_from_each_other(at: Measured) -> list[str]:
    pairs = at.pairs(at.openings, at.openings)
    pairs = pairs[pairs["seq_x"] < pairs["seq_y"]]
    return _ids(pairs, shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y")) <= 0)


def openings_have_the_size_they_say(at: Measured) -> list[str]:
    area = shapely.area(_feet(at.openings))
    stated = at.openings["length_ft"] * at.openings["width_ft"]
    bad = np.abs(area - stated) > 1e-3
    bad |= np.abs(at.openings["area_ft2"] - stated) > 1e-6
    placed = at.openings.groupby("section_id")["area_ft2"].transform("sum")
    bad |= np.abs(at.openings["placed_ft2"] - placed) > 1e-6
    short = np.maximum(at.openings["wanted_ft2"] - placed, 0.0)
    bad |= np.abs(at.openings["short_ft2"] - short) > 1e-6
    bad |= np.minimum(at.openings["length_ft"], at.openings["width_ft"]) < at.rules.number("opening.least_ft")
    return _ids(at.openings, bad.to_numpy())


def openings_numbered_from_one_within_the_crew_limit(at: Measured) -> list[str]:
    number = at.openings.groupby("section_id").cumcount() + 1
    bad = (at.openings["seq"] != number) | (number > at.rules.count("opening.crew_limit"))
    return _ids(at.openings, bad.to_numpy(dtype=bool))


def openings_leave_the_foothold_free(at: Measured) -> list[str]:
    gap = shapely.distance(_feet(at.openings), shapely.points(at.foothold[at.openings["row"]]))
    return _ids(at.openings, ~(gap >= at.rules.number("ladder.opening_clear_ft") - ROUNDING_FT))


def parts_finish_no_farther_from_the_ladder(at: Measured) -> list[str]:
    """The parallel cuts go toward the ladder one after the other, and each one does so itself."""
    cuts = at.layer("cuts", feature="opening", kind="parallel_cut")
    broken = np.zeros(len(cuts), dtype=bool)
    ends, which = shapely.get_coordinates(_feet(cuts), return_index=True)
    to_foot = np.linalg.norm(ends - at.foothold[cuts["row"].to_numpy()[which]], axis=1).reshape(-1, 2)
    which = which.reshape(-1, 2)[:, 0]
    broken[which[to_foot[:, 1] > to_foot[:, 0] + ROUNDING_FT]] = True
    first = np.searchsorted(which, np.arange(len(cuts)))
    last = np.searchsorted(which, np.arange(len(cuts)), side="right") - 1
    broken |= np.any(to_foot[last] > to_foot[first] + ROUNDING_FT, axis=1)
    return _ids(cuts, broken)


def cuts_follow_the_border_of_their_opening(at: Measured) -> list[str]:
    cuts = at.layer("cuts", feature="opening").merge(
        pd.DataFrame(at.openings[["section_id", "seq", "feet"]]).rename(
            columns={"seq": "feature_seq", "feet": "opening"}
        ),
        on=["section_id", "feature_seq"],
        how="left",
    )
    cuts = pd.DataFrame(cuts)
    bad = _flags(cuts["opening"].isna())
    grown = shapely.buffer(_feet(cuts, "opening"), ROUNDING_FT, join_style="mitre")
    bad |= ~shapely.covers(grown, _feet(cuts))
    bad |= np.abs(shapely.length(_feet(cuts)) - cuts["cut_ft"].to_numpy()) > 1e-4
    bad |= shapely.get_num_geometries(_feet(cuts)) != cuts["count"].to_numpy(dtype=int)
    return _ids(cuts, bad)


def each_opening_is_nearer_the_ladder_than_the_one_before(at: Measured) -> list[str]:
    centre = shapely.get_coordinates(shapely.centroid(_feet(at.openings)))
    distance = np.linalg.norm(centre - at.foothold[at.openings["row"]], axis=1)
    before = pd.Series(distance).groupby(at.openings["section_id"].to_numpy()).shift()
    return _ids(at.openings, (distance >= before).to_numpy())


# Ladders.


def ladder_bases_stand_outside_every_building(at: Measured) -> list[str]:
    ladders = at.tables["ladders"]
    base = shapely.get_point(ladders.geometry.to_numpy(), 0)
    broken = np.zeros(len(ladders), dtype=bool)
    for name in ("sections", "buildings"):
        if name in at.tables:
            tree = shapely.STRtree(at.tables[name].geometry.to_numpy())
            broken[tree.query(base, predicate="intersects")[0]] = True
    return _ids(ladders, broken)


def ladders_keep_the_clearance_of_overhead_lines(at: Measured) -> list[str]:
    lines = at.tables["obstacles"]
    lines = lines[lines["kind"] == "overhead_line"]
    volts = lines["voltage_kv"].to_numpy(dtype=float, na_value=np.nan)
    volts = np.where(np.isnan(volts), at.rules.number("line.unknown_kv"), volts)
    clear = np.array(
        [
            next(
                (
                    feet
                    for upto, feet in zip(
                        at.rules.numbers("line.upto_kv"), at.rules.numbers("line.clearance_ft"), strict=True
                    )
                    if volt <= upto
                ),
                at.rules.numbers("line.clearance_ft")[-1],
            )
            for volt in volts
        ]
    )
    ladders = at.tables["ladders"]
    units = at.units_per_ft[at.rows(ladders)]
    gap = shapely.distance(ladders.geometry.to_numpy()[:, None], lines.geometry.to_numpy()[None, :])
    near = gap / units[:, None] < clear[None, :] - 1e-3
    return _ids(ladders, near.any(axis=1))


def the_second_ladder_is_on_another_side_and_apart(at: Measured) -> list[str]:
    first = at.ladders[at.ladders["rank"] == 1]
    second = at.ladders[at.ladders["rank"] == 2]
    lone = set(second["section_id"]) - set(first["section_id"])
    both = first.merge(pd.DataFrame(second), on="section_id", suffixes=("_1", "_2"))
    tips = [shapely.get_point(_feet(both, f"feet_{rank}"), 1) for rank in (1, 2)]
    bad = _flags(both["side_1"] == both["side_2"])
    bad |= shapely.distance(*tips) < at.rules.number("ladder.apart_ft") - ROUNDING_FT
    twice = at.ladders.duplicated(["section_id", "rank"])
    return sorted(lone | set(_ids(both, bad)) | set(_ids(at.ladders, twice)))


def ladders_lean_on_an_outer_wall_at_the_quarter(at: Measured) -> list[str]:
    base, tip = (shapely.get_point(_feet(at.ladders), end) for end in (0, 1))
    wall = at.ladders.merge(
        pd.DataFrame(at.layer("walls"))[["section_id", "wall", "feet", "kind", "outward_deg"]],
        on=["section_id", "wall"],
        how="left",
        suffixes=("", "_wall"),
    )
    bad = _flags(wall["side"].isna() | (wall["kind"] == "party"))
    bad |= shapely.distance(tip, _feet(wall, "feet_wall")) > ROUNDING_FT
    run = shapely.get_coordinates(base) - shapely.get_coordinates(tip)
    length = np.linalg.norm(run, axis=1)
    bad |= np.abs(length - wall["base_setback_ft"].to_numpy()) > 1e-4
    quarter = wall["working_length_ft"] * at.rules.number("ladder.base_share")
    bad |= _flags(np.abs(wall["base_setback_ft"] - quarter) > 1e-6)
    outward = np.radians(wall["outward_deg"].to_numpy())
    straight = (run * np.column_stack([np.sin(outward), np.cos(outward)])).sum(axis=1)
    bad |= np.abs(straight - length) > 1e-4
    return _ids(at.ladders, bad)


# Paths and checks.


def paths_start_at_their_ladder_and_end_at_the_first_bay(at: Measured) -> list[str]:
    ladders = at.ladders[["section_id", "rank", "feet"]].rename(columns={"rank": "ladder_rank"})
    both = pd.DataFrame(at.paths).merge(
        pd.DataFrame(ladders), on=["section_id", "ladder_rank"], how="left", suffixes=("", "_ladder")
    )
    first = at.openings[at.openings["seq"] == 1][["section_id", "feet"]]
    both = both.merge(pd.DataFrame(first), on="section_id", how="left", suffixes=("", "_opening"))
    bad = _flags(both["feet_ladder"].isna() | both["feet_opening"].isna())
    line = _feet(both)
    start = shapely.distance(shapely.get_point(line, 0), shapely.get_point(_feet(both, "feet_ladder"), 1))
    bad |= start > 0.03
    # The opening is held off the bay's borders by the clearances, the way ends at the bay.
    reach = np.hypot(at.rules.number("opening.hanger_clear_ft"), at.rules.number("opening.beam_clear_ft"))
    end = shapely.distance(shapely.get_point(line, -1), _feet(both, "feet_opening"))
    bad |= end > reach + 0.05
    bad |= np.abs(shapely.length(line) - both["length_ft"].to_numpy()) > 1e-4
    return _ids(both, bad)


def paths_stay_on_the_roof(at: Measured) -> list[str]:
    jog = at.rules.number("outline.jog_ft") + 1e-3
    roof = shapely.buffer(at.outline[at.paths["row"]], jog, quad_segs=32)
    return _ids(at.paths, ~shapely.covers(roof, _feet(at.paths)))


def paths_touch_no_opening(at: Measured) -> list[str]:
    pairs = at.pairs(at.paths, at.openings)
    return _ids(pairs, shapely.intersects(_feet(pairs, "feet_x"), _feet(pairs, "feet_y")))


def paths_go_round_what_stands_on_the_roof(at: Measured) -> list[str]:
    standing = at.obstacles[at.obstacles["kind"] != "suspended_load"]
    pairs = at.pairs(at.paths, standing)
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    return _ids(pairs, gap < at.rules.number("obstacle.path_clear_ft") - ROUNDING_FT)


def the_first_path_is_not_cut_by_the_trench(at: Measured) -> list[str]:
    first = at.paths[at.paths["ladder_rank"] == 1]
    pairs = at.pairs(first, at.trenches)
    # A way may run along the wall where the trench ends, but not past it.
    return _ids(pairs, shapely.intersects(_feet(pairs, "feet_x"), _feet(pairs, "feet_y")))


def every_opened_section_has_a_first_ladder_and_path(at: Measured) -> list[str]:
    opened = set(at.openings["section_id"])
    with_path = set(at.paths["section_id"][at.paths["ladder_rank"] == 1])
    with_ladder = set(at.ladders["section_id"][at.ladders["rank"] == 1])
    return sorted((opened - with_path) | (opened - with_ladder) | (set(at.paths["section_id"]) - opened))


def checks_lie_on_the_roof_off_the_openings(at: Measured) -> list[str]:
    checks = at.layer("checks")
    off = ~shapely.covers(
        shapely.buffer(at.outline[checks["row"]], HAIR_FT, join_style="mitre"), _feet(checks)
    )
    pairs = at.pairs(checks, at.openings)
    on = shapely.intersects(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    things = at.pairs(checks, at.obstacles)
    near = shapely.distance(_feet(things, "feet_x"), _feet(things, "feet_y"))
    close = near < at.rules.number("obstacle.path_clear_ft") - ROUNDING_FT
    return sorted({*_ids(checks, off), *_ids(pairs, on), *_ids(things, close)})


def inspection_cuts_are_diagonal_to_their_wall(at: Measured) -> list[str]:
    cuts = at.layer("checks", kind="inspection_cut")
    first = at.ladders[at.ladders["rank"] == 1][["section_id", "feet"]]
    both = pd.DataFrame(cuts).merge(pd.DataFrame(first), on="section_id", suffixes=("", "_ladder"))
    directions = []
    for name in ("feet", "feet_ladder"):
        ends = shapely.get_coordinates(_feet(both, name)).reshape(-1, 2, 2)
        run = ends[:, 1] - ends[:, 0]
        directions.append(np.degrees(np.arctan2(run[:, 0], run[:, 1])))
    angle = np.abs((directions[0] - directions[1] + 90.0) % 180.0 - 90.0)
    bad = np.abs(angle - 45.0) > 1e-3
    rafter = at.sections["rafter_spacing_ft"].to_numpy()[both["row"]]
    bad |= np.abs(shapely.length(_feet(both)) - rafter * np.sqrt(2.0)) > 1e-4
    return _ids(both, bad)


# Trenches.


def trenches_split_their_section_in_two(at: Measured) -> list[str]:
    rest = _rest_of_roof(at)
    parts, which = shapely.get_parts(rest, return_index=True)
    big = shapely.area(parts) > 0.01
    number = np.bincount(which[big], minlength=len(at.trenches))
    twice = at.trenches.duplicated("section_id").to_numpy()
    return _ids(at.trenches, (number != 2) | twice)


def trenches_lie_on_the_roof(at: Measured) -> list[str]:
    roof = shapely.buffer(at.outline[at.trenches["row"]], ROUNDING_FT, join_style="mitre")
    bad = ~shapely.covers(roof, _feet(at.trenches))
    width = at.rules.number("trench.width_ft")
    area = at.trenches["length_ft"] * width
    bad |= np.abs(shapely.area(_feet(at.trenches)) - area) > 1e-2
    return _ids(at.trenches, bad)


def trenches_lead_the_openings(at: Measured) -> list[str]:
    pairs = at.pairs(at.trenches, at.openings)
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    lone = set(at.trenches["section_id"]) - set(at.openings["section_id"])
    return sorted({*_ids(pairs, gap < at.rules.number("trench.lead_ft") - ROUNDING_FT), *lone})


def trenches_save_the_side_without_the_fire(at: Measured) -> list[str]:
    """The part they save holds neither fire nor opening, and lies where `saves_deg` points."""
    bad = np.zeros(len(at.trenches), dtype=bool)
    saved = _saved_parts(at)
    row = at.trenches["row"].to_numpy()
    bad |= shapely.intersects(saved, at.fire[row])
    total = shapely.area(at.outline[row])
    least = at.rules.number("trench.least_saved_share")
    # The strip itself belongs to neither part.
    bad |= shapely.area(saved) < least * total - 0.01
    bad |= shapely.area(saved) > (1 - least) * total + 0.01
    pairs = pd.DataFrame(at.trenches[["section_id", "row"]]).assign(saved=saved)
    pairs = pairs.merge(pd.DataFrame(at.openings[["section_id", "feet"]]), on="section_id")
    touched = shapely.intersects(_feet(pairs, "saved"), _feet(pairs))
    return sorted({*_ids(at.trenches, bad), *_ids(pairs, touched)})


def trenches_say_how_far_the_fire_is(at: Measured) -> list[str]:
    gap = shapely.distance(_feet(at.trenches), at.fire[at.trenches["row"]])
    # The fire spot is written in degrees, which carry about a hundredth of a foot at worst.
    return _ids(at.trenches, np.abs(gap - at.trenches["from_fire_ft"].to_numpy()) > 0.02)


def trenches_are_clear_of_obstacles_and_members(at: Measured) -> list[str]:
    things = at.pairs(at.trenches, at.obstacles)
    close = shapely.distance(_feet(things, "feet_x"), _feet(things, "feet_y"))
    near = close < at.rules.number("obstacle.clear_ft") - ROUNDING_FT
    members = at.pairs(at.trenches.assign(kind=at.trenches["method"].map(_FOLLOWS)), at.layer("members"))
    members = members[members["kind_x"] == members["kind_y"]]
    gap = shapely.distance(_feet(members, "feet_x"), _feet(members, "feet_y"))
    off = np.abs(gap - at.rules.number("trench.beam_clear_ft")) > 1e-4
    return sorted({*_ids(things, near), *_ids(members, off)})


def trenches_start_away_from_the_egress(at: Measured) -> list[str]:
    start, end = _trench_ends(at)
    foot = at.foothold[at.trenches["row"]]
    along = end - start
    along = along / np.linalg.norm(along, axis=1)[:, None]
    from_start = np.abs(((foot - start) * along).sum(axis=1))
    from_end = np.abs(((foot - end) * along).sum(axis=1))
    walls = pd.DataFrame(at.trenches).merge(
        pd.DataFrame(at.layer("walls"))[["section_id", "wall", "feet", "kind", "side"]],
        left_on=["section_id", "start_wall"],
        right_on=["section_id", "wall"],
        how="left",
        suffixes=("", "_wall"),
    )
    gap = shapely.distance(shapely.points(start), _feet(walls, "feet_wall"))
    bad = (from_end > from_start + ROUNDING_FT) | (walls["kind"] == "nonbearing").to_numpy()
    return _ids(walls, bad | ~(gap <= at.rules.number("outline.jog_ft") + ROUNDING_FT))


_FOLLOWS = {"with_construction": "beam", "against_construction": "purlin"}


def _rest_of_roof(at: Measured) -> npt.NDArray[Any]:
    strip = shapely.buffer(_feet(at.trenches), HAIR_FT, join_style="mitre")
    return np.asarray(shapely.difference(at.outline[at.trenches["row"]], strip))


def _trench_ends(at: Measured) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    corners = shapely.get_coordinates(_feet(at.trenches)).reshape(-1, 5, 2)
    return (corners[:, 0] + corners[:, 3]) / 2, (corners[:, 1] + corners[:, 2]) / 2


def _saved_parts(at: Measured) -> npt.NDArray[Any]:
    """Everything beyond each trench in the direction it says it saves, as far as it hangs together."""
    start, end = _trench_ends(at)
    toward = np.radians(at.trenches["saves_deg"].to_numpy())
    step = np.column_stack([np.sin(toward), np.cos(toward)])
    step *= at.rules.number("trench.width_ft") / 2 + 0.1
    probe = shapely.points((start + end) / 2 + step)
    parts, which = shapely.get_parts(_rest_of_roof(at), return_index=True)
    nearest = pd.DataFrame({"which": which, "gap": shapely.distance(parts, probe[which])})
    chosen = nearest.groupby("which")["gap"].idxmin().to_numpy(dtype=int)
    return np.asarray(parts[chosen])


# Answers.


def every_section_has_an_answer(at: Measured) -> list[str]:
    """A cut method where openings are drawn, a reason where none is."""
    opened = at.sections["section_id"].isin(at.openings["section_id"]).to_numpy()
    method = at.sections["cut_method"].notna().to_numpy()
    why = at.sections["cut_method_why"].fillna("").str.len().to_numpy() > 20
    return _ids(at.sections, (opened != method) | ~why)


def every_building_has_one_planned_section(at: Measured) -> list[str]:
    planned = at.sections["planned"].astype(bool).groupby(at.sections["building_id"]).sum()
    bad = set(planned.index[planned != 1])
    if "buildings" in at.tables:
        bad |= set(at.tables["buildings"]["building_id"]) ^ set(planned.index)
    return sorted(bad)


def only_planned_panelized_roofs_of_known_axis_are_cut(at: Measured) -> list[str]:
    panelized = at.sections["roof_family"].map(
        {name: family.plan == "panelized" for name, family in at.rules.families.items()}
    )
    allowed = (
        panelized.fillna(False).to_numpy(dtype=bool)
        & (at.sections["axis_basis"] != "doubtful").to_numpy(dtype=bool)
        & at.sections["planned"].to_numpy(dtype=bool)
    )
    free = set(at.sections["section_id"][allowed])
    drawn = {
        section
        for name in ("openings", "cuts", "trenches", "checks", "paths")
        for section in at.tables[name]["section_id"]
    }
    return sorted(drawn - free)


def ladders_only_where_a_plan_is(at: Measured) -> list[str]:
    planned = set(at.sections["section_id"][at.sections["planned"].astype(bool)])
    return sorted(set(at.ladders["section_id"]) - planned)


def the_fire_spot_lies_on_the_planned_section(at: Measured) -> list[str]:
    planned = at.sections["planned"].to_numpy(dtype=bool)
    has = shapely.is_missing(at.fire) == ~planned
    roof = shapely.buffer(at.outline, 0.02)
    return _ids(at.sections, ~has | (planned & ~shapely.intersects(roof, at.fire)))


def geometry_is_valid_and_plain(at: Measured) -> list[str]:
    broken: list[str] = []
    for name in ("ladders", "paths", "checks", "openings", "cuts", "trenches", "walls", "members"):
        frame = at.tables[name]
        shapes = frame.geometry.to_numpy()
        good = shapely.is_valid(shapes) & ~shapely.is_empty(shapes)
        good &= np.isfinite(shapely.bounds(shapes)).all(axis=1)
        broken += _ids(frame, ~good)
    return sorted(set(broken))


LAWS: dict[str, Callable[[Measured], list[str]]] = {
    law.__name__: law
    for law in (
        openings_inside_their_section,
        openings_clear_of_beams_and_purlins,
        openings_clear_of_obstacles,
        openings_apart_from_each_other,
        openings_have_the_size_they_say,
        openings_numbered_from_one_within_the_crew_limit,
        openings_leave_the_foothold_free,
        parts_finish_no_farther_from_the_ladder,
        cuts_follow_the_border_of_their_opening,
        each_opening_is_nearer_the_ladder_than_the_one_before,
        ladder_bases_stand_outside_every_building,
        ladders_keep_the_clearance_of_overhead_lines,
        the_second_ladder_is_on_another_side_and_apart,
        ladders_lean_on_an_outer_wall_at_the_quarter,
        paths_start_at_their_ladder_and_end_at_the_first_bay,
        paths_stay_on_the_roof,
        paths_touch_no_opening,
        paths_go_round_what_stands_on_the_roof,
        the_first_path_is_not_cut_by_the_trench,
        every_opened_section_has_a_first_ladder_and_path,
        checks_lie_on_the_roof_off_the_openings,
        inspection_cuts_are_diagonal_to_their_wall,
        trenches_split_their_section_in_two,
        trenches_lie_on_the_roof,
        trenches_lead_the_openings,
        trenches_save_the_side_without_the_fire,
        trenches_say_how_far_the_fire_is,
        trenches_are_clear_of_obstacles_and_members,
        trenches_start_away_from_the_egress,
        every_section_has_an_answer,
        every_building_has_one_planned_section,
        only_planned_panelized_roofs_of_known_axis_are_cut,
        ladders_only_where_a_plan_is,
        the_fire_spot_lies_on_the_planned_section,
        geometry_is_valid_and_plain,
    )
}


def broken(at: Measured) -> dict[str, list[str]]:
    """The laws that do not hold, with the sections that break them."""
    found = {name: law(at) for name, law in LAWS.items()}
    return {name: ids for name, ids in found.items() if ids}
