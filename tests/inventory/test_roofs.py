from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from roofplat.inventory.facts import collect_facts, known_values, reduce_facts
from roofplat.inventory.roofs import divide_roofs, fill_heights, make_roofs, mark_suspended_loads
from roofplat.rules import load_rulebook
from roofplat.tables import conform

# One unit is one foot here: areas can be done in the head.
SHED = shapely.box(0, 0, 100, 60)


def divide(build, rules, outlines, sections=None, walls=(), joints=(), **known_of_buildings):
    footprints = build.footprints(outlines, **known_of_buildings)
    if sections is None:
        sections = build.layer([], building_id=[], basis=[])
    scale = np.ones(len(footprints))
    pieces = divide_roofs(footprints, sections, build.layer(walls), build.layer(joints), scale, rules)
    loose, _ = collect_facts(footprints, (), (), rules)
    facts, _ = reduce_facts(loose, footprints["building_id"].to_numpy(dtype=object), rules)
    known = known_values(facts, len(footprints))
    roofs, _ = make_roofs(pieces, footprints, sections, known, scale, rules)
    return pieces, conform("roofs", roofs)


def draw(build, shapes, ids=None, basis="drawn", **columns):
    n = len(shapes)
    return build.layer(shapes, building_id=ids or [None] * n, basis=[basis] * n, **columns)


def problem_codes(pieces):
    return pieces.problems[["feature", "code"]].to_numpy().tolist()


def areas(roofs, column="area_ft2"):
    return dict(zip(roofs["section_id"], roofs[column].round(6), strict=True))


def undivided(roofs):
    return areas(roofs, "undivided_ft2")


def test_one_section_a_building_and_one_a_part(build, rules):
    apart = shapely.MultiPolygon([build.square(200), shapely.box(300, 0, 400, 10)])
    pieces, roofs = divide(build, rules, {"a": SHED, "b": apart})
    assert areas(roofs) == undivided(roofs) == {"a/1": 6000.0, "b/1": 1000.0, "b/2": 100.0}
    assert roofs["roof_family"].eq("unknown").all()
    assert roofs["roof_family_basis"].isna().all()
    assert roofs["height_ft_basis"].eq("assumed").all()
    assert pieces.problems.empty


def test_equal_parts_are_numbered_from_west_then_south(build, rules):
    four = shapely.MultiPolygon([build.square(x, y) for x in (20, 0) for y in (20, 0)])
    _, roofs = divide(build, rules, {"a": four})
    corner = [tuple(polygon.bounds[:2]) for polygon in roofs.geometry]
    assert corner == [(0, 0), (0, 20), (20, 0), (20, 20)]


def test_a_drawn_section_is_clipped_and_the_rest_is_a_section(build, rules):
    sections = draw(build, [shapely.box(-5, -5, 40, 65)], roof_family=["panelized_wood"], basis="surveyed")
    pieces, roofs = divide(build, rules, {"a": SHED}, sections)
    assert areas(roofs) == {"a/1": 3600.0, "a/2": 2400.0}
    assert roofs["roof_family"].tolist() == ["unknown", "panelized_wood"]
    assert roofs["roof_family_basis"].isna().tolist() == [True, False]
    assert roofs["roof_family_basis"][1] == "surveyed"
    assert pieces.sections_used.size == 1


def test_drawings_mostly_outside_or_of_a_strange_building(build, rules):
    outlines = {"a": SHED, "b": shapely.box(200, 0, 300, 60)}
    sections = draw(
        build,
        [shapely.box(60, 0, 150, 60), shapely.box(200, 0, 250, 60), shapely.box(250, 0, 300, 60)],
        [None, "a", "z"],
    )
    pieces, roofs = divide(build, rules, outlines, sections)
    # 0 has 40 of 90 inside a; 1 names a but lies in b; 2 names nobody and is placed by its outline.
    assert problem_codes(pieces) == [
        ["2", "section_id_unknown"],
        ["0", "section_outside_building"],
        ["1", "section_outside_building"],
    ]
    assert areas(roofs) == {"a/1": 6000.0, "b/1": 3000.0, "b/2": 3000.0}
    assert pieces.sections_used.size == 1


