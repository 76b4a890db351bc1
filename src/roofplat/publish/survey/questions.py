"""What a survey asks: each question, what its answer may be, which column it goes to.

In: the rulebook, the date of the forms.
Out: `Question`s in the order of the form; which of them a roof family leaves without sense.
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping

import numpy as np

from roofplat.intake.values import limits
from roofplat.ranking.explain import occupancy_groups
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, SIDES

__all__ = ["YES_NO", "Answer", "Question", "senseless", "survey_questions"]

YES_NO: Mapping[str, str] = {"yes": "yes", "no": "no"}
"""Written as words: an empty box of a form is not yet a no."""

_NORTH = "degrees from true north"
# The groups of the building code, in a word each; from memory.
_OCCUPANCIES: Mapping[str, str] = {
    "A": "assembly",
    "B": "business",
    "E": "education",
    "F": "factory",
    "H": "high hazard",
    "I": "institution",
    "M": "shop",
    "R": "residence",
    "R-3": "house of one or two dwellings",
    "S": "storage",
    "U": "utility",
}
_WALL_SETS = ("all", *SIDES, "AB", "AC", "AD", "BC", "BD", "CD", "ABC", "ABD", "ACD", "BCD")


@dataclasses.dataclass(frozen=True, slots=True)
class Answer:
    """What goes into one column of the form.

    field
        A key of `tables.ATTRIBUTES`; the column bears its name.
    words
        What it is called on the page.
    help
        One sentence: how to answer.
    allowed
        Values that may be written, with what each is called; empty where there is no list.
    low, high
        The least and the greatest figure, house units; infinite where no rule says.
    """

    field: str
    words: str
    help: str
    allowed: Mapping[str, str] = dataclasses.field(default_factory=dict)
    low: float = -np.inf
    high: float = np.inf

    @property
    def or_side(self) -> bool:
        """Whether the letter of a side may stand for the figure."""
        return self.field == "sounding_walk_deg"

    @property
    def unit(self) -> str:
        """Unit of the figure; empty for words."""
        return ATTRIBUTES[self.field].unit

    @property
    def whole(self) -> bool:
        """Whether it is a whole number."""
        return ATTRIBUTES[self.field].dtype == "Int64"

    @property
    def number(self) -> bool:
        """Whether it is a figure."""
        return ATTRIBUTES[self.field].dtype in ("float64", "Int64")


@dataclasses.dataclass(frozen=True, slots=True)
class Question:
    """What is asked as one: its words and its answers, the first of which names it."""

    words: str
    answers: tuple[Answer, ...]

    @property
    def key(self) -> str:
        """The field of the first answer."""
        return self.answers[0].field

    @property
    def fields(self) -> tuple[str, ...]:
        """The columns of the answers."""
        return tuple(answer.field for answer in self.answers)


def survey_questions(rules: Rulebook, as_of: datetime.date) -> tuple[Question, ...]:
    """Give the questions of a survey in the order of the form.

    Parameters
    ----------
    rules
        The roof families, and `intake.range.*` and `record.plausible.*` for the figures.
    as_of
        No building is newer than the year after it.

    Returns
    -------
    tuple of Question

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> asked = survey_questions(load_rulebook(), datetime.date(2026, 1, 5))
    >>> asked[0].words, len(asked[0].answers[0].allowed)
    ('Roof family', 14)
    >>> (asked[-1].answers[0].low, asked[-1].answers[0].high)
    (1500.0, 2027.0)
    """
    families = {name: entry.label for name, entry in rules.families.items() if name != "unknown"}
    shapes = {name: name for name in ATTRIBUTES["roof_shape"].allowed}
    panels = {"early_heavy": "early, heavy", "standard": "standard"}

    def number(name: str, words: str, help_: str) -> Answer:
        low, high = limits(name, rules)
        plausible = f"record.plausible.{name}"
        if plausible in rules.rules:
            # A bare number beyond is refused when it comes back.
            least, most = rules.numbers(plausible)
            low, high = max(low, least), min(high, most)
            if ATTRIBUTES[name].unit:
                help_ += " A figure beyond the range is for the list, with its unit."
        if name == "year_built":
            high = min(high, as_of.year + 1.0)
        return Answer(name, words, help_, low=low, high=high)

    def choice(name: str, words: str, help_: str, allowed: Mapping[str, str]) -> Answer:
        return Answer(name, words, help_, allowed)

    spacing = "From the middle of one to the middle of the next."
    return (
        Question(
            "Roof family", (choice("roof_family", "built as", "How the roof is built: one word.", families),)
        ),
        Question(
            "Form and slope",
            (
                choice("roof_shape", "form", "The form of the roof: one word.", shapes),
                number("slope_deg", "slope", "From level; in the list, 4:12 is understood as well."),
            ),
        ),
        Question(
            "Direction of beams",
            (number("framing_axis_deg", "beams run", f"Along the beams, {_NORTH}; either end."),),
        ),
        Question(
            "Sounding",
            (
                number(
                    "sounding_walk_deg",
                    "walked along wall",
                    f"The letter of the bearing wall that was walked along, or {_NORTH}; either way.",
                ),
                number("sounding_spacing_ft", "felt every", "What was felt underfoot on that walk."),
            ),
        ),
        Question(
            "Spacing of members",
            (
                number("beam_spacing_ft", "beams", spacing),
                number("purlin_spacing_ft", "purlins", spacing),
                number("rafter_spacing_ft", "rafters", spacing),
            ),
        ),
        Question("Direction of ridge", (number("ridge_deg", "ridge runs", f"Along the ridge, {_NORTH}."),)),
        Question(
            "Falls toward",
            (number("downslope_deg", "falls", f"Straight down the slope of a monopitch, {_NORTH}."),),
        ),
        Question(
            "Load hung from roof",
            (choice("suspended_load", "hung", "Does anything heavy hang from the roof?", YES_NO),),
        ),
        Question(
            "Bearing walls",
            (
                choice(
                    "bearing_walls",
                    "walls",
                    "The walls that carry the beams, by the letters of the sides.",
                    {name: name for name in _WALL_SETS},
                ),
            ),
        ),
        Question("Deck", (choice("deck", "deck", "What the deck is made of, in your own words.", {}),)),
        Question("Panels", (choice("panel_type", "panels", "Which kind the panels are.", panels),)),
        Question(
            "Parapet above edge",
            (number("parapet_ft", "parapet", "How far the parapet stands above the roof edge; 0 for none."),),
        ),
        Question(
            "Height to roof edge",
            (number("height_ft", "height", "Ground to roof edge, the parapet not counted."),),
        ),
        Question("Storeys", (number("storeys", "storeys", "Storeys above ground."),)),
        Question(
            "Sprinklers throughout",
            (choice("sprinklered", "sprinklers", "Are there automatic sprinklers throughout?", YES_NO),),
        ),
        Question(
            "Occupancy",
            (
                choice(
                    "occupancy",
                    "group",
                    "The group of the building code that most of it is used as.",
                    {
                        name: f"{name} {_OCCUPANCIES.get(name, '')}".strip()
                        for name in occupancy_groups(rules)
                    },
                ),
            ),
        ),
        Question("Year built", (number("year_built", "year", "The year in which it was built."),)),
    )


def senseless(rules: Rulebook) -> Mapping[str, frozenset[str]]:
    """Tell which questions make no sense of a roof family; of an unknown roof all but a few do.

    Parameters
    ----------
    rules
        The roof families and their figures.

    Returns
    -------
    mapping
        Family to the keys of questions.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> sorted(senseless(load_rulebook())["sawn_joist_flat"])
    ['downslope_deg', 'panel_type', 'ridge_deg', 'sounding_walk_deg']
    """
    found = {}
    for name, entry in rules.families.items():
        without = {"downslope_deg"}
        if entry.framing != "pitched":
            without |= {"ridge_deg"}
        if name != "unknown":
            if entry.framing in ("pitched", "walls"):
                without |= {"framing_axis_deg"}
            # A walk tells the axis only where two spacings may be felt.
            if entry.number("purlin_spacing_ft") is None:
                without |= {"sounding_walk_deg"}
            if all(entry.number(figure) is None for figure in _SPACINGS):
                without |= {"beam_spacing_ft"}
            if "fold_back" not in entry.methods:
                without |= {"panel_type"}
        found[name] = frozenset(without)
    return found


_SPACINGS = ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")
