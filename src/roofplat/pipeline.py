"""Compose the rooms: the only place that knows their order.

In: a district and the choices of one build.
Out: `Built`: the tables, the counts, the problems and the files written; `Drawn`: the sheets;
    `Ranked`: the ranking alone; `Scheduled`: days of inspection; `TakenIn`: forms of a survey;
    `DrawnIn`: roofs drawn by hand; `Fed`: permits and the assessor's changes;
    `KeptFootprints`: outlines for the record;
    `SurveyForms`: forms to take along; `Changed`: what is not as it was.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import Transformer
from shapely.geometry import Point, box

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.framing import frame_roofs
from roofplat.framing.soundings import check_soundings, sounding_notes
from roofplat.ground import Ground
from roofplat.intake import Inputs, read_inputs
from roofplat.intake.forms import read_forms
from roofplat.inventory import Inventory, take_inventory
from roofplat.inventory.whose import find_buildings
from roofplat.placing import audit_solar, place_plans
from roofplat.publish import write_outputs
from roofplat.publish.record import read_outputs
from roofplat.ranking import Apart, rank_buildings, survey_next, take_apart
from roofplat.ranking.changes import compare_states
from roofplat.ranking.days import DayPlan, plan_days
from roofplat.record import RecordTables, append, open_record, read_record, with_record
from roofplat.record.answers import AXIS_FIELDS, check_answers, values_in_force
from roofplat.record.drawn import take_drawn
from roofplat.record.feed import DateOrder, observe_marks, read_feed
from roofplat.record.follow import on_footprints
from roofplat.record.keep import FOOTPRINT_CODES, check_gone, event_counts, keep_new, keep_rows
from roofplat.record.outlines import standing
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import conform, empty, problem_rows

__all__ = [
    "Built",
    "Changed",
    "Drawn",
    "DrawnIn",
    "Fed",
    "KeptFootprints",
    "Ranked",
    "Scheduled",
    "SurveyForms",
    "TakenIn",
    "build",
    "changes_of_builds",
    "changes_since",
    "draw_plans",
    "draw_sheets",
    "gather",
    "inspect_days",
    "rank",
    "survey_drawn",
    "survey_feed",
    "survey_in",
    "survey_keep",
    "survey_out",
]

# Ids named where one does not exist, and how like it they must be.
_CLOSE_IDS, _CLOSE_SHARE = 3, 0.5
_AXIS_MOVED_DEG = 0.05


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


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a run of sheets made.

    sheets
        Building id to the file of its sheet, in the order asked for.
    sets
        Files that hold the sheets of an area.
    fire_in
        The building that holds the fire spot asked for; None when none was.
    problems
        `tables.TABLES["problems"]`.
    out
        The folder of the build that the files are in.
    """

    sheets: dict[str, Path]
    sets: list[Path]
    fire_in: str | None
    problems: pd.DataFrame
    out: Path


@dataclass(frozen=True, slots=True)
class Ranked:
    """A district's ranking; nothing is written.

    tables, rules
        As in `Built`, and the rules in force.
    apart
        The building asked for, taken apart; None when none was.
    problems
        `tables.TABLES["problems"]`.
    as_of
        The date on which ages were counted.
    """

    tables: dict[str, Any]
    rules: Rulebook
    apart: Apart | None
    problems: pd.DataFrame
    as_of: datetime.date


