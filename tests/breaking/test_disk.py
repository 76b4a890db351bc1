"""Disks that are full or may not be written to, and answers that nobody can take.

In: file systems of a few megabytes, made for the test; a small town and the same later.
Out: one sentence, exit code 2, and the outputs of before; when there is room, the next run ends well.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import pytest

from tests.breaking.faults import (
    TILED,
    Launcher,
    Town,
    check_whole,
    contents,
    form,
    report,
    rubbish,
)
from tests.breaking.test_killed import log_of
from tests.breaking.tries import tries

MEGABYTE = 1_000_000


class Disk:
    """A file system of its own, in memory."""

    def __init__(self, place: Path, size: int) -> None:
        self.place = place
        place.mkdir()
        _mount("-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place))

    def again(self, options: str) -> None:
        """Give it another size, or take the right to write."""
        _mount("-o", f"remount,{options}", str(self.place))


def _mount(*words: str) -> None:
    subprocess.run(["mount", *words], check=True, capture_output=True)


@contextmanager
def mounted(place: Path, size: int) -> Iterator[Disk]:
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root may mount a file system")
    try:
        disk = Disk(place, size)
    except subprocess.CalledProcessError:
        if os.environ.get("CI"):
            raise
        pytest.skip("this machine lets nobody mount a file system")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "--lazy", place], check=True)


def size_of(folder: Path) -> int:
    """Bytes that the files of a folder take of a disk, in pages."""
    return sum(-(-path.stat().st_size // 4096) * 4096 + 4096 for path in folder.rglob("*"))


@pytest.mark.parametrize("more", [(), TILED], ids=["whole", "in tiles"])
def test_a_full_disk_costs_nothing_but_the_build(
    more: tuple[object, ...], launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    """From no room at all to nearly enough."""
    old, new = (town.built / f"{'tiled ' if more else ''}{state}" for state in ("before", "after"))
    before, after = contents(old), contents(new)
    used = size_of(old)
    many = tries(1 if more else 2)
    shares = [(share + 0.3) / many for share in range(many)]
    full = 0
    for number, share in enumerate(shares):
        # Beside what is there a build takes its largest file once more, and in tiles what they hold.
        room = round(share * 0.6 * used) + 4096
        with mounted(tmp_path / f"disk {number}", used + 100 * MEGABYTE) as disk:
            out = disk.place / "out"
            shutil.copytree(old, out)
            taken = shutil.disk_usage(disk.place).used
            disk.again(f"size={taken + room}")
            command = launcher.start(*town.build("after", out, *more))
            code = command.wait()
            state = check_whole(out, before, after)
            report(f"room of {room} bytes", f"{state}, exit code {code}")
            assert rubbish(out) == []
            if code == 0:
                assert state == "after"
            else:
                full += 1
                assert code == 2, command.err
                assert "No space left" in command.sentence or "full" in command.sentence, command.err
            if number % 2 == 0:
                disk.again(f"size={taken + 100 * MEGABYTE}")
                launcher.run(*town.build("after", out, *more))
                assert contents(out) == after
    assert full


def test_an_import_into_a_record_on_a_full_disk_is_not_in_it(
    launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    ids = gpd.read_file(town.before.parent / "footprints.gpkg")["building_id"].tolist()
    first, second = form(tmp_path, "first.csv", ids[:3], "plywood"), form(tmp_path, "second.csv", ids, "OSB")
    with mounted(tmp_path / "disk", 100 * MEGABYTE) as disk:
        folder = disk.place / "town"
        shutil.copytree(town.before.parent, folder)
        words = ["survey", "in", folder / "district.toml"]
        launcher.run(*words, first)
        record = folder / "inventory.gpkg"
        before = log_of(record)
        disk.again(f"size={shutil.disk_usage(disk.place).used + 8192}")
        command = launcher.start(*words, second)
        assert command.wait() == 2, command.err
        assert command.sentence.startswith("Error: inventory.gpkg: the disk is full; make room")
        assert log_of(record) == before
        assert not list(folder.glob("inventory.gpkg-*"))
        disk.again("size=100m")
        launcher.run(*words, second)
        assert len(log_of(record)["observations"]) > len(before["observations"])


def test_what_may_not_be_written_to_is_named_in_one_sentence(
    launcher: Launcher, town: Town, tmp_path: Path
) -> None:
    """Outputs and a record on a disk that may only be read; where nothing is to be written, all is well."""
    ids = gpd.read_file(town.before.parent / "footprints.gpkg")["building_id"].tolist()
    answers = form(tmp_path, "form.csv", ids[:3], "plywood")
    with mounted(tmp_path / "disk", 100 * MEGABYTE) as disk:
        folder, out = disk.place / "town", disk.place / "out"
        shutil.copytree(town.before.parent, folder)
        district = folder / "district.toml"
        words = ["build", district, "--out", out, "--as-of", "2026-01-01"]
        launcher.run("survey", "in", district, answers)
        launcher.run(*words)
        held, log = contents(out), log_of(folder / "inventory.gpkg")
        disk.again("ro")
        assert "Nothing has changed" in launcher.run(*words).out
        # The record is only read by a build elsewhere.
        # Work is not lost because nobody can read of its progress.
        words[3] = tmp_path / "elsewhere"
        assert launcher.start(*words, err=Path("/dev/full")).wait() == 0
        words[3] = out
        other = form(tmp_path, "other.csv", ids[3:6], "OSB")
        for more in (
            [*words, "--anew"],
            ["build", district, "--out", disk.place / "fresh"],
            ["survey", "in", district, other],
        ):
            command = launcher.start(*more)
            assert command.wait() == 2, (more, command.err)
            assert command.sentence, (more, command.err)
        assert contents(out) == held
        assert log_of(folder / "inventory.gpkg") == log


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
@pytest.mark.parametrize("words", [("rules",), ("--help",), ("rules", "no.such.rule")])
def test_an_answer_that_cannot_be_written_ends_in_a_sentence(
    words: tuple[str, ...], launcher: Launcher
) -> None:
    command = launcher.start(*words, out=Path("/dev/full"))
    assert command.wait() == 2
    assert len(command.err.splitlines()) == 1
    assert command.sentence


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
def test_an_error_that_cannot_be_written_keeps_its_exit_code(launcher: Launcher) -> None:
    command = launcher.start("check", "no/such/district.toml", err=Path("/dev/full"))
    assert command.wait() == 2
    assert command.out == ""


def test_an_answer_of_which_only_the_first_line_is_read_ends_without_a_word() -> None:
    """As with `| head -1`."""
    run = "from roofplat.cli.main import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", run, "rules"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        # As shells count a program that SIGPIPE has ended.
        assert process.wait() in (0, 141)
