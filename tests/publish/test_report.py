"""The report: plots beside their numbers, gaps, what to do first; on paper, on a phone, for all."""

from __future__ import annotations

import base64
import itertools
import re
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from roofplat.district import District
from roofplat.ground import Ground
from roofplat.publish import Wind, write_report
from roofplat.publish.parts import Parts
from roofplat.publish.report import _CLASSES, _DUE, _HATCHED, _KNOWN, _ROOFS, _STATES, _SURVEYS
from roofplat.rules import load_rulebook
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

from .conftest import AS_OF, HOSTILE
from .test_parts import cut
from .vents import SAYS, vent_row, vent_table

COUNTS = {"Layers": pd.DataFrame({"layer": ["footprints", HOSTILE], "read": [5000, 3]})}
PLOTS = [
    "Roof families by area",
    "Age of the buildings",
    "How fresh the surveys are",
    "How things are known",
    "Scores by inspection class",
    "Overdue by inspection class",
    "Inspections due by year",
]


class Page(HTMLParser):
    """Headings, pictures, anchors, and tables by their caption."""

    def __init__(self) -> None:
        super().__init__()
        self.headings: list[tuple[int, str]] = []
        self.pictures: list[dict[str, str]] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.unscoped: list[str] = []
        self._rows: list[list[str]] = []
        self._caption = ""
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {name: value or "" for name, value in attrs}
        self.ids += [own["id"]] if "id" in own else []
        self.links += [own["href"]] if tag == "a" else []
        if tag == "img":
            self.pictures.append(own)
            return
        if tag in ("meta", "br"):
            return
        self._open.append(tag)
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append((int(tag[1]), ""))
        elif tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("th", "td"):
            self._rows[-1].append("")
            if tag == "th" and own.get("scope") not in ("col", "row"):
                self.unscoped.append(self._caption)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag
        if tag == "table":
            assert self._caption
            assert self._caption not in self.tables
            self.tables[self._caption] = self._rows

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        if not text:
            return
        if self._open[-1] in ("h1", "h2", "h3", "h4"):
            level, before = self.headings[-1]
            self.headings[-1] = (level, before + text)
        elif "caption" in self._open:
            self._caption += text
        elif "th" in self._open or "td" in self._open:
            self._rows[-1][-1] = f"{self._rows[-1][-1]} {text}".strip()


def write(tables: dict[str, Any] | Parts, path: Path, **scale: int) -> Path:
    return write_report(
        tables if isinstance(tables, Parts) else Parts.of(tables),
        district=District.model_validate(
            {
                "name": f"Invented {HOSTILE}",
                "folder": path.parent,
                "footprints": {"file": path.parent / "none.geojson"},
                "scale": scale,
            }
        ),
        rules=load_rulebook({"ladder.tip_above_edge_ft": 4.0}),
        ground=Ground(0.3048, 4200.0),
        counts=COUNTS,
        as_of=AS_OF,
        wind=Wind(270.0, "assumed"),
        path=path,
    )


@pytest.fixture
def report(tmp_path: Path) -> Callable[[dict[str, Any]], tuple[Path, Page]]:
    def written(tables: dict[str, Any]) -> tuple[Path, Page]:
        path = write(tables, tmp_path / "out" / "report.html")
        page = Page()
        page.feed(path.read_text("utf-8"))
        page.close()
        return path, page

    return written


def many_areas(tables: dict[str, Any], number: int) -> dict[str, Any]:
    """The same buildings over and over, each time in another area with a long name."""
    parts = []
    for n in range(number):
        name = f"{HOSTILE} and a name $as$ long as {n} 🚒 צפון"
        own = tables["buildings"].assign(dispatch_area=name)
        parts.append(own.assign(building_id=own["building_id"] + f"/{n}"))
    return {**tables, "buildings": pd.concat(parts, ignore_index=True)}


def number(cell: str) -> int:
    return int(cell.replace(",", ""))


