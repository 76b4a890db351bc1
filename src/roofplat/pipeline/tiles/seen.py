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
from dataclasses import dataclass, replace
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
from roofplat.pipeline.tiles.kept import DRAWN, LOG, Kept, drawn_layer, replaced_chains
from roofplat.pipeline.tiles.narrow import Narrow
from roofplat.pipeline.tiles.spread import Places
from roofplat.rules import Rulebook

__all__ = ["WHOLE", "Sight", "see"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

WHOLE = ("areas", "stations")
"""Layers of which every tile reads all rows."""
# A cell of a grid and the eight around it.
_AROUND = np.array([(x, y) for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0)])
_NO_ROWS = np.empty(0, dtype=np.int64)
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
        The ids of all footprints as they are if they are kept, those of the record where there is one; shape
        (n,).
    tile
        The tile that each footprint is at home in, shape (n,).
    """

    places: Mapping[str, Places]
    buildings: Sequence[IntArray]
    names: pd.Series[Any]
    tile: IntArray


def see(
    layers: Sequence[Narrow],
    squares: Squares,
    working_crs: CRS,
    rules: Rulebook,
    ground: Ground,
    folder: Path,
    *,
    record: Kept | None = None,
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
    record
        The record of surveys, where there is one.

    Returns
    -------
    Sight
    """
    if record is not None:
        layers = [*layers, drawn_layer(record, folder)]
    outline = layers[0]
    units_per_ft = rules.number("ground.foot_m") / working_crs.axis_info[0].unit_conversion_factor
    cell = _CELL_FT * units_per_ft
    index = {
        layer.role: BoxIndex(layer.boxes, cell)
        for layer in layers
        if layer.role not in WHOLE and layer.geometry and layer.count
    }
    home = {outline.role: _homes(outline, outline, squares, cell)}
    chains = chains_of(outline, index[outline.role], home[outline.role], folder)
    changed = settled_names(outline, chains, rules, working_crs, ground)
    own_names = _ids(outline).copy()
    own_names.loc[changed.index] = changed
    names = own_names
    if record is not None:
        names = own_names.copy()
        names.loc[record.ids.index] = record.ids

    def keyed_by(keys: pd.Series[Any], of_file: bool) -> _Keyed:
        return _Keyed(keys, own_names if of_file else names, names, home[outline.role], squares)

    keyed = {
        layer.role: keyed_by(_keys(layer), True) for layer in layers[1:] if not layer.geometry and layer.count
    }
    named = {layer.role: keyed_by(layer.named, True) for layer in layers if layer.named is not None}
    if record is not None:
        told = record.tables
        if len(told.observations):
            keyed[LOG] = keyed_by(told.observations["building_id"].reset_index(drop=True), False)
        if len(told.drawn):
            named[DRAWN] = keyed_by(told.drawn["building_id"].reset_index(drop=True), False)
    for layer in layers[1:]:
        if layer.role not in WHOLE and layer.count:
            keys = keyed.get(layer.role)
            home[layer.role] = _homes(layer, outline, squares, cell) if keys is None else keys.home
    if LOG in keyed:
        home[LOG] = keyed[LOG].home
    tall_ft = {} if record is None else record.tall_ft(rules)
    reach = _Reach(layers, rules, names, tall_ft)
    view = _View(layers, index, keyed, named, chains, reach, working_crs, ground)
    if record is not None and len(record.tables.drawn):
        view.replaced = Chains(replaced_chains(record.tables.drawn))
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
            places[role] = _places(taken[role], home[role])
            if layer is outline:
                ids = None if record is None or record.ids.empty else record.ids
                places[role] = replace(places[role], names=changed, record=ids)
        else:
            places[role] = Places(empty, empty, empty.astype(bool), whole=role in WHOLE)
    if record is not None:
        places.setdefault(LOG, Places(empty, empty, empty.astype(bool)))
        if LOG in taken:
            places[LOG] = _places(taken[LOG], home[LOG])
    return Sight(places, right, names, home[outline.role])


class _Keyed:
    """Rows that name buildings: which one each means, and where it is at home.

    Parameters
    ----------
    keys
        What the rows name, shape (m,).
    own, names
        The ids that the keys may mean, and those in the record, shape (n,) each; the same without a record.
    tile, squares
        The tile that each building is at home in, shape (n,), and the tiles.
    """

    def __init__(
        self,
        keys: pd.Series[Any],
        own: pd.Series[Any],
        names: pd.Series[Any],
        tile: IntArray,
        squares: Squares,
    ) -> None:
        keys = keys.astype("str")
        building, ambiguous = _meant(own, keys)
        self.candidates: dict[int, IntArray] = {}
        self._fit(own, keys, ambiguous)
        if own is not names:
            # A key means the building that the file calls so, else the one that the record calls so.
            hit = building >= 0
            ours = keys.mask(hit, pd.Series(names.to_numpy(dtype=object)[building], dtype="str"))
            found, ambiguous = _meant(names, ours)
            self._fit(names, ours, ambiguous)
            both, _ = _meant(names, keys)
            for row in np.flatnonzero(hit & (both >= 0) & (both != building)).tolist():
                meant = [self.candidates.get(row, building[[row]]), both[[row]]]
                self.candidates[row] = np.unique(np.concatenate(meant))
            building = np.where(hit, building, found)
        self.building = building
        self.home = np.where(building >= 0, tile[building], -1)
        # What means no building has to be somewhere: by its key, whatever rows come and go.
        lost = np.flatnonzero(building < 0)
        self.home[lost] = _anywhere(keys.iloc[lost].fillna(""), squares)
        for row, fits in self.candidates.items():
            if building[row] < 0:
                self.home[row] = tile[fits[0]]
        self._rows = np.flatnonzero(building >= 0)
        self._rows = self._rows[np.argsort(building[self._rows], kind="stable")]
        self._of = building[self._rows]

    def _fit(self, names: pd.Series[Any], keys: pd.Series[Any], ambiguous: npt.NDArray[np.bool_]) -> None:
        """Keep what keys fit that fit several ids once cleaned: they join none, if all of these are there."""
        rows = np.flatnonzero(ambiguous)
        if not rows.size:
            return
        clean = clean_key_texts(names.astype("str"))
        wanted = clean_key_texts(keys.iloc[rows])
        fits = dict(clean[clean.isin(wanted)].groupby(clean).groups)
        for row, key in zip(rows.tolist(), wanted, strict=True):
            found = np.asarray(fits[key], dtype=np.int64)
            self.candidates[row] = np.union1d(self.candidates.get(row, found), found)

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


