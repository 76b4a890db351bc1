"""From a district file to plans and a ranking: the order of the rooms.

In: a district and the choices of one run.
Out: `Planned`: rules, inputs, inventory, tables and problems; nothing written yet.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS, Transformer
from shapely.geometry import Point

from roofplat.district import District, folder_of
from roofplat.errors import DistrictFileError
from roofplat.framing import frame_roofs
from roofplat.framing.soundings import check_soundings, sounding_notes
from roofplat.ground import Ground
from roofplat.intake import Inputs, read_inputs
from roofplat.inventory import Inventory, take_inventory
from roofplat.late import LateTable
from roofplat.placing import audit_solar, place_plans
from roofplat.publish.parts import only_area
from roofplat.publish.record import InputState, check_inputs
from roofplat.publish.stock import StockRows
from roofplat.ranking import rank_buildings, survey_next
from roofplat.record import RecordTables, has_record, open_record, read_record, with_record
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import conform, join_problems
from roofplat.venting import vent_rows

__all__ = [
    "Planned",
    "check_area",
    "draw_plans",
    "draw_rows",
    "folder_of",
    "frames_of",
    "gather",
    "only_area",
    "plan_district",
    "record_of",
    "silent",
    "stock_rows",
    "wind_of",
    "with_record_of",
    "without_geometry",
]

# Ids named where one does not exist, and how like it they must be.
_CLOSE_IDS, _CLOSE_SHARE = 3, 0.5


@dataclass(frozen=True, slots=True)
class Planned:
    """A district read, joined, planned and ranked; nothing written yet.

    rows
        Every table, as a frame or as `LateTable`.
    wanted, fire_in
        The buildings asked for, and the one of them that holds the fire spot asked for.
    """

    rules: Rulebook
    ground: Ground
    inputs: Inputs
    inventory: Inventory
    rows: dict[str, Any]
    problems: pd.DataFrame
    wanted: list[str]
    fire_in: str | None

    @property
    def tables(self) -> dict[str, Any]:
        """Every table as a frame."""
        return frames_of(self.rows)


def gather(
    district: District,
    rules: Rulebook,
    *,
    as_of: datetime.date | None = None,
    seen_by: datetime.date | None = None,
    state: InputState | None = None,
) -> Inputs:
    """Read the layers of a district, and its record of surveys where there is one.

    Parameters
    ----------
    district
        From `read_district`.
    rules
        The rules in force.
    as_of
        The record as it was at the end of that day; None is all of it. Layers are as they are.
    seen_by
        Of that record only what was logged and seen by this earlier day, under the ids that its buildings
        have on the later one.
    state
        From `record.input_state`, made before: the files must still be the same when all is read.

    Returns
    -------
    Inputs

    Raises
    ------
    RoofplatError
        The footprints or the record cannot be used, or a file was changed meanwhile.
    """
    inputs = with_record_of(district, read_inputs(district, rules), rules, as_of, seen_by=seen_by)
    if state is not None:
        check_inputs(district, state)
    return inputs


def with_record_of(
    district: District,
    inputs: Inputs,
    rules: Rulebook,
    as_of: datetime.date | None,
    *,
    seen_by: datetime.date | None = None,
) -> Inputs:
    """Add the record of surveys to what was read, where a district has one; as for `gather`."""
    tables = record_of(district, inputs.working_crs, rules, as_of)
    if tables is None:
        return inputs
    if seen_by is not None:
        then = record_of(district, inputs.working_crs, rules, seen_by)
        if then is not None:
            tables = replace(tables, observations=then.observations, drawn=then.drawn, current=then.current)
    return with_record(inputs, tables, rules)


def draw_rows(
    inputs: Inputs,
    inventory: Inventory,
    rules: Rulebook,
    ground: Ground,
    *,
    wind: tuple[float, str],
    others: gpd.GeoDataFrame | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> tuple[dict[str, Any], pd.DataFrame]:
    """Frame the roofs and place the plans, and make no geometry object that nobody asks for.

    Parameters
    ----------
    inputs, inventory
        What was read and what is known.
    rules, ground
        The settings in force.
    wind
        Degrees from true north, and how it is known: see `wind_of`.
    others
        `tables.TABLES["roofs"]` of buildings that are not planned, and stand around those that are.
    workers, report
        As in `build`.

    Returns
    -------
    tables, problems
        Every table but the ranking, as frames or as `LateTable`; the problems of framing and placing.
    """
    say = report or silent
    say(f"Framing {len(inventory.roofs)} sections")
    around = None if others is None else others.geometry.to_numpy()
    framing = frame_roofs(inventory.roofs, inputs.streets, rules, ground, inputs.walls, neighbours=around)
    say("Placing")
    plan = place_plans(
        framing,
        inventory.roofs,
        inventory.obstacles,
        inventory.fires,
        rules,
        wind_from_deg=wind[0],
        wind_basis=wind[1],
        streets=inputs.streets,
        ground=inventory.ground,
        outlines=others,
        workers=workers,
    )
    venting = vent_rows(framing, inventory.roofs, inventory.obstacles, plan.sections, plan.late, rules)
    solar_access, solar_problems = audit_solar(
        plan.sections,
        inventory.buildings,
        inventory.obstacles,
        framing.plane_rows,
        framing.member_rows,
        rules,
        ground,
    )
    tables: dict[str, Any] = {
        "buildings": inventory.buildings,
        "sections": plan.sections,
        "walls": framing.wall_rows,
        "planes": framing.plane_rows,
        "members": framing.member_rows,
        "obstacles": inventory.obstacles,
        "ground": inventory.ground,
        **plan.late,
        "venting": venting,
        "solar_access": solar_access,
        "facts": inventory.facts,
        "section_facts": inventory.section_facts,
        "family_odds": inventory.family_odds,
        "streets": inputs.streets,
        "areas": inputs.areas,
        "stations": inputs.stations,
    }
    notes = sounding_notes(inventory.facts, inputs.attributes)
    problems = [
        framing.problems,
        check_soundings(notes, framing.sections, framing.spacings, rules),
        plan.problems,
        solar_problems,
    ]
    return tables, join_problems(problems)


def draw_plans(
    inputs: Inputs,
    inventory: Inventory,
    rules: Rulebook,
    ground: Ground,
    district: District,
    *,
    wind_from_deg: float | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> tuple[dict[str, Any], pd.DataFrame]:
    """Frame the roofs and place the plans.

    Parameters
    ----------
    inputs, inventory
        What was read and what is known.
    rules, ground, district
        The settings in force.
    wind_from_deg, workers, report
        As in `build`.

    Returns
    -------
    tables, problems
        Every table but the ranking, and the problems of all rooms so far.
    """
    rows, found = draw_rows(
        inputs,
        inventory,
        rules,
        ground,
        wind=wind_of(district, rules, wind_from_deg),
        workers=workers,
        report=report,
    )
    return frames_of(rows), conform("problems", join_problems([inputs.problems, inventory.problems, found]))


def without_geometry(table: Any) -> Any:
    """A table to look at, without the geometry where that was not made yet.

    Parameters
    ----------
    table
        A frame, or a `LateTable`.

    Returns
    -------
    DataFrame
    """
    return pd.DataFrame(dict(table.columns)) if isinstance(table, LateTable) else table


def frames_of(rows: Mapping[str, Any]) -> dict[str, Any]:
    """Tables as frames, those with geometry that was not made yet too.

    Parameters
    ----------
    rows
        As `draw_rows` gives them.

    Returns
    -------
    dict
        The same names.
    """
    return {name: table.frame() if isinstance(table, LateTable) else table for name, table in rows.items()}


def plan_district(
    district: District,
    *,
    area: str | None,
    wind_from_deg: float | None,
    workers: int,
    day: datetime.date,
    say: Callable[[str], None],
    as_of: datetime.date | None = None,
    seen_by: datetime.date | None = None,
    fire: tuple[float, float] | None = None,
    ids: Sequence[str] = (),
    state: InputState | None = None,
) -> Planned:
    """Everything up to the writing; a fire spot asked for takes the place of its building's own.

    Ages are counted on `day`; the record is as of `as_of`, all of it where none is asked for, and what was
    seen after `seen_by` is left out of it.
    """
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    say(f"Reading {district.name}")
    inputs = gather(district, rules, as_of=as_of, seen_by=seen_by, state=state)
    check_area(area, inputs.areas)
    say("Joining")
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    wanted = _wanted(inventory.buildings, ids, area)
    fire_in = None
    if fire is not None:
        fire_in = _fire_in(inventory.buildings, wanted, fire)
        inventory = replace(inventory, fires=_with_fire(inventory, fire_in, fire))
    wind = wind_of(district, rules, wind_from_deg)
    rows, found = draw_rows(inputs, inventory, rules, ground, wind=wind, workers=workers, report=say)
    problems = conform("problems", join_problems([inputs.problems, inventory.problems, found]))
    if fire is not None and fire_in is not None:
        _check_fire(rows["sections"], fire_in, fire)
    say("Ranking")
    known = {**{name: without_geometry(table) for name, table in rows.items()}, "roofs": inventory.roofs}
    rows["ranking"] = rank_buildings(known, rules, as_of=day)
    rows["survey_next"] = survey_next({**known, "ranking": rows["ranking"]}, rules)
    rows["problems"] = problems
    return Planned(rules, ground, inputs, inventory, rows, problems, wanted, fire_in)


def wind_of(district: District, rules: Rulebook, wind_from_deg: float | None) -> tuple[float, str]:
    """The scenario's wind: given, else prevailing, else assumed."""
    scenario = district.scenario
    if wind_from_deg is not None:
        return wind_from_deg % 360.0, "given"
    if scenario.wind_from_deg is not None:
        return scenario.wind_from_deg % 360.0, "given"
    if scenario.prevailing_wind_from_deg is not None:
        return scenario.prevailing_wind_from_deg % 360.0, "prevailing"
    return rules.number("plan.no_wind_from_deg"), "assumed"


