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
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from branca.element import Element
from folium.template import Template
from markupsafe import Markup

from roofplat.ground import Ground
from roofplat.publish.files import CAUTION, NO_AREA, area_files, asset, write_whole
from roofplat.publish.geojson import area_names
from roofplat.publish.overrides import override_lines
from roofplat.publish.packing import STEPS_PER_DEGREE, pack_column, pack_document, pack_shapes
from roofplat.publish.page import LEAFLET_CSS, LEAFLET_JS, OfflineFigure, fill, leaflet_licence
from roofplat.publish.wording import METHOD_WORDS
from roofplat.rules import Rulebook
from roofplat.tables import TABLES, empty

__all__ = ["OfflineMap", "Wind", "write_maps"]

MAX_ZOOM = 22
_ZONE_DETAIL_DEG = 2e-6  # about 20 cm
_SCRIPTS = ("map_data.js", "map_draw.js", "map_page.js")

# What each layer of the page carries beside its shapes: columns a card, a label or a look needs.
_BUILDING_COLUMNS = (
    "building_id",
    "name",
    "address",
    "occupancy",
    "year_built",
    "storeys",
    "height_ft",
    "height_basis",
    "sprinklered",
    "area_ft2",
    "dispatch_area",
    "roof_family",
    "family_basis",
    "p_lightweight",
    "surveyed_on",
    "inspected_on",
    "alert",
)
_RANKING_COLUMNS = ("rank", "score", "class", "reasons", "next_due")
_PLAN_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "sections": (
        "part",
        "area_ft2",
        "true_area_ft2",
        "roof_family",
        "family_basis",
        "framing_axis_deg",
        "axis_basis",
        "roof_shape",
        "shape_basis",
        "slope_deg",
        "slope_basis",
        "rise_ft",
        "fire_basis",
        "wind_from_deg",
        "wind_basis",
        "cut_method",
        "cut_method_why",
        "methods_rejected",
    ),
    "walls": ("kind", "kind_basis", "side_letter", "outward_deg"),
    "planes": ("part", "downslope_deg", "slope_deg", "area_ft2", "basis"),
    "members": ("part", "kind", "count", "spacing_ft", "basis"),
    "obstacles": ("kind", "height_ft", "basis"),
    "collapse_zones": ("distance_ft", "height_ft", "height_basis", "pushes_out", "why"),
    "ladders": (
        "rank",
        "side",
        "apparatus",
        "ladder_ft",
        "base_setback_ft",
        "support_ft",
        "highest_ft",
        "aerial_setback_ft",
        "in_collapse_zone",
        "height_basis",
        "usng",
        "reasons",
    ),
    "paths": (),
    "checks": ("kind",),
    "openings": ("seq", "method", "area_ft2", "usng", "why"),
    "trenches": ("method", "length_ft", "usng", "why"),
    "solar_access": ("part", "array", "finding", "basis", "message"),
    "fires": ("fire_basis",),
}
_MADE_HERE = ("fires",)
_PLACES = ("streets", "areas", "stations")
# Columns of layers that belong to no building.
_FREE_COLUMNS: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(_PLACES, ("name",)),
    "ground": ("kind", "basis"),
}
_AUDIT_COLUMNS = ("solar_checks", "solar_met")


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
    data
        Text of `packing.pack_document`.
    ground
        The sentence on what a foot means.
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
            { center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }},
              ...{{ this.options|tojavascript }} });
        L.control.scale({ maxWidth: 160 }).addTo({{ this.get_name() }});
        roofplat.start({{ this.get_name() }});
        {% endmacro %}
        """
    )

    def __init__(self, title: str, *, data: str, ground: str, overridden: Sequence[str] = ()) -> None:
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
            overridden=list(overridden),
            licence=leaflet_licence(),
            data=data,
        )
        self.figure = OfflineFigure(title)
        self.figure.add_child(self)

    def render(self, **kwargs: Any) -> str:
        """Put the map, its styles and its scripts into the figure."""
        figure = self.figure
        super().render(**kwargs)  # type: ignore[no-untyped-call]
        figure.header.add_child(_AsIs(asset("map.css")), name="map_css")
        for place, name in enumerate(_SCRIPTS):
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

    Returns
    -------
    list of Path
        `map.html`, then `areas/<area>.html` in the order of the names.

    Raises
    ------
    DistrictFileError
        A file cannot be written.
    """
    lonlat = _to_lonlat(tables)
    frames = {
        "title": title,
        "caution": CAUTION,
        "ground": ground.statement,
        "ranked": len(tables["ranking"]) if "ranking" in tables else 0,
        "scenario": _scenario_words(wind),
        "wind": None
        if wind is None
        else {"from_deg": float(wind.from_deg), "words": wind.words, "given": wind.basis == "given"},
        "methods": dict(METHOD_WORDS),
        "families": {
            key: {
                "label": family.label,
                "caution": family.caution,
                "class": _family_class(family.lightweight),
            }
            for key, family in rules.families.items()
        },
    }
    words = {"ground": ground.statement, "overridden": override_lines(rules)}
    written = [_write_map(lonlat, frames, title, words, out / "map.html")]
    names = area_names(tables)
    stems = area_files(names)
    for name in names:
        part = _of_area(lonlat, name)
        path = out / "areas" / f"{stems[name]}.html"
        written.append(_write_map(part, frames, f"{title}: {name}", words, path))
    return written


