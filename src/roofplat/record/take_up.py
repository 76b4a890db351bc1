"""Take up the record into what was read: its log as a source, its drawings as drawn layers.

In: the inputs of a district, the tables of its record as of some day.
Out: the same inputs with a source named "survey log" before all others, and with the drawn sections, fire
    walls, expansion joints and obstacles; a problem row for everything that could not be used.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from roofplat.district import AttributeSource
from roofplat.intake import AttributeRecords, Inputs
from roofplat.intake.gather import part_names
from roofplat.intake.values import Typed, booleans, typed
from roofplat.record.drawn import standing
from roofplat.record.feed import marks_of
from roofplat.record.follow import on_footprints
from roofplat.record.store import RecordTables
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, OBSTACLE_KINDS, TABLES, problem_rows

__all__ = ["SURVEY_LOG", "with_record"]

SURVEY_LOG = "survey log"
"""The name of the record where a source is named."""

_DRAWN = "drawn"
# What divides a roof; a section number of before says nothing of the sections after.
_DIVIDING = ("sections", "fire_walls", "expansion_joints")
_ROOF_COLUMNS = frozenset(TABLES["roofs"].columns)
_OBSTACLE_NUMBERS = ("voltage_kv", "height_ft")


def with_record(inputs: Inputs, record: RecordTables, rules: Rulebook) -> Inputs:
    """Put the record beside what the district's own layers say.

    Parameters
    ----------
    inputs
        As the intake hands them on.
    record
        From `read_record`, geometry in the working CRS.
    rules
        Ranges and roof families: the log is read as strictly as any source.

    Returns
    -------
    Inputs
        With the log as the first attribute source: one record for each observation of `tables.ATTRIBUTES`,
        named by its number, with its own basis and date. Drawn features that none replaces are below those
        of the layers. A section that was drawn, cut or joined anew after an observation named it by number
        is not told of that observation.

    Raises
    ------
    ValueError
        The record is in another CRS: a defect of the caller.
    """
    if record.drawn.crs != inputs.working_crs:
        raise ValueError("The record must be read in the working CRS.")
    problems: list[pd.DataFrame] = []
    inputs, record, _ = on_footprints(inputs, record, rules)
    drawn = standing(record.drawn)
    said = record.observations[record.observations["field"].isin(list(ATTRIBUTES))].reset_index(drop=True)
    usable = _stale_sections(said, record.drawn, problems)
    log = _log(said[usable].reset_index(drop=True), rules, problems)
    problems.append(_standing_though_gone(record.current, inputs.footprints))
    counts = [_count(SURVEY_LOG, len(said), len(log.frame))]
    layers: dict[str, gpd.GeoDataFrame] = {}
    for name in (*_DIVIDING, "obstacles", "walls"):
        rows = drawn[drawn["layer"] == name].reset_index(drop=True)
        counts.append(_count(f"{_DRAWN} {name}", len(rows), len(rows)))
        features = _features(name, rows, rules, problems)
        layer = getattr(inputs, name)
        if name == "sections":
            layer = _uncovered(layer, features, inputs.working_crs, rules, problems)
        layers[name] = _below(layer, features)
    told = pd.DataFrame([count for count in counts if count["read"]])
    return replace(
        inputs,
        attributes=(log, *inputs.attributes),
        problems=_stacked(inputs.problems, *problems),
        counts=_stacked(inputs.counts, told),
        marks=marks_of(record.observations),
        **layers,
    )


def _stale_sections(
    said: pd.DataFrame, drawn: pd.DataFrame, problems: list[pd.DataFrame]
) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which observations may be used: all but those whose section was divided anew since."""
    cuts = drawn[drawn["layer"].isin(_DIVIDING) & drawn["building_id"].notna()]
    last = cuts.groupby("building_id")["logged_at"].max()
    redrawn = said["building_id"].map(dict(last)).astype("str").fillna("")
    stale = (said["section_id"].notna() & (redrawn > said["logged_at"].fillna(""))).to_numpy(dtype=bool)
    rows = said[stale]
    problems.append(
        problem_rows(
            SURVEY_LOG,
            rows["number"].astype("str"),
            "section_redrawn",
            "warning",
            [
                f"Record {number} speaks of section {section}, and the roof was divided anew on {day[:10]}; "
                "it is not used."
                for number, section, day in zip(
                    rows["number"], rows["section_id"], redrawn[stale], strict=True
                )
            ],
            "Look which section is meant, and log it anew.",
        )
    )
    return ~stale


