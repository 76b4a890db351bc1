"""What if: plans of a few buildings for other fires, winds, methods and ladders.

In: a stock of the district's roofs, and what is asked of some of its buildings.
Out: `Answer`: for each question the tables of that building's plan, as a build would draw them.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.errors import DistrictFileError, RoofplatError
from roofplat.framing import Framing, frame_roofs, join_framings, part_of
from roofplat.placing import Plan, place_plans
from roofplat.publish.stock import Stock, StockRows
from roofplat.rules import Rulebook
from roofplat.tables import trusted

__all__ = ["Answer", "Planner", "Scenario"]

# Tables that a plan has for each building, and those that its framing has.
_PLANNED = ("sections", "ladders", "paths", "checks", "openings", "cuts", "trenches", "collapse_zones")
_FRAMED = ("walls", "planes", "members")


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
        `obstacles`, `ladders`, `paths`, `checks`, `openings`, `cuts`, `trenches`, `collapse_zones` and
        `problems` of `tables.TABLES`.
    """

    scenario: Scenario
    tables: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Framed:
    """One building framed: what of its plan no scenario changes."""

    roofs: gpd.GeoDataFrame
    framing: Framing
    outlines: gpd.GeoDataFrame
    rows: StockRows
    obstacles: gpd.GeoDataFrame
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
        if missing:
            try:
                result |= _framed(self._stock, missing)
            except RoofplatError as fault:
                # One that is not there does not take the others down.
                for name in missing:
                    try:
                        result |= {name: fault} if len(missing) == 1 else _framed(self._stock, [name])
                    except RoofplatError as own:
                        result[name] = own
        for name in missing:
            if isinstance(entry := result[name], _Framed):
                self._framed[name] = entry
        while len(self._framed) > self._keep:
            self._framed.popitem(last=False)
        return result

    def _place(
        self, scenarios: Sequence[Scenario], framed: Sequence[_Framed]
    ) -> list[Answer | RoofplatError]:
        """Answers to questions about different buildings."""
        setting = self._stock.setting
        ids = [scenario.building_id for scenario in scenarios]
        framing = join_framings([entry.framing for entry in framed])
        sizes = [len(entry.roofs) for entry in framed]
        winds = [scenario.wind_from_deg for scenario in scenarios]
        with trusted():
            plan = place_plans(
                framing,
                _together([entry.roofs for entry in framed]),
                _distinct([entry.rows.obstacles for entry in framed], "obstacle_id"),
                self._fires(scenarios, framed),
                setting.rules,
                wind_from_deg=np.repeat(
                    [setting.wind_from_deg if wind is None else wind % 360.0 for wind in winds], sizes
                ),
                wind_basis=np.repeat(
                    [setting.wind_basis if wind is None else "given" for wind in winds], sizes
                ),
                streets=_together([entry.rows.streets for entry in framed]),
                ground=_together([entry.rows.ground for entry in framed]),
                outlines=_together([entry.outlines for entry in framed]),
                preferred={scenario.building_id: scenario.method for scenario in scenarios},
                placed_ladders=self._points(
                    {scenario.building_id: scenario.ladder for scenario in scenarios if scenario.ladder}
                ),
            )
        tables = [_tables_of(name, plan, entry) for name, entry in zip(ids, framed, strict=True)]
        return [
            _fault(scenario, mine) or Answer(scenario, mine)
            for scenario, mine in zip(scenarios, tables, strict=True)
        ]

    def _fires(self, scenarios: Sequence[Scenario], framed: Sequence[_Framed]) -> gpd.GeoDataFrame:
        """Fire spots asked for, and the stated ones of the buildings for which none is."""
        asked = {scenario.building_id: scenario.fire for scenario in scenarios if scenario.fire}
        stated = [
            entry.rows.fires
            for scenario, entry in zip(scenarios, framed, strict=True)
            if scenario.fire is None and len(entry.rows.fires)
        ]
        given = self._points(asked)
        return _together([given, *stated]) if stated else given

    def _points(self, spots: dict[str, tuple[float, float]]) -> gpd.GeoDataFrame:
        """Places of some buildings in the working CRS."""
        lon, lat = np.array(list(spots.values()), dtype=float).reshape(-1, 2).T
        x, y = self._to_working.transform(lon, lat)
        return gpd.GeoDataFrame(
            {"building_id": pd.Series(list(spots), dtype="str")},
            geometry=np.asarray(shapely.points(x, y)),
            crs=self._stock.setting.crs,
        )


