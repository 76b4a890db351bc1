"""`roofplat survey out` on a small district with real files.

In: four sheds in two dispatch areas, one of them surveyed.
Out: the forms of an area, those first that a survey is worth most; one sentence for what cannot be.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader
from shapely.geometry import box

from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000


@pytest.fixture
def district(tmp_path: Path) -> Path:
    folder = tmp_path / "sedge"
    folder.mkdir()
    shapes = [box(EAST + east, NORTH, EAST + east + 60, NORTH + 30) for east in (0, 100, 200, 400)]
    gpd.GeoDataFrame(
        {"building_id": ["b1", "b2", "b3", "b4"], "height_ft": [24.0, 24.0, None, 24.0]},
        geometry=shapes,
        crs=CRS,
    ).to_file(folder / "roofs.gpkg", driver="GPKG")
    gpd.GeoDataFrame(
        {"name": ["Mill", "Yard"]},
        geometry=[
            box(EAST - 50, NORTH - 50, EAST + 300, NORTH + 80),
            box(EAST + 300, NORTH - 50, EAST + 600, NORTH + 80),
        ],
        crs=CRS,
    ).to_file(folder / "areas.gpkg", driver="GPKG")
    (folder / "seen.csv").write_text("building_id,roof_family\nb1,panelized_wood\n", "utf-8")
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\nbasis = "recorded"\n'
        '[areas]\nfile = "areas.gpkg"\n'
        '[[attributes]]\nname = "crews"\nfile = "seen.csv"\nhow = "key"\nid = "building_id"\n'
        'basis = "surveyed"\ndate = "2024-05-01"\n',
        "utf-8",
    )
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["survey", *map(str, words)])


def test_the_forms_of_an_area_are_written_and_said(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    result = run("out", district, "--area", "Mill", "--out", out)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Mill: 3 of 3 buildings")
    assert CAUTION in result.stdout
    folder = out / "survey" / "mill"
    names = ["survey.gpkg", "survey.csv", "help.csv", "survey.pdf", "README.txt"]
    assert {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()} == {
        f"survey/mill/{name}" for name in names
    }
    assert [line.strip() for line in result.stdout.splitlines() if line.strip() in names] == names
    rows = pd.read_csv(folder / "survey.csv", dtype="str")
    # The shed that a crew has looked at comes last, whatever its rank.
    assert rows["building_id"].tolist()[-1] == "b1"
    assert rows["looked"].tolist() == ["nobody", "nobody", "surveyed"]
    assert len(PdfReader(folder / "survey.pdf").pages) == 3
    assert "roofplat survey in DISTRICT.toml" in (folder / "README.txt").read_text("utf-8")


def test_the_most_asked_for_are_the_first_of_all(district: Path, tmp_path: Path) -> None:
    every = tmp_path / "every"
    assert run("out", district, "--area", "Mill", "--out", every).exit_code == 0
    result = run("out", district, "--area", "Mill", "--most", "1", "--out", tmp_path / "one")
    assert result.exit_code == 0, result.output
    assert "1 of 3 buildings" in result.stdout
    first = pd.read_csv(every / "survey" / "mill" / "survey.csv", dtype="str").head(1)
    alone = pd.read_csv(tmp_path / "one" / "survey" / "mill" / "survey.csv", dtype="str")
    pd.testing.assert_frame_equal(alone, first)
    text = " ".join((tmp_path / "one" / "survey" / "mill" / "README.txt").read_text("utf-8").split())
    assert "1 building, written" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--area", "Harbour"], "There is no dispatch area 'Harbour'; the areas are Mill, Yard."),
        (["--area", "Mill", "--most", "0"], "Invalid value for '--most'"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_writes_nothing(
    district: Path, tmp_path: Path, words: list[str], said: str
) -> None:
    out = tmp_path / "maps"
    result = run("out", district, *words, "--out", out)
    assert result.exit_code == 2
    assert said in result.stderr
    assert not out.exists()


def test_without_an_area_all_are_asked(district: Path, tmp_path: Path) -> None:
    """A district needs no areas, and one that is called like the folder of all has a folder of its own."""
    result = run("out", district, "--out", tmp_path / "maps")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Sedge Flats: 4 of 4 buildings")
    assert len(pd.read_csv(tmp_path / "maps" / "survey" / "whole-district" / "survey.csv")) == 4
    bare = district.read_text("utf-8").replace('[areas]\nfile = "areas.gpkg"\n', "")
    district.write_text(bare, "utf-8")
    assert run("out", district, "--most", "2", "--out", tmp_path / "bare").exit_code == 0
    assert len(pd.read_csv(tmp_path / "bare" / "survey" / "whole-district" / "survey.csv")) == 2


def test_an_area_named_like_the_folder_of_all_has_its_own(district: Path, tmp_path: Path) -> None:
    areas = gpd.read_file(district.parent / "areas.gpkg")
    areas["name"] = ["Whole District", "Yard"]
    areas.to_file(district.parent / "areas.gpkg", driver="GPKG")
    out = tmp_path / "maps"
    assert run("out", district, "--area", "Whole District", "--out", out).exit_code == 0
    assert run("out", district, "--out", out).exit_code == 0
    counts = sorted(len(pd.read_csv(path)) for path in (out / "survey").glob("*/survey.csv"))
    assert counts == [3, 4]


def test_an_area_without_buildings_is_said(district: Path, tmp_path: Path) -> None:
    areas = gpd.read_file(district.parent / "areas.gpkg")
    far = gpd.GeoDataFrame(
        {"name": ["Moor"]}, geometry=[box(EAST + 900, NORTH, EAST + 950, NORTH + 9)], crs=CRS
    )
    pd.concat([areas, far]).to_file(district.parent / "areas.gpkg", driver="GPKG")
    result = run("out", district, "--area", "Moor", "--out", tmp_path / "maps")
    assert result.exit_code == 2
    assert "No building lies in the area 'Moor'" in result.stderr


def test_ids_that_look_like_formulas_come_back_as_they_were(district: Path, tmp_path: Path) -> None:
    """The list puts an apostrophe before them, so that no spreadsheet reckons them out."""
    roofs = gpd.read_file(district.parent / "roofs.gpkg")
    roofs["building_id"] = ["-7", "=1+1", "00417", "b4"]
    roofs.to_file(district.parent / "roofs.gpkg", driver="GPKG")
    assert run("out", district, "--area", "Mill", "--out", tmp_path / "maps").exit_code == 0
    form = pd.read_csv(tmp_path / "maps" / "survey" / "mill" / "survey.csv", dtype="str")
    assert set(form["building_id"]) == {"'-7", "'=1+1", "00417"}
    form.assign(deck="plywood", seen_on="2026-01-05").to_csv(tmp_path / "back.csv", index=False)
    result = run("in", district, tmp_path / "back.csv", "--dry-run")
    assert result.exit_code == 0, result.output
    assert "Answers: 3 new" in result.stdout


def test_help_loads_none_of_the_rooms_and_carries_the_caution() -> None:
    result = CliRunner().invoke(main, ["survey", "--help"])
    assert result.exit_code == 0
    assert " out " in result.output
    assert CAUTION in " ".join(result.output.split())
