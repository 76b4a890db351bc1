"""`roofplat build` on a small district with real files.

In: three sheds in two dispatch areas, whole and with faults.
Out: what was read, joined, placed, refused and written, where the map is, and the exit code.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import Point, Polygon, box

from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000


def _shed(east_m: float) -> Polygon:
    """60 by 30 m."""
    return box(EAST + east_m, NORTH, EAST + east_m + 60, NORTH + 30)


def _footprints(path: Path, shapes: list[Polygon | None]) -> None:
    frame = gpd.GeoDataFrame(
        {
            "building_id": [f"b{number}" for number in range(1, len(shapes) + 1)],
            "roof_family": "panelized_wood",
            "height_ft": 24.0,
        },
        geometry=shapes,
        crs=CRS,
    )
    frame.to_file(path, driver="GPKG")


@pytest.fixture
def district(tmp_path: Path) -> Path:
    folder = tmp_path / "sedge"
    folder.mkdir()
    _footprints(folder / "roofs.gpkg", [_shed(0), _shed(100), _shed(300)])
    areas = gpd.GeoDataFrame(
        {"name": ["Mill", "Yard"]},
        geometry=[
            box(EAST - 50, NORTH - 50, EAST + 200, NORTH + 80),
            box(EAST + 200, NORTH - 50, EAST + 500, NORTH + 80),
        ],
        crs=CRS,
    )
    areas.to_file(folder / "areas.gpkg", driver="GPKG")
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\nbasis = "surveyed"\n'
        '[areas]\nfile = "areas.gpkg"\n',
        "utf-8",
    )
    return path


def _families(path: Path, families: list[str | None]) -> None:
    """The sheds of a district in families of their own."""
    frame = gpd.read_file(path)
    frame.assign(roof_family=families).to_file(path, driver="GPKG")


def _build(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["build", *map(str, words)])


def _row(result: Result, first: str) -> list[str]:
    return next(line.split() for line in result.stdout.splitlines() if line.strip().startswith(first))


def test_a_build_says_what_it_did_and_where_the_map_is(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    result = _build(district, "--out", out)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Sedge Flats\n")
    assert _row(result, "roofs.gpkg")[1:] == ["3", "3", "0", "0"]
    assert _row(result, "ladders") == ["ladders", "6"]
    assert _row(result, "trenches")[0] == "trenches"
    assert "Problems: none" in result.stdout
    written = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    written.discard(".tiles/built.json")
    lists = {"ranking.csv", "survey_next.csv", "family_odds.csv", "problems.csv", "solar_access.csv"}
    lists.add("ranking.xlsx")
    pages = {"map.html", "report.html", "drill.html"}
    assert {"layers.gpkg", "planner.gpkg", "build.json"} | pages | lists <= written
    listed = {line.strip() for line in result.stdout.splitlines()}
    assert written <= listed
    assert f"The map is {out / 'map.html'}" in listed
    assert CAUTION in result.stdout
    # Progress is no part of the answer.
    assert result.stderr.strip()
    assert "Error" not in result.stderr


def test_a_build_of_which_nothing_has_changed_does_nothing_and_says_so(
    district: Path, tmp_path: Path
) -> None:
    out = tmp_path / "maps"
    first = _build(district, "--out", out)
    stamps = {path: path.stat().st_mtime_ns for path in out.rglob("*")}
    again = _build(district, "--out", out)
    assert again.exit_code == 0, again.output
    lines = again.stdout.splitlines()
    assert lines[0] == "Sedge Flats"
    assert lines[1].startswith("Nothing has changed since the last build: the ")
    assert lines[2] == CAUTION
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*")} == stamps
    anew = _build(district, "--out", out, "--anew")
    assert anew.stdout == first.stdout
    assert (out / "map.html").stat().st_mtime_ns > stamps[out / "map.html"]


@pytest.mark.parametrize("change", ["source", "setting", "choice", "file", "day"])
def test_a_build_of_which_something_has_changed_is_made(district: Path, tmp_path: Path, change: str) -> None:
    out = tmp_path / "maps"
    assert _build(district, "--out", out, "--as-of", "2026-01-01").exit_code == 0
    words = ["--as-of", "2026-01-01"]
    if change == "source":
        roofs = gpd.read_file(district.parent / "roofs.gpkg")
        roofs.geometry = roofs.translate(0.01, 0.0)
        roofs.to_file(district.parent / "roofs.gpkg")
    elif change == "setting":
        district.write_text(district.read_text("utf-8") + '\n[sheets]\npaper = "a4"\n', "utf-8")
    elif change == "choice":
        words += ["--wind-from", "12"]
    elif change == "file":
        (out / "problems.csv").unlink()
    else:
        words = ["--as-of", "2026-01-02"]
    result = _build(district, "--out", out, *words)
    assert result.exit_code == 0, result.output
    assert "Nothing has changed" not in result.stdout
    assert (out / "problems.csv").exists()


def test_a_build_in_which_nothing_has_changed_still_says_that_the_data_has_errors(
    district: Path, tmp_path: Path
) -> None:
    roofs = gpd.read_file(district.parent / "roofs.gpkg")
    roofs.loc[len(roofs)] = {**dict.fromkeys(roofs.columns), "geometry": Point(EAST, NORTH)}
    roofs.to_file(district.parent / "roofs.gpkg")
    codes = [_build(district, "--out", tmp_path / "maps").exit_code for _ in range(2)]
    assert codes == [1, 1]


def test_what_is_opened_and_what_is_not_is_counted_by_reason(district: Path, tmp_path: Path) -> None:
    _families(district.parent / "roofs.gpkg", ["panelized_wood", "bowstring_truss", None])
    result = _build(district, "--out", tmp_path / "maps")
    assert result.exit_code == 0, result.output
    assert _row(result, "fold-back") == ["fold-back", "1"]
    lines = result.stdout.splitlines()
    without = lines[lines.index("Sections without:") + 2 :][:2]
    assert all(line.split()[-1] == "1" for line in without)
    assert "Stay off." in "".join(without)
    assert "nobody has looked at this roof; find out first" in "".join(without)
    spots = lines[lines.index("Ladder spots:") + 2 :]
    counted = [int(line.split()[-1]) for line in spots if line.startswith(("  ground", "  aerial", "  out"))]
    assert sum(counted) == int(_row(result, "ladders")[1])
    ladders = gpd.read_file(tmp_path / "maps" / "layers.gpkg", layer="ladders")
    inside = int((ladders["in_collapse_zone"] & (ladders["building_id"] == "b2")).sum())
    assert inside
    assert f"  {inside} of them in the collapse zone of a roof that pushes walls out" in lines
    # Nothing is said of an audit where there is nothing to audit.
    assert "Solar access" not in result.stdout


def test_the_solar_audit_is_counted_by_rule(district: Path, tmp_path: Path) -> None:
    edge_m = 0.5
    array = box(EAST + edge_m, NORTH + edge_m, EAST + 30, NORTH + 29)
    solar = gpd.GeoDataFrame({"kind": ["solar"]}, geometry=[array], crs=CRS)
    solar.to_file(district.parent / "solar.gpkg", driver="GPKG")
    district.write_text(district.read_text("utf-8") + '[[obstacles]]\nfile = "solar.gpkg"\n', "utf-8")
    result = _build(district, "--out", tmp_path / "maps")
    assert result.exit_code == 0, result.output
    assert "Solar access of 1 arrays:" in result.stdout
    assert _row(result, "rule") == ["rule", "met", "not", "met", "cannot", "be", "told"]
    # 60 by 30 m: both axes are short.
    assert _row(result, "solar.perimeter_narrow_ft")[1:] == ["0", "1", "0"]
    listed = (tmp_path / "maps" / "solar_access.csv").read_text("utf-8")
    assert listed.splitlines()[1].startswith("b1,")


def test_a_refused_footprint_is_listed_and_the_rest_is_built(district: Path, tmp_path: Path) -> None:
    _footprints(district.parent / "roofs.gpkg", [_shed(0), None, _shed(300)])
    result = _build(district, "--out", tmp_path / "maps")
    assert result.exit_code == 1
    assert _row(result, "roofs.gpkg")[1:] == ["3", "2", "0", "1"]
    assert "  error: roofs.gpkg" in result.stdout
    assert _row(result, "ladders") == ["ladders", "4"]
    assert (tmp_path / "maps" / "map.html").stat().st_size > 0


def test_the_wind_on_the_command_line_is_the_scenarios(district: Path, tmp_path: Path) -> None:
    result = _build(district, "--out", tmp_path / "maps", "--wind-from", "90")
    assert result.exit_code == 0
    sections = gpd.read_file(tmp_path / "maps" / "layers.gpkg", layer="sections")
    assert sections["wind_from_deg"].dropna().unique().tolist() == [90.0]
    assert sections["wind_basis"].dropna().unique().tolist() == ["given"]


def test_one_area_is_built_alone(district: Path, tmp_path: Path) -> None:
    result = _build(district, "--out", tmp_path / "maps", "--area", "Yard")
    assert result.exit_code == 0
    (file,) = (tmp_path / "maps" / "areas").glob("*.geojson")
    features = json.loads(file.read_text("utf-8"))["features"]
    assert {feature["properties"]["building_id"] for feature in features} == {"b3"}


def test_one_area_over_the_whole_district_is_said(district: Path, tmp_path: Path) -> None:
    out = tmp_path / "maps"
    assert "An earlier build" not in _build(district, "--out", out).stdout
    result = _build(district, "--out", out, "--area", "Yard")
    assert result.exit_code == 0
    said = "it now holds the area 'Yard' only; 2 files of its other areas were removed.\n"
    assert said in result.stdout
    assert sorted(path.name for path in (out / "areas").iterdir()) == ["yard.geojson", "yard.html"]
    # The same once more takes nothing away.
    assert "An earlier build" not in _build(district, "--out", out, "--area", "Yard").stdout


def test_an_area_that_does_not_exist_is_answered_with_those_that_do(district: Path, tmp_path: Path) -> None:
    result = _build(district, "--out", tmp_path / "maps", "--area", "Mil")
    assert result.exit_code == 2
    assert "Mill" in result.stderr
    assert "Yard" in result.stderr
    assert not (tmp_path / "maps").exists()


def test_two_workers_plan_what_one_does(district: Path, tmp_path: Path) -> None:
    one = _build(district, "--out", tmp_path / "one")
    two = _build(district, "--out", tmp_path / "two", "--workers", "2")
    assert one.exit_code == two.exit_code == 0
    assert one.stdout.replace(str(tmp_path / "one"), "") == two.stdout.replace(str(tmp_path / "two"), "")
    assert (tmp_path / "one" / "ranking.csv").read_bytes() == (tmp_path / "two" / "ranking.csv").read_bytes()


@pytest.mark.parametrize("words", [("--wind-from", "400"), ("--workers", "0"), ("--wind-from", "west")])
def test_a_wrong_value_builds_nothing(district: Path, tmp_path: Path, words: tuple[str, str]) -> None:
    result = _build(district, "--out", tmp_path / "maps", *words)
    assert result.exit_code == 2
    assert words[0] in result.stderr
    assert not (tmp_path / "maps").exists()


def test_a_folder_that_cannot_be_written_is_one_sentence(district: Path, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("", "utf-8")
    result = _build(district, "--out", blocked / "maps")
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert [line.startswith("Error: ") for line in result.stderr.splitlines()][-1]


def test_footprints_that_cannot_be_read_leave_nothing_behind(district: Path, tmp_path: Path) -> None:
    (district.parent / "roofs.gpkg").write_bytes(b"not a map")
    result = _build(district, "--out", tmp_path / "maps")
    assert result.exit_code == 1
    assert "roofs.gpkg" in result.stderr
    assert not (tmp_path / "maps").exists()
