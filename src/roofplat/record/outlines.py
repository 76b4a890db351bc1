"""Which building of a new footprint layer is which building of the record.

In: the outlines of the record, and a footprint layer.
Out: the id of each new outline, and what became of each building: same, changed, split, merged, new, gone.

Two outlines belong together where they overlap by enough of their union, or where most of the smaller lies
in the other. Outlines that belong together, through others or not, are one case, and a case is believed
where its old and its new outlines as a whole cover the same ground: a hall on the site of a house is no
house grown large, and inherits no survey of it.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from roofplat.record.shift import common_offset, feet_of_offset
from roofplat.rules import Rulebook
from roofplat.tables import RECORD_TABLES, conform

__all__ = ["Matching", "match_outlines", "standing"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
GeometryArray = npt.NDArray[np.object_]

_NONE = -1
# Shares that differ by less than this are equal: the rounding of an overlay is not a reason.
_SHARE_DECIMALS = 9


class Matching(NamedTuple):
    """What `match_outlines` found.

    ids
        The id of each new outline, shape (n,).
    lineage
        `tables.RECORD_TABLES["lineage"]` without numbers.
    offset_ft
        How far the new layer as a whole lies off the old one, ground feet to true east and north, shape
        (2,); zero where it does not.
    """

    ids: pd.Series
    lineage: pd.DataFrame
    offset_ft: FloatArray


class _Links(NamedTuple):
    """Pairs of an old and a new outline that belong together, the closest first."""

    old: IntArray
    new: IntArray
    iou: FloatArray


def standing(outlines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the outline of each building that stands.

    Parameters
    ----------
    outlines
        `tables.RECORD_TABLES["outlines"]`.

    Returns
    -------
    GeoDataFrame
        One row a building, by id (text order): of several that have not ended the latest.

    Examples
    --------
    >>> rows = {"building_id": ["B1", "B2"], "to_date": pd.to_datetime([None, "2026-03-01"])}
    >>> rows["from_date"] = pd.to_datetime(["2025-01-01"] * 2)
    >>> standing(gpd.GeoDataFrame(rows, geometry=[shapely.box(0, 0, 9, 9)] * 2))["building_id"].tolist()
    ['B1']
    """
    rows = outlines[outlines["to_date"].isna()].sort_values(["building_id", "from_date"], kind="stable")
    return rows.drop_duplicates("building_id", keep="last", ignore_index=True)


