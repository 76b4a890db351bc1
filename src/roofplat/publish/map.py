"""The map of a district, and of each dispatch area, as pages that open with no network at all.

In: the tables in the working CRS, the roof families, a scenario.
Out: `map.html` and `areas/<area>.html`: folium's map with Leaflet, our own drawing and the data
    inside one file.

The data stand in the page once, packed (`packing.py`), and reach the screen as text and as canvas
strokes only: nothing from a layer is ever read as markup or script.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import folium
import pandas as pd
from branca.element import Element
from folium.template import Template
from markupsafe import Markup

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, area_files, asset, write_whole
from roofplat.publish.geojson import area_names
from roofplat.publish.map_data import FlatMap, flatten_map
from roofplat.publish.overrides import override_lines
from roofplat.publish.page import LEAFLET_CSS, LEAFLET_JS, OfflineFigure, fill, leaflet_licence
from roofplat.publish.wording import DUE_WORDS, METHOD_WORDS, interval_words
from roofplat.rules import Rulebook

__all__ = ["OfflineMap", "Wind", "write_maps"]

MAX_ZOOM = 22
SCRIPTS = (
    "map_data.js",
    "map_draw.js",
    "map_tiles.js",
    "map_find.js",
    "map_filter.js",
    "map_legend.js",
    "map_card.js",
    "map_tools.js",
    "map_page.js",
)
_STYLES = ("map.css", "map_card.css", "map_print.css")


@dataclass(frozen=True, slots=True)
class Wind:
    """The wind a standing plan assumes: direction it comes from, and how that is known."""

    from_deg: float
    basis: str

    @property
    def words(self) -> str:
        """The wind as a label.

        Examples
        --------
        >>> Wind(270.0, "assumed").words
        'Wind from 270° (assumed)'
        """
        return f"Wind from {self.from_deg:.0f}° ({self.basis})"


class OfflineMap(folium.Map):
    """A folium map that carries Leaflet, our drawing and the data in its own page.

    Of folium's scripts and style sheets only Leaflet's are kept, from the package that carries
    them; a child that brings a link without a local copy makes rendering raise
    `page.ExternalLinkError`.

    Parameters
    ----------
    title
        Heading of the page.
    overview, plans
        The two texts of `map_data.FlatMap.packed`.
    ground
        The sentence on what a foot means.
    interval
        How often a rank lies in its span, as `wording.interval_words` says it.
    overridden
        A line for each rule the department has changed.
    """

    default_js = [("leaflet", LEAFLET_JS)]  # noqa: RUF012  folium's own form
    default_css = [("leaflet_css", LEAFLET_CSS)]  # noqa: RUF012
    _template = Template(
        """
        {% macro html(this, kwargs) %}{{ this.body }}{% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }},
            { center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, ...roofplat.motion(),
              ...{{ this.options|tojavascript }} });
        L.control.scale({ maxWidth: 160 }).addTo({{ this.get_name() }});
        roofplat.start({{ this.get_name() }});
        {% endmacro %}
        """
    )

    def __init__(
        self,
        title: str,
        *,
        overview: str,
        plans: str,
        ground: str,
        interval: str,
        overridden: Sequence[str] = (),
    ) -> None:
        super().__init__(
            location=(0.0, 0.0), tiles=None, zoom_start=2, max_zoom=MAX_ZOOM, attribution_control=False
        )
        # Without the options below, `tiles=None` would drop the largest zoom.
        self.options["max_zoom"] = MAX_ZOOM
        # A fixed name: the same input gives the same bytes.
        self._id = "district"
        self.title = title
        self.body: Markup = fill(
            "map.html.j2",
            title=title,
            map_id=self.get_name(),
            caution=CAUTION,
            ground=ground,
            interval=interval,
            overridden=list(overridden),
            licence=leaflet_licence(),
            overview=overview,
        )
        self.figure = OfflineFigure(title, after=fill("map_plans.html.j2", plans=plans))
        self.figure.add_child(self)

    def render(self, **kwargs: Any) -> str:
        """Put the map, its styles and its scripts into the figure."""
        figure = self.figure
        super().render(**kwargs)  # type: ignore[no-untyped-call]
        for name in _STYLES:
            figure.header.add_child(_AsIs(asset(name)), name=name)
        for place, name in enumerate(SCRIPTS):
            figure.script.add_child(_AsIs(asset(name)), name=name, index=place)
        return ""

    def page(self) -> str:
        """Return the whole page as HTML.

        Raises
        ------
        roofplat.publish.page.ExternalLinkError
            Something in it would ask a network.
        """
        return self.figure.render()


class _AsIs(Element):
    """Text that is not a template: it may hold braces."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def render(self, **kwargs: Any) -> str:  # noqa: ARG002  every element is rendered so
        return self._text


def write_maps(
    tables: Mapping[str, pd.DataFrame],
    *,
    title: str,
    rules: Rulebook,
    ground: Ground,
    wind: Wind | None,
    out: Path,
    sheets: Mapping[str, str] | None = None,
    ranked: int | None = None,
) -> list[Path]:
    """Write the district's map and one for each dispatch area.

    Parameters
    ----------
    tables
        At least `buildings`; the others where there are any. Working CRS.
    title
        Name of the district.
    rules
        For the roof families: label, caution, lightweight or not; and for what the department has
        changed.
    ground
        For the statement on feet.
    wind
        What the standing plans assume; None shows no arrow.
    out
        The folder of the build.
    sheets
        For ids of buildings, the name of the sheet in the folder `sheets`; a card offers it.
    ranked
        How many buildings were ranked, where the tables hold a part of them; else those that they hold.

    Returns
    -------
    list of Path
        `map.html`, then `areas/<area>.html` in the order of the names.

    Raises
    ------
    DistrictFileError
        A file cannot be written.
    """
    flat = flatten_map(tables, sheets=sheets)
    frames = {
        "title": title,
        "sheets": "sheets/",
        "caution": CAUTION,
        "ground": ground.statement,
        "ground_scale": ground.scale,
        "ranked": (ranked or len(tables["ranking"])) if "ranking" in tables else 0,
        "interval": interval_words(rules),
        "scenario": _scenario_words(wind),
        "wind": None
        if wind is None
        else {"from_deg": float(wind.from_deg), "words": wind.words, "given": wind.basis == "given"},
        "methods": dict(METHOD_WORDS),
        "due": dict(DUE_WORDS),
        "families": {
            key: {
                "label": family.label,
                "caution": family.caution,
                "class": _family_class(family.lightweight),
            }
            for key, family in rules.families.items()
        },
    }
    words = {
        "ground": ground.statement,
        "interval": frames["interval"],
        "overridden": override_lines(rules),
    }
    written = [_write_map(flat, frames, title, words, out / "map.html")]
    names = area_names(tables)
    stems = area_files(names)
    for name in names:
        path = out / "areas" / f"{stems[name]}.html"
        here = {**frames, "sheets": "../sheets/"}
        written.append(_write_map(flat.area(name), here, f"{title}: {name}", words, path))
    return written


def _write_map(
    flat: FlatMap, frames: Mapping[str, Any], title: str, words: Mapping[str, Any], path: Path
) -> Path:
    overview, plans = flat.packed(frames)
    return write_whole(path, OfflineMap(title, overview=overview, plans=plans, **words).page())


def _scenario_words(wind: Wind | None) -> str:
    words = "Standing plan, drawn before any fire: the fire spot is given or assumed."
    return words if wind is None else f"{words} {wind.words}."


def _family_class(lightweight: bool | None) -> str:
    return {True: "lightweight", False: "not lightweight", None: "unknown"}[lightweight]
