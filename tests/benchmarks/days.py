"""Plans of inspection days over a made-up town: how long they take, and what the solver adds.

In: a number of buildings, and days and inspectors, on the command line.
Out: for each plan, in a process of its own: seconds for the ways and for the whole, peak memory, the value
    beside that of the greedy plan.

The town is a grid of streets with eight buildings a block. Run it with

    python -m tests.benchmarks days
    python -m tests.benchmarks days --n 5000 --plan 5x2 --json result.json
"""

from __future__ import annotations

import argparse
import datetime
import json
import resource
import sys
import time
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from roofplat.ground import Ground
from roofplat.ranking.days import plan_days
from roofplat.ranking.days.streets import street_graph
from roofplat.rules import load_rulebook
from roofplat.tables import TABLES, conform
from tests.benchmarks.frame import from_child, tell, with_json
from tests.benchmarks.synthetic import CRS as TOWN_CRS

_WEST, _SOUTH, _BLOCK_M, _A_BLOCK = 480_000.0, 4_400_000.0, 100.0, 8


def town(count: int, seed: int = 1) -> tuple[dict[str, Any], gpd.GeoDataFrame]:
    """Buildings, ranking and a station in the middle; and the streets."""
    random = np.random.default_rng(seed)
    side = max(int(np.sqrt(count / _A_BLOCK)), 1)
    block = np.arange(count) % side**2
    x = _WEST + block % side * _BLOCK_M + random.uniform(15, 85, count)
    y = _SOUTH + block // side * _BLOCK_M + random.uniform(15, 85, count)
    half = random.uniform(4, 14, count)
    shapes = shapely.box(x - half, y - half, x + half, y + half)
    ids = [f"b{number:06d}" for number in range(count)]
    due = pd.Timestamp("2026-06-01") + pd.to_timedelta(random.integers(-900, 900, count), unit="D")
    known = {
        "building_id": ids,
        "area_ft2": (2 * half / 0.3048) ** 2,
        "roof_family": "unknown",
        "occupancy": random.choice(["A", "B", "E", "F", "S", "M", "R", "retail"], count),
        "storeys": random.integers(1, 4, count),
        "score": random.beta(4, 4, count),
        "class": "low",
        "next_due": pd.Series(due).mask(random.random(count) < 0.3).astype("datetime64[ms]"),
    }
    frame = pd.DataFrame(known)
    frame["rank"] = frame["score"].rank(ascending=False, method="first").astype(int)
    tables: dict[str, Any] = {
        name: conform(name, frame.reindex(columns=list(TABLES[name].columns)), geometry=shapes, crs=TOWN_CRS)
        for name in ("buildings", "ranking")
    }
    middle = shapely.Point(_WEST + side * _BLOCK_M / 2, _SOUTH + side * _BLOCK_M / 2)
    tables["stations"] = gpd.GeoDataFrame({"name": ["Station 1"]}, geometry=[middle], crs=TOWN_CRS)
    far, steps = side * _BLOCK_M, np.arange(side + 1) * _BLOCK_M
    lines = [shapely.LineString([(_WEST + k, _SOUTH), (_WEST + k, _SOUTH + far)]) for k in steps]
    lines += [shapely.LineString([(_WEST, _SOUTH + k), (_WEST + far, _SOUTH + k)]) for k in steps]
    named = gpd.GeoDataFrame(
        {"name": [f"Street {k}" for k in range(len(lines))]}, geometry=lines, crs=TOWN_CRS
    )
    return tables, named


def measure(count: int, days: int, inspectors: int) -> dict[str, Any]:
    """Plan once."""
    tables, streets = town(count)
    rules, ground = load_rulebook(), Ground(0.3048)
    before_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    places = tables["stations"].geometry.to_numpy()
    begin = time.perf_counter()
    street_graph(places, streets, rules, ground, CRS(TOWN_CRS))
    graph_s = time.perf_counter() - begin
    begin, begin_cpu = time.perf_counter(), time.process_time()
    plan = plan_days(
        tables,
        rules,
        start_on=datetime.date(2026, 6, 1),
        days=days,
        inspectors=inspectors,
        ground=ground,
        streets=streets,
    )
    told = plan.summary
    return {
        "buildings": count,
        "plan": f"{days}x{inspectors}",
        "graph_s": graph_s,
        "plan_s": time.perf_counter() - begin,
        "plan_cpu_s": time.process_time() - begin_cpu,
        "added_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before_mib,
        "weighed": told["candidates"],
        "visits": told["visits"],
        "value": told["value"],
        "greedy_value": told["greedy_value"],
        "travel_h": told["hours_travel"],
        "greedy_travel_h": told["greedy_hours_travel"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, nargs="+", default=[5_000, 100_000])
    parser.add_argument("--plan", nargs="+", default=["1x1", "5x2"], help="days x inspectors, as 5x2")
    with_json(parser)
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        days, inspectors = (int(part) for part in asked.plan[0].split("x"))
        print(json.dumps(measure(asked.n[0], days, inspectors)))
        return
    found = []
    for count in asked.n:
        for plan in asked.plan:
            command = [
                sys.executable,
                "-m",
                "tests.benchmarks.days",
                "--one",
                "--n",
                str(count),
                "--plan",
                plan,
            ]
            found.append(from_child(command))
            row = found[-1]
            print(
                f"{count:>7,} buildings, {plan:>5} days x inspectors: {row['plan_s']:6.1f} s "
                f"({row['plan_cpu_s']:.1f} s of one core), {row['added_mib']:.0f} MiB more; "
                f"{row['visits']} of {row['weighed']} weighed; value {row['value']:,.0f}, "
                f"{row['value'] / row['greedy_value'] - 1:+.1%} over greedy; "
                f"travel {row['travel_h']:.1f} h, greedy {row['greedy_travel_h']:.1f} h",
                flush=True,
            )
    tell("days", {"": found}, keys=("buildings", "plan"), more=("ortools",), json_file=asked.json)


if __name__ == "__main__":
    main()
