"""The solar access audit on roofs that can be measured in the head.

In: roofs and arrays drawn in feet.
Out: what is measured, what passes, and what is told.
"""

from __future__ import annotations

from collections.abc import Iterable
from types import ModuleType
from typing import Any

import geopandas as gpd
import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from pyproj import CRS
from shapely import MultiLineString, Point, Polygon, affinity, box

from roofplat import tables
from roofplat.framing import frame_roofs
from roofplat.ground import Ground, local_planes
from roofplat.placing import audit_solar
from roofplat.placing.solar_shared import clear_runs
from roofplat.rules import load_rulebook

BOOK = load_rulebook()
GROUND = Ground(0.3048)
UTM = "EPSG:32613"
# A place east of the central meridian, so that grid north is not true north.
CORNER = (640_000.0, 4_400_000.0)


def _frame(name: str, rows: list[dict[str, Any]], crs: str, corner: tuple[float, float]) -> gpd.GeoDataFrame:
    """A table whose geometry is drawn in feet east and north of a corner."""
    if not rows:
        return tables.empty(name, crs)
    shapes = np.array([row.pop("geometry") for row in rows], dtype=object)
    plane = local_planes(np.array([corner[0]]), np.array([corner[1]]), CRS(crs), GROUND)
    east, north = shapely.get_coordinates(shapes).T
    x, y = plane.crs(east, north, np.zeros(east.size, dtype=np.int64))
    shapely.set_coordinates(shapes, np.column_stack([x, y]))
    frame = pd.DataFrame(rows).reindex(columns=list(tables.TABLES[name].columns))
    return tables.conform(name, frame, geometry=shapes, crs=crs)


class Roof:
    """One building: its outline, and what is added to it, in feet."""

    def __init__(self, *outlines: Polygon, occupancy: str | None = "S-1", **facts: Any) -> None:
        self.outlines = outlines
        self.facts = {"occupancy": occupancy, "building_id": "B", "roof_family": "unknown", **facts}
        self.things: list[dict[str, Any]] = []
        self.planes: list[dict[str, Any]] = []
        self.members: list[dict[str, Any]] = []

    def add(self, kind: str, *shapes: Any, basis: str = "drawn") -> Roof:
        for shape in shapes:
            number = f"{len(self.things):04d}"
            self.things.append(
                {"building_id": "B", "obstacle_id": number, "kind": kind, "basis": basis, "geometry": shape}
            )
        return self

    def plane(self, shape: Polygon, downslope: float, slope: float, section: str = "B/1") -> Roof:
        self.planes.append(
            {
                "building_id": "B",
                "section_id": section,
                "plane": len(self.planes) + 1,
                "downslope_deg": downslope,
                "slope_deg": slope,
                "area_ft2": shape.area,
                "true_area_ft2": shape.area / np.cos(np.radians(slope)),
                "basis": "inferred",
                "geometry": shape,
            }
        )
        return self

    def line(self, kind: str, *lines: list[tuple[float, float]], section: str = "B/1") -> Roof:
        self.members.append(
            {"building_id": "B", "section_id": section, "kind": kind, "geometry": MultiLineString(lines)}
        )
        return self

    def turned(self, degrees: float) -> Roof:
        """The same roof turned clockwise about the corner."""
        twin = Roof(
            *(affinity.rotate(shape, -degrees, origin=(0, 0)) for shape in self.outlines), **self.facts
        )
        for name in ("things", "planes", "members"):
            rows = [
                {**row, "geometry": affinity.rotate(row["geometry"], -degrees, origin=(0, 0))}
                for row in getattr(self, name)
            ]
            setattr(twin, name, rows)
        for row in twin.planes:
            row["downslope_deg"] = (row["downslope_deg"] + degrees) % 360
        return twin

    def layers(self, crs: str = UTM, corner: tuple[float, float] = CORNER) -> list[gpd.GeoDataFrame]:
        known = {
            key: self.facts.get(key) for key in ("building_id", "roof_family", "slope_deg", "roof_shape")
        }
        sections = [
            {**known, "section_id": f"B/{number}", "area_ft2": shape.area, "geometry": shape}
            for number, shape in enumerate(self.outlines, 1)
        ]
        whole = shapely.union_all(self.outlines)
        building = [{**self.facts, "area_ft2": whole.area, "geometry": whole}]
        return [
            _frame(name, [dict(row) for row in rows], crs, corner)
            for name, rows in (
                ("sections", sections),
                ("buildings", building),
                ("obstacles", self.things),
                ("planes", self.planes),
                ("members", self.members),
            )
        ]

    def audit(self, **place: Any) -> gpd.GeoDataFrame:
        return audit_solar(*self.layers(**place), BOOK, GROUND)[0]

    def problems(self) -> pd.DataFrame:
        return audit_solar(*self.layers(), BOOK, GROUND)[1]


