"""What single buildings are planned by comes back from the file as it went in, and nothing near is missed."""

from __future__ import annotations

import contextlib
import datetime
import json
import sqlite3
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from roofplat import build
from roofplat.district import District, read_district
from roofplat.errors import DistrictFileError, LayerError
from roofplat.pipeline.planning import plan_district, silent, stock_rows
from roofplat.publish.layers import write_layers
from roofplat.publish.parts import Parts
from roofplat.publish.stock import STOCK_LAYERS, FileStock, StockRows, stock_tables, write_stock
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform, empty

from .conftest import AS_OF

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml"
STOCK_TABLES = ("roofs", "obstacles", "ground")


@pytest.fixture(scope="module")
def district() -> District:
    return read_district(DEMO)


@pytest.fixture(scope="module")
def planned(district: District) -> Any:
    return plan_district(district, area=None, wind_from_deg=None, workers=1, day=AS_OF, say=silent)


@pytest.fixture(scope="module")
def rows(planned: Any) -> StockRows:
    return stock_rows(planned)


def write(rows: StockRows, district: District, planned: Any, path: Path, **other: Any) -> Path:
    said = {"wind_from_deg": 225.0, "wind_basis": "given", "as_of": AS_OF} | other
    parts = Parts.of(stock_tables(rows))
    return write_stock(parts, path, district=district, rules=planned.rules, ground=planned.ground, **said)


