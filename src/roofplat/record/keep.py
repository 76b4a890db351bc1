"""What is written down of a footprint layer, and what is said of it.

In: what became of each building in a footprint layer, see `outlines`.
Out: outlines, events and marks for the record; problem rows where buildings are not what they were.
"""

from __future__ import annotations

import datetime
import re
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.errors import DistrictFileError
from roofplat.record.outlines import standing
from roofplat.record.store import RecordTables
from roofplat.rules import Rulebook
from roofplat.tables import LINEAGE_EVENTS, conform, empty, problem_rows

__all__ = [
    "FOOTPRINT_CODES",
    "Kept",
    "check_gone",
    "event_counts",
    "keep_new",
    "keep_rows",
    "matching_problems",
]

_LAYER = "footprints"
# Units of the CRS; the rounding of a CRS is far below, and no wall is drawn so exactly.
_SAME_PLACE = 1e-5
_IN_PART = " (in part)"
_AGAIN = re.compile(r" #\d+$")
# What is said of a building whose outline is not what it was.
_TOLD = {
    "changed": "The outline of building {} is not what it was; surveys of it may be of another roof.",
    "split": "Building {} is a part of what was one building; surveys of the whole speak for every part.",
    "merged": "Building {} covers what were several buildings; surveys of each speak for all of it.",
}

FOOTPRINT_CODES = (
    "footprints_not_kept",
    "footprints_off",
    *(f"outline_{event}" for event in _TOLD),
    "outline_gone",
    "id_taken",
    "key_means_two",
)
"""Codes of the problems of footprints that are not those of the record."""


class Kept(NamedTuple):
    """Rows for the record: `tables.RECORD_TABLES` of these names."""

    outlines: gpd.GeoDataFrame
    lineage: pd.DataFrame
    observations: pd.DataFrame


def keep_rows(
    footprints: gpd.GeoDataFrame,
    record: RecordTables,
    lineage: pd.DataFrame,
    *,
    day: datetime.date,
) -> Kept:
    """Make the rows that write a footprint layer down.

    Parameters
    ----------
    footprints
        `building_id` (those of the record) and `geometry`, in the CRS of the tables.
    record
        The tables that are in the record.
    lineage
        What became of each building, from `follow.on_footprints`.
    day
        The day from which the outlines hold.

    Returns
    -------
    Kept
        An outline that is drawn as it stands in the record stays there; any other ends on that day, and the
        new one starts on it. A building that was drawn otherwise, split or merged is marked to be looked at
        again. Where the record has this release already, but not as the last, its name gets a number, so
        that going back to an earlier file is an event too.
    """
    if _is_last(record.lineage, lineage):
        lineage = lineage.iloc[:0]
    release = _fresh_name(record, lineage)
    lineage = lineage.assign(release=release)
    now = standing(record.outlines)
    alike = _drawn_alike(now, footprints)
    moment = pd.Timestamp(day).as_unit("ms")
    ended = now[~now["building_id"].isin(alike)].assign(to_date=moment)
    drawn = footprints.loc[
        footprints["building_id"].isin(lineage["new_id"]) & ~footprints["building_id"].isin(alike),
        ["building_id", "geometry"],
    ]
    if lineage.empty:
        ended = ended.iloc[:0]
    fresh = drawn.sort_values("building_id").assign(release=release, from_date=moment, to_date=pd.NaT)
    outlines = [frame for frame in (ended, fresh) if len(frame)]
    return Kept(
        conform("outlines", pd.concat(outlines, ignore_index=True)) if outlines else record.outlines.iloc[:0],
        lineage,
        _marks(lineage, release, day),
    )