def _only(access: gpd.GeoDataFrame, rule: str, array: int = 1) -> pd.Series:
    rows = access[(access["rule"] == f"solar.{rule}") & (access["array"] == array)]
    assert len(rows) == 1
    return rows.iloc[0]


def _rules(access: gpd.GeoDataFrame, array: int = 1) -> list[str]:
    return access.loc[access["array"] == array, "rule"].str.removeprefix("solar.").tolist()


# ---------------------------------------------------------------- every building that is no house


@pytest.mark.parametrize(
    ("side", "rule", "wanted", "passes"),
    [
        (100, "perimeter_narrow_ft", 4.0, True),
        (250, "perimeter_narrow_ft", 4.0, True),
        (251, "perimeter_ft", 6.0, False),
        (300, "perimeter_ft", 6.0, False),
    ],
)
def test_five_feet_of_perimeter_do_for_a_short_axis_only(
    side: float, rule: str, wanted: float, passes: bool
) -> None:
    roof = Roof(box(0, 0, side, side + 40)).add("solar", box(5, 20, 65, 80))
    found = _only(roof.audit(), rule)
    assert (found["wanted_ft"], found["measured_ft"], found["passes"]) == (wanted, 5.0, passes)
    assert "5.00 ft from the roof edge" in found["message"]
    assert f"{wanted:g} ft of clear perimeter" in found["message"]
    assert "IFC 2018 1204.3" in found["message"]


def test_a_courtyard_has_an_edge_too() -> None:
    court = box(0, 0, 100, 100) - box(40, 40, 60, 60)
    assert _only(Roof(court).add("solar", box(20, 40, 38, 60)).audit(), "perimeter_narrow_ft")[
        "measured_ft"
    ] == pytest.approx(2.0)


def test_an_array_over_the_edge_has_no_perimeter() -> None:
    found = _only(Roof(box(0, 0, 100, 100)).add("solar", box(-2, 20, 30, 50)).audit(), "perimeter_narrow_ft")
    assert found["measured_ft"] == 0.0
    assert not found["passes"]


@pytest.mark.parametrize(("length", "passes"), [(150.0, True), (160.0, False)])
def test_an_array_section_is_no_longer_than_the_rule(length: float, passes: bool) -> None:
    roof = Roof(box(0, 0, 300, 300)).add("solar", box(20, 20, 20 + length, 60))
    found = _only(roof.audit(), "array_section_ft")
    assert (found["measured_ft"], found["passes"]) == (length, passes)


def test_panels_close_together_are_one_array() -> None:
    panels = [box(20 + 6 * k, 20, 25 + 6 * k, 23) for k in range(10)]
    access = Roof(box(0, 0, 100, 100)).add("solar", *panels).audit()
    assert access["array"].unique().tolist() == [1]
    assert _only(access, "array_section_ft")["measured_ft"] == 59.0
    assert _rules(access) == ["perimeter_narrow_ft", "array_section_ft"]


