"""Framing plus placing against the floor of reading and writing the same layer.

In: sizes on the command line.
Out: for each size, in a process of its own: buildings a second, the ratio to the floor, peak
    memory; then how cost grows with size.

The floor is pyogrio with Arrow reading and writing the footprints as GeoPackage, in the same
run; the median of three. The work ends when every table is ready to be written: Arrow columns, geometry as
well-known binary. Run it with

    python -m tests.benchmarks core
    python -m tests.benchmarks core --n 1000 --pitched 0 --json result.json
    python -m tests.benchmarks core --numba

Three buildings in ten are houses with a pitched roof; `--pitched` takes another share. Rates and ratios are
of seconds of the processor, which say the same on a machine that does other things at the same time; those
of the clock stand beside them. `--numba` measures with compiled loops too, after they are compiled, and
holds both to the same rows, bit by bit.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import os
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio

from roofplat.framing import frame_roofs
from roofplat.ground import Ground
from roofplat.late import arrow_of
from roofplat.placing import place_plans
from roofplat.rules import load_rulebook
from tests.benchmarks.frame import from_child, tell, with_json
from tests.benchmarks.synthetic import synthetic_roofs
from tests.oracle import plan_by_loop

# What is wanted at 100,000 buildings on one worker: in numpy, and with numba.
WANTED = {"buildings_per_s": 35_000.0, "times_floor": 5.0, "times_floor with numba": 3.0, "growth": 11.0}


def measure(count: int, pitched: float) -> dict[str, Any]:
    """Plan one synthetic district once, after a small one to warm up."""
    rules, ground = load_rulebook(), Ground(0.3048)
    _plan(*synthetic_roofs(200, pitched=pitched), rules, ground)
    roofs, streets, obstacles = synthetic_roofs(count, pitched=pitched)
    floor_s, floor_wall_s = floor(roofs)
    tables, took = _plan(roofs, streets, obstacles, rules, ground)
    all_s = took["framing_s"] + took["placing_s"]
    return {
        "buildings": count,
        "pitched": pitched,
        "loops": "numpy" if os.environ.get("ROOFPLAT_NUMBA") == "0" else "numba",
        **took,
        "buildings_per_s": count / all_s,
        "floor_s": floor_s,
        "floor_clock_s": floor_wall_s,
        "times_floor": all_s / floor_s,
        "peak_gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        "rows": sum(len(table) for table in tables.values()),
        "openings": len(tables["openings"]),
        "trenches": len(tables["trenches"]),
        "digest": _digest(tables),
    }


def measure_loop(count: int) -> float:
    """Buildings a second of the plain loop over single panelized roofs, which gives the same plan."""
    rules, ground = load_rulebook(), Ground(0.3048)
    roofs, streets, obstacles = synthetic_roofs(count)
    start = time.process_time()
    plan_by_loop(roofs, streets, obstacles, rules, ground, 250.0)
    return count / (time.process_time() - start)


def _plan(
    roofs: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    rules: Any,
    ground: Ground,
) -> tuple[dict[str, pa.Table], dict[str, float]]:
    """Every table, ready to be written, and the seconds by step."""
    fires = gpd.GeoDataFrame(
        {"building_id": pd.Series([], dtype="str")}, geometry=gpd.GeoSeries([], crs=roofs.crs)
    )
    clock, start = time.perf_counter(), time.process_time()
    framing = frame_roofs(roofs, streets, rules, ground)
    framed = {"walls": framing.wall_rows, "members": framing.member_rows, "planes": framing.plane_rows}
    tables = {name: rows.arrow() for name, rows in framed.items()}
    between = time.process_time()
    plan = place_plans(framing, roofs, obstacles, fires, rules, wind_from_deg=250.0, wind_basis="assumed")
    tables["sections"] = arrow_of(plan.sections)
    tables |= {name: rows.arrow() for name, rows in plan.late.items()}
    end = time.process_time()
    return tables, {
        "framing_s": between - start,
        "placing_s": end - between,
        "clock_s": time.perf_counter() - clock,
    }


def _digest(tables: dict[str, pa.Table]) -> str:
    """What is the same for the same tables, to the last bit."""
    told = hashlib.sha256()
    for name, table in tables.items():
        told.update(name.encode())
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, table.schema.remove_metadata()) as stream:
            stream.write_table(table.replace_schema_metadata(None).combine_chunks())
        told.update(sink.getvalue())
    return told.hexdigest()[:12]


def floor(roofs: gpd.GeoDataFrame) -> tuple[float, float]:
    """Read and write the layer as GeoPackage: seconds of the processor and of the clock, median of three."""
    layer = roofs[["building_id", "roof_family", "height_ft", "area_ft2", "geometry"]]
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "in.gpkg"
        pyogrio.write_dataframe(layer, source, use_arrow=True)
        for run in range(3):
            start, clock = time.process_time(), time.perf_counter()
            read = pyogrio.read_dataframe(source, use_arrow=True)
            pyogrio.write_dataframe(read, Path(folder) / f"out{run}.gpkg", use_arrow=True)
            taken.append((time.process_time() - start, time.perf_counter() - clock))
    processor, clock_s = zip(*taken, strict=True)
    return statistics.median(processor), statistics.median(clock_s)


def main() -> None:
    """Run the sizes, each in its own process, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--pitched", type=float, default=0.3, help="share of houses with a pitched roof")
    parser.add_argument("--numba", action="store_true", help="measure with compiled loops too")
    parser.add_argument("--loop", type=int, default=100, help="buildings that the plain loop plans; 0: none")
    with_json(parser)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.one is not None:
        print(json.dumps(measure(arguments.one, arguments.pitched)))
        return
    results = []
    for numba, count in itertools.product(("0", "1") if arguments.numba else ("0",), arguments.n):
        command = [sys.executable, "-m", "tests.benchmarks.core", "--one", str(count)]
        command += ["--pitched", str(arguments.pitched)]
        results.append(from_child(command, {"ROOFPLAT_NUMBA": numba}))
    notes = []
    for small, large in itertools.pairwise(results):
        if small["loops"] == large["loops"]:
            growth = (large["framing_s"] + large["placing_s"]) / (small["framing_s"] + small["placing_s"])
            notes.append(
                f"{large['buildings']:,} costs {growth:.1f} times {small['buildings']:,} "
                f"({large['buildings'] / small['buildings']:.0f} times the buildings)"
            )
    if arguments.loop:
        loop = measure_loop(arguments.loop)
        notes.append(
            f"The plain loop over single roofs plans {loop:,.0f} buildings a second (of {arguments.loop})."
        )
    digests = {(row["loops"], row["buildings"]): row["digest"] for row in results}
    unlike = [
        count
        for count in arguments.n
        if arguments.numba and digests["numpy", count] != digests["numba", count]
    ]
    if arguments.numba:
        notes.append(
            f"Compiled loops give other rows at {unlike}."
            if unlike
            else "Compiled loops give the same rows, bit by bit."
        )
    tell(
        "core",
        {"": results},
        keys=("buildings", "pitched", "loops"),
        wanted=WANTED,
        notes=notes,
        json_file=arguments.json,
    )
    if unlike:
        sys.exit(1)


if __name__ == "__main__":
    main()
