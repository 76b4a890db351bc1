"""`roofplat survey in --as` and `roofplat survey feed`: drawings and permits of two sheds.

In: two sheds in UTM 13N, drawings in GeoJSON, permits in CSV.
Out: lines on the screen, exit codes, rows of the record, and what the next plan makes of them.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely
from click.testing import CliRunner, Result

from roofplat import pipeline
from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION
from roofplat.district import read_district

X, Y = 500_000.0, 4_400_000.0


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """Two sheds of 40 by 20 m, far apart, with a street along their south sides."""
    sheds = [shapely.box(X + far, Y, X + far + 40, Y + 20) for far in (0, 200)]
    frame = gpd.GeoDataFrame(
        {"building_id": ["B1", "B2"], "address": ["1 Long Street", "2 Long Street"]}, geometry=sheds
    )
    frame.set_crs("EPSG:32613").to_file(tmp_path / "roofs.gpkg", layer="roofs")
    street = shapely.LineString([(X - 50, Y - 15), (X + 300, Y - 15)])
    gpd.GeoDataFrame({"name": ["Long Street"]}, geometry=[street], crs="EPSG:32613").to_file(
        tmp_path / "streets.gpkg"
    )
    (tmp_path / "district.toml").write_text(
        '[district]\nname = "Two sheds"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        '[streets]\nfile = "streets.gpkg"\n'
    )
    return tmp_path


def _drawing(town: Path, *features: tuple[Any, dict[str, Any]], name: str = "drawn.geojson") -> Path:
    frame = gpd.GeoDataFrame(
        [said for _, said in features], geometry=[shape for shape, _ in features], crs="EPSG:32613"
    )
    frame.to_crs("EPSG:4326").to_file(town / name, driver="GeoJSON", COORDINATE_PRECISION=12)
    return town / name


def _run(town: Path, command: str, *words: object) -> Result:
    return CliRunner().invoke(main, ["survey", command, str(town / "district.toml"), *map(str, words)])


def _count(town: Path, table: str) -> int:
    with sqlite3.connect(town / "inventory.gpkg") as connection:
        (number,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
    return int(number)


WEST = (shapely.box(X + 0.3, Y - 0.2, X + 24.9, Y + 20.1), {"framing_axis_deg": 0})
EAST = (shapely.box(X + 25.2, Y + 0.2, X + 40, Y + 20), {"framing_axis_deg": 90})


def test_two_sections_are_drawn_planned_and_taken_in_once(town: Path) -> None:
    file = _drawing(town, WEST, EAST)
    before = (town / "inventory.gpkg").exists()
    dry = _run(town, "in", file, "--as", "sections", "--dry-run")
    assert dry.exit_code == 0, dry.output
    assert "Drawings: 2 new" in dry.output
    assert "Dry run: 2 drawings would go into" in dry.output
    assert (town / "inventory.gpkg").exists() is before is False

    done = _run(town, "in", file, "--as", "sections", "--who", "Inspector 1", "--seen-on", "2026-03-04")
    assert done.exit_code == 0, done.output
    assert "Put 2 drawings into" in done.output
    assert CAUTION in done.output
    again = _run(town, "in", file, "--as", "sections", "--who", "Inspector 1", "--seen-on", "2026-03-04")
    assert "Drawings: 2 same" in again.output
    assert "Put 0 drawings into" in again.output
    assert "2 were there already" in again.output
    assert _count(town, "drawn") == 2
    # The first rows of a record bring the outlines that they speak of.
    assert _count(town, "outlines") == 2

    roofs = pipeline.rank(read_district(town / "district.toml")).tables["sections"]
    mine = roofs[roofs["building_id"] == "B1"]
    assert len(mine) == 2
    assert sorted(mine["framing_axis_deg"].round(1)) == [0.0, 90.0]
    assert mine["axis_basis"].unique().tolist() == ["drawn"]
    assert mine.geometry.area.sum() == pytest.approx(800.0, abs=1e-3)


def test_a_section_outside_is_refused_by_itself_and_ends_with_1(town: Path) -> None:
    outside = (shapely.box(X + 80, Y, X + 100, Y + 20), {})
    done = _run(town, "in", _drawing(town, WEST, outside), "--as", "sections")
    assert done.exit_code == 1
    assert "100 percent of the section is outside every building; it is refused." in done.output
    assert "Put 1 drawings into" in done.output


def test_drawn_walls_reach_the_plan(town: Path) -> None:
    south = (shapely.LineString([(X, Y - 0.4), (X + 40, Y + 0.5)]), {"kind": "nonbearing"})
    assert _run(town, "in", _drawing(town, south), "--as", "walls").exit_code == 0
    walls = pipeline.rank(read_district(town / "district.toml")).tables["walls"]
    drawn = walls[walls["kind_basis"] == "drawn"]
    assert drawn[["building_id", "side", "kind"]].values.tolist() == [["B1", "A", "nonbearing"]]


def test_several_files_follow_each_other(town: Path) -> None:
    files = [_drawing(town, WEST, name="west.geojson"), _drawing(town, EAST, name="east.geojson")]
    for words in (["--dry-run"], []):
        done = _run(town, "in", *files, "--as", "sections", *words)
        assert done.exit_code == 0, done.output
        assert "Drawings: 2 new" in done.output
        assert "sections_overlap" not in done.output
    assert _count(town, "drawn") == 2


def test_two_who_import_the_same_drawings_at_once_put_them_in_once(town: Path) -> None:
    file = _drawing(town, WEST, EAST)
    program = [sys.executable, "-c", "from roofplat.cli.main import main; main()"]
    words = [*program, "survey", "in", town / "district.toml", file]
    both = [
        subprocess.Popen([*map(str, words), "--as", "sections"], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    said = [one.communicate()[0] for one in both]
    assert [one.returncode for one in both] == [0, 0], said
    assert _count(town, "drawn") == 2
    assert sum("Put 2 drawings into" in one for one in said) == 1
    assert sum("2 were there already" in one for one in said) == 1


def test_permits_mark_roofs_and_a_dry_run_writes_nothing(town: Path) -> None:
    (town / "permits.csv").write_text(
        "permit,site_address,issued,description\n"
        "P1,1 LONG ST,3/14/2026,Re-roof\nP2,2 Long St.,1/9/2026,Water heater\nP3,9 Long St,1/9/2026,Solar\n"
    )
    dry = _run(town, "feed", town / "permits.csv", "--dates", "mdy", "--dry-run")
    assert dry.exit_code == 0, dry.output
    assert "Read 3 rows: 1 mark 1 buildings." in dry.output
    assert "Dry run: nothing was written" in dry.output
    assert not (town / "inventory.gpkg").exists()
    done = _run(town, "feed", town / "permits.csv", "--dates", "mdy")
    assert "Logged 1 marks" in done.output
    assert "record_unmatched" in done.output
    assert "no_mark" in done.output
    assert CAUTION in done.output
    again = _run(town, "feed", town / "permits.csv", "--dates", "mdy")
    assert "Logged 0 marks" in again.output
    assert "1 were there already" in again.output
    buildings = pipeline.rank(read_district(town / "district.toml")).tables["buildings"]
    assert buildings["look_again"].fillna("").tolist() == ["reroof 2026-03", ""]


def test_columns_are_pairs(town: Path) -> None:
    (town / "permits.csv").write_text("ADR,WHEN,WHAT\n1 Long St,2026-03-14,solar\n")
    words = ["--columns", "address=ADR", "--columns", "date=WHEN", "--columns", "kind=WHAT"]
    assert "1 mark 1 buildings" in _run(town, "feed", town / "permits.csv", *words).output
    wrong = _run(town, "feed", town / "permits.csv", "--columns", "address")
    assert wrong.exit_code == 2
    assert "is no pair; write it as date=ISSUED" in wrong.output
    strange = _run(town, "feed", town / "permits.csv", "--columns", "owner=ADR")
    assert strange.exit_code == 2
    assert "A feed has no 'owner'" in strange.output
    assert _run(town, "feed", town / "none.csv").exit_code == 1
