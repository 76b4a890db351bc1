"""Turned, mirrored, shifted and re-projected buildings keep their plan; so do those that get a far neighbour.

In: made-up towns of every roof family, the demo district.
Out: each plan, carried back, lies within a centimetre of the plan of the town as it was.

A plan may depend on a building's own lines, on its street, on the wind, on what stands on it and around it.
It may not depend on north, on the corner where an outline was begun, or on the plane it is drawn in. What
nothing of that kind tells apart stays with the rule for ties that each room states, and cannot be held
here:

- A roof that is its own mirror image, and whose street stands square to it, has no side of its own: "to the
  left, looking away from the street" takes the place of one, which a mirror turns round. Likewise a roof
  without a street that is its own image turned by half a circle: there north decides.
- The glazing of a sawtooth roof looks north. Here every sawtooth roof has its axis stated.
- A wall, a plane and an array are numbered from a corner that the coordinates choose; the number is a name,
  and is not compared.
- Made-up shapes have no two equal sides and no member on a wall to within rounding.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import shapely.ops
from hypothesis import HealthCheck, Phase, given, note, settings
from shapely import affinity

from roofplat.district import read_district
from roofplat.ground import Ground, local_planes
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.placing import audit_solar
from roofplat.rules import load_rulebook
from tests.breaking.moved import STILL, Motion, differences
from tests.breaking.tries import tries
from tests.framing import shapes

RULES = load_rulebook()
# With everything permitted that a department may permit, so that every method is drawn.
FREE = load_rulebook(
    {
        f"family.{family.id}.permits": list(family.not_permitted)
        for family in RULES.families.values()
        if family.not_permitted
    }
    | {f"family.{name}.trench": ["with_construction"] for name in ("bowstring_truss", "concrete_deck")}
)
FAMILIES = list(RULES.families)
SHAPES = ("rectangle", "l", "u", "t", "courtyard", "triangle", "star", "jogs")
PLOT_FT = 260.0
# The same ground in a neighbouring zone, in a plane in feet, in the same one in metres.
CONIC = "+proj=lcc +lat_1=39 +lat_2=41 +lat_0=38 +lon_0=-105.5 +x_0=600000 +y_0=100000 +datum=WGS84 +no_defs"
PLANES = ("EPSG:32612", f"{CONIC} +units=us-ft", f"{CONIC} +units=m")
MERCATOR = "EPSG:3857"
Town = dict[str, Any]


def made_up_outline(random: np.random.Generator, kind: str, width: float, depth: float) -> Any:
    """A roof with no two equal sides, but for those of a rectangle."""
    x, y = random.uniform(0.2, 0.8, 2)
    whole = shapely.box(0, 0, width, depth)
    if kind == "l":
        return whole - shapely.box(width * x, depth * y, width, depth)
    if kind == "u":
        return whole - shapely.box(width * x / 2, depth * y, width * (x / 2 + 0.4), depth)
    if kind == "t":
        whole -= shapely.box(0, 0, width * x / 2, depth * y)
        return whole - shapely.box(width * (1 - x / 2.1), 0, width, depth * y)
    if kind == "courtyard":
        return whole - shapely.box(width * x / 2, depth * y / 2, width * (x / 2 + 0.3), depth * (y / 2 + 0.4))
    if kind == "triangle":
        return shapely.Polygon([(0, 0), (width, 0), (width * x, depth)])
    if kind == "star":
        count = int(random.integers(5, 14))
        radius, angle = random.uniform(0.35, 1, count) / 2, np.arange(count) * 2 * np.pi / count
        along, across = width * radius * np.cos(angle), max(depth, width / 8) * radius * np.sin(angle)
        return shapely.Polygon(np.column_stack([along, across]))
    if kind == "jogs":
        jog = random.uniform(0.2, 2)
        whole -= shapely.box(width * x, depth - jog, width, depth)
        return whole - shapely.box(0, 0, jog * 0.7, depth * y)
    return whole


def made_up_town(seed: int, count: int) -> Town:
    """Buildings of every family and shape, turned any way, with things on their roofs, streets and a wind."""
    random = np.random.default_rng(seed)
    names = (
        "roof_family height_ft suspended_load bearing_walls parapet_ft roof_shape slope_deg framing_axis_deg"
    )
    facts: dict[str, list[Any]] = {name: [] for name in names.split()}
    outlines, things, fires = [], [], []
    across = int(np.ceil(np.sqrt(count)))
    for number in range(count):
        # Any number of towns goes through all families.
        family = FAMILIES[(number + seed) % len(FAMILIES)]
        pitched = RULES.families[family].framing == "pitched"
        width, depth = random.uniform(16, 60, 2) if pitched else random.uniform(30, 220, 2)
        turn = random.uniform(0, 180)
        shape = made_up_outline(random, str(random.choice(SHAPES)), width, depth)
        shape = affinity.rotate(shape, -turn, origin=(0, 0))
        # Round the corner at which the plane touches the ground: farther off true north is another.
        plot = np.array([number % across, number // across]) - (across - 1) / 2
        place = plot * PLOT_FT + random.uniform(-9, 9, 2)
        shape = affinity.translate(shape, *(place - shapely.get_coordinates(shapely.centroid(shape))[0]))
        outlines.append(shape)
        facts["roof_family"].append(family)
        facts["height_ft"].append(random.choice([12.0, 20.0, 31.0, 60.0, 95.0]))
        facts["suspended_load"].append(bool(random.random() < 0.2))
        facts["bearing_walls"].append(random.choice([None, None, "AC", "BD", "B", "ALL"]))
        facts["parapet_ft"].append(random.choice([None, 0.0, 4.0]))
        facts["roof_shape"].append(
            random.choice([None, "gabled", "hipped", "monopitch"]) if pitched else None
        )
        facts["slope_deg"].append(random.choice([None, 9.5, 26.57, 40.0]) if pitched else None)
        stated = RULES.families[family].shape == "sawtooth" or random.random() < 0.1
        facts["framing_axis_deg"].append(turn if stated else None)
        west, south, east, north = shape.bounds
        for _ in range(random.integers(0, 4)):
            spot = random.uniform([west, south], [east, north])
            kind = str(
                random.choice(["unit", "skylight", "solar", "solar", "suspended_load", "hatch", "smoke_vent"])
            )
            thing: Any = shapely.Point(spot)
            if kind != "hatch":
                size = random.uniform([2, 4], [25, 9])
                thing = affinity.rotate(shapely.box(0, 0, *size), random.uniform(0, 90), origin=(0, 0))
                thing = affinity.translate(thing, *spot)
            things.append((kind, f"B{number:03d}", thing))
        if random.random() < 0.5:
            off = random.uniform(-3, 3, 2)
            fires.append((f"B{number:03d}", affinity.translate(shape.representative_point(), *off)))
    streets = []
    edge = (across + 1) * PLOT_FT / 2
    for row in range(across + 1):
        ends = (row - across / 2) * PLOT_FT + random.uniform(-9, 9, 2)
        line = shapely.LineString([(-edge, ends[0]), (edge, ends[1])])
        # A line that is straight on one plane bends on another: over 2,000 ft by an inch and more.
        streets.append(shapely.segmentize(line, 100.0))
    return {
        "outlines": outlines,
        "facts": facts,
        "things": things,
        "fires": fires,
        "streets": streets,
        "wind": float(random.uniform(0, 360)),
    }


def true_norths(geometry: Any, in_feet: Any, ground: Ground, at: dict[str, Any]) -> Any:
    """Direction of true north at each shape, as the plane of feet round the corner has it."""
    centre = shapely.centroid(geometry)
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), at["crs"], ground)
    every, nothing = np.arange(len(geometry)), np.zeros(len(geometry))
    ends = [shapely.points(*planes.crs(nothing, nothing + north, every)) for north in (0.0, 100.0)]
    here, there = (shapely.get_coordinates(in_feet(np.asarray(end), **at)) for end in ends)
    return np.degrees(np.arctan2(*(there - here).T))


def plan_of(
    town: Town,
    motion: Motion = STILL,
    *,
    rules: Any = FREE,
    crs: str | None = None,
    corner: tuple[float, float] | None = None,
    zone: str | None = None,
) -> dict[str, Any]:
    """The plan of a town that was moved, drawn in any plane; its rows by table."""
    facts = dict(town["facts"])
    axis = pd.Series(facts["framing_axis_deg"], dtype="float64")
    facts["bearing_walls"] = [motion.sides(letters) for letters in facts["bearing_walls"]]
    at = {"crs": pyproj.CRS(zone or shapes.UTM), "corner": corner or shapes.CORNER}
    outlines = [motion.go(shape) for shape in town["outlines"]]
    north = true_norths(shapes.in_crs(outlines, **at), shapes.in_feet, shapes.GROUND, at)
    axis = (motion.azimuth(axis) - north) % 180.0
    facts["framing_axis_deg"] = [None if np.isnan(azimuth) else azimuth for azimuth in axis]
    roofs = shapes.roofs(*outlines, **facts, **at)
    obstacles = shapes.obstacles(*((k, b, motion.go(shape)) for k, b, shape in town["things"]), **at)
    layers = {
        "streets": gpd.GeoDataFrame(
            {"name": pd.Series([f"Street {n}" for n in range(len(town["streets"]))], dtype="str")},
            geometry=list(shapes.in_crs([motion.go(line) for line in town["streets"]], **at)),
            crs=at["crs"],
        ),
        "fires": gpd.GeoDataFrame(
            {"building_id": pd.Series([building for building, _ in town["fires"]], dtype="str")},
            geometry=list(shapes.in_crs([motion.go(spot) for _, spot in town["fires"]], **at)),
            crs=at["crs"],
        ),
    }
    if crs is not None:
        roofs, obstacles, layers = (
            roofs.to_crs(crs),
            obstacles.to_crs(crs),
            {name: layer.to_crs(crs) for name, layer in layers.items()},
        )
    wind = float(motion.azimuth(town["wind"]))
    framing, plan = shapes.planned(roofs, obstacles=obstacles, rules=rules, wind_from_deg=wind, **layers)
    buildings = roofs.assign(occupancy=None, sprinklered=None)
    solar, _ = audit_solar(
        plan.sections, buildings, obstacles, framing.plane_rows, framing.member_rows, rules, shapes.GROUND
    )
    framed = {"walls": framing.walls, "members": framing.members, "planes": framing.planes}
    return plan.tables() | framed | {"solar_access": solar}


MOTIONS = st.builds(
    Motion,
    turn_deg=st.one_of(st.sampled_from([0.0, 45.0, 90.0, 180.0, 270.0]), st.floats(0, 360)),
    mirror=st.booleans(),
    shift=st.tuples(st.floats(-300, 300), st.floats(-300, 300)),
)


def test_a_town_that_is_turned_or_mirrored_keeps_its_plan() -> None:
    @settings(
        max_examples=tries(8),
        phases=[Phase.explicit, Phase.reuse, Phase.generate],
        suppress_health_check=[HealthCheck.too_slow],
    )
    @given(st.integers(0, 2**32 - 1), MOTIONS)
    def hold(seed: int, motion: Motion) -> None:
        town = made_up_town(seed, 40)
        was, now = plan_of(town), plan_of(town, motion)
        note(f"{seed} {motion}")
        assert differences(was, now, motion, was_in_feet=shapes.in_feet, now_in_feet=shapes.in_feet) == []

    hold()


def from_crs(crs: str) -> Any:
    """Geometry of a plane to feet round the corner of the town."""
    to_utm = pyproj.Transformer.from_crs(crs, shapes.UTM, always_xy=True)

    def carry(geometry: Any) -> Any:
        return shapes.in_feet(
            shapely.transform(geometry, lambda xy: np.column_stack(to_utm.transform(xy[:, 0], xy[:, 1])))
        )

    return carry


@pytest.mark.parametrize("crs", PLANES)
def test_a_town_that_is_drawn_in_another_plane_keeps_its_plan(crs: str) -> None:
    for seed in range(tries(1)):
        town = made_up_town(1000 + seed, 40)
        was, now = plan_of(town), plan_of(town, crs=crs)
        carry = from_crs(crs)
        assert differences(was, now, was_in_feet=shapes.in_feet, now_in_feet=carry) == []


def test_a_town_in_web_mercator_keeps_its_plan() -> None:
    """On the ellipsoid that plane is a third of a percent too wide one way.

    What is drawn of a building is measured on its own true plane. The street's nearest place for an aerial is
    looked for in the plane of the district, and is off by as much; there is none here.
    """
    rules = load_rulebook({"aerial.reach_ft": 0.0})
    town = made_up_town(1001, 40)
    was, now = plan_of(town, rules=rules), plan_of(town, crs=MERCATOR, rules=rules)
    carry = from_crs(MERCATOR)
    assert differences(was, now, was_in_feet=shapes.in_feet, now_in_feet=carry) == []


@pytest.mark.parametrize("corner", [(500_013.7, 4_399_921.3), (420_000.0, 4_400_000.0)])
def test_a_town_that_is_shifted_keeps_its_plan(corner: tuple[float, float]) -> None:
    for seed in range(tries(1)):
        town = made_up_town(2000 + seed, 40)
        was, now = plan_of(town), plan_of(town, corner=corner)

        def carry(geometry: Any) -> Any:
            return shapes.in_feet(geometry, corner=corner)

        assert differences(was, now, was_in_feet=shapes.in_feet, now_in_feet=carry) == []


def test_the_zone_next_door_is_no_other_ground() -> None:
    """The same feet drawn six degrees farther east, in the zone that is centred there: the same bits but for
    the longitude's own."""
    town = made_up_town(3000, 40)
    was = plan_of(town)
    now = plan_of(town, zone="EPSG:32614")
    there = pyproj.CRS("EPSG:32614")

    def carry(geometry: Any) -> Any:
        return shapes.in_feet(geometry, crs=there)

    assert differences(was, now, was_in_feet=shapes.in_feet, now_in_feet=carry, near_ft=1e-5) == []


