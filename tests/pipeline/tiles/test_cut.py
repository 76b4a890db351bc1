"""A district in tiles gives the rows that the whole district gives."""

from __future__ import annotations

import datetime
import json
import shutil
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely

from roofplat.district import District, read_district
from roofplat.errors import LayerError, RoofplatError
from roofplat.ground import Ground
from roofplat.inventory import Inventory, take_inventory
from roofplat.pipeline.planning import gather
from roofplat.pipeline.surveying import survey_keep
from roofplat.pipeline.tiles.cut import Cut, cut_district, open_cut
from roofplat.pipeline.tiles.read import TileInputs, read_tile
from roofplat.record import append, open_record
from roofplat.rules import Rulebook, load_rulebook

from .messy import CRS, EAST, NORTH, write_messy

DEMO = Path(__file__).parents[3] / "data" / "demo" / "district.toml"
# Tables of the inventory by which of their rows lie at home.
BY_BUILDING = ("buildings", "roofs", "facts", "section_facts", "fires")


def settings(path: Path) -> tuple[District, Rulebook, Ground]:
    district = read_district(path)
    rules = load_rulebook(district.rules, district.families)
    return district, rules, Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)


def cut(path: Path, folder: Path, most: int) -> Cut:
    return cut_district(*settings(path), folder, tile_buildings=most, report=lambda line: None)


def texts(frame: pd.DataFrame) -> Counter[str]:
    """Each row as one text, so that tables can be compared whatever the order of their rows."""
    plain = pd.DataFrame(frame.drop(columns="geometry", errors="ignore")).astype("str").fillna("")
    if isinstance(frame, gpd.GeoDataFrame):
        plain["geometry"] = shapely.to_wkb(np.asarray(frame.geometry.array), hex=True)
    return Counter("|".join(row) for row in plain.itertuples(index=False))


def of_whole(path: Path) -> dict[str, Counter[str]]:
    district, rules, ground = settings(path)
    inputs = gather(district, rules)
    inventory = take_inventory(inputs, rules, ground, whole=False)
    rows = {name: texts(getattr(inventory, name)) for name in (*BY_BUILDING, "obstacles", "ground")}
    rows |= {"streets": texts(inputs.streets), "drawn walls": texts(inputs.walls)}
    rows["problems"] = texts(pd.concat([inputs.problems, inventory.problems]))
    rows["read"] = texts(inputs.counts.groupby("layer", as_index=False).sum())
    rows["joined"] = Counter(
        {entry.source: len(entry.found) for entry in inventory.joined if len(entry.found)}
    )
    return rows


def at_home(tile: TileInputs, inventory: Inventory) -> dict[str, Counter[str]]:
    own = tile.home_rows
    rows = {
        name: texts(frame[frame["building_id"].isin(tile.home)])
        for name in BY_BUILDING
        for frame in (getattr(inventory, name),)
    }
    for name, column in (("obstacles", "obstacle_id"), ("ground", "ground_id")):
        frame = getattr(inventory, name)
        rows[name] = texts(frame[frame[column].isin(own[name])])
    streets, walls = tile.inputs.streets, tile.inputs.walls
    rows["streets"] = texts(streets[streets.index.isin(own.get("streets", ()))])
    rows["drawn walls"] = texts(walls[walls.index.isin(own.get("walls", ()))])
    said = inventory.problems
    logs = [source for source in tile.inputs.attributes if source.log]
    mine = said["feature"].isin(tile.home) | (said["feature"] == said["layer"])
    for layer, features in own.items():
        # A source speaks of its records, or of the buildings that they belong to.
        of_layer = (said["layer"] == layer) & ~said["message"].str.startswith("Building ")
        mine = mine.where(~of_layer, said["feature"].isin(features))
    for log in logs:
        keys = log.frame.loc[log.frame["record"].isin(own[log.source.name]), "key"]
        lost = (said["layer"] == log.source.name) & (said["code"] == "record_unmatched")
        mine = mine.where(~lost, said["feature"].isin(keys))
    rows["problems"] = texts(pd.concat([tile.problems, said[mine]]))
    rows["joined"] = Counter()
    for entry in inventory.joined:
        count = int(np.isin(entry.found, list(own.get(entry.source, ()))).sum())
        rows["joined"] += Counter({entry.source: count})
    return rows


