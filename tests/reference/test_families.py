"""Figures of the roof families, against the sources that they name.

In: the families of the rulebook.
Out: each published or second-hand figure, with its source and how it was seen beside it.
"""

from __future__ import annotations

import math
from types import ModuleType

import pytest
import shapely

from roofplat.rules import load_rulebook

BOOK = load_rulebook()
PUBLISHED, SECOND_HAND = "published", "second-hand"
# Rule, value, how the figure was seen: the source's own page, or second-hand only.
SPACINGS_FT = [
    # APA experts in BD+C, Feb 2007: 2x4 or 2x6 sub-purlins, typically 24 in on centre.
    ("family.panelized_wood.rafter_spacing_ft", 24 / 12, PUBLISHED),
    # The same of the wood deck on a hybrid roof: nailers or sub-purlins under the same sheets.
    ("family.panelized_hybrid.rafter_spacing_ft", 24 / 12, PUBLISHED),
    # WoodWorks, panelized roof systems: hybrid spans are economical at 32 to 60 ft.
    ("family.panelized_hybrid.beam_spacing_ft", 40.0, PUBLISHED),
    # Fire-service study cards: lightweight wood trusses 24 in on centre; so do several trade pages.
    ("family.plate_truss_flat.rafter_spacing_ft", 24 / 12, SECOND_HAND),
    ("family.plate_truss_pitched.rafter_spacing_ft", 24 / 12, SECOND_HAND),
    # Fire-service study cards: conventional gable rafters 16 to 24 in, on a steep pitch up to 36 in.
    ("family.sawn_rafter_pitched.rafter_spacing_ft", 16 / 12, SECOND_HAND),
    # Study cards on a fire-service manual's chapter on vertical ventilation: rafters 12 to 24 in,
    # spanning the short way between bearings.
    ("family.sawn_joist_flat.rafter_spacing_ft", 16 / 12, SECOND_HAND),
    # STRUCTURE magazine, Aug 2014: joists every 5 ft, in a bay of 50 ft joists by 40 ft girders.
    ("family.steel_joist_steel_deck.purlin_spacing_ft", 5.0, PUBLISHED),
    ("family.steel_joist_steel_deck.beam_spacing_ft", 40.0, PUBLISHED),
    # A trade forum: rafters from truss to truss 15 to 20 ft; 16 to 25 ft is from memory.
    ("family.bowstring_truss.beam_spacing_ft", 20.0, SECOND_HAND),
]
# Rule, the range of its source in feet, how it was seen.
RANGES_FT = [
    # Fire academies, common practice: beams 12 to 40 ft apart; WoodWorks: all-wood spans under 40 ft.
    ("family.panelized_wood.span_ft", (8.0, 40.0), PUBLISHED),
    # WoodWorks: hybrid spans are economical at 32 to 60 ft.
    ("family.panelized_hybrid.beam_spacing_ft", (32.0, 60.0), PUBLISHED),
    ("family.panelized_hybrid.span_ft", (20.0, 60.0), PUBLISHED),
    # Study cards: 12 to 24 in, and 16 to 24 in, on a steep pitch up to 36 in, older hips at 36 in.
    ("family.sawn_joist_flat.rafter_spacing_ft", (12 / 12, 24 / 12), SECOND_HAND),
    ("family.sawn_rafter_pitched.rafter_spacing_ft", (12 / 12, 36 / 12), SECOND_HAND),
    # STRUCTURE magazine: 5 ft, alternatively 6 ft 8 in; 4 to 6 ft with a 1.5 in deck is from memory.
    ("family.steel_joist_steel_deck.purlin_spacing_ft", (4.0, 6 + 8 / 12), PUBLISHED),
    # A trade page on the joist institute's tables: K-series joists span up to 60 ft.
    ("family.steel_joist_steel_deck.span_ft", (8.0, 60.0), SECOND_HAND),
    # A trade forum, 15 ft; the classic range ends at 25 ft, from memory.
    ("family.bowstring_truss.beam_spacing_ft", (15.0, 25.0), SECOND_HAND),
]


