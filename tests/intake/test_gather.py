"""A whole district: every layer in its table, one bad layer does not sink the others."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import momepy
import pandas as pd
import pytest
import shapely
from pyproj import Geod

from roofplat.intake import Inputs
from roofplat.tables import TABLES, conform


@pytest.fixture
def town(squares: gpd.GeoDataFrame, tmp_path: Path) -> Path:
    path = tmp_path / "town.gpkg"
    squares.to_file(path, layer="roofs")
    return path


def _layer(path: Path, layer: str, shapes: list[object], **columns: list[object]) -> dict[str, object]:
    gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:32613").to_file(path, layer=layer)
    return {"file": path, "layer": layer}


def test_every_layer_finds_its_table(town: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    x, y = geo.EAST, geo.NORTH
    street = shapely.MultiLineString([[(x, y - 9), (x + 50, y - 9)], [(x + 60, y - 9), (x + 90, y - 9)]])
    wire = shapely.LineString([(x, y + 30), (x + 90, y + 30)])
    units = shapely.MultiPolygon([geo.square(0, side=2), geo.square(1, side=2)])
    inputs = read(
        {"file": town, "layer": "roofs"},
        streets=_layer(town, "streets", [street, wire], name=["Larch Road", None]),
        areas=_layer(town, "areas", [geo.square(side=500), geo.square(20, side=500)], name=["North", None]),
        stations=_layer(town, "stations", [geo.square(4)], name=["Station 1"]),
        obstacles=[
            _layer(
                town,
                "things",
                [units, shapely.Point(x + 5, y + 5), shapely.force_3d(geo.square(2, side=3), 9.0)],
                kind=["Unit", "birdbath", None],
                note=["noisy", "stone", None],
            ),
            {**_layer(town, "wires", [wire], voltage_kv=["12.5"]), "kind": "overhead_line", "basis": "drawn"},
        ],
        sections=_layer(town, "sections", [units], building_id=["a"], slope_deg=[5.0]),
        fire_walls=_layer(town, "walls", [wire]),
        scenario={"fires": _layer(town, "fires", [shapely.Point(x + 3, y + 3)], building_id=[1.0])},
    )
    assert inputs.streets["name"].tolist()[:2] == ["Larch Road", "Larch Road"]
    assert inputs.streets.geom_type.tolist() == ["LineString"] * 3
    assert inputs.areas["name"].tolist() == ["North", "areas-2"]
    assert inputs.stations.geom_type.tolist() == ["Point"]
    assert inputs.stations.within(geo.square(4)).all()
    assert inputs.sections.geom_type.tolist() == ["Polygon", "Polygon"]
    assert inputs.sections["building_id"].tolist() == ["a", "a"]
    assert inputs.sections["slope_deg"].tolist() == [5.0, 5.0]
    assert len(inputs.fire_walls) == 1
    assert inputs.fires["building_id"].tolist() == ["1"]

    obstacles = inputs.obstacles
    # By layer and row, so that a row more changes no other name.
    assert obstacles["obstacle_id"].tolist() == ["things-1", "things-1.2", "things-2", "things-3", "wires-1"]
    assert inputs.streets.index.tolist() == ["1", "1.2", "2"]
    assert inputs.sections.index.tolist() == ["1", "1.2"]
    assert obstacles["kind"].tolist() == ["unit", "unit", "other", "other", "overhead_line"]
    assert obstacles["note"].tolist()[:3] == ["noisy", "noisy", "birdbath: stone"]
    assert obstacles["voltage_kv"].tolist()[-1] == 12.5
    assert obstacles["basis"].tolist() == ["recorded"] * 4 + ["drawn"]
    assert not obstacles.has_z.any()
    # The table of the outputs takes them as they are.
    conform("obstacles", obstacles.assign(building_id=None).astype({"building_id": "str"}))

    # Counts are of features, not of their parts, and nothing here is an error.
    assert inputs.counts["kept"].tolist() == inputs.counts["read"].tolist()
    assert "error" not in set(inputs.problems["severity"])
    assert list(inputs.problems.columns) == list(TABLES["problems"].columns)


def test_one_bad_layer_is_one_error_and_the_rest_is_read(
    town: Path, tmp_path: Path, read: Callable[..., Inputs]
) -> None:
    (tmp_path / "old.csv").write_bytes(b"building_id,name\na,Caf\xe9\n")
    inputs = read(
        {"file": town, "layer": "roofs"},
        streets={"file": tmp_path / "gone.gpkg"},
        areas={"file": town, "layer": "districts"},
        attributes=[
            {"name": "roll", "file": tmp_path / "old.csv", "how": "key"},
            {"name": "none", "file": town, "layer": "roofs", "how": "footprints"},
        ],
    )
    errors = inputs.problems[inputs.problems["severity"] == "error"]
    assert errors["layer"].tolist() == ["gone.gpkg", "town.gpkg:districts", "old.csv"]
    assert inputs.streets.empty
    assert inputs.areas.empty
    assert list(inputs.attributes[0].frame.columns) == ["record", "date", "key"]
    assert len(inputs.attributes[1].frame) == 3
    assert len(inputs.footprints) == 3
    assert inputs.counts["layer"].tolist()[1:4] == ["gone.gpkg", "town.gpkg:districts", "old.csv"]


def test_records_by_key(town: Path, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    (tmp_path / "roll.csv").write_text(
        "\ufeffref,YEAR,seen,sprinklered\n a ,1987,2024-02-03,yes\n7.0,,,N\n,1990,,maybe\n00417,abc,2020,1\n",
        "utf-8",
    )
    roll = {
        "name": "roll",
        "file": tmp_path / "roll.csv",
        "how": "key",
        "id": "ref",
        "date": "2019-12-31",
        "date_column": "seen",
        "columns": {"year_built": "YEAR"},
    }
    inputs = read({"file": town, "layer": "roofs"}, attributes=[roll])
    frame = inputs.attributes[0].frame
    assert inputs.attributes[0].source.name == "roll"
    assert frame["key"].tolist() == ["a", "7", "00417"]
    assert frame["record"].tolist() == ["1", "2", "4"]
    assert frame["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-02-03", "2019-12-31", "2020-01-01"]
    assert frame["year_built"].isna().tolist() == [False, True, True]
    assert frame["sprinklered"].tolist() == [True, False, True]
    assert inputs.problems[["feature", "code"]].to_numpy().tolist() == [
        ["00417", "wrong_type"],
        ["row 3", "wrong_type"],
        ["row 3", "no_key"],
    ]
    assert inputs.counts.iloc[1].tolist() == ["roll.csv", 4, 3, 0, 1]


def test_a_table_without_the_buildings_id(town: Path, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    # A column called id numbers the rows of most tables: it is not taken for a building's.
    (tmp_path / "roll.csv").write_text("id,name\n1,Mill\n")
    line = {"name": "roll", "file": tmp_path / "roll.csv", "how": "key"}
    inputs = read({"file": town, "layer": "roofs"}, attributes=[line])
    assert inputs.problems[["code", "severity"]].to_numpy().tolist() == [["no_usable_column", "error"]]
    assert "name that column with id =" in inputs.problems["message"].iloc[0]
    named = read({"file": town, "layer": "roofs"}, attributes=[{**line, "id": "id"}])
    assert named.attributes[0].frame["key"].tolist() == ["1"]


def test_records_by_place(town: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    tie = shapely.Polygon(
        [
            (geo.EAST, geo.NORTH),
            (geo.EAST + 9, geo.NORTH + 9),
            (geo.EAST + 9, geo.NORTH),
            (geo.EAST, geo.NORTH + 9),
        ]
    )
    parcels = _layer(town, "parcels", [tie, None], OCC=["S", "M"])
    visits = _layer(
        town, "visits", [geo.square(0), shapely.MultiPoint([(geo.EAST, geo.NORTH)])], deck=["osb", "ply"]
    )
    inputs = read(
        {"file": town, "layer": "roofs"},
        attributes=[
            {"name": "parcels", "how": "parcels", **parcels, "columns": {"occupancy": "OCC"}},
            {"name": "visits", "how": "points", "basis": "surveyed", "date": "2024", **visits},
        ],
    )
    first, second = (records.frame for records in inputs.attributes)
    assert first["record"].tolist() == ["1"]
    assert first.is_valid.all()
    assert second.geom_type.tolist() == ["Point", "Point"]
    assert second["date"].dt.year.tolist() == [2024, 2024]
    # A refused record is a warning: only footprints are errors.
    assert set(inputs.problems["severity"]) == {"warning", "info"}
    assert inputs.counts["refused"].tolist() == [0, 1, 0]


def test_source_that_says_nothing_known(town: Path, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    (tmp_path / "roll.csv").write_text("building_id,colour\na,red\n")
    line = {"name": "roll", "file": tmp_path / "roll.csv", "how": "key"}
    inputs = read({"file": town, "layer": "roofs"}, attributes=[line])
    assert inputs.problems["code"].tolist() == ["no_known_column"]
    assert "building_id, colour" in inputs.problems["message"].iloc[0]


def test_source_dated_wrongly(town: Path, read: Callable[..., Inputs]) -> None:
    line = {"name": "n", "file": town, "layer": "roofs", "how": "footprints", "date": "May 2020"}
    inputs = read({"file": town, "layer": "roofs"}, attributes=[line])
    assert inputs.problems["severity"].tolist() == ["error"]
    assert "dates the source 'n' 'May 2020'" in inputs.problems["message"].iloc[0]


def test_ground_is_read_in_our_words(town: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    x, y = geo.EAST, geo.NORTH
    fence = shapely.MultiLineString([[(x, y - 5), (x + 9, y - 5)], [(x, y - 8), (x + 9, y - 8)]])
    bow = shapely.Polygon([(x - 30, y), (x - 20, y + 10), (x - 20, y), (x - 30, y + 10)])
    inputs = read(
        {"file": town, "layer": "roofs"},
        ground=[
            _layer(
                town, "yards", [bow, fence, geo.square(3), shapely.Point(x, y), geo.square(4)],
                kind=["Pond", "fence", "quicksand", "pool", None], note=[None, None, "signed", None, None],
            ),
            {**_layer(town, "banks", [geo.square(6)]), "kind": "Steep slope", "basis": "drawn"},
        ],
    )  # fmt: skip
    ground = conform("ground", inputs.ground)
    assert ground["ground_id"].is_unique
    assert ground["ground_id"].str.fullmatch(r".+-\d+(\.\d+)?").all()
    # The bow-tie falls into two ponds; a point covers nothing.
    assert ground["kind"].tolist() == ["water", "water", "fence", "fence", "other", "other", "steep"]
    assert ground["note"].tolist()[4] == "quicksand: signed"
    assert ground["basis"].tolist() == ["recorded"] * 6 + ["drawn"]
    assert ground.is_valid.all()
    counts = inputs.counts.set_index("layer")
    assert counts.loc["town.gpkg:yards", ["read", "kept", "repaired", "refused"]].tolist() == [5, 4, 1, 1]
    rows = inputs.problems[inputs.problems["layer"] == "town.gpkg:yards"]
    assert rows["code"].tolist() == ["outline_untangled", "wrong_geometry", "unknown_kind", "unknown_kind"]
    assert "'quicksand' is no kind of ground" in rows["message"].iloc[2]
    assert inputs.problems["severity"].isin(["info", "warning"]).all()


def test_a_district_without_ground_or_joints_has_empty_tables(
    town: Path, read: Callable[..., Inputs]
) -> None:
    inputs = read({"file": town, "layer": "roofs"})
    assert conform("ground", inputs.ground).empty
    assert len(inputs.expansion_joints) == 0
    assert inputs.expansion_joints.crs == inputs.ground.crs == inputs.footprints.crs


def test_parapets_state_their_height_and_nothing_else_does(
    town: Path, geo: SimpleNamespace, read: Callable[..., Inputs]
) -> None:
    x, y = geo.EAST, geo.NORTH
    edge = shapely.LineString([(x, y), (x + 20, y)])
    things = _layer(
        town, "things", [edge, edge, edge, shapely.Point(x + 5, y + 5), shapely.Point(x + 9, y + 9)],
        kind=["parapet", "Parapet wall", "parapet", "scuttle", "PV"],
        height_ft=["4", None, "31", "12", "low"],
    )  # fmt: skip
    metres = {
        **_layer(town, "edges", [edge], RISE=[1.0]),
        "kind": "parapet",
        "columns": {"height_ft": "RISE"},
        "units": {"height_ft": "m"},
    }
    inputs = read({"file": town, "layer": "roofs"}, obstacles=[things, metres])
    obstacles = inputs.obstacles
    assert obstacles["kind"].tolist() == ["parapet"] * 3 + ["hatch", "solar", "parapet"]
    # A parapet of 31 ft is refused; the height of a scuttle is nobody's business.
    heights = obstacles["height_ft"].fillna(-1.0).tolist()
    assert heights == pytest.approx([4.0, -1.0, -1.0, -1.0, -1.0, 1 / 0.3048])
    (row,) = inputs.problems[inputs.problems["severity"] == "warning"].to_dict("records")
    assert (row["layer"], row["feature"], row["code"]) == ("town.gpkg:things", "row 3", "out_of_range")
    assert row["message"] == (
        "Column height_ft (parapet_ft) holds '31': it is outside 0 to 30 ft; the value was left out."
    )


def test_expansion_joints_are_lines(town: Path, geo: SimpleNamespace, read: Callable[..., Inputs]) -> None:
    x, y = geo.EAST, geo.NORTH
    joint = shapely.MultiLineString([[(x + 9, y), (x + 9, y + 20)], [(x + 59, y), (x + 59, y + 20)]])
    inputs = read(
        {"file": town, "layer": "roofs"},
        expansion_joints=_layer(town, "joints", [joint, shapely.Point(x, y)]),
    )
    assert inputs.expansion_joints.geom_type.tolist() == ["LineString", "LineString"]
    assert inputs.counts["refused"].tolist() == [0, 1]


def test_no_message_names_a_folder(town: Path, tmp_path: Path, read: Callable[..., Inputs]) -> None:
    inputs = read({"file": town, "layer": "roofs"}, stations={"file": town, "layer": "none"})
    assert not inputs.problems["layer"].str.contains("/").any()


def test_bubenec(read: Callable[..., Inputs]) -> None:
    """144 buildings, 35 streets and 407 plots of Prague-Bubeneč, on a Mercator map."""
    path = Path(momepy.datasets.get_path("bubenec"))
    inputs = read(
        {"file": path, "layer": "buildings", "id": "uID"},
        streets={"file": path, "layer": "streets"},
        areas={"file": path, "layer": "plots", "columns": {"name": "ID"}},
    )
    assert inputs.counts["kept"].tolist() == [144, 35, 407]
    assert inputs.working_crs.to_epsg() == 32633
    assert inputs.footprints["building_id"].tolist() == [str(number) for number in range(1, 145)]
    assert inputs.footprints.is_valid.all()
    # The oracle is GeographicLib, which knows nothing of either map.
    source = gpd.read_file(path, layer="buildings").to_crs("EPSG:4326")
    geod = Geod(ellps="WGS84")
    # It adds rings up with their signs, so that courts must run the other way round.
    shapes = shapely.orient_polygons(source.geometry.array)
    true_m2 = pd.Series([geod.geometry_area_perimeter(shape)[0] for shape in shapes])
    assert (inputs.footprints.area / true_m2).between(0.999, 1.001).all()
    assert (gpd.read_file(path, layer="buildings").area / true_m2).min() > 2.0
