"""Find a place for every label of a drawing, or a number for it.

In: labels with the places they would like, what must stay in sight, what had better, the box.
Out: for each label where it stands and the leader to what it speaks of; or the number that stands
    there instead, with the text for a list. No label is dropped, no two overlap, none leaves the box.

Labels are placed one after the other, the most wanted first: each takes the cheapest of its places
that hides nothing; a place costs more the later it comes in the label's own order and the more lines
it lies on. Among equals the earlier label and the earlier place win.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import shapely

from roofplat.publish.sheet.fonts import BOLD, FONT, width_pt
from roofplat.publish.sheet.paper import Box

__all__ = ["LEAST_SIZE", "Label", "Placed", "Placement", "Reference", "Spot", "place_labels", "spots_around"]

LEAST_SIZE = 7.5
"""Points; nothing on a plan is set smaller."""
BADGE_PT = 12.0
"""How wide the numbered mark before a text is."""

# Blank around a text, the height of a line, and how much a place costs for each line it lies on.
_PAD = 1.0
_LEADING = 1.18
_ON_A_LINE = 0.8
# A text that stands farther than this from what it speaks of gets a leader.
_LEADER_FROM = 7.0
# Where a free place is looked for: directions and distances around the anchor.
_RINGS = (18.0, 30.0, 46.0, 66.0, 92.0, 126.0, 170.0, 230.0)
_DIRECTIONS = 16
_RING_COST = 1.0
# A leader that runs past a thing, and each point of its length.
_PAST_A_THING = 2.0
_LONG = 0.05
_Shapes = npt.NDArray[np.object_]
_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spot:
    """A place for a label: the middle of its text, how far it is turned, and what it costs.

    `line` has the ends, x0, y0, x1, y1, of a line that is drawn with the text at this place, and has to
    be free too.
    """

    x: float
    y: float
    turn_deg: float = 0.0
    cost: float = 0.0
    line: tuple[float, float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """A text that wants a place.

    Parameters
    ----------
    lines
        The text, one or more lines, all of which the fonts can draw.
    anchor
        The point it speaks of, where a leader ends.
    spots
        Places in order of preference.
    says
        The text as it stands in a list; the lines in one where empty.
    size, bold
        Type.
    badge
        A mark before the text, `disc` or `square`, and the number in it.
    own
        Positions among the things to keep in sight that this label may lie on at its own spots.
    roams
        Whether a place farther off, with a leader, will do. Places of its own are beside the thing and
        get none.
    subject
        Any number; told of again with the place, so that what belongs to it can be drawn.
    """

    lines: tuple[str, ...]
    anchor: tuple[float, float]
    spots: tuple[Spot, ...]
    says: str = ""
    size: float = LEAST_SIZE
    bold: bool = False
    badge: tuple[Literal["disc", "square"], str] | None = None
    own: frozenset[int] = frozenset()
    roams: bool = True
    subject: int = -1

    @property
    def font(self) -> str:
        """Name of its font."""
        return BOLD if self.bold else FONT

    @property
    def extent(self) -> tuple[float, float]:
        """Width and height with the blank around it, in points."""
        text = max((width_pt(line, self.font, self.size) for line in self.lines), default=0.0)
        badge = 0.0 if self.badge is None else BADGE_PT + (1.5 if self.lines else 0.0)
        height = max(self.size * _LEADING * len(self.lines), 0.0 if self.badge is None else BADGE_PT)
        return text + badge + 2 * _PAD, height + 2 * _PAD

    @property
    def text(self) -> str:
        """The text for a list."""
        return self.says or " ".join(self.lines)


@dataclass(frozen=True, slots=True)
class Placed:
    """A label at its place.

    label
        What was asked for, or the number that stands for it.
    x, y, turn_deg
        Middle of the text and how far it is turned counter-clockwise.
    outline
        The box of the text, a polygon in points.
    leader
        Ends of the line from the text to what it speaks of; None where none is needed.
    spot
        Position of the place among the label's own; -1 for one that was looked for.
    """

    label: Label
    x: float
    y: float
    turn_deg: float
    outline: Any
    leader: tuple[tuple[float, float], tuple[float, float]] | None
    spot: int


@dataclass(frozen=True, slots=True)
class Reference:
    """A text that found no room: its number, and whether the number stands on the drawing."""

    number: int
    text: str
    marked: bool


@dataclass(frozen=True, slots=True)
class Placement:
    """Labels at their places, in the order in which they were placed, and the list of the others."""

    placed: tuple[Placed, ...]
    references: tuple[Reference, ...]


@dataclass(slots=True)
class _Taken:
    """What has been placed: boxes and leaders, and the bounds of each."""

    shapes: list[Any] = field(default_factory=list)
    bounds: list[tuple[float, float, float, float]] = field(default_factory=list)
    square: list[bool] = field(default_factory=list)

    def add(self, shape: Any, *, square: bool) -> None:
        self.shapes.append(shape)
        self.bounds.append(shape.bounds)
        self.square.append(square)

    def meets(
        self, shapes: _Shapes, bounds: _Floats, *, square: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.bool_]:
        """Whether each of some shapes lies on anything placed, shape (n,)."""
        if not self.shapes:
            return np.zeros(len(shapes), dtype=bool)
        held = np.asarray(self.bounds)
        near = (
            (bounds[:, None, 0] < held[None, :, 2])
            & (bounds[:, None, 2] > held[None, :, 0])
            & (bounds[:, None, 1] < held[None, :, 3])
            & (bounds[:, None, 3] > held[None, :, 1])
        )
        # Bounds are all there is to an upright box; anything else is looked at itself.
        sure = square[:, None] & np.asarray(self.square)[None, :]
        one, other = np.nonzero(near & ~sure)
        near[one, other] = shapely.intersects(shapes[one], np.asarray(self.shapes, dtype=object)[other])
        return np.asarray(near.any(axis=1), dtype=bool)


def spots_around(
    box: tuple[float, float, float, float], extent: tuple[float, float], *, gap: float = 2.0
) -> tuple[Spot, ...]:
    """Places beside a box: right, left, above, below, then the corners; then the same farther off.

    Parameters
    ----------
    box
        Least and greatest x and y of the thing, in points.
    extent
        Width and height of the text.
    gap
        Blank between the two.

    Returns
    -------
    tuple of Spot

    Examples
    --------
    >>> spots_around((0, 0, 10, 10), (20, 8))[0]
    Spot(x=22.0, y=5.0, turn_deg=0.0, cost=0.0, line=None)
    """
    west, south, east, north = box
    middle_x, middle_y = (west + east) / 2, (south + north) / 2
    width, height = extent[0] / 2, extent[1] / 2
    spots = []
    for far, cost in ((gap, 0.0), (gap + 4.0, 1.0)):
        right, left, up, down = (
            east + far + width,
            west - far - width,
            north + far + height,
            south - far - height,
        )
        places = (
            (right, middle_y), (left, middle_y), (middle_x, up), (middle_x, down),
            (right, up), (right, down), (left, up), (left, down),
        )  # fmt: skip
        spots += [Spot(x, y, 0.0, cost + 0.2 * k) for k, (x, y) in enumerate(places)]
    return tuple(spots)


def place_labels(labels: Sequence[Label], *, hard: Sequence[Any], soft: Sequence[Any], box: Box) -> Placement:
    """Place labels, the first before the others.

    Parameters
    ----------
    labels
        In order of importance.
    hard
        Shapes in points that no text may lie on: walls, ladders, openings, symbols.
    soft
        Shapes that a text had better not lie on: lines of members.
    box
        Nothing may stand outside of it.

    Returns
    -------
    Placement
        Every label, placed or numbered. Numbers count from 1 in the order of `labels`.

    Examples
    --------
    >>> spot = Spot(50, 50)
    >>> twice = [Label(("unit",), (50, 50), (spot,)), Label(("skylight",), (50, 50), (spot,), roams=False)]
    >>> found = place_labels(twice, hard=[], soft=[], box=Box(0, 0, 100, 60))
    >>> [placed.label.lines for placed in found.placed], found.references
    ([('unit',), ('[1]',)], (Reference(number=1, text='skylight', marked=True),))
    """
    scene = _Scene(hard, soft, box)
    placed: list[Placed] = []
    waiting: list[Label] = []
    for label, costs in zip(labels, scene.look(labels, [label.spots for label in labels]), strict=True):
        found = scene.take(label, label.spots, costs, own=True)
        if found is None and label.roams:
            rings = _rings(label)
            found = scene.take(label, rings, scene.look([label], [rings])[0], own=False)
        if found is None:
            waiting.append(label)
        else:
            placed.append(found)
    references = []
    for number, label in enumerate(waiting, start=1):
        mark = Label((f"[{number}]",), label.anchor, (), label.text, LEAST_SIZE, bold=True)
        found = None
        for spots in (spots_around((*label.anchor, *label.anchor), mark.extent), _everywhere(mark, box)):
            if found is None and spots:
                found = scene.take(mark, spots, scene.look([mark], [spots])[0], own=False)
        if found is not None:
            placed.append(found)
        references.append(Reference(number, label.text, found is not None))
    return Placement(tuple(placed), tuple(references))


def _rings(label: Label) -> tuple[Spot, ...]:
    """Places around the anchor, the nearer the cheaper."""
    width, height = label.extent
    x, y = label.anchor
    spots = []
    for ring, far in enumerate(_RINGS):
        for step in range(_DIRECTIONS):
            angle = 2 * np.pi * (step + 0.5) / _DIRECTIONS
            # Measured to the edge of the text, so that long texts go no farther out than short ones.
            along = (np.cos(angle) * (far + width / 2), np.sin(angle) * (far + height / 2))
            spots.append(Spot(x + float(along[0]), y + float(along[1]), 0.0, _RING_COST * (ring + 1)))
    return tuple(spots)


def _everywhere(label: Label, box: Box) -> tuple[Spot, ...]:
    """Places all over the box; the leader is what each of them costs."""
    width, height = label.extent
    across = np.arange(box.x + width / 2 + 0.1, box.x + box.width - width / 2, 0.75 * width)
    up = np.arange(box.y + height / 2 + 0.1, box.y + box.height - height / 2, 0.9 * height)
    return tuple(Spot(x, y) for y in up.tolist() for x in across.tolist())


@dataclass(frozen=True, slots=True)
class _Costs:
    """Boxes of the places of one label and what each costs; infinite where it hides something."""

    boxes: _Shapes
    bounds: _Floats
    cost: _Floats
    upright: npt.NDArray[np.bool_]


class _Scene:
    """The things on a drawing, and what has been placed among them."""

    def __init__(self, hard: Sequence[Any], soft: Sequence[Any], box: Box) -> None:
        self._hard: Any = shapely.STRtree(np.asarray(list(hard), dtype=object))
        self._soft: Any = shapely.STRtree(np.asarray(list(soft), dtype=object))
        self._box = box
        self._taken = _Taken()

    def look(self, labels: Sequence[Label], spots: Sequence[tuple[Spot, ...]]) -> list[_Costs]:
        """What each place of each label costs, all at once."""
        counts = [len(places) for places in spots]
        owner = np.repeat(np.arange(len(labels)), counts)
        flat = [(spot.x, spot.y, spot.turn_deg, spot.cost) for places in spots for spot in places]
        places = np.asarray(flat, dtype=float).reshape(-1, 4)
        extents = np.asarray([label.extent for label in labels], dtype=float).reshape(-1, 2)[owner]
        boxes = _turned_boxes(places, extents)
        bounds = shapely.bounds(boxes).reshape(-1, 4)
        cost = places[:, 3].copy()
        page = self._box
        cost[
            (bounds[:, 0] < page.x)
            | (bounds[:, 1] < page.y)
            | (bounds[:, 2] > page.x + page.width)
            | (bounds[:, 3] > page.y + page.height)
        ] = np.inf
        inside = np.flatnonzero(np.isfinite(cost))
        hit, thing = self._hard.query(boxes[inside], predicate="intersects")
        own = [labels[k].own for k in owner[inside[hit]]]
        hides = np.asarray([at not in mine for at, mine in zip(thing.tolist(), own, strict=True)], dtype=bool)
        cost[inside[hit[hides]]] = np.inf
        with_line = [(k, spot.line) for k, spot in enumerate(chain.from_iterable(spots)) if spot.line]
        if with_line:
            rows = np.asarray([k for k, _ in with_line])
            hit = self._hard.query(_lines([line for _, line in with_line]), predicate="intersects")[0]
            cost[rows[hit]] = np.inf
        inside = np.flatnonzero(np.isfinite(cost))
        hit, _ = self._soft.query(boxes[inside], predicate="intersects")
        cost += _ON_A_LINE * np.bincount(inside[hit], minlength=len(cost))
        upright = places[:, 2] % 90.0 == 0.0
        ends = np.cumsum([0, *counts])
        return [
            _Costs(boxes[a:b], bounds[a:b], cost[a:b], upright[a:b])
            for a, b in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)
        ]

    def take(self, label: Label, spots: tuple[Spot, ...], costs: _Costs, *, own: bool) -> Placed | None:
        """The cheapest place that is still free; it is taken then."""
        open_to = np.flatnonzero(np.isfinite(costs.cost))
        if not len(open_to):
            return None
        met = self._taken.meets(costs.boxes[open_to], costs.bounds[open_to], square=costs.upright[open_to])
        free = open_to[~met]
        cost = costs.cost[free]
        leaders = None
        if not own:
            leaders = np.asarray(
                shapely.shortest_line(costs.boxes[free], shapely.Point(label.anchor)), dtype=object
            )
            cost = cost + self._leader_costs(label, leaders)
        for rank in np.argsort(cost, kind="stable").tolist():
            k = int(free[rank])
            leader = None
            if leaders is not None and leaders[rank].length > _LEADER_FROM:
                if self._crosses(leaders[rank]):
                    continue
                self._taken.add(leaders[rank], square=False)
                start = leaders[rank].coords[0]
                leader = ((float(start[0]), float(start[1])), label.anchor)
            spot = spots[k]
            if spot.line is not None:
                line = _lines([spot.line])[0]
                if self._crosses(line):
                    continue
                self._taken.add(line, square=False)
            self._taken.add(costs.boxes[k], square=bool(costs.upright[k]))
            return Placed(label, spot.x, spot.y, spot.turn_deg, costs.boxes[k], leader, k if own else -1)
        return None

    def _leader_costs(self, label: Label, leaders: _Shapes) -> _Floats:
        """What it costs to lead a line past things that are not the label's own."""
        hit, thing = self._hard.query(leaders, predicate="intersects")
        foreign = np.asarray([at not in label.own for at in thing.tolist()], dtype=bool)
        counts = np.bincount(hit[foreign], minlength=len(leaders))
        past: _Floats = _PAST_A_THING * counts + shapely.length(leaders) * _LONG
        return past

    def _crosses(self, line: Any) -> bool:
        bounds = np.asarray([line.bounds])
        # Level and plumb leaders have bounds without an inside.
        bounds += np.asarray([-0.01, -0.01, 0.01, 0.01])
        shapes = np.asarray([line], dtype=object)
        return bool(self._taken.meets(shapes, bounds, square=np.zeros(1, dtype=bool))[0])


def _lines(ends: Sequence[tuple[float, float, float, float]]) -> _Shapes:
    """Lines from their ends, shape (n,)."""
    return np.asarray(shapely.linestrings(np.asarray(ends).reshape(-1, 2, 2)), dtype=object)


def _turned_boxes(places: _Floats, extents: _Floats) -> _Shapes:
    """Boxes of some extents about some middles, turned counter-clockwise; shape (n,)."""
    turn = np.radians(places[:, 2])
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    across = extents[:, :1] / 2 * np.array([[-1.0, 1.0, 1.0, -1.0]])
    up = extents[:, 1:] / 2 * np.array([[-1.0, -1.0, 1.0, 1.0]])
    x = places[:, :1] + across * cos - up * sin
    y = places[:, 1:2] + across * sin + up * cos
    return np.asarray(shapely.polygons(np.stack([x, y], axis=2)), dtype=object)