def stock_rows(planned: Planned) -> StockRows:
    """What any building of the district can be planned by again, without reading the district."""
    inventory = planned.inventory
    return StockRows(
        roofs=inventory.roofs,
        obstacles=inventory.obstacles,
        ground=inventory.ground,
        streets=planned.inputs.streets,
        walls=planned.inputs.walls,
        fires=inventory.fires,
    )


def record_of(
    district: District, crs: CRS | None, rules: Rulebook, as_of: datetime.date | None
) -> RecordTables | None:
    """The record of surveys as of a day, in a CRS or in its own; None where there is none."""
    file = district.record_file
    if not has_record(file, rules):
        return None
    return read_record(open_record(file, crs, rules), as_of, crs=crs)


def silent(line: str) -> None:
    """Nobody wants to hear of the progress."""
    del line


def check_area(area: str | None, areas: gpd.GeoDataFrame) -> None:
    """Refuse a dispatch area that the district does not have."""
    names = sorted(areas["name"].dropna().unique())
    if area is not None and area not in names:
        known = ", ".join(names) if names else "none: the district file names no areas layer"
        raise DistrictFileError(f"There is no dispatch area {area!r}; the areas are {known}.")


def _wanted(buildings: Any, ids: Sequence[str], area: str | None) -> list[str]:
    """Ids in the order asked for, then those of the area in the order of the table."""
    known = buildings["building_id"]
    strange = [name for name in dict.fromkeys(ids) if name not in set(known)]
    if strange:
        near = get_close_matches(strange[0], known.tolist(), n=_CLOSE_IDS, cutoff=_CLOSE_SHARE)
        more = f" and {len(strange) - 1} more of those asked for" if len(strange) > 1 else ""
        close = f"the nearest are {', '.join(near)}" if near else "the map and ranking.csv list them"
        raise DistrictFileError(f"There is no building {strange[0]!r}{more}; {close}.")
    of_area = known[buildings["dispatch_area"] == area].tolist() if area is not None else []
    return list(dict.fromkeys([*ids, *of_area]))


