"""What the map page carries: every layer in lon/lat, taken apart, and cut into blocks.

In: the tables in the working CRS; where the sheets of buildings are.
Out: `FlatMap`, whole or cut to one dispatch area, and its two texts: the overview, which a page
    unpacks at once, and the plans, of which it unpacks what comes into view: what is drawn when it is
    drawn, what is read on a card when a card is opened.

Buildings stand in the order of a Hilbert curve, so that those of one block of plans are neighbours.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.publish.files import NO_AREA
from roofplat.publish.packing import (
    STEPS_PER_DEGREE,
    FlatColumn,
    FlatShapes,
    flatten_column,
    flatten_shapes,
    pack_block,
    pack_numbers,
)
from roofplat.tables import TABLES, empty

__all__ = ["FlatMap", "flatten_map"]

_ZONE_DETAIL_DEG = 2e-6  # about 20 cm
# Steps of 1e-7 degree that the vertices of a layer are kept to; one for all others. A metre matters to
# no arrow, and a hand's breadth to no zone.
_TIMES: Mapping[str, int] = {"collapse_zones": 10, "planes": 50}
# Few enough that a block is unpacked between two frames, many enough that words repeat in it.
_BLOCK_BUILDINGS = 200

# What each layer of the page carries beside its shapes: columns a card, a label or a look needs.
# The overview has what is drawn, found and filtered from afar; the rest of a building is its details.
_BUILDING_COLUMNS = (
    "building_id",
    "name",
    "address",
    "area_ft2",
    "dispatch_area",
    "roof_family",
    "family_basis",
    "p_lightweight",
    "surveyed_on",
)
# Of the ranking, what the overview needs to colour and filter by, and what waits for the card.
_RANK_COLUMNS = ("rank", "class", "due_state")
_RANKING_COLUMNS = (
    "rank_low",
    "rank_high",
    "score",
    "reasons",
    "unknown_facts",
    "class_basis",
    "next_due",
    "overdue_days",
)
# Places on the list of roofs to survey next that the filter asks for; a place of its own is on the card.
_VISIT_STEPS = (25, 100)
# Of that list: what it is called there, and on the card.
_VISIT_COLUMNS: Mapping[str, str] = {"order": "visit_order", "reason": "visit_why"}
_AUDIT_COLUMNS = ("solar_checks", "solar_met")
_DETAIL_COLUMNS = (
    "occupancy",
    "year_built",
    "storeys",
    "height_ft",
    "height_basis",
    "sprinklered",
    "inspected_on",
    "look_again",
    "alert",
    "odds",
    "local_roofs",
    *_RANKING_COLUMNS,
    *_VISIT_COLUMNS.values(),
    *_AUDIT_COLUMNS,
    "sheet",
)
_FACT_COLUMNS = ("field", "value", "basis", "date", "source")
_PLAN_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "sections": (
        "part",
        "area_ft2",
        "true_area_ft2",
        "roof_family",
        "family_basis",
        "framing_axis_deg",
        "axis_basis",
        "roof_shape",
        "shape_basis",
        "slope_deg",
        "slope_basis",
        "rise_ft",
        "fire_basis",
        "wind_from_deg",
        "wind_basis",
        "cut_method",
        "cut_method_why",
        "methods_rejected",
    ),
    "walls": ("kind", "kind_basis", "side_letter"),
    "planes": ("part", "downslope_deg", "slope_deg", "area_ft2", "basis"),
    "members": ("part", "kind", "count", "spacing_ft", "basis"),
    "obstacles": ("kind", "height_ft", "basis"),
    "collapse_zones": ("distance_ft", "height_ft", "height_basis", "pushes_out", "why"),
    "ladders": (
        "rank",
        "side",
        "apparatus",
        "ladder_ft",
        "base_setback_ft",
        "support_ft",
        "highest_ft",
        "aerial_setback_ft",
        "in_collapse_zone",
        "height_basis",
        "usng",
        "reasons",
    ),
    "paths": ("ladder_rank", "length_ft", "share_on_bearing", "why"),
    "checks": ("kind", "cut_ft"),
    "openings": (
        "seq",
        "method",
        "length_ft",
        "width_ft",
        "area_ft2",
        "wanted_ft2",
        "placed_ft2",
        "finish_toward_deg",
        "push_side",
        "usng",
        "why",
    ),
    "trenches": ("method", "length_ft", "width_ft", "from_fire_ft", "usng", "why"),
    "solar_access": ("part", "array", "finding", "basis", "message"),
    "fires": ("fire_basis",),
}
_MADE_HERE = ("fires",)
# What of them a drawing needs; the rest is unpacked with a card.
_DRAWN_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "walls": ("kind", "kind_basis", "side_letter"),
    "planes": ("downslope_deg", "area_ft2", "basis"),
    "members": ("kind", "spacing_ft", "basis"),
    "obstacles": ("kind", "height_ft", "basis"),
    "collapse_zones": ("distance_ft", "height_basis", "pushes_out"),
    "ladders": ("rank", "apparatus", "in_collapse_zone"),
    "checks": ("kind",),
    "openings": ("seq", "method"),
    "trenches": ("method",),
    "solar_access": ("finding", "basis"),
    "fires": ("fire_basis",),
}
_PLACES = ("streets", "areas", "stations")
# Layers that belong to no building, and their columns; obstacles of no building are lines overhead
# and things in yards.
_FREE_COLUMNS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(_PLACES, ("name",)),
    "ground": ("kind", "basis"),
    "obstacles": _PLAN_COLUMNS["obstacles"],
}
# Places after the point; one for all others.
_DECIMALS: Mapping[str, int] = {
    "area_ft2": 0,
    "true_area_ft2": 0,
    "p_lightweight": 3,
    "score": 3,
    "spacing_ft": 2,
    "share_on_bearing": 2,
    "wanted_ft2": 0,
    "placed_ft2": 0,
}
_Frames = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _FlatLayer:
    """Shapes (or none), columns, and for each row the position of its building (-1 is none)."""

    shapes: FlatShapes | None
    columns: Mapping[str, FlatColumn]
    building: npt.NDArray[np.int64]
    rows: int

    def bounds(self, first: int, end: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]] | None:
        """Least and greatest steps of some rows; None where nothing has a shape."""
        return None if self.shapes is None else self.shapes.bounds(first, end)

    def take(self, rows: npt.NDArray[np.int64], number: npt.NDArray[np.int64] | None = None) -> _FlatLayer:
        """The rows at some positions, their buildings numbered anew."""
        building = self.building[rows]
        return _FlatLayer(
            None if self.shapes is None else self.shapes.take(rows),
            {name: column.take(rows) for name, column in self.columns.items()},
            building if number is None else number[building],
            len(rows),
        )

    def packed(
        self, first: int, end: int, data: bytearray, names: Iterable[str], *, times: int = 1
    ) -> dict[str, Any]:
        """Shapes and some columns of the rows from `first` up to `end`."""
        shapes = {} if self.shapes is None else {"shapes": self.shapes.packed(first, end, data, times=times)}
        return {**shapes, **self.words(first, end, data, names)}

    def words(self, first: int, end: int, data: bytearray, names: Iterable[str]) -> dict[str, Any]:
        """Some columns of the rows from `first` up to `end`, without their shapes."""
        return {
            "rows": end - first,
            "columns": {name: self.columns[name].packed(first, end, data) for name in names},
        }


@dataclass(frozen=True, slots=True)
class FlatMap:
    """All that a map page shows, as flat arrays.

    buildings
        One row a building, along a Hilbert curve.
    plans
        Layers whose rows belong to buildings, sorted by them.
    free
        Layers that belong to no building; `free_shapes` has their geometries.
    areas
        Name of each building's dispatch area.
    """

    buildings: _FlatLayer
    plans: Mapping[str, _FlatLayer]
    free: Mapping[str, _FlatLayer]
    free_shapes: Mapping[str, npt.NDArray[np.object_]]
    areas: npt.NDArray[np.object_]

    def area(self, name: str) -> FlatMap:
        """The buildings of one dispatch area, their plans, and the streets and lines around them."""
        rows = np.flatnonzero(self.areas == name)
        number = np.full(len(self.areas), -1, dtype=np.int64)
        number[rows] = np.arange(len(rows))
        buildings = self.buildings.take(rows)
        reach = _reach(buildings)
        if reach is None:
            here = self.free_shapes["areas"][self.free["areas"].columns["name"].equals(name)]
            reach = shapely.box(*shapely.total_bounds(here)) if len(here) else None
        free, shapes = {}, {}
        for layer, held in self.free.items():
            near = np.zeros(held.rows, dtype=bool)
            if reach is not None:
                near = shapely.intersects(self.free_shapes[layer], reach)
            wanted = np.flatnonzero(near)
            free[layer], shapes[layer] = held.take(wanted), self.free_shapes[layer][wanted]
        plans = {}
        for layer, held in self.plans.items():
            plans[layer] = held.take(np.flatnonzero(number[held.building] >= 0), number)
        return replace(
            self, buildings=buildings, plans=plans, free=free, free_shapes=shapes, areas=self.areas[rows]
        )

    def packed(self, frames: Mapping[str, Any]) -> tuple[str, str]:
        """Pack the overview, with `frames` in its head, and the plans.

        Parameters
        ----------
        frames
            What the page says beside the data: title, families, scenario ...

        Returns
        -------
        overview, plans
            ASCII. The plans are blocks one after the other, each in two texts, what is drawn and what is
            read; the overview says where each text begins, which buildings a block holds, and the box
            around all that is drawn of them.
        """
        blocks, boxes, firsts = [], [], [0]
        count = self.buildings.rows
        for first in range(0, count, _BLOCK_BUILDINGS):
            end = min(first + _BLOCK_BUILDINGS, count)
            drawn, words, box = self._pack_plans(first, end)
            blocks += [drawn, words]
            boxes += box
            firsts.append(end)
        data = bytearray()
        layers = {"buildings": self.buildings.packed(0, count, data, self.buildings.columns)}
        layers |= {
            name: layer.packed(0, layer.rows, data, layer.columns) for name, layer in self.free.items()
        }
        head = {
            **frames,
            "steps_per_degree": STEPS_PER_DEGREE,
            "bounds": self._bounds(),
            "layers": layers,
            "plan_layers": {name: layer.rows for name, layer in self.plans.items()},
            "blocks": {
                "buildings": firsts,
                "boxes": boxes,
                "starts": np.cumsum([0, *map(len, blocks)]).tolist(),
            },
        }
        return pack_block(head, data), "".join(blocks)

    def _pack_plans(self, first: int, end: int) -> tuple[str, str, list[int]]:
        """Plans of some buildings: what is drawn, what is read, and the box around what is drawn."""
        data, told = bytearray(), bytearray()
        drawn, words, seen = {}, {}, [self.buildings.bounds(first, end)]
        for name, layer in self.plans.items():
            start, stop = np.searchsorted(layer.building, [first, end]).tolist()
            if start == stop:
                continue
            looks = [column for column in _DRAWN_COLUMNS.get(name, ()) if column in layer.columns]
            others = [column for column in layer.columns if column not in looks]
            owners = np.bincount(layer.building[start:stop] - first, minlength=end - first)
            if layer.shapes is None:
                words[name] = layer.words(start, stop, told, others)
                words[name]["owners"] = pack_numbers(owners, told)
                continue
            drawn[name] = layer.packed(start, stop, data, looks, times=_TIMES.get(name, 1))
            drawn[name]["owners"] = pack_numbers(owners, data)
            words[name] = layer.words(start, stop, told, others)
            seen.append(layer.bounds(start, stop))
        found = [part for part in seen if part is not None]
        low = np.min([part[0] for part in found], axis=0)
        high = np.max([part[1] for part in found], axis=0)
        box = [*low.tolist(), *high.tolist()]
        return pack_block({"layers": drawn}, data), pack_block({"layers": words}, told), box

    def _bounds(self) -> list[list[float]] | None:
        layer = self.buildings if self.buildings.rows else self.free["areas"]
        reach = _reach(layer)
        if reach is None:
            return None
        west, south, east, north = reach.bounds
        return [[south, west], [north, east]]


def _reach(layer: _FlatLayer) -> Any:
    """The box around a layer, in degrees; None of nothing."""
    found = layer.bounds(0, layer.rows)
    if found is None:
        return None
    (west, south), (east, north) = (part / STEPS_PER_DEGREE for part in found)
    return shapely.box(west, south, east, north)


def flatten_map(tables: Mapping[str, pd.DataFrame], *, sheets: Mapping[str, str] | None = None) -> FlatMap:
    """Bring every layer of the map to WGS 84 and take it apart.

    Parameters
    ----------
    tables
        At least `buildings`; layers that are missing come out empty. Working CRS.
    sheets
        For ids of buildings, the name of the sheet in the folder of sheets.

    Returns
    -------
    FlatMap
    """
    frames = _to_lonlat(tables, sheets or {})
    ids = pd.Index(frames["buildings"]["building_id"])
    plans = {}
    for name, wanted in {**_PLAN_COLUMNS, "details": _DETAIL_COLUMNS, "facts": _FACT_COLUMNS}.items():
        frame = frames["buildings"] if name == "details" else frames[name]
        owner = ids.get_indexer(frame["building_id"]).astype(np.int64)
        order = np.argsort(owner, kind="stable")
        order = order[owner[order] >= 0]
        plans[name] = _flat(frame.iloc[order], wanted, owner[order], shapeless=name in ("details", "facts"))
    obstacles = frames["obstacles"]
    frames["obstacles"] = obstacles[ids.get_indexer(obstacles["building_id"]) < 0]
    free = {name: _flat(frames[name], wanted) for name, wanted in _FREE_COLUMNS.items()}
    return FlatMap(
        _flat(frames["buildings"], (*_BUILDING_COLUMNS, *_RANK_COLUMNS, "visit_band")),
        plans,
        free,
        {name: frames[name].geometry.to_numpy() for name in free},
        frames["buildings"]["dispatch_area"].fillna(NO_AREA).to_numpy(dtype=object),
    )


def _flat(
    frame: Any,
    wanted: tuple[str, ...],
    building: npt.NDArray[np.int64] | None = None,
    *,
    shapeless: bool = False,
) -> _FlatLayer:
    columns = {
        name: flatten_column(frame[name], decimals=_DECIMALS.get(name, 1)) for name in wanted if name in frame
    }
    shapes = None if shapeless else flatten_shapes(frame.geometry.to_numpy())
    owner = np.full(len(frame), -1, dtype=np.int64) if building is None else building
    return _FlatLayer(shapes, columns, owner, len(frame))


def _along_a_curve(buildings: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Sort buildings along a Hilbert curve, by id among equals."""
    if buildings.empty:
        return buildings
    ids = buildings["building_id"].to_numpy(dtype=object).astype(str)
    order = np.lexsort([ids, buildings.hilbert_distance()])
    return buildings.iloc[order].reset_index(drop=True)


