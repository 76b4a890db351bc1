"""Worker processes: silent, and never left half started.

In: pools of a process of its own, with signals to all of its processes as a terminal sends them.
Out: nothing on standard error, whatever was being started; and nobody left.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.breaking.tries import tries

pytestmark = pytest.mark.skipif(not hasattr(os, "killpg"), reason="signals are those of POSIX")
PATIENCE_S = 120.0
WORK = """
import multiprocessing, sys, time, warnings
sys.path.insert(0, {folder!r})
from work import busy
from roofplat.cli.stopping import Stopped, stoppable
from roofplat.publish.processes import interrupts_held, worker_pool
if __name__ == "__main__":
    with stoppable() as stops:
        try:
            with stops, worker_pool(2, multiprocessing.get_context({how!r})) as pool:
                print("starts", flush=True)
                with interrupts_held():
                    futures = [pool.submit(busy, {seconds}) for _ in range(4)]
                print([future.result() for future in futures], flush=True)
        except Stopped:
            print("stopped", flush=True)
"""
BUSY = """
import time, warnings

def busy(seconds):
    warnings.warn("a library says so")
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        sum(range(1000))
    return seconds
"""


def _started(folder: Path, how: str, seconds: float) -> subprocess.Popen[str]:
    (folder / "work.py").write_text(BUSY, "utf-8")
    script = folder / "script.py"
    script.write_text(WORK.format(folder=str(folder), how=how, seconds=seconds), "utf-8")
    return subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def test_what_libraries_warn_of_in_a_worker_is_not_printed(tmp_path: Path) -> None:
    with _started(tmp_path, "spawn", 0.0) as process:
        said, errors = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, errors) == (0, "")
    assert said == "starts\n[0.0, 0.0, 0.0, 0.0]\n"


@pytest.mark.parametrize(
    ("how", "numbers"),
    [("spawn", (signal.SIGHUP, signal.SIGINT)), ("forkserver", (signal.SIGTERM, signal.SIGINT))],
    ids=["spawned", "served"],
)
def test_all_processes_are_stopped_in_silence_whatever_is_being_started(
    how: str, numbers: tuple[signal.Signals, signal.Signals], tmp_path: Path
) -> None:
    chance = random.Random(how)
    for turn in range(tries(1)):
        with _started(tmp_path, how, PATIENCE_S) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "starts\n"
            # While they start, which takes the longer the busier the machine is.
            time.sleep(chance.uniform(0.0, 0.6))
            os.killpg(process.pid, numbers[turn % 2])
            said, errors = process.communicate(timeout=PATIENCE_S)
        assert (said, errors) == ("stopped\n", "")
        assert _all_end(process.pid)


def _all_end(group: int) -> bool:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False
