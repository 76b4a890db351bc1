"""The live page is the map and a little more: what it may ask, and which files it refuses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from markupsafe import Markup

from roofplat.errors import LayerError
from roofplat.publish.live import live_page
from roofplat.publish.page import ExternalLinkError, StrangePageError, added_to, html_page, policy_of
from roofplat.publish.wording import METHOD_WORDS
from roofplat.tables import CAUTION


def parts_of(policy: str) -> dict[str, set[str]]:
    return {name: set(words) for name, *words in (part.split() for part in policy.split("; "))}


def test_the_live_page_may_ask_its_own_server_and_nothing_else(maps: dict[str, Path]) -> None:
    before = maps["map.html"].read_bytes()
    page = live_page(before).decode("utf-8")
    old, new = (parts_of(policy_of(text)) for text in (before.decode("utf-8"), page))
    assert old["connect-src"] == {"'none'"}
    assert new["connect-src"] == {"'self'"}
    for name in ("script-src", "style-src"):
        assert old[name] < new[name]
        assert all(source.startswith("'sha256-") for source in new[name])
    assert {name: new[name] for name in ("default-src", "img-src", "base-uri", "form-action")} == {
        name: old[name] for name in ("default-src", "img-src", "base-uri", "form-action")
    }
    # The file of the build is as it was, and the same file gives the same page.
    assert maps["map.html"].read_bytes() == before
    assert live_page(before).decode("utf-8") == page


def test_the_live_page_holds_the_data_the_caution_and_every_method_once(maps: dict[str, Path]) -> None:
    before = maps["map.html"].read_text("utf-8")
    page = live_page(before.encode("utf-8")).decode("utf-8")
    for name in ("overview", "plans"):
        packed = re.search(rf'<script type="application/gzip" id="{name}">([^<]*)</script>', before)
        assert packed
        assert page.count(packed[0]) == 1
    # In the dialog that lies over the foot of the page, too.
    escaped = CAUTION.replace("'", "&#39;")
    assert page.count(escaped) == before.count(escaped) + 1
    offered = re.findall(r'<option value="(\w+)">', page)
    assert offered == list(METHOD_WORDS)


def test_areas_stay_as_they_are(maps: dict[str, Path]) -> None:
    for name, path in maps.items():
        if "areas/" in name:
            assert "connect-src 'none'" in policy_of(path.read_text("utf-8"))


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("roofplat.start(", "roofplat.stop(", 1),
        lambda text: text.replace("connect-src 'none'", "connect-src *", 1),
        lambda text: text.replace("</head>", "<style>p { color: red }</style></head>", 1),
        lambda text: text.replace("</body>", "<script>alert(1)</script></body>", 1),
        lambda text: text.replace("http-equiv", "name", 1),
        lambda text: "",
    ],
)
def test_a_page_that_is_not_as_it_was_built_is_refused(maps: dict[str, Path], change: object) -> None:
    text = maps["map.html"].read_text("utf-8")
    changed = change(text)  # type: ignore[operator]
    assert changed != text
    with pytest.raises(LayerError, match=r"^map\.html is not a map of this version of roofplat; build"):
        live_page(changed.encode("utf-8"))


def test_a_page_of_another_version_or_no_text_is_refused() -> None:
    other = html_page("Plan", styles=[], scripts=["roofplat.start(map)"], body=Markup(""))
    for content in (other.encode("utf-8"), b"\xff\xfe\x00"):
        with pytest.raises(LayerError):
            live_page(content)
    with pytest.raises(StrangePageError):
        added_to(other, styles=[], scripts=[], body=Markup(""), known=["another()"])


def test_what_is_added_may_not_point_to_a_network() -> None:
    page = html_page("Plan", styles=[], scripts=["start()"], body=Markup(""))
    for styles, body in (
        (["p { background: url(https://example.org/a.png) }"], ""),
        ([], '<img src="//example.org/a.png">'),
    ):
        with pytest.raises(ExternalLinkError):
            added_to(page, styles=styles, scripts=[], body=Markup(body), known=[])
