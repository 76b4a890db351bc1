"""The ranking: one building by hand, the laws of the score, the classes and due dates."""

from __future__ import annotations

import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box
from tests.ranking.made import district, made

from roofplat.errors import RuleError
from roofplat.ranking import rank_buildings
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_FACTORS, TABLES, conform

CRS = "EPSG:32613"
AS_OF = datetime.date(2026, 1, 1)
RULES = load_rulebook()
SQUARE = box(0, 0, 100, 100)


def table(name: str, rows: list[dict[str, Any]]) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        pd.DataFrame(rows).reindex(columns=[*TABLES[name].columns, "geometry"]), geometry="geometry", crs=CRS
    )
    return conform(name, frame)


def building(building_id: str, outline: Polygon = SQUARE, **facts: Any) -> dict[str, Any]:
    return {
        "building_id": building_id,
        "area_ft2": 10_000.0,
        "roof_family": "unknown",
        "family_basis": "assumed",
        "geometry": outline,
        **facts,
    }


def wall(building_id: str, side: str | None, length_ft: float, **facts: Any) -> dict[str, Any]:
    return {
        "building_id": building_id,
        "section_id": f"{building_id}-1",
        "side": side,
        "kind": "unknown",
        "length_ft": length_ft,
        "clear_ground_ft": 50.0,
        "geometry": box(0, 0, 1, 1).exterior,
        **facts,
    }


def ladder(building_id: str, apparatus: str = "ground_ladder") -> dict[str, Any]:
    return {
        "building_id": building_id,
        "section_id": f"{building_id}-1",
        "rank": 1,
        "apparatus": apparatus,
        "geometry": box(0, 0, 1, 1).exterior,
    }


def lines(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{**row, "geometry": LineString([(0, 0), (1, 0)])} for row in rows]


def test_one_building_recomputed_by_hand() -> None:
    # 30,000 ft2 of 40,000 on the larger side of a fire wall; 8 of 100 units square of roof under a unit;
    # walls A 60 (clear), B 40 (12 ft is clear), C 60 (party), D 40 (5 ft is not clear): 100 of 200.
    tables = {
        "buildings": table(
            "buildings",
            [
                building(
                    "b",
                    box(0, 0, 10, 10),
                    area_ft2=40_000.0,
                    roof_family="panelized_wood",
                    family_basis="recorded",
                    p_lightweight=1.0,
                    occupancy="S-1",
                    sprinklered=True,
                    surveyed_on="2021-01-01",
                    inspected_on="2024-02-29",
                )
            ],
        ),
        "roofs": table(
            "roofs",
            [
                {
                    "building_id": "b",
                    "section_id": f"b/{part}",
                    "part": part,
                    "area_ft2": area,
                    "undivided_ft2": undivided,
                    "roof_family": "panelized_wood",
                    "geometry": box(0, 0, 1, 1),
                }
                # An expansion joint parts the larger side, and stops nothing.
                for part, area, undivided in ((1, 20_000.0, 3e4), (2, 1e4, 3e4), (3, 1e4, 1e4))
            ],
        ),
        "obstacles": table(
            "obstacles",
            [
                {"building_id": "b", "obstacle_id": "1", "kind": "unit", "geometry": box(1, 1, 3, 5)},
                {"building_id": "b", "obstacle_id": "2", "kind": "skylight", "geometry": box(5, 5, 9, 9)},
            ],
        ),
        "walls": table(
            "walls",
            lines(
                [
                    wall("b", "A", 60.0),
                    wall("b", "B", 40.0, clear_ground_ft=12.0),
                    wall("b", "C", 60.0, kind="party"),
                    wall("b", "D", 40.0, clear_ground_ft=5.0),
                    wall("b", None, 500.0),  # a courtyard is no outer wall
                ]
            ),
        ),
        "ladders": table("ladders", lines([ladder("b")])),
    }
    row = rank_buildings(tables, RULES, as_of=AS_OF).iloc[0]
    by_hand = {
        "lightweight": 1.0,
        "severity": 0.9,
        "life_hazard": 0.4,
        "unsprinklered": 0.0,
        "undivided_area": 0.6,
        "roof_load": 0.4,
        "poor_access": 0.5,
        "stale_information": 1826 / 365.25 / 10,
    }
    for name, value in by_hand.items():
        assert row[name] == pytest.approx(value, abs=1e-12), name
    # 0.22 + 0.13*0.9 + 0.18*0.4 + 0.12*0.6 + 0.08*0.4 + 0.08*0.5 + 0.07*0.4999 = 0.5880; weights sum to 1.
    assert row["score"] == pytest.approx(0.587996, abs=1e-6)
    assert row["reasons"] == (
        "lightweight roof (recorded); family severity 0.9 (Panelized, wood beams and purlins, recorded); "
        "life hazard 0.4 (occupancy S-1)"
    )
    assert row["class"] == "low"
    assert row["next_due"] == pd.Timestamp("2027-02-28")


