"""Framing as a whole: tables, bases, and what is told when nothing is known."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
import shapely


@pytest.mark.parametrize("family", ["unknown", "bowstring_truss"])
def test_a_district_without_panelized_roofs_has_walls_and_no_members(shapes: ModuleType, family: str) -> None:
    framing = shapes.framed(shapes.rectangle(100, 50), roof_family=[family])
    assert len(framing.walls) == 4
    assert framing.members.empty
    assert framing.sections["beam_spacing_ft"].isna().all()
    assert framing.sections["spacing_basis"].isna().all()


def test_a_district_of_one_small_shed_has_no_members(shapes: ModuleType) -> None:
    assert shapes.framed(shapes.rectangle(10, 10)).members.empty


def test_defaults_are_assumed_and_records_come_first(shapes: ModuleType) -> None:
    framing = shapes.framed(
        *[shapes.rectangle(100, 50)] * 2,
        beam_spacing_ft=[None, 25.0],
        purlin_spacing_ft=[None, 8.0],
        rafter_spacing_ft=[None, 2.0],
        rafter_spacing_ft_basis=[None, "recorded"],
    )
    assert framing.sections["beam_spacing_ft"].tolist() == [20.0, 25.0]
    assert framing.sections["spacing_basis"].tolist() == ["assumed", "recorded"]


def test_members_are_counted_and_carry_the_weaker_basis(shapes: ModuleType) -> None:
    framing = shapes.framed(
        shapes.rectangle(100, 50),
        framing_axis_deg=[0.0],
        beam_spacing_ft=[20.0],
        purlin_spacing_ft=[8.0],
        rafter_spacing_ft=[2.0],
        rafter_spacing_ft_basis=["recorded"],
    )
    members = framing.members.set_index("kind")
    assert members["count"].to_dict() == {"beam": 4, "purlin": 6}
    assert members["spacing_ft"].to_dict() == {"beam": 20.0, "purlin": 8.0}
    assert set(members["basis"]) == {"recorded"}
    # Four beams of 50 ft and six purlins of 100 ft.
    feet_per_m = 1 / 0.3048 / 0.9996
    np.testing.assert_allclose(members.length * feet_per_m, [200.0, 600.0], atol=0.01)


def test_an_unfit_sounding_is_a_problem_and_the_outline_stands(shapes: ModuleType) -> None:
    framing = shapes.framed(shapes.rectangle(100, 50), sounding_walk_deg=[0.0], sounding_spacing_ft=[13.0])
    assert framing.problems["code"].tolist() == ["sounding_fits_no_spacing"]
    assert framing.problems["feature"].tolist() == ["B000/1"]
    assert framing.sections["axis_basis"].tolist() == ["inferred"]


def test_a_doubtful_axis_lets_no_wall_be_called_bearing(shapes: ModuleType) -> None:
    angle = np.radians(np.arange(0, 360, 45))
    octagon = shapely.Polygon(np.column_stack([50 * np.cos(angle), 50 * np.sin(angle)]))
    framing = shapes.framed(octagon)
    assert framing.sections["axis_basis"].tolist() == ["doubtful"]
    assert set(framing.walls["kind"]) == {"unknown"}
