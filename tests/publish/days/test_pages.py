"""The pages of a plan: complete, safe, readable by everybody, and good on paper."""

from __future__ import annotations

import csv
import datetime
import json
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from roofplat.publish.days import write_days
from roofplat.publish.days.index import REASON_WORDS
from roofplat.publish.days.words import clock
from roofplat.publish.files import CAUTION, asset
from roofplat.ranking.days import DayPlan
from roofplat.rules import Rulebook
from roofplat.tables import LEFT_OUT_REASONS, TRAVEL_BASES

from ..conftest import AS_OF, HOSTILE
from .conftest import GROUND, ODD, make_plan

Written = Callable[..., tuple[Path, list[Path]]]


class Page(HTMLParser):
    """Texts by section, tables by caption, links, ids, and tags that have no place here."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.links: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.text = ""
        self._rows: list[list[str]] = []
        self._caption: str | None = None
        self._cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {name: value or "" for name, value in attrs}
        self.tags.add(tag)
        self.attributes |= set(own)
        self.ids += [own["id"]] if "id" in own else []
        self.links += [own["href"]] if tag == "a" else []
        if tag == "table":
            self._rows = []
        elif tag == "caption":
            self._caption = ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("th", "td"):
            self._rows[-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag == "caption":
            assert self._caption
            assert self._caption not in self.tables
            self.tables[self._caption] = self._rows
            self._caption = None
        elif tag in ("th", "td"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        self.text += data
        text = " ".join(data.split())
        if self._caption is not None:
            self._caption += text
        elif self._cell and text:
            self._rows[-1][-1] = f"{self._rows[-1][-1]} {text}".strip()


def read(path: Path) -> Page:
    page = Page()
    page.feed(path.read_text("utf-8"))
    page.close()
    return page


def test_each_inspector_has_a_part_with_every_stop(plan: DayPlan, written: Written) -> None:
    folder, _ = written(plan)
    page = read(folder / "2026-01-05.html")
    assert plan.visits["inspector"].nunique() == 2
    for number, own in plan.visits.groupby("inspector"):
        assert f"inspector-{number}" in page.ids
        (route,) = plan.routes[plan.routes["inspector"] == number].itertuples()
        rows = page.tables[f"Stops of inspector {number}"][1:]
        stops = [row for row in rows if row[0]]
        assert [row[:3] for row in stops] == [
            [str(row.seq), clock(row.arrive_min), clock(row.leave_min)] for row in own.itertuples()
        ]
        assert [row[5] for row in stops] == [" ".join(text.split()) for text in own["why"]]
        assert rows[0][2:4] == [clock(route.out_min), "Start: Station 1"]
        assert rows[-1][1] == clock(route.back_min)
        for row in own.itertuples():
            assert f"stop-{number}-{row.seq}" in page.ids
            assert f"Building {row.building_id}." in page.text
            assert len(page.tables[f"Open facts of stop {row.seq} of inspector {number}"]) > 1
    # Once in the head, once for each part on paper, once at the end.
    assert page.text.count(CAUTION) == 4
    links = [link for link in page.links if link.startswith("#")]
    assert links
    assert {link[1:] for link in links} <= set(page.ids)


def test_alerts_facts_and_odds_stand_with_their_stop(
    plan: DayPlan, written: Written, tables: dict[str, Any]
) -> None:
    folder, _ = written(plan)
    text = (folder / "2026-01-05.html").read_text("utf-8")
    alerts = tables["buildings"].set_index("building_id")["alert"].dropna()
    assert "in nine of ten draws. USNG 13S DT " in text
    for building in plan.visits["building_id"]:
        if building in alerts and building != ODD:
            assert alerts[building] in text
    assert (
        text.count("By the odds, not by sight:")
        == (
            tables["buildings"].set_index("building_id")["roof_family"][plan.visits["building_id"]]
            == "unknown"
        ).sum()
    )


def test_the_break_is_a_row_and_the_times_add_up(
    tables: dict[str, Any], rules: Rulebook, written: Written
) -> None:
    plan = make_plan(tables, rules, inspectors=1, hours=8, must=[])
    assert len(plan.visits) == 4
    # Fewer hours than the break comes after: none; so let it come early.
    from roofplat.rules import load_rulebook

    early = load_rulebook({"days.break_after_min": 100, "days.break_min": 20})
    plan = make_plan(tables, early, inspectors=1, hours=8, must=[])
    folder, _ = written(plan)
    rows = read(folder / "2026-01-05.html").tables["Stops of inspector 1"][1:]
    breaks = [row for row in rows if "Break" in row[-1]]
    assert [row[-1].split(" before")[0] for row in breaks] == ["Break of 20 min"]
    (route,) = plan.routes.itertuples()
    assert route.back_min - route.out_min == pytest.approx(route.travel_min + route.visit_min + 20)


def test_the_overview_says_what_is_left_out_and_how_good_the_plan_is(plan: DayPlan, written: Written) -> None:
    folder, _ = written(plan)
    page = read(folder / "index.html")
    days = page.tables["Days and inspectors"][1:]
    assert [row[2] for row in days] == [str(number) for number in plan.routes["visits"]]
    assert {"2026-01-05.html", "2026-01-05.html#inspector-1"} <= set(page.links)
    left = page.tables["Each of them: must be visited, then worth most"][1:]
    assert [row[0] for row in left] == plan.left_out.sort_values("value", ascending=False)[
        "building_id"
    ].tolist()
    assert all(row[-1] for row in left)
    reasons = {row[0]: int(row[1]) for row in page.tables["Reasons"][1:]}
    assert reasons == {REASON_WORDS[code]: number for code, number in plan.summary["left_out"].items()}
    values = {row[0]: row[1:] for row in page.tables["Value of the plan and of others"][1:]}
    assert float(values["This plan"][0]) == pytest.approx(plan.summary["value"], abs=0.05)
    assert float(values["Greedy plan of the same run"][0]) == pytest.approx(
        plan.summary["greedy_value"], abs=0.05
    )
    assert page.tables["Buildings that must be visited"][1][0] == ODD
    assert "days.speed_mph: 25 mi/h (department; was 20 mi/h)" in page.text
    rules = {row[0]: row[1] for row in page.tables["Rules of the plan"][1:]}
    assert rules["days.speed_mph"] == "25 mi/h"
    assert rules["days.work_days"] == "Monday, Tuesday, Wednesday, Thursday, Friday"
    assert page.text.count(CAUTION) == 2


def test_a_must_that_does_not_fit_says_so_first(
    tables: dict[str, Any], rules: Rulebook, written: Written
) -> None:
    plan = make_plan(tables, rules, inspectors=1, hours=0.8, must=["1001", "1003", ODD])
    missed = plan.left_out[plan.left_out["must"]]
    assert len(missed) == 2
    folder, _ = written(plan)
    page = read(folder / "index.html")
    musts = {row[0]: row[2] for row in page.tables["Buildings that must be visited"][1:]}
    assert len(musts) == 3
    assert [name for name, when in musts.items() if when.startswith("not planned: ")] == missed[
        "building_id"
    ].tolist()
    left = page.tables["Each of them: must be visited, then worth most"][1:]
    assert {row[0] for row in left[:2]} == set(missed["building_id"])
    assert left[0][-1].startswith("Must be visited. ")
    assert len(page.tables["Problems of the planning"]) == 1 + len(plan.problems)


def test_of_many_left_out_the_page_has_the_first_and_the_list_all(plan: DayPlan, written: Written) -> None:
    import dataclasses

    many = pd.concat(
        [
            plan.left_out.assign(building_id=plan.left_out["building_id"] + f"/{n}", value=n)
            for n in range(500)
        ],
        ignore_index=True,
    )
    folder, _ = written(dataclasses.replace(plan, left_out=many))
    page = read(folder / "index.html")
    rows = page.tables["The first of them: must be visited, then worth most"][1:]
    assert len(rows) == 60
    assert float(rows[0][3]) == 499
    assert f"{len(many) - 60:,} more: see left_out.csv." in page.text
    with (folder / "left_out.csv").open(encoding="utf-8", newline="") as stream:
        assert sum(1 for _ in csv.reader(stream)) == len(many) + 1


def test_a_plan_without_visits_is_told_too(tables: dict[str, Any], rules: Rulebook, written: Written) -> None:
    plan = make_plan(tables, rules, hours=0.1, must=[])
    assert plan.visits.empty
    folder, files = written(plan)
    assert sorted(file.name for file in files) == [
        "index.html",
        "left_out.csv",
        "plan.json",
        "visits.csv",
        "visits.ics",
    ]
    page = read(folder / "index.html")
    assert "No visit fits." in page.text
    assert len(page.tables["Reasons"]) > 1


def test_no_page_runs_anything_or_asks_for_anything(plan: DayPlan, written: Written) -> None:
    folder, _ = written(plan, district=HOSTILE, area=HOSTILE)
    for name in ("2026-01-05.html", "index.html"):
        text = (folder / name).read_text("utf-8")
        page = read(folder / name)
        assert "default-src 'none'; script-src 'none'" in text
        assert not {"script", "img", "iframe", "form", "input", "object", "link"} & page.tags
        assert HOSTILE in page.text
        assert "<script" not in text
        assert not {attribute for attribute in page.attributes if attribute.startswith("on")}
        assert "style" not in page.attributes
        assert not [link for link in page.links if re.match("[a-z]+:|/", link)]


def test_lists_carry_times_of_day_places_and_no_formula(plan: DayPlan, written: Written) -> None:
    folder, _ = written(plan)
    with (folder / "visits.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["building_id"] for row in rows] == plan.visits["building_id"].tolist()
    for row, own in zip(rows, plan.visits.itertuples(), strict=True):
        assert row["day"] == "2026-01-05"
        assert row["arrive"] == clock(own.arrive_min)
        assert float(row["arrive_min"]) == pytest.approx(own.arrive_min, abs=0.006)
        assert len(row["travel_ft"].partition(".")[2]) <= 1
        assert -106 < float(row["lon"]) < -105
        assert 33 < float(row["lat"]) < 34
        assert not row["address"].startswith("=")
        assert row["usng"].startswith("13S DT 43")
        assert int(row["rank_low"]) <= int(row["rank"]) <= int(row["rank_high"])
    assert "seen_on" not in rows[0]
    assert "geometry" not in rows[0]
    with (folder / "left_out.csv").open(encoding="utf-8", newline="") as stream:
        left = list(csv.DictReader(stream))
    assert [row["building_id"] for row in left] == plan.left_out["building_id"].tolist()
    assert list(left[0])[:4] == ["building_id", "name", "address", "dispatch_area"]


def test_the_same_plan_gives_the_same_bytes_in_any_order_of_rows(
    tables: dict[str, Any], rules: Rulebook, plan: DayPlan, tmp_path: Path
) -> None:
    def bytes_of(given: dict[str, Any], folder: str) -> dict[str, bytes]:
        files = write_days(
            make_plan(given, rules), given, district="x", area=None, rules=rules, ground=GROUND, as_of=AS_OF,
            out=tmp_path / folder,
        )  # fmt: skip
        return {file.name: file.read_bytes() for file in files}

    first = bytes_of(tables, "first")
    assert bytes_of(tables, "second") == first
    turned = dict(tables)
    for name in ("buildings", "sections", "walls", "obstacles", "ranking"):
        turned[name] = tables[name].iloc[::-1].reset_index(drop=True)
    third = bytes_of(turned, "third")
    assert set(third) == set(first)
    for name, content in first.items():
        assert third[name] == content, name


def test_the_record_names_the_files_and_what_was_changed(plan: DayPlan, written: Written) -> None:
    folder, files = written(plan)
    record = json.loads((folder / "plan.json").read_text("utf-8"))
    assert record["outputs"] == sorted(file.name for file in files if file.name != "plan.json")
    assert record["as_of"] == "2026-01-01"
    assert record["caution"] == CAUTION
    assert {rule["id"] for rule in record["rules_overridden"]} == {
        "days.speed_mph", "days.visit_min_per_1000_ft2"
    }  # fmt: skip
    assert record["summary"]["value"] == plan.summary["value"]


def test_only_recorded_pages_of_days_are_removed(
    tables: dict[str, Any], rules: Rulebook, plan: DayPlan, written: Written
) -> None:
    folder, _ = written(plan)
    record = folder / "plan.json"
    told = json.loads(record.read_text("utf-8"))
    # A record that was tampered with removes nothing beyond pages of days.
    told["outputs"] += ["../../keep.txt", "notes.html", "2026-01-04.html/../keep.html"]
    record.write_text(json.dumps(told), "utf-8")
    for name in ("notes.html", "keep.html", "2026-01-02.html"):
        (folder / name).write_text("mine", "utf-8")
    keep = folder.parent.parent / "keep.txt"
    keep.write_text("mine", "utf-8")
    later = make_plan(tables, rules, start_on=datetime.date(2026, 1, 12))
    written(later)
    assert not (folder / "2026-01-05.html").exists()
    assert (folder / "2026-01-12.html").is_file()
    assert keep.is_file()
    assert all((folder / name).is_file() for name in ("notes.html", "keep.html", "2026-01-02.html"))


def test_a_stop_leads_to_the_map_and_the_sheet_that_a_build_recorded(plan: DayPlan, written: Written) -> None:
    folder, _ = written(plan)
    assert not any("map.html" in link for link in read(folder / "2026-01-05.html").links)
    (folder.parent / "build.json").write_text(
        json.dumps({"outputs": ["map.html", "sheets/1002.pdf", "sheets/1003.pdf"]}), "utf-8"
    )
    written(plan)
    links = [link for link in read(folder / "2026-01-05.html").links if link.startswith("../")]
    visited = set(plan.visits["building_id"])
    assert len([link for link in links if link.startswith("../map.html#")]) == len(visited)
    assert {link for link in links if "sheets" in link} == {
        f"../sheets/{name}.pdf" for name in ("1002", "1003") if name in visited
    }
    (odd,) = [link for link in links if "%3C" in link]
    assert not set("<>\"' ") & set(odd)


def test_every_word_of_a_plan_has_words() -> None:
    from roofplat.publish.days.day import _DUE_WORDS, BASIS_WORDS
    from roofplat.tables import DUE_STATES

    assert set(REASON_WORDS) == set(LEFT_OUT_REASONS)
    assert set(BASIS_WORDS) == set(TRAVEL_BASES)
    assert set(_DUE_WORDS) == set(DUE_STATES)


def lightness(colour: str) -> float:
    """Relative luminance of WCAG 2.2, 0 black to 1 white."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_the_way_stands_out_from_the_streets_without_colour() -> None:
    style = asset("days.css")
    colour, width = {}, {}
    for name in ("way", "streets", "others"):
        (rule,) = re.findall(rf"^\.sketch \.{name} \{{(.*?)\}}", style, flags=re.MULTILINE)
        colour[name] = re.findall(r"stroke: (#\w{6})", rule)[0]
        width[name] = float(re.findall(r"stroke-width: ([\d.]+)", rule)[0])
    way, streets = lightness(colour["way"]), lightness(colour["streets"])
    assert (streets + 0.05) / (way + 0.05) > 1.5
    assert width["way"] > 2 * width["streets"] > 2 * width["others"]