def keep_new(
    footprints: gpd.GeoDataFrame, lineage: pd.DataFrame, names: pd.Series, *, day: datetime.date
) -> Kept:
    """Make the rows that write down those new buildings that something is about to be logged of.

    Without its outline in the record the id of a new building could be that of another one in the next layer,
    which would inherit what was logged. All else of the layer waits for `keep_rows`.

    Parameters
    ----------
    footprints, lineage, day
        As in `keep_rows`.
    names
        Ids of the record that are to be logged of.

    Returns
    -------
    Kept
        No observations; no rows where every building named is in the record, or is a part of one.
    """
    new = lineage.loc[(lineage["event"] == "new") & lineage["new_id"].isin(names)]
    release = new["release"] + _IN_PART
    drawn = footprints[footprints["building_id"].isin(new["new_id"])].sort_values("building_id")
    rows = drawn.assign(
        release=release.iloc[0] if len(new) else "", from_date=pd.Timestamp(day).as_unit("ms"), to_date=pd.NaT
    )
    return Kept(conform("outlines", rows), new.assign(release=release), empty("observations"))


def check_gone(lineage: pd.DataFrame, outlines: gpd.GeoDataFrame, rules: Rulebook) -> None:
    """Refuse a footprint layer that lacks most buildings: it may be that of one area, or of another place.

    Parameters
    ----------
    lineage
        What became of each building in the layer.
    outlines
        `tables.RECORD_TABLES["outlines"]`.
    rules
        `record.gone_share`.

    Raises
    ------
    DistrictFileError
        More than that share of the standing buildings would be gone.
    """
    stands = len(standing(outlines))
    gone = int((lineage["event"] == "gone").sum())
    if gone > rules.number("record.gone_share") * stands:
        raise DistrictFileError(
            f"{gone:,} of the {stands:,} buildings that stand in the record are not in "
            f"{lineage['release'].iloc[0]}; name the right file under [footprints], or give --gone if they "
            "are demolished: nothing was changed."
        )


def event_counts(lineage: pd.DataFrame) -> pd.DataFrame:
    """Count what became of the buildings.

    Parameters
    ----------
    lineage
        `tables.RECORD_TABLES["lineage"]`.

    Returns
    -------
    DataFrame
        `event`, `buildings`, in the order of `tables.LINEAGE_EVENTS`: a new outline counts once, and so does
        an old one that has none of its own any more.

    Examples
    --------
    >>> event_counts(pd.DataFrame({"event": ["gone", "same", "same"]})).to_dict("list")
    {'event': ['same', 'gone'], 'buildings': [2, 1]}
    """
    counts = lineage["event"].value_counts()
    events = [event for event in LINEAGE_EVENTS if event in counts.index]
    return pd.DataFrame({"event": events, "buildings": [int(counts[event]) for event in events]})


