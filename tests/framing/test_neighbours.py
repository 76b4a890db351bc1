"""What stands in front of a wall: neighbours, alleys, and the building's own wings."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest

from roofplat.framing.neighbours import Views, clip_to_strip


def _walls(shapes: ModuleType, *boxes: Any) -> pd.DataFrame:
    walls = shapes.framed(*boxes).walls
    return walls.assign(out=walls["outward_deg"].round() % 360).set_index(["building_id", "out"])


def test_a_shared_wall_is_a_party_wall(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 50), shapes.rectangle(50, 50, west=50))
    assert walls.loc[("B000", 90.0), "kind"] == "party"
    assert walls.loc[("B001", 270.0), "kind"] == "party"
    assert (walls["kind"] == "party").sum() == 2
    assert walls.loc[("B000", 90.0), "exposure_ft"] == 0.0
    assert walls.loc[("B000", 90.0), "clear_ground_ft"] == 0.0


def test_overlapping_outlines_share_a_wall_too(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 50), shapes.rectangle(50, 50, west=45))
    assert walls.loc[("B000", 90.0), "kind"] == "party"
    assert walls.loc[("B001", 270.0), "kind"] == "party"


def test_a_neighbour_along_a_third_of_the_wall_leaves_it_free(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 90), shapes.rectangle(50, 30, west=50))
    assert walls.loc[("B000", 90.0), "kind"] != "party"
    assert walls.loc[("B001", 270.0), "kind"] == "party"


def test_an_alley_of_eight_feet(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 50), shapes.rectangle(50, 50, west=58))
    for key in (("B000", 90.0), ("B001", 270.0)):
        assert walls.loc[key, "exposure_ft"] == pytest.approx(8.0, abs=1e-3)
        assert walls.loc[key, "clear_ground_ft"] == pytest.approx(8.0, abs=1e-3)


def test_nothing_near_is_no_exposure(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 50), shapes.rectangle(50, 50, west=111))
    assert walls["exposure_ft"].isna().all()
    assert (walls["clear_ground_ft"] == 60.0).all()


def test_a_neighbour_round_the_corner_is_not_in_front(shapes: ModuleType) -> None:
    walls = _walls(shapes, shapes.rectangle(50, 50), shapes.rectangle(50, 50, west=60, south=70))
    assert walls["exposure_ft"].isna().all()


def test_the_wings_of_a_u_take_each_others_ground(shapes: ModuleType) -> None:
    """Own wings narrow the ground, 40 ft between them, but are no exposure."""
    walls = shapes.framed(shapes.letter_u(120, 80, 40)).walls
    inner = walls[(walls["length_ft"].round() == 40) & (walls["outward_deg"].round() % 180 == 90)]
    assert len(inner) == 2
    np.testing.assert_allclose(inner["clear_ground_ft"], 40.0, atol=1e-3)
    assert walls["exposure_ft"].isna().all()


def test_a_courtyard_looks_at_itself(shapes: ModuleType) -> None:
    walls = shapes.framed(shapes.courtyard(120, 100, 30)).walls
    inner = walls[walls["side"].isna()]
    assert sorted(inner["clear_ground_ft"].round().tolist()) == [40.0, 40.0, 60.0, 60.0]
    assert set(walls.loc[walls["side"].notna(), "clear_ground_ft"]) == {60.0}


def test_an_edge_is_clipped_to_the_strip_in_front() -> None:
    """A slope from (0, 0) to (10, 10), seen through a strip from 2 to 5, and one straight out."""
    views = Views(
        wall=np.array([0, 0, 0]),
        own=np.zeros(3, dtype=bool),
        s0=np.array([0.0, 10.0, 3.0]),
        t0=np.array([0.0, 10.0, 1.0]),
        s1=np.array([10.0, 0.0, 3.0]),
        t1=np.array([10.0, 0.0, 9.0]),
    )
    inside, s_first, t_first, s_last, t_last, span = clip_to_strip(views, np.full(3, 2.0), np.full(3, 5.0))
    assert inside.tolist() == [True, True, False]
    for values, want in ((s_first, 2.0), (t_first, 2.0), (s_last, 5.0), (t_last, 5.0), (span, 3.0)):
        np.testing.assert_allclose(values[:2], want)
    assert span[2] == 0.0
