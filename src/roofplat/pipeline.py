"""Compose the rooms: the only place that knows their order.

In: a district and the choices of one build.
Out: `Built`: the tables, the counts, the problems and the files written.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely.geometry import box

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.intake import Inputs, read_inputs
from roofplat.inventory import Inventory, take_inventory
from roofplat.placing import audit_solar, place_plans
from roofplat.publish import write_outputs
from roofplat.publish.record import read_outputs
from roofplat.ranking import rank_buildings
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import conform

__all__ = ["Built", "build", "draw_plans"]


@dataclass(frozen=True, slots=True)
class Built:
    """What a build made.

    tables
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations`; working CRS.
    counts
        `read` by layer and `joined` by source.
    problems
        `tables.TABLES["problems"]`.
    out, files
        The folder and the files in it, none when nothing was to be written.
    earlier
        Files that an earlier build recorded in this folder and this one did not write. Those of
        dispatch areas are gone.
    """

    tables: dict[str, Any]
    counts: dict[str, pd.DataFrame]
    problems: pd.DataFrame
    out: Path
    files: list[Path]
    earlier: list[Path] = field(default_factory=list)


def build(
    district: District,
    *,
    out: str | Path | None = None,
    area: str | None = None,
    wind_from_deg: float | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Built:
    """Turn a district's layers into an inventory, standing plans, a map and a ranked list.

    Parameters
    ----------
    district
        From `read_district`.
    out
        Folder of the build; else the district's own, else `maps/` and the name of the folder
        that holds the district file.
    area
        Write one dispatch area only. Neighbours and ranks are those of the whole district.
    wind_from_deg
        Wind of the scenario, degrees from true north; else the district's.
    workers
        Threads that place plans.
    as_of
        The date on which ages are counted; today when not given.
    report
        Called with a line of progress.

    Returns
    -------
    Built

    Raises
    ------
    RoofplatError
        The district, a rule or the footprint layer is wrong; nothing is written then.

    Examples
    --------
    >>> from roofplat import build, read_district
    >>> build(read_district("data/demo/district.toml"))  # doctest: +SKIP
    """
    say = report or _silent
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    folder = Path(out) if out is not None else district.out or Path("maps") / district.folder.name
    day = as_of or datetime.date.today()

    say(f"Reading {district.name}")
    inputs = read_inputs(district, rules)
    _check_area(area, inputs)
    say("Joining")
    inventory = take_inventory(inputs, rules, ground)
    tables, problems = draw_plans(
        inputs, inventory, rules, ground, district, wind_from_deg=wind_from_deg, workers=workers, report=say
    )
    say("Ranking")
    tables["ranking"] = rank_buildings({**tables, "roofs": inventory.roofs}, rules, as_of=day)
    tables["problems"] = problems
    if area is not None:
        tables = _only_area(tables, area)
    scenario = _wind(district, rules, wind_from_deg)
    counts = {"read": inputs.counts, "joined": inventory.counts}
    before = [folder / name for name in read_outputs(folder / "build.json")]
    say(f"Writing {folder}")
    files = write_outputs(
        tables,
        district=district,
        rules=rules,
        ground=ground,
        counts=counts,
        as_of=day,
        out=folder,
        scenario={"wind_from_deg": scenario[0], "wind_basis": scenario[1]},
    )
    earlier = [file for file in before if file not in files]
    return Built(tables=tables, counts=counts, problems=problems, out=folder, files=files, earlier=earlier)


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
    say = report or _silent
    say(f"Framing {len(inventory.roofs)} sections")
    framing = frame_roofs(inventory.roofs, inputs.streets, rules, ground)
    say("Placing")
    direction, basis = _wind(district, rules, wind_from_deg)
    plan = place_plans(
        framing,
        inventory.roofs,
        inventory.obstacles,
        inventory.fires,
        rules,
        wind_from_deg=direction,
        wind_basis=basis,
        streets=inputs.streets,
        ground=inventory.ground,
        workers=workers,
    )
    solar_access, solar_problems = audit_solar(
        plan.sections,
        inventory.buildings,
        inventory.obstacles,
        framing.planes,
        framing.members,
        rules,
        ground,
    )
    tables: dict[str, Any] = {
        "buildings": inventory.buildings,
        "sections": plan.sections,
        "walls": framing.walls,
        "planes": framing.planes,
        "members": framing.members,
        "obstacles": inventory.obstacles,
        "ground": inventory.ground,
        "ladders": plan.ladders,
        "paths": plan.paths,
        "checks": plan.checks,
        "openings": plan.openings,
        "cuts": plan.cuts,
        "trenches": plan.trenches,
        "collapse_zones": plan.collapse_zones,
        "solar_access": solar_access,
        "facts": inventory.facts,
        "streets": inputs.streets,
        "areas": inputs.areas,
        "stations": inputs.stations,
    }
    problems = [inputs.problems, inventory.problems, framing.problems, plan.problems, solar_problems]
    return tables, conform("problems", pd.concat(problems, ignore_index=True))


def _silent(line: str) -> None:
    """Nobody wants to hear of the progress."""
    del line


def _wind(district: District, rules: Rulebook, wind_from_deg: float | None) -> tuple[float, str]:
    """The scenario's wind: given, else prevailing, else assumed."""
    scenario = district.scenario
    if wind_from_deg is not None:
        return wind_from_deg % 360.0, "given"
    if scenario.wind_from_deg is not None:
        return scenario.wind_from_deg % 360.0, "given"
    if scenario.prevailing_wind_from_deg is not None:
        return scenario.prevailing_wind_from_deg % 360.0, "prevailing"
    return rules.number("plan.no_wind_from_deg"), "assumed"


def _check_area(area: str | None, inputs: Inputs) -> None:
    names = sorted(inputs.areas["name"].dropna().unique())
    if area is not None and area not in names:
        known = ", ".join(names) if names else "none: the district file names no areas layer"
        raise DistrictFileError(f"There is no dispatch area {area!r}; the areas are {known}.")


def _only_area(tables: dict[str, Any], area: str) -> dict[str, Any]:
    """Rows of one dispatch area's buildings, and the obstacles and ground that cross it."""
    buildings = tables["buildings"]
    wanted = set(buildings.loc[buildings["dispatch_area"] == area, "building_id"])
    extent = box(*tables["areas"].loc[tables["areas"]["name"] == area].total_bounds)
    kept = {}
    for name, frame in tables.items():
        if name == "ground":
            kept[name] = frame[frame.geometry.intersects(extent)].reset_index(drop=True)
        elif name == "obstacles":
            free = frame["building_id"].isna() & frame.geometry.intersects(extent)
            kept[name] = frame[frame["building_id"].isin(wanted) | free].reset_index(drop=True)
        elif isinstance(frame, gpd.GeoDataFrame) and name == "areas":
            kept[name] = frame[frame["name"] == area].reset_index(drop=True)
        elif "building_id" in frame.columns:
            kept[name] = frame[frame["building_id"].isin(wanted)].reset_index(drop=True)
        else:
            kept[name] = frame
    return kept
