"""Small towns for the tests of the odds.

In: what is said of each building; nobody knows the rest.
Out: buildings as the inventory has them before their odds, and the odds of the first of them.
"""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from roofplat.inventory import estimate_odds, family_chances

GROUPS = ("A", "B", "E", "F", "H", "I", "M", "R", "R-3", "S", "U")


def town(build, rows):
    """Buildings as `make_buildings` hands them on; what a row does not say nobody knows."""
    base = {
        "file_id": None, "name": None, "address": None, "occupancy": None, "year_built": None,
        "storeys": None, "height_ft": 20.0, "height_basis": "assumed", "sprinklered": None,
        "area_ft2": 10_000.0, "dispatch_area": None, "roof_family": "unknown", "family_basis": None,
        "surveyed_on": None, "look_again": None, "inspected_on": None, "inspection_class": None,
        "inspect_by": None, "alert": None,
    }  # fmt: skip
    frame = pd.DataFrame([{"building_id": f"B{i:03d}"} | base | row for i, row in enumerate(rows)])
    for name in ("year_built", "storeys"):
        frame[name] = frame[name].astype("Int64")
    outlines = [build.square(20.0 * i) for i in range(len(frame))]
    return gpd.GeoDataFrame(frame, geometry=outlines, crs=build.crs)


def sections(rows):
    return pd.DataFrame(rows, columns=["building_id", "roof_shape", "roof_shape_basis"]).astype("str")


def one(build, rules, region="west", forms=None, extra=(), **said):
    """Odds of one building: its row, and its stratum's chances by family."""
    roofs = None if forms is None else sections([("B000", *form) for form in forms])
    buildings, odds = estimate_odds(town(build, [said, *extra]), roofs, region, rules)
    chances = family_chances(buildings, roofs, odds, rules)
    own = odds[odds["stratum"] == buildings["stratum"][0]].set_index("roof_family")
    return buildings.iloc[0], own, chances.iloc[0]


def seen(family, basis="surveyed", **said):
    return {"roof_family": family, "family_basis": basis, **said}
