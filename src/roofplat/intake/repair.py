"""Make shapes that the other rooms can rely on: 2D, finite, valid, of the kind the layer is for.

In: a layer with whatever shapes its file held.
Out: the layer with sound shapes, each repair and each refusal logged.

A repair never invents ground: rings are closed, wound and untangled; what is left is refused.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.ground import Ground, local_planes
from roofplat.intake.layer import BoolArray, Layer

__all__ = [
    "duplicates",
    "flatten",
    "giants",
    "hairs",
    "hulls",
    "lines",
    "mixed",
    "outlines",
    "points",
    "slivers",
    "thin",
    "uncrowded",
    "without_hairs",
]

ShapeArray = npt.NDArray[np.object_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
# A strip narrower than this is no roof; drawings are not made that finely.
_HAIR_FT = 0.2
# What sticks out by more than this many half widths is a hair; a sharp corner is not.
_HAIR_LONG = 50
# What has more corners than this many times what is allowed is no drawing that had some too many.
_HOPELESS = 20
# To untangle takes as long as there are places where a ring crosses itself, and each becomes a corner.
_MOST_CROSSINGS = 5_000
# So many edges of a tangled outline are asked how many others they cross.
_ASKED_EDGES = 60
_MEND_SOURCE = "Mend it in the source if the outline looks wrong."


def flatten(layer: Layer) -> Layer:
    """Refuse missing, empty and unfinite shapes and drop heights.

    Parameters
    ----------
    layer
        Geometry in its own CRS.

    Returns
    -------
    Layer
        Kept shapes are 2D with finite coordinates; the others are missing.
    """
    shapes = layer.shapes()
    null = shapely.is_missing(shapes)
    empty = ~null & shapely.is_empty(shapes)
    has_z = ~null & ~empty & shapely.has_z(shapes)
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    unfinite = np.zeros(len(shapes), dtype=bool)
    unfinite[owner[~np.isfinite(coordinates).all(axis=1)]] = True
    draw = "Draw it, or take the feature out of the source."
    layer = layer.refuse(null, "null_geometry", "The feature has no shape that can be read.", draw)
    layer = layer.refuse(empty, "empty_geometry", "The shape is empty.", draw)
    layer = layer.refuse(
        unfinite, "unfinite_coordinates", "A coordinate is not a finite number.", "Mend it in the source."
    )
    layer = layer.mend(
        has_z, "height_dropped", "Heights in the coordinates were dropped.", "Nothing: plans are flat."
    )
    flat = shapely.force_2d(shapes)
    flat[~layer.kept] = None
    return layer.with_shapes(flat)


def thin(layer: Layer, most_corners: int, within_ft: float, ground: Ground) -> Layer:
    """Leave out corners that nobody would miss, where there are too many; refuse what has too many still.

    Parameters
    ----------
    layer
        2D, in the working CRS; valid or not.
    most_corners
        Rule `outline.most_corners`: corners of one part with its courtyards.
    within_ft
        Rule `outline.jog_ft`: how far, in ground feet, an outline may move at most.
    ground
        Foot and elevation.

    Returns
    -------
    Layer
        What has no more corners than allowed stays as it is. To lay out walls, ways and trenches takes
        time and memory that grow with the square of the number of corners.
    """
    shapes = layer.shapes()
    # A ring counts its first corner twice.
    if not (shapely.get_num_coordinates(shapes) > most_corners).any():
        return layer
    before = _crowding(shapes)
    crowded = layer.kept & (before > most_corners)
    if not crowded.any():
        return layer
    rows = np.flatnonzero(crowded)
    # Half of it for each of the two steps; none where the place is none that could be mapped.
    within = within_ft / 2 / np.sqrt(_ft2_per_unit2(layer, shapes[rows], ground))
    within = np.where(np.isfinite(within), within, 0.0)
    shapes = shapes.copy()
    shapes[rows] = shapely.remove_repeated_points(shapes[rows], within)  # type: ignore[call-overload]
    some = _crowding(shapes[rows]) <= _HOPELESS * most_corners
    shapes[rows[some]] = shapely.simplify(shapes[rows[some]], within[some], preserve_topology=True)
    layer = _without(
        layer.with_shapes(shapes),
        most_corners,
        lambda number: (
            f"It has {number:,} corners, those left out that bend it by less than {within_ft:g} ft"
        ),
    )
    return layer.mend(
        crowded,
        "corners_left_out",
        [
            f"Of its {corners:,} corners those that bend it by less than {within_ft:g} ft were left out."
            for corners in before[crowded]
        ],
        _MEND_SOURCE,
        "warning",
    )


def uncrowded(layer: Layer, most_corners: int) -> Layer:
    """Refuse shapes with a part of more corners than a building has.

    Parameters
    ----------
    layer
        2D.
    most_corners
        Rule `outline.most_corners`.

    Returns
    -------
    Layer
    """
    if not (shapely.get_num_coordinates(layer.shapes()) > most_corners).any():
        return layer
    return _without(layer, most_corners, lambda number: f"It has {number:,} corners")


def hulls(layer: Layer, most_corners: int) -> Layer:
    """Put the hull in the place of polygons with too many corners: it covers all that they cover.

    Parameters
    ----------
    layer
        2D, things that a crew keeps off; valid or not.
    most_corners
        Rule `outline.most_corners`.

    Returns
    -------
    Layer
        Nothing is refused: what lies on a roof has to be kept off, however it is drawn.
    """
    shapes = layer.shapes()
    if not (shapely.get_num_coordinates(shapes) > most_corners).any():
        return layer
    corners = _crowding(shapes)
    crowded = layer.kept & (shapely.get_dimensions(shapes) == 2) & (corners > most_corners)
    shapes = shapes.copy()
    shapes[crowded] = shapely.convex_hull(shapes[crowded])
    return layer.with_shapes(shapes).mend(
        crowded,
        "hull_taken",
        [
            f"It has {number:,} corners; all that lies within its hull was taken."
            for number in corners[crowded]
        ],
        "Simplify it in the source if that is too much.",
        "warning",
    )


def _without(layer: Layer, most_corners: int, says: Callable[[int], str]) -> Layer:
    """The layer without shapes that have more corners than allowed; `says` begins the sentence of each."""
    corners = _crowding(layer.shapes())
    crowded = layer.kept & (corners > most_corners)
    layer = layer.refuse(
        crowded,
        "too_many_corners",
        [f"{says(number)}, more than {most_corners:,}." for number in corners[crowded].tolist()],
        "Take it out if it is no building, simplify it, or raise the rule outline.most_corners.",
    )
    shapes = layer.shapes().copy()
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def _crowding(shapes: ShapeArray) -> IntArray:
    """Corners of the part of each shape that has the most of them, its courtyards' among them; shape (n,)."""
    parts, owner = _plain_parts(shapes)
    rings = 1 + shapely.get_num_interior_rings(parts)
    most = np.zeros(len(shapes), dtype=np.int64)
    np.maximum.at(most, owner, shapely.get_num_coordinates(parts) - rings)
    return most


