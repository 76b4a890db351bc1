"""What every benchmark has in common: the machine, the table, the file, and the run before.

In: rows of figures that a benchmark has measured, and which columns say what was measured.
Out: machine, versions and tables on the screen; a JSON file for each benchmark and machine in `.benchmarks/`
    of the working directory; what is a tenth better or worse than when this machine last measured the same.

A figure is compared when its name says which way is better: of times, memory and bytes (`_s`, `_ms`,
`_mib`, `_gib`, `_mb`, " ms", "MiB", `times_floor`) less is, of rates (`_per_s`, "a second") more is.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import hashlib
import itertools
import json
import os
import platform
import re
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "ROOFPLAT",
    "Spent",
    "bytes_by_kind",
    "family",
    "from_child",
    "growth_of_steps",
    "machine",
    "memory_mib",
    "run_steps",
    "tell",
    "versions",
    "watched",
    "with_json",
]

Rows = Sequence[Mapping[str, Any]]

ROOFPLAT = (sys.executable, "-c", "from roofplat.cli.main import main; main()")
_FOLDER = Path(".benchmarks")
# What changes from line to line of a long step: numbers, names of tiles, paths.
_CHANGES = re.compile(r"\S*[\d/]\S*")
# How much more or less is worth a line; how many runs a file keeps.
_SHARE, _RUNS = 0.10, 50
# From here on a step counts as growing faster than the number of buildings.
_MORE_THAN_IN_PROPORTION = 1.1
_MORE_IS_BETTER = ("_per_s", "a second")
_LESS_IS_BETTER = ("_s", "_ms", "_mib", "_gib", "_mb", "_kb", "times_floor", " ms", "MiB", " median", " p99")
_PACKAGES = ("numpy", "pandas", "shapely", "geopandas", "pyogrio", "pyarrow", "scipy", "numba", "roofplat")


def machine() -> dict[str, Any]:
    """Processor, cores this process may use, memory, system; `id` is the same for like machines."""
    told: dict[str, Any] = {
        "processor": _processor(),
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count(),
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30),
        "system": f"{platform.system()} {platform.machine()}",
    }
    told["id"] = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:8]
    return told


def versions(*more: str) -> dict[str, str]:
    """Versions of Python, GEOS and the packages that do the work."""
    import shapely

    told = {"python": platform.python_version(), "geos": ".".join(map(str, shapely.geos_version))}
    for name in (*_PACKAGES, *more):
        with contextlib.suppress(PackageNotFoundError):
            told[name] = version(name)
    return told


def with_json(parser: argparse.ArgumentParser) -> None:
    """Give a benchmark the option that all of them have."""
    parser.add_argument("--json", type=Path, help="also write the figures of this run to this file")


def from_child(command: Sequence[str], env: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Run a part of a benchmark in a process of its own; the last line it prints is JSON."""
    answer = subprocess.run(
        command, check=True, stdout=subprocess.PIPE, text=True, env={**os.environ, **(env or {})}
    )
    told: dict[str, Any] = json.loads(answer.stdout.splitlines()[-1])
    return told


def tell(
    name: str,
    tables: Mapping[str, Rows],
    *,
    keys: Sequence[str],
    wanted: Mapping[str, float] | None = None,
    notes: Sequence[str] = (),
    more: Sequence[str] = (),
    json_file: Path | None = None,
    folder: Path = _FOLDER,
) -> None:
    """Print the tables, keep them, and say what is better or worse than the last time.

    Parameters
    ----------
    name
        The benchmark.
    tables
        Title to rows.
    keys
        Columns that say what was measured; rows of two runs that agree in them are compared.
    wanted
        What is wanted, by name.
    notes
        Lines after the tables.
    more
        Further packages whose versions matter.
    json_file
        Where the figures of this run go as well.
    folder
        Where the runs of this machine are kept.
    """
    here, used = machine(), versions(*more)
    processor = here["processor"]
    print(f"{processor}, {here['cores']} cores, {here['memory_gib']} GiB, {here['system']} ({here['id']})")
    print(", ".join(f"{package} {number}" for package, number in used.items()))
    for title, rows in tables.items():
        if rows:
            print(f"\n{title}:" if title else "")
            print(_text(rows))
    for line in notes:
        print(line)
    if wanted:
        print("Wanted:", ", ".join(f"{what} {value:g}" for what, value in wanted.items()))
    run = {
        "benchmark": name,
        "at": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "machine": here,
        "versions": used,
        "tables": {title: [_plain(row) for row in rows] for title, rows in tables.items()},
        "wanted": dict(wanted or {}),
    }
    text = json.dumps(run, indent=1, default=float)
    if json_file is not None:
        json_file.write_text(text, "utf-8")
    file = folder / f"{name}-{here['id']}.json"
    runs: list[dict[str, Any]] = json.loads(file.read_text("utf-8")) if file.exists() else []
    print()
    for line in compared(runs, json.loads(text), keys):
        print(line)
    folder.mkdir(exist_ok=True)
    beside = file.with_suffix(".part")
    beside.write_text(json.dumps([*runs, json.loads(text)][-_RUNS:], indent=1), "utf-8")
    beside.replace(file)
    print(f"Kept in {file}")


