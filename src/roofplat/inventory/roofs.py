"""The roof sections of every building: by default one, more where someone drew them.

In: footprints, drawn sections, fire walls, expansion joints, the values in force of each building.
Out: the `roofs` table: sections that cover their building without overlap, numbered from the
    largest, with everything known of their roof; problem rows.

Everything here runs on whole arrays. Overlays are computed only for buildings that have a drawn
section, a fire wall or an expansion joint.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.intake.repair import without_hairs
from roofplat.inventory._shared import (
    NONE,
    IntArray,
    best_of_each,
    combine_problems,
    find_keys,
    polygon_parts,
    shares,
    texts,
    union_groups,
)
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES, TABLES, problem_rows

__all__ = ["ROOF_FIELDS", "Pieces", "divide_roofs", "fill_heights", "make_roofs", "mark_suspended_loads"]

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]

ROOF_FIELDS = tuple(field for field in TABLES["roofs"].columns if field in ATTRIBUTES)
"""The attributes a section carries."""

_UNKNOWN = "unknown"
# From the best known to the least.
_RANKS = {basis: rank for rank, basis in enumerate(BASES)}
# What an overlay leaves by rounding is not a piece of roof.
_NOISE_FT2 = 0.01
_NOISE_FT = 0.01
_BASIS_RANK = {basis: rank for rank, basis in enumerate(BASES)}


class Pieces(NamedTuple):
    """The sections of all buildings before they are numbered.

    building
        Row of the footprints, shape (n,).
    drawn
        Row of the drawn sections a piece comes from, or -1, shape (n,).
    geometry
        Polygons, shape (n,).
    undivided_ft2
        Ground area within the same fire walls, shape (n,).
    sections_used, fire_walls_used, joints_used
        Which of the drawn features shaped a roof: rows, ascending.
    problems
        Problem rows.
    """

    building: IntArray
    drawn: IntArray
    geometry: GeometryArray
    undivided_ft2: FloatArray
    sections_used: IntArray
    fire_walls_used: IntArray
    joints_used: IntArray
    problems: pd.DataFrame


def divide_roofs(
    footprints: gpd.GeoDataFrame,
    sections: gpd.GeoDataFrame,
    fire_walls: gpd.GeoDataFrame,
    expansion_joints: gpd.GeoDataFrame,
    ft2_per_unit2: FloatArray,
    rules: Rulebook,
) -> Pieces:
    """Divide buildings into roof sections.

    A building without drawings is one section, a multi-part one has a section for each part. A
    drawn section is clipped to the building it names or overlaps most; where drawings overlap,
    the better basis keeps the ground, then the smaller drawing. What no drawing covers becomes
    sections of its own, and fire walls and expansion joints cut through whatever they cross. Pieces
    made by cutting that are smaller than `outline.sliver_ft2` are joined to the neighbour they share
    most border with.

    Fire walls alone stop a fire: a section's undivided area is that of the part of its building, cut
    by the fire walls and nothing else, that holds most of the section.

    Parameters
    ----------
    footprints
        `building_id` (unique), `geometry` (Polygon or MultiPolygon), working CRS; n rows.
    sections
        `building_id` (may be missing), `basis`, `geometry` (Polygon), the same CRS.
    fire_walls, expansion_joints
        `geometry` (LineString), the same CRS.
    ft2_per_unit2
        Ground square feet in one square unit of the CRS at each building, shape (n,).
    rules
        `outline.sliver_ft2`, `outline.fire_wall_gap_ft`, `join.section_share`.

    Returns
    -------
    Pieces

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> shed = gpd.GeoDataFrame({"building_id": ["B1"]}, geometry=[shapely.box(0, 0, 100, 50)])
    >>> nothing = gpd.GeoDataFrame({"building_id": []}, geometry=[])
    >>> wall = gpd.GeoDataFrame(geometry=[shapely.LineString([(60, 0), (60, 50)])])
    >>> pieces = divide_roofs(shed, nothing, wall, nothing, np.array([1.0]), load_rulebook())
    >>> sorted(shapely.area(pieces.geometry).tolist())
    [2000.0, 3000.0]
    >>> divide_roofs(shed, nothing, nothing, wall, np.array([1.0]), load_rulebook()).undivided_ft2.tolist()
    [5000.0, 5000.0]
    """
    outlines = np.asarray(footprints.geometry.array, dtype=object)
    ids = footprints["building_id"].to_numpy(dtype=object)
    problems: list[pd.DataFrame] = []

    drawn, home, shape = _place_sections(footprints, sections, outlines, rules, problems)
    drawn, home, shape = _settle_overlaps(sections, drawn, home, shape, ft2_per_unit2, problems)
    used = np.unique(drawn)
    piece, owner = polygon_parts(shape)
    building, drawing = home[owner], drawn[owner]

    touched, covered = union_groups(shape, home)
    rest = shapely.difference(outlines[touched], covered) if touched.size else np.empty(0, dtype=object)
    rest_piece, owner = polygon_parts(rest)
    free = np.setdiff1d(np.arange(len(outlines)), touched)
    whole, whole_owner = polygon_parts(outlines[free])

    geometry = np.concatenate([whole, piece, rest_piece])
    building = np.concatenate([free[whole_owner], building, touched[owner]]).astype(np.int64)
    drawing = np.concatenate([np.full(whole.size, NONE), drawing, np.full(rest_piece.size, NONE)]).astype(
        np.int64
    )
    cut = np.concatenate([np.zeros(whole.size, bool), np.ones(piece.size + rest_piece.size, bool)])

    lines = np.concatenate(
        [np.asarray(layer.geometry.array, dtype=object) for layer in (fire_walls, expansion_joints)]
    )
    parent, geometry, split, at_work = _cut_by_lines(geometry, lines, ft2_per_unit2[building], rules)
    walls, joints = at_work[: len(fire_walls)], at_work[len(fire_walls) :]
    problems.append(_idle_lines("fire_walls", "Fire wall", fire_walls, walls))
    problems.append(_idle_lines("expansion_joints", "Expansion joint", expansion_joints, joints))
    building, drawing, cut = building[parent], drawing[parent], cut[parent] | split
    keep, geometry = _merge_slivers(geometry, building, cut, ids, ft2_per_unit2, rules, problems)
    geometry = geometry[keep]
    pieces = np.flatnonzero(cut[keep])
    building, drawing = building[keep], drawing[keep]
    geometry[pieces] = without_hairs(geometry[pieces], ft2_per_unit2[building[pieces]])
    undivided_ft2 = _undivided(outlines, geometry, building, lines[: len(fire_walls)], ft2_per_unit2, rules)
    return Pieces(
        building,
        drawing,
        geometry,
        undivided_ft2,
        used,
        np.flatnonzero(walls),
        np.flatnonzero(joints),
        combine_problems(problems),
    )


def make_roofs(
    pieces: Pieces,
    footprints: gpd.GeoDataFrame,
    sections: gpd.GeoDataFrame,
    known: pd.DataFrame,
    ft2_per_unit2: FloatArray,
    rules: Rulebook,
) -> tuple[gpd.GeoDataFrame, IntArray]:
    """Give each section its number and what is known of its roof.

    What a drawn section says goes before what is said of its building, with the drawing's basis; of a
    building of one section it does not go before what is better known. Sections are numbered from the
    largest, then from west to east, then from south to north.

    Parameters
    ----------
    pieces
        As `divide_roofs` returns them.
    footprints
        `building_id`, n rows.
    sections
        The drawn sections: attribute columns and `basis`.
    known
        As `facts.known_values` returns them, n rows.
    ft2_per_unit2
        Ground square feet in one square unit of the CRS at each building, shape (n,).
    rules
        The default heights.

    Returns
    -------
    roofs
        Columns of `TABLES["roofs"]`, sorted by building row and part.
    building
        Row of the footprints of each section.
    """
    area_ft2 = shapely.area(pieces.geometry) * ft2_per_unit2[pieces.building]
    centre = shapely.centroid(pieces.geometry)
    side = np.sqrt(ft2_per_unit2[pieces.building])
    order = np.lexsort(
        (
            np.round(shapely.get_y(centre) * side, 1),
            np.round(shapely.get_x(centre) * side, 1),
            -np.round(area_ft2, 1),
            pieces.building,
        )
    )
    building, drawing = pieces.building[order], pieces.drawn[order]
    count = np.bincount(building, minlength=len(footprints))
    part = np.arange(order.size) - np.repeat(np.cumsum(count) - count, count) + 1

    ids = footprints["building_id"].to_numpy(dtype=object)[building]
    columns: dict[str, Any] = {
        "building_id": pd.Series(ids, dtype="str"),
        "section_id": pd.Series(ids + "/" + part.astype("U").astype(object), dtype="str"),
        "part": pd.Series(part).astype("Int64"),
        "area_ft2": area_ft2[order],
        "undivided_ft2": pieces.undivided_ft2[order],
        "building_occupancy": known["occupancy"].take(building).reset_index(drop=True),
        "building_sprinklered": known["sprinklered"].take(building).reset_index(drop=True),
    }
    has_drawing = drawing >= 0
    row = drawing[has_drawing]
    # What is said of a building of one section is said of that section.
    only = pd.Series(count[building] == 1)
    for field in ROOF_FIELDS:
        value = known[field].take(building).reset_index(drop=True)
        basis = known[f"{field}_basis"].take(building).reset_index(drop=True)
        if field in sections and row.size:
            said = sections[field].reset_index(drop=True).astype(ATTRIBUTES[field].dtype).take(row)
            said.index = pd.Index(np.flatnonzero(has_drawing))
            said = said.dropna()
            if field == "roof_family":
                said = said[said.isin([name for name in rules.families if name != _UNKNOWN])]
            source = sections["basis"].reset_index(drop=True).astype("str").take(row)
            source.index = pd.Index(np.flatnonzero(has_drawing))
            better = basis.map(_RANKS) < source.fillna("drawn").map(_RANKS).reindex(basis.index)
            said = said[~(only & better).loc[said.index]]
            value.loc[said.index] = said
            basis.loc[said.index] = source.loc[said.index].fillna("drawn")
        columns[field], columns[f"{field}_basis"] = value, basis
    frame = pd.DataFrame(columns)
    frame["roof_family"] = frame["roof_family"].fillna(_UNKNOWN)
    height, basis = fill_heights(frame["height_ft"], frame["height_ft_basis"], frame["storeys"], rules)
    frame["height_ft"], frame["height_ft_basis"] = height, basis
    return gpd.GeoDataFrame(frame, geometry=pieces.geometry[order], crs=footprints.crs), building


def fill_heights(
    height_ft: pd.Series, basis: pd.Series, storeys: pd.Series, rules: Rulebook
) -> tuple[pd.Series, pd.Series]:
    """Give every roof edge a height, and say how it is known.

    Parameters
    ----------
    height_ft, basis, storeys
        What is known; missing elsewhere. Shape (n,).
    rules
        `ladder.default_height_ft.storey` and `.one_storey`.

    Returns
    -------
    height_ft
        As known; else from the storeys (`inferred`); else that of one storey (`assumed`).
    basis
        One of `tables.BASES`.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> rules = load_rulebook({"ladder.default_height_ft.storey": 10.0})
    >>> storeys = pd.Series([pd.NA, 3], dtype="Int64")
    >>> height, basis = fill_heights(pd.Series([24.0, None]), pd.Series(["drawn", None]), storeys, rules)
    >>> height.tolist(), basis.tolist()
    ([24.0, 30.0], ['drawn', 'inferred'])
    """
    one = rules.number("ladder.default_height_ft.one_storey")
    each = rules.number("ladder.default_height_ft.storey")
    count = storeys.to_numpy(dtype=float, na_value=np.nan)
    known = height_ft.to_numpy(dtype=float)
    lacking = np.isnan(known)
    told = lacking & (count >= 1)
    guess = np.where(told & (count > 1), count * each, one)
    filled = pd.Series(np.where(lacking, guess, known), index=height_ft.index)
    how = basis.astype("str").to_numpy(dtype=object).copy()
    how[lacking] = "assumed"
    how[told] = "inferred"
    return filled, pd.Series(how, index=basis.index, dtype="str")


def mark_suspended_loads(roofs: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Set `suspended_load` where something is drawn hanging from a roof.

    A statement of a better basis stays; one of the same basis that denies the load does not.

    Parameters
    ----------
    roofs
        Columns of `TABLES["roofs"]`.
    obstacles
        `building_id`, `kind`, `basis`, `geometry`, the same CRS.

    Returns
    -------
    GeoDataFrame
        A copy of `roofs`.
    """
    hung = obstacles[(obstacles["kind"] == "suspended_load") & obstacles["building_id"].notna()]
    if hung.empty:
        return roofs
    polygons = np.asarray(roofs.geometry.array, dtype=object)
    things = np.asarray(hung.geometry.array, dtype=object)
    thing, section = shapely.STRtree(polygons).query(things, predicate="intersects")
    # A thing that only touches the dividing wall hangs on the other side; a point has no side.
    over = hung["building_id"].to_numpy(dtype=object)[thing]
    sideless = shapely.get_dimensions(things[thing]) == 0
    keep = (over == roofs["building_id"].to_numpy(dtype=object)[section]) & (
        sideless | ~shapely.touches(things[thing], polygons[section])
    )
    thing, section = thing[keep], section[keep]
    offered = _rank(hung["basis"])[thing]
    best = np.full(len(roofs), len(BASES), dtype=np.int64)
    np.minimum.at(best, section, offered)
    had = np.where(
        roofs["suspended_load"].isna().to_numpy(dtype=bool), len(BASES), _rank(roofs["suspended_load_basis"])
    )
    take = (best < len(BASES)) & (best <= had)
    marked = roofs.copy()
    marked["suspended_load"] = roofs["suspended_load"].mask(take, True)
    basis = roofs["suspended_load_basis"].to_numpy(dtype=object).copy()
    basis[take] = np.array(BASES, dtype=object)[best[take]]
    marked["suspended_load_basis"] = pd.Series(basis, index=roofs.index, dtype="str")
    return marked


