"""Every value anyone gave for a building, and which of them is in force.

In: footprints with their own attribute columns, attribute sources, the pairs the joins found.
Out: one long table of facts, one wide table of the values in force, problem rows for conflicts.

A value wins by its basis, then by its date (no date is the oldest), then by the order of the
sources (footprints, the survey log, then as in the district file), then by the order of the records in the
file; of a log the later row wins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from roofplat.intake.inputs import AttributeRecords
from roofplat.inventory._shared import IntArray, combine_problems, file_order, texts
from roofplat.rules import Rulebook
from roofplat.tables import ATTRIBUTES, BASES, problem_rows, words

__all__ = [
    "FOOTPRINTS",
    "ROOF_SURVEY_FIELDS",
    "collect_facts",
    "known_values",
    "reduce_facts",
    "survey_dates",
]

FOOTPRINTS = "footprints"
"""The name of the footprint layer where a source is named."""

ROOF_SURVEY_FIELDS = (
    "roof_family",
    "framing_axis_deg",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "roof_shape",
    "slope_deg",
    "roof_height_ft",
    "ridge_deg",
    "ridge_runs",
    "downslope_deg",
    "deck",
    "panel_type",
    "parapet_ft",
    "suspended_load",
    "bearing_walls",
    "sounding_walk_deg",
    "sounding_spacing_ft",
)
"""A surveyed record that carries one of these has looked at the roof."""

_MUST_BE_POSITIVE = (
    "storeys",
    "height_ft",
    "beam_spacing_ft",
    "purlin_spacing_ft",
    "rafter_spacing_ft",
    "sounding_spacing_ft",
)
# After how many degrees a direction says the same again: of a line, 179 and 1 are two degrees apart.
_TURNS_DEG = {
    "framing_axis_deg": 180.0,
    "sounding_walk_deg": 180.0,
    "ridge_deg": 180.0,
    "downslope_deg": 360.0,
}
# Of these a building may have several, each as right as the others.
_SEVERAL = ("inspected_on", "sounding_walk_deg", "sounding_spacing_ft")
_FIELDS = tuple(ATTRIBUTES)
_NUMERIC = np.array([ATTRIBUTES[field].dtype in ("float64", "Int64") for field in _FIELDS])
_MEASURED = np.array([ATTRIBUTES[field].dtype == "float64" for field in _FIELDS])
_TURN_DEG = np.array([_TURNS_DEG.get(field, np.nan) for field in _FIELDS])
_UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class _Column:
    """One field of one source: buildings, values, where they stand; records as an array of text."""

    building: IntArray
    value: pd.Series
    basis: IntArray
    date: npt.NDArray[np.datetime64]
    record: Any
    order: IntArray


def collect_facts(
    footprints: gpd.GeoDataFrame,
    attributes: Sequence[AttributeRecords],
    pairs: Sequence[pd.DataFrame],
    rules: Rulebook,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Melt every matched record into one row a value.

    Parameters
    ----------
    footprints
        `building_id`, `basis`, `date` and attribute columns.
    attributes
        The sources, in the order of the district file.
    pairs
        For each source the frame of `record` and `building_id` its join found.
    rules
        The roof families that exist.

    Returns
    -------
    facts
        `building` (row of `footprints`), `field` (text), `code` (number of the field), `value`
        (text), `number`, `basis` (position in `tables.BASES`), `date`, `source`, `source_order`,
        `record`, `record_order`. In no particular order.
    problems
        Values that cannot be: an unknown roof family, a height or spacing that is not positive.
    """
    chunks: list[pd.DataFrame] = []
    problems: list[pd.DataFrame] = []
    everyone = np.arange(len(footprints))
    ids = footprints["building_id"].astype("str").array
    for field in _FIELDS:
        if field in footprints:
            column = _Column(
                everyone,
                footprints[field],
                _basis_code(footprints["basis"]),
                footprints["date"].to_numpy(dtype="datetime64[ms]"),
                ids,
                everyone,
            )
            _melt(column, field, FOOTPRINTS, 0, rules, chunks, problems)
    index = pd.Index(footprints["building_id"])
    for number, (source, matched) in enumerate(zip(attributes, pairs, strict=True), start=1):
        frame = source.frame
        row = pd.Index(frame["record"]).get_indexer(pd.Index(matched["record"]))
        building = index.get_indexer(pd.Index(matched["building_id"])).astype(np.int64)
        date = frame["date"].to_numpy(dtype="datetime64[ms]")[row]
        record = frame["record"].astype("str").array[row]
        order = file_order(frame["record"])[row]
        if source.log:
            # The later row goes first; below zero, so that a conflict can say which of the two it was.
            order, basis = -1 - order, _basis_code(frame["basis"].iloc[row])
        else:
            basis = np.full(row.size, BASES.index(source.source.basis), dtype=np.int64)
        for field in _FIELDS:
            if field in frame:
                column = _Column(building, frame[field].iloc[row], basis, date, record, order)
                _melt(column, field, source.source.name, number, rules, chunks, problems)
    if not chunks:
        return _no_facts(), combine_problems(problems)
    return pd.concat(chunks, ignore_index=True), combine_problems(problems)


