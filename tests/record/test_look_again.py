"""What a mark does: it makes a survey old, in every place that speaks of the roof, and changes no fact."""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

from roofplat import pipeline
from roofplat.cli.main import main
from roofplat.district import District
from roofplat.inventory.buildings import ALERT_LENGTH, alert_lines, open_marks
from roofplat.record import append, open_record
from roofplat.rules import Rulebook

NOW = datetime.datetime(2026, 5, 1, 9, tzinfo=datetime.UTC)
TODAY = datetime.date(2026, 6, 1)


def log(town: District, rules: Rulebook, *rows: dict[str, Any], now: datetime.datetime = NOW) -> None:
    plain = {"building_id": "B1", "section_id": None, "basis": "surveyed"}
    frame = pd.DataFrame([plain | row for row in rows])
    frame["seen_on"] = pd.to_datetime(frame["seen_on"])
    append(open_record(town.record_file, "EPSG:32613", rules), observations=frame, now=now)


def survey(day: str, **more: str) -> dict[str, Any]:
    return {"field": "roof_family", "value": "panelized_wood", "seen_on": day} | more


def permit(day: str | None, reason: str = "reroof", **more: str) -> dict[str, Any]:
    return {"field": "look_again", "value": reason, "seen_on": day, "basis": "recorded"} | more


def ranked(town: District) -> tuple[Any, Any, Any]:
    tables = pipeline.rank(town, as_of=TODAY).tables
    building = tables["buildings"].set_index("building_id").loc["B1"]
    rank = tables["ranking"].set_index("building_id").loc["B1"]
    return building, rank, tables["survey_next"].set_index("building_id")


def test_a_mark_makes_a_survey_old(town: District, rules: Rulebook) -> None:
    log(town, rules, survey("2025-05-17"))
    fresh, fresh_rank, fresh_next = ranked(town)
    assert pd.isna(fresh["look_again"])
    assert fresh_rank["stale_information"] < 1
    assert "B1" not in fresh_next.index
    log(town, rules, permit("2026-03-14"))
    building, rank, to_do = ranked(town)
    assert building["look_again"] == "reroof 2026-03"
    assert building["alert"].endswith("Look again: reroof 2026-03")
    assert building["alert"].startswith("LIGHTWEIGHT ROOF (surveyed 2025-05): panelized wood.")
    assert rank["stale_information"] == 1.0
    assert rank["score"] > fresh_rank["score"]
    assert "B1" in to_do.index
    reason = to_do.loc["B1", "reason"]
    assert reason.endswith("look again: reroof 2026-03; roof surveyed before a change.")
    # What was seen is still known, and still as surveyed.
    assert (building["roof_family"], building["family_basis"]) == ("panelized_wood", "surveyed")
    assert building["surveyed_on"] == pd.Timestamp(2025, 5, 17)
    # It is trusted as a record of how it was.
    assert rules.number("odds.trust.recorded") < building["p_lightweight"] < 1.0 == fresh["p_lightweight"]


def test_it_is_among_the_words_of_the_factor(town: District, rules: Rulebook) -> None:
    log(town, rules, survey("2025-05-17"), permit("2026-03-14"))
    apart = pipeline.rank(town, explain="B1", as_of=TODAY).apart
    assert apart is not None
    why = apart.parts.set_index("factor").loc["stale_information", "why"]
    assert why == "look again: reroof 2026-03"
    # What it may be is laid open again.
    assert len(apart.odds)


def test_the_command_says_how_far_the_old_survey_is_trusted(town: District, rules: Rulebook) -> None:
    log(town, rules, survey("2025-05-17"), permit("2026-03-14"))
    done = CliRunner().invoke(main, ["rank", str(town.folder / "district.toml"), "--explain", "B1"])
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    trust = f"{rules.number('odds.trust.recorded'):.0%}"
    assert f"The family was surveyed before a change, reroof 2026-03: it has {trust} of the chance" in said
    assert "look again: reroof 2026-03" in said


