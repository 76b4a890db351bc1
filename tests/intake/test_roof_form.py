"""Heights that count the roof in, and directions of slopes, become the house's own.

Sources. OpenStreetMap: values of `roof:shape` as its wiki's template Roof:shape and its editor's list
show them (openstreetmap/id-tagging-schema, data/fields/roof/shape.json); Key:roof:height says that the
roof's height is part of the building's; Key:roof:direction, which way a slope falls, in degrees or as a
compass point. Overture Maps: OvertureMaps/schema, schema/buildings/defs.yaml: `height` "from the
lowest point to the highest point", `roof_height` "from the base of the roof to the highest point of the
roof", `roof_direction` "bearing of the roof ridge line", from 0 up to 360.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.intake import Inputs
from roofplat.rules import Rulebook
from roofplat.tables import ROOF_SHAPES

FOOT_M = 0.3048


@pytest.fixture
def roofs(geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]) -> Callable[..., Inputs]:
    """Read squares that carry the tags given, one dict each."""

    def run(preset: str, *tags: dict[str, object]) -> Inputs:
        path = tmp_path / "roofs.gpkg"
        squares = [geo.square(column) for column in range(len(tags))]
        frame = pd.DataFrame([{"id": f"b{row}", **each} for row, each in enumerate(tags)])
        gpd.GeoDataFrame(frame, geometry=squares, crs=geo.UTM).to_file(path)
        return read({"file": path, "preset": preset})

    return run


def column(inputs: Inputs, name: str) -> list[Any]:
    cells = inputs.footprints[name]
    return cells.astype(object).where(cells.notna(), None).tolist()


OSM = {
    "flat": "flat", "gabled": "gabled", "skillion": "monopitch", "hipped": "hipped",
    "half-hipped": "other", "mansard": "other", "gambrel": "other", "pyramidal": "hipped",
    "cone": "other", "dome": "other", "onion": "other", "saltbox": "other", "round": "arched",
    "sawtooth": "sawtooth", "gabled_height_moved": "other", "side_hipped": "other",
    "side_half-hipped": "other", "hipped-and-gabled": "other", "bellcast_gable": "other",
    "crosspitched": "other", "butterfly": "other", "many": "other",
}  # fmt: skip
OVERTURE = {
    "dome": "other", "flat": "flat", "gabled": "gabled", "gambrel": "other", "half_hipped": "other",
    "hipped": "hipped", "mansard": "other", "onion": "other", "pyramidal": "hipped", "round": "arched",
    "saltbox": "other", "sawtooth": "sawtooth", "skillion": "monopitch", "spherical": "other",
}  # fmt: skip


@pytest.mark.parametrize(
    ("preset", "tag", "shapes"), [("osm", "roof:shape", OSM), ("overture", "roof_shape", OVERTURE)]
)
def test_every_listed_shape_has_a_word_here(
    roofs: Callable[..., Inputs], preset: str, tag: str, shapes: dict[str, str]
) -> None:
    inputs = roofs(preset, *({tag: shape} for shape in shapes))
    assert column(inputs, "roof_shape") == list(shapes.values())
    assert set(shapes.values()) <= set(ROOF_SHAPES)
    assert inputs.problems[inputs.problems["severity"] != "info"].empty
    # A form is no evidence of how the roof is built.
    assert "roof_family" not in inputs.footprints


def test_a_strange_shape_is_left_out_and_named(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs("osm", {"roof:shape": "wizard_hat"}, {"roof:shape": "flat"})
    assert column(inputs, "roof_shape") == [None, "flat"]
    (row,) = inputs.problems.to_dict("records")
    assert (row["layer"], row["feature"], row["severity"]) == ("roofs.gpkg", "b0", "warning")
    assert "Column roof:shape (roof_shape) holds 'wizard_hat'" in row["message"]


@pytest.mark.parametrize(
    ("preset", "whole", "roof"), [("osm", "height", "roof:height"), ("overture", "height", "roof_height")]
)
def test_the_roof_edge_lies_below_the_top_by_the_roofs_height(
    roofs: Callable[..., Inputs], preset: str, whole: str, roof: str
) -> None:
    """The wiki's own example: 5 m in all and a roof of 2 m leave a facade of 3 m."""
    inputs = roofs(preset, {whole: 5.0, roof: 2.0}, {whole: 5.0}, {roof: 2.0}, {whole: 8.0, roof: 0.0})
    assert column(inputs, "height_ft") == pytest.approx([3 / FOOT_M, 5 / FOOT_M, None, 8 / FOOT_M])
    assert column(inputs, "roof_height_ft") == pytest.approx([2 / FOOT_M, None, 2 / FOOT_M, 0.0])
    assert inputs.problems.empty