def test_arrays_with_less_than_a_pathway_between_them_count_together() -> None:
    small = Roof(box(0, 0, 300, 300)).add("solar", box(20, 20, 80, 60), box(83, 20, 143, 60))
    access = small.audit()
    assert access["array"].unique().tolist() == [1, 2]
    # 60 + 3 + 60 ft are one array section, so nothing is wanted between the two.
    assert _rules(access) == _rules(access, 2) == ["perimeter_ft", "array_section_ft"]
    assert _only(access, "array_section_ft")["measured_ft"] == 123.0
    assert "together with 1 others" in _only(access, "array_section_ft", 2)["message"]

    large = Roof(box(0, 0, 300, 300)).add("solar", box(20, 20, 120, 60), box(123, 20, 223, 60)).audit()
    assert _only(large, "array_section_ft")["measured_ft"] == 203.0
    for array in (1, 2):
        assert not _only(large, "array_section_ft", array)["passes"]
        path = _only(large, "pathway_ft", array)
        assert (path["wanted_ft"], path["measured_ft"], path["passes"]) == (4.0, 3.0, False)
        assert not _only(large, "smoke_way_ft", array)["passes"]


@pytest.mark.parametrize(("gap", "path", "smoke"), [(4.0, True, None), (7.99, True, None), (8.0, True, True)])
def test_the_way_between_array_sections(gap: float, path: bool, smoke: bool | None) -> None:
    access = Roof(box(0, 0, 300, 300)).add("solar", box(20, 20, 120, 60), box(20, 60 + gap, 120, 140)).audit()
    assert _only(access, "pathway_ft")["passes"] == path
    found = _only(access, "smoke_way_ft", 2)
    assert found["measured_ft"] == gap
    assert (None if found["passes"] is pd.NA else found["passes"]) == smoke
    assert ("does not show" in found["message"]) == (smoke is None)


@pytest.mark.parametrize(
    ("kind", "west", "south", "met"),
    [
        ("skylight", 50, 60, True),  # 2 ft wide at one side of the way: 4 ft are left on the other
        ("smoke_vent", 50, 60, True),
        ("skylight", 50, 62, False),  # in the middle: 2 ft on both sides
        ("skylight", 200, 60, False),  # elsewhere
        ("unit", 50, 60, False),
    ],
)
def test_a_way_of_six_feet_beside_a_vent(kind: str, west: float, south: float, met: bool) -> None:
    roof = Roof(box(0, 0, 300, 300)).add("solar", box(20, 20, 120, 60), box(20, 66, 120, 140))
    access = roof.add(kind, box(west, south, west + 4, south + 2)).audit()
    found = _only(access, "smoke_way_ft")
    assert (found["passes"] is not pd.NA) == met
    assert ("one of which is there" in found["message"]) == met


def _notched(south: float, north: float, edge: str, notches: Iterable[float], long: float = 8.0) -> Polygon:
    """An array 100 ft long with notches of 4 ft centred along one edge."""
    bottom = south if edge == "south" else north - 4
    cut = shapely.union_all(
        [box(20 + at - long / 2, bottom, 20 + at + long / 2, bottom + 4) for at in notches]
    )
    return box(20, south, 120, north) - cut


@pytest.mark.parametrize(
    ("below", "above", "long", "met"),
    [
        ([10, 50, 90], [30, 70], 8.0, True),
        ([10, 50, 90], [30, 70], 7.5, False),  # too short
        ([10, 90], [30, 70], 8.0, False),  # 40 ft without one
        ([10, 30, 50, 70, 90], [], 8.0, False),  # all on one side
        ([30, 70], [50, 90], 8.0, False),  # 30 ft to the first
        ([], [], 8.0, False),
    ],
)
@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_cut_out_areas(below: list[float], above: list[float], long: float, met: bool, turn: float) -> None:
    roof = Roof(box(0, 0, 300, 300)).add(
        "solar",
        _notched(20, 60, "north", below, long) if below else box(20, 20, 120, 60),
        _notched(64, 140, "south", above, long) if above else box(20, 64, 120, 140),
    )
    found = _only(roof.turned(turn).audit(), "smoke_way_ft")
    assert found["measured_ft"] == 4.0
    assert (found["passes"] is not pd.NA) == met
    assert ("which are there" in found["message"]) == met


