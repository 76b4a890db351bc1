"""What a scenario asked and did not get, and what speaks against what it stated.

In: what was asked of the sections, what was chosen and placed.
Out: problem rows: methods not taken, ladders left out, ladders that stand where none would be planned.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.framing.ragged import IntArray
from roofplat.placing.asked import Asked
from roofplat.placing.compose import compose
from roofplat.placing.methods import NOT_LISTED, REJECTIONS, Choice
from roofplat.placing.placed import DOUBTS
from roofplat.placing.reasons import NO_CUT
from roofplat.rules import Rulebook
from roofplat.tables import METHODS, problem_rows

__all__ = ["unmet_wishes"]


def unmet_wishes(
    sections: pd.DataFrame,
    asked: Asked,
    choice: Choice,
    rules: Rulebook,
    *,
    planned: npt.NDArray[np.bool_],
    opened: npt.NDArray[np.bool_],
    refusal: npt.NDArray[np.object_],
    left_out: IntArray,
    ladder_section: IntArray,
    ladder_doubts: IntArray,
) -> list[pd.DataFrame]:
    """Say of each wish that was not followed why, and of each ladder that stands what speaks against it.

    Parameters
    ----------
    sections
        `section_id` and `roof_family` of n sections.
    asked, choice
        What was asked of them, and the methods taken.
    rules
        `scenario.ladder_reach_ft`.
    planned, opened
        True for a planned section, and for one in which something is opened, shape (n,).
    refusal
        Why no cut is drawn, empty where one is, shape (n,).
    left_out
        Sections whose ladder is too far from every wall.
    ladder_section, ladder_doubts
        Of every ladder, bits of `placed.DOUBTS`, shape (k,).

    Returns
    -------
    list of DataFrame
        Rows of the problems table, all warnings; none where every wish is followed.
    """
    ids = sections["section_id"]
    rows = []
    wished = np.flatnonzero(planned & (asked.preferred >= 0))
    never = METHODS.index("do_not_cut")
    lost = wished[(choice.preferred[wished] < 0) | ~(opened | (choice.method == never))[wished]]
    if lost.size:
        family, families = pd.factorize(sections["roof_family"].iloc[lost])
        code, codes = pd.factorize(refusal[lost])
        wish = asked.preferred[lost]

        def sentence(way: int, verdict: int, family: int, refusal: int, followed: int) -> str:
            return _why_not_taken(
                METHODS[way], verdict, families[family], codes[refusal], followed=bool(followed)
            )

        columns = [wish, choice.verdict[lost, wish], family, code, choice.preferred[lost] >= 0]
        why = [str(text) for text in compose(columns, sentence)]
        rows.append(
            problem_rows(
                "scenario",
                ids.iloc[lost],
                "preferred_method_not_taken",
                "warning",
                why,
                "Take the plan as it is, or prefer another method.",
            )
        )
    if left_out.size:
        reach = rules.number("scenario.ladder_reach_ft")
        rows.append(
            problem_rows(
                "scenario",
                ids.iloc[left_out],
                "placed_ladder_too_far",
                "warning",
                f"The ladder stated stands farther than {reach:g} ft from every outer wall of the section "
                "with the fire spot; the usual spots are shown.",
                "Move the ladder to a wall of that section.",
            )
        )
    for number, (doubt, (said, _)) in enumerate(DOUBTS.items()):
        doubted = np.flatnonzero(ladder_doubts >> number & 1)
        if doubted.size:
            rows.append(
                problem_rows(
                    "scenario",
                    ids.iloc[ladder_section[doubted]],
                    doubt,
                    "warning",
                    f"The ladder that stands already would not be planned there: {_lower(said)}",
                    "Look at the spot on site, or move the ladder.",
                )
            )
    return rows


def _why_not_taken(way: str, verdict: int, family: str, refusal: str, *, followed: bool) -> str:
    """One sentence, with the rule that decided."""
    wish = f"The method preferred, {way.replace('_', ' ')},"
    if followed:
        return f"{wish} opens nothing here: {NO_CUT[refusal]}."
    if verdict == NOT_LISTED:
        text, rule = "this roof family does not list it", "family.{family}.methods"
    else:
        text, rule = REJECTIONS[list(REJECTIONS)[verdict]]
    return f"{wish} is not taken: {text} ({rule.format(family=family)})."


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]