@pytest.mark.checks(*(row[0] for row in SPACINGS_FT))
@pytest.mark.parametrize(("rule_id", "feet", "status"), SPACINGS_FT, ids=[row[0] for row in SPACINGS_FT])
def test_a_spacing_is_that_of_its_source(rule_id: str, feet: float, status: str) -> None:
    """To a sixteenth of an inch: 16 in are written as 1.33 ft."""
    assert BOOK.number(rule_id) == pytest.approx(feet, abs=1 / 16 / 12)
    assert BOOK[rule_id].status == status


@pytest.mark.checks(*(row[0] for row in RANGES_FT))
@pytest.mark.parametrize(("rule_id", "feet", "status"), RANGES_FT, ids=[row[0] for row in RANGES_FT])
def test_a_range_is_that_of_its_source(rule_id: str, feet: tuple[float, float], status: str) -> None:
    rule = BOOK[rule_id]
    assert rule.range == pytest.approx(feet, abs=1 / 16 / 12)
    assert rule.status == status


def test_the_deck_of_a_panelized_roof_spans_from_rafter_to_rafter() -> None:
    """A sheet of 4 by 8 ft, from memory, has a rafter in its middle at 24 in, published (APA, 2007)."""
    spacing = BOOK.number("family.panelized_wood.rafter_spacing_ft")
    assert 4.0 / spacing == 2.0
    assert BOOK.number("family.panelized_wood.purlin_spacing_ft") == 8.0
    assert BOOK["family.panelized_wood.purlin_spacing_ft"].status == "from memory"


def test_a_hybrid_spans_where_all_wood_does_not() -> None:
    """All-wood spans are commonly under 40 ft, hybrid ones 32 to 60 ft: WoodWorks, published."""
    wood, hybrid = BOOK.families["panelized_wood"], BOOK.families["panelized_hybrid"]
    assert wood.span_limit_ft() == 40.0
    assert hybrid.span_limit_ft() == 60.0
    assert 32.0 <= BOOK.number("family.panelized_hybrid.beam_spacing_ft") <= 60.0
    # It gives way as steel does, so it is a family of its own and as severe as the all-wood one.
    assert hybrid.severity >= wood.severity


@pytest.mark.parametrize(
    "family", [name for name, family in BOOK.families.items() if family.shape == "flat" and name != "unknown"]
)
def test_a_flat_roof_is_low_slope(family: str) -> None:
    """OSHA 29 CFR 1926.500(b), seen second-hand: low-slope is 4:12 and less, 18.43 degrees."""
    rule = BOOK[f"family.{family}.slope_deg"]
    assert rule.range is not None
    assert rule.range[1] == pytest.approx(math.degrees(math.atan2(4, 12)), abs=0.01)
    # A quarter inch to the foot, from memory, drains a flat roof.
    if family != "metal_building":
        assert rule.value == pytest.approx(math.degrees(math.atan2(0.25, 12)), abs=0.01)


@pytest.mark.parametrize(
    ("rule_id", "rise"),
    [
        # All of these are from memory: usual pitches, as inches in twelve.
        ("family.plate_truss_pitched.slope_deg", 5),
        ("family.sawn_rafter_pitched.slope_deg", 6),
        ("family.metal_building.slope_deg", 1),
        ("opening.steepest_deg", 12),
    ],
)
def test_a_pitch_in_twelve_is_an_angle(rule_id: str, rise: int) -> None:
    assert BOOK.number(rule_id) == pytest.approx(math.degrees(math.atan2(rise, 12)), abs=0.03)


def test_what_no_source_gives_does_not_claim_one() -> None:
    """From memory only: I-joists at 16 to 24 in, sawtooth bays of 20 to 25 ft, double tees of 8 to 12 ft,
    frames, Z-purlins and timber bays. They stay defaults that a department may change.
    """
    for rule_id, limits in (
        ("family.wood_i_joist_flat.rafter_spacing_ft", (16 / 12, 24 / 12)),
        ("family.sawtooth.beam_spacing_ft", (20.0, 25.0)),
        ("family.concrete_deck.beam_spacing_ft", (8.0, 12.0)),
        ("family.metal_building.beam_spacing_ft", (20.0, 30.0)),
        ("family.metal_building.purlin_spacing_ft", (4.0, 6.0)),
        ("family.heavy_timber.beam_spacing_ft", (8.0, 24.0)),
    ):
        assert BOOK[rule_id].status == "from memory", rule_id
        assert BOOK[rule_id].range == pytest.approx(limits, abs=1 / 16 / 12), rule_id


