"""The map for everybody: an accessibility engine over every state, layout by screen, focus, larger text."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]

pytestmark = pytest.mark.browser

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
# Beyond the tags: contrast of 7 to 1, for sunlight.
RULES = {
    "runOnly": {"type": "tag", "values": TAGS},
    "rules": {"color-contrast-enhanced": {"enabled": True}},
}
DESK, TABLET, PHONE = (1280, 800), (768, 1024), (390, 844)
SCREENS = [DESK, (1024, 768), TABLET, PHONE, (360, 640), (844, 390)]


def _name(screen: tuple[int, int]) -> str:
    return f"{screen[0]}x{screen[1]}"


def size(screen: tuple[int, int]) -> dict[str, int]:
    return {"width": screen[0], "height": screen[1]}


def reach_results(page: Any) -> None:
    page.fill("#search", "alder")
    page.keyboard.press("ArrowDown")


def reach_filters(page: Any) -> None:
    page.locator("#filters-open").click()
    page.locator(".check", has_text="Nobody has looked").click()


def reach_list(page: Any) -> None:
    reach_filters(page)
    page.locator("#filters-list").click()


def reach_card(page: Any) -> None:
    page.evaluate("location.hash = '#1001'")
    page.wait_for_selector("#card:not([hidden])")


def reach_about(page: Any) -> None:
    page.locator("#about-open").click()


def reach_near(page: Any) -> None:
    reach_card(page)
    page.keyboard.press("Escape")
    page.evaluate("document.getElementById('legend').open = true")
    page.locator("#by-rank").click()


STATES = {
    "start": lambda page: None,
    "results": reach_results,
    "filters": reach_filters,
    "list": reach_list,
    "card": reach_card,
    "about": reach_about,
    "near": reach_near,
}


# What a finger or a key can reach and see, with its size; a tick is one with its row.
TARGETS = """() => {
  const all = document.querySelectorAll(
    'button, summary, input:not([type=checkbox]), .check, [role=option], .leaflet-bar a');
  const open = document.querySelector('dialog[open]');
  return Array.from(all).filter((node) => node.getClientRects().length && (!open || open.contains(node)))
    .map((node) => { const box = node.getBoundingClientRect();
      return [node.id || node.textContent.trim().slice(0, 30), box.width, box.height]; }); }"""


def check_targets(page: Any, screen: tuple[int, int], least: int) -> None:
    targets = page.evaluate(TARGETS)
    assert len(targets) >= least
    assert [target for target in targets if min(target[1:]) < 43.9] == []
    # A panel lies within the map, and can be closed.
    for panel in page.locator(".dock:visible").all():
        box, stage = panel.bounding_box(), page.locator(".stage").bounding_box()
        assert box["y"] >= stage["y"] - 1
        assert box["y"] + box["height"] <= stage["y"] + stage["height"] + 1
        assert panel.get_by_role("button", name="Close").first.is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= screen[0]


@pytest.mark.parametrize("screen", [DESK, TABLET, PHONE], ids=_name)
def test_no_state_breaks_a_rule_of_access(visit: Callable[..., Any], screen: tuple[int, int]) -> None:
    found = {}
    for state, reach in STATES.items():
        # The engine is put into the page, which its policy would forbid.
        page = visit(viewport=size(screen), bypass_csp=True)
        reach(page)
        page.wait_for_timeout(200)
        answer = Axe().run(page, options=RULES).response
        assert {"color-contrast-enhanced", "button-name"} <= {rule["id"] for rule in answer["passes"]}
        found[state] = [
            (rule["id"], node["html"][:120], node["failureSummary"])
            for rule in answer["violations"]
            for node in rule["nodes"]
        ]
        check_targets(page, screen, 1 if state == "about" else 8)
        page.close()
    assert {state: rules for state, rules in found.items() if rules} == {}


@pytest.mark.parametrize("screen", SCREENS, ids=_name)
def test_the_map_keeps_half_of_every_screen(visit: Callable[..., Any], screen: tuple[int, int]) -> None:
    page = visit(viewport=size(screen), has_touch=screen != DESK)

    def share() -> float:
        box = page.locator(".stage").bounding_box()
        return float(box["width"] * box["height"] / (screen[0] * screen[1]))

    assert share() >= 0.5
    page.locator("#filters-open").click()
    page.locator(".check", has_text="Nobody has looked").click()
    page.locator("#filters-close").click()
    # With the sentence of a filter above it, too; and the map knows its new size.
    assert share() >= 0.5
    page.wait_for_timeout(200)
    stage = page.locator(".stage").bounding_box()
    assert page.evaluate("map_district.getSize().y") == pytest.approx(stage["height"], abs=1)
    # The caution is whole, and at the foot of the screen.
    caution, foot = page.locator(".caution"), page.locator("footer").bounding_box()
    assert caution.evaluate("node => node.scrollHeight <= node.clientHeight + 1")
    assert foot["y"] + foot["height"] == pytest.approx(screen[1], abs=1)
    assert page.evaluate("document.documentElement.scrollWidth") <= screen[0]


@pytest.mark.parametrize("screen", [(1024, 768), (360, 640), (844, 390)], ids=_name)
def test_fingers_in_gloves_hit_everything(visit: Callable[..., Any], screen: tuple[int, int]) -> None:
    for state in ("results", "list", "card"):
        page = visit(viewport=size(screen), has_touch=True)
        STATES[state](page)
        check_targets(page, screen, 8)
        page.close()


@pytest.mark.parametrize("screen", [DESK, TABLET, PHONE], ids=_name)
def test_text_of_twice_the_size_breaks_nothing(visit: Callable[..., Any], screen: tuple[int, int]) -> None:
    page = visit(viewport=size(screen))
    before = page.locator("h1").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
    page.evaluate("document.documentElement.style.fontSize = '212.5%'")
    page.wait_for_timeout(200)
    after = page.locator("h1").evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
    assert after == pytest.approx(2 * before)
    assert page.evaluate("document.documentElement.scrollWidth") <= screen[0]
    assert page.locator(".stage").bounding_box()["height"] > 0.2 * screen[1]
    # Nothing in the bar lies over anything else in it, and nothing is cut off.
    boxes = [
        page.locator(f"#{name}").bounding_box() for name in ("search", "filters-open", "by-family", "by-rank")
    ]
    for place, box in enumerate(boxes):
        assert box["width"] > 60
        assert 0 <= box["x"] <= box["x"] + box["width"] <= screen[0]
        for other in boxes[place + 1 :]:
            apart = (
                box["x"] + box["width"] <= other["x"] + 3
                or other["x"] + other["width"] <= box["x"] + 3
                or box["y"] + box["height"] <= other["y"] + 3
                or other["y"] + other["height"] <= box["y"] + 3
            )
            assert apart
    cut = """() => Array.from(document.querySelectorAll('button'))
      .filter((node) => node.getClientRects().length && node.scrollWidth > node.clientWidth + 1)
      .map((node) => node.textContent)"""
    reach_filters(page)
    assert page.evaluate(cut) == []
    page.locator("#filters-list").click()
    page.locator("#filters-found button").first.click()
    page.wait_for_selector("#card:not([hidden])")
    assert page.evaluate(cut) == []
    assert page.locator("#card-close").is_visible()


def where(page: Any) -> str:
    return str(
        page.evaluate("document.activeElement.id || document.activeElement.textContent.trim().slice(0, 30)")
    )


def test_the_focus_goes_with_what_opens_and_closes(visit: Callable[..., Any]) -> None:
    page = visit()
    page.keyboard.press("Tab")
    assert where(page) == "skip-map"
    assert page.locator("#skip-map").bounding_box()["y"] >= 0
    page.keyboard.press("Enter")
    assert where(page) == "map_district"
    assert page.evaluate("location.hash") == ""
    # From the bar to the foot: the order of the eye.
    page = visit()
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(where(page))
    wanted = ["skip-map", "search", "filters-open", "by-family", "by-rank", "map_district"]
    assert seen[: len(wanted)] == wanted
    assert page.locator(":focus").count() == 1
    # Everything that opens by a key closes by Escape, the topmost first, and gives the focus back.
    for opener, inside in (("about-open", "about-close"), ("filters-open", "filters-title")):
        page.locator(f"#{opener}").focus()
        page.keyboard.press("Enter")
        assert where(page) == inside
        page.keyboard.press("Escape")
        assert where(page) == opener
    page.locator("#filters-open").focus()
    page.keyboard.press("Enter")
    page.locator("#filters-list").focus()
    page.keyboard.press("Enter")
    page.locator("#filters-found button").first.focus()
    first = where(page)
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    page.locator("#about-open").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    assert page.locator("#card").is_visible()
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    assert where(page) == first
    page.keyboard.press("Escape")
    assert page.locator("#filters").is_hidden()
    assert where(page) == "filters-open"
    page.locator("#legend summary").focus()
    page.keyboard.press("Escape")
    assert page.locator("#legend").get_attribute("open") is None
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"


def test_the_page_has_its_landmarks_and_headings(visit: Callable[..., Any]) -> None:
    page = visit(fragment="#1001")
    for role in ("banner", "main", "contentinfo", "search"):
        assert page.get_by_role(role).count() == 1
    levels = page.evaluate(
        """() => Array.from(document.querySelectorAll('h1, h2, h3, h4'))
        .filter((node) => node.getClientRects().length).map((node) => Number(node.tagName[1]))"""
    )
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_who_asks_for_less_motion_gets_none(visit: Callable[..., Any]) -> None:
    moving = "[map_district.options.zoomAnimation, map_district.options.inertia]"
    assert visit().evaluate(moving) == [True, True]
    assert visit(reduced_motion="reduce").evaluate(moving) == [False, False]


def test_colours_of_the_device_keep_what_is_pressed_apart(visit: Callable[..., Any]) -> None:
    page = visit(forced_colors="active")
    colour = "node => getComputedStyle(node).backgroundColor"
    pressed, other = (page.locator(f"#by-{name}").evaluate(colour) for name in ("family", "rank"))
    assert pressed != other
    page.fill("#search", "alder")
    page.keyboard.press("ArrowDown")
    chosen, other = (page.locator(f"#found-{number}").evaluate(colour) for number in (1, 2))
    assert chosen != other
