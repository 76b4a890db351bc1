"""The answer to a what-if as one GeoJSON text.

In: the rows of one building planned for a scenario, in the working CRS, and what was asked.
Out: the bytes of a FeatureCollection, RFC 7946: longitude and latitude on WGS 84, exterior rings counter-
    clockwise, 8 decimals (about 1 mm, so that drawn corners stay square). Beside its features it carries the
    caution, the scenario and the reasons. The same rows give the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.pipeline.scenarios import Answer, Scenario
from roofplat.publish.stock import StockSetting
from roofplat.publish.wording import reason_sentence, rejected_methods
from roofplat.tables import CAUTION

__all__ = ["ANSWER_LAYERS", "answer_json", "scenario_of"]

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
_OF_PROBLEMS = ("severity", "code", "message", "action")
Row = dict[str, Any]
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
    rows = {name: _records(tables[name]) for name in (*ANSWER_LAYERS, "problems")}
    filled = [name for name in ANSWER_LAYERS if rows[name]]
    shapes: Any = np.concatenate([np.asarray(tables[name].geometry.array, dtype=object) for name in filled])
    outlines = shapely.to_geojson(_in_lonlat(shapes, to_lonlat)).tolist()
    numbered = [(name, number, row) for name in filled for number, row in enumerate(rows[name], start=1)]
    features = [
        f'{{"type":"Feature","id":"{name}.{number}","geometry":{outline or "null"},'
        f'"properties":{_encode({"layer": name, **row})}}}'
        for (name, number, row), outline in zip(numbered, outlines, strict=True)
    ]
    head = {
        "type": "FeatureCollection",
        "caution": CAUTION,
        "district": setting.district,
        "build": setting.build,
        "scenario": _scenario(answer.scenario, _planned(rows["sections"])),
        "reasons": _reasons(rows),
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
    return _scenario(answer.scenario, _planned(_records(answer.tables["sections"])))


def _scenario(asked: Scenario, planned: Row) -> dict[str, Any]:
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


def _planned(sections: Sequence[Row]) -> Row:
    """The section that holds the fire spot, else the first."""
    return next((row for row in sections if row["planned"]), sections[0] if sections else {})


def _reasons(rows: Mapping[str, Sequence[Row]]) -> dict[str, Any]:
    """Why this method, why not the others, why no opening, why this trench or none; what is doubtful."""
    planned = _planned(rows["sections"])
    why = reason_sentence(planned.get("cut_method_why") or "") or None
    problems = [{key: row[key] for key in _OF_PROBLEMS} for row in rows["problems"]]
    trenches = [row["why"] for row in rows["trenches"]]
    no_trench = [row["message"] for row in problems if row["code"].startswith(_TRENCH_CODES)]
    return {
        "method": why,
        "rejected": [
            {"method": method, "why": text, "rule": rule}
            for method, text, rule in rejected_methods(planned.get("methods_rejected") or "")
        ],
        "no_opening": None if rows["openings"] else why,
        "trench": next(iter([*trenches, *no_trench]), None),
        "problems": problems,
    }


def _records(frame: pd.DataFrame) -> list[Row]:
    """Rows of a small table as dictionaries of plain values, without the geometry."""
    if not len(frame):
        return []
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
