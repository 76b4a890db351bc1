"""A whole build without sheets, in times of the floor; then with one building changed, and with nothing.

In: sizes on the command line.
Out: for each size seconds of the clock and of the processor, times the floor, most memory of all its
    processes, bytes on disk, and the same of each step; then how cost grows with size.

The district is made up (`district.py`), written as layers, and built by the command itself in a process of
its own. Then it is built again with nothing changed, and again after one building in the middle was moved by
a foot. The floor is that of the benchmark `core`: reading and writing the footprints as GeoPackage. Run it
with

    python -m tests.benchmarks build
    python -m tests.benchmarks build --n 1000 --json result.json
    python -m tests.benchmarks build --n 100000 --tile-buildings 10000 --workers 2

Times are seconds of the processor where they are compared with the floor; two workers use as many as one.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely

from tests.benchmarks.core import floor
from tests.benchmarks.district import write_district
from tests.benchmarks.frame import (
    ROOFPLAT,
    bytes_by_kind,
    from_child,
    growth_of_steps,
    run_steps,
    tell,
    with_json,
)
from tests.benchmarks.synthetic import synthetic_roofs

# What is wanted at 100,000 buildings, without sheets; at 1,000,000 the memory.
WANTED = {"times_floor": 25.0, "peak_gib of 1,000,000": 4.0, "growth": 11.0}
_FOOT_M = 0.3048


def change_one(folder: Path) -> None:
    """Move the building in the middle of the footprints by a foot; every other row stays as it is."""
    file = folder / "footprints.gpkg"
    frame = pyogrio.read_dataframe(file)
    shapes = frame.geometry.to_numpy().copy()
    middle = len(shapes) // 2 + int(len(shapes) ** 0.5) // 2
    shapes[middle] = shapely.transform(shapes[middle], lambda xy: xy + np.array([_FOOT_M, 0.0]))
    pyogrio.write_dataframe(frame.set_geometry(shapes, crs=frame.crs), file)


def measure(
    count: int, folder: Path, more: Sequence[str]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Build a district three times; rows of the runs and of their steps."""
    district, out = folder / "district" / "district.toml", folder / "built"
    if not district.exists():
        write_district(count, district.parent)
    floor_s = from_child([sys.executable, "-m", "tests.benchmarks.build", "--floor", str(count)])["floor_s"]
    command = [*ROOFPLAT, "build", str(district), "--out", str(out), "--no-sheets", "--as-of", "2026-01-01"]
    runs, steps = [], []
    for what in ("whole", "nothing changed", "one building changed"):
        if what == "one building changed":
            change_one(district.parent)
        spent, told = run_steps([*command, *more])
        row = {"buildings": count, "run": what, "clock_s": spent.wall_s, "processor_s": spent.processor_s}
        row |= {"floor_s": floor_s, "times_floor": spent.processor_s / floor_s, "peak_gib": spent.peak_gib}
        row["written_mb"] = sum(bytes_by_kind(out).values()) / 1e6
        runs.append(row)
        steps += [{"buildings": count, "run": what, **step} for step in told]
    return runs, steps


def main() -> None:
    """Run the sizes and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--tile-buildings", type=int, help="buildings of a tile; else as a build chooses")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder of the district and its build, kept")
    with_json(parser)
    parser.add_argument("--floor", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.floor is not None:
        print(json.dumps({"floor_s": floor(synthetic_roofs(options.floor)[0])[0]}))
        return
    more = ["--workers", str(options.workers)]
    if options.tile_buildings is not None:
        more += ["--tile-buildings", str(options.tile_buildings)]
    runs: list[dict[str, Any]] = []
    steps: list[dict[str, Any]] = []
    for count in options.n:
        with contextlib.ExitStack() as stack:
            folder = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
            made = measure(count, folder / str(count), more)
        runs, steps = runs + made[0], steps + made[1]
        print(f"{count:,}: done", file=sys.stderr)
    for row in (*runs, *steps):
        row |= {"tile": options.tile_buildings or "", "workers": options.workers}
    whole = [row for row in runs if row["run"] == "whole"]
    notes = [
        f"{large['buildings']:,} costs {large['processor_s'] / small['processor_s']:.1f} times "
        f"{small['buildings']:,} ({large['buildings'] / small['buildings']:.0f} times the buildings)"
        for small, large in itertools.pairwise(whole)
    ]
    notes += growth_of_steps([step for step in steps if step["run"] == "whole"])
    tell(
        "build",
        {"Runs": runs, "Steps": steps},
        keys=("buildings", "run", "step", "tile", "workers"),
        wanted=WANTED,
        notes=notes,
        json_file=options.json,
    )


if __name__ == "__main__":
    main()