@pytest.mark.parametrize(("distance", "passes"), [(3.99, False), (4.0, True)])
def test_clear_ground_around_a_hatch(distance: float, passes: bool) -> None:
    roof = Roof(box(0, 0, 100, 100)).add("solar", box(20, 20, 60, 60))
    found = _only(roof.add("hatch", box(60 + distance, 30, 70, 34)).audit(), "hatch_clear_ft")
    assert (found["measured_ft"], found["passes"], found["basis"]) == (distance, passes, "drawn")


def test_a_hatch_without_a_size_is_taken_for_one() -> None:
    """6 ft from the point, less half a hatch of 6 ft."""
    roof = Roof(box(0, 0, 100, 100)).add("solar", box(20, 20, 60, 60)).add("hatch", Point(66, 30))
    found = _only(roof.audit(), "hatch_clear_ft")
    assert (found["measured_ft"], found["passes"], found["basis"]) == (3.0, False, "assumed")
    assert "drawn without a size" in found["message"]


def test_nobody_can_tell_whether_a_near_smoke_vent_may_be_there() -> None:
    roof = Roof(box(0, 0, 100, 100)).add("solar", box(20, 20, 60, 60), box(20, 70, 60, 90))
    access = roof.add("smoke_vent", box(63, 30, 67, 34), box(62, 80, 66, 84)).audit()
    assert _only(access, "vent_clear_ft")["measured_ft"] == 3.0
    assert _only(access, "vent_clear_ft")["passes"] is pd.NA
    assert _only(access, "vent_clear_ft", 2)["measured_ft"] == 2.0


def test_the_weakest_panel_gives_the_basis() -> None:
    roof = Roof(box(0, 0, 100, 100)).add("solar", box(20, 20, 40, 40), basis="surveyed")
    assert set(roof.audit()["basis"]) == {"surveyed"}
    assert set(roof.add("solar", box(40, 20, 60, 40), basis="inferred").audit()["basis"]) == {"inferred"}


def test_an_array_over_two_sections_is_measured_to_the_outline() -> None:
    roof = Roof(box(0, 0, 60, 100), box(60, 0, 120, 100)).add("solar", box(40, 7, 70, 60))
    access = roof.audit()
    assert access["section_id"].unique().tolist() == ["B/1"]
    assert _only(access, "perimeter_narrow_ft")["measured_ft"] == 7.0
    assert roof.problems()["code"].tolist() == ["solar_across_sections"]


def test_solar_without_an_outline_is_told() -> None:
    roof = Roof(box(0, 0, 100, 100)).add("solar", Point(50, 50), box(200, 200, 210, 210), box(20, 20, 40, 40))
    problems = roof.problems()
    assert problems["code"].tolist() == ["solar_without_outline", "solar_off_section"]
    assert problems["feature"].tolist() == ["0000", "0001"]
    assert len(roof.audit()) == 2


def test_a_roof_without_solar_has_no_rows() -> None:
    access, problems = audit_solar(*Roof(box(0, 0, 100, 100)).layers(), BOOK, GROUND)
    assert access.empty
    assert problems.empty


# ---------------------------------------------------------------- houses


def _gable(slope: float = 30.0, occupancy: str | None = "R-3", **facts: Any) -> Roof:
    """A house of 40 by 30 ft, ridge along 40 ft: planes 15 ft deep as seen from above."""
    roof = Roof(box(0, 0, 40, 30), occupancy=occupancy, slope_deg=slope, roof_shape="gabled", **facts)
    return (
        roof.plane(box(0, 0, 40, 15), 180.0, slope)
        .plane(box(0, 15, 40, 30), 0.0, slope)
        .line("ridge", [(0, 15), (40, 15)])
    )