def outlines(layer: Layer) -> Layer:
    """Make each kept shape a valid Polygon or MultiPolygon, outer rings counter-clockwise.

    Parameters
    ----------
    layer
        2D, in the working CRS.

    Returns
    -------
    Layer
        Closed lines have become polygons, crossings are untangled, anything else is refused.
    """
    shapes = layer.shapes()
    dimension = shapely.get_dimensions(shapes)
    # The dimension of a collection is that of its largest part: lines only, or points only.
    layer = layer.refuse(
        layer.kept & (dimension == 0), "wrong_geometry", "It is a point, not an outline.", "Draw its outline."
    )
    layer, shapes = _close_lines(shapes, layer)
    # Collections are taken apart before untangling, because their polygons may overlap, and what
    # untangling leaves over is taken off after it.
    shapes, mixed_in = _only(shapes, "polygon")
    layer, shapes = _untangle(shapes, layer)
    shapes, left_over = _only(shapes, "polygon")
    partial = mixed_in | left_over
    layer = layer.mend(
        partial,
        "parts_dropped",
        "Lines or points beside the outline were dropped; its polygons are kept.",
        _MEND_SOURCE,
        "warning",
    )
    flat = layer.kept & (shapely.is_missing(shapes) | ~(shapely.area(shapes) > 0))
    layer = layer.refuse(
        flat, "zero_area", "The outline encloses no ground.", "Draw it again, or take it out."
    )
    # RFC 7946 winds outer rings counter-clockwise; other formats have rules of their own.
    if layer.driver in ("GeoJSON", "GeoJSONSeq"):
        shells = shapely.get_exterior_ring(shapely.get_geometry(shapes, 0))
        layer = layer.mend(
            layer.kept & ~shapely.is_ccw(shells),
            "winding_turned",
            "The outer ring ran clockwise; it was turned.",
            "Nothing.",
        )
    shapes = shapely.orient_polygons(_plain(shapes, layer.kept))
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def slivers(layer: Layer, least_ft2: float, ground: Ground) -> Layer:
    """Refuse outlines, and drop parts of outlines, that are smaller than `least_ft2`.

    Parameters
    ----------
    layer
        Valid polygons in the working CRS.
    least_ft2
        Rule `outline.sliver_ft2`, ground square feet.
    ground
        Foot and elevation.

    Returns
    -------
    Layer
    """
    shapes = layer.shapes()
    parts, owner, ft2_per_unit2 = _in_parts(layer, ground)
    if not len(parts):
        return layer
    area_ft2 = shapely.area(parts) * ft2_per_unit2
    large = area_ft2 >= least_ft2
    count = len(shapes)
    total_ft2 = np.bincount(owner, area_ft2, count)
    kept_parts = np.bincount(owner, large, count)
    all_parts = np.bincount(owner, minlength=count)
    thin = layer.kept & (kept_parts == 0)
    layer = layer.refuse(
        thin,
        "sliver",
        [f"The outline covers {area:.1f} ft2, less than {least_ft2:g} ft2." for area in total_ft2[thin]],
        "Take it out, or lower the rule outline.sliver_ft2.",
    )
    some = layer.kept & (kept_parts < all_parts)
    layer = layer.mend(
        some,
        "sliver_part_dropped",
        f"Parts of the outline smaller than {least_ft2:g} ft2 were dropped.",
        _MEND_SOURCE,
        "warning",
    )
    shapes = _gather(parts[large], owner[large], count, "polygon", shapes, some)
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def giants(layer: Layer, most_ft: float, ground: Ground) -> Layer:
    """Refuse outlines with a part that is longer than any building.

    Parameters
    ----------
    layer
        Valid polygons in the working CRS.
    most_ft
        Rule `outline.longest_ft`, ground feet across the box around a part.
    ground
        Foot and elevation.

    Returns
    -------
    Layer
    """
    shapes = layer.shapes()
    parts, owner, ft2_per_unit2 = _in_parts(layer, ground)
    if not len(parts):
        return layer
    bounds = shapely.bounds(parts)
    across = np.hypot(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1])
    across_ft = across * np.sqrt(ft2_per_unit2)
    longest_ft = np.zeros(len(shapes))
    np.maximum.at(longest_ft, owner, across_ft)
    # Where the scale has no number the place is none that could be mapped.
    long = layer.kept & ~(longest_ft <= most_ft)
    layer = layer.refuse(
        long,
        "too_large",
        [
            f"It is {length:,.0f} ft from end to end, more than {most_ft:,g} ft."
            for length in longest_ft[long]
        ],
        "Take it out if it is no building, or raise the rule outline.longest_ft.",
    )
    shapes = shapes.copy()
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def hairs(layer: Layer, ground: Ground) -> Layer:
    """Take hairlines off outlines whose extent they stretch.

    Parameters
    ----------
    layer
        Valid polygons in the working CRS.
    ground
        Foot and elevation.

    Returns
    -------
    Layer
        A line that was drawn out and back again is no roof, but would stretch the grid of beams.
    """
    shapes = layer.shapes()
    parts, owner, ft2_per_unit2 = _in_parts(layer, ground)
    if not len(parts):
        return layer
    folded = np.flatnonzero(_folded(parts, _HAIR_FT / np.sqrt(ft2_per_unit2)))
    if not folded.size:
        return layer
    whole = parts[folded]
    trimmed = without_hairs(whole, ft2_per_unit2[folded])
    changed = np.zeros(len(parts), dtype=bool)
    changed[folded] = trimmed != whole
    parts = parts.copy()
    parts[folded] = trimmed
    mended = np.zeros(len(shapes), dtype=bool)
    mended[owner[changed]] = True
    layer = layer.mend(
        mended,
        "hairline_dropped",
        "A hairline that stuck out of the outline was taken off.",
        _MEND_SOURCE,
        "warning",
    )
    shapes = _gather(parts, owner, len(shapes), "polygon", shapes, mended & layer.kept)
    shapes = np.where(mended, shapely.orient_polygons(shapes), shapes)
    return layer.with_shapes(shapes)


