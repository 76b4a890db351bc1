"""`roofplat changes`: two days of the record, two builds; a rebuild of the same input gives no row."""

from __future__ import annotations

import datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner, Result

from roofplat import pipeline
from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION
from roofplat.district import read_district
from roofplat.record import append, open_record
from roofplat.rules import load_rulebook

X, Y = 500_000.0, 4_400_000.0
FILES = {"changes.csv", "changes.gpkg", "changes.geojson", "changes.html"}


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """Two sheds of 40 by 20 m, far apart; nobody says anything of their roofs."""
    sheds = [shapely.box(X + far, Y, X + far + 40, Y + 20) for far in (0, 200)]
    frame = gpd.GeoDataFrame(
        {"building_id": ["B1", "B2"], "height_ft": [24.0, 24.0]}, geometry=sheds, crs="EPSG:32613"
    )
    frame.to_file(tmp_path / "roofs.gpkg", layer="roofs")
    file = tmp_path / "district.toml"
    file.write_text(
        '[district]\nname = "Two sheds"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\nbasis = "recorded"\n'
    )
    return file


def log(town: Path, field: str, value: str, day: str) -> None:
    """Somebody saw the roof of B1 on a day, and logged it at noon."""
    record = open_record(read_district(town).record_file, "EPSG:32613", load_rulebook())
    rows = pd.DataFrame({"building_id": ["B1"], "field": field, "value": value, "basis": "surveyed",
                         "seen_on": pd.Timestamp(day)})  # fmt: skip
    append(record, observations=rows, now=datetime.datetime.fromisoformat(f"{day}T12:00:00+00:00"))


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def changes(out: Path) -> pd.DataFrame:
    return pd.read_csv(out / "changes" / "changes.csv").set_index(["building_id", "what"])


def test_two_days_of_the_record(town: Path, tmp_path: Path) -> None:
    log(town, "roof_family", "heavy_timber", "2026-03-01")
    log(town, "framing_axis_deg", "0", "2026-03-01")
    log(town, "framing_axis_deg", "90", "2026-05-01")
    out = tmp_path / "maps"
    result = run("changes", town, "--since", "2026-04-01", "--until", "2026-05-01", "--out", out)
    assert result.exit_code == 0, result.output
    assert "From the record as of 2026-04-01 to the record as of 2026-05-01:" in result.output
    assert CAUTION in result.output
    assert {file.name for file in (out / "changes").iterdir()} == FILES
    rows = changes(out)
    assert (
        rows.loc[("B1", "framing_axis_deg"), "before"],
        rows.loc[("B1", "framing_axis_deg"), "after"],
    ) == (
        "0 deg",
        "90 deg",
    )
    assert rows.loc[("B1", "framing_axis_deg"), "by"] == 90.0
    # The family was known on both days, and of the other shed nobody said anything.
    assert "roof_family" not in rows.index.get_level_values("what")
    assert set(rows.loc[["B2"]].index.get_level_values("what") if "B2" in rows.index else []) <= {
        "score",
        "rank",
    }
    # Days later on, the first survey is new as well.
    assert run("changes", town, "--since", "2026-02-01", "--out", out).exit_code == 0
    rows = changes(out)
    assert rows.loc[("B1", "roof_family"), "after"] == "heavy_timber"
    assert rows.loc[("B1", "roof_family"), "after_basis"] == "surveyed"


def test_days_between_which_nothing_came_give_no_row(town: Path, tmp_path: Path) -> None:
    log(town, "roof_family", "heavy_timber", "2020-03-01")
    result = run(
        "changes", town, "--since", "2020-03-01", "--until", "2026-05-01", "--out", tmp_path / "maps"
    )
    assert result.exit_code == 0, result.output
    assert "  nothing changed" in result.output
    assert changes(tmp_path / "maps").empty


