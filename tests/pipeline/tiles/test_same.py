"""A district in tiles and the same one in one piece: the same rows, to the last bit, and the same files."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from tests.benchmarks.district import write_district
from tests.pipeline.tiles.messy import write_messy

from roofplat import Built, build, read_district
from roofplat.pipeline.tiles.keys import WORK_FOLDER

DEMO = Path(__file__).resolve().parents[3] / "data" / "demo" / "district.toml"
DAY = datetime.date(2026, 1, 1)
# Rows whose order is theirs, whatever was built in how many parts.
ORDERED = ("ranking.csv", "survey_next.csv", "family_odds.csv")


def told(frame: Any) -> list[str]:
    """The rows of a table as texts, sorted; geometry as hexadecimal WKB: nothing is rounded."""
    cells = pd.DataFrame(frame).copy()
    if isinstance(frame, gpd.GeoDataFrame):
        cells[frame.geometry.name] = frame.geometry.to_wkb(hex=True)
    cells = cells[sorted(cells.columns)].astype(object)
    cells = cells.where(cells.notna(), None)
    return sorted(map(repr, cells.itertuples(index=False, name=None)))


@pytest.fixture(scope="module", params=["demo", "synthetic", "messy"])
def pair(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Built, Built]:
    """A build in one piece and one in tiles."""
    folder = tmp_path_factory.mktemp(request.param)
    if request.param == "demo":
        path, most = DEMO, 100
    elif request.param == "synthetic":
        path, most = write_district(400, folder), 60
    else:
        path, most = write_messy(folder), 12
    district = read_district(path)
    whole = build(district, out=folder / "whole", as_of=DAY)
    return whole, build(district, out=folder / "tiled", as_of=DAY, tile_buildings=most)


def test_it_was_built_in_tiles_and_the_other_was_not(pair: tuple[Built, Built]) -> None:
    whole, tiled = pair
    assert (whole.tiles, whole.planned) == (0, 0)
    assert tiled.tiles == tiled.planned > 5
    assert tiled.parts is not None
    assert len(tiled.parts) == tiled.tiles


def test_every_table_has_the_same_rows(pair: tuple[Built, Built]) -> None:
    whole, tiled = pair
    assert whole.parts is not None
    assert tiled.parts is not None
    one, other = whole.parts.whole(), tiled.parts.whole()
    assert set(one) == set(other)
    for name, frame in one.items():
        assert list(frame.columns) == list(other[name].columns), name
        assert frame.dtypes.astype("str").equals(other[name].dtypes.astype("str")), name
        assert told(frame) == told(other[name]), name
        if isinstance(frame, gpd.GeoDataFrame):
            assert frame.crs == other[name].crs


def test_counts_and_problems_are_those_of_the_whole(pair: tuple[Built, Built]) -> None:
    whole, tiled = pair
    for name, counts in whole.counts.items():
        pd.testing.assert_frame_equal(counts.reset_index(drop=True), tiled.counts[name], obj=name)
    assert told(whole.problems) == told(tiled.problems)
    assert whole.errors == tiled.errors


def test_the_same_files_are_written(pair: tuple[Built, Built]) -> None:
    whole, tiled = pair
    names = [[file.relative_to(built.out).as_posix() for file in built.files] for built in pair]
    assert names[0] == names[1]
    for name in ORDERED:
        assert (whole.out / name).read_bytes() == (tiled.out / name).read_bytes(), name
    for name in ("problems.csv", "solar_access.csv"):
        one, other = ((built.out / name).read_text("utf-8-sig").splitlines() for built in pair)
        assert one[0] == other[0]
        assert sorted(one) == sorted(other), name
    records = [json.loads((built.out / "build.json").read_text()) for built in pair]
    assert records[0]["tables"] == records[1]["tables"]
    assert records[0]["counts"] == records[1]["counts"]


@pytest.mark.parametrize("file", ["layers.gpkg", "planner.gpkg"])
def test_packages_hold_the_same_rows(pair: tuple[Built, Built], file: str) -> None:
    whole, tiled = pair
    layers = pyogrio.list_layers(whole.out / file)[:, 0].tolist()
    assert layers == pyogrio.list_layers(tiled.out / file)[:, 0].tolist()
    for layer in layers:
        if layer == "setting":
            continue
        one, other = (pyogrio.read_dataframe(built.out / file, layer=layer) for built in pair)
        assert told(one) == told(other), layer


def test_areas_hold_the_same_features(pair: tuple[Built, Built]) -> None:
    """The last of seven digits of a degree may differ: places are looked up in a table for each part."""
    whole, _ = pair
    for file in whole.files:
        if file.suffix != ".geojson":
            continue
        found = [json.loads((built.out / file.relative_to(whole.out)).read_text("utf-8")) for built in pair]
        one, other = (
            sorted(
                (json.dumps(feature["properties"], sort_keys=True), numbers(feature["geometry"]))
                for feature in collection["features"]
            )
            for collection in found
        )
        assert [words for words, _ in one] == [words for words, _ in other], file
        for (words, here), (_, there) in zip(one, other, strict=True):
            assert np.array(here) == pytest.approx(np.array(there), abs=2e-7, rel=0.0), words


def numbers(geometry: Any) -> tuple[float, ...]:
    """Every coordinate of a GeoJSON geometry, one after the other."""
    if isinstance(geometry, dict):
        return numbers(geometry["coordinates"])
    if isinstance(geometry, list):
        return tuple(number for entry in geometry for number in numbers(entry))
    return (float(geometry),)


def test_one_area_of_a_district_in_tiles_is_that_of_the_whole(tmp_path: Path) -> None:
    district = read_district(DEMO)
    one = build(district, out=tmp_path / "whole", as_of=DAY, area="Kiln Yards")
    other = build(district, out=tmp_path / "tiled", as_of=DAY, area="Kiln Yards", tile_buildings=100)
    assert 0 < len(other.tables["buildings"]) < 559
    for name, frame in one.tables.items():
        assert told(frame) == told(other.tables[name]), name


def test_the_work_folder_holds_open_files(pair: tuple[Built, Built]) -> None:
    """GeoParquet that another program reads: each tile's buildings, in the CRS of the district."""
    _, tiled = pair
    folders = sorted((tiled.out / WORK_FOLDER / "done").iterdir())
    assert len(folders) == tiled.tiles
    rows = [gpd.read_parquet(folder / "buildings.parquet") for folder in folders]
    assert {frame.crs for frame in rows} == {tiled.tables["buildings"].crs}
    ids = np.concatenate([frame["building_id"].to_numpy() for frame in rows])
    assert sorted(ids) == sorted(tiled.tables["buildings"]["building_id"])
