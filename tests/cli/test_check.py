"""`roofplat check` on small districts with real files.

In: footprints with and without faults, a table joined by key.
Out: counts and problems on the screen, the exit code, and no new file.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import Polygon, box

from roofplat.cli.main import main

CRS = "EPSG:32613"
BAD_LINE = "\x1b[2Jgone"


def _footprints(path: Path, shapes: list[Polygon | None], names: list[str]) -> None:
    frame = gpd.GeoDataFrame({"building_id": names, "name": names}, geometry=shapes, crs=CRS)
    frame.to_file(path, driver="GPKG")


@pytest.fixture
def district(tmp_path: Path) -> Path:
    _footprints(
        tmp_path / "roofs.gpkg",
        [box(500_000, 4_300_000, 500_060, 4_300_030), box(500_100, 4_300_000, 500_130, 4_300_030)],
        ["a", "b"],
    )
    (tmp_path / "roll.csv").write_text("building_id,year_built\na,1961\nz,1970\n", "utf-8")
    path = tmp_path / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\n[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        '[[attributes]]\nname = "assessor"\nfile = "roll.csv"\nhow = "key"\nid = "building_id"\n',
        "utf-8",
    )
    return path


def _check(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["check", *map(str, words)])


def _row(result: Result, first: str) -> list[str]:
    return next(line.split() for line in result.stdout.splitlines() if line.strip().startswith(first))


def test_counts_of_what_was_read_and_joined(district: Path) -> None:
    before = sorted(district.parent.iterdir())
    result = _check(district)
    assert result.exit_code == 0
    assert result.stdout.startswith("Sedge Flats\n")
    assert _row(result, "roofs.gpkg") == ["roofs.gpkg", "2", "2", "0", "0"]
    assert _row(result, "roll.csv") == ["roll.csv", "2", "2", "0", "0"]
    assert _row(result, "assessor") == ["assessor", "2", "1", "1"]
    assert "Problems: 0 errors, 1 warning," in result.stdout
    # Progress is no part of the answer.
    assert "Reading Sedge Flats" in result.stderr
    # Nothing was built.
    assert sorted(district.parent.iterdir()) == before


def test_a_refused_footprint_is_an_error_and_is_listed(district: Path) -> None:
    _footprints(
        district.parent / "roofs.gpkg",
        [box(500_000, 4_300_000, 500_060, 4_300_030), None],
        ["a", BAD_LINE],
    )
    result = _check(district)
    assert result.exit_code == 1
    assert _row(result, "roofs.gpkg") == ["roofs.gpkg", "2", "1", "0", "1"]
    assert "  error: roofs.gpkg" in result.stdout
    assert "\x1b" not in result.output


def test_a_layer_that_cannot_be_used_is_an_error_and_the_rest_is_read(district: Path) -> None:
    district.write_text(district.read_text("utf-8") + '[streets]\nfile = "none.gpkg"\n', "utf-8")
    result = _check(district)
    assert result.exit_code == 1
    assert "  error: none.gpkg: there is no file" in result.stdout
    assert _row(result, "roofs.gpkg") == ["roofs.gpkg", "2", "2", "0", "0"]


def test_footprints_that_cannot_be_read_are_one_sentence(district: Path) -> None:
    (district.parent / "roofs.gpkg").write_bytes(b"not a map")
    result = _check(district)
    assert result.exit_code == 1
    assert [line for line in result.stderr.splitlines() if line.startswith("Error: ")] == [
        result.stderr.splitlines()[-1]
    ]
    assert "roofs.gpkg" in result.stderr
    assert "Traceback" not in result.output


def test_warnings_are_listed_when_asked(district: Path) -> None:
    assert "  warning: " not in _check(district).stdout
    assert "  warning: assessor" in _check(district, "--all").stdout


@pytest.mark.parametrize(
    "setting",
    ['[rules]\n"ladder.stepp_ft" = 4.0\n', '[rules]\n"ladder.step_ft" = "four"\n', "[district2]\n"],
)
def test_a_wrong_district_file_is_exit_code_2(district: Path, setting: str) -> None:
    district.write_text(district.read_text("utf-8") + setting, "utf-8")
    result = _check(district)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1


def test_a_file_that_start_wrote_passes(district: Path, tmp_path: Path) -> None:
    folder = tmp_path / "fresh"
    started = CliRunner().invoke(
        main, ["start", str(folder), "--footprints", str(district.parent / "roofs.gpkg")]
    )
    assert started.exit_code == 0
    result = _check(folder / "district.toml")
    assert result.exit_code == 0
    assert "Problems: 0 errors, 0 warnings" in result.stdout