def compared(runs: Sequence[Mapping[str, Any]], run: Mapping[str, Any], keys: Sequence[str]) -> list[str]:
    """Lines on what is a tenth better or worse than when the same was measured last.

    Parameters
    ----------
    runs, run
        Earlier runs, the oldest first, and this one, as the file keeps them.
    keys
        Columns that say what was measured.

    Returns
    -------
    list of str

    Examples
    --------
    >>> then = {"at": "2026-01-01", "tables": {"": [{"n": 10, "all_s": 2.0, "rows_per_s": 5.0}]}}
    >>> now = {"at": "2026-01-02", "tables": {"": [{"n": 10, "all_s": 1.5, "rows_per_s": 5.2}]}}
    >>> print("\\n".join(compared([then], now, ["n"])))
    n 10: all_s 2 -> 1.5, 25 % better than on 2026-01-01
    Within 10 % of the last run: 1 figures.
    >>> compared([], now, ["n"])
    ['No earlier run of this machine to compare with.']
    """
    before: dict[tuple[str, str], tuple[str, Mapping[str, Any]]] = {}
    for one in runs:
        for title, rows in one["tables"].items():
            before |= {(title, _key(row, keys)): (str(one["at"]), row) for row in rows}
    lines, same = [], 0
    for title, rows in run["tables"].items():
        for row in rows:
            key = _key(row, keys)
            if (title, key) not in before:
                continue
            at, then = before[title, key]
            for figure, value in row.items():
                better = _better(figure, then.get(figure), value)
                if figure in keys or better is None:
                    continue
                same += abs(better) < _SHARE
                if abs(better) >= _SHARE:
                    words = f"{_percent(abs(better))} {'better' if better > 0 else 'WORSE'}"
                    lines.append(f"{key}: {figure} {then[figure]:.4g} -> {value:.4g}, {words} than on {at}")
    if not lines and not same:
        return ["No earlier run of this machine to compare with."]
    return [*lines, f"Within {_percent(_SHARE)} of the last run: {same} figures."]


def _key(row: Mapping[str, Any], keys: Sequence[str]) -> str:
    return ", ".join(f"{key} {row[key]}" for key in keys if key in row)


