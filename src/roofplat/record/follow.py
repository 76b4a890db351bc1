"""What was said of a building, under the ids of today.

In: the tables of the record, the lineage of its buildings, the layers of a district with the file's own ids.
Out: the same with the ids of the record: footprints, keys of sources, observations and drawings.

A survey of a whole speaks of every part until the parts are looked at; surveys of buildings that became one
all speak of that one, and where they disagree, they are in conflict.
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import pandas as pd

from roofplat.intake import AttributeRecords, Inputs
from roofplat.intake.keys import NONE, find_keys
from roofplat.intake.values import booleans
from roofplat.record.keep import matching_problems
from roofplat.record.log import current_values
from roofplat.record.outlines import match_outlines
from roofplat.record.store import RecordTables
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = ["follow", "follow_drawn", "named_by_record", "on_footprints"]


def follow(observations: pd.DataFrame, lineage: pd.DataFrame) -> pd.DataFrame:
    """Give observations the ids that their buildings have today.

    Release by release: what was logged of a building before it was merged is said of the building that it
    became; what was logged before it was split is said of every part. Sections are numbered anew by both,
    so that what was said of one section is said of the building after.

    Parameters
    ----------
    observations
        `tables.RECORD_TABLES["observations"]`; rows that are not logged yet (`logged_at` missing) are about
        the buildings of today and stay.
    lineage
        `tables.RECORD_TABLES["lineage"]`; rows without a number come last.

    Returns
    -------
    DataFrame
        The columns of `observations`; an observation that speaks of several parts is there once for each,
        with the same number. By number, then building; rows without a number last.

    Examples
    --------
    >>> log = pd.DataFrame({"number": [1], "building_id": ["B1"], "section_id": [None],
    ...                     "logged_at": ["2026-03-01T09:00:00Z"]})
    >>> events = pd.DataFrame({"number": [1, 2], "release": "r2", "event": "split", "old_id": "B1",
    ...     "new_id": ["B1", "B1.2"], "logged_at": "2026-05-01T09:00:00Z"})
    >>> follow(log, events)["building_id"].tolist()
    ['B1', 'B1.2']
    """
    rows = observations
    for events in _steps(lineage):
        rows = _followed(rows, events, parts=True)
    return rows.sort_values(["number", "building_id"], kind="stable", na_position="last", ignore_index=True)


def follow_drawn(drawn: gpd.GeoDataFrame, lineage: pd.DataFrame) -> gpd.GeoDataFrame:
    """Give drawings the ids that their buildings have today.

    Parameters
    ----------
    drawn
        `tables.RECORD_TABLES["drawn"]`.
    lineage
        As in `follow`.

    Returns
    -------
    GeoDataFrame
        The same rows; a drawing of a building that was split since names none, so that it goes to the part
        that it lies in.
    """
    rows = drawn
    for events in _steps(lineage):
        rows = _followed(rows, events, parts=False)
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=drawn.crs)


def on_footprints(
    inputs: Inputs, record: RecordTables, rules: Rulebook
) -> tuple[Inputs, RecordTables, pd.DataFrame]:
    """Put the ids of the record on the footprints, and on all that speaks of them.

    A key of a source means the building that the footprint file calls so, else the one that the record calls
    so. Nothing is written: the same footprints get the same ids until `survey keep` writes them down.

    Parameters
    ----------
    inputs
        As the intake hands them on, in the working CRS.
    record
        From `read_record`, in the same CRS.
    rules
        As in `match_outlines`.

    Returns
    -------
    inputs
        `footprints` with a column `file_id` (the file's own ids); keys of sources that are joined by key and
        the building ids of sections and fire spots changed to match; problem rows for what is no longer the
        same.
    record
        `observations`, `drawn` and `current` under the ids of today.
    lineage
        `tables.RECORD_TABLES["lineage"]` of these footprints, not logged; all of them new where the record
        has no outlines.
    """
    footprints = inputs.footprints
    own = footprints["building_id"].astype("str")
    if record.outlines.empty:
        # Nothing was written down yet: the file's ids are those of the record.
        first = match_outlines(record.outlines, footprints, rules, release=inputs.release).lineage
        return replace(inputs, footprints=_with_ids(footprints, own)), record, first
    ids, lineage, offset_ft = match_outlines(
        record.outlines,
        footprints,
        rules,
        release=inputs.release,
        demolished=_demolished(_as_of_today(record, record.lineage).current),
    )
    changed = pd.concat([record.lineage, lineage], ignore_index=True) if len(record.lineage) else lineage
    told = matching_problems(own, ids, lineage, record.lineage, offset_ft)
    named = replace(inputs, problems=pd.concat([inputs.problems, told], ignore_index=True))
    return named_by_record(named, ids), _as_of_today(record, changed), lineage


def named_by_record(inputs: Inputs, ids: pd.Series) -> Inputs:
    """Put the ids of the record on footprints, and on all that speaks of them.

    Parameters
    ----------
    inputs
        Under the ids of the footprint file.
    ids
        Those of the record, in the order of the footprints, shape (n,).

    Returns
    -------
    Inputs
        As from `on_footprints`.
    """
    own = inputs.footprints["building_id"].astype("str")
    problems = [inputs.problems]
    attributes = tuple(_keyed(source, own, ids, problems) for source in inputs.attributes)
    return replace(
        inputs,
        footprints=_with_ids(inputs.footprints, ids),
        attributes=attributes,
        sections=_renamed(inputs.sections, own, ids),
        fires=_renamed(inputs.fires, own, ids),
        problems=pd.concat(problems, ignore_index=True),
    )


def _steps(lineage: pd.DataFrame) -> list[pd.DataFrame]:
    """The events that change ids, one frame for each time that a release was written down."""
    events = lineage[
        lineage["event"].isin(["split", "merged"]) & lineage["old_id"].notna() & lineage["new_id"].notna()
    ]
    events = events.sort_values("number", kind="stable", na_position="last")
    moment = events["logged_at"].fillna("")
    return [frame for _, frame in events.groupby([moment, events["release"]], sort=False)]


def _followed(rows: pd.DataFrame, events: pd.DataFrame, *, parts: bool) -> pd.DataFrame:
    """The rows after the events of one release; `parts`: what was said of a whole is said of every part."""
    moment = events["logged_at"].iloc[0]
    logged = rows["logged_at"]
    # Of the same second: an id that ended then can mean the old building only, one that goes on the new.
    before = logged.notna() if pd.isna(moment) else (logged < moment)
    until = logged.notna() if pd.isna(moment) else (logged <= moment)
    merged = events[events["event"] == "merged"]
    heir = pd.Series(merged["new_id"].to_numpy(), index=merged["old_id"].to_numpy())
    ended = heir[heir.index != heir.to_numpy()]
    split = events[events["event"] == "split"]
    whole = split.loc[split["old_id"] == split["new_id"], "old_id"]
    made = split.loc[split["old_id"] != split["new_id"], ["old_id", "new_id"]]

    name = rows["building_id"]
    moves = (name.isin(ended.index) & until).to_numpy(dtype=bool, na_value=False)
    divided = (name.isin(made["old_id"]) & before).to_numpy(dtype=bool, na_value=False)
    stays = name.isin([*heir.index, *whole]) & before
    after = rows.assign(building_id=name.mask(moves, name.map(ended)).astype("str"))
    if not parts:
        after["building_id"] = after["building_id"].mask(divided & name.isin(whole))
        return after
    renumbered = moves | stays.to_numpy(dtype=bool, na_value=False)
    after["section_id"] = after["section_id"].mask(renumbered)
    copies = rows[divided].merge(made, left_on="building_id", right_on="old_id", how="inner")
    copies = copies.assign(building_id=copies["new_id"], section_id=None)[list(rows.columns)]
    copies = copies.astype({"section_id": rows["section_id"].dtype})
    return pd.concat([after, copies], ignore_index=True) if len(copies) else after


def _as_of_today(record: RecordTables, lineage: pd.DataFrame) -> RecordTables:
    observations = follow(record.observations, lineage)
    return replace(
        record,
        observations=observations,
        drawn=follow_drawn(record.drawn, lineage),
        current=current_values(observations),
    )


def _demolished(current: pd.DataFrame) -> list[str]:
    said = current[current["field"] == "gone"]
    yes, _ = booleans(said["value"])
    ids: list[str] = said.loc[yes.fillna(False).astype(bool), "building_id"].tolist()
    return ids


def _with_ids(footprints: gpd.GeoDataFrame, ids: pd.Series) -> gpd.GeoDataFrame:
    if "file_id" in footprints:
        # They have the ids of the record already.
        return footprints
    named = footprints.assign(building_id=ids.astype("str"))
    named.insert(1, "file_id", footprints["building_id"].astype("str"))
    return named


def _renamed(layer: gpd.GeoDataFrame, own: pd.Series, ids: pd.Series) -> gpd.GeoDataFrame:
    return layer.assign(building_id=_translated(layer["building_id"].astype("str"), own, ids))


def _keyed(
    source: AttributeRecords, own: pd.Series, ids: pd.Series, problems: list[pd.DataFrame]
) -> AttributeRecords:
    """The keys of a source as ids of the record; a warning where a key means one in each."""
    if source.source.how != "key":
        return source
    keys = source.frame["key"].astype("str")
    ours = _translated(keys, own, ids)
    both = (ours != keys).to_numpy(dtype=bool) & keys.isin(ids).to_numpy(dtype=bool)
    problems.append(
        problem_rows(
            source.source.name,
            source.frame["record"][both],
            "key_means_two",
            "warning",
            [
                f"Record {record} has the key {key}, which is building {theirs} in the footprint file and "
                "another in the record; it joins the former."
                for record, key, theirs in zip(
                    source.frame["record"][both], keys[both], ours[both], strict=True
                )
            ],
            "Give the record the key of its building in the footprint file.",
        )
    )
    return replace(source, frame=source.frame.assign(key=ours))


def _translated(keys: pd.Series, own: pd.Series, ids: pd.Series) -> pd.Series:
    """The ids of the record for keys that mean a building of the file; others as they are."""
    found, _ = find_keys(own, keys)
    hit = found != NONE
    out = keys.to_numpy(dtype=object).copy()
    out[hit] = ids.to_numpy(dtype=object)[found[hit]]
    return pd.Series(out, index=keys.index, dtype="str")
