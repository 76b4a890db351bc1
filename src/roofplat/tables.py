"""Every table that travels between the rooms: columns, types, units, allowed values.

In: a frame that a room made.
Out: the same frame with its columns checked, typed and put in order; or an empty one.

Geometry between rooms is in the district's working CRS. Lengths are ground feet (`_ft`),
azimuths are degrees clockwise from true north (`_deg`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pandera.pandas as pa
import pyarrow as arrow
import pyarrow.compute as compute
import shapely

__all__ = [
    "ATTRIBUTES",
    "BASES",
    "CAUTION",
    "CHANGE_KINDS",
    "CHANGE_TABLES",
    "DAY_TABLES",
    "RANKING_TABLES",
    "RECORD_FIELDS",
    "RECORD_TABLES",
    "TABLES",
    "Column",
    "Table",
    "among",
    "check_kinds",
    "checked_columns",
    "conform",
    "empty",
    "geometry_kinds",
    "join_problems",
    "problem_rows",
    "run_of",
    "sentences",
    "trusted",
    "with_geometry",
    "words",
]

_TRUSTED: ContextVar[bool] = ContextVar("trusted", default=False)
# Short lists of words are used again and again, most of them in every table of a plan.
_KEPT = 512

CAUTION = (
    "An aid for pre-incident planning and training. What is found on arrival, the department's "
    "procedures and the local code outrank it. A standing plan assumes its fire spot and wind; "
    "what is dashed or marked inferred or assumed has not been seen by anyone."
)
"""What every file, page and list of more than rows carries."""

# By shapely's numbers; the last, -1, is no geometry at all.
_KINDS = (
    "Point",
    "LineString",
    "LinearRing",
    "Polygon",
    "MultiPoint",
    "MultiLineString",
    "MultiPolygon",
    "GeometryCollection",
    "None",
)
# From the best known to the least: a lower position wins a conflict.
BASES = ("surveyed", "recorded", "drawn", "inferred", "assumed")
SEVERITIES = ("error", "warning", "info")
SIDES = ("A", "B", "C", "D")
WALL_KINDS = ("bearing", "nonbearing", "party", "unknown")
OBSTACLE_KINDS = (
    "unit",
    "skylight",
    "smoke_vent",
    "hatch",
    "solar",
    "suspended_load",
    "parapet",
    "overhead_line",
    "other",
)
GROUND_KINDS = ("water", "pool", "fence", "steep", "other")
ROOF_SHAPES = ("flat", "gabled", "hipped", "monopitch", "sawtooth", "arched", "other")
AXIS_BASES = (*BASES, "doubtful")
SCENARIO_BASES = ("given", "prevailing", "assumed")
METHODS = (
    "existing_opening",
    "fold_back",
    "center_rafter_louver",
    "joist_louver",
    "between_joists",
    "near_ridge",
    "small_opening",
    "glazing",
    "do_not_cut",
)
# What the members of a roof are called by the people who build and walk on it.
MEMBER_KINDS = (
    "beam",
    "purlin",
    "girder",
    "joist",
    "timber",
    "frame",
    "truss",
    "rafter",
    "tee",
    "glazing",
    "ridge",
    "hip",
    "valley",
)
CUT_KINDS = ("head_cut", "parallel_cut", "base_cut", "cross_cut")
APPARATUS = ("ground_ladder", "aerial", "out_of_reach")
INSPECTION_CLASSES = ("high", "moderate", "low")
CLASS_BASES = ("stated", "occupancy", "unknown")
DUE_STATES = ("overdue", "due", "never_inspected", "no_class")
# For which buildings the model code names an area of vents.
PRESCRIBED_BY = ("sprinklered", "unsprinklered", "unknown: unsprinklered taken")
# Whether the model code may ask for vents, as far as use and size say.
CODE_ASKS = ("may ask", "not by size or use", "unknown")
# Where the rates of a crew come from.
RATE_BASES = ("measured", "from memory")
# How the way from one visit to the next was measured.
TRAVEL_BASES = ("streets", "straight_line")
# What an outline of a new footprint layer is to those of the layer before.
LINEAGE_EVENTS = ("same", "changed", "split", "merged", "new", "gone")
DRAWN_LAYERS = ("sections", "fire_walls", "expansion_joints", "obstacles", "walls")
# What of a building can be another than before, in the order in which it is listed.
CHANGE_KINDS = (
    "building_new",
    "building_gone",
    "outline",
    "section_new",
    "section_gone",
    "roof_family",
    "framing_axis_deg",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "cut_method",
    "ladder_spot",
    "ladder_needed",
    "score",
    "rank",
)
LEFT_OUT_REASONS = ("must_does_not_fit", "out_of_reach", "hours_used_up", "not_a_candidate")

_DATE: Literal["datetime64[ms]"] = "datetime64[ms]"
Dtype = Literal["str", "category", "float64", "Int64", "boolean", "datetime64[ms]"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its pandas type, its unit, the values it may hold, what it means."""

    dtype: Dtype
    meaning: str
    unit: str = ""
    allowed: tuple[str, ...] = ()
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One table: the kind of geometry it carries and its columns in output order."""

    name: str
    geometry: tuple[str, ...]
    columns: Mapping[str, Column]


def _ids(*, section: bool = True) -> dict[str, Column]:
    ids = {"building_id": Column("str", "the building", required=True)}
    if section:
        ids["section_id"] = Column("str", "the roof section: building id and a number", required=True)
    return ids


# What a source may say of a building or of one of its sections. `survey` fields describe
# the roof itself; a record that carries one of them with basis `surveyed` is a roof survey.
ATTRIBUTES: Mapping[str, Column] = {
    "name": Column("str", "what the building is called"),
    "address": Column("str", "street address"),
    "occupancy": Column("str", "building-code group letter where known, else the source's words"),
    "year_built": Column("Int64", "year of construction", "year"),
    "storeys": Column("Int64", "storeys above ground"),
    "height_ft": Column("float64", "ground to roof edge, parapet not counted", "ft"),
    "sprinklered": Column("boolean", "automatic sprinklers throughout"),
    "roof_family": Column("str", "how the roof is built; families.toml lists the values"),
    "framing_axis_deg": Column("float64", "true azimuth of the beams, 0 to 180", "deg"),
    "beam_spacing_ft": Column("float64", "beam to beam", "ft"),
    "purlin_spacing_ft": Column("float64", "purlin to purlin", "ft"),
    "rafter_spacing_ft": Column("float64", "rafter to rafter", "ft"),
    "roof_shape": Column("str", "form of the roof", allowed=ROOF_SHAPES),
    "slope_deg": Column("float64", "roof slope from level", "deg"),
    "roof_height_ft": Column("float64", "rise of the roof from its eaves to its top", "ft"),
    "ridge_deg": Column("float64", "true azimuth of the ridge, 0 to 180", "deg"),
    "ridge_runs": Column(
        "str", "the ridge runs along or across the longer side", allowed=("along", "across")
    ),
    "downslope_deg": Column("float64", "true direction down the one slope of a monopitch roof", "deg"),
    "deck": Column("str", "what the deck is made of"),
    "panel_type": Column("str", "early_heavy or standard panels", allowed=("early_heavy", "standard")),
    "parapet_ft": Column("float64", "parapet above the roof edge", "ft"),
    "suspended_load": Column("boolean", "something heavy hangs from the roof"),
    "bearing_walls": Column(
        "str",
        "which walls carry the beams; given as all, or as side letters such as AC",
    ),
    "sounding_walk_deg": Column("float64", "true azimuth of a sounding walk along a bearing wall", "deg"),
    "sounding_spacing_ft": Column("float64", "spacing felt underfoot on that walk", "ft"),
    "inspected_on": Column("datetime64[ms]", "last fire-code inspection"),
    "inspection_class": Column(
        "str",
        "inspection class that the office has set; it outranks the occupancy",
        allowed=INSPECTION_CLASSES,
    ),
    "inspect_by": Column("datetime64[ms]", "date that the office has set for the next inspection"),
}

_BUILDINGS = Table(
    "buildings",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(section=False),
        "file_id": Column("str", "id in the footprint file, where it is another"),
        "name": ATTRIBUTES["name"],
        "address": ATTRIBUTES["address"],
        "occupancy": ATTRIBUTES["occupancy"],
        "year_built": ATTRIBUTES["year_built"],
        "storeys": ATTRIBUTES["storeys"],
        "height_ft": ATTRIBUTES["height_ft"],
        "height_basis": Column("str", "how the height is known", allowed=BASES),
        "sprinklered": ATTRIBUTES["sprinklered"],
        "area_ft2": Column("float64", "ground area of the outline", "ft2", required=True),
        "dispatch_area": Column("str", "the dispatch area that holds most of the building"),
        "roof_family": Column("str", "roof family, `unknown` when nobody knows", required=True),
        "family_basis": Column("str", "how the family is known", allowed=BASES),
        "p_lightweight": Column("float64", "chance that the roof is lightweight, 0 to 1", "share"),
        "stratum": Column("str", "region, period, occupancy group and size class; the odds are by these"),
        "odds": Column("str", "chances by roof family, likeliest first; empty where the family is surveyed"),
        "local_roofs": Column("Int64", "surveyed roofs of the same stratum behind the odds"),
        "surveyed_on": Column("datetime64[ms]", "latest roof survey; empty when nobody has looked"),
        "look_again": Column("str", "what was done to the roof since, with its month; latest first"),
        "inspected_on": ATTRIBUTES["inspected_on"],
        "inspection_class": ATTRIBUTES["inspection_class"],
        "inspect_by": ATTRIBUTES["inspect_by"],
        "alert": Column("str", "80 characters at most, for a premise note"),
    },
)

# What the inventory hands to framing: one row a section, with everything known of its roof.
_ROOFS = Table(
    "roofs",
    ("Polygon",),
    {
        **_ids(),
        "part": Column("Int64", "number of the section in its building, from 1", required=True),
        "area_ft2": Column("float64", "ground area of the section", "ft2", required=True),
        "undivided_ft2": Column("float64", "ground area within the same fire walls", "ft2", required=True),
        "building_occupancy": Column("str", "occupancy of the whole building"),
        "building_sprinklered": Column("boolean", "automatic sprinklers throughout the building"),
        **{
            name: column
            for field in (
                "roof_family",
                "framing_axis_deg",
                "beam_spacing_ft",
                "purlin_spacing_ft",
                "rafter_spacing_ft",
                "roof_shape",
                "slope_deg",
                "roof_height_ft",
                "ridge_deg",
                "ridge_runs",
                "downslope_deg",
                "deck",
                "panel_type",
                "parapet_ft",
                "suspended_load",
                "bearing_walls",
                "sounding_walk_deg",
                "sounding_spacing_ft",
                "height_ft",
                "storeys",
                "address",
            )
            for name, column in (
                (field, ATTRIBUTES[field]),
                (f"{field}_basis", Column("str", f"how {field} is known; empty with it", allowed=BASES)),
            )
        },
    },
)

_SECTIONS = Table(
    "sections",
    ("Polygon",),
    {
        **_ids(),
        "roof_family": _BUILDINGS.columns["roof_family"],
        "family_basis": _BUILDINGS.columns["family_basis"],
        "framing_axis_deg": ATTRIBUTES["framing_axis_deg"],
        "axis_basis": Column("str", "how the axis is known", allowed=AXIS_BASES),
        "axis_share": Column("float64", "share of the outline that runs along or across the axis", "share"),
        "beam_spacing_ft": ATTRIBUTES["beam_spacing_ft"],
        "purlin_spacing_ft": ATTRIBUTES["purlin_spacing_ft"],
        "rafter_spacing_ft": ATTRIBUTES["rafter_spacing_ft"],
        "spacing_basis": Column("str", "how the spacings are known; the weakest of the three", allowed=BASES),
        "rafter_count": Column("Int64", "rafters, joists or trusses counted over the section"),
        "roof_shape": ATTRIBUTES["roof_shape"],
        "shape_basis": Column("str", "how the form is known", allowed=BASES),
        "slope_deg": ATTRIBUTES["slope_deg"],
        "slope_basis": Column("str", "how the slope is known", allowed=BASES),
        "rise_ft": Column("float64", "eave to the top of the roof as planned", "ft"),
        "deck": ATTRIBUTES["deck"],
        "parapet_ft": ATTRIBUTES["parapet_ft"],
        "height_ft": ATTRIBUTES["height_ft"],
        "height_basis": _BUILDINGS.columns["height_basis"],
        "area_ft2": Column("float64", "ground area of the section", "ft2", required=True),
        "true_area_ft2": Column("float64", "area of the roof along its slopes", "ft2"),
        "planned": Column("boolean", "the section that holds the scenario's fire spot"),
        "fire_lon": Column("float64", "longitude of the scenario's fire spot, WGS 84", "deg"),
        "fire_lat": Column("float64", "latitude of the scenario's fire spot, WGS 84", "deg"),
        "fire_basis": Column("str", "given with the scenario, or assumed", allowed=SCENARIO_BASES),
        "wind_from_deg": Column("float64", "direction the scenario's wind comes from, true", "deg"),
        "wind_basis": Column("str", "given, prevailing, or assumed", allowed=SCENARIO_BASES),
        "cut_method": Column("str", "how to open it; empty where no cut is drawn", allowed=METHODS),
        "cut_method_why": Column("category", "why this method, or why no cut is drawn"),
        "methods_rejected": Column("category", "the other methods, and the rule that rejected each"),
    },
)

_WALLS = Table(
    "walls",
    ("LineString",),
    {
        **_ids(),
        "wall": Column("Int64", "number of the wall in its section, from 0"),
        "side": Column("str", "A is the address side, then clockwise; empty for a courtyard", allowed=SIDES),
        "kind": Column("str", "what the wall does", allowed=WALL_KINDS),
        "kind_basis": Column("str", "how the kind is known", allowed=BASES),
        "length_ft": Column("float64", "length", "ft"),
        "azimuth_deg": Column("float64", "direction of the wall, 0 to 360, building on the right", "deg"),
        "outward_deg": Column("float64", "direction away from the building", "deg"),
        "clear_ground_ft": Column("float64", "free ground straight out from the middle, capped", "ft"),
        "exposure_ft": Column(
            "float64", "nearest other building from this wall; empty when none is near", "ft"
        ),
    },
)

_PLANES = Table(
    "planes",
    ("Polygon",),
    {
        **_ids(),
        "plane": Column("Int64", "number of the plane in its section, from 1"),
        "downslope_deg": Column("float64", "true direction straight down the plane", "deg"),
        "slope_deg": ATTRIBUTES["slope_deg"],
        "area_ft2": Column("float64", "area seen from above", "ft2", required=True),
        "true_area_ft2": Column("float64", "area along the slope", "ft2", required=True),
        "basis": Column("str", "the weaker of form and slope", allowed=BASES),
    },
)

_MEMBERS = Table(
    "members",
    ("MultiLineString",),
    {
        **_ids(),
        "kind": Column("str", "what the members are", allowed=MEMBER_KINDS),
        "count": Column("Int64", "members of this kind in the section"),
        "spacing_ft": Column("float64", "centre to centre; empty for ridges, hips and valleys", "ft"),
        "basis": Column("str", "the weaker of axis basis and spacing basis", allowed=AXIS_BASES),
    },
)

_OBSTACLES = Table(
    "obstacles",
    ("Polygon", "LineString", "Point"),
    {
        "building_id": Column("str", "the building under it; empty for lines and yard objects"),
        "obstacle_id": Column("str", "layer and row that it comes from", required=True),
        "kind": Column("str", "what it is", allowed=OBSTACLE_KINDS),
        "voltage_kv": Column("float64", "line voltage; empty when unknown", "kV"),
        "height_ft": Column("float64", "height of a parapet above the roof edge; empty for others", "ft"),
        "basis": Column("str", "how it is known", allowed=BASES),
        "note": Column("str", "the source's words"),
    },
)

_GROUND = Table(
    "ground",
    ("Polygon", "LineString"),
    {
        "ground_id": Column("str", "layer and row that it comes from", required=True),
        "kind": Column("str", "why no base can stand there", allowed=GROUND_KINDS),
        "basis": Column("str", "how it is known", allowed=BASES),
        "note": Column("str", "the source's words"),
    },
)

_COLLAPSE_ZONES = Table(
    "collapse_zones",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(section=False),
        "distance_ft": Column("float64", "how far the zone reaches from the walls", "ft", required=True),
        "height_ft": Column("float64", "greatest height of the walls, parapet counted", "ft", required=True),
        "height_basis": _BUILDINGS.columns["height_basis"],
        "pushes_out": Column("boolean", "the roof family is known to push walls out", required=True),
        "rules": Column("category", "ids of the rules that put it there"),
        "why": Column("category", "the same as a sentence"),
    },
)

_SOLAR_ACCESS = Table(
    "solar_access",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(),
        "array": Column("Int64", "number of the array in its section, from 1"),
        "rule": Column("str", "id of the rule that is checked", required=True),
        "wanted_ft": Column("float64", "what the rule wants", "ft", required=True),
        "measured_ft": Column("float64", "what was measured", "ft"),
        "passes": Column("boolean", "whether the rule is met; empty where nobody can tell"),
        "basis": Column("str", "the weakest basis of what was measured", allowed=BASES),
        "message": Column("str", "one sentence", required=True),
    },
)

_LADDERS = Table(
    "ladders",
    ("LineString",),
    {
        **_ids(),
        "rank": Column("Int64", "1 is the first spot, 2 the second way off"),
        "wall": Column("Int64", "the wall it stands against"),
        "side": Column("str", "side letter of that wall", allowed=SIDES),
        "base_lon": Column("float64", "longitude of the base, WGS 84", "deg"),
        "base_lat": Column("float64", "latitude of the base, WGS 84", "deg"),
        "tip_lon": Column("float64", "longitude where the ladder crosses the roof edge", "deg"),
        "tip_lat": Column("float64", "latitude where the ladder crosses the roof edge", "deg"),
        "usng": Column("str", "US National Grid of the base, to 1 m"),
        "working_length_ft": Column("float64", "ground to tip support, along the ladder", "ft"),
        "ladder_ft": Column(
            "float64", "shortest ladder of the stock that reaches; empty when none does", "ft"
        ),
        "apparatus": Column("str", "how to get up there", allowed=APPARATUS),
        "base_setback_ft": Column("float64", "base to wall, along the ground", "ft"),
        "support_ft": Column("float64", "height to clear: roof edge and parapet", "ft"),
        "highest_ft": Column(
            "float64", "highest support that the apparatus named, or the best, reaches", "ft"
        ),
        "aerial_setback_ft": Column("float64", "street to the tip, along the ground; aerials only", "ft"),
        "in_collapse_zone": Column("boolean", "the base stands inside the collapse zone"),
        "height_basis": _BUILDINGS.columns["height_basis"],
        "score": Column("float64", "0 to 1, how well the spot meets the wishes", "share"),
        "rules": Column("category", "ids of the rules that put it there"),
        "reasons": Column("category", "the same as a sentence"),
    },
)

_PATHS = Table(
    "paths",
    ("LineString",),
    {
        **_ids(),
        "ladder_rank": Column("Int64", "the ladder the path starts from"),
        "length_ft": Column("float64", "length", "ft"),
        "share_on_bearing": Column("float64", "share of the length on walls, beams or purlins", "share"),
        "rules": Column("category", "ids of the rules that put it there"),
        "why": Column("category", "the same as a sentence"),
    },
)

_CHECKS = Table(
    "checks",
    ("LineString", "Point"),
    {
        **_ids(),
        "kind": Column("str", "what it is", allowed=("indicator_hole", "inspection_cut")),
        "seq": Column("Int64", "order from the ladder"),
        "cut_ft": Column("float64", "length of cut", "ft"),
        "rules": Column("category", "ids of the rules that put it there"),
        "why": Column("category", "the same as a sentence"),
    },
)

_OPENINGS = Table(
    "openings",
    ("Polygon",),
    {
        **_ids(),
        "seq": Column("Int64", "order of opening, 1 first"),
        "method": Column("str", "how it is opened", allowed=METHODS),
        "parts": Column("Int64", "panels folded or louvers turned"),
        "length_ft": Column("float64", "across the rafters or joists", "ft"),
        "width_ft": Column("float64", "along them, up the slope where there is one", "ft"),
        "area_ft2": Column("float64", "area of the opening, along the slope", "ft2"),
        "wanted_ft2": Column("float64", "area wanted for the section", "ft2"),
        "placed_ft2": Column("float64", "area of all openings placed in the section", "ft2"),
        "short_ft2": Column("float64", "area wanted but not placed", "ft2"),
        "finish_toward_deg": Column("float64", "true direction in which the cuts advance", "deg"),
        "push_side": Column("str", "the edge pushed down, as a compass point; louvers only"),
        "usng": Column("str", "US National Grid of the centre, to 1 m"),
        "rules": Column("category", "ids of the rules that put it there"),
        "why": Column("category", "the same as a sentence"),
    },
)

_CUTS = Table(
    "cuts",
    ("MultiLineString",),
    {
        **_ids(),
        "feature": Column("str", "opening or trench it belongs to", allowed=("opening", "trench")),
        "feature_seq": Column("Int64", "number of that opening or trench"),
        "seq": Column("Int64", "order of the cut in its opening or trench"),
        "kind": Column("str", "which cut", allowed=CUT_KINDS),
        "count": Column("Int64", "cuts in this step, in the order of its lines"),
        "saw": Column("Int64", "1 or 2"),
        "cut_ft": Column("float64", "length of all cuts of the step", "ft"),
    },
)

_TRENCHES = Table(
    "trenches",
    ("Polygon",),
    {
        **_ids(),
        "method": Column(
            "str", "along a beam or along a purlin", allowed=("with_construction", "against_construction")
        ),
        "width_ft": Column("float64", "width of the strip", "ft"),
        "length_ft": Column("float64", "wall to wall", "ft"),
        "start_wall": Column("Int64", "the wall it starts at"),
        "from_fire_ft": Column("float64", "nearest edge of the strip to the fire spot", "ft"),
        "saves_deg": Column("float64", "true direction of the part to be saved", "deg"),
        "usng": Column("str", "US National Grid of the start, to 1 m"),
        "rules": Column("category", "ids of the rules that put it there"),
        "why": Column("category", "the same as a sentence"),
    },
)

_VENTING = Table(
    "venting",
    (),
    {
        **_ids(),
        "planned": Column("boolean", "the section that holds the scenario's fire spot, which is opened"),
        "height_ft": Column(
            "float64", "floor to roof of the top storey: the roof edge over the storeys", "ft"
        ),
        "height_basis": _BUILDINGS.columns["height_basis"],
        "sprinklered": ATTRIBUTES["sprinklered"],
        "wanted_ft2": Column("float64", "area of opening by the rule: a share of the roof", "ft2"),
        "flow_ft2": Column("float64", "area that holds the clear height; empty outside the range", "ft2"),
        "flow_outside": Column("category", "the range that is left, as a sentence; empty within it"),
        "fire_kw": Column("float64", "heat of the design fire", "kW"),
        "fire_area_ft2": Column("float64", "area of the design fire", "ft2"),
        "clear_ft": Column("float64", "clear height wanted under the smoke, above the floor", "ft"),
        "inlet_ft2": Column("float64", "area through which fresh air is taken to come in", "ft2"),
        "inlet_least_ft2": Column(
            "float64", "smallest such area with which an opening can hold the clear height", "ft2"
        ),
        "clear_planned_ft": Column(
            "float64", "clear height that the planned and the existing openings give together", "ft"
        ),
        "clear_outside": Column("category", "the range that this leaves, as a sentence; empty within it"),
        "largest_single_ft2": Column("float64", "largest one opening that draws no air from below", "ft2"),
        "least_openings": Column("Int64", "least number of openings that the area is divided among"),
        "planned_ft2": Column("float64", "area of the cuts that are planned", "ft2"),
        "glazing_ft2": Column("float64", "area of the glazing that is planned to be opened", "ft2"),
        "existing_ft2": Column("float64", "area of skylights, smoke vents and hatches on the section", "ft2"),
        "existing_count": Column("Int64", "skylights, smoke vents and hatches on the section"),
        "existing_unsized": Column("Int64", "those of them without a size, which count with no area"),
        "prescribed_ft2": Column("float64", "area of vents that the model code names", "ft2"),
        "prescribed_by": Column("str", "for which buildings the code names it", allowed=PRESCRIBED_BY),
        "vents_short_ft2": Column("float64", "that area less the existing one, where it is more", "ft2"),
        "code_asks": Column("str", "whether the code may ask for vents; no verdict", allowed=CODE_ASKS),
        "saw_ft": Column("float64", "length of all cuts of the openings", "ft"),
        "saw_1_ft": Column("float64", "the part of saw 1", "ft"),
        "saw_2_ft": Column("float64", "the part of saw 2", "ft"),
        "head_cut_ft": Column("float64", "the head cuts", "ft"),
        "parallel_cut_ft": Column("float64", "the parallel cuts", "ft"),
        "base_cut_ft": Column("float64", "the base cuts", "ft"),
        "check_saw_ft": Column("float64", "length of the inspection cut and the indicator holes", "ft"),
        "trench_saw_ft": Column("float64", "length of all cuts of the trench", "ft"),
        "cross_cut_ft": Column("float64", "the cross cuts of the trench, part of its length", "ft"),
        "parts": Column("Int64", "panels or louvers of the cut openings to pull or turn"),
        "walk_ft": Column(
            "float64", "from the first ladder to the first opening and on from one to the next", "ft"
        ),
        "crew_share": Column(
            "float64", "share of the wanted area that the stated crew cuts open in one spell", "share"
        ),
        "rate_basis": Column("str", "where the crew's rates come from", allowed=RATE_BASES),
        "work_minutes": Column(
            "float64", "time for all cut openings at the measured rate; empty without one", "min"
        ),
        "windward_openings": Column("Int64", "openings of the plan on a slope that faces the wind"),
        "cutting_reaches": Column(
            "boolean", "the openings of the plan are as large as rule or flow wants; empty where none is cut"
        ),
        "says": Column("category", "what to plan where they are not, as a sentence; else empty"),
    },
)

_PROBLEMS = Table(
    "problems",
    (),
    {
        "layer": Column("str", "file and layer, or the room that found it", required=True),
        "feature": Column("str", "id or row number in that layer"),
        "code": Column("str", "what is wrong, as a word", required=True),
        "severity": Column("str", "how bad", allowed=SEVERITIES, required=True),
        "message": Column("str", "one sentence", required=True),
        "action": Column("str", "what to do", required=True),
    },
)

_FACTS = Table(
    "facts",
    (),
    {
        "building_id": Column("str", "the building", required=True),
        "field": Column("str", "one of the attributes", required=True),
        "value": Column("str", "the value as text", required=True),
        "basis": Column("str", "how it is known", allowed=BASES, required=True),
        "date": Column("datetime64[ms]", "when it was seen or recorded"),
        "source": Column("str", "the source's name in the district file", required=True),
        "current": Column("boolean", "the value in force", required=True),
    },
)

# What is said of one section and of no other; no fact of the building.
_SECTION_FACTS = Table("section_facts", (), {**_ids(), **_FACTS.columns})

_FAMILY_ODDS = Table(
    "family_odds",
    (),
    {
        "stratum": _BUILDINGS.columns["stratum"],
        "region": Column("str", "region of the district, or unknown", required=True),
        "period": Column("str", "when it was built, or unknown", required=True),
        "occupancy": Column("str", "occupancy group, or unknown", required=True),
        "size_class": Column("str", "ground area, or unknown", required=True),
        "roof_family": Column("str", "a roof family", required=True),
        "prior": Column("float64", "share before any survey, from the handbook", "share", required=True),
        "prior_count": Column("float64", "how many roofs that counts for", "roofs", required=True),
        "surveyed": Column("Int64", "surveyed roofs of this family in the stratum", "roofs", required=True),
        "chance": Column("float64", "chance that an unknown roof is of this family", "share", required=True),
        "low": Column("float64", "lower end of the interval of the chance", "share", required=True),
        "high": Column("float64", "upper end of the interval of the chance", "share", required=True),
    },
)

# The factors of the score, each from 0 to 1, and how each is worked out: formula and ids of its rules.
RANKING_FORMULAS: Mapping[str, str] = {
    "lightweight": "p_lightweight: the chances of the lightweight families, added up",
    "severity": "chance of each roof family times family.FAMILY.severity, added up",
    "life_hazard": "ranking.life_hazard.LETTER by the occupancy group, or ranking.life_hazard.unknown",
    "unsprinklered": "1 without sprinklers, 0 with; ranking.unknown_sprinklers where nobody says",
    "undivided_area": "largest ground area within the same fire walls / ranking.area_full_ft2, at most 1",
    "roof_load": "share of the roof under units and solar / ranking.roof_load_full_share, at most 1; "
    "1 where anything hangs from the roof",
    "poor_access": "share of the outer walls, party walls included, without ranking.access_clear_ft of clear "
    "ground; 1 without a ladder spot in reach",
    "stale_information": "years since the last roof survey / ranking.stale_full_years, at most 1; "
    "1 where there was none, or the roof was changed since",
}
RANKING_FACTORS = tuple(RANKING_FORMULAS)

_RANKING = Table(
    "ranking",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(section=False),
        "name": ATTRIBUTES["name"],
        "address": ATTRIBUTES["address"],
        "dispatch_area": _BUILDINGS.columns["dispatch_area"],
        "roof_family": _BUILDINGS.columns["roof_family"],
        "family_basis": _BUILDINGS.columns["family_basis"],
        "p_lightweight": _BUILDINGS.columns["p_lightweight"],
        "score": Column("float64", "weighted sum of the factors, 0 to 1", "share"),
        "rank": Column("Int64", "1 is visited first; ties by building id"),
        "rank_low": Column("Int64", "best rank that the interval holds"),
        "rank_high": Column("Int64", "worst rank that the interval holds"),
        "reasons": Column("str", "the three largest contributions"),
        "class": Column(
            "str",
            "inspection class, stated or by occupancy; the score does not change it",
            allowed=(*INSPECTION_CLASSES, "unknown"),
        ),
        "class_basis": Column("str", "where the class comes from", allowed=CLASS_BASES),
        "inspected_on": ATTRIBUTES["inspected_on"],
        "next_due": Column("datetime64[ms]", "date set by the office, else last inspection plus the cycle"),
        "due_state": Column("str", "`due` is not yet overdue", allowed=DUE_STATES),
        "overdue_days": Column("Int64", "days since it was due; empty unless overdue", "day"),
        **{
            name: Column("float64", f"factor, 0 to 1: {formula}", "share")
            for name, formula in RANKING_FORMULAS.items()
        },
        **{
            f"part_{name}": Column(
                "float64",
                f"share of ranking.weight.{name} times {name}; the parts add up to the score",
                "share",
            )
            for name in RANKING_FACTORS
        },
        "unknown_facts": Column("str", "facts that nobody has stated, behind factors that are assumed"),
    },
)

_SURVEY_NEXT = Table(
    "survey_next",
    (),
    {
        "building_id": Column("str", "a building whose roof nobody has surveyed as it is now", required=True),
        "name": ATTRIBUTES["name"],
        "address": ATTRIBUTES["address"],
        "dispatch_area": _BUILDINGS.columns["dispatch_area"],
        "order": Column("Int64", "1 is surveyed first; ties by building id"),
        "rank": _RANKING.columns["rank"],
        "rank_low": _RANKING.columns["rank_low"],
        "rank_high": _RANKING.columns["rank_high"],
        "worth": Column("float64", "expected gain in score of the office's list from a survey", "share"),
        "chance_of_change": Column(
            "float64", "chance that a survey puts it on the office's list, or takes it off", "share"
        ),
        "places": Column("float64", "ranks that a survey is expected to move it, up or down", "place"),
        "reason": Column("str", "one sentence"),
    },
)

# What is known of a building by itself, one narrow row each: all that the whole district is ranked by.
_MEASURED = Table(
    "measured",
    (),
    {
        **_ids(section=False),
        **{
            name: _BUILDINGS.columns[name]
            for name in (
                "name",
                "address",
                "dispatch_area",
                "occupancy",
                "year_built",
                "storeys",
                "sprinklered",
                "area_ft2",
                "roof_family",
                "family_basis",
                "surveyed_on",
                "look_again",
                "inspected_on",
                "inspection_class",
                "inspect_by",
            )
        },
        "forms": Column("Int64", "bits of the forms that its sections are said to have"),
        "undivided_ft2": Column("float64", "largest ground area within the same fire walls", "ft2"),
        "covered_share": Column("float64", "share of the roof under units and solar", "share"),
        "load_hangs": Column("boolean", "something heavy hangs from the roof"),
        "clear_share": Column("float64", "share of the outer walls' length with clear ground", "share"),
        "ladder_reaches": Column("boolean", "a ladder spot is in reach"),
        "trust_known": Column("Int64", "bits of the bases other than a survey on which its family is known"),
        "trust_agrees": Column("Int64", "bits of those that agree with the survey"),
    },
)

# The ranking without outlines, as it is made for a whole district at once.
_RANKED = Table("ranked", (), _RANKING.columns)

_VISITS = Table(
    "visits",
    (),
    {
        "day": Column("datetime64[ms]", "the working day", required=True),
        "inspector": Column("Int64", "who goes, from 1", required=True),
        "seq": Column("Int64", "order of the visit in the inspector's day, from 1", required=True),
        **_ids(section=False),
        "name": ATTRIBUTES["name"],
        "address": ATTRIBUTES["address"],
        "dispatch_area": _BUILDINGS.columns["dispatch_area"],
        "arrive_min": Column("float64", "planned arrival, counted from midnight", "min"),
        "leave_min": Column("float64", "planned end of the visit, counted from midnight", "min"),
        "travel_min": Column("float64", "time from the place before, the walk to the door included", "min"),
        "travel_ft": Column("float64", "way from the place before", "ft"),
        "travel_basis": Column("str", "how that way was measured", allowed=TRAVEL_BASES),
        "visit_min": Column("float64", "planned length of the visit", "min"),
        "value": Column("float64", "what the visit counts in the choice", "point"),
        "rank": _RANKING.columns["rank"],
        "class": _RANKING.columns["class"],
        "next_due": _RANKING.columns["next_due"],
        "due_state": Column("str", "the inspection as of the first planned day", allowed=DUE_STATES),
        "must": Column("boolean", "asked for by id, whatever it is worth"),
        "why": Column("str", "why this building, and why on this day"),
    },
)

_LEFT_OUT = Table(
    "left_out",
    (),
    {
        **_ids(section=False),
        "name": ATTRIBUTES["name"],
        "rank": _RANKING.columns["rank"],
        "value": _VISITS.columns["value"],
        "next_due": _RANKING.columns["next_due"],
        "due_state": _VISITS.columns["due_state"],
        "must": _VISITS.columns["must"],
        "reason": Column("str", "why it is not planned, as a word", allowed=LEFT_OUT_REASONS, required=True),
        "why": Column("str", "the same as a sentence", required=True),
    },
)

_ROUTES = Table(
    "routes",
    ("LineString", "MultiLineString"),
    {
        "day": _VISITS.columns["day"],
        "inspector": _VISITS.columns["inspector"],
        "visits": Column("Int64", "visits of the inspector's day"),
        "out_min": Column("float64", "when it leaves the start, counted from midnight", "min"),
        "back_min": Column("float64", "when it is back at the start, counted from midnight", "min"),
        "travel_min": Column("float64", "time on the way, the way back included", "min"),
        "visit_min": Column("float64", "time spent in visits", "min"),
        "length_ft": Column("float64", "the whole way, from the start and back to it", "ft"),
        "basis": Column("str", "how it was measured; the weaker of its parts", allowed=TRAVEL_BASES),
        "value": _VISITS.columns["value"],
    },
)

# What the record may say of a building beside `ATTRIBUTES`.
RECORD_FIELDS: Mapping[str, Column] = {
    "look_again": Column("str", "why the roof has to be looked at again"),
    "gone": Column("boolean", "the building is demolished"),
}

_OBSERVATIONS = Table(
    "observations",
    (),
    {
        "number": Column("Int64", "number in the log, from 1; later rows have higher ones"),
        **_ids(section=False),
        "section_id": Column("str", "the roof section; empty where the whole building is meant"),
        "field": Column("str", "what is said", allowed=(*ATTRIBUTES, *RECORD_FIELDS), required=True),
        "value": Column("str", "the value as text", required=True),
        "unit": Column("str", "unit of the value; the field's own"),
        "basis": Column("str", "how it is known", allowed=BASES, required=True),
        "who": Column("str", "who saw or stated it"),
        "seen_on": Column("datetime64[ms]", "day on which it was seen or stated"),
        "logged_at": Column("str", "when it was taken into the record, UTC"),
        "file": Column("str", "name of the file it came in"),
        "batch": Column("str", "SHA-256 sum of that file"),
        "note": Column("str", "the words of who saw it"),
    },
)

_CURRENT = Table(
    "current",
    (),
    {
        **{
            name: _OBSERVATIONS.columns[name]
            for name in (
                "building_id",
                "section_id",
                "field",
                "value",
                "unit",
                "basis",
                "who",
                "seen_on",
                "logged_at",
                "file",
            )
        },
        "number": Column("Int64", "number of the observation in force; empty while it is not logged"),
    },
)

_OUTLINES = Table(
    "outlines",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(section=False),
        "release": Column("str", "the footprint layer that the outline comes from", required=True),
        "from_date": Column("datetime64[ms]", "day from which the outline holds", required=True),
        "to_date": Column("datetime64[ms]", "day from which it no longer does; empty while it stands"),
    },
)

_LINEAGE = Table(
    "lineage",
    (),
    {
        "number": Column("Int64", "number in the log, from 1"),
        "release": _OUTLINES.columns["release"],
        "event": Column(
            "str", "what became of the building in that layer", allowed=LINEAGE_EVENTS, required=True
        ),
        "old_id": Column("str", "id before; empty for a new building"),
        "new_id": Column("str", "id after; empty for a building that is gone"),
        "share": Column("float64", "how much of the outlines overlaps", "share"),
        "logged_at": _OBSERVATIONS.columns["logged_at"],
    },
)

_DRAWN = Table(
    "drawn",
    _KINDS[:-1],
    {
        "number": Column("Int64", "number in the log, from 1"),
        "layer": Column("str", "what was drawn", allowed=DRAWN_LAYERS, required=True),
        "building_id": Column("str", "the building; empty where the drawing does not say"),
        "properties": Column("str", "what the drawing says beside its shape, as JSON", required=True),
        **{
            name: _OBSERVATIONS.columns[name]
            for name in ("basis", "who", "seen_on", "logged_at", "file", "batch", "note")
        },
        "replaces": Column("Int64", "number of the drawing that it takes the place of"),
    },
)

_CHANGES = Table(
    "changes",
    ("Polygon", "MultiPolygon"),
    {
        **_ids(section=False),
        "section_id": Column("str", "the roof section; empty where the whole building is meant"),
        "name": ATTRIBUTES["name"],
        "address": ATTRIBUTES["address"],
        "dispatch_area": _BUILDINGS.columns["dispatch_area"],
        "what": Column("str", "what is not as it was", allowed=CHANGE_KINDS, required=True),
        "spot": Column("Int64", "1 is the first ladder spot, 2 the second way off; of ladders alone"),
        "before": Column("str", "what it was, as text; empty where there was nothing"),
        "before_basis": Column("str", "how that was known", allowed=AXIS_BASES),
        "after": Column("str", "what it is now, as text; empty where there is nothing"),
        "after_basis": Column("str", "how that is known", allowed=AXIS_BASES),
        "by": Column("float64", "after less before; of ladder spots and outlines how far they moved"),
        "unit": Column("str", "unit of that figure"),
        "why": Column("str", "what moved it, where the tables say so"),
    },
)

_LADDER_MOVES = Table(
    "ladder_moves",
    ("LineString",),
    {
        **_ids(),
        "spot": _CHANGES.columns["spot"],
        "moved_ft": Column("float64", "from the base before to the base after, on the ground", "ft"),
    },
)

TABLES: Mapping[str, Table] = {
    table.name: table
    for table in (
        _BUILDINGS,
        _ROOFS,
        _SECTIONS,
        _WALLS,
        _PLANES,
        _MEMBERS,
        _OBSTACLES,
        _GROUND,
        _COLLAPSE_ZONES,
        _LADDERS,
        _PATHS,
        _CHECKS,
        _OPENINGS,
        _CUTS,
        _TRENCHES,
        _VENTING,
        _SOLAR_ACCESS,
        _PROBLEMS,
        _FACTS,
        _SECTION_FACTS,
        _FAMILY_ODDS,
        _RANKING,
        _SURVEY_NEXT,
    )
}
# What a ranking goes through on its way; no build writes them for people.
RANKING_TABLES: Mapping[str, Table] = {table.name: table for table in (_MEASURED, _RANKED)}
# What a plan of inspection days is made of; no build writes them.
DAY_TABLES: Mapping[str, Table] = {table.name: table for table in (_VISITS, _LEFT_OUT, _ROUTES)}
# What the record of surveys is made of: a file of its own, which no build writes.
RECORD_TABLES: Mapping[str, Table] = {
    table.name: table for table in (_OBSERVATIONS, _OUTLINES, _LINEAGE, _DRAWN, _CURRENT)
}
# What a comparison of two states is made of; no build writes them.
CHANGE_TABLES: Mapping[str, Table] = {table.name: table for table in (_CHANGES, _LADDER_MOVES)}
_ALL_TABLES: Mapping[str, Table] = {
    **TABLES,
    **RANKING_TABLES,
    **DAY_TABLES,
    **RECORD_TABLES,
    **CHANGE_TABLES,
}


@contextmanager
def trusted() -> Iterator[None]:
    """Type the tables made inside, and check none of them.

    For rows whose like a build has checked already, where the check would take longer than the work.
    """
    token = _TRUSTED.set(True)
    try:
        yield
    finally:
        _TRUSTED.reset(token)


def conform(
    name: str,
    frame: pd.DataFrame | Mapping[str, Any],
    *,
    geometry: np.ndarray[Any, Any] | None = None,
    crs: object = None,
) -> Any:
    """Check a frame against its table, type its columns and put them in order.

    Parameters
    ----------
    name
        A key of `TABLES`, `RANKING_TABLES`, `DAY_TABLES`, `RECORD_TABLES` or `CHANGE_TABLES`.
    frame
        Frame with at least the table's columns, or such columns as arrays, shape (n,) each; other columns
        are dropped.
    geometry, crs
        The table's geometry, shape (n,), where the frame does not carry it.

    Returns
    -------
    DataFrame or GeoDataFrame
        A new frame with the table's columns in order, a RangeIndex, and `geometry` last
        where the table has one.

    Raises
    ------
    pandera.errors.SchemaErrors
        A room made a frame that breaks its own contract: a defect, not a user's error.

    Examples
    --------
    >>> len(conform("problems", problem_rows("streets", ["7"], "empty", "warning", "No name.", "Name it.")))
    1
    """
    if isinstance(frame, pd.DataFrame):
        series = {
            key: _typed(frame[key].reset_index(drop=True), column.dtype)
            for key, column in _ALL_TABLES[name].columns.items()
        }
        _check(name, series)
        plain = pd.DataFrame(series, copy=False)
    else:
        columns = checked_columns(name, frame)
        if geometry is not None and _ALL_TABLES[name].geometry:
            if not _TRUSTED.get():
                check_kinds(name, geometry_kinds(np.asarray(geometry)))
            return with_geometry(columns, geometry, crs)
        plain = pd.DataFrame(columns, copy=False)
    if not _ALL_TABLES[name].geometry:
        return plain
    shapes: Any = geometry
    if geometry is None:
        layer = gpd.GeoDataFrame(frame, geometry="geometry", copy=False).geometry
        shapes, crs = layer.array, layer.crs
    check_kinds(name, geometry_kinds(np.asarray(shapes)))
    return gpd.GeoDataFrame(plain, geometry=shapes, crs=crs, copy=False)


def checked_columns(name: str, columns: Mapping[str, Any]) -> dict[str, Any]:
    """The columns of a table typed, in order and checked: `conform` without the geometry.

    Parameters
    ----------
    name
        A key of `TABLES`, `DAY_TABLES`, `RECORD_TABLES` or `CHANGE_TABLES`.
    columns
        At least the table's columns, as arrays of shape (n,); other columns are dropped.

    Returns
    -------
    dict
        An array for each column of the table, shape (n,).

    Raises
    ------
    pandera.errors.SchemaErrors
        As `conform` does.

    Examples
    --------
    >>> columns = {"building_id": ["b1"], "section_id": ["b1-1"], "spot": [1], "moved_ft": [5]}
    >>> arrays = {key: np.array(values) for key, values in columns.items()}
    >>> checked_columns("ladder_moves", arrays)["moved_ft"].tolist()
    [5.0]
    """
    typed = {
        key: _plain(values.array if isinstance(values, pd.Series) else values)
        if str((values := columns[key]).dtype) == column.dtype
        else _typed_array(values, column.dtype)
        for key, column in _ALL_TABLES[name].columns.items()
    }
    _check(name, typed)
    return typed


def geometry_kinds(geometry: np.ndarray[Any, Any]) -> set[str]:
    """Kinds of geometry that occur; `None` where some are missing.

    Examples
    --------
    >>> geometry_kinds(np.array([shapely.Point(1, 2)]))
    {'Point'}
    """
    return {_KINDS[number] for number in np.unique(shapely.get_type_id(geometry))}


def check_kinds(name: str, kinds: Set[str]) -> None:
    """Refuse kinds of geometry that a table does not hold.

    Examples
    --------
    >>> check_kinds("paths", {"LineString"})
    """
    allowed = _ALL_TABLES[name].geometry
    if kinds - set(allowed):
        raise TypeError(f"Table {name} holds {sorted(kinds)}, allowed is {allowed}.")


def _check(name: str, typed: Mapping[str, Any]) -> None:
    """Refuse typed columns that break their table's contract."""
    wanted = _ALL_TABLES[name].columns
    if _TRUSTED.get() or all(_is_sound(typed[key], column) for key, column in wanted.items()):
        return
    # The schema names every fault, but looks longer at a large table than it took to make.
    _schema(name).validate(pd.DataFrame(typed, copy=False), lazy=True)


