"""The map in a real browser, from a file, with nothing else to talk to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from roofplat.publish import CAUTION

from .conftest import HOSTILE, READY, click_at, lonlat, settle

pytestmark = pytest.mark.browser

GREEN, BLUE, VERMILLION = [0, 158, 115], [0, 114, 178], [213, 94, 0]
COUNT_PIXELS = """([red, green, blue]) => {
  let found = 0;
  for (const canvas of document.querySelectorAll('.leaflet-tile-pane canvas')) {
    const copy = document.createElement('canvas');
    copy.width = canvas.width; copy.height = canvas.height;
    const context = copy.getContext('2d', { willReadFrequently: true });
    context.drawImage(canvas, 0, 0);
    const pixels = context.getImageData(0, 0, canvas.width, canvas.height).data;
    for (let i = 0; i < pixels.length; i += 4) {
      if (pixels[i] === red && pixels[i + 1] === green && pixels[i + 2] === blue) found++;
    }
  }
  return found;
}"""


def test_opens_from_a_file_and_shows_the_caution(visit: Callable[..., Any]) -> None:
    page = visit()
    assert page.title() == "Invented <b>"
    assert page.locator(".caution").inner_text() == CAUTION
    assert page.locator(".caution").is_visible()
    assert page.locator("#wind").inner_text().strip() == "Wind from 270° (assumed). North is up."
    assert page.locator("#fault").is_hidden()
    page.locator("#about-open").click()
    assert "Redistribution and use" in page.locator("#about pre").inner_text()


def test_search_finds_by_name_address_and_id(visit: Callable[..., Any]) -> None:
    page = visit()
    for typed, count in (("cold ST", 1), ("alder way", 2), ("1003", 1), ("no such thing", 0)):
        page.fill("#search", typed)
        assert page.locator("#results-list [role=option]").count() == count, typed
        assert page.locator("#results-count").inner_text() == f"{count} found"
    page.fill("#search", "joinery")
    page.keyboard.press("Enter")
    assert page.locator("#card h2").inner_text() == "Joinery"
    assert page.evaluate("location.hash") == "#1002"


def test_the_card_tells_what_is_known_and_how(visit: Callable[..., Any], tables: dict[str, Any]) -> None:
    page = visit(fragment="#1001")
    card = card_of(page)
    assert page.locator("#card h2").inner_text() == "Cold store"
    assert "1984" in card  # a year, not a number with a comma
    for text in (
        "Panelized, wood beams and purlins (surveyed)",
        "15,360 ft²",
        *tables["ladders"].loc[tables["ladders"]["building_id"] == "1001", "usng"],
        "Basis not known (no date) Storeys 1 Year built 1984 Occupancy S-1 (storage)",
        "stay on beams, purlins and walls",
        CAUTION,
    ):
        assert text in card
    for reason in tables["ranking"].set_index("building_id")["reasons"]["1001"].split("; "):
        assert reason[1:].replace("ft2", "ft²") in card
    other = card_of(visit(fragment="#1002"))
    assert "Nobody has surveyed this roof." in other
    assert "(inferred)" in other


def test_a_tap_opens_the_building_under_it_but_not_its_courtyard(visit: Callable[..., Any]) -> None:
    page = visit()
    click_at(page, 325, 72)  # in the courtyard of the joinery
    assert page.locator("#card").is_hidden()
    click_at(page, 350, 20)
    assert page.locator("#card h2").inner_text() == "Joinery"
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    click_at(page, 110, 275)  # the second part of the one in two parts
    assert page.locator("#card:not([hidden]) h2").inner_text() == "1003"
    page.locator("#card-close").click()
    click_at(page, 75, 275)  # between its parts
    assert page.locator("#card").is_hidden()


def test_hostile_text_is_shown_as_text(visit: Callable[..., Any]) -> None:
    page = visit()
    page.fill("#search", "onerror")
    page.locator("#results-list [role=option]").click()
    assert page.locator("#card h2").inner_text() == HOSTILE
    assert page.locator("#card .alert").inner_text() == HOSTILE
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.images.length") == 0
    # The address of the page holds the id; opening it again finds the same building.
    again = visit(fragment=page.evaluate("location.hash"))
    assert again.locator("#card h2").inner_text() == HOSTILE


def test_the_plan_shows_from_zoom_17_on(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")

    def zoom(level: int) -> dict[str, int]:
        page.evaluate("(level) => map_district.setZoom(level, { animate: false })", level)
        settle(page)
        colors = (("path", GREEN), ("beam", BLUE), ("checks and fire spot", VERMILLION))
        return {name: page.evaluate(COUNT_PIXELS, color) for name, color in colors}

    near = zoom(18)
    assert near["path"] > 100
    assert near["beam"] > 500
    assert near["checks and fire spot"] > 50
    legend = page.locator("#legend-items").inner_text()
    for label in (
        "Bearing wall",
        "Beam",
        "Purlin",
        "Opening, fold-back",
        "Trench, with construction",
        "Overhead line",
    ):
        assert label in legend
    # Nothing is in the legend that is not in the district.
    assert "Smoke vent" not in legend
    far = zoom(16)
    assert far["path"] == 0
    assert "Bearing wall" not in page.locator("#legend-items").inner_text()


# Draws one look as the legend does, and gives the picture, its ink and what covers its middle.
DRAW_LOOK = """([key, near]) => {
  const canvas = document.createElement('canvas');
  canvas.width = 40; canvas.height = 22;
  const context = canvas.getContext('2d', { willReadFrequently: true }), path = new Path2D();
  const box = { x: 6, y: 3, width: 28, height: 16 }, look = roofplatDraw.LOOKS[key];
  if (look.shape === 'area') path.rect(box.x, box.y, box.width, box.height);
  else { path.moveTo(2, 11); path.lineTo(38, 11); }
  roofplatDraw.drawLook(context, look, path, box, false, 1, near);
  const inside = context.getImageData(8, 5, 24, 12).data;
  let dark = 0;
  for (let i = 0; i < inside.length; i += 4) {
    if (inside[i + 3] > 200 && inside[i] + inside[i + 1] + inside[i + 2] < 300) dark++;
  }
  return { picture: canvas.toDataURL(), dark, middle: context.getImageData(20, 11, 1, 1).data[3] };
}"""


def test_no_two_things_look_alike(visit: Callable[..., Any]) -> None:
    page = visit()
    keys = page.evaluate("Object.keys(roofplatDraw.LOOKS)")
    looks = {key: page.evaluate(DRAW_LOOK, [key, True]) for key in keys}
    assert len({look["picture"] for look in looks.values()}) == len(keys)
    # What is opened first must not be taken for a load overhead, whatever the colours.
    assert looks["obstacles/suspended_load"]["dark"] > 150
    assert looks["openings/existing_opening"]["dark"] == 0
    # The two trenches differ without any colour.
    assert looks["trenches/with_construction"]["dark"] == 0
    assert looks["trenches/against_construction"]["dark"] > 30


def test_the_fire_spot_is_hollow_near_by(visit: Callable[..., Any]) -> None:
    page = visit()
    assert page.evaluate(DRAW_LOOK, ["fires/fire", True])["middle"] == 0
    assert page.evaluate(DRAW_LOOK, ["fires/fire", False])["middle"] > 0


MIXED = "mixed/map.html"


def look_at(page: Any, x_ft: float, y_ft: float, level: int) -> None:
    lon, lat = lonlat(x_ft, y_ft)
    page.evaluate("([at, level]) => map_district.setView(at, level, { animate: false })", [[lat, lon], level])
    settle(page)


def card_of(page: Any) -> str:
    page.evaluate("for (const fold of document.querySelectorAll('#card details')) fold.open = true")
    # What the eye sees in two columns reads as lines.
    return " ".join(page.locator("#card-body").inner_text().split())


def test_the_card_explains_the_method_and_the_slope(visit: Callable[..., Any]) -> None:
    card = card_of(visit(MIXED, fragment="#H1"))
    for text in (
        "Form hipped (recorded)",
        "Slope 30° (assumed)",
        "Rise 6.9 ft from eave to top",
        "Planes 4",
        "Area 960 ft² on the ground, 1,109 ft² along the slope",
        "1 ridge (recorded); 4 hips (recorded); 7 rafters, 2 ft apart (assumed)",
        "Opening existing opening What is there already is used first; then near the ridge.",
        "Methods rejected, and the rule",
        "Existing opening: no skylight is near (opening.existing_reach_ft).",
        "Fold-back: not so (a.b).",
        "1. Existing opening, size not known, 9 ft²: open first, fall hazard",
        "2. Near the ridge, size not known, 9 ft²",
        "Check the deck and the slope before stepping on.",
    ):
        assert text in card
    assert "The base stands in the collapse zone" not in card


def test_the_card_of_a_roof_that_pushes_walls_out(visit: Callable[..., Any]) -> None:
    card = card_of(visit(MIXED, fragment="#B1"))
    for text in (
        "Collapse zone 40 ft from the walls. As far as B1 falls.",
        "collapse may throw walls outward",
        "DO NOT CUT THIS ROOF. Long-span truss. Stay off.",
        "4 trusses, 20 ft apart (surveyed)",
        "1. Side A, aerial, 60 ft from the street to the tip, edge and parapet at 20 ft (recorded)",
        "2. Side C, 28 ft ground ladder, base 5.0 ft out",
    ):
        assert text in card
    assert card.count("The base stands in the collapse zone.") == 1


def test_the_card_of_a_roof_nobody_knows(visit: Callable[..., Any]) -> None:
    card = card_of(visit(MIXED, fragment="#U1"))
    assert "Find out first: no cut is planned" in card
    assert "Opening no cut drawn Nobody has looked at this roof; find out first." in card
    assert "Where to open No cut is planned. Nobody has looked at this roof; find out first." in card
    assert "Members none drawn" in card
    assert "Solar access" not in card


def test_the_card_tells_what_defeats_a_ladder_and_what_the_audit_found(visit: Callable[..., Any]) -> None:
    card = card_of(visit(MIXED, fragment="#S1"))
    assert (
        "1. Side A, out of reach, edge and parapet at 44.5 ft (recorded), the best there is reaches 40.6 ft"
        in card
    )
    # Of the three checks one is met; what is not met comes first.
    solar = card[card.index("Solar access") : card.index("Read this")]
    assert solar.split("Solar access 1 of 3 checks met. ")[1].strip() == (
        "Not met, array 1 The array lies 5.00 ft from the roof edge. "
        "Cannot be told, array 1 =Nobody can tell the way between the arrays."
    )


def test_the_legend_names_roof_lines_zones_and_ground(visit: Callable[..., Any]) -> None:
    page = visit(MIXED)
    look_at(page, 20, 12, 18)
    legend = page.locator("#legend-items").inner_text().splitlines()
    for label in (
        "Collapse zone, roof that pushes walls out",
        "Ground no ladder stands on",
        "Line no ladder stands on",
        "Truss, wide apart",
        "Ridge",
        "Hip",
        "Parapet, with its height",
        "Solar array, an access rule is not met",
        "There already: open first, fall hazard; with its order",
        "Opening near the ridge, with its order",
        "Aerial from the street, with the rank of its spot",
        "Spot out of reach, with its rank",
    ):
        assert label in legend
    assert "Valley" not in legend
    # What waits until it can be told apart is in the legend no sooner.
    near = ("Down the slope", "Rafter, joist or truss under the deck (near by)")
    assert not set(near) & set(legend)
    look_at(page, 20, 6, 21)
    legend = page.locator("#legend-items").inner_text().splitlines()
    assert set(near) <= set(legend)


def test_the_zone_of_the_open_building_is_drawn_and_every_zone_on_demand(visit: Callable[..., Any]) -> None:
    page = visit(MIXED)
    look_at(page, 20, 12, 19)
    before = page.evaluate(COUNT_PIXELS, VERMILLION)
    click_at(page, 20, 5)
    page.wait_for_selector("#card:not([hidden])")
    opened = page.evaluate(COUNT_PIXELS, VERMILLION)
    assert opened > before + 300
    page.keyboard.press("Escape")
    assert page.evaluate(COUNT_PIXELS, VERMILLION) == before
    button = page.locator("#zones")
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-pressed") == "true"
    assert page.evaluate(COUNT_PIXELS, VERMILLION) > before + 300
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-pressed") == "false"
    assert page.evaluate(COUNT_PIXELS, VERMILLION) == before
    # The zone of the hall is drawn without being asked for.
    look_at(page, 250, 30, 18)
    assert page.evaluate(COUNT_PIXELS, VERMILLION) > 300


def test_badges_wait_until_a_building_has_room_for_them(visit: Callable[..., Any]) -> None:
    page = visit(MIXED)

    def dark(level: int) -> int:
        look_at(page, 20, 12, level)
        return int(page.evaluate(COUNT_PIXELS, [20, 24, 28]))

    # The house is 15 by 24 pixels at level 18; a badge is 22 wide, and black.
    assert dark(18) < dark(20) - 300
    look_at(page, 20, 12, 18)
    before = page.evaluate(COUNT_PIXELS, [20, 24, 28])
    click_at(page, 20, 14)
    assert page.locator("#card h2").inner_text() == "H1 house"
    look_at(page, 20, 12, 18)
    assert page.evaluate(COUNT_PIXELS, [20, 24, 28]) > before + 200


def test_a_district_without_zones_offers_none(visit: Callable[..., Any]) -> None:
    assert visit().locator("#zones").is_hidden()


# How many pixels of the house are more blue than its fill.
COUNT_BLUE = """([west, north, east, south]) => {
  let found = 0;
  const corner = map_district.getContainer().getBoundingClientRect();
  const from = map_district.latLngToContainerPoint([north, west]);
  const to = map_district.latLngToContainerPoint([south, east]);
  for (const canvas of document.querySelectorAll('.leaflet-tile-pane canvas')) {
    const box = canvas.getBoundingClientRect(), copy = document.createElement('canvas');
    copy.width = canvas.width; copy.height = canvas.height;
    const context = copy.getContext('2d', { willReadFrequently: true });
    context.drawImage(canvas, 0, 0);
    const pixels = context.getImageData(0, 0, canvas.width, canvas.height).data;
    const ratio = canvas.width / box.width, left = box.left - corner.left, top = box.top - corner.top;
    for (let i = 0; i < pixels.length; i += 4) {
      const x = left + ((i / 4) % canvas.width) / ratio, y = top + Math.floor(i / 4 / canvas.width) / ratio;
      const inside = x > from.x && x < to.x && y > from.y && y < to.y;
      if (inside && pixels[i] < 150 && pixels[i + 2] > 170) found++;
    }
  }
  return found;
}"""


def test_rafters_wait_until_they_can_be_told_apart_or_their_building_is_open(
    visit: Callable[..., Any],
) -> None:
    page = visit(MIXED)
    (west, south), (east, north) = lonlat(13, 1), lonlat(27, 7)

    def blue(level: int) -> int:
        look_at(page, 20, 12, level)
        return int(page.evaluate(COUNT_BLUE, [west, north, east, south]))

    # 2 ft are some 5 pixels at level 20, some 10 at level 21.
    assert blue(20) < 20
    assert blue(21) > 100
    look_at(page, 20, 12, 20)
    click_at(page, 38, 20)
    assert page.locator("#card h2").inner_text() == "H1 house"
    look_at(page, 20, 12, 20)
    assert page.evaluate(COUNT_BLUE, [west, north, east, south]) > 30


def test_the_switch_colours_by_rank(visit: Callable[..., Any]) -> None:
    page = visit()
    page.evaluate("map_district.setZoom(16, { animate: false })")
    page.locator("#by-rank").click()
    page.wait_for_timeout(300)
    assert page.locator("#by-rank").get_attribute("aria-pressed") == "true"
    assert page.locator("#by-family").get_attribute("aria-pressed") == "false"
    first_fifth, lightweight = [102, 37, 6], [230, 159, 0]
    assert page.evaluate(COUNT_PIXELS, first_fifth) > 100
    assert page.evaluate(COUNT_PIXELS, lightweight) == 0
    assert "Rank 1" in page.locator("#legend-items").inner_text()


def test_keys_reach_everything(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1002")
    page.keyboard.press("Escape")
    lon, lat = lonlat(40, 20)
    page.evaluate("([lat, lon]) => map_district.setView([lat, lon], 18, { animate: false })", [lat, lon])
    assert page.evaluate("document.activeElement === map_district.getContainer()")
    page.keyboard.press("Enter")
    assert page.locator("#card h2").inner_text() == "Cold store"
    for button in page.locator(
        "button:visible, summary:visible, input:visible, .leaflet-control-zoom a"
    ).all():
        box = button.bounding_box()
        assert box["height"] >= 44, button.evaluate("node => node.outerHTML")
        assert box["width"] >= 44
        name = button.evaluate(
            "node => node.textContent || node.getAttribute('aria-label') || node.labels?.length"
        )
        assert name


def test_a_small_screen_keeps_the_caution(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001", viewport={"width": 390, "height": 780})
    caution = page.locator(".caution")
    box = caution.bounding_box()
    assert box["y"] + box["height"] <= 780
    card = page.locator("#card").bounding_box()
    assert card["y"] + card["height"] <= box["y"] + 1
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_an_area_map_holds_its_own_buildings(visit: Callable[..., Any]) -> None:
    page = visit("areas/north-side.html")
    page.fill("#search", "1")
    assert page.locator("#results-list [role=option]").count() == 2
    empty = visit("areas/north-side-2.html")
    assert "no buildings" in empty.locator("#fault").inner_text()


def test_an_old_browser_is_told(visit: Callable[..., Any]) -> None:
    page = visit(before="delete window.DecompressionStream;")
    assert "too old" in page.locator("#fault").inner_text()


def test_the_policy_stops_other_scripts_and_every_request(browser: Any, maps: dict[str, Path]) -> None:
    page = browser.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.goto(maps["map.html"].as_uri())
    page.wait_for_selector(READY)
    page.evaluate(
        """() => { const script = document.createElement('script'); script.textContent = 'window.hacked = 1';
        document.body.append(script); }"""
    )
    assert page.evaluate("window.hacked") is None
    answer = page.evaluate("() => fetch('http://127.0.0.1:9/').then(() => 'sent', () => 'refused')")
    assert answer == "refused"
    assert any("Content Security Policy" in text and "connect" in text.lower() for text in said)
    page.close()


def test_a_link_to_a_scenario_opens_the_building_where_nobody_can_be_asked(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001?what-if&wind=45")
    page.wait_for_selector("#card:not([hidden])")
    assert page.locator("#card h2").inner_text() == "Cold store"
    # The map from a file offers nothing that needs a server.
    assert page.locator("#card-whatif").count() == 0
    assert page.locator("#live-parts").count() == 0
