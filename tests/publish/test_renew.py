"""A file of layers that was renewed is one that was written whole, row by row, whatever has changed."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, box
from tests.breaking.tries import tries

from roofplat.publish.files import clear_away
from roofplat.publish.layers import contents_of, write_layers
from roofplat.publish.parts import Parts, save_part
from roofplat.publish.renew import renew_layers
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform

from .conftest import WORKING_CRS
from .packages import assert_same, told

# Layers with one geometry and with many, with several kinds and with none.
BY_PART = ("buildings", "walls", "obstacles", "facts", "ranking")
LATE = {"buildings": ("p_lightweight", "stratum"), "ranking": ("score", "rank", "reasons", "next_due")}
TILES = tuple("abcdefgh")


@dataclass(frozen=True)
class Town:
    """A district before its tables are made.

    homes
        Buildings by id: their tile, and a number that decides everything that is said of them.
    said
        A number that decides what is said of the whole district.
    """

    homes: Mapping[str, tuple[str, int]]
    said: int = 0
    areas: int = 2

    def tiles(self) -> list[str]:
        return sorted({tile for tile, _ in self.homes.values()})


def first_town(buildings: int = 28) -> Town:
    return Town({f"B{number:03}": (TILES[number % len(TILES)], number) for number in range(buildings)})


def table(name: str, rows: list[dict[str, Any]]) -> Any:
    """Rows as a frame that `tables.TABLES` allows, with as little as it allows in the other columns."""
    wanted = TABLES[name]
    least = {"str": "unknown", "float64": 0.0, "Int64": 0, "boolean": False}
    needed = {
        key: (column.allowed or (least[column.dtype],))[0]
        for key, column in wanted.columns.items()
        if column.required
    }
    rows = [needed | row for row in rows]
    frame = pd.DataFrame(rows, columns=[*wanted.columns, *(["geometry"] if wanted.geometry else [])])
    if wanted.geometry:
        shapes = frame.pop("geometry").to_numpy(dtype=object)
        return conform(name, frame.astype(object), geometry=shapes, crs=WORKING_CRS)
    return conform(name, frame.astype(object))


def rows_of(home: str, number: int) -> dict[str, list[dict[str, Any]]]:
    """What the tables say of one building."""
    chance = random.Random(f"{home} {number}")
    x, y = 443_000 + 40 * int(home[1:]) + chance.random() / 3, 3_722_000 + 70 * chance.random()
    outline = box(x, y, x + 12 + chance.random(), y + 9)
    name = chance.choice([None, "Kiln No. 4", "Mühle", "a 'b' \"c\""])
    area = chance.choice([None, "Area 0", "Area 1"])
    corners = list(outline.exterior.coords)
    runs = [LineString(corners[k : k + 2]) for k in range(chance.randint(0, 4))]
    things = [Point(x + 1, y + 1), box(x + 2, y + 2, x + 3, y + 3), LineString([(x, y), (x + 9, y + 9)])]
    rows: dict[str, list[dict[str, Any]]] = {
        "buildings": [
            {
                "building_id": home,
                "name": name,
                "area_ft2": outline.area,
                "dispatch_area": area,
                "sprinklered": chance.choice([True, False, None]),
                "surveyed_on": chance.choice([None, pd.Timestamp("2024-05-06")]),
                "geometry": outline,
            }
        ],
        "walls": [
            {
                "building_id": home,
                "section_id": f"{home}-1",
                "wall": k,
                "length_ft": run.length,
                "geometry": run,
            }
            for k, run in enumerate(runs)
        ],
        "obstacles": [
            {"obstacle_id": f"{home}-{k}", "building_id": chance.choice([home, None]), "kind": "unit"}
            | {"geometry": shape}
            for k, shape in enumerate(chance.sample(things, chance.randint(0, 3)))
        ],
        "facts": [
            {"building_id": home, "field": "storeys", "value": str(k), "current": k == 0}
            for k in range(chance.randint(0, 2))
        ],
        "ranking": [{"building_id": home, "geometry": outline}],
    }
    return rows


def tile_of(tile: str, own: Mapping[str, int], store: Path) -> Path:
    """The tables of one tile; they are made once."""
    key = hashlib.sha256(json.dumps([tile, own]).encode()).hexdigest()
    folder = store / key
    if folder.exists():
        return folder
    folder.mkdir()
    made = [rows_of(home, number) for home, number in own.items()]
    frames = {name: table(name, [row for rows in made for row in rows[name]]) for name in BY_PART}
    roads = [LineString([(443_000, 3_722_000 + k), (443_900, 3_722_000 + k)]) for k in range(len(own) % 3)]
    frames["streets"] = gpd.GeoDataFrame(
        {"name": pd.Series([f"Street {tile}"] * len(roads), dtype="str")}, geometry=roads, crs=WORKING_CRS
    )
    for name, columns in LATE.items():
        frames[name] = frames[name].drop(columns=[*columns])
    save_part(frames, folder)
    (folder / "key.txt").write_text(key)
    return folder


def lay(town: Town, folder: Path, store: Path) -> Parts:
    """The tables of a district in tiles, as a build keeps them."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for tile in town.tiles():
        own = {home: number for home, (where, number) in sorted(town.homes.items()) if where == tile}
        (folder / tile).symlink_to(tile_of(tile, own, store), target_is_directory=True)
    chance = random.Random(town.said)
    homes = sorted(town.homes)
    order = sorted(homes, key=lambda home: (town.homes[home][1] * 7919 + town.said) % 101)
    late = {
        "buildings": pd.DataFrame(
            {
                "building_id": pd.Series(homes, dtype="str"),
                "p_lightweight": [
                    round(chance.random(), 1) if chance.random() < 0.7 else np.nan for _ in homes
                ],
                "stratum": pd.Series([f"s{chance.randint(0, 2)}" for _ in homes], dtype="str"),
            }
        ),
        "ranking": pd.DataFrame(
            {
                "building_id": pd.Series(order, dtype="str"),
                "score": [1 / (place + 1) for place in range(len(order))],
                "rank": pd.array(range(1, len(order) + 1), dtype="Int64"),
                "reasons": pd.Categorical([f"because of {len(order) % 3}"] * len(order)),
                "next_due": pd.array(["2026-01-02"] * len(order), dtype="datetime64[ms]"),
            }
        ),
    }
    corners = [box(443_000 + 100 * k, 3_722_000, 443_100 + 100 * k, 3_722_100) for k in range(town.areas)]
    once = {
        "areas": gpd.GeoDataFrame(
            {"name": pd.Series([f"Area {k}" for k in range(town.areas)], dtype="str")},
            geometry=corners,
            crs=WORKING_CRS,
        ),
        "survey_next": table(
            "survey_next", [{"building_id": home, "order": k + 1} for k, home in enumerate(order[::3])]
        ),
        "problems": table(
            "problems",
            [{"layer": "roll", "message": str(k)} for k in range(town.said % 3)],
        ),
    }
    return Parts.open(folder, town.tiles(), once, late)


