"""Collapse zones: how far walls fall, around what, and for which families farther."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod, Transformer
from shapely import affinity

from roofplat.errors import RuleError
from roofplat.ground import LocalPlanes
from roofplat.placing.collapse import Zones, zone_table
from roofplat.rules import load_rulebook


def _zones(shapes: ModuleType, *boxes: Any, rules: Any = None, obstacles: Any = None, **facts: Any) -> Any:
    roofs = shapes.roofs(*boxes, **facts)
    _, plan = shapes.planned(roofs, rules=rules or load_rulebook(), obstacles=obstacles)
    return plan.collapse_zones.set_index("building_id")


def _feet(shapes: ModuleType, zone: Any) -> Any:
    """The zone in feet about the corner; the scale of the working CRS is 0.9996 there."""
    return shapely.transform(zone, lambda xy: (xy - np.array(shapes.CORNER)) / 0.3048 / 0.9996)


def test_the_zone_is_one_and_a_half_times_the_wall(shapes: ModuleType) -> None:
    """20 ft of wall and 4 ft of parapet: 36 ft around 100 by 60, corners rounded."""
    zone = _zones(shapes, shapes.rectangle(100, 60), parapet_ft=[4.0]).loc["B000"]
    assert (zone["height_ft"], zone["distance_ft"]) == (24.0, 36.0)
    assert zone["rules"] == "collapse.height_share"
    assert not zone["pushes_out"]
    around = _feet(shapes, zone["geometry"])
    np.testing.assert_allclose(around.bounds, (-36, -36, 136, 96), atol=0.05)
    wanted = 36 * 2 * (100 + 60) + np.pi * 36**2
    assert around.area == pytest.approx(wanted, rel=3e-3)
    assert not around.contains(shapely.Point(50, 30))


def test_walls_that_are_pushed_out_fall_twice_as_far(shapes: ModuleType) -> None:
    zone = _zones(shapes, shapes.rectangle(100, 60), roof_family=["bowstring_truss"]).loc["B000"]
    assert (zone["distance_ft"], zone["pushes_out"], zone["rules"]) == (
        40.0,
        True,
        "collapse.pushes_out_share",
    )


def test_a_drawn_parapet_and_an_assumed_height_count(shapes: ModuleType) -> None:
    drawn = shapes.obstacles(("parapet", "B000", shapely.LineString([(10, 0), (40, 0)]), 6.0))
    zones = _zones(
        shapes,
        shapes.rectangle(100, 60),
        shapes.rectangle(50, 60, west=300),
        obstacles=drawn,
        height_ft=[18.0, pd.NA],
        height_ft_basis=["recorded", None],
    )
    assert zones["height_ft"].tolist() == [24.0, 20.0]
    assert zones["height_basis"].tolist() == ["recorded", "assumed"]


def test_a_gable_counts_to_its_peak(shapes: ModuleType) -> None:
    """40 ft across at 45 degrees: the gable ends stand 20 ft above 10 ft of eaves."""
    zone = _zones(
        shapes,
        shapes.rectangle(100, 40),
        roof_family=["sawn_rafter_pitched"],
        roof_shape=["gabled"],
        slope_deg=[45.0],
        height_ft=[10.0],
    ).loc["B000"]
    assert zone["height_ft"] == pytest.approx(30.0, abs=0.01)


def test_sections_of_a_building_have_one_zone_and_the_highest_wall(shapes: ModuleType) -> None:
    zones = _zones(
        shapes,
        shapes.rectangle(60, 60),
        shapes.rectangle(40, 60, west=60),
        building_id=["B000", "B000"],
        part=[1, 2],
        height_ft=[12.0, 30.0],
        roof_family=["lamella", "panelized_wood"],
    )
    assert zones.index.tolist() == ["B000"]
    assert (zones["height_ft"].iloc[0], zones["distance_ft"].iloc[0]) == (30.0, 60.0)
    np.testing.assert_allclose(_feet(shapes, zones.geometry.iloc[0]).bounds, (-60, -60, 160, 120), atol=0.1)


@pytest.mark.parametrize("shape", ["courtyard", "letter_u"])
def test_courtyards_and_bays_lie_in_the_zone(shapes: ModuleType, shape: str) -> None:
    outline = getattr(shapes, shape)()
    around = _feet(shapes, _zones(shapes, outline)["geometry"].iloc[0])
    assert around.contains(shapely.Point(60, 55))
    assert not around.intersects(outline.buffer(-0.1))


def test_a_zone_is_never_less_than_the_wall(shapes: ModuleType) -> None:
    rules = load_rulebook({"collapse.height_share": 0.8})
    with pytest.raises(RuleError, match=r"collapse\.height_share is 0\.8"):
        _zones(shapes, shapes.rectangle(100, 60), rules=rules)


@pytest.mark.parametrize("reverse", [False, True])
def test_four_corners_have_the_zone_of_any_outline(shapes: ModuleType, reverse: bool) -> None:
    """A slanted box of four corners and the same with a fifth on one side: one zone."""
    corners = [(0.0, 0.0), (90.0, 10.0), (80.0, 70.0), (5.0, 60.0)]
    five = [*corners, (2.5, 30.0)]
    around = []
    for ring in (corners, five):
        outline = shapely.Polygon(ring[::-1] if reverse else ring)
        around.append(_zones(shapes, outline).geometry.iloc[0])
    assert shapely.is_valid(around).all()
    assert shapely.get_num_interior_rings(around).tolist() == [1, 1]
    apart = shapely.symmetric_difference(*around)
    assert shapely.area(apart) < 2e-3 * shapely.area(around[0])


def test_a_sharp_corner_is_rounded_as_finely_as_a_square_one(shapes: ModuleType) -> None:
    wedge = shapely.Polygon([(0.0, 0.0), (200.0, 0.0), (200.0, 20.0), (190.0, 20.0)])
    zone = _zones(shapes, wedge).iloc[0]
    rim = shapely.get_exterior_ring(_feet(shapes, zone["geometry"]))
    nearest = shapely.distance(shapely.points(shapely.get_coordinates(shapely.segmentize(rim, 1.0))), wedge)
    assert nearest.min() > 0.99 * zone["distance_ft"]
    assert nearest.max() < 1.001 * zone["distance_ft"]


def test_two_buildings_of_two_sections_each_have_zones_of_their_own(shapes: ModuleType) -> None:
    """Sections are put together by building, not all that have company."""
    zones = _zones(
        shapes,
        *(shapes.rectangle(40, 60, west=west) for west in (0, 40, 1000, 1040)),
        building_id=["B000", "B001", "B001", "B000"],
        part=[1, 1, 2, 2],
    )
    near = [_feet(shapes, zone) for zone in zones.geometry]
    # B000 lies at 0 to 40 and 1,040 to 1,080 ft, B001 between them; 20 ft of wall fall 30 ft.
    for zone, (first, second) in zip(near, [(0, 1040), (40, 1000)], strict=True):
        assert sorted(piece.bounds[0] for piece in shapely.get_parts(zone)) == pytest.approx(
            [first - 30, second - 30], abs=0.05
        )


def test_a_zone_as_far_as_the_wall_is_high_is_allowed(shapes: ModuleType) -> None:
    rules = load_rulebook({"collapse.height_share": 1.0})
    assert _zones(shapes, shapes.rectangle(100, 60), rules=rules)["distance_ft"].tolist() == [20.0]


def test_every_zone_is_geos_buffer_less_the_building_whichever_way_its_ring_runs(shapes: ModuleType) -> None:
    """Mixed kinds of outlines, about the origin: each zone stays with its own building."""
    box = shapely.box(-40, -30, 40, 30)
    wedge = shapely.Polygon([(-50, -20), (60, -35), (45, 25), (-30, 40)])
    yard = shapely.Polygon(box.exterior, [shapely.box(-30, -20, 30, 20).exterior])
    two = shapely.MultiPolygon([shapely.box(-200, -30, -120, 30), box])
    outlines = [shapes.letter_u(), box, yard, shapely.reverse(box), two, wedge, shapely.reverse(wedge)]
    outlines += [shapely.Polygon([(0, 0), (60, 5), (20, 50)])]
    count = len(outlines)
    reach = np.linspace(10.0, 45.0, count)
    zones = Zones(
        footprint=np.array(outlines, dtype=object),
        planes=LocalPlanes(np.zeros(count), np.zeros(count), *np.tile(np.eye(2), (2, count, 1, 1))),
        height_ft=reach / 1.5,
        section=np.arange(count),
        distance_ft=reach,
        pushes_out=np.zeros(count, dtype=bool),
    )
    roofs = shapes.roofs(*(shapes.rectangle(10, 10, west=20 * place) for place in range(count)))
    made = zone_table(zones, roofs).frame().geometry.to_numpy()
    assert shapely.is_valid(made).all()
    wanted = shapely.difference(shapely.buffer(outlines, reach, quad_segs=64), outlines)
    # Round corners are drawn with straight pieces, eight to a quarter.
    corners = 1e-2 * np.pi * reach**2 * shapely.get_num_geometries(outlines)
    assert (shapely.area(shapely.symmetric_difference(made, wanted)) < corners).all()
    assert (shapely.area(made) <= shapely.area(wanted) + 1e-6).all()


def test_a_hair_between_two_sections_is_no_ground(shapes: ModuleType) -> None:
    """Where a roof was cut, a slit a millionth of a foot wide was in the zone, or was not, by rounding."""
    west, east = shapely.box(0, 0, 60, 40), shapely.box(60 + 1e-6, 0, 130, 40)
    made = shapes.roofs(west, east, building_id=["B", "B"], part=[1, 2])
    _, plan = shapes.planned(made)
    zone = shapes.in_feet(plan.collapse_zones.geometry.to_numpy())[0]
    assert zone.geom_type == "Polygon"
    assert len(zone.interiors) == 1
    assert shapely.Polygon(zone.interiors[0]).area == pytest.approx(130 * 40, abs=0.1)


# Web Mercator, which is wider one way than the other on the ellipsoid, UTM, and a conic in feet.
PLANES = (
    "EPSG:3857",
    "EPSG:32613",
    "+proj=lcc +lat_1=39 +lat_2=41 +lat_0=38 +lon_0=-105.5 +x_0=600000 +y_0=100000 +datum=WGS84 +units=us-ft",
)


def _zones_drawn_in(shapes: ModuleType, crs: str) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Zones and roofs, planned in a CRS, in longitude and latitude."""
    yard = shapes.courtyard()
    wide = shapes.rectangle(700, 250)
    wedge = shapely.Polygon([(0, 0), (200, 0), (200, 20), (190, 20)])
    outlines = [shapes.letter_l(), yard, wide, wedge, shapes.rectangle(60, 80), shapes.rectangle(70, 80)]
    outlines = [
        affinity.translate(shapes.turned(outline, 17.0 * place), 900.0 * place, -300.0 * place)
        for place, outline in enumerate(outlines)
    ]
    # The last two lie wall to wall, and are one building.
    outlines[5] = affinity.translate(shapes.turned(shapely.box(60, 0, 130, 80), 17.0 * 4), 3600.0, -1200.0)
    families = ["panelized_wood", "panelized_wood", "bowstring_truss", *["panelized_wood"] * 3]
    roofs = shapes.roofs(
        *outlines,
        building_id=["L", "yard", "wide", "wedge", "two", "two"],
        part=[1, 1, 1, 1, 1, 2],
        height_ft=[20.0, 31.0, 45.0, 15.0, 60.0, 25.0],
        roof_family=families,
    ).to_crs(crs)
    _, plan = shapes.planned(roofs)
    return plan.collapse_zones.to_crs("EPSG:4326"), roofs.to_crs("EPSG:4326")


