"""`roofplat survey in`: forms of two sheds go into the record, with all that a surveyor gets wrong.

In: two sheds in UTM 13N, forms as they come back.
Out: lines on the screen, exit codes, rows of the record, and what the next plan makes of them.
"""

from __future__ import annotations

import datetime
import sqlite3
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner, Result

from roofplat import pipeline
from roofplat.cli.main import main
from roofplat.cli.manners import CAUTION
from roofplat.district import District, read_district

X, Y = 500_000.0, 4_400_000.0
HEAD = "asked,building_id,roof_family,framing_axis_deg,beam_spacing_ft,purlin_spacing_ft,rafter_spacing_ft,"
HEAD += "sounding_walk_deg,sounding_spacing_ft,who,seen_on,note\n"
NOW = datetime.datetime(2026, 3, 2, 9, 0, tzinfo=datetime.UTC)


@pytest.fixture
def town(tmp_path: Path) -> Path:
    """Two sheds of 40 by 20 m, far apart, with a street along their south sides."""
    sheds = [shapely.box(X + far, Y, X + far + 40, Y + 20) for far in (0, 200)]
    frame = gpd.GeoDataFrame(
        {"building_id": ["B1", "B2"], "address": ["1 Long St", "2 Long St"]}, geometry=sheds
    )
    frame.set_crs("EPSG:32613").to_file(tmp_path / "roofs.gpkg", layer="roofs")
    street = shapely.LineString([(X - 50, Y - 15), (X + 300, Y - 15)])
    gpd.GeoDataFrame({"name": ["Long St"]}, geometry=[street], crs="EPSG:32613").to_file(
        tmp_path / "streets.gpkg"
    )
    (tmp_path / "district.toml").write_text(
        '[district]\nname = "Two sheds"\nregion = "west"\n'
        '[footprints]\nfile = "roofs.gpkg"\nid = "building_id"\n'
        '[streets]\nfile = "streets.gpkg"\n'
    )
    return tmp_path


def _form(town: Path, *rows: str, name: str = "form.csv") -> Path:
    path = town / name
    path.write_text(HEAD + "\n".join(rows) + "\n", "utf-8")
    return path


def _run(town: Path, *words: object) -> Result:
    return CliRunner().invoke(main, ["survey", "in", str(town / "district.toml"), *map(str, words)])


def _log(town: Path) -> list[tuple[str, str, str]]:
    with sqlite3.connect(town / "inventory.gpkg") as connection:
        return connection.execute(
            "SELECT building_id, field, value FROM observations ORDER BY number"
        ).fetchall()


def _district(town: Path) -> District:
    return read_district(town / "district.toml")


def test_a_dry_run_shows_everything_and_writes_nothing(town: Path) -> None:
    form = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,dry")
    result = _run(town, form, "--dry-run")
    assert result.exit_code == 0, result.output
    assert "Answers: 3 new" in result.output
    assert "20 (surveyed 2026-03-01)" in result.output
    assert "Nothing was written." in result.output
    assert CAUTION in result.output
    assert not (town / "inventory.gpkg").exists()


def test_what_is_refused_takes_nothing_else_with_it_and_ends_with_1(town: Path) -> None:
    form = _form(
        town,
        "x,B1,panelized_wood,,70,8,24,,,Inspector 1,2026-03-01,",
        "x,B3,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,",
    )
    result = _run(town, form)
    assert result.exit_code == 1
    assert _log(town) == [("B1", "roof_family", "panelized_wood"), ("B1", "purlin_spacing_ft", "8")]
    for words in ("outside 0.5 to 60 ft", "hardly right", "there is no building 'B3'", "the nearest are"):
        assert words in result.output
    assert "Logged 2 answers" in result.output


def test_the_same_form_twice_logs_once(town: Path) -> None:
    form = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,")
    assert _run(town, form).exit_code == 0
    before = _log(town)
    again = _run(town, form)
    assert again.exit_code == 0
    assert "Answers: 3 same" in again.output
    assert "Nothing was logged." in again.output
    assert _log(town) == before


def test_a_sounding_along_side_a_turns_the_beams_and_the_plan_follows(town: Path) -> None:
    district = _district(town)
    # Long and flat: without a survey the beams go across the shorter span, north and south.
    built = pipeline.build(district, out=town / "before")
    assert built.tables["sections"]["axis_basis"].tolist() == ["inferred", "inferred"]
    form = _form(town, "x,B1,panelized_wood,,20,8,,A,8,Inspector 1,2026-03-01,dry")
    made = pipeline.survey_in(district, [form], now=NOW)
    (turned,) = made.axes.to_dict("records")
    assert (turned["section_id"], turned["was_basis"], turned["now_basis"]) == (
        "B1/1",
        "inferred",
        "surveyed",
    )
    assert turned["was_deg"] % 180 == pytest.approx(0.0, abs=1.5)
    assert turned["now_deg"] == pytest.approx(90.0, abs=1.5)
    sections = pipeline.build(district, out=town / "after").tables["sections"].set_index("building_id")
    assert sections.loc["B1", "axis_basis"] == "surveyed"
    assert sections.loc["B1", "framing_axis_deg"] == pytest.approx(turned["now_deg"])
    assert sections.loc["B2", "axis_basis"] == "inferred"
    walk = [value for _, field, value in _log(town) if field == "sounding_walk_deg"]
    assert float(walk[0]) == pytest.approx(90.0, abs=1.5)