def _folded(parts: ShapeArray, hair: FloatArray) -> BoolArray:
    """Which polygons run out and back again within a hair, at a tip or around a short edge; shape (n,)."""
    rings, part = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    inner = ring[1:] == ring[:-1]
    edge = (points[1:] - points[:-1])[inner]
    ring = ring[1:][inner]
    length = np.hypot(*edge.T)
    found = np.zeros(len(parts), dtype=bool)
    width = hair[part[ring]]
    first = np.searchsorted(ring, np.arange(len(rings)))
    count = np.bincount(ring, minlength=len(rings))
    place = np.arange(len(ring)) - first[ring]
    for step in (1, 2):
        after = first[ring] + (place + step) % count[ring]
        back = (edge * edge[after]).sum(axis=1) < 0
        apart = np.abs(edge[:, 0] * edge[after, 1] - edge[:, 1] * edge[after, 0])
        longer, shorter = np.maximum(length, length[after]), np.minimum(length, length[after])
        narrow = back & (apart <= width * longer) & (shorter > _HAIR_LONG / 2 * width)
        if step == 2:
            narrow &= length[first[ring] + (place + 1) % count[ring]] <= width
        found[part[ring[narrow]]] = True
    return found


def without_hairs(piece: ShapeArray, ft2_per_unit2: FloatArray) -> ShapeArray:
    """Take hairlines off polygons whose extent they stretch.

    A drawing that misses the outline by a hair leaves a strip beside it that nobody sees but
    that is as long as the wall. Joined to a section, it would stretch the grid of beams over a
    roof that is not there.

    Parameters
    ----------
    piece
        Polygons, shape (n,).
    ft2_per_unit2
        Ground square feet in one square unit of their CRS, shape (n,).

    Returns
    -------
    ndarray of Polygon
        The same objects where there is no hairline, shape (n,).
    """
    half = _HAIR_FT / 2 / np.sqrt(ft2_per_unit2)
    body = shapely.buffer(piece, -half, join_style="mitre", mitre_limit=10.0)
    body = shapely.buffer(body, half, join_style="mitre", mitre_limit=10.0)
    stretched = np.abs(shapely.bounds(body) - shapely.bounds(piece)).max(axis=1) > _HAIR_LONG * half
    rows = np.flatnonzero(stretched)
    trimmed = shapely.intersection(body[rows], piece[rows])
    whole = shapely.get_type_id(trimmed) == shapely.GeometryType.POLYGON
    result = piece.copy()
    result[rows[whole]] = trimmed[whole]
    return result


