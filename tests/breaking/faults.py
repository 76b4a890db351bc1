"""Commands that can be cut off at any moment, a small town for them, and what must hold of its files then.

In: words of a command line; a folder.
Out: processes that are killed, stopped or left to end; two states of one town; the law that every file is of
    the one or of the other, and that `build.json` says so where it is a mix.

A first process loads the program and forks for each command, so that a run costs its work alone.
"""

from __future__ import annotations

import atexit
import hashlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import traceback
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest

from tests.benchmarks.district import write_district

ROOT = Path(__file__).resolve().parents[2]
DAY = "2026-01-01"
WORKSHOP = ".writing-"
"""What is half written begins with this."""
# A shared machine may be many times slower than its processor.
PATIENCE_S = 600.0
TILED = ("--tile-buildings", 10)


class Command:
    """One command at work: the leader of a group of processes."""

    def __init__(self, launcher: Launcher, pid: int, out: Path, err: Path) -> None:
        self._launcher = launcher
        self.pid = pid
        self.code: int | None = None
        self._files = out, err

    def ended(self) -> bool:
        return bool(self._launcher.ask("ended", self.pid))

    def wait(self) -> int:
        """Its exit code, or minus the signal that ended it; no process of its group is left then."""
        self.code = int(self._launcher.ask("wait", self.pid))
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            try:
                os.killpg(self.pid, 0)
            except ProcessLookupError:
                return self.code
            time.sleep(0.02)
        raise AssertionError("a process of the command is still there")

    def kill(self, number: int = signal.SIGKILL, *, group: bool = False) -> None:
        """Send it a signal, or to all of its processes as a terminal does."""
        (os.killpg if group else os.kill)(self.pid, number)

    @property
    def out(self) -> str:
        return self._files[0].read_text("utf-8", "replace")

    @property
    def err(self) -> str:
        return self._files[1].read_text("utf-8", "replace")

    @property
    def sentence(self) -> str:
        """The one sentence of an error; a traceback or more than one line of it is a defect."""
        assert "Traceback" not in self.err, self.err
        lines = self.err.splitlines()
        said = [line for line in lines if line.startswith("Error: ")]
        assert len(said) <= 1, self.err
        if not said:
            return ""
        assert lines[-1] == said[0], self.err
        assert len(said[0]) < 400
        return said[0]