def test_soundings_that_contradict_each_other_are_told_by_the_command_and_the_build(town: Path) -> None:
    district = _district(town)
    first = _form(town, "x,B1,panelized_wood,,20,8,,A,8,Inspector 1,2026-03-01,")
    second = _form(town, "x,B1,,,,,,B,8,Inspector 2,2026-03-05,", name="second.csv")
    assert "soundings_disagree" not in set(pipeline.survey_in(district, [first], now=NOW).problems["code"])
    dry = pipeline.survey_in(district, [second], dry_run=True)
    made = pipeline.survey_in(district, [second], now=NOW)
    for problems in (dry.problems, made.problems, pipeline.build(district, out=town / "built").problems):
        told = problems[problems["code"] == "soundings_disagree"]
        assert told["feature"].tolist() == ["B1/1"]
    assert dry.problems.equals(made.problems)


def test_two_surveys_that_disagree_are_a_conflict_and_the_later_is_in_force(town: Path) -> None:
    district = _district(town)
    first = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,")
    second = _form(town, "x,B1,sawn_joist_flat,,20,8,,,,Inspector 2,2026-02-01,", name="second.csv")
    pipeline.survey_in(district, [first], now=NOW)
    made = pipeline.survey_in(district, [second], now=NOW)
    assert made.rows.set_index("field").loc["roof_family", "outcome"] == "earlier"
    built = pipeline.build(district, out=town / "built")
    for problems in (made.problems, built.problems):
        told = problems[(problems["code"] == "conflicting_values") & (problems["feature"] == "B1")]
        assert len(told) == 1
        assert "panelized_wood is taken, being later" in told["message"].iloc[0]
    assert built.tables["buildings"].set_index("building_id").loc["B1", "roof_family"] == "panelized_wood"


def test_several_forms_are_one_import_and_say_who_and_when(town: Path) -> None:
    one = _form(town, "x,B1,panelized_wood,,,,,,,,,")
    other = _form(town, "x,B2,panelized_wood,,,,,,,,,", name="other.csv")
    result = _run(town, one, other, "--who", "Inspector 2", "--seen-on", "2026-02-03")
    assert result.exit_code == 0, result.output
    with sqlite3.connect(town / "inventory.gpkg") as connection:
        rows = connection.execute(
            "SELECT building_id, who, seen_on, file, logged_at FROM observations"
        ).fetchall()
    assert [row[:4] for row in rows] == [
        ("B1", "Inspector 2", "2026-02-03", "form.csv"),
        ("B2", "Inspector 2", "2026-02-03", "other.csv"),
    ]
    assert rows[0][4] == rows[1][4]


def test_a_form_that_is_none_stops_all_of_them(town: Path) -> None:
    good = _form(town, "x,B1,panelized_wood,,,,,,,,,")
    (town / "bad.csv").write_text("crew\nred\n")
    result = _run(town, good, town / "bad.csv")
    assert result.exit_code == 1
    assert "bad.csv: no column holds the ids of buildings" in result.output
    assert not (town / "inventory.gpkg").exists()


@pytest.mark.parametrize("day", ["yesterday", "2026-13-01", "2999-01-01"])
def test_a_day_that_cannot_be_is_a_wrong_command(town: Path, day: str) -> None:
    form = _form(town, "x,B1,panelized_wood,,,,,,,,,")
    assert _run(town, form, "--seen-on", day).exit_code == 2


def test_no_form_is_a_wrong_command(town: Path) -> None:
    assert _run(town).exit_code == 2


def test_the_record_before_the_import_can_be_planned_again(town: Path) -> None:
    district = _district(town)
    form = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,")
    pipeline.survey_in(district, [form], now=NOW)
    days = (datetime.date(2026, 3, 1), datetime.date(2026, 3, 2))
    families = [
        pipeline.build(district, out=town / "built", as_of=day).tables["buildings"]["roof_family"].tolist()
        for day in days
    ]
    assert families == [["unknown", "unknown"], ["panelized_wood", "unknown"]]


