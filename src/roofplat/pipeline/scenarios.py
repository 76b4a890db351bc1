"""What if: plans of a few buildings for other fires, winds, methods and ladders.

In: a stock of the district's roofs, and what is asked of some of its buildings.
Out: `Answer`: for each question the tables of that building's plan, as a build would draw them.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from roofplat.errors import DistrictFileError, RoofplatError
from roofplat.framing import Framing, frame_roofs, join_framings, split_framing
from roofplat.pipeline.reach import reach_ft
from roofplat.placing import Plan, place_plans
from roofplat.placing.approach import yards_among
from roofplat.publish.stock import Stock
from roofplat.tables import join_problems, run_of, trusted, with_geometry
from roofplat.venting import vent_rows

__all__ = ["Answer", "Parts", "Planner", "Scenario"]

# Tables that a plan has for each building.
_PLANNED = ("sections", "ladders", "paths", "checks", "openings", "cuts", "trenches", "collapse_zones")
# Columns that placing and venting read of what is cut out for them.
_READ = {
    "roofs": (
        *("building_id", "part", "area_ft2", "height_ft", "height_ft_basis", "parapet_ft"),
        *("suspended_load", "panel_type", "undivided_ft2", "storeys"),
        *("building_occupancy", "building_sprinklered"),
    ),
    "obstacles": ("building_id", "kind", "voltage_kv", "height_ft"),
    "ground": ("kind",),
    "streets": ("name",),
    "fires": ("building_id",),
}
Columns = dict[str, Any]
# A frame, and which of its rows; None for all of them.
Piece = tuple[Any, npt.NDArray[np.int64] | None]


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is asked of one building.

    building_id
        The building.
    fire
        Longitude and latitude of the fire spot, WGS 84; None keeps the standing plan's.
    wind_from_deg
        Where the wind comes from, degrees from true north; None keeps the standing plan's.
    method
        The method of `tables.METHODS` to prefer; None for none.
    ladder
        Longitude and latitude of the base of a ladder that stands already; None for none.
    """

    building_id: str
    fire: tuple[float, float] | None = None
    wind_from_deg: float | None = None
    method: str | None = None
    ladder: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """The plan of one building in one scenario.

    scenario
        What was asked.
    tables
        Rows of this building alone, in the working CRS: `sections`, `walls`, `planes`, `members`,
        `obstacles`, `ladders`, `paths`, `checks`, `openings`, `cuts`, `trenches`, `collapse_zones`,
        `venting` and `problems` of `tables.TABLES`.
    """

    scenario: Scenario
    tables: Parts


class Parts(Mapping[str, Any]):
    """Tables of one building, each cut out of those of all planned with it when it is first asked for.

    Parameters
    ----------
    pieces
        By table: the frames that hold its rows, and which rows of each; None for all of them.

    Examples
    --------
    >>> Parts({"walls": [(pd.DataFrame({"wall": [0, 1, 0]}), np.array([2]))]})["walls"]["wall"].tolist()
    [0]
    """

    __slots__ = ("_cut", "_pieces")

    def __init__(self, pieces: Mapping[str, Sequence[Piece]]) -> None:
        self._pieces = pieces
        self._cut: dict[str, Any] = {}

    def __getitem__(self, table: str) -> Any:
        if table not in self._cut:
            cut = [frame if rows is None else _cut_out(frame, rows) for frame, rows in self._pieces[table]]
            self._cut[table] = cut[0] if len(cut) == 1 else join_problems(cut)
        return self._cut[table]

    def __iter__(self) -> Iterator[str]:
        return iter(self._pieces)

    def __len__(self) -> int:
        return len(self._pieces)

    def pieces(self, table: str) -> Sequence[Piece]:
        """The frames that hold the rows of a table, and which rows; for who reads many answers at once."""
        return self._pieces[table]


@dataclass(frozen=True, slots=True)
class _Framed:
    """One building framed: what of its plan no scenario changes.

    sections
        Ids of its sections.
    framing
        Of its sections alone.
    roofs, obstacles, ground, streets, outlines
        What placing reads of it and of what lies around it, as columns; the outlines are its neighbours'.
    fire
        Its stated fire spot in the working CRS; empty where there is none.
    tables
        Rows of the answer that are the same in every scenario.
    problems
        What framing has to say.
    """

    sections: list[str]
    framing: Framing
    roofs: Columns
    obstacles: Columns
    ground: Columns
    streets: Columns
    outlines: Columns
    fire: Columns
    tables: dict[str, Any]
    problems: pd.DataFrame