def test_osm_heights_of_roofs_may_carry_their_unit(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs("osm", {"height": "30 ft", "roof:height": "3 m"}, {"height": "9", "roof:height": "12 ft"})
    assert column(inputs, "height_ft") == pytest.approx([30 - 3 / FOOT_M, 9 / FOOT_M - 12])
    assert column(inputs, "roof_height_ft") == pytest.approx([3 / FOOT_M, 12.0])


def test_a_roof_as_high_as_its_building_leaves_no_edge(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs("osm", {"height": "6", "roof:height": "6"}, {"height": "6", "roof:height": "9"})
    assert column(inputs, "height_ft") == [None, None]
    # A tent stands on the ground; a roof higher than its building cannot be.
    assert column(inputs, "roof_height_ft") == pytest.approx([6 / FOOT_M, None])
    rows = inputs.problems.to_dict("records")
    assert [(row["feature"], row["code"], row["severity"]) for row in rows] == [
        ("b0", "roof_above_edge", "warning"),
        ("b1", "roof_above_edge", "warning"),
    ]
    assert rows[1]["message"].endswith("an edge at -9.843 ft; both were left out.")


def test_a_height_that_may_hide_a_roof_is_said(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs("osm", {"height": "6", "roof:shape": "gabled"}, {"height": "6", "roof:shape": "flat"})
    assert column(inputs, "height_ft") == pytest.approx([6 / FOOT_M, 6 / FOOT_M])
    (row,) = inputs.problems.to_dict("records")
    assert (row["code"], row["severity"]) == ("edge_height_not_known", "info")
    assert row["message"].startswith("1 roofs that are not flat")


def test_a_column_that_the_district_maps_is_taken_at_its_word(
    geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame([{"EAVE": 20.0, "roof:height": 2.0}], geometry=[geo.square()], crs=geo.UTM).to_file(path)
    inputs = read({"file": path, "preset": "osm", "columns": {"height_ft": "EAVE"}})
    assert column(inputs, "height_ft") == [20.0]


@pytest.mark.parametrize(
    ("shape", "direction", "ridge", "down"),
    [
        ("gabled", "0", 90.0, None),  # falls to north and south
        ("gabled", "90", 0.0, None),
        ("gabled", "E", 0.0, None),
        ("hipped", "NNE", 112.5, None),
        ("hipped", "200", 110.0, None),
        (None, "45", 135.0, None),
        ("skillion", "S", 90.0, 180.0),  # its upper edge runs at right angles
        ("skillion", "350", 80.0, 350.0),
        ("skillion", "north", 90.0, 0.0),
        ("flat", "90", None, None),
    ],
)
def test_osm_gives_the_way_down(
    roofs: Callable[..., Inputs], shape: str | None, direction: str, ridge: float | None, down: float | None
) -> None:
    inputs = roofs("osm", {"roof:shape": shape, "roof:direction": direction})
    assert column(inputs, "ridge_deg") == [ridge]
    assert column(inputs, "downslope_deg") == [down]
    assert inputs.problems.empty


@pytest.mark.parametrize("direction", ["up", "400", "-10"])
def test_a_direction_that_is_none_is_left_out(roofs: Callable[..., Inputs], direction: str) -> None:
    inputs = roofs("osm", {"roof:shape": "gabled", "roof:direction": direction})
    assert column(inputs, "ridge_deg") == [None]
    assert inputs.problems["severity"].tolist() == ["warning"]
    assert f"holds {direction!r}" in inputs.problems["message"].iloc[0]


def test_overture_gives_the_ridge(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs(
        "overture",
        {"roof_shape": "gabled", "roof_direction": 30.0, "roof_orientation": "along"},
        {"roof_shape": "hipped", "roof_direction": 210.0, "roof_orientation": "across"},
        {"roof_shape": "skillion", "roof_direction": 359.0, "roof_orientation": None},
    )
    assert column(inputs, "ridge_deg") == [30.0, 30.0, 179.0]
    assert column(inputs, "ridge_runs") == ["along", "across", None]
    assert "downslope_deg" not in inputs.footprints


def test_the_same_house_reads_alike_from_both(roofs: Callable[..., Inputs]) -> None:
    tags = {"roof:shape": "gabled", "roof:direction": "NE", "roof:orientation": "across", "roof:angle": "30",
            "height": "7", "roof:height": "2.5", "roof:levels": "1"}  # fmt: skip
    osm = roofs("osm", tags).footprints
    overture = roofs(
        "overture",
        {"roof_shape": "gabled", "roof_direction": 135.0, "roof_orientation": "across", "height": 7.0,
         "roof_height": 2.5},
    ).footprints  # fmt: skip
    assert osm["slope_deg"].tolist() == [30.0]
    for name in ("roof_shape", "ridge_deg", "ridge_runs", "height_ft", "roof_height_ft"):
        assert osm[name].tolist() == overture[name].tolist(), name


def test_tags_in_one_column_and_a_name_cut_by_dbase(
    geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    tags = '"roof:shape"=>"skillion","roof:direction"=>"W"'
    path = tmp_path / "tags.gpkg"
    gpd.GeoDataFrame({"osm_id": ["1"], "other_tags": [tags]}, geometry=[geo.square()], crs=geo.UTM).to_file(
        path
    )
    row = read({"file": path, "preset": "osm"}).footprints.iloc[0]
    assert (row["roof_shape"], row["downslope_deg"]) == ("monopitch", 270.0)
    path = tmp_path / "cut.shp"
    frame = {
        "osm_id": ["1"],
        "roof_shape": ["gabled"],
        "roof_direc": ["0"],
        "roof_heigh": [2.0],
        "height": [5.0],
    }
    gpd.GeoDataFrame(frame, geometry=[geo.square()], crs=geo.UTM).to_file(path)
    row = read({"file": path, "preset": "osm"}).footprints.iloc[0]
    assert (row["roof_shape"], row["ridge_deg"]) == ("gabled", 90.0)
    assert row["height_ft"] == pytest.approx(3 / FOOT_M)


@pytest.mark.parametrize(
    ("tags", "words"),
    [
        (
            {"roof:shape": "gabled", "roof:direction": "0", "ridge_deg": 0.0},
            "the ridge runs 0 deg, a slope faces 0 deg",
        ),
        (
            {"roof:shape": "hipped", "roof:direction": "N", "ridge_deg": 60.0},
            "the ridge runs 60 deg, a slope faces 0 deg",
        ),
        (
            {"roof:shape": "skillion", "roof:direction": "N", "downslope_deg": 180.0},
            "the roof falls 180 deg, a slope faces 0 deg",
        ),
        ({"ridge_deg": 10.0, "downslope_deg": 10.0}, "the ridge runs 10 deg, the roof falls 10 deg"),
    ],
)
def test_a_record_that_contradicts_itself_has_no_ridge(
    roofs: Callable[..., Inputs], tags: dict[str, object], words: str
) -> None:
    inputs = roofs("osm", tags, {"ridge_deg": 20.0})
    assert column(inputs, "ridge_deg") == [None, 20.0]
    assert column(inputs, "downslope_deg")[0] is None
    (row,) = inputs.problems.to_dict("records")
    assert (row["layer"], row["feature"], row["code"]) == ("roofs.gpkg", "b0", "contradictory_ridge")
    assert (row["message"], row["severity"]) == (
        f"Its ridge directions contradict each other: {words}; they were left out.",
        "warning",
    )


def test_what_agrees_but_for_the_compass_is_no_contradiction(roofs: Callable[..., Inputs]) -> None:
    inputs = roofs(
        "osm",
        {"roof:shape": "gabled", "roof:direction": "N", "ridge_deg": 101.0, "downslope_deg": None},
        {"roof:shape": "gabled", "roof:direction": "N", "ridge_deg": None, "downslope_deg": 180.0},
        {"roof:shape": "gabled", "roof:direction": "180", "ridge_deg": 89.0, "downslope_deg": None},
    )
    # The number that was stated goes before the one that was turned.
    assert column(inputs, "ridge_deg") == [101.0, 90.0, 89.0]
    assert inputs.problems.empty


def test_bad_values_name_file_layer_feature_field_and_value(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    frame = squares[["building_id", "geometry"]].assign(
        slope_deg=[90.0, -5.0, 30.0], beams=[0.0, 8.0, 8.0], roof_family=["panelized_wood", "thatched", None]
    )
    frame.to_file(tmp_path / "facts.gpkg", layer="walk")
    line = {
        "name": "walk", "file": tmp_path / "facts.gpkg", "layer": "walk", "how": "footprints",
        "columns": {"beam_spacing_ft": "beams"},
    }  # fmt: skip
    inputs = read(tmp_path / "t.gpkg", attributes=[line])
    found = inputs.problems.sort_values(["code", "feature", "message"])
    assert found["layer"].unique().tolist() == ["facts.gpkg:walk"]
    assert found["severity"].unique().tolist() == ["warning"]
    assert dict(zip(found["message"], found["feature"], strict=True)) == {
        "Column beams (beam_spacing_ft) holds 0.0: it is outside 0.5 to 60 ft; the value was left out.": "a",
        "Column slope_deg holds 90.0: it is outside 0 to 89 deg; the value was left out.": "a",
        "Column slope_deg holds -5.0: it is outside 0 to 89 deg; the value was left out.": "b",
        found[found["code"] == "unknown_roof_family"]["message"].iloc[0]: "b",
    }
    assert "'thatched': it is no roof family" in found["message"].iloc[-1]
    kept = inputs.attributes[0].frame
    assert kept["slope_deg"].notna().tolist() == [False, False, True]


def test_the_rule_of_the_gap_is_a_departments_to_set(rules: Rulebook) -> None:
    # Half a step of the 16 points must not be a contradiction.
    assert rules.number("intake.ridge_apart_deg") > 11.25
    assert np.isfinite(rules.numbers("intake.range.roof_height_ft")).all()


def test_sections_and_points_may_state_their_ridge(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    spot = gpd.GeoDataFrame(
        {"roof_shape": ["hip"], "ridge_deg": [200.0], "ridge_runs": ["across"], "roof_height_ft": [6.0]},
        geometry=[shapely.centroid(squares.geometry[0])],
        crs=squares.crs,
    )
    spot.to_file(tmp_path / "walk.gpkg")
    squares[["geometry"]].iloc[:1].assign(roof_shape="shed", downslope_deg="SW").to_file(tmp_path / "s.gpkg")
    inputs = read(
        tmp_path / "t.gpkg",
        attributes=[{"name": "walk", "file": tmp_path / "walk.gpkg", "how": "points"}],
        sections={"file": tmp_path / "s.gpkg"},
    )
    row = inputs.attributes[0].frame.iloc[0]
    assert row[["roof_shape", "ridge_deg", "ridge_runs", "roof_height_ft"]].tolist() == [
        "hipped",
        20.0,
        "across",
        6.0,
    ]
    assert inputs.sections[["roof_shape", "downslope_deg"]].to_numpy().tolist() == [["monopitch", 225.0]]