@dataclass
class Files:
    """A file that is renewed again and again, and one that is written whole each time."""

    folder: Path
    store: Path
    renewed: Path = field(init=False)
    whole: Path = field(init=False)
    work: Path = field(init=False)

    def __post_init__(self) -> None:
        self.renewed, self.whole = (
            self.folder / "renewed" / "layers.gpkg",
            self.folder / "whole" / "layers.gpkg",
        )
        self.work = self.folder / "work"

    def write(self, town: Town, **choices: Any) -> bool:
        """Write both, hold one to the other, and say whether only what has changed was written."""
        parts = self.lay(town)
        renew_layers(parts, self.renewed, self.work, **choices)
        choices.pop("anew", None)
        write_layers(parts, self.whole, **choices)
        assert_same(self.renewed, self.whole)
        assert [entry.name for entry in self.renewed.parent.iterdir()] == ["layers.gpkg"]
        return self.renewed.read_bytes() != self.whole.read_bytes()

    def lay(self, town: Town) -> Parts:
        return lay(town, self.folder / "tiles", self.store)

    def rows(self, layer: str) -> pd.DataFrame:
        return pyogrio.read_dataframe(self.renewed, layer=layer, fid_as_index=True)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of tiles."""
    return tmp_path_factory.mktemp("store")


@pytest.fixture
def files(tmp_path: Path, store: Path) -> Files:
    return Files(tmp_path, store)


def changed(town: Town, *homes: str) -> Town:
    """Something else is said of some buildings."""
    return replace(
        town,
        homes={home: (tile, number + 100 * (home in homes)) for home, (tile, number) in town.homes.items()},
    )


def test_one_building_changes_its_tile_and_the_late_cells_alone(files: Files) -> None:
    town = first_town()
    assert not files.write(town)
    before = {name: files.rows(name) for name in BY_PART}
    assert files.write(changed(town, "B003"))
    homes = before["buildings"]["building_id"]
    elsewhere = homes[[town.homes[home][0] != town.homes["B003"][0] for home in homes]]
    for name in ("buildings", "walls", "facts", "ranking"):
        after = files.rows(name)
        late = LATE.get(name, ())
        was, now = (
            frame[frame["building_id"].isin(elsewhere)].drop(columns=[*late])
            for frame in (before[name], after)
        )
        assert len(was) > 0
        # The same rows under the same numbers.
        pd.testing.assert_frame_equal(pd.DataFrame(was), pd.DataFrame(now))
    assert not files.rows("ranking")["rank"].equals(before["ranking"]["rank"])


def test_rows_that_fit_stand_where_they_were_and_others_come_last(files: Files) -> None:
    town = first_town()
    files.write(town)
    last = len(town.homes)
    tile = town.homes["B000"][0]
    first = files.rows("buildings")
    own = [number for number, home in first["building_id"].items() if town.homes[home][0] == tile]
    fewer = replace(town, homes={home: said for home, said in town.homes.items() if home != "B000"})
    assert files.write(fewer)
    numbers = files.rows("buildings").index
    assert sorted({*first.index} - {*numbers}) == own[-1:]
    # There is room for it yet.
    assert files.write(town)
    pd.testing.assert_frame_equal(pd.DataFrame(files.rows("buildings")), pd.DataFrame(first))
    more = replace(town, homes={**town.homes, "B900": (tile, 5)})
    assert files.write(more)
    after = files.rows("buildings")
    assert after.index.max() == last + len(own) + 1
    assert {*first.index} - {*after.index} == {*own}
    # Another tile grows: that, too, stands after all others.
    assert files.write(replace(more, homes={**more.homes, "B901": (TILES[1], 6)}))
    assert files.rows("buildings").index.max() > after.index.max()


def test_what_has_not_changed_is_not_touched(files: Files) -> None:
    town = first_town()
    files.write(town)
    before = files.renewed.stat()
    assert not files.write(town)
    after = files.renewed.stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


def test_only_the_whole_district_says_something_else(files: Files) -> None:
    """No tile has another key: ranks, odds and lists change all the same."""
    town = first_town()
    files.write(town)
    assert files.write(replace(town, said=1))
    assert files.write(replace(town, said=2))
    assert len(files.rows("problems")) == 2
    assert files.write(replace(town, said=3, areas=3))
    assert (len(files.rows("problems")), len(files.rows("areas"))) == (0, 3)


def test_a_tile_goes_and_another_comes(files: Files) -> None:
    town = first_town()
    files.write(town)
    gone = replace(town, homes={home: said for home, said in town.homes.items() if said[0] != "c"})
    assert files.write(gone)
    come = replace(gone, homes={**gone.homes, "B800": ("bb", 1), "B801": ("bb", 2)})
    assert files.write(come)
    # A building that lies in another tile now.
    assert files.write(replace(come, homes={**come.homes, "B001": ("a", 1)}))


def test_a_layer_loses_its_last_row_and_gets_one_again(files: Files) -> None:
    town = Town({f"B{number:03}": (TILES[number], number) for number in range(7)})
    holding = [home for home, (_, number) in town.homes.items() if rows_of(home, number)["obstacles"]]
    empty = Town({home: said for home, said in town.homes.items() if home not in holding[:-1]})
    files.write(empty)
    assert len(files.rows("obstacles")) > 0
    none = replace(empty, homes={home: said for home, said in empty.homes.items() if home != holding[-1]})
    assert files.write(none) == (len(none.homes) >= 4)
    assert len(files.rows("obstacles")) == 0
    files.write(empty)
    assert len(files.rows("obstacles")) > 0


def test_much_that_changes_is_written_whole_and_in_order(files: Files) -> None:
    town = first_town()
    files.write(town)
    assert not files.write(changed(town, "B000", "B001", "B002"))
    assert files.write(changed(town, "B000", "B001"))
    # One tile after the other grows and is put last, until the order is made anew.
    renewed = []
    for number, tile in enumerate(TILES[:5]):
        town = replace(town, homes={**town.homes, f"B{700 + number}": (tile, number)})
        renewed.append(files.write(town))
    assert renewed[0]
    assert not all(renewed)


def touch(files: Files) -> None:
    os.utime(files.renewed)


def rename_a_building(files: Files) -> None:
    with contextlib.closing(sqlite3.connect(files.renewed)) as base, base:
        # As other programs do that have not the functions of the triggers.
        base.execute("DROP TRIGGER rtree_buildings_geom_update4")
        base.execute("DROP TRIGGER rtree_buildings_geom_update5")
        base.execute("UPDATE buildings SET name = 'mine' WHERE fid = 1")


def remove_the_file(files: Files) -> None:
    files.renewed.unlink()


def damage_the_note(files: Files) -> None:
    note = files.work / "layers.json"
    note.write_text(note.read_text()[:200])


def empty_the_note(files: Files) -> None:
    (files.work / "layers.json").write_text("[]")


def mistake_the_note(files: Files) -> None:
    """It says of rows that they stand where they do not."""
    note = files.work / "layers.json"
    told = json.loads(note.read_text())
    told["places"]["walls"]["d"][0] += 10_000
    note.write_text(json.dumps(told))


def leave_a_journal(files: Files) -> None:
    journal = files.renewed.with_name("layers.gpkg-wal")
    journal.write_bytes(b"")
    # It belongs to nothing any more when the file has been replaced.
    files.undo = journal.unlink  # type: ignore[attr-defined]


def put_rubbish_in_its_place(files: Files) -> None:
    """As large and as old as the file was."""
    was = files.renewed.stat()
    files.renewed.write_bytes(b"rubbish!" * (was.st_size // 8))
    os.utime(files.renewed, ns=(was.st_atime_ns, was.st_mtime_ns))


def damage_the_tree(files: Files) -> None:
    """As large and as old as the file was, but a layer is gone."""
    was = files.renewed.stat()
    with contextlib.closing(sqlite3.connect(files.renewed)) as base, base:
        base.execute("DROP TABLE rtree_walls_geom")
    os.truncate(files.renewed, was.st_size)
    os.utime(files.renewed, ns=(was.st_atime_ns, was.st_mtime_ns))


@pytest.mark.parametrize(
    "change",
    [
        touch,
        rename_a_building,
        remove_the_file,
        damage_the_note,
        empty_the_note,
        mistake_the_note,
        leave_a_journal,
        put_rubbish_in_its_place,
        damage_the_tree,
    ],
)
def test_a_file_that_is_not_as_it_was_left_is_written_whole(
    files: Files, change: Callable[[Files], None]
) -> None:
    town = first_town()
    files.write(town)
    change(files)
    parts = files.lay(changed(town, "B003"))
    renew_layers(parts, files.renewed, files.work)
    write_layers(parts, files.whole)
    assert files.renewed.read_bytes() == files.whole.read_bytes()
    getattr(files, "undo", lambda: None)()
    # And the next time it is renewed again.
    assert files.write(changed(town, "B003", "B004"))


def test_other_rules_and_a_wish_write_it_whole(files: Files) -> None:
    town = first_town()
    files.write(town)
    assert not files.write(changed(town, "B003"), rules=load_rulebook({"ladder.stock_ft": [24.0, 35.0]}))
    assert not files.write(town, anew=True)
    assert files.write(changed(town, "B003"))


def test_a_district_that_was_never_cut_is_written_whole_and_forgotten(files: Files) -> None:
    town = first_town()
    files.write(town)
    whole = Parts.of(files.lay(town).whole())
    renew_layers(whole, files.renewed, files.work)
    assert not (files.work / "layers.json").exists()
    write_layers(whole, files.whole)
    assert files.renewed.read_bytes() == files.whole.read_bytes()
    assert not files.write(town)


def test_the_planner_knows_the_renewed_layers_by_their_name(files: Files) -> None:
    town = first_town()
    names = []
    for state in (town, changed(town, "B003"), replace(town, said=1)):
        files.write(state)
        with contextlib.closing(sqlite3.connect(files.renewed)) as base:
            names.append(contents_of(base))
    assert len({*names}) == 3
    assert names[1] == files.lay(changed(town, "B003")).digest()


def test_other_programs_find_in_a_box_what_lies_there(files: Files) -> None:
    """GDAL by two ways, through the tree and by looking at every row."""
    town = first_town()
    files.write(town)
    grown = {**changed(town, "B003").homes, "B600": (TILES[1], 3)}
    assert files.write(replace(town, homes=grown, said=1))
    for name in ("buildings", "walls", "obstacles", "ranking"):
        rows = files.rows(name)
        shapes = rows.geometry
        with fiona.open(files.renewed, layer=name) as layer:
            assert len(layer) == len(rows)
            assert [int(feature.id) for feature in layer] == rows.index.tolist()
            np.testing.assert_allclose(layer.bounds, rows.total_bounds, rtol=1e-15)
        for k in range(12):
            edges = (443_000 + 95.0 * k, 3_722_010.0, 443_060 + 95.0 * k, 3_722_055.0)
            found = pyogrio.read_dataframe(files.renewed, layer=name, bbox=edges, fid_as_index=True)
            meets = shapes.index[shapely.intersects(shapes.to_numpy(), box(*edges))]
            assert set(found.index) == set(meets), name
            with fiona.open(files.renewed, layer=name) as layer:
                near = {int(feature.id) for feature in layer.filter(bbox=edges)}
            assert near == set(meets), name


def test_whoever_reads_the_old_file_reads_it_to_its_end(files: Files) -> None:
    town = first_town()
    files.write(town)
    with contextlib.closing(sqlite3.connect(f"{files.renewed.as_uri()}?mode=ro", uri=True)) as base:
        base.execute("BEGIN")
        before = base.execute("SELECT fid, building_id, name FROM buildings").fetchall()
        assert files.write(changed(town, "B003"))
        assert base.execute("SELECT fid, building_id, name FROM buildings").fetchall() == before


# Writes two towns in turn, in a new process for each line that it is given.
WRITER = """
import os, sys
from pathlib import Path
from roofplat.publish.files import clear_away
from roofplat.publish.renew import renew_layers
from tests.publish import test_renew

