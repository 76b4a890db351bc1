"""The workbook, read back by a library that did not write it."""

from __future__ import annotations

import datetime
import re
import tempfile
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.escape import unescape

from roofplat.errors import DistrictFileError
from roofplat.publish import workbook
from roofplat.publish.files import CAUTION
from roofplat.publish.workbook import LIST_TABLES, weight_rows, write_workbook
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS, TABLES, conform, empty

AS_OF = datetime.date(2026, 1, 1)
CHANGED = {"ranking.weight.severity": 0.2, "inspection.cycle_years.high": 2.0}
LONG = "Ä😀" * 20_000
TEXTS = [
    "=1+1|cmd",
    "+1",
    "-7",
    "@SUM(A1)",
    '=HYPERLINK("http://example.org")',
    "http://example.org",
    "mailto:nobody@example.org",
    "007",
    "1e5",
    "  two spaces  ",
    "_x0041_",
    "<r><t>a</t></r>",
    "<r></r><c><v>1</v></c><r></r>",
    "TRUE",
    "Žižkov & <b>Sons</b>",
    "one\ntwo",
    "\tTab",
    "#N/A",
]


def one(name: str, rows: list[dict[str, Any]]) -> Any:
    """Rows of a table by hand; what is not said is missing."""
    columns = TABLES[name].columns
    frame = pd.DataFrame(rows, columns=list(columns))
    typed = {key: frame[key].astype(column.dtype) for key, column in columns.items()}
    return conform(name, pd.DataFrame(typed)) if not TABLES[name].geometry else pd.DataFrame(typed)


@pytest.fixture(scope="module")
def lists() -> dict[str, Any]:
    factors = {name: 0.1 * place for place, name in enumerate(RANKING_FACTORS, start=1)}
    shares = weight_rows(load_rulebook(CHANGED)).set_index("factor")["weight_share"]
    parts = {f"part_{name}": value * shares[name] for name, value in factors.items()}
    rows = [
        {"building_id": f"b{number}", "name": text, "roof_family": "unknown", "family_basis": "assumed",
         "p_lightweight": 0.315, "score": sum(parts.values()), "rank": number, "rank_low": 1,
         "rank_high": 1234,
         "reasons": "never surveyed; no sprinklers assumed 0.7, nobody says; no ladder spot",
         "class": "high", "class_basis": "occupancy", "inspected_on": "2021-03-01",
         "next_due": "2022-03-01", "due_state": "overdue", "overdue_days": 1402, **factors, **parts,
         "unknown_facts": "sprinklers"}
        for number, text in enumerate(TEXTS, start=1)
    ]  # fmt: skip
    rows[0] |= {"inspected_on": "1890-05-01", "address": LONG, "dispatch_area": "bell \x07 and \x0c"}
    survey = {"building_id": "b2", "name": "=a", "order": 1, "rank": 2, "rank_low": 1, "rank_high": 90,
              "worth": 0.0125, "chance_of_change": 0.4, "places": 31.5,
              "reason": "a visit would move it"}  # fmt: skip
    odds = {"stratum": "west / 1970 and later / S / over 20,000 ft2", "region": "west", "occupancy": "S",
            "period": "1970 and later", "size_class": "over 20,000 ft2", "roof_family": "panelized_wood",
            "prior": 0.4, "prior_count": 4.0, "surveyed": 3, "chance": 0.53, "low": 0.3,
            "high": 0.75}  # fmt: skip
    return {
        "ranking": one("ranking", rows),
        "survey_next": one("survey_next", [survey]),
        "family_odds": one("family_odds", [odds]),
    }


def write(lists: dict[str, Any], path: Path, title: str = "Sedge & Sons", **rules: Any) -> Path:
    return write_workbook(lists, title=title, rules=load_rulebook(rules or CHANGED), as_of=AS_OF, path=path)