def reduce_facts(
    facts: pd.DataFrame, building_ids: npt.NDArray[np.object_], rules: Rulebook
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put the facts of each building and field in order of trust; the first is in force.

    Parameters
    ----------
    facts
        As `collect_facts` returns them.
    building_ids
        Id of each building row, shape (n,).
    rules
        `join.same_value_share`: how far numbers may differ and still say the same;
        `join.settling_surveys`: how many later surveys that agree settle a conflict.

    Returns
    -------
    facts
        The same rows sorted by building row, field and trust, with `current`.
    problems
        A `conflicting_values` row for each building and field where a record of the same basis
        says something else than the value in force.
    """
    date = facts["date"].to_numpy(dtype="datetime64[ms]").view(np.int64)
    # A visit is as recent as the day it names, whenever the list of visits was made.
    visit = facts["code"].to_numpy() == _FIELDS.index("inspected_on")
    date = np.where(visit, np.nan_to_num(facts["number"].to_numpy()).astype(np.int64), date)
    order = np.lexsort(
        (
            facts["record_order"].to_numpy(),
            facts["source_order"].to_numpy(),
            -np.maximum(date, -(2**62)),
            facts["basis"].to_numpy(),
            facts["code"].to_numpy(),
            facts["building"].to_numpy(),
        )
    )
    facts = facts.iloc[order].reset_index(drop=True)
    group = facts["building"].to_numpy() * len(_FIELDS) + facts["code"].to_numpy()
    first = np.ones(len(facts), dtype=bool)
    first[1:] = group[1:] != group[:-1]
    facts["current"] = first
    head = (
        np.maximum.accumulate(np.where(first, np.arange(len(facts)), 0)) if len(facts) else np.empty(0, int)
    )
    return facts, _conflicts(facts, head.astype(np.int64), building_ids, rules)


def known_values(facts: pd.DataFrame, count: int) -> pd.DataFrame:
    """Spread the values in force over one row a building.

    Parameters
    ----------
    facts
        As `reduce_facts` returns them.
    count
        Number of buildings.

    Returns
    -------
    DataFrame
        For each field of `tables.ATTRIBUTES`: the field (its own type), `<field>_basis` (text)
        and `<field>_date`; missing where nobody knows. RangeIndex of `count`.
    """
    code = facts["code"].to_numpy()
    current = np.flatnonzero(facts["current"].to_numpy(dtype=bool))
    current = current[np.argsort(code[current], kind="stable")]
    edges = np.searchsorted(code[current], np.arange(len(_FIELDS) + 1))
    building, basis = facts["building"].to_numpy(), facts["basis"].to_numpy()
    date = facts["date"].to_numpy(dtype="datetime64[ms]")
    columns: dict[str, pd.Series] = {}
    for number, field in enumerate(_FIELDS):
        here = current[edges[number] : edges[number + 1]]
        row = building[here]
        columns[field] = _typed(field, facts, here, row, count)
        place = np.full(count, -1, dtype=np.int64)
        place[row] = basis[here]
        columns[f"{field}_basis"] = pd.Series(words(BASES, place))
        seen = np.full(count, np.datetime64("NaT", "ms"))
        seen[row] = date[here]
        columns[f"{field}_date"] = pd.Series(seen)
    return pd.DataFrame(columns, index=pd.RangeIndex(count))


def survey_dates(facts: pd.DataFrame, count: int) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.datetime64]]:
    """Tell which roofs were surveyed, and when last.

    Returns
    -------
    surveyed
        Whether a surveyed record says anything of the roof, shape (count,).
    surveyed_on
        Date of the latest such record; NaT where none is dated, shape (count,).
    """
    codes = [_FIELDS.index(field) for field in ROOF_SURVEY_FIELDS]
    looked = facts[(facts["basis"].to_numpy() == 0) & np.isin(facts["code"].to_numpy(), codes)]
    building = looked["building"].to_numpy()
    surveyed = np.zeros(count, dtype=bool)
    surveyed[building] = True
    # NaT is the least 64-bit integer, so the latest date wins over it.
    latest = np.full(count, np.iinfo(np.int64).min)
    np.maximum.at(latest, building, looked["date"].to_numpy(dtype="datetime64[ms]").view(np.int64))
    return surveyed, latest.view("datetime64[ms]")


def _melt(
    column: _Column,
    field: str,
    source: str,
    source_order: int,
    rules: Rulebook,
    chunks: list[pd.DataFrame],
    problems: list[pd.DataFrame],
) -> None:
    """Append the rows of one field of one source, and the problems of its values."""
    dtype = ATTRIBUTES[field].dtype
    values: pd.Series[Any] = column.value.reset_index(drop=True).astype(dtype)
    present = values.notna().to_numpy(dtype=bool).copy()
    if dtype == "str":
        values = values.str.strip()
        present &= (values != "").to_numpy(dtype=bool, na_value=False)
    usable = present.copy()
    if field == "roof_family":
        # `unknown` is the absence of a value; it must not outweigh a guess that says something.
        usable &= (values != _UNKNOWN).to_numpy(dtype=bool, na_value=False)
        present = usable.copy()
        usable &= values.isin(list(rules.families)).to_numpy(dtype=bool)
        code, what, action = (
            "unknown_family",
            " as roof family, which does not exist",
            "Use a family of families.toml, or leave it empty.",
        )
    else:
        if field in _MUST_BE_POSITIVE:
            usable &= (values > 0).to_numpy(dtype=bool, na_value=False)
        if dtype == "float64":
            usable &= np.isfinite(values.to_numpy(dtype=float))
        code, what, action = (
            "impossible_value",
            f" as {field}, which cannot be",
            "Correct the value, or leave it empty.",
        )
    text = _value_text(values, dtype)
    refused = present & ~usable
    if refused.any():
        record = column.record[refused].to_numpy(dtype=object)
        problems.append(
            problem_rows(
                source,
                record,
                code,
                "warning",
                texts(
                    "Record ", record, " gives ", text[refused].to_numpy(dtype=object), what,
                    "; it is not used.",
                    size=int(refused.sum()),
                ),
                action,
            )
        )  # fmt: skip
    if not usable.any():
        return
    size = int(usable.sum())
    same = np.zeros(size, dtype=np.int64)
    chunks.append(
        pd.DataFrame(
            {
                "building": column.building[usable],
                "field": words([field], same),
                "code": np.full(size, _FIELDS.index(field)),
                "value": text[usable],
                "number": _value_number(values, dtype)[usable],
                "basis": column.basis[usable],
                "date": column.date[usable],
                "source": words([source], same),
                "source_order": np.full(size, source_order),
                "record": column.record[usable],
                "record_order": column.order[usable],
            }
        )
    )


def _value_text(values: pd.Series, dtype: str) -> Any:
    """An array of text, shape (n,)."""
    if dtype == "float64":
        # The shortest text that reads back to the same number.
        return values.astype("str").str.removesuffix(".0").array
    if dtype == "boolean":
        return words(("false", "true"), values.fillna(False).to_numpy(dtype=bool).astype(np.int64))
    if dtype.startswith("datetime"):
        return pd.array(np.datetime_as_string(values.to_numpy(dtype="datetime64[D]")), dtype="str")
    return values.astype("str").array


def _value_number(values: pd.Series, dtype: str) -> npt.NDArray[np.float64]:
    if dtype == "str":
        return np.full(len(values), np.nan)
    if dtype.startswith("datetime"):
        return values.to_numpy(dtype="datetime64[ms]").view(np.int64).astype(float)
    return values.to_numpy(dtype=float, na_value=np.nan)


def _typed(field: str, facts: pd.DataFrame, here: IntArray, row: IntArray, count: int) -> pd.Series:
    """Values of one field from some rows of the facts, spread over so many buildings."""
    dtype = ATTRIBUTES[field].dtype
    if dtype == "str":
        place = np.full(count, -1, dtype=np.int64)
        place[row] = here
        return pd.Series(facts["value"].array.take(place, allow_fill=True))
    number = np.full(count, np.nan)
    number[row] = facts["number"].to_numpy()[here]
    if dtype == "float64":
        return pd.Series(number)
    if dtype.startswith("datetime"):
        moment = np.full(count, np.datetime64("NaT", "ms"))
        moment[row] = number[row].astype(np.int64).view("datetime64[ms]")
        return pd.Series(moment)
    return pd.Series(number).astype("Float64").astype(dtype)


def _conflicts(
    facts: pd.DataFrame, head: IntArray, building_ids: npt.NDArray[np.object_], rules: Rulebook
) -> pd.DataFrame:
    basis = facts["basis"].to_numpy()
    rival = np.flatnonzero((head != np.arange(len(facts))) & (basis == basis[head]))
    leader = head[rival]
    code = facts["code"].to_numpy()[rival]
    number = facts["number"].to_numpy()
    a, b = number[leader], number[rival]
    tolerance = rules.number("join.same_value_share")
    apart = np.abs(a - b)
    turn = _TURN_DEG[code]
    turned = np.minimum(apart % turn, turn - apart % turn)
    # Few facts have a rival: only those are looked at as text.
    met = np.unique(np.concatenate([leader, rival]))
    word, _ = pd.factorize(facts["value"].iloc[met].str.strip().str.casefold())
    differs = np.where(
        ~np.isnan(turn),
        turned > tolerance * 180.0,
        np.where(
            _NUMERIC[code],
            # A year or a number of storeys is counted, not measured: it is the same or it is not.
            apart > np.where(_MEASURED[code], tolerance * np.maximum(np.abs(a), np.abs(b)), 0.0),
            word[np.searchsorted(met, leader)] != word[np.searchsorted(met, rival)],
        ),
    ).astype(bool)
    # Two inspections on two days are two visits, no contradiction. Nor are two walks along two walls: what
    # they say of the beams is compared where the beams are laid out.
    differs &= ~np.isin(code, [_FIELDS.index(name) for name in _SEVERAL])
    agrees = np.append(head, rival[~differs])
    rival, leader = rival[differs], leader[differs]
    open_ = ~_settled(facts, head, agrees, rival, rules)
    rival, leader = rival[open_], leader[open_]
    # One row a building and field: the value in force against the strongest that differs.
    leader, position, many = np.unique(leader, return_index=True, return_counts=True)
    rival = rival[position]
    first, second = facts.iloc[leader], facts.iloc[rival]
    ids = building_ids[first["building"].to_numpy()]
    date, other_date = (rows["date"].to_numpy(dtype="datetime64[ms]") for rows in (first, second))
    newer = ~np.isnat(date) & ~(date <= other_date)
    order, other_order = first["source_order"].to_numpy(), second["source_order"].to_numpy()
    place = np.where(first["record_order"].to_numpy() < 0, "logged later", "earlier in the file")
    why = np.where(newer, "later", np.where(order < other_order, "listed first", place)).astype(object)
    more = np.where(many > 1, " (and " + (many - 1).astype("U").astype(object) + " more)", "").astype(object)
    value = _told_value(first)
    told = problem_rows(
        "inventory",
        ids,
        "conflicting_values",
        "warning",
        texts(
            "Building ", ids, ": ", first["field"].to_numpy(dtype=object), " is ", value,
            *_told_source(first), " and ", _told_value(second), *_told_source(second), more, ", of basis ",
            np.array(BASES, dtype=object)[basis[leader]], "; ", value, " is taken, being ", why, ".",
            size=leader.size,
        ),
        "Find out which is right and correct or date the other.",
    )  # fmt: skip
    looked = basis[leader] == BASES.index("surveyed")
    told["action"] = told["action"].mask(looked, "Look again; later surveys that agree settle it.")
    return told


def _told_value(facts: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Values as a sentence has them: six digits are enough to tell two numbers apart; facts keep them all."""
    measured = _MEASURED[facts["code"].to_numpy()]
    value = facts["value"].to_numpy(dtype=object).copy()
    value[measured] = np.char.mod("%.6g", facts["number"].to_numpy()[measured])
    return value


def _told_source(facts: pd.DataFrame) -> tuple[object, ...]:
    """By whom and when, as parts of a sentence."""
    date = facts["date"].to_numpy(dtype="datetime64[ms]")
    day = np.where(np.isnat(date), "no date", np.datetime_as_string(date, unit="D")).astype(object)
    source, record = (facts[name].to_numpy(dtype=object) for name in ("source", "record"))
    return " by ", source, " record ", record, " (", day, ")"


def _settled(facts: pd.DataFrame, head: IntArray, agrees: IntArray, rival: IntArray, rules: Rulebook) -> Any:
    """Which surveyed values several later surveys, all of the value in force, have set aside.

    The roof may have changed since, or the first look was wrong: who looked again and found the same has
    answered which. Days count, not rows: one visit may be listed twice.
    """
    days = pd.DataFrame({"head": head[agrees], "day": facts["date"].to_numpy()[agrees]}).dropna()
    later = pd.DataFrame(
        {"rival": np.arange(rival.size), "head": head[rival], "seen": facts["date"].to_numpy()[rival]}
    ).merge(days.drop_duplicates(), on="head")
    later = later[later["seen"].isna() | (later["day"] > later["seen"])]
    visits = np.bincount(later["rival"].to_numpy(dtype=np.int64), minlength=rival.size)
    surveyed = facts["basis"].to_numpy()[rival] == BASES.index("surveyed")
    return surveyed & (visits >= rules.count("join.settling_surveys", least=1))


def _basis_code(basis: pd.Series) -> IntArray:
    """Position in `BASES`; a missing basis is the least trusted."""
    code = pd.Index(BASES).get_indexer(pd.Index(basis))
    return np.where(code < 0, len(BASES) - 1, code).astype(np.int64)


def _no_facts() -> pd.DataFrame:
    whole = np.empty(0, dtype=np.int64)
    text = pd.Series([], dtype="str")
    return pd.DataFrame(
        {
            "building": whole,
            "field": text,
            "code": whole,
            "value": text,
            "number": np.empty(0),
            "basis": whole,
            "date": np.empty(0, dtype="datetime64[ms]"),
            "source": text,
            "source_order": whole,
            "record": text,
            "record_order": whole,
        }
    )