class Planner:
    """Plans buildings of a stock, and keeps the framings of those asked for last.

    Parameters
    ----------
    stock
        The district.
    keep
        How many buildings' framings are kept.
    """

    def __init__(self, stock: Stock, *, keep: int = 256) -> None:
        self._stock = stock
        self._keep = keep
        self._framed: OrderedDict[str, _Framed] = OrderedDict()
        self._to_working = Transformer.from_crs("EPSG:4326", stock.setting.crs, always_xy=True)

    def plan(self, scenarios: Sequence[Scenario]) -> list[Answer | RoofplatError]:
        """Plan some scenarios at once.

        Parameters
        ----------
        scenarios
            Any number, several of one building among them.

        Returns
        -------
        list of Answer or RoofplatError
            One for each scenario, in their order. An error says in one sentence why there is no plan:
            no such building, or a fire spot in none of its roof sections.

        Raises
        ------
        LayerError
            The stock cannot be read.
        """
        framed = self._frame(list(dict.fromkeys(scenario.building_id for scenario in scenarios)))
        results: dict[int, Answer | RoofplatError] = {}
        left: list[tuple[int, Scenario, _Framed]] = []
        for place, scenario in enumerate(scenarios):
            match framed[scenario.building_id]:
                case RoofplatError() as fault:
                    results[place] = fault
                case entry:
                    left.append((place, scenario, entry))
        while left:
            # Each building once: a second question about it waits for the next round.
            first = {scenario.building_id: place for place, scenario, _ in reversed(left)}
            now = [each for each in left if first[each[1].building_id] == each[0]]
            answers = self._place([scenario for _, scenario, _ in now], [entry for *_, entry in now])
            results |= {place: answer for (place, *_), answer in zip(now, answers, strict=True)}
            left = [each for each in left if each[0] not in results]
        return [results[place] for place in range(len(scenarios))]

    def _frame(self, ids: Sequence[str]) -> dict[str, _Framed | RoofplatError]:
        """Framings of some buildings, or why there is none."""
        result: dict[str, _Framed | RoofplatError] = {}
        missing = [name for name in ids if name not in self._framed]
        for name in ids:
            if name in self._framed:
                self._framed.move_to_end(name)
                result[name] = self._framed[name]
        try:
            found = _framed(self._stock, missing)
        except DistrictFileError:
            # One that is not there does not take the others down.
            strange = self._strange(missing)
            result |= strange
            found = _framed(self._stock, [name for name in missing if name not in strange])
        result |= found
        self._framed |= found
        while len(self._framed) > self._keep:
            self._framed.popitem(last=False)
        return result

    def _strange(self, ids: Sequence[str]) -> dict[str, RoofplatError]:
        """Those that the district does not have, and what to say of them."""
        faults: dict[str, RoofplatError] = {}
        for name in ids:
            try:
                self._stock.around([name], 0.0)
            except DistrictFileError as fault:
                faults[name] = fault
        return faults

    def _place(
        self, scenarios: Sequence[Scenario], framed: Sequence[_Framed]
    ) -> list[Answer | RoofplatError]:
        """Answers to questions about different buildings."""
        setting = self._stock.setting
        ids = [scenario.building_id for scenario in scenarios]
        sizes = [len(entry.sections) for entry in framed]
        winds = [scenario.wind_from_deg for scenario in scenarios]

        def together(name: str) -> gpd.GeoDataFrame:
            return _frame_of([getattr(entry, name) for entry in framed], setting.crs)

        fires = [self._point(scenario.building_id, scenario.fire) for scenario in scenarios]
        ladders = [self._point(scenario.building_id, scenario.ladder) for scenario in scenarios]
        stated = [entry.fire for entry in framed]
        framing = join_framings([entry.framing for entry in framed])
        roofs, obstacles = together("roofs"), together("obstacles")
        with trusted():
            plan = place_plans(
                framing,
                roofs,
                obstacles,
                self._spots([one or other for one, other in zip(fires, stated, strict=True)]),
                setting.rules,
                wind_from_deg=np.repeat(
                    [setting.wind_from_deg if wind is None else wind % 360.0 for wind in winds], sizes
                ),
                wind_basis=np.repeat(
                    [setting.wind_basis if wind is None else "given" for wind in winds], sizes
                ),
                streets=_frame_of(_in_order([entry.streets for entry in framed]), setting.crs),
                ground=together("ground"),
                outlines=together("outlines"),
                preferred={
                    scenario.building_id: scenario.method for scenario in scenarios if scenario.method
                },
                placed_ladders=self._spots(ladders),
            )
            venting = vent_rows(framing, roofs, obstacles, plan.sections, plan.late, setting.rules)
        tables = _tables_of(ids, plan, venting, framed)
        return [
            _fault(scenario, mine) or Answer(scenario, mine)
            for scenario, mine in zip(scenarios, tables, strict=True)
        ]

    def _spots(self, places: Sequence[Columns]) -> gpd.GeoDataFrame:
        """Places of some buildings as a frame; most have none."""
        nowhere = {"building_id": pd.array([], dtype="str"), "geometry": np.empty(0, dtype=object)}
        return _frame_of([place for place in places if place] or [nowhere], self._stock.setting.crs)

    def _point(self, building_id: str, spot: tuple[float, float] | None) -> Columns:
        """A place of a building in the working CRS; nothing where none is given."""
        if spot is None:
            return {}
        x, y = self._to_working.transform(*spot)
        return {
            "building_id": pd.array([building_id], dtype="str"),
            "geometry": np.array([shapely.Point(x, y)], dtype=object),
        }


