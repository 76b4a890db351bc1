"""Damaged files: one clear sentence each, in bounded time and memory, and nothing half written.

In: good files of every format, cut off, with bits turned, with parts missing, or of another kind than their
    names say; files that unpack to more than there is; what is no file at all.
Out: an exit code that is documented, and no traceback, no library's own words, no death of the process.
"""

from __future__ import annotations

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
    for _ in range(tries(3)):
        length = chance.choice((0, chance.randrange(100), chance.randrange(len(whole)), len(whole) - 1))
        damaged.write_bytes(whole[:length])
        bounded(command.run("check", file, folder=tmp_path))


@pytest.mark.parametrize("ending", [*LAYERS, *TABLES])
def test_a_file_with_bits_turned(command: Runner, good: Path, tmp_path: Path, ending: str) -> None:
    file, damaged = copied(good, tmp_path, ending)
    whole = damaged.read_bytes()
    chance = random.Random(f"{ending} bits")
    for _ in range(tries(3)):
        damaged.write_bytes(turned(whole, chance))
        bounded(command.run("check", file, folder=tmp_path))


SQUARE = (
    '{"type":"Polygon","coordinates":[[[-105,39],[-104.999,39],[-104.999,39.001],[-105,39.001],[-105,39]]]}'
)
DEEP = "[" * 10_000 + "1" + "]" * 10_000
DEEP_OBJECT = '{"a":' * 10_000 + "1" + "}" * 10_000


def feature(shape: str, properties: str = "{}") -> str:
    """A collection of one feature."""
    one = f'{{"type":"Feature","properties":{properties},"geometry":{shape}}}'
    return f'{{"type":"FeatureCollection","features":[{one}]}}'


@pytest.mark.parametrize(
    "text",
    [
        DEEP,
        DEEP_OBJECT,
        feature(f'{{"type":"Polygon","coordinates":{DEEP}}}'),
        feature('{"type":"GeometryCollection","geometries":[' * 10_000 + SQUARE + "]}" * 10_000),
        feature(SQUARE, f'{{"a":{DEEP}}}'),
        feature(SQUARE, DEEP_OBJECT),
    ],
    ids=["arrays", "objects", "coordinates", "collections", "property", "properties"],
)
def test_json_that_is_nested_too_deeply(command: Runner, tmp_path: Path, text: str) -> None:
    (tmp_path / "deep.geojson").write_text(text, "utf-8")
    answer = bounded(command.run("check", district(tmp_path, "deep.geojson"), folder=tmp_path))
    assert answer.code == 1
    assert answer.sentence.startswith("Error: deep.geojson: ")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ('<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>@</SrcDataSource></OGRVRTLayer>'
         "</OGRVRTDataSource>", "roofs.vrt"),
        ('<OGRVRTDataSource><OGRVRTLayer name="roofs"><SrcDataSource>@</SrcDataSource></OGRVRTLayer>'
         "</OGRVRTDataSource>", "roofs.geojson"),
        ('<osm version="0.6"></osm><OGRVRTDataSource><OGRVRTLayer name="roofs"><SrcDataSource>@'
         "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>", "roofs.osm"),
        ('{"type":"gdal_streamed_alg","command_line":"gdal vector pipeline ! read @"}', "roofs.gdalg.json"),
        ('{"type":"gdal_streamed_alg","command_line":"gdal vector pipeline ! read @"}', "roofs.gpkg"),
        ("<OGRWFSDataSource><URL>http://127.0.0.1:9/</URL></OGRWFSDataSource>", "roofs.xml"),
        ('<?xml version="1.0"?><gml:x xmlns:gml="http://www.opengis.net/gml"/>', "roofs.gml"),
        ('<kml xmlns="http://www.opengis.net/kml/2.2"><NetworkLink/></kml>', "roofs.kml"),
    ],
)  # fmt: skip
def test_formats_that_lead_elsewhere_are_not_opened(
    command: Runner, good: Path, tmp_path: Path, text: str, name: str
) -> None:
    (tmp_path / name).write_text(text.replace("@", str(good / "roofs.gpkg")), "utf-8")
    answer = bounded(command.run("check", district(tmp_path, name), folder=tmp_path))
    assert answer.code == 1
    assert answer.sentence.startswith(f"Error: {name}: the file cannot be read as a map layer")