def match_outlines(
    old: gpd.GeoDataFrame,
    new: gpd.GeoDataFrame,
    rules: Rulebook,
    *,
    release: str = "footprints",
    demolished: Collection[str] = (),
) -> Matching:
    """Give the outlines of a new footprint layer the ids of the buildings they are.

    One old and one new outline that belong together keep the id. Of the parts of a split building the one
    that covers most of it keeps the id; the others are called `ID.2`, `ID.3`, the larger first, then from
    west to east. Outlines merged into one keep the id of the one that it covers most of. A building that is
    nowhere in the record keeps the id that the file gives it; where another building has or had that id it
    gets a number. An outline that had gone and is drawn just as it was is the building that it was.

    A layer that lies off the record as a whole, see `shift`, is matched as if it did not.

    Parameters
    ----------
    old
        `tables.RECORD_TABLES["outlines"]`: all of them, as no id is ever given twice.
    new
        `building_id` (the file's own ids, unique), `geometry` (polygons) in the same CRS; n rows in any
        order.
    rules
        `record.same_share`, `record.part_share`, `record.least_share`, `outline.duplicate_iou`, and those of
        `shift.common_offset`.
    release
        What the new layer is called in the lineage.
    demolished
        Ids of buildings that somebody saw demolished. One that is still drawn as it was stays; whatever else
        stands there is new, and inherits nothing.

    Returns
    -------
    Matching
        `ids` has the index of `new`. One row of `lineage` for each new outline and one for each old one
        that has none of its own; `share` is the intersection over union of the two outlines, the offset of
        the layer taken off.

    Raises
    ------
    ValueError
        The two are not in one CRS, or the file's ids are not unique: a defect of the caller.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> kept = gpd.GeoDataFrame({"building_id": ["B1"], "to_date": pd.to_datetime([None]),
    ...     "from_date": pd.to_datetime(["2025-01-01"])}, geometry=[shapely.box(0, 0, 90, 20)])
    >>> halves = [shapely.box(0, 0, 50, 20), shapely.box(50, 0, 90, 20)]
    >>> found = match_outlines(kept, gpd.GeoDataFrame({"building_id": ["7", "8"]}, geometry=halves),
    ...                        load_rulebook())
    >>> found.ids.tolist(), found.lineage["event"].tolist()
    (['B1', 'B1.2'], ['split', 'split'])
    """
    if len(old) and len(new) and old.crs != new.crs:
        raise ValueError("The outlines of the record and the footprints need one CRS.")
    own = new["building_id"].to_numpy(dtype=object)
    if len(set(own)) < len(own):
        raise ValueError("The footprints need ids of their own.")
    stands = standing(old)
    before, after = _shapes(stands), _shapes(new)
    old_ids = stands["building_id"].to_numpy(dtype=object)
    place = _places(after, own)
    offset = np.zeros(2)
    if len(before):
        offset = common_offset(before, after, new.crs, rules)
    offset_ft = np.zeros(2)
    if offset.any():
        offset_ft = feet_of_offset(offset, after, new.crs, rules)
        after = np.asarray(shapely.transform(after, lambda places: places - offset), dtype=object)
    links = _links(before, after, place, rules)
    torn_down = np.isin(links.old, np.flatnonzero(np.isin(old_ids, list(demolished))))
    as_drawn = links.iou >= rules.number("outline.duplicate_iou")
    links = _believed(_chosen(links, as_drawn | ~torn_down), before, after, rules)
    old_of, new_of = _keepers(links, len(before), len(after))
    # The first link of each is its closest: parts have a parent, absorbed buildings an heir.
    parent = _closest(links.new, links.old, len(after))
    heir = _closest(links.old, links.new, len(before))
    share = np.full(len(after), np.nan)
    held = old_of[links.new] == links.old
    share[links.new[held]] = links.iou[held]

    kept = np.flatnonzero(old_of != _NONE)
    part = np.flatnonzero((old_of == _NONE) & (parent != _NONE))
    share[part] = _iou(before[parent[part]], after[part])
    absorbed = np.flatnonzero((new_of == _NONE) & (heir != _NONE))
    gone = np.flatnonzero(heir == _NONE)
    fresh = np.flatnonzero(parent == _NONE)
    back, as_before, alike = _returned(old, {*old_ids, *demolished}, after, fresh, place, rules)
    share[back] = alike
    fresh = np.setdiff1d(fresh, back)

    ids = np.full(len(after), None, dtype=object)
    ids[kept] = old_ids[old_of[kept]]
    ids[back] = as_before
    used = set(old["building_id"])
    ids[part] = _part_ids(old_ids[parent[part]], shapely.area(after[part]), place[part], {*used, *own})
    ids[fresh] = _free_ids(own[fresh], used)

    event = np.full(len(after), "new", dtype=object)
    event[back] = "same"
    event[part] = "split"
    event[kept] = np.select(
        [
            share[kept] >= rules.number("record.same_share"),
            np.isin(old_of[kept], parent[part]),
            np.isin(kept, heir[absorbed]),
        ],
        ["same", "split", "merged"],
        "changed",
    )
    source = np.full(len(after), None, dtype=object)
    source[kept] = old_ids[old_of[kept]]
    source[part] = old_ids[parent[part]]
    source[back] = ids[back]
    ended = np.concatenate([absorbed, gone])
    rows = {
        "event": [*event, *["merged"] * absorbed.size, *["gone"] * gone.size],
        "old_id": [*source, *old_ids[ended]],
        "new_id": [*ids, *ids[heir[absorbed]], *[None] * gone.size],
        "share": [*share, *_iou(before[absorbed], after[heir[absorbed]]), *[np.nan] * gone.size],
    }
    return Matching(pd.Series(ids, index=new.index, dtype="str"), _lineage(rows, release), offset_ft)


