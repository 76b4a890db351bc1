"""Finding and filtering on the map, by typing, by keys, by touch; a legend that tells what is there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from .conftest import HOSTILE, READY, click_at, lonlat, settle

pytestmark = pytest.mark.browser

MIXED = "mixed/map.html"
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True}
OPTIONS = "#results-list [role=option]"
# A layer of buildings made of rows of name, address and id.
INDEX = """const index = (rows) => new roofplatFind.Index({ size: rows.length,
  get: (column, row) => rows[row][['name', 'address', 'building_id'].indexOf(column)] });"""


def names(page: Any) -> list[str]:
    return list(page.locator(f"{OPTIONS} .name").all_inner_texts())


def focused(page: Any) -> str:
    return str(page.evaluate("document.activeElement.id || document.activeElement.tagName"))


def tick(page: Any, group: str, option: str) -> None:
    details = page.locator("#filters-groups details", has=page.locator(".what", has_text=group)).first
    if details.get_attribute("open") is None:
        details.locator("summary").click()
    details.locator(".check").filter(has_text=option).first.click()


# Pixels of one colour on the map, or within two of a place; read from a copy.
COUNT = """([color, place]) => {
  const copy = document.createElement('canvas');
  const context = copy.getContext('2d', { willReadFrequently: true });
  const corner = map_district.getContainer().getBoundingClientRect();
  let found = 0;
  for (const canvas of document.querySelectorAll('.leaflet-tile-pane canvas')) {
    const box = canvas.getBoundingClientRect(), ratio = canvas.width / box.width;
    copy.width = place ? 4 : canvas.width; copy.height = place ? 4 : canvas.height;
    const at = place ? map_district.latLngToContainerPoint(place) : { x: 0, y: 0 };
    const x = place ? (at.x + corner.left - box.left) * ratio - 2 : 0;
    const y = place ? (at.y + corner.top - box.top) * ratio - 2 : 0;
    context.drawImage(canvas, -x, -y);
    const { data } = context.getImageData(0, 0, copy.width, copy.height);
    for (let i = 0; i < data.length; i += 4) {
      if (color.every((part, at) => data[i + at] === part) && data[i + 3] === 255) found++;
    }
  }
  return found; }"""
GREEN, ORANGE, WHITE = [0, 158, 115], [230, 159, 0], [255, 255, 255]


def count_at(page: Any, color: list[int], x_ft: float, y_ft: float) -> int:
    lon, lat = lonlat(x_ft, y_ft)
    return int(page.evaluate(COUNT, [color, [lat, lon]]))


def zoom(page: Any, level: int) -> None:
    page.evaluate("(level) => map_district.setZoom(level, { animate: false })", level)
    settle(page)


def test_the_best_is_first_and_ties_go_by_name_and_number(visit: Callable[..., Any]) -> None:
    page = visit()
    rows = [
        [None, "12 Mill Road", "B-9"],
        [None, "112 Mill Road", "B-10"],
        [None, "2 Mill Road", "B-11"],
        ["Mill house", "1 Ash Way", "B-12"],
        ["Sawmill", "3 Ash Way", "B-13"],
        ["Depot", "9 Old Mill Road", "mill"],
    ]
    found = page.evaluate(
        f"""([rows, typed]) => {{ {INDEX} const held = index(rows);
        return typed.map((text) => held.search(text).rows.map((row) => rows[row][2])); }}""",
        [rows, ["mill", "12 mill", "road 12", "b-1", "b11", "nothing here", " !?, "]],
    )
    # The id; a field that begins so; a word that begins so, 2 before 12 before 112; a word that holds it.
    assert found[0] == ["mill", "B-12", "B-11", "B-9", "B-10", "B-13"]
    # A field that begins with what is typed goes before one that holds it; no order among words.
    # A field that begins with what is typed; words that begin so, in any order; words that hold it.
    assert found[1] == ["B-9", "B-12", "B-10"]
    assert found[2] == ["B-9", "B-10"]
    assert found[3] == ["B-11", "B-10", "B-12", "B-13", "B-9"]
    # An id without its dash.
    assert found[4] == ["B-11"]
    assert found[5:] == [[], []]


def test_accents_and_cases_do_not_matter(visit: Callable[..., Any]) -> None:
    folded = visit().evaluate(
        "(texts) => texts.map(roofplatFind.fold)",
        [
            "Café  ZOË",
            "O'Hara\u2019s",
            "Strauß",
            "ŁÓDŹ",
            "MB-0134",
            "\u202etxet\u202c",
            "İzmir",
            "10\u00a0½",
            "🔥 kiln",
        ],
    )
    assert folded == [
        "cafe zoe",
        "oharas",
        "strauss",
        "lodz",
        "mb 0134",
        "txet",
        "izmir",
        "10 1 2",
        "🔥 kiln",
    ]


def test_a_hundred_thousand_buildings_are_found_at_once(visit: Callable[..., Any]) -> None:
    took = visit().evaluate(
        f"""() => {{ {INDEX}
        const words = ['Alder', 'Birch', 'Cedar', 'Dogwood', 'Elder', 'Fir'], rows = [];
        for (let row = 0; row < 100000; row++) {{
          const address = `${{row % 997}} ${{words[row % 6]}} Way`;
          rows.push([row % 7 ? null : `Shop ${{row}}`, address, `B-${{row}}`]);
        }}
        const held = index(rows), took = [];
        let start = performance.now();
        held.advance(Infinity);
        const prepared = performance.now() - start;
        for (const typed of ['a', 'al', 'ald', 'alder way', 'way 12', 'b-99999', 'nobody']) {{
          start = performance.now();
          held.search(typed);
          took.push(performance.now() - start);
        }}
        const exact = held.search('b-99999').rows[0], {{ count }} = held.search('way');
        return {{ took, prepared, exact, count }}; }}"""
    )
    assert took["exact"] == 99_999
    assert took["count"] == 100_000
    assert sorted(took["took"])[3] < 100, took
    assert max(took["took"]) < 400, took
    assert took["prepared"] < 5000, took


def test_the_list_is_used_by_keys_and_is_told(visit: Callable[..., Any]) -> None:
    page = visit()
    search = page.locator("#search")
    search.focus()
    assert search.get_attribute("aria-expanded") == "false"
    page.keyboard.type("alder")
    assert search.get_attribute("aria-expanded") == "true"
    assert page.locator("#results-said").inner_text() == "2 found"
    assert names(page) == ["Cold store", "Joinery"]
    page.keyboard.press("ArrowDown")
    assert search.get_attribute("aria-activedescendant") == "found-1"
    page.keyboard.press("ArrowUp")
    assert search.get_attribute("aria-activedescendant") == "found-2"
    assert [one.get_attribute("aria-selected") for one in page.locator(OPTIONS).all()] == ["false", "true"]
    page.keyboard.press("Enter")
    assert page.locator("#card h2").inner_text() == "Joinery"
    assert page.locator("#results").is_hidden()
    # Back where the search was; the marks are there until it is emptied.
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    assert focused(page) == "search"
    assert page.locator(".found").count() == 2
    page.keyboard.press("ArrowDown")
    assert page.locator("#results").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("#results").is_hidden()
    assert search.input_value() == "alder"
    page.keyboard.press("Escape")
    assert search.input_value() == ""
    assert page.locator(".found").count() == 0
    assert focused(page) == "search"


def test_what_was_found_is_marked_and_a_mark_opens_it(visit: Callable[..., Any]) -> None:
    page = visit(**PHONE)
    page.locator("#search").tap()
    page.keyboard.type("alder way")
    page.locator("#results-fit").tap()
    page.wait_for_timeout(300)
    assert page.locator("#results").is_hidden()
    marks = page.locator(".found")
    assert [mark.inner_text().strip() for mark in marks.all()] == ["1", "2"]
    stage = page.locator(".stage").bounding_box()
    for mark in marks.all():
        box = mark.bounding_box()
        assert min(box["width"], box["height"]) >= 44
        assert stage["y"] <= box["y"]
        assert box["y"] + box["height"] <= stage["y"] + stage["height"]
    assert "Found, with its number in the list" in page.locator("#legend-items").text_content()
    # The mark stands with its point in the middle of the building.
    lon, lat = lonlat(380, 48)
    place = page.evaluate(
        """(place) => { const at = map_district.latLngToContainerPoint(place);
        const box = map_district.getContainer().getBoundingClientRect();
        return [at.x + box.left, at.y + box.top]; }""",
        [lat, lon],
    )
    box = marks.nth(1).bounding_box()
    assert abs(box["x"] + box["width"] / 2 - place[0]) < 2
    assert abs(box["y"] + box["height"] - place[1]) < 2
    marks.nth(1).tap()
    assert page.locator("#card h2").inner_text() == "Joinery"
    page.locator("#card-close").tap()
    page.locator("#search").tap()
    page.locator("#search-clear").tap()
    assert page.locator(".found").count() == 0


def test_any_text_is_listed_as_text(visit: Callable[..., Any]) -> None:
    page = visit()
    page.fill("#search", "window hacked img")
    # A list has room for the beginning of it; the card has all.
    beginning = HOSTILE[:89] + "…"
    assert names(page) == [beginning]
    page.locator("#filters-open").click()
    page.locator("#filters-list").click()
    assert beginning in page.locator("#filters-found .name").all_inner_texts()
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.images.length") == 0
    page.fill("#search", "<b>")
    page.fill("#search", "x" * 200)
    assert page.locator("#results-count").inner_text() == "0 found"


def test_a_filter_draws_the_others_pale_and_says_what_is_left(visit: Callable[..., Any]) -> None:
    page = visit(viewport={"width": 1600, "height": 900})
    zoom(page, 16)
    assert count_at(page, ORANGE, 80, 80) > 8
    page.locator("#filters-open").click()
    assert focused(page) == "filters-title"
    assert page.locator("#filters-words").inner_text() == "All 4 buildings"
    tick(page, "Roof survey", "Nobody has looked")
    tick(page, "Dispatch area", "North Side")
    told = "1 of 4 buildings: North Side, nobody has looked"
    assert page.locator("#filtered-words").inner_text() == told
    assert page.locator("#filters-said").inner_text() == told
    page.wait_for_timeout(300)
    # The surveyed one keeps its place on the ground, without its colour; the one that is left keeps its own.
    assert count_at(page, WHITE, 80, 80) > 8
    assert count_at(page, ORANGE, 440, 84) > 8
    assert "Left out by the filter" in page.locator("#legend-items").inner_text()
    # What an option would leave, the other questions being as they are.
    counts = page.locator("#filters-groups details").nth(1).locator(".check").all_inner_texts()
    assert sorted(" ".join(text.split()) for text in counts) == ["../../x 1", "No area 1", "North Side 1"]
    # A card comes and goes: the filter stays, and so does the panel.
    page.locator("#filters-list").click()
    page.locator("#filters-found button").first.click()
    page.wait_for_selector("#card:not([hidden])")
    assert page.locator("#card h2").inner_text() == "Joinery"
    assert page.locator("#filters").is_hidden()
    assert page.locator("#filtered-words").inner_text() == told
    page.keyboard.press("Escape")
    assert page.locator("#filters-found button").first.is_visible()
    assert page.evaluate("document.activeElement.textContent").startswith("Rank")
    page.keyboard.press("Escape")
    assert page.locator("#filters").is_hidden()
    assert focused(page) == "filters-open"
    page.locator("#filtered-clear").click()
    assert page.locator("#filtered").is_hidden()
    assert focused(page) == "filters-open"
    zoom(page, 16)
    assert count_at(page, ORANGE, 80, 80) > 8
    assert "Left out by the filter" not in page.locator("#legend-items").inner_text()


def test_a_pale_plan_under_a_filter_and_a_whole_one_in_the_open_building(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    page.keyboard.press("Escape")
    lon, lat = lonlat(80, 48)
    page.evaluate("([lat, lon]) => map_district.setView([lat, lon], 18, { animate: false })", [lat, lon])
    settle(page)
    before = page.evaluate(COUNT, [GREEN, None])
    page.locator("#filters-open").click()
    tick(page, "Lightweight or not", "Unknown")
    page.wait_for_timeout(100)
    settle(page)
    assert page.evaluate(COUNT, [GREEN, None]) < before / 4
    page.locator("#filters-close").click()
    click_at(page, 40, 20)
    settle(page)
    assert page.locator("#card h2").inner_text() == "Cold store"
    assert page.evaluate(COUNT, [GREEN, None]) > before / 3


def test_every_question_divides_all_buildings(visit: Callable[..., Any]) -> None:
    page = visit(MIXED)
    page.locator("#filters-open").click()
    titles = page.locator("#filters-groups .what").all_inner_texts()
    assert titles == [
        "Roof survey",
        "Dispatch area",
        "Lightweight or not",
        "Roof family",
        "Rank",
        "Survey next",
        "Inspection class",
        "Inspection due",
    ]
    for group in page.locator("#filters-groups details").all():
        counts = [int(text) for text in group.locator(".count").all_text_contents()]
        assert sum(counts) == 4
    tick(page, "Inspection due", "No class, so no date")
    assert page.locator("#filtered-words").inner_text() == "4 of 4 buildings: no inspection date"
    tick(page, "Inspection due", "No class, so no date")
    tick(page, "Survey next", "Place 1 to 25")
    assert page.locator("#filtered-words").inner_text() == "3 of 4 buildings: survey next 1 to 25"
    tick(page, "Survey next", "Place 1 to 25")
    tick(page, "Dispatch area", "East")
    tick(page, "Dispatch area", "West")
    assert page.locator("#filtered-words").inner_text() == "4 of 4 buildings: East or West"
    tick(page, "Rank", "first fifth")
    assert (
        page.locator("#filtered-words").inner_text() == "1 of 4 buildings: East or West, first fifth by rank"
    )
    tick(page, "Rank", "first fifth")
    tick(page, "Roof family", "Bowstring")
    tick(page, "Lightweight or not", "Unknown")
    assert page.locator("#filtered-words").inner_text().startswith("0 of 4 buildings: East or West, ")
    page.locator("#filters-list").click()
    assert page.locator("#filters-found li").count() == 0
    page.locator("#filters-clear").click()
    assert page.locator(".check input:checked").count() == 0
    assert page.locator("#filters-words").inner_text() == "All 4 buildings"


def test_the_list_goes_by_rank_and_is_reached_by_keys(visit: Callable[..., Any]) -> None:
    page = visit(MIXED)
    page.locator("#filters-open").focus()
    page.keyboard.press("Enter")
    for _ in range(3):
        page.keyboard.press("Tab")
    assert focused(page) == "filters-list"
    page.keyboard.press("Enter")
    ranks = [int(text.split()[1]) for text in page.locator("#filters-found .rank").all_inner_texts()]
    assert ranks == [1, 2, 3, 4]
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    second = page.locator("#filters-found .name").nth(1).text_content()
    assert page.locator("#card h2").inner_text() == second
    page.keyboard.press("Escape")
    assert page.evaluate("document.activeElement.querySelector('.name').textContent") == second


def test_ranks_and_fifths_are_counted_alike(visit: Callable[..., Any]) -> None:
    page = visit()
    order = page.evaluate(
        """() => { const held = { rank: [3, null, 1, 2, null], name: ['c', 'z', 'a', 'b', 'y'] };
        return Array.from(roofplatFilter.orderByRank({ size: 5,
          get: (column, row) => (held[column] ? held[column][row] : null) })); }"""
    )
    assert order == [2, 3, 0, 4, 1]  # what has no rank comes last, by name
    fifths = page.evaluate(
        """() => { const seen = [];
        for (let rank = 1; rank <= 12; rank++) seen.push(roofplatFilter.fifthOf(rank, 12));
        return [seen, [0, 1, 2, 3, 4].map((fifth) => roofplatFilter.ranksOf(fifth, 12))]; }"""
    )
    # The words of the legend and the colours of the map speak of the same ranks.
    for fifth, (first, last) in enumerate(fifths[1]):
        assert [rank + 1 for rank, place in enumerate(fifths[0]) if place == fifth] == list(
            range(first, last + 1)
        )


def test_the_legend_knows_shapes_from_boxes(visit: Callable[..., Any]) -> None:
    page = visit()
    asked = """([west, south, east, north]) => {
      const layer = window.held, at = (lat, lon) => L.CRS.EPSG3857.latLngToPoint(L.latLng(lat, lon), 0);
      const a = at(north, west), b = at(south, east), box = [a.x, a.y, b.x, b.y];
      return layer.find(...box).filter((row) => roofplatLegend.meets(layer, row, box))
        .map((row) => layer.get('building_id', row)); }"""
    page.evaluate(
        "roofplatData.District.read().then((district) => { window.held = district.layers.buildings; })"
    )
    page.wait_for_function("window.held")

    def seen(x1: float, y1: float, x2: float, y2: float) -> list[str]:
        (west, south), (east, north) = lonlat(x1, y1), lonlat(x2, y2)
        return list(page.evaluate(asked, [west, south, east, north]))

    assert seen(315, 65, 335, 80) == []  # in the courtyard
    assert seen(320, 20, 340, 40) == ["1002"]  # on the roof, no edge in sight
    assert seen(315, 50, 335, 80) == ["1002"]  # over the edge of the courtyard
    assert seen(65, 260, 85, 290) == []  # between the parts of one building
    assert seen(-500, -500, 900, 900) != []


def test_a_touch_on_a_phone_reaches_all_of_it(visit: Callable[..., Any]) -> None:
    page = visit(**PHONE)
    assert page.locator("#legend").get_attribute("open") is None
    page.locator("#legend summary").tap()
    assert page.locator("#zones").is_hidden()
    assert "Lightweight family" in page.locator("#legend-items").inner_text()
    page.locator("#legend summary").tap()
    page.locator("#filters-open").tap()
    page.locator(".check").first.tap()
    page.locator("#filters-close").tap()
    assert page.locator("#filtered-words").inner_text() == "3 of 4 buildings: nobody has looked"
    page.locator("#filtered-list").tap()
    page.locator("#filters-found button").first.tap()
    page.wait_for_selector("#card:not([hidden])")
    page.locator("#card-close").tap()
    page.locator("#filters-clear").tap()
    assert page.locator("#filtered").is_hidden()
    page.locator("#filters-close").tap()
    page.locator("#by-rank").tap()
    assert page.locator("#by-rank").get_attribute("aria-pressed") == "true"


@pytest.mark.parametrize("offline", [False, True])
def test_a_session_with_everything_asks_for_nothing(visit: Callable[..., Any], offline: bool) -> None:
    # `visit` fails on any request but the file's own, and on any complaint.
    page = visit(offline=offline)
    for typed in ("a", "alder", "1003", "zzz"):
        page.fill("#search", typed)
    page.fill("#search", "cold")
    page.keyboard.press("Enter")
    page.locator("#card summary:visible").first.click()
    page.keyboard.press("Escape")
    page.locator("#filters-open").click()
    for box in page.locator("#filters-groups summary").all()[1:]:
        box.click()
    for box in page.locator(".check:visible").all():
        box.click()
    page.locator("#filters-list").click()
    page.locator("#filters-clear").click()
    page.locator("#filters-close").click()
    page.locator("#by-rank").click()
    page.locator("#about-open").click()
    page.keyboard.press("Escape")
    for level in range(12, 22):
        page.evaluate("(level) => map_district.setZoom(level, { animate: false })", level)
        page.wait_for_timeout(60)
    page.locator(".leaflet-control-zoom-out").click()
    for button in page.locator("#tools button").all():
        button.click()
        page.keyboard.press("Escape")
    page.locator("#by-family").click()
    page.evaluate("location.hash = '#1002'")
    page.wait_for_selector("#card:not([hidden])")
    page.reload()
    page.wait_for_selector(READY)
    assert page.locator("#card h2").inner_text() == "Joinery"
    assert page.evaluate("performance.getEntriesByType('resource').length") == 0
