"""What is repairable is repaired and logged, what is not is refused and logged, nothing is lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roofplat.district import District
from roofplat.intake import Inputs, read_inputs
from roofplat.rules import Rulebook, load_rulebook


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


def _round(corners: int, radius: float, inner: float | None = None) -> npt.NDArray[np.float64]:
    """Corners on a circle about a point, in metres; every other one on an inner one if there is one."""
    angle = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    reach = np.where(np.arange(corners) % 2, radius if inner is None else inner, radius)
    return np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])


def _placed(geo: SimpleNamespace, corners: npt.NDArray[np.float64], east: float = 0.0) -> shapely.Polygon:
    return shapely.Polygon(corners + np.array([geo.EAST + east, geo.NORTH + 500]))


def test_corners_that_bend_nothing_are_left_out_where_there_are_too_many(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # Corners a foot apart along a line that runs askew, as outlines have that were read off a picture.
    stairs = np.floor(np.arange(1500)[:, None] / 2 + np.array([[0.5, 0.0]])) * 0.3
    shapes = [
        _placed(geo, _round(2000, 40.0)),
        _placed(geo, _round(2001, 40.0), 500.0),
        _placed(geo, np.vstack([stairs, stairs[::-1] + np.array([-40.0, 40.0])]), 1500.0),
    ]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=["fits", "round", "stairs"]))
    told = inputs.problems[inputs.problems["code"] == "corners_left_out"]
    assert told["feature"].tolist() == ["round", "stairs"]
    assert told["message"].iloc[0].startswith("Of its 2,001 corners those that bend it by less than 1.5 ft")
    assert (told["severity"] == "warning").all()
    kept = inputs.footprints.set_index("building_id").geometry
    assert shapely.get_num_coordinates(kept["fits"]) == 2001
    assert shapely.get_num_coordinates(kept["round"]) < 200
    assert shapely.get_num_coordinates(kept["stairs"]) < 200
    for name, before in zip(kept.index, shapes, strict=True):
        assert shapely.hausdorff_distance(kept[name], before) <= 1.5 * 0.3048 + 1e-6
    assert inputs.counts["repaired"].tolist() == [2]


def test_no_building_has_thousands_of_teeth(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # A star and a comb of 8,000 corners took a minute and 7 GB each to lay out; of 100,000 no end was seen.
    step = np.arange(2500)[:, None]
    comb = np.column_stack([step + np.array([[0, 0, 0.5, 0.5]]), np.tile([[10, 30, 30, 10]], (2500, 1))])
    teeth = comb.reshape(2500, 2, 4).transpose(0, 2, 1).reshape(-1, 2)
    comb_shape = _placed(geo, np.vstack([[[0, 0]], teeth, [[2500, 0]]]), 500.0)
    star = _placed(geo, _round(100_000, 40.0, 25.0))
    inputs = read(
        _write(tmp_path / "t.gpkg", [geo.square(), star, comb_shape], building_id=["a", "star", "comb"])
    )
    assert inputs.footprints["building_id"].tolist() == ["a"]
    refused = inputs.problems[inputs.problems["code"] == "too_many_corners"]
    assert refused["feature"].tolist() == ["star", "comb"]
    assert refused["severity"].tolist() == ["error", "error"]
    assert refused["message"].iloc[1] == (
        "It has 10,001 corners, those left out that bend it by less than 1.5 ft, more than 2,000."
    )
    assert inputs.counts["refused"].tolist() == [2]


def test_how_many_corners_are_too_many_is_a_rule(geo: SimpleNamespace, tmp_path: Path) -> None:
    star = _placed(geo, _round(40, 40.0, 25.0))
    file = _write(tmp_path / "t.gpkg", [geo.square(), star], building_id=["a", "star"])
    district = District(name="test", folder=tmp_path, footprints={"file": file})
    for most, kept in ((39, 1), (40, 2)):
        inputs = read_inputs(district, load_rulebook({"outline.most_corners": most}))
        assert len(inputs.footprints) == kept


def test_a_scribble_is_refused_before_it_is_untangled(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # What was made of one with 2,000 corners had 86,000, after 11 s and with 1.1 GB.
    scribble = np.random.default_rng(7).uniform(0, 60, (2000, 2))
    knot = np.random.default_rng(7).uniform(0, 60, (40, 2))
    shapes = [geo.square(), _placed(geo, scribble), _placed(geo, knot, 500.0)]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=["a", "scribble", "knot"]))
    assert inputs.footprints["building_id"].tolist() == ["a", "knot"]
    refused = inputs.problems[inputs.problems["code"] == "tangled"]
    assert refused["feature"].tolist() == ["scribble"]
    assert refused["message"].tolist() == ["The outline crosses itself in more than 5,000 places."]


def test_what_divides_a_roof_has_no_more_corners_than_a_roof(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    wave = np.linspace(0, 20, 3000)
    smooth = np.column_stack([wave, 10 + 0.05 * np.sin(wave)]) + np.array([geo.EAST, geo.NORTH])
    teeth = np.column_stack([wave, 10 + 5.0 * (np.arange(3000) % 2)]) + np.array([geo.EAST, geo.NORTH])
    walls = tmp_path / "walls.gpkg"
    gpd.GeoDataFrame(geometry=[shapely.LineString(smooth), shapely.LineString(teeth)], crs=geo.UTM).to_file(
        walls
    )
    inputs = read(_write(tmp_path / "t.gpkg", [geo.square()], building_id=["a"]), fire_walls={"file": walls})
    assert len(inputs.fire_walls) == 1
    assert shapely.get_num_coordinates(inputs.fire_walls.geometry.iloc[0]) < 20
    told = inputs.problems[inputs.problems["layer"].str.contains("walls")]
    assert told["code"].tolist() == ["too_many_corners", "corners_left_out"]


def test_a_thing_on_a_roof_with_thousands_of_teeth_is_kept_off_whole(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # An array drawn as a star of 100,000 points took minutes to measure; to leave it out would be worse.
    star = _placed(geo, _round(3000, 8.0, 5.0))
    wire = shapely.LineString(_round(3000, 8.0, 5.0) + np.array([geo.EAST, geo.NORTH]))
    things = gpd.GeoDataFrame({"kind": ["solar", "overhead_line"]}, geometry=[star, wire], crs=geo.UTM)
    things.to_file(tmp_path / "things.gpkg")
    inputs = read(
        _write(tmp_path / "t.gpkg", [geo.square()], building_id=["a"]),
        obstacles=[{"file": tmp_path / "things.gpkg"}],
    )
    told = inputs.problems[inputs.problems["code"] == "hull_taken"]
    assert told["message"].tolist() == ["It has 3,000 corners; all that lies within its hull was taken."]
    kept = inputs.obstacles.set_index("kind").geometry
    assert shapely.covers(shapely.buffer(kept["solar"], 1e-6), star)
    assert shapely.area(kept["solar"]) == pytest.approx(np.pi * 8.0**2, rel=1e-3)
    # A line is measured from in no time, and its hull might be a town.
    assert shapely.get_num_coordinates(kept["overhead_line"]) == 3000


def test_a_drawing_that_is_there_often_is_told_once_a_row(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # Two thousand repeats made two million pairs to intersect: 16 s and 1.3 GB.
    one, near, far = geo.square(), shapely.affinity.translate(geo.square(), 0.05, 0), geo.square(3)
    turned = shapely.Polygon(one.exterior.coords[2:] + one.exterior.coords[1:3])
    shapes = [near, one, near, one, far, turned, far, *[one] * 1500]
    ids = [str(row) for row in range(len(shapes))]
    inputs = read(_write(tmp_path / "t.gpkg", shapes, building_id=ids))
    assert inputs.footprints["building_id"].tolist() == ["0", "4"]
    told = inputs.problems.set_index("feature")
    assert told["message"][["2", "6"]].tolist() == [
        "The outline repeats 0, which is kept.",
        "The outline repeats 4, which is kept.",
    ]
    overlaps = told[told["code"] == "overlapping_outline"]
    assert overlaps.index.tolist() == ["1", "3", "5", *ids[7:]]
    assert overlaps["message"].unique().tolist() == [
        "The outline overlaps 0 by 99.5 percent of their union, which is kept."
    ]


def test_a_courtyard_without_corners_keeps_no_point_from_being_taken(
    read: Callable[..., Inputs], geo: SimpleNamespace, tmp_path: Path
) -> None:
    # The library complained of its own arithmetic, and the point was right.
    house = geo.square().wkt.replace("))", "), EMPTY)")
    stations = tmp_path / "stations.gpkg"
    gpd.GeoDataFrame({"name": ["S"]}, geometry=[shapely.from_wkt(house)], crs=geo.UTM).to_file(stations)
    inputs = read(_write(tmp_path / "t.gpkg", [geo.square()], building_id=["a"]), stations={"file": stations})
    assert inputs.stations.geometry.iloc[0].equals(shapely.Point(geo.EAST + 10, geo.NORTH + 10))
    assert "point_taken" in geo.codes(inputs)
