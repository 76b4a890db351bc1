"""The map of a district, and of each dispatch area, as pages that open with no network at all.

In: the tables in the working CRS, the roof families, a scenario.
Out: `map.html` and `areas/<area>.html`: folium's map with Leaflet, our own drawing and the data
    inside one file.

The data stand in the page once, packed (`packing.py`), and reach the screen as text and as canvas
strokes only: nothing from a layer is ever read as markup or script.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import folium
from branca.element import Element
from folium.template import Template
from markupsafe import Markup, escape

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, NO_AREA, area_files, asset, write_whole
from roofplat.publish.map_data import MAP_FILE, PACKED_TABLES, pack_part
from roofplat.publish.map_parts import PackedPart, block_texts, late_of, overview_text, page_of, places_of
from roofplat.publish.overrides import override_lines
from roofplat.publish.page import LEAFLET_CSS, LEAFLET_JS, OfflineFigure, fill, leaflet_licence
from roofplat.publish.parts import Parts
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
# Where the title, the overview and the plans go in a page that is put together without them.
_MARKS = ("roofplat-title-mark", "roofplat-overview-mark", "roofplat-plans-mark")


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
        The two texts of the data; see `map_parts`.
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
    parts: Parts | Mapping[str, Any],
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
    parts
        At least `buildings`; the other tables where there are any. Working CRS. A part that has no file
        `map_data.MAP_FILE` is packed here.
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
    LayerError
        A packed part cannot be read, or is not that of the tables.
    """
    parts = parts if isinstance(parts, Parts) else Parts.of(parts)
    held = [
        PackedPart.of(parts.file(number, MAP_FILE) or pack_part(parts.held(number, PACKED_TABLES)))
        for number in range(len(parts))
    ]
    late, places = late_of(parts, held, sheets or {}), places_of(parts, held)
    frames = _frames(title, rules=rules, ground=ground, wind=wind)
    frames["ranked"] = (ranked or parts.count("ranking")) if "ranking" in parts.names else 0
    shell = _Shell.of(rules, ground)
    texts: dict[tuple[int, int], bytes] = {}

    def write(path: Path, heading: str, area: str | None) -> Path:
        page = page_of(held, area)
        here = {**frames, "title": heading, "sheets": "sheets/" if area is None else "../sheets/"}
        overview = overview_text(page, held, late, places, texts, frames=here, named=area)
        return write_whole(path, shell.page(heading, overview, block_texts(page, held, texts)))

    written = [write(out / "map.html", title, None)]
    names = _area_names(parts, held)
    stems = area_files(names)
    written += [write(out / "areas" / f"{stems[name]}.html", f"{title}: {name}", name) for name in names]
    return written


@dataclass(frozen=True, slots=True)
class _Shell:
    """A page cut at its title, its overview and its plans: all pages of a build are one but for these."""

    pieces: tuple[str, ...]

    @classmethod
    def of(cls, rules: Rulebook, ground: Ground) -> _Shell:
        page = OfflineMap(
            _MARKS[0],
            overview=_MARKS[1],
            plans=_MARKS[2],
            ground=ground.statement,
            interval=interval_words(rules),
            overridden=override_lines(rules),
        ).page()
        return cls(tuple(re.split("(" + "|".join(_MARKS) + ")", page)))

    def page(self, title: str, overview: bytes, plans: Iterable[bytes]) -> Iterator[bytes]:
        for piece in self.pieces:
            if piece == _MARKS[0]:
                yield escape(title).encode("utf-8")
            elif piece == _MARKS[1]:
                yield overview
            elif piece == _MARKS[2]:
                yield from plans
            else:
                yield piece.encode("utf-8")


def _frames(title: str, *, rules: Rulebook, ground: Ground, wind: Wind | None) -> dict[str, Any]:
    """What a page says beside the data."""
    return {
        "title": title,
        "sheets": "sheets/",
        "caution": CAUTION,
        "ground": ground.statement,
        "ground_scale": ground.scale,
        "ranked": 0,
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


def _area_names(parts: Parts, packed: Sequence[PackedPart]) -> list[str]:
    """Every dispatch area, and `NO_AREA` at the end where a building lies in none."""
    of_buildings = {name for part in packed for name in part.areas()}
    of_areas = set(parts.whole(["areas"])["areas"]["name"].dropna()) if "areas" in parts.names else set()
    return [*sorted((of_buildings | of_areas) - {NO_AREA}), *([NO_AREA] if NO_AREA in of_buildings else [])]


def _scenario_words(wind: Wind | None) -> str:
    words = "Standing plan, drawn before any fire: the fire spot is given or assumed."
    return words if wind is None else f"{words} {wind.words}."


def _family_class(lightweight: bool | None) -> str:
    return {True: "lightweight", False: "not lightweight", None: "unknown"}[lightweight]
