"""Same in, same out: every file of a build to the byte, whatever the machine, the folder, the order of rows.

In: the demo district, in copies.
Out: the same files. What may differ, and why:

- The work folder `.tiles` tells when the files were written; it is no output.
- Where rows of the sources come in another order, rows of tables do too: they are compared in the order of
  their values. `build.json` holds the sources' checksums, and problems name rows by their number in the file.
  Of two outlines with one id the first keeps it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest

from roofplat.pipeline.tiles.keys import WORK_FOLDER
from tests.breaking.tries import tries

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo"
BUILD = """
import datetime, sys
from roofplat import build, read_district
build(
    read_district(sys.argv[1]), out=sys.argv[2], as_of=datetime.date(2026, 1, 1), workers=int(sys.argv[3]),
    tile_buildings=int(sys.argv[4]) or None,
)
"""
THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "GDAL_NUM_THREADS",
    "ARROW_DEFAULT_MEMORY_POOL",
)
MACHINES: dict[str, dict[str, str]] = {
    "one thread, the east": {
        **dict.fromkeys(THREADS[:-1], "1"),
        "PYTHONHASHSEED": "1",
        "TZ": "Pacific/Auckland",
        "LC_ALL": "C",
        "LANG": "C",
        "ROOFPLAT_NUMBA": "0",
    },
    "many threads, the west": {
        **dict.fromkeys(THREADS[:-1], "7"),
        "ARROW_DEFAULT_MEMORY_POOL": "system",
        "PYTHONHASHSEED": "31337",
        "TZ": "America/Los_Angeles",
        "LC_ALL": "de_DE.UTF-8",
        "LANG": "de_DE.UTF-8",
        "ROOFPLAT_NUMBA": "1",
        "COLUMNS": "40",
    },
}


def built(
    district: Path, out: Path, *, cwd: Path, workers: int = 1, tiles: int = 0, machine: dict[str, str]
) -> dict[str, str]:
    """Build in a process of its own; checksums of the files."""
    run = [sys.executable, "-c", BUILD, str(district), str(out), str(workers), str(tiles)]
    done = subprocess.run(run, cwd=cwd, env=os.environ | machine, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file() and WORK_FOLDER not in path.parts
    }


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, str], Path]:
    """The demo, built on one machine."""
    folder = tmp_path_factory.mktemp("first")
    shutil.copytree(DEMO, folder / "demo")
    machine = MACHINES["one thread, the east"]
    return built(folder / "demo" / "district.toml", folder / "out", cwd=folder, machine=machine), folder


def test_another_machine_makes_the_same_bytes(first: tuple[dict[str, str], Path], tmp_path: Path) -> None:
    """Threads, workers, compiled loops, hash seed, time zone, language, and every folder are others."""
    home = tmp_path / "a longer way" / "élève"
    home.mkdir(parents=True)
    shutil.copytree(DEMO, home / "town")
    machine = MACHINES["many threads, the west"]
    again = built(
        Path("town") / "district.toml", home / "elsewhere" / "out", cwd=home, workers=2, machine=machine
    )
    assert again == first[0]
    assert len(again) > 15


@pytest.mark.skipif(tries(1) < 2, reason="half a minute of processor: ROOFPLAT_TRIES=2")
def test_tiles_are_the_same_on_every_machine(tmp_path: Path) -> None:
    """One worker and two, in another order: the same tiles, the same files."""
    files = []
    for (name, machine), workers in zip(MACHINES.items(), (1, 2), strict=True):
        home = tmp_path / name
        shutil.copytree(DEMO, home / "demo")
        files.append(
            built(
                home / "demo" / "district.toml",
                home / "out",
                cwd=home,
                workers=workers,
                tiles=150,
                machine=machine,
            )
        )
    assert files[0] == files[1]


def shuffled_demo(folder: Path, seed: int) -> Path:
    """A copy of the demo in which the rows of every source come in another order."""
    random = np.random.default_rng(seed)
    shutil.copytree(DEMO, folder)
    for path in sorted(folder.iterdir()):
        if path.suffix == ".csv":
            head, *lines = path.read_text("utf-8").splitlines()
            path.write_text("\n".join([head, *random.permutation(lines)]) + "\n", "utf-8")
        elif path.suffix == ".geojson":
            collection = json.loads(path.read_text("utf-8"))
            order = random.permutation(len(collection["features"]))
            collection["features"] = [collection["features"][row] for row in order]
            path.write_text(json.dumps(collection), "utf-8")
        elif path.suffix in (".gpkg", ".fgb"):
            layers = {}
            for layer in pyogrio.list_layers(path)[:, 0]:
                meta, _, shapes, columns = pyogrio.raw.read(path, layer=layer)
                order = random.permutation(len(shapes))
                if "bldg_id" in meta["fields"]:
                    order = twins_as_they_were(order, columns[list(meta["fields"]).index("bldg_id")])
                layers[layer] = (meta, shapes[order], [column[order] for column in columns])
            path.unlink()
            for layer, (meta, shapes, columns) in layers.items():
                pyogrio.raw.write(
                    path,
                    shapes,
                    columns,
                    meta["fields"],
                    layer=layer,
                    crs=meta["crs"],
                    geometry_type=meta["geometry_type"],
                    driver="GPKG" if path.suffix == ".gpkg" else "FlatGeobuf",
                    append=path.exists(),
                    **({"SPATIAL_INDEX": "NO"} if path.suffix == ".fgb" else {}),
                )
    return folder / "district.toml"


def twins_as_they_were(order: Any, ids: Any) -> Any:
    """An order of rows in which those of one id come one after the other as they did.

    Which of two outlines of one id keeps it is a matter of their order, as the problem row says.
    """
    place = np.argsort(order)
    for rows in pd.Series(range(len(ids))).groupby(ids).indices.values():
        place[rows] = np.sort(place[rows])
    return np.argsort(place)


def tables_of(out: Path) -> dict[str, Any]:
    """Every layer of the output, in the order of its keys."""
    tables = {}
    for layer in pyogrio.list_layers(out / "layers.gpkg")[:, 0]:
        table = gpd.read_file(out / "layers.gpkg", layer=layer)
        plain = pd.DataFrame(table).astype("str").fillna("")
        if isinstance(table, gpd.GeoDataFrame):
            shapes = table.geometry if layer != "solar_access" else table.geometry.normalize()
            plain["geometry"] = shapes.to_wkb(hex=True).astype("str").to_numpy()
        tables[layer] = plain.sort_values([*plain.columns], kind="stable").reset_index(drop=True)
    return tables


# A problem, an obstacle and the ground name rows of their source by number; arrays are numbered in the order
# of their first panel, which is the first part of their geometry too.
BY_NUMBER = ("problems", "obstacles", "ground", "solar_access")
NUMBERED = ("feature", "obstacle_id", "ground_id", "message", "array")


def test_the_order_of_rows_changes_no_plan(first: tuple[dict[str, str], Path], tmp_path: Path) -> None:
    machine = MACHINES["one thread, the east"]
    was = tables_of(first[1] / "out")
    for seed in range(tries(1)):
        district = shuffled_demo(tmp_path / f"demo{seed}", seed)
        out = tmp_path / f"out{seed}"
        built(district, out, cwd=tmp_path, machine=machine)
        now = tables_of(out)
        assert list(now) == list(was)
        unlike = {}
        for name, rows in was.items():
            kept = [column for column in rows.columns if not (name in BY_NUMBER and column in NUMBERED)]
            one, two = (
                table[kept].sort_values(kept, kind="stable").reset_index(drop=True)
                for table in (rows, now[name])
            )
            if not one.equals(two):
                unlike[name] = first_unlike(one, two)
        assert unlike == {}


def first_unlike(one: pd.DataFrame, two: pd.DataFrame) -> str:
    if len(one) != len(two):
        return f"{len(one)} and {len(two)} rows"
    row, column = np.argwhere((one != two).to_numpy())[0]
    name = one.columns[column]
    return f"{name}: {one[name][row]} and {two[name][row]} in {one.iloc[row, :2].tolist()}"
