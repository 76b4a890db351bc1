"""A made-up state of three million buildings, built once in tiles; what a country would cost.

In: sizes on the command line.
Out: for each size seconds of the clock and of the processor, most memory of all processes, bytes on disk by
    kind; then the straight line through them, what it says of 130 million, and all of it as a plot.

Sizes and shapes of the outlines are those of real buildings (`state_layers.py`); the layers are written town
by town, and built by the command itself, with a process on each core, without sheets and without the
GeoPackage of layers for people, whose rows are in the GeoParquet of the tiles. Run it with

    python -m tests.benchmarks state
    python -m tests.benchmarks state --n 1000 10000 --json result.json --plot growth.svg
    python -m tests.benchmarks state --keep FOLDER

With `--keep` the layers and the build stay in that folder, and a run that was cut off goes on there: its
times are then those of what was left to do, which the table says (`whole`). Three million need tens of
gigabytes on disk; the table says how many for each building.

The straight line is that of least squares, all sizes alike; what it says of 130 million, about as many as a
large country has, is an extrapolation, and says so.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.frame import (
    ROOFPLAT,
    bytes_by_kind,
    growth_of_steps,
    machine,
    run_steps,
    tell,
    with_json,
)
from tests.benchmarks.state_layers import write_state

# What is wanted of a million: memory that depends on the tile.
WANTED = {"peak_gib of 1,000,000": 4.0, "growth of a step for ten times as many": 11.0}
COUNTRY = 130_000_000
_FIGURES = {
    "clock_s": "by the clock",
    "processor_s": "of processors",
    "peak_gib": "of memory",
    "disk_gb": "on disk",
}
# Processors and memory of a machine that a department may rent, to say the same in days.
_CORES = 64
# Without a size of so many, cost by building is not yet what counts.
_LEAST_TO_SAY = 100_000
# Kinds of files below this share of all bytes are not told.
_LEAST_SHARE = 0.005


Rows = list[dict[str, Any]]


def measure(count: int, folder: Path, options: argparse.Namespace) -> tuple[dict[str, Any], Rows, Rows]:
    """Write a state and build it: its row, rows of its steps, rows of its bytes."""
    layers, out = folder / "layers", folder / "built"
    start = time.process_time()
    district = write_state(count, layers, known=options.known, more=_scale(options))
    making_s = time.process_time() - start
    fresh = not (out / ".tiles").exists()
    command = [*ROOFPLAT, "build", str(district), "--out", str(out), "--no-sheets", "--as-of", "2026-01-01"]
    spent, steps = run_steps([*command, "--workers", str(options.workers)])
    kinds = bytes_by_kind(out)
    row = {
        "buildings": count,
        "whole": fresh,
        "workers": options.workers,
        "making_s": making_s,
        "clock_s": spent.wall_s,
        "processor_s": spent.processor_s,
        "peak_gib": spent.peak_gib,
        "disk_gb": sum(kinds.values()) / 1e9,
        "layers_gb": sum(bytes_by_kind(layers).values()) / 1e9,
        "buildings_per_s": count / spent.processor_s,
    }
    told = [{"buildings": count, "workers": options.workers, **step} for step in steps]
    disk = [
        {"buildings": count, "kind": kind, "size_mb": size / 1e6, "bytes a building": size / count}
        for kind, size in sorted(kinds.items(), key=lambda item: -item[1])
        if size >= _LEAST_SHARE * sum(kinds.values())
    ]
    return row, told, disk


def straight_lines(rows: Sequence[Mapping[str, Any]]) -> dict[str, tuple[float, float]]:
    """Of each figure, what it is without any building, and what each building adds.

    Every size counts alike: the squares are those of shares of what was measured.

    Examples
    --------
    >>> made = [dict.fromkeys(_FIGURES, 5 + 2 * n) | {"buildings": n} for n in (10, 99)]
    >>> [round(value, 9) for value in straight_lines(made)["clock_s"]]
    [5.0, 2.0]
    """
    count = np.array([row["buildings"] for row in rows], dtype=float)
    lines = {}
    for figure in _FIGURES:
        value = np.array([row[figure] for row in rows], dtype=float)
        fixed, each = np.polynomial.Polynomial.fit(count, value, 1, w=1 / value).convert().coef
        lines[figure] = (float(fixed), float(each))
    return lines


def country(lines: Mapping[str, tuple[float, float]], workers: int) -> list[str]:
    """What the straight lines say of a whole country, in words."""
    says = {figure: fixed + each * COUNTRY for figure, (fixed, each) in lines.items()}
    hours = says["processor_s"] / 3600
    return [
        f"{COUNTRY:,} buildings by the straight line through these sizes (extrapolated, not measured):",
        f"  {hours:,.0f} hours of one processor; {says['clock_s'] / 86400:,.1f} days on this machine with "
        f"{workers} workers, {hours / _CORES:,.1f} hours of {_CORES} such processors that share the work",
        f"  {says['disk_gb'] / 1000:,.2f} TB on disk; {says['peak_gib']:,.1f} GiB of memory",
    ]


def plot(rows: Sequence[Mapping[str, Any]], lines: Mapping[str, tuple[float, float]], path: Path) -> None:
    """Draw cost by size, both by tens, with the straight lines as far as a country."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rcParams["svg.hashsalt"] = "roofplat"
    figure = Figure(figsize=(9.0, 7.0), layout="constrained")
    count = np.array([row["buildings"] for row in rows], dtype=float)
    far = np.geomspace(count.min(), COUNTRY, 60)
    units = {"clock_s": "seconds", "processor_s": "seconds", "peak_gib": "GiB", "disk_gb": "GB"}
    for axes, (name, words) in zip(figure.subplots(2, 2).flat, _FIGURES.items(), strict=True):
        fixed, each = lines[name]
        axes.plot(far, np.maximum(fixed + each * far, 1e-6), "--", color="#56606b", label="straight line")
        axes.plot(count, [row[name] for row in rows], "o", color="#0072b2", label="measured")
        axes.set(xscale="log", yscale="log", xlabel="buildings", title=f"{units[name]} {words}")
        axes.axvline(COUNTRY, color="#56606b", linewidth=0.8)
        axes.text(
            0.96,
            0.06,
            f"130 million, extrapolated:\n{fixed + each * COUNTRY:,.0f} {units[name]}",
            transform=axes.transAxes,
            ha="right",
        )
        axes.grid(alpha=0.3)
    figure.axes[0].legend(loc="upper left")
    here = machine()
    figure.suptitle(
        f"A made-up state, built in tiles: {here['processor']}, {here['cores']} cores, "
        f"{here['memory_gib']} GiB"
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=110)