def test_a_part_of_a_split_building_waits_until_its_outline_is_written_down(town: Path) -> None:
    district = _district(town)
    form = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,")
    pipeline.survey_in(district, [form], now=NOW)
    # A later release: the first shed is two halves now.
    halves = [shapely.box(X, Y, X + 20, Y + 20), shapely.box(X + 20, Y, X + 40, Y + 20)]
    rest = shapely.box(X + 200, Y, X + 240, Y + 20)
    frame = gpd.GeoDataFrame({"building_id": ["B1", "B7", "B2"]}, geometry=[*halves, rest], crs="EPSG:32613")
    frame.to_file(town / "roofs.gpkg", layer="roofs")
    second = _form(
        town,
        "x,B1,sawn_joist_flat,,,,,,,Inspector 1,2026-03-05,",
        "x,B2,panelized_wood,,,,,,,Inspector 1,2026-03-05,",
    )
    made = pipeline.survey_in(district, [second], now=NOW)
    assert made.rows["outcome"].tolist() == ["refused", "new"]
    assert "footprints_not_kept" in set(made.problems["code"])
    pipeline.survey_keep(district, now=NOW + datetime.timedelta(days=1))
    made = pipeline.survey_in(district, [second], now=NOW + datetime.timedelta(days=2))
    assert made.rows["outcome"].tolist() == ["changed", "same"]
    built = pipeline.build(district, out=town / "built").tables["buildings"].set_index("building_id")
    # What was seen of the whole is said of the other half; what was seen of the half is not.
    assert built["roof_family"].to_dict() == {
        "B1": "sawn_joist_flat",
        "B1.2": "panelized_wood",
        "B2": "panelized_wood",
    }


def test_only_conflicts_that_the_forms_bring_are_told(town: Path) -> None:
    (town / "roll.csv").write_text("id,height_ft\nB1,20\n")
    (town / "other.csv").write_text("id,height_ft\nB1,30\n")
    source = '\n[[attributes]]\nname = "{0}"\nfile = "{0}.csv"\nhow = "key"\nid = "id"\n'
    with (town / "district.toml").open("a") as stream:
        stream.write(source.format("roll") + source.format("other"))
    form = _form(town, "x,B1,panelized_wood,,20,8,,,,Inspector 1,2026-03-01,")
    made = pipeline.survey_in(_district(town), [form], now=NOW)
    assert made.problems.empty
    assert "conflicting_values" in set(pipeline.build(_district(town), out=town / "built").problems["code"])


def _with_area(town: Path) -> None:
    shape = shapely.box(X - 100, Y - 100, X + 400, Y + 100)
    area = gpd.GeoDataFrame({"name": ["North"]}, geometry=[shape], crs="EPSG:32613")
    area.to_file(town / "areas.gpkg")
    with (town / "district.toml").open("a") as stream:
        stream.write('[areas]\nfile = "areas.gpkg"\n')


def test_forms_of_our_own_come_back_empty_and_say_nothing(town: Path) -> None:
    _with_area(town)
    forms = pipeline.survey_out(_district(town), area="North", out=town / "built")
    made = pipeline.survey_in(_district(town), [forms.out / "survey.csv", forms.out / "survey.gpkg"], now=NOW)
    assert made.rows.empty
    assert made.problems.empty
    assert made.forms["rows"].tolist() == [2, 2]
    assert not made.record.exists()


@pytest.mark.parametrize("kind", ["csv", "gpkg"])
def test_forms_of_our_own_are_read_back_as_they_were_filled_in(town: Path, kind: str) -> None:
    _with_area(town)
    forms = pipeline.survey_out(_district(town), area="North", out=town / "built")
    path = forms.out / f"survey.{kind}"
    answers = {
        "roof_family": "panelized_wood",
        "beam_spacing_ft": 20.0,
        "sounding_walk_deg": "A",
        "sounding_spacing_ft": 8.0,
        "suspended_load": "no",
        "seen_on": "2026-03-01",
        "who": "Inspector 1",
    }
    is_list = kind == "csv"
    rows = pd.read_csv(path, dtype="object") if is_list else gpd.read_file(path, layer="buildings")
    for name, value in answers.items():
        rows[name] = rows[name].astype("object").mask(rows["building_id"] == "B1", value)
    # Office and GIS programs save what they have read.
    path = town / f"edited.{kind}"
    if is_list:
        rows.to_csv(path, index=False)
    else:
        rows["seen_on"] = pd.to_datetime(rows["seen_on"]).astype("datetime64[ms]")
        rows["beam_spacing_ft"] = rows["beam_spacing_ft"].astype(float)
        rows.to_file(path, layer="buildings")
    made = pipeline.survey_in(_district(town), [path], now=NOW)
    assert made.problems.empty
    assert set(made.rows["outcome"]) == {"new"}
    log = {field: value for _, field, value in _log(town)}
    assert log.pop("sounding_walk_deg").startswith(("90", "89", "91"))
    assert log == {
        "roof_family": "panelized_wood",
        "beam_spacing_ft": "20",
        "sounding_spacing_ft": "8",
        "suspended_load": "false",
    }


def test_two_people_who_bring_the_same_form_at_once_log_it_once(town: Path) -> None:
    rows = [f"x,B{n},panelized_wood,,20,8,,,,Inspector {n},2026-03-0{n}," for n in (1, 2)]
    both = _form(town, *rows)
    start = "from roofplat.cli.main import main; main()"
    command = [sys.executable, "-c", start, "survey", "in", str(town / "district.toml"), str(both)]
    runs = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(2)]
    said = [run.communicate()[1] for run in runs]
    assert [run.returncode for run in runs] == [0, 0], said
    assert sorted(_log(town)) == sorted(
        (f"B{n}", field, value)
        for n in (1, 2)
        for field, value in (
            ("roof_family", "panelized_wood"),
            ("beam_spacing_ft", "20"),
            ("purlin_spacing_ft", "8"),
        )
    )