def _to_lonlat(tables: Mapping[str, pd.DataFrame], sheets: Mapping[str, str]) -> _Frames:
    """Bring every layer of the map to WGS 84; layers that are missing come out empty."""
    ready: dict[str, Any] = {}
    names = dict.fromkeys(["buildings", *_PLAN_COLUMNS, *_FREE_COLUMNS])
    for name in (name for name in names if name not in _MADE_HERE):
        frame: Any = tables.get(name)
        if frame is None or frame.empty:
            frame = empty(name, "EPSG:4326") if name in TABLES else _no_places()
        ready[name] = frame.reset_index(drop=True).to_crs("EPSG:4326")
    ready["buildings"] = _along_a_curve(ready["buildings"])
    ready["facts"] = _facts(tables)
    if "ranking" in tables:
        ranking = pd.DataFrame(tables["ranking"]).set_index("building_id")[
            [*_RANK_COLUMNS, *_RANKING_COLUMNS]
        ]
        ready["buildings"] = ready["buildings"].join(ranking, on="building_id")
    if "survey_next" in tables:
        visits = pd.DataFrame(tables["survey_next"]).set_index("building_id")[[*_VISIT_COLUMNS]]
        visits = visits.rename(columns=_VISIT_COLUMNS).assign(visit_band=_bands(visits["order"]))
        ready["buildings"] = ready["buildings"].join(visits, on="building_id")
    ready["buildings"]["sheet"] = ready["buildings"]["building_id"].map(dict(sheets)).astype("str")
    ready["buildings"] = ready["buildings"].join(_audit_counts(ready["solar_access"]), on="building_id")
    ready["solar_access"] = _not_met(ready["solar_access"])
    ready["walls"] = ready["walls"].assign(side_letter=_side_letters(ready["walls"]))
    # The edges of a plane are drawn as walls, ridges, hips and valleys: its arrow needs a place alone.
    ready["planes"] = ready["planes"].set_geometry(ready["planes"].geometry.representative_point())
    # Round corners of a zone need no more points than show.
    ready["collapse_zones"] = ready["collapse_zones"].set_geometry(
        ready["collapse_zones"].geometry.simplify(_ZONE_DETAIL_DEG)
    )
    # Every building has a section; its outline says something new only where there are several.
    sections = ready["sections"]
    ready["fires"] = _fires(sections)
    numbers = pd.Series(
        sections.groupby("building_id").cumcount().to_numpy() + 1, index=sections["section_id"]
    )
    for name in ("sections", "planes", "members", "solar_access"):
        part = ready[name]["section_id"].map(numbers[~numbers.index.duplicated()])
        ready[name] = ready[name].assign(part=part.astype("Int64"))
    sections = ready["sections"]
    alone = ~sections["building_id"].duplicated(keep=False)
    ready["sections"] = sections.set_geometry(sections.geometry.mask(alone.to_numpy(dtype=bool), None))
    return ready