def _write_map(
    lonlat: Mapping[str, Any], frames: Mapping[str, Any], title: str, words: Mapping[str, Any], path: Path
) -> Path:
    data = pack_document({**frames, **_packed(lonlat)})
    return write_whole(path, OfflineMap(title, data=data, **words).page())


def _scenario_words(wind: Wind | None) -> str:
    words = "Standing plan, drawn before any fire: the fire spot is given or assumed."
    return words if wind is None else f"{words} {wind.words}."


def _family_class(lightweight: bool | None) -> str:
    return {True: "lightweight", False: "not lightweight", None: "unknown"}[lightweight]


def _to_lonlat(tables: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
    """Bring every layer of the map to WGS 84; layers that are missing come out empty."""
    ready: dict[str, Any] = {}
    for name in ("buildings", *(name for name in _PLAN_COLUMNS if name not in _MADE_HERE), *_FREE_COLUMNS):
        frame: Any = tables.get(name)
        if frame is None or frame.empty:
            frame = empty(name, "EPSG:4326") if name in TABLES else _no_places()
        ready[name] = frame.reset_index(drop=True).to_crs("EPSG:4326")
    ids = pd.Index(ready["buildings"]["building_id"])
    if "ranking" in tables:
        ranking = pd.DataFrame(tables["ranking"]).set_index("building_id")[list(_RANKING_COLUMNS)]
        ready["buildings"] = ready["buildings"].join(ranking, on="building_id")
    ready["buildings"] = ready["buildings"].join(_audit_counts(ready["solar_access"]), on="building_id")
    ready["solar_access"] = _not_met(ready["solar_access"])
    ready["walls"] = ready["walls"].assign(side_letter=_side_letters(ready["walls"]))
    # The edges of a plane are drawn as walls, ridges, hips and valleys: its arrow needs a place alone.
    ready["planes"] = ready["planes"].set_geometry(ready["planes"].geometry.representative_point())
    # Round corners of a zone need no more points than show.
    ready["collapse_zones"] = ready["collapse_zones"].set_geometry(
        ready["collapse_zones"].geometry.simplify(_ZONE_DETAIL_DEG)
    )
    # Every building has a section; its outline says something new only where there are several.
    sections = ready["sections"]
    ready["fires"] = _fires(sections)
    numbers = pd.Series(
        sections.groupby("building_id").cumcount().to_numpy() + 1, index=sections["section_id"]
    )
    for name in ("sections", "planes", "members", "solar_access"):
        part = ready[name]["section_id"].map(numbers[~numbers.index.duplicated()])
        ready[name] = ready[name].assign(part=part.astype("Int64"))
    sections = ready["sections"]
    alone = ~sections["building_id"].duplicated(keep=False)
    ready["sections"] = sections.set_geometry(sections.geometry.mask(alone.to_numpy(dtype=bool), None))
    for name in _PLAN_COLUMNS:
        ready[name] = ready[name].assign(building=ids.get_indexer(ready[name]["building_id"]))
    return ready


def _no_places() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": pd.Series([], dtype="str")}, geometry=[], crs="EPSG:4326")


def _fires(sections: pd.DataFrame) -> gpd.GeoDataFrame:
    """Make points of the fire spots that the standing plans assume."""
    spots = sections.loc[sections["planned"].fillna(False).astype(bool) & sections["fire_lon"].notna()]
    points = gpd.points_from_xy(spots["fire_lon"], spots["fire_lat"], crs="EPSG:4326")
    return gpd.GeoDataFrame(pd.DataFrame(spots[["building_id", "fire_basis"]]), geometry=points).reset_index(
        drop=True
    )


def _audit_counts(audit: pd.DataFrame) -> pd.DataFrame:
    """Count for each building how many access checks its solar arrays had, and how many they met."""
    met = audit["passes"].fillna(False).astype(bool)
    counts = met.groupby(audit["building_id"]).agg(["size", "sum"]).astype("Int64")
    return counts.set_axis(list(_AUDIT_COLUMNS), axis=1)


def _not_met(audit: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep what the audit did not find met; each array is drawn once, by the worst of its findings."""
    failed = (~audit["passes"].fillna(True).astype(bool)).to_numpy(dtype=bool)
    audit = audit.assign(finding=pd.Series(np.where(failed, "failed", "open"), dtype="str"))
    audit = audit[audit["passes"].isna().to_numpy() | failed]
    audit = audit.sort_values("finding", kind="stable").reset_index(drop=True)
    again = audit.duplicated(["section_id", "array"]).to_numpy()
    return audit.set_geometry(audit.geometry.mask(again, None))


def _side_letters(walls: pd.DataFrame) -> pd.Series:
    """Keep the letter of each side's longest wall: one label a side is enough."""
    order = walls.sort_values("length_ft", ascending=False, kind="stable")
    first = ~order.duplicated(["building_id", "side"])
    return walls["side"].where(first.reindex(walls.index))


def _of_area(lonlat: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Cut out the buildings of one area, their plans, and the streets and lines around them."""
    buildings = lonlat["buildings"]
    here = (buildings["dispatch_area"].fillna(NO_AREA) == name).to_numpy(dtype=bool)
    number = np.where(here, np.cumsum(here) - 1, -1)
    part = {"buildings": buildings[here].reset_index(drop=True)}
    reach = part["buildings"] if here.any() else lonlat["areas"][lonlat["areas"]["name"] == name]
    around = shapely.box(*reach.total_bounds) if len(reach) else None
    for key in (*_PLAN_COLUMNS, *_FREE_COLUMNS):
        frame = lonlat[key]
        if key in _PLAN_COLUMNS:
            owner = frame["building"].to_numpy()
            # Position -1, a thing of no building, takes the number that is put last.
            frame = frame.assign(building=np.append(number, -1)[owner])
        if key in _FREE_COLUMNS or key == "obstacles":
            wanted = np.zeros(len(frame), dtype=bool)
            if around is not None:
                wanted = shapely.intersects(frame.geometry.to_numpy(), around)
        else:
            wanted = frame["building"].to_numpy() >= 0
        part[key] = frame[wanted].reset_index(drop=True)
    return part


def _packed(lonlat: Mapping[str, Any]) -> dict[str, Any]:
    buildings = lonlat["buildings"]
    ranked = [column for column in _RANKING_COLUMNS if column in buildings]
    layers = {"buildings": _layer(buildings, (*_BUILDING_COLUMNS, *ranked, *_AUDIT_COLUMNS))}
    for name, wanted in _PLAN_COLUMNS.items():
        layers[name] = _layer(lonlat[name], ("building", *wanted))
    for name, wanted in _FREE_COLUMNS.items():
        layers[name] = _layer(lonlat[name], wanted)
    bounds = None
    seen = buildings if len(buildings) else lonlat["areas"]
    if len(seen):
        west, south, east, north = (float(value) for value in seen.total_bounds)
        bounds = [[south, west], [north, east]]
    return {"steps_per_degree": STEPS_PER_DEGREE, "bounds": bounds, "layers": layers}


def _layer(frame: gpd.GeoDataFrame, columns: tuple[str, ...]) -> dict[str, Any]:
    return {
        "shapes": pack_shapes(frame.geometry.to_numpy()),
        "columns": {name: pack_column(frame[name]) for name in columns},
    }
