"""`roofplat inspect`: days on paper, what is left out, what cannot be."""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from pyproj import Transformer
from shapely.geometry import LineString, Point, box

from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000
TO_LONLAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
FIRST = ("--from", "2026-01-05", "--days", "2")


@pytest.fixture
def district(tmp_path: Path) -> Path:
    """Six sheds along one street, in two areas, with a station at its west end."""
    folder = tmp_path / "sedge"
    folder.mkdir()
    shapes = [box(EAST + east, NORTH, EAST + east + 60, NORTH + 30) for east in range(0, 900, 150)]
    gpd.GeoDataFrame(
        {
            "building_id": [f"b{number}" for number in range(1, 7)],
            "name": [f"Shed {number}" for number in range(1, 7)],
            "occupancy": ["S-1", "S-1", "F-1", "M", "B", None],
            "roof_family": ["panelized_wood", *[None] * 5],
            "height_ft": 24.0,
        },
        geometry=shapes,
        crs=CRS,
    ).to_file(folder / "roofs.gpkg", driver="GPKG")
    gpd.GeoDataFrame(
        {"name": ["Mill", "Yard"]},
        geometry=[
            box(EAST - 50, NORTH - 50, EAST + 400, NORTH + 80),
            box(EAST + 400, NORTH - 50, EAST + 900, NORTH + 80),
        ],
        crs=CRS,
    ).to_file(folder / "areas.gpkg", driver="GPKG")
    gpd.GeoDataFrame({"name": ["Station 1"]}, geometry=[Point(EAST - 40, NORTH - 20)], crs=CRS).to_file(
        folder / "stations.gpkg", driver="GPKG"
    )
    gpd.GeoDataFrame(
        {"name": ["Rush Road"]},
        geometry=[LineString([(EAST - 60, NORTH - 10), (EAST + 900, NORTH - 10)])],
        crs=CRS,
    ).to_file(folder / "streets.gpkg", driver="GPKG")
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\nbasis = "recorded"\n'
        '[areas]\nfile = "areas.gpkg"\n[stations]\nfile = "stations.gpkg"\n'
        '[streets]\nfile = "streets.gpkg"\n',
        "utf-8",
    )
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["inspect", *map(str, words)])


def test_a_plan_is_told_and_written(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    result = run(district, *FIRST, "--hours", "2", "--out", out)
    assert result.exit_code == 0, result.output
    folder = out / "inspections"
    visits, left = (pd.read_csv(folder / name) for name in ("visits.csv", "left_out.csv"))
    # Nothing vanishes: every building is visited or left out with a reason.
    assert sorted([*visits["building_id"], *left["building_id"]]) == [f"b{number}" for number in range(1, 7)]
    assert len(visits)
    assert len(left)
    assert left["why"].notna().all()
    assert f"Visited: {len(visits)} of 6 buildings. Left out:" in result.stdout
    assert "Start and end of each day: Station 1" in result.stdout
    assert CAUTION in result.stdout
    for day in visits["day"].unique():
        assert re.search(rf"^  {day} +1 +\d+ 08:00 +\d\d:\d\d", result.stdout, flags=re.MULTILINE)
        assert f"  {day}.html" in result.stdout.splitlines()
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        [*(f"{day}.html" for day in visits["day"].unique()), "index.html", "left_out.csv", "plan.json",
         "visits.csv", "visits.ics"]
    )  # fmt: skip


def test_pages_of_an_earlier_plan_go_and_other_files_stay(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    folder = out / "inspections"
    assert run(district, "--from", "2026-01-05", "--days", "1", "--out", out).exit_code == 0
    # Whatever looks like a page of a plan but is in no record is somebody's own.
    (folder / "2026-01-06.html").write_text("mine", "utf-8")
    (folder / "notes.txt").write_text("mine", "utf-8")
    assert (folder / "2026-01-05.html").is_file()
    assert run(district, "--from", "2026-02-02", "--days", "1", "--out", out).exit_code == 0
    assert not (folder / "2026-01-05.html").exists()
    assert (folder / "2026-02-02.html").is_file()
    assert (folder / "2026-01-06.html").read_text("utf-8") == "mine"
    assert (folder / "notes.txt").is_file()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--from", "next week", "--days", "1"), "'next week' is no date"),
        (("--from", "2026-01-05", "--days", "0"), "0 is not in the range"),
        ((*FIRST, "--inspectors", "0"), "0 is not in the range"),
        ((*FIRST, "--hours", "0"), "0 hours"),
        ((*FIRST, "--hours", "nan"), "nan hours"),
        ((*FIRST, "--start", "north"), "'north' is no place"),
        ((*FIRST, "--must", "b77"), "There is no building 'b77'; "),
        ((*FIRST, "--area", "Mil"), "the areas are Mill, Yard"),
        ((*FIRST, "--area", "Mill", "--must", "b6"), "does not lie in the area 'Mill'"),
        (("--days", "1"), "Missing option '--from'"),
        (("--from", "2026-01-05"), "Missing option '--days'"),
    ],
)
def test_what_cannot_be_is_one_sentence(
    district: Path, tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    result = run(district, *words, "--out", tmp_path / "maps")
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())
    assert "Traceback" not in result.output
    assert not (tmp_path / "maps").exists()