@dataclass(frozen=True, slots=True)
class Scheduled:
    """What a run of day plans made.

    plan
        Visits, what is left out, the ways, figures of the whole.
    problems
        `tables.TABLES["problems"]`, those of the planning last.
    out, files
        The folder of the build, and the files of the plan.
    """

    plan: DayPlan
    problems: pd.DataFrame
    out: Path
    files: list[Path]


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What an import of forms did, or would do.

    rows
        One row an answer, see `record.answers.Checked`.
    forms
        By file: `rows`, `answered_rows`, `answers`.
    axes
        Sections whose beams run another way than before: `section_id`, `was_deg`, `was_basis`, `now_deg`,
        `now_basis`.
    problems
        `tables.TABLES["problems"]`: what was refused, and the conflicts of the buildings that were surveyed.
    added, already_known
        Rows of the log that are new, and that were there already; 0 for a dry run.
    record
        The file of the record.
    """

    rows: pd.DataFrame
    forms: pd.DataFrame
    axes: pd.DataFrame
    problems: pd.DataFrame
    added: int
    already_known: int
    record: Path


@dataclass(frozen=True, slots=True)
class Fed:
    """What an import of permits or of the assessor's changes did, or would do.

    rows
        One row for each mark: `record` (row of the file), `building_id`, `by` (`id`, `address`, `place`),
        `seen_on`, `reasons`, `holds` (False where a later survey has looked).
    read
        Rows of the file.
    problems
        `tables.TABLES["problems"]`: rows that mark nothing or find no building.
    added, already_known, record
        As in `TakenIn`.
    """

    rows: pd.DataFrame
    read: int
    problems: pd.DataFrame
    added: int
    already_known: int
    record: Path


@dataclass(frozen=True, slots=True)
class DrawnIn:
    """What an import of drawings did, or would do.

    changes
        One row for each drawn feature or part of one, see `record.drawn.Taken`; `file` in front.
    problems
        `tables.TABLES["problems"]`: what was refused, and overlaps.
    added, already_known, record
        As in `TakenIn`.
    """

    changes: pd.DataFrame
    problems: pd.DataFrame
    added: int
    already_known: int
    record: Path


@dataclass(frozen=True, slots=True)
class KeptFootprints:
    """What writing the footprints into the record did, or would do.

    release
        What the footprint layer is called in the record.
    counts
        `event`, `buildings`: what became of the buildings.
    lineage
        `tables.RECORD_TABLES["lineage"]` of the layer.
    events, outlines, marks
        Rows of each kind that were written; 0 for a dry run, and for a layer that was the last already.
    problems
        `tables.TABLES["problems"]`: where buildings are not what they were.
    record
        The file of the record.
    """

    release: str
    counts: pd.DataFrame
    lineage: pd.DataFrame
    events: int
    outlines: int
    marks: int
    problems: pd.DataFrame
    record: Path


@dataclass(frozen=True, slots=True)
class SurveyForms:
    """What a survey takes along.

    rows
        The rows of the forms, in the order of the survey.
    of
        How many buildings the area has.
    problems
        `tables.TABLES["problems"]`.
    out, files
        The folder of the forms, and the files in it.
    """

    rows: pd.DataFrame
    of: int
    problems: pd.DataFrame
    out: Path
    files: list[Path]


@dataclass(frozen=True, slots=True)
class Changed:
    """What a comparison of two states found.

    rows
        `tables.CHANGE_TABLES["changes"]`.
    counts
        By kind, in words: `what`, `changes`, `buildings`.
    before, after, notes
        What the two states are called, and what else is to be known of them, as sentences.
    out, files
        The folder of the comparison, and the files in it.
    """

    rows: gpd.GeoDataFrame
    counts: pd.DataFrame
    before: str
    after: str
    notes: list[str]
    out: Path
    files: list[Path]


@dataclass(frozen=True, slots=True)
class _Planned:
    """A district read, joined, planned and ranked; nothing written yet.

    wanted, fire_in
        The buildings asked for, and the one of them that holds the fire spot asked for.
    """

    rules: Rulebook
    ground: Ground
    inputs: Inputs
    inventory: Inventory
    tables: dict[str, Any]
    problems: pd.DataFrame
    wanted: list[str]
    fire_in: str | None


def build(
    district: District,
    *,
    out: str | Path | None = None,
    area: str | None = None,
    wind_from_deg: float | None = None,
    sheets: bool | None = None,
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
    sheets
        Write a sheet of every building too; else as the district file says.
    workers
        Threads that place plans, processes that draw sheets.
    as_of
        The date on which ages are counted; today when not given. With it, the record of surveys is as it was
        at the end of that day; the layers of the district file are as they are.
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
    folder = _folder(district, out)
    day = as_of or datetime.date.today()
    planned = _plan(
        district, area=area, wind_from_deg=wind_from_deg, workers=workers, day=day, as_of=as_of, say=say
    )
    tables = planned.tables
    all_ids = tables["buildings"]["building_id"].tolist()
    if area is not None:
        tables = _only_area(tables, area)
    direction, basis = _wind(district, planned.rules, wind_from_deg)
    counts = {"read": planned.inputs.counts, "joined": planned.inventory.counts}
    before = [folder / name for name in read_outputs(folder / "build.json")]
    say(f"Writing {folder}")
    files = write_outputs(
        tables,
        district=district,
        rules=planned.rules,
        ground=planned.ground,
        counts=counts,
        as_of=day,
        out=folder,
        scenario={"wind_from_deg": direction, "wind_basis": basis},
        sheets=district.sheets.with_build if sheets is None else sheets,
        all_ids=all_ids,
        workers=workers,
        report=say,
    )
    earlier = [file for file in before if file not in files]
    return Built(
        tables=tables, counts=counts, problems=planned.problems, out=folder, files=files, earlier=earlier
    )


def draw_sheets(
    district: District,
    ids: Sequence[str] = (),
    *,
    out: str | Path | None = None,
    area: str | None = None,
    fire: tuple[float, float] | None = None,
    wind_from_deg: float | None = None,
    paper: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Drawn:
    """Draw the sheets of some buildings, with the scenario asked for.

    Parameters
    ----------
    district
        From `read_district`.
    ids
        Buildings, in the order wanted.
    out
        As in `build`; the sheets go to `sheets/` in it.
    area
        Draw every building of this dispatch area too, and put those into one PDF.
    fire
        Longitude and latitude of a fire spot, WGS 84 degrees, in one of the buildings. That building
        is planned for it; the others keep their own fire spots.
    wind_from_deg
        Wind of the scenario, degrees from true north; else the district's.
    paper
        `letter` or `a4`; else as the district file says.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Drawn

    Raises
    ------
    RoofplatError
        There is no such building or area, the fire spot lies in none of the buildings, or the
        district cannot be read; nothing is written then.
    """
    # Here and not above: a build without sheets does not wait for what prints them.
    from roofplat.publish.sheet import write_area_sets, write_sheets

    say = report or _silent
    folder = _folder(district, out)
    day = as_of or datetime.date.today()
    planned = _plan(
        district,
        area=area,
        wind_from_deg=wind_from_deg,
        workers=workers,
        day=day,
        as_of=as_of,
        say=say,
        fire=fire,
        ids=ids,
    )
    tables = planned.tables
    words: dict[str, Any] = {
        "district": district.name,
        "rules": planned.rules,
        "as_of": day,
        "paper": paper or district.sheets.paper,
        "out": folder,
        "report": say,
    }
    say(f"Drawing {len(planned.wanted)} sheets")
    files = write_sheets(tables, ground=planned.ground, ids=planned.wanted, workers=workers, **words)
    sets = []
    if area is not None:
        own = tables["buildings"].loc[tables["buildings"]["dispatch_area"] == area, "building_id"]
        sets = write_area_sets(tables, {name: files[name] for name in own}, areas=[area], **words)
    return Drawn(
        sheets={name: folder / file for name, file in files.items()},
        sets=sets,
        fire_in=planned.fire_in,
        problems=planned.problems,
        out=folder,
    )


def rank(
    district: District,
    *,
    explain: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Ranked:
    """Rank the buildings of a district, and take one of them apart.

    Parameters
    ----------
    district
        From `read_district`.
    explain
        Id of the building to take apart.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Ranked

    Raises
    ------
    RoofplatError
        There is no such building, or the district cannot be read.
    """
    day = as_of or datetime.date.today()
    planned = _plan(
        district,
        area=None,
        wind_from_deg=None,
        workers=workers,
        day=day,
        as_of=as_of,
        say=report or _silent,
        ids=() if explain is None else (explain,),
    )
    apart = None
    if explain is not None:
        known = {**planned.tables, "roofs": planned.inventory.roofs}
        apart = take_apart(explain, known, planned.rules, as_of=day)
    return Ranked(
        tables=planned.tables, rules=planned.rules, apart=apart, problems=planned.problems, as_of=day
    )


def inspect_days(
    district: District,
    *,
    start_on: datetime.date,
    days: int,
    inspectors: int | None = None,
    hours: float | None = None,
    start: tuple[float, float] | None = None,
    must: Sequence[str] = (),
    out: str | Path | None = None,
    area: str | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> Scheduled:
    """Plan days of inspection and write them down.

    Parameters
    ----------
    district
        From `read_district`; its `[inspect]` says what is not given here.
    start_on
        No day is planned before it.
    days
        How many working days.
    inspectors
        How many go out each day, each alone.
    hours
        Hours of an inspector's day, the break not counted.
    start
        Longitude and latitude of where each day starts and ends, WGS 84 degrees.
    must
        Buildings that are visited whatever they are worth, beside those that the district file names.
    out
        As in `build`; the plan goes to `inspections/` in it.
    area
        Visit buildings of this dispatch area alone. Ranks are those of the whole district.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    Scheduled

    Raises
    ------
    RoofplatError
        There is no such building or area, no start, no day, inspector or hour, no solver, or the district
        cannot be read; nothing is written then.
    """
    # Here and not above: a build does not wait for what plans days.
    from roofplat.publish.days import write_days

    say = report or _silent
    folder = _folder(district, out)
    day = as_of or datetime.date.today()
    wishes = district.inspect
    asked = [*wishes.must, *must]
    planned = _plan(
        district,
        area=area,
        wind_from_deg=None,
        workers=workers,
        day=day,
        as_of=as_of,
        say=say,
        ids=asked,
    )
    tables = {**planned.tables, "roofs": planned.inventory.roofs}
    beyond: list[str] = []
    # What is drawn around a visit are all its neighbours, of other areas as well.
    visited = tables
    if area is not None:
        visited = _only_area(tables, area)
        known = set(visited["buildings"]["building_id"])
        beyond = [name for name in dict.fromkeys(asked) if name not in known]
        strange = [name for name in must if name in beyond]
        if strange:
            raise DistrictFileError(
                f"Building {strange[0]!r} must be visited, but does not lie in the area {area!r}; "
                "leave out one of the two."
            )
    say(f"Planning {days} {'day' if days == 1 else 'days'}")
    plan = plan_days(
        visited,
        planned.rules,
        start_on=start_on,
        days=days,
        inspectors=wishes.inspectors if inspectors is None else inspectors,
        hours=wishes.hours if hours is None else hours,
        start=wishes.start if start is None else start,
        must=[name for name in asked if name not in beyond],
        ground=planned.ground,
        streets=tables["streets"],
    )
    outside = problem_rows(
        "days",
        beyond,
        "must_outside_area",
        "info",
        f"It must be visited, but does not lie in the area {area}.",
        "Plan its area, or the whole district.",
    )
    plan = replace(plan, problems=conform("problems", pd.concat([plan.problems, outside], ignore_index=True)))
    say(f"Writing {folder}")
    files = write_days(
        plan,
        tables,
        district=district.name,
        area=area,
        rules=planned.rules,
        ground=planned.ground,
        as_of=day,
        out=folder,
    )
    problems = conform("problems", pd.concat([planned.problems, plan.problems], ignore_index=True))
    return Scheduled(plan=plan, problems=problems, out=folder, files=files)


def survey_in(
    district: District,
    files: Sequence[str | Path],
    *,
    who: str | None = None,
    seen_on: datetime.date | None = None,
    dry_run: bool = False,
    now: datetime.datetime | None = None,
    report: Callable[[str], None] | None = None,
) -> TakenIn:
    """Read filled-in forms, check them, and log what they say.

    Parameters
    ----------
    district
        From `read_district`.
    files
        The forms: CSV tables, GeoPackages or other layers.
    who, seen_on
        Who saw it and when, for rows that do not say.
    dry_run
        Say what would change, and write nothing.
    now
        The moment of logging, with a time zone; the clock's where it is not given.
    report
        As in `build`.

    Returns
    -------
    TakenIn

    Raises
    ------
    RoofplatError
        The district, a form or the record cannot be used; nothing is logged then.
    """
    say = report or _silent
    if seen_on is not None and seen_on > datetime.date.today():
        raise DistrictFileError(f"{seen_on} lies in the future; give the day on which the roofs were seen.")
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    forms = read_forms(files, rules, who=who, seen_on=seen_on)
    say(f"Reading {district.name}")
    layers = read_inputs(district, rules)
    tables = _record_tables(district, layers, rules)
    before = with_record(layers, tables, rules)
    say("Joining")
    inventory = take_inventory(before, rules, ground, region=district.region)
    asked = inventory.roofs["building_id"].isin(forms.answers["building_id"].dropna())
    walls = None
    if forms.answers["side"].notna().any():
        walls = frame_roofs(inventory.roofs[asked], before.streets, rules, ground).walls
    checked = check_answers(
        forms,
        inventory.roofs,
        values_in_force(inventory.facts, inventory.roofs, tables.observations),
        tables.observations,
        rules,
        walls=walls,
        not_kept=_parts_not_kept(before.problems),
    )
    fresh = checked.observations
    added = known = 0
    file = district.record_file
    if len(fresh) and not dry_run:
        say(f"Writing {file.name}")
        first = _first_outlines(layers, tables, rules, now, fresh["building_id"])
        appended = append(open_record(file, layers.working_crs, rules), observations=fresh, now=now, **first)
        added, known = appended.added["observations"], appended.already_known["observations"]
        tables = _record_tables(district, layers, rules)
    else:
        tables = replace(tables, observations=_next_in("observations", tables.observations, fresh))
    say("Comparing")
    after = with_record(layers, tables, rules)
    then = take_inventory(after, rules, ground, region=district.region)
    touched = fresh["building_id"].drop_duplicates()
    axes, contradictions = _axes(before, inventory, after, then, rules, ground, fresh)
    names = {*touched, *then.roofs.loc[then.roofs["building_id"].isin(touched), "section_id"]}
    found = then.problems
    # What was in conflict before is told by `check` and `build`; here is what these forms brought.
    conflicts = found[
        found["feature"].isin(names)
        & (found["code"] == "conflicting_values")
        & ~found["message"].isin(inventory.problems["message"])
    ]
    problems = pd.concat([checked.problems, conflicts, contradictions], ignore_index=True)
    return TakenIn(
        rows=checked.rows,
        forms=forms.counts,
        axes=axes,
        problems=conform("problems", problems),
        added=added,
        already_known=known,
        record=file,
    )


def survey_drawn(
    district: District,
    files: Sequence[str | Path],
    layer: str,
    *,
    who: str | None = None,
    seen_on: datetime.date | None = None,
    dry_run: bool = False,
    now: datetime.datetime | None = None,
    report: Callable[[str], None] | None = None,
) -> DrawnIn:
    """Read drawings of roofs, lay them on the outlines, and put them into the record.

    Parameters
    ----------
    district
        From `read_district`.
    files
        GeoJSON files or other layers, one after the other: each follows those before it.
    layer
        One of `tables.DRAWN_LAYERS`: what was drawn.
    who, seen_on, dry_run, now, report
        As in `survey_in`.

    Returns
    -------
    DrawnIn

    Raises
    ------
    RoofplatError
        The district, a file or the record cannot be used; the files before it are in the record then.
    """
    say = report or _silent
    if seen_on is not None and seen_on > datetime.date.today():
        raise DistrictFileError(f"{seen_on} lies in the future; give the day on which the roofs were drawn.")
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    say(f"Reading {district.name}")
    layers = read_inputs(district, rules)
    tables = _record_tables(district, layers, rules)
    changes, problems = [], []
    added = known = 0
    for file in files:
        inputs, today, _ = on_footprints(layers, tables, rules)
        taken = take_drawn(Path(file), layer, inputs, today.drawn, rules, ground, who=who, seen_on=seen_on)
        changes.append(taken.changes.assign(file=Path(file).name))
        problems.append(taken.problems)
        known += int(taken.changes["then"].eq("same").sum())
        if len(taken.rows) and not dry_run:
            say(f"Writing {district.record_file.name}")
            first = _first_outlines(layers, tables, rules, now, taken.rows["building_id"])
            record = open_record(district.record_file, layers.working_crs, rules)
            appended = append(record, drawn=taken.rows, now=now, **first)
            added += appended.added["drawn"]
            known += appended.already_known["drawn"]
            tables = _record_tables(district, layers, rules)
        elif len(taken.rows):
            tables = replace(tables, drawn=_next_in("drawn", tables.drawn, taken.rows))
    return DrawnIn(
        changes=pd.concat(changes, ignore_index=True),
        problems=conform("problems", pd.concat(problems, ignore_index=True)),
        added=added,
        already_known=known,
        record=district.record_file,
    )


def survey_feed(
    district: District,
    file: str | Path,
    *,
    columns: Sequence[tuple[str, str]] = (),
    dates: DateOrder = "iso",
    dry_run: bool = False,
    now: datetime.datetime | None = None,
    report: Callable[[str], None] | None = None,
) -> Fed:
    """Read permits or the assessor's changes, and mark the roofs that they say were changed.

    Parameters
    ----------
    district
        From `read_district`.
    file
        A table, one row a permit or change.
    columns
        Pairs of a field of `record.feed.FEED_FIELDS` and the file's column.
    dates
        How its dates are written: `iso`, `mdy` or `dmy`.
    dry_run, now, report
        As in `survey_in`.

    Returns
    -------
    Fed

    Raises
    ------
    RoofplatError
        The district, the file or the record cannot be used; nothing is logged then.
    """
    say = report or _silent
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    feed = read_feed(Path(file), columns, rules, order=dates)
    say(f"Reading {district.name}")
    layers = read_inputs(district, rules)
    tables = _record_tables(district, layers, rules)
    inputs = with_record(layers, tables, rules)
    say("Joining")
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    facts = inventory.facts
    addresses = facts.loc[facts["field"] == "address", ["building_id", "value"]]
    addresses = addresses.rename(columns={"value": "address"})
    whose = find_buildings(inputs.footprints, addresses, feed.rows, feed.file, rules, ground)
    pairs = whose.pairs
    fresh = observe_marks(feed, pairs["row"].tolist(), pairs["building_id"].tolist())
    added = known = 0
    if len(fresh) and not dry_run:
        say(f"Writing {district.record_file.name}")
        first = _first_outlines(layers, tables, rules, now, fresh["building_id"])
        record = open_record(district.record_file, layers.working_crs, rules)
        appended = append(record, observations=fresh, now=now, **first)
        added, known = appended.added["observations"], appended.already_known["observations"]
    told = feed.rows.iloc[pairs["row"]].reset_index(drop=True)
    surveyed = inventory.buildings.set_index("building_id")["surveyed_on"].reindex(pairs["building_id"])
    rows = pd.DataFrame(
        {
            "record": told["record"],
            "building_id": pairs["building_id"],
            "by": pairs["by"],
            "seen_on": told["seen_on"],
            "reasons": told["reasons"],
            "holds": ~(surveyed.reset_index(drop=True) > told["seen_on"]),
        }
    )
    problems = conform("problems", pd.concat([feed.problems, whose.problems], ignore_index=True))
    return Fed(rows, feed.read, problems, added, known, district.record_file)


def _parts_not_kept(problems: pd.DataFrame) -> set[str]:
    """Parts of split buildings that the record does not know: what is logged of one would be told of all."""
    if not problems["code"].eq("footprints_not_kept").any():
        return set()
    return set(problems.loc[problems["code"] == "outline_split", "feature"])


def survey_keep(
    district: District,
    *,
    dry_run: bool = False,
    gone: bool = False,
    now: datetime.datetime | None = None,
    report: Callable[[str], None] | None = None,
) -> KeptFootprints:
    """Write the footprints of a district into its record, so that ids outlive the next footprint layer.

    Parameters
    ----------
    district
        From `read_district`.
    dry_run
        Say what became of the buildings, and write nothing.
    gone
        Write also where more than `record.gone_share` of the standing buildings would be gone.
    now
        As in `survey_in`; outlines hold from its day, UTC.
    report
        As in `build`.

    Returns
    -------
    KeptFootprints

    Raises
    ------
    RoofplatError
        The district or the record cannot be used, or too many buildings would be gone; nothing is written
        then.
    """
    say = report or _silent
    rules = load_rulebook(district.rules, district.families)
    say(f"Reading {district.name}")
    layers = read_inputs(district, rules)
    tables = _record_tables(district, layers, rules)
    say("Matching outlines")
    inputs, _, lineage = on_footprints(layers, tables, rules)
    if not gone and not dry_run:
        check_gone(lineage, tables.outlines, rules)
    moment = now or datetime.datetime.now(datetime.UTC)
    kept = keep_rows(inputs.footprints, tables, lineage, day=moment.astimezone(datetime.UTC).date())
    written: dict[str, int] = {}
    file = district.record_file
    if len(kept.lineage) and not dry_run:
        say(f"Writing {file.name}")
        rows = {"outlines": kept.outlines, "lineage": kept.lineage, "observations": kept.observations}
        written = dict(append(open_record(file, layers.working_crs, rules), now=moment, **rows).added)
    found = inputs.problems[inputs.problems["code"].isin(FOOTPRINT_CODES)]
    if written:
        found = found[found["code"] != "footprints_not_kept"]
    return KeptFootprints(
        release=layers.release,
        counts=event_counts(lineage),
        lineage=lineage,
        events=written.get("lineage", 0),
        outlines=written.get("outlines", 0),
        marks=written.get("observations", 0),
        problems=conform("problems", found),
        record=file,
    )


def _first_outlines(
    layers: Inputs, tables: RecordTables, rules: Rulebook, now: datetime.datetime | None, names: pd.Series
) -> dict[str, Any]:
    """The outlines that rows of the record speak of, as far as it has none of them yet."""
    moment = now or datetime.datetime.now(datetime.UTC)
    day = moment.astimezone(datetime.UTC).date()
    inputs, _, lineage = on_footprints(layers, tables, rules)
    if len(tables.outlines):
        kept = keep_new(inputs.footprints, lineage, names, day=day)
    else:
        kept = keep_rows(inputs.footprints, tables, lineage, day=day)
    return {"outlines": kept.outlines, "lineage": kept.lineage}


def _record_tables(district: District, layers: Inputs, rules: Rulebook) -> RecordTables:
    """The record as it is; an empty one where there is none."""
    file, crs = district.record_file, layers.working_crs
    if file.exists():
        return read_record(open_record(file, crs, rules), crs=crs)
    names = ("observations", "outlines", "lineage", "drawn", "current")
    return RecordTables(**{name: empty(name, crs) for name in names})


def _next_in(name: str, log: Any, fresh: Any) -> Any:
    """A log with rows that are not logged, under the numbers that they would get."""
    first = int(log["number"].max()) + 1 if len(log) else 1
    numbered = fresh.assign(number=pd.array(range(first, first + len(fresh)), dtype="Int64"))
    rows = [frame for frame in (log, numbered) if len(frame)]
    return conform(name, pd.concat(rows, ignore_index=True)) if rows else log


def _axes(
    before: Inputs,
    inventory: Inventory,
    after: Inputs,
    then: Inventory,
    rules: Rulebook,
    ground: Ground,
    fresh: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sections whose beams run another way than before, and sounding notes that contradict each other."""
    turned = fresh.loc[fresh["field"].isin(AXIS_FIELDS), "building_id"]
    columns = ["section_id", "framing_axis_deg", "axis_basis"]
    rows = [one.roofs[one.roofs["building_id"].isin(turned)] for one in (inventory, then)]
    old = frame_roofs(rows[0], before.streets, rules, ground).sections[columns]
    new = frame_roofs(rows[1], after.streets, rules, ground)
    notes = sounding_notes(then.facts, after.attributes)
    both = old.merge(new.sections[columns], on="section_id", how="right", suffixes=("_was", "_now"))
    was, now = both["framing_axis_deg_was"], both["framing_axis_deg_now"]
    off = ((now - was + 90.0) % 180.0 - 90.0).abs()
    moved = off.isna() | (off > _AXIS_MOVED_DEG) | (both["axis_basis_was"] != both["axis_basis_now"])
    axes = both[moved].reset_index(drop=True)
    axes.columns = pd.Index(["section_id", "was_deg", "was_basis", "now_deg", "now_basis"])
    return axes, check_soundings(notes, new.sections, new.spacings, rules)