def _log(said: pd.DataFrame, rules: Rulebook, problems: list[pd.DataFrame]) -> AttributeRecords:
    """The observations as records of one source, a column for each field."""
    columns: dict[str, pd.Series] = {}
    kept = np.ones(len(said), dtype=bool)
    for field in ATTRIBUTES:
        mine = (said["field"] == field).to_numpy(dtype=bool)
        if not mine.any():
            continue
        found = typed(said["value"].where(mine), field, rules)
        problems += _faults(SURVEY_LOG, said["number"].astype("str"), field, said["value"], found)
        columns[field] = found.cells
        # `unknown` is a word for no roof family, and says nothing.
        kept &= ~mine | found.cells.notna().to_numpy(dtype=bool) | ~_faulty(found, len(said))
    of_roof = said["field"].isin(_ROOF_COLUMNS)
    frame = pd.DataFrame(
        {
            "record": _names(said["number"]),
            "date": said["seen_on"],
            "key": said["building_id"],
            "section_id": said["section_id"].where(of_roof),
            "basis": said["basis"],
            **columns,
        }
    )
    source = AttributeSource(name=SURVEY_LOG, how="key", basis="surveyed", file=Path(SURVEY_LOG))
    return AttributeRecords(source, frame[kept].reset_index(drop=True), log=True)


def _names(number: pd.Series) -> pd.Series:
    """Numbers as names; what speaks of several buildings is there for each, and needs a name for each."""
    again = number.groupby(number).cumcount().astype("int64") + 1
    name = number.astype("str")
    return name.where(again == 1, name + "." + again.astype("str"))


