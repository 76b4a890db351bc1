"""The spreadsheet lists: no cell is read as a formula, numbers stay numbers."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.publish import Parts, lists, solar_list, write_list
from roofplat.publish.lists import LIKE_A_FORMULA, VENT_COLUMNS, list_of
from roofplat.tables import TABLES, conform


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize(
    "start", ["=", "+", "-", "@", "\t", "\r", "\n", "  =", "\uff1d", "\uff0b", "\u00a0@"]
)
def test_text_that_looks_like_a_formula_stays_text(start: str, tmp_path: Path) -> None:
    value = f"{start}1+1|cmd"
    frame = pd.DataFrame({"text": pd.Series([value], dtype="str"), "number": [-1.5]})
    (row,) = rows(write_list(frame, tmp_path / "list.csv"))
    assert row == {"text": "'" + value, "number": "-1.5"}


def test_a_text_that_looks_guarded_already_is_another_text(tmp_path: Path) -> None:
    # Both used to be written alike, and an answer to one came back to the other.
    values = ["=1+1", "'=1+1", "''=1+1", "'quoted'"]
    frame = pd.DataFrame({"text": pd.Series(values, dtype="str")})
    found = [row["text"] for row in rows(write_list(frame, tmp_path / "list.csv"))]
    assert found == [f"'{value}" for value in values[:3]] + ["'quoted'"]


def test_plain_text_is_left_alone(tmp_path: Path) -> None:
    values = ["12 Alder Way", "a=b", 'quote " and, comma', "Žižkov", None]
    frame = pd.DataFrame({"text": pd.Series(values, dtype="str")})
    found = [row["text"] for row in rows(write_list(frame, tmp_path / "list.csv"))]
    assert found == [*values[:-1], ""]
    assert frame["text"].tolist()[:-1] == values[:-1]


def vents(*rows: tuple[str, str, float | None, str | None]) -> pd.DataFrame:
    made = pd.DataFrame(rows, columns=["building_id", "code_asks", "vents_short_ft2", "says"])
    made["section_id"] = [f"{row[0]}/{place}" for place, row in enumerate(rows)]
    return conform("venting", made.reindex(columns=[*TABLES["venting"].columns]))


def test_the_ranked_list_tells_the_marshal_of_vents(tables: dict[str, Any], tmp_path: Path) -> None:
    venting = vents(
        ("1001", "may ask", 120.0, None),
        ("1001", "may ask", 30.5, "Plan a trench."),
        # What the code does not ask for is not short.
        ("1001", "not by size or use", 500.0, "Plan doors."),
        ("1002", "not by size or use", 90.0, None),
        ("1002", "unknown", 90.0, None),
        # Nothing is missing: that is said as nothing, not as unknown.
        ("1003", "may ask", None, None),
    )
    parts = Parts.of({**tables, "venting": venting})
    found = {
        row["building_id"]: row for row in rows(write_list(list_of(parts, "ranking"), tmp_path / "r.csv"))
    }
    told = {name: [row[column] for column in VENT_COLUMNS] for name, row in found.items()}
    assert told.pop("1001") == ["may ask", "150.5", "Plan a trench."]
    assert told.pop("1002") == ["unknown", "", ""]
    assert told.pop("1003") == ["may ask", "0.0", ""]
    assert set(map(tuple, told.values())) == {("", "", "")}
    plain = list_of(Parts.of(tables), "ranking")
    assert list_of(parts, "ranking")[plain.columns].equals(plain)


def test_the_ranking_list(tables: dict[str, Any], tmp_path: Path) -> None:
    found = rows(write_list(tables["ranking"], tmp_path / "ranking.csv"))
    assert [row["rank"] for row in found] == ["1", "2", "3", "4"]
    assert "geometry" not in found[0]
    assert [float(row["score"]) for row in found] == tables["ranking"]["score"].tolist()
    by_id = {row["building_id"]: row for row in found}
    assert by_id["1001"]["next_due"] == "2028-03-01"
    addresses = [row["address"] for row in found]
    assert '\'=HYPERLINK("http://example.org")' in addresses


def test_the_problem_list(tables: dict[str, Any], tmp_path: Path) -> None:
    found = rows(write_list(tables["problems"], tmp_path / "problems.csv"))
    assert [row["feature"] for row in found][1:] == ["'-7", "9"]
    assert len(found) == len(tables["problems"])


def test_the_solar_list_begins_with_what_fails(mixed: dict[str, Any], tmp_path: Path) -> None:
    went = mixed["solar_access"].copy(deep=True)
    found = rows(write_list(solar_list(Parts.of(mixed)), tmp_path / "solar_access.csv"))
    assert [(row["rule"], row["passes"]) for row in found] == [
        ("solar.perimeter_ft", "False"),
        ("solar.smoke_way_ft", ""),
        ("solar.pathway_ft", "True"),
    ]
    assert list(found[0])[:5] == ["building_id", "name", "address", "dispatch_area", "section_id"]
    assert (found[0]["name"], found[0]["dispatch_area"]) == ("S1 house", "West")
    assert (found[0]["wanted_ft"], found[0]["measured_ft"], found[1]["measured_ft"]) == ("6.0", "5.0", "")
    assert found[1]["message"].startswith("'=Nobody")
    assert "geometry" not in found[0]
    assert mixed["solar_access"].equals(went)
    nothing = solar_list(Parts.of({**mixed, "solar_access": mixed["solar_access"].iloc[:0]}))
    assert nothing.empty
    assert list(nothing.columns) == list(found[0])


@given(st.lists(st.floats(-1e200, 1e200), min_size=1))
def test_numbers_are_written_as_python_writes_them(numbers: list[float]) -> None:
    rounded = pd.Series(numbers).round(9)
    frame = pd.DataFrame({"number": numbers, "name": "x"})
    with tempfile.TemporaryDirectory() as folder:
        found = [row["number"] for row in rows(write_list(frame, Path(folder) / "list.csv"))]
    assert found == [repr(float(number)) for number in rounded]


@given(st.lists(st.text(st.characters(codec="utf-8")), min_size=1))
def test_any_text_comes_back_with_nothing_but_a_mark_before_formulas(texts: list[str]) -> None:
    """Read by the reader of Python; the mark is there where the pattern says so."""
    columns = {"text": pd.Series(texts, dtype="str"), "kind": pd.Categorical(texts)}
    with tempfile.TemporaryDirectory() as folder:
        found = rows(write_list(pd.DataFrame(columns), Path(folder) / "list.csv"))
    wanted = ["'" + text if LIKE_A_FORMULA.match(text) else text for text in texts]
    assert [row["text"] for row in found] == [row["kind"] for row in found] == wanted


def test_every_blank_before_a_sign_is_seen(tmp_path: Path) -> None:
    blanks = [chr(code) for code in range(0x3001) if chr(code).isspace()]
    frame = pd.DataFrame({"text": pd.Series([f"{blank}=1" for blank in blanks], dtype="str")})
    found = [row["text"] for row in rows(write_list(frame, tmp_path / "list.csv"))]
    assert found == [f"'{blank}=1" for blank in blanks]


def test_other_kinds_of_cells(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "whole": pd.array([1, None, 3], dtype="Int64"),
            "yes": pd.array([True, None, False], dtype="boolean"),
            "plain": [True, False, True],
            "day": pd.to_datetime(["1890-05-01", None, "2026-01-01"]).astype("datetime64[ms]"),
            "any": np.array(["a,b", None, 'say "x"'], dtype=object),
            "number": [np.nan, np.inf, -0.0],
        }
    )
    path = write_list(frame, tmp_path / "list.csv", marked=True)
    assert path.read_bytes().decode("utf-8-sig").split("\r\n") == [
        "whole,yes,plain,day,any,number",
        '1,True,True,1890-05-01,"a,b",',
        ",,False,,,inf",
        '3,False,True,2026-01-01,"say ""x""",-0.0',
        "",
    ]
    alone = write_list(frame[["yes"]], tmp_path / "alone.csv").read_text("utf-8").splitlines()
    assert alone == ["yes", "True", '""', "False"]


def test_a_list_is_written_some_rows_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frame = pd.DataFrame({"text": pd.Series([f"r{row}" for row in range(7)], dtype="str"), "n": range(7)})
    at_once = write_list(frame, tmp_path / "a.csv").read_bytes()
    monkeypatch.setattr(lists, "_BLOCK", 3)
    assert write_list(frame, tmp_path / "b.csv").read_bytes() == at_once
    assert write_list(frame.iloc[:0], tmp_path / "c.csv").read_bytes() == b"text,n\r\n"
