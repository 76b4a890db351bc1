"""Every format gives the same outlines; what a format cannot say is supplied or asked for."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geoseries_equal

from roofplat.district import FootprintSource
from roofplat.errors import CrsError, LayerError
from roofplat.intake import Inputs
from roofplat.intake.look import Look, look
from roofplat.intake.raw import raw_frame, raw_rows
from roofplat.intake.read import read_layer, rows_lacking


def _topojson(path: Path, geo: SimpleNamespace) -> Path:
    arcs = [geo.ring(0), geo.ring(1)]
    shapes = [
        {"type": "Polygon", "arcs": [[number]], "properties": {"building_id": word, "height_ft": 20}}
        for number, word in enumerate("ab")
    ]
    path.write_text(
        json.dumps(
            {
                "type": "Topology",
                "arcs": arcs,
                "objects": {"roofs": {"type": "GeometryCollection", "geometries": shapes}},
            }
        )
    )
    return path


@pytest.mark.parametrize("name", ["t.gpkg", "t.shp", "t.fgb", "t.geojson", "t.parquet"])
def test_formats_agree(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs], name: str
) -> None:
    path = tmp_path / name
    layer = squares.to_crs("EPSG:4326") if name.endswith("geojson") else squares
    if name.endswith("shp"):
        # dBASE cuts a column's name to ten characters.
        layer = layer.rename(columns={"building_id": "BUILDING_I", "height_ft": "HEIGHT_FT"})
    layer.to_parquet(path) if name.endswith("parquet") else layer.to_file(path)
    inputs = read(path, working_crs="EPSG:32613")
    assert inputs.problems.empty
    assert inputs.counts.to_dict("records") == [
        {"layer": name, "read": 3, "kept": 3, "repaired": 0, "refused": 0}
    ]
    found = inputs.footprints.sort_values("building_id", ignore_index=True)
    assert found["building_id"].tolist() == ["a", "b", "c"]
    assert found["height_ft"].tolist() == [12.0, 24.0, 36.0]
    assert found.crs.to_epsg() == 32613
    assert_geoseries_equal(
        found.geometry.normalize(), squares.geometry.normalize(), check_less_precise=True, check_crs=False
    )


def test_topojson_is_read_as_lon_lat_and_says_so(
    tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    inputs = read(_topojson(tmp_path / "t.topojson", geo))
    assert inputs.footprints["building_id"].tolist() == ["a", "b"]
    assert inputs.working_crs.to_epsg() == 32613
    assert geo.codes(inputs) == ["crs_named"]
    assert inputs.problems["severity"].tolist() == ["info"]


def test_osm_file_with_tags_in_one_column(tmp_path: Path, read: Callable[..., Inputs]) -> None:
    path = tmp_path / "town.osm"
    corners = [(39.7, -105.0), (39.7, -104.9998), (39.7002, -104.9998), (39.7002, -105.0)]
    nodes = "".join(f'<node id="{n}" lat="{lat}" lon="{lon}"/>' for n, (lat, lon) in enumerate(corners, 1))
    references = "".join(f'<nd ref="{n}"/>' for n in (1, 2, 3, 4, 1))
    tags = {
        "building": "warehouse",
        "building:levels": "2",
        "height": "6",
        "addr:housenumber": "12",
        "addr:street": "Larch Road",
        "roof:shape": "flat",
    }
    words = "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags.items())
    path.write_text(f'<osm version="0.6">{nodes}<way id="77">{references}{words}</way></osm>')
    inputs = read({"file": path, "layer": "multipolygons", "preset": "osm"})
    (row,) = inputs.footprints.to_dict("records")
    assert (row["building_id"], row["storeys"], row["occupancy"]) == ("77", 2, "warehouse")
    assert row["address"] == "12 Larch Road"
    assert row["height_ft"] == pytest.approx(6 / 0.3048)
    assert "roof_family" not in row


def test_open_rings_of_a_hand_drawn_file_are_closed(
    draw: Callable[..., Path], geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    path = draw(
        geo.feature(geo.polygon(geo.ring(0)[:-1])),
        geo.feature(geo.polygon(geo.ring(1))),
        geo.feature({"type": "MultiPolygon", "coordinates": [[geo.ring(2)[:-1]], [geo.ring(3)]]}),
    )
    inputs = read(path)
    closed = inputs.problems[inputs.problems["code"] == "ring_closed"]
    assert closed["feature"].tolist() == ["drawn-1", "drawn-3"]
    assert inputs.footprints["building_id"].tolist() == ["drawn-1", "drawn-2", "drawn-3"]
    assert inputs.footprints.geom_type.tolist() == ["Polygon", "Polygon", "MultiPolygon"]
    assert inputs.counts["repaired"].tolist() == [2]


def test_points_from_a_table(squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    (tmp_path / "visits.csv").write_text(
        "\ufeffLongitude,Latitude,roof_family,seen\n"
        "-105.0,39.7487,panelized_wood,2024-05-01\n"
        "west,39.7487,panelized_wood,2023\n"
        ",,sawtooth,\n",
        "utf-8",
    )
    visits = {
        "name": "visits",
        "file": tmp_path / "visits.csv",
        "how": "points",
        "basis": "surveyed",
        "date": "2020",
        "date_column": "seen",
    }
    inputs = read(tmp_path / "t.gpkg", attributes=[visits])
    frame = inputs.attributes[0].frame
    assert frame["record"].tolist() == ["1"]
    assert frame["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-05-01"]
    assert frame["roof_family"].tolist() == ["panelized_wood"]
    # The central meridian of zone 13.
    assert shapely.get_x(frame.geometry.array).tolist() == pytest.approx([500_000.0])
    assert inputs.problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["row 2", "bad_coordinate", "warning"],
        ["row 3", "null_geometry", "warning"],
    ]


def test_feet_in_a_table_need_a_crs(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    (tmp_path / "p.csv").write_text("x,y,name\n500010,4400010,Mill\n")
    line = {"name": "p", "file": tmp_path / "p.csv", "how": "points"}
    placed = read(tmp_path / "t.gpkg", attributes=[{**line, "crs": "EPSG:32613"}])
    assert placed.attributes[0].frame.geometry.iloc[0].equals(shapely.Point(500010, 4400010))
    lost = read(tmp_path / "t.gpkg", attributes=[line])
    assert lost.attributes[0].frame.empty
    assert lost.problems["severity"].tolist() == ["error"]
    assert "p.csv" in lost.problems["message"].iloc[0]


def test_district_file_may_name_the_crs_of_a_layer_that_does_not(
    squares: gpd.GeoDataFrame, draw: Callable[..., Path], geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    # GeoJSON in metres: not lon/lat, whatever its standard says.
    path = draw(*(geo.feature(shapely.geometry.mapping(shape)) for shape in squares.geometry))
    with pytest.raises(
        CrsError, match=r"^drawn\.geojson: coordinates such as 500050, 4.4e\+06 cannot be long"
    ):
        read(path)
    inputs = read({"file": path, "crs": "EPSG:32613"})
    assert inputs.working_crs.to_epsg() == 32613
    assert inputs.footprints.geometry.iloc[0].equals(squares.geometry.iloc[0])
    with pytest.raises(CrsError, match=r"'EPSG:0', which is not a coordinate reference system"):
        read({"file": path, "crs": "EPSG:0"})


def test_a_layers_own_crs_outranks_the_district_file(
    squares: gpd.GeoDataFrame, tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    inputs = read({"file": tmp_path / "t.gpkg", "crs": "EPSG:32614"})
    assert inputs.working_crs.to_epsg() == 32613
    assert geo.codes(inputs) == ["crs_named"]


def test_a_layer_of_nothing_but_unusable_outlines_stops_the_build(
    draw: Callable[..., Path], geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    with pytest.raises(LayerError, match=r"not one of its 1 outlines can be used; the first is drawn-1: "):
        read(draw(geo.feature(None)))
    with pytest.raises(LayerError, match=r"drawn\.geojson: the layer is empty"):
        read(draw())


@pytest.mark.parametrize(("read", "said"), [(12, []), (13, []), (5, ["rows_lacking"])])
def test_fewer_features_than_the_file_counts_are_told(read: int, said: list[str]) -> None:
    found = Look(Path("roofs.fgb"), "roofs", ("roofs",), "FlatGeobuf", "Polygon", None, 12, {})
    assert [code for code, *_ in rows_lacking(found, read)] == said


def test_a_file_that_gives_none_of_its_features_is_refused() -> None:
    found = Look(Path("roofs.fgb"), "roofs", ("roofs",), "FlatGeobuf", "Polygon", None, 12, {})
    with pytest.raises(LayerError, match=r"^roofs\.fgb: the file counts 12 features, but none"):
        rows_lacking(found, 0)


def test_bytes_that_are_no_text_are_replaced_and_told(squares: gpd.GeoDataFrame, tmp_path: Path) -> None:
    path = tmp_path / "roofs.shp"
    squares.assign(name="Cafe", building_id=squares["building_id"])[["name", "geometry"]].to_file(path)
    table = path.with_suffix(".dbf")
    table.write_bytes(table.read_bytes().replace(b"Cafe", b"Caf\xe9", 1))
    path.with_suffix(".cpg").write_text("UTF-8", "utf-8")
    found = look(path)
    layer = read_layer(found, FootprintSource(file=path))
    assert layer.rows["name"].tolist() == ["Caf\ufffd", "Cafe", "Cafe"]
    assert pd.concat(layer.problems)["message"].str.contains("the column name is not UTF-8").any()
    rows = raw_rows(found, geometry=True)
    assert [raw_frame(batch, rows.form)["name"].tolist() for batch in rows.batches] == [
        ["Caf\ufffd", "Cafe", "Cafe"]
    ]
    assert ["the column name is not UTF-8" in said for said in rows.remarks] == [True]