def test_nothing_known_is_said_to_be_assumed() -> None:
    row = rank_buildings({"buildings": table("buildings", [building("b")])}, RULES, as_of=AS_OF).iloc[0]
    # Without odds any family may be the one: 7 of 14 are lightweight, and the mean severity is 0.7357.
    known = [entry for name, entry in RULES.families.items() if name != "unknown"]
    assert row["lightweight"] == pytest.approx(sum(bool(entry.lightweight) for entry in known) / len(known))
    assert row["severity"] == pytest.approx(sum(entry.severity for entry in known) / len(known))
    assert row[["life_hazard", "unsprinklered"]].tolist() == [0.6, 0.7]
    assert row["unknown_facts"] == "roof family, occupancy, sprinklers"
    assert row[["undivided_area", "roof_load", "poor_access", "stale_information"]].tolist() == [0.2, 0, 1, 1]
    assert row["reasons"] == (
        "chance of lightweight assumed 0.5; life hazard assumed 0.6, occupancy unknown; "
        "family severity assumed 0.74, roof unknown"
    )
    assert row["class"] == "unknown"
    assert pd.isna(row["next_due"])


def test_the_words_carry_the_numbers() -> None:
    rows = [building("b", area_ft2=62_000.0, sprinklered=False, surveyed_on="2020-07-01")]
    only = {f"ranking.weight.{name}": 0.0 for name in RANKING_FACTORS}
    rules = load_rulebook(
        {
            **only,
            "ranking.weight.undivided_area": 3.0,
            "ranking.weight.unsprinklered": 2.0,
            "ranking.weight.stale_information": 1.0,
        }
    )
    row = rank_buildings({"buildings": table("buildings", rows)}, rules, as_of=AS_OF).iloc[0]
    assert row["reasons"] == "62,000 ft2 undivided; no sprinklers; surveyed 5.5 years ago"
    assert row["score"] == pytest.approx((3 + 2 + 2010 / 365.25 / 10) / 6, abs=1e-9)


@pytest.mark.parametrize(
    ("occupancy", "life_hazard", "inspection_class"),
    [
        ("S-1", 0.4, "low"),
        ("R2", 1.0, "high"),
        ("r-2", 1.0, "high"),
        ("I-1 condition 2", 1.0, "high"),
        ("Group F-1", 0.5, "moderate"),
        ("B", 0.5, "low"),
        ("retail", 0.6, "unknown"),
        ("Z", 0.6, "unknown"),
        ("", 0.6, "unknown"),
        (None, 0.6, "unknown"),
    ],
)
def test_occupancy_group(occupancy: str | None, life_hazard: float, inspection_class: str) -> None:
    buildings = table("buildings", [building("b", occupancy=occupancy)])
    row = rank_buildings({"buildings": buildings}, RULES, as_of=AS_OF).iloc[0]
    assert row["life_hazard"] == life_hazard
    assert row["class"] == inspection_class


def test_roof_load_of_points_and_of_anything_hung() -> None:
    feet = 10_000.0
    obstacles = [
        {"building_id": "point", "obstacle_id": "1", "kind": "unit", "geometry": Point(5, 5)},
        {"building_id": "hung", "obstacle_id": "2", "kind": "suspended_load", "geometry": Point(5, 5)},
        {"building_id": None, "obstacle_id": "3", "kind": "suspended_load", "geometry": Point(5, 5)},
        {"building_id": "none of these", "obstacle_id": "4", "kind": "unit", "geometry": Point(5, 5)},
    ]
    tables = {
        "buildings": table(
            "buildings", [building(name, area_ft2=feet) for name in ("point", "hung", "bare")]
        ),
        "obstacles": table("obstacles", obstacles),
    }
    load = rank_buildings(tables, RULES, as_of=AS_OF).set_index("building_id")["roof_load"]
    assert load["point"] == pytest.approx(36 / feet / 0.2)
    assert load["hung"] == 1.0
    assert load["bare"] == 0.0


def test_a_spot_out_of_reach_is_no_spot() -> None:
    tables = {
        "buildings": table("buildings", [building("reached"), building("tall")]),
        "walls": table("walls", lines([wall("reached", "A", 10.0), wall("tall", "A", 10.0)])),
        "ladders": table("ladders", lines([ladder("reached", "aerial"), ladder("tall", "out_of_reach")])),
    }
    access = rank_buildings(tables, RULES, as_of=AS_OF).set_index("building_id")["poor_access"]
    assert access["reached"] == 0.0
    assert access["tall"] == 1.0


