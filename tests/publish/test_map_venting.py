"""What the openings of a building do and cost, on its card and on paper, in a real browser."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pdfplumber
import pytest
from axe_playwright_python.sync_playwright import Axe

from roofplat.ground import Ground
from roofplat.publish import Wind, write_maps
from roofplat.publish.vent_words import (
    code_sentence,
    figures,
    flow_sentence,
    windward_sentence,
    work_sentence,
)
from roofplat.rules import load_rulebook
from roofplat.tables import CODE_ASKS
from roofplat.venting import CAUTION, wind_words

from .conftest import make_table
from .vents import SAYS, vent_row, vent_table

pytestmark = pytest.mark.browser

MEASURED = {"rate_basis": "measured", "work_minutes": 12.4, "crew_share": 0.004, "windward_openings": 1}
OUTSIDE = {
    "flow_ft2": None,
    "flow_outside": "outside the range of the inlet: the doors let in less air than this flow needs",
    "largest_single_ft2": None,
    "least_openings": None,
    "clear_planned_ft": None,
}
ROWS = {
    "1001": [vent_row("1001", 2, planned=False, planned_ft2=0.0, says=None), vent_row("1001", 1)],
    "1002": [vent_row("1002", 1, **MEASURED, glazing_ft2=64.0, code_asks=CODE_ASKS[1], says=None)],
    "1003": [vent_row("1003", 1, **OUTSIDE, code_asks=CODE_ASKS[2], existing_unsized=3, saw_ft=0.0, parts=1)],
}


# The caution below its heading, its size of type, and that of the text around it.
SIZES = """(box) => {
  const heads = [...document.querySelectorAll(`${box} h3`)];
  const caution = heads.find((one) => one.textContent === 'What the openings do').nextElementSibling;
  const size = (node) => parseFloat(getComputedStyle(node).fontSize);
  return [caution.textContent, size(caution), size(caution.parentElement)];
}"""


@pytest.fixture(scope="module")
def maps(tables: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("venting")
    second = {**tables["sections"].iloc[0].to_dict(), "section_id": "1001-2", "planned": False}
    sections = make_table("sections", [*tables["sections"].to_dict("records"), second])
    written = write_maps(
        {
            **tables,
            "sections": sections,
            "venting": vent_table([row for rows in ROWS.values() for row in rows]),
        },
        title="Invented",
        rules=load_rulebook(),
        ground=Ground(0.3048, 4200.0),
        wind=Wind(270.0, "assumed"),
        out=out,
    )
    return {path.relative_to(out).as_posix(): path for path in written}


def told(page: Any, box: str = "#card-body") -> str:
    """The text between this heading and the next."""
    text = " ".join(page.locator(box).inner_text().split())
    return (
        text.partition("What the openings do ")[2].partition(" Roof Section")[0].partition(" Roof Family")[0]
    )


@pytest.mark.parametrize("name", ["1002", "1003"])
def test_the_card_says_what_the_sheet_says(visit: Callable[..., Any], name: str) -> None:
    page = visit(fragment=f"#{name}")
    (row,) = ROWS[name]
    words = told(page)
    assert words.startswith(f"{CAUTION} {wind_words(load_rulebook())} ")
    shown = page.locator("#card-body dl.figures > div").all_inner_texts()
    assert [" ".join(text.split()) for text in shown] == [
        f"{label} {value}".replace("sq ft", "ft²")
        for label, (_, value) in zip(
            ("Area by rule", "Area by flow", "Planned", "There already"), figures(row), strict=True
        )
    ]
    for sentence in (flow_sentence(row), work_sentence(row), windward_sentence(row), code_sentence(row)):
        assert sentence.replace("sq ft", "ft²") in words
    assert (SAYS in words) == (name == "1003")


def test_the_section_with_the_fire_comes_first_and_the_caution_once(visit: Callable[..., Any]) -> None:
    words = told(visit(fragment="#1001"))
    assert words.index("Section 1 of 2") < words.index(SAYS) < words.index("Section 2 of 2")
    assert "Planned none, the fire spot is elsewhere" in words.partition("Section 2 of 2")[2]
    assert words.count(CAUTION) == 1


def test_three_figures_stand_side_by_side_and_nothing_of_it_is_small(visit: Callable[..., Any]) -> None:
    for width in (390, 1280):
        page = visit(fragment="#1001", viewport={"width": width, "height": 844})
        boxes = page.evaluate(
            "Array.from(document.querySelector('#card-body dl.figures').children, (one) => "
            "{ const box = one.getBoundingClientRect(); return [box.left, box.top, box.right]; })"
        )
        first, second, third, apart = boxes
        assert first[1] == second[1] == third[1] < apart[1]
        assert first[2] <= second[0]
        assert second[2] <= third[0]
        words, caution_px, text_px = page.evaluate(SIZES, "#card-body")
        assert words == f"{CAUTION} {wind_words(load_rulebook())}"
        assert caution_px >= text_px
        assert page.evaluate("(({ scrollWidth, clientWidth }) => scrollWidth <= clientWidth)(CARD)".replace(
            "CARD", "document.getElementById('card-body')"))  # fmt: skip


def test_it_is_printed_with_its_caution_and_the_print_stays_two_pages(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1002")
    page.evaluate("window.print = () => {}")
    page.locator("#card-print").click()
    with pdfplumber.open(io.BytesIO(page.pdf(format="Letter", prefer_css_page_size=True))) as pdf:
        assert len(pdf.pages) <= 2
        assert "Work: saw cut 180 ft" in " ".join(sheet.extract_text() for sheet in pdf.pages)
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    words, caution_px, text_px = page.evaluate(SIZES, "#print")
    assert words == f"{CAUTION} {wind_words(load_rulebook())}"
    assert caution_px >= text_px


def test_an_engine_finds_nothing_wrong_with_it(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001", bypass_csp=True)
    found = Axe().run(page, context="#card")
    assert found.violations_count == 0, found.generate_report()
