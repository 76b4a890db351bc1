from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import shapely

from roofplat.inventory.buildings import ALERT_LENGTH, alert_lines, dispatch_areas
from roofplat.tables import BASES

DAY = np.datetime64("2024-05-17", "ms")
NEVER = np.datetime64("NaT", "ms")


def alert(rules, family, basis=None, date=NEVER, part=None, part_basis=None, surveyed=False):
    text = [pd.Series([value], dtype="str") for value in (family, basis, part, part_basis)]
    return alert_lines(text[0], text[1], np.array([date]), text[2], text[3], np.array([surveyed]), rules)[0]


@pytest.mark.parametrize(
    ("case", "line"),
    [
        (
            {"family": "panelized_wood", "basis": "surveyed", "date": DAY, "surveyed": True},
            "LIGHTWEIGHT ROOF (surveyed 2024-05): panelized wood. Stay on beams and walls.",
        ),
        (
            {"family": "panelized_wood", "basis": "inferred", "date": DAY},
            "LIGHTWEIGHT ROOF (inferred, not seen): panelized wood. Stay on beams and walls.",
        ),
        ({"family": "unknown"}, "ROOF UNKNOWN: nobody has looked. Find out first."),
        (
            {"family": "unknown", "surveyed": True},
            "ROOF FAMILY UNKNOWN: the survey does not say. Find out first.",
        ),
        ({"family": "heavy_timber", "basis": "recorded"}, "Heavy timber (recorded, not seen)"),
        (
            {"family": "heavy_timber", "basis": "surveyed", "part": "panelized_wood", "part_basis": "drawn"},
            "PART LIGHTWEIGHT (drawn, not seen): panelized wood. Stay on beams and walls.",
        ),
    ],
)
def test_alert_words(rules, case, line):
    assert alert(rules, **case) == line


def test_every_alert_fits_and_says_how_it_is_known(rules):
    families = [name for name in rules.families if name != "unknown"]
    cases = list(itertools.product(families, [None, *families], BASES, (DAY, NEVER)))
    family, part, basis = (pd.Series(column, dtype="str") for column in list(zip(*cases, strict=True))[:3])
    date = np.array([case[3] for case in cases])
    lines = alert_lines(family, basis, date, part, basis, (basis == "surveyed").to_numpy(), rules)
    for (one, other, how, _), line in zip(cases, lines, strict=True):
        assert len(line) <= ALERT_LENGTH
        assert f"({how}" in line
        assert ("not seen" in line) == (how != "surveyed")
        light = rules.families[one].lightweight or bool(other and rules.families[other].lightweight)
        assert ("LIGHTWEIGHT" in line) == light


def test_dispatch_area_by_largest_overlap(build):
    footprints = build.footprints(
        {"a": build.square(0), "b": build.square(16), "c": build.square(15, 20), "d": build.square(40)}
    )
    areas = build.layer([shapely.box(20, 0, 40, 40), shapely.box(-5, 0, 20, 40)], name=["west", "east"])
    found, problems = dispatch_areas(footprints, areas)
    # b has 4 of 10 in the first, c half in each: the first name; d only touches.
    assert found.tolist()[:3] == ["east", "west", "east"]
    assert found.isna().tolist() == [False, False, False, True]
    assert problems[["feature", "code", "severity"]].to_numpy().tolist() == [
        ["d", "outside_dispatch_areas", "warning"]
    ]


def test_no_layer_of_areas_is_one_info_row(build):
    footprints = build.footprints({"a": build.square(0), "b": build.square(20)})
    found, problems = dispatch_areas(footprints, build.layer([], name=[]))
    assert found.isna().all()
    assert problems["severity"].tolist() == ["info"]
