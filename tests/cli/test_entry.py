"""A command that is stopped while it begins: Ctrl-C in its first second and a half.

In: the command as a process of its own, and signals at many moments from when it listens on.
Out: no traceback at any of them, one sentence at most, and the exit code of the signal.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from tests.breaking.tries import tries

from roofplat.cli.entry import run

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "data" / "demo" / "district.toml"
PATIENCE_S = 120.0


def _listens(process: subprocess.Popen[bytes], number: int) -> bool:
    """Whether a process has a handler of its own for a signal, as Linux tells it."""
    lines = Path(f"/proc/{process.pid}/status").read_text("ascii").splitlines()
    caught = next(line.split()[1] for line in lines if line.startswith("SigCgt:"))
    return bool(int(caught, 16) >> (number - 1) & 1)


def _stopped_at(moment_s: float, number: signal.Signals, words: list[str]) -> tuple[int, str]:
    """Exit code and standard error of a command that gets a signal so long after it has begun to listen."""
    with subprocess.Popen(
        [sys.executable, "-m", "roofplat", *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        until = time.monotonic() + PATIENCE_S
        # Python itself does nothing with this one.
        while not _listens(process, signal.SIGTERM) and time.monotonic() < until:
            time.sleep(0.001)
        time.sleep(moment_s)
        process.send_signal(number)
        said = process.communicate(timeout=PATIENCE_S)[1].decode("utf-8")
    return process.returncode, said


@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="whether a process listens is asked of /proc"
)
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda number: number.name)
def test_a_command_that_is_stopped_as_it_begins_says_so(number: signal.Signals, tmp_path: Path) -> None:
    many = tries(20 if number == signal.SIGINT else 1)
    for one in range(many):
        words = ["build", str(DEMO), "--out", str(tmp_path / f"out {one}")]
        code, said = _stopped_at(1.5 * one / many, number, words)
        assert code == 128 + number, (one, said)
        assert "Traceback" not in said, said
        lines = said.splitlines()
        assert [line for line in lines if line.startswith("Error: ")] == lines[-1:], said
        assert lines[-1].startswith("Error: The command was stopped before it was done"), said
        assert not list((tmp_path).glob(f"out {one}/*.gpkg"))


def test_nothing_is_read_before_signals_are_listened_to() -> None:
    code = (
        "import sys\nbefore = set(sys.modules)\nimport roofplat.cli.entry\n"
        "print(sorted(name for name in set(sys.modules) - before if name.startswith('roofplat')))\n"
        "print(len(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT / "src")})  # fmt: skip
    ours, count = done.stdout.splitlines()
    assert ours == "['roofplat', 'roofplat.cli', 'roofplat.cli.entry']"
    assert int(count) < 30


def test_the_script_and_the_module_are_the_same_command() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert told["project"]["scripts"] == {"roofplat": f"{run.__module__}:{run.__name__}"}
    done = subprocess.run(
        [sys.executable, "-m", "roofplat", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("roofplat, version ")


@pytest.mark.parametrize(("words", "code"), [(["rules", "ladder"], 0), (["check", "no/such.toml"], 2)])
def test_a_command_ends_with_its_own_exit_code(words: list[str], code: int) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "roofplat", *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == code
    assert "Traceback" not in done.stderr
