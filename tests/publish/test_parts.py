"""Tables part after part: a district in tiles gives what the same district gives in one piece."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
from tests.publish.conftest import WORKING_CRS

from roofplat.errors import LayerError
from roofplat.publish.parts import Parts, arrow_of, frame_of, only_area, save_part
from roofplat.tables import TABLES

# Tables that are not made tile by tile.
ONCE = ("areas", "stations", "streets", "ranking", "survey_next", "family_odds", "problems")
ODDS = ["building_id", "p_lightweight", "stratum", "odds", "local_roofs"]


def cut(tables: dict[str, Any], folder: Path) -> Parts:
    """The district in two tiles: every second building, and the others."""
    ids = tables["buildings"]["building_id"]
    by_tile = {name: frame for name, frame in tables.items() if name not in ONCE}
    tiles = {"t0": set(ids[::2]), "t1": set(ids[1::2])}
    for tile, own in tiles.items():
        (folder / tile).mkdir()
        save_part({name: of_tile(frame, own, tile) for name, frame in by_tile.items()}, folder / tile)
        (folder / tile / "key.txt").write_text(f"key of {tile}\n")
    once = {name: tables[name] for name in ONCE if name in tables}
    return Parts.open(folder, list(tiles), once, {"buildings": pd.DataFrame(tables["buildings"])[ODDS]})


def of_tile(frame: Any, own: set[str], tile: str) -> Any:
    if "building_id" not in frame:
        return frame.iloc[0 if tile == "t0" else 1 :: 2].reset_index(drop=True)
    nobody = frame["building_id"].isna() if tile == "t0" else frame["building_id"].isin(())
    part = frame[frame["building_id"].isin(own) | nobody].reset_index(drop=True)
    # What is known of the whole district alone comes late.
    return part.assign(p_lightweight=float("nan"), odds=pd.NA) if "p_lightweight" in part else part


def same(left: Any, right: Any) -> None:
    """The same rows, whatever their order."""
    assert isinstance(left, gpd.GeoDataFrame) == isinstance(right, gpd.GeoDataFrame)
    pd.testing.assert_frame_equal(sorted_rows(left), sorted_rows(right))


def sorted_rows(frame: Any) -> pd.DataFrame:
    plain = plain_rows(frame)
    return plain.sort_values([*plain.columns], ignore_index=True)


def plain_rows(frame: Any) -> pd.DataFrame:
    plain = pd.DataFrame(frame)
    if isinstance(frame, gpd.GeoDataFrame):
        plain["geometry"] = shapely.to_wkb(frame.geometry.to_numpy(), hex=True)
    for column in plain.select_dtypes("category"):
        plain[column] = plain[column].astype("str")
    return plain


def test_a_table_comes_back_as_it_went(mixed: dict[str, Any]) -> None:
    for name in TABLES:
        if name in mixed:
            back = frame_of(name, arrow_of(mixed[name]), WORKING_CRS)
            assert [str(kind) for kind in back.dtypes] == [str(kind) for kind in mixed[name].dtypes]
            pd.testing.assert_frame_equal(plain_rows(back), plain_rows(mixed[name]))
            if isinstance(back, gpd.GeoDataFrame):
                assert back.crs == mixed[name].crs


def test_tiles_hold_the_rows_of_the_district(mixed: dict[str, Any], tmp_path: Path) -> None:
    whole, tiled = Parts.of(mixed), cut(mixed, tmp_path)
    assert len(tiled) == 2
    assert tiled.crs == whole.crs == WORKING_CRS
    assert set(tiled.names) == set(whole.names)
    assert tiled.keys == ("key of t0", "key of t1")
    for name in whole.names:
        assert tiled.count(name) == whole.count(name) == len(mixed[name]), name
        same(tiled.whole([name])[name], mixed[name])


def test_the_files_of_a_tile_are_geoparquet(mixed: dict[str, Any], tmp_path: Path) -> None:
    # GeoParquet 1.1.0: the key `geo` of the file; geopandas reads the file by it alone.
    cut(mixed, tmp_path)
    for name in ("buildings", "members", "ladders"):
        file = tmp_path / "t0" / f"{name}.parquet"
        told = json.loads(pq.read_schema(file).metadata[b"geo"])
        assert told["version"] == "1.1.0"
        frame = gpd.read_parquet(file)
        assert frame.crs == WORKING_CRS
        own = mixed[name][mixed[name]["building_id"].isin(mixed["buildings"]["building_id"][::2])]
        assert set(shapely.to_wkb(frame.geometry)) == set(shapely.to_wkb(own.geometry))
        assert len(frame) == len(own) > 0


def test_a_stream_is_the_table(mixed: dict[str, Any], tmp_path: Path) -> None:
    whole, tiled = Parts.of(mixed), cut(mixed, tmp_path)
    for name in whole.names:
        rows = whole.stream(name).read_all()
        assert rows.schema == tiled.stream(name).schema == whole.schema(name)
        assert isinstance(rows, pa.Table)
        assert len(rows) == len(mixed[name])
        same(frame_of(name, tiled.stream(name).read_all().unify_dictionaries(), WORKING_CRS), mixed[name])
    two = tiled.stream("buildings", ["odds", "building_id"]).read_all()
    assert two.column_names == ["odds", "building_id"]
    known = dict(zip(mixed["buildings"]["building_id"], mixed["buildings"]["odds"].fillna(""), strict=True))
    assert {row["building_id"]: row["odds"] or "" for row in two.to_pylist()} == known


def test_a_part_has_what_its_buildings_have(mixed: dict[str, Any], tmp_path: Path) -> None:
    tiled = cut(mixed, tmp_path)
    for part in tiled:
        ids = set(part["buildings"]["building_id"])
        ranked = mixed["ranking"]["building_id"]
        assert part["ranking"]["building_id"].tolist() == ranked[ranked.isin(ids)].tolist()
        assert len(part["areas"]) == len(mixed["areas"])
        assert part["buildings"]["p_lightweight"].notna().all()
    assert [sorted(part) for part in tiled.each(["ladders", "nothing"])] == [["ladders"], ["ladders"]]


def test_the_box_around_a_table(mixed: dict[str, Any], tmp_path: Path) -> None:
    whole, tiled = Parts.of(mixed), cut(mixed, tmp_path)
    for name in ("buildings", "areas", "ground"):
        wanted = mixed[name].total_bounds.tolist()
        assert tiled.extent(name).tolist() == whole.extent(name).tolist() == wanted


def test_what_stands_for_the_contents(mixed: dict[str, Any], tmp_path: Path) -> None:
    assert Parts.of(mixed).digest() is None
    for name in ("a", "b", "c"):
        (tmp_path / name).mkdir()
    first, again = (cut(mixed, tmp_path / name).digest() for name in "ab")
    assert first == again is not None
    ranking = mixed["ranking"].assign(rank=mixed["ranking"]["rank"] + 1)
    assert cut({**mixed, "ranking": ranking}, tmp_path / "c").digest() != first
    (tmp_path / "b" / "t0" / "key.txt").write_text("another key")
    once = {name: mixed[name] for name in ONCE if name in mixed}
    late = {"buildings": pd.DataFrame(mixed["buildings"])[ODDS]}
    assert Parts.open(tmp_path / "a", ["t0", "t1"], once, late).digest() == first
    assert Parts.open(tmp_path / "b", ["t0", "t1"], once, late).digest() != first


def test_some_columns_of_all_parts(mixed: dict[str, Any], tmp_path: Path) -> None:
    whole, tiled = Parts.of(mixed), cut(mixed, tmp_path)
    columns = ["cut_method_why", "building_id", "area_ft2", "planned"]
    same(tiled.narrow("sections", columns), whole.narrow("sections", columns))
    assert tiled.narrow("sections", columns).dtypes.astype(str).tolist() == [
        "category",
        "str",
        "float64",
        "boolean",
    ]
    assert tiled.narrow("ranking", ["rank"])["rank"].tolist() == mixed["ranking"]["rank"].tolist()


def test_a_table_in_the_order_of_a_column(mixed: dict[str, Any], tmp_path: Path) -> None:
    """Of tiles and of what came late, in any order, as of the district in one piece."""
    tiles = cut(mixed, tmp_path)
    wanted = pd.DataFrame(mixed["buildings"])
    for columns, by in (
        (ODDS, "local_roofs"),
        (ODDS, "p_lightweight"),
        (["building_id", "area_ft2"], "area_ft2"),
    ):
        made = tiles.in_order("buildings", columns, by)
        assert made[by].is_monotonic_increasing or made[by].isna().any()
        assert list(made.columns) == columns
        same(made, wanted[columns])
        # What is at hand already lies in the order that it came in.
        again = Parts.of(mixed).in_order("buildings", columns, by)
        pd.testing.assert_series_equal(made[by], again[by])


def test_an_area_is_read_from_the_parts_it_lies_in(mixed: dict[str, Any], tmp_path: Path) -> None:
    tiled = cut(mixed, tmp_path)
    for area in mixed["areas"]["name"].dropna():
        wanted = only_area(mixed, area)
        found = tiled.of_area(area)
        assert set(found) == set(wanted)
        for name, frame in wanted.items():
            same(found[name], frame)


def test_a_tile_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match=r"t7 cannot be read .*; build with --anew"):
        Parts.open(tmp_path, ["t7"], {}, {})


def test_parts_together_have_what_lies_near(mixed: dict[str, Any], tmp_path: Path) -> None:
    tiled = cut(mixed, tmp_path)
    ids = mixed["buildings"]["building_id"]
    near = tiled.together([0], 1e6)
    assert set(near["buildings"]["building_id"]) == set(ids)
    assert set(near["sections"]["building_id"]) <= set(ids[::2])
    assert len(near["ground"]) == len(mixed["ground"])
    assert near["ranking"]["building_id"].isin(ids[::2]).all()
    whole = tiled.together([0, 1], 0.0)
    assert set(whole) == set(mixed)
    for name, frame in mixed.items():
        same(whole[name], frame)


def test_parts_that_lie_apart_are_left_out(mixed: dict[str, Any], tmp_path: Path) -> None:
    for tile, east in (("t0", 0.0), ("t1", 5_000.0)):
        (tmp_path / tile).mkdir()
        buildings = mixed["buildings"].assign(building_id=tile + mixed["buildings"]["building_id"])
        buildings = buildings.set_geometry(buildings.geometry.translate(east))
        save_part({"buildings": buildings}, tmp_path / tile)
        (tmp_path / tile / "key.txt").write_text(tile)
    parts = Parts.open(tmp_path, ["t0", "t1"], {}, {})
    count = len(mixed["buildings"])
    assert len(parts.together([0], 100.0)["buildings"]) == count
    assert len(parts.together([0], 6_000.0)["buildings"]) == 2 * count
