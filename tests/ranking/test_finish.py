"""What the whole district tells of its buildings, put together from parts: the same as from the whole."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from tests.ranking.made import CRS, district

from roofplat.inventory import estimate_odds
from roofplat.ranking import finish, measure_buildings, rank_buildings, survey_next
from roofplat.rules import load_rulebook
from roofplat.tables import RANKING_TABLES, empty

RULES = load_rulebook()
AS_OF = datetime.date(2026, 1, 1)
LATE = ["building_id", "p_lightweight", "stratum", "odds", "local_roofs"]


def with_roofs(count: int, seed: int) -> dict[str, Any]:
    """A made-up district with roofs, walls, ladders, units and facts of some of its buildings."""
    random = np.random.default_rng(seed)
    tables: dict[str, Any] = district(count, seed=seed)
    ids = tables["buildings"]["building_id"].to_numpy(dtype=object)
    some = [ids[random.random(count) < share] for share in (0.8, 0.7, 0.6, 0.5)]
    tables["roofs"] = pd.DataFrame(
        {
            "building_id": pd.Series(some[0], dtype="str"),
            "roof_shape": pd.Series(random.choice(["flat", "gabled"], len(some[0])), dtype="str"),
            "roof_shape_basis": pd.Series(random.choice(["drawn", "assumed"], len(some[0])), dtype="str"),
            "undivided_ft2": random.uniform(1_000, 90_000, len(some[0])),
            "suspended_load": pd.array(random.choice([True, False, None], len(some[0])), dtype="boolean"),
        }
    )
    walls = np.repeat(some[1], 4)
    tables["walls"] = pd.DataFrame(
        {
            "building_id": pd.Series(walls, dtype="str"),
            "side": pd.Series(np.tile(["A", "B", "C", None], len(some[1])), dtype="str"),
            "kind": pd.Series(random.choice(["bearing", "party"], len(walls)), dtype="str"),
            "length_ft": random.uniform(10, 200, len(walls)),
            "clear_ground_ft": random.uniform(0, 60, len(walls)),
        }
    )
    tables["ladders"] = pd.DataFrame(
        {
            "building_id": pd.Series(some[2], dtype="str"),
            "apparatus": pd.Series(random.choice(["aerial", "out_of_reach"], len(some[2])), dtype="str"),
        }
    )
    under = tables["buildings"].set_index("building_id").geometry.loc[some[3]]
    obstacles = empty("obstacles", CRS).reindex(range(len(some[3])))
    obstacles["building_id"] = pd.Series(some[3], dtype="str")
    obstacles["kind"] = pd.Series(
        random.choice(["unit", "skylight", "suspended_load"], len(some[3])), dtype="str"
    )
    tables["obstacles"] = obstacles.set_geometry(under.centroid.buffer(1.0).to_numpy(), crs=CRS)
    families = tables["buildings"][["building_id", "roof_family"]].rename(columns={"roof_family": "value"})
    seen = families.assign(field="roof_family", basis="surveyed")
    said = families.assign(field="roof_family", basis="recorded", value="lamella")
    tables["facts"] = pd.concat([seen, said], ignore_index=True).sort_values("building_id", kind="stable")
    return tables


def whole(tables: dict[str, Any]) -> dict[str, Any]:
    """The district at once: odds, then ranks, then what to survey next."""
    buildings, odds = estimate_odds(tables["buildings"], tables["roofs"], "west", RULES)
    found = {**tables, "buildings": buildings, "family_odds": odds}
    found["ranking"] = rank_buildings(found, RULES, as_of=AS_OF)
    return {**found, "survey_next": survey_next(found, RULES)}


def part(tables: dict[str, Any], ids: set[str]) -> dict[str, Any]:
    """The rows of some buildings, which know nothing of the odds."""
    rows = {
        name: frame[frame["building_id"].isin(ids)]
        for name, frame in tables.items()
        if "building_id" in frame.columns
    }
    return {**rows, "buildings": rows["buildings"].assign(**dict.fromkeys(LATE[1:]))}


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), cuts=st.integers(1, 4))
def test_parts_tell_what_the_whole_tells(seed: int, cuts: int) -> None:
    tables = with_roofs(60, seed)
    every = whole(tables)
    owner = np.random.default_rng(seed).integers(0, cuts, 60)
    ids = tables["buildings"]["building_id"].to_numpy(dtype=object)
    parts = [measure_buildings(part(tables, set(ids[owner == tile])), RULES) for tile in range(cuts)]
    found = finish(pd.concat(parts, ignore_index=True), RULES, region="west", as_of=AS_OF)

    assert_frame_equal(found.family_odds, every["family_odds"])
    assert_frame_equal(found.survey_next, every["survey_next"])
    assert_frame_equal(found.ranking, pd.DataFrame(every["ranking"].drop(columns="geometry")))
    late = pd.DataFrame(every["buildings"])[LATE]
    told = found.buildings.astype({"stratum": "str", "odds": "str", "local_roofs": "Int64"})
    assert_frame_equal(told, late)
    # The case tells parts apart: loads, walls and ladders differ, and not all of them are nothing.
    assert found.ranking[["roof_load", "poor_access", "undivided_area"]].nunique().min() > 1


def test_surveys_that_do_not_bear_out_a_basis_are_counted_over_all_parts() -> None:
    """No part alone has roofs enough to tell; the district has."""
    tables = with_roofs(40, seed=1)
    ids = tables["buildings"]["building_id"].tolist()
    parts = [measure_buildings(part(tables, {name}), RULES) for name in ids]
    assert all(finish(rows, RULES, region="west", as_of=AS_OF).problems.empty for rows in parts)
    found = finish(pd.concat(parts), RULES, region=None, as_of=AS_OF).problems
    assert sorted(found["code"]) == ["region_not_stated", "trust_not_borne_out"]
    assert found.loc[found["code"] == "trust_not_borne_out", "feature"].tolist() == ["recorded"]


def test_a_measured_row_is_narrow_and_knows_no_day() -> None:
    rows = measure_buildings(with_roofs(10, seed=2), RULES)
    assert list(rows.columns) == list(RANKING_TABLES["measured"].columns)
    assert rows["building_id"].is_monotonic_increasing
    assert not {"geometry", *LATE[1:]} & set(rows.columns)


@pytest.mark.parametrize("days", [0, 400])
def test_the_day_comes_in_at_the_end(days: int) -> None:
    rows = measure_buildings(district(20, seed=3), RULES)
    day = AS_OF + datetime.timedelta(days=days)
    found = finish(rows, RULES, region="west", as_of=day).ranking.set_index("building_id")
    years = (pd.Timestamp(day) - rows.set_index("building_id")["surveyed_on"]).dt.days / 365.25
    expected = (years / RULES.number("ranking.stale_full_years")).clip(upper=1.0).fillna(1.0)
    assert np.allclose(found["stale_information"], expected.reindex(found.index))
