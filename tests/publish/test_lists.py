"""The spreadsheet lists: no cell is read as a formula, numbers stay numbers."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from roofplat.publish import write_list


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
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
