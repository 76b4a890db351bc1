"""Pages carry all they need, refuse everything else, and hold the Leaflet that was checked."""

from __future__ import annotations

import hashlib
import re
from importlib import resources

import folium
import folium.plugins
import pytest
from markupsafe import Markup

from roofplat.publish import OfflineMap
from roofplat.publish.page import (
    ExternalLinkError,
    fill,
    html_page,
    leaflet_file,
    leaflet_licence,
    refuse_external,
)


# Sums of the files of the npm package leaflet 1.9.4, which the Python package repeats.
@pytest.mark.parametrize(
    ("name", "sha256"),
    [
        ("leaflet.js", "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a"),
        ("leaflet.css", "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6"),
    ],
)
def test_leaflet_is_the_one_that_was_checked(name: str, sha256: str) -> None:
    file = resources.files("js_lib_leaflet").joinpath("static", "js_lib_leaflet", name)
    assert hashlib.sha256(file.read_bytes()).hexdigest() == sha256


def test_leaflet_comes_without_links_and_with_its_licence() -> None:
    assert "sourceMappingURL" not in leaflet_file("leaflet.js")
    addresses = re.findall(r"url\(([^)]*)\)", leaflet_file("leaflet.css"))
    assert len(addresses) >= 4
    assert all(address.startswith(("data:image/png;base64,", "#")) for address in addresses)
    assert "Redistribution and use in source and binary forms" in leaflet_licence()


@pytest.mark.parametrize(
    "markup",
    [
        '<script src="https://example.org/a.js"></script>',
        '<link rel="stylesheet" href="//example.org/a.css">',
        '<img src="http://example.org/a.png">',
        '<img src="/etc/a.png">',
        '<a href="javascript:alert(1)">x</a>',
        "<style>@import 'a.css';</style>",
        "<style>p { background: url(https://example.org/a.png) }</style>",
        '<p style="background: url(//example.org/a.png)">x</p>',
    ],
)
def test_a_page_that_would_ask_a_network_is_refused(markup: str) -> None:
    with pytest.raises(ExternalLinkError):
        refuse_external(f"<html><body>{markup}</body></html>")


@pytest.mark.parametrize("text", ["a </script> b", "a <!-- b"])
def test_a_script_cannot_end_its_own_element(text: str) -> None:
    with pytest.raises(ExternalLinkError):
        html_page("x", styles=[], scripts=[text], body=Markup(""))


def test_a_folium_child_with_its_own_link_makes_rendering_raise() -> None:
    page = OfflineMap("Demo", overview="", plans="", ground="", interval="")
    page.add_child(folium.Element("<p>plain</p>"))
    folium.plugins.Fullscreen().add_to(page)
    with pytest.raises(ExternalLinkError):
        page.page()


def test_two_maps_do_not_share_anything_and_say_the_same() -> None:
    first, second = (
        OfflineMap("Demo", overview="", plans="", ground="Feet.", interval=""),
        OfflineMap("Demo", overview="", plans="", ground="Feet.", interval=""),
    )
    assert first.page() == second.page()
    # Rendering again must not pile up links.
    assert first.page() == second.page()
    assert folium.Map.default_js[0][1].startswith("https://")


def test_filled_parts_are_escaped() -> None:
    text = fill("page.html.j2", title="<b>", policy="", styles=[], scripts=[], body="<i>", after="")
    assert "&lt;b&gt;" in text
    assert "&lt;i&gt;" in text
