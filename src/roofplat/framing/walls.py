"""Walls: the outline as straight runs, with side letters and what each wall does.

In: outlines, streets, framing axes.
Out: `Walls`: ends, lengths, directions, sides and kinds of every wall.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from roofplat.framing.outline import Outlines, polygons_of, ring_edges
from roofplat.framing.ragged import FloatArray, IntArray, first_minimum, marked, offsets, stack, take
from roofplat.rules import Rulebook
from roofplat.tables import BASES, SIDES, WALL_KINDS

# Streets this near a building are tried one by one.
_STREET_FT = 150.0
# Walls this near to halfway between two sides face halfway.
_DIAGONAL_DEG = 0.01
# Ways to the next corner that differ by less are equal.
_EQUAL_FT = 0.01

_HOUSE_NUMBER = re.compile(r"^\s*[\dA-Za-z/-]*\d[\dA-Za-z/-]*\s+", re.ASCII)
_STOPS = re.compile(r"[.,]")

__all__ = ["Walls", "bearing_kinds", "drawn_kinds", "side_letters", "straight_walls", "street_direction_deg"]


@dataclass(frozen=True, slots=True)
class Walls:
    """The walls of n sections, sorted by section and ring; the roof is on their right.

    section
        Owner, shape (w,).
    start
        First wall of each section and the end, shape (n + 1,).
    shell
        True for a wall of the outer ring, False for one of a courtyard.
    east0, north0, east1, north1
        Ends in ground feet on the section's plane.
    length_ft
        Shape (w,).
    azimuth_deg
        Direction of the wall, 0 up to 360.
    outward_deg
        Direction away from the roof.
    convex_start, convex_end
        True where the building's corner at that end points outward.
    """

    section: IntArray
    start: IntArray
    shell: npt.NDArray[np.bool_]
    east0: FloatArray
    north0: FloatArray
    east1: FloatArray
    north1: FloatArray
    length_ft: FloatArray
    azimuth_deg: FloatArray
    outward_deg: FloatArray
    convex_start: npt.NDArray[np.bool_]
    convex_end: npt.NDArray[np.bool_]

    def rows(self, rows: slice) -> Walls:
        """The same for a run of sections, without copying."""
        walls = slice(self.start[rows.start], self.start[rows.stop])
        return Walls(
            section=self.section[walls] - rows.start,
            start=self.start[rows.start : rows.stop + 1] - walls.start,
            shell=self.shell[walls],
            east0=self.east0[walls],
            north0=self.north0[walls],
            east1=self.east1[walls],
            north1=self.north1[walls],
            length_ft=self.length_ft[walls],
            azimuth_deg=self.azimuth_deg[walls],
            outward_deg=self.outward_deg[walls],
            convex_start=self.convex_start[walls],
            convex_end=self.convex_end[walls],
        )


def straight_walls(outlines: Outlines, rules: Rulebook) -> Walls:
    """Simplify outlines to straight runs.

    Parameters
    ----------
    outlines
        Edges of n sections.
    rules
        `outline.jog_ft`.

    Returns
    -------
    Walls
        Never more than `outline.jog_ft` away from the outline.
    """
    corners = _corners(outlines, rules.number("outline.jog_ft"))
    first = np.flatnonzero(corners.first)
    following = np.arange(1, corners.section.size + 1)
    # Without any ring there is no last corner either.
    following[np.r_[first[1:], corners.section.size][: first.size] - 1] = first
    point = np.stack([corners.east, corners.north], axis=1)
    end = point[following]
    d_east, d_north = (end - point).T
    azimuth = np.degrees(np.arctan2(d_east, d_north)) % 360.0
    # The roof is on the right: a turn to the right is a corner that points outward.
    convex_end = (azimuth[following] - azimuth + 180.0) % 360.0 - 180.0 > 0
    convex_start = np.empty_like(convex_end)
    convex_start[following] = convex_end
    return Walls(
        section=corners.section,
        start=offsets(np.bincount(corners.section, minlength=outlines.count)),
        shell=corners.shell,
        east0=point[:, 0],
        north0=point[:, 1],
        east1=end[:, 0],
        north1=end[:, 1],
        length_ft=np.hypot(d_east, d_north),
        azimuth_deg=azimuth,
        outward_deg=(azimuth - 90.0) % 360.0,
        convex_start=convex_start,
        convex_end=convex_end,
    )


@dataclass(frozen=True, slots=True)
class _Corners:
    """Corners of simplified outlines, sorted by section and ring; `first` opens a ring."""

    section: IntArray
    shell: npt.NDArray[np.bool_]
    first: npt.NDArray[np.bool_]
    east: FloatArray
    north: FloatArray


def _corners(outlines: Outlines, tolerance: float) -> _Corners:
    """Corners that are left when no outline moves by more than a tolerance."""
    following = outlines.following
    before = np.empty_like(following)
    before[following] = np.arange(following.size)
    point = np.stack([outlines.east0, outlines.north0], axis=1)
    off = _off_chord(point[before], point, point[following])
    # Where every corner stands this far off, no two walls fit one straight run.
    plain = ~marked(outlines.section[off <= 2 * tolerance], outlines.count)
    edge = np.flatnonzero(plain[outlines.section])
    kept = _Corners(
        section=outlines.section[edge],
        shell=outlines.shell[edge],
        first=(before >= np.arange(before.size))[edge],
        east=outlines.east0[edge],
        north=outlines.north0[edge],
    )
    rest = np.flatnonzero(~plain)
    if not rest.size:
        return kept
    both = stack([kept, _simplified(outlines, rest, tolerance)])
    return take(both, np.argsort(both.section, kind="stable"))


def _simplified(outlines: Outlines, rows: IntArray, tolerance: float) -> _Corners:
    """Corners of some sections, simplified by `shapely.simplify`, which keeps the one it begins at.

    It is shown each ring from the corner that lies farthest from the section's centroid (to 0.01 ft), and the
    outer ring's shorter way to the next corner first, so that what is left is the same of a building that is
    turned or mirrored.
    """
    polygons = polygons_of(
        outlines, rows, outlines.east0, outlines.north0, farness=np.hypot(outlines.east0, outlines.north0)
    )
    outer = shapely.get_exterior_ring(polygons)
    start = shapely.get_point(outer, 0)
    ahead, back = (shapely.distance(start, shapely.get_point(outer, place)) for place in (1, -2))
    around = ahead > back + _EQUAL_FT
    polygons[around] = shapely.reverse(polygons[around])
    simple = shapely.simplify(polygons, tolerance, preserve_topology=True)
    _, corners, (ring_start, polygon_start) = shapely.to_ragged_array(simple, include_z=True)
    coordinates, number = corners[:, :2], corners[:, 2]
    tail, head, ring, following = ring_edges(np.asarray(ring_start))
    section_of_ring = np.repeat(rows, np.diff(polygon_start))
    shell_ring = marked(polygon_start[:-1], section_of_ring.size)

    # Simplifying keeps the first corner of a ring even where it lies on a straight wall.
    last = np.empty_like(following)
    last[following] = np.arange(following.size)
    is_first = tail == np.asarray(ring_start)[ring]
    straight = _off_chord(coordinates[tail[last]], coordinates[tail], coordinates[head]) <= tolerance
    corner = ~(is_first & straight & (np.bincount(ring)[ring] > 3))
    kept = np.flatnonzero(corner)
    # In the order in which the outline has them, whichever way they were shown.
    kept = kept[np.lexsort((number[tail[kept]], ring[kept]))]
    return _Corners(
        section=section_of_ring[ring[kept]],
        shell=shell_ring[ring[kept]],
        first=np.r_[True, np.diff(ring[kept]) != 0],
        east=coordinates[tail[kept], 0],
        north=coordinates[tail[kept], 1],
    )


def _off_chord(before: FloatArray, point: FloatArray, after: FloatArray) -> FloatArray:
    """Distance of points from the lines through their neighbours, shape (n,)."""
    chord, arm = after - before, point - before
    cross = chord[:, 0] * arm[:, 1] - chord[:, 1] * arm[:, 0]
    return np.asarray(np.abs(cross) / np.maximum(np.hypot(*chord.T), 1e-9))


def street_direction_deg(
    outlines: Outlines, address: pd.Series, streets: gpd.GeoDataFrame, rules: Rulebook
) -> FloatArray:
    """True direction from each section to its street.

    Parameters
    ----------
    outlines
        n sections.
    address
        Street address of each, shape (n,); may be missing.
    streets
        `name` and lines in the working CRS.
    rules
        `wall.address_reach_ft`.

    Returns
    -------
    ndarray of float
        Degrees, shape (n,): to the nearest point of the street that the address names, where
        one of that name is within reach, else of the nearest named street, the first in the layer
        among equals; NaN without streets.
    """
    named = streets[streets["name"].notna() & (streets["name"].str.strip() != "")]
    if named.empty or outlines.count == 0:
        return np.full(outlines.count, np.nan)
    planes = outlines.planes
    points = np.asarray(shapely.points(planes.origin_x, planes.origin_y))
    lines = named.geometry.to_numpy()
    tree = shapely.STRtree(lines)
    units_per_ft = np.sqrt(1.0 / planes.area_ft2_per_unit2())
    chosen = _nearest_line(tree, points, lines, _STREET_FT * units_per_ft)

    numbers: dict[str, int] = {}
    street_name = _street_numbers(named["name"], numbers)
    # A street that is not in the layer has no number.
    wanted = _street_numbers(address, numbers, addresses=True)
    differs = np.flatnonzero((wanted != street_name[chosen]) & (wanted >= 0))
    if differs.size:
        reach = rules.number("wall.address_reach_ft") * units_per_ft[differs]
        point, street = tree.query(points[differs], predicate="dwithin", distance=reach)
        same = wanted[differs[point]] == street_name[street]
        point, street = point[same], street[same]
        distance = shapely.distance(points[differs[point]], lines[street])
        order = np.lexsort((street, distance, point))
        best = first_minimum(distance[order], point[order], differs.size)
        hit = best >= 0
        chosen[differs[hit]] = street[order][best[hit]]

    to_street = shapely.get_coordinates(shapely.shortest_line(points, lines[chosen]))[1::2]
    every = np.arange(outlines.count)
    east, north = planes.feet(to_street[:, 0], to_street[:, 1], every)
    return np.degrees(np.arctan2(east, north)) % 360.0


def _nearest_line(
    tree: shapely.STRtree, points: npt.NDArray[Any], lines: npt.NDArray[Any], near: FloatArray
) -> IntArray:
    """The line nearest to each point, the first among equals.

    Most points have a line near by, and to try those in a box around the point is several times
    faster than to ask the tree for the nearest; the tree is asked for the rest.
    """
    x, y = shapely.get_x(points), shapely.get_y(points)
    # A tree sees of a shape its box alone, and a diagonal is made in half the time.
    boxes = np.stack([x - near, y - near, x + near, y + near], axis=1)
    point, line = tree.query(shapely.linestrings(boxes.reshape(-1, 2, 2)))
    by_point = np.argsort(point, kind="stable")
    point, line = point[by_point], line[by_point]
    distance = shapely.distance(points[point], lines[line])
    chosen = np.full(points.size, lines.size, dtype=np.int64)
    if point.size:
        begins = np.flatnonzero(np.r_[True, point[1:] != point[:-1]])
        found, nearest = point[begins], np.minimum.reduceat(distance, begins)
        equal = distance == np.repeat(nearest, np.diff(np.r_[begins, point.size]))
        first = np.minimum.reduceat(np.where(equal, line, lines.size), begins)
        # Beyond the box there may be a nearer one than in its corners.
        sure = nearest <= near[found]
        chosen[found[sure]] = first[sure]
    rest = np.flatnonzero(chosen == lines.size)
    asked, answer = tree.query_nearest(points[rest], all_matches=True)
    np.minimum.at(chosen, rest[asked], answer)
    return chosen


def side_letters(
    walls: Walls, street_deg: FloatArray, building: npt.NDArray[Any]
) -> tuple[IntArray, FloatArray]:
    """Side letters: A faces the street, then clockwise.

    Parameters
    ----------
    walls
        Walls of n sections.
    street_deg
        Direction to the street, shape (n,); NaN where there is none: side A is then the longest
        wall's.
    building
        Number of the building of each section, shape (n,); its first section sets side A for
        the whole building.

    Returns
    -------
    side
        Number of each wall's letter in `tables.SIDES`, -1 for a courtyard, shape (w,).
    facing_deg
        Outward direction of side A of each section, shape (n,).

    Notes
    -----
    Side A is the outward direction of the wall that shows the widest face to the street:
    length times the cosine of the angle between them is largest, to 0.001 ft; among equals the
    wall with the lowest number. A wall that faces halfway between two sides is of A or of C.
    """
    street = street_deg[walls.section]
    toward = np.where(
        np.isfinite(street), np.cos(np.radians(walls.outward_deg - street)) * walls.length_ft, walls.length_ft
    )
    face = np.where(walls.shell, np.round(toward, 3), -np.inf)
    front = first_minimum(-face, walls.section, walls.start.size - 1)
    facing = walls.outward_deg[front]
    _, first, inverse = np.unique(building, return_index=True, return_inverse=True)
    facing = facing[first][inverse]
    off = (walls.outward_deg - facing[walls.section] + 180.0) % 360.0 - 180.0
    back, front_or_back = np.abs(off) > 90.0, np.abs(np.abs(off) - 90.0) >= 45.0 - _DIAGONAL_DEG
    number = np.select([front_or_back & ~back, front_or_back, off > 0], [0, 2, 1], default=3)
    side = np.where(walls.shell, number, -1).astype(np.int64)
    return side, facing


def bearing_kinds(
    walls: Walls,
    axis_deg: FloatArray,
    carries: npt.NDArray[np.str_],
    side: IntArray,
    stated: pd.Series,
    stated_basis: pd.Series,
    rules: Rulebook,
) -> tuple[IntArray, IntArray]:
    """What each wall does, party walls aside.

    Parameters
    ----------
    walls
        Walls of n sections.
    axis_deg, carries
        Azimuth of the beams, and which walls carry them, shape (n,): `all` that run along them or
        across, the `ends` across them only, or nobody `knows not`.
    side
        Letter of each wall as a number.
    stated, stated_basis
        `all` or side letters that a source names as bearing, and its basis, shape (n,).
    rules
        `axis.along_tolerance_deg`.

    Returns
    -------
    kind, basis
        Numbers in `tables.WALL_KINDS` and `tables.BASES`, shape (w,).

    Notes
    -----
    On a roof of beams and purlins the beams land on the walls across the axis and the purlins on
    the walls along it, so both pairs carry. Joists and trusses land on the walls across them; the
    walls along them carry little, and are `nonbearing`. A wall at another angle is `unknown`.
    """
    owner = walls.section
    off = np.abs((walls.azimuth_deg - axis_deg[owner] + 45.0) % 90.0 - 45.0)
    squared = (carries != "knows not")[owner] & (off <= rules.number("axis.along_tolerance_deg"))
    along = np.abs((walls.azimuth_deg - axis_deg[owner] + 90.0) % 180.0 - 90.0) <= 45.0
    kind = np.where(squared, WALL_KINDS.index("bearing"), WALL_KINDS.index("unknown"))
    kind[squared & along & (carries == "ends")[owner]] = WALL_KINDS.index("nonbearing")
    basis = np.where(squared, BASES.index("inferred"), BASES.index("assumed"))

    says = stated.notna().to_numpy()
    if says.any():
        text = stated.fillna("").str.upper()
        named = np.zeros(owner.size, dtype=bool)
        for number, letter in enumerate(SIDES):
            holds = (text.str.contains(letter) | (text == "ALL")).to_numpy(dtype=bool)
            named |= holds[owner] & (side == number)
        stated_kind = np.where(named, WALL_KINDS.index("bearing"), WALL_KINDS.index("nonbearing"))
        kind = np.where(says[owner], stated_kind, kind)
        code = pd.Index(BASES).get_indexer(pd.Index(stated_basis.fillna("assumed")))
        basis = np.where(says[owner], code[owner], basis)
    return kind, basis


def drawn_kinds(
    walls: Walls,
    outlines: Outlines,
    drawn: gpd.GeoDataFrame,
    kind: IntArray,
    basis: IntArray,
    rules: Rulebook,
) -> tuple[IntArray, IntArray]:
    """What each wall does where somebody drew it, party walls aside.

    Parameters
    ----------
    walls, outlines
        Walls of n sections and the outlines that they are of.
    drawn
        `kind`, `basis` and lines along the outlines, in the working CRS; may be empty.
    kind, basis
        As `bearing_kinds` returns them, shape (w,).
    rules
        `outline.jog_ft`, `record.along_share`.

    Returns
    -------
    kind, basis
        That of the drawing which runs along most of the wall, and along enough of it, where its basis is no
        worse; then of the better basis, then the first in `tables.WALL_KINDS`. Else as given.
    """
    if drawn.empty or not walls.section.size:
        return kind, basis
    planes = outlines.planes
    ends = np.stack(
        [
            np.stack(planes.crs(east, north, walls.section), axis=1)
            for east, north in ((walls.east0, walls.north0), (walls.east1, walls.north1))
        ],
        axis=1,
    )
    runs: Any = shapely.linestrings(ends)
    lines = np.asarray(drawn.geometry.array, dtype=object)
    near = rules.positive("outline.jog_ft") / np.sqrt(planes.area_ft2_per_unit2())[walls.section]
    line, wall = shapely.STRtree(runs).query(lines, predicate="dwithin", distance=float(near.max()))
    strip = shapely.buffer(runs[wall], near[wall], cap_style="flat")
    along = shapely.length(shapely.intersection(lines[line], strip)) / shapely.length(runs[wall])
    said = pd.Index(WALL_KINDS).get_indexer(pd.Index(drawn["kind"]))[line]
    how = pd.Index(BASES).get_indexer(pd.Index(drawn["basis"]))[line]
    said, how = np.where(said < 0, WALL_KINDS.index("unknown"), said), np.where(how < 0, len(BASES) - 1, how)
    # One wall may be drawn in pieces, and by several hands.
    group = (wall * len(WALL_KINDS) + said) * len(BASES) + how
    groups, place = np.unique(group, return_inverse=True)
    share = np.round(np.bincount(place.reshape(-1), weights=along), 6)
    of_wall = groups // (len(WALL_KINDS) * len(BASES))
    said, how = groups // len(BASES) % len(WALL_KINDS), groups % len(BASES)
    counts = (share >= rules.share("record.along_share")) & (how <= basis[of_wall])
    order = np.lexsort((said, how, -share, of_wall))
    order = order[counts[order]]
    first = order[np.r_[True, of_wall[order][1:] != of_wall[order][:-1]][: order.size]]
    kind, basis = kind.copy(), basis.copy()
    kind[of_wall[first]] = said[first]
    basis[of_wall[first]] = how[first]
    return kind, basis


def _street_numbers(text: pd.Series, numbers: dict[str, int], *, addresses: bool = False) -> IntArray:
    """Which street each name, or each address, names, shape (n,).

    Names are compared as people do: without case, stops and double spaces. The names of streets get new
    numbers; an address without a street of that name, and a missing text, get -1.
    """
    code, different = pd.factorize(text.array)
    found = np.full(len(different) + 1, -1)
    number_of: dict[str, int] = {}
    for place, name in enumerate(different):
        house = _HOUSE_NUMBER.match(name) if addresses else None
        street = name if house is None else name[house.end() :]
        # Many houses have one street.
        number = number_of.get(street)
        if number is None:
            key = " ".join(_STOPS.sub("", street.casefold()).split())
            number = numbers.get(key, -1) if addresses else numbers.setdefault(key, len(numbers))
            number_of[street] = number
        found[place] = number
    return np.asarray(found[code], dtype=np.int64)
