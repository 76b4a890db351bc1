"""Answers as text: GDAL reads the same rows out of them as out of the layers of the build."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from roofplat.pipeline.scenarios import Answer, Parts, Planner, Scenario
from roofplat.publish.stock import FileStock, StockSetting
from roofplat.serve.answer import ANSWER_LAYERS, AnswerWriter, scenario_of
from roofplat.tables import CAUTION, TABLES
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

# Panelized with a trench; nobody has looked; no room for a trench; no trench in the family; glazed; not to be
# cut; no way up; pitched. The zones of the first and the second would cross themselves where rounded.
SOME = ["MB-0001", "MB-0003", "MB-0005", "MB-0019", "MB-0029", "MB-0069", "MB-0103", "MB-0238", "MB-0400"]


class Written:
    """Plans of the demo and their texts."""

    def __init__(self, stock: FileStock) -> None:
        self.setting: StockSetting = stock.setting
        self.planner = Planner(stock)
        self.writer = AnswerWriter(stock.setting)

    def answer(self, name: str, **asked: Any) -> Answer:
        (found,) = self.planner.plan([Scenario(name, **asked)])
        assert isinstance(found, Answer), found
        return found

    def text(self, name: str, **asked: Any) -> bytes:
        (text,) = self.writer.write([self.answer(name, **asked)])
        return text


@pytest.fixture(scope="module")
def written(demo_build: Path) -> Iterator[Written]:
    stock = FileStock.open(demo_build / "planner.gpkg")
    yield Written(stock)
    stock.close()


def strict(text: bytes) -> Any:
    def no_number(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text.decode("utf-8"), parse_constant=no_number)


@pytest.mark.parametrize("name", SOME)
def test_gdal_reads_the_rows_of_the_build_out_of_the_answer(
    name: str, written: Written, demo_build: Path
) -> None:
    text = written.text(name)
    read = pyogrio.read_dataframe(io.BytesIO(text), use_arrow=False)
    assert read.crs.to_epsg() == 4326
    document = strict(text)
    for layer in ANSWER_LAYERS:
        built = pyogrio.read_dataframe(
            demo_build / "layers.gpkg", layer=layer, where=f"building_id = '{name}'"
        )
        mine = read[read["layer"] == layer].reset_index(drop=True)
        assert len(mine) == len(built), layer
        if TABLES[layer].geometry:
            # A build keeps one kind of geometry in a layer: single parts stand in multi-parts there.
            for here, there in zip(mine.geometry, built.to_crs("EPSG:4326").geometry, strict=True):
                assert far(here, there) < 1e-7, layer
        else:
            assert mine.geometry.isna().all()
        rows = [one["properties"] for one in document["features"] if one["properties"]["layer"] == layer]
        for column in TABLES[layer].columns:
            theirs = built[column].tolist()
            ours = [row[column] for row in rows]
            for one, other in zip(ours, theirs, strict=True):
                assert same(one, other), (layer, column, one, other)
        assert all(list(row) == ["layer", *TABLES[layer].columns] for row in rows)


def far(here: Any, there: Any) -> float:
    """How far two shapes are from each other, in degrees; strips without width between holes do not count."""
    if here.geom_type in ("Polygon", "MultiPolygon"):
        apart = shapely.symmetric_difference(shapely.make_valid(here), shapely.make_valid(there)).area
        return float(apart / there.length)
    return float(shapely.hausdorff_distance(here, there))


def same(one: Any, other: Any) -> bool:
    if one is None or other is None or other != other:
        return one is None and (other is None or bool(pd.isna(other)))
    if isinstance(one, float):
        return bool(np.isclose(one, other, rtol=1e-9, atol=1e-6))
    return bool(one == other)


def test_some_layers_of_the_sample_hold_something(written: Written) -> None:
    found = {one["properties"]["layer"] for name in SOME for one in strict(written.text(name))["features"]}
    assert found == set(ANSWER_LAYERS)


@pytest.mark.parametrize("name", SOME)
def test_it_is_geojson_as_rfc_7946_has_it(name: str, written: Written) -> None:
    document = strict(written.text(name))
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document
    for feature in document["features"]:
        assert set(feature) == {"type", "id", "geometry", "properties"}
        if feature["geometry"] is None:
            # Section 3.2: what has no place.
            assert feature["properties"]["layer"] == "venting"
            continue
        shape = shapely.geometry.shape(feature["geometry"])
        west, south, east, north = shape.bounds
        assert -119 < west <= east < -118
        assert 40 < south <= north < 41
        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon":
                # RFC 7946, section 3.1.6: exterior rings counter-clockwise, holes clockwise.
                assert part.exterior.is_ccw
                assert not any(ring.is_ccw for ring in part.interiors)
        assert shape.is_valid
        coordinates = shapely.get_coordinates(shape)
        on_grid = np.isclose(coordinates, np.round(coordinates, 8), rtol=0, atol=1e-13).all()
        assert on_grid or feature["properties"]["layer"] == "collapse_zones"


def test_features_are_numbered_within_their_layers(written: Written) -> None:
    document = strict(written.text("MB-0001"))
    ids = [feature["id"] for feature in document["features"]]
    assert len(set(ids)) == len(ids)
    layers = [one.split(".")[0] for one in ids]
    assert sorted(layers, key=ANSWER_LAYERS.index) == layers
    for layer in set(layers):
        own = [int(one.split(".")[1]) for one in ids if one.startswith(f"{layer}.")]
        assert own == list(range(1, len(own) + 1))


def test_the_head_says_what_was_asked_and_what_is_assumed(written: Written) -> None:
    document = strict(written.text("MB-0001", wind_from_deg=90.0, fire=(-118.8873, 40.9173)))
    assert document["caution"] == CAUTION
    assert document["venting_caution"] == f"{VENTING_CAUTION} {wind_words(written.setting.rules)}"
    assert document["district"] == "Mallow Bench"
    assert document["build"] == written.setting.build
    assert document["scenario"] == {
        "building_id": "MB-0001",
        "fire": [-118.8873, 40.9173],
        "fire_basis": "given",
        "wind_from_deg": 90.0,
        "wind_basis": "given",
        "method_preferred": None,
        "method": "existing_opening",
        "ladder": None,
    }
    standing = strict(written.text("MB-0001"))["scenario"]
    assert (standing["fire_basis"], standing["wind_basis"]) == ("assumed", written.setting.wind_basis)
    assert standing["wind_from_deg"] == written.setting.wind_from_deg


def test_reasons_are_sentences_without_codes(written: Written) -> None:
    reasons = strict(written.text("MB-0001"))["reasons"]
    assert reasons["method"] == "What is there already is used first; then fold-back."
    assert reasons["rejected"] == [
        {
            "method": "center_rafter_louver",
            "why": "an earlier method of the family serves",
            "rule": "family.panelized_wood.methods",
        }
    ]
    assert reasons["no_opening"] is None
    assert reasons["trench"].startswith("The shortest wall-to-wall crossing along a beam")


def test_where_nothing_is_opened_the_reasons_say_why(written: Written) -> None:
    document = strict(written.text("MB-0005"))
    assert not [one for one in document["features"] if one["properties"]["layer"] == "openings"]
    reasons = document["reasons"]
    assert reasons["no_opening"] == reasons["method"] == "Nobody has looked at this roof; find out first."
    assert document["scenario"]["method"] is None


def test_problems_of_the_building_come_along(written: Written) -> None:
    problems = strict(written.text("MB-0238"))["reasons"]["problems"]
    assert "no_wall_reachable" in [problem["code"] for problem in problems]
    assert all(set(problem) == {"severity", "code", "message", "action"} for problem in problems)


def test_why_there_is_no_trench_is_said_too(written: Written) -> None:
    codes = {}
    for name in SOME:
        reasons = strict(written.text(name))["reasons"]
        codes |= {one["code"]: reasons["trench"] for one in reasons["problems"] if "trench" in one["code"]}
    assert set(codes) >= {"trench_no_room", "trench_not_listed"}
    assert all(said.startswith("No trench is drawn: ") for said in codes.values())


def test_the_same_question_gives_the_same_bytes(written: Written, demo_build: Path) -> None:
    again = FileStock.open(demo_build / "planner.gpkg")
    other = Written(again)
    for name in SOME:
        asked: dict[str, Any] = {"wind_from_deg": 12.5}
        assert written.text(name, **asked) == other.text(name, **asked)
    again.close()


def test_the_scenario_names_the_method_preferred_and_the_one_taken(written: Written) -> None:
    wished = written.answer("MB-0001", method="do_not_cut")
    assert scenario_of(wished)["method_preferred"] == "do_not_cut"
    assert scenario_of(wished)["method"] == wished.tables["sections"].set_index("planned")["cut_method"][True]


def test_texts_of_the_data_cannot_leave_their_quotes(written: Written) -> None:
    answer = written.answer("MB-0001")
    words = 'a "quote", \u2028 a line, </script> and \\ é'
    obstacles = answer.tables["obstacles"].copy()
    obstacles["note"] = pd.Series([words] * len(obstacles), dtype="str")
    tables: dict[str, Any] = {**answer.tables, "obstacles": gpd.GeoDataFrame(obstacles)}
    parts = Parts({name: [(frame, None)] for name, frame in tables.items()})
    (text,) = written.writer.write([Answer(answer.scenario, parts)])
    notes = [one["properties"].get("note") for one in strict(text)["features"]]
    assert words in notes


def test_answers_written_together_are_as_if_written_alone(written: Written, demo_build: Path) -> None:
    asked = [Scenario(name, wind_from_deg=100.0) for name in [*SOME, SOME[0], SOME[3]]]
    asked[-1] = Scenario(SOME[3], wind_from_deg=280.0)
    together = list(written.writer.write(written.planner.plan(asked)))  # type: ignore[arg-type]
    stock = FileStock.open(demo_build / "planner.gpkg")
    for scenario, text in zip(asked, together, strict=True):
        fresh = Written(stock)
        assert fresh.text(scenario.building_id, wind_from_deg=scenario.wind_from_deg) == text
    stock.close()


def test_buildings_looked_at_one_by_one_are_planned_together_as_if_alone(demo_build: Path) -> None:
    # Streets around one building were numbered from 0 as those around another, and one of two with the same
    # number was lost where both buildings were planned together: aerials stood where no street is.
    with closing(FileStock.open(demo_build / "planner.gpkg")) as stock:
        one = Written(stock)
        asked = [Scenario(f"MB-{number:04d}", wind_from_deg=100.0) for number in range(81, 121)]
        alone = [one.text(each.building_id, wind_from_deg=100.0) for each in asked]
        for start in range(0, len(asked), 8):
            together = one.writer.write(one.planner.plan(asked[start : start + 8]))  # type: ignore[arg-type]
            assert list(together) == alone[start : start + 8]


def test_what_is_kept_as_text_is_bounded_and_never_that_of_another_building(demo_build: Path) -> None:
    stock = FileStock.open(demo_build / "planner.gpkg")
    small = Written(stock)
    small.planner = Planner(stock, keep=2)
    small.writer = AnswerWriter(stock.setting, keep=2)
    first = {name: small.text(name) for name in SOME}
    # Framings come and go, and with them frames: a number of one must not lead to the text of another.
    for name in [*SOME, *reversed(SOME), *SOME]:
        assert small.text(name) == first[name]
    assert len(small.writer._kept) <= 10
    stock.close()
