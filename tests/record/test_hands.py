"""Several hands on one record, and imports killed in their middle: nothing is lost, nothing doubled."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from roofplat.record import current_values, open_record, read_record
from roofplat.rules import load_rulebook

HERE = Path(__file__).parent


def start(script: str, *words: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-W", "error", str(HERE / script), *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def end(program: subprocess.Popen[str]) -> str:
    out, complaint = program.communicate(timeout=600)
    assert program.returncode == 0, complaint
    return out


def test_two_who_import_at_once_lose_and_double_nothing(tmp_path: Path) -> None:
    path = tmp_path / "inventory.gpkg"
    # Both make the record; batches 5 to 9 are in both hands, word for word.
    hands = [start("importer.py", path, "Inspector 1", first, 10, 40) for first in (0, 5)]
    lines = [end(hand).split() for hand in hands]
    assert [line[:10] for line in lines] == [
        [str(number) for number in range(first, first + 10)] for first in (0, 5)
    ]
    added, known = (sum(int(line[line.index(word) + 1]) for line in lines) for word in ("added", "known"))
    assert (added, known) == (15 * 40, 5 * 40)
    tables = read_record(open_record(path, "EPSG:32613", load_rulebook()))
    log = tables.observations
    assert log["number"].tolist() == list(range(1, 601))
    assert sorted(log["building_id"]) == sorted(
        f"B{number}-{row}" for number in range(15) for row in range(40)
    )
    assert len(tables.current) == len(current_values(log)) == 600


def test_an_import_that_waits_too_long_is_told(tmp_path: Path) -> None:
    """The other hand holds the file in a process of its own; this one gives up and has changed nothing."""
    from roofplat.errors import RecordError
    from roofplat.record import append

    path = tmp_path / "inventory.gpkg"
    record = open_record(path, "EPSG:32613", load_rulebook({"record.wait_s": 0.3}))
    hold = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None); "
        "c.execute('BEGIN IMMEDIATE'); print('held', flush=True); sys.stdin.readline()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", hold, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == "held\n"
    sys.path.insert(0, str(HERE))
    try:
        from importer import batch
    finally:
        sys.path.remove(str(HERE))
    with pytest.raises(RecordError, match="another program is writing the record"):
        append(record, observations=batch(0, 3, "Inspector 2"))
    holder.communicate("go\n", timeout=60)
    assert append(record, observations=batch(0, 3, "Inspector 2")).added == {"observations": 3}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills by signal, which this system does not have")
def test_imports_that_are_killed_are_there_whole_or_not_at_all(tmp_path: Path) -> None:
    tally = json.loads(end(start("killer.py", tmp_path, 12)))
    assert tally["killed_while_writing"] >= 4, "every second kill waits for nothing, and hits"
    assert tally["left_half_written"] >= 3, "and some of them left pages half written"
    assert tally["whole"] >= 1
    assert tally["killed_while_making"] >= 1