def _scale(options: argparse.Namespace) -> str:
    lines = ["", "[scale]"]
    if options.tile_buildings:
        lines.append(f"tile_buildings = {options.tile_buildings}")
    if not options.geopackage:
        lines.append("geopackage = false")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the sizes, the smallest first, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, nargs="+", default=[10_000, 100_000, 1_000_000, 3_000_000])
    parser.add_argument("--workers", type=int, default=machine()["cores"])
    parser.add_argument("--tile-buildings", type=int, help="buildings of a tile; else as a build chooses")
    parser.add_argument("--known", type=float, default=0.3, help="share of the roofs that are surveyed")
    parser.add_argument("--geopackage", action="store_true", help="write layers.gpkg as well")
    parser.add_argument("--keep", type=Path, help="folder of the layers and builds, kept")
    parser.add_argument("--plot", type=Path, help="draw the figures into this file (.svg, .png)")
    with_json(parser)
    options = parser.parse_args()
    rows: list[dict[str, Any]] = []
    steps: list[dict[str, Any]] = []
    disk: list[dict[str, Any]] = []
    for count in sorted(options.n):
        with contextlib.ExitStack() as stack:
            base = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
            free = shutil.disk_usage(base if base.exists() else Path.cwd()).free
            made = measure(count, base / str(count), options)
        rows.append(made[0])
        steps, disk = steps + made[1], disk + made[2]
        print(
            f"{count:,}: {made[0]['clock_s']:,.0f} s, {made[0]['disk_gb']:.2f} of {free / 1e9:.0f} GB free",
            file=sys.stderr,
        )
    notes = []
    if len(rows) > 1:
        lines = straight_lines(rows)
        notes = [
            *(f"{name}: {fixed:,.3g} + {each:.3g} a building" for name, (fixed, each) in lines.items()),
            *(
                country(lines, options.workers)
                if rows[-1]["buildings"] >= _LEAST_TO_SAY
                else [f"Sizes below {_LEAST_TO_SAY:,} say nothing of {COUNTRY:,}."]
            ),
            *growth_of_steps(steps),
        ]
        if options.plot:
            plot(rows, lines, options.plot)
    tell(
        "state",
        {"Sizes": rows, "Steps": steps, "Bytes on disk": disk},
        keys=("buildings", "workers", "step", "kind", "whole"),
        wanted=WANTED,
        notes=notes,
        json_file=options.json,
    )


if __name__ == "__main__":
    main()
