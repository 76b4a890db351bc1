"""The words of a sheet: values with their basis, sentences without codes, in the order of use.

In: rows by hand.
Out: headings and blocks.
"""

from __future__ import annotations

import datetime
from typing import Any

import pandas as pd
import pytest

from roofplat.publish.overrides import override_words
from roofplat.publish.sheet.blocks import Block
from roofplat.publish.sheet.panels import Edition, heading_of, list_block, text_blocks
from roofplat.rules import load_rulebook
from roofplat.venting import CAUTION as VENTING_CAUTION
from roofplat.venting import wind_words

from ..vents import SAYS, vent_row

RULES = load_rulebook()
EDITION = Edition("Sedge Flats", datetime.date(2026, 1, 1), RULES)
IDS = {"building_id": "7", "section_id": "7/1"}


def blocks(**tables: list[dict[str, Any]]) -> dict[str, Block]:
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    return {block.title: block for block in text_blocks(frames, EDITION)}


def test_the_scenario_tells_how_it_is_known() -> None:
    section = {**IDS, "planned": True, "fire_lon": -118.5, "fire_lat": 40.25, "wind_from_deg": 359.8}
    assumed = blocks(sections=[{**section, "fire_basis": "assumed", "wind_basis": "assumed"}])[
        "Scenario"
    ].rows
    assert assumed[0].startswith("Fire spot assumed: the deepest point of the largest section;")
    assert "lon\u00a0-118.500000, lat\u00a040.250000" in assumed[0]
    assert assumed[1] == "Wind assumed, nobody has stated one: from the north (0\u00b0)."
    given = blocks(sections=[{**section, "fire_basis": "given", "wind_basis": "given"}])["Scenario"].rows
    assert given[0].startswith("Fire spot as stated for this plan;")
    assert given[1].startswith("Wind as stated for this plan")


def test_a_conflict_that_lost_is_no_fact() -> None:
    fact = {"building_id": "7", "field": "height_ft", "source": "roll", "date": pd.Timestamp("2024-02-01")}
    facts = [
        {**fact, "value": "26", "basis": "surveyed", "current": True},
        {**fact, "value": "31", "basis": "recorded", "current": False},
        {
            **fact,
            "field": "sprinklered",
            "value": "true",
            "basis": "recorded",
            "date": pd.NaT,
            "current": True,
        },
        {**fact, "field": "suspended_load", "value": "false", "basis": "surveyed", "current": True},
        {
            **fact,
            "field": "roof_family",
            "value": "sawtooth",
            "basis": "recorded",
            "date": pd.NaT,
            "current": True,
        },
    ]
    assert blocks(facts=facts)["Facts"].rows == (
        "<b>Surveyed, 2024-02-01:</b> height to roof edge 26 ft; heavy load hung from roof no.",
        "<b>Recorded, no date:</b> sprinklers throughout yes; roof family Sawtooth.",
    )


@pytest.mark.parametrize(
    ("method", "why", "title", "row"),
    [
        (
            None,
            "family_unknown: nobody has looked at this roof; find out first",
            "No cut",
            "<b>No cut is drawn.</b> Nobody has looked at this roof; find out first.",
        ),
        (
            "existing_opening",
            "existing_opening: what is there already is used first; no deck is cut "
            "(span_beyond_family: members cannot span this far)",
            "How it is opened",
            "<b>Existing opening.</b> What is there already is used first; no deck is cut (members cannot "
            "span this far).",
        ),
        ("do_not_cut", "do_not_cut: Stay off.", "No cut", "<b>Do not cut.</b> Stay off."),
    ],
)
def test_the_method_and_why(method: str | None, why: str, title: str, row: str) -> None:
    found = blocks(sections=[{**IDS, "cut_method": method, "cut_method_why": why}])
    assert found[title].rows == (row,)


def test_rejected_methods_come_one_by_one_without_the_rule() -> None:
    rejected = (
        "existing_opening: no skylight, smoke vent or hatch near the fire spot (opening.existing_reach_ft); "
        "fold_back: something hangs from the roof (opening.fold_back_under_load)"
    )
    assert blocks(sections=[{**IDS, "methods_rejected": rejected}])["Methods rejected"].rows == (
        "<b>Existing opening:</b> no skylight, smoke vent or hatch near the fire spot.",
        "<b>Fold-back:</b> something hangs from the roof.",
    )


