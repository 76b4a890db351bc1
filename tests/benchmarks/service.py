"""The service under load, beside plain pygeoapi in the same run.

In: a number of buildings, of clients and of seconds on the command line.
Out: throughput, times, errors and memory of (1) bbox queries of a built district's buildings and of a mix of
    its layers, (2) the same queries of the buildings against plain pygeoapi on a bare GeoParquet, and on a
    bare GeoPackage where mod_spatialite loads, (3) what-if questions, first of buildings that were not asked
    of before, then of some that were.

Run it with

    python -m tests.benchmarks service
    python -m tests.benchmarks service --n 1000 --seconds 2 --json result.json

The district is made up (`district.py`), written as layers, and built by the command itself. The clients are
a process of their own (`load.py`) and share the machine with the servers: what they used of the processor
stands in the table. Each server runs alone, with the same number of processes and threads, and gets the same
questions in the same order; each answer holds at most 100 buildings. The plain servers get the outlines in
longitude and latitude and transform nothing; the service transforms both ways. Plain `Parquet` gives what
lies in the box, the others what touches it.

Memory is the proportional set size of all processes of a server, once a second: `warm` is the median of the
second quarter of the run, `end` that of the last. What a what-if took is what the server says (Server-Timing)
and what the client saw.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from roofplat.district import Service
from roofplat.tables import METHODS
from tests.benchmarks.district import write_district
from tests.benchmarks.frame import memory_mib, tell, with_json
from tests.benchmarks.plain import spatialite_loads, write_bare

# What is wanted: no errors, no growth, and of a what-if, milliseconds in the server.
WANTED = {"errors": 0, "growth": 0.05, "what-if median ms": 50.0, "what-if p99 ms": 150.0}
PAGE = 100
BOXES, ASKED_OF, WARM_OF = 5_000, 5_000, 100
# Sides of the boxes: from a yard and its neighbours to some blocks.
BOX_M = (150.0, 600.0)
# What the header Server-Timing of a what-if tells of.
STEPS = ("wait", "plan", "write")
MIXED = ("buildings", "sections", "walls", "members", "ladders", "openings", "obstacles", "ranking")
ROOFPLAT = (sys.executable, "-c", "from roofplat.cli.main import main; main()")
_READY = re.compile(r"at (https?://\S+?)/?\s*$")
_SHARE_OF_WARM_UP = 6


@contextlib.contextmanager
def running(command: Sequence[str], folder: Path) -> Iterator[tuple[str, int]]:
    """Start a server, wait for the line that says it is ready, and stop it at the end.

    Yields
    ------
    address, process id
    """
    with (folder / "server.log").open("w+", encoding="utf-8") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
        try:
            assert process.stdout is not None
            for line in process.stdout:
                if found := _READY.search(line):
                    break
            else:
                log.seek(0)
                raise SystemExit(f"The server ended before it was ready: {log.read()[-2000:]}")
            # What it says later must not fill the pipe.
            threading.Thread(target=process.stdout.read, daemon=True).start()
            yield found.group(1), process.pid
        finally:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def load(
    address: str, process: int, questions: Sequence[Any], folder: Path, *, clients: int, seconds: float
) -> dict[str, Any]:
    """Warm a server up, then let the clients ask, and watch its memory meanwhile."""
    file = folder / "questions.json"
    file.write_text(json.dumps(list(questions)), "utf-8")
    command = [sys.executable, "-m", "tests.benchmarks.load", address, str(file), "--clients", str(clients)]
    warm_up = max(1.0, seconds / _SHARE_OF_WARM_UP)
    subprocess.run([*command, "--seconds", str(warm_up), "--seed", "1"], check=True, capture_output=True)
    asking = subprocess.Popen([*command, "--seconds", str(seconds)], stdout=subprocess.PIPE, text=True)
    memory: list[float] = []
    over = threading.Event()

    def watch() -> None:
        while not over.wait(min(1.0, seconds / 8)):
            memory.append(memory_mib(process))

    watcher = threading.Thread(target=watch)
    watcher.start()
    told = asking.communicate()[0]
    over.set()
    watcher.join()
    if asking.returncode:
        raise SystemExit("The clients failed.")
    return {**json.loads(told), "memory_mib": memory, "seconds": seconds, "clients": clients}


def row(what: str, told: dict[str, Any]) -> dict[str, Any]:
    """One line of the table."""
    took, memory = told["took_ms"], told["memory_mib"]
    quarter = max(1, len(memory) // 4)
    warm, end = (
        statistics.median(part) for part in (memory[quarter : 2 * quarter] or memory, memory[-quarter:])
    )
    return {
        "what": what,
        "answers": len(took),
        "a second": len(took) / told["seconds"],
        "median ms": float(np.median(took)) if took else float("nan"),
        "p99 ms": float(np.percentile(took, 99)) if took else float("nan"),
        "errors": sum(told["errors"].values()),
        "items": statistics.mean(told["features"]) if told["features"] else float("nan"),
        "kB": told["received"] / max(1, len(took)) / 1000,
        "warm MiB": warm,
        "end MiB": end,
        "growth": end / warm - 1.0,
        "clients' processor": told["processor_s"] / told["seconds"],
    }


def boxes(layers: Path, how_many: int, random: np.random.Generator) -> list[str]:
    """Boxes over the district, as the parameter `bbox` has them."""
    info = pyogrio.read_info(layers, layer="buildings", force_total_bounds=True)
    west, south, east, north = info["total_bounds"]
    side = random.uniform(*BOX_M, (2, how_many)) / 2
    x, y = random.uniform(west, east, how_many), random.uniform(south, north, how_many)
    shapes = shapely.box(x - side[0], y - side[1], x + side[0], y + side[1])
    bounds = _to_degrees(shapes, info["crs"]).bounds.to_numpy()
    return [",".join(f"{edge:.6f}" for edge in one) for one in bounds]


def _to_degrees(shapes: Any, crs: str) -> Any:
    return gpd.GeoSeries(shapes, crs=crs).to_crs("OGC:CRS84")


def feature_questions(found: Sequence[str], layers: Sequence[str], random: np.random.Generator) -> list[str]:
    """Pages of layers within boxes."""
    chosen = random.choice(list(layers), len(found))
    return [
        f"/collections/{layer}/items?f=json&limit={PAGE}&bbox={box}"
        for layer, box in zip(chosen, found, strict=True)
    ]


def plan_questions(layers: Path, random: np.random.Generator) -> tuple[list[Any], list[Any]]:
    """What-ifs of buildings at random, and of a few over and over.

    Each has a fire spot inside the building and a wind; one in four prefers a method.
    """
    path = "/processes/plan-roof/execution"
    frame = pyogrio.read_dataframe(layers, layer="buildings", columns=["building_id"])
    frame = frame.iloc[random.permutation(len(frame))[:ASKED_OF]]
    spots = shapely.get_coordinates(
        _to_degrees(shapely.point_on_surface(frame.geometry.to_numpy()), frame.crs).to_numpy()
    )
    winds = random.uniform(0.0, 360.0, (4, len(frame))).round()
    methods = random.choice(list(METHODS), (4, len(frame)))
    prefers = random.random((4, len(frame))) < 0.25

    def ask(turn: int, place: int) -> Any:
        inputs: dict[str, Any] = {
            "building_id": frame["building_id"].iloc[place],
            "fire": [round(float(spots[place, 0]), 8), round(float(spots[place, 1]), 8)],
            "wind_from_deg": float(winds[turn, place]),
        }
        if prefers[turn, place]:
            inputs["method"] = str(methods[turn, place])
        return [path, {"inputs": inputs}]

    few = min(WARM_OF, len(frame))
    return (
        [ask(0, place) for place in range(len(frame))],
        [ask(turn, place) for turn in range(4) for place in range(few)],
    )


def what_if_row(what: str, told: dict[str, Any]) -> dict[str, Any]:
    """One line of the what-ifs: in the server from question to written plan, and at the client."""
    took, server_ms = told["took_ms"], told["server_ms"]
    line: dict[str, Any] = {
        "what": what,
        "answers": len(took),
        "a second": len(took) / told["seconds"],
        "errors": sum(told["errors"].values()),
    }
    steps = [server_ms.get(name, []) for name in STEPS]
    for name, spent in {"server": np.sum(steps, axis=0), "client": took, **server_ms}.items():
        if len(spent):
            line[f"{name} median"], line[f"{name} p99"] = np.percentile(spent, [50, 99])
    return line


def build(count: int, folder: Path) -> tuple[Path, Path]:
    """Write a district of some buildings and build it; what a folder holds already is taken as it is."""
    district, out = folder / "district" / "district.toml", folder / "built"
    if not (out / "build.json").exists():
        write_district(count, district.parent)
        subprocess.run(
            [*ROOFPLAT, "build", str(district), "--out", str(out)], check=True, stdout=subprocess.DEVNULL
        )
    return district, out


def measure(options: argparse.Namespace, folder: Path) -> dict[str, Any]:
    """All figures of one run."""
    random = np.random.default_rng(7)
    begun = time.perf_counter()
    district, out = build(options.n, folder)
    print(f"{options.n:,} buildings written and built in {time.perf_counter() - begun:,.0f} s")
    layers, bound = out / "layers.gpkg", Service()
    asked = feature_questions(boxes(layers, BOXES, random), ["buildings"], random)
    mixed = feature_questions(boxes(layers, BOXES, random), MIXED, random)
    cold, warm = plan_questions(layers, random)
    many: dict[str, Any] = {"clients": options.clients, "seconds": options.seconds}
    few: dict[str, Any] = {"clients": options.what_if_clients, "seconds": options.seconds}
    command = [*ROOFPLAT, "serve", str(district), "--out", str(out), "--port", "0"]
    command += ["--workers", str(options.workers)]
    told: dict[str, Any] = {}
    with running(command, folder) as (address, process):
        told["service, buildings"] = load(address, process, asked, folder, **many)
        told["service, mix of layers"] = load(address, process, mixed, folder, **many)
    with running(command, folder) as (address, process):
        told["what-if, any building"] = load(address, process, cold, folder, **few)
        told["what-if, some over and over"] = load(address, process, warm, folder, **few)
    bare = write_bare(layers, folder)
    if not spatialite_loads():
        del bare["GeoPackage"]
        print("Plain pygeoapi on a bare GeoPackage is left out: this Python cannot load mod_spatialite.")
    for kind, file in bare.items():
        plain = [sys.executable, "-m", "tests.benchmarks.plain", str(file)]
        plain += ["--workers", str(options.workers), "--threads", str(bound.threads)]
        plain += ["--connections", str(bound.connections)]
        with running(plain, folder) as (address, process):
            told[f"plain pygeoapi, {kind}"] = load(address, process, asked, folder, **many)
    return told


def main() -> None:
    """Run and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=100_000, help="buildings of the district")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long each load lasts")
    parser.add_argument("--clients", type=int, default=50, help="clients at once that ask for layers")
    parser.add_argument("--what-if-clients", type=int, default=10, help="clients at once that ask what if")
    parser.add_argument("--workers", type=int, default=Service().workers, help="processes of each server")
    parser.add_argument("--keep", type=Path, help="folder of the district; what it holds is used again")
    with_json(parser)
    options = parser.parse_args()
    with contextlib.ExitStack() as stack:
        folder = options.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        folder.mkdir(parents=True, exist_ok=True)
        told = measure(options, folder)
    rows = [row(what, one) for what, one in told.items()]
    what_ifs = [what_if_row(what, one) for what, one in told.items() if what.startswith("what-if")]
    notes = []
    ours = next(one for one in rows if one["what"] == "service, buildings")
    for other in rows:
        if other["what"].startswith("plain"):
            rate, tail = ours["a second"] / other["a second"], ours["p99 ms"] / other["p99 ms"]
            notes.append(
                f"{other['what']}: the service answers {rate:.1f} times as many, its p99 is {tail:.2f} of it"
            )
    for what, one in told.items():
        if one["errors"]:
            notes.append(f"{what}: errors {one['errors']}")
    for one in (*rows, *what_ifs):
        one["buildings"] = options.n
    tell(
        "service",
        {"Layers and plans": rows, "What-ifs, milliseconds": what_ifs},
        keys=("what", "buildings"),
        wanted=WANTED,
        notes=notes,
        more=("pygeoapi", "waitress", "flask"),
        json_file=options.json,
    )
    if any(one["errors"] for what, one in told.items() if not what.startswith("plain")):
        sys.exit("The service answered with errors.")


if __name__ == "__main__":
    main()
