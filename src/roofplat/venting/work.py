"""The work of a plan: what is sawn, pulled and walked, and how much of it a crew gets done in one spell.

In: the planned openings, cuts, checks and paths, as columns; the crew's rates.
Out: `Work`: feet of saw cut by saw and by step, parts, feet walked, the area cut open in one spell, minutes.

Cuts of one opening take as long as the slower of two saws that work side by side; then its parts are pulled,
and the crew walks on. An opening counts when all of it is done. A spell is a planned length of work: nothing
here says how long a roof will bear anybody.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute

from roofplat.errors import RuleError
from roofplat.framing.ragged import FloatArray, IntArray, sums, sums_before
from roofplat.placing.openings import UNCUT
from roofplat.rules import Rulebook
from roofplat.tables import METHODS

__all__ = ["MEASURED_RATES", "Rates", "Work", "crew_rates", "cut_work", "numbers_among"]

MEASURED_RATES = ("work.cut_ft_per_min", "work.parts_per_min", "work.walk_ft_per_min")
"""Rates that a drill has to measure before a time is told."""
_NEVER = "never"
_GLAZING = "glazing"
# Openings of one section are told apart by their number.
_MOST_OPENINGS = 1_000_000
# Rounding makes no spell too short.
_SAME_MIN = 1e-9
Columns = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Rates:
    """What a crew does in a minute.

    saws
        That cut at once.
    cut_ft_per_min, parts_per_min, walk_ft_per_min
        Of one saw; of the crew.
    spell_min
        One planned spell of work.
    measured
        Whether the department states all rates, and the day on which they were measured.
    """

    saws: int
    cut_ft_per_min: float
    parts_per_min: float
    walk_ft_per_min: float
    spell_min: float
    measured: bool


@dataclass(frozen=True, slots=True)
class Work:
    """The work in n sections; shape (n,) each, 0 where nothing is planned.

    planned_ft2, glazing_ft2, placed_ft2
        Area of the cuts, of the glazing, and of all openings of the plan, those that are there already too.
    saw_ft, saw_1_ft, saw_2_ft
        Cuts of the openings, and the parts of both saws.
    steps_ft
        The same by kind of cut.
    check_saw_ft, trench_saw_ft, cross_cut_ft
        Inspection cut and indicator holes; the trench, and of it the cross cuts.
    parts
        Of cut openings.
    walk_ft
        Way from the first ladder to the first opening that is cut, and on from middle to middle.
    done_ft2
        Area cut open in one spell.
    minutes
        For all openings that are cut.
    """

    planned_ft2: FloatArray
    glazing_ft2: FloatArray
    placed_ft2: FloatArray
    saw_ft: FloatArray
    saw_1_ft: FloatArray
    saw_2_ft: FloatArray
    steps_ft: Mapping[str, FloatArray]
    check_saw_ft: FloatArray
    trench_saw_ft: FloatArray
    cross_cut_ft: FloatArray
    parts: IntArray
    walk_ft: FloatArray
    done_ft2: FloatArray
    minutes: FloatArray


def crew_rates(rules: Rulebook) -> Rates:
    """The rates of the crew, and whether a drill measured them.

    Parameters
    ----------
    rules
        `work.*`; `[crew]` of a district file takes their place.

    Returns
    -------
    Rates

    Raises
    ------
    RuleError
        A rate is not above zero, or the day is none.

    Examples
    --------
    >>> from roofplat.rules import load_rulebook
    >>> crew_rates(load_rulebook()).measured
    False
    """
    day = rules.choice("work.measured_on")
    if day != _NEVER:
        try:
            date.fromisoformat(day)
        except ValueError:
            raise RuleError(
                f"Rule work.measured_on is {day!r}; it takes a day as YYYY-MM-DD, or {_NEVER!r}."
            ) from None
    return Rates(
        saws=rules.count("work.saws", least=1),
        cut_ft_per_min=rules.positive("work.cut_ft_per_min"),
        parts_per_min=rules.positive("work.parts_per_min"),
        walk_ft_per_min=rules.positive("work.walk_ft_per_min"),
        spell_min=rules.positive("work.spell_min"),
        measured=day != _NEVER and all(rules[name].overridden for name in MEASURED_RATES),
    )


def numbers_among(names: Any, texts: Any) -> IntArray:
    """Place of each text of a column among some names, -1 where it is none of them.

    Examples
    --------
    >>> numbers_among(["a", "b"], ["b", "c"]).tolist()
    [1, -1]
    """
    known = arrow.array(names, arrow.large_string(), from_pandas=True)
    column = arrow.array(texts, arrow.large_string(), from_pandas=True)
    found = compute.fill_null(compute.index_in(column, value_set=known), -1)
    return np.asarray(found, dtype=np.int64)


def cut_work(
    section_id: Any,
    openings: Columns,
    cuts: Columns,
    checks: Columns,
    paths: Columns,
    rates: Rates,
    *,
    east_ft: FloatArray,
    north_ft: FloatArray,
) -> Work:
    """Add up the work in each section.

    Parameters
    ----------
    section_id
        Ids of n sections, text.
    openings, cuts, checks, paths
        Columns of `tables.TABLES` by these names.
    rates
        Of the crew.
    east_ft, north_ft
        Middle of each opening in feet on its section's local plane, shape of `openings`.

    Returns
    -------
    Work
        Trench and checks are no part of a spell.
    """
    count = len(section_id)
    section = numbers_among(section_id, openings["section_id"])
    method = numbers_among(list(METHODS), openings["method"])
    seq, area = np.asarray(openings["seq"], dtype=np.int64), np.asarray(openings["area_ft2"], dtype=float)
    is_cut = ~np.isin(method, UNCUT)
    glazing = method == METHODS.index(_GLAZING)

    saw_section = numbers_among(section_id, cuts["section_id"])
    cut_ft = np.asarray(cuts["cut_ft"], dtype=float)
    saw = np.asarray(cuts["saw"], dtype=np.int64)
    kind = numbers_among(["head_cut", "parallel_cut", "base_cut", "cross_cut"], cuts["kind"])
    of_opening = numbers_among(["opening"], cuts["feature"]) == 0

    def cut(rows: Any) -> FloatArray:
        return sums(cut_ft[rows], saw_section[rows], count)

    # The openings that are cut, in the order in which they are.
    rows = np.flatnonzero(is_cut)
    rows = rows[np.lexsort((seq[rows], section[rows]))]
    owner, parts = section[rows], np.asarray(openings["parts"], dtype=np.int64)[rows]
    key = owner * _MOST_OPENINGS + seq[rows]
    sawn = np.flatnonzero(of_opening)
    feature = saw_section[sawn] * _MOST_OPENINGS + np.asarray(cuts["feature_seq"], dtype=np.int64)[sawn]
    which = np.searchsorted(key, feature)
    by_saw = [sums(np.where(saw[sawn] == number, cut_ft[sawn], 0.0), which, rows.size) for number in (1, 2)]
    sawing_ft = np.maximum(*by_saw) if rates.saws > 1 else by_saw[0] + by_saw[1]

    way = numbers_among(section_id, paths["section_id"])
    first = np.asarray(paths["ladder_rank"], dtype=np.int64) == 1
    in_ft = sums(np.asarray(paths["length_ft"], dtype=float)[first], way[first], count)
    follows = np.r_[False, owner[1:] == owner[:-1]] if rows.size else np.zeros(0, dtype=bool)
    east, north = east_ft[rows], north_ft[rows]
    on_ft = np.hypot(np.diff(east, prepend=0.0), np.diff(north, prepend=0.0))
    walk_ft = np.where(follows, on_ft, in_ft[owner])

    minutes = sawing_ft / rates.cut_ft_per_min + parts / rates.parts_per_min + walk_ft / rates.walk_ft_per_min
    finished = sums_before(minutes, owner) + minutes <= rates.spell_min + _SAME_MIN
    return Work(
        planned_ft2=sums(area[rows], owner, count),
        glazing_ft2=sums(area[glazing], section[glazing], count),
        placed_ft2=sums(area, section, count),
        saw_ft=cut(of_opening),
        saw_1_ft=cut(of_opening & (saw == 1)),
        saw_2_ft=cut(of_opening & (saw == 2)),
        steps_ft={
            name: cut(of_opening & (kind == number))
            for number, name in enumerate(("head_cut", "parallel_cut", "base_cut"))
        },
        check_saw_ft=sums(
            np.asarray(checks["cut_ft"], dtype=float), numbers_among(section_id, checks["section_id"]), count
        ),
        trench_saw_ft=cut(~of_opening),
        cross_cut_ft=cut(~of_opening & (kind == 3)),
        parts=np.bincount(owner, weights=parts, minlength=count).astype(np.int64),
        walk_ft=sums(walk_ft, owner, count),
        done_ft2=sums(np.where(finished, area[rows], 0.0), owner, count),
        minutes=sums(minutes, owner, count),
    )
