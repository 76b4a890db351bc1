"""Roofs drawn by hand: sections, fire walls, joints, obstacles and walls, laid on the outlines they mean.

In: a file of drawn features, the footprints, what was drawn before.
Out: rows for the record's `drawn`, what each of them changes, and a problem row for each that is refused or
    was not plain.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.district import LayerSource
from roofplat.ground import Ground, local_planes
from roofplat.intake import Inputs, read_drawing
from roofplat.intake.keys import NONE, find_keys
from roofplat.record.snapping import snap_lines, snap_polygons
from roofplat.rules import Rulebook
from roofplat.tables import BASES, conform, empty, problem_rows

__all__ = ["Taken", "standing", "take_drawn"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
ShapeArray = npt.NDArray[np.object_]

# Of what was read, what is a column of the record; the rest are its properties.
_OWN = ("feature", "building_id", "note", "seen_on", "gone", "geometry")
_ONE = {
    "sections": "section",
    "fire_walls": "fire wall",
    "expansion_joints": "expansion joint",
    "obstacles": "obstacle",
    "walls": "wall",
}
# Places that differ by less are the same place, in feet.
_SAME_FT = 0.01
_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Taken:
    """What a file of drawings would add to the record.

    rows
        `tables.RECORD_TABLES["drawn"]`, to be appended; numbers and moment of logging still empty.
    changes
        One row for each drawn feature or part of one, in the order of the file: `feature`, `building_id`,
        `layer`, `then` (`new`, `replaces`, `takes away`, `same`, `refused`), `replaces` (number of the
        drawing before), `moved_ft` (how far its edges were moved onto walls, at most), `outside` (share
        outside the building, after that).
    problems
        `tables.TABLES["problems"]`.
    """

    rows: gpd.GeoDataFrame
    changes: pd.DataFrame
    problems: pd.DataFrame


def standing(drawn: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the drawings that hold: none replaces them, and they take nothing away.

    Parameters
    ----------
    drawn
        `tables.RECORD_TABLES["drawn"]`.

    Returns
    -------
    GeoDataFrame
        Some of its rows, in their order, with a RangeIndex.

    Examples
    --------
    >>> rows = {"number": [1, 2], "replaces": [None, 1], "properties": ["{}", '{"kind": "unit"}']}
    >>> standing(gpd.GeoDataFrame(rows, geometry=[shapely.Point(0, 0)] * 2))["number"].tolist()
    [2]
    """
    replaced = drawn["number"].isin(drawn["replaces"].dropna()).to_numpy(dtype=bool)
    gone = np.array([_properties(text).get("gone") is True for text in drawn["properties"]], dtype=bool)
    kept: gpd.GeoDataFrame = drawn[~replaced & ~gone].reset_index(drop=True)
    return kept


