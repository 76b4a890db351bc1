"""Labels never overlap, never leave the box, never hide a thing, and never vanish."""

from __future__ import annotations

import itertools

import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from roofplat.publish.sheet.labels import Label, Placement, Spot, place_labels, spots_around
from roofplat.publish.sheet.paper import Box

BOX = Box(20, 10, 300, 200)
PAGE = shapely.box(20, 10, 320, 210)
# Boxes that only touch share an edge and no paper.
HAIR = 1e-6

across = st.floats(BOX.x, BOX.x + BOX.width)
up = st.floats(BOX.y, BOX.y + BOX.height)
words = st.text("abcdefgh 123", min_size=1, max_size=18)


@st.composite
def _labels(draw: st.DrawFn) -> Label:
    x, y = draw(across), draw(up)
    plain = Label((draw(words),), (x, y), (), roams=draw(st.booleans()))
    lines = plain.lines * draw(st.integers(1, 2))
    badge: tuple[str, str] | None = draw(st.sampled_from([None, ("disc", "1"), ("square", "2")]))
    label = Label(lines, (x, y), (), roams=plain.roams, badge=badge)  # type: ignore[arg-type]
    turn = draw(st.sampled_from([0.0, 90.0, 17.0, -63.0]))
    spots = (Spot(x, y, turn), *spots_around((x, y, x, y), label.extent))
    return Label(lines, (x, y), spots, roams=label.roams, badge=label.badge)


def _lawful(found: Placement, labels: list[Label]) -> None:
    boxes = [placed.outline for placed in found.placed]
    for one, other in itertools.combinations(boxes, 2):
        assert one.intersection(other).area < HAIR
    for box in boxes:
        assert box.difference(PAGE).area < HAIR
    leaders = [shapely.LineString(placed.leader) for placed in found.placed if placed.leader]
    for placed in found.placed:
        others = [
            line for line in leaders if placed.leader is None or list(line.coords) != list(placed.leader)
        ]
        for line in others:
            assert line.intersection(placed.outline).length < HAIR
    # Every label stands on the drawing or in the list.
    marks = [reference for reference in found.references if reference.marked]
    assert len(found.placed) - len(marks) + len(found.references) == len(labels)
    assert [reference.number for reference in found.references] == list(range(1, len(found.references) + 1))


@settings(max_examples=60)
@given(st.lists(_labels(), max_size=30))
def test_no_two_overlap_and_none_leaves_the_box(labels: list[Label]) -> None:
    _lawful(place_labels(labels, hard=[], soft=[], box=BOX), labels)


@settings(max_examples=40)
@given(st.lists(_labels(), max_size=12), st.lists(st.tuples(across, up, across, up), min_size=1, max_size=6))
def test_no_text_lies_on_a_thing(labels: list[Label], ends: list[tuple[float, float, float, float]]) -> None:
    walls = [shapely.LineString([(a, b), (c, d)]) for a, b, c, d in ends if (a, b) != (c, d)]
    found = place_labels(labels, hard=walls, soft=[], box=BOX)
    _lawful(found, labels)
    for placed in found.placed:
        assert not shapely.intersects(placed.outline.buffer(-HAIR), walls).any()


def test_same_labels_same_places() -> None:
    labels = [
        Label((f"unit {k}",), (100 + k % 3, 100.0), spots_around((98, 98, 104, 104), (40, 10)))
        for k in range(25)
    ]
    first, second = (place_labels(labels, hard=[], soft=[], box=BOX) for _ in range(2))
    assert [(p.x, p.y, p.leader) for p in first.placed] == [(p.x, p.y, p.leader) for p in second.placed]


def test_a_far_place_gets_a_leader_that_ends_at_the_thing() -> None:
    unit = shapely.box(140, 90, 180, 130)
    label = Label(("air handler",), (160, 110), (Spot(160, 110),))
    (placed,) = place_labels([label], hard=[unit], soft=[], box=BOX).placed
    assert placed.leader is not None
    start, end = placed.leader
    assert end == (160, 110)
    assert placed.outline.distance(shapely.Point(start)) < HAIR
    assert not placed.outline.intersects(unit)


def test_a_label_may_lie_on_its_own_thing_and_on_no_other() -> None:
    own, other = shapely.box(100, 50, 200, 100), shapely.box(150, 40, 160, 110)
    label = Label(("2",), (120, 75), (Spot(155, 75), Spot(120, 75)), own=frozenset({0}), roams=False)
    (placed,) = place_labels([label], hard=[own, other], soft=[], box=BOX).placed
    assert (placed.x, placed.y) == (120, 75)


def test_a_place_off_the_lines_is_cheaper() -> None:
    purlin = shapely.LineString([(20, 60), (320, 60)])
    label = Label(("skylight",), (100, 64), (Spot(100, 60), Spot(100, 74, 0.0, 0.1)), roams=False)
    (placed,) = place_labels([label], hard=[], soft=[purlin], box=BOX).placed
    assert placed.y == 74


def test_where_nothing_is_free_the_text_goes_to_the_list() -> None:
    full = shapely.box(20, 10, 320, 210)
    found = place_labels(
        [Label(("unit",), (50, 50), (Spot(50, 50),), says="Unit, air")], hard=[full], soft=[], box=BOX
    )
    assert found.placed == ()
    assert [(one.number, one.text, one.marked) for one in found.references] == [(1, "Unit, air", False)]
