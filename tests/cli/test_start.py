"""`roofplat start` on layers as people have them.

In: real files in a temporary folder: one layer, several layers, no CRS, odd names, no outlines.
Out: a district file that can be read, or exit code 2 and nothing written.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, box

from roofplat.cli.main import main
from roofplat.district import District, read_district
from roofplat.rules import load_rulebook

CRS = "EPSG:32613"
SHEDS = [box(0, 0, 60, 30), box(100, 0, 160, 30)]


def _layer(
    path: Path, shapes: list[object], *, layer: str | None = None, crs: str = CRS, **columns: object
) -> Path:
    frame = gpd.GeoDataFrame({"name": ["one", "two"], **columns}, geometry=shapes, crs=crs)
    frame.to_file(path, **({"layer": layer} if layer else {}))
    return path


def _start(folder: Path, footprints: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["start", str(folder), "--footprints", str(footprints), *words])


def _written(folder: Path, result: Result) -> District:
    assert result.exit_code == 0, result.output
    assert str(folder / "district.toml") in result.output
    return read_district(folder / "district.toml")


def test_a_first_file_can_be_read_and_points_to_the_layer(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS, building_id=["a", "b"])
    folder = tmp_path / "new" / "sedge"
    result = _start(folder, footprints)
    district = _written(folder, result)
    assert district.name == "sedge"
    assert district.footprints.file == folder / "roofs.gpkg"
    assert district.footprints.file.read_bytes() == footprints.read_bytes()
    assert district.footprints.layer is None
    assert district.footprints.preset == "plain"
    assert district.footprints.id == "building_id"
    assert "2 features" in result.output
    # Moved together, they still find each other.
    assert 'file = "roofs.gpkg"' in (folder / "district.toml").read_text("utf-8")


def test_outlines_that_stay_where_they_are_need_a_permission(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS, building_id=["a", "b"])
    folder = tmp_path / "new" / "sedge"
    result = _start(folder, footprints, "--in-place")
    assert result.exit_code == 0, result.output
    target = folder / "district.toml"
    assert f"Next: roofplat check {target} --allow-outside" in result.output
    assert read_district(target, allow_outside=True).footprints.file.resolve() == footprints
    assert "../../roofs.gpkg" in target.read_text("utf-8")
    refused = CliRunner().invoke(main, ["check", str(target)])
    assert refused.exit_code == 2
    assert "--allow-outside" in refused.stderr
    assert CliRunner().invoke(main, ["check", str(target), "--allow-outside"]).exit_code == 0


def test_a_shapefile_is_copied_with_its_parts(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.shp", SHEDS, bldg_id=["a", "b"])
    folder = tmp_path / "sedge"
    _written(folder, _start(folder, footprints))
    assert {part.suffix for part in folder.glob("roofs.*")} == {".shp", ".shx", ".dbf", ".prj", ".cpg"}


def test_a_copy_takes_the_place_of_nothing(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    folder = tmp_path / "sedge"
    folder.mkdir()
    (folder / "roofs.gpkg").write_text("mine", "utf-8")
    result = _start(folder, footprints)
    assert result.exit_code == 2
    assert "stays as it is" in result.stderr
    assert (folder / "roofs.gpkg").read_text("utf-8") == "mine"
    assert not (folder / "district.toml").exists()


def test_the_name_may_be_given(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.geojson", SHEDS, crs="EPSG:4326")
    district = _written(tmp_path, _start(tmp_path, footprints, "--name", 'Sedge "Flats" \\ West\n'))
    assert district.name == 'Sedge "Flats" \\ West\n'
    assert district.footprints.id is None


def test_the_hint_says_where_a_build_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    folder = tmp_path / "deep" / "sedge"
    _written(folder, _start(folder, footprints, "--name", "Sedge Flats"))
    text = (folder / "district.toml").read_text("utf-8")
    assert "maps/sedge below the current folder" in text
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    result = CliRunner().invoke(main, ["build", str(folder / "district.toml")])
    assert result.exit_code == 0, result.output
    assert (tmp_path / "here" / "maps" / "sedge" / "map.html").is_file()


def test_a_file_that_is_there_stays_as_it_is(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    target = tmp_path / "district.toml"
    target.write_text("mine", "utf-8")
    result = _start(tmp_path, footprints)
    assert result.exit_code == 2
    assert result.stderr.count("\n") == 1
    assert "stays as it is" in result.stderr
    assert target.read_text("utf-8") == "mine"


def test_the_one_layer_of_outlines_among_several_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "town.gpkg"
    _layer(path, [LineString([(0, 0), (9, 9)])] * 2, layer="streets")
    _layer(path, SHEDS, layer="buildings")
    _layer(path, [Point(1, 1)] * 2, layer="hydrants")
    district = _written(tmp_path, _start(tmp_path, path))
    assert district.footprints.layer == "buildings"
    assert "streets, hydrants" in (tmp_path / "district.toml").read_text("utf-8")


def test_rings_drawn_as_closed_lines_are_outlines(tmp_path: Path) -> None:
    path = tmp_path / "rings.gpkg"
    _layer(path, [LineString(shed.exterior.coords) for shed in SHEDS], layer="rings")
    assert _written(tmp_path, _start(tmp_path, path)).footprints.file.name == "rings.gpkg"


def test_two_layers_of_outlines_need_a_choice(tmp_path: Path) -> None:
    path = tmp_path / "town.gpkg"
    _layer(path, SHEDS, layer="parcels")
    _layer(path, SHEDS, layer="buildings")
    result = _start(tmp_path, path)
    assert result.exit_code == 2
    assert "--layer: parcels, buildings" in result.stderr
    assert not (tmp_path / "district.toml").exists()
    district = _written(tmp_path, _start(tmp_path, path, "--layer", "buildings"))
    assert district.footprints.layer == "buildings"


@pytest.mark.parametrize(
    ("columns", "preset", "identifier"),
    [
        ({"osm_id": [1, 2], "building": ["yes", "retail"]}, "osm", "osm_id"),
        ({"id": ["a", "b"], "num_floors": [1, 2], "subtype": ["x", "y"]}, "overture", "id"),
        ({"HEIGHT": [4.0, 5.0]}, "plain", None),
        ({"Bldg_ID": ["a", "b"], "id": [1, 2]}, "plain", "Bldg_ID"),
        ({"STRUCTURE_ID": ["a", "b"]}, "plain", "STRUCTURE_ID"),
        ({"OBJECTID": [1, 2]}, "plain", None),
    ],
)
def test_the_columns_tell_whose_words_they_are(
    tmp_path: Path, columns: dict[str, object], preset: str, identifier: str | None
) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS, **columns)
    district = _written(tmp_path, _start(tmp_path, footprints))
    assert district.footprints.preset == preset
    assert district.footprints.id == identifier
    assert set(columns) <= set((tmp_path / "district.toml").read_text("utf-8").replace(",", " ").split())


def test_a_layer_without_a_crs_gets_a_place_to_name_it(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.shp", SHEDS)
    footprints.with_suffix(".prj").unlink()
    result = _start(tmp_path, footprints)
    assert _written(tmp_path, result).footprints.crs is None
    assert '# crs = "EPSG:' in (tmp_path / "district.toml").read_text("utf-8")


def test_the_hints_are_settings_that_exist(tmp_path: Path) -> None:
    """Every hint, with its # taken away, makes a district file that can be read."""
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    _written(tmp_path, _start(tmp_path, footprints))
    target = tmp_path / "district.toml"
    lines = []
    for line in target.read_text("utf-8").splitlines():
        bare = line.removeprefix("# ")
        is_setting = bare.startswith("[") or (" = " in bare.split("#")[0] and ":" not in bare.split("=")[0])
        lines.append(bare if line.startswith("# ") and is_setting else line)
    target.write_text("\n".join(lines), "utf-8")
    district = read_district(target)
    assert [source.how for source in district.attributes] == ["key", "points"]
    assert [source.kind for source in district.obstacles] == ["unit", "parapet"]
    assert [source.kind for source in district.ground] == ["water"]
    # What is hinted at is taken by the rulebook too.
    assert "our_shed_roof" in load_rulebook(district.rules, district.families).families
    assert district.scenario.prevailing_wind_from_deg == 270.0
    assert district.rules["ladder.stock_ft"] == [14.0, 16.0, 24.0, 35.0]
    assert None not in (
        district.streets,
        district.areas,
        district.stations,
        district.sections,
        district.fire_walls,
        district.expansion_joints,
        district.scenario.fires,
        district.mean_elevation_ft,
        district.region,
        district.out,
    )