def of_tiles(path: Path, folder: Path, most: int) -> dict[str, Counter[str]]:
    district, rules, ground = settings(path)
    whole: dict[str, Counter[str]] = {}
    read = []
    cutting = cut(path, folder, most)
    assert len(cutting.tiles) > 4
    for tile in cutting.tiles:
        part = read_tile(district, rules, folder, tile.name)
        assert len(part.home) <= tile.buildings <= most
        read.append(part.counts)
        for name, rows in at_home(part, take_inventory(part.inputs, rules, ground, whole=False)).items():
            whole[name] = whole.get(name, Counter()) + rows
    # What is said of the whole district every tile says.
    for row in [row for row in whole["problems"] if row.split("|")[0] == row.split("|")[1]]:
        whole["problems"][row] = 1
    whole["read"] = texts(pd.concat(read).groupby("layer", as_index=False).sum())
    return whole


def compare(whole: Mapping[str, Counter[str]], tiled: Mapping[str, Counter[str]]) -> None:
    assert whole.keys() == tiled.keys()
    for name in whole:
        assert whole[name] - tiled[name] == Counter(), f"{name}: not in tiles"
        assert tiled[name] - whole[name] == Counter(), f"{name}: in tiles alone"


@pytest.fixture(scope="module")
def messy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_messy(tmp_path_factory.mktemp("messy"))


@pytest.mark.parametrize("most", [30, 8])
def test_a_messy_district_in_tiles_is_the_same_district(messy: Path, tmp_path: Path, most: int) -> None:
    whole = of_whole(messy)
    # It is messy indeed.
    assert len({row.split("|")[2] for row in whole["problems"]}) > 35
    compare(whole, of_tiles(messy, tmp_path, most))


def test_the_demo_in_tiles_is_the_same_district(tmp_path: Path) -> None:
    compare(of_whole(DEMO), of_tiles(DEMO, tmp_path, 90))


def test_a_cut_is_read_back_as_it_was_made(messy: Path, tmp_path: Path) -> None:
    made = cut(messy, tmp_path, 20)
    again = open_cut(tmp_path)
    assert again == made
    assert sorted(tile.name for tile in made.tiles) == [tile.name for tile in made.tiles]
    # Nothing is left of the work.
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["cut.json", "sources"]
    for tile in made.tiles:
        west, south, east, north = tile.box
        assert east - west in (north - south, 2 * (north - south))
        assert (west / (east - west)).is_integer()
        assert (south / (north - south)).is_integer()
        assert 0 < tile.buildings <= 20
    roofs = gpd.read_file(messy.parent / "town.gpkg", layer="roofs")
    # Each footprint is at home in one tile, and each file is GeoParquet that others can read.
    home = []
    for file in sorted((tmp_path / "sources" / "footprints").iterdir()):
        rows = gpd.read_parquet(file)
        assert rows.crs == roofs.crs
        home += rows.loc[rows["__home__"], "__row__"].tolist()
        bounds = pq.read_metadata(file).metadata[b"geo"]
        assert b'"bbox"' in bounds
    assert sorted(home) == list(range(1, len(roofs) + 1))


def test_the_same_sources_are_cut_into_the_same_files(messy: Path, tmp_path: Path) -> None:
    first, second = cut(messy, tmp_path / "a", 20), cut(messy, tmp_path / "b", 20)
    assert first.digests == second.digests
    for file in sorted((tmp_path / "a").rglob("*.parquet")):
        assert file.read_bytes() == (tmp_path / "b" / file.relative_to(tmp_path / "a")).read_bytes()


def changed_tiles(before: Cut, after: Cut) -> list[str]:
    return [name for name, digest in before.digests.items() if after.digests.get(name) != digest]


