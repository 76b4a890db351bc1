"""Sounding notes that contradict each other, or the framing, are told; those that agree are not.

In: sheds 100 ft by 50 ft with their walks.
Out: one row a section whose beams a note lets run another way.
"""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from roofplat.district import AttributeSource
from roofplat.framing.soundings import check_soundings, sounding_notes
from roofplat.intake import AttributeRecords
from roofplat.rules import load_rulebook

RULES = load_rulebook()
DAYS = pd.to_datetime(["2024-05-01", "2025-05-01", "2026-05-01"])


def _notes(*walks: tuple[float, float], section: str | None = None) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "building_id": "B0",
            "section_id": pd.Series([section] * len(walks), dtype="str"),
            "walk_deg": [walk for walk, _ in walks],
            "felt_ft": [felt for _, felt in walks],
            "date": DAYS[: len(walks)],
        }
    )


def _said(shapes: ModuleType, notes: pd.DataFrame, **roof: object) -> pd.DataFrame:
    framing = shapes.framed(shapes.rectangle(100, 50), **roof)
    notes = notes.assign(building_id=framing.sections["building_id"].iloc[0])
    return check_soundings(notes, framing.sections, framing.spacings, RULES)


def test_a_walk_along_the_beams_and_one_across_them_agree(shapes: ModuleType) -> None:
    # Purlins 8 ft, beams 20 ft: both walks let the beams run north.
    notes = _notes((2.0, 8.0), (91.0, 19.0))
    assert _said(shapes, notes, sounding_walk_deg=[91.0], sounding_spacing_ft=[19.0]).empty


def test_two_walks_that_let_the_beams_run_two_ways_are_told_once(shapes: ModuleType) -> None:
    notes = _notes((0.0, 8.0), (91.0, 8.0), (1.0, 8.0))
    told = _said(shapes, notes, sounding_walk_deg=[91.0], sounding_spacing_ft=[8.0])
    assert told["code"].tolist() == ["soundings_disagree"]
    assert told.drop(columns="code").iloc[0].to_dict() == {
        "layer": "framing",
        "feature": "B000/1",
        "severity": "warning",
        "message": "A sounding of 2024-05-01 (walked 0 deg, felt 8 ft) lets the beams of section B000/1 run "
        "along 0 deg; in force is 90 deg, surveyed: they contradict each other.",
        "action": "Sound the roof again; where it has several sections, say which one was walked.",
    }


def test_a_walk_against_a_surveyed_azimuth_is_told(shapes: ModuleType) -> None:
    axis = {"framing_axis_deg": [45.0], "framing_axis_deg_basis": ["surveyed"]}
    assert len(_said(shapes, _notes((90.0, 8.0)), **axis)) == 1
    assert _said(shapes, _notes((40.0, 8.0)), **axis).empty
    # 135 across the beams: they run along 45.
    assert _said(shapes, _notes((135.0, 20.0)), **axis).empty


@pytest.mark.parametrize("walk", [0.0, 15.0, 165.0, 179.5, 345.0])
def test_twenty_degrees_apart_is_no_contradiction_and_more_is_one(shapes: ModuleType, walk: float) -> None:
    """Either way round, across north, and for beams told by either of their ends."""
    apart = {-25.0: True, -20.3: True, 20.3: True, 25.0: True, 90.0: True}
    apart |= {-20.0: False, -19.7: False, 19.7: False, 20.0: False, 180.0: False}
    sheds = [shapes.rectangle(100, 50, west=500 * number) for number in range(len(apart))]
    framing = shapes.framed(
        *sheds,
        framing_axis_deg=[(walk + off) % 180.0 for off in apart],
        framing_axis_deg_basis=["surveyed"] * len(apart),
    )
    buildings = framing.sections["building_id"]
    notes = pd.concat([_notes((walk, 8.0)).assign(building_id=building) for building in buildings])
    told = check_soundings(notes, framing.sections, framing.spacings, RULES)
    sections = framing.sections["section_id"]
    assert dict(zip(apart, sections.isin(told["feature"]), strict=True)) == apart


@pytest.mark.parametrize(
    ("walk", "felt", "along"),
    [(190.0, 8.0, "10"), (180.0, 8.0, "0"), (300.0, 20.0, "30"), (120.0, 20.0, "30")],
)
def test_beams_are_told_from_north_to_south(shapes: ModuleType, walk: float, felt: float, along: str) -> None:
    axis = {"framing_axis_deg": [75.0], "framing_axis_deg_basis": ["surveyed"]}
    message = _said(shapes, _notes((walk, felt)), **axis)["message"].iloc[0]
    assert f"lets the beams of section B000/1 run along {along} deg; in force is 75 deg, surveyed" in message


