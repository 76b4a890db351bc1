"""The spreadsheet lists: no cell is read as a formula, numbers stay numbers."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from roofplat.publish import Parts, solar_list, write_list


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


def test_plain_text_is_left_alone(tmp_path: Path) -> None:
    values = ["12 Alder Way", "a=b", 'quote " and, comma', "Žižkov", None]
    frame = pd.DataFrame({"text": pd.Series(values, dtype="str")})
    found = [row["text"] for row in rows(write_list(frame, tmp_path / "list.csv"))]
    assert found == [*values[:-1], ""]
    assert frame["text"].tolist()[:-1] == values[:-1]


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