@pytest.mark.parametrize("name", ["/vsicurl/http://127.0.0.1:9/a.geojson", "/vsizip/roofs.shz/roofs.shp",
                                  "/vsistdin/", "/vsimem/a.geojson", "http://127.0.0.1:9/a.geojson",
                                  "PG:dbname=x", "GPKG:roofs.gpkg:roofs"])  # fmt: skip
def test_names_that_mean_more_than_a_file_are_no_files(
    command: Runner, good: Path, tmp_path: Path, name: str
) -> None:
    for part in ("roofs.gpkg", "roofs.shz"):
        shutil.copyfile(good / part, tmp_path / part)
    words = ("check", district(tmp_path, name), "--allow-outside")
    answer = bounded(command.run(*words, folder=tmp_path))
    assert answer.code == 1
    assert "there is no file" in answer.sentence


@pytest.mark.parametrize("ending", ["geojson", "gpkg", "parquet", "csv"])
def test_what_is_no_file_is_not_read(command: Runner, tmp_path: Path, ending: str) -> None:
    os.mkfifo(tmp_path / f"pipe.{ending}")
    (tmp_path / f"device.{ending}").symlink_to("/dev/zero")
    (tmp_path / f"folder.{ending}").mkdir()
    for name, words in (
        ("pipe", "a device or a pipe"),
        ("device", "a device or a pipe"),
        ("folder", "a folder"),
    ):
        file = district(tmp_path, f"{name}.{ending}")
        answer = bounded(command.run("check", file, "--allow-outside", folder=tmp_path))
        assert answer.code == 1
        assert f"is {words}; give" in answer.sentence
    # Without the permission, a link out of the folder is not even looked at.
    file = district(tmp_path, f"device.{ending}")
    assert "leads out of the folder" in bounded(command.run("check", file, folder=tmp_path)).sentence


def test_a_district_file_that_is_none(command: Runner, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    texts = {
        "deep.toml": "x = " + "[" * 20_000 + "]" * 20_000,
        "dotted.toml": "a." * 50_000 + "b = 1",
        "rules.toml": "[rules]\n" + "x." * 3_000 + "y = 1\n",
        "wide.toml": "x = '" + "y" * 11_000_000 + "'",
        "long.toml": "[district]\nname = 'x'\n[footprints]\nfile = '" + "y" * 5_000 + "'\n",
        "high.toml": "[district]\nname = 'x'\nmean_elevation_ft = nan\n[footprints]\nfile = 'x'\n",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text, "utf-8")
    for name in (*texts, "pipe.toml"):
        answer = bounded(command.run("check", tmp_path / name, folder=tmp_path))
        assert answer.code == 2, name
    assert bounded(command.run("check", "/dev/zero", folder=tmp_path)).code == 2


def test_a_district_file_that_is_damaged(command: Runner, good: Path, tmp_path: Path) -> None:
    whole = district(tmp_path, "roofs.gpkg", "roll.csv", 'region = "west"\n').read_bytes()
    damaged = tmp_path / "district.toml"
    chance = random.Random("district file")
    for _ in range(tries(12)):
        cut = whole[: chance.randrange(len(whole))]
        damaged.write_bytes(chance.choice((cut, turned(whole, chance))))
        answer = bounded(command.run("rules", "ladder", "--district", damaged, folder=tmp_path))
        assert answer.code in (0, 2)


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.csv", "bldg_id,family\nb1,x\n".encode("utf-16"), "UTF-16"),
        ("a.csv", "bldg_id,family\nb1,x\n".encode("utf-16-le"), "null bytes"),
        ("a.csv", "bldg_id,family\nb\xe9,x\n".encode("latin-1"), "not UTF-8 text"),
        ("a.csv", b"bldg_id,family\nb\0,x\n", "null bytes"),
        ("a.csv", random.Random(1).randbytes(5_000), "not UTF-8 text"),
        ("a.csv", b"bldg_id,family\nb1," + b"x" * 300_000, "cannot be read"),
        ("a.csv", b"", "cannot be read"),
        ("a.xlsx", b"bldg_id,family\nb1,x\n", "cannot be read"),
        ("a.parquet", b"bldg_id,family\nb1,x\n", "cannot be read"),
        ("a.parquet", b"", "is empty"),
        ("a.kmz", b"PK\x03\x04", "is packed; unpack it"),
        ("a.xlsx", b"PK\x03\x04" + b"x" * 500, "is damaged"),
    ],
)
def test_tables_that_are_none_leave_the_rest(
    command: Runner, good: Path, tmp_path: Path, name: str, data: bytes, words: str
) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    (tmp_path / name).write_bytes(data)
    answer = bounded(command.run("check", district(tmp_path, "roofs.gpkg", name), folder=tmp_path))
    assert answer.code == 1
    (line,) = [line for line in answer.out.splitlines() if line.startswith("  error: ")]
    assert line.startswith(f"  error: {name}: ")
    assert words in line
    assert " 12 " in answer.out


