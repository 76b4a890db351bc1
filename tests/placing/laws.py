"""What must hold of every plan, as functions over the tables of a build.

In: the tables by name, the rulebook, the ground.
Out: for each law the ids of the sections that break it; an empty list is what a test wants.

Everything is measured in ground feet on a plane at each section's centroid, from the geometry in
the tables: nothing here knows how the plan was made.
"""

from __future__ import annotations

import itertools
import re
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
from roofplat.rules import Family, Rulebook

Flags = npt.NDArray[np.bool_]
# What is there already and needs no saw.
UNCUT = ("existing_opening", "glazing")
EXISTING_KINDS = ("skylight", "smoke_vent", "hatch")
CUT_BY_SAW = (
    "fold_back",
    "center_rafter_louver",
    "joist_louver",
    "between_joists",
    "near_ridge",
    "small_opening",
)
ALONG_WALLS = "Along the walls"
# How the reasons of a ladder begin that the scenario states, and how a method that it prefers is told.
STATED = ("Stands there already", "Stated by the scenario")
PREFERRED = "preferred in this scenario"
HAIR_FT = 1e-6
# Coordinates of a projected CRS carry about nine digits behind a foot's first.
ROUNDING_FT = 1e-5
# A path takes points closer than a fiftieth of a foot for one, so its legs miss lines by as much.
ON_LINE_FT = 0.03
PARTS = ("beam", "purlin", "rafter")


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
    def cut_openings(self) -> gpd.GeoDataFrame:
        """Openings that a saw makes."""
        return self.openings[~self.openings["method"].isin(UNCUT)].reset_index(drop=True)

    @cached_property
    def stretch(self) -> npt.NDArray[np.float64]:
        """How much longer than on the plan a length straight up the slope is, shape (n,); 1 if flat."""
        slope = self.sections["slope_deg"].to_numpy(dtype=float, na_value=np.nan)
        pitched = self.of_family(lambda family: family.framing == "pitched").astype(bool)
        return np.where(pitched & np.isfinite(slope), 1.0 / np.cos(np.radians(slope)), 1.0)

    @cached_property
    def flat(self) -> Flags:
        """True for a section without planes, shape (n,)."""
        return ~self.of_family(lambda family: family.framing == "pitched").astype(bool)

    @cached_property
    def to_work(self) -> gpd.GeoDataFrame:
        """Paths that lead to the work."""
        return self.paths[~self.paths["why"].astype("str").str.startswith(ALONG_WALLS)].reset_index(drop=True)

    @cached_property
    def along_walls(self) -> gpd.GeoDataFrame:
        """Paths that lead from one ladder to the other."""
        return self.paths[self.paths["why"].astype("str").str.startswith(ALONG_WALLS)].reset_index(drop=True)

    @cached_property
    def members(self) -> gpd.GeoDataFrame:
        """Members of roofs without planes, with their `part` in the family: beam, purlin or rafter."""
        members = self.layer("members")
        family = self.sections["roof_family"].to_numpy()[members["row"]]
        parts = [
            next((part for part, kind in self.rules.families[name].members.items() if kind == word), None)
            for name, word in zip(family, members["kind"], strict=True)
        ]
        return members.assign(part=pd.Series(parts, dtype="str"), family=family)

    def of_family(self, ask: Callable[[Family], Any]) -> npt.NDArray[Any]:
        """What the family of each section answers, shape (n,)."""
        answers = {name: ask(family) for name, family in self.rules.families.items()}
        return np.array([answers[name] for name in self.sections["roof_family"]], dtype=object)

    def turned(self, geometry: npt.NDArray[Any], row: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Geometry in feet, turned so that the framing axis runs along the first coordinate."""
        axis = np.radians(self.sections["framing_axis_deg"].to_numpy())
        coordinates, which = shapely.get_coordinates(geometry, return_index=True)
        sine, cosine = np.sin(axis)[row[which]], np.cos(axis)[row[which]]
        east, north = coordinates.T
        moved = np.column_stack([east * sine + north * cosine, north * sine - east * cosine])
        return np.asarray(shapely.set_coordinates(geometry.copy(), moved))

    @cached_property
    def existing(self) -> gpd.GeoDataFrame:
        """Skylights, vents and hatches that lie on a planned roof: `box` square to the framing, and
        `away`, how far the fire spot is from it."""
        things = self.obstacles[self.obstacles["kind"].isin(EXISTING_KINDS)]
        row = things["row"].to_numpy()
        things = things[self.sections["planned"].to_numpy(dtype=bool)[row]].reset_index(drop=True)
        row = things["row"].to_numpy()
        bounds = shapely.bounds(self.turned(_feet(things), row))
        # A point is measured as a disc elsewhere; around a disc the box is the same.
        boxes = np.asarray(shapely.box(*bounds.T)) if len(things) else np.empty(0, dtype=object)
        inside = shapely.covers(self.turned(self.outline[row], row), boxes)
        away = shapely.distance(boxes, self.turned(self.fire[row], row))
        return things.assign(box=boxes, away=away)[inside].reset_index(drop=True)

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
        tip = shapely.get_coordinates(shapely.get_point(_feet(first), 1))
        # Straight in from the wall: an aerial may come at an angle.
        outward = np.radians(self.outward_deg(first))
        step = np.column_stack([np.sin(outward), np.cos(outward)]) * self.rules.number("ladder.landing_ft")
        place = np.full((len(self.sections), 2), np.nan)
        place[first["row"]] = tip - step
        return place

    def outward_deg(self, ladders: pd.DataFrame) -> npt.NDArray[np.float64]:
        """Direction away from the building at each ladder's wall."""
        walls = pd.DataFrame(self.tables["walls"]).set_index(["section_id", "wall"])["outward_deg"]
        return walls.reindex(pd.MultiIndex.from_frame(ladders[["section_id", "wall"]])).to_numpy(dtype=float)

    @cached_property
    def obstacles(self) -> gpd.GeoDataFrame:
        """Things on the roofs, once for each section of their building; points as discs."""
        things = self.tables["obstacles"]
        elsewhere = things["kind"].isin(["overhead_line", "parapet"])
        things = things[~elsewhere & things["building_id"].notna()]
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
        keys = ("seq", "rank", "kind", "ladder_rank", "part", "method")
        keep = [name for name in keys if name in left]
        other = [name for name in keys if name in right]
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
    """Joists cross the opening that lays them bare: see `cuts_along_joists_run_midway_between_two`."""
    pairs = at.pairs(at.cut_openings, at.members[at.members["part"] != "rafter"])
    need = pairs["part"].map(
        {
            "beam": at.rules.number("opening.beam_clear_ft"),
            "purlin": at.rules.number("opening.hanger_clear_ft"),
        }
    )
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    return _ids(pairs, gap < need.to_numpy(dtype=float) - ROUNDING_FT)


def openings_clear_of_obstacles(at: Measured) -> list[str]:
    pairs = at.pairs(at.cut_openings, at.obstacles)
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    return _ids(pairs, gap < at.rules.number("obstacle.clear_ft") - ROUNDING_FT)


def openings_apart_from_each_other(at: Measured) -> list[str]:
    pairs = at.pairs(at.openings, at.openings)
    pairs = pairs[pairs["seq_x"] < pairs["seq_y"]]
    return _ids(pairs, shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y")) <= 0)


def openings_have_the_size_they_say(at: Measured) -> list[str]:
    area = shapely.area(_feet(at.openings)) * _along_the_slope(at, at.openings)
    stated = at.openings["length_ft"] * at.openings["width_ft"]
    bad = np.abs(area - stated) > 1e-3
    bad |= np.abs(at.openings["area_ft2"] - stated) > 1e-6
    placed = at.openings.groupby("section_id")["area_ft2"].transform("sum")
    bad |= np.abs(at.openings["placed_ft2"] - placed) > 1e-6
    short = np.maximum(at.openings["wanted_ft2"] - placed, 0.0)
    bad |= np.abs(at.openings["short_ft2"] - short) > 1e-6
    least = np.minimum(at.openings["length_ft"], at.openings["width_ft"])
    cut = ~at.openings["method"].isin(UNCUT)
    bad |= cut & (least < at.rules.number("opening.least_ft") - HAIR_FT)
    return _ids(at.openings, bad.to_numpy())


def _along_the_slope(at: Measured, openings: pd.DataFrame) -> npt.NDArray[np.float64]:
    """The factor from areas on the plan to areas of deck; what is there already is seen from above."""
    cut = ~openings["method"].isin(UNCUT).to_numpy()
    return np.where(cut, at.stretch[openings["row"].to_numpy()], 1.0)


def openings_numbered_from_one_within_the_crew_limit(at: Measured) -> list[str]:
    number = at.openings.groupby("section_id").cumcount() + 1
    uncut = at.openings["method"].isin(UNCUT)
    before = uncut.groupby(at.openings["section_id"]).transform("sum")
    bad = (at.openings["seq"] != number) | (number - before > at.rules.count("opening.crew_limit"))
    # What is there already comes first, and only one of it.
    bad |= (uncut & (number > 1)) | (before > 1)
    return _ids(at.openings, bad.to_numpy(dtype=bool))


def openings_leave_the_foothold_free(at: Measured) -> list[str]:
    openings = at.openings[at.flat[at.openings["row"].to_numpy()]]
    gap = shapely.distance(_feet(openings), shapely.points(at.foothold[openings["row"]]))
    return _ids(openings, ~(gap >= at.rules.number("ladder.opening_clear_ft") - ROUNDING_FT))


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
    # A cut up the slope is longer than on the plan, one across it is not.
    stretch = np.where(cuts["kind"] == "parallel_cut", at.stretch[cuts["row"].to_numpy()], 1.0)
    bad |= np.abs(shapely.length(_feet(cuts)) * stretch - cuts["cut_ft"].to_numpy()) > 1e-4
    bad |= shapely.get_num_geometries(_feet(cuts)) != cuts["count"].to_numpy(dtype=int)
    return _ids(cuts, bad)


def each_opening_is_nearer_the_ladder_than_the_one_before(at: Measured) -> list[str]:
    cut = at.cut_openings
    centre = shapely.get_coordinates(shapely.centroid(_feet(cut)))
    distance = np.linalg.norm(centre - at.foothold[cut["row"]], axis=1)
    before = pd.Series(distance).groupby(cut["section_id"].to_numpy()).shift()
    # A short opening lies anywhere in its bay: its bay is nearer, its centre need not be.
    short = cut["method"].isin(["small_opening", "between_joists"]).to_numpy()
    return _ids(cut, (distance >= before).to_numpy() & ~short)


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
    by_aerial = _flags(wall["apparatus"] == "aerial")
    bad |= by_aerial != _flags(wall["base_setback_ft"].isna())
    bad |= ~by_aerial & (np.abs(length - wall["base_setback_ft"].to_numpy(dtype=float, na_value=0.0)) > 1e-4)
    quarter = wall["working_length_ft"] * at.rules.number("ladder.base_share")
    bad |= ~by_aerial & _flags(np.abs(wall["base_setback_ft"] - quarter) > 1e-6)
    outward = np.radians(wall["outward_deg"].to_numpy())
    straight = (run * np.column_stack([np.sin(outward), np.cos(outward)])).sum(axis=1)
    bad |= ~by_aerial & (np.abs(straight - length) > 1e-4)
    return _ids(at.ladders, bad)


def what_is_named_reaches(at: Measured) -> list[str]:
    """A ladder or an aerial that is named reaches the support, at its angle and from its street."""
    ladders = at.ladders
    share, above = at.rules.number("ladder.base_share"), at.rules.number("ladder.tip_above_edge_ft")
    support = ladders["support_ft"].to_numpy(dtype=float)
    ladder = _flags(ladders["apparatus"] == "ground_ladder")
    aerial = _flags(ladders["apparatus"] == "aerial")
    rail = ladders["ladder_ft"].to_numpy(dtype=float, na_value=np.nan)
    bad = ladder != np.isfinite(rail)
    bad |= ladder & (np.sqrt(1 - share**2) * rail - above < support - 0.006)
    rise = support + above - at.rules.number("aerial.turntable_ft")
    bad |= aerial & (
        np.hypot(shapely.length(_feet(ladders)), rise) > at.rules.number("aerial.reach_ft") + 0.006
    )
    highest = ladders["highest_ft"].to_numpy(dtype=float, na_value=np.inf)
    bad |= (ladder | aerial) & (highest < support - 0.006)
    bad |= ~(ladder | aerial) & np.isfinite(highest) & (highest >= support + 0.006)
    return _ids(ladders, bad)


def no_ladder_is_used_twice(at: Measured) -> list[str]:
    """The two spots of a section never take more ladders of a length than the stock holds."""
    stock: dict[float, int] = {}
    lengths, counts = (at.rules.numbers(f"ladder.{name}") for name in ("stock_ft", "stock_count"))
    for length, count in zip(lengths, counts, strict=True):
        stock[length] = stock.get(length, 0) + int(count)
    used = at.ladders.groupby(["section_id", "ladder_ft"]).size().reset_index(name="used")
    return _ids(used, _flags(used["used"] > used["ladder_ft"].map(stock).fillna(0)))


def collapse_zones_surround_their_building(at: Measured) -> list[str]:
    """Each zone touches its building all round without covering it, and is as deep as it says."""
    zones = at.tables["collapse_zones"].set_index("building_id")
    sections = at.sections
    zone = zones.loc[sections["building_id"]]
    shapes, outline = zone.geometry.to_numpy(), sections.geometry.to_numpy()
    broken = shapely.area(shapely.intersection(shapes, outline)) > 1e-6 * shapely.area(outline)
    deep = zone["distance_ft"].to_numpy(dtype=float) * at.units_per_ft
    own = sections.groupby("building_id")["section_id"].transform("size").to_numpy() == 1
    rims, which = shapely.get_coordinates(
        shapely.get_exterior_ring(shapely.union(shapes, outline)), return_index=True
    )
    away = pd.Series(shapely.distance(shapely.points(rims), outline[which])).groupby(which)
    nearest = away.min().reindex(range(len(sections))).to_numpy()
    reach = away.max().reindex(range(len(sections))).to_numpy()
    # On the turn of a corner the drawn zone is a little inside the true one, never outside it.
    broken |= own & ~(reach <= deep * 1.0001)
    broken |= own & ~(nearest >= deep * 0.99)
    return _ids(sections, broken)


# Paths and checks.


def paths_start_at_their_ladder_and_end_at_the_first_bay(at: Measured) -> list[str]:
    ladders = at.ladders[["section_id", "rank", "feet"]].rename(columns={"rank": "ladder_rank"})
    flat = at.to_work[at.flat[at.to_work["row"].to_numpy()]]
    both = pd.DataFrame(flat).merge(
        pd.DataFrame(ladders), on=["section_id", "ladder_rank"], how="left", suffixes=("", "_ladder")
    )
    first = at.cut_openings.drop_duplicates("section_id")[["section_id", "feet", "length_ft", "width_ft"]]
    both = both.merge(pd.DataFrame(first), on="section_id", how="left", suffixes=("", "_opening"))
    bad = _flags(both["feet_ladder"].isna() | both["feet_opening"].isna())
    line = _feet(both)
    start = shapely.distance(shapely.get_point(line, 0), shapely.get_point(_feet(both, "feet_ladder"), 1))
    bad |= start > 0.03
    # The opening is held off the bay's borders by the clearances, the way ends at the bay.
    reach = np.hypot(at.rules.number("opening.hanger_clear_ft"), at.rules.number("opening.beam_clear_ft"))
    end = shapely.distance(shapely.get_point(line, -1), _feet(both, "feet_opening"))
    # A short opening does not fill its bay: the way ends somewhere around that.
    row = both["row"].to_numpy()
    rules = at.rules
    u_ft = at.sections["purlin_spacing_ft"].fillna(rules.number("opening.joist_width_ft")).to_numpy()[row]
    v_ft = (
        at.sections["beam_spacing_ft"].fillna(rules.number("opening.joist_length_ft") + 2.0).to_numpy()[row]
    )
    slack = np.hypot(
        np.maximum(u_ft - both["width_ft"].to_numpy(), 0.0),
        np.maximum(v_ft - both["length_ft_opening"].to_numpy(), 0.0),
    )
    short = at.of_family(_cuts_short)[row].astype(bool)
    bad |= end > np.where(short, np.maximum(reach, slack), reach) + 0.05
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
    """Where nothing is cut, the first path leads to the second ladder, where there is one."""
    opened, cut = set(at.openings["section_id"]), set(at.cut_openings["section_id"])
    with_path = set(at.to_work["section_id"][at.to_work["ladder_rank"] == 1])
    with_ladder = set(at.ladders["section_id"][at.ladders["rank"] == 1])
    lone = set(at.to_work["section_id"]) - cut
    return sorted((cut - with_path) | (opened - with_ladder) | lone)


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
    from_edge = shapely.distance(shapely.boundary(at.outline[checks["row"]]), _feet(checks))
    hole = (checks["kind"] == "indicator_hole").to_numpy()
    at_wall = hole & (from_edge < at.rules.number("check.indicator_wall_ft") - ROUNDING_FT)
    return sorted({*_ids(checks, off | at_wall), *_ids(pairs, on), *_ids(things, close)})


def inspection_cuts_are_diagonal_to_their_wall(at: Measured) -> list[str]:
    cuts = at.layer("checks", kind="inspection_cut")
    first = pd.DataFrame(at.ladders[at.ladders["rank"] == 1])[["section_id", "wall"]]
    both = pd.DataFrame(cuts).merge(first, on="section_id")
    ends = shapely.get_coordinates(_feet(both)).reshape(-1, 2, 2)
    run = ends[:, 1] - ends[:, 0]
    direction = np.degrees(np.arctan2(run[:, 0], run[:, 1]))
    angle = np.abs((direction - at.outward_deg(both) + 90.0) % 180.0 - 90.0)
    bad = np.abs(angle - 45.0) > 1e-3
    spacings = at.sections[["rafter_spacing_ft", "purlin_spacing_ft", "beam_spacing_ft"]]
    # The members right under the deck: the finest there are.
    rafter = spacings.bfill(axis=1).iloc[:, 0].to_numpy()[both["row"]]
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
    width = at.trenches["width_ft"].to_numpy()
    joist = _joists_under(at, at.trenches)
    least = at.rules.number("trench.width_ft")
    spaces = width / joist
    # Along joists a whole number of spaces, the fewest that are wide enough.
    whole = (np.abs(spaces - spaces.round()) < 1e-6) & (width >= least - 1e-6) & (width < least + joist)
    bad |= np.where(np.isfinite(joist), ~whole, np.abs(width - least) > 1e-6)
    area = at.trenches["length_ft"] * width
    bad |= np.abs(shapely.area(_feet(at.trenches)) - area) > 1e-2
    return _ids(at.trenches, bad)


def _joists_under(at: Measured, rows: pd.DataFrame) -> npt.NDArray[Any]:
    """Joist spacing of the section of each row, NaN for a roof that has none."""
    row = rows["row"].to_numpy() if "row" in rows else rows["row_x"].to_numpy()
    joisted = at.of_family(lambda family: family.framing == "joists").astype(bool)
    spacing = at.sections["rafter_spacing_ft"].to_numpy(dtype=float)
    return np.where(joisted, spacing, np.nan)[row]


def trenches_lead_the_openings(at: Measured) -> list[str]:
    pairs = at.pairs(at.trenches, at.openings)
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    # On a roof that is not cut a trench leads the fire spot, which is written in degrees.
    alone = at.trenches[~at.trenches["section_id"].isin(at.cut_openings["section_id"])]
    fire_ft = shapely.distance(_feet(alone), at.fire[alone["row"].to_numpy()])
    close = fire_ft < at.rules.number("trench.lead_ft") - 0.02
    close |= at.sections["cut_method"].to_numpy()[alone["row"].to_numpy()] != "do_not_cut"
    short = gap < at.rules.number("trench.lead_ft") - ROUNDING_FT
    return sorted({*_ids(pairs, short), *_ids(alone, close)})


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
    members = at.pairs(at.trenches.assign(part=at.trenches["method"].map(_FOLLOWS)), at.members)
    members = members[members["part_x"] == members["part_y"]]
    gap = shapely.distance(_feet(members, "feet_x"), _feet(members, "feet_y"))
    # Both long cuts of a trench along joists run midway between two.
    half = _joists_under(at, members) / 2
    off = np.abs(gap - np.where(np.isfinite(half), half, at.rules.number("trench.beam_clear_ft"))) > 1e-4
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
    step *= at.trenches["width_ft"].to_numpy()[:, None] / 2 + 0.1
    probe = shapely.points((start + end) / 2 + step)
    parts, which = shapely.get_parts(_rest_of_roof(at), return_index=True)
    nearest = pd.DataFrame({"which": which, "gap": shapely.distance(parts, probe[which])})
    chosen = nearest.groupby("which")["gap"].idxmin().to_numpy(dtype=int)
    return np.asarray(parts[chosen])


# Answers.


def every_section_has_an_answer(at: Measured) -> list[str]:
    """A cut method where openings are drawn, a reason where none is."""
    opened = _flags(at.sections["section_id"].isin(at.openings["section_id"]))
    # That a planned roof is never cut is an answer of its own.
    opened |= (at.sections["cut_method"] == "do_not_cut").to_numpy(dtype=bool)
    method = at.sections["cut_method"].notna().to_numpy()
    why = at.sections["cut_method_why"].fillna("").str.len().to_numpy() > 20
    return _ids(at.sections, (opened != method) | ~why)


def every_building_has_one_planned_section(at: Measured) -> list[str]:
    planned = at.sections["planned"].astype(bool).groupby(at.sections["building_id"]).sum()
    bad = set(planned.index[planned != 1])
    if "buildings" in at.tables:
        bad |= set(at.tables["buildings"]["building_id"]) ^ set(planned.index)
    return sorted(bad)


def only_planned_roofs_of_known_axis_are_cut(at: Measured) -> list[str]:
    """And of a family that is framed for it and may be cut."""
    sections = at.sections
    can_be_cut = at.of_family(
        lambda family: (
            family.framing in ("grid", "joists", "pitched")
            and any(way in CUT_BY_SAW and way not in family.not_permitted for way in family.methods)
        )
    )
    planned = sections["planned"].to_numpy(dtype=bool)
    sure = (
        planned & ((sections["axis_basis"] != "doubtful") | (sections["roof_shape"] == "hipped")).to_numpy()
    )
    cut = set(sections["section_id"][sure & can_be_cut.astype(bool)])
    found = {
        section
        for table in (
            at.cut_openings,
            at.tables["cuts"][at.tables["cuts"]["feature"] == "opening"],
            at.tables["checks"],
            at.to_work,
        )
        for section in table["section_id"]
    }
    known = (sections["roof_family"] != "unknown").to_numpy()
    opened = set(at.openings["section_id"]) - set(sections["section_id"][planned & known])
    trenched = set(at.tables["trenches"]["section_id"]) - set(sections["section_id"][sure & known])
    return sorted((found - cut) | opened | trenched)


def openings_are_made_as_their_family_allows(at: Measured) -> list[str]:
    """By a method that the family lists and the department permits, each where it belongs."""
    allowed = at.of_family(lambda family: set(family.methods) - set(family.not_permitted) - {"do_not_cut"})
    pairs = zip(at.openings["method"], allowed[at.openings["row"]], strict=True)
    bad = np.array([method not in ways for method, ways in pairs], dtype=bool)
    # All that is cut in one section is cut in one way.
    ways = at.cut_openings.groupby("section_id")["method"].nunique()
    return sorted({*_ids(at.openings, bad), *ways.index[ways > 1]})


def roofs_that_are_not_cut_are_left_alone(at: Measured) -> list[str]:
    """No saw where the family says so, over trusses, or where nobody has looked."""
    left = at.of_family(lambda family: family.framing in ("trusses", "walls"))
    left = left.astype(bool) | (at.sections["cut_method"] == "do_not_cut").to_numpy(dtype=bool)
    ids = set(at.sections["section_id"][left])
    # Only where the department lets a trench run may one be drawn as a line to fall back to.
    runs = at.of_family(lambda family: bool(family.trench)).astype(bool)
    may_run = set(at.sections["section_id"][runs & at.sections["planned"].to_numpy(dtype=bool)])
    cuts, trenches = pd.DataFrame(at.tables["cuts"]), pd.DataFrame(at.tables["trenches"])
    cuts = cuts[(cuts["feature"] != "trench") | ~cuts["section_id"].isin(may_run)]
    trenches = trenches[~trenches["section_id"].isin(may_run)]
    sawn = [at.cut_openings, cuts, trenches, at.tables["checks"]]
    never = set(at.sections["section_id"][(at.sections["cut_method"] == "do_not_cut").to_numpy(dtype=bool)])
    return sorted(
        {section for table in sawn for section in table["section_id"] if section in ids}
        | (never & set(at.openings["section_id"]))
    )


def short_openings_are_short(at: Measured) -> list[str]:
    longest = {"small_opening": "opening.small_ft", "between_joists": "opening.between_joists_ft"}
    limit = at.openings["method"].map({way: at.rules.number(rule) for way, rule in longest.items()})
    limit = limit.astype(float)
    side = np.maximum(at.openings["length_ft"], at.openings["width_ft"])
    return _ids(at.openings, (side > limit + HAIR_FT).to_numpy(dtype=bool))


def cuts_along_joists_run_midway_between_two(at: Measured) -> list[str]:
    """Those of trenches too: half the spacing away from every joist, over deck and not over a joist."""
    cuts = at.layer("cuts", kind="parallel_cut")
    joists = at.members[(at.members["part"] == "rafter") & at.flat[at.members["row"].to_numpy()]]
    pairs = at.pairs(cuts, joists[["section_id", "row", "feet", "part"]])
    gap = shapely.distance(_feet(pairs, "feet_x"), _feet(pairs, "feet_y"))
    half = at.sections["rafter_spacing_ft"].to_numpy()[pairs["row"].to_numpy()] / 2
    return _ids(pairs, np.abs(gap - half) > 1e-3)


def cuts_are_counted(at: Measured) -> list[str]:
    """What is there already has no cut; an opening has its long cuts and one cut more than parts."""
    cuts = pd.DataFrame(at.tables["cuts"])
    cuts = cuts[cuts["feature"] == "opening"][["section_id", "feature_seq", "seq", "kind", "count"]]
    both = pd.DataFrame(at.openings[["section_id", "seq", "method", "parts"]]).merge(
        cuts.rename(columns={"seq": "step", "feature_seq": "seq"}), on=["section_id", "seq"], how="outer"
    )
    uncut = _flags(both["method"].isin(UNCUT))
    fold = _flags(both["method"] == "fold_back")
    has_cut = _flags(both["step"].notna())
    parallel, head, base = (_flags(both["kind"] == f"{kind}_cut") for kind in ("parallel", "head", "base"))
    bad = _flags(both["method"].isna()) | (uncut & has_cut) | (~uncut & ~(parallel | head | base))
    wanted = (both["parts"] + 1).where(parallel, 1)
    bad |= ~uncut & ((both["count"] != wanted).fillna(value=True).to_numpy(dtype=bool))
    # A fold starts with its base cut and needs no head cut; all others start with the head cut.
    first = (both["step"] == 1).fillna(value=False).to_numpy(dtype=bool)
    bad |= first & ~np.where(fold, base, head)
    steps = both.groupby(["section_id", "seq"])["kind"].transform("nunique").to_numpy()
    bad |= ~uncut & (steps != np.where(fold, 2, 3))
    return _ids(both, bad)


def existing_openings_are_near_and_nearest(at: Measured) -> list[str]:
    """The one whose border is nearest the fire spot, within reach; used wherever there is one."""
    reach = at.rules.number("opening.existing_reach_ft")
    near = at.existing[at.existing["away"] <= reach]
    nearest = near.groupby("section_id")["away"].min()
    used = at.openings[at.openings["method"] == "existing_opening"]
    row = used["row"].to_numpy()
    away = shapely.distance(_feet(used), at.fire[row])
    best = nearest.reindex(used["section_id"]).to_numpy()
    # The fire spot is written in degrees, which carry about a hundredth of a foot at worst.
    bad = ~(np.abs(away - best) <= 0.03)
    pairs = used[["section_id", "feet"]].merge(
        pd.DataFrame(at.existing)[["section_id", "feet"]], on="section_id", suffixes=("", "_thing")
    )
    covered = shapely.covers(
        shapely.buffer(_feet(pairs), 0.01, join_style="mitre"), _feet(pairs, "feet_thing")
    )
    alone = set(used["section_id"]) - set(pairs["section_id"][covered])
    lists = at.of_family(lambda family: "existing_opening" in family.methods).astype(bool)
    # At the border of the reach either answer is right.
    sure = set(nearest.index[nearest < reach - 0.03])
    wished = at.sections["cut_method_why"].astype("str").str.contains(PREFERRED).to_numpy(dtype=bool)
    wants = set(at.sections["section_id"][lists & ~wished]) & sure
    other = at.openings[(at.openings["seq"] == 1) & (at.openings["method"] != "existing_opening")]
    return sorted({*_ids(used, bad), *alone, *(wants & set(other["section_id"]))})


def glazing_is_opened_on_its_line(at: Measured) -> list[str]:
    """A stretch of the rule's size, its middle on a line of glazing, clear of the line's ends."""
    glazing = at.openings[at.openings["method"] == "glazing"]
    bad = np.abs(glazing["width_ft"] - at.rules.number("opening.glazing_length_ft")) > HAIR_FT
    bad |= np.abs(glazing["length_ft"] - at.rules.number("opening.glazing_width_ft")) > HAIR_FT
    pairs = at.pairs(glazing, at.members[at.members["part"] == "beam"])
    on_line = shapely.distance(shapely.centroid(_feet(pairs, "feet_x")), _feet(pairs, "feet_y")) < ROUNDING_FT
    off = set(glazing["section_id"]) - set(pairs["section_id"][on_line])
    shapes = at.of_family(lambda family: family.shape)[glazing["row"]]
    bad |= shapes != "sawtooth"
    return sorted({*_ids(glazing, bad.to_numpy(dtype=bool)), *off})


def paths_along_walls_lead_to_the_other_ladder(at: Measured) -> list[str]:
    """On the outer outline all the way, the shorter way round unless a thing stands in it."""
    walks = at.along_walls
    row = walks["row"].to_numpy()
    ring = np.asarray(shapely.get_exterior_ring(at.outline[row]))
    line = _feet(walks)
    bad = ~shapely.covers(shapely.buffer(ring, 0.01), line)
    long = walks["length_ft"].to_numpy() > shapely.length(ring) / 2 + 0.02
    bad |= long & ~walks["section_id"].isin(_with_things_at_the_wall(at)).to_numpy()
    bad |= np.abs(shapely.length(line) - walks["length_ft"].to_numpy()) > 1e-3
    bad |= (walks["ladder_rank"] != 1).to_numpy() | (
        np.abs(walks["share_on_bearing"] - 1.0) > HAIR_FT
    ).to_numpy()
    bad |= walks["section_id"].isin(at.cut_openings["section_id"]).to_numpy()
    bad |= walks["section_id"].duplicated().to_numpy()
    jog = at.rules.number("outline.jog_ft") + ROUNDING_FT
    for rank, end in ((1, 0), (2, -1)):
        ladders = at.ladders[at.ladders["rank"] == rank].set_index("section_id")["feet"]
        tip = shapely.get_point(ladders.reindex(walks["section_id"]).to_numpy(dtype=object), 1)
        bad |= ~(shapely.distance(shapely.get_point(line, end), tip) <= jog)
    return _ids(walks, bad)


def two_ladders_are_joined_by_a_path(at: Measured) -> list[str]:
    """Where nothing is cut and both ladders reach, the walls lead from the first to the second, unless
    things stand in both ways round."""
    ladders = at.ladders[at.ladders["apparatus"] != "out_of_reach"]
    # No crew walks walls that may be pushed out.
    walked = at.flat & ~at.of_family(lambda family: family.pushes_walls_out).astype(bool)
    reaching = ladders["section_id"][walked[ladders["row"].to_numpy()]].value_counts()
    two = set(reaching.index[reaching == 2])
    without = two - set(at.cut_openings["section_id"]) - set(at.along_walls["section_id"])
    return sorted(without - _with_things_at_the_wall(at))


def _with_things_at_the_wall(at: Measured) -> set[str]:
    things = at.obstacles[~at.obstacles["kind"].isin(["suspended_load", "parapet"])]
    row = things["row"].to_numpy()
    ring = shapely.get_exterior_ring(at.outline[row])
    # In the box around a turned thing, never less than the thing itself.
    sides = np.asarray(shapely.envelope(at.turned(_feet(things), row)))
    gap = shapely.distance(at.turned(np.asarray(ring), row), sides)
    return set(things["section_id"][gap < at.rules.number("obstacle.path_clear_ft")])


def paths_say_how_much_of_them_bears(at: Measured) -> list[str]:
    """On walls and along members a path is borne; from joist to joist it is not."""
    lines = at.members.groupby("section_id")["feet"].agg(list)
    paths = at.paths[at.flat[at.paths["row"].to_numpy()]]
    broken = []
    for section, row, path, share, length in zip(
        paths["section_id"],
        paths["row"],
        _feet(paths),
        paths["share_on_bearing"],
        paths["length_ft"],
        strict=True,
    ):
        borne = 0.0
        points = shapely.get_coordinates(path)
        border = shapely.buffer(shapely.boundary(at.outline[row]), ON_LINE_FT)
        for start, end in itertools.pairwise(points):
            leg = shapely.linestrings([start, end])
            off = shapely.difference(leg, border)
            if off.length > ON_LINE_FT:
                members = [
                    piece
                    for member in lines.get(section, [])
                    for piece in shapely.get_parts(member)
                    if piece.distance(leg) < ON_LINE_FT and _parallel(piece, leg)
                ]
                off = shapely.difference(off, shapely.buffer(shapely.union_all(members), ON_LINE_FT))
            borne += leg.length - off.length
        # A way that stands off a simplified wall is off by as much.
        if abs(borne / length - share) * length > 3 * ON_LINE_FT * len(points):
            broken.append(section)
    return sorted(set(broken))


def methods_are_told_and_rejected_by_rule(at: Measured) -> list[str]:
    """The method told is the first opening's; each other one is used after it, or a rule rejects it."""
    broken = []
    first = at.openings[at.openings["seq"] == 1].set_index("section_id")["method"]
    used = at.openings.groupby("section_id")["method"].agg(set)
    for section, family, planned, told, why, rejected in zip(
        at.sections["section_id"],
        at.sections["roof_family"],
        at.sections["planned"].astype(bool),
        at.sections["cut_method"],
        at.sections["cut_method_why"].astype("str"),
        at.sections["methods_rejected"].astype("str"),
        strict=True,
    ):
        entry = at.rules.families[family]
        sentences = [part for part in rejected.split("; ") if part]
        matches = [re.fullmatch(r"(\w+): (.+) \((.+)\)", part) for part in sentences]
        names = [match[1] for match in matches if match]
        good = len(names) == len(sentences) == len(set(names))
        good &= all(match[3] in at.rules.rules for match in matches if match)
        good &= all(name in entry.methods for name in names)
        if not planned:
            good &= pd.isna(told) and not names
        else:
            method = None if pd.isna(told) else told
            good &= (method in (None, "do_not_cut")) == (section not in first.index)
            if section in first.index:
                good &= method == first[section]
            taken = used.get(section, set()) | {method}
            good &= not taken & set(names)
            # Where no cut is drawn, the reason stands in the place of the way it would have been made.
            left = set(entry.methods) - taken - set(names)
            good &= not left or (len(left) <= 2 and ("no deck is cut" in why or method is None))
            good &= set(entry.not_permitted) <= set(names)
        if not good:
            broken.append(section)
    return sorted(broken)


def trenches_run_as_their_family_allows(at: Measured) -> list[str]:
    ways = at.of_family(lambda family: family.trench)[at.trenches["row"]]
    pairs = zip(at.trenches["method"], ways, strict=True)
    return _ids(at.trenches, np.array([method not in listed for method, listed in pairs], dtype=bool))


def members_lie_as_their_family_says(at: Measured) -> list[str]:
    """Inside the section, under the family's own names, at the spacing stated, counted, to the ends."""
    members = at.members[
        at.of_family(lambda family: family.framing != "pitched")[at.members["row"]].astype(bool)
    ]
    row = members["row"].to_numpy()
    roof = shapely.buffer(at.outline[row], ROUNDING_FT, join_style="mitre")
    bad = members["part"].isna().to_numpy() | ~shapely.covers(roof, _feet(members))
    bad |= members.duplicated(["section_id", "part"]).to_numpy()
    bounds = shapely.bounds(at.turned(at.outline, np.arange(len(at.outline))))
    for place, (part, spacing, number, line) in enumerate(
        zip(
            members["part"],
            members["spacing_ft"],
            members["count"],
            at.turned(_feet(members), row),
            strict=True,
        )
    ):
        across = 0 if part == "purlin" else 1
        ends = shapely.get_coordinates(line).reshape(-1, 2, 2)
        level = np.unique(np.round(ends[:, 0, across], 4))
        stated = at.sections[f"{part}_spacing_ft"].iloc[row[place]] if part in PARTS else np.nan
        low, high = bounds[row[place]][[across, across + 2]]
        good = abs(stated - spacing) < HAIR_FT
        good &= bool((np.abs(ends[:, 0, across] - ends[:, 1, across]) < ROUNDING_FT).all())
        good &= bool((np.abs(np.diff(level) - spacing) < 0.01).all())
        # No room is left for one more line at either end; a line too short to draw, in the tip of a
        # roof that tapers, is counted all the same.
        ends_ft = np.array([level[0] - low, high - level[-1]])
        good &= bool((np.ceil((ends_ft - 0.06) / spacing) - 1).clip(0).sum() == number - len(level) <= 2)
        bad[place] |= not good
    return _ids(members, bad)


def members_are_there_where_the_family_has_them(at: Measured) -> list[str]:
    """Every part of a family that lays lines out, on a section wide enough for two of them."""
    parts = {"grid": {"beam", "purlin"}, "joists": {"rafter"}, "trusses": {"beam"}}
    found = at.members.groupby("section_id")["part"].agg(set)
    bounds = shapely.bounds(at.turned(at.outline, np.arange(len(at.outline))))
    sides = np.column_stack([bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1]])
    framing = at.of_family(lambda family: family.framing)
    least = np.where(
        framing == "joists",
        at.rules.number("member.least_joist_section_ft"),
        at.rules.number("member.least_section_ft"),
    )
    broken = []
    for row, section in enumerate(at.sections["section_id"]):
        if framing[row] == "pitched":
            continue
        wanted = set()
        for part in parts.get(framing[row], set()):
            extent = sides[row][0 if part == "purlin" else 1]
            if (
                sides[row].min() >= least[row] + HAIR_FT
                and extent > at.sections[f"{part}_spacing_ft"].iloc[row] + 0.1
            ):
                wanted.add(part)
        has = found.get(section, set())
        if wanted - has or has - parts.get(framing[row], set()):
            broken.append(section)
    return broken


def walls_carry_as_their_family_says(at: Measured) -> list[str]:
    """Beams and purlins land on all walls square to them, joists and trusses on those across them."""
    walls = at.layer("walls")
    walls = walls[walls["kind_basis"].isin(["inferred", "assumed"]) & (walls["kind"] != "party")]
    row = walls["row"].to_numpy()
    framing = at.of_family(lambda family: family.framing)[row]
    axis = at.sections["framing_axis_deg"].to_numpy()[row]
    off = np.abs((walls["azimuth_deg"].to_numpy() - axis + 90.0) % 180.0 - 90.0)
    tolerance = at.rules.number("axis.along_tolerance_deg")
    along, across = off <= tolerance, off >= 90.0 - tolerance
    known = (at.sections["axis_basis"].to_numpy() != "doubtful")[row]
    # Which way the glazing of a sawtooth runs is no knowledge of its walls.
    ends = np.isin(framing, ["joists", "trusses"]) & (
        at.of_family(lambda family: family.shape)[row] != "sawtooth"
    )
    wanted = np.select(
        [known & (framing == "grid") & (along | across), known & ends & across, known & ends & along],
        ["bearing", "bearing", "nonbearing"],
        default="unknown",
    )
    # To a thousandth of a degree either answer is right.
    edge = np.minimum(np.abs(off - tolerance), np.abs(off - 90.0 + tolerance)) < 1e-3
    other = framing == "pitched"
    return _ids(walls, (wanted != walls["kind"].to_numpy()) & ~edge & ~other)


def _cuts_short(family: Family) -> bool:
    return bool({"small_opening", "between_joists"} & set(family.methods))


def _parallel(one: Any, other: Any) -> bool:
    (a, b), (c, d) = shapely.get_coordinates(one), shapely.get_coordinates(other)
    cross = (b[0] - a[0]) * (d[1] - c[1]) - (b[1] - a[1]) * (d[0] - c[0])
    return bool(abs(cross) < 0.02 * np.hypot(*(b - a)) * np.hypot(*(d - c)))


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
        what_is_named_reaches,
        no_ladder_is_used_twice,
        collapse_zones_surround_their_building,
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
        only_planned_roofs_of_known_axis_are_cut,
        ladders_only_where_a_plan_is,
        the_fire_spot_lies_on_the_planned_section,
        geometry_is_valid_and_plain,
        openings_are_made_as_their_family_allows,
        roofs_that_are_not_cut_are_left_alone,
        short_openings_are_short,
        cuts_along_joists_run_midway_between_two,
        cuts_are_counted,
        existing_openings_are_near_and_nearest,
        glazing_is_opened_on_its_line,
        paths_along_walls_lead_to_the_other_ladder,
        two_ladders_are_joined_by_a_path,
        paths_say_how_much_of_them_bears,
        methods_are_told_and_rejected_by_rule,
        trenches_run_as_their_family_allows,
        members_lie_as_their_family_says,
        members_are_there_where_the_family_has_them,
        walls_carry_as_their_family_says,
    )
}


def broken(at: Measured) -> dict[str, list[str]]:
    """The laws that do not hold, with the sections that break them."""
    found = {name: law(at) for name, law in LAWS.items()}
    return {name: ids for name, ids in found.items() if ids}