def _framed(stock: Stock, ids: Sequence[str]) -> dict[str, _Framed]:
    """Frame some buildings, their neighbours' roofs before their walls."""
    if not ids:
        return {}
    setting = stock.setting
    rules = setting.rules
    rows = stock.around(ids, reach_ft(rules, 0.0))
    # Those asked for come first, in the order in which they are.
    of = rows.roofs["building_id"].to_numpy(dtype=object)
    count = int(np.isin(of, np.array(ids, dtype=object)).sum())
    roofs = run_of(rows.roofs, 0, count)
    highest = [roofs[name].to_numpy(dtype=float, na_value=np.nan) for name in ("height_ft", "parapet_ft")]
    tallest = float(np.nansum(highest, axis=0).max())
    if reach_ft(rules, tallest) > reach_ft(rules, 0.0):
        rows = stock.around(ids, reach_ft(rules, tallest))
        of = rows.roofs["building_id"].to_numpy(dtype=object)
    shapes = rows.roofs.geometry.to_numpy()
    with trusted():
        framing = frame_roofs(
            roofs, rows.streets, rules, setting.ground, rows.walls, neighbours=shapes[count:]
        )
    first = [*np.flatnonzero(np.r_[True, of[1:count] != of[: count - 1]]).tolist(), count]
    obstacle_of, fire_of = (
        frame["building_id"].to_numpy(dtype=object) for frame in (rows.obstacles, rows.fires)
    )
    columns = _columns(roofs, "roofs")
    obstacles, fires = _columns(rows.obstacles, "obstacles"), _columns(rows.fires, "fires")
    ground, streets = _columns(rows.ground, "ground"), _columns(rows.streets, "streets")
    free = pd.isna(obstacle_of)
    # Without one of the roofs around it a yard is open; where there is one all roofs are kept.
    whole = len(ids) == 1 or yards_among(shapes).size > 0
    wide = reach_ft(rules, tallest) * setting.units_per_ft * np.array([-1.0, -1.0, 1.0, 1.0])
    bounds, lies, stands = (
        shapely.bounds(part) for part in (shapes, ground["geometry"], obstacles["geometry"])
    )
    feature = framing.problems["feature"].to_numpy(dtype=object)
    result: dict[str, _Framed] = {}
    for name, low, high, part in zip(
        ids, first[:-1], first[1:], split_framing(framing, np.diff(first).tolist()), strict=True
    ):
        sections = part.sections["section_id"].tolist()
        theirs = obstacle_of == name
        own = bounds[low:high]
        box = np.r_[own[:, :2].min(axis=0), own[:, 2:].max(axis=0)] + wide
        others = np.full(of.size, True) if whole else _meets(bounds, box)
        others[low:high] = False
        result[name] = _Framed(
            sections=sections,
            framing=part,
            roofs=_some(columns, slice(low, high)),
            obstacles=_some(obstacles, theirs | (free & _meets(stands, box))),
            ground=_some(ground, _meets(lies, box)),
            streets=streets,
            outlines={"geometry": shapes[others]},
            fire=_some(fires, fire_of == name) if name in fire_of else {},
            tables={
                "walls": part.walls,
                "planes": part.planes,
                "members": part.members,
                "obstacles": _cut_out(rows.obstacles, np.flatnonzero(theirs)),
            },
            problems=_cut_out(
                framing.problems, np.flatnonzero(np.isin(feature, np.array([name, *sections], dtype=object)))
            ),
        )
    return result


