"""The drill worksheet: one leaf, what is in force now, and no word on how long a roof will stand.

In: rules as they come, and as a department states them.
Out: `drill.html`, read, and printed by a real browser.
"""

from __future__ import annotations

import html
import io
import re
import tomllib
from pathlib import Path
from typing import Any

import pdfplumber
import pytest

from roofplat.district import Crew
from roofplat.publish import CAUTION
from roofplat.publish.drill import write_drill
from roofplat.rules import load_rulebook

from .conftest import HOSTILE

MEASURED = {
    "saws": 3,
    "cut_ft_per_min": 9.5,
    "parts_per_min": 1.5,
    "walk_ft_per_min": 70.0,
    "spell_min": 12.0,
    "measured_on": "2026-04-11",
}


def page_of(path: Path, name: str = "Invented", **stated: Any) -> str:
    rules = load_rulebook({f"work.{setting}": value for setting, value in stated.items()})
    return write_drill(path / "drill.html", name=name, rules=rules).read_text("utf-8")


def words_of(page: str) -> str:
    body = page.partition("<body>")[2]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_every_setting_of_the_crew_has_its_line_and_what_is_in_force(tmp_path: Path) -> None:
    words = words_of(page_of(tmp_path))
    lines = words.partition("[crew] ")[2]
    assert re.findall(r"(\w+) =", lines) == list(Crew.model_fields)
    assert "cut_ft_per_min = now 8, from memory" in lines
    assert lines.endswith("measured_on = now: never measured")
    stated = words_of(page_of(tmp_path, **MEASURED)).partition("[crew] ")[2]
    assert stated == " ".join(
        f"{setting} = now {value:g}, stated"
        if isinstance(value, (int, float))
        else f"{setting} = now {value}, stated"
        for setting, value in MEASURED.items()
    )


def test_the_lines_are_ones_that_the_district_file_takes(tmp_path: Path) -> None:
    lines = words_of(page_of(tmp_path, **MEASURED)).partition("[crew] ")[2]
    filled = re.sub(r"(\w+) = now ([\d.-]+), stated ?", r"\1 = \2\n", lines)
    assert Crew.model_validate(tomllib.loads(filled)).rules() == {
        f"work.{setting}": value for setting, value in MEASURED.items()
    }


def test_its_invented_example_is_right_and_said_to_be_invented(tmp_path: Path) -> None:
    found = re.search(
        r"Invented example: (\d+) ft in (\d+) s are 60 \u00d7 (\d+) \u00f7 (\d+) = (\d+) ft a minute",
        words_of(page_of(tmp_path)),
    )
    assert found
    feet, seconds, feet_again, seconds_again, rate = map(int, found.groups())
    assert (feet, seconds) == (feet_again, seconds_again)
    assert 60 * feet / seconds == rate


def test_it_carries_the_caution_and_promises_no_time(tmp_path: Path) -> None:
    words = words_of(page_of(tmp_path))
    assert CAUTION in words
    assert "No rate says how long a roof will stand. Nobody can." in words


def test_a_name_is_text_and_the_same_rules_give_the_same_bytes(tmp_path: Path) -> None:
    page = page_of(tmp_path, HOSTILE)
    assert HOSTILE not in page
    assert HOSTILE in html.unescape(page)
    assert "<img" not in page
    assert page == page_of(tmp_path, HOSTILE)


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_it_is_one_leaf_and_nothing_of_it_is_small(browser: Any, tmp_path: Path, paper: str) -> None:
    page_of(tmp_path, "A district with a name that is rather long, as some of them are")
    page = browser.new_page()
    page.goto((tmp_path / "drill.html").as_uri())
    with pdfplumber.open(io.BytesIO(page.pdf(format=paper))) as pdf:
        (leaf,) = pdf.pages
        assert min(char["size"] for char in leaf.chars) >= 8.5
        # Nothing sticks out.
        assert max(char["x1"] for char in leaf.chars) < leaf.width - 20
        assert max(char["bottom"] for char in leaf.chars) < leaf.height - 20
    page.close()
