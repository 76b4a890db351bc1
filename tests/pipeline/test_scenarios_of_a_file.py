"""Buildings planned out of `planner.gpkg`, or of a database: what lies far off and still counts is there."""

from __future__ import annotations

import contextlib
import datetime
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.district import District
from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.pipeline.scenarios import Planner, Scenario
from roofplat.placing import place_plans
from roofplat.publish.parts import Parts
from roofplat.publish.stock import FileStock, Stock, StockRows, setting_told, stock_tables, write_stock
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform, empty
from roofplat.venting import vent_rows

from .test_scenarios import assert_same

CRS = "EPSG:32613"
FOOT_M = 0.3048
EAST, NORTH = 500_000.0, 4_400_000.0
RULES, GROUND = load_rulebook(), Ground(FOOT_M, None)


def at_feet(shape: Any) -> Any:
    """A shape drawn in feet, in the working CRS."""
    return shapely.transform(shape, lambda points: points * FOOT_M + [EAST, NORTH])


def roofs_of(shapes: list[Any], **said: Any) -> gpd.GeoDataFrame:
    names = [f"B-{number:03d}" for number in range(len(shapes))]
    frame = pd.DataFrame(
        {
            "building_id": names,
            "section_id": [f"{name}-1" for name in names],
            "part": 1,
            "area_ft2": [shape.area for shape in shapes],
            "undivided_ft2": [shape.area for shape in shapes],
            **said,
        }
    ).reindex(columns=[*TABLES["roofs"].columns])
    return conform("roofs", frame, geometry=np.array([at_feet(shape) for shape in shapes]), crs=CRS)


def streets_of(**lines: Any) -> gpd.GeoDataFrame:
    shapes = [at_feet(shapely.LineString(line)) for line in lines.values()]
    names = pd.Series(list(lines), dtype="str").str.replace("_", " ")
    return gpd.GeoDataFrame({"name": names}, geometry=shapes, crs=CRS)


def nothing(*columns: str) -> gpd.GeoDataFrame:
    text = {name: pd.Series([], dtype="str") for name in columns}
    return gpd.GeoDataFrame(text, geometry=gpd.GeoSeries([], crs=CRS))


def rows_of(roofs: gpd.GeoDataFrame, streets: gpd.GeoDataFrame) -> StockRows:
    return StockRows(
        roofs=roofs,
        obstacles=empty("obstacles", CRS),
        ground=empty("ground", CRS),
        streets=streets,
        walls=nothing("kind", "basis"),
        fires=nothing("building_id"),
    )


def written(rows: StockRows, folder: Path) -> Path:
    return write_stock(
        Parts.of(stock_tables(rows)),
        folder / "planner.gpkg",
        district=District.model_validate(
            {"name": "Invented", "folder": folder, "footprints": {"file": folder / "roofs.gpkg"}}
        ),
        rules=RULES,
        ground=GROUND,
        wind_from_deg=250.0,
        wind_basis="assumed",
        as_of=datetime.date(2026, 1, 1),
    )


def assert_as_in_the_whole(rows: StockRows, names: list[str], stock: Stock) -> dict[str, Any]:
    """Each building out of the stock has the plan that it has in the whole district."""
    framing = frame_roofs(rows.roofs, rows.streets, RULES, GROUND, rows.walls)
    plan = place_plans(
        framing,
        rows.roofs,
        rows.obstacles,
        rows.fires,
        RULES,
        wind_from_deg=250.0,
        wind_basis="assumed",
        streets=rows.streets,
        ground=rows.ground,
    )
    venting = vent_rows(framing, rows.roofs, rows.obstacles, plan.sections, plan.late, RULES)
    planner = Planner(stock)
    found = {}
    for name in names:
        (answer,) = planner.plan([Scenario(name)])
        for table, ours in answer.tables.items():
            if table in ("problems", "obstacles"):
                continue
            of = plan if hasattr(plan, table) else framing
            theirs = venting if table == "venting" else getattr(of, table)
            theirs = theirs[theirs["building_id"] == name].reset_index(drop=True)
            assert_same(ours, theirs, f"{name} {table}")
        found[name] = answer.tables
    return found


