"""Plans of a few buildings beside those of the whole build.

In: the demo district as a stock in memory, and its build.
Out: asserts that the planner draws what the build draws, and follows what is asked.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from tests.benchmarks.district import write_district

from roofplat.district import District, read_district
from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.intake import Inputs
from roofplat.inventory import Inventory, take_inventory
from roofplat.pipeline.planning import draw_plans, gather, wind_of
from roofplat.pipeline.scenarios import Answer, Planner, Scenario
from roofplat.publish.stock import StockRows, StockSetting
from roofplat.rules import load_rulebook

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml"


class MemoryStock:
    """A district as it was read, asked like a stock; all its streets are in reach."""

    def __init__(self, inputs: Inputs, inventory: Inventory, setting: StockSetting) -> None:
        self.inputs, self.inventory, self.setting = inputs, inventory, setting

    def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
        roofs, obstacles = self.inventory.roofs, self.inventory.obstacles
        own = [roofs[roofs["building_id"] == name] for name in ids]
        if any(part.empty for part in own):
            raise DistrictFileError("There is no such building; look again.")
        boxes = [shapely.box(*part.total_bounds) for part in own]
        near = shapely.union_all(shapely.buffer(boxes, reach_ft * self.setting.units_per_ft))
        others = roofs[~roofs["building_id"].isin(ids) & roofs.geometry.intersects(near)]
        theirs = obstacles["building_id"].isin(ids)
        free = obstacles["building_id"].isna() & obstacles.geometry.intersects(near)
        ground = self.inventory.ground
        return StockRows(
            roofs=pd.concat([*own, others], ignore_index=True),
            obstacles=obstacles[theirs | free].reset_index(drop=True),
            ground=ground[ground.geometry.intersects(near)].reset_index(drop=True),
            streets=self.inputs.streets,
            walls=self.inputs.walls,
            fires=self.inventory.fires[self.inventory.fires["building_id"].isin(ids)],
        )

    def fresh(self) -> bool:
        return True

    def close(self) -> None:
        pass


def planned(district: District) -> tuple[MemoryStock, dict[str, Any], pd.DataFrame]:
    """A district as a stock, and its build."""
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = gather(district, rules)
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    direction, basis = wind_of(district, rules, None)
    setting = StockSetting(
        district=district.name,
        crs=inputs.working_crs,
        rules=rules,
        ground=ground,
        wind_from_deg=direction,
        wind_basis=basis,
        as_of=datetime.date(2024, 1, 1),
        paper="letter",
        units_per_ft=0.3049,
        build="of the tests",
    )
    tables, problems = draw_plans(inputs, inventory, rules, ground, district)
    return MemoryStock(inputs, inventory, setting), tables, problems


@pytest.fixture(scope="module")
def district() -> tuple[MemoryStock, dict[str, Any], pd.DataFrame]:
    """The demo, and its build."""
    return planned(read_district(DEMO))


def assert_same(ours: Any, theirs: Any, label: str) -> None:
    assert len(ours) == len(theirs), label
    assert list(ours.columns) == list(theirs.columns), label
    for column in ours.columns:
        one, other = ours[column], theirs[column]
        where = f"{label}.{column}"
        if column == "geometry":
            assert shapely.equals_exact(one.to_numpy(), other.to_numpy(), 1e-6).all(), where
        elif one.dtype == float:
            np.testing.assert_allclose(one.to_numpy(), other.to_numpy(), rtol=1e-9, atol=1e-9, err_msg=where)
        else:
            assert one.astype(object).where(one.notna(), None).tolist() == (
                other.astype(object).where(other.notna(), None).tolist()
            ), where


def assert_of_the_build(answer: Any, tables: dict[str, Any], problems: pd.DataFrame) -> None:
    """The answer to no question at all is what the build says of the building."""
    assert isinstance(answer, Answer), answer
    name = answer.scenario.building_id
    for table, ours in answer.tables.items():
        if table == "problems":
            ids = [name, *answer.tables["sections"]["section_id"]]
            rooms = problems["layer"].isin(["framing", "placing", "scenario"])
            theirs = problems[rooms & problems["feature"].isin(ids)]
            ours = ours[ours["layer"] != "district"]
            keys = ["layer", "feature", "code", "severity", "message", "action"]
            assert sorted(map(tuple, ours[keys].to_numpy())) == sorted(map(tuple, theirs[keys].to_numpy()))
        else:
            theirs = tables[table]
            theirs = theirs[theirs["building_id"] == name].reset_index(drop=True)
            assert_same(ours, theirs, f"{name} {table}")


def test_many_at_once_are_planned_as_the_build_plans_them(district: Any) -> None:
    stock, tables, problems = district
    ids = stock.inventory.buildings["building_id"].tolist()
    planner = Planner(stock)
    answers = [
        answer
        for first in range(0, len(ids), 80)
        for answer in planner.plan([Scenario(name) for name in ids[first : first + 80]])
    ]
    assert [answer.scenario.building_id for answer in answers] == ids
    for answer in answers:
        assert_of_the_build(answer, tables, problems)


def test_one_alone_is_planned_as_the_build_plans_it(district: Any) -> None:
    stock, tables, problems = district
    planner = Planner(stock)
    for name in stock.inventory.buildings["building_id"].tolist()[::37]:
        [answer] = planner.plan([Scenario(name)])
        assert_of_the_build(answer, tables, problems)


@pytest.fixture(scope="module")
def blown(district: Any) -> tuple[dict[str, Any], pd.DataFrame, dict[str, tuple[float, float]]]:
    """The whole demo planned for another wind, with a fire off the middle of every largest section."""
    stock = district[0]
    roofs = stock.inventory.roofs.sort_values("area_ft2", ascending=False).drop_duplicates("building_id")
    shapes = roofs.geometry.to_numpy()
    corner = shapely.points(
        shapely.get_coordinates(shapely.get_exterior_ring(shapes))[
            np.r_[0, np.cumsum(shapely.get_num_coordinates(shapely.get_exterior_ring(shapes)))[:-1]]
        ]
    )
    spots = shapely.line_interpolate_point(
        shapely.shortest_line(shapely.point_on_surface(shapes), corner), 0.1, normalized=True
    )
    within = shapely.contains_properly(shapes, spots)
    fires = gpd.GeoDataFrame(
        {"building_id": roofs["building_id"].array[within]}, geometry=spots[within], crs=roofs.crs
    )
    lonlat = fires.to_crs("EPSG:4326").geometry
    asked = dict(zip(fires["building_id"], zip(lonlat.x, lonlat.y, strict=True), strict=True))
    plan = draw_plans(
        stock.inputs,
        replace(stock.inventory, fires=fires.sort_values("building_id", ignore_index=True)),
        stock.setting.rules,
        stock.setting.ground,
        read_district(DEMO),
        wind_from_deg=123.0,
    )
    return *plan, asked


def test_another_wind_and_fire_are_planned_as_a_build_would(district: Any, blown: Any) -> None:
    stock = district[0]
    tables, problems, asked = blown
    names = list(asked)[::9]
    assert len(names) > 20
    answers = Planner(stock).plan([Scenario(name, fire=asked[name], wind_from_deg=123.0) for name in names])
    for answer in answers:
        assert_of_the_build(answer, tables, problems)
        assert answer.tables["sections"]["fire_basis"].dropna().tolist() == ["given"]


def test_questions_asked_together_are_answered_as_each_alone(district: Any, blown: Any) -> None:
    stock, asked = district[0], blown[2]
    names = list(asked)[5::40][:6]
    ways = ["do_not_cut", None, "small_opening", None, "near_ridge", "fold_back"]
    together = [
        scenario
        for name, way in zip(names, ways, strict=True)
        for scenario in (
            Scenario(name),
            Scenario(name, fire=asked[name], method=way, ladder=asked[name]),
            Scenario(name, wind_from_deg=400.0),
            Scenario(name),
        )
    ]
    answers = Planner(stock, keep=2).plan(together)
    assert [answer.scenario for answer in answers] == together
    for answer in answers:
        [alone] = Planner(stock).plan([answer.scenario])
        assert set(alone.tables) == set(answer.tables)
        for table, ours in answer.tables.items():
            assert_same(ours, alone.tables[table], f"{answer.scenario} {table}")
    winds = answers[2].tables["sections"]["wind_from_deg"].dropna()
    assert winds.tolist() == [40.0]


def test_a_building_that_is_not_there_takes_no_other_down(district: Any) -> None:
    stock, tables, problems = district
    [name, other] = stock.inventory.buildings["building_id"].tolist()[:2]
    first, lost, second = Planner(stock).plan([Scenario(name), Scenario("nowhere"), Scenario(other)])
    assert isinstance(lost, DistrictFileError)
    assert "There is no such building" in str(lost)
    for answer in (first, second):
        assert_of_the_build(answer, tables, problems)


def test_a_fire_outside_the_building_is_said_in_one_sentence(district: Any, blown: Any) -> None:
    stock, asked = district[0], blown[2]
    name, other = list(asked)[:2]
    fault, answer = Planner(stock).plan(
        [Scenario(name, fire=asked[other]), Scenario(other, fire=asked[other])]
    )
    assert isinstance(fault, DistrictFileError)
    assert name in str(fault)
    assert str(fault).endswith("inside one of its roof sections.")
    assert isinstance(answer, Answer)


def test_a_framing_is_kept_while_its_building_is_asked_for(district: Any) -> None:
    stock = district[0]
    asked: list[Sequence[str]] = []

    class Counted(MemoryStock):
        def around(self, ids: Sequence[str], reach_ft: float) -> StockRows:
            asked.append(list(ids))
            return super().around(ids, reach_ft)

    planner = Planner(Counted(stock.inputs, stock.inventory, stock.setting), keep=2)
    one, two, three = stock.inventory.buildings["building_id"].tolist()[:3]
    for name in (one, two, one, three, one, two):
        planner.plan([Scenario(name)])
    framed = [ids[0] for ids in asked]
    # Two are kept, those asked for last: the first stays at hand throughout, the second has to come anew.
    assert list(dict.fromkeys(framed)) == [one, two, three]
    assert [name for name, before in pairwise([*framed, ""]) if name != before] == [one, two, three, two]


def test_a_synthetic_district_is_planned_as_its_build_plans_it(tmp_path: Path) -> None:
    stock, tables, problems = planned(read_district(write_district(120, tmp_path)))
    ids = stock.inventory.buildings["building_id"].tolist()
    planner = Planner(stock)
    for first in range(0, len(ids), 7):
        for answer in planner.plan([Scenario(name) for name in ids[first : first + 7]]):
            assert_of_the_build(answer, tables, problems)
