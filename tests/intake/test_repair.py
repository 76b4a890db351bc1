"""What is repairable is repaired and logged, what is not is refused and logged, nothing is lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roofplat.district import District
from roofplat.intake import Inputs, read_inputs
from roofplat.rules import Rulebook


def _write(path: Path, shapes: list[object], **columns: list[object]) -> Path:
    gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:32613").to_file(path, layer="roofs")
    return path


def _rows(inputs: Inputs) -> list[tuple[str, str, str]]:
    return list(inputs.problems[["feature", "code", "severity"]].itertuples(index=False, name=None))


def test_bow_tie_keeps_its_ground(tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    x, y = geo.EAST, geo.NORTH
    tie = shapely.Polygon([(x, y), (x + 20, y + 20), (x + 20, y), (x, y + 20)])
    inputs = read(_write(tmp_path / "t.gpkg", [tie], building_id=["tie"]))
    assert _rows(inputs) == [("tie", "outline_untangled", "warning")]
    assert "Self-intersection" in inputs.problems["message"].iloc[0]
    # Two triangles of 20 m base and 10 m height.
    assert inputs.footprints.area.tolist() == pytest.approx([200.0])
    assert inputs.footprints.is_valid.all()


def test_spike_is_dropped_and_logged(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    x, y = geo.EAST, geo.NORTH
    collection = shapely.GeometryCollection(
        [geo.square(0), geo.square(1), shapely.LineString([(x, y), (x, y + 90)])]
    )
    inputs = read(_write(tmp_path / "t.gpkg", [collection], building_id=["g"]))
    assert _rows(inputs) == [("g", "parts_dropped", "warning")]
    assert inputs.footprints.geom_type.tolist() == ["MultiPolygon"]
    assert inputs.footprints.area.tolist() == pytest.approx([800.0])


def test_overlapping_polygons_of_a_collection_become_valid(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    shape = shapely.GeometryCollection(
        [geo.square(0), shapely.transform(geo.square(0), lambda xy: xy + np.array([10.0, 0.0]))]
    )
    inputs = read(_write(tmp_path / "t.gpkg", [shape], building_id=["g"]))
    assert inputs.footprints.is_valid.all()
    # Structure-wise union of 20 by 20 and the same moved by 10.
    assert inputs.footprints.area.tolist() == pytest.approx([600.0])


def test_lines(tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    outer, inner = geo.square(0).exterior, geo.square(0).buffer(-5).exterior
    shapes = [
        geo.square(1).exterior,
        shapely.MultiLineString([outer, inner]),
        shapely.LineString(geo.square(2).exterior.coords[:-1]),
        shapely.Point(geo.EAST, geo.NORTH),
    ]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=["ring", "rings", "open", "dot"]))
    assert _rows(inputs) == [
        ("dot", "wrong_geometry", "error"),
        ("ring", "line_closed", "info"),
        ("rings", "line_closed", "info"),
        ("open", "open_line", "error"),
    ]
    assert inputs.footprints["building_id"].tolist() == ["ring", "rings"]
    # The second is a court of 10 by 10 in a square of 20.
    assert inputs.footprints.area.tolist() == pytest.approx([400.0, 300.0])


def test_null_empty_and_heights(tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    shapes = [None, shapely.Polygon(), shapely.force_3d(geo.square(0), 7.0)]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=["a", "b", "c"]))
    assert _rows(inputs) == [
        ("a", "null_geometry", "error"),
        ("b", "empty_geometry", "error"),
        ("c", "height_dropped", "info"),
    ]
    assert not inputs.footprints.has_z.any()


def test_coordinates_that_are_no_numbers(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    x, y = geo.EAST, geo.NORTH
    with np.errstate(invalid="ignore"):
        holes = [
            shapely.Polygon([(x, y), (x + 20, y), (np.nan, y + 20), (x, y)]),
            shapely.Polygon([(x, y), (x + 20, y), (np.inf, y + 20), (x, y)]),
            geo.square(0),
        ]
    inputs = read(_write(tmp_path / "t.gpkg", holes, building_id=["a", "b", "c"]))
    assert [row[:2] for row in _rows(inputs)] == [
        ("a", "unfinite_coordinates"),
        ("b", "unfinite_coordinates"),
    ]
    assert inputs.footprints["building_id"].tolist() == ["c"]


def test_winding_is_turned_and_logged_where_a_standard_sets_it(
    draw: Callable[..., Path], tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    inputs = read(draw(geo.feature(geo.polygon(geo.ring(0)[::-1]), building_id="w")))
    assert _rows(inputs) == [("w", "winding_turned", "info")]
    assert shapely.is_ccw(inputs.footprints.geometry.exterior.array).all()
    # Shapefiles wind the other way by their own rule: nothing to report.
    assert read(_write(tmp_path / "t.gpkg", [geo.square(0).reverse()], building_id=["w"])).problems.empty


def test_slivers_are_measured_in_ground_feet(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    x, y = geo.EAST, geo.NORTH
    # 30 ft2 are 2.787 m2 on the ground and 2.785 m2 on this map, whose scale is 0.9996 here.
    just, short = shapely.box(x, y, x + 1, y + 2.786), shapely.box(x + 50, y, x + 51, y + 2.784)
    flat = shapely.box(x + 90, y, x + 95, y)
    partly = shapely.MultiPolygon([geo.square(3), shapely.box(x, y + 90, x + 1, y + 91)])
    inputs = read(
        _write(
            tmp_path / "t.gpkg", [just, short, flat, partly], building_id=["just", "short", "flat", "part"]
        )
    )
    assert inputs.footprints["building_id"].tolist() == ["just", "part"]
    assert [row for row in _rows(inputs) if row[1] != "outline_untangled"] == [
        ("flat", "zero_area", "error"),
        ("short", "sliver", "error"),
        ("part", "sliver_part_dropped", "warning"),
    ]
    assert inputs.footprints.geom_type.tolist() == ["Polygon", "Polygon"]


def test_repeats_keep_the_first(tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    first = geo.square(0)
    near = shapely.transform(first, lambda xy: xy + np.array([0.1, 0.0]))  # shares 19.9 of 20.1 m: 0.990
    far = shapely.transform(first, lambda xy: xy + np.array([0.5, 0.0]))  # 19.5 of 20.5 m: 0.951
    same = shapely.Polygon(np.roll(np.array(first.exterior.coords[:-1]), 1, axis=0))
    inputs = read(_write(tmp_path / "t.gpkg", [first, near, far, same], building_id=["a", "b", "c", "d"]))
    assert inputs.footprints["building_id"].tolist() == ["a", "c"]
    assert _rows(inputs) == [("d", "duplicate_outline", "warning"), ("b", "overlapping_outline", "error")]
    assert "overlaps a by 99.0 percent" in inputs.problems["message"].iloc[1]


def test_a_chain_of_repeats_is_judged_against_what_is_kept(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    # Each shares 0.985 with the one before, the third only 0.970 with the first.
    chain = [
        shapely.transform(geo.square(0), lambda xy, d=d: xy + np.array([d, 0.0])) for d in (0.0, 0.15, 0.3)
    ]
    inputs = read(_write(tmp_path / "t.gpkg", chain, building_id=["a", "b", "c"]))
    assert inputs.footprints["building_id"].tolist() == ["a", "c"]


def test_ids(tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    shapes = [None, *(geo.square(column) for column in range(5))]
    ids = ["7", "7", "7.0", " 7-2 ", None, "7"]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=ids))
    # The refused first row does not take the id away from the second; 7-2 is somebody's own.
    assert inputs.footprints["building_id"].tolist() == ["7", "7-3", "7-2", "roofs-5", "7-4"]
    assert _rows(inputs) == [
        ("", "ids_made", "info"),
        ("7 (row 1)", "null_geometry", "error"),
        ("7 (row 3)", "duplicate_id", "warning"),
        ("7 (row 6)", "duplicate_id", "warning"),
    ]
    assert inputs.problems["layer"].unique().tolist() == ["t.gpkg:roofs"]


def test_ids_of_a_number_column_are_whole(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    path = _write(tmp_path / "t.gpkg", [geo.square(0), geo.square(1)], number=[101.0, 102.0])
    assert read({"file": path, "id": "number"}).footprints["building_id"].tolist() == ["101", "102"]


# Rings a hand could draw in a square of 2 by 2 thousandths of a degree, closed or not.
_steps = st.integers(0, 20).map(lambda step: step / 10_000)
_rings = st.lists(st.tuples(_steps, _steps), min_size=0, max_size=9)
_closing = st.booleans()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rings=st.lists(st.tuples(_rings, _closing), min_size=1, max_size=6))
def test_whatever_is_drawn_is_kept_valid_or_refused(
    rings: list[tuple[list[tuple[float, float]], bool]], tmp_path: Path, rules: Rulebook
) -> None:
    """read = kept + refused, every kept outline is sound, every refused one has its error row."""
    sound = [(-0.001, -0.001), (-0.0002, -0.001), (-0.0002, -0.0002), (-0.001, -0.001)]
    drawn = [[*points, points[0]] if closing and points else points for points, closing in rings]
    features = [
        {
            "type": "Feature",
            "properties": {"building_id": f"r{number}"},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[-105.0 + x, 39.7 + y] for x, y in points]],
            },
        }
        for number, points in enumerate([sound, *drawn])
    ]
    path = tmp_path / "drawn.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    district = District(name="law", folder=tmp_path, footprints={"file": path})
    inputs = read_inputs(district, rules)
    (line,) = inputs.counts.to_dict("records")
    kept = inputs.footprints
    assert line["read"] == len(features)
    assert line["kept"] == len(kept)
    assert line["read"] == line["kept"] + line["refused"]
    assert kept.is_valid.all()
    assert not kept.is_empty.any()
    assert set(kept.geom_type) <= {"Polygon", "MultiPolygon"}
    assert (kept.area > 0).all()
    refusals = inputs.problems[
        (inputs.problems["severity"] == "error") | (inputs.problems["code"] == "duplicate_outline")
    ]
    named = {f"r{number}" for number in range(len(features))}
    assert set(kept["building_id"]) | set(refusals["feature"]) == named
    assert set(kept["building_id"]).isdisjoint(refusals["feature"])
    assert len(refusals) == line["refused"]


def test_order_of_other_rows_changes_nothing(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    shapes = [geo.square(column, row) for column in range(4) for row in range(3)]
    ids = [f"b{number:02}" for number in range(12)]
    forward = read(_write(tmp_path / "f.gpkg", shapes, building_id=ids)).footprints
    backward = read(_write(tmp_path / "b.gpkg", shapes[::-1], building_id=ids[::-1])).footprints
    pd.testing.assert_frame_equal(
        pd.DataFrame(forward.drop(columns="geometry")),
        pd.DataFrame(backward.drop(columns="geometry")).iloc[::-1].reset_index(drop=True),
    )
    assert shapely.equals_exact(forward.geometry.array, backward.geometry.array[::-1], 0.0).all()


@pytest.mark.parametrize(
    "outline",
    [
        "POLYGON ((0 0, 0 0, 30 0, 30 0, 30 20, 0 20, 0 20, 0 0))",
        "POLYGON ((0 0, 30 0, 30 20, 0 20, 0 0), EMPTY)",
        "MULTIPOLYGON (EMPTY, ((0 0, 30 0, 30 20, 0 20, 0 0)))",
    ],
)
def test_points_twice_and_rings_without_points_are_no_part_of_an_outline(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path, outline: str
) -> None:
    # The rooms asked an edge without a length for its direction, and counted points that were not there.
    shape = shapely.transform(shapely.from_wkt(outline), lambda xy: xy + np.array([geo.EAST, geo.NORTH]))
    file = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame({"building_id": ["a"]}, geometry=[shape], crs=geo.UTM).to_file(file)
    made = read(file).footprints.geometry.iloc[0]
    assert shapely.get_num_coordinates(made) == 5
    assert made.area == pytest.approx(600.0)


def test_polygons_deep_in_collections_are_one_outline(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # A multi-polygon of one part, inside a collection, was taken for a polygon, and joining it failed.
    one, other = geo.square(0), geo.square(1)
    shape = shapely.GeometryCollection([one, shapely.MultiPolygon([other])])
    file = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame({"building_id": ["a"]}, geometry=[shape], crs=geo.UTM).to_file(file)
    assert read(file).footprints.geometry.iloc[0].equals(shapely.union(one, other))


def test_no_building_is_miles_long(read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path) -> None:
    # A county drawn among the buildings was framed beam by beam, until there was no memory left.
    county = shapely.box(geo.EAST - 9e4, geo.NORTH + 1e3, geo.EAST + 9e4, geo.NORTH + 8e4)
    file = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame({"building_id": ["a", "county"]}, geometry=[geo.square(), county], crs=geo.UTM).to_file(
        file
    )
    inputs = read(file)
    assert inputs.footprints["building_id"].tolist() == ["a"]
    refused = inputs.problems[inputs.problems["code"] == "too_large"]
    assert refused["feature"].tolist() == ["county"]
    assert "ft from end to end, more than 15,000 ft" in refused["message"].iloc[0]


def test_a_hairline_is_no_part_of_an_outline(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # Drawn out and back again within a hair, it stretched the grid of beams over half a mile.
    corners = np.array([(0, 0), (30, 0), (30, 10), (500, 10.0000001), (30, 10.0001), (30, 20), (0, 20)])
    flat_end = np.array([(0, 0), (30, 0), (30, 10), (300, 10), (300, 10.01), (30, 10.01), (30, 20), (0, 20)])
    place = np.array([geo.EAST, geo.NORTH])
    shapes = [shapely.Polygon(corners + place), shapely.Polygon(flat_end + place + np.array([0, 900]))]
    file = tmp_path / "roofs.gpkg"
    gpd.GeoDataFrame({"building_id": ["tip", "end"]}, geometry=shapes, crs=geo.UTM).to_file(file)
    inputs = read(file)
    bounds = inputs.footprints.geometry.bounds
    assert (bounds["maxx"] - bounds["minx"]).tolist() == pytest.approx([30.0, 30.0], abs=0.01)
    assert inputs.footprints.area.tolist() == pytest.approx([600.0, 600.0], abs=0.01)
    said = inputs.problems[inputs.problems["code"] == "hairline_dropped"]
    assert said["feature"].tolist() == ["tip", "end"]
    assert inputs.counts["repaired"].tolist() == [2]


def test_a_ring_that_cannot_be_made_loses_no_other_row_of_parquet(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # GeoParquet 1.1 with a polygon whose ring stays open: the whole file could not be read.
    square = shapely.to_wkb(geo.square())
    open_ring = square[:9] + (4).to_bytes(4, "little") + shapely.to_wkb(geo.square(1))[13:-16]
    frame = gpd.GeoDataFrame({"building_id": ["a", "b"]}, geometry=[geo.square(), geo.square(1)], crs=geo.UTM)
    file = tmp_path / "roofs.parquet"
    frame.to_parquet(file)
    table = pa.parquet.read_table(file)
    place = table.column_names.index("geometry")
    spoilt = pa.chunked_array([pa.array([square, open_ring], type=pa.binary())])
    spoilt_table = table.set_column(place, table.schema.field("geometry"), spoilt)
    pa.parquet.write_table(spoilt_table, file)
    inputs = read(file)
    assert inputs.footprints["building_id"].tolist() == ["a", "b"]
    assert inputs.footprints.area.tolist() == pytest.approx([400.0, 400.0])
    assert geo.codes(inputs)[0] == "ring_closed"
