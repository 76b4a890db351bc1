"""The live page in a real browser, with a real server behind it: what if, two scenarios, print, trouble."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pdfplumber
import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from pyproj import Geod
from shapely.geometry import box, shape
from tests.serve.conftest import DEMO, ROOFPLAT, Server, running

from roofplat.rules import load_rulebook
from roofplat.tables import CAUTION
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

pytestmark = pytest.mark.browser

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK, TABLET, PHONE, SIDE = (1280, 800), (768, 1024), (390, 844), (844, 390)
# A large panelized roof of two sections, with skylights, and a trench.
HALL = "MB-0001"
FOOT = 0.3048
WGS84 = Geod(ellps="WGS84")
HOSTILE = (
    '</script><img src=x onerror="window.hacked=1"><script>window.hacked=1</script>${window.hacked=1}\'"'
)
MARK = "What if, not surveyed: fire spot and wind as tapped."

# What the map draws of a building now: where ladders stand, the outlines of openings and trenches, the fire.
DRAWN = """([id, name]) => {
  let district = null;
  map_district.eachLayer((layer) => { if (layer.district) district = layer.district; });
  const { buildings } = district.layers;
  let row = 0;
  while (buildings.get('building_id', row) !== id) row++;
  const layer = district.plans[district.blockOf(row)].layers[name];
  layer.unfold();
  return layer.rowsOf(row).map((one) => {
    const first = layer.firstVertex[layer.firstCurve[one]], places = [];
    const end = layer.firstVertex[layer.firstCurve[one + 1]];
    for (let i = first; i < end; i++) {
      const { lng, lat } = L.CRS.EPSG3857.pointToLatLng(L.point(layer.x[i], layer.y[i]), 0);
      places.push([lng, lat]);
    }
    return places;
  });
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs a chromium for the browser tests.")
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=FLAGS)
        yield started
        started.close()


@pytest.fixture
def visit(browser: Any, demo_server: Server) -> Iterator[Callable[..., Any]]:
    """Open the live page; at the end it may have asked its own server alone, and complained of nothing."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []
    forgiven: list[str] = []

    def open_page(
        fragment: str = "", *, url: str | None = None, forgive: str | None = None, **options: Any
    ) -> Any:
        context = browser.new_context(**{"viewport": size(DESK), "accept_downloads": True, **options})
        contexts.append(context)
        page = context.new_page()
        base = url or demo_server.url
        if forgive:
            forgiven.append(forgive)
        page.on("request", lambda request: asked.append(request.url.removeprefix(base)))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(f"{base}/{fragment}")
        page.wait_for_selector("body[data-ready=yes]")
        return page

    yield open_page
    for context in contexts:
        context.close()
    own = re.compile(r"/(|health|processes/(plan-roof|roof-sheet)/execution)(#.*)?|blob:.*", re.DOTALL)
    assert [address for address in asked if not own.fullmatch(address)] == []
    # A browser itself writes down each answer that is a refusal.
    assert [text for text in complaints if not any(re.search(one, text) for one in forgiven)] == []


def size(screen: tuple[int, int]) -> dict[str, int]:
    return {"width": screen[0], "height": screen[1]}


def _name(screen: tuple[int, int]) -> str:
    return f"{screen[0]}x{screen[1]}"


def begin(page: Any, building: str = HALL) -> Any:
    """Open the card of a building, and ask what if."""
    page.evaluate("(id) => { location.hash = encodeURIComponent(id); }", building)
    page.wait_for_selector("#card:not([hidden])")
    page.locator("#card-whatif").click()
    return shown(page)


def shown(page: Any) -> Any:
    """Wait until what is wished for is on the map."""
    page.wait_for_selector("body[data-whatif=shown]", timeout=60_000)
    return page


def await_hash(page: Any, text: str, *, ends: bool = False) -> None:
    """Wait until the address holds a text, or ends with it; the page's policy forbids to wait inside it."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        address = str(page.evaluate("location.hash"))
        if address.endswith(text) if ends else text in address:
            return
        page.wait_for_timeout(50)
    pytest.fail(f"The address is {address}, without {text}.")


def drawn(page: Any, name: str, building: str = HALL) -> list[list[list[float]]]:
    return list(page.evaluate(DRAWN, [building, name]))


def planned(server: Server, name: str, building: str = HALL, **inputs: Any) -> list[list[Any]]:
    """The same layer as the server answers it, rings without their last vertex."""
    status, _, content = server.execute("plan-roof", building_id=building, **inputs)
    assert status == 200, content
    made = []
    for feature in json.loads(content)["features"]:
        if feature["properties"]["layer"] == name:
            geometry = shape(feature["geometry"])
            places = list(geometry.coords if geometry.geom_type == "LineString" else geometry.exterior.coords)
            made.append(
                [list(place) for place in (places[:-1] if geometry.geom_type == "Polygon" else places)]
            )
    return made


def same_places(one: list[Any], other: list[Any]) -> bool:
    """Whether all places are the same to a hundredth of a foot."""
    if [len(places) for places in one] != [len(places) for places in other]:
        return False
    return all(
        feet_between(a, b) < 0.01
        for here, there in zip(one, other, strict=True)
        for a, b in zip(here, there, strict=True)
    )