def test_a_file_under_the_name_of_another_format(command: Runner, good: Path, tmp_path: Path) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    shutil.copyfile(good / "roll.xlsx", tmp_path / "roll.csv")
    answer = bounded(command.run("check", district(tmp_path, "roofs.gpkg", "roll.csv"), folder=tmp_path))
    assert "roll.csv: the file is a workbook and no table; save it as CSV UTF-8." in answer.out
    shutil.copyfile(good / "roofs.parquet", tmp_path / "outlines.gpkg")
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "outlines.parquet")
    for name in ("outlines.gpkg", "outlines.parquet"):
        answer = bounded(command.run("check", district(tmp_path, name), folder=tmp_path))
        assert answer.sentence.startswith(f"Error: {name}: the file cannot be read")


@pytest.mark.parametrize("part", ["shp", "shx", "dbf", "prj"])
def test_a_shapefile_without_one_of_its_parts(command: Runner, good: Path, tmp_path: Path, part: str) -> None:
    file, _ = copied(good, tmp_path, "shp")
    (tmp_path / f"roofs.{part}").unlink()
    answer = bounded(command.run("check", file, folder=tmp_path))
    said = {"shp": "there is no file", "shx": "roofs.shp", "dbf": "no column 'bldg_id'", "prj": "set crs ="}
    assert said[part] in answer.sentence or (part == "shx" and answer.code == 0)


def test_a_file_that_unpacks_to_more_than_it_may(command: Runner, good: Path, tmp_path: Path) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    bomb = tmp_path / "bomb.xlsx"
    packed = zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED, compresslevel=1)
    with packed as archive, archive.open("xl/worksheets/sheet1.xml", "w") as stream:
        for _ in range(210):
            stream.write(bytes(1_000_000))
    assert bomb.stat().st_size < 2_000_000
    answer = bounded(command.run("check", district(tmp_path, "roofs.gpkg", bomb.name), folder=tmp_path))
    assert "bomb.xlsx: the file unpacks to 210 MB, more than the 200 of unpacked_mb" in answer.out
    shutil.copyfile(good / "roll.xlsx", tmp_path / "roll.xlsx")
    file = district(tmp_path, "roofs.gpkg", "roll.xlsx")
    file.write_text(file.read_text("utf-8").replace("how =", "unpacked_mb = 0.001\nhow ="), "utf-8")
    assert "more than the 0 of unpacked_mb" in bounded(command.run("check", file, folder=tmp_path)).out


