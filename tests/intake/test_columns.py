"""Foreign names and units become house names and units, once."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shapely
import shapely.affinity

from roofplat.errors import FieldError
from roofplat.intake import Inputs


@pytest.fixture
def one(geo: SimpleNamespace, tmp_path: Path) -> Callable[..., Path]:
    """A layer of one square with the columns given."""

    def write(**columns: object) -> Path:
        path = tmp_path / "one.gpkg"
        gpd.GeoDataFrame([columns], geometry=[geo.square()], crs=geo.UTM).to_file(path)
        return path

    return write


def _row(inputs: Inputs) -> dict[str, Any]:
    (row,) = inputs.footprints.to_dict("records")
    return row


def test_plain_names_in_any_case(one: Callable[..., Path], read: Callable[..., Inputs]) -> None:
    row = _row(read(one(ID=7, Height_FT=24, ROOF_FAMILY="sawtooth", date="2021-03-04", shape="gable")))
    assert (row["building_id"], row["height_ft"], row["roof_family"]) == ("7", 24.0, "sawtooth")
    assert str(row["date"].date()) == "2021-03-04"
    assert "shape" not in row


@pytest.mark.parametrize("name", ["Bldg_ID", "BLD_ID", "structure_id", "Building_Id"])
def test_common_names_of_the_id_are_known(
    one: Callable[..., Path], read: Callable[..., Inputs], name: str
) -> None:
    assert _row(read(one(**{"id": 3, name: "K7"})))["building_id"] == "K7"


def test_a_number_that_programs_give_anew_is_no_id(
    one: Callable[..., Path], read: Callable[..., Inputs]
) -> None:
    assert _row(read(one(OBJECTID=7)))["building_id"] == "one-1"


def test_ids_of_two_columns_are_not_mixed(
    geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "two.gpkg"
    columns = {"bldg_id": ["5", None], "id": ["9", "5"]}
    squares = [geo.square(), shapely.affinity.translate(geo.square(), 500)]
    gpd.GeoDataFrame(columns, geometry=squares, crs=geo.UTM).to_file(path)
    assert read(path).footprints["building_id"].tolist() == ["5", "two-2"]


def test_a_name_cut_by_dbase_may_be_another(
    geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "one.shp"
    frame = gpd.GeoDataFrame(
        {"structure_": ["garage"], "bldg_id": ["K7"]}, geometry=[geo.square()], crs=geo.UTM
    )
    frame.drop(columns="bldg_id").to_file(path)
    assert _row(read(path))["building_id"] == "one-1"
    frame.to_file(path)
    assert _row(read(path))["building_id"] == "K7"


def test_osm_tags(one: Callable[..., Path], read: Callable[..., Inputs]) -> None:
    path = one(
        **{
            "@id": "way/5",
            "building": "yes",
            "building:levels": "3",
            "height": "10 m",
            "roof:shape": "gabled",
            "roof:levels": "1",
            "addr:housenumber": "4",
            "addr:street": "Alder Way",
            "start_date": "1987-06",
            "name": "Annex",
        }
    )
    row = _row(read({"file": path, "preset": "osm"}))
    assert (row["building_id"], row["name"], row["address"]) == ("way/5", "Annex", "4 Alder Way")
    assert (row["storeys"], row["year_built"]) == (3, 1987)
    assert row["height_ft"] == pytest.approx(10 / 0.3048)
    # "yes" says nothing of the use, and a shape nothing of the framing.
    assert row["occupancy"] is None or row["occupancy"] != row["occupancy"]
    assert "roof_family" not in row


@pytest.mark.parametrize(("tag", "feet"), [("6", 19.685), ("20 ft", 20.0), ("20'", 20.0), ("6.0 m", 19.685)])
def test_osm_height_may_carry_its_unit(
    one: Callable[..., Path], read: Callable[..., Inputs], tag: str, feet: float
) -> None:
    row = _row(read({"file": one(height=tag), "preset": "osm"}))
    assert row["height_ft"] == pytest.approx(feet, abs=5e-4)


def test_overture_structs(geo: SimpleNamespace, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    path = tmp_path / "overture.parquet"
    frame = gpd.GeoDataFrame(
        {
            "id": ["08b2", "08b3"],
            "names": [{"primary": "Depot", "common": None}, None],
            "height": [9.0, None],
            "num_floors": [2, 1],
            "roof_shape": ["flat", None],
            "roof_material": ["metal", None],
            "class": ["warehouse", None],
        },
        geometry=[geo.square(0), geo.square(1)],
        crs=geo.UTM,
    )
    frame.to_parquet(path)
    assert pa.types.is_struct(pq.read_schema(path).field("names").type)
    found = read({"file": path, "preset": "overture"}).footprints
    assert found["building_id"].tolist() == ["08b2", "08b3"]
    assert found["name"].iloc[0] == "Depot"
    assert found["name"].isna().tolist() == [False, True]
    assert found["height_ft"].iloc[0] == pytest.approx(9 / 0.3048)
    assert found["storeys"].tolist() == [2, 1]
    assert "roof_family" not in found


def test_overture_as_geojson(
    draw: Callable[..., Path], geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    names = {"primary": 'The "Old" Mill'}
    path = draw(geo.feature(geo.polygon(geo.ring()), id="x", names=names, height=10))
    row = _row(read({"file": path, "preset": "overture"}))
    assert row["name"] == names["primary"]
    assert json.dumps(names) not in row.values()


def test_mapped_columns_and_units(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    (tmp_path / "roll.csv").write_text("PARCEL,HGT,SPAN,WALK\na,3937,10,0\n")
    roll = {
        "name": "roll",
        "file": tmp_path / "roll.csv",
        "how": "key",
        "id": "PARCEL",
        "columns": {"height_ft": "HGT", "beam_spacing_ft": "SPAN", "sounding_walk_deg": "WALK"},
        "units": {"height_ft": "us_survey_ft", "beam_spacing_ft": "m", "sounding_walk_deg": "deg"},
    }
    inputs = read(tmp_path / "t.gpkg", attributes=[roll])
    # 3937 US survey feet are 1200 m, which is beyond any building and so left out.
    assert inputs.problems["code"].tolist() == ["out_of_range"]
    assert "Column HGT (height_ft) holds '3937'" in inputs.problems["message"].iloc[0]
    (row,) = inputs.attributes[0].frame.to_dict("records")
    assert row["beam_spacing_ft"] == pytest.approx(10 / 0.3048)
    assert row["sounding_walk_deg"] == 0.0


def test_us_survey_feet(squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    (tmp_path / "roll.csv").write_text("building_id,height_ft\na,1000\n")
    line = {"name": "r", "file": tmp_path / "roll.csv", "how": "key", "units": {"height_ft": "us_survey_ft"}}
    frame = read(tmp_path / "t.gpkg", attributes=[line]).attributes[0].frame
    # 1200/3937 m over 0.3048 m is 1.000002 exactly to seven figures.
    assert frame["height_ft"].tolist() == pytest.approx([1000.002], abs=1e-6)


def test_columns_named_wrongly(one: Callable[..., Path], read: Callable[..., Inputs]) -> None:
    path = one(HGT=20.0)
    with pytest.raises(
        FieldError, match=r"^one\.gpkg: the layer has no column 'HIGHT', .*did you mean 'HGT'"
    ):
        read({"file": path, "columns": {"height_ft": "HIGHT"}})
    with pytest.raises(
        FieldError, match=r"maps 'heigth_ft', which is no house name; did you mean 'height_ft'"
    ):
        read({"file": path, "columns": {"heigth_ft": "HGT"}})
    with pytest.raises(FieldError, match=r"no column 'FID_', which the district file names for id"):
        read({"file": path, "id": "FID_"})


def test_unit_that_does_not_fit(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    (tmp_path / "roll.csv").write_text("building_id,storeys\na,2\n")
    line = {"name": "r", "file": tmp_path / "roll.csv", "how": "key", "units": {"storeys": "m"}}
    inputs = read(tmp_path / "t.gpkg", attributes=[line])
    assert inputs.problems["code"].tolist() == ["no_usable_column"]
    assert "gives storeys in m" in inputs.problems["message"].iloc[0]


def test_wrong_type_names_layer_feature_and_field(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    words = squares.assign(height_ft=["12 ft", "24", "n/a"], roof_family=["panelised", "sawtooth", None])
    words.to_file(tmp_path / "t.gpkg", layer="roofs")
    inputs = read(tmp_path / "t.gpkg")
    rows = inputs.problems[["layer", "feature", "code", "severity"]].to_numpy().tolist()
    assert sorted(rows) == [
        ["t.gpkg:roofs", "a", "unknown_roof_family", "warning"],
        ["t.gpkg:roofs", "a", "wrong_type", "warning"],
        ["t.gpkg:roofs", "c", "wrong_type", "warning"],
    ]
    assert any("Column height_ft holds '12 ft'" in message for message in inputs.problems["message"])
    assert inputs.footprints["height_ft"].tolist()[1] == 24.0
    assert inputs.footprints["height_ft"].isna().tolist() == [True, False, True]


def test_gdal_tags_unescape(one: Callable[..., Path], read: Callable[..., Inputs]) -> None:
    tags = '"building:levels"=>"2","addr:street"=>"Say \\"Ah\\" Lane"'
    row = _row(read({"file": one(osm_way_id="9", building="yes", other_tags=tags), "preset": "osm"}))
    assert (row["storeys"], row["address"]) == (2, 'Say "Ah" Lane')


def test_point_geometry_of_a_key_table_is_ignored(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    gpd.GeoDataFrame(
        {"building_id": [7.0], "storeys": [2]}, geometry=[shapely.Point(0, 0)], crs="EPSG:32613"
    ).to_file(tmp_path / "facts.gpkg")
    line = {"name": "facts", "file": tmp_path / "facts.gpkg", "how": "key"}
    frame = read(tmp_path / "t.gpkg", attributes=[line]).attributes[0].frame
    assert list(frame.columns) == ["record", "date", "key", "storeys"]
    assert frame["key"].tolist() == ["7"]
