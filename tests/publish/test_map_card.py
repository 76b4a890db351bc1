"""The card of a building, its print, and the tools of the map, in a real browser."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pdfplumber
import pytest
from axe_playwright_python.sync_playwright import Axe
from pyproj import Geod
from shapely import LineString, Point, box

from roofplat.ground import Ground
from roofplat.publish import CAUTION, Wind, write_maps
from roofplat.rules import load_rulebook
from roofplat.tables import conform, empty

from .conftest import HOSTILE, READY, WORKING_CRS, click_at, feet, lonlat, make_table, shed_plan, with_odds

pytestmark = pytest.mark.browser

GROUND = Ground(0.3048, 4200.0)
# Higher than any ground: here a length that is not scaled to it is plainly wrong.
HIGH = Ground(0.3048, 120_000.0)
OVERRIDE = "\u202egnol teerts\u202d\u2066"
# One text of each kind that a source may hold.
TEXTS = {
    "markup": '<img src=x onerror="window.hacked=1">',
    "script": HOSTILE,
    "quotes": "\"'`${window.hacked=1}{{ 7*7 }}\\",
    "marks": f"Left {OVERRIDE}",
    "long": "Ten kilobytes of roof. " * 450,
    "emoji": "🚒👩🏽‍🚒🔥 Halle 9",
}
IDS = ("a b/c?d#e", "50%", "%41", "../..", "🚒 é", "<b>&amp;")


@pytest.fixture(scope="module")
def odd() -> dict[str, Any]:
    """A building for each of the texts, which stands in every column; and one for each odd id."""
    made: dict[str, Any] = {}
    plans, buildings, facts = [], [], []
    for number, (kind, text) in enumerate(TEXTS.items()):
        plan = shed_plan(kind, 300.0 * number, 0.0, "recorded")
        for name in ("ladders", "openings", "trenches", "paths"):
            for row in plan[name]:
                row["reasons" if name == "ladders" else "why"] = f"no way {text}"
        plan["sections"][0] |= {"cut_method_why": text, "methods_rejected": f"fold_back: {text}"}
        plans.append(plan)
        texts = dict.fromkeys(("name", "address", "alert", "occupancy", "dispatch_area"), text)
        buildings.append({"building_id": kind, **texts, "area_ft2": 15_360.0, "roof_family": "panelized_wood",
                          "family_basis": "recorded", "p_lightweight": 1.0,
                          "geometry": feet(box(300 * number, 0, 300 * number + 160, 96))})  # fmt: skip
        facts += [
            {
                "building_id": kind,
                "field": field,
                "value": text,
                "basis": "recorded",
                "date": pd.Timestamp("2020-02-02"),
                "source": text,
                "current": True,
            }
            for field in ("deck", "roof_shape", "occupancy")
        ]
    buildings += [
        {"building_id": one, "roof_family": "unknown", "area_ft2": 100.0, "p_lightweight": 0.5,
         "geometry": feet(box(50 * place, 300, 50 * place + 40, 340))}
        for place, one in enumerate(IDS)
    ]  # fmt: skip
    # So large that its openings cannot be told apart on a page.
    large = shed_plan("large", 0.0, 600.0, "recorded")
    plans.append(
        {name: large[name] for name in ("sections", "openings")}
        | {key: [] for key in set(large) - {"sections", "openings"}}
    )
    hall = box(0, 600, 900, 1000)
    buildings.append({**buildings[0], "building_id": "large", "name": "Hall", "geometry": feet(hall)})
    made["buildings"] = make_table("buildings", buildings)
    for name in plans[0]:
        made[name] = make_table(name, [row for plan in plans for row in plan[name]])
    made["facts"] = conform("facts", pd.DataFrame(facts))
    for name in ("planes", "ground", "obstacles"):
        made[name] = empty(name, WORKING_CRS)
    zones, audit = [], []
    for place, (kind, text) in enumerate(TEXTS.items()):
        west = 300 * place
        zone = {"distance_ft": 40.0, "height_ft": 27.0, "height_basis": "recorded", "pushes_out": True}
        zones.append(
            {**zone, "building_id": kind, "why": text, "geometry": feet(box(west - 40, -40, west + 200, 136))}
        )
        check = {
            "section_id": f"{kind}-1",
            "array": 1,
            "rule": "solar.x_ft",
            "wanted_ft": 4.0,
            "passes": False,
        }
        audit.append(
            {
                **check,
                "building_id": kind,
                "basis": "recorded",
                "message": text,
                "geometry": feet(box(west, 0, west + 20, 20)),
            }
        )
    made["collapse_zones"] = make_table("collapse_zones", zones)
    made["solar_access"] = make_table("solar_access", audit)
    places = {
        "streets": LineString([(0, -60), (900, -60)]),
        "areas": box(-100, -100, 2000, 500),
        "stations": Point(100, 200),
    }
    for name, shape in places.items():
        names = pd.Series(list(TEXTS.values()), dtype="str")
        made[name] = gpd.GeoDataFrame({"name": names}, geometry=[feet(shape)] * len(TEXTS), crs=WORKING_CRS)
    made = with_odds(made)
    for name, column in (("ranking", "unknown_facts"), ("survey_next", "reason"), ("buildings", "odds")):
        made[name][column] = made[name]["building_id"].map(TEXTS).astype("str")
    made["ranking"]["reasons"] = made["ranking"]["building_id"].map(
        {kind: f"{text}; second; third" for kind, text in TEXTS.items()}
    )
    return made


@pytest.fixture(scope="module")
def maps(
    tables: dict[str, Any],
    mixed: dict[str, Any],
    odd: dict[str, Any],
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("cards")

    def fact(field: str, value: str, basis: str, date: str, source: str) -> dict[str, Any]:
        return {"building_id": "1001", "field": field, "value": value, "basis": basis,
                "date": pd.Timestamp(date), "source": source, "current": True}  # fmt: skip

    known = [
        fact("roof_family", "panelized_wood", "surveyed", "2024-06-01", "roof surveys"),
        fact("height_ft", "23.950131", "surveyed", "2024-06-01", "roof surveys"),
        fact("suspended_load", "true", "surveyed", "2024-06-01", "roof surveys"),
        fact("year_built", "1984", "recorded", "2020-01-02", "county roll"),
        fact("occupancy", "S-1", "recorded", "2020-01-02", "county roll"),
        fact("framing_axis_deg", "17.04", "drawn", "NaT", "plans"),
    ]
    old = {**known[3], "value": "1901", "current": False}
    told = {**tables, "facts": conform("facts", pd.DataFrame([*known, old]))}
    written = []
    sheets = {"1001": "1001 #1.pdf", **dict.fromkeys(TEXTS, "../x.pdf"), "markup": TEXTS["markup"] + ".pdf"}
    for district, folder, ground in (
        (told, out, GROUND),
        (mixed, out / "mixed", GROUND),
        (odd, out / "odd", HIGH),
    ):
        written += write_maps(district, title="Invented", rules=load_rulebook(), ground=ground,
                              wind=Wind(270.0, "assumed"), out=folder, sheets=sheets)  # fmt: skip
    return {path.relative_to(out).as_posix(): path for path in written}


def card_words(page: Any, *, unfold: bool = True) -> str:
    if unfold:
        page.evaluate("for (const fold of document.querySelectorAll('#card details')) fold.open = true")
    return " ".join(page.locator("#card-body").inner_text().split())


def numbers(pattern: str, text: str) -> list[float]:
    found = re.search(pattern, text)
    assert found, text
    return [float(one) for one in found.groups()]


def active(page: Any) -> str:
    return str(page.evaluate("document.activeElement.id || document.activeElement.tagName"))


def notice(page: Any) -> str:
    return str(page.locator("#notice-words").inner_text())


# The card.


def test_the_card_tells_danger_way_up_and_work_before_the_office(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    titles = page.locator("#card-body :is(h3)").all_inner_texts()
    assert titles == ["Danger", "Way up", "Where to open, in order", "Roof", "Facts",
                      *[title for title in titles if title.startswith("Rank")],
                      "Fire-code inspection: not yet due", "How it was planned", "Read this"]  # fmt: skip
    levels = page.evaluate(
        "Array.from(document.querySelectorAll('#card-body :is(h2,h3,h4)'), (node) => Number(node.tagName[1]))"
    )
    assert levels[0] == 2
    assert max(np.diff(levels)) <= 1
    # The office's part is folded; what is needed on the way is not.
    folded = card_words(page, unfold=False)
    assert "What counts most" not in folded
    assert "Side A, 28 ft ground ladder" in folded
    card = card_words(page)
    assert card.index("Panelized wood roof, surveyed 2024.") < card.index("Danger")
    assert "On the roof: 1 rooftop unit; 1 skylight, a fall hazard; 1 load hung from the roof." in card


def test_each_fact_stands_under_its_basis_date_and_source(visit: Callable[..., Any]) -> None:
    card = card_words(visit(fragment="#1001"))
    facts = card[card.index("Facts") : card.index("Rank ")]
    assert (
        "Surveyed 2024-06-01, from roof surveys Roof family Panelized, wood beams and purlins "
        "Height of the roof edge 24 ft Something heavy hangs from the roof yes "
        "Recorded 2020-01-02, from county roll Year built 1984 Occupancy S-1 (storage) "
        "Drawn (no date), from plans Beams, from true north 17° Basis not known (no date) " in facts
    )
    assert "1901" not in facts
    assert "Not known: form of the roof, deck, parapet above the roof edge." in facts


def test_odds_are_told_as_such_with_what_is_behind_them(
    visit: Callable[..., Any], mixed: dict[str, Any]
) -> None:
    page = visit("mixed/map.html", "#U1")
    card = card_words(page)
    roof = card[card.index("Roof Family Unknown") : card.index("Facts")]
    odds = mixed["buildings"].set_index("building_id")["odds"]["U1"]
    listed, notes = re.fullmatch(r"(.*) \((.*)\)", odds).groups()  # type: ignore[union-attr]
    pairs = [(key, int(percent)) for key, percent in re.findall(r"(\w+) (\d+) %", listed)]
    labels = load_rulebook().families
    told = " ".join(f"{labels[key].label} {percent}%" for key, percent in pairs[:4])
    rest = 100 - sum(percent for _, percent in pairs[:4])
    assert len(pairs) > 4
    assert f"Odds of the family, not seen {told} Others {rest}%" in roof
    behind = "From the building stock of the region and no surveyed roof like it"
    assert roof.rstrip().endswith(f"{behind}; {notes}.")
    chance = mixed["buildings"].set_index("building_id")["p_lightweight"]["U1"]
    assert f"Chance of a lightweight roof {100 * chance:.0f}% (by the odds)" in card
    # A record is believed more, and is no survey either; its odds count the one surveyed roof like it.
    shop = card_words(visit("mixed/map.html", "#S1"))
    assert "Odds of the family, not seen Sawn joist, flat 9" in shop
    assert "From the recorded family, the building stock of the region and 1 surveyed roof like it" in shop
    assert "Odds of the family" not in card_words(visit("mixed/map.html", "#B1"))


def test_rank_visit_and_inspection_are_told_in_short(
    visit: Callable[..., Any], mixed: dict[str, Any]
) -> None:
    ranking, visits = (mixed[name].set_index("building_id") for name in ("ranking", "survey_next"))
    for one in ("U1", "H1", "B1"):
        page, row = visit("mixed/map.html", f"#{one}"), ranking.loc[one]
        titles = page.locator("#card-body .fold h3").all_inner_texts()
        assert (
            titles[0]
            == f"Rank {row['rank']} of 4; {row['rank_low']} to {row['rank_high']} in nine of ten draws"
        )
        assert ("Survey next" in " ".join(titles)) == (one in visits.index) == (one != "B1")
        assert "Fire-code inspection: no class, so no date" in titles
        card = card_words(page)
        assert f"Assumed in it {row['unknown_facts']}" in card
        if one != "B1":
            assert titles[1] == f"Survey next: place {visits.loc[one, 'order']}"
            assert visits.loc[one, "reason"] in card


@pytest.mark.parametrize(
    ("stated", "title", "facts"),
    [
        ({"due_state": "overdue", "overdue_days": 1234, "next_due": "2022-08-16", "class": "high",
          "class_basis": "stated", "inspected_on": "2021-08-16"},
         "Fire-code inspection: overdue",
         "Class high as stated Next due 2022-08-16 set by the office; overdue by 1,234 days Last 2021-08-16"),
        ({"due_state": "never_inspected", "class": "low", "class_basis": "occupancy"},
         "Fire-code inspection: no inspection on record",
         "Class low by occupancy Next due not known Last no record"),
    ],
)  # fmt: skip
def test_an_inspection_says_what_its_date_goes_by(
    browser: Any, mixed: dict[str, Any], tmp_path: Path, stated: dict[str, Any], title: str, facts: str
) -> None:
    ranking, buildings = mixed["ranking"].copy(), mixed["buildings"].copy()
    for column, value in stated.items():
        ranking[column] = pd.array([value] * 4, dtype=str(ranking[column].dtype))
    if "inspected_on" in stated:
        buildings["inspected_on"] = pd.Timestamp(stated["inspected_on"])
    fact = {"building_id": "U1", "field": "inspect_by", "value": "2022-08-16", "basis": "recorded",
            "date": pd.NaT, "source": "marshal", "current": True}  # fmt: skip
    known = conform("facts", pd.DataFrame([fact]))
    write_maps({**mixed, "ranking": ranking, "buildings": buildings, "facts": known}, title="Invented",
               rules=load_rulebook({"ranking.interval_share": 0.8}), ground=GROUND, wind=None, out=tmp_path,
               ranked=900)  # fmt: skip
    page = browser.new_page()
    page.goto((tmp_path / "map.html").as_uri() + "#U1")
    page.wait_for_selector("#card:not([hidden])")
    words = card_words(page)
    page.close()
    assert f"{title} {facts}" in words
    # A part of a district keeps the ranks of the whole.
    assert re.search(r"Rank \d of 900; \d to \d in 80% of the draws", words)


def test_a_roof_that_was_changed_is_to_be_looked_at_again(
    browser: Any, mixed: dict[str, Any], tmp_path: Path
) -> None:
    buildings = mixed["buildings"].copy()
    why = pd.Series([f"reroof 2026-03, {TEXTS['markup']}", None, None, None], dtype="str")
    buildings["look_again"] = why
    # The odds that the inventory gives a roof that was surveyed before the change.
    odds = "panelized_wood 95 %, steel_joist_steel_deck 5 %"
    buildings.loc[buildings.index[0], ["family_basis", "odds"]] = ["surveyed", odds]
    first, other = buildings["building_id"].iloc[[0, 1]]
    write_maps({**mixed, "buildings": buildings}, title="Invented", rules=load_rulebook(), ground=GROUND,
               wind=None, out=tmp_path, ranked=4)  # fmt: skip
    page = browser.new_page()
    page.goto((tmp_path / "map.html").as_uri() + f"#{first}")
    page.wait_for_selector("#card:not([hidden])")
    assert f"Look again: reroof 2026-03, {TEXTS['markup']}." in card_words(page)
    assert page.evaluate("window.hacked") is None
    assert "Odds of the family, not seen since the change" in card_words(page)
    page.goto((tmp_path / "map.html").as_uri() + f"#{other}")
    page.wait_for_selector("#card:not([hidden])")
    page.wait_for_function("location.hash.length > 1")
    assert "Look again" not in card_words(page)
    page.close()


def test_the_ways_up_and_the_openings_carry_sizes_and_grid_strings(
    visit: Callable[..., Any], odd: Any
) -> None:
    page = visit(fragment="#1001")
    card = card_words(page)
    for text in (
        "Path of travel 88 ft, all of it on bearing lines.",
        "Checks: inspection cut of 2.8 ft inside the first foothold, 2 indicator holes beside the path.",
        "1. Fold-back, 18 by 6 ft, 108 ft² Finish toward the southeast (135°).",
        "216 ft² placed of 1,536 ft² wanted: short.",
        "Trench With construction, 96 by 3 ft, 40 ft from the fire spot",
        "Wind from the west (270°) assumed",
    ):
        assert text in card
    assert page.locator("#card .grid").count() == 2 + 2 + 1
    reasons = page.locator("#card .reasons li").all_inner_texts()
    assert len(reasons) == 3


def test_do_not_cut_is_said_loudest_and_once(visit: Callable[..., Any]) -> None:
    page = visit("mixed/map.html", "#B1")
    loudly = " ".join(page.locator("#card .nocut").inner_text().split())
    assert loudly == "DO NOT CUT THIS ROOF. Long-span truss. Stay off."
    assert card_words(page).count("collapse may throw walls outward") == 1
    title, loud, danger = (
        page.locator(f"#card {name}").first.bounding_box()["y"] for name in ("h2", ".nocut", "h3")
    )
    assert title < loud < danger
    assert (
        page.locator("#card .nocut strong").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
        > 20
    )


def test_a_sheet_is_offered_only_where_there_is_one(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    link = page.locator("#card a")
    assert link.inner_text() == "Sheet (PDF)"
    assert link.get_attribute("href") == "sheets/1001%20%231.pdf"
    assert (link.get_attribute("target"), link.get_attribute("rel")) == ("_blank", "noopener")
    page.fill("#search", "joinery")
    page.keyboard.press("Enter")
    assert page.locator("#card h2").inner_text() == "Joinery"
    assert page.locator("#card a").count() == 0
    area = visit("areas/north-side.html", "#1001")
    assert area.locator("#card a").get_attribute("href") == "../sheets/1001%20%231.pdf"


@pytest.mark.parametrize("size", [(390, 844), (768, 1024), (1280, 800)])
def test_the_card_fits_the_screen_and_a_glove(visit: Callable[..., Any], size: tuple[int, int]) -> None:
    page = visit(fragment="#1001", viewport={"width": size[0], "height": size[1]})
    card = page.locator("#card").bounding_box()
    assert card["x"] >= 0
    assert card["x"] + card["width"] <= size[0] + 0.5
    assert card["y"] + card["height"] <= size[1]
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    pressed = page.locator("#card :is(button, a, summary):visible").all()
    assert len(pressed) > 8
    for button in pressed:
        room = button.bounding_box()
        assert room["height"] >= 44, button.inner_text()
        assert room["width"] >= 44, button.inner_text()
    assert (
        page.evaluate(
            "document.getElementById('card').scrollWidth - document.getElementById('card').clientWidth"
        )
        <= 0
    )


def test_the_focus_goes_to_the_heading_and_back(visit: Callable[..., Any]) -> None:
    page = visit()
    page.locator("#by-rank").focus()
    page.evaluate("map_district.setView(map_district.getCenter(), 18, { animate: false })")
    page.evaluate("location.hash = '#1002'")
    page.wait_for_selector("#card:not([hidden])")
    page.wait_for_function("() => document.activeElement.tagName === 'H2'")
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    assert active(page) == "by-rank"


def test_an_engine_finds_nothing_wrong_with_card_and_tools(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    page.locator("#measure-open").click()
    card_words(page)
    for part in ("#card", "#panels", "#tools"):
        found = Axe().run(page, context=part)
        assert found.violations_count == 0, found.generate_report()


# Links.


def test_links_open_whatever_the_id(visit: Callable[..., Any]) -> None:
    page = visit("odd/map.html")
    for one in IDS:
        page.evaluate("(id) => { location.hash = encodeURIComponent(id); }", one)
        page.wait_for_function(
            "(id) => document.querySelector('#card h2')?.textContent === id",
            arg=one,
        )
    address = page.evaluate("location.hash")
    assert visit("odd/map.html", address).locator("#card h2").inner_text() == IDS[-1]
    # As somebody would type it.
    assert visit("odd/map.html", "#50%").locator("#card h2").inner_text() == "50%"


def test_an_unknown_id_is_told_in_plain_words(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#" + "<img src=x onerror=window.hacked=1>" + "9" * 500)
    assert page.locator("#card").is_hidden()
    assert notice(page).startswith("No building of this map has the id <img")
    assert len(notice(page)) < 300
    page.locator("#notice-close").click()
    assert page.locator("#notice").is_hidden()
    page.evaluate("location.hash = '#1001'")
    page.wait_for_selector("#card:not([hidden])")
    page.evaluate("location.hash = '#1001x'")
    page.wait_for_selector("#notice:not([hidden])")
    assert page.locator("#card").is_hidden()
    assert page.evaluate("window.hacked") is None


def test_back_and_forward_lead_from_building_to_building(visit: Callable[..., Any]) -> None:
    page = visit()
    page.evaluate("map_district.setView(map_district.getCenter(), 17, { animate: false })")

    def shows(title: str | None) -> None:
        page.wait_for_function(
            "(title) => document.getElementById('card').hidden ? title === null"
            " : document.querySelector('#card h2').textContent === title",
            arg=title,
        )

    click_at(page, 80, 20)
    shows("Cold store")
    page.locator("#card-close").click()
    click_at(page, 350, 20)
    shows("Joinery")
    page.go_back()
    shows(None)
    page.go_back()
    shows("Cold store")
    page.go_back()
    shows(None)
    page.go_forward()
    shows("Cold store")
    assert page.evaluate("location.hash") == "#1001"
    # Tapping the building that is open is no step.
    steps = page.evaluate("history.length")
    click_at(page, 80, 20)
    shows("Cold store")
    assert page.evaluate("history.length") == steps


# Copying.


def paste(page: Any) -> str:
    page.locator("#search").focus()
    page.keyboard.press("Control+V")
    return str(page.locator("#search").input_value())


def test_a_grid_string_is_copied_and_said(visit: Callable[..., Any], tables: dict[str, Any]) -> None:
    page = visit(fragment="#1001", permissions=["clipboard-read", "clipboard-write"])
    first = page.locator("#card .copy").first
    wanted = tables["ladders"].set_index(["building_id", "rank"])["usng"]["1001", 1]
    assert first.get_attribute("aria-label") == f"Copy the grid string {wanted}"
    first.click()
    page.wait_for_selector("#notice:not([hidden])")
    assert f"Copied {wanted}" in notice(page)
    assert page.locator("#notice-words").get_attribute("role") == "status"
    assert paste(page) == wanted
    page.locator("#search").fill("")
    page.locator("#card-link").click()
    page.wait_for_function(
        "() => document.getElementById('notice-words').textContent.includes('Copied the link')"
    )
    assert paste(page) == page.url


NO_CLIPBOARD = "Object.defineProperty(navigator, 'clipboard', { value: undefined });"
NO_COPY = NO_CLIPBOARD + "Document.prototype.execCommand = () => false;"


def test_without_a_clipboard_the_older_way_copies(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001", before=NO_CLIPBOARD)
    page.wait_for_selector("#card:not([hidden])")
    button = page.locator("#card .copy").first
    button.click()
    page.wait_for_selector("#notice:not([hidden])")
    assert notice(page).startswith("Copied ")
    assert page.evaluate("document.activeElement.className") == "copy"
    assert paste(page) == button.get_attribute("data-copy")


def test_where_nothing_copies_the_text_is_marked(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001", before=NO_COPY)
    page.wait_for_selector("#card:not([hidden])")
    page.locator("#card .copy").first.click()
    page.wait_for_selector("#notice-text:not([hidden])")
    assert "does not let a page copy" in notice(page)
    marked = page.evaluate(
        """() => { const box = document.activeElement;
        return box.value.slice(box.selectionStart, box.selectionEnd); }"""
    )
    assert marked == page.locator("#card .copy").first.get_attribute("data-copy")


# Measuring.


def test_distances_are_those_on_the_ellipsoid(visit: Callable[..., Any]) -> None:
    page = visit()
    geod = Geod(ellps="WGS84")
    cases = []
    for latitude in (0.0, 25.0, -40.9, 61.0, 71.2):
        for length_m in (2.0, 120.0, 1000.0):
            for azimuth in (0.0, 33.0, 90.0, 251.0):
                lon, lat, _ = geod.fwd(-118.9, latitude, azimuth, length_m)
                cases.append((length_m / 0.3048, [latitude, -118.9, lat, lon]))
    told = page.evaluate(
        """(cases) => cases.map(([a, b, c, d]) =>
        roofplatTools.distanceFeet({ lat: a, lng: b }, { lat: c, lng: d }, 1))""",
        [places for _, places in cases],
    )
    assert told == pytest.approx([length_ft for length_ft, _ in cases], rel=2e-6)


def total(page: Any) -> float:
    return numbers(r"Total ([\d.]+) ft", page.locator("#measure p[role=status]").inner_text())[0]


def ground_ft(one: tuple[float, float], other: tuple[float, float]) -> float:
    _, _, metres = Geod(ellps="WGS84").inv(*one, *other)
    return float(metres) / 0.3048 * GROUND.scale


def test_measuring_by_keyboard_is_true_to_the_ground(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    page.locator("#measure-open").focus()
    page.keyboard.press("Enter")
    assert GROUND.statement in page.locator("#measure").inner_text()
    places = [lonlat(0, 0), lonlat(700, 40), lonlat(700, 900)]
    for lon, lat in places:
        page.evaluate("([lat, lon]) => map_district.setView([lat, lon], 19, { animate: false })", [lat, lon])
        page.keyboard.press("Enter")
    page.keyboard.press("Enter")  # at the same place: not a part of no length
    wanted = [ground_ft(places[0], places[1]), ground_ft(places[1], places[2])]
    assert total(page) == pytest.approx(sum(wanted), rel=1e-3)
    for label, part in zip(page.locator(".measure-label").all_inner_texts(), wanted, strict=True):
        told_ft, told_m = numbers(r"^([\d.]+) ft \(([\d.]+) m\)$", label)
        assert told_ft == pytest.approx(part, rel=1e-3)
        assert told_m == pytest.approx(told_ft * 0.3048, abs=0.06)
    above = [
        int(page.evaluate("(name) => getComputedStyle(map_district.getPane(name)).zIndex", name))
        for name in ("measure-figures", "measure")
    ]
    assert above[0] > above[1]  # the line does not strike its figures out
    page.keyboard.press("Backspace")
    assert total(page) == pytest.approx(wanted[0], rel=1e-3)
    assert page.locator("#card").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("#measure").is_hidden()
    assert page.locator(".measure-label").count() == 0
    # The card was not what Escape closed, nor did any tap open another.
    assert page.locator("#card h2").inner_text() == "Cold store"
    assert active(page) == "measure-open"


def test_measuring_is_scaled_to_the_ground_of_the_district(visit: Callable[..., Any]) -> None:
    page = visit("odd/map.html")
    page.locator("#measure-open").click()
    places = [lonlat(0, 0), lonlat(700, 40)]
    for lon, lat in places:
        page.evaluate("([lat, lon]) => map_district.setView([lat, lon], 20, { animate: false })", [lat, lon])
        page.keyboard.press("Enter")
    wanted = ground_ft(*places) / GROUND.scale * HIGH.scale
    assert total(page) == pytest.approx(wanted, rel=1e-3)
    assert HIGH.scale > 1.005


@pytest.mark.parametrize("touch", [False, True])
def test_measuring_by_taps_opens_no_card(visit: Callable[..., Any], touch: bool) -> None:
    page = visit(has_touch=touch, viewport={"width": 768, "height": 1024})
    lon, lat = lonlat(80, 48)
    page.evaluate("([lat, lon]) => map_district.setView([lat, lon], 19, { animate: false })", [lat, lon])
    press = page.locator("#measure-open").tap if touch else page.locator("#measure-open").click
    press()
    middle = page.locator("#map_district").bounding_box()
    for east in (-150, 150):
        at = (middle["x"] + middle["width"] / 2 + east, middle["y"] + middle["height"] / 2)
        if touch:
            page.touchscreen.tap(*at)
        else:
            page.mouse.dblclick(*at)  # a nervous finger
        page.wait_for_timeout(350)
    px = page.evaluate(
        """() => { const size = map_district.getSize();
        const at = (x) => map_district.containerPointToLatLng([x, size.y / 2]);
        return [at(size.x / 2 - 150), at(size.x / 2 + 150)].map(({ lng, lat }) => [lng, lat]); }"""
    )
    assert total(page) == pytest.approx(ground_ft(*map(tuple, px)), rel=0.01)
    assert page.evaluate("map_district.getZoom()") == 19
    assert page.locator("#card").is_hidden()
    page.locator("#measure-clear").click()
    assert "Tap the first point" in page.locator("#measure p[role=status]").inner_text()
    page.locator("#measure-close").click()
    click_at(page, 80, 20)
    assert page.locator("#card h2").inner_text() == "Cold store"


# Where I am.


def here(x_ft: float, y_ft: float, accuracy: float = 10.0) -> dict[str, float]:
    lon, lat = lonlat(x_ft, y_ft)
    return {"longitude": lon, "latitude": lat, "accuracy": accuracy}


def place_says(page: Any, words: str) -> None:
    page.wait_for_function(
        "(words) => document.querySelector('#place p').textContent.includes(words)", arg=words, timeout=8000
    )


def test_the_place_is_asked_for_only_by_its_button(visit: Callable[..., Any]) -> None:
    count = """window.asked = 0; for (const name of ['watchPosition', 'getCurrentPosition']) {
      const real = Geolocation.prototype[name];
      Geolocation.prototype[name] = function (...all) { window.asked++; return real.apply(this, all); }; }"""
    page = visit(before=count, geolocation=here(80, -30), permissions=["geolocation"])
    page.wait_for_selector(READY)
    assert page.evaluate("window.asked") == 0
    page.locator("#place-open").click()
    place_says(page, "within 33 ft of the dot")
    assert page.evaluate("window.asked") == 1
    center = page.evaluate("[map_district.getCenter().lng, map_district.getCenter().lat]")
    assert ground_ft(tuple(center), lonlat(80, -30)) < 5
    circle = page.evaluate(
        "() => document.querySelector('.leaflet-overlay-pane path').getBoundingClientRect().width"
    )
    across = page.evaluate(
        """() => { const a = map_district.getCenter(), b = map_district.containerPointToLatLng(
        map_district.latLngToContainerPoint(a).add([100, 0]));
        return roofplatTools.distanceFeet(a, b, 1) / 100; }"""
    )
    assert circle * across == pytest.approx(2 * 10 / 0.3048, rel=0.1)
    page.locator("#place-close").click()
    assert page.locator("#place").is_hidden()
    assert page.locator(".leaflet-overlay-pane path").count() == 0
    assert page.locator("#place-open").get_attribute("aria-pressed") == "false"
    assert active(page) == "place-open"


def test_a_place_that_is_refused_or_missing_is_told_in_words(visit: Callable[..., Any]) -> None:
    page = visit()
    page.locator("#place-open").click()
    place_says(page, "allow location for it in the browser's settings")
    assert page.locator("#place-open").get_attribute("aria-pressed") == "false"
    none = visit(before="Object.defineProperty(navigator, 'geolocation', { value: undefined });")
    none.wait_for_selector(READY)
    none.locator("#place-open").click()
    place_says(none, "This browser cannot tell a page where it is.")


def test_a_place_grows_old_is_lost_and_may_be_off_the_map(visit: Callable[..., Any]) -> None:
    page = visit(geolocation=here(80, -30), permissions=["geolocation"])
    before = page.evaluate("map_district.getCenter().lat")
    page.clock.install()
    page.locator("#place-open").click()
    place_says(page, "You are within 33 ft")
    page.clock.fast_forward("03:00")
    place_says(page, "Outdated: you were here 3 min ago, within 33 ft.")
    away = visit(
        geolocation={"longitude": 2.0, "latitude": 2.0, "accuracy": 400.0}, permissions=["geolocation"]
    )
    away.locator("#place-open").click()
    place_says(away, "within 1320 ft of the dot, as far as the device knows. That is not on this map.")
    assert away.evaluate("map_district.getCenter().lat") == pytest.approx(before)
    lost = visit(permissions=["geolocation"])
    lost.context.set_geolocation(None)
    lost.locator("#place-open").click()
    place_says(lost, "The device cannot tell where it is now")


# Print.

INK_SPAN = """() => {
  const plan = document.querySelector('#print .plan'), canvas = document.createElement('canvas');
  const { width, height } = plan;
  canvas.width = width; canvas.height = height;
  const context = canvas.getContext('2d', { willReadFrequently: true });
  context.drawImage(plan, 0, 0);
  const ratio = width / 720;
  const isInk = (data, i) => data[i] < 60 && data[i + 1] < 60 && data[i + 2] < 60;
  const span = (y, from, to) => {
    const data = context.getImageData(0, Math.round(y), width, 1).data, found = [];
    for (let x = from; x < to; x++) if (isInk(data, 4 * x)) found.push(x);
    return [found[0], found.at(-1), found.length];
  };
  // The edge of the bar, above its middle; its words stand to the right of it.
  const edge = Math.round(height - 44 * ratio + 14 * ratio);
  const row = context.getImageData(0, edge, width, 1).data;
  let end = Math.round(10 * ratio);
  while (isInk(row, 4 * end)) end++;
  const drawing = height - 44 * ratio;
  return { bar: end - 2 * ratio,
    label: plan.getAttribute('aria-label'), wall: span(drawing * 0.7, 8, width - 8) };
}"""


def test_the_printed_plan_is_true_to_its_bar(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    seen = page.evaluate(INK_SPAN)
    (bar_ft,) = numbers(r"bar is (\d+) ft", seen["label"])
    first, last, _ = seen["wall"]
    drawn_ft = (last - first) / seen["bar"] * bar_ft
    assert drawn_ft == pytest.approx(ground_ft(lonlat(0, 30), lonlat(160, 30)), rel=0.02)
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#print").count() == 0


def test_openings_of_a_large_roof_are_printed_once_more_larger(visit: Callable[..., Any]) -> None:
    page = visit("odd/map.html", "#large")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("#print figure .plan").count() == 1
    inset = page.locator("#print .rest .plan")
    assert inset.count() == 1
    assert (
        inset.get_attribute("aria-label")
        == "Where to open, larger, true north up; its scale bar is 20 ft long"
    )
    yellow = """(node) => {
      const canvas = document.createElement('canvas');
      canvas.width = node.width; canvas.height = node.height;
      const context = canvas.getContext('2d', { willReadFrequently: true });
      context.drawImage(node, 0, 0);
      const { data } = context.getImageData(0, 0, node.width, node.height);
      let found = 0;
      for (let i = 0; i < data.length; i += 4) {
        if (data[i] > 220 && data[i + 1] > 200 && data[i + 2] < 110) found++;
      }
      return found;
    }"""
    assert inset.evaluate(yellow) > 10 * page.locator("#print figure .plan").evaluate(yellow)


@pytest.mark.parametrize(
    ("name", "one"),
    [("map.html", "1001"), ("mixed/map.html", "B1"), ("mixed/map.html", "U1"), ("odd/map.html", "long")],
)
def test_the_print_is_the_building_and_nothing_else(visit: Callable[..., Any], name: str, one: str) -> None:
    page = visit(name, f"#{one}")
    title = page.locator("#card h2").inner_text()
    pressed = page.evaluate(
        "(() => { let count = 0; window.print = () => { count++; window.pressed = count; }; })()"
    )
    assert pressed is None
    page.locator("#card-print").click()
    assert page.evaluate("window.pressed") == 1
    with pdfplumber.open(io.BytesIO(page.pdf(format="Letter", prefer_css_page_size=True))) as pdf:
        assert len(pdf.pages) <= (4 if one == "long" else 2)
        words = " ".join(" ".join(sheet.extract_text() for sheet in pdf.pages).split())
        front = " ".join(pdf.pages[0].extract_text().split())
    assert title[:40] in front
    assert f"{CAUTION} Standing plan, drawn before any fire" in front
    assert (HIGH if name.startswith("odd") else GROUND).statement in front
    assert "Invented. Printed 2" in front
    for text in ("Way up", "Facts", "Dashed: inferred or assumed."):
        assert text in words
    for furniture in ("Legend", "Copy", "Close", "Measure", "About"):
        assert furniture not in words
    if one == "1001":
        for text in ("What counts most", "Bearing wall", "Opening, fold-back", "Ladder spot"):
            assert text in words
        assert "Smoke vent" not in words
    # The page is as it was.
    assert page.locator("#print").count() == 0
    assert page.locator("#card").is_visible()


# Hostile text.


@pytest.mark.parametrize("kind", TEXTS)
def test_any_text_is_shown_as_text_in_the_card_and_in_print(visit: Callable[..., Any], kind: str) -> None:
    page = visit("odd/map.html", f"#{kind}")
    # Only what turns a line around is left out.
    text = re.sub("[\u202a-\u202e\u2066-\u2069]", "", " ".join(TEXTS[kind].split()))
    scripts = page.evaluate("document.scripts.length")
    whole = page.evaluate("document.getElementById('card-body').textContent.replace(/\\s+/g, ' ')")
    # Name, address, alert; reasons of ladders, openings and trench; zone, method, rejection; facts and
    # their source; rank, what is assumed in it, why to survey next, solar finding.
    assert whole.count(text) >= 16
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    printed = page.evaluate("document.getElementById('print').textContent.replace(/\\s+/g, ' ')")
    assert printed.count(text[:100]) >= 16
    assert len(printed) < 20_000
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    for level in (16, 17, 19, 21):
        page.evaluate("(level) => map_district.setZoom(level, { animate: false })", level)
        page.wait_for_timeout(100)
    page.fill("#search", TEXTS[kind][:12])
    page.wait_for_timeout(300)
    assert "found" in page.locator("#results-count").inner_text()
    link = page.locator("#card a")
    assert link.count() == (1 if kind == "markup" else 0)  # no way out of the folder of sheets
    if kind == "markup":
        assert link.get_attribute("href").startswith("sheets/%3Cimg%20src")
    page.locator("#filters-open").click()
    page.evaluate("for (const fold of document.querySelectorAll('#filters details')) fold.open = true")
    seen = " ".join(page.locator("#filters").inner_text().split())
    assert text[:20] in seen
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", page.evaluate("document.body.innerText"))
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.images.length") == 0
    assert page.evaluate("document.scripts.length") == scripts
    assert (
        page.evaluate("document.querySelectorAll('#card b, #card-body script, #card-body img').length") == 0
    )


def test_a_mark_in_a_text_turns_nothing_beside_it(visit: Callable[..., Any]) -> None:
    page = visit("odd/map.html", "#marks")
    places = page.evaluate(
        """() => Array.from(document.querySelectorAll('#card .sub bdi'), (node) => {
        const box = node.getBoundingClientRect();
        return [box.left, box.right, box.top, node.textContent]; })"""
    )
    # The address is the name here: the line is the id alone; the facts have text on both sides of it.
    assert [place[3] for place in places] == ["marks"]
    lines = page.evaluate(
        """() => Array.from(document.querySelectorAll('#card h4'), (node) => {
        const told = node.querySelector('bdi');
        if (!told) return null;
        const range = document.createRange(); range.selectNodeContents(node.firstChild);
        const word = range.getClientRects()[0], box = told.getClientRects()[0];
        return { word: word.left, mark: box.left, isolated: getComputedStyle(told).unicodeBidi,
          same: Math.abs(word.top - box.top) < 4 }; }).filter(Boolean)"""
    )
    assert lines
    for line in lines:
        assert line["isolated"] == "isolate", line
        assert line["same"], line
        assert line["word"] < line["mark"], line


def test_ten_kilobytes_fold(visit: Callable[..., Any]) -> None:
    page = visit("odd/map.html", "#long", viewport={"width": 390, "height": 844})
    height = page.evaluate("document.getElementById('card').scrollHeight")
    assert height < 12_000
    fold = page.locator("#card .alert summary").first
    assert fold.inner_text() == "All 10,350 characters"
    assert fold.bounding_box()["height"] >= 44
    fold.focus()
    page.keyboard.press("Enter")
    assert page.locator("#card .alert details").first.inner_text().count("Ten kilobytes of roof.") == 450
    # Unfolded it scrolls in a box of its own.
    assert page.evaluate("document.getElementById('card').scrollHeight") < height + 400
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
