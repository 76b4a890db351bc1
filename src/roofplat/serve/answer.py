"""The answer to a what-if as one GeoJSON text.

In: the rows of one building planned for a scenario, in the working CRS, and what was asked.
Out: the bytes of a FeatureCollection, RFC 7946: longitude and latitude on WGS 84, exterior rings counter-
    clockwise, 8 decimals (about 1 mm, so that drawn corners stay square). Beside its features it carries the
    caution, the scenario and the reasons. The same rows give the same bytes.
"""

from __future__ import annotations

import json
import math
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from roofplat.pipeline.scenarios import Answer, Scenario
from roofplat.publish.stock import StockSetting
from roofplat.publish.wording import reason_sentence, rejected_methods
from roofplat.tables import CAUTION
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

__all__ = ["ANSWER_LAYERS", "AnswerWriter", "scenario_of"]

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
    "venting",
)
"""Layers of an answer, in the order of its features; those of `venting` have no geometry."""

_DECIMALS = 8
_TRENCH_CODES = "trench_"
# Walls, planes, members, obstacles, and what framing has to say.
_KEPT_TABLES = 5
_OF_PROBLEMS = ("severity", "code", "message", "action")
Row = dict[str, Any]
_encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode


@dataclass(frozen=True, slots=True)
class _Read:
    """Rows of a frame as plain values, and each as the end of a feature's text."""

    rows: list[Row]
    ends: list[str]


class AnswerWriter:
    """Writes answers of one build; of what no scenario changes it keeps the text.

    Parameters
    ----------
    setting
        What holds for the whole district.
    keep
        Buildings whose walls, planes, members and obstacles are kept as text.

    Notes
    -----
    For one thread at a time. Answers that were planned together share their tables, and a table is read once
    for all of them: to reach a column of a frame takes longer than to read what is in it.
    """

    def __init__(self, setting: StockSetting, *, keep: int = 256) -> None:
        self._setting = setting
        self._to_lonlat = Transformer.from_crs(setting.crs, "EPSG:4326", always_xy=True)
        self._keep = keep * _KEPT_TABLES
        # By the frame's identity; the frame is held, so that no other can get the same.
        self._kept: OrderedDict[int, tuple[pd.DataFrame, _Read]] = OrderedDict()

    def write(self, answers: Sequence[Answer]) -> Iterator[bytes]:
        """Write some answers.

        Parameters
        ----------
        answers
            Rows of one building each in the working CRS, and the scenario asked for.

        Yields
        ------
        bytes
            UTF-8, one after the other. A feature's `id` is its layer and its number there, from 1; its
            properties are `layer` and the columns of `tables.TABLES[layer]`.
        """
        shared: dict[int, _Read] = {}
        for answer in answers:
            yield self._text(answer, shared)

    def _text(self, answer: Answer, shared: dict[int, _Read]) -> bytes:
        rows: dict[str, list[Row]] = {}
        features: list[str] = []
        for name in (*ANSWER_LAYERS, "problems"):
            held, ends = self._part(answer, name, shared)
            rows[name] = held
            if name in ANSWER_LAYERS:
                features += [
                    f'{{"type":"Feature","id":"{name}.{number}",{end}' for number, end in enumerate(ends, 1)
                ]
        head = {
            "type": "FeatureCollection",
            "caution": CAUTION,
            "venting_caution": f"{VENTING_CAUTION} {wind_words(self._setting.rules)}",
            "district": self._setting.district,
            "build": self._setting.build,
            "scenario": _scenario(answer.scenario, _planned(rows["sections"])),
            "reasons": _reasons(rows),
        }
        text = _encode(head)[:-1] + ',"features":[\n' + ",\n".join(features) + "\n]}\n"
        return text.encode("utf-8")

    def _part(self, answer: Answer, name: str, shared: dict[int, _Read]) -> tuple[list[Row], list[str]]:
        """Rows of one table of an answer, and the ends of their features."""
        rows: list[Row] = []
        ends: list[str] = []
        for frame, wanted in answer.tables.pieces(name):
            if not len(frame):
                continue
            read = self._always(frame, name) if wanted is None else self._once(frame, name, shared)
            places = range(len(frame)) if wanted is None else wanted.tolist()
            rows += [read.rows[place] for place in places]
            ends += [read.ends[place] for place in places]
        return rows, ends

    def _once(self, frame: pd.DataFrame, name: str, shared: dict[int, _Read]) -> _Read:
        """A table of all that were planned together."""
        if id(frame) not in shared:
            shared[id(frame)] = self._read(frame, name)
        return shared[id(frame)]

    def _always(self, frame: pd.DataFrame, name: str) -> _Read:
        """A table of one building that is the same in every scenario."""
        key = id(frame)
        if key in self._kept:
            self._kept.move_to_end(key)
        else:
            self._kept[key] = (frame, self._read(frame, name))
            while len(self._kept) > self._keep:
                self._kept.popitem(last=False)
        return self._kept[key][1]

    def _read(self, frame: pd.DataFrame, name: str) -> _Read:
        rows = _records(frame)
        if name not in ANSWER_LAYERS:
            return _Read(rows, [""] * len(rows))
        if "geometry" in frame:
            shapes = np.asarray(frame["geometry"].array, dtype=object)
            outlines = shapely.to_geojson(_in_lonlat(shapes, self._to_lonlat)).tolist()
        else:
            outlines = [None] * len(rows)
        ends = [
            f'"geometry":{outline or "null"},"properties":{_encode({"layer": name, **row})}}}'
            for row, outline in zip(rows, outlines, strict=True)
        ]
        return _Read(rows, ends)


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
    """Shapes as longitude and latitude, rounded; what rounding makes cross itself is mended."""

    def turned(points: Any) -> Any:
        return np.round(np.column_stack(to_lonlat.transform(points[:, 0], points[:, 1])), _DECIMALS)

    made = shapely.transform(shapes, turned)
    crossing = ~shapely.is_valid(made)
    if crossing.any():
        made[crossing] = shapely.make_valid(made[crossing], method="structure", keep_collapsed=False)
    return shapely.orient_polygons(made, exterior_cw=False)