def _rank(basis: pd.Series) -> IntArray:
    """Position in `BASES`; a missing basis is the least trusted."""
    rank = basis.map(_BASIS_RANK).fillna(len(BASES) - 1)
    return np.asarray(rank.to_numpy(dtype=np.int64), dtype=np.int64)


def _place_sections(
    footprints: gpd.GeoDataFrame,
    sections: gpd.GeoDataFrame,
    outlines: GeometryArray,
    rules: Rulebook,
    problems: list[pd.DataFrame],
) -> tuple[IntArray, IntArray, GeometryArray]:
    """Give each drawn section its building and clip it to it; refuse those mostly outside."""
    nothing = np.empty(0, dtype=np.int64)
    if not len(sections):
        return nothing, nothing, np.empty(0, dtype=object)
    ids = footprints["building_id"].to_numpy(dtype=object)
    label = sections.index.to_numpy(dtype=object)
    shapes = np.asarray(sections.geometry.array, dtype=object)
    named, _ = find_keys(footprints["building_id"], sections["building_id"].astype("str"))
    stranger = sections["building_id"].notna().to_numpy(dtype=bool) & (named == NONE)
    problems.append(
        problem_rows(
            "sections",
            label[stranger],
            "section_id_unknown",
            "warning",
            texts(
                "Drawn section ", label[stranger].astype("U").astype(object), " names building ",
                sections["building_id"].to_numpy(dtype=object)[stranger].astype("U").astype(object),
                ", which does not exist; it is placed by its outline.",
                size=int(stranger.sum()),
            ),
            "Correct the building id.",
        )
    )  # fmt: skip
    row, building = shapely.STRtree(outlines).query(shapes, predicate="intersects")
    fits = (named[row] == NONE) | (named[row] == building)
    row, building = row[fits], building[fits]
    clipped = shapely.intersection(shapes[row], outlines[building])
    share = shares(shapely.area(clipped), shapely.area(shapes[row]))
    enough = share >= rules.number("join.section_share")
    row, building, clipped, share = row[enough], building[enough], clipped[enough], share[enough]
    chosen, _ = best_of_each(
        row, [share], np.argsort(np.argsort(ids, kind="stable"), kind="stable")[building]
    )
    placed = row[chosen].astype(np.int64)
    lost = np.setdiff1d(np.arange(len(sections)), placed)
    problems.append(
        problem_rows(
            "sections",
            label[lost],
            "section_outside_building",
            "warning",
            texts(
                "Drawn section ", label[lost].astype("U").astype(object), " has less than "
                f"{rules.number('join.section_share'):.0%} of its area inside ",
                np.where(named[lost] == NONE, "any one building", "the building it names").astype(object),
                "; it is not used.",
                size=lost.size,
            ),
            "Redraw the section inside its building, or correct the building id.",
        )
    )  # fmt: skip
    return placed, building[chosen].astype(np.int64), clipped[chosen]


