"""What the families say of spacings, and what a record says against it."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from roofplat.framing.spacings import kinds_of, spacings_of
from roofplat.rules import load_rulebook
from roofplat.tables import BASES


def test_each_family_is_asked_once_and_every_section_answered(shapes: ModuleType) -> None:
    asked = []

    def ask(family: object) -> str:
        asked.append(family.id)  # type: ignore[attr-defined]
        return f"a roof of {family.id}"  # type: ignore[attr-defined]

    families = pd.Series(["lamella", "sawtooth", "thatch", None, "lamella"], dtype="str")
    answers = kinds_of(families, shapes.RULES).ask(ask)
    assert asked == ["lamella", "sawtooth"]
    assert answers.tolist() == ["a roof of lamella", "a roof of sawtooth", None, None, "a roof of lamella"]


def test_spacings_of_all_ways_of_framing(shapes: ModuleType) -> None:
    families = [
        "panelized_wood",
        "sawn_joist_flat",
        "sawn_rafter_pitched",
        "bowstring_truss",
        "lamella",
        None,
    ]
    found = spacings_of(shapes.roofs(*[shapes.rectangle(80, 60)] * 6, roof_family=families), shapes.RULES)
    assert found.framing.tolist() == ["grid", "joists", "pitched", "trusses", "walls", "walls"]
    nothing = np.nan
    np.testing.assert_array_equal(found.beam_ft, [20.0, nothing, nothing, 20.0, nothing, nothing])
    np.testing.assert_array_equal(found.purlin_ft, [8.0] + [nothing] * 5)
    np.testing.assert_array_equal(found.rafter_ft, [2.0, 1.33, 1.33, nothing, nothing, nothing])
    # Joists: three louvers of two spaces of 16 in go into 8 ft, and half a space stays on either side.
    # Under a ridge: three spaces of 16 in go into 4 ft, and half a space stays on either side.
    np.testing.assert_allclose(found.lattice_beam_ft, [20.0, 7 * 1.33, 4 * 1.33, 20.0, nothing, nothing])
    # Along joists 4 ft, and a foot on either side.
    np.testing.assert_array_equal(found.lattice_purlin_ft, [8.0, 6.0] + [nothing] * 4)
    np.testing.assert_allclose(found.side_clear_ft, [1.0, 1.33 / 2, 1.33 / 2, 1.0, 1.0, 1.0])
    assert found.purlins_bear.tolist() == [True, False, True, True, True, True]
    assert found.least_ft.tolist() == [20.0, 10.0, 20.0, 20.0, 20.0, 20.0]
    assumed = BASES.index("assumed")
    assert found.basis.tolist() == [assumed] * 4 + [-1, -1]


def test_the_weakest_of_the_spacings_in_force_tells_how_they_are_known(shapes: ModuleType) -> None:
    """A spacing that the family does not have neither counts nor weakens."""
    known = {"rafter_spacing_ft": [2.0, 2.0, None], "beam_spacing_ft": [18.0, 18.0, 18.0]}
    roofs = shapes.roofs(
        *[shapes.rectangle(80, 60)] * 3,
        roof_family=["plate_truss_flat", "panelized_wood", "bowstring_truss"],
        **known,
        beam_spacing_ft_basis=["inferred", "inferred", "drawn"],
    )
    found = spacings_of(roofs, shapes.RULES)
    assert [BASES[basis] for basis in found.basis] == ["surveyed", "assumed", "drawn"]
    np.testing.assert_array_equal(found.beam_ft, [np.nan, 18.0, 18.0])


@pytest.mark.parametrize(
    ("inches", "spaces", "cut_ft", "side_in"),
    [(12, 9, 8.0, 6.0), (16, 7, 8.0, 8.0), (19.2, 5, 6.4, 9.6), (24, 5, 8.0, 12.0)],
)
def test_a_bay_between_joists_by_hand(
    shapes: ModuleType, inches: float, spaces: int, cut_ft: float, side_in: float
) -> None:
    """Louvers of two joists in 8 ft: four of 2 ft, three of 2 ft 8, two of 3 ft 2.4, two of 4 ft."""
    roofs = shapes.roofs(
        shapes.rectangle(80, 60), roof_family=["sawn_joist_flat"], rafter_spacing_ft=[inches / 12]
    )
    found = spacings_of(roofs, shapes.RULES)
    assert found.lattice_beam_ft[0] == pytest.approx(spaces * inches / 12)
    assert found.side_clear_ft[0] * 12 == pytest.approx(side_in)
    assert found.lattice_beam_ft[0] - 2 * found.side_clear_ft[0] == pytest.approx(cut_ft)


def test_sixteen_inches_as_the_rulebook_writes_them(shapes: ModuleType) -> None:
    """1.33 ft: six spaces are 7.98 ft, and the cut runs 0.665 ft, 8 in, off the joists."""
    found = spacings_of(shapes.roofs(shapes.rectangle(80, 60), roof_family=["sawn_joist_flat"]), shapes.RULES)
    assert found.lattice_beam_ft[0] == pytest.approx(9.31)
    assert found.side_clear_ft[0] == pytest.approx(0.665)
    assert found.lattice_beam_ft[0] - 2 * found.side_clear_ft[0] == pytest.approx(7.98)


@pytest.mark.parametrize(
    ("inches", "cut_ft", "side_ft"), [(12, 4.0, 0.5), (16, 4.0, 2 / 3), (19.2, 3.2, 0.8), (24, 4.0, 1.0)]
)
def test_a_bay_under_a_ridge_by_hand(
    shapes: ModuleType, inches: float, cut_ft: float, side_ft: float
) -> None:
    """Whole spaces in 4 ft: four, three, two and two."""
    roofs = shapes.roofs(
        shapes.rectangle(80, 60), roof_family=["sawn_rafter_pitched"], rafter_spacing_ft=[inches / 12]
    )
    found = spacings_of(roofs, shapes.RULES)
    assert found.side_clear_ft[0] == pytest.approx(side_ft)
    assert found.lattice_beam_ft[0] - 2 * side_ft == pytest.approx(cut_ft)


@pytest.mark.parametrize(
    ("clear_ft", "sides_ft"),
    [
        # Half a space of 12, 16 and 24 in, while that is enough.
        (0.5, [0.5, 2 / 3, 1.0]),
        (0.6, [1.5, 2 / 3, 1.0]),
        (2 / 3, [1.5, 2 / 3, 1.0]),
        # One joist farther, two for the closest of them.
        (1.6, [2.5, 2.0, 3.0]),
    ],
)
def test_a_cut_farther_off_the_joists_lies_between_the_next_two(
    shapes: ModuleType, clear_ft: float, sides_ft: list[float]
) -> None:
    rules = load_rulebook({"opening.joist_clear_ft": clear_ft})
    roofs = shapes.roofs(
        *[shapes.rectangle(80, 60)] * 3,
        roof_family=["sawn_joist_flat"] * 3,
        rafter_spacing_ft=[1.0, 16 / 12, 2.0],
    )
    assert spacings_of(roofs, rules).side_clear_ft.tolist() == pytest.approx(sides_ft)


def test_a_bay_along_joists_is_a_cut_and_its_clearance_on_either_side(shapes: ModuleType) -> None:
    """4 ft and twice half a foot, then twice a foot and a half."""
    roofs = shapes.roofs(shapes.rectangle(80, 60), roof_family=["sawn_joist_flat"])
    for clear_ft, bay_ft in ((0.5, 5.0), (1.5, 7.0)):
        rules = load_rulebook({"opening.hanger_clear_ft": clear_ft})
        assert spacings_of(roofs, rules).lattice_purlin_ft.tolist() == [bay_ft]


def test_an_opening_is_one_louver_wide_at_least(shapes: ModuleType) -> None:
    """Joists 30 ft apart are no joists, but nothing is divided by nought: two spaces, and two halves."""
    rules = load_rulebook({"family.sawn_joist_flat.rafter_spacing_ft": 30.0})
    roofs = shapes.roofs(shapes.rectangle(80, 60), roof_family=["sawn_joist_flat"])
    assert spacings_of(roofs, rules).lattice_beam_ft.tolist() == [90.0]


def test_a_family_that_nobody_knows_gets_no_members(shapes: ModuleType) -> None:
    framing = shapes.framed(shapes.rectangle(80, 60), roof_family=["thatch"])
    assert framing.members.empty
    assert set(framing.walls["kind"]) == {"unknown"}
    assert framing.sections["roof_family"].tolist() == ["thatch"]
