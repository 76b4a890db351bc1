"""Compiled loops: the same bits as numpy's.

In: synthetic districts and outlines of every kind, with holes, wings and neighbours that touch.
Out: what framing makes with the loops and without, held to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from importlib.util import find_spec
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.benchmarks.synthetic import synthetic_roofs

from roofplat.fast import SWITCH, compiled
from roofplat.framing import frame_roofs
from roofplat.framing.loops import clip_lines
from roofplat.framing.members import Grid, scan, section_frames
from roofplat.framing.outline import outlines_of
from roofplat.late import LateTable

pytestmark = pytest.mark.skipif(find_spec("numba") is None, reason="numba is not installed")


def _bits(thing: Any, name: str = "") -> Iterator[tuple[str, bytes]]:
    """Everything that a result is made of, as bytes."""
    if isinstance(thing, np.ndarray) and thing.dtype != object:
        yield name, thing.tobytes()
    elif isinstance(thing, LateTable):
        yield f"{name}.geometry", b"".join(thing.arrow()["geometry"].to_pylist())
        for key, column in thing.columns.items():
            yield f"{name}.{key}", pd.Series(column).to_json(double_precision=15).encode()
    elif is_dataclass(thing):
        for entry in fields(thing):
            yield from _bits(getattr(thing, entry.name), f"{name}.{entry.name}")


def _both(monkeypatch: pytest.MonkeyPatch, work: Callable[[], Any]) -> tuple[dict[str, bytes], ...]:
    made = []
    for switch in "01":
        monkeypatch.setenv(SWITCH, switch)
        assert (compiled(clip_lines) is None) == (switch == "0")
        made.append(dict(_bits(work())))
    return tuple(made)


def test_a_district_is_framed_to_the_same_bits(monkeypatch: pytest.MonkeyPatch, shapes: ModuleType) -> None:
    roofs, streets, _ = synthetic_roofs(400, pitched=0.4)
    # Every third building moved against its neighbour, so that walls are shared and roofs overlap.
    moved = roofs.geometry.to_numpy().copy()
    moved[::3] = shapely.transform(moved[::3], lambda xy: xy + np.array([20.0, 3.0]))
    roofs = roofs.set_geometry(moved, crs=roofs.crs)
    numpy, numba = _both(monkeypatch, lambda: frame_roofs(roofs, streets, shapes.RULES, shapes.GROUND))
    assert len(numpy) > 80
    party, views = (np.frombuffer(numpy[f".surroundings.{name}"], bool) for name in ("party", "views.own"))
    assert party.any()
    assert views.any()
    assert not views.all()
    assert numpy.keys() == numba.keys()
    assert [name for name in numpy if numpy[name] != numba[name]] == []


@given(
    boxes=st.lists(
        st.tuples(st.integers(0, 40), st.integers(0, 40), st.integers(3, 30), st.integers(3, 30)),
        min_size=1,
        max_size=8,
    ),
    hole=st.booleans(),
    turn=st.sampled_from([0.0, 17.0, 45.0]),
    spacing=st.floats(0.5, 9.0),
)
@settings(max_examples=60, deadline=None)
def test_lines_are_clipped_to_the_same_bits(
    shapes: ModuleType, boxes: list[tuple[int, int, int, int]], hole: bool, turn: float, spacing: float
) -> None:
    """Lines that cross an outline four times and more, and lines that lie on its edges."""
    whole = shapely.union_all([shapely.box(x, y, x + wide, y + deep) for x, y, wide, deep in boxes])
    parts = shapely.get_parts(whole)
    if hole:
        parts = shapely.difference(parts, shapely.buffer(shapely.centroid(parts), 1.0))
    roofs = shapes.roofs(*shapely.get_parts(parts))
    outlines = outlines_of(roofs.geometry, shapes.GROUND)
    nothing = np.full(outlines.count, np.nan)
    frames = section_frames(outlines, np.full(outlines.count, turn), nothing, nothing, least_section_ft=0.0)
    extent = frames.v_high - frames.v_low
    count = np.floor(extent / spacing).astype(np.int64)
    grid = Grid(frames.v_low, np.full(outlines.count, spacing), count)
    with pytest.MonkeyPatch.context() as patch:
        numpy, numba = _both(patch, lambda: scan(frames, grid, "u"))
    assert numpy == numba