def test_a_house_with_thirty_inches_beside_the_array() -> None:
    found = _only(_gable().add("solar", box(2.5, 2, 37.5, 10)).audit(), "house_pathway_in")
    assert (found["wanted_ft"], found["measured_ft"], found["passes"]) == (3.0, 2.5, False)
    assert "IRC 2018 R324.6.1" in found["message"]
    enough = _only(_gable().add("solar", box(3.0, 2, 38.0, 10)).audit(), "house_pathway_in")
    assert (enough["measured_ft"], enough["passes"]) == (3.0, True)


@pytest.mark.parametrize(("ways", "measured"), [(0, None), (1, 40.0), (2, 2.5)])
def test_a_department_says_how_many_ways_up_it_wants(ways: int, measured: float | None) -> None:
    own = load_rulebook({"solar.house_pathway_count": ways})
    layers = _gable().add("solar", box(2.5, 2, 37.5, 10)).layers()
    access, _ = audit_solar(*layers, own, GROUND)
    found = access.loc[access["rule"] == "solar.house_pathway_in", "measured_ft"].tolist()
    assert found == ([] if measured is None else [measured])


def test_a_way_up_may_lead_between_two_arrays() -> None:
    roof = _gable().add("solar", box(1, 2, 17, 10), box(20.5, 2, 39, 10))
    assert _only(roof.audit(), "house_pathway_in", 2)["measured_ft"] == 3.5


@pytest.mark.parametrize(
    ("slope", "want"), [(30.0, 2.0), (45.0, 2.0 * np.cos(np.pi / 6) / np.cos(np.pi / 4))]
)
def test_the_setback_is_measured_up_the_slope(slope: float, want: float) -> None:
    away = 2.0 * np.cos(np.pi / 6)
    found = _only(_gable(slope).add("solar", box(5, 2, 20, 15 - away)).audit(), "ridge_low_in")
    assert found["measured_ft"] == pytest.approx(want, abs=0.006)
    assert found["passes"]


@pytest.mark.parametrize(
    ("sprinklered", "width", "rule", "passes"),
    [
        (None, 30, "ridge_low_in", True),  # 30 x 13 of 1,200 ft2: 32.5 percent
        (None, 31, "ridge_high_in", False),  # 33.6 percent
        (True, 31, "ridge_low_in", True),
        (False, 31, "ridge_high_in", False),
    ],
)
def test_much_solar_wants_more_at_the_ridge(
    sprinklered: bool | None, width: float, rule: str, passes: bool
) -> None:
    roof = _gable(sprinklered=sprinklered).add("solar", box(0, 0, width, 13))
    found = _only(roof.audit(), rule)
    assert found["measured_ft"] == pytest.approx(2 / np.cos(np.pi / 6), abs=0.006)
    assert found["passes"] == passes
    assert ("66 percent" in found["message"]) == bool(sprinklered)


def test_an_array_over_the_ridge_has_no_setback() -> None:
    access = _gable().add("solar", box(5, 10, 20, 20)).audit()
    assert _only(access, "ridge_low_in")["measured_ft"] == 0.0
    assert _only(access, "house_pathway_in")["measured_ft"] == 20.0


def _hip() -> Roof:
    """A house of 50 by 30 ft, hips at 45 degrees in plan, ridge of 20 ft."""
    roof = Roof(box(0, 0, 50, 30), occupancy="house", slope_deg=30.0, roof_shape="hipped")
    return (
        roof.plane(Polygon([(0, 0), (50, 0), (35, 15), (15, 15)]), 180.0, 30.0)
        .plane(Polygon([(50, 0), (50, 30), (35, 15)]), 90.0, 30.0)
        .plane(Polygon([(50, 30), (0, 30), (15, 15), (35, 15)]), 0.0, 30.0)
        .plane(Polygon([(0, 30), (0, 0), (15, 15)]), 270.0, 30.0)
        .line("ridge", [(15, 15), (35, 15)])
        .line("hip", [(0, 0), (15, 15)], [(50, 0), (35, 15)], [(50, 30), (35, 15)], [(0, 30), (15, 15)])
    )


