"""Tiles are run once each, in one process or several, and a process that dies takes none with it."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest

from roofplat.errors import DistrictFileError, LayerError
from roofplat.pipeline.tiles.schedule import Task, run_tiles

ROOT = Path(__file__).resolve().parents[3]
NAMES = [f"t{number}" for number in range(7)]
TASKS = [Task(name, "key") for name in NAMES]


def leave_a_mark(folder: Path, task: Task) -> None:
    with (folder / task.tile).open("a") as stream:
        stream.write(f"{os.getpid()}\n")


def die_the_first_time(folder: Path, task: Task) -> None:
    if task.tile == "t3" and not (folder / "died").exists():
        (folder / "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    leave_a_mark(folder, task)


def always_die(folder: Path, task: Task) -> None:
    if task.tile == "t3":
        os.kill(os.getpid(), signal.SIGKILL)
    leave_a_mark(folder, task)


def refuse(folder: Path, task: Task) -> None:
    if task.tile == "t3":
        raise DistrictFileError("There is no such thing; write another.")
    leave_a_mark(folder, task)


def count_what_is_left_alone(folder: Path, task: Task) -> None:
    (folder / task.tile).write_text(str(gc.get_freeze_count()))


def wait_for_good(folder: Path, task: Task) -> None:
    leave_a_mark(folder, task)
    time.sleep(600)


def processes(folder: Path) -> list[str]:
    return [
        line for name in NAMES if (folder / name).exists() for line in (folder / name).read_text().split()
    ]


@pytest.mark.parametrize("workers", [1, 2])
def test_each_tile_is_run_once_and_told_of(tmp_path: Path, workers: int) -> None:
    lines: list[str] = []
    run_tiles(TASKS, partial(leave_a_mark, tmp_path), workers=workers, report=lines.append)
    assert {file.name for file in tmp_path.iterdir()} == set(NAMES)
    own = [pid == str(os.getpid()) for pid in processes(tmp_path)]
    assert own == [workers == 1] * len(NAMES)
    assert lines == [f"Planning tiles: {done} of 7" for done in range(1, 8)]


def test_nothing_to_run_starts_nothing() -> None:
    run_tiles([], leave_a_mark, workers=4)  # type: ignore[arg-type]


def test_a_worker_that_is_killed_costs_no_tile(tmp_path: Path) -> None:
    run_tiles(TASKS, partial(die_the_first_time, tmp_path), workers=2)
    assert {file.name for file in tmp_path.iterdir()} == {*NAMES, "died"}


def test_a_tile_that_kills_its_worker_twice_is_named_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match=r"^The process that planned tile t3 ended .* --workers.*\.$"):
        run_tiles(TASKS, partial(always_die, tmp_path), workers=2)
    assert not (tmp_path / "t3").exists()


@pytest.mark.parametrize("workers", [1, 2])
def test_what_a_tile_cannot_do_is_said_as_it_says_it(tmp_path: Path, workers: int) -> None:
    with pytest.raises(DistrictFileError, match=r"^There is no such thing; write another\.$"):
        run_tiles(TASKS, partial(refuse, tmp_path), workers=workers)


@pytest.mark.parametrize("workers", [1, 2])
def test_the_libraries_are_left_alone_by_the_collector_of_garbage(tmp_path: Path, workers: int) -> None:
    run_tiles(TASKS[:3], partial(count_what_is_left_alone, tmp_path), workers=workers)
    assert all(int((tmp_path / name).read_text()) > 0 for name in NAMES[:3])
    assert gc.get_freeze_count() == 0


def test_the_collector_looks_at_everything_again_after_a_tile_that_failed(tmp_path: Path) -> None:
    with pytest.raises(DistrictFileError):
        run_tiles(TASKS, partial(refuse, tmp_path))
    assert gc.get_freeze_count() == 0


def test_workers_end_with_the_process_that_gave_the_work(tmp_path: Path) -> None:
    """What used to happen: they wait for work for good, each with a tile's memory."""
    script = (
        "from functools import partial\nfrom pathlib import Path\n"
        "from tests.pipeline.tiles.test_schedule import TASKS, run_tiles, wait_for_good\n"
        "if __name__ == '__main__':\n"
        f"    run_tiles(TASKS, partial(wait_for_good, Path({str(tmp_path)!r})), workers=2)\n"
    )
    (tmp_path / "script.py").write_text(script)
    given = {**os.environ, "PYTHONPATH": str(ROOT)}
    parent = subprocess.Popen([sys.executable, str(tmp_path / "script.py")], env=given)
    until = time.monotonic() + 120
    while len(processes(tmp_path)) < 2 and time.monotonic() < until:
        assert parent.poll() is None
        time.sleep(0.1)
    working = {int(pid) for pid in processes(tmp_path)}
    assert len(working) == 2
    parent.kill()
    parent.wait()
    while any(alive(pid) for pid in working) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(alive(pid) for pid in working)


def alive(pid: int) -> bool:
    """A process that has ended but that nobody has asked after is not alive."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False