@pytest.fixture(params=["file", pytest.param("database", marks=pytest.mark.database)])
def opened(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[StockRows], Stock]]:
    """Writes rows, and opens them as a stock."""
    with contextlib.ExitStack() as ends:

        def make(rows: StockRows) -> Stock:
            path = written(rows, tmp_path)
            stock: Stock = FileStock.open(path)
            if request.param == "database":
                from roofplat.publish.database import read_address, stored_tables, write_database
                from roofplat.publish.database_stock import DatabaseStock

                ends.enter_context(contextlib.closing(stock))
                address = read_address(request.getfixturevalue("database").url)
                stocked = Parts.of(stock_tables(rows))
                write_database(stored_tables(Parts.of({}), stocked, setting_told(path), None), address)
                stock = DatabaseStock.open(address, query_seconds=20.0)
            ends.enter_context(contextlib.closing(stock))
            return stock

        yield make


def test_the_street_of_an_address_counts_as_far_as_the_rules_say(
    opened: Callable[[StockRows], Stock],
) -> None:
    reach = RULES.number("wall.address_reach_ft")
    roofs = roofs_of(
        [shapely.box(0, 0, 80, 50)], address="12 Oak Street", roof_family="panelized_wood", height_ft=20.0
    )
    streets = streets_of(
        Elm_Street=[(-500, -40), (500, -40)], Oak_Street=[(-500, reach - 20), (500, reach - 20)]
    )
    rows = rows_of(roofs, streets)
    found = assert_as_in_the_whole(rows, ["B-000"], opened(rows))
    walls = found["B-000"]["walls"]
    front = walls.loc[walls["side"] == "A", "outward_deg"].to_numpy()
    # North, to the street that the address names, and not south to the one before the door.
    assert np.cos(np.radians(front)) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("side_ft", [400.0, 900.0])
def test_a_yard_closed_by_many_houses_is_closed_however_large(
    side_ft: float, opened: Callable[[StockRows], Stock]
) -> None:
    """Nobody gets into such a yard with a ladder: each house is reached from the street alone."""
    count, deep = 8, 40.0
    wide = side_ft / count
    row = [shapely.box(n * wide, 0, (n + 1) * wide, deep) for n in range(count)]
    ring = [
        *row,
        *(shapely.box(b.bounds[0], side_ft - deep, b.bounds[2], side_ft) for b in row),
        *(shapely.box(0, deep + n * wide, deep, deep + (n + 1) * wide) for n in range(count - 2)),
        *(
            shapely.box(side_ft - deep, deep + n * wide, side_ft, deep + (n + 1) * wide)
            for n in range(count - 2)
        ),
    ]
    # What the side rows lack up to the upper one.
    top = deep + (count - 2) * wide
    ring += [
        shapely.box(0, top, deep, side_ft - deep),
        shapely.box(side_ft - deep, top, side_ft, side_ft - deep),
    ]
    # A house of its own in the yard, and one beyond the street.
    ring += [shapely.box(side_ft / 2, side_ft / 2, side_ft / 2 + 20, side_ft / 2 + 20)]
    ring += [shapely.box(0, -200, 60, -160)]
    roofs = roofs_of(ring, roof_family="panelized_wood", height_ft=20.0)
    streets = streets_of(
        South=[(-900, -60), (1900, -60)],
        North=[(-900, side_ft + 60), (1900, side_ft + 60)],
    )
    names = roofs["building_id"].tolist()
    wanted = [names[3], names[12], names[-2], names[-1]]
    rows = rows_of(roofs, streets)
    found = assert_as_in_the_whole(rows, wanted, opened(rows))
    ladders = found[names[3]]["ladders"]
    assert len(ladders)
    base = shapely.get_point(ladders.geometry.to_numpy(), 0)
    yard = at_feet(shapely.box(deep, deep, side_ft - deep, side_ft - deep))
    assert not shapely.contains(yard, base).any()


def test_a_house_of_its_own_in_a_yard_that_others_close_has_no_ladder(
    opened: Callable[[StockRows], Stock],
) -> None:
    """It touches none of those that close its yard."""
    shapes = [
        shapely.box(0, 0, 400, 40),
        shapely.box(0, 360, 400, 400),
        shapely.box(0, 40, 40, 360),
        shapely.box(360, 40, 400, 360),
        shapely.box(170, 170, 230, 230),
        # The same house where the yard has a way in.
        shapely.box(570, 170, 630, 230),
    ]
    roofs = roofs_of(shapes, roof_family="panelized_wood", height_ft=20.0)
    rows = rows_of(roofs, streets_of(South=[(-900, -60), (1900, -60)]))
    found = assert_as_in_the_whole(rows, ["B-004", "B-005"], opened(rows))
    assert not len(found["B-004"]["ladders"])
    assert len(found["B-005"]["ladders"]) == 2