def _lineage(rows: dict[str, list[Any]], release: str) -> pd.DataFrame:
    """Rows by old and new id, whatever the order of the layers."""
    frame = pd.DataFrame(rows).astype({"event": "str", "old_id": "str", "new_id": "str", "share": "float64"})
    frame = frame.sort_values(["old_id", "new_id"], na_position="last", ignore_index=True)
    for name in RECORD_TABLES["lineage"].columns:
        if name not in frame:
            frame[name] = None
    frame["release"] = release
    lineage: pd.DataFrame = conform("lineage", frame)
    return lineage


def _shapes(frame: gpd.GeoDataFrame) -> GeometryArray:
    return np.asarray(frame.geometry.array, dtype=object)


def _places(shapes: GeometryArray, own: npt.NDArray[np.object_]) -> IntArray:
    """Rank outlines from west to east, then south to north, then by the file's id."""
    corner = shapely.bounds(shapes).reshape(-1, 4)
    order = np.lexsort((own.astype("U"), corner[:, 1], corner[:, 0]))
    rank = np.empty(len(shapes), dtype=np.int64)
    rank[order] = np.arange(len(shapes))
    return rank


def _ratio(part: FloatArray, whole: FloatArray) -> FloatArray:
    share = np.divide(part, whole, out=np.zeros(np.shape(part)), where=np.asarray(whole) > 0)
    return np.asarray(np.round(share, _SHARE_DECIMALS))


def _iou(left: GeometryArray, right: GeometryArray) -> FloatArray:
    """Intersection over union, pair by pair; no overlay where both are drawn alike."""
    shared = _overlap(left, right)
    return _ratio(shared, shapely.area(left) + shapely.area(right) - shared)


def _overlap(left: GeometryArray, right: GeometryArray) -> FloatArray:
    shared = np.asarray(shapely.area(left), dtype=float)
    differ = ~shapely.equals_identical(left, right)
    shared[differ] = shapely.area(shapely.intersection(left[differ], right[differ]))
    return shared


def _links(before: GeometryArray, after: GeometryArray, place: IntArray, rules: Rulebook) -> _Links:
    """Find what belongs together, the closest first: the same, then by overlap, share and place."""
    new, old = (side.astype(np.int64) for side in shapely.STRtree(before).query(after, "intersects"))
    # What both layers draw alike is one building, and the two need no other: most neighbours are ruled out.
    alike = np.asarray(shapely.equals_identical(before[old], after[new]), dtype=bool)
    settled = np.isin(old, old[alike]) & np.isin(new, new[alike])
    new, old = new[alike | ~settled], old[alike | ~settled]
    shared = _overlap(before[old], after[new])
    area_old, area_new = shapely.area(before[old]), shapely.area(after[new])
    iou = _ratio(shared, area_old + area_new - shared)
    part = _ratio(shared, np.minimum(area_old, area_new))
    same = iou >= rules.number("record.same_share")
    linked = np.flatnonzero(same | (part >= rules.number("record.part_share")))
    # Ground that is equal but for rounding is equal.
    ground = np.round(shared, 6)
    order = np.lexsort((place[new[linked]], old[linked], -iou[linked], -ground[linked], ~same[linked]))
    chosen = linked[order]
    return _Links(old[chosen], new[chosen], iou[chosen])


def _believed(links: _Links, before: GeometryArray, after: GeometryArray, rules: Rulebook) -> _Links:
    """Drop the cases whose old and new outlines do not cover the same ground, alone or as a whole."""
    if not links.old.size:
        return links
    size = len(before) + len(after)
    pairs = coo_array((np.ones(links.old.size), (links.old, links.new + len(before))), shape=(size, size))
    _, case = connected_components(pairs, directed=False)
    areas = np.concatenate([shapely.area(before), shapely.area(after)])
    both = _overlap(before[links.old], after[links.new])
    total = np.bincount(case, areas).astype(float)
    shared = np.bincount(case[links.old], both, minlength=total.size).astype(float)
    # Outlines of one layer that overlap share more than there is: such a case is believed.
    rest = np.maximum(total - shared, shared)
    least = rules.number("record.least_share")
    believed = (links.iou >= least) | (_ratio(shared, rest)[case[links.old]] >= least)
    return _chosen(links, believed)


def _chosen(links: _Links, which: BoolArray) -> _Links:
    return _Links(links.old[which], links.new[which], links.iou[which])