def test_a_far_building_changes_nothing() -> None:
    """Not a bit of it: the sums of one roof do not run through another."""
    town = made_up_town(4000, 40)
    was = plan_of(town)
    far = affinity.translate(town["outlines"][0], 30_000.0, 20_000.0)
    facts = {name: [*values, values[0]] for name, values in town["facts"].items()}
    now = plan_of(town | {"outlines": [*town["outlines"], far], "facts": facts})
    for name, rows in was.items():
        with_it = now[name]
        if "building_id" in rows:
            with_it = with_it[with_it["building_id"] != "B040"].reset_index(drop=True)
            one, two = (
                # Of a column of sentences only those differ that nobody says.
                pd.DataFrame(rows).astype(dict.fromkeys(rows.select_dtypes("category"), "str"))
                for rows in (rows, with_it)
            )
            pd.testing.assert_frame_equal(one, two, check_exact=True, obj=name)


@settings(max_examples=tries(8), phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.integers(0, 2**32 - 1))
def test_twice_the_spacing_is_half_the_members(seed: int) -> None:
    """Within one for each run: the last space may be short."""
    random = np.random.default_rng(seed)
    shape = [shapely.box(0, 0, *random.uniform(30, 220, 2)) for _ in FAMILIES]
    shape = [affinity.translate(roof, 300.0 * number, 0.0) for number, roof in enumerate(shape)]
    once = {
        "beam_spacing_ft": random.uniform(12, 30, len(shape)),
        "purlin_spacing_ft": random.uniform(5, 10, len(shape)),
        "rafter_spacing_ft": random.uniform(1.3, 3, len(shape)),
    }
    twice = {name: 2 * values for name, values in once.items()}
    few, many = (
        shapes.framed(
            *shape, rules=FREE, roof_family=FAMILIES, **{name: list(values) for name, values in facts.items()}
        ).members
        for facts in (twice, once)
    )
    key = ["section_id", "kind"]
    both = pd.DataFrame(many).merge(pd.DataFrame(few), on=key, suffixes=("", "_twice"))
    both = both[both["spacing_ft"].notna()]
    # Joists run through the borders of bays, which lie otherwise where the spacing is another; each plane of
    # a pitched roof has runs of its own.
    runs = np.where(both["kind"].isin(["beam", "purlin"]), 1, 4)
    off = np.abs(both["count"].to_numpy(dtype=float) / 2 - both["count_twice"].to_numpy(dtype=float))
    assert len(both) > len(FAMILIES) / 2
    assert both[off > runs].empty
    assert np.allclose(both["spacing_ft"] * 2, both["spacing_ft_twice"])