def feet_between(one: Any, other: Any) -> float:
    return float(WGS84.inv(*one, *other)[2] / FOOT)


def hash_of(page: Any) -> dict[str, Any]:
    """The scenario in the address of the page."""
    said = page.evaluate("Object.fromEntries(new URLSearchParams(location.hash.split('?what-if')[1] || ''))")
    found: dict[str, Any] = {name: said[name] for name in said if said[name]}
    for name in ("fire", "ladder"):
        if name in found:
            found[name] = [float(part) for part in found[name].split(",")]
    return found


def tap(page: Any, lon: float, lat: float) -> None:
    """Tap the map at a place, as a finger does."""
    where = page.evaluate(
        """([lat, lon]) => { const p = map_district.latLngToContainerPoint([lat, lon]);
        const box = map_district.getContainer().getBoundingClientRect();
        return [p.x + box.left, p.y + box.top]; }""",
        [lat, lon],
    )
    page.mouse.click(*where)


def fire_of(server: Server, building: str = HALL) -> tuple[float, float]:
    _, _, content = server.execute("plan-roof", building_id=building)
    lon, lat = json.loads(content)["scenario"]["fire"]
    return float(lon), float(lat)


def away(place: tuple[float, float], toward_deg: float, feet: float) -> tuple[float, float]:
    lon, lat, _ = WGS84.fwd(*place, toward_deg, feet * FOOT)
    return float(lon), float(lat)


def drag_wind(page: Any, *, from_deg: float) -> None:
    """Drag the knob of the dial by its own way to another direction."""
    import math

    dial = page.locator("#whatif-dial")
    dial.scroll_into_view_if_needed()
    here = dial.bounding_box()
    x, y, reach = here["x"] + here["width"] / 2, here["y"] + here["height"] / 2, 0.39 * here["width"]
    start = float(dial.get_attribute("aria-valuenow"))
    turn = (from_deg - start + 180) % 360 - 180
    for step in range(9):
        angle = math.radians(start + turn * step / 8)
        page.mouse.move(x + reach * math.sin(angle), y - reach * math.cos(angle))
        if step == 0:
            page.mouse.down()
    page.mouse.up()


def test_a_tap_on_the_roof_moves_the_plan_and_says_what_changed(
    visit: Callable[..., Any], demo_server: Server
) -> None:
    page = visit()
    tap_building = fire_of(demo_server)
    page.evaluate(
        "([lat, lon]) => map_district.setView([lat, lon], 18, { animate: false })", [*tap_building[::-1]]
    )
    tap(page, *tap_building)
    assert page.locator("#card h2").inner_text() == "126 Kiln Road"
    standing = {name: drawn(page, name) for name in ("ladders", "openings", "trenches", "paths")}
    page.locator("#card-whatif").click()
    shown(page)
    # What is asked without a wish is what the build drew: to the centimetre that the map keeps.
    for name, before in standing.items():
        now = drawn(page, name)
        assert [len(places) for places in now] == [len(places) for places in before], name
        # An answer's rings run counter-clockwise, those of the map as they were planned.
        assert all(
            min(feet_between(a, b) for b in there) < 0.1
            for here, there in zip(now, before, strict=True)
            for a in here
        )
    assert page.locator("#whatif-mark").inner_text() == "What if: the standing plan so far."
    spot = away(tap_building, 60.0, 70.0)
    tap(page, *spot)
    shown(page)
    asked = hash_of(page)
    assert feet_between(asked["fire"], spot) < 2.0
    assert set(asked) == {"fire"}
    for name in ("ladders", "openings", "trenches", "paths"):
        assert same_places(drawn(page, name), planned(demo_server, name, fire=asked["fire"])), name
    assert not same_places(drawn(page, "openings"), planned(demo_server, "openings"))
    [[ring]] = drawn(page, "fires")
    assert feet_between(ring, asked["fire"]) < 0.01
    assert page.locator("#whatif-mark").inner_text() == MARK
    page.wait_for_timeout(700)
    assert "openings" in page.locator("#whatif-sum").inner_text()
    assert page.locator("#whatif-sum").get_attribute("role") == "status"
    assert "The first opening lies" in page.locator("#whatif-changed").inner_text()
    assert "Where to open" in page.locator("#whatif-plan").inner_text()
    assert page.locator(".caution").first.inner_text() == CAUTION


