"""The demo district: the files are what the script makes, and what the README says is in them."""

from __future__ import annotations

import importlib.util
import json
import re
import sys
from pathlib import Path
from types import ModuleType

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.ops
from pyproj import Geod

from roofplat.district import read_district
from roofplat.ground.local import Ground, local_planes
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.rules import load_rulebook
from roofplat.tables import METHODS, OBSTACLE_KINDS

DATA = Path(__file__).resolve().parents[2] / "data"
DEMO = DATA / "demo"
FILES = {
    "footprints": ("footprints.gpkg", "buildings"),
    "parcels": ("parcels.gpkg", "parcels"),
    "second": ("second.fgb", None),
    **{
        name: ("obstacles.gpkg", name)
        for name in (
            "units",
            "skylights",
            "smoke_vents",
            "hatches",
            "parapets",
            "solar",
            "overhead_lines",
            "hung",
        )
    },
    **{
        name: (f"{name}.geojson", None)
        for name in (
            "survey",
            "streets",
            "areas",
            "stations",
            "ground",
            "fire_walls",
            "expansion_joints",
            "fires",
        )
    },
}
UTM = "EPSG:32611"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("demo_script", DATA / "make_demo.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["demo_script"] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made(script: ModuleType) -> dict[str, gpd.GeoDataFrame]:
    made: dict[str, gpd.GeoDataFrame] = script.layers()
    return made


def read(name: str) -> gpd.GeoDataFrame:
    file, layer = FILES[name]
    return gpd.read_file(DEMO / file, **({"layer": layer} if layer else {}))


@pytest.fixture(scope="module")
def footprints() -> gpd.GeoDataFrame:
    frame = read("footprints")
    return frame.set_geometry(frame.geometry.make_valid())


@pytest.fixture(scope="module")
def survey() -> gpd.GeoDataFrame:
    return read("survey").to_crs(UTM)


@pytest.fixture(scope="module")
def roll() -> pd.DataFrame:
    return pd.read_csv(DEMO / "roll.csv", dtype=str, keep_default_na=False)


def words(column: pd.Series) -> list[str]:
    """A column as text that does not depend on the type a driver gave it."""

    def word(value: object) -> str:
        if value is None or value is pd.NA or value is pd.NaT or value != value:
            return ""
        if isinstance(value, pd.Timestamp):
            return value.date().isoformat()
        if isinstance(value, (bool, np.bool_, int, float, np.number)):
            return f"{float(value):.6g}"
        return str(value)

    return [word(value) for value in column]


def same_values(left: pd.DataFrame, right: pd.DataFrame) -> None:
    columns = [name for name in right.columns if name != "geometry"]
    assert [name for name in left.columns if name != "geometry"] == columns
    for column in columns:
        assert words(left[column]) == words(right[column]), column


# --- the files are what the script makes ---------------------------------------------------------


@pytest.mark.parametrize("name", sorted(FILES))
def test_the_committed_layer_is_the_one_the_script_makes(
    name: str, made: dict[str, gpd.GeoDataFrame]
) -> None:
    committed, fresh = read(name), made[name]
    assert committed.crs == fresh.crs
    same_values(committed, fresh)
    # A centimetre of rounding either way, in the unit of the layer.
    tolerance = {"EPSG:4326": 2e-7, "EPSG:3423": 0.03, UTM: 0.011}[committed.crs.to_string()]
    here, there = (
        shapely.normalize(committed.geometry.to_numpy()),
        shapely.normalize(fresh.geometry.to_numpy()),
    )
    assert shapely.equals_exact(here, there, tolerance).all()


def test_the_committed_tables_are_the_ones_the_script_makes(
    made: dict[str, gpd.GeoDataFrame], roll: pd.DataFrame
) -> None:
    same_values(roll, made["roll"])
    marshal = pd.read_csv(DEMO / "marshal.csv", dtype=str, keep_default_na=False)
    same_values(marshal, made["marshal"])
    features = json.loads((DEMO / "sections.geojson").read_text("utf-8"))["features"]
    same_values(pd.DataFrame([f["properties"] for f in features]), made["sections"])
    rings = [np.array(f["geometry"]["coordinates"][0])[:, :2] for f in features]
    drawn = shapely.normalize(np.array([shapely.Polygon(ring) for ring in rings]))
    made_rings = shapely.normalize(made["sections"].geometry.to_numpy())
    assert shapely.equals_exact(drawn, made_rings, 2e-7).all()


def test_two_runs_write_the_same_bytes(
    script: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OGR_CURRENT_DATE", "")  # put back afterwards; the script sets its own
    for run in ("first", "second"):
        script.write(tmp_path / run)
    first, second = (
        {path.name: path.read_bytes() for path in (tmp_path / run).iterdir()} for run in ("first", "second")
    )
    assert first == second
    assert set(first) | {"district.toml"} == {path.name for path in DEMO.iterdir()}


def test_the_data_folder_stays_small() -> None:
    size = sum(
        path.stat().st_size for path in DATA.rglob("*") if path.is_file() and "__pycache__" not in path.parts
    )
    assert size < 1_500_000


# --- the district file ---------------------------------------------------------------------------


def test_the_district_file_loads_and_uses_every_table() -> None:
    district = read_district(DEMO / "district.toml")
    assert {source.how for source in district.attributes} == {"key", "points", "parcels", "footprints"}
    assert district.region == "west"
    assert district.scenario.prevailing_wind_from_deg is not None
    for source in (
        district.streets,
        district.areas,
        district.stations,
        district.sections,
        district.fire_walls,
        district.expansion_joints,
    ):
        assert source is not None
    assert len(district.obstacles) == 8
    assert district.ground
    assert {source.preset for source in district.attributes} == {"plain", "osm"}
    assert district.families


def test_every_file_layer_and_column_of_the_district_file_is_there() -> None:
    district = read_district(DEMO / "district.toml")
    sources = [
        district.footprints,
        *district.attributes,
        *district.obstacles,
        district.streets,
        district.areas,
        district.stations,
        district.sections,
        district.fire_walls,
        district.expansion_joints,
        *district.ground,
        district.scenario.fires,
    ]
    for source in sources:
        assert source is not None
        assert source.file.is_file(), source.file
        if source.file.suffix == ".csv":
            columns = set(pd.read_csv(source.file, nrows=0).columns)
        else:
            assert source.layer is None or source.layer in fiona.listlayers(source.file)
            with fiona.open(source.file, layer=source.layer or 0) as layer:
                columns = set(layer.schema["properties"])
        wanted = set(source.columns.values()) | ({source.id} if source.id else set())
        date_column = getattr(source, "date_column", None)
        wanted |= {date_column} if date_column else set()
        assert wanted <= columns, source.file


def test_the_department_has_a_stock_a_permit_and_a_family_of_its_own() -> None:
    district = read_district(DEMO / "district.toml")
    plain, own = load_rulebook(), load_rulebook(district.rules, district.families)
    assert set(district.rules) == {rule.id for rule in own.overridden}
    assert len(own.numbers("ladder.stock_ft")) == len(own.numbers("ladder.stock_count"))
    assert sum(own.numbers("ladder.stock_count")) > 6
    assert plain.families["panelized_hybrid"].not_permitted == ("fold_back", "center_rafter_louver")
    assert own.families["panelized_hybrid"].not_permitted == ("fold_back",)
    (added,) = set(own.families) - set(plain.families)
    assert district.families[added]["like"] in plain.families
    assert own.families[added].framing == "pitched"
    assert own.families[added].severity > own.families["sawn_rafter_pitched"].severity


# --- the town ------------------------------------------------------------------------------------


def test_counts(footprints: gpd.GeoDataFrame, made: dict[str, gpd.GeoDataFrame]) -> None:
    assert 400 <= len(footprints) <= 700
    assert len(made["areas"]) == 3
    assert len(made["stations"]) == 2
    assert len(made["fires"]) == 2
    assert footprints.geometry.geom_type.eq("Polygon").all()
    assert (footprints.area > 15).all()


def test_buildings_share_walls_and_nothing_more(footprints: gpd.GeoDataFrame) -> None:
    shapes = footprints.geometry.to_numpy()
    left, right = shapely.STRtree(shapes).query(shapes, "intersects")
    left, right = left[left < right], right[left < right]
    common = shapely.intersection(shapes[left], shapes[right])
    assert shapely.area(common).max() == 0
    assert (shapely.length(common) > 10).sum() >= 40


def test_no_building_stands_on_a_street(footprints: gpd.GeoDataFrame) -> None:
    streets = shapely.union_all(read("streets").to_crs(UTM).geometry.to_numpy())
    # The narrowest right of way is 50 ft wide; a yard lies behind it.
    assert shapely.distance(footprints.geometry.to_numpy(), streets).min() > 25 * 0.3048 + 3


def test_three_areas_hold_every_building_once(footprints: gpd.GeoDataFrame) -> None:
    areas = read("areas").to_crs(UTM)
    points = gpd.GeoDataFrame(geometry=footprints.representative_point())
    held = gpd.sjoin(points, areas, predicate="within")
    assert len(held) == len(footprints)
    assert held.index.is_unique
    assert held["name"].value_counts().min() > 50


def test_every_building_has_a_street_near(footprints: gpd.GeoDataFrame) -> None:
    streets = read("streets").to_crs(UTM)
    assert streets["name"].notna().all()
    union = shapely.union_all(streets.geometry.to_numpy())
    assert shapely.distance(footprints.geometry.to_numpy(), union).max() < 500 * 0.3048


def test_the_stations_stand_in_their_buildings(footprints: gpd.GeoDataFrame) -> None:
    joined = gpd.sjoin(read("stations").to_crs(UTM), footprints, predicate="within")
    assert (
        joined["name_left"].tolist() == joined["name_right"].tolist() == ["Fire Station 1", "Fire Station 2"]
    )


def test_the_sheds_have_their_shapes(footprints: gpd.GeoDataFrame) -> None:
    shapes = footprints.geometry.to_numpy()
    assert (shapely.get_num_interior_rings(shapes) > 0).sum() == 2  # the courtyard, and the mended notch
    corners = shapely.get_num_coordinates(shapes) - 1
    large = shapely.area(shapes) > 20_000 * 0.3048**2
    assert {4, 6, 8} <= set(corners[large])
    assert shapely.area(shapes).max() == pytest.approx(120_000 * 0.3048**2, rel=1e-3)


def test_a_wall_of_400_ft_is_400_ft_on_the_ground(footprints: gpd.GeoDataFrame) -> None:
    district = read_district(DEMO / "district.toml")
    shed = footprints.loc[footprints["bldg_id"] == "MB-0001", "geometry"].iloc[0]
    middle = shed.centroid
    plane = local_planes(
        np.array([middle.x]), np.array([middle.y]), footprints.crs, Ground(0.3048, district.mean_elevation_ft)
    )
    points = shapely.get_coordinates(shed)
    east, north = plane.feet(points[:, 0], points[:, 1], np.zeros(len(points), dtype=int))
    sides = np.hypot(np.diff(east), np.diff(north))
    assert sorted(sides) == pytest.approx([300, 300, 400, 400], abs=0.06)


# --- the surveys ---------------------------------------------------------------------------------


def true_short_side_deg(shape: shapely.Polygon) -> tuple[float, float]:
    """True azimuth of the short side of the oriented envelope, by geodesic, and short over long."""
    ring = (
        gpd.GeoSeries([shapely.oriented_envelope(shape)], crs=UTM).to_crs("EPSG:4326").iloc[0].exterior.coords
    )
    lon, lat = np.array(ring).T
    azimuth, _, length = Geod(ellps="WGS84").inv(lon[:2], lat[:2], lon[1:3], lat[1:3])
    short = int(np.argmin(length))
    return float(azimuth[short]) % 180, float(min(length) / max(length))


def turned(a: float, b: float, around: float) -> float:
    return abs((a - b + around / 2) % around - around / 2)


@pytest.fixture(scope="module")
def axes(survey: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> pd.DataFrame:
    known = survey[survey["beam_az"].notna()]
    held = gpd.sjoin(known, footprints[["bldg_id", "geometry"]], predicate="within")
    held = held[~held.index.duplicated()]
    shapes = footprints.geometry.loc[held["index_right"]].to_numpy()
    envelope = [true_short_side_deg(shape) for shape in shapes]
    return pd.DataFrame(
        {
            "axis": held["beam_az"].to_numpy(float),
            "short": [azimuth for azimuth, _ in envelope],
            "ratio": [ratio for _, ratio in envelope],
            "full": shapely.area(shapes) / shapely.area(shapely.oriented_envelope(shapes)) > 0.99,
            "note": held["note"].fillna("").to_numpy(),
        }
    )


def test_surveyed_axes_run_along_the_walls_from_true_north(axes: pd.DataFrame) -> None:
    assert len(axes) >= 30
    off = [turned(a, b, 90) for a, b in zip(axes["axis"], axes["short"], strict=True)]
    # A tenth of a degree of rounding, a centimetre in the corners; grid north would be 1.2 off.
    assert max(off) < 0.15


def test_beams_span_the_short_side_but_for_the_noted_exceptions(axes: pd.DataFrame) -> None:
    plain = axes[axes["full"] & (axes["ratio"] < 0.97)]
    along_long = plain["note"].str.contains("long side")
    off = np.array([turned(a, b, 180) for a, b in zip(plain["axis"], plain["short"], strict=True)])
    assert (off[~along_long] < 0.15).all()
    assert (off[along_long] > 89.8).all()
    assert along_long.sum() == 2


@pytest.mark.parametrize("azimuth", [17.0, 33.5])
def test_some_surveyed_axes_are_odd(axes: pd.DataFrame, azimuth: float) -> None:
    assert sum(turned(axis, azimuth, 90) < 0.11 for axis in axes["axis"]) >= 4


def test_about_a_third_of_the_large_buildings_are_surveyed(
    survey: gpd.GeoDataFrame, script: ModuleType, footprints: gpd.GeoDataFrame
) -> None:
    large = footprints[
        footprints["bldg_id"].isin(
            [b.id for b in script._town().buildings if b.kind not in {"house", "outbuilding"}]
        )
    ]
    held = gpd.sjoin(survey, large, predicate="within")["bldg_id"].nunique()
    assert 0.28 < held / len(large) < 0.42


def test_survey_families_are_known_but_for_one(survey: gpd.GeoDataFrame) -> None:
    district = read_district(DEMO / "district.toml")
    families = load_rulebook(district.rules, district.families).families
    strange = survey.loc[~survey["family"].isin(list(families)), "family"]
    assert strange.tolist() == ["panalised wood"]


def test_a_sounding_walk_agrees_with_the_framing(
    survey: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame
) -> None:
    walks = survey[survey["walk_az"].notna()]
    held = gpd.sjoin(walks, footprints, predicate="within")
    assert len(held) == 4
    for _, row in held.iterrows():
        short, _ = true_short_side_deg(footprints.geometry.loc[row["index_right"]])
        along = turned(row["walk_az"], short, 180) < 0.15
        # Along the beams the feet cross purlins, 8 ft apart; across them, beams.
        assert row["walk_ft"] in ((8.0, 13.0) if along else (13.0, 16.0, 20.0, 24.0))


# --- obstacles, fires, drawn parts ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "strays"),
    [("units", 1), ("skylights", 0), ("smoke_vents", 0), ("hatches", 0), ("solar", 0), ("hung", 0)],
)
def test_obstacles_lie_on_roofs(name: str, strays: int, footprints: gpd.GeoDataFrame) -> None:
    frame = read(name)
    assert len(frame) >= 5
    roofs = shapely.union_all(footprints.geometry.to_numpy())
    shapely.prepare(roofs)
    assert (~shapely.contains(roofs, frame.geometry.to_numpy())).sum() == strays


LYING = ("units", "skylights", "smoke_vents", "hatches", "solar")


def test_obstacles_keep_off_each_other() -> None:
    shapes = np.concatenate([read(name).geometry.to_numpy() for name in LYING])
    left, right = shapely.STRtree(shapes).query(shapes, "intersects")
    assert (left == right).all()


def test_what_hangs_has_a_kind_of_the_house() -> None:
    assert set(read("hung")["kind"]) <= set(OBSTACLE_KINDS)


def test_lines_cross_no_building(footprints: gpd.GeoDataFrame) -> None:
    lines = read("overhead_lines")
    left, _ = footprints.sindex.query(lines.geometry, "intersects")
    assert left.size == 0


def test_the_fire_spots_lie_in_surveyed_panelized_sheds(
    survey: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame
) -> None:
    burning = gpd.sjoin(read("fires").to_crs(UTM), footprints, predicate="within")["bldg_id"]
    surveyed = gpd.sjoin(survey[survey["family"] == "panelized_wood"], footprints, predicate="within")[
        "bldg_id"
    ]
    assert burning.nunique() == 2
    assert set(burning) <= set(surveyed)


def test_the_drawn_sections_cover_their_two_sheds(
    made: dict[str, gpd.GeoDataFrame], footprints: gpd.GeoDataFrame
) -> None:
    sections = made["sections"].to_crs(UTM)
    union = shapely.union_all(sections.geometry.to_numpy())
    assert shapely.contains(union, footprints.geometry.to_numpy()).sum() == 2


def test_fire_walls_divide_their_sheds(footprints: gpd.GeoDataFrame) -> None:
    for line in read("fire_walls").to_crs(UTM).geometry:
        shed = footprints.geometry.iloc[footprints.distance(line.centroid).argmin()]
        assert len(shapely.ops.split(shed, shapely.affinity.scale(line, 1.01, 1.01)).geoms) == 2


# --- every roof family, and what stands in the way of a crew ---------------------------------------


@pytest.fixture(scope="module")
def tables() -> dict[str, gpd.GeoDataFrame]:
    """What the rooms make of the demo; nothing is written."""
    district = read_district(DEMO / "district.toml")
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    inventory = take_inventory(inputs, rules, ground)
    made, problems = draw_plans(inputs, inventory, rules, ground, district)
    return {**made, "problems": problems}


def test_every_family_is_surveyed_somewhere_and_some_roofs_stay_unknown(
    tables: dict[str, gpd.GeoDataFrame],
) -> None:
    district = read_district(DEMO / "district.toml")
    sections = tables["sections"]
    surveyed = set(sections.loc[sections["family_basis"] == "surveyed", "roof_family"])
    assert surveyed == set(load_rulebook(None, district.families).families) - {"unknown"}
    assert 0.3 < (sections["roof_family"] == "unknown").mean() < 0.7


def test_every_way_to_open_a_roof_is_shown(tables: dict[str, gpd.GeoDataFrame]) -> None:
    assert set(tables["sections"]["cut_method"].dropna()) | set(tables["openings"]["method"]) == set(METHODS)
    assert tables["trenches"]["method"].nunique() >= 1
    # And where none is, the reasons differ: nobody knows, nobody permits, it spans too far.
    why = tables["sections"]["cut_method_why"].astype("str")
    for reason in ("family_unknown", "method_not_permitted", "span_beyond_family", "no_clear_ridge"):
        assert why.str.startswith(reason).any(), reason


def test_families_fit_their_buildings(tables: dict[str, gpd.GeoDataFrame]) -> None:
    known = tables["buildings"].dropna(subset=["name"])
    family = dict(zip(known["name"], known["roof_family"], strict=True))
    assert {
        "Mallow Mill, weave shed": "sawtooth",
        "Mallow Mill, spinning house": "heavy_timber",
        "Mallow Cold Store": "concrete_deck",
        "Lantern Parking Deck": "concrete_deck",
        "Avocet Garage": "bowstring_truss",
        "Flywheel Rink": "lamella",
        "Hollow Chapel": "timber_truss_pitched",
        "Bench School": "steel_joist_steel_deck",
        "Bench School annex": "plate_truss_pitched",
    }.items() <= family.items()


def test_the_readme_sends_to_the_right_roofs(tables: dict[str, gpd.GeoDataFrame]) -> None:
    family = tables["sections"].groupby("building_id")["roof_family"].first()
    rows = [line for line in (DATA / "README.md").read_text("utf-8").splitlines() if "| MB-" in line]
    named = [(set(re.findall(r"`(\w+)`", row)) & set(family), re.findall(r"MB-\d{4}", row)) for row in rows]
    told = [(families, {family[one] for one in ids}) for families, ids in named if families]
    assert len(told) >= 7
    # The first row tells of the hybrid in words.
    assert all(families <= there <= families | {"panelized_hybrid"} for families, there in told)


def test_houses_come_in_every_form_and_plan(tables: dict[str, gpd.GeoDataFrame]) -> None:
    sections = tables["sections"]
    houses = sections[sections["roof_family"].isin(["plate_truss_pitched", "sawn_rafter_pitched"])]
    assert {"gabled", "hipped", "monopitch"} <= set(houses["roof_shape"])
    assert {"surveyed", "recorded", "assumed"} <= set(houses["shape_basis"]) & set(houses["slope_basis"])
    corners = shapely.get_num_coordinates(houses.geometry.to_numpy()) - 1
    for count in (4, 6, 8):  # rectangle, L, T
        assert (corners == count).sum() >= 5, count
    planned = set(tables["planes"]["section_id"])
    assert set(houses["section_id"]) <= planned
    assert {"ridge", "hip", "valley"} <= set(tables["members"]["kind"])


def test_the_second_outlines_speak_of_roofs_in_the_words_of_a_standard() -> None:
    second = read("second")
    shapes = second["roof:shape"].value_counts()
    assert set(shapes.index) >= {"flat", "gabled", "hipped", "skillion", "sawtooth"}
    for column in ("roof:angle", "roof:height", "roof:direction", "roof:orientation"):
        assert second[column].notna().sum() >= 20, column
    # The height of a building has its roof in it.
    both = second.dropna(subset=["height", "roof:height"])
    assert (both["height"] - both["roof:height"] > 2.4).all()
    assert set(second["roof:orientation"].dropna()) == {"along", "across"}


def test_a_ridge_runs_at_right_angles_to_the_way_its_roof_falls(script: ModuleType) -> None:
    second = read("second").dropna(subset=["roof:direction"]).to_crs("EPSG:4326")
    gabled = second[second["roof:shape"] == "gabled"]
    assert len(gabled) >= 20
    for direction, outline in zip(gabled["roof:direction"].astype(float), gabled.geometry, strict=True):
        ring = np.array(outline.exterior.coords)
        azimuth, _, _ = Geod(ellps="WGS84").inv(*ring[0], *ring[1])
        assert turned(direction, azimuth, 90) < 1.0


def test_solar_arrays_pass_and_fail_the_audit(tables: dict[str, gpd.GeoDataFrame]) -> None:
    access = tables["solar_access"]
    houses = set(tables["buildings"].loc[tables["buildings"]["occupancy"] == "R-3", "building_id"])
    failed = access["passes"].eq(False).fillna(False)
    worst = failed.groupby([access["building_id"], access["array"]]).any()
    for where in (True, False):
        of_kind = worst[[building in houses for building, _ in worst.index]] if where else worst[
            [building not in houses for building, _ in worst.index]
        ]  # fmt: skip
        assert of_kind.any()
        assert not of_kind.all()
    for rule in ("house_pathway_in", "ridge_low_in", "hip_valley_in", "perimeter_narrow_ft",
                 "array_section_ft", "pathway_ft", "smoke_way_ft"):  # fmt: skip
        here = access["rule"] == f"solar.{rule}"
        assert failed[here].any(), rule
        assert not failed[here].all(), rule
    assert access["passes"].isna().any()  # and one nobody can tell of from a drawing


def test_parapets_are_drawn_along_fronts_and_one_is_high(
    tables: dict[str, gpd.GeoDataFrame], footprints: gpd.GeoDataFrame
) -> None:
    heights = sorted(read("parapets")["height_ft"])
    assert heights == [4.5, 4.5, 4.5, 4.5, 9.0]
    placed = tables["obstacles"][tables["obstacles"]["kind"] == "parapet"]
    assert placed["building_id"].is_unique
    assert placed["building_id"].notna().all()
    support = tables["ladders"].set_index("building_id")["support_ft"]
    edge = tables["sections"].set_index("building_id")["height_ft"]
    assert (support.loc["MB-0166"] - edge.loc["MB-0166"]).max() < 9.0, "a spot against the high front"


def test_ground_keeps_ladders_off(tables: dict[str, gpd.GeoDataFrame]) -> None:
    ground = tables["ground"]
    assert set(ground["kind"]) == {"water", "pool", "fence", "steep"}
    base = shapely.get_point(tables["ladders"].geometry.to_numpy(), 0)
    assert shapely.distance(base, shapely.union_all(ground.geometry.to_numpy())).min() > 0.5
    # Each lies where a ladder might have stood: within 20 ft of a wall.
    walls = shapely.union_all(tables["buildings"].geometry.to_numpy())
    assert shapely.distance(ground.geometry.to_numpy(), walls).max() < 20 * 0.3048


def test_a_joint_and_two_fire_walls_divide_roofs(tables: dict[str, gpd.GeoDataFrame]) -> None:
    parts = tables["sections"].groupby("building_id").size()
    named = tables["buildings"].set_index("building_id")["name"]
    assert parts[named == "Bench School"].tolist() == [2]
    assert (parts > 1).sum() == 5  # the joint, two fire walls, two drawn by hand
    assert len(read("expansion_joints")) == 1


def test_lines_of_two_voltages(tables: dict[str, gpd.GeoDataFrame]) -> None:
    lines = read("overhead_lines")["voltage_kv"]
    assert sorted(lines.dropna().unique()) == [12.47, 69.0]


def test_the_stock_runs_out(tables: dict[str, gpd.GeoDataFrame]) -> None:
    assert set(tables["ladders"]["apparatus"]) == {"ground_ladder", "aerial", "out_of_reach"}


def test_the_mistakes_reach_the_problem_log_and_none_is_an_error(
    tables: dict[str, gpd.GeoDataFrame],
) -> None:
    problems = tables["problems"]
    assert not (problems["severity"] == "error").any()
    text = problems["code"] + " " + problems["message"]
    for mistake in (
        "out_of_range Column roof:angle (slope_deg) holds 95.0",
        "out_of_range Column rafter_ft (rafter_spacing_ft) holds 0.0",
        "out_of_range Column beam_ft (beam_spacing_ft) holds 200.0",
        "unknown_roof_family Column family (roof_family) holds 'panalised wood'",
        "contradictory_ridge Its ridge directions contradict each other",
        "obstacle_outside_buildings",
    ):
        assert text.str.startswith(mistake).sum() == 1, mistake


# --- the mistakes --------------------------------------------------------------------------------


def test_one_outline_crosses_itself_and_mends_to_one_polygon() -> None:
    raw = read("footprints").geometry
    broken = raw[~raw.is_valid]
    assert len(broken) == 1
    assert "Self-intersection" in shapely.is_valid_reason(broken.iloc[0])
    assert broken.make_valid().iloc[0].geom_type == "Polygon"


def test_two_houses_carry_one_id(footprints: gpd.GeoDataFrame) -> None:
    assert footprints["bldg_id"].duplicated().sum() == 1


def test_the_roll_has_its_mistakes(roll: pd.DataFrame, footprints: gpd.GeoDataFrame) -> None:
    assert (roll["HEIGHT_FT"] == "18 ft").sum() == 1
    assert (roll["YEAR"] == "2917").sum() == 1
    keys = roll["BLDG_ID"].str.strip().str.upper()
    assert (keys != roll["BLDG_ID"]).sum() == 1
    assert keys.duplicated().sum() == 4
    again = roll.assign(key=keys).groupby("key")["STORIES"].nunique()
    assert (again > 1).sum() == 2
    # One id was lost where a house was never renumbered; the other two are of no building at all.
    stray = set(keys) - set(footprints["bldg_id"])
    assert {"MB-9001", "MB-9002"} <= stray
    assert len(stray) <= 3


def test_the_marshals_list_sets_classes_and_dates_and_has_its_mistake(
    tables: dict[str, gpd.GeoDataFrame],
) -> None:
    buildings = tables["buildings"].set_index("building_id")
    assert buildings["inspection_class"].dropna().to_dict() == {
        "MB-0072": "high",
        "MB-0081": "moderate",
        "MB-0123": "high",
    }
    dates = buildings["inspect_by"].dropna().dt.strftime("%Y-%m-%d")
    assert dates.to_dict() == {"MB-0117": "2026-03-31", "MB-0183": "2026-02-15", "MB-0184": "2025-11-30"}
    problems = tables["problems"]
    (wrong,) = problems[problems["layer"] == "marshal.csv"].to_dict("records")
    assert (wrong["feature"], wrong["code"]) == ("MB-0034", "unknown_value")
    assert "'urgent'" in wrong["message"]


def test_the_roll_has_gaps(roll: pd.DataFrame, footprints: gpd.GeoDataFrame) -> None:
    missing = ~footprints["bldg_id"].isin(roll["BLDG_ID"])
    assert 0.05 < missing.mean() < 0.2
    assert (roll[["USE", "YEAR", "STORIES", "SPRINKLERED"]] == "").any().all()


def test_the_surveys_have_their_mistakes(survey: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> None:
    assert (survey["beam_ft"] == 200).sum() == 1
    text = survey.assign(at=survey.geometry.to_wkt(rounding_precision=3)).drop(columns="geometry").astype(str)
    assert text.duplicated().sum() == 1
    away = np.array([footprints.distance(point).min() for point in survey.geometry])
    assert (away > 15 * 0.3048).sum() == 1  # farther than a point may reach for its building
    near = footprints.sindex.query(survey.buffer(0.05), "intersects")[0]
    assert (np.bincount(near, minlength=len(survey)) == 2).sum() == 1
    assert survey["walk_ft"].eq(13).sum() == 1
    assert survey["rafter_ft"].eq(0).sum() == 1
    # A roof does not fall along its own ridge.
    both = survey.dropna(subset=["ridge_az", "falls_az"])
    assert [turned(row["ridge_az"], row["falls_az"], 180) < 1 for _, row in both.iterrows()] == [True]


def test_two_surveys_of_one_roof_disagree(survey: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> None:
    held = gpd.sjoin(
        survey.dropna(subset=["beam_ft"]), footprints[["bldg_id", "geometry"]], predicate="within"
    )
    spacings = held.groupby("bldg_id")["beam_ft"].nunique()
    assert (spacings > 1).sum() == 1


def test_parcels_have_slivers_and_a_parcel_with_two_buildings(footprints: gpd.GeoDataFrame) -> None:
    parcels = read("parcels")
    slivers = parcels[parcels["parcel_id"].str.endswith("X")]
    assert len(slivers) == 3
    whole = parcels.drop(slivers.index)
    over = gpd.overlay(
        slivers[["parcel_id", "geometry"]], whole[["geometry"]], how="intersection", keep_geom_type=True
    )
    assert over.dissolve("parcel_id").area.min() > 5
    points = gpd.GeoDataFrame(footprints[["bldg_id"]], geometry=footprints.representative_point())
    held = gpd.sjoin(points, whole, predicate="within")
    sheds = held.loc[held["use"] == "warehouse", "parcel_id"].value_counts()
    assert sheds.tolist().count(2) == 1
    assert sheds.max() == 2


def test_some_parcels_give_another_year_than_the_roll(
    footprints: gpd.GeoDataFrame, roll: pd.DataFrame
) -> None:
    points = gpd.GeoDataFrame(footprints[["bldg_id"]], geometry=footprints.representative_point())
    held = gpd.sjoin(points, read("parcels"), predicate="within").dropna(subset=["year_built"])
    both = held.merge(roll[roll["YEAR"] != ""], left_on="bldg_id", right_on="BLDG_ID")
    apart = (both["YEAR"].astype(int) - both["year_built"]).abs()
    assert 3 <= (apart > 0).sum() <= 20


def test_one_roof_is_steeper_than_upright() -> None:
    angles = read("second")["roof:angle"].dropna()
    assert (angles >= 90).sum() == 1
    assert angles[angles < 90].between(9, 45).all()


def test_one_line_has_no_voltage() -> None:
    assert read("overhead_lines")["voltage_kv"].isna().sum() == 1


def test_the_drawn_rings_have_their_slips() -> None:
    features = json.loads((DEMO / "sections.geojson").read_text("utf-8"))["features"]
    rings = [feature["geometry"]["coordinates"][0] for feature in features]
    assert [ring[0] == ring[-1] for ring in rings] == [False, True, True, True]
    closed = rings[1:]
    assert [shapely.LinearRing(ring).is_ccw for ring in closed] == [False, True, True]
    assert [len(ring[0]) for ring in rings] == [2, 2, 3, 2]


def test_the_readme_tells_of_every_file_and_mistake(script: ModuleType) -> None:
    text = (DATA / "README.md").read_text("utf-8")
    assert all(f"`{path.name}`" in text for path in DEMO.iterdir())
    assert all(f"`{file}`" in text for file in script.MISTAKES)
    assert "CC0" in text