folder, store = Path(sys.argv[1]), Path(sys.argv[2])
print("ready", flush=True)
for line in sys.stdin:
    child = os.fork()
    if child:
        print(child, flush=True)
        os.waitpid(child, 0)
        print("over", flush=True)
        continue
    while True:
        for town in test_renew.TOWNS:
            clear_away(folder / "renewed")
            parts = test_renew.lay(town, folder / "tiles", store)
            renew_layers(parts, folder / "renewed" / "layers.gpkg", folder / "work")
"""
TOWNS = (first_town(), replace(changed(first_town(), "B003"), said=1))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that are copies of another")
def test_a_writer_that_is_killed_leaves_one_file_or_the_other(files: Files) -> None:
    """At moments that nobody chose; in the middle of the new rows; between the file and its note."""
    chance = random.Random(20)
    wanted = []
    for town in reversed(TOWNS):
        files.write(town)
        wanted.append(told(files.renewed)[0])
    seen, cut_off = set(), 0
    command = [sys.executable, "-c", WRITER, str(files.folder), str(files.store)]
    root = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=root
    ) as writer:
        assert writer.stdin is not None
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
        for number in range(tries(6)):
            before = files.renewed.stat().st_ino
            print("go", file=writer.stdin, flush=True)
            child = int(writer.stdout.readline())
            until = time.monotonic() + 60
            while time.monotonic() < until:
                replaced = files.renewed.stat().st_ino != before
                inside = any(files.renewed.parent.glob(".writing-*/changed.gpkg"))
                if (number % 3 == 1 and inside) or (number % 3 != 1 and replaced):
                    break
            time.sleep(chance.random() * (0.5 if number % 3 == 0 else 0.01))
            os.kill(child, signal.SIGKILL)
            assert writer.stdout.readline() == "over\n"
            cut_off += any(files.renewed.parent.glob(".writing-*"))
            found = told(files.renewed)[0]
            assert found in wanted
            seen.add(wanted.index(found))
        writer.stdin.close()
    # Some of them were in the middle of it.
    assert cut_off >= tries(6) // 3
    assert seen == {0, 1}
    clear_away(files.renewed.parent)
    for town in TOWNS:
        files.write(town)
    assert files.write(TOWNS[0])


@st.composite
def histories(draw: st.DrawFn) -> list[Town]:
    """A town that something happens to again and again."""
    town = first_town(draw(st.integers(8, 24)))
    made = [town]
    for _ in range(draw(st.integers(1, 3))):
        homes = dict(town.homes)
        for _ in range(draw(st.integers(0, 2))):
            home = draw(st.sampled_from([*sorted(homes), "B500", "B501"]))
            tile, number = homes.get(home, (draw(st.sampled_from(["a", "bb", "h"])), 0))
            what = draw(st.sampled_from(["change", "go", "move", "tile goes"]))
            if what == "go" and len(homes) > 2:
                homes.pop(home, None)
            elif what == "move":
                homes[home] = (draw(st.sampled_from(TILES)), number)
            elif what == "tile goes" and len({where for where, _ in homes.values()} - {tile}) > 1:
                homes = {name: said for name, said in homes.items() if said[0] != tile}
            else:
                homes[home] = (tile, draw(st.integers(0, 9)))
        town = Town(homes, draw(st.integers(0, 3)), draw(st.integers(1, 2)))
        made.append(town)
    return made


@settings(
    max_examples=tries(6), deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
@given(history=histories())
def test_whatever_happens_the_file_is_that_which_is_written_whole(
    tmp_path_factory: pytest.TempPathFactory, store: Path, history: list[Town]
) -> None:
    folder = tmp_path_factory.mktemp("history")
    files = Files(folder, store)
    event(f"{sum([files.write(town) for town in history])} of {len(history)} renewed")
    shutil.rmtree(folder)