def test_the_ladder_that_does_not_reach_says_what_defeats_it() -> None:
    ladder = {
        **IDS, "rank": 2, "side": "C", "apparatus": "out_of_reach", "support_ft": 44.5, "highest_ft": 40.6,
        "base_setback_ft": 5.0, "base_lon": -118.5, "base_lat": 40.25, "usng": "11T LF 41100 31259",
        "height_basis": "recorded", "in_collapse_zone": True,
        "reasons": "Near a corner. Out of reach: roof edge at 44.5 ft; the stock reaches 40.6 ft.",
    }  # fmt: skip
    found = blocks(ladders=[ladder])
    assert found["Ladder spots"].rows == (
        "<b>2 side C, out of reach.</b> Base 5 ft from the wall. Must clear 44.5 ft (height recorded), "
        "reaches 40.6 ft. Inside the collapse zone.",
        "<b>Out of reach:</b> roof edge at 44.5 ft; the stock reaches 40.6 ft.",
        "Base <b>11T\u00a0LF\u00a041100\u00a031259</b>; lon\u00a0-118.500000, lat\u00a040.250000.",
    )
    assert found["Why here"].rows == ("<b>Ladder 2:</b> Near a corner.",)


def test_members_of_a_pitched_roof_run_down_its_slopes() -> None:
    section = {
        **IDS,
        "roof_family": "sawn_rafter_pitched",
        "framing_axis_deg": 90.0,
        "axis_basis": "inferred",
    }
    member = {**IDS, "kind": "rafter", "spacing_ft": 1.33, "basis": "assumed"}
    row = blocks(sections=[section], members=[member])["Roof"].rows[-1]
    assert row == "Rafters run down the slopes (inferred). Apart: rafters 1.33 ft (assumed)."
    flat = {**section, "roof_family": "sawn_joist_flat", "axis_basis": "doubtful"}
    assert "doubtful" in blocks(sections=[flat], members=[member])["Roof"].rows[-1]


def test_what_cannot_be_told_of_the_solar_is_counted() -> None:
    audit = {**IDS, "array": 1, "message": "The array lies 2 ft from the edge."}
    rows = [{**audit, "passes": passes} for passes in (False, True, None, None)]
    assert blocks(solar_access=rows)["Solar access not met"].rows == (
        "Array 1: The array lies 2 ft from the edge.",
        "2 checks cannot be told from what is recorded (solar_access.csv).",
    )


def test_what_the_department_changed_is_said_in_words() -> None:
    changed = override_words(load_rulebook({"ladder.stock_count": [1] * 6, "aerial.reach_ft": 0.0}))
    assert "of ladder stock come" in changed[0]
    assert changed[0].endswith("1, 1, 1, 1, 1, 1 (rulebook: 2, 2, 2, 2, 2, 2)")
    assert changed[1].endswith(": 0 ft (rulebook: 100 ft)")
    assert override_words(RULES) == ()


def test_a_long_list_is_counted_and_the_heading_is_short() -> None:
    block = list_block("Numbers on the plan", [f"[{number}] wall" for number in range(100)], rank=1, rest="x")
    assert len(block.rows) + block.left_out == 100
    heading = heading_of(
        {"buildings": pd.DataFrame([{"building_id": "7", "name": "n" * 10_000, "alert": None}])}, RULES
    )
    assert len(heading.name) <= 100
    assert heading.alert == heading.address == ""