@pytest.mark.parametrize("kind", ["missing", "text", "points", "table", "empty"])
def test_what_holds_no_outlines_is_a_wrong_command(tmp_path: Path, kind: str) -> None:
    path = tmp_path / {"missing": "a.gpkg", "text": "a.geojson", "table": "a.csv"}.get(kind, "a.gpkg")
    if kind == "text":
        path.write_text("Dear all,", "utf-8")
    elif kind == "table":
        path.write_text("id,name\n1,one\n", "utf-8")
    elif kind == "points":
        _layer(path, [Point(1, 1), Point(2, 2)])
    elif kind == "empty":
        path.write_bytes(b"")
    folder = tmp_path / "new"
    result = _start(folder, path)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert path.name in result.stderr
    assert not folder.exists()


def test_a_folder_that_is_a_file_is_a_wrong_command(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    result = _start(footprints, footprints)
    assert result.exit_code == 2
    assert "Traceback" not in result.output


def test_a_layer_that_is_not_there_is_named(tmp_path: Path) -> None:
    footprints = _layer(tmp_path / "roofs.gpkg", SHEDS)
    result = _start(tmp_path, footprints, "--layer", "roof")
    assert result.exit_code == 2
    assert "'roof'" in result.stderr


@settings(max_examples=40, deadline=None)
@given(name=st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20))
def test_any_name_makes_a_file_that_can_be_read(
    tmp_path_factory: pytest.TempPathFactory, footprints_once: Path, name: str
) -> None:
    folder = tmp_path_factory.mktemp("any")
    assert _written(folder, _start(folder, footprints_once, f"--name={name}")).name == name


@pytest.fixture(scope="module")
def footprints_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # The column's name would end its comment line.
    return _layer(tmp_path_factory.mktemp("once") / "roofs.gpkg", SHEDS, **{"odd\nname = 3": [1, 2]})
