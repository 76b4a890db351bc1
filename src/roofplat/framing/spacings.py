"""What the roof families say of framing: how members are laid out, and how far apart.

In: the inventory's roofs, the families of the rulebook.
Out: `Spacings`: for each section its way of framing, the spacings in force and how they are known,
    and the lattice on which its bays are measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.members import SectionFrames
from roofplat.framing.ragged import FloatArray, IntArray, sums
from roofplat.rules import Family, Rulebook
from roofplat.tables import BASES

__all__ = ["Kinds", "Spacings", "kinds_of", "mark_too_fine", "spacings_of"]

_NAMES = ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")


@dataclass(frozen=True, slots=True)
class Spacings:
    """How each of n sections is framed; shape (n,) each.

    framing
        One of `rules.FRAMINGS`.
    beam_ft, purlin_ft, rafter_ft
        Spacings in force; NaN where the family has no such members.
    basis
        Number in `tables.BASES` of the weakest spacing in force, -1 without any.
    lattice_beam_ft, lattice_purlin_ft
        The lattice of the bays. On a roof of joists, and under a ridge, a bay is several members
        wide; a lattice under a ridge is laid out on each plane.
    side_clear_ft
        How far a cut keeps from the members that border its bay. Between joists and rafters the
        cuts along them run midway between two.
    purlins_bear
        False where the lines across the beams only measure out the bays.
    least_ft
        A section narrower than this gets no members.
    too_fine
        True where the spacings ask for more members than can be planned among: none are laid out.
    """

    framing: npt.NDArray[np.str_]
    beam_ft: FloatArray
    purlin_ft: FloatArray
    rafter_ft: FloatArray
    basis: IntArray
    lattice_beam_ft: FloatArray
    lattice_purlin_ft: FloatArray
    side_clear_ft: FloatArray
    purlins_bear: npt.NDArray[np.bool_]
    least_ft: FloatArray
    too_fine: npt.NDArray[np.bool_]

    @property
    def laid_rafter_ft(self) -> FloatArray:
        """Spacing of the members under the deck that are laid out, NaN where none are; shape (n,)."""
        return np.where(self.too_fine, np.nan, self.rafter_ft)


@dataclass(frozen=True, slots=True)
class Kinds:
    """The roof families of n sections.

    code
        Number of each section's family in `families`, -1 where it has none, shape (n,).
    families
        Each that occurs, None for one that is not in the rulebook.
    """

    code: IntArray
    families: tuple[Family | None, ...]

    def ask(self, question: Callable[[Family], Any]) -> npt.NDArray[np.object_]:
        """What each section's family answers, None for one that is not in the rulebook."""
        return self._answers(question)[self.code]

    def ask_words(self, question: Callable[[Family], str]) -> npt.NDArray[np.str_]:
        """The same as an array of text; `None` where there is no answer."""
        return self._answers(question).astype(str)[self.code]

    def ask_figures(self, question: Callable[[Family], float | None]) -> FloatArray:
        """The same as numbers; NaN where there is no answer."""
        return self._answers(question).astype(float)[self.code]

    def ask_whether(self, question: Callable[[Family], bool]) -> npt.NDArray[np.bool_]:
        """The same as yes or no; no where there is no answer."""
        return self._answers(question).astype(bool)[self.code]

    def _answers(self, question: Callable[[Family], Any]) -> npt.NDArray[np.object_]:
        answers = np.empty(len(self.families) + 1, dtype=object)
        answers[:-1] = [None if entry is None else question(entry) for entry in self.families]
        return answers


def kinds_of(family: pd.Series, rules: Rulebook) -> Kinds:
    """The families of some sections, looked up once for many questions."""
    code, names = pd.factorize(family)
    return Kinds(code.astype(np.int64), tuple(rules.families.get(name) for name in names))


