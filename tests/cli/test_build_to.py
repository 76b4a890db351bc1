"""`roofplat build --to`: the same tables in a database, the record of surveys among them."""

from __future__ import annotations

import datetime
import json
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote

import geopandas as gpd
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from shapely.geometry import box
from tests.postgres import OWNER, Database

from roofplat.cli.main import main
from roofplat.record import append, open_record
from roofplat.rules import load_rulebook

CRS = "EPSG:32613"
EAST, NORTH = 500_000, 4_300_000


@pytest.fixture
def district(tmp_path: Path) -> Path:
    """Three sheds of 60 by 30 m, two of them in the one dispatch area."""
    folder = tmp_path / "sedge"
    folder.mkdir()
    sheds = [box(EAST + at, NORTH, EAST + at + 60, NORTH + 30) for at in (0, 100, 300)]
    facts = {"building_id": ["b1", "b2", "b3"], "roof_family": "panelized_wood", "height_ft": 24.0}
    gpd.GeoDataFrame(facts, geometry=sheds, crs=CRS).to_file(folder / "roofs.gpkg", driver="GPKG")
    mill = box(EAST - 50, NORTH - 50, EAST + 200, NORTH + 80)
    gpd.GeoDataFrame({"name": ["Mill"]}, geometry=[mill], crs=CRS).to_file(
        folder / "areas.gpkg", driver="GPKG"
    )
    path = folder / "district.toml"
    path.write_text(
        '[district]\nname = "Sedge Flats"\n[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        'basis = "surveyed"\n[areas]\nfile = "areas.gpkg"\n',
        "utf-8",
    )
    return path


def run(district: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["build", str(district), "--out", str(district.parent / "out"), *words])


def column(database: Database, table: str, name: str = "building_id") -> list[str]:
    return database.sql(f'SELECT DISTINCT "{name}" FROM roofplat."{table}" ORDER BY 1').splitlines()


@pytest.mark.database
def test_the_log_of_surveys_goes_along_as_of_any_day(district: Path, database: Database) -> None:
    record = open_record(district.parent / "inventory.gpkg", CRS, load_rulebook())
    said = {"building_id": ["b1"], "field": ["beam_spacing_ft"], "basis": ["surveyed"], "who": ["Lt. Sedge"]}
    for value, day in (("20", datetime.date(2026, 1, 5)), ("24", datetime.date(2026, 2, 5))):
        rows = pd.DataFrame({**said, "value": value, "seen_on": [pd.Timestamp(day)]})
        moment = datetime.datetime.combine(day, datetime.time(12), tzinfo=datetime.UTC)
        append(record, observations=rows, now=moment)
    drawn = gpd.GeoDataFrame(
        {"layer": ["fire_walls"], "building_id": ["b2"], "properties": ["{}"], "basis": ["drawn"]},
        geometry=[box(EAST + 120, NORTH, EAST + 121, NORTH + 30).boundary],
        crs=CRS,
    )
    append(record, drawn=drawn, now=datetime.datetime(2026, 2, 6, tzinfo=datetime.UTC))
    assert run(district, "--to", database.url).exit_code == 0
    assert database.sql(
        "SELECT number, building_id, field, value, unit, basis, who, seen_on, logged_at "
        "FROM roofplat.observations ORDER BY number"
    ).splitlines() == [
        "1|b1|beam_spacing_ft|20|ft|surveyed|Lt. Sedge|2026-01-05|2026-01-05T12:00:00Z",
        "2|b1|beam_spacing_ft|24|ft|surveyed|Lt. Sedge|2026-02-05|2026-02-05T12:00:00Z",
    ]
    assert column(database, "current", "value") == ["24"]
    assert database.sql("SELECT layer, ST_GeometryType(geom), ST_SRID(geom) FROM roofplat.drawn") == (
        "fire_walls|ST_LineString|32613"
    )
    assert column(database, "outlines") == column(database, "lineage", "new_id") == []
    spacing = "SELECT DISTINCT beam_spacing_ft FROM roofplat.sections WHERE building_id = 'b1'"
    assert database.sql(spacing) == "24"
    assert run(district, "--to", database.url, "--as-of", "2026-01-31").exit_code == 0
    assert column(database, "observations", "number") == ["1"]
    assert column(database, "current", "value") == ["20"]
    assert column(database, "drawn") == []
    assert database.sql(spacing) == "20"
    (district.parent / "inventory.gpkg").unlink()
    assert run(district, "--to", database.url).exit_code == 0
    assert database.sql("SELECT to_regclass('roofplat.observations') IS NULL") == "t"


@pytest.mark.database
def test_one_area_is_written_with_its_neighbours_to_plan_by(district: Path, database: Database) -> None:
    assert run(district, "--to", database.url, "--area", "Mill").exit_code == 0
    assert column(database, "buildings") == column(database, "ladders") == ["b1", "b2"]
    assert column(database, "planner_roofs") == ["b1", "b2", "b3"]


@pytest.mark.database
def test_no_password_is_printed_or_filed(district: Path, database: Database) -> None:
    secret = quote(database.password, safe="")
    done = run(district, "--to", database.loopback_url.replace(f"{OWNER}@", f"{OWNER}:{secret}@"))
    assert done.exit_code == 0
    assert f"Writing {OWNER}@127.0.0.1:{database.server.port}/{database.name}, schema roofplat" in done.output
    hidden = (database.password.encode(), secret.encode())
    assert not any(word.decode() in done.output for word in hidden)
    files = [file for file in (district.parent / "out").rglob("*") if file.is_file()]
    assert len(files) > 5
    assert not any(word in file.read_bytes() for word in hidden for file in files)
    stored = database.sql("SELECT json::json ->> 'build' FROM roofplat.planner_setting")
    assert len(stored) == 16
    assert (
        json.loads((district.parent / "out" / "build.json").read_text("utf-8"))["district"] == "Sedge Flats"
    )


@pytest.mark.database
def test_what_cannot_be_written_is_said_before_anything_is(district: Path, database: Database) -> None:
    for address, sentence in (
        (database.loopback_url, "cannot be reached"),
        (database.url + "&schema=Not-One", "cannot be the name of a schema"),
        ("sqlite:///x", "must start with postgresql://"),
    ):
        done = run(district, "--to", address)
        assert done.exit_code in (1, 2)
        assert sentence in done.output
        assert not (district.parent / "out").exists()


def test_without_the_extra_a_sentence_says_what_to_install(district: Path) -> None:
    code = (
        "import sys\nsys.modules['psycopg2'] = None\n"
        "from roofplat.cli.main import main\n"
        f"sys.argv = ['roofplat', 'build', {str(district)!r}, '--to', 'postgresql://localhost/x']\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "pip install 'roofplat[service]'" in done.stderr
    assert "Traceback" not in done.stderr
