"""Many sheets: names that cannot collide, files whole, sets with index, links and bookmarks, the same bytes.

In: the district of these tests.
Out: the PDFs, opened by other programs.
"""

from __future__ import annotations

import datetime
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pdfplumber
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PdfReader

from roofplat.errors import DistrictFileError
from roofplat.ground import Ground
from roofplat.publish.sheet import sheet_files, write_area_sets, write_sheets
from roofplat.rules import load_rulebook

GROUND = Ground(0.3048)
RULES = load_rulebook()
WORDS: dict[str, Any] = {
    "district": "Sedge Flats",
    "rules": RULES,
    "as_of": datetime.date(2026, 1, 1),
    "paper": "letter",
}


def draw(tables: dict[str, Any], out: Path, ids: Sequence[str] | None = None, **more: Any) -> dict[str, str]:
    return write_sheets(tables, ground=GROUND, out=out, ids=ids, **{**WORDS, **more})


@given(
    st.lists(
        st.one_of(
            st.text(max_size=90),
            st.text(alphabet="aA/.-_ 1", max_size=4),
            st.sampled_from(["con", "NUL", "areas", "../x", "x" * 300, "a", "A", "a-8693f4ee", ""]),
        ),
        max_size=12,
    )
)
def test_no_two_ids_share_a_file_on_any_system(ids: list[str]) -> None:
    files = sheet_files(ids)
    assert set(files) == set(ids)
    assert len({file.lower() for file in files.values()}) == len(set(ids))
    for file in files.values():
        folder, _, name = file.partition("/")
        assert folder == "sheets"
        stem = name.removesuffix(".pdf")
        assert stem.isascii()
        assert stem.replace("-", "").replace("_", "").isalnum()
        assert len(stem) <= 130
        assert stem.lower() not in {"con", "nul", "aux", "prn", "com1", "lpt9"}


def test_names_do_not_hang_on_what_is_asked_for_with_them() -> None:
    assert sheet_files(["area-51", "MB_7"]) == {"area-51": "sheets/area-51.pdf", "MB_7": "sheets/MB_7.pdf"}
    assert sheet_files(["way/7"])["way/7"] == sheet_files(["b", "way/7", "way 7"])["way/7"]


def test_each_building_has_a_page_and_each_area_a_set(tables: dict[str, Any], tmp_path: Path) -> None:
    files = draw(tables, tmp_path)
    assert list(files) == tables["buildings"]["building_id"].tolist()
    for file in files.values():
        assert len(PdfReader(tmp_path / file).pages) == 1
    sets = write_area_sets(tables, files, out=tmp_path, **WORDS)
    names = {path.relative_to(tmp_path).as_posix() for path in sets}
    assert names == {"sheets/areas/north-side.pdf", "sheets/areas/x.pdf", "sheets/areas/no-dispatch-area.pdf"}
    everything = {path for path in tmp_path.rglob("*") if path.is_file()}
    assert everything == {*sets, *(tmp_path / file for file in files.values())}
    assert PdfReader(tmp_path / files["1001"]).metadata.title == "Roof plan: Cold store (1001)"


def test_a_set_has_an_index_links_and_bookmarks(tables: dict[str, Any], tmp_path: Path) -> None:
    files = draw(tables, tmp_path)
    (path,) = write_area_sets(tables, files, out=tmp_path, areas=["North Side"], **WORDS)
    reader = PdfReader(path)
    assert len(reader.pages) == 3
    assert [entry.title for entry in reader.outline] == ["Index", "Cold store (1001)", "Joinery (1002)"]
    assert [reader.get_destination_page_number(entry) for entry in reader.outline] == [0, 1, 2]
    links = [note.get_object() for note in reader.pages[0]["/Annots"]]
    targets = [reader.get_page_number(link["/Dest"][0].get_object()) for link in links]
    assert targets == [1, 2]
    index = " ".join(reader.pages[0].extract_text().split())
    rank = int(tables["ranking"].set_index("building_id").loc["1001", "rank"])
    for text in (
        "North Side",
        "2 sheets",
        "Index 1 of 1",
        "1001",
        "Cold store",
        "12 Alder Way",
        "surveyed",
        str(rank),
    ):
        assert text in index
    assert "An aid for pre-incident planning" in index
    with pdfplumber.open(path) as document:
        for number, page in enumerate(document.pages[1:], start=1):
            assert f"North Side: sheet {number} of 2, page {number + 1}" in page.extract_text()
        # A click on a row lands on the sheet of its building.
        for link, name in zip(links, ("1001", "1002"), strict=True):
            left, low, right, high = map(float, link["/Rect"])
            height = float(document.pages[0].height)
            assert name in document.pages[0].crop((left, height - high, right, height - low)).extract_text()