def test_a_hip_counts_where_panels_are_on_both_sides() -> None:
    one = _hip().add("solar", box(14, 2, 30, 8))
    assert _rules(one.audit()) == ["house_pathway_in", "ridge_low_in"]
    # On the west end as well: from its corner at (2, 10) the hip is 8 ft away along the eave.
    both = one.add("solar", box(2, 10, 5, 20)).audit()
    assert _rules(both, 2) == ["house_pathway_in", "hip_valley_in"]
    # The hip rises from (0, 0) to (15, 15): laid flat, 15 ft along the eave and 15 / cos 30 up the slope.
    run = np.array([15.0, 15.0 / np.cos(np.pi / 6)])
    corner = np.array([10.0, 5.0 / np.cos(np.pi / 6)])
    want = abs(run[0] * corner[1] - run[1] * corner[0]) / np.hypot(*run)
    assert _only(both, "hip_valley_in", 2)["measured_ft"] == pytest.approx(want, abs=0.006)
    first = np.array([14.0, 8.0 / np.cos(np.pi / 6)])
    want = abs(run[0] * first[1] - run[1] * first[0]) / np.hypot(*run)
    assert _only(both, "hip_valley_in")["measured_ft"] == pytest.approx(want, abs=0.006)


def test_the_ends_of_a_hipped_roof_lead_to_no_ridge() -> None:
    """Both long planes end at the ridge of 20 ft; an array as wide as it leaves no straight way."""
    found = _only(_hip().add("solar", box(15, 2, 35, 8)).audit(), "house_pathway_in")
    assert (found["measured_ft"], found["passes"]) == (0.0, False)


def test_one_plane_has_no_two_ways_on_separate_planes() -> None:
    roof = Roof(box(0, 0, 40, 30), occupancy="detached", slope_deg=20.0, roof_shape="monopitch")
    access = roof.plane(box(0, 0, 40, 30), 180.0, 20.0).add("solar", box(5, 5, 30, 20)).audit()
    assert _rules(access) == ["house_pathway_in"]
    assert access["passes"].isna().all()
    assert access["measured_ft"].isna().all()


@pytest.mark.parametrize(
    ("slope", "code"),
    [
        (9.46, "solar_low_slope"),
        (0.0, "solar_low_slope"),
        (None, "solar_slope_unknown"),
        (9.47, "solar_without_planes"),
    ],
)
def test_a_house_that_cannot_or_need_not_be_audited_is_told(slope: float | None, code: str) -> None:
    """2 in 12 is 9.4623 degrees."""
    roof = Roof(box(0, 0, 40, 30), occupancy="R3", slope_deg=slope).add("solar", box(5, 5, 30, 20))
    assert roof.audit().empty
    assert roof.problems()["code"].tolist() == [code]
    assert "Array 1 of section B/1" in roof.problems()["message"].iloc[0]


@pytest.mark.parametrize(
    ("occupancy", "house"),
    [
        ("R-3", True),
        ("r3", True),
        ("Group R-3", True),
        ("R-3.1", True),
        ("House", True),
        ("semidetached_house", True),
        ("R-2", False),
        ("R-31", False),
        ("B", False),
        ("greenhouse", False),
        ("apartments", False),
    ],
)
def test_what_a_house_is(occupancy: str, house: bool) -> None:
    access = _gable(occupancy=occupancy).add("solar", box(5, 2, 20, 10)).audit()
    assert ("house_pathway_in" in _rules(access)) == house
    assert set(access["basis"]) == ({"inferred"} if house else {"drawn"})


@pytest.mark.parametrize("occupancy", ["R", "residential", None])
def test_an_occupancy_that_does_not_tell(occupancy: str | None) -> None:
    pitched = _gable(occupancy=occupancy).add("solar", box(5, 2, 20, 10)).audit()
    assert _rules(pitched) == ["house_pathway_in", "ridge_low_in"]
    flat = Roof(box(0, 0, 40, 30), occupancy=occupancy).add("solar", box(5, 5, 20, 10)).audit()
    assert _rules(flat) == ["perimeter_narrow_ft", "array_section_ft"]
    for access in (pitched, flat):
        assert set(access["basis"]) == {"assumed"}
        assert access["message"].str.contains("occupancy does not tell").all()


