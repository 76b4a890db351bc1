"""The survey loop: forms out, findings, drawings and permits in, footprints kept.

In: a district and files that people filled in.
Out: `SurveyForms`, `TakenIn`, `DrawnIn`, `Fed`, `KeptFootprints`; rows in the record of surveys.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from roofplat.district import District
from roofplat.errors import DistrictFileError
from roofplat.framing import frame_roofs
from roofplat.framing.soundings import check_soundings, sounding_notes
from roofplat.ground import Ground
from roofplat.intake import Inputs, read_inputs
from roofplat.intake.forms import read_forms
from roofplat.inventory import Inventory, take_inventory
from roofplat.inventory.whose import find_buildings
from roofplat.pipeline.planning import folder_of, plan_district, silent
from roofplat.record import RecordTables, append, open_record, read_record, with_record
from roofplat.record.answers import AXIS_FIELDS, check_answers, values_in_force
from roofplat.record.drawn import take_drawn
from roofplat.record.feed import DateOrder, observe_marks, read_feed
from roofplat.record.follow import on_footprints
from roofplat.record.keep import FOOTPRINT_CODES, check_gone, event_counts, keep_new, keep_rows
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import conform, empty

__all__ = [
    "DrawnIn",
    "Fed",
    "KeptFootprints",
    "SurveyForms",
    "TakenIn",
    "survey_drawn",
    "survey_feed",
    "survey_in",
    "survey_keep",
    "survey_out",
]

_AXIS_MOVED_DEG = 0.05


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

    say = report or silent
    folder = folder_of(district, out)
    day = as_of or datetime.date.today()
    planned = plan_district(district, area=area, wind_from_deg=None, workers=workers, day=day, say=say)
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
    say = report or silent
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
    say = report or silent
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
    say = report or silent
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
    say = report or silent
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


def _parts_not_kept(problems: pd.DataFrame) -> set[str]:
    """Parts of split buildings that the record does not know: what is logged of one would be told of all."""
    if not problems["code"].eq("footprints_not_kept").any():
        return set()
    return set(problems.loc[problems["code"] == "outline_split", "feature"])


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
