"""Whole builds, from a district file to files that other programs open.

In: the demo district, and real footprints that the package momepy carries.
Out: exit codes, counts that add up, files that open, and the same bytes from the same input.
"""

from __future__ import annotations

import csv
import datetime
import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from pyproj import Geod
from shapely.geometry.polygon import orient

from roofplat import Built, build, read_district
from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION
from roofplat.pipeline.tiles.keys import WORK_FOLDER
from roofplat.tables import TABLES

DEMO = Path(__file__).resolve().parents[1] / "data" / "demo" / "district.toml"
AS_OF = datetime.date(2026, 1, 1)
LISTS = {"ranking.csv", "survey_next.csv", "family_odds.csv", "problems.csv", "solar_access.csv"}
PAGES = {"map.html", "report.html", "drill.html"}
FILES = {"layers.gpkg", "planner.gpkg", "ranking.xlsx", "build.json"} | PAGES | LISTS
# What the inventory hands to framing stays inside; three layers are only passed through.
LAYERS = (set(TABLES) - {"roofs"}) | {"streets", "areas", "stations"}


def checksums(folder: Path) -> dict[str, str]:
    """Of everything but the work folder, which tells when the files were written."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and WORK_FOLDER not in path.parts
    }


def listed(result: Result, title: str) -> pd.DataFrame:
    """One of the tables a build prints, as whole numbers by name."""
    lines = iter(result.stdout.splitlines())
    next(line for line in lines if line == title)
    columns = next(lines).split()[1:]
    rows = {}
    for line in lines:
        if not line.startswith("  "):
            break
        name, *numbers = line.rsplit(maxsplit=len(columns))
        rows.setdefault(name.strip(), [int(number.replace(",", "")) for number in numbers])
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns)


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    """The demo by the command line."""
    out = tmp_path_factory.mktemp("printed")
    return CliRunner().invoke(main, ["build", str(DEMO), "--out", str(out)]), out


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """The demo by the Python API, on a fixed date."""
    return build(read_district(DEMO), out=tmp_path_factory.mktemp("built"), as_of=AS_OF)


def test_the_demo_builds_without_errors(printed: tuple[Result, Path]) -> None:
    result, out = printed
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Mallow Bench\n")
    assert "Problems: 0 errors" in result.stdout
    assert f"The map is {out / 'map.html'}" in result.stdout
    assert CAUTION in result.stdout


def test_no_feature_vanishes(printed: tuple[Result, Path]) -> None:
    result, out = printed
    read = listed(result, "Read:")
    assert (read["read"] == read["kept"] + read["refused"]).all()
    joined = listed(result, "Joined:")
    assert (joined["records"] == joined["joined"] + joined["unmatched"]).all()
    with fiona.open(DEMO.parent / "footprints.gpkg", layer="buildings") as source:
        footprints = len(source)
    refused = int(read.loc["footprints.gpkg:buildings", "refused"])
    buildings = gpd.read_file(out / "layers.gpkg", layer="buildings")
    assert footprints == len(buildings) + refused
    assert buildings["building_id"].is_unique
    # Every building has a section, a place in the ranking, and a wall.
    ids = set(buildings["building_id"])
    for layer in ("sections", "walls", "ranking"):
        assert set(gpd.read_file(out / "layers.gpkg", layer=layer)["building_id"]) == ids, layer
    # Sections cover their building.
    sections = gpd.read_file(out / "layers.gpkg", layer="sections")
    share = sections.groupby("building_id")["area_ft2"].sum() / buildings.set_index("building_id")["area_ft2"]
    assert share.between(0.9999, 1.0001).all()
    # A panelized section that was to be cut was cut, or says why not.
    uncut = sections[sections["cut_method"].isna()]
    assert uncut["cut_method_why"].notna().all()


def test_every_record_left_over_is_a_problem(built: Built) -> None:
    joined = built.counts["joined"].set_index("source")
    problems = built.problems
    for source in ("county roll", "roof surveys", "assessor parcels", "aerial outlines", "outline heights"):
        codes = ["record_unmatched", "duplicate_key", "duplicate_footprint"]
        rows = problems[(problems["layer"] == source) & problems["code"].isin(codes)]
        assert len(rows) == joined.loc[source, "unmatched"], source


def test_the_files_are_there_and_nothing_else(printed: tuple[Result, Path]) -> None:
    _, out = printed
    areas = {f"areas/{name}.{end}" for name in ("alder-homes", "kiln-yards", "lantern-row")
             for end in ("html", "geojson")}  # fmt: skip
    assert set(checksums(out)) == FILES | areas
    record = json.loads((out / "build.json").read_text("utf-8"))
    assert {*record["outputs"], "build.json"} == FILES | areas
    for path in (out / "map.html", out / "report.html", out / "build.json", *out.glob("areas/*")):
        # HTML and JSON write the apostrophe in their own ways.
        assert "procedures and the local code outrank it" in path.read_text("utf-8"), path.name


def test_fiona_opens_every_layer(printed: tuple[Result, Path]) -> None:
    _, out = printed
    record = json.loads((out / "build.json").read_text("utf-8"))
    assert set(fiona.listlayers(out / "layers.gpkg")) == LAYERS
    for name in LAYERS:
        with fiona.open(out / "layers.gpkg", layer=name) as layer:
            features = list(layer)
            assert len(features) == record["tables"][name], name
            if name in TABLES:
                columns = list(TABLES[name].columns)
                if "building_id" in columns and "dispatch_area" not in columns:
                    columns.append("dispatch_area")
                assert list(layer.schema["properties"]) == columns, name
            if layer.schema["geometry"] != "None":
                assert layer.crs.to_epsg() == 32611, name
                assert all(feature.geometry is not None for feature in features), name


def test_json_opens_every_area(printed: tuple[Result, Path]) -> None:
    _, out = printed
    seen: list[str] = []
    for path in out.glob("areas/*.geojson"):
        collection = json.loads(path.read_text("utf-8"))
        assert collection["type"] == "FeatureCollection"
        assert "crs" not in collection
        for feature in collection["features"]:
            assert feature["type"] == "Feature"
            if feature["properties"]["layer"] == "buildings":
                seen.append(feature["properties"]["building_id"])
        west, south, east, north = collection["bbox"]
        assert -119 < west < east < -118
        assert 40 < south < north < 41
    buildings = gpd.read_file(out / "layers.gpkg", layer="buildings")
    assert sorted(seen) == sorted(buildings["building_id"])


def test_csv_opens_the_lists(printed: tuple[Result, Path], built: Built) -> None:
    _, out = printed
    with (out / "ranking.csv").open(encoding="utf-8", newline="") as file:
        ranking = list(csv.DictReader(file))
    assert [int(row["rank"]) for row in ranking] == list(range(1, len(built.tables["buildings"]) + 1))
    scores = [float(row["score"]) for row in ranking]
    assert scores == sorted(scores, reverse=True)
    assert all(len(row["reasons"].split("; ")) == 3 for row in ranking)
    with (out / "problems.csv").open(encoding="utf-8", newline="") as file:
        problems = list(csv.DictReader(file))
    assert len(problems) == len(built.problems)
    assert all(row["message"] and row["action"] for row in problems)


def test_the_workbook_says_what_the_lists_say(printed: tuple[Result, Path]) -> None:
    _, out = printed
    for name, sheet in (("ranking", "Ranking"), ("survey_next", "Survey next"), ("family_odds", "Odds")):
        book = pd.read_excel(out / "ranking.xlsx", sheet_name=sheet, keep_default_na=False, na_values=[""])
        plain = pd.read_csv(out / f"{name}.csv", keep_default_na=False, na_values=[""])
        assert sorted(book.columns) == sorted(plain.columns)
        assert len(book) == len(plain) > 0
        for column in plain.columns:
            if column in ("inspected_on", "next_due"):
                plain[column] = pd.to_datetime(plain[column])
            pd.testing.assert_series_equal(book[column], plain[column], check_dtype=False, rtol=1e-14)
    buildings = gpd.read_file(out / "layers.gpkg", layer="buildings")
    unseen = buildings[buildings["family_basis"] != "surveyed"]
    assert sorted(pd.read_csv(out / "survey_next.csv")["building_id"]) == sorted(unseen["building_id"])
    odds = pd.read_csv(out / "family_odds.csv")
    assert set(odds["stratum"]) == set(buildings["stratum"])
    assert np.allclose(odds.groupby("stratum")["chance"].sum(), 1.0)


def test_the_same_input_gives_the_same_bytes(built: Built, tmp_path: Path) -> None:
    # In a process of its own: neither the order of a set nor what this one has cached may matter.
    code = (
        "import datetime, sys\nfrom roofplat import build, read_district\n"
        "build(read_district(sys.argv[1]), out=sys.argv[2], as_of=datetime.date(2026, 1, 1))\n"
    )
    again = tmp_path / "again"
    subprocess.run([sys.executable, "-c", code, str(DEMO), str(again)], check=True, cwd=tmp_path)
    assert checksums(again) == checksums(built.out)
    assert {path.relative_to(built.out).as_posix() for path in built.files} == set(checksums(again))


@pytest.fixture(scope="module")
def bubenec(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path, gpd.GeoDataFrame]:
    """Real outlines and streets (open data, in Web Mercator), with nothing known of their roofs."""
    import momepy

    file = Path(momepy.datasets.get_path("bubenec"))
    folder = tmp_path_factory.mktemp("bubenec")
    (folder / "district.toml").write_text(
        "[district]\nname = 'Bubenec'\n"
        f"[footprints]\nfile = {json.dumps(str(file))}\nlayer = 'buildings'\nid = 'uID'\n"
        f"[streets]\nfile = {json.dumps(str(file))}\nlayer = 'streets'\n",
        "utf-8",
    )
    out = folder / "maps"
    words = ["build", str(folder / "district.toml"), "--out", str(out), "--allow-outside"]
    return CliRunner().invoke(main, words), out, gpd.read_file(file, layer="buildings")


def test_real_footprints_build(bubenec: tuple[Result, Path, gpd.GeoDataFrame]) -> None:
    result, out, source = bubenec
    assert result.exit_code == 0, result.output
    buildings = gpd.read_file(out / "layers.gpkg", layer="buildings")
    assert len(buildings) + int(listed(result, "Read:").iloc[0]["refused"]) == len(source)
    # Nobody has looked at these roofs: walls and ladder spots, and no cut that is a guess.
    assert set(buildings["roof_family"]) == {"unknown"}
    for layer, rows in (("walls", True), ("ladders", True), ("openings", False), ("trenches", False)):
        with fiona.open(out / "layers.gpkg", layer=layer) as features:
            assert bool(len(features)) is rows, layer
    sections = gpd.read_file(out / "layers.gpkg", layer="sections")
    assert sections["cut_method"].isna().all()
    assert sections["cut_method_why"].str.contains("nobody has looked").any()


def test_feet_are_ground_feet_though_the_source_is_mercator(
    bubenec: tuple[Result, Path, gpd.GeoDataFrame],
) -> None:
    _, out, source = bubenec
    buildings = gpd.read_file(out / "layers.gpkg", layer="buildings")
    geod = Geod(ellps="WGS84")
    # Rings must run their own ways round, or a courtyard counts as roof.
    on_ellipsoid: dict[str, Any] = {
        str(number): geod.geometry_area_perimeter(orient(shape))[0] / 0.3048**2
        for number, shape in zip(source["uID"], source.to_crs("EPSG:4326").geometry, strict=True)
    }
    wanted = buildings["building_id"].map(on_ellipsoid)
    assert wanted.notna().all()
    assert np.abs(buildings["area_ft2"] / wanted - 1).max() < 0.001
    # The map's own square metres are more than twice as many at this latitude.
    drawn_ft2 = buildings["building_id"].map(
        dict(zip(source["uID"].astype(str), source.area / 0.3048**2, strict=True))
    )
    assert (drawn_ft2 / buildings["area_ft2"]).between(2.3, 2.5).all()
