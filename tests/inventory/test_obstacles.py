from __future__ import annotations

import numpy as np
import shapely

from roofplat.inventory.obstacles import place_fires, place_obstacles


def obstacles(build, **things):
    n = len(things)
    named = {"line": "overhead_line", "parapet": "parapet"}
    kinds = [named.get(name.rstrip("0123456789"), "unit") for name in things]
    return build.layer(
        things.values(), obstacle_id=list(things), kind=kinds, voltage_kv=[None] * n, height_ft=[3.0] * n,
        basis=["recorded"] * n, note=[None] * n,
    )  # fmt: skip


def place(footprints, things, rules):
    return place_obstacles(footprints, things, np.ones(len(footprints)), rules)


def test_each_obstacle_lies_on_the_building_that_holds_most_of_it(build, rules):
    footprints = build.footprints({"b": build.square(0), "a": build.square(10), "c": build.square(30)})
    things = obstacles(
        build,
        unit=shapely.box(8, 2, 11, 4),  # two thirds on b
        even=shapely.box(9, 5, 11, 6),  # half and half
        pole=shapely.Point(10, 5),  # on the shared wall
        pipe=shapely.LineString([(5, 1), (40, 1)]),  # 5 on b, 10 on a, 10 on c
        yard=shapely.box(-3, 0, 0, 3),  # leans on the wall of b from outside
        line=shapely.LineString([(-5, 5), (45, 5)]),
    )
    placed, problems = place(footprints, things.sample(frac=1, random_state=3), rules)
    under = placed.set_index("obstacle_id")["building_id"]
    assert under.dropna().to_dict() == {"unit": "b", "even": "a", "pole": "a", "pipe": "a"}
    assert placed["obstacle_id"].tolist() == sorted(things["obstacle_id"])
    assert problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["yard", "obstacle_outside_buildings", "warning"]
    ]


def test_an_obstacle_outside_every_building_is_named(build, rules):
    placed, problems = place(
        build.footprints({"a": build.square(0)}), obstacles(build, unit=shapely.Point(50, 50)), rules
    )
    assert placed["building_id"].isna().all()
    (row,) = problems.to_dict("records")
    assert row["message"] == "Obstacle unit (unit) lies on no building."


def test_a_parapet_belongs_to_the_building_it_runs_along(build, rules):
    footprints = build.footprints({"b": build.square(0, side=30), "a": build.square(30, side=30)})
    things = obstacles(
        build,
        parapet1=shapely.LineString([(0, 30), (30, 30)]),  # on the outline
        parapet2=shapely.LineString([(0, -1), (30, -1)]),  # a foot outside
        parapet3=shapely.LineString([(5, 29.5), (25, 31)]),  # in and out
        parapet4=shapely.LineString([(30, 0), (30, 30)]),  # on the shared wall: the smallest id
        parapet5=shapely.LineString([(0, 36), (30, 36)]),  # 6 ft off, past the reach of 5
    )
    placed, problems = place(footprints, things, rules)
    assert placed["building_id"].fillna("none").tolist() == ["b", "b", "b", "a", "none"]
    assert placed.geometry.geom_equals(things.geometry).all()
    assert problems["feature"].tolist() == ["parapet5"]


def test_no_obstacles(build, rules):
    placed, problems = place(build.footprints({"a": build.square(0)}), obstacles(build), rules)
    assert placed.empty
    assert placed.crs == build.crs
    assert problems.empty


def test_one_fire_a_building_and_only_inside(build):
    footprints = build.footprints({"a": build.square(0), "b": build.square(10)})
    points = shapely.points([(5, 5), (6, 6), (15, 5), (10, 5), (50, 50), (15, 6)])
    fires = build.layer(points, building_id=[None, "A", None, "b", None, "nobody"])
    placed, problems = place_fires(footprints, fires.sample(frac=1, random_state=1))
    assert placed["building_id"].tolist() == ["a", "b"]
    assert placed.geometry.tolist() == [shapely.Point(5, 5), shapely.Point(15, 5)]
    assert sorted(problems[["feature", "code"]].itertuples(index=False, name=None)) == [
        ("1", "several_fires"),
        ("3", "several_fires"),
        ("4", "fire_outside_building"),
        ("5", "fire_outside_building"),
    ]
    assert problems["severity"].eq("warning").all()