DEMO = read_district(Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml")
# Drawn on round feet: a beam lies on a wall, and which side of it is left to rounding.
ON_A_WALL = ("MB-0195", "MB-0199")


def demo_plan(crs: str) -> dict[str, Any]:
    district = DEMO.model_copy(update={"working_crs": crs})
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    tables, _ = draw_plans(inputs, inventory, rules, ground, district)
    return tables


def demo_in_feet(crs: str) -> Any:
    to_utm = pyproj.Transformer.from_crs(crs, "EPSG:32611", always_xy=True)
    return lambda geometry: shapely.transform(
        geometry, lambda xy: np.column_stack(to_utm.transform(xy[:, 0], xy[:, 1])) / 0.3048
    )


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    return demo_plan("EPSG:32611")


@pytest.mark.parametrize("crs", ["EPSG:32612", CONIC.replace("-105.5", "-120") + " +units=us-ft"])
def test_the_demo_in_another_plane_keeps_its_plan(demo: dict[str, Any], crs: str) -> None:
    now = demo_plan(crs)
    was_in_feet, now_in_feet = demo_in_feet("EPSG:32611"), demo_in_feet(crs)
    assert len(demo["openings"]) > 300
    # A path begins at the tip, or at the wall where that is nearer than 0.02 ft.
    found = differences(
        demo, now, was_in_feet=was_in_feet, now_in_feet=now_in_feet, near_ft=0.04, passed_over=ON_A_WALL
    )
    assert found == []


def test_no_path_and_no_opening_of_the_demo_crosses_a_fire_wall(demo: dict[str, Any]) -> None:
    rules = load_rulebook(DEMO.rules, DEMO.families)
    walls = read_inputs(DEMO, rules).fire_walls.geometry.to_numpy()
    crossed = {}
    for name in ("paths", "openings", "cuts", "trenches", "checks", "members"):
        shapes_of = demo[name].geometry.to_numpy()
        # What ends at the wall, or runs along it, touches it from one side.
        pair = shapely.STRtree(shapes_of).query(walls, predicate="intersects")
        apart = [row for wall, row in pair.T if not _on_one_side(walls[wall], shapes_of[row])]
        crossed[name] = demo[name].iloc[apart]["section_id"].tolist()
    assert [name for name, sections in crossed.items() if sections] == []
    assert len(walls) == 2


def _on_one_side(wall: Any, shape: Any) -> bool:
    """Whether nothing of a shape reaches over a wall by more than a centimetre, either way."""
    start, end = (np.array(wall.coords[place]) for place in (0, -1))
    along = (end - start) / np.hypot(*(end - start))
    off = (shapely.get_coordinates(shape) - start) @ np.array([along[1], -along[0]])
    return bool(off.max() <= 0.01 or off.min() >= -0.01)


@settings(max_examples=tries(15), phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.integers(0, 2**32 - 1))
def test_a_building_cut_in_two_is_planned_on_one_side_of_the_cut(seed: int) -> None:
    """Along a fire wall, straight through a roof of any shape: nothing that is planned reaches over it."""
    random = np.random.default_rng(seed)
    family = str(random.choice(FAMILIES))
    outline = made_up_outline(random, str(random.choice(SHAPES[:5])), *random.uniform(60, 220, 2))
    outline = affinity.translate(outline, *-shapely.get_coordinates(shapely.centroid(outline))[0])
    angle = random.uniform(0, np.pi)
    way = np.array([np.cos(angle), np.sin(angle)]) * 600
    middle = random.uniform(-20, 20, 2)
    wall = shapely.LineString([middle - way, middle + way])
    parts = [part for part in shapely.ops.split(outline, wall).geoms if part.area > 400]
    roofs = shapes.roofs(
        *parts,
        building_id=["B"] * len(parts),
        part=list(range(1, len(parts) + 1)),
        roof_family=[family] * len(parts),
    )
    street = shapes.streets(shapely.LineString([(-400, -170), (400, -150)]))
    wind = float(random.uniform(0, 360))
    _, plan = shapes.planned(roofs, streets=street, rules=FREE, wind_from_deg=wind)
    for name in ("paths", "openings", "cuts", "trenches", "checks"):
        rows = plan.tables()[name]
        for section, shape in zip(rows["section_id"], shapes.in_feet(rows.geometry.to_numpy()), strict=True):
            own = parts[int(section.split("/")[1]) - 1]
            reach = shapely.difference(shape, own.buffer(0.05))
            assert reach.is_empty, (name, section, seed)
            assert _on_one_side(wall, shape) or shape.distance(own) < 0.05, (name, section, seed)