def _is_sound(values: Any, column: Column) -> bool:
    """Whether a typed column holds what its table allows."""
    if column.dtype not in (_DATE, "category") and str(values.dtype) != column.dtype:
        return False
    if not (column.required or column.allowed):
        return True
    if column.dtype != "str":
        return not (column.required and pd.isna(values).any())
    # Text is kept in Arrow arrays, which count missing values and compare words without making any.
    text = arrow.array(values)
    if column.required and text.null_count:
        return False
    if not column.allowed:
        return True
    known = compute.is_in(text, _kept_allowed(column.allowed))
    return bool(compute.all(known, min_count=0).as_py())


def with_geometry(
    columns: Mapping[str, Any], geometry: np.ndarray[Any, Any], crs: object
) -> gpd.GeoDataFrame:
    """Columns and geometry as a frame, without the search for geometry that takes ten times as long.

    Parameters
    ----------
    columns
        Arrays typed as their table wants them, shape (n,) each.
    geometry
        Shapes, shape (n,).
    crs
        Their CRS.

    Returns
    -------
    GeoDataFrame
        n rows, `geometry` last.

    Examples
    --------
    >>> with_geometry({"name": words(["Elm"], np.array([0]))}, np.array([shapely.Point(1, 2)]), None).shape
    (1, 2)
    """
    shapes = gpd.array.GeometryArray(np.asarray(geometry, dtype=object), crs=crs)
    # What pandas does with a dictionary of arrays, without looking at each of them five times.
    make: Any = pd.DataFrame._from_arrays  # type: ignore[attr-defined]
    frame: Any = make(
        [*columns.values(), shapes],
        columns=_kept_names((*columns, "geometry")),
        index=pd.RangeIndex(len(shapes)),
        verify_integrity=False,
    )
    frame.__class__ = gpd.GeoDataFrame
    frame._geometry_column_name = "geometry"
    result: gpd.GeoDataFrame = frame
    return result


