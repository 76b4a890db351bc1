"""The files of what changed between two states: a list, map layers, a page.

In: the changes, the two states, the rules.
Out: `changes/` in the folder of a build: `changes.csv`, `changes.gpkg`, `changes.geojson`, `changes.html`;
    each whole or not there at all, and the same input gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio

from roofplat.ground import Ground
from roofplat.publish.changes.drawing import draw_changes
from roofplat.publish.changes.page import changes_page
from roofplat.publish.changes.read import State, in_common, of_themselves, read_build
from roofplat.publish.changes.summary import KIND_WORDS, by_building, kind_counts
from roofplat.publish.files import CAUTION, whole_file, write_whole
from roofplat.publish.geojson import write_collection
from roofplat.publish.layers import fixed_clock, in_parts
from roofplat.publish.lists import write_list
from roofplat.publish.overrides import override_records
from roofplat.ranking.changes import Changes
from roofplat.rules import Rulebook

__all__ = [
    "CHANGES",
    "KIND_WORDS",
    "State",
    "by_building",
    "in_common",
    "kind_counts",
    "of_themselves",
    "read_build",
    "write_changes",
]

CHANGES = "changes"
"""Folder of a comparison in the folder of a build."""

_DECIMALS = {"by": 4}
_DESCRIPTIONS = {
    "changed_buildings": "One row a building that is not as it was, with what changed in words",
    "changes": "One row a change: what, before, after, by how much",
    "ladder_moves": "From where a ladder stood to where it stands",
}


def write_changes(
    changes: Changes,
    before: State,
    after: State,
    *,
    district: str,
    notes: Sequence[str],
    rules: Rulebook,
    ground: Ground,
    out: Path,
) -> list[Path]:
    """Write every file of a comparison.

    Parameters
    ----------
    changes
        From `ranking.changes.compare_states`.
    before, after
        The two states.
    district
        Its name.
    notes
        What else is to be known of the two, as sentences.
    rules, ground
        What is in force.
    out
        The folder of a build; the files go to `changes/` in it and take the place of earlier ones.

    Returns
    -------
    list of Path
        The files written, in order.

    Raises
    ------
    DistrictFileError
        The folder cannot be written.
    """
    folder = out / CHANGES
    rows = changes.rows
    buildings = by_building(rows)
    layers = {"changed_buildings": buildings, "ladder_moves": changes.moves}
    head: dict[str, Any] = {
        "name": f"{district}: what changed",
        "before": before.label,
        "after": after.label,
        "caution": CAUTION,
        "overridden_rules": override_records(rules),
    }
    drawn = draw_changes(
        buildings,
        changes.moves,
        buildings=after.tables["buildings"],
        streets=after.tables.get("streets"),
        ground=ground,
    )
    page = changes_page(
        rows,
        buildings,
        drawn=drawn,
        district=district,
        labels=(before.label, after.label),
        notes=notes,
        rules=rules,
        ground=ground.statement,
    )
    return [
        write_list(rows.round(_DECIMALS), folder / "changes.csv"),
        _write_package({**layers, "changes": pd.DataFrame(rows).drop(columns="geometry")}, head, folder),
        write_collection(head, layers, folder / "changes.geojson"),
        write_whole(folder / "changes.html", page),
    ]


def _write_package(layers: dict[str, Any], head: dict[str, Any], folder: Path) -> Path:
    """The layers for a GIS; the rows of all changes have no geometry and join by building_id."""
    path = folder / "changes.gpkg"
    # GeoPackage's metadata are text.
    told = {key: value if isinstance(value, str) else json.dumps(value) for key, value in head.items()}
    with whole_file(path) as beside, fixed_clock():
        for name, frame in layers.items():
            words: dict[str, Any] = {
                "layer": name,
                "driver": "GPKG",
                "use_arrow": True,
                "layer_metadata": told,
                "layer_options": {"DESCRIPTION": _DESCRIPTIONS[name]},
            }
            if isinstance(frame, gpd.GeoDataFrame):
                kind = "MultiPolygon" if name == "changed_buildings" else "LineString"
                if kind == "MultiPolygon":
                    shapes = in_parts(frame.geometry.to_numpy(), kind)
                    frame = frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))
                pyogrio.write_dataframe(frame, beside, geometry_type=kind, **words)
            else:
                pyogrio.write_dataframe(frame, beside, **words)
    return path
