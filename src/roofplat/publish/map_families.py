"""Many lines side by side, as members are, written as a few numbers for each.

In: lines of two vertices in steps, row after row.
Out: families: a first line, a vector and a gap, and what each line differs by; see `map_shapes.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from roofplat.framing.ragged import offsets

__all__ = ["Families", "find_families"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

# A family of lines: two need no family; 1/64 of a step over a hundred lines is less than two steps;
# ends are kept to three steps, so that what rounding left of vertices does not show as differences.
_LEAST_LINES = 3
_GAP_PARTS = 64
_STEPS = 3
_LEAST_GAP = 8.0
_ASIDE = 2.5
_CHUNK_LINES = 12_000


@dataclass(frozen=True, slots=True)
class Families:
    """Families of lines, one after the other.

    row, x, y, across, up, gap
        Of each family: the row it is of, its first line's first vertex, the vector of its longest line, the
        gap at right angles to it.
    counts
        How many lines it has.
    lines
        Of each line: `skip`, `off`, `from` and `to`, as differences from the line before it in its family; 32
        bits wide.
    """

    row: IntArray
    x: IntArray
    y: IntArray
    across: IntArray
    up: IntArray
    gap: IntArray
    counts: IntArray
    lines: Mapping[str, IntArray]


def find_families(kind: IntArray, curves: IntArray, sizes: IntArray, steps: IntArray) -> Families | None:
    """Find the rows that are wholly of families.

    Parameters
    ----------
    kind, curves
        Of each row: 1 for lines, and how many curves it has.
    sizes
        Vertices of each curve.
    steps
        Of each vertex, shape (m, 2).

    Returns
    -------
    Families
        In the order of the rows; None where there are none. Each vertex comes back to three steps.
    """
    chosen = (kind == 1) & (curves >= _LEAST_LINES)
    if not chosen.any():
        return None
    first_curve = offsets(curves)
    first_vertex = offsets(sizes)
    found = []
    for start, end in _chunks(first_curve):
        low, high = first_curve[start], first_curve[end]
        vertices = slice(first_vertex[low], first_vertex[high])
        some = _find(chosen[start:end], curves[start:end], sizes[low:high], steps[vertices])
        if some is not None:
            found.append((start, some))
    if not found:
        return None
    joined = {
        name: np.concatenate([getattr(some, name) for _, some in found])
        for name in ("x", "y", "across", "up", "gap", "counts")
    }
    lines = {
        name: np.concatenate([some.lines[name] for _, some in found])
        for name in ("skip", "off", "from", "to")
    }
    return Families(row=np.concatenate([start + some.row for start, some in found]), lines=lines, **joined)


def _chunks(first_curve: IntArray) -> Iterator[tuple[int, int]]:
    """Rows that have so many lines together that what is made of them stays in the processor's cache."""
    start, rows = 0, len(first_curve) - 1
    while start < rows:
        end = int(np.searchsorted(first_curve, first_curve[start] + _CHUNK_LINES, side="right")) - 1
        end = min(max(end, start + 1), rows)
        yield start, end
        start = end


def _find(
    chosen: npt.NDArray[np.bool_], curves: IntArray, sizes: IntArray, steps: IntArray
) -> Families | None:
    """Families of a few rows."""
    rows = len(curves)
    row_of = np.repeat(np.arange(rows), curves)
    chosen = chosen & (np.bincount(row_of, sizes != 2, minlength=rows) == 0)
    lines = np.flatnonzero(chosen[row_of])
    if not lines.size:
        return None
    first_vertex = offsets(sizes)[:-1][lines]
    row = row_of[lines]
    x0, y0 = (steps[first_vertex, axis].astype(np.float64) for axis in (0, 1))
    x1, y1 = (steps[first_vertex + 1, axis].astype(np.float64) for axis in (0, 1))
    leading = _leads(row, x1 - x0, y1 - y0)
    firsts = np.flatnonzero(leading)
    family_row = row[firsts]
    # Ridges, hips and valleys run every way: a family for each would save nothing.
    good = np.bincount(family_row, minlength=rows) * 2 <= curves
    kept = good[row]
    if not kept.all():
        row, leading = row[kept], leading[kept]
        x0, y0, x1, y1 = x0[kept], y0[kept], x1[kept], y1[kept]
        firsts = np.flatnonzero(leading)
        family_row = row[firsts]
    if not firsts.size:
        return None
    made, error = _made(family_row, firsts, leading, (x0, y0, x1, y1))
    bad = np.bincount(family_row, error > _STEPS, minlength=rows) > 0
    return made if not bad.any() else _only(made, ~bad[family_row])