def test_ties_go_to_the_lower_id_and_nothing_is_lost() -> None:
    ids = ["c", "a", "b10", "b2"]
    ranking = rank_buildings(
        {"buildings": table("buildings", [building(i) for i in ids])}, RULES, as_of=AS_OF
    )
    assert ranking["building_id"].tolist() == ["a", "b10", "b2", "c"]
    assert ranking["rank"].tolist() == [1, 2, 3, 4]
    assert ranking.crs == CRS


@pytest.mark.parametrize(
    "overrides",
    [
        {f"ranking.weight.{name}": 0.0 for name in RANKING_FACTORS},
        {"ranking.weight.severity": -0.1},
        {"ranking.weight.severity": float("nan")},
        {"ranking.area_full_ft2": 0.0},
        {f"ranking.weight.{name}": 1e308 for name in RANKING_FACTORS},
        {"ranking.draws": 99},
        {"ranking.draws": 1000.5},
        {"ranking.seed": -1},
        {"ranking.interval_share": 1.0},
        {"ranking.weight_concentration": 0.0},
        {"inspection.cycle_years.low": 0.0},
        {"ranking.life_hazard.A": -1.0},
    ],
)
def test_rules_that_cannot_rank_are_refused(overrides: dict[str, float]) -> None:
    with pytest.raises(RuleError):
        rank_buildings(
            {"buildings": table("buildings", [building("b")])}, load_rulebook(overrides), as_of=AS_OF
        )


facts = st.fixed_dictionaries(
    {
        "p_lightweight": st.floats(0, 1),
        "roof_family": st.sampled_from(sorted(RULES.families)),
        "family_basis": st.sampled_from(["surveyed", "recorded", "assumed"]),
        "occupancy": st.sampled_from(["A-2", "B", "S-1", "U", "shop", None]),
        "sprinklered": st.sampled_from([True, False, None]),
        "area_ft2": st.floats(500, 200_000),
        "surveyed_on": st.dates(datetime.date(2000, 1, 1), datetime.date(2025, 12, 31)),
    }
)
# For each factor: how to make it worse in a building's facts, and by which rule or family.
WORSE: dict[str, dict[str, Any]] = {
    "lightweight": {"p_lightweight": 1.0},
    "severity": {"roof_family": "lamella"},
    "life_hazard": {"occupancy": "R-1"},
    "unsprinklered": {"sprinklered": False},
    "undivided_area": {"area_ft2": 500_000.0},
    "stale_information": {"surveyed_on": None},
}


@settings(max_examples=40, deadline=None)
@given(known=facts, factor=st.sampled_from(sorted(WORSE)))
def test_a_worse_factor_never_lowers_the_score(known: dict[str, Any], factor: str) -> None:
    buildings = table(
        "buildings", [building("was", **known), building("worse", **{**known, **WORSE[factor]})]
    )
    ranking = rank_buildings({"buildings": buildings}, RULES, as_of=AS_OF).set_index("building_id")
    assert ranking.loc["worse", factor] >= ranking.loc["was", factor]
    assert ranking.loc["worse", "score"] >= ranking.loc["was", "score"]
    others = [name for name in RANKING_FACTORS if name != factor]
    assert (ranking.loc["worse", others] == ranking.loc["was", others]).all()


@settings(max_examples=25, deadline=None)
@given(clear=st.lists(st.booleans(), min_size=4, max_size=4), closed=st.integers(0, 3), size=st.floats(0, 90))
def test_less_access_and_more_load_never_lower_the_score(clear: list[bool], closed: int, size: float) -> None:
    def score(free: list[bool], unit_ft: float) -> float:
        tables = {
            "buildings": table("buildings", [building("b")]),
            "ladders": table("ladders", lines([ladder("b")])),
            "walls": table(
                "walls",
                lines(
                    [
                        wall("b", side, 25.0, clear_ground_ft=30.0 if open_ground else 1.0)
                        for side, open_ground in zip("ABCD", free, strict=True)
                    ]
                ),
            ),
            "obstacles": table(
                "obstacles",
                [
                    {
                        "building_id": "b",
                        "obstacle_id": "1",
                        "kind": "solar",
                        "geometry": box(0, 0, unit_ft, 50),
                    }
                ],
            ),
        }
        return float(rank_buildings(tables, RULES, as_of=AS_OF)["score"].iloc[0])

    fewer = [free and place != closed for place, free in enumerate(clear)]
    assert score(fewer, size) >= score(clear, size)
    assert score(clear, size + 5) >= score(clear, size)


