"""Damaged files: one clear sentence each, in bounded time and memory, and nothing half written.

In: good files of every format, cut off, with bits turned, with parts missing, or of another kind than their
    names say; files that unpack to more than there is; what is no file at all.
Out: an exit code that is documented, and no traceback, no library's own words, no death of the process.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from tests.breaking.runner import Answer, Runner, runner
from tests.breaking.tries import tries

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000
# Nothing that is damaged may take more than this beside a small district; whole, it takes a quarter of it.
PEAK_MB, CPU_S = 1_500.0, 40.0
LAYERS = ("gpkg", "geojson", "geojsonl", "shp", "dbf", "shz", "fgb", "parquet", "osm")
TABLES = ("csv", "xlsx", "table.parquet")


@pytest.fixture(scope="module")
def command() -> Iterator[Runner]:
    with runner() as made:
        yield made


def outlines() -> gpd.GeoDataFrame:
    """Twelve sheds, one of them with a yard."""
    shapes = [shapely.box(EAST + 100 * k, NORTH, EAST + 100 * k + 60, NORTH + 30) for k in range(11)]
    yard = shapely.box(EAST, NORTH + 100, EAST + 80, NORTH + 160)
    shapes.append(yard.difference(shapely.box(EAST + 30, NORTH + 120, EAST + 50, NORTH + 140)))
    count = len(shapes)
    return gpd.GeoDataFrame(
        {
            "bldg_id": [f"b{k}" for k in range(count)],
            "family": ["panelized_wood", "sawn_joist_flat", None] * 4,
            "height_ft": [24.0 + k for k in range(count)],
            "year": range(1950, 1950 + count),
            "seen": pd.date_range("2024-01-01", periods=count),
        },
        geometry=shapes,
        crs=CRS,
    )


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Good files of every format, named `roofs` and `roll`."""
    folder = tmp_path_factory.mktemp("good")
    frame = outlines()
    frame.to_file(folder / "roofs.gpkg")
    flat = frame.assign(seen=frame["seen"].astype("str"))
    flat.to_crs(4326).to_file(folder / "roofs.geojson")
    flat.to_crs(4326).to_file(folder / "roofs.geojsonl", driver="GeoJSONSeq")
    flat.to_file(folder / "roofs.shp")
    flat.to_file(folder / "roofs.fgb")
    frame.to_parquet(folder / "roofs.parquet")
    with zipfile.ZipFile(folder / "roofs.shz", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in ("shp", "shx", "dbf", "prj"):
            archive.write(folder / f"roofs.{part}", f"roofs.{part}")
    nodes, ways = [], []
    for number, ring in enumerate(frame.to_crs(4326).exterior):
        corners = [(4 * number + k + 1, *point) for k, point in enumerate(list(ring.coords)[:4])]
        nodes += [f'<node id="{key}" lat="{lat}" lon="{lon}"/>' for key, lon, lat in corners]
        refs = "".join(f'<nd ref="{key}"/>' for key in [corner[0] for corner in (*corners, corners[0])])
        ways.append(f'<way id="{number + 1}">{refs}<tag k="building" v="yes"/></way>')
    osm = f'<?xml version="1.0"?><osm version="0.6">{"".join(nodes)}{"".join(ways)}</osm>'
    (folder / "roofs.osm").write_text(osm, "utf-8")
    roll = pd.DataFrame(flat.drop(columns="geometry"))
    roll.to_csv(folder / "roll.csv", index=False)
    roll.to_excel(folder / "roll.xlsx", index=False)
    roll.to_parquet(folder / "roll.table.parquet")
    return folder


def district(folder: Path, outlines: str, table: str | None = None, more: str = "") -> Path:
    """A district file; what is missing to its files is not written."""
    text = f'[district]\nname = "Sedge Flats"\n{more}[footprints]\nfile = "{outlines}"\n'
    if outlines.endswith(".osm"):
        text += 'layer = "multipolygons"\npreset = "osm"\n'
    else:
        text += 'id = "bldg_id"\ncolumns = { roof_family = "family", year_built = "year" }\n'
    if table is not None:
        text += (
            f'[[attributes]]\nname = "roll"\nfile = "{table}"\nhow = "key"\nid = "bldg_id"\n'
            'columns = { roof_family = "family", year_built = "year", inspected_on = "seen" }\n'
        )
    path = folder / "district.toml"
    path.write_text(text, "utf-8")
    return path


def copied(good: Path, folder: Path, ending: str) -> tuple[Path, Path]:
    """A district with outlines or a roll of one format, and the file to damage."""
    for part in good.glob("roofs.*"):
        shutil.copyfile(part, folder / part.name)
    if ending in TABLES:
        shutil.copyfile(good / f"roll.{ending}", folder / f"roll.{ending}")
        return district(folder, "roofs.gpkg", f"roll.{ending}"), folder / f"roll.{ending}"
    outlines = "roofs.shp" if ending == "dbf" else f"roofs.{ending}"
    return district(folder, outlines), folder / f"roofs.{ending}"


def bounded(answer: Answer) -> Answer:
    """Good manners, and neither much memory nor much time."""
    answer.check()
    assert answer.peak_mb < PEAK_MB
    assert answer.cpu_s < CPU_S
    return answer


def turned(data: bytes, chance: random.Random) -> bytes:
    """The bytes with some bits turned; heads and tails, where formats keep their sizes, more often."""
    made = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 8, 64))):
        span = chance.choice((len(made), min(len(made), 200), -min(len(made), 200)))
        place = chance.randrange(span) if span > 0 else len(made) - 1 - chance.randrange(-span)
        made[place] = chance.choice((made[place] ^ 1 << chance.randrange(8), 0, 255, chance.randrange(256)))
    return bytes(made)


@pytest.mark.parametrize("ending", [*LAYERS, *TABLES])
def test_whole_files_are_read(command: Runner, good: Path, tmp_path: Path, ending: str) -> None:
    file, _ = copied(good, tmp_path, ending)
    answer = command.run("check", file, folder=tmp_path).check()
    assert answer.code == 0, answer.err
    assert " 12 " in answer.out


@pytest.mark.parametrize("ending", [*LAYERS, *TABLES])
def test_a_file_that_is_cut_off(command: Runner, good: Path, tmp_path: Path, ending: str) -> None:
    file, damaged = copied(good, tmp_path, ending)
    whole = damaged.read_bytes()
    chance = random.Random(ending)
    for _ in range(tries(4)):
        length = chance.choice((0, chance.randrange(100), chance.randrange(len(whole)), len(whole) - 1))
        damaged.write_bytes(whole[:length])
        bounded(command.run("check", file, folder=tmp_path))


@pytest.mark.parametrize("ending", [*LAYERS, *TABLES])
def test_a_file_with_bits_turned(command: Runner, good: Path, tmp_path: Path, ending: str) -> None:
    file, damaged = copied(good, tmp_path, ending)
    whole = damaged.read_bytes()
    chance = random.Random(f"{ending} bits")
    for _ in range(tries(5)):
        damaged.write_bytes(turned(whole, chance))
        bounded(command.run("check", file, folder=tmp_path))