def test_what_is_felt_of_joists_is_held_to_the_joists(shapes: ModuleType) -> None:
    """Joists every 2 ft that run north: felt by who walks east, not by who walks north."""
    axis = {"framing_axis_deg": [0.0], "framing_axis_deg_basis": ["surveyed"]}
    family = {"roof_family": ["sawn_joist_flat"], "rafter_spacing_ft": [2.0]}
    assert _said(shapes, _notes((90.0, 2.0)), **axis, **family).empty
    assert len(_said(shapes, _notes((0.0, 2.0)), **axis, **family)) == 1


def test_a_note_without_a_day_is_told_as_such(shapes: ModuleType) -> None:
    axis = {"framing_axis_deg": [45.0], "framing_axis_deg_basis": ["surveyed"]}
    notes = _notes((90.0, 8.0)).assign(date=pd.NaT)
    assert (
        "A sounding of no date (walked 90 deg, felt 8 ft)" in _said(shapes, notes, **axis)["message"].iloc[0]
    )


@pytest.mark.parametrize("felt", [13.0, float("nan")])
def test_a_spacing_that_fits_nothing_contradicts_nothing(shapes: ModuleType, felt: float) -> None:
    axis = {"framing_axis_deg": [45.0], "framing_axis_deg_basis": ["surveyed"]}
    assert _said(shapes, _notes((90.0, felt)), **axis).empty


def test_an_outline_contradicts_nobody(shapes: ModuleType) -> None:
    assert _said(shapes, _notes((45.0, 8.0))).empty


def test_a_note_of_another_section_is_not_held_against_this_one(shapes: ModuleType) -> None:
    axis = {"framing_axis_deg": [45.0], "framing_axis_deg_basis": ["surveyed"]}
    assert _said(shapes, _notes((90.0, 8.0), section="elsewhere"), **axis).empty


def test_halves_are_put_together_by_source_day_and_order() -> None:
    facts = pd.DataFrame(
        [
            ("B1", "sounding_walk_deg", "10", DAYS[0], "survey log"),
            ("B1", "sounding_walk_deg", "100", DAYS[0], "survey log"),
            ("B1", "sounding_walk_deg", "50", DAYS[1], "survey log"),
            ("B1", "sounding_spacing_ft", "8", DAYS[0], "survey log"),
            ("B1", "sounding_spacing_ft", "20", DAYS[0], "survey log"),
            ("B1", "sounding_spacing_ft", "9", DAYS[2], "roof surveys"),
            ("B2", "sounding_walk_deg", "7", pd.NaT, "roof surveys"),
            ("B2", "sounding_spacing_ft", "2", pd.NaT, "roof surveys"),
            ("B2", "deck", "plywood", DAYS[0], "roof surveys"),
        ],
        columns=["building_id", "field", "value", "date", "source"],
    )
    notes = sounding_notes(facts, ())
    assert notes[["building_id", "walk_deg", "felt_ft"]].to_numpy().tolist() == [
        ["B1", 10.0, 8.0],
        ["B1", 100.0, 20.0],
        ["B2", 7.0, 2.0],
    ]
    assert np.isnat(notes["date"].to_numpy()[2])
    assert sounding_notes(facts.iloc[:0], ()).empty


def test_a_log_says_which_section_was_walked() -> None:
    facts = pd.DataFrame(columns=["building_id", "field", "value", "date", "source"])
    rows = pd.DataFrame(
        {
            "record": ["1", "2", "3", "4", "5"],
            "key": "B1",
            "section_id": ["B1/2", "B1/2", None, None, "B1/3"],
            "date": DAYS[0],
            "basis": "surveyed",
            "sounding_walk_deg": [10.0, np.nan, 77.0, np.nan, 5.0],
            "sounding_spacing_ft": [np.nan, 8.0, np.nan, 9.0, np.nan],
        }
    )
    source = AttributeSource(name="survey log", how="key", basis="surveyed", file=Path("log"))
    notes = sounding_notes(facts, (AttributeRecords(source, rows, log=True),))
    # What is said of the whole building is among the facts; half a note is none.
    assert notes[["section_id", "walk_deg", "felt_ft"]].to_numpy().tolist() == [["B1/2", 10.0, 8.0]]


def test_of_walks_of_one_day_in_a_log_the_later_goes_with_the_one_spacing() -> None:
    """And a row of a log without a day counts as one that has it."""
    facts = pd.DataFrame(columns=["building_id", "field", "value", "date", "source"])
    rows = pd.DataFrame(
        {
            "record": ["1", "2", "3"],
            "key": "B1",
            "section_id": "B1/2",
            "date": pd.NaT,
            "basis": "surveyed",
            "sounding_walk_deg": [10.0, 50.0, np.nan],
            "sounding_spacing_ft": [np.nan, np.nan, 8.0],
        }
    )
    source = AttributeSource(name="survey log", how="key", basis="surveyed", file=Path("log"))
    notes = sounding_notes(facts, (AttributeRecords(source, rows, log=True),))
    assert notes[["walk_deg", "felt_ft"]].to_numpy().tolist() == [[50.0, 8.0]]
