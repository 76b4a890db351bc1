"""Where layers lie, and the one CRS they are brought to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import pytest
import shapely

from roofplat.errors import CrsError, DistrictFileError
from roofplat.intake import Inputs


def _swap(shapes: gpd.GeoSeries) -> gpd.GeoSeries:
    return gpd.GeoSeries(shapely.transform(shapes.array, lambda xy: xy[:, ::-1]), crs=shapes.crs)


@pytest.mark.parametrize(
    ("crs", "wanted"),
    [
        ("EPSG:32613", "EPSG:32613"),  # UTM stays
        ("EPSG:2232", "EPSG:2232"),  # State Plane in US survey feet stays
        ("EPSG:6428", "EPSG:6428"),  # and with NAD 83 (2011)
        ("EPSG:4326", "EPSG:32613"),  # degrees do not
        ("EPSG:3857", "EPSG:32613"),  # nor do Mercator maps
        ("EPSG:3395", "EPSG:32613"),
        ("EPSG:6350", "EPSG:6350"),  # Albers in metres stays
    ],
)
def test_working_crs(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs], crs: str, wanted: str
) -> None:
    path = tmp_path / "t.gpkg"
    squares.to_crs(crs).to_file(path)
    inputs = read(path)
    assert inputs.working_crs == wanted
    assert inputs.footprints.crs == wanted


def test_named_working_crs(squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    path = tmp_path / "t.gpkg"
    squares.to_file(path)
    assert read(path, working_crs="EPSG:2232").footprints.crs == "EPSG:2232"
    with pytest.raises(DistrictFileError, match="is in degrees"):
        read(path, working_crs="EPSG:4326")
    with pytest.raises(DistrictFileError, match="'EPSG:0', which is not a coordinate reference system"):
        read(path, working_crs="EPSG:0")


def test_latitude_first_is_named(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "t.geojson"
    turned = squares.to_crs("EPSG:4326")
    turned.set_geometry(_swap(turned.geometry)).to_file(path)
    with pytest.raises(CrsError, match=r"^t\.geojson: its coordinates look swapped .*export the layer again"):
        read(path)


def test_northing_first_is_named(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "t.gpkg"
    squares.set_geometry(_swap(squares.geometry)).to_file(path)
    with pytest.raises(CrsError, match="look swapped"):
        read(path)


def test_metres_taken_for_feet_lie_outside_the_area_of_use(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    path = tmp_path / "t.gpkg"
    # UTM metres under the name of a State Plane in feet fall a thousand miles off.
    squares.set_crs("EPSG:2232", allow_override=True).to_file(path)
    with pytest.raises(CrsError, match=r"lie far outside the area of NAD83 / Colorado Central \(ftUS\)"):
        read(path)


def test_one_stray_feature_does_not_condemn_the_layer(
    squares: gpd.GeoDataFrame, draw: Callable[..., Path], geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    stray = [[x, y + 200.0] for x, y in geo.ring(2)]
    path = draw(
        *(geo.feature(geo.polygon(geo.ring(column)), building_id=f"b{column}") for column in (0, 1)),
        geo.feature(geo.polygon(stray), building_id="stray"),
    )
    inputs = read(path)
    assert inputs.footprints["building_id"].tolist() == ["b0", "b1"]
    assert inputs.problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["stray", "impossible_coordinates", "error"]
    ]


def _prague(path: Path, *, swapped: bool, name: str) -> Path:
    """Latitude 50, longitude 14: swapped it is still a place on Earth."""
    box = shapely.box(14.4, 50.1, 14.4003, 50.1003)
    shapes = gpd.GeoSeries([box], crs="EPSG:4326")
    layer = gpd.GeoDataFrame({"name": [name]}, geometry=_swap(shapes) if swapped else shapes)
    layer.to_file(path / f"{name}.gpkg")
    return path / f"{name}.gpkg"


def test_swapped_layer_is_found_by_where_the_footprints_lie(
    tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    inputs = read(
        _prague(tmp_path, swapped=False, name="roofs"),
        areas={"file": _prague(tmp_path, swapped=True, name="areas")},
    )
    assert inputs.areas.empty
    assert inputs.problems.query("severity == 'error'")["code"].tolist() == ["no_usable_crs"]
    assert "look swapped" in inputs.problems.query("severity == 'error'")["message"].iloc[0]
    assert inputs.counts["refused"].tolist() == [0, 1]


def test_swapped_footprints_are_found_by_where_the_other_layers_lie(
    tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    with pytest.raises(CrsError, match=r"^roofs\.gpkg: its coordinates look swapped.*the other layers are"):
        read(
            _prague(tmp_path, swapped=True, name="roofs"),
            areas={"file": _prague(tmp_path, swapped=False, name="areas")},
            stations={"file": _prague(tmp_path, swapped=False, name="stations")},
        )


def test_layer_in_another_country_is_kept_with_a_warning(
    squares: gpd.GeoDataFrame, tmp_path: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    areas = {"file": _prague(tmp_path, swapped=False, name="areas")}
    inputs = read(tmp_path / "t.gpkg", areas=areas)
    assert geo.codes(inputs) == ["far_from_footprints"]
    assert len(inputs.areas) == 1


def test_every_layer_comes_out_in_the_working_crs(
    squares: gpd.GeoDataFrame, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    squares.to_file(tmp_path / "t.gpkg")
    shapes = squares[["geometry"]].assign(name=["N1", "N2", "N3"]).to_crs("EPSG:2232")
    shapes.to_file(tmp_path / "feet.gpkg")
    inputs = read(tmp_path / "t.gpkg", areas={"file": tmp_path / "feet.gpkg"})
    assert inputs.areas.crs == inputs.footprints.crs
    offset = shapely.hausdorff_distance(inputs.areas.geometry.array, inputs.footprints.geometry.array)
    assert offset.max() < 0.01


def test_a_town_on_both_sides_of_the_180th_meridian_is_planned_where_it_is(
    tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    # The middle of its extent lies at Greenwich, where no outline of it fits.
    east = [shapely.box(lon, -17.0, lon + 3e-4, -16.9998) for lon in (179.97, 179.98, 179.99)]
    west = [shapely.box(-179.98, -17.0, -179.9797, -16.9998)]
    gpd.GeoDataFrame(geometry=[*east, *west], crs="EPSG:4326").to_file(tmp_path / "t.gpkg")
    inputs = read(tmp_path / "t.gpkg")
    assert inputs.working_crs.to_string() == "EPSG:32760"
    assert len(inputs.footprints) == 4
    left, _, right, _ = inputs.footprints.total_bounds
    # From 179.97 E to 179.9797 W, a degree of longitude being 106.5 km there.
    assert right - left == pytest.approx(0.0503 * 106_500, rel=0.01)