@pytest.mark.parametrize("degrees", [0.0, 61.0])
@pytest.mark.parametrize("form", ["gabled", "hipped"])
def test_the_planes_that_framing_draws(shapes: ModuleType, form: str, degrees: float) -> None:
    """The planes drawn by hand above, from outline, shape and slope alone."""
    made = _gable() if form == "gabled" else _hip()
    made.add("solar", box(14, 2, 30, 8), box(2, 10, 5, 14.5))
    sections, buildings, things, _, _ = made.turned(degrees).layers()
    roofs = shapes.roofs(
        *made.outlines, roof_family=["sawn_rafter_pitched"], roof_shape=[form], slope_deg=[30.0]
    )
    roofs = roofs.assign(building_id="B", section_id="B/1").set_geometry(sections.geometry.array, crs=UTM)
    framing = frame_roofs(roofs, shapes.streets(), BOOK, GROUND)
    found, _ = audit_solar(framing.sections, buildings, things, framing.planes, framing.members, BOOK, GROUND)
    want = made.audit()
    assert found["rule"].tolist() == want["rule"].tolist()
    np.testing.assert_allclose(found["measured_ft"], want["measured_ft"], atol=0.011)
    # Without a geometry object of any plane or member but those under the panels.
    late = framing.plane_rows, framing.member_rows
    same, _ = audit_solar(framing.sections, buildings, things, *late, BOOK, GROUND)
    pd.testing.assert_frame_equal(pd.DataFrame(same), pd.DataFrame(found))


# ---------------------------------------------------------------- laws


def _warehouse() -> Roof:
    roof = Roof(box(0, 0, 320, 280)).add(
        "solar", box(5, 8, 140, 60), box(150, 8, 290, 60), box(5, 66, 140, 200), box(200, 100, 316, 255)
    )
    return roof.add("hatch", box(142.5, 30, 146, 34)).add("skylight", box(60, 60, 64, 62))


@pytest.mark.parametrize(
    "place",
    [
        {"crs": UTM, "corner": (300_000.0, 7_500_000.0)},
        {"crs": "EPSG:32713", "corner": (700_000.0, 5_500_000.0)},
        {"crs": "EPSG:2277", "corner": (3_100_000.0, 10_070_000.0)},
        {"crs": "EPSG:3857", "corner": (-11_500_000.0, 9_000_000.0)},
    ],
)
@pytest.mark.parametrize("degrees", [0.0, 37.0])
@pytest.mark.parametrize(
    "make", [_warehouse, lambda: _hip().add("solar", box(14, 2, 30, 8), box(2, 10, 5, 20))]
)
def test_feet_are_feet_wherever_and_however_it_lies(make: Any, degrees: float, place: dict[str, Any]) -> None:
    here, there = make().audit(), make().turned(degrees).audit(**place)
    assert here["rule"].tolist() == there["rule"].tolist()
    assert here["passes"].tolist() == there["passes"].tolist()
    np.testing.assert_allclose(there["measured_ft"], here["measured_ft"], atol=0.011)


def test_a_mercator_layer_measures_like_a_utm_layer() -> None:
    """At 64 degrees north a metre of EPSG:3857 is 0.44 m on the ground."""
    layers = _warehouse().layers(corner=(500_000.0, 7_100_000.0))
    true, _ = audit_solar(*layers, BOOK, GROUND)
    stretched, _ = audit_solar(*(layer.to_crs("EPSG:3857") for layer in layers), BOOK, GROUND)
    np.testing.assert_allclose(stretched["measured_ft"], true["measured_ft"], atol=0.011)
    assert stretched["passes"].tolist() == true["passes"].tolist()


def test_the_outlines_of_arrays_are_all_of_the_panels_and_no_more() -> None:
    layers = _warehouse().layers()
    access, _ = audit_solar(*layers, BOOK, GROUND)
    solar = layers[2][layers[2]["kind"] == "solar"]
    arrays = access.drop_duplicates(["section_id", "array"])
    assert arrays.area.sum() == pytest.approx(solar.union_all().area, rel=1e-12)
    assert access.crs == layers[0].crs