# For each building asked for: the columns and boxes of what a scenario may change, as the map has them and as
# the answer to a question without a wish has them; then whether any words of a comparison are missing.
AS_BUILT = """async (ids) => {
  let district = null;
  map_district.eachLayer((layer) => { if (layer.district) district = layer.district; });
  const state = { district, layers: district.layers, families: district.head.families };
  const { buildings } = district.layers, found = { buildings: 0, rows: 0, differ: [] };
  const nothing = { fire: null, wind: null, method: null, ladder: null };
  const ask = async (inputs) => (await fetch('processes/plan-roof/execution', { method: 'POST',
    headers: { 'Content-Type': 'application/json' }, body: JSON.stringify({ inputs }) })).json();
  const metres = 40075016.686 / 256;
  for (let row = 0; row < buildings.size; row++) {
    const id = buildings.get('building_id', row);
    if (!ids.includes(id)) continue;
    const block = await district.planOf(row), answer = await ask({ building_id: id });
    const plan = roofplatAnswer.planFrom(answer, block, row);
    for (const name of ['sections', 'ladders', 'paths', 'checks', 'openings', 'trenches', 'fires']) {
      const built = block.layers[name], now = plan.layers[name];
      const before = built.rowsOf(row), after = now.rowsOf(row);
      built.unfold();
      if (before.length !== after.length || built.size !== now.size) found.differ.push([id, name]);
      before.forEach((one, place) => {
        found.rows++;
        for (let side = 0; side < 4; side++) {
          const far = built.boxes[4 * one + side] - now.boxes[4 * after[place] + side];
          if (Math.abs(far) * metres > 0.05) found.differ.push([id, name, 'box', far * metres]);
        }
        for (const column of Object.keys(built.columns)) {
          const [is, be] = [built.get(column, one), now.get(column, after[place])];
          // The map keeps areas to a foot and lengths to a tenth.
          const figures = typeof is === 'number' && typeof be === 'number';
          if (figures ? Math.abs(is - be) > 0.51 : is !== be) found.differ.push([id, name, column, is, be]);
        }
      });
    }
    const other = await ask({ building_id: id, wind_from_deg: 45 });
    const one = { wish: nothing, answer, plan };
    const turned = roofplatAnswer.planFrom(other, block, row);
    const two = { wish: { ...nothing, wind: 45 }, answer: other, plan: turned };
    const itself = roofplatWords.compared(state, row, one, one).some(({ differs }) => differs);
    if (itself) found.differ.push([id, 'itself']);
    for (const { what, one: before, other: after, moved } of roofplatWords.compared(state, row, one, two)) {
      const words = `${before.said} ${after.said} ${moved || ''}`;
      if (/undefined|NaN|null/.test(words)) found.differ.push([id, what]);
    }
    found.buildings++;
  }
  return found;
}"""


def test_a_question_without_a_wish_is_drawn_as_the_build_drew_it(
    visit: Callable[..., Any], demo_build: Path
) -> None:
    # A building of each roof family, and those of several sections.
    sections = gpd.read_file(demo_build / "layers.gpkg", layer="sections", ignore_geometry=True)
    several = sections.loc[sections["building_id"].duplicated(), "building_id"].unique().tolist()
    ids = sorted({*sections.groupby("roof_family")["building_id"].first(), *several})
    assert len(ids) >= 16
    found = visit().evaluate(AS_BUILT, ids)
    assert found["differ"] == []
    assert found["buildings"] == len(ids)
    assert found["rows"] > 5 * len(ids)


