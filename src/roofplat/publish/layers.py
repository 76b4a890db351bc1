"""The GeoPackage with every layer of a district, in its working CRS.

In: the tables, and the frames `streets`, `areas`, `stations`.
Out: `layers.gpkg`, one layer a table, empty tables included; the same input gives the same bytes.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from roofplat.publish.files import CAUTION, whole_file
from roofplat.publish.overrides import override_records
from roofplat.rules import Rulebook
from roofplat.tables import TABLES

__all__ = ["LAST_CHANGE", "PLACES", "PLACE_KINDS", "fixed_clock", "in_parts", "write_layers"]

PLACES = ("streets", "areas", "stations")
PLACE_KINDS = {"streets": "MultiLineString", "areas": "MultiPolygon", "stations": "Point"}
# `roofs` is what the inventory hands to framing; `sections` and `facts` hold the same for readers.
_INNER = ("roofs",)
# What a layer holds, for the people who open the package without anything else at hand.
_DESCRIPTIONS: Mapping[str, str] = {
    "buildings": "Outlines with what is known of each building, and how",
    "sections": "Roof areas with one framing each: form, slope, way to open, ways rejected and why",
    "walls": "Straight runs of the outline with side letter and what they carry",
    "planes": "Planes of pitched roofs with slope, direction straight down, area along the slope",
    "members": "Beams, joists, rafters, trusses, ridges, hips, valleys and other members, with basis",
    "obstacles": "Units, skylights, vents, hatches, solar, hung loads, parapets, overhead lines",
    "ground": "Ground on which no ladder base can stand, and why",
    "collapse_zones": "How far from the walls a wall may fall, and the roofs that push walls out",
    "ladders": "Ladder spots from base to tip; aerials from the street; what is out of reach",
    "paths": "Paths of travel from the ladder along bearing lines",
    "checks": "Inspection cuts and indicator holes along the path",
    "openings": "Openings in order: what is there already, glazing, and cuts",
    "cuts": "The cuts of openings and trenches in order",
    "trenches": "Defensive strips from wall to wall",
    "solar_access": "Each solar array against each access rule: wanted, measured, met or not",
    "problems": "Everything refused, repaired, unmatched or in conflict",
    "facts": "Every value by source, date and basis, and which one is in force",
    "section_facts": "The same for what is said of single roof sections",
    "family_odds": "What an unknown roof may be, by region, period, occupancy and size",
    "ranking": "Which building to visit first, and why",
    "survey_next": "Which roof to survey next: where a look would change most",
    "streets": "Named streets",
    "areas": "Dispatch areas",
    "stations": "Fire stations",
}
LAST_CHANGE = "2000-01-01T00:00:00.000Z"
"""GeoPackage stores the time of the last change; a fixed one keeps equal input equal in bytes."""


def write_layers(tables: Mapping[str, pd.DataFrame], path: Path, *, rules: Rulebook | None = None) -> Path:
    """Write all tables into one GeoPackage.

    Parameters
    ----------
    tables
        Frames by the names of `tables.TABLES`, and `streets`, `areas`, `stations` with `name` and
        `geometry`, all in one working CRS. Missing ones are left out.
    path
        The file to write.
    rules
        The rules in force. With them the metadata of each layer hold `overridden_rules` beside
        `caution`: a JSON list of id, value and unit of every rule the department has changed.

    Returns
    -------
    Path
        `path`. Each layer carries a description of what it holds. Polygons and lines that may come
        in several parts are stored as multi-parts; layers
        of more than one kind of geometry are declared as `GEOMETRY`; `problems` and `facts` have
        none. Dates are stored as dates.

    Raises
    ------
    DistrictFileError
        The file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from roofplat.tables import empty
    >>> path = write_layers({"paths": empty("paths", "EPSG:32613")}, Path(tempfile.mkdtemp()) / "layers.gpkg")
    >>> pyogrio.list_layers(path).tolist()
    [['paths', 'LineString']]
    """
    metadata = {"caution": CAUTION}
    if rules is not None:
        # GeoPackage's metadata are text.
        metadata["overridden_rules"] = json.dumps(override_records(rules))
    with whole_file(path) as beside, fixed_clock():
        for name in (*(name for name in TABLES if name not in _INNER), *PLACES):
            if name in tables:
                _write_layer(tables[name], name, beside, metadata)
    return path


def _write_layer(frame: pd.DataFrame, name: str, path: Path, metadata: Mapping[str, str]) -> None:
    frame = frame.reset_index(drop=True)
    for column in frame.select_dtypes("datetime").columns:
        frame[column] = frame[column].astype("date32[pyarrow]")
    if not isinstance(frame, gpd.GeoDataFrame):
        pyogrio.write_dataframe(
            frame,
            path,
            layer=name,
            driver="GPKG",
            use_arrow=True,
            layer_metadata=dict(metadata),
            layer_options={"DESCRIPTION": _DESCRIPTIONS[name]},
        )
        return
    kind = PLACE_KINDS.get(name) or _stored_kind(TABLES[name].geometry)
    if kind.startswith("Multi"):
        frame = frame.set_geometry(gpd.GeoSeries(in_parts(frame.geometry.to_numpy(), kind), crs=frame.crs))
    pyogrio.write_dataframe(
        frame,
        path,
        layer=name,
        driver="GPKG",
        geometry_type=kind,
        use_arrow=True,
        layer_metadata=dict(metadata),
        layer_options={"DESCRIPTION": _DESCRIPTIONS[name]},
    )


def _stored_kind(kinds: tuple[str, ...]) -> str:
    if len(kinds) == 1:
        return kinds[0]
    return "MultiPolygon" if set(kinds) == {"Polygon", "MultiPolygon"} else "Unknown"


def in_parts(shapes: np.ndarray, kind: str) -> np.ndarray:
    """Wrap single parts so that a layer holds one kind of geometry.

    Parameters
    ----------
    shapes
        Geometry of one or more parts, shape (n,).
    kind
        `MultiPolygon` or `MultiLineString`.

    Returns
    -------
    ndarray
        Shape (n,); None where there was no part.

    Examples
    --------
    >>> in_parts(np.array([shapely.box(0, 0, 1, 1)]), "MultiPolygon")[0].geom_type
    'MultiPolygon'
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    make = shapely.multipolygons if kind == "MultiPolygon" else shapely.multilinestrings
    wrapped = np.full(len(shapes), None, dtype=object)
    if len(parts):
        made = np.asarray(make(parts, indices=owner))
        wrapped[np.unique(owner)] = made[np.unique(owner)]
    return wrapped


@contextlib.contextmanager
def fixed_clock() -> Iterator[None]:
    """Let GDAL write one time of the last change, whatever the clock says, while the block runs."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": LAST_CHANGE})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
