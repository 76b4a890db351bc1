"""The map for everybody: an accessibility engine over every state, layout by screen, focus, larger text."""

from __future__ import annotations

from collections.abc import Callable
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
        page.close()
    assert {state: rules for state, rules in found.items() if rules} == {}
