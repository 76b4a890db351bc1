"""Check what came back on the forms, and say what it would change, before anything is logged.

In: the answers as read, the buildings and sections there are, the values in force, the log.
Out: one row an answer with what is known now, what it says, and what becomes of it; the observations to
    append; problem rows for what is refused.

A refused answer refuses itself and nothing else. A bare number that is hardly right (24 for a rafter
spacing, in feet) is refused too, with its remedy: written with its unit it is meant, and taken.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.errors import RuleError
from roofplat.intake.forms import Forms
from roofplat.intake.keys import NONE, find_keys, nearest_keys
from roofplat.intake.values import as_str
from roofplat.intake.written import as_text
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES, RECORD_FIELDS, RECORD_TABLES, TABLES, conform, problem_rows

__all__ = [
    "AXIS_FIELDS",
    "LOGGED",
    "OUTCOMES",
    "Checked",
    "check_answers",
    "says_the_same",
    "values_in_force",
]

BoolArray = npt.NDArray[np.bool_]

OUTCOMES = ("new", "changed", "confirmed", "earlier", "same", "refused")
"""What becomes of an answer: the first four are logged. `earlier` does not outdo what is in force."""

LOGGED = OUTCOMES[:4]
"""The outcomes of answers that go into the log."""

AXIS_FIELDS = (
    "roof_family",
    "framing_axis_deg",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "sounding_walk_deg",
    "sounding_spacing_ft",
)
"""What says, or helps to say, which way the beams run."""

_ROOF_COLUMNS = frozenset(TABLES["roofs"].columns)
_TURNS_DEG = {
    "framing_axis_deg": 180.0,
    "sounding_walk_deg": 180.0,
    "ridge_deg": 180.0,
    "downslope_deg": 360.0,
}
# A copy of these from another list is no survey of anything.
_NEVER_CONFIRMED = ("name", "address")
_SOUNDING = ("sounding_walk_deg", "sounding_spacing_ft")
_KEY = ("building_id", "section_id", "field", "value", "basis", "who", "seen_on", "note")


@dataclass(frozen=True, slots=True)
class Checked:
    """What would become of every answer.

    rows
        `file`, `row`, `building_id`, `section_id`, `field`, `now` (value in force, missing where there is
        none), `now_basis`, `now_date`, `then`, `basis`, `seen_on`, `outcome` (of `OUTCOMES`), `reason`.
    observations
        `tables.RECORD_TABLES["observations"]` to append; numbers and the moment of logging are missing.
    problems
        `tables.TABLES["problems"]`: those of the forms, and an error for each refused answer.
    """

    rows: pd.DataFrame
    observations: pd.DataFrame
    problems: pd.DataFrame


def check_answers(
    forms: Forms,
    roofs: pd.DataFrame,
    known: pd.DataFrame,
    log: pd.DataFrame,
    rules: Rulebook,
    *,
    walls: pd.DataFrame | None = None,
    not_kept: Collection[str] = (),
) -> Checked:
    """Check answers against the inventory and the record.

    Parameters
    ----------
    forms
        From `read_forms`.
    roofs
        `building_id`, `section_id`, `part`, `roof_family`: every section of the district.
    known
        The values in force: `building_id`, `section_id` (missing: the whole building), `field`, `value`
        (text), `basis`, `date`.
    log
        `tables.RECORD_TABLES["observations"]` that are in the record.
    rules
        `record.plausible.*`, `axis.along_tolerance_deg`, roof families.
    walls
        `tables.TABLES["walls"]`, for sounding walks given by the letter of a side; None where there is none.
    not_kept
        Buildings whose outlines have to be written down before anything is logged of them.

    Returns
    -------
    Checked

    Raises
    ------
    RuleError
        A rule `record.plausible.*` is no range.
    """
    rows = forms.answers.copy()
    rows = _name_buildings(rows, roofs)
    rows = _refuse(
        rows,
        rows["building_id"].isin(list(not_kept)).to_numpy(dtype=bool),
        "footprints_not_kept",
        "the building is a part of one that was split, and the record does not know its outline yet",
        "Look at the map, write the footprints down with `roofplat survey keep`, and import again.",
    )
    rows = _name_sections(rows, roofs)
    rows = _walk_along(rows, walls, rules)
    rows = _whole_soundings(rows)
    rows = _plausible(rows, roofs, rules)
    rows = _weigh(rows, known, log)
    kept = rows["outcome"].isin(LOGGED).to_numpy(dtype=bool)
    observations = rows[kept].assign(number=None, logged_at=None)
    observations["unit"] = observations["field"].map(_unit)
    shown = rows[
        [
            "file",
            "row",
            "building_id",
            "section_id",
            "field",
            "now",
            "now_basis",
            "now_date",
            "then",
            "basis",
            "seen_on",
            "outcome",
            "reason",
        ]
    ]
    problems = pd.concat([forms.problems, _refusals(rows), _undated(rows[kept])], ignore_index=True)
    return Checked(
        rows=shown.reset_index(drop=True),
        observations=conform("observations", observations[list(RECORD_TABLES["observations"].columns)]),
        problems=conform("problems", problems),
    )


def values_in_force(facts: pd.DataFrame, roofs: pd.DataFrame, log: pd.DataFrame) -> pd.DataFrame:
    """Give the value in force of each building and field, and of each section.

    Parameters
    ----------
    facts
        `tables.TABLES["facts"]`.
    roofs
        `tables.TABLES["roofs"]`.
    log
        `tables.RECORD_TABLES["observations"]`: when single sections were seen.

    Returns
    -------
    DataFrame
        `building_id`, `section_id` (missing: the whole building), `field`, `value` (text), `basis`, `date`.
        The roofs do not carry the day of a value; it is that of the fact, or of the latest row of the log,
        that says the same on the same basis, and missing where none does.
    """
    own = ["building_id", "section_id", "field", "value", "basis", "date"]
    wholes = facts[facts["current"].to_numpy(dtype=bool)].assign(section_id=None)[own]
    frames = [wholes]
    plain = pd.DataFrame(roofs)
    for field in (name for name in ATTRIBUTES if name in _ROOF_COLUMNS):
        stated = plain[plain[field].notna() & plain[f"{field}_basis"].notna()]
        frames.append(
            pd.DataFrame(
                {
                    "building_id": stated["building_id"],
                    "section_id": stated["section_id"],
                    "field": field,
                    "value": as_text(stated[field]),
                    "basis": stated[f"{field}_basis"],
                }
            )
        )
    parts = pd.concat(frames[1:], ignore_index=True)
    said = ["building_id", "field", "value", "basis"]
    of_parts = log[log["section_id"].notna()].rename(columns={"seen_on": "own_date"})
    of_parts = of_parts.groupby([*said, "section_id"])["own_date"].max().reset_index()
    parts = parts.merge(of_parts, on=[*said, "section_id"], how="left")
    parts = parts.merge(wholes[[*said, "date"]], on=said, how="left")
    parts["date"] = parts["own_date"].fillna(parts["date"])
    return pd.concat([frame for frame in (wholes, parts[own]) if len(frame)] or [wholes], ignore_index=True)


def says_the_same(
    field: pd.Series[Any],
    one: pd.Series[Any],
    other: pd.Series[Any],
    within: npt.NDArray[np.float64] | float = 0.0,
) -> BoolArray:
    """Tell whether two values of a field, as text, say the same.

    Parameters
    ----------
    field
        Keys of `tables.ATTRIBUTES` or `tables.RECORD_FIELDS`, shape (n,).
    one, other
        Texts of the record, shape (n,); a missing one is like nothing.
    within
        How far figures may differ, house units, shape (n,) or one for all. Directions that are a turn apart
        are the same.

    Returns
    -------
    ndarray of bool
        Shape (n,).

    Examples
    --------
    >>> says_the_same(
    ...     pd.Series(["framing_axis_deg", "height_ft", "deck"]),
    ...     pd.Series(["179.5", "24.6", "Plywood"]),
    ...     pd.Series(["0.4", "24.6063", "plywood "]),
    ...     np.array([1.0, 0.05, 0.0]),
    ... ).tolist()
    [True, True, True]
    """
    a, b = (
        pd.to_numeric(side.astype(object), errors="coerce").to_numpy(dtype=float) for side in (one, other)
    )
    turn = field.map(_TURNS_DEG).to_numpy(dtype=float)
    apart = np.abs(a - b)
    with np.errstate(invalid="ignore"):
        turned = np.where(np.isnan(turn), apart, np.minimum(apart % turn, turn - apart % turn))
        near = turned <= np.asarray(within) + 1e-9
    figures = field.map(lambda name: _column(name).dtype in ("float64", "Int64")).to_numpy(dtype=bool)
    # Only words are compared as words: `12` and `12.0` are one figure.
    alike = (_folded(one) == _folded(other)).to_numpy(dtype=bool, na_value=False)
    return np.where(figures, near, alike).astype(bool)


def _folded(words: pd.Series[Any]) -> pd.Series[Any]:
    return words.astype("string").str.casefold().str.replace(r"\s+", " ", regex=True).str.strip()


def _column(field: str) -> Any:
    return ATTRIBUTES[field] if field in ATTRIBUTES else RECORD_FIELDS[field]


def _unit(field: str) -> str | None:
    return _column(field).unit or None


def _refuse(
    rows: pd.DataFrame, mask: BoolArray, code: str, why: list[str] | str, action: list[str] | str
) -> pd.DataFrame:
    """Refuse what is masked; an answer that is refused already keeps its first reason."""
    fresh = mask & rows["refused"].isna().to_numpy()
    if not fresh.any():
        return rows
    chosen = fresh[mask]
    rows = rows.copy()
    for column, words in (("code", code), ("refused", why), ("action", action)):
        rows.loc[fresh, column] = words if isinstance(words, str) else np.array(words, dtype=object)[chosen]
    rows.loc[fresh, "value"] = None
    return rows


def _name_buildings(rows: pd.DataFrame, roofs: pd.DataFrame) -> pd.DataFrame:
    """The id as the footprints have it, or a refusal that names the nearest ids."""
    ids = roofs["building_id"].drop_duplicates().reset_index(drop=True).astype("str")
    found, ambiguous = find_keys(ids, rows["building_id"].astype("str"))
    lost = (found == NONE) & rows["building_id"].notna().to_numpy()
    hints = {}
    for name in rows["building_id"][lost & ~ambiguous].unique():
        near = nearest_keys(ids, name)
        hints[name] = f"; the nearest are {', '.join(near)}" if near else ""
    rows = _refuse(
        rows,
        lost & ambiguous,
        "ambiguous_building",
        "several buildings have an id like this one",
        "Write the id as the footprints have it.",
    )
    unknown = lost & ~ambiguous
    rows = _refuse(
        rows,
        unknown,
        "unknown_building",
        [f"there is no building {name!r}{hints[name]}" for name in rows["building_id"][unknown]],
        "Write the id as the footprints have it.",
    )
    own = pd.Series(ids.reindex(found).to_numpy(dtype=object), index=rows.index)
    return rows.assign(building_id=as_str(own).fillna(rows["building_id"]))


def _name_sections(rows: pd.DataFrame, roofs: pd.DataFrame) -> pd.DataFrame:
    """The section as the inventory has it, given by its id or by its number in the building."""
    given = rows["section_id"].notna().to_numpy()
    if not given.any():
        return rows
    # What is said of the building as a whole has no section.
    of_roof = rows["field"].isin(_ROOF_COLUMNS).to_numpy()
    rows = rows.assign(section_id=as_str(rows["section_id"].where(of_roof)))
    given = given & of_roof
    pair = rows["building_id"] + "\n" + rows["section_id"].fillna("")
    by_id = pd.Series(
        roofs["section_id"].to_numpy(dtype=object),
        index=roofs["building_id"] + "\n" + roofs["section_id"].astype("str"),
    )
    by_part = pd.Series(
        roofs["section_id"].to_numpy(dtype=object),
        index=roofs["building_id"] + "\n" + roofs["part"].astype("string"),
    )
    found = pair.map(by_id).where(pair.isin(by_id.index), pair.map(by_part))
    lost = given & found.isna().to_numpy()
    own = roofs.groupby("building_id")["section_id"].agg(", ".join)
    rows = _refuse(
        rows,
        lost,
        "unknown_section",
        [
            f"building {building} has no section {section!r}; it has {own.get(building, 'none')}"
            for building, section in zip(rows["building_id"][lost], rows["section_id"][lost], strict=True)
        ],
        "Write the id of the section, or leave it empty for the whole building.",
    )
    return rows.assign(section_id=as_str(rows["section_id"].where(lost | ~given, found)))


def _walk_along(rows: pd.DataFrame, walls: pd.DataFrame | None, rules: Rulebook) -> pd.DataFrame:
    """Turn the letter of a walked side into the azimuth of its walls."""
    lettered = (rows["side"].notna() & rows["refused"].isna()).to_numpy()
    if not lettered.any():
        return rows
    tolerance = rules.number("axis.along_tolerance_deg")
    own = pd.DataFrame(
        {
            "building": pd.Series([], dtype="str"),
            "section": pd.Series([], dtype="str"),
            "side": pd.Series([], dtype="str"),
            "azimuth": pd.Series([], dtype="float64"),
            "length": pd.Series([], dtype="float64"),
        }
    )
    if walls is not None:
        own = pd.DataFrame(
            {
                "building": walls["building_id"].astype("str"),
                "section": walls["section_id"].astype("str"),
                "side": walls["side"].astype("str"),
                "azimuth": walls["azimuth_deg"].astype(float) % 180.0,
                "length": walls["length_ft"].astype(float),
            }
        )
    asked = rows[lettered]
    azimuth, why = [], []
    # Few answers, and each looks at the walls of one side of one building.
    sides = own.groupby(["building", "side"])
    for building, section, side in zip(asked["building_id"], asked["section_id"], asked["side"], strict=True):
        found = sides.get_group((building, side)) if (building, side) in sides.groups else own.iloc[:0]
        if pd.notna(section):
            found = found[found["section"] == section]
        if found.empty:
            azimuth.append(np.nan)
            why.append(f"the building has no wall on side {side}")
            continue
        longest = found.iloc[np.lexsort((np.arange(len(found)), -found["length"].to_numpy()))[0]]
        off = (found["azimuth"] - longest["azimuth"] + 90.0) % 180.0 - 90.0
        # Walls that step or turn by a little are one side; short returns do not count.
        along = found["length"].where(off.abs() <= tolerance, 0.0).sum() / found["length"].sum()
        plain = along >= rules.share("record.side_straight_share")
        azimuth.append(float(longest["azimuth"]) if plain else np.nan)
        why.append("" if plain else f"the walls of side {side} run several ways")
    bearing = np.round(np.array(azimuth), 1) % 180.0
    value = pd.Series(rows["value"].to_numpy(dtype=object), index=rows.index)
    value[lettered] = as_text(pd.Series(bearing)).to_numpy(dtype=object)
    note = pd.Series(rows["note"].to_numpy(dtype=object), index=rows.index)
    note[lettered] = [
        f"walked along side {side}" + (f"; {words}" if isinstance(words, str) and words else "")
        for side, words in zip(asked["side"], asked["note"], strict=True)
    ]
    rows = rows.assign(value=as_str(value), note=as_str(note))
    rows.loc[lettered, "number"] = bearing
    unclear = lettered & rows["value"].isna().to_numpy()
    reasons = np.full(len(rows), "", dtype=object)
    reasons[lettered] = why
    return _refuse(
        rows,
        unclear,
        "unclear_side",
        reasons[unclear].tolist(),
        "Write the azimuth of the walk, in degrees from true north.",
    )


def _whole_soundings(rows: pd.DataFrame) -> pd.DataFrame:
    """Refuse half a sounding note: a walk and a spacing are one thing said."""
    of_note = rows["field"].isin(_SOUNDING).to_numpy() & rows["refused"].isna().to_numpy()
    note = rows["batch"].astype("str") + "\n" + rows["file"] + "\n" + rows["row"].astype("string")
    note = note + "\n" + rows["building_id"].fillna("") + "\n" + rows["section_id"].fillna("")
    both = note[of_note].map(note[of_note].value_counts()) == len(_SOUNDING)
    half = of_note.copy()
    half[of_note] = ~both.to_numpy(dtype=bool)
    return _refuse(
        rows,
        half,
        "half_a_sounding",
        "a sounding needs both the wall walked and the spacing felt, and the other is missing or refused",
        "Write both.",
    )


def _plausible(rows: pd.DataFrame, roofs: pd.DataFrame, rules: Rulebook) -> pd.DataFrame:
    """Refuse bare numbers that are hardly right; a unit beside the number says that it is meant."""
    number = rows["number"].to_numpy(dtype=float)
    family = _families(rows, roofs)
    for field in rows["field"].unique():
        rule_id = f"record.plausible.{field}"
        if rule_id not in rules.rules:
            continue
        low, high = _range(rule_id, rules)
        mine = (rows["field"] == field).to_numpy()
        with np.errstate(invalid="ignore"):
            strange = mine & ((number < low) | (number > high)) & ~rows["with_unit"].to_numpy(dtype=bool)
        for name in family[strange].dropna().unique():
            # What a family is known to have is not strange on it.
            figure = rules.families[name].figures.get(field) if name in rules.families else None
            if figure is not None and figure.range is not None:
                least, most = figure.range
                strange &= ~((family == name).to_numpy() & (number >= least) & (number <= most))
        unit = _column(field).unit
        words = [
            f"{value:g} {unit}".strip()
            + f" is outside {low:g} to {high:g} {unit}".rstrip()
            + ", which is hardly right"
            for value in number[strange]
        ]
        remedy = f"If it is right, widen the rule {rule_id}."
        if unit == "ft":
            remedy = "Write it with its unit: 24 in, or 24 ft if that is right."
        elif unit == "deg":
            remedy = "Write it with its unit, as 70 deg, if it is right."
        rows = _refuse(rows, strange, "hardly_right", words, remedy)
    return rows


def _families(rows: pd.DataFrame, roofs: pd.DataFrame) -> pd.Series[Any]:
    """The family that the same row gives, else the one in force for the section or the building."""
    key = (
        rows["file"].astype("str")
        + "\n"
        + rows["row"].astype("string")
        + "\n"
        + rows["building_id"].fillna("")
    )
    said = rows[(rows["field"] == "roof_family") & rows["value"].notna()]
    given = pd.Series(said["value"].to_numpy(dtype=object), index=key[said.index])
    given = given[~given.index.duplicated()]
    sections = roofs.drop_duplicates("section_id").set_index("section_id")["roof_family"]
    buildings = roofs.drop_duplicates("building_id").set_index("building_id")["roof_family"]
    found = key.map(given).astype("object")
    found = found.where(found.notna(), rows["section_id"].map(sections).astype("object"))
    return found.where(found.notna(), rows["building_id"].map(buildings).astype("object"))


def _range(rule_id: str, rules: Rulebook) -> tuple[float, float]:
    found = rules.numbers(rule_id)
    if len(found) != 2 or not found[0] <= found[1]:
        raise RuleError(f"Rule {rule_id} is {found}, but it takes two numbers, the low one first: change it.")
    return found[0], found[1]


def _weigh(rows: pd.DataFrame, known: pd.DataFrame, log: pd.DataFrame) -> pd.DataFrame:
    """Put each answer beside the value in force, and say what becomes of it."""
    now = _in_force(rows, known)
    there = now["value"].notna().to_numpy()
    equal = there & says_the_same(
        rows["field"], rows["value"], now["value"], rows["resolution"].to_numpy(dtype=float)
    )
    rank = {basis: place for place, basis in enumerate(BASES)}
    mine = rows["basis"].map(rank).fillna(len(BASES)).to_numpy(dtype=int)
    theirs = now["basis"].map(rank).fillna(len(BASES)).to_numpy(dtype=int)
    day, their_day = (_days(column) for column in (rows["seen_on"], now["date"]))
    wins = ~there | (mine < theirs) | ((mine == theirs) & (day >= their_day))
    logged = _in(rows, log) | rows.duplicated(list(_KEY)).to_numpy()
    copied = equal & (
        ~rows["on_the_spot"].to_numpy(dtype=bool) | rows["field"].isin(_NEVER_CONFIRMED).to_numpy()
    )
    refused = rows["refused"].notna().to_numpy()
    outcome = np.select(
        [refused, logged | copied, ~wins, ~there, equal],
        ["refused", "same", "earlier", "new", "confirmed"],
        "changed",
    )
    reason = np.select(
        [refused, logged, copied, ~wins],
        [
            rows["refused"].fillna("").to_numpy(dtype=object),
            "it is in the record already",
            "it says what is known",
            "what is in force is better known or later",
        ],
        "",
    )
    then = rows["value"].where(rows["value"].notna(), rows["written"])
    return rows.assign(
        now=now["value"].array,
        now_basis=now["basis"].array,
        now_date=now["date"].array,
        then=then,
        outcome=pd.Series(outcome, index=rows.index, dtype="str"),
        reason=pd.Series(reason, index=rows.index, dtype="str"),
    )


def _in_force(rows: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Value, basis and date in force for each answer: of its section, else of its building."""
    table = pd.DataFrame(
        {
            "value": known["value"].astype("object"),
            "basis": known["basis"].astype("object"),
            "date": known["date"].astype("datetime64[ms]"),
        }
    )
    table.index = pd.Index(
        known["building_id"] + "\n" + known["section_id"].astype("str").fillna("") + "\n" + known["field"]
    )
    table = table[~table.index.duplicated()]
    whole = rows["building_id"].fillna("") + "\n\n" + rows["field"]
    part = (
        rows["building_id"].fillna("")
        + "\n"
        + rows["section_id"].astype("str").fillna("")
        + "\n"
        + rows["field"]
    )
    of_part, of_whole = table.reindex(part), table.reindex(whole)
    stated = of_part["value"].notna().to_numpy()
    return pd.DataFrame(
        {
            name: pd.Series(
                np.where(stated, of_part[name].to_numpy(), of_whole[name].to_numpy()), index=rows.index
            )
            for name in ("value", "basis", "date")
        }
    )


