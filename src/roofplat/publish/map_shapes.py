"""Shapes of the map as flat arrays, and their heads in blocks.

In: geometries, as objects or as coordinates.
Out: `FlatShapes`, in coordinates at first, then in steps; the head of some rows for each block.

A layer is taken apart once, as whole arrays, and written for as many blocks as are wanted. In a block's head
shapes are `kind` (0 point, 1 line, 2 polygon, -1 nothing), `curves` (curves in each feature), `sizes`
(vertices in each curve), each one number when all are alike, and `x`, `y` in units of `times` steps of 1e-7
degree, about 1 cm. A polygon's curves are all its rings, of all its parts, without the closing vertex:
filled by the even-odd rule they give its holes and parts.

Many lines side by side, as members are, stand apart, in `families`: the `rows` they are of (as differences;
a row may be of several, one after the other, and is wholly of families), the `counts` of their lines, the
start `x`, `y` of their first line (differences), the vector `across`, `up` of their longest, and the `gap`
from line to line at right angles to it, in 1/64 steps. Then for each line `skip`, the gaps from the last
one, less one; `off`, what is left of its distance; and `from`, `to`, where it starts and ends along the
vector: all three as differences from line to line, in units of three steps. Where a family would be out by
more than three steps, the lines of its row stand among the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.ragged import expand, lists_of, offsets
from roofplat.publish.map_families import Families, find_families
from roofplat.publish.map_place import Place, picked
from roofplat.publish.packing import Each, OneOrRun, Run, Some, moves_of
from roofplat.wkb import Mixed, Packed, Shapes

__all__ = ["FlatShapes", "flatten_coordinates", "flatten_shapes", "inner_points", "joined", "thinned"]

IntArray = npt.NDArray[np.int64]

_POLYGON = 3
_LAGS = (0, 2)
_KINDS = {"Point": 0, "LineString": 1, "MultiLineString": 1, "Polygon": 2, "MultiPolygon": 2}


@dataclass(frozen=True, slots=True)
class FlatShapes:
    """Geometries of any kind as flat arrays.

    kind
        Of each feature: 0 point, 1 line, 2 polygon, -1 nothing, shape (n,).
    first_curve, first_vertex
        Where the curves of each feature, and the vertices of each curve, begin; one longer than
        features and curves.
    xy
        Each vertex, shape (m, 2): coordinates; or longitude and latitude in steps, of `in_steps`.
    """

    kind: IntArray
    first_curve: IntArray
    first_vertex: IntArray
    xy: npt.NDArray[Any]

    def in_steps(self, place: Place, rows: IntArray | None = None) -> FlatShapes:
        """The same shapes in steps; of some rows, in their order."""
        if rows is None:
            return FlatShapes(self.kind, self.first_curve, self.first_vertex, place(self.xy, None))
        first_curve, first_vertex, vertices = self._lists(rows)
        return FlatShapes(self.kind[rows], first_curve, first_vertex, place(self.xy, vertices))

    def take(self, rows: IntArray) -> FlatShapes:
        """The features at some positions, in that order.

        Examples
        --------
        >>> from roofplat.publish.map_place import degrees_to_steps
        >>> flat = flatten_shapes(shapely.points([[0, 0], [1e-7, 2e-7]])).in_steps(degrees_to_steps)
        >>> flat.take(np.array([1])).xy.tolist()
        [[1, 2]]
        """
        first_curve, first_vertex, vertices = self._lists(rows)
        return FlatShapes(self.kind[rows], first_curve, first_vertex, picked(self.xy, vertices))

    def _lists(self, rows: IntArray) -> tuple[IntArray, IntArray, IntArray]:
        """Curves and vertices of some rows: where they begin, and which vertices they are."""
        first_curve = offsets(np.diff(self.first_curve)[rows])
        sizes = np.diff(self.first_vertex)
        _, curves = lists_of(rows, self.first_curve)
        _, vertices = lists_of(rows, self.row_vertices())
        return first_curve, offsets(sizes[curves]), vertices

    def row_vertices(self) -> IntArray:
        """Where the vertices of each feature begin, and where the last ones end."""
        return self.first_vertex[self.first_curve]

    def boxes(self, starts: IntArray) -> npt.NDArray[np.float64]:
        """Least x and y and greatest x and y of blocks of rows; least infinite of a block of nothing."""
        cuts = self.row_vertices()[starts]
        boxes = np.empty((len(starts) - 1, 4))
        boxes[:, :2], boxes[:, 2:] = np.inf, -np.inf
        some = np.flatnonzero(cuts[:-1] < cuts[1:])
        if some.size:
            # What lies between two blocks, or behind the last, is of none.
            edges = np.stack([cuts[:-1][some], cuts[1:][some]], axis=1).ravel()
            edges = edges[:-1] if edges[-1] == len(self.xy) else edges
            for axis in (0, 1):
                values = self.xy[:, axis]
                boxes[some, axis] = np.minimum.reduceat(values, edges)[::2]
                boxes[some, 2 + axis] = np.maximum.reduceat(values, edges)[::2]
        return boxes

    def head(self, starts: IntArray, *, times: int = 1) -> dict[str, Any]:
        """Head of the shapes, which are in steps, for blocks of rows that follow each other.

        Parameters
        ----------
        starts
            Where each block begins in the rows, and where the last ends.
        times
            Keep vertices to this many steps; those of families of lines are kept as they are.

        Examples
        --------
        >>> from roofplat.publish.map_place import degrees_to_steps
        >>> from roofplat.publish.packing import write_blocks
        >>> lines = flatten_shapes(shapely.linestrings([[[0, 0], [0.000001, -0.000002]]]))
        >>> lines = lines.in_steps(degrees_to_steps)
        >>> ((head, data),) = write_blocks(lines.head(np.array([0, 1])), 1)
        >>> head
        {'kind': 1, 'curves': 1, 'sizes': 2, 'times': 1, 'x': [0, 2, 0], 'y': [2, 2, 0]}
        >>> list(data)  # 0, 10, then 0, -20: twice the value, less one where it is negative
        [0, 20, 0, 39]
        """
        first_curve = self.first_curve[starts[0] : starts[-1] + 1]
        first_vertex = self.first_vertex[first_curve[0] : first_curve[-1] + 1]
        steps = self.xy[first_vertex[0] : first_vertex[-1]]
        kind, starts, first_curve = (
            self.kind[starts[0] : starts[-1]],
            starts - starts[0],
            first_curve - first_curve[0],
        )
        curves, sizes = np.diff(first_curve), np.diff(first_vertex)
        families = find_families(kind, curves, sizes, steps)
        alone_starts = first_curve
        if families is not None:
            of_family = np.zeros(len(kind), dtype=bool)
            of_family[families.row] = True
            alone = ~np.repeat(of_family, curves)
            steps, sizes = picked(steps, np.flatnonzero(np.repeat(alone, sizes))), sizes[alone]
            alone_starts = offsets(np.where(of_family, 0, curves))
        alone_starts = alone_starts[starts]
        vertices = offsets(sizes)[alone_starts]
        head: dict[str, Any] = {
            "kind": Each(_kinds(kind, starts)),
            "curves": OneOrRun(curves, starts),
            "sizes": OneOrRun(sizes, alone_starts),
            "times": times,
        }
        for axis, name in enumerate("xy"):
            values = steps[:, axis]
            values = values if times == 1 else np.rint(values / times).astype(np.int64)
            head[name] = Run(values, vertices, _LAGS)
        if families is not None:
            head["families"] = _family_head(families, starts)
        return head


def flatten_coordinates(shapes: Shapes | Mixed | Packed) -> FlatShapes:
    """Geometries that are coordinates already; the closing vertex of rings is left out.

    Examples
    --------
    >>> from roofplat.wkb import polygons
    >>> ring = polygons(np.array([0.0, 0.0, 1.0, 0.0]), np.array([0.0, 1.0, 1.0, 0.0]), np.array([0, 4]))
    >>> flatten_coordinates(ring).first_vertex.tolist()
    [0, 3]
    """
    if isinstance(shapes, Packed):
        return flatten_coordinates(shapes.unpacked())
    if isinstance(shapes, Mixed):
        return joined([flatten_coordinates(part) for part in shapes.parts]).take(shapes.order)
    rows = len(shapes)
    kind = np.full(rows, _KINDS[shapes.kind], dtype=np.int64)
    each = np.arange(rows + 1)
    match shapes.kind:
        case "Point":
            return FlatShapes(kind, each, each, shapes.xy)
        case "LineString":
            return FlatShapes(kind, each, shapes.starts[0], shapes.xy)
        case "MultiLineString":
            return FlatShapes(kind, shapes.starts[1], shapes.starts[0], shapes.xy)
    first_curve = shapes.starts[1] if shapes.kind == "Polygon" else shapes.starts[1][shapes.starts[2]]
    closing = np.ones(len(shapes.xy), dtype=bool)
    rings = shapes.starts[0]
    full = rings[:-1] < rings[1:]
    closing[rings[1:][full] - 1] = False
    return FlatShapes(kind, first_curve, rings - offsets(full), picked(shapes.xy, np.flatnonzero(closing)))


def flatten_shapes(shapes: npt.NDArray[np.object_]) -> FlatShapes:
    """Take geometries apart.

    Parameters
    ----------
    shapes
        Geometry objects, shape (n,); missing ones are kept as nothing.

    Returns
    -------
    FlatShapes
        In their coordinates.

    Examples
    --------
    >>> flat = flatten_shapes(np.array([shapely.box(0, 0, 1e-7, 1e-7), None]))
    >>> flat.kind.tolist(), flat.first_curve.tolist(), flat.first_vertex.tolist()
    ([2, -1], [0, 1, 1], [0, 4])
    """
    shapes = np.asarray(shapes, dtype=object)
    # Most are one curve each.
    kinds = shapely.get_type_id(shapes)
    simple = (kinds >= 0) & (kinds <= _POLYGON) & ~shapely.is_empty(shapes)
    simple &= shapely.get_num_interior_rings(shapes) == 0
    if simple.all():
        return _one_curve_each(shapes, kinds)
    one, other = np.flatnonzero(simple), np.flatnonzero(~simple)
    flat = joined([_one_curve_each(shapes[one], kinds[one]), _many_curves_each(shapes[other])])
    return flat.take(np.argsort(np.concatenate([one, other])))


def joined(parts: Sequence[FlatShapes]) -> FlatShapes:
    """Rows of some flat shapes, one after the other.

    Examples
    --------
    >>> flat = flatten_shapes(shapely.points([[0, 0], [1, 2]]))
    >>> joined([flat, flat]).first_curve.tolist()
    [0, 1, 2, 3, 4]
    """
    return FlatShapes(
        np.concatenate([part.kind for part in parts]),
        offsets(np.concatenate([np.diff(part.first_curve) for part in parts])),
        offsets(np.concatenate([np.diff(part.first_vertex) for part in parts])),
        np.concatenate([part.xy for part in parts]),
    )


def _one_curve_each(shapes: npt.NDArray[np.object_], kinds: npt.NDArray[Any]) -> FlatShapes:
    """Points, lines, and polygons without courtyards."""
    count = len(shapes)
    xy = shapely.get_coordinates(shapes)
    polygon = kinds == _POLYGON
    sizes = shapely.get_num_coordinates(shapes).astype(np.int64)
    if polygon.any():
        kept = np.ones(len(xy), dtype=bool)
        kept[np.cumsum(sizes)[polygon] - 1] = False
        xy, sizes = xy[kept], sizes - polygon
    dimensions = np.where(polygon, 2, np.where(kinds == 0, 0, 1)).astype(np.int64)
    return FlatShapes(dimensions, np.arange(count + 1), offsets(sizes), xy)


def _many_curves_each(shapes: npt.NDArray[np.object_]) -> FlatShapes:
    """Geometries of any kind."""
    parts, part_of = shapely.get_parts(shapes, return_index=True)
    polygon = shapely.get_type_id(parts) == _POLYGON
    rings, ring_of = shapely.get_rings(parts[polygon], return_index=True)
    curves = np.concatenate([parts[~polygon], rings])
    curve_of = np.concatenate([part_of[~polygon], part_of[polygon][ring_of]]).astype(np.int64)
    closed = np.concatenate([np.zeros((~polygon).sum(), dtype=bool), np.ones(len(rings), dtype=bool)])
    order = np.argsort(curve_of, kind="stable")
    curves, curve_of, closed = curves[order], curve_of[order], closed[order]

    xy, vertex_of = shapely.get_coordinates(curves, return_index=True)
    last = np.append(vertex_of[1:] != vertex_of[:-1], True)[: len(vertex_of)]
    keep = ~(last & closed[vertex_of])
    return FlatShapes(
        shapely.get_dimensions(shapes).astype(np.int64),
        offsets(np.bincount(curve_of, minlength=len(shapes))),
        offsets(np.bincount(vertex_of[keep], minlength=len(curves))),
        xy[keep],
    )


def inner_points(flat: FlatShapes) -> FlatShapes:
    """A point inside each polygon: the middle of the widest stretch of a line across it at half its height.

    Examples
    --------
    >>> flat = inner_points(flatten_shapes(np.array([shapely.box(0, 0, 4, 2), None])))
    >>> flat.kind.tolist(), flat.xy.tolist()
    ([0, -1], [[2.0, 1.0]])
    """
    rows = len(flat.kind)
    cuts = flat.row_vertices()
    some = np.flatnonzero(cuts[:-1] < cuts[1:])
    x, y = flat.xy[:, 0], flat.xy[:, 1]
    height = np.zeros(rows)
    if some.size:
        height[some] = (np.minimum.reduceat(y, cuts[some]) + np.maximum.reduceat(y, cuts[some])) / 2
    # Each vertex with the next one of its ring.
    sizes = np.diff(flat.first_vertex)
    following = np.arange(1, len(x) + 1)
    full = sizes > 0
    following[flat.first_vertex[1:][full] - 1] = flat.first_vertex[:-1][full]
    row_of = np.repeat(np.arange(rows), np.diff(cuts))
    level = height[row_of]
    crossed = np.flatnonzero((y > level) != (y[following] > level))
    one, other, row = crossed, following[crossed], row_of[crossed]
    share = (level[one] - y[one]) / (y[other] - y[one])
    at = x[one] + share * (x[other] - x[one])
    # Most are crossed twice; others are crossed from outside in and out again, several times.
    counts = np.bincount(row, minlength=rows)
    twice = counts == 2
    start, end = at[twice[row]].reshape(-1, 2).T
    first, middle = np.flatnonzero(twice), (start + end) / 2
    if (counts > 2).any():
        often = counts[row] > 2
        more, its_middle = _widest(row[often], at[often])
        first, middle = np.concatenate([first, more]), np.concatenate([middle, its_middle])
    # A polygon without height has no stretch: its first vertex stands for it.
    spots = np.stack([x[cuts[:-1][some]], y[cuts[:-1][some]]], axis=1)
    spots[np.searchsorted(some, first)] = np.stack([middle, height[first]], axis=1)
    there = np.zeros(rows, dtype=np.int64)
    there[some] = 1
    return FlatShapes(np.where(there > 0, 0, -1), offsets(there), np.arange(some.size + 1), spots)


def _widest(row: IntArray, at: npt.NDArray[np.float64]) -> tuple[IntArray, npt.NDArray[np.float64]]:
    """Rows, and the middle of the widest stretch inside each, the first of equals."""
    # Crossings come in pairs.
    order = np.lexsort([at, row])
    row, at = row[order], at[order]
    start, end, row = at[::2], at[1::2], row[::2]
    order = np.lexsort([start - end, row])
    row, middle = row[order], ((start + end) / 2)[order]
    first = np.flatnonzero(np.append(True, row[1:] != row[:-1]))
    return row[first], middle[first]


def thinned(flat: FlatShapes, most_off: float) -> FlatShapes:
    """Rings without the vertices that hardly show: every other one may go.

    Parameters
    ----------
    flat
        Polygons.
    most_off
        How far the new outline may lie from a vertex that goes, in the unit of `xy`.

    Returns
    -------
    FlatShapes

    Examples
    --------
    >>> corners = [(0, 0), (1, 0.01), (2, 0), (2, 2), (0, 2)]
    >>> thinned(flatten_shapes(np.array([shapely.Polygon(corners)])), 0.1).xy.tolist()
    [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]
    """
    sizes = np.diff(flat.first_vertex)
    # Never the first, and of an odd ring not the last: both neighbours stay.
    ring_of, number = expand(np.where(sizes > 4, sizes // 2, 0))
    first = flat.first_vertex[:-1][ring_of]
    weighed = first + 2 * number + 1
    after = np.where(2 * number + 2 < sizes[ring_of], weighed + 1, first)
    x, y = (flat.xy[:, axis].astype(np.float64) for axis in (0, 1))
    east, north = x[after] - x[weighed - 1], y[after] - y[weighed - 1]
    arm_east, arm_north = x[weighed] - x[weighed - 1], y[weighed] - y[weighed - 1]
    length = np.maximum(east * east + north * north, 1e-12)
    along = east * arm_east + north * arm_north
    off = east * arm_north - north * arm_east
    gone = (off * off <= most_off * most_off * length) & (along >= 0) & (along <= length)
    kept = np.ones(len(x), dtype=bool)
    kept[weighed[gone]] = False
    lost = np.bincount(ring_of[gone], minlength=len(sizes))
    return FlatShapes(
        flat.kind, flat.first_curve, offsets(sizes - lost), picked(flat.xy, np.flatnonzero(kept))
    )


def _kinds(kind: IntArray, starts: IntArray) -> list[Any]:
    """Of each block one number where all are alike, else one of each feature."""
    if len(kind) and (kind == kind[0]).all():
        one = int(kind[0])
        return [one if low < high else [] for low, high in pairwise(starts.tolist())]
    parts = [kind[low:high].tolist() for low, high in pairwise(starts.tolist())]
    return [part[0] if part and part.count(part[0]) == len(part) else part for part in parts]


def _family_head(families: Families, starts: IntArray) -> Some:
    """Families of each block, their rows counted from its first."""
    cuts = np.searchsorted(families.row, starts)
    rows = families.row - np.repeat(starts[:-1], np.diff(cuts))
    line_cuts = offsets(families.counts)[cuts]
    head: dict[str, Any] = {"rows": Run(moves_of(rows, cuts), cuts), "counts": Run(families.counts, cuts)}
    head |= {
        name: Run(moves_of(values, cuts), cuts) for name, values in (("x", families.x), ("y", families.y))
    }
    head |= {name: Run(getattr(families, name), cuts) for name in ("across", "up", "gap")}
    head |= {name: Run(values, line_cuts) for name, values in families.lines.items()}
    return Some(head, cuts[:-1] < cuts[1:])