def visits(out: Path) -> pd.DataFrame:
    return pd.read_csv(out / "inspections" / "visits.csv")


def test_the_district_file_says_what_the_command_does_not(district: Path, tmp_path: Path) -> None:
    lon, lat = TO_LONLAT.transform(EAST + 880, NORTH - 20)
    text = district.read_text("utf-8")
    district.write_text(
        text + f'[inspect]\ninspectors = 2\nhours = 1.5\nstart = [{lon}, {lat}]\nmust = ["b6"]\n', "utf-8"
    )
    out = tmp_path / "maps"
    result = run(district, "--from", "2026-01-05", "--days", "1", "--out", out)
    assert result.exit_code == 0, result.output
    first = visits(out)
    assert first["inspector"].nunique() == 2
    assert first.loc[first["must"], "building_id"].tolist() == ["b6"]
    # From the east end of the street the nearest shed is the last one.
    assert first.loc[first["building_id"] == "b6", "travel_ft"].iloc[0] < 500
    # The command outranks the file, and its musts come on top.
    words = ("--inspectors", "1", "--hours", "3", "--must", "b1")
    result = run(district, "--from", "2026-01-05", "--days", "1", *words, "--out", out)
    assert result.exit_code == 0, result.output
    second = visits(out)
    assert set(second["inspector"]) == {1}
    assert set(second.loc[second["must"], "building_id"]) == {"b1", "b6"}


def test_an_area_alone_is_visited_and_what_lies_outside_is_told(district: Path, tmp_path: Path) -> None:
    text = district.read_text("utf-8")
    district.write_text(text + '[inspect]\nmust = ["b1", "b6"]\n', "utf-8")
    out = tmp_path / "maps"
    result = run(district, *FIRST, "--area", "Mill", "--out", out)
    assert result.exit_code == 0, result.output
    planned = visits(out)
    left = pd.read_csv(out / "inspections" / "left_out.csv")
    assert {*planned["building_id"], *left["building_id"]} == {"b1", "b2", "b3"}
    assert "must_outside_area" in result.stdout
    assert "b6: It must be visited, but does not lie in the area Mill. Plan its area" in result.stdout
    # Ranks are those of the whole district, and neighbours of other areas are drawn.
    assert planned["rank"].max() > 3 or left["rank"].max() > 3
    page = (out / "inspections" / "index.html").read_text("utf-8")
    assert "Dispatch area Mill alone." in page


def test_a_must_that_does_not_fit_ends_with_one(district: Path, tmp_path: Path) -> None:
    musts = [word for number in range(1, 7) for word in ("--must", f"b{number}")]
    result = run(
        district, "--from", "2026-01-05", "--days", "1", "--hours", "1.5", *musts, "--out", tmp_path / "maps"
    )
    assert result.exit_code == 1
    assert "must_not_planned" in result.stdout
    assert (tmp_path / "maps" / "inspections" / "index.html").is_file()


def test_the_same_plan_twice_is_the_same_bytes(district: Path, tmp_path: Path) -> None:
    for name in ("first", "second"):
        result = run(district, *FIRST, "--inspectors", "2", "--hours", "2", "--out", tmp_path / name)
        assert result.exit_code == 0, result.output
    files = sorted((tmp_path / "first" / "inspections").iterdir())
    assert len(files) > 6
    for file in files:
        assert file.read_bytes() == (tmp_path / "second" / "inspections" / file.name).read_bytes(), file.name


def test_a_build_beside_a_plan_keeps_it_and_is_linked(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    assert CliRunner().invoke(main, ["build", str(district), "--out", str(out)]).exit_code == 0
    assert run(district, *FIRST, "--out", out).exit_code == 0
    page = out / "inspections" / "2026-01-05.html"
    assert '<a href="../map.html#b' in page.read_text("utf-8")
    assert CliRunner().invoke(main, ["build", str(district), "--out", str(out)]).exit_code == 0
    assert page.is_file()