def _in_parts(layer: Layer, ground: Ground) -> tuple[ShapeArray, IntArray, FloatArray]:
    """The parts of a layer's shapes, the row of each, and ground square feet in one square unit of the CRS.

    Each part is measured on a plane of its own, at the middle of its box.
    """
    parts, owner = shapely.get_parts(layer.shapes(), return_index=True)
    return parts, owner, _ft2_per_unit2(layer, parts, ground)


def _ft2_per_unit2(layer: Layer, shapes: ShapeArray, ground: Ground) -> FloatArray:
    bounds = shapely.bounds(shapes)
    x, y = (bounds[:, 0] + bounds[:, 2]) / 2, (bounds[:, 1] + bounds[:, 3]) / 2
    return local_planes(x, y, layer.required_crs(), ground).area_ft2_per_unit2()


def duplicates(layer: Layer, least_iou: float) -> Layer:
    """Refuse outlines that repeat an earlier one.

    Parameters
    ----------
    layer
        Valid polygons in the working CRS.
    least_iou
        Rule `outline.duplicate_iou`: intersection over union from which two are the same.

    Returns
    -------
    Layer
        The first of a group is kept. An exact repeat is a warning, since nothing is lost with it.
    """
    shapes = layer.shapes()
    rows = np.flatnonzero(layer.kept)
    if rows.size < 2:
        return layer
    solid = shapes[rows]
    # A drawing that is there a thousand times would make a million pairs.
    drawn = _first_drawn(solid)
    single = np.flatnonzero(drawn == np.arange(drawn.size))
    later, earlier = shapely.STRtree(solid[single]).query(solid[single])
    ordered = earlier < later
    later, earlier = single[later[ordered]], single[earlier[ordered]]
    # The overlap of two shapes is at most that of their boxes, and at least `least_iou` times the
    # larger of them: this leaves a handful of pairs to intersect.
    area = shapely.area(solid)
    box = shapely.bounds(solid)
    width = np.minimum(box[later, 2], box[earlier, 2]) - np.maximum(box[later, 0], box[earlier, 0])
    depth = np.minimum(box[later, 3], box[earlier, 3]) - np.maximum(box[later, 1], box[earlier, 1])
    largest = np.maximum(area[later], area[earlier])
    smallest = np.minimum(area[later], area[earlier])
    likely = (width * depth >= least_iou * largest) & (smallest >= least_iou * largest)
    later, earlier = later[likely], earlier[likely]
    shared = shapely.area(shapely.intersection(solid[later], solid[earlier]))
    iou = shared / (area[later] + area[earlier] - shared)
    same = iou >= least_iou
    later, earlier, iou = later[same], earlier[same], iou[same]

    # In the order of the file, so that a repeat of a refused repeat is judged against what is kept.
    # The loop runs over pairs of repeats only.
    first: dict[int, int] = {}
    share: dict[int, float] = {}
    for pair in np.lexsort((earlier, later)):
        one, other = int(later[pair]), int(earlier[pair])
        if one not in first and other not in first:
            first[one], share[one] = other, float(iou[pair])
    # The same drawing has the same neighbours: what an earlier one repeats, or else that one.
    for row in np.flatnonzero(drawn != np.arange(drawn.size)).tolist():
        before = int(drawn[row])
        first[row], share[row] = first.get(before, before), share.get(before, 1.0)
    if not first:
        return layer
    repeat = np.array(sorted(first))
    original = np.array([first[int(one)] for one in repeat])
    exact = shapely.equals(solid[repeat], solid[original])
    action = "Keep one outline; give a second set of facts as a table or as points."
    for chosen, code, severity, how in (
        (exact, "duplicate_outline", "warning", "repeats"),
        (~exact, "overlapping_outline", layer.refusal, "overlaps"),
    ):
        mask = np.zeros(len(shapes), dtype=bool)
        mask[rows[repeat[chosen]]] = True
        words = [
            f"The outline {how} {layer.feature[rows[other]]}"
            + ("" if how == "repeats" else f" by {100 * share[int(one)]:.1f} percent of their union")
            + ", which is kept."
            for one, other in zip(repeat[chosen], original[chosen], strict=True)
        ]
        layer = layer.refuse(mask, code, words, action, severity)  # type: ignore[arg-type]
    gone = shapes.copy()
    gone[~layer.kept] = None
    return layer.with_shapes(gone)


