"""Layers asked over the web are those of the build: every row in its place, none unasked."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer

from roofplat.publish.layers import LAYER_IDS, caution_of, write_layer, write_layers
from roofplat.publish.parts import Parts
from roofplat.tables import CAUTION, TABLES

pytest.importorskip("pygeoapi")

from pygeoapi.plugin import load_plugin
from pygeoapi.provider.base import (
    ProviderGenericError,
    ProviderInvalidQueryError,
    ProviderItemNotFoundError,
)

from roofplat.serve.layers import GeoPackageLayer, LayerBusyError, collections
from roofplat.serve.packages import package_of

LONLAT = "OGC:CRS84"


@pytest.fixture(scope="session")
def file(demo_build: Path) -> Path:
    return demo_build / "layers.gpkg"


@pytest.fixture(scope="session")
def frames(file: Path) -> dict[str, Any]:
    """Every layer as another program reads it, geometry in longitude and latitude."""
    read = {name: pyogrio.read_dataframe(file, layer=name) for name, _ in pyogrio.list_layers(file).tolist()}
    return {
        name: frame.to_crs(LONLAT) if isinstance(frame, gpd.GeoDataFrame) else frame
        for name, frame in read.items()
    }


def layer(file: Path, name: str, **other: Any) -> GeoPackageLayer:
    (found,) = [one for one in collections(file) if one["id"] == name]
    provider: GeoPackageLayer = load_plugin("provider", {**found["provider"], **other})
    return provider


def ids(page: dict[str, Any]) -> list[Any]:
    return [feature["id"] for feature in page["features"]]


def names(file: Path) -> list[str]:
    return [name for name, _ in pyogrio.list_layers(file).tolist()]


def test_every_layer_is_a_collection(file: Path, frames: dict[str, Any]) -> None:
    made = {one["id"]: one for one in collections(file)}
    assert set(made) == set(names(file))
    assert list(made)[:2] == ["buildings", "sections"]
    whole = frames["areas"].total_bounds
    for name, one in made.items():
        assert one["title"]
        assert len(one["description"]) > 10
        west, south, east, north = one["extent"]
        bounds = frames[name].total_bounds if isinstance(frames[name], gpd.GeoDataFrame) else whole
        assert west <= bounds[0] + 1e-6
        assert south <= bounds[1] + 1e-6
        assert east >= bounds[2] - 1e-6
        assert north >= bounds[3] - 1e-6
        assert -180 <= west < east <= 180
        if isinstance(frames[name], gpd.GeoDataFrame):
            assert layer(file, name).query(bbox=one["extent"])["numberMatched"] == len(frames[name])
        # What pygeoapi is told is plain data.
        assert json.loads(json.dumps(one)) == one


def test_pages_together_are_the_layer(file: Path, frames: dict[str, Any]) -> None:
    for name, frame in frames.items():
        found, offset = [], 0
        provider = layer(file, name)
        while page := provider.query(offset=offset, limit=137)["features"]:
            found += page
            offset += len(page)
        assert len(found) == len(frame), name
        text = json.dumps(found, allow_nan=False)
        assert json.loads(text) == found
        assert len({feature["id"] for feature in found}) == len(frame), name
        for column in frame.columns.drop("geometry", errors="ignore"):
            told = pd.Series([feature["properties"][column] for feature in found], dtype=object)
            held = frame[column]
            if held.dtype.kind == "M":
                held = held.dt.strftime("%Y-%m-%d")
            assert told.isna().tolist() == held.isna().tolist(), (name, column)
            assert told.dropna().tolist() == held.dropna().tolist(), (name, column)
        key = LAYER_IDS.get(name)
        if key is not None:
            assert [feature["id"] for feature in found] == frame[key].tolist()
        if isinstance(frame, gpd.GeoDataFrame):
            told = shapely.from_geojson([json.dumps(feature["geometry"]) for feature in found])
            held = frame.geometry.to_numpy()
            assert shapely.get_type_id(told).tolist() == shapely.get_type_id(held).tolist()
            # Half of the seventh decimal, and what a long line may turn by it.
            assert shapely.hausdorff_distance(told, held).max() < 1e-7, name
            outer = shapely.get_exterior_ring(shapely.get_parts(told))
            assert shapely.is_ccw(outer[~shapely.is_missing(outer)]).all()
        else:
            assert all(feature["geometry"] is None for feature in found)


def test_types_are_told_as_json_schema_has_them(file: Path) -> None:
    fields = layer(file, "buildings").fields
    meanings = {name: column.meaning for name, column in TABLES["buildings"].columns.items()}
    assert {name: said.pop("description") for name, said in fields.items()} == meanings
    assert fields["height_ft"].pop("x-ogc-unit") == "ft"
    assert fields["building_id"] == {"type": "string"}
    assert fields["storeys"] == {"type": "integer"}
    assert fields["height_ft"] == {"type": "number"}
    assert fields["sprinklered"] == {"type": "boolean"}
    assert fields["surveyed_on"] == {"type": "string", "format": "date"}
    assert fields["height_basis"]["values"] == list(TABLES["buildings"].columns["height_basis"].allowed)
    assert list(fields) == list(TABLES["buildings"].columns)
    assert "dispatch_area" in layer(file, "members").fields


@settings(max_examples=60)
@given(data=st.data())
def test_a_box_selects_what_a_plain_look_selects(
    data: st.DataObject, file: Path, frames: dict[str, Any]
) -> None:
    name = data.draw(st.sampled_from(["buildings", "members", "obstacles", "streets", "stations", "cuts"]))
    frame = frames[name]
    west, south, east, north = frames["areas"].total_bounds
    share = st.floats(-0.2, 1.2)
    x = sorted(west + data.draw(share) * (east - west) for _ in range(2))
    y = sorted(south + data.draw(share) * (north - south) for _ in range(2))
    box = [x[0], y[0], x[1], y[1]]
    page = layer(file, name).query(bbox=box, limit=10_000)
    area = shapely.box(*box)
    # Within a millimetre of the edge either answer is right: straight lines are not straight on another map.
    touching = shapely.dwithin(frame.geometry.to_numpy(), shapely.boundary(area), 1e-8)
    wanted = frame.geometry.intersects(area).to_numpy()
    key = frame[LAYER_IDS[name]] if name in LAYER_IDS else pd.Series(np.arange(1, len(frame) + 1))
    told = key.isin(ids(page)).to_numpy()
    assert ((told == wanted) | touching).all()
    assert page["numberMatched"] == page["numberReturned"] == told.sum()
    part = layer(file, name).query(bbox=box, limit=5, offset=3)
    assert ids(part) == ids(page)[3:8]
    assert part["numberMatched"] == page["numberMatched"]


@pytest.mark.parametrize("code", [2225, 5070, 3857, 32633, 3413])
def test_in_any_map_a_box_misses_nothing(code: int, frames: dict[str, Any], tmp_path: Path) -> None:
    """Maps whose north is turned, whose units are feet, and whose zone lies far away."""
    path = tmp_path / "layers.gpkg"
    moved = frames["buildings"].to_crs(code)
    write_layer(moved, path, name="buildings", kind="MultiPolygon", description="Outlines", metadata={})
    frame = gpd.read_file(path).to_crs(LONLAT)
    west, south, east, north = frame.total_bounds
    random = np.random.default_rng(code)
    for _ in range(25):
        x = np.sort(random.uniform(west, east, 2))
        y = np.sort(random.uniform(south, north, 2))
        area = shapely.box(x[0], y[0], x[1], y[1])
        page = layer(path, "buildings").query(bbox=[x[0], y[0], x[1], y[1]], limit=1000)
        touching = shapely.dwithin(frame.geometry.to_numpy(), shapely.boundary(area), 1e-8)
        told = frame["building_id"].isin(ids(page)).to_numpy()
        assert ((told == frame.geometry.intersects(area).to_numpy()) | touching).all()
    assert layer(path, "buildings").query(bbox=[-180, -90, 180, 90])["numberMatched"] == len(frame)


def test_boxes_across_the_180th_meridian(frames: dict[str, Any], tmp_path: Path) -> None:
    crs = CRS("EPSG:32660")
    x, y = Transformer.from_crs(LONLAT, crs, always_xy=True).transform(180.0, 52.0)
    own = frames["buildings"].to_crs("EPSG:32611")
    here = own.total_bounds.reshape(2, 2).mean(axis=0)
    moved = own.set_geometry(own.geometry.translate(x - here[0], y - here[1])).set_crs(
        crs, allow_override=True
    )
    path = tmp_path / "layers.gpkg"
    write_layer(moved, path, name="buildings", kind="MultiPolygon", description="Outlines", metadata={})
    lon = Transformer.from_crs(crs, LONLAT, always_xy=True).transform(
        moved.geometry.centroid.x.to_numpy(), moved.geometry.centroid.y.to_numpy()
    )[0]
    (one,) = collections(path)
    assert one["extent"][0] > 179
    assert one["extent"][2] < -179
    ask = layer(path, "buildings").query
    assert ask(bbox=[170.0, 50.0, -170.0, 54.0])["numberMatched"] == len(moved)
    assert ask(bbox=[-180.0, -90.0, 180.0, 90.0])["numberMatched"] == len(moved)
    west, east = ask(bbox=[170.0, 50.0, 180.0, 54.0]), ask(bbox=[-180.0, 50.0, -170.0, 54.0])
    assert 0 < west["numberMatched"] < len(moved)
    assert abs(west["numberMatched"] - (lon > 0).sum()) <= 12
    assert abs(east["numberMatched"] - (lon < 0).sum()) <= 12
    assert west["numberMatched"] + east["numberMatched"] >= len(moved)
    assert ask(bbox=[0.0, 50.0, 170.0, 54.0])["numberMatched"] == 0


@pytest.mark.parametrize(
    "box",
    [
        [0.0, 0.0, 1.0, 1.0],
        [-118.0, 40.0, -118.0, 40.0],
        [1e300, 0.0, 1e301, 1.0],
        [-1e300, -1e300, -1e299, 1e300],
    ],
)
def test_a_box_far_away_holds_nothing(file: Path, box: list[float]) -> None:
    assert layer(file, "buildings").query(bbox=box)["numberMatched"] == 0


@pytest.mark.parametrize(
    "box", [[0.0, 0.0, float("nan"), 1.0], [0.0, 5.0, 1.0, 1.0], [float("inf")] * 4, [1.0]]
)
def test_what_is_no_box_is_refused(file: Path, box: list[float]) -> None:
    with pytest.raises(ProviderInvalidQueryError) as told:
        layer(file, "buildings").query(bbox=box)
    assert told.value.http_status_code == 400
    assert "bbox" in told.value.message


def test_a_box_with_heights_and_one_that_is_a_line_or_a_point(file: Path, frames: dict[str, Any]) -> None:
    place = frames["buildings"].geometry.iloc[40].representative_point()
    ask = layer(file, "buildings").query
    name = frames["buildings"]["building_id"].iloc[40]
    assert ids(ask(bbox=[place.x, place.y, place.x, place.y])) == [name]
    assert name in ids(ask(bbox=[place.x - 0.001, place.y, place.x + 0.001, place.y], limit=1000))
    around = [place.x - 1e-6, place.y - 1e-6, -50.0, place.x + 1e-6, place.y + 1e-6, 9000.0]
    assert ids(ask(bbox=around)) == [name]


def test_a_table_without_places_lies_in_no_box(file: Path) -> None:
    assert layer(file, "facts").query(bbox=[-180, -90, 180, 90])["numberMatched"] == 0
    assert layer(file, "facts").query()["numberMatched"] > 100


def test_rows_are_found_by_area_and_by_any_column(file: Path, frames: dict[str, Any]) -> None:
    area = frames["areas"]["name"].iloc[0]
    buildings = frames["buildings"]
    for name in ("buildings", "members", "facts", "ladders", "survey_next"):
        frame = frames[name]
        page = layer(file, name).query(properties=[("dispatch_area", area)], limit=10_000)
        held = frame["building_id"][frame["dispatch_area"] == area]
        assert [feature["properties"]["building_id"] for feature in page["features"]] == held.tolist()
        inside = buildings["building_id"][buildings["dispatch_area"] == area]
        assert 0 < page["numberMatched"] == frame["building_id"].isin(inside).sum()
    ask = layer(file, "buildings").query
    for column, text, rows in (
        ("storeys", "1", buildings["storeys"] == 1),
        ("sprinklered", "true", buildings["sprinklered"].fillna(0).astype(bool)),
        ("sprinklered", "False", buildings["sprinklered"] == 0),
        ("height_ft", "26", buildings["height_ft"] == 26),
        ("height_ft", "26.0", buildings["height_ft"] == 26),
        ("surveyed_on", "2022-09-07", buildings["surveyed_on"] == "2022-09-07"),
        ("surveyed_on", "2022-09-07T10:00:00Z", buildings["surveyed_on"] == "2022-09-07"),
        ("roof_family", "unknown", buildings["roof_family"] == "unknown"),
    ):
        page = ask(properties=[(column, text)], limit=10_000)
        assert ids(page) == buildings["building_id"][rows].tolist(), (column, text)
        assert page["features"], (column, text)
    one = ask(
        properties=[("dispatch_area", area), ("storeys", "1"), ("roof_family", "unknown")], limit=10_000
    )
    rows = (buildings["dispatch_area"] == area) & (buildings["storeys"] == 1)
    assert ids(one) == buildings["building_id"][rows & (buildings["roof_family"] == "unknown")].tolist()


def test_every_value_of_a_column_finds_its_row(file: Path, frames: dict[str, Any]) -> None:
    """What a feature says can be asked for as it stands: numbers too."""
    provider = layer(file, "buildings")
    feature = provider.query(limit=1, offset=17)["features"][0]
    for name, value in feature["properties"].items():
        if value is not None:
            text = json.dumps(value) if not isinstance(value, str) else value
            assert feature["id"] in ids(provider.query(properties=[(name, text)], limit=10_000)), name


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("storeys", "one"),
        ("storeys", "1.5"),
        ("storeys", "1; DROP TABLE buildings"),
        ("height_ft", "tall"),
        ("sprinklered", "perhaps"),
        ("surveyed_on", "2022-13-01"),
        ("surveyed_on", "yesterday"),
        ("no_such_column", "1"),
        ('building_id" = "building_id" OR "1', "1"),
    ],
)
def test_a_value_that_cannot_be_is_refused_in_a_sentence(file: Path, column: str, value: str) -> None:
    with pytest.raises(ProviderInvalidQueryError) as told:
        layer(file, "buildings").query(properties=[(column, value)])
    assert told.value.http_status_code == 400
    assert told.value.message.endswith(".")


@pytest.mark.parametrize(
    "value",
    ["' OR '1'='1", '"; DROP TABLE buildings; --', "\x00", "\ud800", "%", "*", "9" * 400, ""],
)
def test_what_looks_like_a_statement_is_a_value(file: Path, value: str) -> None:
    provider = layer(file, "buildings")
    assert provider.query(properties=[("building_id", value)])["numberMatched"] == 0
    with pytest.raises(ProviderItemNotFoundError):
        provider.get(value)
    with pytest.raises((ProviderItemNotFoundError, ProviderInvalidQueryError)):
        layer(file, "members").get(value)
    assert layer(file, "buildings").query(properties=[("storeys", "9" * 25)])["numberMatched"] == 0
    assert provider.query()["numberMatched"] > 100


def test_one_item_by_its_id(file: Path, frames: dict[str, Any]) -> None:
    for name, frame in frames.items():
        if not len(frame):
            continue
        provider = layer(file, name)
        last = provider.query(limit=1, offset=len(frame) - 1)["features"][0]
        found = provider.get(str(last["id"]))
        assert {**last, "caution": caution_of(name)} == found, name
    with pytest.raises(ProviderItemNotFoundError) as told:
        layer(file, "buildings").get("no-such-building")
    assert told.value.http_status_code == 404
    assert "no-such-building" in told.value.message


def test_rows_are_sorted_and_equals_stay_in_order(file: Path, frames: dict[str, Any]) -> None:
    frame = frames["buildings"]
    for order, ascending in (("+", True), ("-", False)):
        page = layer(file, "buildings").query(
            sortby=[{"property": "storeys", "order": order}, {"property": "roof_family", "order": "-"}],
            limit=10_000,
        )
        wanted = frame.sort_values(
            ["storeys", "roof_family"],
            ascending=[ascending, False],
            kind="stable",
            na_position="first" if ascending else "last",
        )
        assert ids(page) == wanted["building_id"].tolist()
        assert page["numberMatched"] == len(frame)


def test_only_the_columns_and_the_count_that_are_asked_for(file: Path) -> None:
    provider = layer(file, "buildings")
    page = provider.query(select_properties=["storeys", "name"], skip_geometry=True, limit=3)
    assert [set(feature["properties"]) for feature in page["features"]] == [{"storeys", "name"}] * 3
    assert [feature["geometry"] for feature in page["features"]] == [None] * 3
    assert page["numberReturned"] == 3
    hits = provider.query(resulttype="hits")
    assert hits["features"] == []
    assert hits["numberReturned"] == 0
    assert hits["numberMatched"] == page["numberMatched"]
    assert hits["caution"] == page["caution"] == CAUTION
    beyond = provider.query(offset=10_000)
    assert beyond["features"] == []
    assert beyond["numberMatched"] == page["numberMatched"]


@pytest.mark.parametrize(
    ("interval", "low", "high"),
    [
        ("2022-01-01/2022-12-31", "2022-01-01", "2022-12-31"),
        ("2024-06-01/..", "2024-06-01", "9999"),
        ("/2020-01-01", "0000", "2020-01-01"),
        ("2022-09-07", "2022-09-07", "2022-09-07"),
        ("2022-09-07T00:00:00Z/2022-09-08T00:00:00Z", "2022-09-07", "2022-09-08"),
        ("../..", "0000", "9999"),
    ],
)
def test_dates_are_days_or_intervals(
    file: Path, frames: dict[str, Any], interval: str, low: str, high: str
) -> None:
    provider = layer(file, "buildings")
    page = provider.query(datetime_=interval, limit=10_000)
    day = frames["buildings"]["surveyed_on"].dt.strftime("%Y-%m-%d").fillna("")
    rows = (day >= low) & (day <= high)
    assert rows.any()
    assert ids(page) == frames["buildings"]["building_id"][rows].tolist()


@pytest.mark.parametrize("interval", ["last week", "2022-01-01/2022-02-30", "2022", "a/b/c", "\x00/.."])
def test_what_is_no_date_is_refused(file: Path, interval: str) -> None:
    with pytest.raises(ProviderInvalidQueryError) as told:
        layer(file, "buildings").query(datetime_=interval)
    assert told.value.http_status_code == 400


def test_a_look_that_takes_too_long_is_broken_off(file: Path) -> None:
    slow = layer(file, "facts", query_seconds=0.0)
    with pytest.raises(LayerBusyError) as told:
        slow.query(sortby=[{"property": "value", "order": "-"}], limit=10)
    assert told.value.http_status_code == 503
    assert "longer than 0 s" in told.value.message
    # The next one is not broken off by it.
    assert layer(file, "facts").query(sortby=[{"property": "value", "order": "-"}], limit=10)["features"]


def only(frames: dict[str, Any], path: Path, mark: str, rows: int) -> Path:
    """A package whose every row says which it is."""
    frame = frames["buildings"].to_crs("EPSG:32611").iloc[:rows].assign(alert=mark)
    return write_layers(Parts.of({"buildings": frame}), path)


def test_a_new_file_is_read_with_the_next_request_and_the_old_one_to_its_end(
    frames: dict[str, Any], tmp_path: Path
) -> None:
    path = only(frames, tmp_path / "layers.gpkg", "old", 150)
    assert layer(path, "buildings").query(limit=1)["numberMatched"] == 150
    with package_of(path).reading(60.0) as cursor:
        assert cursor.execute("SELECT count(*) FROM buildings WHERE alert = 'old'").fetchone() == (150,)
        only(frames, path, "new", 90)
        assert cursor.execute("SELECT count(*) FROM buildings WHERE alert = 'old'").fetchone() == (150,)
    page = layer(path, "buildings").query(limit=1000)
    assert page["numberMatched"] == 90
    assert {feature["properties"]["alert"] for feature in page["features"]} == {"new"}


def test_readers_in_threads_see_one_build_at_a_time(frames: dict[str, Any], tmp_path: Path) -> None:
    path = only(frames, tmp_path / "layers.gpkg", "0", 120)
    sizes = {"0": 120, "1": 80}
    stop, seen, wrong = threading.Event(), set(), []

    def read() -> None:
        while not stop.is_set():
            try:
                page = layer(path, "buildings").query(limit=1000)
            except ProviderGenericError as error:
                wrong.append(error.message)
                return
            marks = {feature["properties"]["alert"] for feature in page["features"]}
            seen.update(marks)
            if len(marks) != 1 or sizes[marks.copy().pop()] != page["numberMatched"] != len(page["features"]):
                wrong.append((marks, page["numberMatched"]))

    readers = [threading.Thread(target=read) for _ in range(4)]
    for reader in readers:
        reader.start()
    for turn in range(1, 15):
        mark = str(turn % 2)
        only(frames, path, mark, sizes[mark])
    stop.set()
    for reader in readers:
        reader.join()
    assert wrong == []
    assert seen == {"0", "1"}


def test_a_file_that_is_gone_or_damaged_is_told_and_comes_back(
    frames: dict[str, Any], tmp_path: Path
) -> None:
    path = only(frames, tmp_path / "layers.gpkg", "old", 100)
    found = collections(path)[0]["provider"]
    whole = path.read_bytes()

    def ask() -> int:
        provider: GeoPackageLayer = load_plugin("provider", found)
        return int(provider.query(limit=1000)["numberReturned"])

    assert ask() == 100
    for damage in (
        lambda: path.unlink(),
        lambda: path.write_bytes(b"no database at all" * 400),
        lambda: path.write_bytes(whole[: len(whole) // 3]),
        lambda: path.write_bytes(b""),
        lambda: path.write_bytes(whole[:4096] + bytes(len(whole) - 4096)),
    ):
        damage()
        with pytest.raises(LayerBusyError) as told:
            ask()
        assert told.value.http_status_code == 503
        assert told.value.message.endswith(".")
        assert "Traceback" not in told.value.message
        path.write_bytes(whole)
        assert ask() == 100


def test_a_damage_deep_inside_is_told(frames: dict[str, Any], tmp_path: Path) -> None:
    """A damaged page, a blob that is no geometry, a text that is none: a sentence each, no wrong answer."""
    path = only(frames, tmp_path / "layers.gpkg", "old", 100)
    whole = path.read_bytes()
    place = whole.index(b"MB-0050") // 4096 * 4096
    damages: list[Callable[[], object]] = [
        lambda: path.write_bytes(whole[:place] + b"\xff" * 4096 + whole[place + 4096 :]),
        lambda: by_hand(path, "UPDATE buildings SET geom = x'4750' WHERE fid = 50"),
        lambda: by_hand(path, "UPDATE buildings SET geom = 7 WHERE fid = 50"),
        lambda: by_hand(path, "UPDATE buildings SET geom = substr(geom, 1, 60) WHERE fid = 50"),
        lambda: by_hand(path, "UPDATE buildings SET alert = CAST(x'ff' AS TEXT) WHERE fid = 50"),
    ]
    for damage in damages:
        damage()
        with pytest.raises(LayerBusyError, match="damaged"):
            layer(path, "buildings").query(limit=1000)
        # The first rows are whole, and a damaged look does not stand in the way of the next one.
        assert layer(path, "buildings").query(limit=10)["numberReturned"] == 10
        path.write_bytes(whole)
        assert layer(path, "buildings").query(limit=1000)["numberReturned"] == 100


def test_a_file_that_another_program_holds_is_told(frames: dict[str, Any], tmp_path: Path) -> None:
    path = only(frames, tmp_path / "layers.gpkg", "old", 100)
    provider = layer(path, "buildings")
    package_of(path.absolute()).connection.execute("PRAGMA busy_timeout = 50")
    with contextlib.closing(sqlite3.connect(path)) as base:
        base.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LayerBusyError, match="by another program"):
            provider.query()
        base.rollback()
    assert provider.query()["numberMatched"] == 100


def by_hand(path: Path, statement: str) -> None:
    """Change a file without the functions that its triggers need."""
    with contextlib.closing(sqlite3.connect(path)) as base, base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        base.execute(statement)


def test_the_file_is_never_written_and_lookups_use_their_indexes(file: Path) -> None:
    before = file.read_bytes()
    with package_of(file).reading(60.0) as cursor, pytest.raises(sqlite3.OperationalError, match="readonly"):
        cursor.execute("DELETE FROM buildings")
    layer(file, "buildings").query(bbox=[-118.88, 40.92, -118.87, 40.93])
    assert file.read_bytes() == before
    with package_of(file).reading(60.0) as cursor:
        for sql, used in (
            ("SELECT * FROM members WHERE dispatch_area = 'X' ORDER BY fid LIMIT 5", "members_dispatch_area"),
            ("SELECT * FROM buildings WHERE building_id = 'X' ORDER BY fid LIMIT 1", "buildings_building_id"),
            ("SELECT * FROM sections WHERE section_id = 'X'", "sections_section_id"),
        ):
            plan = cursor.execute(f"EXPLAIN QUERY PLAN {sql}").fetchall()
            assert used in plan[0][-1]


def test_over_the_web_they_are_the_same(demo_server: Any, file: Path, frames: dict[str, Any]) -> None:
    area = frames["areas"]["name"].iloc[0]
    west, south, east, north = frames["buildings"].total_bounds.tolist()
    box = [west, south, (west + east) / 2, (south + north) / 2]
    told = demo_server.json(
        f"/collections/buildings/items?f=json&limit=20&bbox={','.join(map(str, box))}"
        f"&dispatch_area={area.replace(' ', '%20')}&sortby=-height_ft"
    )
    page = layer(file, "buildings").query(
        bbox=box,
        limit=20,
        properties=[("dispatch_area", area)],
        sortby=[{"property": "height_ft", "order": "-"}],
    )
    assert told["features"] == page["features"]
    assert told["numberMatched"] == page["numberMatched"] > 0
    assert told["caution"] == CAUTION
    name = told["features"][0]["id"]
    assert (
        demo_server.json(f"/collections/buildings/items/{name}?f=json")["properties"]["building_id"] == name
    )
    status, _, body = demo_server.ask("/collections/buildings/items?f=json&storeys=many")
    assert status == 400
    assert "whole number" in body.decode()
    status, _, body = demo_server.ask("/collections/buildings/items/nobody?f=json")
    assert status == 404