def test_a_bay_of_steel_joists_as_the_magazine_draws_it(shapes: ModuleType) -> None:
    """STRUCTURE magazine, Aug 2014, published: a bay of 50 ft by 40 ft with joists every 5 ft.

    Two such bays: one girder between them, and nine joists in the 50 ft from wall to wall.
    """
    framing = shapes.framed(shapes.rectangle(80, 50), roof_family=["steel_joist_steel_deck"])
    assert framing.members.set_index("kind")["count"].to_dict() == {"girder": 1, "joist": 9}
    girder, joist = framing.members.geometry
    feet = 1 / 0.3048 / 0.9996
    assert shapely.length(girder) * feet == pytest.approx(50.0, abs=0.01)
    assert shapely.length(joist) * feet == pytest.approx(9 * 80.0, abs=0.05)


@pytest.mark.checks("opening.between_joists_ft")
def test_the_cut_between_joists_is_no_longer_than_the_fire_codes() -> None:
    """Cut-out space of 4 by 8 ft among solar arrays: IFC 2018 1204.3.3, code summary seen, not the code.

    A small opening of 4 by 4 ft: a department study card, common practice.
    """
    assert BOOK.number("opening.between_joists_ft") == 8.0
    assert BOOK.number("opening.small_ft") == 4.0


OPENINGS_FT = [
    # Cut-out space of 4 by 8 ft among solar arrays: IFC 2018 1204.3.3, code summary seen only.
    ("opening.joist_width_ft", 4.0, "IFC 2018 1204.3.3"),
    ("opening.joist_length_ft", 8.0, "IFC 2018 1204.3.3"),
    # A house is opened 3 by 3 or 4 by 4 ft: Salka, Firehouse 2017-11, seen second-hand.
    ("opening.ridge_length_ft", 4.0, "Salka, Firehouse 2017-11"),
]


@pytest.mark.checks(*(row[0] for row in OPENINGS_FT))
@pytest.mark.parametrize(("rule_id", "feet", "source"), OPENINGS_FT)
def test_an_opening_between_joists_or_rafters_is_as_large_as_its_source_says(
    rule_id: str, feet: float, source: str
) -> None:
    assert BOOK.number(rule_id) == feet
    assert BOOK[rule_id].status == SECOND_HAND
    assert source in BOOK[rule_id].source


@pytest.mark.parametrize(
    ("family", "inches", "feet"),
    [
        # Two louvers of two joists, four of two, three of two: the code's 8 ft, from joists of the cards.
        ("sawn_joist_flat", 24, (8.0, 4.0)),
        ("sawn_joist_flat", 12, (8.0, 4.0)),
        ("sawn_joist_flat", 16, (8.0, 4.0)),
        # Two spaces of 24 in, four of 12, three of 16: the house's 4 by 4 ft.
        ("sawn_rafter_pitched", 24, (4.0, 4.0)),
        ("sawn_rafter_pitched", 12, (4.0, 4.0)),
        ("sawn_rafter_pitched", 16, (4.0, 4.0)),
        # Two spaces of 19.2 in are as much of either as whole members give: the house's 3 by 3 at least.
        ("sawn_joist_flat", 19.2, (6.4, 4.0)),
        ("sawn_rafter_pitched", 19.2, (3.2, 4.0)),
    ],
)
def test_openings_between_members_have_the_sources_size(
    shapes: ModuleType, family: str, inches: float, feet: tuple[float, float]
) -> None:
    """IFC 2018 1204.3.3: 4 by 8 ft. Salka, Firehouse 2017-11: a house 3 by 3 or 4 by 4 ft."""
    roofs = shapes.roofs(
        shapes.rectangle(80, 28), roof_family=[family], rafter_spacing_ft=[inches / 12], slope_deg=[26.57]
    )
    _, plan = shapes.planned(roofs)
    assert len(plan.openings)
    for _, opening in plan.openings.iterrows():
        assert (opening["length_ft"], opening["width_ft"]) == pytest.approx(feet, abs=0.01)