def among(texts: Any, names: Any) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which texts of a column are among some names; many times quicker than `isin` for many names.

    Parameters
    ----------
    texts
        A column, an index, or an array of texts, shape (n,); what is missing is among none.
    names
        Such a column as well, or any collection of texts.

    Returns
    -------
    ndarray of bool
        Shape (n,).

    Examples
    --------
    >>> among(pd.Series(["Elm", None, "Oak"], dtype="str"), {"Oak", "Ash"}).tolist()
    [False, False, True]
    """
    known = compute.is_in(_texts(texts), value_set=_texts(names), skip_nulls=True)
    return np.array(known, dtype=bool)


def _texts(values: Any) -> Any:
    """Texts as one array of Arrow."""
    if isinstance(values, (pd.Series, pd.Index)):
        values = values.array
    elif not isinstance(values, np.ndarray):
        values = list(values)
    cells = arrow.array(values, arrow.large_string(), from_pandas=True)
    return cells.combine_chunks() if isinstance(cells, arrow.ChunkedArray) else cells


def run_of(frame: Any, start: int, stop: int) -> Any:
    """Rows of a frame that lie together, counted from 0 again; several times cheaper than by a mask.

    Examples
    --------
    >>> rows = run_of(pd.DataFrame({"name": ["Elm", "Oak", "Ash"]}), 1, 3)
    >>> rows["name"].tolist(), rows.index.tolist()
    (['Oak', 'Ash'], [0, 1])
    """
    part = frame.iloc[start:stop]
    part.index = pd.RangeIndex(len(part))
    return part


def _typed_array(values: Any, dtype: Dtype) -> Any:
    """The same for an array; whole numbers and yes or no are only wrapped."""
    kind = values.dtype.kind if isinstance(values, np.ndarray) else ""
    if dtype == "boolean" and kind == "b":
        return pd.arrays.BooleanArray(values, np.zeros(values.shape, dtype=bool))
    if dtype == "Int64" and kind == "i":
        return pd.arrays.IntegerArray(values.astype(np.int64), np.zeros(values.shape, dtype=bool))
    return _plain(_typed(pd.Series(values), dtype).array)


def _plain(values: Any) -> Any:
    """An array without pandas' wrapping of numpy's."""
    return values.to_numpy() if isinstance(values, pd.arrays.NumpyExtensionArray) else values


def _typed(values: pd.Series, dtype: Dtype) -> pd.Series:
    """A column as its table wants it; one that already is stays as it is."""
    if str(values.dtype) == dtype:
        return values
    try:
        if dtype != "float64":
            return values.astype(dtype)
        # A column of nothing but missing values arrives as objects.
        nullable = values.astype("Float64") if values.dtype == object else values
        return pd.Series(nullable.to_numpy(dtype=float, na_value=np.nan), index=values.index)
    except (ValueError, TypeError):
        # The schema names what cannot be.
        return values


def empty(name: str, crs: object = None) -> Any:
    """Return a table with no rows.

    Examples
    --------
    >>> list(empty("paths", "EPSG:32613").columns)[:3]
    ['building_id', 'section_id', 'ladder_rank']
    """
    frame = _no_rows(name)
    if not _ALL_TABLES[name].geometry:
        return frame.copy()
    return with_geometry({str(key): frame[key].array for key in frame}, np.empty(0, dtype=object), crs)


@cache
def _no_rows(name: str) -> pd.DataFrame:
    """The columns of a table with no rows; a tile asks for most tables several times."""
    columns = _ALL_TABLES[name].columns
    return pd.DataFrame({key: pd.Series([], dtype=column.dtype) for key, column in columns.items()})


def sentences(vocabulary: Sequence[str], codes: np.ndarray[Any, Any]) -> pd.Categorical:
    """A column of long texts of which only a few differ, each kept once.

    Parameters
    ----------
    vocabulary
        The texts, no two alike.
    codes
        Index of each row's text, shape (n,); -1 is a missing value.

    Returns
    -------
    pandas.Categorical
        Shape (n,).
    """
    return pd.Categorical.from_codes(codes, dtype=_kept_texts(tuple(vocabulary)))


def words(vocabulary: Sequence[str | None], codes: np.ndarray[Any, Any]) -> Any:
    """A text column from a few different words.

    Parameters
    ----------
    vocabulary
        The words; None is a missing value.
    codes
        Index of each row's word, shape (n,); -1 is a missing value.

    Returns
    -------
    ExtensionArray of str
        Shape (n,). Far cheaper than turning n Python objects into text.

    Examples
    --------
    >>> words(["beam", "purlin"], np.array([1, 0, 1])).tolist()
    ['purlin', 'beam', 'purlin']
    """
    return _kept_words(tuple(vocabulary)).take(codes)


@lru_cache(maxsize=_KEPT)
def _kept_texts(vocabulary: tuple[str, ...]) -> pd.CategoricalDtype:
    return pd.CategoricalDtype(pd.Index(vocabulary, dtype="str"))


@lru_cache(maxsize=_KEPT)
def _kept_allowed(words: tuple[str, ...]) -> Any:
    return arrow.array([*words, None], arrow.large_string())


@lru_cache(maxsize=_KEPT)
def _kept_names(names: tuple[str, ...]) -> Any:
    return pd.Index(names, dtype="str")


@lru_cache(maxsize=_KEPT)
def _kept_words(vocabulary: tuple[str | None, ...]) -> Any:
    return pd.array([*vocabulary, None], dtype="str")


def problem_rows(
    layer: str,
    features: Sequence[object] | np.ndarray[Any, Any] | pd.Series | pd.api.extensions.ExtensionArray,
    code: str,
    severity: Literal["error", "warning", "info"],
    message: str | Sequence[str],
    action: str,
) -> pd.DataFrame:
    """Make rows of the problems table, one for each feature.

    Parameters
    ----------
    layer
        Where it was found.
    features
        Ids or row numbers, shape (n,).
    code, severity, action
        The same for every row.
    message
        One sentence for all, or one for each feature.

    Returns
    -------
    DataFrame
        The columns of `TABLES["problems"]`, n rows.

    Examples
    --------
    >>> problem_rows("footprints", [], "null_geometry", "error", "No outline.", "Draw one.").empty
    True
    """
    count = len(features)
    if not count:
        return _no_problems().copy(deep=False)
    same = np.zeros(count, dtype=np.int64)
    text = isinstance(features, (pd.Series, pd.api.extensions.ExtensionArray))
    names = features if text else [str(feature) for feature in features]
    return pd.DataFrame(
        {
            "layer": words([layer], same),
            "feature": pd.Series(names, dtype="str").array,
            "code": words([code], same),
            "severity": words([severity], same),
            "message": words([message], same) if isinstance(message, str) else pd.array(message, dtype="str"),
            "action": words([action], same),
        }
    )


def join_problems(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Rows of several problems tables as one; most of them hold nothing.

    Examples
    --------
    >>> len(join_problems([problem_rows("streets", [], "empty", "warning", "No name.", "Name it.")]))
    0
    """
    some = [part for part in parts if len(part)]
    if len(some) > 1:
        return pd.concat(some, ignore_index=True)
    if not some:
        return _no_problems().copy(deep=False)
    return some[0] if isinstance(some[0].index, pd.RangeIndex) else some[0].reset_index(drop=True)


@cache
def _no_problems() -> pd.DataFrame:
    nothing: pd.DataFrame = empty("problems")
    return nothing


@cache
def _schema(name: str) -> pa.DataFrameSchema:
    return pa.DataFrameSchema(
        {
            key: pa.Column(
                None if column.dtype in (_DATE, "category") else column.dtype,
                checks=[pa.Check.isin(column.allowed)] if column.allowed else [],
                nullable=not column.required,
            )
            for key, column in _ALL_TABLES[name].columns.items()
        },
        strict=True,
    )
