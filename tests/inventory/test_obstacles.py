from __future__ import annotations

import shapely

from roofplat.inventory.obstacles import place_fires, place_obstacles


def obstacles(build, **things):
    n = len(things)
    kinds = ["overhead_line" if name.startswith("line") else "unit" for name in things]
    return build.layer(
        things.values(), obstacle_id=list(things), kind=kinds, voltage_kv=[None] * n, basis=["recorded"] * n,
        note=[None] * n,
    )  # fmt: skip


def test_each_obstacle_lies_on_the_building_that_holds_most_of_it(build):
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
    placed, problems = place_obstacles(footprints, things.sample(frac=1, random_state=3))
    under = placed.set_index("obstacle_id")["building_id"]
    assert under.dropna().to_dict() == {"unit": "b", "even": "a", "pole": "a", "pipe": "a"}
    assert placed["obstacle_id"].tolist() == sorted(things["obstacle_id"])
    assert problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["yard", "obstacle_outside_buildings", "warning"]
    ]


def test_no_obstacles(build):
    placed, problems = place_obstacles(build.footprints({"a": build.square(0)}), obstacles(build))
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
