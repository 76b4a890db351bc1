"""Openings and their cuts: a 20 by 8 ft bay by hand, both ways to open it."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pandas as pd
import pytest


def _cuts(plan: Any) -> pd.DataFrame:
    cuts = plan.cuts[(plan.cuts["feature"] == "opening") & (plan.cuts["feature_seq"] == 1)]
    return cuts.sort_values("seq")[["kind", "count", "saw", "cut_ft"]].round({"cut_ft": 3})


def test_fold_back_of_a_twenty_by_eight_bay(shapes: ModuleType) -> None:
    """18 by 6 ft inside the clearances: one base cut of 18, and three parallel cuts of 6 for two parts."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    first = plan.openings.iloc[0]
    assert first["method"] == "fold_back"
    assert (first["length_ft"], first["width_ft"]) == (pytest.approx(18.0), pytest.approx(6.0))
    assert first["parts"] == 2
    assert pd.isna(first["push_side"])
    assert _cuts(plan).to_numpy().tolist() == [["base_cut", 1, 1, 18.0], ["parallel_cut", 3, 2, 18.0]]


def test_louvers_where_something_hangs(shapes: ModuleType) -> None:
    """Rafters every 2 ft, two to a louver: four louvers of 4 ft in 18, five parallel cuts."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48), suspended_load=[True]))
    first = plan.openings.iloc[0]
    assert (first["method"], first["parts"]) == ("center_rafter_louver", 4)
    assert _cuts(plan).to_numpy().tolist() == [
        ["head_cut", 1, 1, 18.0],
        ["parallel_cut", 5, 2, 30.0],
        ["base_cut", 1, 1, 18.0],
    ]
    assert "hangs from the roof" in str(plan.sections["cut_method_why"].iloc[0])


def test_louvers_for_the_early_heavy_panels(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48), panel_type=["early_heavy"]))
    assert plan.sections["cut_method"].tolist() == ["center_rafter_louver"]


@pytest.mark.parametrize(("wind", "side"), [(270.0, "west"), (90.0, "east"), (300.0, "west")])
def test_the_windward_edge_is_pushed_down(shapes: ModuleType, wind: float, side: str) -> None:
    """Louvers turn about rafters, which run with the beams, north: their edges are east and west."""
    roofs = shapes.roofs(shapes.rectangle(100, 48), suspended_load=[True], framing_axis_deg=[0.0])
    _, plan = shapes.planned(roofs, wind_from_deg=wind)
    assert set(plan.openings["push_side"]) == {side}


@pytest.mark.parametrize(("wind", "toward"), [(270.0, 270.0), (90.0, 90.0)])
def test_the_cuts_advance_toward_the_ladder(shapes: ModuleType, wind: float, toward: float) -> None:
    """The ladder leans on the upwind wall, at the end of the bays."""
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(200, 48)), wind_from_deg=wind)
    assert plan.openings["finish_toward_deg"].iloc[0] == pytest.approx(toward, abs=0.1)


def test_a_tenth_of_the_roof_is_wanted_and_the_shortfall_told(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    assert plan.openings["wanted_ft2"].tolist() == pytest.approx([480.0] * 3, abs=0.01)
    assert plan.openings["placed_ft2"].tolist() == pytest.approx([324.0] * 3, abs=0.01)
    assert plan.openings["short_ft2"].tolist() == pytest.approx([156.0] * 3, abs=0.01)


def test_openings_say_which_rules_put_them_there(shapes: ModuleType) -> None:
    _, plan = shapes.planned(shapes.roofs(shapes.rectangle(100, 48)))
    known = set(shapes.RULES.rules)
    for table in (plan.openings, plan.ladders):
        for rules in table["rules"]:
            assert rules
            assert set(rules.split()) <= known