def test_one_changed_row_changes_the_tiles_that_see_it_and_no_other(messy: Path, tmp_path: Path) -> None:
    folder = tmp_path / "town"
    shutil.copytree(messy.parent, folder)
    before = cut(folder / "district.toml", tmp_path / "before", 8)
    roll = (folder / "roll.csv").read_text("utf-8")
    assert roll.count("B 40,1940,18,") == 1
    (folder / "roll.csv").write_text(roll.replace("B 40,1940,18,", "B 40,1940,17,"), "utf-8")
    after = cut(folder / "district.toml", tmp_path / "after", 8)
    assert [tile.name for tile in after.tiles] == [tile.name for tile in before.tiles]
    district, rules, _ = settings(folder / "district.toml")
    seeing = [
        tile.name
        for tile in before.tiles
        if "B 40"
        in set(read_tile(district, rules, tmp_path / "before", tile.name).inputs.attributes[0].frame["key"])
    ]
    assert changed_tiles(before, after) == seeing
    assert 1 <= len(seeing) < len(before.tiles) / 2


def test_buildings_far_away_move_no_edge_of_a_tile(messy: Path, tmp_path: Path) -> None:
    folder = tmp_path / "town"
    shutil.copytree(messy.parent, folder)
    # Records that mean no building have no place, and may go to a new tile: without those of the last ten.
    roll = (folder / "roll.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "roll.csv").write_text("".join(roll[:-10]), "utf-8")
    before = cut(folder / "district.toml", tmp_path / "before", 8)
    roofs = gpd.read_file(folder / "town.gpkg", layer="roofs")
    more = [shapely.box(x, 4_500_000, x + 9, 4_500_009) for x in range(520_000, 520_300, 20)]
    added = gpd.GeoDataFrame(
        {"building_id": [f"N{n}" for n in range(len(more))]}, geometry=more, crs=roofs.crs
    )
    added.to_file(folder / "town.gpkg", layer="roofs", mode="a")
    after = cut(folder / "district.toml", tmp_path / "after", 8)
    assert len(after.tiles) > len(before.tiles)
    assert {tile.name for tile in before.tiles} < {tile.name for tile in after.tiles}
    assert changed_tiles(before, after) == []


def test_what_cannot_be_cut_or_read_is_said_in_one_sentence(messy: Path, tmp_path: Path) -> None:
    district, rules, ground = settings(messy)
    with pytest.raises(LayerError, match="build the district again"):
        open_cut(tmp_path)
    cut(messy, tmp_path, 60)
    with pytest.raises(LayerError, match="holds no tile 'nowhere'"):
        read_tile(district, rules, tmp_path, "nowhere")
    lost = district.model_copy(
        update={"footprints": district.footprints.model_copy(update={"layer": "attic"})}
    )
    with pytest.raises(RoofplatError, match="there is no layer 'attic'"):
        cut_district(lost, rules, ground, tmp_path, tile_buildings=60, report=lambda line: None)
    # The cut that was there is still there.
    assert read_tile(district, rules, tmp_path, open_cut(tmp_path).tiles[0].name).home.size


def surveyed(messy: Path, folder: Path) -> Path:
    """The messy district with a record: rows of the log and drawings, some of which are of no use."""
    shutil.copytree(messy.parent, folder)
    path = folder / "district.toml"
    district, rules, _ = settings(path)
    ids = [f"B {number}" for number in range(0, 80, 3)]
    rows = [
        *({"building_id": name, "field": "roof_family", "value": "tilt_up"} for name in ids[:4]),
        *({"building_id": name, "field": "deck", "value": "plank"} for name in ids),
        *({"building_id": name, "field": "height_ft", "value": "44"} for name in ids[::5]),
        {"building_id": "B 5", "section_id": "B 5/2", "field": "deck", "value": "steel"},
        {"building_id": "nobody", "field": "deck", "value": "steel"},
        {"building_id": "nobody", "field": "storeys", "value": "3"},
        {"building_id": "b 12 ", "field": "storeys", "value": "4"},
        {"building_id": "B 20", "field": "gone", "value": "yes"},
        {"building_id": "B 21", "field": "look_again", "value": "solar"},
        {"building_id": "B 22", "field": "storeys", "value": "many"},
    ]
    log = pd.DataFrame([{"section_id": None, "basis": "surveyed", "who": "Crew 1"} | row for row in rows])
    log["seen_on"] = pd.Timestamp("2024-02-27")
    house = shapely.box(EAST + 32, NORTH + 64, EAST + 40, NORTH + 76)
    shapes = [
        ("sections", "B 19", house, {}),
        ("sections", None, shapely.box(EAST + 160, NORTH, EAST + 166, NORTH + 12), {"slope_deg": 99}),
        ("obstacles", "B 30", shapely.Point(EAST + 100, NORTH + 100), {"kind": "hatch"}),
        (
            "obstacles",
            None,
            shapely.LineString([(EAST, NORTH + 40), (EAST + 300, NORTH + 40)]),
            {"kind": "moat"},
        ),
        (
            "walls",
            "B 40",
            shapely.LineString([(EAST + 128, NORTH + 128), (EAST + 144, NORTH + 128)]),
            {"kind": "bearing"},
        ),
        ("fire_walls", None, shapely.LineString([(EAST + 200, NORTH + 190), (EAST + 200, NORTH + 210)]), {}),
        ("expansion_joints", None, shapely.LineString([(EAST + 1000, NORTH), (EAST + 1010, NORTH)]), {}),
    ]
    drawn = gpd.GeoDataFrame(
        [
            {"layer": layer, "building_id": name, "properties": json.dumps(said), "basis": "drawn"}
            for layer, name, _, said in shapes
        ],
        geometry=[shape for *_, shape, _ in shapes],
        crs=CRS,
    )
    record = open_record(district.record_file, CRS, rules)
    append(record, observations=log, drawn=drawn, now=datetime.datetime(2024, 3, 1, tzinfo=datetime.UTC))
    later = drawn.iloc[[2]].assign(replaces=pd.array([3], dtype="Int64"), properties='{"kind": "skylight"}')
    append(record, drawn=later, now=datetime.datetime(2024, 4, 1, tzinfo=datetime.UTC))
    return path


def test_each_tile_reads_its_rows_of_the_record(messy: Path, tmp_path: Path) -> None:
    path = surveyed(messy, tmp_path / "town")
    whole = of_whole(path)
    assert whole["section_facts"] or whole["drawn walls"]
    compare(whole, of_tiles(path, tmp_path / "tiles", 25))


def test_footprints_of_other_ids_are_those_of_the_record_in_every_tile(messy: Path, tmp_path: Path) -> None:
    path = surveyed(messy, tmp_path / "town")
    survey_keep(read_district(path), now=datetime.datetime(2024, 5, 1, tzinfo=datetime.UTC))
    file = path.parent / "town.gpkg"
    roofs = gpd.read_file(file, layer="roofs")
    # The next layer calls some buildings otherwise, one of them as another is called in the record.
    swap = {"B 40": "N 40", "B 41": "B 42", "B 42": "N 42", "B 43": "N 43", "T3": "T33"}
    roofs["building_id"] = roofs["building_id"].replace(swap)
    half = shapely.box(EAST + 64, NORTH + 160, EAST + 72, NORTH + 172)
    roofs.loc[roofs["building_id"] == "B 47", "geometry"] = half
    roofs = roofs[roofs["building_id"] != "B 70"]
    pyogrio.write_dataframe(roofs, file, layer="roofs", geometry_type="Unknown")
    whole = of_whole(path)
    assert any(row.startswith("B 40|N 40|") or "N 40" in row for row in whole["buildings"])
    compare(whole, of_tiles(path, tmp_path / "tiles", 25))


def test_one_survey_changes_the_tiles_that_see_its_building_and_no_other(messy: Path, tmp_path: Path) -> None:
    path = surveyed(messy, tmp_path / "town")
    before = cut(path, tmp_path / "before", 8)
    district, rules, _ = settings(path)
    more = pd.DataFrame(
        [{"building_id": "B 60", "section_id": None, "field": "deck", "value": "steel", "basis": "surveyed"}]
    )
    append(open_record(district.record_file, CRS, rules), observations=more)
    after = cut(path, tmp_path / "after", 8)
    changed = changed_tiles(before, after)
    assert 1 <= len(changed) < len(before.tiles) / 2
    with pytest.raises(LayerError, match="the record of another day"):
        read_tile(district, rules, tmp_path / "after", changed[0], as_of=datetime.date(2024, 3, 2))
