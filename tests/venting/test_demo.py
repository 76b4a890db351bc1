"""The table `venting` of the demo, held to its other tables by plain grouping.

In: the demo, planned.
Out: every sum of work is that of the rows it is made of; every area of vents is that of a geodesic overlay.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pyproj import Geod

from roofplat.district import read_district
from roofplat.ground import Ground
from roofplat.intake import read_inputs
from roofplat.inventory import take_inventory
from roofplat.pipeline import draw_plans
from roofplat.rules import load_rulebook

DEMO = Path(__file__).resolve().parents[2] / "data" / "demo" / "district.toml"


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    district = read_district(DEMO)
    rules = load_rulebook(district.rules, district.families)
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    inputs = read_inputs(district, rules)
    inventory = take_inventory(inputs, rules, ground, region=district.region)
    tables, _ = draw_plans(inputs, inventory, rules, ground, district)
    return {**tables, "rules": rules, "scale": ground.scale}


def _by_section(demo: dict[str, Any], values: pd.Series) -> np.ndarray[Any, Any]:
    """Sums by section in the order of the planned rows, 0 where there is none."""
    planned = demo["venting"].query("planned")["section_id"]
    return values.reindex(planned).fillna(0.0).to_numpy(dtype=float)


def test_each_section_has_one_row(demo: dict[str, Any]) -> None:
    rows, sections = demo["venting"], demo["sections"]
    assert rows["section_id"].tolist() == sections["section_id"].tolist()
    assert rows["planned"].tolist() == sections["planned"].tolist()


def test_the_work_is_what_the_cuts_come_to(demo: dict[str, Any]) -> None:
    rows = demo["venting"].query("planned")
    cuts, checks = demo["cuts"], demo["checks"]
    sawn = cuts[cuts["feature"] == "opening"]
    assert sawn["cut_ft"].sum() > 1_000
    for column, own in {
        "saw_ft": sawn,
        "saw_1_ft": sawn[sawn["saw"] == 1],
        "saw_2_ft": sawn[sawn["saw"] == 2],
        "head_cut_ft": sawn[sawn["kind"] == "head_cut"],
        "parallel_cut_ft": sawn[sawn["kind"] == "parallel_cut"],
        "base_cut_ft": sawn[sawn["kind"] == "base_cut"],
        "trench_saw_ft": cuts[cuts["feature"] == "trench"],
        "cross_cut_ft": cuts[cuts["kind"] == "cross_cut"],
        "check_saw_ft": checks,
    }.items():
        total = own.groupby("section_id")["cut_ft"].sum()
        np.testing.assert_allclose(rows[column], _by_section(demo, total), atol=1e-9, err_msg=column)
    np.testing.assert_allclose(rows["saw_1_ft"] + rows["saw_2_ft"], rows["saw_ft"])
    steps = rows[["head_cut_ft", "parallel_cut_ft", "base_cut_ft"]].sum(axis=1)
    np.testing.assert_allclose(steps, rows["saw_ft"])


def test_areas_are_those_of_the_openings(demo: dict[str, Any]) -> None:
    rows, openings = demo["venting"].query("planned"), demo["openings"]
    cut = openings[~openings["method"].isin(["existing_opening", "glazing"])]
    glazing = openings[openings["method"] == "glazing"]
    for column, own in {"planned_ft2": cut, "glazing_ft2": glazing}.items():
        total = own.groupby("section_id")["area_ft2"].sum()
        np.testing.assert_allclose(rows[column], _by_section(demo, total), atol=1e-9, err_msg=column)
    parts = cut.groupby("section_id")["parts"].sum()
    assert rows["parts"].tolist() == _by_section(demo, parts).astype(int).tolist()
    placed = openings.groupby("section_id")["area_ft2"].sum()
    enough = np.fmin(rows["wanted_ft2"], rows["flow_ft2"])
    reaches = _by_section(demo, placed) >= enough - 1e-6
    told = rows["cutting_reaches"].fillna(False).to_numpy(dtype=bool)
    sawn = (rows["planned_ft2"] > 0).to_numpy(dtype=bool)
    assert (told == (reaches & sawn)).all()
    assert (rows["says"].notna().to_numpy() == ~reaches).all()
    assert 0 < told.sum() < sawn.sum()


def test_vents_are_measured_on_the_ellipsoid(demo: dict[str, Any]) -> None:
    """Areas of skylights, vents and hatches on each flat section by pyproj, at the demo's elevation."""
    things = demo["obstacles"]
    things = things[things["kind"].isin(["skylight", "smoke_vent", "hatch"])].dropna(subset="building_id")
    sections = demo["sections"][["building_id", "section_id", "geometry"]]
    parts = gpd.overlay(things[["building_id", "geometry"]], sections, how="intersection")
    parts = parts[parts["building_id_1"] == parts["building_id_2"]].dissolve("section_id").to_crs("EPSG:4326")
    geod = Geod(ellps="GRS80")
    foot = 0.3048 / demo["scale"]
    area_ft2 = pd.Series(
        {
            name: abs(geod.geometry_area_perimeter(shape)[0]) / foot**2
            for name, shape in parts.geometry.items()
        }
    )
    rows = demo["venting"].set_index("section_id")
    flat = demo["sections"].set_index("section_id")["slope_deg"].fillna(0.0).reindex(area_ft2.index)
    assert len(area_ft2) > 20
    lean = np.cos(np.radians(flat.to_numpy(dtype=float)))
    np.testing.assert_allclose(rows["existing_ft2"].reindex(area_ft2.index) * lean, area_ft2, rtol=2e-4)
    others = rows.drop(area_ft2.index)
    assert (others["existing_ft2"] == 0).all()
    assert (rows["existing_count"].reindex(area_ft2.index) > 0).all()


def test_shares_and_minutes_are_possible(demo: dict[str, Any]) -> None:
    """The demo's crew has measured its rates: minutes wherever something is cut, and nowhere else."""
    rows = demo["venting"].query("planned")
    assert rows["crew_share"].between(0.0, 1.0).all()
    assert set(rows["rate_basis"]) == {"measured"}
    sawn = rows["planned_ft2"] > 0
    assert (rows["work_minutes"].notna() == sawn).all()
    assert (rows.loc[sawn, "work_minutes"] > 0).all()
    # A crew that has time for all opens all that is planned.
    rules = demo["rules"]
    quick = sawn & (rows["work_minutes"] <= rules.number("work.spell_min"))
    assert quick.any()
    share = np.minimum(rows["planned_ft2"] / rows["wanted_ft2"], 1.0)
    np.testing.assert_allclose(rows.loc[quick, "crew_share"], share[quick])
    assert (rows.loc[sawn & ~quick, "crew_share"] < share[sawn & ~quick]).all()


def test_no_cut_of_the_demo_lies_on_a_slope_that_faces_the_wind(demo: dict[str, Any]) -> None:
    """What counts there is a skylight or a vent that was there before."""
    rows = demo["venting"].query("planned").set_index("section_id")
    there = demo["openings"].query("method == 'existing_opening'").groupby("section_id").size()
    assert (rows["windward_openings"] <= there.reindex(rows.index).fillna(0)).all()
