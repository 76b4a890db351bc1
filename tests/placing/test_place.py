"""The plan as a whole: who is planned, what is refused and why, and that nothing else matters."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely


def _why(plan: Any) -> str:
    return str(plan.sections["cut_method_why"].iloc[0]).split(":")[0]


@pytest.mark.parametrize("family", ["unknown", "bowstring_truss", "concrete_deck", None])
def test_other_families_get_ladders_and_a_reason(shapes: ModuleType, family: str | None) -> None:
    roofs = shapes.roofs(
        shapes.rectangle(100, 50), shapes.rectangle(100, 50, west=200), roof_family=[family, "panelized_wood"]
    )
    _, plan = shapes.planned(roofs)
    code = "do_not_cut" if family in ("bowstring_truss", "concrete_deck") else "family_unknown"
    assert _why(plan) == code
    assert set(plan.openings["building_id"]) == {"B001"}
    assert (plan.ladders["building_id"] == "B000").sum() == 2


def test_a_district_that_nobody_has_looked_at_still_gets_ladders(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 50), roof_family=["unknown"]))
    assert len(plan.ladders) == 2
    assert plan.openings.empty
    assert plan.trenches.empty
    assert plan.cuts.empty
    assert plan.checks.empty
    # One path along the walls, from ladder to ladder.
    assert plan.paths["ladder_rank"].tolist() == [1]
    assert plan.sections["cut_method"].isna().all()


@pytest.mark.parametrize(
    ("facts", "size", "code"),
    [
        ({}, (19, 100), "section_too_small"),
        ({"height_ft": [200.0]}, (100, 60), "out_of_reach"),
        ({"rafter_spacing_ft": [2.0], "purlin_spacing_ft": [4.0]}, (100, 60), "no_clear_bay"),
    ],
)
def test_a_refusal_says_why(
    shapes: ModuleType, facts: dict[str, Any], size: tuple[float, float], code: str
) -> None:
    roofs = shapes.roofs(
        shapes.rectangle(*size),
        shapes.rectangle(100, 60, west=300),
        **{name: [*values, None] for name, values in facts.items()},
    )
    _, plan = shapes.planned(roofs)
    assert _why(plan) == code
    assert plan.sections["cut_method"].isna().tolist() == [True, False]
    problems = plan.problems[plan.problems["feature"] == "B000/1"]
    assert code in problems["code"].tolist()
    assert "B000" not in plan.openings["building_id"].tolist()


def test_a_doubtful_axis_is_not_cut(shapes: ModuleType) -> None:
    angle = np.radians(np.arange(0, 360, 45))
    octagon = shapely.Polygon(np.column_stack([80 * np.cos(angle), 80 * np.sin(angle)]))
    roofs = shapes.roofs(octagon, shapely.affinity.translate(octagon, 300, 0), framing_axis_deg=[None, 0.0])
    _, plan = shapes.planned(roofs)
    assert _why(plan) == "axis_doubtful"
    assert set(plan.openings["building_id"]) == {"B001"}
    assert plan.ladders["building_id"].value_counts().to_dict() == {"B000": 2, "B001": 2}


def test_a_pitched_roof_whose_ridge_is_doubtful_is_not_cut(shapes: ModuleType) -> None:
    # A gabled roof was opened beside a ridge that the outline does not tell; a hipped one needs no axis.
    triangle = shapely.Polygon([(0, 0), (49, 33), (0, 66)])
    roofs = shapes.roofs(
        triangle,
        shapely.affinity.translate(triangle, 200, 0),
        roof_family=["plate_truss_pitched", "plate_truss_pitched"],
        roof_shape=["gabled", "hipped"],
    )
    framing, plan = shapes.planned(roofs)
    assert framing.sections["axis_basis"].tolist() == ["doubtful", "doubtful"]
    assert _why(plan) == "axis_doubtful"
    assert set(plan.openings["building_id"]) == {"B001"}


def test_walled_in_on_all_sides_is_no_wall_reachable(shapes: ModuleType) -> None:
    inner = shapes.rectangle(100, 60)
    ring = shapely.box(-50, -50, 150, 110) - shapely.box(0, 0, 100, 60)
    _, plan = shapes.planned(shapes.roofs(inner, ring))
    assert _why(plan) == "no_wall_reachable"
    assert "B000" not in plan.ladders["building_id"].tolist()


def test_the_largest_section_is_planned_unless_a_fire_is_stated(shapes: ModuleType) -> None:
    roofs = shapes.roofs(
        shapes.rectangle(60, 60), shapes.rectangle(120, 60, west=60), building_id=["B", "B"], part=[1, 2]
    )
    _, plan = shapes.planned(roofs)
    assert plan.sections["planned"].tolist() == [False, True]
    assert str(plan.sections["cut_method_why"].iloc[0]).startswith("not_planned")
    _, stated = shapes.planned(roofs, fires=shapes.fires(("B", shapely.Point(20, 20))))
    assert stated.sections["planned"].tolist() == [True, False]
    assert stated.sections["fire_basis"].iloc[0] == "given"


def test_equal_sections_take_the_first_part(shapes: ModuleType) -> None:
    roofs = shapes.roofs(
        shapes.rectangle(60, 60, west=60), shapes.rectangle(60, 60), building_id=["B", "B"], part=[2, 1]
    )
    _, plan = shapes.planned(roofs)
    assert plan.sections.loc[plan.sections["planned"], "section_id"].tolist() == ["B/1"]


@pytest.mark.parametrize(("building", "spot"), [("B000", (500.0, 0.0)), ("nobody", (20.0, 20.0))])
def test_a_fire_off_its_roof_is_told(shapes: ModuleType, building: str, spot: tuple[float, float]) -> None:
    _, plan = shapes.planned(
        shapes.roofs(shapes.rectangle(100, 60)), fires=shapes.fires((building, shapely.Point(*spot)))
    )
    assert "fire_outside_building" in plan.problems["code"].tolist()
    assert plan.sections["fire_basis"].tolist() == ["assumed"]


def test_the_plan_does_not_depend_on_the_number_of_workers(synthetic: ModuleType, shapes: ModuleType) -> None:
    roofs, streets, _ = synthetic.synthetic_roofs(60, seed=11)
    # More sections than one chunk holds, of which only the first few differ from each other.
    many = pd.concat([roofs] * 20, ignore_index=True)
    many["building_id"] = [f"W{number:05d}" for number in range(len(many))]
    many["section_id"] = many["building_id"] + "/1"
    many["geometry"] = [
        shapely.affinity.translate(shape, 0, 3000.0 * (number // 60))
        for number, shape in enumerate(many.geometry)
    ]
    plans = [shapes.planned(many, streets=streets, workers=workers)[1] for workers in (1, 3)]
    for name in ("ladders", "openings", "trenches", "paths"):
        pd.testing.assert_frame_equal(*(pd.DataFrame(getattr(plan, name)) for plan in plans))


def test_inputs_are_left_alone(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 60))
    before = roofs.copy()
    obstacles = shapes.obstacles(("unit", "B000", shapely.box(10, 10, 20, 20)))
    kept = obstacles.copy()
    shapes.planned(roofs, obstacles=obstacles)
    pd.testing.assert_frame_equal(pd.DataFrame(roofs), pd.DataFrame(before))
    pd.testing.assert_frame_equal(pd.DataFrame(obstacles), pd.DataFrame(kept))


def test_no_roofs_have_no_plan(shapes: ModuleType) -> None:
    # A tile whose outlines are all refused ended in a traceback.
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 50)).iloc[:0])
    assert all(table.empty for table in plan.tables().values())


def test_a_roof_of_more_bays_than_can_be_planned_is_not_cut(shapes: ModuleType) -> None:
    roofs = shapes.roofs(
        shapes.rectangle(1500, 1200),
        shapes.rectangle(100, 60, west=3000),
        beam_spacing_ft=[0.5, None],
        purlin_spacing_ft=[0.5, None],
    )
    _, plan = shapes.planned(roofs)
    assert _why(plan) == "members_too_close"
    assert set(plan.openings["building_id"]) == {"B001"}
    # The crew still learns where a ladder may stand.
    assert "B000" in set(plan.ladders["building_id"])
