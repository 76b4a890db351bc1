"""Which rows are at home in a tile, and which are seen from there.

In: the layers of a district, narrow; the cells it is cut into; the rules that say how far neighbours count.
Out: for each layer `Places`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from roofplat.ground import Ground, local_planes
from roofplat.intake.keys import find_keys
from roofplat.pipeline.reach import reach_ft, street_reach_ft
from roofplat.pipeline.tiles.boxes import BoxIndex, around, grown
from roofplat.pipeline.tiles.grid import Squares, codes_of
from roofplat.pipeline.tiles.narrow import Narrow
from roofplat.pipeline.tiles.spread import Places
from roofplat.rules import Rulebook

__all__ = ["see"]

IntArray = npt.NDArray[np.int64]
_WHOLE = ("areas", "stations")
_TALL_FT = 100.0


def see(
    layers: Sequence[Narrow], squares: Squares, working_crs: CRS, rules: Rulebook, ground: Ground
) -> dict[str, Places]:
    """Find out who sees what.

    Parameters
    ----------
    layers
        All layers, the footprints first; boxes in the working CRS.
    squares
        The tiles.
    working_crs, rules, ground
        The settings in force.

    Returns
    -------
    dict
        Role to `Places`.
    """
    outline = layers[0]
    count = len(squares.first)
    home = {layer.role: _homes(layer, outline, squares) for layer in layers if layer.role not in _WHOLE}
    order = {role: np.argsort(of, kind="stable") for role, of in home.items()}
    edges = {role: np.searchsorted(of[order[role]], np.arange(count + 1)) for role, of in home.items()}
    middle = around(outline.boxes)
    units = _units_per_ft(middle, working_crs, ground)
    reach, join = reach_ft(rules, _TALL_FT) * units, rules.number("join.point_reach_ft") * units
    streets = street_reach_ft(rules, reach_ft(rules, _TALL_FT)) * units
    cell = max(4 * reach, 1.0)
    index = {
        layer.role: BoxIndex(layer.boxes, cell)
        for layer in layers
        if layer.role not in _WHOLE and len(layer.boxes)
    }
    keyed = [layer for layer in layers[1:] if layer.ids is not None and not layer.geometry and layer.count]
    mine = {layer.role: _of_building(layer, outline) for layer in keyed}
    taken: dict[str, list[tuple[IntArray, IntArray]]] = {role: [] for role in home}
    for tile in range(count):
        own = {role: order[role][edges[role][tile] : edges[role][tile + 1]] for role in home}
        buildings = index[outline.role]
        window = around(outline.boxes[own[outline.role]])
        near = buildings.meeting(grown(window, reach))
        for role, found in index.items():
            if role == outline.role:
                continue
            far = streets if role == "streets" else reach
            rows = found.meeting(grown(window, far))
            taken[role].append((rows, own[role]))
        seen = buildings.meeting(grown(around(outline.boxes[near]), 2 * join))
        taken[outline.role].append((seen, own[outline.role]))
        for layer in keyed:
            told, starts, stops = mine[layer.role]
            size = stops[seen] - starts[seen]
            spots = np.arange(size.sum()) + np.repeat(starts[seen] - (np.cumsum(size) - size), size)
            taken[layer.role].append((told[spots], own[layer.role]))
    result: dict[str, Places] = {}
    empty = np.empty(0, dtype=np.int64)
    for layer in layers:
        if layer.role in _WHOLE:
            result[layer.role] = Places(empty, empty, empty.astype(bool), whole=True)
        else:
            result[layer.role] = _places(taken[layer.role], home[layer.role])
    return result


def _places(taken: list[tuple[IntArray, IntArray]], home: IntArray) -> Places:
    row = [np.union1d(seen, own) for seen, own in taken]
    tile = np.repeat(np.arange(len(row)), [part.size for part in row])
    rows = np.concatenate(row) if row else np.empty(0, dtype=np.int64)
    return Places(rows, tile, home[rows] == tile)


def _homes(layer: Narrow, outline: Narrow, squares: Squares) -> IntArray:
    """The tile that each row is at home in."""
    if not layer.geometry:
        home = np.zeros(layer.count, dtype=np.int64)
        if layer.ids is not None and layer.count:
            found = _matched(layer, outline)
            places = _homes(outline, outline, squares)
            home[found >= 0] = places[found[found >= 0]]
        return home
    middle = (layer.boxes[:, :2] + layer.boxes[:, 2:]) / 2
    home = squares.holding(codes_of(middle[:, 0], middle[:, 1]))
    home[~layer.kept] = 0
    return home


def _matched(layer: Narrow, outline: Narrow) -> IntArray:
    """The row of the footprints that each key means, -1 for none."""
    first = np.flatnonzero(~outline.ids.duplicated())
    found, _ = find_keys(outline.ids.iloc[first].astype("str"), layer.ids.astype("str"))
    return np.where(found >= 0, first[found], -1)


def _of_building(layer: Narrow, outline: Narrow) -> tuple[IntArray, IntArray, IntArray]:
    """The rows of a table by building: rows, and where those of each building start and stop."""
    found = _matched(layer, outline)
    rows = np.flatnonzero(found >= 0)
    rows = rows[np.argsort(found[rows], kind="stable")]
    spots = np.arange(outline.count)
    return rows, np.searchsorted(found[rows], spots, "left"), np.searchsorted(found[rows], spots, "right")


def _units_per_ft(box: npt.NDArray[np.float64], crs: CRS, ground: Ground) -> float:
    """The most units that a foot can be anywhere in a district, with a little to spare."""
    x, y = (np.linspace(box[k], box[k + 2], 5) for k in (0, 1))
    xs, ys = np.meshgrid(x, y)
    planes = local_planes(xs.ravel(), ys.ravel(), crs, ground)
    return float(np.linalg.norm(planes.to_crs, ord=2, axis=(1, 2)).max()) * 1.01