def _settle_overlaps(
    sections: gpd.GeoDataFrame,
    drawn: IntArray,
    home: IntArray,
    shape: GeometryArray,
    ft2_per_unit2: FloatArray,
    problems: list[pd.DataFrame],
) -> tuple[IntArray, IntArray, GeometryArray]:
    """Take from each drawn section what a better one of the same building covers."""
    if not drawn.size:
        return drawn, home, shape
    # The order is that of the drawings themselves, so that the order of the file does not matter.
    outline = shapely.to_wkb(shapely.normalize(shape), hex=True)
    order = np.lexsort((outline.astype("U"), shapely.area(shape), _rank(sections["basis"])[drawn]))
    drawn, home, shape = drawn[order], home[order], shape[order]
    label = sections.index.to_numpy(dtype=object)[drawn]
    weaker, stronger = shapely.STRtree(shape).query(shape, predicate="intersects")
    keep = (stronger < weaker) & (home[weaker] == home[stronger])
    weaker, stronger = weaker[keep], stronger[keep]
    common = shapely.area(shapely.intersection(shape[weaker], shape[stronger]))
    real = common * ft2_per_unit2[home[weaker]] > _NOISE_FT2
    # Noise is cut away too, so that sections never overlap; only real overlaps are worth a word.
    loser, cover = union_groups(shape[stronger], weaker.astype(np.int64))
    trimmed = shape.copy()
    trimmed[loser] = shapely.difference(shape[loser], cover)
    left = shapely.area(trimmed) * ft2_per_unit2[home] > _NOISE_FT2
    told = np.union1d(weaker[real], np.flatnonzero(~left))
    problems.append(
        problem_rows(
            "sections",
            label[told],
            "sections_overlap",
            "warning",
            texts(
                "Drawn section ", label[told].astype("U").astype(object), " overlaps another; ",
                np.where(left[told], "the common part goes", "all of it goes").astype(object),
                " to the one of better basis, then to the smaller.",
                size=told.size,
            ),
            "Redraw the sections so that they meet without overlap.",
        )
    )  # fmt: skip
    return drawn[left], home[left], trimmed[left]