@pytest.fixture(scope="module")
def pages(
    tables: dict[str, Any], mixed: dict[str, Any], rules: Rulebook, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    """A day of two inspectors with hostile names, a day of one, and the overviews."""
    out = tmp_path_factory.mktemp("plans")
    made = {}
    for name, plan in (
        ("two", make_plan(tables, rules)),
        ("one", make_plan(tables, rules, inspectors=1, hours=9, must=[], streets=None)),
    ):
        words: dict[str, Any] = {"area": None, "rules": rules, "ground": GROUND, "as_of": AS_OF}
        write_days(plan, tables, district=f"Invented {HOSTILE}", out=out / name, **words)
        made[name] = out / name / "inspections" / "2026-01-05.html"
        made[f"index of {name}"] = out / name / "inspections" / "index.html"
    return made


PAGES = pytest.mark.parametrize("name", ["two", "one", "index of two", "index of one"])


@pytest.fixture
def opened(browser: Any, pages: dict[str, Path]) -> Iterator[Callable[[str], Any]]:
    """Open a page; it may ask for nothing but itself, and complain of nothing."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []

    def open_page(name: str) -> Any:
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 800}))
        page = contexts[-1].new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.goto(pages[name].as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert set(asked) <= {path.as_uri() for path in pages.values()}
    assert complaints == []


@pytest.mark.browser
@PAGES
def test_nothing_but_wide_tables_scrolls_sideways(opened: Callable[[str], Any], name: str) -> None:
    page = opened(name)
    for width in (320, 390, 768, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, width
    assert page.evaluate("window.hacked") is None


@pytest.mark.browser
@PAGES
def test_an_accessibility_engine_finds_nothing(browser: Any, pages: dict[str, Path], name: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    for width in (390, 1280):
        # The page's policy forbids every script, the engine's as well.
        context = browser.new_context(viewport={"width": width, "height": 800}, bypass_csp=True)
        page = context.new_page()
        page.goto(pages[name].as_uri())
        results = Axe().run(page)
        context.close()
        assert len(results.response["passes"]) > 15
        assert [found["id"] for found in results.response["violations"]] == []


@pytest.mark.browser
@pytest.mark.parametrize(("paper", "size"), [("Letter", (612, 792)), ("A4", (595.3, 841.9))])
@PAGES
def test_paper_cuts_nothing_off(
    opened: Callable[[str], Any], tmp_path: Path, name: str, paper: str, size: tuple[float, float]
) -> None:
    import pypdfium2

    file = tmp_path / "page.pdf"
    opened(name).pdf(path=str(file), format=paper)
    side = 14 / 25.4 * 72 - 1
    texts = []
    with pypdfium2.PdfDocument(file) as printed:
        for sheet in printed:
            assert sheet.get_size() == pytest.approx(size, abs=1.5)
            letters = sheet.get_textpage()
            # Ends of lines are letters to the reader, and lie beyond the last one.
            inked = [at for at in range(letters.count_chars()) if letters.get_text_range(at, 1).strip()]
            boxes = [letters.get_charbox(at) for at in inked]
            assert min(left for left, *_ in boxes) >= side
            assert max(right for _, _, right, _ in boxes) <= size[0] - side
            texts.append(" ".join(letters.get_text_bounded().split()))
    # Every sheet says that it is an aid, and which of how many it is.
    for number, text in enumerate(texts, start=1):
        assert "An aid, not an order: what is found on arrival outranks it." in text
        assert f"page {number} of {len(texts)}" in text
    assert CAUTION in texts[0]


@pytest.mark.browser
def test_each_inspector_starts_on_a_sheet_of_their_own(
    opened: Callable[[str], Any], tmp_path: Path, plan: DayPlan
) -> None:
    import pypdfium2

    file = tmp_path / "page.pdf"
    opened("two").pdf(path=str(file), format="Letter")
    with pypdfium2.PdfDocument(file) as printed:
        texts = [" ".join(sheet.get_textpage().get_text_bounded().split()) for sheet in printed]
    heads = {
        number: [at for at, text in enumerate(texts) if f"Inspector {number}, Monday 5 January 2026" in text]
        for number in (1, 2)
    }
    assert [len(found) for found in heads.values()] == [1, 1]
    first, second = heads[1][0], heads[2][0]
    assert 0 < first < second
    for at in (first, second):
        assert CAUTION in texts[at]
        assert "leave at 08:00" in texts[at]
    # The foot of a sheet says whose it is, and no sheet has stops of both.
    for at, text in enumerate(texts[1:], start=1):
        own, other = (1, 2) if at < second else (2, 1)
        assert f"2026-01-05, inspector {own}" in text
        assert f"inspector {other}" not in text.lower().replace(f"inspector {own}", "")
    assert "Found" in texts[first] + texts[first + 1]
    assert sum(text.count("Roof seen:") for text in texts) == len(plan.visits)


@pytest.mark.browser
def test_one_inspector_shares_the_first_sheet_with_the_head(
    opened: Callable[[str], Any], tmp_path: Path
) -> None:
    import pypdfium2

    file = tmp_path / "page.pdf"
    opened("one").pdf(path=str(file), format="Letter")
    with pypdfium2.PdfDocument(file) as printed:
        first = " ".join(printed[0].get_textpage().get_text_bounded().split())
    assert "Monday 5 January 2026: inspections" in first
    assert "Stops of inspector 1" in first
    assert "2026-01-05, inspector 1" in first
    # Without a layer of streets nobody knows the way, and the page says so.
    assert "straight line" in first
    assert "Broken line" in first