class Launcher:
    """A process that has loaded the program and forks for each command."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._number = 0
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.breaking.faults"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, *words: Any) -> Any:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(words) + "\n")
        self._process.stdin.flush()
        return json.loads(self._process.stdout.readline())

    def start(self, *words: object, out: Path | None = None, err: Path | None = None) -> Command:
        """Start a command; what it says goes into files of its own where no others are named."""
        self._number += 1
        out = out or self.folder / f"{self._number}.out"
        err = err or self.folder / f"{self._number}.err"
        pid = self.ask("start", [str(word) for word in words], str(out), str(err))
        return Command(self, pid, out, err)

    def run(self, *words: object) -> Command:
        """A command that ended well."""
        command = self.start(*words)
        code = command.wait()
        assert code == 0, (code, command.err)
        return command

    def timed(self, *words: object) -> float:
        """How long a command takes, on the clock: moments to cut it off lie within."""
        start = time.monotonic()
        self.run(*words)
        return time.monotonic() - start

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()
        assert self._process.stdout is not None
        self._process.stdout.close()


@pytest.fixture(scope="session")
def launcher(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Launcher]:
    """One for all tests."""
    made = Launcher(tmp_path_factory.mktemp("said"))
    yield made
    made.close()


class Moments:
    """Moments to cut a command off: any of its run, whose length is learned as it is run again."""

    def __init__(self, seed: int, takes_s: float) -> None:
        self._dice = random.Random(seed)
        self._takes_s = takes_s

    def wait(self, command: Command) -> bool:
        """Wait for such a moment; False where the command ended before."""
        start = time.monotonic()
        until = start + self._dice.uniform(0.0, self._takes_s)
        while time.monotonic() < until:
            if command.ended():
                # The machine is faster now than when it was measured.
                self._takes_s = min(self._takes_s, time.monotonic() - start)
                return False
            time.sleep(0.005)
        return not command.ended()

    def cut_off(self, command: Command, number: int, *, group: bool = False) -> bool:
        """Send a command a signal at such a moment; whether that came in time."""
        in_time = self.wait(command)
        if in_time:
            command.kill(number, group=group)
        # It may have ended between the look and the signal, or have been done but for its farewell.
        return command.wait() != 0 and in_time


@dataclass(frozen=True, slots=True)
class Town:
    """A town of a dozen buildings, and the same later: a building less, another area, other heights."""

    before: Path
    after: Path
    built: Path
    """Builds that nothing disturbed, of both: `before`, `tiled before` and so on."""
    takes_s: Mapping[str, float]
    """How long the later build took, `whole` and in `tiles`: moments to cut it off lie within."""

    def build(self, state: str, out: Path, *more: object) -> list[object]:
        """Words of a build of one of the two states."""
        return ["build", getattr(self, state), "--out", out, "--as-of", DAY, *more]


@pytest.fixture(scope="session")
def town(launcher: Launcher, tmp_path_factory: pytest.TempPathFactory) -> Town:
    """One for all tests; they change neither it nor its builds."""
    folder = tmp_path_factory.mktemp("faults")
    before = write_district(12, folder / "town")
    areas = gpd.read_file(folder / "town" / "areas.gpkg").iloc[:1]
    whole = gpd.read_file(folder / "town" / "footprints.gpkg").union_all().envelope.buffer(50.0)
    areas["geometry"] = [whole]
    areas.to_file(folder / "town" / "areas.gpkg")
    after = folder / "later" / "town" / before.name
    shutil.copytree(before.parent, after.parent)
    roofs = gpd.read_file(after.parent / "footprints.gpkg")
    roofs.iloc[1:].to_file(after.parent / "footprints.gpkg")
    areas["name"] = ["Another area"]
    areas.to_file(after.parent / "areas.gpkg")
    roll = pd.read_csv(after.parent / "roll.csv", dtype=str)
    roll["height_ft"] = "31"
    roll.to_csv(after.parent / "roll.csv", index=False)
    made = Town(before, after, folder / "built", {})
    takes_s = {}
    for name, more in (("", ()), ("tiled ", TILED)):
        launcher.run(*made.build("before", made.built / f"{name}before", *more))
        takes_s[name.strip() or "whole"] = launcher.timed(
            *made.build("after", made.built / f"{name}after", *more)
        )
    return Town(before, after, made.built, takes_s)


def form(folder: Path, name: str, ids: list[str], deck: str) -> Path:
    """A form as it comes back from a survey."""
    path = folder / name
    rows = [f"{building},{deck},20,Inspector 1,2025-12-03" for building in ids]
    path.write_text("\n".join(["building_id,deck,beam_spacing_ft,who,seen_on", *rows]) + "\n", "utf-8")
    return path


def contents(out: Path) -> dict[str, bytes]:
    """What each file of a build holds; of the layers, which may be renewed in place, the rows."""
    files = [path for path in out.rglob("*") if path.is_file() and _is_output(path.relative_to(out))]
    return {path.relative_to(out).as_posix(): told(path) for path in files}


def _is_output(path: Path) -> bool:
    first = path.parts[0]
    # SQLite's journal goes when somebody looks into its file.
    return first != ".tiles" and WORKSHOP not in str(path) and not path.name.endswith("-journal")


def told(path: Path) -> bytes:
    if path.name != "layers.gpkg":
        return path.read_bytes()
    total = hashlib.sha256()
    with closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        names = [name for (name,) in base.execute("SELECT table_name FROM gpkg_contents ORDER BY table_name")]
        for name in names:
            columns = [row[1] for row in base.execute(f'PRAGMA table_info("{name}")') if row[1] != "fid"]
            quoted = ", ".join(f'"{column}"' for column in columns)
            total.update(f"{name} {quoted}".encode())
            for row in sorted(map(repr, base.execute(f'SELECT {quoted} FROM "{name}"'))):
                total.update(row.encode())
        for row in sorted(map(repr, base.execute("SELECT md_standard_uri, metadata FROM gpkg_metadata"))):
            total.update(row.encode())
    return total.digest()


def check_whole(out: Path, before: Mapping[str, bytes], after: Mapping[str, bytes]) -> str:
    """Hold the files of a build that was cut off to the law; of which state they are."""
    now = contents(out)
    record = json.loads(now.pop("build.json", b"{}"))
    sides = {"before": dict(before), "after": dict(after)}
    records = {name: json.loads(side.pop("build.json", b"{}")) for name, side in sides.items()}
    for name, held in now.items():
        assert held in (side.get(name) for side in sides.values()), f"{name} is of no build"
    for name in sides["before"].keys() & sides["after"].keys():
        assert name in now, f"{name} is gone"
    if "unfinished" in record:
        left = record.pop("unfinished")
        bare = {"caution": records["after"]["caution"], "outputs": []}
        # A build may be the first here, or follow one that ended well.
        assert record in (*records.values(), bare)
        assert set(now) <= {*left, *record["outputs"], *sides["after"]}
        return "mixed"
    for name, side in sides.items():
        if record == records[name]:
            # It names the files that are there, and they belong together.
            assert set(side) == {*record.get("outputs", [])} - {"build.json"}
            assert now == side
            return name
    raise AssertionError("build.json is of no build")


def report(what: str, found: str) -> None:
    """Add a line to the file that ROOFPLAT_FAULTS names, if any: what a long run has tried and found."""
    place = os.environ.get("ROOFPLAT_FAULTS")
    if place:
        with Path(place).open("a", encoding="utf-8") as file:
            file.write(f"{what}: {found}\n")


def rubbish(out: Path) -> list[str]:
    return [str(path) for path in out.rglob("*") if path.name.startswith(WORKSHOP)]


def _serve() -> None:
    """Load the program, then fork for each command; asked by lines of JSON."""
    from roofplat.cli.main import main
    from roofplat.pipeline.tiles import run, whole  # noqa: F401
    from roofplat.pipeline.tiles.keys import code_digest
    from roofplat.publish import charts, sheet  # noqa: F401

    code_digest()
    code_digest(assets=True)
    codes: dict[int, int] = {}

    def look(pid: int, how: int) -> bool:
        if pid not in codes:
            found, status = os.waitpid(pid, how)
            if found:
                codes[pid] = os.waitstatus_to_exitcode(status)
        return pid in codes

    for line in sys.stdin:
        what, *words = json.loads(line)
        answer: Any
        if what == "start":
            answer = _fork(main, *words)
        elif what == "ended":
            answer = look(words[0], os.WNOHANG)
        else:
            look(words[0], 0)
            answer = codes[words[0]]
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _fork(main: Any, words: list[str], out: str, err: str) -> int:
    ready, tell = os.pipe()
    pid = os.fork()
    if pid:
        os.close(tell)
        # The group is there when the child has said so.
        os.read(ready, 1)
        os.close(ready)
        return pid
    os.setpgid(0, 0)
    for number, place in ((1, out), (2, err)):
        opened = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(opened, number)
        os.close(opened)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(ready)
    code = 1
    try:
        # As a program that was just started has it.
        signal.signal(signal.SIGINT, signal.default_int_handler)
        os.write(tell, b".")
        os.close(tell)
        main(words, prog_name="roofplat")
    except SystemExit as end:
        code = int(end.code or 0)
    except BaseException:
        traceback.print_exc()
    finally:
        # As a program ends: multiprocessing gives back what it holds.
        atexit._run_exitfuncs()
        for stream in (sys.stdout, sys.stderr):
            try:
                stream.flush()
            except OSError:
                code = 120
        os._exit(code)
    return 0


if __name__ == "__main__":
    _serve()