def take_drawn(
    file: Path,
    layer: str,
    inputs: Inputs,
    drawn: gpd.GeoDataFrame,
    rules: Rulebook,
    ground: Ground,
    *,
    basis: str = "drawn",
    who: str | None = None,
    seen_on: datetime.date | None = None,
) -> Taken:
    """Read a file of drawn features and lay them on the outlines of their buildings.

    A section is laid on the outline and on the sections of its building that stand already, wherever its
    border runs within `record.snap_ft` of them, then clipped to its building; a section of which less than
    `join.section_share` is inside is refused. The ends of fire walls and expansion joints are moved onto the
    outline. Walls and parapets are laid on it whole. A drawing takes the place of one of its layer that it
    covers by `record.redrawn_share`, the one that it covers most; a feature with `gone = yes` takes that
    one away. What is in the record word for word is not added.

    Parameters
    ----------
    file
        GeoJSON, or another vector file, of one layer.
    layer
        One of `tables.DRAWN_LAYERS`.
    inputs
        The footprints of the district, under the ids of today, in its working CRS.
    drawn
        `tables.RECORD_TABLES["drawn"]`, what was drawn before, in the working CRS.
    rules, ground
        Tolerances, what a foot is.
    basis
        How the drawings are known, one of `tables.BASES`.
    who, seen_on
        Who drew them and the day they are of, where a feature does not give its own `date`.

    Returns
    -------
    Taken

    Raises
    ------
    LayerError, CrsError, FieldError
        The file cannot be used at all.
    """
    if basis not in BASES:
        raise ValueError(f"{basis!r} is no basis.")
    source = LayerSource(file=file)
    read = read_drawing(source, layer, rules, inputs.working_crs)
    name = file.name
    features = read.features
    footprints = inputs.footprints
    outlines = np.asarray(footprints.geometry.array, dtype=object)
    ft = _feet_per_unit(outlines, inputs, ground)
    problems = [read.problems]
    home, named = _homes(features, footprints, ft, layer, rules, name, problems)
    before = standing(drawn)
    before = _at_home(before[before["layer"] == layer].reset_index(drop=True), footprints)
    reach = rules.positive("record.snap_ft") / np.where(home == NONE, np.median(ft), ft[np.maximum(home, 0)])
    shapes = np.asarray(features.geometry.array, dtype=object)
    ids = pd.Series(footprints["building_id"].to_numpy(dtype=object), dtype="str")
    building_id = ids.reindex(home).reset_index(drop=True)
    redrawn_share = rules.share("record.redrawn_share")
    around = _around(before, inputs) if layer == "sections" else before
    laid = _lay(features, shapes, home, outlines, around, ids, reach, layer, redrawn_share)
    moved_ft = _moved_ft(shapes, laid, home, ft)
    laid, outside, refused = _check(
        features, shapes, laid, home, named, outlines, ids, ft, layer, rules, name, problems
    )
    properties = _property_texts(features)
    rows = gpd.GeoDataFrame(
        {
            "number": pd.Series(pd.NA, index=features.index, dtype="Int64"),
            "layer": layer,
            "building_id": building_id,
            "properties": pd.Series(properties, index=features.index, dtype="str"),
            "basis": basis,
            "who": pd.Series([who] * len(features), index=features.index, dtype="str"),
            "seen_on": features["seen_on"].fillna(pd.Timestamp(seen_on) if seen_on else pd.NaT),
            "logged_at": pd.Series(None, index=features.index, dtype="str"),
            "file": name,
            "batch": hashlib.sha256(file.read_bytes()).hexdigest(),
            "note": features["note"].astype("str"),
        },
        geometry=laid,
        crs=features.crs,
    )
    partner, same = _partners(rows, before, ~refused, ft, rules)
    rows["replaces"] = partner
    gone = features["gone"].to_numpy(dtype=bool)
    idle = gone & ~refused & partner.isna().to_numpy(dtype=bool)
    problems.append(
        problem_rows(
            name,
            features["feature"][idle],
            "nothing_to_take_away",
            "error",
            f"It takes away a {_ONE[layer]}, and the record has none there; it is refused.",
            "Draw it where the one lies that is to go.",
        )
    )
    refused |= idle
    same &= ~refused & ~gone
    if layer == "sections":
        problems.append(
            _overlaps(
                rows, features["feature"], ~refused & ~same & ~gone, around, partner, ft, ids, rules, name
            )
        )
    then = np.select(
        [refused, same, gone, partner.notna().to_numpy(dtype=bool)],
        ["refused", "same", "takes away", "replaces"],
        "new",
    )
    changes = pd.DataFrame(
        {
            "feature": features["feature"],
            "building_id": building_id,
            "layer": layer,
            "then": pd.Series(then, dtype="str"),
            "replaces": partner.mask(pd.Series(refused | same)),
            "moved_ft": moved_ft,
            "outside": outside,
        }
    )
    added = rows[~refused & ~same]
    kept = conform("drawn", added) if len(added) else empty("drawn", features.crs)
    # Parts of one feature share what the reader said of it.
    told = pd.concat([frame for frame in problems if len(frame)] or problems[:1], ignore_index=True)
    return Taken(kept, changes, conform("problems", told.drop_duplicates(ignore_index=True)))


