"""A program that kills imports in their middle, and looks at what they left behind after each.

In: `killer.py FOLDER KILLS`.
Out: one line of JSON: how often an import was killed while it wrote, while it made the record, and how many
    imports were whole. Anything that was lost, doubled or half there ends it with an error.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pandas as pd
import pyogrio

sys.path.insert(0, str(Path(__file__).parent))
from importer import batch

from roofplat.record import append, current_values, open_record, read_record
from roofplat.rules import load_rulebook

ROWS = 6000
RULES = load_rulebook()
CRS = "EPSG:32613"


def killed(work: Callable[[], object], ready: Callable[[], bool], wait_s: float) -> bool:
    """Run the work in a process of its own and kill it some time after it is ready; was it killed?"""
    child = os.fork()
    if not child:
        work()
        os._exit(0)
    while not ready():
        if os.waitpid(child, os.WNOHANG)[0]:
            return False
    time.sleep(wait_s)
    os.kill(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


def hot(journal: Path) -> bool:
    """Whether there are pages to put back: the journal's first byte is not zero from then on."""
    try:
        with journal.open("rb") as stream:
            return stream.read(1) not in (b"", b"\0")
    except FileNotFoundError:
        return False


def check(path: Path, whole: set[int], maybe: int) -> bool:
    """Every acknowledged batch is there once, the killed one whole or not at all; was it there?"""
    record = open_record(path, CRS, RULES)
    tables = read_record(record)
    log = tables.observations
    found = log["value"].str.rsplit(" ", n=1).str[1].astype(int)
    sizes = found.value_counts()
    assert set(sizes.index) - {maybe} == whole, (sizes, whole)
    assert (sizes == ROWS).all(), sizes
    assert log["number"].is_unique
    assert not log.duplicated(["building_id", "value", "who"]).any()
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        written = pd.read_sql("SELECT building_id, number FROM current ORDER BY building_id", connection)
    connection.close()
    right = current_values(log)
    assert written["building_id"].tolist() == right["building_id"].tolist()
    assert written["number"].tolist() == right["number"].tolist()
    assert pyogrio.read_info(path, layer="observations")["features"] == len(log)
    return maybe in set(sizes.index)


def main(folder: Path, kills: int) -> dict[str, int]:
    """Kill, look, and go on with the same batch until it is in."""
    dice = random.Random(20260301)
    path = folder / "inventory.gpkg"
    journal = folder / "inventory.gpkg-journal"
    record = open_record(path, CRS, RULES)
    whole: set[int] = set()
    tally = {"killed_while_writing": 0, "left_half_written": 0, "whole": 0, "killed_while_making": 0}
    number = 0
    for turn in range(kills):
        rows = batch(number, ROWS, "Inspector 1")
        # Some while rows are gathered, most once pages of the record itself have been written over.
        ready = journal.exists if turn % 4 == 0 else lambda: hot(journal)
        wait_s = 0.0 if turn % 2 else dice.uniform(0, 0.5)
        was = killed(partial(append, record, observations=rows), ready, wait_s)
        tally["killed_while_writing"] += was
        left = hot(journal)
        tally["left_half_written"] += left
        there = check(path, whole, number)
        assert there or was, "an import that ended well is there"
        assert not hot(journal), "a look undoes what was half done"
        if there:
            whole.add(number)
            number += 1
    rows = batch(number, ROWS, "Inspector 1")
    assert append(record, observations=rows).added == {"observations": ROWS}
    assert append(record, observations=rows).added == {"observations": 0}
    whole.add(number)
    assert not check(path, whole, -1)
    tally["whole"] = len(whole)
    for round_ in range(kills):
        fresh = folder / f"fresh-{round_}.gpkg"
        was = killed(partial(open_record, fresh, CRS, RULES), fresh.exists, dice.uniform(0, 0.02))
        tally["killed_while_making"] += was
        assert read_record(open_record(fresh, CRS, RULES)).observations.empty
        assert len(pyogrio.list_layers(fresh)) == 5
    return tally


if __name__ == "__main__":
    sys.stdout.write(json.dumps(main(Path(sys.argv[1]), int(sys.argv[2]))))