def _fire_in(buildings: Any, wanted: Sequence[str], fire: tuple[float, float]) -> str:
    """The first of the buildings asked for that holds the fire spot."""
    rows = buildings[buildings["building_id"].isin(wanted)]
    spot = _fire_point(buildings, fire)
    holding = set(rows.loc[rows.geometry.intersects(spot), "building_id"])
    for name in wanted:
        if name in holding:
            return name
    where = f"building {wanted[0]!r}" if len(wanted) == 1 else "any building that is asked for"
    raise DistrictFileError(
        f"The fire spot {fire[0]:g},{fire[1]:g} does not lie in {where}; give longitude and latitude of a "
        "place inside its outline."
    )


def _fire_point(buildings: Any, fire: tuple[float, float]) -> Point:
    to_working = Transformer.from_crs("EPSG:4326", buildings.crs, always_xy=True)
    return Point(*to_working.transform(*fire))


def _with_fire(inventory: Inventory, name: str, fire: tuple[float, float]) -> gpd.GeoDataFrame:
    """The stated fire spots, with the one asked for in the place of its building's own."""
    others = inventory.fires[inventory.fires["building_id"] != name]
    own = gpd.GeoDataFrame(
        {"building_id": pd.Series([name], dtype="str")},
        geometry=[_fire_point(inventory.buildings, fire)],
        crs=inventory.buildings.crs,
    )
    fires = own if others.empty else pd.concat([others, own])
    return gpd.GeoDataFrame(fires.sort_values("building_id", kind="stable").reset_index(drop=True))


def _check_fire(sections: Any, name: str, fire: tuple[float, float]) -> None:
    """The plan is for the fire spot asked for, and for no other in its stead."""
    own = sections[(sections["building_id"] == name) & sections["planned"].fillna(False).astype(bool)]
    if not own["fire_basis"].eq("given").any():
        raise DistrictFileError(
            f"The fire spot {fire[0]:g},{fire[1]:g} lies on the edge of building {name!r}, in none of its "
            "roof sections; move it inward."
        )