@pytest.fixture(scope="module")
def book(lists: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    return openpyxl.load_workbook(write(lists, tmp_path_factory.mktemp("book") / "ranking.xlsx"))


def cells(page: Any) -> list[dict[str, Any]]:
    """Rows below the head as cells by the name of their column."""
    head = [cell.value for cell in page[1]]
    return [dict(zip(head, row, strict=True)) for row in page.iter_rows(min_row=2)]


def test_the_sheets_and_their_heads(book: Any, lists: dict[str, Any]) -> None:
    assert book.sheetnames == ["Ranking", "Survey next", "Weights", "Odds", "Rules", "Definitions"]
    for name, first in (("ranking", "rank"), ("survey_next", "order"), ("family_odds", "stratum")):
        head = [cell.value for cell in book[LIST_TABLES[name]][1]]
        assert head[0] == first
        assert sorted(head) == sorted(TABLES[name].columns)
        assert all(cell.font.bold for cell in book[LIST_TABLES[name]][1])
    page = book["Ranking"]
    assert page.freeze_panes == "D2"
    assert page.max_row == len(TEXTS) + 1
    assert page.auto_filter.ref == page.dimensions
    assert page.print_title_rows == "$1:$1"
    assert page.page_setup.orientation == "landscape"
    # What a person looks for is in front, and is what a printer gets.
    assert [cell.value for cell in page[1]][12] == "overdue_days"
    assert page.print_area == f"'Ranking'!$A$1:$M${len(TEXTS) + 1}"
    assert book["Rules"].print_area.endswith(f"$H${book['Rules'].max_row}")
    assert page.page_setup.paperSize == 1
    assert page.sheet_properties.pageSetUpPr.fitToPage


def test_vents_of_the_ranked_list_are_printed_and_said_to_be_no_verdict(
    lists: dict[str, Any], tmp_path: Path
) -> None:
    vents = {"code_asks": "may ask", "vents_short_ft2": 120.4, "says": "Plan doors."}
    listed = {**lists, "ranking": lists["ranking"].assign(**vents)}
    made = openpyxl.load_workbook(write(listed, tmp_path / "ranking.xlsx"))
    page = made["Ranking"]
    assert [cell.value for cell in page[1]][11:15] == [
        "due_state", "overdue_days", "code_asks", "vents_short_ft2"]  # fmt: skip
    assert page.print_area.startswith("'Ranking'!$A$1:$O$")
    assert {name: cells(page)[0][name].value for name in vents} == vents
    told = [row[1] for row in made["Definitions"].iter_rows(values_only=True)]
    assert set(vents) <= set(told)
    about = [row[0] for row in made["Definitions"].iter_rows(values_only=True) if row[0]]
    assert any("They are no verdict" in line for line in about)


def test_every_text_stays_a_text(book: Any) -> None:
    found = [row["name"] for row in cells(book["Ranking"])]
    # What looks like a code of the format is itself written as a code, which the reader leaves to us.
    assert [unescape(cell.value) for cell in found] == TEXTS
    # Were one a formula, a number, a truth value or an error, its type would say so.
    assert {cell.data_type for cell in found} == {"s"}
    assert [cell.quotePrefix for cell in found] == [text[0] in "=+-@\t" for text in TEXTS]
    for page in book:
        assert not page._hyperlinks
        assert all(cell.data_type != "f" for row in page.iter_rows() for cell in row)


def test_no_text_can_put_marks_into_the_file(lists: dict[str, Any], tmp_path: Path) -> None:
    with zipfile.ZipFile(write(lists, tmp_path / "ranking.xlsx")) as book:
        xml = "".join(book.read(name).decode("utf-8") for name in book.namelist())
    assert "<c><v>1</v></c>" not in xml
    assert "&lt;c&gt;&lt;v&gt;1&lt;/v&gt;" in xml
    assert "<f>" not in xml
    assert "<hyperlink" not in xml
    assert "externalLink" not in xml


def test_numbers_and_dates_keep_their_kind_and_show_what_they_are(book: Any, lists: dict[str, Any]) -> None:
    row = cells(book["Ranking"])[1]
    for name, value, shown in (
        ("rank_high", 1234, "#,##0"),
        ("p_lightweight", 0.315, "0.0%"),
        ("score", lists["ranking"]["score"].iloc[0], "0.0000"),
        ("part_severity", lists["ranking"]["part_severity"].iloc[0], "0.0000"),
        ("next_due", datetime.datetime(2022, 3, 1), "yyyy-mm-dd"),
        ("overdue_days", 1402, "#,##0"),
    ):
        assert row[name].value == (pytest.approx(value, rel=1e-15) if isinstance(value, float) else value), (
            name
        )
        assert row[name].number_format == shown, name
    assert row["address"].value is None
    # A date from before the sheet's calendar stays readable.
    assert cells(book["Ranking"])[0]["inspected_on"].value == "1890-05-01"
    survey = cells(book["Survey next"])[0]
    assert (survey["places"].number_format, survey["chance_of_change"].number_format) == ("#,##0.00", "0.0%")
    odds = cells(book["Odds"])[0]
    assert (odds["chance"].value, odds["chance"].number_format, odds["surveyed"].value) == (0.53, "0.0%", 3)


def test_a_person_can_recompute_a_score_from_the_sheets(book: Any) -> None:
    shares = {row["factor"].value: row["weight_share"].value for row in cells(book["Weights"])}
    assert sum(shares.values()) == pytest.approx(1.0)
    for row in cells(book["Ranking"]):
        parts = {name: shares[name] * row[name].value for name in RANKING_FACTORS}
        assert {name: row[f"part_{name}"].value for name in parts} == pytest.approx(parts)
        assert row["score"].value == pytest.approx(sum(parts.values()))


def test_weights_and_rules_tell_their_sources_and_what_was_changed(book: Any) -> None:
    weights = {row["rule"].value: row for row in cells(book["Weights"])}
    assert list(weights) == [f"ranking.weight.{name}" for name in RANKING_FACTORS]
    changed = weights["ranking.weight.severity"]
    assert (changed["weight"].value, changed["rulebook_weight"].value) == (0.2, 0.13)
    assert (changed["overridden"].value, changed["source"].value) == ("yes", "district file")
    assert weights["ranking.weight.lightweight"]["overridden"].value == "no"
    assert weights["ranking.weight.lightweight"]["status"].value == "department"
    rules = {row["rule"].value: row for row in cells(book["Rules"])}
    wanted = {rule_id for rule_id in load_rulebook().rules if rule_id.startswith(("ranking.", "inspection."))}
    assert wanted - set(weights) <= set(rules)
    cycle = rules["inspection.cycle_years.high"]
    assert (cycle["value"].value, cycle["rulebook_value"].value, cycle["overridden"].value) == (
        "2",
        "1",
        "yes",
    )
    assert rules["inspection.class_high"]["value"].value.startswith("A, ")


def test_definitions_name_every_column_the_caution_the_date_and_the_changes(book: Any) -> None:
    rows = [[cell.value for cell in row] for row in book["Definitions"].iter_rows()]
    about = [row[0] for row in rows if row[0] and row[1] is None]
    assert about[:3] == [
        "Sedge & Sons: who to visit first",
        CAUTION,
        "Ages and due dates are counted to 2026-01-01.",
    ]
    assert "Rules that the department has changed: 2." in about
    assert "  ranking.weight.severity: 0.2 share (department; was 0.13 share)" in about
    defined = {(row[0], row[1]): row for row in rows if row[1]}
    for page in book.worksheets[:-1]:
        for cell in page[1]:
            assert defined[page.title, cell.value][2], cell.value
    assert defined["Ranking", "overdue_days"][3] == "day"
    assert defined["Ranking", "due_state"][4] == "overdue, due, never_inspected, no_class"
    assert defined["roof family", "panelized_wood"][2].startswith("Panelized")
    # The same words are shown where a head is chosen.
    hints = {str(hint.sqref): hint.prompt for hint in book["Ranking"].data_validations.dataValidation}
    assert hints["A1"] == TABLES["ranking"].columns["rank"].meaning


def test_the_rules_that_definitions_name_exist(book: Any) -> None:
    rules = load_rulebook().rules
    meanings = [row[2].value for row in book["Definitions"].iter_rows() if row[0].value == "Ranking"]
    named = {word for meaning in meanings for word in re.findall(r"\b(?:ranking|family)\.[\w.]*\w", meaning)}
    assert {f"ranking.weight.{name}" for name in RANKING_FACTORS} < named
    for word in named:
        pattern = re.escape(word).replace("LETTER", "[A-Z]").replace("FAMILY", "[a-z_]+")
        assert any(re.fullmatch(pattern, rule) for rule in rules), word
    assert {"ranking.area_full_ft2", "ranking.life_hazard.LETTER", "family.FAMILY.severity"} < named


def test_the_caution_is_on_every_page_that_is_printed(book: Any) -> None:
    for page in book:
        assert page.oddFooter.left.text == CAUTION.split(" A standing plan")[0]
        # The head of a page has codes of its own; a name must not become one.
        assert page.oddHeader.left.text.replace("&&", "&") == "Sedge & Sons"


def test_a_long_text_is_cut_and_says_so(book: Any) -> None:
    text = cells(book["Ranking"])[0]["address"].value
    body, mark, after = text.partition(" [cut here")
    assert mark
    assert after.endswith("]")
    assert LONG.startswith(body)
    units = len(text.encode("utf-16-le")) // 2
    assert 32_760 < units <= 32_767


def test_what_the_format_cannot_hold_is_marked(lists: dict[str, Any], tmp_path: Path) -> None:
    page = openpyxl.load_workbook(write(lists, tmp_path / "ranking.xlsx"))["Ranking"]
    assert cells(page)[0]["dispatch_area"].value == "bell \ufffd and \ufffd"
    odd = lists["ranking"].assign(name=pd.Series(["a\ud800b\uffff\r\nc"] * len(TEXTS), dtype=object))
    page = openpyxl.load_workbook(write({"ranking": odd}, tmp_path / "odd.xlsx"))["Ranking"]
    assert cells(page)[0]["name"].value == "a\ufffdb\ufffd\nc"


@given(
    st.lists(
        st.text(
            st.characters(exclude_categories=()) | st.sampled_from("=+-@<r>/&_x0041\t\r\n \x00\ud800\uffff"),
            min_size=1,
        ),
        min_size=1,
        max_size=40,
    )
)
@settings(max_examples=15)
def test_any_text_comes_back_as_it_was(texts: list[str]) -> None:
    columns = {"name": pd.Series(texts, dtype=object), "rank": range(1, len(texts) + 1)}
    ranking = pd.DataFrame(columns).reindex(columns=list(TABLES["ranking"].columns))
    with tempfile.TemporaryDirectory() as folder:
        book = openpyxl.load_workbook(write({"ranking": ranking}, Path(folder) / "ranking.xlsx"))
    found = [row["name"] for row in cells(book["Ranking"])]
    # XML knows one end of line, and neither other control characters nor halves of a pair.
    wanted = [re.sub(r"\r\n?", "\n", text) for text in texts]
    wanted = [
        re.sub(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]", "\ufffd", text) for text in wanted
    ]
    assert [unescape(cell.value) for cell in found] == wanted
    assert {cell.data_type for cell in found} == {"s"}


def test_what_a_score_is_made_of_can_be_folded(book: Any) -> None:
    page = book["Ranking"]
    head = [cell.value for cell in page[1]]
    # The reader keeps neighbours that look alike as one.
    spans = [span for span in page.column_dimensions.values() if span.outlineLevel == 1]
    folded = [name for span in spans for name in head[span.min - 1 : span.max]]
    assert sorted(folded) == sorted([*RANKING_FACTORS, *(f"part_{name}" for name in RANKING_FACTORS)])


def test_what_is_overdue_stands_out(book: Any) -> None:
    page = book["Ranking"]
    letter = cells(page)[0]["due_state"].column_letter
    (found,) = page.conditional_formatting
    assert str(found.sqref) == f"{letter}2:{letter}{len(TEXTS) + 1}"
    (rule,) = found.rules
    assert (rule.operator, rule.formula) == ("equal", ['"overdue"'])


def test_a_part_of_a_district_says_that_its_ranks_are_not(lists: dict[str, Any], tmp_path: Path) -> None:
    part = {"ranking": lists["ranking"].iloc[5:8]}
    for given_lists, said in ((part, True), (lists, False)):
        page = openpyxl.load_workbook(write(given_lists, tmp_path / "ranking.xlsx"))["Definitions"]
        lines = [row[0].value for row in page.iter_rows() if row[0].value]
        assert ("The list holds 3 buildings, a part of the district; ranks are those of the whole "
                "district." in lines) is said  # fmt: skip


def test_wide_and_narrow_columns(book: Any) -> None:
    page = book["Ranking"]
    widths = {cell.value: page.column_dimensions[cell.column_letter].width for cell in page[1]}
    assert all(8 <= width <= 62 for width in widths.values())
    assert widths["address"] > widths["name"] > widths["rank"]
    (wrapped,) = {row["reasons"].alignment.wrap_text for row in cells(page)}
    assert wrapped


def test_pandas_reads_the_ranking_back(lists: dict[str, Any], tmp_path: Path) -> None:
    file = write(lists, tmp_path / "ranking.xlsx")
    found = pd.read_excel(file, sheet_name="Ranking")
    whole = lists["ranking"]
    for name in ("building_id", "rank", "rank_high", "class"):
        assert found[name].tolist() == whole[name].tolist(), name
    for name in ("score", *RANKING_FACTORS):
        assert found[name].to_numpy() == pytest.approx(whole[name].to_numpy(), abs=1e-15), name


def test_the_same_input_gives_the_same_bytes(lists: dict[str, Any], tmp_path: Path) -> None:
    first, second = (write(lists, tmp_path / name / "ranking.xlsx") for name in ("one", "two"))
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as book:
        assert {entry.date_time[0] for entry in book.infolist()} == {1980}
        core = book.read("docProps/core.xml").decode()
    assert core.count("2026-01-01T00:00:00Z") == 2
    # Nothing is left of the writing.
    assert [path.name for path in first.parent.iterdir()] == ["ranking.xlsx"]


def test_empty_lists_are_heads_alone(tmp_path: Path) -> None:
    nothing = {name: empty(name) for name in LIST_TABLES}
    book = openpyxl.load_workbook(write(nothing, tmp_path / "ranking.xlsx"))
    for name in nothing:
        page = book[LIST_TABLES[name]]
        assert page.max_row == 1
        assert sorted(cell.value for cell in page[1]) == sorted(TABLES[name].columns)


@pytest.mark.parametrize("by", ["the format", "the district"])
def test_rows_beyond_the_last_of_a_sheet_are_told_of(
    by: str, lists: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "ranking.xlsx"
    if by == "the format":
        monkeypatch.setattr(workbook, "_MOST_ROWS", 7)
    most = {"most_rows": 4 if by == "the district" else None}
    write_workbook(lists, title="x", rules=load_rulebook(), as_of=AS_OF, path=file, **most)
    book = openpyxl.load_workbook(file)
    sheet = book["Ranking"]
    told = f"These are the first 4 of {len(TEXTS)} rows; the CSV list of the same build has them all."
    # The line stands apart: what is sorted and filtered ends with the last row.
    assert [cell.value for cell in sheet["A"]] == ["rank", 1, 2, 3, 4, None, told]
    assert sheet.auto_filter.ref.endswith("5")
    assert sheet.print_area.endswith("$7")
    said = [row[0].value for row in book["Definitions"].iter_rows() if row[0].value]
    assert f"Sheet Ranking: {told}" in said
    assert not any(line.startswith("Sheet Survey next") for line in said)
    assert book["Survey next"].max_row == 2


def test_a_workbook_that_cannot_be_written_is_one_sentence(lists: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(DistrictFileError, match="cannot be written"):
        write(lists, tmp_path / "out" / "ranking.xlsx")


def test_it_is_printed_on_the_paper_of_the_district(lists: dict[str, Any], tmp_path: Path) -> None:
    file = tmp_path / "ranking.xlsx"
    write_workbook(lists, title="x", rules=load_rulebook(), as_of=AS_OF, path=file, paper="a4")
    assert {page.page_setup.paperSize for page in openpyxl.load_workbook(file)} == {9}


@pytest.mark.parametrize("title", ["&P of &N", "=1+1", "x" * 400, "a & b" * 90, "\x07"])
def test_any_name_of_a_district_will_do(title: str, lists: dict[str, Any], tmp_path: Path) -> None:
    book = openpyxl.load_workbook(write(lists, tmp_path / "ranking.xlsx", title))
    first = book["Definitions"]["A1"]
    assert first.data_type == "s"
    assert first.value == f"{title}: who to visit first".replace("\x07", "\ufffd")
