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
