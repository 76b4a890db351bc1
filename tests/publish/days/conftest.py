"""Plans of the two small districts: hostile names in several areas, roofs of other families."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from roofplat.ground import Ground
from roofplat.publish.days import write_days
from roofplat.ranking.days import DayPlan, plan_days
from roofplat.rules import Rulebook, load_rulebook

from ..conftest import AS_OF, HOSTILE

ODD = f"x{HOSTILE}"
MONDAY = datetime.date(2026, 1, 5)
GROUND = Ground(0.3048, 4200.0)
CHANGED = {"days.speed_mph": 25.0, "days.visit_min_per_1000_ft2": 0.0}


def make_plan(tables: dict[str, Any], rules: Rulebook, **asked: Any) -> DayPlan:
    words: dict[str, Any] = {
        "start_on": MONDAY,
        "days": 1,
        "inspectors": 2,
        "hours": 1.7,
        "must": [ODD],
        "ground": GROUND,
        "streets": tables["streets"],
    }
    return plan_days(tables, rules, **(words | asked))


@pytest.fixture(scope="session")
def rules() -> Rulebook:
    return load_rulebook(CHANGED)


@pytest.fixture(scope="session")
def plan(tables: dict[str, Any], rules: Rulebook) -> DayPlan:
    """One day, two inspectors, time for three of four buildings."""
    return make_plan(tables, rules)


@pytest.fixture
def written(
    tables: dict[str, Any], rules: Rulebook, tmp_path: Path
) -> Callable[..., tuple[Path, list[Path]]]:
    """Write a plan; the folder of the plan and its files."""

    def write(plan: DayPlan, **words: Any) -> tuple[Path, list[Path]]:
        given: dict[str, Any] = {
            "district": "Invented flats",
            "area": None,
            "rules": rules,
            "ground": GROUND,
            "as_of": AS_OF,
            "out": tmp_path / "build",
        }
        files = write_days(plan, tables, **(given | words))
        return tmp_path / "build" / "inspections", files

    return write