def _keepers(links: _Links, count_old: int, count_new: int) -> tuple[IntArray, IntArray]:
    """Pair one old with one new outline, the closest link first; who is taken is taken.

    Each round takes every link that is the first of both its ends, which is what going through the links
    one by one would take.
    """
    old_of = np.full(count_new, _NONE, dtype=np.int64)
    new_of = np.full(count_old, _NONE, dtype=np.int64)
    old, new = links.old, links.new
    while old.size:
        first = _is_first(old) & _is_first(new)
        old_of[new[first]] = old[first]
        new_of[old[first]] = new[first]
        free = (old_of[new] == _NONE) & (new_of[old] == _NONE)
        old, new = old[free], new[free]
    return old_of, new_of


def _is_first(group: IntArray) -> BoolArray:
    first = np.zeros(group.size, dtype=bool)
    first[np.unique(group, return_index=True)[1]] = True
    return first


def _closest(group: IntArray, partner: IntArray, count: int) -> IntArray:
    """The partner of the first link of each of `count`, or -1."""
    found = np.full(count, _NONE, dtype=np.int64)
    first = _is_first(group)
    found[group[first]] = partner[first]
    return found


def _returned(
    old: gpd.GeoDataFrame,
    never: Collection[str],
    after: GeometryArray,
    fresh: IntArray,
    place: IntArray,
    rules: Rulebook,
) -> tuple[IntArray, npt.NDArray[np.object_], FloatArray]:
    """Find outlines that had gone from the layer and are drawn again just as they were."""
    ended = old[~old["building_id"].isin(list(never))]
    ended = ended.sort_values(["to_date", "building_id"], kind="stable").drop_duplicates(
        "building_id", keep="last"
    )
    if ended.empty or not fresh.size:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=object), np.empty(0)
    shapes = _shapes(ended)
    new, gone = (side.astype(np.int64) for side in shapely.STRtree(shapes).query(after[fresh], "intersects"))
    iou = _iou(shapes[gone], after[fresh[new]])
    # The latest to go comes last.
    order = np.lexsort((place[fresh[new]], -gone, -iou))
    order = order[iou[order] >= rules.number("outline.duplicate_iou")]
    gone_of, _ = _keepers(_Links(gone[order], new[order], iou[order]), len(shapes), fresh.size)
    back = np.flatnonzero(gone_of != _NONE)
    names = ended["building_id"].to_numpy(dtype=object)[gone_of[back]]
    return fresh[back], names, _iou(shapes[gone_of[back]], after[fresh[back]])


def _part_ids(
    parent: npt.NDArray[np.object_], area: FloatArray, place: IntArray, used: set[str]
) -> npt.NDArray[np.object_]:
    """Number the parts of each building from 2, the larger first, then from west to east."""
    order = np.lexsort((place, -np.round(area, 6), parent.astype("U")))
    ids = np.full(parent.size, None, dtype=object)
    count = pd.Series(parent[order]).groupby(parent[order]).cumcount().to_numpy() + 2
    ids[order] = parent[order] + "." + count.astype("U").astype(object)
    return _counted_on(ids, parent, ".", order, used)


def _free_ids(own: npt.NDArray[np.object_], used: set[str]) -> npt.NDArray[np.object_]:
    """The file's ids; one that was ever used gets a number."""
    return _counted_on(own.copy(), own, "-", np.argsort(own.astype("U"), kind="stable"), {*used})


def _counted_on(
    ids: npt.NDArray[np.object_],
    base: npt.NDArray[np.object_],
    mark: str,
    order: npt.NDArray[np.intp],
    used: set[str],
) -> npt.NDArray[np.object_]:
    """Count on until an id is free. Only rows from the first clash of a name on are looped over."""
    clash = pd.Series(ids).isin(list(used)).to_numpy() | pd.Series(ids).duplicated(keep=False).to_numpy()
    again = np.isin(base, base[clash])
    taken = used | set(ids[~again])
    for row in order[again[order]]:
        name, number = ids[row], 2
        while name in taken:
            name = f"{base[row]}{mark}{number}"
            number += 1
        ids[row] = name
        taken.add(name)
    return ids