def test_damage_leaves_nothing_half_written(command: Runner, good: Path, tmp_path: Path) -> None:
    file, damaged = copied(good, tmp_path, "gpkg")
    whole = damaged.read_bytes()
    out = tmp_path / "maps"
    damaged.write_bytes(whole[: len(whole) // 2])
    assert bounded(command.run("build", file, "--out", out, folder=tmp_path)).code == 1
    assert not out.exists() or not list(out.rglob("*.*"))
    damaged.write_bytes(whole)
    assert command.run("build", file, "--out", out, folder=tmp_path).check().code == 0
    before = {path: path.read_bytes() for path in out.iterdir() if path.is_file()}
    damaged.write_bytes(whole[: len(whole) // 2])
    assert bounded(command.run("build", file, "--out", out, folder=tmp_path)).code == 1
    assert {path: path.read_bytes() for path in out.iterdir() if path.is_file()} == before


def test_tiles_that_are_damaged_are_planned_again_or_named(
    command: Runner, good: Path, tmp_path: Path
) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    out, kept = tmp_path / "out", tmp_path / "kept"
    words = ("build", district(tmp_path, "roofs.gpkg"), "--out", out, "--tile-buildings", "10",
             "--as-of", "2026-01-01", "--no-sheets")  # fmt: skip
    assert command.run(*words, folder=tmp_path).check().code == 0
    lists = {path.name: path.read_bytes() for path in out.glob("*.csv")}
    assert lists
    # Without its note of the last build a build looks at every tile.
    (out / ".tiles" / "built.json").unlink()
    shutil.copytree(out, kept)
    chance = random.Random("tiles")
    everything = sorted(path.relative_to(out) for path in (out / ".tiles").rglob("*") if path.is_file())
    first = [
        path for path in everything if path.name in ("walls.parquet", "sizes.json", "key.txt", "cut.json")
    ]
    for path in [*chance.sample(first, 2), *chance.sample(everything, min(60, tries(1)))]:
        whole = (out / path).read_bytes()
        cut = whole[: chance.randrange(max(1, len(whole)))]
        (out / path).write_bytes(chance.choice((cut, turned(whole, chance))) if whole else b"x")
        answer = bounded(command.run(*words, folder=tmp_path))
        if answer.sentence:
            assert "--anew" in answer.sentence, path
            assert command.run(*words, "--anew", folder=tmp_path).check().code == 0
        assert {name: (out / name).read_bytes() for name in lists} == lists, path
        shutil.rmtree(out)
        shutil.copytree(kept, out)


def test_a_record_that_is_damaged(command: Runner, good: Path, tmp_path: Path) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    file = district(tmp_path, "roofs.gpkg")
    form = tmp_path / "form.csv"
    form.write_text("building_id,roof_family,who,seen_on\nb0,lamella,Inspector 1,2026-01-05\n", "utf-8")
    assert command.run("survey", "in", file, form, folder=tmp_path).check().code == 0
    record = tmp_path / "inventory.gpkg"
    whole = record.read_bytes()
    chance = random.Random("record")
    for _ in range(tries(4)):
        for part in tmp_path.glob("inventory.gpkg-*"):
            part.unlink()
        cut = whole[: chance.randrange(len(whole))]
        record.write_bytes(chance.choice((cut, turned(whole, chance))))
        words = chance.choice((("check", file), ("survey", "in", file, form)))
        bounded(command.run(*words, folder=tmp_path))


def test_a_build_that_is_damaged_is_not_compared(command: Runner, good: Path, tmp_path: Path) -> None:
    shutil.copyfile(good / "roofs.gpkg", tmp_path / "roofs.gpkg")
    file = district(tmp_path, "roofs.gpkg")
    whole, other = tmp_path / "whole", tmp_path / "other"
    assert command.run("build", file, "--out", whole, folder=tmp_path).check().code == 0
    shutil.copytree(whole, other)
    files = {name: (whole / name).read_bytes() for name in ("layers.gpkg", "build.json")}
    chance = random.Random("builds")
    words = ["changes", "--builds", whole, other, "--out", tmp_path / "out"]
    assert "nothing changed" in command.run(*words, folder=tmp_path).check().out
    for turn in range(tries(3)):
        name = "build.json" if turn % 3 == 2 else "layers.gpkg"
        data = files[name]
        cut = data[: chance.randrange(len(data))]
        (other / name).write_bytes(chance.choice((cut, turned(data, chance), b"x" * len(data))))
        words[2:4] = chance.choice(((whole, other), (other, whole)))
        answer = bounded(command.run(*words, folder=tmp_path))
        if answer.code:
            assert answer.code == 2
            assert "build it again" in answer.sentence or "build again" in answer.sentence, answer.sentence
        (other / name).write_bytes(data)
