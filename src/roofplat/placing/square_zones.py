"""Collapse zones of outlines with square corners, all at once.

In: outlines in the working CRS, the plane in feet of each, and how far each zone reaches.
Out: which of the outlines it could do, and their zones; the others are left to the geometry library.

Around an outline whose corners are all about square, outward and inward, the border of the zone is made of
round corners, of the straight stretches between them, and of one bend at each recess: one corner that turns
inward, or two in a row. To find the bends is several times faster than to buffer each outline. What is not
as plain as that, such as a wide courtyard or a step that vanishes in the zone, shows at the bends and is not
done here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.framing.ragged import FloatArray, IntArray, lists_of, marked, offsets
from roofplat.ground import LocalPlanes
from roofplat.wkb import Shapes

__all__ = ["around_square_corners"]

Flags = npt.NDArray[np.bool_]
# Points of the plane as complex numbers: to turn one is to multiply it.
Points = npt.NDArray[np.complex128]
# Pieces in which a quarter of a round corner is drawn, and how far off square a corner has as many.
_QUARTER = 8
_OFF_SQUARE_DEG = 5.5
# The library straightens what turns inward by less than a hundredth of the reach: of a square corner, its
# distance from the line that cuts it off. Where a wall is shorter than this share, that is left to it.
_LEAST_SHARE = 0.016
_POLYGON = int(shapely.GeometryType.POLYGON)


@dataclass(frozen=True, slots=True)
class _Corners:
    """Corners of k rings, one ring after the other; shape (m,) but for `start`.

    start
        First corner of each ring and the end, shape (k + 1,).
    drawn, at
        The corner as it was given, and in feet.
    following, before
        The next corner of the ring, and the one before.
    outward
        Direction away from the roof of the wall that begins here, in radians.
    turn
        How far the wall turns here against the one before; outward corners have the sign of the ring's way
        round.
    bulges
        True for a corner that turns outward.
    """

    start: IntArray
    owner: IntArray
    following: IntArray
    before: IntArray
    drawn: Points
    at: Points
    length: FloatArray
    outward: FloatArray
    turn: FloatArray
    bulges: Flags


@dataclass(frozen=True, slots=True)
class _Recesses:
    """Recesses between two corners that turn outward; shape (r,).

    opens, closes
        The corners before and after it.
    first, last
        The corners in it that turn inward; the same where there is one.
    """

    opens: IntArray
    closes: IntArray
    first: IntArray
    last: IntArray


@dataclass(frozen=True, slots=True)
class _Bends:
    """Where the border of the zone bends at a recess; shape (r,).

    found
        Whether there is one bend alone.
    leaves, meets
        How far along the round corner before and the one after it lies, in pieces: above the last for the
        straight stretch behind the corner, below zero for the one ahead of it.
    """

    found: Flags
    leaves: FloatArray
    meets: FloatArray
    at: Points


def around_square_corners(
    outline: npt.NDArray[np.object_], reach: FloatArray, planes: LocalPlanes | None = None
) -> tuple[IntArray, Shapes]:
    """Zones around outlines with square corners.

    Parameters
    ----------
    outline
        Shapes in the working CRS, shape (k,).
    reach
        How far the zone reaches, in feet, shape (k,).
    planes
        The plane of each outline that feet are measured on, shape (k,); None where they are drawn in feet.

    Returns
    -------
    done
        Which of the outlines have their zone here, ascending, shape (d,).
    zones
        The ground around each in the working CRS, the outline left out with the corners that it has; a
        quarter of a round corner has eight pieces.

    Examples
    --------
    >>> ell = shapely.Polygon([(0, 0), (60, 0), (60, 20), (20, 20), (20, 50), (0, 50)])
    >>> done, zones = around_square_corners(np.array([ell]), np.array([10.0]))
    >>> apart = zones.geometry()[0].symmetric_difference(ell.buffer(10, quad_segs=8) - ell)
    >>> done.tolist(), bool(apart.area < 1e-9)
    ([0], True)
    """
    some = np.flatnonzero(
        (shapely.get_type_id(outline) == _POLYGON)
        & (shapely.get_num_interior_rings(outline) == 0)
        & (shapely.get_num_coordinates(outline) >= 5)
        & (reach > 0)
    )
    own = None if planes is None else planes.rows(some)
    corners = _corners(outline[some], own)
    recesses, plain = _recesses(corners, reach[some])
    bends = _bends(corners, recesses, reach[some])
    owner = corners.owner[recesses.opens]
    lowest = np.zeros(corners.owner.size)
    highest = np.full(corners.owner.size, float(_QUARTER))
    highest[recesses.opens] = bends.leaves
    lowest[recesses.closes] = bends.meets
    plain[owner[~bends.found | _within_reach(corners, recesses, bends, reach[some])]] = False
    plain[corners.owner[corners.bulges & (lowest >= highest)]] = False
    zones = _zones(corners, recesses, bends, reach[some], lowest, highest, plain, own)
    tangled = _face_to_face(corners, recesses, plain)
    done = np.flatnonzero(plain)
    # Two recesses side by side may meet beyond the wall between them.
    sound = np.ones(done.size, dtype=bool)
    asked = tangled[done]
    sound[asked] = shapely.is_valid(zones.take(np.flatnonzero(asked)).geometry())
    if sound.all():
        return some[done], zones
    return some[done[sound]], zones.take(np.flatnonzero(sound))


def _corners(outline: npt.NDArray[np.object_], planes: LocalPlanes | None) -> _Corners:
    sizes = shapely.get_num_coordinates(outline) - 1
    start = offsets(sizes)
    owner = np.repeat(np.arange(outline.size), sizes)
    ring = shapely.get_coordinates(outline)
    closed = offsets(sizes + 1)
    is_first = marked(closed[:-1], len(ring) + 1)[:-1]
    is_last = marked(closed[1:] - 1, len(ring) + 1)[:-1]
    every = drawn = _points(ring)
    if planes is not None:
        plane = np.repeat(np.arange(outline.size), sizes + 1)
        every = _points(np.stack(planes.feet(ring[:, 0], ring[:, 1], plane), axis=1))
    # The end of each wall is the next vertex of the closed ring.
    at, run = every[~is_last], every[~is_first]
    run -= at
    following = np.arange(1, owner.size + 1)
    following[start[1:] - 1] = start[:-1]
    before = np.arange(-1, owner.size - 1)
    before[start[:-1]] = start[1:] - 1
    # From the first corner, so that far ones do not cost digits.
    area = np.bincount(owner, _cross(at - at[start[:-1]][owner], run), minlength=outline.size)
    way = np.sign(area)[owner]
    outward = np.angle(run * (-1j * way))
    turn = (outward - outward[before] + np.pi) % (2 * np.pi) - np.pi
    return _Corners(
        start=start,
        owner=owner,
        following=following,
        before=before,
        drawn=drawn[~is_last],
        at=at,
        length=np.abs(run),
        outward=outward,
        turn=turn,
        bulges=turn * way > 0,
    )


def _points(xy: FloatArray) -> Points:
    return np.ascontiguousarray(xy).view(np.complex128)[:, 0]


def _recesses(corners: _Corners, reach: FloatArray) -> tuple[_Recesses, Flags]:
    """The recesses of the outlines that are square, and which are, shape (k,)."""
    unfit = np.abs(np.abs(corners.turn) - np.pi / 2) > np.radians(_OFF_SQUARE_DEG)
    unfit |= corners.length < _LEAST_SHARE * reach[corners.owner]
    following, bulges = corners.following, corners.bulges
    second = following[following]
    opens = bulges & ~bulges[following]
    single = bulges[second]
    closes = np.where(single, second, following[second])
    unfit |= opens & ~bulges[closes]
    plain = ~marked(corners.owner[unfit], reach.size)
    rows = np.flatnonzero(opens & plain[corners.owner])
    first = following[rows]
    return _Recesses(rows, closes[rows], first, np.where(single[rows], first, following[first])), plain


def _cross(one: Points, other: Points) -> FloatArray:
    """The cross product, above zero where the other lies to the left of the one."""
    return one.real * other.imag - one.imag * other.real


def _round(corners: _Corners, corner: IntArray, far: FloatArray) -> Points:
    """Points along round corners, from the corners themselves, shape (r, pieces + 1)."""
    turn = corners.turn[corner]
    points = np.empty((corner.size, _QUARTER + 1), dtype=np.complex128)
    points[:, 0] = far * np.exp(1j * (corners.outward[corner] - turn))
    points[:, 1:] = np.exp(1j * (turn / _QUARTER))[:, None]
    np.multiply.accumulate(points, axis=1, out=points)
    return points


def _bends(corners: _Corners, recesses: _Recesses, reach: FloatArray) -> _Bends:
    """Where the border that comes from the corner before a recess meets that which goes to the one after.

    Of two straight pieces, one on each side, each says on which side of it the bend lies: from a first guess
    it is a few pieces to the right ones. Both borders turn one way and by a quarter alone, so that they meet
    once at most.
    """
    opens, closes = recesses.opens, recesses.closes
    far = reach[corners.owner[opens]]
    across = corners.at[closes] - corners.at[opens]
    # Coming: the round corner, then straight to the foot of the first corner that turns inward.
    come, go = np.empty((2, opens.size, _QUARTER + 2), dtype=np.complex128)
    come[:, :-1] = _round(corners, opens, far)
    foot = corners.at[recesses.first] - corners.at[opens]
    come[:, -1] = foot + far * np.exp(1j * corners.outward[opens])
    go[:, 1:] = _round(corners, closes, far)
    foot = corners.at[recesses.last] - corners.at[closes]
    go[:, 0] = foot + far * np.exp(1j * corners.outward[recesses.last])
    go += across[:, None]
    one, two = _guess(corners, recesses, across, far)
    found = np.zeros(opens.size, dtype=bool)
    leaves, meets = np.zeros((2, opens.size))
    at = np.zeros(opens.size, dtype=np.complex128)
    left = np.arange(opens.size)
    for _ in range(2 * _QUARTER):
        i, j = one[left], two[left]
        begin, other = come[left, i], go[left, j]
        run, way, off = come[left, i + 1] - begin, go[left, j + 1] - other, other - begin
        with np.errstate(divide="ignore", invalid="ignore"):
            cross = _cross(run, way)
            share, others = _cross(off, way) / cross, _cross(off, run) / cross
        hit = (share >= 0) & (share < 1) & (others >= 0) & (others < 1)
        here = left[hit]
        found[here] = True
        leaves[here], meets[here] = (i + share)[hit], (j + others)[hit] - 1
        at[here] = begin[hit] + share[hit] * run[hit]
        one[left] = np.clip(i + (share >= 1) - (share < 0), 0, _QUARTER)
        two[left] = np.clip(j + (others >= 1) - (others < 0), 0, _QUARTER)
        left = left[~hit]
        if not left.size:
            break
    return _Bends(found, leaves, meets, at + corners.at[opens])


def _guess(
    corners: _Corners, recesses: _Recesses, across: Points, far: FloatArray
) -> tuple[IntArray, IntArray]:
    """On which pieces of both borders the bend is looked for first: where both circles meet."""
    lean = np.arcsin(np.minimum(np.abs(across) / (2 * far), 1.0))
    way = np.sign(corners.turn[recesses.opens])
    # Away from the roof, square to the line from corner to corner.
    up = np.angle(across * (-1j * way))
    pieces = []
    for corner, angle in ((recesses.opens, up + way * lean), (recesses.closes, up - way * lean)):
        turn = corners.turn[corner]
        begins = corners.outward[corner] - turn
        turned = ((angle - begins) * way + np.pi) % (2 * np.pi) - np.pi
        pieces.append(np.floor(turned / np.abs(turn) * _QUARTER).astype(np.int64))
    return np.clip(pieces[0], 0, _QUARTER), np.clip(pieces[1] + 1, 0, _QUARTER)


def _within_reach(corners: _Corners, recesses: _Recesses, bends: _Bends, reach: FloatArray) -> Flags:
    """Bends that lie in the zone of another wall than those beside the recess, shape (r,)."""
    owner = corners.owner[recesses.opens]
    bend, wall = lists_of(owner, corners.start)
    opens, closes = recesses.opens[bend], recesses.closes[bend]
    other = (
        (wall != opens) & (wall != corners.before[opens]) & (wall != closes) & (wall != recesses.last[bend])
    )
    bend, wall = bend[other], wall[other]
    run = corners.at[corners.following[wall]] - corners.at[wall]
    off = bends.at[bend] - corners.at[wall]
    share = np.clip((off.real * run.real + off.imag * run.imag) / corners.length[wall] ** 2, 0.0, 1.0)
    near = np.abs(off - share * run) < reach[owner[bend]]
    return marked(bend[near], owner.size)


def _face_to_face(corners: _Corners, recesses: _Recesses, plain: Flags) -> Flags:
    """Outlines with walls beyond one recess and the next that face each other, shape (k,)."""
    opens = recesses.opens
    after = np.arange(1, opens.size + 1)
    owner = corners.owner[opens]
    first = np.flatnonzero(np.r_[True, owner[1:] != owner[:-1]][: opens.size])
    last = np.append(first[1:], opens.size)[: first.size] - 1
    after[last] = first
    size = corners.start[owner + 1] - corners.start[owner]
    outward = (opens[after] - recesses.closes) % size + 1
    inward = 1 + (recesses.first != recesses.last)
    facing = (after != np.arange(opens.size)) & (outward - inward - inward[after] <= -2)
    return marked(owner[facing], plain.size)


def _zones(
    corners: _Corners,
    recesses: _Recesses,
    bends: _Bends,
    reach: FloatArray,
    lowest: FloatArray,
    highest: FloatArray,
    plain: Flags,
    planes: LocalPlanes | None,
) -> Shapes:
    """The zones of the plain outlines: what is left of the round corners, the bends, and the outlines."""
    corner = np.flatnonzero(corners.bulges & plain[corners.owner])
    # Behind each round corner there is room for a bend.
    border = np.empty((corner.size, _QUARTER + 2), dtype=np.complex128)
    border[:, :-1] = _round(corners, corner, reach[corners.owner[corner]]) + corners.at[corner][:, None]
    border[:, -1] = 0.0
    place = np.arange(_QUARTER + 1)
    kept = np.zeros(border.shape, dtype=bool)
    kept[:, :-1] = (place > lowest[corner][:, None]) & (place < highest[corner][:, None])
    whole_low, whole_high = lowest[corner] == 0, highest[corner] == _QUARTER
    kept[whole_low, 0], kept[whole_high, _QUARTER] = True, True
    row = np.full(corners.owner.size, -1, dtype=np.int64)
    row[corner] = np.arange(corner.size)
    at = row[recesses.opens]
    some = at >= 0
    border[at[some], -1] = bends.at[some]
    kept[at[some], -1] = True
    if planes is not None:
        border = _in_crs(border, planes.rows(corners.owner[corner]))

    done = np.flatnonzero(plain)
    number = np.full(plain.size, -1, dtype=np.int64)
    number[done] = np.arange(done.size)
    around = np.bincount(number[corners.owner[corner]], weights=kept.sum(axis=1), minlength=done.size)
    own = np.diff(corners.start)[done]
    sizes = np.column_stack([around.astype(np.int64) + 1, own + 1]).ravel()
    rings = offsets(sizes)
    every = np.empty(int(rings[-1]), dtype=np.complex128)
    outer = np.repeat(np.arange(sizes.size) % 2 == 0, sizes)
    outer[rings[1:] - 1] = False
    inner = np.repeat(np.arange(sizes.size) % 2 == 1, sizes)
    inner[rings[1:] - 1] = False
    every[outer] = border[kept]
    every[inner] = corners.drawn[plain[corners.owner]]
    every[rings[1:] - 1] = every[rings[:-1]]
    xy = every.view(np.float64).reshape(-1, 2)
    return Shapes("Polygon", xy, (rings, np.arange(0, rings.size, 2, dtype=np.int64)))


def _in_crs(border: Points, planes: LocalPlanes) -> Points:
    """Rows of points, each in feet on its own plane, in the working CRS."""
    made = np.empty_like(border)
    made.real, made.imag = planes.crs(border.real, border.imag, np.arange(len(border))[:, None])
    return made