def test_roofs_to_look_at_again_are_counted_where_there_are_any(
    report: Callable[..., Any], tables: dict[str, Any]
) -> None:
    def counted(made: dict[str, Any]) -> list[str]:
        return re.findall("<dt>Roofs to look at again</dt><dd>(.*)</dd>", report(made)[0].read_text("utf-8"))

    assert counted(tables) == []
    why = pd.Series(None, index=tables["buildings"].index, dtype="str")
    why.iloc[:2] = "reroof 2026-03"
    assert counted({**tables, "buildings": tables["buildings"].assign(look_again=why)}) == ["2"]


def test_every_plot_has_its_numbers_beside_it(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    _, page = report(tables)
    # Last comes how sure the ranks are.
    *bars, intervals = page.pictures
    assert intervals["alt"].startswith("Interval plot: Rank of the first 4 buildings")
    for picture, title in zip(bars, PLOTS, strict=True):
        assert picture["src"].startswith("data:image/svg+xml;base64,")
        assert base64.b64decode(picture["src"].split(",")[1], validate=True).startswith(b"<?xml")
        assert picture["alt"].startswith(f"Bar plot: {title}. ")
        head, *rows = page.tables[f"{title}, in numbers"]
        for row in rows:
            assert sum(map(number, row[1:-1])) == number(row[-1]), title
            for name, cell in zip(head[1:-1], row[1:-1], strict=True):
                # What is drawn, told and set is the same.
                if row[0] != "All":
                    assert f"{name[0].lower()}{name[1:]} {cell}" in picture["alt"]
    for title in set(PLOTS) - {"How things are known"}:
        assert page.tables[f"{title}, in numbers"][-1][-1] == "4"


def test_headings_go_down_by_one_and_every_link_leads_somewhere(
    report: Callable[..., Any], tables: dict[str, Any], mixed: dict[str, Any]
) -> None:
    for made in (tables, mixed, {"buildings": tables["buildings"]}):
        _, page = report(made)
        levels = [level for level, _ in page.headings]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
        assert len(page.ids) == len(set(page.ids))
        assert {link.removeprefix("#") for link in page.links} <= set(page.ids)
        titles = [text for level, text in page.headings if level == 2]
        assert len(titles) == len(set(page.links))
        order = ["The district in numbers", "Gaps to fill", "What to do first", "Problems by kind"]
        assert [title for title in titles if title in order] == order
        assert page.unscoped == []


def test_ranks_are_drawn_with_their_spans(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    ranking = tables["ranking"]
    low, high = (ranking["rank"] - 1).clip(lower=1), (ranking["rank"] + 2).clip(upper=4)
    low[1] = pd.NA
    path, page = report({**tables, "ranking": ranking.assign(rank_low=low, rank_high=high)})
    picture = page.pictures[-1]
    assert picture["alt"].startswith("Interval plot: Rank of the first 4 buildings and the span it may have.")
    first, second = ranking["building_id"].iloc[0], ranking["building_id"].iloc[1]
    assert f"{first}: rank 1, from 1 to 3" in picture["alt"]
    rows = page.tables["Ranks and their intervals"]
    assert rows[0] == ["Building", "Rank", "From", "To"]
    # One of the ids is too long for the plot, so that all are numbered, there and here.
    assert rows[1] == [f"1. {first}", "1", "1", "3"]
    assert rows[2] == [f"2. {second}", "2", "", "4"]
    assert [row[:2] for row in page.tables["The first 4 buildings"][1:3]] == [
        ["1", "1 to 3"],
        ["2", "? to 4"],
    ]
    assert "were drawn 1,000 times" in path.read_text("utf-8")
    _, none = report({name: frame for name, frame in tables.items() if name != "ranking"})
    assert "How sure the ranks are" not in [text for _, text in none.headings]


def test_the_first_of_the_ranking_tell_their_inspection(
    report: Callable[..., Any], tables: dict[str, Any]
) -> None:
    told = {
        "class": ["high", "low", "moderate", "unknown"],
        "class_basis": ["stated", "occupancy", "occupancy", "unknown"],
        "due_state": ["overdue", "never_inspected", "due", "no_class"],
        "overdue_days": pd.array([1200, None, None, None], dtype="Int64"),
        "next_due": pd.to_datetime(pd.Series(["2022-09-18", None, "2027-01-01", None])),
    }
    _, page = report({**tables, "ranking": tables["ranking"].assign(**told)})
    assert [row[-2:] for row in page.tables["The first 4 buildings"][1:]] == [
        ["high (stated)", "2022-09-18, overdue by 1,200 days"],
        ["low", "no inspection on record"],
        ["moderate", "2027-01-01, not yet due"],
        ["unknown", "no class, so no date"],
    ]
    assert page.tables["Overdue by inspection class, in numbers"][-1] == ["All", "1", "1", "1", "1", "4"]


def test_odds_stand_beside_the_roofs_behind_them(report: Callable[..., Any], mixed: dict[str, Any]) -> None:
    _, page = report(mixed)
    head, *rows = page.tables["Odds by stratum"]
    assert head == [
        "Region, period, occupancy, size", "Roofs not surveyed", "Surveyed roofs behind the odds",
        "Chance of a lightweight roof", "Likeliest families",
    ]  # fmt: skip
    # Nobody knows years and occupancies; the hall under bowstring trusses is surveyed, the shop like it not.
    small, large = "west / year unknown / occupancy unknown / up to 5,000 ft2", "5,000 to 20,000 ft2"
    assert [row[:3] for row in rows] == [
        [small, "2", "0"],
        [small.replace("up to 5,000 ft2", large), "1", "1"],
    ]
    chances = mixed["family_odds"].query("surveyed.groupby(stratum).transform('sum') > 0")
    chances = chances.set_index("roof_family")["chance"]
    assert f"Bowstring or other arched truss {100 * chances['bowstring_truss']:.0f}% (" in rows[1][4]
    assert rows[1][4].split("; ")[-1].startswith("others ")
    light = [key for key, family in load_rulebook().families.items() if family.lightweight]
    assert rows[1][3] == f"{100 * chances.reindex(light).sum():.0f}%"
    surveyed = {**mixed, "buildings": mixed["buildings"].assign(family_basis="surveyed")}
    assert "Odds of roofs nobody has surveyed" not in [text for _, text in report(surveyed)[1].headings]


def test_the_roofs_to_survey_come_in_their_order_with_odds_and_reason(
    report: Callable[..., Any], mixed: dict[str, Any]
) -> None:
    _, page = report(mixed)
    head, *rows = page.tables["Roofs to survey, in order"]
    assert head == ["Order", "Id", "Name and address", "Area", "Rank", "Span", "Odds", "Why"]
    visits = mixed["survey_next"]
    assert [row[1] for row in rows] == visits["building_id"].tolist()
    assert "B1" not in [row[1] for row in rows]
    assert [row[0] for row in rows] == ["1", "2", "3"]
    assert [row[7] for row in rows] == [" ".join(reason.split()) for reason in visits["reason"]]
    unknown = next(row for row in rows if row[1] == "U1")
    assert "%" in unknown[6]
    assert "_" not in unknown[6]
    # Backwards in the file is still in order on the page.
    backwards = {**mixed, "survey_next": visits.iloc[::-1].reset_index(drop=True)}
    assert report(backwards)[1].tables["Roofs to survey, in order"] == [head, *rows]


def test_gaps_tell_where_and_which_first(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    _, page = report(tables)
    gaps = page.tables["Gaps by area"]
    north = dict(zip(gaps[0], next(row for row in gaps if row[0] == "North Side"), strict=True))
    assert north["Buildings"] == "2"
    assert north["No survey"] == "1 50%"
    assert north["Roof family unknown"] == "0"
    assert gaps[-1][0] == "All"
    assert dict(zip(gaps[0], gaps[-1], strict=True))["No survey"] == "3 75%"
    order = page.tables["Gaps by the high-ranked buildings they touch"]
    assert order[0][1] == "Of the 4 highest ranked"
    assert order[1][:3] == ["No survey", "3", "3"]
    assert [number(row[1]) for row in order[1:]] == sorted(
        (number(row[1]) for row in order[1:]), reverse=True
    )


def test_buildings_alone_make_a_report(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    _, page = report({"buildings": tables["buildings"]})
    assert [picture["alt"].split(". ")[0] for picture in page.pictures] == [
        f"Bar plot: {title}" for title in PLOTS[:4]
    ]
    assert "Spacing assumed" not in page.tables["Gaps by area"][0]
    assert "Gaps by the high-ranked buildings they touch" not in page.tables


def test_one_area_or_many(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    one = {**tables, "buildings": tables["buildings"].assign(dispatch_area="East")}
    _, page = report(one)
    assert [row[0] for row in page.tables["Gaps by area"][1:]] == ["East"]
    path, page = report(many_areas(tables, 41))
    rows = page.tables["Roof families by area, in numbers"]
    assert len(rows) == 1 + 41 + 1
    assert rows[1][0] == f"1. {HOSTILE} and a name $as$ long as 0 🚒 צפון"
    assert path.stat().st_size < 1_000_000
    families = {row[0]: row for row in page.tables["Roof families, how they are known, and where they stand"]}
    assert families["Panelized, wood beams and purlins"][-1].endswith("33 other areas 66")


def test_plans_are_told_by_family_and_area_while_that_can_be_read(
    report: Callable[..., Any], mixed: dict[str, Any]
) -> None:
    title = "Sections with and without an opening, by family and area"
    _, page = report(mixed)
    told = [tuple(row[:5]) for row in page.tables[title][1:]]
    assert told == [
        ("Bowstring or other arched truss", "East", "1", "0", "1"),
        ("Sawn joist, flat", "West", "1", "0", "1"),
        ("Sawn rafter, pitched", "East", "1", "1", "0"),
        ("Unknown: nobody has looked", "West", "1", "0", "1"),
    ]
    parts = []
    for n in range(60):
        frames = {name: mixed[name] for name in ("buildings", "sections")}
        parts.append(
            {
                name: frame.assign(
                    building_id=frame["building_id"] + f"/{n}",
                    **({"dispatch_area": f"Area {n}"} if name == "buildings" else {}),
                )
                for name, frame in frames.items()
            }
        )
    many = {
        name: pd.concat([part[name] for part in parts], ignore_index=True)
        for name in ("buildings", "sections")
    }
    _, page = report(many)
    assert [tuple(row[1:5]) for row in page.tables[title][1:]] == [
        ("all areas", "60", "0", "60"),
        ("all areas", "60", "0", "60"),
        ("all areas", "60", "60", "0"),
        ("all areas", "60", "0", "60"),
    ]


def test_the_same_tables_give_the_same_page(report: Callable[..., Any], tables: dict[str, Any]) -> None:
    first = report(tables)[0].read_bytes()
    assert report(tables)[0].read_bytes() == first


def test_a_department_may_say_how_many_count_as_high_ranked() -> None:
    assert load_rulebook().number("report.high_ranked_count") == 100


def lightness(colour: str) -> float:
    """Relative luminance of WCAG 2.2, 0 black to 1 white."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    "looks",
    [tuple(_ROOFS.values()), (_HATCHED, *_SURVEYS), _KNOWN, _CLASSES, _DUE, _STATES],
    ids=["roofs", "surveys", "known", "classes", "due", "states"],
)
def test_parts_of_a_bar_differ_without_colour(looks: tuple[Any, ...]) -> None:
    for one, other in itertools.combinations(looks, 2):
        lighter, darker = sorted((lightness(one.colour), lightness(other.colour)), reverse=True)
        assert one.hatch != other.hatch or (lighter + 0.05) / (darker + 0.05) > 1.3, (one, other)


@pytest.fixture(scope="module")
def reports(
    tables: dict[str, Any], mixed: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> dict[str, Path]:
    """Reports of three districts: hostile names, many kinds of roofs, forty areas."""
    out = tmp_path_factory.mktemp("reports")
    made = {"hostile": tables, "mixed": mixed, "areas": many_areas(tables, 40)}
    return {name: write(district, out / f"{name}.html") for name, district in made.items()}


DISTRICTS = pytest.mark.parametrize("name", ["hostile", "mixed", "areas"])


@pytest.fixture
def opened(browser: Any, reports: dict[str, Path]) -> Iterator[Callable[[str], Any]]:
    """Open a report; it may ask for nothing but itself, and complain of nothing."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []

    def open_report(name: str) -> Any:
        contexts.append(browser.new_context(viewport={"width": 1280, "height": 800}))
        page = contexts[-1].new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.goto(reports[name].as_uri())
        return page

    yield open_report
    for context in contexts:
        context.close()
    assert set(asked) - {path.as_uri() for path in reports.values()} == {
        address for address in asked if address.startswith("data:image/svg+xml;base64,")
    }
    assert complaints == []


@pytest.mark.browser
def test_pictures_show_and_hostile_names_do_nothing(opened: Callable[[str], Any]) -> None:
    page = opened("areas")
    sizes = page.eval_on_selector_all("img", "all => all.map(one => one.complete && one.naturalWidth)")
    assert sizes == [357] * (len(PLOTS) + 1)
    assert page.evaluate("window.hacked") is None


@pytest.mark.browser
@DISTRICTS
def test_letters_and_bars_stay_inside_the_picture(
    opened: Callable[[str], Any], browser: Any, name: str
) -> None:
    sources = opened(name).eval_on_selector_all("img", "all => all.map(one => one.src)")
    assert len(sources) == len(PLOTS) + 1
    blank = browser.new_page()
    for source in sources:
        drawing = base64.b64decode(source.split(",")[1]).decode("utf-8")
        blank.set_content(drawing[drawing.index("<svg") :])
        # Letters and bars as they come out; what only clips or is used elsewhere does not show.
        shown, outside = blank.evaluate(
            """() => { const svg = document.querySelector('svg'), all = svg.getBoundingClientRect();
            const boxes = [...svg.querySelectorAll('use, path')].filter(one => !one.closest('defs'))
              .map(one => one.getBoundingClientRect()).filter(box => box.width + box.height > 0);
            return [boxes.length, boxes.filter(box =>
                box.left < all.left - 1 || box.right > all.right + 1 ||
                box.top < all.top - 1 || box.bottom > all.bottom + 1).length]; }"""
        )
        assert shown > 20
        assert outside == 0
    blank.close()


@pytest.mark.browser
@DISTRICTS
def test_nothing_but_wide_tables_scrolls_sideways(opened: Callable[[str], Any], name: str) -> None:
    page = opened(name)
    for width in (320, 390, 768, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, width


@pytest.mark.browser
@DISTRICTS
def test_an_accessibility_engine_finds_nothing(browser: Any, reports: dict[str, Path], name: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    # The page's policy forbids every script, the engine's as well.
    context = browser.new_context(viewport={"width": 390, "height": 800}, bypass_csp=True)
    page = context.new_page()
    page.goto(reports[name].as_uri())
    results = Axe().run(page)
    context.close()
    assert len(results.response["passes"]) > 15
    assert [found["id"] for found in results.response["violations"]] == []


@pytest.mark.browser
@DISTRICTS
@pytest.mark.parametrize(("paper", "size"), [("Letter", (612, 792)), ("A4", (595.3, 841.9))])
def test_paper_cuts_nothing_off(
    opened: Callable[[str], Any], tmp_path: Path, name: str, paper: str, size: tuple[float, float]
) -> None:
    import pypdfium2

    file = tmp_path / "report.pdf"
    opened(name).pdf(path=str(file), format=paper)
    margin = 14 / 25.4 * 72 - 1
    text = ""
    with pypdfium2.PdfDocument(file) as printed:
        for sheet in printed:
            assert sheet.get_size() == pytest.approx(size, abs=1.5)
            letters = sheet.get_textpage()
            boxes = [letters.get_charbox(at) for at in range(letters.count_chars())]
            # A space at the end of a line has no size.
            boxes = [box for box in boxes if box[0] < box[2]]
            assert min(left for left, *_ in boxes) >= margin
            assert max(right for _, _, right, _ in boxes) <= size[0] - margin
            if not text:
                # A page that is wider than the paper is printed smaller: capitals of 18 pt type.
                _, bottom, _, top = boxes[0]
                assert top - bottom == pytest.approx(0.73 * 18, abs=1)
            text += letters.get_text_bounded()
    assert "What was read and what was joined" in text
    assert "outrank it" in text


def test_a_district_in_tiles_has_the_report_of_the_whole(mixed: dict[str, Any], tmp_path: Path) -> None:
    whole = write(mixed, tmp_path / "whole.html").read_text("utf-8")
    tiled = cut(mixed, tmp_path)
    assert write(tiled, tmp_path / "tiles.html").read_text("utf-8") == whole
    # The case is one that could tell: the rows come in another order.
    order = tiled.narrow("buildings", ["building_id"])["building_id"].tolist()
    assert order != mixed["buildings"]["building_id"].tolist()


def test_it_says_how_much_of_the_ranking_the_workbook_holds(mixed: dict[str, Any], tmp_path: Path) -> None:
    told = "ranking.csv, its first 2 rows in ranking.xlsx."
    assert told in write(mixed, tmp_path / "few.html", workbook_rows=2).read_text("utf-8")
    assert "rows in ranking.xlsx" not in write(mixed, tmp_path / "all.html").read_text("utf-8")


def test_what_cutting_will_not_vent_comes_by_what_it_lacks(
    report: Callable[..., Any], tables: dict[str, Any]
) -> None:
    rows = [
        vent_row("1001", 1),
        vent_row("1002", 1, wanted_ft2=4000.0, flow_ft2=None, flow_outside="outside the range of the inlet",
                 clear_planned_ft=None, crew_share=None, vents_short_ft2=2000.0),
        # Enough is planned here, and the code does not ask.
        vent_row("1003", 1, says=None, cutting_reaches=True, code_asks="not by size or use"),
        # Where no cut is planned, cutting is not what falls short.
        vent_row("1003", 3, says="Plan doors.", cutting_reaches=None, code_asks="not by size or use"),
        # Nobody knows the use: no vents are said to be missing.
        vent_row("1003", 2, says=None, cutting_reaches=None, code_asks="unknown",
                 vents_short_ft2=9000.0),
    ]  # fmt: skip
    path, page = report({**tables, "venting": vent_table(rows)})
    text = path.read_text("utf-8")
    assert ("Openings, smoke and vents" in [words for _, words in page.headings]) == (
        "#venting" in page.links
    )
    head, *beyond = page.tables["Sections by what they lack"]
    assert [row[0] for row in beyond] == ["1002-1", "1001-1"]
    assert dict(zip(head, beyond[1], strict=True)) | {"Name and address": ""} == {
        "Section": "1001-1", "Name and address": "", "Area by rule": "1,536 sq ft",
        "Area by flow": "310 sq ft", "Planned": "240 sq ft",
        "There already": "48 sq ft in 3, 1 of unknown size",
        "Height kept clear": "6.2 ft", "Saw cut": "180 ft", "One spell opens": "16%",
        "What to do": SAYS.partition("; ")[2],
    }  # fmt: skip
    assert beyond[0][3:5] == ["outside the range of the inlet", "240 sq ft"]
    assert beyond[0][6:9] == ["not worked out", "180 ft", "not known"]
    named = ["1,200 sq ft", "unsprinklered", "48 sq ft in 3, 1 of unknown size"]
    assert page.tables["Sections by what they are short of"][1:] == [
        ["1002-1", beyond[0][1], *named, "2,000 sq ft"],
        ["1001-1", beyond[1][1], *named, "1,152 sq ft"],
    ]
    counted = re.findall(r"<dt>(Sections [^<]*)</dt><dd>(\d+)</dd>", text)
    assert ("Sections that cutting alone will not vent", "2") in counted
    assert ("Sections with vents short of the prescriptive area", "2") in counted
    assert f"{VENTING_CAUTION} {wind_words(load_rulebook())}" in text
    words = " ".join(text.split())
    assert "nobody knows the use: 1." in words
    assert "no cut is planned at all, and doors, vents or a trench have to be: 1." in words
    assert "reckoned by rates from memory: measure yours" in words
    _, none = report(tables)
    assert "Openings, smoke and vents" not in [words for _, words in none.headings]