def gather(
    district: District,
    rules: Rulebook,
    *,
    as_of: datetime.date | None = None,
    seen_by: datetime.date | None = None,
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

    Returns
    -------
    Inputs

    Raises
    ------
    RoofplatError
        The footprints or the record cannot be used.
    """
    inputs = read_inputs(district, rules)
    file = district.record_file
    if not file.exists():
        return inputs
    record = open_record(file, inputs.working_crs, rules)
    tables = read_record(record, as_of, crs=inputs.working_crs)
    if seen_by is not None:
        then = read_record(record, seen_by, crs=inputs.working_crs)
        tables = replace(tables, observations=then.observations, drawn=then.drawn, current=then.current)
    return with_record(inputs, tables, rules)


def survey_out(
    district: District,
    *,
    area: str | None = None,
    most: int | None = None,
    out: str | Path | None = None,
    workers: int = 1,
    as_of: datetime.date | None = None,
    report: Callable[[str], None] | None = None,
) -> SurveyForms:
    """Write the forms of a survey.

    Parameters
    ----------
    district
        From `read_district`.
    area
        Buildings of this dispatch area alone. Ranks are those of the whole district.
    most
        No more buildings than this, those first that a survey is worth most; all when not given.
    out
        As in `build`; the forms go to `survey/<area>/` in it, of all areas to `survey/whole-district/`.
    workers, as_of, report
        As in `build`.

    Returns
    -------
    SurveyForms

    Raises
    ------
    RoofplatError
        There is no such area, no building in it, or the district cannot be read; nothing is written then.
    """
    # Here and not above: a build does not wait for what draws forms.
    from roofplat.publish.survey import survey_order, write_survey

    say = report or _silent
    folder = _folder(district, out)
    day = as_of or datetime.date.today()
    planned = _plan(district, area=area, wind_from_deg=None, workers=workers, day=day, say=say)
    wanted = planned.tables["buildings"]["building_id"].tolist() if area is None else planned.wanted
    if not wanted:
        where = "There is no building" if area is None else f"No building lies in the area {area!r}"
        raise DistrictFileError(f"{where}; there is nothing to survey.")
    tables = {**planned.tables, "roofs": planned.inventory.roofs}
    say(f"Writing {folder}")
    rows, files = write_survey(
        tables,
        survey_order(tables, wanted)[:most],
        district=district.name,
        area=area,
        areas=planned.inputs.areas["name"].dropna().tolist(),
        rules=planned.rules,
        ground=planned.ground,
        as_of=day,
        paper=district.sheets.paper,
        out=folder,
    )
    return SurveyForms(rows=rows, of=len(wanted), problems=planned.problems, out=files[0].parent, files=files)


def changes_since(
    district: District,
    *,
    since: datetime.date,
    until: datetime.date | None = None,
    out: str | Path | None = None,
    workers: int = 1,
    report: Callable[[str], None] | None = None,
) -> Changed:
    """Tell what changed between two days of the record of surveys.

    Parameters
    ----------
    district
        From `read_district`.
    since, until
        The record as it was at the end of these days; without `until` all of it, and today. Outlines before
        are those that the record held then. All other layers of the district file are as they are, buildings
        have the ids of the later day, and ages are counted on it in both states, so that what is listed came
        with the record and not with time.
    out
        As in `build`; the comparison goes to `changes/` in it.
    workers, report
        As in `build`.

    Returns
    -------
    Changed

    Raises
    ------
    RoofplatError
        There is no record, the days are not in order, or the district cannot be read; nothing is written.
    """
    # Here and not above: a build does not wait for what compares.
    from roofplat.publish.changes import State

    say = report or _silent
    day = until or datetime.date.today()
    if since > day:
        raise DistrictFileError(f"{since} is later than {day}; give the earlier day as --since.")
    if not district.record_file.exists():
        raise DistrictFileError(
            f"There is no record of surveys ({district.record_file}); bring one in, or compare two builds."
        )
    labels = [f"the record as of {known_on}" for known_on in (since, day)]
    states: list[_Planned] = []
    for label, seen_by in zip(labels, (since, None), strict=True):
        say(f"Planning {label}")
        states.append(
            _plan(
                district,
                area=None,
                wind_from_deg=None,
                workers=workers,
                day=day,
                as_of=until,
                seen_by=seen_by,
                say=say,
            )
        )
    rules, ground, buildings = states[1].rules, states[1].ground, states[0].tables["buildings"]
    notes = [
        f"Layers other than outlines are as the district file has them now, and ages are counted on {day} "
        "in both states."
    ]
    record = open_record(district.record_file, buildings.crs, rules)
    outlines = standing(read_record(record, since, crs=buildings.crs).outlines)
    if outlines.empty:
        notes.append(f"The record held no outlines on {since}: buildings that came or went are not listed.")
    else:
        buildings = _as_outlined(buildings, outlines)
    was, now = (
        State(label, tables)
        for label, tables in zip(
            labels, ({**states[0].tables, "buildings": buildings}, states[1].tables), strict=True
        )
    )
    return _compared(was, now, notes, district.name, rules, ground, _folder(district, out), say)


def _as_outlined(buildings: gpd.GeoDataFrame, outlines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The buildings that the record had, as it drew them; of those no longer there the id is known alone."""
    outlines = outlines.sort_values("building_id", kind="stable")
    known = pd.DataFrame(buildings).drop(columns="geometry")
    told = pd.DataFrame({"building_id": outlines["building_id"]}).merge(known, on="building_id", how="left")
    return gpd.GeoDataFrame(told, geometry=outlines.geometry.to_numpy(), crs=buildings.crs)


def changes_of_builds(
    before: Path,
    after: Path,
    *,
    district: District | None = None,
    out: str | Path | None = None,
    report: Callable[[str], None] | None = None,
) -> Changed:
    """Tell what changed between two builds.

    Parameters
    ----------
    before, after
        Folders of builds.
    district
        For its overrides of `changes.*` and its mean elevation; the rulebook as it comes without it.
    out
        The folder that `changes/` is made in; else that of the later build.
    report
        As in `build`.

    Returns
    -------
    Changed

    Raises
    ------
    RoofplatError
        One of the folders holds no build, or they are of different dispatch areas; nothing is written then.
    """
    # Here and not above: a build does not wait for what compares.
    from roofplat.publish.changes import in_common, of_themselves, read_build

    say = report or _silent
    rules = load_rulebook(district.rules, district.families) if district else load_rulebook()
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft if district else None)
    say("Reading the builds")
    was, now, area = in_common(read_build(before), read_build(after))
    notes = of_themselves(was, now)
    if area is not None:
        notes = [f"One of the builds is of the dispatch area {area} alone; no other is compared.", *notes]
    name = district.name if district else str(now.told.get("district") or "The district")
    return _compared(was, now, notes, name, rules, ground, Path(out) if out else after, say)