def test_overlapping_drawings_go_to_the_better_basis_then_the_smaller(build, rules):
    sections = draw(build, [shapely.box(0, 0, 60, 60), shapely.box(50, 0, 100, 60)])
    pieces, roofs = divide(build, rules, {"a": SHED}, sections)
    assert areas(roofs) == {"a/1": 3000.0, "a/2": 3000.0}
    assert problem_codes(pieces) == [["0", "sections_overlap"]]
    sections["basis"] = pd.Series(["surveyed", "drawn"], dtype="str")
    pieces, roofs = divide(build, rules, {"a": SHED}, sections)
    assert areas(roofs) == {"a/1": 3600.0, "a/2": 2400.0}
    assert problem_codes(pieces) == [["1", "sections_overlap"]]


def test_a_sliver_beside_a_drawing_is_joined_to_it(build, rules):
    # 0.2 ft is left along one wall: 12 square feet, under the least of 30.
    pieces, roofs = divide(build, rules, {"a": SHED}, draw(build, [shapely.box(0, 0, 99.8, 60)]))
    assert areas(roofs) == {"a/1": 6000.0}
    assert problem_codes(pieces) == [["a", "sliver_joined"]]


def test_a_small_part_away_from_the_drawing_stays_a_section(build, rules):
    hut = shapely.box(200, 0, 205, 5)
    pieces, roofs = divide(build, rules, {"a": shapely.MultiPolygon([SHED, hut])}, draw(build, [SHED]))
    assert areas(roofs) == {"a/1": 6000.0, "a/2": 25.0}
    assert problem_codes(pieces) == [["a", "sliver_kept"]]


def test_a_fire_wall_divides_and_reaches_over_a_small_gap(build, rules):
    walls = [
        shapely.LineString([(40, -10), (40, 59)]),  # 1 ft short of the north wall
        shapely.LineString([(70, 5), (70, 55)]),  # 5 ft short of both
        shapely.LineString([(0, 60), (100, 60)]),  # along the wall
        shapely.LineString([(500, 0), (500, 60)]),  # somewhere else
    ]
    pieces, roofs = divide(build, rules, {"a": SHED}, walls=walls)
    assert areas(roofs) == undivided(roofs) == {"a/1": 3600.0, "a/2": 2400.0}
    assert problem_codes(pieces) == [[name, "fire_wall_divides_nothing"] for name in "123"]
    assert pieces.fire_walls_used.size == 1


def test_two_fire_walls_that_only_divide_together(build, rules):
    tee = [shapely.LineString([(40, 0), (40, 60)]), shapely.LineString([(40, 30), (100, 30)])]
    pieces, roofs = divide(build, rules, {"a": SHED}, walls=tee)
    assert areas(roofs) == {"a/1": 2400.0, "a/2": 1800.0, "a/3": 1800.0}
    assert pieces.fire_walls_used.size == 2
    assert pieces.problems.empty


def test_a_courtyard_needs_two_fire_walls_and_stays_open(build, rules):
    ring = SHED.difference(shapely.box(40, 20, 60, 40))
    one = shapely.LineString([(0, 30), (40, 30)])
    pieces, roofs = divide(build, rules, {"a": ring}, walls=[one])
    assert areas(roofs) == {"a/1": 5600.0}
    assert problem_codes(pieces) == [["0", "fire_wall_divides_nothing"]]
    pieces, roofs = divide(build, rules, {"a": ring}, walls=[one, shapely.LineString([(60, 30), (100, 30)])])
    assert areas(roofs) == {"a/1": 2800.0, "a/2": 2800.0}
    assert pieces.fire_walls_used.size == 2


@pytest.mark.parametrize(
    ("basis", "axis", "how"),
    [("surveyed", 90.0, "surveyed"), ("drawn", 0.0, "drawn"), ("inferred", 0.0, "drawn")],
)
def test_a_drawing_of_the_whole_roof_gives_way_to_what_is_better_known(build, rules, basis, axis, how):
    """An axis surveyed for the building once stayed as the district's layer of sections had it."""
    whole = draw(build, [SHED], framing_axis_deg=[0.0], deck=["plywood"])
    _, roofs = divide(build, rules, {"a": SHED}, whole, basis=[basis], framing_axis_deg=[90.0])
    assert roofs[["framing_axis_deg", "framing_axis_deg_basis"]].to_numpy().tolist() == [[axis, how]]
    assert roofs["deck"].tolist() == ["plywood"]
    # Of two sections nobody says which one was meant.
    half = draw(build, [shapely.box(0, 0, 100, 30)], framing_axis_deg=[0.0])
    _, roofs = divide(build, rules, {"a": SHED}, half, basis=[basis], framing_axis_deg=[90.0])
    assert sorted(roofs["framing_axis_deg"]) == [0.0, 90.0]