@given(
    corner=st.tuples(st.floats(0.0, 40.0), st.floats(0.0, 40.0)),
    size=st.tuples(st.floats(5.0, 60.0), st.floats(5.0, 60.0)),
    move=st.floats(0.0, 1.0),
)
@settings(max_examples=40)
def test_moving_an_array_inward_never_fails_it(
    corner: tuple[float, float], size: tuple[float, float], move: float
) -> None:
    """Toward the middle of the roof, so that no side comes nearer to its edge than the nearest was."""
    panel = box(*corner, corner[0] + size[0], corner[1] + size[1])
    centre = panel.centroid
    inner = affinity.translate(panel, move * (50 - centre.x), move * (50 - centre.y))
    before = Roof(box(0, 0, 100, 100)).add("solar", panel).audit()
    after = Roof(box(0, 0, 100, 100)).add("solar", inner).audit()
    assert before["rule"].tolist() == after["rule"].tolist()
    assert (after["measured_ft"] >= before["measured_ft"] - 0.011)[0]
    assert after["passes"][0] or not before["passes"][0] or before["measured_ft"][0] < 4.01


@given(
    blocks=st.lists(st.tuples(st.integers(-5, 105), st.integers(0, 30)), max_size=8),
    span=st.integers(1, 100),
)
@settings(max_examples=60)
def test_clear_runs_are_what_shapely_leaves(blocks: list[tuple[int, int]], span: int) -> None:
    low = np.array([float(at) for at, _ in blocks])
    high = low + np.array([float(size) for _, size in blocks])
    # The same blocks on a second span must not disturb the first.
    owner = np.repeat([0, 1], len(blocks))
    of, start, end = clear_runs(
        np.array([0.0, 10.0]), np.array([float(span), 200.0]), owner, np.tile(low, 2), np.tile(high, 2)
    )
    line = shapely.LineString([(0, 0), (span, 0)])
    cover = shapely.union_all([box(a, -1, b, 1) for a, b in zip(low, high, strict=True) if b > a])
    left = line.difference(cover).length if blocks else float(span)
    assert (end - start)[of == 0].sum() == pytest.approx(left)
    assert (end > start).all()
    assert (np.diff(start[of == 1]) > 0).all()


def test_every_array_has_one_row_for_each_rule() -> None:
    access = _warehouse().audit()
    assert not access.duplicated(["section_id", "array", "rule"]).any()
    assert access["array"].is_monotonic_increasing
    assert access.groupby("array").size().tolist() == [5, 5, 5, 5]


def test_buildings_do_not_disturb_each_other() -> None:
    """A house and a warehouse in one district are audited as if each were alone."""

    def renamed(layers: list[gpd.GeoDataFrame], name: str) -> list[gpd.GeoDataFrame]:
        twins = [layer.copy() for layer in layers]
        for layer in twins:
            layer["building_id"] = name
            if "section_id" in layer:
                layer["section_id"] = layer["section_id"].str.replace("B/", f"{name}/")
            if "obstacle_id" in layer:
                layer["obstacle_id"] = name + layer["obstacle_id"]
        return twins

    house = renamed(_hip().add("solar", box(14, 2, 30, 8), box(2, 10, 5, 20)).layers(), "A")
    store = renamed(_warehouse().layers(corner=(CORNER[0] + 200, CORNER[1])), "Z")
    both = [
        pd.concat([one, other], ignore_index=True)
        if len(one) and len(other)
        else (one if len(one) else other)
        for one, other in zip(store, house, strict=True)
    ]
    together, _ = audit_solar(*both, BOOK, GROUND)
    for layers, name in ((house, "A"), (store, "Z")):
        alone, _ = audit_solar(*layers, BOOK, GROUND)
        part = together[together["building_id"] == name].reset_index(drop=True)
        pd.testing.assert_frame_equal(pd.DataFrame(part), pd.DataFrame(alone))
