"""The work of cutting: by hand on one roof, and the laws that hold on any.

In: small roofs, made-up plans, rates.
Out: feet sawn by saw and by step, parts, feet walked, what a crew gets done, and minutes.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import ModuleType
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from tests.breaking.tries import tries

from roofplat.errors import RuleError
from roofplat.rules import load_rulebook
from roofplat.venting import vent_rows
from roofplat.venting.work import MEASURED_RATES, Rates, Work, crew_rates, cut_work

STATED = {"work.cut_ft_per_min": 9.0, "work.parts_per_min": 1.5, "work.walk_ft_per_min": 50.0}
DRILL = {**STATED, "work.spell_min": 12.0, "work.measured_on": "2026-04-11"}
RATES = Rates(2, 9.0, 1.5, 50.0, 12.0, measured=True)


def _row(shapes: ModuleType, roofs: Any, overrides: dict[str, Any], **given: Any) -> tuple[Any, Any]:
    rules = load_rulebook(overrides)
    framing, plan = shapes.planned(roofs, rules=rules, **given)
    things = given.get("obstacles")
    rows = vent_rows(
        framing, roofs, shapes.obstacles() if things is None else things, plan.sections, plan.late, rules
    )
    return rows.iloc[0], plan


def test_three_bays_folded_back_by_hand(shapes: ModuleType) -> None:
    """Each of 18 by 6 ft: a base cut of 18, three parallel cuts of 6, two parts; bays lie 20 ft apart."""
    row, plan = _row(shapes, shapes.roofs(shapes.rectangle(100, 48)), DRILL)
    assert row["planned_ft2"] == pytest.approx(324.0, abs=0.01)
    assert [row[name] for name in ("saw_ft", "saw_1_ft", "saw_2_ft")] == pytest.approx([108.0, 54.0, 54.0])
    assert [row[name] for name in ("head_cut_ft", "parallel_cut_ft", "base_cut_ft")] == pytest.approx(
        [0.0, 54.0, 54.0]
    )
    assert row["parts"] == 6
    way = plan.paths[plan.paths["ladder_rank"] == 1]["length_ft"].iloc[0]
    middles = shapes.in_feet(plan.openings.sort_values("seq").geometry.centroid)
    between = [float(one.distance(following)) for one, following in itertools.pairwise(middles)]
    assert row["walk_ft"] == pytest.approx(way + sum(between), abs=0.02)
    # Two saws side by side: 18 ft at 9 ft a minute, three times; six parts at 1.5; the way at 50 ft.
    assert row["work_minutes"] == pytest.approx(6.0 + 4.0 + row["walk_ft"] / 50.0, abs=1e-6)
    assert row["check_saw_ft"] == pytest.approx(plan.checks["cut_ft"].sum())


def test_one_saw_takes_the_cuts_of_both(shapes: ModuleType) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 48))
    two, _ = _row(shapes, roofs, DRILL)
    one, _ = _row(shapes, roofs, {**DRILL, "work.saws": 1})
    assert one["work_minutes"] - two["work_minutes"] == pytest.approx(54.0 / 9.0)
    assert one["saw_ft"] == two["saw_ft"]


def test_the_trench_is_told_apart(shapes: ModuleType) -> None:
    """Two long cuts and two across the ends, of the tables' own lengths; no part of a spell."""
    row, plan = _row(shapes, shapes.roofs(shapes.rectangle(300, 80)), DRILL)
    trench = plan.trenches.iloc[0]
    assert row["trench_saw_ft"] == pytest.approx(2 * trench["length_ft"] + 2 * trench["width_ft"])
    assert row["cross_cut_ft"] == pytest.approx(2 * trench["width_ft"])
    assert row["saw_ft"] == pytest.approx(108.0)


def test_what_is_there_already_needs_no_saw(shapes: ModuleType) -> None:
    """A skylight is opened first; saw and parts are of cuts alone. A flat roof falls a little, to drain."""
    roofs = shapes.roofs(shapes.rectangle(100, 48))
    light = shapes.obstacles(("skylight", "B000", shapely.box(0.5, 8, 20.5, 28)))
    row, plan = _row(
        shapes, roofs, DRILL, obstacles=light, fires=shapes.fires(("B000", shapely.Point(60, 20)))
    )
    assert plan.openings["method"].tolist() == ["existing_opening", "fold_back"]
    assert (row["parts"], row["planned_ft2"]) == (2, pytest.approx(108.0, abs=0.01))
    assert row["existing_ft2"] == pytest.approx(400.0, rel=1e-3)
    assert row["saw_ft"] == pytest.approx(36.0)


@pytest.mark.parametrize("lacking", [*MEASURED_RATES, "work.measured_on"])
def test_no_minutes_without_all_measured_rates(shapes: ModuleType, lacking: str) -> None:
    roofs = shapes.roofs(shapes.rectangle(100, 48))
    whole, _ = _row(shapes, roofs, DRILL)
    assert (whole["rate_basis"], whole["work_minutes"] > 0) == ("measured", True)
    row, _ = _row(shapes, roofs, {name: value for name, value in DRILL.items() if name != lacking})
    assert row["rate_basis"] == "from memory"
    assert np.isnan(row["work_minutes"])


