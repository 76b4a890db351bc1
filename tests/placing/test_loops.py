"""Compiled loops: the same bits as numpy's.

In: synthetic districts, flat and pitched, with obstacles, stated fires and ladders that stand already;
    made-up graphs.
Out: what placing makes with the loops and without, held to the last bit; ways through graphs, held against
`scipy.sparse.csgraph.dijkstra`.
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from tests.benchmarks.synthetic import synthetic_roofs

from roofplat.fast import SWITCH, compiled
from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.placing import Plan, place_plans
from roofplat.placing.loops import walk_graphs
from roofplat.placing.paths import cheapest
from roofplat.rules import load_rulebook

pytestmark = pytest.mark.skipif(find_spec("numba") is None, reason="numba is not installed")


@pytest.mark.parametrize("pitched", [0.0, 0.5, 1.0])
def test_a_district_is_placed_to_the_same_bits(monkeypatch: pytest.MonkeyPatch, pitched: float) -> None:
    numpy_alone, compiled_too = _both_ways(monkeypatch, pitched)
    assert len(compiled_too.openings) > 100
    for name, table in numpy_alone.tables().items():
        other = compiled_too.tables()[name]
        pd.testing.assert_frame_equal(
            pd.DataFrame(table).drop(columns="geometry", errors="ignore"),
            pd.DataFrame(other).drop(columns="geometry", errors="ignore"),
            check_exact=True,
        )
        if isinstance(table, gpd.GeoDataFrame):
            assert (shapely.to_wkb(table.geometry) == shapely.to_wkb(other.geometry)).all(), name


def _both_ways(monkeypatch: pytest.MonkeyPatch, pitched: float) -> Iterator[Plan]:
    rules, ground = load_rulebook(), Ground(0.3048)
    roofs, streets, obstacles = synthetic_roofs(300, pitched=pitched)
    some = np.arange(0, len(roofs), 3)
    ids = roofs["building_id"].iloc[some].reset_index(drop=True)
    outlines = roofs.geometry.to_numpy()[some]
    fires = gpd.GeoDataFrame({"building_id": ids}, geometry=shapely.point_on_surface(outlines), crs=roofs.crs)
    at = shapely.line_interpolate_point(shapely.boundary(outlines), 0.3, normalized=True)
    ladders = gpd.GeoDataFrame({"building_id": ids}, geometry=at, crs=roofs.crs)
    for switch in "01":
        monkeypatch.setenv(SWITCH, switch)
        assert (compiled(walk_graphs) is None) == (switch == "0")
        yield place_plans(
            frame_roofs(roofs, streets, rules, ground),
            roofs,
            obstacles,
            fires,
            rules,
            wind_from_deg=250.0,
            wind_basis="assumed",
            streets=streets,
            placed_ladders=ladders,
        )


@settings(max_examples=50)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5), st.integers(1, 9))
def test_ways_through_graphs_are_those_of_dijkstra(seed: int, sections: int, nodes: int) -> None:
    random = np.random.default_rng(seed)
    size = sections * nodes
    section = random.permutation(np.repeat(np.arange(sections), nodes))
    one, other = np.triu_indices(size, k=1)
    joined = (section[one] == section[other]) & (random.random(one.size) < 0.5)
    one, other = one[joined], other[joined]
    weight = random.random(one.size)
    both = np.concatenate([one, other]), np.concatenate([other, one])
    graph = coo_matrix((np.concatenate([weight, weight]), both), shape=(size, size)).tocsr()
    sources = np.flatnonzero(random.random(size) < 0.2)
    if not sources.size:
        return
    found = []
    for switch in "01":
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv(SWITCH, switch)
            found.append(cheapest(graph, sources, section))
    (distance, before), (compiled_distance, compiled_before) = found
    assert distance.tobytes() == compiled_distance.tobytes()
    assert before.tolist() == compiled_before.tolist()