def _leads(row: IntArray, across: FloatArray, up: FloatArray) -> npt.NDArray[np.bool_]:
    """Which lines begin a family: the first of a row, and those that are not parallel to the last one."""
    leading = np.ones(len(row), dtype=bool)
    aside = np.abs(across[:-1] * up[1:] - up[:-1] * across[1:])
    length = np.sqrt(across * across + up * up)
    leading[1:] = (row[1:] != row[:-1]) | (aside > _ASIDE * np.maximum(length[1:], length[:-1]))
    return leading


def _made(
    row: IntArray,
    firsts: IntArray,
    leading: npt.NDArray[np.bool_],
    ends: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
) -> tuple[Families, FloatArray]:
    """Families that begin at some lines, and how far off, in steps, the worst end of each is."""
    x0, y0, x1, y1 = ends
    counts = np.diff(firsts, append=len(leading))
    family = np.repeat(np.arange(len(counts)), counts)
    longest = _first_longest(x1 - x0, y1 - y0, family, firsts)
    across, up = x1[longest] - x0[longest], y1[longest] - y0[longest]
    length = np.maximum(np.sqrt(across * across + up * up), 1.0)
    unit_x, unit_y = (across / length)[family], (up / length)[family]
    left, top = x0[firsts][family], y0[firsts][family]
    east0, north0, east1, north1 = x0 - left, y0 - top, x1 - left, y1 - top
    from_, to = east0 * unit_x + north0 * unit_y, east1 * unit_x + north1 * unit_y
    off0, off1 = north0 * unit_x - east0 * unit_y, north1 * unit_x - east1 * unit_y
    off = (off0 + off1) / 2
    moved = np.where(leading, 0.0, np.diff(off, prepend=0.0))
    size = np.abs(moved)
    gap = np.minimum.reduceat(np.where(size < _LEAST_GAP, np.inf, size), firsts)
    gap = np.where(np.isfinite(gap), gap, 1e9)
    # Lines mostly go one way: a gap has the sign of the way from the first to the last.
    last = firsts + counts - 1
    gap = np.where(off[last] < off[firsts], -gap, gap)
    places = np.cumsum(np.rint(moved / gap[family]))
    places -= places[firsts][family]
    # Measured over all of them it is as exact as it can be.
    whole = np.where(places[last] != 0, off[last] / np.where(places[last] == 0, 1, places[last]), gap)
    gap = np.rint(whole * _GAP_PARTS)
    held = (gap / _GAP_PARTS)[family] * places
    rest, first, stop = (np.rint(part / _STEPS) for part in (off - held, from_, to))
    away = held + rest * _STEPS
    error = np.maximum(
        (first * _STEPS - from_) ** 2 + (away - off0) ** 2, (stop * _STEPS - to) ** 2 + (away - off1) ** 2
    )
    lines = {
        "skip": np.where(leading, 0.0, np.diff(places, prepend=0.0) - 1),
        "off": np.where(leading, rest, np.diff(rest, prepend=0.0)),
        "from": np.where(leading, first, np.diff(first, prepend=0.0)),
        "to": np.where(leading, stop, np.diff(stop, prepend=0.0)),
    }
    whole_numbers = [part.astype(np.int64) for part in (x0[firsts], y0[firsts], across, up, gap)]
    made = _families(
        [row, *whole_numbers, counts], {name: part.astype(np.int32) for name, part in lines.items()}
    )
    return made, np.sqrt(np.maximum.reduceat(error, firsts))


def _first_longest(across: FloatArray, up: FloatArray, family: IntArray, firsts: IntArray) -> IntArray:
    """The longest line of each family, the first of equals."""
    length = across * across + up * up
    ties = np.flatnonzero(length == np.maximum.reduceat(length, firsts)[family])
    of = family[ties]
    first: IntArray = ties[np.append(True, of[1:] != of[:-1])]
    return first


def _only(made: Families, kept: npt.NDArray[np.bool_]) -> Families | None:
    """Some of the families."""
    if not kept.any():
        return None
    line = np.repeat(kept, made.counts)
    heads = (made.row, made.x, made.y, made.across, made.up, made.gap, made.counts)
    return _families([part[kept] for part in heads], {name: part[line] for name, part in made.lines.items()})


def _families(heads: Sequence[IntArray], lines: Mapping[str, IntArray]) -> Families:
    row, x, y, across, up, gap, counts = heads
    return Families(row, x, y, across, up, gap, counts, lines)
