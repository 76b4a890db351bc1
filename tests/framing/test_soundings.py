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
    assert "walked 0 deg, felt 8 ft" in told["message"].iloc[0]
    assert "2024-05-01" in told["message"].iloc[0]


def test_a_walk_against_a_surveyed_azimuth_is_told(shapes: ModuleType) -> None:
    axis = {"framing_axis_deg": [45.0], "framing_axis_deg_basis": ["surveyed"]}
    assert len(_said(shapes, _notes((90.0, 8.0)), **axis)) == 1
    assert _said(shapes, _notes((40.0, 8.0)), **axis).empty
    # 135 across the beams: they run along 45.
    assert _said(shapes, _notes((135.0, 20.0)), **axis).empty


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
