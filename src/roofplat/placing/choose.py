"""Choose the bays to open: the one nearest the fire spot, then others nearer the ladder.

In: bays, fire spots, ladder tips.
Out: for each section the numbers of its bays, in order of opening.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import FloatArray, IntArray, first_of_equals
from roofplat.placing.bays import Bays
from roofplat.placing.scene import nearer

__all__ = ["clear_of_footholds", "first_bay", "next_bays"]

# Distances closer than this are equal, and the tie-break decides.
_EQUAL_FT = 0.01
_EQUAL = 2
_STEPS = np.array([(row, column) for row in (-1, 0, 1) for column in (-1, 0, 1) if (row, column) != (0, 0)])


def first_bay(bays: Bays, fire_u: FloatArray, fire_v: FloatArray) -> IntArray:
    """The clear bay whose centre is nearest the fire spot, -1 where there is none.

    Parameters
    ----------
    bays
        Of n sections.
    fire_u, fire_v
        Fire spot of each section, shape (n,).

    Returns
    -------
    ndarray of int
        Shape (n,), an index into `bays`. Among equals (to 0.01 ft) the lowest row across the
        beams, then the lowest column along them.
    """
    clear = np.flatnonzero(bays.clear)
    section = bays.section[clear]
    distance = _distance(bays, clear, fire_u[section], fire_v[section])
    best = first_of_equals(
        [(distance, _EQUAL), (bays.row[clear], 0), (bays.column[clear], 0)], section, fire_u.size
    )
    return np.where(best >= 0, np.append(clear, -1)[best], -1)


def next_bays(
    bays: Bays,
    first: IntArray,
    tip_u: FloatArray,
    tip_v: FloatArray,
    other_u: FloatArray,
    other_v: FloatArray,
    wanted_ft2: FloatArray,
    longest_ft: FloatArray,
    *,
    limit: int,
    ladder_clear_ft: float,
) -> npt.NDArray[np.int64]:
    """Bays to open after the first: neighbours, each nearer the ladder than the one before.

    Parameters
    ----------
    bays
        Of n sections.
    first
        First bay of each section, -1 for none, shape (n,).
    tip_u, tip_v
        First foothold of the first ladder, shape (n,).
    other_u, other_v
        That of the second ladder, shape (n,); NaN where there is none.
    wanted_ft2, longest_ft
        Area wanted, and the longest side of an opening, infinite without a limit, shape (n,).
    limit
        Most bays a crew is planned to open.
    ladder_clear_ft
        No opening comes closer to either foothold than this.

    Returns
    -------
    ndarray of int
        Shape (n, limit), -1 where no bay is opened. Among the neighbours that are nearer the
        ladder, the one nearest to the bay before wins; among equals the one nearest the ladder,
        then the lowest row, then the lowest column.
    """
    count = first.size
    chosen = np.full((count, limit), -1, dtype=np.int64)
    if limit:
        chosen[:, 0] = first
    area = np.zeros(count)
    usable = first >= 0
    area[usable] = _area(bays, first[usable], longest_ft)
    for number in range(1, limit):
        before = chosen[:, number - 1]
        going = np.flatnonzero((before >= 0) & (area < wanted_ft2) & np.isfinite(tip_u))
        if not going.size or not bays.section.size:
            break
        bay = before[going]
        row = bays.row[bay][:, None] + _STEPS[:, 0]
        column = bays.column[bay][:, None] + _STEPS[:, 1]
        columns = bays.columns[going][:, None]
        rows = (bays.start[going + 1] - bays.start[going])[:, None] // np.maximum(columns, 1)
        exists = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        index = np.where(exists, bays.start[going][:, None] + row * columns + column, 0)
        # Of the neighbours those that are left after each question, as the next costs more.
        left = np.flatnonzero(exists & bays.clear[index])
        owner, index = left // _STEPS.shape[0], index.ravel()[left]
        to_tip = _distance(bays, index, tip_u[going[owner]], tip_v[going[owner]])
        tip_before = _distance(bays, bay, tip_u[going], tip_v[going])
        nearer = np.flatnonzero(to_tip < tip_before[owner] - _EQUAL_FT)
        owner, index, to_tip = owner[nearer], index[nearer], to_tip[nearer]
        by = going[owner]
        far = np.flatnonzero(
            ~_near(bays, index, tip_u[by], tip_v[by], ladder_clear_ft)
            & ~_near(bays, index, other_u[by], other_v[by], ladder_clear_ft)
        )
        owner, index, to_tip = owner[far], index[far], to_tip[far]
        centre_u = (bays.u_low[bay] + bays.u_high[bay]) / 2
        centre_v = (bays.v_low[bay] + bays.v_high[bay]) / 2
        away = _distance(bays, index, centre_u[owner], centre_v[owner])
        best = first_of_equals(
            [(away, _EQUAL), (to_tip, _EQUAL), (bays.row[index], 0), (bays.column[index], 0)],
            owner,
            going.size,
        )
        found = np.flatnonzero(best >= 0)
        picked = index[best[found]]
        chosen[going[found], number] = picked
        area[going[found]] += _area(bays, picked, longest_ft)
    return chosen


def clear_of_footholds(bays: Bays, u: FloatArray, v: FloatArray, ladder_clear_ft: float) -> Bays:
    """Bays of which none is clear that comes too close to the foothold of a ladder that stands already.

    Parameters
    ----------
    bays
        Of n sections, or of n planes.
    u, v
        Foothold in the coordinates of each, NaN where no ladder stands, shape (n,).
    ladder_clear_ft
        Least distance.

    Returns
    -------
    Bays
    """
    if not np.isfinite(u).any():
        return bays
    every = np.flatnonzero(bays.clear)
    section = bays.section[every]
    clear = bays.clear.copy()
    clear[every[_near(bays, every, u[section], v[section], ladder_clear_ft)]] = False
    return replace(bays, clear=clear)


def _near(
    bays: Bays, bay: IntArray, u: FloatArray, v: FloatArray, ladder_clear_ft: float
) -> npt.NDArray[np.bool_]:
    """Whether the openings in bays, shape (k,), come too close to points, shape (k,)."""
    u_low, u_high, v_low, v_high = bays.rectangle(bay)
    gap_u = np.maximum(u_low - u, u - u_high)
    gap_v = np.maximum(v_low - v, v - v_high)
    # Where there is no point the gap is no number, and nothing is near.
    return nearer(np.maximum(gap_u, 0.0), np.maximum(gap_v, 0.0), ladder_clear_ft)


def _area(bays: Bays, bay: IntArray, longest_ft: FloatArray) -> FloatArray:
    longest = longest_ft[bays.section[bay]]
    u_low, u_high, v_low, v_high = bays.rectangle(bay)
    return np.minimum(v_high - v_low, longest) * np.minimum(u_high - u_low, longest)


def _distance(bays: Bays, bay: IntArray, u: FloatArray, v: FloatArray) -> FloatArray:
    return np.hypot(
        (bays.u_low[bay] + bays.u_high[bay]) / 2 - u, (bays.v_low[bay] + bays.v_high[bay]) / 2 - v
    )