def _first_drawn(shapes: ShapeArray) -> IntArray:
    """The first of the shapes that is drawn as each is, corner by corner, shape (n,)."""
    first = np.arange(len(shapes))
    alike = np.flatnonzero(pd.DataFrame(shapely.bounds(shapes)).duplicated(keep=False))
    number, _ = pd.factorize(np.asarray(shapely.to_wkb(shapes[alike]), dtype=object))
    _, head = np.unique(number, return_index=True)
    first[alike] = alike[head[number]]
    return first


def lines(layer: Layer) -> Layer:
    """Keep lines with a length; polygons and points are refused.

    Returns
    -------
    Layer
        LineString or MultiLineString in each kept row.
    """
    shapes, partial = _only(layer.shapes(), "line")
    bare = layer.kept & (shapely.is_missing(shapes) | ~(shapely.length(shapes) > 0))
    layer = layer.refuse(bare, "wrong_geometry", "It is not a line with a length.", "Draw it as a line.")
    layer = layer.mend(
        partial,
        "parts_dropped",
        "Parts that are not lines were dropped.",
        "Nothing, if the line looks right.",
        "warning",
    )
    shapes = _plain(shapes, layer.kept)
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def points(layer: Layer) -> Layer:
    """Make each kept shape one point: a point inside it where it is larger than one.

    Returns
    -------
    Layer
        Point in each kept row.
    """
    shapes = layer.shapes()
    parts = shapely.get_num_geometries(shapes)
    single = layer.kept & (parts == 1)
    shapes = np.where(single, shapely.get_geometry(shapes, 0), shapes)
    other = layer.kept & (shapely.get_type_id(shapes) != shapely.GeometryType.POINT)
    with np.errstate(invalid="ignore"):
        # A courtyard without corners has a box without numbers.
        shapes[other] = shapely.point_on_surface(shapes[other])
    layer = layer.mend(
        other,
        "point_taken",
        "It is not a single point; a point inside it was taken.",
        "Give a point if the place matters.",
    )
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def mixed(layer: Layer) -> Layer:
    """Keep points, lines and polygons alike; polygons are made valid.

    Returns
    -------
    Layer
        Any kind in each kept row, single, multi or collection, valid.
    """
    shapes = layer.shapes()
    solid = shapely.get_dimensions(shapes) == 2
    layer, shapes = _untangle(shapes, layer, only=solid)
    flat = layer.kept & (shapely.is_empty(shapes) | (solid & ~(shapely.area(shapes) > 0)))
    layer = layer.refuse(
        flat, "zero_area", "The outline encloses no ground.", "Draw it again, or take it out."
    )
    still = (shapely.get_dimensions(shapes) == 1) & ~(shapely.length(shapes) > 0)
    layer = layer.refuse(still, "wrong_geometry", "The line has no length.", "Draw it again, or take it out.")
    shapes = _plain(shapes, layer.kept & ~shapely.is_empty(shapes))
    shapes = np.where(shapely.get_dimensions(shapes) == 2, shapely.orient_polygons(shapes), shapes)
    shapes[~layer.kept] = None
    return layer.with_shapes(shapes)


