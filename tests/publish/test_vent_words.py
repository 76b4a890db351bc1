"""What is said of openings, smoke and the work of cutting.

In: rows by hand.
Out: figures and sentences, word for word.
"""

from __future__ import annotations

from typing import Any

import pytest

from roofplat.publish.vent_words import (
    CODE_WORDS,
    code_sentence,
    figures,
    flow_sentence,
    says_sentence,
    windward_sentence,
    work_sentence,
)
from roofplat.tables import CODE_ASKS

from .vents import SAYS, vent_row


@pytest.mark.parametrize(
    ("told", "label", "value"),
    [
        ({}, "by rule", "1,536 sq ft"),
        ({"wanted_ft2": None}, "by rule", "not known"),
        ({}, "by flow", "310 sq ft"),
        (
            {"flow_ft2": None, "flow_outside": "outside the range of the inlet"},
            "by flow",
            "outside the range of the inlet",
        ),
        ({"flow_ft2": None, "flow_outside": "not worked out: no height"}, "by flow", "not worked out"),
        ({"planned_ft2": 0.0}, "planned", "0 sq ft"),
        ({"planned_ft2": 0.0, "glazing_ft2": 64.0}, "planned", "64 sq ft of glazing"),
        ({"glazing_ft2": 64.0}, "planned", "240 sq ft cut and 64 sq ft of glazing"),
        ({}, "there already", "48 sq ft in 3, 1 of unknown size"),
        ({"existing_count": 0, "existing_unsized": 0, "existing_ft2": 0.0}, "there already", "none"),
        # No area is no answer where nobody knows the sizes.
        (
            {"existing_count": 2, "existing_unsized": 2, "existing_ft2": 0.0},
            "there already",
            "2 of unknown size",
        ),
    ],
)
def test_a_figure_is_a_number_or_says_why_not(told: dict[str, Any], label: str, value: str) -> None:
    assert dict(figures(vent_row(**told)))[label] == value
    assert [name for name, _ in figures(vent_row(**told))] == [
        "by rule",
        "by flow",
        "planned",
        "there already",
    ]


def test_an_area_by_flow_stands_with_its_fire_and_height() -> None:
    assert flow_sentence(vent_row()) == (
        "By flow: fire of 18,580 kW on 400 sq ft, 8.2 ft kept clear, air in through 162 sq ft; 8 openings or "
        "more, none over 42 sq ft. What is planned and there keeps 6.2 ft clear."
    )
    outside = "outside the range of the inlet: the doors let in less air than this flow needs"
    none = vent_row(flow_ft2=None, largest_single_ft2=None, least_openings=None, clear_planned_ft=None)
    assert flow_sentence({**none, "flow_outside": outside}) == (
        "By flow: fire of 18,580 kW on 400 sq ft, 8.2 ft kept clear, air in through 162 sq ft: outside the "
        "range of the inlet: the doors let in less air than this flow needs; doors of 61 sq ft or more "
        "would do."
    )
    shallow = {**none, "inlet_least_ft2": None, "flow_outside": "outside the range of the layer"}
    assert flow_sentence(shallow).endswith("through 162 sq ft: outside the range of the layer.")
    assert flow_sentence({"flow_outside": "not worked out: height or area is not known"}) == (
        "Not worked out: height or area is not known."
    )
    assert flow_sentence({}) == ""
    hot = "outside the range of the layer's temperature: too hot for clear air below it"
    assert flow_sentence(vent_row(clear_planned_ft=None, clear_outside=hot)).endswith(
        f"What is planned and there: {hot}."
    )


def test_the_work_is_told_by_step_and_by_saw_without_a_time() -> None:
    assert work_sentence(vent_row()) == (
        "Work: saw cut 180 ft (head 60, parallel 70, base 50; saw 1 100, saw 2 80), checks 12 ft, trench 210 "
        "ft (across 60), 6 panels or louvers to pull, 75 ft to walk. One working spell opens 16% of the area "
        "by rule; rates from memory: measure yours."
    )
    # A time that slipped in without a measured rate is not told.
    assert "min" not in work_sentence(vent_row(work_minutes=12.4)).split()
    assert work_sentence(vent_row(rate_basis="measured", work_minutes=12.4)).endswith(
        "One working spell opens 16% of the area by rule; the planned cuts are 12 min of work, at your "
        "measured rate."
    )
    assert work_sentence(vent_row(saw_ft=0.0, trench_saw_ft=0.0, parts=0, crew_share=0.0)) == ""
    assert work_sentence(vent_row(crew_share=None)).endswith("75 ft to walk.")


@pytest.mark.parametrize(
    ("share", "words"), [(0.0, "0%"), (0.004, "under 1%"), (0.996, "over 99%"), (1.0, "100%")]
)
def test_a_little_is_not_nothing_and_nearly_all_is_not_all(share: float, words: str) -> None:
    assert f" opens {words} of " in work_sentence(vent_row(crew_share=share))


def test_wind_and_the_plain_sentence() -> None:
    assert windward_sentence(vent_row(windward_openings=2)) == "2 openings are planned on a windward slope."
    assert says_sentence(vent_row()) == SAYS
    assert says_sentence(vent_row(says=None)) == ""


def test_the_code_is_never_said_to_demand_anything() -> None:
    assert list(CODE_WORDS) == list(CODE_ASKS)
    short = code_sentence(vent_row())
    assert short.endswith("Prescriptive area 1,200 sq ft (unsprinklered), 1,152 sq ft more than is there.")
    enough = code_sentence(vent_row(vents_short_ft2=0.0))
    assert enough.endswith("Prescriptive area 1,200 sq ft (unsprinklered).")
    for word in CODE_ASKS:
        said = code_sentence(vent_row(code_asks=word))
        assert CODE_WORDS[word] in said
        assert not {"must", "requires", "violation", "shall"} & set(said.split())
        assert ("1,200" in said) == (word == "may ask")