def _better(figure: str, then: Any, now: Any) -> float | None:
    """By which share a figure is better than before, negative where worse; None where neither way is."""
    numbers = all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in (then, now))
    if not numbers or not then > 0 or not now >= 0:
        return None
    if figure.endswith(_MORE_IS_BETTER):
        return float(now / then - 1.0)
    return float(1.0 - now / then) if figure.endswith(_LESS_IS_BETTER) else None


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _plain(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row as JSON has it, which knows no figure that is none."""
    return {name: None if value != value else value for name, value in row.items()}


def _text(rows: Rows) -> str:
    return pd.DataFrame([dict(row) for row in rows]).to_string(
        index=False, float_format=lambda value: f"{value:,.2f}", na_rep="-"
    )


def _processor() -> str:
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text("utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


@dataclass
class Spent:
    """What some work has taken so far.

    wall_s
        By the clock; told when the work has ended.
    used
        Seconds of processors by process, of all that were seen.
    peak_gib
        Most memory of all its processes together (proportional set size, looked at some times a second).
    lately_gib
        The same since somebody set it back to nothing.
    """

    wall_s: float = 0.0
    used: dict[int, float] = field(default_factory=dict)
    peak_gib: float = float("nan")
    lately_gib: float = float("nan")

    @property
    def processor_s(self) -> float:
        """Seconds of processors of all processes, ended ones included."""
        return sum(tuple(self.used.values()))

    def look(self, process: int) -> float:
        """Look at a process and all that it has started; the seconds of processors of all so far."""
        for one in family(process):
            with contextlib.suppress(OSError):
                # After the name in brackets, which may hold blanks: its own time, user and system.
                words = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
                self.used[one] = (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")
        return self.processor_s


def family(process: int) -> list[int]:
    """A process and all that it started, by their ids."""
    found = [process]
    for one in found:
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{one}/task").iterdir():
                found += [int(child) for child in (task / "children").read_text().split()]
    return found


def memory_mib(process: int) -> float:
    """Proportional set size of a process and all that it started; Linux only, else nan."""
    total_kib, seen = 0, False
    for one in family(process):
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total_kib, seen = total_kib + int(line.split()[1]), True
    return total_kib / 1024 if seen else float("nan")


@contextlib.contextmanager
def watched(process: int, every_s: float = 0.25) -> Iterator[Spent]:
    """Watch a process and all that it starts until the block ends.

    Yields
    ------
    Spent
        Whole when the block has ended.
    """
    spent, over = Spent(), threading.Event()
    start = time.perf_counter()

    def watch() -> None:
        while True:
            now_gib = memory_mib(process) / 1024
            spent.peak_gib = float(np.fmax(spent.peak_gib, now_gib))
            spent.lately_gib = float(np.fmax(spent.lately_gib, now_gib))
            spent.look(process)
            if over.wait(every_s):
                return

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield spent
    finally:
        over.set()
        watcher.join()
        spent.wall_s = time.perf_counter() - start


def run_steps(command: Sequence[str], folder: Path | None = None) -> tuple[Spent, list[dict[str, Any]]]:
    """Run a command that tells on its stderr what it is doing, and measure each step.

    Parameters
    ----------
    command, folder
        What to run, and where.

    Returns
    -------
    Spent, list of dict
        Of the whole, and for each `step` (a line without its numbers) `clock_s`, `processor_s` and
        `peak_gib`, in order; a step that comes several times is summed up.

    Raises
    ------
    SystemExit
        The command failed otherwise than by telling of errors in the data (exit code 1).
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    process = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    steps: dict[str, dict[str, Any]] = {}
    lines = []
    with process.stderr, watched(process.pid) as spent:
        name, clock, used = "start", time.perf_counter(), 0.0
        for line in process.stderr:
            now, used_now = time.perf_counter(), spent.look(process.pid)
            _add(steps, name, now - clock, used_now - used, spent)
            lines.append(line)
            name, clock, used = " ".join(_CHANGES.sub("", line).split()), now, used_now
        code = process.wait()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    # What the system has counted is exact, but leaves out those that nobody has waited for.
    counted = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    spent.used[process.pid] += max(counted - spent.processor_s, 0.0)
    _add(steps, name, time.perf_counter() - clock, spent.processor_s - used, spent)
    if code not in (0, 1) or any(line.startswith("Traceback") for line in lines):
        raise SystemExit(f"{' '.join(command[3:])} failed: {''.join(lines[-20:])}")
    return spent, list(steps.values())


def growth_of_steps(steps: Rows, least_s: float = 0.5) -> list[str]:
    """Lines on the steps that cost more than in proportion from one size to the next.

    Parameters
    ----------
    steps
        Rows with `buildings`, `step`, `processor_s`.
    least_s
        Steps that take less at the larger size are not worth a line.

    Returns
    -------
    list of str

    Examples
    --------
    >>> made = [{"buildings": n, "step": "Cutting", "processor_s": s} for n, s in ((10, 1.0), (100, 13.0))]
    >>> growth_of_steps(made)
    ['Cutting: 100 cost 13.0 times 10 (10 times the buildings)']
    >>> growth_of_steps([*made[:1], {**made[1], "processor_s": 9.0}])
    ['No step costs more than in proportion (1.1 times) from one size to the next.']
    """
    by_size: dict[int, dict[str, float]] = {}
    for row in steps:
        by_size.setdefault(row["buildings"], {})[row["step"]] = row["processor_s"]
    sizes = sorted(by_size)
    lines = []
    for small, large in itertools.pairwise(sizes):
        for step, cost_s in by_size[large].items():
            before_s = by_size[small].get(step, 0.0)
            if (
                cost_s >= least_s
                and before_s > 0
                and cost_s / before_s > _MORE_THAN_IN_PROPORTION * large / small
            ):
                lines.append(
                    f"{step}: {large:,} cost {cost_s / before_s:.1f} times {small:,} "
                    f"({large / small:g} times the buildings)"
                )
    if len(sizes) < 2:
        return []
    limit = f"{_MORE_THAN_IN_PROPORTION:g} times"
    return lines or [f"No step costs more than in proportion ({limit}) from one size to the next."]


def _add(steps: dict[str, dict[str, Any]], name: str, clock_s: float, used_s: float, spent: Spent) -> None:
    nothing = {"step": name, "clock_s": 0.0, "processor_s": 0.0, "peak_gib": float("nan")}
    step = steps.setdefault(name, nothing)
    step["clock_s"] += clock_s
    step["processor_s"] += max(used_s, 0.0)
    step["peak_gib"] = float(np.fmax(step["peak_gib"], spent.lately_gib))
    spent.lately_gib = float("nan")


def bytes_by_kind(folder: Path) -> dict[str, int]:
    """Bytes below a folder by kind of file; what lies in its hidden folders by their names."""
    told: dict[str, int] = {}
    for file in sorted(folder.rglob("*")):
        if file.is_file():
            parts = file.relative_to(folder).parts
            hidden = [part for part in parts[:-1] if part.startswith(".")]
            own = parts[0] if len(parts) == 1 else f"{parts[0]}/*{file.suffix}"
            kind = f"{hidden[0]}/{parts[1]}/*{file.suffix}" if hidden and len(parts) > 2 else own
            told[kind] = told.get(kind, 0) + file.stat().st_size
    return told
