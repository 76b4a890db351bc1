"""The service's own pages in a real browser: usable, quiet, and asking nobody but their own server."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from roofplat.errors import LayerError
from roofplat.serve.config import TEMPLATES
from roofplat.serve.pages import BuiltFiles, render

DESK, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}
PATHS = [
    "/api?f=html",
    "/collections?f=html",
    "/collections/buildings?f=html",
    "/collections/buildings/schema?f=html",
    "/collections/buildings/items?f=html&limit=20",
    "/collections/buildings/items/MB-0001?f=html",
    "/processes?f=html",
    "/processes/plan-roof?f=html",
    "/conformance?f=html",
    "/openapi?f=html",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    program = shutil.which("chromium")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("CI needs a chromium for the browser tests.")
        pytest.skip("no chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=["--headless", "--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def page(browser: Any, demo_server: Any) -> Iterator[Any]:
    """A page that at its end has asked its own server alone, and complained of nothing."""
    opened = browser.new_page()
    asked: list[str] = []
    complaints: list[str] = []
    opened.on("request", lambda request: asked.append(request.url))
    opened.on("console", lambda message: complaints.append(message.text))
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    yield opened
    opened.close()
    assert asked
    assert all(url.startswith(f"{demo_server.url}/") for url in asked), asked
    assert complaints == []


@pytest.mark.browser
@pytest.mark.parametrize("path", PATHS)
def test_a_page_can_be_read_by_everyone(page: Any, demo_server: Any, path: str) -> None:
    for size in (DESK, PHONE):
        page.set_viewport_size(size)
        page.goto(demo_server.url + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        assert page.locator(".caution").is_visible()
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        # The style is there: the policy let it in.
        assert page.evaluate("getComputedStyle(document.querySelector('.caution')).borderTopWidth") == "3px"


@pytest.mark.browser
def test_the_form_filters_and_pages_lead_on(page: Any, demo_server: Any) -> None:
    page.goto(f"{demo_server.url}/collections/buildings/items?f=html")
    page.get_by_label("Dispatch area").fill("Kiln Yards")
    page.get_by_label("Items on a page").fill("7")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**dispatch_area=Kiln+Yards**")
    hits = demo_server.json("/collections/buildings/items?dispatch_area=Kiln%20Yards&resulttype=hits")
    assert f"7 of {hits['numberMatched']} items, from number 1." in page.inner_text("main")
    assert "Only: dispatch_area=Kiln Yards" in page.inner_text("main")
    assert page.locator(".items tbody tr").count() == 7
    first = page.locator(".items tbody th").first.inner_text()
    page.get_by_role("link", name="Next page").click()
    page.wait_for_url("**offset=7**")
    assert page.locator(".items tbody th").first.inner_text() != first
    page.get_by_role("link", name="Previous page").click()
    page.wait_for_url("**offset=0**")
    assert page.locator(".items tbody th").first.inner_text() == first
    page.get_by_role("link", name=first, exact=True).click()
    assert page.locator("h1").inner_text() == f"Buildings: {first}"


def test_only_built_pages_and_sheets_are_files(tmp_path: Path) -> None:
    listed = [
        "map.html",
        "areas/kiln-yards.html",
        "sheets/MB-0001.pdf",
        "sheets/areas/kiln-yards.pdf",
        "gone.html",
    ]
    others = ["layers.gpkg", "ranking.csv", "build.json", "/etc/passwd", "../secret.html", ".html"]
    others += ["sheets/../secret.html", "areas/../../x.html", "areas//x.html", "a/b.html", "sheets/.pdf"]
    others += ["secret.html\n"]
    for name in [*listed[:-1], "secret.html"]:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(name.encode())
    (tmp_path / "build.json").write_text(json.dumps({"outputs": [*listed, *others]}), "utf-8")
    files = BuiltFiles(tmp_path)
    assert files.names() == set(listed)
    for name in listed[:-1]:
        file, size, media, policy = files.open(name)
        with file:
            assert (file.read().decode(), size, policy) == (name, len(name), None)
        assert media == ("application/pdf" if name.endswith("pdf") else "text/html; charset=utf-8")
    for name in ["gone.html", "secret.html", *others]:
        with pytest.raises(LayerError):
            files.open(name)
    (tmp_path / "build.json").unlink()
    with pytest.raises(LayerError, match=r"build\.json of the build cannot be read"):
        files.names()


HOSTILE = '</style><script>window.hacked=1</script><img src=x onerror="hacked=1">{{7*7}}\'"${7*7}'


@pytest.mark.parametrize(
    "template",
    [path.relative_to(TEMPLATES).as_posix() for path in sorted(TEMPLATES.rglob("*.html"))
     if path.name not in ("_base.html", "values.html", "columns.html")],
)  # fmt: skip
def test_text_from_data_stays_text(template: str) -> None:
    """Every value that a page can show is one that would run as script."""
    bad = HOSTILE
    link = {"href": f"http://a/?b={bad}", "rel": "self", "type": "application/geo+json", "title": bad}
    place = {"type": bad, "coordinates": bad}
    one = {"id": bad, "title": bad, "description": bad, "type": bad, "enum": [bad]}
    item = {"id": bad, "properties": {bad: bad}, "geometry": place}
    asked = {"summary": bad, "parameters": [{"name": bad, "schema": one, **one}]}
    data: dict[str, Any] = {
        **one,
        **item,
        "links": [link, {**link, "rel": "next"}, {**link, "rel": "collection"}],
        "features": [item],
        "collections": [one],
        "processes": [one],
        "conformsTo": [bad],
        "inputs": {bad: one},
        "outputs": {bad: one},
        "example": {bad: bad},
        "extent": {"spatial": {"bbox": [[bad] * 4]}},
        "offset": 0,
        "numberMatched": 1,
        "collections_path": f"http://a/{bad}",
        "dataset_path": "http://a/x",
        "items_path": f"http://a/{bad}",
        "paths": {bad: {"get": asked}},
    }
    if template in ("collections/schema.html", "collections/queryables.html"):
        data["properties"] = {bad: one}
    config = {
        "server": {"url": "http://a", "limits": {"max_items": 9, "default_items": 5}},
        "metadata": {"identification": {"title": bad}},
        "roofplat": {"caution": bad, "district": bad, "build": bad, "fields": {"x": {bad: one}}},
        "resources": {"x": {"title": bad, "extents": {"spatial": {"bbox": [bad]}}}},
    }
    page = render(template, config, data)
    assert page.count("<script") == page.count("<img") == 0
    assert page.count("</style>") == 1
    assert 'onerror="' not in page
    assert "49" not in page
    assert "&lt;script&gt;" in page


@pytest.mark.browser
def test_by_keys_the_content_comes_first(page: Any, demo_server: Any) -> None:
    page.goto(f"{demo_server.url}/collections?f=html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Go to the content"
    page.keyboard.press("Enter")
    assert page.url.endswith("#main")
