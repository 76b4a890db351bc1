"""Find the building each record speaks of: by key, by point, by parcel, by a second footprint.

In: footprints (`building_id`, `geometry`) and the records of one source (`record`, `key`,
    `date`, `geometry` as far as the way of joining needs them).
Out: `Match`: pairs of record and building, and a problem row for everything that was not plain.

No join multiplies rows: a building takes at most one record of a source by key, parcel or
footprint, and a record finds at most one building by key, point or footprint.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.errors import CrsError
from roofplat.ground import Ground, local_planes
from roofplat.inventory._shared import (
    IntArray,
    best_of_each,
    combine_problems,
    feet_geometry,
    file_order,
    find_keys,
    shares,
    texts,
)
from roofplat.rules import Rulebook
from roofplat.tables import problem_rows

__all__ = [
    "Match",
    "join_by_footprint",
    "join_by_key",
    "join_by_parcel",
    "join_by_point",
    "join_log",
    "overlap_pairs",
]

# Distances that differ by less than a thousandth of a foot are equal.
_FOOT_DECIMALS = 3


class Match(NamedTuple):
    """Which record speaks of which building (`record`, `building_id`), and what was not plain."""

    pairs: pd.DataFrame
    problems: pd.DataFrame


def join_by_key(footprints: gpd.GeoDataFrame, records: pd.DataFrame, layer: str) -> Match:
    """Join records to buildings by id.

    A key is taken as written, else cleaned on both sides (blanks, case, a trailing `.0`). Of
    several records of one building the latest is taken, then the first in the file.

    Parameters
    ----------
    footprints
        `building_id` (unique).
    records
        `record` (unique), `key`, `date` (may be missing: oldest).
    layer
        Name of the source, for the problem log.

    Returns
    -------
    Match
        At most one pair a record and one a building.

    Examples
    --------
    >>> footprints = gpd.GeoDataFrame({"building_id": ["B1"]}, geometry=[shapely.box(0, 0, 1, 1)])
    >>> records = pd.DataFrame({"record": ["0"], "key": ["b1 "], "date": pd.to_datetime(["2024-05-01"])})
    >>> join_by_key(footprints, records, "county").pairs.to_dict("list")
    {'record': ['0'], 'building_id': ['B1']}
    """
    ids = footprints["building_id"].to_numpy(dtype=object)
    record = records["record"].to_numpy(dtype=object)
    keys = records["key"].astype("str")
    found, ambiguous = find_keys(footprints["building_id"], keys)
    problems = []

    blank = keys.isna().to_numpy() | (keys.str.strip() == "").to_numpy(dtype=bool, na_value=False)
    problems.append(
        problem_rows(
            layer,
            record[blank],
            "key_missing",
            "warning",
            texts("Record ", record[blank], " has no key and joins no building.", size=int(blank.sum())),
            "Give the record the id of its building.",
        )
    )
    problems.append(
        problem_rows(
            layer,
            record[ambiguous],
            "key_ambiguous",
            "warning",
            texts(
                "Record ", record[ambiguous], " has the key ", keys.to_numpy(dtype=object)[ambiguous],
                ", which fits several building ids once cleaned; it joins none.",
                size=int(ambiguous.sum()),
            ),
            "Write the key exactly as the footprints write it.",
        )
    )  # fmt: skip
    lost = (found < 0) & ~ambiguous & ~blank
    problems.append(
        problem_rows(
            layer,
            record[lost],
            "record_unmatched",
            "warning",
            texts(
                "Record ", record[lost], " has the key ", keys.to_numpy(dtype=object)[lost],
                ", which is no building id.",
                size=int(lost.sum()),
            ),
            "Correct the key, or add the missing footprint.",
        )
    )  # fmt: skip

    row = np.flatnonzero(found >= 0)
    chosen, _ = best_of_each(
        found[row], [_date_number(records["date"])[row]], file_order(records["record"])[row]
    )
    taken = row[chosen]
    winner = np.full(len(ids), -1, dtype=np.int64)
    winner[found[taken]] = taken
    beaten = np.setdiff1d(row, taken)
    problems.append(
        problem_rows(
            layer,
            record[beaten],
            "duplicate_key",
            "warning",
            texts(
                "Record ", record[beaten], " speaks of building ", ids[found[beaten]], " like record ",
                record[winner[found[beaten]]],
                ", which is taken as the later, or of the same date and earlier in the file.",
                size=beaten.size,
            ),
            "Keep one record a building, or give each its date.",
        )
    )  # fmt: skip
    return Match(_pairs(record[taken], ids[found[taken]]), combine_problems(problems))


def join_log(footprints: gpd.GeoDataFrame, records: pd.DataFrame, layer: str) -> Match:
    """Join every row of a log to the building whose id it names.

    Parameters
    ----------
    footprints
        `building_id` (unique).
    records
        `record` (unique), `key`: cleaned as in `join_by_key`.
    layer
        Name of the log, for the problem log.

    Returns
    -------
    Match
        One pair for each row whose building exists; a building may have many.

    Examples
    --------
    >>> footprints = gpd.GeoDataFrame({"building_id": ["B1"]}, geometry=[shapely.box(0, 0, 1, 1)])
    >>> log = pd.DataFrame({"record": ["1", "2", "3"], "key": ["B1", "B1", "B2"]})
    >>> join_log(footprints, log, "survey log").pairs["record"].tolist()
    ['1', '2']
    """
    ids = footprints["building_id"].to_numpy(dtype=object)
    record = records["record"].to_numpy(dtype=object)
    found, _ = find_keys(footprints["building_id"], records["key"].astype("str"))
    row = np.flatnonzero(found >= 0)
    lost = np.flatnonzero(found < 0)
    # One sentence a building: a whole survey of it may be lost.
    keys = records["key"].iloc[lost].astype("str")
    names, first, many = np.unique(keys.to_numpy(dtype=object), return_index=True, return_counts=True)
    problems = problem_rows(
        layer,
        names,
        "record_unmatched",
        "warning",
        texts(
            many.astype("U").astype(object), " rows of the log, the first of which is ", record[lost[first]],
            ", speak of building ", names, ", which is in no footprint layer; they are not used.",
            size=names.size,
        ),
        "Add the missing footprint; nothing, if the building is gone.",
    )  # fmt: skip
    return Match(_pairs(record[row], ids[found[row]]), problems)


def join_by_point(
    footprints: gpd.GeoDataFrame, records: gpd.GeoDataFrame, layer: str, rules: Rulebook, ground: Ground
) -> Match:
    """Join records to the building their point lies in, else to the nearest within reach.

    A point that several buildings hold or touch goes to the one that truly contains it, then to
    the smallest building id (text order); a point in none goes to the nearest building within
    `join.point_reach_ft` ground feet, ties by the smallest id.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry` in the working CRS.
    records
        `record` (unique), `geometry` (Point) in the same CRS.
    layer
        Name of the source, for the problem log.
    rules, ground
        The reach, and what a foot is.

    Returns
    -------
    Match
        At most one pair a record; a building may have several records.

    Raises
    ------
    CrsError
        The two layers are not in one CRS.
    """
    _same_crs(footprints, records, layer)
    ids = footprints["building_id"].to_numpy(dtype=object)
    rank = _id_rank(ids)
    record = records["record"].to_numpy(dtype=object)
    points = _geometry(records)
    outlines = _geometry(footprints)
    tree = shapely.STRtree(outlines)
    problems = []

    row, building = tree.query(points, predicate="intersects")
    several = np.bincount(row, minlength=len(points))[row] > 1
    inside = np.ones(row.size, dtype=bool)
    inside[several] = shapely.within(points[row[several]], outlines[building[several]])
    chosen, tied = best_of_each(row, [inside], rank[building])
    held, holder = row[chosen], building[chosen]
    problems.append(
        problem_rows(
            layer,
            record[held[tied]],
            "point_on_shared_wall",
            "warning",
            texts(
                "Record ", record[held[tied]],
                " lies on a wall or overlap of several buildings; it is given to ", ids[holder[tied]],
                ", the smallest id.",
                size=int(tied.sum()),
            ),
            "Move the point well inside its building.",
        )
    )  # fmt: skip

    outside = np.setdiff1d(np.arange(len(points)), held)
    near, neighbour, distance_ft, near_tied = _nearest(
        points, outside, outlines, tree, rank, rules.number("join.point_reach_ft"), footprints, ground
    )
    problems.append(
        problem_rows(
            layer,
            record[near],
            "point_near_building",
            "info",
            texts(
                "Record ", record[near], " lies in no building; it is given to ", ids[neighbour],
                ", the nearest, ", np.char.mod("%.1f", distance_ft).astype(object), " ft away",
                np.where(near_tied, " like others, by the smallest id.", "."),
                size=near.size,
            ),
            "Move the point inside its building.",
        )
    )  # fmt: skip
    lost = np.setdiff1d(outside, near)
    problems.append(
        problem_rows(
            layer,
            record[lost],
            "record_unmatched",
            "warning",
            texts(
                "Record ", record[lost], " lies in no building and none is within "
                f"{rules.number('join.point_reach_ft'):g} ft.",
                size=lost.size,
            ),
            "Move the point, or add the missing footprint.",
        )
    )  # fmt: skip
    row = np.concatenate([held, near])
    building = np.concatenate([holder, neighbour])
    return Match(_pairs(record[row], ids[building]), combine_problems(problems))


def join_by_parcel(
    footprints: gpd.GeoDataFrame, records: gpd.GeoDataFrame, layer: str, rules: Rulebook
) -> Match:
    """Join each building to the parcel that holds most of it.

    The parcel must hold `join.parcel_share` of the building. Equal overlaps go to the first
    parcel in the file. A parcel may speak for several buildings; an info row says so.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry` (polygons) in the working CRS.
    records
        `record` (unique), `geometry` (polygons) in the same CRS.
    layer
        Name of the source, for the problem log.
    rules
        The least share.

    Returns
    -------
    Match
        At most one pair a building.

    Raises
    ------
    CrsError
        The two layers are not in one CRS.
    """
    _same_crs(footprints, records, layer)
    ids = footprints["building_id"].to_numpy(dtype=object)
    record = records["record"].to_numpy(dtype=object)
    order = file_order(records["record"])
    outlines = _geometry(footprints)
    building, parcel, share = overlap_pairs(outlines, _geometry(records))
    enough = share >= rules.number("join.parcel_share")
    building, parcel, share = building[enough], parcel[enough], share[enough]
    chosen, tied = best_of_each(building, [share], order[parcel])
    building, parcel = building[chosen], parcel[chosen]
    problems = [
        problem_rows(
            layer,
            ids[building[tied]],
            "parcel_tie",
            "warning",
            texts(
                "Building ", ids[building[tied]], " lies equally in several parcels; record ",
                record[parcel[tied]], ", the first in the file, speaks for it.",
                size=int(tied.sum()),
            ),
            "Remove the double parcel, or join this building by key.",
        )
    ]  # fmt: skip
    spoken = np.bincount(parcel, minlength=len(record))
    several = np.flatnonzero(spoken > 1)
    problems.append(
        problem_rows(
            layer,
            record[several],
            "parcel_speaks_for_several",
            "info",
            texts(
                "Record ", record[several], " speaks for ", spoken[several].astype("U").astype(object),
                " buildings on its parcel; all of them take its values.",
                size=several.size,
            ),
            "Check the values of the lesser buildings, or join them by key.",
        )
    )  # fmt: skip
    lost = np.flatnonzero(spoken == 0)
    problems.append(
        problem_rows(
            layer,
            record[lost],
            "record_unmatched",
            "info",
            texts("Record ", record[lost], " is a parcel that speaks for no building.", size=lost.size),
            "Nothing, if nothing stands there; else check the footprint and the parcel line.",
        )
    )
    return Match(_pairs(record[parcel], ids[building]), combine_problems(problems))


def join_by_footprint(
    footprints: gpd.GeoDataFrame, records: gpd.GeoDataFrame, layer: str, rules: Rulebook
) -> Match:
    """Join records of a second footprint layer to the building they outline.

    A record goes to the building with the best intersection over union, at least
    `join.footprint_iou`; then the larger overlap, then the lower id. A building takes the best
    of its records by the same measures, then the first in the file.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry` (polygons) in the working CRS.
    records
        `record` (unique), `geometry` (polygons) in the same CRS.
    layer
        Name of the source, for the problem log.
    rules
        The least intersection over union.

    Returns
    -------
    Match
        At most one pair a record and one a building.

    Raises
    ------
    CrsError
        The two layers are not in one CRS.
    """
    _same_crs(footprints, records, layer)
    least = rules.number("join.footprint_iou")
    ids = footprints["building_id"].to_numpy(dtype=object)
    record = records["record"].to_numpy(dtype=object)
    ours, theirs = _geometry(footprints), _geometry(records)
    our_area, their_area = shapely.area(ours), shapely.area(theirs)
    row, building = shapely.STRtree(ours).query(theirs, predicate="intersects")
    # The union is at least the larger of the two: most neighbours are ruled out without an overlay.
    a, b = our_area[building], their_area[row]
    possible = np.minimum(a, b) >= least * np.maximum(a, b)
    row, building = row[possible], building[possible]
    overlap = shapely.area(shapely.intersection(theirs[row], ours[building]))
    iou = shares(overlap, our_area[building] + their_area[row] - overlap)
    enough = iou >= least
    row, building, overlap, iou = row[enough], building[enough], overlap[enough], iou[enough]
    size = shares(overlap, their_area[row])

    chosen, tied = best_of_each(row, [iou, size], _id_rank(ids)[building])
    problems = [
        problem_rows(
            layer,
            record[row[chosen[tied]]],
            "footprint_tie",
            "warning",
            texts(
                "Record ", record[row[chosen[tied]]], " outlines several buildings alike; it is given to ",
                ids[building[chosen[tied]]], ", the smallest id.",
                size=int(tied.sum()),
            ),
            "Remove the double outline, or join this source by key.",
        )
    ]  # fmt: skip
    row, building, overlap, iou = row[chosen], building[chosen], overlap[chosen], iou[chosen]
    size = shares(overlap, our_area[building])
    best, tied = best_of_each(building, [iou, size], file_order(records["record"])[row])
    problems.append(
        problem_rows(
            layer,
            ids[building[best[tied]]],
            "footprint_tie",
            "warning",
            texts(
                "Building ", ids[building[best[tied]]], " is outlined alike by several records; record ",
                record[row[best[tied]]], ", the first in the file, is taken.",
                size=int(tied.sum()),
            ),
            "Remove the double outline from the source.",
        )
    )  # fmt: skip
    winner = np.full(len(ids), -1, dtype=np.int64)
    winner[building[best]] = row[best]
    beaten = np.setdiff1d(np.arange(row.size), best)
    problems.append(
        problem_rows(
            layer,
            record[row[beaten]],
            "duplicate_footprint",
            "warning",
            texts(
                "Record ", record[row[beaten]], " outlines building ", ids[building[beaten]],
                " less well than record ", record[winner[building[beaten]]], "; it is not used.",
                size=beaten.size,
            ),
            "Keep one outline a building in the source.",
        )
    )  # fmt: skip
    lost = np.setdiff1d(np.arange(len(record)), row)
    problems.append(
        problem_rows(
            layer,
            record[lost],
            "record_unmatched",
            "warning",
            texts(
                "Record ", record[lost], " outlines no building with an intersection over union of "
                f"{least:g} or more.",
                size=lost.size,
            ),
            "Check whether the footprint is missing, or shifted against the other layer.",
        )
    )  # fmt: skip
    return Match(_pairs(record[row[best]], ids[building[best]]), combine_problems(problems))


def overlap_pairs(
    small: npt.NDArray[np.object_], large: npt.NDArray[np.object_]
) -> tuple[IntArray, IntArray, npt.NDArray[np.float64]]:
    """Find what share of each small polygon lies in each large one.

    The overlap is computed only where a small polygon meets several large ones, or is not
    wholly covered by the one it meets.

    Parameters
    ----------
    small, large
        Polygons in one CRS, shapes (n,) and (m,).

    Returns
    -------
    small_row, large_row
        Pairs that share area, shape (k,).
    share
        Share of the small polygon inside the large one, shape (k,).

    Examples
    --------
    >>> pairs = overlap_pairs(np.array([shapely.box(0, 0, 4, 1)]), np.array([shapely.box(1, 0, 9, 9)]))
    >>> [part.tolist() for part in pairs]
    [[0], [0], [0.75]]
    """
    left, right = shapely.STRtree(large).query(small, predicate="intersects")
    share = np.ones(left.size)
    open_question = np.bincount(left, minlength=len(small))[left] > 1
    alone = ~open_question
    shapely.prepare(large)
    open_question[alone] = ~shapely.covers(large[right[alone]], small[left[alone]])
    here = small[left[open_question]]
    overlap = shapely.area(shapely.intersection(here, large[right[open_question]]))
    share[open_question] = shares(overlap, shapely.area(here))
    some = share > 0
    return left[some].astype(np.int64), right[some].astype(np.int64), share[some]


def _nearest(
    points: npt.NDArray[np.object_],
    outside: IntArray,
    outlines: npt.NDArray[np.object_],
    tree: shapely.STRtree,
    rank: IntArray,
    reach_ft: float,
    footprints: gpd.GeoDataFrame,
    ground: Ground,
) -> tuple[IntArray, IntArray, npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Find the nearest outline within reach of some points, in true ground feet."""
    outside = outside[~(shapely.is_missing(points[outside]) | shapely.is_empty(points[outside]))]
    nothing = np.empty(0, dtype=np.int64)
    if not outside.size:
        return nothing, nothing, np.empty(0), np.empty(0, dtype=bool)
    lost = points[outside]
    planes = local_planes(shapely.get_x(lost), shapely.get_y(lost), footprints.crs, ground)
    # The longest a foot can be in working-CRS units, whatever its direction.
    widest = np.linalg.norm(planes.to_crs, ord=2, axis=(1, 2))
    row, building = tree.query(lost, predicate="dwithin", distance=reach_ft * widest * (1 + 1e-6))
    here = feet_geometry(outlines[building], planes, row.astype(np.int64))
    distance_ft = np.round(shapely.distance(here, shapely.Point(0.0, 0.0)), _FOOT_DECIMALS)
    within = distance_ft <= reach_ft
    row, building, distance_ft = row[within], building[within], distance_ft[within]
    chosen, tied = best_of_each(row, [-distance_ft], rank[building])
    return outside[row[chosen]], building[chosen].astype(np.int64), distance_ft[chosen], tied


def _pairs(record: npt.NDArray[np.object_], building_id: npt.NDArray[np.object_]) -> pd.DataFrame:
    return pd.DataFrame(
        {"record": pd.Series(record, dtype="str"), "building_id": pd.Series(building_id, dtype="str")}
    )


def _geometry(frame: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    return np.asarray(frame.geometry.array, dtype=object)


def _id_rank(ids: npt.NDArray[np.object_]) -> IntArray:
    rank = np.empty(ids.size, dtype=np.int64)
    rank[np.argsort(ids, kind="stable")] = np.arange(ids.size)
    return rank


def _date_number(date: pd.Series) -> npt.NDArray[np.int64]:
    """Milliseconds; a missing date is the oldest there is."""
    # NaT is the least integer and has no negative; half of it is old enough.
    return np.maximum(date.to_numpy(dtype="datetime64[ms]").view(np.int64), -(2**62))


def _same_crs(footprints: gpd.GeoDataFrame, other: gpd.GeoDataFrame, layer: str) -> None:
    if len(other) and footprints.crs != other.crs:
        ours = footprints.crs.name if footprints.crs else "no CRS"
        theirs = other.crs.name if other.crs else "no CRS"
        raise CrsError(f"{layer} is in {theirs}, the footprints in {ours}; bring both into one CRS first.")
