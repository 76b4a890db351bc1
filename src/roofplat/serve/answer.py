"""The answer to a what-if as one GeoJSON text.

In: the rows of one building planned for a scenario, in the working CRS, and what was asked.
Out: the bytes of a FeatureCollection, RFC 7946: longitude and latitude on WGS 84, exterior rings counter-
    clockwise, 8 decimals (about 1 mm, so that drawn corners stay square). Beside its features it carries the
    caution, the scenario and the reasons. The same rows give the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.pipeline.scenarios import Answer, Scenario
from roofplat.publish.stock import StockSetting
from roofplat.publish.wording import reason_sentence, rejected_methods
from roofplat.tables import CAUTION

__all__ = ["ANSWER_LAYERS", "answer_json", "planned_section", "scenario_of"]

ANSWER_LAYERS = (
    "sections",
    "walls",
    "planes",
    "members",
    "obstacles",
    "ladders",
    "paths",
    "checks",
    "openings",
    "cuts",
    "trenches",
    "collapse_zones",
)
"""Layers of an answer, in the order of its features."""

_DECIMALS = 8
_TRENCH_CODES = "trench_"
_encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode


def answer_json(answer: Answer, setting: StockSetting, to_lonlat: Transformer) -> bytes:
    """Write an answer.

    Parameters
    ----------
    answer
        Rows of one building in the working CRS, and the scenario asked for.
    setting
        What holds for the whole district.
    to_lonlat
        From the working CRS to longitude and latitude, x first. A transformer serves one thread at a time.

    Returns
    -------
    bytes
        UTF-8. A feature's `id` is its layer and its number there, from 1; its properties are the columns of
        `tables.TABLES[layer]` and `layer`.
    """
    tables = answer.tables
    layers = [(name, tables[name]) for name in ANSWER_LAYERS if name in tables and len(tables[name])]
    shapes: Any = np.concatenate([np.asarray(frame.geometry.array, dtype=object) for _, frame in layers])
    outlines = shapely.to_geojson(_in_lonlat(shapes, to_lonlat)).tolist()
    features: list[str] = []
    for name, frame in layers:
        for number, row in enumerate(_records(frame), start=1):
            geometry = outlines[len(features)] or "null"
            features.append(
                f'{{"type":"Feature","id":"{name}.{number}","geometry":{geometry},'
                f'"properties":{_encode({"layer": name, **row})}}}'
            )
    head = {
        "type": "FeatureCollection",
        "caution": CAUTION,
        "district": setting.district,
        "build": setting.build,
        "scenario": scenario_of(answer),
        "reasons": _reasons(tables),
    }
    text = _encode(head)[:-1] + ',"features":[\n' + ",\n".join(features) + "\n]}\n"
    return text.encode("utf-8")


def scenario_of(answer: Answer) -> dict[str, Any]:
    """What the plan assumes, and what was asked for.

    Returns
    -------
    dict
        `building_id`; `fire` (longitude, latitude) with `fire_basis`; `wind_from_deg` (from true north) with
        `wind_basis`; `method_preferred` as asked, `method` as planned; `ladder` as asked. None where there is
        none.
    """
    asked: Scenario = answer.scenario
    planned = planned_section(answer.tables)
    lon, lat = planned.get("fire_lon"), planned.get("fire_lat")
    return {
        "building_id": asked.building_id,
        "fire": None if lon is None or lat is None else [round(lon, _DECIMALS), round(lat, _DECIMALS)],
        "fire_basis": planned.get("fire_basis"),
        "wind_from_deg": planned.get("wind_from_deg"),
        "wind_basis": planned.get("wind_basis"),
        "method_preferred": asked.method,
        "method": planned.get("cut_method"),
        "ladder": None if asked.ladder is None else list(asked.ladder),
    }


def planned_section(tables: Mapping[str, Any]) -> dict[str, Any]:
    """The row of the section that holds the fire spot; else of the first; missing values are None."""
    rows = _records(tables["sections"])
    return next((row for row in rows if row["planned"]), rows[0] if rows else {})


def _reasons(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Why this method, why not the others, why no opening, why this trench or none; what is doubtful."""
    planned = planned_section(tables)
    why = reason_sentence(planned.get("cut_method_why") or "")
    problems = [
        {key: row[key] for key in ("severity", "code", "message", "action")}
        for row in _records(tables["problems"])
    ]
    trenches = [row["why"] for row in _records(tables["trenches"])]
    no_trench = [row["message"] for row in problems if row["code"].startswith(_TRENCH_CODES)]
    return {
        "method": why or None,
        "rejected": [
            {"method": method, "why": text, "rule": rule}
            for method, text, rule in rejected_methods(planned.get("methods_rejected") or "")
        ],
        "no_opening": None if len(tables["openings"]) else why or None,
        "trench": next(iter([*trenches, *no_trench]), None),
        "problems": problems,
    }


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a small table as dictionaries of plain values, without the geometry."""
    names = frame.columns.tolist()
    where = [place for place, name in enumerate(names) if name != "geometry"]
    return [
        {names[place]: _plain(row[place]) for place in where} for row in frame.to_numpy(dtype=object).tolist()
    ]


def _plain(value: Any) -> Any:
    """A value as JSON knows it: missing is None."""
    if value is pd.NA or value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value


def _in_lonlat(shapes: Any, to_lonlat: Transformer) -> Any:
    def turned(points: Any) -> Any:
        return np.round(np.column_stack(to_lonlat.transform(points[:, 0], points[:, 1])), _DECIMALS)

    return shapely.orient_polygons(shapely.transform(shapes, turned), exterior_cw=False)