def test_a_fire_wall_divides_a_drawn_section_and_both_keep_its_words(build, rules):
    sections = draw(build, [shapely.box(0, 0, 100, 30)], deck=["plywood"])
    walls = [shapely.LineString([(25, 0), (25, 60)])]
    _, roofs = divide(build, rules, {"a": SHED}, sections, walls)
    assert areas(roofs) == {"a/1": 2250.0, "a/2": 2250.0, "a/3": 750.0, "a/4": 750.0}
    drawn = roofs["deck"].eq("plywood").to_numpy()
    assert [polygon.bounds[1] for polygon in roofs.geometry[drawn]] == [0.0, 0.0]
    assert roofs["deck_basis"][drawn].tolist() == ["drawn", "drawn"]


def test_an_expansion_joint_divides_the_roof_but_stops_no_fire(build, rules):
    joints = [
        shapely.LineString([(20, 0), (20, 60)]),
        shapely.LineString([(500, 0), (500, 60)]),  # somewhere else
    ]
    pieces, roofs = divide(build, rules, {"a": SHED}, walls=[shapely.LineString([(60, 0), (60, 60)])],
                           joints=joints)  # fmt: skip
    assert areas(roofs) == {"a/1": 2400.0, "a/2": 2400.0, "a/3": 1200.0}
    # West of the fire wall lie 60 by 60 ft on both sides of the joint; east of it 40 by 60.
    assert undivided(roofs) == {"a/1": 3600.0, "a/2": 2400.0, "a/3": 3600.0}
    assert (pieces.fire_walls_used.size, pieces.joints_used.size) == (1, 1)
    assert pieces.problems[["layer", "feature", "code"]].to_numpy().tolist() == [
        ["expansion_joints", "1", "expansion_joint_divides_nothing"]
    ]


def test_a_fire_goes_round_a_wall_that_ends_at_a_joint_or_a_drawing(build, rules):
    joint = [shapely.LineString([(40, 0), (40, 60)])]
    wall = [shapely.LineString([(40, 30), (100, 30)])]
    _, roofs = divide(build, rules, {"a": SHED}, walls=wall, joints=joint)
    assert areas(roofs) == {"a/1": 2400.0, "a/2": 1800.0, "a/3": 1800.0}
    assert set(undivided(roofs).values()) == {6000.0}
    _, roofs = divide(build, rules, {"a": SHED}, draw(build, [shapely.box(40, 0, 100, 60)]), wall)
    assert areas(roofs) == {"a/1": 2400.0, "a/2": 1800.0, "a/3": 1800.0}
    assert set(undivided(roofs).values()) == {6000.0}


def test_a_fire_does_not_cross_from_part_to_part(build, rules):
    parts = shapely.MultiPolygon([SHED, shapely.box(200, 0, 210, 10)])
    _, roofs = divide(build, rules, {"a": parts, "b": shapely.box(0, 100, 30, 110)},
                      joints=[shapely.LineString([(50, -5), (50, 65)])])  # fmt: skip
    assert areas(roofs) == {"a/1": 3000.0, "a/2": 3000.0, "a/3": 100.0, "b/1": 300.0}
    assert undivided(roofs) == {"a/1": 6000.0, "a/2": 6000.0, "a/3": 100.0, "b/1": 300.0}


def test_heights(rules):
    height, basis = fill_heights(
        pd.Series([15.0, None, None, None, None]),
        pd.Series(["surveyed", None, None, None, None], dtype="str"),
        pd.Series([9, 1, 3, None, 0], dtype="Int64"),
        load_rulebook({"ladder.default_height_ft.one_storey": 18.0, "ladder.default_height_ft.storey": 11.0}),
    )
    assert height.tolist() == [15.0, 18.0, 33.0, 18.0, 18.0]
    assert basis.tolist() == ["surveyed", "inferred", "inferred", "assumed", "assumed"]


@pytest.mark.parametrize(
    ("said", "said_basis", "hung_basis", "expected"),
    [
        (None, None, "drawn", (True, "drawn")),
        (False, "surveyed", "drawn", (False, "surveyed")),
        (False, "drawn", "drawn", (True, "drawn")),
        (False, "assumed", "recorded", (True, "recorded")),
    ],
)
def test_a_hung_load_marks_its_section_unless_better_is_known(
    build, rules, said, said_basis, hung_basis, expected
):
    _, roofs = divide(build, rules, {"a": SHED}, walls=[shapely.LineString([(40, 0), (40, 60)])])
    roofs["suspended_load"] = pd.Series([said] * 2, dtype="boolean")
    roofs["suspended_load_basis"] = pd.Series([said_basis] * 2, dtype="str")
    # It touches the fire wall from the small side.
    hung = build.layer(
        [shapely.box(30, 10, 40, 20)], building_id=["a"], kind=["suspended_load"], basis=[hung_basis]
    )
    marked = mark_suspended_loads(roofs, hung)
    assert (marked["suspended_load"][1], marked["suspended_load_basis"][1]) == expected
    assert marked.drop(index=1).equals(roofs.drop(index=1))