def _days(dates: pd.Series[Any]) -> npt.NDArray[np.int64]:
    """Days as numbers; none is the oldest."""
    return pd.to_datetime(dates).to_numpy(dtype="datetime64[ms]").view(np.int64)


def _in(rows: pd.DataFrame, log: pd.DataFrame) -> BoolArray:
    """Which answers the log holds word for word."""
    return np.isin(_words(rows), _words(log)) if len(log) else np.zeros(len(rows), dtype=bool)


def _words(rows: pd.DataFrame) -> npt.NDArray[np.str_]:
    parts = [rows["seen_on"].dt.strftime("%Y-%m-%d") if name == "seen_on" else rows[name] for name in _KEY]
    joined = parts[0].astype("str").fillna("")
    for part in parts[1:]:
        joined = joined + "\n" + part.astype("str").fillna("")
    return joined.to_numpy(dtype="U")


def _refusals(rows: pd.DataFrame) -> pd.DataFrame:
    """A problem for each refused answer."""
    out = rows[rows["refused"].notna()]
    frames = [problem_rows("", [], "", "error", "", "")]
    for (file, code, action), some in out.groupby(["file", "code", "action"], sort=False):
        frames.append(
            problem_rows(
                str(file),
                [f"row {row}" for row in some["row"]],
                str(code),
                "error",
                [
                    f"{field} of {building} is {said!r}: {why}; it was not taken in."
                    for field, building, said, why in zip(
                        some["field"],
                        some["building_id"].fillna("no building"),
                        some["written"],
                        some["refused"],
                        strict=True,
                    )
                ],
                str(action),
            )
        )
    return pd.concat(frames, ignore_index=True)


def _undated(rows: pd.DataFrame) -> pd.DataFrame:
    """Answers without a day: any dated one of the same basis outdoes them."""
    out = rows[rows["seen_on"].isna()].drop_duplicates(["file", "row"])
    return pd.concat(
        [
            problem_rows("", [], "", "warning", "", ""),
            *(
                problem_rows(
                    str(file),
                    [f"row {row}" for row in some["row"]],
                    "no_date",
                    "warning",
                    "The row does not say when it was seen; it counts as older than any that does.",
                    "Write the day in seen_on, or give --seen-on.",
                )
                for file, some in out.groupby("file", sort=False)
            ),
        ],
        ignore_index=True,
    )
