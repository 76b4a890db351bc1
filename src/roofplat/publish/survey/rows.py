"""The rows of a survey's forms: which roofs first, what is known of each, what is asked.

In: the tables of a build, the questions, the buildings to survey.
Out: one row a building with empty answers; one row a section of roofs in several; help on the columns.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.publish.survey.questions import Question, senseless
from roofplat.publish.wording import odds_words
from roofplat.ranking import score_moves
from roofplat.ranking.outlook import to_look_again
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES

__all__ = [
    "ENDS",
    "LOOKED",
    "ROOF_FIELDS",
    "asked_of",
    "form_rows",
    "help_rows",
    "known_facts",
    "section_rows",
    "survey_order",
]

Flags = npt.NDArray[np.bool_]

ENDS: Mapping[str, str] = {
    "seen_on": "The day on which it was seen, as 2026-01-05. Without it the row has no date.",
    "who": "Who saw it, in your own words.",
    "note": "Anything else; it is kept with the answers of the row.",
}
"""Columns that end a row of the form, with how each is filled in."""

LOOKED: Mapping[str, str] = {
    "nobody": "nobody has looked",
    "again": "changed since: look again",
    "reported": "somebody says, not surveyed",
    "surveyed": "surveyed",
}
"""How the roof family is known: the values of `looked`, and what each is called."""

ROOF_FIELDS = (
    "roof_family",
    "roof_shape",
    "slope_deg",
    "framing_axis_deg",
    "sounding_walk_deg",
    "sounding_spacing_ft",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "ridge_deg",
    "downslope_deg",
    "suspended_load",
    "bearing_walls",
    "deck",
    "panel_type",
    "parapet_ft",
    "height_ft",
)
"""Fields that may differ from one section of a roof to the next."""

# What is said in one of these ways need not be asked again.
_SURE = BASES[:3]
_START: Mapping[str, str] = {
    "order": "Place in the survey: 1 first. Not read back.",
    "building_id": "Id of the building. Leave it as it is.",
    "section_id": "Empty for the whole building. To answer for one section of a roof in several, copy the "
    "row and write the section's id here.",
    "part": "Number of the section on the printed page. Not read back.",
    "title": "Name and address, as far as they are known. Not read back.",
    "rank": "Rank of the building, 1 first. Not read back.",
    "looked": "How the roof family is known. Not read back.",
    "known": "What is on record, and how it is known. Not read back.",
    "odds": "What a roof that nobody has surveyed may be: odds, not a survey. Not read back.",
    "why": "Why a survey is worth it. Not read back.",
    "asked": "The questions that matter most for this building, the first the most. Not read back, but leave "
    "the column: by it the list is known as a form.",
}


def survey_order(tables: Mapping[str, Any], ids: Sequence[str]) -> list[str]:
    """Put buildings in the order of a survey: by what it is worth, then those surveyed before by rank.

    Parameters
    ----------
    tables
        `ranking` and `survey_next`.
    ids
        The buildings.

    Returns
    -------
    list of str

    Examples
    --------
    >>> ranking = pd.DataFrame({"building_id": ["a", "b", "c"], "rank": [1, 2, 3]})
    >>> following = pd.DataFrame({"building_id": ["c"], "order": [1]})
    >>> survey_order({"ranking": ranking, "survey_next": following}, ["a", "b", "c"])
    ['c', 'a', 'b']
    """
    ranking = pd.DataFrame(tables["ranking"])[["building_id", "rank"]]
    following = tables["survey_next"].set_index("building_id")["order"]
    wanted = ranking[ranking["building_id"].isin(list(ids))]
    worth = wanted["building_id"].map(following).astype("float64")
    order = np.lexsort((wanted["building_id"], wanted["rank"], worth.fillna(np.inf)))
    found: list[str] = wanted["building_id"].iloc[order].tolist()
    return found


def asked_of(
    ids: Sequence[str], tables: Mapping[str, Any], questions: Sequence[Question], rules: Rulebook
) -> pd.DataFrame:
    """Choose the questions that matter most for each building.

    First those whose answer moves the score, the largest move first; then what a plan lacks, in the order
    of the form: a fact that is missing or guessed for a section, and that makes sense of the roof family.
    No more than `record.asked_count` are asked.

    Parameters
    ----------
    ids
        The buildings.
    tables
        `ranking`, `buildings`, `roofs`, and `family_odds` where there are any.
    questions
        From `survey_questions`.
    rules
        `record.asked_count`, the weights of the score, the roof families.

    Returns
    -------
    DataFrame
        `building_id`, `key` (of a question), `place` (1 is asked first), `moves` (how far the answer
        moves the score, 0 where it does not); by the order of `ids`, then `place`.
    """
    keys = [question.key for question in questions]
    places = {name: place for place, name in enumerate(dict.fromkeys(ids))}
    moves = np.zeros((len(places), len(keys)))
    found = score_moves(list(places), tables, rules)
    at = (
        found["building_id"].map(places).to_numpy(dtype=int),
        found["field"].map(keys.index).to_numpy(dtype=int),
    )
    moves[at] = found["moves"].to_numpy()
    building, question = np.nonzero((moves > 0) | _open(places, tables, questions, rules))
    move = moves[building, question]
    order = np.lexsort((question, -move, building))
    building, question, move = building[order], question[order], move[order]
    first = np.searchsorted(building, building)
    place = np.arange(len(building)) - first + 1
    kept = place <= rules.count("record.asked_count", least=1)
    return pd.DataFrame(
        {
            "building_id": pd.Series(np.array(list(places), dtype=object)[building[kept]], dtype="str"),
            "key": pd.Series(np.array(keys, dtype=object)[question[kept]], dtype="str"),
            "place": place[kept],
            "moves": move[kept],
        }
    )


def known_facts(
    ids: Sequence[str], facts: pd.DataFrame, questions: Sequence[Question], rules: Rulebook
) -> pd.DataFrame:
    """Tell what is on record of the answers, and how it is known.

    Parameters
    ----------
    ids
        The buildings.
    facts
        `tables.TABLES["facts"]`; the values in force are told.
    questions
        From `survey_questions`.
    rules
        For the names of the families.

    Returns
    -------
    DataFrame
        `building_id`, `field`, `said`: the value with its unit, basis and month; by building, then in the
        order of the form.
    """
    fields = [name for question in questions for name in question.fields]
    rows = facts[facts["current"].fillna(False).astype(bool) & facts["field"].isin(fields)]
    rows = rows[rows["building_id"].isin(list(ids))]
    places = {name: place for place, name in enumerate(fields)}
    order = np.lexsort((rows["field"].map(places).to_numpy(dtype=int), rows["building_id"]))
    rows = rows.iloc[order].reset_index(drop=True)
    labels = {name: entry.label for name, entry in rules.families.items()}
    value = rows["value"].replace({"true": "yes", "false": "no"})
    # A length out of metres has more figures than anybody measured.
    number = pd.to_numeric(rows["value"], errors="coerce")
    rounded = number.round(1).astype("str").str.removesuffix(".0")
    value = value.where(number.isna() | (number == number.round(1)), rounded)
    labelled = rows["value"].map(labels).astype("str")
    value = value.where((rows["field"] != "roof_family") | labelled.isna(), labelled)
    units = {name: ATTRIBUTES[name].unit.replace("year", "") for name in fields}
    unit = rows["field"].map(units).astype("str")
    when = _text(rows["date"].dt.strftime("%Y-%m"))
    said = value + _after(unit) + " (" + rows["basis"] + _after(when) + ")"
    return pd.DataFrame({"building_id": rows["building_id"], "field": rows["field"], "said": said})


def form_rows(
    ids: Sequence[str],
    tables: Mapping[str, Any],
    questions: Sequence[Question],
    asked: pd.DataFrame,
    known: pd.DataFrame,
    rules: Rulebook,
) -> pd.DataFrame:
    """Make the rows of the form.

    Parameters
    ----------
    ids
        The buildings in the order of the survey.
    tables
        `buildings`, `ranking`, `survey_next`.
    questions, asked, known
        From `survey_questions`, `asked_of` and `known_facts`.
    rules
        For the names of the families.

    Returns
    -------
    DataFrame
        One row for each id: what is known first, then an empty column for each answer, then `ENDS`. No
        column that is read back is filled in, but for the id: what comes back was seen.
    """
    buildings = pd.DataFrame(tables["buildings"]).drop_duplicates("building_id").set_index("building_id")
    own = buildings.reindex(list(ids))
    ranking = pd.DataFrame(tables["ranking"]).set_index("building_id").reindex(list(ids))
    text = {name: _text(own[name]) for name in ("name", "address", "odds", "family_basis")}
    title = (
        text["name"] + np.where((text["name"] != "") & (text["address"] != ""), ", ", "") + text["address"]
    )
    words = {question.key: question.words.lower() for question in questions}
    joined = asked["key"].map(words).groupby(asked["building_id"], sort=False).agg(", ".join)
    rows = pd.DataFrame(
        {
            "order": pd.array(np.arange(1, len(own) + 1), dtype="Int64"),
            "building_id": pd.Series(list(ids), dtype="str"),
            "section_id": _nothing(len(own)),
            "title": title.array,
            "rank": ranking["rank"].astype("Int64").array,
            "looked": _looked(own).array,
            "known": _known(ids, known, questions).array,
            "odds": [odds_words(odds, rules) if odds else None for odds in text["odds"]],
            "why": _why(ids, tables, own).array,
            "asked": joined.reindex(list(ids)).fillna("").array,
        }
    )
    return rows.assign(**_empty_answers(questions, len(rows)), **_empty_ends(len(rows)))


def section_rows(
    ids: Sequence[str], roofs: pd.DataFrame, questions: Sequence[Question], asked: pd.DataFrame
) -> pd.DataFrame:
    """Make a row for each section of the roofs that have several.

    Parameters
    ----------
    ids
        The buildings in the order of the survey.
    roofs
        `tables.TABLES["roofs"]`; its geometry comes along.
    questions, asked
        From `survey_questions` and `asked_of`.

    Returns
    -------
    DataFrame
        By the order of `ids`, then the number of the section; empty answers for `ROOF_FIELDS` and `ENDS`.
    """
    places = {name: place for place, name in enumerate(ids)}
    own = roofs[roofs["building_id"].isin(places)]
    own = own[own["building_id"].duplicated(keep=False)]
    order = np.lexsort((own["part"].to_numpy(dtype=int), own["building_id"].map(places).to_numpy(dtype=int)))
    own = own.iloc[order].reset_index(drop=True)
    roof = [question for question in questions if question.key in ROOF_FIELDS]
    words = {question.key: question.words.lower() for question in roof}
    of_roof = asked[asked["key"].isin(words)]
    joined = of_roof["key"].map(words).groupby(of_roof["building_id"], sort=False).agg(", ".join)
    rows = own[["building_id", "section_id", "part"]].assign(
        asked=own["building_id"].map(joined).astype("str").fillna("").array
    )
    return rows.assign(
        **_empty_answers(roof, len(rows)), **_empty_ends(len(rows)), geometry=own["geometry"].array
    )


def help_rows(questions: Sequence[Question], columns: Sequence[str]) -> pd.DataFrame:
    """Explain the columns of the forms.

    Parameters
    ----------
    questions
        From `survey_questions`.
    columns
        The columns of the forms, in their order.

    Returns
    -------
    DataFrame
        `column`, `meaning`, `unit`, `allowed`: values with what each is called, or the range.
    """
    answers = {answer.field: answer for question in questions for answer in question.answers}
    rows = []
    for name in columns:
        answer = answers.get(name)
        if answer is None:
            rows.append((name, {**_START, **ENDS}[name], "", ""))
            continue
        allowed = "; ".join(
            code if code == words else f"{code} ({words})" for code, words in answer.allowed.items()
        )
        if np.isfinite([answer.low, answer.high]).all():
            allowed = f"{answer.low:g} to {answer.high:g}" + (", or A to D" if answer.or_side else "")
        rows.append((name, answer.help, answer.unit, allowed))
    return pd.DataFrame(rows, columns=["column", "meaning", "unit", "allowed"], dtype="str")


def _open(
    places: Mapping[str, int], tables: Mapping[str, Any], questions: Sequence[Question], rules: Rulebook
) -> Flags:
    """Whether a plan lacks a fact, shape (buildings, questions)."""
    roofs = tables["roofs"]
    roofs = roofs[roofs["building_id"].isin(places)]
    owner = roofs["building_id"].map(places).to_numpy(dtype=int)
    buildings = pd.DataFrame(tables["buildings"]).drop_duplicates("building_id").set_index("building_id")
    own = buildings.reindex(list(places))
    without = senseless(rules)
    # Of a roof that was changed since it was seen nothing is sure any more.
    again = to_look_again(own)[owner]
    found = np.zeros((len(places), len(questions)), dtype=bool)
    # The family, the sprinklers and the like are asked for by how they move the score alone.
    moving = ("roof_family", "suspended_load", "sprinklered", "occupancy", "year_built")
    for column, question in enumerate(questions):
        of_roof = question.key in ROOF_FIELDS
        if question.key in moving:
            found[owner[again & of_roof], column] = True
            continue
        sense = ~roofs["roof_family"].map(
            {name: question.key in keys for name, keys in without.items()}
        ).to_numpy(dtype=bool)
        lacking = np.zeros(len(roofs), dtype=bool)
        for name in question.fields:
            sure = roofs[name].notna() & roofs[f"{name}_basis"].isin(_SURE)
            if name in _FIGURES:
                # A family without purlins has no purlin spacing to find.
                figure = {key: entry.number(name) is None for key, entry in rules.families.items()}
                sure |= roofs["roof_family"].map(figure).astype(bool) & (roofs["roof_family"] != "unknown")
            lacking |= ~sure.to_numpy(dtype=bool)
        if question.key == "sounding_walk_deg":
            # Who knows the axis need not sound.
            axis = roofs["framing_axis_deg"].notna() & roofs["framing_axis_deg_basis"].isin(_SURE)
            lacking &= ~axis.to_numpy(dtype=bool) | again
        found[owner[(lacking | (again & of_roof)) & sense], column] = True
        if question.key == "storeys":
            found[:, column] = own["storeys"].isna().to_numpy()
    return found


_FIGURES = ("beam_spacing_ft", "purlin_spacing_ft", "rafter_spacing_ft")


def _looked(own: pd.DataFrame) -> pd.Series:
    """How the family is known, as one of `LOOKED`."""
    known = (own["roof_family"] != "unknown").to_numpy(dtype=bool)
    surveyed = known & (own["family_basis"] == "surveyed").to_numpy(dtype=bool, na_value=False)
    said = known & own["family_basis"].isin(_SURE).to_numpy(dtype=bool)
    words = np.select(
        [known & to_look_again(own), surveyed, said], ["again", "surveyed", "reported"], "nobody"
    )
    return pd.Series(words, dtype="str")


def _known(ids: Sequence[str], known: pd.DataFrame, questions: Sequence[Question]) -> pd.Series:
    """What is on record of a building as one text."""
    names = {
        answer.field: question.words.lower() if len(question.answers) == 1 else answer.words
        for question in questions
        for answer in question.answers
    }
    said = known["field"].map(names) + " " + known["said"]
    joined = said.groupby(known["building_id"]).agg("; ".join)
    return joined.reindex(list(ids)).astype("str").fillna("nothing on record").reset_index(drop=True)


def _why(ids: Sequence[str], tables: Mapping[str, Any], own: pd.DataFrame) -> pd.Series:
    """Why a survey is worth it."""
    reasons = tables["survey_next"].set_index("building_id")["reason"].reindex(list(ids))
    day = own["surveyed_on"].dt.strftime("%Y-%m-%d").astype("str").fillna("a day that nobody has noted")
    words = reasons.astype("str").where(reasons.notna().array, "The roof was surveyed, on " + day.array + ".")
    return pd.Series(words.to_numpy(dtype=object), dtype="str")


def _after(words: pd.Series) -> Any:
    """The words with a blank before them, where there are any."""
    return np.where(words == "", "", " ").astype(object) + words


def _text(column: pd.Series) -> pd.Series:
    return column.astype("str").fillna("")


def _nothing(count: int) -> pd.Series:
    return pd.Series([None] * count, dtype="str")


def _empty_answers(questions: Sequence[Question], count: int) -> dict[str, Any]:
    """An empty column for each answer, of the type that it takes."""
    columns: dict[str, Any] = {}
    for answer in (answer for question in questions for answer in question.answers):
        if not answer.number or answer.or_side:
            columns[answer.field] = _nothing(count).array
        elif answer.whole:
            columns[answer.field] = pd.array([pd.NA] * count, dtype="Int64")
        else:
            columns[answer.field] = np.full(count, np.nan)
    return columns


def _empty_ends(count: int) -> dict[str, Any]:
    columns = {name: _nothing(count).array for name in ENDS}
    columns["seen_on"] = pd.array([pd.NaT] * count, dtype="datetime64[ms]")
    return columns
