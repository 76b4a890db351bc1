"""The tables: complete, consistent, and strict with the rooms.

In: hand-made frames, right and wrong.
Out: typed copies, or a refusal.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from pandera.errors import SchemaErrors
from shapely.geometry import LineString, Point, Polygon

from roofplat.tables import (
    ATTRIBUTES,
    BASES,
    CLASS_BASES,
    DAY_TABLES,
    RATE_BASES,
    SCENARIO_BASES,
    TABLES,
    TRAVEL_BASES,
    Column,
    among,
    conform,
    empty,
    problem_rows,
    trusted,
)

CRS = "EPSG:32613"
EVERY_TABLE = {**TABLES, **DAY_TABLES}
# A shed of 100 by 60, seen from above.
SHED = Polygon([(0, 0), (100, 0), (100, 60), (0, 60)])
UNIT_OF_SUFFIX = {"_ft": "ft", "_ft2": "ft2", "_deg": "deg", "_kv": "kV", "_lon": "deg", "_lat": "deg"}


def _paths(**changes: object) -> gpd.GeoDataFrame:
    row = {
        "building_id": "b1",
        "section_id": "b1-1",
        "ladder_rank": 1,
        "length_ft": 40,
        "share_on_bearing": 1.0,
        "rules": "path.cost.beam",
        "why": "Along the beam.",
        "geometry": LineString([(0, 0), (12, 0)]),
    }
    return gpd.GeoDataFrame([{**row, **changes}], geometry="geometry", crs=CRS)


def _all_columns() -> list[tuple[str, str, Column]]:
    named = [
        (table.name, name, column) for table in EVERY_TABLE.values() for name, column in table.columns.items()
    ]
    return named + [("attributes", name, column) for name, column in ATTRIBUTES.items()]


def test_every_column_says_what_it_means() -> None:
    for table, name, column in _all_columns():
        assert column.meaning.strip(), f"{table}.{name}"


def test_a_length_an_area_and_a_direction_carry_their_unit_in_the_name() -> None:
    for table, name, column in _all_columns():
        suffix = next(
            (end for end in sorted(UNIT_OF_SUFFIX, key=len, reverse=True) if name.endswith(end)), None
        )
        if suffix is not None:
            assert column.unit == UNIT_OF_SUFFIX[suffix], f"{table}.{name}"
        if column.unit in ("ft", "ft2", "kV"):
            assert suffix is not None, f"{table}.{name}"


def test_a_basis_is_one_of_the_five_and_doubtful_only_for_an_axis() -> None:
    assert BASES == ("surveyed", "recorded", "drawn", "inferred", "assumed")
    for table, name, column in _all_columns():
        if name in ("fire_basis", "wind_basis"):
            # A scenario is not a fact about the building: it is given, prevailing or assumed.
            assert set(column.allowed) == set(SCENARIO_BASES), f"{table}.{name}"
        elif name == "class_basis":
            # An inspection class is no fact about the building either: an office sets it.
            assert column.allowed == CLASS_BASES
        elif (table, name) in (("visits", "travel_basis"), ("routes", "basis")):
            # Nor is the way from one visit to the next.
            assert column.allowed == TRAVEL_BASES
        elif name == "rate_basis":
            # Nor are the rates of a crew.
            assert column.allowed == RATE_BASES
        elif name.endswith("basis"):
            doubtful = (table, name) in (("sections", "axis_basis"), ("members", "basis"))
            assert set(column.allowed) == {*BASES, *(["doubtful"] if doubtful else [])}, f"{table}.{name}"


def test_every_table_about_a_section_carries_both_ids() -> None:
    for table in TABLES.values():
        if "section_id" in table.columns:
            assert list(table.columns)[:2] == ["building_id", "section_id"], table.name
            assert table.columns["building_id"].required
            assert table.columns["section_id"].required


@pytest.mark.parametrize("name", EVERY_TABLE)
def test_an_empty_table_conforms_to_itself(name: str) -> None:
    frame = conform(name, empty(name, CRS))
    assert len(frame) == 0
    wanted = [*EVERY_TABLE[name].columns, *(["geometry"] if EVERY_TABLE[name].geometry else [])]
    assert list(frame.columns) == wanted
    assert {key: str(frame[key].dtype) for key in EVERY_TABLE[name].columns} == {
        key: column.dtype for key, column in EVERY_TABLE[name].columns.items()
    }
    if EVERY_TABLE[name].geometry:
        assert isinstance(frame, gpd.GeoDataFrame)
        assert frame.crs == CRS


def test_conform_types_orders_and_drops() -> None:
    given = _paths(extra="gone")[["extra", "geometry", "why", *list(TABLES["paths"].columns)[:-1]]]
    given.index = pd.Index([7])
    frame = conform("paths", given)
    assert list(frame.columns) == [*TABLES["paths"].columns, "geometry"]
    assert frame.index.tolist() == [0]
    assert frame["length_ft"].dtype == "float64"
    assert frame["ladder_rank"].dtype == "Int64"
    assert frame.crs == CRS
    assert frame.geometry.iloc[0].length == 12
    # What was passed in is as it was.
    assert next(iter(given.columns)) == "extra"
    assert given.index.tolist() == [7]
    assert given["length_ft"].dtype == "int64"


def test_dates_keep_their_type_and_a_far_one_is_no_fault() -> None:
    """They used to turn into nanoseconds, which cannot hold the year 9999 that registers use for never."""
    row: dict[str, object] = dict.fromkeys(TABLES["buildings"].columns)
    row |= {"building_id": "b1", "area_ft2": 6000.0, "roof_family": "unknown", "geometry": SHED}
    given = gpd.GeoDataFrame([row], geometry="geometry", crs=CRS)
    given["inspected_on"] = pd.Series(["9999-12-31"], dtype="datetime64[s]")
    frame = conform("buildings", given)
    assert frame["inspected_on"].dtype == frame["surveyed_on"].dtype == "datetime64[ms]"
    assert frame["inspected_on"].dt.year.tolist() == [9999]
    assert frame["surveyed_on"].isna().all()


def test_conform_keeps_missing_values_where_they_may_be_missing() -> None:
    frame = conform("paths", _paths(ladder_rank=None, length_ft=None, why=None))
    assert frame[["ladder_rank", "length_ft", "why"]].isna().all(axis=None)


@pytest.mark.parametrize(
    "changes",
    [{"building_id": None}, {"section_id": None}, {"length_ft": "far"}],
    ids=["no building", "no section", "text for a number"],
)
def test_conform_refuses_what_breaks_the_contract(changes: dict[str, object]) -> None:
    with pytest.raises(SchemaErrors):
        conform("paths", _paths(**changes))


def test_conform_refuses_a_word_that_is_not_allowed() -> None:
    rows = problem_rows("streets", ["7"], "empty", "warning", "No name.", "Name it.")
    with pytest.raises(SchemaErrors, match="severity"):
        conform("problems", rows.assign(severity="dreadful"))


def test_conform_refuses_the_wrong_geometry() -> None:
    with pytest.raises(TypeError, match="Point"):
        conform("paths", _paths(geometry=Point(0, 0)))


def test_conform_refuses_a_missing_column() -> None:
    with pytest.raises(KeyError, match="why"):
        conform("paths", _paths().drop(columns="why"))


def test_problem_rows_repeat_what_is_common_and_keep_what_is_not() -> None:
    rows = problem_rows("footprints", [3, 9], "sliver", "error", ["29 ft2.", "2 ft2."], "Remove it.")
    assert rows["feature"].tolist() == ["3", "9"]
    assert rows["message"].tolist() == ["29 ft2.", "2 ft2."]
    assert rows["action"].tolist() == ["Remove it."] * 2
    assert conform("problems", rows)["severity"].tolist() == ["error"] * 2


def test_no_problems_are_no_rows_of_the_right_types() -> None:
    rows = problem_rows("footprints", [], "sliver", "error", "Small.", "Remove it.")
    assert conform("problems", rows).equals(empty("problems"))
    joined = pd.concat([rows, problem_rows("footprints", [1], "sliver", "error", "Small.", "Remove it.")])
    assert len(conform("problems", joined)) == 1


def test_a_trusted_table_is_the_checked_one() -> None:
    columns = {
        "building_id": pd.array(["a", "a"], dtype="str"),
        "section_id": pd.array(["a-1", "a-2"], dtype="str"),
        "ladder_rank": np.array([1, 2]),
        "length_ft": np.array([3.5, np.nan]),
        "share_on_bearing": np.array([1.0, 0.0]),
        "rules": pd.array(["x", None], dtype="str"),
        "why": pd.array(["y", None], dtype="str"),
    }
    lines = shapely.linestrings([[[0.0, 0.0], [1.0, 1.0]], [[0.0, 0.0], [2.0, 1.0]]])
    checked = conform("paths", columns, geometry=lines, crs="EPSG:32613")
    with trusted():
        unchecked = conform("paths", columns, geometry=lines, crs="EPSG:32613")
    assert_geodataframe_equal(unchecked, checked)
    assert isinstance(unchecked.iloc[:1], gpd.GeoDataFrame)


def test_only_a_trusted_table_goes_unchecked() -> None:
    wrong = pd.DataFrame({**{name: ["x"] for name in TABLES["problems"].columns}, "severity": ["loud"]})
    with trusted():
        assert len(conform("problems", wrong)) == 1
    with pytest.raises(SchemaErrors):
        conform("problems", wrong)


@pytest.mark.parametrize("names", [{"b", "z"}, ["b"], pd.Index(["b"]), np.array(["b", "z"], dtype=object)])
@pytest.mark.parametrize(
    "texts",
    [
        pd.Series(["a", None, "b"], dtype="str"),
        pd.Series(["a", None, "b"], dtype="category"),
        pd.Index(["a", None, "b"], dtype=object),
        np.array(["a", None, "b"], dtype=object),
    ],
)
def test_texts_are_found_among_names_whatever_holds_them(texts: object, names: object) -> None:
    assert among(texts, names).tolist() == [False, False, True]


def test_nothing_is_among_no_names_and_nothing_missing_among_missing_ones() -> None:
    assert among(pd.Series(["a", None], dtype="str"), []).tolist() == [False, False]
    assert among(pd.Series([None, "a"], dtype="str"), [None, "a"]).tolist() == [False, True]
    assert among(np.empty(0, dtype=object), ["a"]).tolist() == []