def _meant(names: pd.Series[Any], keys: pd.Series[Any]) -> tuple[IntArray, npt.NDArray[np.bool_]]:
    """The row of the footprints that each key means, -1 for none; and which fit several."""
    # A second footprint of the same id may be refused; whoever keeps it, the first row stands for all.
    first = np.flatnonzero(~names.duplicated() & names.notna())
    found, ambiguous = find_keys(names.iloc[first].astype("str"), keys)
    return np.where(found >= 0, first[found], -1).astype(np.int64), ambiguous


def _keys(layer: Narrow) -> pd.Series[Any]:
    return pd.Series(pd.NA, index=range(layer.count), dtype="string") if layer.ids is None else layer.ids


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
        named: Mapping[str, _Keyed],
        chains: Chains,
        reach: _Reach,
        working_crs: CRS,
        ground: Ground,
    ) -> None:
        self._index, self._keyed, self._named, self._chains = index, keyed, named, chains
        self._reach = reach
        self.replaced: Chains | None = None
        self._crs, self._ground = working_crs, ground
        self._boxes = layers[0].boxes
        self._buildings = index[layers[0].role]
        self._role = layers[0].role
        self._layers = {layer.role: layer for layer in layers}
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
        if DRAWN in self._index:
            # A drawn section takes ground from those of the layer, wherever they lie.
            over = [seen.get("sections"), own.get("sections")]
            boxes = [self._layers["sections"].boxes[rows] for rows in over if rows is not None]
            drawn = [seen[DRAWN], own[DRAWN], self._named[DRAWN].of(known)]
            drawn += [self._index[DRAWN].meeting_any(part) for part in boxes]
            seen[DRAWN] = np.unique(np.concatenate(drawn))
            if self.replaced is not None:
                seen[DRAWN] = self.replaced.closed(seen[DRAWN])
        others = [self._nearby(layer, seen[layer.role], join) for layer in self._joining]
        # Whether the building that a feature names exists can only be told where it is seen.
        for role, keys in self._named.items():
            rows = np.union1d(seen.get(role, _NO_ROWS), own.get(role, _NO_ROWS))
            meant = keys.building[rows]
            others += [meant[meant >= 0], keys.fitting(rows)]
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


def _places(taken: list[IntArray], home: IntArray) -> Places:
    tile = np.repeat(np.arange(len(taken)), [part.size for part in taken])
    rows = np.concatenate(taken) if taken else np.empty(0, dtype=np.int64)
    return Places(rows, tile, home[rows] == tile)


def _homes(layer: Narrow, outline: Narrow, squares: Squares, cell: float) -> IntArray:
    """The tile that each feature is at home in: where the middle of its box lies.

    What lies in none and far from every building may be at home anywhere: a layer of a whole state must not
    fill one tile of a small district.
    """
    middle = (layer.boxes[:, :2] + layer.boxes[:, 2:]) / 2
    codes = codes_of(middle[:, 0], middle[:, 1])
    home = squares.holding(codes)
    home[~layer.kept] = 0
    outside = np.flatnonzero(layer.kept & ~squares.inside(codes, home))
    if layer is outline or not outside.size:
        return home
    taken = np.floor((outline.boxes[outline.kept, :2] + outline.boxes[outline.kept, 2:]) / 2 / cell)
    near = (taken[:, None, :] + _AROUND).reshape(-1, 2)
    wide = (layer.boxes[outside, 2:] - layer.boxes[outside, :2]).max(axis=1) > cell
    spot = np.floor(middle[outside] / cell)
    far = outside[~wide & ~np.isin(_cells(spot), np.unique(_cells(near)))]
    home[far] = _spread_out(pd.util.hash_array(codes[far]), squares)
    return home


def _cells(spots: FloatArray) -> npt.NDArray[np.complex128]:
    """Cells of a grid as single numbers."""
    return spots[:, 0] + 1j * spots[:, 1]


def _anywhere(keys: pd.Series[Any], squares: Squares) -> IntArray:
    """A tile for each text: the same in every run, and for most texts whatever tiles come and go.

    Consistent hashing (D. Karger and others, "Consistent hashing and random trees", 1997, from memory).
    """
    return _spread_out(pd.util.hash_array(keys.to_numpy(dtype=object), categorize=False), squares)


def _spread_out(number: npt.NDArray[np.uint64], squares: Squares) -> IntArray:
    """A tile for each hash."""
    if not number.size:
        return np.empty(0, dtype=np.int64)
    spots = np.array([f"{name} {spot}" for name in squares.names() for spot in range(_SPOTS)], dtype=object)
    place = pd.util.hash_array(spots, categorize=False)
    order = np.argsort(place, kind="stable")
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
