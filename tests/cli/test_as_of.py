"""`--as-of`: the record of surveys as it was on a day, on the screen and in the files of a build."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner, Result

from roofplat.cli.main import main
from roofplat.district import read_district
from roofplat.record import append, open_record
from roofplat.rules import load_rulebook

X, Y = 500_000.0, 4_400_000.0


@pytest.fixture
def town(tmp_path: Path) -> Path:
    sheds = [shapely.box(X + far, Y, X + far + 40, Y + 20) for far in (0, 200)]
    frame = gpd.GeoDataFrame({"building_id": ["B1", "B2"]}, geometry=sheds, crs="EPSG:32613")
    frame.to_file(tmp_path / "roofs.gpkg", layer="roofs")
    file = tmp_path / "district.toml"
    file.write_text('[district]\nname = "Two sheds"\n[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n')
    return file


def log(town: Path, family: str, day: str) -> None:
    """Somebody saw the roof of B1 on a day, and logged it at noon."""
    record = open_record(read_district(town).record_file, "EPSG:32613", load_rulebook())
    rows = pd.DataFrame({"building_id": ["B1"], "field": "roof_family", "value": family, "basis": "surveyed",
                         "seen_on": pd.Timestamp(day)})  # fmt: skip
    append(record, observations=rows, now=datetime.datetime.fromisoformat(f"{day}T12:00:00+00:00"))


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def test_a_build_as_of_a_day_does_not_know_what_came_later(town: Path, tmp_path: Path) -> None:
    log(town, "heavy_timber", "2026-03-01")
    assert run("build", town, "--out", tmp_path / "before", "--as-of", "2026-03-15").exit_code == 0
    log(town, "panelized_wood", "2026-05-01")
    assert run("build", town, "--out", tmp_path / "again", "--as-of", "2026-03-15").exit_code == 0
    assert run("build", town, "--out", tmp_path / "after", "--as-of", "2026-05-01").exit_code == 0
    for name in ("layers.gpkg", "ranking.csv", "problems.csv", "map.html"):
        before, again, after = ((tmp_path / out / name).read_bytes() for out in ("before", "again", "after"))
        assert before == again, name
        assert before != after, name
    families = {
        out: gpd.read_file(tmp_path / out / "layers.gpkg", layer="buildings")
        .set_index("building_id")
        .loc["B1"]
        for out in ("before", "after")
    }
    assert families["before"]["roof_family"] == "heavy_timber"
    assert families["after"]["roof_family"] == "panelized_wood"
    assert str(families["before"]["surveyed_on"])[:10] == "2026-03-01"
    told = json.loads((tmp_path / "after" / "build.json").read_text("utf-8"))
    assert told["as_of"] == "2026-05-01"
    assert [line["role"] for line in told["inputs"]] == ["footprints", "record"]
    assert told["inputs"][1]["file"] == "inventory.gpkg"


def test_a_ranking_as_of_a_day(town: Path) -> None:
    log(town, "heavy_timber", "2026-03-01")
    log(town, "panelized_wood", "2026-05-01")
    before = run("rank", town, "--explain", "B1", "--as-of", "2026-04-30")
    after = run("rank", town, "--explain", "B1", "--as-of", "2026-05-02")
    families = load_rulebook().families
    assert f"Roof family: {families['heavy_timber'].label} (surveyed)." in before.output
    assert f"Roof family: {families['panelized_wood'].label} (surveyed)." in after.output


def test_check_tells_of_the_record(town: Path) -> None:
    log(town, "thatch", "2026-03-01")
    told = run("check", town).output
    assert "survey log" in told
    assert "unknown_roof_family" in told


@pytest.mark.parametrize("command", ["build", "rank"])
@pytest.mark.parametrize("word", ["yesterday", "2026-02-30", "5/1/2026"])
def test_what_is_no_day_is_a_wrong_command(town: Path, command: str, word: str) -> None:
    result = run(command, town, "--as-of", word)
    assert result.exit_code == 2
    assert f"'{word}' is no date; give one as 2026-01-05." in " ".join(result.output.split())


def test_a_file_that_is_no_record_is_told_in_one_sentence(town: Path) -> None:
    (town.parent / "inventory.gpkg").write_text("not a database at all " * 50)
    result = run("rank", town)
    assert result.exit_code == 1
    assert "inventory.gpkg is no GeoPackage" in result.output
    assert "Traceback" not in result.output