@pytest.mark.parametrize("day", ["yesterday", "2026-02-30", ""])
def test_a_day_that_is_none_is_refused(day: str) -> None:
    with pytest.raises(RuleError, match=r"work\.measured_on"):
        crew_rates(load_rulebook({**DRILL, "work.measured_on": day}))


@pytest.mark.parametrize("rule", [*MEASURED_RATES, "work.spell_min"])
@pytest.mark.parametrize("value", [0.0, -3.0])
def test_a_rate_that_cannot_be_is_refused(rule: str, value: float) -> None:
    with pytest.raises(RuleError, match="more than zero"):
        crew_rates(load_rulebook({rule: value}))


_OPENING = st.tuples(
    st.floats(1, 400), st.floats(1, 60), st.floats(1, 60), st.integers(1, 9), st.floats(0, 200)
)
_SECTIONS = st.lists(st.lists(_OPENING, max_size=5), min_size=1, max_size=4)


def _work(sections: list[list[Any]], rates: Rates) -> Work:
    """A plan of openings of (area, feet of saw 1, of saw 2, parts, feet from the one before)."""
    ids = [f"s{number}" for number in range(len(sections))]
    rows = [
        (name, seq, *opening)
        for name, openings in zip(ids, sections, strict=True)
        for seq, opening in enumerate(openings, start=1)
    ]
    name, seq, area, one, two, parts, _ = zip(*rows, strict=True) if rows else ((),) * 7
    east = np.concatenate([np.cumsum([0.0, *(each[4] for each in own[1:])])[: len(own)] for own in sections])
    cuts = {
        "section_id": list(name) * 2,
        "feature": ["opening"] * 2 * len(name),
        "feature_seq": np.array([*seq, *seq], dtype=np.int64),
        "kind": ["base_cut"] * len(name) + ["parallel_cut"] * len(name),
        "saw": np.repeat([1, 2], len(name)),
        "cut_ft": np.array([*one, *two], dtype=float),
    }
    first = [own[0][4] for own in sections if own]
    return cut_work(
        ids,
        {
            "section_id": list(name),
            "method": ["fold_back"] * len(name),
            "seq": np.array(seq, dtype=np.int64),
            "parts": np.array(parts, dtype=np.int64),
            "area_ft2": np.array(area, dtype=float),
        },
        cuts,
        {"section_id": [], "cut_ft": np.zeros(0)},
        {
            "section_id": [name for name, own in zip(ids, sections, strict=True) if own],
            "ladder_rank": np.ones(len(first), dtype=np.int64),
            "length_ft": np.array(first, dtype=float),
        },
        rates,
        east_ft=east,
        north_ft=np.zeros(len(name)),
    )


def _by_loop(openings: list[Any], rates: Rates) -> tuple[float, float]:
    """Minutes, and area done in one spell, one opening after the other."""
    minutes = done = 0.0
    for area, one, two, parts, apart in openings:
        sawing = max(one, two) if rates.saws > 1 else one + two
        minutes += sawing / rates.cut_ft_per_min + parts / rates.parts_per_min + apart / rates.walk_ft_per_min
        done += area if minutes <= rates.spell_min + 1e-9 else 0.0
    return minutes, done


@settings(max_examples=tries(60))
@given(sections=_SECTIONS, saws=st.integers(1, 3), spell=st.floats(0.5, 60))
def test_the_work_of_a_plan_is_what_a_loop_finds(sections: list[Any], saws: int, spell: float) -> None:
    rates = replace(RATES, saws=saws, spell_min=spell)
    work = _work(sections, rates)
    for number, openings in enumerate(sections):
        minutes, done = _by_loop(openings, rates)
        assert work.minutes[number] == pytest.approx(minutes)
        assert work.done_ft2[number] == pytest.approx(done)
        assert work.saw_ft[number] == pytest.approx(sum(one + two for _, one, two, *_ in openings))
        assert work.saw_1_ft[number] + work.saw_2_ft[number] == pytest.approx(work.saw_ft[number])
        assert sum(feet[number] for feet in work.steps_ft.values()) == pytest.approx(work.saw_ft[number])
        assert work.parts[number] == sum(parts for _, _, _, parts, _ in openings)
        assert 0.0 <= work.done_ft2[number] <= work.planned_ft2[number] + 1e-9


@settings(max_examples=tries(60))
@given(
    sections=_SECTIONS,
    more=st.floats(1, 5),
    what=st.sampled_from(["saws", "cut_ft_per_min", "parts_per_min", "walk_ft_per_min", "spell_min"]),
)
def test_who_works_faster_or_longer_gets_no_less_done(sections: list[Any], more: float, what: str) -> None:
    slow = replace(RATES, saws=1)
    fast = replace(slow, **{what: 2 if what == "saws" else getattr(slow, what) * more})
    before, after = _work(sections, slow), _work(sections, fast)
    assert (after.done_ft2 >= before.done_ft2 - 1e-9).all()
    assert (after.minutes <= before.minutes + 1e-9).all()


@settings(max_examples=tries(40))
@given(sections=_SECTIONS)
def test_a_section_does_not_depend_on_the_others(sections: list[Any]) -> None:
    """Tiles hold other sections beside it: not a bit may differ."""
    together = _work(sections, RATES)
    for number, openings in enumerate(sections):
        alone = _work([openings], RATES)
        for name in ("saw_ft", "walk_ft", "done_ft2", "minutes", "planned_ft2"):
            assert getattr(alone, name)[0] == getattr(together, name)[number]
