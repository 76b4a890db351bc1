"""Districts made up for the tests of the ranking.

In: how many buildings, a seed.
Out: tables as the inventory makes them, odds and all.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import box

from roofplat.inventory import estimate_odds
from roofplat.rules import Rulebook, load_rulebook
from roofplat.tables import TABLES

CRS = "EPSG:32613"
RULES = load_rulebook()
_OCCUPANCIES = ("S-1", "M", "B", "F-1", "R-2", "A-2", None)
_FAMILIES = ("steel_joist_steel_deck", "panelized_wood", "sawn_joist_flat", "bowstring_truss")


def district(count: int, *, seed: int, rules: Rulebook = RULES) -> dict[str, Any]:
    """Buildings of which a half are unknown, a quarter surveyed and a quarter recorded."""
    random = np.random.default_rng(seed)
    basis = random.choice(["assumed", "surveyed", "recorded"], count, p=[0.5, 0.25, 0.25])
    seen = pd.Timestamp("2020-01-01") + pd.to_timedelta(random.integers(0, 2000, count), unit="D")
    rows = {
        "building_id": [f"b{place:05d}" for place in range(count)],
        "occupancy": random.choice(np.array(_OCCUPANCIES, dtype=object), count),
        "year_built": random.integers(1930, 2020, count),
        "storeys": random.integers(1, 4, count),
        "sprinklered": random.choice(np.array([True, False, None], dtype=object), count),
        "area_ft2": np.round(random.lognormal(9.0, 1.0, count)),
        "roof_family": np.where(basis == "assumed", "unknown", random.choice(_FAMILIES, count)),
        "family_basis": basis,
        "surveyed_on": pd.Series(seen).where(basis == "surveyed"),
    }
    return made(rows, rules=rules)


def made(rows: Any, *, rules: Rulebook = RULES) -> dict[str, Any]:
    """The tables of some buildings: what the rows do not say is missing, but for 9,000 ft2."""
    frame = pd.DataFrame(rows).reindex(columns=list(TABLES["buildings"].columns))
    frame["roof_family"] = frame["roof_family"].astype(object).fillna("unknown")
    frame["area_ft2"] = frame["area_ft2"].fillna(9_000.0)
    places = [box(20 * row, 0, 20 * row + 10, 10) for row in range(len(frame))]
    buildings = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(places, crs=CRS), crs=CRS)
    buildings, family_odds = estimate_odds(buildings, None, "west", rules)
    return {"buildings": buildings, "family_odds": family_odds}
