"""Plans of a few buildings beside those of the whole build.

In: the demo district as a stock in memory, and its build.
Out: asserts that the planner draws what the build draws, and follows what is asked.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.district import read_district
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


@pytest.fixture(scope="module")
def district() -> tuple[MemoryStock, dict[str, Any], pd.DataFrame]:
    """The demo, and its build."""
    district = read_district(DEMO)
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
        build="demo",
    )
    tables, problems = draw_plans(inputs, inventory, rules, ground, district)
    return MemoryStock(inputs, inventory, setting), tables, problems


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