def _plain(shapes: ShapeArray, kept: BoolArray) -> ShapeArray:
    """Take out points that repeat the one before, and rings and parts without any, of valid shapes.

    An edge without a length has no direction, and the rooms ask for it. The outline stays what it is, so that
    nothing is told of it.
    """
    shapes = shapes.copy()
    shapes[kept] = shapely.remove_repeated_points(shapes[kept])
    return shapes


def _close_lines(shapes: ShapeArray, layer: Layer) -> tuple[Layer, ShapeArray]:
    """Turn closed lines into polygons and refuse open ones."""
    linear = layer.kept & (shapely.get_dimensions(shapes) == 1)
    if not linear.any():
        return layer, shapes
    shapes = shapes.copy()
    # A single ring is taken as it runs, crossings and all; several lines are joined to rings.
    single = linear & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    ring = single & shapely.is_closed(shapes) & (shapely.get_num_coordinates(shapes) >= 4)
    if ring.any():
        coordinates, owner = shapely.get_coordinates(shapes[ring], return_index=True)
        shapes[ring] = shapely.polygons(shapely.linearrings(coordinates, indices=owner))
    several = linear & ~single
    if several.any():
        shapes[several] = shapely.build_area(shapely.node(shapes[several]))
    built = several & (shapely.area(shapes) > 0)
    layer = layer.mend(
        ring | built, "line_closed", "The outline was a closed line; it was made a polygon.", "Nothing."
    )
    layer = layer.refuse(
        linear & ~ring & ~built,
        "open_line",
        "The outline is a line that does not close.",
        "Close it, or draw it as a polygon.",
    )
    return layer, shapes


def _untangle(shapes: ShapeArray, layer: Layer, *, only: BoolArray | None = None) -> tuple[Layer, ShapeArray]:
    """Make crossing rings valid and say where they crossed."""
    wrong = layer.kept & ~shapely.is_valid(shapes)
    if only is not None:
        wrong &= only
    if not wrong.any():
        return layer, shapes
    tangled = np.zeros(len(shapes), dtype=bool)
    tangled[wrong] = _crossings(shapes[wrong]) > _MOST_CROSSINGS
    layer = layer.refuse(
        tangled,
        "tangled",
        f"The outline crosses itself in more than {_MOST_CROSSINGS:,} places.",
        "Draw it again, or take it out.",
    )
    shapes = shapes.copy()
    shapes[tangled] = None
    wrong &= ~tangled
    reasons = shapely.is_valid_reason(shapes[wrong])
    # Flat remains are kept here, so that the next step can log what is not ground.
    shapes[wrong] = shapely.make_valid(shapes[wrong], method="structure", keep_collapsed=True)
    layer = layer.mend(
        wrong,
        "outline_untangled",
        [f"The outline was not valid ({reason}); it was untangled." for reason in reasons],
        _MEND_SOURCE,
        "warning",
    )
    return layer, shapes