def test_the_rim_of_a_zone_lies_as_far_off_the_wall_as_it_says_in_any_plane(shapes: ModuleType) -> None:
    """By pyproj.Geod, to 0.02 ft; in Web Mercator rims were 0.3 ft off."""
    geod = Geod(ellps="WGS84")
    rims = {}
    for crs in PLANES:
        zones, roofs = _zones_drawn_in(shapes, crs)
        for building, zone, wanted_ft in zip(
            zones["building_id"], zones.geometry, zones["distance_ft"], strict=True
        ):
            own = roofs.geometry[(roofs["building_id"] == building).to_numpy()].union_all()
            # Only to find the nearest place of the wall: what is measured is measured on the ellipsoid.
            plane = Transformer.from_crs(
                "EPSG:4326", f"+proj=aeqd +lon_0={own.centroid.x} +lat_0={own.centroid.y}", always_xy=True
            )

            def carry(xy: Any, plane: Any = plane) -> Any:
                return np.column_stack(plane.transform(xy[:, 0], xy[:, 1]))

            wall = shapely.transform(own, carry)
            # The courtyard is a part of its own.
            rim = shapely.get_coordinates(max(shapely.get_parts(zone), key=lambda part: part.length).exterior)
            ends = shapely.get_coordinates(shapely.shortest_line(shapely.points(carry(rim)), wall))[1::2]
            lon, lat = plane.transform(*ends.T, direction="INVERSE")
            apart_ft = geod.inv(*rim.T, lon, lat)[2] / 0.3048
            assert apart_ft.max() == pytest.approx(wanted_ft, abs=0.02), (crs, building)
            # At the bend of a recess two pieces of round corners meet, a little inside both.
            assert (np.abs(apart_ft - wanted_ft) < 0.02).mean() > 0.9, (crs, building)
            assert apart_ft.min() > 0.99 * wanted_ft, (crs, building)
            rims.setdefault(building, []).append(
                shapely.transform(shapely.LineString(rim), lambda xy, carry=carry: carry(xy) / 0.3048)
            )
    apart = [
        shapely.hausdorff_distance(rims[building][0], other) for building in rims for other in rims[building]
    ]
    assert len(apart) == 3 * 5
    assert max(apart) < 0.02
