"""The frame of the benchmarks: what it keeps, and what it says beside the run before."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from roofplat import read_district
from roofplat.intake import read_inputs
from roofplat.rules import load_rulebook
from tests.benchmarks.__main__ import BENCHMARKS
from tests.benchmarks.frame import (
    bytes_by_kind,
    compared,
    family,
    memory_mib,
    run_steps,
    tell,
    watched,
)
from tests.benchmarks.state import COUNTRY, plot, straight_lines
from tests.benchmarks.state_layers import TOWN, write_state


def _run(at: str, **figures: float) -> dict[str, object]:
    return {"at": at, "tables": {"sizes": [{"n": 10, **figures}]}}


def test_less_time_and_more_of_a_rate_are_better() -> None:
    lines = compared(
        [_run("monday", all_s=2.0, rows_per_s=10.0, rows=5)],
        _run("tuesday", all_s=3.0, rows_per_s=20.0, rows=50),
        ["n"],
    )
    assert lines[0] == "n 10: all_s 2 -> 3, 50 % WORSE than on monday"
    assert lines[1] == "n 10: rows_per_s 10 -> 20, 100 % better than on monday"
    assert lines[2] == "Within 10 % of the last run: 0 figures."


def test_the_last_run_that_measured_the_same_counts() -> None:
    other = {"at": "wednesday", "tables": {"sizes": [{"n": 99, "all_s": 1.0}]}}
    lines = compared(
        [_run("monday", all_s=9.0), _run("tuesday", all_s=2.0), other], _run("now", all_s=1.0), ["n"]
    )
    assert lines[0] == "n 10: all_s 2 -> 1, 50 % better than on tuesday"


def test_runs_are_kept_and_compared(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for seconds in (1.0, 4.0):
        tell("made", {"": [{"n": 10, "all_s": seconds}]}, keys=["n"], folder=tmp_path / "kept")
    said = capsys.readouterr().out
    assert "No earlier run of this machine" in said
    assert "all_s 1 -> 4, 300 % WORSE" in said
    [file] = (tmp_path / "kept").iterdir()
    kept = json.loads(file.read_text("utf-8"))
    assert [run["tables"][""][0]["all_s"] for run in kept] == [1.0, 4.0]
    assert kept[0]["machine"]["cores"] >= 1
    assert "shapely" in kept[0]["versions"]


def test_all_benchmarks_are_listed_with_what_they_measure() -> None:
    said = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks"], check=True, capture_output=True, text=True
    ).stdout
    for name in BENCHMARKS:
        [line] = [line for line in said.splitlines() if line.split()[0] == name]
        assert len(line.split()) > 3


def test_an_unknown_benchmark_is_refused_in_one_sentence() -> None:
    asked = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "speed"], capture_output=True, text=True
    )
    assert asked.returncode == 1
    assert asked.stderr.startswith("There is no benchmark 'speed'")


@pytest.mark.skipif(not Path("/proc/self/smaps_rollup").exists(), reason="memory is read as Linux tells it")
def test_memory_and_processor_of_children_count() -> None:
    # A child of a child that fills 60 MB and works for a while.
    work = "b = bytearray(60_000_000)\nfor i in range(0, len(b), 4096): b[i] = 1\n"
    work += "while input(): sum(range(10**7))"
    nested = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {work!r}])"
    child = subprocess.Popen([sys.executable, "-c", nested], stdin=subprocess.PIPE, text=True)
    assert child.stdin is not None
    try:
        with watched(child.pid, 0.02) as spent:
            child.stdin.write("go\n" * 20)
            child.stdin.flush()
            until = time.monotonic() + 60
            while spent.processor_s < 0.3 and time.monotonic() < until:
                time.sleep(0.02)
            assert len(family(child.pid)) == 2
            assert memory_mib(child.pid) > 57
        assert spent.processor_s > 0.1
        assert spent.peak_gib > 0.055
        assert os.getpid() not in family(child.pid)
    finally:
        child.stdin.write("\n")
        child.stdin.close()
        child.wait(30)


def test_processes_that_nobody_waits_for_count_too() -> None:
    # The command starts one that goes on for a while, and is not its parent any more when that ends.
    work = "import time; until = time.process_time() + 0.6\nwhile time.process_time() < until: pass"
    code = f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {work!r}]); time.sleep(3)"
    spent, _ = run_steps([sys.executable, "-W", "ignore", "-c", code])
    assert spent.processor_s > 0.5


def test_steps_of_a_command_are_told_apart_and_summed_up() -> None:
    work = "sum(range(3 * 10**6))"
    lines = [f"import sys, time; say = lambda line: print(line, file=sys.stderr, flush=True); {work}"]
    lines += [f"say('Tile {number} of 2'); {work}; time.sleep(0.1)" for number in (1, 2)]
    lines += ["much = bytearray(80_000_000)", "much[::4096] = b'.' * len(much[::4096])", "time.sleep(1.5)"]
    lines += ["say('Writing /some/where/x.gpkg')"]
    spent, steps = run_steps([sys.executable, "-c", "\n".join(lines)])
    assert [step["step"] for step in steps] == ["start", "Tile of", "Writing"]
    assert steps[1]["clock_s"] > 0.2
    # What is held from the second step on counts there and not in the first.
    assert steps[1]["peak_gib"] > 0.07
    assert not steps[0]["peak_gib"] > 0.05
    assert sum(step["clock_s"] for step in steps) == pytest.approx(spent.wall_s, abs=0.5)
    assert sum(step["processor_s"] for step in steps) == pytest.approx(spent.processor_s, abs=0.1)


@pytest.mark.parametrize("ending", ["sys.exit(2)", "1 / 0"])
def test_a_command_that_fails_ends_the_benchmark(ending: str) -> None:
    with pytest.raises(SystemExit, match="failed"):
        run_steps([sys.executable, "-c", f"import sys; {ending}"])


def test_bytes_are_told_by_kind_and_hidden_folders_by_what_is_in_them(tmp_path: Path) -> None:
    for name, size in (
        ("map.html", 5),
        ("areas/a.html", 3),
        ("areas/b.html", 4),
        (".tiles/done/t1/x.bin", 2),
    ):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"." * size)
    assert bytes_by_kind(tmp_path) == {"map.html": 5, "areas/*.html": 7, ".tiles/done/*.bin": 2}


def test_a_state_has_the_sizes_and_shapes_that_it_was_fitted_to(tmp_path: Path) -> None:
    district = read_district(write_state(TOWN + 500, tmp_path))
    frame = gpd.read_parquet(tmp_path / "footprints.parquet")
    assert len(frame) == TOWN + 500
    assert frame.is_valid.all()
    assert frame["building_id"].is_unique
    # The middle of all: three houses in four at 1,859 square feet, the others at 3,521.
    area_ft2 = frame.area / 0.3048**2
    assert area_ft2.median() == pytest.approx(2_050, rel=0.1)
    assert area_ft2.quantile(0.95) == pytest.approx(8_500, rel=0.2)
    corners = frame.geometry.count_coordinates() - 1
    assert (corners == 4).mean() == pytest.approx(0.19, abs=0.02)
    assert (corners == 8).mean() == pytest.approx(0.37, abs=0.02)
    shapes = frame.geometry.to_numpy()[:TOWN]
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=0.01)
    apart = one != other
    assert np.unique(one[apart]).size / TOWN == pytest.approx(0.31, abs=0.03)
    shared = shapely.area(shapely.intersection(shapes[one[apart]], shapes[other[apart]]))
    assert shared.max() < 0.01
    assert not read_inputs(district, load_rulebook()).problems["severity"].eq("error").any()


def test_a_larger_state_begins_with_the_towns_of_a_smaller_one(tmp_path: Path) -> None:
    small, large = (
        gpd.read_parquet(write_state(count, tmp_path / str(count)).parent / "footprints.parquet")
        for count in (TOWN, 2 * TOWN)
    )
    assert small["building_id"].tolist() == large["building_id"].tolist()[:TOWN]
    assert shapely.equals_exact(small.geometry.to_numpy(), large.geometry.to_numpy()[:TOWN]).all()


def test_a_straight_line_is_found_and_drawn_as_far_as_a_country(tmp_path: Path) -> None:
    figures = {
        "clock_s": (9.0, 2e-3),
        "processor_s": (5.0, 4e-3),
        "peak_gib": (1.0, 1e-7),
        "disk_gb": (0.0, 4e-6),
    }
    rows = [
        {"buildings": count, **{name: fixed + each * count for name, (fixed, each) in figures.items()}}
        for count in (10_000, 100_000, 1_000_000)
    ]
    lines = straight_lines(rows)
    for name, line in figures.items():
        assert lines[name] == pytest.approx(line, abs=1e-6)
    plot(rows, lines, tmp_path / "growth.svg")
    plot(rows, lines, tmp_path / "again.svg")
    text = (tmp_path / "growth.svg").read_text("utf-8")
    assert text == (tmp_path / "again.svg").read_text("utf-8")
    assert lines["clock_s"][0] + lines["clock_s"][1] * COUNTRY == pytest.approx(260_009)