def _plain_parts(shapes: ShapeArray) -> tuple[ShapeArray, IntArray]:
    """The parts of shapes that have none themselves, however deep they lie, and the shape of each."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_type_id(parts) >= shapely.GeometryType.MULTIPOINT).any():
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    return parts, owner


def _crossings(shapes: ShapeArray) -> FloatArray:
    """About how often edges of shapes meet others than those beside them, shape (n,).

    Of a shape with many edges some are asked, evenly spread, so that a scribble is counted in bounded time.
    """
    parts, of_part = _plain_parts(shapes)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    points, ring = shapely.get_coordinates(rings, return_index=True)
    shape, number = of_part[of_ring[ring]], len(shapes)
    edge = np.flatnonzero(ring[1:] == ring[:-1])
    owner = shape[edge]
    # Each shape as large as one unit and two units from the next, so that none meets another.
    bounds = shapely.bounds(shapes)[shape]
    size = np.maximum(bounds[:, 2:] - bounds[:, :2], np.finfo(float).tiny).max(axis=1, keepdims=True)
    points = (points - bounds[:, :2]) / size + np.column_stack([2.0 * shape, np.zeros(shape.size)])
    edges: Any = shapely.linestrings(np.stack([points[edge], points[edge + 1]], axis=1))
    count = np.bincount(owner, minlength=number)
    step = np.maximum(count // _ASKED_EDGES, 1)
    place = np.arange(owner.size) - (np.cumsum(count) - count)[owner]
    asked = np.flatnonzero(place % step[owner] == 0)
    met = shapely.STRtree(edges).query(edges[asked], predicate="intersects")[0]
    # Each edge meets itself and the two beside it.
    meets = np.bincount(owner[asked[met]], minlength=number) - 3 * np.bincount(owner[asked], minlength=number)
    crossings: FloatArray = np.maximum(meets, 0) * step / 2
    return crossings


def _only(shapes: ShapeArray, kind: Literal["polygon", "line"]) -> tuple[ShapeArray, BoolArray]:
    """Keep one kind of part; say which shapes lost parts and still have some."""
    dimension = 2 if kind == "polygon" else 1
    nested = shapely.get_type_id(shapes) == shapely.GeometryType.GEOMETRYCOLLECTION
    # A multi of one part is that part.
    alone = ~nested & (shapely.get_type_id(shapes) >= shapely.GeometryType.MULTIPOINT)
    alone &= shapely.get_num_geometries(shapes) == 1
    shapes = shapes.copy()
    shapes[alone] = shapely.get_geometry(shapes[alone], 0)
    wrong = ~shapely.is_missing(shapes) & ~nested & (shapely.get_dimensions(shapes) != dimension)
    shapes[wrong] = None
    if not nested.any():
        return shapes, np.zeros(len(shapes), dtype=bool)
    parts, owner = _plain_parts(shapes[nested])
    fits = shapely.get_dimensions(parts) == dimension
    count = int(nested.sum())
    gathered = _gather(
        parts[fits], owner[fits], count, kind, np.full(count, None, dtype=object), np.ones(count, dtype=bool)
    )
    partial = np.zeros(len(shapes), dtype=bool)
    partial[nested] = (np.bincount(owner, ~fits, count) > 0) & ~shapely.is_missing(gathered)
    shapes[nested] = gathered
    return shapes, partial


def _gather(
    parts: ShapeArray,
    owner: IntArray,
    count: int,
    kind: Literal["polygon", "line"],
    default: ShapeArray,
    replace: BoolArray,
) -> ShapeArray:
    """Put parts together again for the rows in `replace`: alone as they are, several as a multi."""
    result = default.copy()
    result[replace] = None
    mine = replace[owner]
    parts, owner = parts[mine], owner[mine]
    if not len(parts):
        return result
    many = np.bincount(owner, minlength=count)[owner] > 1
    result[owner[~many]] = parts[~many]
    if many.any():
        rows, index = np.unique(owner[many], return_inverse=True)
        join = shapely.multipolygons if kind == "polygon" else shapely.multilinestrings
        result[rows] = join(parts[many], indices=index)
    return result