def _framed(stock: Stock, ids: Sequence[str]) -> dict[str, _Framed | RoofplatError]:
    """Frame some buildings with the roofs around them, and keep their own sections."""
    setting = stock.setting
    rules = setting.rules
    rows = stock.around(ids, _reach_ft(rules, 0.0))
    own = rows.roofs["building_id"].isin(ids)
    tallest = float((rows.roofs["height_ft"].fillna(0.0) + rows.roofs["parapet_ft"].fillna(0.0))[own].max())
    if _reach_ft(rules, tallest) > _reach_ft(rules, 0.0):
        rows = stock.around(ids, _reach_ft(rules, tallest))
    with trusted():
        framing = frame_roofs(rows.roofs, rows.streets, rules, setting.ground, rows.walls)
    of = rows.roofs["building_id"].to_numpy(dtype=object)
    result: dict[str, _Framed | RoofplatError] = {}
    for name in ids:
        mine = np.flatnonzero(of == name)
        run = slice(int(mine[0]), int(mine[-1]) + 1)
        roofs = rows.roofs.iloc[run].reset_index(drop=True)
        obstacles = rows.obstacles
        theirs = obstacles["building_id"].to_numpy(dtype=object)
        result[name] = _Framed(
            roofs=roofs,
            framing=part_of(framing, run),
            outlines=rows.roofs.iloc[of != name][["geometry"]],
            rows=StockRows(
                roofs=roofs,
                obstacles=obstacles[(theirs == name) | pd.isna(theirs)],
                ground=rows.ground,
                streets=rows.streets,
                walls=rows.walls,
                fires=rows.fires[rows.fires["building_id"] == name],
            ),
            obstacles=obstacles[theirs == name].reset_index(drop=True),
            problems=_problems_of(name, roofs, framing.problems),
        )
    return result


def _reach_ft(rules: Rulebook, height_ft: float) -> float:
    """How far from a building anything counts for its plan.

    What walls look at and the addresses of streets; an aerial on its way in; lines over ladders and
    aerials; streets as far as an aerial reaches from outside the collapse zone.
    """
    share = rules.number("ladder.base_share")
    shares = [rules.number(f"collapse.{name}") for name in ("height_share", "pushes_out_share")]
    height = max(height_ft, rules.number("ladder.default_height_ft.one_storey"))
    aerial = max(rules.number("aerial.reach_ft"), 0.0) + rules.number("aerial.least_setback_ft")
    around = max(rules.numbers("line.clearance_ft")) + 10.0
    return max(
        1.01 * rules.number("wall.exposure_search_ft") + rules.number("ladder.base_clear_ft"),
        aerial + around,
        height * max(shares) + aerial,
        height * share / float(np.sqrt(1.0 - share**2)) + around,
    )


def _together(frames: Sequence[Any]) -> Any:
    if len(frames) == 1:
        return frames[0]
    return pd.concat(frames, ignore_index=True)


def _distinct(frames: Sequence[Any], key: str) -> Any:
    """The rows of all, those that several have but once."""
    if len(frames) == 1:
        return frames[0]
    return _together(frames).drop_duplicates(key, ignore_index=True)


def _tables_of(name: str, plan: Plan, framed: _Framed) -> dict[str, Any]:
    """The rows of one building."""
    planned = {table: getattr(plan, table) for table in _PLANNED}
    tables = {
        table: frame[frame["building_id"] == name].reset_index(drop=True) for table, frame in planned.items()
    }
    tables |= {table: getattr(framed.framing, table) for table in _FRAMED}
    tables["obstacles"] = framed.obstacles
    problems = [framed.problems, _problems_of(name, framed.roofs, plan.problems)]
    tables["problems"] = pd.concat(problems, ignore_index=True)
    return tables


def _problems_of(name: str, roofs: pd.DataFrame, problems: pd.DataFrame) -> pd.DataFrame:
    """Problems that name the building or one of its sections, and those of the whole department."""
    ids = [name, *roofs["section_id"]]
    mine: npt.NDArray[np.bool_] = (
        problems["feature"].isin(ids) | (problems["layer"] == "district")
    ).to_numpy()
    return problems[mine].reset_index(drop=True)


def _fault(scenario: Scenario, tables: dict[str, Any]) -> RoofplatError | None:
    """The plan is for the fire spot asked for, and for no other in its stead."""
    if scenario.fire is None or tables["sections"]["fire_basis"].eq("given").any():
        return None
    lon, lat = scenario.fire
    return DistrictFileError(
        f"The fire spot {lon:g},{lat:g} does not lie in building {scenario.building_id!r}; give "
        "longitude and latitude of a place inside one of its roof sections."
    )
