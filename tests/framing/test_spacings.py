"""What the families say of spacings, and what a record says against it."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd

from roofplat.framing.spacings import by_family, spacings_of
from roofplat.rules import load_rulebook
from roofplat.tables import BASES


def test_each_family_is_asked_once_and_every_section_answered(shapes: ModuleType) -> None:
    asked = []

    def ask(family: object) -> str:
        asked.append(family.id)  # type: ignore[attr-defined]
        return f"a roof of {family.id}"  # type: ignore[attr-defined]

    families = pd.Series(["lamella", "sawtooth", "thatch", None, "lamella"], dtype="str")
    answers = by_family(families, shapes.RULES, ask)
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
    # Seven spaces of 16 in go into the 10 ft of a bay.
    np.testing.assert_allclose(found.lattice_beam_ft, [20.0, 7 * 1.33, nothing, 20.0, nothing, nothing])
    np.testing.assert_array_equal(found.lattice_purlin_ft, [8.0, 6.0] + [nothing] * 4)
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


def test_a_bay_is_one_joist_wide_at_least(shapes: ModuleType) -> None:
    """Joists 30 ft apart are no joists, but nothing is divided by nought."""
    rules = load_rulebook({"family.sawn_joist_flat.rafter_spacing_ft": 30.0})
    roofs = shapes.roofs(shapes.rectangle(80, 60), roof_family=["sawn_joist_flat"])
    assert spacings_of(roofs, rules).lattice_beam_ft.tolist() == [30.0]


def test_a_family_that_nobody_knows_gets_no_members(shapes: ModuleType) -> None:
    framing = shapes.framed(shapes.rectangle(80, 60), roof_family=["thatch"])
    assert framing.members.empty
    assert set(framing.walls["kind"]) == {"unknown"}
    assert framing.sections["roof_family"].tolist() == ["thatch"]
