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
from roofplat.publish.map_overview import overview_page
from roofplat.publish.map_pages import block_texts, family_class, flatten_page, group_of, overview_text
from roofplat.publish.map_parts import PackedPart, Page, Places, late_of, page_of, places_of
from roofplat.publish.overrides import override_lines
from roofplat.publish.page import LEAFLET_CSS, LEAFLET_JS, OfflineFigure, fill, leaflet_licence
from roofplat.publish.parts import Parts
from roofplat.publish.wording import DUE_WORDS, METHOD_WORDS, interval_words
from roofplat.rules import Rulebook
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

__all__ = ["MOST_BUILDINGS", "OfflineMap", "Wind", "write_maps"]

MAX_ZOOM = 22
MOST_BUILDINGS = 200_000
"""Buildings on a page where nothing else is said."""
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
    most_buildings: int = MOST_BUILDINGS,
) -> list[Path]:
    """Write the district's map and one for each dispatch area.

    A page holds no more than `most_buildings`. Of more buildings `map.html` shows the areas and links to
    their pages; an area of more is cut into parts with pages of their own, and its page links to them.

    Parameters
    ----------
    parts
        At least `buildings`; the other tables where there are any; frames by name are one part. Working CRS.
        A part that has no file `map_data.MAP_FILE` is packed here.
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
    most_buildings
        On a page.

    Returns
    -------
    list of Path
        `map.html`, then `areas/<area>.html` in the order of the names; behind an area that is cut, its parts
        `areas/<area>-part-<number>.html`.

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
    leaves = _leaves(title, _area_names(parts, held), held, most_buildings)
    # Pages of areas that are one page together have its buildings.
    whole = None if leaves[0].parts else flatten_page(leaves[0].page, held, late)

    def page_of_leaf(leaf: _Leaf) -> Iterable[bytes]:
        if leaf.parts:
            return [_overview_of(leaf, held, places, rules, ground).encode("utf-8")]
        flat = whole or flatten_page(leaf.page, held, late)
        here = {**frames, "title": leaf.heading, "sheets": "sheets/" if leaf.area is None else "../sheets/"}
        overview = overview_text(leaf.page, flat, held, places, frames=here, named=leaf.area)
        return shell.page(leaf.heading, overview, block_texts(leaf.page, flat, held))

    return [write_whole(out / leaf.file, page_of_leaf(leaf)) for leaf in leaves]


@dataclass(frozen=True, slots=True)
class _Leaf:
    """One page: its file in the folder of the build, its heading, its blocks and the area that they are of.

    piece
        It has a part of the area.
    parts
        Pages that it links to, where it holds too many buildings to be a map itself.
    """

    file: str
    heading: str
    page: Page
    area: str | None
    piece: bool = False
    parts: tuple[_Leaf, ...] = ()


def _leaves(title: str, names: Sequence[str], packed: Sequence[PackedPart], most: int) -> list[_Leaf]:
    """All pages of a build, the map first, an area's parts behind it."""
    stems = area_files(names)
    areas, leaves = [], []
    for name in names:
        page, stem = page_of(packed, name), stems[name]
        cut = page.cut(packed, most) if page.buildings(packed) > most else []
        parts = tuple(
            _Leaf(
                f"areas/{_free_stem(f'{stem}-part-{number}', set(stems.values()))}.html",
                f"{title}: {name}, part {number} of {len(cut)}",
                part,
                name,
                piece=True,
            )
            for number, part in enumerate(cut, start=1)
        )
        areas.append(_Leaf(f"areas/{stem}.html", f"{title}: {name}", page, name, parts=parts))
        leaves += [areas[-1], *parts]
    whole = page_of(packed)
    linked = tuple(areas) if whole.buildings(packed) > most else ()
    # Where there is but one area, a page that leads to it alone helps nobody.
    linked = linked[0].parts if len(linked) == 1 else linked
    return [_Leaf("map.html", title, whole, None, parts=linked), *leaves]


def _overview_of(
    leaf: _Leaf, packed: Sequence[PackedPart], places: Places, rules: Rulebook, ground: Ground
) -> str:
    """The page of links to other pages."""
    groups = [
        group_of(
            part.page,
            packed,
            places,
            rules,
            name=part.heading.removeprefix(f"{leaf.heading}: ").replace(f"{leaf.heading}, part", "Part", 1),
            link=part.file if leaf.area is None else part.file.rpartition("/")[2],
            area=None if part.piece else part.area,
        )
        for part in leaf.parts
    ]
    return overview_page(
        leaf.heading,
        groups,
        ground=ground.statement,
        overridden=override_lines(rules),
        back=None if leaf.area is None else ("the district", "../map.html"),
    )


def _free_stem(stem: str, taken: set[str]) -> str:
    """A name that no area's page has."""
    while stem in taken:
        stem = f"{stem}-cut"
    return stem


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
        "venting": {"caution": VENTING_CAUTION, "wind": wind_words(rules)},
        "methods": dict(METHOD_WORDS),
        "due": dict(DUE_WORDS),
        "families": {
            key: {
                "label": family.label,
                "caution": family.caution,
                "class": family_class(rules, key),
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