def _compared(
    was: Any,
    now: Any,
    notes: list[str],
    name: str,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    say: Callable[[str], None],
) -> Changed:
    """Compare two states and write what differs."""
    from roofplat.publish.changes import kind_counts, write_changes

    say("Comparing")
    changes = compare_states(was.tables, now.tables, rules, ground)
    say(f"Writing {folder}")
    files = write_changes(
        changes, was, now, district=name, notes=notes, rules=rules, ground=ground, out=folder
    )
    return Changed(
        rows=changes.rows,
        counts=kind_counts(changes.rows),
        before=was.label,
        after=now.label,
        notes=notes,
        out=files[0].parent,
        files=files,
    )


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
    framing = frame_roofs(inventory.roofs, inputs.streets, rules, ground, inputs.walls)
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
        "section_facts": inventory.section_facts,
        "family_odds": inventory.family_odds,
        "streets": inputs.streets,
        "areas": inputs.areas,
        "stations": inputs.stations,
    }
    notes = sounding_notes(inventory.facts, inputs.attributes)
    problems = [
        inputs.problems,
        inventory.problems,
        framing.problems,
        check_soundings(notes, framing.sections, framing.spacings, rules),
        plan.problems,
        solar_problems,
    ]
    return tables, conform("problems", pd.concat(problems, ignore_index=True))