def test_fonts_are_in_a_set_once(tables: dict[str, Any], tmp_path: Path) -> None:
    files = draw(tables, tmp_path, ["1001", "1002"])
    (path,) = write_area_sets(tables, files, out=tmp_path, **WORDS)
    fonts = [font.indirect_reference for page in PdfReader(path).pages[1:]
             for font in (entry.get_object() for entry in page["/Resources"]["/Font"].values())]  # fmt: skip
    assert len(fonts) > len({(reference.idnum, reference.generation) for reference in fonts})


def test_a_long_index_goes_on(tables: dict[str, Any], tmp_path: Path) -> None:
    files = draw(tables, tmp_path, ["1001"])
    count = 120
    rows = tables["buildings"].iloc[[0] * count].reset_index(drop=True)
    rows["building_id"] = pd.Series([f"n{number}" for number in range(count)], dtype="str")
    many = {**tables, "buildings": rows}
    copies = dict.fromkeys(rows["building_id"], files["1001"])
    (path,) = write_area_sets(many, copies, out=tmp_path, **WORDS)
    reader = PdfReader(path)
    pages = len(reader.pages) - count
    assert pages > 1
    assert f"Index {pages} of {pages}" in reader.pages[pages - 1].extract_text()
    targets = [reader.get_page_number(note.get_object()["/Dest"][0].get_object())
               for page in reader.pages[:pages] for note in page["/Annots"]]  # fmt: skip
    assert targets == list(range(pages, pages + count))


def test_processes_draw_what_one_does(tables: dict[str, Any], tmp_path: Path) -> None:
    rows = tables["buildings"].iloc[[0] * 30].reset_index(drop=True)
    rows["building_id"] = pd.Series([f"n{number}" for number in range(30)], dtype="str")
    many = {"buildings": gpd.GeoDataFrame(rows)}
    said: list[str] = []
    one = draw(many, tmp_path / "one")
    two = draw(many, tmp_path / "two", workers=2, report=said.append)
    assert one == two
    for file in one.values():
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    assert said == ["Drawing sheets: 25 of 30", "Drawing sheets: 30 of 30"]
    sets = [write_area_sets(many, one, out=tmp_path / name, **WORDS)[0] for name in ("one", "two")]
    assert sets[0].read_bytes() == sets[1].read_bytes()


def test_a_folder_that_cannot_be_written_is_one_sentence(tables: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "sheets").write_text("", "utf-8")
    with pytest.raises(DistrictFileError, match="cannot be written"):
        draw(tables, tmp_path, ["1001"])
    (tmp_path / "sheets").unlink()
    files = draw(tables, tmp_path, ["1001"])
    shutil.rmtree(tmp_path / "sheets" / "areas", ignore_errors=True)
    (tmp_path / "sheets" / "areas").write_text("", "utf-8")
    with pytest.raises(DistrictFileError, match="cannot be written"):
        write_area_sets(tables, files, out=tmp_path, **WORDS)


def test_a_paper_that_is_none_is_one_sentence(tables: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(DistrictFileError, match="no paper 'A3'"):
        draw(tables, tmp_path, ["1001"], paper="A3")
    assert not list(tmp_path.iterdir())