def matching_problems(
    own: pd.Series,
    ids: pd.Series,
    lineage: pd.DataFrame,
    kept: pd.DataFrame,
    offset_ft: npt.NDArray[np.float64],
) -> pd.DataFrame:
    """Say where the footprints are no longer those of the record.

    Parameters
    ----------
    own, ids
        The file's ids and those of the record, shape (n,).
    lineage
        What became of each building in these footprints.
    kept
        The lineage that is written down.
    offset_ft
        How far the footprints lie off the record as a whole, feet east and north, shape (2,).

    Returns
    -------
    DataFrame
        `tables.TABLES["problems"]`; none where every building is the same.
    """
    fate = lineage[lineage["event"] != "same"]
    rows = []
    if len(fate) and not _is_last(kept, lineage):
        counts = event_counts(fate)
        told = ", ".join(
            f"{many:,} {event}" for event, many in zip(counts["event"], counts["buildings"], strict=True)
        )
        rows.append(
            problem_rows(
                _LAYER,
                [lineage["release"].iloc[0]],
                "footprints_not_kept",
                "info",
                f"These footprints are not those that the record knows: {told}.",
                "Look at the map, then write them down with `roofplat survey keep`.",
            )
        )
    if offset_ft.any():
        rows.append(
            problem_rows(
                _LAYER,
                [lineage["release"].iloc[0]],
                "footprints_off",
                "warning",
                f"These footprints lie {_off(offset_ft)} of those that the record knows; they are matched as "
                "if they did not.",
                "Look which of the two is right; what was drawn over the former lies off by as much.",
            )
        )
    for event, sentence in _TOLD.items():
        names = fate.loc[fate["event"] == event, "new_id"].drop_duplicates().sort_values()
        told_of = [sentence.format(name) for name in names]
        rows.append(
            problem_rows(_LAYER, names, f"outline_{event}", "warning", told_of, "Look at the roof again.")
        )
    gone = fate.loc[fate["event"] == "gone", "old_id"].sort_values()
    rows.append(
        problem_rows(
            _LAYER,
            gone,
            "outline_gone",
            "info",
            [f"Building {name} of the record is not in these footprints." for name in gone],
            "Nothing, if it is demolished; else mend the footprints. What was seen of it is kept.",
        )
    )
    fresh = ids.isin(fate.loc[fate["event"] == "new", "new_id"]).to_numpy(dtype=bool)
    other = (own != ids).to_numpy(dtype=bool) & fresh
    rows.append(
        problem_rows(
            _LAYER,
            ids[other],
            "id_taken",
            "warning",
            [
                f"The file calls this building {theirs}, as the record calls another; here it is {ours}."
                for theirs, ours in zip(own[other], ids[other], strict=True)
            ],
            "Use the id of the record in forms and in the district file.",
        )
    )
    return pd.concat(rows, ignore_index=True)


def _off(offset_ft: npt.NDArray[np.float64]) -> str:
    """An offset as people say it."""
    east, north = offset_ft
    ways = ((east, "east" if east > 0 else "west"), (north, "north" if north > 0 else "south"))
    return " and ".join(f"{abs(far):.1f} ft {way}" for far, way in ways if round(abs(far), 1) > 0)


def _plain(release: str) -> str:
    """The name without the number that says how often it came back."""
    return _AGAIN.sub("", release)


def _drawn_alike(now: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> set[str]:
    """Ids of the buildings whose outline is still the one that stands in the record."""
    both = now[["building_id", "geometry"]].merge(footprints[["building_id", "geometry"]], on="building_id")
    old, new = (both[f"geometry_{side}"].to_numpy(dtype=object) for side in ("x", "y"))
    # The record may have another CRS: what comes back from it is as good as the same.
    alike = shapely.equals_exact(old, new, tolerance=_SAME_PLACE, normalize=True)
    return set(both.loc[alike, "building_id"])


def _is_last(kept: pd.DataFrame, lineage: pd.DataFrame) -> bool:
    """Whether a release is the last that was written down."""
    if kept.empty or lineage.empty:
        return False
    return _plain(str(kept["release"].iloc[-1])) == str(lineage["release"].iloc[0])


def _fresh_name(record: RecordTables, lineage: pd.DataFrame) -> str:
    if lineage.empty:
        return ""
    name = str(lineage["release"].iloc[0])
    known = {*record.lineage["release"], *record.outlines["release"]}
    again = sum(_plain(release) == name for release in known)
    return f"{name} #{again + 1}" if again else name


def _marks(lineage: pd.DataFrame, release: str, day: datetime.date) -> pd.DataFrame:
    """A mark for every building whose roof may not be the one that was looked at."""
    rows = lineage[lineage["event"].isin(list(_TOLD)) & lineage["new_id"].notna()]
    rows = rows.drop_duplicates("new_id").sort_values("new_id", ignore_index=True)
    return pd.DataFrame(
        {
            "building_id": rows["new_id"],
            "section_id": None,
            "field": "look_again",
            "value": "outline " + rows["event"],
            "basis": "inferred",
            "who": None,
            "seen_on": pd.Timestamp(day).as_unit("ms"),
            "file": release,
            "batch": None,
            "note": None,
        }
    ).astype({"building_id": "str", "value": "str"})
