"""Run a command many times, each in a process of its own with bounds on its memory and time.

In: words of a command line, and bounds.
Out: how it ended, what it said, what it took.

A first process loads the program and forks for each command: a library that dies, or asks for all the memory
there is, takes nothing with it.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
MEMORY_MB = 3_000
"""What a command may ask for beyond what the loaded program holds."""
CPU_S = 60
# A shared machine may be many times slower than its processor.
WALL_S = 600
_TRACEBACK = 70
# What a library says when it speaks past the program.
_STRAY = ("ERROR ", "Warning ", "Traceback", "  File ", "Exception ", "free(", "malloc(", "terminate called",
          "Fatal ", "proj_", "PROJ:", "Assertion", "/")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Answer:
    """How a command ended: exit code (negative: the signal), words, processor seconds, peak memory."""

    code: int
    out: str
    err: str
    cpu_s: float
    peak_mb: float

    @property
    def sentence(self) -> str:
        """The one sentence of an error; empty where there was none."""
        said = [line for line in self.err.splitlines() if line.startswith("Error: ")]
        return said[-1] if said else ""

    def check(self) -> Answer:
        """Hold it to good manners: an exit code that is documented, no library's words, one sentence."""
        told = f"{self.code}: {self.err[-3000:]}"
        assert self.code in (0, 1, 2), told
        stray = [line for line in self.err.splitlines() if line.startswith(_STRAY)]
        assert not stray, told
        errors = [line for line in self.err.splitlines() if line.startswith("Error: ")]
        assert len(errors) <= 1, told
        if errors:
            assert self.err.endswith(f"{errors[0]}\n"), told
            assert errors[0].endswith((".", "?")), told
            assert len(errors[0]) < 1_100, told
        else:
            assert self.code != 2, told
        return self


class Runner:
    """The process that forks, and its questions and answers as lines of JSON."""

    def __init__(self) -> None:
        self._server = subprocess.Popen(
            [sys.executable, "-m", "tests.breaking.runner"],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def run(self, *words: str | Path, folder: Path, memory_mb: int = MEMORY_MB, cpu_s: int = CPU_S) -> Answer:
        """Run one command in a folder."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        asked = {"words": [str(word) for word in words], "folder": str(folder), "memory_mb": memory_mb,
                 "cpu_s": cpu_s}  # fmt: skip
        self._server.stdin.write(json.dumps(asked) + "\n")
        self._server.stdin.flush()
        return Answer(**json.loads(self._server.stdout.readline()))

    def close(self) -> None:
        """End it."""
        # Waits for it, and closes what was open to it.
        with self._server as server:
            assert server.stdin is not None
            server.stdin.close()


@contextlib.contextmanager
def runner() -> Iterator[Runner]:
    """A runner for as long as the block runs."""
    made = Runner()
    try:
        yield made
    finally:
        made.close()


def _serve() -> None:
    import geopandas  # noqa: F401
    import openpyxl  # noqa: F401
    import pyarrow.parquet  # noqa: F401
    import pyogrio  # noqa: F401

    import roofplat.pipeline
    import roofplat.pipeline.tiles.whole
    import roofplat.record.answers  # noqa: F401
    from roofplat.cli.main import main

    for line in sys.stdin:
        asked = json.loads(line)
        sys.stdout.write(json.dumps(_fork(main, asked)) + "\n")
        sys.stdout.flush()


def _fork(main: Any, asked: dict[str, Any]) -> dict[str, Any]:
    reading_out, writing_out = os.memfd_create("out"), os.memfd_create("err")
    child = os.fork()
    if child == 0:
        _run(main, asked, reading_out, writing_out)
    end = time.monotonic() + WALL_S
    while True:
        done, status, used = os.wait4(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > end:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.01)
    said = []
    for stream in (reading_out, writing_out):
        with os.fdopen(stream, "rb") as file:
            file.seek(0)
            said.append(file.read(2_000_000).decode("utf-8", "backslashreplace"))
    return {
        "code": os.waitstatus_to_exitcode(status),
        "out": said[0],
        "err": said[1],
        "cpu_s": used.ru_utime + used.ru_stime,
        "peak_mb": used.ru_maxrss / 1024,
    }


def _run(main: Any, asked: dict[str, Any], out: int, err: int) -> None:
    code = _TRACEBACK
    try:
        os.dup2(out, 1)
        os.dup2(err, 2)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        sys.stdin = Path(os.devnull).open(encoding="utf-8")  # noqa: SIM115
        held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        most = held + asked["memory_mb"] * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        resource.setrlimit(resource.RLIMIT_CPU, (asked["cpu_s"], asked["cpu_s"] + 5))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        os.chdir(asked["folder"])
        try:
            main(asked["words"], prog_name="roofplat")
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:
        # Whatever it is, the parent is told.
        traceback.print_exc()
    finally:
        with contextlib.suppress(Exception):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    _serve()