def test_two_builds_say_what_two_days_say(town: Path, tmp_path: Path) -> None:
    log(town, "roof_family", "heavy_timber", "2026-03-01")
    log(town, "roof_family", "panelized_wood", "2026-05-01")
    for name, day in (("spring", "2026-04-01"), ("again", "2026-04-01"), ("summer", "2026-05-01")):
        assert run("build", town, "--out", tmp_path / name, "--as-of", day).exit_code == 0
    same = run("changes", "--builds", tmp_path / "spring", tmp_path / "again")
    assert same.exit_code == 0, same.output
    assert "  nothing changed" in same.output
    assert changes(tmp_path / "again").empty
    result = run("changes", "--builds", tmp_path / "spring", tmp_path / "summer")
    assert result.exit_code == 0, result.output
    told = " ".join(result.output.split())
    assert "From spring, built as of 2026-04-01 to summer, built as of 2026-05-01:" in told
    assert "Note: Ages are counted on 2026-04-01 before and on 2026-05-01 after" in told
    by_builds = changes(tmp_path / "summer")
    row = by_builds.loc[("B1", "roof_family")]
    assert (row["before"], row["after"]) == ("heavy_timber", "panelized_wood")
    out = tmp_path / "days"
    assert run("changes", town, "--since", "2026-04-01", "--until", "2026-05-01", "--out", out).exit_code == 0
    by_days = changes(out)
    # Scores are of two ages in the builds, and of one in the days; all else is the same.
    roofs = [
        rows.drop(index=["score", "rank"], level="what", errors="ignore") for rows in (by_builds, by_days)
    ]
    pd.testing.assert_frame_equal(*roofs)
    assert len(roofs[0]) > 1
    # A district's own rules hold for builds as well.
    with town.open("a") as file:
        file.write("\n[rules]\nchanges.moved_ft = 1000.0\n")
    result = run("changes", town, "--builds", tmp_path / "spring", tmp_path / "summer", "--out", out)
    assert result.exit_code == 0, result.output
    assert (
        "changes.moved_ft: 1000 ft (department; was 5 ft)" in (out / "changes" / "changes.html").read_text()
    )


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "Name a district file and --since DATE, or the folders of --builds DIR DIR."),
        (("TOWN",), "Name a district file and --since DATE"),
        (("--since", "2026-01-01"), "Name a district file and --since DATE"),
        (("--builds", "a", "b", "--since", "2026-01-01"), "leave out --since and --until"),
        (("--builds", "nowhere", "b"), "There is no build in nowhere"),
        (("TOWN", "--since", "2026-03-01", "--until", "2026-02-01"), "2026-03-01 is later than 2026-02-01"),
        (("TOWN", "--since", "2026-01-01"), "There is no record of surveys"),
        (("TOWN", "--since", "spring"), "'spring' is no date"),
    ],
)
def test_a_wrong_command_is_told_in_one_sentence(town: Path, words: tuple[str, ...], sentence: str) -> None:
    result = run("changes", *(town if word == "TOWN" else word for word in words))
    assert result.exit_code == 2
    assert sentence in " ".join(result.output.split())
    assert "Traceback" not in result.output
    assert not list(town.parent.rglob("changes.csv"))


def test_buildings_are_the_same_under_other_ids_of_a_new_layer(town: Path, tmp_path: Path) -> None:
    """One shed has gone, one has come, and one is drawn 3 m longer; the new file calls them otherwise."""
    log(town, "framing_axis_deg", "0", "2026-03-01")
    keep(town, "2026-03-02")
    sheds = [shapely.box(X + far, Y, X + far + long, Y + 20) for far, long in ((0, 43), (400, 40))]
    frame = gpd.GeoDataFrame(
        {"building_id": ["N7", "N8"], "height_ft": [24.0, 24.0]}, geometry=sheds, crs="EPSG:32613"
    )
    frame.to_file(town.parent / "roofs.gpkg", layer="roofs")
    log(town, "framing_axis_deg", "90", "2026-05-01")
    keep(town, "2026-05-02")
    out = tmp_path / "maps"
    result = run("changes", town, "--since", "2026-04-01", "--until", "2026-06-01", "--out", out)
    assert result.exit_code == 0, result.output
    rows = changes(out)
    told = {pair for pair in rows.index if pair[1] not in ("score", "rank")}
    assert {
        ("B1", "outline"),
        ("B1", "framing_axis_deg"),
        ("B2", "building_gone"),
        ("N8", "building_new"),
    } <= told
    assert {name for name, _ in told} == {"B1", "B2", "N8"}
    # Three metres of UTM are 9.85 ft on the ground here.
    assert rows.loc[("B1", "outline"), "by"] == pytest.approx(3 / 0.9996 / 0.3048, abs=0.01)
    # What is gone is on the map where it stood.
    drawn = gpd.read_file(out / "changes" / "changes.gpkg", layer="changed_buildings").set_index(
        "building_id"
    )
    assert drawn.loc["B2", "state"] == "gone"
    assert drawn.geometry["B2"].bounds == pytest.approx((X + 200, Y, X + 240, Y + 20))
    # Before any outline was written down nobody can tell which came and which went.
    first = run("changes", town, "--since", "2026-02-01", "--until", "2026-06-01", "--out", out)
    assert "The record held no outlines on 2026-02-01" in " ".join(first.output.split())
    kinds = set(changes(out).index.get_level_values("what"))
    assert "framing_axis_deg" in kinds or "roof_family" in kinds
    assert not kinds & {"building_new", "building_gone", "outline"}


def keep(town: Path, day: str) -> None:
    """Write the outlines down at noon."""
    moment = datetime.datetime.fromisoformat(f"{day}T12:00:00+00:00")
    pipeline.survey_keep(read_district(town), now=moment)