def _faulty(found: Typed, count: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    wrong = np.zeros(count, dtype=bool)
    for fault in found.faults:
        wrong |= fault.mask
    return wrong


def _faults(layer: str, names: pd.Series, field: str, values: pd.Series, found: Typed) -> list[pd.DataFrame]:
    """Problem rows for values that cannot be used."""
    rows = []
    for fault in found.faults:
        why = [fault.why] * int(fault.mask.sum()) if isinstance(fault.why, str) else fault.why
        rows.append(
            problem_rows(
                layer,
                names[fault.mask],
                fault.code,
                "warning",
                [
                    f"Record {name} gives {value!r} as {field}: {words}; it is not used."
                    for name, value, words in zip(names[fault.mask], values[fault.mask], why, strict=True)
                ],
                fault.action,
            )
        )
    return rows


def _standing_though_gone(current: pd.DataFrame, footprints: gpd.GeoDataFrame) -> pd.DataFrame:
    """A building that somebody saw demolished and that the footprints still show."""
    yes, _ = booleans(current["value"])
    gone = current[(current["field"] == "gone") & yes.fillna(False).astype(bool)]
    gone = gone[gone["building_id"].isin(footprints["building_id"])]
    return problem_rows(
        SURVEY_LOG,
        gone["building_id"],
        "gone_but_drawn",
        "warning",
        [
            f"Building {name} is demolished, says record {number} ({basis}, {_day(seen)}), and the "
            "footprints still show it."
            for name, number, basis, seen in zip(
                gone["building_id"], gone["number"], gone["basis"], gone["seen_on"], strict=True
            )
        ],
        "Take it out of the footprints, or log that it stands.",
    )


def _day(moment: Any) -> str:
    return "no date" if pd.isna(moment) else f"{moment:%Y-%m-%d}"


def _features(
    name: str, rows: gpd.GeoDataFrame, rules: Rulebook, problems: list[pd.DataFrame]
) -> gpd.GeoDataFrame:
    """Drawn features as the intake would hand on those of a layer, one row for each part."""
    labels = rows["number"].astype("str")
    said = pd.DataFrame([_properties(text) for text in rows["properties"]], index=rows.index, dtype=object)
    columns: dict[str, Any] = {}
    if name == "sections":
        columns = {"building_id": rows["building_id"], "basis": rows["basis"]}
        for field in (field for field in ATTRIBUTES if field in said):
            found = typed(said[field], field, rules)
            problems += _faults(f"{_DRAWN} {name}", labels, field, said[field], found)
            columns[field] = found.cells
    if name == "walls":
        word = said["kind"] if "kind" in said else pd.Series(None, index=rows.index, dtype=object)
        columns = {"kind": word.astype("str").fillna("unknown"), "basis": rows["basis"]}
    if name == "obstacles":
        word = said["kind"] if "kind" in said else pd.Series(None, index=rows.index, dtype=object)
        kind = word.astype("str")
        strange = (~kind.isin(OBSTACLE_KINDS)).to_numpy(dtype=bool)
        problems.append(
            problem_rows(
                f"{_DRAWN} {name}",
                labels[strange],
                "unknown_kind",
                "warning",
                [f"{said!r} is no kind of obstacle; it is taken as other." for said in word[strange]],
                f"Use one of {', '.join(OBSTACLE_KINDS)}.",
            )
        )
        columns = {"obstacle_id": _DRAWN + "-" + labels, "kind": kind.mask(strange, "other")}
        for field in _OBSTACLE_NUMBERS:
            given = said[field] if field in said else pd.Series(None, index=rows.index, dtype=object)
            # Only a parapet has a height above the roof edge that anything asks for.
            given = given.where(columns["kind"] == "parapet") if field == "height_ft" else given
            found = typed(given, "parapet_ft" if field == "height_ft" else field, rules)
            problems += _faults(f"{_DRAWN} {name}", labels, field, given, found)
            columns[field] = found.cells
        columns |= {"basis": rows["basis"], "note": rows["note"]}
    frame = gpd.GeoDataFrame(columns, index=rows.index, geometry=rows.geometry.array, crs=rows.crs)
    parts: gpd.GeoDataFrame = frame.explode(index_parts=False)
    names = part_names(_DRAWN + "-" + labels.astype("str").take(parts.index.to_numpy()))
    if "obstacle_id" in parts:
        parts["obstacle_id"] = names.array
    return parts.set_axis(names, axis=0)


def _properties(text: str) -> Mapping[str, Any]:
    found = json.loads(text) if text else {}
    return found if isinstance(found, dict) else {}


def _uncovered(
    layer: gpd.GeoDataFrame,
    drawn: gpd.GeoDataFrame,
    crs: CRS,
    rules: Rulebook,
    problems: list[pd.DataFrame],
) -> gpd.GeoDataFrame:
    """Sections of the district's own layer without the ground that sections of the record have taken over.

    What is in the record was drawn later. Overlaps smaller than `outline.sliver_ft2` are nobody's intention.
    """
    if layer.empty or drawn.empty:
        return layer
    shapes = np.asarray(layer.geometry.array, dtype=object)
    over = np.asarray(drawn.geometry.array, dtype=object)
    ft_per_unit = crs.axis_info[0].unit_conversion_factor / rules.number("ground.foot_m")
    least = rules.number("outline.sliver_ft2") / ft_per_unit**2
    row, other = shapely.STRtree(over).query(shapes, predicate="intersects")
    real = shapely.area(shapely.intersection(shapes[row], over[other])) >= least
    row, other = row[real], other[real]
    touched = np.unique(row)
    if not touched.size:
        return layer
    rest = shapes.copy()
    rest[touched] = [shapely.union_all(over[other[row == one]]) for one in touched]
    rest[touched] = shapely.difference(shapes[touched], rest[touched])
    left = shapely.area(rest) >= least
    problems.append(
        problem_rows(
            "sections",
            layer.index[touched].astype("str").to_numpy(dtype=object),
            "section_taken_over",
            "info",
            [
                "A section of the layer gives way to one that was drawn into the record later; "
                + ("what is left of it stays." if left[one] else "nothing of it is left.")
                for one in touched
            ],
            "Take it out of the layer, or take the drawing out of the record (gone = yes).",
        )
    )
    cut = layer.set_geometry(gpd.array.from_shapely(rest, crs=layer.crs))[
        left | ~np.isin(np.arange(len(layer)), touched)
    ]
    parts: gpd.GeoDataFrame = cut.explode(index_parts=False)
    solid = shapely.get_type_id(np.asarray(parts.geometry.array)) == shapely.GeometryType.POLYGON
    return parts[solid & (parts.geometry.area.to_numpy() > 0)]


def _below(layer: gpd.GeoDataFrame, drawn: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Both below each other; columns that only one of them has are missing in the other."""
    if drawn.empty:
        return layer
    if layer.empty:
        columns = [*layer.columns.drop("geometry"), *drawn.columns.difference(layer.columns, sort=False)]
        return drawn.reindex(columns=[*columns, "geometry"])
    return gpd.GeoDataFrame(pd.concat([layer, drawn]), crs=layer.crs)


def _stacked(first: pd.DataFrame, *others: pd.DataFrame) -> pd.DataFrame:
    filled = [frame for frame in (first, *others) if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else first


def _count(layer: str, read: int, kept: int) -> dict[str, object]:
    return {"layer": layer, "read": read, "kept": kept, "repaired": 0, "refused": read - kept}
