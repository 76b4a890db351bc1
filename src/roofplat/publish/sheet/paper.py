"""Papers, the scales that are usual on them, and boxes on a page.

In: the name of a paper size; how large a thing is in feet and in points.
Out: `Paper`, `Box`, and the largest usual scale at which the thing fits.

A sheet stands upright (portrait): it goes into a binder and onto a clipboard beside others. A building
that lies along its street is turned so that its address side is at the foot of the page; where that
makes it wide, the scale pays for it, and the page still reads the same way up as all the others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from roofplat.errors import DistrictFileError

__all__ = ["PAPERS", "Box", "Paper", "Scale", "find_paper", "largest_scale"]

POINTS_PER_INCH = 72.0
# The international foot, by which true ground is measured.
_FOOT_M = 0.3048
_MM_PER_INCH = 25.4
_INCHES_PER_FOOT = 12.0


@dataclass(frozen=True, slots=True)
class Box:
    """A box on the page, in points from the lower left corner of the page."""

    x: float
    y: float
    width: float
    height: float

    def inset(self, by: float) -> Box:
        """Return the box drawn in by some points on every side.

        Examples
        --------
        >>> Box(0, 0, 10, 20).inset(2)
        Box(x=2, y=2, width=6, height=16)
        """
        return Box(self.x + by, self.y + by, self.width - 2 * by, self.height - 2 * by)


@dataclass(frozen=True, slots=True)
class Scale:
    """A drawing scale: how it is said, and how many ground feet are one point on the page."""

    words: str
    feet_per_point: float


@dataclass(frozen=True, slots=True)
class Paper:
    """A paper size with the scales that are drawn on it.

    Parameters
    ----------
    name, width_pt, height_pt
        The sheet, upright.
    margin_pt
        Blank on every side: room for a punched edge, and for printers that do not print to it.
    scales
        From the largest (most points to a foot) to the smallest.
    metric
        Lengths are said in metres too.
    """

    name: str
    width_pt: float
    height_pt: float
    margin_pt: float
    scales: tuple[Scale, ...]
    metric: bool


# Edges of an engineer's scale: 10 to 60 parts to the inch, and ten times those (10, 20 ... 60 ft and
# 100, 200 ... 600 ft to the inch). Common practice; the rule itself is sold with these six edges.
_ENGINEER = (10, 20, 30, 40, 50, 60)
# ISO 5455:1979, recommended scales 1:10, 1:20, 1:50, 1:100 ..., and the edges 1:75, 1:125, 1:250,
# 1:300, 1:400, 1:750 and 1:1250 that metric scale rules carry beside them. From memory.
_METRIC = (50, 75, 100, 125, 200, 250, 300, 400, 500, 750, 1000, 1250, 1500, 2000, 2500)


def _inch_to_feet(feet: int) -> Scale:
    return Scale(f"1 in = {feet} ft", feet / POINTS_PER_INCH)


def _one_to(ratio: int) -> Scale:
    return Scale(f"1:{ratio}", ratio / POINTS_PER_INCH / _INCHES_PER_FOOT)


PAPERS: Mapping[str, Paper] = {
    "letter": Paper(
        "letter",
        612.0,
        792.0,
        32.0,
        tuple(_inch_to_feet(feet * ten) for ten in (1, 10, 100) for feet in _ENGINEER),
        metric=False,
    ),
    "A4": Paper(
        "A4",
        210.0 / _MM_PER_INCH * POINTS_PER_INCH,
        297.0 / _MM_PER_INCH * POINTS_PER_INCH,
        32.0,
        tuple(_one_to(ratio * ten) for ten in (1, 100) for ratio in _METRIC),
        metric=True,
    ),
}
"""The papers by name; the scales of `letter` are an engineer's, those of `A4` are metric."""


def find_paper(name: str) -> Paper:
    """Return the paper of that name, however it is written.

    Examples
    --------
    >>> find_paper("a4").scales[0].words
    '1:50'
    """
    by_name = {known.lower(): paper for known, paper in PAPERS.items()}
    try:
        return by_name[name.strip().lower()]
    except KeyError:
        raise DistrictFileError(
            f"There is no paper {name!r}; a sheet is printed on {' or '.join(PAPERS)}."
        ) from None


def largest_scale(paper: Paper, width_ft: float, height_ft: float, box: Box) -> Scale:
    """Return the largest of a paper's scales at which a thing fits into a box.

    Parameters
    ----------
    paper
        The paper with its scales.
    width_ft, height_ft
        The thing, ground feet.
    box
        Where it is to be drawn.

    Returns
    -------
    Scale
        The smallest scale of the paper where none is small enough; scales end far beyond the largest
        building there is.

    Examples
    --------
    A building of 180 by 90 ft on 6 by 4 inches:

    >>> largest_scale(PAPERS["letter"], 180, 90, Box(0, 0, 432, 288)).words
    '1 in = 30 ft'
    """
    for scale in paper.scales:
        if width_ft <= box.width * scale.feet_per_point and height_ft <= box.height * scale.feet_per_point:
            return scale
    return paper.scales[-1]
