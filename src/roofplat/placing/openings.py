"""Openings: the strip cut in each chosen bay, and its cuts in order.

In: chosen bays, existing openings, the first foothold, the method of each section.
Out: `Strips`: one row an opening, with its parts and the direction the cuts advance.

An opening runs from beam to beam and is held off the purlins; in a deck that may drop it is a
small part of the bay, as near the fire spot as it goes. The cuts across the rafters are
the head cut (the long side away from the ladder) and the base cut (the long side toward it); the
parallel cuts run along the rafters and divide the opening into parts. Work starts at the end
away from the ladder and finishes toward it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import FloatArray, IntArray, expand
from roofplat.placing.bays import Bays
from roofplat.placing.scene import Boxes
from roofplat.rules import Rulebook
from roofplat.tables import CUT_KINDS, METHODS

__all__ = [
    "LOUVERS",
    "UNCUT",
    "CutSteps",
    "Strips",
    "cut_steps",
    "kept_short",
    "opening_strips",
    "toward_ladder",
]

# Ways that turn panels on a rafter or joist, and ways that need no saw.
LOUVERS = tuple(METHODS.index(way) for way in ("center_rafter_louver", "joist_louver"))
UNCUT = tuple(METHODS.index(way) for way in ("existing_opening", "glazing"))


@dataclass(frozen=True, slots=True)
class Strips:
    """Openings in section coordinates, sorted by section and order; shape (k,) each.

    section, seq
        Owner and order of opening, from 1.
    method
        Number in `tables.METHODS`.
    parts
        Louvers, or pieces of deck folded back.
    u_head, u_base
        The long sides: away from the ladder and toward it.
    v_start, v_finish
        The short sides: where work starts and where it finishes.
    """

    section: IntArray
    seq: IntArray
    method: IntArray
    parts: IntArray
    u_head: FloatArray
    u_base: FloatArray
    v_start: FloatArray
    v_finish: FloatArray

    def boxes(self) -> Boxes:
        """The openings as boxes."""
        return Boxes(
            self.section,
            np.minimum(self.u_head, self.u_base),
            np.maximum(self.u_head, self.u_base),
            np.minimum(self.v_start, self.v_finish),
            np.maximum(self.v_start, self.v_finish),
        )


@dataclass(frozen=True, slots=True)
class CutSteps:
    """Cuts of all openings in order: a step holds one cut or several equal ones.

    opening, step, kind, saw
        Opening of each step, its order from 1, number in `tables.CUT_KINDS`, and the saw; shape (s,).
    owner
        Step of each single cut, ascending, shape (c,).
    u0, v0, u1, v1
        Ends of each single cut, in the direction of the saw, shape (c,).
    """

    opening: IntArray
    step: IntArray
    kind: IntArray
    saw: IntArray
    owner: IntArray
    u0: FloatArray
    v0: FloatArray
    u1: FloatArray
    v1: FloatArray


def opening_strips(
    bays: Bays,
    chosen: npt.NDArray[np.int64],
    foothold_u: FloatArray,
    foothold_v: FloatArray,
    *,
    method: IntArray,
    rafter_ft: FloatArray,
    longest_ft: FloatArray,
    fire_u: FloatArray,
    fire_v: FloatArray,
    rules: Rulebook,
) -> Strips:
    """Cut rectangles of the chosen bays.

    Parameters
    ----------
    bays
        Of n sections.
    chosen
        Bays in order of opening, -1 for none, shape (n, limit).
    foothold_u, foothold_v
        First foothold, shape (n,).
    method
        Number in `tables.METHODS` of the way the deck is cut, shape (n,).
    rafter_ft
        Rafter spacing, shape (n,); NaN where there are none.
    longest_ft, fire_u, fire_v
        Longest side of an opening, infinite without a limit, and the fire spot it then lies
        nearest to, shape (n,).
    rules
        `opening.*`.

    Returns
    -------
    Strips
        Where both ends are equally far from the ladder, work starts at the higher v.
    """
    section, order = np.nonzero(chosen >= 0)
    bay = chosen[section, order]
    u_low, u_high, v_low, v_high = bays.rectangle(bay)
    u_low, u_high = kept_short(u_low, u_high, longest_ft[section], fire_u[section])
    # A long side kept short between joists moves by whole spaces: its ends stay midway between two.
    step = np.where(method == METHODS.index("between_joists"), rafter_ft, np.nan)
    v_low, v_high = kept_short(v_low, v_high, longest_ft[section], fire_v[section], step[section])
    length = v_high - v_low
    way = method[section]
    louver_ft = rules.count("opening.louver_rafters") * rafter_ft[section]
    louvers, folds = np.isin(way, LOUVERS), way == METHODS.index("fold_back")
    part_ft = np.select([louvers, folds], [louver_ft, rules.number("opening.fold_back_part_ft")], np.inf)
    whole = np.where(louvers, np.floor(length / part_ft + 1e-9), np.round(length / part_ft))
    return toward_ladder(
        Boxes(section, u_low, u_high, v_low, v_high),
        foothold_u,
        foothold_v,
        seq=order + 1,
        method=way,
        parts=np.maximum(whole, 1).astype(np.int64),
    )


def toward_ladder(
    boxes: Boxes,
    foothold_u: FloatArray,
    foothold_v: FloatArray,
    *,
    seq: IntArray,
    method: IntArray,
    parts: IntArray,
) -> Strips:
    """Openings whose base and finish are the sides nearer the ladder.

    Parameters
    ----------
    boxes
        k openings of n sections.
    foothold_u, foothold_v
        First foothold of each section, shape (n,).
    seq, method, parts
        As `Strips` has them, shape (k,).

    Returns
    -------
    Strips
        Where both sides are equally far from the ladder, the base is the lower, and work starts at
        the higher v.
    """
    tip_u, tip_v = foothold_u[boxes.section], foothold_v[boxes.section]
    base_is_low = np.abs(tip_u - boxes.u_low) <= np.abs(tip_u - boxes.u_high)
    finish_is_low = np.abs(tip_v - boxes.v_low) <= np.abs(tip_v - boxes.v_high)
    return Strips(
        section=boxes.section,
        seq=seq,
        method=method,
        parts=parts,
        u_head=np.where(base_is_low, boxes.u_high, boxes.u_low),
        u_base=np.where(base_is_low, boxes.u_low, boxes.u_high),
        v_start=np.where(finish_is_low, boxes.v_high, boxes.v_low),
        v_finish=np.where(finish_is_low, boxes.v_low, boxes.v_high),
    )


def kept_short(
    low: FloatArray,
    high: FloatArray,
    longest: FloatArray,
    toward: FloatArray,
    step: FloatArray | float = np.nan,
) -> tuple[FloatArray, FloatArray]:
    """Ranges no longer than a limit, as near to a place as they go; by whole steps where one is given.

    Examples
    --------
    >>> low, high = kept_short(np.zeros(2), np.full(2, 10.0), np.array([4.0, np.inf]), np.full(2, 9.0))
    >>> low.tolist(), high.tolist()
    ([6.0, 0.0], [10.0, 10.0])
    >>> low, high = kept_short(np.zeros(1), np.full(1, 10.0), np.full(1, 4.0), np.full(1, 6.5), 2.0)
    >>> low.tolist(), high.tolist()
    ([4.0], [8.0])
    """
    # Rounding makes no range too long.
    too_long = longest < high - low - 1e-6
    half = np.minimum(longest, high - low) / 2
    middle = np.clip(toward, low + half, high - half)
    moved = middle - half - low
    whole = np.round(moved / step) * step
    middle = np.where(np.isnan(whole), middle, middle + whole - moved)
    return np.where(too_long, middle - half, low), np.where(too_long, middle + half, high)


def cut_steps(strips: Strips) -> CutSteps:
    """Cuts of each opening, in order.

    Parameters
    ----------
    strips
        k openings.

    Returns
    -------
    CutSteps
        Fold-back: the base cut, then the parallel cuts, and each part is folded back over the
        head side. All others that are cut: the head cut, the parallel cuts, then the base cut.
    """
    folded = strips.method == METHODS.index("fold_back")
    louvers = np.flatnonzero(~folded & ~np.isin(strips.method, UNCUT))
    folds = np.flatnonzero(folded)
    opening = np.concatenate([louvers, louvers, louvers, folds, folds])
    step = np.repeat([1, 2, 3, 1, 2], [louvers.size] * 3 + [folds.size] * 2)
    head, parallel, base = (CUT_KINDS.index(kind) for kind in ("head_cut", "parallel_cut", "base_cut"))
    kind = np.repeat([head, parallel, base, base, parallel], [louvers.size] * 3 + [folds.size] * 2)
    order = np.lexsort((step, opening))
    opening, step, kind = opening[order], step[order], kind[order]

    is_parallel = kind == parallel
    owner, number = expand(np.where(is_parallel, strips.parts[opening] + 1, 1))
    which = opening[owner]
    along = is_parallel[owner]
    on_head = (kind == head)[owner]
    v_at = strips.v_start[which] + (strips.v_finish - strips.v_start)[which] * (number / strips.parts[which])
    u_across = np.where(on_head, strips.u_head[which], strips.u_base[which])
    return CutSteps(
        opening=opening,
        step=step,
        kind=kind,
        saw=np.where(is_parallel, 2, 1),
        owner=owner,
        u0=np.where(along, strips.u_head[which], u_across),
        v0=np.where(along, v_at, strips.v_start[which]),
        u1=np.where(along, strips.u_base[which], u_across),
        v1=np.where(along, v_at, strips.v_finish[which]),
    )
