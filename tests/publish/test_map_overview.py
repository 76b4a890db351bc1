"""The page in place of a map of too many buildings: in a real browser, from a file, with no network."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from markupsafe import escape

from roofplat.errors import LayerError
from roofplat.ground import Ground
from roofplat.publish import CAUTION, Wind, write_maps
from roofplat.publish.files import area_files
from roofplat.publish.live import live_page
from roofplat.publish.map_data import pack_part
from roofplat.publish.map_parts import PackedPart, page_of
from roofplat.publish.page import policy_of
from roofplat.rules import load_rulebook

from .conftest import HOSTILE, READY
from .test_map_access import RULES, SCREENS
from .test_map_data import many

MOST = 200


@pytest.fixture(scope="module")
def district(tables: dict[str, Any]) -> dict[str, Any]:
    return {**many(tables), "areas": tables["areas"]}


@pytest.fixture(scope="module")
def pages(district: dict[str, Any], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    out = tmp_path_factory.mktemp("big")
    written = write_maps(
        district,
        title="Invented <b>",
        rules=load_rulebook({"opening.hanger_clear_ft": 0.7}),
        ground=Ground(0.3048, 4200.0),
        wind=Wind(270.0, "assumed"),
        out=out,
        most_buildings=MOST,
    )
    return {path.relative_to(out).as_posix(): path for path in written}


@pytest.fixture
def see(browser: Any, pages: dict[str, Path]) -> Iterator[Callable[..., Any]]:
    """Open a page; at the end none may have asked for anything but pages of the build, or complained."""
    contexts: list[Any] = []
    asked: list[str] = []
    complaints: list[str] = []

    def open_page(name: str = "map.html", fragment: str = "", **options: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **options})
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url.split("#")[0]))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(pages[name].as_uri() + fragment)
        page.wait_for_selector(READY)
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert set(asked) <= {path.as_uri() for path in pages.values()}
    assert complaints == []


def counts_of(district: dict[str, Any]) -> dict[str, int]:
    names = district["buildings"]["dispatch_area"].fillna("No dispatch area")
    return {str(name): int(count) for name, count in names.value_counts().items()}


def test_no_page_holds_more_than_it_may_and_every_building_is_on_one(
    district: dict[str, Any], pages: dict[str, Path]
) -> None:
    packed = [PackedPart.of(pack_part(district))]
    counts = counts_of(district)
    assert max(counts.values()) < MOST < len(district["buildings"])
    stems = area_files(set(district["areas"]["name"].dropna()) | set(counts))
    assert set(pages) == {"map.html", *(f"areas/{stem}.html" for stem in stems.values())}
    for name, count in counts.items():
        page = page_of(packed, name)
        assert page.buildings(packed) == count
        cut = page.cut(packed, 40)
        held = [part.buildings(packed) for part in cut]
        assert sum(held) == count
        blocks = [block for part in cut for _, some in part.blocks for block in some]
        assert sorted(blocks) == sorted(block for _, some in page.blocks for block in some)


@pytest.mark.browser
def test_it_lists_the_areas_with_what_is_counted_and_shows_the_caution(
    see: Callable[..., Any], district: dict[str, Any]
) -> None:
    page = see()
    assert page.title() == "Invented <b>"
    assert page.locator("h1").inner_text() == "Invented <b>"
    assert page.locator(".caution").inner_text() == CAUTION
    total = len(district["buildings"])
    assert page.locator(".told").inner_text().startswith(f"{total} buildings: too many for one page.")
    rows = page.locator("#groups li")
    areas = set(district["areas"]["name"].dropna()) | set(counts_of(district))
    assert rows.count() == len(areas)
    families = load_rulebook().families
    buildings = district["buildings"]
    for place in range(rows.count()):
        name = rows.nth(place).locator(".name").inner_text()
        own = buildings[buildings["dispatch_area"].fillna("No dispatch area") == name]
        light = [families[key].lightweight for key in own["roof_family"]]
        said = rows.nth(place).locator(".below").inner_text()
        assert said.replace("roofs", "roof") == (
            f"{len(own)} buildings: {light.count(True)} of a lightweight family, "
            f"{light.count(False)} not, {light.count(None)} unknown. "
            f"{own['surveyed_on'].notna().sum()} roof surveyed."
        )
    page.locator("#about-open").click()
    assert "Redistribution and use" in page.locator("#about pre").inner_text()
    assert "opening.hanger_clear_ft" in page.locator("#overridden").inner_text()


@pytest.mark.browser
def test_a_link_and_an_outline_open_the_page_of_the_area(see: Callable[..., Any]) -> None:
    page = see()
    page.locator("#groups a", has_text="North Side").click()
    page.wait_for_selector(READY)
    page.wait_for_selector("#search")
    assert page.title() == "Invented <b>: North Side"
    page.go_back()
    page.wait_for_selector(READY)
    link = page.locator("#groups a", has_text="North Side")
    # An outline lights up its link, and a tap on it opens the page.
    link.focus()
    shape = page.locator("path.leaflet-interactive[stroke-width='4']").first.bounding_box()
    link.blur()
    assert "on" not in (link.get_attribute("class") or "")
    page.mouse.move(shape["x"] + shape["width"] / 2, shape["y"] + shape["height"] / 2)
    assert "on" in (link.get_attribute("class") or "")
    page.mouse.click(shape["x"] + shape["width"] / 2, shape["y"] + shape["height"] / 2)
    page.wait_for_selector("#search")
    assert page.title() == "Invented <b>: North Side"


@pytest.mark.browser
def test_the_keyboard_goes_through_the_list(see: Callable[..., Any]) -> None:
    page = see()
    first = page.locator("#groups a").first
    first.focus()
    assert "on" in (first.get_attribute("class") or "")
    page.keyboard.press("Tab")
    assert page.evaluate("[...document.querySelectorAll('#groups a')].indexOf(document.activeElement)") == 1
    assert "on" not in (first.get_attribute("class") or "")
    page.keyboard.press("Enter")
    page.wait_for_selector("#search")


@pytest.mark.browser
def test_a_building_in_the_address_goes_along(see: Callable[..., Any], district: dict[str, Any]) -> None:
    inside = district["buildings"]["dispatch_area"] == "North Side"
    building = district["buildings"].loc[inside, "building_id"].iloc[0]
    page = see(fragment=f"#{building}")
    assert page.locator("#named").inner_text() == f"Building {building}: open the part that it stands in."
    page.locator("#groups a", has_text="North Side").click()
    page.wait_for_selector("#card:not([hidden])")
    assert page.evaluate("location.hash") == f"#{building}"


@pytest.mark.browser
def test_hostile_text_is_shown_as_text(see: Callable[..., Any], district: dict[str, Any]) -> None:
    assert HOSTILE in set(district["areas"]["name"]) | set(district["buildings"]["name"])
    page = see(fragment="#%3Cimg src=x onerror=window.hacked=1%3E")
    assert "<img src=x" in page.locator("#named").inner_text()
    assert page.evaluate("window.hacked") is None
    assert page.evaluate("document.images.length") == 0


@pytest.mark.browser
@pytest.mark.parametrize("screen", SCREENS)
def test_it_suits_every_screen_and_everybody(see: Callable[..., Any], screen: tuple[int, int]) -> None:
    page = see(viewport={"width": screen[0], "height": screen[1]})
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    for target in ("#map", "#groups a", "#about-open"):
        box = page.locator(target).first.bounding_box()
        assert min(box["width"], box["height"]) >= 44, target
        assert box["x"] >= 0, target
        assert box["x"] + box["width"] <= screen[0], target
    found = Axe().run(page, options=RULES)
    assert found.response["violations"] == []


@pytest.mark.browser
def test_without_scripts_the_list_is_there(browser: Any, pages: dict[str, Path]) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(pages["map.html"].as_uri())
    page.locator("#groups a", has_text="North Side").click()
    assert page.title() == "Invented <b>: North Side"
    context.close()


def test_an_area_of_too_many_is_cut_into_parts(district: dict[str, Any], tmp_path: Path) -> None:
    buildings = district["buildings"].assign(dispatch_area=None)
    buildings["dispatch_area"] = buildings["dispatch_area"].astype("str")
    # Two areas: one is small, and has the name of the other's first part.
    buildings.loc[:9, "dispatch_area"] = "Large part 1"
    buildings.loc[10:, "dispatch_area"] = "Large"
    written = write_maps(
        {**district, "buildings": buildings, "areas": district["areas"].iloc[:0]},
        title="Big",
        rules=load_rulebook(),
        ground=Ground(0.3048),
        wind=None,
        out=tmp_path,
        most_buildings=200,
    )
    names = [path.relative_to(tmp_path).as_posix() for path in written]
    assert names == [
        "map.html",
        "areas/large.html",
        "areas/large-part-1-cut.html",
        "areas/large-part-2.html",
        "areas/large-part-1.html",
    ]
    assert len({*names}) == len(names)
    texts = {name: path.read_text("utf-8") for name, path in zip(names, written, strict=True)}
    assert 'href="areas/large-part-1.html"' in texts["map.html"]
    assert 'href="large-part-1-cut.html"' in texts["areas/large.html"]
    assert 'href="../map.html"' in texts["areas/large.html"]
    assert '<bdi class="name">Part 1 of 2</bdi>' in texts["areas/large.html"]
    assert all(escape(CAUTION) in text for text in texts.values())


def test_one_area_of_too_many_is_listed_part_by_part_at_once(
    district: dict[str, Any], tmp_path: Path
) -> None:
    nowhere = pd.Series([None] * len(district["buildings"]), dtype="str")
    buildings = district["buildings"].assign(dispatch_area=nowhere)
    written = write_maps(
        {**district, "buildings": buildings, "areas": district["areas"].iloc[:0]},
        title="Big",
        rules=load_rulebook(),
        ground=Ground(0.3048),
        wind=None,
        out=tmp_path,
        most_buildings=200,
    )
    text = written[0].read_text("utf-8")
    assert text.count('href="areas/no-dispatch-area-part-') == 2
    assert '<bdi class="name">No dispatch area, part 2 of 2</bdi>' in text


def test_a_server_shows_it_as_it_is(pages: dict[str, Path]) -> None:
    before = pages["map.html"].read_bytes()
    assert live_page(before) == before
    assert "connect-src 'none'" in policy_of(before.decode("utf-8"))
    with pytest.raises(LayerError, match="is not a map of this version"):
        live_page(b'<nav class="groups" id="groups">')
