"""The survey loop, once around: forms go out, are filled in as a surveyor would, come back, and plans follow.

In: a copy of the demo district.
Out: the beams of what was surveyed turn, its plan follows, its rank moves; the record has every step; nothing
    else is another than before.
"""

from __future__ import annotations

import datetime
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner
from pandas.testing import assert_frame_equal

from roofplat import build, read_district
from roofplat.cli.main import main
from roofplat.pipeline import Built

DEMO = Path(__file__).resolve().parents[1] / "data" / "demo"
TODAY = datetime.date.today()
SEEN = "2026-01-05"
AREA = "Kiln Yards"
# What is drawn of a building; the ranking and the odds of its kind may move with any survey.
PLANS = [
    *("sections", "walls", "members", "planes", "obstacles", "ladders", "paths", "checks", "openings"),
    *("cuts", "trenches", "collapse_zones", "solar_access"),
]


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, list(words))
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, done.output


def plan_of(built: Built, name: str, ids: set[str], *, others: bool = False) -> pd.DataFrame:
    table = built.tables[name]
    own = table["building_id"].isin(ids)
    return table[~own if others else own].reset_index(drop=True)


@pytest.fixture(scope="module")
def loop(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Build, forms out, filled in with mistakes, a dry run, in, once more in, build."""
    folder = tmp_path_factory.mktemp("loop")
    shutil.copytree(DEMO, folder / "demo")
    file = folder / "demo" / "district.toml"
    district = read_district(file)
    before = build(district, out=folder / "maps", as_of=TODAY)
    out = run("survey", "out", str(file), "--area", AREA, "--out", str(folder / "maps"))
    form = pd.read_csv(next((folder / "maps").rglob("survey.csv")), dtype=str, keep_default_na=False)

    # A roof nobody knows, of one section, whose beams were inferred from its outline.
    sections = before.tables["sections"].set_index("building_id")
    single = sections[~sections.index.duplicated(keep=False) & (sections["axis_basis"] == "inferred")]
    unknown = single[single["roof_family"] == "unknown"]
    seen, torn, *_ = [name for name in form["building_id"] if name in unknown.index]
    turned = (float(unknown.loc[seen, "framing_axis_deg"]) + 90.0) % 180.0
    row = form.index[form["building_id"] == seen][0]
    answers = ["panelized_wood", f"{turned:.1f}", "24 ft", "96 in", "24 in", "no", SEEN, "Crew 7"]
    spacings = ["beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft"]
    fields = ["roof_family", "framing_axis_deg", *spacings, "suspended_load"]
    form.loc[row, [*fields, "seen_on", "who"]] = answers
    # Mistakes: a word that is no family, a spacing that cannot be, a building that does not exist.
    wrong = form.index[form["building_id"] == torn][0]
    form.loc[wrong, ["roof_family", "beam_spacing_ft", "seen_on"]] = ["shingles", "900", SEEN]
    form.loc[len(form)] = {**dict.fromkeys(form.columns, ""), "building_id": "MB-99999", "deck": "plywood"}
    # Another order, a column that is gone and one that is new.
    filled = folder / "filled.csv"
    form.iloc[::-1].drop(columns=["known"]).assign(weather="dry").to_csv(filled, index=False)

    record = folder / "demo" / "inventory.gpkg"
    dry = run("survey", "in", str(file), str(filled), "--dry-run")
    untouched = not record.exists()
    first = run("survey", "in", str(file), str(filled))
    again = run("survey", "in", str(file), str(filled))
    after = build(read_district(file), out=folder / "maps", as_of=TODAY)
    yesterday = build(read_district(file), out=folder / "past", as_of=TODAY - datetime.timedelta(days=1))
    return {
        "before": before, "after": after, "yesterday": yesterday, "seen": seen, "turned": turned,
        "out": out, "dry": dry, "untouched": untouched, "first": first, "again": again,
        "record": record, "fields": fields,
    }  # fmt: skip


def test_forms_go_out(loop: dict[str, Any]) -> None:
    code, said = loop["out"]
    assert code == 0, said
    assert loop["seen"] in said


def test_a_dry_run_shows_all_and_writes_nothing(loop: dict[str, Any]) -> None:
    code, said = loop["dry"]
    assert code == 1
    assert loop["untouched"]
    assert "6 new, 3 refused" in said
    for mistake in ("shingles", "900", "MB-99999"):
        assert mistake in said


def test_what_is_right_is_logged_once(loop: dict[str, Any]) -> None:
    assert loop["first"][0] == 1
    assert "Logged 6 answers" in loop["first"][1]
    assert "Nothing was logged" in loop["again"][1]
    with closing(sqlite3.connect(loop["record"])) as record:
        rows = record.execute(
            "select building_id, field, basis, who, seen_on, file from observations order by number"
        ).fetchall()
    assert sorted(rows) == sorted(
        (loop["seen"], field, "surveyed", "Crew 7", SEEN, "filled.csv") for field in loop["fields"]
    )


def test_the_beams_turn_and_the_plan_follows(loop: dict[str, Any]) -> None:
    seen = {loop["seen"]}
    was, now = (plan_of(loop[when], "sections", seen).iloc[0] for when in ("before", "after"))
    assert (was["axis_basis"], now["axis_basis"]) == ("inferred", "surveyed")
    assert now["framing_axis_deg"] == pytest.approx(loop["turned"], abs=0.05)
    assert now["beam_spacing_ft"] == 24.0
    assert now["purlin_spacing_ft"] == pytest.approx(8.0)
    assert now["roof_family"] == "panelized_wood"
    # Nothing was drawn on a roof that nobody knew.
    assert plan_of(loop["before"], "members", seen).empty
    members = plan_of(loop["after"], "members", seen)
    assert {"beam", "purlin"} <= set(members["kind"])
    assert set(members["basis"]) == {"surveyed"}
    assert not plan_of(loop["after"], "openings", seen).empty


def test_the_rank_moves(loop: dict[str, Any]) -> None:
    was, now = (loop[when].tables["ranking"].set_index("building_id").loc[loop["seen"]]
                for when in ("before", "after"))  # fmt: skip
    assert now["p_lightweight"] == 1.0
    assert now["rank"] != was["rank"]
    assert now["rank_high"] - now["rank_low"] < was["rank_high"] - was["rank_low"]
    assert now["stale_information"] < was["stale_information"]
    assert loop["seen"] in set(loop["before"].tables["survey_next"]["building_id"])
    assert loop["seen"] not in set(loop["after"].tables["survey_next"]["building_id"])


@pytest.mark.parametrize("name", ["sections", "members", "ladders"])
def test_yesterday_can_be_planned_again(loop: dict[str, Any], name: str) -> None:
    was, then = (pd.DataFrame(loop[when].tables[name]) for when in ("before", "yesterday"))
    assert_frame_equal(then, was)


@pytest.mark.parametrize("name", PLANS)
def test_nothing_else_is_another(loop: dict[str, Any], name: str) -> None:
    was, now = (plan_of(loop[when], name, {loop["seen"]}, others=True) for when in ("before", "after"))
    assert len(was)
    # A sentence that was said of the surveyed building alone is none of the others' words.
    assert_frame_equal(pd.DataFrame(now), pd.DataFrame(was), check_categorical=False)


def test_other_buildings_are_what_they_were_but_for_the_odds_of_their_kind(loop: dict[str, Any]) -> None:
    was, now = (plan_of(loop[when], "buildings", {loop["seen"]}, others=True) for when in ("before", "after"))
    moved = ["p_lightweight", "odds", "local_roofs"]
    assert_frame_equal(pd.DataFrame(now.drop(columns=moved)), pd.DataFrame(was.drop(columns=moved)))
    own = loop["after"].tables["buildings"].set_index("building_id").loc[loop["seen"], "stratum"]
    other_kinds = was["stratum"] != own
    assert other_kinds.any()
    assert_frame_equal(pd.DataFrame(now[other_kinds]), pd.DataFrame(was[other_kinds]))