def _meets(bounds: npt.NDArray[np.float64], box: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which of some boxes, shape (n, 4), meet one."""
    meets: npt.NDArray[np.bool_] = (
        (bounds[:, 0] <= box[2])
        & (bounds[:, 2] >= box[0])
        & (bounds[:, 1] <= box[3])
        & (bounds[:, 3] >= box[1])
    )
    return meets


def _columns(frame: gpd.GeoDataFrame, kind: str) -> Columns:
    """The columns that placing reads, and the geometry."""
    plain = pd.DataFrame(frame)
    columns = {name: plain[name].array for name in _READ[kind]}
    if kind == "streets":
        columns["number"] = frame.index.to_numpy()
    return {**columns, "geometry": frame.geometry.to_numpy()}


def _some(columns: Columns, rows: slice | npt.NDArray[Any]) -> Columns:
    return {name: values[rows] for name, values in columns.items()}


def _in_order(parts: Sequence[Columns]) -> list[Columns]:
    """Streets of several buildings in the order of the district, each of them once."""
    if len(parts) == 1:
        return list(parts)
    joined = {name: _concatenated([part[name] for part in parts]) for name in parts[0]}
    first = np.unique(joined["number"], return_index=True)[1]
    return [_some(joined, first)]


def _frame_of(parts: Sequence[Columns], crs: CRS) -> gpd.GeoDataFrame:
    """Columns of several buildings, one after the other, as a frame."""
    columns = {name: _concatenated([part[name] for part in parts]) for name in parts[0]}
    return with_geometry(columns, columns.pop("geometry"), crs)


def _concatenated(columns: Sequence[Any]) -> Any:
    if len(columns) == 1:
        return columns[0]
    if isinstance(columns[0], np.ndarray):
        return np.concatenate(columns)
    return type(columns[0])._concat_same_type(columns)


def _tables_of(
    ids: Sequence[str], plan: Plan, venting: pd.DataFrame, framed: Sequence[_Framed]
) -> list[Parts]:
    """The rows of each building."""
    pieces: list[dict[str, list[Piece]]] = [
        {table: [(frame, None)] for table, frame in entry.tables.items()} for entry in framed
    ]
    number_of = {name: number for number, name in enumerate(ids)}
    planned = {table: getattr(plan, table) for table in _PLANNED} | {"venting": venting}
    for table, frame in planned.items():
        for mine, rows in zip(pieces, _rows_of(number_of, frame["building_id"]), strict=True):
            mine[table] = [(frame, rows)]
    owner = {name: number for number, name in enumerate(ids)}
    owner |= {name: number for number, entry in enumerate(framed) for name in entry.sections}
    features = plan.problems["feature"].tolist()
    of = np.array([owner.get(feature, -1) for feature in features], dtype=np.int64)
    everyone = (plan.problems["layer"] == "district").to_numpy(dtype=bool)
    for number, (mine, entry) in enumerate(zip(pieces, framed, strict=True)):
        own = np.flatnonzero((of == number) | everyone)
        mine["problems"] = [(entry.problems, None), (plan.problems, own)]
    return [Parts(mine) for mine in pieces]


def _rows_of(number_of: Mapping[str, int], building_id: pd.Series) -> list[npt.NDArray[np.int64]]:
    """Rows of each of some buildings, ascending."""
    if len(number_of) == 1:
        return [np.arange(len(building_id))]
    # The rows of a few buildings: sooner looked up one by one than indexed.
    owner = np.array([number_of[name] for name in building_id.tolist()], dtype=np.int64)
    order = np.argsort(owner, kind="stable")
    return np.split(order, np.searchsorted(owner[order], np.arange(1, len(number_of))))


def _cut_out(frame: Any, rows: npt.NDArray[np.int64]) -> Any:
    """Some rows of a frame; most tables are in the order of the buildings, and a run is cheap to take."""
    if rows.size == len(frame):
        return frame
    if not rows.size:
        return run_of(frame, 0, 0)
    if rows[-1] - rows[0] + 1 == rows.size:
        return run_of(frame, int(rows[0]), int(rows[-1]) + 1)
    part = frame.iloc[rows]
    part.index = pd.RangeIndex(rows.size)
    return part


def _fault(scenario: Scenario, tables: Parts) -> RoofplatError | None:
    """The plan is for the fire spot asked for, and for no other in its stead."""
    if scenario.fire is None or tables["sections"]["fire_basis"].eq("given").any():
        return None
    lon, lat = scenario.fire
    return DistrictFileError(
        f"The fire spot {lon:g},{lat:g} does not lie in building {scenario.building_id!r}; give "
        "longitude and latitude of a place inside one of its roof sections."
    )