grid = st.integers(-2, 12)


@st.composite
def drawings(draw):
    outlines = {}
    count = draw(st.integers(1, 3))
    place = st.integers(0, count - 1)
    for number in range(count):
        x = 200 * number
        outline = shapely.box(x, 0, x + 100, 100)
        shape = draw(st.sampled_from(["box", "L", "yard", "parts"]))
        if shape == "L":
            outline = outline.difference(shapely.box(x + 50, 50, x + 100, 100))
        elif shape == "yard":
            outline = outline.difference(shapely.box(x + 30, 30, x + 60, 70))
        elif shape == "parts":
            outline = outline.difference(shapely.box(x + 40, 0, x + 50, 100))
        outlines[f"b{number}"] = shapely.affinity.rotate(outline, draw(st.sampled_from([0, 17, 45])))
    sections = []
    for _ in range(draw(st.integers(0, 4))):
        x, y = 10 * draw(st.integers(-1, 7)) + 200 * draw(place), 10 * draw(st.integers(-1, 7))
        sections.append(shapely.box(x, y, x + 10 * draw(st.integers(2, 7)), y + 10 * draw(st.integers(2, 7))))
    walls = []
    for _ in range(draw(st.integers(0, 4))):
        x = 200 * draw(place)
        ends = [(x + 10 * draw(grid), 10 * draw(grid)) for _ in range(2)]
        if ends[0] != ends[1]:
            walls.append(shapely.LineString(ends))
    joints = [wall for wall in walls if draw(st.booleans())]
    return outlines, sections, [wall for wall in walls if wall not in joints], joints


@settings(deadline=None, max_examples=40, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(drawing=drawings(), seed=st.integers(0, 100))
def test_sections_cover_their_building_without_overlap_in_any_row_order(build, rules, drawing, seed):
    outlines, shapes, walls, joints = drawing
    sections = draw(build, shapes)
    pieces, roofs = divide(build, rules, outlines, sections, walls, joints)
    assert set(roofs["building_id"]) == set(outlines)
    for building_id, outline in outlines.items():
        parts = roofs.geometry[roofs["building_id"] == building_id].tolist()
        assert sum(part.area for part in parts) == pytest.approx(outline.area, abs=0.1)
        assert shapely.union_all(parts).symmetric_difference(outline).area < 0.1
        for one, two in itertools.combinations(parts, 2):
            assert one.intersection(two).area < 1e-6
        # A fire has at least its section to burn, and never more than its building.
        here = roofs[roofs["building_id"] == building_id]
        assert (here["undivided_ft2"] <= outline.area + 1e-6).all()
        if not walls and outline.geom_type == "Polygon":
            assert here["undivided_ft2"].tolist() == pytest.approx([outline.area] * len(here))
        numbers = roofs["part"][roofs["building_id"] == building_id]
        assert numbers.tolist() == list(range(1, len(parts) + 1))
    assert roofs.is_valid.all()
    # Every drawing is used or has a word said about it.
    told = pieces.problems.groupby("layer")["feature"].nunique() if len(pieces.problems) else {}
    assert len(shapes) - pieces.sections_used.size <= told.get("sections", 0)
    assert len(walls) - pieces.fire_walls_used.size == told.get("fire_walls", 0)
    assert len(joints) - pieces.joints_used.size == told.get("expansion_joints", 0)

    rng = np.random.default_rng(seed)
    mixed, joined = ([lines[i] for i in rng.permutation(len(lines))] for lines in (walls, joints))
    shuffled = sections.sample(frac=1, random_state=seed)
    _, again = divide(build, rules, outlines, shuffled, mixed, joined)
    assert again["section_id"].tolist() == roofs["section_id"].tolist()
    np.testing.assert_allclose(again["area_ft2"], roofs["area_ft2"], atol=1e-6)
    np.testing.assert_allclose(again["undivided_ft2"], roofs["undivided_ft2"], atol=1e-6)
    assert again.normalize().geom_equals_exact(roofs.normalize(), 1e-6).all()