@pytest.fixture(scope="module")
def file(rows: StockRows, district: District, planned: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(rows, district, planned, tmp_path_factory.mktemp("stock") / "planner.gpkg")


@pytest.fixture
def stock(file: Path) -> Any:
    opened = FileStock.open(file)
    yield opened
    opened.close()


def named(tables: dict[str, Any]) -> dict[str, Any]:
    """The tables as the file has them: streets without a name are left out."""
    streets = tables["streets"]
    with_name = streets["name"].notna() & (streets["name"].str.strip() != "")
    return {**tables, "streets": streets[with_name]}


def near_by_hand(frame: gpd.GeoDataFrame, box: Any, reach: float) -> set[int]:
    """Rows whose boxes lie within a reach of a box, by a plain loop."""
    west, south, east, north = box
    found = set()
    for row, shape in enumerate(frame.geometry):
        minx, miny, maxx, maxy = shape.bounds
        apart = max(west - maxx, minx - east, 0.0), max(south - maxy, miny - north, 0.0)
        if max(apart) <= reach:
            found.add(row)
    return found


def test_the_setting_comes_back(stock: FileStock, planned: Any, district: District) -> None:
    setting = stock.setting
    assert setting.district == district.name
    assert setting.crs == planned.inputs.working_crs
    assert {key: rule.value for key, rule in setting.rules.rules.items()} == {
        key: rule.value for key, rule in planned.rules.rules.items()
    }
    assert [rule.id for rule in setting.rules.overridden] == [rule.id for rule in planned.rules.overridden]
    assert set(setting.rules.families) == set(planned.rules.families)
    assert setting.ground == planned.ground
    assert (setting.wind_from_deg, setting.wind_basis) == (225.0, "given")
    assert setting.as_of == AS_OF
    assert setting.paper == district.sheets.paper


@pytest.mark.parametrize("name", [name for name in STOCK_LAYERS if name != "yards"])
def test_every_row_of_the_whole_district_comes_back_as_it_went(
    stock: FileStock, rows: StockRows, name: str
) -> None:
    ids = rows.roofs["building_id"].unique().tolist()
    back = stock.around(ids, 1e6)
    field = "walls" if name == "drawn_walls" else name
    went, came = named(stock_tables(rows))[name], getattr(back, field)
    if name == "obstacles":
        assert went["building_id"].isna().any(), "the demo has lines over no building"
    assert len(went) > 0 or name == "drawn_walls"
    assert_geodataframe_equal(came, went.reset_index(drop=True), check_like=False)
    assert came.crs == rows.roofs.crs
    if name in TABLES:
        assert_geodataframe_equal(came, conform(name, came))


def test_what_is_near_is_there_and_the_own_comes_first(stock: FileStock, rows: StockRows) -> None:
    units = stock.setting.units_per_ft
    every = rows.roofs["building_id"].unique()
    reach = 70.0
    for name in every[:: max(len(every) // 25, 1)]:
        back = stock.around([name], reach)
        own = rows.roofs["building_id"] == name
        box = rows.roofs[own].total_bounds
        assert back.roofs["section_id"].tolist()[: own.sum()] == rows.roofs.loc[own, "section_id"].tolist()
        others = rows.roofs[~own]
        wanted = {others["section_id"].iloc[row] for row in near_by_hand(others, box, reach * units)}
        assert set(back.roofs["section_id"][own.sum() :]) >= wanted
        assert back.roofs["section_id"][own.sum() :].is_monotonic_increasing
        free = rows.obstacles[rows.obstacles["building_id"].isna()]
        wanted = {free["obstacle_id"].iloc[row] for row in near_by_hand(free, box, reach * units)}
        wanted |= set(rows.obstacles.loc[rows.obstacles["building_id"] == name, "obstacle_id"])
        assert wanted <= set(back.obstacles["obstacle_id"])
        assert set(back.obstacles["building_id"].dropna()) <= {name}
        wanted = {rows.ground["ground_id"].iloc[row] for row in near_by_hand(rows.ground, box, reach * units)}
        assert wanted <= set(back.ground["ground_id"])
        assert set(back.fires["building_id"]) == set(every) & {name} & set(rows.fires["building_id"])
        # Less than everything: the file is not read as a whole.
        assert len(back.roofs) < len(rows.roofs) / 3


def test_several_buildings_come_in_the_order_asked_for(stock: FileStock, rows: StockRows) -> None:
    names = rows.roofs["building_id"].unique()[[7, 2, 11]].tolist()
    back = stock.around([*names, names[0]], 10.0)
    own = back.roofs[back.roofs["building_id"].isin(names)]
    assert own["building_id"].drop_duplicates().tolist() == names
    assert own.index.tolist() == list(range(len(own)))
    assert back.roofs["section_id"].is_unique


@given(data=st.data())
def test_the_nearest_street_of_any_place_of_a_building_is_there(
    data: st.DataObject, file: Path, rows: StockRows
) -> None:
    with contextlib.closing(FileStock.open(file)) as stock:
        name = data.draw(st.sampled_from(sorted(set(rows.roofs["building_id"]))))
        streets = named(stock_tables(rows))["streets"].geometry.to_numpy()
        reach = data.draw(st.sampled_from([0.0, 30.0, 400.0]))
        near = stock.around([name], reach).streets.geometry.to_numpy()
        box = rows.roofs[rows.roofs["building_id"] == name].total_bounds
        share = st.floats(0, 1)
        at = box[:2] + np.array([data.draw(share), data.draw(share)]) * (box[2:] - box[:2])
        place = shapely.Point(*at)
        assert shapely.distance(place, near).min() == shapely.distance(place, streets).min()


def test_a_street_far_away_is_found_and_one_without_a_name_is_not(
    rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    west, south, *_ = rows.roofs.total_bounds
    lines = [
        shapely.LineString([(west, south - 40_000.0), (west + 10.0, south - 40_000.0)]),
        shapely.LineString([(west, south - 10.0), (west + 10.0, south - 10.0)]),
        shapely.LineString([(west, south - 9.0), (west + 10.0, south - 9.0)]),
    ]
    streets = gpd.GeoDataFrame(
        {"name": pd.Series(["Far", "  ", None], dtype="str")}, geometry=lines, crs=rows.roofs.crs
    )
    changed = StockRows(rows.roofs, rows.obstacles, rows.ground, streets, rows.walls, rows.fires)
    with contextlib.closing(FileStock.open(write(changed, district, planned, tmp_path / "p.gpkg"))) as stock:
        back = stock.around([rows.roofs["building_id"].iloc[0]], 30.0)
    assert back.streets["name"].tolist() == ["Far"]


def test_a_district_with_nothing_but_one_roof(
    rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    alone = StockRows(
        rows.roofs.iloc[:1],
        rows.obstacles.iloc[:0],
        rows.ground.iloc[:0],
        rows.streets.iloc[:0],
        # As the intake hands it on where nobody drew a wall: without a CRS.
        gpd.GeoDataFrame({"kind": [], "basis": []}, geometry=gpd.GeoSeries([])),
        rows.fires.iloc[:0],
    )
    name = rows.roofs["building_id"].iloc[0]
    with contextlib.closing(FileStock.open(write(alone, district, planned, tmp_path / "p.gpkg"))) as stock:
        back = stock.around([name], 500.0)
        assert len(back.roofs) == 1
        for field in ("obstacles", "ground", "streets", "walls", "fires"):
            frame = getattr(back, field)
            assert frame.empty
            assert frame.crs == rows.roofs.crs
        assert {str(kind) for kind in back.streets.dtypes} == {"str", "geometry"}


def test_a_building_that_is_not_there_is_told_with_those_like_it(stock: FileStock, rows: StockRows) -> None:
    name = rows.roofs["building_id"].iloc[5]
    with pytest.raises(DistrictFileError, match="There is no building") as told:
        stock.around([rows.roofs["building_id"].iloc[0], name + "x"], 10.0)
    assert name in str(told.value)
    hostile = "' OR 1=1; --\x00" + "9" * 500
    with pytest.raises(DistrictFileError, match="the map and ranking"):
        stock.around([hostile], 10.0)
    assert len(stock.around([name], 0.0).roofs) >= 1


def test_same_rows_same_bytes_and_another_build_another_name(
    file: Path, rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    again = write(rows, district, planned, tmp_path / "planner.gpkg")
    assert again.read_bytes() == file.read_bytes()
    names = {FileStock.open(file).setting.build}
    moved = StockRows(
        rows.roofs.set_geometry(rows.roofs.geometry.translate(1e-6)),
        rows.obstacles,
        rows.ground,
        rows.streets,
        rows.walls,
        rows.fires,
    )
    other = tmp_path / "other.gpkg"
    layers = tmp_path / "layers.gpkg"
    for changed, said in (
        (moved, {}),
        (rows, {"wind_from_deg": 226.0}),
        (rows, {"as_of": AS_OF + datetime.timedelta(days=1)}),
        (rows, {"layers": layers}),
    ):
        write_layers(Parts.of({"paths": empty("paths", rows.roofs.crs)}), layers)
        names.add(FileStock.open(write(changed, district, planned, other, **said)).setting.build)
    write_layers(Parts.of({"checks": empty("checks", rows.roofs.crs)}), layers)
    names.add(FileStock.open(write(rows, district, planned, other, layers=layers)).setting.build)
    assert len(names) == 6


def test_rules_and_families_of_the_department_come_back(
    rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    families = {"barn": {"like": "unknown", "label": "Barn", "caution": "Hay.", "severity": 0.9}}
    own = district.model_copy(update={"families": families, "rules": {}})
    said = {"ladder.stock_ft": [24.0, 35.0], "family.barn.severity": 0.4}
    rules = load_rulebook(said, families)
    path = write_stock(
        Parts.of(stock_tables(rows)),
        tmp_path / "planner.gpkg",
        district=own,
        rules=rules,
        ground=planned.ground,
        wind_from_deg=0.0,
        wind_basis="assumed",
        as_of=AS_OF,
    )
    back = FileStock.open(path).setting.rules
    assert {rule.id: rule.value for rule in back.overridden} == said
    assert back.families == rules.families


def test_it_says_the_caution_and_has_indexes(file: Path) -> None:
    with contextlib.closing(sqlite3.connect(file)) as base:
        told = json.loads(base.execute("SELECT json FROM setting").fetchone()[0])
        names = {name for (name,) in base.execute("SELECT name FROM sqlite_master")}
        how = base.execute(
            "EXPLAIN QUERY PLAN SELECT fid FROM obstacles WHERE building_id IN "
            "(SELECT value FROM json_each('[]'))"
        ).fetchall()
    assert "outrank" in told["caution"]
    assert {"roofs_building_id", "obstacles_building_id", "fires_building_id"} <= names
    assert {f"rtree_{name}_geom" for name in STOCK_LAYERS} <= names
    assert "obstacles_building_id" in how[0][-1]
    assert gpd.read_file(file, layer="roofs").crs is not None


def test_a_file_that_took_its_place_is_noticed_and_the_old_one_still_read(
    file: Path, rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    path = tmp_path / "planner.gpkg"
    path.write_bytes(file.read_bytes())
    name = rows.roofs["building_id"].iloc[0]
    with contextlib.closing(FileStock.open(path)) as stock:
        assert stock.fresh()
        write(rows, district, planned, path, wind_from_deg=10.0)
        assert not stock.fresh()
        assert stock.setting.wind_from_deg == 225.0
        assert len(stock.around([name], 10.0).roofs) > 0
        with contextlib.closing(FileStock.open(path)) as later:
            assert later.fresh()
            assert later.setting.wind_from_deg == 10.0
        path.unlink()
        assert not stock.fresh()


@pytest.mark.parametrize(
    "content", [b"", b"no database at all, whatever it is called", b"SQLite format 3\x00"]
)
def test_what_is_no_stock_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "planner.gpkg"
    path.write_bytes(content)
    with pytest.raises(LayerError, match="build it again"):
        FileStock.open(path)


def test_a_stock_that_was_cut_off_is_refused_in_a_sentence(file: Path, tmp_path: Path) -> None:
    path = tmp_path / "planner.gpkg"
    whole = file.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(LayerError, match="build it again"):
        FileStock.open(path).around(["1"], 10.0)


@pytest.mark.parametrize(
    "change", ["geom = x'4750'", "geom = substr(geom, 1, 60)", "geom = 7", "area_ft2 = x'00'", "part = 'one'"]
)
def test_a_stock_that_is_damaged_deep_inside_is_told(
    change: str, file: Path, rows: StockRows, tmp_path: Path
) -> None:
    path = tmp_path / "planner.gpkg"
    path.write_bytes(file.read_bytes())
    names = rows.roofs["building_id"].unique()
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        triggers = base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (trigger,) in triggers:
            base.execute(f'DROP TRIGGER "{trigger}"')
        base.execute(f"UPDATE roofs SET {change} WHERE building_id = ?", (names[9],))
    with contextlib.closing(FileStock.open(path)) as stock:
        with pytest.raises(LayerError, match="build it again"):
            stock.around([names[9]], 0.0)
        assert len(stock.around([names[-1]], 0.0).roofs) >= 1


def test_a_stock_of_another_version_is_told(file: Path, rows: StockRows, tmp_path: Path) -> None:
    """What was written before a column came along used to end in a traceback."""
    path = tmp_path / "planner.gpkg"
    path.write_bytes(file.read_bytes())
    with contextlib.closing(sqlite3.connect(path)) as base:
        base.execute("ALTER TABLE roofs DROP COLUMN building_occupancy")
        base.commit()
    with contextlib.closing(FileStock.open(path)) as stock:
        wanted = "no column building_occupancy in roofs: another version .* build it again"
        with pytest.raises(LayerError, match=wanted):
            stock.around([rows.roofs["building_id"].iloc[0]], 0.0)


def test_the_crs_may_be_one_without_a_code(
    rows: StockRows, district: District, planned: Any, tmp_path: Path
) -> None:
    own = CRS.from_proj4("+proj=tmerc +lat_0=40 +lon_0=-105 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=us-ft")
    frames = {
        name: getattr(rows, name).set_crs(own, allow_override=True)
        for name in ("roofs", "obstacles", "ground", "streets", "walls", "fires")
    }
    path = write(StockRows(**frames), district, planned, tmp_path / "planner.gpkg")
    assert FileStock.open(path).setting.crs == own


def test_a_build_of_one_area_keeps_the_neighbours_of_all(
    rows: StockRows, district: District, tmp_path: Path
) -> None:
    made = build(district, out=tmp_path, area="Kiln Yards", as_of=AS_OF)
    assert tmp_path / "planner.gpkg" in made.files
    told = json.loads((tmp_path / "build.json").read_text("utf-8"))
    assert "planner.gpkg" in told["outputs"]
    beyond = set(rows.roofs["building_id"]) - set(made.tables["buildings"]["building_id"])
    assert beyond
    with contextlib.closing(FileStock.open(tmp_path / "planner.gpkg")) as stock:
        assert (stock.setting.wind_from_deg, stock.setting.wind_basis) == (
            told["wind"]["from_deg"],
            told["wind"]["basis"],
        )
        back = stock.around(sorted(beyond), 0.0)
    assert set(back.roofs["building_id"]) >= beyond
