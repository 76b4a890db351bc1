"""Tiles on a real Dask cluster: a scheduler and workers as processes on loopback ports of their own."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import IO

import pandas as pd
import pytest
from tests.benchmarks.district import write_district

import roofplat
from roofplat import read_district
from roofplat.errors import DistrictFileError, LayerError
from roofplat.ground import Ground
from roofplat.pipeline.tiles.cluster import check_cluster, plan_partition, program, run_on_cluster
from roofplat.pipeline.tiles.cut import cut_district
from roofplat.pipeline.tiles.run import DONE, WORKSHOP, Job, run_tile
from roofplat.pipeline.tiles.schedule import Task, run_tiles
from roofplat.pipeline.tiles.spread import HOME
from roofplat.rules import load_rulebook

BUILDINGS, A_TILE = 400, 40
_DASK = (sys.executable, "-W", "ignore", "-m", "dask")


class Cluster:
    """A scheduler and its workers; all of them end with the test."""

    def __init__(self, folder: Path, **env: str) -> None:
        self._folder = folder
        self._processes: list[subprocess.Popen[str]] = []
        command = ["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
        self.scheduler = self._start(command, env)
        self.address = _told(self.scheduler, r"Scheduler at:\s+(tcp://\S+)")

    def add_worker(self, **env: str) -> subprocess.Popen[str]:
        words = ["worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        words += ["--host", "127.0.0.1", "--local-directory", str(self._folder)]
        worker = self._start(words, env)
        _told(worker, r"(Registered to)")
        return worker

    def _start(self, words: list[str], env: dict[str, str]) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [*_DASK, *words],
            cwd=self._folder,
            env={**os.environ, **env},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._processes.append(process)
        return process

    def end(self) -> None:
        for process in reversed(self._processes):
            process.kill()
            process.wait()


def _told(process: subprocess.Popen[str], pattern: str) -> str:
    """Wait for what a process tells of itself; what it tells later must not fill the pipe."""
    assert process.stderr is not None
    said = []
    for line in process.stderr:
        said.append(line)
        if found := re.search(pattern, line):
            threading.Thread(target=_drain, args=(process.stderr,), daemon=True).start()
            return found.group(1)
    raise AssertionError("".join(said))


def _drain(stream: IO[str]) -> None:
    with stream:
        stream.read()


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    made = Cluster(tmp_path)
    try:
        yield made
    finally:
        made.end()


@pytest.fixture(scope="module")
def district_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_district(BUILDINGS, tmp_path_factory.mktemp("district"))


@pytest.fixture(scope="module")
def whole(district_file: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, list[Task]]:
    """The district cut, and planned in this process."""
    district, rules = read_district(district_file), load_rulebook()
    folder = tmp_path_factory.mktemp("local")
    ground = Ground(rules.number("ground.foot_m"), district.mean_elevation_ft)
    cut = cut_district(district, rules, ground, folder, tile_buildings=A_TILE, report=lambda line: None)
    tasks = [Task(tile.name, f"key of {tile.name}") for tile in cut.tiles]
    assert len(tasks) >= BUILDINGS // A_TILE
    job = Job(district, folder, 250.0, "assumed")
    run_tiles(tasks, partial(run_tile, job))
    return job, tasks


@pytest.fixture
def job(whole: tuple[Job, list[Task]], tmp_path: Path) -> Job:
    """The same cut in a folder where no tile is done yet."""
    local = whole[0]
    folder = tmp_path / "shared"
    shutil.copytree(local.folder, folder, ignore=shutil.ignore_patterns(DONE))
    return Job(local.district, folder, local.wind_from_deg, local.wind_basis)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in sorted(folder.rglob("*"))
        # What the worker that was killed has left half written; the build removes it.
        if file.is_file() and not file.relative_to(folder).parts[0].startswith(WORKSHOP)
    }


def at_line(number: int, act: Callable[[], object]) -> tuple[list[str], Callable[[str], None]]:
    """A report that acts when some lines have been told."""
    lines: list[str] = []

    def report(line: str) -> None:
        lines.append(line)
        if len(lines) == number:
            act()

    return lines, report


def test_two_workers_of_which_one_is_killed_leave_what_one_process_leaves(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job
) -> None:
    first, _ = cluster.add_worker(), cluster.add_worker()
    lines, report = at_line(3, partial(os.kill, first.pid, signal.SIGKILL))
    run_on_cluster(whole[1], job, cluster.address, report=report)
    assert first.wait(10) == -signal.SIGKILL
    assert lines[-1] == f"Planning tiles: {len(whole[1])} of {len(whole[1])}"
    assert lines == sorted(set(lines), key=lambda line: int(line.split()[2]))
    here, there = contents(whole[0].folder / DONE), contents(job.folder / DONE)
    assert list(here) == list(there)
    assert [name for name in here if here[name] != there[name]] == []


def test_where_all_workers_go_away_the_build_ends_and_what_is_done_stays(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job
) -> None:
    worker = cluster.add_worker()
    lines, report = at_line(2, partial(os.kill, worker.pid, signal.SIGKILL))
    with pytest.raises(LayerError, match=r"^All workers of the cluster at tcp://.* build again to go on\.$"):
        run_on_cluster(whole[1], job, cluster.address, patience_s=2.0, report=report)
    done = {path.name for path in (job.folder / DONE).iterdir() if not path.name.startswith(".")}
    assert 2 <= len(done) < len(whole[1])
    assert len(lines) < len(whole[1])
    # It goes on in one process, and does nothing twice.
    before = {name: (job.folder / DONE / name).stat().st_mtime_ns for name in done}
    run_tiles(whole[1], partial(run_tile, job))
    assert {name: (job.folder / DONE / name).stat().st_mtime_ns for name in done} == before
    assert {task.tile for task in whole[1]} <= {path.name for path in (job.folder / DONE).iterdir()}


def test_a_tile_that_takes_its_workers_with_it_is_named(
    whole: tuple[Job, list[Task]], job: Job, tmp_path: Path
) -> None:
    # A scheduler that gives up a task with the first worker that dies of it.
    cluster = Cluster(tmp_path, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0")
    try:
        worker = cluster.add_worker()
        _, report = at_line(1, partial(os.kill, worker.pid, signal.SIGKILL))
        with pytest.raises(
            LayerError, match=r"^Workers ended .* planned tile (\w+-\w+|\w+); give them more"
        ) as told:
            run_on_cluster(whole[1], job, cluster.address, report=report)
    finally:
        cluster.end()
    assert any(task.tile in str(told.value) for task in whole[1])


def test_where_the_scheduler_goes_away_the_build_ends(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job
) -> None:
    cluster.add_worker()
    _, report = at_line(1, partial(os.kill, cluster.scheduler.pid, signal.SIGKILL))
    with pytest.raises(LayerError, match=r"^The scheduler at tcp://.* build again to go on\.$"):
        run_on_cluster(whole[1], job, cluster.address, report=report)


def test_a_cluster_without_workers_is_not_waited_for_without_end(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job
) -> None:
    begun = time.monotonic()
    with pytest.raises(LayerError, match=r"has had no worker for 1 seconds; start some \(dask worker"):
        run_on_cluster(whole[1], job, cluster.address, patience_s=1.0)
    assert time.monotonic() - begun < 60
    assert not (job.folder / DONE).exists()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nowhere", "http://127.0.0.1:1"])
def test_an_address_where_nobody_answers_is_refused(address: str) -> None:
    with pytest.raises(DistrictFileError, match=rf"^No scheduler answers at {address}; .*\.$"):
        check_cluster(address)


def test_a_worker_of_another_release_is_refused(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job, tmp_path: Path
) -> None:
    package = Path(roofplat.__file__).parent
    other = tmp_path / "other" / "roofplat"
    shutil.copytree(package, other, ignore=shutil.ignore_patterns("__pycache__"))
    start = (other / "__init__.py").read_text("utf-8")
    (other / "__init__.py").write_text(re.sub(r'__version__ = ".*"', '__version__ = "0.0.9"', start), "utf-8")
    cluster.add_worker(PYTHONPATH=str(other.parent))
    with pytest.raises(
        DistrictFileError, match=r"^The worker tcp://\S+ runs roofplat 0\.0\.9 .*same release"
    ):
        run_on_cluster(whole[1], job, cluster.address)
    assert not (job.folder / DONE).exists()


def test_a_worker_that_comes_later_looks_at_its_program_itself(job: Job) -> None:
    given = pd.DataFrame({"tile": ["t1"], "key": ["key"], "buildings": [3]})
    frame = pd.DataFrame({HOME: [True, True, True]})
    with pytest.raises(
        DistrictFileError, match=r"^A worker runs roofplat .*, this build 9\.9 \(else\): install"
    ):
        plan_partition(frame, given, job, "9.9 (else)")


def test_a_worker_that_sees_another_folder_says_so(job: Job) -> None:
    given = pd.DataFrame({"tile": ["t1"], "key": ["key"], "buildings": [3]})
    frame = pd.DataFrame({HOME: [True, True, False]})
    with pytest.raises(
        DistrictFileError, match=r"^A worker sees another district in .* all machines share\.$"
    ):
        plan_partition(frame, given, job, program())


def test_a_folder_that_workers_do_not_see_is_told_of(
    cluster: Cluster, whole: tuple[Job, list[Task]], job: Job
) -> None:
    cluster.add_worker()
    _, report = at_line(1, partial(shutil.rmtree, job.folder / "sources"))
    with pytest.raises((DistrictFileError, LayerError), match=r"cannot (use the folder|be read).*\.$"):
        run_on_cluster(whole[1], job, cluster.address, report=report)


def test_nothing_to_plan_asks_nobody(job: Job) -> None:
    run_on_cluster([], job, "tcp://127.0.0.1:1")


def test_the_libraries_of_clusters_are_read_when_they_are_needed() -> None:
    code = "import sys, roofplat.pipeline.tiles.cluster, roofplat.cli.main; "
    code += "print(sorted({'dask', 'dask_geopandas', 'distributed', 'numba'} & set(sys.modules)))"
    said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert said.strip() == "[]"


def test_the_command_builds_on_a_cluster_what_it_builds_here(
    cluster: Cluster, district_file: Path, tmp_path: Path
) -> None:
    cluster.add_worker()
    command = [
        sys.executable,
        "-c",
        "from roofplat.cli.main import main; main()",
        "build",
        str(district_file),
    ]
    command += ["--no-sheets", "--as-of", "2026-01-01", "--tile-buildings", "200"]
    for name, more in (("here", []), ("there", ["--scheduler", cluster.address])):
        ran = subprocess.run(
            [*command, "--out", str(tmp_path / name), *more], capture_output=True, text=True, check=False
        )
        assert ran.returncode == 0, ran.stderr
        assert re.search(r"Planning tiles: (\d+) of \1\n", ran.stderr)
    here, there = (
        {name: data for name, data in contents(tmp_path / side).items() if not name.startswith(".tiles")}
        for side in ("here", "there")
    )
    assert {"layers.gpkg", "map.html", "ranking.csv", "build.json"} <= set(here)
    assert list(here) == list(there)
    assert [name for name in here if here[name] != there[name]] == []


def test_the_command_says_in_one_sentence_that_nobody_answers(district_file: Path, tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-c",
        "from roofplat.cli.main import main; main()",
        "build",
        str(district_file),
    ]
    command += ["--out", str(tmp_path / "built"), "--scheduler", "tcp://127.0.0.1:1"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 2
    assert ran.stderr.splitlines()[-1].startswith(
        "Error: No scheduler answers at tcp://127.0.0.1:1; start one"
    )
    assert "Traceback" not in ran.stderr
    # It is found out before the district is cut.
    assert not (tmp_path / "built").exists()
