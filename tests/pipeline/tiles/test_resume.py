"""Nothing twice: a build that is killed goes on where it was, and a change plans its neighbourhood alone."""

from __future__ import annotations

import datetime
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pytest
from shapely.affinity import scale
from tests.benchmarks.district import write_district

from roofplat import build, read_district
from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.pipeline.planning import silent, wind_of
from roofplat.pipeline.tiles.keys import WORK_FOLDER
from roofplat.pipeline.tiles.run import KEY, PLACES, WORKSHOP
from roofplat.pipeline.tiles.whole import Tiled, build_tiles
from roofplat.publish.files import alone
from roofplat.rules import load_rulebook

DAY = datetime.date(2026, 1, 1)
MOST = 24
ROOFPLAT = [sys.executable, "-c", "from roofplat.cli.main import main; main()"]
# What a build leaves in its work folder.
LEFT = {"cut.json", "cut.key", "done", PLACES, "sources"}
# They say when files were changed.
NOTES = {"built.json", "layers.json"}


@pytest.fixture
def town(tmp_path: Path) -> Path:
    return write_district(120, tmp_path / "town")


def tiled(town: Path, out: Path, *, day: datetime.date = DAY, most: int = MOST, anew: bool = False) -> Tiled:
    """All of a build in tiles but its files."""
    district = read_district(town)
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    return build_tiles(
        district,
        rules,
        ground,
        out / WORK_FOLDER,
        tile_buildings=most,
        wind=wind_of(district, rules, None),
        day=day,
        anew=anew,
        say=silent,
    )


def keys(out: Path) -> dict[str, str]:
    folders = (out / WORK_FOLDER / "done").iterdir()
    return {folder.name: (folder / KEY).read_text("utf-8") for folder in folders}


def contents(out: Path) -> dict[str, bytes]:
    """Every file of a build, and the tables of each tile; not what was half written less than an hour ago."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in out.rglob("*")
        if path.is_file()
        and path.name not in NOTES
        and not path.relative_to(out).parts[0].startswith(WORKSHOP)
    }


def change_a_building(town: Path) -> str:
    """Let the northernmost building be a little smaller."""
    path = town.parent / "footprints.gpkg"
    roofs = gpd.read_file(path)
    row = int(roofs.bounds["maxy"].argmax())
    roofs.loc[row, "geometry"] = scale(roofs.geometry[row], 0.95, 0.95)
    roofs.to_file(path)
    return str(roofs["building_id"][row])


def test_what_changes_in_one_place_plans_the_tiles_that_see_it(town: Path, tmp_path: Path) -> None:
    first = tiled(town, tmp_path / "out")
    before = keys(tmp_path / "out")
    assert first.planned == first.tiles > 4
    again = tiled(town, tmp_path / "out")
    assert again.planned == 0
    # Ages are counted when all is planned.
    assert tiled(town, tmp_path / "out", day=DAY + datetime.timedelta(days=1)).planned == 0
    was = first.parts.narrow("buildings", ["building_id", "area_ft2"]).set_index("building_id")["area_ft2"]
    name = change_a_building(town)
    changed = tiled(town, tmp_path / "out")
    after = keys(tmp_path / "out")
    assert set(after) == set(before)
    other = {tile for tile in before if after[tile] != before[tile]}
    assert 1 <= len(other) == changed.planned < first.tiles
    fresh = tiled(town, tmp_path / "fresh")
    assert fresh.planned == fresh.tiles
    assert contents(tmp_path / "out") == contents(tmp_path / "fresh")
    now = changed.parts.narrow("buildings", ["building_id", "area_ft2"]).set_index("building_id")["area_ft2"]
    assert was.index[was != now.reindex(was.index)].tolist() == [name]
    assert now[name] < was[name]


def test_tiles_that_are_no_longer_cut_go(town: Path, tmp_path: Path) -> None:
    first = tiled(town, tmp_path)
    fewer = tiled(town, tmp_path, most=4 * MOST)
    assert fewer.tiles < first.tiles
    assert len(keys(tmp_path)) == fewer.tiles
    assert {entry.name for entry in (tmp_path / WORK_FOLDER).iterdir()} == LEFT


def test_anew_plans_every_tile(town: Path, tmp_path: Path) -> None:
    first = tiled(town, tmp_path)
    anew = tiled(town, tmp_path, anew=True)
    assert anew.planned == first.tiles


def test_a_tile_that_lost_its_key_is_planned_again(town: Path, tmp_path: Path) -> None:
    tiled(town, tmp_path)
    folders = sorted((tmp_path / WORK_FOLDER / "done").iterdir())
    (folders[0] / KEY).unlink()
    shutil.rmtree(folders[1])
    (tmp_path / WORK_FOLDER / "done" / f"{WORKSHOP}left").mkdir()
    before = contents(tmp_path)
    assert tiled(town, tmp_path).planned == 2
    assert {entry.name for entry in (tmp_path / WORK_FOLDER / "done").iterdir()} == {
        folder.name for folder in folders
    }
    assert set(before) < set(contents(tmp_path))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="locks of files are those of POSIX")
def test_two_builds_at_once_in_one_folder_are_refused(town: Path, tmp_path: Path) -> None:
    refused = pytest.raises(DistrictFileError, match=r"^Another build is at work in .*--out\.$")
    with alone(tmp_path / WORK_FOLDER), refused:
        tiled(town, tmp_path)
    assert tiled(town, tmp_path).tiles > 1


def test_a_build_that_is_killed_again_and_again_ends_as_if_it_was_not(town: Path, tmp_path: Path) -> None:
    """Killed at moments that nobody chose, it leaves no rubbish of tiles, and does nothing twice."""
    district = read_district(town)
    whole = build(district, out=tmp_path / "whole", as_of=DAY, tile_buildings=MOST)
    out = tmp_path / "out"
    command = [*ROOFPLAT, "build", str(town), "--out", str(out)]
    command += ["--as-of", DAY.isoformat(), "--tile-buildings", str(MOST), "--workers", "2"]
    chance = random.Random(8)
    killed = 0
    for _ in range(3):
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        folder = out / WORK_FOLDER / "done"
        until = time.monotonic() + 120
        had = len(list(folder.glob("t*"))) if folder.exists() else 0
        # Not before something was done, then at any moment.
        while running.poll() is None and time.monotonic() < until:
            if folder.exists() and len(list(folder.glob("t*"))) > min(had, whole.tiles - 1):
                break
            time.sleep(0.02)
        time.sleep(chance.random())
        if running.poll() is None:
            running.send_signal(signal.SIGKILL)
            killed += 1
        running.wait()
    assert killed >= 2
    done = len(list((out / WORK_FOLDER / "done").glob("t*")))
    last = build(district, out=out, as_of=DAY, tile_buildings=MOST)
    assert last.tiles == whole.tiles
    assert last.planned <= whole.tiles - min(done, whole.tiles)
    assert contents(out) == contents(tmp_path / "whole")
    assert {entry.name for entry in (out / WORK_FOLDER).iterdir()} == LEFT | NOTES
    assert not list((out / WORK_FOLDER).rglob(f"{WORKSHOP}*"))