def _folder(district: District, out: str | Path | None) -> Path:
    return Path(out) if out is not None else district.out or Path("maps") / district.folder.name


def _plan(
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
) -> _Planned:
    """Everything up to the writing; a fire spot asked for takes the place of its building's own.

    Ages are counted on `day`; the record is as of `as_of`, all of it where none is asked for, and what was
    seen after `seen_by` is left out of it.
    """
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    say(f"Reading {district.name}")
    inputs = gather(district, rules, as_of=as_of, seen_by=seen_by)
    _check_area(area, inputs)
    say("Joining")
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    wanted = _wanted(inventory.buildings, ids, area)
    fire_in = None
    if fire is not None:
        fire_in = _fire_in(inventory.buildings, wanted, fire)
        inventory = replace(inventory, fires=_with_fire(inventory, fire_in, fire))
    tables, problems = draw_plans(
        inputs, inventory, rules, ground, district, wind_from_deg=wind_from_deg, workers=workers, report=say
    )
    if fire is not None and fire_in is not None:
        _check_fire(tables["sections"], fire_in, fire)
    say("Ranking")
    known = {**tables, "roofs": inventory.roofs}
    tables["ranking"] = rank_buildings(known, rules, as_of=day)
    tables["survey_next"] = survey_next({**known, "ranking": tables["ranking"]}, rules)
    tables["problems"] = problems
    return _Planned(rules, ground, inputs, inventory, tables, problems, wanted, fire_in)


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