def _cut_by_lines(
    pieces: GeometryArray, drawn_lines: GeometryArray, ft2_per_unit2: FloatArray, rules: Rulebook
) -> tuple[IntArray, GeometryArray, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Cut pieces along the lines that cross them from wall to wall; `ft2_per_unit2` is that of each piece.

    Returns the piece each part comes from, the parts, whether they were cut, and for each line
    whether it cuts anything.
    """
    everyone = np.arange(pieces.size, dtype=np.int64)
    untouched = np.zeros(pieces.size, dtype=bool)
    if not drawn_lines.size or not pieces.size:
        return everyone, pieces, untouched, np.zeros(drawn_lines.size, dtype=bool)
    tree = shapely.STRtree(pieces)
    # The scale at the nearest roof is near enough to reach over a gap of a foot or two.
    ft_per_unit = np.sqrt(ft2_per_unit2)
    gap = rules.number("outline.fire_wall_gap_ft") / ft_per_unit[tree.nearest(drawn_lines)]
    lines = _lengthen(drawn_lines, gap)
    line, piece = tree.query(lines, predicate="intersects")
    # A line along the outline divides nothing.
    inner = ~shapely.touches(lines[line], pieces[piece])
    line, piece = line[inner], piece[inner]
    # Cut in an order that is the lines' own, whatever the order of the file.
    order = np.argsort(shapely.to_wkb(shapely.normalize(lines), hex=True).astype("U")[line], kind="stable")
    line, piece = line[order], piece[order]

    targets = np.unique(piece)
    web = np.concatenate([shapely.boundary(pieces[targets]), lines[line]])
    _, web = union_groups(web, np.concatenate([targets, piece]).astype(np.int64))
    faces, bridges, dangles, _ = shapely.polygonize_full(web[:, None])
    face, owner = polygon_parts(np.asarray(faces, dtype=object))
    # Lines that meet outside, and courtyards, close faces that are no roof.
    roof = shapely.contains_properly(pieces[targets[owner]], shapely.point_on_surface(face))
    face, owner = face[roof], owner[roof]
    parts = np.bincount(owner, minlength=targets.size)
    divided = parts > 1

    noise = _NOISE_FT / ft_per_unit
    loose = np.asarray(shapely.buffer(shapely.union(bridges, dangles), noise[targets]), dtype=object)
    slot = np.searchsorted(targets, piece)
    inside = shapely.intersection(lines[line], pieces[piece])
    at_work = shapely.length(shapely.difference(inside, loose[slot])) > 4 * noise[piece]
    used = np.isin(np.arange(lines.size), line[at_work & divided[slot]])

    cut = divided[owner]
    kept = np.setdiff1d(everyone, targets[divided])
    parent = np.concatenate([kept, targets[owner[cut]]]).astype(np.int64)
    geometry = np.concatenate([pieces[kept], shapely.normalize(face[cut])])
    split = np.concatenate([np.zeros(kept.size, bool), np.ones(int(cut.sum()), bool)])
    return parent, geometry, split, used


def _idle_lines(
    layer: str, what: str, lines: gpd.GeoDataFrame, at_work: npt.NDArray[np.bool_]
) -> pd.DataFrame:
    """Name the lines that divide nothing."""
    label = lines.index.to_numpy(dtype=object)[~at_work].astype("U").astype(object)
    return problem_rows(
        layer,
        label,
        f"{layer.removesuffix('s')}_divides_nothing",
        "warning",
        texts(
            f"{what} ", label, " crosses no roof section from wall to wall; it divides nothing.",
            size=label.size,
        ),
        "Draw the line from one wall of the building to the other.",
    )  # fmt: skip


def _undivided(
    outlines: GeometryArray,
    sections: GeometryArray,
    building: IntArray,
    fire_walls: GeometryArray,
    ft2_per_unit2: FloatArray,
    rules: Rulebook,
) -> FloatArray:
    """Ground area of the part of its building, cut by fire walls only, that holds most of a section."""
    part, owner = polygon_parts(outlines)
    parent, part, _, _ = _cut_by_lines(part, fire_walls, ft2_per_unit2[owner], rules)
    owner = owner[parent]
    part_ft2 = shapely.area(part) * ft2_per_unit2[owner]
    # Most buildings are one part, and nothing is to be looked up.
    undivided_ft2 = np.bincount(owner, weights=part_ft2, minlength=outlines.size)[building]
    several = np.flatnonzero(np.bincount(owner, minlength=outlines.size)[building] > 1)
    if several.size:
        section, held = shapely.STRtree(part).query(sections[several], predicate="intersects")
        mine = building[several[section]] == owner[held]
        section, held = section[mine], held[mine]
        shared = shapely.area(shapely.intersection(sections[several[section]], part[held]))
        chosen, _ = best_of_each(section, [shared, part_ft2[held]], held)
        undivided_ft2[several[section[chosen]]] = part_ft2[held[chosen]]
    return np.asarray(undivided_ft2, dtype=float)


def _lengthen(lines: GeometryArray, by: FloatArray) -> GeometryArray:
    """Move both ends of open lines outward along their last runs."""
    open_line = ~shapely.is_closed(lines) & (shapely.get_num_points(lines) >= 2)
    moved = lines.copy()
    if not open_line.any():
        return moved
    coordinates, owner = shapely.get_coordinates(lines[open_line], return_index=True)
    size = np.bincount(owner)
    first = np.cumsum(size) - size
    last = first + size - 1
    result = coordinates.copy()
    for end, inner in ((first, first + 1), (last, last - 1)):
        run = coordinates[end] - coordinates[inner]
        length = np.hypot(run[:, 0], run[:, 1])
        step = np.divide(by[open_line], length, out=np.zeros_like(length), where=length > 0)
        result[end] = coordinates[end] + run * step[:, None]
    moved[open_line] = shapely.set_coordinates(moved[open_line], result)
    return moved


def _merge_slivers(
    geometry: GeometryArray,
    building: IntArray,
    cut: npt.NDArray[np.bool_],
    ids: npt.NDArray[np.object_],
    ft2_per_unit2: FloatArray,
    rules: Rulebook,
    problems: list[pd.DataFrame],
) -> tuple[IntArray, GeometryArray]:
    """Join slivers left by cutting to a neighbour; return the rows that stay, and all shapes."""
    area_ft2 = shapely.area(geometry) * ft2_per_unit2[building]
    small = cut & (area_ft2 < rules.number("outline.sliver_ft2"))
    # A building keeps its largest piece, however small.
    largest, _ = best_of_each(building, [np.round(area_ft2, 1)], np.arange(building.size))
    small[largest] = False
    sliver = np.flatnonzero(small)
    everyone = np.arange(geometry.size, dtype=np.int64)
    if not sliver.size:
        return everyone, geometry
    hosts = np.flatnonzero(~small & np.isin(building, building[sliver]))
    noise = _NOISE_FT / np.sqrt(ft2_per_unit2[building[sliver]])
    fringe = shapely.buffer(geometry[sliver], noise)
    i, j = shapely.STRtree(geometry[hosts]).query(fringe, predicate="intersects")
    mine = building[sliver[i]] == building[hosts[j]]
    i, j = i[mine], j[mine]
    border = shapely.area(shapely.intersection(fringe[i], geometry[hosts[j]])) / noise[i]
    side = np.sqrt(ft2_per_unit2[building[sliver[i]]])
    chosen, _ = best_of_each(i, [np.round(border * side, 1)], hosts[j])
    sliver_of, host = sliver[i[chosen]], hosts[j[chosen]]

    group = np.concatenate([host, np.unique(host)])
    target, merged = union_groups(geometry[np.concatenate([sliver_of, np.unique(host)])], group)
    whole = shapely.get_type_id(merged) == shapely.GeometryType.POLYGON
    result = geometry.copy()
    result[target[whole]] = merged[whole]
    settled = sliver_of[np.isin(host, target[whole])]
    # What meets its neighbour in a point only stays a section of its own, unless it is rounding.
    noise_only = sliver[area_ft2[sliver] <= _NOISE_FT2]
    gone = np.union1d(settled, noise_only)
    kept = np.setdiff1d(sliver, gone)
    for rows, code, what in (
        (np.setdiff1d(settled, noise_only), "sliver_joined", " is joined to the section beside it."),
        (kept, "sliver_kept", " meets no section along a line and stays a section of its own."),
    ):
        problems.append(
            problem_rows(
                "inventory",
                ids[building[rows]],
                code,
                "info",
                texts(
                    "Building ", ids[building[rows]], ": a piece of ",
                    np.char.mod("%.1f", area_ft2[rows]).astype(object), " ft2 left by drawn lines", what,
                    size=rows.size,
                ),
                "Snap the drawn lines to the outline.",
            )
        )  # fmt: skip
    return np.setdiff1d(everyone, gone), result
