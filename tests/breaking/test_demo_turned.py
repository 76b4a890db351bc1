"""The demo as a whole, turned and mirrored, keeps its plan.

In: the demo district as it is read, its layers and the directions in its tables moved.
Out: each plan, carried back, lies where the plan of the town as it was does.

The town is carried to the equator first, where true north is one direction everywhere: in a town a mile wide
it turns by a hundredth of a degree, and of two spots that score alike to the fourth decimal the other may
win. `test_turned.py` holds towns to their plan in other zones and planes.

What is left out, and why:

- A sawtooth roof whose axis nobody states: its glazing looks north, whichever way it is turned.
- In a mirror, roofs that are their own mirror image and whose street stands square to them: "to the left,
  looking away from the street" is the rule for ties. That this alone is why is shown twice: each is held
  against its own image, and with streets that lean a little none of them differs.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import pytest
import shapely
from shapely import affinity

from roofplat.district import read_district
from roofplat.ground import Ground, local_planes
from roofplat.intake import Inputs, read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.rules import load_rulebook
from tests.breaking.moved import STILL, Motion, differences
from tests.breaking.tries import tries

FOOT_M = 0.3048
WIND_DEG = 250.0
# The same coordinates in metres, about the middle of the demo and about a place on the equator.
_PLANE = "+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
LEVEL = pyproj.CRS(_PLANE.format(lat=0, lon=0))
LAYERS = (
    *("footprints", "streets", "areas", "stations", "obstacles", "ground"),
    *("sections", "fire_walls", "expansion_joints", "fires", "walls"),
)
# Directions that sources state, and after how many degrees each is the same again.
STATED = {"framing_axis_deg": 180.0, "ridge_deg": 180.0, "downslope_deg": 360.0, "sounding_walk_deg": 180.0}
# The demo is drawn to a centimetre, so two corners of an outline are off their image by up to twice that.
DRAWN_FT = 0.05
# A street as near to square as this tells no side.
SQUARE = 1e-3
LEANING_DEG = 1.3


@cache
def demo() -> tuple[Any, Any, Ground, Inputs]:
    """The demo, read into a plane round its own middle."""
    district = read_district(Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml")
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), None)
    middle = np.mean(
        read_inputs(district, rules).footprints.to_crs("EPSG:4326").total_bounds.reshape(2, 2), 0
    )
    plane = _PLANE.format(lon=middle[0], lat=middle[1])
    district = district.model_copy(update={"working_crs": plane})
    return district, rules, ground, read_inputs(district, rules)


def north_deg(geometry: npt.NDArray[Any], crs: Any, ground: Ground) -> npt.NDArray[np.float64]:
    """Direction of true north at each shape, clockwise from that of the plane."""
    centre = shapely.centroid(geometry)
    planes = local_planes(shapely.get_x(centre), shapely.get_y(centre), crs, ground)
    return np.degrees(np.arctan2(planes.to_crs[:, 0, 1], planes.to_crs[:, 1, 1]))


def moved_frame(frame: Any, motion: Motion, ground: Ground) -> Any:
    """A layer or a table of facts, moved, on the equator."""
    made = pd.DataFrame(frame).copy()
    for column, again in STATED.items():
        if column in made:
            # A direction of a table that has no place cannot be told from the plane's.
            was = north_deg(frame.geometry.to_numpy(), frame.crs, ground)
            made[column] = motion.azimuth(made[column].astype(float) + was) % again
    if "bearing_walls" in made:
        made["bearing_walls"] = [motion.sides(letters) for letters in made["bearing_walls"]]
    if not isinstance(frame, gpd.GeoDataFrame):
        return made
    shapes = shapely.transform(frame.geometry.to_numpy(), lambda xy: xy @ motion.matrix.T)
    return gpd.GeoDataFrame(made.drop(columns="geometry"), geometry=gpd.GeoSeries(shapes, frame.index, LEVEL))


def plan_of(motion: Motion, *, leaning: bool = False) -> dict[str, Any]:
    """The plan of the demo, moved."""
    district, rules, ground, inputs = demo()
    if leaning:
        lines = [affinity.rotate(line, LEANING_DEG, origin=(0, 0)) for line in inputs.streets.geometry]
        inputs = replace(inputs, streets=inputs.streets.set_geometry(lines, crs=inputs.streets.crs))
    moved = replace(
        inputs,
        working_crs=LEVEL,
        attributes=tuple(
            replace(source, frame=moved_frame(source.frame, motion, ground)) for source in inputs.attributes
        ),
        **{name: moved_frame(getattr(inputs, name), motion, ground) for name in LAYERS},
    )
    inventory = take_inventory(moved, rules, ground, region=district.region)
    wind = float(motion.azimuth(WIND_DEG))
    tables, _ = draw_plans(moved, inventory, rules, ground, district, wind_from_deg=wind)
    return tables


def in_feet(geometry: Any) -> Any:
    return shapely.transform(np.asarray(geometry, dtype=object), lambda xy: xy / FOOT_M)


@cache
def as_it_was(*, leaning: bool = False) -> dict[str, Any]:
    return plan_of(STILL, leaning=leaning)


def looking_north(tables: dict[str, Any]) -> list[str]:
    """Buildings with a sawtooth roof whose axis nobody states."""
    sections = tables["sections"]
    inferred = (sections["roof_family"] == "sawtooth") & sections["axis_basis"].isin(["inferred", "assumed"])
    return sections["building_id"][inferred].tolist()


def differing(motion: Motion, *, leaning: bool = False) -> dict[str, list[str]]:
    """What differs of each building, once the plan of the moved town is carried back."""
    was = as_it_was(leaning=leaning)
    found = differences(
        was,
        plan_of(motion, leaning=leaning),
        motion,
        was_in_feet=in_feet,
        now_in_feet=in_feet,
        passed_over=looking_north(was),
    )
    by_building: dict[str, list[str]] = {}
    for line in found:
        owner = next(
            (word for word in line.replace("'", " ").replace(":", " ").split() if "MB-" in word), line
        )
        by_building.setdefault(owner.split("/")[0], []).append(line)
    return by_building


def some_motions(count: int, seed: int, *, mirror: bool) -> list[Motion]:
    return [Motion(float(turn), mirror) for turn in np.random.default_rng(seed).uniform(0, 360, count)]


@pytest.mark.parametrize(
    "motion", [Motion(180.0), Motion(90.0), *some_motions(tries(1), 7, mirror=False)], ids=str
)
def test_the_demo_that_is_turned_keeps_every_plan(motion: Motion) -> None:
    assert len(as_it_was()["openings"]) > 300
    assert len(looking_north(as_it_was())) == 1
    assert differing(motion) == {}


@pytest.mark.parametrize("motion", [Motion(0.0, True), *some_motions(tries(1), 8, mirror=True)], ids=str)
def test_the_demo_in_a_mirror_keeps_every_plan_where_streets_lean(motion: Motion) -> None:
    assert differing(motion, leaning=True) == {}


def test_only_roofs_that_are_their_own_image_before_a_square_street_differ_in_a_mirror() -> None:
    differ = differing(Motion(0.0, True))
    sections = as_it_was()["sections"]
    sections = sections[sections["building_id"].isin(list(differ))]
    told = [
        section
        for section, building, axis_deg, shape in zip(
            sections["section_id"],
            sections["building_id"],
            sections["framing_axis_deg"],
            in_feet(sections.geometry),
            strict=True,
        )
        if not its_own_image(shape, axis_deg, toward_street(building, shape))
    ]
    assert len(sections) > 100
    assert told == []


def toward_street(building: str, shape: Any) -> npt.NDArray[np.float64]:
    """Unit vector from a section to the street that its address names, or else to the nearest."""
    streets = as_it_was()["streets"]
    buildings = as_it_was()["buildings"].set_index("building_id")
    address = str(buildings["address"].get(building) or "")
    names = streets["name"].fillna("").to_numpy()
    named = np.array([name != "" and name in address for name in names])
    lines = in_feet(streets.geometry[named if named.any() else names != ""])
    nearest = min(lines, key=shape.centroid.distance)
    start, end = shapely.get_coordinates(shapely.shortest_line(shape.centroid, nearest))
    return (end - start) / np.hypot(*(end - start))


def its_own_image(shape: Any, axis_deg: float, toward: npt.NDArray[np.float64]) -> bool:
    """Whether the street lies along an axis of a section, and a mirror on that axis leaves it as it is."""
    axis = np.radians(axis_deg)
    along = np.array([[np.sin(axis), np.cos(axis)], [-np.cos(axis), np.sin(axis)]])
    ahead = along[np.argmax(np.abs(along @ toward))]
    centre = shapely.get_coordinates(shape.centroid)[0]
    mirror = 2 * np.outer(ahead, ahead) - np.eye(2)
    image = shapely.transform(shape, lambda xy: (xy - centre) @ mirror.T + centre)
    aside = abs(ahead[0] * toward[1] - ahead[1] * toward[0])
    return aside < SQUARE and shapely.hausdorff_distance(shape.boundary, image.boundary) < DRAWN_FT
