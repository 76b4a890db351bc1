"""Permits and the assessor's changes: which words mark a roof, which do not, and since when."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from roofplat.errors import DistrictFileError, FieldError, LayerError, RuleError
from roofplat.record import append, open_record, read_record
from roofplat.record.feed import REASONS, Feed, marks_of, observe_marks, read_feed
from roofplat.rules import Rulebook, load_rulebook

HEAD = "permit_no,building_id,issued,description,status"


def table(folder: Path, *rows: str, head: str = HEAD) -> Path:
    path = folder / "permits.csv"
    path.write_text("\n".join([head, *rows]) + "\n", "utf-8")
    return path


def feed(folder: Path, rules: Rulebook, *rows: str, head: str = HEAD, **more: Any) -> Feed:
    return read_feed(table(folder, *rows, head=head), more.pop("columns", ()), rules, **more)


def reasons(folder: Path, rules: Rulebook, words: str) -> str:
    rows = feed(folder, rules, f'P1,B1,2026-03-14,"{words}",final').rows
    return rows["reasons"].iloc[0] if len(rows) else ""


# Made up, in the manner of permit lists.
@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("RE-ROOF: tear-off and new built-up", "reroof"),
        ("Reroofing of warehouse", "reroof"),
        ("Roof  Replacement", "reroof"),
        ("Install 120 kW solar PV system", "solar"),
        ("Photovoltaics, 40 modules", "solar"),
        ("Replace two RTUs", "rooftop unit"),
        ("HVAC changeout", "rooftop unit"),
        ("New roof-top units on curbs", "rooftop unit"),
        ("Change of use from S-1 to A-3", "change of occupancy"),
        ("900 sf room addition", "addition"),
        ("Demolish rear shed", "demolition"),
        ("Addition; reroof; solar", "reroof, addition, solar"),
        ("Water heater", ""),
        ("Additional outlets", ""),
        ("Proof of insurance", ""),
        ("Surveillance cameras", ""),
        ("Virtual meeting", ""),
        ("", ""),
    ],
)
def test_what_words_say(tmp_path: Path, rules: Rulebook, words: str, expected: str) -> None:
    assert reasons(tmp_path, rules, words) == expected


def test_every_reason_has_its_rule_and_every_phrase_gives_its_reason(tmp_path: Path, rules: Rulebook) -> None:
    listed = {name.removeprefix("record.feed.") for name in rules.rules if name.startswith("record.feed.")}
    assert listed == set(REASONS)
    for name, reason in REASONS.items():
        for phrase in rules[f"record.feed.{name}"].value:
            found = reasons(tmp_path, rules, f"About the {phrase.replace('*', 's')} at the rear").split(", ")
            assert reason in found, phrase


def test_a_department_names_its_own_words(tmp_path: Path) -> None:
    own = load_rulebook({"record.feed.solar": ["sonnendach*"], "record.feed.reroof": []})
    assert reasons(tmp_path, own, "Sonnendachanlage") == "solar"
    assert reasons(tmp_path, own, "solar, reroof") == ""
    with pytest.raises(RuleError, match=r"record\.feed\.solar takes a list of phrases"):
        reasons(tmp_path, load_rulebook({"record.feed.solar": ["*"]}), "anything")


def test_every_row_is_a_mark_or_a_problem(tmp_path: Path, rules: Rulebook) -> None:
    read = feed(
        tmp_path, rules,
        "P1,B1,2026-03-14,Reroof,final",
        "P2,B1,2026-03-15,Reroof,VOID",
        "P3,B1,2026-03-16,Fence,final",
        "P4,,2026-03-17,Solar,final",
        "P5,B2,,Solar,final",
    )  # fmt: skip
    assert read.read == 5
    assert read.rows["record"].tolist() == ["B1 (row 1)", "B2"]
    refused = read.problems[read.problems["code"] != "no_date"]
    assert refused["code"].tolist() == ["permit_void", "no_mark", "no_building"]
    assert len(read.rows) + len(refused) == read.read
    assert read.rows["note"].tolist() == ["P1: Reroof", "P5: Solar"]
    assert (read.file, len(read.batch)) == ("permits.csv", 64)


def test_dates_are_days_as_they_are_said_to_be_written(tmp_path: Path, rules: Rulebook) -> None:
    ahead = (datetime.date.today() + datetime.timedelta(days=40)).isoformat()
    rows = [
        f"P{number},B{number},{day},Reroof,"
        for number, day in enumerate(["2026-03-04", "3/4/2026", "2026-03", ahead, "2026-03-04 17:30", "soon"])
    ]
    iso = feed(tmp_path, rules, *rows)
    day = pd.Timestamp(2026, 3, 4)
    assert iso.rows["seen_on"].tolist() == [day, pd.NaT, pd.NaT, pd.NaT, day, pd.NaT]
    assert (iso.problems["code"] == "bad_date").sum() == 4
    assert (iso.problems["code"] == "no_date").sum() == 4
    assert feed(tmp_path, rules, *rows, order="mdy").rows["seen_on"].iloc[1] == day
    assert feed(tmp_path, rules, *rows, order="dmy").rows["seen_on"].iloc[1] == pd.Timestamp(2026, 4, 3)
    assert feed(tmp_path, rules, *rows, order="mdy").rows["seen_on"].iloc[0] == day
    wrong = feed(tmp_path, rules, "P1,B1,14/3/2026,Reroof,", order="mdy")
    assert wrong.rows["seen_on"].isna().all()


def test_columns_may_have_names_of_their_own(tmp_path: Path, rules: Rulebook) -> None:
    head = "APN;Work;More;When;X;Y"
    row = "B1;Fence;and solar;2026-03-14;-104.5;39.9"
    columns = [
        ("building_id", "APN"),
        ("kind", "Work"),
        ("kind", "More"),
        ("date", "When"),
        ("lon", "X"),
        ("lat", "Y"),
    ]
    rows = feed(tmp_path, rules, row, head=head, columns=columns).rows
    assert rows[["key", "reasons", "note", "lon", "lat"]].iloc[0].tolist() == [
        "B1", "solar", "Fence; and solar", -104.5, 39.9
    ]  # fmt: skip
    with pytest.raises(FieldError, match=r"no column 'Nope', which --columns names for kind"):
        feed(tmp_path, rules, row, head=head, columns=[("kind", "Nope")])
    with pytest.raises(DistrictFileError, match="A feed has no 'roof'; its fields are building_id"):
        feed(tmp_path, rules, row, head=head, columns=[("roof", "APN")])
    with pytest.raises(FieldError, match="no column says what was done"):
        feed(tmp_path, rules, row, head=head)
    with pytest.raises(FieldError, match="no column says which building is meant"):
        feed(tmp_path, rules, row, head=head, columns=[("kind", "Work")])


def test_a_place_that_cannot_be_is_left_out(tmp_path: Path, rules: Rulebook) -> None:
    read = feed(
        tmp_path, rules, "reroof,-104.5,95", "reroof,-104.5,", "reroof,-104.5,39.9", head="kind,lon,lat"
    )
    assert read.rows["lon"].tolist() == [-104.5]
    assert sorted(read.problems["code"]) == ["bad_coordinate", "no_building", "no_building", "no_date"]


def test_a_table_that_is_none(tmp_path: Path, rules: Rulebook) -> None:
    with pytest.raises(LayerError, match="there is no file"):
        read_feed(tmp_path / "no.csv", (), rules)


def test_marks_go_into_the_log_once_and_come_back_latest_first(tmp_path: Path, rules: Rulebook) -> None:
    read = feed(
        tmp_path, rules, "P1,B1,2025-01-09,Solar,", 'P2,B1,2026-03-14,"Reroof, RTU",', "P3,B2,,Reroof,"
    )
    rows = observe_marks(read, [0, 1, 2, 2], ["B1", "B1", "B2", "B3"])
    assert rows["field"].unique().tolist() == ["look_again"]
    assert rows["basis"].unique().tolist() == ["recorded"]
    assert rows["value"].tolist() == ["solar", "reroof", "rooftop unit", "reroof", "reroof"]
    record = open_record(tmp_path / "inventory.gpkg", "EPSG:32613", rules)
    for known in (0, 5):
        done = append(record, observations=rows, now=datetime.datetime(2026, 5, 1, 9, tzinfo=datetime.UTC))
        assert done.already_known["observations"] == known
    marks = marks_of(read_record(record).observations)
    assert marks["building_id"].tolist() == ["B1", "B1", "B1", "B2", "B3"]
    assert marks["reason"].tolist() == ["reroof", "rooftop unit", "solar", "reroof", "reroof"]
    # Without a day it counts from the day it came in.
    assert marks["since"].tolist()[2:] == [pd.Timestamp(2025, 1, 9)] + [pd.Timestamp(2026, 5, 1)] * 2
    # As of a day before, nobody knew.
    assert marks_of(read_record(record, datetime.date(2026, 4, 30)).observations).empty


def test_of_one_reason_the_latest_counts() -> None:
    log = pd.DataFrame(
        {
            "building_id": "B1", "field": ["look_again", "look_again", "deck"],
            "value": ["solar", "solar", "x"],
            "seen_on": pd.to_datetime(["2026-03-01", "2024-03-01", "2026-04-01"]), "logged_at": None,
        }
    )  # fmt: skip
    marks = marks_of(log)
    assert marks["since"].tolist() == [pd.Timestamp(2026, 3, 1)]