def test_an_unknown_roof_has_its_odds_before_the_facts() -> None:
    building = {
        "building_id": "7", "roof_family": "unknown", "family_basis": "assumed", "local_roofs": 3,
        "odds": "sawtooth 41 %, lamella 30 %, metal_building 15 %, sawn_joist_flat 8 %, concrete_deck 5 % "
        "(year unknown, mean of all)",
    }  # fmt: skip
    fact = {"building_id": "7", "field": "storeys", "value": "2", "basis": "recorded", "date": pd.NaT,
            "current": True}  # fmt: skip
    labels = [
        RULES.families[key].label for key in ("sawtooth", "lamella", "metal_building", "sawn_joist_flat")
    ]
    told = "; ".join(f"{label} {n}%" for label, n in zip(labels, (41, 30, 15, 8), strict=True))
    assert blocks(buildings=[building], facts=[fact])["Facts"].rows == (
        f"<b>Odds of the roof family, not seen:</b> {told}; others 6% (year unknown, mean of all); "
        "from the building stock of the region and 3 surveyed roofs like it.",
        "<b>Recorded, no date:</b> storeys 2.",
    )
    # What somebody has said of the roof stands in its block, with its basis; a guess beside it would mislead.
    known = {**building, "roof_family": "sawtooth", "family_basis": "recorded"}
    assert blocks(buildings=[known], facts=[fact])["Facts"].rows == ("<b>Recorded, no date:</b> storeys 2.",)
    alone = blocks(buildings=[{**building, "local_roofs": 0}])["Facts"].rows
    assert alone[0].endswith("and no surveyed roof like it.")


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        (
            {"class": "high", "class_basis": "stated", "due_state": "overdue", "overdue_days": 1100,
             "next_due": pd.Timestamp("2022-12-28")},
            "Inspection class high as stated; next due 2022-12-28; overdue by 1,100 days.",
        ),
        (
            {"class": "low", "class_basis": "occupancy", "due_state": "never_inspected"},
            "Inspection class low by occupancy; no inspection on record.",
        ),
        (
            {"class": "low", "class_basis": "occupancy", "due_state": "due",
             "next_due": pd.Timestamp("2027-01-01")},
            "Inspection class low by occupancy; next due 2027-01-01 (set by the office); not yet due.",
        ),
        (
            {"class": "unknown", "class_basis": "unknown", "due_state": "no_class"},
            "Inspection class unknown; no class, so no date.",
        ),
    ],
)  # fmt: skip
def test_the_rank_has_its_span_and_the_inspection_its_state(stated: dict[str, Any], told: str) -> None:
    row = {
        "building_id": "7",
        "rank": 12,
        "rank_low": 8,
        "rank_high": 1031,
        "score": 0.624,
        "reasons": "no <b>",
    }
    visit = {
        "building_id": "7",
        "order": 3,
        "reason": "A survey would move it 9 places up (40%); roof unknown.",
    }
    building = {"building_id": "7", "inspect_by": pd.Timestamp("2027-01-01")}
    assert blocks(buildings=[building], ranking=[{**row, **stated}], survey_next=[visit])["Rank"].rows == (
        "<b>Rank 12 in the district, 8 to 1,031 in nine of ten draws, score 0.62 of 1.</b> No &lt;b&gt;.",
        told,
        "Survey next: place 3 on the list. A survey would move it 9 places up (40%); roof unknown.",
    )


def test_figures_of_smoke_and_work_stand_with_their_caution() -> None:
    title = "What the openings do"
    found = blocks(venting=[vent_row()])[title]
    # One row: what is left out for want of room is never the caution alone.
    figures = (
        "<b>Area by rule 1,536 sq ft; by flow 310 sq ft (18,580 kW, 8.2 ft clear); planned 240 sq ft; there "
        f"already 48 sq ft in 3, 1 of unknown size.</b><br/><b>{VENTING_CAUTION} {wind_words(RULES)}</b>"
    )
    assert found.rows[:2] == (figures, f"<b>{SAYS}</b>")
    assert [row.split(" ")[0] for row in found.rows[2:]] == ["Work:", "By", "By"]
    assert found.least == 3
    uncut = dict.fromkeys(("saw_ft", "trench_saw_ft", "parts"), 0)
    assert blocks(venting=[vent_row(**uncut)])[title].least == 2
    plain = blocks(venting=[vent_row(says=None, windward_openings=1)])[title]
    assert plain.rows[0] == figures
    assert plain.least == 2
    assert "1 opening is planned on a windward slope." in plain.rows


def test_a_section_without_the_fire_has_no_planned_area() -> None:
    sections = [{"building_id": "7", "section_id": f"7-{part}", "planned": part == 2} for part in (1, 2)]
    rows = [
        vent_row("7", 1, planned=False, planned_ft2=0.0, code_asks="unknown", says=None),
        vent_row("7", 2),
    ]
    found = blocks(sections=sections, venting=rows)["What the openings do"].rows
    assert found[0].startswith(
        "<b>Section 2: Area by rule 1,536 sq ft; by flow 310 sq ft (18,580 kW, 8.2 ft clear); planned 240"
    )
    assert found[-1] == (
        "<b>Section 1: Area by rule 1,536 sq ft; by flow 310 sq ft (18,580 kW, 8.2 ft clear); there already "
        "48 sq ft in 3, 1 of unknown size.</b>"
    )
    assert sum(VENTING_CAUTION in row for row in found) == 1
    assert "What the openings do" not in blocks(sections=sections)
