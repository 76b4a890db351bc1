"""Zones around outlines with square corners: the same ground as the geometry library's buffer."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from roofplat.placing.square_zones import around_square_corners

ELL = [(0, 0), (60, 0), (60, 20), (20, 20), (20, 50), (0, 50)]
NOTCHED = [(0, 0), (60, 0), (60, 40), (35, 40), (35, 37), (28, 37), (28, 40), (0, 40)]
TWICE_NOTCHED = [*NOTCHED[:-1], (20, 40), (20, 34), (12, 34), (12, 40), (0, 40)]
PROUD = [(0, 0), (60, 0), (60, 40), (35, 40), (35, 44), (28, 44), (28, 40), (0, 40)]
COURT = [(0, 0), (60, 0), (60, 60), (50, 60), (50, 10), (10, 10), (10, 60), (0, 60)]
STAIR = [(0, 0), (60, 0), (60, 10), (40, 10), (40, 20), (20, 20), (20, 30), (0, 30)]
SUNKEN = [(0, 0), (60, 0), (60, 10), (28, 10), (28, 12), (20, 12), (20, 30), (0, 30)]
# Its court is narrower at the mouth than farther in.
KEYHOLE = [
    *[(0, 0), (60, 0), (60, 60), (35, 60), (35, 50), (50, 50), (50, 10), (10, 10), (10, 50), (25, 50)],
    *[(25, 60), (0, 60)],
]


def _wanted(outline: npt.NDArray[np.object_], reach: Any) -> Any:
    """By GEOS, whose buffer this stands in for."""
    return shapely.difference(shapely.buffer(outline, reach, quad_segs=8), outline)


def _apart(outline: npt.NDArray[np.object_], reach: npt.NDArray[np.float64]) -> tuple[list[int], float]:
    done, zones = around_square_corners(outline, reach)
    found = zones.geometry()
    assert shapely.is_valid(found).all()
    wanted = _wanted(outline[done], reach[done])
    apart = shapely.area(shapely.symmetric_difference(found, wanted)) / shapely.area(wanted)
    return done.tolist(), float(apart.max(initial=0.0))


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize(
    ("ring", "reach", "can"),
    [
        (ELL, 10.0, True),
        (ELL, 45.0, True),
        (NOTCHED, 12.0, True),
        (TWICE_NOTCHED, 12.0, True),
        (PROUD, 12.0, True),
        (STAIR, 3.0, True),
        (STAIR, 30.0, True),
        (SUNKEN, 1.0, True),
        # The floor of the notch, and of the court, has a zone of its own.
        (NOTCHED, 3.4, False),
        (COURT, 9.0, False),
        (COURT, 28.0, True),
        # The middle step vanishes.
        (SUNKEN, 30.0, False),
        # Ground in the court is out of reach: a hole in the zone.
        (KEYHOLE, 8.0, False),
        ([*ELL[:2], (60, 50), *ELL[5:]], 10.0, True),
        # A corner in the line of a wall, and corners that are not square.
        ([(0, 0), (30, 0), (60, 0), (60, 20), (0, 20), (0, 10)], 9.0, False),
        ([(0, 0), (60, 0), (70, 20), (20, 20), (20, 50), (0, 50)], 9.0, False),
        # A recess so shallow that GEOS straightens it.
        ([(0, 0), (60, 0), (60, 20), (30, 20), (30, 20.1), (0, 20.1)], 10.0, False),
    ],
)
def test_outlines_of_every_kind(ring: list[tuple[float, float]], reach: float, can: bool, way: int) -> None:
    outline = np.array([shapely.Polygon(ring[::way])])
    done, apart = _apart(outline, np.array([reach]))
    assert done == [0] * can
    assert apart < 1e-9


def test_what_is_no_plain_outline_is_left() -> None:
    ell = shapely.Polygon(ELL)
    outlines = np.array(
        [
            shapely.MultiPolygon([ell]),
            ell,
            shapely.Polygon(ELL, [[(2, 2), (4, 2), (4, 4), (2, 4)]]),
            shapely.Polygon(),
            shapely.Polygon([(0, 0), (9, 0), (3, 8)]),
            ell,
        ]
    )
    done, zones = around_square_corners(outlines, np.array([9.0, 9.0, 9.0, 9.0, 9.0, 0.0]))
    assert done.tolist() == [1]
    assert len(zones) == 1
    done, zones = around_square_corners(outlines[:0], np.empty(0))
    assert (done.size, len(zones)) == (0, 0)


@given(
    boxes=st.lists(
        st.tuples(st.integers(0, 12), st.integers(0, 12), st.integers(1, 9), st.integers(1, 9)),
        min_size=2,
        max_size=6,
    ),
    reach=st.floats(0.2, 20.0),
    turn_deg=st.floats(0.0, 360.0),
    skew=st.sampled_from([0.0, 0.04, 0.09]),
    corner=st.sampled_from([0.0, 480_000.0]),
)
def test_any_outline_of_boxes(
    boxes: list[tuple[int, int, int, int]], reach: float, turn_deg: float, skew: float, corner: float
) -> None:
    joined = shapely.union_all([shapely.box(u, v, u + wide, v + deep) for u, v, wide, deep in boxes])
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    matrix = np.array([[1.0, 0.0], [skew, 1.0]]) @ matrix
    outline = shapely.transform(
        shapely.get_parts(shapely.simplify(joined, 0)), lambda xy: xy @ matrix + corner
    )
    done, zones = around_square_corners(outline, np.full(outline.size, reach))
    found, wanted = zones.geometry(), _wanted(outline[done], reach)
    assert shapely.is_valid(found).all()
    # GEOS puts corners together that are within a thousandth of the reach of each other.
    assert (shapely.hausdorff_distance(found, wanted) < 1.1e-3 * reach).all()
    for zone, roof in zip(found, outline[done], strict=True):
        border = shapely.get_coordinates(shapely.get_exterior_ring(shapely.segmentize(zone, reach / 3)))
        away = shapely.distance(shapely.points(border), roof) / reach
        # Straight pieces lie half a percent within the round they stand for.
        assert (np.cos(np.radians(6.0)) < away.min()) & (away.max() < 1 + 1e-6)


def test_many_outlines_of_boxes() -> None:
    """Most of those with square corners are done here, and those that are done are right."""
    random = np.random.default_rng(5)
    low, size = random.integers(0, 14, (400, 3, 2)), random.integers(2, 9, (400, 3, 2))
    high = low + size
    boxes = shapely.box(low[..., 0], low[..., 1], high[..., 0], high[..., 1])
    parts = shapely.get_parts(shapely.simplify(shapely.union_all(boxes, axis=1), 0))
    outline = parts[(shapely.get_num_coordinates(parts) > 5) & (shapely.get_num_interior_rings(parts) == 0)]
    done, apart = _apart(outline, random.uniform(0.5, 2.0, outline.size))
    assert len(done) > 0.6 * outline.size
    assert apart < 1e-9
