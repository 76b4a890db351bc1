"""The text of GeoJSON against shapely's and Python's own readers and writers of it."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from roofplat.publish.geotext import geometry_texts, property_texts

SQUARE, HOLE = [(0, 0), (9, 0), (9, 9), (0, 9)], [(1, 1), (2, 1), (2, 2)]
SHAPES = [
    shapely.Point(-105.1234567, 40.5),
    shapely.LineString([(1, 2), (3.25, 4), (-5, 8)]),
    shapely.Polygon(SQUARE, [HOLE]),
    shapely.Polygon(SQUARE[::-1], [HOLE[::-1], [(5, 5), (6, 5), (6, 6)]]),
    shapely.MultiLineString([[(1, 2), (3, 4)], [(5, 6), (-7, 8), (9, 9)]]),
    shapely.MultiPolygon([shapely.Polygon(SQUARE[::-1], [HOLE]), shapely.box(20, 20, 21, 21)]),
    shapely.MultiPoint([(5, 6), (7, 1)]),
    shapely.GeometryCollection([shapely.Point(1, 1), shapely.LineString([(1, 2), (3, 9)])]),
    shapely.Polygon(),
    None,
]


@given(st.lists(st.sampled_from(SHAPES), max_size=12))
def test_geometry_is_as_shapely_tells_it_with_rings_turned(shapes: list[Any]) -> None:
    rows = np.array([*shapes, None], dtype=object)
    texts = geometry_texts(rows, shapely.get_coordinates(rows)).to_pylist()
    turned = shapely.orient_polygons(rows, exterior_cw=False)
    for text, wanted in zip(texts, shapely.to_geojson(turned), strict=True):
        found, told = json.loads(text), json.loads(wanted or "null")
        if told is None:
            assert found is None
            continue
        assert found["type"] == told["type"]
        assert (
            shapely.equals_exact(shapely.from_geojson(text), shapely.from_geojson(wanted), 0.0)
            or not (told["coordinates"])
        )
        # Turned about, a ring may begin where it begins or end there: it is the same corner.
        assert set(map(str, _corners(found))) == set(map(str, _corners(told)))


def _corners(told: Any) -> list[Any]:
    if isinstance(told, dict):
        return _corners(told.get("coordinates", told.get("geometries")))
    if told and isinstance(told[0], float | int):
        return [tuple(float(number) for number in told)]
    return [corner for part in told for corner in _corners(part)]


NUMBERS = [0.0, -0.0, 1.0, -2.0, 0.1 + 0.2, 1e-7, 2.5e-6, -3e-9, 1e-12, 123456789.123, 1e15, 1e16, -1e22]


@given(st.lists(st.sampled_from([*NUMBERS, np.nan]) | st.floats(-1e9, 1e9), min_size=1, max_size=9))
def test_numbers_come_back_to_ten_decimals(numbers: list[float]) -> None:
    texts = property_texts(pd.DataFrame({"number": numbers})).to_pylist()
    for text, number in zip(texts, numbers, strict=True):
        found = json.loads(text)["number"]
        if np.isnan(number):
            assert found is None
        else:
            assert isinstance(found, float)
            assert found == pytest.approx(round(number, 10), rel=1e-15, abs=1e-15)


@given(st.lists(st.text() | st.none(), min_size=1, max_size=9))
def test_texts_come_back_whatever_they_hold(words: list[str | None]) -> None:
    try:
        column = pd.array(words, dtype="str")
    except UnicodeEncodeError:
        return
    texts = property_texts(pd.DataFrame({"word": column, 'a "key"': column})).to_pylist()
    assert [json.loads(text) for text in texts] == [{"word": word, 'a "key"': word} for word in words]
    assert not any("\n" in text or "\r" in text for text in texts)


def test_other_values() -> None:
    frame = pd.DataFrame(
        {
            "whole": pd.array([1, None, -(2**53)], dtype="Int64"),
            "yes": pd.array([True, None, False], dtype="boolean"),
            "word": pd.Categorical(["a", None, "b"]),
            "nothing": pd.array([None] * 3, dtype="str"),
        }
    )
    assert [json.loads(text) for text in property_texts(frame).to_pylist()] == [
        {"whole": 1, "yes": True, "word": "a", "nothing": None},
        {"whole": None, "yes": None, "word": None, "nothing": None},
        {"whole": -(2**53), "yes": False, "word": "b", "nothing": None},
    ]