def spacings_of(roofs: pd.DataFrame, rules: Rulebook, kinds: Kinds | None = None) -> Spacings:
    """Settle the spacings of every section: recorded ones first, the family's after.

    Parameters
    ----------
    roofs
        `tables.TABLES["roofs"]`, n rows.
    rules
        Families, `member.*`, `opening.joist_*`, `opening.ridge_length_ft`, `opening.louver_rafters`,
        `opening.hanger_clear_ft`, `opening.beam_clear_ft`.
    kinds
        Their families, where they are looked up already.

    Returns
    -------
    Spacings
    """
    kinds = kinds or kinds_of(roofs["roof_family"].fillna("unknown"), rules)
    framing = kinds.ask_words(lambda entry: entry.framing)
    spacing: dict[str, FloatArray] = {}
    weakest = np.full(len(roofs), -1)
    for name in _NAMES:
        default = kinds.ask_figures(_number_of(name))
        recorded = roofs[name].to_numpy(dtype=float, na_value=np.nan)
        has, known = np.isfinite(default), np.isfinite(recorded)
        spacing[name] = np.where(has, np.where(known, recorded, default), np.nan)
        code, bases = pd.factorize(roofs[f"{name}_basis"])
        place = np.array([BASES.index(basis) for basis in bases] + [BASES.index("assumed")])[code]
        place = np.where(known, place, BASES.index("assumed"))
        weakest = np.where(has, np.maximum(weakest, place), weakest)
    beam, purlin, rafter = (spacing[name] for name in _NAMES)

    joists, grid, pitched = (framing == way for way in ("joists", "grid", "pitched"))
    length = np.where(
        pitched, rules.number("opening.ridge_length_ft"), rules.number("opening.joist_length_ft")
    )
    side = _side_clear_ft(rafter, rules.number("opening.joist_clear_ft"))
    together = np.where(joists, rules.count("opening.louver_rafters"), 1)
    with np.errstate(invalid="ignore"):
        # A whole number of louvers, none longer than the cut may be.
        cut = np.maximum(np.floor(length / rafter / together + 1e-9), 1) * together * rafter
    width = rules.number("opening.joist_width_ft") + 2 * rules.number("opening.hanger_clear_ft")
    least = np.where(
        joists, rules.number("member.least_joist_section_ft"), rules.number("member.least_section_ft")
    )
    return Spacings(
        framing=framing,
        beam_ft=beam,
        purlin_ft=purlin,
        rafter_ft=rafter,
        basis=weakest,
        lattice_beam_ft=np.where(joists | pitched, cut + 2 * side, beam),
        lattice_purlin_ft=np.where(joists, width, np.where(grid, purlin, np.nan)),
        side_clear_ft=np.where(joists | pitched, side, rules.number("opening.beam_clear_ft")),
        purlins_bear=~joists,
        least_ft=least,
        too_fine=np.zeros(len(roofs), dtype=bool),
    )


def mark_too_fine(spacings: Spacings, frames: SectionFrames, rules: Rulebook) -> tuple[Spacings, FloatArray]:
    """Find the sections whose spacings ask for more members than can be planned among.

    Parameters
    ----------
    spacings
        Of n sections.
    frames
        Their outlines, on which nothing is laid out yet but how many lines there would be.
    rules
        `member.most_bays`, `opening.joist_width_ft`, `opening.hanger_clear_ft`.

    Returns
    -------
    spacings
        The same, with `too_fine`.
    asked
        Bays, or pieces of members where there would be more of those, shape (n,).
    """
    owner, count = frames.outlines.section, frames.count
    along = sums(np.abs(frames.u1 - frames.u0), owner, count) / 2
    across = sums(np.abs(frames.v1 - frames.v0), owner, count) / 2
    bays = (frames.beams.count + 1.0) * (frames.purlins.count + 1.0)
    # A line has a piece for every two edges that it crosses.
    pieces = np.where(frames.beams.count > 0, across / frames.beams.spacing, 0.0)
    pieces += np.where(frames.purlins.count > 0, along / frames.purlins.spacing, 0.0)
    pitched = spacings.framing == "pitched"
    depth = rules.number("opening.joist_width_ft") + 2 * rules.number("opening.hanger_clear_ft")
    box = (frames.u_high - frames.u_low) * (frames.v_high - frames.v_low)
    with np.errstate(over="ignore"):
        under = np.where(pitched, along + across, across) / spacings.rafter_ft
        on_slopes = box / spacings.lattice_beam_ft / depth
    laid = pitched | (spacings.framing == "joists")
    asked = np.maximum(bays, pieces)
    asked = np.where(laid, np.fmax(asked, under), asked)
    asked = np.where(pitched, np.fmax(asked, on_slopes), asked)
    return replace(spacings, too_fine=asked > rules.count("member.most_bays")), asked


def _side_clear_ft(spacing_ft: FloatArray, least_ft: float) -> FloatArray:
    """Way from a member to the first place midway between two that is far enough from it."""
    with np.errstate(invalid="ignore"):
        passed = np.ceil(np.maximum(least_ft / spacing_ft - 0.5, 0.0) - 1e-9)
    return np.asarray((passed + 0.5) * spacing_ft)


def _number_of(figure: str) -> Callable[[Family], float | None]:
    return lambda entry: entry.number(figure)