def _feet_per_unit(outlines: ShapeArray, inputs: Inputs, ground: Ground) -> FloatArray:
    """Ground feet in one unit of the working CRS at each building."""
    centre = shapely.centroid(outlines)
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), inputs.working_crs, ground)
    return np.asarray(np.sqrt(planes.area_ft2_per_unit2()))


def _at_home(before: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Drawings that name no building, as those of one that was split, under the one that they lie in."""
    lost = np.flatnonzero(before["building_id"].isna().to_numpy(dtype=bool))
    if not lost.size:
        return before
    spots = shapely.point_on_surface(np.asarray(before.geometry.array, dtype=object)[lost])
    tree = shapely.STRtree(np.asarray(footprints.geometry.array, dtype=object))
    row, building = tree.query(spots, predicate="intersects")
    names = before["building_id"].to_numpy(dtype=object).copy()
    ids = footprints["building_id"].to_numpy(dtype=object)
    # Of outlines that overlap the smallest id has the last word.
    order = np.argsort(ids[building], kind="stable")[::-1]
    names[lost[row[order]]] = ids[building[order]]
    return before.assign(building_id=pd.Series(names, index=before.index, dtype="str"))


def _around(before: gpd.GeoDataFrame, inputs: Inputs) -> gpd.GeoDataFrame:
    """The sections that stand: the record's, and those of the district's own layer, without a number."""
    own = inputs.sections
    if own.empty:
        return before
    known = own["building_id"].where(own["building_id"].isin(inputs.footprints["building_id"]))
    own = _at_home(own[["geometry"]].assign(building_id=known.astype("str")), inputs.footprints)
    own = own.assign(number=pd.Series(pd.NA, index=own.index, dtype="Int64"))
    if before.empty:
        return own
    both = pd.concat([before[["number", "building_id", "geometry"]], own], ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry", crs=own.crs)


def _homes(
    features: gpd.GeoDataFrame,
    footprints: gpd.GeoDataFrame,
    ft: FloatArray,
    layer: str,
    rules: Rulebook,
    name: str,
    problems: list[pd.DataFrame],
) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """Row of the building of each feature, or -1, and whether the feature names it.

    It is the one it names; else the one that holds most of it, where what runs along a wall counts as held
    within reach of the outline. Ties go to the smallest id.
    """
    ids = footprints["building_id"]
    found, _ = find_keys(ids, features["building_id"].astype("str"))
    stranger = (features["building_id"].notna() & (found == NONE)).to_numpy(dtype=bool)
    problems.append(
        problem_rows(
            name,
            features["feature"][stranger],
            "building_id_unknown",
            "warning",
            [
                f"It names building {word!r}, which does not exist; it is placed by its shape."
                for word in features["building_id"][stranger]
            ],
            "Correct the building id.",
        )
    )
    shapes = np.asarray(features.geometry.array, dtype=object)
    outlines = np.asarray(footprints.geometry.array, dtype=object)
    if layer in ("walls", "obstacles"):
        along = np.ones(len(features), dtype=bool) if layer == "walls" else _parapets(features)
        reach = rules.positive("record.snap_ft") / float(np.median(ft))
        shapes = np.where(along, shapely.buffer(shapes, reach, cap_style="flat"), shapes)
    row, building = shapely.STRtree(outlines).query(shapes, predicate="intersects")
    common = shapely.intersection(shapes[row], outlines[building])
    dimension = shapely.get_dimensions(shapes)[row]
    held = np.select([dimension == 2, dimension == 1], [shapely.area(common), shapely.length(common)], 1.0)
    some = held > 0
    row, building, held = row[some], building[some], held[some]
    place = ids.rank(method="first").to_numpy()
    order = np.lexsort((place[building], -np.round(held, _DIGITS), row))
    first = order[np.r_[True, row[order][1:] != row[order][:-1]][: order.size]]
    home = np.full(len(features), NONE, dtype=np.int64)
    home[row[first]] = building[first]
    if layer == "obstacles":
        overhead = (features["kind"] == "overhead_line").to_numpy(dtype=bool)
        return np.where(overhead, NONE, np.where(found == NONE, home, found)), found != NONE
    return np.asarray(np.where(found == NONE, home, found), dtype=np.int64), found != NONE


def _parapets(features: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    lines = shapely.get_type_id(np.asarray(features.geometry.array)) == shapely.GeometryType.LINESTRING
    return np.asarray((features["kind"] == "parapet").to_numpy(dtype=bool) & lines)


def _lay(
    features: gpd.GeoDataFrame,
    shapes: ShapeArray,
    home: IntArray,
    outlines: ShapeArray,
    before: gpd.GeoDataFrame,
    ids: pd.Series,
    reach: FloatArray,
    layer: str,
    redrawn_share: float,
) -> ShapeArray:
    """Shapes laid on the outline of their building, sections on their neighbours as well."""
    walls, wall_home = shapely.get_rings(outlines[home[home != NONE]], return_index=True)
    wall_shape = np.flatnonzero(home != NONE)[wall_home]
    laid = shapes.copy()
    if layer == "obstacles":
        rows = np.flatnonzero(_parapets(features) & (home != NONE))
        return _lay_lines(laid, rows, walls, wall_shape, reach, ends_only=False)
    if layer != "sections":
        rows = np.flatnonzero(home != NONE)
        return _lay_lines(laid, rows, walls, wall_shape, reach, ends_only=layer != "walls")
    gone = features["gone"].to_numpy(dtype=bool)
    neighbours = np.asarray(before.geometry.array, dtype=object)
    neighbour_home = pd.Index(ids).get_indexer(pd.Index(before["building_id"])).astype(np.int64)
    # One after the other within a building: each follows those before it.
    turn = pd.Series(home).groupby(home).cumcount().to_numpy()
    for number in range(int(turn.max(initial=-1)) + 1):
        rows = np.flatnonzero((turn == number) & (home != NONE) & ~gone)
        pair, other = _same_home(home[rows], neighbour_home)
        # What a section takes the place of is nothing to follow.
        fresh = _in_common(laid[rows[pair]], neighbours[other]) < redrawn_share
        pair, other = pair[fresh], other[fresh]
        rings, ring_pair = shapely.get_rings(neighbours[other], return_index=True)
        slot = np.full(len(shapes), -1)
        slot[rows] = np.arange(rows.size)
        mine = np.isin(wall_shape, rows)
        laid[rows] = snap_polygons(
            laid[rows],
            np.concatenate([walls[mine], rings]),
            np.concatenate([slot[wall_shape[mine]], pair[ring_pair]]).astype(np.int64),
            reach[rows],
        )
        neighbours = np.concatenate([neighbours, laid[rows]])
        neighbour_home = np.concatenate([neighbour_home, home[rows]])
    return laid


def _lay_lines(
    laid: ShapeArray,
    rows: IntArray,
    rings: ShapeArray,
    owner: IntArray,
    reach: FloatArray,
    *,
    ends_only: bool,
) -> ShapeArray:
    slot = np.full(len(laid), -1)
    slot[rows] = np.arange(rows.size)
    mine = np.isin(owner, rows)
    if rows.size:
        laid[rows] = snap_lines(
            laid[rows], rings[mine], slot[owner[mine]].astype(np.int64), reach[rows], ends_only=ends_only
        )
    return laid


def _same_home(home: IntArray, others: IntArray) -> tuple[IntArray, IntArray]:
    """Rows and others of one building, by row, then by other."""
    order = np.argsort(others, kind="stable")
    start = np.searchsorted(others[order], home, side="left")
    count = np.searchsorted(others[order], home, side="right") - start
    row = np.repeat(np.arange(home.size), count)
    inner = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
    return row, order[np.repeat(start, count) + inner]


def _in_common(one: ShapeArray, other: ShapeArray) -> FloatArray:
    """Share of what two polygons cover together that both of them cover."""
    common = shapely.area(shapely.intersection(one, other))
    both = shapely.area(one) + shapely.area(other) - common
    share = np.divide(common, both, out=np.zeros(both.size), where=both > 0)
    return np.asarray(np.round(share, _DIGITS))


def _moved_ft(shapes: ShapeArray, laid: ShapeArray, home: IntArray, ft: FloatArray) -> FloatArray:
    """How far a border was moved, at most; nothing where it was not."""
    far = np.asarray(shapely.hausdorff_distance(shapely.boundary(shapes), shapely.boundary(laid)))
    line = shapely.get_dimensions(shapes) == 1
    far[line] = shapely.hausdorff_distance(shapes[line], laid[line])
    far = np.where(np.isnan(far), 0.0, far) * np.where(home == NONE, 0.0, ft[np.maximum(home, 0)])
    return np.round(far, 2)


def _check(
    features: gpd.GeoDataFrame,
    shapes: ShapeArray,
    laid: ShapeArray,
    home: IntArray,
    named: npt.NDArray[np.bool_],
    outlines: ShapeArray,
    ids: pd.Series,
    ft: FloatArray,
    layer: str,
    rules: Rulebook,
    name: str,
    problems: list[pd.DataFrame],
) -> tuple[ShapeArray, FloatArray, npt.NDArray[np.bool_]]:
    """Refuse what is not on its building; clip sections to it; return the share outside of each."""
    one = _ONE[layer]
    label = features["feature"]
    laid = laid.copy()
    held = home != NONE
    walls = outlines[home[held]]
    outside = np.full(len(features), np.nan)
    lost = ~held
    if layer == "sections":
        size = shapely.area(laid[held])
        inner = shapely.intersection(laid[held], walls)
        share = np.divide(shapely.area(inner), size, out=np.zeros(size.size), where=size > 0)
        outside[:] = 1.0
        outside[held] = np.round(np.clip(1.0 - share, 0.0, 1.0), _DIGITS)
        least = rules.share("join.section_share")
        # What is clipped is clipped for good; what is inside keeps every bit of its border.
        clip = held.copy()
        clip[held] = (size - shapely.area(inner)) * ft[home[held]] ** 2 > _SAME_FT
        laid[clip] = _polygons(inner[clip[held]])
        cut = clip & (1.0 - outside >= least)
        problems.append(
            problem_rows(
                name,
                label[cut],
                "section_clipped",
                "info",
                [
                    f"{100 * share:.1f} percent of the section is outside building {building}; that part is "
                    "left out."
                    for share, building in zip(outside[cut], ids.reindex(home[cut]), strict=True)
                ],
                "Redraw it if the outline of the building is right and the section is not.",
            )
        )
        lost = ~(1.0 - outside >= least) | shapely.is_empty(laid)
        where = np.where(
            held, "building " + ids.reindex(home).fillna("").to_numpy(dtype=object), "every building"
        )
        words = [
            f"{100 * share:.0f} percent of the section is outside {place}"
            f"{', which it names' if said else ''}; it is refused."
            for share, place, said in zip(outside[lost], where[lost], named[lost], strict=True)
        ]
        action = "Redraw the section inside its building, or correct the building id."
    elif layer == "walls":
        near = np.zeros(len(features))
        line = laid[held]
        seam = shapely.buffer(shapely.boundary(walls), _SAME_FT / ft[home[held]])
        length = shapely.length(line)
        along = shapely.intersection(line, seam)
        near[held] = np.divide(shapely.length(along), length, out=np.zeros(length.size), where=length > 0)
        outside = np.round(np.clip(1.0 - near, 0.0, 1.0), _DIGITS)
        lost = near < rules.share("record.along_share")
        part = held & ~lost & (outside > _SAME_FT)
        laid[part] = shapely.line_merge(along[part[held]])
        words = [f"{100 * share:.0f} percent of the wall runs along no outline; it is refused."
                 for share in outside[lost]]  # fmt: skip
        action = "Draw it along an outer wall; a wall inside that stops a fire is a fire wall."
    elif layer == "obstacles":
        free = (features["kind"] == "overhead_line").to_numpy(dtype=bool) | held
        problems.append(
            problem_rows(
                name,
                label[~free],
                "obstacle_outside_buildings",
                "warning",
                [f"The {kind} lies on no building." for kind in features["kind"][~free]],
                "Move it onto its roof, or leave it if it stands in a yard.",
            )
        )
        # A parapet shorter than the reach stays as it was drawn.
        closed = shapely.is_empty(laid)
        laid[closed] = shapes[closed]
        lost = np.zeros(len(features), dtype=bool)
        words, action = [], ""
    else:
        inner = shapely.length(shapely.intersection(laid[held], walls))
        outside[held] = np.round(1.0 - inner / np.maximum(shapely.length(laid[held]), _SAME_FT), _DIGITS)
        lost[held] = ~(inner * ft[home[held]] > _SAME_FT)
        words = [f"The {one} crosses no building; it is refused."] * int(lost.sum())
        action = f"Draw the {one} from one wall of its building to the other."
    # What is to go is found by its place; it needs no building.
    spared = lost & features["gone"].to_numpy(dtype=bool)
    laid[spared] = shapes[spared]
    told = (lost & ~spared)[lost]
    lost &= ~spared
    code = f"{one.replace(' ', '_')}_outside_building" if layer != "walls" else "wall_off_outline"
    problems.append(
        problem_rows(
            name,
            label[lost],
            code,
            "error",
            [text for text, keep in zip(words, told, strict=True) if keep] if words else "",
            action,
        )
    )
    return laid, outside, lost


def _polygons(shapes: ShapeArray) -> ShapeArray:
    """What is polygon of each overlay, whole again; nothing where there is none."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    solid = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    found = np.full(len(shapes), shapely.Polygon(), dtype=object)
    if solid.any():
        rows, slot = np.unique(owner[solid], return_inverse=True)
        found[rows] = shapely.multipolygons(parts[solid], indices=slot.reshape(-1))
    single = shapely.get_num_geometries(found) == 1
    found[single] = shapely.get_geometry(found[single], 0)
    return found


def _property_texts(features: gpd.GeoDataFrame) -> list[str]:
    """What each drawing says beside its shape: JSON with its keys in order, nothing where it is silent."""
    columns = [name for name in features.columns if name not in _OWN]
    said = features[columns].astype(object)
    rows = said.where(said.notna(), None).to_dict("records")
    gone = features["gone"].to_numpy(dtype=bool)
    return [_text({**row, "gone": True} if out else row) for row, out in zip(rows, gone, strict=True)]


def _text(said: dict[str, Any]) -> str:
    plain = {key: _plain(value) for key, value in said.items() if value is not None}
    return json.dumps(plain, sort_keys=True, ensure_ascii=False)


def _plain(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return value.item() if isinstance(value, np.generic) else value


def _properties(text: str) -> dict[str, Any]:
    found = json.loads(text) if text else {}
    return found if isinstance(found, dict) else {}


def _partners(
    rows: gpd.GeoDataFrame,
    before: gpd.GeoDataFrame,
    usable: npt.NDArray[np.bool_],
    ft: FloatArray,
    rules: Rulebook,
) -> tuple[pd.Series, npt.NDArray[np.bool_]]:
    """The drawing before that each row takes the place of, and whether it only says the same.

    Polygons are compared as they are, lines and points with the room within reach of them. The pair with most
    in common comes first, then the earlier drawing, then the earlier row; nobody has two partners.
    """
    partner = pd.Series(pd.NA, index=rows.index, dtype="Int64")
    same = np.zeros(len(rows), dtype=bool)
    mine = np.flatnonzero(usable)
    if not mine.size or before.empty:
        return partner, same
    unit_ft = float(np.median(ft))
    reach = rules.positive("record.snap_ft") / unit_ft
    new = np.asarray(rows.geometry.array, dtype=object)[mine]
    old = np.asarray(before.geometry.array, dtype=object)
    wide, old_wide = _with_room(new, reach), _with_room(old, reach)
    i, j = shapely.STRtree(old_wide).query(wide, predicate="intersects")
    share = _in_common(wide[i], old_wide[j])
    enough = share >= rules.share("record.redrawn_share")
    i, j, share = i[enough], j[enough], share[enough]
    number = before["number"].to_numpy(dtype=np.int64)
    taken = np.zeros(len(before), dtype=bool)
    has = np.zeros(len(mine), dtype=bool)
    # The loop runs over pairs of a drawing and its likes only.
    for pair in np.lexsort((i, number[j], -share)):
        if has[i[pair]] or taken[j[pair]]:
            continue
        has[i[pair]] = taken[j[pair]] = True
        row, other = mine[i[pair]], j[pair]
        partner.iloc[row] = number[other]
        same[row] = _says_the_same(rows.iloc[row], before.iloc[other], _SAME_FT / unit_ft)
    return partner, same


def _with_room(shapes: ShapeArray, reach: float) -> ShapeArray:
    solid = shapely.get_dimensions(shapes) == 2
    return np.where(solid, shapes, shapely.buffer(shapes, reach))


def _says_the_same(row: pd.Series, other: pd.Series, tolerance: float) -> bool:
    for field in ("building_id", "properties", "basis", "who", "seen_on", "note"):
        one, two = row[field], other[field]
        if not (pd.isna(one) and pd.isna(two)) and (pd.isna(one) or pd.isna(two) or one != two):
            return False
    one, two = shapely.normalize(row.geometry), shapely.normalize(other.geometry)
    return bool(shapely.equals_exact(one, two, tolerance))


def _overlaps(
    rows: gpd.GeoDataFrame,
    label: pd.Series,
    fresh: npt.NDArray[np.bool_],
    before: gpd.GeoDataFrame,
    partner: pd.Series,
    ft: FloatArray,
    ids: pd.Series,
    rules: Rulebook,
    name: str,
) -> pd.DataFrame:
    """A row for each new section that overlaps another of its building, new or standing."""
    kept = before[~before["number"].isin(partner.dropna())]
    mine = np.flatnonzero(fresh)
    new = np.asarray(rows.geometry.array, dtype=object)[mine]
    shapes = np.concatenate([new, np.asarray(kept.geometry.array, dtype=object)])
    building = np.concatenate(
        [rows["building_id"].to_numpy(dtype=object)[mine], kept["building_id"].to_numpy(dtype=object)]
    )
    called = np.concatenate(
        [
            label.to_numpy(dtype=object)[mine],
            ("drawing " + kept["number"].astype("str")).to_numpy(dtype=object),
        ]
    )
    i, j = shapely.STRtree(shapes).query(new, predicate="intersects")
    # Of two new ones the later is told of.
    pair = (building[i] == building[j]) & ((j < i) | (j >= mine.size))
    i, j = i[pair], j[pair]
    place = pd.Index(ids).get_indexer(pd.Index(building[i]))
    area_ft2 = shapely.area(shapely.intersection(shapes[i], shapes[j])) * ft[place] ** 2
    real = area_ft2 >= rules.number("outline.sliver_ft2")
    i, j, area_ft2 = i[real], j[real], area_ft2[real]
    # One without a number is of the district's own layer, and gives way.
    numbered = np.concatenate([np.ones(mine.size, dtype=bool), kept["number"].notna().to_numpy(dtype=bool)])[
        j
    ]
    among = problem_rows(
        name,
        called[i[numbered]],
        "sections_overlap",
        "warning",
        [
            f"The section overlaps {other} in {area:,.0f} ft2; the common part goes to the one of better "
            "basis, then to the smaller."
            for other, area in zip(called[j[numbered]], area_ft2[numbered], strict=True)
        ],
        "Redraw the sections so that they meet without overlap.",
    )
    over = problem_rows(
        name,
        called[i[~numbered]],
        "section_takes_over",
        "info",
        [
            f"The section takes {area:,.0f} ft2 of one in the district's own layer, which gives way."
            for area in area_ft2[~numbered]
        ],
        "Nothing, if that is meant; the layer may then do without the other.",
    )
    return pd.concat([among, over], ignore_index=True)
