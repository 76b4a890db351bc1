"""Take the inventory of a district: who says what of which roof.

In: `Inputs` as the intake hands them on, the rules in force, what a foot is.
Out: `Inventory`: buildings, roof sections, obstacles, fire spots, every fact with its source, the odds of
    unknown roofs, the problems found on the way, and the counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat import tables
from roofplat.errors import CrsError
from roofplat.ground import Ground, local_planes
from roofplat.intake.inputs import AttributeRecords, Inputs
from roofplat.inventory._shared import combine_problems
from roofplat.inventory.buildings import dispatch_areas, make_buildings
from roofplat.inventory.facts import collect_facts, known_values, reduce_facts, survey_dates
from roofplat.inventory.joins import (
    Match,
    join_by_footprint,
    join_by_key,
    join_by_parcel,
    join_by_point,
    join_log,
)
from roofplat.inventory.obstacles import place_fires, place_obstacles
from roofplat.inventory.odds import estimate_odds, region_problems, trust_bits, trust_problems
from roofplat.inventory.roofs import divide_roofs, make_roofs, mark_suspended_loads
from roofplat.inventory.sections import latest_of_each, split_off_sections, tell_sections
from roofplat.rules import Rulebook

__all__ = ["Inventory", "Joined", "take_inventory"]

# Columns of buildings that are counted over the whole district.
_NO_ODDS = dict.fromkeys(("p_lightweight", "stratum", "odds", "local_roofs"))


class Joined(NamedTuple):
    """The features or records of one source, and those of them that found their building, by name."""

    source: str
    records: npt.NDArray[np.object_]
    found: npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Inventory:
    """Everything known of the roofs of a district; geometry in the working CRS.

    buildings, roofs, obstacles, ground, facts, section_facts, family_odds
        The tables of those names.
    fires
        `building_id`, `geometry` (Point inside the building); one a building.
    problems
        `TABLES["problems"]`: what this room found. The intake's are in `Inputs.problems`.
    counts
        One row for each attribute source and for drawn sections, fire walls, expansion joints,
        obstacles and fire spots where there are any: `source`, `records`, `joined`, `unmatched`;
        records = joined + unmatched.
    joined
        Of which records and features that is the count, in the same order.
    """

    buildings: gpd.GeoDataFrame
    roofs: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    ground: gpd.GeoDataFrame
    fires: gpd.GeoDataFrame
    facts: pd.DataFrame
    section_facts: pd.DataFrame
    family_odds: pd.DataFrame
    problems: pd.DataFrame
    counts: pd.DataFrame
    joined: tuple[Joined, ...]


def take_inventory(
    inputs: Inputs, rules: Rulebook, ground: Ground, *, region: str | None = None, whole: bool = True
) -> Inventory:
    """Join every source to the buildings and settle what is known of each roof.

    The order of rows in the inputs does not matter: buildings come out by id (text order),
    sections by building and part, obstacles by id.

    Parameters
    ----------
    inputs
        The layers of one district, all in `inputs.working_crs`.
    rules
        The rulebook in force.
    ground
        Foot and elevation.
    region
        `west`, `midwest` or `east`, for the odds of unknown roofs; None where nobody says.
    whole
        Whether these are all buildings of the district. Of a part of them the odds are left out, and what
        is said of them: they are counted over all.

    Returns
    -------
    Inventory
        Every footprint is in `buildings` once; every record, drawn section, fire wall,
        expansion joint, obstacle and fire spot is joined or has a row in `problems`. Overhead lines
        and the ground around join no building and need no row.

    Raises
    ------
    CrsError
        A layer is not in the working CRS.
    """
    _check_crs(inputs)
    footprints = inputs.footprints.sort_values("building_id", ignore_index=True)
    centre = shapely.centroid(np.asarray(footprints.geometry.array, dtype=object))
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), inputs.working_crs, ground)
    ft2_per_unit2 = planes.area_ft2_per_unit2()

    pieces = divide_roofs(
        footprints, inputs.sections, inputs.fire_walls, inputs.expansion_joints, ft2_per_unit2, rules
    )
    matches = [_join(footprints, source, rules, ground) for source in inputs.attributes]
    count = np.bincount(pieces.building, minlength=len(footprints))
    matches, of_sections = split_off_sections(footprints, inputs.attributes, matches, count)
    loose, impossible = collect_facts(
        footprints, inputs.attributes, [match.pairs for match in matches], rules
    )
    ids = footprints["building_id"].to_numpy(dtype=object)
    reduced, conflicts = reduce_facts(loose, ids, rules)
    known = known_values(reduced, len(footprints))
    surveyed, surveyed_on = survey_dates(reduced, len(footprints))

    roofs, owner = make_roofs(pieces, footprints, inputs.sections, known, ft2_per_unit2, rules)
    roofs, looked = tell_sections(roofs, inputs.attributes, of_sections, rules)
    np.maximum.at(surveyed, owner, looked.surveyed)
    surveyed_on = latest_of_each(surveyed_on, owner, looked.surveyed_on)
    obstacles, stray = place_obstacles(footprints, inputs.obstacles, ft2_per_unit2, rules)
    roofs = mark_suspended_loads(roofs, obstacles)
    fires, idle_fires = place_fires(footprints, inputs.fires)
    area_name, outside = dispatch_areas(footprints, inputs.areas)
    described = make_buildings(
        footprints, known, roofs, owner, surveyed, surveyed_on, inputs.marks, area_name, ft2_per_unit2, rules
    )
    facts = tables.conform(
        "facts",
        reduced.assign(
            building_id=footprints["building_id"].astype("str").array.take(reduced["building"].to_numpy()),
            basis=tables.words(tables.BASES, reduced["basis"].to_numpy()),
        ),
    )
    if whole:
        buildings, family_odds = estimate_odds(described, roofs, region, rules)
        trust = trust_bits(facts)
        told = trust_problems(trust["known"].to_numpy(), trust["agrees"].to_numpy(), rules)
        of_odds = [region_problems(region), told]
    else:
        buildings, family_odds = (
            tables.conform("buildings", described.assign(**_NO_ODDS)),
            tables.empty("family_odds"),
        )
        of_odds = []

    problems = combine_problems(
        [
            *(match.problems for match in matches),
            impossible,
            conflicts,
            looked.problems,
            pieces.problems,
            stray,
            idle_fires,
            outside,
            *of_odds,
        ]
    )
    problems = problems.sort_values(["layer", "code", "feature", "message"], ignore_index=True)
    joined = [
        Joined(
            source.source.name,
            source.frame["record"].to_numpy(dtype=object),
            np.concatenate([pairs["record"].unique(), apart["record"].to_numpy(dtype=object)]),
        )
        for source, (pairs, _), apart in zip(inputs.attributes, matches, of_sections, strict=True)
    ]
    joined += [
        Joined(name, labels := _labels(layer), labels[used])
        for name, layer, used in (
            ("sections", inputs.sections, pieces.sections_used),
            ("fire_walls", inputs.fire_walls, pieces.fire_walls_used),
            ("expansion_joints", inputs.expansion_joints, pieces.joints_used),
        )
    ]
    things = obstacles["obstacle_id"].to_numpy(dtype=object)
    joined.append(Joined("obstacles", things, things[obstacles["building_id"].notna().to_numpy(dtype=bool)]))
    spots = _labels(inputs.fires)
    # Each spot that is not taken has a row that says so.
    joined.append(Joined("fires", spots, spots[~tables.among(spots, idle_fires["feature"])]))
    number = len(inputs.attributes)
    joined = [entry for place, entry in enumerate(joined) if place < number or entry.records.size]
    return Inventory(
        buildings=buildings,
        roofs=tables.conform("roofs", roofs),
        obstacles=obstacles,
        ground=tables.conform("ground", inputs.ground),
        fires=fires,
        facts=facts,
        section_facts=looked.facts,
        family_odds=family_odds,
        problems=tables.conform("problems", problems),
        counts=_count_frame([(entry.source, len(entry.records), len(entry.found)) for entry in joined]),
        joined=tuple(joined),
    )


def _join(footprints: gpd.GeoDataFrame, records: AttributeRecords, rules: Rulebook, ground: Ground) -> Match:
    name = records.source.name
    if records.log:
        return join_log(footprints, records.frame, name)
    match records.source.how:
        case "key":
            return join_by_key(footprints, records.frame, name)
        case "points":
            return join_by_point(footprints, records.frame, name, rules, ground)
        case "parcels":
            return join_by_parcel(footprints, records.frame, name, rules)
        case "footprints":
            return join_by_footprint(footprints, records.frame, name, rules)


def _labels(layer: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """What problems call the features of a layer that is named by row."""
    return np.asarray(layer.index.to_numpy(dtype=object).astype("U"), dtype=object)


def _count_frame(counts: list[tuple[str, int, int]]) -> pd.DataFrame:
    frame = pd.DataFrame(counts, columns=["source", "records", "joined"])
    frame["source"] = frame["source"].astype("str")
    frame[["records", "joined"]] = frame[["records", "joined"]].astype("int64")
    frame["unmatched"] = frame["records"] - frame["joined"]
    return frame


def _check_crs(inputs: Inputs) -> None:
    """Raise where geopandas would only warn."""
    layers = {
        name: getattr(inputs, name)
        for name in (
            "footprints",
            "areas",
            "obstacles",
            "ground",
            "sections",
            "fire_walls",
            "expansion_joints",
            "fires",
        )
    }
    for name, layer in layers.items():
        if len(layer) and layer.crs != inputs.working_crs:
            theirs = layer.crs.name if layer.crs else "no CRS"
            raise CrsError(
                f"The layer {name} is in {theirs}, the district works in {inputs.working_crs.name}; "
                "bring it into that CRS first."
            )