def test_a_place_beside_the_roof_is_no_fire(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    before = drawn(page, "openings")
    fire = fire_of(demo_server)
    tap(page, *away(fire, 270.0, 140.0))
    assert "not on this roof" in page.locator("#whatif-hint").inner_text()
    assert hash_of(page) == {}
    assert same_places(drawn(page, "openings"), before)
    # No other building opens either: a tap sets the fire, and nothing else.
    assert page.locator("#whatif").is_visible()
    assert page.locator("#card").is_hidden()


# All dots of the map, once nothing is left to paint; with `anew`, after everything was painted once more.
DOTS = """async (anew) => {
  let tiles = null;
  map_district.eachLayer((layer) => { if (layer.district) tiles = layer; });
  if (anew) tiles.repaint();
  const frame = () => new Promise((resolve) => requestAnimationFrame(resolve));
  const start = performance.now();
  do await frame(); while (tiles.isBusy() && performance.now() - start < 20000);
  await frame();
  return Array.from(document.querySelectorAll('.leaflet-tile-pane canvas'), (canvas) => canvas.toDataURL());
}"""


def test_all_that_changed_is_painted_anew_and_then_as_before(visit: Callable[..., Any]) -> None:
    page = visit(f"#{HALL}")
    page.wait_for_selector("#card:not([hidden])")
    before = page.evaluate(DOTS, False)
    page.locator("#card-whatif").click()
    shown(page)
    page.locator("#whatif-wind").fill("90")
    page.keyboard.press("Enter")
    await_hash(page, "wind=90", ends=True)
    shown(page)
    # Only tiles that the building reaches are painted: the others must not need it.
    after = page.evaluate(DOTS, False)
    assert after != before
    assert page.evaluate(DOTS, True) == after
    page.locator("#whatif-close").click()
    assert page.evaluate(DOTS, False) == before


def test_the_wind_is_dragged_typed_and_turned_by_keys(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    dial = page.locator("#whatif-dial")
    assert dial.get_attribute("aria-valuetext") == "from the west (250°)"
    drag_wind(page, from_deg=90.0)
    shown(page)
    assert hash_of(page) == {"wind": "90"}
    assert dial.get_attribute("aria-valuetext") == "from the east (90°)"
    assert page.locator("#whatif-wind").input_value() == "90"
    for name in ("ladders", "openings", "paths", "trenches"):
        assert same_places(drawn(page, name), planned(demo_server, name, wind_from_deg=90)), name
    assert not same_places(drawn(page, "ladders"), planned(demo_server, "ladders"))
    page.locator("#whatif-wind").fill("181.5")
    page.keyboard.press("Enter")
    await_hash(page, "wind=181.5", ends=True)
    shown(page)
    assert dial.get_attribute("aria-valuenow") == "181.5"
    dial.focus()
    for key, now in (("ArrowRight", "186.5"), ("ArrowDown", "181.5"), ("PageUp", "226.5"), ("Home", "0")):
        page.keyboard.press(key)
        assert dial.get_attribute("aria-valuenow") == now, key
    page.keyboard.press("ArrowLeft")
    assert dial.get_attribute("aria-valuenow") == "355"
    shown(page)
    assert hash_of(page) == {"wind": "355"}
    # What is no direction is not taken.
    page.locator("#whatif-wind").fill("361")
    page.keyboard.press("Tab")
    assert page.locator("#whatif-wind").input_value() == "355"


def test_of_many_wishes_the_last_is_on_the_map(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    asked: list[Any] = []
    page.on("request", lambda request: asked.append(request.post_data_json["inputs"]))
    page.locator("#whatif-dial").focus()
    for _ in range(40):
        page.keyboard.press("ArrowRight")
    shown(page)
    page.wait_for_timeout(300)
    assert hash_of(page) == {"wind": "90"}
    assert asked[-1] == {"building_id": HALL, "wind_from_deg": 90}
    # One question at a time: what was wished for in between was not asked.
    assert len(asked) < 40
    assert same_places(drawn(page, "ladders"), planned(demo_server, "ladders", wind_from_deg=90))


def test_a_method_may_be_preferred(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    page.locator("#whatif-method").select_option("do_not_cut")
    shown(page)
    page.wait_for_timeout(700)
    assert hash_of(page) == {"method": "do_not_cut"}
    assert drawn(page, "openings") == []
    told = page.locator("#whatif").inner_text()
    assert "Method: do not cut" in told.replace("\n", " ")
    assert "DO NOT CUT SECTION 1." in told
    assert "Openings: none" in told.replace("\n", " ")
    # A wish that a safety rule stands against is not followed, and the page says why.
    page.locator("#whatif-method").select_option("glazing")
    await_hash(page, "method=glazing", ends=True)
    shown(page)
    _, _, content = demo_server.execute("plan-roof", building_id=HALL, method="glazing")
    answer = json.loads(content)
    assert answer["scenario"]["method"] != "glazing"
    warned = [
        problem["message"] for problem in answer["reasons"]["problems"] if problem["severity"] != "info"
    ]
    told = page.locator("#whatif-warnings").inner_text()
    for message in warned:
        assert message.rstrip(".").lower() in told.lower()
    page.locator("#whatif-reset").click()
    await_hash(page, "?what-if", ends=True)
    shown(page)
    assert page.locator("#whatif-method").input_value() == ""
    assert same_places(drawn(page, "openings"), planned(demo_server, "openings"))


def test_what_the_openings_do_is_told_of_the_scenario_on_the_screen(
    visit: Callable[..., Any], demo_server: Server
) -> None:
    page = begin(visit())
    plan = page.locator("#whatif-plan")
    _, _, content = demo_server.execute("plan-roof", building_id=HALL, method="do_not_cut")
    uncut = [
        one["properties"]
        for one in json.loads(content)["features"]
        if one["properties"]["layer"] == "venting" and one["properties"]["planned"]
    ]
    standing = " ".join(plan.inner_text().split())
    page.locator("#whatif-method").select_option("do_not_cut")
    await_hash(page, "method=do_not_cut", ends=True)
    shown(page)
    now = " ".join(plan.inner_text().split())
    assert f"{VENTING_CAUTION} {wind_words(load_rulebook())}" in now
    assert "saw cut" in standing
    # The figures are not left over from the standing plan.
    assert "saw cut" not in now
    assert uncut[0]["saw_ft"] == 0
    assert f"Area by rule {uncut[0]['wanted_ft2']:,.0f} ft² " in now
    assert "Planned 0 ft²" in now
    assert f"Section {uncut[0]['section_id'].split('/')[1]} of 2" in now


def test_a_ladder_is_put_where_it_stands(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    [base, tip] = planned(demo_server, "ladders")[0]
    # Another place along the same wall, away from the corner that is near.
    toward = WGS84.inv(*base, *tip)[0]
    along = min(
        (toward - 90.0, toward + 90.0),
        key=lambda way: feet_between(away((tip[0], tip[1]), way, 30.0), fire_of(demo_server)),
    )
    spot = away((base[0], base[1]), along, 30.0)
    page.locator("#whatif-tap-ladder").click()
    assert page.locator("#whatif-tap-ladder").get_attribute("aria-pressed") == "true"
    tap(page, *spot)
    shown(page)
    asked = hash_of(page)
    assert feet_between(asked["ladder"], spot) < 2.0
    ladders = drawn(page, "ladders")
    assert same_places(ladders, planned(demo_server, "ladders", ladder=asked["ladder"]))
    assert feet_between(ladders[0][1], away((tip[0], tip[1]), along, 30.0)) < 6.0
    assert page.locator(".handle.ladder").count() == 1
    page.locator("#whatif-ladder-away").click()
    await_hash(page, "?what-if", ends=True)
    shown(page)
    assert page.locator(".handle.ladder").count() == 0
    assert same_places(drawn(page, "ladders"), planned(demo_server, "ladders"))


def test_the_fire_is_dragged_and_moved_by_keys(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    handle = page.locator(".handle.fire")
    here = handle.bounding_box()
    x, y = here["x"] + here["width"] / 2, here["y"] + here["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 30, y + 24, steps=6)
    page.mouse.up()
    shown(page)
    moved = hash_of(page)["fire"]
    assert same_places(drawn(page, "openings"), planned(demo_server, "openings", fire=moved))
    assert feet_between(moved, fire_of(demo_server)) > 20
    handle.focus()
    page.keyboard.press("ArrowRight")
    shown(page)
    after = hash_of(page)["fire"]
    assert after[0] > moved[0]
    assert after[1] == pytest.approx(moved[1], abs=1e-6)
    # Dragged off the roof it goes back.
    here = handle.bounding_box()
    page.mouse.move(here["x"] + 22, here["y"] + 22)
    page.mouse.down()
    page.mouse.move(here["x"] - 300, here["y"] + 22, steps=3)
    page.mouse.up()
    assert "not on this roof" in page.locator("#whatif-hint").inner_text()
    shown(page)
    assert page.locator("#whatif").is_visible()


def test_two_scenarios_lie_side_by_side_on_one_scale(visit: Callable[..., Any]) -> None:
    page = begin(visit())
    assert page.locator("#whatif-compare").is_disabled()
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    page.locator("#whatif-keep").click()
    assert "A is kept" in page.locator("#whatif-kept").inner_text()
    page.locator("#whatif-method").select_option("do_not_cut")
    await_hash(page, "method")
    shown(page)
    assert page.locator("#whatif-compare").inner_text() == "Compare with A"
    page.locator("#whatif-compare").click()
    for letter in "ab":
        page.wait_for_selector(f"#compare-plan-{letter}")
    plans = [page.locator(f"#compare-plan-{letter}") for letter in "ab"]
    boxes = [plan.bounding_box() for plan in plans]
    assert boxes[0]["y"] == pytest.approx(boxes[1]["y"], abs=1)
    assert boxes[0]["width"] == boxes[1]["width"]
    assert boxes[0]["x"] + boxes[0]["width"] < boxes[1]["x"]
    # The same scale, and not the same drawing.
    labels = [plan.get_attribute("aria-label") for plan in plans]
    assert "do not cut asked for" in labels[1]
    bars = [re.search(r"scale bar is (\d+) ft", label) for label in labels]
    assert None not in bars
    assert bars[0][1] == bars[1][1]  # type: ignore[index]
    pixels = [plan.evaluate("node => node.toDataURL()") for plan in plans]
    assert pixels[0] != pixels[1]
    rows = {
        line.locator("th").inner_text(): line.locator("td").all_inner_texts()
        for line in page.locator("#compare-lines tr").all()
    }
    assert rows["Wind"][:2] == ["from the northeast (45°), as set"] * 2
    assert rows["Wind"][2] == "same"
    assert rows["Method asked for"] == ["none", "do not cut", "differs"]
    assert rows["Openings"][0] != "none"
    assert rows["Openings"][1:] == ["none", "differs"]
    assert page.locator("#compare .mark").inner_text() == MARK
    assert page.locator("#compare .caution").inner_text() == CAUTION
    assert "openings" in page.locator("#compare-sum").inner_text()
    # One of them is taken up again.
    page.locator("#compare-use-a").click()
    await_hash(page, "wind=45", ends=True)
    shown(page)
    assert hash_of(page) == {"wind": "45"}
    assert drawn(page, "openings") != []
    # From the start again: A is let go.
    page.locator("#whatif-reset").click()
    await_hash(page, "?what-if", ends=True)
    shown(page)
    assert page.locator("#whatif-kept").inner_text() == ""
    assert page.locator("#whatif-reset").is_disabled()


def test_the_sheet_is_of_what_is_on_the_screen(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    with page.expect_request("**/roof-sheet/execution") as asked, page.expect_download() as loaded:
        page.locator("#whatif-sheet").click()
    assert asked.value.post_data_json == {"inputs": {"building_id": HALL, "wind_from_deg": 45}}
    assert loaded.value.suggested_filename == "what-if-MB-0001.pdf"
    content = Path(loaded.value.path()).read_bytes()
    assert content == demo_server.execute("roof-sheet", building_id=HALL, wind_from_deg=45)[2]
    with pdfplumber.open(io.BytesIO(content)) as pdf:
        text = " ".join(page_.extract_text() for page_ in pdf.pages)
    assert "45°" in text
    assert "What if" in text
    assert "downloads" in page.locator("#whatif-printed").inner_text()
    # Of either of two.
    page.locator("#whatif-compare").click()
    with page.expect_request("**/roof-sheet/execution") as asked, page.expect_download():
        page.locator("#compare-print-a").click()
    assert asked.value.post_data_json == {"inputs": {"building_id": HALL}}


def test_a_link_holds_the_scenario(visit: Callable[..., Any], demo_server: Server) -> None:
    fire = away(fire_of(demo_server), 60.0, 40.0)
    fragment = f"#{HALL}?what-if&fire={fire[0]:.7f},{fire[1]:.7f}&wind=10&method=fold_back"
    page = shown(visit(fragment))
    assert page.locator("#whatif").is_visible()
    wanted = {"fire": [round(part, 7) for part in fire], "wind_from_deg": 10, "method": "fold_back"}
    assert same_places(drawn(page, "openings"), planned(demo_server, "openings", **wanted))
    assert page.locator("#whatif-method").input_value() == "fold_back"
    assert page.locator("#whatif-dial").get_attribute("aria-valuenow") == "10"
    # What cannot be is left out, and opens the standing plan.
    for odd in (
        "&fire=north,40&wind=999&method=burn&ladder=,",
        "&fire=,40&ladder=1,2,3",
        "&wind=",
        "&&=",
        "%%",
    ):
        page = shown(visit(f"#{HALL}?what-if{odd}"))
        assert hash_of(page) == {}, odd


def test_a_question_that_cannot_be_is_answered_in_one_sentence(visit: Callable[..., Any]) -> None:
    page = visit(f"#{HALL}?what-if&fire=-118.9,40.9", forgive=r"status of 400")
    page.wait_for_selector("body[data-whatif=failed]")
    told = page.locator("#whatif-trouble").inner_text()
    assert "fire spot" in told.lower()
    assert "The drawing still shows the scenario before." in told
    assert page.locator("#whatif-fault").is_visible()
    # A wish that can be answered ends it.
    page.locator("#whatif-reset").click()
    shown(page)
    assert page.locator("#whatif-fault").is_hidden()


def test_leaving_brings_the_standing_plan_back(visit: Callable[..., Any], demo_server: Server) -> None:
    page = begin(visit())
    page.locator("#whatif-method").select_option("do_not_cut")
    await_hash(page, "do_not_cut")
    shown(page)
    assert drawn(page, "openings") == []
    page.keyboard.press("Escape")
    assert page.locator("#whatif").is_hidden()
    assert page.locator("#card").is_visible()
    assert page.evaluate("document.activeElement.id") == "card-whatif"
    assert page.evaluate("location.hash") == f"#{HALL}"
    assert len(drawn(page, "openings")) == len(planned(demo_server, "openings"))
    assert page.locator("#wind").is_visible()
    assert page.locator("#whatif-mark").is_hidden()
    # Another building ends it too, whichever way it is chosen.
    page.locator("#card-whatif").click()
    shown(page)
    page.fill("#search", "MB-0002")
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    assert page.locator("#whatif").is_hidden()
    assert page.locator(".handle").count() == 0
    page.locator("#card-whatif").click()
    shown(page)
    page.locator("#filters-open").click()
    assert page.locator("#whatif").is_hidden()
    assert page.locator("#filters").is_visible()


def test_paper_of_a_what_if_says_that_it_is_one(visit: Callable[..., Any]) -> None:
    page = begin(visit())
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    with pdfplumber.open(io.BytesIO(page.pdf())) as pdf:
        text = " ".join(" ".join(one.extract_text() for one in pdf.pages).split())
    # At the head of the page, before all else that it says.
    assert text.index(MARK) < text.index("126 Kiln Road")
    assert "wind from the northeast (45°)" in text
    assert "Standing plan, drawn before any fire" not in text
    page.keyboard.press("Escape")
    with pdfplumber.open(io.BytesIO(page.pdf())) as pdf:
        text = " ".join(" ".join(one.extract_text() for one in pdf.pages).split())
    assert MARK not in text
    assert "Standing plan, drawn before any fire" in text


@pytest.fixture(scope="module")
def hostile_build(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A district whose one building carries a hostile id, name and address."""
    folder = tmp_path_factory.mktemp("hostile")
    outline = gpd.GeoDataFrame(
        {"building_id": [f"x{HOSTILE}"], "name": [HOSTILE], "address": [HOSTILE],
         "roof_family": ["panelized_wood"], "height_ft": [24.0]},
        geometry=[box(443_000, 3_722_000, 443_050, 3_722_030)], crs="EPSG:32613",
    ).to_crs("EPSG:4326")  # fmt: skip
    outline.to_file(folder / "footprints.geojson", driver="GeoJSON")
    district = folder / "district.toml"
    district.write_text(
        '[district]\nname = "Odd <b>"\nworking_crs = "EPSG:32613"\n\n'
        '[footprints]\nfile = "footprints.geojson"\nid = "building_id"\n'
    )
    ran = subprocess.run(
        [*ROOFPLAT, "build", str(district), "--out", str(folder / "out")],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr + ran.stdout
    return folder


def test_hostile_text_stays_text(
    visit: Callable[..., Any], serve: Callable[..., Server], hostile_build: Path
) -> None:
    server = serve("--workers", "1", folder=hostile_build / "out", district=hostile_build / "district.toml")
    page = begin(visit(url=server.url), f"x{HOSTILE}")
    assert page.locator("#whatif-name").inner_text() == HOSTILE
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    page.locator("#whatif-compare").click()
    page.wait_for_selector("#compare-plan-b")
    assert HOSTILE in page.locator("#compare-title").inner_text()
    with page.expect_download() as loaded:
        page.locator("#compare-print-b").click()
    assert re.fullmatch(r"[A-Za-z0-9_.-]+", loaded.value.suggested_filename)
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.images.length") == 0
    # The address holds the id and the scenario: opened again it shows the same.
    again = shown(visit(page.evaluate("location.hash"), url=server.url))
    assert hash_of(again) == {"wind": "45"}


def test_a_server_that_goes_away_and_comes_back(
    visit: Callable[..., Any], demo_build: Path, tmp_path: Path
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    options = ("--workers", "1", "--port", port)
    with running(DEMO, demo_build, tmp_path / "first.log", *options) as server:
        page = begin(visit(url=server.url, forgive=r"ERR_CONNECTION_REFUSED|ERR_EMPTY|ERR_CONNECTION_RESET"))
        before = drawn(page, "ladders")
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    page.wait_for_selector("body[data-whatif=failed]")
    told = page.locator("#whatif-trouble").inner_text()
    assert told.startswith("The server does not answer")
    assert "The drawing still shows the scenario before." in told
    assert "asks again by itself" in told
    assert same_places(drawn(page, "ladders"), before)
    page.locator("#whatif-sheet").click()
    page.locator("#whatif-printed", has_text="does not answer").wait_for()
    with running(DEMO, demo_build, tmp_path / "second.log", *options):
        shown(page)
        assert page.locator("#whatif-fault").is_hidden()
        assert hash_of(page) == {"wind": "45"}
        assert not same_places(drawn(page, "ladders"), before)
        page.keyboard.press("Escape")
    # Begun while nobody answers, it waits for the standing plan.
    page.locator("#card-whatif").click()
    page.wait_for_selector("body[data-whatif=failed]")
    assert "scenario before" not in page.locator("#whatif-trouble").inner_text()
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    with running(DEMO, demo_build, tmp_path / "third.log", *options):
        await_hash(page, "wind=45", ends=True)
        shown(page)
        assert page.locator("#whatif-compare").is_enabled()


def test_a_plan_of_another_build_is_not_drawn_on_this_map(
    visit: Callable[..., Any], serve: Callable[..., Server], demo_build: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "out"
    shutil.copytree(demo_build, folder)
    server = serve("--workers", "1", folder=folder)
    page = begin(visit(url=server.url))
    before = drawn(page, "ladders")
    build = [*ROOFPLAT, "build", str(DEMO), "--out", str(folder), "--wind-from", "20"]
    ran = subprocess.run(build, check=False, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    page.wait_for_selector("body[data-whatif=failed]")
    assert "built anew since this page was opened" in page.locator("#whatif-trouble").inner_text()
    assert same_places(drawn(page, "ladders"), before)
    # Loaded again, it shows the new build; the scenario that was on the screen is the new standing plan.
    page.locator("#whatif-again", has_text="Load the page again").click()
    page.wait_for_selector("body[data-ready=yes]")
    shown(page)
    page.locator("#whatif-dial[aria-valuenow='20']").wait_for()
    assert same_places(drawn(page, "ladders"), planned(server, "ladders"))


def test_works_behind_a_token(
    visit: Callable[..., Any], serve: Callable[..., Server], tmp_path: Path
) -> None:
    token = "kiln-road-" + "7" * 40
    file = tmp_path / "token"
    file.write_text(token)
    file.chmod(0o600)
    server = serve("--workers", "1", "--token-file", str(file))
    assert server.ask("/")[0] == 401
    page = visit(url=server.url, http_credentials={"username": "officer", "password": token}, forgive=r"401")
    begin(page)
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    assert drawn(page, "ladders") != []


TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
RULES = {
    "runOnly": {"type": "tag", "values": TAGS},
    "rules": {"color-contrast-enhanced": {"enabled": True}},
}
TARGETS = """() => {
  const all = document.querySelectorAll('button, summary, select, input, .dial, .handle, .leaflet-bar a');
  const open = document.querySelector('dialog[open]');
  return Array.from(all).filter((node) => node.getClientRects().length && (!open || open.contains(node)))
    .map((node) => { const box = node.getBoundingClientRect();
      return [node.id || node.className || node.textContent.trim(), box.width, box.height]; }); }"""


@pytest.mark.parametrize("screen", [DESK, TABLET, PHONE, SIDE], ids=_name)
def test_no_state_breaks_a_rule_of_access_on_any_screen(
    visit: Callable[..., Any], screen: tuple[int, int]
) -> None:
    # The engine is put into the page, which its policy would forbid.
    page = visit(viewport=size(screen), bypass_csp=True, has_touch=screen != DESK)
    begin(page)
    page.locator("#whatif-method").select_option("do_not_cut")
    await_hash(page, "do_not_cut")
    shown(page)
    page.wait_for_timeout(700)
    found = {}
    for state in ("panel", "compare"):
        if state == "compare":
            page.locator("#whatif-compare").click()
            page.wait_for_selector("#compare-plan-b")
        answer = Axe().run(page, options=RULES).response
        assert {"color-contrast-enhanced", "button-name"} <= {rule["id"] for rule in answer["passes"]}
        found[state] = [
            (rule["id"], node["html"][:120], node["failureSummary"])
            for rule in answer["violations"]
            for node in rule["nodes"]
        ]
        targets = page.evaluate(TARGETS)
        assert len(targets) >= (5 if state == "compare" else 12)
        assert [target for target in targets if min(target[1:]) < 43.9] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= screen[0]
        if state == "compare":
            # Side by side where there is room, else one under the other.
            one, other = (page.locator(f"#compare-plan-{letter}").bounding_box() for letter in "ab")
            assert (one["y"] == pytest.approx(other["y"], abs=1)) == (screen[0] > 700)
            assert one["width"] == pytest.approx(other["width"], abs=1)
    assert {state: rules for state, rules in found.items() if rules} == {}


@pytest.mark.parametrize("screen", [DESK, PHONE], ids=_name)
def test_text_of_twice_the_size_leaves_a_map_to_tap_on(
    visit: Callable[..., Any], screen: tuple[int, int]
) -> None:
    page = visit(viewport=size(screen))
    page.evaluate("document.documentElement.style.fontSize = '212.5%'")
    begin(page)
    page.locator("#whatif-wind").fill("45")
    page.keyboard.press("Enter")
    await_hash(page, "wind=45", ends=True)
    shown(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= screen[0]
    stage, panel = (page.locator(name).bounding_box() for name in (".stage", "#whatif"))
    bare = stage["width"] * stage["height"] - panel["width"] * panel["height"]
    assert bare > 0.3 * stage["width"] * stage["height"]
    # The mark is on the map, or in the panel that lies over it.
    assert any(
        page.locator(name).is_visible() and page.locator(name).inner_text() == MARK
        for name in ("#whatif-mark", "#whatif-words")
    )
    cut = """() => Array.from(document.querySelectorAll('#whatif button'))
      .filter((node) => node.getClientRects().length && node.scrollWidth > node.clientWidth + 1)
      .map((node) => node.textContent)"""
    assert page.evaluate(cut) == []


@pytest.mark.parametrize("screen", [TABLET, PHONE], ids=_name)
def test_fingers_do_all_of_it(
    visit: Callable[..., Any], demo_server: Server, screen: tuple[int, int]
) -> None:
    page = visit(viewport=size(screen), has_touch=True)
    begin(page)
    # The building lies in what the panel leaves of the map.
    where = page.locator(".handle.fire").bounding_box()
    panel = page.locator("#whatif").bounding_box()
    inside = where["x"] > panel["x"] and where["y"] > panel["y"]
    assert not inside
    page.touchscreen.tap(where["x"] + 22 + 30, where["y"] + 22 + 20)
    await_hash(page, "fire=")
    shown(page)
    # As near to the fire as its ring: a tap there moves it too.
    first = hash_of(page)["fire"]
    where = page.locator(".handle.fire").bounding_box()
    page.touchscreen.tap(where["x"] + 22 - 12, where["y"] + 22 + 8)
    page.wait_for_timeout(300)
    shown(page)
    assert 5 < feet_between(hash_of(page)["fire"], first) < 120
    page.locator("#whatif-dial").scroll_into_view_if_needed()
    dial = page.locator("#whatif-dial").bounding_box()
    page.touchscreen.tap(dial["x"] + dial["width"] / 2, dial["y"] + dial["height"] - 12)
    await_hash(page, "wind=180")
    shown(page)
    asked = hash_of(page)
    wanted = planned(demo_server, "ladders", fire=asked["fire"], wind_from_deg=180)
    assert same_places(drawn(page, "ladders"), wanted)
    page.locator("#whatif-compare").tap()
    page.wait_for_selector("#compare-plan-b")
    page.locator("#compare-close").tap()
    page.locator("#whatif-close").tap()
    assert page.locator("#card").is_visible()


def test_keys_alone_do_all_of_it(visit: Callable[..., Any], demo_server: Server) -> None:
    page = visit()
    page.locator("#search").focus()
    page.keyboard.type(HALL)
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    page.locator("#card-whatif").focus()
    page.keyboard.press("Enter")
    shown(page)
    assert page.evaluate("document.activeElement.id") == "whatif-title"
    # The place in the middle of the map, by Enter.
    fire = fire_of(demo_server)
    page.evaluate(
        "([lat, lon]) => map_district.setView([lat, lon], 18, { animate: false })",
        [fire[1] + 0.0001, fire[0]],
    )
    page.locator("#map_district").focus()
    page.keyboard.press("Enter")
    await_hash(page, "fire=")
    shown(page)
    assert feet_between(hash_of(page)["fire"], [fire[0], fire[1] + 0.0001]) < 2.0
    page.locator("#whatif-compare").focus()
    page.keyboard.press("Enter")
    page.wait_for_selector("#compare-plan-b")
    assert page.evaluate("document.activeElement.id") == "compare-title"
    page.keyboard.press("Escape")
    assert page.locator("#compare").is_hidden()
    assert page.locator("#whatif").is_visible()
    assert page.evaluate("document.activeElement.id") == "whatif-compare"
    page.keyboard.press("Escape")
    assert page.locator("#card").is_visible()