def _facts(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """The values in force, with how and when they came to be known."""
    if "facts" not in tables:
        return pd.DataFrame({name: pd.Series([], dtype="str") for name in ("building_id", *_FACT_COLUMNS)})
    facts = tables["facts"]
    return facts[facts["current"].fillna(False).astype(bool)].reset_index(drop=True)


def _bands(order: pd.Series) -> pd.Series:
    """Places on a list as steps: `1 to 25`, `26 to 100`, `101 and later`."""
    starts = [1, *(step + 1 for step in _VISIT_STEPS)]
    words = [f"{start} to {end}" for start, end in zip(starts, _VISIT_STEPS, strict=False)]
    band = np.searchsorted(_VISIT_STEPS, order.to_numpy(dtype=np.int64))
    named = np.array([*words, f"{starts[-1]} and later"], dtype=object)[band]
    return pd.Series(named, index=order.index, dtype="str")


def _no_places() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": pd.Series([], dtype="str")}, geometry=[], crs="EPSG:4326")


def _fires(sections: pd.DataFrame) -> gpd.GeoDataFrame:
    """Make points of the fire spots that the standing plans assume."""
    spots = sections.loc[sections["planned"].fillna(False).astype(bool) & sections["fire_lon"].notna()]
    points = gpd.points_from_xy(spots["fire_lon"], spots["fire_lat"], crs="EPSG:4326")
    return gpd.GeoDataFrame(pd.DataFrame(spots[["building_id", "fire_basis"]]), geometry=points).reset_index(
        drop=True
    )


def _audit_counts(audit: pd.DataFrame) -> pd.DataFrame:
    """Count for each building how many access checks its solar arrays had, and how many they met."""
    met = audit["passes"].fillna(False).astype(bool)
    counts = met.groupby(audit["building_id"]).agg(["size", "sum"]).astype("Int64")
    return counts.set_axis(list(_AUDIT_COLUMNS), axis=1)


def _not_met(audit: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep what the audit did not find met; each array is drawn once, by the worst of its findings."""
    failed = (~audit["passes"].fillna(True).astype(bool)).to_numpy(dtype=bool)
    audit = audit.assign(finding=pd.Series(np.where(failed, "failed", "open"), dtype="str"))
    audit = audit[audit["passes"].isna().to_numpy() | failed]
    audit = audit.sort_values("finding", kind="stable").reset_index(drop=True)
    again = audit.duplicated(["section_id", "array"]).to_numpy()
    return audit.set_geometry(audit.geometry.mask(again, None))


def _side_letters(walls: pd.DataFrame) -> pd.Series:
    """Keep the letter of each side's longest wall: one label a side is enough."""
    order = walls.sort_values("length_ft", ascending=False, kind="stable")
    first = ~order.duplicated(["building_id", "side"])
    return walls["side"].where(first.reindex(walls.index))
