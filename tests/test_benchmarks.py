"""The frame of the benchmarks: what it keeps, and what it says beside the run before."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.benchmarks.__main__ import BENCHMARKS
from tests.benchmarks.frame import compared, family, memory_mib, processor_s, tell, watched


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
            while processor_s(child.pid) < 0.3 and time.monotonic() < until:
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
