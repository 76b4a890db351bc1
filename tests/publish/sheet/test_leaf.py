"""One page a building, whatever the data holds, with everything a sheet must say.

In: the two small districts of these tests, and a building with a value of every bad kind.
Out: the text and the pages of the PDF, read back.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from io import BytesIO
from typing import Any

import pandas as pd
import pdfplumber
import pytest
from pypdf import PdfReader

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION
from roofplat.publish.overrides import override_words
from roofplat.publish.sheet.building import split_buildings
from roofplat.publish.sheet.fonts import shown
from roofplat.publish.sheet.leaf import sheet_pdf
from roofplat.publish.sheet.panels import FOUND_ON_SITE, Edition
from roofplat.publish.sheet.paper import PAPERS, find_paper
from roofplat.rules import Rulebook, load_rulebook
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

from ..vents import SAYS, vent_row, vent_table

GROUND = Ground(0.3048)
RULES = load_rulebook({"ladder.tip_above_edge_ft": 4.0})
BAD = (
    "<img src=x onerror=1>",
    "</para><b>bold",
    "A & B &lt; 'C' \"D\"",
    "\u202eback\u2066 to\u200f front",
    "M" * 10_000,
    "\U0001f692 engine",
    "line\nbreak\r\n\ttab\x00",
)


def edition(rules: Rulebook = RULES) -> Edition:
    return Edition("Sedge Flats", datetime.date(2026, 1, 1), rules, override_words(rules))


def sheet(tables: dict[str, Any], building_id: str, paper: str = "letter") -> bytes:
    (leaf,) = split_buildings(tables, [building_id], ground=GROUND)
    return sheet_pdf(leaf, paper=find_paper(paper), edition=edition())


def words_of(pdf: bytes) -> str:
    """The text of the one page, line breaks and hyphens at their ends taken out."""
    with pdfplumber.open(BytesIO(pdf)) as document:
        (page,) = document.pages
        left, right = page.bbox[0], page.bbox[2]
        # The column beside the plan and the columns below it are read one after the other.
        middle = (right - left) / 3
        boxes = [page.bbox, *((place * middle, 0, (place + 1) * middle, page.bbox[3]) for place in range(3))]
        parts = [page.crop(box).extract_text() for box in boxes]
    return " ".join(" ".join(parts).split())


@pytest.mark.parametrize("paper", list(PAPERS))
def test_a_full_plan_says_everything(tables: dict[str, Any], paper: str) -> None:
    pdf = sheet(tables, "1001", paper)
    says = words_of(pdf)
    for text in (
        "Cold store",
        "12 Alder Way",
        "Id 1001",
        "Area: North Side",
        "Stay on beams and walls",
        "Panelized, wood beams and purlins (surveyed)",
        "28 ft ladder",
        "Base 6.2 ft from the wall",
        tables["ladders"].iloc[0]["usng"].split()[-1],
        f"{tables['ladders'].iloc[0]['base_lon']:.6f}",
        "88 ft, all on bearing lines",
        "Wanted 1,536 sq ft, placed 216",
        "short 1,320",
        "2 indicator holes",
        "96 ft wall to wall",
        "data as of 2026-01-01",
        "4 ft (rulebook: 3 ft)",
        "Found on site",
        *(label for line in FOUND_ON_SITE for label in line),
    ):
        assert text in says, text
    assert CAUTION in says
    with pdfplumber.open(BytesIO(pdf)) as document:
        (page,) = document.pages
        size = PAPERS[paper]
        assert (float(page.width), float(page.height)) == pytest.approx(
            (size.width_pt, size.height_pt), abs=0.01
        )
        # Of turned letters the reader does not know the size.
        sizes = [float(found["size"]) for found in page.chars if abs(found["matrix"][1]) < 1e-9]
        assert min(sizes) >= 7.0 - 1e-6
        assert all(character["fontname"].split("+")[-1].startswith("DejaVu") for character in page.chars)
        # Black, white and greys alone.
        colors = [found["non_stroking_color"] for found in (*page.chars, *page.rects, *page.lines)]
        assert all(len(set(color)) == 1 for color in colors if isinstance(color, tuple))
    # Every font that is named is in the file.
    for font in PdfReader(BytesIO(pdf)).pages[0]["/Resources"]["/Font"].values():
        assert "/FontFile2" in font["/FontDescriptor"]


@pytest.mark.parametrize("name", ["H1", "B1", "U1", "S1"])
def test_each_family_fits_on_its_page(mixed: dict[str, Any], name: str) -> None:
    # The openings of this district say nothing of their size: it is "not known", never "nan".
    says = words_of(sheet(mixed, name))
    told = {
        "H1": ["Existing opening", "fold-back: not so", "Near the ridge"],
        "B1": ["No cut", "Do not cut", "known to push walls out", "aerial", "Street to tip 60 ft"],
        "U1": ["No cut", "Nobody has looked at this roof", "Unknown: nobody has looked"],
        "S1": [
            "out of reach",
            "Solar access not met",
            "5.00 ft from the roof edge",
            "1 check cannot be told",
        ],
    }[name]
    for text in told:
        assert text.lower() in says.lower(), text
    # No code of a reason, a method or a column is left.
    for code in ("family_unknown", "do_not_cut", "fold_back", "near_ridge", "span_beyond", "None", "nan"):
        assert not re.search(rf"\b{code}\b", says), code


@pytest.mark.parametrize("bad", BAD, ids=["tag", "end", "quotes", "marks", "long", "emoji", "lines"])
def test_any_text_is_shown_as_text_on_one_page(tables: dict[str, Any], bad: str) -> None:
    hostile = {}
    for name, frame in tables.items():
        hostile[name] = frame.copy()
        for column in hostile[name].columns:
            keeps = {"building_id", "section_id", "geometry", "side", "kind", "basis", "apparatus", "method"}
            if column in keeps or column.endswith("_basis"):
                continue
            if isinstance(frame[column].dtype, pd.CategoricalDtype | pd.StringDtype):
                hostile[name][column] = pd.Series([bad] * len(frame), dtype="str", index=frame.index)
    says = words_of(sheet(hostile, "1001"))
    start = shown(bad, most=12).rstrip("…")
    assert start in says
    assert CAUTION in says


def test_an_id_of_hostile_text_has_a_page(tables: dict[str, Any]) -> None:
    (name,) = [name for name in tables["buildings"]["building_id"] if "script" in name]
    assert "</script><img" in words_of(sheet(tables, name))


def test_nothing_is_left_out_without_a_word(tables: dict[str, Any]) -> None:
    fact = tables["facts"].iloc[0]
    many = pd.DataFrame(
        [{**fact, "date": pd.Timestamp("1990-01-01") + pd.Timedelta(days=day)} for day in range(200)]
    ).astype(tables["facts"].dtypes)
    says = words_of(sheet({**tables, "facts": many}, "1001"))
    assert "more in layers.gpkg, layer facts" in says or "All 200 in layers.gpkg, layer facts" in says


def test_the_same_input_is_the_same_bytes(tables: dict[str, Any]) -> None:
    assert sheet(tables, "1001") == sheet(tables, "1001")


def test_a_building_with_nothing_but_an_outline(tables: dict[str, Any], without: Callable[..., Any]) -> None:
    bare = {"buildings": tables["buildings"]}
    says = words_of(sheet(bare, "1003"))
    assert "Building 1003" in says
    assert "No fire spot and no wind are assumed" in says
    assert "Area: ../../x" in says
    # The family is the building's own where no section says it.
    assert "Find out first: no cut is planned" in says


def test_figures_of_smoke_are_on_the_page_with_their_caution_however_full_it_is(
    tables: dict[str, Any],
) -> None:
    plain = words_of(sheet(tables, "1001"))
    pdf = sheet({**tables, "venting": vent_table([vent_row("1001", 1)])}, "1001")
    words = words_of(pdf)
    assert VENTING_CAUTION not in plain
    assert "by flow 310 sq ft (18,580 kW, 8.2 ft clear); planned 240 sq ft" in words
    assert f"{VENTING_CAUTION} {wind_words(RULES)}" in words
    assert SAYS in words
    with pdfplumber.open(BytesIO(pdf)) as document:
        (page,) = document.pages
        (found,) = page.search("Steady state", return_chars=True)
        # No smaller than the text around it, and bold.
        assert found["chars"][0]["size"] >= 7.0
        assert "Bold" in found["chars"][0]["fontname"]
