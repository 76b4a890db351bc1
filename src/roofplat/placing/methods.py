"""Which way to open each roof, and why not the others.

In: the families' methods in order of preference, what is known of each section, what lies near.
Out: `Choice`: for each section the method, the method of the cuts, and what rejected the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing import Framing, kinds_of
from roofplat.framing.members import scan
from roofplat.framing.ragged import FloatArray, IntArray
from roofplat.placing.compose import compose
from roofplat.rules import Family, Rulebook
from roofplat.tables import METHODS, ROOF_SHAPES

__all__ = [
    "CUTTING",
    "NOT_LISTED",
    "REJECTIONS",
    "Choice",
    "choose_methods",
    "clear_span_ft",
    "rejected_methods",
]

# Ways that need a saw; the others use what is there, or nothing.
CUTTING = tuple(
    METHODS.index(way)
    for way in (
        "fold_back",
        "center_rafter_louver",
        "joist_louver",
        "between_joists",
        "near_ridge",
        "small_opening",
    )
)
# Why a method is rejected, and the rule that did it; {family} stands for the family's id.
REJECTIONS: Mapping[str, tuple[str, str]] = {
    "served": ("an earlier method of the family serves", "family.{family}.methods"),
    "none_near": ("no skylight, smoke vent or hatch near the fire spot", "opening.existing_reach_ft"),
    "suspended": ("something hangs from the roof", "opening.fold_back_under_load"),
    "early_heavy": ("the panels are the early, heavy kind", "opening.fold_back_heavy"),
    "not_permitted": ("the department has not permitted it", "family.{family}.needs_permit"),
    "span": ("the members would span farther than the family's do", "family.{family}.span_ft"),
    "steep": ("the slope is steeper than a planned cut allows", "opening.steepest_deg"),
    "passed_over": ("another that serves is preferred in this scenario", "family.{family}.methods"),
}
_CODES = tuple(REJECTIONS)
# Verdicts on a method that no rule rejects.
NOT_LISTED, _GOOD = -2, -1
# A span this little above the limit is at it.
_SAME_FT = 0.01


@dataclass(frozen=True, slots=True)
class Choice:
    """The method of each of n sections.

    method
        Number in `tables.METHODS`, -1 where the family has none.
    cutting
        Number of the method by which the deck is cut, -1 where it is not; shape (n,).
    verdict
        For every method -2 where the family does not list it, -1 where it would do, else a number
        in `REJECTIONS`; shape (n, methods).
    order
        Place of each method in the family's list, infinite where it is not listed; shape (n, methods).
    preferred
        The method, where it is the one that the scenario prefers, else -1; shape (n,).
    """

    method: IntArray
    cutting: IntArray
    verdict: IntArray
    order: FloatArray
    preferred: IntArray


def clear_span_ft(framing: Framing) -> FloatArray:
    """Clear span of the members that a cut lays bare, NaN where nothing is known; shape (n,)."""
    frames, spacings, pitched = framing.frames, framing.spacings, framing.pitched
    joists = spacings.framing == "joists"
    runs = scan(frames, replace(frames.beams, count=np.where(joists, frames.beams.count, 0)), "u")
    longest = np.full(frames.count, np.nan)
    np.fmax.at(longest, runs.section, runs.high - runs.low)
    # From an eave up to the ridge and down again on the other side; one plane has one side.
    sides = np.where(pitched.shape == ROOF_SHAPES.index("monopitch"), 1, 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        eave_to_eave = sides * pitched.rise_ft / np.tan(np.radians(pitched.slope_deg))
    return np.select(
        [spacings.framing == "grid", joists, spacings.framing == "pitched"],
        [spacings.beam_ft, longest, eave_to_eave],
        default=np.nan,
    )


def choose_methods(
    framing: Framing,
    roofs: pd.DataFrame,
    rules: Rulebook,
    *,
    existing_near: npt.NDArray[np.bool_],
    slope_deg: FloatArray,
    preferred: IntArray,
) -> Choice:
    """Take the method preferred, or the first of each family, that nothing rejects.

    Parameters
    ----------
    framing, roofs
        n sections.
    rules
        Families, `opening.fold_back_under_load`, `opening.fold_back_heavy`,
        `opening.steepest_deg`.
    existing_near
        True where a skylight, vent or hatch lies near the fire spot, shape (n,).
    slope_deg
        Slope of each section, shape (n,); NaN for a flat one.
    preferred
        Number in `tables.METHODS` of the method to prefer, -1 for none, shape (n,).

    Returns
    -------
    Choice
        A way to cut that is preferred is what is done, and nothing is opened before it. To leave a
        roof uncut is always possible, whether the family lists it or not.
    """
    family = framing.sections["roof_family"]
    count = len(family)
    suspended = roofs["suspended_load"].fillna(False).to_numpy(dtype=bool)
    heavy = (roofs["panel_type"] == "early_heavy").to_numpy(dtype=bool)
    suspended = suspended & (rules.number("opening.fold_back_under_load") == 0)
    heavy = heavy & (rules.number("opening.fold_back_heavy") == 0)
    kinds = kinds_of(family, rules)
    limit = kinds.ask_figures(lambda entry: entry.span_limit_ft())
    with np.errstate(invalid="ignore"):
        too_wide = clear_span_ft(framing) > limit + _SAME_FT
        steep = slope_deg > rules.number("opening.steepest_deg")

    order = np.full((count, len(METHODS)), np.inf)
    verdict = np.full((count, len(METHODS)), NOT_LISTED)
    for number, method in enumerate(METHODS):
        place = kinds.ask_figures(_place_of(method))
        listed = np.isfinite(place)
        order[:, number] = place
        reasons = [kinds.ask_whether(_forbids(method))]
        codes = ["not_permitted"]
        if method == "existing_opening":
            reasons, codes = [~existing_near], ["none_near"]
        if method == "fold_back":
            reasons, codes = [*reasons, suspended, heavy], [*codes, "suspended", "early_heavy"]
        if number in CUTTING:
            reasons, codes = [*reasons, too_wide], [*codes, "span"]
        if method == "near_ridge":
            reasons, codes = [*reasons, steep], [*codes, "steep"]
        why = np.select(reasons, [_CODES.index(code) for code in codes], default=_GOOD)
        verdict[:, number] = np.where(listed, why, NOT_LISTED)
    rows = np.arange(count)
    never = preferred == METHODS.index("do_not_cut")
    verdict[never, METHODS.index("do_not_cut")] = _GOOD
    followed = (preferred >= 0) & (verdict[rows, preferred] == _GOOD)
    usable = np.where(verdict == _GOOD, order, np.inf)
    usable[rows[followed], preferred[followed]] = -1.0
    method_of = np.argmin(usable, axis=1)
    method_of = np.where(np.isfinite(usable[rows, method_of]), method_of, -1)
    cutting = np.full_like(usable, np.inf)
    cutting[:, CUTTING] = usable[:, CUTTING]
    cutting_of = np.argmin(cutting, axis=1)
    cutting_of = np.where(np.isfinite(cutting[rows, cutting_of]) & ~never, cutting_of, -1)
    return Choice(method_of, cutting_of, verdict, order, np.where(followed, preferred, -1))


def rejected_methods(choice: Choice, family: pd.Series, drawn: npt.NDArray[np.bool_]) -> pd.Categorical:
    """Name the methods that were rejected, each with the rule that did it.

    Parameters
    ----------
    choice
        Of n sections.
    family
        Their roof families, shape (n,).
    drawn
        True for a section whose method is told, shape (n,); the others get no sentence.

    Returns
    -------
    pandas.Categorical
        Shape (n,), in the order of `tables.METHODS`; empty text where nothing was rejected.
    """
    code, names = pd.factorize(family)
    # Few combinations of verdicts occur: each gets one small number.
    base = len(_CODES) - NOT_LISTED
    packed = (choice.verdict - NOT_LISTED) @ base ** np.arange(len(METHODS))
    _, first, combination = np.unique(packed, return_index=True, return_inverse=True)
    combinations = choice.verdict[first]
    kinds, first_of_kind = np.unique(code, return_index=True)
    places = dict(zip(kinds.tolist(), choice.order[first_of_kind], strict=True))

    def sentence(shown: int, method: int, cutting: int, kind: int, verdicts: int, preferred: int) -> str:
        if not shown:
            return ""
        parts = []
        for number, verdict in enumerate(combinations[verdicts]):
            if verdict == NOT_LISTED or number in (method, cutting):
                continue
            passed = preferred >= 0 and places[kind][number] < places[kind][preferred]
            good = "passed_over" if passed else "served"
            text, rule = REJECTIONS[good if verdict == _GOOD else _CODES[verdict]]
            if METHODS[number] == "do_not_cut":
                text = "true of the deck all the same, but what is there already is used first"
            parts.append(f"{METHODS[number]}: {text} ({rule.format(family=names[kind])})")
        return "; ".join(parts)

    columns = [drawn.astype(int), choice.method, choice.cutting, code, combination, choice.preferred]
    return compose(columns, sentence)


def _place_of(method: str) -> Callable[[Family], float]:
    def place(entry: Family) -> float:
        return entry.methods.index(method) if method in entry.methods else np.inf

    return place


def _forbids(method: str) -> Callable[[Family], bool]:
    return lambda entry: method in entry.not_permitted
