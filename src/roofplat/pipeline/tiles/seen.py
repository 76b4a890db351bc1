"""Which rows are at home in a tile, and which are seen from there.

In: the layers of a district, narrow; the cells it is cut into; the rules that say how far neighbours count.
Out: for each layer `Places`.

A feature is at home where the middle of its box lies, a record that is joined by key where its building is.
A tile sees

- the buildings near those at home, as far as anything counts for a plan (`pipeline.reach`), and those that a
  feature at home may belong to: of all these everything has to be known that is known of them,
- so every record, obstacle, section and line that may belong to one of them,
- and every building that these may belong to instead,
- and whole chains of buildings that touch, see `chains`,
- ground as far as anything counts; streets as far as an address or an aerial reaches, and in any case the one
  nearest to each building at home.

Boxes decide, so that a little more is seen than has to be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS
from scipy.spatial import cKDTree

from roofplat.ground import Ground, local_planes
from roofplat.intake.keys import clean_key_texts, find_keys
from roofplat.intake.values import limits
from roofplat.pipeline.reach import reach_ft, street_reach_ft
from roofplat.pipeline.tiles.boxes import BoxIndex, around, grown
from roofplat.pipeline.tiles.chains import Chains, chains_of, settled_names
from roofplat.pipeline.tiles.grid import Squares, codes_of
from roofplat.pipeline.tiles.narrow import Narrow
from roofplat.pipeline.tiles.spread import Places
from roofplat.rules import Rulebook

__all__ = ["WHOLE", "Sight", "see"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

WHOLE = ("areas", "stations")
"""Layers of which every tile reads all rows."""
# How many streets near a building are looked at for the nearest.
_STREETS = 8
# Places that a tile has among the hashes of texts that belong nowhere.
_SPOTS = 16
# Grid of the indexes: as wide as anything counts for a house, and a little.
_CELL_FT = 1000.0


@dataclass(frozen=True, slots=True)
class Sight:
    """Who sees what.

    places
        Role to `Places`.
    buildings
        By tile the rows of the footprints of which everything has to be known.
    names
        The ids of all footprints as they are if they are kept, shape (n,).
    tile
        The tile that each footprint is at home in, shape (n,).
    windows
        By tile the box that these buildings span, shape (t, 4), working CRS.
    """

    places: Mapping[str, Places]
    buildings: Sequence[IntArray]
    names: pd.Series[Any]
    tile: IntArray
    windows: FloatArray


def see(
    layers: Sequence[Narrow],
    squares: Squares,
    working_crs: CRS,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    *,
    tall_ft: Mapping[str, float],
) -> Sight:
    """Find out who sees what.

    Parameters
    ----------
    layers
        All layers, the footprints first; boxes in the working CRS.
    squares
        The tiles.
    working_crs, rules, ground
        The settings in force.
    folder
        For files while the work goes on.
    tall_ft
        Heights that the record of surveys tells of buildings, by id.

    Returns
    -------
    Sight
    """
    outline = layers[0]
    units_per_ft = rules.number("ground.foot_m") / working_crs.axis_info[0].unit_conversion_factor
    index = {
        layer.role: BoxIndex(layer.boxes, _CELL_FT * units_per_ft)
        for layer in layers
        if layer.role not in WHOLE and layer.geometry and layer.count
    }
    home = {outline.role: _homes(outline, squares)}
    chains = chains_of(outline, index[outline.role], home[outline.role], folder)
    changed = settled_names(outline, chains, rules, working_crs, ground)
    names = _ids(outline).copy()
    names.loc[changed.index] = changed
    keyed = {
        layer.role: _Keyed(layer, names, home[outline.role], squares)
        for layer in layers[1:]
        if not layer.geometry and layer.count
    }
    for layer in layers[1:]:
        if layer.role not in WHOLE and layer.count:
            own = keyed.get(layer.role)
            home[layer.role] = _homes(layer, squares) if own is None else own.home
    view = _View(layers, index, keyed, chains, _Reach(layers, rules, names, tall_ft), working_crs, ground)
    order = {role: np.argsort(of, kind="stable") for role, of in home.items()}
    edges = {
        role: np.searchsorted(of[order[role]], np.arange(len(squares.first) + 1)) for role, of in home.items()
    }
    taken: dict[str, list[IntArray]] = {role: [] for role in home}
    right: list[IntArray] = []
    for tile in range(len(squares.first)):
        own = {role: order[role][edges[role][tile] : edges[role][tile + 1]] for role in home}
        seen, known = view.of(own)
        for role in home:
            taken[role].append(np.union1d(own[role], seen.get(role, own[role])))
        right.append(known)
    empty = np.empty(0, dtype=np.int64)
    places: dict[str, Places] = {}
    for layer in layers:
        role = layer.role
        if role in home:
            places[role] = _places(taken[role], home[role], changed if layer is outline else None)
        else:
            places[role] = Places(empty, empty, empty.astype(bool), whole=role in WHOLE)
    windows = np.array([around(outline.boxes[rows]) for rows in right]).reshape(-1, 4)
    return Sight(places, right, names, home[outline.role], windows)


class _Keyed:
    """A table joined by key: which building each row means, and where it is at home."""

    def __init__(self, layer: Narrow, names: pd.Series[Any], tile: IntArray, squares: Squares) -> None:
        ids = pd.Series(pd.NA, index=range(layer.count), dtype="string") if layer.ids is None else layer.ids
        # A second footprint of the same id may be refused; whoever keeps it, the first row stands for all.
        first = np.flatnonzero(~names.duplicated() & names.notna())
        keys = ids.astype("str")
        found, ambiguous = find_keys(names.iloc[first].astype("str"), keys)
        self.building = np.where(found >= 0, first[found], -1)
        self.home = np.where(found >= 0, tile[self.building], -1)
        # What means no building has to be somewhere: by its key, whatever rows come and go.
        lost = np.flatnonzero(found < 0)
        self.home[lost] = _anywhere(keys.iloc[lost].fillna(""), squares)
        self._rows = np.flatnonzero(found >= 0)
        self._rows = self._rows[np.argsort(self.building[self._rows], kind="stable")]
        self._of = self.building[self._rows]
        # Keys that fit several ids once cleaned join none, as long as all of these are there.
        self.candidates: dict[int, IntArray] = {}
        rows = np.flatnonzero(ambiguous)
        if rows.size:
            clean = clean_key_texts(names.astype("str"))
            wanted = clean_key_texts(keys.iloc[rows])
            fits = dict(clean[clean.isin(wanted)].groupby(clean).groups)
            for row, key in zip(rows.tolist(), wanted, strict=True):
                self.candidates[row] = np.asarray(fits[key], dtype=np.int64)
                self.home[row] = tile[self.candidates[row][0]]

    def of(self, buildings: IntArray) -> IntArray:
        """The rows that mean some buildings, or may once another is refused."""
        starts = np.searchsorted(self._of, buildings, "left")
        size = np.searchsorted(self._of, buildings, "right") - starts
        spots = np.arange(size.sum()) + np.repeat(starts - (np.cumsum(size) - size), size)
        found = [self._rows[spots]]
        some = [row for row, fits in self.candidates.items() if np.isin(fits, buildings).any()]
        return np.unique(np.concatenate([*found, np.array(some, dtype=np.int64)]))

    def fitting(self, rows: IntArray) -> IntArray:
        """All buildings that the ambiguous among some rows fit."""
        found = [self.candidates[row] for row in rows.tolist() if row in self.candidates]
        return np.unique(np.concatenate(found)) if found else np.empty(0, dtype=np.int64)


class _Reach:
    """How far anything counts."""

    def __init__(
        self,
        layers: Sequence[Narrow],
        rules: Rulebook,
        names: pd.Series[Any],
        tall_ft: Mapping[str, float],
    ) -> None:
        self._rules = rules
        reaches = [rules.number(f"join.{name}_reach_ft") for name in ("point", "parapet")]
        self.join_ft = max(reaches) + rules.number("outline.fire_wall_gap_ft") + 1.0
        self._tall = {layer.role: layer.tall_ft for layer in layers if layer.tall_ft is not None}
        told = names.map(dict(tall_ft)).to_numpy(dtype=float, na_value=0.0) if tall_ft else None
        if told is not None:
            self._tall["record"] = told.astype(np.float32)
        high = limits("parapet_ft", rules)[1]
        self._parapet_ft = high if np.isfinite(high) else 0.0

    def tallest_ft(self, rows: Mapping[str, IntArray], buildings: IntArray) -> float:
        """No building by these rows is taller than this, its parapet included."""
        heights = [
            tall[buildings if role == "record" else rows[role]]
            for role, tall in self._tall.items()
            if role in rows or role == "record"
        ]
        return max([float(part.max(initial=0.0)) for part in heights], default=0.0) + self._parapet_ft

    def plan_ft(self, tall_ft: float) -> float:
        return reach_ft(self._rules, tall_ft)

    def streets_ft(self, tall_ft: float) -> float:
        return street_reach_ft(self._rules, reach_ft(self._rules, tall_ft))


class _View:
    """What is seen from some rows."""

    def __init__(
        self,
        layers: Sequence[Narrow],
        index: Mapping[str, BoxIndex],
        keyed: Mapping[str, _Keyed],
        chains: Chains,
        reach: _Reach,
        working_crs: CRS,
        ground: Ground,
    ) -> None:
        self._index, self._keyed, self._chains, self._reach = index, keyed, chains, reach
        self._crs, self._ground = working_crs, ground
        self._boxes = layers[0].boxes
        self._buildings = index[layers[0].role]
        self._role = layers[0].role
        # Of ground and streets nothing belongs to a building.
        self._joining = [
            layer
            for layer in layers[1:]
            if layer.role in index and layer.role != "streets" and not layer.role.startswith("ground")
        ]
        streets = [layer for layer in layers if layer.role == "streets" and layer.role in index]
        self._streets: tuple[Any, FloatArray] | None = None
        if streets:
            boxes = streets[0].boxes[streets[0].kept]
            if len(boxes):
                middle, half = (boxes[:, :2] + boxes[:, 2:]) / 2, (boxes[:, 2:] - boxes[:, :2]) / 2
                self._streets = (cKDTree(middle), np.hypot(*half.T))

    def of(self, own: Mapping[str, IntArray]) -> tuple[dict[str, IntArray], IntArray]:
        """Rows seen by role; the buildings of which everything has to be known."""
        at_home = own[self._role]
        window = around(self._boxes[at_home])
        # By the place of the tile alone, so that a building far away changes nothing here.
        units = _units_per_ft(window, self._crs, self._ground) if np.isfinite(window).all() else 1.0
        join = self._reach.join_ft * units
        mine = self._belonging(at_home, join)
        mine[self._role] = at_home
        tall_ft = self._reach.tallest_ft(mine, at_home)
        plan, streets = self._reach.plan_ft(tall_ft) * units, self._reach.streets_ft(tall_ft) * units
        near = self._buildings.meeting(grown(window, plan))
        far = [self._nearby(layer, own[layer.role], join) for layer in self._joining if layer.role in own]
        far += [keyed.fitting(own[role]) for role, keyed in self._keyed.items() if role in own]
        known = np.unique(np.concatenate([near, *far]))
        known = np.unique(np.concatenate([known, self._fits(known)]))
        seen = self._belonging(known, join)
        others = [self._nearby(layer, seen[layer.role], join) for layer in self._joining]
        seen[self._role] = self._chains.closed(np.unique(np.concatenate([known, *others])))
        for role, found in self._index.items():
            if role.startswith("ground"):
                seen[role] = found.meeting(grown(window, plan))
        if "streets" in self._index:
            seen["streets"] = self._index["streets"].meeting(
                self._street_window(at_home, grown(window, streets))
            )
        for layer in self._joining:
            if layer.lines is not None:
                lines = self._index[layer.role].meeting(grown(window, plan))
                seen[layer.role] = np.union1d(seen[layer.role], lines[layer.lines[lines]])
        return seen, known

    def _belonging(self, buildings: IntArray, join: float) -> dict[str, IntArray]:
        """By role the rows that may belong to some buildings."""
        windows = grown(self._boxes[buildings], join)
        rows = {layer.role: self._index[layer.role].meeting_any(windows) for layer in self._joining}
        return rows | {role: keyed.of(buildings) for role, keyed in self._keyed.items()}

    def _nearby(self, layer: Narrow, rows: IntArray, join: float) -> IntArray:
        """The buildings that some rows of a layer may belong to."""
        if layer.lines is not None:
            rows = rows[~layer.lines[rows]]
        return self._buildings.meeting_any(grown(layer.boxes[rows], join))

    def _fits(self, buildings: IntArray) -> IntArray:
        """Buildings that a key fits as well that fits one of some."""
        found = [keyed.fitting(keyed.of(buildings)) for keyed in self._keyed.values() if keyed.candidates]
        return np.concatenate(found) if found else np.empty(0, dtype=np.int64)

    def _street_window(self, at_home: IntArray, wide: FloatArray) -> FloatArray:
        """The box in which every street lies that a building at home looks for; `wide` at least."""
        boxes = self._boxes[at_home]
        boxes = boxes[np.isfinite(boxes).all(axis=1)]
        if self._streets is None or not len(boxes):
            return wide
        tree, half = self._streets
        middle = (boxes[:, :2] + boxes[:, 2:]) / 2
        away, which = tree.query(middle, k=range(1, min(_STREETS, half.size) + 1))
        # No street is farther than the farthest place of its box; from any place of the building, see there.
        size = np.hypot(*(boxes[:, 2:] - boxes[:, :2]).T)
        nearest = (away + half[which]).min(axis=1) + size
        return around(np.vstack([wide, grown(boxes, nearest)]))


def _places(taken: list[IntArray], home: IntArray, names: pd.Series[Any] | None) -> Places:
    tile = np.repeat(np.arange(len(taken)), [part.size for part in taken])
    rows = np.concatenate(taken) if taken else np.empty(0, dtype=np.int64)
    return Places(rows, tile, home[rows] == tile, names=names)


def _homes(layer: Narrow, squares: Squares) -> IntArray:
    """The tile that each feature is at home in: where the middle of its box lies."""
    middle = (layer.boxes[:, :2] + layer.boxes[:, 2:]) / 2
    home = squares.holding(codes_of(middle[:, 0], middle[:, 1]))
    home[~layer.kept] = 0
    return home


def _anywhere(keys: pd.Series[Any], squares: Squares) -> IntArray:
    """A tile for each text: the same in every run, and for most texts whatever tiles come and go.

    Consistent hashing (D. Karger and others, "Consistent hashing and random trees", 1997, from memory).
    """
    if not len(keys):
        return np.empty(0, dtype=np.int64)
    spots = np.array([f"{name} {spot}" for name in squares.names() for spot in range(_SPOTS)], dtype=object)
    place = pd.util.hash_array(spots, categorize=False)
    order = np.argsort(place, kind="stable")
    number = pd.util.hash_array(keys.to_numpy(dtype=object), categorize=False)
    return order[np.searchsorted(place[order], number) % order.size] // _SPOTS


def _ids(outline: Narrow) -> pd.Series[Any]:
    if outline.ids is None:
        raise TypeError("Footprints have ids.")
    return outline.ids


def _units_per_ft(box: FloatArray, crs: CRS, ground: Ground) -> float:
    """The most units that a foot can be anywhere in a box, with a little to spare."""
    x, y = (np.linspace(box[k], box[k + 2], 5) for k in (0, 1))
    xs, ys = np.meshgrid(x, y)
    planes = local_planes(xs.ravel(), ys.ravel(), crs, ground)
    return float(np.linalg.norm(planes.to_crs, ord=2, axis=(1, 2)).max()) * 1.01
