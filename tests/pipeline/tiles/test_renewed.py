"""A build that follows another writes of the layers only what has changed, and the same as one anew."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from tests.benchmarks.district import write_district
from tests.pipeline.tiles.test_resume import tiled
from tests.publish.packages import assert_same

from roofplat import read_district
from roofplat.pipeline.tiles.keys import WORK_FOLDER
from roofplat.pipeline.tiles.whole import Tiled
from roofplat.publish.renew import renew_layers
from roofplat.rules import load_rulebook


def survey_the_northernmost_building(town: Path) -> None:
    """Odds and ranks of others follow from it."""
    roofs = gpd.read_file(town.parent / "footprints.gpkg")
    name = roofs["building_id"][int(roofs.bounds["maxy"].argmax())]
    path = town.parent / "surveys.csv"
    surveys = pd.read_csv(path, dtype="str")
    surveys = surveys[surveys["building_id"] != name]
    row = {"building_id": name, "roof_family": "plate_truss_pitched", "surveyed_on": "2025-03-04"}
    pd.concat([surveys, pd.DataFrame([row])]).to_csv(path, index=False)


def test_layers_after_changes_are_those_of_a_build_anew(tmp_path: Path) -> None:
    town = write_district(150, tmp_path / "town")
    rules = load_rulebook(read_district(town).rules)

    def made(out: str) -> tuple[Tiled, Path]:
        done = tiled(town, tmp_path / out, most=12)
        layers = tmp_path / out / "layers.gpkg"
        renew_layers(done.parts, layers, tmp_path / out / WORK_FOLDER, rules=rules)
        return done, layers

    first, _ = made("out")
    assert first.tiles > 12
    # Every layer says it of its buildings: it may not change while the key of a tile stays.
    assert "dispatch_area" not in first.parts.late_columns("buildings")
    survey_the_northernmost_building(town)
    again, renewed = made("out")
    fresh, whole = made("fresh")
    assert 1 <= again.planned < fresh.planned == fresh.tiles
    assert_same(renewed, whole)
    assert renewed.read_bytes() != whole.read_bytes()
