"""The stock in a database beside the stock in the file of the same build."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from tests.postgres import OWNER, Database

from roofplat.errors import DatabaseError, DistrictFileError
from roofplat.pipeline.scenarios import Planner, Scenario
from roofplat.publish.database import read_address
from roofplat.publish.database_stock import DatabaseStock
from roofplat.publish.stock import FileStock, StockRows

pytestmark = pytest.mark.database


@pytest.fixture
def stocks(demo_database: tuple[Database, Path]) -> Iterator[tuple[DatabaseStock, FileStock]]:
    database, folder = demo_database
    stored = DatabaseStock.open(read_address(database.url), query_seconds=20.0)
    filed = FileStock.open(folder / "planner.gpkg")
    yield stored, filed
    stored.close()
    filed.close()


def ids_of(demo_database: tuple[Database, Path]) -> list[str]:
    return demo_database[0].sql("SELECT building_id FROM roofplat.buildings ORDER BY fid").splitlines()


def test_both_hold_the_same_setting(stocks: tuple[DatabaseStock, FileStock]) -> None:
    stored, filed = (stock.setting for stock in stocks)
    names = {entry.name for entry in dataclasses.fields(stored)} - {"rules"}
    assert {name: getattr(stored, name) for name in names} == {name: getattr(filed, name) for name in names}
    assert stored.rules.overridden == filed.rules.overridden


def test_both_give_the_same_rows_around_any_building(
    stocks: tuple[DatabaseStock, FileStock], demo_database: tuple[Database, Path]
) -> None:
    """Row by row, type by type, bit by bit; what lies farther off may be more in one than in the other."""
    stored, filed = stocks
    ids = ids_of(demo_database)
    with_fires = demo_database[0].sql("SELECT building_id FROM roofplat.planner_fires").splitlines()
    groups = [*([name] for name in [*ids[::7], *with_fires]), ids[3::-1], [ids[-1], *ids[10:40:7], ids[0]]]
    seen = dict.fromkeys((entry.name for entry in dataclasses.fields(StockRows)), 0)
    for group in groups:
        ours, theirs = stored.around(group, 200.0), filed.around(group, 200.0)
        own = theirs.roofs[theirs.roofs["building_id"].isin(group)]
        reach = 200.0 * filed.setting.units_per_ft
        bounds = own.dissolve("building_id").bounds.to_numpy() + np.array([-reach, -reach, reach, reach])
        boxes = shapely.box(*bounds.T)
        for name in seen:
            one, other = (_in_boxes(getattr(rows, name), boxes, group) for rows in (ours, theirs))
            assert one.crs == other.crs
            assert shapely.equals_exact(one.geometry.to_numpy(), other.geometry.to_numpy(), 0.0).all()
            pd.testing.assert_frame_equal(
                pd.DataFrame(one.drop(columns="geometry")), pd.DataFrame(other.drop(columns="geometry"))
            )
            seen[name] += len(one)
    # Nobody has drawn walls in the demo.
    assert seen.pop("walls") == 0
    assert all(seen.values()), seen


def _in_boxes(rows: gpd.GeoDataFrame, boxes: np.ndarray, own: list[str]) -> gpd.GeoDataFrame:
    """Rows that have to be there; an index in single precision may let in a few from just outside."""
    outer = shapely.box(*rows.bounds.to_numpy().T)
    near = shapely.intersects(outer[:, None], boxes[None]).any(axis=1)
    if "building_id" in rows:
        near |= rows["building_id"].isin(own).to_numpy()
    return rows[near].reset_index(drop=True)


def test_both_lead_to_the_same_plans(
    stocks: tuple[DatabaseStock, FileStock], demo_database: tuple[Database, Path]
) -> None:
    ids = ids_of(demo_database)
    asked = [Scenario(name, wind_from_deg=17.0 * place) for place, name in enumerate(ids[::26])]
    ours, theirs = (Planner(stock).plan(asked) for stock in stocks)
    rows = 0
    for one, other in zip(ours, theirs, strict=True):
        assert set(one.tables) == set(other.tables)
        for name, frame in one.tables.items():
            assert frame.equals(other.tables[name]), (one.scenario, name)
            rows += len(frame)
    assert rows > 400


def test_a_building_that_is_not_there_is_named_with_its_neighbours(
    stocks: tuple[DatabaseStock, FileStock], demo_database: tuple[Database, Path]
) -> None:
    ids = ids_of(demo_database)
    for strange in (f"{ids[0]}x", "'; DROP TABLE roofs; --", "", "%s", "ü"):
        said = []
        for stock in stocks:
            with pytest.raises(DistrictFileError, match="There is no building") as fault:
                stock.around([ids[0], strange], 100.0)
            said.append(str(fault.value))
        assert said[0] == said[1]
    assert ids[0] in str(said) or len(ids) > 400


def test_a_stock_of_another_build_is_never_mixed_with_this_one(demo_database: tuple[Database, Path]) -> None:
    database, _ = demo_database
    named = "UPDATE roofplat.planner_setting SET json = jsonb_set(json::jsonb, '{{build}}', '\"{}\"')::text"
    stock = DatabaseStock.open(read_address(database.url), query_seconds=20.0)
    (name, build) = ids_of(demo_database)[0], stock.setting.build
    assert stock.fresh()
    try:
        database.sql(named.format("another"))
        assert not stock.fresh()
        with pytest.raises(DatabaseError, match="built anew this moment; ask again"):
            stock.around([name], 100.0)
    finally:
        database.sql(named.format(build))
    assert stock.fresh()
    assert len(stock.around([name], 100.0).roofs)
    # A connection that was cut is no stock any more, and says so.
    database.sql(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = '{OWNER}'")
    with pytest.raises(DatabaseError, match="cannot be reached now"):
        stock.around([name], 100.0)
    assert not stock.fresh()
    stock.close()


def test_a_database_without_a_build_is_no_stock(database: Database) -> None:
    with pytest.raises(DatabaseError, match="holds no build that can be read"):
        DatabaseStock.open(read_address(database.url), query_seconds=20.0)
