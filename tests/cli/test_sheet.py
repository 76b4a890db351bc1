"""`roofplat sheet` and `roofplat build --sheets` on a small district with real files.

In: three sheds in two dispatch areas.
Out: one page a building, the scenario asked for, one sentence for what cannot be.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader
from pyproj import Transformer
from shapely.geometry import box

from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000
TO_LONLAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


@pytest.fixture
def district(tmp_path: Path) -> Path:
    folder = tmp_path / "sedge"
    folder.mkdir()
    shapes = [box(EAST + east, NORTH, EAST + east + 60, NORTH + 30) for east in (0, 100, 300)]
    gpd.GeoDataFrame(
        {"building_id": ["b1", "b2", "B3/x"], "roof_family": "panelized_wood", "height_ft": 24.0},
        geometry=shapes,
        crs=CRS,
    ).to_file(folder / "roofs.gpkg", driver="GPKG")
    gpd.GeoDataFrame(
        {"name": ["Mill", "Yard"]},
        geometry=[
            box(EAST - 50, NORTH - 50, EAST + 200, NORTH + 80),
            box(EAST + 200, NORTH - 50, EAST + 500, NORTH + 80),
        ],
        crs=CRS,
    ).to_file(folder / "areas.gpkg", driver="GPKG")
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\nbasis = "surveyed"\n'
        '[areas]\nfile = "areas.gpkg"\n',
        "utf-8",
    )
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, list(map(str, words)))


def place(east: float, north: float) -> str:
    lon, lat = TO_LONLAT.transform(EAST + east, NORTH + north)
    return f"{lon:.7f},{lat:.7f}"


def page(path: Path) -> str:
    (only,) = PdfReader(path).pages
    return " ".join(only.extract_text().split()).replace("\u00a0", " ")


def test_sheets_are_named_by_id_and_said(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    result = run("sheet", district, "b2", "b1", "--out", out)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "Wrote 2 sheets:"
    assert lines[1:3] == [f"  {out / 'sheets' / name}" for name in ("b2.pdf", "b1.pdf")]
    assert CAUTION in result.stdout
    assert {path.name for path in out.rglob("*") if path.is_file()} == {"b1.pdf", "b2.pdf"}
    assert "Id b1" in page(out / "sheets" / "b1.pdf")
    assert "Fire spot assumed" in page(out / "sheets" / "b1.pdf")


def test_an_area_is_drawn_whole_and_bound(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    result = run("sheet", district, "B3/x", "--area", "Mill", "--out", out, "--paper", "A4")
    assert result.exit_code == 0, result.output
    files = sorted(path.relative_to(out).as_posix() for path in out.rglob("*.pdf"))
    assert {"sheets/areas/mill.pdf", "sheets/b1.pdf", "sheets/b2.pdf"} < set(files)
    assert len(files) == 4
    # A slash is no part of a file name; the sum of the id takes its place.
    assert re.fullmatch(r"sheets/b3-x-[0-9a-f]{8}\.pdf", next(name for name in files if "x-" in name))
    assert f"All of Mill in one file: {out / 'sheets' / 'areas' / 'mill.pdf'}" in result.stdout
    bound = PdfReader(out / "sheets" / "areas" / "mill.pdf")
    assert len(bound.pages) == 3
    assert round(float(bound.pages[1].mediabox.width)) == 595


def test_the_fire_lies_in_one_building_and_the_wind_is_for_all(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    spot = place(110, 8)
    result = run("sheet", district, "b1", "b2", "--fire", spot, "--wind-from", "90", "--out", out)
    assert result.exit_code == 0, result.output
    assert "The fire spot lies in building b2; the others keep their own." in result.stdout
    second, first = page(out / "sheets" / "b2.pdf"), page(out / "sheets" / "b1.pdf")
    lon, lat = (float(part) for part in spot.split(","))
    assert "Fire spot as stated for this plan" in second
    assert f"{lon:.6f}" in second
    assert f"{lat:.6f}" in second
    assert "Fire spot assumed" in first
    for text in (first, second):
        assert "Wind as stated for this plan: from the east (90" in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("b7",), "There is no building 'b7'; the nearest are b"),
        (("b7", "b8", "b1"), "'b7' and 1 more of those asked for"),
        (("b1", "--fire", place(110, 8)), "does not lie in building 'b1'"),
        (("b1", "b2", "--fire", place(80, 8)), "does not lie in any building that is asked for"),
        (("b1", "--fire", "north"), "'north' is no place"),
        (("b1", "--fire", "-200,10"), "is no place"),
        (("b1", "--wind-from", "west"), "is no direction"),
        (("--area", "Mil"), "the areas are Mill, Yard"),
        (("b1", "--paper", "a3"), "'letter', 'a4'"),
        ((), "give their ids, or --area NAME"),
    ],
)
def test_what_cannot_be_is_one_sentence(
    district: Path, tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    result = run("sheet", district, *words, "--out", tmp_path / "maps")
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())
    assert "Traceback" not in result.output
    assert not (tmp_path / "maps").exists()


def test_a_build_writes_sheets_when_asked_and_takes_stale_ones_away(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    assert run("build", district, "--out", out).exit_code == 0
    assert not (out / "sheets").exists()
    result = run("build", district, "--out", out, "--sheets")
    assert result.exit_code == 0, result.output
    outputs = json.loads((out / "build.json").read_text("utf-8"))["outputs"]
    sheets = [name for name in outputs if name.startswith("sheets/")]
    assert len(sheets) == 5
    assert all((out / name).is_file() for name in sheets)
    assert "and 2 more sheets in sheets" in result.stdout
    assert "  sheets/areas/mill.pdf" in result.stdout.splitlines()
    # The area alone names its sheets as the district does, and the others go.
    assert run("build", district, "--out", out, "--sheets", "--area", "Yard").exit_code == 0
    left = {path.relative_to(out).as_posix() for path in (out / "sheets").rglob("*.pdf")}
    assert left < set(sheets)
    assert "sheets/areas/yard.pdf" in left
    assert len(left) == 2
    assert run("build", district, "--out", out).exit_code == 0
    assert not list((out / "sheets").rglob("*.pdf"))


def test_the_district_file_asks_for_sheets_and_the_command_line_wins(district: Path, tmp_path: Path) -> None:
    text = district.read_text("utf-8")
    district.write_text(text + '[sheets]\npaper = "a4"\nwith_build = true\n', "utf-8")
    out = tmp_path / "maps"
    assert run("build", district, "--out", out, "--no-sheets").exit_code == 0
    assert not (out / "sheets").exists()
    assert run("build", district, "--out", out).exit_code == 0
    assert round(float(PdfReader(out / "sheets" / "b1.pdf").pages[0].mediabox.width)) == 595
    district.write_text(text + '[sheets]\npaper = "a3"\n', "utf-8")
    result = run("build", district, "--out", out)
    assert result.exit_code == 2
    assert "sheets.paper" in result.stderr
