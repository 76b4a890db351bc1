"""Framing plus placing against the floor of reading and writing the same layer.

In: sizes on the command line.
Out: for each size, in a process of its own: buildings a second, the ratio to the floor, peak
    memory; then how cost grows with size.

The floor is pyogrio with Arrow reading and writing the footprints as GeoPackage, in the same
run; the median of three. Run it with

    python -m tests.benchmarks.core
    python -m tests.benchmarks.core --n 1000 --pitched 0 --json result.json

Three buildings in ten are houses with a pitched roof; `--pitched` takes another share.
"""

from __future__ import annotations

import argparse
import itertools
import json
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.placing import place_plans
from roofplat.rules import load_rulebook
from tests.benchmarks.synthetic import synthetic_roofs
from tests.oracle import plan_by_loop

# What is wanted at 100,000 buildings on one worker.
WANTED = {"buildings_per_s": 15_000.0, "times_floor": 12.0, "peak_gib": 1.5, "growth": 11.0}


def measure(count: int, pitched: float) -> dict[str, Any]:
    """Plan one synthetic district once, after a small one to warm up."""
    rules, ground = load_rulebook(), Ground(0.3048)
    _plan(*synthetic_roofs(200, pitched=pitched), rules, ground)
    roofs, streets, obstacles = synthetic_roofs(count, pitched=pitched)
    floor_s = _floor(roofs)
    start = time.perf_counter()
    framing, plan, framing_s = _plan(roofs, streets, obstacles, rules, ground)
    planning_s = time.perf_counter() - start
    tables = [framing.walls, framing.members, framing.planes, plan.sections, plan.ladders, plan.paths]
    tables += [plan.checks, plan.openings, plan.cuts, plan.trenches]
    return {
        "buildings": count,
        "pitched": pitched,
        "framing_s": framing_s,
        "placing_s": planning_s - framing_s,
        "buildings_per_s": count / planning_s,
        "floor_s": floor_s,
        "times_floor": planning_s / floor_s,
        "peak_gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        "rows": sum(len(table) for table in tables),
        "openings": len(plan.openings),
        "trenches": len(plan.trenches),
    }


def measure_loop(count: int) -> float:
    """Buildings a second of the plain loop over single panelized roofs, which gives the same plan."""
    rules, ground = load_rulebook(), Ground(0.3048)
    roofs, streets, obstacles = synthetic_roofs(count)
    start = time.perf_counter()
    plan_by_loop(roofs, streets, obstacles, rules, ground, 250.0)
    return count / (time.perf_counter() - start)


def _plan(
    roofs: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    rules: Any,
    ground: Ground,
) -> tuple[Any, Any, float]:
    fires = gpd.GeoDataFrame(
        {"building_id": pd.Series([], dtype="str")}, geometry=gpd.GeoSeries([], crs=roofs.crs)
    )
    start = time.perf_counter()
    framing = frame_roofs(roofs, streets, rules, ground)
    framing_s = time.perf_counter() - start
    plan = place_plans(framing, roofs, obstacles, fires, rules, wind_from_deg=250.0, wind_basis="assumed")
    return framing, plan, framing_s


def _floor(roofs: gpd.GeoDataFrame) -> float:
    """Read and write the layer as GeoPackage; the median of three."""
    layer = roofs[["building_id", "roof_family", "height_ft", "area_ft2", "geometry"]]
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "in.gpkg"
        pyogrio.write_dataframe(layer, source, use_arrow=True)
        for run in range(3):
            start = time.perf_counter()
            read = pyogrio.read_dataframe(source, use_arrow=True)
            pyogrio.write_dataframe(read, Path(folder) / f"out{run}.gpkg", use_arrow=True)
            taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> None:
    """Run the sizes, each in its own process, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    parser.add_argument("--pitched", type=float, default=0.3, help="share of houses with a pitched roof")
    parser.add_argument("--loop", type=int, default=100, help="buildings that the plain loop plans; 0: none")
    parser.add_argument("--json", type=Path, help="also write the figures to this file")
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one is not None:
        print(json.dumps(measure(arguments.one, arguments.pitched)))
        return
    results = []
    for count in arguments.n:
        command = [sys.executable, "-m", "tests.benchmarks.core", "--one", str(count)]
        command += ["--pitched", str(arguments.pitched)]
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
        results.append(json.loads(answer.stdout.splitlines()[-1]))
    versions = {
        "python": platform.python_version(),
        "numpy": np.__version__,
        "shapely": shapely.__version__,
        "geopandas": gpd.__version__,
        "pyogrio": pyogrio.__version__,
        "machine": platform.machine(),
    }
    print(", ".join(f"{name} {version}" for name, version in versions.items()))
    print(pd.DataFrame(results).to_string(index=False, float_format=lambda value: f"{value:,.2f}"))
    for small, large in itertools.pairwise(results):
        growth = (large["framing_s"] + large["placing_s"]) / (small["framing_s"] + small["placing_s"])
        print(
            f"{large['buildings']:,} costs {growth:.1f} times {small['buildings']:,} "
            f"({large['buildings'] / small['buildings']:.0f} times the buildings)"
        )
    if arguments.loop:
        loop = measure_loop(arguments.loop)
        print(f"The plain loop over single roofs plans {loop:,.0f} buildings a second (of {arguments.loop}).")
    print("Wanted at 100,000:", ", ".join(f"{name} {value:g}" for name, value in WANTED.items()))
    if arguments.json:
        arguments.json.write_text(json.dumps({"versions": versions, "results": results}, indent=1), "utf-8")


if __name__ == "__main__":
    main()
