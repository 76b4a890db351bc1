"""Forms of the demo district, written once, with the tables that they were made from."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from roofplat import pipeline, read_district
from roofplat.rules import Rulebook

DEMO = Path(__file__).resolve().parents[3] / "data" / "demo" / "district.toml"
AS_OF = datetime.date(2026, 1, 1)
AREA = "Kiln Yards"


@dataclass(frozen=True)
class Forms:
    """The forms of one area of the demo, and everything that is known of the district."""

    made: pipeline.SurveyForms
    tables: dict[str, Any]
    rules: Rulebook

    @property
    def folder(self) -> Path:
        return self.made.out

    @property
    def ids(self) -> list[str]:
        return [str(name) for name in self.made.rows["building_id"]]


@pytest.fixture(scope="session")
def forms(tmp_path_factory: pytest.TempPathFactory) -> Forms:
    district = read_district(DEMO)
    made = pipeline.survey_out(district, area=AREA, out=tmp_path_factory.mktemp("demo"), as_of=AS_OF)
    ranked = pipeline.rank(district, as_of=AS_OF)
    return Forms(made, ranked.tables, ranked.rules)