@settings(max_examples=20, deadline=None)
@given(rows=st.lists(facts, min_size=2, max_size=12), seed=st.integers(0, 1000))
def test_row_order_does_not_matter(rows: list[dict[str, Any]], seed: int) -> None:
    rng = np.random.default_rng(seed)
    buildings = [building(f"b{place}", **known) for place, known in enumerate(rows)]
    walls = [
        wall(row["building_id"], side, 0.1 + 0.2 * i) for i, row in enumerate(buildings) for side in "ABC"
    ]
    units = [
        {
            "building_id": row["building_id"],
            "obstacle_id": f"{i}-{k}",
            "kind": "unit",
            "geometry": box(0, 0, 0.1 + k, 7.3),
        }
        for i, row in enumerate(buildings)
        for k in range(4)
    ]

    def ranked(shuffled: bool) -> gpd.GeoDataFrame:
        def some(values: list[dict[str, Any]]) -> list[dict[str, Any]]:
            return [values[k] for k in rng.permutation(len(values))] if shuffled else values

        tables = {
            "buildings": table("buildings", some(buildings)),
            "walls": table("walls", lines(some(walls))),
            "obstacles": table("obstacles", some(units)),
            "ladders": table("ladders", lines([ladder(row["building_id"]) for row in some(buildings)])),
        }
        return rank_buildings(tables, RULES, as_of=AS_OF)

    pd.testing.assert_frame_equal(
        pd.DataFrame(ranked(True).drop(columns="geometry")),
        pd.DataFrame(ranked(False).drop(columns="geometry")),
    )


def test_an_unknown_roof_counts_by_its_odds() -> None:
    shop = {"occupancy": "M", "year_built": 1990}
    seen = {"roof_family": "steel_joist_steel_deck", "family_basis": "surveyed"}
    tables = made(
        [{"building_id": "b", **shop}, *({"building_id": f"s{n}", **shop, **seen} for n in range(3))]
    )
    row = rank_buildings(tables, RULES, as_of=AS_OF).set_index("building_id").loc["b"]
    odds = tables["family_odds"].set_index("roof_family")
    assert odds["surveyed"].sum() == 3
    light = severity = 0.0
    for family, chance in odds["chance"].items():
        light += chance * bool(RULES.families[str(family)].lightweight)
        severity += chance * RULES.families[str(family)].severity
    assert row["p_lightweight"] == row["lightweight"] == pytest.approx(light, abs=1e-12)
    assert row["severity"] == pytest.approx(severity, abs=1e-12)
    assert f"chance of lightweight {light:.2f} by odds, 3 surveyed roofs like it" in row["reasons"]
    assert row["unknown_facts"] == "roof family, sprinklers"


def test_a_record_counts_for_what_it_is_trusted() -> None:
    """Nine tenths a lamella, one tenth as the odds have it; a survey is the whole."""
    rows = [
        {"building_id": basis, "roof_family": "lamella", "family_basis": basis, "occupancy": "A"}
        for basis in ("recorded", "surveyed")
    ]
    tables = made(rows)
    found = rank_buildings(tables, RULES, as_of=AS_OF).set_index("building_id")
    odds = tables["family_odds"].set_index("roof_family")
    by_odds = sum(chance * RULES.families[str(name)].severity for name, chance in odds["chance"].items())
    trust = RULES.number("odds.trust.recorded")
    assert trust == 0.9
    assert found.loc["recorded", "severity"] == pytest.approx(0.9 * 1.0 + 0.1 * by_odds)
    assert found.loc["surveyed", "severity"] == 1.0
    assert found.loc["surveyed", "lightweight"] == 0.0


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 1000), weights=st.lists(st.floats(0, 5), min_size=8, max_size=8).filter(any))
def test_the_parts_add_up_to_the_score(seed: int, weights: list[float]) -> None:
    names = [f"ranking.weight.{name}" for name in RANKING_FACTORS]
    rules = load_rulebook(dict(zip(names, weights, strict=True)))
    ranking = rank_buildings(district(30, seed=seed), rules, as_of=AS_OF)
    total = sum(weights)
    added = np.zeros(30)
    for name, weight in zip(RANKING_FACTORS, weights, strict=True):
        assert ranking[f"part_{name}"].to_numpy() == pytest.approx(ranking[name].to_numpy() * weight / total)
        added += ranking[f"part_{name}"].to_numpy()
    assert added == pytest.approx(ranking["score"].to_numpy(), abs=1e-9)
    assert (np.diff(ranking["score"]) <= 0).all()
    assert ranking["rank"].tolist() == list(range(1, 31))