@pytest.mark.parametrize("letter", ["A", "S", "R-3"])
def test_a_fact_told_of_a_marked_roof_does_what_was_foretold(
    town: District, rules: Rulebook, letter: str
) -> None:
    """The copies that try an answer out must not count as roofs that were surveyed."""
    log(town, rules, survey("2025-05-17"), permit("2026-03-14"))
    apart = pipeline.rank(town, explain="B1", as_of=TODAY).apart
    assert apart is not None
    foretold = apart.answers.set_index(["fact", "answer"]).loc[("occupancy", letter), "score"]
    told = {"field": "occupancy", "value": letter, "basis": "recorded", "seen_on": "2026-04-01"}
    log(town, rules, told)
    assert ranked(town)[1]["score"] == pytest.approx(foretold, abs=1e-9)


def test_a_later_survey_lifts_the_mark_and_an_earlier_one_does_not(town: District, rules: Rulebook) -> None:
    log(town, rules, survey("2025-05-17"), permit("2026-03-14"))
    # Logged later, seen before: somebody found an old note.
    log(town, rules, survey("2026-03-13", value="truss_pitched"), now=NOW + datetime.timedelta(days=1))
    assert ranked(town)[0]["look_again"] == "reroof 2026-03"
    log(town, rules, survey("2026-03-14"), now=NOW + datetime.timedelta(days=2))
    assert ranked(town)[0]["look_again"] == "reroof 2026-03"
    log(town, rules, survey("2026-03-15"), now=NOW + datetime.timedelta(days=3))
    building, rank, to_do = ranked(town)
    assert pd.isna(building["look_again"])
    assert rank["stale_information"] < 1
    assert "B1" not in to_do.index


def test_a_roof_that_nobody_surveyed_says_both(town: District, rules: Rulebook) -> None:
    log(town, rules, permit(None, "solar"))
    building, rank, to_do = ranked(town)
    # Without a day it counts from the day it came in.
    assert building["look_again"] == "solar 2026-05"
    assert building["alert"] == "ROOF UNKNOWN: nobody has looked. Find out first. Look again: solar 2026-05"
    assert rank["stale_information"] == 1.0
    assert "look again: solar 2026-05" in to_do.loc["B1", "reason"]


def test_before_the_permit_nobody_knew(town: District, rules: Rulebook) -> None:
    log(town, rules, survey("2025-05-17"), permit("2026-03-14"))
    tables = pipeline.rank(town, as_of=datetime.date(2026, 4, 30)).tables
    assert tables["buildings"]["look_again"].isna().all()


def test_marks_of_one_building_and_what_lifts_each() -> None:
    marks = pd.DataFrame(
        {
            "building_id": ["a", "a", "b", "c", "d", "gone"],
            "reason": ["reroof", "solar", "reroof", "by hand", "reroof", "reroof"],
            "since": pd.to_datetime(["2026-03-14", "2024-01-09", "2026-03-14", None, *["2026-03-14"] * 2]),
        }
    )  # fmt: skip
    seen = pd.to_datetime(["2023-01-01", "2026-03-15", "2026-01-01", None]).to_numpy(dtype="datetime64[ms]")
    every, latest = open_marks(pd.Series(["a", "b", "c", "d"]), seen, marks)
    assert every.fillna("-").tolist() == ["reroof 2026-03, solar 2024-01", "-", "by hand", "reroof 2026-03"]
    assert latest.fillna("-").tolist() == ["reroof 2026-03", "-", "by hand", "reroof 2026-03"]


@pytest.mark.parametrize("again", ["reroof 2026-03", "change of occupancy 2026-03", "x" * 90])
def test_the_alert_line_keeps_to_its_length_and_says_why(rules: Rulebook, again: str) -> None:
    families = [*rules.families]
    count = len(families)
    text = lambda value: pd.Series([value] * count, dtype="str")  # noqa: E731
    day = pd.to_datetime(["2024-05-17"] * count).to_numpy(dtype="datetime64[ms]")
    plain, marked = (
        alert_lines(pd.Series(families, dtype="str"), text("recorded"), day, text(None), text(None),
                    pd.Series([False] * count).to_numpy(), rules, look_again=mark)
        for mark in (None, text(again))
    )  # fmt: skip
    assert marked.str.len().max() <= ALERT_LENGTH
    assert marked.str.contains(" Look again: " + again[:20], regex=False).all()
    # The head, which says whether the roof is lightweight, is not given away.
    heads = plain.str.split(" ").str[:2].str.join(" ").str.rstrip(":.")
    assert all(line.startswith(head) for line, head in zip(marked, heads, strict=True))
