"""What is wrong with a file is one sentence that names the file and the remedy."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from roofplat.errors import CrsError, LayerError
from roofplat.intake import look
from roofplat.intake.look import require


def test_sees_layers_fields_crs_and_count(squares: gpd.GeoDataFrame, tmp_path: Path) -> None:
    path = tmp_path / "town.gpkg"
    squares.to_file(path, layer="roofs")
    squares.head(1).to_file(path, layer="sheds")
    found = look(path, "roofs")
    assert found.layers == ("roofs", "sheds")
    assert (found.driver, found.geometry, found.count) == ("GPKG", "Polygon", 3)
    assert found.crs is not None
    assert found.crs.to_epsg() == 32613
    assert list(found.fields) == ["building_id", "height_ft"]
    assert found.label == "town.gpkg:roofs"


@pytest.mark.parametrize("name", ["town.parquet", "town.geojson", "town.fgb", "town.shp"])
def test_label_does_not_repeat_the_only_layer(squares: gpd.GeoDataFrame, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    short = squares.rename(columns={"building_id": "id"})
    short.to_parquet(path) if name.endswith("parquet") else short.to_file(path)
    found = look(path)
    assert found.label == name
    assert found.count == 3


def test_csv_counts_rows_not_lines(tmp_path: Path) -> None:
    path = tmp_path / "roll.csv"
    path.write_text('id;note\n1;"two\nlines"\n2;plain\n', "utf-8")
    found = look(path)
    assert (found.driver, found.geometry, found.count, list(found.fields)) == ("CSV", None, 2, ["id", "note"])


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match=r"^gone\.gpkg: there is no file .*check the path"):
        look(tmp_path / "gone.gpkg")


@pytest.mark.parametrize("name", ["junk.gpkg", "junk.geojson", "junk.shp", "junk.parquet"])
def test_unreadable_file(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(b"this is no map" * 20)
    with pytest.raises(LayerError, match=rf"^{name}: the file cannot be read.*export it again\.$"):
        look(path)


def test_half_a_geojson(tmp_path: Path) -> None:
    path = tmp_path / "half.geojson"
    path.write_text('{"type": "FeatureCollection", "features": [{"type": "Feature",')
    with pytest.raises(LayerError, match=r"^half\.geojson: "):
        look(path)


def test_no_such_layer_lists_those_there(squares: gpd.GeoDataFrame, tmp_path: Path) -> None:
    path = tmp_path / "town.gpkg"
    squares.to_file(path, layer="roofs")
    with pytest.raises(LayerError, match=r"no layer 'rooves'; did you mean 'roofs'\? it holds roofs"):
        look(path, "rooves")
    squares.to_file(path, layer="sheds")
    with pytest.raises(LayerError, match=r"several layers \(roofs, sheds\); set layer ="):
        look(path)


def test_empty_layer_and_layer_without_geometry(squares: gpd.GeoDataFrame, tmp_path: Path) -> None:
    path = tmp_path / "none.gpkg"
    squares.head(0).to_file(path, layer="roofs")
    with pytest.raises(LayerError, match=r"none\.gpkg:roofs: the layer is empty"):
        require(look(path))
    table = tmp_path / "plain.parquet"
    pd.DataFrame({"height": [1.0]}).to_parquet(table)
    with pytest.raises(
        LayerError, match=r"plain\.parquet: the layer has no geometry, only the columns height"
    ):
        require(look(table))
    require(look(table), geometry=False)


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("name", ["lost.gpkg", "lost.shp", "lost.fgb", "lost.parquet"])
def test_layer_without_crs_is_refused_unless_one_is_given(
    squares: gpd.GeoDataFrame, tmp_path: Path, name: str
) -> None:
    path = tmp_path / name
    bare = squares[["geometry"]].set_crs(None, allow_override=True)
    if name.endswith("parquet"):
        bare.to_parquet(path)
    else:
        bare.to_file(path)
    found = look(path)
    assert found.crs is None
    with pytest.raises(CrsError, match=r'does not name its coordinate reference system; set crs = "EPSG'):
        require(found)
    require(found, crs="EPSG:32613")


def test_table_in_another_encoding(tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_bytes("id,name\n1,Caf\xe9\n".encode("latin-1"))
    with pytest.raises(LayerError, match=r"^old\.csv: the table is not UTF-8 text; save it as CSV UTF-8\.$"):
        look(path)


def test_table_with_nothing_in_it(tmp_path: Path) -> None:
    path = tmp_path / "nothing.csv"
    path.write_text("")
    with pytest.raises(LayerError, match=r"^nothing\.csv: the table cannot be read"):
        look(path)
